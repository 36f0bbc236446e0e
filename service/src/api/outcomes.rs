//! `/v1/outcomes`: what watches turned out to be.

use super::listings::raw;
use super::parameters::{Key, Paged, Query};
use super::problems::{Anywhere, JsonBody, Keyed, Named, Parameters};
use super::resource::{cursor, cut, existing, finish, json, page, repeatable};
use crate::app::App;
use crate::body;
use crate::memory::{self, ACCOUNT, Finding};
use crate::outcomes::{self, Format};
use crate::problem::{Problem, UNSUPPORTED_MEDIA_TYPE};
use crate::store::{Outcome, OutcomeFilter, Ticket};
use crate::wire::stored::{Imported, OutcomeBody, OutcomesPage, RecordedOutcome};
use axum::body::Bytes;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, StatusCode, Uri};
use axum::response::Response;
use std::sync::Arc;

/// The most a file of outcomes may hold.
const MOST_BYTES: usize = 32 * 1024 * 1024;

/// Record what was found out about a watch. A later outcome of the same listing takes the place of
/// an earlier one, which is kept; the open listings of its seller are assessed again.
#[utoipa::path(
    post,
    path = "/v1/outcomes",
    tag = "outcomes",
    params(Key,),
    request_body(content = OutcomeBody, description = "What was found. The listing need not be saved; until it is, calibrations leave the outcome out, and `listing_saved` is false."),
    responses(
        (status = 201, description = "Recorded", body = RecordedOutcome, headers(("Location" = String, description = "Where it is"))),
        Keyed,
        (status = 422, description = "The request does not fit; every fault is named", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
    )
)]
pub(super) async fn post(State(app): State<Arc<App>>, request: Request) -> Result<Response, Problem> {
    let headers = request.headers().clone();
    let bytes = body::json_bytes(request).await?;
    let operation = "POST /v1/outcomes".into();
    let doing = |app: Arc<App>, ticket, bytes: Bytes| async move { record(&app, ticket, &bytes).await };
    repeatable(app, headers, operation, bytes, doing).await
}

async fn record(app: &App, ticket: Option<Ticket>, bytes: &[u8]) -> Result<Response, Problem> {
    let force = app.in_force().await?;
    let meaning = |body: &OutcomeBody| outcomes::faults(force.assessor().pack(), body);
    let body = app.checked("OutcomeBody", bytes, |_, _| (), meaning)?;
    let now = memory::now();
    let found = [Finding::new(body, now)?];
    let (write, known) = memory::record(app, &found, now).await?;
    let [found] = found;
    let recorded = RecordedOutcome {
        recorded_at: now.to_string(),
        seller: known.first().and_then(|k| k.seller.clone()),
        listing_saved: known.first().is_some_and(|k| k.listing_saved),
        superseded_by: None,
        outcome: raw(found.text().into())?,
        id: found.id,
    };
    let location = format!("/v1/outcomes/{}", recorded.id);
    let answer = finish(write, ticket, StatusCode::CREATED, Some(location), &recorded).await?;
    let because = format!("an outcome of listing {} of the same seller was recorded", found.body.listing);
    memory::follow(app, known.into_iter().map(|k| k.seller), &because).await;
    Ok(answer)
}

/// Record many outcomes at once. Lines that do not fit are refused one by one and the others kept;
/// those of listings that are not saved are kept too, and named.
#[utoipa::path(
    post,
    path = "/v1/outcomes/import",
    tag = "outcomes",
    params(Key,),
    request_body(
        content((String = "text/csv"), (String = "application/x-ndjson")),
        description = "At most 32 MiB and 50,000 lines. NDJSON: a body of `POST /v1/outcomes` a line. CSV: a header with any of the columns `listing`, `story` (both needed), `found_at`, `certainty`, `how`, `note`, `paid`, `paid_currency`, `sold`, `sold_currency`, `component:NAME` and `sign:ID`; an empty cell is not known. Commas part the cells, or semicolons where the header holds no comma; decimals have a point."
    ),
    responses(
        (status = 200, description = "What was recorded and what was refused, by line", body = Imported),
        (status = 400, description = "The key is none, or the body breaks off", body = Problem, content_type = "application/problem+json"),
        Keyed,
        (status = 413, description = "Body over 32 MiB or 50,000 lines", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Sent neither as CSV nor as NDJSON", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The header of the CSV does not fit; every fault is named", body = Problem, content_type = "application/problem+json"),
        Anywhere,
    )
)]
pub(super) async fn import(State(app): State<Arc<App>>, request: Request) -> Result<Response, Problem> {
    let headers = request.headers().clone();
    let format = format_of(&headers)?;
    let bytes = body::bytes(request, MOST_BYTES).await?;
    let operation = "POST /v1/outcomes/import".into();
    let doing = move |app: Arc<App>, ticket, bytes| async move { record_all(&app, ticket, format, bytes).await };
    repeatable(app, headers, operation, bytes, doing).await
}

async fn record_all(app: &Arc<App>, ticket: Option<Ticket>, format: Format, bytes: Bytes) -> Result<Response, Problem> {
    let (imported, write, sellers) = memory::read_and_record(app, format, bytes).await?;
    let imported: &Imported = &imported;
    let answer = finish(write, ticket, StatusCode::OK, None, imported).await?;
    memory::follow(app, sellers, memory::IMPORTED).await;
    Ok(answer)
}

fn format_of(headers: &HeaderMap) -> Result<Format, Problem> {
    if body::is(headers, "text/csv") {
        Ok(Format::Csv)
    } else if body::is(headers, "application/x-ndjson") {
        Ok(Format::Ndjson)
    } else {
        let detail = "send the file as `Content-Type: text/csv` or `application/x-ndjson`";
        Err(Problem::new(UNSUPPORTED_MEDIA_TYPE, detail))
    }
}

/// A recorded outcome.
#[utoipa::path(
    get,
    path = "/v1/outcomes/{id}",
    tag = "outcomes",
    params(("id" = String, Path, description = "The outcome.")),
    responses(
        (status = 200, description = "The outcome", body = RecordedOutcome),
        Anywhere,
        Named,
    )
)]
pub(super) async fn get(
    State(app): State<Arc<App>>,
    id: Result<Path<String>, PathRejection>,
) -> Result<Response, Problem> {
    let outcome = app.memory()?.store().outcome(ACCOUNT, &existing(id)?).await?;
    json(StatusCode::OK, &shown(outcome)?)
}

/// Recorded outcomes, in the order of recording.
#[utoipa::path(
    get,
    path = "/v1/outcomes",
    tag = "outcomes",
    params(
        ("listing" = Option<String>, Query, description = "Only of this listing.", example = "lot-381"),
        ("seller" = Option<String>, Query, description = "Only of this seller's watches.", example = "s-17"),
        ("current" = Option<bool>, Query, description = "`true`: only those whose place no later one has taken.", example = true),
        Paged,
    ),
    responses(
        (status = 200, description = "A page; `Link: rel=\"next\"` leads on", body = OutcomesPage, headers(("Link" = String, description = "`rel=\"next\"`: the next page, where there is one"))),
        Anywhere,
        Parameters,
    )
)]
pub(super) async fn list(State(app): State<Arc<App>>, uri: Uri) -> Result<Response, Problem> {
    let mut query = Query::of(&uri, &["listing", "seller", "current", "limit", "cursor"]);
    let filter =
        OutcomeFilter { listing: query.text("listing"), seller: query.text("seller"), current: query.flag("current") };
    let (limit, after) = (query.limit(), query.place());
    query.sound()?;
    let after = after.unwrap_or(0);
    let mut found = app.memory()?.store().outcomes(ACCOUNT, &filter, after, limit + 1).await?;
    let next_cursor = cut(&mut found, limit).map(|o| cursor(&uri, &o.number)).transpose()?;
    let items = found.into_iter().map(shown).collect::<Result<_, _>>()?;
    page(&uri, next_cursor.clone().as_deref(), &OutcomesPage { items, next_cursor })
}

fn shown(o: Outcome) -> Result<RecordedOutcome, Problem> {
    Ok(RecordedOutcome {
        id: o.id,
        recorded_at: o.recorded_at.to_string(),
        seller: o.seller,
        listing_saved: o.listing_saved,
        superseded_by: o.superseded_by,
        outcome: raw(o.body)?,
    })
}

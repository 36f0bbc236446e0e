//! `/v1/listings`: saved listings, each with its newest assessment.

use super::parameters::{IfMatch, IfNoneMatch, Known, Paged, Query, foreign_cursor};
use super::problems::{Anywhere, Conditional, JsonBody, Named, Parameters};
use super::resource::{cursor, cut, etag, existing, json, page, precondition_by, storable, tagged, whole};
use crate::app::{App, computing};
use crate::memory::{ACCOUNT, Save, Saved};
use crate::picture;
use crate::problem::{FaultAt, INVALID, NOT_FOUND, Problem};
use crate::relisted::{self, Others};
use crate::store::{Assessment, Listing, ListingQuery, Status};
use crate::wire::request::AssessRequest;
use crate::wire::response;
use crate::wire::stored::{AssessmentAgain, ListingsPage, PastAssessment, PastAssessmentsPage, SavedListing};
use crate::{body, memory, store};
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use serde_json::value::RawValue;
use std::sync::Arc;

type Name = Result<Path<String>, PathRejection>;

/// Save a listing, or save it anew: it is assessed with all that is stored of its seller, and the
/// seller's other open listings are assessed again.
#[utoipa::path(
    put,
    path = "/v1/listings/{id}",
    tag = "listings",
    params(
        ("id" = String, Path, description = "The caller's name for the listing.", max_length = 200, example = "lot-381"),
        IfMatch,
        IfNoneMatch,
    ),
    request_body(content = AssessRequest, description = "The body of `POST /v1/assess`, with `status`. Its `id`, if given, is the one in the path. At most 256 KiB."),
    responses(
        (status = 200, description = "Saved anew", body = SavedListing, headers(("ETag" = String, description = "Changes with the listing, its assessment, and what is shown of the same watch; opaque"))),
        (status = 201, description = "Saved", body = SavedListing, headers(("ETag" = String, description = "Changes with the listing, its assessment, and what is shown of the same watch; opaque"))),
        (status = 422, description = "The request does not fit; every fault is named", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
        Conditional,
    )
)]
pub(super) async fn put(State(app): State<Arc<App>>, id: Name, request: Request) -> Result<Response, Problem> {
    let id = storable(id, &["id"])?;
    let condition = precondition_by(request.headers(), revision);
    let bytes = body::json_bytes(request).await?;
    let mut read = app.request(&bytes)?;
    if read.request.id.as_ref().is_some_and(|own| *own != id) {
        let fault = FaultAt::new("/id", format!("the path names the listing {id:?}"));
        return Err(Problem::invalid(vec![fault]));
    }
    read.request.id = Some(id.clone());
    let text = String::from_utf8(bytes.to_vec()).map_err(|_| Problem::new(INVALID, "the body is not UTF-8"))?;
    whole(async move {
        let Saved { created, listing } =
            memory::save(&app, Save { id: &id, text: &text, read, condition, from_feed: None }).await?;
        let status = if created { StatusCode::CREATED } else { StatusCode::OK };
        let (tag, listing) = shown(&app, listing).await?;
        Ok(([(header::ETAG, tag)], json(status, &listing)?).into_response())
    })
    .await
}

/// A saved listing.
#[utoipa::path(
    get,
    path = "/v1/listings/{id}",
    tag = "listings",
    params(
        ("id" = String, Path, description = "The listing."),
        Known,
    ),
    responses(
        (status = 200, description = "The listing", body = SavedListing, headers(("ETag" = String, description = "Changes with the listing, its assessment, and what is shown of the same watch; opaque"))),
        (status = 304, description = "It is as the ETag given"),
        Anywhere,
        Named,
    )
)]
pub(super) async fn get(State(app): State<Arc<App>>, id: Name, headers: HeaderMap) -> Result<Response, Problem> {
    let listing = app.memory()?.store().listing(ACCOUNT, &existing(id)?).await?;
    let (tag, listing) = shown(&app, listing).await?;
    tagged(&headers, &tag, &listing)
}

/// Delete a listing and its assessments. Its outcomes stay.
#[utoipa::path(
    delete,
    path = "/v1/listings/{id}",
    tag = "listings",
    params(
        ("id" = String, Path, description = "The listing."),
        IfMatch,
    ),
    responses(
        (status = 204, description = "Deleted"),
        Anywhere,
        Conditional,
        Named,
    )
)]
pub(super) async fn delete(State(app): State<Arc<App>>, id: Name, headers: HeaderMap) -> Result<StatusCode, Problem> {
    let id = existing(id)?;
    whole(async move {
        let mut write = app.memory()?.store().write(ACCOUNT).await?;
        let seller = write.delete_listing(&id, precondition_by(&headers, revision)).await?;
        write.commit().await?;
        memory::follow(&app, [seller], &format!("listing {id} was deleted")).await;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}

/// What listings are sorted by; with `-` before it the largest first.
const SORTS: [&str; 5] = ["saved_at", "expected_net", "net_per_stake", "ask_worth", "bad"];
const STATUSES: [&str; 4] = ["open", "ended", "bought", "passed"];

/// Saved listings.
#[utoipa::path(
    get,
    path = "/v1/listings",
    tag = "listings",
    params(
        ("sort" = Option<String>, Query, description = "`saved_at` (where it is left out), `expected_net`, `net_per_stake`, `ask_worth` or `bad`; with `-` before it the largest first. What has no such figure comes last. `expected_net` and `ask_worth` are compared as numbers, in whatever currency each listing is; `net_per_stake` has none.", example = "-net_per_stake"),
        ("status" = Option<Status>, Query, description = "Only these.", example = "open"),
        ("seller" = Option<String>, Query, description = "Only this seller's.", example = "s-17"),
        ("limit" = Option<i64>, Query, description = "Items of a page, 50 where it is left out, at most 200.", minimum = 1),
        ("cursor" = Option<String>, Query, description = "`next_cursor` of the page before. It fixes the assessments of the walk's beginning."),
    ),
    responses(
        (status = 200, description = "A page; `Link: rel=\"next\"` leads on", body = ListingsPage, headers(("Link" = String, description = "`rel=\"next\"`: the next page, where there is one"))),
        Anywhere,
        Parameters,
    )
)]
pub(super) async fn list(State(app): State<Arc<App>>, uri: Uri) -> Result<Response, Problem> {
    let mut asked = Query::of(&uri, &["sort", "status", "seller", "limit", "cursor"]);
    let sorts: Vec<String> = SORTS.iter().map(|s| (*s).into()).chain(SORTS.iter().map(|s| format!("-{s}"))).collect();
    let sort: Option<String> = asked.word("sort", &sorts.iter().map(String::as_str).collect::<Vec<_>>());
    let sort = sort.as_deref().unwrap_or("saved_at");
    let (descending, name) = sort.strip_prefix('-').map_or((false, sort), |name| (true, name));
    let query = ListingQuery {
        sort: serde_json::from_value(name.into()).unwrap_or_default(),
        descending,
        status: asked.word("status", &STATUSES),
        seller: asked.text("seller"),
        after: asked.place(),
        limit: asked.limit(),
    };
    asked.sound()?;
    let found = app.memory()?.store().listings(ACCOUNT, &query).await;
    let found = found.map_err(|e| if e.is_conflict() { foreign_cursor() } else { e.into() })?;
    let mut others = relisted::others(app.memory()?, &found.items).await?;
    let saved = |l: Listing| {
        let others = others.remove(&l.id).unwrap_or_default();
        saved(l, others)
    };
    let items = found.items.into_iter().map(saved).collect::<Result<_, _>>()?;
    let next_cursor = found.next.as_ref().map(|next| cursor(&uri, next)).transpose()?;
    page(&uri, next_cursor.clone().as_deref(), &ListingsPage { items, next_cursor })
}

/// Everything that was thought of a listing, newest first.
#[utoipa::path(
    get,
    path = "/v1/listings/{id}/assessments",
    tag = "listings",
    params(
        ("id" = String, Path, description = "The listing."),
        Paged,
    ),
    responses(
        (status = 200, description = "A page; `Link: rel=\"next\"` leads on", body = PastAssessmentsPage, headers(("Link" = String, description = "`rel=\"next\"`: the next page, where there is one"))),
        (status = 404, description = "There is no such listing", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        Parameters,
    )
)]
pub(super) async fn assessments(State(app): State<Arc<App>>, id: Name, uri: Uri) -> Result<Response, Problem> {
    let id = existing(id)?;
    let mut query = Query::of(&uri, &["limit", "cursor"]);
    let (limit, after) = (query.limit(), query.place());
    query.sound()?;
    let store = app.memory()?.store();
    store.listing(ACCOUNT, &id).await?;
    let mut found = store.assessments(ACCOUNT, &id, after, limit + 1).await?;
    let last = cut(&mut found, limit).map(|a| a.assessment.first_revision);
    let next_cursor = last.map(|revision| cursor(&uri, &revision)).transpose()?;
    let items = found.into_iter().map(past).collect::<Result<_, _>>()?;
    page(&uri, next_cursor.clone().as_deref(), &PastAssessmentsPage { items, next_cursor })
}

/// What was once thought of a listing, with everything it was made of, and computed anew from that.
#[utoipa::path(
    get,
    path = "/v1/listings/{id}/assessments/{first_revision}",
    tag = "listings",
    params(
        ("id" = String, Path, description = "The listing."),
        ("first_revision" = i64, Path, description = "The first revision at which it was current.", minimum = 1, example = 1),
    ),
    responses(
        (status = 200, description = "The assessment", body = AssessmentAgain),
        (status = 404, description = "There is no such assessment, or it was made before what it used was noted", body = Problem, content_type = "application/problem+json"),
        Anywhere,
    )
)]
pub(super) async fn assessment(
    State(app): State<Arc<App>>,
    place: Result<Path<(String, String)>, PathRejection>,
) -> Result<Response, Problem> {
    let (id, revision) = existing(place)?;
    let none = |_| Problem::new(NOT_FOUND, format!("there is no assessment {revision:?}"));
    let revision: i64 = revision.parse().map_err(none)?;
    let memory = app.memory()?;
    let found = memory.store().assessment(ACCOUNT, &id, revision).await?;
    let force = memory.as_of(&found.assessment).await?;
    let reference_book = force.book.data().clone();
    let (known, request) = (found.assessment.seller_used.clone(), found.request.clone());
    let computed_again = computing(move || force.again(&id, &request, &known)).await?;
    let answer = AssessmentAgain { past: past(found)?, reference_book, computed_again };
    Ok(([(header::CACHE_CONTROL, "no-store")], json(StatusCode::OK, &answer)?).into_response())
}

/// Why: the account of the newest assessment as a picture.
#[utoipa::path(
    get,
    path = "/v1/listings/{id}/evidence.svg",
    tag = "listings",
    params(("id" = String, Path, description = "The listing.")),
    responses(
        (status = 200, description = "The picture", content_type = "image/svg+xml", body = String),
        (status = 404, description = "There is no such listing, or its assessment has no shares", body = Problem, content_type = "application/problem+json"),
        Anywhere,
    )
)]
pub(super) async fn evidence(State(app): State<Arc<App>>, id: Name) -> Result<Response, Problem> {
    let listing = app.memory()?.store().listing(ACCOUNT, &existing(id)?).await?;
    let read = |a: Assessment| serde_json::from_str::<response::Assessment>(&a.body).ok();
    let svg = listing.assessment.and_then(read).and_then(|a| picture::evidence(&a));
    svg.map(svg_response).ok_or_else(|| Problem::new(NOT_FOUND, "the newest assessment was made without shares"))
}

/// A picture as it is sent.
pub(super) fn svg_response(svg: String) -> Response {
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static("image/svg+xml")),
        // Opened by itself it is a document: it may do nothing.
        (header::CONTENT_SECURITY_POLICY, HeaderValue::from_static("default-src 'none'; frame-ancestors 'none'")),
    ];
    (headers, svg).into_response()
}

/// A listing as it is shown, under its entity tag: the revision, and a digest of what else is shown
/// of the same watch. Writes compare the revision alone, since nothing else is theirs to change.
async fn shown(app: &App, listing: Listing) -> Result<(HeaderValue, SavedListing), Problem> {
    let others = relisted::others(app.memory()?, std::slice::from_ref(&listing)).await?;
    let others = others.into_values().next().unwrap_or_default();
    let tag = match others.digest() {
        Some(digest) => format!("\"{}-{digest}\"", listing.revision),
        None => format!("\"{}\"", listing.revision),
    };
    let tag = HeaderValue::from_str(&tag).unwrap_or_else(|_| etag(listing.revision));
    Ok((tag, saved(listing, others)?))
}

/// The revision in such a tag.
fn revision(tag: &str) -> Option<i64> {
    tag.split_once('-').map_or(tag, |(revision, _)| revision).parse().ok()
}

fn saved(listing: Listing, others: Others) -> Result<SavedListing, Problem> {
    Ok(SavedListing {
        id: listing.id,
        revision: listing.revision,
        status: listing.status,
        saved_at: listing.saved_at.to_string(),
        updated_at: listing.updated_at.to_string(),
        same_as: others.same_as,
        earlier: others.earlier,
        request: raw(listing.request)?,
        assessment: listing.assessment.map(|a| raw(a.body)).transpose()?,
    })
}

fn past(past: store::PastAssessment) -> Result<PastAssessment, Problem> {
    let (a, request) = (past.assessment, raw(past.request)?);
    Ok(PastAssessment {
        first_revision: a.first_revision,
        last_revision: a.last_revision,
        model: a.model,
        at: a.at.to_string(),
        request,
        seller_used: raw(a.seller_used)?,
        assessment: raw(a.body)?,
    })
}

/// Stored JSON, passed on as it is.
pub(super) fn raw(text: String) -> Result<Box<RawValue>, Problem> {
    RawValue::from_string(text).map_err(|e| {
        tracing::error!(error = %e, "stored JSON is not JSON");
        Problem::new(crate::problem::INTERNAL, "what is stored cannot be read")
    })
}

//! `/v1/calibrations`: fitting the model to what was found out.

use super::listings::svg_response;
use super::parameters::{Key, Paged, Query};
use super::problems::{Anywhere, JsonBody, Keyed, Named, Parameters};
use super::resource::{cursor, cut, existing, finish, json, page, repeatable};
use crate::app::App;
use crate::memory::ACCOUNT;
use crate::problem::{NOT_FOUND, Problem};
use crate::store::Ticket;
use crate::wire::calibration::{CalibrationBody, CalibrationPage, CalibrationsPage};
use crate::{body, calibration};
use axum::body::Bytes;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::http::{StatusCode, Uri};
use axum::response::Response;
use jiff::Timestamp;
use std::sync::Arc;

type Name = Result<Path<String>, PathRejection>;

/// Fit the model to the stored listings and outcomes: a job, with its progress at `Location`.
#[utoipa::path(
    post,
    path = "/v1/calibrations",
    tag = "calibrations",
    params(Key),
    request_body(content = CalibrationBody, description = "All members may be left out."),
    responses(
        (status = 202, description = "Queued", body = CalibrationPage, headers(("Location" = String, description = "Where to look"))),
        Keyed,
        (status = 422, description = "The request does not fit, or the key belongs to another", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
    )
)]
pub(super) async fn post(State(app): State<Arc<App>>, request: Request) -> Result<Response, Problem> {
    let headers = request.headers().clone();
    let bytes = body::json_bytes(request).await?;
    let doing = |app: Arc<App>, ticket, bytes: Bytes| async move { queue(&app, ticket, &bytes).await };
    repeatable(app, headers, "POST /v1/calibrations".into(), bytes, doing).await
}

async fn queue(app: &App, ticket: Option<Ticket>, bytes: &Bytes) -> Result<Response, Problem> {
    let params: CalibrationBody = app.body("CalibrationBody", bytes)?;
    let (write, answer) = calibration::queue(app.memory()?, &params).await?;
    let location = Some(format!("/v1/calibrations/{}", answer.id));
    let answer = finish(write, ticket, StatusCode::ACCEPTED, location, &answer).await?;
    app.calibrations_queued().notify_one();
    Ok(answer)
}

/// A calibration: its progress, then its report.
#[utoipa::path(
    get,
    path = "/v1/calibrations/{id}",
    tag = "calibrations",
    params(("id" = String, Path, description = "The calibration.")),
    responses(
        (status = 200, description = "The calibration", body = CalibrationPage),
        Anywhere,
        Named,
    )
)]
pub(super) async fn get(State(app): State<Arc<App>>, id: Name) -> Result<Response, Problem> {
    let job = app.memory()?.store().calibration(ACCOUNT, &existing(id)?).await?;
    json(StatusCode::OK, &CalibrationPage::from(job))
}

/// Call a calibration off. One that has ended stays as it is.
#[utoipa::path(
    delete,
    path = "/v1/calibrations/{id}",
    tag = "calibrations",
    params(("id" = String, Path, description = "The calibration.")),
    responses(
        (status = 202, description = "It is called off, if it has not ended", body = CalibrationPage),
        Anywhere,
        Named,
    )
)]
pub(super) async fn delete(State(app): State<Arc<App>>, id: Name) -> Result<Response, Problem> {
    let (id, store) = (existing(id)?, app.memory()?.store());
    let mut write = store.write(ACCOUNT).await?;
    write.cancel_calibration(&id, Timestamp::now()).await?;
    write.commit().await?;
    json(StatusCode::ACCEPTED, &CalibrationPage::from(store.calibration(ACCOUNT, &id).await?))
}

/// All calibrations, oldest first.
#[utoipa::path(
    get,
    path = "/v1/calibrations",
    tag = "calibrations",
    params(
        Paged,
    ),
    responses(
        (status = 200, description = "A page; `Link: rel=\"next\"` leads on", body = CalibrationsPage, headers(("Link" = String, description = "`rel=\"next\"`: the next page, where there is one"))),
        Anywhere,
        Parameters,
    )
)]
pub(super) async fn list(State(app): State<Arc<App>>, uri: Uri) -> Result<Response, Problem> {
    let mut query = Query::of(&uri, &["limit", "cursor"]);
    let (limit, after): (_, Option<String>) = (query.limit(), query.place());
    query.sound()?;
    let after = after.unwrap_or_default();
    let mut found = app.memory()?.store().calibrations(ACCOUNT, &after, limit + 1).await?;
    let next_cursor = cut(&mut found, limit).map(|last| cursor(&uri, &last.id)).transpose()?;
    let items = found.into_iter().map(CalibrationPage::from).collect();
    page(&uri, next_cursor.clone().as_deref(), &CalibrationsPage { items, next_cursor })
}

/// Does 0.2 mean 20 %? The reliability diagram before and after, out of fold, with its consistency
/// band.
#[utoipa::path(
    get,
    path = "/v1/calibrations/{id}/reliability.svg",
    tag = "calibrations",
    params(("id" = String, Path, description = "The calibration.")),
    responses(
        (status = 200, description = "The picture", content_type = "image/svg+xml", body = String),
        (status = 404, description = "There is no such calibration, or it has no scores", body = Problem, content_type = "application/problem+json"),
        Anywhere,
    )
)]
pub(super) async fn reliability(State(app): State<Arc<App>>, id: Name) -> Result<Response, Problem> {
    let job: CalibrationPage = app.memory()?.store().calibration(ACCOUNT, &existing(id)?).await?.into();
    let svg = job.report.and_then(|r| r.drawn());
    svg.map(svg_response).ok_or_else(|| Problem::new(NOT_FOUND, "there are no scores to draw"))
}

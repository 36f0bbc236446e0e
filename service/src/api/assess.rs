//! `POST /v1/assess`

use super::problems::{Anywhere, JsonBody};
use crate::app::App;
use crate::body;
use crate::problem::Problem;
use crate::wire::request::AssessRequest;
use crate::wire::response::Assessment;
use axum::Json;
use axum::extract::{Request, State};
use axum::response::{IntoResponse, Response};
use std::sync::Arc;

/// Assess one listing; nothing is stored. What is stored of `seller.id` is used, unless `seller.stored` is false.
#[utoipa::path(
    post,
    path = "/v1/assess",
    tag = "assess",
    request_body(content = AssessRequest, description = "A listing and what was seen of it. At most 256 KiB."),
    responses(
        (status = 200, description = "The assessment", body = Assessment),
        (status = 422, description = "The request does not fit; every fault is named", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
    )
)]
pub(super) async fn assess(State(app): State<Arc<App>>, request: Request) -> Result<Response, Problem> {
    let bytes = body::json_bytes(request).await?;
    Ok(Json(app.answer(&bytes).await?).into_response())
}

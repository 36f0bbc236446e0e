//! `POST /v1/bids`

use super::problems::{Anywhere, JsonBody};
use crate::app::App;
use crate::problem::Problem;
use crate::wire::bids::{Bids, BidsBody};
use crate::{bids, body};
use axum::Json;
use axum::extract::{Request, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use std::sync::Arc;

/// Choose which saved listings to bid on with the cash at hand. Each takes its landed cost at the walk-away price
/// out of the budget and is worth its expected net at the price one expects to pay. Nothing is stored.
#[utoipa::path(
    post,
    path = "/v1/bids",
    tag = "listings",
    request_body(content = BidsBody, description = "The cash and what it may go to. At most 256 KiB."),
    responses(
        (status = 200, description = "What to bid on", body = Bids),
        (status = 422, description = "The request does not fit; every fault is named", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
    )
)]
pub(super) async fn post(State(app): State<Arc<App>>, request: Request) -> Result<Response, Problem> {
    let bytes = body::json_bytes(request).await?;
    let (asked, torn) = app.shaped::<BidsBody>("BidsBody", &bytes, |_, _| ())?;
    let answer = bids::answer(&app, asked, torn, Timestamp::now()).await?;
    let no_store = [(header::CACHE_CONTROL, HeaderValue::from_static("no-store"))];
    Ok((no_store, Json(answer)).into_response())
}

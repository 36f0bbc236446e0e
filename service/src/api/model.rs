//! `GET /v1/model`

use super::parameters::Known;
use super::problems::Anywhere;
use super::resource::has;
use crate::app::App;
use crate::problem::Problem;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use std::sync::Arc;
use steelyard_model::pack::data::ModelData;

/// The whole model in force, tables written out in full, so that anyone can recompute an
/// assessment with a general tensor library.
#[utoipa::path(
    get,
    path = "/v1/model",
    tag = "model",
    params(Known),
    responses(
        (status = 200, description = "The model; its `ETag` is the digest", body = ModelData,
            headers(("ETag" = String, description = "The digest, quoted"))),
        (status = 304, description = "It is the model of the ETag given"),
        Anywhere,
    )
)]
pub(super) async fn model(State(app): State<Arc<App>>, headers: HeaderMap) -> Result<Response, Problem> {
    let served = app.in_force().await?.served.clone();
    Ok(with_etag(&headers, served.json.clone(), served.assessor.pack().digest()))
}

/// A JSON document under a strong ETag.
pub(super) fn with_etag(headers: &HeaderMap, body: axum::body::Bytes, tag: &str) -> Response {
    let tag = HeaderValue::from_str(&format!("\"{tag}\"")).unwrap_or(HeaderValue::from_static("\"\""));
    let same = has(headers, &tag);
    let fixed = [(header::ETAG, tag), (header::CACHE_CONTROL, HeaderValue::from_static("no-cache"))];
    if same {
        return (StatusCode::NOT_MODIFIED, fixed).into_response();
    }
    let kind = [(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))];
    (fixed, kind, body).into_response()
}

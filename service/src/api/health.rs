//! `GET /healthz` and `GET /readyz`

use crate::app::App;
use crate::problem::{Problem, UNAVAILABLE};
use crate::wire::response::Health;
use axum::Json;
use axum::extract::State;
use std::sync::Arc;

/// Whether the process answers. Asks nothing else.
#[utoipa::path(
    get,
    path = "/healthz",
    tag = "operation",
    responses(
        (status = 200, description = "It answers", body = Health),
        (status = 403, description = "Host or origin not allowed", body = Problem, content_type = "application/problem+json"),
    )
)]
pub(super) async fn healthz() -> Json<Health> {
    Json(Health { status: "ok".into() })
}

/// Whether it takes new work.
#[utoipa::path(
    get,
    path = "/readyz",
    tag = "operation",
    responses(
        (status = 200, description = "It does", body = Health),
        (status = 403, description = "Host or origin not allowed", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "It is shutting down", body = Problem, content_type = "application/problem+json"),
    )
)]
pub(super) async fn readyz(State(app): State<Arc<App>>) -> Result<Json<Health>, Problem> {
    if app.is_draining() {
        return Err(Problem::new(UNAVAILABLE, "shutting down"));
    }
    Ok(Json(Health { status: "ok".into() }))
}

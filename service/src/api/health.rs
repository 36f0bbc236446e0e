//! `GET /healthz` and `GET /readyz`

use crate::app::App;
use crate::problem::{Problem, UNAVAILABLE};
use crate::wire::response::Health;
use axum::Json;
use axum::extract::State;
use std::sync::Arc;
use std::time::Duration;

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

/// How long the database may take to say that it is there.
const PATIENCE: Duration = Duration::from_secs(2);

/// Whether it takes new work.
#[utoipa::path(
    get,
    path = "/readyz",
    tag = "operation",
    responses(
        (status = 200, description = "It does", body = Health),
        (status = 403, description = "Host or origin not allowed", body = Problem, content_type = "application/problem+json"),
        (status = 503, description = "It is shutting down, or its database does not answer", body = Problem, content_type = "application/problem+json"),
    )
)]
pub(super) async fn readyz(State(app): State<Arc<App>>) -> Result<Json<Health>, Problem> {
    if app.is_draining() {
        return Err(Problem::new(UNAVAILABLE, "shutting down"));
    }
    if let Ok(memory) = app.memory() {
        let ready = tokio::time::timeout(PATIENCE, memory.store().ready()).await;
        ready.map_err(|_| Problem::new(UNAVAILABLE, "the database does not answer"))??;
    }
    Ok(Json(Health { status: "ok".into() }))
}

//! `/v1/models`: the versions of the model, and which is in force.

use super::parameters::{Key, Query};
use super::problems::{Anywhere, Keyed, Named};
use super::resource::{existing, finish, json, repeatable};
use crate::app::App;
use crate::memory::{self, ACCOUNT, Look};
use crate::problem::Problem;
use crate::store::Ticket;
use crate::wire::calibration::{ModelVersion, ModelVersions};
use axum::body::Bytes;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode, Uri};
use axum::response::Response;
use std::sync::Arc;

/// All versions, the one that the program came with first.
#[utoipa::path(
    get,
    path = "/v1/models",
    tag = "model",
    responses(
        (status = 200, description = "The versions", body = ModelVersions),
        (status = 422, description = "An unknown parameter: there are none", body = Problem, content_type = "application/problem+json"),
        Anywhere,
    )
)]
pub(super) async fn list(State(app): State<Arc<App>>, uri: Uri) -> Result<Response, Problem> {
    Query::of(&uri, &[]).sound()?;
    let memory = app.memory()?;
    let force = memory.in_force().await?;
    let active = force.served.version();
    let data = memory.base().assessor.pack().data();
    let base = ModelVersion {
        version: data.version.clone(),
        digest: data.digest.clone(),
        active: data.version == active,
        calibration: None,
    };
    let stored = memory.store().models(ACCOUNT).await?;
    let others = stored.into_iter().filter(|m| m.version != data.version).map(|m| ModelVersion {
        active: m.version == active,
        version: m.version,
        digest: m.digest,
        calibration: m.calibration,
    });
    let items = std::iter::once(base).chain(others).collect();
    json(StatusCode::OK, &ModelVersions { items })
}

/// Put a version in force, or go back to an older one. Open listings are assessed again; their past
/// assessments keep the version they were made with.
#[utoipa::path(
    post,
    path = "/v1/models/{version}/activate",
    tag = "model",
    params(
        ("version" = String, Path, description = "The version."),
        Key,
    ),
    responses(
        (status = 200, description = "It is in force", body = ModelVersion),
        (status = 400, description = "The key cannot be read", body = Problem, content_type = "application/problem+json"),
        Keyed,
        (status = 422, description = "The key belongs to another request", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        Named,
    )
)]
pub(super) async fn activate(
    State(app): State<Arc<App>>,
    version: Result<Path<String>, PathRejection>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    let version = existing(version)?;
    let operation = format!("POST /v1/models/{version}/activate");
    let doing = move |app: Arc<App>, ticket, _| async move { put_in_force(&app, ticket, &version).await };
    repeatable(app, headers, operation, Bytes::new(), doing).await
}

async fn put_in_force(app: &App, ticket: Option<Ticket>, version: &str) -> Result<Response, Problem> {
    let (write, answer) = memory::activation(app, version).await?;
    let answer = finish(write, ticket, StatusCode::OK, None, &answer).await?;
    // It is in force: what fails from here on is made up for at the next start.
    if let Err(e) = memory::refresh_open(app, &Look::All, &format!("model {version} was put in force")).await {
        tracing::error!(detail = e.detail, "listings were not assessed again");
    }
    Ok(answer)
}

//! `GET /v1/signs`

use super::problems::Anywhere;
use crate::app::App;
use crate::problem::{INVALID, Problem};
use crate::wire::response::Catalogue;
use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Query, State};
use serde::Deserialize;
use std::sync::Arc;
use steelyard_model::pack::{LISTING_VIEW, nearest};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Params {
    views: Option<String>,
}

/// The signs to look for, the most telling first.
#[utoipa::path(
    get,
    path = "/v1/signs",
    tag = "model",
    params(("views" = Option<String>, Query,
        description = "Views the listing gives, separated by commas: only signs that they (and the listing's words) let one judge. All signs where it is left out.",
        example = "dial_straight,back_outside")),
    responses(
        (status = 200, description = "The catalogue", body = Catalogue),
        (status = 422, description = "An unknown view or parameter", body = Problem, content_type = "application/problem+json"),
        Anywhere,
    )
)]
pub(super) async fn signs(
    State(app): State<Arc<App>>,
    params: Result<Query<Params>, QueryRejection>,
) -> Result<Json<Catalogue>, Problem> {
    let Query(params) = params.map_err(|e| Problem::new(INVALID, e.body_text()))?;
    let served = app.in_force().await?.served.clone();
    let Some(named) = params.views else {
        return Ok(Json(served.catalogue.clone()));
    };
    let pack = served.assessor.pack();
    let mut views: Vec<&str> = vec![LISTING_VIEW];
    for view in named.split(',').map(str::trim).filter(|v| !v.is_empty()) {
        if pack.view(view).is_none() {
            let near = nearest(view, pack.data().views.iter().map(|v| v.id.as_str()));
            return Err(Problem::new(INVALID, format!("query parameter `views`: there is no view `{view}`{near}")));
        }
        views.push(view);
    }
    let mut catalogue = served.catalogue.clone();
    catalogue.items.retain(|s| s.needs.iter().any(|need| need.iter().all(|v| views.contains(&v.as_str()))));
    Ok(Json(catalogue))
}

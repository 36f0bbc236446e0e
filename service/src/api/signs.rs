//! `GET /v1/signs`

use super::model::with_etag;
use super::parameters::{Known, Query, unreadable};
use super::problems::{Anywhere, Parameters};
use super::resource::to_bytes;
use crate::app::App;
use crate::problem::Problem;
use crate::wire::response::Catalogue;
use axum::extract::State;
use axum::http::{HeaderMap, Uri};
use axum::response::Response;
use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use sha2::{Digest as _, Sha256};
use std::sync::Arc;
use steelyard_model::pack::{LISTING_VIEW, nearest};

/// The signs to look for, the most telling first.
#[utoipa::path(
    get,
    path = "/v1/signs",
    tag = "model",
    params(("views" = Option<String>, Query,
        description = "Views the listing gives, separated by commas: only signs that they (and the listing's words) let one judge. All signs where it is left out.",
        example = "dial_straight,back_outside"), Known),
    responses(
        (status = 200, description = "The catalogue", body = Catalogue, headers(("ETag" = String, description = "A digest of it, quoted"))),
        (status = 304, description = "It is the catalogue of the ETag given"),
        Anywhere,
        Parameters,
    )
)]
pub(super) async fn signs(State(app): State<Arc<App>>, uri: Uri, headers: HeaderMap) -> Result<Response, Problem> {
    let mut query = Query::of(&uri, &["views"]);
    let named = query.text("views");
    query.sound()?;
    let served = app.in_force().await?.served.clone();
    let Some(named) = named else {
        return under_digest(&headers, &served.catalogue);
    };
    let pack = served.assessor.pack();
    let mut views: Vec<&str> = vec![LISTING_VIEW];
    for view in named.split(',').map(str::trim).filter(|v| !v.is_empty()) {
        if pack.view(view).is_none() {
            let known = || pack.data().views.iter().map(|v| v.id.as_str());
            let (near, all) = (nearest(view, known()), known().collect::<Vec<_>>().join("`, `"));
            return Err(unreadable("views", format!("there is no view `{view}` among `{all}`{near}")));
        }
        views.push(view);
    }
    let mut catalogue = served.catalogue.clone();
    catalogue.items.retain(|s| s.needs.iter().any(|need| need.iter().all(|v| views.contains(&v.as_str()))));
    under_digest(&headers, &catalogue)
}

/// A catalogue under the digest of what it says.
fn under_digest(headers: &HeaderMap, catalogue: &Catalogue) -> Result<Response, Problem> {
    let text = to_bytes(catalogue)?;
    let digest = BASE64_URL_SAFE_NO_PAD.encode(&Sha256::digest(&text)[..18]);
    Ok(with_etag(headers, text.into(), &digest))
}

//! `/openapi.json`, `/docs`, `/problems/{name}`: what people read.

use super::model::with_etag;
use crate::app::App;
use crate::problem::{KINDS, NOT_FOUND, Problem};
use axum::Router;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{Html, IntoResponse, Response};
use std::sync::Arc;
use utoipa_swagger_ui::{Config, SwaggerUi};

/// The documentation pages take nothing from elsewhere and cannot be framed.
const PAGE_POLICY: &str = "default-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; form-action 'none'";

/// The OpenAPI document.
pub(super) async fn openapi(State(app): State<Arc<App>>, headers: HeaderMap) -> Response {
    let (body, tag) = app.openapi_json();
    with_etag(&headers, body.clone(), tag)
}

/// The documentation, from files inside the program.
pub(super) fn docs() -> Router<Arc<App>> {
    let config = Config::new(["/openapi.json"]).default_models_expand_depth(0).use_base_layout().validator_url("none");
    Router::from(SwaggerUi::new("/docs").config(config)).layer(middleware::from_fn(
        async |request: axum::extract::Request, next: Next| {
            let mut response = next.run(request).await;
            if response.status() == StatusCode::NOT_FOUND {
                return Problem::new(NOT_FOUND, "the documentation has no such file").into_response();
            }
            response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(PAGE_POLICY));
            response
        },
    ))
}

/// What a kind of problem means.
pub(super) async fn problem(name: Result<Path<String>, PathRejection>) -> Response {
    let kind = name.ok().and_then(|Path(name)| KINDS.iter().find(|k| k.name == name));
    let Some(kind) = kind else {
        return Problem::new(NOT_FOUND, "there is no problem of this name").into_response();
    };
    let page = format!(
        "<!doctype html><html lang=\"en\"><meta charset=\"utf-8\"><title>{title}</title>\
         <style>body{{font:1.1rem/1.5 serif;max-width:38rem;margin:3rem auto;padding:0 1rem}}code{{font-size:.9em}}</style>\
         <h1>{title}</h1><p>HTTP status {status}, type <code>/problems/{name}</code>.</p><p>{meaning}</p>\
         <p><a href=\"/docs/\">All calls</a></p></html>",
        title = kind.title,
        name = kind.name,
        status = kind.status.as_u16(),
        meaning = with_code(kind.meaning),
    );
    let policy = [(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(PAGE_POLICY))];
    (policy, Html(page)).into_response()
}

fn with_code(text: &str) -> String {
    text.split('`')
        .enumerate()
        .map(|(i, part)| if i % 2 == 1 { format!("<code>{part}</code>") } else { part.into() })
        .collect()
}

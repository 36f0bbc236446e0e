//! The whole API on one screen; the same list makes the OpenAPI document.

mod assess;
mod bids;
mod book;
mod calibrations;
mod changes;
mod feeds;
mod health;
mod listings;
mod model;
mod models;
mod outcomes;
mod pages;
mod parameters;
mod problems;
mod resource;
mod sellers;
mod signs;
mod stream;

use crate::app::App;
use crate::body;
use crate::guard::{self, Guard};
use crate::problem::{INTERNAL, METHOD_NOT_ALLOWED, NOT_FOUND, Problem, ProblemOfLine};
use crate::wire::changes::{AdviceChanged, FeedFailed, OutcomeRecorded};
use axum::http::{HeaderName, HeaderValue, Request, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use axum::{Router, middleware};
use std::any::Any;
use std::sync::Arc;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::request_id::{MakeRequestUuid, PropagateRequestIdLayer, SetRequestIdLayer};
use tower_http::set_header::SetResponseHeaderLayer;
use tower_http::trace::TraceLayer;
use utoipa::OpenApi;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Steelyard",
        description = "How likely is it that an old wristwatch is a composite or a fake, what is it worth, \
            what is the most to pay, and what should be asked for next? Probabilities are numbers in [0, 1], \
            weights are decibans (10·log10 of a likelihood ratio), money is a decimal string with an ISO 4217 code. \
            Errors are RFC 9457 problems that name every fault by a JSON Pointer. The numbers behind an answer are \
            served by `GET /v1/model`. An estimate from photographs is no expert opinion.\n\n\
            **From a browser extension** call from the service worker (a content script's call to loopback is blocked \
            by the browser), with `host_permissions` for `http://127.0.0.1/*`, and start the service with \
            `STEELYARD_ALLOWED_ORIGINS=chrome-extension://<your id>` (`moz-extension://*` where the browser makes up \
            an id for every install). Fetch `GET /v1/signs` to draw a checklist, send the calls to \
            `POST /v1/assess`. Leave a sign out when it cannot be told: only what was seen counts.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    servers((url = "/", description = "this service")),
    components(schemas(AdviceChanged, FeedFailed, OutcomeRecorded, ProblemOfLine)),
    tags(
        (name = "assess", description = "Assess a listing"),
        (name = "listings", description = "Saved listings, each with its newest assessment"),
        (name = "feeds", description = "Feeds of listings that the service polls"),
        (name = "sellers", description = "What is known of a seller's watches"),
        (name = "outcomes", description = "What watches turned out to be"),
        (name = "reference book", description = "The user's own book of references and calibres"),
        (name = "calibrations", description = "Fitting the model to the user's own outcomes"),
        (name = "changes", description = "What happened, as it happens"),
        (name = "model", description = "The model behind the numbers"),
        (name = "operation", description = "For whoever runs the service")
    )
)]
struct Document;

/// Routes and their description, from one list.
pub(crate) fn described() -> (Router<Arc<App>>, utoipa::openapi::OpenApi) {
    OpenApiRouter::with_openapi(Document::openapi())
        .routes(routes!(assess::assess))
        .routes(routes!(stream::assess_stream))
        .routes(routes!(listings::list))
        .routes(routes!(listings::put, listings::get, listings::delete))
        .routes(routes!(listings::assessments))
        .routes(routes!(listings::assessment))
        .routes(routes!(listings::evidence))
        .routes(routes!(feeds::list, feeds::post))
        .routes(routes!(feeds::put, feeds::get, feeds::delete))
        .routes(routes!(feeds::poll))
        .routes(routes!(feeds::items))
        .routes(routes!(bids::post))
        .routes(routes!(sellers::list))
        .routes(routes!(sellers::put, sellers::get, sellers::delete))
        .routes(routes!(outcomes::post, outcomes::list))
        .routes(routes!(outcomes::import))
        .routes(routes!(outcomes::get))
        .routes(routes!(book::list_references))
        .routes(routes!(book::put_reference, book::get_reference, book::delete_reference))
        .routes(routes!(book::list_calibres))
        .routes(routes!(book::put_calibre, book::get_calibre, book::delete_calibre))
        .routes(routes!(calibrations::list, calibrations::post))
        .routes(routes!(calibrations::get, calibrations::delete))
        .routes(routes!(calibrations::reliability))
        .routes(routes!(changes::changes))
        .routes(routes!(models::list))
        .routes(routes!(models::activate))
        .routes(routes!(signs::signs))
        .routes(routes!(model::model))
        .routes(routes!(health::healthz))
        .routes(routes!(health::readyz))
        .split_for_parts()
}

/// The service as one router.
pub fn router(app: Arc<App>, guard: &Arc<Guard>) -> Router {
    let (routes, _) = described();
    routes
        // What is the caller's own is kept by nobody on the way; what is the same for all says so.
        .layer(fixed(header::CACHE_CONTROL, "no-store"))
        .route("/openapi.json", get(pages::openapi))
        .route("/problems/{name}", get(pages::problem))
        .merge(pages::docs())
        .fallback(|| async { Problem::new(NOT_FOUND, "there is nothing at this path; see /docs") })
        .method_not_allowed_fallback(|| async {
            Problem::new(METHOD_NOT_ALLOWED, "this path does not take this method; see the Allow header")
        })
        .with_state(app)
        .layer(CatchPanicLayer::custom(panicked))
        .layer(guard.cors())
        .layer(middleware::from_fn_with_state(guard.clone(), guard::check))
        .layer(middleware::from_fn(body::hear_out))
        .layer(fixed(header::X_CONTENT_TYPE_OPTIONS, "nosniff"))
        .layer(fixed(header::REFERRER_POLICY, "no-referrer"))
        .layer(PropagateRequestIdLayer::new(REQUEST_ID))
        .layer(TraceLayer::new_for_http().make_span_with(|request: &Request<_>| {
            let id = request.headers().get(REQUEST_ID).and_then(|v| v.to_str().ok()).unwrap_or_default();
            tracing::info_span!("request", method = %request.method(), path = request.uri().path(), id)
        }))
        .layer(SetRequestIdLayer::new(REQUEST_ID, MakeRequestUuid))
}

fn fixed(name: HeaderName, value: &'static str) -> SetResponseHeaderLayer<HeaderValue> {
    SetResponseHeaderLayer::if_not_present(name, HeaderValue::from_static(value))
}

#[expect(clippy::needless_pass_by_value, reason = "the layer hands over the payload")]
fn panicked(payload: Box<dyn Any + Send>) -> Response {
    let what = payload
        .downcast_ref::<String>()
        .map(String::as_str)
        .or_else(|| payload.downcast_ref::<&str>().copied())
        .unwrap_or("no message");
    tracing::error!(what, "a handler panicked");
    Problem::new(INTERNAL, "the fault is ours").into_response()
}

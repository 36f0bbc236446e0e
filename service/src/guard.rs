//! Who may call: `Host` against rebinding, `Origin` against pages nobody allowed.

use crate::config::Config;
use crate::problem::{FORBIDDEN, Problem};
use axum::extract::{Request, State};
use axum::http::{HeaderValue, Method, header, request::Parts};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use std::sync::Arc;
use std::time::Duration;
use tower_http::cors::{AllowOrigin, CorsLayer};

/// How long a browser may keep the answer to a preflight.
const PREFLIGHT_AGE: Duration = Duration::from_secs(3600);

/// The hosts and origins allowed.
#[derive(Debug)]
pub struct Guard {
    hosts: Vec<String>,
    origins: Vec<String>,
}

impl Guard {
    /// From the configuration.
    #[must_use]
    pub fn new(config: &Config) -> Arc<Self> {
        let loopback = ["localhost", "127.0.0.1", "[::1]"].map(String::from);
        Arc::new(Self {
            hosts: loopback.into_iter().chain(listed(&config.allowed_hosts)).collect(),
            origins: listed(&config.allowed_origins).collect(),
        })
    }

    fn host_is_ours(&self, host: &str) -> bool {
        let name = match host.rsplit_once(':') {
            Some((name, port)) if !port.is_empty() && port.bytes().all(|b| b.is_ascii_digit()) => name,
            _ => host,
        };
        self.hosts.iter().any(|h| h.eq_ignore_ascii_case(name) || h.eq_ignore_ascii_case(host))
    }

    fn origin_is_listed(&self, origin: &str) -> bool {
        self.origins.iter().any(|o| match o.strip_suffix('*') {
            // Only a whole extension scheme may be open: its ids are made up per install.
            Some(scheme) if scheme.ends_with("-extension://") => origin.starts_with(scheme),
            _ => o == origin,
        })
    }

    /// A page of this service: its origin is the host it was asked for under.
    fn origin_is_ours(origin: &str, host: &str) -> bool {
        origin.strip_prefix("http://") == Some(host)
    }

    /// Answers preflights and marks answers for the origins that are listed.
    pub fn cors(self: &Arc<Self>) -> CorsLayer {
        let guard = self.clone();
        let allowed = move |origin: &HeaderValue, _: &Parts| origin.to_str().is_ok_and(|o| guard.origin_is_listed(o));
        CorsLayer::new()
            .allow_origin(AllowOrigin::predicate(allowed))
            .allow_methods([Method::GET, Method::HEAD, Method::POST, Method::PUT, Method::DELETE])
            .allow_headers([
                header::CONTENT_TYPE,
                header::AUTHORIZATION,
                header::IF_MATCH,
                header::IF_NONE_MATCH,
                header::HeaderName::from_static("idempotency-key"),
                header::HeaderName::from_static("last-event-id"),
            ])
            .expose_headers([
                header::ETAG,
                header::LINK,
                header::LOCATION,
                header::RETRY_AFTER,
                header::HeaderName::from_static("ratelimit"),
                header::HeaderName::from_static("ratelimit-policy"),
                header::HeaderName::from_static("x-request-id"),
            ])
            .max_age(PREFLIGHT_AGE)
    }
}

/// Entries of a list; an empty setting is an empty list, not one empty name.
fn listed(entries: &[String]) -> impl Iterator<Item = String> {
    entries.iter().map(|e| e.trim().to_owned()).filter(|e| !e.is_empty())
}

/// Refuses foreign hosts and unlisted origins before anything is read.
pub async fn check(State(guard): State<Arc<Guard>>, request: Request, next: Next) -> Response {
    let headers = request.headers();
    let host = headers
        .get(header::HOST)
        .and_then(|h| h.to_str().ok())
        .or_else(|| request.uri().authority().map(|a| a.as_str()));
    let Some(host) = host.filter(|h| guard.host_is_ours(h)) else {
        return Problem::new(FORBIDDEN, "the `Host` header names another host").into_response();
    };
    if let Some(origin) = headers.get(header::ORIGIN) {
        let allowed = origin.to_str().is_ok_and(|o| guard.origin_is_listed(o) || Guard::origin_is_ours(o, host));
        if !allowed {
            return Problem::new(FORBIDDEN, "this `Origin` is not among the allowed ones").into_response();
        }
    }
    next.run(request).await
}

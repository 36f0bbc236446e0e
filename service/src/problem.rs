//! Errors as RFC 9457 problems: every fault named by a JSON Pointer (RFC 6901).

use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// What went wrong, as `application/problem+json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Problem {
    /// Kind of problem: a path of this service that explains it.
    #[serde(rename = "type")]
    #[schema(example = "/problems/invalid")]
    pub kind: String,
    /// The kind in words.
    pub title: String,
    /// The HTTP status.
    #[schema(minimum = 400, maximum = 599)]
    pub status: u16,
    /// This occurrence in words.
    pub detail: String,
    /// Every fault found in the request.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<FaultAt>,
}

/// A problem of one line among many, on its own line of the answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ProblemOfLine {
    /// The line, counted from 1, empty lines included.
    #[schema(minimum = 1)]
    pub line: u64,
    /// What went wrong.
    #[serde(flatten)]
    pub problem: Problem,
}

/// One fault and where it stands.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct FaultAt {
    /// JSON Pointer into the request body; empty for the whole body, and where `parameter` says where.
    #[schema(example = "/offer/price/amount")]
    pub pointer: String,
    /// The parameter of the query or the path that is at fault; left out where it is the body.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub parameter: Option<String>,
    /// What is wrong there.
    pub detail: String,
}

impl FaultAt {
    /// A fault at a pointer.
    pub fn new(pointer: impl Into<String>, detail: impl Into<String>) -> Self {
        Self { pointer: pointer.into(), parameter: None, detail: detail.into() }
    }

    /// A fault of a parameter.
    pub fn of_parameter(name: impl Into<String>, detail: impl Into<String>) -> Self {
        Self { pointer: String::new(), parameter: Some(name.into()), detail: detail.into() }
    }
}

/// A kind of problem: its name in the URL, status, title and explanation.
#[derive(Debug, Clone, Copy)]
pub struct Kind {
    /// Last part of the type's path.
    pub name: &'static str,
    /// HTTP status.
    pub status: StatusCode,
    /// In a few words.
    pub title: &'static str,
    /// What it means and what to do.
    pub meaning: &'static str,
}

macro_rules! kinds {
    ($($(#[$doc:meta])* $id:ident = $name:literal, $status:ident, $title:literal, $meaning:literal;)*) => {
        $($(#[$doc])* pub const $id: Kind = Kind {
            name: $name, status: StatusCode::$status, title: $title, meaning: $meaning,
        };)*
        /// Every kind of problem this service answers with.
        pub const KINDS: &[Kind] = &[$($id),*];
    };
}

kinds! {
    /// A body, parameter or header that cannot be read.
    MALFORMED = "malformed", BAD_REQUEST, "The request cannot be read",
        "The body is not one well-formed JSON document in UTF-8 (it is cut off, holds NaN or a number no double can hold, repeats a key, or is nested too deeply), or a header or query parameter is not what it must be, as a `limit` of -1 or a `cursor` of another list. `detail` says which. Nothing was done.";
    /// JSON that does not fit.
    INVALID = "invalid", UNPROCESSABLE_ENTITY, "The request does not fit",
        "The JSON is well-formed, but members are missing, unknown, of the wrong shape or contradict each other. Every fault is named in `errors` by a JSON Pointer; nothing was computed.";
    /// No such resource.
    NOT_FOUND = "not-found", NOT_FOUND, "Not found",
        "There is nothing at this path. `/docs` lists what there is.";
    /// No such method here.
    METHOD_NOT_ALLOWED = "method-not-allowed", METHOD_NOT_ALLOWED, "Method not allowed",
        "This path does not take this method; the `Allow` header lists those it takes.";
    /// Body too large.
    TOO_LARGE = "too-large", PAYLOAD_TOO_LARGE, "The body is too large",
        "A body may hold 256 KiB, and so may each line of a stream; an import of outcomes 32 MiB, the items of a feed 8 MiB.";
    /// Not a JSON media type.
    UNSUPPORTED_MEDIA_TYPE = "unsupported-media-type", UNSUPPORTED_MEDIA_TYPE, "Unsupported media type",
        "Send the body as `Content-Type: application/json`; an import of outcomes as `text/csv` or `application/x-ndjson`; the items of a feed as `application/feed+json` or `application/x-ndjson`; a stream of lines as `application/x-ndjson`.";
    /// Nothing came for too long.
    IDLE = "idle", REQUEST_TIMEOUT, "Nothing came for too long",
        "A stream of lines waits half a minute for the next byte, then ends with this problem in the place of the next line. What came before was answered; send the rest in a new request.";
    /// Host or Origin not allowed.
    FORBIDDEN = "forbidden", FORBIDDEN, "Forbidden",
        "On loopback the service answers only requests whose `Host` is its own, and browsers only from allowed origins. Set STEELYARD_ALLOWED_HOSTS or STEELYARD_ALLOWED_ORIGINS.";
    /// A precondition does not hold.
    PRECONDITION_FAILED = "precondition-failed", PRECONDITION_FAILED, "The precondition does not hold",
        "What `If-Match` or `If-None-Match` asks for is not so: it was changed, made or deleted meanwhile. Fetch it again and decide anew. Nothing was stored.";
    /// A key was used for another request.
    IDEMPOTENCY_MISMATCH = "idempotency-mismatch", UNPROCESSABLE_ENTITY, "The key belongs to another request",
        "This `Idempotency-Key` was sent before with another body. Use a new key for a new request. Nothing was stored.";
    /// The first request of a key is still under way.
    IN_PROGRESS = "in-progress", CONFLICT, "Still under way",
        "The first request with this `Idempotency-Key` has not been answered yet, or the feed is being polled just now. Try again shortly.";
    /// The answer of a key is no longer kept.
    ANSWER_FORGOTTEN = "answer-forgotten", GONE, "The answer is no longer kept",
        "The first request with this `Idempotency-Key` was answered, but its answer was thrown away when a seller was forgotten, since it might have named it. Nothing is done a second time: look whether what the request was to do is done, and use a new key for a new request.";
    /// Too many at once.
    SATURATED = "saturated", SERVICE_UNAVAILABLE, "Too much at once",
        "As many of these are under way as the service allows at once. Try again after the seconds in `Retry-After`.";
    /// Shutting down.
    UNAVAILABLE = "unavailable", SERVICE_UNAVAILABLE, "Not ready",
        "The service is starting or shutting down, or its database does not answer. Try again shortly.";
    /// A fault of ours.
    INTERNAL = "internal", INTERNAL_SERVER_ERROR, "Internal error",
        "The fault is ours; the log of the service holds the request id given in `x-request-id`.";
}

/// After how many seconds to try again what is not possible just now.
const RETRY_AFTER_S: &str = "5";

/// The media type of problems.
pub const MEDIA_TYPE: &str = "application/problem+json";

impl Problem {
    /// A problem of a kind.
    pub fn new(kind: Kind, detail: impl Into<String>) -> Self {
        Self {
            kind: format!("/problems/{}", kind.name),
            title: kind.title.into(),
            status: kind.status.as_u16(),
            detail: detail.into(),
            errors: Vec::new(),
        }
    }

    /// Parameters that are at fault: unknown ones are 422, others 400.
    #[must_use]
    pub(crate) fn of_parameters(kind: Kind, errors: Vec<FaultAt>) -> Self {
        let detail = match errors.as_slice() {
            [one] => format!("parameter `{}`: {}", one.parameter.as_deref().unwrap_or_default(), one.detail),
            _ => format!("{} faults, each named in `errors`", errors.len()),
        };
        Self::new(kind, detail).with(errors)
    }

    /// The same problem with the faults that make it.
    #[must_use]
    pub fn with(mut self, errors: Vec<FaultAt>) -> Self {
        self.errors = errors;
        self
    }

    /// A request that does not fit.
    #[must_use]
    pub fn invalid(errors: Vec<FaultAt>) -> Self {
        let detail = match errors.as_slice() {
            [one] => format!("{}: {}", if one.pointer.is_empty() { "the body" } else { &one.pointer }, one.detail),
            _ => format!("{} faults, each named in `errors`", errors.len()),
        };
        Self::new(INVALID, detail).with(errors)
    }
}

impl From<crate::store::Error> for Problem {
    fn from(error: crate::store::Error) -> Self {
        let said = error.to_string();
        if error.is_conflict() {
            Self::new(PRECONDITION_FAILED, said)
        } else if error.is_not_found() {
            Self::new(NOT_FOUND, said)
        } else if error.is_unfit() {
            Self::new(INVALID, said)
        } else {
            tracing::error!(detail = error.detail(), "the store failed");
            Self::new(if error.is_unavailable() { UNAVAILABLE } else { INTERNAL }, said)
        }
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = StatusCode::from_u16(self.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR);
        // A problem is strings and a number: it cannot fail to serialise.
        let body = serde_json::to_vec(&self).unwrap_or_default();
        let headers = [
            (header::CONTENT_TYPE, HeaderValue::from_static(MEDIA_TYPE)),
            // What is wrong now need not be wrong when it is asked again.
            (header::CACHE_CONTROL, HeaderValue::from_static("no-store")),
        ];
        let mut response = (status, headers, body).into_response();
        if status == StatusCode::SERVICE_UNAVAILABLE {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from_static(RETRY_AFTER_S));
        }
        response
    }
}

/// A pointer's next token, escaped.
#[must_use]
pub fn pointer_to(parent: &str, token: &str) -> String {
    format!("{parent}/{}", token.replace('~', "~0").replace('/', "~1"))
}

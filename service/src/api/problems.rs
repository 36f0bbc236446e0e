//! Problems that many operations answer with, described once.

use crate::problem::Problem;
use utoipa::IntoResponses;

/// What any operation may answer that asks the store.
#[derive(IntoResponses)]
#[expect(dead_code, reason = "it only describes answers")]
pub(super) enum Anywhere {
    /// Host or origin not allowed
    #[response(status = 403, content_type = "application/problem+json")]
    Forbidden(Problem),
    /// The database does not answer, or too much is asked at once
    #[response(
        status = 503,
        content_type = "application/problem+json",
        headers(("Retry-After" = i64, description = "After how many seconds to try again"))
    )]
    Unavailable(Problem),
}

/// What an operation may answer that reads a JSON body.
#[derive(IntoResponses)]
#[expect(dead_code, reason = "it only describes answers")]
pub(super) enum JsonBody {
    /// Not JSON
    #[response(status = 400, content_type = "application/problem+json")]
    Malformed(Problem),
    /// Body over 256 KiB
    #[response(status = 413, content_type = "application/problem+json")]
    TooLarge(Problem),
    /// Not sent as JSON
    #[response(status = 415, content_type = "application/problem+json")]
    MediaType(Problem),
}

/// What a request under an `Idempotency-Key` may answer.
#[derive(IntoResponses)]
#[expect(dead_code, reason = "it only describes answers")]
pub(super) enum Keyed {
    /// The first request with this key is not answered yet
    #[response(status = 409, content_type = "application/problem+json")]
    InProgress(Problem),
    /// It was answered, and the answer is no longer kept
    #[response(status = 410, content_type = "application/problem+json")]
    Forgotten(Problem),
}

/// What a write under a precondition may answer.
#[derive(IntoResponses)]
#[expect(dead_code, reason = "it only describes answers")]
pub(super) enum Conditional {
    /// The precondition does not hold
    #[response(status = 412, content_type = "application/problem+json")]
    Failed(Problem),
}

/// What a list may answer to its parameters.
#[derive(IntoResponses)]
#[expect(dead_code, reason = "it only describes answers")]
pub(super) enum Parameters {
    /// A parameter cannot be read, or is none of the values it takes
    #[response(status = 400, content_type = "application/problem+json")]
    Malformed(Problem),
    /// An unknown parameter
    #[response(status = 422, content_type = "application/problem+json")]
    Unknown(Problem),
}

/// What an operation on one named thing may answer.
#[derive(IntoResponses)]
#[expect(dead_code, reason = "it only describes answers")]
pub(super) enum Named {
    /// There is none
    #[response(status = 404, content_type = "application/problem+json")]
    Missing(Problem),
}

//! Parameters that many operations take, described once.

use serde::Deserialize;
use utoipa::IntoParams;

/// The parameters of a list that knows no others.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub(super) struct Paged {
    /// Items of a page, 50 where it is left out, at most 200: more asked for is as many.
    #[param(value_type = Option<i64>, minimum = 1, example = 20)]
    pub(super) limit: Option<Limit>,
    /// `next_cursor` of the page before, under the same filters.
    pub(super) cursor: Option<String>,
}

/// A number of items as it was sent.
#[derive(Debug, Deserialize)]
pub(super) struct Limit(pub(super) String);

/// The condition of a change to something that may be there.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "it only describes a parameter")]
pub(super) struct IfMatch {
    /// Only if it is still at one of these ETags; `*`: only if there is one. A weak tag is none.
    #[param(rename = "If-Match")]
    if_match: Option<String>,
}

/// The condition of something new.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "it only describes a parameter")]
pub(super) struct IfNoneMatch {
    /// Only if it is at none of these ETags; `*`: only if there is none yet.
    #[param(rename = "If-None-Match")]
    if_none_match: Option<String>,
}

/// What the caller has already.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "it only describes a parameter")]
pub(super) struct Known {
    /// ETags received before: 304 where it is still at one of them.
    #[param(rename = "If-None-Match")]
    if_none_match: Option<String>,
}

/// A key of a request that may be sent again.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "it only describes a parameter")]
pub(super) struct Key {
    /// Of the caller's making: sent again with the same body within a day, the first answer comes
    /// again and nothing more is done.
    #[param(rename = "Idempotency-Key", max_length = 255)]
    idempotency_key: Option<String>,
}

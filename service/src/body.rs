//! Reading a JSON body within its limits.

use crate::problem::{Problem, TOO_LARGE, UNSUPPORTED_MEDIA_TYPE};
use axum::body::{Bytes, to_bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, header};

/// The most a body may hold.
pub const MOST_BYTES: usize = 256 * 1024;

/// The bytes of a body sent as JSON.
///
/// # Errors
/// 415 for another media type, 413 above the limit.
pub async fn json_bytes(request: Request) -> Result<Bytes, Problem> {
    if !is_json(request.headers()) {
        return Err(Problem::new(UNSUPPORTED_MEDIA_TYPE, "send the body as `Content-Type: application/json`"));
    }
    let too_large = || Problem::new(TOO_LARGE, format!("a body may hold {MOST_BYTES} bytes"));
    let announced =
        request.headers().get(header::CONTENT_LENGTH).and_then(|v| v.to_str().ok()).and_then(|v| v.parse::<u64>().ok());
    if announced.is_some_and(|n| n > MOST_BYTES as u64) {
        return Err(too_large());
    }
    to_bytes(request.into_body(), MOST_BYTES).await.map_err(|_| too_large())
}

fn is_json(headers: &HeaderMap) -> bool {
    let mut values = headers.get_all(header::CONTENT_TYPE).iter();
    let (Some(value), None) = (values.next(), values.next()) else { return false };
    let Ok(text) = value.to_str() else { return false };
    let mut parts = text.split(';').map(str::trim);
    let essence = parts.next().unwrap_or_default();
    essence.eq_ignore_ascii_case("application/json")
        && parts.all(|p| match p.split_once('=') {
            Some((name, charset)) if name.eq_ignore_ascii_case("charset") => {
                charset.trim_matches('"').eq_ignore_ascii_case("utf-8")
            }
            _ => true,
        })
}

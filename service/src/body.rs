//! Reading a body within its limits.

use crate::problem::{MALFORMED, Problem, TOO_LARGE, UNSUPPORTED_MEDIA_TYPE};
use axum::body::{Body, Bytes};
use axum::extract::Request;
use axum::http::{HeaderMap, header};
use http_body_util::BodyExt as _;
use std::time::Duration;

/// The most a body may hold.
pub const MOST_BYTES: usize = 256 * 1024;

/// Of a body that is too large so many bytes more are still read, for this long, and thrown
/// away: a client that is cut off while it sends may never see the answer.
const MOST_DISCARDED: usize = 8 * 1024 * 1024;
const LONGEST_DISCARD: Duration = Duration::from_secs(2);

/// The bytes of a body sent as JSON.
///
/// # Errors
/// 415 for another media type, 413 above the limit.
pub async fn json_bytes(request: Request) -> Result<Bytes, Problem> {
    if !is(request.headers(), "application/json") {
        return Err(Problem::new(UNSUPPORTED_MEDIA_TYPE, "send the body as `Content-Type: application/json`"));
    }
    bytes(request, MOST_BYTES).await
}

/// The bytes of a body of whatever type.
///
/// # Errors
/// 413 above the limit.
pub async fn bytes(request: Request, most: usize) -> Result<Bytes, Problem> {
    let too_large = || Problem::new(TOO_LARGE, format!("the body may hold {most} bytes"));
    let announced = request.headers().get(header::CONTENT_LENGTH).and_then(|v| v.to_str().ok()?.parse::<u64>().ok());
    if announced.is_some_and(|n| n > (most + MOST_DISCARDED) as u64) {
        return Err(too_large());
    }
    let mut body = request.into_body();
    if announced.is_none_or(|n| n <= most as u64)
        && let Some(bytes) = read(&mut body, most).await?
    {
        return Ok(bytes);
    }
    // However far it came: the answer is the same.
    let _ = tokio::time::timeout(LONGEST_DISCARD, discard(&mut body, most + MOST_DISCARDED)).await;
    Err(too_large())
}

/// The body, unless it is larger than it may be.
async fn read(body: &mut Body, most: usize) -> Result<Option<Bytes>, Problem> {
    let mut bytes = Vec::new();
    while let Some(frame) = body.frame().await {
        let data = frame.map_err(|_| Problem::new(MALFORMED, "the body breaks off"))?.into_data().unwrap_or_default();
        if bytes.len() + data.len() > most {
            return Ok(None);
        }
        bytes.extend_from_slice(&data);
    }
    Ok(Some(bytes.into()))
}

async fn discard(body: &mut Body, mut left: usize) {
    while let Some(Ok(frame)) = body.frame().await {
        let size = frame.data_ref().map_or(0, Bytes::len);
        if size > left {
            return;
        }
        left -= size;
    }
}

/// Whether a body is sent as a media type, in UTF-8 if it says so.
pub fn is(headers: &HeaderMap, media_type: &str) -> bool {
    let mut values = headers.get_all(header::CONTENT_TYPE).iter();
    let (Some(value), None) = (values.next(), values.next()) else { return false };
    let Ok(text) = value.to_str() else { return false };
    let mut parts = text.split(';').map(str::trim);
    let essence = parts.next().unwrap_or_default();
    essence.eq_ignore_ascii_case(media_type)
        && parts.all(|p| match p.split_once('=') {
            Some((name, charset)) if name.eq_ignore_ascii_case("charset") => {
                charset.trim_matches('"').eq_ignore_ascii_case("utf-8")
            }
            _ => true,
        })
}

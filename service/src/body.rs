//! Reading a body within its limits.

use crate::problem::{MALFORMED, Problem, TOO_LARGE, UNSUPPORTED_MEDIA_TYPE};
use axum::body::{Body, BodyDataStream, Bytes, HttpBody as _};
use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, Version, header};
use axum::middleware::Next;
use axum::response::Response;
use futures_util::{Stream, StreamExt as _};
use http_body_util::BodyExt as _;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;

/// The most a body may hold.
pub const MOST_BYTES: usize = 256 * 1024;

/// Of a body that nobody wants, or not all of it, so many bytes are still read, twice as many as the
/// largest may have, for this long, and thrown away: a client that is cut off while it sends may never
/// see the answer.
const MOST_DISCARDED: u64 = 64 * 1024 * 1024;
const LONGEST_DISCARD: Duration = Duration::from_secs(5);

/// The bytes of a body sent as JSON.
///
/// # Errors
/// 415 for another media type, 413 above the limit.
pub async fn json_bytes(request: Request) -> Result<Bytes, Problem> {
    if !is(request.headers(), "application/json") {
        return Err(Problem::new(UNSUPPORTED_MEDIA_TYPE, "send the body as `Content-Type: application/json`"));
    }
    Ok(without_mark(bytes(request, MOST_BYTES).await?))
}

/// U+FEFF in UTF-8, which some programs put before a text.
pub(crate) const MARK: &[u8] = b"\xef\xbb\xbf";

/// Without a byte order mark at the beginning (RFC 8259, section 8.1).
pub(crate) fn without_mark(bytes: Bytes) -> Bytes {
    if bytes.starts_with(MARK) { bytes.slice(MARK.len()..) } else { bytes }
}

/// The bytes of a body of whatever type.
///
/// # Errors
/// 413 above the limit, 415 in a coding.
pub async fn bytes(request: Request, most: usize) -> Result<Bytes, Problem> {
    plain(request.headers())?;
    let too_large = || Problem::new(TOO_LARGE, format!("the body may hold {most} bytes"));
    // What is not read here is dealt with by [`hear_out`].
    if announced(request.headers()).is_some_and(|n| n > most as u64) {
        return Err(too_large());
    }
    read(request.into_body(), most).await?.ok_or_else(too_large)
}

/// Refuses a body in a coding (RFC 9110, section 8.4).
pub(crate) fn plain(headers: &HeaderMap) -> Result<(), Problem> {
    let mut codings = headers.get_all(header::CONTENT_ENCODING).iter();
    let plain = |coding: &HeaderValue| coding.is_empty() || coding.as_bytes().eq_ignore_ascii_case(b"identity");
    if codings.all(plain) {
        return Ok(());
    }
    Err(Problem::new(UNSUPPORTED_MEDIA_TYPE, "bodies are read as they are: send it without `Content-Encoding`"))
}

fn announced(headers: &HeaderMap) -> Option<u64> {
    headers.get(header::CONTENT_LENGTH)?.to_str().ok()?.parse().ok()
}

/// The body, unless it is larger than it may be.
async fn read(mut body: Body, most: usize) -> Result<Option<Bytes>, Problem> {
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

/// What was not read of a request's body, and how much was.
#[derive(Debug, Default)]
struct Rest {
    unread: Option<BodyDataStream>,
    bytes: u64,
}

/// A body lent to whoever answers: what is not read of it comes back.
struct Lent {
    body: Option<BodyDataStream>,
    bytes: u64,
    rest: Arc<Mutex<Rest>>,
}

impl Stream for Lent {
    type Item = Result<Bytes, axum::Error>;

    fn poll_next(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        let Some(body) = &mut self.body else { return Poll::Ready(None) };
        let next = ready!(Pin::new(body).poll_next(context));
        match &next {
            Some(Ok(data)) => self.bytes += data.len() as u64,
            _ => self.body = None,
        }
        Poll::Ready(next)
    }
}

impl Drop for Lent {
    fn drop(&mut self) {
        let rest = Rest { unread: self.body.take(), bytes: self.bytes };
        *self.rest.lock().unwrap_or_else(PoisonError::into_inner) = rest;
    }
}

/// Hears a request to its end though it was answered without that. A connection on which something is
/// left unread is closed, and that is said (RFC 9112, section 9.6): a client would lose the next request.
pub(crate) async fn hear_out(request: Request, next: Next) -> Response {
    // In HTTP/2 a body has a stream of its own.
    if request.body().is_end_stream() || request.version() > Version::HTTP_11 {
        return next.run(request).await;
    }
    let (parts, body) = request.into_parts();
    let (announced, waits) = (announced(&parts.headers), parts.headers.contains_key(header::EXPECT));
    let rest = Arc::<Mutex<Rest>>::default();
    let lent = Lent { body: Some(body.into_data_stream()), bytes: 0, rest: rest.clone() };
    let mut response = next.run(Request::from_parts(parts, Body::from_stream(lent))).await;
    let Rest { unread, bytes } = std::mem::take(&mut *rest.lock().unwrap_or_else(PoisonError::into_inner));
    let Some(unread) = unread else { return response };
    let left = announced.map_or(0, |n| n.saturating_sub(bytes));
    // Who waits to be told to go on has sent nothing yet, and is told not to.
    let heard = left <= MOST_DISCARDED
        && !(waits && bytes == 0)
        && tokio::time::timeout(LONGEST_DISCARD, discard(unread)).await == Ok(true);
    if !heard {
        response.headers_mut().insert(header::CONNECTION, HeaderValue::from_static("close"));
    }
    response
}

/// Whether the body came to its end.
async fn discard(mut body: BodyDataStream) -> bool {
    let mut left = MOST_DISCARDED;
    while let Some(data) = body.next().await {
        match data.ok().and_then(|data| left.checked_sub(data.len() as u64)) {
            Some(less) => left = less,
            None => return false,
        }
    }
    true
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

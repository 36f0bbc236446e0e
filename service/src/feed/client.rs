//! One poll of a feed: what is asked, within which limits, and what comes of it.
//!
//! url → guard → turn at the host → connection to an admitted address → conditional GET →
//! status, media type, bytes within the limits → [`Page`] → the next page, if it names one.
//!
//! Decided here: a redirect is not followed. Every connection passes the guard anyway; but a saved
//! feed is what its owner looked at, and a host that hands its readers to another should be seen
//! to do so: the answer names the new address for the owner to save. The following pages must be
//! of the feed's own origin (scheme, host and port) for the same reason. Where one of them cannot
//! be read, the pages before it count all the same ([`Fetched::stopped`]).

use super::connect::{Connector, Network, System};
use super::guard::{Guard, Refusal};
use super::parse::{BadItem, BadPage, Format, Item, Page, items};
use super::schedule::{Outcome, RetryAfter};
use super::turns::Turns;
use axum::http::{HeaderMap, HeaderValue, Request, Response, StatusCode, header};
use flate2::write::MultiGzDecoder;
use http_body_util::{BodyExt as _, Empty};
use hyper::body::{Bytes, Incoming};
use hyper_rustls::{HttpsConnector, HttpsConnectorBuilder};
use hyper_util::client::legacy;
use hyper_util::rt::TokioExecutor;
use std::io::{self, Write};
use std::sync::Arc;
use std::time::Duration;
use url::Url;

/// What a poll may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Until a connection is open, look-up included.
    pub connect: Duration,
    /// From the request to the last byte of the answer.
    pub total: Duration,
    /// Between two requests to one host.
    pub pause: Duration,
    /// Bytes received in one poll, all pages together.
    pub received: usize,
    /// Bytes after decompression in one poll, all pages together.
    pub decoded: usize,
    /// Pages.
    pub pages: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connect: Duration::from_secs(10),
            total: Duration::from_secs(30),
            pause: Duration::from_secs(1),
            received: 4 * 1024 * 1024,
            decoded: 8 * 1024 * 1024,
            pages: 10,
        }
    }
}

/// The head of an answer may hold so many bytes.
const MOST_HEAD_BYTES: usize = 64 * 1024;

/// A validator longer than this is not kept.
const MOST_VALIDATOR_BYTES: usize = 1024;

/// What a server gave to ask again by (RFC 9110 section 8.8), kept to the letter.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Validators {
    /// `ETag`.
    pub etag: Option<String>,
    /// `Last-Modified`.
    pub last_modified: Option<String>,
}

/// What a poll brought.
#[derive(Debug)]
pub enum Polled {
    /// Nothing new since the validators were given.
    Unchanged,
    /// The feed.
    Read(Fetched),
}

/// A feed as it is now.
#[derive(Debug)]
pub struct Fetched {
    /// Its pages: at least one.
    pub pages: Vec<Page>,
    /// For the next poll; none where a page is still to be had.
    pub validators: Validators,
    /// Why the pages after these were not read.
    pub stopped: Option<PollError>,
}

impl Fetched {
    /// Every item of every page, in order.
    pub fn items(&self) -> impl Iterator<Item = Result<Item, BadItem>> + '_ {
        items(&self.pages)
    }
}

/// Why a feed could not be read. In words for its owner: no address that a name leads to.
#[derive(Debug, thiserror::Error)]
pub enum PollError {
    /// The guard.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// No connection, no TLS or no HTTP.
    #[error("the host cannot be reached: {0}")]
    Unreachable(String),
    /// Not within the time.
    #[error("no complete answer within {} s", .0.as_secs_f64())]
    TooSlow(Duration),
    /// An answer that brings nothing.
    #[error("answered with status {status}")]
    Status {
        /// The status.
        status: StatusCode,
        /// When to ask again, if it said.
        retry_after: Option<RetryAfter>,
    },
    /// 410.
    #[error("the feed is gone (410)")]
    Gone,
    /// A redirect.
    #[error("the feed has moved to {0}: save it under its new address, if that is meant")]
    Moved(String),
    /// Too many bytes came.
    #[error("more than {0} bytes")]
    TooLarge(usize),
    /// Too many bytes were packed into few.
    #[error("more than {0} bytes after decompression")]
    Bomb(usize),
    /// Neither plain nor gzip, or bad gzip.
    #[error("the content encoding is not gzip, or it is broken")]
    Encoding,
    /// Another media type.
    #[error("the content type is {0}, not {1}")]
    MediaType(String, &'static str),
    /// It does not read as a feed.
    #[error("not a feed of this format: {0}")]
    Malformed(BadPage),
    /// A next page of another origin.
    #[error("the next page is of another origin: {0}")]
    Elsewhere(String),
    /// A next page that was there before.
    #[error("the next page leads back to one already read")]
    Loop,
    /// Too many pages.
    #[error("more than {0} pages")]
    TooManyPages(usize),
}

impl PollError {
    /// Whether asking again may bring what was not read.
    fn may_pass(&self) -> bool {
        !matches!(self, Self::Elsewhere(_) | Self::Loop | Self::TooManyPages(_))
    }
}

impl From<&Result<Polled, PollError>> for Outcome {
    fn from(polled: &Result<Polled, PollError>) -> Self {
        match polled {
            Ok(Polled::Read(fetched)) if fetched.pages.iter().any(|p| p.expired) => Self::Ended,
            Ok(_) => Self::Read,
            Err(PollError::Gone) => Self::Gone,
            Err(error) => {
                let retry_after = match error {
                    PollError::Status { retry_after, .. } => *retry_after,
                    _ => None,
                };
                Self::Failed { error: error.to_string(), retry_after }
            }
        }
    }
}

/// Polls feeds. One for the whole process: it knows which hosts are being asked.
#[derive(Debug)]
pub struct Client<N: Network = System> {
    http: legacy::Client<HttpsConnector<Connector<N>>, Empty<Bytes>>,
    guard: Arc<Guard>,
    limits: Limits,
    turns: Turns,
}

impl Client {
    /// A client behind a guard.
    ///
    /// # Errors
    /// If the system has no certificates to trust.
    pub fn new(guard: Guard) -> io::Result<Self> {
        Self::with(guard, System, Limits::default())
    }
}

impl<N: Network> Client<N> {
    /// A client on another network or with other limits.
    ///
    /// # Errors
    /// If the system has no certificates to trust.
    pub fn with(guard: Guard, network: N, limits: Limits) -> io::Result<Self> {
        let guard = Arc::new(guard);
        let connector = HttpsConnectorBuilder::new()
            .with_provider_and_native_roots(rustls::crypto::aws_lc_rs::default_provider())?
            .https_or_http()
            .enable_http1()
            .wrap_connector(Connector::new(guard.clone(), network, limits.connect));
        let http = legacy::Client::builder(TokioExecutor::new())
            // Every request has a connection of its own, which the guard has judged for it.
            .pool_max_idle_per_host(0)
            .retry_canceled_requests(false)
            .http1_max_buf_size(MOST_HEAD_BYTES)
            .build(connector);
        Ok(Self { http, guard, limits, turns: Turns::new(limits.pause) })
    }

    /// The URL in its normal form, if it may be saved.
    ///
    /// # Errors
    /// Why not.
    pub fn check(&self, url: &str) -> Result<Url, Refusal> {
        self.guard.check(url)
    }

    /// Asks for a feed: whether it has changed since the validators were given, and if so all of it.
    ///
    /// # Errors
    /// Why its first page could not be read.
    pub async fn poll(&self, url: &str, format: Format, known: &Validators) -> Result<Polled, PollError> {
        let mut urls = vec![self.guard.check(url)?];
        let mut left = self.limits;
        let Some((mut validators, first)) = self.page(&urls[0], format, known, &mut left).await? else {
            return Ok(Polled::Unchanged);
        };
        let mut next_url = first.next_url.clone();
        let mut pages = vec![first];
        let mut stopped = None;
        while let Some(next) = next_url.take() {
            match self.following(&next, &mut urls, format, &mut left).await {
                Ok(page) => {
                    next_url.clone_from(&page.next_url);
                    pages.push(page);
                }
                Err(error) => stopped = Some(error),
            }
        }
        if stopped.as_ref().is_some_and(PollError::may_pass) {
            validators = Validators::default();
        }
        Ok(Polled::Read(Fetched { pages, validators, stopped }))
    }

    async fn following(
        &self,
        next: &str,
        urls: &mut Vec<Url>,
        format: Format,
        left: &mut Limits,
    ) -> Result<Page, PollError> {
        let before = &urls[urls.len() - 1];
        let next = before.join(next).map_err(Refusal::NotUrl)?;
        let next = self.guard.check(next.as_str())?;
        if next.origin() != before.origin() {
            return Err(PollError::Elsewhere(next.origin().ascii_serialization()));
        }
        if urls.contains(&next) {
            return Err(PollError::Loop);
        }
        if urls.len() == self.limits.pages {
            return Err(PollError::TooManyPages(self.limits.pages));
        }
        urls.push(next.clone());
        let unknown = Validators::default();
        // Without validators nothing can be unchanged.
        let page = self.page(&next, format, &unknown, left).await?;
        page.map(|(_, page)| page).ok_or(PollError::Status { status: StatusCode::NOT_MODIFIED, retry_after: None })
    }

    /// One page, unless it is unchanged. `left` is what the pages before left of the limits.
    async fn page(
        &self,
        url: &Url,
        format: Format,
        known: &Validators,
        left: &mut Limits,
    ) -> Result<Option<(Validators, Page)>, PollError> {
        let request = request(url, format, known)?;
        let _turn = self.turns.take(url.host_str().unwrap_or_default().trim_end_matches('.')).await;
        let answered = tokio::time::timeout(self.limits.total, self.answer(request, format, known, left));
        let Some((validators, text)) = answered.await.map_err(|_| PollError::TooSlow(self.limits.total))?? else {
            return Ok(None);
        };
        Ok(Some((validators, Page::read(format, text).map_err(PollError::Malformed)?)))
    }

    async fn answer(
        &self,
        request: Request<Empty<Bytes>>,
        format: Format,
        known: &Validators,
        left: &mut Limits,
    ) -> Result<Option<(Validators, Vec<u8>)>, PollError> {
        let answer = self.http.request(request).await.map_err(unreachable)?;
        let headers = answer.headers();
        match answer.status() {
            StatusCode::OK => {}
            StatusCode::NOT_MODIFIED if *known != Validators::default() => return Ok(None),
            StatusCode::GONE => return Err(PollError::Gone),
            status if status.is_redirection() && headers.contains_key(header::LOCATION) => {
                return Err(PollError::Moved(shown(headers, header::LOCATION)));
            }
            status => {
                let retry_after = headers.get(header::RETRY_AFTER).and_then(|v| RetryAfter::read(v.to_str().ok()?));
                return Err(PollError::Status { status, retry_after });
            }
        }
        check_media_type(headers, format)?;
        let validators =
            Validators { etag: kept(headers, header::ETAG), last_modified: kept(headers, header::LAST_MODIFIED) };
        Ok(Some((validators, self.body(answer, left).await?)))
    }

    /// The body, cut off where it is more than it may be: neither is the rest received nor is more
    /// than the limit ever held.
    async fn body(&self, answer: Response<Incoming>, left: &mut Limits) -> Result<Vec<u8>, PollError> {
        let decoded = Capped { bytes: Vec::new(), most: left.decoded, limit: self.limits.decoded, full: false };
        let mut sink = match answer.headers().get(header::CONTENT_ENCODING).map(HeaderValue::as_bytes) {
            None => Sink::Plain(decoded),
            Some(name) if name.eq_ignore_ascii_case(b"identity") => Sink::Plain(decoded),
            Some(name) if name.eq_ignore_ascii_case(b"gzip") || name.eq_ignore_ascii_case(b"x-gzip") => {
                Sink::Gzip(Box::new(MultiGzDecoder::new(decoded)))
            }
            Some(_) => return Err(PollError::Encoding),
        };
        let mut body = answer.into_body();
        while let Some(frame) = body.frame().await {
            let frame = frame.map_err(|_| PollError::Unreachable("the answer breaks off".into()))?;
            let Some(data) = frame.data_ref() else { continue };
            left.received = left.received.checked_sub(data.len()).ok_or(PollError::TooLarge(self.limits.received))?;
            sink.write(data)?;
        }
        let bytes = sink.finish()?;
        left.decoded -= bytes.len();
        Ok(bytes)
    }
}

/// What has been decoded, up to a number of bytes.
struct Capped {
    bytes: Vec<u8>,
    most: usize,
    /// The limit of the whole poll, for the message.
    limit: usize,
    full: bool,
}

impl Write for Capped {
    fn write(&mut self, data: &[u8]) -> io::Result<usize> {
        if data.len() > self.most - self.bytes.len() {
            self.full = true;
            return Err(io::ErrorKind::FileTooLarge.into());
        }
        self.bytes.extend_from_slice(data);
        Ok(data.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Capped {
    /// What a failed write means.
    fn fault(&self) -> PollError {
        if self.full { PollError::Bomb(self.limit) } else { PollError::Encoding }
    }
}

/// Bytes as they are, or gzip.
enum Sink {
    Plain(Capped),
    Gzip(Box<MultiGzDecoder<Capped>>),
}

impl Sink {
    fn write(&mut self, data: &[u8]) -> Result<(), PollError> {
        match self {
            Self::Plain(out) => out.write_all(data).map_err(|_| out.fault()),
            Self::Gzip(decoder) => decoder.write_all(data).map_err(|_| decoder.get_ref().fault()),
        }
    }

    /// All of it; gzip must have come to its proper end.
    fn finish(self) -> Result<Vec<u8>, PollError> {
        match self {
            Self::Plain(out) => Ok(out.bytes),
            Self::Gzip(mut decoder) => match decoder.try_finish() {
                Ok(()) => Ok(std::mem::take(&mut decoder.get_mut().bytes)),
                Err(_) => Err(decoder.get_ref().fault()),
            },
        }
    }
}

fn request(url: &Url, format: Format, known: &Validators) -> Result<Request<Empty<Bytes>>, PollError> {
    let mut request = Request::get(url.as_str())
        .header(header::ACCEPT, media_types(format))
        .header(header::ACCEPT_ENCODING, "gzip")
        .header(header::USER_AGENT, concat!(env!("CARGO_PKG_NAME"), "/", env!("CARGO_PKG_VERSION")));
    let conditions = [(header::IF_NONE_MATCH, &known.etag), (header::IF_MODIFIED_SINCE, &known.last_modified)];
    for (name, value) in conditions {
        if let Some(value) = value {
            request = request.header(name, value);
        }
    }
    // The guard has checked that the URL makes a request; a validator that makes none was not kept by us.
    request.body(Empty::new()).map_err(|_| PollError::Refused(Refusal::Ambiguous))
}

fn media_types(format: Format) -> &'static str {
    match format {
        Format::JsonFeed => "application/feed+json, application/json",
        Format::Ndjson => "application/x-ndjson",
    }
}

/// The media type must be one of the format's, and a charset, where there is one, UTF-8.
fn check_media_type(headers: &HeaderMap, format: Format) -> Result<(), PollError> {
    let given = shown(headers, header::CONTENT_TYPE);
    let mut parts = given.split(';').map(str::trim);
    let essence = parts.next().unwrap_or_default();
    let fits = media_types(format).split(", ").any(|m| m.eq_ignore_ascii_case(essence))
        && parts.filter_map(|p| p.split_once('=')).all(|(name, value)| {
            !name.trim().eq_ignore_ascii_case("charset") || value.trim().trim_matches('"').eq_ignore_ascii_case("utf-8")
        });
    if fits { Ok(()) } else { Err(PollError::MediaType(given, media_types(format))) }
}

/// A header in words, for a message.
fn shown(headers: &HeaderMap, name: header::HeaderName) -> String {
    let value = headers.get(name).map(|v| String::from_utf8_lossy(v.as_bytes()));
    value.map_or("not given".into(), |v| v.chars().filter(|c| !c.is_control()).take(200).collect())
}

/// A validator as it came, if it can be kept as text.
fn kept(headers: &HeaderMap, name: header::HeaderName) -> Option<String> {
    let value = headers.get(name)?.to_str().ok()?;
    (value.len() <= MOST_VALIDATOR_BYTES).then(|| value.to_owned())
}

/// The innermost cause says what happened; the guard's refusal is one of them.
fn unreachable(error: legacy::Error) -> PollError {
    let mut cause: &dyn std::error::Error = &error;
    while let Some(inner) = cause.source() {
        if let Some(refusal) = inner.downcast_ref::<Refusal>() {
            return refusal.clone().into();
        }
        cause = inner;
    }
    PollError::Unreachable(cause.to_string())
}

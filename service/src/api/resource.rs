//! What resources share: preconditions, pages, keys of repeated requests.

use crate::app::App;
use crate::memory::ACCOUNT;
use crate::problem::{IDEMPOTENCY_MISMATCH, IN_PROGRESS, INTERNAL, INVALID, MALFORMED, NOT_FOUND, Problem};
use crate::store::{Begun, Precondition, StoredResponse, Ticket, Write};
use axum::body::Bytes;
use axum::extract::Path;
use axum::extract::rejection::PathRejection;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use jiff::{SignedDuration, Timestamp};
use serde::Serialize;
use serde::de::DeserializeOwned;
use sha2::{Digest as _, Sha256};
use std::sync::Arc;
use tracing::Instrument as _;

/// The longest id that is stored.
const LONGEST_ID: usize = 200;
/// Items of a page, where nothing else is asked for, and at most.
const PAGE: u32 = 50;
const LARGEST_PAGE: u32 = 200;
/// A request under a key that has not been answered for so long died on the way.
const STALE: SignedDuration = SignedDuration::from_mins(2);

const IDEMPOTENCY_KEY: HeaderName = HeaderName::from_static("idempotency-key");
const LONGEST_KEY: usize = 255;

/// The names in a path.
pub(super) fn names<T>(path: Result<Path<T>, PathRejection>) -> Result<T, Problem> {
    path.map(|Path(names)| names).map_err(|e| Problem::new(NOT_FOUND, e.body_text()))
}

/// A name that can be stored.
pub(super) fn storable(id: &str) -> Result<(), Problem> {
    if id.is_empty() || id.chars().count() > LONGEST_ID || id.chars().any(char::is_control) {
        let detail = format!("a name in the path has 1 to {LONGEST_ID} characters, none of them a control character");
        return Err(Problem::new(INVALID, detail));
    }
    Ok(())
}

/// A strong entity tag for a revision.
pub(super) fn etag(revision: i64) -> HeaderValue {
    HeaderValue::from_str(&format!("\"{revision}\"")).unwrap_or(HeaderValue::from_static("\"0\""))
}

/// What `If-Match` and `If-None-Match` ask of a write. A tag that is none of ours matches nothing.
pub(super) fn precondition(headers: &HeaderMap) -> Precondition {
    precondition_by(headers, |tag| tag.parse().ok())
}

/// The same where tags hold more than a revision.
pub(super) fn precondition_by(headers: &HeaderMap, revision: impl FnOnce(&str) -> Option<i64>) -> Precondition {
    let text = |name| headers.get(name).map(|v: &HeaderValue| v.to_str().unwrap_or_default().trim());
    match (text(header::IF_MATCH), text(header::IF_NONE_MATCH)) {
        (_, Some("*")) => Precondition::Absent,
        (Some("*"), _) => Precondition::Present,
        (None, _) => Precondition::None,
        (Some(tag), _) => {
            let revision = tag.strip_prefix('"').and_then(|t| t.strip_suffix('"')).and_then(revision);
            Precondition::Revision(revision.unwrap_or(-1))
        }
    }
}

/// A thing under its entity tag; 304 where the caller has it.
pub(super) fn tagged(headers: &HeaderMap, tag: &HeaderValue, thing: &impl Serialize) -> Result<Response, Problem> {
    let has = |v: &HeaderValue| {
        v.to_str().is_ok_and(|v| v.split(',').any(|v| v.trim().trim_start_matches("W/") == tag || v.trim() == "*"))
    };
    let fixed = [(header::ETAG, tag.clone()), (header::CACHE_CONTROL, HeaderValue::from_static("no-cache"))];
    if headers.get_all(header::IF_NONE_MATCH).iter().any(has) {
        return Ok((StatusCode::NOT_MODIFIED, fixed).into_response());
    }
    Ok((fixed, json(StatusCode::OK, thing)?).into_response())
}

/// A JSON answer.
pub(super) fn json(status: StatusCode, thing: &impl Serialize) -> Result<Response, Problem> {
    let kind = [(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))];
    Ok((status, kind, to_bytes(thing)?).into_response())
}

fn to_bytes(thing: &impl Serialize) -> Result<Vec<u8>, Problem> {
    serde_json::to_vec(thing).map_err(|e| {
        tracing::error!(error = %e, "an answer does not serialise");
        Problem::new(INTERNAL, "the fault is ours")
    })
}

/// Does a request to its end even if the caller goes away: an effect and what follows from it
/// belong together.
pub(super) async fn whole<T: Send + 'static>(
    doing: impl Future<Output = Result<T, Problem>> + Send + 'static,
) -> Result<T, Problem> {
    tokio::spawn(doing.in_current_span()).await.map_err(|e| {
        tracing::error!(error = %e, "a request ended early");
        Problem::new(INTERNAL, "the fault is ours")
    })?
}

/// How many items a page holds: too many asked for are as many as there may be.
pub(super) fn limit(asked: Option<i64>) -> Result<u32, Problem> {
    match asked {
        None => Ok(PAGE),
        Some(n) if n < 1 => Err(Problem::new(MALFORMED, "query parameter `limit`: must be 1 or more")),
        Some(n) => Ok(u32::try_from(n).unwrap_or(LARGEST_PAGE).min(LARGEST_PAGE)),
    }
}

/// A place to go on from, as text that callers pass back unread.
pub(super) fn cursor(place: &impl Serialize) -> Result<String, Problem> {
    Ok(BASE64_URL_SAFE_NO_PAD.encode(to_bytes(place)?))
}

/// The place in a cursor.
pub(super) fn place<T: DeserializeOwned>(cursor: Option<&str>) -> Result<Option<T>, Problem> {
    let read = |text: &str| serde_json::from_slice(&BASE64_URL_SAFE_NO_PAD.decode(text).ok()?).ok();
    match cursor.map(read) {
        None => Ok(None),
        Some(Some(place)) => Ok(Some(place)),
        Some(None) => Err(foreign_cursor()),
    }
}

/// A cursor that is none of ours, or of another query.
pub(super) fn foreign_cursor() -> Problem {
    Problem::new(MALFORMED, "query parameter `cursor`: not a cursor of this query; start again without one")
}

/// The parameters of a list that knows no others.
#[derive(Debug, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Paged {
    /// Items of a page.
    pub(super) limit: Option<i64>,
    /// Where to go on.
    pub(super) cursor: Option<String>,
}

/// A page with the link to the next one.
pub(super) fn page(uri: &axum::http::Uri, next: Option<&str>, page: &impl Serialize) -> Result<Response, Problem> {
    let mut response = json(StatusCode::OK, page)?;
    if let Some(next) = next {
        let others = uri.query().into_iter().flat_map(|q| q.split('&')).filter(|p| !p.starts_with("cursor="));
        let query: Vec<String> = others.map(str::to_owned).chain([format!("cursor={next}")]).collect();
        let link = format!("<{}?{}>; rel=\"next\"", uri.path(), query.join("&"));
        if let Ok(link) = HeaderValue::from_str(&link) {
            response.headers_mut().insert(header::LINK, link);
        }
    }
    Ok(response)
}

/// Does a request that stores something, once under its `Idempotency-Key` if it has one, and to its
/// end even if the caller goes away. What is done gets the ticket under which its answer is kept.
pub(super) async fn repeatable<F: Future<Output = Result<Response, Problem>> + Send>(
    app: Arc<App>,
    headers: HeaderMap,
    operation: String,
    body: Bytes,
    doing: impl FnOnce(Arc<App>, Option<Ticket>, Bytes) -> F + Send + 'static,
) -> Result<Response, Problem> {
    whole(async move {
        let ticket = match begin(&app, &headers, &operation, &body).await? {
            Repeatable::Done(answer) => return Ok(answer),
            Repeatable::Do(ticket) => ticket,
        };
        match doing(app.clone(), ticket.clone(), body).await {
            Ok(answer) => Ok(answer),
            Err(problem) => Err(refuse(&app, ticket, problem).await),
        }
    })
    .await
}

/// What a key says.
enum Repeatable {
    /// To be done, and its answer kept under the ticket if there is one.
    Do(Option<Ticket>),
    /// Done before and answered so.
    Done(Response),
}

/// Begins a request under its `Idempotency-Key`, if it has one.
async fn begin(app: &App, headers: &HeaderMap, operation: &str, body: &Bytes) -> Result<Repeatable, Problem> {
    let mut keys = headers.get_all(IDEMPOTENCY_KEY).iter();
    let Some(key) = keys.next() else { return Ok(Repeatable::Do(None)) };
    let key = key.to_str().ok().filter(|k| !k.is_empty() && k.len() <= LONGEST_KEY && keys.next().is_none());
    let Some(key) = key else {
        let detail = format!("header `Idempotency-Key`: one, of 1 to {LONGEST_KEY} visible characters");
        return Err(Problem::new(MALFORMED, detail));
    };
    let now = Timestamp::now();
    let fingerprint: [u8; 32] = Sha256::digest(body).into();
    let stale = now.checked_sub(STALE).unwrap_or(now);
    match app.memory()?.store().begin_request(ACCOUNT, key, operation, &fingerprint, now, stale).await? {
        Begun::New(ticket) => Ok(Repeatable::Do(Some(ticket))),
        Begun::InProgress => Err(Problem::new(IN_PROGRESS, "the first request with this key is not answered yet")),
        Begun::Mismatch => Err(Problem::new(IDEMPOTENCY_MISMATCH, "the key was sent before with another body")),
        Begun::Replay(kept) => Ok(Repeatable::Done(replay(&kept))),
    }
}

fn replay(kept: &StoredResponse) -> Response {
    let status = StatusCode::from_u16(kept.status).unwrap_or(StatusCode::OK);
    let mut response = (status, kept.body.clone()).into_response();
    let headers: Vec<(String, String)> = serde_json::from_str(&kept.headers).unwrap_or_default();
    for (name, value) in headers {
        if let (Ok(name), Ok(value)) = (name.parse::<HeaderName>(), HeaderValue::from_str(&value)) {
            response.headers_mut().insert(name, value);
        }
    }
    response
}

/// The answer of a request that stored something: kept under its key, in the transaction of what it
/// stored, and sent once that is committed.
pub(super) async fn finish(
    mut write: Write,
    ticket: Option<Ticket>,
    status: StatusCode,
    location: Option<String>,
    answer: &impl Serialize,
) -> Result<Response, Problem> {
    let body = to_bytes(answer)?;
    let mut headers = vec![("content-type".to_owned(), "application/json".to_owned())];
    headers.extend(location.map(|l| ("location".to_owned(), l)));
    let kept =
        StoredResponse { status: status.as_u16(), headers: serde_json::to_string(&headers).unwrap_or_default(), body };
    if let Some(ticket) = &ticket {
        write.finish_request(ticket, &kept).await?;
    }
    write.commit().await?;
    Ok(replay(&kept))
}

/// The answer to a request that could not be done: kept under its key if the caller is at fault,
/// else the key is free again.
async fn refuse(app: &App, ticket: Option<Ticket>, problem: Problem) -> Problem {
    let (Some(ticket), Ok(memory)) = (ticket, app.memory()) else { return problem };
    let store = memory.store();
    // A conflict passes: the same key may try again.
    let done = if problem.status < 500 && problem.status != IN_PROGRESS.status {
        let headers = vec![("content-type", crate::problem::MEDIA_TYPE)];
        let kept = StoredResponse {
            status: problem.status,
            headers: serde_json::to_string(&headers).unwrap_or_default(),
            body: serde_json::to_vec(&problem).unwrap_or_default(),
        };
        store.finish_request(&ticket, &kept).await
    } else {
        store.abandon_request(&ticket).await
    };
    if let Err(e) = done {
        tracing::warn!(detail = e.detail(), "an idempotency key could not be settled");
    }
    problem
}

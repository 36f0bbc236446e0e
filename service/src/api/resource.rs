//! What resources share: preconditions, pages, keys of repeated requests.

use crate::app::App;
use crate::memory::ACCOUNT;
use crate::problem::{
    ANSWER_FORGOTTEN, FaultAt, IDEMPOTENCY_MISMATCH, IN_PROGRESS, INTERNAL, INVALID, MALFORMED, NOT_FOUND, Problem,
};
use crate::shape::take_out_nuls;
use crate::store::{Begun, Precondition, StoredResponse, Ticket, Write};
use axum::body::Bytes;
use axum::extract::Path;
use axum::extract::rejection::PathRejection;
use axum::http::{HeaderMap, HeaderName, HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use jiff::{SignedDuration, Timestamp};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use sha2::{Digest as _, Sha256};
use std::sync::Arc;
use tracing::Instrument as _;
use url::form_urlencoded;

/// The longest id that is stored.
const LONGEST_ID: usize = 200;
/// A request under a key that has not been answered for so long died on the way.
const STALE: SignedDuration = SignedDuration::from_mins(2);

const IDEMPOTENCY_KEY: HeaderName = HeaderName::from_static("idempotency-key");
const LONGEST_KEY: usize = 255;

/// The names in a path of something that is there: what cannot be stored is not.
pub(super) fn existing<T: Names>(path: Result<Path<T>, PathRejection>) -> Result<T, Problem> {
    match path {
        Ok(Path(names)) if names.all().into_iter().all(fits) => Ok(names),
        _ => Err(Problem::new(NOT_FOUND, "there is nothing of such a name")),
    }
}

/// The names in a path of something that is to be stored.
pub(super) fn storable<T: Names>(path: Result<Path<T>, PathRejection>, called: &[&str]) -> Result<T, Problem> {
    let detail = format!("a name has 1 to {LONGEST_ID} characters in UTF-8, none of them a control character");
    let fault = |name: &&str| FaultAt::of_parameter(*name, detail.clone());
    let faults: Vec<FaultAt> = match path {
        Ok(Path(names)) => {
            let faults: Vec<_> =
                called.iter().zip(names.all()).filter(|(_, name)| !fits(name)).map(|(name, _)| fault(name)).collect();
            if faults.is_empty() {
                return Ok(names);
            }
            faults
        }
        // Which of them is no UTF-8 is not told.
        Err(_) => called.iter().map(fault).collect(),
    };
    Err(Problem::of_parameters(INVALID, faults))
}

/// One name or more.
pub(super) trait Names {
    fn all(&self) -> Vec<&str>;
}

impl Names for String {
    fn all(&self) -> Vec<&str> {
        vec![self]
    }
}

impl Names for (String, i64) {
    fn all(&self) -> Vec<&str> {
        vec![&self.0]
    }
}

impl Names for (String, String) {
    fn all(&self) -> Vec<&str> {
        vec![&self.0, &self.1]
    }
}

fn fits(name: &str) -> bool {
    !name.is_empty() && name.chars().count() <= LONGEST_ID && !name.chars().any(char::is_control)
}

/// A strong entity tag for a revision.
pub(super) fn etag(revision: i64) -> HeaderValue {
    HeaderValue::from_str(&format!("\"{revision}\"")).unwrap_or(HeaderValue::from_static("\"0\""))
}

/// The entity tags of a header (RFC 9110, section 8.8.3).
#[derive(Debug, Default, PartialEq, Eq)]
struct Tags {
    /// `*`
    any: bool,
    /// Each with whether it is weak.
    listed: Vec<(bool, String)>,
}

impl Tags {
    /// None where there is no such header. What is no tag is passed over: it matches nothing.
    fn of(headers: &HeaderMap, name: &HeaderName) -> Option<Self> {
        let mut tags = Self::default();
        headers.get(name)?;
        for value in headers.get_all(name) {
            let mut rest = value.to_str().unwrap_or_default();
            loop {
                rest = rest.trim_start_matches([' ', '\t', ',']);
                if rest.is_empty() {
                    break;
                }
                let tag = rest.strip_prefix("W/").unwrap_or(rest);
                if let Some((opaque, after)) = tag.strip_prefix('"').and_then(|t| t.split_once('"')) {
                    tags.listed.push((tag.len() < rest.len(), opaque.into()));
                    rest = after;
                } else {
                    let (word, after) = rest.split_once(',').unwrap_or((rest, ""));
                    tags.any |= word.trim_end() == "*";
                    rest = after;
                }
            }
        }
        Some(tags)
    }
}

/// What `If-Match` and `If-None-Match` ask of a write. A tag that is none of ours matches nothing.
pub(super) fn precondition(headers: &HeaderMap) -> Precondition {
    precondition_by(headers, |tag| tag.parse().ok().filter(|revision| *revision > 0))
}

/// The same where tags hold more than a revision. `If-Match` compares strongly, `If-None-Match`
/// weakly (RFC 9110, section 13.1).
pub(super) fn precondition_by(headers: &HeaderMap, revision: impl Fn(&str) -> Option<i64>) -> Precondition {
    let matches = Tags::of(headers, &header::IF_MATCH).map(|tags| {
        let strong = tags.listed.iter().filter(|(weak, _)| !weak);
        match tags.any {
            true => Precondition::Present,
            false => Precondition::Revisions(strong.filter_map(|(_, tag)| revision(tag)).collect()),
        }
    });
    let none_matches = Tags::of(headers, &header::IF_NONE_MATCH).map(|tags| match tags.any {
        true => Precondition::Absent,
        false => Precondition::NoneOf(tags.listed.iter().filter_map(|(_, tag)| revision(tag)).collect()),
    });
    match (matches, none_matches) {
        (None, None) => Precondition::None,
        (Some(one), None) | (None, Some(one)) => one,
        (Some(one), Some(other)) => Precondition::All(vec![one, other]),
    }
}

/// Whether the caller has what is under a tag (`If-None-Match`).
pub(super) fn has(headers: &HeaderMap, tag: &HeaderValue) -> bool {
    let own = tag.to_str().unwrap_or_default().trim_matches('"');
    Tags::of(headers, &header::IF_NONE_MATCH)
        .is_some_and(|tags| tags.any || tags.listed.iter().any(|(_, listed)| listed == own))
}

/// A thing of the caller's own under its entity tag; 304 where the caller has it.
pub(super) fn tagged(headers: &HeaderMap, tag: &HeaderValue, thing: &impl Serialize) -> Result<Response, Problem> {
    let tagged = [(header::ETAG, tag.clone())];
    if has(headers, tag) {
        return Ok((StatusCode::NOT_MODIFIED, tagged).into_response());
    }
    Ok((tagged, json(StatusCode::OK, thing)?).into_response())
}

/// A JSON answer.
pub(super) fn json(status: StatusCode, thing: &impl Serialize) -> Result<Response, Problem> {
    let kind = [(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))];
    Ok((status, kind, to_bytes(thing)?).into_response())
}

/// A thing as JSON.
pub(super) fn to_bytes(thing: &impl Serialize) -> Result<Vec<u8>, Problem> {
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

/// A place to go on from, and the list it is in.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Cursor<T> {
    of: String,
    at: T,
}

/// Which list, under which filters.
pub(super) fn list_of(uri: &Uri) -> String {
    let mut filters: Vec<_> = form_urlencoded::parse(uri.query().unwrap_or_default().as_bytes())
        .filter(|(name, _)| !matches!(name.as_ref(), "limit" | "cursor"))
        .collect();
    filters.sort();
    let mut digest = Sha256::new_with_prefix(uri.path());
    for (name, value) in &filters {
        // No byte of UTF-8 is 0xff: what is between two of them is one text.
        for part in [name, value] {
            digest.update([0xff]);
            digest.update(part.as_bytes());
        }
    }
    BASE64_URL_SAFE_NO_PAD.encode(&digest.finalize()[..9])
}

/// A place to go on from, as text that callers pass back unread.
pub(super) fn cursor(uri: &Uri, place: &impl Serialize) -> Result<String, Problem> {
    Ok(BASE64_URL_SAFE_NO_PAD.encode(to_bytes(&Cursor { of: list_of(uri), at: place })?))
}

/// The place in a cursor, if it is of this list.
pub(super) fn read_cursor<T: DeserializeOwned>(list: &str, text: &str) -> Option<T> {
    let decoded = BASE64_URL_SAFE_NO_PAD.decode(text).ok()?;
    let value: Value = serde_json::from_slice(&decoded).ok()?;
    let Cursor { of, at } = serde_json::from_value(sound(value)?).ok()?;
    (of == list).then_some(at)
}

/// A value without U+0000 in its texts: no cursor of ours holds one.
fn sound(mut value: Value) -> Option<Value> {
    let mut faults = Vec::new();
    take_out_nuls(&mut value, &mut String::new(), &mut faults);
    faults.is_empty().then_some(value)
}

/// Cuts what was read, with one more than is shown, to a page. The last of it, where another follows.
pub(super) fn cut<T>(found: &mut Vec<T>, limit: u32) -> Option<&T> {
    let more = found.len() > limit as usize;
    found.truncate(limit as usize);
    found.last().filter(|_| more)
}

/// A page with the link to the next one.
pub(super) fn page(uri: &Uri, next: Option<&str>, page: &impl Serialize) -> Result<Response, Problem> {
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
        Begun::Forgotten => {
            let detail = "the first request with this key was answered, and its answer thrown away when a seller was \
                forgotten; nothing is done again: see whether what it was to do is done";
            Err(Problem::new(ANSWER_FORGOTTEN, detail))
        }
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

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(fields: &[(&'static str, &'static str)]) -> HeaderMap {
        let mut headers = HeaderMap::new();
        for (name, value) in fields {
            headers.append(HeaderName::from_static(name), HeaderValue::from_static(value));
        }
        headers
    }

    /// RFC 9110, sections 8.8.3.2, 13.1.1 and 13.1.2.
    #[test]
    fn tags_are_lists_and_a_weak_one_is_no_match_for_a_write() {
        use Precondition::{Absent, All, NoneOf, Present, Revisions};
        for (fields, asked) in [
            (&[][..], Precondition::None),
            (&[("if-match", "\"7\"")], Revisions(vec![7])),
            (&[("if-match", "\"7\", \"xyzzy\" ,, \"r,2\",\"9\"")], Revisions(vec![7, 9])),
            (&[("if-match", "\"7\""), ("if-match", "\"8\"")], Revisions(vec![7, 8])),
            (&[("if-match", "W/\"7\", \"8\"")], Revisions(vec![8])),
            (&[("if-match", "7, w/\"7\", \"0\", \"-1\", \"")], Revisions(vec![])),
            (&[("if-match", "")], Revisions(vec![])),
            (&[("if-match", " * ")], Present),
            (&[("if-none-match", "*")], Absent),
            (&[("if-none-match", "W/\"7\", \"8\"")], NoneOf(vec![7, 8])),
            (&[("if-match", "\"7\""), ("if-none-match", "*")], All(vec![Revisions(vec![7]), Absent])),
        ] {
            assert_eq!(precondition(&headers(fields)), asked, "{fields:?}");
        }
        let own = HeaderValue::from_static("\"7-a,b\"");
        for (listed, known) in [("\"7-a,b\"", true), ("\"1\", W/\"7-a,b\"", true), ("*", true), ("\"7\", b", false)] {
            assert_eq!(has(&headers(&[("if-none-match", listed)]), &own), known, "{listed}");
        }
    }

    #[test]
    fn a_cursor_goes_on_in_its_own_list_alone() {
        let uri = |text: &'static str| Uri::from_static(text);
        let made = cursor(&uri("/v1/outcomes?seller=s%201&limit=2&listing=a"), &7).unwrap();
        let found = |text| read_cursor::<i64>(&list_of(&uri(text)), &made);
        assert_eq!(found("/v1/outcomes?listing=a&seller=s+1&cursor=x&limit=9"), Some(7));
        for other in
            ["/v1/outcomes?listing=a", "/v1/sellers?seller=s%201&listing=a", "/v1/outcomes?seller=s&listing=1a"]
        {
            assert_eq!(found(other), None, "{other}");
        }
    }
}

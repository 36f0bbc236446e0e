//! `GET /v1/changes`: what happened, as Server-Sent Events (WHATWG HTML, section 9.2).
//!
//! An event's `id` is the change's number. A client that names the last one it has seen gets every
//! later one, once and in order, whatever connections broke and whoever was started anew meanwhile.

use super::parameters::{Query, unreadable};
use super::problems::Anywhere;
use crate::app::App;
use crate::memory::ACCOUNT;
use crate::problem::{MALFORMED, Problem, SATURATED};
use crate::store::Change;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, Uri, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use serde_json::{Map, Value};
use std::collections::VecDeque;
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::{OwnedSemaphorePermit, watch};

/// Changes read at a time, and only once those before are on their way.
const PAGE: u32 = 100;
/// How long until what another process told is looked for.
const LOOKED: Duration = Duration::from_secs(1);
/// How long a stream is silent before a comment shows that it is alive.
const SILENT: Duration = Duration::from_secs(15);
/// How long a client waits before it connects again.
const RETRY: Duration = Duration::from_secs(2);

const LAST_EVENT_ID: &str = "last-event-id";
const AFTER: &str = "after";

/// What happens, as Server-Sent Events: `advice_changed`, `outcome_recorded`, `feed_failed`. Each
/// event's `id` counts up by one; its `data` is the JSON object of that name in the schemas. With
/// `Last-Event-ID` or `after` every change after that one comes, once and in order; without, every
/// change from now on. The first block has an `id` alone, which by the standard is no event but a
/// place to go on from: a connection that breaks before the first event loses nothing either.
#[utoipa::path(
    get,
    path = "/v1/changes",
    tag = "changes",
    params(
        ("Last-Event-ID" = Option<String>, Header, description = "The `id` of the last event seen; a browser sends it by itself when it connects again. It comes before `after`."),
        ("after" = Option<i64>, Query, description = "The same for the first connection; 0: from the first change ever.", minimum = 0, example = 0),
    ),
    responses(
        (status = 200, description = "Events, until the client or the service ends the stream; a comment every 15 seconds where nothing happens", body = String, content_type = "text/event-stream"),
        (status = 400, description = "The last event's id is no number of a change", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "An unknown parameter", body = Problem, content_type = "application/problem+json"),
        Anywhere,
    )
)]
pub(super) async fn changes(State(app): State<Arc<App>>, uri: Uri, headers: HeaderMap) -> Result<Response, Problem> {
    let mut query = Query::of(&uri, &["after"]);
    let after = query.text("after");
    query.sound()?;
    let store = app.memory()?.store();
    // Before anything is read: what is told meanwhile is looked for again.
    let told = store.told();
    let last = store.last_change(ACCOUNT).await?;
    let after = match named(&headers, after.as_deref())? {
        Some((what, id)) => seen(what, id, last)?,
        None => last,
    };
    let Some(place) = app.stream() else {
        let detail = format!("{} streams of changes are open already", crate::app::MOST_STREAMS);
        return Err(Problem::new(SATURATED, detail));
    };
    let draining = app.draining();
    let reading =
        Reading { app, told, draining, page: VecDeque::new(), after, begun: false, failing: false, _place: place };
    let events = Sse::new(stream::unfold(reading, Reading::next)).keep_alive(KeepAlive::new().interval(SILENT));
    let mut response = events.into_response();
    response.headers_mut().insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    Ok(response)
}

/// The last event that the client names, and where it names it.
fn named<'a>(headers: &'a HeaderMap, after: Option<&'a str>) -> Result<Option<(&'static str, &'a str)>, Problem> {
    let what = "header `Last-Event-ID`";
    let mut ids = headers.get_all(LAST_EVENT_ID).iter();
    let id = match (ids.next(), ids.next()) {
        (None, _) => None,
        (Some(id), None) => id.to_str().map(str::trim).ok(),
        (Some(_), Some(_)) => return Err(Problem::new(MALFORMED, format!("{what}: there is more than one"))),
    };
    if headers.contains_key(LAST_EVENT_ID) && id.is_none() {
        return Err(no_number(what));
    }
    // A client that has seen no event yet may say so with an empty one.
    let header = id.filter(|id| !id.is_empty()).map(|id| (what, id));
    Ok(header.or(after.map(|id| (AFTER, id))))
}

fn seen(what: &str, id: &str, last: i64) -> Result<i64, Problem> {
    if id.is_empty() || !id.bytes().all(|b| b.is_ascii_digit()) {
        return Err(no_number(what));
    }
    // Numbers begin anew in a new store: one that never was would wait for changes that were told.
    id.parse().ok().filter(|id| *id <= last).ok_or_else(|| {
        let detail = format!("the last change is {last}; begin again without it, or with 0 for all of them");
        malformed(what, detail)
    })
}

fn no_number(what: &str) -> Problem {
    malformed(what, "not the number of a change".into())
}

/// What cannot be read in a header or a parameter.
fn malformed(what: &str, detail: String) -> Problem {
    if what == AFTER { unreadable(AFTER, detail) } else { Problem::new(MALFORMED, format!("{what}: {detail}")) }
}

/// One client's stream.
struct Reading {
    app: Arc<App>,
    told: watch::Receiver<()>,
    draining: watch::Receiver<bool>,
    page: VecDeque<Change>,
    /// The last change sent.
    after: i64,
    begun: bool,
    /// The database does not answer, and the log knows.
    failing: bool,
    _place: OwnedSemaphorePermit,
}

impl Reading {
    /// The next event, when there is one; none when the service shuts down.
    async fn next(mut self) -> Option<(Result<Event, Infallible>, Self)> {
        if !self.begun {
            self.begun = true;
            let start = Event::default().id(self.after.to_string()).retry(RETRY);
            return Some((Ok(start), self));
        }
        loop {
            if *self.draining.borrow() {
                return None;
            }
            if let Some(change) = self.page.pop_front() {
                self.after = change.id;
                return Some((Ok(event(&change)), self));
            }
            self.told.mark_unchanged();
            // A client that is told of an outage by a refusal would not come back by itself: it waits.
            match self.read().await {
                Ok(page) if !page.is_empty() => {
                    (self.page, self.failing) = (page.into(), false);
                    continue;
                }
                Ok(_) => self.failing = false,
                Err(problem) => {
                    if !self.failing {
                        tracing::error!(detail = problem.detail, "a stream of changes waits for the database");
                    }
                    self.failing = true;
                }
            }
            tokio::select! {
                _ = self.told.changed() => {}
                _ = self.draining.changed() => {}
                () = tokio::time::sleep(LOOKED) => {}
            }
        }
    }

    async fn read(&self) -> Result<Vec<Change>, Problem> {
        Ok(self.app.memory()?.store().changes_after(ACCOUNT, self.after, PAGE).await?)
    }
}

/// A change as it is sent.
fn event(change: &Change) -> Event {
    let mut data: Map<String, Value> = serde_json::from_str(&change.data).unwrap_or_default();
    // Rows of the first versions named what they are about `id`.
    if let Some(name @ Value::String(_)) = data.remove("id") {
        data.entry(about(&change.event)).or_insert(name);
    }
    data.insert("id".into(), change.id.into());
    data.entry("at").or_insert_with(|| change.at.to_string().into());
    let name = change.event.replace(char::is_control, "");
    Event::default().id(change.id.to_string()).event(name).data(Value::Object(data).to_string())
}

/// What an event is about.
fn about(event: &str) -> &'static str {
    match event {
        crate::memory::ADVICE_CHANGED => "listing",
        crate::memory::OUTCOME_RECORDED => "outcome",
        _ => "feed",
    }
}

//! `/v1/feeds`: feeds of listings that the service polls.

use super::parameters::{IfMatch, Key, Known, Paged, Query};
use super::problems::{Anywhere, Conditional, JsonBody, Keyed, Named, Parameters};
use super::resource::{cursor, cut, etag, existing, finish, json, page, precondition, repeatable, tagged, whole};
use crate::app::App;
use crate::feed::{Format, Limits, Page, Schedule, Validators};
use crate::memory::{self, ACCOUNT, InForce};
use crate::problem::{FaultAt, IN_PROGRESS, MALFORMED, Problem, UNSUPPORTED_MEDIA_TYPE};
use crate::store::{Feed, NewFeed, Ticket};
use crate::wire::feed::{FeedBody, FeedPage, FeedPolled, FeedsPage, ItemsKept};
use crate::{body, polling};
use axum::body::Bytes;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{IntoResponse as _, Response};
use jiff::Timestamp;
use serde::Serialize;
use std::sync::Arc;
use uuid::Uuid;

type Name = Result<Path<String>, PathRejection>;

/// Save a feed. It is polled at once and then at its interval, or, without a URL, filled by what is sent to
/// `/v1/feeds/{id}/items`; each item becomes the listing `id:item`
/// and is updated as the feed changes, while what you changed of it stays yours. A member of the listing
/// that you left as the feed had it follows the feed; one that you put, changed or took out stays (of
/// `offer`, `watch` and other objects each member by itself). Listings you deleted stay deleted, items
/// that leave the feed stay. What a feed says counts as if you had put it: save those you trust.
#[utoipa::path(
    post,
    path = "/v1/feeds",
    tag = "feeds",
    params(Key),
    request_body(content = FeedBody, description = "Where it is, how it is written, how often it is polled."),
    responses(
        (status = 201, description = "Saved", body = FeedPage, headers(("Location" = String, description = "Where it is"))),
        Keyed,
        (status = 422, description = "The request does not fit, its URL is refused, or there is a feed of that URL", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
    )
)]
pub(super) async fn post(State(app): State<Arc<App>>, request: Request) -> Result<Response, Problem> {
    let headers = request.headers().clone();
    let bytes = body::json_bytes(request).await?;
    let doing = |app: Arc<App>, ticket, bytes: Bytes| async move { save(&app, ticket, &bytes).await };
    repeatable(app, headers, "POST /v1/feeds".into(), bytes, doing).await
}

async fn save(app: &App, ticket: Option<Ticket>, bytes: &[u8]) -> Result<Response, Problem> {
    let read = read_feed(app, bytes).await?;
    let (id, now) = (Uuid::now_v7().to_string(), memory::now());
    let new = read.row(&id, now);
    let mut write = app.memory()?.store().write(ACCOUNT).await?;
    write
        .add_feed(&new)
        .await
        .map_err(|e| if e.is_conflict() { Problem::invalid(at_url(e.to_string())) } else { e.into() })?;
    let location = format!("/v1/feeds/{id}");
    let Read { body, url, defaults } = read;
    let next_poll_at = url.as_ref().map(|_| now);
    let saved = FeedPage::try_from(Feed {
        account: ACCOUNT.into(),
        id,
        revision: 1,
        url,
        format: body.format,
        every_s: body.every_s,
        defaults,
        created_at: now,
        last_polled_at: None,
        schedule: Schedule { next_poll_at, ..Schedule::new(now) },
        validators: Validators::default(),
        last_items: None,
    })?;
    let answer = finish(write, ticket, StatusCode::CREATED, Some(location), &saved).await?;
    app.feeds().saved();
    Ok(answer)
}

/// A feed as it was sent.
struct Read {
    body: FeedBody,
    /// In its normal form.
    url: Option<String>,
    defaults: Option<String>,
}

impl Read {
    fn row<'a>(&'a self, id: &'a str, at: Timestamp) -> NewFeed<'a> {
        let FeedBody { format, every_s, .. } = self.body;
        NewFeed { id, url: self.url.as_deref(), format, every_s, defaults: self.defaults.as_deref(), at }
    }
}

async fn read_feed(app: &App, bytes: &[u8]) -> Result<Read, Problem> {
    let force = app.in_force().await?;
    let body = app.checked("FeedBody", bytes, |_, _| (), |body| faults(app, &force, body))?;
    let url = address(app, &body)?;
    let defaults = body.defaults.as_ref().and_then(polling::kept_defaults);
    Ok(Read { body, url, defaults })
}

fn at_url(detail: impl Into<String>) -> Vec<FaultAt> {
    vec![FaultAt::new("/url", detail)]
}

/// What does not fit of a feed whose members do.
fn faults(app: &App, force: &InForce, body: &FeedBody) -> Vec<FaultAt> {
    let mut faults = match (&body.url, body.every_s) {
        (Some(_), None) => vec![FaultAt::new("/every_s", "say every how many seconds the URL is polled")],
        (None, Some(_)) => at_url("nothing is polled without a URL: give one, or leave out every_s too"),
        (None, None) => Vec::new(),
        (Some(url), Some(_)) => match app.feeds().client().map(|client| client.check(url)) {
            Ok(Err(refusal)) => at_url(refusal.to_string()),
            _ => Vec::new(),
        },
    };
    let defaults = body.defaults.iter().flat_map(|defaults| polling::faults_of_defaults(force, defaults));
    faults.extend(defaults.map(|f| FaultAt::new(format!("/defaults{}", f.pointer), f.detail)));
    faults
}

/// The URL in its normal form.
fn address(app: &App, body: &FeedBody) -> Result<Option<String>, Problem> {
    let Some(url) = &body.url else { return Ok(None) };
    let url = app.feeds().client()?.check(url).map_err(|e| Problem::invalid(at_url(e.to_string())))?;
    Ok(Some(url.to_string()))
}

/// A feed, and how its polls went.
#[utoipa::path(
    get,
    path = "/v1/feeds/{id}",
    tag = "feeds",
    params(
        ("id" = String, Path, description = "The feed."),
        Known,
    ),
    responses(
        (status = 200, description = "The feed", body = FeedPage, headers(("ETag" = String, description = "The revision, quoted; each poll moves it"))),
        (status = 304, description = "It is as the ETag given"),
        Anywhere,
        Named,
    )
)]
pub(super) async fn get(State(app): State<Arc<App>>, id: Name, headers: HeaderMap) -> Result<Response, Problem> {
    let feed = app.memory()?.store().feed(ACCOUNT, &existing(id)?).await?;
    let tag = etag(feed.revision);
    tagged(&headers, &tag, &FeedPage::try_from(feed)?)
}

/// Change a feed: where it is fetched from, how it is written, how often it is polled, what is filled in.
/// What it said of its items and what you changed of them stays known. It is active again, whatever
/// stopped it, and polled at once; other defaults count from then on, in a feed without a URL from the
/// next sending on. While it is being polled it is not changed: 409.
#[utoipa::path(
    put,
    path = "/v1/feeds/{id}",
    tag = "feeds",
    params(
        ("id" = String, Path, description = "The feed.", example = "01936a5e-8f20-7c41-9d3b-5a1f0c2e7b64"),
        IfMatch,
    ),
    request_body(content = FeedBody, description = "The whole of it; what is left out is no more."),
    responses(
        (status = 200, description = "Changed", body = FeedPage, headers(("ETag" = String, description = "The revision, quoted; each poll moves it"))),
        (status = 409, description = "The feed is being polled just now", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The request does not fit, its URL is refused, or there is another feed of that URL", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
        Conditional,
        Named,
    )
)]
pub(super) async fn put(State(app): State<Arc<App>>, id: Name, request: Request) -> Result<Response, Problem> {
    let id = existing(id)?;
    let condition = precondition(request.headers());
    let bytes = body::json_bytes(request).await?;
    let read = read_feed(&app, &bytes).await?;
    whole(async move {
        let store = app.memory()?.store();
        let new = read.row(&id, memory::now());
        let mut write = store.write(ACCOUNT).await?;
        write.expect_feed(&id, condition).await?;
        if let Some(url) = new.url
            && let Some(other) = write.other_feed_of(url, &id).await?
        {
            return Err(Problem::invalid(at_url(format!("the feed {other:?} is there already"))));
        }
        if !write.change_feed(&new).await? {
            return Err(Problem::new(IN_PROGRESS, "the feed is being polled just now"));
        }
        write.commit().await?;
        app.feeds().saved();
        let feed = store.feed(ACCOUNT, &id).await?;
        let tag = etag(feed.revision);
        Ok(([(header::ETAG, tag)], json(StatusCode::OK, &FeedPage::try_from(feed)?)?).into_response())
    })
    .await
}

/// Delete a feed: it is polled no more. Its listings stay, as if you had put them.
#[utoipa::path(
    delete,
    path = "/v1/feeds/{id}",
    tag = "feeds",
    params(
        ("id" = String, Path, description = "The feed."),
        IfMatch,
    ),
    responses(
        (status = 204, description = "Deleted"),
        Anywhere,
        Conditional,
        Named,
    )
)]
pub(super) async fn delete(State(app): State<Arc<App>>, id: Name, headers: HeaderMap) -> Result<StatusCode, Problem> {
    let id = existing(id)?;
    whole(async move {
        let mut write = app.memory()?.store().write(ACCOUNT).await?;
        write.delete_feed(&id, precondition(&headers)).await?;
        write.commit().await?;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}

/// All feeds, oldest first.
#[utoipa::path(
    get,
    path = "/v1/feeds",
    tag = "feeds",
    params(
        Paged,
    ),
    responses(
        (status = 200, description = "A page; `Link: rel=\"next\"` leads on", body = FeedsPage, headers(("Link" = String, description = "`rel=\"next\"`: the next page, where there is one"))),
        Anywhere,
        Parameters,
    )
)]
pub(super) async fn list(State(app): State<Arc<App>>, uri: Uri) -> Result<Response, Problem> {
    let mut query = Query::of(&uri, &["limit", "cursor"]);
    let (limit, after): (_, Option<String>) = (query.limit(), query.place());
    query.sound()?;
    let after = after.unwrap_or_default();
    let mut found = app.memory()?.store().feeds(ACCOUNT, &after, limit + 1).await?;
    let next_cursor = cut(&mut found, limit).map(|last| cursor(&uri, &last.id)).transpose()?;
    let items = found.into_iter().map(FeedPage::try_from).collect::<Result<_, _>>()?;
    page(&uri, next_cursor.clone().as_deref(), &FeedsPage { items, next_cursor })
}

/// Poll a feed now, whatever its state, and wait for what it brings. A poll that fails answers 200 too,
/// with the reason in the feed's `last_error`, and 409 if the feed is being polled already; a feed that rests or
/// has failed is active again once it can be read. A feed without a URL has nothing to poll: 422.
#[utoipa::path(
    post,
    path = "/v1/feeds/{id}/poll",
    tag = "feeds",
    params(
        ("id" = String, Path, description = "The feed."),
        Key,
    ),
    responses(
        (status = 200, description = "What the poll brought", body = FeedPolled),
        (status = 400, description = "The key is none", body = Problem, content_type = "application/problem+json"),
        (status = 409, description = "The feed is being polled just now, or the first request with this key is not answered yet", body = Problem, content_type = "application/problem+json"),
        (status = 410, description = "It was answered, and the answer is no longer kept", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The feed has no URL, or the key belongs to another request", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        Named,
    )
)]
pub(super) async fn poll(State(app): State<Arc<App>>, id: Name, headers: HeaderMap) -> Result<Response, Problem> {
    let id = existing(id)?;
    let operation = format!("POST /v1/feeds/{id}/poll");
    let doing = move |app: Arc<App>, ticket, _| async move {
        let polled = polling::poll_now(&app, &id).await?;
        answer(&app, ticket, &polled).await
    };
    repeatable(app, headers, operation, Bytes::new(), doing).await
}

/// Send items to a feed, as if it had been polled and had brought them. An item that does not fit is
/// refused with its reason, and the others are kept.
#[utoipa::path(
    post,
    path = "/v1/feeds/{id}/items",
    tag = "feeds",
    params(
        ("id" = String, Path, description = "The feed.", example = "01936a5e-8f20-7c41-9d3b-5a1f0c2e7b64"),
        Key,
    ),
    request_body(
        content((String = "application/feed+json"), (String = "application/x-ndjson")),
        description = "At most 8 MiB and 5,000 items (those beyond are refused unread), whatever the feed's own format. JSON Feed 1.1 (`application/json` will do too): an item's `id`, `url`, `title`, `content_text` or `content_html` and `language`, and in its object `_steelyard` the other members of a request. NDJSON: the body of `POST /v1/assess` a line, with its `id`."
    ),
    responses(
        (status = 200, description = "What came of the items", body = ItemsKept),
        (status = 400, description = "The body is no JSON, repeats a member or breaks off, or the key is none", body = Problem, content_type = "application/problem+json"),
        Keyed,
        (status = 413, description = "Body over 8 MiB", body = Problem, content_type = "application/problem+json"),
        (status = 415, description = "Sent neither as JSON Feed nor as NDJSON", body = Problem, content_type = "application/problem+json"),
        (status = 422, description = "The document is no JSON Feed, or the key belongs to another request", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        Named,
    )
)]
pub(super) async fn items(State(app): State<Arc<App>>, id: Name, request: Request) -> Result<Response, Problem> {
    let id = existing(id)?;
    let headers = request.headers().clone();
    let format = format_of(&headers)?;
    let bytes = body::bytes(request, Limits::default().decoded).await?;
    let operation = format!("POST /v1/feeds/{id}/items");
    let doing = move |app: Arc<App>, ticket, bytes: Bytes| async move {
        let page = read(format, &bytes)?;
        drop(bytes);
        let kept = polling::keep_page(&app, &id, page).await?;
        answer(&app, ticket, &kept).await
    };
    repeatable(app, headers, operation, bytes, doing).await
}

fn format_of(headers: &HeaderMap) -> Result<Format, Problem> {
    if body::is(headers, "application/feed+json") || body::is(headers, "application/json") {
        Ok(Format::JsonFeed)
    } else if body::is(headers, "application/x-ndjson") {
        Ok(Format::Ndjson)
    } else {
        let detail = "send the items as `Content-Type: application/feed+json` or `application/x-ndjson`";
        Err(Problem::new(UNSUPPORTED_MEDIA_TYPE, detail))
    }
}

fn read(format: Format, bytes: &[u8]) -> Result<Page, Problem> {
    Page::read(format, bytes.to_vec()).map_err(|bad| match bad.malformed {
        true => Problem::new(MALFORMED, bad.to_string()).with(bad.faults),
        false => Problem::invalid(bad.faults),
    })
}

/// The answer to what has been done already, kept under its key if it has one.
async fn answer(app: &App, ticket: Option<Ticket>, told: &impl Serialize) -> Result<Response, Problem> {
    match ticket {
        None => json(StatusCode::OK, told),
        Some(_) => finish(app.memory()?.store().write(ACCOUNT).await?, ticket, StatusCode::OK, None, told).await,
    }
}

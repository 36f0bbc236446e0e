//! Saved feeds: polled at their time or by hand, their items kept as listings.
//!
//! feed that is due → lease → poll → items (`items`) → schedule → lease given back.
//!
//! Any number of processes may poll beside one another: a feed goes to whoever holds its lease,
//! which is short and renewed as long as the poll lasts. Where a process dies, another takes the feed
//! when the lease has run out; what was kept of its items by then is found unchanged.
//!
//! An event tells when a feed is no longer polled ([`FEED_FAILED`]), not of each failure before.

mod defaults;
mod items;

pub use defaults::Defaults;
pub(crate) use defaults::{faults as faults_of_defaults, kept as kept_defaults};

use crate::app::App;
use crate::config::Config;
use crate::feed::{Client, Every, Exception, Guard, Outcome, Page, Polled, Schedule, State, attached};
use crate::memory::{self, ACCOUNT};
use crate::problem::{IN_PROGRESS, INTERNAL, INVALID, Problem, UNAVAILABLE};
use crate::store::{Feed, NewChange, PollEnd};
use crate::wire::feed::{FeedPage, FeedPolled, ItemsKept, PollResult};
use anyhow::Context as _;
use items::Source;
use jiff::{SignedDuration, Timestamp};
use rand_core::SeedableRng as _;
use rand_pcg::Pcg64Mcg;
use serde_json::json;
use serde_json::value::RawValue;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Notify;
use tokio::task::JoinSet;
use uuid::Uuid;

/// The event of a feed that is no longer polled.
pub const FEED_FAILED: &str = "feed_failed";

/// How often a worker looks for feeds that are due.
const LOOKED_FOR: Duration = Duration::from_secs(2);
/// Feeds that a process polls at once.
const WORKERS: usize = 2;
/// The most characters of an error that are kept.
const LONGEST_ERROR: usize = 1_000;
/// How many refused items are kept with the feed; a poll's answer holds more of them.
const REFUSALS_KEPT: usize = 10;

/// How feeds are polled here.
#[derive(Debug)]
pub struct Feeds {
    client: Option<Client>,
    /// Whether feeds are polled at their time.
    polls: bool,
    lease: SignedDuration,
    saved: Notify,
}

impl Feeds {
    /// Where feeds cannot be fetched.
    #[must_use]
    pub fn none() -> Self {
        Self { client: None, polls: false, lease: SignedDuration::from_secs(30), saved: Notify::new() }
    }

    /// As configured. Where the system names no certificates to trust or none of its networks, the
    /// service answers all the same, but fetches no feed.
    ///
    /// # Errors
    /// If an exception cannot be read.
    pub fn new(config: &Config) -> anyhow::Result<Self> {
        let exceptions = config.feed_exceptions.iter().filter(|e| !e.trim().is_empty());
        let exceptions: Vec<Exception> =
            exceptions.map(|e| e.parse()).collect::<Result<_, _>>().context("STEELYARD_FEED_EXCEPTIONS")?;
        let client = attached()
            .context("the networks of this machine")
            .and_then(|networks| Client::new(Guard::new(exceptions, networks)).context("certificates to trust"));
        let client = client.inspect_err(|e| tracing::error!(error = format!("{e:#}"), "feeds cannot be fetched")).ok();
        let lease = SignedDuration::from_secs(config.feed_lease_s.into());
        Ok(Self { client, polls: config.poll_feeds, lease, saved: Notify::new() })
    }

    /// What fetches feeds.
    ///
    /// # Errors
    /// If there is nothing that could.
    pub(crate) fn client(&self) -> Result<&Client, Problem> {
        self.client.as_ref().ok_or_else(|| {
            Problem::new(UNAVAILABLE, "feeds cannot be fetched here: the log of the service's start says why")
        })
    }

    /// A feed was saved here: it is due.
    pub(crate) fn saved(&self) {
        self.saved.notify_one();
    }

    fn until(&self, now: Timestamp) -> Timestamp {
        now.saturating_add(self.lease).unwrap_or(Timestamp::MAX)
    }
}

/// Polls feeds as they are due, until the service stops.
pub(crate) async fn work(app: Arc<App>) {
    if app.feeds().polls && app.feeds().client.is_some() {
        futures_util::future::join_all((0..WORKERS).map(|_| worker(&app))).await;
    }
}

async fn worker(app: &Arc<App>) {
    let Ok(memory) = app.memory() else { return };
    while !app.is_draining() {
        let (owner, now) = (Uuid::new_v4().to_string(), Timestamp::now());
        match memory.store().claim_feed(&owner, now, app.feeds().until(now)).await {
            Ok(Some(feed)) => {
                // A task of its own, ended with this one: a panic over one feed leaves the others alone.
                let (app, id) = (app.clone(), feed.id.clone());
                let mut poll = JoinSet::from_iter([async move { hold(&app, &feed, &owner).await }]);
                match poll.join_next().await {
                    Some(Ok(Err(problem))) => tracing::warn!(feed = id, detail = problem.detail, "a poll was left"),
                    Some(Err(e)) => tracing::error!(feed = id, error = %e, "a poll panicked"),
                    Some(Ok(Ok(_))) | None => {}
                }
                continue;
            }
            Ok(None) => {}
            Err(e) => tracing::warn!(detail = e.detail(), "looking for feeds"),
        }
        let _ = tokio::time::timeout(LOOKED_FOR, app.feeds().saved.notified()).await;
    }
}

/// Polls a feed now, whatever its state.
///
/// # Errors
/// Not found; if it is being polled already; or if the store fails.
pub(crate) async fn poll_now(app: &App, id: &str) -> Result<FeedPolled, Problem> {
    let store = app.memory()?.store();
    if store.feed(ACCOUNT, id).await?.url.is_none() {
        let detail = format!("the feed has no URL to poll: send its items to /v1/feeds/{id}/items");
        return Err(Problem::new(INVALID, detail));
    }
    app.feeds().client()?;
    let (owner, now) = (Uuid::new_v4().to_string(), Timestamp::now());
    match store.claim_feed_now(ACCOUNT, id, &owner, now, app.feeds().until(now)).await? {
        Some(feed) => hold(app, &feed, &owner).await,
        None => Err(Problem::new(IN_PROGRESS, "the feed is being polled just now")),
    }
}

/// Keeps the items of a page that was sent rather than fetched.
///
/// # Errors
/// Not found; or if the store fails.
pub(crate) async fn keep_page(app: &App, id: &str, page: Page) -> Result<ItemsKept, Problem> {
    let feed = app.memory()?.store().feed(ACCOUNT, id).await?;
    let defaults = Defaults::of(feed.defaults.as_deref())?;
    Ok(items::keep(app, Source::Feed(id, &defaults), &[page]).await?.told)
}

/// Keeps the listings of a file of the user's own, as if each were put: what it says of one that is there
/// replaces what was said, and what it does not say stays; what neither says is filled in. All that are
/// refused are named.
///
/// # Errors
/// If the store fails.
pub async fn import(app: &App, file: Page, defaults: &Defaults) -> Result<ItemsKept, Problem> {
    Ok(items::keep(app, Source::File(defaults), &[file]).await?.told)
}

/// Polls a feed that is held, and holds it meanwhile.
async fn hold(app: &App, feed: &Feed, owner: &str) -> Result<FeedPolled, Problem> {
    let store = app.memory()?.store();
    let every = app.feeds().lease.unsigned_abs() / 3;
    // Beside the poll, not between its steps: one of these may hold SQLite's only writer.
    let lost = async {
        loop {
            tokio::time::sleep(every).await;
            match store.renew_feed(feed, owner, app.feeds().until(Timestamp::now())).await {
                Ok(()) => {}
                // Another took it over, or it was deleted.
                Err(e) if e.is_conflict() => break,
                Err(e) => tracing::warn!(detail = e.detail(), "a lease could not be renewed"),
            }
        }
    };
    tokio::select! {
        polled = poll(app, feed, owner) => polled,
        () = lost => Err(Problem::new(IN_PROGRESS, "the feed was deleted meanwhile, or another process polls it")),
    }
}

async fn poll(app: &App, feed: &Feed, owner: &str) -> Result<FeedPolled, Problem> {
    let (Some(url), Some(every_s)) = (&feed.url, feed.every_s) else {
        return Err(Problem::new(INTERNAL, "a feed without a URL is due"));
    };
    let defaults = Defaults::of(feed.defaults.as_deref())?;
    let polled = app.feeds().client()?.poll(url, feed.format, &feed.validators).await;
    let mut outcome = Outcome::from(&polled);
    let mut validators = feed.validators.clone();
    let mut stopped = None;
    let (mut result, mut kept) = (PollResult::Unchanged, None);
    match polled {
        Ok(Polled::Unchanged) => {}
        Ok(Polled::Read(fetched)) => {
            result = PollResult::Read;
            match items::keep(app, Source::Feed(&feed.id, &defaults), &fetched.pages).await {
                Ok(items) => {
                    // Where something is to be tried again, the feed must come again.
                    validators = if items.again { Default::default() } else { fetched.validators };
                    stopped = fetched.stopped.map(|e| format!("not all pages could be read: {e}"));
                    kept = Some(items.told);
                }
                Err(problem) if problem.status < 500 => return Err(problem),
                Err(problem) => {
                    result = PollResult::Failed;
                    let error = format!("its items could not be kept: {}", problem.detail);
                    outcome = Outcome::Failed { error, retry_after: None };
                }
            }
        }
        Err(_) => result = PollResult::Failed,
    }
    let now = memory::now();
    let mut random = Pcg64Mcg::seed_from_u64(Uuid::new_v4().as_u64_pair().0);
    let every = Every::seconds(every_s).map_err(|e| Problem::new(INTERNAL, e.to_string()))?;
    let mut schedule = feed.schedule.after(&outcome, every, now, &mut random);
    schedule.last_error = schedule.last_error.or(stopped).map(|e| printable(&e));
    let feed = end(app, feed, owner, schedule, validators, kept.as_ref(), now).await?;
    Ok(FeedPolled { result, items: kept, feed: feed.try_into()? })
}

/// Gives a feed back, and tells if it is no longer polled.
async fn end(
    app: &App,
    feed: &Feed,
    owner: &str,
    schedule: Schedule,
    validators: crate::feed::Validators,
    kept: Option<&ItemsKept>,
    now: Timestamp,
) -> Result<Feed, Problem> {
    let store = app.memory()?.store();
    let items = kept.map(|kept| {
        let refusals = kept.refusals.iter().take(REFUSALS_KEPT).cloned().collect();
        json!(ItemsKept { refusals, ..kept.clone() }).to_string()
    });
    let items = items.or_else(|| feed.last_items.clone());
    let end = PollEnd { at: now, schedule: &schedule, validators: &validators, items: items.as_deref() };
    if feed.schedule.state == State::Active && schedule.state != State::Active {
        let told = json!({
            "at": now.to_string(), "feed": feed.id, "state": schedule.state, "failures": schedule.failures,
            "error": schedule.last_error,
        });
        let mut write = store.write(&feed.account).await?;
        write.end_poll(&feed.id, owner, &end).await?;
        write.tell(&[NewChange { at: now, event: FEED_FAILED, data: &told.to_string() }]).await?;
        write.commit().await?;
    } else {
        store.end_poll(feed, owner, &end).await?;
    }
    Ok(Feed {
        revision: feed.revision + 1,
        last_polled_at: Some(now),
        schedule,
        validators,
        last_items: items,
        ..feed.clone()
    })
}

/// What a far side's words may be kept and shown as.
fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).take(LONGEST_ERROR).collect()
}

impl TryFrom<Feed> for FeedPage {
    type Error = Problem;

    fn try_from(feed: Feed) -> Result<Self, Problem> {
        let unreadable = |e: serde_json::Error| {
            tracing::error!(error = %e, "what is stored of a feed does not fit");
            Problem::new(INTERNAL, "what is stored cannot be read")
        };
        let defaults = feed.defaults.as_deref().map(serde_json::from_str).transpose().map_err(unreadable)?;
        let last_items = feed.last_items.map(RawValue::from_string).transpose().map_err(unreadable)?;
        Ok(Self {
            id: feed.id,
            url: feed.url,
            format: feed.format,
            every_s: feed.every_s,
            defaults,
            state: feed.schedule.state,
            created_at: feed.created_at.to_string(),
            last_polled_at: feed.last_polled_at.map(|t| t.to_string()),
            next_poll_at: feed.schedule.next_poll_at.map(|t| t.to_string()),
            failures: feed.schedule.failures,
            last_error: feed.schedule.last_error,
            last_items,
        })
    }
}

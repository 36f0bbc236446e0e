//! Feeds: one of many workers polls a feed on a lease, renews it while it does, and notes what came
//! of it. A feed whose worker died is taken again when the lease has run out.
//!
//! A feed has a revision of its own, which moves with each poll: leases and polls are no revision of
//! the account. What a feed last said of an item is kept in the write that saves its listing.

use super::columns::{Columns as _, time_text};
use super::{Error, Precondition, Store, Write};
use crate::feed::{Format, Schedule, State, Validators};
use jiff::Timestamp;
use sqlx::any::AnyRow;
use sqlx::{Any, AssertSqlSafe, Executor};

impl Format {
    /// As stored and in JSON.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::JsonFeed => "json_feed",
            Self::Ndjson => "ndjson",
        }
    }

    fn stored(text: &str) -> Result<Self, Error> {
        [Self::JsonFeed, Self::Ndjson]
            .into_iter()
            .find(|f| f.as_str() == text)
            .ok_or_else(|| Error::corrupt(format!("{text:?} is no format of a feed")))
    }
}

impl State {
    /// As stored and in JSON.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Active => "active",
            Self::Resting => "resting",
            Self::Failed => "failed",
        }
    }

    fn stored(text: &str) -> Result<Self, Error> {
        [Self::Active, Self::Resting, Self::Failed]
            .into_iter()
            .find(|s| s.as_str() == text)
            .ok_or_else(|| Error::corrupt(format!("{text:?} is no state of a feed")))
    }
}

/// A feed.
#[derive(Debug, Clone, PartialEq)]
pub struct Feed {
    /// The account it belongs to: a worker polls feeds of all.
    pub account: String,
    /// Given by the caller, ordered by time.
    pub id: String,
    /// Its own, from 1; moves with each poll.
    pub revision: i64,
    /// Where it is fetched from; none where its items are sent.
    pub url: Option<String>,
    /// How it is written.
    pub format: Format,
    /// Seconds between polls; none without a URL.
    pub every_s: Option<u32>,
    /// What its items are filled up with, as JSON.
    pub defaults: Option<String>,
    /// When it was saved.
    pub created_at: Timestamp,
    /// When a poll last ended.
    pub last_polled_at: Option<Timestamp>,
    /// What is known of its polls.
    pub schedule: Schedule,
    /// What its server gave to ask again by.
    pub validators: Validators,
    /// What came of the items of the last poll that brought any, as JSON.
    pub last_items: Option<String>,
}

/// A feed to save.
#[derive(Debug, Clone, Copy)]
pub struct NewFeed<'a> {
    /// Given by the caller, ordered by time.
    pub id: &'a str,
    /// Where it is fetched from; none where its items are sent.
    pub url: Option<&'a str>,
    /// How it is written.
    pub format: Format,
    /// Seconds between polls; none without a URL.
    pub every_s: Option<u32>,
    /// What its items are filled up with, as JSON.
    pub defaults: Option<&'a str>,
    /// When it is saved, and with a URL due.
    pub at: Timestamp,
}

/// How a poll ended.
#[derive(Debug, Clone, Copy)]
pub struct PollEnd<'a> {
    /// When.
    pub at: Timestamp,
    /// What is known of the feed's polls now.
    pub schedule: &'a Schedule,
    /// What its server gave to ask again by.
    pub validators: &'a Validators,
    /// What came of its items, as JSON; none where the poll brought none.
    pub items: Option<&'a str>,
}

/// What a feed last said of an item.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FeedItem {
    /// The feed.
    pub feed: String,
    /// The item's id in it.
    pub item: String,
    /// Of the request as it came.
    pub digest: String,
    /// The request as it came.
    pub request: String,
}

impl Store {
    /// A feed.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn feed(&self, account: &str, id: &str) -> Result<Feed, Error> {
        read_feed(&self.row("feed", account, id).await?)
    }

    /// Feeds by id, after one (`""`: from the first).
    ///
    /// # Errors
    /// If the database fails.
    pub async fn feeds(&self, account: &str, after: &str, limit: u32) -> Result<Vec<Feed>, Error> {
        self.rows("feed", account, after, limit).await?.iter().map(read_feed).collect()
    }

    /// Takes the feed that is due longest and that nobody holds, until a time.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn claim_feed(&self, owner: &str, now: Timestamp, until: Timestamp) -> Result<Option<Feed>, Error> {
        const DUE: &str = "state = 'active' AND next_poll_at <= $1 AND (lease_until IS NULL OR lease_until < $1)";
        // Mostly nothing is due: looking needs no turn among SQLite's writers.
        let due = sqlx::query(AssertSqlSafe(format!("SELECT 1 AS due FROM feeds WHERE {DUE} LIMIT 1")))
            .bind(time_text(now))
            .fetch_optional(&self.reads)
            .await?;
        if due.is_none() {
            return Ok(None);
        }
        let sql = format!(
            "UPDATE feeds SET lease_owner = $2, lease_until = $3
             WHERE (account, id) =
                 (SELECT account, id FROM feeds WHERE {DUE} ORDER BY next_poll_at, account, id LIMIT 1 {})
             RETURNING *",
            self.engine.skip_locked()
        );
        let rows = sqlx::query(AssertSqlSafe(sql))
            .bind(time_text(now))
            .bind(owner)
            .bind(time_text(until))
            .fetch_all(&self.writes)
            .await?;
        rows.first().map(read_feed).transpose()
    }

    /// Takes one feed, due or not, until a time; none while another holds it.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn claim_feed_now(
        &self,
        account: &str,
        id: &str,
        owner: &str,
        now: Timestamp,
        until: Timestamp,
    ) -> Result<Option<Feed>, Error> {
        let rows = sqlx::query(
            "UPDATE feeds SET lease_owner = $3, lease_until = $5
             WHERE account = $1 AND id = $2 AND (lease_until IS NULL OR lease_until < $4)
             RETURNING *",
        )
        .bind(account)
        .bind(id)
        .bind(owner)
        .bind(time_text(now))
        .bind(time_text(until))
        .fetch_all(&self.writes)
        .await?;
        match rows.first() {
            Some(row) => Ok(Some(read_feed(row)?)),
            None => self.feed(account, id).await.map(|_| None),
        }
    }

    /// Keeps a feed until a later time.
    ///
    /// # Errors
    /// A conflict if the lease is lost; or if the database fails.
    pub async fn renew_feed(&self, feed: &Feed, owner: &str, until: Timestamp) -> Result<(), Error> {
        let renewed =
            sqlx::query("UPDATE feeds SET lease_until = $4 WHERE account = $1 AND id = $2 AND lease_owner = $3")
                .bind(&feed.account)
                .bind(&feed.id)
                .bind(owner)
                .bind(time_text(until))
                .execute(&self.writes)
                .await?;
        if renewed.rows_affected() == 0 { Err(lost(&feed.id)) } else { Ok(()) }
    }

    /// Lets go of a feed and notes what came of the poll.
    ///
    /// # Errors
    /// A conflict if the lease is lost; or if the database fails.
    pub async fn end_poll(&self, feed: &Feed, owner: &str, end: &PollEnd<'_>) -> Result<(), Error> {
        end_poll(&self.writes, &feed.account, &feed.id, owner, end).await
    }

    /// What a feed last said of an item.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn feed_item(&self, account: &str, feed: &str, item: &str) -> Result<Option<FeedItem>, Error> {
        sqlx::query("SELECT * FROM feed_items WHERE account = $1 AND feed = $2 AND item = $3")
            .bind(account)
            .bind(feed)
            .bind(item)
            .fetch_optional(&self.reads)
            .await?
            .as_ref()
            .map(read_item)
            .transpose()
    }
}

impl Write {
    /// Saves a feed, due at once if it has a URL.
    ///
    /// # Errors
    /// A conflict if there is one of that id or URL; or if the database fails.
    pub async fn add_feed(&mut self, feed: &NewFeed<'_>) -> Result<(), Error> {
        let added = sqlx::query(
            "INSERT INTO feeds
                 (account, id, revision, url, format, every_s, state, failures, created_at, next_poll_at, defaults)
             VALUES ($1, $2, 1, $3, $4, $5, 'active', 0, $6, $7, $8) ON CONFLICT DO NOTHING",
        )
        .bind(&self.account)
        .bind(feed.id)
        .bind(feed.url)
        .bind(feed.format.as_str())
        .bind(feed.every_s.map(i64::from))
        .bind(time_text(feed.at))
        .bind(feed.url.map(|_| time_text(feed.at)))
        .bind(feed.defaults)
        .execute(&mut *self.tx)
        .await?;
        if added.rows_affected() > 0 {
            return Ok(());
        }
        let there = sqlx::query("SELECT id FROM feeds WHERE account = $1 AND url = $2")
            .bind(&self.account)
            .bind(feed.url)
            .fetch_optional(&mut *self.tx)
            .await?;
        let id = there.map_or_else(|| Ok(feed.id.to_owned()), |row| row.text("id"))?;
        Err(Error::conflict(format!("the feed {id:?} is there already")))
    }

    /// Another feed of a URL.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn other_feed_of(&mut self, url: &str, id: &str) -> Result<Option<String>, Error> {
        let row = sqlx::query("SELECT id FROM feeds WHERE account = $1 AND url = $2 AND id <> $3")
            .bind(&self.account)
            .bind(url)
            .bind(id)
            .fetch_optional(&mut *self.tx)
            .await?;
        row.map(|row| row.text("id")).transpose()
    }

    /// Changes a feed: it is active, and due at once if it has a URL, and asks for all of it again. What it
    /// said of its items stays known. False while it is being polled.
    ///
    /// # Errors
    /// If the database fails, as when another feed has its URL.
    pub async fn change_feed(&mut self, feed: &NewFeed<'_>) -> Result<bool, Error> {
        let changed = sqlx::query(
            "UPDATE feeds SET revision = revision + 1, url = $3, format = $4, every_s = $5, defaults = $6,
                 state = 'active', failures = 0, next_poll_at = $7, last_error = NULL, etag = NULL, last_modified = NULL,
                 lease_owner = NULL, lease_until = NULL
             WHERE account = $1 AND id = $2 AND (lease_until IS NULL OR lease_until < $8)",
        )
        .bind(&self.account)
        .bind(feed.id)
        .bind(feed.url)
        .bind(feed.format.as_str())
        .bind(feed.every_s.map(i64::from))
        .bind(feed.defaults)
        .bind(feed.url.map(|_| time_text(feed.at)))
        .bind(time_text(feed.at))
        .execute(&mut *self.tx)
        .await?;
        Ok(changed.rows_affected() > 0)
    }

    /// Checks what is asked of a feed before it is changed.
    ///
    /// # Errors
    /// Not found; a conflict if the precondition fails; or if the database fails.
    pub async fn expect_feed(&mut self, id: &str, precondition: Precondition) -> Result<(), Error> {
        let row = sqlx::query("SELECT revision FROM feeds WHERE account = $1 AND id = $2")
            .bind(&self.account)
            .bind(id)
            .fetch_optional(&mut *self.tx)
            .await?;
        let Some(row) = row else { return Err(Error::not_found("feed", id)) };
        precondition.check(Some(row.int("revision")?), "feed", id)
    }

    /// Deletes a feed and what it said of its items. Their listings stay.
    ///
    /// # Errors
    /// Not found; a conflict if the precondition fails; or if the database fails.
    pub async fn delete_feed(&mut self, id: &str, precondition: Precondition) -> Result<(), Error> {
        self.expect_feed(id, precondition).await?;
        sqlx::query("DELETE FROM feeds WHERE account = $1 AND id = $2")
            .bind(&self.account)
            .bind(id)
            .execute(&mut *self.tx)
            .await?;
        Ok(())
    }

    /// As [`Store::end_poll`], together with what is told of it.
    ///
    /// # Errors
    /// A conflict if the lease is lost: do not commit then; or if the database fails.
    pub async fn end_poll(&mut self, id: &str, owner: &str, end: &PollEnd<'_>) -> Result<(), Error> {
        end_poll(&mut *self.tx, &self.account, id, owner, end).await
    }

    /// Keeps what a feed says of an item now.
    ///
    /// # Errors
    /// Not found if there is no such feed; or if the database fails.
    pub async fn put_feed_item(&mut self, item: &FeedItem, seller: Option<&str>) -> Result<(), Error> {
        let kept = sqlx::query(
            "INSERT INTO feed_items (account, feed, item, digest, seller, request)
             SELECT account, id, $3, $4, $5, $6 FROM feeds WHERE account = $1 AND id = $2
             ON CONFLICT (account, feed, item)
             DO UPDATE SET digest = excluded.digest, seller = excluded.seller, request = excluded.request",
        )
        .bind(&self.account)
        .bind(&item.feed)
        .bind(&item.item)
        .bind(&item.digest)
        .bind(seller)
        .bind(&item.request)
        .execute(&mut *self.tx)
        .await?;
        if kept.rows_affected() == 0 { Err(Error::not_found("feed", &item.feed)) } else { Ok(()) }
    }

    /// Forgets what is noted of refused items: their faults may name a seller.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn forget_refusals(&mut self) -> Result<(), Error> {
        sqlx::query(
            "UPDATE feeds SET last_items = NULL, revision = revision + 1 WHERE account = $1 AND last_items IS NOT NULL",
        )
        .bind(&self.account)
        .execute(&mut *self.tx)
        .await?;
        Ok(())
    }

    /// What feeds said of the items of a seller.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn feed_items_of(&mut self, seller: &str) -> Result<Vec<FeedItem>, Error> {
        sqlx::query("SELECT * FROM feed_items WHERE account = $1 AND seller = $2 ORDER BY feed, item")
            .bind(&self.account)
            .bind(seller)
            .fetch_all(&mut *self.tx)
            .await?
            .iter()
            .map(read_item)
            .collect()
    }
}

async fn end_poll<'c>(
    on: impl Executor<'c, Database = Any>,
    account: &str,
    id: &str,
    owner: &str,
    end: &PollEnd<'_>,
) -> Result<(), Error> {
    let ended = sqlx::query(
        "UPDATE feeds SET revision = revision + 1, state = $4, failures = $5, last_polled_at = $6, next_poll_at = $7,
             last_error = $8, etag = $9, last_modified = $10, last_items = coalesce($11, last_items),
             lease_owner = NULL, lease_until = NULL
         WHERE account = $1 AND id = $2 AND lease_owner = $3",
    )
    .bind(account)
    .bind(id)
    .bind(owner)
    .bind(end.schedule.state.as_str())
    .bind(i64::from(end.schedule.failures))
    .bind(time_text(end.at))
    .bind(end.schedule.next_poll_at.map(time_text))
    .bind(&end.schedule.last_error)
    .bind(&end.validators.etag)
    .bind(&end.validators.last_modified)
    .bind(end.items)
    .execute(on)
    .await?;
    if ended.rows_affected() == 0 { Err(lost(id)) } else { Ok(()) }
}

fn lost(id: &str) -> Error {
    Error::conflict(format!("feed {id:?} is not held by this worker"))
}

pub(super) fn read_feed(row: &AnyRow) -> Result<Feed, Error> {
    let number = |name, n: i64| u32::try_from(n).map_err(|_| Error::corrupt(format!("{name} {n} of a feed")));
    Ok(Feed {
        account: row.text("account")?,
        id: row.text("id")?,
        revision: row.int("revision")?,
        url: row.text_or_null("url")?,
        format: Format::stored(&row.text("format")?)?,
        every_s: row.int_or_null("every_s")?.map(|n| number("every_s", n)).transpose()?,
        defaults: row.text_or_null("defaults")?,
        created_at: row.time("created_at")?,
        last_polled_at: time_or_null(row, "last_polled_at")?,
        schedule: Schedule {
            state: State::stored(&row.text("state")?)?,
            failures: number("failures", row.int("failures")?)?,
            next_poll_at: time_or_null(row, "next_poll_at")?,
            last_error: row.text_or_null("last_error")?,
        },
        validators: Validators { etag: row.text_or_null("etag")?, last_modified: row.text_or_null("last_modified")? },
        last_items: row.text_or_null("last_items")?,
    })
}

fn time_or_null(row: &AnyRow, name: &str) -> Result<Option<Timestamp>, Error> {
    if row.text_or_null(name)?.is_none() { Ok(None) } else { row.time(name).map(Some) }
}

fn read_item(row: &AnyRow) -> Result<FeedItem, Error> {
    Ok(FeedItem {
        feed: row.text("feed")?,
        item: row.text("item")?,
        digest: row.text("digest")?,
        request: row.text("request")?,
    })
}

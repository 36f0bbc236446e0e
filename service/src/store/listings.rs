//! Saved listings, and what was thought of each at every revision.
//!
//! An assessment is current from its `first_revision` to its `last_revision`, so a page "as of
//! revision R" stays the same while re-assessments move the keys it is sorted by.

use super::columns::{Columns as _, only, time_text};
use super::{Error, Precondition, Store, Write};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row as _};

/// What became of a listing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// Still offered.
    Open,
    /// No longer offered.
    Ended,
    /// Bought by the user.
    Bought,
    /// Left by the user.
    Passed,
}

impl Status {
    /// As stored and in JSON.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Ended => "ended",
            Self::Bought => "bought",
            Self::Passed => "passed",
        }
    }

    pub(super) fn read(text: &str) -> Result<Self, Error> {
        [Self::Open, Self::Ended, Self::Bought, Self::Passed]
            .into_iter()
            .find(|s| s.as_str() == text)
            .ok_or_else(|| Error::corrupt(format!("{text:?} is no status of a listing")))
    }
}

/// A saved listing with its newest assessment, or the one at the revision asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Listing {
    /// Given by the user.
    pub id: String,
    /// Of the last write to it or its assessments: what `If-Match` compares.
    pub revision: i64,
    /// What became of it.
    pub status: Status,
    /// The request, as given.
    pub request: String,
    /// Who offers it.
    pub seller: Option<String>,
    /// The number on its movement or case, as numbers are compared.
    pub serial: Option<String>,
    /// When it was first saved.
    pub saved_at: Timestamp,
    /// When it was last put.
    pub updated_at: Timestamp,
    /// None only after an import, until it is assessed again.
    pub assessment: Option<Assessment>,
}

/// What was thought of a listing.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// The first revision at which it was current.
    pub first_revision: i64,
    /// The last one; none while it is current.
    pub last_revision: Option<i64>,
    /// Version of the model.
    pub model: String,
    /// When it was made.
    pub at: Timestamp,
    /// What was used of the seller, as JSON.
    pub seller_used: String,
    /// The revision of the stored reference book that was used; none: it was not noted.
    pub book_revision: Option<i64>,
    /// Digest of the other reference book that was used, if there was one.
    pub own_book: Option<String>,
    /// The assessment as JSON.
    pub body: String,
    /// What lists are sorted by.
    pub keys: Keys,
}

/// An assessment with the request it was made of.
#[derive(Debug, Clone, PartialEq)]
pub struct PastAssessment {
    /// The assessment.
    pub assessment: Assessment,
    /// The listing's request as it then was.
    pub request: String,
}

/// A request that a listing once had.
#[derive(Debug, Clone, PartialEq)]
pub struct PastRequest {
    /// The listing.
    pub listing: String,
    /// The last revision at which it was the listing's.
    pub last_revision: i64,
    /// The request, as given.
    pub request: String,
}

/// What came of saving a listing.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Put {
    /// Whether there was none of that id.
    pub created: bool,
    /// Sellers who lost an outcome of the listing to its seller.
    pub lost_outcomes: Vec<String>,
}

/// What lists of listings are sorted by; infinities and NaN are kept as none.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Keys {
    /// Expected net, in the currency's main unit.
    pub expected_net: Option<f64>,
    /// Expected net by landed cost.
    pub net_per_stake: Option<f64>,
    /// Worth of the best question.
    pub ask_worth: Option<f64>,
    /// P(bad).
    pub bad: Option<f64>,
}

/// A listing to save.
#[derive(Debug, Clone, Copy)]
pub struct NewListing<'a> {
    /// Given by the user.
    pub id: &'a str,
    /// What became of it.
    pub status: Status,
    /// The request, as given.
    pub request: &'a str,
    /// Who offers it.
    pub seller: Option<&'a str>,
    /// The number on its movement or case, as numbers are compared.
    pub serial: Option<&'a str>,
    /// Digests of its photos, by which the same photo is found elsewhere.
    pub photos: &'a [String],
    /// When it is saved.
    pub at: Timestamp,
}

/// An assessment to keep.
#[derive(Debug, Clone, Copy)]
pub struct NewAssessment<'a> {
    /// Version of the model.
    pub model: &'a str,
    /// When it was made.
    pub at: Timestamp,
    /// What was used of the seller, as JSON.
    pub seller_used: &'a str,
    /// The revision of the stored reference book that was used.
    pub book_revision: i64,
    /// Digest of the other reference book that was used, if there was one.
    pub own_book: Option<&'a str>,
    /// The assessment as JSON.
    pub body: &'a str,
    /// What lists are sorted by.
    pub keys: Keys,
}

/// What a list is sorted by; nulls come last in either direction, ties go by id.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Sort {
    /// First saved.
    #[default]
    SavedAt,
    /// [`Keys::expected_net`].
    ExpectedNet,
    /// [`Keys::net_per_stake`].
    NetPerStake,
    /// [`Keys::ask_worth`].
    AskWorth,
    /// [`Keys::bad`].
    Bad,
}

impl Sort {
    fn column(self) -> &'static str {
        match self {
            Self::SavedAt => "l.saved_at",
            Self::ExpectedNet => "a.expected_net",
            Self::NetPerStake => "a.net_per_stake",
            Self::AskWorth => "a.ask_worth",
            Self::Bad => "a.bad",
        }
    }
}

/// Which listings, in which order.
#[derive(Debug, Clone, Default)]
pub struct ListingQuery {
    /// What they are sorted by.
    pub sort: Sort,
    /// Largest first.
    pub descending: bool,
    /// Only of this status.
    pub status: Option<Status>,
    /// Only of this seller.
    pub seller: Option<String>,
    /// After this place, at its revision; none for the first page at the newest.
    pub after: Option<Cursor>,
    /// At most so many.
    pub limit: u32,
}

/// A place in a walk through listings. It holds for the same sort and filters only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cursor {
    sort: Sort,
    descending: bool,
    status: Option<Status>,
    seller: Option<String>,
    revision: i64,
    key: Option<Key>,
    id: String,
}

impl Cursor {
    fn after(last: &Listing, query: &ListingQuery, revision: i64) -> Self {
        let keys = last.assessment.as_ref().map(|a| a.keys).unwrap_or_default();
        let key = match query.sort {
            Sort::SavedAt => Some(Key::Time(time_text(last.saved_at))),
            Sort::ExpectedNet => keys.expected_net.map(Key::Number),
            Sort::NetPerStake => keys.net_per_stake.map(Key::Number),
            Sort::AskWorth => keys.ask_worth.map(Key::Number),
            Sort::Bad => keys.bad.map(Key::Number),
        };
        Self {
            sort: query.sort,
            descending: query.descending,
            status: query.status,
            seller: query.seller.clone(),
            revision,
            key,
            id: last.id.clone(),
        }
    }

    /// Whether it comes from such a query, and its key is of the kind that is sorted by.
    fn is_of(&self, query: &ListingQuery) -> bool {
        (self.sort, self.descending, self.status, &self.seller)
            == (query.sort, query.descending, query.status, &query.seller)
            && matches!(self.key, Some(Key::Time(_))) == (self.sort == Sort::SavedAt)
    }
}

/// The key of the last listing seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
enum Key {
    Number(f64),
    Time(String),
}

/// Some listings.
#[derive(Debug, Clone, PartialEq)]
pub struct ListingPage {
    /// The revision walked.
    pub revision: i64,
    /// The listings, each with its assessment at that revision.
    pub items: Vec<Listing>,
    /// Where to go on; none at the end.
    pub next: Option<Cursor>,
}

pub(super) const COLUMNS: &str = "l.id, l.revision, l.status, l.request, l.seller, l.serial, l.saved_at, l.updated_at,
    a.first_revision, a.last_revision, a.model, a.at, a.seller_used, a.book_revision, a.own_book, a.body,
    a.expected_net, a.net_per_stake, a.ask_worth, a.bad";

/// A listing beside the assessment that is current.
pub(super) const WITH_CURRENT: &str = "FROM listings l LEFT JOIN assessments a
    ON a.account = l.account AND a.listing = l.id AND a.last_revision IS NULL";

/// Assessments of a listing, each with the request that was the listing's at the time.
const PAST: &str = "SELECT a.*, coalesce(
        (SELECT p.request FROM past_requests p
         WHERE p.account = a.account AND p.listing = a.listing AND p.last_revision >= a.first_revision
         ORDER BY p.last_revision LIMIT 1),
        (SELECT l.request FROM listings l WHERE l.account = a.account AND l.id = a.listing)) AS request
    FROM assessments a WHERE a.account = $1 AND a.listing = $2";

impl Store {
    /// A listing with its newest assessment.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn listing(&self, account: &str, id: &str) -> Result<Listing, Error> {
        let sql = format!("SELECT {COLUMNS} {WITH_CURRENT} WHERE l.account = $1 AND l.id = $2");
        let row = sqlx::query(AssertSqlSafe(sql)).bind(account).bind(id).fetch_optional(&self.reads).await?;
        read_listing(&row.ok_or_else(|| Error::not_found("listing", id))?)
    }

    /// A page of listings as of one revision. What was deleted meanwhile is missing; filters look
    /// at what the listing says now.
    ///
    /// # Errors
    /// A conflict if the cursor comes from another query; or if the database fails.
    pub async fn listings(&self, account: &str, query: &ListingQuery) -> Result<ListingPage, Error> {
        let revision = match &query.after {
            Some(cursor) if cursor.is_of(query) => cursor.revision,
            Some(_) => return Err(Error::conflict("the cursor belongs to another query")),
            None => self.revision(account).await?,
        };
        let key = query.sort.column();
        let (direction, beyond) = if query.descending { ("DESC", "<") } else { ("ASC", ">") };
        let after = match &query.after {
            None => String::new(),
            Some(Cursor { key: None, .. }) => format!("AND {key} IS NULL AND l.id > $6"),
            Some(_) => format!("AND ({key} {beyond} $7 OR ({key} = $7 AND l.id > $6) OR {key} IS NULL)"),
        };
        // The page is chosen by its keys before any long text is read.
        let sql = format!(
            "WITH page AS
                 (SELECT l.id, a.first_revision FROM listings l LEFT JOIN assessments a
                      ON a.account = l.account AND a.listing = l.id
                      AND a.first_revision <= $2 AND (a.last_revision IS NULL OR a.last_revision >= $2)
                  WHERE l.account = $1 AND l.first_revision <= $2 AND {} AND {} {after}
                  ORDER BY {key} IS NULL, {key} {direction}, l.id
                  LIMIT $5)
             SELECT {COLUMNS} FROM page JOIN listings l ON l.account = $1 AND l.id = page.id
                 LEFT JOIN assessments a ON a.account = $1 AND a.listing = page.id
                 AND a.first_revision = page.first_revision
             ORDER BY {key} IS NULL, {key} {direction}, l.id",
            only("l.status", "$3", query.status.as_ref()),
            only("l.seller", "$4", query.seller.as_ref()),
        );
        let mut page = sqlx::query(AssertSqlSafe(sql))
            .bind(account)
            .bind(revision)
            .bind(query.status.map(Status::as_str))
            .bind(query.seller.as_deref())
            // One more tells whether there is a next page.
            .bind(i64::from(query.limit) + 1);
        if let Some(cursor) = &query.after {
            page = page.bind(&cursor.id);
            page = match &cursor.key {
                Some(Key::Number(number)) => page.bind(*number),
                Some(Key::Time(time)) => page.bind(time),
                None => page,
            };
        }
        let rows = page.fetch_all(&self.reads).await?;
        let more = rows.len() as u64 > u64::from(query.limit);
        let items: Vec<Listing> = rows.iter().take(query.limit as usize).map(read_listing).collect::<Result<_, _>>()?;
        let next = items.last().filter(|_| more).map(|last| Cursor::after(last, query, revision));
        Ok(ListingPage { revision, items, next })
    }

    /// A seller's listings by id, after one (`""`: from the first): with their newest assessments, or for
    /// whom these say nothing without them, since they are long.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn listings_of(
        &self,
        account: &str,
        seller: &str,
        assessed: bool,
        after: &str,
        limit: u32,
    ) -> Result<Vec<Listing>, Error> {
        let what = if assessed {
            format!("{COLUMNS} {WITH_CURRENT}")
        } else {
            "l.id, l.revision, l.status, l.request, l.seller, l.serial, l.saved_at, l.updated_at,
                 CAST(NULL AS BIGINT) AS first_revision FROM listings l"
                .into()
        };
        let sql = format!("SELECT {what} WHERE l.account = $1 AND l.seller = $2 AND l.id > $3 ORDER BY l.id LIMIT $4");
        sqlx::query(AssertSqlSafe(sql))
            .bind(account)
            .bind(seller)
            .bind(after)
            .bind(i64::from(limit))
            .fetch_all(&self.reads)
            .await?
            .iter()
            .map(read_listing)
            .collect()
    }

    /// The request that a listing had at a revision, which was written at a time, and when that was put;
    /// none if it has it still. Past requests that were imported know no revisions: of these the newest
    /// put by then, else the oldest.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn request_at(
        &self,
        account: &str,
        listing: &str,
        revision: i64,
        at: Timestamp,
    ) -> Result<Option<(String, Timestamp)>, Error> {
        let sql = "SELECT last_revision, request, updated_at FROM past_requests
             WHERE account = $1 AND listing = $2 AND (last_revision >= $3 OR last_revision < 0)
             ORDER BY last_revision";
        let rows = sqlx::query(sql).bind(account).bind(listing).bind(revision).fetch_all(&self.reads).await?;
        let mut imported: Option<(String, Timestamp)> = None;
        for row in rows {
            let past = (row.text("request")?, row.time("updated_at")?);
            if row.int("last_revision")? >= 0 {
                return Ok(Some(imported.filter(|_| past.1 > at).unwrap_or(past)));
            }
            if imported.is_none() || past.1 <= at {
                imported = Some(past);
            }
        }
        Ok(imported)
    }

    /// Everything that was ever thought of a listing, newest first, before a revision (none: from
    /// the newest).
    ///
    /// # Errors
    /// If the database fails.
    pub async fn assessments(
        &self,
        account: &str,
        listing: &str,
        before: Option<i64>,
        limit: u32,
    ) -> Result<Vec<PastAssessment>, Error> {
        let sql = format!("{PAST} AND a.first_revision < $3 ORDER BY a.first_revision DESC LIMIT $4");
        sqlx::query(AssertSqlSafe(sql))
            .bind(account)
            .bind(listing)
            .bind(before.unwrap_or(i64::MAX))
            .bind(i64::from(limit))
            .fetch_all(&self.reads)
            .await?
            .iter()
            .map(read_past)
            .collect()
    }

    /// What was thought of a listing from a revision on.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn assessment(&self, account: &str, listing: &str, first_revision: i64) -> Result<PastAssessment, Error> {
        let row = sqlx::query(AssertSqlSafe(format!("{PAST} AND a.first_revision = $3")))
            .bind(account)
            .bind(listing)
            .bind(first_revision)
            .fetch_optional(&self.reads)
            .await?;
        let missing = || Error::not_found("assessment", &format!("{first_revision} of listing {listing}"));
        read_past(&row.ok_or_else(missing)?)
    }
}

impl Write {
    /// Saves a listing with its assessment. The request it had before is kept.
    ///
    /// # Errors
    /// A conflict if the precondition fails; or if the database fails.
    pub async fn put_listing(
        &mut self,
        listing: &NewListing<'_>,
        assessment: &NewAssessment<'_>,
        precondition: Precondition,
    ) -> Result<Put, Error> {
        let before = self.listing_revision(listing.id).await?;
        precondition.check(before, "listing", listing.id)?;
        sqlx::query(
            "INSERT INTO past_requests (account, listing, last_revision, seller, updated_at, request)
             SELECT account, id, $3, seller, updated_at, request FROM listings
             WHERE account = $1 AND id = $2 AND request <> $4 AND revision <= $3
             ON CONFLICT DO NOTHING",
        )
        .bind(&self.account)
        .bind(listing.id)
        .bind(self.revision - 1)
        .bind(listing.request)
        .execute(&mut *self.tx)
        .await?;
        sqlx::query(
            "INSERT INTO listings (account, id, first_revision, revision, status, request, seller, serial, saved_at, updated_at)
             VALUES ($1, $2, $3, $3, $4, $5, $6, $7, $8, $8)
             ON CONFLICT (account, id) DO UPDATE SET revision = excluded.revision, status = excluded.status,
                 request = excluded.request, seller = excluded.seller, serial = excluded.serial,
                 updated_at = excluded.updated_at",
        )
        .bind(&self.account)
        .bind(listing.id)
        .bind(self.revision)
        .bind(listing.status.as_str())
        .bind(listing.request)
        .bind(listing.seller)
        .bind(listing.serial)
        .bind(time_text(listing.at))
        .execute(&mut *self.tx)
        .await?;
        self.put_photos(listing.id, listing.photos).await?;
        let lost_outcomes = self.give_outcomes(listing.id, listing.seller).await?;
        self.keep_assessment(listing.id, assessment).await?;
        Ok(Put { created: before.is_none(), lost_outcomes })
    }

    /// Outcomes remember the seller, since they outlive the listing. Gives those who had them before.
    async fn give_outcomes(&mut self, listing: &str, seller: Option<&str>) -> Result<Vec<String>, Error> {
        let had = sqlx::query("SELECT DISTINCT seller FROM outcomes WHERE account = $1 AND listing = $2")
            .bind(&self.account)
            .bind(listing)
            .fetch_all(&mut *self.tx)
            .await?;
        if had.is_empty() {
            return Ok(Vec::new());
        }
        sqlx::query("UPDATE outcomes SET seller = $3 WHERE account = $1 AND listing = $2")
            .bind(&self.account)
            .bind(listing)
            .bind(seller)
            .execute(&mut *self.tx)
            .await?;
        let had = had.iter().map(|row| row.text_or_null("seller")).collect::<Result<Vec<_>, _>>()?;
        Ok(had.into_iter().flatten().filter(|had| Some(had.as_str()) != seller).collect())
    }

    /// A listing with its newest assessment, as nobody else changes it until the commit.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn listing(&mut self, id: &str) -> Result<Option<Listing>, Error> {
        let sql = format!("SELECT {COLUMNS} {WITH_CURRENT} WHERE l.account = $1 AND l.id = $2");
        let row = sqlx::query(AssertSqlSafe(sql)).bind(&self.account).bind(id).fetch_optional(&mut *self.tx).await?;
        row.as_ref().map(read_listing).transpose()
    }

    /// Keeps a new assessment of a listing as it was at a revision. False, and nothing is done, if
    /// the listing is gone or was written to since: whoever did that assessed it with newer data.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn reassess(
        &mut self,
        listing: &str,
        revision: i64,
        assessment: &NewAssessment<'_>,
    ) -> Result<bool, Error> {
        let touched = sqlx::query("UPDATE listings SET revision = $4 WHERE account = $1 AND id = $2 AND revision = $3")
            .bind(&self.account)
            .bind(listing)
            .bind(revision)
            .bind(self.revision)
            .execute(&mut *self.tx)
            .await?;
        if touched.rows_affected() == 0 {
            return Ok(false);
        }
        self.keep_assessment(listing, assessment).await?;
        Ok(true)
    }

    /// Puts another request in the place of a listing's own: one that no longer names a forgotten
    /// seller. Nothing is done if there is no such listing.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn put_request(&mut self, listing: &str, request: &str) -> Result<(), Error> {
        sqlx::query("UPDATE listings SET request = $3, revision = $4 WHERE account = $1 AND id = $2")
            .bind(&self.account)
            .bind(listing)
            .bind(request)
            .bind(self.revision)
            .execute(&mut *self.tx)
            .await?;
        Ok(())
    }

    /// Requests of the past that name a seller.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn past_requests_of(&mut self, seller: &str) -> Result<Vec<PastRequest>, Error> {
        sqlx::query("SELECT * FROM past_requests WHERE account = $1 AND seller = $2 ORDER BY listing, last_revision")
            .bind(&self.account)
            .bind(seller)
            .fetch_all(&mut *self.tx)
            .await?
            .iter()
            .map(|row| {
                Ok(PastRequest {
                    listing: row.text("listing")?,
                    last_revision: row.int("last_revision")?,
                    request: row.text("request")?,
                })
            })
            .collect()
    }

    /// Puts another request in the place of a past one: one that no longer names a forgotten seller.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn put_past_request(&mut self, past: &PastRequest) -> Result<(), Error> {
        sqlx::query(
            "UPDATE past_requests SET request = $4, seller = NULL
             WHERE account = $1 AND listing = $2 AND last_revision = $3",
        )
        .bind(&self.account)
        .bind(&past.listing)
        .bind(past.last_revision)
        .bind(&past.request)
        .execute(&mut *self.tx)
        .await?;
        Ok(())
    }

    /// Deletes a listing and its assessments. Its outcomes stay. Gives the seller that it named.
    ///
    /// # Errors
    /// Not found; a conflict if the precondition fails; or if the database fails.
    pub async fn delete_listing(&mut self, id: &str, precondition: Precondition) -> Result<Option<String>, Error> {
        let before = self.listing_revision(id).await?;
        if before.is_none() {
            return Err(Error::not_found("listing", id));
        }
        precondition.check(before, "listing", id)?;
        let row = sqlx::query("DELETE FROM listings WHERE account = $1 AND id = $2 RETURNING seller")
            .bind(&self.account)
            .bind(id)
            .fetch_one(&mut *self.tx)
            .await?;
        row.text_or_null("seller")
    }

    pub(super) async fn listing_revision(&mut self, id: &str) -> Result<Option<i64>, Error> {
        let row = sqlx::query("SELECT revision FROM listings WHERE account = $1 AND id = $2")
            .bind(&self.account)
            .bind(id)
            .fetch_optional(&mut *self.tx)
            .await?;
        row.map(|row| row.int("revision")).transpose()
    }

    /// Puts a listing's photos in place of those it had.
    pub(super) async fn put_photos(&mut self, listing: &str, digests: &[String]) -> Result<(), Error> {
        sqlx::query("DELETE FROM listing_photos WHERE account = $1 AND listing = $2")
            .bind(&self.account)
            .bind(listing)
            .execute(&mut *self.tx)
            .await?;
        for digest in digests {
            sqlx::query(
                "INSERT INTO listing_photos (account, listing, digest) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING",
            )
            .bind(&self.account)
            .bind(listing)
            .bind(digest)
            .execute(&mut *self.tx)
            .await?;
        }
        Ok(())
    }

    async fn keep_assessment(&mut self, listing: &str, assessment: &NewAssessment<'_>) -> Result<(), Error> {
        sqlx::query(
            "UPDATE assessments SET last_revision = $3 - 1
             WHERE account = $1 AND listing = $2 AND last_revision IS NULL AND first_revision < $3",
        )
        .bind(&self.account)
        .bind(listing)
        .bind(self.revision)
        .execute(&mut *self.tx)
        .await?;
        sqlx::query(
            "INSERT INTO assessments (account, listing, first_revision, model, at, seller_used, body,
                 expected_net, net_per_stake, ask_worth, bad, book_revision, own_book)
             VALUES ($1, $2, $3, $4, $5, $6, $7, nullif($8, 'NaN'), nullif($9, 'NaN'), nullif($10, 'NaN'), nullif($11, 'NaN'),
                 $12, $13)
             ON CONFLICT (account, listing, first_revision) DO UPDATE SET model = excluded.model, at = excluded.at,
                 seller_used = excluded.seller_used, body = excluded.body, expected_net = excluded.expected_net,
                 net_per_stake = excluded.net_per_stake, ask_worth = excluded.ask_worth, bad = excluded.bad,
                 book_revision = excluded.book_revision, own_book = excluded.own_book",
        )
        .bind(&self.account)
        .bind(listing)
        .bind(self.revision)
        .bind(assessment.model)
        .bind(time_text(assessment.at))
        .bind(assessment.seller_used)
        .bind(assessment.body)
        .bind(nan_if_none(assessment.keys.expected_net))
        .bind(nan_if_none(assessment.keys.net_per_stake))
        .bind(nan_if_none(assessment.keys.ask_worth))
        .bind(nan_if_none(assessment.keys.bad))
        .bind(assessment.book_revision)
        .bind(assessment.own_book)
        .execute(&mut *self.tx)
        .await?;
        Ok(())
    }
}

/// For `nullif(…, 'NaN')`. `Any` of sqlx 0.9 sends an absent f64 to PostgreSQL as an absent f32, and
/// the next present one then does not fit the prepared statement.
fn nan_if_none(key: Option<f64>) -> f64 {
    key.filter(|k| k.is_finite()).unwrap_or(f64::NAN)
}

pub(super) fn read_listing(row: &AnyRow) -> Result<Listing, Error> {
    let assessed = row.try_get::<Option<i64>, _>("first_revision")?.is_some();
    Ok(Listing {
        id: row.text("id")?,
        revision: row.int("revision")?,
        status: Status::read(&row.text("status")?)?,
        request: row.text("request")?,
        seller: row.text_or_null("seller")?,
        serial: row.text_or_null("serial")?,
        saved_at: row.time("saved_at")?,
        updated_at: row.time("updated_at")?,
        assessment: assessed.then(|| read_assessment(row)).transpose()?,
    })
}

fn read_past(row: &AnyRow) -> Result<PastAssessment, Error> {
    Ok(PastAssessment { assessment: read_assessment(row)?, request: row.text("request")? })
}

fn read_assessment(row: &AnyRow) -> Result<Assessment, Error> {
    Ok(Assessment {
        first_revision: row.int("first_revision")?,
        last_revision: row.int_or_null("last_revision")?,
        model: row.text("model")?,
        at: row.time("at")?,
        seller_used: row.text("seller_used")?,
        book_revision: row.int_or_null("book_revision")?,
        own_book: row.text_or_null("own_book")?,
        body: row.text("body")?,
        keys: Keys {
            expected_net: row.number_or_null("expected_net")?,
            net_per_stake: row.number_or_null("net_per_stake")?,
            ask_worth: row.number_or_null("ask_worth")?,
            bad: row.number_or_null("bad")?,
        },
    })
}

//! What was found inside. Outcomes outlive their listings; a later one of the same listing
//! supersedes the earlier, which is kept.

use super::columns::{Columns as _, ROWS, only, rows, time_text};
use super::{Counter, Error, Store, Write};
use jiff::Timestamp;
use sqlx::AssertSqlSafe;
use sqlx::any::AnyRow;
use std::collections::{HashMap, HashSet};

/// Whether an outcome's listing is saved.
const SAVED: &str = "CAST(CASE WHEN EXISTS
    (SELECT 1 FROM listings l WHERE l.account = outcomes.account AND l.id = outcomes.listing)
    THEN 1 ELSE 0 END AS BIGINT) AS listing_saved";

/// The columns of an outcome, with whether its listing is saved.
pub(super) const OUTCOME: &str = "outcomes.*, CAST(CASE WHEN EXISTS
    (SELECT 1 FROM listings l WHERE l.account = outcomes.account AND l.id = outcomes.listing)
    THEN 1 ELSE 0 END AS BIGINT) AS listing_saved";

/// What was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Counts up from 1 in each account in the order of recording: the cursor of lists.
    pub number: i64,
    /// Given by the caller.
    pub id: String,
    /// Of the write that recorded it.
    pub revision: i64,
    /// The listing, which need not be stored.
    pub listing: String,
    /// Whether it is stored now.
    pub listing_saved: bool,
    /// Who offered it, as far as a stored listing ever said.
    pub seller: Option<String>,
    /// When it was recorded.
    pub recorded_at: Timestamp,
    /// When it was found.
    pub found_at: Timestamp,
    /// The outcome as JSON.
    pub body: String,
    /// The id of the later one of the same listing.
    pub superseded_by: Option<String>,
}

/// An outcome to record.
#[derive(Debug, Clone, Copy)]
pub struct NewOutcome<'a> {
    /// Not used before.
    pub id: &'a str,
    /// The listing, which need not be stored.
    pub listing: &'a str,
    /// When it is recorded.
    pub recorded_at: Timestamp,
    /// When it was found.
    pub found_at: Timestamp,
    /// The outcome as JSON.
    pub body: &'a str,
}

/// What is known of an outcome once it is recorded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Recorded {
    /// Who offered the watch, as far as it is known.
    pub seller: Option<String>,
    /// Whether the listing is stored.
    pub listing_saved: bool,
}

/// Which outcomes.
#[derive(Debug, Clone, Default)]
pub struct OutcomeFilter {
    /// Only of this listing.
    pub listing: Option<String>,
    /// Only of this seller's watches.
    pub seller: Option<String>,
    /// Only those that nothing supersedes.
    pub current: bool,
}

impl Store {
    /// Outcomes in the order of recording, after a number (0: from the first).
    ///
    /// # Errors
    /// If the database fails.
    pub async fn outcomes(
        &self,
        account: &str,
        filter: &OutcomeFilter,
        after: i64,
        limit: u32,
    ) -> Result<Vec<Outcome>, Error> {
        let sql = format!(
            "SELECT {OUTCOME} FROM outcomes WHERE account = $1 AND number > $2 AND {} AND {} {}
             ORDER BY number LIMIT $5",
            only("listing", "$3", filter.listing.as_ref()),
            only("seller", "$4", filter.seller.as_ref()),
            if filter.current { "AND superseded_by IS NULL" } else { "" },
        );
        sqlx::query(AssertSqlSafe(sql))
            .bind(account)
            .bind(after)
            .bind(filter.listing.as_deref())
            .bind(filter.seller.as_deref())
            .bind(i64::from(limit))
            .fetch_all(&self.reads)
            .await?
            .iter()
            .map(read_outcome)
            .collect()
    }

    /// An outcome by its id.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn outcome(&self, account: &str, id: &str) -> Result<Outcome, Error> {
        let sql = format!("SELECT {OUTCOME} FROM outcomes WHERE account = $1 AND id = $2");
        let row = sqlx::query(AssertSqlSafe(sql)).bind(account).bind(id).fetch_optional(&self.reads).await?;
        read_outcome(&row.ok_or_else(|| Error::not_found("outcome", id))?)
    }
}

impl Write {
    /// Records outcomes in order, and says of each what is known of its listing.
    ///
    /// # Errors
    /// A conflict if an id was used before; or if the database fails.
    pub async fn record_outcomes(&mut self, outcomes: &[NewOutcome<'_>]) -> Result<Vec<Recorded>, Error> {
        let before = self.count_on(Counter::Outcome, outcomes.len()).await?;
        let mut numbers = before + 1..;
        for some in outcomes.chunks(ROWS) {
            let sql = format!(
                "INSERT INTO outcomes (account, number, id, revision, listing, recorded_at, found_at, body) VALUES {}",
                rows(some.len(), 8)
            );
            let mut query = sqlx::query(AssertSqlSafe(sql));
            for (outcome, number) in some.iter().zip(&mut numbers) {
                query = query
                    .bind(&self.account)
                    .bind(number)
                    .bind(outcome.id)
                    .bind(self.revision)
                    .bind(outcome.listing)
                    .bind(time_text(outcome.recorded_at))
                    .bind(time_text(outcome.found_at))
                    .bind(outcome.body);
            }
            query.execute(&mut *self.tx).await?;
        }
        // The seller of the listing, or if that is gone, of the outcome before.
        sqlx::query(
            "UPDATE outcomes SET seller = coalesce(
                 (SELECT l.seller FROM listings l WHERE l.account = outcomes.account AND l.id = outcomes.listing),
                 (SELECT o.seller FROM outcomes o
                  WHERE o.account = outcomes.account AND o.listing = outcomes.listing AND o.number <= $2
                  ORDER BY o.number DESC LIMIT 1))
             WHERE account = $1 AND number > $2",
        )
        .bind(&self.account)
        .bind(before)
        .execute(&mut *self.tx)
        .await?;
        self.supersede(before).await?;
        let sql =
            format!("SELECT outcomes.seller, {SAVED} FROM outcomes WHERE account = $1 AND number > $2 ORDER BY number");
        sqlx::query(AssertSqlSafe(sql))
            .bind(&self.account)
            .bind(before)
            .fetch_all(&mut *self.tx)
            .await?
            .iter()
            .map(|row| Ok(Recorded { seller: row.text_or_null("seller")?, listing_saved: saved(row)? }))
            .collect()
    }

    /// Stored listings whose id ends in `:` and one of these names, by name: a feed's items are
    /// stored like that.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn listings_ending_in(&mut self, names: &HashSet<&str>) -> Result<HashMap<String, Vec<String>>, Error> {
        let rows = sqlx::query("SELECT id FROM listings WHERE account = $1 AND id LIKE '%:%' ORDER BY id")
            .bind(&self.account)
            .fetch_all(&mut *self.tx)
            .await?;
        let mut found: HashMap<String, Vec<String>> = HashMap::new();
        for row in rows {
            let id = row.text("id")?;
            let name = id.match_indices(':').map(|(i, _)| &id[i + 1..]).find(|name| names.contains(name));
            if let Some(name) = name.map(str::to_owned) {
                found.entry(name).or_default().push(id);
            }
        }
        Ok(found)
    }

    /// Marks what the outcomes after a number supersede.
    pub(super) async fn supersede(&mut self, before: i64) -> Result<(), Error> {
        sqlx::query(
            "UPDATE outcomes SET superseded_by =
                 (SELECT n.id FROM outcomes n
                  WHERE n.account = outcomes.account AND n.listing = outcomes.listing AND n.number > outcomes.number
                  ORDER BY n.number LIMIT 1)
             WHERE account = $1 AND superseded_by IS NULL
                 AND listing IN (SELECT n.listing FROM outcomes n WHERE n.account = $1 AND n.number > $2)",
        )
        .bind(&self.account)
        .bind(before)
        .execute(&mut *self.tx)
        .await?;
        Ok(())
    }
}

pub(super) fn read_outcome(row: &AnyRow) -> Result<Outcome, Error> {
    Ok(Outcome {
        number: row.int("number")?,
        id: row.text("id")?,
        revision: row.int("revision")?,
        listing: row.text("listing")?,
        listing_saved: saved(row)?,
        seller: row.text_or_null("seller")?,
        recorded_at: row.time("recorded_at")?,
        found_at: row.time("found_at")?,
        body: row.text("body")?,
        superseded_by: row.text_or_null("superseded_by")?,
    })
}

fn saved(row: &AnyRow) -> Result<bool, Error> {
    Ok(row.int("listing_saved")? != 0)
}

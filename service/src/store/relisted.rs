//! Listings of one watch: those that share a serial number or a photo. Everything is asked for many
//! listings at once, so that a page costs as many statements as a listing.

use super::columns::Columns as _;
use super::listings::{COLUMNS, Listing, WITH_CURRENT, read_listing};
use super::outcomes::{OUTCOME, Outcome, read_outcome};
use super::{Error, Store};
use jiff::Timestamp;
use sqlx::AssertSqlSafe;

/// Ids in one statement: far below what either engine takes.
const AT_ONCE: usize = 500;

/// A listing and another one of perhaps the same watch.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SameWatch {
    /// The listing asked about.
    pub listing: String,
    /// The other one.
    pub other: String,
    /// When the other one was first saved.
    pub saved_at: Timestamp,
}

impl Store {
    /// For each of these listings the others that share its serial or one of its photos, the newest
    /// first, at most so many for each.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn same_watch(&self, account: &str, ids: &[&str], most: u32) -> Result<Vec<SameWatch>, Error> {
        let mut found = Vec::new();
        for ids in ids.chunks(AT_ONCE) {
            let these = places(3, ids.len());
            let sql = format!(
                "WITH pairs AS
                     (SELECT l.id AS listing, o.id AS another FROM listings l
                          JOIN listings o ON o.account = l.account AND o.serial = l.serial
                      WHERE l.account = $1 AND l.id IN ({these}) AND o.id <> l.id
                      UNION
                      SELECT p.listing AS listing, o.listing AS another FROM listing_photos p CROSS JOIN listing_photos o
                      WHERE p.account = $1 AND p.listing IN ({these})
                          AND o.account = p.account AND o.digest = p.digest AND o.listing <> p.listing),
                 placed AS
                     (SELECT pairs.listing, pairs.another, o.saved_at,
                          ROW_NUMBER() OVER (PARTITION BY pairs.listing ORDER BY o.saved_at DESC, o.id DESC) AS place
                      FROM pairs JOIN listings o ON o.account = $1 AND o.id = pairs.another)
                 SELECT listing, another, saved_at FROM placed WHERE place <= $2 ORDER BY listing, place"
            );
            let mut query = sqlx::query(AssertSqlSafe(sql)).bind(account).bind(i64::from(most));
            for id in ids {
                query = query.bind(*id);
            }
            for row in query.fetch_all(&self.reads).await? {
                found.push(SameWatch {
                    listing: row.text("listing")?,
                    other: row.text("another")?,
                    saved_at: row.time("saved_at")?,
                });
            }
        }
        Ok(found)
    }

    /// These listings, as far as they are stored, with their newest assessments; in no order.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn these_listings(&self, account: &str, ids: &[&str]) -> Result<Vec<Listing>, Error> {
        let mut found = Vec::with_capacity(ids.len());
        for ids in ids.chunks(AT_ONCE) {
            let these = places(2, ids.len());
            let sql = format!("SELECT {COLUMNS} {WITH_CURRENT} WHERE l.account = $1 AND l.id IN ({these})");
            let mut query = sqlx::query(AssertSqlSafe(sql)).bind(account);
            for id in ids {
                query = query.bind(*id);
            }
            for row in query.fetch_all(&self.reads).await? {
                found.push(read_listing(&row)?);
            }
        }
        Ok(found)
    }

    /// What was found out about these listings and nothing supersedes; in no order.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn found_of(&self, account: &str, ids: &[&str]) -> Result<Vec<Outcome>, Error> {
        let mut found = Vec::new();
        for ids in ids.chunks(AT_ONCE) {
            let these = places(2, ids.len());
            let sql = format!(
                "SELECT {OUTCOME} FROM outcomes WHERE account = $1 AND superseded_by IS NULL AND listing IN ({these})"
            );
            let mut query = sqlx::query(AssertSqlSafe(sql)).bind(account);
            for id in ids {
                query = query.bind(*id);
            }
            for row in query.fetch_all(&self.reads).await? {
                found.push(read_outcome(&row)?);
            }
        }
        Ok(found)
    }
}

/// So many parameters from the n-th on.
fn places(from: usize, count: usize) -> String {
    let places: Vec<String> = (from..from + count).map(|n| format!("${n}")).collect();
    places.join(", ")
}

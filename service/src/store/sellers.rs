//! What the user said of sellers. Listings and outcomes may name sellers that have no row here.

use super::columns::{Columns as _, time_text};
use super::{Error, Precondition, Store, Write};
use jiff::Timestamp;
use sqlx::AssertSqlSafe;
use sqlx::any::AnyRow;

/// What the user said of a seller.
#[derive(Debug, Clone, PartialEq)]
pub struct Seller {
    /// As in listings.
    pub id: String,
    /// Of the last write.
    pub revision: i64,
    /// Where the seller sells.
    pub segment: Option<String>,
    /// Marketplace feedback, as JSON.
    pub feedback: Option<String>,
    /// The user's words.
    pub note: Option<String>,
    /// When it was first put.
    pub created_at: Timestamp,
    /// When it was last put.
    pub updated_at: Timestamp,
}

/// A seller of whom there is anything.
#[derive(Debug, Clone, PartialEq)]
pub struct SellerSummary {
    /// As in listings.
    pub id: String,
    /// What the user said, if anything.
    pub said: Option<Seller>,
    /// How many stored listings name the seller.
    pub listings: i64,
    /// How many of the seller's watches have an outcome.
    pub outcomes: i64,
}

/// What to keep of a seller.
#[derive(Debug, Clone, Copy)]
pub struct NewSeller<'a> {
    /// As in listings.
    pub id: &'a str,
    /// Where the seller sells.
    pub segment: Option<&'a str>,
    /// Marketplace feedback, as JSON.
    pub feedback: Option<&'a str>,
    /// The user's words.
    pub note: Option<&'a str>,
    /// When.
    pub at: Timestamp,
}

impl NewSeller<'_> {
    /// As it is kept under a revision, where nothing was said before.
    #[must_use]
    pub fn kept(&self, revision: i64) -> Seller {
        Seller {
            id: self.id.into(),
            revision,
            segment: self.segment.map(Into::into),
            feedback: self.feedback.map(Into::into),
            note: self.note.map(Into::into),
            created_at: self.at,
            updated_at: self.at,
        }
    }
}

/// What is known of the sellers whose ids a statement gives.
fn summary_of(ids: &str) -> String {
    format!(
        "SELECT known.id AS known_id, s.*,
             (SELECT count(*) FROM listings l WHERE l.account = $1 AND l.seller = known.id) AS listings,
             (SELECT count(*) FROM outcomes o
              WHERE o.account = $1 AND o.seller = known.id AND o.superseded_by IS NULL) AS outcomes
         FROM ({ids}) known LEFT JOIN sellers s ON s.account = $1 AND s.id = known.id
         ORDER BY known.id"
    )
}

impl Store {
    /// A seller of whom there is a row, a listing or an outcome.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn seller(&self, account: &str, id: &str) -> Result<SellerSummary, Error> {
        let sql = summary_of("SELECT $2 AS id");
        let row = sqlx::query(AssertSqlSafe(sql)).bind(account).bind(id).fetch_one(&self.reads).await?;
        let summary = read_summary(&row)?;
        let known = summary.said.is_some() || summary.listings + summary.outcomes > 0;
        if known { Ok(summary) } else { Err(Error::not_found("seller", id)) }
    }

    /// Such sellers by id, after one (`""`: from the first).
    ///
    /// # Errors
    /// If the database fails.
    pub async fn sellers(&self, account: &str, after: &str, limit: u32) -> Result<Vec<SellerSummary>, Error> {
        let sql = summary_of(
            "SELECT id FROM sellers WHERE account = $1 AND id > $2
             UNION SELECT seller FROM listings WHERE account = $1 AND seller > $2
             UNION SELECT seller FROM outcomes WHERE account = $1 AND seller > $2
             ORDER BY 1 LIMIT $3",
        );
        sqlx::query(AssertSqlSafe(sql))
            .bind(account)
            .bind(after)
            .bind(i64::from(limit))
            .fetch_all(&self.reads)
            .await?
            .iter()
            .map(read_summary)
            .collect()
    }
}

impl Write {
    /// Checks a precondition on a seller's row, which holds until the commit. One that only listings or
    /// outcomes name is there as well, with nothing said of it.
    ///
    /// # Errors
    /// A conflict if it fails; or if the database fails.
    pub async fn expect_seller(&mut self, id: &str, precondition: Precondition) -> Result<(), Error> {
        let said = self.seller_revision(id).await?;
        let precondition = match said.is_none() && self.is_named(id).await? {
            true => precondition.of_something(),
            false => precondition,
        };
        precondition.check(said, "seller", id)
    }

    /// The same of one of whom there must be something.
    ///
    /// # Errors
    /// Not found; a conflict if the precondition fails; or if the database fails.
    pub async fn expect_known_seller(&mut self, id: &str, precondition: Precondition) -> Result<(), Error> {
        if self.seller_revision(id).await?.is_none() && !self.is_named(id).await? {
            return Err(Error::not_found("seller", id));
        }
        self.expect_seller(id, precondition).await
    }

    /// Whether a listing or an outcome names a seller.
    async fn is_named(&mut self, id: &str) -> Result<bool, Error> {
        let row = sqlx::query(
            "SELECT (SELECT count(*) FROM listings WHERE account = $1 AND seller = $2)
                  + (SELECT count(*) FROM outcomes WHERE account = $1 AND seller = $2) AS named",
        )
        .bind(&self.account)
        .bind(id)
        .fetch_one(&mut *self.tx)
        .await?;
        Ok(row.int("named")? > 0)
    }

    /// Keeps what the user says of a seller. True if nothing was said before.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn put_seller(&mut self, seller: &NewSeller<'_>) -> Result<bool, Error> {
        let before = self.seller_revision(seller.id).await?;
        sqlx::query(
            "INSERT INTO sellers (account, id, revision, segment, feedback, note, created_at, updated_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $7)
             ON CONFLICT (account, id) DO UPDATE SET revision = excluded.revision, segment = excluded.segment,
                 feedback = excluded.feedback, note = excluded.note, updated_at = excluded.updated_at",
        )
        .bind(&self.account)
        .bind(seller.id)
        .bind(self.revision)
        .bind(seller.segment)
        .bind(seller.feedback)
        .bind(seller.note)
        .bind(time_text(seller.at))
        .execute(&mut *self.tx)
        .await?;
        Ok(before.is_none())
    }

    async fn seller_revision(&mut self, id: &str) -> Result<Option<i64>, Error> {
        let row = sqlx::query("SELECT revision FROM sellers WHERE account = $1 AND id = $2")
            .bind(&self.account)
            .bind(id)
            .fetch_optional(&mut *self.tx)
            .await?;
        row.map(|row| row.int("revision")).transpose()
    }

    /// Forgets a seller: the row, the name in listings and outcomes, which stay, and the answers kept
    /// of repeated requests, which may name it. Gives the ids of the listings that named the seller; their requests still do, until [`Write::put_request`].
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn forget_seller(&mut self, id: &str) -> Result<Vec<String>, Error> {
        let row = sqlx::query("DELETE FROM sellers WHERE account = $1 AND id = $2")
            .bind(&self.account)
            .bind(id)
            .execute(&mut *self.tx)
            .await?;
        let outcomes = sqlx::query("UPDATE outcomes SET seller = NULL WHERE account = $1 AND seller = $2")
            .bind(&self.account)
            .bind(id)
            .execute(&mut *self.tx)
            .await?;
        let mut listings: Vec<String> = sqlx::query(
            "UPDATE listings SET seller = NULL, revision = $3 WHERE account = $1 AND seller = $2 RETURNING id",
        )
        .bind(&self.account)
        .bind(id)
        .bind(self.revision)
        .fetch_all(&mut *self.tx)
        .await?
        .iter()
        .map(|row| row.text("id"))
        .collect::<Result<_, _>>()?;
        if row.rows_affected() + outcomes.rows_affected() == 0 && listings.is_empty() {
            return Err(Error::not_found("seller", id));
        }
        self.forget_answers().await?;
        listings.sort();
        Ok(listings)
    }
}

fn read_summary(row: &AnyRow) -> Result<SellerSummary, Error> {
    Ok(SellerSummary {
        id: row.text("known_id")?,
        said: row.text_or_null("id")?.map(|id| read_seller(row, id)).transpose()?,
        listings: row.int("listings")?,
        outcomes: row.int("outcomes")?,
    })
}

fn read_seller(row: &AnyRow, id: String) -> Result<Seller, Error> {
    Ok(Seller {
        id,
        revision: row.int("revision")?,
        segment: row.text_or_null("segment")?,
        feedback: row.text_or_null("feedback")?,
        note: row.text_or_null("note")?,
        created_at: row.time("created_at")?,
        updated_at: row.time("updated_at")?,
    })
}

//! What happened, in order: the stream behind `GET /v1/changes`.

use super::columns::{Columns as _, ROWS, rows, time_text};
use super::{Counter, Error, Store, Write};
use jiff::Timestamp;
use sqlx::AssertSqlSafe;
use tokio::sync::watch;

/// Something that happened.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Counts up from 1 in each account, with no gap that is seen late.
    pub id: i64,
    /// When.
    pub at: Timestamp,
    /// What kind of thing.
    pub event: String,
    /// The rest, as a JSON object.
    pub data: String,
}

/// Something to tell.
#[derive(Debug, Clone, Copy)]
pub struct NewChange<'a> {
    /// When.
    pub at: Timestamp,
    /// What kind of thing.
    pub event: &'a str,
    /// The rest, as JSON.
    pub data: &'a str,
}

impl Store {
    /// The changes after an id, oldest first.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn changes_after(&self, account: &str, id: i64, limit: u32) -> Result<Vec<Change>, Error> {
        sqlx::query("SELECT id, at, event, data FROM changes WHERE account = $1 AND id > $2 ORDER BY id LIMIT $3")
            .bind(account)
            .bind(id)
            .bind(i64::from(limit))
            .fetch_all(&self.reads)
            .await?
            .iter()
            .map(|row| {
                Ok(Change {
                    id: row.int("id")?,
                    at: row.time("at")?,
                    event: row.text("event")?,
                    data: row.text("data")?,
                })
            })
            .collect()
    }

    /// The id of the account's last change; 0 before the first.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn last_change(&self, account: &str) -> Result<i64, Error> {
        let row = sqlx::query("SELECT last_change FROM accounts WHERE account = $1")
            .bind(account)
            .fetch_optional(&self.reads)
            .await?;
        row.map_or(Ok(0), |row| row.int("last_change"))
    }

    /// Moves on with every write through this store that tells of changes. Of what other processes
    /// write it knows nothing.
    #[must_use]
    pub fn told(&self) -> watch::Receiver<()> {
        self.told.subscribe()
    }
}

impl Write {
    /// Tells of changes together with what they report.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn tell(&mut self, changes: &[NewChange<'_>]) -> Result<(), Error> {
        self.tells |= !changes.is_empty();
        let before = self.count_on(Counter::Change, changes.len()).await?;
        let mut ids = before + 1..;
        for some in changes.chunks(ROWS) {
            let sql = format!("INSERT INTO changes (account, id, at, event, data) VALUES {}", rows(some.len(), 5));
            let mut query = sqlx::query(AssertSqlSafe(sql));
            for (change, id) in some.iter().zip(&mut ids) {
                let at = time_text(change.at);
                query = query.bind(&self.account).bind(id).bind(at).bind(change.event).bind(change.data);
            }
            query.execute(&mut *self.tx).await?;
        }
        Ok(())
    }
}

//! Repeated requests: a key is begun once, and whoever repeats it gets the first answer.
//!
//! The answer is kept in the transaction of the effect ([`Write::finish_request`]), so a request
//! that dies on the way leaves either both or neither. A key whose request died is free again once
//! it is older than the caller allows; should that request live after all, its end is refused.

use super::columns::{Columns as _, time_text};
use super::{Error, Store, Write};
use jiff::Timestamp;
use sqlx::{Any, Executor};

/// The status that stands for an answer that is forgotten.
const FORGOTTEN: i64 = 0;

/// An answer as it was sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredResponse {
    /// HTTP status.
    pub status: u16,
    /// Headers, as JSON.
    pub headers: String,
    /// Body.
    pub body: Vec<u8>,
}

/// The right to answer a key's request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ticket {
    account: String,
    key: String,
    operation: String,
    begun_at: String,
}

/// What a key says to a request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Begun {
    /// First of its key: do it, then finish with the ticket.
    New(Ticket),
    /// The first is still under way.
    InProgress,
    /// The first was another request.
    Mismatch,
    /// The first was answered so.
    Replay(StoredResponse),
    /// The first was answered, and the answer is forgotten.
    Forgotten,
}

impl Store {
    /// Begins a request under a key. `operation` is method and path, `fingerprint` the SHA-256 of
    /// the request; one begun before `stale` and never finished is begun anew.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn begin_request(
        &self,
        account: &str,
        key: &str,
        operation: &str,
        fingerprint: &[u8; 32],
        at: Timestamp,
        stale: Timestamp,
    ) -> Result<Begun, Error> {
        let mut tx = self.writes.begin_with(self.engine.begin()).await?;
        let begun_at = time_text(at);
        let ticket = Ticket {
            account: account.into(),
            key: key.into(),
            operation: operation.into(),
            begun_at: begun_at.clone(),
        };
        // Two at once meet here: the second waits for the first to commit, and inserts nothing.
        let inserted = sqlx::query(
            "INSERT INTO idempotency (account, key, operation, fingerprint, begun_at) VALUES ($1, $2, $3, $4, $5)
             ON CONFLICT (account, key, operation) DO UPDATE SET begun_at = excluded.begun_at
                 WHERE idempotency.status IS NULL AND idempotency.begun_at < $6
                     AND idempotency.fingerprint = excluded.fingerprint",
        )
        .bind(account)
        .bind(key)
        .bind(operation)
        .bind(fingerprint.as_slice())
        .bind(&begun_at)
        .bind(time_text(stale))
        .execute(&mut *tx)
        .await?;
        let begun = if inserted.rows_affected() > 0 {
            Begun::New(ticket)
        } else {
            let row = sqlx::query(
                "SELECT fingerprint, status, headers, body FROM idempotency
                 WHERE account = $1 AND key = $2 AND operation = $3",
            )
            .bind(account)
            .bind(key)
            .bind(operation)
            .fetch_one(&mut *tx)
            .await?;
            match row.int_or_null("status")? {
                _ if row.bytes("fingerprint")? != fingerprint => Begun::Mismatch,
                None => Begun::InProgress,
                Some(FORGOTTEN) => Begun::Forgotten,
                Some(status) => Begun::Replay(StoredResponse {
                    status: u16::try_from(status).map_err(|_| Error::corrupt(format!("{status} is no HTTP status")))?,
                    headers: row.text("headers")?,
                    body: row.bytes("body")?,
                }),
            }
        };
        tx.commit().await?;
        Ok(begun)
    }

    /// Keeps the answer of a request that stored nothing else.
    ///
    /// # Errors
    /// A conflict if the ticket was taken over; or if the database fails.
    pub async fn finish_request(&self, ticket: &Ticket, response: &StoredResponse) -> Result<(), Error> {
        finish(&self.writes, ticket, response).await
    }

    /// Frees a key whose request failed by a fault of ours, so that it can be tried again.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn abandon_request(&self, ticket: &Ticket) -> Result<(), Error> {
        sqlx::query(
            "DELETE FROM idempotency
             WHERE account = $1 AND key = $2 AND operation = $3 AND begun_at = $4 AND status IS NULL",
        )
        .bind(&ticket.account)
        .bind(&ticket.key)
        .bind(&ticket.operation)
        .bind(&ticket.begun_at)
        .execute(&self.writes)
        .await?;
        Ok(())
    }

    /// Forgets the keys begun before a time, in all accounts. Gives their number.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn purge_requests(&self, before: Timestamp) -> Result<u64, Error> {
        let purged = sqlx::query("DELETE FROM idempotency WHERE begun_at < $1")
            .bind(time_text(before))
            .execute(&self.writes)
            .await?;
        Ok(purged.rows_affected())
    }
}

impl Write {
    /// Keeps the answer of a request together with what it did.
    ///
    /// # Errors
    /// A conflict if the ticket was taken over: do not commit then; or if the database fails.
    pub async fn finish_request(&mut self, ticket: &Ticket, response: &StoredResponse) -> Result<(), Error> {
        finish(&mut *self.tx, ticket, response).await
    }
}

impl Write {
    /// Forgets every answer of the account that is kept, since any may name whom it must no longer
    /// name. The keys stay, so that nothing is done twice.
    pub(super) async fn forget_answers(&mut self) -> Result<(), Error> {
        sqlx::query(
            "UPDATE idempotency SET status = $2, headers = '[]', body = $3 WHERE account = $1 AND status IS NOT NULL",
        )
        .bind(&self.account)
        .bind(FORGOTTEN)
        .bind(&[][..])
        .execute(&mut *self.tx)
        .await?;
        Ok(())
    }
}

async fn finish<'c>(
    on: impl Executor<'c, Database = Any>,
    ticket: &Ticket,
    response: &StoredResponse,
) -> Result<(), Error> {
    let finished = sqlx::query(
        "UPDATE idempotency SET status = $5, headers = $6, body = $7
         WHERE account = $1 AND key = $2 AND operation = $3 AND begun_at = $4 AND status IS NULL",
    )
    .bind(&ticket.account)
    .bind(&ticket.key)
    .bind(&ticket.operation)
    .bind(&ticket.begun_at)
    .bind(i64::from(response.status))
    .bind(&response.headers)
    .bind(response.body.as_slice())
    .execute(on)
    .await?;
    if finished.rows_affected() == 0 {
        return Err(Error::conflict("the request was begun anew by another, or finished already"));
    }
    Ok(())
}

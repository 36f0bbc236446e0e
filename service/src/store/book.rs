//! The user's reference book: what is known of references and calibres.

use super::columns::{Columns as _, time_text};
use super::{Error, Precondition, Store, Write};
use jiff::Timestamp;
use sqlx::any::AnyRow;

/// The two parts of the book.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BookPart {
    /// References: how a maker's watch left it.
    Reference,
    /// Calibres: what a movement is.
    Calibre,
}

impl BookPart {
    /// As stored and in messages.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Reference => "reference",
            Self::Calibre => "calibre",
        }
    }
}

/// An entry of the book.
#[derive(Debug, Clone, PartialEq)]
pub struct BookEntry {
    /// The maker, folded.
    pub maker: String,
    /// The reference or calibre, folded.
    pub name: String,
    /// Of the last write.
    pub revision: i64,
    /// The entry as JSON.
    pub body: String,
    /// When it was last put.
    pub updated_at: Timestamp,
}

impl Store {
    /// One entry, by folded maker and name.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn book_entry(&self, account: &str, part: BookPart, maker: &str, name: &str) -> Result<BookEntry, Error> {
        let row = sqlx::query("SELECT * FROM book WHERE account = $1 AND part = $2 AND maker = $3 AND name = $4")
            .bind(account)
            .bind(part.as_str())
            .bind(maker)
            .bind(name)
            .fetch_optional(&self.reads)
            .await?;
        read_entry(&row.ok_or_else(|| Error::not_found(part.as_str(), name))?)
    }

    /// A part of the book by maker and name, after one (`("", "")`: from the first).
    ///
    /// # Errors
    /// If the database fails.
    pub async fn book(
        &self,
        account: &str,
        part: BookPart,
        after: (&str, &str),
        limit: u32,
    ) -> Result<Vec<BookEntry>, Error> {
        sqlx::query(
            "SELECT * FROM book WHERE account = $1 AND part = $2 AND (maker, name) > ($3, $4)
             ORDER BY maker, name LIMIT $5",
        )
        .bind(account)
        .bind(part.as_str())
        .bind(after.0)
        .bind(after.1)
        .bind(i64::from(limit))
        .fetch_all(&self.reads)
        .await?
        .iter()
        .map(read_entry)
        .collect()
    }

    /// The entries that the book held at a revision, by maker and name.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn past_book(&self, account: &str, part: BookPart, revision: i64) -> Result<Vec<String>, Error> {
        sqlx::query(
            "SELECT maker, name, body FROM book WHERE account = $1 AND part = $2 AND revision <= $3
             UNION ALL
             SELECT maker, name, body FROM past_book
             WHERE account = $1 AND part = $2 AND first_revision <= $3 AND last_revision >= $3
             ORDER BY maker, name",
        )
        .bind(account)
        .bind(part.as_str())
        .bind(revision)
        .fetch_all(&self.reads)
        .await?
        .iter()
        .map(|row| row.text("body"))
        .collect()
    }

    /// A book that a process was started with.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn own_book(&self, account: &str, digest: &str) -> Result<String, Error> {
        let row = sqlx::query("SELECT body FROM own_books WHERE account = $1 AND digest = $2")
            .bind(account)
            .bind(digest)
            .fetch_optional(&self.reads)
            .await?;
        row.ok_or_else(|| Error::not_found("reference book", digest))?.text("body")
    }
}

impl Write {
    /// Keeps a book that a process was started with. False if it was kept before.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn keep_own_book(&mut self, digest: &str, body: &str) -> Result<bool, Error> {
        let kept =
            sqlx::query("INSERT INTO own_books (account, digest, body) VALUES ($1, $2, $3) ON CONFLICT DO NOTHING")
                .bind(&self.account)
                .bind(digest)
                .bind(body)
                .execute(&mut *self.tx)
                .await?;
        Ok(kept.rows_affected() > 0)
    }

    /// Keeps an entry as it was before this write.
    async fn keep_past_entry(&mut self, part: BookPart, maker: &str, name: &str) -> Result<(), Error> {
        sqlx::query(
            "INSERT INTO past_book (account, part, maker, name, first_revision, last_revision, body)
             SELECT account, part, maker, name, revision, $5, body FROM book
             WHERE account = $1 AND part = $2 AND maker = $3 AND name = $4 AND revision <= $5",
        )
        .bind(&self.account)
        .bind(part.as_str())
        .bind(maker)
        .bind(name)
        .bind(self.revision - 1)
        .execute(&mut *self.tx)
        .await?;
        Ok(())
    }

    /// Checks a precondition on an entry, which holds until the commit.
    ///
    /// # Errors
    /// A conflict if it fails; or if the database fails.
    pub async fn expect_book_entry(
        &mut self,
        part: BookPart,
        maker: &str,
        name: &str,
        precondition: Precondition,
    ) -> Result<(), Error> {
        precondition.check(self.entry_revision(part, maker, name).await?, part.as_str(), name)
    }

    /// Puts an entry under a folded maker and name. True if there was none before.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn put_book_entry(
        &mut self,
        part: BookPart,
        maker: &str,
        name: &str,
        body: &str,
        at: Timestamp,
    ) -> Result<bool, Error> {
        let before = self.entry_revision(part, maker, name).await?;
        self.keep_past_entry(part, maker, name).await?;
        sqlx::query(
            "INSERT INTO book (account, part, maker, name, revision, body, updated_at)
             VALUES ($1, $2, $3, $4, $5, $6, $7)
             ON CONFLICT (account, part, maker, name) DO UPDATE SET revision = excluded.revision,
                 body = excluded.body, updated_at = excluded.updated_at",
        )
        .bind(&self.account)
        .bind(part.as_str())
        .bind(maker)
        .bind(name)
        .bind(self.revision)
        .bind(body)
        .bind(time_text(at))
        .execute(&mut *self.tx)
        .await?;
        self.move_force().await?;
        Ok(before.is_none())
    }

    async fn entry_revision(&mut self, part: BookPart, maker: &str, name: &str) -> Result<Option<i64>, Error> {
        let row =
            sqlx::query("SELECT revision FROM book WHERE account = $1 AND part = $2 AND maker = $3 AND name = $4")
                .bind(&self.account)
                .bind(part.as_str())
                .bind(maker)
                .bind(name)
                .fetch_optional(&mut *self.tx)
                .await?;
        row.map(|row| row.int("revision")).transpose()
    }

    /// Deletes an entry.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn delete_book_entry(&mut self, part: BookPart, maker: &str, name: &str) -> Result<(), Error> {
        self.keep_past_entry(part, maker, name).await?;
        let deleted = sqlx::query("DELETE FROM book WHERE account = $1 AND part = $2 AND maker = $3 AND name = $4")
            .bind(&self.account)
            .bind(part.as_str())
            .bind(maker)
            .bind(name)
            .execute(&mut *self.tx)
            .await?;
        if deleted.rows_affected() == 0 {
            return Err(Error::not_found(part.as_str(), name));
        }
        self.move_force().await
    }
}

fn read_entry(row: &AnyRow) -> Result<BookEntry, Error> {
    Ok(BookEntry {
        maker: row.text("maker")?,
        name: row.text("name")?,
        revision: row.int("revision")?,
        body: row.text("body")?,
        updated_at: row.time("updated_at")?,
    })
}

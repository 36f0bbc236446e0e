//! Versions of the model, and which is in force. Going back is activating an older one.

use super::columns::{Columns as _, time_text};
use super::{Error, Store, Write};
use jiff::Timestamp;
use sqlx::any::AnyRow;

/// A version of the model.
#[derive(Debug, Clone, PartialEq)]
pub struct Model {
    /// Its name.
    pub version: String,
    /// Digest of its data.
    pub digest: String,
    /// The model as JSON.
    pub body: String,
    /// The calibration that made it; none for one that came as a pack.
    pub calibration: Option<String>,
    /// When it was made.
    pub created_at: Timestamp,
}

/// A version to keep.
#[derive(Debug, Clone, Copy)]
pub struct NewModel<'a> {
    /// Its name.
    pub version: &'a str,
    /// Digest of its data.
    pub digest: &'a str,
    /// The model as JSON.
    pub body: &'a str,
    /// The calibration that made it.
    pub calibration: Option<&'a str>,
    /// When it was made.
    pub created_at: Timestamp,
}

/// That a version came into force.
#[derive(Debug, Clone, PartialEq)]
pub struct Activation {
    /// Counts up from 1 in each account.
    pub number: i64,
    /// The version.
    pub version: String,
    /// When.
    pub at: Timestamp,
}

impl Store {
    /// One version.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn model(&self, account: &str, version: &str) -> Result<Model, Error> {
        let row = sqlx::query("SELECT * FROM models WHERE account = $1 AND version = $2")
            .bind(account)
            .bind(version)
            .fetch_optional(&self.reads)
            .await?;
        read_model(&row.ok_or_else(|| Error::not_found("model", version))?)
    }

    /// All versions, oldest first.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn models(&self, account: &str) -> Result<Vec<Model>, Error> {
        sqlx::query("SELECT * FROM models WHERE account = $1 ORDER BY created_at, version")
            .bind(account)
            .fetch_all(&self.reads)
            .await?
            .iter()
            .map(read_model)
            .collect()
    }

    /// The version in force; none before the first activation.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn active_model(&self, account: &str) -> Result<Option<String>, Error> {
        let row = sqlx::query("SELECT version FROM activations WHERE account = $1 ORDER BY number DESC LIMIT 1")
            .bind(account)
            .fetch_optional(&self.reads)
            .await?;
        row.map(|row| row.text("version")).transpose()
    }

    /// Every activation, newest first.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn activations(&self, account: &str) -> Result<Vec<Activation>, Error> {
        sqlx::query("SELECT * FROM activations WHERE account = $1 ORDER BY number DESC")
            .bind(account)
            .fetch_all(&self.reads)
            .await?
            .iter()
            .map(|row| {
                Ok(Activation { number: row.int("number")?, version: row.text("version")?, at: row.time("at")? })
            })
            .collect()
    }
}

impl Write {
    /// Keeps a version. The same again changes nothing: false.
    ///
    /// # Errors
    /// A conflict if there is another of that name; or if the database fails.
    pub async fn put_model(&mut self, model: &NewModel<'_>) -> Result<bool, Error> {
        let inserted = sqlx::query(
            "INSERT INTO models (account, version, digest, body, calibration, created_at)
             VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT (account, version) DO NOTHING",
        )
        .bind(&self.account)
        .bind(model.version)
        .bind(model.digest)
        .bind(model.body)
        .bind(model.calibration)
        .bind(time_text(model.created_at))
        .execute(&mut *self.tx)
        .await?;
        if inserted.rows_affected() > 0 {
            return Ok(true);
        }
        match self.model_digest(model.version).await? {
            Some(digest) if digest == model.digest => Ok(false),
            _ => Err(Error::conflict(format!("there is another model {:?}", model.version))),
        }
    }

    /// Puts a version in force.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn activate_model(&mut self, version: &str, at: Timestamp) -> Result<(), Error> {
        if self.model_digest(version).await?.is_none() {
            return Err(Error::not_found("model", version));
        }
        self.add_activation(version, at).await
    }

    /// One more activation, whether or not the version is kept here: a pack is not exported.
    pub(super) async fn add_activation(&mut self, version: &str, at: Timestamp) -> Result<(), Error> {
        sqlx::query(
            "INSERT INTO activations (account, number, version, at)
             SELECT $1, coalesce(max(number), 0) + 1, $2, $3 FROM activations WHERE account = $1",
        )
        .bind(&self.account)
        .bind(version)
        .bind(time_text(at))
        .execute(&mut *self.tx)
        .await?;
        self.move_force().await
    }

    async fn model_digest(&mut self, version: &str) -> Result<Option<String>, Error> {
        let row = sqlx::query("SELECT digest FROM models WHERE account = $1 AND version = $2")
            .bind(&self.account)
            .bind(version)
            .fetch_optional(&mut *self.tx)
            .await?;
        row.map(|row| row.text("digest")).transpose()
    }
}

fn read_model(row: &AnyRow) -> Result<Model, Error> {
    Ok(Model {
        version: row.text("version")?,
        digest: row.text("digest")?,
        body: row.text("body")?,
        calibration: row.text_or_null("calibration")?,
        created_at: row.time("created_at")?,
    })
}

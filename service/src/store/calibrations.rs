//! Calibrations as jobs: one of many workers takes a job on a lease, renews it with its progress,
//! and finishes it. A job whose worker died is taken again when the lease has run out.
//!
//! Leases and progress are no revision of the account: nothing derived from it changes with them.

use super::columns::{Columns as _, time_text};
use super::{Error, Store, Write};
use jiff::Timestamp;
use sqlx::AssertSqlSafe;
use sqlx::any::AnyRow;

/// How far a calibration is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CalibrationState {
    /// Waits for a worker.
    Queued,
    /// Has one.
    Running,
    /// Finished, with a report.
    Done,
    /// Could not be finished; the report says why.
    Failed,
    /// Given up on request.
    Cancelled,
}

impl CalibrationState {
    /// As stored and in JSON.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Queued => "queued",
            Self::Running => "running",
            Self::Done => "done",
            Self::Failed => "failed",
            Self::Cancelled => "cancelled",
        }
    }

    fn read(text: &str) -> Result<Self, Error> {
        [Self::Queued, Self::Running, Self::Done, Self::Failed, Self::Cancelled]
            .into_iter()
            .find(|s| s.as_str() == text)
            .ok_or_else(|| Error::corrupt(format!("{text:?} is no state of a calibration")))
    }
}

/// A calibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// The account it belongs to: a worker takes jobs of all.
    pub account: String,
    /// Given by the caller, ordered by time.
    pub id: String,
    /// How far it is.
    pub state: CalibrationState,
    /// What was asked for, as JSON.
    pub params: String,
    /// From 0 to 1.
    pub progress: f64,
    /// What came out, as JSON.
    pub report: Option<String>,
    /// The version of the model that it made.
    pub version: Option<String>,
    /// Whether it should stop.
    pub cancel_requested: bool,
    /// When it was asked for.
    pub created_at: Timestamp,
    /// When it last moved.
    pub updated_at: Timestamp,
}

/// How a calibration ends.
#[derive(Debug, Clone, Copy)]
pub struct Ending<'a> {
    /// Done, failed or cancelled.
    pub state: CalibrationState,
    /// What came out, as JSON.
    pub report: Option<&'a str>,
    /// The version of the model that it made.
    pub version: Option<&'a str>,
    /// When.
    pub at: Timestamp,
}

/// What a worker hears on renewing its lease.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Renewal {
    /// Go on.
    GoOn,
    /// Stop, and finish as cancelled.
    Cancel,
}

impl Store {
    /// One calibration.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn calibration(&self, account: &str, id: &str) -> Result<Calibration, Error> {
        read_calibration(&self.row("calibration", account, id).await?)
    }

    /// Calibrations by id, after one (`""`: from the first).
    ///
    /// # Errors
    /// If the database fails.
    pub async fn calibrations(&self, account: &str, after: &str, limit: u32) -> Result<Vec<Calibration>, Error> {
        self.rows("calibration", account, after, limit).await?.iter().map(read_calibration).collect()
    }

    /// Takes the oldest job that waits, or whose lease has run out, until a time.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn claim_calibration(
        &self,
        owner: &str,
        now: Timestamp,
        until: Timestamp,
    ) -> Result<Option<Calibration>, Error> {
        let sql = format!(
            "UPDATE calibrations SET state = 'running', lease_owner = $1, lease_until = $3, updated_at = $2
             WHERE (account, id) =
                 (SELECT account, id FROM calibrations
                  WHERE state = 'queued' OR (state = 'running' AND lease_until < $2)
                  ORDER BY created_at, account, id LIMIT 1 {})
             RETURNING *",
            self.engine.skip_locked()
        );
        let rows = sqlx::query(AssertSqlSafe(sql))
            .bind(owner)
            .bind(time_text(now))
            .bind(time_text(until))
            .fetch_all(&self.writes)
            .await?;
        rows.first().map(read_calibration).transpose()
    }

    /// Keeps a job until a later time, and says how far it is.
    ///
    /// # Errors
    /// A conflict if the lease is lost; or if the database fails.
    pub async fn renew_calibration(
        &self,
        job: &Calibration,
        owner: &str,
        now: Timestamp,
        until: Timestamp,
        progress: f64,
    ) -> Result<Renewal, Error> {
        let rows = sqlx::query(
            "UPDATE calibrations SET lease_until = $5, updated_at = $4, progress = $6
             WHERE account = $1 AND id = $2 AND state = 'running' AND lease_owner = $3
             RETURNING cancel_requested",
        )
        .bind(&job.account)
        .bind(&job.id)
        .bind(owner)
        .bind(time_text(now))
        .bind(time_text(until))
        .bind(progress)
        .fetch_all(&self.writes)
        .await?;
        let row = rows.first().ok_or_else(|| lost(&job.id))?;
        Ok(if row.int("cancel_requested")? == 0 { Renewal::GoOn } else { Renewal::Cancel })
    }
}

impl Write {
    /// Queues a calibration.
    ///
    /// # Errors
    /// A conflict if there is one of that id; or if the database fails.
    pub async fn queue_calibration(&mut self, id: &str, params: &str, at: Timestamp) -> Result<(), Error> {
        sqlx::query(
            "INSERT INTO calibrations (account, id, state, params, progress, cancel_requested, created_at, updated_at)
             VALUES ($1, $2, 'queued', $3, 0, 0, $4, $4)",
        )
        .bind(&self.account)
        .bind(id)
        .bind(params)
        .bind(time_text(at))
        .execute(&mut *self.tx)
        .await?;
        Ok(())
    }

    /// Whether a calibration was called off; nobody else does so until the commit.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn calibration_called_off(&mut self, id: &str) -> Result<bool, Error> {
        let row = sqlx::query("SELECT cancel_requested FROM calibrations WHERE account = $1 AND id = $2")
            .bind(&self.account)
            .bind(id)
            .fetch_optional(&mut *self.tx)
            .await?;
        Ok(row.ok_or_else(|| Error::not_found("calibration", id))?.int("cancel_requested")? != 0)
    }

    /// Ends a job that its owner still holds, together with the model it made.
    ///
    /// # Errors
    /// A conflict if the lease is lost; or if the database fails.
    pub async fn finish_calibration(&mut self, id: &str, owner: &str, ending: &Ending<'_>) -> Result<(), Error> {
        let ended = sqlx::query(
            "UPDATE calibrations SET state = $4, report = $5, version = $6, updated_at = $7,
                 progress = CASE WHEN $4 = 'done' THEN 1 ELSE progress END, lease_owner = NULL, lease_until = NULL
             WHERE account = $1 AND id = $2 AND state = 'running' AND lease_owner = $3",
        )
        .bind(&self.account)
        .bind(id)
        .bind(owner)
        .bind(ending.state.as_str())
        .bind(ending.report)
        .bind(ending.version)
        .bind(time_text(ending.at))
        .execute(&mut *self.tx)
        .await?;
        if ended.rows_affected() == 0 { Err(lost(id)) } else { Ok(()) }
    }

    /// Cancels a calibration that waits; asks one that runs to stop; leaves one that ended.
    ///
    /// # Errors
    /// Not found; or if the database fails.
    pub async fn cancel_calibration(&mut self, id: &str, at: Timestamp) -> Result<(), Error> {
        let found = sqlx::query(
            "UPDATE calibrations SET updated_at = CASE WHEN state IN ('queued', 'running') THEN $3 ELSE updated_at END,
                 cancel_requested = CASE WHEN state IN ('queued', 'running') THEN 1 ELSE cancel_requested END,
                 state = CASE WHEN state = 'queued' THEN 'cancelled' ELSE state END
             WHERE account = $1 AND id = $2",
        )
        .bind(&self.account)
        .bind(id)
        .bind(time_text(at))
        .execute(&mut *self.tx)
        .await?;
        if found.rows_affected() == 0 { Err(Error::not_found("calibration", id)) } else { Ok(()) }
    }
}

fn lost(id: &str) -> Error {
    Error::conflict(format!("calibration {id:?} is not held by this worker"))
}

fn read_calibration(row: &AnyRow) -> Result<Calibration, Error> {
    Ok(Calibration {
        account: row.text("account")?,
        id: row.text("id")?,
        state: CalibrationState::read(&row.text("state")?)?,
        params: row.text("params")?,
        progress: row.number_or_null("progress")?.unwrap_or_default(),
        report: row.text_or_null("report")?,
        version: row.text_or_null("version")?,
        cancel_requested: row.int("cancel_requested")? != 0,
        created_at: row.time("created_at")?,
        updated_at: row.time("updated_at")?,
    })
}

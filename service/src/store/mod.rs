//! What the service remembers: listings and their assessments, sellers, outcomes, the reference
//! book, models, calibrations, feeds, changes and the answers to repeated requests.
//!
//! One [`Store`] over two engines: SQLite, one file in the data folder, and PostgreSQL. They share
//! every statement but a few words, those of `Engine`; `migrations/{sqlite,postgres}` differ in
//! types and in what pages need of indexes.
//!
//! - Every row belongs to an account. An account has one counter row, and a [`Write`] takes it
//!   first: writes of an account follow one another, each has a **revision** of its own, and no
//!   number is ever seen late. What is derived from an account holds while [`Store::revision`] does.
//! - A [`Write`] is one transaction: all of it is kept at [`Write::commit`], or nothing.
//! - Times are given, never read from a clock; they are kept to the microsecond.
//! - JSON is kept as text, exactly as given.
//!
//! ```
//! # tokio::runtime::Runtime::new().unwrap().block_on(async {
//! use steelyard::store::{NewOutcome, OutcomeFilter, Store};
//!
//! let folder = tempfile::tempdir()?;
//! let store = Store::sqlite(folder.path()).await?;
//! let mut write = store.write("local").await?;
//! let at = "2026-11-24T21:00:00Z".parse()?;
//! let found = NewOutcome { id: "o-1", listing: "lot-381", recorded_at: at, found_at: at, body: r#"{"story":"original"}"# };
//! write.record_outcomes(&[found]).await?;
//! write.commit().await?;
//! assert_eq!(store.outcomes("local", &OutcomeFilter::default(), 0, 10).await?[0].listing, "lot-381");
//! # Ok::<(), anyhow::Error>(()) }).unwrap();
//! ```

mod book;
mod calibrations;
mod changes;
mod columns;
mod error;
mod feeds;
mod idempotency;
mod listings;
mod models;
mod outcomes;
mod relisted;
mod sellers;
mod sound;
mod transfer;

pub use book::{BookEntry, BookPart};
pub use calibrations::{Calibration, CalibrationState, Ending, Renewal};
pub use changes::{Change, NewChange};
pub use error::Error;
pub use feeds::{Feed, FeedItem, NewFeed, PollEnd};
pub use idempotency::{Begun, StoredResponse, Ticket};
pub use listings::{
    Assessment, Cursor, Keys, Listing, ListingPage, ListingQuery, NewAssessment, NewListing, PastAssessment,
    PastRequest, Put, Sort, Status,
};
pub use models::{Activation, Model, NewModel};
pub use outcomes::{NewOutcome, Outcome, OutcomeFilter, Recorded};
pub use relisted::SameWatch;
pub use sellers::{NewSeller, Seller, SellerSummary};
pub use transfer::{Import, ImportReport, Refused};

use columns::Columns as _;
use sqlx::any::{AnyConnectOptions, AnyPoolOptions, AnyRow};
use sqlx::migrate::{Migration, MigrationType, Migrator};
use sqlx::{Any, AnyConnection, AnyPool, AssertSqlSafe, Connection as _, Executor as _, SqlStr, Transaction};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::watch;
use tokio::time::{Instant, sleep};

/// How long a caller waits for a connection, or for SQLite's only writer.
const PATIENCE: Duration = Duration::from_secs(10);
/// Between two tries at what SQLite does not wait for.
const A_MOMENT: Duration = Duration::from_millis(20);
/// Connections to PostgreSQL, and to read SQLite with.
const CONNECTIONS: u32 = 8;
/// The name of SQLite's file in the data folder.
pub const FILE: &str = "steelyard.sqlite3";

/// FULL makes a commit survive the loss of power; what is deleted is overwritten, not left in the file
/// until something else takes its place.
const PRAGMAS: &str = "PRAGMA busy_timeout = 10000; PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; \
                       PRAGMA secure_delete = ON";
/// WAL lets readers go on beside the writer. The file itself keeps the mode.
const WAL: &str = "PRAGMA journal_mode = WAL";

/// The engine, and the words in which its SQL differs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Engine {
    Sqlite,
    Postgres,
}

impl Engine {
    /// A write that began by reading could not go on beside another in SQLite: take the lock at once.
    fn begin(self) -> &'static str {
        match self {
            Self::Sqlite => "BEGIN IMMEDIATE",
            Self::Postgres => "BEGIN",
        }
    }

    /// All reads see the same moment.
    fn begin_snapshot(self) -> &'static str {
        match self {
            Self::Sqlite => "BEGIN",
            Self::Postgres => "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY",
        }
    }

    /// Passes over rows that another is just taking. In SQLite there is but one writer.
    fn skip_locked(self) -> &'static str {
        match self {
            Self::Sqlite => "",
            Self::Postgres => "FOR UPDATE SKIP LOCKED",
        }
    }

    /// A group's values as a JSON array.
    fn json_array_of(self) -> &'static str {
        match self {
            Self::Sqlite => "json_group_array",
            Self::Postgres => "json_agg",
        }
    }

    fn migrations(self) -> Migrator {
        let files = match self {
            Self::Sqlite => [
                (1, "store", include_str!("../../migrations/sqlite/0001_store.sql")),
                (2, "history", include_str!("../../migrations/sqlite/0002_history.sql")),
                (3, "feeds", include_str!("../../migrations/sqlite/0003_feeds.sql")),
                (4, "feeds_without_url", include_str!("../../migrations/sqlite/0004_feeds_without_url.sql")),
                (5, "in_force", include_str!("../../migrations/sqlite/0005_in_force.sql")),
                (6, "feed_defaults", include_str!("../../migrations/sqlite/0006_feed_defaults.sql")),
            ],
            Self::Postgres => [
                (1, "store", include_str!("../../migrations/postgres/0001_store.sql")),
                (2, "history", include_str!("../../migrations/postgres/0002_history.sql")),
                (3, "feeds", include_str!("../../migrations/postgres/0003_feeds.sql")),
                (4, "feeds_without_url", include_str!("../../migrations/postgres/0004_feeds_without_url.sql")),
                (5, "in_force", include_str!("../../migrations/postgres/0005_in_force.sql")),
                (6, "feed_defaults", include_str!("../../migrations/postgres/0006_feed_defaults.sql")),
            ],
        };
        Migrator::with_migrations(
            files
                .map(|(number, name, sql)| {
                    Migration::new(number, name.into(), MigrationType::Simple, SqlStr::from_static(sql), false)
                })
                .into(),
        )
    }
}

/// The memory of the service. Clones share their connections.
#[derive(Debug, Clone)]
pub struct Store {
    engine: Engine,
    reads: AnyPool,
    writes: AnyPool,
    told: Arc<watch::Sender<()>>,
}

/// Sets the journal mode. SQLite does not wait for others here, however long `busy_timeout` is: while
/// somebody else opens a new file, the change is refused at once.
async fn write_ahead(connection: &mut AnyConnection) -> Result<(), Error> {
    let deadline = Instant::now() + PATIENCE;
    loop {
        match connection.execute(WAL).await {
            Err(e) if error::is_busy(&e) && Instant::now() < deadline => sleep(A_MOMENT).await,
            done => return Ok(done.map(drop)?),
        }
    }
}

impl Store {
    /// PostgreSQL if a URL is given, else SQLite in the folder.
    ///
    /// # Errors
    /// As [`Store::postgres`] and [`Store::sqlite`].
    pub async fn open(folder: &Path, database_url: Option<&str>) -> Result<Self, Error> {
        match database_url {
            Some(url) => Self::postgres(url).await,
            None => Self::sqlite(folder).await,
        }
    }

    /// SQLite in a folder, made if need be, brought to the newest schema.
    ///
    /// # Errors
    /// If the folder or file cannot be made or opened, or holds something else.
    pub async fn sqlite(folder: &Path) -> Result<Self, Error> {
        sqlx::any::install_default_drivers();
        make_private(folder).map_err(|e| Error::unavailable(format!("{}: {e}", folder.display())))?;
        let file = folder.join(FILE);
        let file = std::path::absolute(&file).map_err(|e| Error::unavailable(format!("{}: {e}", file.display())))?;
        let mut url = url::Url::from_file_path(&file)
            .map_err(|()| Error::unavailable(format!("{}: no path for a URL", file.display())))?
            .to_string()
            .replacen("file:", "sqlite:", 1);
        url.push_str("?mode=rwc");
        let options: AnyConnectOptions = url.parse()?;
        let engine = Engine::Sqlite;
        // A connection by itself: a pool would try again until its patience ends, and not say why.
        let mut first = AnyConnection::connect_with(&options).await?;
        first.execute(PRAGMAS).await?;
        write_ahead(&mut first).await?;
        let mut migration = first.begin_with(engine.begin()).await?;
        engine.migrations().run(&mut migration).await?;
        migration.commit().await?;
        first.close().await?;
        let pool = |connections| {
            AnyPoolOptions::new()
                .max_connections(connections)
                .acquire_timeout(PATIENCE)
                .after_connect(|connection, _| Box::pin(async move { connection.execute(PRAGMAS).await.map(drop) }))
                .connect_lazy_with(options.clone())
        };
        // One connection writes: in this process writers queue for it in order, and only another
        // process has to be waited for by SQLite's own, unfair, polling.
        Ok(Self { engine, reads: pool(CONNECTIONS), writes: pool(1), told: Arc::default() })
    }

    /// PostgreSQL at a URL, brought to the newest schema.
    ///
    /// # Errors
    /// If the database does not answer or holds something else.
    pub async fn postgres(url: &str) -> Result<Self, Error> {
        sqlx::any::install_default_drivers();
        if !url.starts_with("postgres://") && !url.starts_with("postgresql://") {
            return Err(Error::unavailable("DATABASE_URL must begin with postgres:// or postgresql://".into()));
        }
        let options: AnyConnectOptions = url.parse()?;
        let engine = Engine::Postgres;
        let mut first = AnyConnection::connect_with(&options).await?;
        // Replicas that start together queue for the migrator's own lock.
        engine.migrations().run(&mut first).await?;
        first.close().await?;
        let pool =
            AnyPoolOptions::new().max_connections(CONNECTIONS).acquire_timeout(PATIENCE).connect_lazy_with(options);
        Ok(Self { engine, reads: pool.clone(), writes: pool, told: Arc::default() })
    }

    /// Whether the database answers.
    ///
    /// # Errors
    /// If it does not.
    pub async fn ready(&self) -> Result<(), Error> {
        self.reads.execute("SELECT 1").await?;
        Ok(())
    }

    /// Empties SQLite's log, where pages still stand as they were before something was deleted. False
    /// if somebody read for so long that it could not be: it is emptied at a later checkpoint, or when
    /// the service stops. PostgreSQL has its own ways: VACUUM, and the end of its log's keeping.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn empty_log(&self) -> Result<bool, Error> {
        if self.engine == Engine::Postgres {
            return Ok(true);
        }
        let row = sqlx::query("PRAGMA wal_checkpoint(TRUNCATE)").fetch_one(&self.writes).await?;
        Ok(row.int("busy")? == 0)
    }

    /// Finishes what is under way and lets go of the database.
    pub async fn close(&self) {
        self.writes.close().await;
        self.reads.close().await;
    }

    /// The row of a thing, from the table of its kind.
    async fn row(&self, kind: &'static str, account: &str, id: &str) -> Result<AnyRow, Error> {
        let row = sqlx::query(AssertSqlSafe(format!("SELECT * FROM {kind}s WHERE account = $1 AND id = $2")))
            .bind(account)
            .bind(id)
            .fetch_optional(&self.reads)
            .await?;
        row.ok_or_else(|| Error::not_found(kind, id))
    }

    /// The rows of a kind by id, after one (`""`: from the first).
    async fn rows(&self, kind: &'static str, account: &str, after: &str, limit: u32) -> Result<Vec<AnyRow>, Error> {
        let sql = format!("SELECT * FROM {kind}s WHERE account = $1 AND id > $2 ORDER BY id LIMIT $3");
        let rows = sqlx::query(AssertSqlSafe(sql)).bind(account).bind(after).bind(i64::from(limit));
        Ok(rows.fetch_all(&self.reads).await?)
    }

    /// The revision of an account's last write; 0 before the first.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn revision(&self, account: &str) -> Result<i64, Error> {
        Ok(self.revisions(account).await?.newest)
    }

    /// The same, and the one that last moved what is in force.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn revisions(&self, account: &str) -> Result<Revisions, Error> {
        let row = sqlx::query("SELECT revision, force_revision FROM accounts WHERE account = $1")
            .bind(account)
            .fetch_optional(&self.reads)
            .await?;
        match row {
            Some(row) => Ok(Revisions { newest: row.int("revision")?, in_force: row.int("force_revision")? }),
            None => Ok(Revisions::default()),
        }
    }

    /// Begins a write to an account. Have ready what is to be written: until the commit, other
    /// writes of the account wait, and on SQLite all of them.
    ///
    /// # Errors
    /// If the database fails.
    pub async fn write(&self, account: &str) -> Result<Write, Error> {
        let mut tx = self.writes.begin_with(self.engine.begin()).await?;
        let row = sqlx::query(
            "INSERT INTO accounts (account, revision, last_outcome, last_change) VALUES ($1, 1, 0, 0)
             ON CONFLICT (account) DO UPDATE SET revision = accounts.revision + 1
             RETURNING revision, force_revision",
        )
        .bind(account)
        .fetch_one(&mut *tx)
        .await?;
        let told = self.told.clone();
        let (revision, force_revision) = (row.int("revision")?, row.int("force_revision")?);
        Ok(Write { tx, account: account.into(), revision, force_revision, told, tells: false })
    }
}

/// One transaction on one account. Dropped before [`Write::commit`], it leaves nothing behind.
#[derive(Debug)]
pub struct Write {
    tx: Transaction<'static, Any>,
    account: String,
    revision: i64,
    force_revision: i64,
    told: Arc<watch::Sender<()>>,
    tells: bool,
}

/// Revisions of an account; 0 before the first.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Revisions {
    /// Of the last write.
    pub newest: i64,
    /// Of the last write that changed the models or the reference book.
    pub in_force: i64,
}

impl Write {
    /// The revision that everything written here gets.
    #[must_use]
    pub fn revision(&self) -> i64 {
        self.revision
    }

    /// The revision that last changed the models or the reference book before this write began. Nobody
    /// else changes them until its end: what was made with another is out of date.
    #[must_use]
    pub fn force_revision(&self) -> i64 {
        self.force_revision
    }

    /// The models or the reference book are others from here on.
    async fn move_force(&mut self) -> Result<(), Error> {
        sqlx::query("UPDATE accounts SET force_revision = $2 WHERE account = $1")
            .bind(&self.account)
            .bind(self.revision)
            .execute(&mut *self.tx)
            .await?;
        Ok(())
    }

    /// Keeps all that was written.
    ///
    /// # Errors
    /// If the database fails; then nothing was kept, or at worst it is not known whether it was.
    pub async fn commit(self) -> Result<(), Error> {
        self.tx.commit().await?;
        if self.tells {
            self.told.send_replace(());
        }
        Ok(())
    }

    /// Moves one of the account's counters on by `count` and gives its value before.
    async fn count_on(&mut self, counter: Counter, count: usize) -> Result<i64, Error> {
        let count = i64::try_from(count).unwrap_or(i64::MAX);
        let sql = match counter {
            Counter::Outcome => {
                "UPDATE accounts SET last_outcome = last_outcome + $2 WHERE account = $1 RETURNING last_outcome AS last"
            }
            Counter::Change => {
                "UPDATE accounts SET last_change = last_change + $2 WHERE account = $1 RETURNING last_change AS last"
            }
        };
        let row = sqlx::query(sql).bind(&self.account).bind(count).fetch_one(&mut *self.tx).await?;
        Ok(row.int("last")? - count)
    }
}

enum Counter {
    Outcome,
    Change,
}

/// What must hold of a thing for a write to go on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Precondition {
    /// Nothing.
    None,
    /// There is one: `If-Match: *`.
    Present,
    /// There is none yet: `If-None-Match: *`.
    Absent,
    /// It is at one of these revisions: `If-Match`. 0 is that of nothing.
    Revisions(Vec<i64>),
    /// It is at none of these revisions: `If-None-Match`.
    NoneOf(Vec<i64>),
    /// All of these.
    All(Vec<Precondition>),
}

impl Precondition {
    /// The same of what is there for certain.
    fn of_something(self) -> Self {
        match self {
            Self::Present => Self::None,
            Self::All(all) => Self::All(all.into_iter().map(Self::of_something).collect()),
            other => other,
        }
    }

    /// Whether it holds of the revision that a thing has, if there is one.
    fn check(&self, is: Option<i64>, what: &str, id: &str) -> Result<(), Error> {
        let at = is.unwrap_or(0);
        let holds = match self {
            Self::None => true,
            Self::Present => is.is_some(),
            Self::Absent => is.is_none(),
            Self::Revisions(wanted) => wanted.contains(&at),
            Self::NoneOf(unwanted) => !unwanted.contains(&at),
            Self::All(all) => return all.iter().try_for_each(|one| one.check(is, what, id)),
        };
        match is {
            _ if holds => Ok(()),
            None => Err(Error::conflict(format!("there is no {what} {id:?}"))),
            Some(_) if *self == Self::Absent => Err(Error::conflict(format!("there is a {what} {id:?} already"))),
            Some(is) => Err(Error::conflict(format!("{what} {id:?} is at revision {is}"))),
        }
    }
}

/// Makes a folder, if there is none, that is its owner's alone.
fn make_private(folder: &Path) -> std::io::Result<()> {
    let mut builder = std::fs::DirBuilder::new();
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.recursive(true).create(folder)
}

#[cfg(test)]
mod tests {
    use super::*;
    use futures_util::future::join_all;

    /// FULL is 2: see <https://sqlite.org/pragma.html#pragma_synchronous>.
    #[tokio::test]
    async fn every_connection_to_sqlite_is_durable_and_keeps_references() {
        let folder = tempfile::tempdir().unwrap();
        // What a URL would take for its own.
        let folder = folder.path().join("ä ?#%41");
        let store = Store::sqlite(&folder).await.unwrap();
        assert!(folder.join(FILE).is_file());
        for pool in [&store.reads, &store.writes] {
            for (pragma, expected) in [
                ("PRAGMA synchronous", 2),
                ("PRAGMA foreign_keys", 1),
                ("PRAGMA busy_timeout", 10_000),
                ("PRAGMA secure_delete", 1),
            ] {
                let row = sqlx::query(pragma).fetch_one(pool).await.unwrap();
                assert_eq!(sqlx::Row::get::<i64, _>(&row, 0), expected, "{pragma}");
            }
            let row = sqlx::query("PRAGMA journal_mode").fetch_one(pool).await.unwrap();
            assert_eq!(sqlx::Row::get::<String, _>(&row, 0), "wal");
        }
    }

    /// Who comes while the journal mode of a new file is being set would be refused at once.
    #[tokio::test(flavor = "multi_thread")]
    async fn a_new_file_is_opened_by_many_at_once() {
        for _ in 0..20 {
            let folder = tempfile::tempdir().unwrap();
            let opened = join_all((0..8).map(|_| Store::sqlite(folder.path()))).await;
            assert!(opened.iter().all(Result::is_ok), "{opened:?}");
        }
    }

    /// What a plain `BEGIN` does not give: whoever reads first and then writes finds the database
    /// changed in between, and is refused however long it would wait.
    #[tokio::test(flavor = "multi_thread")]
    async fn writes_that_read_first_are_never_refused() {
        let folder = tempfile::tempdir().unwrap();
        let mut tasks = tokio::task::JoinSet::new();
        for _ in 0..4 {
            let store = Store::sqlite(folder.path()).await.unwrap();
            tasks.spawn(async move {
                for _ in 0..25 {
                    let mut tx = store.writes.begin_with(store.engine.begin()).await.unwrap();
                    let sql = "SELECT coalesce(max(revision), 0) AS revision FROM accounts";
                    let revision = sqlx::query(sql).fetch_one(&mut *tx).await.unwrap().int("revision").unwrap();
                    sqlx::query(
                        "INSERT INTO accounts (account, revision, last_outcome, last_change) VALUES ('a', $1, 0, 0)
                         ON CONFLICT (account) DO UPDATE SET revision = excluded.revision",
                    )
                    .bind(revision + 1)
                    .execute(&mut *tx)
                    .await
                    .unwrap();
                    tx.commit().await.unwrap();
                }
            });
        }
        tasks.join_all().await;
        assert_eq!(Store::sqlite(folder.path()).await.unwrap().revision("a").await.unwrap(), 100);
    }
}

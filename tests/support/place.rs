//! Empty places for stores, on both engines.

#![allow(dead_code, reason = "every test takes the part it needs")]

use std::io::{BufRead as _, BufReader};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use steelyard::store::Store;
use tempfile::TempDir;

/// Makes of each law two tests, one on each engine.
#[allow(unused_macros, reason = "every test takes the part it needs")]
macro_rules! on_both {
    ($($law:ident),* $(,)?) => {
        mod sqlite { $(
            #[tokio::test(flavor = "multi_thread")]
            async fn $law() {
                let place = $crate::support::Place::sqlite();
                super::$law(&place).await;
            }
        )* }
        mod postgres { $(
            #[tokio::test(flavor = "multi_thread")]
            async fn $law() {
                let place = $crate::support::Place::postgres().await;
                super::$law(&place).await;
                place.remove().await;
            }
        )* }
    };
}

/// Where a store is or will be.
pub(crate) enum Place {
    Folder(TempDir),
    Database(String),
}

impl Place {
    pub(crate) fn sqlite() -> Self {
        Self::Folder(tempfile::tempdir().unwrap())
    }

    /// A database of its own, ordered as English people order words unless a column says otherwise.
    pub(crate) async fn postgres() -> Self {
        static MADE: AtomicU32 = AtomicU32::new(0);
        let name = format!("steelyard_test_{}_{}", std::process::id(), MADE.fetch_add(1, Ordering::Relaxed));
        on_server(&format!(
            "CREATE DATABASE {name} TEMPLATE template0 ENCODING UTF8 LOCALE_PROVIDER icu ICU_LOCALE 'en-US'"
        ))
        .await;
        let mut url: url::Url = server().parse().unwrap();
        url.set_path(&name);
        Self::Database(url.into())
    }

    /// What tells a process of the binary where its store is.
    pub(crate) fn variable(&self) -> (&'static str, &str) {
        match self {
            Self::Folder(folder) => ("STEELYARD_DATA", folder.path().to_str().unwrap()),
            Self::Database(url) => ("DATABASE_URL", url),
        }
    }

    pub(crate) async fn open(&self) -> Store {
        match self {
            Self::Folder(folder) => Store::open(folder.path(), None).await.unwrap(),
            Self::Database(url) => Store::open("/nowhere".as_ref(), Some(url)).await.unwrap(),
        }
    }

    /// Ends every connection to the database, as a restart or a firewall would.
    pub(crate) async fn disconnect(&self) {
        if let Self::Database(url) = self {
            let name = url.rsplit('/').next().unwrap();
            on_server(&format!("SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = '{name}'"))
                .await;
        }
    }

    pub(crate) async fn remove(self) {
        if let Self::Database(url) = self {
            let name = url.rsplit('/').next().unwrap();
            on_server(&format!("DROP DATABASE {name} WITH (FORCE)")).await;
        }
    }
}

async fn on_server(sql: &str) {
    use sqlx::{AssertSqlSafe, Connection as _, Executor as _};
    let mut connection = sqlx::PgConnection::connect(server()).await.unwrap();
    connection.execute(AssertSqlSafe(sql)).await.unwrap();
    connection.close().await.unwrap();
}

/// The URL in `STEELYARD_TEST_DATABASE_URL`, or else that of a server started for this run: it
/// stops when its standard input ends, which is when this process does, however it ends.
fn server() -> &'static str {
    static SERVER: OnceLock<(String, Option<Child>)> = OnceLock::new();
    let (url, _) = SERVER.get_or_init(|| {
        if let Ok(url) = std::env::var("STEELYARD_TEST_DATABASE_URL") {
            return (url, None);
        }
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/postgres");
        let mut child = Command::new(script)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap_or_else(|e| panic!("tests/postgres, a bash script, cannot be run: {e}"));
        let mut url = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut url).unwrap();
        assert!(
            !url.is_empty(),
            "there is no PostgreSQL to test with: set STEELYARD_TEST_DATABASE_URL, or see what tests/postgres misses"
        );
        (url.trim().into(), Some(child))
    });
    url
}

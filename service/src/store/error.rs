//! What can go wrong with the store: one sentence for the caller, another for the log.

use std::fmt;

/// Why the store did not do what was asked. `Display` is what a client may see.
#[derive(Debug)]
pub struct Error {
    kind: Kind,
    message: String,
    detail: String,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Kind {
    Conflict,
    NotFound,
    Unfit,
    NoExport,
    Unavailable,
    Corrupt,
}

impl Error {
    /// Whether it contradicts what is stored: a failed precondition, a repeated id, a lost lease.
    #[must_use]
    pub fn is_conflict(&self) -> bool {
        self.kind == Kind::Conflict
    }

    /// Whether there is no such thing.
    #[must_use]
    pub fn is_not_found(&self) -> bool {
        self.kind == Kind::NotFound
    }

    /// Whether it holds the character NUL where the engine's text has no room for it.
    #[must_use]
    pub fn is_unfit(&self) -> bool {
        self.kind == Kind::Unfit
    }

    /// Whether what was to be imported is no export.
    #[must_use]
    pub fn is_no_export(&self) -> bool {
        self.kind == Kind::NoExport
    }

    /// Whether the database does not answer or has no room just now; trying again may help.
    #[must_use]
    pub fn is_unavailable(&self) -> bool {
        self.kind == Kind::Unavailable
    }

    /// Whether what is stored is not what this program stores, or a statement of ours is wrong.
    #[must_use]
    pub fn is_corrupt(&self) -> bool {
        self.kind == Kind::Corrupt
    }

    /// What happened, for the log only.
    #[must_use]
    pub fn detail(&self) -> &str {
        &self.detail
    }

    /// Contradicts what is stored.
    pub(super) fn conflict(message: impl Into<String>) -> Self {
        let message = message.into();
        Self { kind: Kind::Conflict, detail: message.clone(), message }
    }

    /// There is no such thing.
    pub(super) fn not_found(what: &str, id: &str) -> Self {
        let message = format!("there is no {what} {id:?}");
        Self { kind: Kind::NotFound, detail: message.clone(), message }
    }

    /// What was to be imported is no export.
    pub(super) fn no_export(message: impl Into<String>) -> Self {
        let message = message.into();
        Self { kind: Kind::NoExport, detail: message.clone(), message }
    }

    /// The database does not answer.
    pub(super) fn unavailable(detail: String) -> Self {
        Self { kind: Kind::Unavailable, message: "the database does not answer".into(), detail }
    }

    /// What is stored does not fit.
    pub(super) fn corrupt(detail: String) -> Self {
        Self { kind: Kind::Corrupt, message: "what is stored could not be read".into(), detail }
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)
    }
}

impl std::error::Error for Error {}

impl From<sqlx::Error> for Error {
    fn from(error: sqlx::Error) -> Self {
        use sqlx::Error as E;
        let detail = error.to_string();
        match &error {
            E::Database(e) if e.is_unique_violation() => {
                Self { kind: Kind::Conflict, message: "there is one already".into(), detail }
            }
            // "character_not_in_repertoire" of PostgreSQL.
            E::Database(e) if e.code().as_deref() == Some("22021") => {
                Self { kind: Kind::Unfit, message: "a text holds the character NUL".into(), detail }
            }
            E::Database(e) if passes(e.code().as_deref().unwrap_or_default()) => Self::unavailable(detail),
            E::Io(_)
            | E::Tls(_)
            | E::Protocol(_)
            | E::PoolTimedOut
            | E::PoolClosed
            | E::WorkerCrashed
            | E::Configuration(_) => Self::unavailable(detail),
            _ => Self::corrupt(detail),
        }
    }
}

impl From<sqlx::migrate::MigrateError> for Error {
    fn from(error: sqlx::migrate::MigrateError) -> Self {
        match error {
            sqlx::migrate::MigrateError::Execute(e) | sqlx::migrate::MigrateError::ExecuteMigration(e, _) => e.into(),
            other => Self::corrupt(other.to_string()),
        }
    }
}

/// Whether SQLite says that another connection has the file just now.
pub(super) fn is_busy(error: &sqlx::Error) -> bool {
    let code = error.as_database_error().and_then(|e| e.code()?.parse::<u32>().ok());
    code.is_some_and(|code| code & 0xff == 5)
}

/// Whether an engine's code speaks of its state, not of the statement.
///
/// PostgreSQL's are five characters by class (08 connection, 40 rolled back, 53 resources,
/// 55 not in prerequisite state, 57 operator intervention, 58 system); SQLite's are numbers, the
/// primary one in the low byte (5 busy, 6 locked, 8 read-only, 10 I/O, 13 full, 14 cannot open).
fn passes(code: &str) -> bool {
    match code.parse::<u32>() {
        Ok(code) if code.to_string().len() < 5 => matches!(code & 0xff, 5 | 6 | 8 | 10 | 13 | 14),
        _ => ["08", "40", "53", "55", "57", "58"].iter().any(|class| code.starts_with(class)),
    }
}

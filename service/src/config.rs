//! Configuration by environment and command line.

use anyhow::Context as _;
use clap::Args;
use etcetera::BaseStrategy as _;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

/// How the service runs.
#[derive(Debug, Clone, Args)]
pub struct Config {
    /// Address to listen on; port 0 takes a free one. Before there are tokens, loopback only.
    #[arg(long, env = "STEELYARD_LISTEN", default_value = "127.0.0.1:8377")]
    pub listen: SocketAddr,
    /// Folder for stored data; where it is left out, the platform's folder for programs' data.
    #[arg(long, env = "STEELYARD_DATA")]
    pub data: Option<PathBuf>,
    /// Folder of a model's TOML files, instead of the model that comes with the program.
    #[arg(long, env = "STEELYARD_PACK")]
    pub pack: Option<PathBuf>,
    /// JSON file of references and calibres, as `reference_book` in a request.
    #[arg(long, env = "STEELYARD_REFERENCE_BOOK")]
    pub reference_book: Option<PathBuf>,
    /// Origins of browser extensions and pages that may call, separated by commas; an extension
    /// scheme may end in `*` where the browser makes up an id for every install.
    #[arg(long, env = "STEELYARD_ALLOWED_ORIGINS", value_delimiter = ',')]
    pub allowed_origins: Vec<String>,
    /// Names besides the loopback ones that a `Host` header may hold, separated by commas.
    #[arg(long, env = "STEELYARD_ALLOWED_HOSTS", value_delimiter = ',')]
    pub allowed_hosts: Vec<String>,
    /// Hosts with their ports, such as `127.0.0.1:9000`, separated by commas, that feeds may be fetched
    /// from although they are no public address.
    #[arg(long, env = "STEELYARD_FEED_EXCEPTIONS", value_delimiter = ',')]
    pub feed_exceptions: Vec<String>,
    /// Whether this process polls feeds at their time; by hand they are polled all the same.
    #[arg(long, env = "STEELYARD_POLL_FEEDS", default_value_t = true, action = clap::ArgAction::Set)]
    pub poll_feeds: bool,
    /// Seconds after which another process takes over a feed from one that died.
    #[arg(long, env = "STEELYARD_FEED_LEASE_S", default_value_t = 30, value_parser = clap::value_parser!(u32).range(1..=3600), hide = true)]
    pub feed_lease_s: u32,
    /// A PostgreSQL database to use instead of a file in the data folder: `DATABASE_URL`, from the
    /// environment alone, since it may hold a password.
    #[arg(skip)]
    pub database_url: Option<String>,
}

impl Config {
    /// The defaults on a free loopback port: for tests and demonstrations.
    #[must_use]
    pub fn on_free_port() -> Self {
        Self {
            listen: SocketAddr::from(([127, 0, 0, 1], 0)),
            data: None,
            pack: None,
            reference_book: None,
            allowed_origins: Vec::new(),
            allowed_hosts: Vec::new(),
            feed_exceptions: Vec::new(),
            poll_feeds: true,
            feed_lease_s: 30,
            database_url: None,
        }
    }
}

/// The folder for stored data: the one given, or else the platform's own for this program
/// (`$XDG_DATA_HOME/steelyard` by the XDG Base Directory Specification).
///
/// # Errors
/// If none is given and whoever runs the program has no home.
pub fn data_folder(given: Option<&Path>) -> anyhow::Result<PathBuf> {
    match given {
        Some(folder) => Ok(folder.into()),
        None => {
            let platform = etcetera::base_strategy::choose_native_strategy()
                .context("no folder for data; give one with --data")?;
            Ok(platform.data_dir().join("steelyard"))
        }
    }
}

/// The database that replaces the folder, from `DATABASE_URL`: it may hold a password, so it is no flag.
///
/// # Errors
/// If it is not UTF-8.
pub fn database_url() -> anyhow::Result<Option<String>> {
    let url = std::env::var_os("DATABASE_URL").filter(|url| !url.is_empty()).map(std::ffi::OsString::into_string);
    url.transpose().map_err(|_| anyhow::anyhow!("DATABASE_URL is not UTF-8"))
}

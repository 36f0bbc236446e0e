//! The command line: `serve`, `assess`, `calibrate`, `export`, `import`, `listings import`,
//! `outcomes import`, `sample`, `tonight`, `model check`.

mod commands;

use clap::{Parser, Subcommand};
use commands::Output;
use commands::assess::{self, Assess};
use commands::calibrate::{self, Calibrate};
use commands::export::{self, Export};
use commands::import::{self, Import};
use commands::listings::{self, Listings};
use commands::outcomes::{self, Outcomes};
use commands::sample::{self, Sample};
use commands::tonight::{self, Tonight};
use std::path::PathBuf;
use std::process::ExitCode;
use steelyard::config::{self, Config};
use steelyard::files;
use steelyard::serve::Service;
use tokio::runtime::Runtime;
use tokio::signal::unix::{SignalKind, signal};

#[derive(Parser)]
#[command(
    name = "steelyard",
    version,
    about = "How likely is it that an old wristwatch is a composite or a fake, and what is the most to pay?"
)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Answer over HTTP. One line with the address is printed on standard error when it is ready.
    Serve(Config),
    /// Assess a listing, or one a line: the answers of `POST /v1/assess`, without a server and what it stores.
    Assess(Assess),
    /// Fit the model to the stored listings and outcomes and print how good it forecasts, before and after.
    Calibrate(Calibrate),
    /// Write everything that was put into the store as lines of JSON, from which `import` makes it anew.
    Export(Export),
    /// Put the lines of an export into a store that holds nothing yet. Lines that do not fit are named on standard
    /// error, and the good ones kept.
    Import(Import),
    /// Listings of your own.
    #[command(subcommand)]
    Listings(Listings),
    /// What watches turned out to be.
    #[command(subcommand)]
    Outcomes(Outcomes),
    /// Draw listings from the model, one request of `POST /v1/assess` a line. The same seed gives the same bytes.
    Sample(Sample),
    /// List the open listings that are stored, the best first: why, what to ask, how long they are still on offer, and
    /// with `--budget` which auctions to bid on. Nothing is written to the store.
    Tonight(Tonight),
    /// Look after models.
    #[command(subcommand)]
    Model(Model),
}

#[derive(Subcommand)]
enum Model {
    /// Check a folder of TOML files and print its version and digest.
    Check {
        /// The folder.
        dir: PathBuf,
    },
}

fn main() -> ExitCode {
    // Usage errors leave through clap with exit code 2.
    let cli = Cli::parse();
    // A command says itself what there is to say; of the service there is only its log.
    // A machine under load is slow to its database, too: no news for whoever reads the log.
    let log = if matches!(cli.command, Command::Serve(_)) { "warn,sqlx=error" } else { "error" };
    let log = tracing_subscriber::EnvFilter::try_from_default_env().unwrap_or_else(|_| log.into());
    tracing_subscriber::fmt().with_env_filter(log).with_writer(std::io::stderr).init();
    match run(cli.command) {
        Ok(code) => code,
        Err(e) => {
            eprintln!("{e:#}");
            ExitCode::from(1)
        }
    }
}

/// What scripts are told where some lines of an input did not fit.
const SOME_REFUSED: u8 = 3;

fn run(command: Command) -> anyhow::Result<ExitCode> {
    match command {
        Command::Serve(mut config) => {
            config.database_url = config::database_url()?;
            let runtime = runtime()?;
            let served = runtime.block_on(serve(&config));
            // A calculation under way cannot be called off, and nobody waits for it any more.
            runtime.shutdown_background();
            served?;
        }
        Command::Assess(options) => {
            if !assess::run(&options)? {
                return Ok(ExitCode::from(SOME_REFUSED));
            }
        }
        Command::Calibrate(options) => block_on(calibrate::run(&options))?,
        Command::Export(options) => block_on(export::run(&options))?,
        Command::Import(options) => {
            if !block_on(import::run(&options))? {
                return Ok(ExitCode::from(SOME_REFUSED));
            }
        }
        Command::Listings(Listings::Import(options)) => {
            if !block_on(listings::import(&options))? {
                return Ok(ExitCode::from(SOME_REFUSED));
            }
        }
        Command::Outcomes(Outcomes::Import(options)) => {
            if !block_on(outcomes::import(&options))? {
                return Ok(ExitCode::from(SOME_REFUSED));
            }
        }
        Command::Sample(options) => sample::run(&options)?,
        Command::Tonight(options) => block_on(tonight::run(&options))?,
        Command::Model(Model::Check { dir }) => {
            let pack = files::pack(Some(&dir))?;
            let data = pack.data();
            print(&format!(
                "{}: version {}, {} signs, {} components\n{}",
                dir.display(),
                data.version,
                data.signs.len(),
                data.components.len(),
                data.digest
            ))?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

fn print(text: &str) -> anyhow::Result<()> {
    let mut out = Output::standard();
    out.line(text)?;
    Ok(out.finish()?)
}

fn block_on<T>(work: impl Future<Output = anyhow::Result<T>>) -> anyhow::Result<T> {
    runtime()?.block_on(work)
}

fn runtime() -> std::io::Result<Runtime> {
    tokio::runtime::Builder::new_multi_thread().enable_all().build()
}

async fn serve(config: &Config) -> anyhow::Result<()> {
    let service = Service::bind(config).await?;
    // Listen for signals before saying that it is ready: whoever reads the line may send one.
    let (mut terminate, mut interrupt) = (signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?);
    let stop = async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
    };
    eprintln!("steelyard listens on http://{}", service.address()?);
    service.run(stop).await
}

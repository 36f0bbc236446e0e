//! The command line: `serve`, `assess`, `model check`.

use anyhow::Context as _;
use clap::{Parser, Subcommand};
use std::io::Write as _;
use std::path::PathBuf;
use std::process::ExitCode;
use steelyard::app::App;
use steelyard::config::{self, Config};
use steelyard::files;
use steelyard::serve::Service;
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
    /// Assess one listing: the answer of `POST /v1/assess`, without a server.
    Assess {
        /// A JSON file that holds the request.
        file: PathBuf,
        /// Folder of a model's TOML files, instead of the model that comes with the program.
        #[arg(long, env = "STEELYARD_PACK")]
        pack: Option<PathBuf>,
        /// JSON file of references and calibres, as `reference_book` in a request.
        #[arg(long, env = "STEELYARD_REFERENCE_BOOK")]
        reference_book: Option<PathBuf>,
    },
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
    let log = tracing_subscriber::EnvFilter::try_from_default_env().unwrap_or_else(|_| "warn".into());
    tracing_subscriber::fmt().with_env_filter(log).with_writer(std::io::stderr).init();
    match run(cli.command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("{e:#}");
            ExitCode::from(1)
        }
    }
}

fn run(command: Command) -> anyhow::Result<()> {
    match command {
        Command::Serve(mut config) => {
            config.database_url = config::database_url()?;
            serve(&config)
        }
        Command::Assess { file, pack, reference_book } => {
            let body = std::fs::read(&file).with_context(|| file.display().to_string())?;
            let app = App::new(files::pack(pack.as_deref())?, files::book(reference_book.as_deref())?)?;
            match app.assess(&body) {
                Ok(answer) => print(&serde_json::to_string_pretty(&answer)?),
                Err(problem) => {
                    for fault in &problem.errors {
                        eprintln!("{}{}: {}", file.display(), fault.pointer, fault.detail);
                    }
                    anyhow::bail!("{}: {}", file.display(), problem.title)
                }
            }
        }
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
            ))
        }
    }
}

fn print(text: &str) -> anyhow::Result<()> {
    let mut out = std::io::stdout().lock();
    match writeln!(out, "{text}") {
        // The reader of a pipe may have seen enough.
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        other => Ok(other?),
    }
}

fn serve(config: &Config) -> anyhow::Result<()> {
    tokio::runtime::Builder::new_multi_thread().enable_all().build()?.block_on(async {
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
    })
}

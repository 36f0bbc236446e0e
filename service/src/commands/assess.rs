//! `steelyard assess`: one request, or lines of them, without a server and without what is stored.

use super::{Numbers, Output, Stream, shown};
use anyhow::Context as _;
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use std::fs::{File, Metadata};
use std::io::{self, BufWriter, Seek as _};
use std::os::fd::AsFd as _;
use std::path::{Path, PathBuf};
use std::thread::available_parallelism;
use steelyard::app::App;
use steelyard::lines;

/// What `assess` is told.
#[derive(Debug, Args)]
pub(crate) struct Assess {
    /// A JSON file that holds the request; or requests, one a line, in a file that ends in `.ndjson` or on standard
    /// input (`-`): answered line by line in the same order.
    file: PathBuf,
    #[command(flatten)]
    numbers: Numbers,
    /// Lines worked on at once; as many as there are processors where it is left out.
    #[arg(long)]
    jobs: Option<usize>,
}

/// Assesses and says whether everything fitted.
pub(crate) fn run(options: &Assess) -> anyhow::Result<bool> {
    let file = &options.file;
    let (pack, book) = options.numbers.read()?;
    let app = App::new(pack, book)?;
    if file == Path::new("-") || file.extension().is_some_and(|e| e == "ndjson") {
        return every_line(&app, file, options.jobs);
    }
    let body = std::fs::read(file).with_context(|| shown(file))?;
    match app.assess(&body) {
        Ok(answer) => {
            let mut out = Output::standard();
            out.line(&serde_json::to_string_pretty(&answer)?)?;
            out.finish()?;
            Ok(true)
        }
        Err(problem) => {
            for fault in &problem.errors {
                eprintln!("{}{}: {}", file.display(), fault.pointer, fault.detail);
            }
            // Of what cannot be read there is nothing here but the body.
            let title = if problem.status == 400 { "the file is not JSON" } else { &problem.title };
            anyhow::bail!("{}: {title}", file.display())
        }
    }
}

/// How much there is to read, of a plain file.
fn size(file: &mut File) -> Option<u64> {
    let whole = file.metadata().ok().filter(Metadata::is_file)?.len();
    Some(whole.saturating_sub(file.stream_position().ok()?))
}

fn every_line(app: &App, file: &Path, jobs: Option<usize>) -> anyhow::Result<bool> {
    let jobs = jobs.or_else(|| available_parallelism().ok().map(usize::from)).unwrap_or(1);
    // Shown on a terminal only; how much time is left only where it is known how much there is.
    let input = if file == Path::new("-") {
        io::stdin().as_fd().try_clone_to_owned().map(File::from)
    } else {
        File::open(file)
    };
    let mut input = input.with_context(|| shown(file))?;
    let bar = match size(&mut input) {
        Some(left) => ProgressBar::new(left).with_style(ProgressStyle::with_template("{wide_bar} {msg}, {eta} left")?),
        None => ProgressBar::new_spinner().with_style(ProgressStyle::with_template("{spinner} {msg}, {elapsed}")?),
    };
    let from = bar.wrap_read(input);
    let begun = std::time::Instant::now();
    let out = BufWriter::new(Stream::Standard(io::stdout()));
    let counts = lines::assess(app, from, out, jobs, |counts| {
        let rate = counts.assessed as f64 / begun.elapsed().as_secs_f64().max(1e-3);
        bar.set_message(format!("{} assessed, {} refused, {rate:.0} a second", counts.assessed, counts.refused));
        bar.tick();
    });
    bar.finish_and_clear();
    let counts = match counts {
        // Whoever reads has seen enough.
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => return Ok(true),
        counts => counts.with_context(|| shown(file))?,
    };
    if counts.refused > 0 {
        eprintln!("{} lines assessed, {} refused, each on its own line of the answer", counts.assessed, counts.refused);
    }
    Ok(counts.refused == 0)
}

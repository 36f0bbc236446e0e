//! `steelyard calibrate`: fits the model to the stored outcomes, here and now.

use super::{Numbers, Output, Place, shown};
use anyhow::Context as _;
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use std::path::PathBuf;
use steelyard::app::App;
use steelyard::wire::calibration::{CalibrationBody, CalibrationPage, CalibrationReport, JobState, ScoreCard};
use steelyard::{calibration, memory};

/// What `calibrate` is told.
#[derive(Debug, Args)]
pub(crate) struct Calibrate {
    #[command(flatten)]
    place: Place,
    #[command(flatten)]
    numbers: Numbers,
    /// Seed of the folds: the same seed and data give the same model.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Number of folds for the out-of-fold scores.
    #[arg(long, default_value_t = 5, value_parser = clap::value_parser!(u32).range(2..=20))]
    folds: u32,
    /// Leave out listings of which nothing was found out. Biased: what is bought looked good.
    #[arg(long)]
    purchases_only: bool,
    /// Put the new version in force. From too few outcomes to conclude anything the version is kept, but not put in
    /// force, and the exit code is 1.
    #[arg(long)]
    activate: bool,
    /// Beside --activate: put the new version in force even if there are too few outcomes to conclude anything.
    #[arg(long, requires = "activate")]
    even_if_too_few: bool,
    /// File for the reliability diagram.
    #[arg(long)]
    svg: Option<PathBuf>,
    /// Print the whole report as JSON.
    #[arg(long)]
    json: bool,
}

/// Calibrates and prints the score card.
pub(crate) async fn run(options: &Calibrate) -> anyhow::Result<()> {
    let store = options.place.open_existing().await?;
    let (pack, book) = options.numbers.read()?;
    let app = App::with_memory(pack, book, store)?;
    let remembered = app.memory().map_err(|p| anyhow::anyhow!(p.detail))?;
    let params = CalibrationBody {
        seed: Some(options.seed),
        folds: Some(options.folds),
        include_unbought: Some(!options.purchases_only),
    };
    // Drawn on a terminal only.
    let bar = ProgressBar::new(1000);
    bar.set_style(ProgressStyle::with_template("{wide_bar} {percent} %, {eta} left")?);
    let ended = calibration::once(remembered, &params, |share| bar.set_position((share * 1000.0) as u64)).await;
    bar.finish_and_clear();
    let job = ended.map_err(|p| anyhow::anyhow!(p.detail))?;
    anyhow::ensure!(
        job.state == JobState::Done,
        "{}",
        job.failure.clone().unwrap_or_else(|| "the calibration was called off".into())
    );
    let (Some(report), Some(version)) = (&job.report, &job.version) else {
        anyhow::bail!("the calibration {} is done and has no report", job.id)
    };
    let mut out = Output::standard();
    if options.json {
        out.line(&serde_json::to_string_pretty(&job)?)?;
    } else {
        for line in lines(&job, report) {
            out.line(&line)?;
        }
    }
    out.finish()?;
    if let Some(file) = &options.svg {
        let svg = report.drawn().context("there are no scores to draw")?;
        std::fs::write(file, svg).with_context(|| shown(file))?;
    }
    if options.activate {
        anyhow::ensure!(
            report.enough || options.even_if_too_few,
            "model {version} is kept, but not put in force: {} more outcomes are needed to conclude anything from. \
             With --even-if-too-few beside --activate it would be",
            report.needed
        );
        memory::activate(&app, version).await.map_err(|p| anyhow::anyhow!(p.detail))?;
        eprintln!("model {version} is in force");
    }
    Ok(())
}

fn lines(job: &CalibrationPage, report: &CalibrationReport) -> Vec<String> {
    let mut lines = vec![
        format!("{} listings, {} outcomes", report.n, report.n_outcomes),
        report.says.clone(),
        format!("version {}", job.version.as_deref().unwrap_or_default()),
    ];
    if let (Some(before), Some(after)) = (&report.before, &report.after) {
        lines.push(format!("out of fold, {} outcomes, {} bad       before     after", after.cases, after.bad));
        lines.push(format!("  of {} sellers", after.sellers));
        let row = |name: &str, of: &dyn Fn(&ScoreCard) -> Option<f64>| {
            let figure = |card| of(card).map_or_else(|| "-".into(), |x| format!("{x:.4}"));
            format!("{name:40}{:>10}{:>10}", figure(before), figure(after))
        };
        lines.extend([
            row("mean log score, nats", &|c| Some(c.log_score.score)),
            row("Brier score", &|c| Some(c.brier.score)),
            row("  miscalibration", &|c| Some(c.brier.miscalibration)),
            row("  discrimination", &|c| Some(c.brier.discrimination)),
            row("  uncertainty", &|c| Some(c.brier.uncertainty)),
            row("Cllr, bits", &|c| c.cllr),
            row("Cllr after the best recalibration, bits", &|c| c.cllr_min),
            row("mean forecast", &|c| Some(c.mean_forecast)),
            row("rate of bad ones", &|c| Some(c.rate)),
        ]);
        lines.extend(report.gain.map(|gain| {
            let chance = if gain.beyond_chance { "" } else { ": that cannot be told from chance" };
            format!("the new numbers' mean log score is {}{chance}", gain.says())
        }));
    }
    lines
}

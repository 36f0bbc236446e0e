//! `steelyard export`: everything a user put in, as lines.

use super::{ACCOUNT, Output, Place, shown, told};
use anyhow::Context as _;
use clap::Args;
use serde::Deserialize;
use std::path::PathBuf;
use steelyard::store::Store;

/// What `export` is told.
#[derive(Debug, Args)]
pub(crate) struct Export {
    #[command(flatten)]
    place: Place,
    /// File to write, which is replaced once the export is whole; `-` for standard output.
    #[arg(default_value = "-")]
    file: PathBuf,
}

/// Writes the lines and says how many.
pub(crate) async fn run(export: &Export) -> anyhow::Result<()> {
    let store = export.place.open_existing().await?;
    let written = tokio::select! {
        written = write(&store, export) => written,
        // What was begun beside the file goes with it.
        _ = tokio::signal::ctrl_c() => Err(anyhow::anyhow!("interrupted")),
    };
    store.close().await;
    // As `import` counts them: without the first and the last, which say that it is an export and whole.
    eprintln!("{} lines exported", written?.saturating_sub(2));
    Ok(())
}

async fn write(store: &Store, export: &Export) -> anyhow::Result<u64> {
    #[derive(Deserialize)]
    struct Line {
        kind: String,
    }
    let mut out = Output::to(&export.file).with_context(|| shown(&export.file))?;
    let mut lines = store.export(ACCOUNT);
    let (mut count, mut last) = (0, String::new());
    while let Some(line) = lines.recv().await {
        last = line.map_err(|e| told(&e))?;
        if !out.line(&last).with_context(|| shown(&export.file))? {
            return Ok(count);
        }
        count += 1;
    }
    let whole = serde_json::from_str::<Line>(&last).is_ok_and(|line| line.kind == "end");
    anyhow::ensure!(whole, "the export broke off after {count} lines");
    out.finish().with_context(|| shown(&export.file))?;
    Ok(count)
}

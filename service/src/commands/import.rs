//! `steelyard import`: the lines of an export into a store that holds nothing yet.

use super::{ACCOUNT, Place, shown, told};
use anyhow::Context as _;
use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};
use std::fs::File;
use std::io::{self, BufRead, BufReader};
use std::path::{Path, PathBuf};
use steelyard::store::{self, ImportReport, Store};

/// What `import` is told.
#[derive(Debug, Args)]
pub(crate) struct Import {
    #[command(flatten)]
    place: Place,
    /// The file that `export` wrote; `-` for standard input.
    file: PathBuf,
}

/// Keeps the good lines, names the others, and says whether all were good.
pub(crate) async fn run(import: &Import) -> anyhow::Result<bool> {
    // The file first: where there is none, no store is made.
    let mut lines = read(&import.file).with_context(|| shown(&import.file))?;
    let store = import.place.open().await?;
    let report = take(&store, &mut lines, &import.file).await;
    store.close().await;
    // Its bar goes before anything is said.
    drop(lines);
    let ImportReport { accepted, refused, whole } = report?;
    for line in &refused {
        eprintln!("{}:{}: {}", import.file.display(), line.line, line.detail);
    }
    if !whole {
        eprintln!("{}: the line of kind end is missing: the export was cut off", import.file.display());
    }
    eprintln!("{accepted} lines imported, {} refused", refused.len());
    Ok(refused.is_empty() && whole)
}

async fn take(store: &Store, lines: &mut dyn BufRead, file: &Path) -> anyhow::Result<ImportReport> {
    let mut import = store.import(ACCOUNT).await.map_err(|e| told(&e))?;
    let mut line = Vec::new();
    while lines.read_until(b'\n', &mut line).with_context(|| shown(file))? > 0 {
        import.line(&line).await.map_err(|e| why(&e, file))?;
        line.clear();
    }
    import.commit().await.map_err(|e| why(&e, file))
}

fn why(error: &store::Error, file: &Path) -> anyhow::Error {
    if error.is_no_export() {
        let hint = "listings of your own come in by `steelyard listings import`";
        return anyhow::anyhow!("{}: {error} ({hint})", file.display());
    }
    told(error)
}

/// What is read, with a bar of how much; a bar shows on a terminal only.
fn read(file: &Path) -> anyhow::Result<Box<dyn BufRead>> {
    if file == Path::new("-") {
        let bar = ProgressBar::new_spinner();
        return Ok(Box::new(BufReader::new(bar.wrap_read(io::stdin()))));
    }
    let opened = File::open(file)?;
    let about = opened.metadata()?;
    anyhow::ensure!(!about.is_dir(), "it is a folder");
    let bar = ProgressBar::new(about.len());
    bar.set_style(ProgressStyle::with_template("{wide_bar} {bytes} of {total_bytes}, {eta} left")?);
    Ok(Box::new(BufReader::new(bar.wrap_read(opened))))
}

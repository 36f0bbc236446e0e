//! `steelyard sample`: listings drawn from the model, as requests, and the truth behind them.

use super::{Output, shown};
use anyhow::Context as _;
use clap::Args;
use std::path::{Path, PathBuf};
use steelyard::drawn::{Drawing, request, truth};
use steelyard::files;
use steelyard_model::pack::{Index, Pack, nearest};

/// What `sample` is told.
#[derive(Debug, Args)]
pub(crate) struct Sample {
    /// How many listings.
    #[arg(long, default_value_t = 100)]
    count: u64,
    /// Another seed draws other listings.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// The kind of sellers, one of the model's segments; all of them in turn where it is left out.
    #[arg(long)]
    segment: Option<String>,
    /// Folder of a model's TOML files, instead of the model that comes with the program.
    #[arg(long, env = "STEELYARD_PACK")]
    pack: Option<PathBuf>,
    /// File for what each watch really is, one body of `POST /v1/outcomes` a line.
    #[arg(long)]
    truth: Option<PathBuf>,
}

/// Writes the listings, and the truth where it is wanted.
pub(crate) fn run(sample: &Sample) -> anyhow::Result<()> {
    let pack = files::pack(sample.pack.as_deref())?;
    let segment = sample.segment.as_deref().map(|name| segment(&pack, name)).transpose()?;
    let mut listings = Output::standard();
    let mut truths = match sample.truth.as_deref() {
        Some(path) => {
            anyhow::ensure!(path != Path::new("-"), "--truth needs a file: standard output holds the listings");
            Some((Output::to(path).with_context(|| shown(path))?, path))
        }
        None => None,
    };
    for drawn in Drawing::new(&pack, segment, sample.seed)?.take(usize::try_from(sample.count)?) {
        if let Some((out, path)) = &mut truths {
            out.line(&serde_json::to_string(&truth(&pack, &drawn))?).with_context(|| shown(path))?;
        }
        if !listings.line(&serde_json::to_string(&request(&pack, &drawn))?)? {
            break;
        }
    }
    listings.finish()?;
    truths.map_or(Ok(()), |(out, path)| out.finish().with_context(|| shown(path)))
}

fn segment(pack: &Pack, name: &str) -> anyhow::Result<Index> {
    pack.segment(Some(name)).with_context(|| {
        let near = nearest(name, pack.data().segments.iter().map(|s| s.id.as_str()));
        format!("--segment: there is no segment `{name}`{near}")
    })
}

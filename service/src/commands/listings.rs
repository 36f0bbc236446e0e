//! `steelyard listings import`: listings from a file into the store.

use super::{Numbers, Place, read, shown};
use anyhow::Context as _;
use clap::{Args, Subcommand};
use std::path::PathBuf;
use steelyard::app::App;
use steelyard::feed::Page;
use steelyard::polling::{self, Defaults};
use steelyard::problem::{FaultAt, Problem};
use steelyard::wire::feed::ItemsKept;

/// What can be done with listings.
#[derive(Debug, Subcommand)]
pub(crate) enum Listings {
    /// Save the listings of a file and assess them, as `PUT /v1/listings/{id}` does: a request a line with its `id`
    /// (NDJSON), or a JSON Feed. Of a listing that is saved already the file changes what it speaks of, and leaves the
    /// rest. What does not fit is named on standard error, and the rest kept.
    Import(Import),
}

/// What `listings import` is told.
#[derive(Debug, Args)]
pub(crate) struct Import {
    #[command(flatten)]
    place: Place,
    #[command(flatten)]
    numbers: Numbers,
    /// JSON file of what is filled in where neither the file nor a listing says it, as `defaults` of a feed: postage,
    /// service, fees.
    #[arg(long)]
    defaults: Option<PathBuf>,
    /// The file; `-` for standard input.
    file: PathBuf,
}

/// Keeps the good listings, names the others, and says whether all were good.
pub(crate) async fn import(options: &Import) -> anyhow::Result<bool> {
    // The file first: where there is none, no store is made.
    let file = options.file.display();
    let bytes = read(&options.file).with_context(|| shown(&options.file))?;
    let page = Page::of_file(bytes).map_err(|bad| anyhow::anyhow!("{file}: {bad}"))?;
    let defaults = options.defaults.as_deref().map(|file| read(file).with_context(|| shown(file))).transpose()?;
    let (pack, book) = options.numbers.read()?;
    let app = App::with_memory(pack, book, options.place.open().await?)?;
    let kept = keep(&app, page, defaults.as_deref()).await;
    if let Ok(memory) = app.memory() {
        memory.store().close().await;
    }
    let kept = match kept {
        Ok(kept) => kept,
        Err(Failed::Defaults(problem)) => {
            let file = options.defaults.as_deref().map(shown).unwrap_or_default();
            for fault in &problem.errors {
                eprintln!("{file}{}: {}", fault.pointer, fault.detail);
            }
            anyhow::bail!("{file}: {}", problem.title)
        }
        Err(Failed::Listings(problem)) => anyhow::bail!("{file}: {}", problem.detail),
    };
    for refused in &kept.refusals {
        let (place, pointer) = place(&file.to_string(), &refused.place);
        let whole = [FaultAt::new("", &refused.detail)];
        for fault in if refused.errors.is_empty() { &whole[..] } else { &refused.errors } {
            match format!("{pointer}{}", fault.pointer).as_str() {
                "" => eprintln!("{place}: {}", fault.detail),
                pointer => eprintln!("{place}: {pointer}: {}", fault.detail),
            }
        }
    }
    eprintln!(
        "{} listings saved, {} updated, {} unchanged, {} refused",
        kept.new, kept.changed, kept.unchanged, kept.refused
    );
    Ok(kept.refused == 0)
}

enum Failed {
    Defaults(Problem),
    Listings(Problem),
}

async fn keep(app: &App, page: Page, defaults: Option<&[u8]>) -> Result<ItemsKept, Failed> {
    let defaults = match defaults {
        Some(bytes) => Defaults::read(app, bytes).await.map_err(Failed::Defaults)?,
        None => Defaults::default(),
    };
    polling::import(app, page, &defaults).await.map_err(Failed::Listings)
}

/// Where something refused stands: `file:4`, as compilers write it, or `file: /items/3`; and a pointer into it.
fn place<'a>(file: &str, place: &'a str) -> (String, &'a str) {
    match place.strip_prefix("line ") {
        Some(line) => {
            let (line, pointer) = line.split_once(", ").unwrap_or((line, ""));
            (format!("{file}:{line}"), pointer)
        }
        None => (format!("{file}: {place}"), ""),
    }
}

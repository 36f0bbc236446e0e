//! `steelyard outcomes import`: outcomes from a file into the store.

use super::{Numbers, Place, read, shown};
use anyhow::Context as _;
use clap::{Args, Subcommand};
use std::path::PathBuf;
use steelyard::app::App;
use steelyard::memory;
use steelyard::outcomes::Format;
use steelyard::wire::stored::UnsavedLine;

/// What a file holds, below the options.
const COLUMNS: &str = "\
The first line of a CSV names its columns, in any order. Commas part the cells, or semicolons where that line
holds no comma; decimals have a point; an empty cell is not known.

  listing           the listing's id as it is saved; must be there
  story             original, serviced, refinished, composite or fake; must be there
  found_at          when it was found out, such as 2026-11-24T21:00:00Z; else now
  certainty         how sure that is, from 0.2 to 1; else 1
  how               in_hand, opened, dial_removed, maker_archive or specialist
  component:NAME    what state dial, hands, case, bezel, case_back, crown, movement or lume was found in:
                    original, service, refinished, donor or foreign; metal: as_claimed or overstated
  sign:ID           present or absent, judged with the watch in hand; ids as in GET /v1/signs
  paid, sold        amounts such as 350.00, each with its currency ...
  paid_currency, sold_currency
                    ... such as EUR
  note              words of your own

A line of NDJSON is a body of POST /v1/outcomes.";

/// What can be done with outcomes.
#[derive(Debug, Subcommand)]
pub(crate) enum Outcomes {
    /// Record the outcomes of a CSV or NDJSON file, as `POST /v1/outcomes/import` does. Lines that do not fit are named
    /// on standard error, and the good ones kept; so are those whose listing is not saved, which are named as well.
    #[command(after_help = COLUMNS)]
    Import(Import),
}

/// What `outcomes import` is told.
#[derive(Debug, Args)]
pub(crate) struct Import {
    #[command(flatten)]
    place: Place,
    #[command(flatten)]
    numbers: Numbers,
    /// The file; `-` for standard input. What begins with a brace is read as NDJSON.
    file: PathBuf,
}

/// Keeps the good lines, names the others, and says whether all were good.
pub(crate) async fn import(options: &Import) -> anyhow::Result<bool> {
    // The file first: where there is none, no store is made.
    let bytes = read(&options.file).with_context(|| shown(&options.file))?;
    let (pack, book) = options.numbers.read()?;
    let app = App::with_memory(pack, book, options.place.open().await?)?;
    let imported = memory::import(&app, Format::of(&bytes), bytes.into()).await;
    if let Ok(memory) = app.memory() {
        memory.store().close().await;
    }
    let file = options.file.display();
    let imported = imported.map_err(|problem| {
        for fault in &problem.errors {
            eprintln!("{file}: {}", fault.detail);
        }
        anyhow::anyhow!("{file}: {}", problem.title)
    })?;
    for line in &imported.refused {
        eprintln!("{file}:{}: {}", line.line, line.detail);
    }
    for UnsavedLine { line, listing, similar } in &imported.unsaved {
        let meant = match similar.as_slice() {
            [] => String::new(),
            ids => format!("; saved is `{}`", ids.join("`, `")),
        };
        eprintln!("{file}:{line}: recorded, but no listing `{listing}` is saved{meant}");
    }
    eprintln!("{} outcomes recorded, {} lines refused", imported.accepted, imported.refused.len());
    if !imported.unsaved.is_empty() {
        eprintln!("{}", told_unsaved(&imported.unsaved));
    }
    Ok(imported.refused.is_empty())
}

/// What outcomes without a listing mean, and what to do.
fn told_unsaved(unsaved: &[UnsavedLine]) -> String {
    let name = match unsaved.len() {
        1 => "1 of them names a listing that is".to_owned(),
        n => format!("{n} of them name listings that are"),
    };
    let mut told = format!("{name} not saved: calibrations leave such outcomes out until the listing is saved");
    if let Some((line, id)) = unsaved.iter().find_map(|l| Some((l, l.similar.first()?))) {
        told += &format!("; a feed's items are saved as `feed:item`: write `{id}` for `{}`", line.listing);
    }
    told
}

//! Outcomes: what was found out, recorded and told.

use super::looking::follow;
use super::{ACCOUNT, Memory, OUTCOME_RECORDED, PAGE, now};
use crate::app::{App, computing};
use crate::outcomes::Format;
use crate::problem::{INTERNAL, Problem, TOO_LARGE};
use crate::store::{NewChange, NewOutcome, OutcomeFilter, Recorded, Write};
use crate::wire::stored::{Imported, OutcomeBody, UnsavedLine};
use axum::body::Bytes;
use jiff::Timestamp;
use serde_json::json;
use std::collections::{HashMap, HashSet};
use std::sync::Arc;
use uuid::Uuid;

/// What was found out about a listing.
pub(crate) struct Found {
    /// Whose it was.
    pub(crate) seller: Option<String>,
    /// When it was found out.
    pub(crate) found_at: Timestamp,
    /// The revision and time at which anything was first recorded of it.
    pub(crate) first_recorded: (i64, Timestamp),
    pub(crate) body: OutcomeBody,
}

/// The outcomes that stand, by listing.
pub(crate) async fn outcomes_by_listing(memory: &Memory) -> Result<HashMap<String, Found>, Problem> {
    let filter = OutcomeFilter::default();
    let (mut found, mut first, mut after) = (HashMap::new(), HashMap::<String, (i64, Timestamp)>::new(), 0);
    loop {
        let page = memory.store.outcomes(ACCOUNT, &filter, after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(found) };
        after = last.number;
        for outcome in page {
            // In the order of recording, but an import keeps its own times.
            let recorded = (outcome.revision, outcome.recorded_at);
            let first = first.entry(outcome.listing.clone()).or_insert(recorded);
            if recorded.1 < first.1 {
                *first = recorded;
            }
            let first_recorded = *first;
            if outcome.superseded_by.is_some() {
                continue;
            }
            if let Ok(body) = serde_json::from_str(&outcome.body) {
                let (seller, found_at) = (outcome.seller, outcome.found_at);
                found.insert(outcome.listing, Found { seller, found_at, first_recorded, body });
            }
        }
    }
}

/// An outcome to record, under a name of its own.
pub(crate) struct Finding {
    pub(crate) id: String,
    pub(crate) body: OutcomeBody,
    found_at: Timestamp,
    text: String,
}

impl Finding {
    /// Finding out now, where it does not say when.
    pub(crate) fn new(mut body: OutcomeBody, now: Timestamp) -> Result<Self, Problem> {
        let found_at = body.found_at.as_ref().and_then(|t| t.parse().ok()).unwrap_or(now);
        body.found_at.get_or_insert_with(|| now.to_string());
        let text = serde_json::to_string(&body).map_err(|e| {
            tracing::error!(error = %e, "an outcome does not serialise");
            Problem::new(INTERNAL, "the fault is ours")
        })?;
        Ok(Self { id: Uuid::now_v7().to_string(), body, found_at, text })
    }

    /// The outcome as it is kept.
    pub(crate) fn text(&self) -> &str {
        &self.text
    }
}

/// Records outcomes and tells of them. Gives the write, not committed yet, and what is known of each.
pub(crate) async fn record(app: &App, found: &[Finding], now: Timestamp) -> Result<(Write, Vec<Recorded>), Problem> {
    let rows: Vec<NewOutcome<'_>> = found
        .iter()
        .map(|f| NewOutcome {
            id: &f.id,
            listing: &f.body.listing,
            recorded_at: now,
            found_at: f.found_at,
            body: &f.text,
        })
        .collect();
    let told: Vec<String> = found
        .iter()
        .map(|f| {
            let (listing, story) = (&f.body.listing, &f.body.story);
            json!({ "at": now.to_string(), "listing": listing, "outcome": f.id, "story": story }).to_string()
        })
        .collect();
    let told: Vec<NewChange<'_>> =
        told.iter().map(|data| NewChange { at: now, event: OUTCOME_RECORDED, data }).collect();
    let mut write = app.memory()?.store.write(ACCOUNT).await?;
    let recorded = write.record_outcomes(&rows).await?;
    write.tell(&told).await?;
    Ok((write, recorded))
}

/// Records the outcomes of a file, and assesses the sellers' listings again.
///
/// # Errors
/// Every fault of a CSV's header; or if the store fails.
pub async fn import(app: &Arc<App>, format: Format, bytes: Bytes) -> Result<Imported, Problem> {
    let (imported, write, sellers) = read_and_record(app, format, bytes).await?;
    write.commit().await?;
    follow(app, sellers, IMPORTED).await;
    Ok(imported)
}

/// Why listings are assessed again after an import.
pub(crate) const IMPORTED: &str = "outcomes of the same seller were imported";

/// The most lines of a file: they are recorded in one write.
const MOST_LINES: usize = 50_000;

/// The most saved listings that are named as perhaps meant.
const MOST_SIMILAR: usize = 5;

/// Records the outcomes of a file. Gives the write, not committed yet, and the seller of each.
pub(crate) async fn read_and_record(
    app: &Arc<App>,
    format: Format,
    bytes: Bytes,
) -> Result<(Imported, Write, Vec<Option<String>>), Problem> {
    // Others wait for the write, and all of the file is held until then.
    if memchr::memchr_iter(b'\n', &bytes).take(MOST_LINES + 2).count() > MOST_LINES + 1 {
        let detail = format!("a file of outcomes may hold {MOST_LINES} lines beside a header: send it in parts");
        return Err(Problem::new(TOO_LARGE, detail));
    }
    let (force, reader) = (app.in_force().await?, app.clone());
    let now = now();
    let (mut found, mut lines, mut refused) = (Vec::new(), Vec::new(), Vec::new());
    for line in computing(move || reader.outcomes(&force, format, &bytes)).await? {
        match line {
            Ok((line, body)) => {
                found.push(Finding::new(body, now)?);
                lines.push(line);
            }
            Err(line) => refused.push(line),
        }
    }
    let (mut write, recorded) = record(app, &found, now).await?;
    let loose = lines.iter().zip(&found).zip(&recorded).filter(|(_, recorded)| !recorded.listing_saved);
    let loose: Vec<(u64, &str)> = loose.map(|((line, finding), _)| (*line, finding.body.listing.as_str())).collect();
    let unsaved = unsaved(&mut write, loose).await?;
    let imported = Imported { accepted: found.len() as u64, refused, unsaved };
    Ok((imported, write, recorded.into_iter().map(|r| r.seller).collect()))
}

/// What there is to say of lines whose listings are not saved.
async fn unsaved(write: &mut Write, lines: Vec<(u64, &str)>) -> Result<Vec<UnsavedLine>, Problem> {
    if lines.is_empty() {
        return Ok(Vec::new());
    }
    let names: HashSet<&str> = lines.iter().map(|(_, listing)| *listing).collect();
    let similar = write.listings_ending_in(&names).await?;
    let said = |(line, listing): (u64, &str)| {
        let similar = similar.get(listing).into_iter().flatten().take(MOST_SIMILAR).cloned().collect();
        UnsavedLine { line, listing: listing.into(), similar }
    };
    Ok(lines.into_iter().map(said).collect())
}

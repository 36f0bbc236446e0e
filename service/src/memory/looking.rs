//! Looking at open listings again, and keeping what is thought of them now where it is something else.

use super::saving::{Made, advice_change};
use super::seller::{Brief, Due, Standing, With};
use super::{ACCOUNT, ADVICE_CHANGED, InForce, Look, Memory, ROUNDS, SellerFile, WALK};
use crate::app::{App, computing};
use crate::problem::Problem;
use crate::store::{self, ListingQuery, NewChange, Status, Write};
use crate::wire::calibration::ModelVersion;
use crate::wire::response::Assessment;
use crate::wire::stored::SellerKnown;
use jiff::Timestamp;
use std::collections::BTreeSet;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, PoisonError};

/// Who looks at a seller's listings again: one at a time, and whoever waited while another began
/// after its own write has nothing left to do.
#[derive(Debug, Default)]
pub(super) struct Turn {
    wanted: AtomicU64,
    done: tokio::sync::Mutex<u64>,
}

/// Assesses the open listings of sellers again after something was stored. What was stored is
/// stored: a failure here is told to the log alone, and the next write to the seller makes up for it.
pub(crate) async fn follow(app: &App, sellers: impl IntoIterator<Item = Option<String>>, because: &str) {
    for seller in sellers.into_iter().flatten().collect::<BTreeSet<_>>() {
        if let Err(e) = refresh(app, &seller, &Look::Seller, because).await {
            tracing::error!(detail = e.detail, "listings were not assessed again");
        }
    }
}

/// Assesses a seller's open listings again, as far as what is known of it moves them.
pub(crate) async fn refresh(app: &App, seller: &str, look: &Look, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    let turn = {
        let mut turns = memory.turns.lock().unwrap_or_else(PoisonError::into_inner);
        turns.retain(|_, turn| Arc::strong_count(turn) > 1);
        turns.entry(seller.into()).or_default().clone()
    };
    let mine = turn.wanted.fetch_add(1, Ordering::SeqCst) + 1;
    let mut done = turn.done.lock().await;
    if *done >= mine && matches!(look, Look::Seller) {
        return Ok(());
    }
    let upto = turn.wanted.load(Ordering::SeqCst);
    // Whoever writes meanwhile refreshes what it touched; a few rounds settle two that meet.
    for _ in 0..ROUNDS {
        let force = app.in_force().await?;
        let file = Arc::new(memory.seller_assessed(&force, seller).await?);
        let (with, look, read) = (force.clone(), look.clone(), file.clone());
        let due = computing(move || read.due(&with, &look)).await?;
        if keep_anew(memory, &force, &file, due, because).await? {
            *done = upto;
            return Ok(());
        }
    }
    unsettled(memory);
    Ok(())
}

/// Others kept writing: whoever walks all open listings next looks at everything.
fn unsettled(memory: &Memory) {
    tracing::warn!("others kept writing while listings were assessed again");
    memory.unsettled.store(true, Ordering::SeqCst);
}

/// Looks at open listings without a seller again.
async fn refresh_alone(app: &App, mut alone: Vec<store::Listing>, look: &Look, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    for _ in 0..ROUNDS {
        let force = app.in_force().await?;
        let (with, look) = (force.clone(), look.clone());
        let ids: Vec<String> = alone.iter().map(|l| l.id.clone()).collect();
        let due = computing(move || {
            let nobody = SellerKnown::default();
            let seller = Standing { said: &nobody, prior: None, others: None, place: None };
            let open = alone.into_iter().filter(|l| l.seller.is_none() && l.status == Status::Open);
            Ok(open.filter_map(|l| with.due(&Brief::of(l), seller, &look)).collect())
        });
        if keep_anew(memory, &force, &Arc::default(), due.await?, because).await? {
            return Ok(());
        }
        // Somebody wrote since: look at them as they are now.
        alone = Vec::with_capacity(ids.len());
        for id in ids {
            match memory.store.listing(ACCOUNT, &id).await {
                Ok(listing) => alone.push(listing),
                Err(e) if e.is_not_found() => {}
                Err(e) => return Err(e.into()),
            }
        }
    }
    unsettled(memory);
    Ok(())
}

/// Looks at a listing again that was saved with a model or book which others kept changing.
pub(super) async fn look_again(app: &App, listing: &store::Listing) {
    let because = "model or reference book changed while it was saved";
    let looked = match &listing.seller {
        Some(seller) => refresh(app, seller, &Look::All, because).await,
        None => refresh_alone(app, vec![listing.clone()], &Look::All, because).await,
    };
    if let Err(e) = looked {
        tracing::error!(detail = e.detail, "a listing was not assessed again");
    }
}

/// Looks at all open listings again: where another model comes into force or the reference book says
/// something else; and after a start, since the process may have ended between a write and what
/// follows from it.
///
/// # Errors
/// If the store fails.
pub(crate) async fn refresh_open(app: &App, look: &Look, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    let look = if memory.unsettled.swap(false, Ordering::SeqCst) { &Look::All } else { look };
    let mut query = ListingQuery { status: Some(Status::Open), limit: WALK, ..ListingQuery::default() };
    let mut done: BTreeSet<String> = BTreeSet::new();
    loop {
        let page = memory.store.listings(ACCOUNT, &query).await?;
        let (sold, alone): (Vec<_>, Vec<_>) = page.items.into_iter().partition(|l| l.seller.is_some());
        refresh_alone(app, alone, look, because).await?;
        for seller in sold.into_iter().filter_map(|l| l.seller) {
            if !done.contains(&seller) {
                refresh(app, &seller, look, because).await?;
                done.insert(seller);
            }
        }
        match page.next {
            Some(next) => query.after = Some(next),
            None => return Ok(()),
        }
    }
}

/// Assesses listings again, each with what is known of its seller, and keeps what differs; false if
/// somebody wrote since they were read. A few at a time: assessments are long.
async fn keep_anew(
    memory: &Memory,
    force: &Arc<InForce>,
    file: &Arc<SellerFile>,
    due: Vec<Due>,
    because: &str,
) -> Result<bool, Problem> {
    let (mut alone, mut last) = (true, force.revision);
    for some in due.chunks(WALK as usize) {
        let mut read = Vec::with_capacity(some.len());
        for due in some {
            match memory.store.listing(ACCOUNT, &due.id).await {
                Ok(listing) if listing.revision == due.revision => read.push((listing, due.with)),
                Ok(_) => alone = false,
                Err(e) if e.is_not_found() => alone = false,
                Err(e) => return Err(e.into()),
            }
        }
        let (with, known) = (force.clone(), file.clone());
        let anew = computing(move || anew(&with, &known, read)).await?;
        if anew.is_empty() {
            continue;
        }
        let now = Timestamp::now();
        let mut write = memory.store.write(ACCOUNT).await?;
        if write.force_revision() != force.since {
            return Ok(false);
        }
        memory.keep_base(&mut write, now).await?;
        alone &= write.revision() == last + 1;
        last = write.revision();
        let mut changes = Vec::new();
        for Anew { id, revision, made, assessment } in &anew {
            let Some(before) = write.listing(id).await? else { continue };
            if write.reassess(id, *revision, &made.row(now)).await? {
                changes.extend(advice_change(&before, assessment, now, &[because.to_owned()]));
            }
        }
        let told: Vec<NewChange<'_>> =
            changes.iter().map(|data| NewChange { at: now, event: ADVICE_CHANGED, data }).collect();
        write.tell(&told).await?;
        write.commit().await?;
    }
    Ok(alone)
}

/// What is thought of a listing now, as it was at a revision.
struct Anew {
    id: String,
    revision: i64,
    made: Made,
    assessment: Assessment,
}

/// What is thought of listings now, where it is something else.
fn anew(force: &InForce, file: &SellerFile, read: Vec<(store::Listing, With)>) -> Result<Vec<Anew>, Problem> {
    let mut anew = Vec::new();
    for (listing, with) in read {
        let used = || serde_json::from_str(&listing.assessment.as_ref()?.seller_used).ok();
        let known: SellerKnown = match with {
            With::Used => used().unwrap_or_default(),
            With::Known(place) => place.map_or_else(SellerKnown::default, |i| file.known_to(i)),
        };
        // A listing that no longer fits the model keeps its last assessment.
        let Ok(assessment) = force.reassess(&listing.id, &listing.request, &known) else { continue };
        let made = Made::of(force, &known, &assessment)?;
        if listing.assessment.is_none_or(|a| a.body != made.body) {
            anew.push(Anew { id: listing.id, revision: listing.revision, made, assessment });
        }
    }
    Ok(anew)
}

/// Puts a version in force and assesses the open listings again.
///
/// # Errors
/// Not found; if this program cannot use it; or if the store fails.
pub async fn activate(app: &App, version: &str) -> Result<ModelVersion, Problem> {
    let (write, made) = activation(app, version).await?;
    write.commit().await?;
    refresh_open(app, &Look::All, &format!("model {version} was put in force")).await?;
    Ok(made)
}

/// A version about to come into force at the write's commit.
pub(crate) async fn activation(app: &App, version: &str) -> Result<(Write, ModelVersion), Problem> {
    let memory = app.memory()?;
    // One that this program cannot use never comes into force.
    let served = memory.version(version).await?;
    let digest = served.assessor.pack().data().digest.clone();
    let stored = memory.store.models(ACCOUNT).await?;
    let calibration = stored.into_iter().find(|m| m.version == version).and_then(|m| m.calibration);
    let now = Timestamp::now();
    let mut write = memory.store.write(ACCOUNT).await?;
    if version == memory.base.version() {
        memory.keep_base(&mut write, now).await?;
    }
    write.activate_model(version, now).await?;
    Ok((write, ModelVersion { version: version.into(), digest, active: true, calibration }))
}

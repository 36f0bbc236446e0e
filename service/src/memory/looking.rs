//! Looking at open listings again, and keeping what is thought of them now where it is something else.

use super::saving::{Made, advice_change};
use super::seller::Standing;
use super::{ACCOUNT, ADVICE_CHANGED, InForce, Look, Memory, PAGE, ROUNDS};
use crate::app::{App, computing};
use crate::problem::Problem;
use crate::store::{self, ListingQuery, NewChange, Status, Write};
use crate::wire::calibration::ModelVersion;
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
        let file = memory.seller(&force, seller).await?;
        let (with, look) = (force.clone(), look.clone());
        let due = computing(move || file.due(&with, &look)).await?;
        if keep_anew(memory, &force, due, because).await? {
            *done = upto;
            return Ok(());
        }
    }
    tracing::warn!("others kept writing while a seller's listings were assessed again");
    Ok(())
}

/// Looks at open listings without a seller again.
async fn refresh_alone(app: &App, mut alone: Vec<store::Listing>, look: &Look, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    for _ in 0..ROUNDS {
        let force = app.in_force().await?;
        let (with, look) = (force.clone(), look.clone());
        let ids: Vec<String> = alone.iter().map(|l| l.id.clone()).collect();
        let due = computing(move || {
            let (open, nobody) =
                (|l: &&store::Listing| l.seller.is_none() && l.status == Status::Open, SellerKnown::default());
            let open = alone.iter().filter(open);
            Ok(open
                .filter_map(|l| {
                    with.due(l, Standing { said: &nobody, prior: None, others: None }, &look, SellerKnown::default)
                })
                .collect())
        });
        if keep_anew(memory, &force, due.await?, because).await? {
            break;
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
    let mut query = ListingQuery { status: Some(Status::Open), limit: PAGE, ..ListingQuery::default() };
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
/// somebody wrote since they were read.
async fn keep_anew(
    memory: &Memory,
    force: &Arc<InForce>,
    listings: Vec<(store::Listing, SellerKnown)>,
    because: &str,
) -> Result<bool, Problem> {
    let with = force.clone();
    let anew = computing(move || {
        let mut anew = Vec::new();
        for (listing, known) in listings {
            // A listing that no longer fits the model keeps its last assessment.
            let Ok(assessment) = with.reassess(&listing.id, &listing.request, &known) else { continue };
            let made = Made::of(&with, &known, &assessment)?;
            if listing.assessment.as_ref().is_none_or(|a| a.body != made.body) {
                anew.push((listing, made, assessment));
            }
        }
        Ok(anew)
    })
    .await?;
    if anew.is_empty() {
        return Ok(true);
    }
    let now = Timestamp::now();
    let mut write = memory.store.write(ACCOUNT).await?;
    if write.force_revision() != force.since {
        return Ok(false);
    }
    memory.keep_base(&mut write, now).await?;
    let alone = write.revision() == force.revision + 1;
    let mut changes = Vec::new();
    for (listing, made, assessment) in &anew {
        let Some(before) = write.listing(&listing.id).await? else { continue };
        if write.reassess(&listing.id, listing.revision, &made.row(now)).await? {
            changes.extend(advice_change(&before, assessment, now, &[because.to_owned()]));
        }
    }
    let told: Vec<NewChange<'_>> =
        changes.iter().map(|data| NewChange { at: now, event: ADVICE_CHANGED, data }).collect();
    write.tell(&told).await?;
    write.commit().await?;
    Ok(alone)
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

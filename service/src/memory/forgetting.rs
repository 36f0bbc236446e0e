//! Forgetting a seller.

use super::looking::refresh_open;
use super::saving::{Made, advice_change};
use super::{ACCOUNT, ADVICE_CHANGED, InForce, Look, Memory, PAGE, ROUNDS};
use crate::app::{App, computing};
use crate::problem::{INTERNAL, Problem};
use crate::store::{self, NewChange, Precondition};
use crate::wire::response::Assessment;
use crate::wire::stored::SellerKnown;
use jiff::Timestamp;
use serde_json::Value;
use std::collections::HashMap;
use std::sync::Arc;

/// Forgets a seller. In one write its name goes from all that is stored, and the listings that named
/// it are assessed without what was known of it.
pub(crate) async fn forget(app: &App, seller: &str, condition: Precondition) -> Result<(), Problem> {
    let memory = app.memory()?;
    let mut round = 0;
    let (force, mut ready, mut write) = loop {
        round += 1;
        let force = app.in_force().await?;
        // Computed before others have to wait.
        let ready = ready(memory, &force, seller).await?;
        let write = memory.store.write(ACCOUNT).await?;
        if write.force_revision() == force.since || round == ROUNDS {
            break (force, ready, write);
        }
    };
    let moved = write.force_revision() != force.since;
    let now = Timestamp::now();
    memory.keep_base(&mut write, now).await?;
    write.expect_known_seller(seller, condition).await?;
    let mut changes = Vec::new();
    for id in write.forget_seller(seller).await? {
        let Some(before) = write.listing(&id).await? else { continue };
        let unnamed = match ready.remove(&id) {
            Some((request, unnamed)) if request == before.request => unnamed,
            // It was put, or put anew, since they were read.
            _ => Unnamed::of(&force, &id, &before.request).await?,
        };
        write.put_request(&id, &unnamed.request).await?;
        if let Some((made, assessment)) = &unnamed.anew {
            write.reassess(&id, write.revision(), &made.row(now)).await?;
            changes.extend(advice_change(&before, assessment, now, &["its seller was forgotten".into()]));
        }
    }
    for item in write.feed_items_of(seller).await? {
        let request = without_seller(&item.request)?.to_string();
        write.put_feed_item(&store::FeedItem { request, ..item }, None).await?;
    }
    write.forget_refusals().await?;
    for past in write.past_requests_of(seller).await? {
        let request = without_seller(&past.request)?.to_string();
        write.put_past_request(&store::PastRequest { request, ..past }).await?;
    }
    let told: Vec<NewChange<'_>> =
        changes.iter().map(|data| NewChange { at: now, event: ADVICE_CHANGED, data }).collect();
    write.tell(&told).await?;
    write.commit().await?;
    // It is forgotten whatever comes of this.
    if moved && let Err(e) = refresh_open(app, &Look::All, "model or reference book changed meanwhile").await {
        tracing::error!(detail = e.detail, "listings were not assessed again");
    }
    match memory.store.empty_log().await {
        Ok(true) => {}
        Ok(false) => tracing::warn!("a forgotten seller stands in SQLite's log until it is next emptied"),
        Err(e) => tracing::warn!(detail = e.detail(), "SQLite's log could not be emptied"),
    }
    Ok(())
}

/// The seller's listings as they will be, by id, each with the request it was made of.
async fn ready(
    memory: &Memory,
    force: &Arc<InForce>,
    seller: &str,
) -> Result<HashMap<String, (String, Unnamed)>, Problem> {
    let (mut ready, mut after) = (HashMap::new(), String::new());
    loop {
        let page = memory.store.listings_of(ACCOUNT, seller, false, &after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(ready) };
        after.clone_from(&last.id);
        for listing in page {
            let unnamed = Unnamed::of(force, &listing.id, &listing.request).await?;
            ready.insert(listing.id, (listing.request, unnamed));
        }
    }
}

/// The seller that an item of a feed names.
pub(crate) fn feed_seller(item: &store::FeedItem) -> Option<String> {
    let request: Value = serde_json::from_str(&item.request).ok()?;
    Some(request.pointer("/seller/id")?.as_str()?.to_owned())
}

/// A stored request that no longer names its seller.
fn without_seller(request: &str) -> Result<Value, Problem> {
    let mut request: Value = serde_json::from_str(request).map_err(|e| {
        tracing::error!(error = %e, "a stored request");
        Problem::new(INTERNAL, "a stored listing cannot be read")
    })?;
    if let Some(seller) = request.pointer_mut("/seller").and_then(Value::as_object_mut) {
        seller.remove("id");
    }
    Ok(request)
}

/// A listing as it is when its seller is forgotten.
struct Unnamed {
    request: String,
    /// None where the request does not fit the model in force: it keeps its last assessment.
    anew: Option<(Made, Assessment)>,
}

impl Unnamed {
    async fn of(force: &Arc<InForce>, id: &str, request: &str) -> Result<Self, Problem> {
        let (force, id, request) = (force.clone(), id.to_owned(), request.to_owned());
        computing(move || {
            let (request, nobody) = (without_seller(&request)?.to_string(), SellerKnown::default());
            let anew = match force.reassess(&id, &request, &nobody) {
                Ok(assessment) => Some((Made::of(&force, &nobody, &assessment)?, assessment)),
                Err(_) => None,
            };
            Ok(Self { request, anew })
        })
        .await
    }
}

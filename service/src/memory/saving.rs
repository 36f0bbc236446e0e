//! Saving listings: assessed beside what is known of their seller, and kept with what was used.

use super::forgetting::feed_seller;
use super::looking::{follow, look_again};
use super::seller::seller_of;
use super::{ACCOUNT, ADVICE_CHANGED, InForce, Marks, Memory, Own, ROUNDS, SellerFile, keys, now};
use crate::app::{App, ReadRequest, computing};
use crate::problem::{INTERNAL, Problem};
use crate::store::{self, Keys, NewAssessment, NewChange, NewListing, Precondition, Status};
use crate::wire::request::AssessRequest;
use crate::wire::response::Assessment;
use crate::wire::stored::SellerKnown;
use jiff::Timestamp;
use serde_json::{Map, Value, json};
use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;

/// A listing to save.
pub(crate) struct Save<'a> {
    pub(crate) id: &'a str,
    /// The body as it was sent.
    pub(crate) text: &'a str,
    pub(crate) read: ReadRequest,
    pub(crate) condition: Precondition,
    /// What the feed said from which it comes, to be kept with it.
    pub(crate) from_feed: Option<&'a store::FeedItem>,
}

/// A listing as it was saved.
pub(crate) struct Saved {
    /// Whether there was none of that id.
    pub(crate) created: bool,
    /// The listing, whatever others do to it meanwhile.
    pub(crate) listing: store::Listing,
}

/// Assesses and saves a listing, then assesses the seller's other open ones again.
pub(crate) async fn save(app: &App, save: Save<'_>) -> Result<Saved, Problem> {
    let because = format!("listing {} of the same seller was saved", save.id);
    let (saved, sellers) = put(app, save, &mut Files::default()).await?;
    follow(app, sellers, &because).await;
    Ok(saved)
}

/// What is known of sellers for a while, under one model and one book.
#[derive(Default)]
struct Files {
    since: i64,
    by_seller: HashMap<String, SellerFile>,
}

impl Files {
    async fn known(
        &mut self,
        memory: &Memory,
        force: &Arc<InForce>,
        request: &AssessRequest,
        id: &str,
    ) -> Result<SellerKnown, Problem> {
        let Some(seller) = seller_of(request) else { return Ok(SellerKnown::default()) };
        if self.since != force.since {
            *self = Self { since: force.since, by_seller: HashMap::new() };
        }
        if !self.by_seller.contains_key(seller) {
            self.by_seller.insert(seller.into(), memory.seller(force, seller).await?);
        }
        Ok(self.by_seller[seller].without(Own { id: Some(id), marks: &Marks::of(request) }))
    }
}

/// The same for many: each is assessed beside what was known of its seller before all of them, and in
/// the end the sellers' listings are looked at once. What became of each, in order.
pub(crate) async fn save_all(app: &App, saves: Vec<Save<'_>>) -> Vec<Result<Saved, Problem>> {
    let (mut done, mut touched) = (Vec::with_capacity(saves.len()), Vec::new());
    let mut files = Files::default();
    for save in saves {
        done.push(put(app, save, &mut files).await.map(|(saved, sellers)| {
            touched.extend(sellers);
            saved
        }));
    }
    follow(app, touched, "listings of the same seller were saved").await;
    done
}

/// Assesses and saves a listing. Gives also the sellers of whom something else is known now.
async fn put(app: &App, save: Save<'_>, files: &mut Files) -> Result<(Saved, Vec<Option<String>>), Problem> {
    let memory = app.memory()?;
    let mut round = 0;
    let (force, known, request, assessment, mut write) = loop {
        round += 1;
        let force = app.in_force().await?;
        let known = files.known(memory, &force, &save.read.request, save.id).await?;
        let (read, with, used) = (save.read.clone(), force.clone(), known.clone());
        let (request, assessment) = computing(move || {
            let (request, listing) = read.listing(&with, &used)?;
            Ok((request, with.assess(&listing)?))
        })
        .await?;
        let write = memory.store.write(ACCOUNT).await?;
        // Whoever changes model or book looks at the listings that are saved by then: this is none yet.
        if write.force_revision() == force.since || round == ROUNDS {
            break (force, known, request, assessment, write);
        }
    };
    let moved = write.force_revision() != force.since;

    let now = now();
    let made = Made::of(&force, &known, &assessment)?;
    let seller = request.seller.as_ref().and_then(|s| s.id.as_deref());
    let marks = Marks::of(&request);
    let new = NewListing {
        id: save.id,
        status: request.status.unwrap_or(Status::Open),
        request: save.text,
        seller,
        serial: marks.serial(),
        photos: marks.photos(),
        at: now,
    };
    let before = write.listing(save.id).await?;
    memory.keep_base(&mut write, now).await?;
    let put = write.put_listing(&new, &made.row(now), save.condition).await?;
    if let Some(item) = save.from_feed {
        write.put_feed_item(item, feed_seller(item).as_deref()).await?;
    }
    if let Some(change) =
        before.as_ref().and_then(|b| advice_change(b, &assessment, now, &put_anew(&b.request, save.text)))
    {
        write.tell(&[NewChange { at: now, event: ADVICE_CHANGED, data: &change }]).await?;
    }
    let revision = write.revision();
    write.commit().await?;

    let listing = store::Listing {
        id: save.id.into(),
        revision,
        status: new.status,
        request: save.text.into(),
        seller: seller.map(str::to_owned),
        serial: new.serial.map(str::to_owned),
        saved_at: before.as_ref().map_or(now, |b| b.saved_at),
        updated_at: now,
        assessment: Some(store::Assessment {
            first_revision: revision,
            last_revision: None,
            model: made.model,
            at: now,
            seller_used: made.seller_used,
            book_revision: Some(made.book_revision),
            own_book: made.own_book,
            body: made.body,
            keys: made.keys,
        }),
    };
    if moved {
        look_again(app, &listing).await;
    }
    let mut sellers = vec![listing.seller.clone(), before.and_then(|b| b.seller)];
    sellers.extend(put.lost_outcomes.into_iter().map(Some));
    Ok((Saved { created: put.created, listing }, sellers))
}

/// What a request says otherwise than the one before, in words.
fn put_anew(before: &str, now: &str) -> Vec<String> {
    let read = |text| {
        let mut request: Map<String, Value> = serde_json::from_str(text).unwrap_or_default();
        let price = request.get_mut("offer").and_then(|offer| offer.as_object_mut()?.remove("price"));
        (request, price)
    };
    let ((before, was), (now, is)) = (read(before), read(now));
    let words = |price: &Option<Value>| match price {
        Some(p) => {
            format!("{} {}", p["amount"].as_str().unwrap_or_default(), p["currency"].as_str().unwrap_or_default())
        }
        None => "none".into(),
    };
    let mut because = Vec::new();
    if was != is {
        because.push(format!("its price went from {} to {}", words(&was), words(&is)));
    }
    let other: BTreeSet<&str> =
        before.keys().chain(now.keys()).filter(|m| before.get(*m) != now.get(*m)).map(String::as_str).collect();
    if !other.is_empty() {
        because.push(format!("changed in its request: {}", Vec::from_iter(other).join(", ")));
    } else if because.is_empty() {
        because.push("it was saved anew".into());
    }
    because
}

/// The event's data, if the advice changed.
pub(super) fn advice_change(
    before: &store::Listing,
    now: &Assessment,
    at: Timestamp,
    because: &[String],
) -> Option<String> {
    let was: Assessment = serde_json::from_str(&before.assessment.as_ref()?.body).ok()?;
    let advice = |a: &Assessment| a.decision.as_ref().and_then(|d| d.advice);
    if advice(&was) == advice(now) {
        return None;
    }
    let short = |a: &Assessment| {
        let walk_away = a.decision.as_ref().map(|d| &d.walk_away_price);
        json!({ "advice": advice(a), "bad": a.probability.bad, "walk_away_price": walk_away })
    };
    let change = json!({
        "at": at.to_string(), "listing": before.id, "before": short(&was), "after": short(now), "because": because,
    });
    Some(change.to_string())
}

/// An assessment as it is kept.
pub(super) struct Made {
    model: String,
    seller_used: String,
    book_revision: i64,
    own_book: Option<String>,
    pub(super) body: String,
    keys: Keys,
}

impl Made {
    pub(super) fn of(force: &InForce, known: &SellerKnown, assessment: &Assessment) -> Result<Self, Problem> {
        let text = |e: serde_json::Error| {
            tracing::error!(error = %e, "an assessment does not serialise");
            Problem::new(INTERNAL, "the fault is ours")
        };
        Ok(Self {
            model: force.served.version().into(),
            seller_used: serde_json::to_string(known).map_err(text)?,
            book_revision: force.revision,
            own_book: force.own_book.clone(),
            body: serde_json::to_string(assessment).map_err(text)?,
            keys: keys(assessment),
        })
    }

    pub(super) fn row(&self, at: Timestamp) -> NewAssessment<'_> {
        let Self { model, seller_used, book_revision, own_book, body, keys } = self;
        let (book_revision, own_book) = (*book_revision, own_book.as_deref());
        NewAssessment { model, at, seller_used, book_revision, own_book, body, keys: *keys }
    }
}

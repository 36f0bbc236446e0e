//! Watches that came back: the earlier listings of what is perhaps the same watch.

use crate::memory::{ACCOUNT, Memory};
use crate::problem::Problem;
use crate::store::{Listing, Outcome};
use crate::wire::Money;
use crate::wire::request::AssessRequest;
use crate::wire::response::AdviceKind;
use crate::wire::stored::{EarlierListing, EarlierOutcome, OutcomeBody};
use serde::Deserialize;
use sha2::{Digest as _, Sha256};
use std::collections::{BTreeSet, HashMap};

/// Others of one watch that are named; a stock photo may be in any number of listings.
pub(crate) const MOST_NAMED: u32 = 100;

/// Earlier ones that are shown.
const MOST_SHOWN: usize = 5;

/// Characters of a description that are shown.
const EXCERPT: usize = 280;

/// The other listings of a watch.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Others {
    /// Their ids.
    pub same_as: Vec<String>,
    /// Those saved before it, the newest first.
    pub earlier: Vec<EarlierListing>,
}

impl Others {
    /// A short name for what is known of them, which changes as they do; none where there are none.
    #[must_use]
    pub fn digest(&self) -> Option<String> {
        let text = serde_json::to_vec(&(&self.same_as, &self.earlier)).ok().filter(|_| !self.same_as.is_empty())?;
        Some(Sha256::digest(text).iter().take(8).map(|byte| format!("{byte:02x}")).collect())
    }
}

/// What an assessment says in short, of any version of the program.
#[derive(Deserialize)]
struct Short {
    probability: Option<ShortProbability>,
    decision: Option<ShortDecision>,
}

#[derive(Deserialize)]
struct ShortProbability {
    bad: Option<f64>,
}

#[derive(Deserialize)]
struct ShortDecision {
    advice: Option<AdviceKind>,
    walk_away_price: Option<Money>,
}

/// The others of each of these listings, by id; whatever has none is left out.
///
/// # Errors
/// If the store fails.
pub async fn others(memory: &Memory, listings: &[Listing]) -> Result<HashMap<String, Others>, Problem> {
    let ids: Vec<&str> = listings.iter().map(|l| l.id.as_str()).collect();
    let pairs = memory.store().same_watch(ACCOUNT, &ids, MOST_NAMED).await?;
    if pairs.is_empty() {
        return Ok(HashMap::new());
    }
    let saved: HashMap<&str, _> = listings.iter().map(|l| (l.id.as_str(), (l.saved_at, l.id.as_str()))).collect();
    let mut others: HashMap<String, Others> = HashMap::new();
    let mut before: HashMap<String, Vec<String>> = HashMap::new();
    for pair in pairs {
        let earlier = before.entry(pair.listing.clone()).or_default();
        let is_earlier =
            saved.get(pair.listing.as_str()).is_some_and(|own| (pair.saved_at, pair.other.as_str()) < *own);
        if is_earlier && earlier.len() < MOST_SHOWN {
            earlier.push(pair.other.clone());
        }
        others.entry(pair.listing).or_default().same_as.push(pair.other);
    }
    let wanted: BTreeSet<&str> = before.values().flatten().map(String::as_str).collect();
    let wanted: Vec<&str> = wanted.into_iter().collect();
    let mut found: HashMap<String, Outcome> = HashMap::new();
    for outcome in memory.store().found_of(ACCOUNT, &wanted).await? {
        found.insert(outcome.listing.clone(), outcome);
    }
    let shown: HashMap<String, EarlierListing> = memory
        .store()
        .these_listings(ACCOUNT, &wanted)
        .await?
        .into_iter()
        .map(|l| (l.id.clone(), earlier(&l, found.get(&l.id))))
        .collect();
    for (id, those) in &mut others {
        those.same_as.sort();
        those.earlier = before.get(id).into_iter().flatten().filter_map(|b| shown.get(b).cloned()).collect();
    }
    Ok(others)
}

fn earlier(listing: &Listing, found: Option<&Outcome>) -> EarlierListing {
    // What this program cannot read any more is left out.
    let request: Option<AssessRequest> = serde_json::from_str(&listing.request).ok();
    let short: Option<Short> = listing.assessment.as_ref().and_then(|a| serde_json::from_str(&a.body).ok());
    let (probability, decision) = short.map_or((None, None), |s| (s.probability, s.decision));
    let (advice, walk_away_price) = decision.map_or((None, None), |d| (d.advice, d.walk_away_price));
    let price = request.as_ref().and_then(|r| r.offer.as_ref()?.price.clone());
    EarlierListing {
        id: listing.id.clone(),
        status: listing.status,
        saved_at: listing.saved_at.to_string(),
        updated_at: listing.updated_at.to_string(),
        title: request.as_ref().and_then(|r| r.title.clone()),
        description: request.and_then(|r| r.description).map(|d| d.chars().take(EXCERPT).collect()),
        price: price.map(|p| Money { amount: p.amount, currency: p.currency }),
        bad: probability.and_then(|p| p.bad),
        advice,
        walk_away_price,
        outcome: found.and_then(|o| {
            let body: OutcomeBody = serde_json::from_str(&o.body).ok()?;
            let found_at = o.found_at.to_string();
            Some(EarlierOutcome { story: body.story, certainty: body.certainty, how: body.how, found_at })
        }),
    }
}

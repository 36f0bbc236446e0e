//! Tonight's list: the open listings ranked, each with why, what to ask, and how long it is still on
//! offer; and which auctions to bid on with the cash at hand. It reads the store and writes nothing.

mod page;

use crate::app::{App, computing};
use crate::assess::amount;
use crate::bids::{self, Budget, Lot};
use crate::listing::Listing;
use crate::memory::{ACCOUNT, InForce, Memory, keys};
use crate::problem::{INVALID, Problem};
use crate::relisted;
use crate::store::{self, Keys, ListingQuery, Outcome, Status};
use crate::wire::bids::{BidWeighed, Bids};
use crate::wire::request::{AssessRequest, CallKind, OfferKind, Stage};
use crate::wire::response::{AdviceKind, AskNext, Assessment, BestUseKind, Caution, LookNext, ModelName};
use crate::wire::stored::{EarlierListing, OutcomeBody};
use crate::wire::{Money, NonNegativeMoney};
use jiff::Timestamp;
use serde::Serialize;
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use steelyard_model::pack::Pack;

pub use page::{page, plain, probability, wrapped};

/// Rows read at a time.
const PAGE: u32 = 500;

/// Reasons given for a listing.
const REASONS: usize = 3;

/// What weighs less, in decibans, is no reason.
const SMALLEST_SHARE: f64 = 0.05;

/// Things to look at and to ask for.
const REQUESTS: usize = 3;

/// What listings are ranked by, the largest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum By {
    /// Expected net.
    ExpectedNet,
    /// Expected net by landed cost.
    NetPerStake,
    /// Worth of the best question.
    AskWorth,
}

impl By {
    fn key(self, keys: &Keys) -> Option<f64> {
        match self {
            Self::ExpectedNet => keys.expected_net,
            Self::NetPerStake => keys.net_per_stake,
            Self::AskWorth => keys.ask_worth,
        }
    }
}

/// What is wanted of the list.
#[derive(Debug, Clone)]
pub struct Wanted {
    /// What it is ranked by.
    pub by: By,
    /// Listings of each currency, at most.
    pub limit: usize,
    /// The time that offers are held against.
    pub now: Timestamp,
    /// Where an auction is expected to end: 0 at the current bid, 1 at the walk-away price. Its figures are
    /// those at that price.
    pub expect: f64,
    /// What to spend on auctions.
    pub spend: Option<Spend>,
}

/// What to spend on auctions.
#[derive(Debug, Clone)]
pub struct Spend {
    /// The cash at hand.
    pub budget: NonNegativeMoney,
    /// Ids of listings of which at most one is wanted.
    pub at_most_one: Vec<Vec<String>>,
}

/// The list.
#[derive(Debug, Clone, Serialize)]
pub struct List {
    /// The time that offers were held against.
    pub at: String,
    /// What it is ranked by.
    pub by: By,
    /// Where auctions are expected to end: 0 at the current bid, 1 at the walk-away price.
    pub expect: f64,
    /// The model in force.
    pub model: ModelName,
    /// A ranking for each currency: amounts of different ones are not compared.
    pub rankings: Vec<Ranking>,
    /// Listings still open here whose offer has ended: not ranked.
    pub ended: Vec<Ended>,
    /// Listings still open here of which it is recorded what they turned out to be: not ranked.
    pub found: Vec<FoundOut>,
    /// Listings that do not fit the model in force: to be saved anew.
    pub unfit: Vec<String>,
    /// Which auctions to bid on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bids: Option<Bids>,
}

/// The listings of one currency.
#[derive(Debug, Clone, Serialize)]
pub struct Ranking {
    /// The currency; null for listings without any amount.
    pub currency: Option<String>,
    /// How many there are.
    pub open: usize,
    /// The first of them.
    pub items: Vec<Row>,
}

/// A listing of the list.
#[derive(Debug, Clone, Serialize)]
pub struct Row {
    /// Its place, from 1.
    pub rank: usize,
    /// The listing.
    pub id: String,
    /// Its title.
    pub title: Option<String>,
    /// How it is sold.
    pub kind: OfferKind,
    /// The asking price or current bid.
    pub price: Option<Money>,
    /// Where it is expected to end, if it is an auction: `expected_net`, `net_per_stake` and what looking and
    /// asking are worth hold at that price.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected_price: Option<Money>,
    /// When the offer ends.
    pub ends_at: Option<String>,
    /// Seconds until then.
    pub seconds_left: Option<i64>,
    /// P(bad).
    pub bad: f64,
    /// What to do.
    pub advice: Option<AdviceKind>,
    /// The most to pay, or to bid.
    pub walk_away_price: Option<Money>,
    /// Expected net at the price, of an auction at the price expected.
    pub expected_net: Option<Money>,
    /// Expected net by landed cost.
    pub net_per_stake: Option<f64>,
    /// Whether it is more likely than not best sold in parts, and still brings something then.
    pub pays_in_parts: bool,
    /// The strongest reasons, the strongest first.
    pub reasons: Vec<Reason>,
    /// What to look at, the most useful first.
    pub look_next: Vec<LookNext>,
    /// Worth of the best request, whether or not it exceeds what asking costs.
    pub ask_worth: Option<Money>,
    /// What is worth asking for, the most useful first; no view twice.
    pub ask_next: Vec<AskNext>,
    /// Views asked for that need the case opened.
    pub opening: Vec<String>,
    /// The cautions that apply, as an assessment gives them.
    pub cautions: Vec<Caution>,
    /// Earlier listings of perhaps the same watch.
    pub earlier: Vec<EarlierListing>,
    /// The bid on it, where it is an auction and there is a budget.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bid: Option<BidWeighed>,
}

/// Why a listing looks better or worse.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Reason {
    /// What weighs.
    pub of: Of,
    /// The sign, if it is a call on one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sign: Option<String>,
    /// What was said of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub call: Option<CallKind>,
    /// Its share of the log-odds of bad, decibans.
    pub share_db: f64,
    /// The sign's question, or what the share follows from.
    pub words: String,
    /// Whether the words are the question.
    pub asked: bool,
}

/// What weighs for or against a watch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Of {
    /// A call on a sign.
    Sign,
    /// What was known before the watch was looked at: kind of seller, and seller.
    Prior,
    /// The asking price.
    Price,
    /// What outcomes taught of the model's forecasts.
    Recalibration,
}

/// A listing whose offer has ended.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Ended {
    /// The listing.
    pub id: String,
    /// Its title.
    pub title: Option<String>,
    /// When it ended.
    pub ends_at: String,
}

/// A listing of which it is recorded what the watch turned out to be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FoundOut {
    /// The listing.
    pub id: String,
    /// Its title.
    pub title: Option<String>,
    /// When it was found out.
    pub found_at: String,
    /// The story found.
    pub story: String,
}

/// An open listing, as far as ranking needs it.
struct Light {
    id: String,
    key: Option<f64>,
    currency: Option<String>,
    auction: bool,
}

/// Makes the list.
///
/// # Errors
/// If the budget or a group does not fit, each fault with a pointer into `wanted`; or if the store fails.
pub async fn list(app: &App, wanted: &Wanted) -> Result<List, Problem> {
    let memory = app.memory()?;
    let force = app.in_force().await?;
    let mut sorted = Sorted::default();
    let mut query = ListingQuery { status: Some(Status::Open), limit: PAGE, ..ListingQuery::default() };
    loop {
        let page = memory.store().listings(ACCOUNT, &query).await?;
        let ids: Vec<&str> = page.items.iter().map(|l| l.id.as_str()).collect();
        let found = memory.store().found_of(ACCOUNT, &ids).await?;
        let found: HashMap<&str, &Outcome> = found.iter().map(|o| (o.listing.as_str(), o)).collect();
        for listing in &page.items {
            sorted.add(memory, &force, wanted, listing, found.get(listing.id.as_str()).copied()).await?;
        }
        match page.next {
            Some(next) => query.after = Some(next),
            None => break,
        }
    }
    sorted.found.sort_by_key(|f| (f.found_at.parse::<Timestamp>().ok(), f.id.clone()));
    sorted.ended.sort_by_key(|e| (e.ends_at.parse::<Timestamp>().ok(), e.id.clone()));
    let auctions: Vec<String> = sorted.lots.values().flatten().filter(|l| l.auction).map(|l| l.id.clone()).collect();
    let bids = match &wanted.spend {
        Some(spend) => Some(spent(memory, &force, spend, wanted.expect, &auctions).await?),
        None => None,
    };
    let mut rankings = Vec::with_capacity(sorted.lots.len());
    for (currency, mut lots) in sorted.lots {
        lots.sort_by(|a, b| {
            b.key
                .unwrap_or(f64::NEG_INFINITY)
                .total_cmp(&a.key.unwrap_or(f64::NEG_INFINITY))
                .then_with(|| a.id.cmp(&b.id))
        });
        let open = lots.len();
        lots.truncate(wanted.limit);
        let ids: Vec<String> = lots.into_iter().map(|l| l.id).collect();
        let items = rows(memory, &force, wanted, &ids, bids.as_ref()).await?;
        rankings.push(Ranking { currency, open, items });
    }
    // Those of which no money is known come last.
    rankings.sort_by_key(|r| r.currency.is_none());
    Ok(List {
        at: wanted.now.to_string(),
        by: wanted.by,
        expect: wanted.expect,
        model: force.assessor().model_name(),
        rankings,
        ended: sorted.ended,
        found: sorted.found,
        unfit: sorted.unfit,
        bids,
    })
}

/// The open listings by currency, and those that are not ranked.
#[derive(Default)]
struct Sorted {
    lots: BTreeMap<Option<String>, Vec<Light>>,
    ended: Vec<Ended>,
    found: Vec<FoundOut>,
    unfit: Vec<String>,
}

impl Sorted {
    async fn add(
        &mut self,
        memory: &Memory,
        force: &Arc<InForce>,
        wanted: &Wanted,
        listing: &store::Listing,
        found: Option<&Outcome>,
    ) -> Result<(), Problem> {
        let Ok(request) = serde_json::from_str::<AssessRequest>(&listing.request) else {
            self.unfit.push(listing.id.clone());
            return Ok(());
        };
        if request.stage == Some(Stage::Received) {
            // On the bench it is no offer.
            return Ok(());
        }
        if let Some(outcome) = found {
            let body: Option<OutcomeBody> = serde_json::from_str(&outcome.body).ok();
            self.found.push(FoundOut {
                id: listing.id.clone(),
                title: request.title,
                found_at: outcome.found_at.to_string(),
                story: body.map(|b| b.story).unwrap_or_default(),
            });
            return Ok(());
        }
        if let Some(end) = bids::ends_at(&request).filter(|end| *end <= wanted.now) {
            self.ended.push(Ended { id: listing.id.clone(), title: request.title, ends_at: end.to_string() });
            return Ok(());
        }
        let auction = request.offer.as_ref().and_then(|o| o.kind) == Some(OfferKind::Auction);
        // What was saved for some parts may lack the one that is ranked by.
        let stands = request.include.is_none() && !(auction && wanted.expect > 0.0);
        let keys = match listing.assessment.as_ref().filter(|_| stands) {
            Some(assessment) => assessment.keys,
            None => match anew(memory, force, listing, wanted.expect).await? {
                Some((assessment, _)) => keys(&assessment),
                None => {
                    self.unfit.push(listing.id.clone());
                    return Ok(());
                }
            },
        };
        let offer = request.offer.as_ref();
        let amount = offer.and_then(|o| o.price.as_ref()).or(request.value.as_ref().map(|v| &v.all_original.low));
        let light = Light {
            id: listing.id.clone(),
            key: wanted.by.key(&keys),
            currency: amount.map(|a| a.currency.clone()),
            auction: auction && request.value.is_some(),
        };
        self.lots.entry(light.currency.clone()).or_default().push(light);
        Ok(())
    }
}

/// A stored listing assessed now in every part, and where it is expected to end if it is an auction.
/// `None` where it does not fit the model in force.
async fn anew(
    memory: &Memory,
    force: &Arc<InForce>,
    listing: &store::Listing,
    expect: f64,
) -> Result<Option<(Assessment, Option<Money>)>, Problem> {
    let known = memory.known_of(force, listing).await?;
    let (force, id, text) = (force.clone(), listing.id.clone(), listing.request.clone());
    computing(move || {
        let Some(listing) = force.stored(&id, &without_include(&text), &known) else { return Ok(None) };
        at_closing(&force, listing, expect).map(Some)
    })
    .await
}

/// Where an auction is expected to end. What is already above the walk-away price does not come down to it.
fn closing(now: f64, most: f64, expect: f64) -> f64 {
    now + expect * (most - now).max(0.0)
}

/// A listing assessed; an auction at the price at which it is expected to end, which says nothing of the
/// watch: the stories are those at the bid so far.
fn at_closing(force: &InForce, mut listing: Listing, expect: f64) -> Result<(Assessment, Option<Money>), Problem> {
    let Some((currency, now)) = listing.money.as_ref().filter(|m| m.auction).map(|m| (m.currency, m.price)) else {
        return Ok((force.assess(&listing)?, None));
    };
    if expect <= 0.0 {
        return Ok((force.assess(&listing)?, now.map(|now| amount(now, currency))));
    }
    let now = now.unwrap_or(0.0);
    let (mut walk_away, mut price) = (0.0, now);
    force.bid(&listing, |most| {
        (walk_away, price) = (most, closing(now, most, expect));
        price
    })?;
    if let Some(money) = &mut listing.money {
        money.price = Some(price);
    }
    let mut assessment = force.assess(&listing)?;
    // Whether a bid is still possible is for the bid so far to say.
    if let Some(advice) = assessment.decision.as_mut().and_then(|d| d.advice.as_mut())
        && *advice != AdviceKind::AskFirst
    {
        *advice = if walk_away > now { AdviceKind::OfferBelow } else { AdviceKind::Leave };
    }
    Ok((assessment, Some(amount(price, currency))))
}

/// The same request for all parts of the answer.
fn without_include(request: &str) -> String {
    let Ok(mut request) = serde_json::from_str::<serde_json::Value>(request) else { return request.to_owned() };
    if let Some(members) = request.as_object_mut() {
        members.remove("include");
    }
    request.to_string()
}

/// Which auctions to bid on, at most one of those that are perhaps the same watch.
async fn spent(
    memory: &Memory,
    force: &Arc<InForce>,
    spend: &Spend,
    expect: f64,
    auctions: &[String],
) -> Result<Bids, Problem> {
    let budget = Budget::read("/spend/budget", &spend.budget).map_err(|f| Problem::invalid(vec![f]))?;
    let ids: Vec<&str> = auctions.iter().map(String::as_str).collect();
    let mut lots = Vec::new();
    for rows in ids.chunks(PAGE as usize) {
        let mut ready = Vec::with_capacity(rows.len());
        for listing in memory.store().these_listings(ACCOUNT, rows).await? {
            let known = memory.known_of(force, &listing).await?;
            ready.push((listing, known));
        }
        let force = force.clone();
        let these = computing(move || {
            let mut lots = Vec::new();
            for (row, known) in ready {
                let Some(listing) = force.stored(&row.id, &row.request, &known) else { continue };
                let Some(money) = listing.money.as_ref().filter(|m| m.currency == budget.currency) else { continue };
                let now = money.price.unwrap_or(0.0);
                let bid = force.bid(&listing, |most| closing(now, most, expect))?;
                lots.extend(bid.map(|bid| Lot { id: row.id, bid, ended: false }));
            }
            Ok(lots)
        })
        .await?;
        lots.extend(these);
    }
    lots.sort_by(|a, b| a.id.cmp(&b.id));
    let place: HashMap<&str, usize> = lots.iter().enumerate().map(|(i, l)| (l.id.as_str(), i)).collect();
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for pair in memory.store().same_watch(ACCOUNT, &ids, relisted::MOST_NAMED).await? {
        if let (Some(&one), Some(&other)) = (place.get(pair.listing.as_str()), place.get(pair.other.as_str()))
            && one < other
        {
            groups.push(vec![one, other]);
        }
    }
    for group in &spend.at_most_one {
        if let Some(id) = group.iter().find(|id| !place.contains_key(id.as_str())) {
            let detail = format!("at most one: {id:?} is no open auction in {} with a `value`", budget.currency.code());
            return Err(Problem::new(INVALID, detail));
        }
        groups.push(group.iter().filter_map(|id| place.get(id.as_str()).copied()).collect());
    }
    let chosen = computing(move || Ok(bids::choose_among(budget, &lots, &groups))).await?;
    Ok(chosen)
}

/// The rows of these listings, in this order.
async fn rows(
    memory: &Memory,
    force: &Arc<InForce>,
    wanted: &Wanted,
    ids: &[String],
    bids: Option<&Bids>,
) -> Result<Vec<Row>, Problem> {
    let these: Vec<&str> = ids.iter().map(String::as_str).collect();
    let listings = memory.store().these_listings(ACCOUNT, &these).await?;
    let mut others = relisted::others(memory, &listings).await?;
    let mut listings: HashMap<String, store::Listing> = listings.into_iter().map(|l| (l.id.clone(), l)).collect();
    let bids: HashMap<&str, &BidWeighed> = bids.iter().flat_map(|b| &b.listings).map(|b| (b.id.as_str(), b)).collect();
    let mut rows = Vec::with_capacity(ids.len());
    for (i, id) in ids.iter().enumerate() {
        // What was deleted meanwhile is left out.
        let Some(listing) = listings.remove(id) else { continue };
        let Ok(request) = serde_json::from_str::<AssessRequest>(&listing.request) else { continue };
        let offer = request.offer.as_ref();
        let auction = offer.is_some_and(|o| o.kind == Some(OfferKind::Auction));
        let stands = request.include.is_none() && !(auction && wanted.expect > 0.0);
        let stored = listing.assessment.as_ref().filter(|_| stands);
        let stored = stored.and_then(|a| serde_json::from_str::<Assessment>(&a.body).ok()).filter(has_every_part);
        let (assessment, expected_price) = match stored {
            Some(assessment) => (assessment, offer.filter(|_| auction).and_then(|o| o.price.as_ref()).map(shown)),
            None => match anew(memory, force, &listing, wanted.expect).await? {
                Some(assessed) => assessed,
                None => continue,
            },
        };
        let earlier = others.remove(id).unwrap_or_default().earlier;
        rows.push(row(
            force,
            wanted,
            Seen { rank: i + 1, id, request, assessment, expected_price, earlier, bid: bids.get(id.as_str()) },
        ));
    }
    Ok(rows)
}

/// Whether nothing that a row shows was left out of an assessment.
fn has_every_part(a: &Assessment) -> bool {
    a.look_next.is_some() && a.ask_next.is_some() && a.evidence.iter().all(|e| e.share_db.is_some())
}

fn shown(money: &NonNegativeMoney) -> Money {
    Money { amount: money.amount.clone(), currency: money.currency.clone() }
}

struct Seen<'a> {
    rank: usize,
    id: &'a str,
    request: AssessRequest,
    assessment: Assessment,
    expected_price: Option<Money>,
    earlier: Vec<EarlierListing>,
    bid: Option<&'a &'a BidWeighed>,
}

fn row(force: &InForce, wanted: &Wanted, seen: Seen<'_>) -> Row {
    let Seen { rank, id, request, assessment, expected_price, earlier, bid } = seen;
    let net_per_stake = keys(&assessment).net_per_stake;
    let pack = force.assessor().pack();
    let pays_in_parts = pays_in_parts(&assessment);
    let reasons = reasons(pack, &request, &assessment);
    let ask_next = apart(assessment.worth_asking());
    let ask_worth = assessment.ask_next.as_ref().and_then(|a| a.first()).and_then(|a| a.worth.clone());
    let decision = assessment.decision;
    let views = ask_next.iter().flat_map(|a| &a.views);
    let opening = views.filter(|v| pack.view(v).is_some_and(|v| pack.data().views[v].opens)).cloned().collect();
    let offer = request.offer.unwrap_or_default();
    let end: Option<Timestamp> = offer.ends_at.as_ref().and_then(|end| end.parse().ok());
    Row {
        rank,
        id: id.to_owned(),
        title: request.title,
        kind: offer.kind.unwrap_or_default(),
        price: offer.price.as_ref().map(shown),
        expected_price,
        ends_at: offer.ends_at,
        seconds_left: end.map(|end| end.duration_since(wanted.now).as_secs()),
        bad: assessment.probability.bad,
        advice: decision.as_ref().and_then(|d| d.advice),
        walk_away_price: decision.as_ref().map(|d| d.walk_away_price.clone()),
        expected_net: decision.and_then(|d| d.expected_net),
        net_per_stake,
        pays_in_parts,
        reasons,
        look_next: assessment.look_next.into_iter().flatten().take(REQUESTS).collect(),
        ask_worth,
        ask_next,
        opening,
        cautions: assessment.cautions,
        earlier,
        bid: bid.map(|b| (*b).clone()),
    }
}

/// The shares that weigh most, of the calls and of what was known without them. They are additive, so they
/// can be held against each other.
fn reasons(pack: &Pack, request: &AssessRequest, assessment: &Assessment) -> Vec<Reason> {
    let question = |sign: &str| pack.sign(sign).map(|s| pack.data().signs[s].question.clone());
    let calls = assessment.evidence.iter().filter(|e| e.overruled_by.is_none()).map(|e| Reason {
        of: Of::Sign,
        share_db: e.share_db.unwrap_or(0.0),
        call: Some(e.call),
        asked: e.because.is_none(),
        words: e.because.clone().or_else(|| question(&e.sign)).unwrap_or_else(|| e.sign.clone()),
        sign: Some(e.sign.clone()),
    });
    let odds = &assessment.log_odds_db;
    let known = |of, share_db, words| Reason { of, sign: None, call: None, share_db, words, asked: false };
    let beside = [
        known(Of::Prior, odds.prior, prior_words(request, assessment)),
        known(Of::Price, odds.price.unwrap_or(0.0), price_words(request)),
        known(Of::Recalibration, odds.recalibration, "what outcomes taught of such forecasts".into()),
    ];
    let mut all: Vec<Reason> = calls.chain(beside).filter(|r| r.share_db.abs() >= SMALLEST_SHARE).collect();
    all.sort_by(|a, b| b.share_db.abs().total_cmp(&a.share_db.abs()));
    all.truncate(REASONS);
    all
}

/// What was known before looking. It is about watches, not about anybody's honesty.
fn prior_words(request: &AssessRequest, assessment: &Assessment) -> String {
    let rate = probability(assessment.probability.prior_bad);
    let used = assessment.seller.used;
    let segment = request.seller.as_ref().and_then(|s| s.segment.as_ref());
    let like = segment.map(|s| format!(" ({})", s.replace('_', " "))).unwrap_or_default();
    let counted = |n: u64, what: &str| (n > 0).then(|| format!("{n} {what}"));
    let known =
        [counted(used.outcomes, "found out"), counted(used.listings, "more saved"), counted(used.feedback, "ratings")];
    let known: Vec<String> = known.into_iter().flatten().collect();
    let known = if known.is_empty() { String::new() } else { format!("; of this seller {}", known.join(", ")) };
    format!("known before looking: P(bad) {rate} for an offer of this kind{like}{known}")
}

fn price_words(request: &AssessRequest) -> String {
    let price = request.offer.as_ref().and_then(|o| o.price.as_ref());
    match price.zip(request.value.as_ref().map(|v| &v.all_original)) {
        Some((price, original)) => format!(
            "the price: {} asked, all-original {} to {}",
            price.amount, original.low.amount, original.high.amount
        ),
        None => "the price".into(),
    }
}

/// Whether it is more likely than not best sold in parts, and still brings something then.
fn pays_in_parts(assessment: &Assessment) -> bool {
    let Some(decision) = &assessment.decision else { return false };
    let (mut probability, mut net) = (0.0, 0.0);
    for (story, value) in decision.by_story.iter().filter(|(_, v)| v.best_use == BestUseKind::PartedOut) {
        let p = assessment.stories.get(story).copied().unwrap_or(0.0);
        probability += p;
        net += p * value.net.as_ref().and_then(|n| n.amount.parse::<f64>().ok()).unwrap_or(0.0);
    }
    probability > 0.5 && net > 0.0
}

/// The first few requests that have no view in common: what is asked for already need not be asked for again.
fn apart(requests: Vec<&AskNext>) -> Vec<AskNext> {
    let mut chosen: Vec<AskNext> = Vec::new();
    for request in requests {
        if chosen.len() < REQUESTS && !chosen.iter().any(|c| c.views.iter().any(|v| request.views.contains(v))) {
            chosen.push(request.clone());
        }
    }
    chosen
}

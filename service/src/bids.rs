//! Which saved listings to bid on with the cash at hand: what the dealer asks, in the terms of
//! [`steelyard_model::bids`].

use crate::app::{App, computing};
use crate::assess::{Bid, minor, of_minor};
use crate::listing::{Listing, amount, currency};
use crate::memory::{ACCOUNT, InForce};
use crate::problem::{FaultAt, Problem};
use crate::store::{self, Status};
use crate::wire::NonNegativeMoney;
use crate::wire::bids::{BidOn, BidWeighed, Bids, BidsBody, LeftOut};
use crate::wire::request::AssessRequest;
use crate::wire::stored::SellerKnown;
use iso_currency::Currency;
use jiff::Timestamp;
use std::collections::{HashMap, HashSet};
use steelyard_model::bids::{Offer, choose};

/// A listing one may bid on.
#[derive(Debug, Clone)]
pub(crate) struct Lot {
    pub(crate) id: String,
    pub(crate) bid: Bid,
    /// No longer on offer.
    pub(crate) ended: bool,
}

/// What may be spent, in minor units.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Budget {
    pub(crate) amount: i64,
    pub(crate) currency: Currency,
}

impl Budget {
    /// From an amount that stands at a pointer.
    ///
    /// # Errors
    /// If it is none.
    pub(crate) fn read(pointer: &str, money: &NonNegativeMoney) -> Result<Self, FaultAt> {
        let currency = currency(pointer, money)?;
        Ok(Self { amount: minor(amount(pointer, money, currency)?, currency), currency })
    }
}

/// Chooses among lots; groups hold positions.
pub(crate) fn choose_among(budget: Budget, lots: &[Lot], at_most_one: &[Vec<usize>]) -> Bids {
    let shut_out = |lot: &Lot| {
        let above = lot.bid.price > lot.bid.most;
        [
            (lot.ended, LeftOut::Ended),
            (above, LeftOut::AboveWalkAway),
            (lot.bid.expected_net <= 0, LeftOut::NoGain),
            (lot.bid.stake > budget.amount, LeftOut::OverBudget),
        ]
        .into_iter()
        .find_map(|(holds, why)| holds.then_some(why))
    };
    let why: Vec<Option<LeftOut>> = lots.iter().map(shut_out).collect();
    let offers: Vec<Offer> = lots
        .iter()
        .zip(&why)
        .map(|(lot, why)| Offer {
            cost: u64::try_from(lot.bid.stake).unwrap_or(0),
            worth: if why.is_some() { 0 } else { lot.bid.expected_net },
        })
        .collect();
    let chosen = choose(u64::try_from(budget.amount).unwrap_or(0), &offers, at_most_one);
    let money = |units: i128| of_minor(units, budget.currency);
    let taken: HashSet<usize> = chosen.offers.iter().copied().collect();
    let weighed = |(i, (lot, why)): (usize, (&Lot, Option<LeftOut>))| BidWeighed {
        id: lot.id.clone(),
        walk_away_price: money(lot.bid.most.into()),
        stake: money(lot.bid.stake.into()),
        expected_price: money(lot.bid.price.into()),
        expected_net: money(lot.bid.expected_net.into()),
        left_out: if taken.contains(&i) { None } else { why.or(Some(LeftOut::OthersBetter)) },
    };
    Bids {
        choose: chosen.offers.iter().map(|&i| lots[i].id.clone()).collect(),
        expected_net: money(i128::try_from(chosen.worth).unwrap_or(i128::MAX)),
        bound: money(i128::try_from(chosen.bound).unwrap_or(i128::MAX)),
        left: money(i128::from(budget.amount) - i128::from(chosen.cost)),
        listings: lots.iter().zip(why).enumerate().map(weighed).collect(),
    }
}

/// When an offer ends, as its request says.
pub(crate) fn ends_at(request: &AssessRequest) -> Option<Timestamp> {
    request.offer.as_ref()?.ends_at.as_ref()?.parse().ok()
}

/// Chooses among saved listings. Nothing is stored. Faults of shape found before stand in `torn`; what
/// they were found in is no longer in the body.
///
/// # Errors
/// Every fault; or if the store fails.
pub(crate) async fn answer(app: &App, body: BidsBody, torn: Vec<FaultAt>, now: Timestamp) -> Result<Bids, Problem> {
    let memory = app.memory()?;
    let force = app.in_force().await?;
    let whole = torn.is_empty();
    let wanted: Vec<(usize, BidOn)> =
        body.listings.into_iter().enumerate().filter_map(|(i, on)| Some((i, on?))).collect();
    let ids: Vec<&str> = wanted.iter().map(|(_, on)| on.id.as_str()).collect();
    let mut stored: HashMap<String, (store::Listing, SellerKnown)> = HashMap::new();
    for listing in memory.store().these_listings(ACCOUNT, &ids).await? {
        let known = memory.known_of(&force, &listing).await?;
        stored.insert(listing.id.clone(), (listing, known));
    }
    let mut faults = torn;
    let groups = groups(&wanted, &body.at_most_one, whole, &mut faults);
    computing(move || {
        let budget = Budget::read("/budget", &body.budget).map_err(|f| faults.push(f)).ok();
        let mut lots = Vec::with_capacity(wanted.len());
        for (i, on) in &wanted {
            let place = Place { i: *i, now };
            match place.lot(&force, stored.get(&on.id), on, budget.map(|b| b.currency)) {
                Ok(lot) => lots.push(lot),
                Err(Unfit::Faults(more)) => faults.extend(more),
                Err(Unfit::Problem(problem)) => return Err(problem),
            }
        }
        match budget {
            Some(budget) if faults.is_empty() => Ok(choose_among(budget, &lots, &groups)),
            _ => Err(Problem::invalid(faults)),
        }
    })
    .await
}

/// Why something asked about is no lot.
enum Unfit {
    Faults(Vec<FaultAt>),
    Problem(Problem),
}

/// Where a listing stands in the body, and when.
struct Place {
    i: usize,
    now: Timestamp,
}

impl Place {
    fn at(&self, member: &str) -> String {
        format!("/listings/{}/{member}", self.i)
    }

    fn lot(
        &self,
        force: &InForce,
        stored: Option<&(store::Listing, SellerKnown)>,
        on: &BidOn,
        budget: Option<Currency>,
    ) -> Result<Lot, Unfit> {
        let mut faults = Vec::new();
        let price = Budget::read(&self.at("expected_price"), &on.expected_price).map_err(|f| faults.push(f)).ok();
        if let (Some(price), Some(budget)) = (price, budget)
            && price.currency != budget
        {
            let detail = format!("the budget is in {}", budget.code());
            faults.push(FaultAt::new(self.at("expected_price/currency"), detail));
        }
        let expected = on.expected_price.amount.parse::<f64>().unwrap_or(0.0);
        let bid = match self.listing(force, stored, on, budget) {
            Ok((listing, ended)) => {
                let bid = force.bid(&listing, |_| expected).map_err(Unfit::Problem)?;
                bid.map(|bid| (bid, ended))
            }
            Err(fault) => {
                faults.push(fault);
                None
            }
        };
        match (bid, price) {
            (Some((bid, ended)), Some(_)) if faults.is_empty() => Ok(Lot { id: on.id.clone(), bid, ended }),
            _ => Err(Unfit::Faults(faults)),
        }
    }

    /// The listing as it is stored, if it can be bid on in the budget's currency, and whether it is
    /// no longer on offer.
    fn listing(
        &self,
        force: &InForce,
        stored: Option<&(store::Listing, SellerKnown)>,
        on: &BidOn,
        budget: Option<Currency>,
    ) -> Result<(Listing, bool), FaultAt> {
        let fault = |detail: String| FaultAt::new(self.at("id"), detail);
        let (row, known) = stored.ok_or_else(|| fault(format!("there is no saved listing {:?}", on.id)))?;
        let unfit = || fault("the saved listing does not fit the model in force: save it anew".into());
        let request: AssessRequest = serde_json::from_str(&row.request).map_err(|_| unfit())?;
        let listing = force.stored(&row.id, &row.request, known).ok_or_else(unfit)?;
        let Some(money) = &listing.money else {
            return Err(fault("the saved listing has no `value`, so there is no walk-away price".into()));
        };
        if let Some(budget) = budget.filter(|b| *b != money.currency) {
            return Err(fault(format!("the listing is in {}, the budget in {}", money.currency.code(), budget.code())));
        }
        let ended = row.status != Status::Open || ends_at(&request).is_some_and(|end| end <= self.now);
        Ok((listing, ended))
    }
}

/// The groups as positions; every id in them must be a listing asked about, and each listing is asked
/// about once.
fn groups(
    wanted: &[(usize, BidOn)],
    at_most_one: &[Option<Vec<Option<String>>>],
    whole: bool,
    faults: &mut Vec<FaultAt>,
) -> Vec<Vec<usize>> {
    let mut place: HashMap<&str, usize> = HashMap::new();
    for (at, (i, on)) in wanted.iter().enumerate() {
        if let Some(first) = place.get(on.id.as_str()).map(|first| wanted[*first].0) {
            faults.push(FaultAt::new(format!("/listings/{i}/id"), format!("the same listing as in /listings/{first}")));
        } else {
            place.insert(&on.id, at);
        }
    }
    let mut groups = Vec::with_capacity(at_most_one.len());
    for (g, ids) in at_most_one.iter().enumerate() {
        let mut group = Vec::new();
        for (i, id) in ids.iter().flatten().enumerate().filter_map(|(i, id)| Some((i, id.as_ref()?))) {
            let at = format!("/at_most_one/{g}/{i}");
            match place.get(id.as_str()) {
                // A listing taken out for another fault may be the one meant.
                None if whole => faults.push(FaultAt::new(at, format!("{id:?} is none of `listings`"))),
                None => {}
                Some(i) if group.contains(i) => faults.push(FaultAt::new(at, "named twice in one group")),
                Some(i) => group.push(*i),
            }
        }
        groups.push(group);
    }
    groups
}

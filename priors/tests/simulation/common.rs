//! Listings of a market, and outcomes of some.

use std::ops::ControlFlow;
use std::sync::Arc;
use steelyard_model::observe::Finding;
use steelyard_model::pack::Pack;
use steelyard_model::sample::{Listing, Policy, Sampler};
use steelyard_priors::LogOdds;
use steelyard_priors::fit::{Case, Outcome, Sellers, Settings, fit, log_odds};

/// What listings show, on the whole: dials always, insides seldom. Invented for these simulations.
pub(crate) fn policy(pack: &Pack) -> Policy {
    let shown = pack.data().views.iter().map(|view| match view.id.as_str() {
        "listing" => 1.0,
        "dial_straight" => 0.95,
        "dial_macro" | "side_profile" | "back_outside" => 0.6,
        "movement_open" | "crown_close" | "lugs" => 0.4,
        "back_inside" => 0.3,
        "taken_apart" => 0.0,
        _ => 0.1,
    });
    Policy {
        shown: shown.collect(),
        called: 0.9,
        px_per_mm: [8.0, 60.0],
        traits: vec![0.3; pack.data().traits.len()],
        priced: 0.8,
    }
}

/// Listings by sellers who have one to five each, segments in turn.
pub(crate) struct Market {
    sampler: Sampler,
    segments: usize,
    sellers: u64,
    most: usize,
}

impl Market {
    pub(crate) fn new(pack: &Arc<Pack>, seed: u64) -> Self {
        let segments = pack.data().segments.len();
        Self { sampler: Sampler::new(pack, policy(pack), seed), segments, sellers: 0, most: 5 }
    }

    /// Sellers of one listing each.
    pub(crate) fn of_one_each(pack: &Arc<Pack>, seed: u64) -> Self {
        Self { most: 1, ..Self::new(pack, seed) }
    }

    /// Sellers of the pack's first segment alone.
    pub(crate) fn of_one_segment(pack: &Arc<Pack>, seed: u64) -> Self {
        Self { segments: 1, ..Self::new(pack, seed) }
    }

    /// Listings with the key of their seller.
    pub(crate) fn listings(&mut self, count: usize) -> Vec<(u64, Listing)> {
        let mut drawn = Vec::with_capacity(count);
        while drawn.len() < count {
            let number = self.sellers as usize;
            let seller = self.sampler.seller(number % self.segments);
            let has = 1 + number / self.segments % self.most;
            for _ in 0..has.min(count - drawn.len()) {
                drawn.push((self.sellers, self.sampler.listing(&seller)));
            }
            self.sellers += 1;
        }
        drawn
    }
}

/// A listing as the fit sees it before anything is found out.
pub(crate) fn case((seller, listing): &(u64, Listing)) -> Case {
    Case {
        segment: listing.segment,
        seller: *seller,
        evidence: listing.evidence.clone(),
        foreseen: None,
        ln_price: listing.ln_price,
        outcome: None,
    }
}

/// The truth of it, told without error; `opened` with the states of all components.
pub(crate) fn outcome(pack: &Pack, listing: &Listing, opened: bool) -> Outcome {
    let components = if opened { listing.public_states(pack).into_iter().enumerate().collect() } else { Vec::new() };
    Outcome { story: listing.story, certainty: 1.0, components, signs: Vec::new() }
}

/// What is called, judged in hand without error.
pub(crate) fn judged(listing: &Listing) -> Vec<Finding> {
    let truth = |sign: usize| listing.signs[sign].map(|there| Finding::certain(sign, there));
    listing.evidence.calls().iter().filter_map(|c| truth(c.sign)).collect()
}

/// The pack as these cases leave it, and the number of iterations.
pub(crate) fn fitted(pack: &Arc<Pack>, cases: &[Case]) -> (Arc<Pack>, usize) {
    let fitted = fit(pack, cases, &Sellers::new(), &Settings::default(), |_| ControlFlow::Continue(())).expect("a fit");
    (Arc::new(Pack::from_data(fitted.data).expect("a pack")), fitted.objective.len() - 1)
}

/// P(bad) of every case as log-odds.
pub(crate) fn predicted(pack: &Arc<Pack>, cases: &[Case]) -> Vec<LogOdds> {
    log_odds(pack, cases, &Sellers::new()).expect("log-odds").into_iter().map(LogOdds::new).collect()
}

/// Mean of q·ln p + (1−q)·ln(1−p): the expected log score where q is the truth's own probability.
pub(crate) fn expected_log_score(truth: &[LogOdds], predicted: &[LogOdds]) -> f64 {
    let score =
        |(q, p): (&LogOdds, &LogOdds)| q.probability() * p.ln_probability() + q.complement() * p.ln_complement();
    truth.iter().zip(predicted).map(score).sum::<f64>() / truth.len() as f64
}

//! The interval of P(bad) for every demo listing, held against draws of the model's own numbers.

use serde_json::Value;
use std::path::Path;
use steelyard::listing::Listing;
use steelyard::wire::request::AssessRequest;
use steelyard_model::facts::Book;
use steelyard_model::interval::{delta, sampled};
use steelyard_model::money::price_evidence;
use steelyard_model::pack::Pack;
use steelyard_model::posterior::{Plan, Posterior, Stories};
use steelyard_priors::seller::{Evidence, Prior, SellerPosterior};

/// Draws a listing: the 5 % point of 20,000 is known to about 0.004 of a standard deviation's rank.
const DRAWS: usize = 20_000;
/// No endpoint may be further from the draws' than this, in probability.
const EVERY: f64 = 0.05;
/// At least half of the listings must be this close.
const HALF: f64 = 0.02;

#[test]
fn the_interval_agrees_with_twenty_thousand_draws() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../demo/listings");
    let pack = Pack::builtin();
    let mut off = Vec::new();
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    files.sort();
    for path in files {
        let saved: Value = serde_json::from_str(&std::fs::read_to_string(&path).unwrap()).unwrap();
        let request: AssessRequest = serde_json::from_value(saved["request"].clone()).unwrap();
        let listing = Listing::read(&pack, &Book::default(), &request, &[]).unwrap();
        let segment = &pack.data().segments[listing.seller.stated.segment];
        let known = Evidence { outcomes: listing.seller.stated.outcomes, ..Evidence::default() };
        let rate = SellerPosterior::new(Prior::new(segment.a, segment.b).unwrap(), &known).unwrap();
        let mut stories = Stories::from_prior(&pack.prior(listing.seller.stated.segment, rate.mean()));
        if let Some(m) = listing.money.as_ref().filter(|m| !m.auction)
            && let Some(price) = m.price
        {
            stories.ln_price = price_evidence(&pack, price, m.resale.value.median);
        }
        let plan = Plan::compile(&pack, listing.evidence.calls().iter().map(|c| c.sign));
        let mut scratch = plan.scratch();
        let ln = plan.evaluate(&mut scratch, &listing.evidence);
        let posterior = Posterior::new(&pack, &stories, &ln).unwrap();
        let quick = delta(&plan, &mut scratch, &listing.evidence, &posterior);
        let drawn = sampled(&plan, &stories, &listing.evidence, DRAWS, 20_261_124);
        let worst = (quick[0] - drawn[0]).abs().max((quick[1] - drawn[1]).abs());
        eprintln!(
            "{:32} P(bad) {:.3}  delta {:.3} to {:.3}  draws {:.3} to {:.3}  off by {worst:.3}",
            path.file_stem().unwrap().to_string_lossy(),
            posterior.bad(),
            quick[0],
            quick[1],
            drawn[0],
            drawn[1],
        );
        off.push(worst);
    }
    assert!(off.len() >= 16, "only {} listings", off.len());
    assert!(off.iter().all(|x| *x <= EVERY), "off by {:.3}", off.iter().copied().fold(0.0, f64::max));
    let close = off.iter().filter(|x| **x <= HALF).count();
    assert!(2 * close >= off.len(), "{close} of {} within {HALF}", off.len());
}

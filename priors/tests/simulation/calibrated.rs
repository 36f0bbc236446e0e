//! Of the watches that the model calls bad with probability p, the share p is bad.

use crate::common::{Market, case, predicted};
use steelyard_model::pack::Pack;
use steelyard_model::sample::Listing;
use steelyard_priors::LogOdds;

/// A frequency may miss its mean probability by this many standard errors: of twenty frequencies of
/// a right model one does so with probability about one in a thousand.
const ERRORS: f64 = 4.0;
/// A tenth with fewer listings is not looked at.
const LEAST: usize = 100;
const LISTINGS: usize = 50_000;

fn check(pack: &Pack, drawn: &[(u64, Listing)], predicted: &[LogOdds]) {
    eprintln!("predicted    n  mean p  bad     standard errors");
    for tenth in 0..10 {
        let inside: Vec<(f64, bool)> = predicted
            .iter()
            .zip(drawn)
            .map(|(p, (_, listing))| (p.probability(), listing.bad(pack)))
            .filter(|(p, _)| ((p * 10.0) as usize).min(9) == tenth)
            .collect();
        let n = inside.len();
        if n < LEAST {
            continue;
        }
        let mean = inside.iter().map(|(p, _)| p).sum::<f64>() / n as f64;
        let rate = inside.iter().filter(|(_, bad)| *bad).count() as f64 / n as f64;
        let error = inside.iter().map(|(p, _)| p * (1.0 - p)).sum::<f64>().sqrt() / n as f64;
        let off = (rate - mean) / error;
        eprintln!("0.{tenth}–{:.1} {n:6}  {mean:.4}  {rate:.4}  {off:+.2}", (tenth + 1) as f64 / 10.0);
        assert!(off.abs() < ERRORS, "from 0.{tenth}: {mean} predicted, {rate} found");
    }
}

#[test]
fn a_probability_of_a_tenth_is_bad_in_one_case_of_ten() {
    let pack = Pack::builtin();
    let mut market = Market::of_one_each(&pack, 1);
    let drawn = market.listings(LISTINGS);
    let predicted = predicted(&pack, &drawn.iter().map(case).collect::<Vec<_>>());
    check(&pack, &drawn, &predicted);
}

#[test]
fn so_it_is_where_a_sellers_listings_are_pooled() {
    let pack = Pack::builtin();
    let mut market = Market::new(&pack, 2);
    let drawn = market.listings(LISTINGS);
    let predicted = predicted(&pack, &drawn.iter().map(case).collect::<Vec<_>>());
    check(&pack, &drawn, &predicted);
}

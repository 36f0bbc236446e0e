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

/// The frequency of bad watches in each tenth of the predictions, and by how many standard errors the
/// worst one misses its mean: as if all watches were independent, and with a seller's as one (Liang and
/// Zeger 1986), since they share its rate of bad ones.
fn check(pack: &Pack, drawn: &[(u64, Listing)], predicted: &[LogOdds]) -> [f64; 2] {
    eprintln!("predicted      n  mean p  bad     standard errors: of independent watches, of sellers");
    let mut worst = [0.0_f64; 2];
    for tenth in 0..10 {
        let inside: Vec<(u64, f64, f64)> = predicted
            .iter()
            .zip(drawn)
            .map(|(p, (seller, listing))| (*seller, p.probability(), f64::from(u8::from(listing.bad(pack)))))
            .filter(|(_, p, _)| ((p * 10.0) as usize).min(9) == tenth)
            .collect();
        if inside.len() < LEAST {
            continue;
        }
        let n = inside.len() as f64;
        let mean = inside.iter().map(|(_, p, _)| p).sum::<f64>() / n;
        let rate = inside.iter().map(|(.., bad)| bad).sum::<f64>() / n;
        let apart: f64 = inside.iter().map(|(_, p, _)| p * (1.0 - p)).sum();
        let of_sellers = inside.chunk_by(|one, two| one.0 == two.0);
        let together: f64 = of_sellers.map(|s| s.iter().map(|(_, p, bad)| bad - p).sum::<f64>().powi(2)).sum();
        let off = [apart, together].map(|variance| (rate - mean) / (variance.sqrt() / n));
        eprintln!(
            "0.{tenth}–{:.1} {:8}  {mean:.4}  {rate:.4}  {:+.2} {:+.2}",
            (tenth + 1) as f64 / 10.0,
            inside.len(),
            off[0],
            off[1]
        );
        assert!(off[1].abs() < ERRORS, "from 0.{tenth}: {mean} predicted, {rate} found");
        worst.iter_mut().zip(off).for_each(|(w, off)| *w = w.max(off.abs()));
    }
    worst
}

/// The worst tenth of several draws, so that none is picked.
fn check_draws(draws: impl Iterator<Item = Vec<(u64, Listing)>>) {
    let pack = Pack::builtin();
    let worst: Vec<[f64; 2]> = draws
        .map(|drawn| {
            let predicted = predicted(&pack, &drawn.iter().map(case).collect::<Vec<_>>());
            check(&pack, &drawn, &predicted)
        })
        .collect();
    eprintln!("worst tenth of each draw, standard errors of independent watches and of sellers: {worst:.1?}");
}

#[test]
fn a_probability_of_a_tenth_is_bad_in_one_case_of_ten() {
    let pack = Pack::builtin();
    check_draws([1].into_iter().map(|seed| Market::of_one_each(&pack, seed).listings(LISTINGS)));
}

#[test]
fn so_it_is_where_a_sellers_listings_are_pooled() {
    let pack = Pack::builtin();
    check_draws((2..5).map(|seed| Market::new(&pack, seed).listings(LISTINGS)));
}

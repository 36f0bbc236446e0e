//! A dealer buys what looks good, and is not fooled by it.

use crate::common::{Market, case, expected_log_score, fitted, outcome, predicted};
use std::sync::Arc;
use steelyard_model::pack::Pack;
use steelyard_model::sample::{Listing, world};
use steelyard_priors::LogOdds;
use steelyard_priors::fit::Case;

const WORLDS: u64 = 6;
const LISTINGS: usize = 2_000;
/// Share of the listings that is bought: those that look best to the pack.
const BOUGHT: f64 = 0.3;

fn mean(p: &[LogOdds]) -> f64 {
    p.iter().map(|p| p.probability()).sum::<f64>() / p.len() as f64
}

/// The rate at which watches of the first segment are bad before anybody looks.
fn rate(pack: &Pack) -> f64 {
    let segment = &pack.data().segments[0];
    segment.a / (segment.a + segment.b)
}

#[test]
fn listings_never_bought_keep_purchases_from_misleading() {
    let pack = Pack::builtin();
    let (mut off_all, mut off_bought, mut looked_all, mut looked_bought) = (0.0, 0.0, 0.0, 0.0);
    eprintln!("       P(bad) of a listing       mean P(bad) once seen     expected log score");
    eprintln!("world  world   all  bought       world   all  bought       pack     all   bought   world");
    for seed in 1..=WORLDS {
        let world = Arc::new(world(&pack, 20 + seed).expect("a world"));
        let drawn = Market::of_one_segment(&world, 200 + seed).listings(LISTINGS);
        let cases: Vec<Case> = drawn.iter().map(case).collect();
        let looks = predicted(&pack, &cases);
        let mut sorted: Vec<f64> = looks.iter().map(|p| p.value()).collect();
        sorted.sort_by(f64::total_cmp);
        let limit = sorted[(BOUGHT * LISTINGS as f64) as usize];
        let told = |((case, (_, listing)), p): ((&Case, &(u64, Listing)), &LogOdds)| Case {
            outcome: (p.value() < limit).then(|| outcome(&pack, listing, true)),
            ..case.clone()
        };
        let with_outcomes: Vec<Case> = cases.iter().zip(&drawn).zip(&looks).map(told).collect();
        let purchases: Vec<Case> = with_outcomes.iter().filter(|c| c.outcome.is_some()).cloned().collect();
        let (by_all, by_purchases) = (fitted(&pack, &with_outcomes).0, fitted(&pack, &purchases).0);
        let rates = [&world, &by_all, &by_purchases].map(|numbers| rate(numbers));
        let seen = [&world, &by_all, &by_purchases].map(|numbers| predicted(numbers, &cases));
        let means = [0, 1, 2].map(|i| mean(&seen[i]));
        let scores = [&looks, &seen[1], &seen[2], &seen[0]].map(|p| expected_log_score(&seen[0], p));
        eprintln!("{seed:5}  {rates:.3?}      {means:.3?}     {scores:.3?}");
        off_all += (rates[1] - rates[0]).abs() / WORLDS as f64;
        off_bought += (rates[2] - rates[0]).abs() / WORLDS as f64;
        looked_all += (means[1] - means[0]).abs() / WORLDS as f64;
        looked_bought += (means[2] - means[0]).abs() / WORLDS as f64;
        assert!(scores[1] > scores[0] && scores[1] > scores[2], "world {seed}: {scores:?}");
    }
    eprintln!("mean absolute error of P(bad) of a listing: all listings {off_all:.3}, purchases alone {off_bought:.3}");
    eprintln!("… of its mean once seen: all listings {looked_all:.3}, purchases alone {looked_bought:.3}");
    assert!(off_all < 0.03 && off_bought > 0.08);
    assert!(looked_all < 0.03 && looked_bought > 0.04);
}

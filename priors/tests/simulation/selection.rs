//! A dealer buys what looks good, and is not fooled by it.

use crate::common::{Market, case, expected_log_score, fitted, outcome, predicted};
use std::sync::Arc;
use steelyard_model::pack::Pack;
use steelyard_model::sample::world;
use steelyard_priors::LogOdds;
use steelyard_priors::fit::Case;

const WORLDS: u64 = 6;
const LISTINGS: usize = 2_000;
/// Share of the listings that is bought: those that look best to the pack.
const BOUGHT: f64 = 0.3;

fn mean(p: &[LogOdds]) -> f64 {
    p.iter().map(|p| p.probability()).sum::<f64>() / p.len() as f64
}

#[test]
fn listings_never_bought_keep_purchases_from_misleading() {
    let pack = Pack::builtin();
    let (mut off_all, mut off_bought) = (0.0, 0.0);
    eprintln!("world  P(bad): world   all    bought   log score: pack    all    bought  world");
    for seed in 1..=WORLDS {
        let world = Arc::new(world(&pack, 20 + seed).expect("a world"));
        let drawn = Market::new(&world, 200 + seed).listings(LISTINGS);
        let cases: Vec<Case> = drawn.iter().map(case).collect();
        let looks = predicted(&pack, &cases);
        let mut sorted: Vec<f64> = looks.iter().map(|p| p.value()).collect();
        sorted.sort_by(f64::total_cmp);
        let limit = sorted[(BOUGHT * LISTINGS as f64) as usize];
        let with_outcomes: Vec<Case> = cases
            .iter()
            .zip(&drawn)
            .zip(&looks)
            .map(|((case, (_, listing)), p)| Case {
                outcome: (p.value() < limit).then(|| outcome(&pack, listing, true)),
                ..case.clone()
            })
            .collect();
        let bought: Vec<Case> = with_outcomes.iter().filter(|c| c.outcome.is_some()).cloned().collect();
        let [truth, all, alone] = [world, fitted(&pack, &with_outcomes).0, fitted(&pack, &bought).0]
            .map(|numbers| predicted(&numbers, &cases));
        let [rate, by_all, by_bought] = [&truth, &all, &alone].map(|p| mean(p));
        let score = |p: &[LogOdds]| expected_log_score(&truth, p);
        eprintln!(
            "{seed:5}          {rate:.3}  {by_all:.3}   {by_bought:.3}            {:.3}  {:.3}  {:.3}  {:.3}",
            score(&looks),
            score(&all),
            score(&alone),
            score(&truth)
        );
        off_all += (by_all - rate).abs() / WORLDS as f64;
        off_bought += (by_bought - rate).abs() / WORLDS as f64;
    }
    eprintln!("mean absolute error of P(bad): all listings {off_all:.3}, purchases alone {off_bought:.3}");
    assert!(off_all < 0.03, "{off_all}");
    assert!(off_bought > 0.08, "{off_bought}");
}

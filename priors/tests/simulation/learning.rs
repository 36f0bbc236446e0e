//! A calibration finds the numbers of the world that the listings come from.

use crate::common::{Market, case, expected_log_score, fitted, outcome, predicted};
use std::sync::Arc;
use steelyard_model::pack::Pack;
use steelyard_model::sample::world;
use steelyard_priors::fit::Case;

#[test]
fn outcomes_teach_the_worlds_own_numbers() {
    let pack = Pack::builtin();
    let mut closed = Vec::new();
    eprintln!("world   pack     400    2000   world   (expected log score)  closed  iterations");
    for seed in 1..=10 {
        let world = Arc::new(world(&pack, seed).expect("a world"));
        let mut market = Market::new(&world, 100 + seed);
        let drawn = market.listings(2_000);
        let cases: Vec<Case> = drawn
            .iter()
            .enumerate()
            .map(|(i, drawn)| Case { outcome: Some(outcome(&pack, &drawn.1, i % 2 == 1)), ..case(drawn) })
            .collect();
        let test: Vec<Case> = market.listings(4_000).iter().map(case).collect();
        let truth = predicted(&world, &test);
        let score = |pack: &Arc<Pack>| expected_log_score(&truth, &predicted(pack, &test));
        let t = std::time::Instant::now();
        let (few, n_few) = fitted(&pack, &cases[..400]);

        let (many, n_many) = fitted(&pack, &cases);

        let [at_pack, at_few, at_many, at_world] = [&pack, &few, &many, &world].map(score);

        let share = (at_many - at_pack) / (at_world - at_pack);
        eprintln!(
            "{seed:5} {at_pack:.4} {at_few:.4} {at_many:.4} {at_world:.4}                      {:5.1} %  {n_few}, {n_many}",
            100.0 * share
        );
        if at_few <= at_pack {
            eprintln!("FAIL");
        }
        closed.push(share);
    }
    let mean = closed.iter().sum::<f64>() / closed.len() as f64;
    eprintln!("2000 outcomes close {:.1} % on average", 100.0 * mean);
    assert!(mean >= 0.8);
}

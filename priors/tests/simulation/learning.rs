//! A calibration finds the numbers of the world that the listings come from.

use crate::common::{Market, case, expected_log_score, fitted, outcome, predicted};
use std::sync::Arc;
use steelyard_model::pack::Pack;
use steelyard_model::sample::world;
use steelyard_priors::fit::Case;

/// The pack with its segments' figures beyond doubt: worlds then differ in tables and signs alone.
fn with_known_segments(pack: &Pack) -> Arc<Pack> {
    let mut data = pack.data().clone();
    data.segments.iter_mut().for_each(|s| s.strength = None);
    Arc::new(Pack::from_data(data).expect("a pack"))
}

/// Share of the way from the pack's expected log score to the world's own that 2,000 outcomes go, on
/// average; 400 outcomes must beat the pack in every world.
fn learn(pack: &Arc<Pack>, worlds: std::ops::Range<u64>) -> f64 {
    let mut closed = 0.0;
    let mut table = String::from("world   pack     400     2000    world  (expected log score)  closed  iterations\n");
    for seed in worlds.clone() {
        let world = Arc::new(world(pack, seed).expect("a world"));
        let mut market = Market::new(&world, 100 + seed);
        let cases: Vec<Case> = market
            .listings(2_000)
            .iter()
            .enumerate()
            .map(|(i, drawn)| Case { outcome: Some(outcome(pack, &drawn.1, i % 2 == 1)), ..case(drawn) })
            .collect();
        let test: Vec<Case> = market.listings(4_000).iter().map(case).collect();
        let truth = predicted(&world, &test);
        let score = |numbers: &Arc<Pack>| expected_log_score(&truth, &predicted(numbers, &test));
        let (few, n_few) = fitted(pack, &cases[..400]);
        let (many, n_many) = fitted(pack, &cases);
        let [at_pack, at_few, at_many, at_world] = [pack, &few, &many, &world].map(score);
        let share = (at_many - at_pack) / (at_world - at_pack);
        table += &format!(
            "{seed:5} {at_pack:8.4}{at_few:8.4}{at_many:8.4}{at_world:8.4} {:28.1} %  {n_few}, {n_many}\n",
            100.0 * share
        );
        assert!(at_few > at_pack, "400 outcomes do not beat the pack\n{table}");
        closed += share / (worlds.end - worlds.start) as f64;
    }
    eprintln!("{table}2000 outcomes close {:.1} % on average", 100.0 * closed);
    closed
}

#[test]
fn outcomes_teach_the_worlds_own_tables_and_signs() {
    assert!(learn(&with_known_segments(&Pack::builtin()), 1..7) >= 0.8);
}

#[test]
fn outcomes_teach_segments_too() {
    assert!(learn(&Pack::builtin(), 7..12) >= 0.8);
}

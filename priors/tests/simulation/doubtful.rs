//! Reports that are wrong as often as they say make a right model no worse.

use crate::common::{Market, case, expected_log_score, outcome, predicted};
use rand_core::{RngCore as _, SeedableRng as _};
use rand_pcg::Pcg64;
use std::ops::ControlFlow;
use std::sync::Arc;
use steelyard_model::pack::Pack;
use steelyard_priors::LogOdds;
use steelyard_priors::fit::{Calibration, Case, Options, Outcome, Sellers, Settings, calibrate};

const LISTINGS: usize = 800;
const CERTAINTY: f64 = 0.8;
/// What doubtful reports may cost beyond certain ones on the same listings, nats. Any fit costs a model
/// something that was right to the last digit. Scored as if they were certain, they cost 0.02 to 0.04.
const MOST_LOST: f64 = 0.008;

/// The truth with probability `CERTAINTY`, else one of the other stories at random.
fn reported(pack: &Pack, told: Outcome, random: &mut Pcg64) -> Outcome {
    let uniform = (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
    let other = 1 + (random.next_u64() % (pack.stories() as u64 - 1)) as usize;
    let story = if uniform < CERTAINTY { told.story } else { (told.story + other) % pack.stories() };
    Outcome { story, certainty: CERTAINTY, ..told }
}

fn calibrated(pack: &Arc<Pack>, cases: &[Case]) -> Calibration {
    let options = Options { version: "1.0+doubts".into(), seed: 3, folds: 5, settings: Settings::default() };
    calibrate(pack, cases, &Sellers::new(), &options, |_| ControlFlow::Continue(())).expect("a calibration")
}

#[test]
fn doubtful_reports_make_a_right_model_no_worse_than_certain_ones_do() {
    // The pack is the world: no numbers forecast its listings better than its own.
    let pack = Pack::builtin();
    eprintln!("seed  certain  doubtful  recalibration       expected log score: pack  as activated");
    for seed in 1..=2 {
        let mut market = Market::new(&pack, 400 + seed);
        let drawn = market.listings(LISTINGS);
        let test: Vec<Case> = market.listings(2_000).iter().map(case).collect();
        let truth = predicted(&pack, &test);
        let lost = [LISTINGS, LISTINGS / 4, 0].map(|certain| {
            let mut random = Pcg64::seed_from_u64(seed);
            let told = |(i, drawn): (usize, &(u64, _))| {
                let told = outcome(&pack, &drawn.1, false);
                let told = if i < certain { told } else { reported(&pack, told, &mut random) };
                Case { outcome: Some(told), ..case(drawn) }
            };
            let cases: Vec<Case> = drawn.iter().enumerate().map(told).collect();
            let found = calibrated(&pack, &cases);
            let (report, map) = (&found.report, found.data.recalibration);
            assert_eq!((report.n_outcomes, report.n_certain), (LISTINGS, certain));
            assert_eq!(report.scores.as_ref().map_or(0, |scores| scores.after.cases), certain);
            assert_eq!(report.recalibration.is_some(), certain > 0);
            assert_eq!((report.enough, report.needed), if certain > 0 { (true, 0) } else { (false, 30) });
            let made = Arc::new(Pack::from_data(found.data).expect("a pack"));
            let as_activated: Vec<LogOdds> =
                predicted(&made, &test).iter().map(|p| LogOdds::new(map.intercept + map.slope * p.value())).collect();
            let [before, after] = [&truth, &as_activated].map(|p| expected_log_score(&truth, p));
            eprintln!(
                "{seed:4}  {certain:7}  {:8}  {:+.3} + {:.3}·x {before:25.4} {after:13.4}",
                LISTINGS - certain,
                map.intercept,
                map.slope
            );
            before - after
        });
        assert!(lost[1] - lost[0] < MOST_LOST && lost[2] - lost[0] < MOST_LOST, "{lost:?}");
    }
}

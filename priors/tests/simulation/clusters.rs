//! Watches of one seller hang together: the score card of a right model stays within its own errors all
//! the same.

use rand_core::{RngCore as _, SeedableRng as _};
use rand_pcg::Pcg64;
use std::ops::ControlFlow;
use steelyard_model::observe::Evidence;
use steelyard_model::pack::Pack;
use steelyard_priors::Beta;
use steelyard_priors::fit::{Case, Options, Outcome, Sellers, Settings, calibrate};

const REPEATS: u64 = 80;
const WATCHES: usize = 20;
const SELLERS: u64 = 5;

/// Watches of which nothing is seen; with outcomes drawn from each seller's own rate.
fn cases(pack: &Pack, seed: u64) -> Vec<Case> {
    let mut random = Pcg64::seed_from_u64(seed);
    let mut uniform = || ((random.next_u64() >> 12) as f64 + 0.5) / (1_u64 << 52) as f64;
    let segment = &pack.data().segments[0];
    let prior = Beta::new(segment.a, segment.b).expect("figures");
    let stories = [true, false].map(|bad| pack.bad().iter().position(|b| *b == bad).expect("a story"));
    let mut cases = Vec::new();
    for seller in 0..SELLERS {
        let rate = prior.quantile(uniform()).expect("a rate").probability();
        for _ in 0..WATCHES {
            let story = stories[usize::from(uniform() >= rate)];
            cases.push(Case {
                segment: 0,
                seller,
                evidence: Evidence::default(),
                foreseen: None,
                ln_price: [0.0; 8],
                outcome: Some(Outcome { story, certainty: 1.0, components: Vec::new(), signs: Vec::new() }),
            });
        }
    }
    cases
}

#[test]
fn a_right_model_is_not_called_wrong_for_sellers_who_differ() {
    let pack = Pack::builtin();
    // The fit itself is of no concern here.
    let settings = Settings { tolerance: f64::INFINITY, most_iterations: 1 };
    let (mut squares, mut outside) = (0.0, 0);
    for seed in 0..REPEATS {
        let options = Options { version: "1.0+clusters".into(), seed, folds: 5, settings: settings.clone() };
        let found =
            calibrate(&pack, &cases(&pack, 900 + seed), &Sellers::new(), &options, |_| ControlFlow::Continue(()));
        let card = found.expect("a calibration").report.scores.expect("scores").before;
        assert_eq!((card.cases, card.sellers), (WATCHES * SELLERS as usize, SELLERS as usize));
        squares += card.in_the_large.z.expect("room for chance").powi(2) / REPEATS as f64;
        // One forecast for all: the curve is the rate.
        let (rate, band) = (card.in_the_large.rate, card.band[0]);
        outside += usize::from(rate < band.low - 1e-9 || rate > band.high + 1e-9);
    }
    eprintln!(
        "{SELLERS} sellers of {WATCHES} watches each, {REPEATS} times: mean of z² {squares:.2}, outside the 90 % band {outside}"
    );
    // z² has mean 1, and near enough the variance 2 of a squared normal variate; taken as independent its mean is 2.7.
    assert!((squares - 1.0).abs() < 4.0 * (2.0 / REPEATS as f64).sqrt(), "{squares}");
    assert!((1..=18).contains(&outside), "{outside}");
}

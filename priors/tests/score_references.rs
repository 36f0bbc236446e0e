//! Scores, decompositions, isotonic curves and logistic fits of fourteen sets of forecasts, against
//! exact sums and exact pooling (checked there against scikit-learn, model-diagnostics, statsmodels and
//! lir), to the tolerances that the file states.

mod support;

use statrs::distribution::{Binomial, DiscreteCDF};
use steelyard_priors::LogOdds;
use steelyard_priors::score::Forecasts;
use support::scoring::{ISOTONIC, LIKELIHOOD, PARAMETERS, SCORES, compared};
use support::{Worst, list, number, reference};

#[test]
fn scores_curves_and_fits_equal_the_reference() {
    let file = reference(include_str!("data/scoring.json"));
    let mut worst = [SCORES, ISOTONIC, PARAMETERS, LIKELIHOOD].map(|name| (name, Worst::of(name), 0));
    for case in list(&file, "cases") {
        for one in compared(case) {
            let (name, worst, met) = worst.iter_mut().find(|(name, ..)| *name == one.tolerance).unwrap();
            let (allowed, at) = (number(&file["tolerance"], name), format!("{} {}", case["id"], one.quantity));
            if name.ends_with("_rel") {
                worst.relative(one.got, one.want, allowed, at);
            } else {
                worst.absolute(one.got, one.want, allowed, at);
            }
            *met += 1;
        }
    }
    let cases = list(&file, "cases").len();
    assert_eq!(cases, number(&file, "n_cases") as usize);
    for (name, worst, met) in worst {
        let least = match name {
            SCORES => 20 * cases,
            ISOTONIC => 11 * cases,
            _ => 6,
        };
        assert!(met >= least, "{name}: {met} compared");
        worst.check(met);
    }
}

/// With one forecast the isotonic curve is the share of bad cases, and the band its binomial quantiles.
#[test]
fn band_of_one_forecast_is_binomial() {
    for (p, n, seed) in [(0.1, 25_u32, 1), (0.5, 40, 2), (0.93, 300, 3), (0.02, 12, 4)] {
        let told = vec![(LogOdds::of(p).unwrap(), true); n as usize];
        let band = Forecasts::new(&told).unwrap().band(20_000, seed).unwrap();
        assert_eq!(band.len(), 1);
        let law = Binomial::new(p, n.into()).unwrap();
        for (bound, tail) in [(band[0].low, 0.05), (band[0].high, 0.95)] {
            let count = (bound * f64::from(n)).round();
            assert!((count / f64::from(n) - bound).abs() < 1e-12, "{bound} is no share of {n}");
            // Three standard errors of a share of 20,000 draws.
            let error = 3.0 * (0.05_f64 * 0.95 / 20_000.0).sqrt();
            let below = if count == 0.0 { 0.0 } else { law.cdf(count as u64 - 1) };
            assert!(below < tail + error && law.cdf(count as u64) > tail - error, "p {p} n {n}: {count} at {tail}");
        }
    }
}

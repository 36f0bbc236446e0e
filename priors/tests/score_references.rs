//! Scores, decompositions, isotonic curves and logistic fits of fourteen sets of forecasts, against
//! exact sums and exact pooling (checked there against scikit-learn, model-diagnostics, statsmodels and
//! lir), to the tolerances that the file states.

mod support;

use statrs::distribution::{Binomial, DiscreteCDF};
use steelyard_priors::LogOdds;
use steelyard_priors::score::Forecasts;
use steelyard_priors::score::gain::{Compared, Gain};
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

/// Against SciPy 1.17.1, `stats.sem` of the differences (and `stats.ttest_rel`, 1.3924632287318472), and
/// statsmodels 0.15.0, `OLS(d, 1).fit(cov_type="cluster")`.
#[test]
fn the_standard_error_of_a_gain_equals_the_reference() {
    let first = [0.5, 0.4, 0.7, 0.3, 0.2, 0.35, 0.6, 0.1];
    let second = [0.8, 0.2, 0.9, 0.4, 0.1, 0.3, 0.55, 0.15];
    let bad = [true, false, true, false, false, true, false, false];
    let gain = |groups: [u64; 8]| {
        let p = |p: f64| LogOdds::of(p).unwrap();
        Gain::new((0..8).map(|i| Compared { group: groups[i], bad: bad[i], first: p(first[i]), second: p(second[i]) }))
    };
    let single = gain([1, 2, 3, 4, 5, 6, 7, 8]);
    let by_seller = gain([1, 1, 2, 3, 3, 3, 4, 5]);
    for (gain, standard_error) in [(single, 0.07891648497940494), (by_seller, 0.1089639663172573)] {
        assert!((gain.mean - 0.10988830347459053).abs() < 1e-14, "{gain:?}");
        assert!((gain.standard_error.unwrap() - standard_error).abs() < 1e-14, "{gain:?}");
        assert!(!gain.is_beyond_chance());
    }
    assert!((single.mean / single.standard_error.unwrap() - 1.3924632287318472).abs() < 1e-12);
    // Of one seller alone nothing can be told of chance.
    assert_eq!(gain([7; 8]).standard_error, None);
    assert!(!gain([7; 8]).is_beyond_chance());
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

//! Laws of scores, isotonic curves, consistency bands and recalibrations, on forecasts drawn at random.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use rand_core::{RngCore as _, SeedableRng as _};
use rand_pcg::Pcg64;
use steelyard_priors::recalibrate::{OutOfFold, Recalibration, Shrinkage, assess};
use steelyard_priors::score::gain::{Compared, Gain};
use steelyard_priors::score::isotonic::Block;
use steelyard_priors::score::{Decomposition, Forecasts, Shared};
use steelyard_priors::{Error, LogOdds};

/// Rounding of means of a hundred or so terms, relative to the largest.
const ROUNDING: f64 = 1e-12;
/// Standard errors that a simulation may be off by.
const STANDARD_ERRORS: f64 = 4.0;

fn config(cases: u32) -> ProptestConfig {
    ProptestConfig { cases, rng_seed: RngSeed::Fixed(5), failure_persistence: None, ..ProptestConfig::default() }
}

type Cases = Vec<(LogOdds, bool)>;

/// Up to 60 forecasts, many of them equal, some beyond what a probability can hold.
fn cases() -> impl Strategy<Value = Cases> {
    let forecast = prop_oneof![
        4 => (-6_i32..=6).prop_map(|t| f64::from(t) / 2.0),
        4 => -5.0..5.0_f64,
        1 => -900.0..900.0_f64,
    ];
    prop::collection::vec((forecast.prop_map(LogOdds::new), any::<bool>()), 1..60)
}

/// As [`cases`], with outcomes of both kinds.
fn mixed() -> impl Strategy<Value = Cases> {
    cases().prop_map(|mut cases| {
        cases.push((LogOdds::new(0.3), true));
        cases.push((LogOdds::new(-0.2), false));
        cases
    })
}

fn scored(cases: &[(LogOdds, bool)]) -> Forecasts {
    Forecasts::new(cases).unwrap()
}

fn near(a: f64, b: f64) -> bool {
    a == b || (a - b).abs() <= ROUNDING * a.abs().max(b.abs()).max(1.0)
}

/// The isotonic fit at each case by its min-max formula (Ayer et al. 1955, as in Robertson, Wright and
/// Dykstra 1988, from memory): max over starts at or below of min over ends at or above of the mean between.
fn min_max(cases: &[(LogOdds, bool)]) -> Vec<f64> {
    let mean = |low: LogOdds, high: LogOdds| {
        let within: Vec<f64> =
            cases.iter().filter(|(t, _)| (low..=high).contains(t)).map(|&(_, bad)| f64::from(u8::from(bad))).collect();
        within.iter().sum::<f64>() / within.len() as f64
    };
    let told = || cases.iter().map(|(t, _)| *t);
    let least = |low: LogOdds, at: LogOdds| {
        told().filter(|t| *t >= at).map(|high| mean(low, high)).fold(f64::INFINITY, f64::min)
    };
    told().map(|at| told().filter(|t| *t <= at).map(|low| least(low, at)).fold(0.0, f64::max)).collect()
}

fn block_of(curve: &[Block], at: LogOdds) -> &Block {
    curve.iter().find(|b| (b.low..=b.high).contains(&at)).unwrap()
}

fn uniform(random: &mut Pcg64) -> f64 {
    (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
}

fn shrunk(precision: f64) -> Shrinkage {
    Shrinkage::new(precision, precision).unwrap()
}

/// The objective of a fit, written out anew, is nowhere higher: neither beside the fit nor at the identity.
fn best_map_found(cases: &[(LogOdds, bool)], a: f64, b: f64) -> Result<(), TestCaseError> {
    let map = Recalibration::fit(&scored(cases), Shrinkage::new(a, b).unwrap());
    let (intercept, slope) = (map.intercept(), map.slope());
    prop_assert!(slope > 0.0 && slope.is_finite() && intercept.is_finite(), "{:?}", map);
    // ln(1 + e^x) as logistic regression writes it.
    let softplus = |x: f64| x.max(0.0) + (-x.abs()).exp().ln_1p();
    let objective = |intercept: f64, slope: f64| -> f64 {
        let fit: f64 = cases
            .iter()
            .map(|&(t, bad)| {
                let x = intercept + slope * t.value();
                if bad { x - softplus(x) } else { -softplus(x) }
            })
            .sum();
        fit - 0.5 * (a * intercept * intercept + b * (slope - 1.0) * (slope - 1.0))
    };
    let best = objective(intercept, slope);
    let slack = ROUNDING * best.abs().max(1.0);
    prop_assert!(objective(0.0, 1.0) <= best + slack);
    for step in [1.0, 1e-1, 1e-3, 1e-5, 1e-7] {
        for (i, s) in [(step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step), (step, -step), (step, step)] {
            let beside = objective(intercept + i, slope + s);
            // No slope below the least is allowed.
            prop_assert!(slope + s < 1e-6 || beside <= best + slack, "{map:?}, {i} {s}: {beside} above {best}");
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(config(300))]

    #[test]
    fn parts_add_up_to_the_score_and_none_is_negative(cases in cases()) {
        let forecasts = scored(&cases);
        for part in [forecasts.log(), forecasts.brier()] {
            let Decomposition { score, miscalibration, discrimination, uncertainty } = part;
            prop_assert!(near(miscalibration - discrimination + uncertainty, score), "{part:?}");
            prop_assert!(miscalibration >= 0.0 && discrimination >= 0.0 && uncertainty >= 0.0, "{part:?}");
            prop_assert!(discrimination <= uncertainty + ROUNDING, "{part:?}");
        }
    }

    #[test]
    fn scores_are_means_over_cases(cases in mixed()) {
        let forecasts = scored(&cases);
        let n = cases.len() as f64;
        let mean = |f: &dyn Fn(f64, f64) -> f64| -> f64 {
            cases.iter().map(|&(t, bad)| f(t.value(), f64::from(u8::from(bad)))).sum::<f64>() / n
        };
        let p = |t: f64| 1.0 / (1.0 + (-t).exp());
        let softplus = |x: f64| x.max(0.0) + (-x.abs()).exp().ln_1p();
        prop_assert!(near(forecasts.log().score, mean(&|t, y| softplus(t) - y * t)));
        prop_assert!(near(forecasts.brier().score, mean(&|t, y| (p(t) - y).powi(2))));

        let large = forecasts.in_the_large();
        prop_assert!(near(large.mean_forecast, mean(&|t, _| p(t))));
        prop_assert!(near(large.rate, mean(&|_, y| y)));
        prop_assert!(near(large.standard_error, (mean(&|t, _| p(t) * (1.0 - p(t))) / n).sqrt()));
        prop_assert!(near(large.z.unwrap() * large.standard_error, large.rate - large.mean_forecast));
    }

    #[test]
    fn isotonic_curve_equals_the_min_max_formula(cases in cases()) {
        let forecasts = scored(&cases);
        for (fit, (at, _)) in min_max(&cases).into_iter().zip(&cases) {
            prop_assert_eq!(block_of(forecasts.isotonic(), *at).rate(), fit);
        }
    }

    #[test]
    fn isotonic_curve_rises_and_is_its_own(cases in cases()) {
        let forecasts = scored(&cases);
        let curve = forecasts.isotonic();
        prop_assert!(curve.windows(2).all(|w| w[0].rate() < w[1].rate() && w[0].high < w[1].low));
        prop_assert_eq!(curve.iter().map(|b| b.cases).sum::<usize>(), cases.len());
        prop_assert_eq!(curve.iter().map(|b| b.bad).sum::<usize>(), forecasts.bad());

        // Rates held a hair off 0 and 1, where log-odds end.
        let inside = |rate: f64| rate.clamp(1e-12, 1.0 - 1e-12);
        let again: Cases = cases
            .iter()
            .map(|&(at, bad)| (LogOdds::of(inside(block_of(curve, at).rate())).unwrap(), bad))
            .collect();
        let again = scored(&again);
        let counts = |f: &Forecasts| f.isotonic().iter().map(|b| (b.cases, b.bad)).collect::<Vec<_>>();
        prop_assert_eq!(counts(&again), counts(&forecasts));
        prop_assert!(again.log().miscalibration < 1e-11 && again.brier().miscalibration < 1e-11);
        prop_assert!(near(again.log().discrimination, forecasts.log().discrimination));
    }

    #[test]
    fn no_order_of_cases_matters(cases in cases(), seed: u64) {
        let mut shuffled = cases.clone();
        let random = &mut Pcg64::seed_from_u64(seed);
        for i in (1..shuffled.len()).rev() {
            shuffled.swap(i, random.next_u64() as usize % (i + 1));
        }
        let (one, other) = (scored(&cases), scored(&shuffled));
        prop_assert_eq!(one.band(40, 3).unwrap(), other.band(40, 3).unwrap());
        prop_assert_eq!(one.histogram(7).unwrap(), other.histogram(7).unwrap());
        prop_assert_eq!(one, other);
    }

    /// Bad and sound exchanged, and every forecast with them.
    #[test]
    fn scores_do_not_care_which_outcome_is_called_bad(cases in mixed()) {
        let turned: Cases = cases.iter().map(|&(t, bad)| (LogOdds::new(-t.value()), !bad)).collect();
        let (one, other) = (scored(&cases), scored(&turned));
        for (a, b) in [(one.log(), other.log()), (one.brier(), other.brier())] {
            prop_assert!(near(a.score, b.score) && near(a.miscalibration, b.miscalibration));
            prop_assert!(near(a.discrimination, b.discrimination));
        }
        let (a, b) = (one.cllr().unwrap(), other.cllr().unwrap());
        prop_assert!(near(a.bits, b.bits) && near(a.least, b.least));
        prop_assert!(near(one.auc().unwrap(), other.auc().unwrap()));
        prop_assert!(near(one.in_the_large().z.unwrap(), -other.in_the_large().z.unwrap()));
    }

    /// Every case twice is the same evidence about the forecasts, only firmer.
    #[test]
    fn scores_of_everything_twice_are_the_same(cases in mixed()) {
        let (one, two) = (scored(&cases), scored(&[cases.clone(), cases.clone()].concat()));
        prop_assert!(near(one.log().score, two.log().score));
        prop_assert!(near(one.brier().miscalibration, two.brier().miscalibration));
        prop_assert!(near(one.cllr().unwrap().bits, two.cllr().unwrap().bits));
        prop_assert!(near(one.auc().unwrap(), two.auc().unwrap()));
        let z = |f: &Forecasts| f.in_the_large().z.unwrap();
        prop_assert!(near(z(&one) * 2_f64.sqrt(), z(&two)));
    }

    #[test]
    fn cllr_lies_between_its_least_and_what_an_increasing_map_leaves(cases in mixed(), shift in -3.0..3.0_f64) {
        let one = scored(&cases);
        let cllr = one.cllr().unwrap();
        prop_assert!(cllr.least <= cllr.bits + ROUNDING && (0.0..=1.0 + ROUNDING).contains(&cllr.least));
        // Discrimination is what no increasing map changes.
        let mapped: Cases = cases.iter().map(|&(t, bad)| (LogOdds::new(shift + t.value().cbrt()), bad)).collect();
        let other = scored(&mapped);
        prop_assert!(near(other.cllr().unwrap().least, cllr.least));
        prop_assert!(near(other.auc().unwrap(), one.auc().unwrap()));
        prop_assert!(near(other.log().discrimination, one.log().discrimination));
    }

    /// The rate for every case: no discrimination, no miscalibration, one bit of cost.
    #[test]
    fn the_rate_as_forecast_knows_nothing(bad in 1_usize..40, sound in 1_usize..40) {
        let rate = LogOdds::new((bad as f64).ln() - (sound as f64).ln());
        let forecasts = scored(&[vec![(rate, true); bad], vec![(rate, false); sound]].concat());
        let cllr = forecasts.cllr().unwrap();
        prop_assert!(near(cllr.bits, 1.0) && near(cllr.least, 1.0));
        prop_assert_eq!(forecasts.auc(), Some(0.5));
        for part in [forecasts.log(), forecasts.brier()] {
            prop_assert!(part.discrimination < 1e-15 && part.miscalibration < 1e-15, "{part:?}");
        }
        prop_assert!(forecasts.in_the_large().z.unwrap().abs() < 1e-6);
    }

    /// With as many bad cases as sound ones, Cllr is the log score in bits.
    #[test]
    fn cllr_of_an_even_rate_is_the_log_score(cases in cases()) {
        let even: Cases = cases.iter().flat_map(|&(t, bad)| [(t, bad), (LogOdds::new(0.1), !bad)]).collect();
        let forecasts = scored(&even);
        let log = forecasts.log();
        let bits = std::f64::consts::LN_2.recip();
        let cllr = forecasts.cllr().unwrap();
        prop_assert!(near(cllr.bits, log.score * bits));
        prop_assert!(near(cllr.least, (log.score - log.miscalibration) * bits));
    }
}

proptest! {
    #![proptest_config(config(200))]

    #[test]
    fn the_identity_changes_nothing(t in -1e6..1e6_f64) {
        prop_assert_eq!(Recalibration::IDENTITY.apply(LogOdds::new(t)), LogOdds::new(t));
        prop_assert_eq!(Recalibration::new(0.0, 1.0).unwrap(), Recalibration::IDENTITY);
    }

    #[test]
    fn fit_is_the_best_map(cases in mixed(), ln_a in -6.0..6.0_f64, ln_b in -6.0..6.0_f64) {
        best_map_found(&cases, ln_a.exp(), ln_b.exp())?;
    }

    /// Separated, reversed or one-sided outcomes, at any strength and out to the largest log-odds.
    #[test]
    fn no_data_make_a_fit_diverge(
        told in prop::collection::vec(prop_oneof![-3.0..3.0_f64, -1e3..1e3_f64, -1e6..1e6_f64], 1..30),
        kind in 0_u8..4,
        ln_a in -20.7..20.7_f64,
        ln_b in -20.7..20.7_f64,
    ) {
        let outcome = |t: f64| match kind {
            0 => t > 0.0,
            1 => t <= 0.0,
            2 => true,
            _ => false,
        };
        let cases: Cases = told.iter().map(|&t| (LogOdds::new(t), outcome(t))).collect();
        best_map_found(&cases, ln_a.exp(), ln_b.exp())?;
    }

    /// A constant added to log-odds whose intercept is free is taken away again, and a factor likewise.
    #[test]
    fn next_to_unpenalised_fits_undo_a_logistic_distortion(seed: u64, shift in -1.0..1.0_f64, factor in 0.5..2.0_f64) {
        let random = &mut Pcg64::seed_from_u64(seed);
        let plain: Cases = (0..80)
            .map(|_| {
                let t = LogOdds::new(4.0 * uniform(random) - 2.0);
                (t, uniform(random) < t.probability())
            })
            .collect();
        let fit = |cases: &[(LogOdds, bool)]| Recalibration::fit(&scored(cases), shrunk(1e-9));
        let one = fit(&plain);
        prop_assume!(one.slope() > 0.01);
        let bent: Cases = plain.iter().map(|&(t, bad)| (LogOdds::new(shift + factor * t.value()), bad)).collect();
        let other = fit(&bent);
        for (&(before, _), &(after, _)) in plain.iter().zip(&bent) {
            let (a, b) = (one.apply(before).value(), other.apply(after).value());
            prop_assert!((a - b).abs() < 1e-6, "{a} and {b}");
        }
    }

    #[test]
    fn a_firm_opinion_leaves_forecasts_alone(cases in mixed()) {
        let tame: Cases = cases.iter().map(|&(t, bad)| (LogOdds::new(t.value().clamp(-6.0, 6.0)), bad)).collect();
        let map = Recalibration::fit(&scored(&tame), shrunk(1e9));
        prop_assert!(map.intercept().abs() < 1e-6 && (map.slope() - 1.0).abs() < 1e-6, "{map:?}");
    }

    /// The score equation of the intercept: recalibrated forecasts are right in the large.
    #[test]
    fn next_to_unpenalised_forecasts_have_the_rate_as_mean(seed: u64) {
        let random = &mut Pcg64::seed_from_u64(seed);
        let cases: Cases =
            (0..60).map(|_| (LogOdds::new(3.0 * uniform(random)), uniform(random) < 0.4)).collect();
        let map = Recalibration::fit(&scored(&cases), shrunk(1e-9));
        let after: Cases = cases.iter().map(|&(t, bad)| (map.apply(t), bad)).collect();
        let large = scored(&after).in_the_large();
        prop_assert!((large.mean_forecast - large.rate).abs() < 1e-8, "{large:?}");
    }

    /// Each fold is mapped by a fit to the others and by nothing else.
    #[test]
    fn assessment_is_out_of_fold(cases in mixed(), folds in 2_usize..5, precision in 0.1..10.0_f64) {
        prop_assume!(cases.len() >= folds);
        let shrinkage = shrunk(precision);
        let fold = |i: usize| 10 + i % folds;
        let told: Vec<OutOfFold> = cases
            .iter()
            .enumerate()
            .map(|(i, &(forecast, bad))| OutOfFold { forecast, bad, fold: fold(i) })
            .collect();
        let found = assess(&told, shrinkage).unwrap();
        for left_out in 10..10 + folds {
            let others: Cases =
                cases.iter().enumerate().filter(|(i, _)| fold(*i) != left_out).map(|(_, c)| *c).collect();
            let map = Recalibration::fit(&scored(&others), shrinkage);
            for (i, (t, _)) in cases.iter().enumerate().filter(|(i, _)| fold(*i) == left_out) {
                prop_assert_eq!(found.out_of_fold[i], map.apply(*t));
            }
        }
        let after: Cases = found.out_of_fold.iter().zip(&cases).map(|(&t, &(_, bad))| (t, bad)).collect();
        prop_assert!(near(found.before, scored(&cases).log().score));
        prop_assert!(near(found.after, scored(&after).log().score));
        prop_assert_eq!(found.fitted, Recalibration::fit(&scored(&cases), shrinkage));
        prop_assert_eq!(found.kept() == Recalibration::IDENTITY, !found.improves());
    }
}

/// Forecasts spread over (−4, 4), with outcomes drawn from `truth` of each.
fn drawn(n: usize, random: &mut Pcg64, truth: impl Fn(LogOdds) -> LogOdds) -> Cases {
    (0..n)
        .map(|_| {
            let t = LogOdds::new(8.0 * uniform(random) - 4.0);
            (t, uniform(random) < truth(t).probability())
        })
        .collect()
}

/// All outcomes of seven cases, each with its probability under the forecasts: what share of curves lies
/// below either end of the band, and above it?
#[test]
fn band_equals_full_enumeration() {
    const RESAMPLES: usize = 20_000;
    let p = [0.1, 0.3, 0.3, 0.45, 0.6, 0.8, 0.95];
    let told = p.map(|p| LogOdds::of(p).unwrap());
    let observed = told.map(|t| (t, false));
    let band = scored(&observed).band(RESAMPLES, 11).unwrap();
    assert_eq!(band.len(), 6);
    // Of a share of the resamples; the band's ends are quantiles of them.
    let error = STANDARD_ERRORS * (0.05_f64 * 0.95 / RESAMPLES as f64).sqrt();
    for bound in &band {
        let (mut below, mut within_low, mut within_high, mut above) = (0.0, 0.0, 0.0, 0.0);
        for outcomes in 0..1_u32 << p.len() {
            let bad = |i: usize| outcomes >> i & 1 == 1;
            let cases: Cases = told.iter().enumerate().map(|(i, t)| (*t, bad(i))).collect();
            let weight: f64 = (0..p.len()).map(|i| if bad(i) { p[i] } else { 1.0 - p[i] }).product();
            let at = told.iter().position(|t| *t == bound.forecast).unwrap();
            let fit = min_max(&cases)[at];
            below += if fit < bound.low - 1e-12 { weight } else { 0.0 };
            within_low += if fit <= bound.low + 1e-12 { weight } else { 0.0 };
            within_high += if fit >= bound.high - 1e-12 { weight } else { 0.0 };
            above += if fit > bound.high + 1e-12 { weight } else { 0.0 };
        }
        assert!(below < 0.05 + error && within_low > 0.05 - error, "{bound:?}: {below} {within_low}");
        assert!(above < 0.05 + error && within_high > 0.05 - error, "{bound:?}: {above} {within_high}");
    }
}

/// Outcomes drawn from the forecasts put the curve within its band at least nine times in ten (more, as
/// its rates are shares of few cases and often lie on the band's end); outcomes of overconfident
/// forecasts do not.
#[test]
fn band_holds_calibrated_forecasts_and_shows_overconfident_ones() {
    const TRIALS: u64 = 60;
    let random = &mut Pcg64::seed_from_u64(12);
    let mut within = |truth: &dyn Fn(LogOdds) -> LogOdds| {
        let trial = |seed| {
            let forecasts = scored(&drawn(120, random, truth));
            let band = forecasts.band(400, seed).unwrap();
            let inside = band.iter().filter(|bound| {
                let rate = block_of(forecasts.isotonic(), bound.forecast).rate();
                (bound.low..=bound.high).contains(&rate)
            });
            inside.count() as f64 / band.len() as f64
        };
        let shares: Vec<f64> = (0..TRIALS).map(trial).collect();
        let n = TRIALS as f64;
        let mean = shares.iter().sum::<f64>() / n;
        let variance = shares.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0);
        (mean, (variance / n).sqrt())
    };
    let (calibrated, error) = within(&|t| t);
    let (overconfident, other) = within(&|t| LogOdds::new(0.4 * t.value()));
    eprintln!(
        "within the 90 % band: calibrated {calibrated:.3} ± {error:.3}, overconfident {overconfident:.3} ± {other:.3}"
    );
    assert!(calibrated > 0.9 - STANDARD_ERRORS * error && calibrated < 0.97, "{calibrated}");
    assert!(overconfident < 0.6, "{overconfident}");
}

#[test]
fn band_depends_on_its_seed_alone_and_is_thinned_evenly() {
    let cases = drawn(1000, &mut Pcg64::seed_from_u64(13), |t| t);
    let forecasts = scored(&cases);
    let band = forecasts.band(100, 1).unwrap();
    assert_eq!(band, forecasts.band(100, 1).unwrap());
    assert_ne!(band, forecasts.band(100, 2).unwrap());
    assert_eq!(band.len(), 200);
    let mut told: Vec<f64> = cases.iter().map(|(t, _)| t.value()).collect();
    told.sort_unstable_by(f64::total_cmp);
    let ends = [band[0].forecast.value(), band[199].forecast.value()];
    assert_eq!(ends, [told[0], told[999]]);
    assert!(band.windows(2).all(|w| w[0].forecast < w[1].forecast && w[0].low <= w[1].low && w[0].high <= w[1].high));
    // The outcomes that came do not enter: the band is of the forecasts.
    let turned: Cases = cases.iter().map(|&(t, bad)| (t, !bad)).collect();
    assert_eq!(band, scored(&turned).band(100, 1).unwrap());
}

/// z is standard normal under calibration: its square has mean 1.
#[test]
fn calibration_in_the_large_has_the_spread_it_says() {
    let random = &mut Pcg64::seed_from_u64(14);
    let trials = 2000;
    let squares: f64 = (0..trials).map(|_| scored(&drawn(50, random, |t| t)).in_the_large().z.unwrap().powi(2)).sum();
    let mean = squares / f64::from(trials);
    // The variance of χ²₁ is 2.
    assert!((mean - 1.0).abs() < STANDARD_ERRORS * (2.0 / f64::from(trials)).sqrt(), "{mean}");
}

/// Three cases of which two hang together, against all their outcomes; and none of it turns on how far the
/// log-odds lie from the forecasts.
#[test]
fn cases_that_hang_together_widen_the_error_of_the_rate() {
    let told = [0.3, 0.5, 0.2].map(|p| LogOdds::of(p).unwrap());
    let cases = told.map(|t| (t, true));
    let at = |shift: f64| Shared {
        cases: vec![2, 0],
        log_odds: vec![vec![shift - 1.0, -2.0], vec![shift, 0.5], vec![shift + 3.0, 0.0]],
    };
    let large = Forecasts::together(&cases, &[at(0.0)]).unwrap().in_the_large();
    let moved = Forecasts::together(&cases, &[at(40.0)]).unwrap().in_the_large();
    assert!((large.standard_error - moved.standard_error).abs() < 1e-12);
    // The shifts by which the mean probabilities are the forecasts, by a search of their own.
    let p = |t: f64| 1.0 / (1.0 + (-t).exp());
    let given = |log_odds: [f64; 3], forecast: f64| {
        let mean = |c: f64| log_odds.iter().map(|t| p(t + c)).sum::<f64>() / 3.0;
        let mut c = -50.0;
        for digit in 0..15 {
            let step = 10.0_f64.powi(1 - digit);
            while mean(c + step) < forecast {
                c += step;
            }
        }
        log_odds.map(|t| p(t + c))
    };
    let (one, other) = (given([-1.0, 0.0, 3.0], 0.2), given([-2.0, 0.5, 0.0], 0.3));
    let mut variance = 0.0;
    for outcomes in 0..8_u32 {
        let y = [0, 1, 2].map(|i| f64::from(outcomes >> i & 1));
        let chance = |p: f64, y: f64| if y == 1.0 { p } else { 1.0 - p };
        let together: f64 = (0..3).map(|k| chance(one[k], y[2]) * chance(other[k], y[0])).sum::<f64>() / 3.0;
        variance += together * chance(0.5, y[1]) * (y.iter().sum::<f64>() - 1.0).powi(2);
    }
    assert!((large.standard_error * 3.0 - variance.sqrt()).abs() < 1e-9, "{large:?} {variance}");
    let apart = scored(&cases).in_the_large();
    assert!(large.standard_error > apart.standard_error);
    for wrong in [
        Shared { cases: vec![0, 3], log_odds: vec![vec![0.0; 2]] },
        Shared { cases: vec![0, 0], log_odds: vec![vec![0.0; 2]] },
        Shared { cases: vec![0, 1], log_odds: vec![vec![0.0]] },
        Shared { cases: vec![0, 1], log_odds: vec![] },
        Shared { cases: vec![0, 1], log_odds: vec![vec![0.0, f64::INFINITY]] },
    ] {
        assert!(Forecasts::together(&cases, &[wrong]).is_err());
    }
}

/// Outcomes drawn from logit p' = −0.5 + 0.6·logit p: the fit finds the map, within its standard errors,
/// and the gain is real; outcomes drawn from the forecasts themselves leave nothing to gain.
#[test]
fn recalibration_finds_the_map_that_the_outcomes_were_drawn_from() {
    let random = &mut Pcg64::seed_from_u64(15);
    let truth = Recalibration::new(-0.5, 0.6).unwrap();
    let n = 4000;
    let assessed = |random: &mut Pcg64, truth: Recalibration| {
        let cases = drawn(n, random, |t| truth.apply(t));
        let told: Vec<OutOfFold> =
            cases.iter().enumerate().map(|(i, &(forecast, bad))| OutOfFold { forecast, bad, fold: i % 5 }).collect();
        assess(&told, shrunk(1.0)).unwrap()
    };
    let bent = assessed(random, truth);
    // Information per case of the intercept is at least 0.1, of the slope at least 0.3, on this spread.
    let n = n as f64;
    assert!((bent.fitted.intercept() - -0.5).abs() < STANDARD_ERRORS / (0.1 * n).sqrt(), "{:?}", bent.fitted);
    assert!((bent.fitted.slope() - 0.6).abs() < STANDARD_ERRORS / (0.3 * n).sqrt(), "{:?}", bent.fitted);
    assert!(bent.improves() && bent.before - bent.after > STANDARD_ERRORS * bent.standard_error, "{bent:?}");
    assert_eq!(bent.kept(), bent.fitted);

    let straight = assessed(random, Recalibration::IDENTITY);
    assert!((straight.before - straight.after).abs() < STANDARD_ERRORS * straight.standard_error + 2.0 / n);
    assert!((straight.fitted.slope() - 1.0).abs() < 0.2);
}

/// Eight outcomes, noise against the forecasts: the recalibration is fitted, found no better, dropped.
#[test]
fn a_recalibration_that_does_not_help_is_not_kept() {
    let told = [-2.0, -1.5, -1.0, -0.5, 0.5, 1.0, 1.5, 2.0].map(LogOdds::new);
    let bad = [false, false, true, false, true, false, true, true];
    let cases: Vec<OutOfFold> = told
        .into_iter()
        .zip(bad)
        .enumerate()
        .map(|(fold, (forecast, bad))| OutOfFold { forecast, bad, fold })
        .collect();
    let found = assess(&cases, shrunk(0.1)).unwrap();
    assert!(!found.improves() && found.after > found.before, "{found:?}");
    assert_eq!(found.kept(), Recalibration::IDENTITY);
}

/// Round forecasts lie on the edges of round bins, and log-odds hold them to rounding only.
#[test]
fn a_forecast_on_an_edge_is_in_the_bin_that_begins_there() {
    for bins in 2..=60 {
        let edge = |k: usize| LogOdds::of(k as f64 / bins as f64).unwrap();
        let told: Cases = (1..bins).map(|k| (edge(k), k % 3 == 0)).collect();
        let found = scored(&told).histogram(bins).unwrap();
        let cases: Vec<usize> = found.iter().map(|b| b.cases).collect();
        assert_eq!(cases[0], 0, "{bins} bins");
        assert!(cases[1..].iter().all(|n| *n == 1), "{bins} bins: {cases:?}");
        assert!(found.iter().enumerate().all(|(k, b)| b.bad == usize::from(k > 0 && k % 3 == 0)));
        assert!(found.windows(2).all(|w| w[0].high == w[1].low) && (found[bins - 1].high - 1.0).abs() < 1e-15);
    }
}

#[test]
fn forecasts_beyond_a_double_keep_their_digits() {
    let told = |p: f64, bad| (LogOdds::of(p).unwrap(), bad);
    let tiny = scored(&[told(1e-300, true), told(1e-300, false), told(1e-250, true)]);
    // ln 10 · (300 + 250) / 3, the sound case costing nothing.
    assert!(near(tiny.log().score, 550.0 * std::f64::consts::LN_10 / 3.0));
    assert_eq!(tiny.isotonic().len(), 2);
    assert_eq!(tiny.auc(), Some(0.75));
}

/// Two forecasts that miss the truth by as much, the one above and the other below by the toss of a
/// coin, are equally good: a gain beyond chance is then found about once in twenty times (4.55 % of a
/// normal law), also where a seller's cases miss alike.
#[test]
fn of_equally_good_forecasts_few_seem_better() {
    let random = &mut Pcg64::seed_from_u64(16);
    let unit = |random: &mut Pcg64| (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
    let trials = 4000;
    for of_seller in [1, 4] {
        let mut beyond = 0;
        for _ in 0..trials {
            let mut cases = Vec::new();
            for group in 0..100 {
                let side = if unit(random) < 0.5 { 0.6 } else { -0.6 };
                for _ in 0..of_seller {
                    let truth = 4.0 * unit(random) - 2.0;
                    let bad = unit(random) < LogOdds::new(truth).probability();
                    let (first, second) = (LogOdds::new(truth + side), LogOdds::new(truth - side));
                    cases.push(Compared { group, bad, first, second });
                }
            }
            beyond += u32::from(Gain::new(cases).is_beyond_chance());
        }
        let share = f64::from(beyond) / f64::from(trials);
        eprintln!("{of_seller} to a seller: {share:.4} beyond chance");
        // Four standard errors of the share, and as much again for a hundred groups being few.
        assert!((share - 0.0455).abs() < 8.0 * (0.0455_f64 * 0.9545 / f64::from(trials)).sqrt(), "{share}");
    }
}

#[test]
fn outcomes_all_alike_have_no_cllr() {
    let forecasts = scored(&[(LogOdds::new(-1.0), false), (LogOdds::new(2.0), false)]);
    assert_eq!((forecasts.cllr(), forecasts.auc()), (None, None));
    let log = forecasts.log();
    assert_eq!((log.discrimination, log.uncertainty), (0.0, 0.0));
    assert_eq!(log.score, log.miscalibration);
    assert_eq!(forecasts.isotonic().len(), 1);
    let certain = scored(&[(LogOdds::new(-1e5), false)]);
    assert_eq!(certain.in_the_large().z, None);
}

#[test]
fn what_cannot_be_scored_is_refused_by_name() {
    let said = |e: Error| e.to_string();
    assert_eq!(said(Forecasts::new(&[]).unwrap_err()), "forecasts: 0 given, at least 1 needed");
    for (bad, text) in [(f64::NAN, "NaN"), (f64::INFINITY, "inf"), (-2e6, "-2000000")] {
        let cases = [(LogOdds::new(0.0), true), (LogOdds::new(bad), true)];
        let text = format!("forecast 1 has log-odds {text}, which are not a number from -1e6 to 1e6");
        assert_eq!(said(Forecasts::new(&cases).unwrap_err()), text);
    }
    let one = scored(&[(LogOdds::new(0.0), true)]);
    assert_eq!(said(one.band(19, 0).unwrap_err()), "resamples: 19 given, at least 20 needed");
    assert_eq!(said(one.histogram(0).unwrap_err()), "bins is 0, which is not a number from 1 to 1000");
    assert!(one.histogram(1000).is_ok() && one.histogram(1001).is_err());

    let refused = Shrinkage::new(1.0, 0.0).unwrap_err();
    assert_eq!(said(refused), "precision of the slope is 0, which is not a number from 1e-9 to 1e9");
    assert!(Shrinkage::new(f64::NAN, 1.0).is_err());
    assert!(Recalibration::new(0.0, 0.0).is_err() && Recalibration::new(f64::INFINITY, 1.0).is_err());
    assert!(LogOdds::of(1.5).is_err() && LogOdds::of(f64::NAN).is_err());

    let case = OutOfFold { forecast: LogOdds::new(0.0), bad: true, fold: 3 };
    assert_eq!(said(assess(&[case, case], shrunk(1.0)).unwrap_err()), "folds: 1 given, at least 2 needed");
    assert_eq!(said(assess(&[], shrunk(1.0)).unwrap_err()), "forecasts: 0 given, at least 1 needed");
}

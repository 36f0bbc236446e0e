//! Laws of the distributions of rates and counts.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use steelyard_priors::seller::{Evidence, Outcomes, SellerPosterior};
use steelyard_priors::special::{ln_beta, ln_beta_ratio, ln_gamma_ratio};
use steelyard_priors::{Beta, BetaBinomial, DirichletMultinomial, LogOdds};

/// Rounding of sums of a hundred or so terms.
const ROUNDING: f64 = 1e-12;

fn ln_uniform(lo: f64, hi: f64) -> impl Strategy<Value = f64> {
    (lo.ln()..hi.ln()).prop_map(f64::exp)
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 200,
        rng_seed: RngSeed::Fixed(2),
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn quantile_undoes_the_distribution_function(
        a in ln_uniform(1e-12, 1e7),
        b in ln_uniform(1e-12, 1e7),
        ln_p in -60.0..-0.7_f64,
    ) {
        let rate = Beta::new(a, b).unwrap();
        let p = ln_p.exp();
        let (low, high) = (rate.quantile(p).unwrap(), rate.upper_quantile(p).unwrap());
        prop_assert!((rate.cdf(low) / p - 1.0).abs() < 1e-9, "lower tail {p:e}: {:e}", rate.cdf(low));
        prop_assert!((rate.sf(high) / p - 1.0).abs() < 1e-9, "upper tail {p:e}: {:e}", rate.sf(high));
        prop_assert!((rate.cdf(high) + rate.sf(high) - 1.0).abs() < ROUNDING);
        // Exchanging bad and sound turns the scale round.
        let turned = Beta::new(b, a).unwrap().upper_quantile(p).unwrap();
        let apart = (turned.value() + low.value()).abs() / low.value().abs().max(1e-3);
        prop_assert!(apart < 1e-9, "{turned:?} and {low:?}");
    }

    #[test]
    fn beta_binomial_sums_to_one_with_its_mean_and_variance(
        a in ln_uniform(1e-3, 1e8),
        b in ln_uniform(1e-3, 1e8),
        n in 1_u64..120,
        k in 0_u64..120,
    ) {
        let count = BetaBinomial::new(n, Beta::new(a, b).unwrap());
        let pmf: Vec<f64> = (0..=n).map(|k| count.ln_pmf(k).exp()).collect();
        let moment = |f: &dyn Fn(f64) -> f64| -> f64 {
            pmf.iter().enumerate().map(|(k, p)| p * f(k as f64)).sum()
        };
        let mean = count.mean();
        prop_assert!((moment(&|_| 1.0) - 1.0).abs() < ROUNDING);
        prop_assert!((moment(&|k| k) / mean - 1.0).abs() < ROUNDING);
        let variance = moment(&|k| (k - mean) * (k - mean));
        prop_assert!((variance / count.variance() - 1.0).abs() < 1e-9);

        let k = k.min(n);
        let below: f64 = pmf[..=k as usize].iter().sum();
        prop_assert!((count.cdf(k) - below).abs() < ROUNDING);
        prop_assert!((count.cdf(k) + count.sf(k) - 1.0).abs() < ROUNDING);
        prop_assert_eq!(count.ln_pmf(n + 1), f64::NEG_INFINITY);
    }

    #[test]
    fn two_kinds_of_a_dirichlet_multinomial_are_a_beta_binomial(
        a in ln_uniform(1e-3, 1e8),
        b in ln_uniform(1e-3, 1e8),
        bad in 0_u64..60,
        sound in 0_u64..60,
    ) {
        let two = DirichletMultinomial::new(vec![a, b]).unwrap().ln_pmf(&[bad, sound]).unwrap();
        let one = BetaBinomial::new(bad + sound, Beta::new(a, b).unwrap()).ln_pmf(bad);
        prop_assert!((two - one).abs() < ROUNDING * one.abs().max(1.0), "{two} and {one}");
    }

    /// P(x bad of n in a given order) from the seller's marginal, times the number of orders.
    #[test]
    fn predictive_probability_is_the_marginal_likelihood_of_outcomes(
        a in ln_uniform(0.01, 1e4),
        b in ln_uniform(0.01, 1e4),
        bad in 0_u64..30,
        sound in 0_u64..30,
    ) {
        let prior = Beta::new(a, b).unwrap();
        let n = bad + sound;
        let evidence = Evidence { outcomes: Outcomes::new(bad, n).unwrap(), ..Evidence::default() };
        let marginal = SellerPosterior::new(prior, &evidence).unwrap().ln_marginal();
        let ln_orders = -(n as f64).ln_1p() - ln_beta(bad as f64 + 1.0, sound as f64 + 1.0);
        let predictive = BetaBinomial::new(n, prior).ln_pmf(bad);
        prop_assert!((marginal + ln_orders - predictive).abs() < ROUNDING * predictive.abs().max(1.0));
    }

    /// Γ(x+1) = x·Γ(x), step by step, across the change from ln Γ to Stirling's formula.
    #[test]
    fn steps_of_ln_gamma_add_up(x in ln_uniform(1e-3, 1e12), steps in 1_u32..20) {
        let by_one: f64 = (0..steps).map(|k| (x + f64::from(k)).ln()).sum();
        let at_once = ln_gamma_ratio(x, f64::from(steps));
        prop_assert!((at_once - by_one).abs() < 1e-13 * by_one.abs().max(10.0));
        let there_and_back = ln_beta_ratio(x, 3.0, f64::from(steps), 2.0)
            + ln_beta_ratio(x + f64::from(steps), 5.0, -f64::from(steps), -2.0);
        prop_assert!(there_and_back.abs() < 1e-12 * by_one.abs().max(10.0));
    }
}

#[test]
fn log_odds_keep_both_ends() {
    for t in [-800.0, -40.0, -0.1, 0.0, 3.0, 90.0] {
        let (p, q) = (LogOdds::new(t), LogOdds::new(-t));
        assert_eq!(p.probability(), q.complement());
        assert_eq!(p.ln_probability(), q.ln_complement());
        assert!((p.ln_probability() - p.ln_complement() - t).abs() < 1e-13);
        assert!((p.probability() + p.complement() - 1.0).abs() < 1e-15);
    }
    assert_eq!(LogOdds::new(f64::INFINITY).probability(), 1.0);
    assert_eq!(LogOdds::new(f64::NEG_INFINITY).probability(), 0.0);
}

#[test]
fn counts_must_match_the_kinds() {
    let shares = DirichletMultinomial::new(vec![1.0, 2.0]).unwrap();
    let refused = shares.ln_pmf(&[1, 2, 3]).unwrap_err();
    assert_eq!(refused.to_string(), "3 counts for 2 categories");
    assert!(DirichletMultinomial::new(vec![1.0, 0.0]).is_err());
}

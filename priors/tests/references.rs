//! Published algorithms and mpmath at 50 digits: every case of the three reference files, to the
//! tolerances those files state.

mod support;

use serde_json::Value;
use statrs::distribution::{ContinuousCDF, Normal};
use statrs::function::gamma::{digamma, ln_gamma};
use steelyard_priors::seller::*;
use steelyard_priors::special::ln_beta;
use steelyard_priors::{Beta, BetaBinomial, DirichletMultinomial, Error, LogOdds};
use support::{Worst, list, number, reference};

const FEEDBACK: &str = include_str!("data/feedback.json");
const POOL: &str = include_str!("data/seller_pool.json");
const SPECIAL: &str = include_str!("data/beta_binomial.json");

fn posterior_of_feedback(case: &Value) -> SellerPosterior {
    let count = |key| number(case, key) as u64;
    let model = FeedbackModel::undiscounted(number(case, "b0"), number(case, "d")).unwrap();
    let evidence =
        Evidence { feedback: Some((model, Feedback::new(count("k"), count("n")).unwrap())), ..Evidence::default() };
    SellerPosterior::new(Prior::new(number(case, "a"), number(case, "b")).unwrap(), &evidence).unwrap()
}

#[test]
fn feedback_posterior_equals_high_precision_quadrature() {
    let file = reference(FEEDBACK);
    let allowed = |key| number(&file["tolerance"], key);
    let mut moments = Worst::of("feedback mean");
    let mut spread = Worst::of("feedback sd");
    let mut marginal = Worst::of("feedback ln marginal");
    let mut quantiles = Worst::of("feedback quantile");
    let mut logits = Worst::of("feedback quantile logit");
    for case in list(&file, "cases") {
        let (id, expected) = (&case["id"], &case["expected"]);
        let posterior = posterior_of_feedback(case);
        let mean_rel = allowed("theta_mean_rel");
        moments.relative(posterior.mean(), number(expected, "theta_mean"), mean_rel, id);
        moments.relative(posterior.mean_complement(), number(expected, "theta_mean_complement"), mean_rel, id);
        spread.relative(posterior.sd(), number(expected, "theta_sd"), allowed("theta_sd_rel"), id);
        marginal.absolute(
            posterior.ln_marginal(),
            number(expected, "log_marginal_kernel"),
            allowed("log_marginal_kernel_abs"),
            id,
        );
        for quantile in list(expected, "quantiles") {
            let theta = posterior.quantile(number(quantile, "p")).unwrap();
            let at = format!("{id} p {}", quantile["p"]);
            let rel = allowed("quantile_rel");
            quantiles.relative(theta.probability(), number(quantile, "theta"), rel, &at);
            quantiles.relative(theta.complement(), number(quantile, "complement"), rel, &at);
            // The same change of θ(1−θ), seen on the logit scale.
            logits.absolute(theta.value(), number(quantile, "logit"), rel, &at);
        }
    }
    let n = number(&file, "n_cases") as usize;
    moments.check(2 * n);
    spread.check(n);
    marginal.check(n);
    quantiles.check(14 * n);
    logits.check(7 * n);
}

fn listings_of(case: &Value) -> Result<Vec<ListingLikelihood>, Error> {
    list(case, "listings")
        .iter()
        .map(|pair| {
            let ln = |k: usize| pair[k].as_f64().unwrap().ln();
            ListingLikelihood::new(ln(0), ln(1))
        })
        .collect()
}

fn pooled(case: &Value, listings: Vec<ListingLikelihood>) -> SellerPosterior {
    let prior = Prior::new(number(case, "a"), number(case, "b")).unwrap();
    let evidence = Evidence { listings, ..Evidence::default() };
    SellerPosterior::new(prior, &evidence).unwrap()
}

#[test]
fn pooled_listings_equal_enumeration_of_all_configurations() {
    let file = reference(POOL);
    let allowed = |key| number(&file["tolerance"], key);
    let mut p_bad = Worst::of("pool p_bad absolute");
    let mut p_bad_rel = Worst::of("pool p_bad relative");
    let mut log_odds = Worst::of("pool log odds");
    let mut theta = Worst::of("pool theta");
    let mut evidence = Worst::of("pool log evidence");
    let mut counts = Worst::of("pool none / all / two bad");
    let (mut answered, mut listed, mut impossible) = (0, 0, 0);
    for case in list(&file, "cases") {
        let (id, expected) = (&case["id"], &case["expected"]);
        if expected["impossible"] == true {
            assert_eq!(listings_of(case), Err(Error::Impossible("a listing")));
            impossible += 1;
            continue;
        }
        answered += 1;
        let listings = listings_of(case).unwrap();
        listed += listings.len();
        let posterior = pooled(case, listings.clone());
        let rel = allowed("theta_rel");
        theta.relative(posterior.mean(), number(expected, "theta_mean"), rel, id);
        theta.relative(posterior.sd(), number(expected, "theta_sd"), rel, id);
        let next = posterior.bad_given(ListingLikelihood::new(0.0, 0.0).unwrap());
        theta.relative(next.probability(), number(expected, "next_listing_p_bad_without_evidence"), rel, id);
        let ln_abs = allowed("log_evidence_abs");
        evidence.absolute(posterior.ln_marginal(), number(expected, "log_evidence"), ln_abs, id);
        for (k, bad) in posterior.pooled().into_iter().enumerate() {
            let at = format!("{id} listing {k}");
            let want = expected["p_bad"][k].as_f64().unwrap();
            p_bad.absolute(bad.probability(), want, allowed("p_bad_abs"), &at);
            p_bad_rel.relative(bad.probability(), want, allowed("p_bad_rel"), &at);
            let want = match &expected["log_odds_bad"][k] {
                Value::String(s) => s.parse().unwrap(),
                other => other.as_f64().unwrap(),
            };
            log_odds.absolute(bad.value(), want, allowed("log_odds_abs"), &at);
        }

        // P(all bad) and P(none bad) are ratios of marginal likelihoods.
        let told = |bad: bool| -> Option<Vec<ListingLikelihood>> {
            list(case, "listings")
                .iter()
                .map(|pair| {
                    let l = pair[usize::from(!bad)].as_f64().unwrap().ln();
                    let known = if bad {
                        ListingLikelihood::new(l, f64::NEG_INFINITY)
                    } else {
                        ListingLikelihood::new(f64::NEG_INFINITY, l)
                    };
                    known.ok()
                })
                .collect()
        };
        let by_count = list(expected, "p_count_bad");
        for (bad, want) in [(false, by_count.first()), (true, by_count.last())] {
            let share =
                told(bad).map_or(0.0, |known| (pooled(case, known).ln_marginal() - posterior.ln_marginal()).exp());
            let want = want.unwrap().as_f64().unwrap();
            counts.relative(share, want, allowed("p_bad_rel"), format!("{id} all {bad}"));
        }
        // P(1 and 2 bad) = P(1 bad) · P(2 bad | 1 bad).
        if let Some(want) = expected["p_first_two_both_bad"].as_f64() {
            let mut first_bad = listings;
            first_bad[0] = ListingLikelihood::known_bad();
            let second = pooled(case, first_bad).pooled()[1];
            let both = posterior.pooled()[0].probability() * second.probability();
            counts.relative(both, want, allowed("p_bad_rel"), id);
        }
    }
    assert_eq!(answered + impossible, number(&file, "n_cases") as usize);
    assert_eq!(impossible, 1);
    p_bad.check(listed);
    p_bad_rel.check(listed);
    log_odds.check(listed);
    theta.check(3 * answered);
    evidence.check(answered);
    counts.check(3 * answered - 1);
}

#[test]
fn beta_binomial_equals_mpmath() {
    let file = reference(SPECIAL);
    let cases = list(&file, "beta_binomial");
    let mut ln_pmf = Worst::of("beta-binomial ln pmf");
    let mut moments = Worst::of("beta-binomial moments");
    let mut sums = Worst::of("beta-binomial cdf, sf");
    for case in cases {
        let at = format!("k {} n {} α {} β {}", case["k"], case["n"], case["alpha"], case["beta"]);
        let (k, n) = (number(case, "k") as u64, number(case, "n") as u64);
        let rate = Beta::new(number(case, "alpha"), number(case, "beta")).unwrap();
        let count = BetaBinomial::new(n, rate);
        // The file's max(1e-9, 3·naive_abs_error), without the second term: nothing cancels here.
        // What is left is the rounding of ln P itself.
        let want = number(case, "log_pmf");
        ln_pmf.absolute(count.ln_pmf(k), want, 1e-9, &at);
        moments.relative(count.mean(), number(case, "mean"), 1e-14, &at);
        moments.relative(count.variance(), number(case, "variance"), 1e-13, &at);
        if case["cdf"].is_number() {
            for (got, want) in [(count.cdf(k), number(case, "cdf")), (count.sf(k), number(case, "sf"))] {
                sums.relative(got, want, 1e-9, &at);
            }
        }
    }
    let summed = cases.iter().filter(|c| c["cdf"].is_number()).count();
    ln_pmf.check(cases.len());
    moments.check(2 * cases.len());
    sums.check(2 * summed);
}

#[test]
fn dirichlet_multinomial_equals_mpmath() {
    let file = reference(SPECIAL);
    let cases = list(&file, "dirichlet_multinomial");
    let mut ln_pmf = Worst::of("Dirichlet-multinomial ln pmf");
    for case in cases {
        let numbers = |key| list(case, key).iter().map(|v| v.as_f64().unwrap());
        let alpha = numbers("alpha").collect();
        let x: Vec<u64> = numbers("x").map(|v| v as u64).collect();
        let got = DirichletMultinomial::new(alpha).unwrap().ln_pmf(&x).unwrap();
        ln_pmf.absolute(got, number(case, "log_pmf"), 1e-9, &case["x"]);
    }
    ln_pmf.check(cases.len());
}

#[test]
fn beta_quantiles_equal_mpmath() {
    let file = reference(SPECIAL);
    let cases = list(&file, "beta_quantiles");
    let rel = number(&file["tolerance"], "beta_quantile_rel");
    let log_tolerance = list(&file["tolerance"], "log_quantile_abs_plus_rel");
    let (log_abs, log_rel) = (log_tolerance[0].as_f64().unwrap(), log_tolerance[1].as_f64().unwrap());
    let mut quantiles = Worst::of("beta quantile");
    let mut logs = Worst::of("beta ln quantile");
    for case in cases {
        let at = format!("α {} β {} p {}", case["alpha"], case["beta"], case["p"]);
        let rate = Beta::new(number(case, "alpha"), number(case, "beta")).unwrap();
        let got = rate.quantile(number(case, "p")).unwrap();
        quantiles.relative(got.probability(), number(case, "quantile"), rel, &at);
        quantiles.relative(got.complement(), number(case, "complement"), rel, &at);
        for (got, key) in [(got.ln_probability(), "log_quantile"), (got.ln_complement(), "log_complement")] {
            let want = number(case, key);
            logs.absolute(got, want, log_abs + log_rel * want.abs(), &at);
        }
    }
    quantiles.check(2 * cases.len());
    logs.check(2 * cases.len());
}

#[test]
fn incomplete_beta_equals_mpmath() {
    let file = reference(SPECIAL);
    let cases = list(&file, "incomplete_beta");
    let rel = number(&file["tolerance"], "betainc_rel");
    let mut tails = Worst::of("incomplete beta");
    for case in cases {
        let at = format!("a {} b {} x {}", case["a"], case["b"], case["x"]);
        let rate = Beta::new(number(case, "a"), number(case, "b")).unwrap();
        let x = LogOdds::of(number(case, "x")).unwrap();
        tails.relative(rate.cdf(x), number(case, "cdf"), rel, &at);
        tails.relative(rate.sf(x), number(case, "sf"), rel, &at);
    }
    tails.check(2 * cases.len());
}

#[test]
fn log_beta_equals_mpmath() {
    let file = reference(SPECIAL);
    let cases = list(&file, "log_beta");
    let allowed = number(&file["tolerance"], "lbeta_abs_over_max1");
    let mut worst = Worst::of("ln B");
    for case in cases {
        let (a, b, want) = (number(case, "a"), number(case, "b"), number(case, "lbeta"));
        let at = format!("{a:e}, {b:e}");
        worst.absolute(ln_beta(a, b), want, allowed * want.abs().max(1.0), &at);
        worst.absolute(ln_beta(b, a), want, allowed * want.abs().max(1.0), &at);
    }
    worst.check(2 * cases.len());
}

/// The functions taken from statrs as they are: should an update make one worse, this says so.
#[test]
fn statrs_is_good_enough_for_gamma_digamma_and_normal_quantile() {
    let file = reference(SPECIAL);
    let allowed = |key| number(&file["tolerance"], key);
    let mut gamma = Worst::of("statrs ln Γ");
    let mut psi = Worst::of("statrs ψ");
    for case in list(&file, "gamma_functions") {
        let x = number(case, "x");
        let want = number(case, "lgamma");
        let tolerance = allowed("lgamma_abs_over_max1") * want.abs().max(1.0);
        gamma.absolute(ln_gamma(x), want, tolerance, x);
        let want = number(case, "digamma");
        let tolerance = allowed("digamma_abs_over_max1") * want.abs().max(1.0);
        psi.absolute(digamma(x), want, tolerance, x);
    }
    let mut z = Worst::of("statrs normal quantile");
    let mut logs = Worst::of("lognormal ln quantile");
    let log_tolerance = list(&file["tolerance"], "log_quantile_abs_plus_rel");
    let standard = Normal::standard();
    for case in list(&file, "lognormal_quantiles") {
        let p = number(case, "p");
        let got = standard.inverse_cdf(p);
        z.absolute(got, number(case, "z"), allowed("normal_z_abs"), p);
        let want = number(case, "log_quantile");
        let tolerance = log_tolerance[0].as_f64().unwrap() + log_tolerance[1].as_f64().unwrap() * want.abs();
        let ln_quantile = number(case, "mu") + number(case, "sigma") * got;
        logs.absolute(ln_quantile, want, tolerance, p);
    }
    gamma.check(26);
    psi.check(26);
    z.check(12);
    logs.check(12);
}

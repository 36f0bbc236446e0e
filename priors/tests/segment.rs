//! A segment's figures against the type-II maximum likelihood of published data, and against laws.

mod support;

use serde_json::Value;
use statrs::function::gamma::digamma;
use steelyard_priors::Beta;
use steelyard_priors::fit::segment::{Hyperprior, Level, maximise};
use steelyard_priors::seller::{Evidence, ListingLikelihood, Outcomes, Prior, SellerPosterior};
use steelyard_priors::special::trigamma;
use support::{Worst, list, number, reference};

const RATES: &str = include_str!("data/rat_tumor.json");

/// Every group as a seller with complete outcomes.
fn sellers(case: &Value) -> Vec<Evidence> {
    let counts = list(case, "y").iter().zip(list(case, "n"));
    let seller = |(y, n): (&Value, &Value)| Evidence {
        outcomes: Outcomes::new(y.as_u64().expect("a count"), n.as_u64().expect("a count")).expect("a part"),
        ..Evidence::default()
    };
    counts.map(seller).collect()
}

fn ln_marginal(sellers: &[Evidence], prior: Prior) -> f64 {
    sellers.iter().map(|s| SellerPosterior::new(prior, s).expect("a posterior").ln_marginal()).sum()
}

fn at(case: &Value) -> Prior {
    Prior::new(number(case, "alpha"), number(case, "beta")).expect("figures")
}

/// Where every search starts: the first segment of the built-in pack.
fn start() -> Prior {
    Prior::new(2.5, 7.5).expect("figures")
}

#[test]
fn marginal_likelihood_of_tarones_rats_and_other_groups() {
    let file = reference(RATES);
    let mut worst = Worst::of("ln marginal");
    let mut count = 0;
    for case in list(&file, "cases") {
        let sellers = sellers(case);
        for point in list(&case["expected"], "log_kernel_at") {
            let allowed = f64::max(1e-8, 3.0 * number(point, "naive_abs_error"));
            let got = ln_marginal(&sellers, at(point));
            worst.absolute(got, number(point, "log_kernel"), allowed, &case["id"]);
            count += 1;
        }
    }
    worst.check(count);
}

#[test]
fn figures_are_the_type_ii_maximum_of_the_beta_binomial() {
    let file = reference(RATES);
    let mut figures = Worst::of("type-II maximum");
    let mut height = Worst::of("its ln likelihood");
    let mut means = Worst::of("empirical Bayes means");
    let mut interior = 0;
    let mut groups = 0;
    for case in list(&file, "cases") {
        let (id, expected, sellers) = (&case["id"], &case["expected"]["type2_mle"], sellers(case));
        let found = maximise(&sellers, start(), None).expect("a level");
        if !expected["interior"].as_bool().expect("a flag") {
            // Groups that differ no more than chance have no maximum: the prior makes one.
            assert!(!found.converged, "{id}");
            let held = Hyperprior::new(start(), 10.0, 1.0).expect("a prior");
            let held = maximise(&sellers, start(), Some(&held)).expect("a level");
            assert!(held.converged && held.prior.strength() < 1e3, "{id} {held:?}");
            continue;
        }
        assert!(found.converged, "{id}");
        let allowed = number(expected, "suggested_rel_tol");
        figures.relative(found.prior.a(), number(expected, "alpha"), allowed, id);
        figures.relative(found.prior.b(), number(expected, "beta"), allowed, id);
        height.absolute(found.ln_density, number(expected, "log_kernel"), 1e-7, id);
        for (seller, mean) in sellers.iter().zip(list(expected, "theta_mean_eb")) {
            let got = SellerPosterior::new(found.prior, seller).expect("a posterior").mean();
            means.relative(got, mean.as_f64().expect("a mean"), allowed, id);
            groups += 1;
        }
        interior += 1;
    }
    figures.check(2 * interior);
    height.check(interior);
    means.check(groups);
}

#[test]
fn posterior_of_tarones_rats_on_the_published_grid() {
    // Gelman et al. (2013), section 5.3: prior ∝ (α+β)^(−5/2), on a grid of ln(α/β) and ln(α+β).
    let file = reference(RATES);
    let case = &list(&file, "cases")[0];
    let (expected, sellers) = (&case["expected"]["grid_posterior"], sellers(case));
    let axis = |key: &str| -> Vec<f64> {
        let of = list(&expected["grid"], key);
        let [low, high, points] = [0, 1, 2].map(|i| of[i].as_f64().expect("a number"));
        (0..points as usize).map(|i| low + (high - low) * i as f64 / (points - 1.0)).collect()
    };
    let mut total = 0.0;
    let mut sums = vec![0.0; 2 + sellers.len()];
    let peak = number(&case["expected"]["type2_mle"], "log_kernel");
    for x in axis("x_log_a_over_b") {
        for z in axis("z_log_a_plus_b") {
            let (s, m) = (f64::exp(z), 1.0 / (1.0 + f64::exp(-x)));
            let prior = Prior::new(s * m, s * (1.0 - m)).expect("figures");
            let w = (ln_marginal(&sellers, prior) - peak).exp() * s.powf(-2.5) * prior.a() * prior.b();
            let means = list(case, "y")
                .iter()
                .zip(list(case, "n"))
                .map(|(y, n)| (prior.a() + y.as_f64().expect("a count")) / (s + n.as_f64().expect("a count")));
            let values = [prior.a(), prior.b()].into_iter().chain(means);
            sums.iter_mut().zip(values).for_each(|(sum, v)| *sum += w * v);
            total += w;
        }
    }
    let allowed = number(&file["tolerance"], "grid_means_rel");
    let mut worst = Worst::of("grid posterior");
    worst.relative(sums[0] / total, number(expected, "mean_alpha"), allowed, "alpha");
    worst.relative(sums[1] / total, number(expected, "mean_beta"), allowed, "beta");
    for (sum, mean) in sums[2..].iter().zip(list(expected, "theta_mean")) {
        worst.relative(sum / total, mean.as_f64().expect("a mean"), allowed, "theta");
    }
    worst.check(2 + sellers.len());
}

/// Sellers with soft evidence of all kinds.
fn doubtful() -> Vec<Evidence> {
    let listing = |ln: f64| ListingLikelihood::new(ln, 0.0).expect("a likelihood");
    (0..12)
        .map(|i| Evidence {
            outcomes: Outcomes::new(i % 2, i % 4).unwrap_or_default(),
            listings: (0..i % 5).map(|k| listing(f64::from(k as u8) * 1.5 - 0.4 * i as f64)).collect(),
            ..Evidence::default()
        })
        .collect()
}

#[test]
fn moments_of_the_logarithms_are_the_slopes_of_the_marginal_likelihood() {
    /// Central differences with this step are good to about its square, second ones to rounding
    /// over its square.
    const STEP: f64 = 1e-3;
    let sellers = doubtful();
    for (a, b) in [(2.5, 7.5), (0.3, 0.4), (0.02, 1.5), (40.0, 3.0)] {
        let f = |da: f64, db: f64| ln_marginal(&sellers, Beta::new(a * (1.0 + da), b * (1.0 + db)).expect("figures"));
        let moments = sellers
            .iter()
            .map(|s| SellerPosterior::new(Beta::new(a, b).expect("figures"), s).expect("a posterior").log_moments());
        let n = sellers.len() as f64;
        let (mut by_a, mut by_b) = (-n * (digamma(a) - digamma(a + b)), -n * (digamma(b) - digamma(a + b)));
        let (mut aa, mut ab) = (-n * (trigamma(a) - trigamma(a + b)), n * trigamma(a + b));
        for m in moments {
            by_a += m.bad;
            by_b += m.sound;
            aa += m.bad_bad;
            ab += m.bad_sound;
        }
        let h = STEP;
        let slope_a = (f(h, 0.0) - f(-h, 0.0)) / (2.0 * h * a);
        let slope_b = (f(0.0, h) - f(0.0, -h)) / (2.0 * h * b);
        let curve_a = (f(h, 0.0) - 2.0 * f(0.0, 0.0) + f(-h, 0.0)) / (h * h * a * a);
        let cross = (f(h, h) - f(h, -h) - f(-h, h) + f(-h, -h)) / (4.0 * h * h * a * b);
        for (ours, wanted) in [(by_a, slope_a), (by_b, slope_b), (aa, curve_a), (ab, cross)] {
            let scale = wanted.abs().max(1.0 / a).max(1.0 / b);
            assert!((ours - wanted).abs() < 1e-4 * scale, "a {a} b {b}: {ours} {wanted}");
        }
    }
}

#[test]
fn a_proper_prior_holds_a_segment_with_few_sellers() {
    let held = Hyperprior::new(start(), 10.0, 1.0).expect("a prior");
    let level = |sellers: &[Evidence]| -> Level { maximise(sellers, start(), Some(&held)).expect("a level") };
    let none = level(&[]);
    assert!((none.prior.a() - 2.5).abs() < 1e-6 && (none.prior.b() - 7.5).abs() < 1e-6);
    assert_eq!((none.cases, none.spread_information), (0.0, 0.0));

    let one = Evidence { outcomes: Outcomes::new(3, 3).expect("a part"), ..Evidence::default() };
    let (few, many) = (level(std::slice::from_ref(&one)), level(&vec![one; 200]));
    assert!(few.prior.mean() > 0.25 && few.prior.mean() < 0.5, "{few:?}");
    assert!(many.prior.mean() > 0.9, "{many:?}");
    // Three watches of one seller tell less of the segment than three cases.
    assert!(few.cases > 0.0 && few.cases < 3.0, "{few:?}");
}

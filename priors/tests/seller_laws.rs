//! Laws that the posterior of a seller's rate must obey, on evidence drawn at random.

use proptest::prelude::*;
use proptest::test_runner::RngSeed;
use steelyard_priors::seller::*;
use steelyard_priors::special::ln_beta_ratio;

/// What the model of the design promises.
const PROMISED: f64 = 1e-10;
const OPEN_MARKETPLACE: (f64, f64) = (2.5, 7.5);
const PACK: FeedbackFigures =
    FeedbackFigures { baseline: 0.006, complains: 0.03, concerned: 0.3, power: 0.1, most_cases: 200.0 };

fn seeded(cases: u32) -> ProptestConfig {
    ProptestConfig { cases, rng_seed: RngSeed::Fixed(1), failure_persistence: None, ..ProptestConfig::default() }
}

fn posterior(a: f64, b: f64, evidence: &Evidence) -> SellerPosterior {
    SellerPosterior::new(Prior::new(a, b).unwrap(), evidence).unwrap()
}

fn pooled(a: f64, b: f64, listings: &[(f64, f64)]) -> SellerPosterior {
    let evidence = Evidence {
        listings: listings.iter().map(|&(bad, sound)| ListingLikelihood::new(bad, sound).unwrap()).collect(),
        ..Evidence::default()
    };
    posterior(a, b, &evidence)
}

/// The same posterior with no integral: Π (θ·L_bad + (1−θ)·L_sound) multiplied out into
/// Σ c_j θ^j (1−θ)^(n−j), a mixture of Betas.
struct Mixture {
    a: f64,
    b: f64,
    ln_c: Vec<f64>,
}

impl Mixture {
    fn of(a: f64, b: f64, listings: &[(f64, f64)]) -> Self {
        let mut ln_c = vec![0.0];
        for &(bad, sound) in listings {
            let mut next = vec![f64::NEG_INFINITY; ln_c.len() + 1];
            for (j, &c) in ln_c.iter().enumerate() {
                next[j] = ln_add(next[j], c + sound);
                next[j + 1] = ln_add(next[j + 1], c + bad);
            }
            ln_c = next;
        }
        Self { a, b, ln_c }
    }

    /// ln E[θ^x (1−θ)^y · likelihood].
    fn ln_moment(&self, x: f64, y: f64) -> f64 {
        let n = self.ln_c.len() - 1;
        (0..=n)
            .map(|j| {
                let (bad, sound) = (j as f64 + x, (n - j) as f64 + y);
                self.ln_c[j] + ln_beta_ratio(self.a, self.b, bad, sound)
            })
            .fold(f64::NEG_INFINITY, ln_add)
    }
}

fn ln_add(x: f64, y: f64) -> f64 {
    let (small, large) = if x < y { (x, y) } else { (y, x) };
    if small == f64::NEG_INFINITY { large } else { large + (small - large).exp().ln_1p() }
}

fn close(got: f64, want: f64, what: &str) -> Result<(), TestCaseError> {
    let error = (got / want - 1.0).abs();
    prop_assert!(error <= PROMISED, "{what}: {got:e} for {want:e}, off by {error:.1e}");
    Ok(())
}

fn ln_uniform(lo: f64, hi: f64) -> impl Strategy<Value = f64> {
    (lo.ln()..hi.ln()).prop_map(f64::exp)
}

fn some_listings(most: usize) -> impl Strategy<Value = Vec<(f64, f64)>> {
    let ln_likelihood = || prop_oneof![8 => -3.0..0.0, 2 => -45.0..0.0];
    let unknown = (ln_likelihood(), ln_likelihood());
    let known = prop_oneof![Just((0.0, f64::NEG_INFINITY)), Just((f64::NEG_INFINITY, 0.0))];
    prop::collection::vec(prop_oneof![9 => unknown, 1 => known], 1..most)
}

proptest! {
    #![proptest_config(seeded(300))]

    #[test]
    fn pooled_listings_equal_the_mixture_of_betas(
        a in ln_uniform(1e-3, 1e7),
        b in ln_uniform(1e-3, 1e7),
        listings in some_listings(40),
    ) {
        let seller = pooled(a, b, &listings);
        let exact = Mixture::of(a, b, &listings);
        let ln_z = exact.ln_moment(0.0, 0.0);
        prop_assert!((seller.ln_marginal() - ln_z).abs() <= PROMISED * ln_z.abs().max(1.0));
        let ln_mean = exact.ln_moment(1.0, 0.0);
        let ln_complement = exact.ln_moment(0.0, 1.0);
        close(seller.mean(), (ln_mean - ln_z).exp(), "mean")?;
        close(seller.mean_complement(), (ln_complement - ln_z).exp(), "complement")?;

        // The first listing's odds: what the others say, times its own likelihood ratio.
        let (bad, sound) = listings[0];
        let others = Mixture::of(a, b, &listings[1..]);
        let ln_odds = bad - sound + others.ln_moment(1.0, 0.0) - others.ln_moment(0.0, 1.0);
        let got = seller.pooled()[0].value();
        prop_assert!(
            got == ln_odds || (got - ln_odds).abs() <= PROMISED * ln_odds.abs().max(1.0),
            "log-odds {got} for {ln_odds}"
        );
    }

    /// Nearly no opinion: almost all mass at rates that are 0 or 1 to a double.
    #[test]
    fn priors_worth_next_to_nothing_are_integrated_too(
        a in ln_uniform(1e-40, 10.0),
        b in ln_uniform(1e-40, 10.0),
        known in -1.0..1.0_f64,
        ln_ratio in prop_oneof![-3.0..3.0_f64, Just(1e-9)],
    ) {
        // With a known outcome the posterior keeps to one end of the scale.
        let mut listings = vec![(ln_ratio, 0.0)];
        if known > 0.3 {
            listings.push((0.0, f64::NEG_INFINITY));
        } else if known < -0.3 {
            listings.push((f64::NEG_INFINITY, 0.0));
        }
        let seller = pooled(a, b, &listings);
        let exact = Mixture::of(a, b, &listings);
        let ln_z = exact.ln_moment(0.0, 0.0);
        close(seller.mean(), (exact.ln_moment(1.0, 0.0) - ln_z).exp(), "mean")?;
        close(seller.mean_complement(), (exact.ln_moment(0.0, 1.0) - ln_z).exp(), "complement")?;
        let product = (exact.ln_moment(1.0, 1.0) - ln_z).exp();
        close(seller.effective_cases(), product / seller.sd().powi(2), "strength")?;
    }

    #[test]
    fn order_of_listings_does_not_matter(
        a in ln_uniform(0.1, 50.0),
        b in ln_uniform(0.1, 50.0),
        listings in some_listings(20),
        turn in 0_usize..20,
    ) {
        let mut turned = listings.clone();
        turned.rotate_left(turn % listings.len());
        let (one, other) = (pooled(a, b, &listings), pooled(a, b, &turned));
        close(one.mean(), other.mean(), "mean")?;
        let mut odds = one.pooled();
        odds.rotate_left(turn % listings.len());
        for (x, y) in odds.iter().zip(other.pooled()) {
            prop_assert!(x.value() == y.value() || (x.value() - y.value()).abs() <= PROMISED);
        }
    }

    #[test]
    fn adding_a_listing_is_judging_it_by_the_rest(
        a in ln_uniform(0.01, 100.0),
        b in ln_uniform(0.01, 100.0),
        listings in some_listings(12),
    ) {
        let (last, rest) = listings.split_last().unwrap();
        let alone = pooled(a, b, rest).bad_given(ListingLikelihood::new(last.0, last.1).unwrap());
        let among = *pooled(a, b, &listings).pooled().last().unwrap();
        prop_assert!(
            alone.value() == among.value()
                || (alone.value() - among.value()).abs() <= PROMISED * alone.value().abs().max(1.0),
            "{} against {}", alone.value(), among.value()
        );
    }

    #[test]
    fn what_the_others_say_is_what_they_say_without_it(
        a in ln_uniform(0.01, 100.0),
        b in ln_uniform(0.01, 100.0),
        listings in some_listings(12),
    ) {
        for (i, without) in pooled(a, b, &listings).without_each().into_iter().enumerate() {
            let Some(without) = without else { continue };
            let mut others = listings.clone();
            others.remove(i);
            let others = pooled(a, b, &others);
            let direct = others.mean().ln() - others.mean_complement().ln();
            prop_assert!((without - direct).abs() <= 1e-8 * direct.abs().max(1.0), "{i}: {without} against {direct}");
        }
    }

    #[test]
    fn no_evidence_leaves_the_prior(a in ln_uniform(1e-3, 1e7), b in ln_uniform(1e-3, 1e7)) {
        let seller = posterior(a, b, &Evidence::default());
        close(seller.mean(), a / (a + b), "mean")?;
        close(seller.effective_cases(), a + b, "strength")?;
        prop_assert_eq!(seller.ln_marginal(), 0.0);
        let told_nothing = pooled(a, b, &[(-1.5, -1.5)]);
        prop_assert_eq!(told_nothing.mean(), seller.mean());
        close(told_nothing.ln_marginal(), -1.5, "marginal")?;
    }

    #[test]
    fn ratings_in_full_are_so_many_listings(
        a in ln_uniform(1e-3, 1e4),
        b in ln_uniform(1e-3, 1e4),
        baseline in 0.001..0.5_f64,
        share in 0.01..0.99_f64,
        falls in any::<bool>(),
        negative in 0_u64..20,
        positive in 0_u64..40,
    ) {
        let slope = if falls { -baseline * share } else { (1.0 - baseline) * share };
        let model = FeedbackModel::undiscounted(baseline, slope).unwrap();
        let feedback = Feedback::new(negative, negative + positive).unwrap();
        let seller = posterior(a, b, &Evidence {
            feedback: Some((model, feedback)),
            ..Evidence::default()
        });
        let top = baseline + slope;
        let mut ratings = vec![(top.ln(), baseline.ln()); negative as usize];
        ratings.extend(vec![((-top).ln_1p(), (-baseline).ln_1p()); positive as usize]);
        let exact = Mixture::of(a, b, &ratings);
        let ln_z = exact.ln_moment(0.0, 0.0);
        prop_assert!((seller.ln_marginal() - ln_z).abs() <= PROMISED * ln_z.abs().max(1.0));
        close(seller.mean(), (exact.ln_moment(1.0, 0.0) - ln_z).exp(), "mean")?;
        let product = (exact.ln_moment(1.0, 1.0) - ln_z).exp();
        close(seller.effective_cases(), product / seller.sd().powi(2), "strength")?;
    }

    #[test]
    fn quantiles_rise_and_meet_from_both_ends(
        a in ln_uniform(1e-3, 1e5),
        b in ln_uniform(1e-3, 1e5),
        listings in some_listings(8),
        p in prop_oneof![1e-12..1e-3_f64, 1e-3..0.999_f64],
    ) {
        let seller = pooled(a, b, &listings);
        let (low, high) = (seller.quantile(0.05).unwrap(), seller.quantile(0.95).unwrap());
        prop_assert!(low < high);
        // p as a lower tail and 1−p as an upper tail are the same point; 1−p is rounded.
        let (t, s) = (seller.quantile(p).unwrap(), seller.upper_quantile(1.0 - p).unwrap());
        let allowed = 1e-9 + 1e-15 / p;
        let apart = (t.value() - s.value()).abs() / s.value().abs().max(1e-3);
        prop_assert!(apart < allowed, "{t:?} and {s:?}");
    }

    #[test]
    fn ratings_are_never_worth_more_than_their_cap(
        total in 0_u64..1_000_000_000,
        power in 0.0..1.0_f64,
        most_cases in 0.0..1e6_f64,
    ) {
        let model = FeedbackModel::new(FeedbackFigures { power, most_cases, ..PACK }).unwrap();
        let cases = model.cases(Feedback::new(0, total).unwrap());
        prop_assert!(cases <= most_cases);
        prop_assert!(cases <= power * total as f64);
    }
}

#[test]
fn quantiles_beyond_the_grid_carry_the_mass_they_name() {
    let seller = pooled(4.0, 9.0, &[(-0.2, -1.0), (-3.0, -0.1)]);
    let exact = Mixture::of(4.0, 9.0, &[(-0.2, -1.0), (-3.0, -0.1)]);
    for p in [1e-40, 1e-200] {
        let t = seller.quantile(p).unwrap();
        // So far down the posterior is c·θ^(a−1): its mass below θ is c·θ^a/a.
        let ln_c = exact.ln_c[0] - statrs::function::beta::ln_beta(4.0, 9.0);
        let ln_mass = ln_c + 4.0 * t.ln_probability() - 4.0_f64.ln() - seller.ln_marginal();
        let curvature = 20.0 * t.probability();
        assert!((ln_mass - f64::ln(p)).abs() < 1e-9 + curvature, "{p:e}");
    }
}

/// What the trade knows: most buyers never open the watch, so perfection on paper says little.
#[test]
fn a_near_perfect_rating_moves_the_rate_by_less_than_a_fifth() {
    let (a, b) = OPEN_MARKETPLACE;
    let model = FeedbackModel::new(PACK).unwrap();
    let before = a / (a + b);
    for total in [2_000, 200_000] {
        let feedback = Feedback::new(total / 500, total).unwrap();
        let seller = posterior(a, b, &Evidence { feedback: Some((model, feedback)), ..Evidence::default() });
        let moved = (seller.mean() - before) / before;
        eprintln!(
            "99.8 % positive of {total}: {} cases, mean {before} -> {:.6} ({:+.2} %)",
            model.cases(feedback),
            seller.mean(),
            100.0 * moved
        );
        assert!(moved.abs() < 0.2 && moved < 0.0);
    }
}

/// mpmath at 50 digits, panels of the integrand's own fall; (a, b, n, k, b0, d, mean, sd, ln marginal).
#[test]
fn a_thousand_million_ratings_keep_ten_digits() {
    let cases = [
        (
            0.5,
            2.0,
            1_000_000_000,
            500_000,
            0.0004,
            0.01,
            0.009999844963943875,
            7.069359162896093e-05,
            -4300332.842291241,
        ),
        (
            10000000.0,
            30000000.0,
            1_000_000_000,
            251_000_000,
            0.001,
            0.998,
            0.2504816337268389,
            1.3470225963285641e-05,
            -563431119.9489565,
        ),
        (
            2.0,
            8.0,
            1_000_000_000,
            6_000_050,
            0.006,
            1e-05,
            0.15888947514498242,
            0.09389110858646628,
            -36678194.59176538,
        ),
        (
            0.5,
            2.0,
            1_000_000_000,
            6_000_200,
            0.006,
            0.009,
            0.0001359521469004671,
            0.00014616893191647938,
            -36678964.33121763,
        ),
        (
            10000000.0,
            0.01,
            1_000_000_000,
            1_000_000,
            0.3,
            -0.2999,
            0.9971067985057939,
            3.2249666064389835e-06,
            -7936774.079582839,
        ),
        (
            0.01,
            10000000.0,
            1_000_000_000,
            400_100,
            0.0004,
            0.5,
            1.0062284321709942e-09,
            1.003085696244278e-08,
            -3530320.758173037,
        ),
    ];
    for (a, b, n, k, b0, d, mean, sd, ln_marginal) in cases {
        let model = FeedbackModel::undiscounted(b0, d).unwrap();
        let seller =
            posterior(a, b, &Evidence { feedback: Some((model, Feedback::new(k, n).unwrap())), ..Evidence::default() });
        let errors = [seller.mean() / mean - 1.0, seller.sd() / sd - 1.0, seller.ln_marginal() / ln_marginal - 1.0];
        eprintln!("a {a:e} b {b:e} k {k} of {n}: errors {errors:?}");
        assert!(errors.iter().all(|e| e.abs() <= PROMISED), "{errors:?}");
    }
}

#[test]
fn impossible_evidence_is_an_error() {
    use steelyard_priors::Error;

    let prior = Prior::new(1.0, 9.0).unwrap();
    let none_ever = FeedbackModel::undiscounted(0.0, 0.0).unwrap();
    let one_negative = Evidence { feedback: Some((none_ever, Feedback::new(1, 10).unwrap())), ..Evidence::default() };
    let refused = SellerPosterior::new(prior, &one_negative).err();
    assert_eq!(refused, Some(Error::Impossible("feedback")));

    let nothing = f64::NEG_INFINITY;
    assert_eq!(ListingLikelihood::new(nothing, nothing), Err(Error::Impossible("a listing")));
    assert!(ListingLikelihood::new(f64::NAN, 0.0).is_err());
    assert!(ListingLikelihood::new(0.0, f64::INFINITY).is_err());
}

#[test]
fn what_is_out_of_range_is_named() {
    for (a, b) in [(0.0, 1.0), (1.0, -2.0), (f64::NAN, 1.0), (1.0, f64::INFINITY)] {
        assert!(Prior::new(a, b).is_err(), "{a}, {b}");
    }
    assert!(Feedback::new(3, 2).is_err());
    assert!(Outcomes::new(1, 0).is_err());
    assert!(FeedbackModel::undiscounted(0.3, -0.31).is_err());
    assert!(FeedbackModel::undiscounted(0.3, 0.71).is_err());
    assert!(FeedbackModel::undiscounted(0.3, 0.7).is_ok());
    for wrong in [
        FeedbackFigures { baseline: -0.1, ..PACK },
        FeedbackFigures { complains: 1.1, ..PACK },
        FeedbackFigures { concerned: f64::NAN, ..PACK },
        FeedbackFigures { power: 2.0, ..PACK },
        FeedbackFigures { most_cases: f64::INFINITY, ..PACK },
        FeedbackFigures { baseline: 0.999, complains: 0.9, ..PACK },
    ] {
        assert!(FeedbackModel::new(wrong).is_err(), "{wrong:?}");
    }
    let message = FeedbackModel::new(FeedbackFigures { power: 2.0, ..PACK }).unwrap_err();
    assert_eq!(message.to_string(), "power is 2, which is not a number from 0 to 1");
    let seller = posterior(1.0, 1.0, &Evidence::default());
    for p in [0.0, 1.0, -0.1, f64::NAN] {
        assert!(seller.quantile(p).is_err() && seller.upper_quantile(p).is_err());
    }
}

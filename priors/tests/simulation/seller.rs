//! Simulation-based calibration of the seller's rate (S. Talts, M. Betancourt, D. Simpson, A. Vehtari
//! and A. Gelman, arXiv:1804.06788, 2018): the rank of the true rate among draws from its posterior is
//! uniform.

use crate::common::policy;
use rand_core::{RngCore as _, SeedableRng as _};
use rand_pcg::Pcg64;
use steelyard_model::pack::Pack;
use steelyard_model::sample::Sampler;
use steelyard_priors::seller::{
    Evidence, Feedback, FeedbackModel, ListingLikelihood, Outcomes, Prior, SellerPosterior,
};

const SELLERS: usize = 2_000;
/// Draws from each posterior; the rank is one of DRAWS + 1.
const DRAWS: usize = 19;
/// Upper 0.1 % point of χ² with 19 degrees of freedom (NIST/SEMATECH e-Handbook, table 1.3.6.7.4).
const CRITICAL: f64 = 43.820;

/// What can be drawn with a coin.
struct Dice(Pcg64);

impl Dice {
    fn uniform(&mut self) -> f64 {
        // Open at both ends.
        ((self.0.next_u64() >> 12) as f64 + 0.5) / (1_u64 << 52) as f64
    }

    fn count(&mut self, n: u64, p: f64) -> u64 {
        (0..n).map(|_| u64::from(self.uniform() < p)).sum()
    }

    /// Box and Muller (1958).
    fn normal(&mut self) -> f64 {
        (-2.0 * self.uniform().ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

#[test]
fn ranks_of_the_true_rate_are_uniform() {
    /// Rate of negatives after a sound sale and what a bad one adds; here each rating counts in full.
    const COMPLAINTS: (f64, f64) = (0.02, 0.3);
    let pack = Pack::builtin();
    let mut sampler = Sampler::new(&pack, policy(&pack), 3);
    let mut dice = Dice(Pcg64::seed_from_u64(4));
    let mut ranks = [0_usize; DRAWS + 1];
    for i in 0..SELLERS {
        let segment = &pack.data().segments[i % pack.data().segments.len()];
        let seller = sampler.seller(i % pack.data().segments.len());
        let theta = seller.bad_rate;
        let n = dice.0.next_u64() % 5;
        let ratings = dice.0.next_u64() % 40;
        let listings = (0..dice.0.next_u64() % 5)
            .map(|_| {
                // Evidence whose log likelihood ratio is normal, as far from 0 as its variance asks.
                let (sd, bad) = (0.5 + 2.0 * dice.uniform(), dice.uniform() < theta);
                let centre = 0.5 * sd * sd * if bad { 1.0 } else { -1.0 };
                ListingLikelihood::new(centre + sd * dice.normal(), 0.0).expect("a likelihood")
            })
            .collect();
        let known = Evidence {
            outcomes: Outcomes::new(dice.count(n, theta), n).expect("a part"),
            feedback: Some((
                FeedbackModel::undiscounted(COMPLAINTS.0, COMPLAINTS.1).expect("a model"),
                Feedback::new(dice.count(ratings, COMPLAINTS.0 + COMPLAINTS.1 * theta), ratings).expect("a part"),
            )),
            listings,
        };
        let prior = Prior::new(segment.a, segment.b).expect("a prior");
        let posterior = SellerPosterior::new(prior, &known).expect("a posterior");
        let below = (0..DRAWS)
            .filter(|_| posterior.quantile(dice.uniform()).expect("a quantile").probability() < theta)
            .count();
        ranks[below] += 1;
    }
    let expected = SELLERS as f64 / (DRAWS + 1) as f64;
    let chi_square: f64 = ranks.iter().map(|n| (*n as f64 - expected).powi(2) / expected).sum();
    eprintln!("ranks {ranks:?}: chi-square {chi_square:.1}, critical {CRITICAL}");
    assert!(chi_square < CRITICAL);
}

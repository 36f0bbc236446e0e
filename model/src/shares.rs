//! Why: how many decibans each call contributes, so that they add up.
//!
//! Every likelihood is raised to a power t from 0 (nothing seen) to 1 (all seen) together,
//! and each one's contribution is integrated along the way:
//!
//! share_j = (10/ln 10) · ∫₀¹ ( E_t\[ln λ_j | bad\] − E_t\[ln λ_j | sound\] ) dt
//!
//! the Aumann–Shapley value (1974) of the game "log-odds of bad given a part of the
//! evidence's weight". Prior, price and shares add up to the posterior log-odds, whatever
//! the order of the calls.

use crate::observe::Evidence;
use crate::posterior::{DECIBANS, PerStory, Plan, Posterior, Scratch, Stories};

/// The shares must meet the posterior this closely, in decibans; else the nodes are doubled.
pub const SUM_TOLERANCE_DB: f64 = 1e-7;

/// Nodes of the first attempt.
const FIRST_NODES: usize = 12;

/// Attempts stop at this many nodes: each doubling gains digits geometrically.
const MOST_NODES: usize = 768;

/// What each call and the price contribute, in decibans.
#[derive(Debug, Clone, PartialEq)]
pub struct Shares {
    /// One per call, in the order of the evidence.
    pub calls: Vec<f64>,
    /// The asking price's.
    pub price: f64,
}

/// Gauss–Legendre nodes and weights on \[0, 1\], by Newton's method on the Legendre polynomial.
fn gauss_legendre(n: usize) -> Vec<(f64, f64)> {
    (0..n)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..100 {
                let (mut p0, mut p1) = (1.0, x);
                for k in 2..=n {
                    let k = k as f64;
                    (p0, p1) = (p1, ((2.0 * k - 1.0) * x * p1 - (k - 1.0) * p0) / k);
                }
                slope = n as f64 * (x * p1 - p0) / (x * x - 1.0);
                let step = p1 / slope;
                x -= step;
                if step.abs() < 1e-15 {
                    break;
                }
            }
            ((x + 1.0) / 2.0, 1.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// The additive shares of a listing's evidence.
#[must_use]
pub fn shares(
    plan: &Plan,
    scratch: &mut Scratch,
    stories: &Stories,
    evidence: &Evidence,
    posterior: &Posterior,
) -> Shares {
    let wanted = DECIBANS * (posterior.raw_log_odds - posterior.prior_log_odds);
    let mut nodes = FIRST_NODES;
    loop {
        let found = integrate(plan, scratch, stories, evidence, nodes);
        let sum = found.price + found.calls.iter().sum::<f64>();
        if (sum - wanted).abs() <= SUM_TOLERANCE_DB || nodes >= MOST_NODES {
            return found;
        }
        nodes *= 2;
    }
}

fn integrate(plan: &Plan, scratch: &mut Scratch, stories: &Stories, evidence: &Evidence, nodes: usize) -> Shares {
    let mut calls = vec![0.0; evidence.calls().len()];
    let mut price = 0.0;
    for (t, weight) in gauss_legendre(nodes) {
        let at = integrand(plan, scratch, stories, evidence, t);
        for (sum, x) in calls.iter_mut().zip(&at.calls) {
            *sum += weight * x;
        }
        price += weight * at.price;
    }
    Shares { calls, price }
}

/// E_t\[ln λ | bad\] − E_t\[ln λ | sound\] of every call and of the price, in decibans: the
/// derivative of the tempered log-odds by each one's own weight.
#[must_use]
pub fn integrand(plan: &Plan, scratch: &mut Scratch, stories: &Stories, evidence: &Evidence, t: f64) -> Shares {
    let ln_likelihood = plan.evaluate_tempered(scratch, evidence, t);
    let beliefs = plan.differentiate(scratch);
    let pack = plan.pack();
    let count = pack.stories();
    let mut ln_joint = [f64::NEG_INFINITY; crate::contraction::MAX_LANES];
    for h in 0..count {
        ln_joint[h] = stories.ln_prior[h] + t * stories.ln_price[h] + ln_likelihood[h];
    }
    let within = within_sides(pack.bad(), &ln_joint);
    let contrast = |f: &PerStory| -> f64 { DECIBANS * (0..count).map(|h| within[h] * f[h]).sum::<f64>() };
    let calls = evidence
        .calls()
        .iter()
        .map(|call| {
            let scale = call.if_present.max(call.if_absent);
            contrast(&beliefs.mean_over(call.sign, |p| (call.at(p) / scale).ln()))
        })
        .collect();
    Shares { calls, price: contrast(&stories.ln_price) }
}

/// P(h | bad) for bad stories and −P(h | sound) for sound ones.
pub(crate) fn within_sides(bad: &[bool], ln_joint: &PerStory) -> PerStory {
    let mut out = [0.0; crate::contraction::MAX_LANES];
    for side in [true, false] {
        let members = || (0..bad.len()).filter(|h| bad[*h] == side);
        let largest = members().map(|h| ln_joint[h]).fold(f64::NEG_INFINITY, f64::max);
        let total: f64 = members().map(|h| (ln_joint[h] - largest).exp()).sum();
        for h in members() {
            let share = (ln_joint[h] - largest).exp() / total;
            out[h] = if side { share } else { -share };
        }
    }
    out
}

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

use crate::contraction::MAX_LANES;
use crate::observe::Evidence;
use crate::pack::Index;
use crate::posterior::{DECIBANS, PerStory, Plan, Posterior, Scratch, Stories, Tempered};

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
    let weighed = Weighed::new(plan, scratch, stories, evidence);
    let mut nodes = FIRST_NODES;
    loop {
        let found = weighed.integrate(scratch, nodes);
        let sum = found.price + found.calls.iter().sum::<f64>();
        if (sum - wanted).abs() <= SUM_TOLERANCE_DB || nodes >= MOST_NODES {
            // Leave the evidence as it was found: whole.
            plan.evaluate(scratch, evidence);
            return found;
        }
        nodes *= 2;
    }
}

/// E_t\[ln λ | bad\] − E_t\[ln λ | sound\] of every call and of the price, in decibans: the
/// derivative of the tempered log-odds by each one's own weight.
#[must_use]
pub fn integrand(plan: &Plan, scratch: &mut Scratch, stories: &Stories, evidence: &Evidence, t: f64) -> Shares {
    Weighed::new(plan, scratch, stories, evidence).integrand(scratch, t)
}

/// The evidence of a listing, ready to be given a part of its weight.
struct Weighed<'a> {
    plan: &'a Plan,
    stories: &'a Stories,
    tempered: Tempered,
    /// Per call: its sign, and ln λ per state of what the sign is on.
    ln_calls: Vec<(Index, Vec<f64>)>,
}

impl<'a> Weighed<'a> {
    fn new(plan: &'a Plan, scratch: &mut Scratch, stories: &'a Stories, evidence: &Evidence) -> Self {
        let ln_calls = evidence
            .calls()
            .iter()
            .map(|call| {
                let scale = call.if_present.max(call.if_absent);
                let present = &plan.pack().signs()[call.sign].present;
                (call.sign, present.iter().map(|p| (call.at(*p) / scale).ln()).collect())
            })
            .collect();
        Self { plan, stories, tempered: plan.temper(scratch, evidence), ln_calls }
    }

    fn integrate(&self, scratch: &mut Scratch, nodes: usize) -> Shares {
        let mut calls = vec![0.0; self.ln_calls.len()];
        let mut price = 0.0;
        for (t, weight) in gauss_legendre(nodes) {
            let at = self.integrand(scratch, t);
            for (sum, x) in calls.iter_mut().zip(&at.calls) {
                *sum += weight * x;
            }
            price += weight * at.price;
        }
        Shares { calls, price }
    }

    fn integrand(&self, scratch: &mut Scratch, t: f64) -> Shares {
        let ln_likelihood = self.plan.evaluate_tempered(scratch, &self.tempered, t);
        let beliefs = self.plan.differentiate(scratch);
        let bad = self.plan.pack().bad();
        let mut ln_joint = [f64::NEG_INFINITY; MAX_LANES];
        for (h, ln) in ln_joint.iter_mut().enumerate().take(bad.len()) {
            *ln = self.stories.ln_prior[h] + t * self.stories.ln_price[h] + ln_likelihood[h];
        }
        let within = within_sides(bad, &ln_joint);
        let contrast = |f: &PerStory| DECIBANS * within.iter().zip(f).map(|(w, x)| w * x).sum::<f64>();
        let calls = self.ln_calls.iter().map(|(sign, ln)| contrast(&beliefs.mean_of(*sign, ln))).collect();
        Shares { calls, price: contrast(&self.stories.ln_price) }
    }
}

/// P(h | bad) for bad stories and −P(h | sound) for sound ones.
pub(crate) fn within_sides(bad: &[bool], ln_joint: &PerStory) -> PerStory {
    let mut out = [0.0; MAX_LANES];
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

//! How sure: the 90 % interval of P(bad | e) from not knowing the model's own numbers exactly.
//!
//! Every sign probability is a Beta, every row of a component's table a Dirichlet, each worth
//! `strength` observed cases. On the log-odds scale, with gradients g from the backward pass,
//!
//! variance = Σ_cells g²·p(1−p)/(strength+1) + Σ_rows (Σ p·g² − (Σ p·g)²)/(strength+1)
//!
//! (delta method). A seeded draw of all those numbers ([`sampled`]) is the check and an option.
//! The seller's rate is not part of it: the seller has an interval of its own.

use crate::observe::Evidence;
use crate::pack::On;
use crate::posterior::{PerStory, Plan, Posterior, Scratch, Stories, logistic};
use crate::shares::within_sides;
use rand_core::SeedableRng as _;
use rand_distr::{Distribution as _, Gamma};
use rand_pcg::Pcg64;

/// The 95 % point of the standard normal: half of what a 90 % interval leaves out lies above it.
const Z95: f64 = 1.644_853_626_951_472_2;

/// ∂(log-odds of bad)/∂(number) for the numbers that can be uncertain, before recalibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Gradient {
    /// Per component, in the order of its table: story, parent if any, state. Entries of a row
    /// are taken as free; only their differences matter.
    pub components: Vec<Vec<f64>>,
    /// Per call of the evidence, per state of what its sign is on, row-major.
    pub calls: Vec<Vec<f64>>,
}

/// The gradient by one backward pass.
#[must_use]
pub fn gradient(plan: &Plan, scratch: &mut Scratch, evidence: &Evidence, posterior: &Posterior) -> Gradient {
    let pack = plan.pack().clone();
    let within = within_sides(pack.bad(), &posterior.ln_joint);
    let beliefs = plan.differentiate(scratch);
    let components = (0..pack.components().len()).map(|k| beliefs.slope_of_table(k, &within)).collect();
    let calls = evidence
        .calls()
        .iter()
        .map(|call| {
            let sign = &pack.signs()[call.sign];
            let per_state = match sign.on {
                On::Story => within[..pack.stories()].to_vec(),
                On::One(_) | On::Two(..) => beliefs.contrast_of_states(call.sign, &within),
            };
            let slope = call.if_present - call.if_absent;
            per_state.iter().zip(&sign.present).map(|(w, p)| w * slope / call.at(*p)).collect()
        })
        .collect();
    Gradient { components, calls }
}

/// Variance of the log-odds of bad, before recalibration, by the delta method.
#[must_use]
pub fn variance(plan: &Plan, gradient: &Gradient, evidence: &Evidence) -> f64 {
    let data = plan.pack().data();
    let mut total = 0.0;
    for (c, slopes) in data.components.iter().zip(&gradient.components) {
        let rows = c.mean.rows().into_iter().zip(slopes.chunks_exact(c.states.len())).zip(&c.strength);
        for ((row, slopes), strength) in rows {
            let mean: f64 = row.iter().zip(slopes).map(|(p, g)| p * g).sum();
            let square: f64 = row.iter().zip(slopes).map(|(p, g)| p * g * g).sum();
            total += (square - mean * mean).max(0.0) / (strength + 1.0);
        }
    }
    for (call, slopes) in evidence.calls().iter().zip(&gradient.calls) {
        let cells = &data.signs[call.sign].present;
        for ((p, strength), g) in cells.mean.iter().zip(&cells.strength).zip(slopes) {
            total += g * g * p * (1.0 - p) / (strength + 1.0);
        }
    }
    total
}

/// The 90 % interval of P(bad | e) by the delta method.
#[must_use]
pub fn delta(plan: &Plan, scratch: &mut Scratch, evidence: &Evidence, posterior: &Posterior) -> [f64; 2] {
    let gradient = gradient(plan, scratch, evidence, posterior);
    let slope = plan.pack().data().recalibration.slope;
    let half = Z95 * slope * variance(plan, &gradient, evidence).sqrt();
    [logistic(posterior.log_odds - half), logistic(posterior.log_odds + half)]
}

/// The 90 % interval of P(bad | e) from `draws` seeded draws of every uncertain number.
#[must_use]
pub fn sampled(plan: &Plan, stories: &Stories, evidence: &Evidence, draws: usize, seed: u64) -> [f64; 2] {
    let mut found = draw(plan, stories, evidence, draws, seed);
    found.sort_by(f64::total_cmp);
    let at = |q: f64| found.get(((found.len() as f64 * q) as usize).min(found.len().saturating_sub(1))).copied();
    [at(0.05).unwrap_or(f64::NAN), at(0.95).unwrap_or(f64::NAN)]
}

/// P(bad | e) under `draws` models drawn from the strengths of the pack.
fn draw(plan: &Plan, stories: &Stories, evidence: &Evidence, draws: usize, seed: u64) -> Vec<f64> {
    let mut random = Pcg64::seed_from_u64(seed);
    let data = plan.pack().data().clone();
    let count = data.stories.len();
    let mut other = plan.detached();
    let mut scratch = other.scratch();
    let mut found = Vec::with_capacity(draws);
    for _ in 0..draws {
        for (k, c) in data.components.iter().enumerate() {
            let rows_per_story = c.mean.len() / c.states.len() / count;
            let table = other.table_mut(k);
            for (r, (row, strength)) in c.mean.rows().into_iter().zip(&c.strength).enumerate() {
                let (h, parent) = (r / rows_per_story, r % rows_per_story);
                let parts: Vec<f64> = row.iter().map(|p| gamma(p * strength, &mut random)).collect();
                let sum: f64 = parts.iter().sum();
                for (s, part) in parts.iter().enumerate() {
                    table[(parent * c.states.len() + s) * count + h] = part / sum;
                }
            }
        }
        for call in evidence.calls() {
            let cells = &data.signs[call.sign].present;
            let present = other.present_mut(call.sign);
            for (to, (p, strength)) in present.iter_mut().zip(cells.mean.iter().zip(&cells.strength)) {
                let (yes, no) = (gamma(p * strength, &mut random), gamma((1.0 - p) * strength, &mut random));
                *to = yes / (yes + no);
            }
        }
        let ln: PerStory = other.evaluate(&mut scratch, evidence);
        if let Ok(posterior) = Posterior::new(other.pack(), stories, &ln) {
            found.push(posterior.bad());
        }
    }
    found
}

/// A Gamma(shape, 1) variate; never 0, so that a row of tiny shapes still has a sum.
fn gamma(shape: f64, random: &mut Pcg64) -> f64 {
    Gamma::new(shape, 1.0).map_or(f64::MIN_POSITIVE, |g| g.sample(random).max(f64::MIN_POSITIVE))
}

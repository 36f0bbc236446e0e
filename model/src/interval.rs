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
use crate::posterior::{PerStory, Plan, Posterior, Scratch, Stories, logistic};
use crate::sample::{beta, dirichlet};
use crate::shares::within_sides;
use rand_core::SeedableRng as _;
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
            let per_state = beliefs.states_of(call.sign, &within);
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

/// The 90 % interval of P(bad | e) by the delta method, corrected for skewness.
///
/// The likelihood of each side is linear in every single number, so that the log-odds as a
/// function of one cell p alone are known exactly:
///
/// f(p) = ln(1 + g_bad·(p − p₀)) − ln(1 + g_sound·(p − p₀))
///
/// For the cells that matter most, a Beta far from symmetric enters by the mean, variance and
/// third moment of f; the quantiles follow from the sums by Cornish and Fisher (1937). A
/// Dirichlet row is broken into independent Betas, the weightiest state first (its share and
/// the proportions of the rest are independent).
#[must_use]
pub fn delta(plan: &Plan, scratch: &mut Scratch, evidence: &Evidence, posterior: &Posterior) -> [f64; 2] {
    let pack = plan.pack().clone();
    let slopes = gradient(plan, scratch, evidence, posterior);
    let total = variance(plan, &slopes, evidence);
    let within = within_sides(pack.bad(), &posterior.ln_joint);
    let bad_side = within.map(|w| w.max(0.0));
    let beliefs = plan.differentiate(scratch);
    let mut sum = Moments { shift: 0.0, variance: total, third: 0.0 };
    for (call, slopes) in evidence.calls().iter().zip(&slopes.calls) {
        let sign = &pack.signs()[call.sign];
        let cells = &pack.data().signs[call.sign].present;
        let of_bad = beliefs.states_of(call.sign, &bad_side);
        for (i, ((p, strength), g)) in cells.mean.iter().zip(&cells.strength).zip(slopes).enumerate() {
            let linear = g * g * p * (1.0 - p) / (strength + 1.0);
            if linear <= WORTH_A_CLOSER_LOOK * total {
                continue;
            }
            let bad = of_bad[i] * (call.if_present - call.if_absent) / call.at(sign.present[i]);
            let exact = moments(*p, *strength, bad, bad - g);
            sum.shift += exact.shift;
            sum.variance += exact.variance - linear;
            sum.third += exact.third;
        }
    }
    for (k, c) in pack.data().components.iter().enumerate() {
        let states = c.states.len();
        let of_bad = beliefs.slope_of_table(k, &bad_side);
        let slopes = slopes.components[k].chunks_exact(states).zip(of_bad.chunks_exact(states));
        for ((row, strength), (slopes, of_bad)) in c.mean.rows().into_iter().zip(&c.strength).zip(slopes) {
            let of_sound = of_bad.iter().zip(slopes).map(|(bad, g)| bad - g).collect();
            sum.replace_row(row.to_vec(), *strength, of_bad.to_vec(), of_sound, total);
        }
    }
    let slope = pack.data().recalibration.slope;
    [-Z95, Z95].map(|z| logistic(posterior.log_odds + slope * sum.quantile(z)))
}

/// Cells below this share of the variance enter by their slope alone.
const WORTH_A_CLOSER_LOOK: f64 = 0.02;

/// Beyond this skewness the expansion turns back on itself.
const MOST_SKEW: f64 = 1.5;

/// How a sum of independent contributions to the log-odds is spread about its centre.
struct Moments {
    shift: f64,
    variance: f64,
    third: f64,
}

impl Moments {
    /// Takes out the row's part of the linear variance and puts in exact moments, state by state.
    fn replace_row(&mut self, mut p: Vec<f64>, mut strength: f64, mut bad: Vec<f64>, mut sound: Vec<f64>, total: f64) {
        let linear = |p: &[f64], strength: f64, bad: &[f64], sound: &[f64]| {
            let slopes = || p.iter().zip(bad).zip(sound).map(|((p, b), s)| (p, b - s));
            let mean: f64 = slopes().map(|(p, g)| p * g).sum();
            (slopes().map(|(p, g)| p * (g - mean) * (g - mean)).sum::<f64>() / (strength + 1.0)).max(0.0)
        };
        let mut left = linear(&p, strength, &bad, &sound);
        while p.len() > 1 && left > WORTH_A_CLOSER_LOOK * total {
            // Towards state i, the others keeping their proportions.
            let towards = |slopes: &[f64], i: usize| {
                let all: f64 = p.iter().zip(slopes).map(|(p, g)| p * g).sum();
                (slopes[i] - all) / (1.0 - p[i])
            };
            let weight = |i: &usize| {
                let g = towards(&bad, *i) - towards(&sound, *i);
                g * g * p[*i] * (1.0 - p[*i])
            };
            let i = (0..p.len()).max_by(|a, b| weight(a).total_cmp(&weight(b))).unwrap_or(0);
            let exact = moments(p[i], strength, towards(&bad, i), towards(&sound, i));
            let rest = 1.0 - p.remove(i);
            bad.remove(i);
            sound.remove(i);
            p.iter_mut().for_each(|q| *q /= rest);
            bad.iter_mut().chain(&mut sound).for_each(|g| *g *= rest);
            strength *= rest;
            let after = linear(&p, strength, &bad, &sound);
            self.shift += exact.shift;
            self.variance += exact.variance - (left - after);
            self.third += exact.third;
            left = after;
        }
    }

    /// The quantile at the normal point z (Cornish–Fisher to the square of the skewness).
    fn quantile(&self, z: f64) -> f64 {
        let sd = self.variance.max(0.0).sqrt();
        if sd == 0.0 {
            return self.shift;
        }
        let skew = (self.third / (sd * sd * sd)).clamp(-MOST_SKEW, MOST_SKEW);
        let bent = z + skew * (z * z - 1.0) / 6.0 - skew * skew * (2.0 * z * z * z - 5.0 * z) / 36.0;
        self.shift + sd * bent
    }
}

/// Mean, variance and third central moment of f(p) under Beta(mean·strength, (1−mean)·strength),
/// by the trapezoidal rule in logit p, where the density falls off on both sides.
fn moments(mean: f64, strength: f64, bad: f64, sound: f64) -> Moments {
    /// Widest step of logit p: with singularities π away the rule is exact to many digits.
    const WIDEST_STEP: f64 = 0.6;
    /// Most nodes on either side: beyond them f is flat.
    const NODES: i32 = 40;
    /// A density this far below its highest is spent.
    const SPENT: f64 = 1e-11;
    let (a, b) = (mean * strength, (1.0 - mean) * strength);
    // Six tenths of the standard deviation of logit p, where that is narrower.
    let step = WIDEST_STEP.min(0.6 * (1.0 / a + 1.0 / b).sqrt());
    let centre = (a / b).ln();
    // At logit t: p, and ln of the density up to a constant.
    let at = |t: f64| {
        let odds_against = (-t).exp();
        (1.0 / (1.0 + odds_against), -b * t - strength * odds_against.ln_1p())
    };
    let highest = at(centre).1;
    let f = |p: f64| ((1.0 + bad * (p - mean)) / (1.0 + sound * (p - mean))).ln();
    let (mut weight, mut sums) = (0.0, [0.0; 3]);
    let mut add = |w: f64, p: f64| {
        let x = f(p);
        weight += w;
        sums[0] += w * x;
        sums[1] += w * x * x;
        sums[2] += w * x * x * x;
    };
    add(1.0, mean);
    for (side, tail) in [(-1.0, a), (1.0, b)] {
        for i in 1..=NODES {
            let (p, ln_density) = at(centre + side * step * f64::from(i));
            let w = (ln_density - highest).exp();
            // After the last node comes an exponential tail over which f does not change.
            let beyond = if i == NODES { w * (1.0 / (tail * step) - 0.5).max(0.0) } else { 0.0 };
            add(w + beyond, p);
            if w < SPENT {
                break;
            }
        }
    }
    let [m1, m2, m3] = sums.map(|s| s / weight);
    Moments { shift: m1, variance: (m2 - m1 * m1).max(0.0), third: m3 - 3.0 * m1 * m2 + 2.0 * m1 * m1 * m1 }
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
                for (s, p) in dirichlet(row.iter().copied(), *strength, &mut random).into_iter().enumerate() {
                    table[(parent * c.states.len() + s) * count + h] = p;
                }
            }
        }
        for call in evidence.calls() {
            let cells = &data.signs[call.sign].present;
            let present = other.present_mut(call.sign);
            for (to, (p, strength)) in present.iter_mut().zip(cells.mean.iter().zip(&cells.strength)) {
                *to = beta(*p, *strength, &mut random);
            }
        }
        let ln: PerStory = other.evaluate(&mut scratch, evidence);
        if let Ok(posterior) = Posterior::new(other.pack(), stories, &ln) {
            found.push(posterior.bad());
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::function::gamma::digamma;

    #[test]
    fn mean_log_of_a_beta_is_a_difference_of_digammas() {
        // E ln p = ψ(a) − ψ(a+b) under Beta(a, b) (Johnson, Kotz and Balakrishnan 1995, chapter 25;
        // formula from memory): with sound = 0 and bad = 1/p₀, f(p) = ln(p/p₀).
        for (mean, strength) in [(0.5, 20.0), (0.2, 14.0), (0.9, 30.0), (0.3, 8_000.0), (0.1, 1e6)] {
            let found = moments(mean, strength, 1.0 / mean, 0.0).shift;
            let exact = digamma(mean * strength) - digamma(strength) - f64::ln(mean);
            assert!((found - exact).abs() < 1e-9, "{mean} {strength}: {found} {exact}");
        }
    }
}

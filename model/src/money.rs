//! What the watch is worth in each story, what to pay at the most, and what can go wrong.
//!
//! In story h the watch is put to the use with the highest expected value: sold as it is,
//! restored where a repair pays, or parted out. Each use is a lognormal plus a constant.
//! A return is an option, used only where it beats keeping:
//!
//! ```text
//! n_h(p) = δ_h·ρ·E[max(V_h − K, −R)] + (1 − δ_h·ρ)·(E[V_h] − K)
//! expected_net(p) = Σ_h P(h|e)·n_h(p)
//! ```
//!
//! K is the landed cost, R what a return costs. P(h|e) is held at the asking price.

use crate::contraction::MAX_LANES;
use crate::pack::data::Repair;
use crate::pack::{Index, MELTED, METAL_AS_CLAIMED, Pack};
use crate::posterior::{Beliefs, PerStory, Plan, Posterior, Scratch};
use statrs::function::erf::erfc;

/// The 90 % point of the standard normal: a caller's `low` and `high` are 10 % and 90 % quantiles.
const Z90: f64 = 1.281_551_565_544_600_4;

/// v0, the price of an all-original example in like wear: a lognormal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AllOriginal {
    /// Median.
    pub median: f64,
    /// Standard deviation of the logarithm.
    pub log_sd: f64,
}

/// The two ends of a value range are not 0 < low ≤ high.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("a value range wants 0 < low <= high, not {low} to {high}")]
pub struct BadRange {
    /// Lower end given.
    pub low: f64,
    /// Upper end given.
    pub high: f64,
}

impl AllOriginal {
    /// From the 10 % and the 90 % quantile.
    ///
    /// # Errors
    /// Unless 0 < low ≤ high.
    pub fn from_range(low: f64, high: f64) -> Result<Self, BadRange> {
        if !(low > 0.0 && low <= high && high.is_finite()) {
            return Err(BadRange { low, high });
        }
        Ok(Self { median: (low * high).sqrt(), log_sd: (high / low).ln() / (2.0 * Z90) })
    }
}

/// ln-likelihood of an asking price per story: ln(ask/m) is Student t about the story's location.
///
/// ```
/// use steelyard_model::{money, pack::Pack};
/// let pack = Pack::builtin();
/// let fair = money::price_evidence(&pack, 500.0, 500.0);
/// let cheap = money::price_evidence(&pack, 100.0, 500.0);
/// let (original, fake) = (pack.story("original").unwrap(), pack.story("fake").unwrap());
/// assert!(fair[original] > fair[fake] && cheap[fake] > cheap[original]);
/// ```
#[must_use]
pub fn price_evidence(pack: &Pack, ask: f64, median: f64) -> PerStory {
    let model = &pack.data().price_evidence;
    let mut ln = [0.0; MAX_LANES];
    for (to, story) in ln.iter_mut().zip(&pack.data().stories) {
        let z = ((ask / median).ln() - model.location[&story.id]) / model.scale;
        // The normalising constant is common to all stories: one scale, one ν.
        *to = -(model.nu + 1.0) / 2.0 * (z * z / model.nu).ln_1p();
    }
    ln
}

/// The metal of a case that is claimed to be gold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Metal {
    /// Fineness in parts per thousand (ISO 9202).
    pub fineness: f64,
    /// Net mass of metal, g.
    pub mass_g: f64,
    /// Price of the pure metal per gram.
    pub price_per_g: f64,
}

/// What may be done with the watch and what it costs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resale {
    /// The all-original value.
    pub value: AllOriginal,
    /// Share of a sale lost to selling; 0 for a watch to keep.
    pub selling_fee_rate: f64,
    /// Whether gold is claimed: only then the metal's state matters.
    pub gold_claimed: bool,
    /// The metal, where gold is claimed and it is given.
    pub metal: Option<Metal>,
}

/// The cost of buying and of returning.
#[derive(Debug, Clone, PartialEq)]
pub struct Terms {
    /// Buyer's fee as a share of the price.
    pub buyer_fee_rate: f64,
    /// Shipping.
    pub shipping: f64,
    /// Import charges as a share of everything before them.
    pub import_rate: f64,
    /// Costs that come whatever the price; a service belongs here.
    pub fixed_costs: f64,
    /// Cost of sending it back.
    pub return_cost: f64,
    /// Chance that a return is honoured, per story (0 where the fault was declared).
    pub honoured: PerStory,
    /// Net wanted as a share of the landed cost.
    pub required_margin: f64,
}

impl Terms {
    /// K(p): what the watch has cost once it lies on the table.
    #[must_use]
    pub fn landed_cost(&self, price: f64) -> f64 {
        (price * (1.0 + self.buyer_fee_rate) + self.shipping) * (1.0 + self.import_rate) + self.fixed_costs
    }

    /// R(p): what is lost if it goes back.
    #[must_use]
    pub fn return_loss(&self, price: f64) -> f64 {
        self.landed_cost(price) - price + self.return_cost
    }
}

/// A lognormal plus a constant.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shifted {
    /// Mean of the lognormal part; 0 for none.
    pub lognormal_mean: f64,
    /// Standard deviation of its logarithm.
    pub log_sd: f64,
    /// The constant.
    pub constant: f64,
}

fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

impl Shifted {
    /// Expected value.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.lognormal_mean + self.constant
    }

    /// P(value ≤ x).
    #[must_use]
    pub fn cdf(&self, x: f64) -> f64 {
        let x = x - self.constant;
        if self.lognormal_mean <= 0.0 || self.log_sd <= 0.0 {
            return if x >= self.lognormal_mean { 1.0 } else { 0.0 };
        }
        if x <= 0.0 {
            return 0.0;
        }
        normal_cdf((x / self.lognormal_mean).ln() / self.log_sd + self.log_sd / 2.0)
    }

    /// P(value < x).
    #[must_use]
    pub fn below(&self, x: f64) -> f64 {
        if self.lognormal_mean <= 0.0 || self.log_sd <= 0.0 {
            return if x - self.constant > self.lognormal_mean { 1.0 } else { 0.0 };
        }
        self.cdf(x)
    }

    /// E[(value − x)₊].
    #[must_use]
    pub fn mean_above(&self, x: f64) -> f64 {
        let x = x - self.constant;
        if x <= 0.0 {
            return self.lognormal_mean - x;
        }
        if self.lognormal_mean <= 0.0 || self.log_sd <= 0.0 {
            return (self.lognormal_mean - x).max(0.0);
        }
        let d1 = (self.lognormal_mean / x).ln() / self.log_sd + self.log_sd / 2.0;
        self.lognormal_mean * normal_cdf(d1) - x * normal_cdf(d1 - self.log_sd)
    }
}

/// What is done with the watch.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// Sold or kept as it is.
    AsIs,
    /// Right parts bought in first.
    Restored,
    /// Sold in parts (a gold case perhaps melted).
    PartedOut,
}

/// The best use of the watch in one story.
#[derive(Debug, Clone, PartialEq)]
pub struct BestUse {
    /// What is done.
    pub how: Use,
    /// Components replaced first.
    pub repairs: Vec<Index>,
    /// What it brings.
    pub value: Shifted,
}

/// Values of the watch, per story; the price has not entered yet.
#[derive(Debug, Clone, PartialEq)]
pub struct Prospects {
    /// Best use per story.
    pub uses: Vec<BestUse>,
    /// P(story | e).
    pub stories: Vec<f64>,
    /// δ: chance that the story is noticed on arrival.
    pub noticed: Vec<f64>,
}

/// Finds the best use in every story. The evidence must be the one last evaluated in `scratch`.
#[must_use]
pub fn prospects(plan: &Plan, scratch: &mut Scratch, posterior: &Posterior, resale: &Resale) -> Prospects {
    let pack = plan.pack().clone();
    let beliefs = component_beliefs(&pack, &plan.differentiate(scratch));
    let mut expected = Expected::new(plan, scratch, resale.gold_claimed);
    let uses = (0..pack.stories()).map(|h| best_use(&pack, &beliefs, &mut expected, resale, h)).collect();
    let noticed = pack.data().stories.iter().map(|s| pack.data().value.by_story[&s.id].noticed_on_arrival).collect();
    Prospects { uses, stories: posterior.stories.clone(), noticed }
}

fn component_beliefs(pack: &Pack, beliefs: &Beliefs<'_>) -> Vec<Vec<PerStory>> {
    (0..pack.components().len()).map(|k| beliefs.component(k)).collect()
}

/// E[Π v] and E[Π v²] per story for every set of repaired parts asked for, computed once.
struct Expected<'a> {
    plan: &'a Plan,
    scratch: &'a mut Scratch,
    gold_claimed: bool,
    repairable: Vec<(Index, Repair)>,
    means: Vec<Option<PerStory>>,
    squares: Vec<Option<PerStory>>,
}

impl<'a> Expected<'a> {
    fn new(plan: &'a Plan, scratch: &'a mut Scratch, gold_claimed: bool) -> Self {
        let repairable: Vec<(Index, Repair)> =
            plan.pack().worth().iter().enumerate().filter_map(|(k, w)| w.repair.map(|r| (k, r))).collect();
        let sets = 1 << repairable.len();
        Self { plan, scratch, gold_claimed, repairable, means: vec![None; sets], squares: vec![None; sets] }
    }

    fn weights(&self, set: usize, square: bool) -> Vec<Vec<f64>> {
        let pack = self.plan.pack();
        pack.worth()
            .iter()
            .enumerate()
            .map(|(k, w)| {
                if Some(k) == pack.metal() && !self.gold_claimed {
                    return vec![1.0; w.value.len()];
                }
                let after = self
                    .repairable
                    .iter()
                    .enumerate()
                    .find(|(i, (part, _))| *part == k && set & (1 << i) != 0)
                    .map_or(0.0, |(_, (_, r))| r.value_after);
                let raised = |(v, untouched): (&f64, &bool)| if *untouched { *v } else { v.max(after) };
                let values = w.value.iter().zip(&pack.components()[k].untouched).map(raised);
                values.map(|v| if square { v * v } else { v }).collect()
            })
            .collect()
    }

    fn parts(&self, set: usize) -> Vec<Index> {
        let chosen = |i: &usize| set & (1 << i) != 0;
        (0..self.repairable.len()).filter(chosen).map(|i| self.repairable[i].0).collect()
    }

    fn mean(&mut self, set: usize, story: Index) -> f64 {
        if self.means[set].is_none() {
            self.means[set] = Some(self.plan.expect(self.scratch, &self.weights(set, false)));
        }
        self.means[set].map_or(f64::NAN, |m| m[story])
    }

    /// ln(E2/E1²): the part of the log-variance that comes from not knowing the states.
    fn log_variance(&mut self, set: usize, story: Index) -> f64 {
        let mean = self.mean(set, story);
        if self.squares[set].is_none() {
            self.squares[set] = Some(self.plan.expect(self.scratch, &self.weights(set, true)));
        }
        let square = self.squares[set].map_or(f64::NAN, |m| m[story]);
        (square / (mean * mean)).ln().max(0.0)
    }
}

fn best_use(pack: &Pack, beliefs: &[Vec<PerStory>], expected: &mut Expected<'_>, resale: &Resale, h: Index) -> BestUse {
    let story = &pack.data().stories[h];
    let by_story = pack.data().value.by_story[&story.id];
    let sigma = resale.value.log_sd;
    let mean_v0 = resale.value.median * (sigma * sigma / 2.0).exp();
    let mut best: Option<BestUse> = None;
    let mut offer = |candidate: BestUse| {
        if best.as_ref().is_none_or(|b| candidate.value.mean() > b.value.mean()) {
            best = Some(candidate);
        }
    };
    if let Some(factor) = by_story.factor {
        let per_mean = mean_v0 * factor * (1.0 - resale.selling_fee_rate);
        let spread = sigma * sigma + by_story.log_sd * by_story.log_sd;
        let whole = |expected: &mut Expected<'_>, set: usize, cost: f64| Shifted {
            lognormal_mean: per_mean * expected.mean(set, h),
            log_sd: (expected.log_variance(set, h) + spread).sqrt(),
            constant: -cost,
        };
        offer(BestUse { how: Use::AsIs, repairs: vec![], value: whole(expected, 0, 0.0) });
        let (set, cost) = repairs_that_pay(pack, beliefs, expected, resale, per_mean, h);
        if set != 0 {
            let value = whole(expected, set, cost);
            offer(BestUse { how: Use::Restored, repairs: expected.parts(set), value });
        }
    }
    offer(BestUse { how: Use::PartedOut, repairs: vec![], value: parted_out(pack, beliefs, resale, h) });
    best.unwrap_or_else(|| unreachable!("parting out is always offered"))
}

/// Adds the best repair while one pays; the set as bits, and what it costs.
fn repairs_that_pay(
    pack: &Pack,
    beliefs: &[Vec<PerStory>],
    expected: &mut Expected<'_>,
    resale: &Resale,
    per_mean: f64,
    h: Index,
) -> (usize, f64) {
    let (mut set, mut total) = (0, 0.0);
    loop {
        let mut best = (0.0, 0, 0.0);
        for i in (0..expected.repairable.len()).filter(|i| set & (1 << i) == 0) {
            let (part, repair) = expected.repairable[i];
            let replaced: f64 = beliefs[part]
                .iter()
                .zip(&pack.components()[part].untouched)
                .filter(|(_, untouched)| !**untouched)
                .map(|(p, _)| p[h])
                .sum();
            let cost = repair.cost * resale.value.median * replaced;
            let gain = per_mean * (expected.mean(set | 1 << i, h) - expected.mean(set, h)) - cost;
            if gain > best.0 {
                best = (gain, 1 << i, cost);
            }
        }
        if best.1 == 0 {
            return (set, total);
        }
        set |= best.1;
        total += best.2;
    }
}

fn parted_out(pack: &Pack, beliefs: &[Vec<PerStory>], resale: &Resale, h: Index) -> Shifted {
    let value = &pack.data().value;
    let sigma = resale.value.log_sd;
    let variance = sigma * sigma + value.parting_log_sd * value.parting_log_sd;
    let per_part = resale.value.median * (1.0 - resale.selling_fee_rate) * value.parting_yield * (variance / 2.0).exp();
    let salvage = |keep: &dyn Fn(&str) -> bool| -> f64 {
        pack.components()
            .iter()
            .zip(pack.worth())
            .zip(beliefs)
            .filter(|((c, _), _)| keep(&c.id))
            .map(|((_, w), b)| w.salvage.iter().zip(b).map(|(s, p)| s * p[h]).sum::<f64>())
            .sum()
    };
    let sold =
        |parts: f64, constant: f64| Shifted { lognormal_mean: per_part * parts, log_sd: variance.sqrt(), constant };
    let in_parts = sold(salvage(&|_| true), 0.0);
    let (Some(metal), true, Some(k)) = (resale.metal, resale.gold_claimed, pack.metal()) else {
        return in_parts;
    };
    let as_claimed: f64 = pack.data().components[k]
        .states
        .iter()
        .zip(&beliefs[k])
        .filter(|(s, _)| s.id == METAL_AS_CLAIMED)
        .map(|(_, p)| p[h])
        .sum();
    let melt = value.metal_yield * metal.fineness / 1000.0 * metal.mass_g * metal.price_per_g * as_claimed;
    let melted = sold(salvage(&|id| !MELTED.contains(&id)), melt);
    if melted.mean() > in_parts.mean() { melted } else { in_parts }
}

/// A bracketed root is given this many steps at the most: halvings alone need about 60.
const MOST_STEPS: usize = 200;

/// The smallest x in [low, high] with `reached(x)` ≥ 0, for a function that never falls:
/// inverse quadratic interpolation where it is safe, else halving (Chandrupatla 1997, "A new
/// hybrid quadratic/bisection algorithm", Adv. Eng. Softw. 28), so that jumps cannot stall it.
fn first_reached(low: f64, high: f64, tolerance: f64, reached: impl Fn(f64) -> f64) -> f64 {
    let (mut a, mut b) = (high, low);
    let (mut fa, mut fb) = (reached(a), reached(b));
    if fb >= 0.0 {
        return low;
    }
    let mut t = 0.5;
    for _ in 0..MOST_STEPS {
        let x = a + t * (b - a);
        let fx = reached(x);
        let (c, fc);
        if (fx >= 0.0) == (fa >= 0.0) {
            (c, fc) = (a, fa);
        } else {
            (c, fc) = (b, fb);
            (b, fb) = (a, fa);
        }
        (a, fa) = (x, fx);
        let least = tolerance / (b - a).abs();
        if least >= 1.0 || fa == 0.0 {
            break;
        }
        let xi = (a - b) / (c - b);
        let phi = (fa - fb) / (fc - fb);
        t = if phi * phi < xi && (1.0 - phi) * (1.0 - phi) < 1.0 - xi {
            fa / (fb - fa) * (fc / (fb - fc)) + (c - a) / (b - a) * (fa / (fc - fa)) * (fb / (fc - fb))
        } else {
            0.5
        };
        t = t.clamp(least / 2.0, 1.0 - least / 2.0);
    }
    if fa >= 0.0 { a } else { b }
}

/// Money is settled to this fraction of the minor unit before it is rounded.
const FRACTION_OF_UNIT: f64 = 1e-3;

impl Prospects {
    /// n_h(p): expected net in a story.
    #[must_use]
    pub fn net_in(&self, terms: &Terms, h: Index, price: f64) -> f64 {
        let (k, r) = (terms.landed_cost(price), terms.return_loss(price));
        let v = &self.uses[h].value;
        let option = self.noticed[h] * terms.honoured[h];
        option * (v.mean_above(k - r) - r) + (1.0 - option) * (v.mean() - k)
    }

    /// Expected net at a price.
    #[must_use]
    pub fn expected_net(&self, terms: &Terms, price: f64) -> f64 {
        (0..self.stories.len()).map(|h| self.stories[h] * self.net_in(terms, h, price)).sum()
    }

    /// Expected value of the watch, each story put to its best use.
    #[must_use]
    pub fn expected_value(&self) -> f64 {
        self.stories.iter().zip(&self.uses).map(|(p, u)| p * u.value.mean()).sum()
    }

    /// Chance that a return is honoured, and the expected net of sending the watch back: what a
    /// return costs where it is honoured, else the net of keeping it after all.
    #[must_use]
    pub fn sending_back(&self, terms: &Terms, price: f64) -> (f64, f64) {
        let (k, r) = (terms.landed_cost(price), terms.return_loss(price));
        let each = self.stories.iter().zip(&self.uses).zip(terms.honoured);
        each.fold((0.0, 0.0), |(chance, net), ((p, u), honoured)| {
            let kept = u.value.mean() - k;
            (chance + p * honoured, net + p * (kept + honoured * (-r - kept)))
        })
    }

    /// Expected net above the margin wanted.
    fn surplus(&self, terms: &Terms, price: f64) -> f64 {
        self.expected_net(terms, price) - terms.required_margin * terms.landed_cost(price)
    }

    /// The most to pay, in minor units (of which `per_unit` make one unit): the largest price
    /// whose expected net is at least the margin; 0 if even a gift loses.
    #[must_use]
    pub fn walk_away(&self, terms: &Terms, per_unit: f64) -> i64 {
        let at = |minor: f64| self.surplus(terms, minor / per_unit);
        if at(0.0) < 0.0 {
            return 0;
        }
        let largest = self.uses.iter().map(|u| u.value.mean()).fold(1.0, f64::max);
        let mut high = (2.0 * largest * per_unit).ceil();
        // Doubling ends: without the return option, which is never certain, net falls one for one.
        while at(high) >= 0.0 && high < 1e15 {
            high *= 2.0;
        }
        let root = first_reached(0.0, high, FRACTION_OF_UNIT, |minor| -at(minor));
        // The root is known to a fraction of a unit: the answer is at most one off its floor.
        let mut minor = root.floor();
        if minor > 0.0 && at(minor) < 0.0 {
            minor -= 1.0;
        } else if at(minor + 1.0) >= 0.0 {
            minor += 1.0;
        }
        minor as i64
    }

    /// P(net ≤ x).
    #[must_use]
    pub fn net_cdf(&self, terms: &Terms, price: f64, x: f64) -> f64 {
        let (k, r) = (terms.landed_cost(price), terms.return_loss(price));
        (0..self.stories.len())
            .map(|h| {
                let option = self.noticed[h] * terms.honoured[h];
                let kept = self.uses[h].value.cdf(x + k);
                let returned = if x >= -r { kept } else { 0.0 };
                self.stories[h] * (option * returned + (1.0 - option) * kept)
            })
            .sum()
    }

    /// P(net < 0).
    #[must_use]
    pub fn probability_of_loss(&self, terms: &Terms, price: f64) -> f64 {
        let (k, r) = (terms.landed_cost(price), terms.return_loss(price));
        (0..self.stories.len())
            .map(|h| {
                let option = self.noticed[h] * terms.honoured[h];
                let kept = self.uses[h].value.below(k);
                let returned = if r > 0.0 { kept } else { 0.0 };
                self.stories[h] * (option * returned + (1.0 - option) * kept)
            })
            .sum::<f64>()
            // Rounding must not leave a probability above one.
            .min(1.0)
    }

    /// The smallest x with P(net ≤ x) ≥ q, to a fraction of the minor unit.
    #[must_use]
    pub fn net_quantile(&self, terms: &Terms, price: f64, q: f64, per_unit: f64) -> f64 {
        let tolerance = FRACTION_OF_UNIT / per_unit;
        let (k, r) = (terms.landed_cost(price), terms.return_loss(price));
        let cdf = |x: f64| self.net_cdf(terms, price, x) - q;
        let least = self.uses.iter().map(|u| u.value.constant.min(0.0)).fold(0.0, f64::min) - k;
        let low = least.min(-r) - tolerance;
        // The atom of watches sent back: where it straddles q, it is the quantile.
        let just_below = -r - tolerance;
        if cdf(-r) >= 0.0 && cdf(just_below) < 0.0 {
            return -r;
        }
        let (low, mut high) = if cdf(just_below) >= 0.0 { (low, just_below) } else { (-r, -r + k.max(1.0)) };
        while cdf(high) < 0.0 {
            high += 2.0 * (high - low);
        }
        first_reached(low, high, tolerance, cdf)
    }
}

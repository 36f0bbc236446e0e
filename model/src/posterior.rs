//! P(story | evidence) and P(component state | story, evidence), exactly.
//!
//! For each story the component states are summed out over the graph of the link signs
//! called in this listing:
//!
//! P(e | h) = Σ_c Π_k P(c_k | h, parent) · Π_j λ_j(c)
//!
//! A [`Plan`] is compiled from the pack for a set of link signs and evaluated in a
//! [`Scratch`] without allocating; all stories are eliminated side by side.

use crate::contraction::{Contraction, Input, MAX_LANES, Workspace};
use crate::observe::Evidence;
use crate::pack::{Index, On, Pack};
use std::sync::Arc;

/// Decibans in a nat: 10/ln 10 (Turing; Good 1950).
pub const DECIBANS: f64 = 10.0 / std::f64::consts::LN_10;

/// One number per story.
pub type PerStory = [f64; MAX_LANES];

/// An elimination compiled for a set of link signs.
#[derive(Debug, Clone)]
pub struct Plan {
    pack: Arc<Pack>,
    links: Vec<Index>,
    contraction: Contraction,
    /// P(state | parents) of every component, stories innermost.
    tables: Vec<Vec<f64>>,
    /// Where a component's states begin in a flat list of all of them.
    first_state: Vec<usize>,
}

/// Buffers for evaluating a [`Plan`].
#[derive(Debug, Clone)]
pub struct Scratch {
    work: Workspace,
    /// Π λ per component state, and its logarithm for tempering.
    local: Vec<f64>,
    ln_story: PerStory,
    ln_scale: f64,
    sums: PerStory,
    /// Whether the inputs carry weights besides the evidence, left by an expectation.
    weighted: bool,
}

/// Evidence as logarithms, to be weighed in part.
#[derive(Debug, Clone)]
pub(crate) struct Tempered {
    ln_local: Vec<f64>,
    ln_links: Vec<Vec<f64>>,
    ln_story: PerStory,
    ln_scale: f64,
}

/// What bears on the stories besides the signs: the prior and the price.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stories {
    /// ln P(story).
    pub ln_prior: PerStory,
    /// ln of the price's likelihood.
    pub ln_price: PerStory,
}

impl Stories {
    /// From a prior over stories, without price evidence.
    #[must_use]
    pub fn from_prior(prior: &[f64]) -> Self {
        let mut ln_prior = [f64::NEG_INFINITY; MAX_LANES];
        for (to, from) in ln_prior.iter_mut().zip(prior) {
            *to = from.ln();
        }
        Self { ln_prior, ln_price: [0.0; MAX_LANES] }
    }
}

impl Plan {
    /// Compiles the elimination for these link signs (others are ignored).
    #[must_use]
    pub fn compile(pack: &Arc<Pack>, signs: impl IntoIterator<Item = Index>) -> Self {
        let mut links: Vec<Index> = signs.into_iter().filter(|&j| matches!(pack.signs()[j].on, On::Two(..))).collect();
        links.sort_unstable();
        links.dedup();
        let cardinalities: Vec<usize> = pack.components().iter().map(|c| c.states).collect();
        let inputs = Self::inputs(pack, &links);
        let mut first_state = vec![0];
        for c in pack.components() {
            first_state.push(first_state[first_state.len() - 1] + c.states);
        }
        Self {
            contraction: Contraction::compile(&cardinalities, pack.stories(), &inputs, &[]),
            pack: pack.clone(),
            links,
            tables: tables(pack),
            first_state,
        }
    }

    /// Takes its numbers from another pack with the same components and signs.
    pub fn renumber(&mut self, pack: &Arc<Pack>) {
        self.tables = tables(pack);
        self.pack = pack.clone();
    }

    /// One input per component (with its parent), then one per link sign.
    pub(crate) fn inputs(pack: &Pack, links: &[Index]) -> Vec<Input> {
        let components = pack
            .components()
            .iter()
            .enumerate()
            .map(|(k, c)| Input { scope: c.parent.into_iter().chain([k]).collect(), laned: true });
        let links = links.iter().filter_map(|&j| match pack.signs()[j].on {
            On::Two(one, two) => Some(Input { scope: vec![one, two], laned: false }),
            _ => None,
        });
        components.chain(links).collect()
    }

    /// The pack this plan is of.
    #[must_use]
    pub fn pack(&self) -> &Arc<Pack> {
        &self.pack
    }

    /// The link signs it sums over.
    #[must_use]
    pub fn links(&self) -> &[Index] {
        &self.links
    }

    /// Buffers for this plan.
    #[must_use]
    pub fn scratch(&self) -> Scratch {
        let states = self.first_state[self.first_state.len() - 1];
        Scratch {
            work: self.contraction.workspace(),
            local: vec![1.0; states],
            ln_story: [0.0; MAX_LANES],
            ln_scale: 0.0,
            sums: [0.0; MAX_LANES],
            weighted: false,
        }
    }

    fn stories(&self) -> usize {
        self.pack.stories()
    }

    pub(crate) fn link_slot(&self, sign: Index) -> Option<usize> {
        self.links.iter().position(|&j| j == sign).map(|i| self.tables.len() + i)
    }

    /// Puts the evidence in place and sums it out: ln P(e | h) per story.
    ///
    /// # Panics
    /// If the evidence calls a link sign the plan was not compiled for.
    pub fn evaluate(&self, scratch: &mut Scratch, evidence: &Evidence) -> PerStory {
        self.load(scratch, evidence);
        self.sum_out(scratch)
    }

    /// As [`Self::evaluate`], with components found in hand: each with the public state it was in.
    ///
    /// # Panics
    /// If the evidence calls a link sign the plan was not compiled for.
    pub fn evaluate_found(&self, scratch: &mut Scratch, evidence: &Evidence, found: &[(Index, Index)]) -> PerStory {
        self.load(scratch, evidence);
        for &(k, state) in found {
            let seen_as = &self.pack.components()[k].seen_as;
            for (x, seen) in scratch.local[self.first_state[k]..].iter_mut().zip(seen_as) {
                if *seen != state {
                    *x = 0.0;
                }
            }
        }
        self.sum_out(scratch)
    }

    fn sum_out(&self, scratch: &mut Scratch) -> PerStory {
        self.fill(scratch, None);
        self.contraction.forward(&mut scratch.work);
        scratch.weighted = false;
        self.ln_sums(scratch)
    }

    /// Loads the evidence so that it can be evaluated with a part of its weight.
    pub(crate) fn temper(&self, scratch: &mut Scratch, evidence: &Evidence) -> Tempered {
        self.load(scratch, evidence);
        let ln = |values: &[f64]| values.iter().map(|x| x.ln()).collect::<Vec<f64>>();
        Tempered {
            ln_local: ln(&scratch.local),
            ln_links: self.link_slots().map(|slot| ln(self.contraction.input(&scratch.work, slot))).collect(),
            ln_story: scratch.ln_story,
            ln_scale: scratch.ln_scale,
        }
    }

    /// As [`Self::evaluate`], with every likelihood raised to the power `t`.
    pub(crate) fn evaluate_tempered(&self, scratch: &mut Scratch, tempered: &Tempered, t: f64) -> PerStory {
        // Neighbouring cells are often alike: states that do not bear on a sign share its leak.
        let raise = |to: &mut [f64], lns: &[f64]| {
            let (mut last, mut raised) = (0.0, 1.0);
            for (x, &ln) in to.iter_mut().zip(lns) {
                if ln != last {
                    (last, raised) = (ln, (t * ln).exp());
                }
                *x = raised;
            }
        };
        raise(&mut scratch.local, &tempered.ln_local);
        for (slot, ln) in self.link_slots().zip(&tempered.ln_links) {
            raise(self.contraction.input_mut(&mut scratch.work, slot), ln);
        }
        scratch.ln_story = tempered.ln_story.map(|ln| t * ln);
        scratch.ln_scale = t * tempered.ln_scale;
        self.sum_out(scratch)
    }

    fn link_slots(&self) -> std::ops::Range<usize> {
        self.tables.len()..self.tables.len() + self.links.len()
    }

    /// The likelihoods of all calls as vectors over component states, scaled to a maximum of 1.
    fn load(&self, scratch: &mut Scratch, evidence: &Evidence) {
        scratch.local.fill(1.0);
        scratch.ln_story = [0.0; MAX_LANES];
        scratch.ln_scale = 0.0;
        for slot in self.link_slots() {
            self.contraction.input_mut(&mut scratch.work, slot).fill(1.0);
        }
        for call in evidence.calls() {
            let sign = &self.pack.signs()[call.sign];
            let scale = 1.0 / call.if_present.max(call.if_absent);
            scratch.ln_scale -= scale.ln();
            match sign.on {
                On::Story => {
                    for (ln, p) in scratch.ln_story.iter_mut().zip(&sign.present) {
                        *ln += (call.at(*p) * scale).ln();
                    }
                }
                On::One(k) => {
                    let at = self.first_state[k];
                    for (x, p) in scratch.local[at..].iter_mut().zip(&sign.present) {
                        *x *= call.at(*p) * scale;
                    }
                }
                On::Two(..) => {
                    let slot = self
                        .link_slot(call.sign)
                        .unwrap_or_else(|| panic!("the plan was not compiled for the link sign `{}`", sign.id));
                    let table = self.contraction.input_mut(&mut scratch.work, slot);
                    for (x, p) in table.iter_mut().zip(&sign.present) {
                        *x = call.at(*p) * scale;
                    }
                }
            }
        }
    }

    /// Writes P(state | parents) · local · weight into the component inputs.
    fn fill(&self, scratch: &mut Scratch, weight: Option<&[Vec<f64>]>) {
        let stories = self.stories();
        for (k, table) in self.tables.iter().enumerate() {
            let states = self.pack.components()[k].states;
            let local = &scratch.local[self.first_state[k]..][..states];
            let input = self.contraction.input_mut(&mut scratch.work, k);
            for (row, from) in input.chunks_exact_mut(states * stories).zip(table.chunks_exact(states * stories)) {
                for (s, (to, from)) in row.chunks_exact_mut(stories).zip(from.chunks_exact(stories)).enumerate() {
                    let x = local[s] * weight.map_or(1.0, |w| w[k][s]);
                    for (t, f) in to.iter_mut().zip(from) {
                        *t = f * x;
                    }
                }
            }
        }
    }

    fn ln_sums(&self, scratch: &mut Scratch) -> PerStory {
        let mut ln = [f64::NEG_INFINITY; MAX_LANES];
        for (h, sum) in self.contraction.output(&scratch.work).iter().enumerate() {
            scratch.sums[h] = *sum;
            ln[h] = sum.ln() + scratch.ln_story[h] + scratch.ln_scale;
        }
        ln
    }

    /// E[Π_k weight_k(C_k) | h, e] per story, after [`Self::evaluate`]; the evidence stays loaded.
    pub(crate) fn expect(&self, scratch: &mut Scratch, weight: &[Vec<f64>]) -> PerStory {
        self.fill(scratch, Some(weight));
        scratch.weighted = true;
        self.contraction.forward(&mut scratch.work);
        let mut mean = [0.0; MAX_LANES];
        for (h, sum) in self.contraction.output(&scratch.work).iter().enumerate() {
            mean[h] = sum / scratch.sums[h];
        }
        mean
    }

    /// The backward pass: P(states | h, e) for every component and link, until the next evaluation.
    pub fn differentiate<'a>(&'a self, scratch: &'a mut Scratch) -> Beliefs<'a> {
        if scratch.weighted {
            self.sum_out(scratch);
        }
        let mut seed = [0.0; MAX_LANES];
        for (s, sum) in seed.iter_mut().zip(self.contraction.output(&scratch.work)) {
            *s = 1.0 / sum;
        }
        self.contraction.backward(&mut scratch.work, &seed[..self.stories()]);
        Beliefs { plan: self, scratch }
    }

    /// The same plan over numbers of its own, to be changed.
    pub(crate) fn detached(&self) -> Self {
        Self { pack: Arc::new((*self.pack).clone()), ..self.clone() }
    }

    /// P(state | parents) of a component, stories innermost.
    pub(crate) fn table_mut(&mut self, k: Index) -> &mut [f64] {
        &mut self.tables[k]
    }

    /// P(sign | states) of a detached plan.
    pub(crate) fn present_mut(&mut self, sign: Index) -> &mut [f64] {
        Arc::make_mut(&mut self.pack).present_mut(sign)
    }

    /// Draws all component states given a story and the evidence last evaluated.
    pub(crate) fn draw(&self, scratch: &Scratch, story: Index, states: &mut [usize], uniform: impl FnMut() -> f64) {
        self.contraction.draw(&scratch.work, story, states, uniform);
    }

    /// Copies the inputs as last written into another contraction whose first inputs are the same.
    pub(crate) fn copy_inputs(&self, scratch: &Scratch, to: &Contraction, work: &mut Workspace) {
        for slot in 0..self.tables.len() + self.links.len() {
            to.input_mut(work, slot).copy_from_slice(self.contraction.input(&scratch.work, slot));
        }
    }
}

/// P(state | parents) of every component, stories innermost.
fn tables(pack: &Pack) -> Vec<Vec<f64>> {
    let stories = pack.stories();
    let table = |c: &crate::pack::Component| {
        let rows = c.table.len() / stories;
        let flat: Vec<f64> = c.table.iter().copied().collect();
        (0..rows).flat_map(|r| (0..stories).map(move |h| (r, h))).map(|(r, h)| flat[h * rows + r]).collect()
    };
    pack.components().iter().map(table).collect()
}

/// Beliefs about component states given each story and the evidence.
#[derive(Debug)]
pub struct Beliefs<'a> {
    plan: &'a Plan,
    scratch: &'a Scratch,
}

impl Beliefs<'_> {
    /// The pack they are held under.
    pub(crate) fn pack(&self) -> &Pack {
        &self.plan.pack
    }

    /// P(C_k = state | h, e) for every state and story.
    #[must_use]
    pub fn component(&self, k: Index) -> Vec<PerStory> {
        let states = self.plan.pack.components()[k].states;
        let mut out = vec![[0.0; MAX_LANES]; states];
        self.entries(k, |entry, h, p| out[entry % states][h] += p);
        out
    }

    /// Σ_states P(states | h, e) · f(P(sign | states)) per story, for a sign on components.
    #[must_use]
    pub fn mean_over(&self, sign: Index, f: impl Fn(f64) -> f64) -> PerStory {
        let present = &self.plan.pack.signs()[sign].present;
        // Nearly every sign bears on so few states that nothing need be allocated.
        let mut few = [0.0; 128];
        match few.get_mut(..present.len()) {
            Some(values) => {
                for (to, p) in values.iter_mut().zip(present) {
                    *to = f(*p);
                }
                self.mean_of(sign, values)
            }
            None => self.mean_of(sign, &present.iter().map(|p| f(*p)).collect::<Vec<f64>>()),
        }
    }

    /// The same for values given per state of what the sign is on, row-major.
    #[must_use]
    pub fn mean_of(&self, sign: Index, values: &[f64]) -> PerStory {
        let plan = self.plan;
        let mut out = [0.0; MAX_LANES];
        match plan.pack.signs()[sign].on {
            On::Story => {
                for (to, x) in out.iter_mut().zip(values) {
                    *to = *x;
                }
            }
            On::One(k) => {
                let states = plan.pack.components()[k].states;
                self.entries(k, |entry, h, p| out[h] += p * values[entry % states]);
            }
            On::Two(..) => {
                if let Some(slot) = plan.link_slot(sign) {
                    self.entries(slot, |entry, h, p| out[h] += p * values[entry]);
                }
            }
        }
        out
    }

    /// ∂(ln-odds)/∂P(state | story, parent) in the order of the component's table, `within` being
    /// the stories' shares of their side, negative for sound ones.
    pub(crate) fn slope_of_table(&self, k: Index, within: &PerStory) -> Vec<f64> {
        let plan = self.plan;
        let stories = plan.stories();
        let states = plan.pack.components()[k].states;
        let local = &self.scratch.local[plan.first_state[k]..][..states];
        let slope = plan.contraction.gradient(&self.scratch.work, k);
        let rows = slope.len() / stories;
        let mut out = vec![0.0; slope.len()];
        for (entry, by_story) in slope.chunks_exact(stories).enumerate() {
            for (h, g) in by_story.iter().enumerate() {
                out[h * rows + entry] = within[h] * g * local[entry % states];
            }
        }
        out
    }

    /// Σ_h weight_h · P(states | h, e) for every state of what a sign is on.
    pub(crate) fn states_of(&self, sign: Index, weight: &PerStory) -> Vec<f64> {
        let sign_ = &self.plan.pack.signs()[sign];
        let mut out = vec![0.0; sign_.present.len()];
        let slot = match sign_.on {
            On::Story => {
                out.copy_from_slice(&weight[..sign_.present.len()]);
                None
            }
            On::One(k) => Some(k),
            On::Two(..) => self.plan.link_slot(sign),
        };
        if let Some(slot) = slot {
            let states = out.len();
            self.entries(slot, |entry, h, p| out[entry % states] += weight[h] * p);
        }
        out
    }

    /// Every entry of an input with its share of P(e | h).
    fn entries(&self, slot: usize, mut visit: impl FnMut(usize, usize, f64)) {
        let plan = self.plan;
        let stories = plan.stories();
        let slope = plan.contraction.gradient(&self.scratch.work, slot);
        let value = plan.contraction.input(&self.scratch.work, slot);
        let laned = slot < plan.tables.len();
        for (entry, slope) in slope.chunks_exact(stories).enumerate() {
            for (h, g) in slope.iter().enumerate() {
                let v = if laned { value[entry * stories + h] } else { value[entry] };
                visit(entry, h, g * v);
            }
        }
    }
}

/// What the evidence says of the stories.
#[derive(Debug, Clone, PartialEq)]
pub struct Posterior {
    /// P(story | e), recalibrated.
    pub stories: Vec<f64>,
    /// ln P(e, h) before recalibration.
    pub ln_joint: PerStory,
    /// Natural log-odds of bad before the evidence.
    pub prior_log_odds: f64,
    /// Natural log-odds of bad given the evidence, before recalibration.
    pub raw_log_odds: f64,
    /// The same after recalibration.
    pub log_odds: f64,
}

/// The evidence cannot occur under the model.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the evidence has probability zero under the model")]
pub struct Impossible;

impl Posterior {
    /// From ln P(e | h), the prior and the price.
    ///
    /// # Errors
    /// If no story can have produced the evidence.
    pub fn new(pack: &Pack, stories: &Stories, ln_likelihood: &PerStory) -> Result<Self, Impossible> {
        let count = pack.stories();
        let mut ln_joint = [f64::NEG_INFINITY; MAX_LANES];
        for h in 0..count {
            ln_joint[h] = stories.ln_prior[h] + stories.ln_price[h] + ln_likelihood[h];
        }
        let raw_log_odds = log_odds(pack.bad(), &ln_joint);
        if raw_log_odds.is_nan() {
            return Err(Impossible);
        }
        let map = pack.data().recalibration;
        let log_odds_ = map.intercept + map.slope * raw_log_odds;
        let mut shares = vec![0.0; count];
        for bad in [true, false] {
            let members = |h: &usize| pack.bad()[*h] == bad;
            let total = ln_sum((0..count).filter(members).map(|h| ln_joint[h]));
            let mass = logistic(if bad { log_odds_ } else { -log_odds_ });
            for h in (0..count).filter(members) {
                shares[h] = if total == f64::NEG_INFINITY { 0.0 } else { mass * (ln_joint[h] - total).exp() };
            }
        }
        Ok(Self {
            stories: shares,
            ln_joint,
            prior_log_odds: log_odds(pack.bad(), &stories.ln_prior),
            raw_log_odds,
            log_odds: log_odds_,
        })
    }

    /// P(bad | e).
    #[must_use]
    pub fn bad(&self) -> f64 {
        logistic(self.log_odds)
    }

    /// The prior P(bad).
    #[must_use]
    pub fn prior_bad(&self) -> f64 {
        logistic(self.prior_log_odds)
    }
}

/// ln Σ_bad − ln Σ_sound of values given as logarithms.
#[must_use]
pub fn log_odds(bad: &[bool], ln: &PerStory) -> f64 {
    let side = |want: bool| ln_sum(bad.iter().zip(ln).filter(move |(b, _)| **b == want).map(|(_, l)| *l));
    side(true) - side(false)
}

/// ln Σ exp of terms given as logarithms.
#[must_use]
pub fn ln_sum(terms: impl Iterator<Item = f64> + Clone) -> f64 {
    let largest = terms.clone().fold(f64::NEG_INFINITY, f64::max);
    if largest == f64::NEG_INFINITY {
        return largest;
    }
    largest + terms.map(|t| (t - largest).exp()).sum::<f64>().ln()
}

/// 1/(1+e^−x).
#[must_use]
pub fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

/// The shift in decibans that each call makes on its own: the log-odds of bad, before
/// recalibration, less what they would be without it.
#[must_use]
pub fn alone_db(beliefs: &Beliefs<'_>, evidence: &Evidence, posterior: &Posterior) -> Vec<f64> {
    let bad = beliefs.plan.pack.bad();
    let stories = bad.len();
    let largest = posterior.ln_joint[..stories].iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let joint = posterior.ln_joint.map(|ln| (ln - largest).exp());
    evidence
        .calls()
        .iter()
        .map(|call| {
            let inverse = beliefs.mean_over(call.sign, |p| 1.0 / call.at(p));
            let side =
                |want: bool| (0..stories).filter(|h| bad[*h] == want).map(|h| joint[h] * inverse[h]).sum::<f64>();
            let odds = side(true) / side(false);
            // Without a logarithm for every story, unless a side is so small that its digits are lost.
            let without = if PLAIN.contains(&side(true)) && PLAIN.contains(&side(false)) {
                odds.ln()
            } else {
                let mut without = posterior.ln_joint;
                for (ln, x) in without.iter_mut().zip(inverse) {
                    *ln += x.ln();
                }
                log_odds(bad, &without)
            };
            DECIBANS * (posterior.raw_log_odds - without)
        })
        .collect()
}

/// Where sums of products are as exact as sums of logarithms.
const PLAIN: std::ops::Range<f64> = 1e-100..1e100;

/// P(sign present | e) for a sign on components or the story, called or not.
///
/// # Errors
/// If no story can have produced the evidence.
pub fn predict(pack: &Arc<Pack>, evidence: &Evidence, stories: &Stories, sign: Index) -> Result<f64, Impossible> {
    let called = evidence.calls().iter().map(|c| c.sign);
    let plan = Plan::compile(pack, called.chain([sign]));
    let mut scratch = plan.scratch();
    let ln = plan.evaluate(&mut scratch, evidence);
    let posterior = Posterior::new(pack, stories, &ln)?;
    // A call on the sign itself counts as any other evidence does: Bayes' rule within each state.
    let called = evidence.calls().iter().find(|c| c.sign == sign);
    let given = |p: f64| called.map_or(p, |c| c.if_present * p / c.at(p));
    let present = plan.differentiate(&mut scratch).mean_over(sign, given);
    Ok(posterior.stories.iter().zip(present).map(|(p, t)| p * t).sum())
}

//! Seeded dice, random small packs, and full enumeration from the pack's data alone.

use rand_core::{RngCore, SeedableRng as _};
use rand_pcg::Pcg64;
use serde_json::Value;
use std::sync::Arc;
use steelyard_model::contraction::MAX_LANES;
use steelyard_model::observe::{Basis, Call, Evidence, Likelihood, Observation, Photo, Watch};
use steelyard_model::pack::data::{
    Cells, Component, FineState, ModelData, NeutralWhen, Repair, Segment, Sign, Story, StoryValue,
};
use steelyard_model::pack::{Index, METAL, METAL_AS_CLAIMED, Pack};
use steelyard_model::posterior::{PerStory, Plan, Posterior, Stories};

use ndarray::{ArrayD, IxDyn};
use proptest::test_runner::{Config, RngSeed};

/// Exact sums of a few thousand products of numbers in [0, 1], in another order.
pub(crate) const EXACT: f64 = 1e-10;

/// Standard errors a simulation may be off: about one false alarm in 16 000, and seeds are fixed.
pub(crate) const STANDARD_ERRORS: f64 = 4.0;

/// A fixed number of cases from a fixed seed: a failure is the same on every machine.
pub(crate) fn cases(cases: u32) -> Config {
    Config { cases, rng_seed: RngSeed::Fixed(1958), failure_persistence: None, ..Config::default() }
}

#[track_caller]
pub(crate) fn near(found: f64, wanted: f64, tolerance: f64, what: &str) {
    assert!((found - wanted).abs() <= tolerance, "{what}: {found:e}, wanted {wanted:e} within {tolerance:e}");
}

#[track_caller]
pub(crate) fn all_near(found: &[f64], wanted: &[f64], tolerance: f64, what: &str) {
    assert_eq!(found.len(), wanted.len(), "{what}: length");
    for (i, (f, w)) in found.iter().zip(wanted).enumerate() {
        near(*f, *w, tolerance, &format!("{what}[{i}]"));
    }
}

/// A file of reference values; its source stands in it.
pub(crate) fn reference(text: &str) -> Value {
    serde_json::from_str(text).expect("a reference file is JSON")
}

/// A number of a reference file.
#[track_caller]
pub(crate) fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

pub(crate) fn numbers(value: &Value) -> Vec<f64> {
    items(value).iter().map(number).collect()
}

#[track_caller]
pub(crate) fn items(value: &Value) -> &[Value] {
    value.as_array().unwrap_or_else(|| panic!("{value} is no list"))
}

/// A seeded source of whatever a random case needs.
pub(crate) struct Dice(Pcg64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Self {
        Self(Pcg64::seed_from_u64(seed))
    }

    pub(crate) fn uniform(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    pub(crate) fn coin(&mut self, chance: f64) -> bool {
        self.uniform() < chance
    }

    /// A whole number in [low, high].
    pub(crate) fn whole(&mut self, low: usize, high: usize) -> usize {
        low + (self.uniform() * (high - low + 1) as f64) as usize
    }

    pub(crate) fn one_of<T: Clone>(&mut self, all: &[T]) -> T {
        all[self.whole(0, all.len() - 1)].clone()
    }

    pub(crate) fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.uniform(), self.uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }

    /// A random distribution, now and then a very uneven one.
    pub(crate) fn row(&mut self, length: usize) -> Vec<f64> {
        let power = self.one_of(&[1.0, 4.0]);
        let raw: Vec<f64> = (0..length).map(|_| self.uniform().powf(power) + 1e-4).collect();
        let total: f64 = raw.iter().sum();
        raw.iter().map(|x| x / total).collect()
    }

    pub(crate) fn draw(&mut self, weights: &[f64]) -> usize {
        let mut left = self.uniform() * weights.iter().sum::<f64>();
        let last = weights.len() - 1;
        weights[..last]
            .iter()
            .position(|w| {
                left -= w;
                left < 0.0
            })
            .unwrap_or(last)
    }

    pub(crate) fn shuffle<T>(&mut self, all: &mut [T]) {
        for i in (1..all.len()).rev() {
            let j = self.whole(0, i);
            all.swap(i, j);
        }
    }
}

/// A random pack small enough to enumerate: 2 to 8 stories, 2 to 4 components of 2 or 3
/// states (some with a component parent), signs on the story, one or two components.
pub(crate) fn small_pack(dice: &mut Dice) -> Arc<Pack> {
    let mut data = Pack::builtin().data().clone();
    stories(dice, &mut data);
    data.components = components(dice, &data);
    data.signs = (0..dice.whole(3, 8)).map(|i| sign(dice, &data, i)).collect();
    worth(dice, &mut data);
    Arc::new(Pack::from_data(data).unwrap_or_else(|e| panic!("a random pack is at fault: {e}")))
}

/// A pack wants one story of this name.
fn story_id(at: usize) -> String {
    if at == 0 { "original".into() } else { format!("story{at}") }
}

fn stories(dice: &mut Dice, data: &mut ModelData) {
    let count = dice.whole(2, MAX_LANES);
    let mut bad: Vec<bool> = (0..count).map(|i| i == 0 || (i > 1 && dice.coin(0.5))).collect();
    dice.shuffle(&mut bad);
    data.stories = bad.iter().enumerate().map(|(i, b)| Story { id: story_id(i), bad: *b }).collect();
    let split = |dice: &mut Dice, want: bool| {
        let ids: Vec<String> = data.stories.iter().filter(|s| s.bad == want).map(|s| s.id.clone()).collect();
        let row = dice.row(ids.len());
        ids.into_iter().zip(row).collect()
    };
    let (sound, bad) = (split(dice, false), split(dice, true));
    data.segments = vec![Segment { id: "only".into(), a: 2.0, b: 6.0, sound, bad, strength: None, origin: None }];
    let ids: Vec<String> = data.stories.iter().map(|s| s.id.clone()).collect();
    data.price_evidence.location = ids.iter().map(|id| (id.clone(), dice.between(-0.8, 0.2))).collect();
    data.value.by_story = ids
        .into_iter()
        .map(|id| {
            let factor = dice.coin(0.8).then(|| dice.between(0.5, 1.1));
            let log_sd = if dice.coin(0.2) { 0.0 } else { dice.between(0.05, 0.5) };
            (id, StoryValue { factor, log_sd, noticed_on_arrival: dice.between(0.01, 0.99) })
        })
        .collect();
}

fn components(dice: &mut Dice, data: &ModelData) -> Vec<Component> {
    let count = dice.whole(2, 4);
    let mut names = vec!["dial", "case", "hands", "movement"];
    dice.shuffle(&mut names);
    let with_metal = dice.coin(0.5);
    let mut out: Vec<Component> = Vec::new();
    for (k, name) in names.iter().take(count).enumerate() {
        let metal = with_metal && k == 0;
        let seen: Vec<String> = data.states.iter().map(|s| s.id.clone()).collect();
        let states: Vec<FineState> = if metal {
            [(METAL_AS_CLAIMED, 0), ("overstated", seen.len() - 1)]
                .map(|(id, at)| FineState { id: id.into(), seen_as: seen[at].clone() })
                .into()
        } else {
            (0..dice.whole(2, 3))
                .map(|s| FineState {
                    id: format!("state{s}"),
                    seen_as: if s == 0 { seen[0].clone() } else { dice.one_of(&seen) },
                })
                .collect()
        };
        let mut parents = vec!["story".to_owned()];
        let mut rows = vec![data.stories.len()];
        if k > 0 && dice.coin(0.4) {
            let parent = dice.whole(0, k - 1);
            parents.push(out[parent].id.clone());
            rows.push(out[parent].states.len());
        }
        let total: usize = rows.iter().product();
        let flat: Vec<f64> = (0..total).flat_map(|_| dice.row(states.len())).collect();
        let shape: Vec<usize> = rows.iter().copied().chain([states.len()]).collect();
        out.push(Component {
            id: if metal { METAL.into() } else { (*name).into() },
            states,
            parents,
            mean: ArrayD::from_shape_vec(IxDyn(&shape), flat).expect("shape and rows agree"),
            strength: ArrayD::from_elem(IxDyn(&rows), 10.0),
            origin: None,
        });
    }
    // A child may stand before its parent.
    dice.shuffle(&mut out);
    out
}

fn sign(dice: &mut Dice, data: &ModelData, at: usize) -> Sign {
    let mut order: Vec<usize> = (0..data.components.len()).collect();
    dice.shuffle(&mut order);
    let parts = dice.draw(&[0.15, 0.4, 0.45]);
    let on: Vec<String> = if parts == 0 {
        vec!["story".into()]
    } else {
        order.iter().take(parts).map(|k| data.components[*k].id.clone()).collect()
    };
    let shape: Vec<usize> = if parts == 0 {
        vec![data.stories.len()]
    } else {
        order.iter().take(parts).map(|k| data.components[*k].states.len()).collect()
    };
    let cells = shape.iter().product();
    let mean: Vec<f64> = (0..cells).map(|_| dice.between(0.005, 0.995)).collect();
    let mut views: Vec<String> = data.views.iter().map(|v| v.id.clone()).collect();
    dice.shuffle(&mut views);
    let reading = dice.one_of(&data.readings.keys().cloned().collect::<Vec<_>>());
    Sign {
        id: format!("sign{at}"),
        on,
        needs: (0..dice.whole(1, 2)).map(|i| views[2 * i..2 * i + dice.whole(1, 2)].to_vec()).collect(),
        question: "?".into(),
        how_to_look: String::new(),
        innocent_explanations: vec![],
        feature_mm: dice.coin(0.7).then(|| dice.between(0.03, 0.5)),
        reading,
        reading_override: None,
        applies_if: dice.coin(0.2).then(|| dice.one_of(&data.traits)),
        excludes: vec![],
        neutral_when: dice.coin(0.1).then_some(NeutralWhen::KeepShut),
        present: Cells {
            mean: ArrayD::from_shape_vec(IxDyn(&shape), mean).expect("shape and cells agree"),
            strength: ArrayD::from_elem(IxDyn(&shape), 10.0),
        },
        origin: None,
    }
}

fn worth(dice: &mut Dice, data: &mut ModelData) {
    let value = &mut data.value;
    value.by_state.clear();
    value.salvage.clear();
    value.repairs.clear();
    for c in &data.components {
        // An untouched part loses nothing, so that a repair cannot raise it.
        let by_state = c.states.iter().enumerate();
        let by_state = by_state.map(|(s, f)| (f.id.clone(), if s == 0 { 1.0 } else { dice.between(0.1, 1.0) }));
        value.by_state.insert(c.id.clone(), by_state.collect());
        let salvage = c.states.iter().map(|f| (f.id.clone(), dice.between(0.0, 0.4))).collect();
        value.salvage.insert(c.id.clone(), salvage);
        if c.id != METAL && dice.coin(0.7) {
            let repair = Repair { cost: dice.between(0.0, 0.3), value_after: dice.between(0.6, 1.0) };
            value.repairs.insert(c.id.clone(), repair);
        }
    }
    value.parting_log_sd = if dice.coin(0.2) { 0.0 } else { dice.between(0.05, 0.4) };
}

/// Calls on a random part of the signs, by hand, by photo and with stated certainty.
pub(crate) fn look(dice: &mut Dice, pack: &Pack, share: f64) -> Vec<Observation> {
    let mut seen: Vec<Observation> = Vec::new();
    for (j, sign) in pack.signs().iter().enumerate() {
        if dice.coin(share) && !seen.iter().any(|o| sign.excludes.contains(&o.sign)) {
            let call = dice.one_of(&[Call::Present, Call::Absent]);
            seen.push(Observation { sign: j, call, basis: basis(dice) });
        }
    }
    dice.shuffle(&mut seen);
    seen
}

fn basis(dice: &mut Dice) -> Basis {
    match dice.whole(0, 4) {
        0 => Basis::InHand,
        1 => Basis::Unstated,
        2 => Basis::Certainty(dice.between(0.5, 1.0)),
        _ => {
            let px_per_mm = dice.coin(0.9).then(|| dice.between(0.0, 60.0));
            Basis::Photo(Photo { view: None, px_per_mm, sharpness: dice.between(0.3, 1.0) })
        }
    }
}

pub(crate) fn read(pack: &Pack, seen: &[Observation]) -> Evidence {
    Evidence::read(pack, &Watch::unknown(pack), seen).unwrap_or_else(|faults| panic!("{faults:?}"))
}

/// A prior and a price with something to say.
pub(crate) fn some_stories(dice: &mut Dice, pack: &Pack) -> Stories {
    let mut stories = Stories::from_prior(&pack.prior(0, dice.between(0.02, 0.9)));
    if dice.coin(0.7) {
        stories.ln_price = steelyard_model::money::price_evidence(pack, dice.between(50.0, 1500.0), 500.0);
    }
    stories
}

pub(crate) fn posterior(pack: &Arc<Pack>, stories: &Stories, evidence: &Evidence) -> Posterior {
    let plan = Plan::compile(pack, evidence.calls().iter().map(|c| c.sign));
    let ln = plan.evaluate(&mut plan.scratch(), evidence);
    Posterior::new(pack, stories, &ln).expect("possible evidence")
}

/// Every configuration of the components with P(configuration, evidence | story), from the
/// pack's data and the definition of the model alone.
pub(crate) struct Enumeration<'a> {
    data: &'a ModelData,
    pub(crate) states: Vec<Vec<usize>>,
    /// `[configuration][story]`
    pub(crate) weight: Vec<Vec<f64>>,
}

impl<'a> Enumeration<'a> {
    pub(crate) fn new(pack: &'a Pack, evidence: &Evidence) -> Self {
        Self::tempered(pack, evidence, &vec![1.0; evidence.calls().len()])
    }

    /// With every call's likelihood raised to its own power.
    pub(crate) fn tempered(pack: &'a Pack, evidence: &Evidence, powers: &[f64]) -> Self {
        let data = pack.data();
        let mut states = vec![vec![]];
        for c in &data.components {
            states = states
                .into_iter()
                .flat_map(|s: Vec<usize>| (0..c.states.len()).map(move |x| [s.clone(), vec![x]].concat()))
                .collect();
        }
        let mut out = Self { data, states, weight: vec![] };
        out.weight = (0..out.states.len())
            .map(|at| {
                (0..data.stories.len())
                    .map(|h| {
                        let table: f64 = (0..data.components.len()).map(|k| out.table(k, h, at)).product();
                        let seen = evidence.calls().iter().zip(powers);
                        table * seen.map(|(call, t)| out.lambda(call, h, at).powf(*t)).product::<f64>()
                    })
                    .collect()
            })
            .collect();
        out
    }

    fn component(&self, id: &str) -> Index {
        self.data.components.iter().position(|c| c.id == id).expect("a component of this name")
    }

    fn table(&self, k: Index, h: Index, at: usize) -> f64 {
        let states = &self.states[at];
        let c = &self.data.components[k];
        match c.parents.get(1) {
            None => c.mean[[h, states[k]]],
            Some(parent) => c.mean[[h, states[self.component(parent)], states[k]]],
        }
    }

    /// P(sign | story, configuration).
    pub(crate) fn present(&self, sign: Index, h: Index, at: usize) -> f64 {
        let sign = &self.data.signs[sign];
        let on: Vec<usize> = sign
            .on
            .iter()
            .map(|name| if name == "story" { h } else { self.states[at][self.component(name)] })
            .collect();
        sign.present.mean[IxDyn(&on)]
    }

    /// P(call | story, configuration).
    fn lambda(&self, call: &Likelihood, h: Index, at: usize) -> f64 {
        let present = self.present(call.sign, h, at);
        call.if_present * present + call.if_absent * (1.0 - present)
    }

    /// ln P(evidence | story).
    pub(crate) fn ln_likelihood(&self) -> PerStory {
        let mut ln = [f64::NEG_INFINITY; MAX_LANES];
        for (h, to) in ln.iter_mut().take(self.data.stories.len()).enumerate() {
            *to = self.weight.iter().map(|w| w[h]).sum::<f64>().ln();
        }
        ln
    }

    /// E[f(configuration) | story, evidence].
    pub(crate) fn mean(&self, h: Index, f: impl Fn(usize) -> f64) -> f64 {
        let total: f64 = self.weight.iter().map(|w| w[h]).sum();
        self.weight.iter().enumerate().map(|(at, w)| w[h] / total * f(at)).sum()
    }

    /// P(component in state | story, evidence).
    pub(crate) fn belief(&self, h: Index, k: Index, state: usize) -> f64 {
        self.mean(h, |at| f64::from(self.states[at][k] == state))
    }

    /// P(story | evidence), as Bayes' rule has it.
    pub(crate) fn posterior(&self, stories: &Stories) -> Vec<f64> {
        let ln = self.ln_likelihood();
        let joint: Vec<f64> =
            (0..self.data.stories.len()).map(|h| (stories.ln_prior[h] + stories.ln_price[h] + ln[h]).exp()).collect();
        let total: f64 = joint.iter().sum();
        joint.iter().map(|x| x / total).collect()
    }
}

//! Laws of the posterior, its explanation and the engine under it, against full enumeration.

use crate::common::{
    Dice, EXACT, Enumeration, STANDARD_ERRORS, all_near, cases, look, near, posterior, read, small_pack, some_stories,
};
use ndarray::{ArrayD, IxDyn, arr1, arr2};
use proptest::prelude::*;
use std::sync::Arc;
use steelyard_model::contraction::{Contraction, Input, MAX_LANES};
use steelyard_model::decision::{DecisionError, Problem};
use steelyard_model::network::{Network, NetworkError};
use steelyard_model::observe::{Basis, Call, Evidence, Likelihood, Observation, Watch};
use steelyard_model::pack::data::Recalibration;
use steelyard_model::pack::{Index, Pack};
use steelyard_model::posterior::{DECIBANS, PerStory, Plan, Posterior, Stories, alone_db, log_odds, logistic, predict};
use steelyard_model::shares::{Shares, integrand, shares};

/// What the shares promise to meet, in decibans.
const SHARES_DB: f64 = 1e-7;

/// Step of a central difference of a smooth function: error about its square.
const STEP: f64 = 1e-5;

/// Central differences of log-odds in decibans: STEP² times a third derivative, and rounding/STEP.
const DIFFERENCE_DB: f64 = 1e-6;

fn signs(evidence: &Evidence) -> impl Iterator<Item = Index> {
    evidence.calls().iter().map(|c| c.sign)
}

/// Posterior, leave-one-out shifts and shares, calls in the order of the evidence.
fn explain(pack: &Arc<Pack>, stories: &Stories, evidence: &Evidence) -> (Posterior, Vec<f64>, Shares) {
    let plan = Plan::compile(pack, signs(evidence));
    let mut scratch = plan.scratch();
    let ln = plan.evaluate(&mut scratch, evidence);
    let found = Posterior::new(pack, stories, &ln).expect("possible evidence");
    let alone = alone_db(&plan.differentiate(&mut scratch), evidence, &found);
    let shares = shares(&plan, &mut scratch, stories, evidence, &found);
    (found, alone, shares)
}

fn recalibrated(pack: &Pack, intercept: f64, slope: f64) -> Arc<Pack> {
    let mut data = pack.data().clone();
    data.recalibration = Recalibration { intercept, slope };
    Arc::new(Pack::from_data(data).expect("a sound pack"))
}

fn raw_log_odds(pack: &Pack, stories: &Stories, powers: &[f64], price: f64, evidence: &Evidence) -> f64 {
    let ln = Enumeration::tempered(pack, evidence, powers).ln_likelihood();
    let mut joint: PerStory = [f64::NEG_INFINITY; MAX_LANES];
    for h in 0..pack.stories() {
        joint[h] = stories.ln_prior[h] + price * stories.ln_price[h] + ln[h];
    }
    log_odds(pack.bad(), &joint)
}

proptest! {
    #![proptest_config(cases(160))]

    #[test]
    fn posterior_equals_full_enumeration(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = small_pack(dice);
        let evidence = read(&pack, &look(dice, &pack, 0.7));
        let stories = some_stories(dice, &pack);
        let truth = Enumeration::new(&pack, &evidence);

        let plan = Plan::compile(&pack, signs(&evidence));
        let mut scratch = plan.scratch();
        let ln = plan.evaluate(&mut scratch, &evidence);
        let wanted = truth.ln_likelihood();
        all_near(&ln[..pack.stories()], &wanted[..pack.stories()], EXACT, "ln P(e | h)");
        let found = Posterior::new(&pack, &stories, &ln).expect("possible evidence");
        all_near(&found.stories, &truth.posterior(&stories), EXACT, "P(h | e)");
        let bad: f64 = (0..pack.stories()).filter(|h| pack.bad()[*h]).map(|h| truth.posterior(&stories)[h]).sum();
        near(found.bad(), bad, EXACT, "P(bad | e)");

        let beliefs = plan.differentiate(&mut scratch);
        for k in 0..pack.components().len() {
            for (state, belief) in beliefs.component(k).iter().enumerate() {
                for (h, p) in belief.iter().enumerate().take(pack.stories()) {
                    near(*p, truth.belief(h, k, state), EXACT, "P(state | h, e)");
                }
            }
        }
    }

    #[test]
    fn one_plan_serves_other_evidence(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = small_pack(dice);
        let plan = Plan::compile(&pack, 0..pack.signs().len());
        let mut scratch = plan.scratch();
        for _ in 0..3 {
            let evidence = read(&pack, &look(dice, &pack, 0.5));
            let ln = plan.evaluate(&mut scratch, &evidence);
            let wanted = Enumeration::new(&pack, &evidence).ln_likelihood();
            all_near(&ln[..pack.stories()], &wanted[..pack.stories()], EXACT, "ln P(e | h)");
        }
    }

    #[test]
    fn prediction_of_a_sign_not_called_equals_enumeration(seed: u64) {
        let dice = &mut Dice::new(seed);
        let plain = small_pack(dice);
        let pack = recalibrated(&plain, dice.between(-1.0, 1.0), dice.between(0.5, 1.5));
        let evidence = read(&pack, &look(dice, &pack, 0.5));
        let stories = some_stories(dice, &pack);
        let truth = Enumeration::new(&pack, &evidence);
        let weights = posterior(&pack, &stories, &evidence).stories;
        for j in (0..pack.signs().len()).filter(|j| !evidence.has(*j)) {
            let wanted: f64 =
                (0..pack.stories()).map(|h| weights[h] * truth.mean(h, |at| truth.present(j, h, at))).sum();
            let found = predict(&pack, &evidence, &stories, j).expect("possible evidence");
            near(found, wanted, EXACT, "P(sign | e)");
        }
    }

    #[test]
    fn recalibration_moves_only_the_split_between_bad_and_sound(seed: u64) {
        let dice = &mut Dice::new(seed);
        let plain = small_pack(dice);
        let (intercept, slope) = (dice.between(-1.0, 1.0), dice.between(0.5, 1.5));
        let moved = recalibrated(&plain, intercept, slope);
        let evidence = read(&plain, &look(dice, &plain, 0.7));
        let stories = some_stories(dice, &plain);
        let (before, after) = (posterior(&plain, &stories, &evidence), posterior(&moved, &stories, &evidence));
        near(after.log_odds, intercept + slope * before.log_odds, EXACT, "log-odds");
        near(after.bad(), logistic(intercept + slope * before.log_odds), EXACT, "P(bad)");
        near(after.stories.iter().sum(), 1.0, EXACT, "all stories");
        for h in 0..plain.stories() {
            let scale = if plain.bad()[h] { after.bad() / before.bad() } else { (1.0 - after.bad()) / (1.0 - before.bad()) };
            near(after.stories[h], scale * before.stories[h], EXACT, "share within its side");
        }
    }

    #[test]
    fn order_of_observations_does_not_matter(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = Pack::builtin();
        let seen = look(dice, &pack, 0.25);
        let stories = some_stories(dice, &pack);
        let mut order: Vec<usize> = (0..seen.len()).collect();
        dice.shuffle(&mut order);
        let shuffled: Vec<Observation> = order.iter().map(|i| seen[*i]).collect();
        let (first, alone, share) = explain(&pack, &stories, &read(&pack, &seen));
        let (second, other_alone, other_share) = explain(&pack, &stories, &read(&pack, &shuffled));
        all_near(&first.stories, &second.stories, EXACT, "stories");
        let back = |values: &[f64]| order.iter().map(|i| values[*i]).collect::<Vec<f64>>();
        all_near(&back(&alone), &other_alone, EXACT, "alone");
        all_near(&back(&share.calls), &other_share.calls, SHARES_DB, "shares");
        near(share.price, other_share.price, SHARES_DB, "share of the price");
    }

    #[test]
    fn answers_average_back_to_what_is_known(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = Pack::builtin();
        let evidence = read(&pack, &look(dice, &pack, 0.15));
        let stories = some_stories(dice, &pack);
        let mut open: Vec<Index> = (0..pack.signs().len()).filter(|j| !evidence.has(*j)).collect();
        dice.shuffle(&mut open);
        open.truncate(dice.whole(1, 5));
        let plan = Plan::compile(&pack, signs(&evidence).chain(open.iter().copied()));
        let mut scratch = plan.scratch();
        let total = |p: &Posterior| p.ln_joint[..pack.stories()].iter().map(|ln| ln.exp()).sum::<f64>();
        let before = Posterior::new(&pack, &stories, &plan.evaluate(&mut scratch, &evidence)).expect("possible");
        let mut average = vec![0.0; pack.stories()];
        let mut all = 0.0;
        for pattern in 0..1_usize << open.len() {
            let asked = open.iter().enumerate().map(|(i, j)| {
                let call = if pattern >> i & 1 == 1 { Call::Present } else { Call::Absent };
                Likelihood::sharp(&pack, *j, call)
            });
            let ln = plan.evaluate(&mut scratch, &evidence.with(asked));
            let after = Posterior::new(&pack, &stories, &ln).expect("possible");
            let p = total(&after) / total(&before);
            all += p;
            for (sum, story) in average.iter_mut().zip(&after.stories) {
                *sum += p * story;
            }
        }
        near(all, 1.0, EXACT, "P(some answer)");
        all_near(&average, &before.stories, EXACT, "sum of P(o) P(h | o)");
    }

    #[test]
    fn alone_is_the_shift_when_a_call_is_taken_back(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = small_pack(dice);
        let evidence = read(&pack, &look(dice, &pack, 0.8));
        let stories = some_stories(dice, &pack);
        let (found, alone, _) = explain(&pack, &stories, &evidence);
        for (i, alone) in alone.iter().enumerate() {
            let mut powers = vec![1.0; evidence.calls().len()];
            powers[i] = 0.0;
            let without = raw_log_odds(&pack, &stories, &powers, 1.0, &evidence);
            near(*alone, DECIBANS * (found.raw_log_odds - without), DECIBANS * EXACT, "leave-one-out");
        }
    }

    /// Aumann and Shapley 1974: the shares exhaust the whole.
    #[test]
    fn prior_price_and_shares_add_up(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = if dice.coin(0.5) { Pack::builtin() } else { small_pack(dice) };
        let share = dice.uniform();
        let evidence = read(&pack, &look(dice, &pack, share));
        let stories = some_stories(dice, &pack);
        let (found, _, shares) = explain(&pack, &stories, &evidence);
        let sum = DECIBANS * found.prior_log_odds + shares.price + shares.calls.iter().sum::<f64>();
        near(sum, DECIBANS * found.raw_log_odds, SHARES_DB, "prior + price + shares");
    }

    #[test]
    fn a_single_observation_gets_the_whole_shift(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = Pack::builtin();
        let stories = Stories::from_prior(&pack.prior(0, dice.between(0.02, 0.9)));
        let seen = loop {
            let mut seen = look(dice, &pack, 0.1);
            seen.truncate(1);
            if !seen.is_empty() {
                break seen;
            }
        };
        let (found, alone, shares) = explain(&pack, &stories, &read(&pack, &seen));
        let shift = DECIBANS * (found.raw_log_odds - found.prior_log_odds);
        near(shares.calls[0], shift, SHARES_DB, "share");
        near(alone[0], shift, DECIBANS * EXACT, "alone");
        near(shares.price, 0.0, EXACT, "no price");
    }

    #[test]
    fn integrand_is_the_slope_of_the_tempered_log_odds(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = small_pack(dice);
        let evidence = read(&pack, &look(dice, &pack, 0.7));
        let stories = some_stories(dice, &pack);
        let t = dice.between(0.01, 0.99);
        let plan = Plan::compile(&pack, signs(&evidence));
        let found = integrand(&plan, &mut plan.scratch(), &stories, &evidence, t);
        let slope = |move_at: Option<usize>| {
            let at = |step: f64| {
                let mut powers = vec![t; evidence.calls().len()];
                let mut price = t;
                *move_at.map_or(&mut price, |i| &mut powers[i]) += step;
                DECIBANS * raw_log_odds(&pack, &stories, &powers, price, &evidence)
            };
            (at(STEP) - at(-STEP)) / (2.0 * STEP)
        };
        for (i, call) in found.calls.iter().enumerate() {
            near(*call, slope(Some(i)), DIFFERENCE_DB, "slope by one call's weight");
        }
        near(found.price, slope(None), DIFFERENCE_DB, "slope by the price's weight");
    }

    #[test]
    fn network_marginals_equal_full_enumeration(seed: u64) {
        let dice = &mut Dice::new(seed);
        let net = SmallNetwork::new(dice);
        net.check(dice);
    }

    /// Darwiche 2003: the backward pass is the gradient of the sum.
    #[test]
    fn contraction_and_its_gradient_equal_enumeration(seed: u64) {
        let dice = &mut Dice::new(seed);
        let factors = Factors::new(dice);
        factors.check(dice);
    }
}

struct SmallNetwork {
    names: Vec<String>,
    sizes: Vec<usize>,
    parents: Vec<Vec<usize>>,
    tables: Vec<ArrayD<f64>>,
}

const STATE_NAMES: [&str; 3] = ["a", "b", "c"];

impl SmallNetwork {
    fn new(dice: &mut Dice) -> Self {
        let count = dice.whole(2, 6);
        let names = (0..count).map(|i| format!("v{i}")).collect();
        let sizes: Vec<usize> = (0..count).map(|_| dice.whole(2, 3)).collect();
        let mut parents = Vec::new();
        let mut tables = Vec::new();
        for i in 0..count {
            let mut above: Vec<usize> = (0..i).collect();
            dice.shuffle(&mut above);
            above.truncate(dice.whole(0, 3));
            let shape: Vec<usize> = above.iter().map(|p| sizes[*p]).chain([sizes[i]]).collect();
            let rows: usize = shape.iter().product::<usize>() / sizes[i];
            let flat: Vec<f64> = (0..rows).flat_map(|_| dice.row(sizes[i])).collect();
            tables.push(ArrayD::from_shape_vec(IxDyn(&shape), flat).expect("shape and rows agree"));
            parents.push(above);
        }
        Self { names, sizes, parents, tables }
    }

    fn check(&self, dice: &mut Dice) {
        let mut net = Network::new();
        for i in 0..self.names.len() {
            let parents: Vec<&str> = self.parents[i].iter().map(|p| self.names[*p].as_str()).collect();
            net.add(&self.names[i], &STATE_NAMES[..self.sizes[i]], &parents, self.tables[i].clone()).expect("a table");
        }
        let plan = net.compile();
        let mut run = plan.run();
        // The second round reuses the buffers after evidence is taken back.
        for _ in 0..2 {
            let likelihood: Vec<Vec<f64>> = self.sizes.iter().map(|n| self.evidence(dice, *n)).collect();
            for (name, values) in self.names.iter().zip(&likelihood) {
                run.forget(name).expect("a variable");
                match values.as_slice() {
                    all if all.iter().all(|x| *x == 1.0) => {}
                    hard if hard.iter().sum::<f64>() == 1.0 => {
                        let state = hard.iter().position(|x| *x == 1.0).expect("a state");
                        run.observe(name, STATE_NAMES[state]).expect("a state");
                    }
                    soft => run.observe_likelihood(name, soft).expect("a likelihood"),
                }
            }
            run.evaluate().expect("no table holds a zero");
            let (total, marginals) = self.enumerate(&likelihood);
            near(run.ln_evidence(), total.ln(), EXACT, "ln P(e)");
            for (i, wanted) in marginals.iter().enumerate() {
                all_near(run.marginal(i), wanted, EXACT, "marginal");
            }
        }
    }

    fn evidence(&self, dice: &mut Dice, states: usize) -> Vec<f64> {
        match dice.draw(&[0.5, 0.25, 0.25]) {
            0 => vec![1.0; states],
            1 => {
                let seen = dice.whole(0, states - 1);
                (0..states).map(|s| f64::from(s == seen)).collect()
            }
            _ => (0..states).map(|_| dice.between(0.0, 20.0)).collect(),
        }
    }

    fn enumerate(&self, likelihood: &[Vec<f64>]) -> (f64, Vec<Vec<f64>>) {
        let mut marginals: Vec<Vec<f64>> = self.sizes.iter().map(|n| vec![0.0; *n]).collect();
        let mut total = 0.0;
        for states in configurations(&self.sizes) {
            let mut p = 1.0;
            for i in 0..states.len() {
                let at: Vec<usize> = self.parents[i].iter().chain([&i]).map(|v| states[*v]).collect();
                p *= self.tables[i][IxDyn(&at)] * likelihood[i][states[i]];
            }
            total += p;
            for (marginal, state) in marginals.iter_mut().zip(&states) {
                marginal[*state] += p;
            }
        }
        marginals.iter_mut().flatten().for_each(|x| *x /= total);
        (total, marginals)
    }
}

fn configurations(sizes: &[usize]) -> Vec<Vec<usize>> {
    sizes.iter().fold(vec![vec![]], |all, n| {
        all.into_iter().flat_map(|s: Vec<usize>| (0..*n).map(move |x| [s.clone(), vec![x]].concat())).collect()
    })
}

struct Factors {
    sizes: Vec<usize>,
    lanes: usize,
    inputs: Vec<Input>,
    keep: Vec<usize>,
}

impl Factors {
    fn new(dice: &mut Dice) -> Self {
        let sizes: Vec<usize> = (0..dice.whole(1, 5)).map(|_| dice.whole(1, 3)).collect();
        let mut inputs: Vec<Input> =
            (0..sizes.len()).map(|v| Input { scope: vec![v], laned: dice.coin(0.4) }).collect();
        for _ in 0..dice.whole(0, 4) {
            let mut scope: Vec<usize> = (0..sizes.len()).collect();
            dice.shuffle(&mut scope);
            scope.truncate(dice.whole(0, 3));
            inputs.push(Input { scope, laned: dice.coin(0.4) });
        }
        dice.shuffle(&mut inputs);
        let mut keep: Vec<usize> = (0..sizes.len()).collect();
        dice.shuffle(&mut keep);
        keep.truncate(dice.whole(0, 2));
        Self { sizes, lanes: dice.whole(1, MAX_LANES), inputs, keep }
    }

    fn entry(&self, input: &Input, states: &[usize], lane: usize) -> usize {
        let at = input.scope.iter().fold(0, |at, v| at * self.sizes[*v] + states[*v]);
        if input.laned { at * self.lanes + lane } else { at }
    }

    /// The kept table, lanes innermost.
    fn sum(&self, values: &[Vec<f64>]) -> Vec<f64> {
        let rows: usize = self.keep.iter().map(|v| self.sizes[*v]).product();
        let mut out = vec![0.0; rows * self.lanes];
        for states in configurations(&self.sizes) {
            let row = self.keep.iter().fold(0, |at, v| at * self.sizes[*v] + states[*v]);
            for lane in 0..self.lanes {
                let product: f64 =
                    self.inputs.iter().zip(values).map(|(i, v)| v[self.entry(i, &states, lane)]).product();
                out[row * self.lanes + lane] += product;
            }
        }
        out
    }

    fn check(&self, dice: &mut Dice) {
        let plan = Contraction::compile(&self.sizes, self.lanes, &self.inputs, &self.keep);
        let mut work = plan.workspace();
        let mut values: Vec<Vec<f64>> = Vec::new();
        for slot in 0..self.inputs.len() {
            let input = plan.input_mut(&mut work, slot);
            input.iter_mut().for_each(|x| *x = dice.between(0.0, 2.0));
            values.push(input.to_vec());
        }
        plan.forward(&mut work);
        let wanted = self.sum(&values);
        let scale = 1.0 + wanted.iter().copied().fold(0.0, f64::max);
        all_near(plan.output(&work), &wanted, EXACT * scale, "sum");

        let seed: Vec<f64> = wanted.iter().map(|_| dice.between(-1.0, 1.0)).collect();
        plan.backward(&mut work, &seed);
        for slot in 0..self.inputs.len() {
            for entry in 0..values[slot].len() {
                // The sum is linear in any one entry, so a step of one is exact.
                let before = values[slot][entry];
                values[slot][entry] = before + 1.0;
                let above = self.sum(&values);
                values[slot][entry] = before;
                let change = |lane: usize| -> f64 {
                    let lanes = seed.chunks_exact(self.lanes).zip(above.chunks_exact(self.lanes));
                    lanes.zip(wanted.chunks_exact(self.lanes)).map(|((s, a), w)| s[lane] * (a[lane] - w[lane])).sum()
                };
                let gradient = plan.gradient(&work, slot);
                if self.inputs[slot].laned {
                    near(gradient[entry], change(entry % self.lanes), EXACT * scale, "gradient of a lane");
                } else {
                    for lane in 0..self.lanes {
                        near(gradient[entry * self.lanes + lane], change(lane), EXACT * scale, "gradient");
                    }
                }
            }
        }
    }
}

/// Draws per factor graph: a frequency settles to about a thousandth.
const DRAWS: usize = 200_000;

#[test]
fn draws_have_the_exact_marginals() {
    let dice = &mut Dice::new(2003);
    for _ in 0..12 {
        let factors = Factors { keep: vec![], ..Factors::new(dice) };
        let plan = Contraction::compile(&factors.sizes, factors.lanes, &factors.inputs, &[]);
        let mut work = plan.workspace();
        let mut values: Vec<Vec<f64>> = Vec::new();
        for slot in 0..factors.inputs.len() {
            let input = plan.input_mut(&mut work, slot);
            input.iter_mut().for_each(|x| *x = if dice.coin(0.1) { 0.05 } else { dice.between(0.1, 1.0) });
            values.push(input.to_vec());
        }
        plan.forward(&mut work);
        let lane = dice.whole(0, factors.lanes - 1);
        let all = configurations(&factors.sizes);
        let weight = |states: &[usize]| -> f64 {
            factors.inputs.iter().zip(&values).map(|(i, v)| v[factors.entry(i, states, lane)]).product()
        };
        let total: f64 = all.iter().map(|s| weight(s)).sum();
        let mut drawn = vec![0.0; all.len()];
        let mut states = vec![0; factors.sizes.len()];
        for _ in 0..DRAWS {
            plan.draw(&work, lane, &mut states, || dice.uniform());
            drawn[all.iter().position(|s| *s == states).expect("a configuration")] += 1.0;
        }
        for v in 0..factors.sizes.len() {
            for state in 0..factors.sizes[v] {
                let of = |x: &[f64]| -> f64 { all.iter().zip(x).filter(|(s, _)| s[v] == state).map(|(_, x)| x).sum() };
                let p = of(&all.iter().map(|s| weight(s) / total).collect::<Vec<_>>());
                let error = (p * (1.0 - p).max(0.0) / DRAWS as f64).sqrt();
                let frequency = of(&drawn) / DRAWS as f64;
                near(frequency, p, STANDARD_ERRORS * error + EXACT, "frequency of a state");
            }
        }
    }
}

#[test]
fn impossible_evidence_is_an_error() {
    let mut net = Network::new();
    net.add("h", &["yes", "no"], &[], arr1(&[1.0, 0.0]).into_dyn()).expect("a prior");
    let plan = net.compile();
    let mut run = plan.run();
    run.observe("h", "no").expect("a state");
    assert_eq!(run.evaluate(), Err(NetworkError::Impossible));
    assert_eq!(run.observe_likelihood("h", &[0.0, 0.0]), Err(NetworkError::Impossible));

    let pack = Pack::builtin();
    let stories = Stories::from_prior(&pack.prior(0, 0.25));
    let nothing = [f64::NEG_INFINITY; MAX_LANES];
    assert!(Posterior::new(&pack, &stories, &nothing).is_err());
}

#[test]
fn all_signs_at_once_are_still_explained() {
    let pack = Pack::builtin();
    let stories = Stories::from_prior(&pack.prior(0, 0.25));
    for call in [Call::Present, Call::Absent] {
        let mut seen: Vec<Observation> = Vec::new();
        for (sign, s) in pack.signs().iter().enumerate() {
            if !seen.iter().any(|o| s.excludes.contains(&o.sign)) {
                seen.push(Observation { sign, call, basis: Basis::InHand });
            }
        }
        let evidence = read(&pack, &seen);
        let (found, _, shares) = explain(&pack, &stories, &evidence);
        assert!(evidence.calls().len() > 55);
        let sum = DECIBANS * found.prior_log_odds + shares.calls.iter().sum::<f64>();
        near(sum, DECIBANS * found.raw_log_odds, SHARES_DB, "prior + shares");
    }
}

#[test]
fn a_table_that_is_no_distribution_is_refused() {
    let with = |yes: f64, no: f64| Network::new().add("h", &["yes", "no"], &[], arr1(&[yes, no]).into_dyn());
    assert_eq!(with(0.25, 0.75), Ok(0));
    for (yes, no) in [(0.2, 0.7), (1.2, -0.2), (f64::NAN, 0.5)] {
        assert!(matches!(with(yes, no), Err(NetworkError::Row { row: 0, .. })), "{yes}, {no}");
    }
    let mut net = Network::new();
    net.add("h", &["yes", "no"], &[], arr1(&[0.5, 0.5]).into_dyn()).expect("a prior");
    let row = || arr1(&[0.5, 0.5]).into_dyn();
    assert!(matches!(net.add("h", &["a", "b"], &[], row()), Err(NetworkError::DuplicateVariable(_))));
    assert!(matches!(net.add("t", &["a", "b"], &["x"], row()), Err(NetworkError::UnknownVariable(_))));
    assert!(matches!(net.add("t", &["a", "b"], &["h"], row()), Err(NetworkError::Shape { .. })));
    let plan = net.compile();
    let mut run = plan.run();
    assert!(matches!(run.observe("h", "maybe"), Err(NetworkError::UnknownState { .. })));
    for likelihood in [&[1.0][..], &[1.0, -1.0], &[1.0, f64::INFINITY]] {
        assert!(matches!(run.observe_likelihood("h", likelihood), Err(NetworkError::Likelihood { .. })));
    }
}

#[test]
fn of_equal_actions_the_first_is_best() {
    let even = Problem::new(vec![0.5, 0.5], vec![vec![1.0, 3.0], vec![2.0, 2.0], vec![0.0, 4.0]]).expect("a problem");
    assert_eq!(even.best(), (0, 2.0));
    let test = arr2(&[[1.0, 1.0], [0.0, 0.0]]);
    let outcomes = even.outcomes(test.view()).expect("a test");
    // A result that cannot occur changes nothing.
    assert_eq!((outcomes[1].probability, &outcomes[1].posterior[..]), (0.0, &[0.5, 0.5][..]));
    assert_eq!(even.value_of_sample_information(test.view()), Ok(0.0));
    let short = arr2(&[[1.0, 0.5], [0.0, 0.4]]);
    assert!(matches!(even.outcomes(short.view()), Err(DecisionError::Test { state: 1, .. })));
    assert!(matches!(Problem::new(vec![0.5, 0.6], vec![vec![0.0, 0.0]]), Err(DecisionError::Prior(_))));
    assert!(matches!(Problem::new(vec![0.5, 0.5], vec![vec![0.0]]), Err(DecisionError::Utility(0))));
}

#[test]
fn evaluating_a_plan_does_not_allocate() {
    let pack = Pack::builtin();
    let observations: Vec<Observation> = (0..pack.signs().len())
        .filter(|j| pack.signs()[*j].excludes.iter().all(|x| x > j))
        .map(|sign| Observation { sign, call: Call::Present, basis: Basis::InHand })
        .take(25)
        .collect();
    let evidence = Evidence::read(&pack, &Watch::unknown(&pack), &observations).expect("evidence");
    let plan = Plan::compile(&pack, evidence.calls().iter().map(|c| c.sign));
    let mut scratch = plan.scratch();
    let counted = allocation_counter::measure(|| {
        plan.evaluate(&mut scratch, &evidence);
        let _beliefs = plan.differentiate(&mut scratch);
    });
    assert_eq!(counted.count_total, 0, "allocations in the forward and the backward pass");
}

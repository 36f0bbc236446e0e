//! Money against enumeration, seeded simulation of the same rules, and its own laws.

use crate::common::{
    Dice, EXACT, Enumeration, STANDARD_ERRORS, all_near, cases, items, look, near, number, read, reference, small_pack,
    some_stories,
};
use proptest::prelude::*;
use statrs::distribution::{Continuous as _, StudentsT};
use std::collections::BTreeSet;
use std::sync::Arc;
use steelyard_model::contraction::MAX_LANES;
use steelyard_model::money::{
    AllOriginal, BestUse, Metal, Prospects, Resale, Shifted, Terms, Use, price_evidence, prospects,
};
use steelyard_model::observe::{Basis, Call, Evidence, Observation};
use steelyard_model::pack::{Index, METAL, METAL_AS_CLAIMED, Pack};
use steelyard_model::posterior::{Plan, Posterior, Stories};

const HOROLOGY: &str = include_str!("../data/horology.json");

/// Values of some hundred units, to about the twelfth digit.
const MONEY: f64 = 1e-9;

/// ln(E2/E1²) near zero is a difference of equal numbers: EXACT is lost there under the root.
const VARIANCE: f64 = 1e-9;

/// The model settles money to a thousandth of the minor unit; twice that covers both ends.
const FRACTIONS: f64 = 2e-3;

/// Draws of a simulation: a probability settles to a thousandth.
const DRAWS: usize = 200_000;

fn some_resale(dice: &mut Dice) -> Resale {
    let low = dice.between(100.0, 1500.0);
    let high = if dice.coin(0.2) { low } else { low * dice.between(1.0, 3.0) };
    let gold_claimed = dice.coin(0.6);
    let metal = Metal {
        fineness: dice.one_of(&[375.0, 585.0, 750.0]),
        mass_g: dice.between(1.0, 40.0),
        price_per_g: dice.between(10.0, 90.0),
    };
    Resale {
        value: AllOriginal::from_range(low, high).expect("a range"),
        selling_fee_rate: dice.one_of(&[0.0, 0.12]),
        gold_claimed,
        metal: (gold_claimed && dice.coin(0.7)).then_some(metal),
    }
}

fn some_terms(dice: &mut Dice) -> Terms {
    let mut honoured = [0.0; MAX_LANES];
    honoured.iter_mut().for_each(|h| *h = dice.one_of(&[0.0, 0.5, 0.9, 1.0]));
    Terms {
        buyer_fee_rate: dice.one_of(&[0.0, 0.05]),
        shipping: dice.one_of(&[0.0, 12.0]),
        import_rate: dice.one_of(&[0.0, 0.21]),
        fixed_costs: dice.one_of(&[0.0, 60.0]),
        return_cost: dice.one_of(&[0.0, 15.0]),
        honoured,
        required_margin: dice.one_of(&[0.0, 0.1, 0.25]),
    }
}

fn find(pack: &Arc<Pack>, evidence: &Evidence, stories: &Stories, resale: &Resale) -> (Posterior, Prospects) {
    let plan = Plan::compile(pack, evidence.calls().iter().map(|c| c.sign));
    let mut scratch = plan.scratch();
    let ln = plan.evaluate(&mut scratch, evidence);
    let found = Posterior::new(pack, stories, &ln).expect("possible evidence");
    let prospects = prospects(&plan, &mut scratch, &found, resale);
    (found, prospects)
}

/// The best use in one story, by the rules of the model over every configuration.
struct ByHand<'a> {
    pack: &'a Pack,
    truth: &'a Enumeration<'a>,
    resale: &'a Resale,
    h: Index,
}

impl ByHand<'_> {
    fn of_state(table: Option<&std::collections::BTreeMap<String, f64>>, state: &str, absent: f64) -> f64 {
        table.map_or(absent, |t| t[state])
    }

    /// E[(Π v)^power] with these parts repaired.
    fn moment(&self, repaired: &BTreeSet<Index>, power: i32) -> f64 {
        let data = self.pack.data();
        self.truth.mean(self.h, |at| {
            let v = |(k, c): (usize, &steelyard_model::pack::data::Component)| {
                if c.id == METAL && !self.resale.gold_claimed {
                    return 1.0;
                }
                let state = &c.states[self.truth.states[at][k]];
                let v = Self::of_state(data.value.by_state.get(&c.id), &state.id, 1.0);
                if repaired.contains(&k) && state.seen_as != "original" {
                    v.max(data.value.repairs[&c.id].value_after)
                } else {
                    v
                }
            };
            data.components.iter().enumerate().map(v).product::<f64>().powi(power)
        })
    }

    fn whole(&self, repaired: &BTreeSet<Index>) -> Option<Shifted> {
        let data = self.pack.data();
        let by_story = data.value.by_story[&data.stories[self.h].id];
        let sigma = self.resale.value.log_sd;
        let (e1, e2) = (self.moment(repaired, 1), self.moment(repaired, 2));
        let variance = (e2 / (e1 * e1)).ln().max(0.0) + sigma.powi(2) + by_story.log_sd.powi(2);
        let mean = self.resale.value.median * (sigma * sigma / 2.0).exp() * by_story.factor? * e1;
        let cost: f64 = repaired.iter().map(|k| self.cost(*k)).sum();
        Some(Shifted {
            lognormal_mean: mean * (1.0 - self.resale.selling_fee_rate),
            log_sd: variance.sqrt(),
            constant: -cost,
        })
    }

    fn cost(&self, k: Index) -> f64 {
        let c = &self.pack.data().components[k];
        let replaced: f64 = c
            .states
            .iter()
            .enumerate()
            .filter(|(_, s)| s.seen_as != "original")
            .map(|(s, _)| self.truth.belief(self.h, k, s))
            .sum();
        self.pack.data().value.repairs[&c.id].cost * self.resale.value.median * replaced
    }

    fn repairs(&self) -> BTreeSet<Index> {
        let data = self.pack.data();
        let open = || (0..data.components.len()).filter(|k| data.value.repairs.contains_key(&data.components[*k].id));
        let mut set = BTreeSet::new();
        let mean = |set: &BTreeSet<Index>| self.whole(set).map_or(0.0, |v| v.mean());
        loop {
            let gain = |k: &Index| {
                let mut more = set.clone();
                more.insert(*k);
                mean(&more) - mean(&set)
            };
            let best = open().filter(|k| !set.contains(k)).max_by(|a, b| gain(a).total_cmp(&gain(b)));
            match best {
                Some(k) if gain(&k) > 0.0 => set.insert(k),
                _ => return set,
            };
        }
    }

    fn parted_out(&self) -> Shifted {
        let data = self.pack.data();
        let sigma = self.resale.value.log_sd;
        let variance = sigma.powi(2) + data.value.parting_log_sd.powi(2);
        let median = self.resale.value.median * (1.0 - self.resale.selling_fee_rate) * data.value.parting_yield;
        let salvage = |without: &[&str]| -> f64 {
            self.truth.mean(self.h, |at| {
                let parts = data.components.iter().enumerate().filter(|(_, c)| !without.contains(&c.id.as_str()));
                parts
                    .map(|(k, c)| {
                        let state = &c.states[self.truth.states[at][k]].id;
                        Self::of_state(data.value.salvage.get(&c.id), state, 0.0)
                    })
                    .sum()
            })
        };
        let sold = |parts: f64, constant: f64| Shifted {
            lognormal_mean: median * parts * (variance / 2.0).exp(),
            log_sd: variance.sqrt(),
            constant,
        };
        let in_parts = sold(salvage(&[]), 0.0);
        let Some((k, metal)) = data.components.iter().position(|c| c.id == METAL).zip(self.resale.metal) else {
            return in_parts;
        };
        let state = data.components[k].states.iter().position(|s| s.id == METAL_AS_CLAIMED).expect("the state");
        let right = self.truth.belief(self.h, k, state);
        let melt = data.value.metal_yield * metal.fineness / 1000.0 * metal.mass_g * metal.price_per_g * right;
        let melted = sold(salvage(&["case", "bezel", "case_back"]), melt);
        if melted.mean() > in_parts.mean() { melted } else { in_parts }
    }

    fn best(&self) -> BestUse {
        let repairs = self.repairs();
        let uses = [
            (Use::AsIs, BTreeSet::new(), self.whole(&BTreeSet::new())),
            (Use::Restored, repairs.clone(), self.whole(&repairs).filter(|_| !repairs.is_empty())),
            (Use::PartedOut, BTreeSet::new(), Some(self.parted_out())),
        ];
        let offered = uses.into_iter().filter_map(|(how, set, value)| {
            value.map(|value| BestUse { how, repairs: set.into_iter().collect(), value })
        });
        offered.reduce(|a, b| if b.value.mean() > a.value.mean() { b } else { a }).expect("parting out")
    }
}

proptest! {
    #![proptest_config(cases(160))]

    #[test]
    fn best_use_and_its_value_equal_enumeration(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = small_pack(dice);
        let evidence = read(&pack, &look(dice, &pack, 0.6));
        let stories = some_stories(dice, &pack);
        let resale = some_resale(dice);
        let (_, found) = find(&pack, &evidence, &stories, &resale);
        let truth = Enumeration::new(&pack, &evidence);
        all_near(&found.stories, &truth.posterior(&stories), EXACT, "stories");
        for (h, found) in found.uses.iter().enumerate() {
            let wanted = ByHand { pack: &pack, truth: &truth, resale: &resale, h }.best();
            prop_assert_eq!((found.how, &found.repairs), (wanted.how, &wanted.repairs));
            near(found.value.lognormal_mean, wanted.value.lognormal_mean, MONEY, "mean of the lognormal");
            near(found.value.log_sd.powi(2), wanted.value.log_sd.powi(2), VARIANCE, "log-variance");
            near(found.value.constant, wanted.value.constant, MONEY, "constant");
        }
    }

    #[test]
    fn expected_net_falls_as_the_price_rises(seed: u64) {
        let dice = &mut Dice::new(seed);
        let (found, terms) = (some_prospects(dice), some_terms(dice));
        let nets: Vec<f64> = (0..60).map(|i| found.expected_net(&terms, 25.0 * f64::from(i))).collect();
        prop_assert!(nets.windows(2).all(|w| w[1] < w[0]), "{nets:?}");
    }

    #[test]
    fn at_the_walk_away_price_the_net_is_the_margin(seed: u64) {
        let dice = &mut Dice::new(seed);
        let (found, terms) = (some_prospects(dice), some_terms(dice));
        let per_unit = dice.one_of(&[1.0, 100.0, 1000.0]);
        let surplus = |minor: f64| {
            let price = minor / per_unit;
            found.expected_net(&terms, price) - terms.required_margin * terms.landed_cost(price)
        };
        let walk_away = found.walk_away(&terms, per_unit) as f64;
        if surplus(0.0) < 0.0 {
            prop_assert_eq!(walk_away, 0.0);
        } else {
            prop_assert!(surplus(walk_away) >= 0.0 && surplus(walk_away + 1.0) < 0.0, "{walk_away}");
            let one_unit = (1.0 + terms.required_margin) * (terms.landed_cost(1.0) - terms.landed_cost(0.0)) / per_unit;
            near(surplus(walk_away), 0.0, one_unit + MONEY, "net above the margin");
        }
    }

    /// Student's t, up to the constant that all stories share.
    #[test]
    fn price_evidence_is_student_t(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = Pack::builtin();
        let (ask, median) = (dice.between(1.0, 5000.0), dice.between(50.0, 2000.0));
        let found = price_evidence(&pack, ask, median);
        let model = &pack.data().price_evidence;
        let wanted: Vec<f64> = pack.data().stories.iter().map(|s| {
            let t = StudentsT::new(model.location[&s.id], model.scale, model.nu).expect("a distribution");
            t.ln_pdf((ask / median).ln())
        }).collect();
        for h in 1..wanted.len() {
            near(found[h] - found[0], wanted[h] - wanted[0], EXACT, "log-likelihood ratio");
        }
    }

    #[test]
    fn a_value_range_gives_back_its_quantiles(low in 1.0..1e5, ratio in 1.0..20.0) {
        let high: f64 = low * ratio;
        let value = AllOriginal::from_range(low, high).expect("a range");
        let v0 = Shifted {
            lognormal_mean: value.median * (value.log_sd.powi(2) / 2.0).exp(), log_sd: value.log_sd, constant: 0.0,
        };
        prop_assume!(ratio > 1.0 + 1e-6);
        near(v0.cdf(low), 0.1, EXACT, "P(v0 <= low)");
        near(v0.cdf(high), 0.9, EXACT, "P(v0 <= high)");
    }
}

#[test]
fn a_value_range_without_width_has_no_spread() {
    assert_eq!(AllOriginal::from_range(480.0, 480.0), Ok(AllOriginal { median: 480.0, log_sd: 0.0 }));
    for (low, high) in [(0.0, 5.0), (-1.0, 5.0), (6.0, 5.0), (1.0, f64::INFINITY), (f64::NAN, 5.0)] {
        assert!(AllOriginal::from_range(low, high).is_err(), "{low} to {high}");
    }
}

/// Prospects of no particular watch, with every kind of value.
fn some_prospects(dice: &mut Dice) -> Prospects {
    let count = dice.whole(2, 5);
    let uses = (0..count)
        .map(|_| {
            let how = dice.one_of(&[Use::AsIs, Use::Restored, Use::PartedOut]);
            let value = Shifted {
                lognormal_mean: if dice.coin(0.1) { 0.0 } else { dice.between(20.0, 900.0) },
                log_sd: if dice.coin(0.2) { 0.0 } else { dice.between(0.05, 0.8) },
                constant: match how {
                    Use::AsIs => 0.0,
                    Use::Restored => -dice.between(0.0, 80.0),
                    Use::PartedOut => dice.one_of(&[0.0, 150.0]),
                },
            };
            BestUse { how, repairs: vec![], value }
        })
        .collect();
    let noticed = (0..count).map(|_| dice.between(0.01, 0.99)).collect();
    Prospects { uses, stories: dice.row(count), noticed }
}

/// The rules, drawn: story, value, whether noticed and honoured, and the better of keep and return.
fn simulate(dice: &mut Dice, found: &Prospects, terms: &Terms, price: f64) -> Vec<f64> {
    let k = (price * (1.0 + terms.buyer_fee_rate) + terms.shipping) * (1.0 + terms.import_rate) + terms.fixed_costs;
    let back = k - price + terms.return_cost;
    let mut nets: Vec<f64> = (0..DRAWS)
        .map(|_| {
            let h = dice.draw(&found.stories);
            let v = &found.uses[h].value;
            let drawn = (v.log_sd * dice.normal() - v.log_sd * v.log_sd / 2.0).exp();
            let keep = v.lognormal_mean * drawn + v.constant - k;
            let returnable = dice.coin(found.noticed[h]) && dice.coin(terms.honoured[h]);
            if returnable { keep.max(-back) } else { keep }
        })
        .collect();
    nets.sort_by(f64::total_cmp);
    nets
}

fn agree(dice: &mut Dice, found: &Prospects, terms: &Terms, price: f64, what: &str) {
    const PER_UNIT: f64 = 100.0;
    // Values without spread are met exactly by both, give or take rounding.
    const SAME: f64 = 1e-9;
    let nets = simulate(dice, found, terms, price);
    let n = nets.len() as f64;
    let share = |below: &dyn Fn(f64) -> bool| nets.partition_point(|x| below(*x)) as f64 / n;
    let error = |p: f64| STANDARD_ERRORS * (p * (1.0 - p).max(0.0) / n).sqrt() + EXACT;

    let mean = nets.iter().sum::<f64>() / n;
    let variance = nets.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let expected = found.expected_net(terms, price);
    near(expected, mean, STANDARD_ERRORS * (variance / n).sqrt() + MONEY, &format!("{what}: expected net"));

    let loss = found.probability_of_loss(terms, price);
    near(share(&|x| x < -SAME), loss, error(loss), &format!("{what}: probability of loss"));

    for x in [-400.0, -100.0, -20.0, 0.5, 60.0, 300.0] {
        let p = found.net_cdf(terms, price, x);
        near(share(&|net| net <= x), p, error(p), &format!("{what}: P(net <= {x})"));
    }
    let mut last = f64::NEG_INFINITY;
    for q in [0.05, 0.5, 0.95] {
        let x = found.net_quantile(terms, price, q, PER_UNIT);
        let step = FRACTIONS / PER_UNIT;
        let (reached, before) = (share(&|net| net <= x + SAME), share(&|net| net < x - step));
        assert!(reached >= q - error(q), "{what}: P(net <= {x}) is {reached}, wants {q}");
        assert!(before <= q + error(q), "{what}: P(net < {x}) is {before}, wants at most {q}");
        assert!(found.net_cdf(terms, price, x + SAME) >= q, "{what}: F({x}) at {q}");
        assert!(found.net_cdf(terms, price, x - step) < q, "{what}: F just below {x} at {q}");
        assert!(x >= last - step, "{what}: quantiles in order");
        last = x;
    }
}

#[test]
fn net_agrees_with_simulation_of_the_rules() {
    let dice = &mut Dice::new(1906);
    for case in 0..24 {
        let (found, terms) = (some_prospects(dice), some_terms(dice));
        let price = dice.one_of(&[0.0, 80.0, 300.0, 700.0]);
        agree(dice, &found, &terms, price, &format!("case {case}"));
    }
}

fn lognormal(mean: f64, log_sd: f64, constant: f64) -> BestUse {
    BestUse { how: Use::AsIs, repairs: vec![], value: Shifted { lognormal_mean: mean, log_sd, constant } }
}

fn plain_terms() -> Terms {
    Terms {
        buyer_fee_rate: 0.0,
        shipping: 0.0,
        import_rate: 0.0,
        fixed_costs: 0.0,
        return_cost: 0.0,
        honoured: [0.0; MAX_LANES],
        required_margin: 0.0,
    }
}

#[test]
fn watches_sent_back_are_an_atom_of_the_net() {
    let found = Prospects {
        uses: vec![lognormal(700.0, 0.2, 0.0), lognormal(60.0, 0.3, 0.0)],
        stories: vec![0.7, 0.3],
        noticed: vec![0.02, 0.95],
    };
    let terms = Terms { honoured: [0.95; MAX_LANES], return_cost: 18.0, fixed_costs: 7.0, ..plain_terms() };
    let (price, back) = (450.0, 25.0);
    assert_eq!(terms.return_loss(price), back);
    let below = found.net_cdf(&terms, price, -back - 1e-6);
    let at = found.net_cdf(&terms, price, -back);
    let sent_back: f64 =
        (0..2).map(|h| found.stories[h] * found.noticed[h] * 0.95 * found.uses[h].value.cdf(price + 7.0 - back)).sum();
    // What is kept has some density there too: 1e-6 units of it.
    near(at - below, sent_back, 1e-7, "mass of the atom");
    for q in [below + 1e-6, 0.2, at] {
        assert_eq!(found.net_quantile(&terms, price, q, 100.0), -back, "quantile {q}");
    }
    assert!(found.net_quantile(&terms, price, at + 1e-3, 100.0) > -back);
    assert!(found.net_quantile(&terms, price, below - 1e-3, 100.0) < -back);
    agree(&mut Dice::new(3), &found, &terms, price, "atom");

    // A return that costs nothing at all is no loss.
    let free = Terms { honoured: [1.0; MAX_LANES], ..plain_terms() };
    let kept = Prospects {
        noticed: vec![0.0, 0.5],
        uses: vec![lognormal(900.0, 0.0, 0.0), lognormal(1.0, 0.0, 0.0)],
        ..found
    };
    near(kept.probability_of_loss(&free, price), 0.15, EXACT, "only what is noticed too late");
    agree(&mut Dice::new(4), &kept, &free, price, "free return");
}

#[test]
fn values_without_spread_are_their_own_branch() {
    let found = Prospects {
        uses: vec![lognormal(600.0, 0.0, 0.0), lognormal(0.0, 0.0, 120.0), lognormal(0.0, 0.4, 0.0)],
        stories: vec![0.6, 0.3, 0.1],
        noticed: vec![0.02, 0.5, 0.5],
    };
    let terms = Terms { honoured: [0.8; MAX_LANES], return_cost: 10.0, ..plain_terms() };
    agree(&mut Dice::new(6), &found, &terms, 400.0, "no spread");
    let by_hand = 0.6 * 200.0 + 0.3 * (0.4 * -10.0 + 0.6 * -280.0) + 0.1 * (0.4 * -10.0 + 0.6 * -400.0);
    near(found.expected_net(&terms, 400.0), by_hand, MONEY, "expected net by hand");
    // A net of exactly nothing is no loss.
    near(found.probability_of_loss(&terms, 600.0), 0.4, EXACT, "loss at the price it is worth");
    near(found.probability_of_loss(&terms, 600.01), 1.0, EXACT, "loss a minor unit above");
}

#[test]
fn even_a_gift_can_lose() {
    let found = Prospects { uses: vec![lognormal(50.0, 0.2, 0.0)], stories: vec![1.0], noticed: vec![0.1] };
    let terms = Terms { fixed_costs: 60.0, ..plain_terms() };
    assert_eq!(found.walk_away(&terms, 100.0), 0);
    assert_eq!(found.walk_away(&Terms { fixed_costs: 50.0, ..plain_terms() }, 100.0), 0);
    // Without a return and without spread: (50 - 10)/1.1/1.25, down to the minor unit.
    let terms = Terms { fixed_costs: 10.0, required_margin: 0.25, buyer_fee_rate: 0.1, ..plain_terms() };
    let most = (50.0 / 1.25 - 10.0) / 1.1;
    assert_eq!(found.walk_away(&terms, 100.0), (most * 100.0_f64).floor() as i64);
    assert_eq!(found.walk_away(&terms, 1.0), most.floor() as i64);
}

fn seen(pack: &Pack, ids: &[&str]) -> Evidence {
    let calls: Vec<Observation> = ids
        .iter()
        .map(|id| Observation { sign: pack.sign(id).expect("a sign"), call: Call::Present, basis: Basis::InHand })
        .collect();
    read(pack, &calls)
}

#[test]
fn every_use_of_the_built_in_pack_agrees_with_simulation() {
    let pack = Pack::builtin();
    let stories = Stories::from_prior(&pack.prior(0, 0.3));
    let metal = Metal { fineness: 750.0, mass_g: 28.0, price_per_g: 70.0 };
    let resale = |low, high, metal: Option<Metal>| Resale {
        value: AllOriginal::from_range(low, high).expect("a range"),
        selling_fee_rate: 0.1,
        gold_claimed: metal.is_some(),
        metal,
    };
    let listings = [
        (vec!["hands_wrong_length", "hands_style_clash", "crown_unsigned"], resale(500.0, 900.0, None)),
        (vec!["movement_calibre_wrong", "dial_name_never_used"], resale(500.0, 900.0, None)),
        (vec!["dial_print_soft"], resale(400.0, 700.0, Some(metal))),
        (vec![], resale(600.0, 600.0, None)),
    ];
    let mut met = Vec::new();
    for (i, (ids, resale)) in listings.iter().enumerate() {
        let evidence = seen(&pack, ids);
        let (found, prospects) = find(&pack, &evidence, &stories, resale);
        assert_eq!(found.stories, prospects.stories);
        met.extend(prospects.uses.iter().map(|u| u.how));
        let fake = pack.story("fake").expect("a story");
        assert_eq!(prospects.uses[fake].how, Use::PartedOut, "a fake is not sold under its name");
        let terms = Terms { honoured: [0.9; MAX_LANES], return_cost: 20.0, shipping: 8.0, ..plain_terms() };
        agree(&mut Dice::new(i as u64), &prospects, &terms, 320.0, &format!("{ids:?}"));
    }
    for how in [Use::AsIs, Use::Restored, Use::PartedOut] {
        assert!(met.contains(&how), "{how:?} never came up");
    }
}

#[test]
fn a_declared_fault_earns_no_return() {
    let found = some_prospects(&mut Dice::new(11));
    let terms = plain_terms();
    for h in 0..found.stories.len() {
        let value = found.uses[h].value.mean();
        near(found.net_in(&terms, h, 200.0), value - 200.0, MONEY, "kept whatever it is");
        let honoured = Terms { honoured: [1.0; MAX_LANES], ..plain_terms() };
        assert!(found.net_in(&honoured, h, 200.0) >= value - 200.0, "an option is never worth less than nothing");
    }
}

/// Carat counts twenty-fourths; ISO 9202 marks parts per thousand.
#[test]
fn melted_metal_is_worth_its_carat() {
    let pack = Pack::builtin();
    let stories = Stories::from_prior(&pack.prior(0, 0.3));
    let evidence = seen(&pack, &["movement_calibre_wrong"]);
    let (mass_g, price_per_g) = (200.0, 80.0);
    let file = reference(HOROLOGY);
    let carats = items(&file["conversions"]["carat_to_parts_per_thousand"]);
    assert_eq!(carats.len(), 6);
    for row in carats {
        let fineness = number(&row["exact_parts_per_thousand"]);
        let resale = Resale {
            value: AllOriginal::from_range(300.0, 500.0).expect("a range"),
            selling_fee_rate: 0.0,
            gold_claimed: true,
            metal: Some(Metal { fineness, mass_g, price_per_g }),
        };
        let (_, prospects) = find(&pack, &evidence, &stories, &resale);
        let metal = pack.metal().expect("the component");
        let right = pack.components()[metal].table.clone();
        for (h, best) in prospects.uses.iter().enumerate() {
            assert_eq!(best.how, Use::PartedOut, "so much gold is melted");
            // No sign on the metal was called: its state stands as the story alone has it.
            let melt =
                number(&row["carat"]) / 24.0 * mass_g * price_per_g * right[[h, 0]] * pack.data().value.metal_yield;
            near(best.value.constant, melt, number(&file["tolerance"]["conversions_rel"]) * melt + MONEY, "melt");
        }
    }
}

#[test]
fn without_a_claim_to_gold_the_metal_does_not_matter() {
    let pack = Pack::builtin();
    let stories = Stories::from_prior(&pack.prior(0, 0.3));
    let resale = |gold_claimed| Resale {
        value: AllOriginal::from_range(300.0, 500.0).expect("a range"),
        selling_fee_rate: 0.0,
        gold_claimed,
        metal: None,
    };
    let marks = seen(&pack, &["case_base_metal_showing"]);
    let original = pack.story("original").expect("a story");
    let value =
        |evidence: &Evidence, gold| find(&pack, evidence, &stories, &resale(gold)).1.uses[original].value.mean();
    let nothing = Evidence::default();
    near(value(&marks, false), value(&nothing, false), MONEY, "value without the claim");
    assert!(value(&marks, true) < 0.9 * value(&nothing, true));
}

#[test]
fn sending_back_costs_the_return_where_it_is_honoured_and_else_the_watch_is_kept() {
    let uses = [900.0, 300.0].map(|mean| BestUse {
        how: Use::AsIs,
        repairs: vec![],
        value: Shifted { lognormal_mean: mean, log_sd: 0.2, constant: 0.0 },
    });
    let prospects = Prospects { uses: uses.to_vec(), stories: vec![0.25, 0.75], noticed: vec![0.5, 0.5] };
    let terms = |honoured: [f64; 2]| Terms {
        buyer_fee_rate: 0.0,
        shipping: 15.0,
        import_rate: 0.0,
        fixed_costs: 0.0,
        return_cost: 25.0,
        honoured: std::array::from_fn(|h| honoured.get(h).copied().unwrap_or(0.0)),
        required_margin: 0.0,
    };
    let price = 500.0;
    let keep = 0.25 * 900.0 + 0.75 * 300.0 - 515.0;
    near(prospects.expected_value() - terms([0.0; 2]).landed_cost(price), keep, 1e-9, "keep");
    let (chance, net) = prospects.sending_back(&terms([0.0; 2]), price);
    near(chance, 0.0, 1e-12, "nobody honours it");
    near(net, keep, 1e-9, "then it is kept");
    let (chance, net) = prospects.sending_back(&terms([1.0; 2]), price);
    near(chance, 1.0, 1e-12, "always honoured");
    near(net, -(515.0 - 500.0 + 25.0), 1e-9, "then only shipping both ways is lost");
    let (chance, net) = prospects.sending_back(&terms([0.0, 1.0]), price);
    near(chance, 0.75, 1e-12, "honoured in the second story");
    near(net, 0.25 * (900.0 - 515.0) + 0.75 * -40.0, 1e-9, "a mixture");
}

//! Calls become likelihoods; what cannot be seen proves nothing.

use crate::common::{Dice, EXACT, all_near, cases, look, near, posterior, read, some_stories};
use proptest::prelude::*;
use steelyard_model::observe::{Basis, Call, Evidence, Fault, Likelihood, Observation, Photo, RADIUM_UNTIL, Watch};
use steelyard_model::pack::{Index, Pack};
use steelyard_model::posterior::{Plan, alone_db};
use steelyard_model::shares::shares;

/// One rounding or two of a sum of products of rates.
const ROUNDING: f64 = 1e-14;

fn one(sign: Index, call: Call, basis: Basis) -> Observation {
    Observation { sign, call, basis }
}

fn photo(px_per_mm: Option<f64>, sharpness: f64) -> Basis {
    Basis::Photo(Photo { view: None, px_per_mm, sharpness })
}

fn sign(pack: &Pack, id: &str) -> Index {
    pack.sign(id).unwrap_or_else(|| panic!("no sign `{id}`"))
}

proptest! {
    #![proptest_config(cases(64))]

    #[test]
    fn rates_mix_resolved_and_blind(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = Pack::builtin();
        let j = dice.whole(0, pack.signs().len() - 1);
        let (sign, reading) = (&pack.signs()[j], pack.signs()[j].reading);
        let (px, sharpness, c) = (dice.between(0.0, 40.0), dice.between(0.2, 1.0), dice.between(0.5, 1.0));
        let by_photo = match sign.feature_mm {
            Some(mm) => {
                let x = mm * px * sharpness / 2.0 / reading.n50_cycles;
                let odds = x.powf(2.7 + 0.7 * x);
                odds / (1.0 + odds)
            }
            None => 1.0,
        };
        let bases = [(photo(Some(px), sharpness), by_photo), (photo(None, sharpness), 1.0), (Basis::InHand, 1.0),
            (Basis::Unstated, 1.0)];
        for (basis, d) in bases {
            let se = d * reading.a + (1.0 - d) * reading.g;
            let fa = d * reading.b + (1.0 - d) * reading.g;
            let present = read(&pack, &[one(j, Call::Present, basis)]).calls()[0];
            let absent = read(&pack, &[one(j, Call::Absent, basis)]).calls()[0];
            near(present.if_present, se, EXACT, "P(call present | present)");
            near(present.if_absent, fa, EXACT, "P(call present | absent)");
            near(absent.if_present, 1.0 - se, EXACT, "P(call absent | present)");
            near(absent.if_absent, 1.0 - fa, EXACT, "P(call absent | absent)");
            near(present.resolvable.expect("a resolvability"), d, EXACT, "D");
            let state = dice.uniform();
            near(present.at(state), se * state + fa * (1.0 - state), EXACT, "lambda");
        }
        let certain = read(&pack, &[one(j, Call::Present, Basis::Certainty(c))]).calls()[0];
        prop_assert_eq!((certain.if_present, certain.if_absent, certain.resolvable), (c, 1.0 - c, None));
        let sharp = Likelihood::sharp(&pack, j, Call::Absent);
        prop_assert_eq!(sharp, read(&pack, &[one(j, Call::Absent, Basis::InHand)]).calls()[0]);
    }

    #[test]
    fn no_pixels_change_nothing(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = Pack::builtin();
        let seen = look(dice, &pack, 0.15);
        let stories = some_stories(dice, &pack);
        let before = posterior(&pack, &stories, &read(&pack, &seen));
        let free = |j: &Index| {
            let s = &pack.signs()[*j];
            s.feature_mm.is_some() && !seen.iter().any(|o| o.sign == *j || s.excludes.contains(&o.sign))
        };
        let more: Vec<Index> = (0..pack.signs().len()).filter(free).collect();
        let j = dice.one_of(&more);
        let call = dice.one_of(&[Call::Present, Call::Absent]);
        let after = |px: f64| {
            let with = [seen.clone(), vec![one(j, call, photo(Some(px), 1.0))]].concat();
            let evidence = read(&pack, &with);
            let plan = Plan::compile(&pack, evidence.calls().iter().map(|c| c.sign));
            let mut scratch = plan.scratch();
            let found = posterior(&pack, &stories, &evidence);
            plan.evaluate(&mut scratch, &evidence);
            let alone = alone_db(&plan.differentiate(&mut scratch), &evidence, &found);
            let share = shares(&plan, &mut scratch, &stories, &evidence, &found).calls;
            (found, alone[seen.len()], share[seen.len()])
        };
        let (blind, alone, share) = after(0.0);
        all_near(&blind.stories, &before.stories, EXACT, "stories with a call on no pixels");
        near(alone, 0.0, EXACT, "alone");
        near(share, 0.0, EXACT, "share of a call nobody could resolve");
        // Towards no pixels the weight vanishes like a power above two.
        let (near_blind, ..) = after(1e-4);
        all_near(&near_blind.stories, &before.stories, 1e-6, "stories with a call on next to no pixels");
    }
}

#[test]
fn resolution_takes_weight_from_both_calls_alike() {
    let pack = Pack::builtin();
    let j = sign(&pack, "dial_paint_over_edges");
    let weight = |call, px| {
        let call = read(&pack, &[one(j, call, photo(Some(px), 1.0))]).calls()[0];
        (call.if_present / call.if_absent).ln().abs()
    };
    for call in [Call::Present, Call::Absent] {
        let weights: Vec<f64> = [1.0, 5.0, 10.0, 15.0, 25.0, 60.0].map(|px| weight(call, px)).into();
        assert!(weights.windows(2).all(|w| w[0] < w[1]), "{call:?}: {weights:?}");
    }
}

#[test]
fn a_question_is_answered_once() {
    let pack = Pack::builtin();
    let (soft, crisp, crown) =
        (sign(&pack, "dial_print_soft"), sign(&pack, "dial_print_crisp"), sign(&pack, "crown_unsigned"));
    let faults = |signs: &[Index]| {
        let seen: Vec<Observation> = signs.iter().map(|j| one(*j, Call::Present, Basis::InHand)).collect();
        Evidence::read(&pack, &Watch::unknown(&pack), &seen).expect_err("a fault")
    };
    let twice = faults(&[crown, soft, crown]);
    assert_eq!(twice, [(2, Fault::Duplicate { sign: "crown_unsigned".into(), first: 0 })]);
    for (first, second) in [(soft, crisp), (crisp, soft)] {
        let (id, other) = (pack.signs()[second].id.clone(), pack.signs()[first].id.clone());
        assert_eq!(faults(&[crown, first, second]), [(2, Fault::Excluded { sign: id, other, first: 1 })]);
    }
}

#[test]
fn a_trait_stated_false_makes_the_call_an_error() {
    let pack = Pack::builtin();
    let seen = [one(sign(&pack, "lume_glows_long"), Call::Present, Basis::InHand)];
    let mut watch = Watch::unknown(&pack);
    let luminous = pack.luminous().expect("the trait");
    for (stated, fine) in [(None, true), (Some(true), true), (Some(false), false)] {
        watch.traits[luminous] = stated;
        assert_eq!(Evidence::read(&pack, &watch, &seen).is_ok(), fine, "{stated:?}");
    }
    let faults = Evidence::read(&pack, &watch, &seen).expect_err("a fault");
    assert!(faults[0].1.to_string().contains("luminous"), "{faults:?}");
}

#[test]
fn a_watch_to_keep_shut_is_not_blamed_for_staying_shut() {
    let pack = Pack::builtin();
    let luminous = pack.luminous().expect("the trait");
    let mut watch = Watch::unknown(&pack);
    let shut = |watch: &Watch, id: &str| {
        let seen = [one(sign(&pack, id), Call::Present, Basis::InHand)];
        let call = Evidence::read(&pack, watch, &seen).expect("no fault").calls()[0];
        (call.if_present, call.if_absent) == (1.0, 1.0)
    };
    let years = [None, Some(RADIUM_UNTIL - 1), Some(RADIUM_UNTIL)];
    for (glows, silent) in [(None, [false; 3]), (Some(false), [false; 3]), (Some(true), [true, true, false])] {
        for (year, silent) in years.iter().zip(silent) {
            watch.traits[luminous] = glows;
            watch.first_year = *year;
            for id in ["listing_no_inside_photo", "seller_avoids_photo"] {
                assert_eq!(shut(&watch, id), silent, "{id} luminous {glows:?} from {year:?}");
            }
            assert!(!shut(&watch, "listing_photos_borrowed"));
        }
    }
}

#[test]
fn certainty_one_half_says_nothing() {
    let pack = Pack::builtin();
    let stories = some_stories(&mut Dice::new(5), &pack);
    let none = posterior(&pack, &stories, &read(&pack, &[]));
    for j in 0..pack.signs().len() {
        let seen = [one(j, Call::Present, Basis::Certainty(0.5))];
        let found = posterior(&pack, &stories, &read(&pack, &seen));
        all_near(&found.stories, &none.stories, ROUNDING, &pack.signs()[j].id);
    }
}

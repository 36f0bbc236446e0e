//! How sure: gradients against finite differences, the delta method against its own formula.

use crate::common::near;
use std::sync::Arc;
use steelyard_model::interval::{delta, gradient, sampled, variance};
use steelyard_model::observe::{Basis, Call, Evidence, Observation, Watch};
use steelyard_model::pack::data::ModelData;
use steelyard_model::pack::{Index, Pack};
use steelyard_model::posterior::{Plan, Posterior, Stories};

/// Central differences with this step are good to about its square.
const STEP: f64 = 1e-5;
/// Between the backward pass and central differences.
const DIFFERENCE: f64 = 1e-6;

/// Calls on one component, on two, on the story and on lume, whose table has a parent.
const CALLS: [(&str, Call); 7] = [
    ("dial_print_soft", Call::Present),
    ("movement_calibre_wrong", Call::Present),
    ("back_reference_not_this_watch", Call::Absent),
    ("hands_style_clash", Call::Present),
    ("lume_glows_long", Call::Absent),
    ("listing_photos_borrowed", Call::Absent),
    ("crown_unsigned", Call::Present),
];

fn evidence(pack: &Pack) -> Evidence {
    let seen = CALLS.map(|(id, call)| Observation { sign: pack.sign(id).expect(id), call, basis: Basis::InHand });
    Evidence::read(pack, &Watch::unknown(pack), &seen).expect("evidence")
}

fn log_odds(data: ModelData) -> f64 {
    let pack = Arc::new(Pack::from_data(data).expect("a pack"));
    let evidence = evidence(&pack);
    let plan = Plan::compile(&pack, evidence.calls().iter().map(|c| c.sign));
    let stories = Stories::from_prior(&pack.prior(0, 0.25));
    let ln = plan.evaluate(&mut plan.scratch(), &evidence);
    Posterior::new(&pack, &stories, &ln).expect("posterior").raw_log_odds
}

/// (f(+STEP) − f(−STEP)) / 2·STEP of the log-odds under a change of the model's numbers.
fn slope(change: impl Fn(&mut ModelData, f64)) -> f64 {
    let at = |step: f64| {
        let mut data = Pack::builtin().data().clone();
        change(&mut data, step);
        log_odds(data)
    };
    (at(STEP) - at(-STEP)) / (2.0 * STEP)
}

#[test]
fn gradients_equal_finite_differences() {
    let pack = Pack::builtin();
    let evidence = evidence(&pack);
    let plan = Plan::compile(&pack, evidence.calls().iter().map(|c| c.sign));
    let mut scratch = plan.scratch();
    let stories = Stories::from_prior(&pack.prior(0, 0.25));
    let ln = plan.evaluate(&mut scratch, &evidence);
    let posterior = Posterior::new(&pack, &stories, &ln).expect("posterior");
    let found = gradient(&plan, &mut scratch, &evidence, &posterior);

    for (k, c) in pack.data().components.iter().enumerate() {
        let states = c.states.len();
        for row in 0..c.mean.len() / states {
            // Rows add up to one: what one state gains the largest one loses.
            let flat: Vec<f64> = c.mean.iter().copied().collect();
            let of_row = &flat[row * states..][..states];
            let most = (0..states).max_by(|a, b| of_row[*a].total_cmp(&of_row[*b])).expect("a state");
            for s in (0..states).filter(|s| *s != most && of_row[*s] > 10.0 * STEP) {
                let wanted = slope(|data, step| {
                    let table = data.components[k].mean.as_slice_mut().expect("contiguous");
                    table[row * states + s] += step;
                    table[row * states + most] -= step;
                });
                let ours = found.components[k][row * states + s] - found.components[k][row * states + most];
                near(ours, wanted, DIFFERENCE * wanted.abs().max(1.0), &format!("{} row {row} state {s}", c.id));
            }
        }
    }
    for (call, slopes) in evidence.calls().iter().zip(&found.calls) {
        for (cell, ours) in slopes.iter().enumerate() {
            let wanted = slope(|data, step| {
                data.signs[call.sign].present.mean.as_slice_mut().expect("contiguous")[cell] += step;
            });
            near(
                *ours,
                wanted,
                DIFFERENCE * wanted.abs().max(1.0),
                &format!("{} cell {cell}", pack.signs()[call.sign].id),
            );
        }
    }
}

#[test]
fn numbers_worth_more_cases_leave_a_narrower_interval() {
    let width = |times: f64| {
        let mut data = Pack::builtin().data().clone();
        data.components.iter_mut().for_each(|c| c.strength.mapv_inplace(|s| s * times));
        data.signs.iter_mut().for_each(|s| s.present.strength.mapv_inplace(|n| n * times));
        let pack = Arc::new(Pack::from_data(data).expect("a pack"));
        let evidence = evidence(&pack);
        let plan = Plan::compile(&pack, evidence.calls().iter().map(|c| c.sign));
        let mut scratch = plan.scratch();
        let stories = Stories::from_prior(&pack.prior(0, 0.25));
        let ln = plan.evaluate(&mut scratch, &evidence);
        let posterior = Posterior::new(&pack, &stories, &ln).expect("posterior");
        let slopes = gradient(&plan, &mut scratch, &evidence, &posterior);
        let [low, high] = delta(&plan, &mut scratch, &evidence, &posterior);
        assert!(low < posterior.bad() && posterior.bad() < high);
        let by_draws = sampled(&plan, &stories, &evidence, 4000, 7);
        (variance(&plan, &slopes, &evidence), high - low, by_draws[1] - by_draws[0])
    };
    let (once, many) = (width(1.0), width(400.0));
    assert!(many.0 < once.0 / 300.0, "variance falls as one over the strength: {} {}", once.0, many.0);
    assert!(many.1 < once.1 / 5.0 && many.2 < once.2 / 5.0, "{once:?} {many:?}");
    // With strong numbers the delta method is exact to first order: 4,000 draws agree to a few percent.
    assert!((many.1 / many.2 - 1.0).abs() < 0.08, "{} against {} by draws", many.1, many.2);
}

#[test]
fn an_unread_sign_adds_no_doubt() {
    let pack = Pack::builtin();
    let sign: Index = pack.sign("dial_print_soft").expect("a sign");
    let with = |call: Option<Observation>| {
        let seen: Vec<Observation> = call.into_iter().collect();
        let evidence = Evidence::read(&pack, &Watch::unknown(&pack), &seen).expect("evidence");
        let plan = Plan::compile(&pack, []);
        let mut scratch = plan.scratch();
        let ln = plan.evaluate(&mut scratch, &evidence);
        let posterior = Posterior::new(&pack, &Stories::from_prior(&pack.prior(0, 0.25)), &ln).expect("posterior");
        let slopes = gradient(&plan, &mut scratch, &evidence, &posterior);
        variance(&plan, &slopes, &evidence)
    };
    assert!(with(None) < 1e-8, "nothing seen: the tables do not matter");
    let even = Observation { sign, call: Call::Present, basis: Basis::Certainty(0.5) };
    assert!(with(Some(even)) < 1e-8, "a call worth nothing");
    let plain = Observation { sign, call: Call::Present, basis: Basis::InHand };
    assert!(with(Some(plain)) > 1e-4);
}

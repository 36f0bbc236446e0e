//! Expected counts are slopes of ln P(e), and cases are what the evidence is worth.

use crate::common::near;
use std::sync::Arc;
use steelyard_model::contraction::MAX_LANES;
use steelyard_model::counts::{Cells, Counts, Rows, Tally};
use steelyard_model::observe::{Basis, Call, Evidence, Finding, Likelihood, Observation, Photo, Watch};
use steelyard_model::pack::data::ModelData;
use steelyard_model::pack::{Index, Pack};
use steelyard_model::posterior::Plan;

/// Central differences with this step are good to about its square.
const STEP: f64 = 1e-5;
const DIFFERENCE: f64 = 1e-6;

/// On one component, on two, on the story, on lume (whose table has a parent); one judged in hand
/// after its call, one found without a call.
const CALLS: [(&str, Call); 6] = [
    ("dial_print_soft", Call::Present),
    ("movement_calibre_wrong", Call::Present),
    ("hands_style_clash", Call::Absent),
    ("lume_spills_over", Call::Present),
    ("listing_photos_borrowed", Call::Absent),
    ("crown_unsigned", Call::Present),
];

fn evidence(pack: &Pack) -> Evidence {
    let photo = Photo { view: None, px_per_mm: Some(20.0), sharpness: 1.0 };
    let see = |(id, call)| Observation { sign: pack.sign(id).expect(id), call, basis: Basis::Photo(photo) };
    let read = Evidence::read(pack, &Watch::unknown(pack), &CALLS.map(see)).expect("evidence");
    let found = |id: &str, if_present, if_absent| Finding { sign: pack.sign(id).expect(id), if_present, if_absent };
    read.settled(&[found("crown_unsigned", 0.9, 0.2), found("back_marks_hand_cut", 1.0, 0.0)])
}

fn opened(pack: &Pack) -> Vec<(Index, Index)> {
    let donor = pack.data().states.iter().position(|s| s.id == "donor").expect("a state");
    vec![(pack.component("movement").expect("a component"), donor)]
}

/// ln Σ_h P(h) P(e | h) under a prior that does not depend on the changed numbers, and its counts.
fn run(data: &ModelData) -> (f64, Counts) {
    let pack = Arc::new(Pack::from_data(data.clone()).expect("a pack"));
    let evidence = evidence(&pack);
    let plan = Plan::compile(&pack, evidence.calls().iter().map(|c| c.sign));
    let mut scratch = plan.scratch();
    let ln = plan.evaluate_found(&mut scratch, &evidence, &opened(&pack));
    let joint: Vec<f64> = ln.iter().zip(pack.prior(0, 0.25)).map(|(ln, p)| p * ln.exp()).collect();
    let total: f64 = joint.iter().sum();
    let mut posterior = [0.0; MAX_LANES];
    posterior.iter_mut().zip(joint).for_each(|(to, p)| *to = p / total);
    let mut counts = Counts::new(&pack);
    counts.add(&plan.differentiate(&mut scratch), &evidence, &opened(&pack), &posterior);
    (total.ln(), counts)
}

fn slope(change: impl Fn(&mut ModelData, f64)) -> f64 {
    let at = |step: f64| {
        let mut data = Pack::builtin().data().clone();
        change(&mut data, step);
        run(&data).0
    };
    (at(STEP) - at(-STEP)) / (2.0 * STEP)
}

#[test]
fn expected_counts_are_slopes_of_the_likelihood() {
    let pack = Pack::builtin();
    let (_, counts) = run(pack.data());
    let mut checked = 0;
    for call in evidence(&pack).calls() {
        let cells = &counts.signs[call.sign];
        for (at, p) in pack.signs()[call.sign].present.iter().enumerate().filter(|(_, p)| **p > 10.0 * STEP) {
            let ours = cells.present[at] / p - cells.absent[at] / (1.0 - p);
            let wanted = slope(|data, step| {
                data.signs[call.sign].present.mean.as_slice_mut().expect("contiguous")[at] += step;
            });
            near(
                ours,
                wanted,
                DIFFERENCE * wanted.abs().max(1.0),
                &format!("{} cell {at}", pack.signs()[call.sign].id),
            );
            checked += 1;
        }
    }
    // Rows add up to one: what one state gains another loses.
    for (k, c) in pack.components().iter().enumerate() {
        let table: Vec<f64> = c.table.iter().copied().collect();
        for row in 0..table.len() / c.states {
            let (one, two) = (row * c.states, row * c.states + 1);
            if counts.components[k].row(row).iter().sum::<f64>() == 0.0 || table[one].min(table[two]) < 10.0 * STEP {
                continue;
            }
            let ours = counts.components[k].counts[one] / table[one] - counts.components[k].counts[two] / table[two];
            let wanted = slope(|data, step| {
                let table = data.components[k].mean.as_slice_mut().expect("contiguous");
                table[one] += step;
                table[two] -= step;
            });
            near(ours, wanted, DIFFERENCE * wanted.abs().max(1.0), &format!("{} row {row}", c.id));
            checked += 1;
        }
    }
    for (class, reading) in pack.data().readings.iter().map(|(class, r)| (class.clone(), *r)) {
        let at = pack.data().readings.keys().position(|k| *k == class).expect("a class");
        type Rate = fn(&mut steelyard_model::pack::data::Reading) -> &mut f64;
        let rates: [(&Cells, f64, Rate); 2] =
            [(&counts.a, reading.a, |r| &mut r.a), (&counts.b, reading.b, |r| &mut r.b)];
        for (cells, p, rate) in rates {
            let ours = cells.present[at] / p - cells.absent[at] / (1.0 - p);
            let wanted = slope(|data, step| *rate(data.readings.get_mut(&class).expect("a class")) += step);
            near(ours, wanted, DIFFERENCE * wanted.abs().max(1.0), &format!("reading {class}"));
            checked += 1;
        }
    }
    eprintln!("{checked} slopes");
    assert!(checked > 200);
}

#[test]
fn a_listing_counts_once_in_every_table_it_tells_of_and_not_in_others() {
    let (_, counts) = run(Pack::builtin().data());
    let pack = Pack::builtin();
    for (c, rows) in pack.components().iter().zip(&counts.components) {
        let total: f64 = rows.counts.iter().sum();
        let told = ["dial", "hands", "case", "movement", "crown", "lume", "case_back"].contains(&c.id.as_str());
        near(total, if told { 1.0 } else { 0.0 }, 1e-12, &c.id);
    }
}

fn told(present: f64, absent: f64, p: f64) -> Tally {
    Tally { cell: 0, present, absent, p }
}

#[test]
fn known_cases_are_worth_their_number_and_guessed_ones_less() {
    let mut known = Cells::new(1, true);
    (0..3).for_each(|_| known.add(&[told(1.0, 0.0, 0.3)]));
    (0..7).for_each(|_| known.add(&[told(0.0, 1.0, 0.3)]));
    near(known.cases(&[0.3], &[5.0])[0], 10.0, 1e-12, "known");
    let mut guessed = Cells::new(1, true);
    (0..3).for_each(|_| guessed.add(&[told(0.8, 0.2, 0.3)]));
    (0..7).for_each(|_| guessed.add(&[told(0.1, 0.9, 0.3)]));
    let cases = guessed.cases(&[0.3], &[5.0])[0];
    assert!(cases > 1.0 && cases < 7.0);
    // A case that leaves the odds as they were says nothing.
    let mut nothing = Cells::new(1, true);
    nothing.add(&[told(0.3, 0.7, 0.3)]);
    near(nothing.cases(&[0.3], &[5.0])[0], 0.0, 1e-12, "nothing");

    let shares = [0.5, 0.3, 0.2];
    let mut known = Rows::new(3, 1, true);
    for (state, n) in [5, 3, 2].into_iter().enumerate() {
        let mut expected = [0.0; 3];
        expected[state] = 1.0;
        (0..n).for_each(|_| known.add(&expected, &shares));
    }
    near(known.cases(&shares, &[8.0])[0], 10.0, 1e-12, "known rows");
    let mut nothing = Rows::new(3, 1, true);
    nothing.add(&shares, &shares);
    near(nothing.cases(&shares, &[8.0])[0], 0.0, 1e-12, "nothing of a row");
}

/// A mixture of two binomials of which only the sum is seen: whatever the number of calls, what is
/// learned of each of the two is a fraction of a case, since one may be high where the other is low.
#[test]
fn calls_that_tell_one_sum_do_not_tell_its_parts() {
    let (p, weight) = ([0.4, 0.4], [0.5, 0.5]);
    let mut cells = Cells::new(2, true);
    for call in 0..1000 {
        let yes = f64::from(u8::from(call % 5 < 2));
        let part =
            |cell: usize| Tally { cell, present: weight[cell] * yes, absent: weight[cell] * (1.0 - yes), p: p[cell] };
        cells.add(&[part(0), part(1)]);
    }
    // By hand: in units of p(1-p) the information is m·I + (n/4)·[1 1; 1 1], of which the inverse's
    // diagonal is (m + n/4)/(m² + m·n/2).
    let (m, n) = (10.0, 1000.0);
    let by_hand = (m * m + m * n / 2.0) / (m + n / 4.0) - m;
    for cases in cells.cases(&p, &[m, m]) {
        near(cases, by_hand, 1e-9, "cases");
        assert!(cases < 10.0);
    }
    let mut alike = Rows::new(2, 2, true);
    for call in 0..1000 {
        let yes = f64::from(u8::from(call % 5 < 2));
        alike.add(&[0.5 * yes, 0.5 * (1.0 - yes), 0.5 * yes, 0.5 * (1.0 - yes)], &[0.4, 0.6, 0.4, 0.6]);
    }
    for cases in alike.cases(&[0.4, 0.6, 0.4, 0.6], &[m, m]) {
        near(cases, by_hand, 1e-9, "cases of rows");
    }
}

#[test]
fn evidence_reread_by_the_same_rates_is_the_same() {
    let pack = Pack::builtin();
    let read = {
        let photo = Photo { view: None, px_per_mm: Some(9.0), sharpness: 0.7 };
        let sign = |id: &str| pack.sign(id).expect(id);
        let seen = [
            Observation { sign: sign("dial_print_soft"), call: Call::Absent, basis: Basis::Photo(photo) },
            Observation { sign: sign("crown_unsigned"), call: Call::Present, basis: Basis::Certainty(0.7) },
            Observation { sign: sign("seller_avoids_photo"), call: Call::Present, basis: Basis::Unstated },
        ];
        let mut watch = Watch::unknown(&pack);
        watch.traits[pack.luminous().expect("a trait")] = Some(true);
        Evidence::read(&pack, &watch, &seen).expect("evidence")
    };
    assert!(read.calls()[2].is_neutral());
    let fact = Likelihood::derived(&pack, pack.sign("dial_minute_dots_gone").expect("a sign"), Call::Present);
    let read = read.with([fact]);
    assert_eq!(read.reread(&pack), read);

    let mut data = pack.data().clone();
    data.readings.values_mut().for_each(|r| r.a -= 0.1);
    let again = read.reread(&Pack::from_data(data).expect("a pack"));
    assert!(again.calls()[0].if_present > read.calls()[0].if_present);
    assert_eq!(again.calls()[1..3], read.calls()[1..3]);
    let plain = pack.data().readings["plain"];
    assert_eq!((read.calls()[3].if_present, again.calls()[3].if_present), (plain.a, plain.a - 0.1));
}

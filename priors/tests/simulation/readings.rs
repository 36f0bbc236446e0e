//! Calls judged in hand teach how well somebody reads photos, whichever watches were opened.

use crate::common::{Market, case, fitted, judged, outcome, predicted};
use std::sync::Arc;
use steelyard_model::observe::{Call, Likelihood};
use steelyard_model::pack::Pack;
use steelyard_priors::fit::Case;

/// How near the rates must come: the pack is off by 0.15 and 0.12, and some hundred judged calls of a
/// class leave a standard error of about 0.02.
const NEAR: f64 = 0.04;

#[test]
fn calls_judged_in_hand_teach_the_reading_rates() {
    let pack = Pack::builtin();
    // A reader who misses more and imagines more than the pack supposes.
    let mut data = pack.data().clone();
    for (class, a, b) in [("medium", 0.65, 0.2), ("easy", 0.8, 0.1)] {
        let reading = data.readings.get_mut(class).expect(class);
        (reading.a, reading.b) = (a, b);
    }
    let reader = Arc::new(Pack::from_data(data).expect("a pack"));
    let drawn = Market::new(&reader, 31).listings(1_500);
    let cases: Vec<Case> = drawn.iter().map(case).collect();
    let looks = predicted(&pack, &cases);
    let with = |buys: &dyn Fn(usize) -> bool| -> Vec<Case> {
        let opened = |(i, (case, (_, listing))): (usize, (&Case, &(u64, _)))| {
            let mut told = outcome(&pack, listing, true);
            told.signs = judged(listing);
            Case { outcome: buys(i).then_some(told), ..case.clone() }
        };
        cases.iter().zip(&drawn).enumerate().map(opened).collect()
    };
    let at_random = with(&|i| i % 3 == 0);
    let what_looks_good = with(&|i| looks[i].value() < -2.0);
    for (which, cases) in [("at random", at_random), ("what looks good", what_looks_good)] {
        let bought = cases.iter().filter(|c| c.outcome.is_some()).count();
        let (found, _) = fitted(&pack, &cases);
        eprintln!("bought {which}: {bought} of {}", cases.len());
        eprintln!("  class      pack         found        truth        judged calls alone");
        for (class, truth) in &reader.data().readings {
            let (old, new) = (&pack.data().readings[class], &found.data().readings[class]);
            let [a, b] = [true, false].map(|there| judged_calls_alone(&pack, &cases, class, there));
            eprintln!(
                "  {class:7}  {:.3} {:.3}  {:.3} {:.3}  {:.3} {:.3}  {a:.3} {b:.3}",
                old.a, old.b, new.a, new.b, truth.a, truth.b
            );
            assert!((new.a - truth.a).abs() < NEAR && (new.b - truth.b).abs() < NEAR, "{which}: {class}");
        }
    }
}

/// How often a sharp call on a sign that was there (or not) said so, among those judged in hand.
fn judged_calls_alone(pack: &Pack, cases: &[Case], class: &str, there: bool) -> f64 {
    let (mut called, mut all) = (0.0, 0.0);
    for case in cases {
        for found in case.outcome.iter().flat_map(|o| &o.signs).filter(|f| (f.if_present == 1.0) == there) {
            let sign = &pack.data().signs[found.sign];
            let sharp = |c: &&Likelihood| c.sign == found.sign && c.resolvable.is_some_and(|d| d > 0.95);
            if sign.reading != class || sign.reading_override.is_some() {
                continue;
            }
            if let Some(call) = case.evidence.calls().iter().find(sharp).filter(|c| !c.is_neutral()) {
                all += 1.0;
                called += f64::from(u8::from(call.call == Call::Present));
            }
        }
    }
    called / all
}

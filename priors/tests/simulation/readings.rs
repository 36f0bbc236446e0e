//! Calls judged in hand teach how well somebody reads photos, whichever watches were opened.

use crate::common::{Market, case, fitted, judged, outcome, predicted};
use std::sync::Arc;
use steelyard_model::pack::Pack;
use steelyard_priors::fit::Case;

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
        for (class, truth) in &reader.data().readings {
            let (old, new) = (&pack.data().readings[class], &found.data().readings[class]);
            eprintln!(
                "  {class:7} a {:.3} → {:.3} ({:.3})   b {:.3} → {:.3} ({:.3})   {:?}",
                old.a, new.a, truth.a, old.b, new.b, truth.b, new.strength
            );
        }
    }
}

//! A calibration as a whole: what it promises of itself.

use crate::common::{Market, case, judged, outcome, predicted};
use std::collections::BTreeSet;
use std::ops::ControlFlow;
use std::sync::Arc;
use steelyard_model::observe::{Basis, Call, Evidence, Finding, Observation, Watch};
use steelyard_model::pack::{On, Pack};
use steelyard_model::sample::world;
use steelyard_priors::fit::{
    Calibration, Case, FitError, Options, Outcome, Progress, Sellers, Settings, Stated, calibrate, fit, log_odds,
};
use steelyard_priors::seller::{
    self, Evidence as SellerEvidence, Feedback, FeedbackFigures, FeedbackModel, Prior, SellerPosterior,
};

/// Rounding of a sum of thousands of logarithms, relative.
const ROUNDING: f64 = 1e-9;

/// All kinds of evidence: no outcome, doubtful ones, opened watches, calls judged with and without doubt.
fn mixed(pack: &Arc<Pack>, seed: u64, count: usize) -> Vec<Case> {
    let world = Arc::new(world(pack, seed).expect("a world"));
    let told = |(i, drawn): (usize, &(u64, _))| {
        let mut told = outcome(pack, &drawn.1, i % 6 == 1);
        match i % 6 {
            0 => told.certainty = 0.8,
            1 => told.signs = judged(&drawn.1),
            2 => {
                let doubtful = |f: Finding| Finding {
                    if_present: 0.1 + 0.8 * f.if_present,
                    if_absent: 0.1 + 0.8 * f.if_absent,
                    ..f
                };
                told.signs = judged(&drawn.1).into_iter().map(doubtful).collect();
            }
            _ => {}
        }
        Case { outcome: (i % 6 < 4).then_some(told), ..case(drawn) }
    };
    Market::new(&world, 50 + seed).listings(count).iter().enumerate().map(told).collect()
}

#[test]
fn the_penalised_likelihood_never_falls() {
    let pack = Pack::builtin();
    for seed in 1..=3 {
        let settings = Settings { tolerance: 1e-7, most_iterations: 300 };
        let fitted = fit(&pack, &mixed(&pack, seed, 300), &Sellers::new(), &settings, |_| ControlFlow::Continue(()))
            .expect("a fit");
        let gains = fitted.objective.windows(2).map(|w| w[1] - w[0]);
        let least = gains.clone().fold(f64::INFINITY, f64::min);
        let (first, last) = (fitted.objective[0], fitted.objective[fitted.objective.len() - 1]);
        eprintln!("{} iterations: {first:.3} → {last:.3}, least gain {least:.1e}", fitted.objective.len() - 1);
        assert!(fitted.objective.len() > 10 && last > first + 10.0);
        assert!(gains.zip(&fitted.objective).all(|(gain, at)| gain >= -ROUNDING * at.abs()));
    }
}

#[test]
fn complete_data_give_the_conjugate_answer() {
    // Every watch known for certain, and its signs of conduct judged in hand.
    let pack = Pack::builtin();
    let conduct: Vec<usize> = (0..pack.signs().len()).filter(|j| matches!(pack.signs()[*j].on, On::Story)).collect();
    let drawn = Market::new(&pack, 60).listings(200);
    let cases: Vec<Case> = drawn
        .iter()
        .map(|drawn| {
            let truth = |j: &usize| drawn.1.signs[*j].map(|there| Finding::certain(*j, there));
            let mut told = outcome(&pack, &drawn.1, false);
            told.signs = conduct.iter().filter_map(truth).collect();
            Case { evidence: Evidence::default(), ln_price: [0.0; 8], outcome: Some(told), ..case(drawn) }
        })
        .collect();
    let found =
        fit(&pack, &cases, &Sellers::new(), &Settings::default(), |_| ControlFlow::Continue(())).expect("a fit").data;
    for &j in &conduct {
        let (before, after) = (&pack.data().signs[j].present, &found.signs[j].present);
        for (story, (mean, strength)) in before.mean.iter().zip(&before.strength).enumerate() {
            let seen: Vec<bool> = drawn.iter().filter(|d| d.1.story == story).filter_map(|d| d.1.signs[j]).collect();
            let (yes, n) = (seen.iter().filter(|there| **there).count() as f64, seen.len() as f64);
            assert!((after.mean[story] - (strength * mean + yes) / (strength + n)).abs() < 1e-12);
            assert!((after.strength[story] - (strength + n)).abs() < 1e-9);
        }
    }
    for (g, (before, after)) in pack.data().segments.iter().zip(&found.segments).enumerate() {
        let of =
            |id: &str| drawn.iter().filter(|d| d.1.segment == g && pack.story(id) == Some(d.1.story)).count() as f64;
        let total: f64 = before.bad.keys().map(|id| of(id)).sum();
        let (old, new) = (before.strength.expect("held"), after.strength.expect("held"));
        for (id, mean) in &before.bad {
            assert!((after.bad[id] - (old.bad * mean + of(id)) / (old.bad + total)).abs() < 1e-12);
        }
        assert!((new.bad - old.bad - total).abs() < 1e-9);
    }
    assert!(found.components == pack.data().components && found.digest.is_empty());
}

/// One sign of conduct in each of a thousand listings of which nothing is known tells one number, the
/// share that has it: not one in each of five stories, each as well as if it were known by itself.
#[test]
fn what_only_a_sum_was_seen_of_is_hardly_known_by_its_parts() {
    let pack = Pack::builtin();
    let sign = pack.sign("listing_superlatives").expect("a sign");
    assert!(matches!(pack.signs()[sign].on, On::Story));
    let seen = |there| {
        let call = if there { Call::Present } else { Call::Absent };
        let seen = [Observation { sign, call, basis: Basis::InHand }];
        Evidence::read(&pack, &Watch::unknown(&pack), &seen).expect("evidence")
    };
    // Of one segment: each has its own shares of the stories, and so tells another sum.
    let mut drawn = Market::of_one_each(&pack, 61).listings(1000 * pack.data().segments.len());
    drawn.retain(|d| d.1.segment == 0);
    let cases: Vec<Case> = drawn
        .iter()
        .filter_map(|drawn| Some(Case { evidence: seen(drawn.1.signs[sign]?), ln_price: [0.0; 8], ..case(drawn) }))
        .collect();
    assert!(cases.len() > 900);
    let found =
        fit(&pack, &cases, &Sellers::new(), &Settings::default(), |_| ControlFlow::Continue(())).expect("a fit").data;
    let (before, after) = (&pack.data().signs[sign].present, &found.signs[sign].present);
    let gained: Vec<f64> = after.strength.iter().zip(&before.strength).map(|(after, before)| after - before).collect();
    eprintln!("{} calls, worth {gained:.1?} known cases", cases.len());
    // The information of n calls on p = Σ πₕ pₕ is n/(p(1-p)) along π; by the matrix inversion lemma.
    let (total, strength) = (cases.len() as f64, before.strength[0]);
    let of = &found.segments[0];
    let rate = of.a / (of.a + of.b);
    let share = |id: &str| rate * of.bad.get(id).unwrap_or(&0.0) + (1.0 - rate) * of.sound.get(id).unwrap_or(&0.0);
    let shares: Vec<f64> = found.stories.iter().map(|s| share(&s.id)).collect();
    let p: Vec<f64> = after.mean.iter().copied().collect();
    let all: f64 = shares.iter().zip(&p).map(|(w, p)| w * p).sum();
    let along: Vec<f64> = shares.iter().zip(&p).map(|(w, p)| w * (p * (1.0 - p)).sqrt()).collect();
    let (n, length) = (total / (all * (1.0 - all)), along.iter().map(|u| u * u).sum::<f64>());
    for (h, gained) in gained.iter().enumerate() {
        let left = (1.0 - n * along[h] * along[h] / (strength + n * length)) / strength;
        let by_hand = 1.0 / left - strength;
        assert!((gained - by_hand).abs() < 0.05 * by_hand, "story {h}: {gained} against {by_hand}");
    }
}

#[test]
fn what_is_stated_of_a_seller_counts_as_in_an_answer() {
    let pack = Pack::builtin();
    let drawn = Market::new(&pack, 61).listings(120);
    let cases: Vec<Case> = drawn.iter().map(case).collect();
    let of = |cases: &[Case], sellers: &Sellers| log_odds(&pack, cases, sellers).expect("log-odds");
    let key = |c: &Case| (c.segment, c.seller);
    let totals = seller::Outcomes::new(6, 9).expect("a part");
    let ratings = Feedback::new(30, 400).expect("a part");
    let sellers: Sellers =
        cases.iter().map(|c| (key(c), Stated { outcomes: totals, feedback: Some(ratings) })).collect();
    let f = &pack.data().feedback;
    let means = FeedbackModel::new(FeedbackFigures {
        baseline: f.baseline,
        complains: f.complains,
        concerned: f.concerned,
        power: f.power,
        most_cases: f.most_cases,
    });
    let known = SellerEvidence {
        outcomes: totals,
        feedback: Some((means.expect("a model"), ratings)),
        ..SellerEvidence::default()
    };
    for case in &cases {
        // One listing of a seller, weighed by what is known of the seller.
        let segment = &pack.data().segments[case.segment];
        let prior = Prior::new(segment.a, segment.b).expect("a prior");
        let alone = std::slice::from_ref(case);
        let (without, with) = (of(alone, &Sellers::new())[0], of(alone, &sellers)[0]);
        let odds = |mean: f64, complement: f64| (mean / complement).ln();
        let seller = SellerPosterior::new(prior, &known).expect("a posterior");
        let moved = odds(seller.mean(), seller.mean_complement()) - odds(prior.mean(), prior.mean_complement());
        assert!(moved > 0.3 && (with - without - moved).abs() < 1e-9, "{without} {with} {moved}");
    }

    // Totals say of a segment what as many watches found out say of which nothing was seen.
    let settings = Settings { tolerance: 1e-9, most_iterations: 300 };
    let figures = |cases: &[Case], sellers: &Sellers| {
        let found = fit(&pack, cases, sellers, &settings, |_| ControlFlow::Continue(())).expect("a fit").data;
        found.segments.iter().map(|s| [s.a, s.b]).collect::<Vec<_>>()
    };
    let blank = |bad: bool| {
        let story = pack.bad().iter().position(|b| *b == bad).expect("a story");
        let told = Outcome { story, certainty: 1.0, components: Vec::new(), signs: Vec::new() };
        Case { evidence: Evidence::default(), ln_price: [0.0; 8], outcome: Some(told), ..cases[0].clone() }
    };
    let unseen = |c: &Case| Case { evidence: Evidence::default(), ln_price: [0.0; 8], ..c.clone() };
    let listings: Vec<Case> = cases.iter().map(unseen).collect();
    let keys: BTreeSet<(usize, u64)> = cases.iter().map(key).collect();
    let told = keys.iter().flat_map(|k| {
        let of_one = (0..9).map(|i| blank(i < 6));
        of_one.map(|case| Case { segment: k.0, seller: k.1, ..case }).collect::<Vec<_>>()
    });
    let as_cases: Vec<Case> = listings.iter().cloned().chain(told).collect();
    let as_totals: Sellers = keys.iter().map(|k| (*k, Stated { outcomes: totals, feedback: None })).collect();
    for (one, other) in figures(&listings, &as_totals).iter().zip(figures(&as_cases, &Sellers::new())) {
        assert!(one.iter().zip(other).all(|(x, y)| (x / y - 1.0).abs() < 1e-3), "{one:?} {other:?}");
    }
}

fn options() -> Options {
    Options { version: "1.0+ours".into(), seed: 7, folds: 5, settings: Settings::default() }
}

fn calibrated(pack: &Arc<Pack>, cases: &[Case]) -> Calibration {
    calibrate(pack, cases, &Sellers::new(), &options(), |_| ControlFlow::Continue(())).expect("a calibration")
}

#[test]
fn a_calibration_improves_scores_out_of_fold_and_makes_a_pack() {
    let pack = Pack::builtin();
    let cases = mixed(&pack, 9, 900);
    let found = calibrated(&pack, &cases);
    let report = &found.report;
    let scores = report.scores.as_ref().expect("scores");
    let (before, after) = (&scores.before, &scores.after);
    eprintln!(
        "log score {:.4} → {:.4}, Brier {:.4} → {:.4}",
        before.log.score, after.log.score, before.brier.score, after.brier.score
    );
    eprintln!("recalibration {:?}", report.recalibration.as_ref().map(|r| (r.fitted, r.before, r.after)));
    assert_eq!((report.n, report.n_outcomes, report.enough, report.needed), (900, 600, true, 0));
    // Those of certainty 0.8 are not scored.
    assert_eq!((report.n_certain, before.cases, after.cases), (450, 450, 450));
    assert!(after.log.score < before.log.score && after.brier.score < before.brier.score);
    let gain = scores.gain;
    eprintln!("gain {:.4}, standard error {:.4}", gain.mean, gain.standard_error.expect("many sellers"));
    assert!((gain.mean - (before.log.score - after.log.score)).abs() < 1e-12 && gain.is_beyond_chance());

    let made = Arc::new(Pack::from_data(found.data.clone()).expect("a pack"));
    assert!(made.data().calibrated && made.data().version == "1.0+ours");
    assert_ne!(made.digest(), pack.digest());
    for sign in &report.signs {
        let at = pack.sign(&sign.sign).expect("a sign");
        let whole: f64 = sign.cells.iter().map(|c| c.cases).sum();
        assert!(whole <= (sign.calls + sign.verified) as f64 + 1e-9, "{}", sign.sign);
        assert_eq!(sign.cells.len(), pack.signs()[at].present.len());
        for (cell, p) in sign.cells.iter().zip(&made.signs()[at].present) {
            assert_eq!(cell.after, *p);
            assert!(cell.cases >= 0.0 && (sign.calls > 0 || cell.before == cell.after || cell.cases == 0.0));
        }
    }
    for segment in &report.segments {
        let (old, new) = (segment.before.strength.expect("held"), segment.after.strength.expect("held"));
        assert!(new.rate > old.rate && new.sound > old.sound && new.spread_log_sd < old.spread_log_sd);
        assert!(segment.cases <= segment.listings as f64);
    }
    assert!(report.readings.iter().all(|r| r.verified > 0 && r.before != r.after));
    assert_eq!(predicted(&made, &cases).len(), cases.len());
}

#[test]
fn the_same_seed_gives_the_same_calibration() {
    let pack = Pack::builtin();
    let cases = mixed(&pack, 10, 150);
    let (one, two) = (calibrated(&pack, &cases), calibrated(&pack, &cases));
    assert!(one.data == two.data && one.report == two.report);
}

#[test]
fn a_calibration_can_be_watched_and_stopped() {
    let pack = Pack::builtin();
    let cases = mixed(&pack, 11, 60);
    let mut seen: Vec<Progress> = Vec::new();
    let stopped = calibrate(&pack, &cases, &Sellers::new(), &options(), |progress| {
        seen.push(progress);
        if progress.fit == 2 { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    });
    assert!(matches!(stopped, Err(FitError::Cancelled)));
    assert!(seen.iter().all(|p| p.fits == 6) && seen.last().is_some_and(|p| p.fit == 2 && p.iteration == 0));
}

#[test]
fn without_outcomes_or_listings_nothing_moves_much_and_nothing_fails() {
    let pack = Pack::builtin();
    let none = calibrated(&pack, &[]);
    assert_eq!((none.report.n, none.report.needed, none.report.enough), (0, 30, false));
    assert!(none.report.scores.is_none() && none.report.recalibration.is_none());
    assert!(none.data.signs == pack.data().signs && none.data.components == pack.data().components);
    let unbought: Vec<Case> = mixed(&pack, 12, 60).into_iter().map(|c| Case { outcome: None, ..c }).collect();
    let found = calibrated(&pack, &unbought);
    assert!(found.report.scores.is_none() && !found.report.enough);
    assert!(found.data.readings == pack.data().readings);
}

#[test]
fn a_case_that_does_not_fit_the_pack_is_named() {
    let pack = Pack::builtin();
    let cases = mixed(&pack, 13, 4);
    let refused = |change: &dyn Fn(&mut Case)| {
        let mut cases = cases.clone();
        change(&mut cases[3]);
        let refused = fit(&pack, &cases, &Sellers::new(), &Settings::default(), |_| ControlFlow::Continue(()))
            .expect_err("a fault");
        refused.to_string()
    };
    let outcome = || outcome(&pack, &Market::new(&pack, 1).listings(1)[0].1, true);
    assert_eq!(refused(&|c| c.segment = 7), "case 3: there is no segment 7");
    assert_eq!(refused(&|c| c.ln_price[2] = f64::NAN), "case 3: the price's likelihood is not finite");
    let with = |change: &dyn Fn(&mut steelyard_priors::fit::Outcome)| {
        refused(&|c| {
            let mut told = outcome();
            change(&mut told);
            c.outcome = Some(told);
        })
    };
    assert_eq!(with(&|o| o.story = 5), "case 3: there is no story 5");
    assert_eq!(with(&|o| o.certainty = 1.5), "case 3: certainty 1.5 is no probability");
    let metal = pack.metal().expect("a metal");
    assert_eq!(
        with(&|o| o.components = vec![(metal, 1)]),
        format!("case 3: component {metal} is never in public state 1")
    );
    assert_eq!(
        with(&|o| o.signs = vec![Finding { sign: 2, if_present: 0.0, if_absent: 0.0 }]),
        "case 3: the finding on sign 2 is no likelihood"
    );
    let contradiction = |o: &mut steelyard_priors::fit::Outcome| {
        o.signs = vec![Finding::certain(2, true), Finding::certain(2, false)];
    };
    assert_eq!(with(&contradiction), "case 3 has probability zero under the model");
}

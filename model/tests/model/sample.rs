//! Sampled listings have the frequencies that the model states, and worlds its uncertainty.

use std::sync::Arc;
use steelyard_model::observe::{Call, rates};
use steelyard_model::pack::{On, Pack};
use steelyard_model::sample::{Listing, Policy, Sampler, world};

/// A frequency may miss its probability by this many standard errors: over about a thousand
/// frequencies the largest miss of a right sampler exceeds 5 about once in two thousand seeds.
const ERRORS: f64 = 5.0;
/// Frequencies of fewer expected cases are far from normal.
const LEAST: f64 = 10.0;

fn policy(pack: &Pack) -> Policy {
    let (views, traits) = (pack.data().views.len(), pack.data().traits.len());
    Policy { shown: vec![0.6; views], called: 0.7, px_per_mm: [4.0, 60.0], traits: vec![0.5; traits], priced: 0.5 }
}

fn listings(pack: &Arc<Pack>, count: usize, seed: u64) -> Vec<Listing> {
    let mut sampler = Sampler::new(pack, policy(pack), seed);
    (0..count)
        .map(|i| {
            let seller = sampler.seller(i % pack.data().segments.len());
            sampler.listing(&seller)
        })
        .collect()
}

/// How many standard errors a frequency is off, if it can be told.
fn miss(hits: f64, n: f64, p: f64) -> Option<f64> {
    (n * p.min(1.0 - p) >= LEAST).then(|| (hits - n * p).abs() / (n * p * (1.0 - p)).sqrt())
}

#[test]
fn frequencies_are_the_models_own() {
    let pack = Pack::builtin();
    let drawn = listings(&pack, 40_000, 11);
    let (mut checked, mut worst) = (0, (0.0, String::new()));
    let mut check = |hits: usize, n: usize, p: f64, what: String| {
        if let Some(off) = miss(hits as f64, n as f64, p) {
            checked += 1;
            if off > worst.0 {
                worst = (off, what);
            }
        }
    };
    for (g, segment) in pack.data().segments.iter().enumerate() {
        let of: Vec<&Listing> = drawn.iter().filter(|l| l.segment == g).collect();
        let mean = segment.a / (segment.a + segment.b);
        for (h, p) in pack.prior(g, mean).iter().enumerate() {
            check(of.iter().filter(|l| l.story == h).count(), of.len(), *p, format!("{} story {h}", segment.id));
        }
    }
    for (k, c) in pack.components().iter().enumerate() {
        for (row, p) in c.table.rows().into_iter().enumerate() {
            let of = |l: &&Listing| match c.parent {
                None => l.story == row,
                Some(up) => row == l.story * pack.components()[up].states + l.states[up],
            };
            let of: Vec<&Listing> = drawn.iter().filter(of).collect();
            for (s, p) in p.iter().enumerate() {
                let hits = of.iter().filter(|l| l.states[k] == s).count();
                check(hits, of.len(), *p, format!("{} row {row} state {s}", c.id));
            }
        }
    }
    for (j, sign) in pack.signs().iter().enumerate() {
        let cell = |l: &Listing| match sign.on {
            On::Story => l.story,
            On::One(k) => l.states[k],
            On::Two(one, two) => l.states[one] * pack.components()[two].states + l.states[two],
        };
        for (at, p) in sign.present.iter().enumerate() {
            let of: Vec<bool> = drawn.iter().filter(|l| cell(l) == at).filter_map(|l| l.signs[j]).collect();
            check(of.iter().filter(|there| **there).count(), of.len(), *p, format!("{} cell {at}", sign.id));
        }
        // Calls, by their summed probability: the photos differ.
        for there in [true, false] {
            let (mut hits, mut mean, mut variance) = (0.0, 0.0, 0.0_f64);
            let calls = drawn.iter().filter(|l| l.signs[j] == Some(there));
            for call in calls.flat_map(|l| l.evidence.calls().iter().filter(|c| c.sign == j)) {
                let (se, fa) = rates(&sign.reading, call.resolvable.expect("from a photo"));
                let p = if there { se } else { fa };
                hits += f64::from(u8::from(call.call == Call::Present));
                mean += p;
                variance += p * (1.0 - p);
            }
            if variance >= LEAST {
                assert!((hits - mean).abs() < ERRORS * variance.sqrt(), "calls on {} ({there})", sign.id);
            }
        }
    }
    eprintln!("{checked} frequencies, worst {:.2} standard errors at {}", worst.0, worst.1);
    assert!(checked > 500);
    assert!(worst.0 < ERRORS, "{}", worst.1);
}

#[test]
fn worlds_scatter_about_the_pack_as_its_strengths_say() {
    let pack = Pack::builtin();
    let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for seed in 0..20 {
        let drawn = world(&pack, seed).expect("a world");
        let mut add = |p: f64, mean: f64, strength: f64| {
            let z = (p - mean) / (mean * (1.0 - mean) / (strength + 1.0)).sqrt();
            n += 1.0;
            sum += z;
            squares += z * z;
        };
        for (c, from) in drawn.data().components.iter().zip(&pack.data().components) {
            for ((row, mean), strength) in c.mean.rows().into_iter().zip(from.mean.rows()).zip(&from.strength) {
                row.iter().zip(mean).for_each(|(p, mean)| add(*p, *mean, *strength));
            }
        }
        for (sign, from) in drawn.data().signs.iter().zip(&pack.data().signs) {
            let cells = sign.present.mean.iter().zip(&from.present.mean).zip(&from.present.strength);
            cells.for_each(|((p, mean), strength)| add(*p, *mean, *strength));
        }
    }
    eprintln!("{n} numbers: mean z {:.4}, mean z² {:.4}", sum / n, squares / n);
    // Standardised, mean 0 and variance 1; z² itself is heavy-tailed, so its mean is less exact.
    assert!((sum / n).abs() < 0.03 && (squares / n - 1.0).abs() < 0.1);
}

#[test]
fn every_listing_can_be_read_and_only_what_applies_is_called() {
    let pack = Pack::builtin();
    for listing in listings(&pack, 2_000, 5) {
        assert_eq!(listing.evidence.calls().len(), listing.observations.len());
        for o in &listing.observations {
            assert!(listing.signs[o.sign].is_some());
            assert!(pack.signs()[o.sign].excludes.iter().all(|x| !listing.evidence.has(*x)));
        }
        assert_eq!(listing.price_ratio.is_none(), listing.ln_price == [0.0; 8]);
    }
}

//! The numbers that a fit moves: penalty, update, and the strength that the evidence adds.
//!
//! ```text
//! p  ←  (strength·mean + expected count) / (strength + total)
//! penalty = Σ strength·[mean·ln p + (1−mean)·ln(1−p)]  +  Σ_rows strength·Σ_k mean_k·ln p_k
//! ```

use super::segment::{Hyperprior, Survey};
use crate::Beta;
use std::collections::BTreeMap;
use steelyard_model::counts::{Counts, Rows};
use steelyard_model::pack::Pack;
use steelyard_model::pack::data::{ModelData, ReadingStrength, SegmentStrength};

/// Expected cases of all numbers, and what the sellers say of the segments.
#[derive(Debug, Clone)]
pub(super) struct Expected {
    pub(super) counts: Counts,
    /// Per segment: expected cases per story; one row for bad ones, one for sound ones.
    pub(super) splits: Vec<Rows>,
    pub(super) surveys: Vec<Survey>,
}

/// Which reading classes have calls that were verified in hand.
pub(super) type Verified = Vec<bool>;

impl Expected {
    pub(super) fn new(pack: &Pack) -> Self {
        Self {
            counts: Counts::new(pack),
            splits: pack.data().segments.iter().map(|_| Rows::new(pack.stories(), 2)).collect(),
            surveys: Vec::new(),
        }
    }
}

fn beta_penalty(strength: f64, mean: f64, p: f64) -> f64 {
    strength * (mean * p.ln() + (1.0 - mean) * (1.0 - p).ln())
}

/// ln of the prior density of `now` around `base`, up to a constant.
pub(super) fn penalty(
    base: &ModelData,
    now: &ModelData,
    hyperpriors: &[Option<Hyperprior>],
    verified: &Verified,
) -> f64 {
    let mut sum = 0.0;
    for (b, n) in base.components.iter().zip(&now.components) {
        for ((mean, row), strength) in b.mean.rows().into_iter().zip(n.mean.rows()).zip(&b.strength) {
            sum += strength * mean.iter().zip(row).map(|(mean, p)| mean * p.ln()).sum::<f64>();
        }
    }
    for (b, n) in base.signs.iter().zip(&now.signs) {
        for ((mean, p), strength) in b.present.mean.iter().zip(&n.present.mean).zip(&b.present.strength) {
            sum += beta_penalty(*strength, *mean, *p);
        }
    }
    for ((b, n), hyperprior) in base.segments.iter().zip(&now.segments).zip(hyperpriors) {
        if let Some(strength) = b.strength {
            for (of, mean, p) in [(strength.bad, &b.bad, &n.bad), (strength.sound, &b.sound, &n.sound)] {
                sum += of * mean.iter().map(|(story, mean)| mean * p[story].ln()).sum::<f64>();
            }
        }
        if let (Some(h), Ok(at)) = (hyperprior, Beta::new(n.a, n.b)) {
            sum += h.ln_density(at);
        }
    }
    for (class, (b, n)) in base.readings.values().zip(now.readings.values()).enumerate() {
        if let Some(strength) = b.strength.filter(|_| verified[class]) {
            sum += beta_penalty(strength.a, b.a, n.a) + beta_penalty(strength.b, b.b, n.b);
        }
    }
    sum
}

/// The M-step: every number at the maximum of its expected likelihood times its prior.
pub(super) fn update(base: &ModelData, now: &mut ModelData, expected: &Expected, verified: &Verified) {
    // What nothing was seen of stays to the last digit.
    let cell = |strength: f64, mean: f64, yes: f64, no: f64| match yes + no {
        0.0 => mean,
        n => (strength * mean + yes) / (strength + n),
    };
    for ((b, n), rows) in base.components.iter().zip(&mut now.components).zip(&expected.counts.components) {
        let means = b.mean.rows().into_iter().zip(&b.strength);
        for (r, (mut row, (mean, strength))) in n.mean.rows_mut().into_iter().zip(means).enumerate() {
            let counts = rows.row(r);
            let total: f64 = counts.iter().sum();
            for ((p, mean), count) in row.iter_mut().zip(mean).zip(counts) {
                *p = cell(*strength, *mean, *count, total - count);
            }
        }
    }
    for ((b, n), cells) in base.signs.iter().zip(&mut now.signs).zip(&expected.counts.signs) {
        let means = b.present.mean.iter().zip(&b.present.strength);
        for (at, (p, (mean, strength))) in n.present.mean.iter_mut().zip(means).enumerate() {
            *p = cell(*strength, *mean, cells.present[at], cells.absent[at]);
        }
    }
    for (g, (b, n)) in base.segments.iter().zip(&mut now.segments).enumerate() {
        if let Some(strength) = b.strength {
            let rows = &expected.splits[g];
            move_split(&base.stories, &b.bad, strength.bad, rows.row(0), &mut n.bad);
            move_split(&base.stories, &b.sound, strength.sound, rows.row(1), &mut n.sound);
            (n.a, n.b) = (expected.surveys[g].prior.a(), expected.surveys[g].prior.b());
        }
    }
    let (a, b) = (&expected.counts.a, &expected.counts.b);
    for (class, (from, to)) in base.readings.values().zip(now.readings.values_mut()).enumerate() {
        if let Some(strength) = from.strength.filter(|_| verified[class]) {
            let moved_a = cell(strength.a, from.a, a.present[class], a.absent[class]);
            let moved_b = cell(strength.b, from.b, b.present[class], b.absent[class]);
            // Calls that mean their opposite are no reading at all: then the rates stay.
            if moved_a > moved_b {
                (to.a, to.b) = (moved_a, moved_b);
            }
        }
    }
}

fn move_split(
    stories: &[steelyard_model::pack::data::Story],
    mean: &BTreeMap<String, f64>,
    strength: f64,
    counts: &[f64],
    to: &mut BTreeMap<String, f64>,
) {
    let total: f64 = counts.iter().sum();
    for (story, count) in stories.iter().zip(counts) {
        if let (Some(p), Some(mean)) = (to.get_mut(&story.id), mean.get(&story.id)) {
            *p = (strength * mean + count) / (strength + total);
        }
    }
}

/// Adds the evidence behind every number to its strength.
pub(super) fn strengthen(now: &mut ModelData, expected: &Expected, verified: &Verified) {
    for (c, rows) in now.components.iter_mut().zip(&expected.counts.components) {
        for (r, (strength, mean)) in c.strength.iter_mut().zip(c.mean.rows()).enumerate() {
            *strength += rows.cases(r, &mean.to_vec());
        }
    }
    for (s, cells) in now.signs.iter_mut().zip(&expected.counts.signs) {
        for (at, (strength, mean)) in s.present.strength.iter_mut().zip(&s.present.mean).enumerate() {
            *strength += cells.cases(at, *mean);
        }
    }
    for (g, segment) in now.segments.iter_mut().enumerate() {
        if let Some(old) = segment.strength {
            let shares = |of: &BTreeMap<String, f64>| -> Vec<f64> {
                // Stories of the other side have no cases; any share will do.
                now.stories.iter().map(|s| of.get(&s.id).copied().unwrap_or(1.0)).collect()
            };
            let (rows, survey) = (&expected.splits[g], &expected.surveys[g]);
            segment.strength = Some(SegmentStrength {
                rate: old.rate + survey.cases(),
                spread_log_sd: (old.spread_log_sd.powi(-2) + survey.spread_information()).powf(-0.5),
                bad: old.bad + rows.cases(0, &shares(&segment.bad)),
                sound: old.sound + rows.cases(1, &shares(&segment.sound)),
            });
        }
    }
    for (class, reading) in now.readings.values_mut().enumerate() {
        if let Some(old) = reading.strength.filter(|_| verified[class]) {
            reading.strength = Some(ReadingStrength {
                a: old.a + expected.counts.a.cases(class, reading.a),
                b: old.b + expected.counts.b.cases(class, reading.b),
            });
        }
    }
}

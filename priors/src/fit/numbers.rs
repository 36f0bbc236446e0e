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
use steelyard_model::pack::data::{ModelData, Reading, ReadingStrength, SegmentStrength};

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
    /// Whether it is also gathered how much the cases tell.
    pub(super) fn new(pack: &Pack, informed: bool) -> Self {
        Self {
            counts: if informed { Counts::informed(pack) } else { Counts::new(pack) },
            splits: pack.data().segments.iter().map(|_| Rows::new(pack.stories(), 2, informed)).collect(),
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

fn listed<'a>(numbers: impl IntoIterator<Item = &'a f64>) -> Vec<f64> {
    numbers.into_iter().copied().collect()
}

/// Adds the evidence behind every number to its strength.
pub(super) fn strengthen(now: &mut ModelData, expected: &Expected, verified: &Verified) {
    for (c, rows) in now.components.iter_mut().zip(&expected.counts.components) {
        let cases = rows.cases(&listed(&c.mean), &listed(&c.strength));
        c.strength.iter_mut().zip(cases).for_each(|(strength, n)| *strength += n);
    }
    for (s, cells) in now.signs.iter_mut().zip(&expected.counts.signs) {
        let cases = cells.cases(&listed(&s.present.mean), &listed(&s.present.strength));
        s.present.strength.iter_mut().zip(cases).for_each(|(strength, n)| *strength += n);
    }
    for (g, segment) in now.segments.iter_mut().enumerate() {
        if let Some(old) = segment.strength {
            // Stories of the other side have no share.
            let sides = [&segment.bad, &segment.sound];
            let shares = sides.iter().flat_map(|of| now.stories.iter().map(|s| of.get(&s.id).copied().unwrap_or(0.0)));
            let cases = expected.splits[g].cases(&shares.collect::<Vec<_>>(), &[old.bad, old.sound]);
            let survey = &expected.surveys[g];
            segment.strength = Some(SegmentStrength {
                rate: old.rate + survey.cases(),
                spread_log_sd: (old.spread_log_sd.powi(-2) + survey.spread_information()).powf(-0.5),
                bad: old.bad + cases[0],
                sound: old.sound + cases[1],
            });
        }
    }
    let rates = |of: fn(&Reading) -> f64, strength: fn(ReadingStrength) -> f64| -> (Vec<f64>, Vec<f64>) {
        now.readings.values().map(|r| (of(r), r.strength.map_or(1.0, strength))).unzip()
    };
    let (a, a_strengths) = rates(|r| r.a, |s| s.a);
    let (b, b_strengths) = rates(|r| r.b, |s| s.b);
    let a = expected.counts.a.cases(&a, &a_strengths);
    let b = expected.counts.b.cases(&b, &b_strengths);
    for (class, reading) in now.readings.values_mut().enumerate() {
        if let Some(old) = reading.strength.filter(|_| verified[class]) {
            reading.strength = Some(ReadingStrength { a: old.a + a[class], b: old.b + b[class] });
        }
    }
}

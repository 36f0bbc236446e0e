//! What a calibration rests on, how it forecasts, and which numbers it moved.
//!
//! All scores are of forecasts out of fold: by fits that had not seen the seller. A number's *cases*
//! are what the evidence adds to its strength: known cases that it is worth.

use super::{Case, FitError};
use crate::LogOdds;
use crate::recalibrate::Assessment;
use crate::score::gain::Gain;
use crate::score::isotonic::Block;
use crate::score::reliability::{Bin, Bound};
use crate::score::{Cllr, Decomposition, Forecasts, InTheLarge, Shared};
use std::collections::{BTreeMap, BTreeSet};
use steelyard_model::pack::data::{ModelData, Reading, Segment};
use steelyard_model::pack::{On, Pack};

/// Draws of the consistency band: its ends are then good to about a tenth of its width.
const RESAMPLES: usize = 1000;
/// Bins of the histogram of forecasts.
const BINS: usize = 10;

/// A calibration as it is told to the one who asked for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// Listings used.
    pub n: usize,
    /// How many of them have an outcome.
    pub n_outcomes: usize,
    /// How many of these are certain: the others teach, but are not scored.
    pub n_certain: usize,
    /// How many sellers the certain ones are of.
    pub certain_sellers: usize,
    /// Whether the certain ones are enough to judge the result by.
    pub enough: bool,
    /// How many certain outcomes are still needed for that.
    pub needed: usize,
    /// The scores before and after; `None` where nothing could be forecast out of fold.
    pub scores: Option<Scores>,
    /// The recalibration that was tried, and what it gained.
    pub recalibration: Option<Assessment>,
    /// Every sign.
    pub signs: Vec<SignChange>,
    /// Every kind of seller.
    pub segments: Vec<SegmentChange>,
    /// Every reading class.
    pub readings: Vec<ReadingChange>,
}

/// How good the forecasts of the old and the new numbers were, on the same cases.
#[derive(Debug, Clone, PartialEq)]
pub struct Scores {
    /// Of the pack as it was.
    pub before: Card,
    /// Of the new numbers.
    pub after: Card,
    /// What the new ones gain, with a seller's cases as one group.
    pub gain: Gain,
}

/// How good forecasts were.
#[derive(Debug, Clone, PartialEq)]
pub struct Card {
    /// Number of forecasts.
    pub cases: usize,
    /// How many of the watches were bad.
    pub bad: usize,
    /// How many sellers' watches they were. What one seller's watches turn out to be hangs together by
    /// the seller's rate of bad ones; `in_the_large` and `band` take that in.
    pub sellers: usize,
    /// Log score, nats, and its parts.
    pub log: Decomposition,
    /// Brier score and its parts.
    pub brier: Decomposition,
    /// `None` where all watches ended alike.
    pub cllr: Option<Cllr>,
    /// Area under the ROC curve; `None` where all watches ended alike.
    pub auc: Option<f64>,
    /// Mean forecast beside the rate.
    pub in_the_large: InTheLarge,
    /// The curve of the reliability diagram.
    pub curve: Vec<Block>,
    /// Where it would lie for calibrated forecasts.
    pub band: Vec<Bound>,
    /// How many forecasts there are of each size.
    pub histogram: Vec<Bin>,
}

/// One cell of a sign.
#[derive(Debug, Clone, PartialEq)]
pub struct CellChange {
    /// The states (or the story) it is for, in the order of what the sign is on.
    pub states: Vec<String>,
    /// P(sign | states) before.
    pub before: f64,
    /// P(sign | states) after.
    pub after: f64,
    /// Known cases that the evidence is worth.
    pub cases: f64,
}

/// A sign before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct SignChange {
    /// The sign.
    pub sign: String,
    /// Listings in which it was called.
    pub calls: usize,
    /// Listings in which it was judged in hand.
    pub verified: usize,
    /// Its cells, row-major.
    pub cells: Vec<CellChange>,
}

/// A kind of seller before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct SegmentChange {
    /// Sellers among the cases.
    pub sellers: usize,
    /// Listings among the cases.
    pub listings: usize,
    /// Outcomes among the cases.
    pub outcomes: usize,
    /// The figures before.
    pub before: Segment,
    /// The figures after.
    pub after: Segment,
    /// Known cases that the evidence on the mean rate is worth.
    pub cases: f64,
}

/// A reading class before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct ReadingChange {
    /// The class.
    pub class: String,
    /// Calls later judged in hand beyond doubt.
    pub verified: usize,
    /// The rates before.
    pub before: Reading,
    /// The rates after.
    pub after: Reading,
    /// Known cases that the evidence on `a` and on `b` is worth.
    pub cases: [f64; 2],
}

impl Card {
    /// The scores of forecasts of so many sellers' watches.
    ///
    /// # Errors
    /// If there are none, or one cannot be scored.
    pub fn new(forecasts: &[(LogOdds, bool)], shared: &[Shared], sellers: usize, seed: u64) -> Result<Self, FitError> {
        let f = Forecasts::together(forecasts, shared)?;
        Ok(Self {
            cases: f.cases(),
            bad: f.bad(),
            sellers,
            log: f.log(),
            brier: f.brier(),
            cllr: f.cllr(),
            auc: f.auc(),
            in_the_large: f.in_the_large(),
            curve: f.isotonic().to_vec(),
            band: f.band(RESAMPLES, seed)?,
            histogram: f.histogram(BINS)?,
        })
    }
}

/// The report on `after`, which came from `pack` by these cases.
pub(super) fn of(
    pack: &Pack,
    after: &ModelData,
    cases: &[Case],
    scores: Option<Scores>,
    recalibration: Option<Assessment>,
) -> Report {
    let n_outcomes = cases.iter().filter(|c| c.outcome.is_some()).count();
    let certain = || cases.iter().filter(|c| c.scorable().is_some());
    let n_certain = certain().count();
    let enough = pack.data().calibration.map_or(0, |c| c.enough_outcomes as usize);
    Report {
        n: cases.len(),
        n_outcomes,
        n_certain,
        certain_sellers: certain().map(|c| (c.segment, c.seller)).collect::<BTreeSet<_>>().len(),
        enough: n_certain >= enough,
        needed: enough.saturating_sub(n_certain),
        scores,
        recalibration,
        signs: signs(pack, after, cases),
        segments: segments(pack.data(), after, cases),
        readings: readings(pack.data(), after, cases),
    }
}

fn signs(pack: &Pack, after: &ModelData, cases: &[Case]) -> Vec<SignChange> {
    let (mut calls, mut verified) = (vec![0; pack.signs().len()], vec![0; pack.signs().len()]);
    for case in cases {
        case.evidence.calls().iter().for_each(|c| calls[c.sign] += 1);
        case.outcome.iter().flat_map(|o| &o.signs).for_each(|f| verified[f.sign] += 1);
    }
    let states = |k: usize| pack.data().components[k].states.iter().map(|s| s.id.clone()).collect::<Vec<_>>();
    let names = |on: On| -> Vec<Vec<String>> {
        match on {
            On::Story => pack.data().stories.iter().map(|s| vec![s.id.clone()]).collect(),
            On::One(k) => states(k).into_iter().map(|s| vec![s]).collect(),
            On::Two(one, two) => {
                let second = states(two);
                states(one).iter().flat_map(|s| second.iter().map(|t| vec![s.clone(), t.clone()])).collect()
            }
        }
    };
    pack.data()
        .signs
        .iter()
        .zip(&after.signs)
        .enumerate()
        .map(|(j, (old, new))| {
            let before = old.present.mean.iter().zip(&old.present.strength);
            let after = new.present.mean.iter().zip(&new.present.strength);
            let cells = names(pack.signs()[j].on).into_iter().zip(before.zip(after));
            let cells = cells.map(|(states, ((mean, held), (moved, now)))| CellChange {
                states,
                before: *mean,
                after: *moved,
                cases: now - held,
            });
            SignChange { sign: old.id.clone(), calls: calls[j], verified: verified[j], cells: cells.collect() }
        })
        .collect()
}

fn segments(before: &ModelData, after: &ModelData, cases: &[Case]) -> Vec<SegmentChange> {
    let change = |(g, (old, new)): (usize, (&Segment, &Segment))| {
        let of = || cases.iter().filter(move |c| c.segment == g);
        let strength = |s: &Segment| s.strength.map_or(0.0, |s| s.rate);
        SegmentChange {
            sellers: of().map(|c| c.seller).collect::<BTreeSet<_>>().len(),
            listings: of().count(),
            outcomes: of().filter(|c| c.outcome.is_some()).count(),
            before: old.clone(),
            after: new.clone(),
            cases: strength(new) - strength(old),
        }
    };
    before.segments.iter().zip(&after.segments).enumerate().map(change).collect()
}

fn readings(before: &ModelData, after: &ModelData, cases: &[Case]) -> Vec<ReadingChange> {
    let mut verified: BTreeMap<&str, usize> = BTreeMap::new();
    for case in cases {
        for sign in case.verified() {
            *verified.entry(&before.signs[sign].reading).or_default() += 1;
        }
    }
    let change = |((class, old), new): ((&String, &Reading), &Reading)| {
        let strength = |r: &Reading| r.strength.map_or([0.0; 2], |s| [s.a, s.b]);
        let ([a0, b0], [a1, b1]) = (strength(old), strength(new));
        ReadingChange {
            class: class.clone(),
            verified: verified.get(class.as_str()).copied().unwrap_or(0),
            before: *old,
            after: *new,
            cases: [a1 - a0, b1 - b0],
        }
    };
    before.readings.iter().zip(after.readings.values()).map(change).collect()
}

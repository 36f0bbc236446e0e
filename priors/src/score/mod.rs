//! How good were forecasts of yes or no, now that the outcomes are known?
//!
//! Forecasts p_i of outcomes y_i (1: bad), scored so that honesty pays best:
//!
//! ```text
//! log score      mean of −ln p(outcome), in nats
//! Brier score    mean of (p − y)²
//! Cllr           ½·[ mean over bad of log₂(1 + e^−ℓ) + mean over sound of log₂(1 + e^ℓ) ], in bits,
//!                ℓ = logit p − ln(bad/sound): 0 is perfect, 1 is knowing nothing
//! ```
//!
//! Each score is split by what is left after the best increasing recalibration of the forecasts, and
//! by what a constant forecast of the rate would have scored:
//!
//! ```text
//! score = miscalibration − discrimination + uncertainty
//! miscalibration = S(p) − S(recalibrated),  discrimination = S(rate) − S(recalibrated),  uncertainty = S(rate)
//! ```
//!
//! The recalibrated forecasts are the isotonic regression of outcomes on forecasts, by pooling adjacent
//! violators ([`isotonic`]); with them Cllr becomes Cllr_min. They have seen the outcomes, so with few
//! cases some miscalibration is found in calibrated forecasts too; the consistency band of the
//! reliability diagram ([`Forecasts::band`]) says how much.
//!
//! Outcomes of one seller's watches come from one rate that nobody knows: they hang together, and a
//! hundred watches of five sellers say less than a hundred of a hundred. Where it is said which cases
//! hang together and how ([`Forecasts::together`], [`Shared`]), the band and the standard error of the
//! rate take it in.
//!
//! References: T. Dimitriadis, T. Gneiting and A. I. Jordan, PNAS 118 (2021) e2016191118 (CORP);
//! N. Brümmer and J. du Preez, Computer Speech and Language 20 (2006) 230–275 (Cllr).
//!
//! ```
//! use steelyard_priors::LogOdds;
//! use steelyard_priors::score::Forecasts;
//!
//! let told = [(0.9, true), (0.6, false), (0.4, false), (0.2, true)];
//! let cases: Vec<_> = told.iter().map(|&(p, bad)| Ok((LogOdds::of(p)?, bad))).collect::<Result<_, _>>()?;
//! let brier = Forecasts::new(&cases)?.brier();
//! assert!((brier.score - 0.2925).abs() < 1e-12);
//! assert!((brier.uncertainty - 0.25).abs() < 1e-12);
//! assert!((brier.miscalibration - brier.discrimination + brier.uncertainty - brier.score).abs() < 1e-12);
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

pub mod gain;
pub mod isotonic;
pub mod reliability;

use crate::LogOdds;
use crate::error::Error;
use isotonic::Block;
use std::f64::consts::LN_2;

/// Largest log-odds of a forecast, either way: beyond any evidence, and its square is a number.
const LOG_ODDS_MAX: f64 = 1e6;

/// Forecasts with their outcomes, in order of the forecast.
#[derive(Debug, Clone, PartialEq)]
pub struct Forecasts {
    told: Vec<Tally>,
    curve: Vec<Block>,
    bad: usize,
    sound: usize,
    /// Cases that hang together.
    groups: Vec<Group>,
}

/// Cases whose outcomes hang together, such as watches of one seller: given what they share, each is bad
/// or not by itself.
#[derive(Debug, Clone, PartialEq)]
pub struct Shared {
    /// Positions of the cases among the forecasts.
    pub cases: Vec<usize>,
    /// At equally likely values of what they share, the log-odds of each. Those of a case are moved
    /// together until their mean probability is its forecast: how far apart they lie is what counts.
    pub log_odds: Vec<Vec<f64>>,
}

/// The same in the terms of the tallies.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Group {
    /// The tally of each case.
    pub(crate) tallies: Vec<usize>,
    /// At equally likely values of what they share, the probability of each.
    pub(crate) given: Vec<Vec<f64>>,
}

/// The cases that one and the same forecast was given for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Tally {
    pub(crate) forecast: LogOdds,
    pub(crate) bad: usize,
    pub(crate) sound: usize,
}

/// A mean score and its parts: score = miscalibration − discrimination + uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Decomposition {
    /// The mean score; lower is better.
    pub score: f64,
    /// What the best increasing recalibration would gain.
    pub miscalibration: f64,
    /// What the recalibrated forecasts gain over a constant one.
    pub discrimination: f64,
    /// The score of the constant forecast that gives every case the rate.
    pub uncertainty: f64,
}

/// The cost of forecasts as log likelihood ratios, in bits: what a user of any prior would lose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cllr {
    /// Of the forecasts as they are: 0 is perfect, 1 is knowing nothing.
    pub bits: f64,
    /// Of the forecasts after the best increasing recalibration: Cllr_min.
    pub least: f64,
}

/// Whether the forecasts are right on the whole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InTheLarge {
    /// Mean forecast.
    pub mean_forecast: f64,
    /// Rate of bad outcomes.
    pub rate: f64,
    /// Standard error of the rate if the forecasts are calibrated: √Σ p(1−p) / n, and more where cases
    /// hang together.
    pub standard_error: f64,
    /// (rate − mean forecast) / standard error; `None` where no forecast leaves room for chance.
    pub z: Option<f64>,
}

impl Forecasts {
    /// Forecasts and whether each watch was bad, in any order.
    ///
    /// # Errors
    /// If there are none, or one has log-odds that are not a number from −10⁶ to 10⁶: an outcome
    /// against a forecast of certainty has no finite log score.
    pub fn new(cases: &[(LogOdds, bool)]) -> Result<Self, Error> {
        if cases.is_empty() {
            return Err(Error::TooFew { name: "forecasts", given: 0, least: 1 });
        }
        let valid = |t: f64| (-LOG_ODDS_MAX..=LOG_ODDS_MAX).contains(&t);
        if let Some((index, (t, _))) = cases.iter().enumerate().find(|(_, (t, _))| !valid(t.value())) {
            return Err(Error::Forecast { index, value: t.value() });
        }
        let mut sorted = cases.to_vec();
        sorted.sort_unstable_by(|(a, _), (b, _)| a.value().total_cmp(&b.value()));
        let told: Vec<Tally> = sorted
            .chunk_by(|(a, _), (b, _)| a == b)
            .map(|same| {
                let bad = same.iter().filter(|(_, bad)| *bad).count();
                Tally { forecast: same[0].0, bad, sound: same.len() - bad }
            })
            .collect();
        let bad = told.iter().map(|t| t.bad).sum();
        let groups = Vec::new();
        Ok(Self { curve: isotonic::pooled(&told), told, bad, sound: cases.len() - bad, groups })
    }

    /// The same of cases some of which hang together; no case may be in two groups.
    ///
    /// # Errors
    /// As [`Self::new`]; or if a group names a case that there is not or one named before, or has not
    /// one finite number for each of its cases at every value.
    pub fn together(cases: &[(LogOdds, bool)], shared: &[Shared]) -> Result<Self, Error> {
        let mut all = Self::new(cases)?;
        let mut named = vec![false; cases.len()];
        for group in shared {
            let whole = group.log_odds.iter().all(|at| at.len() == group.cases.len());
            let finite = group.log_odds.iter().flatten().all(|t| t.is_finite());
            let known = group.cases.iter().all(|i| *i < cases.len() && !std::mem::replace(&mut named[*i], true));
            if !(whole && finite && known && !group.log_odds.is_empty()) {
                return Err(Error::Impossible("a group of cases"));
            }
            let mut given = vec![Vec::with_capacity(group.cases.len()); group.log_odds.len()];
            for (place, &i) in group.cases.iter().enumerate() {
                let at: Vec<f64> = group.log_odds.iter().map(|at| at[place]).collect();
                let moved = moved_to(cases[i].0, &at);
                given.iter_mut().zip(moved).for_each(|(to, p)| to.push(p));
            }
            let tally = |i: &usize| {
                let sought = cases[*i].0.value();
                all.told.partition_point(|t| t.forecast.value() < sought)
            };
            all.groups.push(Group { tallies: group.cases.iter().map(tally).collect(), given });
        }
        Ok(all)
    }

    /// Number of cases.
    #[must_use]
    pub fn cases(&self) -> usize {
        self.bad + self.sound
    }

    /// How many of them were bad.
    #[must_use]
    pub fn bad(&self) -> usize {
        self.bad
    }

    /// The log score in nats, and its parts.
    ///
    /// ```
    /// # use steelyard_priors::LogOdds;
    /// # use steelyard_priors::score::Forecasts;
    /// let blunder = Forecasts::new(&[(LogOdds::of(1e-300)?, true)])?;
    /// assert!((blunder.log().score / (300.0 * 10_f64.ln()) - 1.0).abs() < 1e-14);
    /// # Ok::<(), steelyard_priors::Error>(())
    /// ```
    #[must_use]
    pub fn log(&self) -> Decomposition {
        self.decomposed(|forecast, bad| -forecast.ln_likelihood(bad))
    }

    /// The Brier score, and its parts.
    #[must_use]
    pub fn brier(&self) -> Decomposition {
        self.decomposed(|forecast, bad| {
            let missed = if bad { forecast.complement() } else { forecast.probability() };
            missed * missed
        })
    }

    /// Cllr and Cllr_min, the rate of these cases taken out of the forecasts as their prior; `None`
    /// where all cases ended alike.
    #[must_use]
    pub fn cllr(&self) -> Option<Cllr> {
        let prior = self.rate().value();
        prior.is_finite().then(|| {
            let bits = |tallies: &[Tally]| {
                let (mut bad, mut sound) = (0.0, 0.0);
                for t in tallies {
                    let ratio = LogOdds::new(t.forecast.value() - prior);
                    bad -= times(t.bad, ratio.ln_probability());
                    sound -= times(t.sound, ratio.ln_complement());
                }
                (bad / self.bad as f64 + sound / self.sound as f64) / (2.0 * LN_2)
            };
            Cllr { bits: bits(&self.told), least: bits(&self.recalibrated()) }
        })
    }

    /// The chance that of a bad and a sound case, drawn at random, the bad one has the higher forecast
    /// (half for a tie): the area under the ROC curve. `None` where all cases ended alike.
    #[must_use]
    pub fn auc(&self) -> Option<f64> {
        let pairs = self.bad as f64 * self.sound as f64;
        let mut below = 0.0;
        let mut right = 0.0;
        for t in &self.told {
            right += t.bad as f64 * (below + 0.5 * t.sound as f64);
            below += t.sound as f64;
        }
        (pairs > 0.0).then(|| right / pairs)
    }

    /// The mean forecast beside the rate.
    #[must_use]
    pub fn in_the_large(&self) -> InTheLarge {
        let n = self.cases() as f64;
        let (mut forecast, mut excess, mut variance) = (0.0, 0.0, 0.0);
        for (t, alone) in self.told.iter().zip(self.alone()) {
            let (p, q) = (t.forecast.probability(), t.forecast.complement());
            let (bad, sound) = (t.bad as f64, t.sound as f64);
            forecast += (bad + sound) * p;
            excess += bad * q - sound * p;
            variance += alone as f64 * p * q;
        }
        for Group { given, .. } in &self.groups {
            let values = given.len() as f64;
            let sums: Vec<f64> = given.iter().map(|at| at.iter().sum()).collect();
            let mean = sums.iter().sum::<f64>() / values;
            let between: f64 = sums.iter().map(|s| (s - mean).powi(2)).sum();
            let within: f64 = given.iter().flatten().map(|p| p * (1.0 - p)).sum();
            variance += (between + within) / values;
        }
        InTheLarge {
            mean_forecast: forecast / n,
            rate: self.bad as f64 / n,
            standard_error: variance.sqrt() / n,
            z: (variance > 0.0).then(|| excess / variance.sqrt()),
        }
    }

    /// The isotonic regression of outcomes on forecasts, as coarse as it can be said: the curve of the
    /// reliability diagram, rising from block to block.
    #[must_use]
    pub fn isotonic(&self) -> &[Block] {
        &self.curve
    }

    /// The distinct forecasts, rising, with their outcomes.
    pub(crate) fn told(&self) -> &[Tally] {
        &self.told
    }

    /// Cases that hang together with others.
    pub(crate) fn groups(&self) -> &[Group] {
        &self.groups
    }

    /// Of every tally, how many cases hang together with no others.
    pub(crate) fn alone(&self) -> Vec<usize> {
        let mut alone: Vec<usize> = self.told.iter().map(|t| t.bad + t.sound).collect();
        self.groups.iter().flat_map(|g| &g.tallies).for_each(|t| alone[*t] -= 1);
        alone
    }

    fn rate(&self) -> LogOdds {
        odds(self.bad, self.sound)
    }

    fn recalibrated(&self) -> Vec<Tally> {
        let one = |b: &Block| {
            let sound = b.cases - b.bad;
            Tally { forecast: odds(b.bad, sound), bad: b.bad, sound }
        };
        self.curve.iter().map(one).collect()
    }

    fn decomposed(&self, loss: impl Fn(LogOdds, bool) -> f64) -> Decomposition {
        let mean = |tallies: &[Tally]| {
            let sum: f64 = tallies
                .iter()
                .map(|t| times(t.bad, loss(t.forecast, true)) + times(t.sound, loss(t.forecast, false)))
                .sum();
            sum / self.cases() as f64
        };
        let score = mean(&self.told);
        let recalibrated = mean(&self.recalibrated());
        let uncertainty = mean(&[Tally { forecast: self.rate(), bad: self.bad, sound: self.sound }]);
        // Neither part can be below 0, but its rounding can.
        Decomposition {
            score,
            miscalibration: (score - recalibrated).max(0.0),
            discrimination: (uncertainty - recalibrated).max(0.0),
            uncertainty,
        }
    }
}

/// Probabilities with these log-odds, all moved by the same until their mean is the forecast.
fn moved_to(forecast: LogOdds, log_odds: &[f64]) -> Vec<f64> {
    let at = |shift: f64| log_odds.iter().map(move |t| LogOdds::new(t + shift));
    // The rarer side of the mean, so that no digits are lost.
    let bad = forecast.value() < 0.0;
    let wanted = if bad { forecast.probability() } else { forecast.complement() };
    let mean = |shift: f64| {
        let sum: f64 = at(shift).map(|t| if bad { t.probability() } else { t.complement() }).sum();
        sum / log_odds.len() as f64
    };
    let (least, largest) =
        log_odds.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), t| (low.min(*t), high.max(*t)));
    let (mut low, mut high) = (forecast.value() - largest, forecast.value() - least);
    for _ in 0..64 {
        let half = f64::midpoint(low, high);
        if (mean(half) < wanted) == bad { low = half } else { high = half }
    }
    at(f64::midpoint(low, high)).map(LogOdds::probability).collect()
}

fn odds(bad: usize, sound: usize) -> LogOdds {
    LogOdds::new((bad as f64).ln() - (sound as f64).ln())
}

/// `count`·x, where no case costs nothing even if one would cost ∞.
fn times(count: usize, x: f64) -> f64 {
    if count == 0 { 0.0 } else { count as f64 * x }
}

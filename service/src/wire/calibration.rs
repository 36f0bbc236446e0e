//! Calibrations and versions of the model, as they go over the wire.

use crate::picture::{Bin, Bound, Reliability, Step};
use serde::{Deserialize, Serialize};
use steelyard_model::pack::data::{Reading, Segment};
use steelyard_priors::fit::report::{self, Card, Report};
use steelyard_priors::score::gain::Gain;
use utoipa::ToSchema;

/// How to calibrate.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CalibrationBody {
    /// Seed of the folds and of the consistency band; 1 where it is left out. The same seed and data
    /// give the same model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 9_007_199_254_740_991_u64)]
    pub seed: Option<u64>,
    /// Number of folds for the out-of-fold scores; 5 where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 2, maximum = 20)]
    pub folds: Option<u32>,
    /// Use listings of which nothing was found out as well; true where it is left out. Purchases
    /// alone are biased: what is bought looked good.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub include_unbought: Option<bool>,
}

/// A calibration and how far it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CalibrationPage {
    /// Its name.
    pub id: String,
    /// How far it is.
    pub state: JobState,
    /// Share of the work done.
    #[schema(minimum = 0, maximum = 1)]
    pub progress: f64,
    /// When it was asked for.
    #[schema(format = DateTime)]
    pub created_at: String,
    /// When it last moved.
    #[schema(format = DateTime)]
    pub updated_at: String,
    /// How it was asked for.
    pub params: CalibrationBody,
    /// What it found; null until it is done.
    #[schema(required)]
    pub report: Option<CalibrationReport>,
    /// The version of the model that it made; null until it is done. Nothing changes before
    /// `POST /v1/models/{version}/activate`.
    #[schema(required)]
    pub version: Option<String>,
    /// Why it failed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub failure: Option<String>,
}

/// How far a job is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum JobState {
    /// It waits.
    Queued,
    /// It runs.
    Running,
    /// It is done.
    Done,
    /// It failed.
    Failed,
    /// It was called off.
    Cancelled,
}

/// Calibrations, oldest first.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CalibrationsPage {
    /// The calibrations.
    pub items: Vec<CalibrationPage>,
    /// Where to go on; null at the end.
    #[schema(required)]
    pub next_cursor: Option<String>,
}

/// What a calibration rests on, how it forecasts, and which numbers it moved. All scores are out of
/// fold: of forecasts by fits that had not seen the seller.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CalibrationReport {
    /// Listings used.
    #[schema(minimum = 0)]
    pub n: usize,
    /// How many of them have an outcome.
    #[schema(minimum = 0)]
    pub n_outcomes: usize,
    /// How many of these are certain. The others teach, but no forecast can be held against them: they
    /// are not scored, and not counted in `enough` and `needed`.
    #[serde(default)]
    #[schema(minimum = 0)]
    pub n_certain: usize,
    /// How many sellers the certain ones are of.
    #[serde(default)]
    #[schema(minimum = 0)]
    pub certain_sellers: usize,
    /// Outcomes left out because their listing is not saved: what was seen of the watch is not known,
    /// and it was found out about for what was seen. A seller's page counts them still.
    #[serde(default)]
    #[schema(minimum = 0)]
    pub outcomes_without_listing: usize,
    /// Outcomes left out because their listing does not fit the model that the program began with.
    #[serde(default)]
    #[schema(minimum = 0)]
    pub outcomes_unfit: usize,
    /// Whether these are enough to conclude anything.
    pub enough: bool,
    /// How many certain outcomes are still needed for that.
    #[schema(minimum = 0)]
    pub needed: usize,
    /// The same in a sentence.
    pub says: String,
    /// The score card of the model as it comes; null where nothing could be forecast out of fold.
    #[schema(required)]
    pub before: Option<ScoreCard>,
    /// The score card of the new numbers.
    #[schema(required)]
    pub after: Option<ScoreCard>,
    /// What the new numbers gain on the old ones.
    #[serde(default)]
    #[schema(required)]
    pub gain: Option<LogScoreGain>,
    /// The logistic recalibration of the log-odds that was tried.
    #[schema(required)]
    pub recalibration: Option<RecalibrationTried>,
    /// Every sign, before and after.
    pub signs: Vec<SignMoved>,
    /// Every kind of seller, before and after.
    pub segments: Vec<SegmentMoved>,
    /// Every reading class, before and after.
    pub readings: Vec<ReadingMoved>,
}

/// How good forecasts were.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ScoreCard {
    /// Number of forecasts.
    #[schema(minimum = 0)]
    pub cases: usize,
    /// How many of the watches were bad.
    #[schema(minimum = 0)]
    pub bad: usize,
    /// How many sellers' watches they were. Watches of one seller hang together by the seller's rate of
    /// bad ones: `z` and `band` take that in, and few sellers tell little however many watches they had.
    #[serde(default)]
    #[schema(minimum = 0)]
    pub sellers: usize,
    /// Mean log score in nats; lower is better.
    pub log_score: ScoreParts,
    /// Brier score; lower is better.
    pub brier: ScoreParts,
    /// Cost of the log-odds in bits: 0 is perfect, 1 is knowing nothing (Brümmer & du Preez 2006).
    #[schema(required)]
    pub cllr: Option<f64>,
    /// The same after the best increasing recalibration.
    #[schema(required)]
    pub cllr_min: Option<f64>,
    /// Area under the ROC curve.
    #[schema(required)]
    pub auc: Option<f64>,
    /// Mean forecast.
    pub mean_forecast: f64,
    /// Rate of bad ones.
    pub rate: f64,
    /// (rate − mean forecast) by its standard error.
    #[schema(required)]
    pub z: Option<f64>,
    /// The curve of the reliability diagram (CORP: Dimitriadis, Gneiting & Jordan 2021).
    pub curve: Vec<CurveStep>,
    /// Where it would lie for calibrated forecasts, nine times in ten.
    pub band: Vec<BandAt>,
    /// How many forecasts there are of each size.
    pub histogram: Vec<HistogramBin>,
}

/// Whether the new numbers forecast better than the old ones, or it may be chance: a comparison of
/// their log scores case by case (Diebold & Mariano 1995).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LogScoreGain {
    /// Mean log score before less that after, nats: above 0 the new numbers are better.
    pub mean: f64,
    /// Its standard error, the watches of one seller taken as one; null where all are of one seller.
    #[schema(required)]
    pub standard_error: Option<f64>,
    /// Whether it is more than two standard errors from 0; else it cannot be told from chance.
    pub beyond_chance: bool,
}

/// score = miscalibration − discrimination + uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ScoreParts {
    /// The mean score.
    pub score: f64,
    /// What the best increasing recalibration would gain.
    pub miscalibration: f64,
    /// What the recalibrated forecasts gain over a constant one.
    pub discrimination: f64,
    /// The score of the constant forecast that gives every case the rate.
    pub uncertainty: f64,
}

/// A step of the curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CurveStep {
    /// Lowest forecast.
    pub low: f64,
    /// Highest forecast.
    pub high: f64,
    /// Share of bad ones.
    pub rate: f64,
}

/// The band at a forecast.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BandAt {
    /// The forecast.
    pub forecast: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// A bin of forecasts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct HistogramBin {
    /// From.
    pub low: f64,
    /// To.
    pub high: f64,
    /// Number of forecasts.
    #[schema(minimum = 0)]
    pub cases: u64,
}

/// A recalibration: log-odds become intercept + slope · log-odds.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct RecalibrationTried {
    /// Intercept, natural log-odds.
    pub intercept: f64,
    /// Slope.
    pub slope: f64,
    /// What it gains of the mean log score, out of fold, nats.
    pub gain: f64,
    /// Whether it is kept: only if it gains.
    pub kept: bool,
}

/// A sign before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SignMoved {
    /// The sign.
    pub sign: String,
    /// Listings in which it was called.
    #[schema(minimum = 0)]
    pub calls: usize,
    /// Listings in which it was judged in hand.
    #[schema(minimum = 0)]
    pub verified: usize,
    /// Its cells.
    pub cells: Vec<CellMoved>,
}

/// A probability before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct CellMoved {
    /// The states (or the story) it is for.
    pub states: Vec<String>,
    /// Before.
    pub before: f64,
    /// After.
    pub after: f64,
    /// Known cases that the evidence is worth.
    pub cases: f64,
}

/// A kind of seller before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SegmentMoved {
    /// Sellers.
    #[schema(minimum = 0)]
    pub sellers: usize,
    /// Listings.
    #[schema(minimum = 0)]
    pub listings: usize,
    /// Outcomes.
    #[schema(minimum = 0)]
    pub outcomes: usize,
    /// Before.
    pub before: Segment,
    /// After.
    pub after: Segment,
    /// Known cases that the evidence on the mean rate is worth.
    pub cases: f64,
}

/// A reading class before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct ReadingMoved {
    /// The class.
    pub class: String,
    /// Calls later judged in hand beyond doubt.
    #[schema(minimum = 0)]
    pub verified: usize,
    /// Before.
    pub before: Reading,
    /// After.
    pub after: Reading,
    /// Known cases that the evidence on `a` and on `b` is worth.
    #[schema(min_items = 2, max_items = 2)]
    pub cases: [f64; 2],
}

/// A version of the model.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ModelVersion {
    /// Name.
    pub version: String,
    /// SHA-256 of its numbers.
    pub digest: String,
    /// Whether it is in force.
    pub active: bool,
    /// The calibration that made it; null for the model that comes with the program.
    #[schema(required)]
    pub calibration: Option<String>,
}

/// All versions, oldest first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ModelVersions {
    /// The versions.
    pub items: Vec<ModelVersion>,
}

/// Outcomes that a calibration cannot use.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct LeftOut {
    /// Their listing is not saved.
    pub(crate) without_listing: usize,
    /// Their listing does not fit the model.
    pub(crate) unfit: usize,
}

impl LeftOut {
    fn says(self) -> String {
        let count = |n: usize| if n == 1 { "1 outcome is".to_owned() } else { format!("{n} outcomes are") };
        let mut says = String::new();
        if self.without_listing > 0 {
            says += &format!(
                " {} left out because no such listing is saved: what was seen of the watch is not known.",
                count(self.without_listing)
            );
        }
        if self.unfit > 0 {
            says += &format!(" {} left out because the saved listing does not fit the model.", count(self.unfit));
        }
        says
    }
}

impl CalibrationReport {
    /// A fit as it is told.
    pub(crate) fn new(r: &Report, left_out: LeftOut) -> Self {
        let recalibration = r.recalibration.as_ref().map(|a| RecalibrationTried {
            intercept: a.fitted.intercept(),
            slope: a.fitted.slope(),
            gain: a.before - a.after,
            kept: a.improves(),
        });
        Self {
            n: r.n,
            n_outcomes: r.n_outcomes,
            n_certain: r.n_certain,
            certain_sellers: r.certain_sellers,
            outcomes_without_listing: left_out.without_listing,
            outcomes_unfit: left_out.unfit,
            enough: r.enough,
            needed: r.needed,
            says: says(r) + &left_out.says(),
            before: r.scores.as_ref().map(|s| ScoreCard::from(&s.before)),
            after: r.scores.as_ref().map(|s| ScoreCard::from(&s.after)),
            gain: r.scores.as_ref().map(|s| LogScoreGain::from(&s.gain)),
            recalibration,
            signs: r.signs.iter().map(SignMoved::from).collect(),
            segments: r.segments.iter().map(SegmentMoved::from).collect(),
            readings: r.readings.iter().map(ReadingMoved::from).collect(),
        }
    }
}

fn says(r: &Report) -> String {
    let doubtful = match r.n_outcomes - r.n_certain {
        0 => String::new(),
        1 => " 1 outcome is not certain: it teaches, but is not scored.".into(),
        n => format!(" {n} outcomes are not certain: they teach, but are not scored."),
    };
    let certain = if doubtful.is_empty() { "" } else { "certain " };
    if !r.enough {
        return format!(
            "From {} {certain}outcomes nothing can be concluded yet: {} more are needed. The new numbers may be no better than the old.{doubtful}",
            r.n_certain, r.needed
        );
    }
    let Some(scores) = &r.scores else {
        return format!(
            "All {} {certain}outcomes are of one seller: nothing could be forecast without having seen it, and nothing is recalibrated.{doubtful}",
            r.n_certain
        );
    };
    let gain = LogScoreGain::from(&scores.gain);
    let verdict = match gain.mean {
        _ if !gain.beyond_chance => "the difference that the new numbers make cannot be told from chance",
        mean if mean > 0.0 => "the new numbers forecast better",
        _ => "the new numbers forecast worse",
    };
    format!(
        "On {} outcomes not seen by the fit {verdict}: mean log score {:.4} against {:.4} nats before, {}.{doubtful}",
        scores.after.cases,
        scores.after.log.score,
        scores.before.log.score,
        gain.says()
    )
}

impl From<&Gain> for LogScoreGain {
    fn from(g: &Gain) -> Self {
        Self { mean: g.mean, standard_error: g.standard_error, beyond_chance: g.is_beyond_chance() }
    }
}

impl LogScoreGain {
    /// In words: by how much better or worse.
    #[must_use]
    pub fn says(&self) -> String {
        let error =
            self.standard_error.map(|error| format!(" with a standard error of {error:.4}")).unwrap_or_default();
        let way = if self.mean < 0.0 { "worse" } else { "better" };
        format!("{way} by {:.4}{error}", self.mean.abs())
    }
}

impl From<&Card> for ScoreCard {
    fn from(c: &Card) -> Self {
        let parts = |d: &steelyard_priors::score::Decomposition| ScoreParts {
            score: d.score,
            miscalibration: d.miscalibration,
            discrimination: d.discrimination,
            uncertainty: d.uncertainty,
        };
        Self {
            cases: c.cases,
            bad: c.bad,
            sellers: c.sellers,
            log_score: parts(&c.log),
            brier: parts(&c.brier),
            cllr: c.cllr.as_ref().map(|c| c.bits),
            cllr_min: c.cllr.as_ref().map(|c| c.least),
            auc: c.auc,
            mean_forecast: c.in_the_large.mean_forecast,
            rate: c.in_the_large.rate,
            z: c.in_the_large.z,
            curve: c
                .curve
                .iter()
                .map(|b| CurveStep { low: b.low.probability(), high: b.high.probability(), rate: b.rate() })
                .collect(),
            band: c
                .band
                .iter()
                .map(|b| BandAt { forecast: b.forecast.probability(), low: b.low, high: b.high })
                .collect(),
            histogram: c
                .histogram
                .iter()
                .map(|b| HistogramBin { low: b.low, high: b.high, cases: b.cases as u64 })
                .collect(),
        }
    }
}

impl CalibrationReport {
    /// The reliability diagram, before and after side by side, with what is to be said of it; none
    /// without scores.
    #[must_use]
    pub fn drawn(&self) -> Option<String> {
        let (before, after) = (self.before.as_ref()?, self.after.as_ref()?);
        Some(crate::picture::reliability(&before.drawn("before"), Some(&after.drawn("after")), Some(&self.says)))
    }
}

impl ScoreCard {
    /// As the reliability diagram draws it.
    #[must_use]
    pub fn drawn(&self, label: &str) -> Reliability {
        let named = |name: &str, score: Option<f64>| score.map(|s| (name.to_owned(), s));
        let scores = [
            named("mean log score, nats", Some(self.log_score.score)),
            named("Brier score", Some(self.brier.score)),
            named("Cllr, bits", self.cllr),
            named("Cllr after the best recalibration, bits", self.cllr_min),
        ];
        Reliability {
            label: label.into(),
            cases: self.cases as u64,
            bad: self.bad as u64,
            curve: self.curve.iter().map(|s| Step { low: s.low, high: s.high, rate: s.rate }).collect(),
            band: self.band.iter().map(|b| Bound { forecast: b.forecast, low: b.low, high: b.high }).collect(),
            histogram: self.histogram.iter().map(|b| Bin { low: b.low, high: b.high, cases: b.cases }).collect(),
            scores: scores.into_iter().flatten().collect(),
        }
    }
}

impl From<&report::SignChange> for SignMoved {
    fn from(s: &report::SignChange) -> Self {
        let cell = |c: &report::CellChange| CellMoved {
            states: c.states.clone(),
            before: c.before,
            after: c.after,
            cases: c.cases,
        };
        Self { sign: s.sign.clone(), calls: s.calls, verified: s.verified, cells: s.cells.iter().map(cell).collect() }
    }
}

impl From<&report::SegmentChange> for SegmentMoved {
    fn from(s: &report::SegmentChange) -> Self {
        Self {
            sellers: s.sellers,
            listings: s.listings,
            outcomes: s.outcomes,
            before: s.before.clone(),
            after: s.after.clone(),
            cases: s.cases,
        }
    }
}

impl From<&report::ReadingChange> for ReadingMoved {
    fn from(r: &report::ReadingChange) -> Self {
        Self { class: r.class.clone(), verified: r.verified, before: r.before, after: r.after, cases: r.cases }
    }
}

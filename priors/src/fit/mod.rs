//! What a dealer's own outcomes say of the model's numbers.
//!
//! For some listings it was found out later what the watch was; all the others stay in, since
//! whether an outcome exists depends on what was seen (a dealer buys what looks good): a fit to
//! purchases alone is biased, a fit to all with the missing outcomes summed out is not (ignorable
//! missingness, Rubin 1976). The numbers maximise
//!
//! ```text
//! Σ_sellers ln ∫ Π_i (θ·L_bad,i + (1−θ)·L_sound,i) Beta(θ; a, b) dθ  +  ln prior
//! ```
//!
//! with L_bad,i and L_sound,i summed over the stories of their side, and under the integral what is
//! stated of the seller in counts ([`Stated`]), as it counts in an answer; the prior being the pack's own
//! means and strengths: a Dirichlet for each row of a table and each split of a segment, a Beta for
//! each cell of a sign and each reading rate, [`segment::Hyperprior`] for a and b. EM gives
//! (strength·mean + expected count)/(strength + total); the new strengths add the evidence behind.
//!
//! Always fit from the pack that holds the numbers as they were elicited, with all outcomes: a pack
//! fitted to some outcomes and fitted to them again counts them twice.
//!
//! Reading rates move only in classes of which calls were later judged in hand. There every call of
//! the class counts, as far as its sign's truth can be told, not the judged ones alone: which
//! watches are opened depends on the calls.
//!
//! [`calibrate`] does the whole of it: the fit, the same without each fold for an honest score, the
//! recalibration of the log-odds, and the [`report`]. An outcome that leaves a doubt teaches the fit by
//! what it is worth, but is no truth to hold a forecast against: certain ones alone are scored.
//!
//! ```
//! use std::ops::ControlFlow;
//! use steelyard_model::observe::Evidence;
//! use steelyard_model::pack::Pack;
//! use steelyard_priors::fit::{Case, Outcome, Sellers, Settings, fit};
//!
//! let pack = Pack::builtin();
//! let (sound, fake) = (pack.story("original").unwrap(), pack.story("fake").unwrap());
//! let outcome = |story| Outcome { story, certainty: 1.0, components: vec![], signs: vec![] };
//! let cases: Vec<Case> = (0..40)
//!     .map(|i| Case {
//!         segment: 0,
//!         seller: i / 4,
//!         evidence: Evidence::default(),
//!         foreseen: None,
//!         ln_price: [0.0; 8],
//!         outcome: Some(outcome(if i % 2 == 0 { fake } else { sound })),
//!     })
//!     .collect();
//! let fitted = fit(&pack, &cases, &Sellers::new(), &Settings::default(), |_| ControlFlow::Continue(()))?;
//! // Half of them were bad, where the pack says one in four.
//! let segment = &fitted.data.segments[0];
//! assert!(segment.a / (segment.a + segment.b) > 0.4);
//! assert!(segment.bad["fake"] > 0.6 && segment.strength.unwrap().bad > 29.9);
//! # Ok::<(), steelyard_priors::fit::FitError>(())
//! ```

mod accelerate;
mod calibrate;
mod em;
mod numbers;
pub mod report;
pub mod segment;

pub use calibrate::{Calibration, Options, calibrate};

use crate::Error;
use crate::seller::{self, Feedback};
use em::{Listings, Outcomes};
use std::collections::BTreeMap;
use std::ops::ControlFlow;
use std::sync::Arc;
use steelyard_model::observe::{Evidence, Finding};
use steelyard_model::pack::data::ModelData;
use steelyard_model::pack::{Index, Pack, PackErrors};
use steelyard_model::posterior::PerStory;

/// One listing as a fit sees it.
#[derive(Debug, Clone, PartialEq)]
pub struct Case {
    /// The kind of seller.
    pub segment: Index,
    /// Whose it is; listings with the same key in the same segment share a seller.
    pub seller: u64,
    /// The calls made on it. A sign that the outcome judges in hand must not be called in hand here as
    /// well: the finding would count twice.
    pub evidence: Evidence,
    /// The calls that a forecast of the outcome had, where they are not all of these: what was seen
    /// with the watch in hand forecasts nothing.
    pub foreseen: Option<Evidence>,
    /// ln of the price's likelihood per story; all 0 without one.
    pub ln_price: PerStory,
    /// What was found out.
    pub outcome: Option<Outcome>,
}

/// What is stated of a seller in counts, beside the listings and outcomes among the cases.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Stated {
    /// Outcomes of other watches: those among the cases must not be counted here as well.
    pub outcomes: seller::Outcomes,
    /// Marketplace ratings.
    pub feedback: Option<Feedback>,
}

/// What is stated of sellers, by segment and key; of those that are not in it nothing is.
pub type Sellers = BTreeMap<(Index, u64), Stated>;

impl Case {
    /// What it turned out to be, where that is certain.
    fn scorable(&self) -> Option<&Outcome> {
        self.outcome.as_ref().filter(|o| o.is_certain())
    }

    /// What its outcome is forecast from.
    fn foreseen(&self) -> &Evidence {
        self.foreseen.as_ref().unwrap_or(&self.evidence)
    }

    /// Signs whose call was later judged in hand beyond doubt.
    fn verified(&self) -> impl Iterator<Item = Index> {
        let judged = self.outcome.iter().flat_map(|o| &o.signs).filter(|f| f.is_certain()).map(|f| f.sign);
        judged.filter(move |sign| self.evidence.calls().iter().any(|c| c.sign == *sign && c.is_read()))
    }
}

/// What a watch turned out to be.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// The story reported.
    pub story: Index,
    /// P(this report | it is the story), the rest spread evenly over the other stories.
    pub certainty: f64,
    /// Components found, each with the public state it was in.
    pub components: Vec<(Index, Index)>,
    /// Signs judged in hand.
    pub signs: Vec<Finding>,
}

impl Outcome {
    /// Whether the report leaves no doubt: only then can it be said how well it was forecast. A
    /// doubtful one scored as if it were certain would punish a right model.
    #[must_use]
    pub fn is_certain(&self) -> bool {
        self.certainty >= 1.0
    }
}

/// How a fit is run.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// It ends when no more than this is still to be gained, in nats, by the rate at which its steps
    /// shrink …
    pub tolerance: f64,
    /// … or after so many.
    pub most_iterations: usize,
}

impl Default for Settings {
    fn default() -> Self {
        Self { tolerance: 1e-4, most_iterations: 200 }
    }
}

/// How far a fit has come.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// Which of the fits, from 0.
    pub fit: usize,
    /// How many there are: one for each fold and one for all.
    pub fits: usize,
    /// Iterations done in this one.
    pub iteration: usize,
    /// The penalised log-likelihood reached.
    pub objective: f64,
}

/// Why there is no fit.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FitError {
    /// A case names something the pack does not have, or holds a number that cannot be.
    #[error("case {case}: {detail}")]
    Case {
        /// Its position.
        case: usize,
        /// What is wrong with it.
        detail: String,
    },
    /// A case that no story can have produced.
    #[error("case {case} has probability zero under the model")]
    ImpossibleCase {
        /// Its position.
        case: usize,
    },
    /// The progress callback said so.
    #[error("cancelled")]
    Cancelled,
    /// The fitted numbers are no pack.
    #[error("the fitted numbers are no model: {0}")]
    Pack(#[from] PackErrors),
    /// A figure of a segment is out of range.
    #[error(transparent)]
    Figure(#[from] Error),
}

/// What a fit found.
#[derive(Debug, Clone)]
pub struct Fitted {
    /// The pack's data with numbers moved and strengths increased by the evidence behind them;
    /// `calibrated`, without recalibration of the log-odds and without a digest, under the old
    /// version's name.
    pub data: ModelData,
    /// The penalised log-likelihood at the start and after each iteration.
    pub objective: Vec<f64>,
}

/// Fits the pack's numbers to the cases and to what is stated of their sellers.
///
/// # Errors
/// On a case that does not fit the pack or cannot occur under it, and if the callback breaks.
pub fn fit(
    pack: &Arc<Pack>,
    cases: &[Case],
    sellers: &Sellers,
    settings: &Settings,
    mut progress: impl FnMut(Progress) -> ControlFlow<()>,
) -> Result<Fitted, FitError> {
    check(pack, cases)?;
    let all: Vec<(usize, &Case)> = cases.iter().enumerate().collect();
    let ended = em::run(pack, &all, sellers, settings, |iteration, objective| {
        progress(Progress { fit: 0, fits: 1, iteration, objective })
    })?;
    Ok(Fitted { data: finished(ended.data), objective: ended.objective })
}

fn finished(mut data: ModelData) -> ModelData {
    data.calibrated = true;
    // That of the old numbers; a pack made of these computes its own.
    data.digest.clear();
    data.recalibration = steelyard_model::pack::data::Recalibration { intercept: 0.0, slope: 1.0 };
    data
}

/// Natural log-odds of bad of every case under a pack, from what its outcome is forecast from, its price and from its
/// seller's other listings and what is stated of the seller; the cases' own outcomes are held back, and the pack's recalibration is not applied.
///
/// # Errors
/// On a case that does not fit the pack or cannot occur under it.
pub fn log_odds(pack: &Arc<Pack>, cases: &[Case], sellers: &Sellers) -> Result<Vec<f64>, FitError> {
    check(pack, cases)?;
    let all: Vec<(usize, &Case)> = cases.iter().enumerate().collect();
    Listings::new(pack, &all, sellers, Outcomes::HeldBack)?.log_odds()
}

fn check(pack: &Pack, cases: &[Case]) -> Result<(), FitError> {
    for (at, case) in cases.iter().enumerate() {
        if let Some(detail) = fault(pack, case) {
            return Err(FitError::Case { case: at, detail });
        }
    }
    Ok(())
}

fn fault(pack: &Pack, case: &Case) -> Option<String> {
    let known = |what: &str, at: Index, count: usize| (at >= count).then(|| format!("there is no {what} {at}"));
    let signs = pack.signs().len();
    let probability = |p: &f64| (0.0..=1.0).contains(p);
    if let Some(detail) = known("segment", case.segment, pack.data().segments.len()) {
        return Some(detail);
    }
    let mut calls = case.evidence.calls().iter().chain(case.foreseen().calls());
    if let Some(detail) = calls.find_map(|c| known("sign", c.sign, signs)) {
        return Some(detail);
    }
    if !case.ln_price[..pack.stories()].iter().all(|ln| ln.is_finite()) {
        return Some("the price's likelihood is not finite".into());
    }
    let outcome = case.outcome.as_ref()?;
    if !probability(&outcome.certainty) {
        return Some(format!("certainty {} is no probability", outcome.certainty));
    }
    known("story", outcome.story, pack.stories())
        .or_else(|| {
            outcome.components.iter().find_map(|&(k, state)| {
                known("component", k, pack.components().len()).or_else(|| {
                    let none = !pack.components()[k].seen_as.contains(&state);
                    none.then(|| format!("component {k} is never in public state {state}"))
                })
            })
        })
        .or_else(|| {
            outcome.signs.iter().find_map(|f| {
                known("sign", f.sign, signs).or_else(|| {
                    let valid = probability(&f.if_present) && probability(&f.if_absent);
                    let told = f.if_present > 0.0 || f.if_absent > 0.0;
                    (!valid || !told).then(|| format!("the finding on sign {} is no likelihood", f.sign))
                })
            })
        })
}

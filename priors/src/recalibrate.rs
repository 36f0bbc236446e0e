//! Should the forecasts be trusted as they are, or stretched and shifted first?
//!
//! ```text
//! logit p' = intercept + slope · logit p,   slope > 0
//!
//! maximise Σ_i ln p'_i(outcome) − ½·λ_a·intercept² − ½·λ_b·(slope − 1)²
//! ```
//!
//! over forecasts that had not seen the outcomes they forecast. The penalty is a normal prior around
//! leaving the forecasts alone: it keeps a dozen outcomes from overturning the model, and keeps the
//! answer finite where the outcomes are separated by the forecasts. The objective is strictly concave,
//! so there is one answer: Newton's method in the slope, the best intercept for each by Newton's method
//! too, both kept in a bracket. Should the outcomes speak for a slope below 0, the answer is the best one
//! at the least slope: a recalibration never reverses an order.
//!
//! The map is worth keeping only if it helps forecasts that it was not fitted to: [`assess`] fits it
//! once more without each fold and scores it there.
//! Reference: D. R. Cox, Biometrika 45 (1958) 562–565 (the two-parameter map of log-odds).
//!
//! ```
//! use steelyard_priors::LogOdds;
//! use steelyard_priors::recalibrate::{OutOfFold, Shrinkage, assess};
//!
//! // Forecasts of 2 % and 98 % that are right nine times in ten: overconfident.
//! let cases: Vec<OutOfFold> = (0..200)
//!     .map(|i| {
//!         let high = i % 2 == 0;
//!         let right = i % 20 >= 2;
//!         let forecast = LogOdds::of(if high { 0.98 } else { 0.02 })?;
//!         Ok(OutOfFold { forecast, bad: high == right, fold: i / 40 })
//!     })
//!     .collect::<Result<_, steelyard_priors::Error>>()?;
//! let found = assess(&cases, Shrinkage::new(1.0, 4.0)?)?;
//! assert!(found.improves());
//! let told = found.kept().apply(LogOdds::of(0.98)?).probability();
//! assert!((0.88..0.93).contains(&told), "{told}");
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

use crate::LogOdds;
use crate::error::{Error, checked};
use crate::score::gain::{Compared, Gain};
use crate::score::{Forecasts, Tally};

/// The least slope: the order of the forecasts is kept, and little else.
const SLOPE_MIN: f64 = 1e-6;
/// A step this small, relatively, is rounding.
const SETTLED: f64 = 1e-15;

/// A map of log-odds: logit p' = intercept + slope · logit p.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recalibration {
    intercept: f64,
    slope: f64,
}

/// How firmly a recalibration is held at the identity.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shrinkage {
    intercept: f64,
    slope: f64,
}

/// A forecast by a model that had not seen the outcome.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutOfFold {
    /// The forecast.
    pub forecast: LogOdds,
    /// Whether the watch was bad.
    pub bad: bool,
    /// Cases that were left out together, such as those of one seller, have the same number.
    pub fold: usize,
}

/// What a recalibration is worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessment {
    /// Fitted to all cases.
    pub fitted: Recalibration,
    /// Each case recalibrated by the map fitted to the other folds, in the order given.
    pub out_of_fold: Vec<LogOdds>,
    /// Mean log score of the forecasts as they were, nats.
    pub before: f64,
    /// Mean log score of `out_of_fold`, nats.
    pub after: f64,
    /// Standard error of before − after, over cases.
    pub standard_error: f64,
}

impl Recalibration {
    /// The forecasts as they are.
    pub const IDENTITY: Self = Self { intercept: 0.0, slope: 1.0 };

    /// The map with these figures.
    ///
    /// # Errors
    /// If the intercept is not finite or the slope not a finite number above 0.
    pub fn new(intercept: f64, slope: f64) -> Result<Self, Error> {
        Ok(Self {
            intercept: checked("intercept", intercept, intercept.is_finite(), "a finite number")?,
            slope: checked("slope", slope, slope.is_finite() && slope > 0.0, "a finite number above 0")?,
        })
    }

    /// The map that fits these outcomes best, shrunk towards the identity.
    #[must_use]
    pub fn fit(forecasts: &Forecasts, shrinkage: Shrinkage) -> Self {
        Objective { told: forecasts.told(), shrinkage }.best()
    }

    /// What is added to the log-odds.
    #[must_use]
    pub fn intercept(self) -> f64 {
        self.intercept
    }

    /// What the log-odds are multiplied by.
    #[must_use]
    pub fn slope(self) -> f64 {
        self.slope
    }

    /// The recalibrated forecast.
    #[must_use]
    pub fn apply(self, forecast: LogOdds) -> LogOdds {
        LogOdds::new(self.intercept + self.slope * forecast.value())
    }
}

impl Shrinkage {
    /// Precisions (1/variance) of the normal priors of the intercept around 0 and of the slope around 1.
    ///
    /// # Errors
    /// If one is not a number from 10⁻⁹ to 10⁹: with none at all, separated outcomes have no best map.
    pub fn new(intercept: f64, slope: f64) -> Result<Self, Error> {
        let precision =
            |name, value: f64| checked(name, value, (1e-9..=1e9).contains(&value), "a number from 1e-9 to 1e9");
        Ok(Self {
            intercept: precision("precision of the intercept", intercept)?,
            slope: precision("precision of the slope", slope)?,
        })
    }
}

impl Assessment {
    /// Whether the recalibration lowers the out-of-fold log score.
    #[must_use]
    pub fn improves(&self) -> bool {
        self.after < self.before
    }

    /// The map to use: the fitted one if it improves, else the identity.
    #[must_use]
    pub fn kept(&self) -> Recalibration {
        if self.improves() { self.fitted } else { Recalibration::IDENTITY }
    }
}

/// Fits the recalibration to all cases, and says what it gains on cases that it was not fitted to.
///
/// # Errors
/// If there are fewer than two folds, or a forecast cannot be scored.
pub fn assess(cases: &[OutOfFold], shrinkage: Shrinkage) -> Result<Assessment, Error> {
    let pair = |c: &OutOfFold| (c.forecast, c.bad);
    let all = Forecasts::new(&cases.iter().map(pair).collect::<Vec<_>>())?;
    let mut folds: Vec<usize> = cases.iter().map(|c| c.fold).collect();
    folds.sort_unstable();
    folds.dedup();
    if folds.len() < 2 {
        return Err(Error::TooFew { name: "folds", given: folds.len(), least: 2 });
    }
    let mut out_of_fold: Vec<LogOdds> = cases.iter().map(|c| c.forecast).collect();
    for fold in folds {
        let others: Vec<_> = cases.iter().filter(|c| c.fold != fold).map(pair).collect();
        let map = Recalibration::fit(&Forecasts::new(&others)?, shrinkage);
        for (told, _) in out_of_fold.iter_mut().zip(cases).filter(|(_, c)| c.fold == fold) {
            *told = map.apply(*told);
        }
    }
    let n = cases.len() as f64;
    let before = -cases.iter().map(|c| c.forecast.ln_likelihood(c.bad)).sum::<f64>() / n;
    let after = -out_of_fold.iter().zip(cases).map(|(told, c)| told.ln_likelihood(c.bad)).sum::<f64>() / n;
    let compared = out_of_fold.iter().zip(cases).enumerate();
    let compared = compared.map(|(i, (told, c))| Compared { group: i, bad: c.bad, first: c.forecast, second: *told });
    // Two folds have two cases.
    let standard_error = Gain::new(compared).standard_error.unwrap_or(f64::NAN);
    let fitted = Recalibration::fit(&all, shrinkage);
    Ok(Assessment { fitted, out_of_fold, before, after, standard_error })
}

/// The penalised log likelihood of a map, as far as climbing it needs.
struct Objective<'a> {
    told: &'a [Tally],
    shrinkage: Shrinkage,
}

/// Derivatives by intercept (a) and slope (b); the second ones with their signs turned.
struct Derivatives {
    a: f64,
    b: f64,
    aa: f64,
    ab: f64,
    bb: f64,
}

impl Objective<'_> {
    fn at(&self, map: Recalibration) -> Derivatives {
        let Shrinkage { intercept, slope } = self.shrinkage;
        let mut d = Derivatives {
            a: -intercept * map.intercept,
            b: -slope * (map.slope - 1.0),
            aa: intercept,
            ab: 0.0,
            bb: slope,
        };
        for t in self.told {
            let (told, x) = (map.apply(t.forecast), t.forecast.value());
            let (p, q) = (told.probability(), told.complement());
            let excess = t.bad as f64 * q - t.sound as f64 * p;
            let weight = (t.bad + t.sound) as f64 * p * q;
            d.a += excess;
            d.b += excess * x;
            d.aa += weight;
            d.ab += weight * x;
            d.bb += weight * x * x;
        }
        d
    }

    fn best(&self) -> Recalibration {
        // Farther out than this the penalty falls faster than all cases together can lift.
        let pulls =
            |one: &dyn Fn(&Tally) -> f64| -> f64 { self.told.iter().map(|t| (t.bad + t.sound) as f64 * one(t)).sum() };
        let farthest = pulls(&|_| 1.0) / self.shrinkage.intercept;
        let steepest = 1.0 + pulls(&|t| t.forecast.value().abs()) / self.shrinkage.slope;

        let best_intercept = |slope, from| {
            summit(-farthest, farthest, from, |intercept| {
                let d = self.at(Recalibration { intercept, slope });
                (d.a, d.aa)
            })
        };
        let mut intercept = 0.0;
        let slope = summit(SLOPE_MIN, steepest, 1.0, |slope| {
            intercept = best_intercept(slope, intercept);
            let d = self.at(Recalibration { intercept, slope });
            // The curvature by the slope once the intercept has followed it.
            (d.b, d.bb - d.ab * (d.ab / d.aa))
        });
        Recalibration { intercept: best_intercept(slope, intercept), slope }
    }
}

/// Where a strictly concave function between `low` and `high` is highest, from its first derivative and
/// its second with the sign turned.
///
/// Newton's steps from `x`, as long as they stay inside and halve; else the bracket is halved. So it
/// ends, whatever the curvature does.
fn summit(mut low: f64, mut high: f64, mut x: f64, mut derivatives: impl FnMut(f64) -> (f64, f64)) -> f64 {
    let mut step = high - low;
    loop {
        let (rise, bend) = derivatives(x);
        if rise > 0.0 {
            low = x;
        } else {
            high = x;
        }
        let newton = x + rise / bend;
        let next = if (low..=high).contains(&newton) && (newton - x).abs() <= 0.5 * step {
            newton
        } else {
            low + 0.5 * (high - low)
        };
        step = (next - x).abs();
        if step <= SETTLED * x.abs().max(1.0) {
            return next;
        }
        x = next;
    }
}

//! The reliability diagram, as data: does a forecast of 20 % come true in one case of five?
//!
//! Three layers over the forecast p:
//! - the isotonic curve ([`Forecasts::isotonic`]), which for calibrated forecasts lies near the diagonal;
//! - the band within which it would lie at each forecast in nine cases of ten if the forecasts were
//!   calibrated ([`Forecasts::band`]): outcomes are drawn anew from the forecasts, y* ~ Bernoulli(p), of
//!   cases that hang together what they share first, and the curve is fitted to each draw;
//! - the number of forecasts from p to p + 1/bins ([`Forecasts::histogram`]).
//!
//! The band holds point by point: some point of the curve of calibrated forecasts may well lie outside.
//! Where forecasts are few it is wide, and says so.
//! Reference: T. Dimitriadis, T. Gneiting and A. I. Jordan, PNAS 118 (2021) e2016191118.
//!
//! ```
//! use steelyard_priors::LogOdds;
//! use steelyard_priors::score::Forecasts;
//!
//! // Ten forecasts of one in ten, of which five came true.
//! let cases: Vec<_> = (0..10).map(|i| Ok((LogOdds::of(0.1)?, i < 5))).collect::<Result<_, _>>()?;
//! let forecasts = Forecasts::new(&cases)?;
//! let band = forecasts.band(1000, 7)?;
//! assert_eq!((band[0].low, band[0].high), (0.0, 0.3));
//! assert_eq!(forecasts.isotonic()[0].rate(), 0.5);
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

use super::isotonic::pooled;
use super::{Forecasts, Tally};
use crate::LogOdds;
use crate::error::{Error, checked};
use rand_core::{RngCore as _, SeedableRng as _};
use rand_pcg::Pcg64;

/// What is left out on either side of a 90 % band.
const TAIL: f64 = 0.05;
/// Fewest resamples of which one can lie on either side of the band.
const RESAMPLES_MIN: usize = 20;
/// Most forecasts at which the band is given: as fine as a drawing of it, and a bound on memory.
const BAND_POINTS: usize = 200;
/// So close below an edge, a forecast lies on it: a probability of 0.3 held as log-odds comes back as
/// 0.3 to some 10⁻¹⁶.
const EDGE: f64 = 1e-9;

/// How many forecasts lie between two probabilities.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bin {
    /// Lowest probability.
    pub low: f64,
    /// The probability it ends before; the last bin includes 1.
    pub high: f64,
    /// Number of cases.
    pub cases: usize,
    /// How many of them were bad.
    pub bad: usize,
}

/// The 90 % consistency band at one forecast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// The forecast.
    pub forecast: LogOdds,
    /// 5 % of curves of calibrated forecasts lie below.
    pub low: f64,
    /// 5 % of curves of calibrated forecasts lie above.
    pub high: f64,
}

impl Forecasts {
    /// The forecasts in bins of equal width, empty ones included.
    ///
    /// # Errors
    /// If the number of bins is not from 1 to 1000.
    pub fn histogram(&self, bins: usize) -> Result<Vec<Bin>, Error> {
        let width = checked("bins", bins as f64, (1..=1000).contains(&bins), "a number from 1 to 1000")?.recip();
        let empty = |k: usize| Bin { low: k as f64 * width, high: (k + 1) as f64 * width, cases: 0, bad: 0 };
        let mut found: Vec<Bin> = (0..bins).map(empty).collect();
        for t in self.told() {
            let k = (t.forecast.probability() * bins as f64 + EDGE) as usize;
            let bin = &mut found[k.min(bins - 1)];
            bin.cases += t.bad + t.sound;
            bin.bad += t.bad;
        }
        Ok(found)
    }

    /// The band in which the isotonic curve lies with probability 90 % at each forecast if the forecasts
    /// are calibrated, from `resamples` seeded draws of the outcomes. The lowest rates of a curve lean down
    /// and the highest up, and so does the band.
    ///
    /// Given at every distinct forecast, or at 200 of them evenly spaced in rank, both ends included.
    ///
    /// # Errors
    /// If there are fewer than 20 resamples.
    pub fn band(&self, resamples: usize, seed: u64) -> Result<Vec<Bound>, Error> {
        if resamples < RESAMPLES_MIN {
            return Err(Error::TooFew { name: "resamples", given: resamples, least: RESAMPLES_MIN });
        }
        let mut random = Pcg64::seed_from_u64(seed);
        let mut uniform = || (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
        let points = spread(self.told());
        let alone = self.alone();
        let mut bad = vec![0; alone.len()];
        let mut drawn = vec![Vec::with_capacity(resamples); points.len()];
        for _ in 0..resamples {
            for ((t, n), bad) in self.told().iter().zip(&alone).zip(&mut bad) {
                let p = t.forecast.probability();
                *bad = (0..*n).filter(|_| uniform() < p).count();
            }
            for group in self.groups() {
                let values = group.given.len();
                let given = &group.given[((uniform() * values as f64) as usize).min(values - 1)];
                group.tallies.iter().zip(given).for_each(|(t, p)| bad[*t] += usize::from(uniform() < *p));
            }
            let again = |(t, bad): (&Tally, &usize)| Tally { bad: *bad, sound: t.bad + t.sound - bad, ..*t };
            let curve = pooled(&self.told().iter().zip(&bad).map(again).collect::<Vec<_>>());
            let mut block = 0;
            for (point, values) in points.iter().zip(&mut drawn) {
                while curve[block].high < *point {
                    block += 1;
                }
                values.push(curve[block].rate());
            }
        }
        let bound = |(forecast, mut values): (LogOdds, Vec<f64>)| {
            values.sort_unstable_by(f64::total_cmp);
            Bound { forecast, low: quantile(&values, TAIL), high: quantile(&values, 1.0 - TAIL) }
        };
        Ok(points.into_iter().zip(drawn).map(bound).collect())
    }
}

/// All distinct forecasts, or [`BAND_POINTS`] of them.
fn spread(told: &[Tally]) -> Vec<LogOdds> {
    let kept = told.len().min(BAND_POINTS);
    let last = told.len() - 1;
    (0..kept).map(|i| told[i * last / (kept - 1).max(1)].forecast).collect()
}

/// The quantile of sorted values, linear between them.
fn quantile(sorted: &[f64], q: f64) -> f64 {
    let at = q * (sorted.len() - 1) as f64;
    let (below, above) = (sorted[at.floor() as usize], sorted[at.ceil() as usize]);
    below + (above - below) * at.fract()
}

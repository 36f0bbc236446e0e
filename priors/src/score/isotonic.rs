//! Isotonic regression: the rates that rise with the forecast and fit the outcomes best.
//!
//! Equal forecasts are one to begin with; then, as long as a block's rate is not above that of the block
//! before it, the two become one (pool adjacent violators). The result is the best increasing
//! recalibration under every proper score at once.
//! Reference: M. Ayer, H. D. Brunk, G. M. Ewing, W. T. Reid and E. Silverman, Annals of Mathematical
//! Statistics 26 (1955) 641–647.
//!
//! ```
//! use steelyard_priors::LogOdds;
//! use steelyard_priors::score::Forecasts;
//!
//! let told = [(0.1, false), (0.3, true), (0.5, false), (0.8, true)];
//! let cases: Vec<_> = told.iter().map(|&(p, bad)| Ok((LogOdds::of(p)?, bad))).collect::<Result<_, _>>()?;
//! let forecasts = Forecasts::new(&cases)?;
//! let rates: Vec<f64> = forecasts.isotonic().iter().map(|block| block.rate()).collect();
//! assert_eq!(rates, [0.0, 0.5, 1.0]);
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

use super::Tally;
use crate::LogOdds;

/// Neighbouring forecasts that the isotonic regression gives one rate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Block {
    /// Lowest forecast.
    pub low: LogOdds,
    /// Highest forecast.
    pub high: LogOdds,
    /// Number of cases.
    pub cases: usize,
    /// How many of them were bad.
    pub bad: usize,
}

impl Block {
    /// The share of bad cases: the recalibrated forecast.
    #[must_use]
    pub fn rate(&self) -> f64 {
        self.bad as f64 / self.cases as f64
    }

    /// Whether the rate is above `other`'s, exactly.
    fn above(&self, other: &Self) -> bool {
        self.bad as u128 * other.cases as u128 > other.bad as u128 * self.cases as u128
    }
}

/// The blocks of distinct forecasts that rise.
pub(super) fn pooled(told: &[Tally]) -> Vec<Block> {
    let mut blocks: Vec<Block> = Vec::new();
    for t in told {
        let mut last = Block { low: t.forecast, high: t.forecast, cases: t.bad + t.sound, bad: t.bad };
        while let Some(before) = blocks.pop_if(|before| !last.above(before)) {
            last = Block {
                low: before.low,
                high: last.high,
                cases: before.cases + last.cases,
                bad: before.bad + last.bad,
            };
        }
        blocks.push(last);
    }
    blocks
}

//! Are forecasts better than others of the same cases, or is it chance?
//!
//! With d_i what the second forecast of case i gains on the first in its log score,
//!
//! ```text
//! gain = mean of d_i,   standard error = √( G/(G−1) · Σ_g (Σ_{i in g} (d_i − gain))² ) / n
//! ```
//!
//! over G groups of cases that hang together, such as the watches of one seller. Where every case is
//! a group of its own that is the standard error of a mean of n paired differences, and gain by it the
//! statistic by which mean scores are compared (F. X. Diebold and R. S. Mariano, Journal of Business &
//! Economic Statistics 13 (1995) 253–263); for groups see K.-Y. Liang and S. L. Zeger, Biometrika 73
//! (1986) 13–22.
//!
//! ```
//! use steelyard_priors::LogOdds;
//! use steelyard_priors::score::gain::{Compared, Gain};
//!
//! let case = |group, bad, first, second| {
//!     Ok(Compared { group, bad, first: LogOdds::of(first)?, second: LogOdds::of(second)? })
//! };
//! let cases = [case(1, true, 0.5, 0.8), case(2, false, 0.4, 0.2), case(3, true, 0.7, 0.9), case(4, false, 0.3, 0.4)];
//! let gain = Gain::new(cases.into_iter().collect::<Result<Vec<_>, steelyard_priors::Error>>()?);
//! // Three of four are better, and it may be chance all the same.
//! assert!(gain.mean > 0.2 && !gain.is_beyond_chance());
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

use crate::LogOdds;
use std::collections::BTreeMap;

/// Standard errors from which on a gain, or a loss, is not put down to chance: of equally good
/// forecasts one in twenty would show as much.
pub const BEYOND_CHANCE: f64 = 2.0;

/// Two forecasts of a case and what came of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Compared<G> {
    /// Cases with the same are not independent of each other.
    pub group: G,
    /// Whether it was bad.
    pub bad: bool,
    /// One forecast.
    pub first: LogOdds,
    /// The other.
    pub second: LogOdds,
}

/// What second forecasts gain on first ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gain {
    /// Mean log score of the first less that of the second, nats: above 0 the second are better.
    pub mean: f64,
    /// Its standard error; `None` of fewer than two groups, which tell nothing of chance.
    pub standard_error: Option<f64>,
}

impl Gain {
    /// Compares the log scores; 0 of no cases.
    pub fn new<G: Ord>(cases: impl IntoIterator<Item = Compared<G>>) -> Self {
        let differences: Vec<(G, f64)> = cases
            .into_iter()
            .map(|c| (c.group, c.second.ln_likelihood(c.bad) - c.first.ln_likelihood(c.bad)))
            .collect();
        let n = differences.len() as f64;
        let mean = differences.iter().map(|(_, d)| d).sum::<f64>() / n.max(1.0);
        let mut groups: BTreeMap<G, f64> = BTreeMap::new();
        for (group, d) in differences {
            *groups.entry(group).or_default() += d - mean;
        }
        let count = groups.len() as f64;
        let squares: f64 = groups.values().map(|sum| sum * sum).sum();
        let standard_error = (groups.len() > 1).then(|| (count / (count - 1.0) * squares).sqrt() / n);
        Self { mean, standard_error }
    }

    /// Whether it is more than two standard errors from nothing.
    #[must_use]
    pub fn is_beyond_chance(&self) -> bool {
        self.standard_error.is_some_and(|error| self.mean.abs() > BEYOND_CHANCE * error)
    }
}

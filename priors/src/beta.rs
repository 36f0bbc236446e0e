//! The Beta distribution: a rate, and how many cases one's opinion of it is worth.
//!
//! ```text
//! p(θ) = θ^(a−1) (1−θ)^(b−1) / B(a, b),   mean a/(a+b),   strength a+b
//! ```
//!
//! Distribution function and quantiles are integrated on the scale of logit θ: where a or b is far
//! below 1 most of the mass lies at rates that a double cannot hold, and the usual algorithms (AS 63,
//! AS 109) fail there or at large a + b.
//!
//! ```
//! use steelyard_priors::Beta;
//!
//! let rate = Beta::new(0.001, 0.001)?;
//! let low = rate.quantile(0.4)?;
//! assert!((low.ln_probability() - -223.14519384794465).abs() < 1e-9);
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

use crate::error::{Error, checked};
use crate::quadrature::{Grid, Kernel, beta_cdf_sf};
use crate::{LogOdds, special};

/// A Beta(a, b) distribution of a rate θ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beta {
    a: f64,
    b: f64,
}

impl Beta {
    /// Beta(a, b).
    ///
    /// # Errors
    /// If a or b is not a number from 10⁻¹⁰⁰ to 10¹⁵: beyond, a rate can no longer be told from a
    /// fixed number.
    pub fn new(a: f64, b: f64) -> Result<Self, Error> {
        let shape = |name, value: f64| {
            let valid = (1e-100..=1e15).contains(&value);
            checked(name, value, valid, "a number from 1e-100 to 1e15")
        };
        Ok(Self { a: shape("a", a)?, b: shape("b", b)? })
    }

    /// Number of bad cases the opinion is worth.
    #[must_use]
    pub fn a(&self) -> f64 {
        self.a
    }

    /// Number of sound cases the opinion is worth.
    #[must_use]
    pub fn b(&self) -> f64 {
        self.b
    }

    /// a + b.
    #[must_use]
    pub fn strength(&self) -> f64 {
        self.a + self.b
    }

    /// E\[θ\].
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.a / self.strength()
    }

    /// E\[1−θ\].
    #[must_use]
    pub fn mean_complement(&self) -> f64 {
        self.b / self.strength()
    }

    /// Standard deviation of θ.
    #[must_use]
    pub fn sd(&self) -> f64 {
        (self.mean() * self.mean_complement() / (self.strength() + 1.0)).sqrt()
    }

    /// The distribution after `bad` more bad and `sound` more sound cases.
    ///
    /// ```
    /// # use steelyard_priors::Beta;
    /// let after = Beta::new(1.4, 8.6)?.after(4.0, 10.0)?;
    /// assert_eq!(after, Beta::new(5.4, 18.6)?);
    /// # Ok::<(), steelyard_priors::Error>(())
    /// ```
    ///
    /// # Errors
    /// If the result is no Beta distribution.
    pub fn after(&self, bad: f64, sound: f64) -> Result<Self, Error> {
        Self::new(self.a + bad, self.b + sound)
    }

    /// ln of the density of t = logit θ at `x`, that is ln[θ^a (1−θ)^b / B(a, b)].
    #[must_use]
    pub fn ln_density(&self, x: LogOdds) -> f64 {
        special::ln_beta_density(self.a, self.b, x)
    }

    /// P(θ ≤ x).
    ///
    /// ```
    /// # use steelyard_priors::{Beta, LogOdds};
    /// let even = Beta::new(1e6, 1e6)?;
    /// assert!((even.cdf(LogOdds::new(0.0)) - 0.5).abs() < 1e-12);
    /// # Ok::<(), steelyard_priors::Error>(())
    /// ```
    #[must_use]
    pub fn cdf(&self, x: LogOdds) -> f64 {
        beta_cdf_sf(self.a, self.b, x).0
    }

    /// P(θ > x), without subtracting from 1 where it is small.
    #[must_use]
    pub fn sf(&self, x: LogOdds) -> f64 {
        beta_cdf_sf(self.a, self.b, x).1
    }

    /// The rate below which the probability p lies.
    ///
    /// # Errors
    /// If p is not strictly between 0 and 1.
    pub fn quantile(&self, p: f64) -> Result<LogOdds, Error> {
        self.grid().quantile(p)
    }

    /// The rate above which the probability q lies: the quantile at 1 − q, also for q below 10⁻¹⁶.
    ///
    /// # Errors
    /// If q is not strictly between 0 and 1.
    pub fn upper_quantile(&self, q: f64) -> Result<LogOdds, Error> {
        self.grid().upper_quantile(q)
    }

    pub(crate) fn grid(&self) -> Grid {
        Grid::new(Kernel { a: self.a, b: self.b, factors: Vec::new(), pairs: Vec::new() })
    }
}

//! Probabilities held as log-odds, so that neither end of the scale is lost.
//!
//! A double cannot tell 1 − 10⁻²⁰ from 1, nor hold e⁻²⁰⁰⁰ at all, and sellers about whom little is
//! known have both. With t = ln(p / (1 − p)),
//!
//! ```text
//! p = 1/(1+e^−t)     1−p = 1/(1+e^t)     ln p = −ln(1+e^−t)
//! ```
//!
//! ```
//! use steelyard_priors::LogOdds;
//!
//! let nearly_certain = LogOdds::new(60.0);
//! assert_eq!(nearly_certain.probability(), 1.0);
//! assert!((nearly_certain.complement() / 8.756510762696521e-27 - 1.0).abs() < 1e-14);
//! ```

use crate::error::{Error, probability};

/// A probability p, held as ln(p / (1 − p)).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct LogOdds(f64);

impl LogOdds {
    /// The probability with these log-odds; ±∞ are certainty.
    #[must_use]
    pub fn new(log_odds: f64) -> Self {
        Self(log_odds)
    }

    /// The log-odds of the probability p; its complement is no more exact than 1 − p is.
    ///
    /// ```
    /// # use steelyard_priors::LogOdds;
    /// assert_eq!(LogOdds::of(0.5)?.value(), 0.0);
    /// assert!((LogOdds::of(1e-300)?.value() - -690.7755278982137).abs() < 1e-12);
    /// # Ok::<(), steelyard_priors::Error>(())
    /// ```
    ///
    /// # Errors
    /// If p is no probability.
    pub fn of(p: f64) -> Result<Self, Error> {
        let p = probability("p", p)?;
        Ok(Self(p.ln() - (-p).ln_1p()))
    }

    /// ln(p / (1 − p)).
    #[must_use]
    pub fn value(self) -> f64 {
        self.0
    }

    /// p.
    ///
    /// ```
    /// # use steelyard_priors::LogOdds;
    /// assert_eq!(LogOdds::new(0.0).probability(), 0.5);
    /// ```
    #[must_use]
    pub fn probability(self) -> f64 {
        let e = (-self.0.abs()).exp();
        if self.0 < 0.0 { e / (1.0 + e) } else { 1.0 / (1.0 + e) }
    }

    /// 1 − p, to full relative precision however close to 1 p is.
    #[must_use]
    pub fn complement(self) -> f64 {
        Self(-self.0).probability()
    }

    /// ln p, finite even where p itself underflows.
    ///
    /// ```
    /// # use steelyard_priors::LogOdds;
    /// assert_eq!(LogOdds::new(-3000.0).ln_probability(), -3000.0);
    /// ```
    #[must_use]
    pub fn ln_probability(self) -> f64 {
        let l = (-self.0.abs()).exp().ln_1p();
        if self.0 < 0.0 { self.0 - l } else { -l }
    }

    /// ln(1 − p).
    #[must_use]
    pub fn ln_complement(self) -> f64 {
        Self(-self.0).ln_probability()
    }

    /// ln of the probability that this gave to what came: ln p if it `happened`, else ln(1 − p).
    #[must_use]
    pub fn ln_likelihood(self, happened: bool) -> f64 {
        if happened { self.ln_probability() } else { self.ln_complement() }
    }
}

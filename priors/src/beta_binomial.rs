//! How many of n watches are bad, when their rate is known only as a Beta distribution.
//!
//! ```text
//! P(k) = C(n, k) · B(a+k, b+n−k) / B(a, b)
//! ```
//!
//! Reference: J. G. Skellam, JRSS B 10 (1948) 257–261. The probability is written as ratios of Γ at
//! neighbouring points, taken either along the counts or along the parameters, whichever are the
//! smaller: summing ln Γ values loses 2·10⁻³ at a = 10¹⁰.
//!
//! ```
//! use steelyard_priors::{Beta, BetaBinomial};
//!
//! let next_thirty = BetaBinomial::new(30, Beta::new(1e10, 1e11)?);
//! assert!((next_thirty.ln_pmf(2) - -1.3891295491036986).abs() < 1e-12);
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

use crate::Beta;
use crate::special::{ln_beta, ln_beta_ratio, ln_gamma_step};

/// The number of bad ones among n, with rate ~ Beta(a, b).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BetaBinomial {
    n: u64,
    rate: Beta,
}

impl BetaBinomial {
    /// The number of bad ones among `n`.
    #[must_use]
    pub fn new(n: u64, rate: Beta) -> Self {
        Self { n, rate }
    }

    /// n·E\[θ\].
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.n as f64 * self.rate.mean()
    }

    /// n·m·(1−m)·(a+b+n)/(a+b+1).
    #[must_use]
    pub fn variance(&self) -> f64 {
        let (n, s) = (self.n as f64, self.rate.strength());
        self.mean() * self.rate.mean_complement() * ((s + n) / (s + 1.0))
    }

    /// ln P(k); −∞ for k > n.
    #[must_use]
    pub fn ln_pmf(&self, k: u64) -> f64 {
        if k > self.n {
            return f64::NEG_INFINITY;
        }
        let (a, b) = (self.rate.a(), self.rate.b());
        let (n, bad, sound) = (self.n as f64, k as f64, (self.n - k) as f64);
        if a + b < n {
            // B(a+k, b+n−k) against B(k+1, n−k+1), a step of a−1 and b−1.
            let step = ln_gamma_step(bad + 1.0, a - 1.0, bad + a) + ln_gamma_step(sound + 1.0, b - 1.0, sound + b)
                - ln_gamma_step(n + 2.0, a + b - 2.0, n + a + b);
            step - n.ln_1p() - ln_beta(a, b)
        } else {
            // B(a+k, b+n−k) against B(a, b), a step of k and n−k.
            ln_beta_ratio(a, b, bad, sound) - n.ln_1p() - ln_beta(bad + 1.0, sound + 1.0)
        }
    }

    /// P(at most k).
    #[must_use]
    pub fn cdf(&self, k: u64) -> f64 {
        if k >= self.n {
            return 1.0;
        }
        let (a, b, n) = (self.rate.a(), self.rate.b(), self.n as f64);
        let ratios = (1..=k).rev().map(|j| {
            let j = j as f64;
            j / (n - j + 1.0) * ((n - j + b) / (j - 1.0 + a))
        });
        (self.ln_pmf(k) + ln_sum_of_products(ratios)).exp().min(1.0)
    }

    /// P(more than k), summed from above: small values keep their digits.
    #[must_use]
    pub fn sf(&self, k: u64) -> f64 {
        if k >= self.n {
            return 0.0;
        }
        let (a, b, n) = (self.rate.a(), self.rate.b(), self.n as f64);
        let ratios = (k + 1..self.n).map(|j| {
            let j = j as f64;
            (n - j) / (j + 1.0) * ((j + a) / (n - j - 1.0 + b))
        });
        (self.ln_pmf(k + 1) + ln_sum_of_products(ratios)).exp().min(1.0)
    }
}

/// ln(1 + r₁ + r₁r₂ + …).
fn ln_sum_of_products(ratios: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut term, mut ln_scale) = (1.0_f64, 1.0_f64, 0.0);
    for r in ratios {
        term *= r;
        sum += term;
        if sum > 1e200 {
            ln_scale += sum.ln();
            term /= sum;
            sum = 1.0;
        }
    }
    ln_scale + sum.ln()
}

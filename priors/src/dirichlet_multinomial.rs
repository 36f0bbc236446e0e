//! How n cases fall into several kinds, when the shares are known only as a Dirichlet distribution.
//!
//! ```text
//! P(x) = n!/Π x_k! · Γ(A)/Γ(A+n) · Π Γ(α_k+x_k)/Γ(α_k),   A = Σ α_k,  n = Σ x_k
//! ```
//!
//! Reference: J. E. Mosimann, Biometrika 49 (1962) 65–82. Each ratio of Γ is taken as one step, so that
//! large α cost no digits.
//!
//! ```
//! use steelyard_priors::DirichletMultinomial;
//!
//! let shares = DirichletMultinomial::new(vec![1e6; 4])?;
//! assert!((shares.ln_pmf(&[1, 1, 1, 1])? - -2.3671251141311793).abs() < 1e-13);
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

use statrs::function::gamma::ln_gamma;

use crate::error::{Error, checked};
use crate::special::ln_gamma_ratio;

/// Counts by kind, with shares ~ Dirichlet(α).
#[derive(Debug, Clone, PartialEq)]
pub struct DirichletMultinomial {
    alpha: Vec<f64>,
}

impl DirichletMultinomial {
    /// Shares ~ Dirichlet(α).
    ///
    /// # Errors
    /// If an α is not a number from 10⁻¹⁰⁰ to 10¹⁵.
    pub fn new(alpha: Vec<f64>) -> Result<Self, Error> {
        for &value in &alpha {
            let valid = (1e-100..=1e15).contains(&value);
            checked("alpha", value, valid, "a number from 1e-100 to 1e15")?;
        }
        Ok(Self { alpha })
    }

    /// ln P(x).
    ///
    /// # Errors
    /// If there is not one count for each α.
    pub fn ln_pmf(&self, x: &[u64]) -> Result<f64, Error> {
        if x.len() != self.alpha.len() {
            return Err(Error::Length { given: x.len(), expected: self.alpha.len() });
        }
        let n: f64 = x.iter().map(|&k| k as f64).sum();
        let total: f64 = self.alpha.iter().sum();
        let kinds: f64 = self
            .alpha
            .iter()
            .zip(x)
            .filter(|&(_, &k)| k > 0)
            .map(|(&alpha, &k)| ln_gamma_ratio(alpha, k as f64) - ln_gamma(k as f64 + 1.0))
            .sum();
        Ok(if n > 0.0 { kinds + ln_gamma(n + 1.0) - ln_gamma_ratio(total, n) } else { 0.0 })
    }
}

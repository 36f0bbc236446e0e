//! Differences of ln Γ without cancellation.
//!
//! `statrs` gives ln Γ and ψ to a few units in the last place. Sums such as
//! ln B(a, b) = ln Γ(a) + ln Γ(b) − ln Γ(a+b) still lose every digit when one argument is large
//! (ln B(10¹⁵, ½) comes out wrong by 20 %). Here the large parts are taken out by hand with
//! Stirling's formula
//!
//! ```text
//! ln Γ(x) = (x−½)·ln x − x + ½·ln 2π + Δ(x),    Δ(x) = 1/(12x) − 1/(360x³) + …
//! ```
//!
//! and only the small remainders Δ are subtracted.
//! Reference: A. R. DiDonato and A. H. Morris, Algorithm 708, ACM TOMS 18 (1992) 360–373;
//! C. Loader, Fast and accurate computation of binomial probabilities (2000).
//!
//! ```
//! use steelyard_priors::special::ln_beta;
//!
//! assert!((ln_beta(1e15, 0.5) - -16.69702325453064).abs() < 1e-13);
//! ```

use statrs::function::gamma::ln_gamma;

/// From here on seven terms of Stirling's series are exact to the last digit.
const STIRLING_FROM: f64 = 8.0;
const HALF_LN_TWO_PI: f64 = 0.918_938_533_204_672_8;

/// Δ(x) for x ≥ [`STIRLING_FROM`]; coefficients B₂ₖ / (2k(2k−1)), Abramowitz & Stegun 6.1.41.
fn stirling_remainder(x: f64) -> f64 {
    const C: [f64; 7] =
        [1.0 / 12.0, -1.0 / 360.0, 1.0 / 1260.0, -1.0 / 1680.0, 1.0 / 1188.0, -691.0 / 360_360.0, 1.0 / 156.0];
    let z = 1.0 / (x * x);
    C.iter().rev().fold(0.0, |sum, c| sum * z + c) / x
}

/// ln Γ(y) − ln Γ(x) for y = x + s, where s is known more exactly than y − x.
pub(crate) fn ln_gamma_step(x: f64, s: f64, y: f64) -> f64 {
    if x.min(y) < STIRLING_FROM {
        ln_gamma(y) - ln_gamma(x)
    } else {
        s * y.ln() + ((x - 0.5) * (s / x).ln_1p() - s) + (stirling_remainder(y) - stirling_remainder(x))
    }
}

/// ln Γ(x + s) − ln Γ(x) for x > 0 and x + s > 0: the logarithm of the rising factorial x⁽ˢ⁾.
///
/// ```
/// use steelyard_priors::special::ln_gamma_ratio;
///
/// // Γ(x+2)/Γ(x) = x·(x+1), also where ln Γ(x) alone is good to ten digits only.
/// let x: f64 = 1e12;
/// assert!((ln_gamma_ratio(x, 2.0) - (x.ln() + (x + 1.0).ln())).abs() < 1e-13);
/// ```
#[must_use]
pub fn ln_gamma_ratio(x: f64, s: f64) -> f64 {
    ln_gamma_step(x, s, x + s)
}

/// ln B(a, b) for a, b > 0.
#[must_use]
pub fn ln_beta(a: f64, b: f64) -> f64 {
    let (p, q) = if a < b { (a, b) } else { (b, a) };
    if q < STIRLING_FROM {
        ln_gamma(p) + ln_gamma(q) - ln_gamma(p + q)
    } else if p < STIRLING_FROM {
        ln_gamma(p) - ln_gamma_ratio(q, p)
    } else {
        HALF_LN_TWO_PI - 0.5 * q.ln() - (p - 0.5) * (q / p).ln_1p() - q * (p / q).ln_1p() + ln_beta_remainder(p, q)
    }
}

/// Δ(a) + Δ(b) − Δ(a+b), for a, b ≥ [`STIRLING_FROM`].
fn ln_beta_remainder(a: f64, b: f64) -> f64 {
    stirling_remainder(a) + stirling_remainder(b) - stirling_remainder(a + b)
}

/// ln B(a+x, b+y) − ln B(a, b): the log probability of x bad and y sound in a given order, when the
/// rate of bad ones is Beta(a, b).
///
/// ```
/// use steelyard_priors::special::ln_beta_ratio;
///
/// // One more bad one: a/(a+b).
/// assert!((ln_beta_ratio(3.0, 7.0, 1.0, 0.0) - 0.3_f64.ln()).abs() < 1e-14);
/// ```
#[must_use]
pub fn ln_beta_ratio(a: f64, b: f64, x: f64, y: f64) -> f64 {
    ln_gamma_ratio(a, x) + ln_gamma_ratio(b, y) - ln_gamma_ratio(a + b, x + y)
}

/// ψ′(x) for x > 0: the variance of ln of a Gamma(x) variate.
///
/// Recurrence ψ′(x) = ψ′(x+1) + 1/x² and the asymptotic series (Abramowitz & Stegun 6.4.6, 6.4.12).
///
/// ```
/// use steelyard_priors::special::trigamma;
///
/// // ψ′(1) = π²/6 (Abramowitz & Stegun 6.4.2).
/// assert!((trigamma(1.0) - std::f64::consts::PI.powi(2) / 6.0).abs() < 1e-14);
/// ```
#[must_use]
pub fn trigamma(x: f64) -> f64 {
    /// From here on the series below is exact to the last digit.
    const SERIES_FROM: f64 = 15.0;
    const BERNOULLI: [f64; 6] = [1.0 / 6.0, -1.0 / 30.0, 1.0 / 42.0, -1.0 / 30.0, 5.0 / 66.0, -691.0 / 2730.0];
    let (mut x, mut sum) = (x, 0.0);
    while x < SERIES_FROM {
        sum += 1.0 / (x * x);
        x += 1.0;
    }
    let z = 1.0 / (x * x);
    let series = BERNOULLI.iter().rev().fold(0.0, |sum, b| sum * z + b) * z;
    sum + (1.0 + 0.5 / x + series) / x
}

/// u − ln(1+u), exact also where both nearly agree.
fn log1p_gap(u: f64) -> f64 {
    if u.abs() > 0.5 {
        return u - u.ln_1p();
    }
    // ln(1+u) = 2·atanh(r), r = u/(2+u); the leading 2r is taken from u exactly.
    let r = u / (2.0 + u);
    let z = r * r;
    // |r| ≤ 1/3: z^17 < 1e-16.
    let series = (1..18).rev().fold(0.0, |sum, k| (sum + 1.0 / f64::from(2 * k + 1)) * z);
    u * r - 2.0 * r * series
}

/// ln[θ^a (1−θ)^b / B(a, b)]: the Beta(a, b) density on the scale of t = logit θ.
pub(crate) fn ln_beta_density(a: f64, b: f64, theta: crate::LogOdds) -> f64 {
    if a.min(b) < STIRLING_FROM {
        return a * theta.ln_probability() + b * theta.ln_complement() - ln_beta(a, b);
    }
    // Loader's saddle-point form: the deviance from the mean, then the remainders.
    let n = a + b;
    let deviance = a * log1p_gap((n * theta.probability() - a) / a) + b * log1p_gap((n * theta.complement() - b) / b);
    0.5 * (a * (b / n)).ln() - HALF_LN_TWO_PI - ln_beta_remainder(a, b) - deviance
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn log1p_gap_joins_its_two_branches() {
        for u in [0.5_f64, -0.5] {
            let (inside, outside) = (u * (1.0 - 1e-9), u * (1.0 + 1e-9));
            let slope = u / (1.0 + u);
            let predicted = log1p_gap(inside) + slope * (outside - inside);
            assert!((log1p_gap(outside) - predicted).abs() < 1e-15);
        }
        assert!((log1p_gap(1e-8) / 5e-17 - 1.0).abs() < 1e-8);
    }

    #[test]
    fn both_forms_of_the_beta_density_agree_where_both_are_good() {
        for t in [-2.0, -0.3, 0.0, 1.5] {
            let theta = crate::LogOdds::new(t);
            let direct = |a: f64, b: f64| a * theta.ln_probability() + b * theta.ln_complement() - ln_beta(a, b);
            assert!((ln_beta_density(9.0, 14.0, theta) - direct(9.0, 14.0)).abs() < 1e-13);
            assert!((ln_beta_density(30.0, 8.5, theta) - direct(30.0, 8.5)).abs() < 1e-13);
        }
    }
}

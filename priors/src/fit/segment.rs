//! How often watches are bad in a segment, and how much its sellers differ.
//!
//! The segment's figures a and b maximise the marginal likelihood of its sellers, each with a rate
//! θ of its own that is integrated out, times a proper prior, so that a few sellers cannot run
//! away with them:
//!
//! ```text
//! Π_sellers ∫ Π_i (θ·L_bad,i + (1−θ)·L_sound,i) Beta(θ; a, b) dθ · prior(m, s),   m = a/(a+b), s = a+b
//! ln prior = κ·[m₀ ln m + (1−m₀) ln(1−m)] − (ln s − ln s₀)²/(2σ²)
//! ```
//!
//! With complete outcomes and no prior this is the type-II maximum likelihood of the beta-binomial.
//! Newton's method in (logit m, ln s), where the two are nearly independent, with exact slopes:
//! ∂ ln ∫/∂a = E\[ln θ\] − (ψ(a) − ψ(a+b)) and likewise for the curvature.
//!
//! ```
//! use steelyard_priors::fit::segment::{Hyperprior, maximise};
//! use steelyard_priors::seller::{Evidence, Outcomes, Prior};
//!
//! let start = Prior::new(2.5, 7.5)?;
//! let sellers = [(4, 5), (0, 6), (1, 3), (5, 5), (0, 4)].map(|(bad, total)| Evidence {
//!     outcomes: Outcomes::new(bad, total).unwrap(),
//!     ..Evidence::default()
//! });
//! let level = maximise(&sellers, start, Some(&Hyperprior::new(start, 10.0, 1.0)?))?;
//! // Sellers this different make the segment wider than it was thought to be.
//! assert!(level.prior.strength() < 5.0 && level.prior.mean() > 0.25);
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

use crate::error::{Error, checked};
use crate::seller::{Evidence, LogMoments, Prior, SellerPosterior};
use crate::special::trigamma;
use crate::{Beta, LogOdds};
use statrs::function::gamma::digamma;

/// What is held of a segment's figures before its sellers are looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hyperprior {
    centre: Prior,
    cases: f64,
    log_sd: f64,
}

impl Hyperprior {
    /// The mean rate of `centre` is worth `cases`; `log_sd` is the standard deviation of ln(a+b).
    ///
    /// # Errors
    /// If either figure is not above 0.
    pub fn new(centre: Prior, cases: f64, log_sd: f64) -> Result<Self, Error> {
        let above = |name, x: f64| checked(name, x, x > 0.0 && x.is_finite(), "a number above 0");
        Ok(Self { centre, cases: above("cases", cases)?, log_sd: above("log_sd", log_sd)? })
    }

    /// ln of the density, up to a constant, in (logit m, ln s).
    #[must_use]
    pub fn ln_density(&self, at: Prior) -> f64 {
        let (m0, c0) = (self.centre.mean(), self.centre.mean_complement());
        let z = (at.strength() / self.centre.strength()).ln() / self.log_sd;
        self.cases * (m0 * at.mean().ln() + c0 * at.mean_complement().ln()) - 0.5 * z * z
    }
}

/// What the sellers say of a segment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// The segment's figures.
    pub prior: Prior,
    /// ln of marginal likelihood times prior there.
    pub ln_density: f64,
    /// Number of known cases that the sellers' evidence on the mean rate is worth.
    pub cases: f64,
    /// The information that the sellers hold on ln(a+b): one over its variance.
    pub spread_information: f64,
    /// Whether the maximum was reached; without a prior there may be none.
    pub converged: bool,
}

/// All sellers of a segment under given figures.
#[derive(Debug, Clone)]
pub(crate) struct Survey {
    pub(crate) prior: Prior,
    /// ln of the sellers' marginal likelihood.
    pub(crate) ln_marginal: f64,
    /// P(bad) of every listing, seller after seller.
    pub(crate) pooled: Vec<Vec<LogOdds>>,
    sellers: f64,
    /// Summed over the sellers.
    moments: LogMoments,
}

impl Survey {
    pub(crate) fn new(sellers: &[Evidence], prior: Prior) -> Result<Self, Error> {
        let mut all = Self {
            prior,
            ln_marginal: 0.0,
            pooled: Vec::with_capacity(sellers.len()),
            sellers: sellers.len() as f64,
            moments: LogMoments::default(),
        };
        for seller in sellers {
            let posterior = SellerPosterior::new(prior, seller)?;
            let (to, from) = (&mut all.moments, posterior.log_moments());
            to.bad += from.bad;
            to.sound += from.sound;
            to.bad_bad += from.bad_bad;
            to.bad_sound += from.bad_sound;
            to.sound_sound += from.sound_sound;
            all.ln_marginal += posterior.ln_marginal();
            all.pooled.push(posterior.pooled());
        }
        Ok(all)
    }

    pub(crate) fn ln_density(&self, hyperprior: Option<&Hyperprior>) -> f64 {
        self.ln_marginal + hyperprior.map_or(0.0, |h| h.ln_density(self.prior))
    }

    /// Slope and curvature of the marginal likelihood in (logit m, ln s).
    fn derivatives(&self) -> ([f64; 2], [[f64; 2]; 2]) {
        let (a, b, s) = (self.prior.a(), self.prior.b(), self.prior.strength());
        let (m, c) = (self.prior.mean(), self.prior.mean_complement());
        let n = self.sellers;
        let by_a = self.moments.bad - n * (digamma(a) - digamma(s));
        let by_b = self.moments.sound - n * (digamma(b) - digamma(s));
        let aa = self.moments.bad_bad - n * (trigamma(a) - trigamma(s));
        let bb = self.moments.sound_sound - n * (trigamma(b) - trigamma(s));
        let ab = self.moments.bad_sound + n * trigamma(s);
        let (ax, bx) = (a * c, -b * m);
        let slope = [by_a * ax + by_b * bx, by_a * a + by_b * b];
        let xx = aa * ax * ax + 2.0 * ab * ax * bx + bb * bx * bx + (by_a * ax + by_b * bx) * (c - m);
        let xz = aa * ax * a + ab * (ax * b + bx * a) + bb * bx * b + slope[0];
        let zz = aa * a * a + 2.0 * ab * a * b + bb * b * b + slope[1];
        (slope, [[xx, xz], [xz, zz]])
    }

    /// One step of Newton's method that does not lower the density; the same survey if none is found.
    pub(crate) fn step(&self, sellers: &[Evidence], hyperprior: Option<&Hyperprior>) -> Result<Self, Error> {
        /// Halvings before giving up: the step is then beyond the rounding of the density.
        const HALVINGS: i32 = 12;
        let here = self.ln_density(hyperprior);
        let ([dx, dz], _) = self.newton(hyperprior);
        for halving in 0..HALVINGS {
            let share = 0.5_f64.powi(halving);
            let Ok(there) = moved(self.prior, share * dx, share * dz) else { continue };
            let survey = Self::new(sellers, there)?;
            if survey.ln_density(hyperprior) >= here {
                return Ok(survey);
            }
        }
        Ok(self.clone())
    }

    /// The step, and what the density gains by it if it is as curved all the way.
    fn newton(&self, hyperprior: Option<&Hyperprior>) -> ([f64; 2], f64) {
        /// Longest step in logit m and in ln s.
        const LONGEST: [f64; 2] = [1.0, 1.5];
        let (mut g, mut h) = self.derivatives();
        if let Some(prior) = hyperprior {
            let (m, precision) = (self.prior.mean(), prior.log_sd.powi(-2));
            g[0] += prior.cases * (prior.centre.mean() - m);
            h[0][0] -= prior.cases * m * self.prior.mean_complement();
            g[1] -= (self.prior.strength() / prior.centre.strength()).ln() * precision;
            h[1][1] -= precision;
        }
        // −H raised until it is positive definite (Levenberg 1944).
        let (p, q, r) = (-h[0][0], -h[0][1], -h[1][1]);
        let least = 0.5 * (p + r) - (0.25 * (p - r) * (p - r) + q * q).sqrt();
        let scale = p.abs().max(r.abs()).max(q.abs());
        let lift = (1e-3 * scale - least).max(0.0);
        let (p, r) = (p + lift, r + lift);
        let determinant = p * r - q * q;
        let step = [(r * g[0] - q * g[1]) / determinant, (p * g[1] - q * g[0]) / determinant];
        let too_long = step.iter().zip(LONGEST).map(|(d, most)| d.abs() / most).fold(1.0, f64::max);
        let step = step.map(|d| if d.is_finite() { d / too_long } else { 0.0 });
        (step, 0.5 * (g[0] * step[0] + g[1] * step[1]))
    }

    /// Number of known cases that the evidence on the mean rate is worth.
    pub(crate) fn cases(&self) -> f64 {
        let (_, h) = self.derivatives();
        (-h[0][0] / (self.prior.mean() * self.prior.mean_complement())).max(0.0)
    }

    /// One over the variance of ln(a+b), as far as the sellers tell.
    pub(crate) fn spread_information(&self) -> f64 {
        let (_, h) = self.derivatives();
        (-h[1][1]).max(0.0)
    }
}

/// The figures at another logit of the mean and another ln(a+b).
fn moved(prior: Prior, dx: f64, dz: f64) -> Result<Prior, Error> {
    let m = LogOdds::new((prior.a() / prior.b()).ln() + dx);
    let s = prior.strength() * dz.exp();
    Beta::new(s * m.probability(), s * m.complement())
}

/// The figures of a segment that maximise its sellers' marginal likelihood times the prior.
///
/// # Errors
/// If a seller's evidence is impossible.
pub fn maximise(sellers: &[Evidence], start: Prior, hyperprior: Option<&Hyperprior>) -> Result<Level, Error> {
    /// A step that gains less than this is among the rounding of the sum.
    const LEAST_GAIN: f64 = 1e-12;
    /// Newton's method needs ten; one that runs away needs no more to show it.
    const MOST_STEPS: usize = 100;
    /// Sellers that differ less than this, or are all alike good or bad, have no maximum.
    const MOST_STRENGTH: f64 = 1e7;
    const LEAST_FIGURE: f64 = 1e-7;
    let mut here = Survey::new(sellers, start)?;
    let mut converged = false;
    for _ in 0..MOST_STEPS {
        if here.prior.strength() > MOST_STRENGTH || here.prior.a().min(here.prior.b()) < LEAST_FIGURE {
            break;
        }
        let (_, gain) = here.newton(hyperprior);
        if gain < LEAST_GAIN {
            converged = true;
            break;
        }
        here = here.step(sellers, hyperprior)?;
    }
    Ok(Level {
        prior: here.prior,
        ln_density: here.ln_density(hyperprior),
        cases: here.cases(),
        spread_information: here.spread_information(),
        converged,
    })
}

//! How often a seller's watches turn out bad, and what that says of the next one.
//!
//! θ = P(bad) for one seller. Before anything is known of the seller, θ ~ Beta(a, b) with the figures
//! of the segment. What is known multiplies it by
//!
//! ```text
//! outcomes, x bad of n        θ^x (1−θ)^(n−x)
//! feedback, k negative of n   [ p^k (1−p)^(n−k) ]^w,   p = b0 + d·ν·θ,   w = min(α0, n0/n)
//! another listing             θ·L_bad + (1−θ)·L_sound
//! ```
//!
//! - Feedback is discounted by a power prior (J. G. Ibrahim and M.-H. Chen,
//!   Statistical Science 15 (2000) 46–60) and is worth at most n0 cases. Since few buyers ever see
//!   what is wrong, d·ν is small, and a near-perfect rating says little.
//! - A listing whose outcome is known has one likelihood of zero.
//!
//! For a pooled listing i, P(bad) = ∫ θ·L_bad,i / (θ·L_bad,i + (1−θ)·L_sound,i) · p(θ | everything) dθ;
//! for one more listing the same integral collapses to E\[θ\]·L_bad : E\[1−θ\]·L_sound.
//! Where all factors are powers of θ and 1−θ the posterior is a Beta and is used in closed form;
//! otherwise it is integrated on a grid over logit θ, to about 10⁻¹³.
//!
//! ```
//! use steelyard_priors::seller::*;
//!
//! let segment = Prior::new(2.5, 7.5)?;
//! let feedback = FeedbackModel::new(FeedbackFigures {
//!     baseline: 0.006,
//!     complains: 0.03,
//!     concerned: 0.3,
//!     power: 0.1,
//!     most_cases: 200.0,
//! })?;
//! let known = Evidence {
//!     outcomes: Outcomes::new(2, 3)?,
//!     feedback: Some((feedback, Feedback::new(3, 1207)?)),
//!     listings: vec![ListingLikelihood::new(0.4_f64.ln(), 0.1_f64.ln())?],
//! };
//! let seller = SellerPosterior::new(segment, &known)?;
//! assert!(seller.mean() > segment.mean());
//!
//! // One more listing, whose evidence is three times as likely from a sound watch.
//! let next = seller.bad_given(ListingLikelihood::new(0.0, 3.0_f64.ln())?);
//! assert!(next.probability() < seller.mean());
//! # Ok::<(), steelyard_priors::Error>(())
//! ```

use crate::error::{Error, checked, probability};
use crate::quadrature::{Factor, Grid, Kernel, Pair};
use crate::special::{ln_beta_ratio, trigamma};
use crate::{Beta, LogOdds};
use statrs::function::gamma::digamma;

/// What is expected of a seller's rate of bad watches before anything is known of the seller.
pub type Prior = Beta;

/// Widest difference ln L_bad − ln L_sound that is told apart from certainty (1303 decibans).
const LN_RATIO_MAX: f64 = 300.0;
/// Room for the rounding of b0 + d in the check that it is a probability.
const ROUNDING: f64 = 1e-12;

/// What became of watches already bought from the seller.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
pub struct Outcomes {
    bad: u64,
    total: u64,
}

impl Outcomes {
    /// `bad` of `total`.
    ///
    /// # Errors
    /// If `bad` exceeds `total`.
    pub fn new(bad: u64, total: u64) -> Result<Self, Error> {
        part("outcomes", bad, total).map(|(bad, total)| Self { bad, total })
    }
}

/// A marketplace's count of ratings.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Feedback {
    negative: u64,
    total: u64,
}

impl Feedback {
    /// `negative` of `total`.
    ///
    /// # Errors
    /// If `negative` exceeds `total`.
    pub fn new(negative: u64, total: u64) -> Result<Self, Error> {
        part("ratings", negative, total).map(|(negative, total)| Self { negative, total })
    }
}

fn part(name: &'static str, part: u64, total: u64) -> Result<(u64, u64), Error> {
    if part <= total { Ok((part, total)) } else { Err(Error::Count { name, part, total }) }
}

/// The five figures of a model pack that say what a negative rating means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FeedbackFigures {
    /// b0: chance of a negative rating after a sound sale.
    pub baseline: f64,
    /// d: chance, over and above it, that the buyer of a bad watch complains.
    pub complains: f64,
    /// ν: share of the seller's sales that are watches of the kind in question.
    pub concerned: f64,
    /// α0: weight of one rating against one case of the buyer's own.
    pub power: f64,
    /// n0: number of cases that ratings are worth at most.
    pub most_cases: f64,
}

/// How marketplace feedback bears on θ.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FeedbackModel {
    baseline: f64,
    slope: f64,
    power: f64,
    most_cases: f64,
}

impl FeedbackModel {
    /// The model of a pack.
    ///
    /// # Errors
    /// If a figure is no probability, `most_cases` is negative or infinite, or
    /// baseline + complains·concerned exceeds 1.
    pub fn new(figures: FeedbackFigures) -> Result<Self, Error> {
        let n0 = figures.most_cases;
        let slope = probability("complains", figures.complains)? * probability("concerned", figures.concerned)?;
        Ok(Self {
            power: probability("power", figures.power)?,
            most_cases: checked("most_cases", n0, n0.is_finite() && n0 >= 0.0, "a finite number of at least 0")?,
            ..Self::undiscounted(figures.baseline, slope)?
        })
    }

    /// Every rating counts as a full case, with probability `baseline` + `slope`·θ of a negative one.
    /// The slope may be negative.
    ///
    /// # Errors
    /// If that is no probability for some θ.
    pub fn undiscounted(baseline: f64, slope: f64) -> Result<Self, Error> {
        let top = probability("baseline", baseline)? + slope;
        let valid = (-ROUNDING..=1.0 + ROUNDING).contains(&top);
        checked("baseline + slope", top, valid, "a probability for every rate of bad watches")?;
        Ok(Self { baseline, slope, power: 1.0, most_cases: f64::INFINITY })
    }

    /// Number of cases that the ratings are worth: n·min(α0, n0/n).
    ///
    /// ```
    /// use steelyard_priors::seller::*;
    ///
    /// let model = FeedbackModel::new(FeedbackFigures {
    ///     baseline: 0.006, complains: 0.03, concerned: 0.3, power: 0.1, most_cases: 200.0,
    /// })?;
    /// assert_eq!(model.cases(Feedback::new(0, 50)?), 5.0);
    /// assert_eq!(model.cases(Feedback::new(9, 1_000_000)?), 200.0);
    /// # Ok::<(), steelyard_priors::Error>(())
    /// ```
    #[must_use]
    pub fn cases(&self, feedback: Feedback) -> f64 {
        (self.power * feedback.total as f64).min(self.most_cases)
    }

    /// The likelihood's two factors, [p^k, (1−p)^(n−k)] to the power w.
    fn factors(&self, feedback: Feedback) -> [Factor; 2] {
        let (cases, total) = (self.cases(feedback), feedback.total.max(1) as f64);
        let positive = (feedback.total - feedback.negative) as f64;
        let (low, high) = (self.baseline, (self.baseline + self.slope).clamp(0.0, 1.0));
        [
            Factor { low, high, rise: self.slope, power: cases * (feedback.negative as f64 / total) },
            Factor { low: 1.0 - low, high: 1.0 - high, rise: -self.slope, power: cases * (positive / total) },
        ]
    }
}

/// How likely one listing's evidence is from a bad and from a sound watch, as logarithms.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ListingLikelihood {
    ln_bad: f64,
    ln_sound: f64,
}

impl ListingLikelihood {
    /// ln L_bad and ln L_sound; −∞ for one of them says that the outcome is known. A difference of
    /// more than 300 counts as 300.
    ///
    /// # Errors
    /// If one is NaN or +∞, or if both are −∞: such evidence is impossible.
    pub fn new(ln_bad: f64, ln_sound: f64) -> Result<Self, Error> {
        for (name, value) in [("ln L_bad", ln_bad), ("ln L_sound", ln_sound)] {
            let valid = value < f64::INFINITY;
            checked(name, value, valid, "a number below infinity")?;
        }
        if ln_bad == f64::NEG_INFINITY && ln_sound == f64::NEG_INFINITY {
            return Err(Error::Impossible("a listing"));
        }
        Ok(Self { ln_bad, ln_sound })
    }

    /// A watch found to be bad.
    #[must_use]
    pub fn known_bad() -> Self {
        Self { ln_bad: 0.0, ln_sound: f64::NEG_INFINITY }
    }

    /// A watch found to be sound.
    #[must_use]
    pub fn known_sound() -> Self {
        Self { ln_bad: f64::NEG_INFINITY, ln_sound: 0.0 }
    }

    fn ln_larger(&self) -> f64 {
        self.ln_bad.max(self.ln_sound)
    }

    pub(crate) fn ln_ratio(&self) -> f64 {
        let ln_ratio = self.ln_bad - self.ln_sound;
        if ln_ratio.is_finite() { ln_ratio.clamp(-LN_RATIO_MAX, LN_RATIO_MAX) } else { ln_ratio }
    }

    /// Both likelihoods divided by the larger.
    fn pair(&self) -> Pair {
        let ln_ratio = self.ln_ratio();
        Pair { low: (-ln_ratio).min(0.0).exp(), high: ln_ratio.min(0.0).exp() }
    }
}

/// All that is known of a seller.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Evidence {
    /// Watches bought before.
    pub outcomes: Outcomes,
    /// Marketplace ratings and what they mean.
    pub feedback: Option<(FeedbackModel, Feedback)>,
    /// The seller's other listings. A listing that is to be judged by [`SellerPosterior::bad_given`]
    /// must not be among them: it would count itself.
    pub listings: Vec<ListingLikelihood>,
}

/// What is then believed of θ.
#[derive(Debug, Clone)]
pub struct SellerPosterior {
    form: Form,
    ln_marginal: f64,
    listings: Vec<ListingLikelihood>,
}

#[derive(Debug, Clone)]
enum Form {
    Conjugate(Beta),
    Numeric(Box<Grid>),
}

impl SellerPosterior {
    /// Prior times likelihood, integrated once.
    ///
    /// # Errors
    /// If the evidence has probability zero at every θ, or is worth more than 10¹⁵ cases.
    pub fn new(prior: Prior, evidence: &Evidence) -> Result<Self, Error> {
        let mut product = Product::default();
        let Outcomes { bad, total } = evidence.outcomes;
        product.bad += bad as f64;
        product.sound += (total - bad) as f64;
        if let Some((model, feedback)) = &evidence.feedback {
            for factor in model.factors(*feedback) {
                product.multiply(factor, "feedback")?;
            }
        }
        for listing in &evidence.listings {
            product.listing(listing);
        }

        let conjugate = prior.after(product.bad, product.sound)?;
        let ln_constant = product.ln_constant + ln_beta_ratio(prior.a(), prior.b(), product.bad, product.sound);
        let (form, ln_mass) = if product.factors.is_empty() && product.pairs.is_empty() {
            (Form::Conjugate(conjugate), 0.0)
        } else {
            let grid = Grid::new(Kernel {
                a: conjugate.a(),
                b: conjugate.b(),
                factors: product.factors,
                pairs: product.pairs,
            });
            let ln_mass = grid.ln_mass();
            (Form::Numeric(Box::new(grid)), ln_mass)
        };
        Ok(Self { form, ln_marginal: ln_constant + ln_mass, listings: evidence.listings.clone() })
    }

    /// E\[θ\]: the probability that the seller's next watch is bad, before it is looked at.
    #[must_use]
    pub fn mean(&self) -> f64 {
        match &self.form {
            Form::Conjugate(beta) => beta.mean(),
            Form::Numeric(grid) => grid.mean(),
        }
    }

    /// E\[1−θ\], without subtracting from 1.
    #[must_use]
    pub fn mean_complement(&self) -> f64 {
        match &self.form {
            Form::Conjugate(beta) => beta.mean_complement(),
            Form::Numeric(grid) => grid.mean_complement(),
        }
    }

    /// Standard deviation of θ.
    #[must_use]
    pub fn sd(&self) -> f64 {
        match &self.form {
            Form::Conjugate(beta) => beta.sd(),
            Form::Numeric(grid) => grid.variance().sqrt(),
        }
    }

    /// Strength a + b of the Beta with the same mean m and variance v: m(1−m)/v − 1.
    #[must_use]
    pub fn effective_cases(&self) -> f64 {
        match &self.form {
            Form::Conjugate(beta) => beta.strength(),
            // m(1−m) − v = E[θ(1−θ)], without the cancellation.
            Form::Numeric(grid) => grid.mean_product() / grid.variance(),
        }
    }

    /// The rate below which θ lies with probability p.
    ///
    /// # Errors
    /// If p is not strictly between 0 and 1.
    pub fn quantile(&self, p: f64) -> Result<LogOdds, Error> {
        match &self.form {
            Form::Conjugate(beta) => beta.quantile(p),
            Form::Numeric(grid) => grid.quantile(p),
        }
    }

    /// The rate above which θ lies with probability q.
    ///
    /// # Errors
    /// If q is not strictly between 0 and 1.
    pub fn upper_quantile(&self, q: f64) -> Result<LogOdds, Error> {
        match &self.form {
            Form::Conjugate(beta) => beta.upper_quantile(q),
            Form::Numeric(grid) => grid.upper_quantile(q),
        }
    }

    /// So many equally likely values of logit θ: the middles of parts of equal probability.
    pub(crate) fn equally_likely(&self, count: usize) -> Result<Vec<f64>, Error> {
        let of_beta;
        let grid = match &self.form {
            Form::Conjugate(beta) => {
                of_beta = beta.grid();
                &of_beta
            }
            Form::Numeric(grid) => grid,
        };
        (0..count).map(|k| Ok(grid.quantile((k as f64 + 0.5) / count as f64)?.value())).collect()
    }

    /// ln ∫ likelihood · prior dθ, binomial coefficients left out: the weight of this evidence when
    /// the segment's a and b are fitted.
    #[must_use]
    pub fn ln_marginal(&self) -> f64 {
        self.ln_marginal
    }

    /// Moments of ln θ and ln(1−θ): the slope and curvature of [`Self::ln_marginal`] in the
    /// segment's figures.
    #[must_use]
    pub fn log_moments(&self) -> LogMoments {
        match &self.form {
            Form::Conjugate(beta) => {
                let (a, b, all) = (beta.a(), beta.b(), beta.strength());
                LogMoments {
                    bad: digamma(a) - digamma(all),
                    sound: digamma(b) - digamma(all),
                    bad_bad: trigamma(a) - trigamma(all),
                    bad_sound: -trigamma(all),
                    sound_sound: trigamma(b) - trigamma(all),
                }
            }
            Form::Numeric(grid) => {
                let [bad, sound, bad_bad, bad_sound, sound_sound] = grid.log_moments();
                LogMoments {
                    bad,
                    sound,
                    bad_bad: bad_bad - bad * bad,
                    bad_sound: bad_sound - bad * sound,
                    sound_sound: sound_sound - sound * sound,
                }
            }
        }
    }

    /// P(bad) of one more listing of the seller's, not among those pooled.
    #[must_use]
    pub fn bad_given(&self, listing: ListingLikelihood) -> LogOdds {
        let ln_odds = self.mean().ln() - self.mean_complement().ln();
        LogOdds::new(listing.ln_ratio() + ln_odds)
    }

    /// ln odds of E\[θ\] without each pooled listing, in the order given: what its seller's others say
    /// of it. None where it is known, and its weight cannot be taken out again.
    #[must_use]
    pub fn without_each(&self) -> Vec<Option<f64>> {
        let weighed = self.listings.iter().zip(self.pooled());
        weighed.map(|(l, odds)| Some(odds.value() - l.ln_ratio()).filter(|ln| ln.is_finite())).collect()
    }

    /// P(bad) of each pooled listing given all of them, in the order given.
    #[must_use]
    pub fn pooled(&self) -> Vec<LogOdds> {
        self.listings
            .iter()
            .map(|listing| {
                let ln_ratio = listing.ln_ratio();
                match &self.form {
                    Form::Numeric(grid) if ln_ratio.is_finite() => grid.share_of_high(listing.pair()),
                    // Known, or without weight.
                    _ => self.bad_given(*listing),
                }
            })
            .collect()
    }
}

/// Means and (co)variances of ln θ and ln(1−θ).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct LogMoments {
    /// E\[ln θ\].
    pub bad: f64,
    /// E\[ln(1−θ)\].
    pub sound: f64,
    /// Variance of ln θ.
    pub bad_bad: f64,
    /// Covariance of the two.
    pub bad_sound: f64,
    /// Variance of ln(1−θ).
    pub sound_sound: f64,
}

/// The likelihood as θ^bad (1−θ)^sound · e^constant · what is neither.
#[derive(Default)]
struct Product {
    bad: f64,
    sound: f64,
    ln_constant: f64,
    factors: Vec<Factor>,
    pairs: Vec<Pair>,
}

impl Product {
    fn multiply(&mut self, factor: Factor, what: &'static str) -> Result<(), Error> {
        let Factor { low, high, rise, power } = factor;
        if power == 0.0 {
            return Ok(());
        }
        match (low > 0.0, high > 0.0) {
            (false, false) => return Err(Error::Impossible(what)),
            (false, true) => {
                self.bad += power;
                self.ln_constant += power * high.ln();
            }
            (true, false) => {
                self.sound += power;
                self.ln_constant += power * low.ln();
            }
            (true, true) if rise == 0.0 => self.ln_constant += power * low.ln(),
            (true, true) => self.factors.push(factor),
        }
        Ok(())
    }

    fn listing(&mut self, listing: &ListingLikelihood) {
        self.ln_constant += listing.ln_larger();
        match listing.ln_ratio() {
            f64::INFINITY => self.bad += 1.0,
            f64::NEG_INFINITY => self.sound += 1.0,
            0.0 => {}
            _ => self.pairs.push(listing.pair()),
        }
    }
}

//! What experience says: how often a seller's watches turn out bad, what a dealer's own outcomes say of
//! the model's numbers, and how good the forecasts were.
//!
//! A listing is judged against a rate of bad watches, and that rate is not known. It is a
//! distribution, which starts from the kind of place the watch is sold at and is moved by what is known
//! of the seller: watches bought before, ratings (little), other listings (each as far as its own
//! evidence goes).
//!
//! ```text
//! p(θ | seller) ∝ θ^(a−1) (1−θ)^(b−1) · Π_i [ θ·L_bad,i + (1−θ)·L_sound,i ] · feedback(θ)
//! ```
//!
//! ```
//! use steelyard_priors::seller::{Evidence, ListingLikelihood, Prior, SellerPosterior};
//!
//! // An open marketplace: one watch in four is bad, an opinion worth ten cases.
//! let segment = Prior::new(2.5, 7.5)?;
//! // Two other listings of the seller's look wrong, one was opened and was sound.
//! let doubtful = ListingLikelihood::new(0.30_f64.ln(), 0.02_f64.ln())?;
//! let known = Evidence {
//!     listings: vec![doubtful, doubtful, ListingLikelihood::known_sound()],
//!     ..Evidence::default()
//! };
//! let seller = SellerPosterior::new(segment, &known)?;
//! assert!((seller.mean() - 0.323280).abs() < 1e-6);
//!
//! // The listing in hand shows nothing either way: its probability is the seller's.
//! let plain = ListingLikelihood::new(0.0, 0.0)?;
//! assert!((seller.bad_given(plain).probability() - seller.mean()).abs() < 1e-12);
//! # Ok::<(), steelyard_priors::Error>(())
//! ```
//!
//! - [`seller`]: θ for one seller.
//! - [`Beta`], [`BetaBinomial`], [`DirichletMultinomial`]: rates and shares known only as
//!   distributions, and the counts they lead to.
//! - [`fit`]: the model's tables, signs, segments and reading rates from listings of which some have an
//!   outcome, with the segments' (a, b) by marginal likelihood, scores out of fold and a report.
//! - [`score`]: how good forecasts were, now that the outcomes are known; the reliability diagram.
//! - [`recalibrate`]: whether the forecasts should be stretched and shifted first.
//! - [`LogOdds`]: a probability that keeps its digits at both ends.
//! - [`special`]: differences of ln Γ.
//!
//! The crate is pure: no I/O, no clock; where anything is drawn at random, the seed is an argument.

pub mod beta;
pub mod beta_binomial;
pub mod dirichlet_multinomial;
mod error;
pub mod fit;
pub mod log_odds;
mod quadrature;
pub mod recalibrate;
pub mod score;
pub mod seller;
pub mod special;

pub use beta::Beta;
pub use beta_binomial::BetaBinomial;
pub use dirichlet_multinomial::DirichletMultinomial;
pub use error::Error;
pub use log_odds::LogOdds;

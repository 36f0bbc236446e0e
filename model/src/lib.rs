//! What evidence says about an old wristwatch, and what to pay for it.
//!
//! The whole calculation, in order:
//!
//! 1. **Pack** ([`pack`]): every number is data. A watch came to be as it is by one of five
//!    *stories* (original, serviced, refinished, composite, fake); *bad* means composite or
//!    fake. Each component (dial, hands, case …) is in one of several fine states, with
//!    P(state | story); each *sign* is truly there with P(sign | states).
//! 2. **Observations** ([`observe`]): a call on a sign becomes a likelihood. How much it is
//!    worth follows from how hard the sign is to read and whether the photo could resolve it.
//! 3. **Posterior** ([`posterior`]): P(story | evidence) ∝ P(story)·P(price | story)·
//!    Σ_states P(states | story)·Π P(call | states), exactly, by variable elimination
//!    ([`contraction`]; [`network`] is the same engine for any discrete network). One bad
//!    repaint shows as five faults and still counts as one repaint, because they share a state.
//! 4. **Why, and how sure** ([`shares`], [`interval`]): each call's additive share of the
//!    log-odds, in decibans; the interval that the uncertainty of the model's numbers leaves.
//! 5. **Money** ([`money`]): value by component states, repairs that pay, parting out, the
//!    return as an option; expected net, walk-away price, probability of loss.
//! 6. **What to ask** ([`ask`], [`decision`]): the photo whose answer is worth most, and
//!    [`advice`].
//!
//! Of many offers, [`bids`] chooses those to take with the cash at hand.
//!
//! Beside the calculation, [`facts`] compares what a listing states with a reference book and
//! calls signs by itself, and [`readers`] reads case marks and texts into proposals.
//!
//! For a calibration, [`counts`] says how often each number of the model was at work in a listing;
//! to try one out, [`sample`] draws listings with known stories, and worlds as far from the model as
//! its own strengths allow.
//!
//! The prior P(bad) of a seller comes from the `steelyard-priors` crate; here it is a number.
//! Nothing here reads a file, a clock or a random source: a seed is an argument.
//!
//! ```
//! use steelyard_model::observe::{Basis, Call, Evidence, Observation, Watch};
//! use steelyard_model::pack::Pack;
//! use steelyard_model::posterior::{Plan, Posterior, Stories};
//!
//! let pack = Pack::builtin();
//! let seen = [("movement_calibre_wrong", Call::Present), ("crown_unsigned", Call::Present)];
//! let observations: Vec<Observation> = seen
//!     .iter()
//!     .map(|(id, call)| Observation { sign: pack.sign(id).unwrap(), call: *call, basis: Basis::InHand })
//!     .collect();
//! let evidence = Evidence::read(&pack, &Watch::unknown(&pack), &observations).unwrap();
//!
//! let plan = Plan::compile(&pack, evidence.calls().iter().map(|c| c.sign));
//! let mut scratch = plan.scratch();
//! let prior = Stories::from_prior(&pack.prior(0, 0.25));
//! let likelihood = plan.evaluate(&mut scratch, &evidence);
//! let posterior = Posterior::new(&pack, &prior, &likelihood)?;
//! assert!(posterior.prior_bad() < 0.26 && posterior.bad() > 0.8);
//! # Ok::<(), steelyard_model::posterior::Impossible>(())
//! ```

pub mod advice;
pub mod ask;
pub mod bids;
pub mod contraction;
pub mod counts;
pub mod decision;
pub mod facts;
pub mod interval;
pub mod money;
pub mod network;
pub mod observe;
pub mod pack;
pub mod posterior;
pub mod readers;
pub mod sample;
pub mod shares;

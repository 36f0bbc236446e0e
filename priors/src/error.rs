//! What can be wrong with a question, as values that carry what was wrong.

use thiserror::Error;

/// Why an answer could not be given.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum Error {
    /// A number lies outside its range.
    #[error("{name} is {value}, which is not {expected}")]
    Parameter {
        /// The symbol or name of the number.
        name: &'static str,
        /// The number as given.
        value: f64,
        /// The range, in words.
        expected: &'static str,
    },
    /// A part was said to be larger than its whole.
    #[error("{part} of {total} {name}: a part cannot exceed its whole")]
    Count {
        /// What is counted.
        name: &'static str,
        /// The part as given.
        part: u64,
        /// The whole as given.
        total: u64,
    },
    /// A table and the counts for it differ in length.
    #[error("{given} counts for {expected} categories")]
    Length {
        /// How many were given.
        given: usize,
        /// How many were needed.
        expected: usize,
    },
    /// A forecast cannot be scored.
    #[error("forecast {index} has log-odds {value}, which are not a number from -1e6 to 1e6")]
    Forecast {
        /// Its place in the list, from 0.
        index: usize,
        /// Its log-odds as given.
        value: f64,
    },
    /// There is too little to compute with.
    #[error("{name}: {given} given, at least {least} needed")]
    TooFew {
        /// What is counted.
        name: &'static str,
        /// How many were given.
        given: usize,
        /// How many are needed.
        least: usize,
    },
    /// The evidence has probability zero whatever the rate of bad watches.
    #[error("impossible evidence: {0} has probability zero whatever the rate of bad watches")]
    Impossible(&'static str),
}

/// `value` if `valid`, else the error that names it.
pub(crate) fn checked(name: &'static str, value: f64, valid: bool, expected: &'static str) -> Result<f64, Error> {
    if valid { Ok(value) } else { Err(Error::Parameter { name, value, expected }) }
}

/// A probability.
pub(crate) fn probability(name: &'static str, value: f64) -> Result<f64, Error> {
    checked(name, value, (0.0..=1.0).contains(&value), "a number from 0 to 1")
}

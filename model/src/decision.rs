//! Decision under uncertainty with tests that may be bought first.
//!
//! Which action has the highest expected value, and what is it worth to know more before
//! choosing? (Raiffa and Schlaifer 1961, *Applied Statistical Decision Theory*.)
//!
//! - without information: max_a Σ_s P(s)·u(a, s)
//! - perfect information: Σ_s P(s)·max_a u(a, s), its worth the difference (EVPI)
//! - a test with results r: Σ_r max_a Σ_s P(s)·P(r | s)·u(a, s), its worth the difference (EVSI)
//!
//! ```
//! use steelyard_model::decision::Problem;
//! // To drill or not, in thousand: dry, wet or soaking.
//! let drill = Problem::new(vec![0.5, 0.3, 0.2], vec![vec![-70.0, 50.0, 200.0], vec![0.0; 3]])?;
//! assert_eq!(drill.best(), (0, 20.0));
//! assert_eq!(drill.value_of_perfect_information(), 35.0);
//! # Ok::<(), steelyard_model::decision::DecisionError>(())
//! ```

use crate::network::check_row;
use ndarray::ArrayView2;

/// What is wrong with a decision problem.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DecisionError {
    /// The prior is no distribution.
    #[error("the prior is no distribution: {0}")]
    Prior(String),
    /// No action, or an action without one finite utility for every state.
    #[error("action {0} has not one finite utility for every state")]
    Utility(usize),
    /// A test whose results are no distribution in some state.
    #[error("the results of the test in state {state} are no distribution: {detail}")]
    Test {
        /// The state, counting from 0.
        state: usize,
        /// What is wrong.
        detail: String,
    },
}

/// A prior over states and a utility for every action in every state.
#[derive(Debug, Clone)]
pub struct Problem {
    prior: Vec<f64>,
    utility: Vec<Vec<f64>>,
}

/// What one result of a test would lead to.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// P(result).
    pub probability: f64,
    /// P(state | result); the prior itself where the result cannot occur.
    pub posterior: Vec<f64>,
    /// The best action given the result; the first of equal ones.
    pub best_action: usize,
    /// Its expected utility.
    pub value: f64,
}

impl Problem {
    /// A problem with `utility[action][state]`.
    ///
    /// # Errors
    /// If the prior is no distribution or a utility is missing or not finite.
    pub fn new(prior: Vec<f64>, utility: Vec<Vec<f64>>) -> Result<Self, DecisionError> {
        check_row(prior.iter().copied()).map_err(DecisionError::Prior)?;
        if utility.is_empty() {
            return Err(DecisionError::Utility(0));
        }
        for (action, row) in utility.iter().enumerate() {
            if row.len() != prior.len() || row.iter().any(|u| !u.is_finite()) {
                return Err(DecisionError::Utility(action));
            }
        }
        Ok(Self { prior, utility })
    }

    /// Expected utility of every action.
    #[must_use]
    pub fn expected(&self) -> Vec<f64> {
        self.expected_under(&self.prior)
    }

    fn expected_under(&self, belief: &[f64]) -> Vec<f64> {
        self.utility.iter().map(|row| row.iter().zip(belief).map(|(u, p)| u * p).sum()).collect()
    }

    fn best_under(&self, belief: &[f64]) -> (usize, f64) {
        let mut best = (0, f64::NEG_INFINITY);
        for (action, value) in self.expected_under(belief).into_iter().enumerate() {
            if value > best.1 {
                best = (action, value);
            }
        }
        best
    }

    /// The best action without more information, and its expected utility.
    #[must_use]
    pub fn best(&self) -> (usize, f64) {
        self.best_under(&self.prior)
    }

    /// Expected utility if the state were known before choosing.
    #[must_use]
    pub fn with_perfect_information(&self) -> f64 {
        (0..self.prior.len())
            .map(|s| {
                let best = self.utility.iter().map(|row| row[s]).fold(f64::NEG_INFINITY, f64::max);
                self.prior[s] * best
            })
            .sum()
    }

    /// What knowing the state is worth.
    #[must_use]
    pub fn value_of_perfect_information(&self) -> f64 {
        (self.with_perfect_information() - self.best().1).max(0.0)
    }

    /// What every result of a test, `likelihood[result][state]`, would lead to.
    ///
    /// # Errors
    /// If the results of some state are no distribution.
    pub fn outcomes(&self, likelihood: ArrayView2<'_, f64>) -> Result<Vec<Outcome>, DecisionError> {
        self.check_test(likelihood)?;
        Ok(likelihood
            .rows()
            .into_iter()
            .map(|row| {
                let joint: Vec<f64> = row.iter().zip(&self.prior).map(|(l, p)| l * p).collect();
                let probability: f64 = joint.iter().sum();
                let posterior: Vec<f64> = if probability > 0.0 {
                    joint.iter().map(|j| j / probability).collect()
                } else {
                    self.prior.clone()
                };
                let (best_action, value) = self.best_under(&posterior);
                Outcome { probability, posterior, best_action, value }
            })
            .collect())
    }

    /// Expected utility if a free test is made before choosing.
    ///
    /// # Errors
    /// As [`Self::outcomes`].
    pub fn with_sample_information(&self, likelihood: ArrayView2<'_, f64>) -> Result<f64, DecisionError> {
        self.check_test(likelihood)?;
        Ok(likelihood
            .rows()
            .into_iter()
            .map(|row| {
                self.utility
                    .iter()
                    .map(|u| row.iter().zip(&self.prior).zip(u).map(|((l, p), u)| l * p * u).sum())
                    .fold(f64::NEG_INFINITY, f64::max)
            })
            .sum())
    }

    /// What a free test is worth: never negative, never above perfect information.
    ///
    /// # Errors
    /// As [`Self::outcomes`].
    pub fn value_of_sample_information(&self, likelihood: ArrayView2<'_, f64>) -> Result<f64, DecisionError> {
        Ok((self.with_sample_information(likelihood)? - self.best().1).max(0.0))
    }

    fn check_test(&self, likelihood: ArrayView2<'_, f64>) -> Result<(), DecisionError> {
        for state in 0..self.prior.len() {
            let column = likelihood.rows().into_iter().map(|row| row.get(state).copied().unwrap_or(f64::NAN));
            check_row(column).map_err(|detail| DecisionError::Test { state, detail })?;
        }
        Ok(())
    }
}

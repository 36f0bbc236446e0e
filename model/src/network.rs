//! Exact inference in small discrete networks.
//!
//! Given variables with named states, a table P(variable | parents) for each, and what is
//! known of some of them, what is the probability of every state of every variable?
//!
//! P(x | e) = Σ_rest Π tables · Π evidence / P(e)
//!
//! Evidence is hard (the variable is in this state) or soft (a likelihood for each state,
//! Pearl's virtual evidence). A network is compiled once into a [`Plan`]; evaluating it does
//! not allocate. Evidence of probability zero is an error, never a number.
//!
//! ```
//! use steelyard_model::network::Network;
//! use ndarray::arr1;
//! use ndarray::arr2;
//!
//! let mut net = Network::new();
//! let ill = net.add("ill", &["yes", "no"], &[], arr1(&[0.01, 0.99]).into_dyn())?;
//! net.add("test", &["positive", "negative"], &["ill"],
//!     arr2(&[[0.8, 0.2], [0.096, 0.904]]).into_dyn())?;
//! let plan = net.compile();
//! let mut run = plan.run();
//! run.observe("test", "positive")?;
//! run.evaluate()?;
//! assert!((run.marginal(ill)[0] - 0.0776).abs() < 5e-5);
//! # Ok::<(), steelyard_model::network::NetworkError>(())
//! ```

use crate::contraction::{Contraction, Input, Workspace};
use ndarray::ArrayD;

/// How far the entries of a probability row may miss one in sum: they come from text files
/// with about twelve digits.
pub const ROW_SUM_TOLERANCE: f64 = 1e-9;

/// What is wrong with a network or with the evidence put to it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NetworkError {
    /// A name that no variable has.
    #[error("there is no variable `{0}`")]
    UnknownVariable(String),
    /// A name that two variables share.
    #[error("there are two variables `{0}`")]
    DuplicateVariable(String),
    /// A state the variable does not have.
    #[error("variable `{variable}` has no state `{state}`")]
    UnknownState {
        /// The variable.
        variable: String,
        /// The state asked for.
        state: String,
    },
    /// A table whose shape is not that of the parents and the variable.
    #[error("the table of `{variable}` has shape {found:?}, its parents and states want {expected:?}")]
    Shape {
        /// The variable.
        variable: String,
        /// Shape given.
        found: Vec<usize>,
        /// Shape wanted.
        expected: Vec<usize>,
    },
    /// A row that is not a probability distribution.
    #[error("row {row} of the table of `{variable}` is no distribution: {detail}")]
    Row {
        /// The variable.
        variable: String,
        /// Row number, counting from 0 in row-major order of the parents.
        row: usize,
        /// What is wrong with it.
        detail: String,
    },
    /// A likelihood that is negative, not finite, or zero throughout.
    #[error("likelihood {values:?} for `{variable}` is negative, not finite, or of the wrong length")]
    Likelihood {
        /// The variable.
        variable: String,
        /// The likelihood given.
        values: Vec<f64>,
    },
    /// The evidence cannot occur under the model.
    #[error("the evidence has probability zero")]
    Impossible,
}

#[derive(Debug, Clone)]
struct Variable {
    name: String,
    states: Vec<String>,
    parents: Vec<usize>,
    table: ArrayD<f64>,
}

/// A directed network of discrete variables. Parents must be added before their children,
/// so a network cannot hold a cycle.
#[derive(Debug, Clone, Default)]
pub struct Network {
    variables: Vec<Variable>,
}

impl Network {
    /// An empty network.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds a variable; the table's axes are the parents in order, then the variable's own states.
    ///
    /// # Errors
    /// On an unknown parent, a repeated name, a wrong shape, or a row that is no distribution.
    pub fn add(
        &mut self,
        name: &str,
        states: &[&str],
        parents: &[&str],
        table: ArrayD<f64>,
    ) -> Result<usize, NetworkError> {
        if self.index(name).is_ok() {
            return Err(NetworkError::DuplicateVariable(name.into()));
        }
        let parents = parents.iter().map(|p| self.index(p)).collect::<Result<Vec<_>, _>>()?;
        let expected: Vec<usize> =
            parents.iter().map(|&p| self.variables[p].states.len()).chain([states.len()]).collect();
        if table.shape() != expected {
            return Err(NetworkError::Shape { variable: name.into(), found: table.shape().to_vec(), expected });
        }
        for (row, lane) in table.rows().into_iter().enumerate() {
            check_row(lane.iter().copied()).map_err(|detail| NetworkError::Row {
                variable: name.into(),
                row,
                detail,
            })?;
        }
        self.variables.push(Variable {
            name: name.into(),
            states: states.iter().map(|&s| s.into()).collect(),
            parents,
            table,
        });
        Ok(self.variables.len() - 1)
    }

    /// The index of a variable.
    ///
    /// # Errors
    /// If no variable has this name.
    pub fn index(&self, name: &str) -> Result<usize, NetworkError> {
        self.variables.iter().position(|v| v.name == name).ok_or_else(|| NetworkError::UnknownVariable(name.into()))
    }

    /// Compiles the network once; the plan is then run with any evidence.
    #[must_use]
    pub fn compile(&self) -> Plan<'_> {
        let cardinalities: Vec<usize> = self.variables.iter().map(|v| v.states.len()).collect();
        let tables = self
            .variables
            .iter()
            .enumerate()
            .map(|(i, v)| Input { scope: v.parents.iter().copied().chain([i]).collect(), laned: false });
        let evidence = (0..self.variables.len()).map(|i| Input { scope: vec![i], laned: false });
        let inputs: Vec<Input> = tables.chain(evidence).collect();
        Plan { network: self, contraction: Contraction::compile(&cardinalities, 1, &inputs, &[]).rescaled() }
    }
}

/// Whether these numbers are a probability distribution; the reason if not.
pub(crate) fn check_row(row: impl Iterator<Item = f64>) -> Result<(), String> {
    let mut sum = 0.0;
    for p in row {
        if !(0.0..=1.0).contains(&p) {
            return Err(format!("{p} is not in [0, 1]"));
        }
        sum += p;
    }
    if (sum - 1.0).abs() > ROW_SUM_TOLERANCE {
        return Err(format!("it adds up to {sum}, not 1"));
    }
    Ok(())
}

/// A compiled network.
#[derive(Debug, Clone)]
pub struct Plan<'n> {
    network: &'n Network,
    contraction: Contraction,
}

impl<'n> Plan<'n> {
    /// The buffers for evaluating this plan, without evidence yet.
    #[must_use]
    pub fn run(&self) -> Run<'_, 'n> {
        let count = self.network.variables.len();
        let mut work = self.contraction.workspace();
        for (i, v) in self.network.variables.iter().enumerate() {
            let slot = self.contraction.input_mut(&mut work, i);
            for (to, from) in slot.iter_mut().zip(v.table.iter()) {
                *to = *from;
            }
        }
        let marginals = self.network.variables.iter().map(|v| vec![0.0; v.states.len()]).collect();
        Run { plan: self, work, scale: vec![0.0; count], marginals, ln_evidence: 0.0 }
    }
}

/// One evaluation of a [`Plan`]: set evidence, evaluate, read marginals; reusable.
#[derive(Debug, Clone)]
pub struct Run<'p, 'n> {
    plan: &'p Plan<'n>,
    work: Workspace,
    scale: Vec<f64>,
    marginals: Vec<Vec<f64>>,
    ln_evidence: f64,
}

impl Run<'_, '_> {
    /// Hard evidence: the variable is in this state.
    ///
    /// # Errors
    /// On an unknown variable or state.
    pub fn observe(&mut self, variable: &str, state: &str) -> Result<(), NetworkError> {
        let at = self.plan.network.index(variable)?;
        let states = &self.plan.network.variables[at].states;
        let chosen = states
            .iter()
            .position(|s| s == state)
            .ok_or_else(|| NetworkError::UnknownState { variable: variable.into(), state: state.into() })?;
        let slot = self.evidence_mut(at);
        slot.fill(0.0);
        slot[chosen] = 1.0;
        self.scale[at] = 0.0;
        Ok(())
    }

    /// Soft evidence: a likelihood for each state, on any scale.
    ///
    /// # Errors
    /// On an unknown variable, or values that are negative, not finite or too few.
    pub fn observe_likelihood(&mut self, variable: &str, values: &[f64]) -> Result<(), NetworkError> {
        let at = self.plan.network.index(variable)?;
        let fits = values.len() == self.plan.network.variables[at].states.len()
            && values.iter().all(|v| v.is_finite() && *v >= 0.0);
        if !fits {
            return Err(NetworkError::Likelihood { variable: variable.into(), values: values.to_vec() });
        }
        let largest = values.iter().copied().fold(0.0, f64::max);
        if largest == 0.0 {
            return Err(NetworkError::Impossible);
        }
        let slot = self.evidence_mut(at);
        for (to, from) in slot.iter_mut().zip(values) {
            *to = from / largest;
        }
        self.scale[at] = largest.ln();
        Ok(())
    }

    /// Takes back what was said of a variable.
    ///
    /// # Errors
    /// On an unknown variable.
    pub fn forget(&mut self, variable: &str) -> Result<(), NetworkError> {
        let at = self.plan.network.index(variable)?;
        self.evidence_mut(at).fill(1.0);
        self.scale[at] = 0.0;
        Ok(())
    }

    fn evidence_mut(&mut self, variable: usize) -> &mut [f64] {
        let slot = self.plan.network.variables.len() + variable;
        self.plan.contraction.input_mut(&mut self.work, slot)
    }

    /// Computes all marginals and the probability of the evidence.
    ///
    /// # Errors
    /// If the evidence has probability zero.
    pub fn evaluate(&mut self) -> Result<(), NetworkError> {
        let plan = &self.plan.contraction;
        plan.forward(&mut self.work);
        let total = plan.output(&self.work)[0];
        if total <= 0.0 {
            return Err(NetworkError::Impossible);
        }
        plan.backward(&mut self.work, &[1.0 / total]);
        let count = self.plan.network.variables.len();
        for (at, marginal) in self.marginals.iter_mut().enumerate() {
            let slope = plan.gradient(&self.work, count + at);
            let evidence = plan.input(&self.work, count + at);
            for ((m, g), e) in marginal.iter_mut().zip(slope).zip(evidence) {
                *m = g * e;
            }
            // Rounding must not leave a probability above one.
            let sum: f64 = marginal.iter().sum();
            marginal.iter_mut().for_each(|m| *m /= sum);
        }
        self.ln_evidence = total.ln() + plan.ln_scale(&self.work) + self.scale.iter().sum::<f64>();
        Ok(())
    }

    /// P(state | evidence) for every state of a variable, after [`Self::evaluate`].
    #[must_use]
    pub fn marginal(&self, variable: usize) -> &[f64] {
        &self.marginals[variable]
    }

    /// ln P(evidence) (with soft evidence: of the likelihood-weighted sum), after [`Self::evaluate`].
    #[must_use]
    pub fn ln_evidence(&self) -> f64 {
        self.ln_evidence
    }
}

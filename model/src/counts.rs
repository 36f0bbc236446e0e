//! How often each number of the model was at work in a set of listings, and how much they tell of it.
//!
//! The expected count of a number p, given a listing's evidence e, is what the E-step of an EM
//! algorithm (Dempster, Laird and Rubin 1977) needs:
//!
//! E[count | e] = p · ∂ ln P(e) / ∂p
//!
//! from the backward pass of the listing's plan, stories weighted by their posterior. A component
//! that nothing was seen of is left out: its table tells of itself only.
//!
//! Not every expected case is worth a whole one, since what was at work is guessed, and several
//! numbers may have been: one call tells of a sum over all the stories. P(e) is linear in the numbers
//! of one table, so with g the slopes of one listing's ln P(e) the observed information on them is
//! Σ g gᵀ exactly. With what was known before it is inverted: what remains is how far each number is
//! known when all others of its table are not. In units in which the prior of strength m has the
//! information m, and n known cases have n (p is the number now, n⁺ and n⁻ the expected cases for and
//! against it), the *cases* behind p are
//!
//! (n⁺ + n⁻) · (1/[(m + Σ g gᵀ)⁻¹]ₚₚ − m) / known,    known = p·(1−p)·(n⁺/p² + n⁻/(1−p)²)
//!
//! and in a row of a table the same with the trace over its shares (Louis 1982). Other tables, and
//! how many watches are bad, count as given.
//!
//! ```
//! use steelyard_model::counts::Counts;
//! use steelyard_model::observe::{Basis, Call, Evidence, Observation, Watch};
//! use steelyard_model::pack::Pack;
//! use steelyard_model::posterior::Plan;
//!
//! let pack = Pack::builtin();
//! let sign = pack.sign("crown_unsigned").unwrap();
//! let seen = [Observation { sign, call: Call::Present, basis: Basis::InHand }];
//! let evidence = Evidence::read(&pack, &Watch::unknown(&pack), &seen).unwrap();
//! let plan = Plan::compile(&pack, [sign]);
//! let mut scratch = plan.scratch();
//! plan.evaluate(&mut scratch, &evidence);
//!
//! let mut counts = Counts::new(&pack);
//! counts.add(&plan.differentiate(&mut scratch), &evidence, &[], &[0.2; 8]);
//! let cells = &counts.signs[sign];
//! let total: f64 = cells.present.iter().chain(&cells.absent).sum();
//! assert!((total - 1.0).abs() < 1e-12);
//! ```

use crate::observe::{Call, Evidence};
use crate::pack::{Index, On, Pack};
use crate::posterior::{Beliefs, PerStory};
use nalgebra::{DMatrix, DVector, DVectorView};

/// Expected counts of all numbers that a calibration moves.
#[derive(Debug, Clone, PartialEq)]
pub struct Counts {
    /// Per component, over the rows of its table.
    pub components: Vec<Rows>,
    /// Per sign, over its cells, row-major.
    pub signs: Vec<Cells>,
    /// Per reading class in the pack's order: calls right and wrong of signs that are there …
    pub a: Cells,
    /// … and of signs that are not.
    pub b: Cells,
    classes: Vec<Class>,
}

/// Expected cases in the rows of a table of shares.
#[derive(Debug, Clone, PartialEq)]
pub struct Rows {
    /// Shares in a row.
    pub states: usize,
    /// Expected cases per share, row after row.
    pub counts: Vec<f64>,
    information: Option<DMatrix<f64>>,
}

/// Expected cases in cells that hold one probability each.
#[derive(Debug, Clone, PartialEq)]
pub struct Cells {
    /// Expected cases in which it happened.
    pub present: Vec<f64>,
    /// Expected cases in which it did not.
    pub absent: Vec<f64>,
    information: Option<DMatrix<f64>>,
}

/// One listing's expected cases in one cell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tally {
    /// Which cell.
    pub cell: usize,
    /// Expected cases in which it happened.
    pub present: f64,
    /// Expected cases in which it did not.
    pub absent: f64,
    /// The probability under which they were expected.
    pub p: f64,
}

/// Where a sign's reading rates are from.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Class {
    index: usize,
    own_a: bool,
    own_b: bool,
}

impl Rows {
    /// No cases yet; whether it is also gathered how much they tell.
    #[must_use]
    pub fn new(states: usize, rows: usize, informed: bool) -> Self {
        let cells = states * rows;
        Self { states, counts: vec![0.0; cells], information: informed.then(|| DMatrix::zeros(cells, cells)) }
    }

    /// Adds one listing's expected cases in all rows, made under these shares.
    pub fn add(&mut self, expected: &[f64], shares: &[f64]) {
        self.counts.iter_mut().zip(expected).for_each(|(n, r)| *n += r);
        if let Some(information) = &mut self.information {
            let rows = expected.chunks_exact(self.states).zip(shares.chunks_exact(self.states));
            let slopes = rows.flat_map(|(expected, shares)| slopes(expected, shares));
            let slopes = DVector::from_iterator(expected.len(), slopes);
            information.syger(1.0, &slopes, &slopes, 1.0);
        }
    }

    /// Expected cases of every share of a row.
    #[must_use]
    pub fn row(&self, row: usize) -> &[f64] {
        &self.counts[row * self.states..][..self.states]
    }

    /// The numbers of known cases that each row's expected ones are worth, under these shares and
    /// beside a prior of these strengths; none where that was not gathered.
    #[must_use]
    pub fn cases(&self, shares: &[f64], strengths: &[f64]) -> Vec<f64> {
        let each = strengths.iter().flat_map(|m| std::iter::repeat_n(*m, self.states));
        let Some(left) = self.information.as_ref().and_then(|i| uncertainty(i, each)) else {
            return vec![0.0; strengths.len()];
        };
        let row = |(row, m): (usize, &f64)| {
            let shares = &shares[row * self.states..][..self.states];
            let free = shares.iter().filter(|p| **p > 0.0).count().saturating_sub(1) as f64;
            let all: f64 = self.row(row).iter().sum();
            if free == 0.0 || all == 0.0 {
                return 0.0;
            }
            // Across its shares a row has the prior's uncertainty and no more: they add up to one.
            let strength = |left: &DVectorView<'_, f64>| free / (left.sum() - (self.states as f64 - free) / m);
            let mut known = DMatrix::zeros(self.states, self.states);
            for (state, n) in self.row(row).iter().enumerate() {
                let mut one = vec![0.0; self.states];
                one[state] = 1.0;
                let slopes = DVector::from_vec(slopes(&one, shares).collect());
                known.syger(*n, &slopes, &slopes, 1.0);
            }
            let Some(known) = uncertainty(&known, std::iter::repeat_n(*m, self.states)) else { return 0.0 };
            let gained = strength(&left.rows(row * self.states, self.states)) - m;
            worth(all, gained, strength(&known.rows(0, self.states)) - m)
        };
        strengths.iter().enumerate().map(row).collect()
    }
}

/// Slopes of the shares of a row along which they add up to one, in units of their own spread.
fn slopes(expected: &[f64], shares: &[f64]) -> impl Iterator<Item = f64> {
    let all: f64 = expected.iter().sum();
    expected.iter().zip(shares).map(move |(r, p)| if *p > 0.0 { r / p.sqrt() - p.sqrt() * all } else { 0.0 })
}

/// What is left unknown of each number: the diagonal of the inverse of all that is known of them.
fn uncertainty(information: &DMatrix<f64>, prior: impl Iterator<Item = f64>) -> Option<DVector<f64>> {
    let mut known = information.clone();
    known.fill_upper_triangle_with_lower_triangle();
    prior.enumerate().for_each(|(i, m)| known[(i, i)] += m);
    Some(known.cholesky()?.inverse().diagonal())
}

fn worth(expected: f64, gained: f64, known: f64) -> f64 {
    if known > 0.0 { expected * (gained / known).clamp(0.0, 1.0) } else { 0.0 }
}

impl Cells {
    /// No cases yet; whether it is also gathered how much they tell.
    #[must_use]
    pub fn new(cells: usize, informed: bool) -> Self {
        Self {
            present: vec![0.0; cells],
            absent: vec![0.0; cells],
            information: informed.then(|| DMatrix::zeros(cells, cells)),
        }
    }

    /// Adds what one listing tells.
    pub fn add(&mut self, told: &[Tally]) {
        for t in told {
            self.present[t.cell] += t.present;
            self.absent[t.cell] += t.absent;
        }
        if let Some(information) = &mut self.information {
            let mut slopes = DVector::zeros(self.present.len());
            for t in told {
                slopes[t.cell] = (t.present / t.p - t.absent / (1.0 - t.p)) * (t.p * (1.0 - t.p)).sqrt();
            }
            information.syger(1.0, &slopes, &slopes, 1.0);
        }
    }

    /// The numbers of known cases that each cell's expected ones are worth, under these
    /// probabilities and beside a prior of these strengths; none where that was not gathered.
    #[must_use]
    pub fn cases(&self, p: &[f64], strengths: &[f64]) -> Vec<f64> {
        let Some(left) = self.information.as_ref().and_then(|i| uncertainty(i, strengths.iter().copied())) else {
            return vec![0.0; strengths.len()];
        };
        let cell = |(cell, (p, m)): (usize, (&f64, &f64))| {
            let (yes, no) = (self.present[cell], self.absent[cell]);
            let known = p * (1.0 - p) * (yes / (p * p) + no / ((1.0 - p) * (1.0 - p)));
            worth(yes + no, 1.0 / left[cell] - m, known)
        };
        p.iter().zip(strengths).enumerate().map(cell).collect()
    }
}

impl Counts {
    /// Nothing counted yet.
    #[must_use]
    pub fn new(pack: &Pack) -> Self {
        Self::with(pack, false)
    }

    /// Nothing counted yet, to gather also how much the counts tell, which takes longer.
    #[must_use]
    pub fn informed(pack: &Pack) -> Self {
        Self::with(pack, true)
    }

    fn with(pack: &Pack, informed: bool) -> Self {
        let data = pack.data();
        let class = |sign: &crate::pack::data::Sign| {
            let own = sign.reading_override.unwrap_or_default();
            Class {
                index: data.readings.keys().position(|class| *class == sign.reading).unwrap_or(0),
                own_a: own.a.is_some(),
                own_b: own.b.is_some(),
            }
        };
        Self {
            components: pack
                .components()
                .iter()
                .map(|c| Rows::new(c.states, c.table.len() / c.states, informed))
                .collect(),
            signs: pack.signs().iter().map(|s| Cells::new(s.present.len(), informed)).collect(),
            a: Cells::new(data.readings.len(), informed),
            b: Cells::new(data.readings.len(), informed),
            classes: data.signs.iter().map(class).collect(),
        }
    }

    /// Adds one listing: the beliefs of its plan after the evidence (with components found, as in
    /// [`crate::posterior::Plan::evaluate_found`]), stories weighted by their posterior.
    pub fn add(&mut self, beliefs: &Beliefs<'_>, evidence: &Evidence, found: &[(Index, Index)], posterior: &PerStory) {
        let pack = beliefs.pack();
        for (k, c) in pack.components().iter().enumerate() {
            if !told_of(pack, evidence, found, k) {
                continue;
            }
            let mut expected = beliefs.slope_of_table(k, posterior);
            let shares: Vec<f64> = c.table.iter().copied().collect();
            expected.iter_mut().zip(&shares).for_each(|(slope, p)| *slope *= p);
            self.components[k].add(&expected, &shares);
        }
        for call in evidence.calls() {
            let sign = &pack.signs()[call.sign];
            let (mut there, mut not) = (0.0, 0.0);
            let mut told = Vec::with_capacity(sign.present.len());
            for (cell, weight) in beliefs.states_of(call.sign, posterior).into_iter().enumerate() {
                let p = sign.present[cell];
                let present = weight * call.if_present * p / call.at(p);
                let absent = weight * call.if_absent * (1.0 - p) / call.at(p);
                told.push(Tally { cell, present, absent, p });
                there += present;
                not += absent;
            }
            self.signs[call.sign].add(&told);
            // A call right or wrong, as far as the detail could be resolved at all.
            if let Some(d) = call.resolvable.filter(|_| call.is_read()) {
                let Class { index, own_a, own_b } = self.classes[call.sign];
                let r = &sign.reading;
                let resolved = |rate: f64| match call.call {
                    Call::Present => (d * rate / (d * rate + (1.0 - d) * r.g), 0.0),
                    Call::Absent => (0.0, d * (1.0 - rate) / (d * (1.0 - rate) + (1.0 - d) * (1.0 - r.g))),
                };
                for (cells, own, p, weight) in [(&mut self.a, own_a, r.a, there), (&mut self.b, own_b, r.b, not)] {
                    if !own {
                        let (yes, no) = resolved(p);
                        cells.add(&[Tally { cell: index, present: weight * yes, absent: weight * no, p }]);
                    }
                }
            }
        }
    }
}

/// Whether anything was seen or found of a component, or of one that depends on it.
fn told_of(pack: &Pack, evidence: &Evidence, found: &[(Index, Index)], k: Index) -> bool {
    let called = |on: On| match on {
        On::Story => false,
        On::One(one) => one == k,
        On::Two(one, two) => one == k || two == k,
    };
    found.iter().any(|(at, _)| *at == k)
        || evidence.calls().iter().any(|c| called(pack.signs()[c.sign].on))
        || (0..pack.components().len())
            .any(|child| pack.components()[child].parent == Some(k) && told_of(pack, evidence, found, child))
}

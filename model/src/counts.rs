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
//! Not every expected case is worth a whole one, since what was at work is guessed. With g the
//! slope of one listing's ln P(e), the observed information on p is Σ g² exactly (P(e) is linear in
//! p), and with n⁺ and n⁻ expected cases for and against it would be n⁺/p² + n⁻/(1−p)² if all were
//! known (Louis 1982). The *cases* behind p are
//!
//! (n⁺ + n⁻) · Σ g² / (n⁺/p² + n⁻/(1−p)²)
//!
//! and in a row of a table the same with the trace over its shares.
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
    information: Vec<f64>,
}

/// Expected cases in cells that hold one probability each.
#[derive(Debug, Clone, PartialEq)]
pub struct Cells {
    /// Expected cases in which it happened.
    pub present: Vec<f64>,
    /// Expected cases in which it did not.
    pub absent: Vec<f64>,
    information: Vec<f64>,
}

/// Where a sign's reading rates are from.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Class {
    index: usize,
    own_a: bool,
    own_b: bool,
}

impl Rows {
    /// No cases yet.
    #[must_use]
    pub fn new(states: usize, rows: usize) -> Self {
        Self { states, counts: vec![0.0; states * rows], information: vec![0.0; rows] }
    }

    /// Adds one listing's expected cases in one row, made under these shares.
    pub fn add(&mut self, row: usize, expected: &[f64], shares: &[f64]) {
        let (mut all, mut squares) = (0.0, 0.0);
        let counts = &mut self.counts[row * self.states..][..self.states];
        for ((n, r), p) in counts.iter_mut().zip(expected).zip(shares) {
            *n += r;
            all += r;
            squares += r * r / p;
        }
        self.information[row] += (squares - all * all).max(0.0);
    }

    /// Expected cases of every share of a row.
    #[must_use]
    pub fn row(&self, row: usize) -> &[f64] {
        &self.counts[row * self.states..][..self.states]
    }

    /// The number of known cases that a row's expected ones are worth, under these shares.
    #[must_use]
    pub fn cases(&self, row: usize, shares: &[f64]) -> f64 {
        let all: f64 = self.row(row).iter().sum();
        let known: f64 = self.row(row).iter().zip(shares).map(|(n, p)| n * (1.0 / p - 1.0)).sum();
        if known > 0.0 { all * (self.information[row] / known).min(1.0) } else { 0.0 }
    }
}

impl Cells {
    /// No cases yet.
    #[must_use]
    pub fn new(cells: usize) -> Self {
        Self { present: vec![0.0; cells], absent: vec![0.0; cells], information: vec![0.0; cells] }
    }

    /// Adds expected cases for and against in one cell, made under the probability p.
    pub fn add(&mut self, cell: usize, present: f64, absent: f64, p: f64) {
        self.present[cell] += present;
        self.absent[cell] += absent;
        let slope = present / p - absent / (1.0 - p);
        self.information[cell] += slope * slope;
    }

    /// The number of known cases that a cell's expected ones are worth, under the probability p.
    #[must_use]
    pub fn cases(&self, cell: usize, p: f64) -> f64 {
        let (yes, no) = (self.present[cell], self.absent[cell]);
        let known = yes / (p * p) + no / ((1.0 - p) * (1.0 - p));
        if known > 0.0 { (yes + no) * (self.information[cell] / known).min(1.0) } else { 0.0 }
    }
}

impl Counts {
    /// Nothing counted yet.
    #[must_use]
    pub fn new(pack: &Pack) -> Self {
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
            components: pack.components().iter().map(|c| Rows::new(c.states, c.table.len() / c.states)).collect(),
            signs: pack.signs().iter().map(|s| Cells::new(s.present.len())).collect(),
            a: Cells::new(data.readings.len()),
            b: Cells::new(data.readings.len()),
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
            let shares = c.table.iter().copied();
            expected.iter_mut().zip(shares.clone()).for_each(|(slope, p)| *slope *= p);
            let shares: Vec<f64> = shares.collect();
            let rows = expected.chunks_exact(c.states).zip(shares.chunks_exact(c.states));
            for (row, (expected, shares)) in rows.enumerate() {
                self.components[k].add(row, expected, shares);
            }
        }
        for call in evidence.calls() {
            let sign = &pack.signs()[call.sign];
            let (mut there, mut not) = (0.0, 0.0);
            for (cell, weight) in beliefs.states_of(call.sign, posterior).into_iter().enumerate() {
                let p = sign.present[cell];
                let present = weight * call.if_present * p / call.at(p);
                let absent = weight * call.if_absent * (1.0 - p) / call.at(p);
                self.signs[call.sign].add(cell, present, absent, p);
                there += present;
                not += absent;
            }
            // A call right or wrong, as far as the detail could be resolved at all.
            if let Some(d) = call.resolvable.filter(|_| call.is_read()) {
                let Class { index, own_a, own_b } = self.classes[call.sign];
                let r = &sign.reading;
                let resolved = |rate: f64| match call.call {
                    Call::Present => (d * rate / (d * rate + (1.0 - d) * r.g), 0.0),
                    Call::Absent => (0.0, d * (1.0 - rate) / (d * (1.0 - rate) + (1.0 - d) * (1.0 - r.g))),
                };
                for (cells, own, rate, weight) in [(&mut self.a, own_a, r.a, there), (&mut self.b, own_b, r.b, not)] {
                    if !own {
                        let (yes, no) = resolved(rate);
                        cells.add(index, weight * yes, weight * no, rate);
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

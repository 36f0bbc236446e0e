//! Which of several offers to take with limited money, at most one of some.
//!
//! Offer i takes c_i out of the budget B and is worth v_i; of the offers in a group at most one
//! may be taken:
//!
//! ```text
//! max Σ v_i·x_i   with   Σ c_i·x_i ≤ B,   Σ_{i ∈ G} x_i ≤ 1 for every group G,   x_i ∈ {0, 1}
//! ```
//!
//! This is the knapsack problem with conflicts. Up to [`EXACT`] offers it is solved by meeting in
//! the middle (Horowitz and Sahni 1974, "Computing partitions with applications to the knapsack
//! problem", J. ACM 21): the subsets of both halves, the second sorted by cost, in a number of
//! steps that no instance exceeds. Above that by branch and bound over the linear relaxation of
//! the multiple-choice knapsack (Sinha and Zoltners 1979, Oper. Res. 27; Kellerer, Pferschy and
//! Pisinger 2004, *Knapsack Problems*, ch. 11) for as long as the work allowed lasts; what is
//! left open then still has a bound, so that the answer comes with a proof of how good it is.
//! All amounts are whole numbers, in minor units of one currency.
//!
//! ```
//! use steelyard_model::bids::{Offer, choose};
//! let offers = [(60, 10), (100, 20), (120, 30)].map(|(worth, cost)| Offer { cost, worth });
//! let chosen = choose(50, &offers, &[]);
//! assert_eq!((chosen.offers, chosen.worth, chosen.bound), (vec![1, 2], 220, 220));
//! let chosen = choose(50, &offers, &[vec![1, 2]]);
//! assert_eq!((chosen.offers, chosen.worth), (vec![0, 2], 180));
//! ```

use std::cmp::{Ordering, Reverse};
use std::collections::HashMap;

/// Up to this many offers that are worth anything the best choice is found, whatever they are.
pub const EXACT: usize = 25;

/// Offers looked at by [`choose`] before what is left open is only bounded: a fraction of a second.
const WORK: u64 = 4_000_000;

/// Something to take or leave.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Offer {
    /// What it takes out of the budget.
    pub cost: u64,
    /// What it brings; at 0 or below it is never taken.
    pub worth: i64,
}

/// What to take.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Choice {
    /// Positions of the offers, ascending.
    pub offers: Vec<usize>,
    /// What they cost together.
    pub cost: u64,
    /// What they are worth together.
    pub worth: u128,
    /// No choice is worth more; equal to `worth` where the choice is known to be best.
    pub bound: u128,
}

/// The best choice; above [`EXACT`] offers the best found, with a bound that no choice exceeds.
/// Groups hold positions of offers; an offer may be in several.
///
/// # Panics
/// If a group names a position that there is not.
#[must_use]
pub fn choose(budget: u64, offers: &[Offer], at_most_one: &[Vec<usize>]) -> Choice {
    let problem = Problem::new(budget, offers, at_most_one);
    if problem.items.len() <= EXACT { problem.in_the_middle() } else { problem.branch_and_bound(WORK) }
}

/// The same by branch and bound alone, looking at no more than `work` offers over and over.
///
/// # Panics
/// If a group names a position that there is not.
#[must_use]
pub fn choose_within(work: u64, budget: u64, offers: &[Offer], at_most_one: &[Vec<usize>]) -> Choice {
    Problem::new(budget, offers, at_most_one).branch_and_bound(work)
}

/// An offer that can be paid and brings something.
#[derive(Debug, Clone)]
struct Item {
    /// Position among the offers.
    offer: usize,
    cost: u64,
    worth: u128,
    groups: Vec<usize>,
    /// Items of a class exclude each other: one of its groups, or itself alone.
    class: usize,
}

#[derive(Debug)]
struct Problem {
    budget: u64,
    items: Vec<Item>,
    groups: usize,
    classes: usize,
}

impl Problem {
    fn new(budget: u64, offers: &[Offer], at_most_one: &[Vec<usize>]) -> Self {
        let mut groups_of = vec![Vec::new(); offers.len()];
        for (g, group) in at_most_one.iter().enumerate() {
            for &i in group {
                if groups_of[i].last() != Some(&g) {
                    groups_of[i].push(g);
                }
            }
        }
        let mut items: Vec<Item> = offers
            .iter()
            .zip(groups_of)
            .enumerate()
            .filter(|(_, (o, _))| o.worth > 0 && o.cost <= budget)
            .map(|(offer, (o, groups))| Item {
                offer,
                cost: o.cost,
                worth: u128::from(o.worth.unsigned_abs()),
                groups,
                class: 0,
            })
            .collect();
        classify(&mut items, at_most_one.len());
        // By class, and within it as the relaxation walks: cheap before dear, good before poor.
        items.sort_by_key(|i| (i.class, i.cost, Reverse(i.worth), i.offer));
        let mut classes = 0;
        for of_class in items.chunk_by_mut(|a, b| a.class == b.class) {
            of_class.iter_mut().for_each(|i| i.class = classes);
            classes += 1;
        }
        Self { budget, items, groups: at_most_one.len(), classes }
    }

    fn choice(&self, mut taken: Vec<usize>, bound: Option<u128>) -> Choice {
        taken.sort_unstable_by_key(|&i| self.items[i].offer);
        let worth = taken.iter().map(|&i| self.items[i].worth).sum();
        Choice {
            cost: taken.iter().map(|&i| self.items[i].cost).sum(),
            worth,
            bound: bound.unwrap_or(worth),
            offers: taken.into_iter().map(|i| self.items[i].offer).collect(),
        }
    }
}

/// Splits the items into classes of which at most one may be taken: the largest groups first, so
/// that the relaxation, which sees classes alone, forgets as little as it can.
fn classify(items: &mut [Item], groups: usize) {
    let mut members = vec![Vec::new(); groups];
    for (i, item) in items.iter().enumerate() {
        for &g in &item.groups {
            members[g].push(i);
        }
    }
    members.sort_by_key(|m| Reverse(m.len()));
    let mut class_of: Vec<Option<usize>> = vec![None; items.len()];
    for (class, group) in members.iter().enumerate() {
        for &i in group {
            class_of[i].get_or_insert(class);
        }
    }
    for (i, item) in items.iter_mut().enumerate() {
        item.class = class_of[i].unwrap_or(groups + i);
    }
}

/// A subset of one half of the items.
#[derive(Debug, Clone, Copy)]
struct Subset {
    cost: u64,
    worth: u128,
    items: u32,
    /// Items of the other half that go with all of these.
    goes_with: u32,
}

impl Problem {
    fn in_the_middle(&self) -> Choice {
        let n = self.items.len();
        let first = n.div_ceil(2);
        let mut conflicts = vec![0_u32; n];
        for (i, one) in self.items.iter().enumerate() {
            for (j, other) in self.items.iter().enumerate() {
                if i != j && one.groups.iter().any(|g| other.groups.contains(g)) {
                    conflicts[i] |= 1 << j;
                }
            }
        }
        let left = self.subsets(0..first, &conflicts);
        let mut right = self.subsets(first..n, &conflicts);
        right.sort_by_key(|s| (s.cost, Reverse(s.worth)));
        let mut by_mask: HashMap<u32, Vec<Subset>> = HashMap::new();
        for subset in left {
            by_mask.entry(subset.goes_with).or_default().push(subset);
        }
        let mut best: (u128, Reverse<u64>, Reverse<u32>) = (0, Reverse(0), Reverse(0));
        let mut rising: Vec<Subset> = Vec::new();
        for (goes_with, those) in by_mask {
            // What is worth more than all that cost no more: both rise.
            rising.clear();
            for s in right.iter().filter(|s| s.items & !goes_with == 0) {
                if rising.last().is_none_or(|last| s.worth > last.worth) {
                    rising.push(*s);
                }
            }
            for one in those {
                let left = self.budget - one.cost;
                let affordable = rising.partition_point(|s| s.cost <= left);
                // The empty subset goes with everything.
                let Some(other) = affordable.checked_sub(1).map(|at| rising[at]) else { continue };
                let whole = (one.worth + other.worth, Reverse(one.cost + other.cost), Reverse(one.items | other.items));
                best = best.max(whole);
            }
        }
        self.choice((0..n).filter(|i| best.2.0 >> i & 1 == 1).collect(), None)
    }

    /// Every subset of these items that can be taken and paid.
    fn subsets(&self, of: std::ops::Range<usize>, conflicts: &[u32]) -> Vec<Subset> {
        let all = (1_u32 << self.items.len()) - 1;
        let mut found = vec![Subset { cost: 0, worth: 0, items: 0, goes_with: all }];
        for i in of {
            let item = &self.items[i];
            for at in 0..found.len() {
                let s = found[at];
                if s.goes_with >> i & 1 == 1 && item.cost <= self.budget - s.cost {
                    found.push(Subset {
                        cost: s.cost + item.cost,
                        worth: s.worth + item.worth,
                        items: s.items | 1 << i,
                        goes_with: s.goes_with & !conflicts[i],
                    });
                }
            }
        }
        found
    }
}

/// One step up a class's upper hull: from the item before, or from nothing, to this one.
#[derive(Debug, Clone, Copy)]
struct Step {
    item: usize,
    cost: u64,
    worth: u128,
}

/// How two steps compare by worth for cost, the better first.
fn steeper(a: &Step, b: &Step) -> Ordering {
    (b.worth * u128::from(a.cost)).cmp(&(a.worth * u128::from(b.cost))).then(a.item.cmp(&b.item))
}

/// What the linear relaxation says of the items still open.
struct Relaxed {
    bound: u128,
    /// The best item for its cost.
    steepest: Option<usize>,
    /// What rounding down takes, with what else fits.
    rounded: Vec<usize>,
}

struct Search<'p> {
    problem: &'p Problem,
    work: u64,
    taken: Vec<usize>,
    /// The best so far and its worth.
    best: (Vec<usize>, u128),
    /// The most that what was left open could be worth.
    open: u128,
}

impl Problem {
    fn branch_and_bound(&self, work: u64) -> Choice {
        let mut search = Search { problem: self, work, taken: Vec::new(), best: (Vec::new(), 0), open: 0 };
        search.go_on((0..self.items.len()).collect(), self.budget, 0);
        let bound = search.open.max(search.best.1);
        self.choice(search.best.0, Some(bound))
    }

    /// The multiple-choice relaxation over the open items: each class's upper hull is climbed where
    /// it is steepest until the money ends; the last step is taken in part, in whole units of worth.
    fn relaxed(&self, open: &[usize], budget: u64) -> Relaxed {
        let mut steps: Vec<Step> = Vec::with_capacity(open.len());
        for class in open.chunk_by(|a, b| self.items[*a].class == self.items[*b].class) {
            let begin = steps.len();
            let (mut cost, mut worth) = (0_u64, 0_u128);
            for &i in class {
                let item = &self.items[i];
                if item.worth <= worth {
                    continue;
                }
                let mut step = Step { item: i, cost: item.cost - cost, worth: item.worth - worth };
                // A step as steep as the one before it is climbed in one.
                while let Some(last) = steps[begin..].last().copied()
                    && step.worth * u128::from(last.cost) >= last.worth * u128::from(step.cost)
                {
                    steps.pop();
                    step = Step { item: i, cost: step.cost + last.cost, worth: step.worth + last.worth };
                }
                steps.push(step);
                (cost, worth) = (item.cost, item.worth);
            }
        }
        steps.sort_by(steeper);
        let (mut left, mut sum, mut broken) = (budget, 0_u128, false);
        let mut reached: Vec<Option<usize>> = vec![None; self.classes];
        let mut stopped = vec![false; self.classes];
        let mut money = budget;
        let mut bound = None;
        for step in &steps {
            let class = self.items[step.item].class;
            if !broken {
                if step.cost <= left {
                    left -= step.cost;
                    sum += step.worth;
                } else {
                    broken = true;
                    bound = Some(sum + step.worth * u128::from(left) / u128::from(step.cost));
                }
            }
            // Past the last step some others may still fit, each on top of its class's own.
            if step.cost <= money && !stopped[class] {
                money -= step.cost;
                reached[class] = Some(step.item);
            } else {
                stopped[class] = true;
            }
        }
        let rounded = reached.into_iter().flatten().collect();
        Relaxed { bound: bound.unwrap_or(sum), steepest: steps.first().map(|s| s.item), rounded }
    }
}

impl Search<'_> {
    /// Looks through what can be added of the open items with this much money left.
    fn go_on(&mut self, mut open: Vec<usize>, budget: u64, worth: u128) {
        while !open.is_empty() {
            let relaxed = self.problem.relaxed(&open, budget);
            let most = worth + relaxed.bound;
            self.try_rounded(&relaxed.rounded, worth);
            if most <= self.best.1 {
                return;
            }
            let looked = open.len() as u64;
            if self.work < looked {
                self.open = self.open.max(most);
                return;
            }
            self.work -= looked;
            let Some(next) = relaxed.steepest else { return };
            let item = &self.problem.items[next];
            let goes_with = |i: &usize| {
                let other = &self.problem.items[*i];
                *i != next
                    && other.class != item.class
                    && other.cost <= budget - item.cost
                    && !other.groups.iter().any(|g| item.groups.contains(g))
            };
            let with: Vec<usize> = open.iter().copied().filter(goes_with).collect();
            self.taken.push(next);
            self.keep_if_better(worth + item.worth);
            self.go_on(with, budget - item.cost, worth + item.worth);
            self.taken.pop();
            open.retain(|i| *i != next);
        }
    }

    /// What rounding takes keeps to classes and money; of groups that overlap the later ones go.
    fn try_rounded(&mut self, rounded: &[usize], worth: u128) {
        let mut used = vec![false; self.problem.groups];
        let mut more = worth;
        let before = self.taken.len();
        let mut by_worth = rounded.to_vec();
        by_worth.sort_by_key(|&i| Reverse(self.problem.items[i].worth));
        for i in by_worth {
            let item = &self.problem.items[i];
            if item.groups.iter().any(|&g| used[g]) {
                continue;
            }
            item.groups.iter().for_each(|&g| used[g] = true);
            self.taken.push(i);
            more += item.worth;
        }
        self.keep_if_better(more);
        self.taken.truncate(before);
    }

    fn keep_if_better(&mut self, worth: u128) {
        if worth > self.best.1 {
            self.best = (self.taken.clone(), worth);
        }
    }
}

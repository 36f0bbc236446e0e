//! Sum-product elimination compiled once and run without allocating.
//!
//! A [`Contraction`] answers: given factors over small discrete variables, what is
//! Σ Π factors over all variables but the kept ones, and how does that sum change with
//! every entry of every factor? The second answer (reverse-mode differentiation of the
//! elimination, Darwiche 2003, "A differential approach to inference in Bayesian
//! networks", J. ACM 50(3)) gives every marginal from one backward pass.
//!
//! Factors may carry *lanes*: a short innermost axis over which nothing is summed, so that
//! all stories of a watch are eliminated side by side. Elimination order is greedy by the
//! size of the table made; within a bucket the two smallest factors are joined first, so
//! every operation is a product of at most two tables.

/// A variable of a contraction: its index into the cardinalities given to [`Contraction::compile`].
pub type Var = usize;

/// The most lanes a contraction carries.
pub const MAX_LANES: usize = 8;

/// The shape of one input: its variables in row-major order, and whether each entry has lanes.
#[derive(Debug, Clone)]
pub struct Input {
    /// Variables, slowest first.
    pub scope: Vec<Var>,
    /// Whether every entry is a lane vector (true) or one number for all lanes (false).
    pub laned: bool,
}

#[derive(Debug, Clone)]
struct Slot {
    scope: Vec<Var>,
    laned: bool,
    start: usize,
    entries: usize,
    grad_start: usize,
}

#[derive(Debug, Clone)]
struct Step {
    first: usize,
    second: Option<usize>,
    out: usize,
    inner: usize,
    eliminated: Option<Var>,
    first_at: Vec<u32>,
    second_at: Vec<u32>,
}

/// A compiled elimination.
#[derive(Debug, Clone)]
pub struct Contraction {
    cardinalities: Vec<usize>,
    lanes: usize,
    slots: Vec<Slot>,
    steps: Vec<Step>,
    output: usize,
    values: usize,
    gradients: usize,
    rescaled: bool,
}

/// The buffers of one evaluation. Make it once with [`Contraction::workspace`] and reuse it.
#[derive(Debug, Clone)]
pub struct Workspace {
    values: Vec<f64>,
    gradients: Vec<f64>,
    /// What every step's table was multiplied by, where tables are rescaled.
    factors: Vec<f64>,
}

impl Contraction {
    /// Compiles the elimination of every variable not in `keep`.
    ///
    /// # Panics
    /// If `lanes` is 0 or above [`MAX_LANES`], a scope names a variable that has no cardinality,
    /// or a variable to be eliminated is in no scope.
    #[must_use]
    pub fn compile(cardinalities: &[usize], lanes: usize, inputs: &[Input], keep: &[Var]) -> Self {
        assert!((1..=MAX_LANES).contains(&lanes), "1 to {MAX_LANES} lanes");
        let mut build = Self {
            cardinalities: cardinalities.to_vec(),
            lanes,
            slots: Vec::new(),
            steps: Vec::new(),
            output: 0,
            values: 0,
            gradients: 0,
            rescaled: false,
        };
        for input in inputs {
            build.add_slot(input.scope.clone(), input.laned);
        }
        let mut live: Vec<usize> = (0..inputs.len()).collect();
        let mut open: Vec<Var> = (0..cardinalities.len()).filter(|v| !keep.contains(v)).collect();
        while !open.is_empty() {
            let (at, _) = open
                .iter()
                .enumerate()
                .map(|(i, &v)| (i, build.bucket_size(&live, v)))
                .min_by_key(|&(_, size)| size)
                .unwrap_or((0, 0));
            let var = open.swap_remove(at);
            let (mut bucket, rest): (Vec<usize>, Vec<usize>) =
                live.iter().partition(|&&s| build.slots[s].scope.contains(&var));
            live = rest;
            build.join_until(&mut bucket, 2);
            match *bucket.as_slice() {
                [] => panic!("variable {var} is in no factor"),
                [one] => live.push(build.add_step(one, None, Some(var))),
                [one, two] => live.push(build.add_step(one, Some(two), Some(var))),
                _ => unreachable!("join_until leaves at most two"),
            }
        }
        build.join_until(&mut live, 1);
        // A copy in the order the caller asked for, laned even where no input is.
        let last = live.first().copied();
        build.output = build.add_output(last, keep);
        build
    }

    /// Rescales every table made to a maximum of one, so that products of many small numbers do
    /// not underflow; [`Self::ln_scale`] tells what was taken out.
    #[must_use]
    pub fn rescaled(mut self) -> Self {
        self.rescaled = true;
        self
    }

    fn size(&self, scope: &[Var]) -> usize {
        scope.iter().map(|&v| self.cardinalities[v]).product()
    }

    fn add_slot(&mut self, scope: Vec<Var>, laned: bool) -> usize {
        let entries = self.size(&scope);
        let width = if laned { self.lanes } else { 1 };
        self.slots.push(Slot { scope, laned, start: self.values, entries, grad_start: self.gradients });
        self.values += entries * width;
        self.gradients += entries * self.lanes;
        self.slots.len() - 1
    }

    fn union(&self, slots: &[usize]) -> Vec<Var> {
        let mut scope: Vec<Var> = slots.iter().flat_map(|&s| self.slots[s].scope.iter().copied()).collect();
        scope.sort_unstable();
        scope.dedup();
        scope
    }

    fn bucket_size(&self, live: &[usize], var: Var) -> usize {
        let bucket: Vec<usize> = live.iter().copied().filter(|&s| self.slots[s].scope.contains(&var)).collect();
        self.size(&self.union(&bucket))
    }

    fn join_until(&mut self, bucket: &mut Vec<usize>, most: usize) {
        while bucket.len() > most {
            let mut best = (usize::MAX, 0, 1);
            for i in 0..bucket.len() {
                for j in i + 1..bucket.len() {
                    let pair = [bucket[i], bucket[j]];
                    let laned = pair.iter().any(|&s| self.slots[s].laned);
                    let cost = self.size(&self.union(&pair)) * if laned { self.lanes } else { 1 };
                    if cost < best.0 {
                        best = (cost, i, j);
                    }
                }
            }
            let (second, first) = (bucket.remove(best.2), bucket.remove(best.1));
            let joined = self.add_step(first, Some(second), None);
            bucket.push(joined);
        }
    }

    fn add_step(&mut self, first: usize, second: Option<usize>, eliminated: Option<Var>) -> usize {
        let pair: Vec<usize> = std::iter::once(first).chain(second).collect();
        let mut scope = self.union(&pair);
        scope.retain(|v| Some(*v) != eliminated);
        let laned = pair.iter().any(|&s| self.slots[s].laned);
        self.push_step(first, second, eliminated, scope, laned)
    }

    fn add_output(&mut self, last: Option<usize>, keep: &[Var]) -> usize {
        match last {
            Some(slot) => self.push_step(slot, None, None, keep.to_vec(), true),
            None => {
                let one = self.add_slot(Vec::new(), false);
                self.push_step(one, None, None, keep.to_vec(), true)
            }
        }
    }

    fn push_step(
        &mut self,
        first: usize,
        second: Option<usize>,
        eliminated: Option<Var>,
        scope: Vec<Var>,
        laned: bool,
    ) -> usize {
        let mut loops = scope.clone();
        loops.extend(eliminated);
        let inner = eliminated.map_or(1, |v| self.cardinalities[v]);
        let first_at = self.offsets(first, &loops);
        let second_at = second.map_or_else(Vec::new, |s| self.offsets(s, &loops));
        let out = self.add_slot(scope, laned);
        self.steps.push(Step { first, second, out, inner, eliminated, first_at, second_at });
        out
    }

    /// For every configuration of `loops` (row-major), the entry of `slot` it reads.
    fn offsets(&self, slot: usize, loops: &[Var]) -> Vec<u32> {
        let scope = &self.slots[slot].scope;
        let mut strides = vec![0_u32; loops.len()];
        let mut stride = 1_u32;
        for &v in scope.iter().rev() {
            if let Some(at) = loops.iter().position(|&l| l == v) {
                strides[at] = stride;
            }
            stride *= self.cardinalities[v] as u32;
        }
        let total = self.size(loops);
        let mut offsets = Vec::with_capacity(total);
        let mut states = vec![0_usize; loops.len()];
        let mut here = 0_u32;
        for _ in 0..total {
            offsets.push(here);
            for d in (0..loops.len()).rev() {
                states[d] += 1;
                here += strides[d];
                if states[d] < self.cardinalities[loops[d]] {
                    break;
                }
                here -= strides[d] * states[d] as u32;
                states[d] = 0;
            }
        }
        offsets
    }

    /// Buffers for this contraction, inputs set to one.
    #[must_use]
    pub fn workspace(&self) -> Workspace {
        Workspace {
            values: vec![1.0; self.values],
            gradients: vec![0.0; self.gradients],
            factors: vec![1.0; if self.rescaled { self.steps.len() } else { 0 }],
        }
    }

    /// Lanes carried by laned entries.
    #[must_use]
    pub fn lanes(&self) -> usize {
        self.lanes
    }

    /// The entries of input `slot`, row-major, lanes innermost: write the factor here.
    #[must_use]
    pub fn input_mut<'w>(&self, work: &'w mut Workspace, slot: usize) -> &'w mut [f64] {
        &mut work.values[self.range(slot)]
    }

    /// The entries of input `slot` as last written.
    #[must_use]
    pub fn input<'w>(&self, work: &'w Workspace, slot: usize) -> &'w [f64] {
        &work.values[self.range(slot)]
    }

    fn range(&self, slot: usize) -> std::ops::Range<usize> {
        let s = &self.slots[slot];
        s.start..s.start + s.entries * if s.laned { self.lanes } else { 1 }
    }

    /// The sum over everything but the kept variables, lanes innermost, after [`Self::forward`].
    #[must_use]
    pub fn output<'w>(&self, work: &'w Workspace) -> &'w [f64] {
        &work.values[self.range(self.output)]
    }

    /// The derivative of Σ seed·output by every entry of input `slot`, per lane, after [`Self::backward`].
    #[must_use]
    pub fn gradient<'w>(&self, work: &'w Workspace, slot: usize) -> &'w [f64] {
        let s = &self.slots[slot];
        &work.gradients[s.grad_start..s.grad_start + s.entries * self.lanes]
    }

    /// ln of what the output must be multiplied by, after [`Self::forward`]; 0 unless rescaled.
    #[must_use]
    pub fn ln_scale(&self, work: &Workspace) -> f64 {
        -work.factors.iter().map(|f| f.ln()).sum::<f64>()
    }

    /// Runs the elimination on the inputs now in `work`.
    pub fn forward(&self, work: &mut Workspace) {
        match self.lanes {
            1 => self.forward_lanes::<1>(work),
            2 => self.forward_lanes::<2>(work),
            3 => self.forward_lanes::<3>(work),
            4 => self.forward_lanes::<4>(work),
            5 => self.forward_lanes::<5>(work),
            6 => self.forward_lanes::<6>(work),
            7 => self.forward_lanes::<7>(work),
            _ => self.forward_lanes::<8>(work),
        }
    }

    fn forward_lanes<const W: usize>(&self, work: &mut Workspace) {
        for (n, step) in self.steps.iter().enumerate() {
            let out = &self.slots[step.out];
            let (lower, upper) = work.values.split_at_mut(out.start);
            let first = &self.slots[step.first];
            let a = &lower[self.range(step.first)];
            match step.second {
                None => match (first.laned, out.laned) {
                    (true, _) => sum_one::<W>(step, a.as_chunks().0, chunks_mut(upper, out.entries)),
                    (false, true) => {
                        let out: &mut [[f64; W]] = chunks_mut(upper, out.entries);
                        for (o, at) in out.iter_mut().zip(step.first_at.chunks_exact(step.inner)) {
                            *o = [at.iter().map(|&i| a[i as usize]).sum(); W];
                        }
                    }
                    (false, false) => {
                        let at = step.first_at.chunks_exact(step.inner);
                        for (o, at) in upper[..out.entries].iter_mut().zip(at) {
                            *o = at.iter().map(|&i| a[i as usize]).sum();
                        }
                    }
                },
                Some(second) => {
                    let b = &lower[self.range(second)];
                    match (first.laned, self.slots[second].laned) {
                        (true, true) => {
                            let (a, b) = (a.as_chunks::<W>().0, b.as_chunks::<W>().0);
                            sum_two(
                                step,
                                |i, j, acc: &mut [f64; W]| {
                                    for h in 0..W {
                                        acc[h] += a[i][h] * b[j][h];
                                    }
                                },
                                chunks_mut(upper, out.entries),
                            );
                        }
                        (true, false) => {
                            let a = a.as_chunks::<W>().0;
                            sum_two(
                                step,
                                |i, j, acc: &mut [f64; W]| {
                                    for h in 0..W {
                                        acc[h] += a[i][h] * b[j];
                                    }
                                },
                                chunks_mut(upper, out.entries),
                            );
                        }
                        (false, true) => {
                            let b = b.as_chunks::<W>().0;
                            sum_two(
                                step,
                                |i, j, acc: &mut [f64; W]| {
                                    for h in 0..W {
                                        acc[h] += a[i] * b[j][h];
                                    }
                                },
                                chunks_mut(upper, out.entries),
                            );
                        }
                        (false, false) => {
                            sum_two(
                                step,
                                |i, j, acc: &mut [f64; 1]| {
                                    acc[0] += a[i] * b[j];
                                },
                                chunks_mut(upper, out.entries),
                            );
                        }
                    }
                }
            }
            if self.rescaled {
                let made = &mut work.values[self.range(step.out)];
                let largest = made.iter().copied().fold(0.0, f64::max);
                let factor = if largest > 0.0 { 1.0 / largest } else { 1.0 };
                made.iter_mut().for_each(|x| *x *= factor);
                work.factors[n] = factor;
            }
        }
    }

    /// Differentiates after [`Self::forward`]; `seed` weighs each output entry (lanes innermost).
    ///
    /// # Panics
    /// If `seed` has not as many entries as the output.
    pub fn backward(&self, work: &mut Workspace, seed: &[f64]) {
        work.gradients.fill(0.0);
        let out = &self.slots[self.output];
        let end = out.grad_start + out.entries * self.lanes;
        work.gradients[out.grad_start..end].copy_from_slice(seed);
        match self.lanes {
            1 => self.backward_lanes::<1>(work),
            2 => self.backward_lanes::<2>(work),
            3 => self.backward_lanes::<3>(work),
            4 => self.backward_lanes::<4>(work),
            5 => self.backward_lanes::<5>(work),
            6 => self.backward_lanes::<6>(work),
            7 => self.backward_lanes::<7>(work),
            _ => self.backward_lanes::<8>(work),
        }
    }

    fn backward_lanes<const W: usize>(&self, work: &mut Workspace) {
        let Workspace { values, gradients, factors } = work;
        for (n, step) in self.steps.iter().enumerate().rev() {
            let out = &self.slots[step.out];
            let (lower, upper) = gradients.split_at_mut(out.grad_start);
            if let Some(factor) = factors.get(n) {
                upper[..out.entries * W].iter_mut().for_each(|x| *x *= factor);
            }
            let pull: &[[f64; W]] = upper[..out.entries * W].as_chunks().0;
            let lower: &mut [[f64; W]] = lower.as_chunks_mut().0;
            let first = &self.slots[step.first];
            let into_first = first.grad_start / W;
            let a = Entries::<W>::new(&values[self.range(step.first)], first.laned);
            match step.second {
                None => {
                    for (o, at) in step.first_at.chunks_exact(step.inner).enumerate() {
                        for &i in at {
                            let slot = &mut lower[into_first + i as usize];
                            for h in 0..W {
                                slot[h] += pull[o][h];
                            }
                        }
                    }
                }
                Some(second_slot) => {
                    let second = &self.slots[second_slot];
                    let into_second = second.grad_start / W;
                    let b = Entries::<W>::new(&values[self.range(second_slot)], second.laned);
                    let to = (into_first, into_second);
                    // One loop for each kind of pair: the inner loop must not ask.
                    match (a, b) {
                        (Entries::Laned(a), Entries::Laned(b)) => {
                            pull_two(step, pull, lower, to, |i| a[i], |j| b[j]);
                        }
                        (Entries::Laned(a), Entries::Plain(b)) => {
                            pull_two(step, pull, lower, to, |i| a[i], |j| [b[j]; W]);
                        }
                        (Entries::Plain(a), Entries::Laned(b)) => {
                            pull_two(step, pull, lower, to, |i| [a[i]; W], |j| b[j]);
                        }
                        (Entries::Plain(a), Entries::Plain(b)) => {
                            pull_two(step, pull, lower, to, |i| [a[i]; W], |j| [b[j]; W]);
                        }
                    }
                }
            }
        }
    }

    /// Draws the eliminated variables from their joint distribution in one lane, after
    /// [`Self::forward`]; kept variables must already stand in `states`. `uniform` gives
    /// numbers in [0, 1).
    pub fn draw(&self, work: &Workspace, lane: usize, states: &mut [usize], mut uniform: impl FnMut() -> f64) {
        for step in self.steps.iter().rev() {
            let Some(var) = step.eliminated else { continue };
            let mut row = 0;
            for &v in &self.slots[step.out].scope {
                row = row * self.cardinalities[v] + states[v];
            }
            let weight = |x: usize| {
                let at = row * step.inner + x;
                let mut w = self.entry(work, step.first, step.first_at[at] as usize, lane);
                if let Some(second) = step.second {
                    w *= self.entry(work, second, step.second_at[at] as usize, lane);
                }
                w
            };
            let total: f64 = (0..step.inner).map(weight).sum();
            let mut left = uniform() * total;
            let mut chosen = 0;
            for x in 0..step.inner {
                let w = weight(x);
                if w > 0.0 {
                    chosen = x;
                    left -= w;
                    if left < 0.0 {
                        break;
                    }
                }
            }
            states[var] = chosen;
        }
    }

    fn entry(&self, work: &Workspace, slot: usize, at: usize, lane: usize) -> f64 {
        let s = &self.slots[slot];
        work.values[if s.laned { s.start + at * self.lanes + lane } else { s.start + at }]
    }
}

/// Entries read as lane vectors whether or not they carry lanes.
enum Entries<'a, const W: usize> {
    Laned(&'a [[f64; W]]),
    Plain(&'a [f64]),
}

impl<'a, const W: usize> Entries<'a, W> {
    fn new(values: &'a [f64], laned: bool) -> Self {
        if laned { Self::Laned(values.as_chunks().0) } else { Self::Plain(values) }
    }
}

/// Passes what an output pulls on to the two inputs whose product it sums.
#[inline]
fn pull_two<const W: usize>(
    step: &Step,
    pull: &[[f64; W]],
    lower: &mut [[f64; W]],
    (into_first, into_second): (usize, usize),
    a: impl Fn(usize) -> [f64; W],
    b: impl Fn(usize) -> [f64; W],
) {
    let at = step.first_at.chunks_exact(step.inner);
    let bt = step.second_at.chunks_exact(step.inner);
    for ((o, at), bt) in pull.iter().zip(at).zip(bt) {
        for (&i, &j) in at.iter().zip(bt) {
            let (i, j) = (i as usize, j as usize);
            let (x, y) = (a(i), b(j));
            let slot = &mut lower[into_first + i];
            for h in 0..W {
                slot[h] += o[h] * y[h];
            }
            let slot = &mut lower[into_second + j];
            for h in 0..W {
                slot[h] += o[h] * x[h];
            }
        }
    }
}

fn chunks_mut<const W: usize>(values: &mut [f64], entries: usize) -> &mut [[f64; W]] {
    values[..entries * W].as_chunks_mut().0
}

fn sum_one<const W: usize>(step: &Step, a: &[[f64; W]], out: &mut [[f64; W]]) {
    for (o, at) in out.iter_mut().zip(step.first_at.chunks_exact(step.inner)) {
        let mut acc = [0.0; W];
        for &i in at {
            for h in 0..W {
                acc[h] += a[i as usize][h];
            }
        }
        *o = acc;
    }
}

#[inline]
fn sum_two<const W: usize>(step: &Step, term: impl Fn(usize, usize, &mut [f64; W]), out: &mut [[f64; W]]) {
    let at = step.first_at.chunks_exact(step.inner);
    let bt = step.second_at.chunks_exact(step.inner);
    for ((o, at), bt) in out.iter_mut().zip(at).zip(bt) {
        let mut acc = [0.0; W];
        for (&i, &j) in at.iter().zip(bt) {
            term(i as usize, j as usize, &mut acc);
        }
        *o = acc;
    }
}

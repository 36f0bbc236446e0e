//! Integrals of a Beta density times factors linear in θ, on the scale t = logit θ.
//!
//! ```text
//! f(t) = θ^a (1−θ)^b · Π_j (low_j·(1−θ) + high_j·θ)^{m_j},   θ = 1/(1+e^−t),   m_j > 0
//! ```
//!
//! Three properties make this safe as well as fast:
//! 1. ln f is concave in θ, so f has one mode and falls on either side: nothing can be missed.
//! 2. Every singularity of f lies at |Im t| = π, at θ ↔ ½ or where one factor turns from `low` to
//!    `high`. Gauss–Legendre on panels a few units wide converges like 10⁻¹⁵ or better.
//! 3. Far out each factor is constant and f is e^{at} or e^{−bt}: the rest is added in closed form,
//!    so a and b may be as small as one likes.
//!
//! From the mode panels go outwards, each sized by the slope there and halved until its own highest
//! Legendre coefficients vanish.

use std::sync::LazyLock;

use crate::LogOdds;
use crate::error::Error;

/// f is followed down to e^−100 of its mode: far enough for a listing's posterior of 10⁻³⁰ to keep
/// ten digits, though it is an integral over the flank.
const DEPTH: f64 = 100.0;
/// Fall of ln f that one panel is meant to cover.
const FALL_PER_PANEL: f64 = 10.0;
/// Panel width beside a singularity; the ellipse of convergence then has ρ = 2.5.
const WIDTH_AT_CENTRE: f64 = 5.0;
/// Largest Legendre coefficient of degree 18 or 19, relative to the panel's peak. The error of the
/// rule is about its square.
const SMOOTH: f64 = 2e-7;
/// e^−39.2 < 10⁻¹⁷: a factor that has less left to change is constant.
const NOTHING_LEFT: f64 = 39.2;
/// Below this share of the mass a quantile is looked for beyond the panels.
const PANELS_SUFFICE: f64 = 1e-30;

const ORDER: usize = 20;

/// Gauss–Legendre nodes and weights on [−1, 1], with the rows that give the two highest
/// Legendre coefficients of the interpolant.
struct Rule {
    x: [f64; ORDER],
    w: [f64; ORDER],
    highest: [[f64; ORDER]; 2],
}

static RULE: LazyLock<Rule> = LazyLock::new(|| {
    let mut rule = Rule { x: [0.0; ORDER], w: [0.0; ORDER], highest: [[0.0; ORDER]; 2] };
    for k in 0..ORDER {
        // Newton's method on P₂₀ from Tricomi's approximation.
        let angle = std::f64::consts::PI * (k as f64 + 0.75) / (ORDER as f64 + 0.5);
        let mut x = -angle.cos();
        let mut slope = 1.0;
        for _ in 0..8 {
            let p = legendre(x);
            slope = ORDER as f64 * (x * p[ORDER] - p[ORDER - 1]) / (x * x - 1.0);
            x -= p[ORDER] / slope;
        }
        let p = legendre(x);
        let w = 2.0 / ((1.0 - x * x) * slope * slope);
        rule.x[k] = x;
        rule.w[k] = w;
        for (row, degree) in [ORDER - 2, ORDER - 1].into_iter().enumerate() {
            rule.highest[row][k] = (degree as f64 + 0.5) * w * p[degree];
        }
    }
    rule
});

fn legendre(x: f64) -> [f64; ORDER + 1] {
    let mut p = [1.0; ORDER + 1];
    p[1] = x;
    for j in 1..ORDER {
        let n = j as f64;
        p[j + 1] = ((2.0 * n + 1.0) * x * p[j] - n * p[j - 1]) / (n + 1.0);
    }
    p
}

/// (low·(1−θ) + high·θ)^power; `rise` is high − low, known more exactly than by subtraction.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Factor {
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) rise: f64,
    pub(crate) power: f64,
}

/// low·(1−θ) + high·θ with the larger of the two equal to 1.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Pair {
    pub(crate) low: f64,
    pub(crate) high: f64,
}

impl Pair {
    fn at(&self, theta: f64, comp: f64) -> f64 {
        self.low * comp + self.high * theta
    }
}

/// The integrand f, with all factors strictly between 0 and ∞ at both ends.
#[derive(Debug, Clone)]
pub(crate) struct Kernel {
    pub(crate) a: f64,
    pub(crate) b: f64,
    pub(crate) factors: Vec<Factor>,
    pub(crate) pairs: Vec<Pair>,
}

impl Kernel {
    /// d ln f / dt and −d² ln f / dt².
    fn slope_and_curvature(&self, t: f64) -> (f64, f64) {
        let (theta, comp) = (LogOdds::new(t).probability(), LogOdds::new(-t).probability());
        let (mut s, mut q) = (0.0, 0.0);
        for f in &self.factors {
            let r = f.rise / (f.low * comp + f.high * theta);
            s += f.power * r;
            q += f.power * r * r;
        }
        for p in &self.pairs {
            let r = (p.high - p.low) / p.at(theta, comp);
            s += r;
            q += r * r;
        }
        let v = theta * comp;
        let slope = self.a * comp - self.b * theta + v * s;
        let curvature = v * (self.a + self.b - (comp - theta) * s + v * q);
        (slope, curvature)
    }

    /// The mode of f, to a hundredth of its width.
    pub(crate) fn mode(&self) -> f64 {
        let mut t = (self.a / self.b).ln();
        let (mut lo, mut hi) = (f64::NEG_INFINITY, f64::INFINITY);
        let mut stride = 1.0;
        // Twenty rounds are many; whatever t is reached is a valid anchor.
        for _ in 0..1000 {
            let (slope, curvature) = self.slope_and_curvature(t);
            if slope == 0.0 || (curvature > 0.0 && slope.abs() <= 0.01 * curvature.sqrt()) {
                return t;
            }
            if slope > 0.0 {
                lo = t;
            } else {
                hi = t;
            }
            if hi - lo <= 1e-9 * t.abs().max(1.0) {
                return t;
            }
            let newton = t + slope / curvature;
            t = if curvature > 0.0 && newton > lo && newton < hi && (newton - t).abs() <= stride {
                newton
            } else if lo.is_finite() && hi.is_finite() {
                0.5 * (lo + hi)
            } else {
                stride *= 2.0;
                t + stride.copysign(slope)
            };
        }
        t
    }

    /// Where each factor turns from `low` to `high`, and where θ does.
    fn centres(&self) -> impl Iterator<Item = f64> {
        let factors = self.factors.iter().map(|f| (f.low / f.high).ln());
        let pairs = self.pairs.iter().map(|p| (p.low / p.high).ln());
        std::iter::once(0.0).chain(factors).chain(pairs)
    }

    /// t beyond which, on the given side, f is a pure exponential.
    fn exponential_from(&self, side: Side) -> f64 {
        // At least 1: θ and 1−θ themselves are integrated too.
        let mut largest = (self.a + self.b).max(1.0).ln();
        let mut include = |rise: f64, end: f64, power: f64| {
            largest = largest.max(rise.abs().ln() - end.ln() + power.ln());
        };
        for f in &self.factors {
            include(f.rise, side.pick(f.low, f.high), f.power);
        }
        for p in &self.pairs {
            include(p.high - p.low, side.pick(p.low, p.high), 1.0);
        }
        let terms = (1 + self.factors.len() + self.pairs.len()) as f64;
        side.sign() * (NOTHING_LEFT + largest + terms.ln())
    }
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Side {
    Left,
    Right,
}

impl Side {
    fn sign(self) -> f64 {
        self.pick(-1.0, 1.0)
    }

    fn pick<T>(self, left: T, right: T) -> T {
        match self {
            Side::Left => left,
            Side::Right => right,
        }
    }
}

/// One node: θ, 1−θ and θ−θ₀, none of them by subtraction of near equals.
#[derive(Debug, Clone, Copy, Default)]
struct Point {
    theta: f64,
    comp: f64,
    delta: f64,
}

/// f relative to its value at an anchor t₀. At counts of 10⁹ ln f itself is good to 10⁻⁷ only; its
/// difference from a nearby anchor keeps all digits.
#[derive(Debug, Clone)]
struct Anchored {
    kernel: Kernel,
    t0: f64,
    theta0: f64,
    comp0: f64,
    ln_theta0: f64,
    ln_comp0: f64,
    ln_pairs0: f64,
    centres: Vec<f64>,
}

impl Anchored {
    fn new(kernel: Kernel, t0: f64) -> Self {
        let anchor = LogOdds::new(t0);
        let centres = kernel.centres().map(|c| c - t0).collect();
        let mut anchored = Self {
            kernel,
            t0,
            theta0: anchor.probability(),
            comp0: anchor.complement(),
            ln_theta0: anchor.ln_probability(),
            ln_comp0: anchor.ln_complement(),
            ln_pairs0: 0.0,
            centres,
        };
        anchored.ln_pairs0 = anchored.ln_pairs(anchored.theta0, anchored.comp0);
        anchored
    }

    fn ln_pairs(&self, theta: f64, comp: f64) -> f64 {
        let (mut ln, mut product) = (0.0, 1.0);
        for pair in &self.kernel.pairs {
            product *= pair.at(theta, comp);
            // A pair is at least e^−301 (LN_RATIO_MAX): the next product cannot underflow.
            if product < 1e-150 {
                ln += f64::ln(product);
                product = 1.0;
            }
        }
        ln + f64::ln(product)
    }

    /// The node at t₀ + τ and ln f(t₀+τ) − ln f(t₀).
    fn at(&self, tau: f64) -> (Point, f64) {
        let point;
        let (ln_theta, ln_comp);
        if tau.abs() <= 1.0 {
            let (up, down) = (tau.exp_m1(), (-tau).exp_m1());
            let (to_comp, to_theta) = (self.theta0 * up, self.comp0 * down);
            point = Point {
                theta: self.theta0 / (1.0 + to_theta),
                comp: self.comp0 / (1.0 + to_comp),
                delta: self.theta0 * self.comp0 * up / (1.0 + to_comp),
            };
            ln_theta = -to_theta.ln_1p();
            ln_comp = -to_comp.ln_1p();
        } else {
            let t = self.t0 + tau;
            let e = (-t.abs()).exp();
            let (small, large, l) = (e / (1.0 + e), 1.0 / (1.0 + e), e.ln_1p());
            let (theta, comp) = if t < 0.0 { (small, large) } else { (large, small) };
            let delta = if self.theta0 < 0.5 { theta - self.theta0 } else { self.comp0 - comp };
            point = Point { theta, comp, delta };
            ln_theta = t.min(0.0) - l - self.ln_theta0;
            ln_comp = -t.max(0.0) - l - self.ln_comp0;
        }
        let mut ln_f = self.kernel.a * ln_theta + self.kernel.b * ln_comp;
        for f in &self.kernel.factors {
            let value0 = f.low * self.comp0 + f.high * self.theta0;
            let change = f.rise * point.delta / value0;
            ln_f += f.power
                * if change.abs() < 0.5 {
                    change.ln_1p()
                } else {
                    ((f.low * point.comp + f.high * point.theta) / value0).ln()
                };
        }
        if !self.kernel.pairs.is_empty() {
            ln_f += self.ln_pairs(point.theta, point.comp) - self.ln_pairs0;
        }
        (point, ln_f)
    }

    /// Widest panel that the singularities allow, starting at distance `at` from the anchor.
    fn width_allowed(&self, side: Side, at: f64) -> f64 {
        let (mut behind, mut ahead) = (f64::INFINITY, f64::INFINITY);
        for &centre in &self.centres {
            let distance = side.sign() * centre - at;
            if distance > 0.0 {
                ahead = ahead.min(distance);
            } else {
                behind = behind.min(-distance);
            }
        }
        // Never closer to a singularity ahead than the panel is wide: it would hide between nodes.
        (WIDTH_AT_CENTRE + behind).min((0.5 * ahead).max(WIDTH_AT_CENTRE))
    }

    /// Nodes on [from, to] with f·weight there; the third value tells whether f is resolved.
    fn panel(&self, from: f64, to: f64, nodes: &mut [(Point, f64); ORDER]) -> (f64, f64, bool) {
        let rule = &*RULE;
        let (mid, half) = (0.5 * (from + to), 0.5 * (to - from));
        let mut peak = f64::NEG_INFINITY;
        for (node, x) in nodes.iter_mut().zip(&rule.x) {
            *node = self.at(mid + half * x);
            peak = peak.max(node.1);
        }
        let (mut mass, mut highest) = (0.0, [0.0; 2]);
        let scale = half.abs() * peak.exp();
        for (k, node) in nodes.iter_mut().enumerate() {
            let f = (node.1 - peak).exp();
            for (sum, row) in highest.iter_mut().zip(&rule.highest) {
                *sum += f * row[k];
            }
            node.1 = scale * rule.w[k] * f;
            mass += node.1;
        }
        let smooth = highest.iter().all(|c: &f64| c.abs() <= SMOOTH);
        (mass, peak, smooth)
    }

    /// Integrates f/f(t₀) from t₀ outwards, handing every node and its weight to `sink`.
    fn march(&self, side: Side, mut sink: impl FnMut(Point, f64)) -> Wing {
        let reach = (side.sign() * (self.kernel.exponential_from(side) - self.t0)).max(1.0);
        let mut wing = Wing { panels: Vec::with_capacity(16), tail: None };
        let mut nodes = [(Point::default(), 0.0); ORDER];
        let mut at = 0.0;
        while at < reach {
            let (slope, curvature) = self.kernel.slope_and_curvature(self.t0 + side.sign() * at);
            let (fall, bend) = ((-side.sign() * slope).max(0.0), curvature.max(0.0));
            let by_fall = 2.0 * FALL_PER_PANEL / (fall + (fall * fall + 2.0 * FALL_PER_PANEL * bend).sqrt());
            // Narrower than this, t itself is not resolved.
            let narrowest = 1e-12 * (1.0 + self.t0.abs() + at);
            let mut width = by_fall.min(self.width_allowed(side, at)).min(reach - at).max(narrowest);
            let (mass, peak) = loop {
                let (from, to) = (side.sign() * at, side.sign() * (at + width));
                let (mass, peak, smooth) = self.panel(from, to, &mut nodes);
                if smooth || width <= narrowest {
                    break (mass, peak);
                }
                width = (0.5 * width).max(narrowest);
            };
            for &(point, weight) in &nodes {
                sink(point, weight);
            }
            wing.panels.push(Panel { inner: side.sign() * at, outer: side.sign() * (at + width), mass });
            at += width;
            if peak < -DEPTH {
                return wing;
            }
        }
        let rate = side.pick(self.kernel.a, self.kernel.b);
        let (mut point, ln_f) = self.at(side.sign() * at);
        // Mean of θ (of 1−θ) under the pure exponential that is left.
        match side {
            Side::Left => point.theta *= rate / (rate + 1.0),
            Side::Right => point.comp *= rate / (rate + 1.0),
        }
        let mass = ln_f.exp() / rate;
        sink(point, mass);
        wing.tail = Some(Tail { from: side.sign() * at, ln_f, mass });
        wing
    }

    /// ∫ f/f(t₀) from t₀ outwards.
    fn mass_beyond(&self, side: Side) -> f64 {
        let mut mass = 0.0;
        self.march(side, |_, weight| mass += weight);
        mass
    }
}

#[derive(Debug, Clone, Copy)]
struct Panel {
    inner: f64,
    outer: f64,
    mass: f64,
}

#[derive(Debug, Clone, Copy)]
struct Tail {
    from: f64,
    ln_f: f64,
    mass: f64,
}

/// What lies on one side of the mode.
#[derive(Debug, Clone)]
struct Wing {
    panels: Vec<Panel>,
    tail: Option<Tail>,
}

/// A kernel integrated: nodes, weights and the panels they came from.
#[derive(Debug, Clone)]
pub(crate) struct Grid {
    curve: Anchored,
    left: Wing,
    right: Wing,
    theta: Vec<f64>,
    comp: Vec<f64>,
    delta: Vec<f64>,
    weight: Vec<f64>,
    mass: f64,
}

impl Grid {
    pub(crate) fn new(kernel: Kernel) -> Self {
        let mode = kernel.mode();
        let curve = Anchored::new(kernel, mode);
        let (mut theta, mut comp, mut delta, mut weight) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        for list in [&mut theta, &mut comp, &mut delta, &mut weight] {
            list.reserve(512);
        }
        let mut sink = |point: Point, w: f64| {
            theta.push(point.theta);
            comp.push(point.comp);
            delta.push(point.delta);
            weight.push(w);
        };
        let left = curve.march(Side::Left, &mut sink);
        let right = curve.march(Side::Right, &mut sink);
        let mass = weight.iter().sum();
        Self { curve, left, right, theta, comp, delta, weight, mass }
    }

    /// ln ∫ f dt / B(a, b), pairs as given.
    pub(crate) fn ln_mass(&self) -> f64 {
        let Anchored { kernel, t0, theta0, comp0, ln_pairs0, .. } = &self.curve;
        let factors: f64 = kernel.factors.iter().map(|f| f.power * (f.low * comp0 + f.high * theta0).ln()).sum();
        crate::special::ln_beta_density(kernel.a, kernel.b, LogOdds::new(*t0)) + factors + ln_pairs0 + self.mass.ln()
    }

    fn expectation(&self, values: impl Iterator<Item = f64>) -> f64 {
        let sum: f64 = self.weight.iter().zip(values).map(|(w, v)| w * v).sum();
        sum / self.mass
    }

    pub(crate) fn mean(&self) -> f64 {
        self.expectation(self.theta.iter().copied())
    }

    pub(crate) fn mean_complement(&self) -> f64 {
        self.expectation(self.comp.iter().copied())
    }

    pub(crate) fn variance(&self) -> f64 {
        let centre = self.expectation(self.delta.iter().copied());
        self.expectation(self.delta.iter().map(|d| (d - centre) * (d - centre)))
    }

    /// E[θ(1−θ)].
    pub(crate) fn mean_product(&self) -> f64 {
        self.expectation(self.theta.iter().zip(&self.comp).map(|(t, c)| t * c))
    }

    /// Means of ln θ, ln(1−θ), (ln θ)², ln θ·ln(1−θ), (ln(1−θ))².
    pub(crate) fn log_moments(&self) -> [f64; 5] {
        let mut sums = [0.0; 5];
        let tails =
            [self.left.tail.map(|_| self.left.panels.len() * ORDER), self.right.tail.map(|_| self.theta.len() - 1)];
        for (i, ((theta, comp), w)) in self.theta.iter().zip(&self.comp).zip(&self.weight).enumerate() {
            let (x, y) = (theta.ln(), comp.ln());
            let mut values = [x, y, x * x, x * y, y * y];
            // In a tail the logarithm falls on from its start by an exponential variate.
            for (side, at) in [(0, self.kernel().a), (1, self.kernel().b)] {
                if tails[side] == Some(i) {
                    let from = [x, y][side] - (at / (at + 1.0)).ln();
                    let mean = from - 1.0 / at;
                    values[side] = mean;
                    values[[2, 4][side]] = mean * mean + 1.0 / (at * at);
                    values[3] = 0.0;
                }
            }
            sums.iter_mut().zip(values).for_each(|(sum, v)| *sum += w * v);
        }
        sums.map(|s| s / self.mass)
    }

    fn kernel(&self) -> &Kernel {
        &self.curve.kernel
    }

    /// Log-odds of E[high·θ / (low·(1−θ) + high·θ)].
    pub(crate) fn share_of_high(&self, pair: Pair) -> LogOdds {
        let (mut high, mut low) = (0.0, 0.0);
        for ((&theta, &comp), &w) in self.theta.iter().zip(&self.comp).zip(&self.weight) {
            let part = w / pair.at(theta, comp);
            high += part * pair.high * theta;
            low += part * pair.low * comp;
        }
        LogOdds::new(high.ln() - low.ln())
    }

    /// t with P(logit θ ≤ t) = p.
    pub(crate) fn quantile(&self, p: f64) -> Result<LogOdds, Error> {
        let p = open_probability(p)?;
        Ok(LogOdds::new(if p <= 0.5 { self.beyond(Side::Left, p) } else { self.beyond(Side::Right, 1.0 - p) }))
    }

    /// t with P(logit θ > t) = q.
    pub(crate) fn upper_quantile(&self, q: f64) -> Result<LogOdds, Error> {
        let q = open_probability(q)?;
        Ok(LogOdds::new(self.beyond(Side::Right, q)))
    }

    /// t with the share q of the mass beyond it.
    fn beyond(&self, side: Side, q: f64) -> f64 {
        let (near, far) = side.pick((&self.left, &self.right), (&self.right, &self.left));
        let mut rest = q * self.mass;
        if let Some(tail) = near.tail {
            if rest <= tail.mass {
                let rate = side.pick(self.curve.kernel.a, self.curve.kernel.b);
                let further = (tail.ln_f - rate.ln() - rest.ln()) / rate;
                return self.curve.t0 + tail.from + side.sign() * further;
            }
            rest -= tail.mass;
        } else if q < PANELS_SUFFICE {
            return self.beyond_the_panels(side, near, rest.ln());
        }
        let inwards = near.panels.iter().rev().map(|p| (p.outer, p.inner, p.mass));
        let onwards = far.panels.iter().map(|p| (p.inner, p.outer, p.mass));
        let mut last = 0.0;
        for (from, to, mass) in inwards.chain(onwards) {
            if rest <= mass {
                return self.curve.t0 + self.within(from, to, rest / mass, rest);
            }
            rest -= mass;
            last = to;
        }
        // Only the far tail is left: it begins where the last panel ends.
        match far.tail {
            Some(tail) => {
                let rate = side.pick(self.curve.kernel.b, self.curve.kernel.a);
                // Rounding must not use the tail up.
                let used = (rest / tail.mass).min(1.0 - f64::EPSILON);
                self.curve.t0 + tail.from + side.sign() * (-used).ln_1p() / rate
            }
            None => self.curve.t0 + last,
        }
    }

    /// x with ∫ f from `from` to x equal to `target`, by Newton's method kept within the panel.
    fn within(&self, from: f64, to: f64, share: f64, target: f64) -> f64 {
        let mut nodes = [(Point::default(), 0.0); ORDER];
        let (mut near, mut far) = (from, to);
        let mut x = from + share * (to - from);
        for _ in 0..100 {
            let excess = self.curve.panel(from, x, &mut nodes).0 - target;
            if excess > 0.0 {
                far = x;
            } else {
                near = x;
            }
            let density = self.curve.at(x).1.exp() * (to - from).signum();
            let newton = x - excess / density;
            let inside = (newton - near) * (far - newton) >= 0.0;
            let next = if inside { newton } else { 0.5 * (near + far) };
            let step = (next - x).abs();
            x = next;
            // Newton's next step would be the square of this one.
            if inside && step <= 1e-9 * (to - from).abs() {
                break;
            }
        }
        x
    }

    /// As [`Grid::beyond`], so far out that f was not followed there: ln of the mass beyond is
    /// concave, so Newton's method on it converges from the panels' end.
    fn beyond_the_panels(&self, side: Side, wing: &Wing, ln_target: f64) -> f64 {
        let mut tau = wing.panels.last().map_or(0.0, |p| p.outer);
        for _ in 0..200 {
            let here = Anchored::new(self.curve.kernel.clone(), self.curve.t0 + tau);
            let beyond = here.mass_beyond(side);
            let step = (self.curve.at(tau).1 + beyond.ln() - ln_target) * beyond;
            tau += side.sign() * step;
            if step.abs() <= 1e-13 * (1.0 + (self.curve.t0 + tau).abs()) {
                break;
            }
        }
        self.curve.t0 + tau
    }
}

fn open_probability(p: f64) -> Result<f64, Error> {
    crate::error::checked("p", p, p > 0.0 && p < 1.0, "a number strictly between 0 and 1")
}

/// P(θ ≤ x) and P(θ > x) for θ ~ Beta(a, b), both to full relative precision.
pub(crate) fn beta_cdf_sf(a: f64, b: f64, x: LogOdds) -> (f64, f64) {
    let kernel = Kernel { a, b, factors: Vec::new(), pairs: Vec::new() };
    let density = crate::special::ln_beta_density(a, b, x).exp();
    let here = Anchored::new(kernel, x.value());
    let (near, far) = if x.value() < (a / b).ln() { (Side::Left, Side::Right) } else { (Side::Right, Side::Left) };
    let beyond = density * here.mass_beyond(near);
    let (near_mass, far_mass) = if beyond <= 0.5 {
        (beyond, 1.0 - beyond)
    } else {
        // With a or b far below 1 nearly everything may lie on the near side of the mode.
        let other = (density * here.mass_beyond(far)).min(1.0);
        (1.0 - other, other)
    };
    near.pick((near_mass, far_mass), (far_mass, near_mass))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rule_integrates_even_powers_exactly() {
        for power in [0, 2, 10, 38] {
            let sum: f64 = (0..ORDER).map(|k| RULE.w[k] * RULE.x[k].powi(power)).sum();
            assert!((sum - 2.0 / f64::from(power + 1)).abs() < 1e-15, "{power}");
        }
    }

    #[test]
    fn highest_coefficients_are_those_of_the_legendre_series() {
        let row = |row: usize, degree: usize| -> f64 {
            (0..ORDER).map(|k| RULE.highest[row][k] * legendre(RULE.x[k])[degree]).sum()
        };
        assert!((row(0, 18) - 1.0).abs() < 1e-13);
        assert!((row(1, 19) - 1.0).abs() < 1e-13);
        assert!(row(0, 17).abs() < 1e-13 && row(1, 18).abs() < 1e-13);
    }

    #[test]
    fn mode_is_where_the_slope_changes_sign() {
        let kernel = Kernel {
            a: 1e-3,
            b: 40.0,
            factors: vec![Factor { low: 0.01, high: 0.9, rise: 0.89, power: 1e8 }],
            pairs: vec![Pair { low: 1.0, high: 1e-9 }],
        };
        let mode = kernel.mode();
        let width = kernel.slope_and_curvature(mode).1.sqrt().recip();
        assert!(kernel.slope_and_curvature(mode - width).0 > 0.0);
        assert!(kernel.slope_and_curvature(mode + width).0 < 0.0);
    }
}

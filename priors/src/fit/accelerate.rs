//! Longer steps: EM crawls where the evidence says little, and two of its steps tell where they lead.
//!
//! With the numbers on a logarithmic scale, x₀ → x₁ → x₂ by two steps of EM, r = x₁ − x₀ and
//! v = (x₂ − x₁) − r, the long step is to x₀ + 2αr + α²v, α = ‖r‖/‖v‖ (α = 1 is x₂ itself). It is taken
//! only where the likelihood does not fall, so that it still never does.
//! Reference: R. Varadhan and C. Roland, Scandinavian Journal of Statistics 35 (2008) 335–353 (SQUAREM).

use super::numbers::Verified;
use steelyard_model::pack::data::ModelData;

/// How a number, or several that belong together, is moved.
enum Group<'a> {
    /// Shares that add up to 1.
    Shares(Vec<&'a mut f64>),
    /// A probability.
    Probability(&'a mut f64),
    /// A number above 0.
    Size(&'a mut f64),
}

impl Group<'_> {
    /// On the logarithmic scale.
    fn get(&self) -> Vec<f64> {
        match self {
            Self::Shares(p) => p.iter().map(|p| p.ln()).collect(),
            Self::Probability(p) => vec![p.ln() - (-**p).ln_1p()],
            Self::Size(x) => vec![x.ln()],
        }
    }

    fn put(self, at: &[f64]) {
        match self {
            Self::Shares(p) => {
                let largest = at.iter().copied().fold(f64::NEG_INFINITY, f64::max);
                let sum: f64 = at.iter().map(|x| (x - largest).exp()).sum();
                p.into_iter().zip(at).for_each(|(p, x)| *p = (x - largest).exp() / sum);
            }
            Self::Probability(p) => *p = crate::LogOdds::new(at[0]).probability(),
            Self::Size(x) => *x = at[0].exp(),
        }
    }
}

/// Every number that a fit moves, in an order that does not change.
fn each(data: &mut ModelData, verified: &Verified, mut visit: impl FnMut(Group<'_>)) {
    for component in &mut data.components {
        for mut row in component.mean.rows_mut() {
            visit(Group::Shares(row.iter_mut().collect()));
        }
    }
    for sign in &mut data.signs {
        sign.present.mean.iter_mut().for_each(|p| visit(Group::Probability(p)));
    }
    for segment in data.segments.iter_mut().filter(|s| s.strength.is_some()) {
        visit(Group::Shares(segment.bad.values_mut().collect()));
        visit(Group::Shares(segment.sound.values_mut().collect()));
        visit(Group::Size(&mut segment.a));
        visit(Group::Size(&mut segment.b));
    }
    for (reading, verified) in data.readings.values_mut().zip(verified) {
        if *verified {
            visit(Group::Probability(&mut reading.a));
            visit(Group::Probability(&mut reading.b));
        }
    }
}

/// All of them on the logarithmic scale.
pub(super) fn numbers(data: &mut ModelData, verified: &Verified) -> Vec<Vec<f64>> {
    let mut all = Vec::new();
    each(data, verified, |group| all.push(group.get()));
    all
}

/// Two steps of EM.
pub(super) struct Steps<'a> {
    pub(super) from: &'a [Vec<f64>],
    pub(super) over: &'a [Vec<f64>],
    pub(super) to: &'a [Vec<f64>],
}

impl Steps<'_> {
    fn pairs(&self) -> impl Iterator<Item = [f64; 3]> {
        let all = |x: &'_ [Vec<f64>]| x.iter().flatten().copied().collect::<Vec<f64>>();
        let (from, over, to) = (all(self.from), all(self.over), all(self.to));
        from.into_iter().zip(over).zip(to).map(|((x, y), z)| [x, y, z])
    }

    /// ‖r‖², ‖v‖² and ‖r + v‖².
    fn squares(&self) -> [f64; 3] {
        self.pairs().fold([0.0; 3], |[r2, v2, s2], [x, y, z]| {
            let (r, s) = (y - x, z - y);
            [r2 + r * r, v2 + (s - r).powi(2), s2 + s * s]
        })
    }

    /// What is still to be gained where steps go on to shrink as these did, if the first gained this.
    pub(super) fn still_to_gain(&self, gain: f64) -> f64 {
        let [first, _, second] = self.squares();
        let shrunk = second / first;
        // The gain goes with the square of the step.
        if gain <= 0.0 || shrunk.is_nan() {
            0.0
        } else if shrunk < 1.0 {
            gain * shrunk / (1.0 - shrunk)
        } else {
            f64::INFINITY
        }
    }

    /// How long the long step is; none where it is no longer than the two.
    pub(super) fn length(&self, longest: f64) -> Option<f64> {
        let [r2, v2, _] = self.squares();
        let length = (r2 / v2).sqrt().min(longest);
        (length > 1.0).then_some(length)
    }

    /// The long step, on the numbers at the end of the two; what did not move stays to the last digit.
    pub(super) fn extend(&self, data: &mut ModelData, verified: &Verified, length: f64) {
        let mut places = self.from.iter().zip(self.over).zip(self.to);
        each(data, verified, |group| {
            let Some(((from, over), to)) = places.next() else { return };
            if from == over && over == to {
                return;
            }
            let at = |((x, y), z): ((&f64, &f64), &f64)| {
                let (r, v) = (y - x, (z - y) - (y - x));
                x + 2.0 * length * r + length * length * v
            };
            group.put(&from.iter().zip(over).zip(to).map(at).collect::<Vec<f64>>());
        });
    }
}

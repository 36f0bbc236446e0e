//! Listings whose story is known, drawn from the model.
//!
//! A seller's rate of bad watches, a watch's story, the states of its parts, the signs that are
//! truly there, what the photos let somebody call, and the asking price, each from its own
//! distribution given those before it:
//!
//! θ ~ Beta(a, b) → story → states → signs → calls, price
//!
//! So it can be seen whether 0.2 means 20 %, and whether a calibration finds the numbers that made
//! the listings: [`world`] draws those numbers from the strengths of a pack. The same seed draws
//! the same listings.
//!
//! ```
//! use steelyard_model::pack::Pack;
//! use steelyard_model::sample::{Policy, Sampler};
//!
//! let pack = Pack::builtin();
//! let policy = Policy { shown: vec![0.5; 12], called: 0.8, px_per_mm: [5.0, 40.0], traits: vec![0.3; 7], priced: 1.0 };
//! let mut sampler = Sampler::new(&pack, policy.clone(), 7);
//! let seller = sampler.seller(0);
//! let listing = sampler.listing(&seller);
//! assert!(listing.evidence.calls().len() <= pack.signs().len());
//! assert_eq!(listing.states.len(), pack.components().len());
//!
//! let mut again = Sampler::new(&pack, policy, 7);
//! let seller = again.seller(0);
//! assert_eq!(again.listing(&seller), listing);
//! ```

use crate::money::price_evidence;
use crate::observe::{Basis, Call, Evidence, Observation, Photo, Watch, rates};
use crate::pack::{Index, On, Pack, PackErrors};
use crate::posterior::{PerStory, Plan, Scratch};
use rand_core::{RngCore as _, SeedableRng as _};
use rand_distr::{Distribution as _, Gamma, StandardNormal, StudentT};
use rand_pcg::Pcg64;
use std::sync::Arc;

/// What sellers show and what somebody makes of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Policy {
    /// Per view of the pack, the chance that a listing shows it.
    pub shown: Vec<f64>,
    /// The chance that a sign which the views let one judge is called.
    pub called: f64,
    /// Pixels per millimetre of a listing's photos: between these, evenly on a logarithmic scale.
    pub px_per_mm: [f64; 2],
    /// Per trait of the pack, the chance that the watch is stated to have it; otherwise it is
    /// stated not to.
    pub traits: Vec<f64>,
    /// The chance that there is an asking price.
    pub priced: f64,
}

/// Who sells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Seller {
    /// The kind of seller.
    pub segment: Index,
    /// θ, the seller's rate of bad watches.
    pub bad_rate: f64,
}

/// A listing and the truth behind it.
#[derive(Debug, Clone, PartialEq)]
pub struct Listing {
    /// The kind of seller.
    pub segment: Index,
    /// How the watch came to be as it is.
    pub story: Index,
    /// The fine state of every component.
    pub states: Vec<usize>,
    /// Whether each sign is truly there; `None` where it does not apply to the watch.
    pub signs: Vec<Option<bool>>,
    /// What is stated of the watch.
    pub watch: Watch,
    /// What somebody saw in the photos.
    pub observations: Vec<Observation>,
    /// The same as likelihoods.
    pub evidence: Evidence,
    /// The asking price as a multiple of the median all-original value.
    pub price_ratio: Option<f64>,
    /// ln of the price's likelihood per story; 0 without a price.
    pub ln_price: PerStory,
}

/// Draws sellers and listings.
#[derive(Debug, Clone)]
pub struct Sampler {
    plan: Plan,
    scratch: Scratch,
    policy: Policy,
    random: Pcg64,
}

impl Sampler {
    /// A sampler of this pack's listings.
    #[must_use]
    pub fn new(pack: &Arc<Pack>, policy: Policy, seed: u64) -> Self {
        let plan = Plan::compile(pack, []);
        let mut scratch = plan.scratch();
        // Without evidence the eliminated tables are those that states are drawn from.
        plan.evaluate(&mut scratch, &Evidence::default());
        Self { plan, scratch, policy, random: Pcg64::seed_from_u64(seed) }
    }

    /// A seller of a segment: θ ~ Beta(a, b).
    pub fn seller(&mut self, segment: Index) -> Seller {
        let kind = &self.plan.pack().data().segments[segment];
        let (a, b) = (kind.a, kind.b);
        Seller { segment, bad_rate: beta(a / (a + b), a + b, &mut self.random) }
    }

    /// A listing of the seller's.
    pub fn listing(&mut self, seller: &Seller) -> Listing {
        let pack = self.plan.pack().clone();
        let story = self.one_of(&pack.prior(seller.segment, seller.bad_rate));
        let mut states = vec![0; pack.components().len()];
        let random = &mut self.random;
        self.plan.draw(&self.scratch, story, &mut states, || uniform(random));
        let traits = (0..pack.data().traits.len()).map(|t| Some(self.chance(at(&self.policy.traits, t)))).collect();
        let watch = Watch { traits, first_year: None };
        let signs: Vec<Option<bool>> = pack
            .signs()
            .iter()
            .map(|sign| {
                let present = match sign.on {
                    On::Story => sign.present[story],
                    On::One(k) => sign.present[states[k]],
                    On::Two(one, two) => sign.present[states[one] * pack.components()[two].states + states[two]],
                };
                let there = self.chance(present);
                let applies = sign.applies_if.is_none_or(|t| watch.traits[t] != Some(false));
                applies.then_some(there)
            })
            .collect();
        let observations = self.look(&pack, &signs);
        let price_ratio = self.price(&pack, story);
        Listing {
            segment: seller.segment,
            story,
            states,
            // Only signs that apply are called, each once and none that excludes another.
            evidence: Evidence::read(&pack, &watch, &observations).unwrap_or_default(),
            signs,
            watch,
            observations,
            ln_price: price_ratio.map_or([0.0; _], |ratio| price_evidence(&pack, ratio, 1.0)),
            price_ratio,
        }
    }

    /// Calls on the signs that the photos let one judge.
    fn look(&mut self, pack: &Pack, signs: &[Option<bool>]) -> Vec<Observation> {
        let views =
            (0..pack.data().views.len()).filter(|v| self.chance(at(&self.policy.shown, *v))).map(|v| 1_u32 << v);
        let views = views.fold(0, |all, view| all | view);
        let [low, high] = self.policy.px_per_mm.map(f64::ln);
        let px_per_mm = (low + (high - low) * uniform(&mut self.random)).exp();
        let photo = Photo { view: None, px_per_mm: Some(px_per_mm), sharpness: 1.0 };
        let mut called = vec![false; signs.len()];
        let mut observations = Vec::new();
        // From a random sign on, so that either of two that exclude each other may come first.
        let first = (uniform(&mut self.random) * signs.len() as f64) as usize;
        for j in (0..signs.len()).map(|i| (first + i) % signs.len()) {
            let sign = &pack.signs()[j];
            let judged = sign.needs.iter().any(|set| set & !views == 0) && self.chance(self.policy.called);
            let Some(there) = signs[j].filter(|_| judged && !sign.excludes.iter().any(|x| called[*x])) else {
                continue;
            };
            called[j] = true;
            let (se, fa) = rates(&sign.reading, photo.resolves(sign.feature_mm, sign.reading.n50_cycles));
            let call = if self.chance(if there { se } else { fa }) { Call::Present } else { Call::Absent };
            observations.push(Observation { sign: j, call, basis: Basis::Photo(photo) });
        }
        observations
    }

    /// Ask over median value: e^(location + scale·t), t ~ Student with ν degrees of freedom.
    fn price(&mut self, pack: &Pack, story: Index) -> Option<f64> {
        if !self.chance(self.policy.priced) {
            return None;
        }
        let model = &pack.data().price_evidence;
        let t = StudentT::new(model.nu).ok()?.sample(&mut self.random);
        Some((model.location[&pack.data().stories[story].id] + model.scale * t).exp())
    }

    fn chance(&mut self, p: f64) -> bool {
        uniform(&mut self.random) < p
    }

    fn one_of(&mut self, shares: &[f64]) -> usize {
        let mut left = uniform(&mut self.random) * shares.iter().sum::<f64>();
        let found = shares.iter().position(|p| {
            left -= p;
            left < 0.0
        });
        found.unwrap_or(shares.len() - 1)
    }
}

impl Listing {
    /// Whether the watch is bad.
    #[must_use]
    pub fn bad(&self, pack: &Pack) -> bool {
        pack.bad()[self.story]
    }

    /// The public state of every component.
    #[must_use]
    pub fn public_states(&self, pack: &Pack) -> Vec<Index> {
        pack.components().iter().zip(&self.states).map(|(c, s)| c.seen_as[*s]).collect()
    }
}

/// A pack whose tables, signs and segments are drawn from what this pack says of its own numbers:
/// a Dirichlet for each row and each split, a Beta for each cell of a sign and each mean rate, a
/// lognormal for a + b. Reading rates stay, and so does a segment without a strength.
///
/// # Errors
/// None for a pack whose strengths are not so small that a drawn share cannot be told from zero.
pub fn world(pack: &Pack, seed: u64) -> Result<Pack, PackErrors> {
    let mut random = Pcg64::seed_from_u64(seed);
    let mut data = pack.data().clone();
    for c in &mut data.components {
        for (mut row, strength) in c.mean.rows_mut().into_iter().zip(&c.strength) {
            let drawn = dirichlet(row.iter().copied(), *strength, &mut random);
            row.iter_mut().zip(drawn).for_each(|(to, p)| *to = p);
        }
    }
    for sign in &mut data.signs {
        for (p, strength) in sign.present.mean.iter_mut().zip(&sign.present.strength) {
            *p = beta(*p, *strength, &mut random);
        }
    }
    for segment in &mut data.segments {
        let Some(strength) = segment.strength else { continue };
        let wider: f64 = StandardNormal.sample(&mut random);
        let cases = (segment.a + segment.b) * (strength.spread_log_sd * wider).exp();
        let rate = beta(segment.a / (segment.a + segment.b), strength.rate, &mut random);
        (segment.a, segment.b) = (cases * rate, cases * (1.0 - rate));
        for (split, strength) in [(&mut segment.sound, strength.sound), (&mut segment.bad, strength.bad)] {
            let drawn = dirichlet(split.values().copied(), strength, &mut random);
            split.values_mut().zip(drawn).for_each(|(to, p)| *to = p);
        }
    }
    Pack::from_data(data)
}

fn at(chances: &[f64], i: Index) -> f64 {
    chances.get(i).copied().unwrap_or(0.0)
}

/// Even on [0, 1), 53 bits.
fn uniform(random: &mut Pcg64) -> f64 {
    (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64
}

/// Shares ~ Dirichlet(strength·mean).
pub(crate) fn dirichlet(mean: impl Iterator<Item = f64>, strength: f64, random: &mut Pcg64) -> Vec<f64> {
    let mut parts: Vec<f64> = mean.map(|p| gamma(p * strength, random)).collect();
    let sum: f64 = parts.iter().sum();
    parts.iter_mut().for_each(|p| *p /= sum);
    parts
}

/// p ~ Beta(strength·mean, strength·(1−mean)), kept apart from 0 and 1 as the numbers of a pack are.
pub(crate) fn beta(mean: f64, strength: f64, random: &mut Pcg64) -> f64 {
    let (yes, no) = (gamma(mean * strength, random), gamma((1.0 - mean) * strength, random));
    (yes / (yes + no)).clamp(f64::MIN_POSITIVE, 1.0 - f64::EPSILON)
}

/// A Gamma(shape, 1) variate; never 0, so that a row of tiny shapes still has a sum.
fn gamma(shape: f64, random: &mut Pcg64) -> f64 {
    Gamma::new(shape, 1.0).map_or(f64::MIN_POSITIVE, |g| g.sample(random).max(f64::MIN_POSITIVE))
}

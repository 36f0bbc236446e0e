//! What to ask for next: the photos whose answer is most likely to change the decision.
//!
//! For each view or bundle, J are the signs not called that the photos at hand do not settle
//! and these would. With n'_h the net in story h above the margin wanted,
//!
//! worth = Σ_o max(Σ_h P(h|e)·P(o|h,e)·n'_h, 0) − max(Σ_h P(h|e)·n'_h, 0)
//!
//! over all patterns o of sharp calls on J: the expected value of sample information
//! (Raiffa and Schlaifer 1961). Exact for up to [`EXACT_SIGNS`] signs; above that a seeded
//! sample serves both terms, with its standard error.
//!
//! Before anything is asked there are the photos at hand: [`looks`] says which signs on them are
//! worth judging first. A call c on one sign, read at the resolution of its photo, tells
//!
//! I(c; H) = Σ_c Σ_h P(c, h | e)·log2(P(c, h | e) / (P(c | e)·P(h | e)))
//!
//! of the stories (mutual information; Cover and Thomas 2006, ch. 2), and the same of bad or sound.

use crate::contraction::{Contraction, Input, MAX_LANES};
use crate::decision::Problem;
use crate::observe::{Call, Evidence, Likelihood, PIXELS_PER_CYCLE, Photo, Watch, cycles_for, rates};
use crate::pack::{AVOIDS_PHOTO, Index, LISTING_VIEW, On, Pack};
use crate::posterior::{PerStory, Plan, Posterior, Scratch, Stories};
use ndarray::ArrayView2;
use rand_core::{RngCore, SeedableRng as _};
use rand_pcg::Pcg64;

/// Up to this many signs all patterns of answers are enumerated.
pub const EXACT_SIGNS: usize = 12;

/// Patterns drawn where there are too many to enumerate.
pub const DRAWS: usize = 1000;

/// Worths below this share of the amounts they are the difference of are rounding.
const NO_WORTH: f64 = 1e-12;

/// A request for one or more views and what it is worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Request {
    /// The views.
    pub views: Vec<Index>,
    /// The signs it would settle.
    pub signs: Vec<Index>,
    /// Expected gain in money, where a value and a price are known.
    pub worth: Option<f64>,
    /// Expected fall in the entropy of the stories, bits.
    pub bits: f64,
    /// Pixels per millimetre at which a photo would settle all these signs; 0 where size does not matter.
    pub px_per_mm: f64,
    /// Standard error of `worth` (of `bits` where there is no worth), where it was sampled.
    pub standard_error: Option<f64>,
}

/// What is known when asking.
#[derive(Debug)]
pub struct Asking<'a> {
    /// The watch.
    pub watch: &'a Watch,
    /// Photos at hand.
    pub photos: &'a [Photo],
    /// Views the seller has refused.
    pub refused: &'a [Index],
    /// Prior and price.
    pub stories: &'a Stories,
    /// The evidence so far.
    pub evidence: &'a Evidence,
    /// What it says.
    pub posterior: &'a Posterior,
    /// Net above the margin wanted, per story; `None` where no value or no price is known.
    pub net: Option<&'a [f64]>,
    /// Seed of the sample.
    pub seed: u64,
}

/// Every request worth considering, the most useful first.
#[must_use]
pub fn requests(plan: &Plan, scratch: &mut Scratch, asking: &Asking<'_>) -> Vec<Request> {
    let pack = plan.pack().clone();
    plan.evaluate(scratch, asking.evidence);
    let mut found: Vec<Request> = candidates(&pack, asking)
        .into_iter()
        .filter_map(|views| {
            let signs = unsettled(&pack, asking, &views);
            if signs.is_empty() {
                return None;
            }
            let px_per_mm = signs.iter().map(|j| scale(&pack, *j)).fold(0.0, f64::max);
            let found = if signs.len() <= EXACT_SIGNS {
                exact(plan, scratch, asking, views, signs)
            } else {
                sampled(plan, asking, views, signs)
            };
            Some(Request { px_per_mm, ..found })
        })
        .collect();
    let key = |r: &Request| (r.worth.unwrap_or(0.0), r.bits);
    found.sort_by(|a, b| key(b).partial_cmp(&key(a)).unwrap_or(std::cmp::Ordering::Equal));
    found
}

/// Pixels per millimetre at which a photo resolves a sign well enough to settle it.
fn scale(pack: &Pack, sign: Index) -> f64 {
    let sign = &pack.signs()[sign];
    let cycles = cycles_for(pack.data().defaults.resolves_at, sign.reading.n50_cycles);
    sign.feature_mm.map_or(0.0, |mm| PIXELS_PER_CYCLE * cycles / mm)
}

fn candidates(pack: &Pack, asking: &Asking<'_>) -> Vec<Vec<Index>> {
    let keep_shut = asking.watch.keep_shut(pack);
    let may_ask = |v: &Index| {
        let view = &pack.data().views[*v];
        view.askable && !(keep_shut && view.opens) && !asking.refused.contains(v)
    };
    let singles = (0..pack.data().views.len()).map(|v| vec![v]);
    let bundles = pack.data().bundles.iter().map(|b| b.iter().filter_map(|v| pack.view(v)).collect::<Vec<_>>());
    singles.chain(bundles).filter(|views| views.iter().all(may_ask)).collect()
}

/// J: not called, not settled by the photos at hand, settled with these views; the trait
/// stated true if there is one; one of each excluding pair.
fn unsettled(pack: &Pack, asking: &Asking<'_>, views: &[Index]) -> Vec<Index> {
    let listing = pack.view(LISTING_VIEW).map_or(0, |v| 1_u32 << v);
    let asked: u32 = views.iter().map(|v| 1_u32 << v).sum();
    let keep_shut = asking.watch.keep_shut(pack);
    let mut chosen: Vec<Index> = Vec::new();
    for (j, sign) in pack.signs().iter().enumerate() {
        let taken = |other: &Index| asking.evidence.has(*other) || chosen.contains(other);
        if asking.evidence.has(j) || sign.excludes.iter().any(taken) {
            continue;
        }
        let neutral = keep_shut && sign.neutral_when_shut;
        if neutral || sign.applies_if.is_some_and(|t| asking.watch.traits[t] != Some(true)) {
            continue;
        }
        let at_hand = asking.photos.iter().fold(listing, |seen, photo| match photo.view {
            Some(v) if photo.resolves(sign.feature_mm, sign.reading.n50_cycles) >= pack.data().defaults.resolves_at => {
                seen | 1 << v
            }
            _ => seen,
        });
        let met = |have: u32| sign.needs.iter().any(|need| need & !have == 0);
        if !met(at_hand) && met(at_hand | asked) {
            chosen.push(j);
        }
    }
    chosen
}

/// P(called present | states) of a sharp call, row-major over the sign's states.
fn sharp(pack: &Pack, j: Index) -> Vec<f64> {
    let call = Likelihood::sharp(pack, j, Call::Present);
    pack.signs()[j].present.iter().map(|p| call.at(*p)).collect()
}

/// P(o, h | e) by one elimination that keeps the answers.
fn exact(plan: &Plan, scratch: &mut Scratch, asking: &Asking<'_>, views: Vec<Index>, signs: Vec<Index>) -> Request {
    let pack = plan.pack();
    let components = pack.components().len();
    let mut cardinalities: Vec<usize> = pack.components().iter().map(|c| c.states).collect();
    let mut inputs = Plan::inputs(pack, plan.links());
    let given = inputs.len();
    for (i, &j) in signs.iter().enumerate() {
        let answer = components + i;
        cardinalities.push(2);
        let mut scope = match pack.signs()[j].on {
            On::Story => vec![],
            On::One(k) => vec![k],
            On::Two(one, two) => vec![one, two],
        };
        let laned = scope.is_empty();
        scope.push(answer);
        inputs.push(Input { scope, laned });
    }
    let answers: Vec<Index> = (components..components + signs.len()).collect();
    let joint = Contraction::compile(&cardinalities, pack.stories(), &inputs, &answers);
    let mut work = joint.workspace();
    plan.copy_inputs(scratch, &joint, &mut work);
    for (i, &j) in signs.iter().enumerate() {
        let present = sharp(pack, j);
        let input = joint.input_mut(&mut work, given + i);
        if pack.signs()[j].on == On::Story {
            let (absent, called) = input.split_at_mut(present.len());
            for (h, p) in present.iter().enumerate() {
                (absent[h], called[h]) = (1.0 - p, *p);
            }
        } else {
            for (pair, p) in input.chunks_exact_mut(2).zip(&present) {
                (pair[0], pair[1]) = (1.0 - p, *p);
            }
        }
    }
    joint.forward(&mut work);
    let stories = pack.stories();
    let output = joint.output(&work);
    // P(o | h, e): every story's column over all patterns adds up to one.
    let mut totals = [0.0; MAX_LANES];
    for row in output.chunks_exact(stories) {
        for (t, x) in totals.iter_mut().zip(row) {
            *t += x;
        }
    }
    let likelihood: Vec<f64> =
        output.chunks_exact(stories).flat_map(|row| row.iter().zip(totals).map(|(x, t)| x / t)).collect();
    let prior = &asking.posterior.stories;
    let bits = likelihood
        .chunks_exact(stories)
        .map(|row| {
            let joint: Vec<f64> = row.iter().zip(prior).map(|(l, p)| l * p).collect();
            let total: f64 = joint.iter().sum();
            total * information(prior, joint.iter().map(|x| x / total))
        })
        .sum();
    let worth = asking.net.map(|net| {
        ArrayView2::from_shape((likelihood.len() / stories, stories), &likelihood)
            .map_err(|e| e.to_string())
            .and_then(|table| to_buy(prior, net).value_of_sample_information(table).map_err(|e| e.to_string()))
            .unwrap_or_else(|e| unreachable!("the columns were made distributions: {e}"))
    });
    Request { views, signs, worth, bits, px_per_mm: 0.0, standard_error: None }
}

/// Σ q·log2(q/p): how far an answer moves the stories.
fn information(prior: &[f64], posterior: impl Iterator<Item = f64>) -> f64 {
    posterior.zip(prior).filter(|(q, p)| *q > 0.0 && **p > 0.0).map(|(q, p)| q * (q / p).log2()).sum()
}

/// As [`exact`], with answers drawn from their distribution given the evidence.
fn sampled(plan: &Plan, asking: &Asking<'_>, views: Vec<Index>, signs: Vec<Index>) -> Request {
    let pack = plan.pack();
    let stories = pack.stories();
    let wide = Plan::compile(pack, plan.links().iter().chain(&signs).copied());
    let mut given = wide.scratch();
    wide.evaluate(&mut given, asking.evidence);
    let mut scratch = wide.scratch();
    let mut random = Pcg64::seed_from_u64(asking.seed);
    let mut uniform = || (random.next_u64() >> 11) as f64 / (1_u64 << 53) as f64;
    let prior = &asking.posterior.stories;
    let tables: Vec<Vec<f64>> = signs.iter().map(|&j| sharp(pack, j)).collect();
    let mut states = vec![0; pack.components().len()];
    let ln_given: PerStory = wide.evaluate(&mut scratch, asking.evidence);
    let buy_now = asking.net.map(|net| prior.iter().zip(net).map(|(p, n)| p * n).sum::<f64>() > 0.0);
    let (mut worths, mut bits) = (Vec::with_capacity(DRAWS), Vec::with_capacity(DRAWS));
    for _ in 0..DRAWS {
        let h = pick(prior, uniform());
        wide.draw(&given, h, &mut states, &mut uniform);
        let calls: Vec<Likelihood> = signs
            .iter()
            .zip(&tables)
            .map(|(&j, table)| {
                let at = match pack.signs()[j].on {
                    On::Story => h,
                    On::One(k) => states[k],
                    On::Two(one, two) => states[one] * pack.components()[two].states + states[two],
                };
                let call = if uniform() < table[at] { Call::Present } else { Call::Absent };
                Likelihood::sharp(pack, j, call)
            })
            .collect();
        let ln = wide.evaluate(&mut scratch, &asking.evidence.with(calls));
        let mut after: Vec<f64> = (0..stories).map(|h| prior[h] * (ln[h] - ln_given[h]).exp()).collect();
        let total: f64 = after.iter().sum();
        after.iter_mut().for_each(|p| *p /= total);
        bits.push(information(prior, after.iter().copied()));
        if let (Some(net), Some(buy)) = (asking.net, buy_now) {
            let expected: f64 = after.iter().zip(net).map(|(p, n)| p * n).sum();
            worths.push(expected.max(0.0) - if buy { expected } else { 0.0 });
        }
    }
    let (bits, bits_error) = mean_and_error(&bits);
    // The mean of a sample may pass the bound that the expectation keeps.
    let worth = asking.net.map(|net| {
        let (mean, error) = mean_and_error(&worths);
        (mean.min(worth_of_knowing(asking.posterior, net)), error)
    });
    Request {
        views,
        signs,
        worth: worth.map(|w| w.0),
        bits,
        px_per_mm: 0.0,
        standard_error: Some(worth.map_or(bits_error, |w| w.1)),
    }
}

fn pick(weights: &[f64], uniform: f64) -> Index {
    let mut left = uniform * weights.iter().sum::<f64>();
    let mut chosen = 0;
    for (h, w) in weights.iter().enumerate().filter(|(_, w)| **w > 0.0) {
        chosen = h;
        left -= w;
        if left < 0.0 {
            break;
        }
    }
    chosen
}

fn mean_and_error(xs: &[f64]) -> (f64, f64) {
    let n = xs.len() as f64;
    let mean = xs.iter().sum::<f64>() / n;
    let variance = xs.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / (n - 1.0);
    (mean, (variance / n).sqrt())
}

/// To buy or not to buy, as a decision problem.
fn to_buy(stories: &[f64], net: &[f64]) -> Problem {
    Problem::new(stories.to_vec(), vec![net.to_vec(), vec![0.0; net.len()]])
        .unwrap_or_else(|e| unreachable!("a posterior is a distribution and nets are finite: {e}"))
}

/// What perfect knowledge of the story would be worth: no request is worth more.
#[must_use]
pub fn worth_of_knowing(posterior: &Posterior, net: &[f64]) -> f64 {
    to_buy(&posterior.stories, net).value_of_perfect_information()
}

/// A sign to judge on what is at hand.
#[derive(Debug, Clone, PartialEq)]
pub struct Look {
    /// The sign.
    pub sign: Index,
    /// The photo to judge it on, by position; of several that are needed the one that shows least.
    /// `None` where the words of the listing are enough.
    pub photo: Option<usize>,
    /// D, the chance that this photo resolves the detail.
    pub resolvable: f64,
    /// Expected gain in money from the call, where a value and a price are known.
    pub worth: Option<f64>,
    /// What the call is expected to tell of the story, bits.
    pub bits: f64,
    /// What it is expected to tell of bad or sound, bits.
    pub bits_bad: f64,
}

/// The signs not called yet that can be judged on the photos at hand and in the words of the
/// listing, each as if it alone were called next, the most useful first: by worth, then by what
/// they tell of bad or sound. Of signs that are one question asked both ways there is one.
#[must_use]
pub fn looks(plan: &Plan, scratch: &mut Scratch, asking: &Asking<'_>) -> Vec<Look> {
    let pack = plan.pack().clone();
    let keep_shut = asking.watch.keep_shut(&pack);
    let avoids = pack.sign(AVOIDS_PHOTO);
    let open = |j: &Index| {
        let sign = &pack.signs()[*j];
        let called = asking.evidence.has(*j) || sign.excludes.iter().any(|other| asking.evidence.has(*other));
        let stated = sign.applies_if.is_none_or(|t| asking.watch.traits[t] == Some(true));
        // Whether a photo is refused is no look at anything.
        !called && stated && !(keep_shut && sign.neutral_when_shut) && Some(*j) != avoids
    };
    let shown: Vec<(Index, Shown)> =
        (0..pack.signs().len()).filter(open).filter_map(|j| shown(&pack, asking.photos, j).map(|s| (j, s))).collect();
    plan.evaluate(scratch, asking.evidence);
    let beliefs = plan.differentiate(scratch);
    let mut found: Vec<Look> = shown
        .into_iter()
        .map(|(sign, Shown { photo, resolvable })| {
            let (if_present, if_absent) = rates(&pack.signs()[sign].reading, resolvable);
            let called = |p: f64| if_absent + (if_present - if_absent) * p;
            let linked = matches!(pack.signs()[sign].on, On::Two(..)) && !plan.links().contains(&sign);
            let present = if linked {
                let wide = Plan::compile(&pack, plan.links().iter().copied().chain([sign]));
                let mut scratch = wide.scratch();
                wide.evaluate(&mut scratch, asking.evidence);
                wide.differentiate(&mut scratch).mean_over(sign, called)
            } else {
                beliefs.mean_over(sign, called)
            };
            told(&pack, asking, Look { sign, photo, resolvable, worth: None, bits: 0.0, bits_bad: 0.0 }, &present)
        })
        .collect();
    let key = |l: &Look| (l.worth.unwrap_or(0.0), l.bits_bad);
    found.sort_by(|a, b| key(b).partial_cmp(&key(a)).unwrap_or(std::cmp::Ordering::Equal));
    let mut kept: Vec<Look> = Vec::with_capacity(found.len());
    for look in found {
        if !kept.iter().any(|k| pack.signs()[look.sign].excludes.contains(&k.sign)) {
            kept.push(look);
        }
    }
    kept
}

/// Where a sign can be judged, and how well.
struct Shown {
    photo: Option<usize>,
    resolvable: f64,
}

/// The best of the sets of views that let one judge a sign, each view by the photo that shows it best.
fn shown(pack: &Pack, photos: &[Photo], sign: Index) -> Option<Shown> {
    let listing = pack.view(LISTING_VIEW);
    let sign = &pack.signs()[sign];
    let best_photo = |view: Index| {
        let of_view = photos.iter().enumerate().filter(|(_, p)| p.view == Some(view));
        of_view
            .map(|(i, p)| Shown { photo: Some(i), resolvable: p.resolves(sign.feature_mm, sign.reading.n50_cycles) })
            .reduce(|best, s| if s.resolvable > best.resolvable { s } else { best })
    };
    let of_set = |need: u32| {
        let mut worst = Shown { photo: None, resolvable: 1.0 };
        for view in (0..u32::BITS as usize).filter(|v| need >> v & 1 == 1 && Some(*v) != listing) {
            let best = best_photo(view)?;
            if worst.photo.is_none() || best.resolvable < worst.resolvable {
                worst = best;
            }
        }
        Some(worst)
    };
    let sets = sign.needs.iter().filter_map(|need| of_set(*need));
    sets.reduce(|best, s| if s.resolvable > best.resolvable { s } else { best })
}

/// What a call is expected to tell, given P(called present | h, e).
fn told(pack: &Pack, asking: &Asking<'_>, look: Look, present: &PerStory) -> Look {
    let prior = &asking.posterior.stories;
    let stories = prior.len();
    let table: Vec<f64> =
        present[..stories].iter().copied().chain(present[..stories].iter().map(|p| 1.0 - p)).collect();
    let side =
        |bad: bool, of: &dyn Fn(usize) -> f64| -> f64 { (0..stories).filter(|h| pack.bad()[*h] == bad).map(of).sum() };
    let (mut bits, mut bits_bad) = (0.0, 0.0);
    for row in table.chunks_exact(stories) {
        let joint = |h: usize| prior[h] * row[h];
        let total: f64 = (0..stories).map(joint).sum();
        if total > 0.0 {
            bits += total * information(prior, (0..stories).map(|h| joint(h) / total));
            let sides = [true, false].map(|bad| side(bad, &|h| prior[h]));
            bits_bad += total * information(&sides, [true, false].map(|bad| side(bad, &joint) / total).into_iter());
        }
    }
    let worth = asking.net.map(|net| {
        ArrayView2::from_shape((2, stories), &table)
            .map_err(|e| e.to_string())
            .and_then(|t| to_buy(prior, net).value_of_sample_information(t).map_err(|e| e.to_string()))
            .unwrap_or_else(|e| unreachable!("a call is present or absent in every story: {e}"))
    });
    // What adding in another order could make of nothing must not rank one sign above another.
    let scale: f64 = asking.net.map_or(0.0, |net| prior.iter().zip(net).map(|(p, n)| p * n.abs()).sum());
    let worth = worth.map(|w| if w > NO_WORTH * scale { w } else { 0.0 });
    // Rounding must not make information negative.
    Look { worth, bits: f64::max(bits, 0.0), bits_bad: f64::max(bits_bad, 0.0), ..look }
}

/// How much a sharp call on one sign is expected to tell of the story, in bits, given only a
/// prior over stories.
#[must_use]
pub fn telling(pack: &std::sync::Arc<Pack>, prior: &[f64], sign: Index) -> f64 {
    let plan = Plan::compile(pack, [sign]);
    let mut scratch = plan.scratch();
    plan.evaluate(&mut scratch, &Evidence::default());
    let call = Likelihood::sharp(pack, sign, Call::Present);
    let called = plan.differentiate(&mut scratch).mean_over(sign, |p| call.at(p));
    let answer = |p: &dyn Fn(usize) -> f64| {
        let total: f64 = prior.iter().enumerate().map(|(h, q)| q * p(h)).sum();
        total * information(prior, prior.iter().enumerate().map(|(h, q)| q * p(h) / total))
    };
    answer(&|h| called[h]) + answer(&|h| 1.0 - called[h])
}

//! What to ask next: value of sample information (Raiffa and Schlaifer 1961) by brute force.

use crate::common::{Dice, EXACT, Enumeration, STANDARD_ERRORS, cases, look, near, read, small_pack, some_stories};
use proptest::prelude::*;
use std::sync::Arc;
use steelyard_model::ask::{Asking, EXACT_SIGNS, Look, Request, looks, requests, telling, worth_of_knowing};
use steelyard_model::observe::{Basis, Call, Evidence, Likelihood, Observation, Photo, Watch, rates};
use steelyard_model::pack::{Index, Pack};
use steelyard_model::posterior::{Plan, Posterior, Stories};

/// Worths are sums of nets of a few hundred each.
const MONEY: f64 = 1e-7;

struct Listing {
    pack: Arc<Pack>,
    watch: Watch,
    photos: Vec<Photo>,
    refused: Vec<Index>,
    stories: Stories,
    evidence: Evidence,
    posterior: Posterior,
    net: Vec<f64>,
}

impl Listing {
    fn random(dice: &mut Dice, pack: Arc<Pack>, share: f64) -> Self {
        let mut watch = Watch::unknown(&pack);
        watch.traits.iter_mut().for_each(|t| *t = dice.one_of(&[None, Some(true)]));
        watch.first_year = dice.one_of(&[None, Some(1955), Some(1975)]);
        let views = pack.data().views.len();
        let photos = (0..dice.whole(0, 2))
            .map(|_| Photo {
                view: Some(dice.whole(0, views - 1)),
                px_per_mm: dice.one_of(&[None, Some(4.0), Some(400.0)]),
                sharpness: 1.0,
            })
            .collect();
        let seen = look(dice, &pack, share);
        let evidence = Evidence::read(&pack, &watch, &seen).expect("no trait is stated false");
        let stories = some_stories(dice, &pack);
        let net = (0..pack.stories())
            .map(|h| if pack.bad()[h] { dice.between(-400.0, 50.0) } else { dice.between(-100.0, 300.0) })
            .collect();
        let refused = if dice.coin(0.3) { vec![dice.whole(0, views - 1)] } else { vec![] };
        Self::new(pack, watch, photos, refused, stories, evidence, net)
    }

    fn new(
        pack: Arc<Pack>,
        watch: Watch,
        photos: Vec<Photo>,
        refused: Vec<Index>,
        stories: Stories,
        evidence: Evidence,
        net: Vec<f64>,
    ) -> Self {
        let posterior = crate::common::posterior(&pack, &stories, &evidence);
        Self { pack, watch, photos, refused, stories, evidence, posterior, net }
    }

    fn asking(&self, with_net: bool, seed: u64) -> Asking<'_> {
        Asking {
            watch: &self.watch,
            photos: &self.photos,
            refused: &self.refused,
            stories: &self.stories,
            evidence: &self.evidence,
            posterior: &self.posterior,
            net: with_net.then_some(&self.net),
            seed,
        }
    }

    fn requests(&self, with_net: bool, seed: u64) -> Vec<Request> {
        let plan = Plan::compile(&self.pack, self.evidence.calls().iter().map(|c| c.sign));
        requests(&plan, &mut plan.scratch(), &self.asking(with_net, seed))
    }

    fn looks(&self, with_net: bool) -> Vec<Look> {
        let plan = Plan::compile(&self.pack, self.evidence.calls().iter().map(|c| c.sign));
        looks(&plan, &mut plan.scratch(), &self.asking(with_net, 1))
    }

    /// Where a sign can be judged best: the chance that it is resolved, by the definition of its needs.
    fn resolvable(&self, sign: Index) -> Option<f64> {
        let (data, compiled) = (&self.pack.data().signs[sign], &self.pack.signs()[sign]);
        let of_view = |id: &String| {
            if id == "listing" {
                return Some(1.0);
            }
            let view = self.pack.view(id);
            let of_photos = self.photos.iter().filter(|p| p.view == view);
            of_photos.map(|p| p.resolves(compiled.feature_mm, compiled.reading.n50_cycles)).reduce(f64::max)
        };
        let of_set = |set: &Vec<String>| set.iter().map(of_view).try_fold(1.0, |d, v| Some(f64::min(d, v?)));
        data.needs.iter().filter_map(of_set).reduce(f64::max)
    }

    /// Worth in money and in bits: every pattern of sharp answers, each with its posterior.
    fn brute_force(&self, signs: &[Index]) -> (f64, f64) {
        let plan = Plan::compile(&self.pack, self.evidence.calls().iter().map(|c| c.sign).chain(signs.iter().copied()));
        let mut scratch = plan.scratch();
        let before = plan.evaluate(&mut scratch, &self.evidence);
        let prior = &self.posterior.stories;
        let (mut worth, mut bits) = (-buy(prior, &self.net).max(0.0), entropy(prior));
        for pattern in 0..1_usize << signs.len() {
            let asked = signs.iter().enumerate().map(|(i, j)| {
                let call = if pattern >> i & 1 == 1 { Call::Present } else { Call::Absent };
                Likelihood::sharp(&self.pack, *j, call)
            });
            let after = plan.evaluate(&mut scratch, &self.evidence.with(asked));
            let joint: Vec<f64> = (0..prior.len()).map(|h| prior[h] * (after[h] - before[h]).exp()).collect();
            let p: f64 = joint.iter().sum();
            worth += buy(&joint, &self.net).max(0.0);
            bits -= p * entropy(&joint.iter().map(|x| x / p).collect::<Vec<_>>());
        }
        (worth, bits)
    }

    /// The views at hand settle it, or those and the asked ones.
    fn settles(&self, sign: Index, asked: &[Index]) -> bool {
        let (data, compiled) = (self.pack.data(), &self.pack.signs()[sign]);
        let least = data.defaults.resolves_at;
        data.signs[sign].needs.iter().any(|set| {
            set.iter().all(|id| {
                let view = self.pack.view(id).expect("a view");
                let shown = self.photos.iter().any(|p| {
                    p.view == Some(view) && p.resolves(compiled.feature_mm, compiled.reading.n50_cycles) >= least
                });
                id == "listing" || shown || asked.contains(&view)
            })
        })
    }

    fn wanted(&self, sign: Index, asked: &[Index]) -> bool {
        let s = &self.pack.data().signs[sign];
        let stated = s
            .applies_if
            .as_ref()
            .is_none_or(|t| self.watch.traits[self.pack.trait_(t).expect("a trait")] == Some(true));
        let neutral = s.neutral_when.is_some() && self.watch.keep_shut(&self.pack);
        stated && !neutral && !self.evidence.has(sign) && !self.settles(sign, &[]) && self.settles(sign, asked)
    }
}

fn buy(weights: &[f64], net: &[f64]) -> f64 {
    weights.iter().zip(net).map(|(w, n)| w * n).sum()
}

/// Σ p(x, y)·log2(p(x, y) / (p(x)·p(y))).
fn mutual_information(joint: &[Vec<f64>]) -> f64 {
    let of_x: Vec<f64> = joint.iter().map(|row| row.iter().sum()).collect();
    let of_y: Vec<f64> = (0..joint[0].len()).map(|y| joint.iter().map(|row| row[y]).sum()).collect();
    let term = |x: usize, y: usize| {
        let p = joint[x][y];
        if p > 0.0 { p * (p / (of_x[x] * of_y[y])).log2() } else { 0.0 }
    };
    (0..joint.len()).flat_map(|x| (0..of_y.len()).map(move |y| (x, y))).map(|(x, y)| term(x, y)).sum()
}

fn entropy(p: &[f64]) -> f64 {
    p.iter().filter(|x| **x > 0.0).map(|x| -x * x.log2()).sum()
}

proptest! {
    #![proptest_config(cases(96))]

    #[test]
    fn exact_worth_equals_brute_force_over_patterns(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = small_pack(dice);
        let listing = Listing::random(dice, pack, 0.2);
        for request in listing.requests(true, 1) {
            let (worth, bits) = listing.brute_force(&request.signs);
            near(request.worth.expect("a worth"), worth.max(0.0), MONEY, "worth");
            near(request.bits, bits, EXACT, "bits");
            prop_assert_eq!(request.standard_error, None);
        }
    }

    #[test]
    fn a_request_settles_what_was_open_and_nothing_else(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = if dice.coin(0.7) { Pack::builtin() } else { small_pack(dice) };
        let listing = Listing::random(dice, pack.clone(), 0.2);
        let keep_shut = listing.watch.keep_shut(&pack);
        let found = listing.requests(true, 1);
        for pair in found.windows(2) {
            prop_assert!(pair[0].worth >= pair[1].worth, "best first");
        }
        for request in &found {
            for v in &request.views {
                let view = &pack.data().views[*v];
                prop_assert!(view.askable && !(keep_shut && view.opens) && !listing.refused.contains(v));
            }
            for j in &request.signs {
                prop_assert!(listing.wanted(*j, &request.views), "{}", pack.signs()[*j].id);
            }
            let taken = |j: &Index| listing.evidence.has(*j) || request.signs.contains(j);
            for j in (0..pack.signs().len()).filter(|j| !request.signs.contains(j)) {
                let left_out = listing.wanted(j, &request.views) && !pack.signs()[j].excludes.iter().any(taken);
                prop_assert!(!left_out, "{} would be settled too", pack.signs()[j].id);
            }
            for j in &request.signs {
                prop_assert!(!pack.signs()[*j].excludes.iter().any(taken), "one of each excluding pair");
            }
        }
        for (v, view) in pack.data().views.iter().enumerate() {
            let may = view.askable && !(keep_shut && view.opens) && !listing.refused.contains(&v);
            let useful = (0..pack.signs().len()).any(|j| {
                listing.wanted(j, &[v]) && !pack.signs()[j].excludes.iter().any(|x| listing.evidence.has(*x))
            });
            prop_assert_eq!(found.iter().any(|r| r.views == [v]), may && useful, "{}", view.id);
        }
    }

    /// Mutual information (Cover and Thomas 2006, eq. 2.28) and the value of sample information (Raiffa and
    /// Schlaifer 1961), summed over the full enumeration of the hidden states.
    #[test]
    fn a_look_tells_its_mutual_information(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = small_pack(dice);
        let listing = Listing::random(dice, pack.clone(), 0.3);
        let truth = Enumeration::new(&pack, &listing.evidence);
        let prior = &listing.posterior.stories;
        let bad = |h: usize| usize::from(pack.bad()[h]);
        let found = listing.looks(true);
        for look in &found {
            let (se, fa) = rates(&pack.signs()[look.sign].reading, look.resolvable);
            let called: Vec<f64> = (0..prior.len())
                .map(|h| truth.mean(h, |at| { let p = truth.present(look.sign, h, at); se * p + fa * (1.0 - p) }))
                .collect();
            // P(call, h) and P(call, bad or sound), then Σ p(x, y)·log2(p(x, y) / (p(x)·p(y))).
            let joint: Vec<Vec<f64>> = [&called, &called.iter().map(|p| 1.0 - p).collect()]
                .iter()
                .map(|row| row.iter().zip(prior).map(|(p, q)| p * q).collect())
                .collect();
            let sides: Vec<Vec<f64>> = joint
                .iter()
                .map(|row| row.iter().enumerate().fold(vec![0.0; 2], |mut s, (h, p)| { s[bad(h)] += p; s }))
                .collect();
            near(look.bits, mutual_information(&joint), EXACT, "bits of the stories");
            near(look.bits_bad, mutual_information(&sides), EXACT, "bits of bad");
            let deciding: f64 = joint.iter().map(|row| buy(row, &listing.net).max(0.0)).sum();
            near(look.worth.expect("a worth"), deciding - buy(prior, &listing.net).max(0.0), MONEY, "worth");
            prop_assert!(look.bits_bad <= look.bits + EXACT, "bad is a function of the story (data processing)");
        }
    }

    #[test]
    fn looks_are_what_can_be_judged_on_what_is_at_hand(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = if dice.coin(0.5) { Pack::builtin() } else { small_pack(dice) };
        let listing = Listing::random(dice, pack.clone(), 0.2);
        let found = listing.looks(false);
        for pair in found.windows(2) {
            prop_assert!(pair[0].bits_bad >= pair[1].bits_bad, "best first");
        }
        let keep_shut = listing.watch.keep_shut(&pack);
        for j in 0..pack.signs().len() {
            let data = &pack.data().signs[j];
            let stated = data
                .applies_if
                .as_ref()
                .is_none_or(|t| listing.watch.traits[pack.trait_(t).expect("a trait")] == Some(true));
            let called = |x: &Index| listing.evidence.has(*x);
            let other_way = |x: &Index| found.iter().any(|l| l.sign == *x);
            let excluded = pack.signs()[j].excludes.iter().any(|x| called(x) || other_way(x));
            let neutral = keep_shut && data.neutral_when.is_some();
            let left_out = called(&j) || excluded || neutral || data.id == "seller_avoids_photo";
            let d = listing.resolvable(j).filter(|_| stated && !left_out);
            let look = found.iter().find(|l| l.sign == j);
            prop_assert_eq!(look.map(|l| l.resolvable), d, "{}", data.id);
            if let Some(photo) = look.and_then(|l| l.photo) {
                let view = &pack.data().views[listing.photos[photo].view.expect("a view")].id;
                prop_assert!(data.needs.iter().flatten().any(|n| n == view), "{} on {view}", data.id);
            }
        }
    }

    #[test]
    fn knowing_a_sign_tells_its_mutual_information(seed: u64) {
        let dice = &mut Dice::new(seed);
        let pack = small_pack(dice);
        let prior = pack.prior(0, dice.between(0.02, 0.9));
        let truth = Enumeration::new(&pack, &Evidence::default());
        for j in 0..pack.signs().len() {
            let call = Likelihood::sharp(&pack, j, Call::Present);
            let present: Vec<f64> = (0..prior.len())
                .map(|h| truth.mean(h, |at| call.at(truth.present(j, h, at))))
                .collect();
            let after = |p: &dyn Fn(usize) -> f64| {
                let joint: Vec<f64> = (0..prior.len()).map(|h| prior[h] * p(h)).collect();
                let total: f64 = joint.iter().sum();
                total * entropy(&joint.iter().map(|x| x / total).collect::<Vec<_>>())
            };
            let bits = entropy(&prior) - after(&|h| present[h]) - after(&|h| 1.0 - present[h]);
            near(telling(&pack, &prior, j), bits, EXACT, "bits");
        }
    }
}

#[test]
fn worth_of_asking_lies_between_nothing_and_perfect_information() {
    let dice = &mut Dice::new(1961);
    let (mut exact, mut sampled) = (0, 0);
    for _ in 0..40 {
        let share = dice.one_of(&[0.0, 0.1, 0.3]);
        let listing = Listing::random(dice, Pack::builtin(), share);
        let prior = &listing.posterior.stories;
        let perfect = worth_of_knowing(&listing.posterior, &listing.net);
        let by_hand = prior.iter().zip(&listing.net).map(|(p, n)| p * n.max(0.0)).sum::<f64>()
            - buy(prior, &listing.net).max(0.0);
        near(perfect, by_hand, MONEY, "worth of perfect information");
        for request in listing.requests(true, 7) {
            let worth = request.worth.expect("a worth");
            assert!(worth >= 0.0, "{request:?}");
            match request.standard_error {
                None => {
                    exact += 1;
                    assert!(worth <= perfect + MONEY, "{worth} of {perfect}");
                    assert!((-EXACT..=entropy(prior) + EXACT).contains(&request.bits));
                    assert!(request.signs.len() <= EXACT_SIGNS);
                }
                Some(error) => {
                    sampled += 1;
                    assert!(worth <= perfect + STANDARD_ERRORS * error + MONEY, "{worth} ± {error} of {perfect}");
                    assert!(request.signs.len() > EXACT_SIGNS);
                }
            }
        }
        for request in listing.requests(false, 7) {
            assert_eq!(request.worth, None);
            let error = request.standard_error.unwrap_or(0.0);
            let most = entropy(prior) + STANDARD_ERRORS * error + EXACT;
            assert!(request.bits >= 0.0 && request.bits <= most, "{request:?}");
        }
    }
    assert!(exact > 50 && sampled > 20, "{exact} exact, {sampled} sampled");
}

/// Patterns of 13 signs: more than are enumerated in the model, few enough to enumerate here.
const ONE_TOO_MANY: usize = EXACT_SIGNS + 1;

#[test]
fn a_sampled_worth_agrees_with_enumeration() {
    let pack = Pack::builtin();
    let bundle: Vec<Index> = pack.data().bundles[1].iter().map(|v| pack.view(v).expect("a view")).collect();
    let dice = &mut Dice::new(1968);
    let mut largest = 0.0_f64;
    for seed in 0..6 {
        let mut watch = Watch::unknown(&pack);
        watch.traits.iter_mut().for_each(|t| *t = Some(true));
        watch.first_year = Some(1975);
        let stories = Stories::from_prior(&pack.prior(0, dice.between(0.2, 0.6)));
        let net: Vec<f64> =
            (0..pack.stories()).map(|h| if pack.bad()[h] { -250.0 } else { dice.between(50.0, 250.0) }).collect();
        let mut seen: Vec<Observation> = Vec::new();
        let (listing, signs) = loop {
            let evidence = read(&pack, &seen);
            let listing = Listing::new(pack.clone(), watch.clone(), vec![], vec![], stories, evidence, net.clone());
            let request = listing.requests(true, seed).into_iter().find(|r| r.views == bundle).expect("the bundle");
            if request.signs.len() == ONE_TOO_MANY {
                break (listing, request.signs);
            }
            let sign = dice.one_of(&request.signs);
            let call = if dice.coin(0.2) { Call::Present } else { Call::Absent };
            seen.push(Observation { sign, call, basis: Basis::Certainty(0.6) });
        };
        let (worth, bits) = listing.brute_force(&signs);
        let find = |with_net| {
            let request = listing.requests(with_net, seed).into_iter().find(|r| r.views == bundle).expect("the bundle");
            let error = request.standard_error.expect("sampled");
            (request, error)
        };
        let (request, error) = find(true);
        near(request.worth.expect("a worth"), worth, STANDARD_ERRORS * error, "worth");
        let (request, error) = find(false);
        near(request.bits, bits, STANDARD_ERRORS * error, "bits");
        largest = largest.max(worth);
        assert_eq!(listing.requests(true, seed), listing.requests(true, seed), "a seed gives one answer");
    }
    assert!(largest > 5.0, "some case must be worth something: {largest}");
}

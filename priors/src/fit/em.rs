//! The iteration: expected counts under the current numbers, then the numbers that fit them best.
//!
//! Each round (1) evaluates ln P(e | story) of every listing, (2) moves every segment's figures
//! uphill on the sellers' marginal likelihood, which pools each seller's listings, (3) differentiates
//! every listing under the stories' posterior and (4) moves tables and signs. None of these can
//! lower the penalised likelihood (Dempster, Laird and Rubin 1977; Liu and Rubin 1994 for step 2).
//! Every two rounds a longer step is tried ([`accelerate`]), and taken if it lowers nothing either.

use super::accelerate::{self, Steps};
use super::numbers::{Expected, Verified, penalty, strengthen, update};
use super::segment::{Hyperprior, Survey};
use super::{Case, FitError, Outcome, Sellers, Settings, Stated};
use crate::score::Shared;
use crate::seller::{Evidence as SellerEvidence, FeedbackFigures, FeedbackModel, ListingLikelihood, SellerPosterior};
use crate::{Beta, Error, LogOdds};
use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::sync::Arc;
use steelyard_model::contraction::MAX_LANES;
use steelyard_model::observe::Evidence;
use steelyard_model::pack::data::ModelData;
use steelyard_model::pack::{Index, On, Pack};
use steelyard_model::posterior::{PerStory, Plan, Scratch};

/// Plans kept at once; listings whose link signs are rarer share one that has them all.
const MOST_PLANS: usize = 64;

/// Equally likely values of a seller's rate that stand for its distribution: they hold its variance to
/// about one in a hundred.
const VALUES: usize = 64;

/// One listing as it is worked on.
#[derive(Debug)]
struct Listing<'a> {
    at: usize,
    case: &'a Case,
    /// What was found out, unless it is held back.
    outcome: Option<&'a Outcome>,
    /// The calls that are looked at, under the pack's own reading rates.
    calls: &'a Evidence,
    /// Calls and findings under the current reading rates.
    evidence: Evidence,
    /// ln of what bears on the stories beside the signs: the price, the reported story.
    ln_outside: PerStory,
    plan: usize,
    /// ln P(everything but the prior | story).
    ln: PerStory,
}

/// A seller as it is worked on.
#[derive(Debug)]
struct Seller {
    stated: Stated,
    /// Positions of its listings.
    members: Vec<usize>,
}

/// Listings ready to be evaluated under changing numbers.
#[derive(Debug)]
pub(super) struct Listings<'a> {
    pack: Arc<Pack>,
    listings: Vec<Listing<'a>>,
    /// Per segment.
    sellers: Vec<Vec<Seller>>,
    feedback: FeedbackModel,
    plans: Vec<(Plan, Scratch)>,
    /// ln of every story's share of its side, per segment.
    ln_split: Vec<PerStory>,
}

/// Whether what was found of a listing afterwards is used or held back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Outcomes {
    Used,
    HeldBack,
}

impl<'a> Listings<'a> {
    pub(super) fn new(
        pack: &Arc<Pack>,
        cases: &[(usize, &'a Case)],
        stated: &Sellers,
        outcomes: Outcomes,
    ) -> Result<Self, FitError> {
        let listing = |&(at, case): &(usize, &'a Case)| {
            let outcome = case.outcome.as_ref().filter(|_| outcomes == Outcomes::Used);
            let calls = if outcomes == Outcomes::Used { &case.evidence } else { case.foreseen() };
            Listing {
                at,
                case,
                outcome,
                calls,
                evidence: Evidence::default(),
                ln_outside: ln_outside(pack, case, outcome),
                plan: 0,
                ln: [f64::NEG_INFINITY; MAX_LANES],
            }
        };
        let mut listings: Vec<Listing<'a>> = cases.iter().map(listing).collect();
        let (plans, plan_of) = compile(pack, &listings.iter().map(|l| l.links(pack)).collect::<Vec<_>>());
        listings.iter_mut().zip(plan_of).for_each(|(listing, plan)| listing.plan = plan);
        let mut by_seller: BTreeMap<(Index, u64), Vec<usize>> = BTreeMap::new();
        for (i, listing) in listings.iter().enumerate() {
            by_seller.entry((listing.case.segment, listing.case.seller)).or_default().push(i);
        }
        let mut sellers: Vec<Vec<Seller>> = pack.data().segments.iter().map(|_| Vec::new()).collect();
        for (key, members) in by_seller {
            sellers[key.0].push(Seller { stated: stated.get(&key).copied().unwrap_or_default(), members });
        }
        let feedback = feedback_model(pack)?;
        let mut all = Self { pack: pack.clone(), listings, sellers, feedback, plans, ln_split: Vec::new() };
        all.take(pack, true);
        Ok(all)
    }

    /// Goes over to the numbers of another pack.
    fn take(&mut self, pack: &Arc<Pack>, reread: bool) {
        self.pack = pack.clone();
        self.plans.iter_mut().for_each(|(plan, _)| plan.renumber(pack));
        self.ln_split = (0..self.sellers.len())
            .map(|g| {
                let mut ln = [f64::NEG_INFINITY; MAX_LANES];
                let shares = pack.prior_from(g, 1.0, 1.0);
                ln.iter_mut().zip(shares).for_each(|(to, p)| *to = p.ln());
                ln
            })
            .collect();
        if reread {
            for listing in &mut self.listings {
                let found = listing.outcome.map_or(&[][..], |o| &o.signs);
                listing.evidence = listing.calls.reread(pack).settled(found);
            }
        }
    }

    /// Evaluates every listing: P(everything but the prior | story).
    fn evaluate(&mut self) {
        for listing in &mut self.listings {
            let (plan, scratch) = &mut self.plans[listing.plan];
            let ln = plan.evaluate_found(scratch, &listing.evidence, listing.components());
            for (to, (ln, outside)) in listing.ln.iter_mut().zip(ln.iter().zip(&listing.ln_outside)) {
                *to = ln + outside;
            }
        }
    }

    /// ln L_bad and ln L_sound of a listing under its segment's split.
    fn sides(&self, i: usize) -> [f64; 2] {
        let listing = &self.listings[i];
        let split = &self.ln_split[listing.case.segment];
        [true, false].map(|bad| {
            let members = || (0..self.pack.stories()).filter(|h| self.pack.bad()[*h] == bad);
            let largest = members().map(|h| split[h] + listing.ln[h]).fold(f64::NEG_INFINITY, f64::max);
            if largest == f64::NEG_INFINITY {
                return largest;
            }
            largest + members().map(|h| (split[h] + listing.ln[h] - largest).exp()).sum::<f64>().ln()
        })
    }

    /// P(story | everything) of a listing whose log-odds of bad are these.
    fn posterior(&self, i: usize, odds: LogOdds) -> PerStory {
        let (listing, sides) = (&self.listings[i], self.sides(i));
        let split = &self.ln_split[listing.case.segment];
        let mut posterior = [0.0; MAX_LANES];
        for h in 0..self.pack.stories() {
            let (mass, side) =
                if self.pack.bad()[h] { (odds.probability(), sides[0]) } else { (odds.complement(), sides[1]) };
            if mass > 0.0 {
                posterior[h] = mass * (split[h] + listing.ln[h] - side).exp();
            }
        }
        posterior
    }

    /// Every seller of a segment with what is stated of it and the likelihoods of the listings, as last
    /// evaluated.
    fn evidence_of(&self, segment: Index) -> Result<Vec<SellerEvidence>, FitError> {
        let of = |seller: &Seller| {
            let listings = seller
                .members
                .iter()
                .map(|&i| {
                    let [ln_bad, ln_sound] = self.sides(i);
                    ListingLikelihood::new(ln_bad, ln_sound)
                        .map_err(|_| FitError::ImpossibleCase { case: self.listings[i].at })
                })
                .collect::<Result<Vec<_>, _>>()?;
            let Stated { outcomes, feedback } = seller.stated;
            Ok(SellerEvidence { outcomes, feedback: feedback.map(|f| (self.feedback, f)), listings })
        };
        self.sellers[segment].iter().map(of).collect()
    }

    /// P(bad) of every listing given all that is known of its seller, in the order of the cases.
    pub(super) fn log_odds(&mut self) -> Result<Vec<f64>, FitError> {
        self.evaluate();
        let mut found = vec![0.0; self.listings.len()];
        for g in 0..self.sellers.len() {
            let survey = Survey::new(&self.evidence_of(g)?, prior(&self.pack, g)?)?;
            for (seller, pooled) in self.sellers[g].iter().zip(survey.pooled) {
                seller.members.iter().zip(pooled).for_each(|(i, odds)| found[*i] = odds.value());
            }
        }
        Ok(found)
    }

    /// The same, and how the outcomes of each seller's listings hang together by the seller's rate: of
    /// the listings that count, by position, where a seller has more than one.
    pub(super) fn forecast(&mut self, counts: impl Fn(usize) -> bool) -> Result<(Vec<f64>, Vec<Shared>), FitError> {
        let log_odds = self.log_odds()?;
        let mut shared = Vec::new();
        for g in 0..self.sellers.len() {
            for (seller, evidence) in self.sellers[g].iter().zip(self.evidence_of(g)?) {
                let places: Vec<usize> = (0..seller.members.len()).filter(|p| counts(seller.members[*p])).collect();
                if places.len() < 2 {
                    continue;
                }
                let rate = SellerPosterior::new(prior(&self.pack, g)?, &evidence)?;
                let given = |t: f64| places.iter().map(|p| t + evidence.listings[*p].ln_ratio()).collect::<Vec<f64>>();
                shared.push(Shared {
                    cases: places.iter().map(|p| seller.members[*p]).collect(),
                    log_odds: rate.equally_likely(VALUES)?.into_iter().map(given).collect(),
                });
            }
        }
        Ok((log_odds, shared))
    }

    /// One E-step with the step of the segments: the objective's likelihood part before it, and the
    /// expected counts after it, with how much they tell if they are to be the last.
    fn expect(&mut self, hyperpriors: &[Option<Hyperprior>], last: bool) -> Result<(f64, Expected), FitError> {
        self.evaluate();
        let mut expected = Expected::new(&self.pack, last);
        let mut ln_likelihood = 0.0;
        for (g, hyperprior) in hyperpriors.iter().enumerate() {
            let sellers = self.evidence_of(g)?;
            let here = Survey::new(&sellers, prior(&self.pack, g)?)?;
            ln_likelihood += here.ln_marginal;
            expected.surveys.push(match hyperprior {
                Some(h) => here.step(&sellers, Some(h))?,
                None => here,
            });
        }
        for g in 0..self.sellers.len() {
            let split = &self.ln_split[g];
            // A row for each side, in which the other's stories have no share.
            let by_side = |of: &dyn Fn(usize) -> f64| -> Vec<f64> {
                let on_its_side = |bad, h| if self.pack.bad()[h] == bad { of(h) } else { 0.0 };
                [true, false].iter().flat_map(|bad| (0..self.pack.stories()).map(|h| on_its_side(*bad, h))).collect()
            };
            let shares = by_side(&|h| split[h].exp());
            for (seller, pooled) in self.sellers[g].iter().zip(&expected.surveys[g].pooled) {
                for (&i, odds) in seller.members.iter().zip(pooled) {
                    let posterior = self.posterior(i, *odds);
                    expected.splits[g].add(&by_side(&|h| posterior[h]), &shares);
                    let listing = &self.listings[i];
                    let (plan, scratch) = &mut self.plans[listing.plan];
                    plan.evaluate_found(scratch, &listing.evidence, listing.components());
                    let beliefs = plan.differentiate(scratch);
                    expected.counts.add(&beliefs, &listing.evidence, listing.components(), &posterior);
                }
            }
        }
        Ok((ln_likelihood, expected))
    }
}

impl Listing<'_> {
    /// The link signs that it is summed over, in order.
    fn links(&self, pack: &Pack) -> Vec<Index> {
        let called = self.calls.calls().iter().map(|c| c.sign);
        let found = self.outcome.iter().flat_map(|o| o.signs.iter().map(|f| f.sign));
        let is_link = |j: &Index| matches!(pack.signs()[*j].on, On::Two(..));
        let mut links: Vec<Index> = called.chain(found).filter(is_link).collect();
        links.sort_unstable();
        links.dedup();
        links
    }

    /// Components found, each with its public state.
    fn components(&self) -> &[(Index, Index)] {
        self.outcome.map_or(&[], |o| &o.components)
    }
}

/// A plan for each of the most frequent sets of link signs and one for all others, and which of the
/// plans each set has.
fn compile(pack: &Arc<Pack>, sets: &[Vec<Index>]) -> (Vec<(Plan, Scratch)>, Vec<usize>) {
    let mut uses: BTreeMap<&[Index], usize> = BTreeMap::new();
    sets.iter().for_each(|set| *uses.entry(set).or_default() += 1);
    let mut by_use: Vec<(&[Index], usize)> = uses.into_iter().collect();
    by_use.sort_by(|one, two| two.1.cmp(&one.1).then_with(|| one.0.cmp(two.0)));
    let (own, shared) = by_use.split_at(by_use.len().min(MOST_PLANS));
    let mut plans: Vec<Plan> = own.iter().map(|(set, _)| Plan::compile(pack, set.iter().copied())).collect();
    if !shared.is_empty() {
        plans.push(Plan::compile(pack, shared.iter().flat_map(|(set, _)| set.iter().copied())));
    }
    let plan_of: BTreeMap<&[Index], usize> =
        by_use.iter().enumerate().map(|(i, (set, _))| (*set, i.min(MOST_PLANS))).collect();
    let chosen = sets.iter().map(|set| plan_of[set.as_slice()]).collect();
    let with_scratch = |plan: Plan| {
        let scratch = plan.scratch();
        (plan, scratch)
    };
    (plans.into_iter().map(with_scratch).collect(), chosen)
}

/// What a negative rating means under a pack.
fn feedback_model(pack: &Pack) -> Result<FeedbackModel, Error> {
    let f = &pack.data().feedback;
    FeedbackModel::new(FeedbackFigures {
        baseline: f.baseline,
        complains: f.complains,
        concerned: f.concerned,
        power: f.power,
        most_cases: f.most_cases,
    })
}

fn prior(pack: &Pack, segment: Index) -> Result<Beta, Error> {
    let of = &pack.data().segments[segment];
    Beta::new(of.a, of.b)
}

/// ln P(price | story) + ln P(reported story | story).
fn ln_outside(pack: &Pack, case: &Case, outcome: Option<&Outcome>) -> PerStory {
    let mut ln = case.ln_price;
    if let Some(outcome) = outcome {
        let stories = pack.stories();
        let other = (1.0 - outcome.certainty) / (stories - 1) as f64;
        for (h, ln) in ln.iter_mut().enumerate().take(stories) {
            *ln += if h == outcome.story { outcome.certainty.ln() } else { other.ln() };
        }
    }
    ln
}

/// A fit as it ended.
#[derive(Debug)]
pub(super) struct Ended {
    /// The numbers, with the strengths that the evidence adds.
    pub(super) data: ModelData,
    /// The penalised log-likelihood at the start and after every iteration.
    pub(super) objective: Vec<f64>,
}

/// Maximises the penalised likelihood of the cases from the pack's own numbers on.
pub(super) fn run(
    pack: &Arc<Pack>,
    cases: &[(usize, &Case)],
    sellers: &Sellers,
    settings: &Settings,
    mut watch: impl FnMut(usize, f64) -> ControlFlow<()>,
) -> Result<Ended, FitError> {
    let base = pack.data();
    let verified = verified(pack, cases);
    let hyperpriors = base
        .segments
        .iter()
        .map(|s| {
            let h = |of: &steelyard_model::pack::data::SegmentStrength| {
                Hyperprior::new(Beta::new(s.a, s.b)?, of.rate, of.spread_log_sd)
            };
            s.strength.as_ref().map(h).transpose()
        })
        .collect::<Result<Vec<_>, Error>>()?;
    let mut fit = Fit {
        listings: Listings::new(pack, cases, sellers, Outcomes::Used)?,
        base,
        hyperpriors,
        rereads: verified.iter().any(|v| *v),
        verified,
    };
    let mut iterations = 0;
    let mut objective: Vec<f64> = Vec::new();
    let (mut now, mut longest) = (base.clone(), 4.0_f64);
    let mut here = fit.evaluate(&now, false)?;
    // Two steps of EM, then a long one.
    loop {
        let mut told = |iteration: usize, reached: f64| {
            let stopped = watch(iteration, reached).is_break();
            if stopped { Err(FitError::Cancelled) } else { Ok(iteration >= settings.most_iterations) }
        };
        objective.push(here.objective);
        let mut last = told(iterations, here.objective)?;
        let from = accelerate::numbers(&mut now, &fit.verified);
        let mut next = fit.step(&now, &here);
        if last {
            break;
        }
        let over = accelerate::numbers(&mut next, &fit.verified);
        let there = fit.evaluate(&next, false)?;
        let gain = there.objective - here.objective;
        (now, here) = (next, there);
        iterations += 1;
        objective.push(here.objective);
        last = told(iterations, here.objective)?;
        let mut next = fit.step(&now, &here);
        let to = accelerate::numbers(&mut next, &fit.verified);
        let steps = Steps { from: &from, over: &over, to: &to };
        if last || steps.still_to_gain(gain) <= settings.tolerance {
            break;
        }
        iterations += 1;
        if let Some(length) = steps.length(longest) {
            let mut far = next.clone();
            steps.extend(&mut far, &fit.verified, length);
            // Where that is no model, or a worse one, the two steps were as far as one can go.
            let reached = match Pack::from_data(far.clone()) {
                Ok(_) => Some(fit.evaluate(&far, false)?).filter(|r| r.objective >= here.objective),
                Err(_) => None,
            };
            if let Some(reached) = reached {
                longest = if length == longest { 4.0 * longest } else { longest };
                (now, here) = (far, reached);
                continue;
            }
            longest = (0.5 * length).max(1.0);
            if told(iterations, here.objective)? {
                break;
            }
            iterations += 1;
        }
        here = fit.evaluate(&next, false)?;
        now = next;
    }
    let told = fit.evaluate(&now, true)?;
    strengthen(&mut now, &told.expected, &fit.verified);
    Ok(Ended { data: now, objective })
}

/// What does not change while a fit runs, and its listings.
struct Fit<'a> {
    base: &'a ModelData,
    hyperpriors: Vec<Option<Hyperprior>>,
    verified: Verified,
    rereads: bool,
    listings: Listings<'a>,
}

/// What the cases say of some numbers.
struct Evaluated {
    /// The penalised log-likelihood.
    objective: f64,
    expected: Expected,
}

impl Fit<'_> {
    /// With how much the cases tell, if these numbers are to be the last.
    fn evaluate(&mut self, at: &ModelData, last: bool) -> Result<Evaluated, FitError> {
        self.listings.take(&Arc::new(Pack::from_data(at.clone())?), self.rereads);
        let (ln_likelihood, expected) = self.listings.expect(&self.hyperpriors, last)?;
        let objective = ln_likelihood + penalty(self.base, at, &self.hyperpriors, &self.verified);
        Ok(Evaluated { objective, expected })
    }

    /// The numbers after one step of EM.
    fn step(&self, from: &ModelData, told: &Evaluated) -> ModelData {
        let mut next = from.clone();
        update(self.base, &mut next, &told.expected, &self.verified);
        next
    }
}

/// Which reading classes have calls that were later judged in hand beyond doubt.
fn verified(pack: &Pack, cases: &[(usize, &Case)]) -> Verified {
    let data = pack.data();
    let judged: BTreeSet<&str> =
        cases.iter().flat_map(|(_, case)| case.verified()).map(|sign| data.signs[sign].reading.as_str()).collect();
    data.readings.keys().map(|class| judged.contains(class.as_str())).collect()
}

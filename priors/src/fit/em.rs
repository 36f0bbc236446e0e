//! The iteration: expected counts under the current numbers, then the numbers that fit them best.
//!
//! Each round (1) evaluates ln P(e | story) of every listing, (2) moves every segment's figures
//! uphill on the sellers' marginal likelihood, which pools each seller's listings, (3) differentiates
//! every listing under the stories' posterior and (4) moves tables and signs. None of these can
//! lower the penalised likelihood (Dempster, Laird and Rubin 1977; Liu and Rubin 1994 for step 2).

use super::numbers::{Expected, Verified, penalty, strengthen, update};
use super::segment::{Hyperprior, Survey};
use super::{Case, FitError, Outcome, Settings};
use crate::seller::{Evidence as SellerEvidence, ListingLikelihood};
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

/// One listing as it is worked on.
#[derive(Debug)]
struct Listing<'a> {
    at: usize,
    case: &'a Case,
    /// What was found out, unless it is held back.
    outcome: Option<&'a Outcome>,
    /// Calls and findings under the current reading rates.
    evidence: Evidence,
    /// ln of what bears on the stories beside the signs: the price, the reported story.
    ln_outside: PerStory,
    plan: usize,
    /// ln P(everything but the prior | story).
    ln: PerStory,
}

/// Listings ready to be evaluated under changing numbers.
#[derive(Debug)]
pub(super) struct Listings<'a> {
    pack: Arc<Pack>,
    listings: Vec<Listing<'a>>,
    /// Per segment, per seller, positions in `listings`.
    sellers: Vec<Vec<Vec<usize>>>,
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
    pub(super) fn new(pack: &Arc<Pack>, cases: &[(usize, &'a Case)], outcomes: Outcomes) -> Self {
        let listing = |&(at, case): &(usize, &'a Case)| {
            let outcome = case.outcome.as_ref().filter(|_| outcomes == Outcomes::Used);
            Listing {
                at,
                case,
                outcome,
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
        let mut sellers = vec![Vec::new(); pack.data().segments.len()];
        for ((segment, _), members) in by_seller {
            sellers[segment].push(members);
        }
        let mut all = Self { pack: pack.clone(), listings, sellers, plans, ln_split: Vec::new() };
        all.take(pack, true);
        all
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
                listing.evidence = listing.case.evidence.reread(pack).settled(found);
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

    /// Every seller of a segment with the likelihoods of the listings, as last evaluated.
    fn evidence_of(&self, segment: Index) -> Result<Vec<SellerEvidence>, FitError> {
        let of = |members: &Vec<usize>| {
            let listings = members
                .iter()
                .map(|&i| {
                    let [ln_bad, ln_sound] = self.sides(i);
                    ListingLikelihood::new(ln_bad, ln_sound)
                        .map_err(|_| FitError::ImpossibleCase { case: self.listings[i].at })
                })
                .collect::<Result<Vec<_>, _>>()?;
            Ok(SellerEvidence { listings, ..SellerEvidence::default() })
        };
        self.sellers[segment].iter().map(of).collect()
    }

    /// P(bad) of every listing given all of its seller's, in the order of the cases.
    pub(super) fn log_odds(&mut self) -> Result<Vec<f64>, FitError> {
        self.evaluate();
        let mut found = vec![0.0; self.listings.len()];
        for g in 0..self.sellers.len() {
            let survey = Survey::new(&self.evidence_of(g)?, prior(&self.pack, g)?)?;
            for (members, pooled) in self.sellers[g].iter().zip(survey.pooled) {
                members.iter().zip(pooled).for_each(|(i, odds)| found[*i] = odds.value());
            }
        }
        Ok(found)
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
            for (members, pooled) in self.sellers[g].iter().zip(&expected.surveys[g].pooled) {
                for (&i, odds) in members.iter().zip(pooled) {
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
        let called = self.case.evidence.calls().iter().map(|c| c.sign);
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
    settings: &Settings,
    mut watch: impl FnMut(usize, f64) -> ControlFlow<()>,
) -> Result<Ended, FitError> {
    let base = pack.data();
    let verified = verified(pack, cases);
    let rereads = verified.iter().any(|v| *v);
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
    let mut now = base.clone();
    let mut listings = Listings::new(pack, cases, Outcomes::Used);
    let mut objective: Vec<f64> = Vec::new();
    loop {
        let (ln_likelihood, expected) = listings.expect(&hyperpriors, false)?;
        let here = ln_likelihood + penalty(base, &now, &hyperpriors, &verified);
        let gain = objective.last().map_or(f64::INFINITY, |last| here - last);
        objective.push(here);
        if watch(objective.len() - 1, here).is_break() {
            return Err(FitError::Cancelled);
        }
        if gain < settings.tolerance || objective.len() > settings.most_iterations {
            let (_, expected) = listings.expect(&hyperpriors, true)?;
            strengthen(&mut now, &expected, &verified);
            return Ok(Ended { data: now, objective });
        }
        update(base, &mut now, &expected, &verified);
        let pack = Arc::new(Pack::from_data(now.clone())?);
        listings.take(&pack, rereads);
    }
}

/// Which reading classes have calls that were later judged in hand beyond doubt.
fn verified(pack: &Pack, cases: &[(usize, &Case)]) -> Verified {
    let data = pack.data();
    let judged: BTreeSet<&str> =
        cases.iter().flat_map(|(_, case)| case.verified()).map(|sign| data.signs[sign].reading.as_str()).collect();
    data.readings.keys().map(|class| judged.contains(class.as_str())).collect()
}

//! The calculation: listing → prior → posterior → money → what to ask → answer.

use crate::cautions::cautions;
use crate::listing::{Arrival, Listing, MoneyTerms, Other, Seller, Stated, digits};
use crate::messages::message;
use crate::wire::Money;
use crate::wire::request::{CallKind, Interval};
use crate::wire::response as wire;
use indexmap::IndexMap;
use iso_currency::Currency;
use lru::LruCache;
use rust_decimal::prelude::ToPrimitive as _;
use rust_decimal::{Decimal, RoundingStrategy};
use std::convert::Infallible;
use std::hash::Hash;
use std::num::NonZeroUsize;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use steelyard_model::advice::{Advice, Grounds, advise};
use steelyard_model::ask::{self, Asking, Look};
use steelyard_model::interval;
use steelyard_model::money::{self, Prospects, Use};
use steelyard_model::observe::{Call, Evidence};
use steelyard_model::pack::{Index, ORIGINAL, On, Pack};
use steelyard_model::posterior::{DECIBANS, PerStory, Plan, Posterior, Stories, alone_db, ln_sum};
use steelyard_model::shares::shares;
use steelyard_priors::seller::{FeedbackFigures, FeedbackModel, ListingLikelihood, Prior, SellerPosterior};
use steelyard_priors::{self as priors, seller};

/// Seed of every sample drawn for an answer: the same listing gets the same answer.
const SEED: u64 = 20_261_124;

/// Looks shown: more than a handful would be a checklist, which `GET /v1/signs` gives.
const MOST_LOOKS: usize = 3;

/// Draws of the model's numbers for a sampled interval.
const INTERVAL_DRAWS: usize = 2000;

/// Compiled plans kept, some 20 KB each: the link signs called differ from listing to listing, and
/// compiling takes longer than computing.
const MOST_PLANS: NonZeroUsize = NonZeroUsize::new(1024).unwrap();

/// Sellers kept.
const MOST_SELLERS: NonZeroUsize = NonZeroUsize::new(1024).unwrap();

/// A model ready to assess listings.
#[derive(Debug)]
pub struct Assessor {
    pack: Arc<Pack>,
    feedback: FeedbackModel,
    plans: Kept<Vec<Index>, Arc<Plan>>,
    /// Those with one link sign more, for what to look at; apart, since there are many of them.
    looking: Kept<Vec<Index>, Arc<Plan>>,
    /// Sellers recur in a feed, and many say nothing but their segment.
    sellers: Kept<Stated, Rate>,
}

/// Results kept by what they follow from, those used last.
#[derive(Debug)]
struct Kept<K: Eq + Hash, V>(Mutex<LruCache<K, V>>);

impl<K: Eq + Hash + Clone, V: Clone> Kept<K, V> {
    fn new(most: NonZeroUsize) -> Self {
        Self(Mutex::new(LruCache::new(most)))
    }

    /// Nobody waits while another makes something: two may make the same.
    fn get<E>(&self, key: &K, make: impl FnOnce() -> Result<V, E>) -> Result<V, E> {
        if let Some(value) = self.lock().get(key) {
            return Ok(value.clone());
        }
        let value = make()?;
        self.lock().put(key.clone(), value.clone());
        Ok(value)
    }

    fn lock(&self) -> MutexGuard<'_, LruCache<K, V>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A report of what a watch turned out to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Report {
    /// The story found.
    pub story: Index,
    /// P(this report | it is the story); the rest is spread evenly over the other stories.
    pub certainty: f64,
}

impl Report {
    fn ln_likelihood(self, story: Index, stories: usize) -> f64 {
        let p = if story == self.story { self.certainty } else { (1.0 - self.certainty) / (stories - 1) as f64 };
        p.ln()
    }
}

/// What is believed of a seller's rate of bad watches.
#[derive(Debug, Clone, Copy)]
pub struct Rate {
    mean: f64,
    mean_complement: f64,
    interval_90: [f64; 2],
    effective_cases: f64,
}

/// What a bid on a listing is about, in minor units of its currency.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bid {
    /// The most to bid: the walk-away price.
    pub most: i64,
    /// What the watch has cost, once it lies on the table, at that price.
    pub stake: i64,
    /// What one expects to pay.
    pub price: i64,
    /// Expected net at that price.
    pub expected_net: i64,
}

/// Why a listing that fits could not be assessed.
#[derive(Debug, thiserror::Error)]
pub enum AssessError {
    /// The evidence on the seller cannot be.
    #[error(transparent)]
    Seller(#[from] priors::Error),
    /// The evidence on the watch cannot be.
    #[error(transparent)]
    Watch(#[from] steelyard_model::posterior::Impossible),
}

impl Rate {
    /// ln odds of a bad watch.
    #[must_use]
    pub fn ln_odds(&self) -> f64 {
        self.mean.ln() - self.mean_complement.ln()
    }
}

impl Assessor {
    /// For a model.
    ///
    /// # Errors
    /// If the pack's feedback figures are no probabilities.
    pub fn new(pack: Arc<Pack>) -> Result<Self, priors::Error> {
        let f = &pack.data().feedback;
        let feedback = FeedbackModel::new(FeedbackFigures {
            baseline: f.baseline,
            complains: f.complains,
            concerned: f.concerned,
            power: f.power,
            most_cases: f.most_cases,
        })?;
        Ok(Self {
            pack,
            feedback,
            plans: Kept::new(MOST_PLANS),
            looking: Kept::new(MOST_PLANS),
            sellers: Kept::new(MOST_SELLERS),
        })
    }

    /// The model.
    #[must_use]
    pub fn pack(&self) -> &Arc<Pack> {
        &self.pack
    }

    /// Its name, for answers.
    #[must_use]
    pub fn model_name(&self) -> wire::ModelName {
        let data = self.pack.data();
        wire::ModelName { version: data.version.clone(), digest: data.digest.clone(), calibrated: data.calibrated }
    }

    fn plan(&self, evidence: &Evidence) -> Arc<Plan> {
        let mut links: Vec<Index> = evidence
            .calls()
            .iter()
            .map(|c| c.sign)
            .filter(|&s| matches!(self.pack.signs()[s].on, On::Two(..)))
            .collect();
        links.sort_unstable();
        self.compiled(&self.plans, &links)
    }

    fn compiled(&self, kept: &Kept<Vec<Index>, Arc<Plan>>, links: &Vec<Index>) -> Arc<Plan> {
        let compile = || Ok::<_, Infallible>(Arc::new(Plan::compile(&self.pack, links.iter().copied())));
        kept.get(links, compile).unwrap_or_else(|never| match never {})
    }

    /// Assesses a listing.
    ///
    /// # Errors
    /// If its evidence cannot occur under the model.
    pub fn assess(&self, listing: &Listing) -> Result<wire::Assessment, AssessError> {
        let seller = self.seller(&listing.seller)?;
        let stories = self.stories(listing, &seller);
        let plan = self.plan(&listing.evidence);
        let mut scratch = plan.scratch();
        let ln_likelihood = plan.evaluate(&mut scratch, &listing.evidence);
        let posterior = Posterior::new(&self.pack, &stories, &ln_likelihood)?;
        let beliefs = plan.differentiate(&mut scratch);
        let alone = alone_db(&beliefs, &listing.evidence, &posterior);
        let components = listing.include.components.then(|| {
            (0..self.pack.components().len()).map(|k| self.component(k, &beliefs.component(k), &posterior)).collect()
        });
        let interval_90 = listing.include.interval.map(|how| match how {
            Interval::Delta => interval::delta(&plan, &mut scratch, &listing.evidence, &posterior),
            Interval::Sampled => interval::sampled(&plan, &stories, &listing.evidence, INTERVAL_DRAWS, SEED),
        });
        let wants = &listing.include;
        let money = listing.money.as_ref().filter(|_| wants.decision || wants.ask_next || wants.look_next);
        let prospects = money.map(|m| money::prospects(&plan, &mut scratch, &posterior, &m.resale));
        let net = self.net_above_margin(listing, prospects.as_ref());
        let asking = Asking {
            watch: &listing.watch,
            photos: &listing.photos,
            refused: &listing.refused,
            stories: &stories,
            evidence: &listing.evidence,
            posterior: &posterior,
            net: net.as_deref(),
            seed: SEED,
        };
        let look_next = wants.look_next.then(|| {
            let looks = ask::looks(&plan, &mut scratch, &asking, |link| {
                let mut links: Vec<Index> = plan.links().iter().copied().chain([link]).collect();
                links.sort_unstable();
                self.compiled(&self.looking, &links)
            });
            looks.into_iter().take(MOST_LOOKS).map(|l| self.look_next(l, listing)).collect()
        });
        let requests = wants.ask_next.then(|| ask::requests(&plan, &mut scratch, &asking));
        let best_worth = requests.as_ref().and_then(|r| r.iter().filter_map(|r| r.worth).reduce(f64::max));
        let decision = money
            .zip(prospects.as_ref())
            .filter(|_| listing.include.decision)
            .map(|(m, p)| self.decision(m, p, best_worth));
        let arrival = match (&listing.arrival, money, &prospects) {
            (Some(a), Some(m), Some(p)) if listing.include.decision => self.arrival(a, &stories, m, p)?,
            _ => None,
        };
        let shares =
            listing.include.shares.then(|| shares(&plan, &mut scratch, &stories, &listing.evidence, &posterior));
        Ok(wire::Assessment {
            listing: listing.id.clone(),
            model: self.model_name(),
            probability: wire::Probability {
                bad: posterior.bad(),
                not_original: self.not_original(&posterior.stories),
                prior_bad: posterior.prior_bad(),
                interval_90,
            },
            log_odds_db: wire::LogOdds {
                prior: DECIBANS * posterior.prior_log_odds,
                price: shares.as_ref().map(|s| s.price),
                recalibration: DECIBANS * (posterior.log_odds - posterior.raw_log_odds),
                posterior: DECIBANS * posterior.log_odds,
            },
            stories: self.by_story(|h| posterior.stories[h]),
            components,
            seller: seller_belief(&seller, &listing.seller),
            evidence: self.evidence(listing, &alone, shares.as_ref().map(|s| s.calls.as_slice())),
            decision,
            look_next,
            ask_next: requests.map(|r| self.ask_next(r, listing)),
            arrival,
            proposals: listing.include.proposals.then(|| listing.proposals.clone()),
            marks: listing.include.proposals.then(|| listing.marks.clone()),
            cautions: cautions(&self.pack, listing),
        })
    }

    fn seller(&self, seller: &Seller) -> Result<Rate, priors::Error> {
        if seller.others.is_empty() {
            return self.sellers.get(&seller.stated, || self.rate(&seller.stated, &[]));
        }
        self.rate(&seller.stated, &seller.others)
    }

    /// What is believed of a seller's rate of bad watches.
    ///
    /// # Errors
    /// If the evidence on it cannot be.
    pub fn rate(&self, stated: &Stated, others: &[Other]) -> Result<Rate, priors::Error> {
        let rate = self.seller_posterior(stated, others)?;
        Ok(Rate {
            mean: rate.mean(),
            mean_complement: rate.mean_complement(),
            interval_90: [rate.quantile(0.05)?.probability(), rate.quantile(0.95)?.probability()],
            effective_cases: rate.effective_cases(),
        })
    }

    /// ln odds of the prior that a seller's other listings leave each of them; none of one that is
    /// known.
    ///
    /// # Errors
    /// If the evidence on the seller cannot be.
    pub fn without_each(&self, stated: &Stated, listings: &[Other]) -> Result<Vec<Option<f64>>, priors::Error> {
        Ok(self.seller_posterior(stated, listings)?.without_each())
    }

    fn seller_posterior(&self, stated: &Stated, others: &[Other]) -> Result<SellerPosterior, priors::Error> {
        let segment = &self.pack.data().segments[stated.segment];
        let ln = |ln: Option<f64>| ln.unwrap_or(f64::NEG_INFINITY);
        let known = seller::Evidence {
            outcomes: stated.outcomes,
            feedback: stated.feedback.map(|f| (self.feedback, f)),
            listings: others
                .iter()
                .map(|o| ListingLikelihood::new(ln(o.ln_bad), ln(o.ln_sound)))
                .collect::<Result<_, _>>()?,
        };
        SellerPosterior::new(Prior::new(segment.a, segment.b)?, &known)
    }

    /// How likely a listing's evidence and price are from a bad and from a sound watch of its
    /// segment; with a report of what it was, that too. What the seller's other listings count it by.
    #[must_use]
    pub fn likelihood(&self, listing: &Listing, report: Option<Report>) -> Other {
        let mut stories = Stories::from_prior(&self.pack.prior(listing.seller.stated.segment, 0.5));
        self.with_price(&mut stories, listing);
        let plan = self.plan(&listing.evidence);
        let ln_likelihood = plan.evaluate(&mut plan.scratch(), &listing.evidence);
        let ln_joint = |h: Index| {
            let said = report.map_or(0.0, |r| r.ln_likelihood(h, self.pack.stories()));
            stories.ln_prior[h] + stories.ln_price[h] + ln_likelihood[h] + said
        };
        self.sides(ln_joint, report.is_some())
    }

    /// A watch of which nothing is known but the report of what it was.
    #[must_use]
    pub fn reported(&self, segment: Index, report: Report) -> Other {
        let stories = Stories::from_prior(&self.pack.prior(segment, 0.5));
        let ln_joint = |h: Index| stories.ln_prior[h] + report.ln_likelihood(h, self.pack.stories());
        self.sides(ln_joint, true)
    }

    fn sides(&self, ln_joint: impl Fn(Index) -> f64, found: bool) -> Other {
        let side = |bad: bool| {
            let ln = ln_sum((0..self.pack.stories()).filter(|h| self.pack.bad()[*h] == bad).map(&ln_joint));
            ln.is_finite().then_some(ln)
        };
        Other { ln_bad: side(true), ln_sound: side(false), found }
    }

    fn stories(&self, listing: &Listing, seller: &Rate) -> Stories {
        let prior = self.pack.prior_from(listing.seller.stated.segment, seller.mean, seller.mean_complement);
        let mut stories = Stories::from_prior(&prior);
        self.with_price(&mut stories, listing);
        stories
    }

    /// ln of the asking price's likelihood per story; all 0 where it is no evidence.
    #[must_use]
    pub fn ln_price(&self, listing: &Listing) -> PerStory {
        let mut stories = Stories::from_prior(&[]);
        self.with_price(&mut stories, listing);
        stories.ln_price
    }

    fn with_price(&self, stories: &mut Stories, listing: &Listing) {
        if let Some(m) = &listing.money
            && let Some(ask) = m.price.filter(|p| *p > 0.0 && !m.auction)
        {
            stories.ln_price = money::price_evidence(&self.pack, ask, m.resale.value.median);
        }
    }

    /// Net above the margin wanted, per story; nothing without a value or a price.
    fn net_above_margin(&self, listing: &Listing, prospects: Option<&Prospects>) -> Option<Vec<f64>> {
        let (m, p) = listing.money.as_ref().zip(prospects)?;
        let price = m.price?;
        let wanted = m.terms.required_margin * m.terms.landed_cost(price);
        Some((0..self.pack.stories()).map(|h| p.net_in(&m.terms, h, price) - wanted).collect())
    }

    /// What a bid on a listing is about; nothing without a value. `expected` gives the price one
    /// expects to pay, from the walk-away price.
    /// What the stories are believed to be stays as it is: the asking price is evidence, the price
    /// paid is not, and of an auction neither is.
    ///
    /// # Errors
    /// If its evidence cannot occur under the model.
    pub fn bid(&self, listing: &Listing, expected: impl FnOnce(f64) -> f64) -> Result<Option<Bid>, AssessError> {
        let Some(m) = &listing.money else { return Ok(None) };
        let stories = self.stories(listing, &self.seller(&listing.seller)?);
        let plan = self.plan(&listing.evidence);
        let mut scratch = plan.scratch();
        let ln_likelihood = plan.evaluate(&mut scratch, &listing.evidence);
        let posterior = Posterior::new(&self.pack, &stories, &ln_likelihood)?;
        let prospects = money::prospects(&plan, &mut scratch, &posterior, &m.resale);
        let per_unit = 10_f64.powi(digits(m.currency) as i32);
        let most = prospects.walk_away(&m.terms, per_unit);
        let walk_away = most as f64 / per_unit;
        let price = expected(walk_away);
        Ok(Some(Bid {
            most,
            stake: minor(m.terms.landed_cost(walk_away), m.currency),
            price: minor(price, m.currency),
            expected_net: minor(prospects.expected_net(&m.terms, price), m.currency),
        }))
    }

    fn by_story<T>(&self, f: impl Fn(Index) -> T) -> IndexMap<String, T> {
        self.pack.data().stories.iter().enumerate().map(|(h, s)| (s.id.clone(), f(h))).collect()
    }

    fn not_original(&self, stories: &[f64]) -> f64 {
        let others = self.pack.data().stories.iter().zip(stories).filter(|(s, _)| s.id != ORIGINAL);
        others.map(|(_, p)| p).sum::<f64>().min(1.0)
    }

    /// P(C_k | e) over the states people see; a component with states of its own shows those.
    fn component(&self, k: Index, given: &[PerStory], posterior: &Posterior) -> (String, IndexMap<String, f64>) {
        let data = self.pack.data();
        let component = &data.components[k];
        let names = if Some(k) == self.pack.metal() {
            component.states.iter().map(|s| s.id.clone()).collect::<Vec<_>>()
        } else {
            data.states.iter().map(|s| s.id.clone()).collect()
        };
        let mut shown: IndexMap<String, f64> = names.into_iter().map(|n| (n, 0.0)).collect();
        for (state, by_story) in component.states.iter().zip(given) {
            let name = if Some(k) == self.pack.metal() { &state.id } else { &state.seen_as };
            let p: f64 = posterior.stories.iter().zip(by_story).map(|(p, g)| p * g).sum();
            if let Some(sum) = shown.get_mut(name) {
                // Rounding must not leave a probability above one.
                *sum = (*sum + p).min(1.0);
            }
        }
        (component.id.clone(), shown)
    }

    /// Every call with its weight; last the derived ones that the caller's own outrank.
    fn evidence(&self, listing: &Listing, alone: &[f64], shares: Option<&[f64]>) -> Vec<wire::Weighed> {
        let sign = |s: Index| self.pack.signs()[s].id.clone();
        let counted = listing.evidence.calls().iter().enumerate().map(|(i, call)| wire::Weighed {
            sign: sign(call.sign),
            call: call_kind(call.call),
            from: if listing.because[i].is_some() { wire::Source::Derived } else { wire::Source::Observed },
            because: listing.because[i].clone(),
            overruled_by: None,
            resolvable: call.resolvable,
            alone_db: alone[i],
            share_db: shares.map(|s| s[i]),
        });
        let overruled = listing.overruled.iter().map(|o| wire::Weighed {
            sign: sign(o.derived.sign),
            call: call_kind(o.derived.call),
            from: wire::Source::Derived,
            because: Some(o.derived.because()),
            overruled_by: Some(sign(o.by)),
            resolvable: Some(1.0),
            alone_db: 0.0,
            share_db: shares.map(|_| 0.0),
        });
        counted.chain(overruled).collect()
    }

    fn decision(&self, m: &MoneyTerms, p: &Prospects, best_worth: Option<f64>) -> wire::Decision {
        let money = |x: f64| amount(x, m.currency);
        let per_unit = 10_f64.powi(digits(m.currency) as i32);
        let walk_away = p.walk_away(&m.terms, per_unit) as f64 / per_unit;
        let by_story = self.by_story(|h| wire::StoryValue {
            value: money(p.uses[h].value.mean()),
            best_use: match p.uses[h].how {
                Use::AsIs => wire::BestUseKind::AsIs,
                Use::Restored => wire::BestUseKind::Restored,
                Use::PartedOut => wire::BestUseKind::PartedOut,
            },
            repairs: p.uses[h].repairs.iter().map(|&k| self.pack.components()[k].id.clone()).collect(),
            net: m.price.map(|price| money(p.net_in(&m.terms, h, price))),
        });
        let at_price = m.price.map(|price| {
            let net = p.expected_net(&m.terms, price);
            let landed = m.terms.landed_cost(price);
            let quantile = |q| money(p.net_quantile(&m.terms, price, q, per_unit));
            let advice = advise(&Grounds {
                best_worth,
                asking_cost: m.asking_cost,
                surplus: net - m.terms.required_margin * landed,
                walk_away,
                price,
                auction: m.auction,
                offer_share: self.pack.data().defaults.offer_share,
            });
            (
                net,
                landed,
                p.probability_of_loss(&m.terms, price),
                wire::Quantiles { p05: quantile(0.05), p50: quantile(0.5), p95: quantile(0.95) },
                advice,
            )
        });
        wire::Decision {
            advice: at_price.as_ref().map(|a| advice_kind(a.4)),
            expected_net: at_price.as_ref().map(|a| money(a.0)),
            probability_of_loss: at_price.as_ref().map(|a| a.2),
            net_quantiles: at_price.as_ref().map(|a| a.3.clone()),
            walk_away_price: money(walk_away),
            landed_cost: at_price.as_ref().map(|a| money(a.1)),
            asking_cost: Some(money(m.asking_cost)),
            required_margin: m.terms.required_margin,
            by_story,
        }
    }

    /// Keep, send back, or settle; nothing without a price paid.
    fn arrival(
        &self,
        a: &Arrival,
        stories: &Stories,
        m: &MoneyTerms,
        now: &Prospects,
    ) -> Result<Option<wire::WaysOut>, AssessError> {
        let Some(paid) = m.paid.or(m.price) else { return Ok(None) };
        let plan = self.plan(&a.before);
        let mut scratch = plan.scratch();
        let ln_likelihood = plan.evaluate(&mut scratch, &a.before);
        let posterior = Posterior::new(&self.pack, stories, &ln_likelihood)?;
        let before = money::prospects(&plan, &mut scratch, &posterior, &m.resale).expected_value();
        let (chance, net) = now.sending_back(&m.terms, paid);
        let money = |x: f64| amount(x, m.currency);
        Ok(Some(wire::WaysOut {
            keep: money(now.expected_value() - m.terms.landed_cost(paid)),
            send_back: wire::SendBack {
                cost: money(m.terms.return_loss(paid)),
                chance: chance.min(1.0),
                net: money(net),
            },
            fair_refund: money((before - now.expected_value()).max(0.0)),
            days_left: a.days_left,
            show: a.found.iter().map(|(sign, call)| self.finding(*sign, *call)).collect(),
        }))
    }

    /// A finding in neutral words: what was looked at and what was seen, no conclusion.
    fn finding(&self, sign: Index, call: Call) -> String {
        let answer = match call {
            Call::Present => "yes",
            Call::Absent => "no",
        };
        format!("With the watch in hand. {} On inspection: {answer}.", self.pack.data().signs[sign].question)
    }

    fn look_next(&self, look: Look, listing: &Listing) -> wire::LookNext {
        let sign = &self.pack.data().signs[look.sign];
        wire::LookNext {
            sign: sign.id.clone(),
            question: sign.question.clone(),
            how_to_look: sign.how_to_look.clone(),
            photo: look.photo.map(|i| listing.photo_names[i].clone()),
            resolvable: look.resolvable,
            worth: look.worth.zip(listing.money.as_ref()).map(|(w, m)| amount(w, m.currency)),
            bits: look.bits,
            bits_bad: look.bits_bad,
        }
    }

    fn ask_next(&self, requests: Vec<ask::Request>, listing: &Listing) -> Vec<wire::AskNext> {
        let views = &self.pack.data().views;
        requests
            .into_iter()
            .map(|r| {
                let min_px = (r.px_per_mm > 0.0).then(|| (r.px_per_mm * listing.case_diameter_mm).ceil() as u32);
                let opens = r.views.iter().any(|&v| views[v].opens);
                let named: Vec<String> = r.views.iter().map(|&v| views[v].id.clone()).collect();
                wire::AskNext {
                    worth: r.worth.zip(listing.money.as_ref()).map(|(w, m)| amount(w, m.currency)),
                    bits: r.bits,
                    standard_error: r.standard_error,
                    signs: r.signs.iter().map(|&s| self.pack.signs()[s].id.clone()).collect(),
                    min_px,
                    message: message(listing.language.as_deref(), &named, opens, min_px),
                    views: named,
                }
            })
            .collect()
    }
}

fn call_kind(call: Call) -> CallKind {
    match call {
        Call::Present => CallKind::Present,
        Call::Absent => CallKind::Absent,
    }
}

fn advice_kind(advice: Advice) -> wire::AdviceKind {
    match advice {
        Advice::AskFirst => wire::AdviceKind::AskFirst,
        Advice::Buy => wire::AdviceKind::Buy,
        Advice::OfferBelow => wire::AdviceKind::OfferBelow,
        Advice::Leave => wire::AdviceKind::Leave,
    }
}

impl Rate {
    /// As it is shown.
    #[must_use]
    pub fn shown(&self) -> wire::BadRate {
        wire::BadRate { mean: self.mean, interval_90: self.interval_90, effective_cases: self.effective_cases }
    }
}

fn seller_belief(rate: &Rate, seller: &Seller) -> wire::SellerBelief {
    let found = seller.others.iter().filter(|o| o.found).count() as u64;
    let used = wire::SellerUsed {
        outcomes: seller.stated.outcome_count + found,
        listings: seller.others.len() as u64 - found,
        feedback: seller.stated.feedback_count,
    };
    wire::SellerBelief { bad_rate: rate.shown(), used }
}

/// An amount rounded half to even to the minor unit.
#[must_use]
pub fn amount(x: f64, currency: Currency) -> Money {
    shown(rounded(x, currency), currency)
}

/// The same as a number of minor units.
#[must_use]
pub fn minor(x: f64, currency: Currency) -> i64 {
    let units = rounded(x, currency) * Decimal::from(10_u64.pow(digits(currency)));
    units.to_i64().unwrap_or(if x < 0.0 { i64::MIN } else { i64::MAX })
}

/// An amount of so many minor units.
#[must_use]
pub fn of_minor(units: i128, currency: Currency) -> Money {
    shown(Decimal::try_from_i128_with_scale(units, digits(currency)).unwrap_or_default(), currency)
}

fn rounded(x: f64, currency: Currency) -> Decimal {
    let digits = digits(currency);
    Decimal::from_f64_retain(x)
        .unwrap_or_default()
        .round_dp_with_strategy(digits, RoundingStrategy::MidpointNearestEven)
}

fn shown(amount: Decimal, currency: Currency) -> Money {
    let amount = if amount.is_zero() { Decimal::ZERO } else { amount };
    Money { amount: format!("{amount:.*}", digits(currency) as usize), currency: currency.code().into() }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};
    use steelyard_model::facts::Book;

    fn assess(request: Value) -> wire::Assessment {
        let pack = Pack::builtin();
        let request = serde_json::from_value(request).expect("a request");
        let listing = Listing::read(&pack, &Book::default(), &request, &[]).expect("a listing");
        Assessor::new(pack).expect("an assessor").assess(&listing).expect("an assessment")
    }

    #[test]
    fn who_sees_luminous_paint_is_never_told_to_have_it_opened() {
        let seen = |call: &str| {
            assess(json!({
                "watch": { "years": [1945, 1950] },
                "observations": [{ "sign": "lume_spills_over", "call": call }],
            }))
        };
        let opens = |a: &wire::Assessment| {
            a.ask_next.iter().flatten().any(|q| q.views.iter().any(|v| v == "movement_open" || v == "back_inside"))
        };
        let present = seen("present");
        assert_eq!(present.cautions[0].id, "radium");
        assert!(!opens(&present));
        // Without paint seen or stated there is only the warning to look.
        let absent = seen("absent");
        assert_eq!(absent.cautions[0].id, "radium_if_luminous");
        assert!(opens(&absent));
    }

    #[test]
    fn an_arrival_that_shows_nothing_earns_no_refund() {
        let eur = |amount: &str| json!({ "amount": amount, "currency": "EUR" });
        let received = |observations: Value| {
            assess(json!({
                "stage": "received",
                "offer": { "price": eur("500.00") },
                "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } },
                "asked": [{ "view": "crown_close", "answer": "refused" }],
                "observations": observations,
            }))
            .arrival
            .expect("the ways out")
        };
        assert_eq!(received(json!([])).fair_refund.amount, "0.00");
        let seen_before = json!([{ "sign": "dial_print_soft", "call": "present" }]);
        assert_eq!(received(seen_before).fair_refund.amount, "0.00");
        // Said with a certainty of its own, it is still what the arrival showed.
        let found = json!([{ "sign": "dial_print_soft", "call": "present", "in_hand": true, "certainty": 0.95 }]);
        let found = received(found);
        assert!(found.fair_refund.amount.parse::<f64>().expect("an amount") > 1.0);
        assert_eq!(found.show.len(), 1);
    }
}

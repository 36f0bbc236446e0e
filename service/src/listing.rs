//! A listing in the terms of the model, read from the request with every fault of meaning.

use crate::implied;
use crate::problem::{FaultAt, pointer_to};
use crate::proposals;
use crate::wire::NonNegativeMoney;
use crate::wire::request as wire;
use crate::wire::response::{Mark, Proposal};
use iso_currency::Currency;
use jiff::Timestamp;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive as _;
use serde::{Deserialize, Serialize};
use steelyard_model::contraction::MAX_LANES;
use steelyard_model::facts::{Book, Derived, Overruled, Reason, derive};
use steelyard_model::money::{AllOriginal, Metal, Resale, Terms};
use steelyard_model::observe::{Basis, Call, Evidence, Observation, Photo, RADIUM_UNTIL, Watch};
use steelyard_model::pack::{AVOIDS_PHOTO, Index, Pack, nearest};
use steelyard_priors::seller::{Feedback, Outcomes};

/// The widest value range believed: more would say nothing and lose the digits of money.
const WIDEST_RANGE: f64 = 1000.0;

const SECONDS_A_DAY: i64 = 24 * 60 * 60;

/// Amounts are decimal, their doubles are not: a product of them may be off by this factor.
const ROUNDING: f64 = 1.0 + 4.0 * f64::EPSILON;

/// A listing in the terms of the model.
#[derive(Debug, Clone)]
pub struct Listing {
    /// The caller's name for it.
    pub id: Option<String>,
    /// Who sells.
    pub seller: Seller,
    /// Money, where `value` is given.
    pub money: Option<MoneyTerms>,
    /// The watch as stated and as seen: what may be asked for and said of it turns on this.
    pub watch: Watch,
    /// The photos at hand.
    pub photos: Vec<Photo>,
    /// Their names, in the same order.
    pub photo_names: Vec<String>,
    /// Views the seller has refused.
    pub refused: Vec<Index>,
    /// The calls as likelihoods.
    pub evidence: Evidence,
    /// What each call follows from, where it is not the caller's; in the order of the evidence.
    pub because: Vec<Option<String>>,
    /// Calls that would follow from something in the request, had the caller not called the sign.
    pub overruled: Vec<Overruled>,
    /// What title and description were read as.
    pub proposals: Vec<Proposal>,
    /// What the marks were read as.
    pub marks: Vec<Mark>,
    /// What the arrival adds, where the watch has arrived.
    pub arrival: Option<Arrival>,
    /// Diameter of the case, mm: as stated, else the model's default.
    pub case_diameter_mm: f64,
    /// Language of the listing.
    pub language: Option<String>,
    /// The parts of the answer wanted.
    pub include: Include,
    /// What the cautions turn on.
    pub circumstances: Circumstances,
}

/// What is known of the seller beside this listing.
#[derive(Debug, Clone, PartialEq)]
pub struct Seller {
    /// In counts.
    pub stated: Stated,
    /// The seller's other listings, each with its evidence and what it turned out to be.
    pub others: Vec<Other>,
}

/// What is said of the seller in counts.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Stated {
    /// Index of the segment.
    pub segment: Index,
    /// Known outcomes.
    pub outcomes: Outcomes,
    /// How many.
    pub outcome_count: u64,
    /// Marketplace ratings.
    pub feedback: Option<Feedback>,
    /// How many.
    pub feedback_count: u64,
}

/// Another listing of the seller.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Other {
    /// ln of how likely what is known of it is from a bad watch; null: it cannot be one.
    pub ln_bad: Option<f64>,
    /// The same from a sound watch.
    pub ln_sound: Option<f64>,
    /// Whether it is known what it was.
    pub found: bool,
}

/// An arrived watch.
#[derive(Debug, Clone)]
pub struct Arrival {
    /// The evidence without the calls made in hand.
    pub before: Evidence,
    /// What was found in hand.
    pub found: Vec<(Index, Call)>,
    /// Whole days until the right of return ends.
    pub days_left: Option<u32>,
}

/// What the money turns on.
#[derive(Debug, Clone)]
pub struct MoneyTerms {
    /// The listing's one currency.
    pub currency: Currency,
    /// Value and use.
    pub resale: Resale,
    /// Cost of buying and returning.
    pub terms: Terms,
    /// The asking price or current bid.
    pub price: Option<f64>,
    /// The price paid, where the watch has arrived.
    pub paid: Option<f64>,
    /// Whether it is an auction.
    pub auction: bool,
    /// What asking costs.
    pub asking_cost: f64,
}

/// The parts of the answer wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(clippy::struct_excessive_bools, reason = "each is one part asked for")]
pub struct Include {
    /// Beliefs about components.
    pub components: bool,
    /// Additive shares.
    pub shares: bool,
    /// The interval of P(bad), and how it is computed.
    pub interval: Option<wire::Interval>,
    /// What to look for.
    pub look_next: bool,
    /// What to ask for.
    pub ask_next: bool,
    /// Money.
    pub decision: bool,
    /// Readings of texts and marks.
    pub proposals: bool,
}

/// What the cautions turn on.
#[derive(Debug, Clone, Copy, Default)]
#[expect(clippy::struct_excessive_bools, reason = "each is one independent fact")]
pub struct Circumstances {
    /// Gold is claimed.
    pub gold_claimed: bool,
    /// Whether it carries luminous paint is not stated.
    pub luminous_unknown: bool,
    /// Outcome totals were given.
    pub outcome_totals: bool,
    /// A photo has no known resolution.
    pub resolution_unknown: bool,
    /// Money was asked for and no fixed costs were given.
    pub no_service_cost: bool,
    /// Money was asked for, and neither costs nor fees of any kind were given.
    pub no_costs: bool,
    /// There is an asking price but no value to compare it with.
    pub no_value: bool,
}

struct Reader<'p> {
    pack: &'p Pack,
    faults: Vec<FaultAt>,
    /// The currency of the first amount read: the listing's.
    currency: Option<Currency>,
    /// A photo taken out for another fault may be the one an observation means.
    photos_torn: bool,
}

impl Listing {
    /// Reads a request beside a reference book. Faults of shape found before stand in `torn`; what
    /// they were found in is no longer in the request.
    ///
    /// # Errors
    /// Every fault of meaning, with its place.
    pub fn read(
        pack: &Pack,
        book: &Book,
        request: &wire::AssessRequest,
        torn: &[FaultAt],
    ) -> Result<Self, Vec<FaultAt>> {
        let photos_torn = torn.iter().any(|f| match f.pointer.strip_prefix("/photos") {
            Some(rest) => rest.matches('/').count() < 2 || rest.ends_with("/id"),
            None => false,
        });
        let mut reader = Reader { pack, faults: Vec::new(), currency: None, photos_torn };
        let received = request.stage == Some(wire::Stage::Received);
        let include = include(request, received);
        let read = proposals::read(pack, request, include.proposals);
        let listing = reader.listing(book, &read, include);
        match listing {
            Some(listing) if reader.faults.is_empty() => Ok(listing),
            _ => Err(reader.faults),
        }
    }
}

impl Reader<'_> {
    fn fault(&mut self, pointer: impl Into<String>, detail: impl Into<String>) {
        self.faults.push(FaultAt::new(pointer, detail));
    }

    fn listing(&mut self, book: &Book, read: &proposals::Read<'_>, include: Include) -> Option<Listing> {
        let r: &wire::AssessRequest = &read.request;
        for (pointer, time) in [
            ("/now", &r.now),
            ("/offer/ends_at", &r.offer.as_ref().and_then(|o| o.ends_at.clone())),
            ("/arrival/received_at", &r.arrival.as_ref().and_then(|a| a.received_at.clone())),
            ("/arrival/return_until", &r.arrival.as_ref().and_then(|a| a.return_until.clone())),
        ] {
            if time.as_ref().is_some_and(|t| t.parse::<Timestamp>().is_err()) {
                self.fault(pointer, "not a time in RFC 3339, such as 2026-11-24T21:00:00Z");
            }
        }
        let seller = self.seller(r.seller.as_ref());
        let watch = self.watch(r.watch.as_ref());
        let photos = self.photos(r);
        let money = self.money(r, watch.gold_claimed(self.pack));
        for (i, story) in r.disclosed.iter().enumerate() {
            self.story(&format!("/disclosed/{i}"), story.as_deref());
        }
        let observations = self.observations(r, &photos);
        let (asked, refused) = self.asked(r);
        let all: Vec<Observation> = observations.iter().map(|(o, _)| *o).collect();
        let mut implied: Vec<Derived> = asked.into_iter().chain(read.calls.iter().cloned()).collect();
        implied.extend(self.derived(book, r, &watch));
        let called = match Evidence::read(self.pack, &watch, &all) {
            Err(found) => {
                for (i, fault) in found {
                    self.fault(format!("/observations/{}/sign", observations[i].1), fault.to_string());
                }
                return None;
            }
            Ok(evidence) => implied::add(self.pack, &watch, &all, &evidence, &implied),
        };
        let arrival =
            (r.stage == Some(wire::Stage::Received)).then(|| self.arrival(r, &watch, &observations, &implied));
        let seen = self.as_seen(&watch, &all);
        let no_service_cost =
            r.value.is_some() && include.decision && r.offer.as_ref().is_none_or(|o| o.fixed_costs.is_none());
        let circumstances = Circumstances {
            gold_claimed: watch.gold_claimed(self.pack),
            luminous_unknown: self.pack.luminous().is_some_and(|t| watch.traits[t].is_none())
                && watch.first_year.is_none_or(|y| y < RADIUM_UNTIL),
            outcome_totals: seller.as_ref().is_some_and(|s| s.stated.outcome_count > 0),
            resolution_unknown: photos.iter().any(|(_, p)| p.px_per_mm.is_none()),
            no_service_cost,
            no_costs: no_service_cost && !names_costs(r),
            no_value: r.value.is_none() && r.offer.as_ref().is_some_and(|o| o.price.is_some()),
        };
        Some(Listing {
            id: r.id.clone(),
            seller: seller?,
            money,
            watch: seen,
            photos: photos.iter().map(|(_, p)| *p).collect(),
            photo_names: photos.into_iter().map(|(name, _)| name).collect(),
            refused,
            evidence: called.evidence,
            because: called.because,
            overruled: called.overruled,
            proposals: read.shown.clone(),
            marks: if include.proposals { proposals::marks(r) } else { Vec::new() },
            arrival,
            case_diameter_mm: r
                .watch
                .as_ref()
                .and_then(|w| w.case_diameter_mm)
                .unwrap_or(self.pack.data().defaults.case_diameter_mm),
            language: r.language.clone(),
            include,
            circumstances,
        })
    }

    fn seller(&mut self, s: Option<&wire::Seller>) -> Option<Seller> {
        let named = s.and_then(|s| s.segment.as_deref());
        let segment = self.pack.segment(named);
        if let (None, Some(name)) = (segment, named) {
            let near = nearest(name, self.pack.data().segments.iter().map(|s| s.id.as_str()));
            self.fault("/seller/segment", format!("there is no segment `{name}`{near}"));
        }
        let totals = s.and_then(|s| s.outcomes).unwrap_or_default();
        let outcomes =
            Outcomes::new(totals.bad, totals.total).map_err(|e| self.fault("/seller/outcomes/bad", e.to_string())).ok();
        let feedback = s.and_then(|s| s.feedback).map(|f| (f, Feedback::new(f.negative, f.positive + f.negative)));
        let stated = Stated {
            segment: segment?,
            outcomes: outcomes?,
            outcome_count: totals.total,
            feedback_count: feedback.as_ref().map_or(0, |(f, _)| f.positive + f.negative),
            feedback: feedback.and_then(|(_, f)| f.ok()),
        };
        Some(Seller { stated, others: Vec::new() })
    }

    fn watch(&mut self, w: Option<&wire::Watch>) -> Watch {
        let mut watch = Watch::unknown(self.pack);
        let Some(w) = w else { return watch };
        for (name, stated) in &w.traits {
            match self.pack.trait_(name) {
                Some(t) => watch.traits[t] = Some(*stated),
                None => {
                    let near = nearest(name, self.pack.data().traits.iter().map(String::as_str));
                    self.fault(pointer_to("/watch/traits", name), format!("there is no trait `{name}`{near}"));
                }
            }
        }
        if let Some([Some(first), Some(last)]) = w.years.as_deref() {
            if first > last {
                self.fault("/watch/years", format!("the first year, {}, is after the last, {}", first.0, last.0));
            }
            watch.first_year = Some(first.0);
        }
        watch
    }

    fn view(&mut self, pointer: &str, name: &str) -> Option<Index> {
        let view = self.pack.view(name);
        if view.is_none() {
            let near = nearest(name, self.pack.data().views.iter().map(|v| v.id.as_str()));
            self.fault(pointer, format!("there is no view `{name}`{near}"));
        }
        view
    }

    fn story(&mut self, pointer: &str, name: Option<&str>) -> Option<Index> {
        let name = name?;
        let story = self.pack.story(name);
        if story.is_none() {
            let near = nearest(name, self.pack.data().stories.iter().map(|s| s.id.as_str()));
            self.fault(pointer, format!("there is no story `{name}`{near}"));
        }
        story
    }

    fn photos(&mut self, r: &wire::AssessRequest) -> Vec<(String, Photo)> {
        let stated = r.watch.as_ref();
        let defaults = self.pack.data().defaults;
        let dial = stated.and_then(|w| w.dial_diameter_mm).unwrap_or(defaults.dial_diameter_mm);
        let case = stated.and_then(|w| w.case_diameter_mm).unwrap_or(defaults.case_diameter_mm);
        let mut photos: Vec<(String, Photo)> = Vec::new();
        for (i, p) in r.photos.iter().enumerate().filter_map(|(i, p)| p.as_ref().map(|p| (i, p))) {
            if photos.iter().any(|(id, _)| *id == p.id) {
                self.fault(format!("/photos/{i}/id"), format!("there are two photos `{}`", p.id));
            }
            let view = p.view.as_deref().and_then(|v| self.view(&format!("/photos/{i}/view"), v));
            let px_per_mm = p.px_per_mm.or(p.dial_width_px.map(|px| px / dial)).or(p.case_width_px.map(|px| px / case));
            photos.push((p.id.clone(), Photo { view, px_per_mm, sharpness: p.sharpness.unwrap_or(1.0) }));
        }
        photos
    }

    /// The caller's calls, each with its position in the request.
    fn observations(&mut self, r: &wire::AssessRequest, photos: &[(String, Photo)]) -> Vec<(Observation, usize)> {
        let mut out = Vec::new();
        for (i, o) in r.observations.iter().enumerate().filter_map(|(i, o)| o.as_ref().map(|o| (i, o))) {
            let photo = o.photo.as_ref().map(|id| photos.iter().find(|(p, _)| p == id).map(|(_, p)| *p));
            if photo == Some(None) && !self.photos_torn {
                let id = o.photo.as_deref().unwrap_or_default();
                self.fault(format!("/observations/{i}/photo"), format!("there is no photo `{id}` among `photos`"));
            }
            let Some(sign) = self.pack.sign(&o.sign) else {
                let near = self.pack.nearest_sign(&o.sign);
                self.fault(format!("/observations/{i}/sign"), format!("there is no sign `{}`{near}", o.sign));
                continue;
            };
            let basis = match (o.certainty, o.in_hand, photo.flatten()) {
                (Some(c), _, _) => Basis::Certainty(c),
                (None, Some(true), _) => Basis::InHand,
                (None, _, Some(photo)) => Basis::Photo(photo),
                (None, _, None) => Basis::Unstated,
            };
            let call = match o.call {
                wire::CallKind::Present => Call::Present,
                wire::CallKind::Absent => Call::Absent,
            };
            out.push((Observation { sign, call, basis }, i));
        }
        out
    }

    /// What the answers to requests say of the seller: one call, and the views refused.
    fn asked(&mut self, r: &wire::AssessRequest) -> (Option<Derived>, Vec<Index>) {
        let (mut call, mut refused) = (None, Vec::new());
        for (i, a) in r.asked.iter().enumerate().filter_map(|(i, a)| a.as_ref().map(|a| (i, a))) {
            let at = format!("/asked/{i}/view");
            let view = self.view(&at, &a.view);
            let (answer, word) = match a.answer {
                wire::Answer::Given => (Call::Absent, "given"),
                wire::Answer::Refused => (Call::Present, "refused"),
                wire::Answer::Dodged => (Call::Present, "dodged"),
            };
            if a.answer == wire::Answer::Refused {
                refused.extend(view);
            }
            // One refusal says more than any number of photos given.
            if call.as_ref().is_none_or(|(c, _)| *c == Call::Absent && answer == Call::Present) {
                let because = format!("`{}` was asked for and {word}.", a.view);
                call = Some((answer, Reason { because, facts: [at, format!("/asked/{i}/answer")] }));
            }
        }
        let sign = self.pack.sign(AVOIDS_PHOTO);
        (sign.zip(call).map(|(sign, (call, reason))| Derived { sign, call, reasons: vec![reason] }), refused)
    }

    /// What the facts say by themselves beside the book, the request's entries before the service's.
    fn derived(&mut self, book: &Book, r: &wire::AssessRequest, watch: &Watch) -> Vec<Derived> {
        let own = match r.reference_book.clone().map(Book::new) {
            Some(Ok(own)) => Some(own.over(book)),
            Some(Err(faults)) => {
                for fault in faults.0 {
                    self.fault(format!("/reference_book{}", fault.pointer), fault.detail);
                }
                return Vec::new();
            }
            None => None,
        };
        if r.watch.is_none() {
            return Vec::new();
        }
        derive(self.pack, own.as_ref().unwrap_or(book), &implied::facts(self.pack, r, watch))
    }

    /// Whoever sees luminous paint says that there is some, whether or not the trait is stated:
    /// nothing that opens the case may then be asked for. The numbers use what is stated.
    fn as_seen(&self, watch: &Watch, all: &[Observation]) -> Watch {
        let mut seen = watch.clone();
        if let Some(luminous) = self.pack.luminous() {
            let shows =
                |o: &Observation| o.call == Call::Present && self.pack.signs()[o.sign].applies_if == Some(luminous);
            if all.iter().any(shows) {
                seen.traits[luminous].get_or_insert(true);
            }
        }
        seen
    }

    /// What the arrival added: the calls made in hand, and the evidence without them.
    fn arrival(
        &self,
        r: &wire::AssessRequest,
        watch: &Watch,
        observations: &[(Observation, usize)],
        implied: &[Derived],
    ) -> Arrival {
        let in_hand = |i: usize| r.observations[i].as_ref().is_some_and(|o| o.in_hand == Some(true));
        let of = |hand: bool| observations.iter().filter(move |(_, i)| in_hand(*i) == hand).map(|(o, _)| *o);
        let before: Vec<Observation> = of(false).collect();
        // A part of evidence that could be read can be read.
        let read = Evidence::read(self.pack, watch, &before).unwrap_or_default();
        let time = |t: Option<&String>| t.and_then(|t| t.parse::<Timestamp>().ok());
        let until = time(r.arrival.as_ref().and_then(|a| a.return_until.as_ref()));
        let days_left = time(r.now.as_ref()).zip(until).map(|(now, until)| {
            let days = until.duration_since(now).as_secs() / SECONDS_A_DAY;
            u32::try_from(days.max(0)).unwrap_or(u32::MAX)
        });
        Arrival {
            before: implied::add(self.pack, watch, &before, &read, implied).evidence,
            found: of(true).map(|o| (o.sign, o.call)).collect(),
            days_left,
        }
    }

    fn amount(&mut self, pointer: &str, money: Option<&NonNegativeMoney>) -> Option<f64> {
        let money = money?;
        let currency = currency(pointer, money).map_err(|f| self.faults.push(f)).ok()?;
        if self.currency.is_some_and(|first| first != currency) {
            let first = self.currency.map_or("", |c| c.code());
            self.fault(
                format!("{pointer}/currency"),
                format!("a listing has one currency, and this one began with {first}"),
            );
            return None;
        }
        self.currency = Some(currency);
        amount(pointer, money, currency).map_err(|f| self.faults.push(f)).ok()
    }

    fn money(&mut self, r: &wire::AssessRequest, gold_claimed: bool) -> Option<MoneyTerms> {
        let offer = r.offer.clone().unwrap_or_default();
        let returns = offer.returns.clone().unwrap_or_default();
        let price = self.amount("/offer/price", offer.price.as_ref());
        let shipping = self.amount("/offer/shipping", offer.shipping.as_ref());
        let fixed_costs = self.amount("/offer/fixed_costs", offer.fixed_costs.as_ref());
        let return_cost = self.amount("/offer/returns/cost", returns.cost.as_ref());
        let original = r.value.as_ref().map(|v| &v.all_original);
        let low = self.amount("/value/all_original/low", original.map(|o| &o.low));
        let high = self.amount("/value/all_original/high", original.map(|o| &o.high));
        let metal = r.value.as_ref().and_then(|v| v.metal.as_ref());
        let price_per_g = self.amount("/value/metal/price_per_g", metal.map(|m| &m.price_per_g));
        let paid = self.amount("/arrival/paid", r.arrival.as_ref().and_then(|a| a.paid.as_ref()));
        let aim = r.aim.clone().unwrap_or_default();
        let asking_cost = self.amount("/aim/asking_cost", aim.asking_cost.as_ref());
        if low == Some(0.0) {
            self.fault("/value/all_original/low/amount", "must be above 0");
        }
        let (low, high) = (low.filter(|l| *l > 0.0)?, high?);
        if low > high {
            self.fault("/value/all_original/high", "`low` is above `high`");
        } else if high > WIDEST_RANGE * low * ROUNDING {
            self.fault(
                "/value/all_original/high",
                format!("`high` is more than {WIDEST_RANGE} times `low`: that says nothing"),
            );
        }
        let value = AllOriginal::from_range(low, high).ok()?;
        let keep = aim.plan == Some(wire::PlanKind::Keep);
        let any_reason = returns.kind == Some(wire::ReturnKind::AnyReason);
        let mut honoured = [0.0; MAX_LANES];
        for (to, story) in honoured.iter_mut().zip(&self.pack.data().stories) {
            let declared = r.disclosed.iter().flatten().any(|d| *d == story.id);
            *to = if declared && !any_reason { 0.0 } else { returns.honoured.unwrap_or(0.0) };
        }
        Some(MoneyTerms {
            currency: self.currency?,
            resale: Resale {
                value,
                selling_fee_rate: if keep { 0.0 } else { r.value.as_ref()?.selling_fee_rate.unwrap_or(0.0) },
                gold_claimed,
                metal: metal.zip(price_per_g).map(|(m, price_per_g)| Metal {
                    fineness: m.fineness,
                    mass_g: m.mass_g,
                    price_per_g,
                }),
            },
            terms: Terms {
                buyer_fee_rate: offer.buyer_fee_rate.unwrap_or(0.0),
                shipping: shipping.unwrap_or(0.0),
                import_rate: offer.import_rate.unwrap_or(0.0),
                fixed_costs: fixed_costs.unwrap_or(0.0),
                return_cost: return_cost.unwrap_or(0.0),
                honoured,
                required_margin: aim.required_margin.unwrap_or(0.0),
            },
            price,
            paid,
            auction: offer.kind == Some(wire::OfferKind::Auction),
            asking_cost: asking_cost.unwrap_or(self.pack.data().defaults.asking_cost_share * value.median),
        })
    }
}

/// Whether postage, a fee or a charge is given, even as 0: then they were not forgotten.
fn names_costs(r: &wire::AssessRequest) -> bool {
    let of_offer =
        r.offer.as_ref().is_some_and(|o| o.shipping.is_some() || o.buyer_fee_rate.is_some() || o.import_rate.is_some());
    of_offer || r.value.as_ref().is_some_and(|v| v.selling_fee_rate.is_some())
}

fn include(r: &wire::AssessRequest, received: bool) -> Include {
    let wants = |part: wire::Part| r.include.as_ref().is_none_or(|parts| parts.contains(&Some(part)));
    Include {
        components: wants(wire::Part::Components),
        shares: wants(wire::Part::Shares),
        interval: wants(wire::Part::Interval).then(|| r.interval.unwrap_or_default()),
        // A watch on the bench is looked at itself, and there is nobody left to ask for a photo.
        look_next: wants(wire::Part::LookNext) && !received,
        ask_next: wants(wire::Part::AskNext) && !received,
        decision: wants(wire::Part::Decision),
        proposals: wants(wire::Part::Proposals),
    }
}

/// The currency of an amount that stands at a pointer.
///
/// # Errors
/// If there is no such currency.
pub(crate) fn currency(pointer: &str, money: &NonNegativeMoney) -> Result<Currency, FaultAt> {
    let unknown = || format!("`{}` is no currency of ISO 4217", money.currency);
    Currency::from_code(&money.currency).ok_or_else(|| FaultAt::new(format!("{pointer}/currency"), unknown()))
}

/// An amount in its currency's main unit.
///
/// # Errors
/// If it is none, or finer than the currency.
pub(crate) fn amount(pointer: &str, money: &NonNegativeMoney, currency: Currency) -> Result<f64, FaultAt> {
    let fault = |detail: String| FaultAt::new(format!("{pointer}/amount"), detail);
    let none = || fault("not an amount".into());
    let written = money.amount.parse::<Decimal>().map_err(|_| none())?;
    let (code, digits) = (currency.code(), digits(currency));
    // Half of Europe writes 1.250 for what is 1250 here.
    if written.scale() == 3 && digits < 3 {
        return Err(fault(format!("{code} has {digits} decimals: if the point parts thousands, leave it out")));
    }
    let amount = written.normalize();
    if amount.scale() > digits {
        return Err(fault(format!("{code} has {digits} decimals")));
    }
    amount.to_f64().ok_or_else(none)
}

/// Decimals of a currency (ISO 4217); two where the standard gives none.
#[must_use]
pub fn digits(currency: Currency) -> u32 {
    currency.exponent().map_or(2, u32::from)
}

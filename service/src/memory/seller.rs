//! What the store knows of a seller, and what that says to each of its listings.

use super::{InForce, Marks, watches};
use crate::assess::{Rate, Report};
use crate::listing::{Other, Stated};
use crate::problem::{INTERNAL, Problem};
use crate::store::{self, Status};
use crate::wire::request::{self, AssessRequest};
use crate::wire::stored::{OutcomeBody, SellerKnown};
use jiff::Timestamp;
use std::collections::{BTreeSet, HashMap};
use std::sync::Arc;
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;
use steelyard_model::posterior::DECIBANS;
use steelyard_priors::seller::{Feedback, Outcomes};

/// What is stored of a seller.
#[derive(Debug, Clone, Default)]
pub struct SellerFile {
    /// What was said of it.
    said: SellerKnown,
    /// Its saved listings.
    listings: Vec<Known>,
    /// Outcomes of listings that are not saved, or no longer fit the model.
    loose: Vec<(String, Report, Other)>,
}

#[derive(Debug, Clone)]
struct Known {
    listing: Brief,
    stated: Stated,
    other: Other,
    report: Option<Report>,
    marks: Marks,
    /// Of listings of one watch the number is the same.
    watch: usize,
    /// Whether its request wants what is stored of the seller.
    asks: bool,
    /// Whether its request states totals, which stand for the stored outcomes.
    totals: bool,
}

/// What is needed of a saved listing, and of its assessment what says whether it still holds.
#[derive(Debug, Clone)]
pub(super) struct Brief {
    pub(super) id: String,
    pub(super) revision: i64,
    pub(super) status: Status,
    pub(super) request: String,
    pub(super) saved_at: Timestamp,
    updated_at: Timestamp,
    kept: Option<Kept>,
}

/// What an assessment was made with.
#[derive(Debug, Clone)]
struct Kept {
    model: String,
    /// Of its prior, in decibans.
    prior: f64,
    /// What was said of the seller; not the other listings.
    said: SellerKnown,
    /// How many other listings were used, and of how many it was known what they were.
    others: (usize, usize),
}

impl Brief {
    pub(super) fn of(listing: store::Listing) -> Self {
        Self {
            kept: listing.assessment.as_ref().and_then(Kept::of),
            id: listing.id,
            revision: listing.revision,
            status: listing.status,
            request: listing.request,
            saved_at: listing.saved_at,
            updated_at: listing.updated_at,
        }
    }
}

impl Kept {
    fn of(assessment: &store::Assessment) -> Option<Self> {
        #[derive(serde::Deserialize)]
        struct Body {
            log_odds_db: Prior,
        }
        #[derive(serde::Deserialize)]
        struct Prior {
            prior: f64,
        }
        #[derive(serde::Deserialize)]
        struct Used {
            segment: Option<String>,
            feedback: Option<request::Feedback>,
            #[serde(default)]
            others: Vec<Counted>,
        }
        #[derive(serde::Deserialize)]
        struct Counted {
            found: bool,
        }
        let Body { log_odds_db } = serde_json::from_str(&assessment.body).ok()?;
        let Used { segment, feedback, others } = serde_json::from_str(&assessment.seller_used).ok()?;
        Some(Self {
            model: assessment.model.clone(),
            prior: log_odds_db.prior,
            said: SellerKnown { segment, feedback, others: Vec::new() },
            others: (others.len(), others.iter().filter(|o| o.found).count()),
        })
    }
}

/// A listing to be assessed again.
#[derive(Debug, Clone)]
pub(super) struct Due {
    pub(super) id: String,
    pub(super) revision: i64,
    pub(super) with: With,
}

/// With what of its seller.
#[derive(Debug, Clone, Copy)]
pub(super) enum With {
    /// What its assessment used, which still holds.
    Used,
    /// What is known now: of the listing that stands there in the seller's file, if it has one.
    Known(Option<usize>),
}

/// How much the log-odds of a prior move, in decibans, before a listing is assessed again because of
/// one more listing of its seller: at most 1.4 percentage points of P(bad). Each listing of a seller
/// with many moves all the others a little; an assessment says what it used, and what is put anew
/// uses all.
const MATTERS_DB: f64 = 0.25;

/// Why listings are looked at again.
#[derive(Debug, Clone)]
pub(crate) enum Look {
    /// Something is known of their seller.
    Seller,
    /// The reference book was this before.
    Book(Arc<Book>),
    /// Everything may be new.
    All,
}

impl SellerFile {
    pub(super) fn read(force: &InForce, said: SellerKnown, saved: Vec<Brief>, outcomes: &[store::Outcome]) -> Self {
        let pack = force.assessor().pack();
        let mut reports: HashMap<String, Report> =
            outcomes.iter().filter_map(|o| Some((o.listing.clone(), report(pack, &o.body)?))).collect();
        let mut listings: Vec<Known> = Vec::with_capacity(saved.len());
        for listing in saved {
            let Some((request, read)) = force.read(&listing.id, &listing.request, &said) else { continue };
            let report = reports.remove(&listing.id);
            listings.push(Known {
                other: force.assessor().likelihood(&read, report),
                stated: read.seller.stated,
                report,
                marks: Marks::of(&request),
                watch: 0,
                asks: seller_of(&request).is_some(),
                totals: totals(&request),
                listing,
            });
        }
        let numbers = watches(&listings.iter().map(|k| &k.marks).collect::<Vec<_>>());
        for (known, watch) in listings.iter_mut().zip(numbers) {
            known.watch = watch;
        }
        let segment = pack.segment(said.segment.as_deref()).unwrap_or(0);
        let mut loose: Vec<_> =
            reports.into_iter().map(|(id, r)| (id, r, force.assessor().reported(segment, r))).collect();
        loose.sort_by(|a, b| a.0.cmp(&b.0));
        Self { said, listings, loose }
    }

    /// The same without the texts, which say nothing to other listings: small enough to keep many.
    pub(crate) fn lean(mut self) -> Self {
        for known in &mut self.listings {
            (known.listing.request, known.listing.kept) = (String::new(), None);
        }
        self
    }

    /// Watches in it.
    pub(crate) fn len(&self) -> usize {
        self.listings.len() + self.loose.len()
    }

    /// What it says to one listing, which never counts itself, nor the same watch put up before.
    pub(crate) fn without(&self, own: Own<'_>) -> SellerKnown {
        let nothing = Marks::default();
        let itself = |k: &Known| own.id == Some(k.listing.id.as_str());
        let mut marks: Vec<&Marks> =
            self.listings.iter().map(|k| if itself(k) { &nothing } else { &k.marks }).collect();
        marks.push(own.marks);
        let watch = watches(&marks);
        let others = self.standing(|i| !itself(&self.listings[i]) && watch[i] != watch[self.listings.len()]);
        self.known(others, own.id)
    }

    /// What it says to the listing that stands there in it.
    pub(super) fn known_to(&self, i: usize) -> SellerKnown {
        if self.listings[i].asks { self.without_listing(i) } else { SellerKnown::default() }
    }

    /// The same for one of its listings.
    fn without_listing(&self, i: usize) -> SellerKnown {
        let Known { watch, listing, .. } = &self.listings[i];
        self.known(self.standing(|j| self.listings[j].watch != *watch), Some(&listing.id))
    }

    fn known(&self, standing: Vec<usize>, own: Option<&str>) -> SellerKnown {
        let saved = standing.into_iter().map(|i| self.listings[i].other);
        let loose = self.loose.iter().filter(|(id, ..)| Some(id.as_str()) != own).map(|(.., other)| *other);
        SellerKnown { others: saved.chain(loose).collect(), ..self.said.clone() }
    }

    /// Of each watch the listing that stands for it: one whose watch was found out about, else the
    /// newest.
    fn standing(&self, counts: impl Fn(usize) -> bool) -> Vec<usize> {
        let mut best: HashMap<usize, usize> = HashMap::new();
        let worth = |i: usize| (self.listings[i].other.found, self.listings[i].listing.updated_at, i);
        for i in (0..self.listings.len()).filter(|i| counts(*i)) {
            let of_watch = best.entry(self.listings[i].watch).or_insert(i);
            if worth(i) > worth(*of_watch) {
                *of_watch = i;
            }
        }
        let mut standing: Vec<usize> = best.into_values().collect();
        standing.sort_unstable();
        standing
    }

    /// The listings still offered that are to be assessed again.
    pub(super) fn due(&self, force: &InForce, look: &Look) -> Result<Vec<Due>, Problem> {
        let priors = self.priors(force)?;
        let mut due = Vec::new();
        for (i, k) in self.listings.iter().enumerate().filter(|(_, k)| k.listing.status == Status::Open) {
            let nobody = SellerKnown::default();
            let said = if k.asks { &self.said } else { &nobody };
            let seller = Standing { said, prior: priors[i], others: k.asks.then(|| self.others(i)), place: Some(i) };
            due.extend(force.due(&k.listing, seller, look));
        }
        Ok(due)
    }

    /// How many other watches there are for one of its listings, and how many of them were found out
    /// about.
    fn others(&self, i: usize) -> (usize, usize) {
        let Known { watch, listing, .. } = &self.listings[i];
        let loose = self.loose.iter().filter(|(id, ..)| *id != listing.id).count();
        let others = || self.listings.iter().filter(|k| k.watch != *watch);
        let found: BTreeSet<usize> = others().filter(|k| k.other.found).map(|k| k.watch).collect();
        let all: BTreeSet<usize> = others().map(|k| k.watch).collect();
        (loose + all.len(), loose + found.len())
    }

    /// ln odds of each open listing's prior; none where nothing stored moves it.
    fn priors(&self, force: &InForce) -> Result<Vec<Option<f64>>, Problem> {
        let mut priors = vec![None; self.listings.len()];
        let standing = self.standing(|_| true);
        let place: HashMap<usize, usize> =
            standing.iter().enumerate().map(|(n, &i)| (self.listings[i].watch, n)).collect();
        let all = self.known(standing, None).others;
        // Most listings of a seller state the same of it: then one integral serves them all.
        let mut together: HashMap<&Stated, Vec<Option<f64>>> = HashMap::new();
        for (i, k) in self.listings.iter().enumerate().filter(|(_, k)| k.asks && k.listing.status == Status::Open) {
            let shared = if k.totals {
                None
            } else {
                if !together.contains_key(&k.stated) {
                    together.insert(&k.stated, force.assessor().without_each(&k.stated, &all).map_err(impossible)?);
                }
                together[&k.stated][place[&k.watch]]
            };
            priors[i] = Some(match shared {
                Some(ln_odds) => ln_odds,
                None => {
                    let others = self.without_listing(i).beside_totals(k.totals);
                    force.assessor().rate(&k.stated, &others).map_err(impossible)?.ln_odds()
                }
            });
        }
        Ok(priors)
    }

    /// How many watches were found out about, and how many of them were bad: those of which it is
    /// likelier than not, and of them how many for certain.
    #[must_use]
    pub fn found(&self, force: &InForce) -> FoundOut {
        let bad = force.assessor().pack().bad();
        let standing = self.standing(|_| true).into_iter().filter_map(|i| self.listings[i].report);
        let mut found = FoundOut::default();
        for report in standing.chain(self.loose.iter().map(|(_, report, _)| *report)) {
            if report.certainty > 0.5 {
                found.watches += 1;
                found.bad += u64::from(bad[report.story]);
                found.certain += u64::from(report.certainty >= 1.0);
            } else {
                found.unsure += 1;
            }
        }
        found
    }

    /// How many watches there is something of, but not what they are.
    #[must_use]
    pub fn seen(&self) -> usize {
        self.standing(|_| true).into_iter().filter(|i| !self.listings[*i].other.found).count()
    }

    /// What is believed of the seller's rate of bad watches. Where nothing was said of its segment
    /// and ratings, what its newest listing says of them.
    ///
    /// # Errors
    /// If the evidence on it cannot be.
    pub fn rate(&self, force: &InForce) -> Result<Rate, Problem> {
        let newest = self.listings.iter().max_by_key(|k| k.listing.updated_at).map(|k| &k.stated);
        let pack = force.assessor().pack();
        let said = self.said.feedback.map(|f| Feedback::new(f.negative, f.positive + f.negative)).transpose();
        let stated = Stated {
            segment: match &self.said.segment {
                Some(segment) => pack.segment(Some(segment)).unwrap_or(0),
                None => newest.map_or(0, |s| s.segment),
            },
            outcomes: Outcomes::default(),
            outcome_count: 0,
            feedback: said.map_err(impossible)?.or(newest.and_then(|s| s.feedback)),
            feedback_count: 0,
        };
        let all = self.known(self.standing(|_| true), None).others;
        force.assessor().rate(&stated, &all).map_err(impossible)
    }
}

impl InForce {
    /// Whether an open listing is to be assessed again, and with what of its seller: what its
    /// assessment used, as long as what is known now hardly moves the prior.
    pub(super) fn due(&self, listing: &Brief, seller: Standing<'_>, look: &Look) -> Option<Due> {
        let holds = listing.kept.as_ref().filter(|kept| {
            let moved = seller.prior.map_or(0.0, |ln_odds| DECIBANS * ln_odds - kept.prior);
            let same = kept.model == self.served.version()
                && (&kept.said.segment, kept.said.feedback) == (&seller.said.segment, seller.said.feedback);
            let (all, known) = kept.others;
            // A few listings more or less of many, but every outcome is to be seen in the answer.
            let same = same
                && seller
                    .others
                    .is_none_or(|(now, found)| found == known && now.abs_diff(all) * 10 < now.max(all).max(1));
            same && moved.abs() <= MATTERS_DB
        });
        let with = match (holds, look) {
            (None, _) => With::Known(seller.place),
            (Some(_), Look::Seller) => return None,
            (Some(_), Look::All) => With::Used,
            (Some(kept), Look::Book(before)) => {
                let before = Self { book: before.clone(), ..self.clone() };
                let derived = |force: &Self| {
                    let read = force.stored(&listing.id, &listing.request, &kept.said)?;
                    Some((read.evidence, read.because, read.overruled))
                };
                if derived(&before) == derived(self) {
                    return None;
                }
                With::Used
            }
        };
        Some(Due { id: listing.id.clone(), revision: listing.revision, with })
    }
}

fn impossible(e: steelyard_priors::Error) -> Problem {
    tracing::error!(error = %e, "a seller's rate could not be computed");
    Problem::new(INTERNAL, "what is stored of the seller cannot be")
}

/// What stands of a seller for one of its listings.
#[derive(Debug, Clone, Copy)]
pub(super) struct Standing<'a> {
    /// What was said of it.
    pub(super) said: &'a SellerKnown,
    /// ln odds of the prior, where the seller's other listings move it.
    pub(super) prior: Option<f64>,
    /// How many other watches there are, and how many of them were found out about.
    pub(super) others: Option<(usize, usize)>,
    /// Where the listing stands in the seller's file, if it has one.
    pub(super) place: Option<usize>,
}

/// The listing that is asked about.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Own<'a> {
    /// Its id, if it has one.
    pub(crate) id: Option<&'a str>,
    /// What tells its watch from others.
    pub(crate) marks: &'a Marks,
}

/// Watches that were found out about.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct FoundOut {
    /// Of how many it is likelier than not what they are.
    pub watches: u64,
    /// How many of these are bad.
    pub bad: u64,
    /// Of how many of these it is certain.
    pub certain: u64,
    /// Reports of further ones that leave more doubt than they take.
    pub unsure: u64,
}

impl SellerKnown {
    /// Fills what the request leaves open about the seller.
    pub(crate) fn complete(&self, request: &mut AssessRequest) {
        let Some(seller) = &mut request.seller else { return };
        if seller.segment.is_none() {
            seller.segment.clone_from(&self.segment);
        }
        if seller.feedback.is_none() {
            seller.feedback = self.feedback;
        }
    }

    /// The other listings that count beside what the request says: stated totals stand for the
    /// stored outcomes, which would be counted twice.
    pub(crate) fn beside(&self, request: &AssessRequest) -> Vec<Other> {
        self.beside_totals(totals(request))
    }

    fn beside_totals(&self, totals: bool) -> Vec<Other> {
        self.others.iter().copied().filter(|o| !(totals && o.found)).collect()
    }
}

/// The seller whose stored listings and outcomes a request wants to be used.
pub(crate) fn seller_of(request: &AssessRequest) -> Option<&str> {
    request.seller.as_ref().filter(|s| s.stored != Some(false)).and_then(|s| s.id.as_deref())
}

/// Whether a request states totals of its seller's outcomes.
fn totals(request: &AssessRequest) -> bool {
    request.seller.as_ref().is_some_and(|s| s.outcomes.is_some())
}

/// The story that a stored outcome reports.
fn report(pack: &Pack, body: &str) -> Option<Report> {
    let body: OutcomeBody = serde_json::from_str(body).ok()?;
    Some(Report { story: pack.story(&body.story)?, certainty: body.certainty.unwrap_or(1.0) })
}

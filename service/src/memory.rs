//! What the service remembers, in the terms of the calculation: the model in force, the reference
//! book, and what is known of a seller from its other listings and outcomes.
//!
//! Nothing here is state of its own: what is cached holds as long as the account's revision does, or
//! never changes (a version of the model, an assessor made of it).

mod watches;

use crate::app::{App, ReadRequest, Served, computing};
use crate::assess::{Assessor, Bid, Rate, Report};
use crate::listing::{Listing, Other, Stated};
use crate::outcomes::Format;
use crate::problem::{INTERNAL, NOT_FOUND, Problem};
use crate::store::{
    self, BookPart, Keys, ListingQuery, NewAssessment, NewChange, NewListing, NewModel, NewOutcome, OutcomeFilter,
    Precondition, Status, Store, Write,
};
use crate::wire::calibration::ModelVersion;
use crate::wire::request::AssessRequest;
use crate::wire::response::Assessment;
use crate::wire::stored::{Imported, OutcomeBody, SellerKnown};
use axum::body::Bytes;
use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use jiff::Timestamp;
use serde_json::{Map, Value, json};
use sha2::{Digest as _, Sha256};
use std::collections::{BTreeSet, HashMap};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use steelyard_model::facts::{Book, BookData};
use steelyard_model::pack::Pack;
use steelyard_model::posterior::DECIBANS;
use steelyard_priors::seller::{Feedback, Outcomes};
use uuid::Uuid;
pub(crate) use watches::{Marks, watches};

/// The account before there are tokens.
pub const ACCOUNT: &str = "local";

/// Rows read at a time.
const PAGE: u32 = 500;

/// The store, and what is made of it.
#[derive(Debug)]
pub struct Memory {
    store: Store,
    base: Arc<Served>,
    own_book: Arc<Book>,
    /// The digest and text of `own_book`, if anything is in it.
    own_text: Option<(String, String)>,
    turns: Mutex<HashMap<String, Arc<Turn>>>,
    versions: Mutex<HashMap<String, Arc<Served>>>,
    in_force: Mutex<Option<Arc<InForce>>>,
}

/// What assessments are made with at a revision.
#[derive(Debug, Clone)]
pub struct InForce {
    /// The revision at which it was read.
    pub revision: i64,
    /// The model.
    pub served: Arc<Served>,
    /// The reference book: the stored one at that revision over the program's own.
    pub book: Arc<Book>,
    /// Digest of the program's own, if it was started with one.
    pub own_book: Option<String>,
}

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
    listing: store::Listing,
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
    /// The same without the texts, which say nothing to other listings: small enough to keep many.
    pub(crate) fn lean(mut self) -> Self {
        for known in &mut self.listings {
            (known.listing.request, known.listing.assessment) = (String::new(), None);
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

    /// The listings still offered that are to be assessed again, each with what there is to say to it.
    fn due(&self, force: &InForce, look: &Look) -> Result<Vec<(store::Listing, SellerKnown)>, Problem> {
        let priors = self.priors(force)?;
        let mut due = Vec::new();
        for (i, k) in self.listings.iter().enumerate().filter(|(_, k)| k.listing.status == Status::Open) {
            let nobody = SellerKnown::default();
            let said = if k.asks { &self.said } else { &nobody };
            let now = || if k.asks { self.without_listing(i) } else { SellerKnown::default() };
            let seller = Standing { said, prior: priors[i], others: k.asks.then(|| self.others(i)) };
            due.extend(force.due(&k.listing, seller, look, now));
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

fn impossible(e: steelyard_priors::Error) -> Problem {
    tracing::error!(error = %e, "a seller's rate could not be computed");
    Problem::new(INTERNAL, "what is stored of the seller cannot be")
}

/// What stands of a seller for one of its listings.
#[derive(Debug, Clone, Copy)]
struct Standing<'a> {
    /// What was said of it.
    said: &'a SellerKnown,
    /// ln odds of the prior, where the seller's other listings move it.
    prior: Option<f64>,
    /// How many other watches there are, and how many of them were found out about.
    others: Option<(usize, usize)>,
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

impl InForce {
    /// The model as it assesses.
    #[must_use]
    pub fn assessor(&self) -> &Assessor {
        &self.served.assessor
    }

    /// Reads a request that fitted when it was stored; `None` where it no longer does, since the model
    /// has other signs now.
    pub(crate) fn stored(&self, id: &str, text: &str, known: &SellerKnown) -> Option<Listing> {
        self.read(id, text, known).map(|(_, listing)| listing)
    }

    fn read(&self, id: &str, text: &str, known: &SellerKnown) -> Option<(AssessRequest, Listing)> {
        let mut request: AssessRequest = serde_json::from_str(text).ok()?;
        request.id = Some(id.into());
        known.complete(&mut request);
        let mut listing = Listing::read(self.assessor().pack(), &self.book, &request, &[]).ok()?;
        listing.seller.others = known.beside(&request);
        Some((request, listing))
    }

    /// Whether an open listing is to be assessed again, and with what of its seller: what its
    /// assessment used, as long as what is known now hardly moves the prior.
    fn due(
        &self,
        listing: &store::Listing,
        seller: Standing<'_>,
        look: &Look,
        known: impl FnOnce() -> SellerKnown,
    ) -> Option<(store::Listing, SellerKnown)> {
        #[derive(serde::Deserialize)]
        struct Kept {
            log_odds_db: Prior,
        }
        #[derive(serde::Deserialize)]
        struct Prior {
            prior: f64,
        }
        let kept = listing.assessment.as_ref().filter(|a| a.model == self.served.version());
        let holds = kept.and_then(|a| {
            let Kept { log_odds_db } = serde_json::from_str(&a.body).ok()?;
            let moved = seller.prior.map_or(0.0, |ln_odds| DECIBANS * ln_odds - log_odds_db.prior);
            let used: SellerKnown = serde_json::from_str(&a.seller_used).ok()?;
            let same = (&used.segment, used.feedback) == (&seller.said.segment, seller.said.feedback);
            // A few listings more or less of many, but every outcome is to be seen in the answer.
            let (all, known) = (used.others.len(), used.others.iter().filter(|o| o.found).count());
            let same = same
                && seller
                    .others
                    .is_none_or(|(now, found)| found == known && now.abs_diff(all) * 10 < now.max(all).max(1));
            Some(used).filter(|_| same && moved.abs() <= MATTERS_DB)
        });
        let used: SellerKnown = match (holds, look) {
            (None, _) => known(),
            (Some(_), Look::Seller) => return None,
            (Some(used), Look::All) => used,
            (Some(used), Look::Book(before)) => {
                let before = Self { book: before.clone(), ..self.clone() };
                let derived = |force: &Self| {
                    let read = force.stored(&listing.id, &listing.request, &used)?;
                    Some((read.evidence, read.because, read.overruled))
                };
                if derived(&before) == derived(self) {
                    return None;
                }
                used
            }
        };
        Some((listing.clone(), used))
    }

    /// Assesses a stored request anew.
    ///
    /// # Errors
    /// If it does not fit the model in force, or cannot occur under it.
    pub fn reassess(&self, id: &str, text: &str, known: &SellerKnown) -> Result<Assessment, Problem> {
        let listing = self
            .stored(id, text, known)
            .ok_or_else(|| Problem::new(INTERNAL, "a stored listing does not fit the model in force"))?;
        self.assess(&listing)
    }

    /// Computes an assessment again from its request and what it used of the seller, as stored.
    ///
    /// # Errors
    /// If they do not fit the model.
    pub(crate) fn again(&self, id: &str, request: &str, seller_used: &str) -> Result<Assessment, Problem> {
        let known: SellerKnown = serde_json::from_str(seller_used).map_err(|e| {
            tracing::error!(error = %e, "what an assessment used of its seller");
            Problem::new(INTERNAL, "what is stored cannot be read")
        })?;
        self.reassess(id, request, &known)
    }

    /// What a bid on a listing is about, at the price expected of its walk-away price.
    ///
    /// # Errors
    /// If its evidence cannot occur under the model.
    pub(crate) fn bid(&self, listing: &Listing, expected: impl FnOnce(f64) -> f64) -> Result<Option<Bid>, Problem> {
        self.assessor().bid(listing, expected).map_err(|e| {
            tracing::error!(error = %e, "a listing that fits could not be assessed");
            Problem::new(INTERNAL, "the evidence cannot occur under the model")
        })
    }

    /// Assesses a listing.
    ///
    /// # Errors
    /// If its evidence cannot occur under the model.
    pub fn assess(&self, listing: &Listing) -> Result<Assessment, Problem> {
        self.assessor().assess(listing).map_err(|e| {
            tracing::error!(error = %e, "a listing that fits could not be assessed");
            Problem::new(INTERNAL, "the evidence cannot occur under the model")
        })
    }
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

/// What lists are sorted by.
#[must_use]
pub fn keys(a: &Assessment) -> Keys {
    let number = |m: &crate::wire::Money| m.amount.parse::<f64>().ok();
    let d = a.decision.as_ref();
    let expected_net = d.and_then(|d| d.expected_net.as_ref()).and_then(number);
    let landed = d.and_then(|d| d.landed_cost.as_ref()).and_then(number).filter(|l| *l > 0.0);
    let worth = a.ask_next.iter().flatten().filter_map(|q| q.worth.as_ref().and_then(number)).reduce(f64::max);
    Keys {
        expected_net,
        net_per_stake: expected_net.zip(landed).map(|(net, landed)| net / landed),
        ask_worth: worth,
        bad: Some(a.probability.bad),
    }
}

impl Memory {
    /// A store, the model it began with, and the book on the command line.
    ///
    /// # Errors
    /// If the book does not serialise.
    pub fn new(store: Store, base: Arc<Served>, own_book: Book) -> anyhow::Result<Self> {
        let versions = Mutex::new(HashMap::from([(base.version().to_owned(), base.clone())]));
        let own_text = if own_book == Book::default() {
            None
        } else {
            let text = serde_json::to_string(own_book.data())?;
            let digest = format!("sha256-{}", BASE64_URL_SAFE_NO_PAD.encode(Sha256::digest(&text)));
            Some((digest, text))
        };
        let own_book = Arc::new(own_book);
        Ok(Self { store, base, own_book, own_text, turns: Mutex::default(), versions, in_force: Mutex::new(None) })
    }

    /// The store.
    #[must_use]
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// The model that comes with the program or its folder.
    #[must_use]
    pub fn base(&self) -> &Arc<Served> {
        &self.base
    }

    /// The model and book in force now.
    ///
    /// # Errors
    /// If the store fails, or holds a model or book that this program cannot use.
    pub async fn in_force(&self) -> Result<Arc<InForce>, Problem> {
        let revision = self.store.revision(ACCOUNT).await?;
        let kept = self.in_force.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if let Some(kept) = kept.filter(|k| k.revision == revision) {
            return Ok(kept);
        }
        let served = match self.store.active_model(ACCOUNT).await? {
            Some(version) => self.version(&version).await?,
            None => self.base.clone(),
        };
        let book = Arc::new(self.book(revision, &self.own_book).await?);
        let own_book = self.own_text.as_ref().map(|(digest, _)| digest.clone());
        let now = Arc::new(InForce { revision, served, book, own_book });
        *self.in_force.lock().unwrap_or_else(PoisonError::into_inner) = Some(now.clone());
        Ok(now)
    }

    /// A version of the model.
    ///
    /// # Errors
    /// Not found; or if it cannot be used by this program.
    pub async fn version(&self, version: &str) -> Result<Arc<Served>, Problem> {
        let kept = self.versions.lock().unwrap_or_else(PoisonError::into_inner).get(version).cloned();
        if let Some(kept) = kept {
            return Ok(kept);
        }
        let row = self.store.model(ACCOUNT, version).await?;
        let unusable = |e: &dyn std::fmt::Display| {
            tracing::error!(version, error = %e, "a stored model cannot be used");
            Problem::new(INTERNAL, format!("the stored model {version:?} cannot be used by this program"))
        };
        let data = serde_json::from_str(&row.body).map_err(|e| unusable(&e))?;
        let pack = Pack::from_data(data).map_err(|e| unusable(&e))?;
        let served = computing(move || Ok(Served::new(Arc::new(pack)))).await?.map_err(|e| unusable(&e))?;
        self.versions.lock().unwrap_or_else(PoisonError::into_inner).insert(version.into(), served.clone());
        Ok(served)
    }

    /// Keeps the model and the book that the program came with, so that its assessments can be computed again.
    pub(crate) async fn keep_base(&self, write: &mut Write, at: Timestamp) -> Result<(), Problem> {
        let data = self.base.assessor.pack().data();
        let body = String::from_utf8_lossy(&self.base.json);
        let model =
            NewModel { version: &data.version, digest: &data.digest, body: &body, calibration: None, created_at: at };
        if let Some((digest, text)) = &self.own_text {
            write.keep_own_book(digest, text).await?;
        }
        write.put_model(&model).await.map_err(|e| {
            if e.is_conflict() {
                let detail = format!(
                    "the store holds other numbers under the model version {:?}: give the changed pack a version of its own",
                    data.version
                );
                tracing::error!(detail);
                return Problem::new(INTERNAL, detail);
            }
            e.into()
        })
    }

    /// What is known of the seller of a stored listing: what its newest assessment used, which every
    /// write that bears on it brings up to date; where there is none yet, what is stored now.
    pub(crate) async fn known_of(
        &self,
        force: &Arc<InForce>,
        listing: &store::Listing,
    ) -> Result<SellerKnown, Problem> {
        let used = listing.assessment.as_ref().and_then(|a| serde_json::from_str(&a.seller_used).ok());
        match (used, &listing.seller) {
            (Some(used), _) => Ok(used),
            (None, Some(seller)) => match serde_json::from_str::<AssessRequest>(&listing.request) {
                Ok(request) if seller_of(&request).is_some() => {
                    let marks = Marks::of(&request);
                    Ok(self.seller(force, seller).await?.without(Own { id: Some(&listing.id), marks: &marks }))
                }
                _ => Ok(SellerKnown::default()),
            },
            _ => Ok(SellerKnown::default()),
        }
    }

    /// The stored book as of a revision, over another.
    async fn book(&self, revision: i64, own: &Book) -> Result<Book, Problem> {
        let corrupt = |e: &dyn std::fmt::Display| {
            tracing::error!(error = %e, "the stored reference book");
            Problem::new(INTERNAL, "the stored reference book cannot be read")
        };
        let mut data = BookData::default();
        for entry in self.store.past_book(ACCOUNT, BookPart::Reference, revision).await? {
            data.references.push(serde_json::from_str(&entry).map_err(|e| corrupt(&e))?);
        }
        for entry in self.store.past_book(ACCOUNT, BookPart::Calibre, revision).await? {
            data.calibres.push(serde_json::from_str(&entry).map_err(|e| corrupt(&e))?);
        }
        if data == BookData::default() {
            return Ok(own.clone());
        }
        Ok(Book::new(data).map_err(|faults| corrupt(&faults))?.over(own))
    }

    /// What an assessment was made with, as long as that was noted.
    ///
    /// # Errors
    /// Not found where it was not; if this program cannot use the model; or if the store fails.
    pub async fn as_of(&self, past: &store::Assessment) -> Result<InForce, Problem> {
        let Some(revision) = past.book_revision else {
            return Err(Problem::new(NOT_FOUND, "the reference book that this assessment used was not noted"));
        };
        let own = match &past.own_book {
            None => Book::default(),
            Some(digest) => {
                let read = |text: String| Book::new(serde_json::from_str(&text).ok()?).ok();
                read(self.store.own_book(ACCOUNT, digest).await?)
                    .ok_or_else(|| Problem::new(INTERNAL, "a stored reference book cannot be read"))?
            }
        };
        let (served, book) = (self.version(&past.model).await?, Arc::new(self.book(revision, &own).await?));
        Ok(InForce { revision, served, book, own_book: past.own_book.clone() })
    }

    /// The kinds of sellers that were said, by seller.
    pub(crate) async fn seller_segments(&self) -> Result<HashMap<String, String>, Problem> {
        let (mut segments, mut after) = (HashMap::new(), String::new());
        loop {
            let page = self.store.sellers(ACCOUNT, &after, PAGE).await?;
            let Some(last) = page.last() else { return Ok(segments) };
            after.clone_from(&last.id);
            segments.extend(page.into_iter().filter_map(|s| Some((s.id, s.said?.segment?))));
        }
    }

    /// All that is stored of a seller.
    ///
    /// # Errors
    /// If the store fails.
    pub async fn seller(&self, force: &Arc<InForce>, id: &str) -> Result<SellerFile, Problem> {
        let mut said = SellerKnown::default();
        match self.store.seller(ACCOUNT, id).await {
            Ok(summary) => {
                if let Some(row) = summary.said {
                    said.segment = row.segment;
                    said.feedback = row.feedback.as_deref().and_then(|f| serde_json::from_str(f).ok());
                }
            }
            Err(e) if e.is_not_found() => return Ok(SellerFile::default()),
            Err(e) => return Err(e.into()),
        }
        let filter = OutcomeFilter { seller: Some(id.into()), current: true, ..OutcomeFilter::default() };
        let (mut outcomes, mut after) = (Vec::new(), 0);
        loop {
            let page = self.store.outcomes(ACCOUNT, &filter, after, PAGE).await?;
            let Some(last) = page.last() else { break };
            after = last.number;
            outcomes.extend(page);
        }
        let mut query = ListingQuery { seller: Some(id.into()), limit: PAGE, ..ListingQuery::default() };
        let mut listings = Vec::new();
        loop {
            let page = self.store.listings(ACCOUNT, &query).await?;
            listings.extend(page.items);
            match page.next {
                Some(next) => query.after = Some(next),
                None => break,
            }
        }
        let force = force.clone();
        computing(move || Ok(SellerFile::read(&force, said, listings, &outcomes))).await
    }
}

impl SellerFile {
    fn read(force: &InForce, said: SellerKnown, saved: Vec<store::Listing>, outcomes: &[store::Outcome]) -> Self {
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
}

/// What was found out about a listing, and whose it was.
pub(crate) struct Found {
    pub(crate) seller: Option<String>,
    pub(crate) body: OutcomeBody,
}

/// The outcomes that stand, by listing.
pub(crate) async fn outcomes_by_listing(memory: &Memory) -> Result<HashMap<String, Found>, Problem> {
    let filter = OutcomeFilter { current: true, ..OutcomeFilter::default() };
    let (mut found, mut after) = (HashMap::new(), 0);
    loop {
        let page = memory.store.outcomes(ACCOUNT, &filter, after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(found) };
        after = last.number;
        for outcome in page {
            if let Ok(body) = serde_json::from_str(&outcome.body) {
                found.insert(outcome.listing, Found { seller: outcome.seller, body });
            }
        }
    }
}

/// A listing to save.
pub(crate) struct Save<'a> {
    pub(crate) id: &'a str,
    /// The body as it was sent.
    pub(crate) text: &'a str,
    pub(crate) read: ReadRequest,
    pub(crate) condition: Precondition,
    /// What the feed said from which it comes, to be kept with it.
    pub(crate) from_feed: Option<&'a store::FeedItem>,
}

/// A listing as it was saved.
pub(crate) struct Saved {
    /// Whether there was none of that id.
    pub(crate) created: bool,
    /// The listing, whatever others do to it meanwhile.
    pub(crate) listing: store::Listing,
}

/// Assesses and saves a listing, then assesses the seller's other open ones again.
pub(crate) async fn save(app: &App, save: Save<'_>) -> Result<Saved, Problem> {
    let because = format!("listing {} of the same seller was saved", save.id);
    let (saved, sellers) = put(app, save, &mut Files::default()).await?;
    follow(app, sellers, &because).await;
    Ok(saved)
}

/// What is known of sellers for a while, under one model.
#[derive(Default)]
struct Files {
    model: String,
    by_seller: HashMap<String, SellerFile>,
}

impl Files {
    async fn known(
        &mut self,
        memory: &Memory,
        force: &Arc<InForce>,
        request: &AssessRequest,
        id: &str,
    ) -> Result<SellerKnown, Problem> {
        let Some(seller) = seller_of(request) else { return Ok(SellerKnown::default()) };
        if self.model != force.served.version() {
            *self = Self { model: force.served.version().into(), by_seller: HashMap::new() };
        }
        if !self.by_seller.contains_key(seller) {
            self.by_seller.insert(seller.into(), memory.seller(force, seller).await?);
        }
        Ok(self.by_seller[seller].without(Own { id: Some(id), marks: &Marks::of(request) }))
    }
}

/// The same for many: each is assessed beside what was known of its seller before all of them, and in
/// the end the sellers' listings are looked at once. What became of each, in order.
pub(crate) async fn save_all(app: &App, saves: Vec<Save<'_>>) -> Vec<Result<Saved, Problem>> {
    let (mut done, mut touched) = (Vec::with_capacity(saves.len()), Vec::new());
    let mut files = Files::default();
    for save in saves {
        done.push(put(app, save, &mut files).await.map(|(saved, sellers)| {
            touched.extend(sellers);
            saved
        }));
    }
    follow(app, touched, "listings of the same seller were saved").await;
    done
}

/// Assesses and saves a listing. Gives also the sellers of whom something else is known now.
async fn put(app: &App, save: Save<'_>, files: &mut Files) -> Result<(Saved, Vec<Option<String>>), Problem> {
    let memory = app.memory()?;
    let force = app.in_force().await?;
    let before = match memory.store.listing(ACCOUNT, save.id).await {
        Ok(listing) => Some(listing),
        Err(e) if e.is_not_found() => None,
        Err(e) => return Err(e.into()),
    };
    let known = files.known(memory, &force, &save.read.request, save.id).await?;
    let (read, with, used) = (save.read, force.clone(), known.clone());
    let (request, assessment) = computing(move || {
        let (request, listing) = read.listing(&with, &used)?;
        Ok((request, with.assess(&listing)?))
    })
    .await?;

    let now = now();
    let made = Made::of(&force, &known, &assessment)?;
    let seller = request.seller.as_ref().and_then(|s| s.id.as_deref());
    let photos: Vec<String> =
        request.photos.iter().flatten().filter_map(|p| p.digest.clone()).filter(|d| !d.trim().is_empty()).collect();
    let new = NewListing {
        id: save.id,
        status: request.status.unwrap_or(Status::Open),
        request: save.text,
        seller,
        serial: request
            .watch
            .as_ref()
            .and_then(|w| w.facts.as_ref())
            .and_then(|f| f.serial.as_deref())
            .filter(|s| !s.trim().is_empty()),
        photos: &photos,
        at: now,
    };
    let mut write = memory.store.write(ACCOUNT).await?;
    memory.keep_base(&mut write, now).await?;
    let put = write.put_listing(&new, &made.row(now), save.condition).await?;
    if let Some(item) = save.from_feed {
        write.put_feed_item(item, feed_seller(item).as_deref()).await?;
    }
    if let Some(change) =
        before.as_ref().and_then(|b| advice_change(b, &assessment, now, &put_anew(&b.request, save.text)))
    {
        write.tell(&[NewChange { at: now, event: ADVICE_CHANGED, data: &change }]).await?;
    }
    let revision = write.revision();
    write.commit().await?;

    let listing = store::Listing {
        id: save.id.into(),
        revision,
        status: new.status,
        request: save.text.into(),
        seller: seller.map(str::to_owned),
        serial: new.serial.map(str::to_owned),
        saved_at: before.as_ref().map_or(now, |b| b.saved_at),
        updated_at: now,
        assessment: Some(store::Assessment {
            first_revision: revision,
            last_revision: None,
            model: made.model,
            at: now,
            seller_used: made.seller_used,
            book_revision: Some(made.book_revision),
            own_book: made.own_book,
            body: made.body,
            keys: made.keys,
        }),
    };
    let mut sellers = vec![listing.seller.clone(), before.and_then(|b| b.seller)];
    sellers.extend(put.lost_outcomes.into_iter().map(Some));
    Ok((Saved { created: put.created, listing }, sellers))
}

/// Who looks at a seller's listings again: one at a time, and whoever waited while another began
/// after its own write has nothing left to do.
#[derive(Debug, Default)]
struct Turn {
    wanted: AtomicU64,
    done: tokio::sync::Mutex<u64>,
}

/// Assesses a seller's open listings again, as far as what is known of it moves them.
pub(crate) async fn refresh(app: &App, seller: &str, look: &Look, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    let turn = {
        let mut turns = memory.turns.lock().unwrap_or_else(PoisonError::into_inner);
        turns.retain(|_, turn| Arc::strong_count(turn) > 1);
        turns.entry(seller.into()).or_default().clone()
    };
    let mine = turn.wanted.fetch_add(1, Ordering::SeqCst) + 1;
    let mut done = turn.done.lock().await;
    if *done >= mine && matches!(look, Look::Seller) {
        return Ok(());
    }
    let upto = turn.wanted.load(Ordering::SeqCst);
    // Whoever writes meanwhile refreshes what it touched; a few rounds settle two that meet.
    for _ in 0..ROUNDS {
        let force = app.in_force().await?;
        let file = memory.seller(&force, seller).await?;
        let (with, look) = (force.clone(), look.clone());
        let due = computing(move || file.due(&with, &look)).await?;
        if keep_anew(memory, &force, due, because).await? {
            *done = upto;
            return Ok(());
        }
    }
    tracing::warn!("others kept writing while a seller's listings were assessed again");
    Ok(())
}

/// Puts a version in force and assesses the open listings again.
///
/// # Errors
/// Not found; if this program cannot use it; or if the store fails.
pub async fn activate(app: &App, version: &str) -> Result<ModelVersion, Problem> {
    let (write, made) = activation(app, version).await?;
    write.commit().await?;
    refresh_open(app, &Look::All, &format!("model {version} was put in force")).await?;
    Ok(made)
}

/// A version about to come into force at the write's commit.
pub(crate) async fn activation(app: &App, version: &str) -> Result<(Write, ModelVersion), Problem> {
    let memory = app.memory()?;
    // One that this program cannot use never comes into force.
    let served = memory.version(version).await?;
    let digest = served.assessor.pack().data().digest.clone();
    let stored = memory.store.models(ACCOUNT).await?;
    let calibration = stored.into_iter().find(|m| m.version == version).and_then(|m| m.calibration);
    let now = Timestamp::now();
    let mut write = memory.store.write(ACCOUNT).await?;
    if version == memory.base.version() {
        memory.keep_base(&mut write, now).await?;
    }
    write.activate_model(version, now).await?;
    Ok((write, ModelVersion { version: version.into(), digest, active: true, calibration }))
}

/// How often a re-assessment begins anew when somebody else writes meanwhile.
const ROUNDS: usize = 5;

/// Looks at open listings without a seller again.
async fn refresh_alone(app: &App, mut alone: Vec<store::Listing>, look: &Look, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    for _ in 0..ROUNDS {
        let force = app.in_force().await?;
        let (with, look) = (force.clone(), look.clone());
        let ids: Vec<String> = alone.iter().map(|l| l.id.clone()).collect();
        let due = computing(move || {
            let (open, nobody) =
                (|l: &&store::Listing| l.seller.is_none() && l.status == Status::Open, SellerKnown::default());
            let open = alone.iter().filter(open);
            Ok(open
                .filter_map(|l| {
                    with.due(l, Standing { said: &nobody, prior: None, others: None }, &look, SellerKnown::default)
                })
                .collect())
        });
        if keep_anew(memory, &force, due.await?, because).await? {
            break;
        }
        // Somebody wrote since: look at them as they are now.
        alone = Vec::with_capacity(ids.len());
        for id in ids {
            match memory.store.listing(ACCOUNT, &id).await {
                Ok(listing) => alone.push(listing),
                Err(e) if e.is_not_found() => {}
                Err(e) => return Err(e.into()),
            }
        }
    }
    Ok(())
}

/// Looks at all open listings again: where another model comes into force or the reference book says
/// something else; and after a start, since the process may have ended between a write and what
/// follows from it.
///
/// # Errors
/// If the store fails.
pub(crate) async fn refresh_open(app: &App, look: &Look, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    let mut query = ListingQuery { status: Some(Status::Open), limit: PAGE, ..ListingQuery::default() };
    let mut done: BTreeSet<String> = BTreeSet::new();
    loop {
        let page = memory.store.listings(ACCOUNT, &query).await?;
        let (sold, alone): (Vec<_>, Vec<_>) = page.items.into_iter().partition(|l| l.seller.is_some());
        refresh_alone(app, alone, look, because).await?;
        for seller in sold.into_iter().filter_map(|l| l.seller) {
            if !done.contains(&seller) {
                refresh(app, &seller, look, because).await?;
                done.insert(seller);
            }
        }
        match page.next {
            Some(next) => query.after = Some(next),
            None => return Ok(()),
        }
    }
}

/// Assesses listings again, each with what is known of its seller, and keeps what differs; false if
/// somebody wrote since they were read.
async fn keep_anew(
    memory: &Memory,
    force: &Arc<InForce>,
    listings: Vec<(store::Listing, SellerKnown)>,
    because: &str,
) -> Result<bool, Problem> {
    let with = force.clone();
    let anew = computing(move || {
        let mut anew = Vec::new();
        for (listing, known) in listings {
            // A listing that no longer fits the model keeps its last assessment.
            let Ok(assessment) = with.reassess(&listing.id, &listing.request, &known) else { continue };
            let made = Made::of(&with, &known, &assessment)?;
            if listing.assessment.as_ref().is_none_or(|a| a.body != made.body) {
                anew.push((listing, made, assessment));
            }
        }
        Ok(anew)
    })
    .await?;
    if anew.is_empty() {
        return Ok(true);
    }
    let now = Timestamp::now();
    let mut write = memory.store.write(ACCOUNT).await?;
    memory.keep_base(&mut write, now).await?;
    let alone = write.revision() == force.revision + 1;
    let mut changes = Vec::new();
    for (listing, made, assessment) in &anew {
        if write.reassess(&listing.id, listing.revision, &made.row(now)).await? {
            changes.extend(advice_change(listing, assessment, now, &[because.to_owned()]));
        }
    }
    let told: Vec<NewChange<'_>> =
        changes.iter().map(|data| NewChange { at: now, event: ADVICE_CHANGED, data }).collect();
    write.tell(&told).await?;
    write.commit().await?;
    Ok(alone)
}

/// Forgets a seller. In one write its name goes from all that is stored, and the listings that named
/// it are assessed without what was known of it.
pub(crate) async fn forget(app: &App, seller: &str, condition: Precondition) -> Result<(), Problem> {
    let memory = app.memory()?;
    let force = app.in_force().await?;
    // Computed before others have to wait.
    let mut ready: HashMap<String, (store::Listing, Unnamed)> = HashMap::new();
    let mut query = ListingQuery { seller: Some(seller.into()), limit: PAGE, ..ListingQuery::default() };
    loop {
        let page = memory.store.listings(ACCOUNT, &query).await?;
        for listing in page.items {
            let unnamed = Unnamed::of(&force, &listing.id, &listing.request).await?;
            ready.insert(listing.id.clone(), (listing, unnamed));
        }
        match page.next {
            Some(next) => query.after = Some(next),
            None => break,
        }
    }
    let now = Timestamp::now();
    let mut write = memory.store.write(ACCOUNT).await?;
    memory.keep_base(&mut write, now).await?;
    write.expect_seller(seller, condition).await?;
    let mut changes = Vec::new();
    for id in write.forget_seller(seller).await? {
        let request = write.request(&id).await?;
        let (before, unnamed) = match ready.remove(&id) {
            Some((listing, unnamed)) if listing.request == request => (Some(listing), unnamed),
            // It was put, or put anew, since they were read.
            _ => (None, Unnamed::of(&force, &id, &request).await?),
        };
        write.put_request(&id, &unnamed.request).await?;
        if let Some((made, assessment)) = &unnamed.anew {
            write.reassess(&id, write.revision(), &made.row(now)).await?;
            let change = |b: store::Listing| advice_change(&b, assessment, now, &["its seller was forgotten".into()]);
            changes.extend(before.and_then(change));
        }
    }
    for item in write.feed_items_of(seller).await? {
        let request = without_seller(&item.request)?.to_string();
        write.put_feed_item(&store::FeedItem { request, ..item }, None).await?;
    }
    write.forget_refusals().await?;
    for past in write.past_requests_of(seller).await? {
        let request = without_seller(&past.request)?.to_string();
        write.put_past_request(&store::PastRequest { request, ..past }).await?;
    }
    let told: Vec<NewChange<'_>> =
        changes.iter().map(|data| NewChange { at: now, event: ADVICE_CHANGED, data }).collect();
    write.tell(&told).await?;
    write.commit().await?;
    // It is forgotten whatever comes of this.
    match memory.store.empty_log().await {
        Ok(true) => {}
        Ok(false) => tracing::warn!("a forgotten seller stands in SQLite's log until it is next emptied"),
        Err(e) => tracing::warn!(detail = e.detail(), "SQLite's log could not be emptied"),
    }
    Ok(())
}

/// The seller that an item of a feed names.
fn feed_seller(item: &store::FeedItem) -> Option<String> {
    let request: Value = serde_json::from_str(&item.request).ok()?;
    Some(request.pointer("/seller/id")?.as_str()?.to_owned())
}

/// A stored request that no longer names its seller.
fn without_seller(request: &str) -> Result<Value, Problem> {
    let mut request: Value = serde_json::from_str(request).map_err(|e| {
        tracing::error!(error = %e, "a stored request");
        Problem::new(INTERNAL, "a stored listing cannot be read")
    })?;
    if let Some(seller) = request.pointer_mut("/seller").and_then(Value::as_object_mut) {
        seller.remove("id");
    }
    Ok(request)
}

/// A listing as it is when its seller is forgotten.
struct Unnamed {
    request: String,
    /// None where the request does not fit the model in force: it keeps its last assessment.
    anew: Option<(Made, Assessment)>,
}

impl Unnamed {
    async fn of(force: &Arc<InForce>, id: &str, request: &str) -> Result<Self, Problem> {
        let (force, id, request) = (force.clone(), id.to_owned(), request.to_owned());
        computing(move || {
            let (request, nobody) = (without_seller(&request)?.to_string(), SellerKnown::default());
            let anew = match force.reassess(&id, &request, &nobody) {
                Ok(assessment) => Some((Made::of(&force, &nobody, &assessment)?, assessment)),
                Err(_) => None,
            };
            Ok(Self { request, anew })
        })
        .await
    }
}

/// Now, as the store keeps times: to the microsecond.
pub(crate) fn now() -> Timestamp {
    let now = Timestamp::now();
    Timestamp::from_microsecond(now.as_microsecond()).unwrap_or(now)
}

/// An outcome to record, under a name of its own.
pub(crate) struct Finding {
    pub(crate) id: String,
    pub(crate) body: OutcomeBody,
    found_at: Timestamp,
    text: String,
}

impl Finding {
    /// Finding out now, where it does not say when.
    pub(crate) fn new(mut body: OutcomeBody, now: Timestamp) -> Result<Self, Problem> {
        let found_at = body.found_at.as_ref().and_then(|t| t.parse().ok()).unwrap_or(now);
        body.found_at.get_or_insert_with(|| now.to_string());
        let text = serde_json::to_string(&body).map_err(|e| {
            tracing::error!(error = %e, "an outcome does not serialise");
            Problem::new(INTERNAL, "the fault is ours")
        })?;
        Ok(Self { id: Uuid::now_v7().to_string(), body, found_at, text })
    }

    /// The outcome as it is kept.
    pub(crate) fn text(&self) -> &str {
        &self.text
    }
}

/// The event of an outcome that was recorded.
pub const OUTCOME_RECORDED: &str = "outcome_recorded";

/// Records outcomes and tells of them. Gives the write, not committed yet, and the seller of each.
pub(crate) async fn record(
    app: &App,
    found: &[Finding],
    now: Timestamp,
) -> Result<(Write, Vec<Option<String>>), Problem> {
    let rows: Vec<NewOutcome<'_>> = found
        .iter()
        .map(|f| NewOutcome {
            id: &f.id,
            listing: &f.body.listing,
            recorded_at: now,
            found_at: f.found_at,
            body: &f.text,
        })
        .collect();
    let told: Vec<String> = found
        .iter()
        .map(|f| {
            let (listing, story) = (&f.body.listing, &f.body.story);
            json!({ "at": now.to_string(), "listing": listing, "outcome": f.id, "story": story }).to_string()
        })
        .collect();
    let told: Vec<NewChange<'_>> =
        told.iter().map(|data| NewChange { at: now, event: OUTCOME_RECORDED, data }).collect();
    let mut write = app.memory()?.store.write(ACCOUNT).await?;
    let sellers = write.record_outcomes(&rows).await?;
    write.tell(&told).await?;
    Ok((write, sellers))
}

/// Records the outcomes of a file, and assesses the sellers' listings again.
///
/// # Errors
/// Every fault of a CSV's header; or if the store fails.
pub async fn import(app: &Arc<App>, format: Format, bytes: Bytes) -> Result<Imported, Problem> {
    let (imported, write, sellers) = read_and_record(app, format, bytes).await?;
    write.commit().await?;
    follow(app, sellers, IMPORTED).await;
    Ok(imported)
}

/// Why listings are assessed again after an import.
pub(crate) const IMPORTED: &str = "outcomes of the same seller were imported";

/// Records the outcomes of a file. Gives the write, not committed yet, and the seller of each.
pub(crate) async fn read_and_record(
    app: &Arc<App>,
    format: Format,
    bytes: Bytes,
) -> Result<(Imported, Write, Vec<Option<String>>), Problem> {
    let (force, reader) = (app.in_force().await?, app.clone());
    let now = now();
    let (mut found, mut refused) = (Vec::new(), Vec::new());
    for line in computing(move || reader.outcomes(&force, format, &bytes)).await? {
        match line {
            Ok(body) => found.push(Finding::new(body, now)?),
            Err(line) => refused.push(line),
        }
    }
    let (write, sellers) = record(app, &found, now).await?;
    Ok((Imported { accepted: found.len() as u64, refused }, write, sellers))
}

/// Assesses the open listings of sellers again after something was stored. What was stored is
/// stored: a failure here is told to the log alone, and the next write to the seller makes up for it.
pub(crate) async fn follow(app: &App, sellers: impl IntoIterator<Item = Option<String>>, because: &str) {
    for seller in sellers.into_iter().flatten().collect::<BTreeSet<_>>() {
        if let Err(e) = refresh(app, &seller, &Look::Seller, because).await {
            tracing::error!(detail = e.detail, "listings were not assessed again");
        }
    }
}

/// The event of a listing whose advice is another than before.
pub const ADVICE_CHANGED: &str = "advice_changed";

/// What a request says otherwise than the one before, in words.
fn put_anew(before: &str, now: &str) -> Vec<String> {
    let read = |text| {
        let mut request: Map<String, Value> = serde_json::from_str(text).unwrap_or_default();
        let price = request.get_mut("offer").and_then(|offer| offer.as_object_mut()?.remove("price"));
        (request, price)
    };
    let ((before, was), (now, is)) = (read(before), read(now));
    let words = |price: &Option<Value>| match price {
        Some(p) => {
            format!("{} {}", p["amount"].as_str().unwrap_or_default(), p["currency"].as_str().unwrap_or_default())
        }
        None => "none".into(),
    };
    let mut because = Vec::new();
    if was != is {
        because.push(format!("its price went from {} to {}", words(&was), words(&is)));
    }
    let other: BTreeSet<&str> =
        before.keys().chain(now.keys()).filter(|m| before.get(*m) != now.get(*m)).map(String::as_str).collect();
    if !other.is_empty() {
        because.push(format!("changed in its request: {}", Vec::from_iter(other).join(", ")));
    } else if because.is_empty() {
        because.push("it was saved anew".into());
    }
    because
}

/// The event's data, if the advice changed.
fn advice_change(before: &store::Listing, now: &Assessment, at: Timestamp, because: &[String]) -> Option<String> {
    let was: Assessment = serde_json::from_str(&before.assessment.as_ref()?.body).ok()?;
    let advice = |a: &Assessment| a.decision.as_ref().and_then(|d| d.advice);
    if advice(&was) == advice(now) {
        return None;
    }
    let short = |a: &Assessment| {
        let walk_away = a.decision.as_ref().map(|d| &d.walk_away_price);
        json!({ "advice": advice(a), "bad": a.probability.bad, "walk_away_price": walk_away })
    };
    let change = json!({
        "at": at.to_string(), "listing": before.id, "before": short(&was), "after": short(now), "because": because,
    });
    Some(change.to_string())
}

/// An assessment as it is kept.
struct Made {
    model: String,
    seller_used: String,
    book_revision: i64,
    own_book: Option<String>,
    body: String,
    keys: Keys,
}

impl Made {
    fn of(force: &InForce, known: &SellerKnown, assessment: &Assessment) -> Result<Self, Problem> {
        let text = |e: serde_json::Error| {
            tracing::error!(error = %e, "an assessment does not serialise");
            Problem::new(INTERNAL, "the fault is ours")
        };
        Ok(Self {
            model: force.served.version().into(),
            seller_used: serde_json::to_string(known).map_err(text)?,
            book_revision: force.revision,
            own_book: force.own_book.clone(),
            body: serde_json::to_string(assessment).map_err(text)?,
            keys: keys(assessment),
        })
    }

    fn row(&self, at: Timestamp) -> NewAssessment<'_> {
        let Self { model, seller_used, book_revision, own_book, body, keys } = self;
        let (book_revision, own_book) = (*book_revision, own_book.as_deref());
        NewAssessment { model, at, seller_used, book_revision, own_book, body, keys: *keys }
    }
}

/// The story that a stored outcome reports.
fn report(pack: &Pack, body: &str) -> Option<Report> {
    let body: OutcomeBody = serde_json::from_str(body).ok()?;
    Some(Report { story: pack.story(&body.story)?, certainty: body.certainty.unwrap_or(1.0) })
}

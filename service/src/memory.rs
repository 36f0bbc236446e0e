//! What the service remembers, in the terms of the calculation: the model in force, the reference
//! book, and what is known of a seller from its other listings and outcomes.
//!
//! Nothing here is state of its own: what is cached holds until the revision that says so moves, or
//! never changes (a version of the model, an assessor made of it). What is made with the model and the book
//! in force is written only while they are (`Write::force_revision`), or made anew.

mod finding;
mod forgetting;
mod looking;
mod saving;
mod seller;
mod watches;

pub use finding::import;
pub(crate) use finding::{Finding, Found, IMPORTED, outcomes_by_listing, read_and_record, record};
pub(crate) use forgetting::{feed_seller, forget};
pub use looking::activate;
pub(crate) use looking::{activation, follow, refresh_open};
pub(crate) use saving::{Save, Saved, save, save_all};
pub use seller::{FoundOut, SellerFile};
pub(crate) use seller::{Look, Own, seller_of};
pub(crate) use watches::{Marks, watches};

use crate::app::{Served, computing};
use crate::assess::{AssessError, Assessor, Bid};
use crate::listing::Listing;
use crate::problem::{INTERNAL, NOT_FOUND, Problem};
use crate::store::{self, BookPart, Keys, NewModel, OutcomeFilter, Revisions, Store, Write};
use crate::wire::request::AssessRequest;
use crate::wire::response::Assessment;
use crate::wire::stored::SellerKnown;
use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use jiff::Timestamp;
use looking::Turn;
use seller::Brief;
use serde::de::DeserializeOwned;
use sha2::{Digest as _, Sha256};
use std::collections::{BTreeSet, HashMap};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use steelyard_model::facts::{Book, BookData};
use steelyard_model::pack::Pack;

/// The account before there are tokens.
pub const ACCOUNT: &str = "local";

/// Rows read at a time.
const PAGE: u32 = 500;

/// The same of what is long, and soon made into something short.
const WALK: u32 = 50;

/// How often something is made anew where somebody else writes meanwhile.
const ROUNDS: usize = 5;

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
    /// Whether the store was seen to hold what the program came with.
    base_kept: AtomicBool,
    /// Whether listings were left behind by a change of what is in force.
    unsettled: AtomicBool,
}

/// What assessments are made with at a revision.
#[derive(Debug, Clone)]
pub struct InForce {
    /// The revision at which it was read.
    pub revision: i64,
    /// The revision since which it is in force.
    pub since: i64,
    /// The model.
    pub served: Arc<Served>,
    /// The reference book: the stored one at that revision over the program's own.
    pub book: Arc<Book>,
    /// Digest of the program's own, if it was started with one.
    pub own_book: Option<String>,
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
        self.assessor().bid(listing, expected).map_err(|e| impossible(&e))
    }

    /// Assesses a listing.
    ///
    /// # Errors
    /// If its evidence cannot occur under the model.
    pub fn assess(&self, listing: &Listing) -> Result<Assessment, Problem> {
        self.assessor().assess(listing).map_err(|e| impossible(&e))
    }
}

fn impossible(e: &AssessError) -> Problem {
    tracing::error!(error = %e, "a listing that fits could not be assessed");
    Problem::new(INTERNAL, "the evidence cannot occur under the model")
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
        Ok(Self {
            store,
            base,
            own_book,
            own_text,
            turns: Mutex::default(),
            versions,
            in_force: Mutex::new(None),
            base_kept: AtomicBool::new(false),
            unsettled: AtomicBool::new(false),
        })
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
        let Revisions { newest: revision, in_force: since } = self.store.revisions(ACCOUNT).await?;
        let kept = self.in_force.lock().unwrap_or_else(PoisonError::into_inner).clone();
        if let Some(kept) = kept.filter(|k| k.since == since) {
            return Ok(if kept.revision == revision {
                kept
            } else {
                Arc::new(InForce { revision, ..InForce::clone(&kept) })
            });
        }
        let served = match self.store.active_model(ACCOUNT).await? {
            Some(version) => match self.usable(&version).await? {
                Ok(served) => served,
                Err(why) => {
                    tracing::error!(
                        version,
                        why = why.detail,
                        "the model in force cannot be used: the one that the program came with is used instead"
                    );
                    self.base.clone()
                }
            },
            None => self.base.clone(),
        };
        let book = Arc::new(self.book(revision, &self.own_book).await?);
        let own_book = self.own_text.as_ref().map(|(digest, _)| digest.clone());
        let now = Arc::new(InForce { revision, since, served, book, own_book });
        *self.in_force.lock().unwrap_or_else(PoisonError::into_inner) = Some(now.clone());
        Ok(now)
    }

    /// A version of the model.
    ///
    /// # Errors
    /// Not found; or if it cannot be used by this program.
    pub async fn version(&self, version: &str) -> Result<Arc<Served>, Problem> {
        self.usable(version).await?
    }

    /// The same; whether the store fails, or the version is not there or cannot be used, are two things.
    async fn usable(&self, version: &str) -> Result<Result<Arc<Served>, Problem>, Problem> {
        let kept = self.versions.lock().unwrap_or_else(PoisonError::into_inner).get(version).cloned();
        if let Some(kept) = kept {
            return Ok(Ok(kept));
        }
        let row = match self.store.model(ACCOUNT, version).await {
            Ok(row) => row,
            Err(e) if e.is_not_found() => return Ok(Err(e.into())),
            Err(e) => return Err(e.into()),
        };
        let name = version.to_owned();
        let unusable = move |e: &dyn std::fmt::Display| {
            tracing::error!(version = name, error = %e, "a stored model cannot be used");
            Problem::new(INTERNAL, format!("the stored model {name:?} cannot be used by this program"))
        };
        let made = computing(move || {
            let read = || {
                let data = serde_json::from_str(&row.body).map_err(|e| unusable(&e))?;
                let pack = Pack::from_data(data).map_err(|e| unusable(&e))?;
                Served::new(Arc::new(pack)).map_err(|e| unusable(&e))
            };
            Ok(read())
        })
        .await?;
        if let Ok(served) = &made {
            self.versions.lock().unwrap_or_else(PoisonError::into_inner).insert(version.into(), served.clone());
        }
        Ok(made)
    }

    /// Keeps the model and the book that the program came with, so that its assessments can be computed again.
    pub(crate) async fn keep_base(&self, write: &mut Write, at: Timestamp) -> Result<(), Problem> {
        if self.base_kept.load(Ordering::Relaxed) {
            return Ok(());
        }
        let data = self.base.assessor.pack().data();
        let body = String::from_utf8_lossy(&self.base.json);
        let model =
            NewModel { version: &data.version, digest: &data.digest, body: &body, calibration: None, created_at: at };
        let mut new = match &self.own_text {
            Some((digest, text)) => write.keep_own_book(digest, text).await?,
            None => false,
        };
        new |= write.put_model(&model).await.map_err(|e| {
            if e.is_conflict() {
                let detail = format!(
                    "the store holds other numbers under the model version {:?}: give the changed pack a version of its own",
                    data.version
                );
                tracing::error!(detail);
                return Problem::new(INTERNAL, detail);
            }
            Problem::from(e)
        })?;
        // What this write adds may not come to its commit.
        self.base_kept.store(!new, Ordering::Relaxed);
        Ok(())
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

    /// The stored book as of a revision, over another. What cannot be read of it says nothing.
    async fn book(&self, revision: i64, own: &Book) -> Result<Book, Problem> {
        let references = self.store.past_book(ACCOUNT, BookPart::Reference, revision).await?;
        let calibres = self.store.past_book(ACCOUNT, BookPart::Calibre, revision).await?;
        if references.is_empty() && calibres.is_empty() {
            return Ok(own.clone());
        }
        let own = own.clone();
        computing(move || {
            let data = BookData { references: entries(&references), calibres: entries(&calibres) };
            Ok(readable(data).over(&own))
        })
        .await
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
        Ok(InForce { revision, since: revision, served, book, own_book: past.own_book.clone() })
    }

    /// What was said of sellers: kind and ratings, by seller.
    pub(crate) async fn sellers_said(&self) -> Result<HashMap<String, SellerKnown>, Problem> {
        let (mut all, mut after) = (HashMap::new(), String::new());
        loop {
            let page = self.store.sellers(ACCOUNT, &after, PAGE).await?;
            let Some(last) = page.last() else { return Ok(all) };
            after.clone_from(&last.id);
            let known = |said: store::Seller| SellerKnown {
                segment: said.segment,
                feedback: said.feedback.as_deref().and_then(|f| serde_json::from_str(f).ok()),
                others: Vec::new(),
            };
            all.extend(page.into_iter().filter_map(|s| Some((s.id, known(s.said?)))));
        }
    }

    /// All that is stored of a seller.
    ///
    /// # Errors
    /// If the store fails.
    pub async fn seller(&self, force: &Arc<InForce>, id: &str) -> Result<SellerFile, Problem> {
        match self.store.seller(ACCOUNT, id).await {
            Ok(summary) => self.seller_of_whom(force, id, summary.said.as_ref()).await,
            Err(e) if e.is_not_found() => Ok(SellerFile::default()),
            Err(e) => Err(e.into()),
        }
    }

    /// The same where it is known already what was said of it.
    pub(crate) async fn seller_of_whom(
        &self,
        force: &Arc<InForce>,
        id: &str,
        said: Option<&store::Seller>,
    ) -> Result<SellerFile, Problem> {
        self.seller_file(force, id, said, false).await
    }

    /// The same with what its listings' assessments were made of.
    async fn seller_assessed(&self, force: &Arc<InForce>, id: &str) -> Result<SellerFile, Problem> {
        match self.store.seller(ACCOUNT, id).await {
            Ok(summary) => self.seller_file(force, id, summary.said.as_ref(), true).await,
            Err(e) if e.is_not_found() => Ok(SellerFile::default()),
            Err(e) => Err(e.into()),
        }
    }

    async fn seller_file(
        &self,
        force: &Arc<InForce>,
        id: &str,
        said: Option<&store::Seller>,
        assessed: bool,
    ) -> Result<SellerFile, Problem> {
        let said = said.map_or_else(SellerKnown::default, |row| SellerKnown {
            segment: row.segment.clone(),
            feedback: row.feedback.as_deref().and_then(|f| serde_json::from_str(f).ok()),
            ..SellerKnown::default()
        });
        let filter = OutcomeFilter { seller: Some(id.into()), current: true, ..OutcomeFilter::default() };
        let (mut outcomes, mut after) = (Vec::new(), 0);
        loop {
            let page = self.store.outcomes(ACCOUNT, &filter, after, PAGE).await?;
            let Some(last) = page.last() else { break };
            after = last.number;
            outcomes.extend(page);
        }
        let (mut listings, mut after) = (Vec::new(), String::new());
        loop {
            let page = self.store.listings_of(ACCOUNT, id, assessed, &after, WALK).await?;
            let Some(last) = page.last() else { break };
            after.clone_from(&last.id);
            // Of the long texts only what is needed is kept.
            listings.extend(computing(move || Ok(page.into_iter().map(Brief::of).collect::<Vec<_>>())).await?);
        }
        let force = force.clone();
        computing(move || {
            listings.sort_by(|a, b| (a.saved_at, &a.id).cmp(&(b.saved_at, &b.id)));
            Ok(SellerFile::read(&force, said, listings, &outcomes))
        })
        .await
    }
}

/// Entries of the stored book; those that cannot be read are logged and left out.
fn entries<E: DeserializeOwned>(texts: &[String]) -> Vec<E> {
    let read = |text: &String| {
        serde_json::from_str(text).inspect_err(|e| {
            tracing::error!(error = %e, entry = text, "an entry of the stored reference book cannot be read: it says nothing");
        })
    };
    texts.iter().filter_map(|text| read(text).ok()).collect()
}

/// A book of the entries that have no fault; the others are logged and left out.
fn readable(mut data: BookData) -> Book {
    loop {
        let faults = match Book::new(data.clone()) {
            Ok(book) => return book,
            Err(faults) => faults.0,
        };
        let mut faulty: [BTreeSet<usize>; 2] = Default::default();
        for fault in faults {
            let mut place = fault.pointer.split('/').skip(1);
            let part = place.next();
            tracing::error!(
                at = fault.pointer,
                why = fault.detail,
                "an entry of the stored reference book is faulty: it says nothing"
            );
            if let Some(number) = place.next().and_then(|n| n.parse().ok()) {
                faulty[usize::from(part == Some("calibres"))].insert(number);
            }
        }
        let mut number = 0..;
        let before = data.references.len() + data.calibres.len();
        data.references.retain(|_| number.next().is_some_and(|n| !faulty[0].contains(&n)));
        let mut number = 0..;
        data.calibres.retain(|_| number.next().is_some_and(|n| !faulty[1].contains(&n)));
        if data.references.len() + data.calibres.len() == before {
            // A fault that is of no entry: none of it is understood.
            return Book::default();
        }
    }
}

/// Now, as the store keeps times: to the microsecond.
pub(crate) fn now() -> Timestamp {
    let now = Timestamp::now();
    Timestamp::from_microsecond(now.as_microsecond()).unwrap_or(now)
}

/// The event of an outcome that was recorded.
pub const OUTCOME_RECORDED: &str = "outcome_recorded";

/// The event of a listing whose advice is another than before.
pub const ADVICE_CHANGED: &str = "advice_changed";

//! What the service remembers, in the terms of the calculation: the model in force, the reference
//! book, and what is known of a seller from its other listings and outcomes.
//!
//! Nothing here is state of its own: what is cached holds as long as the account's revision does, or
//! never changes (a version of the model, an assessor made of it).

use crate::app::{App, ReadRequest, Served, computing};
use crate::assess::{Assessor, Rate, Report};
use crate::listing::{Listing, Other, Stated};
use crate::outcomes::Format;
use crate::problem::{INTERNAL, Problem};
use crate::store::{
    self, BookPart, Keys, ListingQuery, NewAssessment, NewChange, NewListing, NewModel, NewOutcome, OutcomeFilter,
    Precondition, Status, Store, Write,
};
use crate::wire::calibration::ModelVersion;
use crate::wire::request::AssessRequest;
use crate::wire::response::Assessment;
use crate::wire::stored::{Imported, OutcomeBody, SellerKnown};
use axum::body::Bytes;
use jiff::Timestamp;
use serde_json::{Value, json};
use std::collections::{BTreeSet, HashMap};
use std::sync::{Arc, Mutex, PoisonError};
use steelyard_model::facts::{Book, BookData};
use steelyard_model::pack::Pack;
use steelyard_priors::seller::{Feedback, Outcomes};
use uuid::Uuid;

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
    /// The reference book.
    pub book: Arc<Book>,
}

/// What is stored of a seller.
#[derive(Debug, Clone, Default)]
pub struct SellerFile {
    /// What was said of it.
    said: SellerKnown,
    /// Its saved listings.
    listings: Vec<Known>,
    /// Outcomes of listings that are not saved, or no longer fit the model.
    loose: Vec<(String, Other)>,
    /// Outcomes, and how many of them were bad.
    found: u64,
    bad: u64,
}

/// What a seller's file says to other listings.
#[derive(Debug, Clone, Default)]
pub(crate) struct SellerBrief {
    said: SellerKnown,
    others: Vec<(String, Other)>,
}

impl SellerBrief {
    /// What it says to one listing, which never counts itself.
    pub(crate) fn without(&self, listing: Option<&str>) -> SellerKnown {
        let others = self.others.iter().filter(|(id, _)| Some(id.as_str()) != listing);
        SellerKnown { others: others.map(|(_, other)| *other).collect(), ..self.said.clone() }
    }

    /// Watches in it.
    pub(crate) fn len(&self) -> usize {
        self.others.len()
    }
}

#[derive(Debug, Clone)]
struct Known {
    listing: store::Listing,
    stated: Stated,
    other: Other,
    /// Whether its request wants what is stored of the seller.
    asks: bool,
}

impl SellerFile {
    /// What it says to one listing, which never counts itself.
    #[must_use]
    pub fn without(&self, listing: Option<&str>) -> SellerKnown {
        self.brief().without(listing)
    }

    /// What it says to any listing, and no more: small enough to keep many of them.
    pub(crate) fn brief(&self) -> SellerBrief {
        let saved = self.listings.iter().map(|k| (k.listing.id.clone(), k.other));
        SellerBrief { said: self.said.clone(), others: saved.chain(self.loose.iter().cloned()).collect() }
    }

    /// The listings still offered, each with what there is to say to it.
    fn open(self) -> Vec<(store::Listing, SellerKnown)> {
        let open = self.listings.iter().filter(|k| k.listing.status == Status::Open);
        let known = |k: &Known| if k.asks { self.without(Some(&k.listing.id)) } else { SellerKnown::default() };
        open.map(|k| (k.listing.clone(), known(k))).collect()
    }

    /// How many watches were found out about, and how many of them were bad.
    #[must_use]
    pub fn found(&self) -> (u64, u64) {
        (self.found, self.bad)
    }

    /// How many watches there is something of, but not what they are.
    #[must_use]
    pub fn seen(&self) -> usize {
        self.listings.iter().filter(|k| !k.other.found).count()
    }

    /// What is believed of the seller's rate of bad watches. Where nothing was said of its segment
    /// and ratings, what its newest listing says of them.
    ///
    /// # Errors
    /// If the evidence on it cannot be.
    pub fn rate(&self, force: &InForce) -> Result<Rate, Problem> {
        let impossible = |e: steelyard_priors::Error| {
            tracing::error!(error = %e, "a seller's rate could not be computed");
            Problem::new(INTERNAL, "what is stored of the seller cannot be")
        };
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
        force.assessor().rate(&stated, &self.without(None).others).map_err(impossible)
    }
}

impl InForce {
    /// The model as it assesses.
    #[must_use]
    pub fn assessor(&self) -> &Assessor {
        &self.served.assessor
    }

    /// Reads a request that fitted when it was stored; `None` where it no longer does, since the model
    /// has other signs now.
    fn stored(&self, id: &str, text: &str, known: &SellerKnown) -> Option<Listing> {
        let mut request: AssessRequest = serde_json::from_str(text).ok()?;
        request.id = Some(id.into());
        known.complete(&mut request);
        let mut listing = Listing::read(self.assessor().pack(), &self.book, &request, &[]).ok()?;
        listing.seller.others = known.beside(&request);
        Some(listing)
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
        let totals = request.seller.as_ref().is_some_and(|s| s.outcomes.is_some());
        self.others.iter().copied().filter(|o| !(totals && o.found)).collect()
    }
}

/// The seller whose stored listings and outcomes a request wants to be used.
pub(crate) fn seller_of(request: &AssessRequest) -> Option<&str> {
    request.seller.as_ref().filter(|s| s.stored != Some(false)).and_then(|s| s.id.as_deref())
}

/// Whether a stored request wants what is stored of its seller.
fn asks(request: &str) -> bool {
    serde_json::from_str::<Value>(request).is_ok_and(|r| r.pointer("/seller/stored") != Some(&json!(false)))
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
    #[must_use]
    pub fn new(store: Store, base: Arc<Served>, own_book: Book) -> Self {
        let versions = Mutex::new(HashMap::from([(base.version().to_owned(), base.clone())]));
        Self { store, base, own_book: Arc::new(own_book), versions, in_force: Mutex::new(None) }
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
        let book = Arc::new(self.book().await?);
        let now = Arc::new(InForce { revision, served, book });
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
        let served = Served::new(Arc::new(pack)).map_err(|e| unusable(&e))?;
        self.versions.lock().unwrap_or_else(PoisonError::into_inner).insert(version.into(), served.clone());
        Ok(served)
    }

    /// Keeps the model that the program came with, so that its assessments can be computed again.
    pub(crate) async fn keep_base(&self, write: &mut Write, at: Timestamp) -> Result<(), Problem> {
        let data = self.base.assessor.pack().data();
        let body = String::from_utf8_lossy(&self.base.json);
        let model =
            NewModel { version: &data.version, digest: &data.digest, body: &body, calibration: None, created_at: at };
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

    /// The stored book over the one on the command line.
    async fn book(&self) -> Result<Book, Problem> {
        let mut data = BookData::default();
        for part in [store::BookPart::Reference, store::BookPart::Calibre] {
            let mut after = (String::new(), String::new());
            loop {
                let page = self.store.book(ACCOUNT, part, (&after.0, &after.1), PAGE).await?;
                let Some(last) = page.last() else { break };
                after = (last.maker.clone(), last.name.clone());
                for entry in &page {
                    let read = match part {
                        store::BookPart::Reference => {
                            serde_json::from_str(&entry.body).map(|r| data.references.push(r))
                        }
                        store::BookPart::Calibre => serde_json::from_str(&entry.body).map(|c| data.calibres.push(c)),
                    };
                    read.map_err(|e| {
                        tracing::error!(error = %e, maker = entry.maker, name = entry.name, "an entry of the book");
                        Problem::new(INTERNAL, "an entry of the stored reference book cannot be read")
                    })?;
                }
            }
        }
        if data == BookData::default() {
            return Ok((*self.own_book).clone());
        }
        let stored = Book::new(data).map_err(|faults| {
            tracing::error!(%faults, "the stored reference book");
            Problem::new(INTERNAL, "the stored reference book has faults")
        })?;
        Ok(stored.over(&self.own_book))
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
    pub async fn seller(&self, force: &InForce, id: &str) -> Result<SellerFile, Problem> {
        let mut file = SellerFile::default();
        match self.store.seller(ACCOUNT, id).await {
            Ok(summary) => {
                if let Some(said) = summary.said {
                    file.said.segment = said.segment;
                    file.said.feedback = said.feedback.as_deref().and_then(|f| serde_json::from_str(f).ok());
                }
            }
            Err(e) if e.is_not_found() => return Ok(file),
            Err(e) => return Err(e.into()),
        }
        let filter = OutcomeFilter { seller: Some(id.into()), current: true, ..OutcomeFilter::default() };
        let mut reports: HashMap<String, Report> = HashMap::new();
        let mut after = 0;
        loop {
            let page = self.store.outcomes(ACCOUNT, &filter, after, PAGE).await?;
            let Some(last) = page.last() else { break };
            after = last.number;
            for outcome in &page {
                if let Some(report) = report(force.assessor().pack(), &outcome.body) {
                    file.found += 1;
                    file.bad += u64::from(force.assessor().pack().bad()[report.story]);
                    reports.insert(outcome.listing.clone(), report);
                }
            }
        }
        let mut query = ListingQuery { seller: Some(id.into()), limit: PAGE, ..ListingQuery::default() };
        loop {
            let page = self.store.listings(ACCOUNT, &query).await?;
            for listing in page.items {
                if let Some(read) = force.stored(&listing.id, &listing.request, &file.said) {
                    let other = force.assessor().likelihood(&read, reports.remove(&listing.id));
                    let asks = asks(&listing.request);
                    file.listings.push(Known { listing, stated: read.seller.stated, other, asks });
                }
            }
            match page.next {
                Some(next) => query.after = Some(next),
                None => break,
            }
        }
        let pack = force.assessor().pack();
        let segment = pack.segment(file.said.segment.as_deref()).unwrap_or(0);
        file.loose = reports.into_iter().map(|(id, r)| (id, force.assessor().reported(segment, r))).collect();
        file.loose.sort_by(|a, b| a.0.cmp(&b.0));
        Ok(file)
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
    let memory = app.memory()?;
    let force = app.in_force().await?;
    let before = match memory.store.listing(ACCOUNT, save.id).await {
        Ok(listing) => Some(listing),
        Err(e) if e.is_not_found() => None,
        Err(e) => return Err(e.into()),
    };
    let known = app.known(&force, &save.read.request, Some(save.id)).await?;
    let (read, with, used) = (save.read, force.clone(), known.clone());
    let (request, assessment) = computing(move || {
        let (request, listing) = read.listing(&with, &used)?;
        Ok((request, with.assess(&listing)?))
    })
    .await?;

    let now = now();
    let made = Made::of(&force, &known, &assessment)?;
    let seller = request.seller.as_ref().and_then(|s| s.id.as_deref());
    let photos: Vec<String> = request.photos.iter().flatten().filter_map(|p| p.digest.clone()).collect();
    let new = NewListing {
        id: save.id,
        status: request.status.unwrap_or(Status::Open),
        request: save.text,
        seller,
        serial: request.watch.as_ref().and_then(|w| w.facts.as_ref()).and_then(|f| f.serial.as_deref()),
        photos: &photos,
        at: now,
    };
    let mut write = memory.store.write(ACCOUNT).await?;
    memory.keep_base(&mut write, now).await?;
    let created = write.put_listing(&new, &made.row(now), save.condition).await?;
    if let Some(change) = before.as_ref().and_then(|b| advice_change(b, &assessment, now, "it was saved anew")) {
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
            body: made.body,
            keys: made.keys,
        }),
    };
    let because = format!("listing {} of the same seller was saved", save.id);
    follow(app, [listing.seller.clone(), before.and_then(|b| b.seller)], &because).await;
    Ok(Saved { created, listing })
}

/// Assesses a seller's open listings again and keeps what differs.
pub(crate) async fn refresh(app: &App, seller: &str, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    // Whoever writes meanwhile refreshes what it touched; a few rounds settle two that meet.
    for _ in 0..ROUNDS {
        let force = app.in_force().await?;
        let file = memory.seller(&force, seller).await?;
        if keep_anew(memory, &force, file.open(), because).await? {
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
    refresh_open(app, &format!("model {version} was put in force")).await?;
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

/// Assesses open listings again that an entry of the reference book may speak of.
pub(crate) async fn refresh_maker(app: &App, part: BookPart, maker: &str, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    let force = app.in_force().await?;
    let mut query = ListingQuery { status: Some(Status::Open), limit: PAGE, ..ListingQuery::default() };
    loop {
        let page = memory.store.listings(ACCOUNT, &query).await?;
        let touched = page.items.into_iter().filter(|l| speaks_of(&force.book, part, maker, &l.request)).collect();
        refresh_these(app, touched, because).await?;
        match page.next {
            Some(next) => query.after = Some(next),
            None => return Ok(()),
        }
    }
}

/// Whether a stored request is about a maker's watch; for a calibre, also whether it or its
/// reference names a calibre with that maker before it.
fn speaks_of(book: &Book, part: BookPart, maker: &str, request: &str) -> bool {
    let Ok(AssessRequest { watch: Some(watch), .. }) = serde_json::from_str(request) else { return false };
    let maker = Book::name_key(maker);
    if watch.maker.as_deref().is_some_and(|own| Book::name_key(own) == maker) {
        return true;
    }
    let entry = watch.maker.as_deref().zip(watch.reference.as_deref()).and_then(|(m, r)| book.reference(m, r));
    let allowed = entry.into_iter().flat_map(|r| &r.calibres);
    let mut calibres = watch.facts.iter().filter_map(|f| f.calibre.as_ref()).chain(allowed);
    part == BookPart::Calibre && calibres.any(|c| Book::name_key(c).contains(&maker))
}

/// How often a re-assessment begins anew when somebody else writes meanwhile.
const ROUNDS: usize = 5;

/// Assesses listings again, with all the open ones of their sellers.
async fn refresh_these(app: &App, listings: Vec<store::Listing>, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    let sellers: BTreeSet<String> = listings.iter().filter_map(|l| l.seller.clone()).collect();
    let mut alone: Vec<store::Listing> = listings.into_iter().filter(|l| l.seller.is_none()).collect();
    for _ in 0..ROUNDS {
        let force = app.in_force().await?;
        let open = alone.iter().filter(|l| l.seller.is_none() && l.status == Status::Open);
        let open = open.map(|l| (l.clone(), SellerKnown::default())).collect();
        if keep_anew(memory, &force, open, because).await? {
            break;
        }
        // Somebody wrote since: look at them as they are now.
        let mut now = Vec::with_capacity(alone.len());
        for listing in &alone {
            match memory.store.listing(ACCOUNT, &listing.id).await {
                Ok(listing) => now.push(listing),
                Err(e) if e.is_not_found() => {}
                Err(e) => return Err(e.into()),
            }
        }
        alone = now;
    }
    for seller in sellers {
        refresh(app, &seller, because).await?;
    }
    Ok(())
}

/// Assesses all open listings again: where another model comes into force, and after a start, since the
/// process may have ended between a write and what follows from it.
///
/// # Errors
/// If the store fails.
pub async fn refresh_open(app: &App, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    let mut query = ListingQuery { status: Some(Status::Open), limit: PAGE, ..ListingQuery::default() };
    let mut done: BTreeSet<String> = BTreeSet::new();
    loop {
        let page = memory.store.listings(ACCOUNT, &query).await?;
        let new = |l: &store::Listing| l.seller.as_ref().is_none_or(|s| !done.contains(s));
        let these: Vec<store::Listing> = page.items.into_iter().filter(new).collect();
        done.extend(these.iter().filter_map(|l| l.seller.clone()));
        refresh_these(app, these, because).await?;
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
            changes.extend(advice_change(listing, assessment, now, because));
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
            let change = |b: store::Listing| advice_change(&b, assessment, now, "its seller was forgotten");
            changes.extend(before.and_then(change));
        }
    }
    let told: Vec<NewChange<'_>> =
        changes.iter().map(|data| NewChange { at: now, event: ADVICE_CHANGED, data }).collect();
    write.tell(&told).await?;
    write.commit().await?;
    Ok(())
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
            let mut request: Value = serde_json::from_str(&request).map_err(|e| {
                tracing::error!(error = %e, listing = id, "a stored request");
                Problem::new(INTERNAL, "a stored listing cannot be read")
            })?;
            if let Some(seller) = request.pointer_mut("/seller").and_then(Value::as_object_mut) {
                seller.remove("id");
            }
            let (request, nobody) = (request.to_string(), SellerKnown::default());
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
            json!({ "id": f.id, "at": now.to_string(), "listing": f.body.listing, "story": f.body.story }).to_string()
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
        if let Err(e) = refresh(app, &seller, because).await {
            tracing::error!(detail = e.detail, "listings were not assessed again");
        }
    }
}

/// The event of a listing whose advice is another than before.
pub const ADVICE_CHANGED: &str = "advice_changed";

/// The event's data, if the advice changed.
fn advice_change(before: &store::Listing, now: &Assessment, at: Timestamp, because: &str) -> Option<String> {
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
        "id": before.id, "at": at.to_string(), "before": short(&was), "after": short(now), "because": [because],
    });
    Some(change.to_string())
}

/// An assessment as it is kept.
struct Made {
    model: String,
    seller_used: String,
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
            body: serde_json::to_string(assessment).map_err(text)?,
            keys: keys(assessment),
        })
    }

    fn row(&self, at: Timestamp) -> NewAssessment<'_> {
        let Self { model, seller_used, body, keys } = self;
        NewAssessment { model, at, seller_used, body, keys: *keys }
    }
}

/// The story that a stored outcome reports.
fn report(pack: &Pack, body: &str) -> Option<Report> {
    let body: OutcomeBody = serde_json::from_str(body).ok()?;
    Some(Report { story: pack.story(&body.story)?, certainty: body.certainty.unwrap_or(1.0) })
}

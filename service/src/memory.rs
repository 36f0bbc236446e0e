//! What the service remembers, in the terms of the calculation: the model in force, the reference
//! book, and what is known of a seller from its other listings and outcomes.
//!
//! Nothing here is state of its own: what is cached holds as long as the account's revision does, or
//! never changes (a version of the model, an assessor made of it).

use crate::app::{App, ReadRequest, Served, computing};
use crate::assess::{Assessor, Report};
use crate::listing::{Listing, Other};
use crate::problem::{INTERNAL, Problem};
use crate::store::{
    self, Keys, ListingQuery, NewAssessment, NewChange, NewListing, NewModel, OutcomeFilter, Precondition, Status,
    Store, Write,
};
use crate::wire::request::AssessRequest;
use crate::wire::response::Assessment;
use crate::wire::stored::{OutcomeBody, SellerKnown};
use jiff::Timestamp;
use serde_json::json;
use std::collections::{BTreeSet, HashMap};
use std::sync::{Arc, Mutex, PoisonError};
use steelyard_model::facts::{Book, BookData};
use steelyard_model::pack::Pack;

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
    /// Outcomes of listings that are not saved.
    loose: Vec<(String, Other)>,
}

#[derive(Debug, Clone)]
struct Known {
    listing: store::Listing,
    other: Other,
}

impl SellerFile {
    /// What it says to one listing, which never counts itself.
    #[must_use]
    pub fn without(&self, listing: Option<&str>) -> SellerKnown {
        let saved = self.listings.iter().map(|k| (&k.listing.id, k.other));
        let all = saved.chain(self.loose.iter().map(|(id, other)| (id, *other)));
        let others = all.filter(|(id, _)| Some(id.as_str()) != listing).map(|(_, other)| other).collect();
        SellerKnown { others, ..self.said.clone() }
    }

    /// Listings of nobody known.
    fn of(listings: Vec<store::Listing>) -> Self {
        let other = Other { ln_bad: Some(0.0), ln_sound: Some(0.0), found: false };
        let listings = listings.into_iter().map(|listing| Known { listing, other }).collect();
        Self { listings, ..Self::default() }
    }

    /// The listings still offered.
    pub fn open(&self) -> impl Iterator<Item = &store::Listing> {
        self.listings.iter().map(|k| &k.listing).filter(|l| l.status == store::Status::Open)
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
    async fn keep_base(&self, write: &mut Write, at: Timestamp) -> Result<(), Problem> {
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
                    reports.insert(outcome.listing.clone(), report);
                }
            }
        }
        let mut query = ListingQuery { seller: Some(id.into()), limit: PAGE, ..ListingQuery::default() };
        loop {
            let page = self.store.listings(ACCOUNT, &query).await?;
            for listing in page.items {
                let report = reports.remove(&listing.id);
                if let Some(read) = force.stored(&listing.id, &listing.request, &file.said) {
                    let other = force.assessor().likelihood(&read, report);
                    file.listings.push(Known { listing, other });
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

/// A listing to save.
pub(crate) struct Save<'a> {
    pub(crate) id: &'a str,
    /// The body as it was sent.
    pub(crate) text: &'a str,
    pub(crate) read: ReadRequest,
    pub(crate) condition: Precondition,
}

/// Assesses and saves a listing, then assesses the seller's other open ones again. True if there was
/// none of that id.
pub(crate) async fn save(app: &App, save: Save<'_>) -> Result<bool, Problem> {
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

    let now = Timestamp::now();
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
    write.commit().await?;

    let because = format!("listing {} of the same seller was saved", save.id);
    let left = before.and_then(|b| b.seller).filter(|b| Some(b.as_str()) != seller);
    for seller in seller.map(str::to_owned).into_iter().chain(left) {
        refresh(app, &seller, &because).await?;
    }
    Ok(created)
}

/// Assesses a seller's open listings again and keeps what differs.
pub(crate) async fn refresh(app: &App, seller: &str, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    // Whoever writes meanwhile refreshes what it touched; a few rounds settle two that meet.
    for _ in 0..3 {
        let force = app.in_force().await?;
        let file = memory.seller(&force, seller).await?;
        if keep_anew(memory, &force, file, because).await? {
            return Ok(());
        }
    }
    Ok(())
}

/// Assesses every listing that the model in force has not assessed yet.
pub(crate) async fn refresh_all(app: &App, because: &str) -> Result<(), Problem> {
    let memory = app.memory()?;
    let force = app.in_force().await?;
    let mut after = String::new();
    loop {
        let page = memory.store.listings_not_by(ACCOUNT, force.served.version(), &after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(()) };
        after.clone_from(&last.id);
        let sellers: BTreeSet<String> = page.iter().filter_map(|l| l.seller.clone()).collect();
        let alone: Vec<store::Listing> =
            page.into_iter().filter(|l| l.seller.is_none() && l.status == Status::Open).collect();
        keep_anew(memory, &force, SellerFile::of(alone), because).await?;
        for seller in sellers {
            refresh(app, &seller, because).await?;
        }
    }
}

/// Assesses the open listings of a file again and keeps what differs; false if somebody wrote since
/// the file was read.
async fn keep_anew(memory: &Memory, force: &Arc<InForce>, file: SellerFile, because: &str) -> Result<bool, Problem> {
    let with = force.clone();
    let anew = computing(move || {
        let mut anew = Vec::new();
        for listing in file.open() {
            let known = file.without(Some(&listing.id));
            // A listing that no longer fits the model keeps its last assessment.
            let Ok(assessment) = with.reassess(&listing.id, &listing.request, &known) else { continue };
            let made = Made::of(&with, &known, &assessment)?;
            if listing.assessment.as_ref().is_none_or(|a| a.body != made.body) {
                anew.push((listing.clone(), made, assessment));
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

//! What all requests share.

use crate::assess::Assessor;
use crate::body::MARK;
use crate::listing::Listing;
use crate::memory::{InForce, Marks, Memory, Own, seller_of};
use crate::openapi;
use crate::outcomes::{self, Format, ReadLine};
use crate::polling::Feeds;
use crate::problem::{FaultAt, INTERNAL, MALFORMED, Problem, UNAVAILABLE};
use crate::shape::Shape;
use crate::store::Store;
use crate::strict_json;
use crate::wire::request::AssessRequest;
use crate::wire::response::{Assessment, Catalogue, SignEntry};
use crate::wire::stored::SellerKnown;
use axum::body::Bytes;
use serde::de::DeserializeOwned;
use serde_json::Value;
use std::collections::{HashMap, HashSet};
use std::sync::Arc;
use steelyard_model::ask::telling;
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore, watch};

/// A model ready to answer, with what is served of it.
#[derive(Debug)]
pub struct Served {
    /// Assesses.
    pub assessor: Assessor,
    /// The catalogue of signs, the most telling first.
    pub catalogue: Catalogue,
    /// The model as JSON.
    pub json: Bytes,
}

impl Served {
    /// For a model.
    ///
    /// # Errors
    /// If the model cannot be served.
    pub fn new(pack: Arc<Pack>) -> anyhow::Result<Arc<Self>> {
        let assessor = Assessor::new(pack)?;
        let catalogue = catalogue(&assessor);
        let json = serde_json::to_vec(assessor.pack().data())?.into();
        Ok(Arc::new(Self { assessor, catalogue, json }))
    }

    /// The model's version.
    #[must_use]
    pub fn version(&self) -> &str {
        &self.assessor.pack().data().version
    }
}

/// What requests are checked against, what they are answered with, and the state of the process.
#[derive(Debug)]
pub struct App {
    base: Arc<InForce>,
    memory: Option<Arc<Memory>>,
    calibrations_queued: Arc<Notify>,
    feeds: Feeds,
    shapes: HashMap<&'static str, Shape>,
    openapi_json: (Bytes, String),
    streams: Arc<Semaphore>,
    batches: Arc<Semaphore>,
    draining: watch::Sender<bool>,
}

/// How many streams of changes may be open at once.
pub const MOST_STREAMS: usize = 64;

/// Bodies that are checked against the document's schemas.
const BODIES: &[&str] = &[
    "AssessRequest",
    "BidsBody",
    "CalibrationBody",
    "CalibreBody",
    "FeedBody",
    "FeedDefaults",
    "OutcomeBody",
    "ReferenceBody",
    "SellerBody",
];

impl App {
    /// For a model and a reference book, remembering nothing.
    ///
    /// # Errors
    /// If the model or the document cannot be served.
    pub fn new(pack: Arc<Pack>, book: Book) -> anyhow::Result<Arc<Self>> {
        Self::made(pack, book, None, Feeds::none())
    }

    /// The same with a memory.
    ///
    /// # Errors
    /// If the model or the document cannot be served.
    pub fn with_memory(pack: Arc<Pack>, book: Book, store: Store) -> anyhow::Result<Arc<Self>> {
        Self::made(pack, book, Some(store), Feeds::none())
    }

    /// The same where feeds are fetched.
    ///
    /// # Errors
    /// If the model or the document cannot be served.
    pub fn with_feeds(pack: Arc<Pack>, book: Book, store: Store, feeds: Feeds) -> anyhow::Result<Arc<Self>> {
        Self::made(pack, book, Some(store), feeds)
    }

    fn made(pack: Arc<Pack>, book: Book, store: Option<Store>, feeds: Feeds) -> anyhow::Result<Arc<Self>> {
        let served = Served::new(pack)?;
        let document = openapi::document()?;
        let shapes = BODIES.iter().map(|name| Ok((*name, Shape::compile(&document, name)?)));
        let memory = store
            .map(|store| Ok::<_, anyhow::Error>(Arc::new(Memory::new(store, served.clone(), book.clone())?)))
            .transpose()?;
        Ok(Arc::new(Self {
            base: Arc::new(InForce { revision: 0, since: 0, served, book: Arc::new(book), own_book: None }),
            memory,
            calibrations_queued: Arc::default(),
            feeds,
            shapes: shapes.collect::<anyhow::Result<_>>()?,
            openapi_json: openapi::served(&document)?,
            streams: Arc::new(Semaphore::new(MOST_STREAMS)),
            batches: Arc::new(Semaphore::new(std::thread::available_parallelism().map_or(1, usize::from))),
            draining: watch::Sender::new(false),
        }))
    }

    /// From the bytes of a request to its assessment, as if nothing were stored.
    ///
    /// # Errors
    /// Every fault of the request as a problem.
    pub fn assess(&self, bytes: &[u8]) -> Result<Assessment, Problem> {
        let bytes = bytes.strip_prefix(MARK).unwrap_or(bytes);
        let (_, listing) = self.request(bytes)?.listing(&self.base, &SellerKnown::default())?;
        self.base.assess(&listing)
    }

    /// The same with what is stored of the seller.
    ///
    /// # Errors
    /// Every fault of the request as a problem; or if the store fails.
    pub async fn answer(&self, bytes: &[u8]) -> Result<Assessment, Problem> {
        let force = self.in_force().await?;
        let read = self.request(bytes)?;
        let known = self.known(&force, &read.request, read.request.id.as_deref()).await?;
        // Sampling what to ask may take milliseconds: not on a thread that serves connections.
        computing(move || {
            let (_, listing) = read.listing(&force, &known)?;
            force.assess(&listing)
        })
        .await
    }

    /// What is stored of a request's seller, without a listing of that id.
    pub(crate) async fn known(
        &self,
        force: &Arc<InForce>,
        request: &AssessRequest,
        id: Option<&str>,
    ) -> Result<SellerKnown, Problem> {
        match (&self.memory, seller_of(request)) {
            (Some(memory), Some(seller)) => {
                let marks = Marks::of(request);
                Ok(memory.seller(force, seller).await?.without(Own { id, marks: &marks }))
            }
            _ => Ok(SellerKnown::default()),
        }
    }

    /// A request, with its faults of shape.
    pub(crate) fn request(&self, bytes: &[u8]) -> Result<ReadRequest, Problem> {
        match self.sound_request(bytes) {
            Some(request) => Ok(ReadRequest { request, torn: Vec::new() }),
            None => self.torn_request(bytes),
        }
    }

    /// A request that is seen at once to have no fault of shape, as most have none.
    pub(crate) fn sound_request(&self, bytes: &[u8]) -> Option<AssessRequest> {
        let text = std::str::from_utf8(bytes).ok().filter(|text| self.shapes["AssessRequest"].fits(text))?;
        let mut request: AssessRequest = serde_json::from_str(text).ok()?;
        if let Some(watch) = &mut request.watch {
            // The order in which they stand means nothing.
            watch.traits.sort_unstable_keys();
        }
        Some(request)
    }

    pub(crate) fn torn_request(&self, bytes: &[u8]) -> Result<ReadRequest, Problem> {
        let (request, torn) = self.shaped("AssessRequest", bytes, |body, faults| {
            if faults.iter().any(|f| f.pointer.starts_with("/reference_book"))
                && let Some(members) = body.as_object_mut()
            {
                // A torn book says nothing rather than something wrong.
                members.remove("reference_book");
            }
        })?;
        Ok(ReadRequest { request, torn })
    }

    /// A body of its shape; what its faults were found in is mended away.
    pub(crate) fn shaped<T: DeserializeOwned>(
        &self,
        name: &str,
        bytes: &[u8],
        mend: impl FnOnce(&mut Value, &[FaultAt]),
    ) -> Result<(T, Vec<FaultAt>), Problem> {
        let body = strict_json::parse(bytes)
            .map_err(|fault| Problem::new(MALFORMED, fault.detail.clone()).with(vec![fault]))?;
        self.shaped_value(name, body, mend)
    }

    fn shaped_value<T: DeserializeOwned>(
        &self,
        name: &str,
        mut body: Value,
        mend: impl FnOnce(&mut Value, &[FaultAt]),
    ) -> Result<(T, Vec<FaultAt>), Problem> {
        let faults = self.shapes[name].check(&mut body);
        mend(&mut body, &faults);
        let typed = serde_json::from_value(body).map_err(|e| {
            if faults.is_empty() {
                // The schema is made from these types: what it lets through they take.
                tracing::error!(error = %e, name, "the schema let through what the types refuse");
                return Problem::new(INTERNAL, "the schema and the types disagree");
            }
            Problem::invalid(once(faults.clone()))
        })?;
        Ok((typed, faults))
    }

    /// A body of which nothing but the shape must hold.
    pub(crate) fn body<T: DeserializeOwned>(&self, name: &str, bytes: &[u8]) -> Result<T, Problem> {
        self.checked(name, bytes, |_, _| (), |_| Vec::new())
    }

    /// A body of which shape and meaning hold.
    pub(crate) fn checked<T: DeserializeOwned>(
        &self,
        name: &str,
        bytes: &[u8],
        mend: impl FnOnce(&mut Value, &[FaultAt]),
        meaning: impl FnOnce(&T) -> Vec<FaultAt>,
    ) -> Result<T, Problem> {
        let (body, faults) = self.shaped(name, bytes, mend)?;
        sound(body, faults, meaning)
    }

    /// Reads a file of outcomes, each with its line, against the model in force.
    ///
    /// # Errors
    /// Every fault of a CSV's header.
    pub fn outcomes(&self, force: &InForce, format: Format, bytes: &[u8]) -> Result<Vec<ReadLine>, Problem> {
        let pack = force.assessor().pack();
        let read = |body| {
            let (body, faults) = self.shaped_value("OutcomeBody", body, |_, _| ())?;
            sound(body, faults, |body| outcomes::faults(pack, body))
        };
        let faults = |p: Problem| if p.errors.is_empty() { vec![FaultAt::new("", p.detail)] } else { p.errors };
        outcomes::read_lines(pack, format, bytes, |body| read(body).map_err(faults))
            .map_err(|faults| Problem::invalid(faults.into_iter().map(|f| FaultAt::new("", f)).collect()))
    }

    /// What assessments are made with now.
    ///
    /// # Errors
    /// If the store fails.
    pub async fn in_force(&self) -> Result<Arc<InForce>, Problem> {
        match &self.memory {
            Some(memory) => memory.in_force().await,
            None => Ok(self.base.clone()),
        }
    }

    /// What is remembered.
    ///
    /// # Errors
    /// If the service was started without a store.
    pub fn memory(&self) -> Result<&Arc<Memory>, Problem> {
        self.memory.as_ref().ok_or_else(|| Problem::new(UNAVAILABLE, "the service runs without a store"))
    }

    /// Told of every calibration that is queued here.
    #[must_use]
    pub fn calibrations_queued(&self) -> &Arc<Notify> {
        &self.calibrations_queued
    }

    /// How feeds are polled.
    pub(crate) fn feeds(&self) -> &Feeds {
        &self.feeds
    }

    /// The OpenAPI document as served, and its tag.
    #[must_use]
    pub fn openapi_json(&self) -> (&Bytes, &str) {
        (&self.openapi_json.0, &self.openapi_json.1)
    }

    /// No more new work: the process is shutting down.
    pub fn drain(&self) {
        self.draining.send_replace(true);
    }

    /// Whether it is shutting down.
    #[must_use]
    pub fn is_draining(&self) -> bool {
        *self.draining.borrow()
    }

    /// Becomes true when it shuts down.
    pub(crate) fn draining(&self) -> watch::Receiver<bool> {
        self.draining.subscribe()
    }

    /// Runs a part of a stream's calculations. Of all streams together no more are under way than there
    /// are processors: the threads beyond are for whoever asks once.
    pub(crate) async fn computing_in_turn<T: Send + 'static>(
        &self,
        work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let turn = self.batches.clone().acquire_owned().await;
        computing(move || {
            // Held by the calculation itself, which goes on where its stream is dropped.
            let _turn = turn;
            work()
        })
        .await
    }

    /// The right to one more stream of changes, until it is dropped.
    pub(crate) fn stream(&self) -> Option<OwnedSemaphorePermit> {
        self.streams.clone().try_acquire_owned().ok()
    }
}

/// A request as it was read.
#[derive(Debug, Clone)]
pub(crate) struct ReadRequest {
    /// What could be read.
    pub(crate) request: AssessRequest,
    /// Faults of shape; what they were found in is no longer in the request.
    torn: Vec<FaultAt>,
}

impl ReadRequest {
    /// Whether no fault of shape was found.
    #[cfg(test)]
    pub(crate) fn is_whole(&self) -> bool {
        self.torn.is_empty()
    }

    /// The listing in it; faults of shape and of meaning are told together.
    pub(crate) fn listing(mut self, force: &InForce, known: &SellerKnown) -> Result<(AssessRequest, Listing), Problem> {
        known.complete(&mut self.request);
        match Listing::read(force.assessor().pack(), &force.book, &self.request, &self.torn) {
            Ok(mut listing) if self.torn.is_empty() => {
                listing.seller.others = known.beside(&self.request);
                return Ok((self.request, listing));
            }
            Ok(_) => {}
            Err(more) => self.torn.extend(more),
        }
        Err(Problem::invalid(once(self.torn)))
    }
}

/// A body that has faults neither of shape nor of meaning; what shape has named, meaning need not.
fn sound<T>(body: T, mut faults: Vec<FaultAt>, meaning: impl FnOnce(&T) -> Vec<FaultAt>) -> Result<T, Problem> {
    let named: HashSet<String> = faults.iter().map(|f| f.pointer.clone()).collect();
    if named.contains("") {
        // Of what is no object at all there is nothing else to say.
        return Err(Problem::invalid(once(faults)));
    }
    faults.extend(meaning(&body).into_iter().filter(|f| !named.contains(&f.pointer)));
    if faults.is_empty() { Ok(body) } else { Err(Problem::invalid(once(faults))) }
}

/// Runs a calculation on a thread that serves no connections.
pub(crate) async fn computing<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Problem> + Send + 'static,
) -> Result<T, Problem> {
    tokio::task::spawn_blocking(work).await.map_err(|e| {
        tracing::error!(error = %e, "a calculation panicked");
        Problem::new(INTERNAL, "the fault is ours")
    })?
}

/// Every fault once.
fn once(mut faults: Vec<FaultAt>) -> Vec<FaultAt> {
    let mut seen = HashSet::new();
    faults.retain(|f| seen.insert((f.pointer.clone(), f.detail.clone())));
    faults
}

fn catalogue(assessor: &Assessor) -> Catalogue {
    let pack = assessor.pack();
    let segment = &pack.data().segments[0];
    let prior = pack.prior(0, segment.a / (segment.a + segment.b));
    let mut items: Vec<SignEntry> = pack
        .data()
        .signs
        .iter()
        .enumerate()
        .map(|(i, s)| SignEntry {
            id: s.id.clone(),
            on: s.on.clone(),
            needs: s.needs.clone(),
            question: s.question.clone(),
            how_to_look: s.how_to_look.clone(),
            innocent_explanations: s.innocent_explanations.clone(),
            feature_mm: s.feature_mm,
            reading: s.reading.clone(),
            applies_if: s.applies_if.clone(),
            excludes: pack.signs()[i].excludes.iter().map(|&x| pack.signs()[x].id.clone()).collect(),
            bits: telling(pack, &prior, i),
        })
        .collect();
    items.sort_by(|a, b| b.bits.total_cmp(&a.bits));
    Catalogue { model: assessor.model_name(), items }
}

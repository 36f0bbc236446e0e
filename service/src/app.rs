//! What all requests share.

use crate::assess::Assessor;
use crate::listing::Listing;
use crate::openapi;
use crate::problem::{INTERNAL, MALFORMED, Problem};
use crate::shape::Shape;
use crate::strict_json;
use crate::wire::request::AssessRequest;
use crate::wire::response::{Assessment, Catalogue, SignEntry};
use axum::body::Bytes;
use serde_json::Value;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use steelyard_model::ask::telling;
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;

/// The model in force, its documents, and the state of the process.
#[derive(Debug)]
pub struct App {
    assessor: Assessor,
    book: Book,
    shape: Shape,
    catalogue: Catalogue,
    model_json: Bytes,
    openapi_json: (Bytes, String),
    draining: AtomicBool,
}

impl App {
    /// For a model and a reference book.
    ///
    /// # Errors
    /// If the model or the document cannot be served.
    pub fn new(pack: Arc<Pack>, book: Book) -> anyhow::Result<Arc<Self>> {
        let assessor = Assessor::new(pack)?;
        let document = openapi::document()?;
        Ok(Arc::new(Self {
            shape: Shape::compile(&document, "AssessRequest")?,
            catalogue: catalogue(&assessor),
            model_json: serde_json::to_vec(assessor.pack().data())?.into(),
            openapi_json: openapi::served(&document)?,
            assessor,
            book,
            draining: AtomicBool::new(false),
        }))
    }

    /// From the bytes of a request to its assessment.
    ///
    /// # Errors
    /// Every fault of the request as a problem.
    pub fn assess(&self, bytes: &[u8]) -> Result<Assessment, Problem> {
        let body = strict_json::parse(bytes)
            .map_err(|fault| Problem::new(MALFORMED, fault.detail.clone()).with(vec![fault]))?;
        let listing = self.listing(body)?;
        self.assessor.assess(&listing).map_err(|e| {
            tracing::error!(error = %e, "a listing that fits could not be assessed");
            Problem::new(INTERNAL, "the evidence cannot occur under the model")
        })
    }

    /// Faults of shape and of meaning are told together.
    fn listing(&self, mut body: Value) -> Result<Listing, Problem> {
        let mut faults = self.shape.check(&mut body);
        if faults.iter().any(|f| f.pointer.starts_with("/reference_book"))
            && let Some(members) = body.as_object_mut()
        {
            // A torn book says nothing rather than something wrong.
            members.remove("reference_book");
        }
        let request = AssessRequest::deserialize_checked(body)?;
        match Listing::read(self.assessor.pack(), &self.book, &request, &faults) {
            Ok(listing) if faults.is_empty() => return Ok(listing),
            Ok(_) => {}
            Err(more) => faults.extend(more),
        }
        let mut seen = std::collections::HashSet::new();
        faults.retain(|f| seen.insert((f.pointer.clone(), f.detail.clone())));
        Err(Problem::invalid(faults))
    }

    /// The model and its plans.
    #[must_use]
    pub fn assessor(&self) -> &Assessor {
        &self.assessor
    }

    /// The catalogue of signs, the most telling first.
    #[must_use]
    pub fn catalogue(&self) -> &Catalogue {
        &self.catalogue
    }

    /// The model as served.
    #[must_use]
    pub fn model_json(&self) -> &Bytes {
        &self.model_json
    }

    /// The OpenAPI document as served, and its tag.
    #[must_use]
    pub fn openapi_json(&self) -> (&Bytes, &str) {
        (&self.openapi_json.0, &self.openapi_json.1)
    }

    /// No more new work: the process is shutting down.
    pub fn drain(&self) {
        self.draining.store(true, Ordering::Relaxed);
    }

    /// Whether it is shutting down.
    #[must_use]
    pub fn is_draining(&self) -> bool {
        self.draining.load(Ordering::Relaxed)
    }
}

impl AssessRequest {
    fn deserialize_checked(body: Value) -> Result<Self, Problem> {
        serde_json::from_value(body).map_err(|e| {
            // The schema is made from these types: what it lets through they take.
            tracing::error!(error = %e, "the schema let through what the types refuse");
            Problem::new(INTERNAL, "the schema and the types disagree")
        })
    }
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

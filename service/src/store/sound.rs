//! What the lines of an import hold: checked as the API checks the same, so that what was imported is as fit for
//! use as what was put.

use super::{BookPart, Error};
use crate::feed::MOST_ID_CHARS;
use crate::memory::Marks;
use crate::openapi;
use crate::problem::FaultAt;
use crate::shape::Shape;
use crate::strict_json;
use crate::wire::calibration::CalibrationBody;
use crate::wire::request::AssessRequest;
use crate::wire::stored::{OutcomeBody, SellerBody};
use serde::de::DeserializeOwned;
use serde_json::{Map, Value, json};
use std::collections::HashMap;
use steelyard_model::facts::{Book, BookData, Calibre, Reference};
use steelyard_model::pack::Pack;

/// Faults of a line that are named.
const MOST_FAULTS: usize = 5;

/// Why a line is refused, in words.
type Refusal = String;

/// The checks, compiled once an import.
#[derive(Debug)]
pub(super) struct Sound {
    shapes: HashMap<&'static str, Shape>,
}

/// What a listing's request says of itself.
#[derive(Debug)]
pub(super) struct Said {
    pub(super) status: super::Status,
    pub(super) seller: Option<String>,
    pub(super) serial: Option<String>,
    pub(super) photos: Vec<String>,
}

impl Sound {
    pub(super) fn new() -> Result<Self, Error> {
        let ours = |e: anyhow::Error| Error::corrupt(e.to_string());
        let document = openapi::document().map_err(ours)?;
        let bodies = ["AssessRequest", "CalibrationBody", "CalibreBody", "OutcomeBody", "ReferenceBody", "SellerBody"];
        let shapes = bodies.into_iter().map(|name| Ok((name, Shape::compile(&document, name)?)));
        Ok(Self { shapes: shapes.collect::<anyhow::Result<_>>().map_err(ours)? })
    }

    /// A body of its shape.
    fn body<T: DeserializeOwned>(&self, name: &str, text: &str) -> Result<T, Refusal> {
        let body = strict_json::parse(text.as_bytes()).map_err(|fault| told(&[fault]))?;
        self.value(name, body)
    }

    fn value<T: DeserializeOwned>(&self, name: &str, mut body: Value) -> Result<T, Refusal> {
        let faults = self.shapes[name].check(&mut body);
        if !faults.is_empty() {
            return Err(told(&faults));
        }
        serde_json::from_value(body).map_err(|e| e.to_string())
    }

    /// A listing's request, and what it says of itself.
    pub(super) fn request(&self, id: &str, text: &str) -> Result<Said, Refusal> {
        let request: AssessRequest = self.body("AssessRequest", text)?;
        if request.id.as_ref().is_some_and(|own| own != id) {
            return Err(format!("its request is that of a listing {:?}", request.id.unwrap_or_default()));
        }
        let marks = Marks::of(&request);
        Ok(Said {
            status: request.status.unwrap_or(super::Status::Open),
            seller: request.seller.and_then(|s| s.id),
            serial: marks.serial().map(str::to_owned),
            photos: marks.photos().to_vec(),
        })
    }

    /// The maker and name, folded, of an entry of the book.
    pub(super) fn entry(&self, part: BookPart, text: &str) -> Result<(String, String), Refusal> {
        let (alone, key) = match part {
            BookPart::Reference => {
                let entry: Reference = self.body("ReferenceBody", text)?;
                let key = Book::reference_key(&entry.maker, &entry.reference);
                (BookData { references: vec![entry], ..BookData::default() }, key)
            }
            BookPart::Calibre => {
                let entry: Calibre = self.body("CalibreBody", text)?;
                let key = Book::calibre_key(&entry.maker, &entry.calibre);
                (BookData { calibres: vec![entry], ..BookData::default() }, key)
            }
        };
        Book::new(alone).map(|_| key).map_err(|e| e.to_string())
    }

    /// An outcome of a listing.
    pub(super) fn outcome(&self, listing: &str, text: &str) -> Result<(), Refusal> {
        let body: OutcomeBody = self.body("OutcomeBody", text)?;
        if body.listing == listing { Ok(()) } else { Err(format!("it is an outcome of listing {:?}", body.listing)) }
    }

    /// What is said of a seller.
    pub(super) fn seller(
        &self,
        segment: Option<&str>,
        feedback: Option<&str>,
        note: Option<&str>,
    ) -> Result<(), Refusal> {
        let feedback = feedback.map(|f| strict_json::parse(f.as_bytes()).map_err(|fault| told(&[fault])));
        let said = json!({ "segment": segment, "feedback": feedback.transpose()?, "note": note });
        self.value::<SellerBody>("SellerBody", said).map(drop)
    }

    /// What a calibration was asked for, and what came of it.
    pub(super) fn calibration(&self, params: &str, report: Option<&str>) -> Result<(), Refusal> {
        self.body::<CalibrationBody>("CalibrationBody", params)?;
        report.map_or(Ok(()), object)
    }
}

/// That a text is a JSON object.
pub(super) fn object(text: &str) -> Result<(), Refusal> {
    serde_json::from_str::<Map<String, Value>>(text).map(drop).map_err(|e| e.to_string())
}

/// That a model is one that this program can use, of that name and digest.
pub(super) fn model(version: &str, digest: &str, text: &str) -> Result<(), Refusal> {
    let data = serde_json::from_str(text).map_err(|e| e.to_string())?;
    let pack = Pack::from_data(data).map_err(|e| e.to_string())?;
    if pack.data().version != version {
        return Err(format!("it is model {:?}", pack.data().version));
    }
    if pack.digest() != digest {
        return Err(format!("its digest is {}", pack.digest()));
    }
    Ok(())
}

/// That a name is one that the API could have given.
pub(super) fn name(name: &str) -> Result<(), Refusal> {
    if name.is_empty() || name.chars().count() > MOST_ID_CHARS || name.chars().any(char::is_control) {
        return Err(format!("a name has 1 to {MOST_ID_CHARS} characters, none of them a control character"));
    }
    Ok(())
}

fn told(faults: &[FaultAt]) -> Refusal {
    let one = |f: &FaultAt| match f.pointer.as_str() {
        "" => f.detail.clone(),
        pointer => format!("{pointer}: {}", f.detail),
    };
    faults.iter().take(MOST_FAULTS).map(one).collect::<Vec<_>>().join("; ")
}

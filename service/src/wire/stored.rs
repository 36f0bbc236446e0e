//! What is stored, as it goes over the wire.

use super::request::Feedback;
use super::response::{AdviceKind, Assessment, BadRate};
use super::{Money, NonNegativeMoney};
use crate::wire::request::{AssessRequest, CallKind};
use indexmap::IndexMap;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use steelyard_model::facts::{BookData, Calibre, Reference};
use utoipa::openapi::{RefOr, Schema};
use utoipa::{PartialSchema, ToSchema};

/// A saved listing with its newest assessment.
#[derive(Debug, Serialize, ToSchema)]
pub struct SavedListing {
    /// The caller's name for it.
    pub id: String,
    /// Goes up with every change to it or its assessment.
    #[schema(minimum = 1)]
    pub revision: i64,
    /// What became of it.
    pub status: crate::store::Status,
    /// When it was first saved, RFC 3339.
    #[schema(format = DateTime)]
    pub saved_at: String,
    /// When it was last put.
    #[schema(format = DateTime)]
    pub updated_at: String,
    /// Other saved listings with the same serial number or a photo of the same digest: perhaps
    /// the same watch. Of more than 100 the newest.
    pub same_as: Vec<String>,
    /// Those of them that were saved before this one, the newest first, at most five: what was said
    /// and asked of the watch then. Shown, not counted.
    #[schema(max_items = 5)]
    pub earlier: Vec<EarlierListing>,
    /// The request as it was put.
    #[schema(value_type = AssessRequest)]
    pub request: Box<RawValue>,
    /// The newest assessment; null after an import, until it is assessed again.
    #[schema(value_type = Option<Assessment>, required)]
    pub assessment: Option<Box<RawValue>>,
}

/// An earlier listing of perhaps the same watch, as it is now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct EarlierListing {
    /// The listing.
    pub id: String,
    /// What became of it.
    pub status: crate::store::Status,
    /// When it was first saved, RFC 3339.
    #[schema(format = DateTime)]
    pub saved_at: String,
    /// When it was last put.
    #[schema(format = DateTime)]
    pub updated_at: String,
    /// Its title.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub title: Option<String>,
    /// The first 280 characters of its description.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub description: Option<String>,
    /// What was asked, or last bid.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub price: Option<Money>,
    /// P(bad) by its newest assessment.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bad: Option<f64>,
    /// The advice on it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub advice: Option<AdviceKind>,
    /// The most to pay for it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub walk_away_price: Option<Money>,
    /// What it turned out to be.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub outcome: Option<EarlierOutcome>,
}

/// What an earlier listing turned out to be.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct EarlierOutcome {
    /// How the watch came to be as it was.
    pub story: String,
    /// How sure that is; left out where it is beyond doubt.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub certainty: Option<f64>,
    /// How it was found out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub how: Option<How>,
    /// When it was found out.
    #[schema(format = DateTime)]
    pub found_at: String,
}

/// A page of saved listings.
#[derive(Debug, Serialize, ToSchema)]
pub struct ListingsPage {
    /// The listings, each with the assessment that was current at the walk's first page.
    pub items: Vec<SavedListing>,
    /// Where to go on; null at the end.
    #[schema(required)]
    pub next_cursor: Option<String>,
}

/// What was once thought of a listing.
#[derive(Debug, Serialize, ToSchema)]
pub struct PastAssessment {
    /// The first revision at which it was current.
    #[schema(minimum = 1)]
    pub first_revision: i64,
    /// The last one; null while it is current.
    #[schema(required, minimum = 1)]
    pub last_revision: Option<i64>,
    /// Version of the model.
    pub model: String,
    /// When it was made.
    #[schema(format = DateTime)]
    pub at: String,
    /// The request as it then was.
    #[schema(value_type = AssessRequest)]
    pub request: Box<RawValue>,
    /// What was used of the seller's other listings.
    #[schema(value_type = SellerKnown)]
    pub seller_used: Box<RawValue>,
    /// The assessment.
    #[schema(value_type = Assessment)]
    pub assessment: Box<RawValue>,
}

/// What was once thought of a listing, and the same computed again.
#[derive(Debug, Serialize, ToSchema)]
pub struct AssessmentAgain {
    /// As it was.
    #[serde(flatten)]
    pub past: PastAssessment,
    /// The reference book as it then was: with it, the request, the version of the model and
    /// `seller_used`, everything is here that the assessment was made of.
    pub reference_book: BookData,
    /// Made of these now: the same to the last digit, where the same program made both.
    pub computed_again: Assessment,
}

/// A page of past assessments, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub struct PastAssessmentsPage {
    /// The assessments.
    pub items: Vec<PastAssessment>,
    /// Where to go on; null at the end.
    #[schema(required)]
    pub next_cursor: Option<String>,
}

/// What the account knew of a seller when a listing was assessed.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SellerKnown {
    /// The kind of seller that was stored.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub segment: Option<String>,
    /// The ratings that were stored.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feedback: Option<Feedback>,
    /// The seller's other listings.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<OtherListing>)]
    pub others: Vec<crate::listing::Other>,
}

/// How likely what is known of another listing is from a bad and from a sound watch.
#[derive(ToSchema)]
#[expect(dead_code, reason = "the schema of `listing::Other`")]
pub(crate) struct OtherListing {
    /// Natural logarithm, for a bad watch; null: it cannot be one.
    #[schema(required)]
    ln_bad: Option<f64>,
    /// Natural logarithm, for a sound watch; null: it cannot be one.
    #[schema(required)]
    ln_sound: Option<f64>,
    /// Whether it was found out what it is.
    found: bool,
}

/// What is said of a seller.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SellerBody {
    /// The kind of seller, one of `segments` in `GET /v1/model`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200, example = "open_marketplace")]
    pub segment: Option<String>,
    /// Marketplace ratings, all of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feedback: Option<Feedback>,
    /// The user's own note.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 5_000)]
    pub note: Option<String>,
}

/// What is known of a seller's watches. About watches, not about honesty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SellerPage {
    /// The caller's name for the seller.
    pub id: String,
    /// Of the last time it was put; null where its listings alone are known.
    #[schema(required, minimum = 1)]
    pub revision: Option<i64>,
    /// The kind of seller.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub segment: Option<String>,
    /// Marketplace ratings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub feedback: Option<Feedback>,
    /// The user's own note.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// The rate of bad ones among the seller's watches, from all that is stored.
    pub bad_rate: BadRate,
    /// Saved listings.
    #[schema(minimum = 0)]
    pub listings: u64,
    /// Known outcomes.
    #[schema(minimum = 0)]
    pub outcomes: u64,
    /// The same in a sentence that may be shown.
    pub says: String,
}

/// A page of sellers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SellersPage {
    /// The sellers, by id.
    pub items: Vec<SellerPage>,
    /// Where to go on; null at the end.
    #[schema(required)]
    pub next_cursor: Option<String>,
}

/// What was found out about a watch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OutcomeBody {
    /// The listing it is about; it need not be saved. No control characters.
    #[schema(min_length = 1, max_length = 200, pattern = "^[^\\x00-\\x1f\\x7f-\\x9f]*$")]
    pub listing: String,
    /// When it was found out, RFC 3339; now where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub found_at: Option<String>,
    /// How the watch came to be as it is: one of `stories` in `GET /v1/model`.
    #[schema(max_length = 200, example = "composite")]
    pub story: String,
    /// How sure that is; 1 where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0.2, maximum = 1)]
    pub certainty: Option<f64>,
    /// How it was found out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub how: Option<How>,
    /// States found, by component: `original`, `service`, `refinished`, `donor` or `foreign`; of `metal`
    /// its own.
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    #[schema(value_type = std::collections::HashMap<String, String>)]
    pub components: IndexMap<String, String>,
    /// Signs judged with the watch in hand: they teach how well photographs are read.
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    #[schema(value_type = std::collections::HashMap<String, CallKind>)]
    pub signs: IndexMap<String, CallKind>,
    /// What was paid.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub paid: Option<NonNegativeMoney>,
    /// What it was sold for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sold: Option<NonNegativeMoney>,
    /// The user's own note.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 5_000)]
    pub note: Option<String>,
}

/// How something was found out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum How {
    /// By looking at it in hand.
    InHand,
    /// With the case opened.
    Opened,
    /// With the dial taken off.
    DialRemoved,
    /// From the maker's archive.
    MakerArchive,
    /// By a specialist.
    Specialist,
}

/// A recorded outcome.
#[derive(Debug, Serialize, ToSchema)]
pub struct RecordedOutcome {
    /// Its name.
    pub id: String,
    /// When it was recorded.
    #[schema(format = DateTime)]
    pub recorded_at: String,
    /// The seller whose listing it was.
    #[schema(required)]
    pub seller: Option<String>,
    /// Whether its listing is saved now. A calibration leaves the outcome out where it is not, since
    /// nothing is known of what was seen; the seller, where one is known, keeps it.
    pub listing_saved: bool,
    /// The later outcome of the same listing that takes its place; null while it stands.
    #[schema(required)]
    pub superseded_by: Option<String>,
    /// The outcome.
    #[schema(value_type = OutcomeBody)]
    pub outcome: Box<RawValue>,
}

/// A page of outcomes in the order recorded.
#[derive(Debug, Serialize, ToSchema)]
pub struct OutcomesPage {
    /// The outcomes.
    pub items: Vec<RecordedOutcome>,
    /// Where to go on; null at the end.
    #[schema(required)]
    pub next_cursor: Option<String>,
}

/// What came of an import of outcomes.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Imported {
    /// How many outcomes were recorded.
    #[schema(minimum = 0)]
    pub accepted: u64,
    /// The lines that were not.
    pub refused: Vec<RefusedLine>,
    /// The lines that were recorded although their listing is not saved: it may be saved later, or
    /// was deleted. Until it is, calibrations leave these outcomes out.
    pub unsaved: Vec<UnsavedLine>,
}

/// A line whose outcome is of a listing that is not saved.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct UnsavedLine {
    /// Its number, from 1; the header of a CSV is line 1.
    #[schema(minimum = 1)]
    pub line: u64,
    /// The listing as the line names it.
    pub listing: String,
    /// Saved listings whose id ends in `:` and that name, at most five: a feed's item is saved as
    /// `feed:item`, and perhaps meant.
    #[schema(max_items = 5)]
    pub similar: Vec<String>,
}

/// A line that was refused.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RefusedLine {
    /// Its number, from 1; the header of a CSV is line 1.
    #[schema(minimum = 1)]
    pub line: u64,
    /// Everything that is wrong with it.
    pub detail: String,
}

/// An entry of the reference book as it is put: what [`Reference`] holds, where maker and reference
/// may be left to the path.
#[derive(Debug)]
pub struct ReferenceBody;

/// The same of a calibre.
#[derive(Debug)]
pub struct CalibreBody;

/// A schema whose `names` need not be there.
fn named_by_the_path(schema: RefOr<Schema>, names: [&str; 2]) -> RefOr<Schema> {
    match schema {
        RefOr::T(Schema::Object(mut object)) => {
            object.required.retain(|member| !names.contains(&member.as_str()));
            RefOr::T(Schema::Object(object))
        }
        other => other,
    }
}

impl PartialSchema for ReferenceBody {
    fn schema() -> RefOr<Schema> {
        named_by_the_path(Reference::schema(), ["maker", "reference"])
    }
}

impl ToSchema for ReferenceBody {
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        Reference::schemas(schemas);
    }
}

impl PartialSchema for CalibreBody {
    fn schema() -> RefOr<Schema> {
        named_by_the_path(Calibre::schema(), ["maker", "calibre"])
    }
}

impl ToSchema for CalibreBody {
    fn schemas(schemas: &mut Vec<(String, RefOr<Schema>)>) {
        Calibre::schemas(schemas);
    }
}

/// A page of the book's references.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReferencesPage {
    /// The entries, by maker and reference.
    #[schema(value_type = Vec<Reference>)]
    pub items: Vec<Box<RawValue>>,
    /// Where to go on; null at the end.
    #[schema(required)]
    pub next_cursor: Option<String>,
}

/// A page of the book's calibres.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalibresPage {
    /// The entries, by maker and calibre.
    #[schema(value_type = Vec<Calibre>)]
    pub items: Vec<Box<RawValue>>,
    /// Where to go on; null at the end.
    #[schema(required)]
    pub next_cursor: Option<String>,
}

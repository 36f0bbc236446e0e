//! The body of `POST /v1/assess`. Only `observations` must be there, and may be empty.
//! A member that is null counts as absent.

use super::NonNegativeMoney;
use indexmap::IndexMap;
use serde::{Deserialize, Serialize};
use steelyard_model::facts::BookData;
use utoipa::ToSchema;

/// One listing to assess.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AssessRequest {
    /// The caller's name for the listing; comes back as `listing`. No control characters.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 200, pattern = "^[^\\x00-\\x1f\\x7f-\\x9f]*$")]
    pub id: Option<String>,
    /// The listing's title. Read for claims: see `proposals` in the answer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 500)]
    pub title: Option<String>,
    /// The seller's words. Read for claims: see `proposals` in the answer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 20_000)]
    pub description: Option<String>,
    /// Where the listing stands. Never fetched; not used yet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 2_000)]
    pub url: Option<String>,
    /// Language of title and description (BCP 47).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 35)]
    pub language: Option<String>,
    /// The time at which the listing is looked at, RFC 3339.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime, example = "2026-11-24T21:00:00Z")]
    pub now: Option<String>,
    /// Who sells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seller: Option<Seller>,
    /// What is asked and on what terms.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offer: Option<Offer>,
    /// What an all-original example in like wear is worth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<Worth>,
    /// Whether the watch is still on offer (default) or has arrived.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stage: Option<Stage>,
    /// What was paid, where the watch has arrived.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub arrival: Option<Arrival>,
    /// What the buyer wants of it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aim: Option<Aim>,
    /// What is stated of the watch.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub watch: Option<Watch>,
    /// What became of the listing; used where it is saved, `open` where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub status: Option<crate::store::Status>,
    /// Stories the seller declares: a declared fault earns no return as "not as described".
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<String>, max_items = 8)]
    pub disclosed: Vec<Option<String>>,
    /// The photos at hand.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<Photo>, max_items = 50)]
    pub photos: Vec<Option<Photo>>,
    /// Photos asked for, and what came of it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<Asked>, max_items = 50)]
    pub asked: Vec<Option<Asked>>,
    /// What was seen: at most one call a sign. A sign not called contributes nothing.
    #[schema(value_type = Vec<Observation>, max_items = 200)]
    pub observations: Vec<Option<Observation>>,
    /// Let what is read from title and description count wherever the request itself says
    /// nothing. Contrary proposals cancel, and no words of a seller state that there is no
    /// luminous paint.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accept_proposals: Option<bool>,
    /// How the interval of P(bad) is computed; `delta` where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub interval: Option<Interval>,
    /// Reference data for this listing. An entry replaces the service's own of the same name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference_book: Option<BookData>,
    /// Parts of the answer to give; all of them where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Vec<Part>>, max_items = 10)]
    pub include: Option<Vec<Option<Part>>>,
}

/// A part of the answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Beliefs about every component.
    Components,
    /// Additive shares of the evidence, and the price's.
    Shares,
    /// The interval of P(bad).
    Interval,
    /// What to ask for next. Left out, the advice is never `ask_first`.
    AskNext,
    /// Which signs to judge next on the photos at hand.
    LookNext,
    /// Expected net, walk-away price, advice.
    Decision,
    /// What title, description and case marks were read as.
    Proposals,
}

/// How the interval is computed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Interval {
    /// Delta method on the log-odds: quick.
    #[default]
    Delta,
    /// 2,000 seeded draws of the model's numbers: slower, and right where the delta method is not.
    Sampled,
}

/// Who sells.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Seller {
    /// The caller's name for the seller, by which its other listings and outcomes are known. No
    /// control characters.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 200, pattern = "^[^\\x00-\\x1f\\x7f-\\x9f]*$")]
    pub id: Option<String>,
    /// The kind of seller, one of `segments` in `GET /v1/model`; the first where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200, example = "open_marketplace")]
    pub segment: Option<String>,
    /// Use what is stored of this seller: other listings, outcomes, ratings, segment; true where it
    /// is left out. What the request itself says comes first; with `outcomes` given, stored
    /// outcomes are not counted beside them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stored: Option<bool>,
    /// Marketplace ratings, all of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub feedback: Option<Feedback>,
    /// What the caller's own purchases from this seller turned out to be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub outcomes: Option<Outcomes>,
}

/// Counts of marketplace ratings.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Feedback {
    /// Positive (and neutral) ratings.
    #[schema(minimum = 0, maximum = 1_000_000_000)]
    pub positive: u64,
    /// Negative ratings.
    #[schema(minimum = 0, maximum = 1_000_000_000)]
    pub negative: u64,
}

/// Counts of known outcomes.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Outcomes {
    /// Watches that turned out composite or fake.
    #[schema(minimum = 0, maximum = 1_000_000_000)]
    pub bad: u64,
    /// Watches whose inside became known.
    #[schema(minimum = 0, maximum = 1_000_000_000)]
    pub total: u64,
}

/// Terms of the offer.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Offer {
    /// How it is sold; `fixed` where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<OfferKind>,
    /// The asking price, or an auction's current bid.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub price: Option<NonNegativeMoney>,
    /// Shipping.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shipping: Option<NonNegativeMoney>,
    /// Costs that come whatever the price; a service belongs here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fixed_costs: Option<NonNegativeMoney>,
    /// Buyer's fee as a share of the price.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 1)]
    pub buyer_fee_rate: Option<f64>,
    /// Import charges as a share of price, fee and shipping.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 1)]
    pub import_rate: Option<f64>,
    /// When the offer ends, RFC 3339. No probability depends on it: `steelyard tonight` shows the time left,
    /// and neither it nor `POST /v1/bids` chooses what has ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub ends_at: Option<String>,
    /// Whether and how it can be sent back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub returns: Option<Returns>,
}

/// How a watch is sold.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum OfferKind {
    /// At a price.
    #[default]
    Fixed,
    /// At a price that may come down.
    Negotiable,
    /// To the highest bidder: the price so far is no evidence.
    Auction,
}

/// Right of return.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Returns {
    /// For which reason; `not_as_described` where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<ReturnKind>,
    /// Chance that a return is honoured; 0 where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 1)]
    pub honoured: Option<f64>,
    /// Cost of sending it back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cost: Option<NonNegativeMoney>,
}

/// The reason for which a watch can be returned.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ReturnKind {
    /// Only what the description left out.
    #[default]
    NotAsDescribed,
    /// Any reason.
    AnyReason,
}

/// What the watch would be worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Worth {
    /// Price range of an all-original example in like wear.
    pub all_original: Range,
    /// Share of a sale lost to selling; not applied to the plan `keep`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 1)]
    pub selling_fee_rate: Option<f64>,
    /// Metal of the case, where gold is claimed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub metal: Option<Metal>,
}

/// A range: one in ten sells below `low`, one in ten above `high`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Range {
    /// 10 % quantile, above 0.
    pub low: NonNegativeMoney,
    /// 90 % quantile, at most a thousand times `low`.
    pub high: NonNegativeMoney,
}

/// Metal of a case.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Metal {
    /// Fineness in parts per thousand (ISO 9202).
    #[schema(minimum = 1, maximum = 1000)]
    pub fineness: f64,
    /// Net mass of metal, g.
    #[schema(exclusive_minimum = 0, maximum = 100_000)]
    pub mass_g: f64,
    /// Price of the pure metal per gram.
    pub price_per_g: NonNegativeMoney,
}

/// Where the watch is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Stage {
    /// Still on offer.
    #[default]
    Offered,
    /// On the buyer's bench: nothing is asked of the seller any more.
    Received,
}

/// An arrived watch: with `stage` `received`, keeping it, sending it back and a fair partial
/// refund are compared. Calls made with `in_hand` are what the arrival added.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Arrival {
    /// Price paid; the offer's price where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub paid: Option<NonNegativeMoney>,
    /// When it arrived, RFC 3339. Accepted; not used yet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub received_at: Option<String>,
    /// Until when it can go back, RFC 3339; days are counted from `now`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(format = DateTime)]
    pub return_until: Option<String>,
}

/// What the buyer wants.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Aim {
    /// `resell` where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub plan: Option<PlanKind>,
    /// Net wanted as a share of the landed cost; 0 where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 10)]
    pub required_margin: Option<f64>,
    /// What asking for a photo costs in time and goodwill; a share of the value where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asking_cost: Option<NonNegativeMoney>,
}

/// What becomes of the watch.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PlanKind {
    /// Kept: no selling fee.
    Keep,
    /// Sold again.
    #[default]
    Resell,
}

/// What is stated of the watch.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Watch {
    /// Maker's name, by which the reference book is searched.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub maker: Option<String>,
    /// Reference, by which the reference book is searched.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub reference: Option<String>,
    /// Diameter of the dial, mm; the model's default where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(exclusive_minimum = 0, maximum = 500)]
    pub dial_diameter_mm: Option<f64>,
    /// Diameter of the case, mm; the model's default where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(exclusive_minimum = 0, maximum = 500)]
    pub case_diameter_mm: Option<f64>,
    /// First and last year it is said to be from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<Vec<Year>>, min_items = 2, max_items = 2)]
    pub years: Option<Vec<Option<Year>>>,
    /// Traits stated true or false, names as in `traits` of `GET /v1/model`; a trait not stated
    /// leaves its signs usable.
    #[serde(default, skip_serializing_if = "IndexMap::is_empty")]
    #[schema(value_type = std::collections::HashMap<String, bool>)]
    pub traits: IndexMap<String, bool>,
    /// Facts read off the listing. Two that do not go together call a sign by themselves.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub facts: Option<Facts>,
}

/// A year of our era.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize, ToSchema)]
#[schema(minimum = 1700, maximum = 2100)]
pub struct Year(pub i32);

/// Facts read off the listing: what stands on the watch, in its own words.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Facts {
    /// Lines on the dial, each whole.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<String>, max_items = 50)]
    pub dial_text: Vec<Option<String>>,
    /// The model or second name on the dial.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub dial_name: Option<String>,
    /// The dial's colour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200, example = "silver")]
    pub dial_colour: Option<String>,
    /// Calibre of the movement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub calibre: Option<String>,
    /// Jewels as engraved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 200)]
    pub jewels: Option<u32>,
    /// The number on the movement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub movement_number: Option<String>,
    /// The movement's diameter, measured, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(exclusive_minimum = 0, maximum = 500)]
    pub movement_diameter_mm: Option<f64>,
    /// The number of the case.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub serial: Option<String>,
    /// Marks in and on the case; which part they stand on is not told unless the mark tells it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<String>, max_items = 50)]
    pub case_marks: Vec<Option<String>>,
    /// Marks in and on the back.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<String>, max_items = 50)]
    pub back_marks: Vec<Option<String>>,
    /// Marks on the bezel.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<String>, max_items = 50)]
    pub bezel_marks: Vec<Option<String>>,
    /// The model's name or emblem on the case.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub case_name: Option<String>,
    /// The reference that stands in the back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub back_reference: Option<String>,
    /// The casing firm or importer named in the back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub cased_by: Option<String>,
}

/// A photo: what it shows and how small a detail it can show. What counts is the size at which
/// it was looked at.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Photo {
    /// Name by which observations refer to it. No control characters.
    #[schema(min_length = 1, max_length = 200, pattern = "^[^\\x00-\\x1f\\x7f-\\x9f]*$")]
    pub id: String,
    /// The view it gives, one of `views` in `GET /v1/model`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub view: Option<String>,
    /// Width of the dial in the photo, pixels.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(exclusive_minimum = 0, maximum = 100_000)]
    pub dial_width_px: Option<f64>,
    /// Width of the case in the photo, pixels; used where the dial's is not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(exclusive_minimum = 0, maximum = 100_000)]
    pub case_width_px: Option<f64>,
    /// Scale, pixels per millimetre; used before either width.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(exclusive_minimum = 0, maximum = 100_000)]
    pub px_per_mm: Option<f64>,
    /// Share of the nominal resolution left after blur and compression; 1 where it is left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(exclusive_minimum = 0, maximum = 1)]
    pub sharpness: Option<f64>,
    /// Digest of the file, by which the same photo is recognised in another saved listing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub digest: Option<String>,
}

/// A photo asked for.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Asked {
    /// The view asked for.
    #[schema(max_length = 200)]
    pub view: String,
    /// What came of it.
    pub answer: Answer,
}

/// The answer to a request for a photo.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Answer {
    /// The photo came.
    Given,
    /// It was refused.
    Refused,
    /// Something else came, or nothing.
    Dodged,
}

/// A call on a sign. From the first given of `certainty`, `in_hand` and `photo` follows how
/// much it is worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Observation {
    /// The sign, one of `GET /v1/signs`.
    #[schema(max_length = 200)]
    pub sign: String,
    /// Whether it is there.
    pub call: CallKind,
    /// The photo it was read from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200)]
    pub photo: Option<String>,
    /// The caller's own chance of being right.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0.5, maximum = 1)]
    pub certainty: Option<f64>,
    /// Whether it was read with the watch in hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub in_hand: Option<bool>,
}

/// What is said of a sign. "Cannot tell" is no call: leave the sign out.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum CallKind {
    /// It is there.
    Present,
    /// It is not there.
    Absent,
}

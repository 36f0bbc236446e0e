//! Feeds, as they go over the wire.

use crate::feed::{Every, Format, State};
use crate::problem::FaultAt;
use crate::wire::NonNegativeMoney;
use crate::wire::request::{Aim, OfferKind, Returns};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use utoipa::ToSchema;

/// A feed to save.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FeedBody {
    /// Where it is fetched from: `http` or `https`, at a public address, with no user or password in it. Left out
    /// together with `every_s`, the feed is never polled, and holds what you send to it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(min_length = 1, max_length = 2_000)]
    pub url: Option<String>,
    /// How it is written.
    pub format: Format,
    /// Seconds between polls: from a minute to a week.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 60, maximum = 604_800)]
    pub every_s: Option<u32>,
    /// What counts of every item that says nothing else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub defaults: Option<FeedDefaults>,
}

const _: () = assert!(Every::LEAST == 60 && Every::MOST == 604_800);

/// Members of a request that are filled in where an item says nothing: an item is a JSON Merge Patch
/// (RFC 7396) of them, so one that says null takes a member out. Of what is one watch's own there are none.
/// Amounts are in one currency; an item in another is refused unless it says those amounts itself.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FeedDefaults {
    /// Language of title and description (BCP 47).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 35)]
    pub language: Option<String>,
    /// Who sells.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seller: Option<SellerDefaults>,
    /// Terms and costs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offer: Option<OfferDefaults>,
    /// Filled in where an item says what the watch is worth, and nowhere else.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<ValueDefaults>,
    /// What the buyer wants.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aim: Option<Aim>,
    /// Let what is read from title and description count wherever the request itself says nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub accept_proposals: Option<bool>,
}

/// Of the seller.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SellerDefaults {
    /// The kind of seller, one of `segments` in `GET /v1/model`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_length = 200, example = "open_marketplace")]
    pub segment: Option<String>,
}

/// Of the offer.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct OfferDefaults {
    /// How it is sold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<OfferKind>,
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
    /// Whether and how it can be sent back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub returns: Option<Returns>,
}

/// Of the value.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ValueDefaults {
    /// Share of a sale lost to selling; not applied to the plan `keep`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0, maximum = 1)]
    pub selling_fee_rate: Option<f64>,
}

/// A saved feed.
#[derive(Debug, Serialize, ToSchema)]
pub struct FeedPage {
    /// Its name, of the service's making; its listings are called `id:item`.
    pub id: String,
    /// Where it is fetched from, in its normal form; null where it is never polled and its items are sent.
    #[schema(required)]
    pub url: Option<String>,
    /// How it is written.
    pub format: Format,
    /// Seconds between polls; null without a URL.
    #[schema(minimum = 60, maximum = 604_800, required)]
    pub every_s: Option<u32>,
    /// What counts of every item that says nothing else; null where there is none.
    #[schema(required)]
    pub defaults: Option<FeedDefaults>,
    /// Whether it is polled, if it has a URL: `resting` after ten failures in a row or when it says that it has ended, `failed`
    /// when it is gone (410). A poll by hand that succeeds makes it `active` again.
    pub state: State,
    /// When it was saved, RFC 3339.
    #[schema(format = DateTime)]
    pub created_at: String,
    /// When a poll last ended.
    #[schema(format = DateTime, required)]
    pub last_polled_at: Option<String>,
    /// When it is polled next; null unless it is active and has a URL.
    #[schema(format = DateTime, required)]
    pub next_poll_at: Option<String>,
    /// Failures since it was last read.
    #[schema(minimum = 0)]
    pub failures: u32,
    /// What went wrong in the last poll, or why it is not polled.
    #[schema(required)]
    pub last_error: Option<String>,
    /// What came of the items of the last poll that brought any.
    #[schema(value_type = Option<ItemsKept>, required)]
    pub last_items: Option<Box<RawValue>>,
}

/// A page of feeds.
#[derive(Debug, Serialize, ToSchema)]
pub struct FeedsPage {
    /// The feeds, oldest first.
    pub items: Vec<FeedPage>,
    /// Where to go on; null at the end.
    #[schema(required)]
    pub next_cursor: Option<String>,
}

/// How a poll went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum PollResult {
    /// The feed was read.
    Read,
    /// The server says that nothing has changed.
    Unchanged,
    /// It could not be read; `last_error` of the feed says why.
    Failed,
}

/// What a poll brought.
#[derive(Debug, Serialize, ToSchema)]
pub struct FeedPolled {
    /// How it went.
    pub result: PollResult,
    /// What came of the items; null unless the feed was read.
    #[schema(required)]
    pub items: Option<ItemsKept>,
    /// The feed after the poll.
    pub feed: FeedPage,
}

/// What came of a feed's items.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ItemsKept {
    /// Items that became listings.
    #[schema(minimum = 0)]
    pub new: u64,
    /// Items whose listings were saved anew.
    #[schema(minimum = 0)]
    pub changed: u64,
    /// Items of which nothing was to be saved.
    #[schema(minimum = 0)]
    pub unchanged: u64,
    /// Items that do not fit, or are no items.
    #[schema(minimum = 0)]
    pub refused: u64,
    /// The first of them, each with its reason.
    pub refusals: Vec<RefusedItem>,
}

/// An item that was refused.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct RefusedItem {
    /// Its id, if it could be read.
    #[schema(required)]
    pub item: Option<String>,
    /// Where it stands: a JSON Pointer into the document, or a line counted from 1.
    #[schema(example = "/items/3")]
    pub place: String,
    /// What is wrong with it.
    pub detail: String,
    /// Every fault, by its place in the request that the item makes (at most 20).
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<FaultAt>,
}

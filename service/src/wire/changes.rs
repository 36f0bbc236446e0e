//! What happened, as the data of the events of `GET /v1/changes`.

use super::Money;
use super::response::AdviceKind;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Data of the event `advice_changed`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct AdviceChanged {
    /// The change's number, that of the event's `id`.
    #[schema(minimum = 1)]
    pub id: i64,
    /// When.
    #[schema(format = DateTime)]
    pub at: String,
    /// The listing.
    pub listing: String,
    /// What was thought of it before.
    pub before: Thought,
    /// What is thought of it now.
    pub after: Thought,
    /// Why it was assessed again.
    pub because: Vec<String>,
}

/// An assessment in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Thought {
    /// What to do; null where the request gives no value or price.
    #[schema(required)]
    pub advice: Option<AdviceKind>,
    /// P(bad).
    pub bad: f64,
    /// The most to pay; null where the request gives no value.
    #[schema(required)]
    pub walk_away_price: Option<Money>,
}

/// Data of the event `outcome_recorded`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct OutcomeRecorded {
    /// The change's number, that of the event's `id`.
    #[schema(minimum = 1)]
    pub id: i64,
    /// When.
    #[schema(format = DateTime)]
    pub at: String,
    /// The listing it is about.
    pub listing: String,
    /// The outcome.
    pub outcome: String,
    /// What the watch turned out to be.
    pub story: String,
}

/// Data of the event `feed_failed`: a feed is polled no more until somebody polls it by hand. The
/// failures before are told by the feed itself.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct FeedFailed {
    /// The change's number, that of the event's `id`.
    #[schema(minimum = 1)]
    pub id: i64,
    /// When.
    #[schema(format = DateTime)]
    pub at: String,
    /// The feed.
    pub feed: String,
    /// Whether it rests or has failed for good.
    pub state: crate::feed::State,
    /// Failures since it was last read.
    #[schema(minimum = 0)]
    pub failures: u32,
    /// Why.
    pub error: String,
}

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

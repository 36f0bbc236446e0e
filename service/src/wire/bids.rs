//! Which offers to bid on with the cash at hand.

use super::{Money, NonNegativeMoney};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The cash at hand and the saved listings it may go to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BidsBody {
    /// What may be spent altogether, should every bid win at its walk-away price.
    pub budget: NonNegativeMoney,
    /// Saved listings, each once, in the budget's currency.
    #[schema(value_type = Vec<BidOn>, max_items = 200)]
    pub listings: Vec<Option<BidOn>>,
    /// Groups of the listings of which at most one is wanted; a listing may be in several.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<Vec<String>>, max_items = 200)]
    pub at_most_one: Vec<Option<Vec<Option<String>>>>,
}

/// A saved listing one may bid on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BidOn {
    /// The listing.
    #[schema(min_length = 1, max_length = 200)]
    pub id: String,
    /// What one expects to pay if one wins; above the walk-away price one expects to be outbid.
    pub expected_price: NonNegativeMoney,
}

/// What to bid on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Bids {
    /// The listings to bid on, in the order asked.
    pub choose: Vec<String>,
    /// What they are expected to bring together if all are won at the prices expected.
    pub expected_net: Money,
    /// No choice is expected to bring more. Equal to `expected_net` where no choice is better: always
    /// up to 25 listings that could be chosen, mostly above.
    pub bound: Money,
    /// What is left of the budget if all are won at their walk-away prices.
    pub left: Money,
    /// Every listing asked about, in the order asked.
    pub listings: Vec<BidWeighed>,
}

/// A listing one may bid on, as it was weighed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct BidWeighed {
    /// The listing.
    pub id: String,
    /// The most to bid.
    pub walk_away_price: Money,
    /// What the watch has cost, once it lies on the table, at that price: what it takes of the budget.
    pub stake: Money,
    /// What one expects to pay if one wins.
    pub expected_price: Money,
    /// Expected net at the price expected. The asking price of a listing that is no auction stays the
    /// evidence it is.
    pub expected_net: Money,
    /// Why it is not chosen; left out where it is.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub left_out: Option<LeftOut>,
}

/// Why a listing is not chosen: the first of these that holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum LeftOut {
    /// It is no longer on offer: its `status` says so, or its `ends_at` is past.
    Ended,
    /// The price expected is above the walk-away price.
    AboveWalkAway,
    /// Nothing is expected to come of it.
    NoGain,
    /// Its stake alone is above the budget.
    OverBudget,
    /// Others are worth more for the money, or one of its group is chosen.
    OthersBetter,
}

//! The JSON that goes over the wire. Wire types, domain types and rows are three different
//! things: nothing here is computed with.

pub mod bids;
pub mod calibration;
pub mod changes;
pub mod feed;
pub mod request;
pub mod response;
pub mod stored;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// An amount of money in an answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Money {
    /// Decimal string with a point and the decimals of the currency.
    #[schema(pattern = "^-?[0-9]+(\\.[0-9]+)?$", example = "-12.50")]
    pub amount: String,
    /// ISO 4217 code in capitals.
    #[schema(pattern = "^[A-Z]{3}$", example = "EUR")]
    pub currency: String,
}

/// An amount of money in a request.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NonNegativeMoney {
    /// Decimal string with a point, without sign; no more decimals than the currency has. `1.250` is
    /// refused where they are fewer than three: its point may part thousands.
    #[schema(pattern = "^[0-9]{1,12}(\\.[0-9]{1,4})?$", example = "640.00")]
    pub amount: String,
    /// ISO 4217 code in capitals; one currency a listing.
    #[schema(pattern = "^[A-Z]{3}$", example = "EUR")]
    pub currency: String,
}

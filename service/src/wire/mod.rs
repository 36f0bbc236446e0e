//! The JSON that goes over the wire. Wire types, domain types and rows are three different
//! things: nothing here is computed with.

pub mod request;
pub mod response;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// An amount of money.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Money {
    /// Decimal string with a point; no more decimals than the currency has, no sign in requests.
    #[schema(pattern = "^-?[0-9]{1,15}(\\.[0-9]{1,4})?$", example = "640.00")]
    pub amount: String,
    /// ISO 4217 code in capitals.
    #[schema(pattern = "^[A-Z]{3}$", example = "EUR")]
    pub currency: String,
}

impl Money {
    /// An amount in words of the wire.
    #[must_use]
    pub fn new(amount: &str, currency: &str) -> Self {
        Self { amount: amount.into(), currency: currency.into() }
    }
}

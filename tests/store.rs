//! The store's contract, held by SQLite and by PostgreSQL alike.

#[path = "support/place.rs"]
#[macro_use]
mod place;
#[path = "store/support.rs"]
mod support;

#[path = "store/book_and_models.rs"]
mod book_and_models;
#[path = "store/calibrations.rs"]
mod calibrations;
#[path = "store/feeds.rs"]
mod feeds;
#[path = "store/listings.rs"]
mod listings;
#[path = "store/outcomes_and_sellers.rs"]
mod outcomes_and_sellers;
#[path = "store/requests.rs"]
mod requests;
#[path = "store/transfer.rs"]
mod transfer;
#[path = "store/writes.rs"]
mod writes;

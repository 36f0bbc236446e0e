//! Places for stores, and what is put there.

pub(crate) use crate::place::Place;

use jiff::Timestamp;
use steelyard::store::{Keys, NewAssessment, NewListing, Precondition, Status, Store, Write};

pub(crate) const ACCOUNT: &str = "local";

/// A moment in 2026, by the second.
pub(crate) fn at(second: i64) -> Timestamp {
    Timestamp::from_second(1_790_000_000 + second).unwrap()
}

/// An open listing with nothing special.
pub(crate) fn listing(id: &str) -> NewListing<'_> {
    NewListing {
        id,
        status: Status::Open,
        request: r#"{"observations":[]}"#,
        seller: None,
        serial: None,
        photos: &[],
        at: at(0),
    }
}

/// An assessment that is found again by its expected net.
pub(crate) fn assessment(expected_net: Option<f64>) -> NewAssessment<'static> {
    NewAssessment {
        model: "m-1",
        at: at(0),
        seller_used: "{}",
        book_revision: 0,
        own_book: None,
        body: r#"{"advice":"leave"}"#,
        keys: Keys { expected_net, ..Keys::default() },
    }
}

/// One write, committed.
pub(crate) async fn put(store: &Store, listing: &NewListing<'_>, assessment: &NewAssessment<'_>) -> i64 {
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.put_listing(listing, assessment, Precondition::None).await.unwrap();
    committed(write).await
}

pub(crate) async fn committed(write: Write) -> i64 {
    let revision = write.revision();
    write.commit().await.unwrap();
    revision
}

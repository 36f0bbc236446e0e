//! Repeated requests get the first answer, and have one effect.

use crate::support::{ACCOUNT, Place, assessment, at, listing};
use steelyard::store::{Begun, Precondition, Store, StoredResponse, Ticket};

on_both! {
    of_many_begun_at_once_one_is_new,
    an_answer_is_replayed_and_another_request_refused,
    answer_and_effect_are_kept_together_or_not_at_all,
    a_dead_request_is_begun_anew_and_cannot_end_twice,
    old_keys_are_purged,
}

const PRINT: [u8; 32] = [7; 32];

fn answer() -> StoredResponse {
    StoredResponse { status: 201, headers: r#"{"location":"/v1/x"}"#.into(), body: b"{\"\xff\0".to_vec() }
}

async fn begin(store: &Store, second: i64) -> Begun {
    store.begin_request(ACCOUNT, "k", "POST /v1/outcomes", &PRINT, at(second), at(second - 60)).await.unwrap()
}

fn ticket(begun: Begun) -> Ticket {
    match begun {
        Begun::New(ticket) => ticket,
        other => panic!("{other:?} instead of a new request"),
    }
}

async fn of_many_begun_at_once_one_is_new(place: &Place) {
    let stores = [place.open().await, place.open().await];
    let begun = (0..50).map(|i| {
        let store = stores[i % 2].clone();
        tokio::spawn(async move { begin(&store, 0).await })
    });
    let begun: Vec<_> = futures_util::future::join_all(begun).await.into_iter().map(Result::unwrap).collect();
    assert_eq!(begun.iter().filter(|b| matches!(b, Begun::New(_))).count(), 1);
    assert_eq!(begun.iter().filter(|b| **b == Begun::InProgress).count(), 49);
}

async fn an_answer_is_replayed_and_another_request_refused(place: &Place) {
    let store = place.open().await;
    let ticket = ticket(begin(&store, 0).await);
    let other = async |account: &str, operation: &str, print: &[u8; 32]| {
        store.begin_request(account, "k", operation, print, at(1), at(-59)).await.unwrap()
    };
    assert_eq!(other(ACCOUNT, "POST /v1/outcomes", &[8; 32]).await, Begun::Mismatch);
    store.finish_request(&ticket, &answer()).await.unwrap();
    assert_eq!(begin(&store, 2).await, Begun::Replay(answer()));
    assert_eq!(other(ACCOUNT, "POST /v1/outcomes", &[8; 32]).await, Begun::Mismatch);
    // A key is one account's and one operation's.
    assert!(matches!(other("other", "POST /v1/outcomes", &PRINT).await, Begun::New(_)));
    assert!(matches!(other(ACCOUNT, "POST /v1/calibrations", &PRINT).await, Begun::New(_)));
    assert!(store.finish_request(&ticket, &answer()).await.unwrap_err().is_conflict());
}

async fn answer_and_effect_are_kept_together_or_not_at_all(place: &Place) {
    let store = place.open().await;
    let ticket = ticket(begin(&store, 0).await);
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.put_listing(&listing("a"), &assessment(None), Precondition::None).await.unwrap();
    write.finish_request(&ticket, &answer()).await.unwrap();
    drop(write);
    assert_eq!(begin(&store, 1).await, Begun::InProgress);
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.put_listing(&listing("a"), &assessment(None), Precondition::Absent).await.unwrap();
    write.finish_request(&ticket, &answer()).await.unwrap();
    write.commit().await.unwrap();
    assert_eq!(begin(&store, 2).await, Begun::Replay(answer()));
}

async fn a_dead_request_is_begun_anew_and_cannot_end_twice(place: &Place) {
    let store = place.open().await;
    let first = ticket(begin(&store, 0).await);
    assert_eq!(begin(&store, 60).await, Begun::InProgress);
    let second = ticket(begin(&store, 61).await);
    // The first was not dead after all: its effect must not be kept.
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(write.finish_request(&first, &answer()).await.unwrap_err().is_conflict());
    drop(write);
    store.abandon_request(&first).await.unwrap();
    assert_eq!(begin(&store, 62).await, Begun::InProgress);
    // The second failed by a fault of ours: the key is free.
    store.abandon_request(&second).await.unwrap();
    let third = ticket(begin(&store, 63).await);
    store.finish_request(&third, &answer()).await.unwrap();
    // An answered key is never begun anew for its age, nor abandoned.
    store.abandon_request(&third).await.unwrap();
    assert_eq!(begin(&store, 9999).await, Begun::Replay(answer()));
}

async fn old_keys_are_purged(place: &Place) {
    let store = place.open().await;
    store.finish_request(&ticket(begin(&store, 0).await), &answer()).await.unwrap();
    assert_eq!(store.purge_requests(at(0)).await.unwrap(), 0);
    assert_eq!(store.purge_requests(at(1)).await.unwrap(), 1);
    assert!(matches!(begin(&store, 2).await, Begun::New(_)));
}

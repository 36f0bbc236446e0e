//! Outcomes, which outlive listings, and sellers, who may be known by listings alone.

use crate::support::{ACCOUNT, Place, assessment, at, committed, listing, put};
use steelyard::store::{NewListing, NewOutcome, NewSeller, Outcome, OutcomeFilter, Precondition, Recorded, Store};

on_both! {
    a_later_outcome_supersedes_and_the_earlier_is_kept,
    outcomes_outlive_their_listing_and_remember_its_seller,
    ten_thousand_outcomes_land_in_one_write,
    a_used_id_is_refused_with_all_that_came_with_it,
    sellers_are_those_with_a_row_a_listing_or_an_outcome,
    a_forgotten_seller_is_named_nowhere,
}

fn found<'a>(id: &'a str, listing: &'a str) -> NewOutcome<'a> {
    NewOutcome { id, listing, recorded_at: at(1), found_at: at(0), body: r#"{"story":"composite"}"# }
}

async fn record(store: &Store, outcomes: &[NewOutcome<'_>]) -> i64 {
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.record_outcomes(outcomes).await.unwrap();
    committed(write).await
}

async fn all(store: &Store, filter: OutcomeFilter) -> Vec<Outcome> {
    store.outcomes(ACCOUNT, &filter, 0, 100_000).await.unwrap()
}

fn current() -> OutcomeFilter {
    OutcomeFilter { current: true, ..OutcomeFilter::default() }
}

async fn a_later_outcome_supersedes_and_the_earlier_is_kept(place: &Place) {
    let store = place.open().await;
    let first = record(&store, &[found("1", "a"), found("2", "b"), found("3", "a")]).await;
    record(&store, &[found("4", "a"), found("5", "c")]).await;
    let superseded: Vec<_> = all(&store, OutcomeFilter::default()).await.into_iter().map(|o| o.superseded_by).collect();
    assert_eq!(superseded, [Some("3".into()), None, Some("4".into()), None, None]);
    let ids: Vec<_> = all(&store, current()).await.into_iter().map(|o| o.id).collect();
    assert_eq!(ids, ["2", "4", "5"]);
    let of_a = OutcomeFilter { listing: Some("a".into()), ..OutcomeFilter::default() };
    assert_eq!(all(&store, of_a).await.iter().map(|o| o.number).collect::<Vec<_>>(), [1, 3, 4]);
    let page = store.outcomes(ACCOUNT, &OutcomeFilter::default(), 2, 2).await.unwrap();
    assert_eq!(page.iter().map(|o| o.id.as_str()).collect::<Vec<_>>(), ["3", "4"]);
    let one = store.outcome(ACCOUNT, "2").await.unwrap();
    assert_eq!((one.revision, one.recorded_at, one.found_at), (first, at(1), at(0)));
    assert_eq!(one.body, r#"{"story":"composite"}"#);
    assert!(store.outcome(ACCOUNT, "9").await.unwrap_err().is_not_found());
}

async fn outcomes_outlive_their_listing_and_remember_its_seller(place: &Place) {
    let store = place.open().await;
    let of = |seller: &str| OutcomeFilter { seller: Some(seller.into()), ..OutcomeFilter::default() };
    put(&store, &NewListing { seller: Some("s"), ..listing("a") }, &assessment(None)).await;
    record(&store, &[found("2", "never stored"), found("1", "a")]).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.delete_listing("a", Precondition::None).await.unwrap();
    write.commit().await.unwrap();
    assert_eq!(all(&store, of("s")).await.len(), 1);
    // Corrected after the listing is gone, it is still of that seller.
    record(&store, &[found("3", "a"), found("4", "a")]).await;
    assert_eq!(all(&store, OutcomeFilter { current: true, ..of("s") }).await[0].id, "4");
    assert_eq!(all(&store, of("s")).await.len(), 3);
    // Stored at last, with its seller: what was recorded before belongs to the seller.
    put(&store, &NewListing { seller: Some("t"), ..listing("never stored") }, &assessment(None)).await;
    assert_eq!(all(&store, of("t")).await[0].id, "2");
}

async fn ten_thousand_outcomes_land_in_one_write(place: &Place) {
    let store = place.open().await;
    put(&store, &NewListing { seller: Some("s"), ..listing("l-7") }, &assessment(None)).await;
    let names: Vec<_> = (0..10_000).map(|i| (format!("o-{i}"), format!("l-{}", i % 8_000))).collect();
    let outcomes: Vec<_> = names.iter().map(|(id, listing)| found(id, listing)).collect();
    let begun = std::time::Instant::now();
    record(&store, &outcomes).await;
    eprintln!("10,000 outcomes in one write: {:?}", begun.elapsed());
    assert_eq!(all(&store, OutcomeFilter::default()).await.len(), 10_000);
    assert_eq!(all(&store, current()).await.len(), 8_000);
    assert_eq!(store.outcome(ACCOUNT, "o-7").await.unwrap().superseded_by.as_deref(), Some("o-8007"));
    assert_eq!(store.seller(ACCOUNT, "s").await.unwrap().outcomes, 1);
    record(&store, &[found("next", "l-8000")]).await;
    assert_eq!(store.outcome(ACCOUNT, "next").await.unwrap().number, 10_001);
}

async fn a_used_id_is_refused_with_all_that_came_with_it(place: &Place) {
    let store = place.open().await;
    record(&store, &[found("1", "a")]).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    let error = write.record_outcomes(&[found("2", "a"), found("1", "b")]).await.unwrap_err();
    assert!(error.is_conflict(), "{error:?}");
    drop(write);
    assert_eq!(all(&store, current()).await.len(), 1);
    record(&store, &[found("2", "a")]).await;
    assert_eq!(store.outcome(ACCOUNT, "2").await.unwrap().number, 2);
}

async fn sellers_are_those_with_a_row_a_listing_or_an_outcome(place: &Place) {
    let store = place.open().await;
    put(&store, &NewListing { seller: Some("b"), ..listing("1") }, &assessment(None)).await;
    put(&store, &NewListing { seller: Some("b"), ..listing("2") }, &assessment(None)).await;
    put(&store, &NewListing { seller: Some("c"), ..listing("3") }, &assessment(None)).await;
    put(&store, &listing("4"), &assessment(None)).await;
    record(&store, &[found("x", "3"), found("y", "3"), found("z", "1")]).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    let said = NewSeller {
        id: "a",
        segment: Some("forum"),
        feedback: Some(r#"{"positive":3,"negative":0}"#),
        note: Some("pays postage"),
        at: at(5),
    };
    assert!(write.put_seller(&said).await.unwrap());
    // A seller known by a listing alone has no row to precede.
    write.expect_seller("c", Precondition::Absent).await.unwrap();
    assert!(write.put_seller(&NewSeller { id: "c", at: at(5), ..said }).await.unwrap());
    assert!(write.expect_seller("c", Precondition::Absent).await.unwrap_err().is_conflict());
    write.expect_seller("c", Precondition::Revisions(vec![write.revision()])).await.unwrap();
    assert!(!write.put_seller(&NewSeller { id: "c", at: at(6), note: None, ..said }).await.unwrap());
    write.delete_listing("3", Precondition::None).await.unwrap();
    let revision = committed(write).await;
    let list = store.sellers(ACCOUNT, "", 10).await.unwrap();
    let counts: Vec<_> = list.iter().map(|s| (s.id.as_str(), s.said.is_some(), s.listings, s.outcomes)).collect();
    assert_eq!(counts, [("a", true, 0, 0), ("b", false, 2, 1), ("c", true, 0, 1)]);
    assert_eq!(store.sellers(ACCOUNT, "a", 1).await.unwrap(), list[1..2]);
    assert_eq!(store.seller(ACCOUNT, "c").await.unwrap(), list[2]);
    let c = list[2].said.as_ref().unwrap();
    assert_eq!((c.created_at, c.updated_at, c.revision, &c.note), (at(5), at(6), revision, &None));
    assert_eq!(c.feedback.as_deref(), said.feedback);
    assert!(store.seller(ACCOUNT, "d").await.unwrap_err().is_not_found());
}

async fn a_forgotten_seller_is_named_nowhere(place: &Place) {
    let store = place.open().await;
    for id in ["2", "1"] {
        put(&store, &NewListing { seller: Some("s"), ..listing(id) }, &assessment(None)).await;
    }
    let mut write = store.write(ACCOUNT).await.unwrap();
    let recorded = write.record_outcomes(&[found("x", "1"), found("y", "never stored")]).await.unwrap();
    let known = |seller: Option<&str>, listing_saved| Recorded { seller: seller.map(Into::into), listing_saved };
    assert_eq!(recorded, [known(Some("s"), true), known(None, false)]);
    write.commit().await.unwrap();
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.put_seller(&NewSeller { id: "s", segment: None, feedback: None, note: None, at: at(0) }).await.unwrap();
    assert_eq!(write.forget_seller("s").await.unwrap(), ["1", "2"]);
    assert_eq!(write.listing("1").await.unwrap().unwrap().request, listing("1").request);
    assert_eq!(write.listing("3").await.unwrap(), None);
    write.put_request("1", "{\"observations\":[]}").await.unwrap();
    assert!(write.reassess("1", write.revision(), &assessment(Some(7.0))).await.unwrap());
    let revision = write.revision();
    assert!(write.forget_seller("s").await.unwrap_err().is_not_found());
    write.commit().await.unwrap();
    assert!(store.seller(ACCOUNT, "s").await.unwrap_err().is_not_found());
    assert!(store.sellers(ACCOUNT, "", 10).await.unwrap().is_empty());
    let one = store.listing(ACCOUNT, "1").await.unwrap();
    assert_eq!((one.seller, one.request.as_str(), one.revision), (None, "{\"observations\":[]}", revision));
    assert_eq!(one.assessment.unwrap().keys.expected_net, Some(7.0));
    assert_eq!(store.outcome(ACCOUNT, "x").await.unwrap().seller, None);
}

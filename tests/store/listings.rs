//! Listings, their assessments, and pages that stay as they were.

use crate::support::{ACCOUNT, Place, assessment, at, committed, listing, put};
use steelyard::store::{
    Cursor, Keys, ListingQuery, NewAssessment, NewListing, NewOutcome, PastRequest, Precondition, Sort, Status, Store,
};

on_both! {
    what_is_put_is_got,
    preconditions_hold,
    of_two_that_read_the_same_one_writes,
    a_walk_shows_each_listing_once_as_it_was,
    order_is_by_key_then_id_with_nulls_last,
    ids_are_ordered_by_their_bytes,
    filters_narrow,
    a_cursor_holds_for_its_query_alone,
    what_no_text_can_hold_is_no_fault_of_the_database,
    history_is_kept_and_deletion_ends_it,
    a_stale_reassessment_is_left_out,
    an_assessment_keeps_the_request_it_was_made_of,
    whoever_loses_an_outcome_is_named,
    the_same_serial_or_photo_is_found,
    several_are_read_at_once,
    a_sellers_listings_are_read_with_or_without_what_was_thought_of_them,
}

async fn a_sellers_listings_are_read_with_or_without_what_was_thought_of_them(place: &Place) {
    let store = place.open().await;
    for (id, seller) in [("a", Some("s")), ("b", Some("t")), ("c", Some("s")), ("d", None), ("e", Some("s"))] {
        put(&store, &NewListing { seller, ..listing(id) }, &assessment(Some(1.0))).await;
    }
    for assessed in [true, false] {
        let mut found = store.listings_of(ACCOUNT, "s", assessed, "", 2).await.unwrap();
        found.extend(store.listings_of(ACCOUNT, "s", assessed, "c", 2).await.unwrap());
        assert_eq!(found.iter().map(|l| l.id.as_str()).collect::<Vec<_>>(), ["a", "c", "e"]);
        for found in found {
            let mut whole = store.listing(ACCOUNT, &found.id).await.unwrap();
            if !assessed {
                assert!(found.assessment.is_none());
                whole.assessment = None;
            }
            found.assessment.iter().for_each(|a| assert_eq!(a.keys.expected_net, Some(1.0)));
            assert_eq!(found, whole);
        }
    }
}

async fn what_is_put_is_got(place: &Place) {
    let store = place.open().await;
    let request = "{\"title\": \"ünïcode \\u0000 \\\" 🕰\",\n \"price\": 640.00}";
    let new = NewListing {
        status: Status::Bought,
        request,
        seller: Some("s-1"),
        serial: Some("1234"),
        // Nanoseconds are dropped.
        at: "2026-11-24T21:00:00.123456789Z".parse().unwrap(),
        ..listing("a/b c")
    };
    let keys = Keys {
        expected_net: Some(0.1 + 0.2),
        net_per_stake: Some(-1e-300),
        ask_worth: Some(f64::NAN),
        bad: Some(f64::INFINITY),
    };
    let revision = put(&store, &new, &NewAssessment { keys, ..assessment(None) }).await;
    let got = store.listing(ACCOUNT, "a/b c").await.unwrap();
    assert_eq!(got.request, request);
    assert_eq!((got.status, got.seller.as_deref(), got.serial.as_deref()), (Status::Bought, Some("s-1"), Some("1234")));
    assert_eq!(got.saved_at, "2026-11-24T21:00:00.123456Z".parse().unwrap());
    assert_eq!((got.revision, got.updated_at), (revision, got.saved_at));
    let assessed = got.assessment.unwrap();
    assert_eq!(
        assessed.keys,
        Keys { expected_net: Some(0.1 + 0.2), net_per_stake: Some(-1e-300), ask_worth: None, bad: None }
    );
    assert_eq!((assessed.first_revision, assessed.last_revision), (revision, None));
    assert_eq!((assessed.model.as_str(), assessed.body.as_str()), ("m-1", r#"{"advice":"leave"}"#));
    // Put again, it keeps the time it was first saved.
    put(&store, &NewListing { at: at(60), ..listing("a/b c") }, &assessment(None)).await;
    let again = store.listing(ACCOUNT, "a/b c").await.unwrap();
    assert_eq!((again.saved_at, again.updated_at, again.seller), (got.saved_at, at(60), None));
}

async fn preconditions_hold(place: &Place) {
    let store = place.open().await;
    let attempt = async |precondition| {
        let mut write = store.write(ACCOUNT).await.unwrap();
        let created = write.put_listing(&listing("a"), &assessment(None), precondition).await?.created;
        write.commit().await.map(|()| created)
    };
    assert!(attempt(Precondition::Revisions(vec![1])).await.unwrap_err().is_conflict());
    assert!(attempt(Precondition::Absent).await.unwrap());
    assert!(attempt(Precondition::Absent).await.unwrap_err().is_conflict());
    let revision = store.listing(ACCOUNT, "a").await.unwrap().revision;
    assert!(attempt(Precondition::Revisions(vec![revision + 1])).await.unwrap_err().is_conflict());
    assert!(!attempt(Precondition::Revisions(vec![revision])).await.unwrap());
    assert!(!attempt(Precondition::None).await.unwrap());

    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(write.delete_listing("a", Precondition::Revisions(vec![revision])).await.unwrap_err().is_conflict());
    write.delete_listing("a", Precondition::None).await.unwrap();
    assert!(write.delete_listing("a", Precondition::None).await.unwrap_err().is_not_found());
    write.commit().await.unwrap();
    assert!(store.listing(ACCOUNT, "a").await.unwrap_err().is_not_found());
}

async fn of_two_that_read_the_same_one_writes(place: &Place) {
    let store = place.open().await;
    let read = put(&store, &listing("a"), &assessment(None)).await;
    let attempts = (0..8).map(|_| async {
        let mut write = store.write(ACCOUNT).await.unwrap();
        write.put_listing(&listing("a"), &assessment(None), Precondition::Revisions(vec![read])).await?;
        write.commit().await
    });
    let done = futures_util::future::join_all(attempts).await;
    assert_eq!(done.iter().filter(|d| d.is_ok()).count(), 1);
    assert!(done.iter().filter_map(|d| d.as_ref().err()).all(steelyard::store::Error::is_conflict));
}

/// Ids and expected nets of a walk to its end, page by page.
async fn walk(store: &Store, query: &ListingQuery, mut between: impl AsyncFnMut()) -> Vec<(String, Option<f64>)> {
    let (mut query, mut seen) = (query.clone(), Vec::new());
    loop {
        let page = store.listings(ACCOUNT, &query).await.unwrap();
        assert!(page.items.len() <= query.limit as usize);
        seen.extend(page.items.into_iter().map(|l| (l.id, l.assessment.and_then(|a| a.keys.expected_net))));
        let Some(next) = page.next else { return seen };
        // As a client's cursor: through JSON.
        let cursor: Cursor = serde_json::from_str(&serde_json::to_string(&next).unwrap()).unwrap();
        query.after = Some(cursor);
        between().await;
    }
}

/// Twelve listings whose keys repeat, some without one.
async fn twelve(store: &Store) -> Vec<(String, Option<f64>)> {
    let mut all = Vec::new();
    for i in 0..12_i64 {
        let (id, key) = (format!("l-{:02}", i * 5 % 12), (i % 4 != 3).then_some((i % 3) as f64 - 0.1));
        put(store, &NewListing { at: at(i / 2), ..listing(&id) }, &assessment(key)).await;
        all.push((id, key));
    }
    all
}

async fn a_walk_shows_each_listing_once_as_it_was(place: &Place) {
    let store = place.open().await;
    for descending in [false, true] {
        twelve(&store).await;
        let query = ListingQuery { sort: Sort::ExpectedNet, descending, limit: 2, ..ListingQuery::default() };
        let still = walk(&store, &query, async || {}).await;
        assert!(still.len() >= 12);
        let mut step = 0;
        let moving = walk(&store, &query, async || {
            step += 1;
            // Every key moves, one listing is put anew, one is new.
            let mut write = store.write(ACCOUNT).await.unwrap();
            for (i, (id, _)) in still.iter().enumerate() {
                let revision = store.listing(ACCOUNT, id).await.unwrap().revision;
                let key = Some(((i * 7 + step * 5) % 13) as f64);
                assert!(write.reassess(id, revision, &assessment(key)).await.unwrap());
            }
            write.commit().await.unwrap();
            put(&store, &listing(&still[step % 12].0), &assessment(Some(100.0))).await;
            put(&store, &listing(&format!("l-0{step}-new")), &assessment(Some(0.5))).await;
        })
        .await;
        assert_eq!(moving, still);
        // One that is deleted before its page is missing, nothing else.
        let all = ListingQuery { limit: 5, ..query };
        let before = walk(&store, &all, async || {}).await;
        let last = before.last().unwrap().clone();
        let mut deleted = false;
        let after = walk(&store, &all, async || {
            if !std::mem::replace(&mut deleted, true) {
                let mut write = store.write(ACCOUNT).await.unwrap();
                write.delete_listing(&last.0, Precondition::None).await.unwrap();
                write.commit().await.unwrap();
            }
        })
        .await;
        assert_eq!(after, before[..before.len() - 1]);
    }
}

async fn order_is_by_key_then_id_with_nulls_last(place: &Place) {
    let store = place.open().await;
    let mut expected = twelve(&store).await;
    for descending in [false, true] {
        expected.sort_by(|(a, x), (b, y)| {
            let keys = match (x, y) {
                (Some(x), Some(y)) if descending => y.total_cmp(x),
                (Some(x), Some(y)) => x.total_cmp(y),
                (x, y) => x.is_none().cmp(&y.is_none()),
            };
            keys.then(a.cmp(b))
        });
        for limit in [1, 2, 5, 11, 12, 13] {
            let query = ListingQuery { sort: Sort::ExpectedNet, descending, limit, ..ListingQuery::default() };
            assert_eq!(walk(&store, &query, async || {}).await, expected, "{limit} a page, descending {descending}");
        }
        let query = ListingQuery { sort: Sort::SavedAt, descending, limit: 5, ..ListingQuery::default() };
        let ids: Vec<_> = walk(&store, &query, async || {}).await.into_iter().map(|(id, _)| id).collect();
        let mut by_time = Vec::new();
        for id in &ids {
            by_time.push((store.listing(ACCOUNT, id).await.unwrap().saved_at, id.clone()));
        }
        let mut sorted = by_time.clone();
        sorted.sort_by(|a, b| if descending { b.0.cmp(&a.0) } else { a.0.cmp(&b.0) }.then(a.1.cmp(&b.1)));
        assert_eq!((by_time.len(), by_time), (12, sorted));
        for sort in [Sort::NetPerStake, Sort::AskWorth, Sort::Bad] {
            let query = ListingQuery { sort, descending, limit: 5, ..ListingQuery::default() };
            assert_eq!(walk(&store, &query, async || {}).await.len(), 12);
        }
    }
}

async fn ids_are_ordered_by_their_bytes(place: &Place) {
    let store = place.open().await;
    let mut ids = ["b", "A", "a", "B", "ä", "Z", "-", "a b", "ab", "a-c", "é", "1", "10", "2"];
    for id in ids {
        put(&store, &listing(id), &assessment(None)).await;
    }
    ids.sort_unstable();
    let query = ListingQuery { sort: Sort::Bad, limit: 3, ..ListingQuery::default() };
    let seen: Vec<_> = walk(&store, &query, async || {}).await.into_iter().map(|(id, _)| id).collect();
    assert_eq!(seen, ids);
}

async fn filters_narrow(place: &Place) {
    let store = place.open().await;
    put(&store, &NewListing { seller: Some("s"), ..listing("a") }, &assessment(None)).await;
    put(&store, &NewListing { status: Status::Passed, seller: Some("s"), ..listing("b") }, &assessment(None)).await;
    put(&store, &NewListing { status: Status::Passed, ..listing("c") }, &assessment(None)).await;
    let ids = async |status, seller: Option<&str>| {
        let query = ListingQuery { status, seller: seller.map(Into::into), limit: 1, ..ListingQuery::default() };
        walk(&store, &query, async || {}).await.into_iter().map(|(id, _)| id).collect::<String>()
    };
    assert_eq!(ids(None, None).await, "abc");
    assert_eq!(ids(Some(Status::Passed), None).await, "bc");
    assert_eq!(ids(None, Some("s")).await, "ab");
    assert_eq!(ids(Some(Status::Passed), Some("s")).await, "b");
    assert_eq!(ids(Some(Status::Ended), Some("s")).await, "");
}

async fn history_is_kept_and_deletion_ends_it(place: &Place) {
    let store = place.open().await;
    for key in 0..5 {
        put(&store, &listing("a"), &assessment(Some(f64::from(key)))).await;
        put(&store, &listing("b"), &assessment(None)).await;
    }
    let all = store.assessments(ACCOUNT, "a", None, 10).await.unwrap();
    let all: Vec<_> = all.into_iter().map(|a| a.assessment).collect();
    let keys: Vec<_> = all.iter().map(|a| a.keys.expected_net.unwrap()).collect();
    assert_eq!(keys, [4.0, 3.0, 2.0, 1.0, 0.0]);
    // Each ends just before the next begins.
    assert_eq!(all[0].last_revision, None);
    for pair in all.windows(2) {
        assert_eq!(pair[1].last_revision, Some(pair[0].first_revision - 1));
    }
    let older = store.assessments(ACCOUNT, "a", Some(all[1].first_revision), 2).await.unwrap();
    assert_eq!(older.into_iter().map(|a| a.assessment).collect::<Vec<_>>(), all[2..4]);
    // Twice in one write: the second is the one that holds.
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.put_listing(&listing("a"), &assessment(Some(7.0)), Precondition::None).await.unwrap();
    write.put_listing(&listing("a"), &assessment(Some(8.0)), Precondition::None).await.unwrap();
    write.commit().await.unwrap();
    let all = store.assessments(ACCOUNT, "a", None, 10).await.unwrap();
    assert_eq!((all.len(), all[0].assessment.keys.expected_net), (6, Some(8.0)));

    let mut write = store.write(ACCOUNT).await.unwrap();
    write.delete_listing("a", Precondition::None).await.unwrap();
    write.commit().await.unwrap();
    assert!(store.assessments(ACCOUNT, "a", None, 10).await.unwrap().is_empty());
    assert_eq!(store.assessments(ACCOUNT, "b", None, 10).await.unwrap().len(), 5);
}

async fn an_assessment_keeps_the_request_it_was_made_of(place: &Place) {
    let store = place.open().await;
    let with = |text: &'static str| NewListing { request: text, ..listing("a") };
    let first = put(&store, &with("1"), &assessment(Some(1.0))).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(write.reassess("a", first, &assessment(Some(2.0))).await.unwrap());
    let second = committed(write).await;
    let third = put(&store, &with("2"), &assessment(Some(3.0))).await;
    // The same again is nothing new.
    let fourth = put(&store, &with("2"), &assessment(Some(4.0))).await;
    let fifth = put(&store, &with("1"), &assessment(Some(5.0))).await;
    put(&store, &NewListing { request: "b", ..listing("b") }, &assessment(None)).await;
    let kept = store.assessments(ACCOUNT, "a", None, 10).await.unwrap();
    let kept: Vec<_> = kept.iter().rev().map(|p| (p.assessment.first_revision, p.request.as_str())).collect();
    assert_eq!(kept, [(first, "1"), (second, "1"), (third, "2"), (fourth, "2"), (fifth, "1")]);
    let one = store.assessment(ACCOUNT, "a", third).await.unwrap();
    assert_eq!((one.request.as_str(), one.assessment.keys.expected_net), ("2", Some(3.0)));
    assert!(store.assessment(ACCOUNT, "a", fifth + 1).await.unwrap_err().is_not_found());

    // At a revision it is the request in force then, however often the same was put again.
    let a = async |revision| store.request_at(ACCOUNT, "a", revision, at(-1)).await.unwrap().map(|(text, _)| text);
    assert_eq!(a(first - 1).await.as_deref(), Some("1"));
    assert_eq!((a(second).await.as_deref(), a(third).await.as_deref()), (Some("1"), Some("2")));
    assert_eq!((a(fourth).await.as_deref(), a(fifth).await), (Some("2"), None));

    // What named a forgotten seller is put in another's place.
    put(&store, &NewListing { seller: Some("s"), request: "of s", ..listing("c") }, &assessment(None)).await;
    put(&store, &NewListing { request: "of nobody", ..listing("c") }, &assessment(None)).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    let past = write.past_requests_of("s").await.unwrap();
    assert_eq!((past.len(), past[0].listing.as_str(), past[0].request.as_str()), (1, "c", "of s"));
    write.put_past_request(&PastRequest { request: "of a forgotten one".into(), ..past[0].clone() }).await.unwrap();
    assert!(write.past_requests_of("s").await.unwrap().is_empty());
    write.commit().await.unwrap();
    let kept = store.assessments(ACCOUNT, "c", None, 10).await.unwrap();
    assert_eq!(kept[1].request, "of a forgotten one");
}

async fn whoever_loses_an_outcome_is_named(place: &Place) {
    let store = place.open().await;
    let of = |seller| NewListing { seller, ..listing("a") };
    put(&store, &of(Some("s")), &assessment(None)).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    let found = NewOutcome { id: "o", listing: "a", recorded_at: at(1), found_at: at(1), body: "{}" };
    write.record_outcomes(&[found]).await.unwrap();
    write.delete_listing("a", Precondition::None).await.unwrap();
    committed(write).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    let put = write.put_listing(&of(Some("t")), &assessment(None), Precondition::None).await.unwrap();
    assert_eq!((put.created, put.lost_outcomes), (true, vec!["s".to_owned()]));
    let put = write.put_listing(&of(Some("t")), &assessment(None), Precondition::None).await.unwrap();
    assert!(put.lost_outcomes.is_empty());
}

async fn a_stale_reassessment_is_left_out(place: &Place) {
    let store = place.open().await;
    let read = put(&store, &listing("a"), &assessment(Some(1.0))).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(write.reassess("a", read, &assessment(Some(2.0))).await.unwrap());
    assert!(!write.reassess("gone", read, &assessment(Some(2.0))).await.unwrap());
    let newer = committed(write).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(!write.reassess("a", read, &assessment(Some(3.0))).await.unwrap());
    write.commit().await.unwrap();
    let got = store.listing(ACCOUNT, "a").await.unwrap();
    assert_eq!((got.revision, got.assessment.unwrap().keys.expected_net), (newer, Some(2.0)));
}

async fn the_same_serial_or_photo_is_found(place: &Place) {
    let store = place.open().await;
    let photos = |digests: &[&str]| digests.iter().map(|&d| d.to_owned()).collect::<Vec<_>>();
    let (pq, qr, r) = (photos(&["p", "q"]), photos(&["q", "r", "r"]), photos(&["r"]));
    put(&store, &NewListing { photos: &pq, serial: Some("1"), ..listing("a") }, &assessment(None)).await;
    put(&store, &NewListing { photos: &qr, ..listing("b") }, &assessment(None)).await;
    put(&store, &NewListing { photos: &r, serial: Some("1"), ..listing("c") }, &assessment(None)).await;
    put(&store, &listing("d"), &assessment(None)).await;
    let others = async |ids: &[&str], most: u32| {
        let pairs = store.same_watch(ACCOUNT, ids, most).await.unwrap();
        pairs.into_iter().map(|p| format!("{}-{}", p.listing, p.other)).collect::<Vec<_>>()
    };
    // Saved at one moment, the ids decide; of each listing the newest first.
    assert_eq!(others(&["a", "b", "d", "nobody"], 9).await, ["a-c", "a-b", "b-c", "b-a"]);
    assert_eq!(others(&["b", "a"], 1).await, ["a-c", "b-c"]);
    assert!(others(&["d"], 9).await.is_empty() && others(&[], 9).await.is_empty());
    let late = NewListing { photos: &r, at: at(1000), ..listing("0") };
    put(&store, &late, &assessment(None)).await;
    assert_eq!(others(&["c"], 9).await, ["c-0", "c-b", "c-a"]);
    assert_eq!(store.same_watch("other", &["a"], 9).await.unwrap(), []);
    // Put without its photo, it shares it no more.
    put(&store, &listing("b"), &assessment(None)).await;
    assert_eq!(others(&["a"], 9).await, ["a-c"]);
}

async fn several_are_read_at_once(place: &Place) {
    let store = place.open().await;
    for id in ["a", "b"] {
        put(&store, &listing(id), &assessment(Some(1.0))).await;
    }
    // More than one statement takes.
    let many: Vec<String> = (0..1200).map(|i| format!("n{i}")).collect();
    let ids: Vec<&str> = many.iter().map(String::as_str).chain(["b", "a"]).collect();
    let mut found = store.these_listings(ACCOUNT, &ids).await.unwrap();
    found.sort_by(|x, y| x.id.cmp(&y.id));
    assert_eq!(found, [store.listing(ACCOUNT, "a").await.unwrap(), store.listing(ACCOUNT, "b").await.unwrap()]);
    let mut write = store.write(ACCOUNT).await.unwrap();
    let outcome = |id, listing, body| NewOutcome { id, listing, recorded_at: at(1), found_at: at(1), body };
    let three = [outcome("o1", "a", "{\"n\":1}"), outcome("o2", "x", "{\"n\":2}"), outcome("o3", "a", "{\"n\":3}")];
    write.record_outcomes(&three).await.unwrap();
    committed(write).await;
    let found = store.found_of(ACCOUNT, &ids).await.unwrap();
    assert_eq!(found.iter().map(|o| o.id.as_str()).collect::<Vec<_>>(), ["o3"], "the one that stands");
}

async fn a_cursor_holds_for_its_query_alone(place: &Place) {
    let store = place.open().await;
    for id in ["a", "b"] {
        put(&store, &listing(id), &assessment(Some(1.0))).await;
    }
    let query = ListingQuery { sort: Sort::ExpectedNet, limit: 1, ..ListingQuery::default() };
    let after = store.listings(ACCOUNT, &query).await.unwrap().next;
    assert!(after.is_some());
    let goes = async |query: ListingQuery| match store.listings(ACCOUNT, &query).await {
        Ok(page) => page.items.len() == 1,
        Err(e) if e.is_conflict() => false,
        Err(e) => panic!("{e:?}"),
    };
    let query = ListingQuery { after: after.clone(), ..query };
    assert!(goes(query.clone()).await);
    assert!(goes(ListingQuery { limit: 9, ..query.clone() }).await);
    assert!(!goes(ListingQuery { descending: true, ..query.clone() }).await);
    assert!(!goes(ListingQuery { sort: Sort::Bad, ..query.clone() }).await);
    assert!(!goes(ListingQuery { sort: Sort::SavedAt, ..query.clone() }).await);
    assert!(!goes(ListingQuery { status: Some(Status::Open), ..query.clone() }).await);
    assert!(!goes(ListingQuery { seller: Some("s".into()), ..query.clone() }).await);
    // Forged: a time among numbers, and no key where there always is one.
    let forge = |from: &str, to: &str| {
        let text = serde_json::to_string(&after).unwrap();
        assert!(text.contains(from), "{text}");
        Some(serde_json::from_str::<Cursor>(&text.replace(from, to)).unwrap())
    };
    let key = "\"key\":1.0";
    assert!(!goes(ListingQuery { after: forge(key, "\"key\":\"x\""), ..query.clone() }).await);
    let by_time = "\"sort\":\"saved_at\"";
    let by_time = forge("\"sort\":\"expected_net\"", by_time);
    assert!(!goes(ListingQuery { sort: Sort::SavedAt, after: by_time, ..query }).await);
}

async fn what_no_text_can_hold_is_no_fault_of_the_database(place: &Place) {
    let store = place.open().await;
    let error = store.listing(ACCOUNT, "\0").await.unwrap_err();
    assert!(error.is_unfit() || error.is_not_found(), "{error:?}");
    let seller = ListingQuery { seller: Some("\0".into()), limit: 1, ..ListingQuery::default() };
    let found = store.listings(ACCOUNT, &seller).await;
    assert!(found.as_ref().is_ok_and(|page| page.items.is_empty()) || found.is_err_and(|e| e.is_unfit()));
}

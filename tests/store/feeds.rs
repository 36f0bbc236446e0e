//! Feeds: many workers, one lease each; polls that are no revision of the account.

use crate::support::{ACCOUNT, Place, assessment, at, committed, listing, put};
use sqlx::migrate::{Migration, MigrationType, Migrator};
use sqlx::{AnyConnection, AssertSqlSafe, Connection as _, Executor as _, SqlStr};
use std::collections::BTreeSet;
use steelyard::feed::{Format, Schedule, State, Validators};
use steelyard::store::{FILE, Feed, FeedItem, NewFeed, PollEnd, Precondition, Store};

on_both! {
    each_feed_that_is_due_goes_to_one_worker,
    the_feed_that_is_due_longest_goes_first_and_none_before_its_time,
    a_feed_whose_worker_died_is_taken_again_and_the_dead_one_ends_nothing,
    a_poll_is_noted_and_is_no_revision_of_the_account,
    a_feed_that_rests_is_polled_by_hand_alone,
    there_is_one_feed_of_a_url,
    a_deleted_feed_takes_what_it_said_along_and_leaves_the_listings,
    a_feed_without_a_url_is_never_due,
    a_feed_that_is_changed_wakes_and_knows_its_items_still,
    a_store_from_before_feeds_without_a_url_keeps_what_it_holds,
}

async fn add(store: &Store, account: &str, id: &str, second: i64) {
    let mut write = store.write(account).await.unwrap();
    let url = format!("https://shop.example/{id}");
    let feed =
        NewFeed { id, url: Some(&url), format: Format::JsonFeed, every_s: Some(900), defaults: None, at: at(second) };
    write.add_feed(&feed).await.unwrap();
    write.commit().await.unwrap();
}

/// The end of a poll after which the feed is in a state, and due at a time if it is active.
fn schedule(state: State, next: i64) -> Schedule {
    let next_poll_at = (state == State::Active).then(|| at(next));
    Schedule { state, failures: 3, next_poll_at, last_error: Some("no answer".into()) }
}

fn tags() -> Validators {
    Validators { etag: Some("\"a\"".into()), last_modified: None }
}

fn end<'a>(schedule: &'a Schedule, validators: &'a Validators, items: Option<&'a str>) -> PollEnd<'a> {
    PollEnd { at: at(70), schedule, validators, items }
}

async fn claim(store: &Store, owner: &str, now: i64, until: i64) -> Option<Feed> {
    store.claim_feed(owner, at(now), at(until)).await.unwrap()
}

async fn each_feed_that_is_due_goes_to_one_worker(place: &Place) {
    let stores = [place.open().await, place.open().await];
    let feeds = 40;
    for feed in 0..feeds {
        add(&stores[0], ["local", "other"][feed % 2], &format!("f-{feed:02}"), 50).await;
    }
    let claims = (0..feeds).map(|worker| {
        let store = stores[worker % 2].clone();
        tokio::spawn(async move { claim(&store, &format!("w-{worker}"), 99, 199).await })
    });
    let taken: Vec<_> = futures_util::future::join_all(claims).await.into_iter().filter_map(Result::unwrap).collect();
    assert_eq!(taken.len(), feeds);
    assert_eq!(taken.iter().map(|f| f.id.clone()).collect::<BTreeSet<_>>().len(), feeds);
    assert_eq!(claim(&stores[0], "late", 99, 199).await, None);
}

async fn the_feed_that_is_due_longest_goes_first_and_none_before_its_time(place: &Place) {
    let store = place.open().await;
    for (id, second) in [("a", 3), ("b", 1), ("c", 2), ("d", 100)] {
        add(&store, ACCOUNT, id, second).await;
    }
    assert_eq!(claim(&store, "w", 0, 99).await, None);
    for expected in ["b", "c", "a"] {
        assert_eq!(claim(&store, "w", 9, 99).await.unwrap().id, expected);
    }
    assert_eq!(claim(&store, "w", 99, 199).await, None);
}

async fn a_feed_whose_worker_died_is_taken_again_and_the_dead_one_ends_nothing(place: &Place) {
    let store = place.open().await;
    add(&store, ACCOUNT, "f", 0).await;
    let feed = claim(&store, "first", 0, 30).await.unwrap();
    store.renew_feed(&feed, "first", at(60)).await.unwrap();
    assert_eq!(claim(&store, "second", 60, 90).await, None);
    assert_eq!(store.claim_feed_now(ACCOUNT, "f", "second", at(60), at(90)).await.unwrap(), None);
    assert_eq!(claim(&store, "second", 61, 91).await.unwrap().id, "f");
    // The first, should it wake, hears that it lost the feed, and changes nothing.
    assert!(store.renew_feed(&feed, "first", at(99)).await.unwrap_err().is_conflict());
    let (schedule, tags) = (schedule(State::Active, 500), tags());
    let end = end(&schedule, &tags, None);
    assert!(store.end_poll(&feed, "first", &end).await.unwrap_err().is_conflict());
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(write.end_poll("f", "first", &end).await.unwrap_err().is_conflict());
    drop(write);
    assert_eq!(store.feed(ACCOUNT, "f").await.unwrap().revision, 1);
    store.end_poll(&feed, "second", &end).await.unwrap();
    assert_eq!(claim(&store, "third", 499, 599).await, None);
    assert_eq!(claim(&store, "third", 500, 599).await.unwrap().id, "f");
}

async fn a_poll_is_noted_and_is_no_revision_of_the_account(place: &Place) {
    let store = place.open().await;
    add(&store, ACCOUNT, "f", 5).await;
    let new = store.feed(ACCOUNT, "f").await.unwrap();
    assert_eq!((new.revision, new.every_s, new.format, new.created_at), (1, Some(900), Format::JsonFeed, at(5)));
    assert_eq!((new.last_polled_at, &new.last_items, &new.validators), (None, &None, &Validators::default()));
    assert_eq!(new.schedule, Schedule::new(at(5)));
    let revision = store.revision(ACCOUNT).await.unwrap();
    let feed = claim(&store, "w", 9, 99).await.unwrap();
    assert_eq!(feed, new);
    let (one, tags) = (schedule(State::Active, 900), tags());
    store.end_poll(&feed, "w", &end(&one, &tags, Some("{\"new\":1}"))).await.unwrap();
    let noted = store.feed(ACCOUNT, "f").await.unwrap();
    assert_eq!((noted.revision, noted.last_polled_at, &noted.validators), (2, Some(at(70)), &tags));
    assert_eq!((&noted.schedule, noted.last_items.as_deref()), (&one, Some("{\"new\":1}")));
    // A poll that brings nothing leaves what the last one brought, and none of its tags.
    let feed = claim(&store, "w", 901, 999).await.unwrap();
    store.end_poll(&feed, "w", &end(&one, &Validators::default(), None)).await.unwrap();
    let noted = store.feed(ACCOUNT, "f").await.unwrap();
    assert_eq!((noted.validators, noted.last_items.as_deref()), (Validators::default(), Some("{\"new\":1}")));
    assert_eq!(store.revision(ACCOUNT).await.unwrap(), revision);
    assert!(store.feed("other", "f").await.unwrap_err().is_not_found());
}

async fn a_feed_that_rests_is_polled_by_hand_alone(place: &Place) {
    let store = place.open().await;
    add(&store, ACCOUNT, "f", 0).await;
    let tags = tags();
    for state in [State::Resting, State::Failed] {
        let feed = store.claim_feed_now(ACCOUNT, "f", "w", at(1), at(9)).await.unwrap().unwrap();
        store.end_poll(&feed, "w", &end(&schedule(state, 0), &tags, None)).await.unwrap();
        assert_eq!(claim(&store, "w", 99_999, 100_000).await, None);
        assert_eq!(store.feed(ACCOUNT, "f").await.unwrap().schedule, schedule(state, 0));
    }
    assert!(store.claim_feed_now(ACCOUNT, "g", "w", at(1), at(9)).await.unwrap_err().is_not_found());
    assert!(store.claim_feed_now("other", "f", "w", at(1), at(9)).await.unwrap_err().is_not_found());
}

async fn there_is_one_feed_of_a_url(place: &Place) {
    let store = place.open().await;
    add(&store, ACCOUNT, "f", 0).await;
    add(&store, "other", "f", 0).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    let again = NewFeed {
        id: "g",
        url: Some("https://shop.example/f"),
        format: Format::Ndjson,
        every_s: Some(60),
        defaults: None,
        at: at(1),
    };
    let error = write.add_feed(&again).await.unwrap_err();
    assert!(error.is_conflict() && error.to_string().contains("\"f\""), "{error}");
    drop(write);
    add(&store, ACCOUNT, "h", 0).await;
    let ids = |feeds: Vec<Feed>| feeds.into_iter().map(|f| f.id).collect::<Vec<_>>();
    assert_eq!(ids(store.feeds(ACCOUNT, "", 9).await.unwrap()), ["f", "h"]);
    assert_eq!(ids(store.feeds(ACCOUNT, "f", 1).await.unwrap()), ["h"]);
}

async fn a_deleted_feed_takes_what_it_said_along_and_leaves_the_listings(place: &Place) {
    let store = place.open().await;
    add(&store, ACCOUNT, "f", 0).await;
    put(&store, &listing("f:1"), &assessment(None)).await;
    let item = FeedItem { feed: "f".into(), item: "1".into(), digest: "d".into(), request: "{}".into() };
    let later = FeedItem { digest: "e".into(), request: "{\"a\":1}".into(), ..item.clone() };
    for item in [&item, &later] {
        let mut write = store.write(ACCOUNT).await.unwrap();
        write.put_feed_item(item, Some("s")).await.unwrap();
        committed(write).await;
    }
    assert_eq!(store.feed_item(ACCOUNT, "f", "1").await.unwrap(), Some(later.clone()));
    assert_eq!(store.feed_item("other", "f", "1").await.unwrap(), None);
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert_eq!(write.feed_items_of("s").await.unwrap(), [later]);
    assert!(write.delete_feed("f", Precondition::Revisions(vec![7])).await.unwrap_err().is_conflict());
    assert!(write.delete_feed("g", Precondition::None).await.unwrap_err().is_not_found());
    write.delete_feed("f", Precondition::Revisions(vec![1])).await.unwrap();
    // A poll that is still under way keeps nothing more.
    assert!(write.put_feed_item(&item, None).await.unwrap_err().is_not_found());
    committed(write).await;
    assert!(store.feed(ACCOUNT, "f").await.unwrap_err().is_not_found());
    assert_eq!(store.feed_item(ACCOUNT, "f", "1").await.unwrap(), None);
    assert_eq!(store.listing(ACCOUNT, "f:1").await.unwrap().id, "f:1");
}

async fn a_feed_without_a_url_is_never_due(place: &Place) {
    let store = place.open().await;
    for id in ["f", "g"] {
        let mut write = store.write(ACCOUNT).await.unwrap();
        let feed = NewFeed { id, url: None, format: Format::Ndjson, every_s: None, defaults: None, at: at(0) };
        write.add_feed(&feed).await.unwrap();
        committed(write).await;
    }
    assert_eq!(claim(&store, "w", 99_999, 100_000).await, None);
    let feed = store.feed(ACCOUNT, "f").await.unwrap();
    assert_eq!((feed.url, feed.every_s, feed.schedule.next_poll_at), (None, None, None));
    assert_eq!(feed.schedule.state, State::Active);
}

async fn a_feed_that_is_changed_wakes_and_knows_its_items_still(place: &Place) {
    let store = place.open().await;
    add(&store, ACCOUNT, "f", 0).await;
    add(&store, ACCOUNT, "g", 0).await;
    let item = FeedItem { feed: "f".into(), item: "1".into(), digest: "d".into(), request: "{}".into() };
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.put_feed_item(&item, None).await.unwrap();
    committed(write).await;
    let feed = store.claim_feed_now(ACCOUNT, "f", "w", at(1), at(9)).await.unwrap().unwrap();
    let url = Some("https://shop.example/elsewhere");
    let new =
        NewFeed { id: "f", url, format: Format::Ndjson, every_s: Some(60), defaults: Some("{\"aim\":{}}"), at: at(5) };
    // Not while it is polled.
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(!write.change_feed(&new).await.unwrap());
    drop(write);
    store.end_poll(&feed, "w", &end(&schedule(State::Resting, 0), &tags(), Some("{}"))).await.unwrap();
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert!(write.expect_feed("f", Precondition::Revisions(vec![1])).await.unwrap_err().is_conflict());
    assert!(write.expect_feed("h", Precondition::None).await.unwrap_err().is_not_found());
    write.expect_feed("f", Precondition::Revisions(vec![2])).await.unwrap();
    assert_eq!(write.other_feed_of("https://shop.example/g", "f").await.unwrap().as_deref(), Some("g"));
    assert_eq!(write.other_feed_of("https://shop.example/f", "f").await.unwrap(), None);
    assert!(write.change_feed(&new).await.unwrap());
    committed(write).await;
    let now = store.feed(ACCOUNT, "f").await.unwrap();
    assert_eq!((now.revision, now.url.as_deref(), now.format, now.every_s), (3, url, Format::Ndjson, Some(60)));
    assert_eq!((now.defaults.as_deref(), now.schedule), (new.defaults, Schedule::new(at(5))));
    assert_eq!((now.validators, now.last_items.as_deref()), (Validators::default(), Some("{}")));
    assert_eq!(store.feed_item(ACCOUNT, "f", "1").await.unwrap(), Some(item));
    let mut write = store.write(ACCOUNT).await.unwrap();
    let still = NewFeed { url: None, every_s: None, defaults: None, ..new };
    assert!(write.change_feed(&still).await.unwrap());
    committed(write).await;
    let now = store.feed(ACCOUNT, "f").await.unwrap();
    assert_eq!((now.url, now.every_s, now.defaults, now.schedule.next_poll_at), (None, None, None, None));
}

/// The schema as it was before, made by the same migrator from the same files.
async fn a_store_from_before_feeds_without_a_url_keeps_what_it_holds(place: &Place) {
    let (url, files) = match place {
        Place::Folder(folder) => (
            format!("sqlite:{}?mode=rwc", folder.path().join(FILE).display()),
            [
                ("store", include_str!("../../service/migrations/sqlite/0001_store.sql")),
                ("history", include_str!("../../service/migrations/sqlite/0002_history.sql")),
                ("feeds", include_str!("../../service/migrations/sqlite/0003_feeds.sql")),
            ],
        ),
        Place::Database(url) => (
            url.clone(),
            [
                ("store", include_str!("../../service/migrations/postgres/0001_store.sql")),
                ("history", include_str!("../../service/migrations/postgres/0002_history.sql")),
                ("feeds", include_str!("../../service/migrations/postgres/0003_feeds.sql")),
            ],
        ),
    };
    sqlx::any::install_default_drivers();
    let mut before = AnyConnection::connect(&url).await.unwrap();
    let migration = |(number, (name, sql)): (i64, (&'static str, &'static str))| {
        Migration::new(number, name.into(), MigrationType::Simple, SqlStr::from_static(sql), false)
    };
    let migrations: Vec<Migration> = (1..).zip(files).map(migration).collect();
    Migrator::with_migrations(migrations).run(&mut before).await.unwrap();
    let time = "2026-09-21T14:13:20.000000Z";
    for account in ["local", "other"] {
        let feeds = format!(
            "INSERT INTO feeds (account, id, revision, url, format, every_s, state, failures, created_at,
                 last_polled_at, next_poll_at, lease_owner, lease_until, etag, last_modified, last_error, last_items)
             VALUES ('{account}', 'f', 7, 'https://shop.example/f', 'ndjson', 900, 'active', 2, '{time}',
                 '{time}', '{time}', 'w', '{time}', 'tag', 'then', 'no answer', '{{}}'),
                    ('{account}', 'g', 1, 'https://shop.example/g', 'json_feed', 60, 'resting', 10, '{time}',
                 NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL)"
        );
        before.execute(AssertSqlSafe(feeds)).await.unwrap();
        let items = format!(
            "INSERT INTO feed_items (account, feed, item, digest, seller, request)
             VALUES ('{account}', 'f', '1', 'd', 's', '{{\"a\":1}}'), ('{account}', 'f', '2', 'e', NULL, '{{}}'),
                    ('{account}', 'g', '1', 'd', NULL, '{{}}')"
        );
        before.execute(AssertSqlSafe(items)).await.unwrap();
    }
    before.close().await.unwrap();

    let store = place.open().await;
    for account in [ACCOUNT, "other"] {
        let feeds = store.feeds(account, "", 9).await.unwrap();
        let time = time.parse().unwrap();
        let schedule = Schedule {
            state: State::Active,
            failures: 2,
            next_poll_at: Some(time),
            last_error: Some("no answer".into()),
        };
        let f = Feed {
            account: account.into(),
            id: "f".into(),
            revision: 7,
            url: Some("https://shop.example/f".into()),
            format: Format::Ndjson,
            every_s: Some(900),
            defaults: None,
            created_at: time,
            last_polled_at: Some(time),
            schedule,
            validators: Validators { etag: Some("tag".into()), last_modified: Some("then".into()) },
            last_items: Some("{}".into()),
        };
        assert_eq!((feeds.len(), &feeds[0], feeds[1].schedule.state), (2, &f, State::Resting));
        for (feed, item, digest, request) in
            [("f", "1", "d", "{\"a\":1}"), ("f", "2", "e", "{}"), ("g", "1", "d", "{}")]
        {
            let [feed, item, digest, request] = [feed, item, digest, request].map(str::to_owned);
            let kept = store.feed_item(account, &feed, &item).await.unwrap();
            assert_eq!(kept, Some(FeedItem { feed, item, digest, request }));
        }
    }
    // What belongs together still does: the lease, the seller's items, one feed of a URL, items with their feed.
    assert_eq!(store.claim_feed_now(ACCOUNT, "f", "x", at(0), at(9)).await.unwrap(), None);
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert_eq!(write.feed_items_of("s").await.unwrap().len(), 1);
    let again = NewFeed {
        id: "h",
        url: Some("https://shop.example/f"),
        format: Format::Ndjson,
        every_s: Some(60),
        defaults: None,
        at: at(0),
    };
    assert!(write.add_feed(&again).await.unwrap_err().is_conflict());
    write.delete_feed("f", Precondition::None).await.unwrap();
    committed(write).await;
    assert_eq!(store.feed_item(ACCOUNT, "f", "1").await.unwrap(), None);
    assert!(store.feed_item("other", "f", "1").await.unwrap().is_some());
    assert!(store.feed_item(ACCOUNT, "g", "1").await.unwrap().is_some());
    // Opened again, nothing is done twice.
    store.close().await;
    assert_eq!(place.open().await.feeds(ACCOUNT, "", 9).await.unwrap().len(), 1);
}

//! Export and import, from engine to engine.

use crate::support::{ACCOUNT, Place, assessment, at, committed, listing, put};
use serde_json::{Value, json};
use steelyard::feed::Format;
use steelyard::store::{
    BookPart, CalibrationState, Ending, FeedItem, ImportReport, ListingQuery, NewFeed, NewListing, NewModel,
    NewOutcome, NewSeller, OutcomeFilter, Status, Store,
};
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;

on_both! {
    what_the_api_would_refuse_is_refused_with_its_reason,
    what_a_listing_says_of_itself_is_read_from_its_request,
    bad_lines_are_refused_and_good_ones_kept,
    an_account_that_holds_something_is_not_imported_into,
    an_import_that_is_dropped_leaves_nothing,
    an_export_is_of_one_moment,
}

/// The model that comes with the program, under another name.
fn model(version: &str) -> Pack {
    let mut data = Pack::builtin().data().clone();
    data.version = version.into();
    Pack::from_data(data).unwrap()
}

/// One or more of everything, with what is awkward to carry.
async fn fill(store: &Store) {
    let photos = ["sha256:b,\n\"".to_owned(), "sha256:a".to_owned()];
    let awkward = NewListing {
        request: "{\"title\": \"\\u00a0 ü 🕰 \\n\",\r\n\t\"status\": \"bought\", \"seller\": {\"id\": \"s ü\"}, \
                  \"watch\": {\"facts\": {\"serial\": \"1 2\"}}, \"observations\": [], \
                  \"photos\": [{\"id\": \"p\", \"digest\": \"sha256:b,\\n\\\"\"}, {\"id\": \"q\", \"digest\": \"sha256:a\"}]}",
        status: Status::Bought,
        seller: Some("s ü"),
        serial: Some("12"),
        photos: &photos,
        at: "2026-01-02T03:04:05.678901Z".parse().unwrap(),
        ..listing("b/1")
    };
    put(store, &awkward, &assessment(None)).await;
    put(store, &NewListing { at: at(7), ..awkward }, &assessment(None)).await;
    for (second, request) in [(8, "{\"observations\":\n []}"), (9, awkward.request)] {
        put(store, &NewListing { at: at(second), seller: None, request, ..awkward }, &assessment(None)).await;
    }
    put(store, &NewListing { at: at(10), ..awkward }, &assessment(None)).await;
    for id in ["a", "B", "ä"] {
        put(store, &NewListing { at: at(3), ..listing(id) }, &assessment(Some(1.0))).await;
    }
    let mut write = store.write(ACCOUNT).await.unwrap();
    let outcome = NewOutcome {
        id: "o-1",
        listing: "b/1",
        recorded_at: at(1),
        found_at: at(0),
        body: "{ \"listing\": \"b/1\", \"story\": \"fake\" }",
    };
    let later = NewOutcome { id: "o-0", ..outcome };
    let gone = "{\"story\": \"original\",\n \"listing\":\"gone\"}";
    write
        .record_outcomes(&[outcome, NewOutcome { id: "o-2", listing: "gone", body: gone, ..outcome }, later])
        .await
        .unwrap();
    let seller = NewSeller {
        id: "s ü",
        segment: Some("forum"),
        feedback: Some("{\"positive\":1, \"negative\": 0}"),
        note: None,
        at: at(1),
    };
    write.put_seller(&seller).await.unwrap();
    write.put_seller(&NewSeller { at: at(2), note: Some("two\nlines"), ..seller }).await.unwrap();
    write.put_seller(&NewSeller { id: "S", segment: None, feedback: None, ..seller }).await.unwrap();
    let (maker, name) = Book::calibre_key("m", "9");
    let entry = "{\"maker\": \"m\", \"calibre\":\n\"9\", \"jewels\": [17]}";
    write.put_book_entry(BookPart::Calibre, &maker, &name, entry, at(4)).await.unwrap();
    for (maker, reference) in [("m", "12"), ("m", "1"), ("ü", "3")] {
        let entry = format!("{{\"maker\":\"{maker}\", \"reference\": \"{reference}\", \"years\":[1957, 1961]}}");
        let (maker, name) = Book::reference_key(maker, reference);
        write.put_book_entry(BookPart::Reference, &maker, &name, &entry, at(4)).await.unwrap();
    }
    let pack = NewModel { version: "1", digest: "d1", body: "{}", calibration: None, created_at: at(0) };
    write.put_model(&pack).await.unwrap();
    let fitted = model("2");
    let body = serde_json::to_string_pretty(fitted.data()).unwrap();
    let fitted = NewModel { version: "2", digest: fitted.digest(), body: &body, calibration: Some("c-1"), ..pack };
    write.put_model(&fitted).await.unwrap();
    for (version, second) in [("1", 5), ("2", 6), ("1", 7), ("2", 8)] {
        write.activate_model(version, at(second)).await.unwrap();
    }
    let urls = [("f-1", Some("https://shop.example/ü?a=1")), ("f-0", Some("https://shop.example/b")), ("f-2", None)];
    for (id, url) in urls {
        let every_s = url.map(|_| 900);
        let defaults = url.is_none().then_some("{\"offer\": {\"import_rate\":0.20}}");
        write.add_feed(&NewFeed { id, url, format: Format::Ndjson, every_s, defaults, at: at(7) }).await.unwrap();
    }
    let items = [
        ("b", Some("s ü"), "{ \"observations\":\r\n [], \"seller\": {\"id\": \"s ü\"} }"),
        ("a\"", None, "{ \"observations\":\r\n [], \"n\": 1.0 }"),
    ];
    for (item, seller, request) in items {
        let item = FeedItem { feed: "f-1".into(), item: item.into(), digest: "d".into(), request: request.into() };
        write.put_feed_item(&item, seller).await.unwrap();
    }
    write.queue_calibration("c-1", "{\"seed\": 1}", at(5)).await.unwrap();
    write.queue_calibration("c-2", "{}", at(6)).await.unwrap();
    write.commit().await.unwrap();
    store.claim_calibration("w", at(5), at(60)).await.unwrap().unwrap();
    let mut write = store.write(ACCOUNT).await.unwrap();
    let ending = Ending { state: CalibrationState::Done, report: Some("{\"n\": 4}"), version: Some("2"), at: at(9) };
    write.finish_calibration("c-1", "w", &ending).await.unwrap();
    write.commit().await.unwrap();
}

async fn export(store: &Store) -> Vec<String> {
    let (mut lines, mut taken) = (store.export(ACCOUNT), Vec::new());
    while let Some(line) = lines.recv().await {
        let line = line.unwrap();
        assert!(!line.contains(['\n', '\r']));
        taken.push(line);
    }
    taken
}

async fn import(store: &Store, lines: &[impl AsRef<str>]) -> ImportReport {
    let mut import = store.import(ACCOUNT).await.unwrap();
    for line in lines {
        import.line(line.as_ref()).await.unwrap();
    }
    import.commit().await.unwrap()
}

#[tokio::test(flavor = "multi_thread")]
async fn the_export_of_an_import_is_the_same_to_the_byte() {
    let places = [Place::sqlite(), Place::postgres().await, Place::sqlite(), Place::postgres().await];
    let first = places[0].open().await;
    fill(&first).await;
    let exported = export(&first).await;
    let kinds: Vec<String> = exported
        .iter()
        .map(|line| {
            serde_json::from_str::<Value>(&line.replace("1e400", "0")).unwrap()["kind"].as_str().unwrap().into()
        })
        .collect();
    let mut expected = vec!["export"];
    for (kind, count) in [
        ("seller", 2),
        ("listing", 4),
        ("past_request", 2),
        ("outcome", 3),
        ("reference", 3),
        ("calibre", 1),
        ("calibration", 1),
        ("model", 1),
        ("activation", 4),
        ("feed", 3),
        ("feed_item", 2),
    ] {
        expected.extend(std::iter::repeat_n(kind, count));
    }
    expected.push("end");
    assert_eq!(kinds, expected);
    for place in &places[1..] {
        let store = place.open().await;
        let report = import(&store, &exported).await;
        assert_eq!(report, ImportReport { accepted: 26, refused: Vec::new(), whole: true });
        assert_eq!(export(&store).await, exported);
        // What the lines do not say outright is the same too.
        let all = OutcomeFilter::default();
        let strip = |mut o: steelyard::store::Outcome| {
            o.revision = 0;
            o.body.retain(|c| !c.is_whitespace());
            o
        };
        let there: Vec<_> = store.outcomes(ACCOUNT, &all, 0, 10).await.unwrap().into_iter().map(strip).collect();
        let here: Vec<_> = first.outcomes(ACCOUNT, &all, 0, 10).await.unwrap().into_iter().map(strip).collect();
        assert_eq!(there, here);
        assert_eq!(store.active_model(ACCOUNT).await.unwrap().as_deref(), Some("2"));
        let imported = store.listings(ACCOUNT, &ListingQuery { limit: 10, ..ListingQuery::default() }).await.unwrap();
        assert_eq!(imported.items.iter().filter(|l| l.assessment.is_none()).count(), 4);
        // Past requests have lost their revisions: then their times tell.
        for (asked, put) in [(1, 7), (7, 7), (8, 8), (9, 8)] {
            let stood = store.request_at(ACCOUNT, "b/1", i64::MAX, at(asked)).await.unwrap();
            assert_eq!(stood.map(|(_, at)| at), Some(at(put)));
        }
        // Life goes on: numbers do not collide.
        put(&store, &listing("new"), &assessment(None)).await;
        let mut write = store.write(ACCOUNT).await.unwrap();
        let more = NewOutcome { id: "o-3", listing: "gone", recorded_at: at(1), found_at: at(0), body: "{}" };
        write.record_outcomes(&[more]).await.unwrap();
        write.activate_model("2", at(99)).await.unwrap();
        committed(write).await;
        assert_eq!(store.outcome(ACCOUNT, "o-2").await.unwrap().superseded_by.as_deref(), Some("o-3"));
    }
    for place in places {
        place.remove().await;
    }
}

async fn bad_lines_are_refused_and_good_ones_kept(place: &Place) {
    let store = place.open().await;
    let seller = |id: &str| {
        format!(
            r#"{{"kind":"seller","id":{id},"segment":null,"feedback":null,"note":null,"created_at":"2026-01-01T00:00:00Z","updated_at":"2026-01-01T00:00:00Z"}}"#
        )
    };
    let lines = [
        r#"{"kind":"export","format":1}"#.into(),
        r#"{"kind":"export","format":1}"#.into(),
        seller(r#""a""#),
        seller(r#""a""#),
        String::new(),
        seller("1"),
        seller(r#""nul \u0000""#),
        seller(r#""b""#).replace("2026-01-01T00", "2026-13-01T00"),
        seller(r#""b""#).replace("note", "nota"),
        "{".into(),
        "[]".into(),
        r#"{"kind":"feed"}"#.into(),
        seller(r#""c""#) + "\r",
        r#"{"kind":"end","lines":3}"#.into(),
        seller(r#""late""#),
    ];
    let report = import(&store, &lines).await;
    assert_eq!(report.accepted, 2);
    let refused: Vec<_> = report.refused.iter().map(|r| r.line).collect();
    assert_eq!(refused, [2, 4, 6, 7, 8, 9, 10, 11, 12, 14, 15], "{:#?}", report.refused);
    let ids: Vec<_> = store.sellers(ACCOUNT, "", 10).await.unwrap().into_iter().map(|s| s.id).collect();
    assert_eq!(ids, ["a", "c"]);
}

async fn what_the_api_would_refuse_is_refused_with_its_reason(place: &Place) {
    let store = place.open().await;
    let then = "2026-01-01T00:00:00Z";
    let listing = |id: &str, request: Value| {
        json!({ "kind": "listing", "id": id, "status": "open", "seller": null, "serial": null, "photos": [],
            "saved_at": then, "updated_at": then, "request": request })
    };
    let outcome = |listing: &str, outcome: Value| {
        json!({ "kind": "outcome", "id": "o", "listing": listing, "seller": null, "recorded_at": then, "found_at": then,
            "outcome": outcome })
    };
    let entry =
        |entry: Value| json!({ "kind": "reference", "maker": "m", "name": "1", "updated_at": then, "entry": entry });
    let whole = model("2");
    let model = |version: &str, digest: &str, model: &Value| {
        json!({ "kind": "model", "version": version, "digest": digest, "calibration": "c", "created_at": then,
            "model": model })
    };
    let data = json!(whole.data());
    let feed = |id: &str| {
        json!({ "kind": "feed", "id": id, "url": "https://shop.example/", "format": "ndjson", "every_s": 900,
            "created_at": then })
    };
    let seller = json!({ "kind": "seller", "id": "s", "segment": null, "feedback": 5, "note": null, "created_at": then,
        "updated_at": then });
    let past = json!({ "kind": "past_request", "listing": "a", "seller": null, "updated_at": then, "request": [] });
    let calibration = json!({ "kind": "calibration", "id": "c", "version": null, "created_at": then, "updated_at": then,
        "params": { "folds": "many" }, "report": null });
    let lines = [
        (json!({ "kind": "export", "format": 1 }), None),
        (seller, Some("feedback")),
        (listing("a", json!(5)), Some("object")),
        (listing("a", json!({ "observations": 5 })), Some("/observations")),
        (listing("a", json!({ "id": "b", "observations": [] })), Some("\"b\"")),
        (listing(&"x".repeat(201), json!({ "observations": [] })), Some("200 characters")),
        (listing("a\nb", json!({ "observations": [] })), Some("control")),
        (listing("a", json!({ "observations": [] })), None),
        (past, Some("object")),
        (outcome("a", json!({ "listing": "b", "story": "fake" })), Some("\"b\"")),
        (outcome("a", json!({ "story": "fake" })), Some("listing")),
        (entry(json!(5)), Some("object")),
        (entry(json!({ "maker": "m", "reference": "1", "years": [1961, 1957] })), Some("years")),
        (calibration, Some("/folds")),
        (model("3", whole.digest(), &data), Some("\"2\"")),
        (model("2", "sha256:0", &data), Some("digest")),
        (model("2", "sha256:0", &json!({})), Some("missing")),
        (feed(&"f".repeat(200)), Some("100 characters")),
        (feed("f"), None),
        (
            json!({ "kind": "feed_item", "feed": "f", "item": "i", "digest": "d", "seller": null, "request": 5 }),
            Some("map"),
        ),
    ];
    let texts: Vec<String> = lines.iter().map(|(line, _)| line.to_string()).collect();
    let report = import(&store, &texts).await;
    let mut refused = report.refused.iter().filter(|r| r.line <= lines.len() as u64);
    for (number, (line, reason)) in (1..).zip(&lines) {
        let Some(reason) = reason else { continue };
        let said = refused.next().unwrap();
        assert_eq!(said.line, number, "{line}: {said:?}");
        assert!(said.detail.contains(reason), "{line}: {said:?}");
    }
    assert_eq!((refused.next(), report.accepted), (None, 2));
}

/// What is found by a column must be found whatever the line says: a seller who is to be forgotten.
async fn what_a_listing_says_of_itself_is_read_from_its_request(place: &Place) {
    let store = place.open().await;
    let then = "2026-01-01T00:00:00Z";
    let request = json!({ "seller": { "id": "s" }, "status": "passed", "observations": [],
        "watch": { "facts": { "serial": "No. 12 345" } } });
    let lines = [
        json!({ "kind": "export", "format": 1 }),
        json!({ "kind": "listing", "id": "a", "status": "open", "seller": null, "serial": "7", "photos": ["x"],
            "saved_at": then, "updated_at": then, "request": request }),
        json!({ "kind": "past_request", "listing": "a", "seller": null, "updated_at": then, "request": request }),
        json!({ "kind": "outcome", "id": "o", "listing": "a", "seller": "t", "recorded_at": then, "found_at": then,
            "outcome": { "listing": "a", "story": "fake" } }),
        json!({ "kind": "feed", "id": "f", "url": null, "format": "ndjson", "every_s": null, "created_at": then }),
        json!({ "kind": "feed_item", "feed": "f", "item": "i", "digest": "d", "seller": null, "request": request }),
        json!({ "kind": "end", "lines": 5 }),
    ];
    let report = import(&store, &lines.map(|l| l.to_string())).await;
    assert_eq!(report, ImportReport { accepted: 5, refused: Vec::new(), whole: true });
    let kept = store.listing(ACCOUNT, "a").await.unwrap();
    assert_eq!(
        (kept.status, kept.seller.as_deref(), kept.serial.as_deref()),
        (Status::Passed, Some("s"), Some("no12345"))
    );
    assert_eq!(store.outcome(ACCOUNT, "o").await.unwrap().seller.as_deref(), Some("s"));
    let mut write = store.write(ACCOUNT).await.unwrap();
    assert_eq!(write.past_requests_of("s").await.unwrap().len(), 1);
    assert_eq!(write.feed_items_of("s").await.unwrap().len(), 1);
    assert_eq!(write.forget_seller("s").await.unwrap(), ["a"]);
}

async fn an_account_that_holds_something_is_not_imported_into(place: &Place) {
    let store = place.open().await;
    fill(&store).await;
    assert!(store.import(ACCOUNT).await.unwrap_err().is_conflict());
    assert!(store.import("other").await.is_ok());
}

async fn an_import_that_is_dropped_leaves_nothing(place: &Place) {
    let from = place.open().await;
    fill(&from).await;
    let lines = export(&from).await;
    let mut other = from.import("other").await.unwrap();
    for line in &lines[..lines.len() - 1] {
        other.line(line).await.unwrap();
    }
    drop(other);
    assert_eq!(from.revision("other").await.unwrap(), 0);
    // Cut off, it says so at the end.
    let mut other = from.import("other").await.unwrap();
    for line in &lines[..lines.len() - 1] {
        other.line(line).await.unwrap();
    }
    let report = other.commit().await.unwrap();
    assert_eq!((report.accepted, report.refused.len(), report.whole), (26, 0, false));
}

async fn an_export_is_of_one_moment(place: &Place) {
    let store = place.open().await;
    for i in 0..300 {
        put(&store, &listing(&format!("l-{i:03}")), &assessment(None)).await;
    }
    let mut lines = store.export(ACCOUNT);
    let head = lines.recv().await.unwrap().unwrap();
    assert_eq!(head, r#"{"kind":"export","format":1}"#);
    let first = lines.recv().await.unwrap().unwrap();
    assert!(first.contains("l-000"));
    // Written while it is read: of another moment.
    put(&store, &listing("l-999"), &assessment(None)).await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    let late = NewOutcome { id: "late", listing: "l-000", recorded_at: at(1), found_at: at(0), body: "{}" };
    write.record_outcomes(&[late]).await.unwrap();
    write.commit().await.unwrap();
    let mut last = first;
    while let Some(line) = lines.recv().await {
        assert!(!last.contains("l-999") && !last.contains("late"));
        last = line.unwrap();
    }
    assert_eq!(last, r#"{"kind":"end","lines":300}"#);
}

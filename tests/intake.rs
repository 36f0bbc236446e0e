//! `steelyard listings import`: a file of saved listings comes in, as often as it is read, and each line that does not
//! fit is named.

mod support;

use serde_json::{Value, json};
use std::fs;
use std::path::{Path, PathBuf};
use steelyard::store::{ListingQuery, Status, Store};
use support::{Printed, Reply, Served, run};
use tempfile::TempDir;

const ACCOUNT: &str = "local";

fn eur(amount: &str) -> Value {
    json!({ "amount": amount, "currency": "EUR" })
}

fn listing(id: &str, price: &str) -> Value {
    json!({ "id": id, "title": format!("Watch {id}"), "offer": { "price": eur(price) }, "observations": [],
        "seller": { "id": "s-17", "segment": "open_marketplace" },
        "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } } })
}

fn lines(listings: &[Value]) -> String {
    listings.iter().map(|l| format!("{l}\n")).collect()
}

/// A folder, for the data and the file.
struct Place(TempDir);

impl Place {
    fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    fn data(&self) -> PathBuf {
        self.0.path().join("data")
    }

    fn file(&self, text: impl AsRef<[u8]>) -> PathBuf {
        let file = self.0.path().join("saved.ndjson");
        fs::write(&file, text).unwrap();
        file
    }

    fn import(&self, text: impl AsRef<[u8]>) -> Printed {
        self.run(&self.file(text), &[])
    }

    fn run(&self, file: &Path, more: &[&str]) -> Printed {
        let data = self.data();
        let mut arguments: Vec<&std::ffi::OsStr> =
            vec!["listings".as_ref(), "import".as_ref(), "--data".as_ref(), data.as_ref(), file.as_ref()];
        arguments.extend(more.iter().map(std::ffi::OsStr::new));
        run(&arguments)
    }

    async fn store(&self) -> Store {
        Store::sqlite(&self.data()).await.unwrap()
    }

    async fn request(&self, id: &str) -> Value {
        let store = self.store().await;
        let listing = store.listing(ACCOUNT, id).await.unwrap();
        store.close().await;
        serde_json::from_str(&listing.request).unwrap()
    }
}

fn says(printed: &Printed, code: i32, last: &str) {
    assert_eq!((printed.code, printed.err.lines().last()), (Some(code), Some(last)), "{printed:?}");
    assert_eq!(printed.out, "", "{printed:?}");
}

#[tokio::test]
async fn sixty_saved_listings_come_in_and_again_only_what_changed() {
    let place = Place::new();
    let mut saved: Vec<Value> = (1..=60).map(|n| listing(&format!("lot-{n}"), "380.00")).collect();
    says(&place.import(lines(&saved)), 0, "60 listings saved, 0 updated, 0 unchanged, 0 refused");
    let store = place.store().await;
    let page = store.listings(ACCOUNT, &ListingQuery { limit: 99, ..ListingQuery::default() }).await.unwrap();
    assert_eq!(page.items.len(), 60);
    assert!(page.items.iter().all(|l| l.assessment.is_some()), "each is assessed");
    let revision = store.revision(ACCOUNT).await.unwrap();
    store.close().await;

    says(&place.import(lines(&saved)), 0, "0 listings saved, 0 updated, 60 unchanged, 0 refused");
    let store = place.store().await;
    assert_eq!(store.revision(ACCOUNT).await.unwrap(), revision, "nothing was written");
    store.close().await;

    saved[6]["offer"]["price"] = eur("310.00");
    says(&place.import(lines(&saved)), 0, "0 listings saved, 1 updated, 59 unchanged, 0 refused");
    assert_eq!(place.request("lot-7").await, saved[6]);
}

#[tokio::test]
async fn what_is_saved_is_what_the_service_would_have_saved() {
    let place = Place::new();
    let both = [listing("a", "380.00"), listing("b", "640.00")];
    says(&place.import(lines(&both)), 0, "2 listings saved, 0 updated, 0 unchanged, 0 refused");
    let service = Served::start();
    let own = Served::with(&[("STEELYARD_DATA", place.data().to_str().unwrap())]);
    for listing in &both {
        let path = format!("/v1/listings/{}", listing["id"].as_str().unwrap());
        let put = service.request("PUT", &path).header("content-type", "application/json").body(listing.to_string());
        assert_eq!(Reply::to(put).await.status, 201);
    }
    for id in ["a", "b"] {
        let path = format!("/v1/listings/{id}");
        let (by_hand, imported) = (Reply::to(service.get(&path)).await.json(), Reply::to(own.get(&path)).await.json());
        for member in ["request", "status", "assessment"] {
            assert_eq!(imported[member], by_hand[member], "{member} of {id}");
        }
    }
}

#[tokio::test]
async fn what_the_dealer_put_stays_where_the_file_does_not_speak_of_it() {
    let place = Place::new();
    place.import(lines(&[listing("a", "380.00")]));
    let mut put = listing("a", "380.00");
    put["observations"] = json!([{ "sign": "dial_too_fresh", "call": "present", "in_hand": true }]);
    put["offer"]["shipping"] = eur("12.00");
    put["status"] = json!("bought");
    // By a service that runs meanwhile.
    let service = Served::with(&[("STEELYARD_DATA", place.data().to_str().unwrap())]);
    let request = service.request("PUT", "/v1/listings/a").header("content-type", "application/json");
    assert_eq!(Reply::to(request.body(put.to_string())).await.status, 200);
    says(&place.import(lines(&[listing("a", "350.00")])), 0, "0 listings saved, 1 updated, 0 unchanged, 0 refused");
    put["offer"]["price"] = eur("350.00");
    let now = Reply::to(service.get("/v1/listings/a")).await.json();
    assert_eq!((&now["request"], &now["status"]), (&put, &json!("bought")));
    let store = place.store().await;
    assert_eq!(store.listing(ACCOUNT, "a").await.unwrap().status, Status::Bought);
    store.close().await;
    // Null takes out, as RFC 7396 has it.
    let less = json!({ "id": "a", "offer": { "shipping": null }, "observations": null });
    says(&place.import(lines(&[less])), 0, "0 listings saved, 1 updated, 0 unchanged, 0 refused");
    let now = place.request("a").await;
    assert_eq!((&now["observations"], &now["offer"]), (&json!([]), &json!({ "price": eur("350.00") })));
}

#[tokio::test]
async fn every_line_that_does_not_fit_is_named_and_the_others_are_kept() {
    let place = Place::new();
    let mut bad = listing("b", "380.00");
    bad["offer"]["prise"] = json!(1);
    bad["observations"] = json!([{ "sign": "crown_unsined", "call": "present" }]);
    let text = format!(
        "{}\n\n{bad}\n{{\"id\": \"c\"\n{{\"observations\": []}}\n{}\n[]\n{}\n",
        listing("a", "1.00"),
        listing("a", "2.00"),
        listing("ä", "3.00")
    );
    let printed = place.import(&text);
    says(&printed, 3, "2 listings saved, 0 updated, 0 unchanged, 5 refused");
    let file = place.0.path().join("saved.ndjson");
    for line in [
        ":3: /offer/prise: ",
        ":3: /observations/0/sign: ",
        ":4: ",
        ":5: /id: an item must have an id",
        ":6: an item before it has the id `a`; that one counts",
        ":7: not an object",
    ] {
        assert!(printed.err.contains(&format!("{}{line}", file.display())), "{line} is not in: {}", printed.err);
    }
    assert_eq!(place.request("a").await["offer"]["price"], eur("1.00"));
    assert_eq!(place.request("ä").await["title"], "Watch ä");
    // More than an answer over HTTP would name.
    let many: String = (0..300).map(|n| format!("{{\"id\": {n}, \"prise\": 1}}\n")).collect();
    let printed = place.import(many);
    assert_eq!(printed.err.lines().count(), 301);
}

#[tokio::test]
async fn a_json_feed_and_a_listing_on_several_lines_are_read_too() {
    let place = Place::new();
    // <https://www.jsonfeed.org/version/1.1/>
    let feed = json!({ "version": "https://jsonfeed.org/version/1.1", "title": "Saved", "items": [
        { "id": 381, "title": "Hand-wound", "content_text": "Original dial.",
          "_steelyard": { "offer": { "price": eur("380.00") } } },
        { "id": "382", "_steelyard": { "offer": { "prise": 1 } } } ] });
    for (text, last) in [
        (format!("\u{feff}{feed:#}"), "1 listings saved, 0 updated, 0 unchanged, 1 refused"),
        (feed.to_string(), "0 listings saved, 0 updated, 1 unchanged, 1 refused"),
    ] {
        let printed = place.import(text);
        says(&printed, 3, last);
        assert!(printed.err.contains(": /items/1: /offer/prise: "), "{}", printed.err);
    }
    assert_eq!(place.request("381").await["description"], "Original dial.");
    let one = format!("{:#}", listing("one", "5.00"));
    assert!(one.lines().count() > 5);
    says(&place.import(one), 0, "1 listings saved, 0 updated, 0 unchanged, 0 refused");
    // None of these makes a listing, and each says why.
    for (text, why) in [
        (format!("{:#}", json!([listing("x", "1.00")])), "an array"),
        (format!("{feed:#}").trim_end_matches(['}', '\n']).to_owned(), "EOF"),
        ("{\"version\": \"2\", \"items\": []}".to_owned(), "/version"),
    ] {
        let printed = place.import(text);
        assert_eq!((printed.code, printed.out.as_str()), (Some(1), ""), "{printed:?}");
        assert!(printed.err.contains(why) && printed.err.contains("saved.ndjson"), "{}", printed.err);
    }
    says(&place.import(""), 0, "0 listings saved, 0 updated, 0 unchanged, 0 refused");
    let nothing = Place::new();
    assert_eq!(nothing.run(Path::new("/nowhere/saved.ndjson"), &[]).code, Some(1));
    assert_eq!(nothing.import("[").code, Some(1));
    assert!(!nothing.data().exists(), "no store is made where there is no file");
}

#[tokio::test]
async fn what_the_file_and_the_listing_do_not_say_is_filled_in() {
    let place = Place::new();
    let defaults = place.0.path().join("costs.json");
    let with = ["--defaults", defaults.to_str().unwrap()];
    fs::write(&defaults, r#"{ "offer": { "shipping": { "amount": "12.00", "currency": "EUR" } }, "value": { "selling_fee_rate": 0.1 } }"#)
        .unwrap();
    let file = place.file(lines(&[listing("a", "380.00"), json!({ "id": "b" })]));
    says(&place.run(&file, &with), 0, "2 listings saved, 0 updated, 0 unchanged, 0 refused");
    let mut saved = listing("a", "380.00");
    saved["offer"]["shipping"] = eur("12.00");
    saved["value"]["selling_fee_rate"] = json!(0.1);
    assert_eq!(place.request("a").await, saved);
    assert!(place.request("b").await.get("value").is_none());
    says(&place.run(&file, &with), 0, "0 listings saved, 0 updated, 2 unchanged, 0 refused");
    // What stands in a listing already is not overwritten by another default.
    fs::write(
        &defaults,
        r#"{ "offer": { "shipping": { "amount": "20.00", "currency": "EUR" }, "import_rate": 0.2 } }"#,
    )
    .unwrap();
    let one = place.file(lines(&[listing("a", "380.00")]));
    says(&place.run(&one, &with), 0, "0 listings saved, 1 updated, 0 unchanged, 0 refused");
    saved["offer"]["import_rate"] = json!(0.2);
    assert_eq!(place.request("a").await, saved);
    // Faults are named in their own file, and nothing is read.
    fs::write(&defaults, r#"{ "offer": { "price": 1, "import_rate": 3 } }"#).unwrap();
    let printed = place.run(&one, &with);
    assert_eq!(printed.code, Some(1), "{printed:?}");
    for pointer in ["/offer/price: ", "/offer/import_rate: "] {
        assert!(printed.err.contains(&format!("{}{pointer}", defaults.display())), "{}", printed.err);
    }
}

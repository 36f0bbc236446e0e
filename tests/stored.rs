//! What is stored over HTTP: listings, sellers, outcomes and the reference book, asked of the binary.

#[macro_use]
mod support;

use serde::Deserialize;
use serde_json::value::RawValue;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use steelyard::app::Served as ServedModel;
use steelyard::memory::InForce;
use steelyard::wire::stored::SellerKnown;
use steelyard_model::facts::{Book, BookData};
use steelyard_model::pack::Pack;
use steelyard_priors::seller::{Evidence, ListingLikelihood, Prior, SellerPosterior};
use support::place::Place;
use support::{Reply, Served, run};

/// What a probability computed twice, by quadrature and in closed form, is off by.
const QUADRATURE: f64 = 1e-9;

on_both!(
    one_more_listing_moves_a_sellers_others_only_where_it_matters,
    a_watch_that_its_seller_puts_up_again_is_one_watch_and_says_nothing_of_itself,
    an_unsure_outcome_is_no_known_watch,
    a_seller_that_loses_an_outcome_is_looked_at_again,
    a_listing_is_made_saved_anew_read_and_deleted,
    preconditions_guard_every_stored_thing,
    of_two_that_overwrite_one_version_one_is_told,
    a_walk_misses_and_repeats_nothing_while_others_write,
    lists_are_in_the_order_asked_for_and_what_has_no_figure_comes_last,
    the_same_watch_is_found_by_its_serial_and_by_its_photos,
    a_second_listing_of_a_seller_moves_the_first_and_both_assessments_stay,
    a_past_assessment_can_be_computed_again_to_the_last_byte,
    a_listing_never_counts_itself,
    totals_in_a_request_stand_for_the_stored_outcomes_and_are_not_counted_beside_them,
    a_listing_that_wants_nothing_stored_is_not_moved_by_what_is,
    two_listings_of_a_seller_are_pooled_as_by_enumeration,
    what_is_said_of_a_seller_counts_in_its_listings,
    every_fault_of_a_seller_is_named,
    sellers_are_listed_whether_said_or_only_named,
    a_forgotten_seller_is_named_nowhere_and_its_listings_stand_alone,
    a_listing_saved_while_its_seller_is_forgotten_is_forgotten_whole_or_not_at_all,
    an_outcome_is_recorded_found_and_superseded,
    every_fault_of_an_outcome_is_named,
    fifty_posts_of_one_key_make_one_outcome,
    an_import_is_refused_whole_where_its_header_or_type_is_wrong_and_done_once_under_a_key,
    an_entry_is_found_however_its_name_is_written_and_comes_back_as_put,
    every_fault_of_an_entry_is_named,
    what_the_book_says_counts_in_the_makers_open_listings_at_once,
    a_cursor_of_another_list_or_other_filters_is_refused,
    every_refusal_is_a_problem_and_none_is_a_fault_of_ours,
    book_entries_written_at_once_leave_no_listing_behind,
    if_match_any_wants_something_to_be_there,
    a_restart_keeps_everything,
    what_was_acknowledged_survives_a_kill,
    a_start_with_another_book_assesses_open_listings_again,
    ten_thousand_outcomes_are_imported_and_bad_lines_are_named,
    an_outcome_of_a_listing_that_is_not_saved_is_kept_and_named,
    nothing_is_found_out_in_the_future,
);

// --- Sending -----------------------------------------------------------------------------

/// A service on a folder that outlives it.
fn on(folder: &Path) -> Served {
    Served::with(&[("STEELYARD_DATA", folder.to_str().unwrap())])
}

async fn send(service: &Served, method: &str, path: &str, body: &Value, headers: &[(&str, &str)]) -> Reply {
    let mut request = service.request(method, path);
    if !body.is_null() {
        request = request.header("content-type", "application/json").body(body.to_string());
    }
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    Reply::to(request).await
}

async fn put(service: &Served, path: &str, body: Value) -> Reply {
    send(service, "PUT", path, &body, &[]).await
}

async fn get(service: &Served, path: &str) -> Reply {
    Reply::to(service.get(path)).await
}

async fn delete(service: &Served, path: &str) -> Reply {
    Reply::to(service.request("DELETE", path)).await
}

async fn found(service: &Served, listing: &str, story: &str) -> Reply {
    let body = json!({ "listing": listing, "story": story, "how": "opened" });
    let reply = send(service, "POST", "/v1/outcomes", &body, &[]).await;
    assert_eq!(reply.status, 201, "{}", reply.text());
    reply
}

async fn import(service: &Served, media_type: &str, file: String) -> Reply {
    Reply::to(service.request("POST", "/v1/outcomes/import").header("content-type", media_type).body(file)).await
}

fn eur(amount: &str) -> Value {
    json!({ "amount": amount, "currency": "EUR" })
}

/// A listing that looks the worse the more of its signs are seen.
fn listing(seller: Option<&str>, seen: usize) -> Value {
    let signs = ["crown_unsigned", "dial_too_fresh", "hands_style_clash", "movement_engraving_fresh"];
    let observations: Vec<Value> = signs
        .iter()
        .enumerate()
        .map(|(i, sign)| json!({ "sign": sign, "call": if i < seen { "present" } else { "absent" }, "in_hand": true }))
        .collect();
    let mut body = json!({
        "offer": { "price": eur("380.00") },
        "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } },
        "observations": observations,
    });
    if let Some(id) = seller {
        body["seller"] = json!({ "id": id });
    }
    body
}

async fn saved(service: &Served, id: &str, body: Value) -> Value {
    let reply = put(service, &format!("/v1/listings/{id}"), body).await;
    assert!(reply.status.is_success(), "{}", reply.text());
    reply.json()
}

/// Every item of a list, page by page; `between` is called before each next page.
async fn walk(service: &Served, path: &str, between: impl AsyncFn(usize)) -> Vec<Value> {
    let (mut items, mut next, mut pages) = (Vec::new(), Some(path.to_owned()), 0);
    while let Some(path) = next {
        let reply = get(service, &path).await;
        assert_eq!(reply.status, 200, "{path}: {}", reply.text());
        let page = reply.json();
        items.extend(page["items"].as_array().unwrap().iter().cloned());
        // RFC 8288: the link is the way on, and the cursor in the body says the same.
        next = reply.header("link").map(|l| l.split(['<', '>']).nth(1).unwrap().to_owned());
        let cursor = page["next_cursor"].as_str();
        assert_eq!(cursor.is_some(), next.is_some(), "{path}");
        assert!(next.as_ref().is_none_or(|n| n.ends_with(cursor.unwrap())), "{path}");
        pages += 1;
        between(pages).await;
    }
    items
}

fn ids(items: &[Value]) -> Vec<&str> {
    items.iter().map(|i| i["id"].as_str().unwrap()).collect()
}

// --- Listings ----------------------------------------------------------------------------

async fn a_listing_is_made_saved_anew_read_and_deleted(place: &Place) {
    let service = Served::at(place);
    let made = put(&service, "/v1/listings/lot%201", listing(None, 1)).await;
    assert_eq!(made.status, 201, "{}", made.text());
    let tag = made.header("etag").unwrap().to_owned();
    let first = made.json();
    assert_eq!((&first["id"], &first["status"]), (&json!("lot 1"), &json!("open")));
    assert_eq!(first["request"], listing(None, 1));
    assert_eq!(first["assessment"]["listing"], "lot 1");

    let read = get(&service, "/v1/listings/lot%201").await;
    assert_eq!((read.json(), read.header("etag")), (first, Some(tag.as_str())));
    let unchanged = send(&service, "GET", "/v1/listings/lot%201", &Value::Null, &[("if-none-match", &tag)]).await;
    assert_eq!((unchanged.status.as_u16(), unchanged.body.len()), (304, 0));

    let anew = put(&service, "/v1/listings/lot%201", listing(None, 2)).await;
    assert_eq!(anew.status, 200);
    assert_ne!(anew.header("etag"), Some(tag.as_str()));
    let changed = send(&service, "GET", "/v1/listings/lot%201", &Value::Null, &[("if-none-match", &tag)]).await;
    assert_eq!(changed.status, 200);

    found(&service, "lot 1", "composite").await;
    assert_eq!(delete(&service, "/v1/listings/lot%201").await.status, 204);
    get(&service, "/v1/listings/lot%201").await.problem(404);
    delete(&service, "/v1/listings/lot%201").await.problem(404);
    let kept = get(&service, "/v1/outcomes?listing=lot%201").await.json();
    assert_eq!(kept["items"].as_array().unwrap().len(), 1, "outcomes outlive their listing");
}

/// RFC 9110, 13.1: a write under a precondition that does not hold does nothing.
async fn preconditions_guard_every_stored_thing(place: &Place) {
    let service = Served::at(place);
    for (path, body) in [
        ("/v1/listings/a", listing(None, 1)),
        ("/v1/sellers/s", json!({ "note": "n" })),
        ("/v1/references/Halvorne/H%201", json!({ "years": [1950, 1960] })),
        ("/v1/calibres/Halvorne/71", json!({ "jewels": [17] })),
    ] {
        let with = async |header: &str, value: &str| send(&service, "PUT", path, &body, &[(header, value)]).await;
        with("if-match", "\"1\"").await.problem(412);
        with("if-match", "\"1-1\"").await.problem(412);
        let made = with("if-none-match", "*").await;
        assert_eq!(made.status, 201, "{path}: {}", made.text());
        with("if-none-match", "*").await.problem(412);
        let tag = made.header("etag").unwrap().to_owned();
        let anew = with("if-match", &tag).await;
        assert_eq!(anew.status, 200, "{path}: {}", anew.text());
        with("if-match", &tag).await.problem(412);
        with("if-match", "W/\"none of ours\"").await.problem(412);
        send(&service, "DELETE", path, &Value::Null, &[("if-match", &tag)]).await.problem(412);
        let tag = anew.header("etag").unwrap();
        let gone = send(&service, "DELETE", path, &Value::Null, &[("if-match", tag)]).await;
        assert_eq!(gone.status, 204, "{path}: {}", gone.text());
        get(&service, path).await.problem(404);
    }
}

async fn of_two_that_overwrite_one_version_one_is_told(place: &Place) {
    let service = Served::at(place);
    for (path, body) in [("/v1/listings/a", listing(None, 1)), ("/v1/sellers/s", json!({ "note": "n" }))] {
        for _ in 0..10 {
            put(&service, path, body.clone()).await;
            let tag = get(&service, path).await.header("etag").unwrap().to_owned();
            let race = [("if-match", tag.as_str())];
            let (one, other) =
                tokio::join!(send(&service, "PUT", path, &body, &race), send(&service, "PUT", path, &body, &race));
            let mut statuses = [one.status.as_u16(), other.status.as_u16()];
            statuses.sort_unstable();
            assert_eq!(statuses, [200, 412], "{path}");
        }
    }
}

async fn a_walk_misses_and_repeats_nothing_while_others_write(place: &Place) {
    let service = Served::at(place);
    let brief = |seller: &str, seen: usize| {
        let mut body = listing(Some(seller), seen);
        body["include"] = json!(["decision"]);
        body
    };
    let mut expected = BTreeSet::new();
    for i in 0..20 {
        let id = format!("l-{i:02}");
        saved(&service, &id, brief(["s", "t"][i % 2], i % 5)).await;
        expected.insert(id);
    }
    for sort in ["-bad", "expected_net", "saved_at"] {
        let walked = walk(&service, &format!("/v1/listings?sort={sort}&limit=4"), async |page| {
            // New ones, one saved anew, and what moves the keys of ten others.
            saved(&service, &format!("new-{sort}-{page}"), brief("s", 4)).await;
            saved(&service, "l-07", brief("t", page % 5)).await;
            found(&service, &format!("l-{page:02}"), ["fake", "original"][page % 2]).await;
        })
        .await;
        let seen: Vec<String> = ids(&walked).into_iter().map(str::to_owned).collect();
        let once: BTreeSet<String> = seen.iter().cloned().collect();
        assert_eq!(once.len(), seen.len(), "{sort}: something came twice: {seen:?}");
        assert_eq!(once, expected, "{sort}");

        let all = walk(&service, "/v1/listings", async |_| ()).await;
        expected = ids(&all).into_iter().map(str::to_owned).collect();
    }
}

async fn lists_are_in_the_order_asked_for_and_what_has_no_figure_comes_last(place: &Place) {
    let service = Served::at(place);
    for seen in 0..5 {
        saved(&service, &format!("l-{seen}"), listing(None, seen)).await;
    }
    saved(&service, "unpriced", json!({ "observations": [] })).await;
    let money = |v: &Value| v["amount"].as_str().map(|a| a.parse::<f64>().unwrap());
    let decision = |item: &Value, name: &str| money(&item["assessment"]["decision"][name]);
    let key = |sort: &str, item: &Value| match sort {
        "bad" => item["assessment"]["probability"]["bad"].as_f64(),
        "expected_net" => decision(item, "expected_net"),
        "net_per_stake" => Some(decision(item, "expected_net")? / decision(item, "landed_cost")?),
        _ => {
            let asks = item["assessment"]["ask_next"].as_array().unwrap();
            asks.iter().filter_map(|a| money(&a["worth"])).reduce(f64::max)
        }
    };
    for sort in ["bad", "expected_net", "net_per_stake", "ask_worth"] {
        let up = walk(&service, &format!("/v1/listings?sort={sort}&limit=2"), async |_| ()).await;
        let down = walk(&service, &format!("/v1/listings?sort=-{sort}&limit=2"), async |_| ()).await;
        let keys = |items: &[Value]| items.iter().map(|i| key(sort, i)).collect::<Vec<_>>();
        for (items, sign) in [(&up, 1.0), (&down, -1.0)] {
            assert_eq!(items.len(), 6, "{sort}");
            let keys = keys(items);
            let there: Vec<f64> = keys.iter().map_while(|k| *k).collect();
            assert!(there.is_sorted_by(|a, b| sign * a <= sign * b), "{sort}: {keys:?}");
            assert!(keys[there.len()..].iter().all(Option::is_none), "{sort}: {keys:?}");
            assert_eq!(there.len(), if sort == "bad" { 6 } else { 5 }, "{sort}: {keys:?}");
        }
    }
    let mut ended = listing(None, 0);
    ended["status"] = json!("ended");
    saved(&service, "l-0", ended).await;
    assert_eq!(ids(&walk(&service, "/v1/listings?status=ended", async |_| ()).await), ["l-0"]);
}

async fn the_same_watch_is_found_by_its_serial_and_by_its_photos(place: &Place) {
    let service = Served::at(place);
    let with = |serial: Option<&str>, digest: Option<&str>| {
        let mut body = json!({ "observations": [] });
        if let Some(serial) = serial {
            body["watch"] = json!({ "facts": { "serial": serial } });
        }
        if let Some(digest) = digest {
            body["photos"] = json!([{ "id": "p", "digest": digest }]);
        }
        body
    };
    saved(&service, "serial", with(Some("123456"), None)).await;
    saved(&service, "photo", with(None, Some("sha256:aa"))).await;
    saved(&service, "neither", with(Some("654321"), Some("sha256:bb"))).await;
    let both = saved(&service, "both", with(Some("12-34 56"), Some("sha256:aa"))).await;
    assert_eq!(both["same_as"], json!(["photo", "serial"]));
    assert_eq!(get(&service, "/v1/listings/serial").await.json()["same_as"], json!(["both"]));
    assert_eq!(get(&service, "/v1/listings/neither").await.json()["same_as"], json!([]));
}

// --- What a seller's listings say to each other ------------------------------------------

#[derive(Deserialize)]
struct Past {
    items: Vec<PastItem>,
}

#[derive(Deserialize)]
struct PastItem {
    first_revision: i64,
    last_revision: Option<i64>,
    model: String,
    request: Box<RawValue>,
    seller_used: SellerKnown,
    assessment: Box<RawValue>,
}

async fn past(service: &Served, id: &str) -> Vec<PastItem> {
    serde_json::from_slice::<Past>(&get(service, &format!("/v1/listings/{id}/assessments")).await.body).unwrap().items
}

fn value(item: &PastItem) -> Value {
    serde_json::from_str(item.assessment.get()).unwrap()
}

async fn a_second_listing_of_a_seller_moves_the_first_and_both_assessments_stay(place: &Place) {
    let service = Served::at(place);
    let alone = saved(&service, "a", listing(Some("s"), 2)).await;
    let second = saved(&service, "b", listing(Some("s"), 4)).await;
    assert_eq!(second["assessment"]["seller"]["used"]["listings"], 1);
    let beside = get(&service, "/v1/listings/a").await.json();
    assert!(
        beside["assessment"]["probability"]["prior_bad"].as_f64()
            > alone["assessment"]["probability"]["prior_bad"].as_f64()
    );
    assert!(beside["revision"].as_i64() > alone["revision"].as_i64());

    let kept = past(&service, "a").await;
    assert_eq!(kept.len(), 2);
    assert_eq!((value(&kept[1]), value(&kept[0])), (alone["assessment"].clone(), beside["assessment"].clone()));
    assert_eq!((kept[1].last_revision, kept[0].last_revision), (Some(kept[0].first_revision - 1), None));
    assert!(kept[1].seller_used.others.is_empty());
    assert_eq!(kept[0].seller_used.others.len(), 1);

    // What it was is worth more than what it looks like, and a listing gone says nothing any more.
    found(&service, "b", "original").await;
    let cleared = get(&service, "/v1/listings/a").await.json();
    assert!(
        cleared["assessment"]["probability"]["prior_bad"].as_f64()
            < beside["assessment"]["probability"]["prior_bad"].as_f64()
    );
    assert_eq!(cleared["assessment"]["seller"]["used"], json!({ "outcomes": 1, "listings": 0, "feedback": 0 }));
}

async fn a_past_assessment_can_be_computed_again_to_the_last_byte(place: &Place) {
    let folder = tempfile::tempdir().unwrap();
    let own = folder.path().join("book.json");
    let entry = json!({ "calibres": [{ "maker": "Halvorne", "calibre": "72", "winding": "hand" }] });
    std::fs::write(&own, entry.to_string()).unwrap();
    let service = Served::with(&[place.variable(), ("STEELYARD_REFERENCE_BOOK", own.to_str().unwrap())]);
    let said = json!({ "segment": "open_marketplace", "feedback": { "positive": 90, "negative": 2 } });
    put(&service, "/v1/sellers/s", said).await;
    let with = |calibre: &str, seen| {
        let mut body = listing(Some("s"), seen);
        let facts = json!({ "calibre": calibre, "dial_text": ["Self-Winding"] });
        body["watch"] = json!({ "maker": "Halvorne", "facts": facts });
        body
    };
    saved(&service, "a", with("71", 2)).await;
    saved(&service, "b", listing(Some("s"), 3)).await;
    found(&service, "b", "composite").await;
    // The book, then the request, then the book again, then what the program was started with.
    put(&service, "/v1/calibres/Halvorne/71", json!({ "winding": "hand" })).await;
    saved(&service, "a", with("72", 1)).await;
    saved(&service, "a", with("71", 3)).await;
    put(&service, "/v1/calibres/Halvorne/71", json!({ "winding": "self" })).await;
    delete(&service, "/v1/calibres/Halvorne/71").await;
    drop(service);
    let service = Served::at(place);
    saved(&service, "a", with("72", 1)).await;

    let model = get(&service, "/v1/model").await;
    let pack = Pack::from_data(serde_json::from_slice(&model.body).unwrap()).unwrap();
    let served = ServedModel::new(Arc::new(pack)).unwrap();
    let kept = past(&service, "a").await;
    assert_eq!(kept.len(), 9, "{:?}", kept.iter().map(value).collect::<Vec<_>>());
    for item in kept {
        assert_eq!(item.model, served.version());
        #[derive(Deserialize)]
        struct Again {
            reference_book: BookData,
            computed_again: Box<RawValue>,
        }
        let path = format!("/v1/listings/a/assessments/{}", item.first_revision);
        let again: Again = serde_json::from_slice(&get(&service, &path).await.body).unwrap();
        assert_eq!(again.computed_again.get(), item.assessment.get());
        // And by whoever has the answer alone.
        let book = Arc::new(Book::new(again.reference_book).unwrap());
        let force = InForce { revision: 0, since: 0, served: served.clone(), book, own_book: None };
        let made = force.reassess("a", item.request.get(), &item.seller_used).unwrap();
        assert_eq!(serde_json::to_string(&made).unwrap(), item.assessment.get());
    }
    assert_eq!(get(&service, "/v1/listings/a/assessments/1").await.status, 404);
    assert_eq!(get(&service, "/v1/listings/a/assessments/first").await.status, 404);
}

async fn one_more_listing_moves_a_sellers_others_only_where_it_matters(place: &Place) {
    let service = Served::at(place);
    for i in 0..60 {
        saved(&service, &format!("l-{i:02}"), listing(Some("s"), i % 3)).await;
    }
    let mut kept = 0;
    for i in 0..60 {
        let id = format!("l-{i:02}");
        let past = past(&service, &id).await;
        kept += past.len();
        // What stands is what the seller's other listings say of it now, within a quarter of a deciban.
        let body = listing(Some("s"), i % 3);
        let mut asked = body.clone();
        asked["id"] = json!(id);
        let now = Reply::to(service.post("/v1/assess", asked.to_string())).await.json();
        let prior = |a: &Value| a["log_odds_db"]["prior"].as_f64().unwrap();
        assert!((prior(&value(&past[0])) - prior(&now)).abs() <= 0.25 + 1e-9, "{id}");
    }
    eprintln!("{kept} assessments of 60 listings of one seller, {} if each had moved all before it", 60 * 61 / 2);
    assert!(kept < 60 * 61 / 4, "{kept}");
}

async fn a_watch_that_its_seller_puts_up_again_is_one_watch_and_says_nothing_of_itself(place: &Place) {
    let service = Served::at(place);
    let mut body = listing(Some("s"), 4);
    body["watch"] = json!({ "maker": "Halvorne", "facts": { "serial": "11 845" } });
    let first = saved(&service, "a", body.clone()).await;
    body["watch"]["facts"]["serial"] = json!("11845");
    let again = saved(&service, "b", body.clone()).await;
    assert_eq!(again["assessment"]["probability"], first["assessment"]["probability"]);
    assert_eq!(again["assessment"]["seller"]["used"]["listings"], 0);
    // To a third watch the two are one, known by what was found in either.
    let third = saved(&service, "c", listing(Some("s"), 1)).await;
    assert_eq!(third["assessment"]["seller"]["used"]["listings"], 1);
    found(&service, "a", "composite").await;
    let third = get(&service, "/v1/listings/c").await.json();
    assert_eq!(third["assessment"]["seller"]["used"], json!({ "outcomes": 1, "listings": 0, "feedback": 0 }));
    let again = get(&service, "/v1/listings/b").await.json();
    assert_eq!(again["assessment"]["seller"]["used"], json!({ "outcomes": 0, "listings": 1, "feedback": 0 }));
    let says = get(&service, "/v1/sellers/s").await.json()["says"].as_str().unwrap().to_owned();
    assert!(says.starts_with("Of 1 watch of this seller with an outcome, 1 was"), "{says}");
    assert!(says.contains("with what is seen on 1 more"), "{says}");
}

async fn an_unsure_outcome_is_no_known_watch(place: &Place) {
    let service = Served::at(place);
    saved(&service, "a", listing(Some("s"), 1)).await;
    for (id, story, certainty) in [("a", "fake", 0.4), ("b", "composite", 0.7)] {
        saved(&service, id, listing(Some("s"), 1)).await;
        let body = json!({ "listing": id, "story": story, "certainty": certainty });
        assert_eq!(send(&service, "POST", "/v1/outcomes", &body, &[]).await.status, 201);
    }
    let says = get(&service, "/v1/sellers/s").await.json()["says"].as_str().unwrap().to_owned();
    let begins = "Of 1 watch of this seller with an outcome, 1 was composite or fake (1 of them not for certain, \
                  and 1 more in too much doubt to count here)";
    assert!(says.starts_with(begins), "{says}");
}

async fn a_seller_that_loses_an_outcome_is_looked_at_again(place: &Place) {
    let service = Served::at(place);
    saved(&service, "a", listing(Some("s"), 1)).await;
    saved(&service, "x", listing(Some("s"), 1)).await;
    found(&service, "x", "fake").await;
    let with = get(&service, "/v1/listings/a").await.json();
    assert_eq!(delete(&service, "/v1/listings/x").await.status, 204);
    assert_eq!(get(&service, "/v1/listings/a").await.json()["assessment"]["seller"]["used"]["outcomes"], 1);
    saved(&service, "x", listing(Some("t"), 1)).await;
    let without = get(&service, "/v1/listings/a").await.json();
    assert_eq!(without["assessment"]["seller"]["used"]["outcomes"], 0);
    assert!(without["assessment"]["probability"]["bad"].as_f64() < with["assessment"]["probability"]["bad"].as_f64());
}

async fn a_listing_never_counts_itself(place: &Place) {
    let service = Served::at(place);
    let first = saved(&service, "a", listing(Some("s"), 3)).await;
    found(&service, "a", "fake").await;
    let again = saved(&service, "a", listing(Some("s"), 3)).await;
    assert_eq!(first["assessment"], again["assessment"]);
    assert_eq!(again["assessment"]["seller"]["used"], json!({ "outcomes": 0, "listings": 0, "feedback": 0 }));
    // Asked with its id it is the same listing; asked without, another of the seller's.
    let mut body = listing(Some("s"), 3);
    body["id"] = json!("a");
    let own = Reply::to(service.post("/v1/assess", body.to_string())).await.json();
    assert_eq!(own, again["assessment"]);
    let other = Reply::to(service.post("/v1/assess", listing(Some("s"), 3).to_string())).await.json();
    assert_eq!(other["seller"]["used"]["outcomes"], 1);
}

async fn totals_in_a_request_stand_for_the_stored_outcomes_and_are_not_counted_beside_them(place: &Place) {
    let service = Served::at(place);
    for id in ["x", "y"] {
        saved(&service, id, listing(Some("s"), 1)).await;
        found(&service, id, "fake").await;
    }
    let with = async |seller: Value| {
        let mut body = listing(None, 1);
        body["seller"] = seller;
        Reply::to(service.post("/v1/assess", body.to_string())).await.json()["seller"].clone()
    };
    let stored = with(json!({ "id": "s" })).await;
    assert_eq!(stored["used"]["outcomes"], 2);
    let totals = json!({ "bad": 2, "total": 2 });
    let both = with(json!({ "id": "s", "outcomes": totals })).await;
    let alone = with(json!({ "id": "s", "outcomes": totals, "stored": false })).await;
    assert_eq!(both, alone);
    assert_eq!(both["used"]["outcomes"], 2);
    let unasked = with(json!({ "id": "s", "stored": false })).await;
    assert_eq!(unasked["used"]["outcomes"], 0);
}

async fn a_listing_that_wants_nothing_stored_is_not_moved_by_what_is(place: &Place) {
    let service = Served::at(place);
    let mut body = listing(Some("s"), 2);
    body["seller"]["stored"] = json!(false);
    let alone = saved(&service, "a", body).await;
    saved(&service, "b", listing(Some("s"), 4)).await;
    assert_eq!(get(&service, "/v1/listings/a").await.json()["assessment"], alone["assessment"]);
}

/// The pooled posterior by enumeration of both listings' truth, with the moments of a Beta
/// (Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions 2, ch. 25: E θ = a/(a+b),
/// E θ² = a(a+1)/((a+b)(a+b+1))), as the cases of `priors/tests/data/seller_pool.json` were made.
async fn two_listings_of_a_seller_are_pooled_as_by_enumeration(place: &Place) {
    let service = Served::at(place);
    saved(&service, "a", listing(Some("s"), 1)).await;
    saved(&service, "b", listing(Some("s"), 4)).await;
    let (of_a, of_b) = (past(&service, "a").await, past(&service, "b").await);
    // What each is worth stands with the other.
    let (l_b, l_a) = (of_a[0].seller_used.others[0], of_b[0].seller_used.others[0]);
    let pack = Pack::builtin();
    let segment = &pack.data().segments[0];
    let (a, b) = (segment.a, segment.b);
    let n = a + b;
    let (bad, good) = (a / n, b / n);
    let (bad_bad, bad_good, good_good) =
        (a * (a + 1.0) / (n * (n + 1.0)), a * b / (n * (n + 1.0)), b * (b + 1.0) / (n * (n + 1.0)));
    let l = |x: Option<f64>| x.unwrap().exp();
    let (ab, ag, bb, bg) = (l(l_a.ln_bad), l(l_a.ln_sound), l(l_b.ln_bad), l(l_b.ln_sound));
    let prior_a = (bb * bad_bad + bg * bad_good) / (bb * bad + bg * good);
    let bad_a = ab * (bb * bad_bad + bg * bad_good);
    let sound_a = ag * (bb * bad_good + bg * good_good);
    let probability = value(&of_a[0])["probability"].clone();
    let close = |what: &str, x: f64, y: f64| assert!((x - y).abs() < QUADRATURE, "{what}: {x} {y}");
    close("prior", probability["prior_bad"].as_f64().unwrap(), prior_a);
    close("posterior", probability["bad"].as_f64().unwrap(), bad_a / (bad_a + sound_a));

    // And the seller's own page counts both.
    let of = |l: steelyard::listing::Other| ListingLikelihood::new(l.ln_bad.unwrap(), l.ln_sound.unwrap()).unwrap();
    let known = Evidence { listings: vec![of(l_a), of(l_b)], ..Evidence::default() };
    let rate = SellerPosterior::new(Prior::new(a, b).unwrap(), &known).unwrap();
    let page = get(&service, "/v1/sellers/s").await.json();
    close("rate", page["bad_rate"]["mean"].as_f64().unwrap(), rate.mean());
    close("cases", page["bad_rate"]["effective_cases"].as_f64().unwrap(), rate.effective_cases());
    let evidence = ab * (bb * bad_bad + bg * bad_good) + ag * (bb * bad_good + bg * good_good);
    let third = n * (n + 1.0) * (n + 2.0);
    let mean =
        (ab * bb * a * (a + 1.0) * (a + 2.0) + (ab * bg + ag * bb) * a * (a + 1.0) * b + ag * bg * a * b * (b + 1.0))
            / (third * evidence);
    close("rate by enumeration", page["bad_rate"]["mean"].as_f64().unwrap(), mean);
}

// --- Sellers -----------------------------------------------------------------------------

async fn what_is_said_of_a_seller_counts_in_its_listings(place: &Place) {
    let service = Served::at(place);
    let before = saved(&service, "a", listing(Some("s"), 2)).await;
    let known = get(&service, "/v1/sellers/s").await;
    assert_eq!((&known.json()["revision"], &known.json()["listings"]), (&Value::Null, &json!(1)));
    let pack = Pack::builtin();
    let segments = &pack.data().segments;
    let (first, other) = (&segments[0].id, &segments[1].id);
    assert_ne!(first, other);

    // Seen when only listings named it, its tag lets one make the row.
    let tag = known.header("etag").unwrap();
    let body = json!({ "segment": other, "feedback": { "positive": 10, "negative": 4 }, "note": "n" });
    let said = send(&service, "PUT", "/v1/sellers/s", &body, &[("if-match", tag)]).await;
    assert_eq!(said.status, 201, "{}", said.text());
    send(&service, "PUT", "/v1/sellers/s", &body, &[("if-match", tag)]).await.problem(412);
    let page = said.json();
    for member in ["segment", "feedback", "note"] {
        assert_eq!(page[member], body[member]);
    }
    let after = get(&service, "/v1/listings/a").await.json();
    assert_ne!(after["assessment"]["probability"]["prior_bad"], before["assessment"]["probability"]["prior_bad"]);
    assert_eq!(after["assessment"]["seller"]["used"]["feedback"], 14);

    // The page moves with what is stored, and its tag with it.
    let tag = said.header("etag").unwrap();
    let same = send(&service, "GET", "/v1/sellers/s", &Value::Null, &[("if-none-match", tag)]).await;
    assert_eq!(same.status, 304);
    found(&service, "a", "fake").await;
    let moved = send(&service, "GET", "/v1/sellers/s", &Value::Null, &[("if-none-match", tag)]).await;
    assert_eq!(moved.status, 200);
    assert!(moved.json()["bad_rate"]["mean"].as_f64() > page["bad_rate"]["mean"].as_f64());
    let says = moved.json()["says"].as_str().unwrap().to_owned();
    assert!(says.contains("Of 1 watch of this seller with an outcome, 1 was composite or fake"), "{says}");
    assert!(says.contains("not of the seller's honesty"), "{says}");
    let [low, high] = [0, 1].map(|i| 100.0 * moved.json()["bad_rate"]["interval_90"][i].as_f64().unwrap());
    assert!(says.contains(&format!("between {low:.1} % and {high:.1} %")), "{says}");
    // But nobody overwrote what was said.
    assert_eq!(send(&service, "PUT", "/v1/sellers/s", &body, &[("if-match", tag)]).await.status, 200);
}

async fn every_fault_of_a_seller_is_named(place: &Place) {
    let service = Served::at(place);
    let problem = put(
        &service,
        "/v1/sellers/s",
        json!({ "segment": "open_market_place", "feedback": { "positive": -1, "negative": 0 }, "attic": 1 }),
    )
    .await
    .problem(422);
    let errors = problem["errors"].as_array().unwrap();
    let at: BTreeSet<&str> = errors.iter().map(|e| e["pointer"].as_str().unwrap()).collect();
    assert_eq!(at, BTreeSet::from(["/attic", "/feedback/positive", "/segment"]), "{problem}");
    assert!(problem.to_string().contains("did you mean `open_marketplace`?"), "{problem}");
}

async fn sellers_are_listed_whether_said_or_only_named(place: &Place) {
    let service = Served::at(place);
    for i in 0..5 {
        saved(&service, &format!("l-{i}"), listing(Some(&format!("named-{i}")), 1)).await;
        put(&service, &format!("/v1/sellers/said-{i}"), json!({})).await;
    }
    let walked = walk(&service, "/v1/sellers?limit=3", async |page| {
        put(&service, &format!("/v1/sellers/a-{page}"), json!({})).await;
    })
    .await;
    let seen = ids(&walked);
    let expected: Vec<String> =
        ["named", "said"].iter().flat_map(|kind| (0..5).map(move |i| format!("{kind}-{i}"))).collect();
    assert_eq!(seen, expected);
    assert!(walked.iter().all(|s| s["says"].as_str().is_some_and(|s| !s.is_empty())));
}

async fn a_forgotten_seller_is_named_nowhere_and_its_listings_stand_alone(place: &Place) {
    let service = Served::at(place);
    put(&service, "/v1/sellers/who-it-was", json!({ "note": "a person" })).await;
    let mut body = listing(Some("who-it-was"), 2);
    body["seller"]["feedback"] = json!({ "positive": 9, "negative": 1 });
    saved(&service, "a", body.clone()).await;
    saved(&service, "b", listing(Some("who-it-was"), 4)).await;
    let mut ended = listing(Some("who-it-was"), 3);
    ended["status"] = json!("ended");
    saved(&service, "c", ended).await;
    saved(&service, "d", listing(Some("who-it-was"), 1)).await;
    saved(&service, "d", listing(None, 1)).await;
    found(&service, "b", "fake").await;

    assert_eq!(delete(&service, "/v1/sellers/who-it-was").await.status, 204);
    get(&service, "/v1/sellers/who-it-was").await.problem(404);
    delete(&service, "/v1/sellers/who-it-was").await.problem(404);
    for path in
        ["/v1/sellers", "/v1/outcomes", "/v1/listings", "/v1/listings/a/assessments", "/v1/listings/d/assessments"]
    {
        let text = get(&service, path).await.text();
        assert!(!text.contains("who-it-was") && !text.contains("a person"), "{path}: {text}");
    }
    let alone = get(&service, "/v1/listings/a").await.json();
    assert_eq!(alone["request"]["seller"], json!({ "feedback": { "positive": 9, "negative": 1 } }));
    assert_eq!(alone["assessment"]["seller"]["used"], json!({ "outcomes": 0, "listings": 0, "feedback": 10 }));
    body["seller"].as_object_mut().unwrap().remove("id");
    body["id"] = json!("a");
    let fresh = Reply::to(service.post("/v1/assess", body.to_string())).await.json();
    assert_eq!(alone["assessment"], fresh);
    assert_eq!(get(&service, "/v1/listings/c").await.json()["status"], "ended");
    assert_eq!(get(&service, "/v1/outcomes").await.json()["items"].as_array().unwrap().len(), 1);
}

async fn a_listing_saved_while_its_seller_is_forgotten_is_forgotten_whole_or_not_at_all(place: &Place) {
    let service = Served::at(place);
    for round in 0..8 {
        for i in 0..4 {
            saved(&service, &format!("l-{i}"), listing(Some("who-it-was"), i)).await;
        }
        let (forgotten, _, _) = tokio::join!(
            delete(&service, "/v1/sellers/who-it-was"),
            put(&service, "/v1/listings/l-1", listing(Some("who-it-was"), 4)),
            put(&service, "/v1/listings/l-2", listing(Some("who-it-was"), round % 5)),
        );
        assert_eq!(forgotten.status, 204, "{}", forgotten.text());
        // A row that names the seller and a request that does are one thing.
        for item in walk(&service, "/v1/listings", async |_| ()).await {
            let named = item["request"]["seller"]["id"].as_str().is_some();
            let id = item["id"].as_str().unwrap();
            let found = ids(&walk(&service, "/v1/listings?seller=who-it-was", async |_| ()).await).contains(&id);
            assert_eq!(named, found, "{id}");
        }
    }
}

// --- Outcomes ----------------------------------------------------------------------------

async fn an_outcome_is_recorded_found_and_superseded(place: &Place) {
    let service = Served::at(place);
    saved(&service, "a", listing(Some("s"), 2)).await;
    let body = json!({
        "listing": "a", "found_at": "2026-11-25T10:00:00+01:00", "story": "composite", "certainty": 0.9, "how": "opened",
        "components": { "movement": "donor", "metal": "overstated" }, "signs": { "crown_unsigned": "absent" },
        "paid": eur("380.00"), "sold": { "amount": "90", "currency": "JPY" }, "note": "n",
    });
    let first = send(&service, "POST", "/v1/outcomes", &body, &[]).await;
    assert_eq!(first.status, 201, "{}", first.text());
    let recorded = first.json();
    assert_eq!((&recorded["outcome"], &recorded["seller"]), (&body, &json!("s")));
    // RFC 9562, 5.7: a version 7 UUID begins with its time.
    assert_eq!(recorded["id"].as_str().unwrap().as_bytes()[14], b'7');
    let location = first.header("location").unwrap();
    assert_eq!(get(&service, location).await.json(), recorded);
    get(&service, "/v1/outcomes/none").await.problem(404);

    let second = found(&service, "a", "serviced").await.json();
    assert!(second["outcome"]["found_at"].as_str().is_some());
    found(&service, "unsaved", "fake").await;
    let list = async |query: &str| {
        let items = walk(&service, &format!("/v1/outcomes?limit=1{query}"), async |_| ()).await;
        items.iter().map(|o| o["outcome"]["story"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(list("").await, ["composite", "serviced", "fake"]);
    assert_eq!(list("&current=true").await, ["serviced", "fake"]);
    assert_eq!(list("&listing=a").await, ["composite", "serviced"]);
    assert_eq!(list("&seller=s&current=true").await, ["serviced"]);
    assert_eq!(get(&service, location).await.json()["superseded_by"], second["id"]);
}

async fn every_fault_of_an_outcome_is_named(place: &Place) {
    let service = Served::at(place);
    let body = json!({
        "found_at": "yesterday", "story": "compozite", "certainty": 0.1, "how": "guessed", "attic": 1,
        "components": { "movment": "donor", "dial": "fresh", "metal": "donor" },
        "signs": { "crown_unsined": "present", "dial_too_fresh": "perhaps" },
        "paid": { "amount": "1.005", "currency": "EUR" }, "sold": { "amount": "1", "currency": "ZZZ" },
    });
    let problem = send(&service, "POST", "/v1/outcomes", &body, &[]).await.problem(422);
    let errors = problem["errors"].as_array().unwrap();
    let mut at: Vec<&str> = errors.iter().map(|e| e["pointer"].as_str().unwrap()).collect();
    at.sort_unstable();
    assert_eq!(
        at,
        [
            "/attic",
            "/certainty",
            "/components/dial",
            "/components/metal",
            "/components/movment",
            "/found_at",
            "/how",
            "/listing",
            "/paid/amount",
            "/signs/crown_unsined",
            "/signs/dial_too_fresh",
            "/sold/currency",
            "/story",
        ],
        "{problem}"
    );
    for near in ["did you mean `composite`?", "did you mean `movement`?", "did you mean `crown_unsigned`?"] {
        assert!(problem.to_string().contains(near), "{near}: {problem}");
    }
    // What a calibration could make nothing of: a state that no crown can be in, one question answered twice.
    let body = json!({
        "listing": "a", "story": "refinished", "components": { "crown": "refinished", "dial": "refinished" },
        "signs": { "case_edges_crisp": "present", "case_edges_rounded": "present" },
    });
    let errors = send(&service, "POST", "/v1/outcomes", &body, &[]).await.problem(422)["errors"].clone();
    let said: Vec<(&str, &str)> = errors
        .as_array()
        .unwrap()
        .iter()
        .map(|e| (e["pointer"].as_str().unwrap(), e["detail"].as_str().unwrap()))
        .collect();
    let [crown, rounded] = said[..] else { panic!("{errors}") };
    assert_eq!(crown, ("/components/crown", "must be one of original, service, donor, foreign"));
    assert_eq!(
        rounded,
        ("/signs/case_edges_rounded", "the same question as `case_edges_crisp`: judge only one of them")
    );
    assert_eq!(get(&service, "/v1/outcomes").await.json()["items"], json!([]));
}

/// The Idempotency-Key draft: one key, one effect; another body is another request.
async fn fifty_posts_of_one_key_make_one_outcome(place: &Place) {
    let service = Served::at(place);
    let body = json!({ "listing": "a", "story": "fake" });
    let key = [("idempotency-key", "k-1")];
    let posts = (0..50).map(|_| send(&service, "POST", "/v1/outcomes", &body, &key));
    let replies = futures_util::future::join_all(posts).await;
    let made: BTreeSet<String> = replies.iter().filter(|r| r.status == 201).map(Reply::text).collect();
    assert_eq!(made.len(), 1, "{made:?}");
    for reply in replies.iter().filter(|r| r.status != 201) {
        reply.problem(409);
    }
    let again = send(&service, "POST", "/v1/outcomes", &body, &key).await;
    assert_eq!((again.status.as_u16(), Some(&again.text())), (201, made.first()));
    assert_eq!(
        again.header("location"),
        Some(format!("/v1/outcomes/{}", again.json()["id"].as_str().unwrap()).as_str())
    );
    let other = send(&service, "POST", "/v1/outcomes", &json!({ "listing": "b", "story": "fake" }), &key).await;
    assert_eq!(other.problem(422)["type"], "/problems/idempotency-mismatch");
    assert_eq!(walk(&service, "/v1/outcomes", async |_| ()).await.len(), 1);

    // A refusal is an answer too.
    let bad = json!({ "listing": "a", "story": "compozite" });
    let key = [("idempotency-key", "k-2")];
    let first = send(&service, "POST", "/v1/outcomes", &bad, &key).await;
    let second = send(&service, "POST", "/v1/outcomes", &bad, &key).await;
    assert_eq!(first.problem(422), second.problem(422));
    send(&service, "POST", "/v1/outcomes", &body, &[("idempotency-key", "")]).await.problem(400);
}

/// They are recorded in one write, for which all others wait.
#[tokio::test]
async fn a_file_of_more_outcomes_than_are_recorded_at_once_is_refused_whole() {
    let service = Served::start();
    let line = "{\"listing\": \"x\", \"story\": \"fake\"}\n";
    let reply = import(&service, "application/x-ndjson", line.repeat(50_002)).await;
    let problem = reply.problem(413);
    assert!(problem["detail"].as_str().unwrap().contains("50000"), "{problem}");
    let kept = get(&service, "/v1/outcomes").await.json();
    assert_eq!(kept["items"], json!([]));
}

async fn ten_thousand_outcomes_are_imported_and_bad_lines_are_named(place: &Place) {
    const LINES: usize = 10_000;
    let service = Served::at(place);
    saved(&service, "l-7", listing(Some("s"), 1)).await;
    let waiting = saved(&service, "waiting", listing(Some("s"), 1)).await;
    let bad = |i: usize| i % 1000 == 500;

    let mut csv =
        "listing,story,found_at,certainty,paid,paid_currency,component:movement,sign:crown_unsigned\n".to_owned();
    for i in 0..LINES {
        let story = if bad(i) { "compozite" } else { "composite" };
        csv.push_str(&format!("l-{i},{story},2026-11-25T10:00:00Z,0.9,12.50,EUR,donor,\n"));
    }
    let reply = import(&service, "text/csv; charset=utf-8", csv).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    let answer = reply.json();
    assert_eq!(answer["accepted"], LINES - 10);
    let lines: Vec<u64> = answer["refused"].as_array().unwrap().iter().map(|r| r["line"].as_u64().unwrap()).collect();
    // The header is line 1, the first outcome line 2.
    assert_eq!(lines, (0..LINES as u64).filter(|i| bad(*i as usize)).map(|i| i + 2).collect::<Vec<_>>());
    assert_eq!(answer["refused"][0]["detail"], "story: there is no story `compozite`, did you mean `composite`?");
    assert_eq!(get(&service, "/v1/sellers/s").await.json()["outcomes"], 1);
    let moved = get(&service, "/v1/listings/waiting").await.json();
    assert_eq!(moved["assessment"]["seller"]["used"]["outcomes"], 1);
    assert_ne!(moved["assessment"], waiting["assessment"]);

    let mut ndjson = String::new();
    for i in 0..LINES {
        let paid = if bad(i) { json!({ "amount": "1.005", "currency": "EUR" }) } else { eur("1.00") };
        ndjson.push_str(&json!({ "listing": format!("l-{i}"), "story": "fake", "paid": paid }).to_string());
        ndjson.push_str("\r\n");
    }
    ndjson.push_str("\n{\"listing\": \n");
    let answer = import(&service, "application/x-ndjson", ndjson).await.json();
    assert_eq!(answer["accepted"], LINES - 10, "{answer}");
    let refused = answer["refused"].as_array().unwrap();
    assert_eq!(refused.len(), 11);
    assert_eq!(
        refused[0],
        json!({ "line": 501, "detail": "/paid/amount: EUR has 2 decimals: if the point parts thousands, leave it out" })
    );
    assert_eq!(refused[10]["line"], LINES + 2);
    let current = walk(&service, "/v1/outcomes?current=true&listing=l-7", async |_| ()).await;
    assert_eq!(current[0]["outcome"]["story"], "fake");
}

/// A feed's items are saved as `feed:item`, and the outcomes of a sample name the items alone.
async fn an_outcome_of_a_listing_that_is_not_saved_is_kept_and_named(place: &Place) {
    let service = Served::at(place);
    for id in ["f-1:s-1", "f-2:s-1", "f-1:s-2", "s-3", "x:s-30"] {
        saved(&service, id, listing(None, 1)).await;
    }
    let file = "listing,story\ns-1,fake\ns-2,compozite\ns-3,fake\ns-2,fake\n%,fake\n0,fake\n".to_owned();
    let answer = import(&service, "text/csv", file).await.json();
    assert_eq!(answer["accepted"], 5, "{answer}");
    assert_eq!(answer["refused"].as_array().unwrap().len(), 1, "{answer}");
    assert_eq!(
        answer["unsaved"],
        json!([
            { "line": 2, "listing": "s-1", "similar": ["f-1:s-1", "f-2:s-1"] },
            { "line": 5, "listing": "s-2", "similar": ["f-1:s-2"] },
            { "line": 6, "listing": "%", "similar": [] },
            { "line": 7, "listing": "0", "similar": [] },
        ])
    );
    let flags = async || {
        let all = walk(&service, "/v1/outcomes", async |_| ()).await;
        all.iter().map(|o| o["listing_saved"].as_bool().unwrap()).collect::<Vec<_>>()
    };
    assert_eq!(flags().await, [false, true, false, false, false]);
    // Saved later, and deleted: the outcome stays and its listing comes and goes.
    saved(&service, "s-1", listing(None, 1)).await;
    assert_eq!(flags().await, [true, true, false, false, false]);
    assert_eq!(delete(&service, "/v1/listings/s-3").await.status, 204);
    assert_eq!(flags().await, [true, false, false, false, false]);
    for (id, is) in [("s-3", false), ("s-1", true)] {
        assert_eq!(found(&service, id, "fake").await.json()["listing_saved"], is, "{id}");
    }
}

async fn nothing_is_found_out_in_the_future(place: &Place) {
    let service = Served::at(place);
    let at = |hours: i64| (jiff::Timestamp::now() + jiff::SignedDuration::from_hours(hours)).to_string();
    let body = |hours| json!({ "listing": "a", "story": "fake", "found_at": at(hours) });
    let problem = send(&service, "POST", "/v1/outcomes", &body(25), &[]).await.problem(422);
    assert_eq!(problem["errors"][0]["pointer"], "/found_at", "{problem}");
    assert!(problem["errors"][0]["detail"].as_str().unwrap().contains("in the future"), "{problem}");
    // Clocks and time zones differ.
    assert_eq!(send(&service, "POST", "/v1/outcomes", &body(23), &[]).await.status, 201);
    let file = format!("listing,story,found_at\na,fake,{}\nb,fake,{}\n", at(-1), at(25));
    let answer = import(&service, "text/csv", file).await.json();
    assert_eq!((answer["accepted"].as_u64(), &answer["refused"][0]["line"]), (Some(1), &json!(3)), "{answer}");
    assert!(answer["refused"][0]["detail"].as_str().unwrap().starts_with("found_at: in the future"), "{answer}");
}

async fn an_import_is_refused_whole_where_its_header_or_type_is_wrong_and_done_once_under_a_key(place: &Place) {
    let service = Served::at(place);
    let problem = import(&service, "text/csv", "listing;story,note\na;fake,\n".into()).await.problem(422);
    assert!(
        problem["errors"][0]["detail"].as_str().unwrap().contains("there is no column `listing;story`"),
        "{problem}"
    );
    import(&service, "text/csv", String::new()).await.problem(422);
    import(&service, "application/json", "{}".into()).await.problem(415);
    let too_large = format!(
        "POST /v1/outcomes/import HTTP/1.1\r\nHost: {}\r\nContent-Type: text/csv\r\nContent-Length: {}\r\n\r\n",
        service.address(),
        32 * 1024 * 1024 + 1
    );
    let refused = service.raw(&too_large);
    assert_eq!(refused.status, 413, "{}", refused.body);
    import(&service, "text/csv; charset=latin1", "listing,story\n".into()).await.problem(415);
    let nothing = import(&service, "application/x-ndjson", String::new()).await;
    assert_eq!(nothing.json(), json!({ "accepted": 0, "refused": [], "unsaved": [] }));

    let file = "listing,story\r\na,fake\r\nb,fake,more\r\n";
    let once = || {
        let request = service.request("POST", "/v1/outcomes/import").header("idempotency-key", "k");
        Reply::to(request.header("content-type", "text/csv").body(file))
    };
    let (first, second) = (once().await, once().await);
    assert_eq!(first.json()["refused"], json!([{ "line": 3, "detail": "3 cells where the header has 2" }]));
    assert_eq!(first.text(), second.text());
    assert_eq!(walk(&service, "/v1/outcomes", async |_| ()).await.len(), 1);
}

/// Every column that the help names can be imported, with every state and story that it names.
#[test]
fn the_help_of_an_import_names_every_column() {
    let printed = run(&["outcomes", "import", "--help"]);
    assert_eq!(printed.code, Some(0), "{}", printed.err);
    let words: BTreeSet<&str> = printed.out.split(|c: char| !(c.is_alphanumeric() || c == '_')).collect();
    let pack = steelyard_model::pack::Pack::builtin();
    let data = pack.data();
    let metal = data.components.iter().filter(|c| c.id == "metal").flat_map(|c| &c.states);
    let ids = data.stories.iter().map(|s| &s.id).chain(data.components.iter().map(|c| &c.id));
    for id in ids.chain(data.states.iter().map(|s| &s.id)).chain(metal.map(|s| &s.id)) {
        assert!(words.contains(id.as_str()), "{id}: {}", printed.out);
    }
    let folder = tempfile::tempdir().unwrap();
    let (data, file) = (folder.path().join("data"), folder.path().join("found.csv"));
    let columns = [
        ("listing", "a"),
        ("story", "composite"),
        ("found_at", "2026-11-24T21:00:00Z"),
        ("certainty", "0.9"),
        ("how", "specialist"),
        ("component:movement", "donor"),
        ("component:metal", "overstated"),
        ("sign:crown_unsigned", "present"),
        ("paid", "350.00"),
        ("sold", "90"),
        ("paid_currency", "EUR"),
        ("sold_currency", "JPY"),
        ("note", "one, two"),
    ];
    for (name, _) in columns {
        assert!(words.contains(name.split(':').next().unwrap()), "{name}: {}", printed.out);
    }
    let line = |of: &dyn Fn(&(&'static str, &'static str)) -> &'static str| {
        columns.iter().map(of).collect::<Vec<_>>().join(";")
    };
    std::fs::write(&file, format!("{}\n{}\n", line(&|c| c.0), line(&|c| c.1))).unwrap();
    let printed = run(&["outcomes".as_ref(), "import".as_ref(), "--data".as_ref(), data.as_os_str(), file.as_os_str()]);
    assert_eq!(printed.code, Some(0), "{}", printed.err);
}

#[tokio::test]
async fn outcomes_are_imported_on_the_command_line_as_over_http() {
    let folder = tempfile::tempdir().unwrap();
    let (data, file) = (folder.path().join("data"), folder.path().join("found.csv"));
    std::fs::write(&file, "listing,story,certainty\na,composite,0.9\nb,compozite,much\n\nc,original,\n").unwrap();
    let printed = run(&["outcomes".as_ref(), "import".as_ref(), "--data".as_ref(), data.as_os_str(), file.as_os_str()]);
    assert_eq!(printed.code, Some(3), "{}", printed.err);
    let mut said = printed.err.lines();
    let refused = said.next().unwrap();
    assert!(refused.starts_with(&format!("{}:3: ", file.display())), "{refused}");
    assert!(refused.contains("certainty: ") && refused.contains("did you mean `composite`?"), "{refused}");
    for (line, listing) in [(2, "a"), (5, "c")] {
        let unsaved = format!("{}:{line}: recorded, but no listing `{listing}` is saved", file.display());
        assert_eq!(said.next(), Some(unsaved.as_str()));
    }
    assert_eq!(said.next(), Some("2 outcomes recorded, 1 lines refused"));
    assert!(said.next().unwrap().starts_with("2 of them name listings that are not saved"), "{}", printed.err);
    assert_eq!(printed.out, "");
    std::fs::write(&file, "{\"listing\": \"d\", \"story\": \"fake\"}\n").unwrap();
    let printed = run(&["outcomes".as_ref(), "import".as_ref(), "--data".as_ref(), data.as_os_str(), file.as_os_str()]);
    assert_eq!(printed.code, Some(0), "{}", printed.err);
    std::fs::write(&file, "listing,stori\n").unwrap();
    let printed = run(&["outcomes".as_ref(), "import".as_ref(), "--data".as_ref(), data.as_os_str(), file.as_os_str()]);
    assert_eq!(printed.code, Some(1), "{}", printed.err);
    assert!(printed.err.contains("did you mean `story`?"), "{}", printed.err);

    let service = on(&data);
    let all = walk(&service, "/v1/outcomes", async |_| ()).await;
    let listings: Vec<&str> = all.iter().map(|o| o["outcome"]["listing"].as_str().unwrap()).collect();
    assert_eq!(listings, ["a", "c", "d"]);

    saved(&service, "feed:d", listing(None, 1)).await;
    std::fs::write(
        &file,
        "{\"listing\": \"d\", \"story\": \"fake\"}\n{\"listing\": \"feed:d\", \"story\": \"fake\"}\n",
    )
    .unwrap();
    let printed = run(&["outcomes".as_ref(), "import".as_ref(), "--data".as_ref(), data.as_os_str(), file.as_os_str()]);
    // Nothing was refused.
    assert_eq!(printed.code, Some(0), "{}", printed.err);
    let said: Vec<&str> = printed.err.lines().collect();
    let named = format!("{}:1: recorded, but no listing `d` is saved; saved is `feed:d`", file.display());
    assert_eq!(said[..2], [named.as_str(), "2 outcomes recorded, 0 lines refused"]);
    assert!(said[2].starts_with("1 of them") && said[2].ends_with("write `feed:d` for `d`"), "{}", said[2]);
}

// --- The reference book ------------------------------------------------------------------

async fn an_entry_is_found_however_its_name_is_written_and_comes_back_as_put(place: &Place) {
    let service = Served::at(place);
    let made = put(&service, "/v1/references/Halvorne/H%202217", json!({ "years": [1954, 1961] })).await;
    assert_eq!(made.status, 201, "{}", made.text());
    let entry = json!({ "maker": "Halvorne", "reference": "H 2217", "years": [1954, 1961] });
    assert_eq!(made.json(), entry);
    let read = get(&service, "/v1/references/HALVORNE/h-2217").await;
    assert_eq!((read.json(), read.header("etag")), (entry.clone(), made.header("etag")));
    let tag = made.header("etag").unwrap();
    let same = send(&service, "GET", "/v1/references/halvorne/h2217", &Value::Null, &[("if-none-match", tag)]).await;
    assert_eq!(same.status, 304);
    // What comes back can be put again.
    assert_eq!(put(&service, "/v1/references/halvorne/h2217", entry).await.status, 200);
    let calibre = put(&service, "/v1/calibres/Halvorne/cal.%2071", json!({ "calibre": "71", "jewels": [17] })).await;
    assert_eq!(calibre.status, 201, "{}", calibre.text());
    assert_eq!(get(&service, "/v1/calibres/halvorne/71").await.json()["jewels"], json!([17]));

    for i in 0..5 {
        put(&service, &format!("/v1/calibres/Halvorne/{i}"), json!({})).await;
    }
    let walked = walk(&service, "/v1/calibres?limit=2", async |_| ()).await;
    let names: Vec<&str> = walked.iter().map(|c| c["calibre"].as_str().unwrap()).collect();
    assert_eq!(names, ["0", "1", "2", "3", "4", "71"]);
    assert_eq!(walk(&service, "/v1/references", async |_| ()).await.len(), 1);
    get(&service, "/v1/references/Halvorne/none").await.problem(404);
    delete(&service, "/v1/references/Halvorne/none").await.problem(404);
}

async fn every_fault_of_an_entry_is_named(place: &Place) {
    let service = Served::at(place);
    let body = json!({ "maker": "Other", "years": [1961, 1954], "diameter_mm": -1, "attic": 1, "calibres": ["-"] });
    let problem = put(&service, "/v1/references/Halvorne/H%201", body).await.problem(422);
    let errors = problem["errors"].as_array().unwrap();
    let at: BTreeSet<&str> = errors.iter().map(|e| e["pointer"].as_str().unwrap()).collect();
    assert_eq!(at, BTreeSet::from(["/attic", "/calibres/0", "/diameter_mm", "/maker", "/years"]), "{problem}");
    let nameless = put(&service, "/v1/calibres/Halvorne/-", json!({})).await.problem(422);
    assert_eq!(nameless["errors"][0]["pointer"], "/calibre", "{nameless}");
}

async fn what_the_book_says_counts_in_the_makers_open_listings_at_once(place: &Place) {
    let service = Served::at(place);
    let mut body = listing(None, 0);
    body["watch"] = json!({ "maker": "HALVORNE", "facts": { "calibre": "71", "dial_text": ["Self-Winding"] } });
    let before = saved(&service, "a", body.clone()).await;
    body["seller"] = json!({ "id": "s" });
    saved(&service, "b", body).await;
    let other = saved(&service, "c", listing(Some("s"), 0)).await;
    put(&service, "/v1/calibres/Halvorne/71", json!({ "winding": "hand" })).await;
    for id in ["a", "b"] {
        let after = get(&service, &format!("/v1/listings/{id}")).await.json();
        let evidence = after["assessment"]["evidence"].to_string();
        assert!(evidence.contains("calibre 71 is wound by hand"), "{id}: {evidence}");
        assert_eq!(after["assessment"]["seller"]["used"]["listings"], i32::from(id == "b"), "{id}");
    }
    // The seller's other listing hears of it too.
    assert_ne!(get(&service, "/v1/listings/c").await.json()["assessment"], other["assessment"]);
    assert_eq!(delete(&service, "/v1/calibres/Halvorne/71").await.status, 204);
    assert_eq!(get(&service, "/v1/listings/a").await.json()["assessment"], before["assessment"]);
}

// --- Whatever is sent --------------------------------------------------------------------

async fn a_cursor_of_another_list_or_other_filters_is_refused(place: &Place) {
    let service = Served::at(place);
    for i in 0..3 {
        saved(&service, &format!("l-{i}"), listing(Some("s"), i)).await;
        found(&service, &format!("l-{i}"), "fake").await;
        put(&service, &format!("/v1/sellers/s-{i}"), json!({})).await;
        put(&service, &format!("/v1/references/M/{i}"), json!({})).await;
        put(&service, &format!("/v1/calibres/M/{i}"), json!({})).await;
    }
    let lists = [
        "/v1/listings",
        "/v1/listings?sort=bad",
        "/v1/listings?sort=-bad",
        "/v1/listings?status=open",
        "/v1/listings?seller=s",
        "/v1/listings/l-0/assessments",
        "/v1/listings/l-1/assessments",
        "/v1/outcomes",
        "/v1/outcomes?current=true",
        "/v1/outcomes?seller=s",
        "/v1/outcomes?seller=s&current=true",
        "/v1/sellers",
        "/v1/references",
        "/v1/calibres",
    ];
    let with = |list: &str, more: &str| format!("{list}{}{more}", if list.contains('?') { '&' } else { '?' });
    let mut cursors = vec![("attic", "attic".to_owned()), ("e30", "e30".to_owned()), ("NUL", "%00".to_owned())];
    for list in lists {
        let page = get(&service, &with(list, "limit=1")).await.json();
        let cursor = page["next_cursor"].as_str().unwrap_or_else(|| panic!("{list} has but one page"));
        cursors.push((list, cursor.to_owned()));
    }
    for list in lists {
        for (of, cursor) in &cursors {
            let reply = get(&service, &with(list, &format!("limit=2&cursor={cursor}"))).await;
            if *of == list {
                assert_eq!(reply.status, 200, "{list}: {}", reply.text());
            } else {
                let problem = reply.problem(400);
                assert_eq!(problem["type"], "/problems/malformed", "{list} with a cursor of {of}");
                assert!(problem["detail"].as_str().unwrap().contains("`cursor`"), "{problem}");
            }
        }
    }
}

async fn every_refusal_is_a_problem_and_none_is_a_fault_of_ours(place: &Place) {
    let service = Served::at(place);
    let long = "x".repeat(201);
    let paths = ["listings/a", "sellers/a", "references/m/r", "calibres/m/c"];
    for path in paths {
        let path = format!("/v1/{path}");
        for (body, status) in [("", 400), ("{", 400), ("[]", 422), ("null", 422), ("{\"a\":1,\"a\":1}", 400)] {
            let sent = service.request("PUT", &path).header("content-type", "application/json").body(body);
            Reply::to(sent).await.problem(status);
        }
        Reply::to(service.request("PUT", &path).body("{}")).await.problem(415);
        Reply::to(service.request("PATCH", &path)).await.problem(405);
        get(&service, &path).await.problem(404);
        let too_long = format!("{}/{long}", path.rsplit_once('/').unwrap().0);
        put(&service, &too_long, json!({ "observations": [] })).await.problem(422);
        let control = format!("{}/%00", path.rsplit_once('/').unwrap().0);
        put(&service, &control, json!({})).await.problem(422);
        get(&service, &control).await.problem(404);
        get(&service, &format!("{}/%FF", path.rsplit_once('/').unwrap().0)).await.problem(404);
    }
    for list in ["listings", "sellers", "outcomes", "references", "calibres"] {
        get(&service, &format!("/v1/{list}?limit=0")).await.problem(400);
        get(&service, &format!("/v1/{list}?limit=-5")).await.problem(400);
        get(&service, &format!("/v1/{list}?limit=many")).await.problem(400);
        get(&service, &format!("/v1/{list}?attic=1")).await.problem(422);
        assert_eq!(get(&service, &format!("/v1/{list}?limit=100000")).await.status, 200);
    }
    get(&service, "/v1/listings?sort=attic").await.problem(400);
    get(&service, "/v1/outcomes?current=perhaps").await.problem(400);
    for body in [
        "",
        "{",
        "[]",
        "{}",
        "{\"listing\": \"\", \"story\": \"fake\"}",
        "{\"listing\": \"\\u0000\", \"story\": \"fake\"}",
    ] {
        let reply = Reply::to(service.post("/v1/outcomes", body)).await;
        reply.problem(if body.len() < 2 { 400 } else { 422 });
    }
}

// --- Keeping -----------------------------------------------------------------------------

const KEPT: [&str; 8] = [
    "/v1/listings",
    "/v1/listings/a",
    "/v1/listings/a/assessments",
    "/v1/sellers",
    "/v1/sellers/s",
    "/v1/outcomes",
    "/v1/references",
    "/v1/calibres",
];

async fn a_restart_keeps_everything(place: &Place) {
    let mut service = Served::at(place);
    put(&service, "/v1/sellers/s", json!({ "note": "n" })).await;
    saved(&service, "a", listing(Some("s"), 1)).await;
    saved(&service, "b", listing(Some("s"), 3)).await;
    found(&service, "b", "fake").await;
    put(&service, "/v1/references/Halvorne/H%201", json!({ "years": [1950, 1960] })).await;
    put(&service, "/v1/calibres/Halvorne/71", json!({ "jewels": [17] })).await;
    let mut before = Vec::new();
    for path in KEPT {
        before.push(get(&service, path).await.text());
    }
    service.terminate();
    assert!(service.ended_within(Duration::from_secs(15)).unwrap().success());
    let service = Served::at(place);
    for (path, before) in KEPT.iter().zip(before) {
        assert_eq!(get(&service, path).await.text(), before, "{path}");
    }
}

async fn what_was_acknowledged_survives_a_kill(place: &Place) {
    let mut acknowledged: Vec<(String, String)> = Vec::new();
    for cycle in 0..5 {
        let service = Served::at(place);
        for (path, tag) in &acknowledged {
            let reply = get(&service, path).await;
            assert_eq!(reply.status, 200, "{path} was acknowledged and lost");
            assert_eq!(reply.header("etag"), Some(tag.as_str()), "{path}");
        }
        // Many at once, and the process dies as soon as the first few are answered.
        let writes: Vec<_> = (0..6)
            .map(|i| {
                let path = format!("/v1/listings/l-{cycle}-{i}");
                let sent = service
                    .request("PUT", &path)
                    .header("content-type", "application/json")
                    .body(listing(None, i % 5).to_string());
                tokio::spawn(async move {
                    let answer = sent.send().await.ok()?;
                    let tag = answer.headers().get("etag")?.to_str().ok()?.to_owned();
                    (answer.status() == 201).then_some((path, tag))
                })
            })
            .collect();
        let mut writes = writes.into_iter();
        for write in writes.by_ref().take(2) {
            acknowledged.push(write.await.unwrap().unwrap());
        }
        // SIGKILL
        drop(service);
        for write in writes {
            acknowledged.extend(write.await.unwrap());
        }
    }
    assert!(acknowledged.len() >= 10);
    let service = Served::at(place);
    for (path, _) in &acknowledged {
        assert_eq!(get(&service, path).await.status, 200, "{path}");
    }
}

// --- After a start, and beside others ----------------------------------------------------

async fn a_start_with_another_book_assesses_open_listings_again(place: &Place) {
    let folder = tempfile::tempdir().unwrap();
    let request = json!({
        "watch": { "maker": "Halvorne", "facts": { "dial_text": ["Self-Winding"], "calibre": "71" } },
        "observations": [],
    });
    let first = Served::at(place);
    assert_eq!(put(&first, "/v1/listings/l-1", request).await.status, 201);
    drop(first);
    let book = folder.path().join("book.json");
    let entry = json!({ "calibres": [{ "maker": "Halvorne", "calibre": "71", "winding": "hand" }] });
    std::fs::write(&book, entry.to_string()).unwrap();
    let again = Served::with(&[place.variable(), ("STEELYARD_REFERENCE_BOOK", book.to_str().unwrap())]);
    for _ in 0..200 {
        let listing = get(&again, "/v1/listings/l-1").await.json();
        if listing["assessment"]["evidence"][0]["sign"] == "dial_claims_vs_movement" {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("the listing kept what was thought of it without the book");
}

async fn book_entries_written_at_once_leave_no_listing_behind(place: &Place) {
    let service = Served::at(place);
    for i in 0..10 {
        let request = json!({
            "watch": { "maker": "Halvorne", "facts": { "dial_text": ["Self-Winding"], "calibre": "71" } },
            "observations": [],
        });
        assert_eq!(put(&service, &format!("/v1/listings/l-{i}"), request).await.status, 201);
    }
    let write = |winding: &str| put(&service, "/v1/calibres/Halvorne/71", json!({ "winding": winding }));
    let _ = tokio::join!(write("hand"), write("self"), write("hand"), write("self"));
    let kept = get(&service, "/v1/calibres/Halvorne/71").await.json();
    let call = if kept["winding"] == "hand" { "present" } else { "absent" };
    for i in 0..10 {
        let listing = get(&service, &format!("/v1/listings/l-{i}")).await.json();
        assert_eq!(listing["assessment"]["evidence"][0]["call"], call, "l-{i}");
    }
}

async fn if_match_any_wants_something_to_be_there(place: &Place) {
    let service = Served::at(place);
    let body = json!({ "observations": [] });
    let any = [("if-match", "*")];
    let nothing_there = send(&service, "PUT", "/v1/listings/l-1", &body, &any).await;
    assert_eq!(nothing_there.status, 412, "{}", nothing_there.text());
    assert_eq!(put(&service, "/v1/listings/l-1", body.clone()).await.status, 201);
    assert_eq!(send(&service, "PUT", "/v1/listings/l-1", &body, &any).await.status, 200);
}

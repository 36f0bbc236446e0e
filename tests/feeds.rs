//! Feeds over HTTP, asked of the binary: from a server on loopback to saved listings and back.

#[macro_use]
mod support;

use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::net::TcpListener;
use std::time::{Duration, Instant};
use steelyard::feed::{Format, MOST_FAILURES};
use steelyard::polling::FEED_FAILED;
use steelyard::store::NewFeed;
use support::{Place, Reply, Served};
use wiremock::matchers::{header, path};
use wiremock::{Mock, MockServer, ResponseTemplate};

/// Until something that must happen counts as missing.
const PATIENCE: Duration = Duration::from_secs(30);

// --- A feed and its items ----------------------------------------------------------------

fn eur(amount: &str) -> Value {
    json!({ "amount": amount, "currency": "EUR" })
}

/// An item of JSON Feed 1.1.
fn item(id: &str, title: &str, price: &str) -> Value {
    json!({ "id": id, "title": title, "content_text": "Original dial.", "url": format!("https://shop.example/{id}"),
        "_steelyard": { "offer": { "price": eur(price) },
            "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } } } })
}

/// <https://www.jsonfeed.org/version/1.1/>
fn document(items: &[Value]) -> String {
    json!({ "version": "https://jsonfeed.org/version/1.1", "title": "Saved", "items": items }).to_string()
}

fn answer(text: String) -> ResponseTemplate {
    ResponseTemplate::new(200).set_body_raw(text, "application/feed+json")
}

/// What `/watches.json` says from now on.
async fn says(server: &MockServer, answer: ResponseTemplate) {
    server.reset().await;
    Mock::given(path("/watches.json")).respond_with(answer).mount(server).await;
}

// --- The service -------------------------------------------------------------------------

/// A service that may fetch from this server, and polls by hand alone.
fn by_hand(server: &MockServer) -> Served {
    let exception = server.address().to_string();
    Served::with(&[("STEELYARD_FEED_EXCEPTIONS", &exception), ("STEELYARD_POLL_FEEDS", "false")])
}

async fn post(service: &Served, path: &str, body: &Value, headers: &[(&str, &str)]) -> Reply {
    let mut request = service.post(path, body.to_string());
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    Reply::to(request).await
}

async fn get(service: &Served, path: &str) -> Value {
    let reply = Reply::to(service.get(path)).await;
    assert_eq!(reply.status, 200, "{path}: {}", reply.text());
    reply.json()
}

async fn put(service: &Served, path: &str, body: &Value) -> Reply {
    Reply::to(service.request("PUT", path).header("content-type", "application/json").body(body.to_string())).await
}

fn feed_of(url: &str) -> Value {
    json!({ "url": url, "format": "json_feed", "every_s": 900 })
}

/// Saves the server's feed; gives its path and its name.
async fn saved(service: &Served, server: &MockServer) -> (String, String) {
    let url = format!("{}/watches.json", server.uri());
    let reply = post(service, "/v1/feeds", &feed_of(&url), &[]).await;
    assert_eq!(reply.status, 201, "{}", reply.text());
    let feed = reply.json();
    assert_eq!((&feed["url"], &feed["state"], &feed["last_polled_at"]), (&json!(url), &json!("active"), &Value::Null));
    let id = feed["id"].as_str().unwrap().to_owned();
    let location = reply.header("location").unwrap().to_owned();
    assert_eq!(location, format!("/v1/feeds/{id}"));
    (location, id)
}

async fn polled(service: &Served, feed: &str) -> Value {
    let reply = Reply::to(service.request("POST", &format!("{feed}/poll"))).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    reply.json()
}

/// New, changed, unchanged, refused.
fn counts(items: &Value) -> [u64; 4] {
    ["new", "changed", "unchanged", "refused"].map(|name| items[name].as_u64().unwrap_or_else(|| panic!("{items}")))
}

async fn until<T>(what: &str, mut happens: impl AsyncFnMut() -> Option<T>) -> T {
    let deadline = Instant::now() + PATIENCE;
    loop {
        if let Some(found) = happens().await {
            return found;
        }
        assert!(Instant::now() < deadline, "{what} does not happen");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

// --- Polls -------------------------------------------------------------------------------

/// RFC 9110, section 13.1.2: what has not changed is not sent again.
#[tokio::test]
async fn a_feed_is_polled_as_soon_as_it_is_saved_and_then_asked_whether_it_changed() {
    let server = MockServer::start().await;
    Mock::given(path("/watches.json"))
        .and(header("if-none-match", "\"one\""))
        .respond_with(ResponseTemplate::new(304))
        .with_priority(1)
        .mount(&server)
        .await;
    let once = answer(document(&[item("381", "Hand-wound, 1958", "380.00")])).insert_header("etag", "\"one\"");
    Mock::given(path("/watches.json")).respond_with(once).mount(&server).await;
    let service = Served::with(&[("STEELYARD_FEED_EXCEPTIONS", &server.address().to_string())]);
    let (feed, id) = saved(&service, &server).await;
    let seen = until("the first poll", async || {
        Some(get(&service, &feed).await).filter(|feed| !feed["last_polled_at"].is_null())
    })
    .await;
    assert_eq!((counts(&seen["last_items"]), &seen["last_error"]), ([1, 0, 0, 0], &Value::Null));
    let wait = |feed: &Value| {
        let at = |name: &str| feed[name].as_str().unwrap().parse::<jiff::Timestamp>().unwrap();
        at("next_poll_at").duration_since(at("last_polled_at")).as_secs()
    };
    assert!((900..=990).contains(&wait(&seen)), "{seen}");

    let listing = get(&service, &format!("/v1/listings/{id}:381")).await;
    assert_eq!((&listing["id"], &listing["status"]), (&json!(format!("{id}:381")), &json!("open")));
    assert_eq!(listing["request"]["title"], "Hand-wound, 1958");
    assert_eq!(listing["request"]["description"], "Original dial.");
    assert_eq!(listing["request"]["url"], "https://shop.example/381");
    assert!(listing["assessment"]["decision"]["walk_away_price"].is_object(), "{listing}");
    // What a client reads it may put again.
    let again = put(&service, &format!("/v1/listings/{id}:381"), &listing["request"]).await;
    assert_eq!(again.status, 200, "{}", again.text());

    let poll = polled(&service, &feed).await;
    assert_eq!((&poll["result"], &poll["items"]), (&json!("unchanged"), &Value::Null));
    assert_eq!(counts(&poll["feed"]["last_items"]), [1, 0, 0, 0], "what the last one brought");
    assert_eq!(server.received_requests().await.unwrap().len(), 2);
}

#[tokio::test]
async fn a_changed_item_is_assessed_anew_and_what_was_thought_before_is_kept() {
    let server = MockServer::start().await;
    let service = by_hand(&server);
    let (feed, id) = saved(&service, &server).await;
    says(&server, answer(document(&[item("1", "A", "640.00"), item("2", "B", "100.00")]))).await;
    assert_eq!(counts(&polled(&service, &feed).await["items"]), [2, 0, 0, 0]);
    let (one, two) = (format!("/v1/listings/{id}:1"), format!("/v1/listings/{id}:2"));
    let before = get(&service, &one).await;
    let untouched = get(&service, &two).await;

    // The dealer looks at the photos, adds the postage and buys the watch.
    let mut request = before["request"].clone();
    request["observations"] = json!([{ "sign": "dial_too_fresh", "call": "present", "in_hand": true }]);
    request["offer"]["shipping"] = eur("12.00");
    request["status"] = json!("bought");
    assert_eq!(put(&service, &one, &request).await.status, 200);

    let mut changed = item("1", "A, price lowered", "590.00");
    changed["content_text"] = json!("Dial repainted.");
    says(&server, answer(document(&[changed, item("2", "B", "100.00")]))).await;
    assert_eq!(counts(&polled(&service, &feed).await["items"]), [0, 1, 1, 0]);
    let after = get(&service, &one).await;
    request["title"] = json!("A, price lowered");
    request["description"] = json!("Dial repainted.");
    request["offer"]["price"] = eur("590.00");
    assert_eq!((&after["request"], &after["status"]), (&request, &json!("bought")));
    assert_eq!(get(&service, &two).await, untouched, "an unchanged item costs nothing");

    // Newest first, each with the request that it was made of.
    let past = get(&service, &format!("{one}/assessments")).await;
    let prices: Vec<&Value> =
        past["items"].as_array().unwrap().iter().map(|a| &a["request"]["offer"]["price"]["amount"]).collect();
    assert_eq!(prices, ["590.00", "640.00", "640.00"]);
    let net = |a: &Value| a["assessment"]["decision"]["expected_net"]["amount"].as_str().unwrap().to_owned();
    assert_ne!(net(&past["items"][0]), net(&past["items"][1]));

    // The same again: nothing.
    assert_eq!(counts(&polled(&service, &feed).await["items"]), [0, 0, 2, 0]);
    assert_eq!(get(&service, &one).await["revision"], after["revision"]);
}

#[tokio::test]
async fn items_that_leave_the_feed_stay_and_listings_that_were_deleted_stay_deleted() {
    let server = MockServer::start().await;
    let service = by_hand(&server);
    let (feed, id) = saved(&service, &server).await;
    says(&server, answer(document(&[item("1", "A", "640.00"), item("2", "B", "100.00")]))).await;
    polled(&service, &feed).await;
    let deleted = Reply::to(service.request("DELETE", &format!("/v1/listings/{id}:1"))).await;
    assert_eq!(deleted.status, 204);
    says(&server, answer(document(&[item("1", "A again", "600.00")]))).await;
    assert_eq!(counts(&polled(&service, &feed).await["items"]), [0, 0, 1, 0]);
    let there = get(&service, "/v1/listings").await;
    let ids: Vec<&Value> = there["items"].as_array().unwrap().iter().map(|l| &l["id"]).collect();
    assert_eq!(ids, [&json!(format!("{id}:2"))]);
}

#[tokio::test]
async fn an_item_that_does_not_fit_is_refused_with_its_reason_and_the_others_are_kept() {
    let server = MockServer::start().await;
    let service = by_hand(&server);
    let (feed, id) = saved(&service, &server).await;
    let mut prise = item("2", "B", "100.00");
    prise["_steelyard"]["offer"]["prise"] = json!(1);
    prise["_steelyard"]["observations"] = json!([{ "sign": "crown_unsined", "call": "present" }]);
    let mut nameless = item("3", "C", "100.00");
    nameless["id"] = json!("");
    let long = "9".repeat(180);
    let items = [item("1", "A", "640.00"), prise, nameless, item(&long, "D", "1.00"), item("5", "E", "90.00")];
    says(&server, answer(document(&items))).await;
    let poll = polled(&service, &feed).await;
    assert_eq!((&poll["result"], counts(&poll["items"])), (&json!("read"), [2, 0, 0, 3]));
    let refusals = poll["items"]["refusals"].as_array().unwrap();
    let told: Vec<_> = refusals.iter().map(|r| (r["item"].clone(), r["place"].as_str().unwrap())).collect();
    assert_eq!(told, [(json!("2"), "/items/1"), (json!(null), "/items/2/id"), (json!(long), "/items/3")]);
    let pointers: BTreeSet<&str> =
        refusals[0]["errors"].as_array().unwrap().iter().map(|e| e["pointer"].as_str().unwrap()).collect();
    assert_eq!(pointers, BTreeSet::from(["/offer/prise", "/observations/0/sign"]));
    assert!(refusals[2]["detail"].as_str().unwrap().contains("163 characters"), "{}", refusals[2]);
    assert_eq!(get(&service, &feed).await["last_items"], poll["items"], "the feed says it too");
    let there = get(&service, "/v1/listings").await;
    assert_eq!(there["items"].as_array().unwrap().len(), 2);

    // Mended, it comes in; a listing that was good stays where its item is spoilt.
    let mut spoilt = item("1", "A", "640.00");
    spoilt["_steelyard"]["offer"]["price"]["amount"] = json!("cheap");
    says(&server, answer(document(&[spoilt, item("2", "B", "100.00")]))).await;
    assert_eq!(counts(&polled(&service, &feed).await["items"]), [1, 0, 0, 1]);
    let kept = get(&service, &format!("/v1/listings/{id}:1")).await;
    assert_eq!(kept["request"]["offer"]["price"], eur("640.00"));
}

#[tokio::test]
async fn a_feed_that_fails_ten_times_rests_and_says_so_once_and_wakes_when_it_can_be_read() {
    let (place, server) = (Place::sqlite(), MockServer::start().await);
    let exception = server.address().to_string();
    let environment = [place.variable(), ("STEELYARD_FEED_EXCEPTIONS", &exception), ("STEELYARD_POLL_FEEDS", "false")];
    let service = Served::with(&environment);
    let (feed, id) = saved(&service, &server).await;
    says(&server, ResponseTemplate::new(500)).await;
    let told = async || place.open().await.changes_after("local", 0, 99).await.unwrap();
    for failures in 1..=MOST_FAILURES + 1 {
        let poll = polled(&service, &feed).await;
        assert_eq!((&poll["result"], &poll["feed"]["failures"]), (&json!("failed"), &json!(failures)), "{poll}");
        let rests = failures >= MOST_FAILURES;
        assert_eq!(poll["feed"]["state"], ["active", "resting"][usize::from(rests)]);
        assert_eq!(poll["feed"]["next_poll_at"].is_null(), rests);
        assert!(poll["feed"]["last_error"].as_str().unwrap().contains("status 500"), "{poll}");
        if failures == MOST_FAILURES - 1 {
            assert!(told().await.is_empty(), "not every failure is told");
        }
    }
    let changes = told().await;
    assert_eq!(changes.iter().map(|c| c.event.as_str()).collect::<Vec<_>>(), [FEED_FAILED]);
    let data: Value = serde_json::from_str(&changes[0].data).unwrap();
    assert_eq!((&data["feed"], &data["state"], &data["failures"]), (&json!(id), &json!("resting"), &json!(10)));
    assert!(data["error"].as_str().unwrap().contains("10 failures in a row"), "{data}");
    assert_eq!(data["at"].as_str().unwrap().parse::<jiff::Timestamp>().unwrap(), changes[0].at);

    says(&server, answer(document(&[item("1", "A", "640.00")]))).await;
    let poll = polled(&service, &feed).await;
    assert_eq!((&poll["feed"]["state"], &poll["feed"]["failures"]), (&json!("active"), &json!(0)));
    assert_eq!((counts(&poll["items"]), &poll["feed"]["last_error"]), ([1, 0, 0, 0], &Value::Null));
    // RFC 9110, section 15.5.11: gone is for good.
    says(&server, ResponseTemplate::new(410)).await;
    assert_eq!(polled(&service, &feed).await["feed"]["state"], "failed");
    assert_eq!(told().await.len(), 2);
}

#[tokio::test]
async fn pages_that_could_be_read_are_kept_and_the_feed_says_which_could_not() {
    let server = MockServer::start().await;
    let service = by_hand(&server);
    let (feed, _) = saved(&service, &server).await;
    let mut first: Value = serde_json::from_str(&document(&[item("1", "A", "640.00")])).unwrap();
    first["next_url"] = json!(format!("{}/missing.json", server.uri()));
    says(&server, answer(first.to_string()).insert_header("etag", "\"one\"")).await;
    let poll = polled(&service, &feed).await;
    assert_eq!((&poll["result"], counts(&poll["items"])), (&json!("read"), [1, 0, 0, 0]));
    let error = poll["feed"]["last_error"].as_str().unwrap();
    assert!(error.contains("not all pages") && error.contains("404"), "{error}");
    // Nor is the feed asked whether it changed before all of it is there.
    polled(&service, &feed).await;
    let asked = server.received_requests().await.unwrap();
    assert!(asked.iter().all(|r| !r.headers.contains_key("if-none-match")));
}

// --- Items that are sent -----------------------------------------------------------------

async fn sent(service: &Served, feed: &str, media_type: &str, body: impl Into<Vec<u8>>) -> Reply {
    let request = service.request("POST", &format!("{feed}/items")).header("content-type", media_type);
    Reply::to(request.body(body.into())).await
}

#[tokio::test]
async fn items_that_are_sent_are_treated_as_those_that_are_fetched() {
    let server = MockServer::start().await;
    let service = by_hand(&server);
    let (feed, id) = saved(&service, &server).await;
    // More than fit into the body of anything else, and all of one seller.
    let lines: String = (0..30)
        .map(|n| {
            let words = "Original dial. ".repeat(1_000);
            let item = json!({ "id": n, "description": words, "seller": { "id": "s-17" }, "observations": [] });
            format!("{item}\r\n")
        })
        .collect();
    assert!(lines.len() > 400_000);
    let reply = sent(&service, &feed, "application/x-ndjson", lines.clone() + "\n{\"id\": 1\n").await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    let items = reply.json();
    assert_eq!(counts(&items), [30, 0, 0, 1]);
    assert_eq!(items["refusals"][0]["place"], "line 32");
    assert_eq!(get(&service, "/v1/sellers/s-17").await["listings"], 30);
    assert_eq!(counts(&sent(&service, &feed, "application/x-ndjson", lines).await.json()), [0, 0, 30, 0]);
    let page = document(&[item("7", "By hand", "100.00")]);
    for media_type in ["application/feed+json", "application/json; charset=utf-8"] {
        let reply = sent(&service, &feed, media_type, format!("\u{feff}{page}")).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
    }
    assert_eq!(get(&service, &format!("/v1/listings/{id}:7")).await["request"]["title"], "By hand");
    assert_eq!(get(&service, &feed).await["last_polled_at"], Value::Null, "nothing was polled");

    for (media_type, body, status) in [
        ("application/feed+json", "", 400),
        ("application/feed+json", "{\"version\": ", 400),
        ("application/feed+json", "[]", 422),
        ("application/feed+json", "{\"version\": \"2\", \"items\": []}", 422),
        ("text/csv", "id\n1\n", 415),
    ] {
        let problem = sent(&service, &feed, media_type, body).await.problem(status);
        assert_eq!(status == 422, problem["type"] == "/problems/invalid", "{body}: {problem}");
    }
    sent(&service, &feed, "application/x-ndjson", vec![b' '; 8 * 1024 * 1024 + 1]).await.problem(413);
    sent(&service, "/v1/feeds/none", "application/x-ndjson", "{}").await.problem(404);
}

/// What a stranger does first: no server of one's own, no URL.
#[tokio::test]
async fn a_feed_without_a_url_holds_what_is_sent_and_is_never_polled() {
    let service = Served::with(&[]);
    for body in [json!({ "format": "json_feed" }), json!({ "url": null, "format": "ndjson", "every_s": null })] {
        let reply = post(&service, "/v1/feeds", &body, &[]).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
        let saved = reply.json();
        let unset = ["url", "every_s", "next_poll_at", "last_polled_at", "last_error"];
        assert!(unset.iter().all(|name| saved[*name].is_null()), "{saved}");
        assert_eq!(saved["state"], "active");
        let (feed, id) = (reply.header("location").unwrap().to_owned(), saved["id"].as_str().unwrap());

        let page = document(&[item("1", "A", "640.00"), item("2", "B", "100.00")]);
        let reply = sent(&service, &feed, "application/feed+json", page).await;
        assert_eq!(counts(&reply.json()), [2, 0, 0, 0]);
        let page = document(&[item("1", "A", "590.00"), item("2", "B", "100.00")]);
        let reply = sent(&service, &feed, "application/feed+json", page).await;
        assert_eq!(counts(&reply.json()), [0, 1, 1, 0]);
        let listing = get(&service, &format!("/v1/listings/{id}:1")).await;
        assert_eq!(listing["request"]["offer"]["price"], eur("590.00"));

        let problem = Reply::to(service.request("POST", &format!("{feed}/poll"))).await.problem(422);
        let detail = problem["detail"].as_str().unwrap();
        assert!(detail.contains("no URL") && detail.contains(&format!("{feed}/items")), "{detail}");
        // The service looks for feeds that are due as soon as one is saved.
        tokio::time::sleep(Duration::from_millis(300)).await;
        let now = get(&service, &feed).await;
        assert!(unset.iter().all(|name| now[*name].is_null()), "{now}");
        assert_eq!((&now["state"], &now["failures"]), (&json!("active"), &json!(0)));
    }
    for (body, pointer) in [
        (json!({ "url": "https://shop.example/a", "format": "ndjson" }), "/every_s"),
        (json!({ "format": "ndjson", "every_s": 900 }), "/url"),
    ] {
        let problem = post(&service, "/v1/feeds", &body, &[]).await.problem(422);
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
        assert_eq!(problem["errors"].as_array().unwrap().len(), 1, "{problem}");
    }
}

// --- What is filled in ---------------------------------------------------------------------

/// Postage, service and fees, which no feed says.
fn defaults() -> Value {
    json!({ "language": "en", "seller": { "segment": "specialist_dealer" },
        "offer": { "shipping": eur("12.00"), "fixed_costs": eur("90.00"), "import_rate": 0.1,
            "returns": { "kind": "not_as_described", "honoured": 0.8, "cost": eur("15.00") } },
        "value": { "selling_fee_rate": 0.12 }, "aim": { "required_margin": 0.15 } })
}

/// A feed without a URL; gives its path and its name.
async fn filled_by_hand(service: &Served, defaults: &Value) -> (String, String) {
    let body = json!({ "format": "json_feed", "defaults": defaults });
    let reply = post(service, "/v1/feeds", &body, &[]).await;
    assert_eq!(reply.status, 201, "{}", reply.text());
    let saved = reply.json();
    assert_eq!(saved["defaults"], *defaults);
    (reply.header("location").unwrap().to_owned(), saved["id"].as_str().unwrap().to_owned())
}

async fn sent_items(service: &Served, feed: &str, items: &[Value]) -> Value {
    let reply = sent(service, feed, "application/feed+json", document(items)).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    reply.json()
}

#[tokio::test]
async fn what_a_feed_never_says_is_filled_in_and_counted() {
    let service = Served::with(&[]);
    let (bare, bare_id) = filled_by_hand(&service, &Value::Null).await;
    let (feed, id) = filled_by_hand(&service, &defaults()).await;
    assert_eq!(get(&service, &feed).await["defaults"], defaults());
    let priced = item("1", "A", "380.00");
    for feed in [&bare, &feed] {
        assert_eq!(counts(&sent_items(&service, feed, std::slice::from_ref(&priced)).await), [1, 0, 0, 0]);
    }
    let without = get(&service, &format!("/v1/listings/{bare_id}:1")).await;
    let with = get(&service, &format!("/v1/listings/{id}:1")).await;
    // What was counted stands in the request, and is counted as if it had been said.
    let mut said = without["request"].clone();
    said["id"] = json!(format!("{id}:1"));
    for (member, value) in [("language", json!("en")), ("seller", json!({ "segment": "specialist_dealer" }))] {
        said[member] = value;
    }
    for (member, value) in defaults()["offer"].as_object().unwrap() {
        said["offer"][member] = value.clone();
    }
    said["value"]["selling_fee_rate"] = json!(0.12);
    said["aim"] = json!({ "required_margin": 0.15 });
    assert_eq!(with["request"], said);
    // (380 + 12) · 1.1 + 90 by hand.
    assert_eq!(with["assessment"]["decision"]["landed_cost"], eur("521.20"));
    assert_eq!(without["assessment"]["decision"]["landed_cost"], eur("380.00"));
    let walk_away =
        |l: &Value| l["assessment"]["decision"]["walk_away_price"]["amount"].as_str().unwrap().parse::<f64>().unwrap();
    assert!(walk_away(&with) < walk_away(&without) - 90.0, "{} {}", walk_away(&with), walk_away(&without));
    let assessed = Reply::to(service.post("/v1/assess", said.to_string())).await.json();
    assert_eq!(with["assessment"]["decision"], assessed["decision"]);

    // The item's word comes first (RFC 7396), and null is a word.
    let mut own = item("2", "B", "380.00");
    own["_steelyard"]["offer"]["shipping"] = eur("0.00");
    own["_steelyard"]["offer"]["fixed_costs"] = Value::Null;
    own["_steelyard"]["offer"]["returns"] = json!({ "kind": "any_reason" });
    // Of a watch nobody has put a value on, nothing is said by a share of it.
    let valueless = json!({ "id": "3", "title": "C", "_steelyard": { "offer": { "price": eur("100.00") } } });
    let bare = json!({ "id": "4", "title": "D" });
    let kept = sent_items(&service, &feed, &[own, valueless, bare]).await;
    assert_eq!(counts(&kept), [3, 0, 0, 0], "{kept}");
    let own = get(&service, &format!("/v1/listings/{id}:2")).await;
    assert_eq!(
        own["request"]["offer"],
        json!({ "price": eur("380.00"), "shipping": eur("0.00"), "import_rate": 0.1,
            "returns": { "kind": "any_reason", "honoured": 0.8, "cost": eur("15.00") } })
    );
    for item in ["3", "4"] {
        let listing = get(&service, &format!("/v1/listings/{id}:{item}")).await;
        assert!(listing["request"].get("value").is_none(), "{listing}");
        assert_eq!(listing["request"]["offer"]["shipping"], eur("12.00"));
    }
}

#[tokio::test]
async fn what_the_user_makes_of_what_was_filled_in_stays_and_the_feeds_own_word_comes_before_it() {
    let service = Served::with(&[]);
    let (feed, id) = filled_by_hand(&service, &defaults()).await;
    let one = format!("/v1/listings/{id}:1");
    sent_items(&service, &feed, &[item("1", "A", "380.00")]).await;
    let mut request = get(&service, &one).await["request"].clone();
    // A dearer service, no postage (it is fetched), observations.
    request["offer"]["fixed_costs"] = eur("140.00");
    request["offer"].as_object_mut().unwrap().remove("shipping");
    request["observations"] = json!([{ "sign": "dial_too_fresh", "call": "present", "in_hand": true }]);
    assert_eq!(put(&service, &one, &request).await.status, 200);
    assert_eq!(counts(&sent_items(&service, &feed, &[item("1", "A", "380.00")]).await), [0, 0, 1, 0]);
    let mut changed = item("1", "A, lowered", "350.00");
    changed["_steelyard"]["offer"]["import_rate"] = json!(0.05);
    assert_eq!(counts(&sent_items(&service, &feed, &[changed]).await), [0, 1, 0, 0]);
    request["title"] = json!("A, lowered");
    request["offer"]["price"] = eur("350.00");
    request["offer"]["import_rate"] = json!(0.05);
    assert_eq!(get(&service, &one).await["request"], request);
}

#[tokio::test]
async fn every_fault_of_defaults_is_named_where_it_stands() {
    let service = Served::with(&[]);
    let bad = json!({ "watch": { "maker": "m" }, "observations": [], "seller": { "segment": "a_friend", "id": "s" },
        "offer": { "price": eur("1.00"), "shipping": eur("cheap"), "import_rate": 2,
            "fixed_costs": { "amount": "1.00", "currency": "XXQ" } },
        "value": { "all_original": {}, "selling_fee_rate": 1.5 }, "aim": { "asking_cost": eur("1.001") } });
    let body = json!({ "format": "ndjson", "defaults": bad });
    let problem = post(&service, "/v1/feeds", &body, &[]).await.problem(422);
    let pointers: BTreeSet<&str> =
        problem["errors"].as_array().unwrap().iter().map(|e| e["pointer"].as_str().unwrap()).collect();
    let expected = [
        "/watch",
        "/observations",
        "/seller/segment",
        "/seller/id",
        "/offer/price",
        "/offer/shipping/amount",
        "/offer/import_rate",
        "/offer/fixed_costs/currency",
        "/value/all_original",
        "/value/selling_fee_rate",
        "/aim/asking_cost/amount",
    ];
    assert_eq!(pointers, expected.map(|p| format!("/defaults{p}")).iter().map(String::as_str).collect());
    // One currency, as a listing.
    let two = json!({ "offer": { "shipping": eur("1.00"), "fixed_costs": { "amount": "1", "currency": "JPY" } } });
    let problem = post(&service, "/v1/feeds", &json!({ "format": "ndjson", "defaults": two }), &[]).await.problem(422);
    assert_eq!(problem["errors"][0]["pointer"], "/defaults/offer/fixed_costs/currency", "{problem}");
    // Nothing in them is none.
    let body = json!({ "format": "ndjson", "defaults": { "offer": null } });
    assert_eq!(post(&service, "/v1/feeds", &body, &[]).await.json()["defaults"], Value::Null);

    // A listing in another currency is refused and not reckoned without its costs, unless it says them.
    let (feed, id) = filled_by_hand(&service, &json!({ "offer": { "fixed_costs": eur("90.00") } })).await;
    let dollars = |amount| json!({ "amount": amount, "currency": "USD" });
    let mut bare = json!({ "id": "1", "_steelyard": { "offer": { "price": dollars("380.00") } } });
    let kept = sent_items(&service, &feed, std::slice::from_ref(&bare)).await;
    assert_eq!(counts(&kept), [0, 0, 0, 1]);
    let error = &kept["refusals"][0]["errors"][0];
    assert_eq!(error["pointer"], "/offer/fixed_costs", "{kept}");
    assert!(error["detail"].as_str().unwrap().contains("EUR, and the listing is in USD"), "{kept}");
    bare["_steelyard"]["offer"]["fixed_costs"] = dollars("100.00");
    assert_eq!(counts(&sent_items(&service, &feed, &[bare]).await), [1, 0, 0, 0]);
    assert_eq!(
        get(&service, &format!("/v1/listings/{id}:1")).await["request"]["offer"]["fixed_costs"],
        dollars("100.00")
    );
}

#[tokio::test]
async fn what_is_polled_is_filled_in_too() {
    let server = MockServer::start().await;
    let service = by_hand(&server);
    let mut body = feed_of(&format!("{}/watches.json", server.uri()));
    body["defaults"] = defaults();
    let reply = post(&service, "/v1/feeds", &body, &[]).await;
    let feed = reply.header("location").unwrap().to_owned();
    says(&server, answer(document(&[item("1", "A", "380.00")]))).await;
    assert_eq!(counts(&polled(&service, &feed).await["items"]), [1, 0, 0, 0]);
    assert_eq!(counts(&polled(&service, &feed).await["items"]), [0, 0, 1, 0]);
    let listing = get(&service, &format!("{}:1", feed.replace("feeds", "listings"))).await;
    assert_eq!(listing["assessment"]["decision"]["landed_cost"], eur("521.20"));
}

#[tokio::test]
async fn a_feed_is_changed_and_loses_nothing_of_what_it_knows() {
    let server = MockServer::start().await;
    let service = by_hand(&server);
    let (feed, id) = saved(&service, &server).await;
    let one = format!("/v1/listings/{id}:1");
    // Asked whether it has changed, the server says no.
    says(&server, answer(document(&[item("1", "A", "380.00")])).insert_header("etag", "\"one\"")).await;
    polled(&service, &feed).await;
    let not_changed = Mock::given(header("if-none-match", "\"one\"")).respond_with(ResponseTemplate::new(304));
    not_changed.with_priority(1).mount(&server).await;
    let mut request = get(&service, &one).await["request"].clone();
    request["offer"]["shipping"] = eur("8.00");
    assert_eq!(put(&service, &one, &request).await.status, 200);

    let mut body = feed_of(&format!("{}/watches.json", server.uri()));
    body["every_s"] = json!(3600);
    body["defaults"] = defaults();
    let tag = Reply::to(service.get(&feed)).await.header("etag").unwrap().to_owned();
    let changed = service.request("PUT", &feed).header("content-type", "application/json").header("if-match", &tag);
    let changed = Reply::to(changed.body(body.to_string())).await;
    assert_eq!(changed.status, 200, "{}", changed.text());
    let now = changed.json();
    assert_eq!((&now["every_s"], &now["defaults"], &now["id"]), (&json!(3600), &defaults(), &json!(id)));
    assert_eq!((now, changed.header("etag")), (get(&service, &feed).await, changed.header("etag")));
    let stale = service.request("PUT", &feed).header("content-type", "application/json").header("if-match", &tag);
    Reply::to(stale.body(body.to_string())).await.problem(412);

    // All of it is read again, and filled in under what the user put.
    let poll = polled(&service, &feed).await;
    assert_eq!((&poll["result"], counts(&poll["items"])), (&json!("read"), [0, 1, 0, 0]));
    let after = get(&service, &one).await["request"].clone();
    assert_eq!((&after["offer"]["shipping"], &after["offer"]["fixed_costs"]), (&eur("8.00"), &eur("90.00")));
    assert_eq!(after["value"]["selling_fee_rate"], 0.12);

    // One that rests wakes.
    says(&server, ResponseTemplate::new(410)).await;
    assert_eq!(polled(&service, &feed).await["feed"]["state"], "failed");
    let woken = put(&service, &feed, &body).await.json();
    assert_eq!(
        (&woken["state"], &woken["failures"], &woken["last_error"]),
        (&json!("active"), &json!(0), &Value::Null)
    );
    assert!(woken["next_poll_at"].is_string());

    // Another's URL, none, and what is no feed.
    let other = feed_of("https://shop.example/b");
    assert_eq!(post(&service, "/v1/feeds", &other, &[]).await.status, 201);
    let problem = put(&service, &feed, &other).await.problem(422);
    assert_eq!(problem["errors"][0]["pointer"], "/url", "{problem}");
    put(&service, &feed, &json!({ "format": "ndjson", "every_s": 60 })).await.problem(422);
    put(&service, "/v1/feeds/none", &body).await.problem(404);
    let still = put(&service, &feed, &json!({ "format": "json_feed" })).await.json();
    assert_eq!((&still["url"], &still["next_poll_at"], &still["defaults"]), (&Value::Null, &Value::Null, &Value::Null));
    Reply::to(service.request("POST", &format!("{feed}/poll"))).await.problem(422);
    // What it said is known still: nothing that it said comes twice.
    let kept = sent_items(&service, &feed, &[item("1", "A", "380.00")]).await;
    assert_eq!(counts(&kept), [0, 1, 0, 0]);
    let after = get(&service, &one).await["request"].clone();
    assert_eq!(after, request, "what was filled in goes with the defaults, what the user put stays");
}

// --- Feeds as resources ------------------------------------------------------------------

#[tokio::test]
async fn a_feed_is_saved_once_under_its_key_listed_read_and_deleted_and_its_listings_stay() {
    let server = MockServer::start().await;
    let service = by_hand(&server);
    let url = format!("{}/watches.json", server.uri());
    let key = [("idempotency-key", "k-1")];
    let first = post(&service, "/v1/feeds", &feed_of(&url), &key).await;
    let again = post(&service, "/v1/feeds", &feed_of(&url), &key).await;
    assert_eq!((first.status.as_u16(), again.status.as_u16()), (201, 201));
    assert_eq!((first.json(), first.header("location")), (again.json(), again.header("location")));
    post(&service, "/v1/feeds", &feed_of("https://shop.example/"), &key).await.problem(422);
    // Twice by mistake: one feed, and the answer names it.
    let twice = post(&service, "/v1/feeds", &feed_of(&format!("{url}#top")), &[]).await.problem(422);
    let id = first.json()["id"].as_str().unwrap().to_owned();
    assert_eq!(twice["errors"][0]["pointer"], "/url");
    assert!(twice["errors"][0]["detail"].as_str().unwrap().contains(&id), "{twice}");
    let other = post(&service, "/v1/feeds", &feed_of("https://shop.example/b"), &[]).await.json();

    let page = Reply::to(service.get("/v1/feeds?limit=1")).await;
    assert_eq!(page.json()["items"].as_array().unwrap().len(), 1);
    let next = page.header("link").unwrap().split(['<', '>']).nth(1).unwrap().to_owned();
    let page = Reply::to(service.get(&next)).await;
    assert_eq!((&page.json()["items"][0]["id"], &page.json()["next_cursor"]), (&other["id"], &Value::Null));

    let feed = format!("/v1/feeds/{id}");
    let tag = Reply::to(service.get(&feed)).await.header("etag").unwrap().to_owned();
    let known = Reply::to(service.get(&feed).header("if-none-match", &tag)).await;
    assert_eq!(known.status, 304);
    says(&server, answer(document(&[item("1", "A", "640.00")]))).await;
    let poll = service.request("POST", &format!("{feed}/poll"));
    let first = Reply::to(poll.try_clone().unwrap().header("idempotency-key", "p")).await.json();
    assert_eq!(Reply::to(poll.header("idempotency-key", "p")).await.json(), first);
    assert_eq!(server.received_requests().await.unwrap().len(), 1);
    // Each poll moves the tag.
    let stale = Reply::to(service.request("DELETE", &feed).header("if-match", &tag)).await;
    stale.problem(412);
    let tag = Reply::to(service.get(&feed)).await.header("etag").unwrap().to_owned();
    assert_eq!(Reply::to(service.request("DELETE", &feed).header("if-match", &tag)).await.status, 204);
    for (method, path) in [("GET", feed.clone()), ("DELETE", feed.clone()), ("POST", format!("{feed}/poll"))] {
        Reply::to(service.request(method, &path)).await.problem(404);
    }
    assert_eq!(get(&service, &format!("/v1/listings/{id}:1")).await["request"]["title"], "A");
}

#[tokio::test]
async fn every_fault_of_a_feed_is_named() {
    let service = Served::with(&[("STEELYARD_POLL_FEEDS", "false")]);
    let body = json!({ "url": "ftp://shop.example/", "format": "xml", "every_s": 59, "name": "n" });
    let problem = post(&service, "/v1/feeds", &body, &[]).await.problem(422);
    let pointers: BTreeSet<&str> =
        problem["errors"].as_array().unwrap().iter().map(|e| e["pointer"].as_str().unwrap()).collect();
    assert_eq!(pointers, BTreeSet::from(["/url", "/format", "/every_s", "/name"]));
    post(&service, "/v1/feeds", &json!([]), &[]).await.problem(422);
    Reply::to(service.post("/v1/feeds", "{")).await.problem(400);
}

/// A private address is refused by every name it has; one that came in by another door is not asked.
#[tokio::test]
async fn a_url_inside_is_refused_and_nobody_is_connected_to() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    listener.set_nonblocking(true).unwrap();
    let port = listener.local_addr().unwrap().port();
    let place = Place::sqlite();
    let store = place.open().await;
    let mut write = store.write("local").await.unwrap();
    let url = format!("http://127.0.0.1:{port}/watches.json");
    let at = jiff::Timestamp::now();
    write
        .add_feed(&NewFeed {
            id: "f",
            url: Some(&url),
            format: Format::JsonFeed,
            every_s: Some(900),
            defaults: None,
            at,
        })
        .await
        .unwrap();
    write.commit().await.unwrap();
    store.close().await;
    let elsewhere = format!("127.0.0.1:{}", port.wrapping_add(1).max(1));
    let service = Served::with(&[place.variable(), ("STEELYARD_FEED_EXCEPTIONS", &elsewhere)]);
    for host in
        ["127.0.0.1", "localhost", "0x7f.1", "2130706433", "[::1]", "[::ffff:127.0.0.1]", "10.0.0.1", "box.local"]
    {
        let body = feed_of(&format!("http://{host}:{port}/watches.json"));
        let problem = post(&service, "/v1/feeds", &body, &[]).await.problem(422);
        assert_eq!(problem["errors"][0]["pointer"], "/url", "{host}: {problem}");
        assert!(problem["errors"][0]["detail"].as_str().unwrap().contains("STEELYARD_FEED_EXCEPTIONS"), "{problem}");
    }
    let seen = until("the poll", async || {
        Some(get(&service, "/v1/feeds/f").await).filter(|feed| !feed["last_polled_at"].is_null())
    })
    .await;
    assert!(seen["last_error"].as_str().unwrap().contains("no public address"), "{seen}");
    assert_eq!(polled(&service, "/v1/feeds/f").await["result"], "failed");
    assert_eq!(listener.accept().unwrap_err().kind(), std::io::ErrorKind::WouldBlock, "somebody connected");
}

#[tokio::test]
async fn a_forgotten_seller_is_forgotten_by_its_feed_and_what_the_user_changed_stays() {
    let (place, server) = (Place::sqlite(), MockServer::start().await);
    let exception = server.address().to_string();
    let environment = [place.variable(), ("STEELYARD_FEED_EXCEPTIONS", &exception), ("STEELYARD_POLL_FEEDS", "false")];
    let service = Served::with(&environment);
    let (feed, id) = saved(&service, &server).await;
    let mut offered = item("1", "A", "640.00");
    offered["_steelyard"]["seller"] = json!({ "id": "s-unforgettable", "segment": "open_marketplace" });
    let mut bad = item("2", "B", "1.00");
    bad["_steelyard"]["seller"] = json!({ "s-unforgettable": 1 });
    says(&server, answer(document(&[offered, bad]))).await;
    assert_eq!(counts(&polled(&service, &feed).await["items"]), [1, 0, 0, 1]);
    assert_eq!(Reply::to(service.request("DELETE", "/v1/sellers/s-unforgettable")).await.status, 204);
    assert!(!get(&service, &feed).await.to_string().contains("unforgettable"));
    let kept = place.open().await.feed_item("local", &id, "1").await.unwrap().unwrap();
    assert!(!kept.request.contains("unforgettable") && kept.request.contains("open_marketplace"), "{}", kept.request);
    assert!(!get(&service, &format!("/v1/listings/{id}:1")).await.to_string().contains("unforgettable"));
    // It comes back when the feed says something new of it, not before.
    assert_eq!(counts(&polled(&service, &feed).await["items"]), [0, 0, 1, 1]);
    assert!(!get(&service, &format!("/v1/listings/{id}:1")).await.to_string().contains("unforgettable"));
}

// --- Processes ---------------------------------------------------------------------------

#[tokio::test]
async fn a_poll_that_hangs_does_not_keep_the_service_from_stopping() {
    let server = MockServer::start().await;
    says(&server, answer(document(&[])).set_delay(Duration::from_secs(25))).await;
    let mut service = Served::with(&[("STEELYARD_FEED_EXCEPTIONS", &server.address().to_string())]);
    let (feed, _) = saved(&service, &server).await;
    // A feed that is being polled is not polled twice at once.
    until("the poll", async || {
        let asked = server.received_requests().await.unwrap().len();
        (asked == 1).then_some(())
    })
    .await;
    let busy = Reply::to(service.request("POST", &format!("{feed}/poll"))).await.problem(409);
    assert_eq!(busy["type"], "/problems/in-progress");
    service.terminate();
    let ended = service.ended_within(Duration::from_secs(8)).expect("it does not stop");
    assert_eq!(ended.code(), Some(0));
}

#[tokio::test]
async fn an_exception_that_is_none_is_named_at_the_start() {
    let data = tempfile::tempdir().unwrap();
    let mut command = support::steelyard();
    command.args(["serve", "--listen", "127.0.0.1:0"]).env("STEELYARD_DATA", data.path());
    let output = command.env("STEELYARD_FEED_EXCEPTIONS", "127.0.0.1:9000,nowhere").output().unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.contains("STEELYARD_FEED_EXCEPTIONS") && said.contains("`nowhere`"), "{said}");
}

//! `POST /v1/bids`: which auctions to bid on with the cash at hand. The choice itself is held against
//! a general solver in `bids.py`, against every subset in the tests of the model.

mod support;

use serde_json::{Value, json};
use std::collections::BTreeSet;
use support::{Reply, Served};

fn money(amount: &str, currency: &str) -> Value {
    json!({ "amount": amount, "currency": currency })
}

fn eur(amount: &str) -> Value {
    money(amount, "EUR")
}

fn auction(price: &str) -> Value {
    json!({
        "offer": { "kind": "auction", "price": eur(price), "fixed_costs": eur("100.00"), "buyer_fee_rate": 0.2 },
        "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } },
        "aim": { "required_margin": 0.1 },
        "observations": [],
    })
}

async fn save(service: &Served, id: &str, body: Value) -> Value {
    let request = service.request("PUT", &format!("/v1/listings/{id}")).header("content-type", "application/json");
    let reply = Reply::to(request.body(body.to_string())).await;
    assert!(reply.status.is_success(), "{}", reply.text());
    reply.json()
}

async fn ask(service: &Served, body: &Value) -> Reply {
    Reply::to(service.post("/v1/bids", body.to_string())).await
}

fn on(id: &str, price: &str) -> Value {
    json!({ "id": id, "expected_price": eur(price) })
}

fn number(money: &Value) -> f64 {
    money["amount"].as_str().unwrap().parse().unwrap()
}

fn pointers(problem: &Value) -> BTreeSet<String> {
    problem["errors"].as_array().unwrap().iter().map(|e| e["pointer"].as_str().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn a_bid_is_what_an_assessment_says_at_that_price() {
    let service = Served::start();
    let saved = save(&service, "a", auction("150.00")).await;
    let bids = ask(&service, &json!({ "budget": eur("5000.00"), "listings": [on("a", "200.00")] })).await.json();
    let weighed = &bids["listings"][0];
    let walk_away = &saved["assessment"]["decision"]["walk_away_price"];
    assert_eq!(&weighed["walk_away_price"], walk_away);
    // The price of an auction is no evidence: at another one everything else stays as it is.
    let assessed = |price: Value| {
        let mut request = auction("0.00");
        request["offer"]["price"] = price;
        let request = service.post("/v1/assess", request.to_string());
        async { Reply::to(request).await.json()["decision"].clone() }
    };
    assert_eq!(weighed["expected_net"], assessed(eur("200.00")).await["expected_net"]);
    assert_eq!(weighed["stake"], assessed(walk_away.clone()).await["landed_cost"]);
    assert_eq!(bids["choose"], json!(["a"]));
    assert_eq!((&bids["expected_net"], &bids["bound"]), (&weighed["expected_net"], &weighed["expected_net"]));
    assert!((number(&bids["left"]) - (5000.0 - number(&weighed["stake"]))).abs() < 1e-9);
    assert_eq!(weighed.get("left_out"), None);
    let again = Reply::to(service.get("/v1/listings/a")).await.json();
    assert_eq!(again, saved, "nothing is stored");
}

/// The asking price says something of the watch whatever is paid in the end.
#[tokio::test]
async fn the_asking_price_of_a_fixed_offer_stays_evidence() {
    let service = Served::start();
    let mut fixed = auction("300.00");
    fixed["offer"]["kind"] = json!("negotiable");
    let saved = save(&service, "f", fixed).await;
    let bids = |price: &'static str| {
        let body = json!({ "budget": eur("5000.00"), "listings": [on("f", price)] });
        let service = &service;
        async move { ask(service, &body).await.json()["listings"][0].clone() }
    };
    let decision = &saved["assessment"]["decision"];
    let at_ask = bids("300.00").await;
    assert_eq!(
        (&at_ask["expected_net"], &at_ask["walk_away_price"]),
        (&decision["expected_net"], &decision["walk_away_price"])
    );
    let lower = bids("200.00").await;
    assert_eq!(lower["walk_away_price"], decision["walk_away_price"]);
    // Without a right of return the net falls by what the landed cost falls: 100 with the fee of 20 %.
    assert!((number(&lower["expected_net"]) - number(&at_ask["expected_net"]) - 120.0).abs() < 0.011);
}

#[tokio::test]
async fn what_is_left_out_says_why() {
    let service = Served::start();
    for id in ["good", "dear", "other", "ended", "past"] {
        let mut body = auction("100.00");
        if id == "ended" {
            body["status"] = json!("ended");
        }
        if id == "past" {
            body["offer"]["ends_at"] = json!("2020-01-01T00:00:00Z");
        }
        save(&service, id, body).await;
    }
    let mut poor = auction("1.00");
    poor["offer"]["fixed_costs"] = eur("5000.00");
    save(&service, "poor", poor).await;
    let mut large = auction("100.00");
    large["value"] = json!({ "all_original": { "low": eur("60000.00"), "high": eur("90000.00") } });
    save(&service, "large", large).await;
    let names = ["good", "dear", "other", "ended", "past", "poor", "large"];
    let prices = ["100.00", "100000.00", "101.00", "1.00", "1.00", "0.00", "100.00"];
    let listings: Vec<Value> = names.iter().zip(prices).map(|(n, p)| on(n, p)).collect();
    let body = json!({ "budget": eur("1000.00"), "listings": listings, "at_most_one": [["good", "other"], ["other", "dear"]] });
    let bids = ask(&service, &body).await.json();
    let why: Vec<&str> =
        bids["listings"].as_array().unwrap().iter().map(|l| l["left_out"].as_str().unwrap_or("")).collect();
    assert_eq!(why, ["", "above_walk_away", "others_better", "ended", "ended", "no_gain", "over_budget"]);
    assert_eq!(bids["choose"], json!(["good"]));
    let none = ask(&service, &json!({ "budget": eur("0.00"), "listings": [] })).await.json();
    assert_eq!((&none["choose"], &none["expected_net"], &none["left"]), (&json!([]), &eur("0.00"), &eur("0.00")));
}

#[tokio::test]
async fn every_fault_is_named_at_once() {
    let service = Served::start();
    save(&service, "a", auction("100.00")).await;
    let mut pounds = auction("100.00").to_string();
    pounds = pounds.replace("EUR", "GBP");
    save(&service, "p", serde_json::from_str(&pounds).unwrap()).await;
    save(&service, "worthless", json!({ "observations": [] })).await;
    let good = json!({ "budget": eur("1000.00"), "listings": [on("a", "100.00")] });
    assert_eq!(ask(&service, &good).await.status, 200);
    let with = |pointer: &str, value: Value| {
        let mut body = good.clone();
        let (parent, name) = pointer.rsplit_once('/').unwrap();
        body.pointer_mut(parent).unwrap()[name] = value;
        body
    };
    let cases: Vec<(Value, &[&str])> = vec![
        (json!({}), &["/budget", "/listings"]),
        (with("/budget", eur("-1.00")), &["/budget/amount"]),
        (with("/budget", eur("1.001")), &["/budget/amount"]),
        (with("/budget", money("1.00", "XQQ")), &["/budget/currency"]),
        (with("/budget", money("1000.00", "GBP")), &["/listings/0/expected_price/currency", "/listings/0/id"]),
        (with("/listings", json!([on("nobody", "1.00")])), &["/listings/0/id"]),
        (with("/listings", json!([on("worthless", "1.00")])), &["/listings/0/id"]),
        (with("/listings", json!([on("p", "1.00")])), &["/listings/0/id"]),
        (with("/listings", json!([on("a", "1.00"), on("a", "2.00")])), &["/listings/1/id"]),
        (with("/listings", json!([{ "id": "a" }])), &["/listings/0/expected_price"]),
        (
            with("/listings", json!([{ "id": "a", "expected_price": money("1.00", "GBP") }])),
            &["/listings/0/expected_price/currency"],
        ),
        (with("/listings", json!([null])), &["/listings/0"]),
        (with("/listings", json!([{ "id": "", "expected_price": eur("1.00") }])), &["/listings/0/id"]),
        (with("/listings", json!([{ "id": "a\u{0}", "expected_price": eur("1.00") }])), &["/listings/0/id"]),
        (with("/listings", json!(vec![on("a", "1.00"); 201])), &["/listings"]),
        (with("/at_most_one", json!([["a", "b"], ["a", "a"]])), &["/at_most_one/0/1", "/at_most_one/1/1"]),
        (with("/at_most_one", json!([["a", 3]])), &["/at_most_one/0/1"]),
        (with("/at_most_one", json!(["a"])), &["/at_most_one/0"]),
        (with("/at_most_one", json!(vec![json!([]); 201])), &["/at_most_one"]),
        (with("/cash", json!(1)), &["/cash"]),
        (
            json!({ "budget": eur("1.00"), "cash": 1, "listings": [on("nobody", "1.00"), { "id": "a" }], "at_most_one": [["x"]] }),
            &["/cash", "/listings/0/id", "/listings/1/expected_price"],
        ),
    ];
    for (body, wanted) in cases {
        let problem = ask(&service, &body).await.problem(422);
        assert_eq!(pointers(&problem), wanted.iter().map(|w| (*w).to_owned()).collect(), "{body}: {problem}");
    }
    ask(&service, &json!([])).await.problem(422);
    Reply::to(service.post("/v1/bids", "{\"budget\":")).await.problem(400);
    Reply::to(service.get("/v1/bids")).await.problem(405);
}

/// Many auctions alike, tied in every way the caller can: an answer comes, and it is bounded.
#[tokio::test]
async fn a_hundred_tangled_auctions_are_answered() {
    let service = Served::start();
    let mut listings = Vec::new();
    for i in 0..100 {
        let id = format!("lot-{i}");
        save(&service, &id, auction(&format!("{}.00", 50 + i))).await;
        listings.push(on(&id, &format!("{}.{:02}", 50 + i, 7 * i % 100)));
    }
    let groups: Vec<Vec<String>> = (0..100)
        .map(|g| (0..100).filter(|i| (i * 31 + g * 17) % 41 < 3).map(|i| format!("lot-{i}")).collect())
        .collect();
    let body = json!({ "budget": eur("9000.00"), "listings": listings, "at_most_one": groups });
    let bids = ask(&service, &body).await.json();
    let chosen: Vec<&str> = bids["choose"].as_array().unwrap().iter().map(|c| c.as_str().unwrap()).collect();
    assert!(!chosen.is_empty());
    assert!(groups.iter().all(|g| g.iter().filter(|id| chosen.contains(&id.as_str())).count() <= 1));
    let taken = bids["listings"].as_array().unwrap().iter().filter(|l| chosen.contains(&l["id"].as_str().unwrap()));
    let (stake, net) = taken.fold((0.0, 0.0), |(s, n), l| (s + number(&l["stake"]), n + number(&l["expected_net"])));
    assert!(stake <= 9000.0 && (number(&bids["left"]) - (9000.0 - stake)).abs() < 1e-6);
    assert!((number(&bids["expected_net"]) - net).abs() < 1e-6);
    assert!(number(&bids["bound"]) >= number(&bids["expected_net"]));
}

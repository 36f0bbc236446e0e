//! What happens at once: whoever writes meanwhile, what is stored agrees with what is in force, and what was
//! told with what became of it.

#[macro_use]
mod support;

use futures_util::future::join_all;
use serde_json::{Value, json};
use steelyard::memory::ACCOUNT;
use steelyard::store::NewModel;
use steelyard_model::pack::Pack;
use support::place::Place;
use support::{Reply, Served};

on_both!(
    a_listing_saved_while_the_book_changes_is_assessed_with_the_book_as_it_is_then,
    a_listing_saved_while_another_model_comes_into_force_is_assessed_with_that,
    changes_of_advice_follow_one_from_the_other_whoever_writes_at_once,
);

async fn put(service: &Served, path: &str, body: &Value) -> Reply {
    let request = service.request("PUT", path).header("content-type", "application/json");
    let reply = Reply::to(request.body(body.to_string())).await;
    assert!(reply.status.is_success(), "{path}: {}", reply.text());
    reply
}

async fn saved(service: &Served, id: &str) -> Value {
    let reply = Reply::to(service.get(&format!("/v1/listings/{id}"))).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    reply.json()["assessment"].clone()
}

async fn a_listing_saved_while_the_book_changes_is_assessed_with_the_book_as_it_is_then(place: &Place) {
    let service = Served::at(place);
    let listing = |i: usize, seller: bool| {
        let mut body = json!({
            "watch": { "maker": "Halvorne", "reference": format!("H {i}"), "facts": { "calibre": "71" } },
            "observations": [],
        });
        if seller {
            body["seller"] = json!({ "id": format!("s-{i}") });
        }
        body
    };
    let mut stale = Vec::new();
    for i in 0..12 {
        let (id, body) = (format!("l-{i}"), listing(i, i % 2 == 0));
        let (path, entry) = (format!("/v1/references/Halvorne/H%20{i}"), json!({ "calibres": ["85 C"] }));
        let listings = format!("/v1/listings/{id}");
        let _ = tokio::join!(put(&service, &listings, &body), put(&service, &path, &entry));
        let mut named = body.clone();
        named["id"] = json!(id);
        let anew = Reply::to(service.post("/v1/assess", named.to_string())).await.json();
        let kept = saved(&service, &id).await;
        if kept["probability"] != anew["probability"] {
            stale.push(id);
        }
    }
    assert!(stale.is_empty(), "assessed with a book that was no more: {stale:?}");
}

async fn a_listing_saved_while_another_model_comes_into_force_is_assessed_with_that(place: &Place) {
    let service = Served::at(place);
    put(&service, "/v1/listings/first", &json!({ "observations": [] })).await;
    let base = Pack::builtin();
    let mut data = base.data().clone();
    data.version = "another".into();
    let other = Pack::from_data(data).unwrap();
    let body = serde_json::to_string(other.data()).unwrap();
    let mut write = place.open().await.write(ACCOUNT).await.unwrap();
    let (digest, created_at) = (other.digest(), jiff::Timestamp::UNIX_EPOCH);
    let model = NewModel { version: "another", digest, body: &body, calibration: Some("c"), created_at };
    write.put_model(&model).await.unwrap();
    write.commit().await.unwrap();
    let mut stale = Vec::new();
    for round in 0..8 {
        let version = if round % 2 == 0 { "another" } else { base.data().version.as_str() };
        let activated =
            Reply::to(service.request("POST", &format!("/v1/models/{}/activate", version.replace('+', "%2B"))));
        let ids: Vec<String> = (0..4).map(|k| format!("m-{round}-{k}")).collect();
        let saves = ids.iter().map(async |id| {
            put(&service, &format!("/v1/listings/{id}"), &json!({ "observations": [] })).await;
        });
        let (activated, _) = tokio::join!(activated, join_all(saves));
        assert_eq!(activated.status, 200, "{}", activated.text());
        for id in ids {
            if saved(&service, &id).await["model"]["version"] != version {
                stale.push(id);
            }
        }
    }
    assert!(stale.is_empty(), "assessed with a model no longer in force: {stale:?}");
}

async fn changes_of_advice_follow_one_from_the_other_whoever_writes_at_once(place: &Place) {
    let service = Served::at(place);
    let listing = |price: &str| {
        let eur = |amount: &str| json!({ "amount": amount, "currency": "EUR" });
        json!({
            "observations": [],
            "offer": { "price": eur(price) },
            "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } },
        })
    };
    put(&service, "/v1/listings/x", &listing("100.00")).await;
    let first = saved(&service, "x").await["decision"]["advice"].clone();
    for _ in 0..6 {
        let bodies = ["5000.00", "100.00", "5000.00", "100.00"].map(listing);
        join_all(bodies.iter().map(|body| put(&service, "/v1/listings/x", body))).await;
    }
    let last = saved(&service, "x").await["decision"]["advice"].clone();
    let told = place.open().await.changes_after(ACCOUNT, 0, 100).await.unwrap();
    let told: Vec<Value> = told.iter().map(|c| serde_json::from_str(&c.data).unwrap()).collect();
    assert!(!told.is_empty(), "nothing was told: the prices make no difference");
    let mut advice = first;
    for change in &told {
        assert_eq!(change["before"]["advice"], advice, "{told:#?}");
        advice = change["after"]["advice"].clone();
    }
    assert_eq!(advice, last, "{told:#?}");
}

//! Watches that came back: what was said of them before stands beside.

mod support;

use serde_json::{Value, json};
use support::{Reply, Served};

async fn send(service: &Served, method: &str, path: &str, body: &Value, headers: &[(&str, &str)]) -> Reply {
    let mut request = service.request(method, path).header("content-type", "application/json").body(body.to_string());
    for (name, value) in headers {
        request = request.header(*name, *value);
    }
    Reply::to(request).await
}

async fn save(service: &Served, id: &str, body: &Value) -> Reply {
    let reply = send(service, "PUT", &format!("/v1/listings/{id}"), body, &[]).await;
    assert!(reply.status.is_success(), "{}", reply.text());
    reply
}

async fn get(service: &Served, id: &str) -> Reply {
    Reply::to(service.get(&format!("/v1/listings/{id}"))).await
}

fn offered(title: &str, price: &str, digest: Option<&str>, serial: Option<&str>) -> Value {
    let eur = |amount: &str| json!({ "amount": amount, "currency": "EUR" });
    let mut body = json!({
        "title": title,
        "offer": { "price": eur(price) },
        "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } },
        "observations": [],
    });
    if let Some(digest) = digest {
        body["photos"] = json!([{ "id": "p1", "digest": digest }]);
    }
    if let Some(serial) = serial {
        body["watch"] = json!({ "facts": { "serial": serial } });
    }
    body
}

fn ids(earlier: &Value) -> Vec<&str> {
    earlier.as_array().unwrap().iter().map(|e| e["id"].as_str().unwrap()).collect()
}

#[tokio::test]
async fn a_watch_that_came_back_shows_what_was_said_before() {
    let service = Served::start();
    let mut first = offered("All original, one owner", "640.00", None, Some("204517"));
    first["description"] = json!("ß".repeat(1000));
    let first = {
        first["status"] = json!("bought");
        save(&service, "first", &first).await.json()
    };
    let found =
        json!({ "listing": "first", "story": "refinished", "how": "opened", "found_at": "2026-08-20T09:00:00Z" });
    assert_eq!(send(&service, "POST", "/v1/outcomes", &found, &[]).await.status, 201);
    let later = json!({ "listing": "first", "story": "composite", "how": "dial_removed", "certainty": 0.9,
                        "found_at": "2026-08-21T09:00:00Z" });
    assert_eq!(send(&service, "POST", "/v1/outcomes", &later, &[]).await.status, 201);
    let back = save(&service, "back", &offered("A family piece", "455.00", None, Some("204517"))).await.json();
    assert_eq!((&back["same_as"], ids(&back["earlier"])), (&json!(["first"]), vec!["first"]));
    let earlier = &back["earlier"][0];
    let decision = &first["assessment"]["decision"];
    assert_eq!((&earlier["status"], &earlier["title"]), (&json!("bought"), &json!("All original, one owner")));
    assert_eq!(earlier["price"], json!({ "amount": "640.00", "currency": "EUR" }));
    assert_eq!(earlier["description"].as_str().unwrap().chars().count(), 280);
    assert_eq!((&earlier["saved_at"], &earlier["updated_at"]), (&first["saved_at"], &first["updated_at"]));
    assert_eq!((&earlier["advice"], &earlier["walk_away_price"]), (&decision["advice"], &decision["walk_away_price"]));
    assert_eq!(earlier["bad"], first["assessment"]["probability"]["bad"]);
    let outcome =
        json!({ "story": "composite", "certainty": 0.9, "how": "dial_removed", "found_at": "2026-08-21T09:00:00Z" });
    assert_eq!(earlier["outcome"], outcome, "the one that stands");
    // The first knows of its successor, but nothing came before it.
    let first = get(&service, "first").await.json();
    assert_eq!((&first["same_as"], &first["earlier"]), (&json!(["back"]), &json!([])));
    // A list says the same of each.
    let list = Reply::to(service.get("/v1/listings?sort=saved_at")).await.json();
    assert_eq!(list["items"], json!([first, get(&service, "back").await.json()]));
}

/// It is shown and not counted: the assessment is that of the listing alone.
#[tokio::test]
async fn the_history_of_a_watch_is_not_counted() {
    let service = Served::start();
    let body = offered("A family piece", "455.00", Some("d1"), None);
    let alone = save(&service, "x", &body).await.json()["assessment"]["probability"].clone();
    save(&service, "y", &body).await;
    send(&service, "POST", "/v1/outcomes", &json!({ "listing": "x", "story": "fake" }), &[]).await;
    let beside = save(&service, "z", &body).await.json();
    assert_eq!(beside["assessment"]["probability"], alone);
    assert_eq!(ids(&beside["earlier"]), ["y", "x"]);
}

#[tokio::test]
async fn the_newest_five_are_shown_newest_first() {
    let service = Served::start();
    for i in 0..8 {
        save(&service, &format!("n{i}"), &offered("Again", "455.00", Some("stock"), None)).await;
    }
    let last = get(&service, "n7").await.json();
    assert_eq!(ids(&last["earlier"]), ["n6", "n5", "n4", "n3", "n2"]);
    assert_eq!(last["same_as"].as_array().unwrap().len(), 7);
    assert_eq!(ids(&get(&service, "n1").await.json()["earlier"]), ["n0"]);
    let page = Reply::to(service.get("/v1/listings?sort=saved_at&limit=3")).await.json();
    assert_eq!(ids(&page["items"][2]["earlier"]), ["n1", "n0"], "the others need not be on the page");
}

/// RFC 9110, 8.8.3: a strong tag changes whenever what is served does.
#[tokio::test]
async fn the_tag_changes_with_what_is_shown() {
    let service = Served::start();
    let body = offered("A family piece", "455.00", Some("d1"), None);
    let mut tags = vec![save(&service, "x", &body).await.header("etag").unwrap().to_owned()];
    let path = "/v1/listings/x";
    let mut changed = async |what: &str| {
        let old = tags.last().unwrap().clone();
        let reply = send(&service, "GET", path, &Value::Null, &[("if-none-match", &old)]).await;
        assert_eq!(reply.status, 200, "{what}");
        let new = reply.header("etag").unwrap().to_owned();
        let again = send(&service, "GET", path, &Value::Null, &[("if-none-match", &new)]).await;
        assert_eq!(again.status, 304, "{what}");
        assert!(!tags.contains(&new), "{what}");
        tags.push(new);
    };
    save(&service, "w", &body).await;
    changed("another listing of the watch").await;
    save(&service, "x", &body).await;
    changed("put anew").await;
    // As of now x was first saved before w; one that came before shows more of it.
    let mut other = body.clone();
    other["title"] = json!("Sold");
    save(&service, "w", &other).await;
    let reply = send(&service, "GET", "/v1/listings/w", &Value::Null, &[]).await;
    let tag = reply.header("etag").unwrap().to_owned();
    send(&service, "POST", "/v1/outcomes", &json!({ "listing": "x", "story": "fake" }), &[]).await;
    let reply = send(&service, "GET", "/v1/listings/w", &Value::Null, &[("if-none-match", &tag)]).await;
    assert_eq!(reply.status, 200, "an outcome of the earlier listing");
    assert_eq!(reply.json()["earlier"][0]["outcome"]["story"], "fake");
    // A write compares the revision: it holds whatever became of the other listings.
    let fresh = reply.header("etag").unwrap().to_owned();
    for (tag, status) in [(tag.as_str(), 200), (fresh.as_str(), 412), ("\"0\"", 412), ("\"x-y\"", 412)] {
        let reply = send(&service, "PUT", "/v1/listings/w", &body, &[("if-match", tag)]).await;
        assert_eq!(reply.status, status, "{tag}: {}", reply.text());
    }
    let now = get(&service, "w").await.header("etag").unwrap().to_owned();
    assert_eq!(send(&service, "DELETE", "/v1/listings/w", &Value::Null, &[("if-match", &tag)]).await.status, 412);
    assert_eq!(send(&service, "DELETE", "/v1/listings/w", &Value::Null, &[("if-match", &now)]).await.status, 204);
}

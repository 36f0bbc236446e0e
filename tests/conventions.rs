//! How stored things are asked for and answered: conditions, caches, names, limits, and what is
//! left of somebody who is forgotten.

#[macro_use]
mod support;

use serde_json::{Value, json};
use std::path::Path;
use support::place::Place;
use support::{Reply, Served};

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
    let reply = send(service, "PUT", path, &body, &[]).await;
    assert!(reply.status.is_success(), "{}", reply.text());
    reply
}

async fn get(service: &Served, path: &str, headers: &[(&str, &str)]) -> Reply {
    send(service, "GET", path, &Value::Null, headers).await
}

/// Things with tags of their own, and a body for each.
fn things() -> [(&'static str, Value); 4] {
    [
        ("/v1/listings/lot-1", json!({ "observations": [] })),
        ("/v1/sellers/s-17", json!({ "note": "n" })),
        ("/v1/references/Halvorne/H%202217", json!({ "years": [1950, 1960] })),
        ("/v1/calibres/Halvorne/71", json!({ "jewels": [17] })),
    ]
}

on_both!(
    conditions_take_lists_and_weak_tags_as_rfc_9110_says,
    what_is_the_callers_own_is_kept_by_no_cache,
    names_in_bodies_are_held_to_what_paths_take,
    a_limit_is_coerced_or_refused_for_what_it_is,
    forgetting_a_seller_leaves_its_name_nowhere_and_does_nothing_twice,
);

/// RFC 9110, sections 13.1.1, 13.1.2 and 13.2.2.
async fn conditions_take_lists_and_weak_tags_as_rfc_9110_says(place: &Place) {
    let service = Served::at(place);
    for (path, body) in things() {
        let tag = put(&service, path, body.clone()).await.header("etag").unwrap().to_owned();
        let weak = format!("W/{tag}");
        let list = format!("\"x\", \"a,b\", {tag}");
        let with = async |method: &str, name: &str, value: &str| {
            let body = if method == "PUT" { body.clone() } else { Value::Null };
            send(&service, method, path, &body, &[(name, value)]).await
        };
        for refused in [weak.as_str(), "\"x\"", "\"x\", \"y\"", "x", ""] {
            with("PUT", "if-match", refused).await.problem(412);
            with("DELETE", "if-match", refused).await.problem(412);
        }
        for has in [tag.as_str(), &weak, &list, "*", &format!("W/\"x\" , {weak}")] {
            with("PUT", "if-none-match", has).await.problem(412);
            let known = with("GET", "if-none-match", has).await;
            assert_eq!((known.status.as_u16(), known.body.len()), (304, 0), "{path} {has}");
            assert_eq!(known.header("etag"), Some(tag.as_str()));
        }
        assert_eq!(with("GET", "if-none-match", "\"x\", W/\"y\"").await.status, 200);
        // Both must hold.
        let both = [("if-match", tag.as_str()), ("if-none-match", &list)];
        send(&service, "PUT", path, &body, &both).await.problem(412);
        let after = with("PUT", "if-match", &list).await;
        assert_eq!(after.status, 200, "{path}: {}", after.text());
        // The tag before is no longer its own.
        with("PUT", "if-match", &tag).await.problem(412);
        let after = with("PUT", "if-none-match", &tag).await;
        assert_eq!(after.status, 200, "{path}: {}", after.text());
        let tag = after.header("etag").unwrap().to_owned();
        assert_eq!(with("DELETE", "if-match", &format!("\"x\", {tag}")).await.status, 204);
        with("PUT", "if-match", &tag).await.problem(412);
        assert_eq!(with("PUT", "if-none-match", &tag).await.status, 201);
    }
}

async fn what_is_the_callers_own_is_kept_by_no_cache(place: &Place) {
    let service = Served::at(place);
    for (path, body) in things() {
        let made = put(&service, path, body).await;
        assert_eq!(made.header("cache-control"), Some("no-store"), "PUT {path}");
        let tag = made.header("etag").unwrap();
        for headers in [&[][..], &[("if-none-match", tag)]] {
            assert_eq!(get(&service, path, headers).await.header("cache-control"), Some("no-store"), "{path}");
        }
    }
    let found = json!({ "listing": "lot-1", "story": "fake" });
    let kept = send(&service, "POST", "/v1/outcomes", &found, &[("idempotency-key", "k")]).await;
    assert_eq!(kept.header("cache-control"), Some("no-store"));
    let outcome = kept.header("location").unwrap();
    for path in [
        outcome,
        "/v1/listings",
        "/v1/listings/lot-1/assessments",
        "/v1/listings/lot-1/evidence.svg",
        "/v1/listings/none",
        "/v1/listings?limit=0",
        "/v1/sellers",
        "/v1/outcomes",
        "/v1/references",
        "/v1/calibres",
        "/v1/calibrations",
        "/v1/models",
    ] {
        assert_eq!(get(&service, path, &[]).await.header("cache-control"), Some("no-store"), "{path}");
    }
    // The same for all who ask: kept, and asked for again.
    for path in ["/v1/model", "/v1/signs", "/v1/signs?views=dial_straight", "/openapi.json"] {
        let reply = get(&service, path, &[]).await;
        assert_eq!(reply.header("cache-control"), Some("no-cache"), "{path}");
        let list = format!("\"x\", W/{}", reply.header("etag").unwrap());
        assert_eq!(get(&service, path, &[("if-none-match", &list)]).await.status, 304, "{path}");
    }
}

async fn names_in_bodies_are_held_to_what_paths_take(place: &Place) {
    let service = Served::at(place);
    let long = "x".repeat(201);
    for name in ["", "\u{0}", "a\nb", "\u{7f}", "\u{9f}", &long] {
        let photo = json!({ "id": name, "view": "dial_straight" });
        let body = json!({ "id": name, "seller": { "id": name }, "photos": [photo], "observations": [] });
        let reply = send(&service, "POST", "/v1/assess", &body, &[]).await;
        let problem = reply.problem(422);
        let at: Vec<&str> =
            problem["errors"].as_array().unwrap().iter().map(|e| e["pointer"].as_str().unwrap()).collect();
        assert!(["/id", "/photos/0/id", "/seller/id"].iter().all(|p| at.contains(p)) && at.len() == 3, "{problem}");
        let body = json!({ "seller": { "id": name }, "observations": [] });
        send(&service, "PUT", "/v1/listings/a", &body, &[]).await.problem(422);
        let body = json!({ "listing": name, "story": "fake" });
        let problem = send(&service, "POST", "/v1/outcomes", &body, &[]).await.problem(422);
        assert_eq!((&problem["errors"][0]["pointer"], &problem["errors"][1]), (&json!("/listing"), &Value::Null));
    }
    let longest = "ü".repeat(200);
    let body = json!({ "seller": { "id": longest }, "observations": [] });
    put(&service, "/v1/listings/a", body).await;
    put(&service, &format!("/v1/sellers/{}", "%C3%BC".repeat(200)), json!({})).await;
    // Nothing there is no serial in common.
    for id in ["b", "c"] {
        let body = json!({
            "watch": { "facts": { "serial": "" } }, "photos": [{ "id": "p", "digest": " " }], "observations": [],
        });
        let saved = put(&service, &format!("/v1/listings/{id}"), body).await.json();
        assert_eq!(saved["same_as"], json!([]));
    }
    // What is no object is one fault.
    let file = "[]\n{\"listing\":\"a\",\"story\":\"fake\"}\n3\n";
    let request =
        service.request("POST", "/v1/outcomes/import").header("content-type", "application/x-ndjson").body(file);
    let answer = Reply::to(request).await.json();
    assert_eq!(answer["accepted"], 1);
    for (refused, line) in answer["refused"].as_array().unwrap().iter().zip([1, 3]) {
        assert_eq!(refused["line"], line);
        let detail = refused["detail"].as_str().unwrap();
        assert!(detail.contains("object") && !detail.contains("story") && !detail.contains(';'), "{detail}");
    }
}

async fn a_limit_is_coerced_or_refused_for_what_it_is(place: &Place) {
    let service = Served::at(place);
    for list in
        ["listings", "listings/lot-1/assessments", "sellers", "outcomes", "references", "calibres", "calibrations"]
    {
        put(&service, "/v1/listings/lot-1", json!({ "observations": [] })).await;
        for most in ["201", "9223372036854775808", "99999999999999999999999999999"] {
            assert_eq!(get(&service, &format!("/v1/{list}?limit={most}"), &[]).await.status, 200, "{list} {most}");
        }
        for none in ["0", "-1", "-9223372036854775809", "1.5", "1e3", "", "many", "%00"] {
            let problem = get(&service, &format!("/v1/{list}?limit={none}"), &[]).await.problem(400);
            assert_eq!(
                (&problem["type"], &problem["title"]),
                (&json!("/problems/malformed"), &json!("The request cannot be read"))
            );
            assert!(problem["detail"].as_str().unwrap().contains("`limit`"), "{problem}");
        }
    }
}

/// Whether any file of a folder holds these bytes.
fn holds(folder: &Path, bytes: &[u8]) -> bool {
    let files = std::fs::read_dir(folder).unwrap().map(|f| std::fs::read(f.unwrap().path()).unwrap());
    files.into_iter().any(|file| file.windows(bytes.len()).any(|w| w == bytes))
}

async fn forgetting_a_seller_leaves_its_name_nowhere_and_does_nothing_twice(place: &Place) {
    let name = "Quillon-Farthingale";
    let service = Served::at(place);
    put(&service, &format!("/v1/sellers/{name}"), json!({ "note": "known as Quillon-Farthingale" })).await;
    for title in ["before", "now"] {
        for i in 0..5 {
            let body = json!({ "title": title, "seller": { "id": name }, "observations": [] });
            put(&service, &format!("/v1/listings/lot-{i}"), body).await;
        }
    }
    let key = [("idempotency-key", "k-1")];
    let found = json!({ "listing": "lot-1", "story": "fake" });
    let first = send(&service, "POST", "/v1/outcomes", &found, &key).await;
    assert_eq!((first.status.as_u16(), &first.json()["seller"]), (201, &json!(name)));
    assert_eq!(send(&service, "POST", "/v1/outcomes", &found, &key).await.json()["seller"], name);
    if let Place::Folder(folder) = place {
        assert!(holds(folder.path(), name.as_bytes()), "the search finds nothing at all");
    }

    assert_eq!(send(&service, "DELETE", &format!("/v1/sellers/{name}"), &Value::Null, &[]).await.status, 204);
    let again = send(&service, "POST", "/v1/outcomes", &found, &key).await;
    assert_eq!(again.problem(410)["type"], "/problems/answer-forgotten");
    assert!(!again.text().contains(name));
    assert_eq!(get(&service, "/v1/outcomes", &[]).await.json()["items"].as_array().unwrap().len(), 1);
    let past = get(&service, "/v1/listings/lot-1/assessments", &[]).await.text();
    assert!(past.contains("before") && !past.contains(name), "{past}");
    // The key is still the first request's.
    let other = json!({ "listing": "lot-2", "story": "fake" });
    let other = send(&service, "POST", "/v1/outcomes", &other, &key).await.problem(422);
    assert_eq!(other["type"], "/problems/idempotency-mismatch");
    if let Place::Folder(folder) = place {
        // In pages that are free as little as in the log.
        assert!(!holds(folder.path(), name.as_bytes()));
    }
}

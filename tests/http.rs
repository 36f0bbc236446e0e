//! What callers of the HTTP service are promised, asked of the binary over a real socket.

mod support;

use serde_json::{Value, json};
use sha2::{Digest as _, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use steelyard::app::App;
use steelyard::body::MOST_BYTES;
use steelyard::config::Config;
use steelyard::guard::Guard;
use steelyard::problem::KINDS;
use steelyard::{api, examples};
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;
use steelyard_model::shares::SUM_TOLERANCE_DB;
use support::{Reply, Served, run};
use tower::ServiceExt as _;

const ASSESS: &str = "/v1/assess";

/// What sums of a handful of probabilities, and their log-odds in decibans, are off by.
const ROUNDING: f64 = 1e-11;

fn fresh_dial() -> Vec<u8> {
    serde_json::to_vec(&examples::fresh_dial()).unwrap()
}

/// [`examples::fresh_dial`] with one member set.
fn fresh_dial_with(member: &str, value: Value) -> Vec<u8> {
    let mut body = serde_json::to_value(examples::fresh_dial()).unwrap();
    body[member] = value;
    serde_json::to_vec(&body).unwrap()
}

/// One request for every way in which an answer comes about.
async fn every_kind_of_answer(service: &Served) -> Vec<(String, Reply)> {
    let mut replies = Vec::new();
    for path in [
        "/v1/model",
        "/v1/signs",
        "/v1/signs?views=crown_close",
        "/v1/signs?views=attic",
        "/v1/signs?attic=1",
        "/openapi.json",
        "/docs",
        "/docs/",
        "/docs/no-such-file",
        "/healthz",
        "/readyz",
        "/problems/invalid",
        "/problems/no-such-problem",
        "/problems/",
        "/problems/%FF",
        "/problems/%00",
        "/v1/no-such-path",
        "/v1/model/",
        "/",
        "//",
        "/%2e%2e/etc",
    ] {
        replies.push((format!("GET {path}"), Reply::to(service.get(path)).await));
    }
    for (method, path) in
        [("DELETE", "/v1/model"), ("GET", ASSESS), ("PUT", ASSESS), ("POST", "/docs/"), ("POST", "/problems/invalid")]
    {
        replies.push((format!("{method} {path}"), Reply::to(service.request(method, path)).await));
    }
    let body = |bytes: &[u8]| service.post(ASSESS, bytes);
    for (what, request) in [
        ("an assessment", body(&fresh_dial())),
        ("half a document", body(b"{\"observations\": [")),
        ("an unknown member", body(b"{\"observations\": [], \"attic\": 1}")),
        ("a body too large", body(&vec![b' '; MOST_BYTES + 1]).header("connection", "close")),
        ("a form", service.request("POST", ASSESS).header("content-type", "application/x-www-form-urlencoded")),
        ("a foreign host", service.get("/healthz").header("host", "steelyard.example")),
        ("a foreign origin", body(&fresh_dial()).header("origin", "https://shop.example")),
    ] {
        replies.push((what.into(), Reply::to(request).await));
    }
    let tag = Reply::to(service.get("/v1/model")).await.header("etag").unwrap().to_owned();
    replies.push(("not modified".into(), Reply::to(service.get("/v1/model").header("if-none-match", tag)).await));
    replies
}

// --- Assessing ---------------------------------------------------------------------------

#[tokio::test]
async fn an_assessment_is_the_same_over_http_in_process_and_on_the_command_line() {
    let service = Served::start();
    let over_http = Reply::to(service.post(ASSESS, fresh_dial())).await;
    assert_eq!(over_http.status, 200, "{}", over_http.text());
    assert_eq!(over_http.header("content-type"), Some("application/json"));

    let in_process = App::new(Pack::builtin(), Book::default()).unwrap().assess(&fresh_dial()).unwrap();
    assert_eq!(over_http.text(), serde_json::to_string(&in_process).unwrap());

    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("listing.json");
    std::fs::write(&file, fresh_dial()).unwrap();
    let printed = run(&["assess".as_ref(), file.as_os_str()]);
    assert_eq!(printed.code, Some(0), "{}", printed.err);
    assert_eq!(printed.out, serde_json::to_string_pretty(&in_process).unwrap() + "\n");
}

#[tokio::test]
async fn the_weights_of_an_assessment_add_up_and_its_stories_are_a_distribution() {
    let service = Served::start();
    let answer = Reply::to(service.post(ASSESS, fresh_dial())).await.json();
    let number = |at: &str| answer.pointer(at).and_then(Value::as_f64).unwrap_or_else(|| panic!("{at}: {answer}"));
    let evidence = answer["evidence"].as_array().unwrap();
    assert_eq!(evidence.len(), examples::fresh_dial().observations.len());
    let shares: f64 = evidence.iter().map(|e| e["share_db"].as_f64().unwrap()).sum();
    let sum =
        number("/log_odds_db/prior") + number("/log_odds_db/price") + number("/log_odds_db/recalibration") + shares;
    assert!((sum - number("/log_odds_db/posterior")).abs() <= SUM_TOLERANCE_DB, "{sum} {answer}");
    let stories: f64 = answer["stories"].as_object().unwrap().values().map(|p| p.as_f64().unwrap()).sum();
    assert!((stories - 1.0).abs() < ROUNDING, "{stories}");
    let bad = number("/stories/composite") + number("/stories/fake");
    assert!((bad - number("/probability/bad")).abs() < ROUNDING, "{bad} {answer}");
    let log_odds = 10.0 * (bad / (1.0 - bad)).log10();
    assert!((log_odds - number("/log_odds_db/posterior")).abs() < ROUNDING, "{log_odds} {answer}");
}

#[tokio::test]
async fn every_subset_of_include_gives_its_parts_and_leaves_the_others_out() {
    const PARTS: [&str; 5] = ["components", "shares", "interval", "ask_next", "decision"];
    let service = Served::start();
    let full = Reply::to(service.post(ASSESS, fresh_dial())).await.json();
    for subset in 0..1_u32 << PARTS.len() {
        let wanted: Vec<&str> =
            PARTS.iter().enumerate().filter(|(i, _)| subset & (1 << i) != 0).map(|(_, p)| *p).collect();
        let has = |part: &str| wanted.contains(&part);
        let answer = Reply::to(service.post(ASSESS, fresh_dial_with("include", json!(wanted)))).await;
        assert_eq!(answer.status, 200, "{wanted:?}: {}", answer.text());
        let answer = answer.json();
        for part in ["components", "ask_next"] {
            assert_eq!(answer.get(part), full.get(part).filter(|_| has(part)), "{part} of {wanted:?}");
        }
        // Without `ask_next` nothing is worth asking, so the advice may be another one.
        let figures = |of: &Value| of.get("decision").map(|d| (d["expected_net"].clone(), d["by_story"].clone()));
        assert_eq!(figures(&answer), figures(&full).filter(|_| has("decision")), "{wanted:?}");
        if has("decision") && !has("ask_next") {
            assert_ne!(answer["decision"]["advice"], "ask_first", "{wanted:?}");
        }
        assert_eq!(answer["log_odds_db"].get("price").is_some(), has("shares"), "{wanted:?}");
        for (weighed, in_full) in
            answer["evidence"].as_array().unwrap().iter().zip(full["evidence"].as_array().unwrap())
        {
            assert_eq!(weighed.get("share_db"), in_full.get("share_db").filter(|_| has("shares")), "{wanted:?}");
            assert_eq!(weighed["alone_db"], in_full["alone_db"], "{wanted:?}");
        }
        let without_interval = |of: &Value| {
            let mut probability = of["probability"].as_object().unwrap().clone();
            (probability.remove("interval_90"), probability)
        };
        let (interval, probability) = without_interval(&full);
        assert_eq!(without_interval(&answer), (interval.filter(|_| has("interval")), probability), "{wanted:?}");
        for always in ["listing", "model", "stories", "seller", "cautions"] {
            assert_eq!(answer[always], full[always], "{always} of {wanted:?}");
        }
    }
}

#[tokio::test]
async fn fields_left_out_leave_their_part_of_the_answer_out() {
    let service = Served::start();
    let without_value = Reply::to(service.post(ASSESS, fresh_dial_with("value", Value::Null))).await.json();
    assert_eq!(without_value.get("decision"), None);
    assert!(without_value["ask_next"].as_array().unwrap().iter().all(|a| a["worth"].is_null()), "{without_value}");

    let without_price = Reply::to(service.post(ASSESS, fresh_dial_with("offer", json!({})))).await.json();
    let decision = without_price["decision"].as_object().unwrap();
    let given: BTreeSet<&str> = decision.keys().map(String::as_str).collect();
    assert_eq!(given, BTreeSet::from(["walk_away_price", "required_margin", "by_story", "asking_cost"]));
    assert_eq!(without_price["log_odds_db"]["price"], 0.0);

    let least = Reply::to(service.post(ASSESS, "{\"observations\": []}")).await;
    assert_eq!(least.status, 200, "{}", least.text());
    assert_eq!(least.json().get("listing"), None);
    assert_eq!(least.json()["evidence"], json!([]));
}

#[tokio::test]
async fn an_assessment_stores_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let service = Served::with(&[("STEELYARD_DATA", folder.path().to_str().unwrap())]);
    let first = Reply::to(service.post(ASSESS, fresh_dial())).await;
    assert_eq!(first.status, 200, "{}", first.text());
    let with_seller = fresh_dial_with("seller", json!({ "id": "s-17", "outcomes": { "bad": 4, "total": 5 } }));
    assert_eq!(Reply::to(service.post(ASSESS, with_seller)).await.status, 200);
    let again = Reply::to(service.post(ASSESS, fresh_dial())).await;
    assert_eq!(first.text(), again.text(), "what was asked before has moved an answer");
    for list in ["/v1/listings", "/v1/sellers", "/v1/outcomes"] {
        let stored = Reply::to(service.get(list)).await.json();
        assert_eq!(stored["items"], json!([]), "{list}: something was stored");
    }
    let named = fresh_dial_with("seller", json!({ "id": "s-17" }));
    let rate = Reply::to(service.post(ASSESS, named)).await.json()["seller"].clone();
    assert_eq!(rate["used"]["outcomes"], 0, "outcomes sent before were kept: {rate}");
}

#[tokio::test]
async fn assessments_are_not_to_be_stored_by_caches() {
    let service = Served::start();
    for body in [fresh_dial(), b"{\"observations\": []}".to_vec()] {
        let reply = Reply::to(service.post(ASSESS, body)).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        // RFC 9111 section 5.2.2.5
        assert_eq!(reply.header("cache-control"), Some("no-store"));
    }
}

#[tokio::test]
async fn json_is_taken_in_any_case_and_with_a_charset_of_utf_8_only() {
    let service = Served::start();
    // RFC 9110 section 8.3.1: type, subtype and charset are case-insensitive.
    for (content_type, status) in [
        (Some("application/json"), 200),
        (Some("Application/JSON; Charset=\"UTF-8\""), 200),
        (Some("application/json;charset=utf-8"), 200),
        (Some("application/json; charset=iso-8859-1"), 415),
        (Some("text/plain"), 415),
        (Some("application/x-www-form-urlencoded"), 415),
        (Some("multipart/form-data; boundary=x"), 415),
        (Some("application/jsonp"), 415),
        (Some(""), 415),
        (None, 415),
    ] {
        let mut request = service.request("POST", ASSESS).body(fresh_dial());
        if let Some(content_type) = content_type {
            request = request.header("content-type", content_type);
        }
        let reply = Reply::to(request).await;
        assert_eq!(reply.status, status, "{content_type:?}: {}", reply.text());
        if status == 415 {
            reply.problem(415);
        }
    }
}

#[tokio::test]
async fn a_body_over_the_limit_is_refused_and_one_at_the_limit_is_not() {
    let service = Served::start();
    let padded = |length: usize| {
        let mut body = fresh_dial();
        body.resize(length, b' ');
        body
    };
    let at_the_limit = Reply::to(service.post(ASSESS, padded(MOST_BYTES))).await;
    assert_eq!(at_the_limit.status, 200, "{}", at_the_limit.text());
    for length in [MOST_BYTES + 1, 4 * MOST_BYTES] {
        Reply::to(service.post(ASSESS, padded(length))).await.problem(413);
    }
    // Announced and never sent: refused without waiting for it.
    let host = service.address();
    let announced = format!(
        "POST {ASSESS} HTTP/1.1\r\nhost: {host}\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n",
        1_u64 << 40
    );
    assert_eq!(service.raw(&announced).status, 413);
    // Not announced (RFC 9112 section 7.1): refused once it is more than a body may hold.
    let chunk = " ".repeat(MOST_BYTES + 1);
    let chunked = format!(
        "POST {ASSESS} HTTP/1.1\r\nhost: {host}\r\ncontent-type: application/json\r\n\
         transfer-encoding: chunked\r\nconnection: close\r\n\r\n{:x}\r\n{chunk}\r\n0\r\n\r\n",
        chunk.len()
    );
    assert_eq!(service.raw(&chunked).status, 413);
}

#[tokio::test]
async fn a_refused_body_costs_the_caller_neither_the_answer_nor_the_next_request() {
    let service = Served::start();
    for length in [MOST_BYTES + 1, 4 * MOST_BYTES, 16 * MOST_BYTES] {
        for _ in 0..10 {
            let refused = service.post(ASSESS, vec![b' '; length]).send().await;
            let refused = refused.unwrap_or_else(|e| panic!("no answer to a body of {length}: {e:?}"));
            assert_eq!(refused.status(), 413, "{length}");
            // RFC 9112 section 9.6: a connection that will be closed is announced as such, or a
            // client sends its next request into it and cannot know whether it was read.
            let next = service.post(ASSESS, "{\"observations\": []}").send().await;
            let next = next.unwrap_or_else(|e| panic!("the request after a body of {length} got no answer: {e:?}"));
            assert_eq!(next.status(), 200);
        }
    }
}

// --- The model and its signs -------------------------------------------------------------

#[tokio::test]
async fn the_models_digest_can_be_recomputed_from_what_is_served() {
    let service = Served::start();
    let reply = Reply::to(service.get("/v1/model")).await;
    let mut model = reply.json();
    let members = model.as_object_mut().unwrap();
    members.remove("version").unwrap();
    let digest = members.remove("digest").unwrap();
    // RFC 8785: canonical JSON.
    let canonical = serde_json_canonicalizer::to_vec(&model).unwrap();
    let recomputed: String = Sha256::digest(&canonical).iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(digest, format!("sha256:{recomputed}"));
    assert_eq!(reply.header("etag"), Some(format!("\"sha256:{recomputed}\"").as_str()));

    model["readings"]["plain"]["a"] = json!(0.949);
    let moved = Sha256::digest(serde_json_canonicalizer::to_vec(&model).unwrap());
    assert_ne!(moved.iter().map(|b| format!("{b:02x}")).collect::<String>(), recomputed);
    let named = Reply::to(service.post(ASSESS, fresh_dial())).await.json()["model"]["digest"].clone();
    assert_eq!(named, digest, "an assessment names another model");
}

#[tokio::test]
async fn a_document_whose_etag_is_known_is_not_sent_again() {
    let service = Served::start();
    for path in ["/v1/model", "/openapi.json"] {
        let first = Reply::to(service.get(path)).await;
        let tag = first.header("etag").unwrap().to_owned();
        assert!(tag.starts_with('"') && tag.ends_with('"') && tag.len() > 2, "no strong tag: {tag}");
        // RFC 9110 section 13.1.2: a list, weak comparison, `*`.
        for known in [tag.clone(), format!("W/{tag}"), format!("\"other\", {tag}"), "*".into()] {
            let reply = Reply::to(service.get(path).header("if-none-match", &known)).await;
            assert_eq!(reply.status, 304, "{path} {known}");
            assert_eq!(reply.body, b"", "{path} {known}");
            assert_eq!(reply.header("etag"), Some(tag.as_str()), "{path} {known}");
        }
        for unknown in ["\"other\"", "\"\"", tag.trim_matches('"'), "W/\"other\""] {
            let reply = Reply::to(service.get(path).header("if-none-match", unknown)).await;
            assert_eq!(reply.status, 200, "{path} {unknown}");
            assert_eq!(reply.body, first.body, "{path} {unknown}");
        }
    }
}

#[tokio::test]
async fn the_catalogue_holds_every_sign_of_the_model_the_most_telling_first() {
    let service = Served::start();
    let model = Reply::to(service.get("/v1/model")).await.json();
    let catalogue = Reply::to(service.get("/v1/signs")).await.json();
    let items = catalogue["items"].as_array().unwrap();
    let ids = |list: &[Value]| list.iter().map(|s| s["id"].as_str().unwrap().to_owned()).collect::<BTreeSet<_>>();
    assert_eq!(items.len(), 66);
    assert_eq!(ids(items), ids(model["signs"].as_array().unwrap()));
    assert_eq!(catalogue["model"]["digest"], model["digest"]);
    let bits: Vec<f64> = items.iter().map(|s| s["bits"].as_f64().unwrap()).collect();
    assert!(bits.is_sorted_by(|a, b| a >= b), "{bits:?}");
    assert!(bits.iter().all(|b| *b >= 0.0 && b.is_finite()) && bits[0] > 0.0, "{bits:?}");
    for sign in items {
        for member in ["question", "how_to_look", "reading"] {
            assert!(sign[member].as_str().is_some_and(|s| !s.is_empty()), "no {member}: {sign}");
        }
        for (i, other) in sign["excludes"].as_array().unwrap().iter().enumerate() {
            let back = items.iter().find(|s| s["id"] == *other).unwrap_or_else(|| panic!("{i}: {sign}"));
            assert!(back["excludes"].as_array().unwrap().contains(&sign["id"]), "one-sided: {sign}");
        }
    }
}

#[tokio::test]
async fn signs_of_given_views_are_those_that_the_views_and_the_words_let_one_judge() {
    let service = Served::start();
    let all = Reply::to(service.get("/v1/signs")).await.json()["items"].clone();
    let all = all.as_array().unwrap();
    for views in ["crown_close", "dial_straight,dial_macro", "movement_open, back_inside", "listing", ""] {
        let at_hand: Vec<&str> = views.split(',').map(str::trim).chain(["listing"]).collect();
        let can_be_judged = |sign: &Value| {
            let sets = sign["needs"].as_array().unwrap();
            sets.iter().any(|set| set.as_array().unwrap().iter().all(|v| at_hand.contains(&v.as_str().unwrap())))
        };
        let path = format!("/v1/signs?views={}", views.replace(' ', "%20"));
        let reply = Reply::to(service.get(&path)).await;
        assert_eq!(reply.status, 200, "{path}: {}", reply.text());
        let expected: Vec<&Value> = all.iter().filter(|s| can_be_judged(s)).collect();
        assert!(!expected.is_empty() && expected.len() < all.len(), "{path} shows nothing");
        assert_eq!(reply.json()["items"].as_array().unwrap().iter().collect::<Vec<_>>(), expected, "{path}");
    }
}

#[tokio::test]
async fn an_unknown_view_or_parameter_of_signs_is_refused_with_the_nearest_name() {
    let service = Served::start();
    let problem = Reply::to(service.get("/v1/signs?views=dial_straight,crown_clos")).await.problem(400);
    let detail = problem["detail"].as_str().unwrap();
    assert!(detail.contains("`crown_clos`") && detail.contains("did you mean `crown_close`"), "{detail}");
    for (query, status) in [
        ("view=crown_close", 422),
        ("views=attic", 400),
        ("views=crown_close&views=lugs", 400),
        ("views=%FF", 400),
        ("limit=-1", 422),
    ] {
        Reply::to(service.get(&format!("/v1/signs?{query}"))).await.problem(status);
    }
}

// --- Pages --------------------------------------------------------------------------------

/// The values of `src` and `href` in a page.
fn references(html: &str) -> Vec<String> {
    let mut found = Vec::new();
    for attribute in ["src", "href"] {
        for (at, _) in html.match_indices(attribute) {
            let after = html[at + attribute.len()..].trim_start();
            let Some(value) = after.strip_prefix('=').map(str::trim_start) else { continue };
            let value = match value.chars().next() {
                Some(quote @ ('"' | '\'')) => value[1..].split(quote).next(),
                _ => value.split([' ', '>']).next(),
            };
            found.extend(value.map(str::to_owned));
        }
    }
    found
}

fn is_elsewhere(reference: &str) -> bool {
    let reference = reference.trim().trim_matches(['"', '\'']).to_ascii_lowercase();
    reference.starts_with("//") || (reference.contains(':') && !reference.starts_with("data:"))
}

#[tokio::test]
async fn the_documentation_is_served_whole_and_takes_nothing_from_elsewhere() {
    let service = Served::start();
    let moved = Reply::to(service.get("/docs")).await;
    assert!(moved.status.is_redirection(), "{}", moved.status);
    assert_eq!(moved.header("location"), Some("/docs/"));

    let page = Reply::to(service.get("/docs/")).await;
    assert_eq!(page.status, 200);
    assert!(page.header("content-type").unwrap().starts_with("text/html"));
    let named = references(&page.text());
    assert!(named.iter().any(|r| r.ends_with(".js")) && named.iter().any(|r| r.ends_with(".css")), "{named:?}");
    for reference in &named {
        assert!(!is_elsewhere(reference), "the page loads {reference}");
        let path = format!("/docs/{}", reference.trim_start_matches("./"));
        let part = Reply::to(service.get(&path)).await;
        assert_eq!(part.status, 200, "{path} is named by the page");
        let text = part.text();
        if path.ends_with(".css") {
            assert!(!text.contains("@import"), "{path} imports");
            for url in text.split("url(").skip(1).filter_map(|rest| rest.split(')').next()) {
                assert!(!is_elsewhere(url), "{path} loads {url:.60}");
            }
        }
        if path.ends_with("initializer.js") {
            assert!(text.contains("/openapi.json"), "the page shows another document: {text}");
            assert!(!text.contains("http://") && !text.contains("https://"), "{path} names another host: {text}");
        }
    }

    // What a script may ask for while it runs is up to the policy (W3C CSP Level 3).
    for path in ["/docs/", "/problems/invalid"] {
        let page = Reply::to(service.get(path)).await;
        let policy = page.header("content-security-policy").unwrap();
        let directives: BTreeMap<&str, Vec<&str>> = policy
            .split(';')
            .filter_map(|d| {
                let mut words = d.split_ascii_whitespace();
                words.next().map(|name| (name, words.collect()))
            })
            .collect();
        assert_eq!(directives["default-src"], ["'self'"], "{policy}");
        assert_eq!(directives["frame-ancestors"], ["'none'"], "{policy}");
        for (directive, sources) in &directives {
            let here = ["'self'", "'none'", "data:", "'unsafe-inline'"];
            assert!(sources.iter().all(|s| here.contains(s)), "{directive} lets others in: {policy}");
            let scripts = directive.starts_with("script-src") || *directive == "default-src";
            assert!(!(scripts && sources.contains(&"'unsafe-inline'")), "inline scripts may run: {policy}");
        }
    }
}

#[tokio::test]
async fn every_kind_of_problem_has_a_page_in_words() {
    let service = Served::start();
    assert!(KINDS.len() >= 9);
    for kind in KINDS {
        let page = Reply::to(service.get(&format!("/problems/{}", kind.name))).await;
        assert_eq!(page.status, 200, "{}", kind.name);
        assert!(page.header("content-type").unwrap().starts_with("text/html"), "{}", kind.name);
        let text = page.text();
        assert!(text.contains(kind.title) && text.contains(kind.status.as_str()), "{text}");
        assert!(!references(&text).iter().any(|r| is_elsewhere(r)), "{text}");
    }
}

#[tokio::test]
async fn the_openapi_document_served_is_the_one_of_the_code() {
    let service = Served::start();
    let reply = Reply::to(service.get("/openapi.json")).await;
    assert_eq!(reply.header("content-type"), Some("application/json"));
    let document = steelyard::openapi::document().unwrap();
    assert_eq!(reply.text(), steelyard::openapi::pretty(&document).unwrap());
}

// --- Health -------------------------------------------------------------------------------

#[tokio::test]
async fn a_service_that_is_up_is_alive_and_ready() {
    let service = Served::start();
    for path in ["/healthz", "/readyz"] {
        let reply = Reply::to(service.get(path)).await;
        assert_eq!(reply.status, 200, "{path}: {}", reply.text());
        assert_eq!(reply.json()["status"], "ok", "{path}");
    }
}

#[tokio::test]
async fn a_service_that_is_shutting_down_is_alive_but_not_ready() {
    let app = App::new(Pack::builtin(), Book::default()).unwrap();
    let router = api::router(app.clone(), &Guard::new(&Config::on_free_port()));
    app.drain();
    let ask = async |path: &str| {
        let request = axum::http::Request::get(path).header("host", "127.0.0.1").body(axum::body::Body::empty());
        let reply = router.clone().oneshot(request.unwrap()).await.unwrap();
        let (head, body) = reply.into_parts();
        let body = axum::body::to_bytes(body, MOST_BYTES).await.unwrap().to_vec();
        Reply { status: head.status, headers: head.headers, body }
    };
    let problem = ask("/readyz").await.problem(503);
    assert_eq!(problem["type"], "/problems/unavailable");
    assert_eq!(ask("/healthz").await.status, 200);
}

// --- Every answer -------------------------------------------------------------------------

#[tokio::test]
async fn every_refusal_is_a_problem_with_the_status_of_the_answer_and_a_page() {
    let service = Served::start();
    let mut kinds = BTreeSet::new();
    for (what, reply) in every_kind_of_answer(&service).await {
        assert!(reply.status.as_u16() < 500, "{what}: {}", reply.text());
        if reply.status.is_client_error() {
            assert_eq!(reply.header("content-type"), Some("application/problem+json"), "{what}: {}", reply.status);
            let problem = reply.problem(reply.status.as_u16());
            kinds.insert(problem["type"].as_str().unwrap().to_owned());
        }
    }
    let seen: Vec<&str> = kinds.iter().map(|k| k.strip_prefix("/problems/").unwrap()).collect();
    assert_eq!(
        seen,
        ["forbidden", "invalid", "malformed", "method-not-allowed", "not-found", "too-large", "unsupported-media-type"]
    );
    for kind in kinds {
        let page = Reply::to(service.get(&kind)).await;
        assert_eq!(page.status, 200, "{kind} links to nothing");
    }
}

#[tokio::test]
async fn a_method_that_a_path_does_not_take_is_answered_with_those_it_takes() {
    let service = Served::start();
    for (method, path, takes) in [
        ("GET", ASSESS, "POST"),
        ("DELETE", ASSESS, "POST"),
        ("POST", "/v1/model", "GET"),
        ("PUT", "/v1/signs", "GET"),
        ("PATCH", "/openapi.json", "GET"),
        ("POST", "/healthz", "GET"),
        ("POST", "/readyz", "GET"),
        ("DELETE", "/problems/invalid", "GET"),
        ("POST", "/docs/", "GET"),
    ] {
        let reply = Reply::to(service.request(method, path)).await;
        let problem = reply.problem(405);
        assert_eq!(problem["type"], "/problems/method-not-allowed", "{method} {path}");
        // RFC 9110 section 15.5.6: Allow must be there.
        let allow = reply.header("allow").unwrap_or_else(|| panic!("{method} {path}: no Allow"));
        let allowed: Vec<&str> = allow.split(',').map(str::trim).collect();
        assert!(allowed.contains(&takes) && !allowed.contains(&method), "{method} {path}: {allow}");
    }
}

#[tokio::test]
async fn every_answer_has_a_request_id_of_its_own_and_is_not_sniffed() {
    let service = Served::start();
    let mut ids = BTreeSet::new();
    let replies = every_kind_of_answer(&service).await;
    for (what, reply) in &replies {
        let id = reply.header("x-request-id").unwrap_or_else(|| panic!("{what}: no x-request-id"));
        assert!(!id.is_empty(), "{what}");
        assert!(ids.insert(id.to_owned()), "{what}: {id} was given before");
        assert_eq!(reply.header("x-content-type-options"), Some("nosniff"), "{what}");
    }
    assert_eq!(ids.len(), replies.len());
}

#[tokio::test]
async fn a_request_id_of_the_caller_comes_back() {
    let service = Served::start();
    for request in [
        service.get("/healthz"),
        service.get("/nowhere"),
        service.post(ASSESS, fresh_dial()),
        service.post(ASSESS, "{"),
    ] {
        let reply = Reply::to(request.header("x-request-id", "caller-381")).await;
        assert_eq!(reply.header("x-request-id"), Some("caller-381"), "{}", reply.status);
    }
}

#[tokio::test]
async fn head_is_answered_like_get_without_a_body() {
    let service = Served::start();
    for path in ["/v1/model", "/v1/signs", "/healthz", "/openapi.json", "/problems/invalid"] {
        let get = Reply::to(service.get(path)).await;
        let head = Reply::to(service.request("HEAD", path)).await;
        assert_eq!(head.status, get.status, "{path}");
        // RFC 9110 section 9.3.2
        assert_eq!(head.body, b"", "{path}");
        assert_eq!(head.header("content-type"), get.header("content-type"), "{path}");
        assert_eq!(head.header("etag"), get.header("etag"), "{path}");
    }
}

//! What callers get who are careless or hostile: answers that are their own, faults by name, and
//! nobody else kept waiting.

#[macro_use]
mod support;

use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::io::Write as _;
use std::sync::Arc;
use std::time::{Duration, Instant};
use support::place::Place;
use support::{Reply, Served, run};

/// Until what takes milliseconds counts as hung, on a machine that does other things besides.
const SOON: Duration = Duration::from_secs(8);

on_both!(
    each_write_of_a_seller_is_answered_with_itself,
    u_0000_is_refused_where_it_stands,
    a_condition_on_what_is_named_or_gone_goes_by_one_rule,
    a_calibration_is_dated_alike_when_made_and_when_read,
    a_feed_that_is_sent_is_refused_for_what_it_is,
    what_is_sent_to_a_feed_is_kept_whoever_else_writes,
);

async fn send(service: &Served, method: &str, path: &str, media_type: &str, body: impl Into<Vec<u8>>) -> Reply {
    Reply::to(service.request(method, path).header("content-type", media_type).body(body.into())).await
}

async fn put(service: &Served, path: &str, body: &Value) -> Reply {
    send(service, "PUT", path, "application/json", body.to_string()).await
}

async fn import(service: &Served, file: impl Into<Vec<u8>>) -> Reply {
    send(service, "POST", "/v1/outcomes/import", "text/csv", file).await
}

/// The lines that an import refused, each with a word of why.
fn refused(reply: &Reply) -> Vec<(u64, String)> {
    assert_eq!(reply.status, 200, "{}", reply.text());
    let lines = reply.json()["refused"].as_array().unwrap().clone();
    lines.iter().map(|r| (r["line"].as_u64().unwrap(), r["detail"].as_str().unwrap().to_owned())).collect()
}

/// RFC 9110, section 8.8.3: a tag belongs to what it was sent with.
async fn each_write_of_a_seller_is_answered_with_itself(place: &Place) {
    let service = Arc::new(Served::at(place));
    let mut writing = tokio::task::JoinSet::new();
    for writer in 0..8 {
        let service = service.clone();
        writing.spawn(async move {
            let mut tags = Vec::new();
            for round in 0..10 {
                if writer == 0 {
                    Reply::to(service.request("DELETE", "/v1/sellers/s-17")).await;
                    continue;
                }
                let note = format!("writer {writer}, round {round}");
                let feedback = json!({ "positive": 10 * writer, "negative": round });
                let body = json!({ "note": note, "feedback": feedback });
                let reply = put(&service, "/v1/sellers/s-17", &body).await;
                assert!(reply.status.is_success(), "{}", reply.text());
                let said = reply.json();
                assert_eq!((&said["note"], &said["feedback"]), (&json!(note), &feedback), "{said}");
                let tag = reply.header("etag").unwrap();
                assert!(tag.starts_with(&format!("\"{}-", said["revision"])), "{tag} {said}");
                tags.push(tag.to_owned());
            }
            tags
        });
    }
    let tags: Vec<String> = writing.join_all().await.concat();
    let own: BTreeSet<&String> = tags.iter().collect();
    assert_eq!(own.len(), tags.len(), "two writes under one tag");
}

/// What cannot be called off may go on, but nobody waits for it.
#[test]
fn a_calculation_under_way_does_not_hold_up_the_end() {
    let mut service = Served::start();
    let mut file = "listing,story\n".to_owned();
    file.extend((0..400_000).map(|i| format!("l-{i},fake\n")));
    let mut stream = service.connect();
    let head = format!(
        "POST /v1/outcomes/import HTTP/1.1\r\nhost: {}\r\ncontent-type: text/csv\r\ncontent-length: {}\r\n\r\n",
        service.address(),
        file.len()
    );
    stream.write_all((head + &file).as_bytes()).unwrap();
    // It is being read once it uses the processor.
    let (before, until) = (service.cpu_ticks(), Instant::now() + SOON);
    while service.cpu_ticks() < before + 100 && Instant::now() < until {
        std::thread::sleep(Duration::from_millis(20));
    }
    drop(stream);
    service.terminate();
    let since = Instant::now();
    assert!(service.ended_within(SOON).is_some_and(|s| s.success()), "after {:?}", since.elapsed());
}

#[tokio::test]
async fn a_header_of_very_many_columns_is_refused_at_once_and_briefly() {
    let service = Served::start();
    for count in [900, 200_000] {
        let columns: Vec<String> = (0..count).map(|i| format!("c{i}")).collect();
        let since = Instant::now();
        let reply = import(&service, columns.join(",") + "\nx,fake\n").await;
        reply.problem(422);
        assert!(reply.body.len() < 20_000 && since.elapsed() < SOON, "{} {:?}", reply.body.len(), since.elapsed());
    }
}

/// RFC 8259, section 6: there is no NaN and no infinity in JSON, so there is none of them in a body.
#[tokio::test]
async fn a_certainty_that_is_no_number_is_refused_and_not_taken_for_full() {
    let service = Served::start();
    let words = ["NaN", "inf", "-inf", "infinity", "1e999", "much"];
    let lines: Vec<String> = words.iter().enumerate().map(|(i, w)| format!("l-{i},fake,{w}\n")).collect();
    let reply = import(&service, format!("listing,story,certainty\n{}l-9,fake,0.9\n", lines.concat())).await;
    let refused = refused(&reply);
    assert_eq!(refused.iter().map(|r| r.0).collect::<Vec<_>>(), [2, 3, 4, 5, 6, 7], "{refused:?}");
    assert!(refused.iter().all(|(_, detail)| detail.contains("certainty")), "{refused:?}");
    assert_eq!(reply.json()["accepted"], 1);
}

/// RFC 4180, section 2, rules 5 to 7.
#[tokio::test]
async fn a_line_whose_quotes_are_wrong_is_refused_by_its_number_and_costs_no_other() {
    let service = Served::start();
    let file = "listing,story,note\r\n\
        l-1,fake,\"never closed\r\n\
        l-2,fake,\"11\"\" strap,\r\nin two lines\"\r\n\
        l-3,fake,\"closed\" and on\r\n\
        l-4,fake,11\" strap\r\n\
        l-5,original,plain\r\n";
    let reply = import(&service, file).await;
    let refused = refused(&reply);
    assert_eq!(refused.iter().map(|r| r.0).collect::<Vec<_>>(), [2, 5, 6], "{refused:?}");
    let kept = Reply::to(service.get("/v1/outcomes")).await.json();
    let notes: Vec<&Value> = kept["items"].as_array().unwrap().iter().map(|o| &o["outcome"]["note"]).collect();
    assert_eq!(notes, ["11\" strap,\r\nin two lines", "plain"]);
}

/// Bodies of every kind of stored thing that hold U+0000, and where. RFC 8259, section 7.
async fn u_0000_is_refused_where_it_stands(place: &Place) {
    let service = Served::at(place);
    let nul = "a\u{0}b";
    for (method, path, body, pointer) in [
        ("POST", "/v1/assess", json!({ "title": nul, "observations": [] }), "/title"),
        ("PUT", "/v1/listings/l-1", json!({ "description": nul, "observations": [] }), "/description"),
        ("PUT", "/v1/listings/l-1", json!({ "seller": { "id": nul }, "observations": [] }), "/seller/id"),
        (
            "PUT",
            "/v1/listings/l-1",
            json!({ "watch": { "facts": { "case_marks": ["750", nul] } }, "observations": [] }),
            "/watch/facts/case_marks/1",
        ),
        ("PUT", "/v1/sellers/s-17", json!({ "note": nul }), "/note"),
        ("POST", "/v1/outcomes", json!({ "listing": "l-1", "story": "fake", "note": nul }), "/note"),
        ("POST", "/v1/outcomes", json!({ "listing": nul, "story": "fake" }), "/listing"),
        ("PUT", "/v1/references/Halvorne/2217", json!({ "dial_names": [nul] }), "/dial_names/0"),
        ("PUT", "/v1/calibres/Halvorne/71", json!({ "maker": nul }), "/maker"),
    ] {
        let reply = send(&service, method, path, "application/json", body.to_string()).await;
        let errors = reply.problem(422)["errors"].clone();
        let said: Vec<&Value> = errors.as_array().unwrap().iter().map(|e| &e["pointer"]).collect();
        assert_eq!(said, [pointer], "{method} {path}: {errors}");
        assert!(errors[0]["detail"].as_str().unwrap().contains("U+0000"), "{errors}");
    }
    let lines = refused(&import(&service, "listing,story,note\nl-1,fake,a\0b\nl-2,fake,plain\n").await);
    assert!(matches!(&lines[..], [(2, detail)] if detail.contains("note: ") && detail.contains("U+0000")), "{lines:?}");

    let path = sent_feed(&service).await;
    let items = "{\"id\":\"a\",\"title\":\"x\\u0000\",\"observations\":[]}\n{\"id\":\"b\",\"observations\":[]}\n";
    let kept = send(&service, "POST", &path, "application/x-ndjson", items).await.json();
    assert_eq!((&kept["new"], &kept["refused"]), (&json!(1), &json!(1)), "{kept}");
    assert_eq!(kept["refusals"][0]["errors"][0]["pointer"], "/title", "{kept}");

    // In names of the path, parameters and cursors, which are nobody's secret.
    let cursor = |of: &Value| {
        let next = of["next_cursor"].as_str().unwrap();
        let text = String::from_utf8(BASE64_URL_SAFE_NO_PAD.decode(next).unwrap()).unwrap();
        BASE64_URL_SAFE_NO_PAD.encode(text.replace("s-1", "s-\\u0000"))
    };
    for id in ["s-1", "s-2"] {
        put(&service, &format!("/v1/sellers/{id}"), &json!({})).await;
    }
    let page = Reply::to(service.get("/v1/sellers?limit=1")).await.json();
    for (path, status) in [
        ("/v1/listings?seller=%00".to_owned(), 400),
        ("/v1/outcomes?listing=a%00".to_owned(), 400),
        ("/v1/outcomes?seller=a%00".to_owned(), 400),
        (format!("/v1/sellers?limit=1&cursor={}", cursor(&page)), 400),
        ("/v1/sellers?cursor=%00".to_owned(), 400),
        ("/v1/listings/%00".to_owned(), 404),
        ("/v1/feeds/%00".to_owned(), 404),
        ("/v1/calibrations/%00".to_owned(), 404),
    ] {
        Reply::to(service.get(&path)).await.problem(status);
    }
    put(&service, "/v1/listings/%00", &json!({ "observations": [] })).await.problem(422);
}

/// RFC 9112, section 9.6: what will be closed is announced as such, or the next request is lost.
#[tokio::test]
async fn a_refusal_that_reads_no_body_costs_no_later_request() {
    let service = Served::start();
    let long = "x".repeat(201);
    let refusals = [
        ("PUT", "/v1/listings".to_owned(), "application/json", 405),
        ("POST", "/v1/nothing".to_owned(), "application/json", 404),
        ("PUT", format!("/v1/listings/{long}"), "application/json", 422),
        ("POST", format!("/v1/feeds/{long}/items"), "application/json", 404),
        ("POST", "/v1/assess".to_owned(), "text/plain", 415),
        ("POST", "/v1/assess".to_owned(), "foreign", 403),
    ];
    for size in [100, 5_000, 100_000, 2_000_000] {
        for (method, path, media_type, status) in &refusals {
            for _ in 0..10 {
                let mut request = service.request(method, path).body(vec![b' '; size]);
                request = match *media_type {
                    "foreign" => request.header("origin", "https://shop.example"),
                    media_type => request.header("content-type", media_type),
                };
                let refused = request.send().await;
                let refused = refused.unwrap_or_else(|e| panic!("no answer to {size} bytes at {path}: {e:?}"));
                assert_eq!(refused.status(), *status, "{method} {path}");
                assert_eq!(refused.headers().get("connection"), None, "all of {size} bytes could be heard");
                let _ = refused.bytes().await;
                let next = service.get("/healthz").send().await;
                let next = next.unwrap_or_else(|e| panic!("{method} {path} with {size} bytes lost the next: {e:?}"));
                assert_eq!(next.status(), 200);
            }
        }
    }
    // What is not sent is not waited for long, and nobody is told to go on.
    let host = service.address();
    for (extra, length) in [("", 1_u64 << 40), ("expect: 100-continue\r\n", 1_000)] {
        let since = Instant::now();
        let head = format!(
            "POST /v1/nothing HTTP/1.1\r\nhost: {host}\r\ncontent-type: text/plain\r\n{extra}content-length: {length}\r\n\r\n"
        );
        let reply = service.raw(&head);
        assert_eq!(reply.status, 404);
        assert!(reply.head.contains("connection: close"), "{}", reply.head);
        assert!(since.elapsed() < Duration::from_secs(2), "{:?}", since.elapsed());
    }
}

/// RFC 8259, section 8.1: a parser may ignore a byte order mark rather than treat it as an error.
#[tokio::test]
async fn a_byte_order_mark_is_passed_over_at_the_beginning_and_nowhere_else() {
    let service = Served::start();
    let marked = |text: &str| format!("\u{feff}{text}");
    let body = "{\"title\":\"t\",\"observations\":[]}";
    assert_eq!(send(&service, "POST", "/v1/assess", "application/json", marked(body)).await.status, 200);
    // What is stored is read again.
    assert_eq!(send(&service, "PUT", "/v1/listings/l-1", "application/json", marked(body)).await.status, 201);
    assert_eq!(Reply::to(service.get("/v1/listings/l-1")).await.json()["request"]["title"], "t");
    let outcome = marked("{\"listing\":\"l-1\",\"story\":\"fake\"}");
    assert_eq!(send(&service, "POST", "/v1/outcomes", "application/json", outcome.clone()).await.status, 201);
    let imported = send(&service, "POST", "/v1/outcomes/import", "application/x-ndjson", outcome).await.json();
    assert_eq!(imported["accepted"], 1);
    let lines = format!("{}\n{}\n", marked(body), marked(body));
    let stream = send(&service, "POST", "/v1/assess/stream", "application/x-ndjson", lines.clone()).await.text();
    let answers: Vec<Value> = stream.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    assert!(answers[0]["probability"].is_object(), "{stream}");
    assert_eq!((&answers[1]["status"], &answers[1]["line"]), (&json!(400), &json!(2)));
    send(&service, "POST", "/v1/assess", "application/json", marked(&marked(body))).await.problem(400);

    let folder = tempfile::tempdir().unwrap();
    for (name, text) in [("one.json", marked(body)), ("lines.ndjson", marked(body))] {
        let file = folder.path().join(name);
        std::fs::write(&file, text).unwrap();
        let printed = run(&["assess".as_ref(), file.as_os_str()]);
        assert_eq!(printed.code, Some(0), "{name}: {}", printed.err);
    }
}

/// Each parameter at fault is named with what it takes: 400 where it cannot be read, 422 where there is none
/// of that name.
#[tokio::test]
async fn parameters_are_refused_by_name_and_by_one_rule() {
    let service = Served::start();
    for (query, status, named) in [
        ("listings?sort=nope", 400, &[("sort", "`-net_per_stake`")][..]),
        ("listings?status=lost", 400, &[("status", "`bought`")]),
        ("listings?limit=0", 400, &[("limit", "whole number")]),
        ("listings?limit=1&limit=2", 400, &[("limit", "more than once")]),
        ("listings?seller=%FF", 400, &[("seller", "UTF-8")]),
        ("listings?cursor=nope", 400, &[("cursor", "begin again")]),
        ("outcomes?current=yes", 400, &[("current", "`true`")]),
        ("outcomes?currant=true", 422, &[("currant", "`current`")]),
        ("outcomes?current=yes&limit=-1&attic=1", 400, &[("attic", "`listing`"), ("current", ""), ("limit", "")]),
        ("changes?after=x", 400, &[("after", "number of a change")]),
        ("changes?after=99", 400, &[("after", "the last change is 0")]),
        ("signs?views=dail", 400, &[("views", "`dial_macro`")]),
        ("models?x=1", 422, &[("x", "none here")]),
        ("sellers?x=1", 422, &[("x", "`cursor`")]),
        ("references?x=1", 422, &[("x", "`cursor`")]),
        ("calibres?limit=", 400, &[("limit", "whole number")]),
        ("calibrations?limit=a", 400, &[("limit", "whole number")]),
        ("feeds?limit=1.5", 400, &[("limit", "whole number")]),
    ] {
        let problem = Reply::to(service.get(&format!("/v1/{query}"))).await.problem(status);
        let kind = if status == 400 { "/problems/malformed" } else { "/problems/invalid" };
        assert_eq!(problem["type"], kind, "{query}");
        let errors = problem["errors"].as_array().unwrap_or_else(|| panic!("{query}: {problem}"));
        assert_eq!(errors.len(), named.len(), "{query}: {problem}");
        for (error, (name, says)) in errors.iter().zip(named) {
            assert_eq!((&error["parameter"], &error["pointer"]), (&json!(name), &json!("")), "{query}");
            assert!(error["detail"].as_str().unwrap().contains(says), "{query}: {problem}");
        }
        assert!(!problem["detail"].as_str().unwrap().contains("eserialize"), "{problem}");
    }
    for path in ["/v1/listings/%FF", "/v1/sellers/%FF", "/v1/references/%FF/x"] {
        let problem = put(&service, path, &json!({ "observations": [] })).await.problem(422);
        assert!(problem["errors"][0]["parameter"].is_string(), "{path}: {problem}");
        let problem = Reply::to(service.get(path)).await.problem(404);
        assert_eq!(problem["detail"], "there is nothing of such a name");
    }
}

/// RFC 9110, sections 13.1.1 and 13.2.1: what is there is there for `*`, and what would be 404 without a
/// condition is so with one.
async fn a_condition_on_what_is_named_or_gone_goes_by_one_rule(place: &Place) {
    let service = Served::at(place);
    let with = async |method: &str, path: &str, name: &str, value: &str| {
        let mut request = service.request(method, path).header(name, value);
        if method == "PUT" {
            request = request.header("content-type", "application/json").body("{\"note\":\"n\"}");
        }
        Reply::to(request).await
    };
    let named = json!({ "seller": { "id": "s-1" }, "observations": [] });
    assert_eq!(put(&service, "/v1/listings/l-1", &named).await.status, 201);
    let tag = Reply::to(service.get("/v1/sellers/s-1")).await.header("etag").unwrap().to_owned();
    with("PUT", "/v1/sellers/s-2", "if-match", "*").await.problem(412);
    assert_eq!(with("PUT", "/v1/sellers/s-1", "if-match", "*").await.status, 201);
    with("PUT", "/v1/sellers/s-1", "if-match", &tag).await.problem(412);
    assert_eq!(with("DELETE", "/v1/sellers/s-1", "if-match", "*").await.status, 204);
    for path in
        ["/v1/sellers/s-1", "/v1/listings/none", "/v1/references/Halvorne/1", "/v1/calibres/Halvorne/1", "/v1/feeds/1"]
    {
        for value in ["*", "\"1\"", "\"1-1\""] {
            with("DELETE", path, "if-match", value).await.problem(404);
        }
    }
    // One that only a listing names is there to be forgotten.
    assert_eq!(put(&service, "/v1/listings/l-2", &named).await.status, 201);
    with("DELETE", "/v1/sellers/s-1", "if-match", "\"7-7\"").await.problem(412);
    assert_eq!(with("DELETE", "/v1/sellers/s-1", "if-match", "*").await.status, 204);
}

async fn a_calibration_is_dated_alike_when_made_and_when_read(place: &Place) {
    let service = Served::at(place);
    let made = send(&service, "POST", "/v1/calibrations", "application/json", "{}").await;
    assert_eq!(made.status, 202, "{}", made.text());
    let read = Reply::to(service.get(made.header("location").unwrap())).await.json();
    assert_eq!(read["created_at"], made.json()["created_at"]);
}

/// RFC 9110, section 8.4: a body in a coding that is not understood is 415.
#[tokio::test]
async fn a_body_in_a_coding_is_an_unsupported_one() {
    let service = Served::start();
    for (path, media_type) in [
        ("/v1/assess", "application/json"),
        ("/v1/assess/stream", "application/x-ndjson"),
        ("/v1/outcomes/import", "text/csv"),
        ("/v1/outcomes", "application/json"),
    ] {
        let coded = |coding: &str| {
            let request = service.request("POST", path).header("content-type", media_type);
            request.header("content-encoding", coding).body("\u{1f}\u{8b}")
        };
        let problem = Reply::to(coded("gzip")).await.problem(415);
        assert!(problem["detail"].as_str().unwrap().contains("Content-Encoding"), "{problem}");
        assert_ne!(Reply::to(coded("identity")).await.status, 415, "{path}");
    }
}

/// JSON Feed 1.1, "Top-level"; what is no JSON by RFC 8259 is 400, what does not fit 422, and every fault named.
async fn a_feed_that_is_sent_is_refused_for_what_it_is(place: &Place) {
    let service = Served::at(place);
    let path = sent_feed(&service).await;
    let version = "https://jsonfeed.org/version/1.1";
    for (body, status, pointers) in [
        ("{}".to_owned(), 422, &["/version", "/items"][..]),
        (format!("{{\"version\":\"{version}\",\"items\":null}}"), 422, &["/items"]),
        ("{\"version\":\"https://jsonfeed.org/version/2\",\"items\":[]}".to_owned(), 422, &["/version"]),
        (format!("{{\"version\":\"{version}\",\"items\":[],\"items\":[]}}"), 400, &["/items"]),
        (format!("{{\"version\":\"{version}\",\"items\":["), 400, &[""]),
        ("[]".to_owned(), 422, &[""]),
        (String::new(), 400, &[""]),
    ] {
        let problem = send(&service, "POST", &path, "application/feed+json", body.clone()).await.problem(status);
        let said: Vec<&Value> = problem["errors"].as_array().unwrap().iter().map(|e| &e["pointer"]).collect();
        assert_eq!(said, pointers, "{body}: {problem}");
    }
    let many: String = (0..5_007).map(|_| "{\"id\":\"\"}\n").collect();
    let kept = send(&service, "POST", &path, "application/x-ndjson", many).await.json();
    assert_eq!(kept["refused"], 5_007, "{}", kept["refused"]);
}

/// Nothing comes again by itself of what is sent to a feed.
async fn what_is_sent_to_a_feed_is_kept_whoever_else_writes(place: &Place) {
    let service = Arc::new(Served::at(place));
    let path = sent_feed(&service).await;
    let mut sending = tokio::task::JoinSet::new();
    for sender in 0..8 {
        let (service, path) = (service.clone(), path.clone());
        sending.spawn(async move {
            for round in 0..4 {
                let line =
                    |i: usize| format!("{{\"id\":\"i-{i}\",\"title\":\"{sender}-{round}\",\"observations\":[]}}\n");
                let lines: String = (0..6).map(line).collect();
                let kept = send(&service, "POST", &path, "application/x-ndjson", lines).await;
                assert_eq!(kept.status, 200, "{}", kept.text());
                assert_eq!(kept.json()["refused"], 0, "{}", kept.text());
            }
        });
    }
    sending.join_all().await;
}

/// A feed that things are sent to; it is not polled here.
async fn sent_feed(service: &Served) -> String {
    let body = json!({ "format": "ndjson" });
    let made = send(service, "POST", "/v1/feeds", "application/json", body.to_string()).await;
    assert_eq!(made.status, 201, "{}", made.text());
    format!("/v1/feeds/{}/items", made.json()["id"].as_str().unwrap())
}

/// Headers that answers carry are in the document.
#[tokio::test]
async fn links_and_times_to_wait_are_described() {
    let service = Served::start();
    let document = Reply::to(service.get("/openapi.json")).await.json();
    for list in ["listings", "feeds", "sellers", "outcomes", "references", "calibres", "calibrations"] {
        let responses = &document["paths"][format!("/v1/{list}")]["get"]["responses"];
        assert!(responses["200"]["headers"]["Link"].is_object(), "{list}");
        assert!(responses["503"]["headers"]["Retry-After"].is_object(), "{list}");
    }
    let poll = &document["paths"]["/v1/feeds/{id}/poll"]["post"]["responses"]["409"]["description"];
    assert!(poll.as_str().unwrap().contains("polled"), "{poll}");
}

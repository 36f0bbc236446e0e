//! What callers get who are careless or hostile: answers that are their own, faults by name, and
//! nobody else kept waiting.

#[macro_use]
mod support;

use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::io::Write as _;
use std::sync::Arc;
use std::time::{Duration, Instant};
use support::place::Place;
use support::{Reply, Served};

/// Until what takes milliseconds counts as hung, on a machine that does other things besides.
const SOON: Duration = Duration::from_secs(8);

on_both!(each_write_of_a_seller_is_answered_with_itself,);

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
    let notes: Vec<&Value> = kept["items"].as_array().unwrap().iter().map(|o| &o["note"]).collect();
    assert_eq!(notes, ["11\" strap,\r\nin two lines", "plain"]);
}

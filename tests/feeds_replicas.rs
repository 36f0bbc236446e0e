//! Many processes on one PostgreSQL: each feed is polled by one of them, and by another where it dies.

#[macro_use]
#[allow(unused_macros, reason = "every test takes the part it needs")]
mod support;

use serde_json::{Value, json};
use sqlx::{Connection as _, Executor as _};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};
use support::{Place, Reply, Served};
use wiremock::matchers::{method, path, path_regex};
use wiremock::{Mock, MockServer, Request, Respond, ResponseTemplate};

const PROCESSES: usize = 3;
const FEEDS: usize = 9;

/// Until something that must happen counts as missing.
const PATIENCE: Duration = Duration::from_secs(90);

/// A line for the feed that is asked for.
fn answer(request: &Request) -> ResponseTemplate {
    let line = json!({ "id": "1", "title": request.url.path(), "observations": [] });
    ResponseTemplate::new(200).set_body_raw(format!("{line}\n"), "application/x-ndjson")
}

/// Holds its first answer for longer than anybody here waits.
struct Held(AtomicUsize);

impl Respond for Held {
    fn respond(&self, request: &Request) -> ResponseTemplate {
        match self.0.fetch_add(1, Ordering::SeqCst) {
            0 => answer(request).set_delay(2 * PATIENCE),
            _ => answer(request),
        }
    }
}

fn replica(place: &Place, server: &MockServer) -> Served {
    let exception = server.address().to_string();
    Served::with(&[place.variable(), ("STEELYARD_FEED_EXCEPTIONS", &exception), ("STEELYARD_FEED_LEASE_S", "10")])
}

async fn save(service: &Served, url: &str) -> String {
    let body = json!({ "url": url, "format": "ndjson", "every_s": 3600 });
    let reply = Reply::to(service.post("/v1/feeds", body.to_string())).await;
    assert_eq!(reply.status, 201, "{}", reply.text());
    reply.json()["id"].as_str().unwrap().into()
}

async fn items(service: &Served, path: &str) -> Vec<Value> {
    let reply = Reply::to(service.get(path)).await;
    assert_eq!(reply.status, 200, "{path}: {}", reply.text());
    reply.json()["items"].as_array().unwrap().clone()
}

/// How often a path was asked for.
async fn asked(server: &MockServer, path: &str) -> usize {
    server.received_requests().await.unwrap().iter().filter(|r| r.url.path() == path).count()
}

async fn until(what: &str, mut happens: impl AsyncFnMut() -> bool) {
    let deadline = Instant::now() + PATIENCE;
    while !happens().await {
        assert!(Instant::now() < deadline, "{what} does not happen");
        tokio::time::sleep(Duration::from_millis(100)).await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn each_feed_is_polled_once_a_period_by_any_number_of_processes() {
    let (place, server) = (Place::postgres().await, MockServer::start().await);
    Mock::given(method("GET")).and(path_regex("^/feed-")).respond_with(answer).mount(&server).await;
    let replicas: Vec<Served> = (0..PROCESSES).map(|_| replica(&place, &server)).collect();
    let mut ids = Vec::new();
    for n in 0..FEEDS {
        ids.push(save(&replicas[n % PROCESSES], &format!("{}/feed-{n}", server.uri())).await);
    }
    for period in 1..=3 {
        until("a poll of each feed", async || {
            let feeds = items(&replicas[0], "/v1/feeds").await;
            feeds.iter().all(|f| {
                f["next_poll_at"].as_str().unwrap().parse::<jiff::Timestamp>().unwrap() > jiff::Timestamp::now()
            })
        })
        .await;
        // Whoever came too late has had time to come.
        tokio::time::sleep(Duration::from_secs(3)).await;
        for n in 0..FEEDS {
            assert_eq!(asked(&server, &format!("/feed-{n}")).await, period, "feed {n} in period {period}");
        }
        // The next period begins.
        let mut database = sqlx::PgConnection::connect(place.variable().1).await.unwrap();
        database.execute("UPDATE feeds SET next_poll_at = created_at").await.unwrap();
        database.close().await.unwrap();
    }
    let listings = items(&replicas[1], "/v1/listings").await;
    assert_eq!(listings.len(), FEEDS);
    for id in &ids {
        let past = items(&replicas[2], &format!("/v1/listings/{id}:1/assessments")).await;
        assert_eq!(past.len(), 1, "saved once, and found unchanged twice");
    }
    drop(replicas);
    place.remove().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_feed_whose_process_is_killed_is_taken_over_and_nothing_is_doubled() {
    let (place, server) = (Place::postgres().await, MockServer::start().await);
    Mock::given(path("/held")).respond_with(Held(AtomicUsize::new(0))).mount(&server).await;
    let first = replica(&place, &server);
    let id = save(&first, &format!("{}/held", server.uri())).await;
    until("the first poll", async || asked(&server, "/held").await == 1).await;
    let others = [replica(&place, &server), replica(&place, &server)];
    // The lease outlives its length as long as it is renewed.
    tokio::time::sleep(Duration::from_secs(15)).await;
    assert_eq!(asked(&server, "/held").await, 1);
    // SIGKILL: see `std::process::Child::kill`.
    drop(first);
    until("the second poll", async || asked(&server, "/held").await == 2).await;
    until("its end", async || items(&others[0], "/v1/feeds").await[0]["last_polled_at"].is_string()).await;
    tokio::time::sleep(Duration::from_secs(3)).await;
    assert_eq!(asked(&server, "/held").await, 2);
    let listings = items(&others[1], "/v1/listings").await;
    assert_eq!(listings.iter().map(|l| &l["id"]).collect::<Vec<_>>(), [&json!(format!("{id}:1"))]);
    assert_eq!(items(&others[1], &format!("/v1/listings/{id}:1/assessments")).await.len(), 1);
    drop(others);
    place.remove().await;
}

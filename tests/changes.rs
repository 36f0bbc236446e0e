//! What happened, as Server-Sent Events: nothing lost, nothing doubled, whatever breaks.

#[macro_use]
mod support;

use rand_pcg::Pcg64;
use rand_pcg::rand_core::{RngCore as _, SeedableRng as _};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};
use steelyard::app::MOST_STREAMS;
use steelyard::store::NewChange;
use support::place::Place;
use support::{Reply, Served, run};

/// Until an event that must come counts as missing.
const PATIENCE: Duration = Duration::from_secs(60);

/// An event as a client sees it.
#[derive(Debug, Clone, PartialEq)]
struct Seen {
    id: i64,
    event: String,
    data: Value,
}

/// A client: blocks of lines as WHATWG HTML, section 9.2.6, has them interpreted.
struct Reader {
    answer: reqwest::Response,
    text: Vec<u8>,
    /// What it would send to go on.
    last: String,
}

impl Reader {
    async fn open(service: &Served, query: &str, last: &str) -> Self {
        let mut request = service.get(&format!("/v1/changes{query}")).timeout(10 * PATIENCE);
        if !last.is_empty() {
            request = request.header("last-event-id", last);
        }
        let answer = request.send().await.unwrap();
        assert_eq!(answer.status(), 200);
        assert_eq!(answer.headers()["content-type"], "text/event-stream");
        assert_eq!(answer.headers()["cache-control"], "no-store");
        Self { answer, text: Vec::new(), last: last.into() }
    }

    /// Goes on from where another stopped.
    async fn again(service: &Served, last: &str) -> Self {
        Self::open(service, "", last).await
    }

    /// The next block, of which there need be no event; none where the stream ended, in whatever way.
    async fn block(&mut self) -> Option<Option<Seen>> {
        let (mut event, mut data, mut id) = (String::new(), Vec::new(), None);
        loop {
            let line = self.line().await?;
            if line.is_empty() {
                if let Some(id) = id {
                    self.last = id;
                }
                if data.is_empty() {
                    return Some(None);
                }
                let data = serde_json::from_str(&data.join("\n")).unwrap();
                return Some(Some(Seen { id: self.last.parse().unwrap(), event, data }));
            }
            let (field, value) = line.split_once(':').unwrap_or((&line, ""));
            let value = value.strip_prefix(' ').unwrap_or(value).to_owned();
            match field {
                "event" => event = value,
                "data" => data.push(value),
                "id" => id = Some(value),
                "retry" => assert!(value.parse::<u32>().is_ok(), "{line}"),
                "" => {}
                _ => panic!("there is no such field: {line}"),
            }
        }
    }

    async fn line(&mut self) -> Option<String> {
        loop {
            if let Some(end) = self.text.iter().position(|b| *b == b'\n') {
                let line: Vec<u8> = self.text.drain(..=end).collect();
                return Some(String::from_utf8(line).unwrap().trim_end_matches('\n').to_owned());
            }
            let chunk = tokio::time::timeout(PATIENCE, self.answer.chunk()).await.expect("nothing comes any more");
            self.text.extend_from_slice(&chunk.ok()??);
        }
    }

    async fn next(&mut self) -> Option<Seen> {
        loop {
            if let Some(seen) = self.block().await? {
                return Some(seen);
            }
        }
    }

    async fn take(&mut self, count: usize) -> Vec<Seen> {
        let mut all = Vec::new();
        while all.len() < count {
            all.push(self.next().await.unwrap_or_else(|| panic!("the stream ended after {all:?}")));
        }
        all
    }
}

async fn found(service: &Served, listing: &str, key: &str) -> Reply {
    let body = json!({ "listing": listing, "story": "original" }).to_string();
    let reply = Reply::to(service.post("/v1/outcomes", body).header("idempotency-key", key)).await;
    assert_eq!(reply.status, 201, "{}", reply.text());
    reply
}

/// Every number from one on, each once.
fn counts_up(seen: &[Seen], from: i64) {
    let ids: Vec<i64> = seen.iter().map(|s| s.id).collect();
    assert_eq!(ids, (from..from + i64::try_from(ids.len()).unwrap()).collect::<Vec<_>>());
}

fn listing(seller: &str, price: &str, seen: usize) -> String {
    let eur = |amount: &str| json!({ "amount": amount, "currency": "EUR" });
    let signs = ["crown_unsigned", "dial_too_fresh", "hands_style_clash", "movement_engraving_fresh"];
    let call = |i: usize| if i < seen { "present" } else { "absent" };
    let calls = signs.iter().enumerate().map(|(i, sign)| json!({ "sign": sign, "call": call(i), "in_hand": true }));
    json!({
        "seller": { "id": seller }, "offer": { "price": eur(price) },
        "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } },
        "observations": calls.collect::<Vec<_>>(),
    })
    .to_string()
}

async fn put(service: &Served, path: &str, body: String) {
    let request = service.request("PUT", path).header("content-type", "application/json").body(body);
    let reply = Reply::to(request).await;
    assert!(reply.status.is_success(), "{}", reply.text());
}

on_both!(
    events_say_what_was_thought_before_and_after_and_why,
    a_client_that_breaks_off_and_a_service_started_anew_lose_and_double_nothing,
    many_write_while_a_client_comes_and_goes,
    a_connection_that_breaks_before_the_first_event_loses_nothing,
);

async fn events_say_what_was_thought_before_and_after_and_why(place: &Place) {
    let service = Served::at(place);
    let mut reader = Reader::open(&service, "", "").await;
    put(&service, "/v1/listings/lot-1", listing("s-17", "250.00", 0)).await;
    let advice = |text: &Value| text["assessment"]["decision"]["advice"].clone();
    let before = Reply::to(service.get("/v1/listings/lot-1")).await.json();
    put(&service, "/v1/listings/lot-1", listing("s-17", "249.00", 4)).await;
    let after = Reply::to(service.get("/v1/listings/lot-1")).await.json();
    assert_ne!(advice(&before), advice(&after), "nothing to tell of");
    let outcome = found(&service, "lot-9", "k").await.json();

    let short = |saved: &Value| {
        let assessment = &saved["assessment"];
        json!({
            "advice": assessment["decision"]["advice"], "bad": assessment["probability"]["bad"],
            "walk_away_price": assessment["decision"]["walk_away_price"],
        })
    };
    let seen = reader.take(2).await;
    assert_eq!((seen[0].id, seen[0].event.as_str()), (1, "advice_changed"));
    let at = seen[0].data["at"].as_str().unwrap();
    assert!(at.parse::<jiff::Timestamp>().is_ok(), "{at}");
    assert_eq!(
        seen[0].data,
        json!({
            "id": 1, "at": at, "listing": "lot-1", "before": short(&before), "after": short(&after),
            "because": ["its price went from 250.00 EUR to 249.00 EUR", "changed in its request: observations"],
        })
    );
    assert_eq!((seen[1].id, seen[1].event.as_str()), (2, "outcome_recorded"));
    assert_eq!(
        seen[1].data,
        json!({
            "id": 2, "at": outcome["recorded_at"], "listing": "lot-9", "outcome": outcome["id"], "story": "original",
        })
    );
}

/// Both by order to stop and by a kill.
async fn a_client_that_breaks_off_and_a_service_started_anew_lose_and_double_nothing(place: &Place) {
    let (mut all, mut last) = (Vec::new(), String::new());
    for round in 0..4 {
        let mut service = Served::at(place);
        // From its first change on where it has seen none.
        let query = if last.is_empty() { "?after=0" } else { "" };
        let mut reader = Reader::open(&service, query, &last).await;
        for i in 0..10 {
            found(&service, &format!("lot-{round}-{i}"), &format!("{round}-{i}")).await;
        }
        // It breaks off in the middle; what is left comes to whoever goes on.
        all.extend(reader.take(3).await);
        let mut reader = Reader::again(&service, &reader.last).await;
        all.extend(reader.take(4).await);
        last = reader.last.clone();
        if round % 2 == 0 {
            service.terminate();
            assert!(service.ended_within(PATIENCE).is_some_and(|s| s.success()));
        }
    }
    let service = Served::at(place);
    let mut reader = Reader::again(&service, &last).await;
    all.extend(reader.take(40 - all.len()).await);
    counts_up(&all, 1);
    let whole = Reader::open(&service, "?after=0", "").await.take(40).await;
    assert_eq!(all, whole);
}

async fn many_write_while_a_client_comes_and_goes(place: &Place) {
    const WRITERS: usize = 6;
    const EACH: usize = 12;
    // More than are read at a time.
    const IMPORTED: usize = 250;
    let service = Arc::new(Served::at(place));
    let mut writers = tokio::task::JoinSet::new();
    for writer in 0..WRITERS {
        let service = service.clone();
        writers.spawn(async move {
            for i in 0..EACH {
                found(&service, &format!("lot-{writer}-{i}"), &format!("{writer}-{i}")).await;
            }
        });
    }
    let importing = service.clone();
    writers.spawn(async move {
        let lines: Vec<String> = (0..IMPORTED).map(|i| format!("imported-{i},original")).collect();
        let file = format!("listing,story\n{}", lines.join("\n"));
        let request = importing.request("POST", "/v1/outcomes/import").header("content-type", "text/csv").body(file);
        assert_eq!(Reply::to(request).await.json()["accepted"], IMPORTED);
    });
    let mut rng = Pcg64::seed_from_u64(5);
    let (mut all, mut last, mut connections) = (Vec::new(), "0".to_owned(), 0);
    let expected = WRITERS * EACH + IMPORTED;
    while all.len() < expected {
        let mut reader = Reader::again(&service, &last).await;
        let some = usize::try_from(rng.next_u32() % 40).unwrap().min(expected - all.len());
        all.extend(reader.take(some).await);
        last = reader.last;
        connections += 1;
    }
    writers.join_all().await;
    counts_up(&all, 1);
    let mut told: BTreeMap<&str, usize> = BTreeMap::new();
    all.iter().for_each(|s| *told.entry(s.data["listing"].as_str().unwrap()).or_default() += 1);
    assert_eq!((told.len(), told.values().max()), (expected, Some(&1)));
    eprintln!("{expected} events over {connections} connections, each once");
}

async fn a_connection_that_breaks_before_the_first_event_loses_nothing(place: &Place) {
    let service = Served::at(place);
    found(&service, "lot-0", "0").await;
    let mut reader = Reader::open(&service, "", "").await;
    // No event, but a place to go on from.
    assert_eq!(reader.block().await, Some(None));
    assert_eq!(reader.last, "1");
    let last = reader.last.clone();
    drop(reader);
    found(&service, "lot-1", "1").await;
    let mut reader = Reader::again(&service, &last).await;
    assert_eq!(reader.take(1).await[0].data["listing"], "lot-1");
    // The header is newer than the address, which a browser repeats as it was.
    let mut reader = Reader::open(&service, "?after=0", "1").await;
    assert_eq!(reader.take(1).await[0].id, 2);
    // One that has seen nothing may say so by an empty header.
    let request = service.get("/v1/changes").header("last-event-id", "");
    assert_eq!(request.send().await.unwrap().status(), 200);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_one_replica_writes_arrives_at_the_readers_of_another() {
    let place = Place::postgres().await;
    let replicas = [Served::at(&place), Served::at(&place)];
    let mut readers = [Reader::open(&replicas[0], "", "").await, Reader::open(&replicas[1], "", "").await];
    for i in 0..20 {
        found(&replicas[i % 2], &format!("lot-{i}"), &i.to_string()).await;
    }
    let first = readers[0].take(20).await;
    counts_up(&first, 1);
    // Half at one, the rest at the other.
    let half = readers[1].take(10).await;
    let rest = Reader::again(&replicas[0], &readers[1].last).await.take(10).await;
    assert_eq!([half, rest].concat(), first);
    drop((readers, replicas));
    place.remove().await;
}

#[tokio::test]
async fn what_another_process_writes_to_the_file_arrives_too() {
    let place = Place::sqlite();
    let service = Served::at(&place);
    let mut reader = Reader::open(&service, "", "").await;
    let Place::Folder(folder) = &place else { unreachable!() };
    let file = folder.path().join("found.csv");
    std::fs::write(&file, "listing,story\nlot-1,fake\n").unwrap();
    let data = folder.path().to_str().unwrap();
    let printed = run(&["outcomes", "import", file.to_str().unwrap(), "--data", data]);
    assert_eq!(printed.code, Some(0), "{printed:?}");
    assert_eq!(reader.take(1).await[0].data["story"], "fake");
}

#[tokio::test]
async fn rows_of_the_first_versions_are_served_in_the_new_form() {
    let place = Place::sqlite();
    let store = place.open().await;
    let mut write = store.write("local").await.unwrap();
    let at = "2026-11-24T21:00:00Z".parse().unwrap();
    let rows = [
        ("advice_changed", r#"{"id":"lot-1","at":"t","before":{},"after":{},"because":["x"]}"#),
        ("outcome_recorded", r#"{"id":"o-1","at":"t","listing":"lot-1","story":"fake"}"#),
        ("feed_failed", r#"{"id":"f-1","at":"t","state":"resting"}"#),
    ];
    let rows = rows.map(|(event, data)| NewChange { at, event, data });
    write.tell(&rows).await.unwrap();
    write.commit().await.unwrap();
    store.close().await;
    let service = Served::at(&place);
    let seen = Reader::open(&service, "?after=0", "").await.take(3).await;
    let data: Vec<Value> = seen.into_iter().map(|s| s.data).collect();
    assert_eq!(
        data,
        [
            json!({ "id": 1, "at": "t", "listing": "lot-1", "before": {}, "after": {}, "because": ["x"] }),
            json!({ "id": 2, "at": "t", "listing": "lot-1", "outcome": "o-1", "story": "fake" }),
            json!({ "id": 3, "at": "t", "feed": "f-1", "state": "resting" }),
        ]
    );
}

#[tokio::test]
async fn a_place_that_never_was_is_refused() {
    let service = Served::start();
    found(&service, "lot-1", "1").await;
    for id in ["x", "-1", "+1", "1.0", "1 2", "0x1", "2", "9223372036854775808", "99999999999999999999"] {
        let problem = Reply::to(service.get("/v1/changes").header("last-event-id", id)).await.problem(400);
        assert!(problem["detail"].as_str().unwrap().contains("`Last-Event-ID`"), "{problem}");
        let id = id.replace('+', "%2B").replace(' ', "%20");
        let problem = Reply::to(service.get(&format!("/v1/changes?after={id}"))).await.problem(400);
        assert!(problem["detail"].as_str().unwrap().contains("`after`"), "{problem}");
    }
    let twice = service.get("/v1/changes").header("last-event-id", "0").header("last-event-id", "1");
    Reply::to(twice).await.problem(400);
    let bytes = reqwest::header::HeaderValue::from_bytes(b"1\xff").unwrap();
    Reply::to(service.get("/v1/changes").header("last-event-id", bytes)).await.problem(400);
    Reply::to(service.get("/v1/changes?since=1")).await.problem(422);
    Reply::to(service.get("/v1/changes?after=")).await.problem(400);
}

#[tokio::test]
async fn an_order_to_stop_ends_the_streams_and_is_not_held_up_by_them() {
    let mut service = Served::start();
    let mut readers = Vec::new();
    for _ in 0..5 {
        readers.push(Reader::open(&service, "", "").await);
    }
    found(&service, "lot-1", "1").await;
    for reader in &mut readers {
        assert_eq!(reader.next().await.map(|s| s.id), Some(1));
    }
    let began = Instant::now();
    service.terminate();
    for reader in &mut readers {
        // To its end, not broken off.
        assert!(matches!(reader.answer.chunk().await, Ok(None)));
    }
    // The grace of requests under way is ten seconds.
    assert!(service.ended_within(Duration::from_secs(8)).is_some_and(|s| s.success()), "{:?}", began.elapsed());
}

#[tokio::test]
async fn only_so_many_streams_are_open_at_once() {
    let service = Served::start();
    let mut readers = Vec::new();
    for _ in 0..MOST_STREAMS {
        readers.push(Reader::open(&service, "", "").await);
    }
    let refused = Reply::to(service.get("/v1/changes")).await;
    assert_eq!(refused.problem(503)["type"], "/problems/saturated");
    assert!(refused.header("retry-after").is_some_and(|s| s.parse::<u32>().is_ok()));
    assert_eq!(Reply::to(service.get("/v1/listings")).await.status, 200);
    readers.pop();
    let until = Instant::now() + PATIENCE;
    while service.get("/v1/changes").send().await.unwrap().status() != 200 {
        assert!(Instant::now() < until, "the place is not free again");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

#[tokio::test]
async fn a_silent_stream_shows_that_it_is_alive() {
    let service = Served::start();
    let mut reader = Reader::open(&service, "", "").await;
    assert_eq!(reader.block().await, Some(None));
    assert_eq!(reader.line().await.as_deref(), Some(":"));
}

//! Whatever is sent to whatever operation of the document: never a fault of ours, every refusal a
//! problem, and nothing stored by what was refused. Paths, parameters, headers and bodies are the
//! document's own examples bent at random, and noise; on either engine.

#[allow(dead_code, reason = "every test takes the part it needs")]
#[path = "support/bent.rs"]
mod bent;
#[macro_use]
mod support;

use bent::{Bend, WORDS, bend, value};
use proptest::prelude::*;
use proptest::sample::{Index, select};
use proptest::test_runner::{RngSeed, TestRunner};
use reqwest::header::{HeaderName, HeaderValue};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::sync::{LazyLock, Mutex};
use std::time::{Duration, Instant};
use steelyard::openapi;
use steelyard::problem::KINDS;
use steelyard::store::Store;
use steelyard_model::pack::Pack;
use support::place::Place;
use support::{Reply, Served};

/// Requests sent on each engine, unless the environment names another number.
const CASES: u32 = 3000;

/// Until a calibration of next to nothing counts as hung.
const PATIENCE: Duration = Duration::from_secs(120);

/// A feed at the port of RFC 863, which nothing listens at, of this machine.
const NOWHERE: &str = "http://127.0.0.1:9/feed.json";

// --- What there is to send ---------------------------------------------------------------

/// An operation of the document.
struct Operation {
    method: String,
    path: String,
    query: Vec<String>,
    /// Statuses that it is said to answer with.
    answers: Vec<u16>,
    /// Bodies by media type, each with its examples.
    bodies: Vec<(String, Vec<Value>)>,
}

static OPERATIONS: LazyLock<Vec<Operation>> = LazyLock::new(|| {
    let document = openapi::document().unwrap();
    let paths = document["paths"].as_object().unwrap().iter();
    let all = paths.flat_map(|(path, item)| item.as_object().unwrap().iter().map(move |(method, o)| (path, method, o)));
    let members = |value: &Value| value.as_object().cloned().unwrap_or_default();
    all.filter(|(_, method, _)| ["get", "put", "post", "delete"].contains(&method.as_str()))
        // Nobody knows where a bent URL leads: feeds are saved here, and never asked for. `tests/feeds.rs` polls.
        .filter(|(path, ..)| *path != "/v1/feeds/{id}/poll")
        .map(|(path, method, operation)| Operation {
            method: method.to_uppercase(),
            path: path.clone(),
            query: operation["parameters"]
                .as_array()
                .into_iter()
                .flatten()
                .filter(|p| p["in"] == "query")
                .map(|p| p["name"].as_str().unwrap().to_owned())
                .collect(),
            answers: members(&operation["responses"]).keys().map(|status| status.parse().unwrap()).collect(),
            bodies: members(&operation["requestBody"]["content"])
                .iter()
                .map(|(kind, body)| {
                    let mut examples: Vec<Value> =
                        members(&body["examples"]).values().map(|example| example["value"].clone()).collect();
                    if examples.is_empty() {
                        examples.push(json!({}));
                    }
                    (kind.clone(), examples)
                })
                .collect(),
        })
        .collect()
});

/// A request, drawn.
#[derive(Debug, Clone)]
struct Drawn {
    operation: Index,
    names: [String; 2],
    query: Vec<(Index, String)>,
    headers: Vec<(&'static str, Vec<u8>)>,
    body: Body,
    /// Not the media type that the operation takes.
    media_type: Option<&'static str>,
}

#[derive(Debug, Clone)]
enum Body {
    /// An example with these changes.
    Bent(Index, Vec<Bend>, Vec<(Index, u8, u8)>),
    Json(Value),
    Noise(Vec<u8>),
    None,
}

/// Names that are stored, some of them.
const NAMES: [&str; 8] = ["lot-381", "lot-382", "s-17", "Halvorne", "H 2217", "71", "own", "own"];

fn name() -> impl Strategy<Value = String> {
    let awkward = [
        "\u{0}",
        "\u{7f}",
        "a\nb",
        ".",
        "..",
        "a/b",
        "%",
        "%00",
        "ü",
        "🕰",
        "\u{202e}",
        "\u{feff}",
        "' OR 1=1 --",
        "0",
        "-1",
        "9223372036854775808",
        " ",
        "?",
        "#",
        ";",
        "null",
    ];
    prop_oneof![
        8 => select(NAMES.to_vec()).prop_map(str::to_owned),
        1 => Just(Pack::builtin().data().version.clone()),
        2 => select(awkward.to_vec()).prop_map(str::to_owned),
        1 => any::<String>(),
        1 => (190..210_usize).prop_map(|n| "x".repeat(n)),
        1 => Just("x".repeat(6000)),
    ]
}

fn parameter() -> impl Strategy<Value = String> {
    let numbers = [
        "0",
        "1",
        "2",
        "7",
        "200",
        "201",
        "-1",
        "+1",
        "1.5",
        "1e3",
        "9223372036854775807",
        "9223372036854775808",
        "-9223372036854775809",
    ];
    let words = [
        "",
        "true",
        "false",
        "open",
        "bought",
        "bad",
        "-bad",
        "-net_per_stake",
        "saved_at",
        "ask_worth",
        "dial_straight",
        "dial_straight,back_outside",
        "e30",
        "bnVsbA",
        "eyJvZiI6IiIsImF0IjoxfQ",
    ];
    prop_oneof![
        3 => select(numbers.to_vec()).prop_map(str::to_owned),
        3 => select(words.to_vec()).prop_map(str::to_owned),
        2 => select(NAMES.to_vec()).prop_map(str::to_owned),
        1 => select(WORDS.values.clone()),
        1 => any::<String>(),
    ]
}

fn header() -> impl Strategy<Value = (&'static str, Vec<u8>)> {
    let names = [
        "if-match",
        "if-none-match",
        "idempotency-key",
        "last-event-id",
        "accept",
        "content-encoding",
        "range",
        "expect-ct",
        "traceparent",
    ];
    let values = [
        "*",
        "\"1\"",
        "W/\"1\"",
        "\"1\", \"2\", \"3\"",
        "\"0-1\"",
        "\"",
        "\"\"",
        "1",
        "0",
        "-1",
        "k-1",
        "k-2",
        "",
        ",",
        "null",
        "gzip",
        "bytes=0-1",
    ];
    let value = prop_oneof![
        6 => select(values.to_vec()).prop_map(|v| v.as_bytes().to_vec()),
        1 => (1..60_i64).prop_map(|n| format!("\"{n}\"").into_bytes()),
        1 => (250..260_usize).prop_map(|n| vec![b'k'; n]),
        1 => prop::collection::vec(any::<u8>(), 0..20),
    ];
    (select(names.to_vec()), value)
}

fn body() -> impl Strategy<Value = Body> {
    let bytes = prop::collection::vec((any::<Index>(), any::<u8>(), any::<u8>()), 0..4);
    prop_oneof![
        3 => any::<Index>().prop_map(|i| Body::Bent(i, Vec::new(), Vec::new())),
        8 => (any::<Index>(), prop::collection::vec(bend(), 1..5)).prop_map(|(i, bends)| Body::Bent(i, bends, Vec::new())),
        3 => (any::<Index>(), bytes).prop_map(|(i, bytes)| Body::Bent(i, Vec::new(), bytes)),
        2 => value().prop_map(Body::Json),
        1 => prop::collection::vec(any::<u8>(), 0..200).prop_map(Body::Noise),
        1 => Just(Body::None),
    ]
}

fn drawn() -> impl Strategy<Value = Drawn> {
    let some = |probability| prop::bool::weighted(probability);
    let media_types = [
        "application/json; charset=utf-8",
        "application/json; charset=latin1",
        "text/plain",
        "text/csv",
        "application/x-ndjson",
        "",
        "*/*",
        "application/merge-patch+json",
    ];
    let query = prop::collection::vec((any::<Index>(), parameter()), 0..4);
    let headers = prop::collection::vec(header(), 0..3);
    (any::<Index>(), [name(), name()], query, headers, body(), some(0.1), select(media_types.to_vec())).prop_map(
        |(operation, names, query, headers, body, other, media_type)| Drawn {
            operation,
            names,
            query,
            headers,
            body,
            media_type: other.then_some(media_type),
        },
    )
}

/// Every byte but letters and digits written as `%` and two digits (RFC 3986, section 2.1).
fn encoded(text: &str) -> String {
    let byte = |b: u8| if b.is_ascii_alphanumeric() { char::from(b).to_string() } else { format!("%{b:02X}") };
    text.bytes().map(byte).collect()
}

impl Drawn {
    fn operation(&self) -> &'static Operation {
        self.operation.get(&OPERATIONS)
    }

    fn path(&self, made: &BTreeMap<String, String>) -> String {
        // What was made under a name of its own is named so.
        let own = |name: &str| match name {
            "own" => {
                made.iter().find(|(at, _)| self.operation().path.starts_with(*at)).map_or("own", |(_, id)| id).into()
            }
            name => name.to_owned(),
        };
        let mut names = self.names.iter().map(|name| own(name));
        let part = |part: &str| match part.starts_with('{') {
            true => encoded(&names.next().unwrap_or_default()),
            false => part.to_owned(),
        };
        let path: Vec<String> = self.operation().path.split('/').map(part).collect();
        let known = &self.operation().query;
        let pair = |(which, value): &(Index, String)| {
            // One more than there are: a parameter that is none.
            let i = which.index(known.len() + 1);
            format!("{}={}", known.get(i).map_or("attic", |name| name), encoded(value))
        };
        let query: Vec<String> = self.query.iter().map(pair).collect();
        let mark = if query.is_empty() { "" } else { "?" };
        format!("{}{mark}{}", path.join("/"), query.join("&"))
    }

    /// The body and its media type.
    fn body(&self) -> Option<(String, Vec<u8>)> {
        let bodies = &self.operation().bodies;
        let of = |which: &Index| {
            let (kind, examples) = which.get(bodies);
            (kind.clone(), which.get(examples).clone())
        };
        let (kind, bytes) = match &self.body {
            Body::None => return None,
            Body::Noise(bytes) => ("application/json".into(), bytes.clone()),
            Body::Json(value) => ("application/json".into(), value.to_string().into_bytes()),
            Body::Bent(..) if bodies.is_empty() => return None,
            Body::Bent(which, bends, bytes) => {
                let (kind, mut example) = of(which);
                let mut text = match example {
                    // CSV and NDJSON are bent line by line where they are JSON, and as bytes.
                    Value::String(text) => match serde_json::from_str::<Value>(&text) {
                        Ok(mut line) => {
                            bends.iter().cloned().for_each(|b| b.apply(&mut line));
                            let before = if kind.ends_with("ndjson") { text.as_str() } else { "" };
                            format!("{before}{line}\n").into_bytes()
                        }
                        Err(_) => text.into_bytes(),
                    },
                    _ => {
                        if ["/v1/feeds", "/v1/feeds/{id}"].contains(&self.operation().path.as_str()) {
                            example["url"] = json!(NOWHERE);
                        }
                        if self.operation().path.contains("{id}") {
                            // It would have to be that of the path.
                            example.as_object_mut().map(|members| members.remove("id"));
                        }
                        bends.iter().cloned().for_each(|b| b.apply(&mut example));
                        example.to_string().into_bytes()
                    }
                };
                for (at, how, byte) in bytes {
                    let i = at.index(text.len().max(1)).min(text.len());
                    match how % 3 {
                        0 if i < text.len() => text[i] = *byte,
                        1 if i < text.len() => drop(text.remove(i)),
                        _ => text.insert(i, *byte),
                    }
                }
                (kind, text)
            }
        };
        let kind = self.media_type.map_or(kind, str::to_owned);
        Some((kind, bytes))
    }

    /// Whether what is sent might have the service fetch something from anywhere but a closed port of
    /// this machine: a feed of another URL, or one that says where it goes on.
    fn reaches_out(&self) -> bool {
        let path = &self.operation().path;
        let Some((_, bytes)) = self.body().filter(|_| path.starts_with("/v1/feeds")) else { return false };
        let read: Value = serde_json::from_slice(&bytes).unwrap_or_else(|_| String::from_utf8_lossy(&bytes).into());
        let text = read.to_string().replace(NOWHERE, "").to_lowercase();
        let letters: String = text.chars().filter(char::is_ascii_alphanumeric).collect();
        letters.contains("nexturl") || (!path.ends_with("/items") && letters.contains("http"))
    }

    fn request(&self, service: &Served, made: &BTreeMap<String, String>) -> reqwest::RequestBuilder {
        let mut request = service.request(&self.operation().method, &self.path(made));
        for (name, value) in &self.headers {
            if let Ok(value) = HeaderValue::from_bytes(value) {
                request = request.header(HeaderName::from_static(name), value);
            }
        }
        if let Some((kind, bytes)) = self.body() {
            request = request.header("content-type", kind).body(bytes);
        }
        request
    }
}

// --- What holds of every answer ----------------------------------------------------------

struct Fuzzed {
    service: Served,
    store: Store,
    counts: Mutex<BTreeMap<u16, usize>>,
    answered: Mutex<BTreeMap<String, usize>>,
    /// The newest thing made under a name of the service's own, by its collection.
    made: Mutex<BTreeMap<String, String>>,
}

macro_rules! hold {
    ($condition:expr, $($words:tt)*) => { prop_assert!($condition, $($words)*) };
}

impl Fuzzed {
    async fn judge(&self, drawn: &Drawn) -> Result<(), TestCaseError> {
        let operation = drawn.operation();
        let before = self.store.revision("local").await.unwrap();
        if drawn.reaches_out() {
            return Ok(());
        }
        let made = self.made.lock().unwrap().clone();
        let answer = match drawn.request(&self.service, &made).send().await {
            Ok(answer) => answer,
            // What cannot be put into a request cannot be sent.
            Err(e) if e.is_builder() => return Ok(()),
            Err(e) => return Err(TestCaseError::fail(format!("no answer: {e:?}"))),
        };
        let status = answer.status().as_u16();
        *self.counts.lock().unwrap().entry(status).or_default() += 1;
        let named = format!("{} {}", operation.method, operation.path);
        *self.answered.lock().unwrap().entry(named).or_default() += usize::from(status < 300);
        let kind = answer.headers().get("content-type").and_then(|v| v.to_str().ok()).unwrap_or_default().to_owned();
        hold!(answer.headers().contains_key("cache-control"), "{status} may be kept");
        if let Some(at) = answer.headers().get("location").and_then(|v| v.to_str().ok())
            && let Some((collection, id)) = at.rsplit_once('/')
        {
            self.made.lock().unwrap().insert(collection.into(), id.into());
        }
        if kind == "text/event-stream" {
            // It has no end.
            return Ok(());
        }
        let body = answer.bytes().await.map_err(|e| TestCaseError::fail(format!("{status} breaks off: {e:?}")))?;
        let text = String::from_utf8_lossy(&body);
        hold!(status < 500, "{status} {text}");
        let described = operation.answers.contains(&status);
        // An empty or dotted name makes another path.
        let elsewhere = [404, 405, 307, 308].contains(&status);
        hold!(described || elsewhere, "{status} is not described: {text}");
        if status >= 400 {
            hold!(kind == "application/problem+json", "{status} {kind} {text}");
            let problem: Value =
                serde_json::from_slice(&body).map_err(|e| TestCaseError::fail(format!("{e}: {text}")))?;
            hold!(problem["status"] == status, "{status} {problem}");
            let known = KINDS.iter().find(|k| problem["type"] == format!("/problems/{}", k.name));
            hold!(known.is_some_and(|k| k.status.as_u16() == status), "{problem}");
            let after = self.store.revision("local").await.unwrap();
            hold!(after == before, "{status} and yet stored: {before} {after} {text}");
        } else if kind == "application/json" {
            hold!(serde_json::from_slice::<Value>(&body).is_ok(), "{text}");
        }
        if status == 202 && operation.method == "POST" {
            self.ended(&body).await;
        }
        Ok(())
    }

    /// A job writes when it ends: what is sent next is held against the revision.
    async fn ended(&self, job: &[u8]) {
        let Ok(Value::Object(job)) = serde_json::from_slice::<Value>(job) else { return };
        let Some(id) = job.get("id").and_then(Value::as_str) else { return };
        let until = Instant::now() + PATIENCE;
        loop {
            let job = Reply::to(self.service.get(&format!("/v1/calibrations/{id}"))).await.json();
            if !["queued", "running"].contains(&job["state"].as_str().unwrap()) {
                return;
            }
            assert!(Instant::now() < until, "{job}");
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }
}

on_both!(whatever_is_sent_is_answered_or_refused_and_what_is_refused_stores_nothing);

async fn whatever_is_sent_is_answered_or_refused_and_what_is_refused_stores_nothing(place: &Place) {
    let alone = ("STEELYARD_POLL_FEEDS", "false");
    let service = Served::with(&[place.variable(), alone, ("STEELYARD_FEED_EXCEPTIONS", "127.0.0.1:9")]);
    // Something to overwrite, to delete and to walk through.
    for id in ["lot-381", "lot-382"] {
        let body = json!({ "seller": { "id": "s-17" }, "observations": [] }).to_string();
        let put = service.request("PUT", &format!("/v1/listings/{id}")).header("content-type", "application/json");
        assert_eq!(Reply::to(put.body(body)).await.status, 201);
    }
    let fuzzed = Fuzzed {
        service,
        store: place.open().await,
        counts: Mutex::default(),
        answered: Mutex::default(),
        made: Mutex::default(),
    };
    let set = ProptestConfig::default();
    let named = |name: &str| std::env::var_os(name).is_some();
    let config = ProptestConfig {
        cases: if named("PROPTEST_CASES") { set.cases } else { CASES },
        rng_seed: if named("PROPTEST_RNG_SEED") { set.rng_seed } else { RngSeed::Fixed(381) },
        failure_persistence: None,
        max_shrink_iters: 200,
        ..set
    };
    let ran = tokio::task::block_in_place(|| {
        let here = tokio::runtime::Handle::current();
        let ran = TestRunner::new(config).run(&drawn(), |drawn| {
            here.block_on(fuzzed.judge(&drawn)).map_err(|e| {
                let body = drawn.body().map(|(kind, bytes)| format!("{kind}: {}", String::from_utf8_lossy(&bytes)));
                TestCaseError::fail(format!(
                    "{e}\n{} {} {:?}\n{body:?}",
                    drawn.operation().method,
                    drawn.path(&BTreeMap::new()),
                    drawn.headers
                ))
            })
        });
        ran.map_err(|e| e.to_string())
    });
    let counts = fuzzed.counts.into_inner().unwrap();
    eprintln!("{} requests to {} operations: {counts:?}", counts.values().sum::<usize>(), OPERATIONS.len());
    fuzzed.store.close().await;
    if let Err(e) = ran {
        panic!("{e}");
    }
    // Refusing everything would pass the rest.
    let answered = fuzzed.answered.into_inner().unwrap();
    let never: Vec<&String> = answered.iter().filter(|(_, n)| **n == 0).map(|(o, _)| o).collect();
    eprintln!("never done: {never:?}");
    assert!(never.len() <= 4, "{never:?}");
}

#[test]
fn every_body_of_the_document_is_bent() {
    let bodies: usize = OPERATIONS.iter().map(|o| o.bodies.len()).sum();
    assert!(bodies >= 8 && OPERATIONS.len() >= 30, "{bodies} bodies of {} operations", OPERATIONS.len());
}

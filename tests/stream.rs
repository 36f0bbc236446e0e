//! Lines in, lines out: `POST /v1/assess/stream`.

mod support;

use reqwest::Body;
use serde_json::{Value, json};
use std::io::{BufRead as _, BufReader, ErrorKind, Read as _, Write as _};
use std::net::TcpStream;
use std::sync::Arc;
use std::time::{Duration, Instant};
use steelyard::drawn::{Drawing, request};
use steelyard::examples;
use steelyard_model::pack::Pack;
use support::{Reply, Served};

const PATH: &str = "/v1/assess/stream";
const NDJSON: &str = "application/x-ndjson";

async fn streamed(service: &Served, body: impl Into<Body>) -> Reply {
    Reply::to(service.request("POST", PATH).header("content-type", NDJSON).body(body)).await
}

fn lines(text: &str) -> Vec<Value> {
    text.lines().map(|l| serde_json::from_str(l).unwrap_or_else(|e| panic!("{e}: {l}"))).collect()
}

fn bare(id: &str) -> String {
    json!({ "id": id, "observations": [], "include": [] }).to_string()
}

/// A stream under way on a connection of its own, whose body is sent in chunks (RFC 9112 section 7.1).
struct Open {
    sending: TcpStream,
    receiving: BufReader<TcpStream>,
}

impl Open {
    fn new(service: &Served) -> Self {
        let mut sending = service.connect();
        let head = format!(
            "POST {PATH} HTTP/1.1\r\nHost: {}\r\nContent-Type: {NDJSON}\r\nTransfer-Encoding: chunked\r\n\r\n",
            service.address()
        );
        sending.write_all(head.as_bytes()).unwrap();
        let receiving = BufReader::new(sending.try_clone().unwrap());
        Self { sending, receiving }
    }

    fn send(&mut self, part: &[u8]) -> std::io::Result<()> {
        let chunk = [format!("{:x}\r\n", part.len()).as_bytes(), part, b"\r\n"].concat();
        self.sending.write_all(&chunk)
    }

    fn end(&mut self) {
        self.sending.write_all(b"0\r\n\r\n").unwrap();
    }

    /// The head of the answer.
    fn head(&mut self) -> String {
        let mut head = String::new();
        while !head.ends_with("\r\n\r\n") {
            assert_ne!(self.receiving.read_line(&mut head).unwrap(), 0, "the connection ended in {head:?}");
        }
        head.to_ascii_lowercase()
    }

    /// The next chunk of the answer's body; empty at its end.
    fn chunk(&mut self) -> Vec<u8> {
        let mut size = String::new();
        self.receiving.read_line(&mut size).unwrap();
        let size = usize::from_str_radix(size.trim_end(), 16).unwrap_or_else(|e| panic!("{e}: {size:?}"));
        let mut chunk = vec![0; size + 2];
        self.receiving.read_exact(&mut chunk).unwrap();
        chunk.truncate(size);
        chunk
    }

    /// The rest of the answer's body.
    fn rest(&mut self) -> Vec<u8> {
        let mut all = Vec::new();
        loop {
            let chunk = self.chunk();
            if chunk.is_empty() {
                return all;
            }
            all.extend(chunk);
        }
    }
}

#[tokio::test]
async fn every_line_is_answered_as_it_is_alone_and_a_bad_one_does_not_end_the_stream() {
    let service = Served::start();
    // What is stored of a seller counts in a stream as it does alone.
    let seller = json!({ "segment": "open_marketplace", "feedback": { "positive": 40, "negative": 9 } });
    let put = service.request("PUT", "/v1/sellers/s-1").header("content-type", "application/json");
    assert!(Reply::to(put.body(seller.to_string())).await.status.is_success());
    for (i, call) in ["present", "absent"].iter().enumerate() {
        let listing = json!({ "seller": { "id": "s-1" },
            "observations": [{ "sign": "dial_too_fresh", "call": call }] });
        let put = service.request("PUT", &format!("/v1/listings/saved-{i}")).header("content-type", "application/json");
        assert!(Reply::to(put.body(listing.to_string())).await.status.is_success());
    }
    let outcome = json!({ "listing": "saved-0", "story": "fake" });
    assert_eq!(Reply::to(service.post("/v1/outcomes", outcome.to_string())).await.status, 201);

    let with_seller = |id: &str, stored: bool| {
        json!({ "id": id, "seller": { "id": "s-1", "stored": stored }, "observations": [], "include": [] }).to_string()
    };
    let sent = [
        serde_json::to_string(&examples::fresh_dial()).unwrap(),
        String::new(),
        "{\"observations\": [".into(),
        with_seller("l-1", true),
        with_seller("saved-1", true),
        " \t".into(),
        with_seller("l-1", false),
        "{\"observations\": [{\"sign\": \"no_such\", \"call\": \"present\"}], \"prise\": 1}".into(),
        bare("the end"),
    ];
    let body: String = sent.iter().enumerate().map(|(i, l)| l.clone() + ["\n", "\r\n"][i % 2]).collect();
    let reply = streamed(&service, body.trim_end().to_owned()).await;
    assert_eq!(reply.status, 200);
    assert_eq!((reply.header("content-type"), reply.header("cache-control")), (Some(NDJSON), Some("no-store")));
    let mut answers = lines(&reply.text()).into_iter();
    for (i, line) in sent.iter().enumerate().filter(|(_, l)| !l.trim().is_empty()) {
        let alone = Reply::to(service.post("/v1/assess", line.clone())).await;
        let mut wanted = alone.json();
        if !alone.status.is_success() {
            wanted["line"] = json!(i + 1);
        }
        assert_eq!(answers.next().unwrap(), wanted, "line {}", i + 1);
    }
    assert_eq!(answers.next(), None);

    let used = |i: usize| lines(&reply.text())[i]["seller"]["used"].clone();
    assert_eq!(used(2), json!({ "outcomes": 1, "listings": 1, "feedback": 49 }));
    assert_eq!(used(3), json!({ "outcomes": 1, "listings": 0, "feedback": 49 }), "a listing never counts itself");
    assert_eq!(used(4), json!({ "outcomes": 0, "listings": 0, "feedback": 0 }));
}

#[tokio::test]
async fn what_is_stored_while_a_stream_goes_on_counts_from_then_on() {
    let service = Served::start();
    let line = json!({ "seller": { "id": "s-2" }, "observations": [], "include": [] }).to_string() + "\n";
    let mut open = Open::new(&service);
    let used = |open: &mut Open| {
        open.send(line.as_bytes()).unwrap();
        lines(std::str::from_utf8(&open.chunk()).unwrap())[0]["seller"]["used"]["listings"].clone()
    };
    open.send(b"\n").unwrap();
    open.head();
    assert_eq!(used(&mut open), 0);
    let put = service.request("PUT", "/v1/listings/l-2").header("content-type", "application/json");
    assert!(Reply::to(put.body(line.clone())).await.status.is_success());
    assert_eq!(used(&mut open), 1);
    open.end();
    assert_eq!(open.rest(), b"");
}

#[tokio::test]
async fn other_media_types_are_refused() {
    let service = Served::start();
    for media_type in ["application/json", "text/plain", "application/x-ndjson; charset=latin1"] {
        let request = service.request("POST", PATH).header("content-type", media_type).body(bare("a"));
        let problem = Reply::to(request).await.problem(415);
        assert_eq!(problem["type"], "/problems/unsupported-media-type");
    }
    let utf8 = service.request("POST", PATH).header("content-type", "application/x-ndjson; charset=UTF-8");
    assert_eq!(Reply::to(utf8.body(bare("a"))).await.status, 200);
    let empty = streamed(&service, "\n\r\n").await;
    assert_eq!((empty.status.as_u16(), empty.text().as_str()), (200, ""));
    let refused = Reply::to(service.request("GET", PATH)).await;
    assert_eq!(refused.status, 405);
    let foreign = service.request("POST", PATH).header("content-type", NDJSON).header("origin", "https://a.example");
    Reply::to(foreign.body(bare("a"))).await.problem(403);
}

#[test]
fn however_the_bytes_are_split_the_answers_are_the_same() {
    let service = Served::start();
    let mut sent = Vec::new();
    for i in 0..150 {
        let line = match i % 5 {
            2 => format!("{{\"id\": \"ü-{i}\", \"observations\": [], \"include\": [\"decision\"]}}"),
            3 => "{\"observations\"".into(),
            _ => bare(&format!("l-{i}")),
        };
        sent.extend_from_slice(line.as_bytes());
        sent.extend_from_slice([&b"\n"[..], b"\r\n", b"\n\n"][i % 3]);
    }
    let mut found = Vec::new();
    for size in [sent.len(), 1, 7, 61, 4096] {
        let mut open = Open::new(&service);
        for part in sent.chunks(size) {
            open.send(part).unwrap();
        }
        open.end();
        assert!(open.head().starts_with("http/1.1 200"));
        found.push(open.rest());
    }
    assert_eq!(lines(std::str::from_utf8(&found[0]).unwrap()).len(), 150);
    assert!(found.iter().all(|f| *f == found[0]));
}

#[test]
fn an_answer_comes_before_the_next_line_is_sent() {
    let service = Served::start();
    let mut open = Open::new(&service);
    for id in ["one", "two", "three"] {
        // A line whose end has not come is not answered.
        open.send(format!("{}\n{{", bare(id)).as_bytes()).unwrap();
        if id == "one" {
            assert!(open.head().contains("transfer-encoding: chunked"));
        }
        let answer = lines(std::str::from_utf8(&open.chunk()).unwrap());
        assert_eq!((answer.len(), &answer[0]["listing"]), (1, &json!(id)));
        open.send(b"}\n").unwrap();
        let answer = lines(std::str::from_utf8(&open.chunk()).unwrap());
        assert_eq!((answer.len(), &answer[0]["status"]), (1, &json!(422)));
    }
    open.end();
    assert_eq!(open.chunk(), b"");
}

#[test]
fn a_line_without_end_is_refused_on_its_line_and_not_held() {
    let service = Served::start();
    let before = service.peak_kib();
    let mut open = Open::new(&service);
    let part = vec![b'['; 1024 * 1024];
    for _ in 0..200 {
        open.send(&part).unwrap();
    }
    open.send(format!("\n{}", bare("next")).as_bytes()).unwrap();
    open.end();
    open.head();
    let answers = lines(&String::from_utf8(open.rest()).unwrap());
    assert_eq!(answers.len(), 2);
    assert_eq!((&answers[0]["status"], &answers[0]["line"]), (&json!(413), &json!(1)));
    assert_eq!(answers[0]["type"], "/problems/too-large");
    assert_eq!(answers[1]["listing"], "next");
    let grown = service.peak_kib() - before;
    assert!(grown < 32 * 1024, "200 MiB of one line took {grown} KiB");
}

/// The kernel holds some megabytes of a loopback connection each way (tcp(7): `tcp_rmem`, `tcp_wmem`); the
/// rest of what is accepted is held by the service.
const MOST_ACCEPTED: usize = 40 * 1024 * 1024;

#[test]
fn who_reads_nothing_can_send_no_more_and_is_answered_whole_later() {
    let service = Served::start();
    let before = service.peak_kib();
    let mut open = Open::new(&service);
    open.sending.set_write_timeout(Some(Duration::from_secs(3))).unwrap();
    // About as long as their answers.
    let chunk = |n: usize| {
        let part: String = (0..100).map(|i| format!("{:1700}\n", bare(&(n * 100 + i).to_string()))).collect();
        [format!("{:x}\r\n", part.len()).as_bytes(), part.as_bytes(), b"\r\n"].concat()
    };
    let (mut accepted, mut chunks, mut left) = (0, 0, Vec::new());
    loop {
        if left.is_empty() {
            left = chunk(chunks);
            chunks += 1;
        }
        match open.sending.write(&left) {
            Ok(count) => {
                accepted += count;
                left.drain(..count);
            }
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => break,
            Err(e) => panic!("{e}"),
        }
        assert!(accepted < MOST_ACCEPTED, "{accepted} bytes were accepted from somebody who reads nothing");
    }
    let grown = service.peak_kib() - before;
    assert!(grown < 32 * 1024, "{accepted} bytes of somebody who reads nothing took {grown} KiB");

    // Once the answers are read it goes on, and every line has its answer.
    open.sending.set_write_timeout(None).unwrap();
    let mut sending = open.sending.try_clone().unwrap();
    left.extend_from_slice(b"0\r\n\r\n");
    let sender = std::thread::spawn(move || sending.write_all(&left).unwrap());
    open.head();
    let answers = lines(&String::from_utf8(open.rest()).unwrap());
    sender.join().unwrap();
    assert_eq!(answers.len(), chunks * 100);
    assert!(answers.iter().enumerate().all(|(i, answer)| answer["listing"] == *i.to_string()));
}

#[test]
fn memory_does_not_grow_with_the_lines() {
    let service = Served::start();
    let pack: Arc<Pack> = Pack::builtin();
    let drawn: Vec<u8> = Drawing::new(&pack, None, 3)
        .unwrap()
        .take(100)
        .flat_map(|drawn| {
            let mut request = request(&pack, &drawn);
            request.include = Some(Vec::new());
            (serde_json::to_string(&request).unwrap() + "\n").into_bytes()
        })
        .collect();
    let mut after = Vec::new();
    for rounds in [5, 50] {
        let mut open = Open::new(&service);
        let mut sending = open.sending.try_clone().unwrap();
        let chunk = [format!("{:x}\r\n", drawn.len()).as_bytes(), &drawn, b"\r\n"].concat();
        let sender = std::thread::spawn(move || {
            (0..rounds).for_each(|_| sending.write_all(&chunk).unwrap());
            sending.write_all(b"0\r\n\r\n").unwrap();
        });
        open.head();
        let mut count = 0;
        loop {
            let chunk = open.chunk();
            if chunk.is_empty() {
                break;
            }
            count += chunk.iter().filter(|b| **b == b'\n').count();
        }
        sender.join().unwrap();
        assert_eq!(count, rounds * 100);
        after.push(service.peak_kib());
    }
    let grown = after[1] - after[0];
    assert!(grown < 16 * 1024, "ten times the lines took {grown} KiB more: {after:?}");
}

#[test]
fn a_client_that_hangs_up_ends_the_work() {
    let service = Served::start();
    let mut open = Open::new(&service);
    let mut line = serde_json::to_value(examples::fresh_dial()).unwrap();
    line["interval"] = json!("sampled");
    let line = line.to_string() + "\n";
    // Minutes of work.
    open.send(line.repeat(1500).as_bytes()).unwrap();
    open.send(line.repeat(1500).as_bytes()).unwrap();
    open.head();
    drop(open);
    let until = Instant::now() + Duration::from_secs(60);
    let mut before = service.cpu_ticks();
    loop {
        std::thread::sleep(Duration::from_millis(500));
        let now = service.cpu_ticks();
        if now - before < 5 {
            break;
        }
        assert!(Instant::now() < until, "work goes on for a client that is gone");
        before = now;
    }
}

#[test]
fn a_stream_ends_with_the_service_and_says_so() {
    let mut service = Served::start();
    let mut open = Open::new(&service);
    open.send((bare("one") + "\n{\"half\"").as_bytes()).unwrap();
    open.head();
    assert_eq!(lines(std::str::from_utf8(&open.chunk()).unwrap())[0]["listing"], "one");
    service.terminate();
    let last = lines(&String::from_utf8(open.rest()).unwrap());
    assert_eq!(last.len(), 1);
    assert_eq!((&last[0]["status"], &last[0]["line"]), (&json!(503), &json!(2)));
    let ended = service.ended_within(Duration::from_secs(8)).expect("it waits for a stream without end");
    assert!(ended.success(), "{ended}");
}

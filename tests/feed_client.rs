//! One poll of a feed over HTTP, on loopback through a configured exception.

mod feed_support;

use feed_support::Loopback;
use flate2::Compression;
use flate2::write::GzEncoder;
use proptest::prelude::*;
use rustls::ServerConfig;
use rustls::pki_types::PrivatePkcs8KeyDer;
use serde_json::{Value, json};
use std::io::Write as _;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use steelyard::feed::{
    BadItem, Client, Fetched, Format, Guard, Item, Limits, Outcome, PollError, Polled, RetryAfter, Validators,
};
use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _};
use tokio::net::TcpListener;
use wiremock::matchers::{any, header_exists, path, query_param};
use wiremock::{Mock, MockServer, ResponseTemplate};

const LIMITS: Limits = Limits {
    connect: Duration::from_secs(5),
    total: Duration::from_secs(10),
    pause: Duration::ZERO,
    received: 1024 * 1024,
    decoded: 2 * 1024 * 1024,
    pages: 4,
};

/// Only what listens on this address may be asked; an address on loopback needs no look-up.
fn client(address: &SocketAddr, limits: Limits) -> Client<Loopback> {
    assert!(address.ip().is_loopback());
    Client::with(Guard::new([address.to_string().parse().unwrap()], Vec::new()), Loopback::default(), limits).unwrap()
}

async fn poll(server: &MockServer, format: Format) -> Result<Polled, PollError> {
    let url = format!("{}/feed", server.uri());
    client(server.address(), LIMITS).poll(&url, format, &Validators::default()).await
}

/// What comes of polling a server that gives every request this answer.
async fn polled(answer: ResponseTemplate, format: Format) -> Result<Polled, PollError> {
    let server = MockServer::start().await;
    Mock::given(any()).respond_with(answer).mount(&server).await;
    poll(&server, format).await
}

fn fetched(polled: Result<Polled, PollError>) -> Fetched {
    match polled.unwrap() {
        Polled::Read(fetched) => fetched,
        Polled::Unchanged => panic!("unchanged"),
    }
}

fn ids(fetched: &Fetched) -> Vec<String> {
    fetched.items().map(|i| i.unwrap().id).collect()
}

fn feed(ids: &[&str], next_url: Option<&str>) -> Value {
    let items: Vec<Value> = ids.iter().map(|id| json!({ "id": id, "content_text": "" })).collect();
    json!({ "version": "https://jsonfeed.org/version/1.1", "title": "Saved", "items": items, "next_url": next_url })
}

fn page(feed: &Value) -> ResponseTemplate {
    ResponseTemplate::new(200).set_body_raw(feed.to_string(), "application/feed+json")
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

fn gzipped(bytes: Vec<u8>) -> ResponseTemplate {
    ResponseTemplate::new(200).insert_header("content-encoding", "gzip").set_body_raw(bytes, "application/feed+json")
}

// --- Asking -------------------------------------------------------------------------------

/// RFC 9110 section 13.1: entity tags are opaque, dates come back as they were given.
#[tokio::test]
async fn validators_come_back_to_the_letter_and_unchanged_is_304() {
    let server = MockServer::start().await;
    let known = Validators {
        etag: Some(r#"W/"a,b \c; d""#.into()),
        last_modified: Some("Tue, 24 Nov 2026 21:00:00 GMT".into()),
    };
    Mock::given(header_exists("if-none-match")).respond_with(ResponseTemplate::new(304)).expect(1).mount(&server).await;
    let fresh = page(&feed(&["a"], None))
        .insert_header("etag", known.etag.as_deref().unwrap())
        .insert_header("last-modified", known.last_modified.as_deref().unwrap());
    Mock::given(path("/feed")).respond_with(fresh).expect(1).mount(&server).await;

    let first = fetched(poll(&server, Format::JsonFeed).await);
    assert_eq!(first.validators, known);
    let url = format!("{}/feed", server.uri());
    let again = client(server.address(), LIMITS).poll(&url, Format::JsonFeed, &first.validators).await;
    assert!(matches!(again, Ok(Polled::Unchanged)));
    assert_eq!(Outcome::from(&again), Outcome::Read);

    let asked = server.received_requests().await.unwrap();
    assert_eq!(asked[1].headers["if-none-match"], first.validators.etag.unwrap());
    assert_eq!(asked[1].headers["if-modified-since"], first.validators.last_modified.unwrap());
    assert!(!asked[0].headers.contains_key("if-none-match") && !asked[0].headers.contains_key("if-modified-since"));
    assert_eq!(asked[0].headers["accept"], "application/feed+json, application/json");
    assert_eq!(asked[0].headers["accept-encoding"], "gzip");
    assert!(asked[0].headers["user-agent"].to_str().unwrap().starts_with("steelyard/"));
    assert_eq!(asked[0].headers["host"], server.address().to_string());
}

#[tokio::test]
async fn unchanged_without_having_asked_is_no_answer() {
    let error = polled(ResponseTemplate::new(304), Format::JsonFeed).await.unwrap_err();
    assert!(matches!(error, PollError::Status { status, .. } if status == 304), "{error}");
}

#[tokio::test]
async fn a_validator_too_long_or_no_text_is_not_kept() {
    let answer = page(&feed(&[], None)).insert_header("etag", format!("\"{}\"", "a".repeat(2000)));
    assert_eq!(fetched(polled(answer, Format::JsonFeed).await).validators, Validators::default());
    let raw = b"HTTP/1.1 200 OK\r\ncontent-type: application/x-ndjson\r\netag: \"\xff\"\r\ncontent-length: 0\r\n\r\n";
    assert_eq!(fetched(raw_answer(raw.to_vec(), Format::Ndjson).await).validators, Validators::default());
}

// --- Answers that bring nothing -----------------------------------------------------------

#[tokio::test]
async fn what_is_no_feed_is_a_failure_with_the_servers_wish_when_to_ask_again() {
    for (status, value, wish) in [
        (503, Some("120"), Some(RetryAfter::Seconds(120))),
        (429, Some("Fri, 31 Dec 1999 23:59:59 GMT"), Some(RetryAfter::At("1999-12-31T23:59:59Z".parse().unwrap()))),
        (500, Some("soon"), None),
        (404, None, None),
        (204, None, None),
        (206, None, None),
        (300, None, None),
    ] {
        let mut answer = ResponseTemplate::new(status);
        if let Some(value) = value {
            answer = answer.insert_header("retry-after", value);
        }
        let failed = polled(answer, Format::JsonFeed).await;
        let Outcome::Failed { error, retry_after } = Outcome::from(&failed) else { panic!("{status}") };
        assert!(error.contains(&status.to_string()), "{error}");
        assert_eq!(retry_after, wish, "{status}");
    }
}

#[tokio::test]
async fn gone_is_gone_and_a_feed_that_says_so_has_ended() {
    let gone = polled(ResponseTemplate::new(410), Format::JsonFeed).await;
    assert_eq!(Outcome::from(&gone), Outcome::Gone);
    for (expired, outcome) in [(json!(true), Outcome::Ended), (json!("true"), Outcome::Read), (json!(1), Outcome::Read)]
    {
        let mut feed = feed(&["a"], None);
        feed["expired"] = expired;
        let ended = polled(page(&feed), Format::JsonFeed).await;
        assert_eq!(Outcome::from(&ended), outcome);
        assert_eq!(ids(&fetched(ended)), ["a"]);
    }
}

#[tokio::test]
async fn a_redirect_is_told_and_not_followed() {
    let server = MockServer::start().await;
    let moved = ResponseTemplate::new(308).insert_header("location", "/new");
    Mock::given(path("/feed")).respond_with(moved).expect(1).mount(&server).await;
    Mock::given(path("/new")).respond_with(page(&feed(&[], None))).expect(0).mount(&server).await;
    let error = poll(&server, Format::JsonFeed).await.unwrap_err();
    assert!(error.to_string().contains("has moved to /new"), "{error}");
}

#[tokio::test]
async fn other_media_types_and_charsets_are_refused() {
    use Format::{JsonFeed, Ndjson};
    for (format, media_type, fits) in [
        (JsonFeed, "application/feed+json", true),
        (JsonFeed, "application/json", true),
        (JsonFeed, "Application/JSON ; Charset=\"UTF-8\"", true),
        (JsonFeed, "application/json; charset=utf-8; profile=x", true),
        (JsonFeed, "application/json; charset=iso-8859-1", false),
        (JsonFeed, "application/x-ndjson", false),
        (JsonFeed, "text/html", false),
        (JsonFeed, "application/jsonp", false),
        (Ndjson, "application/x-ndjson", true),
        (Ndjson, "application/x-ndjson;charset=utf8", false),
        (Ndjson, "application/json", false),
        (Ndjson, "text/plain", false),
    ] {
        let body = if format == JsonFeed { feed(&[], None).to_string() } else { String::new() };
        let answer = polled(ResponseTemplate::new(200).set_body_raw(body, media_type), format).await;
        assert_eq!(answer.is_ok(), fits, "{media_type}");
        if let Err(error) = answer {
            assert!(matches!(error, PollError::MediaType(..)) && error.to_string().contains(media_type), "{error}");
        }
    }
    let none = raw_answer(b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\n\r\n".to_vec(), Ndjson).await;
    assert!(matches!(none, Err(PollError::MediaType(..))));
}

#[tokio::test]
async fn a_host_without_tls_or_without_http_cannot_be_reached() {
    let server = MockServer::start().await;
    Mock::given(any()).respond_with(page(&feed(&[], None))).expect(0).mount(&server).await;
    let url = format!("https://{}/feed", server.address());
    let error =
        client(server.address(), LIMITS).poll(&url, Format::JsonFeed, &Validators::default()).await.unwrap_err();
    assert!(matches!(error, PollError::Unreachable(_)), "{error}");

    let long = format!("HTTP/1.1 200 OK\r\nx: {}\r\n\r\n", "a".repeat(200_000));
    for bytes in [b"".to_vec(), b"SSH-2.0-OpenSSH\r\n".to_vec(), vec![0; 100], long.into_bytes()] {
        let error = raw_answer(bytes, Format::JsonFeed).await.unwrap_err();
        assert!(matches!(error, PollError::Unreachable(_)), "{error}");
    }
    let short = b"HTTP/1.1 200 OK\r\ncontent-type: application/x-ndjson\r\ncontent-length: 100\r\n\r\n{\"id\":\"a\"}\n";
    let error = raw_answer(short.to_vec(), Format::Ndjson).await.unwrap_err();
    assert!(matches!(error, PollError::Unreachable(_)), "{error}");
}

/// A certificate that nobody vouches for.
#[tokio::test]
async fn a_host_that_cannot_prove_its_name_is_not_asked() {
    let signed = rcgen::generate_simple_self_signed(["shop.example".to_owned()]).unwrap();
    let key = PrivatePkcs8KeyDer::from(signed.signing_key.serialize_der()).into();
    let config = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::aws_lc_rs::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![signed.cert.der().clone()], key)
        .unwrap();
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let serving = tokio::spawn(async move {
        let (stream, _) = listener.accept().await.unwrap();
        tokio_rustls::TlsAcceptor::from(Arc::new(config)).accept(stream).await.map(drop)
    });
    let guard = Guard::new([format!("shop.example:{port}").parse().unwrap()], Vec::new());
    let url = format!("https://shop.example:{port}/feed");
    let error = Client::with(guard, Loopback::default(), LIMITS)
        .unwrap()
        .poll(&url, Format::JsonFeed, &Validators::default())
        .await
        .unwrap_err();
    assert!(error.to_string().contains("certificate"), "{error}");
    // The client broke the handshake off: no request was sent.
    assert!(serving.await.unwrap().is_err());
}

// --- Bytes --------------------------------------------------------------------------------

#[tokio::test]
async fn gzip_is_read_in_one_member_or_several() {
    let text = feed(&["a", "b"], None).to_string();
    let (front, back) = text.as_bytes().split_at(40);
    let members = [gzip(front), gzip(back)].concat();
    for body in [gzip(text.as_bytes()), members] {
        assert_eq!(ids(&fetched(polled(gzipped(body), Format::JsonFeed).await)), ["a", "b"]);
    }
}

#[tokio::test]
async fn a_bomb_is_cut_off_and_says_so() {
    // 200 MB in 200 members of a kilobyte; then one member alone.
    let bomb = gzip(&vec![b' '; 1_000_000]).repeat(200);
    assert!(bomb.len() < LIMITS.received, "{}", bomb.len());
    let error = polled(gzipped(bomb), Format::JsonFeed).await.unwrap_err();
    assert!(matches!(error, PollError::Bomb(most) if most == LIMITS.decoded), "{error}");
    assert!(error.to_string().contains("2097152 bytes after decompression"), "{error}");

    let alone = gzip(&vec![b' '; 4 * LIMITS.decoded]);
    assert!(matches!(polled(gzipped(alone), Format::JsonFeed).await, Err(PollError::Bomb(_))));
}

#[tokio::test]
async fn the_limits_are_met_to_the_byte() {
    for (size, fits) in [(LIMITS.received, true), (LIMITS.received + 1, false)] {
        let answer = ResponseTemplate::new(200).set_body_raw(vec![b'\n'; size], "application/x-ndjson");
        let answer = polled(answer, Format::Ndjson).await;
        assert_eq!(answer.is_ok(), fits, "{size}");
        assert!(fits || matches!(answer, Err(PollError::TooLarge(_))));
    }
    for (size, fits) in [(LIMITS.decoded, true), (LIMITS.decoded + 1, false)] {
        let answer = ResponseTemplate::new(200)
            .insert_header("content-encoding", "gzip")
            .set_body_raw(gzip(&vec![b'\n'; size]), "application/x-ndjson");
        assert_eq!(polled(answer, Format::Ndjson).await.is_ok(), fits, "{size}");
    }
}

#[tokio::test]
async fn broken_and_foreign_encodings_are_refused() {
    let whole = gzip(feed(&["a"], None).to_string().as_bytes());
    let mut flipped = whole.clone();
    let middle = whole.len() / 2;
    flipped[middle] ^= 0xff;
    let mut wrong_sum = whole.clone();
    wrong_sum[whole.len() - 5] ^= 1;
    let cases = [whole[..whole.len() - 1].to_vec(), whole[..20].to_vec(), flipped, wrong_sum, b"{}".to_vec(), vec![]];
    for body in cases {
        let error = polled(gzipped(body.clone()), Format::JsonFeed).await.unwrap_err();
        assert!(matches!(error, PollError::Encoding), "{body:?}: {error}");
    }
    for encoding in ["br", "deflate", "zstd", "gzip, gzip", ""] {
        let answer = page(&feed(&[], None)).insert_header("content-encoding", encoding);
        assert!(matches!(polled(answer, Format::JsonFeed).await, Err(PollError::Encoding)), "{encoding}");
    }
}

/// A server whose answers never end: it sees the connection go once the limit is passed.
#[tokio::test]
async fn an_endless_answer_is_not_received() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let serving = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        let _ = stream.read(&mut [0; 4096]).await;
        let head = b"HTTP/1.1 200 OK\r\ncontent-type: application/x-ndjson\r\n\r\n";
        stream.write_all(head).await.unwrap();
        let mut sent = 0;
        while stream.write_all(&[b'\n'; 65_536]).await.is_ok() {
            sent += 65_536;
        }
        sent
    });
    let url = format!("http://{address}/");
    let polled = client(&address, LIMITS).poll(&url, Format::Ndjson, &Validators::default()).await;
    assert!(matches!(polled, Err(PollError::TooLarge(_))));
    // What the sockets of both sides hold comes on top.
    let sent = serving.await.unwrap();
    assert!(sent < LIMITS.received + 16 * 1024 * 1024, "{sent}");
}

#[tokio::test]
async fn silence_and_drops_run_out_of_time() {
    let limits = Limits { total: Duration::from_millis(200), ..LIMITS };
    let url = |address| format!("http://{address}/");
    for heads in [&b""[..], b"HTTP/1.1 200 OK\r\ncontent-type: application/x-ndjson\r\n\r\n"] {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let serving = tokio::spawn(async move {
            let (mut stream, _) = listener.accept().await.unwrap();
            let _ = stream.read(&mut [0; 4096]).await;
            let _ = stream.write_all(heads).await;
            // A drop every now and then, until the other side goes.
            while stream.write_all(if heads.is_empty() { b"" } else { b"\n" }).await.is_ok() && !heads.is_empty() {
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            let _ = stream.read_to_end(&mut Vec::new()).await;
        });
        let polled = client(&address, limits).poll(&url(address), Format::Ndjson, &Validators::default()).await;
        assert!(matches!(polled, Err(PollError::TooSlow(_))), "{polled:?}");
        serving.await.unwrap();
    }
}

#[tokio::test]
async fn utf_8_alone_with_or_without_a_byte_order_mark() {
    let text = feed(&["ä"], None).to_string();
    let with =
        |bytes: Vec<u8>| polled(ResponseTemplate::new(200).set_body_raw(bytes, "application/json"), Format::JsonFeed);
    let marked = [&b"\xef\xbb\xbf"[..], text.as_bytes()].concat();
    assert_eq!(ids(&fetched(with(marked).await)), ["ä"]);
    let utf_16: Vec<u8> = text.encode_utf16().flat_map(u16::to_be_bytes).collect();
    let latin_1: Vec<u8> = text.chars().map(|c| c as u8).collect();
    for bytes in [utf_16, latin_1] {
        let error = with(bytes).await.unwrap_err();
        assert!(matches!(error, PollError::Malformed(_)) && error.to_string().contains("UTF-8"), "{error}");
    }
}

// --- Pages --------------------------------------------------------------------------------

/// A server that answers `/feed?page=N` with the N-th page and `/feed` with the first.
async fn paged(pages: &[Value]) -> MockServer {
    let server = MockServer::start().await;
    for (i, feed) in pages.iter().enumerate().skip(1) {
        let numbered = Mock::given(query_param("page", (i + 1).to_string()));
        numbered.respond_with(page(feed)).with_priority(1).expect(..=1).mount(&server).await;
    }
    let first = page(&pages[0]).insert_header("etag", "\"1\"");
    Mock::given(path("/feed")).respond_with(first).with_priority(2).expect(..=1).mount(&server).await;
    server
}

#[tokio::test]
async fn next_pages_are_read_in_order_and_their_faults_name_the_page() {
    let mut third = feed(&["d", "a", "e"], None);
    third["items"][0] = json!({ "title": "no id" });
    let server = paged(&[feed(&["a"], Some("?page=2")), feed(&["b", "c"], Some("/feed?page=3#x")), third]).await;
    let read = fetched(poll(&server, Format::JsonFeed).await);
    assert!(read.stopped.is_none());
    assert_eq!(read.validators.etag.as_deref(), Some("\"1\""));
    let items: Vec<Result<Item, BadItem>> = read.items().collect();
    let good: Vec<&str> = items.iter().flatten().map(|i| i.id.as_str()).collect();
    assert_eq!(good, ["a", "b", "c", "e"]);
    let bad: Vec<&str> = items.iter().filter_map(|i| Some(i.as_ref().err()?.place.as_str())).collect();
    assert_eq!(bad, ["page 3, /items/0/id", "page 3, /items/1"]);
}

#[tokio::test]
async fn next_pages_never_go_round_nor_on_for_ever() {
    let page = |n: usize| feed(&[&n.to_string()], Some(&format!("?page={}", n + 1)));
    let many: Vec<Value> = (1..=LIMITS.pages + 3).map(page).collect();
    let read = fetched(poll(&paged(&many).await, Format::JsonFeed).await);
    assert_eq!(ids(&read), ["1", "2", "3", "4"]);
    assert!(matches!(read.stopped, Some(PollError::TooManyPages(4))));
    // Asking again brings no more: the validators hold.
    assert!(read.validators.etag.is_some());

    for (second, third) in
        [("/feed", None), ("?page=2", Some("?page=2")), ("?page=2", Some("/feed")), ("?page=2", Some("?page=2#2"))]
    {
        let server = paged(&[feed(&["1"], Some(second)), feed(&["2"], third)]).await;
        let read = fetched(poll(&server, Format::JsonFeed).await);
        assert!(matches!(read.stopped, Some(PollError::Loop)), "{second} {third:?}: {:?}", read.stopped);
    }
}

#[tokio::test]
async fn next_pages_are_of_the_feeds_own_origin() {
    let other = MockServer::start().await;
    Mock::given(any()).respond_with(page(&feed(&["b"], None))).expect(0).mount(&other).await;
    let server = MockServer::start().await;
    for next in
        [format!("{}/feed", other.uri()), "https://shop.example/feed".into(), format!("https://{}/", server.address())]
    {
        server.reset().await;
        Mock::given(any()).respond_with(page(&feed(&["a"], Some(&next)))).expect(1).mount(&server).await;
        let guard = Guard::new([server.address(), other.address()].map(|a| a.to_string().parse().unwrap()), Vec::new());
        let both = Client::with(guard, Loopback::default(), LIMITS).unwrap();
        let read = fetched(both.poll(&server.uri(), Format::JsonFeed, &Validators::default()).await);
        assert!(matches!(read.stopped, Some(PollError::Elsewhere(_))), "{:?}", read.stopped);
        assert_eq!(ids(&read), ["a"]);
    }
}

#[tokio::test]
async fn a_page_that_cannot_be_read_leaves_those_before_and_is_asked_for_again() {
    let server = paged(&[feed(&["a"], Some("?page=2"))]).await;
    let broken = ResponseTemplate::new(500);
    Mock::given(query_param("page", "2")).respond_with(broken).with_priority(1).mount(&server).await;
    let read = fetched(poll(&server, Format::JsonFeed).await);
    assert_eq!(ids(&read), ["a"]);
    assert!(matches!(read.stopped, Some(PollError::Status { status, .. }) if status == 500));
    assert_eq!(read.validators, Validators::default());
}

#[tokio::test]
async fn the_bytes_of_all_pages_count_together() {
    let mut heavy = feed(&["a"], Some("?page=2"));
    heavy["user_comment"] = "x".repeat(LIMITS.received * 2 / 3).into();
    let mut second = heavy.clone();
    second["next_url"] = Value::Null;
    let read = fetched(poll(&paged(&[heavy, second]).await, Format::JsonFeed).await);
    assert!(matches!(read.stopped, Some(PollError::TooLarge(_))), "{:?}", read.stopped);
    assert_eq!(read.pages.len(), 1);
}

// --- Manners and hostility ----------------------------------------------------------------

#[tokio::test]
async fn a_host_is_asked_by_one_poll_at_a_time() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let at_once = Arc::new(AtomicUsize::new(0));
    let most = Arc::new(AtomicUsize::new(0));
    let (counted, highest) = (at_once.clone(), most.clone());
    let serving = tokio::spawn(async move {
        loop {
            let (mut stream, _) = listener.accept().await.unwrap();
            let (counted, highest) = (counted.clone(), highest.clone());
            tokio::spawn(async move {
                let _ = stream.read(&mut [0; 4096]).await;
                highest.fetch_max(counted.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
                tokio::time::sleep(Duration::from_millis(20)).await;
                counted.fetch_sub(1, Ordering::SeqCst);
                let answer = b"HTTP/1.1 200 OK\r\ncontent-type: application/x-ndjson\r\ncontent-length: 0\r\n\r\n";
                let _ = stream.write_all(answer).await;
            });
        }
    });
    let client = Arc::new(client(&address, LIMITS));
    let polls: Vec<_> = (0..6)
        .map(|i| {
            let client = client.clone();
            let url = format!("http://{address}/{i}");
            tokio::spawn(async move { client.poll(&url, Format::Ndjson, &Validators::default()).await.map(drop) })
        })
        .collect();
    for poll in polls {
        poll.await.unwrap().unwrap();
    }
    assert_eq!(most.load(Ordering::SeqCst), 1);
    serving.abort();
}

/// What comes of a server that answers with these bytes and closes.
async fn raw_answer(bytes: Vec<u8>, format: Format) -> Result<Polled, PollError> {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let serving = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.unwrap();
        let _ = stream.read(&mut [0; 4096]).await;
        let _ = stream.write_all(&bytes).await;
    });
    let polled = client(&address, LIMITS).poll(&format!("http://{address}/"), format, &Validators::default()).await;
    serving.await.unwrap();
    polled
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn no_bytes_of_a_server_panic(
        head in proptest::option::of("[ -~]{0,40}"),
        encoded: bool,
        body in proptest::collection::vec(proptest::num::u8::ANY, 0..400),
    ) {
        let encoding = if encoded { "content-encoding: gzip\r\n" } else { "" };
        let mut bytes = match head {
            Some(line) => line.into_bytes(),
            None => format!("HTTP/1.1 200 OK\r\ncontent-type: application/x-ndjson\r\n{encoding}\r\n").into_bytes(),
        };
        bytes.extend(body);
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        if let Ok(Polled::Read(read)) = runtime.block_on(raw_answer(bytes, Format::Ndjson)) {
            read.items().for_each(drop);
        }
    }
}

//! Who may call from a browser: listed extensions and the service's own pages, nobody else; and
//! whichever `Host` is not the service's is refused, so that a rebound name reaches nothing.

mod support;

use steelyard::examples;
use support::{RawReply, Reply, Served};

const LISTED: &str = "chrome-extension://abcdefghijklmnopabcdefghijklmnop";
const ORIGINS: (&str, &str) =
    ("STEELYARD_ALLOWED_ORIGINS", "chrome-extension://abcdefghijklmnopabcdefghijklmnop,moz-extension://*");
const ASSESS: &str = "/v1/assess";

/// What scripts of an allowed origin may read besides the headers that are safe anyway.
const EXPOSED: [&str; 6] = ["etag", "link", "location", "retry-after", "ratelimit", "ratelimit-policy"];

/// Origins that are like a listed one and are none.
const UNLISTED: [&str; 14] = [
    "https://shop.example",
    "http://shop.example",
    "null",
    "chrome-extension://bbcdefghijklmnopabcdefghijklmnop",
    "chrome-extension://abcdefghijklmnopabcdefghijklmno",
    "chrome-extension://abcdefghijklmnopabcdefghijklmnop.shop.example",
    "Chrome-extension://abcdefghijklmnopabcdefghijklmnop",
    "chrome-extension://*",
    "https://moz-extension.example",
    "xmoz-extension://8a8f3c1e-45a6-4b83-9f39-0a4a4bb1d001",
    "http://localhost",
    "http://127.0.0.1",
    "http://127.0.0.1:1",
    "https://127.0.0.1:1",
];

fn fresh_dial() -> Vec<u8> {
    serde_json::to_vec(&examples::fresh_dial()).unwrap()
}

fn listed_in(header: Option<&str>) -> Vec<String> {
    header.unwrap_or_default().split(',').map(|s| s.trim().to_ascii_lowercase()).collect()
}

async fn preflight(service: &Served, origin: &str) -> Reply {
    let asks = service
        .request("OPTIONS", ASSESS)
        .header("origin", origin)
        .header("access-control-request-method", "POST")
        .header("access-control-request-headers", "content-type");
    Reply::to(asks).await
}

async fn assess_from(service: &Served, origin: &str) -> Reply {
    Reply::to(service.post(ASSESS, fresh_dial()).header("origin", origin)).await
}

fn host(service: &Served, host: &str) -> RawReply {
    service.raw(&format!("GET /healthz HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n"))
}

/// Refused, and with nothing that would let the page read why.
fn is_refused(reply: &Reply, origin: &str) {
    let problem = reply.problem(403);
    assert_eq!(problem["type"], "/problems/forbidden", "{origin}");
    assert_eq!(reply.header("access-control-allow-origin"), None, "{origin}");
    assert!(!reply.text().contains("probability"), "{origin} got an answer");
}

// --- Origins (Fetch standard, "CORS protocol") -------------------------------------------

#[tokio::test]
async fn a_preflight_of_a_listed_extension_is_answered_for_it_alone() {
    let service = Served::with(&[ORIGINS]);
    let reply = preflight(&service, LISTED).await;
    assert!(reply.status.is_success(), "{}", reply.status);
    assert_eq!(reply.header("access-control-allow-origin"), Some(LISTED));
    let methods = listed_in(reply.header("access-control-allow-methods"));
    for method in ["get", "post", "put", "delete"] {
        assert!(methods.contains(&method.to_owned()), "{method} is not in {methods:?}");
    }
    let headers = listed_in(reply.header("access-control-allow-headers"));
    for header in ["content-type", "authorization", "if-match", "if-none-match", "idempotency-key", "last-event-id"] {
        assert!(headers.contains(&header.to_owned()), "{header} is not in {headers:?}");
    }
    // A cache must not give one origin's answer to another.
    assert!(listed_in(reply.header("vary")).contains(&"origin".to_owned()));
    assert_eq!(reply.header("access-control-allow-credentials"), None);
}

#[tokio::test]
async fn a_listed_extension_may_post_and_read_the_headers_it_needs() {
    let service = Served::with(&[ORIGINS]);
    let reply = assess_from(&service, LISTED).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    assert_eq!(reply.header("access-control-allow-origin"), Some(LISTED));
    let exposed = listed_in(reply.header("access-control-expose-headers"));
    for header in EXPOSED {
        assert!(exposed.contains(&header.to_owned()), "{header} is not in {exposed:?}");
    }
    assert!(listed_in(reply.header("vary")).contains(&"origin".to_owned()));
    assert!(reply.json()["probability"]["bad"].is_number());
}

#[tokio::test]
async fn a_listed_extension_may_read_what_was_wrong() {
    let service = Served::with(&[ORIGINS]);
    let reply = Reply::to(service.post(ASSESS, "{\"attic\": 1}").header("origin", LISTED)).await;
    reply.problem(422);
    assert_eq!(reply.header("access-control-allow-origin"), Some(LISTED));
    let reply = Reply::to(service.get("/nowhere").header("origin", LISTED)).await;
    reply.problem(404);
    assert_eq!(reply.header("access-control-allow-origin"), Some(LISTED));
}

#[tokio::test]
async fn an_extension_whose_id_is_made_up_per_install_is_allowed_by_its_scheme() {
    let service = Served::with(&[ORIGINS]);
    for id in ["8a8f3c1e-45a6-4b83-9f39-0a4a4bb1d001", "0e7a6c52-1d57-4a0e-b6f5-6d0d9a3f2b77"] {
        let origin = format!("moz-extension://{id}");
        assert_eq!(preflight(&service, &origin).await.header("access-control-allow-origin"), Some(origin.as_str()));
        let reply = assess_from(&service, &origin).await;
        assert_eq!(reply.status, 200, "{}", reply.text());
        assert_eq!(reply.header("access-control-allow-origin"), Some(origin.as_str()));
    }
}

#[tokio::test]
async fn an_unlisted_origin_is_refused_and_told_nothing() {
    let service = Served::with(&[ORIGINS]);
    for origin in UNLISTED {
        is_refused(&assess_from(&service, origin).await, origin);
        is_refused(&Reply::to(service.get("/v1/model").header("origin", origin)).await, origin);
        let asked = preflight(&service, origin).await;
        assert_eq!(asked.header("access-control-allow-origin"), None, "{origin} may go on");
    }
}

#[tokio::test]
async fn nobody_is_allowed_by_default() {
    let service = Served::start();
    for origin in UNLISTED.into_iter().chain([LISTED, "moz-extension://8a8f3c1e-45a6-4b83-9f39-0a4a4bb1d001"]) {
        is_refused(&assess_from(&service, origin).await, origin);
    }
}

#[tokio::test]
async fn a_star_opens_no_more_than_an_extension_scheme() {
    for open in ["*", "https://*", "http://*,https://*", "chrome-*", "https://*.example", "*://*", "null*"] {
        let service = Served::with(&[("STEELYARD_ALLOWED_ORIGINS", open)]);
        for origin in UNLISTED.into_iter().filter(|o| *o != open) {
            is_refused(&assess_from(&service, origin).await, origin);
            let asked = preflight(&service, origin).await;
            assert_eq!(asked.header("access-control-allow-origin"), None, "`{open}` lets {origin} go on");
        }
    }
}

#[tokio::test]
async fn an_empty_list_of_origins_allows_nobody() {
    let service = Served::with(&[("STEELYARD_ALLOWED_ORIGINS", "")]);
    for origin in UNLISTED.into_iter().chain([LISTED, ""]) {
        is_refused(&assess_from(&service, origin).await, origin);
    }
}

#[tokio::test]
async fn a_second_origin_cannot_hide_behind_a_listed_one() {
    let service = Served::with(&[ORIGINS]);
    let host = service.address();
    let reply = service.raw(&format!(
        "GET /healthz HTTP/1.1\r\nHost: {host}\r\nOrigin: {LISTED} https://shop.example\r\nConnection: close\r\n\r\n"
    ));
    assert_eq!(reply.status, 403, "{}", reply.head);
}

#[tokio::test]
async fn the_services_own_pages_may_call_it() {
    let service = Served::with(&[ORIGINS]);
    for name in ["127.0.0.1", "localhost", "[::1]"] {
        let own = format!("{name}:{}", service.port());
        let request = service.post(ASSESS, fresh_dial()).header("host", &own).header("origin", format!("http://{own}"));
        let reply = Reply::to(request).await;
        assert_eq!(reply.status, 200, "{own}: {}", reply.text());
    }
    // The same name on another port is another origin (RFC 6454 section 4).
    let other = format!("http://127.0.0.1:{}", service.port() ^ 1);
    is_refused(&assess_from(&service, &other).await, &other);
    let secure = service.url("").replace("http://", "https://");
    is_refused(&assess_from(&service, &secure).await, &secure);
}

#[tokio::test]
async fn a_get_without_an_origin_is_answered() {
    let service = Served::with(&[ORIGINS]);
    for path in ["/v1/model", "/v1/signs", "/healthz", "/openapi.json", "/docs/"] {
        let reply = Reply::to(service.get(path)).await;
        assert_eq!(reply.status, 200, "{path}: {}", reply.text());
        assert_eq!(reply.header("access-control-allow-origin"), None, "{path}");
    }
}

// --- Hosts --------------------------------------------------------------------------------

#[test]
fn a_foreign_host_is_refused() {
    let service = Served::with(&[ORIGINS]);
    let port = service.port();
    for name in [
        "shop.example".into(),
        format!("shop.example:{port}"),
        format!("127.0.0.1.shop.example:{port}"),
        format!("localhost.shop.example:{port}"),
        format!("localhost.:{port}"),
        format!("xlocalhost:{port}"),
        format!("0.0.0.0:{port}"),
        format!("192.0.2.1:{port}"),
        format!("[::2]:{port}"),
        format!("::1:{port}"),
        format!("127.0.0.1:{port}:{port}"),
        "127.0.0.1:".into(),
        "127.0.0.1:x".into(),
        format!("127.0.0.1@shop.example:{port}"),
        format!("shop.example#127.0.0.1:{port}"),
        "".into(),
    ] {
        let reply = host(&service, &name);
        // A name that no URI may hold may be refused as no request at all.
        assert!([400, 403].contains(&reply.status), "`{name}`: {}", reply.head);
        assert!(!reply.body.contains("\"ok\""), "`{name}` was answered: {}", reply.body);
        assert!(!reply.head.contains("access-control-allow-origin"), "`{name}`: {}", reply.head);
    }
    let reply = host(&service, "shop.example");
    assert_eq!(reply.status, 403);
    assert!(reply.head.contains("content-type: application/problem+json"), "{}", reply.head);
    assert!(reply.body.contains("\"/problems/forbidden\""), "{}", reply.body);
}

#[test]
fn a_foreign_host_is_refused_whatever_the_origin_and_the_method() {
    let service = Served::with(&[ORIGINS]);
    for (method, path) in [("GET", "/v1/model"), ("POST", ASSESS), ("HEAD", "/healthz"), ("GET", "/docs/")] {
        for origin in [LISTED, "http://shop.example"] {
            let reply = service.raw(&format!(
                "{method} {path} HTTP/1.1\r\nHost: shop.example\r\nOrigin: {origin}\r\n\
                 Content-Length: 0\r\nConnection: close\r\n\r\n"
            ));
            assert_eq!(reply.status, 403, "{method} {path} from {origin}: {}", reply.head);
        }
    }
}

#[test]
fn a_request_without_a_host_is_refused() {
    let service = Served::start();
    // RFC 9112 section 3.2: an HTTP/1.1 request without Host is a bad one.
    for version in ["1.0", "1.1"] {
        let reply = service.raw(&format!("GET /healthz HTTP/{version}\r\nConnection: close\r\n\r\n"));
        assert!([400, 403].contains(&reply.status), "HTTP/{version}: {}", reply.head);
    }
}

#[test]
fn the_names_of_loopback_are_accepted_with_any_port_and_in_any_case() {
    let service = Served::start();
    let port = service.port();
    for name in [
        "localhost".into(),
        format!("localhost:{port}"),
        format!("LocalHost:{port}"),
        format!("127.0.0.1:{port}"),
        "127.0.0.1".into(),
        format!("[::1]:{port}"),
        "[::1]".into(),
        // Behind a forwarded port the number is another one.
        "localhost:80".into(),
    ] {
        let reply = host(&service, &name);
        assert_eq!(reply.status, 200, "`{name}`: {}", reply.body);
    }
}

#[test]
fn hosts_allowed_by_configuration_are_accepted_beside_the_loopback_ones() {
    let service = Served::with(&[("STEELYARD_ALLOWED_HOSTS", "bench.example,Lamp.Example")]);
    let port = service.port();
    for (name, status) in [
        (format!("bench.example:{port}"), 200),
        ("bench.example".into(), 200),
        ("BENCH.example".into(), 200),
        (format!("lamp.example:{port}"), 200),
        (format!("localhost:{port}"), 200),
        (format!("other.example:{port}"), 403),
        (format!("sub.bench.example:{port}"), 403),
        (format!("bench.example.shop.example:{port}"), 403),
    ] {
        assert_eq!(host(&service, &name).status, status, "`{name}`");
    }
    // What stands for nothing allows nothing.
    let service = Served::with(&[("STEELYARD_ALLOWED_HOSTS", "")]);
    for name in ["", ":80", "shop.example"] {
        let reply = host(&service, name);
        assert!([400, 403].contains(&reply.status), "`{name}`: {}", reply.head);
    }
}

//! What the most hostile feeds within the limits take in memory.

use flate2::Compression;
use flate2::write::GzEncoder;
use peak_alloc::PeakAlloc;
use std::io::Write as _;
use steelyard::feed::{Client, Format, Guard, Limits, Polled, System, Validators};
use wiremock::matchers::any;
use wiremock::{Mock, MockServer, ResponseTemplate};

#[global_allocator]
static ALLOCATOR: PeakAlloc = PeakAlloc;

/// Above what the process holds before.
const MOST: usize = 64 * 1024 * 1024;

/// `before`, `unit` over and over, `after`: up to `size` bytes, as members of a gzip file.
fn gzip(before: &str, unit: &str, after: &str, size: usize) -> Vec<u8> {
    let unit = unit.repeat(1 + 65_536 / unit.len());
    let times = (size - before.len() - after.len()) / unit.len();
    [member(before), member(&unit).repeat(times), member(after)].concat()
}

fn member(text: &str) -> Vec<u8> {
    let mut encoder = GzEncoder::new(Vec::new(), Compression::best());
    encoder.write_all(text.as_bytes()).unwrap();
    encoder.finish().unwrap()
}

#[tokio::test]
async fn a_poll_takes_64_mib_at_most() {
    let limits = Limits::default();
    let open = r#"{"version":"https://jsonfeed.org/version/1.1","title":"","items":["#;
    // Trees that take many times their text; an item is as large as it may be.
    let item = format!(r#"{{"id":"a","x":[{}0]}},"#, r#"{"":0},"#.repeat(256 * 1024 / 7 - 10));
    let line = format!("{}\n", item.trim_end_matches(','));
    let cases = [
        (
            "a bomb",
            Format::JsonFeed,
            gzip("{", " ", "", 200_000_000),
            Err("more than 8388608 bytes after decompression"),
        ),
        ("an array of numbers", Format::JsonFeed, gzip(open, "0,", "0]}", limits.decoded), Ok(5001)),
        (
            "deep brackets",
            Format::JsonFeed,
            gzip(open, "[", "", limits.decoded),
            Err("not a feed of this format: EOF while parsing a list"),
        ),
        (
            "members nobody knows",
            Format::JsonFeed,
            gzip("{", r#""k":0,"#, r#""z":0}"#, limits.decoded),
            Err("not a feed of this format: /version: this member must be there"),
        ),
        ("heavy items", Format::JsonFeed, gzip(open, &item, "0]}", limits.decoded), Ok(33)),
        ("heavy lines", Format::Ndjson, gzip("", &line, "", limits.decoded), Ok(32)),
        ("short lines", Format::Ndjson, gzip("", "0\n", "", limits.decoded), Ok(5001)),
    ];
    for (what, format, body, comes) in cases {
        assert!(body.len() < limits.received, "{what}: {}", body.len());
        let server = MockServer::start().await;
        let media_type = if format == Format::Ndjson { "application/x-ndjson" } else { "application/json" };
        let answer =
            ResponseTemplate::new(200).insert_header("content-encoding", "gzip").set_body_raw(body, media_type);
        Mock::given(any()).respond_with(answer).mount(&server).await;
        let guard = Guard::new([server.address().to_string().parse().unwrap()], Vec::new());
        let client = Client::with(guard, System, limits).unwrap();

        let before = ALLOCATOR.current_usage();
        ALLOCATOR.reset_peak_usage();
        let polled = client.poll(&server.uri(), format, &Validators::default()).await;
        let came = match &polled {
            Ok(Polled::Read(read)) => Ok(read.items().count()),
            Ok(Polled::Unchanged) => Ok(0),
            Err(e) => Err(e.to_string()),
        };
        let peak = ALLOCATOR.peak_usage() - before;
        eprintln!("{what}: {came:.60?}; {:.1} MiB", peak as f64 / 1024.0 / 1024.0);
        let as_expected = match (&came, comes) {
            (Ok(items), Ok(expected)) => *items == expected,
            (Err(why), Err(expected)) => why.starts_with(expected),
            _ => false,
        };
        assert!(as_expected, "{what}: {came:?}");
        assert!(peak < MOST, "{what}: {peak} bytes");
    }
}

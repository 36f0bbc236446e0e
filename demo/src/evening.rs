//! The evening itself: the saved listings are a feed, which the service fetches and keeps as listings;
//! tonight's list, with the cash at hand; and what changed when the feed was fetched again.

use crate::{Saved, Service, say, tell};
use anyhow::{Context as _, ensure};
use axum::Router;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use jiff::Timestamp;
use serde_json::{Value, json};
use std::net::SocketAddr;
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;
use steelyard::app::App;
use steelyard::files;
use steelyard::store::Store;
use steelyard::tonight::{By, Spend, Wanted, list, page, probability};
use steelyard::wire::NonNegativeMoney;
use steelyard_model::pack::Pack;

/// When the dealer sits down, on the day that the listings are of.
const NOW: &str = "2026-11-24T18:00:00Z";
/// The cash at hand.
const CASH: &str = "1500.00";
/// Listings shown of each currency.
const SHOWN: usize = 4;
/// How long the stream of changes may be silent before it is taken to have told everything.
const QUIET: Duration = Duration::from_millis(1500);

/// A feed that is served on loopback, and can be changed.
pub(crate) struct Feed {
    pub(crate) address: SocketAddr,
    document: Arc<Mutex<Value>>,
}

impl Feed {
    /// Serves the saved listings as a JSON Feed 1.1.
    pub(crate) async fn serve(title: &str, saved: &[(String, Saved)]) -> anyhow::Result<Self> {
        let items: Vec<Value> = saved.iter().map(|(name, saved)| item(name, &saved.request)).collect();
        let feed = json!({ "version": "https://jsonfeed.org/version/1.1", "title": title, "items": items });
        let document = Arc::new(Mutex::new(feed));
        let listener = tokio::net::TcpListener::bind(("127.0.0.1", 0)).await?;
        let address = listener.local_addr()?;
        let served = document.clone();
        let answer = get(async move |headers: HeaderMap| answer(&served, &headers));
        tokio::spawn(axum::serve(listener, Router::new().route("/saved.json", answer)).into_future());
        Ok(Self { address, document })
    }

    fn change(&self, name: &str, change: impl FnOnce(&mut Value)) -> anyhow::Result<()> {
        let mut document = self.document.lock().unwrap_or_else(PoisonError::into_inner);
        let items = document["items"].as_array_mut().context("items")?;
        change(items.iter_mut().find(|i| i["id"] == name).with_context(|| name.to_owned())?);
        Ok(())
    }
}

/// A request as an item of a feed: what the standard has a place for, and the rest beside it.
fn item(name: &str, request: &Value) -> Value {
    let mut rest = request.as_object().cloned().unwrap_or_default();
    let mut item = json!({ "id": name });
    rest.remove("id");
    for (member, of_item) in [("url", "url"), ("title", "title"), ("description", "content_text")] {
        if let Some(value) = rest.remove(member) {
            item[of_item] = value;
        }
    }
    item["_steelyard"] = rest.into();
    item
}

fn answer(document: &Mutex<Value>, headers: &HeaderMap) -> Response {
    let text = document.lock().unwrap_or_else(PoisonError::into_inner).to_string();
    let tag = format!("\"{:x}\"", text.bytes().fold(0_u64, |h, b| h.wrapping_mul(31).wrapping_add(b.into())));
    if headers.get(header::IF_NONE_MATCH).is_some_and(|known| known == tag.as_str()) {
        return StatusCode::NOT_MODIFIED.into_response();
    }
    ([(header::CONTENT_TYPE, "application/feed+json"), (header::ETAG, &tag)], text).into_response()
}

/// Lets the service poll the feed, and prints tonight's list and what changed.
pub(crate) async fn evening(service: &Service<'_>, feed: &Feed, data: &Path, book: &Path) -> anyhow::Result<()> {
    let url = format!("http://{}/saved.json", feed.address);
    let body = json!({ "url": url, "format": "json_feed", "every_s": 900 });
    let id = service.json("POST", "/v1/feeds", Some(&body)).await?["id"].as_str().context("a feed")?.to_owned();
    say("");
    tell(&format!("Tonight: the saved listings as a feed, polled from {url}"), "");
    // A new feed is polled at once.
    let first = loop {
        let feed = service.json("GET", &format!("/v1/feeds/{id}"), None).await?;
        if !feed["last_polled_at"].is_null() {
            break feed;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    ensure!(first["last_error"].is_null(), "{first}");
    say(&format!("  {}\n", told(&first["last_items"])));
    print_tonight(data, book).await?;

    say("");
    tell("An hour later the bid on one has risen, the price of another has come down, and a third says more:", "");
    feed.change("16-auction-in-progress", |i| i["_steelyard"]["offer"]["price"]["amount"] = json!("880.00"))?;
    feed.change("10-near-perfect-record", |i| i["_steelyard"]["offer"]["price"]["amount"] = json!("460.00"))?;
    feed.change("27-added-issue-mark", |i| {
        let said = i["content_text"].as_str().unwrap_or_default();
        i["content_text"] = json!(format!("{said} The crown was replaced in the seventies."));
    })?;
    say(&format!("  {}", poll(service, &id).await?));
    for line in changes(service).await? {
        tell(&format!("  {line}"), "    ");
    }
    say("");
    Ok(())
}

async fn poll(service: &Service<'_>, id: &str) -> anyhow::Result<String> {
    let polled = service.json("POST", &format!("/v1/feeds/{id}/poll"), None).await?;
    ensure!(polled["result"] == "read", "{polled}");
    Ok(told(&polled["items"]))
}

fn told(items: &Value) -> String {
    let [new, changed, unchanged, refused] = ["new", "changed", "unchanged", "refused"].map(|name| &items[name]);
    format!("{new} new, {changed} changed, {unchanged} unchanged, {refused} refused")
}

/// The list as `steelyard tonight` prints it.
async fn print_tonight(data: &Path, book: &Path) -> anyhow::Result<()> {
    let store = Store::sqlite(data).await?;
    let app = App::with_memory(Pack::builtin(), files::book(Some(book))?, store.clone())?;
    let budget = NonNegativeMoney { amount: CASH.into(), currency: "EUR".into() };
    let wanted = Wanted {
        by: By::NetPerStake,
        limit: SHOWN,
        now: NOW.parse::<Timestamp>()?,
        expect: 0.5,
        spend: Some(Spend { budget, at_most_one: Vec::new() }),
    };
    let list = list(&app, &wanted).await.map_err(|p| anyhow::anyhow!(p.detail))?;
    store.close().await;
    for line in page(&list) {
        say(&line);
    }
    Ok(())
}

/// What the stream of changes has told so far, in words.
async fn changes(service: &Service<'_>) -> anyhow::Result<Vec<String>> {
    let mut stream = service.client.get(format!("{}/v1/changes?after=0", service.base)).send().await?;
    let mut text = String::new();
    while let Ok(Some(chunk)) = tokio::time::timeout(QUIET, stream.chunk()).await.unwrap_or(Ok(None)) {
        text += &String::from_utf8_lossy(&chunk);
    }
    let data = text.lines().filter_map(|l| l.strip_prefix("data:"));
    data.map(|data| {
        let change: Value = serde_json::from_str(data)?;
        let name = change["listing"].as_str().and_then(|l| l.split_once(':')).context("a listing of the feed")?.1;
        let side = |side: &str| {
            let at = |member: &str| change[side][member].as_str().unwrap_or("none").replace('_', " ");
            format!("{} at {}", at("advice"), change[side]["bad"].as_f64().map_or("-".into(), probability))
        };
        let because: Vec<&str> = change["because"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
        Ok(format!(
            "change {}: {name}: {}, was {} ({})",
            change["id"],
            side("after"),
            side("before"),
            because.join("; ")
        ))
    })
    .collect()
}

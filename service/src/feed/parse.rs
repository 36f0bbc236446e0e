//! What a page of a feed says: listings, each as the body of an assessment, and what could not
//! be read, each with its place.
//!
//! Two formats ([`Format`]): JSON Feed 1.1, where an item's standard members are joined by one
//! extension object `_steelyard` with the other members of a request; and NDJSON, where a line is
//! the request. A page is split once; items are read one at a time, so that what a hostile page
//! takes in memory is its bytes and the tree of one item, which may hold as much as a request.
//!
//! Decided here: a page that is no well-formed document is refused whole, as JSON Feed advises; a
//! bad item costs nothing but itself. Of two items with one id the first counts, since feeds put
//! the newest first, and the later is reported. Members that this reader does not know are not
//! looked into; in all it does read, a repeated key is a fault.
//!
//! ```
//! use steelyard::feed::{Format, Page, items};
//!
//! let feed = r#"{ "version": "https://jsonfeed.org/version/1.1", "title": "Saved", "items": [
//!     { "id": 381, "title": "Hand-wound, 1958", "content_text": "Original dial.",
//!       "_steelyard": { "watch": { "years": [1957, 1959] } } } ] }"#;
//! let page = Page::read(Format::JsonFeed, feed.into()).unwrap();
//! let item = items(&[page]).next().unwrap().unwrap();
//! assert_eq!(item.id, "381");
//! assert_eq!(item.request["description"], "Original dial.");
//! assert_eq!(item.request["watch"]["years"][1], 1959);
//! ```

use crate::body::MOST_BYTES;
use crate::problem::{FaultAt, pointer_to};
use crate::strict_json;
use html5gum::{DefaultEmitter, Token, Tokenizer};
use jiff::Timestamp;
use serde::de::{IgnoredAny, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::error::Category;
use serde_json::value::RawValue;
use serde_json::{Map, Value};
use std::collections::HashSet;
use std::fmt;
use std::ops::Range;
use utoipa::ToSchema;

/// The most items read of one page.
pub const MOST_ITEMS: usize = 5_000;

/// The most characters an item's id may hold, as a listing's.
pub const MOST_ID_CHARS: usize = 200;

/// What the versions of JSON Feed begin with.
const VERSIONS: &str = "https://jsonfeed.org/version/";

/// The extension object of an item.
const EXTENSION: &str = "_steelyard";

/// How a feed is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Format {
    /// JSON Feed 1.1, <https://www.jsonfeed.org/version/1.1/>.
    JsonFeed,
    /// One request a line.
    Ndjson,
}

/// One listing of a feed.
#[derive(Debug, Clone, PartialEq)]
pub struct Item {
    /// Where it stands: `/items/3`, or `line 4`.
    pub place: String,
    /// Its id within the feed; also the request's.
    pub id: String,
    /// When it was published. A date that cannot be read is none, as JSON Feed advises.
    pub published: Option<Timestamp>,
    /// The body of an assessment, not yet checked.
    pub request: Value,
}

/// An item that could not be read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct BadItem {
    /// Where the fault is: `/items/3/id`, or `line 4, /offer`.
    pub place: String,
    /// What is wrong there.
    pub detail: String,
    /// How many items this is said of.
    pub count: u64,
}

impl BadItem {
    fn new(place: String, detail: String) -> Self {
        Self { place, detail, count: 1 }
    }
}

/// Why a page is none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BadPage {
    /// Whether it is no JSON, rather than JSON that does not fit.
    pub malformed: bool,
    /// Every fault; at least one.
    pub faults: Vec<FaultAt>,
}

impl BadPage {
    fn malformed(fault: FaultAt) -> Self {
        Self { malformed: true, faults: vec![fault] }
    }

    fn unfit(fault: FaultAt) -> Self {
        Self { malformed: false, faults: vec![fault] }
    }
}

impl fmt::Display for BadPage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, fault) in self.faults.iter().enumerate() {
            let (before, after) = (if i > 0 { "; " } else { "" }, if fault.pointer.is_empty() { "" } else { ": " });
            write!(f, "{before}{}{after}{}", fault.pointer, fault.detail)?;
        }
        Ok(())
    }
}

/// One page of a feed.
#[derive(Debug, Clone)]
pub struct Page {
    /// Where the next page is, as the feed writes it.
    pub next_url: Option<String>,
    /// Whether the feed says that it will never change again.
    pub expired: bool,
    format: Format,
    language: Option<String>,
    text: Vec<u8>,
    /// Number and bytes of every item: its index, or its line counted from 1.
    pieces: Vec<(usize, Range<usize>)>,
    /// The first item beyond the limit, and how many there are.
    beyond: Option<(usize, u64)>,
}

impl Page {
    /// Splits a page into its items. A byte order mark in front is passed over (RFC 8259 section 8.1).
    ///
    /// # Errors
    /// Why it is no page of this format.
    pub fn read(format: Format, text: Vec<u8>) -> Result<Self, BadPage> {
        Self::split::<MOST_ITEMS>(format, text)
    }

    /// Reads a file of the user's own, however many items it holds: a JSON Feed; else, where its first line
    /// is JSON by itself, a request a line; else one request on several lines.
    ///
    /// # Errors
    /// Why it is none of these.
    pub fn of_file(text: Vec<u8>) -> Result<Self, BadPage> {
        #[derive(Deserialize)]
        struct Versioned {
            #[serde(rename = "version")]
            _version: IgnoredAny,
        }
        let bare = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&text).trim_ascii_start();
        let first = bare.split(|b| *b == b'\n').next().unwrap_or_default();
        let lines = serde_json::from_slice::<IgnoredAny>(first).is_ok();
        // A request has no version. A document of many lines may be cut off, and is told by its address then.
        let feed = match lines {
            true => serde_json::from_slice::<Versioned>(first).is_ok(),
            false => bare.starts_with(b"{") && bare.windows(VERSIONS.len()).any(|w| w == VERSIONS.as_bytes()),
        };
        if feed {
            return Self::split::<{ usize::MAX }>(Format::JsonFeed, text);
        }
        if !lines && bare.starts_with(b"[") {
            return Err(BadPage::unfit(FaultAt::new(
                "",
                "an array: write each listing on a line by itself, or the file as a JSON Feed",
            )));
        }
        let mut page = Self::split::<{ usize::MAX }>(Format::Ndjson, text)?;
        if !lines && serde_json::from_slice::<IgnoredAny>(&page.text).is_ok() {
            page.pieces = vec![(1, 0..page.text.len())];
        }
        Ok(page)
    }

    fn split<const MOST: usize>(format: Format, mut text: Vec<u8>) -> Result<Self, BadPage> {
        if text.starts_with(b"\xef\xbb\xbf") {
            text.drain(..3);
        }
        let mut page = Self {
            next_url: None,
            expired: false,
            format,
            language: None,
            text: Vec::new(),
            pieces: Vec::new(),
            beyond: None,
        };
        match format {
            Format::JsonFeed => page.split_document::<MOST>(&text)?,
            Format::Ndjson => page.split_lines(&text, MOST),
        }
        page.text = text;
        Ok(page)
    }

    /// The items in the page's order, ids repeated or not.
    fn items(&self) -> impl Iterator<Item = Result<Item, BadItem>> + '_ {
        let read = self.pieces.iter().map(|(n, range)| {
            let read = self.item(*n, &self.text[range.clone()]);
            read.map_err(|fault| BadItem::new(self.place(*n, &fault.pointer), fault.detail))
        });
        let beyond = self.beyond.map(|(n, count)| {
            let detail =
                format!("a page may hold {MOST_ITEMS} items: this and later ones, {count} in all, are not read");
            Err(BadItem { place: self.place(n, ""), detail, count })
        });
        read.chain(beyond)
    }

    fn split_document<const MOST: usize>(&mut self, text: &[u8]) -> Result<(), BadPage> {
        let whole = |detail: String| FaultAt::new("", detail);
        let text = std::str::from_utf8(text).map_err(|e| {
            BadPage::malformed(whole(format!("not UTF-8: byte {} begins no character", e.valid_up_to())))
        })?;
        if !text.trim_ascii_start().starts_with('{') {
            let fault = whole("not a JSON object".into());
            return Err(match serde_json::from_str::<IgnoredAny>(text) {
                Ok(_) => BadPage::unfit(fault),
                Err(_) => BadPage::malformed(fault),
            });
        }
        let known: Known<'_> = serde_json::from_str(text).map_err(|e| match e.classify() {
            // An object of members read as they stand: only one that stands twice does not fit.
            Category::Data => BadPage::malformed(repeated(&e)),
            _ => BadPage::malformed(whole(e.to_string())),
        })?;
        let mut faults = Vec::new();
        match known.version.map(|v| serde_json::from_str::<String>(v.get())) {
            None => faults.push(FaultAt::new("/version", "this member must be there")),
            Some(version) if version.as_ref().is_ok_and(|v| is_known(v)) => {}
            Some(_) => faults.push(FaultAt::new("/version", "not https://jsonfeed.org/version/1.1")),
        }
        match known.next_url.map(|url| serde_json::from_str(url.get())).transpose() {
            Ok(next_url) => self.next_url = next_url,
            Err(_) => faults.push(FaultAt::new("/next_url", "not a string")),
        }
        self.expired = known.expired.is_some_and(|e| e.get() == "true");
        self.language = known.language.and_then(|l| serde_json::from_str(l.get()).ok());
        match known.items.map(|items| serde_json::from_str::<Slices<'_, MOST>>(items.get())) {
            None => faults.push(FaultAt::new("/items", "this member must be there, an array of items")),
            Some(Err(_)) => faults.push(FaultAt::new("/items", "not an array of items")),
            Some(Ok(items)) => {
                let range = |item: &RawValue| {
                    // A slice of `text`: the distance of their beginnings is where it stands.
                    let start = item.get().as_ptr().addr() - text.as_ptr().addr();
                    start..start + item.get().len()
                };
                self.pieces = items.first.iter().map(|i| range(i)).enumerate().collect();
                self.beyond = (items.more > 0).then_some((MOST, items.more));
            }
        }
        if faults.is_empty() { Ok(()) } else { Err(BadPage { malformed: false, faults }) }
    }

    fn split_lines(&mut self, text: &[u8], most: usize) {
        let mut start = 0;
        for (i, line) in text.split(|b| *b == b'\n').enumerate() {
            let range = start..start + line.len();
            start = range.end + 1;
            if line.iter().all(u8::is_ascii_whitespace) {
                continue;
            }
            if self.pieces.len() < most {
                self.pieces.push((i + 1, range));
            } else {
                self.beyond.get_or_insert((i + 1, 0)).1 += 1;
            }
        }
    }

    fn place(&self, n: usize, pointer: &str) -> String {
        match (self.format, pointer) {
            (Format::JsonFeed, _) => format!("/items/{n}{pointer}"),
            (Format::Ndjson, "") => format!("line {n}"),
            (Format::Ndjson, _) => format!("line {n}, {pointer}"),
        }
    }

    fn item(&self, n: usize, text: &[u8]) -> Result<Item, FaultAt> {
        if text.len() > MOST_BYTES {
            return Err(FaultAt::new("", format!("an item may hold {MOST_BYTES} bytes")));
        }
        let Value::Object(mut item) = strict_json::parse(text)? else {
            return Err(FaultAt::new("", "not an object"));
        };
        let id = id(item.remove("id"))?;
        let (published, request) = match self.format {
            Format::JsonFeed => {
                let published = item.get("date_published").and_then(|d| d.as_str()?.parse().ok());
                (published, request(&id, item, self.language.as_deref())?)
            }
            Format::Ndjson => {
                item.insert("id".into(), id.as_str().into());
                (None, item)
            }
        };
        Ok(Item { place: self.place(n, ""), id, published, request: Value::Object(request) })
    }
}

/// Every item of a feed's pages in order, read as they are taken. From the second page on a place
/// names its page.
pub fn items(pages: &[Page]) -> impl Iterator<Item = Result<Item, BadItem>> + '_ {
    let mut seen = HashSet::new();
    let all = pages.iter().zip(1..).flat_map(|(page, number)| {
        page.items().map(move |mut read| {
            let place = read.as_mut().map_or_else(|bad| &mut bad.place, |item| &mut item.place);
            if number > 1 {
                *place = format!("page {number}, {place}");
            }
            read
        })
    });
    all.map(move |read| {
        let item = read?;
        if seen.insert(item.id.clone()) {
            return Ok(item);
        }
        let detail = format!("an item before it has the id `{}`; that one counts", item.id);
        Err(BadItem::new(item.place, detail))
    })
}

/// The members of a JSON Feed that are read, as they stand; the others are passed over.
#[derive(Deserialize)]
struct Known<'a> {
    #[serde(borrow)]
    version: Option<&'a RawValue>,
    #[serde(borrow)]
    next_url: Option<&'a RawValue>,
    #[serde(borrow)]
    expired: Option<&'a RawValue>,
    #[serde(borrow)]
    language: Option<&'a RawValue>,
    #[serde(borrow)]
    items: Option<&'a RawValue>,
}

/// What serde says of a member that stands twice, with its place.
fn repeated(error: &serde_json::Error) -> FaultAt {
    let said = error.to_string();
    let name = said.split('`').nth(1).unwrap_or_default();
    FaultAt::new(pointer_to("", name), "this key stands twice in its object")
}

/// Version 1 or one of its own minor versions, which say no less.
fn is_known(version: &str) -> bool {
    let minor = version.strip_prefix(VERSIONS).and_then(|v| v.strip_prefix('1'));
    minor.is_some_and(|m| m.is_empty() || m.strip_prefix('.').is_some_and(|m| m.parse::<u32>().is_ok()))
}

/// The first items as they are written.
struct Slices<'a, const MOST: usize> {
    first: Vec<&'a RawValue>,
    more: u64,
}

impl<'de: 'a, 'a, const MOST: usize> Deserialize<'de> for Slices<'a, MOST> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct First<const MOST: usize>;
        impl<'de, const MOST: usize> Visitor<'de> for First<MOST> {
            type Value = Slices<'de, MOST>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an array of items")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Slices<'de, MOST>, A::Error> {
                let mut first = Vec::new();
                while first.len() < MOST {
                    match seq.next_element()? {
                        Some(item) => first.push(item),
                        None => return Ok(Slices { first, more: 0 }),
                    }
                }
                let mut more = 0;
                while seq.next_element::<IgnoredAny>()?.is_some() {
                    more += 1;
                }
                Ok(Slices { first, more })
            }
        }
        from.deserialize_seq(First::<MOST>)
    }
}

/// An item's id: a string, or a number written as one. An item without is discarded, as JSON Feed
/// insists.
fn id(value: Option<Value>) -> Result<String, FaultAt> {
    let fault = |detail: &str| Err(FaultAt::new("/id", detail));
    let id = match value {
        Some(Value::String(id)) => id,
        // Read as a double a long number may be its neighbour.
        Some(Value::Number(n)) if n.as_f64().is_some_and(|v| n.is_f64() && v.fract() == 0.0) => {
            return fault("a number too long to be told from its neighbours: write it as a string");
        }
        Some(Value::Number(n)) => n.to_string(),
        None | Some(Value::Null) => return fault("an item must have an id"),
        Some(_) => return fault("an id is a string"),
    };
    match id.chars().count() {
        _ if id.trim().is_empty() => fault("an id may not be blank"),
        n if n > MOST_ID_CHARS => fault("an id may hold 200 characters"),
        _ => Ok(id),
    }
}

/// A JSON Feed item as a request: its extension object joined by the standard members.
fn request(id: &str, mut item: Map<String, Value>, language: Option<&str>) -> Result<Map<String, Value>, FaultAt> {
    let mut take = |member: &str| item.remove(member).filter(|v| !v.is_null());
    let mut request = match take(EXTENSION) {
        None => Map::new(),
        Some(Value::Object(members)) => members,
        Some(_) => return Err(FaultAt::new(format!("/{EXTENSION}"), "not an object")),
    };
    // For people who look at the feed: JSON Feed 1.1, "Extensions".
    request.remove("about");
    let html = take("content_html").map(|html| match html {
        Value::String(html) => text_of(&html).into(),
        other => other,
    });
    let standard = [
        ("id", "id", Some(id.into())),
        ("url", "url", take("url")),
        ("title", "title", take("title")),
        ("description", "content_text", take("content_text").or(html)),
        ("language", "language", take("language")),
    ];
    for (member, said_by, value) in standard {
        let Some(value) = value else { continue };
        if request.insert(member.into(), value).is_some() {
            let pointer = format!("/{EXTENSION}/{member}");
            return Err(FaultAt::new(pointer, format!("the item says this in its own `{said_by}`")));
        }
    }
    if let Some(language) = language {
        request.entry("language").or_insert(language.into());
    }
    request.entry("observations").or_insert_with(|| Value::Array(Vec::new()));
    Ok(request)
}

/// Elements that begin a new line.
const BREAKS: [&[u8]; 22] = [
    b"article",
    b"blockquote",
    b"br",
    b"dd",
    b"div",
    b"dt",
    b"h1",
    b"h2",
    b"h3",
    b"h4",
    b"h5",
    b"h6",
    b"hr",
    b"li",
    b"ol",
    b"p",
    b"pre",
    b"section",
    b"table",
    b"td",
    b"tr",
    b"ul",
];

/// The words of a piece of HTML, a line a block; what scripts and styles hold are no words.
fn text_of(html: &str) -> String {
    let mut emitter = DefaultEmitter::default();
    emitter.naively_switch_states(true);
    let mut lines = vec![String::new()];
    let mut silent = false;
    for Ok(token) in Tokenizer::new_with_emitter(html, emitter) {
        let name = match token {
            Token::StartTag(tag) => {
                silent = matches!(&**tag.name, b"script" | b"style");
                tag.name
            }
            Token::EndTag(tag) => {
                silent = false;
                tag.name
            }
            Token::String(words) => {
                if !silent && let Some(line) = lines.last_mut() {
                    line.push_str(&String::from_utf8_lossy(&words));
                }
                continue;
            }
            _ => continue,
        };
        if BREAKS.contains(&&**name) {
            lines.push(String::new());
        }
    }
    let words = lines.iter().map(|l| l.split_whitespace().collect::<Vec<_>>().join(" ")).filter(|l| !l.is_empty());
    words.collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::json;

    const VERSION: &str = "https://jsonfeed.org/version/1.1";

    fn read(format: Format, text: &str) -> Vec<Result<Item, BadItem>> {
        items(&[Page::read(format, text.into()).unwrap()]).collect()
    }

    fn feed(items: &Value) -> String {
        json!({ "version": VERSION, "title": "Saved", "language": "de", "items": items }).to_string()
    }

    /// The request of a feed's only item.
    fn request_of(item: Value) -> Result<Value, BadItem> {
        read(Format::JsonFeed, &feed(&json!([item]))).remove(0).map(|i| i.request)
    }

    /// Place and detail of a feed's only item.
    fn fault_of(item: Value) -> (String, String) {
        let bad = request_of(item).unwrap_err();
        (bad.place, bad.detail)
    }

    /// <https://www.jsonfeed.org/version/1.1/>, "Introduction" and "More Examples": both read as they stand.
    #[test]
    fn the_examples_of_the_json_feed_specification() {
        let simple = r#"{
            "version": "https://jsonfeed.org/version/1.1",
            "title": "My Example Feed",
            "home_page_url": "https://example.org/",
            "feed_url": "https://example.org/feed.json",
            "items": [
                { "id": "2", "content_text": "This is a second item.", "url": "https://example.org/second-item" },
                { "id": "1", "content_html": "<p>Hello, world!</p>", "url": "https://example.org/initial-post" }
            ]
        }"#;
        let requests: Vec<Value> = read(Format::JsonFeed, simple).into_iter().map(|i| i.unwrap().request).collect();
        assert_eq!(
            requests,
            [
                json!({ "id": "2", "description": "This is a second item.", "url": "https://example.org/second-item",
                        "observations": [] }),
                json!({ "id": "1", "description": "Hello, world!", "url": "https://example.org/initial-post",
                        "observations": [] }),
            ]
        );

        let microblog = r#"{
            "version": "https://jsonfeed.org/version/1.1",
            "user_comment": "This is a microblog feed.",
            "title": "A Microblog",
            "authors": [ { "name": "A", "url": "http://example.org/", "avatar": "https://example.org/avatar.png" } ],
            "items": [ { "id": "2347259", "url": "https://example.org/2347259",
                         "content_text": "Cats are neat. \n\nhttps://example.org/cats",
                         "date_published": "2016-02-09T14:22:00-07:00" } ]
        }"#;
        let item = read(Format::JsonFeed, microblog).remove(0).unwrap();
        assert_eq!(item.published, Some("2016-02-09T21:22:00Z".parse().unwrap()));
        assert_eq!(item.request["description"], "Cats are neat. \n\nhttps://example.org/cats");
    }

    #[test]
    fn an_item_is_the_standard_members_and_one_extension() {
        let item = json!({
            "id": "lot-381", "title": "Hand-wound", "language": "fr", "content_text": "words", "content_html": "<b>other</b>",
            "tags": ["steel"], "summary": null, "url": null, "_other": { "a": 1 },
            "_steelyard": { "about": "for people", "offer": { "price": { "amount": "640.00", "currency": "EUR" } },
                            "observations": [{ "sign": "x", "call": "present" }] },
        });
        assert_eq!(
            request_of(item).unwrap(),
            json!({ "id": "lot-381", "title": "Hand-wound", "language": "fr", "description": "words",
                    "offer": { "price": { "amount": "640.00", "currency": "EUR" } },
                    "observations": [{ "sign": "x", "call": "present" }] })
        );
        // The feed's language, where neither the item nor its extension has one.
        assert_eq!(request_of(json!({ "id": "a" })).unwrap()["language"], "de");
        assert_eq!(request_of(json!({ "id": "a", "_steelyard": { "language": "it" } })).unwrap()["language"], "it");
    }

    #[test]
    fn what_is_said_twice_or_is_no_object_is_a_fault_where_it_stands() {
        for member in ["id", "title"] {
            let (place, detail) = fault_of(json!({ "id": "a", "title": "t", "_steelyard": { member: "u" } }));
            assert_eq!(place, format!("/items/0/_steelyard/{member}"));
            assert!(detail.contains(&format!("its own `{member}`")), "{detail}");
        }
        let (place, detail) = fault_of(json!({ "id": "a", "content_html": "", "_steelyard": { "description": "" } }));
        assert_eq!(place, "/items/0/_steelyard/description");
        assert!(detail.contains("`content_text`"), "{detail}");
        assert_eq!(fault_of(json!({ "id": "a", "_steelyard": [] })).0, "/items/0/_steelyard");
        for item in [json!([]), json!("a"), json!(null)] {
            assert_eq!(fault_of(item).0, "/items/0");
        }
    }

    /// JSON Feed 1.1, "Suggestions for Feed Readers": numbers are coerced, items without id discarded.
    #[test]
    fn ids_are_strings_or_numbers_and_never_blank() {
        for (id, read) in [
            (json!("ä"), "ä"),
            (json!(" a "), " a "),
            (json!(381), "381"),
            (json!(381.0), "381"),
            (json!(-1), "-1"),
            (json!(0.5), "0.5"),
            (json!(u64::MAX), "18446744073709551615"),
        ] {
            assert_eq!(request_of(json!({ "id": id })).unwrap()["id"], read);
        }
        for id in [json!(null), json!(""), json!(" \t"), json!(true), json!([]), json!({}), json!("a".repeat(201))] {
            assert_eq!(fault_of(json!({ "id": id })).0, "/items/0/id", "{id}");
        }
        assert_eq!(fault_of(json!({ "title": "none" })).0, "/items/0/id");
        let long = format!(r#"{{ "version": "{VERSION}", "items": [{{ "id": 18446744073709551617 }}] }}"#);
        assert_eq!(
            super::items(&[Page::read(Format::JsonFeed, long.into()).unwrap()]).next().unwrap().unwrap_err().place,
            "/items/0/id"
        );
        assert!(request_of(json!({ "id": "ä".repeat(200) })).is_ok());
    }

    #[test]
    fn of_two_items_with_one_id_the_first_counts_and_the_later_is_told() {
        let read = read(Format::JsonFeed, &feed(&json!([{ "id": "7", "title": "new" }, { "id": 7, "title": "old" }])));
        assert_eq!(read[0].as_ref().unwrap().request["title"], "new");
        let bad = read[1].as_ref().unwrap_err();
        assert_eq!(bad.place, "/items/1");
        assert!(bad.detail.contains("`7`"), "{}", bad.detail);
    }

    #[test]
    fn a_bad_item_costs_nothing_but_itself() {
        let text = format!(
            r#"{{ "version": "{VERSION}", "items": [
                {{ "id": "a" }}, {{ "id": "b", "x": {{ "k": 1, "\u006b": 2 }} }}, {{ "id": "c", "x": 1e999 }},
                {{ "id": "d", "x": {deep} }}, {{ "id": "e", "x": "{long}" }}, {{ "id": "f" }} ] }}"#,
            deep = "[".repeat(1_000) + &"]".repeat(1_000),
            long = "x".repeat(MOST_BYTES),
        );
        let read = read(Format::JsonFeed, &text);
        let good: Vec<&str> = read.iter().flatten().map(|i| i.id.as_str()).collect();
        assert_eq!(good, ["a", "f"]);
        let bad: Vec<(&str, bool)> = read
            .iter()
            .filter_map(|i| i.as_ref().err())
            .zip(["twice", "double", "deeply", "262144"])
            .map(|(bad, says)| (bad.place.as_str(), bad.detail.contains(says)))
            .collect();
        assert_eq!(bad, [("/items/1/x/k", true), ("/items/2", true), ("/items/3", true), ("/items/4", true)]);
    }

    #[test]
    fn what_is_no_json_feed_is_refused_whole() {
        let items = r#""items": [{ "id": "a" }]"#;
        for text in [
            String::new(),
            "[]".into(),
            "null".into(),
            "{}".into(),
            format!("{{ {items} }}"),
            format!(r#"{{ "version": 1, {items} }}"#),
            format!(r#"{{ "version": "https://other.example/version/1.1", {items} }}"#),
            format!(r#"{{ "version": "{VERSION}" }}"#),
            format!(r#"{{ "version": "{VERSION}", "items": {{}} }}"#),
            format!(r#"{{ "version": "{VERSION}", {items}, {items} }}"#),
            format!(r#"{{ "version": "{VERSION}", "\u0076ersion": "{VERSION}", {items} }}"#),
            format!(r#"{{ "version": "{VERSION}", "next_url": 1, {items} }}"#),
            format!(r#"{{ "version": "{VERSION}", {items} }} x"#),
            format!(r#"{{ "version": "{VERSION}", {items}"#),
            format!(r#"["{VERSION}", null, null, null, [{{ "id": "a" }}]]"#),
        ] {
            assert!(Page::read(Format::JsonFeed, text.clone().into()).is_err(), "{text}");
        }
        let faults = |text: &str| {
            let bad = Page::read(Format::JsonFeed, text.into()).unwrap_err();
            (bad.malformed, bad.faults.into_iter().map(|f| f.pointer).collect::<Vec<_>>())
        };
        assert_eq!(faults("{}"), (false, vec!["/version".into(), "/items".into()]));
        assert_eq!(
            faults(r#"{ "version": "https://jsonfeed.org/version/2", "items": null }"#).1,
            ["/version", "/items"]
        );
        assert_eq!(faults(r#"{ "items": [], "version": 1, "items": [] }"#), (true, vec!["/items".into()]));
        // Version 1 stays valid, and titles are not needed to read a feed.
        let old = format!(r#"{{ "version": "https://jsonfeed.org/version/1", {items} }}"#);
        assert!(Page::read(Format::JsonFeed, old.into()).is_ok());
    }

    #[test]
    fn a_line_is_the_request() {
        let text = "\u{feff}{\"id\":\"a\",\"observations\":[]}\r\n\n \t\r\n{\"id\":2}\nnot json\n[]\n{\"x\":{\"k\":1,\"k\":2},\"id\":\"b\"}\n{\"id\":\"a\"}\n{\"id\":\"z\"}";
        let read = read(Format::Ndjson, text);
        let good: Vec<(&str, &str)> = read.iter().flatten().map(|i| (i.place.as_str(), i.id.as_str())).collect();
        assert_eq!(good, [("line 1", "a"), ("line 4", "2"), ("line 9", "z")]);
        assert_eq!(read[0].as_ref().unwrap().request, json!({ "id": "a", "observations": [] }));
        assert_eq!(read[1].as_ref().unwrap().request, json!({ "id": "2" }));
        let bad: Vec<&str> = read.iter().filter_map(|i| Some(i.as_ref().err()?.place.as_str())).collect();
        assert_eq!(bad, ["line 5", "line 6", "line 7, /x/k", "line 8"]);

        let page = Page::read(Format::Ndjson, b"{\"id\":\"a\"}\n\xff\n{\"id\":\"b\"}".to_vec()).unwrap();
        let places: Vec<bool> = items(&[page]).map(|i| i.is_ok()).collect();
        assert_eq!(places, [true, false, true]);
    }

    #[test]
    fn items_beyond_the_limit_are_told_and_not_read() {
        let many: Vec<Value> = (0..MOST_ITEMS + 2).map(|i| json!({ "id": i })).collect();
        let lines: Vec<String> = many.iter().map(Value::to_string).collect();
        let feed = feed(&many.into());
        for (format, text, place) in
            [(Format::JsonFeed, feed, "/items/5000"), (Format::Ndjson, lines.join("\n"), "line 5001")]
        {
            let mut read = read(format, &text);
            assert_eq!(read.len(), MOST_ITEMS + 1);
            let beyond = read.pop().unwrap().unwrap_err();
            assert_eq!((beyond.place.as_str(), beyond.count), (place, 2));
            assert!(read.iter().all(Result::is_ok));
        }
    }

    #[test]
    fn words_of_html_are_its_text_line_by_line() {
        for (html, text) in [
            (
                "<p>Original <b>dial</b>,&nbsp;1958 &amp; later</p><p>Serviced</p>",
                "Original dial, 1958 & later\nServiced",
            ),
            ("a<br>b<br/>c", "a\nb\nc"),
            ("<script>alert('<p>x</p>')</script><style>p{}</style>ok", "ok"),
            ("<ul><li>one\n  line<li>two</ul>", "one line\ntwo"),
            ("un<b>broken</b> word <!-- not -->", "unbroken word"),
            ("18 < 20 &lt;b&gt; &#x41;", "18 < 20 <b> A"),
            ("<p", ""),
            ("", ""),
        ] {
            assert_eq!(text_of(html), text, "{html}");
        }
    }

    fn any_json() -> impl Strategy<Value = Value> {
        let leaf = prop_oneof![
            Just(Value::Null),
            any::<bool>().prop_map(Value::from),
            any::<f64>().prop_map(Value::from),
            any::<i64>().prop_map(Value::from),
            ".{0,8}".prop_map(Value::from),
        ];
        let name = prop_oneof![
            ".{0,3}",
            "id",
            "title",
            "content_html",
            "content_text",
            "language",
            "date_published",
            "_steelyard",
        ];
        leaf.prop_recursive(4, 40, 6, move |inner| {
            prop_oneof![
                proptest::collection::vec(inner.clone(), 0..6).prop_map(Value::from),
                proptest::collection::btree_map(name.clone(), inner, 0..8)
                    .prop_map(|members| Value::Object(members.into_iter().collect())),
            ]
        })
    }

    proptest! {
        #[test]
        fn no_bytes_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            for format in [Format::JsonFeed, Format::Ndjson] {
                if let Ok(page) = Page::read(format, bytes.clone()) {
                    items(&[page]).for_each(drop);
                }
            }
        }

        #[test]
        fn no_html_panics(html in "(<|>|/|p|script|&|#|x|!|-|\"|ä| |\n){0,60}") {
            let _ = text_of(&html);
        }

        /// Whatever the items are, each is read or told, in order, and what is read has its id.
        #[test]
        fn every_item_is_accounted_for(list in proptest::collection::vec(any_json(), 0..6)) {
            let all = read(Format::JsonFeed, &feed(&list.clone().into()));
            prop_assert_eq!(all.len(), list.len());
            for (i, one) in all.iter().enumerate() {
                let here = format!("/items/{i}");
                match one {
                    Ok(item) => {
                        prop_assert_eq!(&item.place, &here);
                        prop_assert_eq!(&item.request["id"], &item.id);
                        prop_assert!(item.request["observations"].is_array() || list[i]["_steelyard"].get("observations").is_some());
                    }
                    Err(bad) => prop_assert!(bad.place.starts_with(&here)),
                }
            }
        }

        /// LF or CRLF, a final line end or none, empty lines: the same items.
        #[test]
        fn line_ends_do_not_matter(list in proptest::collection::vec(any_json(), 0..6), crlf: bool, last: bool) {
            let lines: Vec<String> = list.iter().map(Value::to_string).collect();
            let plain = read(Format::Ndjson, &lines.join("\n"));
            let end = if crlf { "\r\n" } else { "\n" };
            let other = read(Format::Ndjson, &(lines.join(end) + if last { end } else { "" }));
            prop_assert_eq!(plain, other);
        }
    }
}

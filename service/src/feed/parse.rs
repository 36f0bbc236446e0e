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
use crate::problem::FaultAt;
use crate::strict_json;
use html5gum::{DefaultEmitter, Token, Tokenizer};
use jiff::Timestamp;
use serde::de::{IgnoredAny, SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize};
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
    /// The first item beyond the limit.
    beyond: Option<usize>,
}

impl Page {
    /// Splits a page into its items. A byte order mark in front is passed over (RFC 8259 section 8.1).
    ///
    /// # Errors
    /// Why it is no page of this format.
    pub fn read(format: Format, mut text: Vec<u8>) -> Result<Self, FaultAt> {
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
            Format::JsonFeed => page.split_document(&text)?,
            Format::Ndjson => page.split_lines(&text),
        }
        page.text = text;
        Ok(page)
    }

    /// The items in the page's order, ids repeated or not.
    fn items(&self) -> impl Iterator<Item = Result<Item, BadItem>> + '_ {
        let read = self.pieces.iter().map(|(n, range)| match self.item(&self.text[range.clone()]) {
            Ok((id, published, request)) => {
                Ok(Item { place: self.place(*n, ""), id, published, request: Value::Object(request) })
            }
            Err(fault) => Err(BadItem { place: self.place(*n, &fault.pointer), detail: fault.detail }),
        });
        let beyond = self.beyond.map(|n| {
            let detail = format!("a page may hold {MOST_ITEMS} items: this and later ones are not read");
            Err(BadItem { place: self.place(n, ""), detail })
        });
        read.chain(beyond)
    }

    fn split_document(&mut self, text: &[u8]) -> Result<(), FaultAt> {
        let fault = |detail: String| FaultAt::new("", detail);
        let text = std::str::from_utf8(text)
            .map_err(|e| fault(format!("not UTF-8: byte {} begins no character", e.valid_up_to())))?;
        if !text.trim_ascii_start().starts_with('{') {
            return Err(fault("not a JSON object".into()));
        }
        let document: Document<'_> = serde_json::from_str(text).map_err(|e| fault(e.to_string()))?;
        if !document.version.starts_with("https://jsonfeed.org/version/") {
            return Err(FaultAt::new("/version", "not https://jsonfeed.org/version/1.1"));
        }
        self.next_url = document.next_url;
        self.expired = document.expired.is_some_and(|e| e.get() == "true");
        self.language = document.language.and_then(|l| serde_json::from_str(l.get()).ok());
        let range = |item: &RawValue| {
            // A slice of `text`: the distance of their beginnings is where it stands.
            let start = item.get().as_ptr().addr() - text.as_ptr().addr();
            start..start + item.get().len()
        };
        self.pieces = document.items.first.iter().map(|i| range(i)).enumerate().collect();
        self.beyond = document.items.more.then_some(MOST_ITEMS);
        Ok(())
    }

    fn split_lines(&mut self, text: &[u8]) {
        let mut start = 0;
        for (i, line) in text.split(|b| *b == b'\n').enumerate() {
            let range = start..start + line.len();
            start = range.end + 1;
            if line.iter().all(u8::is_ascii_whitespace) {
                continue;
            }
            if self.pieces.len() == MOST_ITEMS {
                self.beyond = Some(i + 1);
                return;
            }
            self.pieces.push((i + 1, range));
        }
    }

    fn place(&self, n: usize, pointer: &str) -> String {
        match (self.format, pointer) {
            (Format::JsonFeed, _) => format!("/items/{n}{pointer}"),
            (Format::Ndjson, "") => format!("line {n}"),
            (Format::Ndjson, _) => format!("line {n}, {pointer}"),
        }
    }

    fn item(&self, text: &[u8]) -> Result<(String, Option<Timestamp>, Map<String, Value>), FaultAt> {
        if text.len() > MOST_BYTES {
            return Err(FaultAt::new("", format!("an item may hold {MOST_BYTES} bytes")));
        }
        let Value::Object(mut item) = strict_json::parse(text)? else {
            return Err(FaultAt::new("", "not an object"));
        };
        let id = id(item.remove("id"))?;
        match self.format {
            Format::JsonFeed => {
                let published = item.get("date_published").and_then(|d| d.as_str()?.parse().ok());
                let request = request(&id, item, self.language.as_deref())?;
                Ok((id, published, request))
            }
            Format::Ndjson => {
                item.insert("id".into(), id.clone().into());
                Ok((id, None, item))
            }
        }
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
        Err(BadItem { place: item.place, detail })
    })
}

/// The members of a JSON Feed that are read; the others are passed over.
#[derive(Deserialize)]
struct Document<'a> {
    version: String,
    next_url: Option<String>,
    #[serde(borrow)]
    expired: Option<&'a RawValue>,
    #[serde(borrow)]
    language: Option<&'a RawValue>,
    #[serde(borrow)]
    items: Slices<'a>,
}

/// The first items as they are written.
struct Slices<'a> {
    first: Vec<&'a RawValue>,
    more: bool,
}

impl<'de: 'a, 'a> Deserialize<'de> for Slices<'a> {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct First;
        impl<'de> Visitor<'de> for First {
            type Value = Slices<'de>;

            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an array of items")
            }

            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Slices<'de>, A::Error> {
                let mut first = Vec::new();
                while first.len() < MOST_ITEMS {
                    match seq.next_element()? {
                        Some(item) => first.push(item),
                        None => return Ok(Slices { first, more: false }),
                    }
                }
                let mut more = false;
                while seq.next_element::<IgnoredAny>()?.is_some() {
                    more = true;
                }
                Ok(Slices { first, more })
            }
        }
        from.deserialize_seq(First)
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

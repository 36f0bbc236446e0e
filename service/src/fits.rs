//! Whether a text certainly fits a schema of our own OpenAPI document: told in one reading that
//! keeps nothing.
//!
//! Most bodies are sound, and of a sound one nobody asks where its faults are. What fits here can be
//! read straight into its type. The answer is one-sided: "no" may only mean that the text is written
//! in a way that this reader leaves to [`crate::shape`] (a null, `5.0` for a whole number, a schema
//! with a word that is not understood here), so every refusal still comes from there.

use crate::strict_json::WHOLE;
use regex::Regex;
use serde::de::{DeserializeSeed, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_json::{Value, json};
use std::collections::HashMap;
use std::fmt;

/// A schema compiled for reading.
#[derive(Debug)]
pub(crate) struct Fits {
    nodes: Vec<Node>,
    root: usize,
}

#[derive(Debug)]
enum Node {
    /// A schema that is not understood: nothing fits it for certain.
    Unsure,
    Flag,
    Text(Text),
    Number(Bounds),
    List {
        items: usize,
        least: usize,
        most: usize,
    },
    Members {
        known: Vec<Member>,
        /// The known members that must be there, a bit each.
        required: u64,
        /// What members of other names must fit.
        others: Option<usize>,
    },
}

#[derive(Debug)]
struct Member {
    name: String,
    /// [`mark`] of the name.
    mark: u64,
    node: usize,
}

/// The first bytes of a name: members are told apart by it at a glance.
fn mark(name: &str) -> u64 {
    let mut first = [0; 8];
    let len = name.len().min(first.len());
    first[..len].copy_from_slice(&name.as_bytes()[..len]);
    u64::from_le_bytes(first)
}

#[derive(Debug)]
struct Text {
    least: usize,
    most: usize,
    options: Option<Vec<String>>,
    pattern: Option<Regex>,
}

#[derive(Debug)]
struct Bounds {
    whole: bool,
    least: f64,
    above: f64,
    most: f64,
    below: f64,
}

/// Members a schema may have, as there is a bit for each.
const MOST_MEMBERS: usize = 64;

/// Words of a schema that say nothing of what fits. `format` is not asserted (JSON Schema 2020-12,
/// Validation 7.2.1), here or in [`crate::shape`].
const SILENT: &[&str] = &["description", "example", "examples", "title", "default", "format"];

impl Fits {
    /// Compiles the schema `name` among a document's components, as [`crate::shape`] checks by it.
    pub(crate) fn compile(components: &Value, name: &str) -> Self {
        let mut compiler = Compiler { schemas: &components["schemas"], nodes: Vec::new(), named: HashMap::new() };
        let root = compiler.named(name);
        Self { nodes: compiler.nodes, root }
    }

    /// Whether a text is for certain one JSON document that fits, no key twice.
    pub(crate) fn fits(&self, text: &str) -> bool {
        let mut reader = serde_json::Deserializer::from_str(text);
        Read { fits: self, node: self.root }.deserialize(&mut reader).and_then(|()| reader.end()).is_ok()
    }
}

struct Compiler<'d> {
    schemas: &'d Value,
    nodes: Vec<Node>,
    named: HashMap<String, usize>,
}

impl Compiler<'_> {
    fn named(&mut self, name: &str) -> usize {
        if let Some(node) = self.named.get(name) {
            return *node;
        }
        let node = self.nodes.len();
        self.nodes.push(Node::Unsure);
        self.named.insert(name.into(), node);
        let schema = &self.schemas[name];
        if let Some(read) = self.node(schema) {
            self.nodes[node] = read;
        }
        node
    }

    fn place(&mut self, schema: &Value) -> usize {
        if let Some(name) = schema["$ref"].as_str().and_then(|r| r.strip_prefix("#/components/schemas/")) {
            let alone =
                schema.as_object().is_some_and(|s| s.keys().all(|k| k == "$ref" || SILENT.contains(&k.as_str())));
            if alone {
                return self.named(name);
            }
        }
        let node = self.node(schema).unwrap_or(Node::Unsure);
        self.nodes.push(node);
        self.nodes.len() - 1
    }

    /// What a schema says, if all of it is understood.
    fn node(&mut self, schema: &Value) -> Option<Node> {
        let schema = schema.as_object()?;
        let mut words: Vec<&str> = schema.keys().map(String::as_str).filter(|k| !SILENT.contains(k)).collect();
        let kind = match &schema["type"] {
            Value::String(kind) => kind.as_str(),
            // A null is left to others.
            Value::Array(kinds) => match kinds.as_slice() {
                [Value::String(kind), Value::String(null)] if null == "null" => kind.as_str(),
                _ => return None,
            },
            _ => return None,
        };
        let mut word = |name: &str| {
            words.retain(|w| *w != name);
            schema.get(name)
        };
        word("type");
        let count = |bound: Option<&Value>, other: usize| match bound {
            None => Some(other),
            Some(bound) => usize::try_from(bound.as_u64()?).ok(),
        };
        let bound = |bound: Option<&Value>, other: f64| bound.map_or(Some(other), Value::as_f64);
        let node = match kind {
            "boolean" => Node::Flag,
            "string" => {
                let options = match word("enum") {
                    None => None,
                    Some(options) => {
                        let text = |o: &Value| o.as_str().map(str::to_owned);
                        Some(options.as_array()?.iter().map(text).collect::<Option<_>>()?)
                    }
                };
                let pattern = match word("pattern") {
                    None => None,
                    Some(pattern) => Some(plain_pattern(pattern.as_str()?)?),
                };
                Node::Text(Text {
                    least: count(word("minLength"), 0)?,
                    most: count(word("maxLength"), usize::MAX)?,
                    options,
                    pattern,
                })
            }
            "number" | "integer" => Node::Number(Bounds {
                whole: kind == "integer",
                least: bound(word("minimum"), f64::NEG_INFINITY)?,
                above: bound(word("exclusiveMinimum"), f64::NEG_INFINITY)?,
                most: bound(word("maximum"), f64::INFINITY)?,
                below: bound(word("exclusiveMaximum"), f64::INFINITY)?,
            }),
            "array" => {
                let (least, most) = (count(word("minItems"), 0)?, count(word("maxItems"), usize::MAX)?);
                let items = word("items")?;
                Node::List { items: self.place(items), least, most }
            }
            "object" => {
                let required = word("required").and_then(Value::as_array).cloned().unwrap_or_default();
                let others = match word("additionalProperties") {
                    Some(Value::Bool(false)) => None,
                    Some(schema @ Value::Object(_)) => Some(schema),
                    _ => return None,
                };
                if word("propertyNames").is_some_and(|names| *names != json!({ "type": "string" })) {
                    return None;
                }
                let properties = word("properties").and_then(Value::as_object);
                let others = others.map(|schema| self.place(schema));
                let mut known = Vec::new();
                for (name, schema) in properties.into_iter().flatten() {
                    known.push(Member { name: name.clone(), mark: mark(name), node: self.place(schema) });
                }
                if known.len() > MOST_MEMBERS {
                    return None;
                }
                let mut needed = 0;
                for name in &required {
                    needed |= 1 << known.iter().position(|m| Some(m.name.as_str()) == name.as_str())?;
                }
                Node::Members { known, required: needed, others }
            }
            _ => return None,
        };
        words.is_empty().then_some(node)
    }
}

/// A pattern that means the same in ECMA-262, in which schemas write them, and in this library: without
/// a dot for any character and without classes such as `\d`, which the two read differently.
fn plain_pattern(pattern: &str) -> Option<Regex> {
    let mut parts = pattern.split('\\');
    let mut plain = pattern.is_ascii() && parts.next().is_some_and(|first| !first.contains('.'));
    for escaped in parts {
        let hex = |s: &str| s.len() >= 2 && s.as_bytes()[..2].iter().all(u8::is_ascii_hexdigit);
        let rest = escaped.strip_prefix('.').or_else(|| escaped.strip_prefix('x').filter(|s| hex(s)));
        plain &= rest.is_some_and(|rest| !rest.contains('.'));
    }
    if plain { Regex::new(pattern).ok() } else { None }
}

/// Reads a value for one schema.
#[derive(Clone, Copy)]
struct Read<'f> {
    fits: &'f Fits,
    node: usize,
}

impl Read<'_> {
    fn node(&self) -> &Node {
        &self.fits.nodes[self.node]
    }

    fn number<E: serde::de::Error>(self, x: f64, whole: bool) -> Result<(), E> {
        match self.node() {
            // A whole number written as a fraction, and minus zero, are read otherwise elsewhere.
            Node::Number(b)
                if (whole || !b.whole)
                    && x >= b.least
                    && x > b.above
                    && x <= b.most
                    && x < b.below
                    && (x != 0.0 || x.is_sign_positive()) =>
            {
                Ok(())
            }
            _ => Err(no()),
        }
    }
}

/// Nobody is told why.
fn no<E: serde::de::Error>() -> E {
    E::custom("")
}

impl<'de> DeserializeSeed<'de> for Read<'_> {
    type Value = ();

    fn deserialize<D: Deserializer<'de>>(self, from: D) -> Result<(), D::Error> {
        from.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Read<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("what fits")
    }

    fn visit_bool<E: serde::de::Error>(self, _: bool) -> Result<(), E> {
        if matches!(self.node(), Node::Flag) { Ok(()) } else { Err(no()) }
    }

    fn visit_i64<E: serde::de::Error>(self, v: i64) -> Result<(), E> {
        if (v as f64).abs() <= WHOLE { self.number(v as f64, true) } else { Err(no()) }
    }

    fn visit_u64<E: serde::de::Error>(self, v: u64) -> Result<(), E> {
        if v as f64 <= WHOLE { self.number(v as f64, true) } else { Err(no()) }
    }

    fn visit_f64<E: serde::de::Error>(self, v: f64) -> Result<(), E> {
        self.number(v, false)
    }

    fn visit_str<E: serde::de::Error>(self, v: &str) -> Result<(), E> {
        let Node::Text(text) = self.node() else { return Err(no()) };
        // A character has one to four bytes.
        let short = v.len() <= text.most || v.len() <= text.most.saturating_mul(4) && v.chars().count() <= text.most;
        let long = text.least == 0 || v.len() >= text.least && v.chars().count() >= text.least;
        let option = text.options.as_ref().is_none_or(|options| options.iter().any(|o| o == v));
        if short && long && option && text.pattern.as_ref().is_none_or(|p| p.is_match(v)) { Ok(()) } else { Err(no()) }
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<(), A::Error> {
        let Node::List { items, least, most } = *self.node() else { return Err(no()) };
        let item = Read { node: items, ..self };
        let mut count = 0;
        while seq.next_element_seed(item)?.is_some() {
            count += 1;
            if count > most {
                return Err(no());
            }
        }
        if count < least { Err(no()) } else { Ok(()) }
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<(), A::Error> {
        let Node::Members { known, required, others } = self.node() else { return Err(no()) };
        let (mut seen, mut more) = (0_u64, Vec::new());
        while let Some(key) = map.next_key_seed(Key { known, more: others.map(|_| &mut more) })? {
            let node = match (key, others) {
                (Some(i), _) if seen & (1 << i) == 0 => {
                    seen |= 1 << i;
                    known[i].node
                }
                (None, Some(others)) => *others,
                _ => return Err(no()),
            };
            map.next_value_seed(Read { node, ..self })?;
        }
        if seen & required == *required { Ok(()) } else { Err(no()) }
    }
}

/// Reads a key: its place among the known ones, or none where it is another, which is noted.
struct Key<'f, 'm> {
    known: &'f [Member],
    more: Option<&'m mut Vec<String>>,
}

impl<'de> DeserializeSeed<'de> for Key<'_, '_> {
    type Value = Option<usize>;

    fn deserialize<D: Deserializer<'de>>(self, from: D) -> Result<Option<usize>, D::Error> {
        from.deserialize_str(self)
    }
}

/// Keys of one free object that are compared with each other one by one.
const MOST_KEYS: usize = 64;

impl Visitor<'_> for Key<'_, '_> {
    type Value = Option<usize>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a key")
    }

    fn visit_str<E: serde::de::Error>(self, v: &str) -> Result<Option<usize>, E> {
        let mark = mark(v);
        if let Some(i) = self.known.iter().position(|m| m.mark == mark && m.name == v) {
            return Ok(Some(i));
        }
        match self.more {
            Some(more) if more.len() < MOST_KEYS && more.iter().all(|k| k != v) => {
                more.push(v.into());
                Ok(None)
            }
            _ => Err(no()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::app::App;
    use crate::drawn::{Drawing, request};
    use crate::examples;
    use crate::wire::request::AssessRequest;
    use proptest::prelude::*;
    use std::sync::{Arc, LazyLock};
    use steelyard_model::facts::Book;
    use steelyard_model::pack::Pack;

    static APP: LazyLock<Arc<App>> = LazyLock::new(|| App::new(Pack::builtin(), Book::default()).unwrap());

    /// Requests as they are sent, with every member that one may have.
    static SOUND: LazyLock<Vec<Value>> = LazyLock::new(|| {
        let mut all: Vec<Value> = [examples::nothing_seen(), examples::fresh_dial()].map(|r| json!(r)).into();
        all.push(json!({
            "id": "é", "title": "t", "description": "d\\n\u{1f550}", "url": "u", "language": "en", "now": "2026-11-24T21:00:00Z",
            "seller": { "id": "s", "segment": "open_marketplace", "stored": true, "feedback": { "positive": 12, "negative": 3 },
                "outcomes": { "bad": 1, "total": 5 } },
            "offer": { "kind": "fixed", "price": eur("1.50"), "shipping": eur("0"), "fixed_costs": eur("9"), "buyer_fee_rate": 0.5,
                "import_rate": 1, "ends_at": "2026-11-24T21:00:00Z",
                "returns": { "kind": "any_reason", "honoured": 0.8, "cost": eur("4") } },
            "value": { "all_original": { "low": eur("600"), "high": eur("900.00") }, "selling_fee_rate": 0,
                "metal": { "fineness": 750, "mass_g": 11.5, "price_per_g": eur("60") } },
            "stage": "received", "status": "open",
            "arrival": { "paid": eur("1"), "received_at": "2026-11-24T21:00:00Z", "return_until": "2026-11-24T21:00:00Z" },
            "aim": { "plan": "keep", "required_margin": 0.1, "asking_cost": eur("2") },
            "watch": { "maker": "Halvorne", "reference": "H 1", "dial_diameter_mm": 31.0, "case_diameter_mm": 36,
                "years": [1957, 1961], "traits": { "luminous": false, "gold_claimed": true },
                "facts": { "dial_text": ["x"], "dial_name": "y", "dial_colour": "silver", "calibre": "71", "jewels": 21,
                    "movement_number": "1", "movement_diameter_mm": 22.5, "serial": "2", "case_marks": ["750"], "back_marks": [],
                    "bezel_marks": ["b"], "case_name": "n", "back_reference": "r", "cased_by": "c" } },
            "disclosed": ["refinished"],
            "photos": [{ "id": "p1", "view": "dial_macro", "dial_width_px": 620, "case_width_px": 1, "px_per_mm": 1e1, "sharpness": 1.0,
                "digest": "x" }],
            "asked": [{ "view": "movement_open", "answer": "refused" }],
            "observations": [{ "sign": "crown_unsigned", "call": "present", "photo": "p1", "certainty": 0.9, "in_hand": true }],
            "accept_proposals": false, "interval": "sampled",
            "reference_book": { "references": [{ "maker": "Halvorne", "reference": "H 1", "calibres": ["71"] }], "calibres": [] },
            "include": ["components", "shares", "interval", "ask_next", "decision", "proposals"]
        }));
        let pack = Pack::builtin();
        all.extend(Drawing::new(&pack, None, 1).unwrap().take(20).map(|drawn| json!(request(&pack, &drawn))));
        all
    });

    fn eur(amount: &str) -> Value {
        json!({ "amount": amount, "currency": "EUR" })
    }

    /// What is put where something else stood: at, over and under the bounds, and of other kinds.
    fn strange() -> impl Strategy<Value = String> {
        const WORDS: &[&str] = &[
            "null",
            "true",
            "{}",
            "[]",
            "[null]",
            "0",
            "-0",
            "-0.0",
            "0.0",
            "1",
            "5.0",
            "1e2",
            "-1",
            "0.5",
            "0.49",
            "1.0001",
            "200",
            "201",
            "1699",
            "1700",
            "2100",
            "2101",
            "1000000001",
            "1e999",
            "9007199254740993",
            "18446744073709551616",
            "\"\"",
            "\"x\"",
            "\"present\"",
            "\"1.00\"",
            "\"1.00000\"",
            "\"EUR\"",
            "\"Eur\"",
            "\"\\u0041\"",
            "\"\\ud800\"",
            "NaN",
            "[1957,1961]",
            "{\"luminous\":true,\"luminous\":false}",
            "{\"luminous\":null}",
            "{\"a\":true,\"b\":false}",
            "{\"amount\":\"1\",\"currency\":\"EUR\"}",
            "\"a\\nb\"",
            "\"\\u0085\"",
            "\"\\u007f~\"",
            "[\"components\"]",
            "[\"components\",null]",
        ];
        prop_oneof![
            8 => prop::sample::select(WORDS).prop_map(str::to_owned),
            1 => (198_usize..203).prop_map(|n| json!("é".repeat(n)).to_string()),
            1 => (49_usize..52).prop_map(|n| json!(vec!["x"; n]).to_string()),
        ]
    }

    /// Every place of a document.
    fn places(value: &Value, at: &str, found: &mut Vec<String>) {
        found.push(at.to_owned());
        match value {
            Value::Object(members) => members.iter().for_each(|(k, v)| places(v, &format!("{at}/{k}"), found)),
            Value::Array(items) => items.iter().enumerate().for_each(|(i, v)| places(v, &format!("{at}/{i}"), found)),
            _ => {}
        }
    }

    const MARK: &str = "\u{1}here";

    /// What this reader takes, the one that looks for faults takes as well, and reads the same.
    fn agrees(text: &str) -> Result<Option<AssessRequest>, TestCaseError> {
        let quick = APP.sound_request(text.as_bytes());
        if let Some(quick) = &quick {
            let slow = APP.torn_request(text.as_bytes());
            let slow = slow.map_err(|p| TestCaseError::fail(format!("{text} was taken but has faults: {p:?}")))?;
            prop_assert!(slow.is_whole(), "{} was taken but has faults: {:?}", text, slow);
            prop_assert_eq!(quick, &slow.request);
            // The order of members and the sign of zero are told apart here.
            prop_assert_eq!(format!("{:?}", quick), format!("{:?}", slow.request));
        }
        Ok(quick)
    }

    #[test]
    fn sound_requests_are_taken() {
        for request in SOUND.iter() {
            assert!(agrees(&request.to_string()).unwrap().is_some(), "{request}");
            assert!(agrees(&format!(" {request:#}\r\n")).unwrap().is_some());
        }
    }

    #[test]
    fn what_is_no_one_document_is_not_taken() {
        for text in [
            "",
            " ",
            "{",
            "[]",
            "{\"observations\": []} {}",
            "{\"observations\": [], \"observations\": []}",
            "{\"observations\": [],}",
        ] {
            assert!(APP.sound_request(text.as_bytes()).is_none(), "{text}");
        }
        assert!(APP.sound_request(b"{\"observations\": [], \"id\": \"\xff\"}").is_none());
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 4000, ..ProptestConfig::default() })]

        #[test]
        fn what_is_taken_has_no_faults_and_is_read_the_same(
            which in any::<prop::sample::Index>(),
            changes in prop::collection::vec((any::<prop::sample::Index>(), strange(), any::<bool>()), 1..3),
        ) {
            let mut request = which.get(&SOUND).clone();
            let (mut texts, mut extra) = (Vec::new(), Vec::new());
            for (place, text, beside) in changes {
                let mut all = Vec::new();
                places(&request, "", &mut all);
                let at = place.get(&all);
                let mark = format!("{MARK}{}", texts.len());
                if let (true, Some((parent, name))) = (beside, at.rsplit_once('/'))
                    && let Some(Value::Object(members)) = request.pointer_mut(parent)
                {
                    // The same key once more, or one that is not known.
                    extra.push((mark.clone(), name.to_owned()));
                    members.insert(mark.clone(), json!(mark));
                } else if let Some(value) = request.pointer_mut(at) {
                    *value = json!(mark);
                }
                texts.push((mark, text));
            }
            let mut text = request.to_string();
            for (mark, put) in texts {
                text = text.replace(&format!(":{}", json!(mark)), &format!(":{put}")).replace(&format!("{},", json!(mark)), &format!("{put},"));
                text = text.replace(&format!("{}]", json!(mark)), &format!("{put}]"));
            }
            for (mark, name) in extra {
                text = text.replace(&json!(mark).to_string(), &json!(name).to_string());
            }
            agrees(&text)?;
        }
    }
}

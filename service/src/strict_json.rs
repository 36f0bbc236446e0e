//! JSON read strictly: a key that stands twice is a fault with a place, not a silent choice.

use crate::problem::{FaultAt, pointer_to};
use serde::de::{DeserializeSeed, Deserializer, Error as _, MapAccess, SeqAccess, Visitor};
use serde_json::{Map, Number, Value};
use std::cell::RefCell;
use std::fmt;

/// Reads one JSON document.
///
/// # Errors
/// The fault, with a pointer where it is a repeated key and with line and column where it is
/// one of syntax.
pub fn parse(bytes: &[u8]) -> Result<Value, FaultAt> {
    let whole = |detail: String| FaultAt::new("", detail);
    if bytes.iter().all(u8::is_ascii_whitespace) {
        return Err(whole("the body is empty".into()));
    }
    let text = std::str::from_utf8(bytes)
        .map_err(|e| whole(format!("not UTF-8: byte {} begins no character", e.valid_up_to())))?;
    let repeated = RefCell::new(None);
    let mut reader = serde_json::Deserializer::from_str(text);
    let seed = Strict { at: &Place::Whole, repeated: &repeated };
    let read = seed.deserialize(&mut reader).and_then(|value| reader.end().map(|()| value));
    read.map_err(|e| match repeated.take() {
        Some(pointer) => FaultAt::new(pointer, "this key stands twice in its object"),
        None => whole(format!("line {}, column {}: {}", e.line(), e.column(), describe(&e))),
    })
}

fn describe(e: &serde_json::Error) -> &'static str {
    if e.is_eof() {
        "the document is cut off"
    } else if e.to_string().contains("number out of range") {
        "a number that no double can hold"
    } else if e.to_string().contains("recursion limit") {
        "nested too deeply"
    } else {
        "not well-formed JSON"
    }
}

/// Up to here every whole number is a double of its own (RFC 8259 section 6: 2^53).
pub(crate) const WHOLE: f64 = 9_007_199_254_740_992.0;

/// Where the reader is. Put into words only for a fault: keys may be as long as the body.
enum Place<'a> {
    Whole,
    Member(&'a Place<'a>, &'a str),
    Item(&'a Place<'a>, usize),
}

impl Place<'_> {
    fn pointer(&self) -> String {
        match self {
            Self::Whole => String::new(),
            Self::Member(parent, key) => pointer_to(&parent.pointer(), key),
            Self::Item(parent, i) => pointer_to(&parent.pointer(), &i.to_string()),
        }
    }
}

struct Strict<'a> {
    at: &'a Place<'a>,
    repeated: &'a RefCell<Option<String>>,
}

impl<'de> DeserializeSeed<'de> for Strict<'_> {
    type Value = Value;

    fn deserialize<D: Deserializer<'de>>(self, from: D) -> Result<Value, D::Error> {
        from.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Strict<'_> {
    type Value = Value;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("JSON")
    }

    fn visit_bool<E>(self, v: bool) -> Result<Value, E> {
        Ok(Value::Bool(v))
    }

    fn visit_i64<E>(self, v: i64) -> Result<Value, E> {
        Ok(Value::Number(v.into()))
    }

    fn visit_u64<E>(self, v: u64) -> Result<Value, E> {
        Ok(Value::Number(v.into()))
    }

    fn visit_f64<E: serde::de::Error>(self, v: f64) -> Result<Value, E> {
        // JSON knows one kind of number: 5.0 is the whole number 5.
        if v.fract() == 0.0 && v.abs() <= WHOLE {
            return Ok(Value::Number((v as i64).into()));
        }
        Number::from_f64(v).map(Value::Number).ok_or_else(|| E::custom("number out of range"))
    }

    fn visit_str<E>(self, v: &str) -> Result<Value, E> {
        Ok(Value::String(v.into()))
    }

    fn visit_string<E>(self, v: String) -> Result<Value, E> {
        Ok(Value::String(v))
    }

    fn visit_unit<E>(self) -> Result<Value, E> {
        Ok(Value::Null)
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Value, A::Error> {
        let mut items = Vec::new();
        loop {
            let at = Place::Item(self.at, items.len());
            match seq.next_element_seed(Strict { at: &at, repeated: self.repeated })? {
                Some(item) => items.push(item),
                None => return Ok(Value::Array(items)),
            }
        }
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Value, A::Error> {
        let mut members = Map::new();
        while let Some(key) = map.next_key::<String>()? {
            let at = Place::Member(self.at, &key);
            if members.contains_key(&key) {
                self.repeated.replace(Some(at.pointer()));
                return Err(A::Error::custom("repeated key"));
            }
            let value = map.next_value_seed(Strict { at: &at, repeated: self.repeated })?;
            members.insert(key, value);
        }
        Ok(Value::Object(members))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_repeated_key_is_named_by_its_pointer() {
        let fault = parse(br#"{"a": [{"b/c": 1, "b/c": 2}]}"#).unwrap_err();
        assert_eq!(fault.pointer, "/a/0/b~1c");
    }

    #[test]
    fn depth_and_size_of_numbers_are_faults_not_panics() {
        for text in ["[".repeat(100_000), "1e999".into(), "NaN".into(), "{\"a\":1".into()] {
            assert_eq!(parse(text.as_bytes()).unwrap_err().pointer, "", "{text:.20}");
        }
    }
}

//! Every fault of shape in a body at once, by the schemas of our own OpenAPI document.

use crate::fits::Fits;
use crate::problem::{FaultAt, pointer_to};
use jsonschema::Validator;
use jsonschema::error::ValidationErrorKind as Kind;
use serde_json::{Map, Value, json};
use std::collections::{HashMap, HashSet};

/// A compiled schema of the document.
#[derive(Debug)]
pub struct Shape {
    validator: Validator,
    /// Lists of the body and the most items they may hold.
    lists: Vec<(String, usize)>,
    fits: Fits,
}

impl Shape {
    /// Compiles the schema `name` of an OpenAPI document.
    ///
    /// # Errors
    /// If the document's schemas are no valid JSON Schema.
    pub fn compile(document: &Value, name: &str) -> anyhow::Result<Self> {
        let mut components = document["components"].clone();
        without_null(&mut components);
        let fits = Fits::compile(&components, name);
        let schema = json!({ "$ref": format!("#/components/schemas/{name}"), "components": components });
        let validator = jsonschema::draft202012::new(&schema).map_err(|e| anyhow::anyhow!("{e}"))?;
        let members = document["components"]["schemas"][name]["properties"].as_object();
        let most = |schema: &Value| schema["maxItems"].as_u64().and_then(|n| usize::try_from(n).ok());
        let lists = members.into_iter().flatten().filter_map(|(k, s)| Some((pointer_to("", k), most(s)?))).collect();
        Ok(Self { validator, lists, fits })
    }

    /// Whether a text is for certain a body without a fault of shape, which then can be read as it
    /// stands. Where it is not, [`Self::check`] tells.
    pub(crate) fn fits(&self, text: &str) -> bool {
        // It could only be there as an escape: RFC 8259, section 7.
        memchr::memmem::find(text.as_bytes(), b"\\u0000").is_none() && self.fits.fits(text)
    }

    /// All faults of shape. `body` is mended where they stand, so that what remains can be read
    /// and checked for meaning as well: faulty members go, array elements become null, and a
    /// word that is missing or none of the options becomes one of them.
    pub fn check(&self, body: &mut Value) -> Vec<FaultAt> {
        let mut reported = Vec::new();
        // A list that is too long is one fault: a fault for each of its items would only be noise.
        for (at, most) in &self.lists {
            if let Some(Value::Array(items)) = body.pointer_mut(at)
                && items.len() > *most
            {
                reported.push(FaultAt::new(at, format!("more than {most} items")));
                items.clear();
            }
        }
        take_out_nuls(body, &mut String::new(), &mut reported);
        reported.extend(self.unknown_nulls(body));
        drop_nulls(body);
        let mut mended: HashSet<String> = HashSet::new();
        // Taking a member out may leave its parent without one it must have: go on while there
        // are new places to mend. Only the first round's faults are the caller's.
        loop {
            let mut mends: Vec<Mend> = self.validator.iter_errors(body).flat_map(|e| mends(&e)).collect();
            mends.retain(|m| !mended.contains(&m.at));
            if mends.is_empty() {
                return reported;
            }
            if mended.is_empty() {
                // A word of the wrong type is also none of the options: the latter says more.
                let last: HashMap<&str, usize> =
                    mends.iter().enumerate().map(|(i, m)| (m.fault.pointer.as_str(), i)).collect();
                let said = mends.iter().enumerate().filter(|(i, m)| last[m.fault.pointer.as_str()] == *i);
                reported.extend(said.map(|(_, m)| m.fault.clone()));
            }
            for mend in mends {
                mend.apply(body);
                mended.insert(mend.at);
            }
        }
    }

    /// Members that are null and unknown: null counts as absent, but not under a name there is not.
    fn unknown_nulls(&self, body: &Value) -> Vec<FaultAt> {
        if !holds_null(body) {
            return Vec::new();
        }
        self.validator
            .iter_errors(body)
            .filter(|e| matches!(e.kind(), Kind::AdditionalProperties { .. }))
            .flat_map(|e| mends(&e))
            .filter(|m| body.pointer(&m.at).is_some_and(Value::is_null))
            .map(|m| m.fault)
            .collect()
    }
}

/// A fault, and what makes the rest readable: a value put at a place, or the place emptied.
struct Mend {
    fault: FaultAt,
    at: String,
    put: Option<Value>,
}

impl Mend {
    fn apply(&self, body: &mut Value) {
        let Some((parent, token)) = self.at.rsplit_once('/') else {
            *body = self.put.clone().unwrap_or_default();
            return;
        };
        let token = token.replace("~1", "/").replace("~0", "~");
        match (body.pointer_mut(parent), &self.put) {
            (Some(Value::Object(members)), Some(value)) => {
                members.insert(token, value.clone());
            }
            (Some(Value::Object(members)), None) => {
                members.remove(&token);
            }
            (Some(Value::Array(items)), put) => {
                if let Some(item) = token.parse::<usize>().ok().and_then(|i| items.get_mut(i)) {
                    *item = put.clone().unwrap_or_default();
                }
            }
            _ => {}
        }
    }
}

/// What stands in for a required member at this place, so that the object around it is still read.
fn stand_in(pointer: &str) -> Option<Value> {
    match *pointer.split('/').collect::<Vec<_>>().as_slice() {
        ["", "observations"] => Some(json!([])),
        ["", "observations", _, "call"] => Some(json!("present")),
        ["", "asked", _, "answer"] => Some(json!("given")),
        ["", "listing" | "story"] => Some(json!("")),
        ["", "format"] => Some(json!("json_feed")),
        ["", "every_s"] => Some(json!(900)),
        _ => None,
    }
}

/// U+0000 in texts and names is a fault, since not every database can hold it; what stands around it is
/// still read.
pub(crate) fn take_out_nuls(value: &mut Value, at: &mut String, faults: &mut Vec<FaultAt>) {
    const DETAIL: &str = "holds the character U+0000, which cannot be stored";
    match value {
        Value::String(text) if text.contains('\0') => {
            faults.push(FaultAt::new(at.as_str(), DETAIL));
            *text = text.replace('\0', "\u{fffd}");
        }
        Value::Object(members) => {
            members.retain(|name, _| {
                let sound = !name.contains('\0');
                if !sound {
                    faults.push(FaultAt::new(pointer_to(at, name), DETAIL));
                }
                sound
            });
            for (name, member) in members {
                let parent = at.len();
                *at = pointer_to(at, name);
                take_out_nuls(member, at, faults);
                at.truncate(parent);
            }
        }
        Value::Array(items) => {
            for (i, item) in items.iter_mut().enumerate() {
                let parent = at.len();
                *at = pointer_to(at, &i.to_string());
                take_out_nuls(item, at, faults);
                at.truncate(parent);
            }
        }
        _ => {}
    }
}

fn holds_null(value: &Value) -> bool {
    match value {
        Value::Null => true,
        Value::Object(map) => map.values().any(holds_null),
        Value::Array(items) => items.iter().any(holds_null),
        _ => false,
    }
}

/// Optional members are null or a value in the document; in a body null counts as absent, so
/// the alternatives, which would hide the faults inside them, are not needed.
fn without_null(schema: &mut Value) {
    match schema {
        Value::Object(map) => {
            if let Some(Value::Array(options)) = map.get_mut("oneOf") {
                options.retain(|o| o.get("type") != Some(&json!("null")));
                if let [only] = options.as_slice()
                    && let Value::Object(only) = only.clone()
                {
                    map.remove("oneOf");
                    map.extend(only);
                }
            }
            map.values_mut().for_each(without_null);
        }
        Value::Array(items) => items.iter_mut().for_each(without_null),
        _ => {}
    }
}

/// Members that are null go.
fn drop_nulls(value: &mut Value) {
    match value {
        Value::Object(map) => {
            let known = std::mem::take(map);
            *map = known.into_iter().filter(|(_, v)| !v.is_null()).collect::<Map<_, _>>();
            map.values_mut().for_each(drop_nulls);
        }
        Value::Array(items) => items.iter_mut().for_each(drop_nulls),
        _ => {}
    }
}

/// The faults of one finding of the validator.
fn mends(error: &jsonschema::ValidationError<'_>) -> Vec<Mend> {
    let at = error.instance_path().as_str().to_owned();
    let detail = match error.kind() {
        Kind::AdditionalProperties { unexpected } => {
            let gone = |name: &String| {
                let at = pointer_to(&at, name);
                Mend { fault: FaultAt::new(at.clone(), "there is no such member"), at, put: None }
            };
            return unexpected.iter().map(gone).collect();
        }
        Kind::Required { property } => {
            let name = property.as_str().unwrap_or_default();
            let missing = pointer_to(&at, name);
            let fault = FaultAt::new(missing.clone(), "this member must be there");
            let put = stand_in(&missing);
            let at = if put.is_some() { missing } else { at };
            return vec![Mend { fault, at, put }];
        }
        Kind::Pattern { .. } if at.ends_with("/amount") => {
            "not an amount: digits with a point, no sign, at most four decimals".into()
        }
        Kind::Pattern { .. } if at.ends_with("/currency") => "not a currency code of three capitals (ISO 4217)".into(),
        Kind::Pattern { .. } => "a name holds no control characters".into(),
        Kind::MinLength { limit: 1 } => "must not be empty".into(),
        Kind::Enum { options } => format!("must be one of {options}"),
        Kind::MaxItems { limit } => format!("more than {limit} items"),
        Kind::MaxLength { limit } => format!("longer than {limit} characters"),
        // The library quotes the offending value; a long one would only be noise.
        _ => error.masked_with("the value").to_string(),
    };
    let put = match error.kind() {
        Kind::Enum { options } => Some(options[0].clone()),
        _ if at.is_empty() => Some(json!({ "observations": [] })),
        _ => stand_in(&at),
    };
    vec![Mend { fault: FaultAt::new(at.clone(), detail), at, put }]
}

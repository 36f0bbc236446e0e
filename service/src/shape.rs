//! Every fault of shape in a body at once, by the schemas of our own OpenAPI document.

use crate::problem::{FaultAt, pointer_to};
use jsonschema::Validator;
use jsonschema::error::ValidationErrorKind as Kind;
use serde_json::{Map, Value, json};

/// A compiled schema of the document.
#[derive(Debug)]
pub struct Shape {
    validator: Validator,
}

impl Shape {
    /// Compiles the schema `name` of an OpenAPI document.
    ///
    /// # Errors
    /// If the document's schemas are no valid JSON Schema.
    pub fn compile(document: &Value, name: &str) -> anyhow::Result<Self> {
        let mut components = document["components"].clone();
        without_null(&mut components);
        let schema = json!({ "$ref": format!("#/components/schemas/{name}"), "components": components });
        let validator = jsonschema::draft202012::new(&schema).map_err(|e| anyhow::anyhow!("{e}"))?;
        Ok(Self { validator })
    }

    /// All faults of shape. What is faulty is taken out of `body`, so that what remains can
    /// be read and checked for meaning as well: members go, array elements become null.
    pub fn check(&self, body: &mut Value) -> Vec<FaultAt> {
        let mut unknown: Vec<FaultAt> = self.unknown_nulls(body);
        drop_nulls(body);
        let mut reported: Vec<FaultAt> = Vec::new();
        let mut pruned: Vec<String> = Vec::new();
        // Taking a member out may leave its parent without one it must have: go on until what
        // remains fits. Only the first round's faults are the caller's.
        loop {
            let mut faults = Vec::new();
            for error in self.validator.iter_errors(body) {
                describe(&error, &mut faults);
            }
            faults.retain(|(_, at)| !pruned.contains(at));
            if faults.is_empty() {
                unknown.extend(reported);
                return unknown;
            }
            if pruned.is_empty() {
                reported = faults.iter().map(|(fault, _)| fault.clone()).collect();
            }
            for (_, at) in faults {
                match body {
                    // Of the whole body, only the one member it must have can be missing.
                    Value::Object(members) if at.is_empty() => {
                        members.insert("observations".into(), json!([]));
                    }
                    _ if at.is_empty() => *body = json!({ "observations": [] }),
                    _ => prune(body, &at),
                }
                pruned.push(at);
            }
        }
    }
}

impl Shape {
    /// Members that are null and unknown: null counts as absent, but not under a name there is not.
    fn unknown_nulls(&self, body: &Value) -> Vec<FaultAt> {
        if !holds_null(body) {
            return Vec::new();
        }
        let mut faults = Vec::new();
        for error in self.validator.iter_errors(body) {
            if let Kind::AdditionalProperties { .. } = error.kind() {
                describe(&error, &mut faults);
            }
        }
        let is_null = |at: &String| body.pointer(at).is_some_and(Value::is_null);
        faults.into_iter().filter(|(_, at)| is_null(at)).map(|(fault, _)| fault).collect()
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

/// The fault for the caller, and the place to take out.
fn describe(error: &jsonschema::ValidationError<'_>, faults: &mut Vec<(FaultAt, String)>) {
    let at = error.instance_path().as_str().to_owned();
    let here = |detail: String| (FaultAt::new(at.clone(), detail), at.clone());
    let found = match error.kind() {
        Kind::AdditionalProperties { unexpected } => {
            for name in unexpected {
                let pointer = pointer_to(&at, name);
                faults.push((FaultAt::new(pointer.clone(), "there is no such member"), pointer));
            }
            return;
        }
        Kind::Required { property } => {
            let name = property.as_str().unwrap_or_default();
            (FaultAt::new(pointer_to(&at, name), "this member must be there"), at)
        }
        Kind::Pattern { .. } if at.ends_with("/amount") => {
            here("not an amount: digits with a point, no sign, at most four decimals".into())
        }
        Kind::Pattern { .. } if at.ends_with("/currency") => here("not a currency code of three capitals (ISO 4217)".into()),
        Kind::Enum { options } => here(format!("must be one of {options}")),
        Kind::MaxItems { limit } => here(format!("more than {limit} items")),
        Kind::MaxLength { limit } => here(format!("longer than {limit} characters")),
        _ => {
            // The library quotes the offending value; a long one would only be noise.
            let text = error.masked_with("the value").to_string();
            here(text)
        }
    };
    faults.push(found);
}

fn prune(body: &mut Value, pointer: &str) {
    let Some((parent, token)) = pointer.rsplit_once('/') else { return };
    let token = token.replace("~1", "/").replace("~0", "~");
    match body.pointer_mut(parent) {
        Some(Value::Object(map)) => {
            map.remove(&token);
        }
        Some(Value::Array(items)) => {
            if let Some(item) = token.parse::<usize>().ok().and_then(|i| items.get_mut(i)) {
                *item = Value::Null;
            }
        }
        _ => {}
    }
}

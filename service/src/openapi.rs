//! The OpenAPI document: generated from the types, with examples that are Rust values.

use crate::{api, examples};
use axum::body::Bytes;
use serde_json::{Value, json};

/// The document, examples put in.
///
/// # Errors
/// If an example does not serialise.
pub fn document() -> anyhow::Result<Value> {
    let (_, described) = api::described();
    let mut document = serde_json::to_value(described)?;
    name_operations(&mut document);
    for example in examples::all()? {
        let media = document.pointer_mut(&example.pointer).and_then(Value::as_object_mut);
        let media = media.ok_or_else(|| anyhow::anyhow!("no place for an example at {}", example.pointer))?;
        let examples = media.entry("examples").or_insert_with(|| json!({}));
        examples[example.name] = json!({ "summary": example.summary, "value": example.value });
    }
    Ok(document)
}

/// Names every operation after its method and path, so that no two share a name: `put_listings_id`.
fn name_operations(document: &mut Value) {
    let paths = document["paths"].as_object_mut();
    for (path, item) in paths.into_iter().flatten() {
        let words: Vec<&str> =
            path.trim_start_matches("/v1").split(['/', '{', '}', '.']).filter(|w| !w.is_empty()).collect();
        for (method, operation) in item.as_object_mut().into_iter().flatten() {
            if let Some(id) = operation.get_mut("operationId") {
                *id = format!("{method}_{}", words.join("_")).into();
            }
        }
    }
}

/// The document as bytes, and a tag that changes with it.
///
/// # Errors
/// If it does not serialise.
pub fn served(document: &Value) -> anyhow::Result<(Bytes, String)> {
    use std::hash::{DefaultHasher, Hash as _, Hasher as _};
    let text = pretty(document)?;
    let mut hasher = DefaultHasher::new();
    text.hash(&mut hasher);
    Ok((text.into(), format!("{:016x}", hasher.finish())))
}

/// The document as the text that is committed.
///
/// # Errors
/// If it does not serialise.
pub fn pretty(document: &Value) -> anyhow::Result<String> {
    Ok(serde_json::to_string_pretty(document)? + "\n")
}

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
    for example in examples::all()? {
        let media = document.pointer_mut(&example.pointer).and_then(Value::as_object_mut);
        let media = media.ok_or_else(|| anyhow::anyhow!("no place for an example at {}", example.pointer))?;
        let examples = media.entry("examples").or_insert_with(|| json!({}));
        examples[example.name] = json!({ "summary": example.summary, "value": example.value });
    }
    Ok(document)
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

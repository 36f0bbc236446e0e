//! What is filled in where an item says nothing: costs that every watch of a feed comes with.

use crate::app::App;
use crate::listing::Listing;
use crate::memory::InForce;
use crate::problem::{FaultAt, INTERNAL, Problem};
use crate::wire::feed::FeedDefaults;
use serde_json::{Map, Value, json};

/// The members to fill in.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Defaults(Map<String, Value>);

impl Defaults {
    /// Those of a file.
    ///
    /// # Errors
    /// Every fault, by its place; or if the store fails.
    pub async fn read(app: &App, bytes: &[u8]) -> Result<Self, Problem> {
        let force = app.in_force().await?;
        let read: FeedDefaults = app.checked("FeedDefaults", bytes, |_, _| (), |read| faults(&force, read))?;
        Self::of(kept(&read).as_deref())
    }

    /// Those kept with a feed.
    pub(super) fn of(text: Option<&str>) -> Result<Self, Problem> {
        let Some(text) = text else { return Ok(Self::default()) };
        serde_json::from_str(text).map(Self).map_err(|e| {
            tracing::error!(error = %e, "the defaults of a feed");
            Problem::new(INTERNAL, "what is stored cannot be read")
        })
    }

    /// A request that says what each of these says, the later over the earlier, all of them over the
    /// defaults.
    pub(super) fn under(&self, said: &[&Value]) -> Result<Value, Problem> {
        let over = |first: Value| said.iter().fold(first, |request, says| patched(Some(&request), says));
        let (mut request, own) = (over(Value::Object(self.0.clone())), over(json!({})));
        if !own["value"].is_object()
            && let Some(members) = request.as_object_mut()
        {
            // A share of a sale says nothing of what the watch is worth.
            members.remove("value");
        }
        let mut faults = Vec::new();
        if let Some(currency) = first_currency(&own) {
            others(&request, &own, currency, "", &mut faults);
        }
        if faults.is_empty() { Ok(request) } else { Err(Problem::invalid(faults)) }
    }

    /// Whether there are none.
    pub(super) fn are_none(&self) -> bool {
        self.0.is_empty()
    }
}

/// How defaults are kept; none where nothing is in them.
pub(crate) fn kept(defaults: &FeedDefaults) -> Option<String> {
    let text = serde_json::to_string(defaults).ok()?;
    (text != "{}").then_some(text)
}

/// What does not fit of defaults whose members do: they are checked as a request of their own.
pub(crate) fn faults(force: &InForce, defaults: &FeedDefaults) -> Vec<FaultAt> {
    // A value that is a share alone is no request's; of the share itself there is nothing more to say.
    let defaults = FeedDefaults { value: None, ..defaults.clone() };
    let Ok(mut request) = serde_json::to_value(defaults) else { return Vec::new() };
    request["observations"] = json!([]);
    match serde_json::from_value(request) {
        Ok(request) => Listing::read(force.assessor().pack(), &force.book, &request, &[]).err().unwrap_or_default(),
        Err(e) => vec![FaultAt::new("", e.to_string())],
    }
}

/// JSON Merge Patch (RFC 7396 section 2).
pub(super) fn patched(target: Option<&Value>, patch: &Value) -> Value {
    let Value::Object(patch) = patch else { return patch.clone() };
    let mut members = target.and_then(Value::as_object).cloned().unwrap_or_default();
    for (name, value) in patch {
        if value.is_null() {
            members.remove(name);
        } else {
            let value = patched(members.get(name), value);
            members.insert(name.clone(), value);
        }
    }
    Value::Object(members)
}

/// The currency of an amount of money.
fn currency(value: &Value) -> Option<&str> {
    value.get("amount")?;
    value.get("currency")?.as_str()
}

fn first_currency(value: &Value) -> Option<&str> {
    currency(value).or_else(|| value.as_object()?.values().find_map(first_currency))
}

/// Amounts in another currency that are in a request by its defaults alone.
fn others(request: &Value, own: &Value, listing: &str, pointer: &str, faults: &mut Vec<FaultAt>) {
    for (name, value) in request.as_object().into_iter().flatten() {
        let pointer = format!("{pointer}/{name}");
        match currency(value) {
            Some(filled) if filled != listing && own.get(name).is_none() => {
                let detail = format!("filled in by the defaults in {filled}, and the listing is in {listing}");
                faults.push(FaultAt::new(pointer, detail));
            }
            Some(_) => {}
            None => others(value, own.get(name).unwrap_or(&Value::Null), listing, &pointer, faults),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_merge_patch_is_that_of_rfc_7396() {
        // Appendix A of RFC 7396: original, patch, result.
        let examples = r#"[
            [{"a":"b"}, {"a":"c"}, {"a":"c"}],
            [{"a":"b"}, {"b":"c"}, {"a":"b","b":"c"}],
            [{"a":"b"}, {"a":null}, {}],
            [{"a":"b","b":"c"}, {"a":null}, {"b":"c"}],
            [{"a":["b"]}, {"a":"c"}, {"a":"c"}],
            [{"a":"c"}, {"a":["b"]}, {"a":["b"]}],
            [{"a":{"b":"c"}}, {"a":{"b":"d","c":null}}, {"a":{"b":"d"}}],
            [{"a":[{"b":"c"}]}, {"a":[1]}, {"a":[1]}],
            [["a","b"], ["c","d"], ["c","d"]],
            [{"a":"b"}, ["c"], ["c"]],
            [{"a":"foo"}, null, null],
            [{"a":"foo"}, "bar", "bar"],
            [{"e":null}, {"a":1}, {"e":null,"a":1}],
            [[1,2], {"a":"b","c":null}, {"a":"b"}],
            [{}, {"a":{"bb":{"ccc":null}}}, {"a":{"bb":{}}}]]"#;
        let examples: Vec<[Value; 3]> = serde_json::from_str(examples).unwrap();
        for [original, patch, result] in examples {
            assert_eq!(patched(Some(&original), &patch), result, "{original} {patch}");
        }
    }

    #[test]
    fn a_share_of_a_sale_is_filled_in_where_there_is_a_value_to_sell() {
        let defaults = Defaults::of(Some(r#"{"offer":{"shipping":8},"value":{"selling_fee_rate":0.1}}"#)).unwrap();
        assert_eq!(defaults.under(&[&json!({ "id": "a" })]).unwrap(), json!({ "id": "a", "offer": { "shipping": 8 } }));
        assert_eq!(
            defaults.under(&[&json!({ "offer": { "shipping": null }, "value": { "all_original": 1 } })]).unwrap(),
            json!({ "offer": {}, "value": { "all_original": 1, "selling_fee_rate": 0.1 } })
        );
        let nothing = json!({ "value": null });
        assert_eq!(defaults.under(&[&nothing]).unwrap(), json!({ "offer": { "shipping": 8 } }));
    }
}

//! What a feed says of its items, kept as listings.
//!
//! item → as it was last time? → beside what the user changed since → the checks of a `PUT` →
//! listing `feed:item`.
//!
//! Feed and user write to the same listing, so a change is merged member by member between three
//! requests: what the feed said last, what the listing says, what the feed says now. A member that
//! the user left as the feed had it follows the feed; one that the user put, changed or took out
//! stays the user's. A member that both changed and that is an object (`offer`, `watch`) is merged
//! once more by its own members; deeper there is one hand only, so that no price is put together of
//! one's amount and another's currency.
//!
//! A listing that the user deleted stays deleted. An item that is no longer in the feed stays.

use super::defaults::{Defaults, patched};
use crate::app::{App, ReadRequest};
use crate::body::MOST_BYTES;
use crate::feed::{Item, MOST_ID_CHARS, Page, items};
use crate::memory::{self, ACCOUNT, Save};
use crate::problem::{FaultAt, PRECONDITION_FAILED, Problem};
use crate::store::{FeedItem, Precondition};
use crate::wire::feed::{ItemsKept, RefusedItem};
use base64::Engine as _;
use base64::prelude::BASE64_URL_SAFE_NO_PAD;
use serde_json::{Map, Value, json};
use sha2::{Digest as _, Sha256};
use std::collections::BTreeSet;
use std::time::Duration;

/// Items that are saved together: their sellers' other listings are looked at again once.
const MOST_TOGETHER: usize = 500;
/// Bytes of requests that wait to be saved together.
const MOST_WAITING: usize = 1024 * 1024;
/// How often saving begins anew when somebody else changes the listing meanwhile, each time after a
/// longer pause. What is sent to a feed does not come again by itself, so nothing is given up easily.
const ROUNDS: u32 = 60;
const PAUSE: Duration = Duration::from_millis(5);
/// Refused items that are told of, and what of each.
const MOST_REFUSALS: usize = 100;
const MOST_FAULTS: usize = 20;
const LONGEST_DETAIL: usize = 500;
/// Levels of members that are merged: a request's own, and those of its objects.
const LEVELS: usize = 2;

/// Where items come from.
#[derive(Debug, Clone, Copy)]
pub(super) enum Source<'a> {
    /// A saved feed, and what its items are filled up with.
    Feed(&'a str, &'a Defaults),
    /// A file of the user's own. Its items are listings by their own ids. Nothing is remembered of what it
    /// said before: what it says counts, what it does not say stays (JSON Merge Patch, RFC 7396);
    /// what neither it nor the listing says is filled in.
    File(&'a Defaults),
}

/// What came of items.
#[derive(Debug, Default)]
pub(super) struct Kept {
    pub(super) told: ItemsKept,
    /// Refused items that are told of.
    most: usize,
    /// Whether something that fits could not be kept this time.
    pub(super) again: bool,
    /// Refused items by their number: some faults are found later than others.
    refused: Vec<(usize, RefusedItem)>,
}

impl Kept {
    fn refuse(&mut self, number: usize, item: Option<String>, place: String, detail: &str, errors: &[FaultAt]) {
        self.told.refused += 1;
        if self.refused.len() == self.most {
            return;
        }
        let short = |text: &str| super::printable(text).chars().take(LONGEST_DETAIL).collect::<String>();
        let fault = |f: &FaultAt| FaultAt::new(short(&f.pointer), short(&f.detail));
        let errors = errors.iter().take(MOST_FAULTS).map(fault).collect();
        self.refused.push((number, RefusedItem { item, place, detail: short(detail), errors }));
    }
}

/// Keeps the items of pages.
///
/// # Errors
/// If the feed is deleted meanwhile; or if the store fails.
pub(super) async fn keep(app: &App, source: Source<'_>, pages: &[Page]) -> Result<Kept, Problem> {
    // Of a file each line is told.
    let most = if matches!(source, Source::File(_)) { usize::MAX } else { MOST_REFUSALS };
    let mut kept = Kept { most, ..Kept::default() };
    let (mut waiting, mut bytes) = (Vec::new(), 0);
    for (number, read) in items(pages).enumerate() {
        let item = match read {
            Ok(item) => item,
            Err(bad) => {
                // Of what is not read there is one word for all.
                kept.told.refused += bad.count - 1;
                kept.refuse(number, None, bad.place, &bad.detail, &[]);
                continue;
            }
        };
        match prepare(app, source, &item).await? {
            Step::Nothing => kept.told.unchanged += 1,
            Step::Refuse(p) => kept.refuse(number, Some(item.id), item.place, &p.detail, &p.errors),
            Step::Save(ready) => {
                bytes += ready.text.len() + ready.seen.as_ref().map_or(0, |seen| seen.request.len());
                waiting.push((number, item, *ready));
            }
        }
        if waiting.len() == MOST_TOGETHER || bytes >= MOST_WAITING {
            save(app, source, std::mem::take(&mut waiting), &mut kept).await?;
            bytes = 0;
        }
    }
    save(app, source, waiting, &mut kept).await?;
    kept.refused.sort_by_key(|(number, _)| *number);
    kept.told.refusals = std::mem::take(&mut kept.refused).into_iter().map(|(_, refused)| refused).collect();
    Ok(kept)
}

/// What is to be done with an item.
enum Step {
    Nothing,
    Refuse(Problem),
    Save(Box<Ready>),
}

/// An item ready to be saved.
struct Ready {
    id: String,
    text: String,
    read: ReadRequest,
    condition: Precondition,
    /// What its feed says of it.
    seen: Option<FeedItem>,
}

async fn prepare(app: &App, source: Source<'_>, item: &Item) -> Result<Step, Problem> {
    let store = app.memory()?.store();
    let front = match source {
        Source::Feed(feed, _) => format!("{feed}:"),
        Source::File(_) => String::new(),
    };
    let id = format!("{front}{}", item.id);
    if id.chars().count() > MOST_ID_CHARS || item.id.chars().any(char::is_control) {
        let most = MOST_ID_CHARS.saturating_sub(front.chars().count());
        let detail = format!("an id has at most {most} characters here, none of them a control character");
        return Ok(Step::Refuse(Problem::invalid(vec![FaultAt::new("/id", detail)])));
    }
    let (mut before, mut seen, mut says) = (None, None, item.request.clone());
    if let Source::Feed(feed, defaults) = source {
        if !defaults.are_none() {
            // They count as said by the feed: so they follow it, and stay what the user made of them.
            says = match defaults.under(&[&says]) {
                Ok(says) => says,
                Err(problem) => return Ok(Step::Refuse(problem)),
            };
        }
        let request = says.to_string();
        let digest = BASE64_URL_SAFE_NO_PAD.encode(Sha256::digest(&request));
        before = store.feed_item(ACCOUNT, feed, &item.id).await?;
        if before.as_ref().is_some_and(|b| b.digest == digest) {
            return Ok(Step::Nothing);
        }
        seen = Some(FeedItem { feed: feed.into(), item: item.id.clone(), digest, request });
    }
    let listing = match store.listing(ACCOUNT, &id).await {
        Ok(listing) => Some(listing),
        Err(e) if e.is_not_found() => None,
        Err(e) => return Err(e.into()),
    };
    let condition = listing.as_ref().map_or(Precondition::Absent, |l| Precondition::Revisions(vec![l.revision]));
    let read = |text: &str| serde_json::from_str(text).unwrap_or_default();
    let mut merged = match (source, &before, listing) {
        (Source::Feed(..), None, None) => says,
        (Source::Feed(..), Some(_), None) => return Ok(Step::Nothing),
        (Source::Feed(..), before, Some(listing)) => {
            let said = before.as_ref().map(|b| read(&b.request));
            merge(said.as_ref(), &read(&listing.request), &says)
        }
        (Source::File(defaults), _, listing) => {
            let stored = listing.map_or_else(|| Value::Object(Map::new()), |l| read(&l.request));
            match brought(&id, &stored, says, defaults) {
                Ok(Some(request)) => request,
                Ok(None) => return Ok(Step::Nothing),
                Err(problem) => return Ok(Step::Refuse(problem)),
            }
        }
    };
    if let Some(members) = merged.as_object_mut() {
        members.insert("id".into(), id.as_str().into());
    }
    let text = merged.to_string();
    if text.len() > MOST_BYTES {
        let detail = format!("with what you changed of it the listing holds more than {MOST_BYTES} bytes");
        return Ok(Step::Refuse(Problem::invalid(vec![FaultAt::new("", detail)])));
    }
    let read = match app.request(text.as_bytes()) {
        Ok(read) => read,
        Err(problem) if problem.status < 500 => return Ok(Step::Refuse(problem)),
        Err(problem) => return Err(problem),
    };
    Ok(Step::Save(Box::new(Ready { id, text, read, condition, seen })))
}

/// Saves what is ready; what somebody else changed meanwhile is made ready anew.
async fn save(
    app: &App,
    source: Source<'_>,
    mut waiting: Vec<(usize, Item, Ready)>,
    kept: &mut Kept,
) -> Result<(), Problem> {
    for round in 1.. {
        if waiting.is_empty() {
            return Ok(());
        }
        tokio::time::sleep(PAUSE * (round - 1)).await;
        let (named, reads): (Vec<_>, Vec<_>) = waiting
            .into_iter()
            .map(|(number, item, Ready { id, text, read, condition, seen })| {
                ((number, item, id, text, condition, seen), read)
            })
            .unzip();
        let saves = named.iter().zip(reads).map(|((_, _, id, text, condition, seen), read)| Save {
            id,
            text,
            read,
            condition: condition.clone(),
            from_feed: seen.as_ref(),
        });
        let saved = memory::save_all(app, saves.collect()).await;
        waiting = Vec::new();
        for ((number, item, ..), saved) in named.into_iter().zip(saved) {
            match saved {
                Ok(saved) if saved.created => kept.told.new += 1,
                Ok(_) => kept.told.changed += 1,
                Err(problem) if problem.status == PRECONDITION_FAILED.status.as_u16() => {
                    if round == ROUNDS {
                        kept.again = true;
                        let detail = match source {
                            Source::Feed(..) => {
                                "the listing was being changed all the time: it is kept when it comes again"
                            }
                            Source::File(_) => "the listing was being changed: try again",
                        };
                        kept.refuse(number, Some(item.id), item.place, detail, &[]);
                        continue;
                    }
                    match prepare(app, source, &item).await? {
                        Step::Nothing => kept.told.unchanged += 1,
                        Step::Refuse(p) => kept.refuse(number, Some(item.id), item.place, &p.detail, &p.errors),
                        Step::Save(ready) => waiting.push((number, item, *ready)),
                    }
                }
                Err(problem) if problem.status == 422 => {
                    kept.refuse(number, Some(item.id), item.place, &problem.detail, &problem.errors);
                }
                Err(problem) => return Err(problem),
            }
        }
    }
    Ok(())
}

/// A listing's request after a file speaks of it; none where that changes nothing.
fn brought(id: &str, stored: &Value, mut says: Value, defaults: &Defaults) -> Result<Option<Value>, Problem> {
    // A request must have this member, so empty it says nothing: what was seen is not taken away by it.
    if let Some(members) = says.as_object_mut()
        && members.get("observations").is_some_and(|o| o.as_array().is_some_and(Vec::is_empty))
    {
        members.remove("observations");
    }
    let mut request = defaults.under(&[stored, &says])?;
    if let Some(members) = request.as_object_mut() {
        members.insert("id".into(), id.into());
        members.entry("observations").or_insert_with(|| Value::Array(Vec::new()));
    }
    let named = patched(Some(stored), &json!({ "id": id }));
    Ok(if alike(Some(&request), Some(&named)) { None } else { Some(request) })
}

/// A listing's request after its feed says something new.
fn merge(said: Option<&Value>, listing: &Value, says: &Value) -> Value {
    let bare = |request: &Value| match request {
        Value::Object(members) => {
            let mut members = members.clone();
            // The feed's name for the item, and the listing's, are no change.
            members.remove("id");
            Value::Object(members)
        }
        other => other.clone(),
    };
    let said = bare(said.unwrap_or(&Value::Object(Map::new())));
    merged(Some(&said), Some(&bare(listing)), Some(&bare(says)), LEVELS).unwrap_or_default()
}

/// One member by its three versions; null is as good as none.
fn merged(said: Option<&Value>, is: Option<&Value>, says: Option<&Value>, levels: usize) -> Option<Value> {
    let [said, is, says] = [said, is, says].map(|v| v.filter(|v| !v.is_null()));
    if alike(is, said) {
        return says.cloned();
    }
    if alike(says, said) || levels == 0 {
        return is.cloned();
    }
    let (Some(Value::Object(is)), Some(Value::Object(says))) = (is, says) else { return is.cloned() };
    let nothing = Map::new();
    let said = said.and_then(Value::as_object).unwrap_or(&nothing);
    let names: BTreeSet<&String> = is.keys().chain(says.keys()).collect();
    let members = names
        .into_iter()
        .filter_map(|name| Some((name.clone(), merged(said.get(name), is.get(name), says.get(name), levels - 1)?)));
    Some(Value::Object(members.collect()))
}

/// Whether two values say the same; 1 is 1.0.
fn alike(a: Option<&Value>, b: Option<&Value>) -> bool {
    match (a, b) {
        (Some(Value::Number(a)), Some(Value::Number(b))) => a == b || a.as_f64() == b.as_f64(),
        (Some(Value::Array(a)), Some(Value::Array(b))) => {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| alike(Some(a), Some(b)))
        }
        (Some(Value::Object(a)), Some(Value::Object(b))) => {
            a.len() == b.len() && a.iter().all(|(name, a)| alike(Some(a), b.get(name)))
        }
        (a, b) => a == b,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_the_user_changed_stays_and_what_the_user_left_follows_the_feed() {
        let said = json!({ "id": "1", "title": "A", "url": "u", "observations": [], "photos": [{ "id": "p" }],
            "offer": { "price": { "amount": "640.00", "currency": "EUR" } } });
        let listing = json!({ "id": "f:1", "title": "A", "url": "u", "photos": [{ "id": "p" }], "status": "bought",
            "observations": [{ "sign": "dial_too_fresh", "call": "present" }],
            "offer": { "price": { "amount": "640.00", "currency": "EUR" }, "buyer_fee_rate": 0.1 } });
        let says = json!({ "id": "1", "title": "B", "observations": [], "status": "open", "photos": [],
            "offer": { "price": { "amount": "590.00", "currency": "EUR" } } });
        assert_eq!(
            merge(Some(&said), &listing, &says),
            json!({ "title": "B", "photos": [], "status": "bought",
                "observations": [{ "sign": "dial_too_fresh", "call": "present" }],
                "offer": { "price": { "amount": "590.00", "currency": "EUR" }, "buyer_fee_rate": 0.1 } })
        );
    }

    #[test]
    fn a_price_is_never_put_together_of_two_hands() {
        let price = |amount, currency| json!({ "offer": { "price": { "amount": amount, "currency": currency } } });
        let merged = merge(Some(&price("640.00", "EUR")), &price("600.00", "EUR"), &price("640.00", "USD"));
        assert_eq!(merged, price("600.00", "EUR"));
    }

    #[test]
    fn a_listing_put_before_its_feed_keeps_all_it_says() {
        let listing = json!({ "title": "mine", "observations": [] });
        let merged = merge(None, &listing, &json!({ "title": "theirs", "url": "u", "observations": [] }));
        assert_eq!(merged, json!({ "title": "mine", "url": "u", "observations": [] }));
    }

    #[test]
    fn what_a_file_does_not_say_stays() {
        let stored = json!({ "title": "A", "status": "bought", "offer": { "price": 1, "shipping": 2 },
            "observations": [{ "sign": "dial_too_fresh", "call": "present" }] });
        let says = json!({ "id": "a", "observations": [], "offer": { "price": 3, "shipping": null } });
        let brought = |id, stored, says| brought(id, stored, says, &Defaults::default()).unwrap();
        let mut now = stored.clone();
        now["id"] = json!("a");
        assert_eq!(brought("a", &stored, json!({ "id": "a", "title": "A", "observations": [] })), None);
        now["offer"] = json!({ "price": 3 });
        assert_eq!(brought("a", &stored, says), Some(now.clone()));
        now["observations"] = json!([]);
        assert_eq!(brought("a", &now, json!({ "id": "a", "observations": null })), None);
        assert_eq!(brought("b", &json!({}), json!({ "id": "b" })), Some(json!({ "id": "b", "observations": [] })));
    }

    /// Objects as requests have them: two levels, few names, so that versions meet.
    fn request() -> impl Strategy<Value = Value> {
        let leaf = prop_oneof![Just(json!(1)), Just(json!(2)), Just(json!("a")), Just(json!([]))];
        let inner = prop::collection::btree_map("[xy]", leaf.clone(), 0..3)
            .prop_map(|m| Value::Object(m.into_iter().collect()));
        prop::collection::btree_map("[abc]", prop_oneof![leaf, inner], 0..4)
            .prop_map(|m| Value::Object(m.into_iter().collect()))
    }

    proptest! {
        /// The laws of a three-way merge.
        #[test]
        fn one_hand_alone_is_followed_and_both_alike_agree(said in request(), one in request(), says in request()) {
            prop_assert_eq!(&merge(Some(&said), &said, &says), &says);
            prop_assert_eq!(&merge(Some(&said), &one, &said), &one);
            prop_assert_eq!(&merge(Some(&said), &one, &one), &one);
            // What was merged stays as it is when the feed says the same again.
            let merged = merge(Some(&said), &one, &says);
            prop_assert_eq!(&merge(Some(&says), &merged, &says), &merged);
        }
    }
}

//! Parameters that many operations take, described once.

use super::resource::{list_of, read_cursor};
use crate::problem::{FaultAt, INVALID, MALFORMED, Problem};
use axum::http::Uri;
use serde::de::DeserializeOwned;
use std::collections::HashMap;
use url::form_urlencoded;
use utoipa::IntoParams;

/// Items of a page, where nothing else is asked for, and at most.
const PAGE: u32 = 50;
const LARGEST_PAGE: u32 = 200;
/// How much of a name or value is shown.
const LONGEST_SHOWN: usize = 60;

/// The parameters of a list that knows no others.
#[derive(IntoParams)]
#[into_params(parameter_in = Query)]
#[expect(dead_code, reason = "it only describes parameters")]
pub(super) struct Paged {
    /// Items of a page, 50 where it is left out, at most 200: more asked for is as many.
    #[param(minimum = 1, example = 20)]
    limit: Option<i64>,
    /// `next_cursor` of the page before, under the same filters.
    cursor: Option<String>,
}

/// The parameters of a query. Every fault is named: what there is none of is 422, what cannot be read 400.
#[derive(Debug)]
pub(super) struct Query {
    list: String,
    asked: HashMap<&'static str, String>,
    faults: Vec<FaultAt>,
    unreadable: bool,
}

impl Query {
    /// Of an operation that knows these parameters.
    pub(super) fn of(uri: &Uri, known: &[&'static str]) -> Self {
        let mut query = Self { list: list_of(uri), asked: HashMap::new(), faults: Vec::new(), unreadable: false };
        for part in uri.query().unwrap_or_default().split('&').filter(|part| !part.is_empty()) {
            let Some((name, value)) = form_urlencoded::parse(part.as_bytes()).next() else { continue };
            let Some(name) = known.iter().find(|known| **known == name) else {
                let accepted = match known {
                    [] => "there are none here".to_owned(),
                    known => format!("there is no such parameter, but {}", listed(known)),
                };
                query.faults.push(FaultAt::of_parameter(shown(&name), accepted));
                continue;
            };
            if value.contains('\0') || !is_utf8(part) {
                query.refuse(name, "not a text in UTF-8 without U+0000".into());
            } else if query.asked.insert(name, value.into_owned()).is_some() {
                query.refuse(name, "given more than once".into());
            }
        }
        query
    }

    fn refuse(&mut self, name: &str, detail: String) {
        self.unreadable = true;
        self.faults.push(FaultAt::of_parameter(name, detail));
    }

    /// As it was sent.
    pub(super) fn text(&mut self, name: &str) -> Option<String> {
        self.asked.remove(name)
    }

    /// One of some words.
    pub(super) fn word<T: DeserializeOwned>(&mut self, name: &str, words: &[&str]) -> Option<T> {
        let value = self.text(name)?;
        let read = words.contains(&value.as_str()).then(|| serde_json::from_value(value.as_str().into()).ok());
        if read.is_none() {
            self.refuse(name, format!("`{}` is none of {}", shown(&value), listed(words)));
        }
        read.flatten()
    }

    /// `true` or `false`, the latter where it is left out.
    pub(super) fn flag(&mut self, name: &str) -> bool {
        match self.text(name).as_deref() {
            Some("true") => true,
            None | Some("false") => false,
            Some(other) => {
                self.refuse(name, format!("`{}` is none of `true`, `false`", shown(other)));
                false
            }
        }
    }

    /// How many items a page holds: too many asked for are as many as there may be.
    pub(super) fn limit(&mut self) -> u32 {
        let Some(text) = self.text("limit") else { return PAGE };
        let whole = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        if !whole || text.bytes().all(|b| b == b'0') {
            self.refuse("limit", "must be a whole number, 1 or more".into());
        }
        text.parse().unwrap_or(LARGEST_PAGE).min(LARGEST_PAGE)
    }

    /// The place in a cursor of the same list under the same filters.
    pub(super) fn place<T: DeserializeOwned>(&mut self) -> Option<T> {
        let text = self.text("cursor")?;
        let place = read_cursor(&self.list, &text);
        if place.is_none() {
            self.refuse("cursor", FOREIGN_CURSOR.into());
        }
        place
    }

    /// Nothing was at fault.
    ///
    /// # Errors
    /// Every fault.
    pub(super) fn sound(self) -> Result<(), Problem> {
        match (self.faults.is_empty(), self.unreadable) {
            (true, _) => Ok(()),
            (false, unreadable) => {
                Err(Problem::of_parameters(if unreadable { MALFORMED } else { INVALID }, self.faults))
            }
        }
    }
}

const FOREIGN_CURSOR: &str = "not a cursor of this list under these filters; begin again without one";

/// A cursor that is none of ours, or of another list.
pub(super) fn foreign_cursor() -> Problem {
    unreadable("cursor", FOREIGN_CURSOR)
}

/// A parameter that cannot be read.
pub(super) fn unreadable(name: &str, detail: impl Into<String>) -> Problem {
    Problem::of_parameters(MALFORMED, vec![FaultAt::of_parameter(name, detail)])
}

fn listed(words: &[&str]) -> String {
    words.iter().map(|word| format!("`{word}`")).collect::<Vec<_>>().join(", ")
}

fn shown(text: &str) -> String {
    text.chars().take(LONGEST_SHOWN).map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}

/// Whether the bytes behind the percents are UTF-8.
fn is_utf8(part: &str) -> bool {
    percent_encoding::percent_decode_str(part).decode_utf8().is_ok()
}

/// The condition of a change to something that may be there.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "it only describes a parameter")]
pub(super) struct IfMatch {
    /// Only if it is still at one of these ETags; `*`: only if there is one. A weak tag is none.
    #[param(rename = "If-Match")]
    if_match: Option<String>,
}

/// The condition of something new.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "it only describes a parameter")]
pub(super) struct IfNoneMatch {
    /// Only if it is at none of these ETags; `*`: only if there is none yet.
    #[param(rename = "If-None-Match")]
    if_none_match: Option<String>,
}

/// What the caller has already.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "it only describes a parameter")]
pub(super) struct Known {
    /// ETags received before: 304 where it is still at one of them.
    #[param(rename = "If-None-Match")]
    if_none_match: Option<String>,
}

/// A key of a request that may be sent again.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "it only describes a parameter")]
pub(super) struct Key {
    /// Of the caller's making: sent again with the same body within a day, the first answer comes
    /// again and nothing more is done.
    #[param(rename = "Idempotency-Key", max_length = 255)]
    idempotency_key: Option<String>,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn too_large_a_limit_is_the_largest_and_what_is_none_is_refused() {
        let asked = |text: &str| {
            let mut query = Query::of(&format!("/v1/sellers{text}").parse().unwrap(), &["limit"]);
            (query.limit(), query.sound().err().map(|problem| problem.status))
        };
        assert_eq!(asked(""), (PAGE, None));
        for (text, items) in [("1", 1), ("007", 7), ("200", 200), ("201", 200), ("99999999999999999999999999", 200)] {
            assert_eq!(asked(&format!("?limit={text}")), (items, None), "{text}");
        }
        for text in ["", "0", "000", "-1", "+1", "1.0", "1e2", "many", "%D9%A3"] {
            assert_eq!(asked(&format!("?limit={text}")).1, Some(400), "{text}");
        }
    }
}

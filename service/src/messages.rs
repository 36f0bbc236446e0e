//! What to write to a seller: a short message that asks for photos and accuses nobody.
//!
//! The words are data, one file a language (`service/messages`).

use serde::Deserialize;
use std::collections::BTreeMap;
use std::sync::LazyLock;

/// The words of one language.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Words {
    opening: String,
    one: String,
    two: String,
    size: String,
    opens: String,
    closing: String,
    views: BTreeMap<String, String>,
}

const FILES: [(&str, &str); 3] = [
    ("en", include_str!("../messages/en.toml")),
    ("de", include_str!("../messages/de.toml")),
    ("fr", include_str!("../messages/fr.toml")),
];

static LANGUAGES: LazyLock<Vec<(&str, Words)>> = LazyLock::new(|| {
    FILES
        .iter()
        .map(|(code, text)| (*code, toml::from_str(text).unwrap_or_else(|e| panic!("messages/{code}.toml: {e}"))))
        .collect()
});

/// The message that asks for these views, in the language given, else in English. `None` where
/// a view has no words.
#[must_use]
pub fn message(language: Option<&str>, views: &[String], opens: bool, min_px: Option<u32>) -> Option<String> {
    let primary = language.unwrap_or("en").split('-').next().unwrap_or("en").to_ascii_lowercase();
    let words = LANGUAGES.iter().find(|(code, _)| *code == primary).or(LANGUAGES.first()).map(|(_, w)| w)?;
    let named: Vec<&String> = views.iter().map(|v| words.views.get(v)).collect::<Option<_>>()?;
    let request = match named.as_slice() {
        [a] => words.one.replace("{a}", a),
        [a, b] => words.two.replace("{a}", a).replace("{b}", b),
        _ => return None,
    };
    // A person is asked for a round number.
    let size = min_px.map(|px| words.size.replace("{px}", &(px.div_ceil(100) * 100).to_string()));
    let parts = [Some(words.opening.clone()), Some(request), size, opens.then(|| words.opens.clone())];
    let said: Vec<String> = parts.into_iter().flatten().chain([words.closing.clone()]).collect();
    Some(said.join(" "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use steelyard_model::pack::Pack;

    #[test]
    fn every_language_has_words_for_every_view_that_can_be_asked_for() {
        let pack = Pack::builtin();
        for (code, words) in LANGUAGES.iter() {
            for view in pack.data().views.iter().filter(|v| v.askable) {
                assert!(words.views.contains_key(&view.id), "{code}: {}", view.id);
                let text =
                    message(Some(code), std::slice::from_ref(&view.id), view.opens, Some(1600)).expect("a message");
                assert!(!text.contains('{') && text.contains("1600"), "{text}");
            }
        }
    }

    #[test]
    fn a_language_that_is_not_there_falls_back_to_english() {
        let views = ["papers".to_owned()];
        assert_eq!(message(Some("xx-YY"), &views, false, None), message(None, &views, false, None));
        assert_ne!(message(Some("de-AT"), &views, false, None), message(None, &views, false, None));
    }
}

//! The words, read from the data files: one a language, one for what all share.

use super::words::{self, Kind, Token};
use super::{Construction, Metal, Part, Water};
use serde::Deserialize;
use std::collections::{BTreeMap, HashMap};
use std::sync::LazyLock;

/// `..` in a phrase stands for at most this many words.
const GAP: usize = 5;

const LANGUAGES: [&str; 5] = [
    include_str!("../../readers/en.toml"),
    include_str!("../../readers/fr.toml"),
    include_str!("../../readers/de.toml"),
    include_str!("../../readers/it.toml"),
    include_str!("../../readers/es.toml"),
];

/// The vocabulary of all languages; a file that does not parse is a fault of the build.
pub(super) static VOCABULARY: LazyLock<Vocabulary> = LazyLock::new(|| {
    let shared: Shared =
        toml::from_str(include_str!("../../readers/shared.toml")).expect("readers/shared.toml is well formed");
    let languages = LANGUAGES.map(|file| toml::from_str(file).expect("readers/*.toml are well formed"));
    Vocabulary::new(shared, &languages)
});

/// What no language owns: figures, abbreviations, and what each claim proposes.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Shared {
    #[serde(rename = "origin")]
    _origin: String,
    pub(super) figures: Figures,
    #[serde(rename = "fineness")]
    pub(super) finenesses: Vec<Fineness>,
    #[serde(rename = "carats")]
    pub(super) carats: Vec<Carats>,
    pub(super) claims: Vec<Claim>,
}

/// Bounds of what is believed to be a year, a jewel count …
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Figures {
    pub(super) years: [u32; 2],
    pub(super) circa: u32,
    pub(super) early: [u32; 2],
    pub(super) mid: [u32; 2],
    pub(super) late: [u32; 2],
    pub(super) short_decades: [u32; 2],
    pub(super) jewels: [u32; 2],
    pub(super) microns: [f64; 2],
    pub(super) wear_years: [u32; 2],
    pub(super) coating_share: [u32; 2],
}

/// A fineness mark, with its metal where the number alone tells.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Fineness {
    pub(super) parts: u16,
    pub(super) metal: Option<Metal>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Carats {
    pub(super) carats: u8,
    pub(super) parts: u16,
}

/// What a kind of claim proposes.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Claim {
    pub(super) id: String,
    pub(super) sign: Option<String>,
    pub(super) field: Option<String>,
    pub(super) value: Option<serde_json::Value>,
    /// What the same words with a negation propose.
    #[serde(default)]
    pub(super) negated: Negated,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Negated {
    /// Nothing.
    #[default]
    Silent,
    /// The opposite.
    Opposite,
    /// The phrase says the negation itself; another before it changes nothing.
    Ignored,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Language {
    #[serde(rename = "origin")]
    _origin: String,
    part_first: bool,
    #[serde(default)]
    material: Vec<Material>,
    parts: BTreeMap<Part, Vec<String>>,
    water: BTreeMap<Water, Vec<String>>,
    words: BTreeMap<Role, Vec<String>>,
    #[serde(default)]
    numbers: BTreeMap<String, Vec<String>>,
    #[serde(default)]
    decades: BTreeMap<String, Vec<String>>,
    claims: BTreeMap<String, Vec<String>>,
    #[serde(default)]
    unless_followed: BTreeMap<String, Vec<String>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Material {
    metal: Option<Metal>,
    construction: Option<Construction>,
    part: Option<Part>,
    #[serde(default)]
    colour: bool,
    words: Vec<String>,
}

/// What a single word is good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Role {
    Carat,
    Micron,
    Year,
    Guarantee,
    Jewel,
    Calibre,
    /// May stand between "calibre" and its name.
    CalibreLink,
    /// Makes the number after it a reference, a serial … and no year or fineness.
    Numbered,
    /// Makes a year that of a repair, a sale …
    OtherYear,
    /// Makes the number before it a price, a size …
    Quantity,
    /// Makes "30s" after it seconds.
    Rate,
    /// "in 1962": with a repair or a sale after it, the year is theirs.
    Within,
    Circa,
    Early,
    Mid,
    Late,
    /// "s", "er": turns the number before it into a decade.
    DecadeAfter,
    /// "années", "anni": turns the number after it into a decade.
    DecadeBefore,
    Negation,
    Doubt,
    /// Ends what a phrase with a gap may reach over.
    Contrast,
    Conjunction,
    /// Says nothing between a part and its metal.
    Link,
    /// Begins something else: "with a steel back".
    With,
    Gold,
    Watch,
}

/// What a phrase in a case mark says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Meaning {
    Material { metal: Option<Metal>, construction: Option<Construction>, part: Option<Part>, colour: bool },
    Part(PartWord),
    Water(Water),
    Guarantee,
}

/// A part, and whether its language names it before its metal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PartWord {
    pub(super) part: Part,
    pub(super) leads: bool,
}

/// The compiled words.
#[derive(Debug)]
pub(super) struct Vocabulary {
    pub(super) shared: Shared,
    pub(super) marks: Phrases<Meaning>,
    /// The index is the claim's in `shared.claims`.
    pub(super) claims: Phrases<usize>,
    unless_followed: Vec<Vec<Pattern>>,
    roles: HashMap<Role, Vec<Test>>,
    pub(super) numbers: Phrases<u32>,
    pub(super) decades: Phrases<u32>,
}

impl Vocabulary {
    fn new(shared: Shared, languages: &[Language]) -> Self {
        let mut marks = Phrases::default();
        let mut claims = Phrases::default();
        let mut numbers = Phrases::default();
        let mut decades = Phrases::default();
        let mut unless_followed: Vec<Vec<Pattern>> = shared.claims.iter().map(|_| Vec::new()).collect();
        let mut roles: HashMap<Role, Vec<Test>> = HashMap::new();
        let claim = |id: &str| {
            shared.claims.iter().position(|c| c.id == id).unwrap_or_else(|| panic!("no claim {id} in shared.toml"))
        };
        for language in languages {
            for Material { metal, construction, part, colour, words } in &language.material {
                let meaning =
                    Meaning::Material { metal: *metal, construction: *construction, part: *part, colour: *colour };
                marks.extend(words, meaning);
            }
            for (part, words) in &language.parts {
                marks.extend(words, Meaning::Part(PartWord { part: *part, leads: language.part_first }));
            }
            for (water, words) in &language.water {
                marks.extend(words, Meaning::Water(*water));
            }
            for (id, words) in &language.claims {
                claims.extend(words, claim(id));
            }
            for (id, words) in &language.unless_followed {
                unless_followed[claim(id)].extend(words.iter().map(|w| Pattern::new(w)));
            }
            for (number, words) in &language.numbers {
                numbers.extend(words, number.parse().expect("numbers are numbers"));
            }
            for (decade, words) in &language.decades {
                decades.extend(words, decade.parse().expect("decades are numbers"));
            }
            for (role, words) in &language.words {
                roles.entry(*role).or_default().extend(words.iter().map(|w| Test::new(w)));
                if *role == Role::Guarantee {
                    marks.extend(words, Meaning::Guarantee);
                }
            }
        }
        Self { shared, marks, claims, unless_followed, roles, numbers, decades }
    }

    /// Whether the word plays `role` in some language.
    pub(super) fn is(&self, token: &Token, role: Role) -> bool {
        self.roles.get(&role).is_some_and(|tests| tests.iter().any(|test| test.holds(token)))
    }

    /// Whether the words after `end` make the claim another one ("mint green").
    pub(super) fn is_undone(&self, claim: usize, tokens: &[Token], end: usize) -> bool {
        words::next(tokens, end)
            .is_some_and(|next| self.unless_followed[claim].iter().any(|p| p.matches(tokens, next).is_some()))
    }

    pub(super) fn fineness(&self, parts: u16) -> Option<&Fineness> {
        self.shared.finenesses.iter().find(|f| f.parts == parts)
    }

    pub(super) fn carats(&self, carats: u32) -> Option<&Carats> {
        self.shared.carats.iter().find(|c| u32::from(c.carats) == carats)
    }
}

/// Phrases by their first word.
#[derive(Debug)]
pub(super) struct Phrases<M> {
    all: Vec<(Pattern, M)>,
    by_first: HashMap<String, Vec<usize>>,
    others: Vec<usize>,
}

impl<M> Default for Phrases<M> {
    fn default() -> Self {
        Self { all: Vec::new(), by_first: HashMap::new(), others: Vec::new() }
    }
}

impl<M: Copy> Phrases<M> {
    fn extend(&mut self, phrases: &[String], meaning: M) {
        for phrase in phrases {
            let pattern = Pattern::new(phrase);
            let index = self.all.len();
            match &pattern.0[0] {
                Element::One(tests) if tests.iter().all(|t| matches!(t, Test::Is(_))) => {
                    for test in tests {
                        if let Test::Is(word) = test {
                            self.by_first.entry(word.clone()).or_default().push(index);
                        }
                    }
                }
                _ => self.others.push(index),
            }
            self.all.push((pattern, meaning));
        }
    }

    /// Every phrase that begins at `at`: its meaning and where it ends.
    pub(super) fn at(&self, tokens: &[Token], at: usize) -> impl Iterator<Item = (M, Match)> {
        let known = self.by_first.get(&tokens[at].text).map_or(&[][..], Vec::as_slice);
        known.iter().chain(&self.others).filter_map(move |&index| {
            let (pattern, meaning) = &self.all[index];
            Some((*meaning, pattern.matches(tokens, at)?))
        })
    }

    /// The longest phrase that begins at `at`; of equals the one listed first.
    pub(super) fn longest(&self, tokens: &[Token], at: usize) -> Option<(M, usize)> {
        let mut best: Option<(M, usize)> = None;
        for (meaning, found) in self.at(tokens, at) {
            if best.is_none_or(|(_, last)| found.last > last) {
                best = Some((meaning, found.last));
            }
        }
        best
    }
}

/// Where a phrase was found.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Match {
    /// Index of the last token.
    pub(super) last: usize,
    /// The tokens that its gaps skipped.
    pub(super) skipped: Vec<usize>,
}

/// Words in order, each an element: `a|b` either, `a*` begins so, `*a` ends so, `=é` with its
/// accents, `#` a number, `..` up to [`GAP`] words of the same clause.
#[derive(Debug)]
struct Pattern(Vec<Element>);

#[derive(Debug)]
enum Element {
    One(Vec<Test>),
    Gap,
}

#[derive(Debug)]
enum Test {
    Is(String),
    Begins(String),
    Ends(String),
    Accented(String),
    Number,
}

impl Test {
    fn new(word: &str) -> Self {
        let folded = |word: &str| words::tokens(word, false).into_iter().map(|t| t.text).collect::<String>();
        if word == "#" {
            Self::Number
        } else if let Some(word) = word.strip_prefix('=') {
            Self::Accented(word.to_lowercase())
        } else if let Some(word) = word.strip_prefix('*') {
            Self::Ends(folded(word))
        } else if let Some(word) = word.strip_suffix('*') {
            Self::Begins(folded(word))
        } else {
            Self::Is(folded(word))
        }
    }

    fn holds(&self, token: &Token) -> bool {
        match self {
            Self::Is(word) => token.text == *word,
            Self::Begins(word) => token.text.starts_with(word.as_str()),
            Self::Ends(word) => token.text.ends_with(word.as_str()),
            Self::Accented(word) => token.accented == *word,
            Self::Number => token.kind == Kind::Number,
        }
    }
}

impl Pattern {
    fn new(phrase: &str) -> Self {
        let elements: Vec<Element> = phrase
            .split_whitespace()
            .map(|word| match word {
                ".." => Element::Gap,
                _ => Element::One(word.split('|').map(Test::new).collect()),
            })
            .collect();
        assert!(matches!(elements.first(), Some(Element::One(_))), "a phrase begins with a word: {phrase:?}");
        Self(elements)
    }

    fn matches(&self, tokens: &[Token], at: usize) -> Option<Match> {
        let mut skipped = Vec::new();
        go(&self.0, tokens, at, &mut skipped).map(|last| Match { last, skipped })
    }
}

fn go(elements: &[Element], tokens: &[Token], at: usize, skipped: &mut Vec<usize>) -> Option<usize> {
    match elements.split_first()? {
        (Element::Gap, rest) => {
            let before = skipped.len();
            let mut at = at;
            for _ in 0..=GAP {
                if let Some(last) = go(rest, tokens, at, skipped) {
                    return Some(last);
                }
                skipped.push(at);
                let Some(next) = words::next(tokens, at) else { break };
                at = next;
            }
            skipped.truncate(before);
            None
        }
        (Element::One(tests), rest) => {
            if !tests.iter().any(|test| test.holds(&tokens[at])) {
                return None;
            }
            if rest.is_empty() { Some(at) } else { go(rest, tokens, words::next(tokens, at)?, skipped) }
        }
    }
}

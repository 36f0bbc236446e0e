//! Words on dials and cases, compared without case, accents, spaces and punctuation.

use super::book::LIGNE_MM;
use serde::Deserialize;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;

/// Millimetres of a measure in lignes.
pub(crate) fn ligne_mm(lignes: f64) -> f64 {
    lignes * LIGNE_MM
}

fn plain(c: char, out: &mut String) {
    for c in c.to_lowercase() {
        match c {
            'à' | 'á' | 'â' | 'ã' | 'ä' | 'å' => out.push('a'),
            'ç' => out.push('c'),
            'è' | 'é' | 'ê' | 'ë' => out.push('e'),
            'ì' | 'í' | 'î' | 'ï' => out.push('i'),
            'ñ' => out.push('n'),
            'ò' | 'ó' | 'ô' | 'õ' | 'ö' | 'ø' => out.push('o'),
            'ù' | 'ú' | 'û' | 'ü' => out.push('u'),
            'ý' | 'ÿ' => out.push('y'),
            'ß' => out.push_str("ss"),
            'æ' => out.push_str("ae"),
            'œ' => out.push_str("oe"),
            // An accent written as a mark of its own.
            '\u{300}'..='\u{36f}' => {}
            c => out.push(c),
        }
    }
}

/// The letters and digits of a text, in one form.
pub(crate) fn fold(text: &str) -> String {
    tokens(text).concat()
}

/// The words of a text, each in one form.
pub(crate) fn tokens(text: &str) -> Vec<String> {
    let mut out = String::with_capacity(text.len());
    text.chars().for_each(|c| plain(c, &mut out));
    out.split(|c: char| !c.is_alphanumeric()).filter(|t| !t.is_empty()).map(str::to_owned).collect()
}

/// The most words that one phrase may be spread over: `S-H-O-C-K proof` is not looked for.
const LONGEST_RUN: usize = 5;

/// Whether some run of words spells a phrase; where it starts and ends.
pub(crate) fn find(words: &[String], phrase: &str) -> Option<(usize, usize)> {
    (0..words.len()).find_map(|from| {
        let mut rest = phrase;
        for (n, word) in words[from..].iter().take(LONGEST_RUN).enumerate() {
            rest = rest.strip_prefix(word.as_str())?;
            if rest.is_empty() {
                return Some((from, from + n + 1));
            }
        }
        None
    })
}

/// What a dial can promise of its movement, jewels apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Promise {
    SelfWinding,
    Date,
    Chronometer,
    TwoBarrels,
    StopSeconds,
    Shock,
    Antimagnetic,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Tolerances {
    pub(crate) years: i32,
    pub(crate) same_movement_lignes: f64,
    pub(crate) other_movement_lignes: f64,
    pub(crate) case_wall_mm: f64,
    pub(crate) depth_share: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PromiseWords {
    pub(crate) kind: Promise,
    pub(crate) told: bool,
    words: Words,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct JewelWords {
    words: Words,
    numbers: BTreeMap<String, u32>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct CalibreWords {
    lead: Words,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct WaterWords {
    proof: Words,
    resistant: Words,
    other: Words,
    units: BTreeMap<String, f64>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct ColourWords {
    name: String,
    words: Words,
    ages_to: Vec<String>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct MetalWords {
    steel: Words,
    coated: Words,
    base: Words,
    silver: Words,
    solid: Words,
    gold: Words,
    wear_years: Words,
    fineness: BTreeSet<u32>,
    carats: BTreeSet<u32>,
    carat_units: Words,
    beside_fineness: Words,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct PartWords {
    back: Words,
    bezel: Words,
    case: Words,
}

/// Phrases, folded once they are read.
#[derive(Debug, Deserialize)]
#[serde(from = "Vec<String>")]
struct Words(Vec<String>);

impl From<Vec<String>> for Words {
    fn from(phrases: Vec<String>) -> Self {
        Self(phrases.iter().map(|p| fold(p)).collect())
    }
}

impl Words {
    fn in_text(&self, words: &[String]) -> bool {
        self.0.iter().any(|p| find(words, p).is_some())
    }

    fn has(&self, word: &str) -> bool {
        self.0.iter().any(|p| p == word)
    }
}

/// The words and tolerances of `rules.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Rules {
    pub(crate) tolerances: Tolerances,
    pub(crate) promises: Vec<PromiseWords>,
    jewels: JewelWords,
    calibre: CalibreWords,
    water: WaterWords,
    colours: Vec<ColourWords>,
    metals: MetalWords,
    parts: PartWords,
}

/// What a mark says a part is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Metal {
    Steel,
    SolidGold,
    Coated,
    Base,
    Silver,
}

impl Metal {
    pub(crate) fn says(self) -> &'static str {
        match self {
            Self::Steel => "steel",
            Self::SolidGold => "solid gold",
            Self::Coated => "a coating",
            Self::Base => "base metal",
            Self::Silver => "silver",
        }
    }
}

/// Which part a mark speaks of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Part {
    Back,
    Bezel,
    Case,
    /// It does not say.
    Unsaid,
}

/// Water wording, as far as two wordings can disagree.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Water {
    /// `Some(true)`: proof; `Some(false)`: resistant; `None`: a word that tells no years.
    pub(crate) proof: Option<bool>,
    pub(crate) depth_m: Option<f64>,
}

impl Rules {
    /// The rules that come with the crate.
    ///
    /// # Panics
    /// Never in a released build: every test of this module reads them.
    pub(crate) fn builtin() -> &'static Self {
        static RULES: LazyLock<Rules> =
            LazyLock::new(|| toml::from_str(include_str!("rules.toml")).unwrap_or_else(|e| panic!("rules.toml: {e}")));
        &RULES
    }

    /// A calibre's name without the word "calibre" before it.
    pub(crate) fn without_lead(&self, calibre: &str) -> String {
        self.name_of(&tokens(calibre)).concat()
    }

    /// A calibre's name without "calibre" and without the watch's maker before it.
    pub(crate) fn calibre_key(&self, calibre: &str, maker: Option<&str>) -> String {
        let words = tokens(calibre);
        let named = self.name_of(&words);
        let maker = maker.map(fold).unwrap_or_default();
        let own = match find(named, &maker) {
            Some((0, end)) if end < named.len() => self.name_of(&named[end..]),
            _ => named,
        };
        own.concat()
    }

    /// What is left after the lead, or all where nothing would be.
    fn name_of<'w>(&self, words: &'w [String]) -> &'w [String] {
        let lead = words.iter().take_while(|w| self.calibre.lead.has(w)).count();
        if lead == words.len() { words } else { &words[lead..] }
    }

    /// The promises in one line of a dial.
    pub(crate) fn promises(&self, text: &str) -> impl Iterator<Item = &PromiseWords> {
        let words = tokens(text);
        self.promises.iter().filter(move |p| p.words.in_text(&words))
    }

    /// The number of jewels in one line of a dial.
    pub(crate) fn jewels(&self, text: &str) -> Option<u32> {
        let words: Vec<String> = tokens(text).iter().flat_map(|t| digits_apart(t)).collect();
        let end = (0..words.len()).find(|&i| self.jewels.words.has(&words[i]))?;
        let number = |words: &[String]| self.jewels.numbers.get(&words.concat()).copied();
        let last = end.checked_sub(1)?;
        let spelt = last.checked_sub(1).and_then(|two| number(&words[two..end]));
        words[last].parse().ok().or(spelt).or_else(|| number(&words[last..end]))
    }

    /// Water wording in one line.
    pub(crate) fn water(&self, text: &str) -> Option<Water> {
        let words: Vec<String> = tokens(text).iter().flat_map(|t| digits_apart(t)).collect();
        let depth_m = words.windows(2).find_map(|pair| {
            let unit = self.water.units.get(&pair[1])?;
            Some(pair[0].parse::<u32>().ok().filter(|n| *n > 0).map(f64::from)? * unit)
        });
        let (proof, resistant) = (self.water.proof.in_text(&words), self.water.resistant.in_text(&words));
        let worded = proof || resistant || self.water.other.in_text(&words);
        // Without a word of water, "20 M" beside anything else may be microns of plating.
        let depth_alone = || words.iter().all(|w| w.parse::<u32>().is_ok() || self.water.units.contains_key(w));
        (worded || (depth_m.is_some() && depth_alone()))
            .then_some(Water { proof: (proof != resistant).then_some(proof), depth_m })
    }

    /// The plain colours in a description.
    fn colours(&self, text: &str) -> impl Iterator<Item = &ColourWords> {
        let words = tokens(text);
        self.colours.iter().filter(move |c| c.words.in_text(&words))
    }

    /// Whether a dial described as `found` may be one of those described as `made`, allowing for age
    /// and the camera; `None` where either is in words not known here.
    pub(crate) fn colour_fits(&self, found: &str, made: &[String]) -> Option<bool> {
        if made.iter().any(|m| fold(m) == fold(found)) {
            return Some(true);
        }
        let seen: Vec<&ColourWords> = self.colours(found).collect();
        let mut known = !seen.is_empty();
        for colour in made {
            let mut any = false;
            for c in self.colours(colour) {
                any = true;
                if seen.iter().any(|s| s.name == c.name || c.ages_to.contains(&s.name)) {
                    return Some(true);
                }
            }
            known &= any;
        }
        known.then_some(false)
    }

    /// Whether a line gives a fineness of gold, in parts per thousand or carats.
    fn fine(&self, words: &[String]) -> bool {
        let m = &self.metals;
        let carat = |w: &str| w.parse().is_ok_and(|n| m.carats.contains(&n));
        let split: Vec<String> = words.iter().flat_map(|t| digits_apart(t)).collect();
        if split.windows(2).any(|p| (carat(&p[0]) && m.carat_units.has(&p[1])) || (p[0] == "k" && carat(&p[1]))) {
            return true;
        }
        let beside = |w: &String| {
            [&m.beside_fineness, &m.gold, &self.parts.back, &self.parts.bezel, &self.parts.case]
                .iter()
                .any(|l| l.has(w))
        };
        let is_fineness = |w: &String| w.parse().is_ok_and(|n| m.fineness.contains(&n));
        words.iter().any(is_fineness) && words.iter().all(|w| is_fineness(w) || beside(w))
    }

    /// What one mark says, part by part. A line whose words cannot be told apart says nothing.
    pub(crate) fn mark(&self, text: &str) -> Vec<(Part, Metal)> {
        text.split([',', ';', '\n']).flat_map(|clause| self.clause(&tokens(clause))).collect()
    }

    fn clause(&self, words: &[String]) -> Vec<(Part, Metal)> {
        let m = &self.metals;
        let worn = words.windows(2).any(|p| p[0].parse::<u32>().is_ok() && m.wear_years.has(&p[1]));
        let coated = worn || m.coated.in_text(words);
        let steel = m.steel.in_text(words);
        let metal = if coated {
            Metal::Coated
        } else if m.base.in_text(words) {
            Metal::Base
        } else if self.fine(words) || m.solid.in_text(words) {
            Metal::SolidGold
        } else if m.silver.in_text(words) {
            Metal::Silver
        } else if steel {
            Metal::Steel
        } else {
            return Vec::new();
        };
        let p = &self.parts;
        let parts: Vec<Part> = [(Part::Back, &p.back), (Part::Bezel, &p.bezel), (Part::Case, &p.case)]
            .iter()
            .filter(|(part, names)| match part {
                // "Case back" names the back alone.
                Part::Case => {
                    names.0.iter().any(|n| words.iter().enumerate().any(|(i, w)| w == n && !before_back(words, i, p)))
                }
                _ => names.in_text(words),
            })
            .map(|(part, _)| *part)
            .collect();
        if steel && metal != Metal::Steel {
            // Two metals in one line: "gold plated, steel back" without the comma.
            return match (metal, parts.as_slice()) {
                (_, parts) if parts.contains(&Part::Back) && !parts.contains(&Part::Bezel) => {
                    vec![(Part::Case, metal), (Part::Back, Metal::Steel)]
                }
                (_, [Part::Bezel]) => vec![(Part::Bezel, metal), (Part::Unsaid, Metal::Steel)],
                _ => Vec::new(),
            };
        }
        if parts.is_empty() { vec![(Part::Unsaid, metal)] } else { parts.into_iter().map(|p| (p, metal)).collect() }
    }

    /// The metals that the book says a case was made in; `None` where one cannot be read.
    pub(crate) fn metals(&self, made: &[String]) -> Option<BTreeSet<Metal>> {
        let m = &self.metals;
        let mut all = BTreeSet::new();
        for text in made {
            let words = tokens(text);
            let coated = m.coated.in_text(&words);
            let gold = !coated && (self.fine(&words) || m.solid.in_text(&words) || m.gold.in_text(&words));
            let found: Vec<Metal> = [
                (coated, Metal::Coated),
                (gold, Metal::SolidGold),
                (m.steel.in_text(&words), Metal::Steel),
                (m.base.in_text(&words), Metal::Base),
                (m.silver.in_text(&words), Metal::Silver),
            ]
            .iter()
            .filter_map(|(is, metal)| is.then_some(*metal))
            .collect();
            if found.is_empty() {
                return None;
            }
            all.extend(found);
        }
        (!all.is_empty()).then_some(all)
    }
}

fn before_back(words: &[String], i: usize, parts: &PartWords) -> bool {
    words.get(i + 1).is_some_and(|next| parts.back.has(next))
}

/// `25j` as `25` and `j`.
fn digits_apart(word: &str) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for c in word.chars() {
        match out.last_mut() {
            Some(last) if last.ends_with(|l: char| l.is_ascii_digit()) == c.is_ascii_digit() => last.push(c),
            _ => out.push(c.to_string()),
        }
    }
    out
}

//! Listing titles and descriptions into proposals.

use super::marks::{self, Found, Strictness};
use super::vocabulary::{Claim, Match, Negated, Role, VOCABULARY, Vocabulary};
use super::words::{self, Kind, Token};
use super::{Construction, Metal, Part, Proposal, Source, Target};
use serde_json::json;
use std::collections::HashSet;

/// Reads a listing's title or description.
///
/// Proposals come in the order of the text, each target once, where it is first said. Contrary
/// ones ("dial restored … not restored") both stay: who accepts proposals decides.
#[must_use]
pub fn read_text(text: &str, source: Source) -> Vec<Proposal> {
    let tokens = words::tokens(text, true);
    let reader = Reader { vocabulary: &VOCABULARY, tokens: &tokens };
    let mut found = Vec::new();
    for at in 0..tokens.len() {
        reader.claims(at, &mut found);
        reader.jewels(at, &mut found);
        reader.calibre(at, text, &mut found);
    }
    reader.years(&mut found);
    reader.gold(&mut found);
    found.sort_by_key(|(_, [first, last])| (*first, *last));
    let mut proposals = Vec::new();
    let mut said = HashSet::new();
    for (target, [first, last]) in found {
        if said.insert(target.to_string()) {
            let bytes = [tokens[first].bytes[0], tokens[last].bytes[1]];
            let span = [tokens[first].chars[0], tokens[last].chars[1]];
            proposals.push(Proposal { target, span, words: text[bytes[0]..bytes[1]].to_owned(), source });
        }
    }
    proposals
}

/// A target and its first and last token.
type Raw = (Target, [usize; 2]);

/// A negation counts up to this many words before what it denies, in the same clause.
const NEGATION_REACH: usize = 3;

/// A word that makes a year another one's counts up to this many words before it.
const CONTEXT_REACH: usize = 6;

/// "number is 1967".
const NUMBER_REACH: usize = 2;

struct Reader<'a> {
    vocabulary: &'a Vocabulary,
    tokens: &'a [Token],
}

/// How the words before and between take a claim.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Tone {
    Said,
    /// By the word at this index.
    Denied(usize),
    Doubted,
}

impl Reader<'_> {
    fn is(&self, at: usize, role: Role) -> bool {
        self.vocabulary.is(&self.tokens[at], role)
    }

    fn next(&self, at: usize) -> Option<usize> {
        words::next(self.tokens, at)
    }

    /// The words before `at` in its clause, nearest first.
    fn before(&self, at: usize, reach: usize) -> impl Iterator<Item = usize> {
        std::iter::successors(words::previous(self.tokens, at), |&b| words::previous(self.tokens, b)).take(reach)
    }

    /// The words after `at` in its clause.
    fn after(&self, at: usize, reach: usize) -> impl Iterator<Item = usize> {
        std::iter::successors(self.next(at), |&a| self.next(a)).take(reach)
    }

    fn tone(&self, first: usize, found: &Match) -> Tone {
        // A "but" starts afresh.
        let before = self.before(first, NEGATION_REACH).take_while(|&b| !self.is(b, Role::Contrast));
        let around: Vec<usize> = before.chain(found.skipped.iter().copied()).collect();
        let asked = self.tokens.get(found.last + 1).is_some_and(|mark| mark.is("?"));
        if asked || around.iter().any(|&w| self.is(w, Role::Doubt)) {
            Tone::Doubted
        } else if let Some(&by) = around.iter().find(|&&w| self.is(w, Role::Negation)) {
            Tone::Denied(by)
        } else {
            Tone::Said
        }
    }

    fn claims(&self, at: usize, found: &mut Vec<Raw>) {
        for (index, hit) in self.vocabulary.claims.at(self.tokens, at) {
            let claim = &self.vocabulary.shared.claims[index];
            if self.reaches_too_far(&hit) || self.vocabulary.is_undone(index, self.tokens, hit.last) {
                continue;
            }
            let (target, first) = match (self.tone(at, &hit), claim.negated) {
                (Tone::Said, _) | (_, Negated::Ignored) => (target(claim, true), at),
                (Tone::Denied(by), Negated::Opposite) => (target(claim, false), at.min(by)),
                (Tone::Denied(_) | Tone::Doubted, _) => continue,
            };
            found.push((target, [first, hit.last]));
        }
    }

    /// "original dial and restored case": what a gap skipped, or what follows, shows that the
    /// two ends of the phrase do not belong together.
    fn reaches_too_far(&self, hit: &Match) -> bool {
        if hit.skipped.iter().any(|&w| self.is(w, Role::Contrast) || self.is(w, Role::With)) {
            return true;
        }
        let joined = hit.skipped.last().is_some_and(|&w| self.is(w, Role::Conjunction));
        joined
            && self.next(hit.last).is_some_and(|next| {
                let meaning = self.vocabulary.marks.longest(self.tokens, next);
                matches!(meaning, Some((super::vocabulary::Meaning::Part(_), _)))
            })
    }

    fn jewels(&self, at: usize, found: &mut Vec<Raw>) {
        let [least, most] = self.vocabulary.shared.figures.jewels;
        let token = &self.tokens[at];
        let counted = match token.kind {
            Kind::Number if self.is_fraction(at) => None,
            Kind::Number => token.number().map(|n| (n, at)),
            Kind::Word => self.vocabulary.numbers.longest(self.tokens, at),
            Kind::Mark => None,
        };
        let after = counted.and_then(|(n, last)| Some((n, self.next(last)?))).filter(|&(_, unit)| {
            let unit = &self.tokens[unit];
            // "17J" is written so; "17 j" may be days.
            self.vocabulary.is(unit, Role::Jewel) || (unit.is("j") && unit.glued && token.kind == Kind::Number)
        });
        let colon = |at: usize| self.tokens.get(at + 1).is_some_and(|mark| mark.is(":"));
        let named = || {
            let count = (self.is(at, Role::Jewel) && colon(at)).then(|| at + 2)?;
            Some((self.tokens.get(count)?.number()?, count))
        };
        if let Some((n, last)) = after.or_else(named).filter(|(n, _)| (least..=most).contains(n)) {
            found.push((field("/watch/facts/jewels", json!(n)), [at, last]));
        }
    }

    /// Whether the number is what stands after a decimal point or a slash.
    fn is_fraction(&self, at: usize) -> bool {
        let mark = |back: usize| at.checked_sub(back).map(|b| &self.tokens[b]);
        self.tokens[at].glued
            && mark(1).is_some_and(|m| m.glued && matches!(m.text.as_str(), "." | "," | "/"))
            && mark(2).is_some_and(|n| n.kind == Kind::Number)
    }

    fn calibre(&self, at: usize, text: &str, found: &mut Vec<Raw>) {
        if !self.is(at, Role::Calibre) {
            return;
        }
        let after = |at: usize| match self.tokens.get(at + 1) {
            Some(mark) if mark.is(":") => Some(at + 2).filter(|&next| next < self.tokens.len()),
            _ => self.next(at),
        };
        let Some(mut first) = after(at) else { return };
        while self.is(first, Role::CalibreLink) {
            let Some(next) = after(first) else { return };
            first = next;
        }
        let mut last = self.run(first);
        let has_digit = |last: usize| self.tokens[first..=last].iter().any(|t| t.kind == Kind::Number);
        // "AB 33": letters apart from their number.
        if !has_digit(last) {
            let short = self.tokens[first].kind == Kind::Word && self.tokens[first].text.chars().count() <= 4;
            let Some(number) = self.next(last).filter(|&n| short && self.tokens[n].kind == Kind::Number) else {
                return;
            };
            last = self.run(number);
        }
        let counts = self.next(last).is_some_and(|unit| self.is(unit, Role::Jewel) || self.is(unit, Role::Quantity));
        let alone = self.tokens[first..=last].iter().all(|t| t.kind == Kind::Number);
        let inside = |role| self.tokens[first..=last].iter().any(|t| self.vocabulary.is(t, role));
        if (counts && alone) || inside(Role::Jewel) || inside(Role::Quantity) {
            return;
        }
        let name = &text[self.tokens[first].bytes[0]..self.tokens[last].bytes[1]];
        found.push((field("/watch/facts/calibre", json!(name)), [at, last]));
    }

    /// The last token of what is written without a space from `first` on.
    fn run(&self, first: usize) -> usize {
        let mut last = first;
        let mut at = first + 1;
        while let Some(token) = self.tokens.get(at).filter(|token| token.glued) {
            match token.text.as_str() {
                _ if token.kind != Kind::Mark => last = at,
                "." | "-" | "/" => {}
                _ => break,
            }
            at += 1;
        }
        last
    }

    fn years(&self, found: &mut Vec<Raw>) {
        let mut at = 0;
        while at < self.tokens.len() {
            let Some((years, last)) = self.span_of_years(at) else {
                at += 1;
                continue;
            };
            // "circa 1958", "début des années 60"
            let told = self
                .qualifier(at)
                .filter(|&b| [Role::Circa, Role::Early, Role::Mid, Role::Late].iter().any(|&role| self.is(b, role)));
            let first = told.unwrap_or(at);
            let other = self.before(first, CONTEXT_REACH).any(|b| self.is(b, Role::OtherYear))
                || self.before(first, NUMBER_REACH).any(|b| self.is(b, Role::Numbered))
                || self.before(first, NUMBER_REACH).any(|b| self.is(b, Role::Within))
                    && self.after(last, CONTEXT_REACH).any(|a| self.is(a, Role::OtherYear));
            if !other {
                found.push((field("/watch/years", json!(years)), [first, last]));
            }
            at = last + 1;
        }
    }

    fn span_of_years(&self, at: usize) -> Option<([u32; 2], usize)> {
        let figures = &self.vocabulary.shared.figures;
        let (mut years, mut last) = self.decade(at).or_else(|| self.year(at))?;
        // "1957-61", "1950s/60s"
        let joint = self.tokens.get(last + 1).is_some_and(|m| matches!(m.text.as_str(), "-" | "/"));
        if let Some(second) = Some(last + 2).filter(|&s| joint && s < self.tokens.len()) {
            let short = self.tokens[second].number().filter(|n| (n % 100) == *n && self.tokens[second].text.len() == 2);
            let until = self
                .decade(second)
                .or_else(|| self.year(second))
                .or_else(|| short.map(|n| ([years[0] / 100 * 100 + n; 2], second)));
            if let Some((until, end)) = until.filter(|(until, _)| (years[0]..=figures.years[1]).contains(&until[1])) {
                return Some(([years[0], until[1]], end));
            }
        }
        if let Some(unit) = self.next(last)
            && (self.is(unit, Role::Quantity) || self.is(unit, Role::Jewel))
        {
            return None;
        }
        if years[0] == years[1] && self.before(at, 1).any(|b| self.is(b, Role::Circa)) {
            years = [years[0].saturating_sub(figures.circa), years[1] + figures.circa];
        }
        last = last.max(at);
        Some((years, last))
    }

    /// The nearest word before that is more than an article.
    fn qualifier(&self, at: usize) -> Option<usize> {
        self.before(at, 3).find(|&b| !self.is(b, Role::Link) || self.is(b, Role::Circa))
    }

    fn year(&self, at: usize) -> Option<([u32; 2], usize)> {
        let [least, most] = self.vocabulary.shared.figures.years;
        let token = &self.tokens[at];
        let year = token.number().filter(|n| (least..=most).contains(n) && token.text.len() == 4)?;
        let money = |at: Option<&Token>| at.is_some_and(|t| matches!(t.text.as_str(), "€" | "$" | "£" | "¥" | "#"));
        let part_of_more = |mark: Option<&Token>, beyond: Option<&Token>, glued: bool| {
            glued
                && mark.is_some_and(|m| matches!(m.text.as_str(), "." | ","))
                && beyond.is_some_and(|b| b.kind == Kind::Number)
        };
        let (b1, b2) = (at.checked_sub(1).map(|b| &self.tokens[b]), at.checked_sub(2).map(|b| &self.tokens[b]));
        let (a1, a2) = (self.tokens.get(at + 1), self.tokens.get(at + 2));
        let fused = a1.is_some_and(|a| a.glued && a.kind == Kind::Word)
            || (token.glued && b1.is_some_and(|b| b.kind == Kind::Word));
        let decimal =
            part_of_more(b1, b2, token.glued && b1.is_some_and(|b| b.glued) && b2.is_some_and(|b| b.text.len() != 2))
                || part_of_more(a1, a2, a1.is_some_and(|a| a.glued) && a2.is_some_and(|a| a.glued));
        (!money(b1) && !money(a1) && !fused && !decimal).then_some(([year; 2], at))
    }

    fn decade(&self, at: usize) -> Option<([u32; 2], usize)> {
        let figures = &self.vocabulary.shared.figures;
        let [least, most] = figures.years;
        let start = |token: &Token| {
            let number = token.number().filter(|n| n % 10 == 0)?;
            let [short, long] = figures.short_decades;
            match token.text.len() {
                2 => (short..=long).contains(&number).then_some(1900 + number),
                4 => (least..=most).contains(&number).then_some(number),
                _ => None,
            }
        };
        let token = &self.tokens[at];
        let (from, last) = if let Some((decade, last)) = self.vocabulary.decades.longest(self.tokens, at) {
            (1900 + decade, last)
        } else if self.is(at, Role::DecadeBefore) {
            let number = self.next(at)?;
            let from = start(&self.tokens[number])?;
            // "années 50s", "anni 60"
            let suffix =
                self.tokens.get(number + 1).is_some_and(|s| s.glued && self.vocabulary.is(s, Role::DecadeAfter));
            (from, number + usize::from(suffix))
        } else {
            let from = start(token)?;
            let suffix = self.next(at).filter(|&s| self.is(s, Role::DecadeAfter) && self.is_close(at, s))?;
            let rate = |w: usize| self.is(w, Role::Rate);
            let mark = |w: Option<&Token>| w.is_some_and(|m| matches!(m.text.as_str(), "+" | "-" | "±" | "/"));
            let seconds = token.text.len() == 2
                && (self.before(at, 2).any(rate)
                    || at.checked_sub(1).is_some_and(|b| mark(self.tokens.get(b)) && !self.decade_ends(b))
                    || self.next(suffix).is_some_and(rate)
                    || (mark(self.tokens.get(suffix + 1))
                        && self.tokens.get(suffix + 2).is_some_and(|d| self.vocabulary.is(d, Role::Rate))));
            if seconds {
                return None;
            }
            (from, suffix)
        };
        let within = |[a, b]: [u32; 2]| [from + a, from + b];
        let years = match self.qualifier(at) {
            Some(b) if self.is(b, Role::Early) => within(figures.early),
            Some(b) if self.is(b, Role::Mid) => within(figures.mid),
            Some(b) if self.is(b, Role::Late) => within(figures.late),
            _ => [from, from + 9],
        };
        Some((years, last))
    }

    /// "1950s", "1950's" and "1950er", not "1950 s".
    fn is_close(&self, number: usize, suffix: usize) -> bool {
        self.tokens[number + 1..=suffix].iter().all(|t| t.glued)
    }

    /// Whether the mark at `at` joins a decade before it to the one after.
    fn decade_ends(&self, at: usize) -> bool {
        at.checked_sub(1).is_some_and(|b| self.vocabulary.is(&self.tokens[b], Role::DecadeAfter))
    }

    fn gold(&self, found: &mut Vec<Raw>) {
        const CLAIMED: &str = "/watch/traits/gold_claimed";
        for Found { says, colour, at, .. } in marks::read(self.tokens, Strictness::Prose).statements {
            let Some(at) = at.filter(|_| says.metal == Some(Metal::Gold) && !colour) else { continue };
            if matches!(says.part, Some(Part::Other | Part::Bracelet)) {
                continue;
            }
            let coated = says.construction.is_some_and(|c| c != Construction::Solid);
            let tone = self.tone(at[0], &Match { last: at[1], skipped: Vec::new() });
            let stated = coated
                || says.construction.is_some()
                || says.fineness.is_some()
                || matches!(says.part, Some(Part::Case | Part::Middle));
            match tone {
                Tone::Doubted => {}
                Tone::Denied(_) if coated => {}
                Tone::Denied(by) => found.push((field(CLAIMED, json!(false)), [at[0].min(by), at[1]])),
                Tone::Said if !stated && !self.is_watch_of_gold(at) => {}
                // A back or a bezel of gold is not yet a gold watch, but a gilt bezel is not solid gold.
                Tone::Said if !coated && matches!(says.part, Some(Part::Back | Part::Bezel)) => {}
                Tone::Said if coated && says.part == Some(Part::Back) => {}
                Tone::Said => {
                    found.push((field(CLAIMED, json!(!coated)), at));
                    if let Some(fineness) = says.fineness.filter(|_| !coated) {
                        found.push((field("/value/metal/fineness", json!(fineness)), at));
                    }
                }
            }
        }
    }

    /// "gold watch", "montre en or".
    fn is_watch_of_gold(&self, [first, last]: [usize; 2]) -> bool {
        let watch = |w: usize| self.is(w, Role::Watch);
        let link = |w: &usize| !self.is(*w, Role::Link);
        let before = self.before(first, 3).find(link);
        before.is_some_and(watch) || self.next(last).is_some_and(watch)
    }
}

fn field(pointer: &str, value: serde_json::Value) -> Target {
    Target::Field { pointer: pointer.into(), value }
}

fn target(claim: &Claim, said: bool) -> Target {
    match (&claim.sign, &claim.field, &claim.value) {
        (Some(sign), ..) => Target::Sign { id: sign.clone(), present: (claim.value != Some(json!(false))) == said },
        (None, Some(pointer), Some(serde_json::Value::Bool(value))) => field(pointer, json!(*value == said)),
        (None, Some(pointer), Some(value)) => field(pointer, value.clone()),
        _ => Target::Claim { id: claim.id.clone() },
    }
}

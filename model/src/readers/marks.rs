//! Case marks: words and figures in order, grouped into statements about parts.

use super::vocabulary::{Meaning, PartWord, Role, VOCABULARY, Vocabulary};
use super::words::{self, Kind, Token};
use super::{CaseMark, Construction, Metal, Part, Statement, WaterWording};

/// Reads an inscription in or on a case.
///
/// Statements keep the order of the text. A part named without a metal says nothing; a metal
/// named without a part is a statement about no part in particular.
#[must_use]
pub fn read_case_mark(text: &str) -> CaseMark {
    let tokens = words::tokens(text, false);
    let read = read(&tokens, Strictness::Mark);
    CaseMark {
        statements: read.statements.into_iter().map(|found| found.statement(&tokens)).collect(),
        water: read
            .water
            .into_iter()
            .map(|(wording, [first, last])| WaterWording {
                wording,
                span: [tokens[first].bytes[0], tokens[last].bytes[1]],
            })
            .collect(),
    }
}

/// How much context a figure needs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Strictness {
    /// An inscription: a bare 750 is a fineness.
    Mark,
    /// Prose: only beside the metal.
    Prose,
}

/// A statement and the tokens it comes from.
#[derive(Debug, Clone, Default)]
pub(super) struct Found {
    pub(super) says: Statement,
    /// The words name a colour as much as a coating ("doré").
    pub(super) colour: bool,
    /// First and last token.
    pub(super) at: Option<[usize; 2]>,
    /// A metal was named in words, not by a figure alone.
    named: bool,
}

impl Found {
    fn reach(&mut self, at: [usize; 2]) {
        self.at = Some(self.at.map_or(at, |own| [own[0].min(at[0]), own[1].max(at[1])]));
    }

    fn statement(self, tokens: &[Token]) -> Statement {
        let [first, last] = self.at.unwrap_or_default();
        Statement { span: [tokens[first].bytes[0], tokens[last].bytes[1]], ..self.says }
    }

    fn is_coated(&self) -> bool {
        self.says.construction.is_some_and(|c| c != Construction::Solid)
    }

    /// Whether a fineness or a carat figure can be about this metal.
    fn takes_fineness(&self) -> bool {
        matches!(self.says.metal, None | Some(Metal::Gold | Metal::Silver | Metal::Platinum))
    }
}

#[derive(Debug, Default)]
pub(super) struct Read {
    pub(super) statements: Vec<Found>,
    water: Vec<(super::Water, [usize; 2])>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Item {
    Material { metal: Option<Metal>, construction: Option<Construction>, part: Option<Part>, colour: bool },
    Part(PartWord),
    Carats(u8, u16),
    Fineness(u16),
    Microns(f64),
    Years(u32),
    Share([u32; 2]),
    Guarantee,
}

/// A stretch in which parts and metals belong together, and whether a sentence ends before it.
#[derive(Debug, Default)]
struct Segment {
    items: Vec<(Item, [usize; 2])>,
    fresh: bool,
}

/// In prose this many words that mean nothing here part a metal from a part.
const UNKNOWN_BETWEEN: usize = 2;

pub(super) fn read(tokens: &[Token], strictness: Strictness) -> Read {
    let vocabulary = &*VOCABULARY;
    let mut read = Read::default();
    let mut segments = vec![Segment { fresh: true, ..Segment::default() }];
    let mut unknown = 0;
    let mut at = 0;
    while at < tokens.len() {
        if let Some((item, last)) = item(vocabulary, tokens, at, strictness, segments.last().map(|s| &s.items[..])) {
            if unknown >= UNKNOWN_BETWEEN {
                segments.push(Segment { fresh: true, ..Segment::default() });
            }
            unknown = 0;
            if let Some(segment) = segments.last_mut() {
                segment.items.push((item, [at, last]));
            }
            at = last + 1;
            continue;
        }
        if let Some((Meaning::Water(wording), last)) = vocabulary.marks.longest(tokens, at) {
            read.water.push((wording, [at, last]));
            at = last + 1;
            continue;
        }
        let token = &tokens[at];
        match token.kind {
            Kind::Mark if matches!(token.text.as_str(), "," | "/" | "+" | "(" | ")" | "-" | "|" | "·" | "•") => {
                let glued = token.glued && tokens.get(at + 1).is_some_and(|next| next.glued);
                if token.text != "-" || !glued {
                    segments.push(Segment::default());
                }
            }
            Kind::Mark if matches!(token.text.as_str(), ";" | "!" | "?" | "\n") => {
                segments.push(Segment { fresh: true, ..Segment::default() });
            }
            Kind::Mark if token.text == "." && !token.glued => {}
            Kind::Mark if token.text == "." => {
                if tokens.get(at + 1).is_some_and(|next| !next.glued) && words::next(tokens, at - 1).is_none() {
                    segments.push(Segment { fresh: true, ..Segment::default() });
                }
            }
            Kind::Mark => {}
            _ if vocabulary.is(token, Role::With) => segments.push(Segment::default()),
            _ if [Role::Link, Role::Conjunction, Role::Watch].iter().any(|role| vocabulary.is(token, *role)) => {}
            _ => unknown += 1,
        }
        at += 1;
    }
    let mut carried: Option<(Vec<Part>, [usize; 2])> = None;
    for segment in segments {
        if segment.fresh {
            carried = None;
        }
        close(vocabulary, segment, &mut carried, &mut read.statements);
    }
    for found in &mut read.statements {
        settle(vocabulary, found);
    }
    read.statements.retain(|found| found.says.metal.is_some() || found.says != bare(&found.says));
    read
}

/// The statement with everything but its part taken away.
fn bare(says: &Statement) -> Statement {
    Statement { part: says.part, ..Statement::default() }
}

fn item(
    vocabulary: &Vocabulary,
    tokens: &[Token],
    at: usize,
    strictness: Strictness,
    before: Option<&[(Item, [usize; 2])]>,
) -> Option<(Item, usize)> {
    let before = before.unwrap_or_default();
    let token = &tokens[at];
    if token.kind == Kind::Number
        || (token.is(".") && tokens.get(at + 1).is_some_and(|n| n.glued && n.kind == Kind::Number))
    {
        return figure(vocabulary, tokens, at, strictness, before);
    }
    if token.kind != Kind::Word {
        return None;
    }
    if let Some((meaning, last)) = vocabulary.marks.longest(tokens, at) {
        return match meaning {
            Meaning::Material { metal, construction, part, colour } => {
                Some((Item::Material { metal, construction, part, colour }, last))
            }
            Meaning::Part(part) => Some((Item::Part(part), last)),
            Meaning::Guarantee => Some((Item::Guarantee, last)),
            Meaning::Water(_) => None,
        };
    }
    if vocabulary.is(token, Role::Gold) && is_gold(vocabulary, tokens, at) {
        let gold = Item::Material { metal: Some(Metal::Gold), construction: None, part: None, colour: false };
        return Some((gold, at));
    }
    let next = words::next(tokens, at)?;
    // "K18", "Kt 14".
    if vocabulary.is(token, Role::Carat) {
        let carats = vocabulary.carats(tokens[next].number()?)?;
        let unit_follows = words::next(tokens, next).is_some_and(|unit| vocabulary.is(&tokens[unit], Role::Carat));
        return (!unit_follows).then_some((Item::Carats(carats.carats, carats.parts), next));
    }
    // "plaqué or G 10": the letter stands for gold before its thickness.
    if token.is("g") && matches!(before.last(), Some((Item::Material { construction: Some(_), .. }, _))) {
        let microns = f64::from(tokens[next].number()?);
        let [least, most] = vocabulary.shared.figures.microns;
        return (least..=most).contains(&microns).then_some((Item::Microns(microns), next));
    }
    None
}

/// French "or" is English "or" too: gold where a figure follows, a French part stands before, or
/// nothing else is there.
fn is_gold(vocabulary: &Vocabulary, tokens: &[Token], at: usize) -> bool {
    let before = words::previous(tokens, at);
    let counted = before.is_some_and(|b| tokens[b].kind == Kind::Number);
    let part = before.is_some_and(|b| {
        matches!(vocabulary.marks.longest(tokens, b), Some((Meaning::Part(PartWord { leads: true, .. }), _)))
    });
    let figure = words::next(tokens, at).is_some_and(|n| tokens[n].kind == Kind::Number);
    tokens.len() == 1 || part || (figure && !counted)
}

fn figure(
    vocabulary: &Vocabulary,
    tokens: &[Token],
    at: usize,
    strictness: Strictness,
    items: &[(Item, [usize; 2])],
) -> Option<(Item, usize)> {
    let figures = &vocabulary.shared.figures;
    let before = at.checked_sub(1).map(|b| &tokens[b]);
    let number_before = before.is_some_and(|b| b.kind == Kind::Number);
    if (number_before && !tokens.get(at).is_some_and(|t| t.kind == Kind::Number))
        || before.is_some_and(|b| tokens[at].glued && matches!(b.text.as_str(), "." | ","))
    {
        return None;
    }
    if words::previous(tokens, at).is_some_and(|b| vocabulary.is(&tokens[b], Role::Numbered)) {
        return None;
    }
    // 0.750, 0,750, .750
    let leading = usize::from(tokens[at].kind == Kind::Number);
    let decimals = tokens
        .get(at + leading + 1)
        .filter(|d| d.kind == Kind::Number && d.glued && tokens[at + leading].glued_mark(leading, &[".", ","]));
    if let Some(decimals) = decimals {
        let last = at + leading + 1;
        if (leading == 0 || tokens[at].number() == Some(0))
            && let Some(parts) = fineness(vocabulary, decimals)
        {
            return Some((Item::Fineness(parts), last));
        }
        let value: f64 =
            format!("{}.{}", if leading == 1 { &tokens[at].text } else { "0" }, decimals.text).parse().ok()?;
        let unit = words::next(tokens, last)?;
        let [least, most] = figures.microns;
        return (vocabulary.is(&tokens[unit], Role::Micron) && (least..=most).contains(&value))
            .then_some((Item::Microns(value), unit));
    }
    let number = tokens[at].number()?;
    // 1/20, 585/000, 750/1000
    if let [slash, below, ..] = tokens.get(at + 1..)?
        && slash.is("/")
        && below.kind == Kind::Number
    {
        let [least, most] = figures.coating_share;
        if let Some(parts) = fineness(vocabulary, &tokens[at]).filter(|_| matches!(below.text.as_str(), "000" | "1000"))
        {
            return Some((Item::Fineness(parts), at + 2));
        }
        let share = below.number().filter(|below| number == 1 && (least..=most).contains(below));
        return share.map(|below| (Item::Share([1, below]), at + 2));
    }
    let next = words::next(tokens, at);
    if let Some(next) = next {
        let unit = &tokens[next];
        if vocabulary.is(unit, Role::Carat) {
            let carats = vocabulary.carats(number)?;
            return Some((Item::Carats(carats.carats, carats.parts), next));
        }
        if vocabulary.is(unit, Role::Micron) {
            let [least, most] = figures.microns;
            return (least..=most).contains(&number.into()).then_some((Item::Microns(number.into()), next));
        }
        if vocabulary.is(unit, Role::Year) {
            let [least, most] = figures.wear_years;
            return (least..=most).contains(&number).then_some((Item::Years(number), next));
        }
        let fused = unit.glued && unit.kind == Kind::Word;
        if fused && !vocabulary.is(unit, Role::DecadeAfter) || unit.kind == Kind::Number {
            return None;
        }
        if vocabulary.is(unit, Role::Quantity) || vocabulary.is(unit, Role::Jewel) {
            return None;
        }
        if fused {
            let parts = fineness(vocabulary, &tokens[at])?;
            return Some((Item::Fineness(parts), next));
        }
    }
    if number_before {
        return None;
    }
    let parts = fineness(vocabulary, &tokens[at])?;
    (strictness == Strictness::Mark || beside_metal(vocabulary, tokens, at, items))
        .then_some((Item::Fineness(parts), at))
}

impl Token {
    /// Whether this is one of `marks`, with nothing before it where something must stand there.
    fn glued_mark(&self, leading: usize, marks: &[&str]) -> bool {
        (leading == 0 || self.glued) && marks.contains(&self.text.as_str())
    }
}

fn fineness(vocabulary: &Vocabulary, token: &Token) -> Option<u16> {
    let parts = token.number().and_then(|n| u16::try_from(n).ok()).filter(|_| token.text.len() == 3)?;
    vocabulary.fineness(parts).map(|f| f.parts)
}

/// Whether carats or a precious metal stand right before or after the figure.
fn beside_metal(vocabulary: &Vocabulary, tokens: &[Token], at: usize, items: &[(Item, [usize; 2])]) -> bool {
    let precious = |metal| matches!(metal, None | Some(Metal::Gold | Metal::Silver | Metal::Platinum));
    let before = items.last().is_some_and(|(item, [_, last])| {
        words::previous(tokens, at) == Some(*last)
            && match item {
                Item::Material { metal, .. } => precious(*metal),
                Item::Carats(..) => true,
                _ => false,
            }
    });
    let after = words::next(tokens, at).and_then(|next| vocabulary.marks.longest(tokens, next));
    before || matches!(after, Some((Meaning::Material { metal: Some(metal), .. }, _)) if precious(Some(metal)))
}

/// Turns a segment's items into statements: which metal goes with which part.
fn close(
    vocabulary: &Vocabulary,
    segment: Segment,
    carried: &mut Option<(Vec<Part>, [usize; 2])>,
    statements: &mut Vec<Found>,
) {
    let guaranteed = segment.items.iter().any(|(item, _)| *item == Item::Guarantee);
    let is_part = |item: &Item| matches!(item, Item::Part(_));
    let mut runs: Vec<Run> = Vec::new();
    for (item, at) in segment.items.into_iter().filter(|(item, _)| *item != Item::Guarantee) {
        match runs.last_mut() {
            Some(run) if is_part(&item) == run.is_parts() => run.items.push((item, at)),
            _ => runs.push(Run { items: vec![(item, at)] }),
        }
    }
    // "Case: gold, 18 carats" goes on where the comma stopped it; "gold filled, 20 years" too.
    if let ([run], Some(last)) = (&runs[..], statements.last_mut())
        && !segment.fresh
        && run.continues(vocabulary, last, guaranteed)
    {
        for (item, at) in &run.items {
            apply(last, *item, *at);
        }
        return;
    }
    // "plaqué or fond acier" begins and ends with a metal: the language says whose the last is.
    let leading_metal = runs.len() > 2 && runs.len() % 2 == 1 && runs[1].leads();
    let runs = if leading_metal {
        statements.extend(runs.remove(0).metals(guaranteed));
        runs
    } else {
        runs
    };
    let parts_first = runs.first().is_some_and(Run::is_parts);
    let names_parts = runs.iter().any(Run::is_parts);
    if !names_parts {
        let metals = runs.first().map_or_else(Vec::new, |run| run.metals(guaranteed));
        match carried.take().filter(|_| !metals.is_empty()) {
            Some((parts, at)) => join(&parts, at, &metals, statements),
            None => statements.extend(metals),
        }
        return;
    }
    if let [run] = &runs[..] {
        *carried = Some((run.parts(), run.at()));
        return;
    }
    *carried = None;
    let last_is_parts = runs.last().is_some_and(Run::is_parts);
    let mut pending = runs.iter().peekable();
    if parts_first {
        while let Some(parts) = pending.next() {
            let Some(metals) = pending.next() else { break };
            let mut metals = metals.metals(guaranteed);
            // "bezel rolled gold stainless steel back": the order turns round on the way.
            if last_is_parts && metals.len() > 1 && pending.len() == 1 {
                let behind = metals.split_off(1);
                join(&parts.parts(), parts.at(), &metals, statements);
                if let Some(last) = pending.next() {
                    join(&last.parts(), last.at(), &behind, statements);
                }
                break;
            }
            join(&parts.parts(), parts.at(), &metals, statements);
        }
    } else {
        while let Some(metals) = pending.next() {
            let mut metals = metals.metals(guaranteed);
            match pending.next() {
                Some(parts) => {
                    // "gold plated, steel back" without its comma: only the nearest is the back's.
                    let near = metals.split_off(metals.len().saturating_sub(1));
                    statements.append(&mut metals);
                    join(&parts.parts(), parts.at(), &near, statements);
                }
                None => statements.append(&mut metals),
            }
        }
    }
}

/// Items of one kind in a row: parts, or what is said of metal.
struct Run {
    items: Vec<(Item, [usize; 2])>,
}

impl Run {
    fn is_parts(&self) -> bool {
        matches!(self.items.first(), Some((Item::Part(_), _)))
    }

    fn leads(&self) -> bool {
        matches!(self.items.first(), Some((Item::Part(PartWord { leads: true, .. }), _)))
    }

    fn parts(&self) -> Vec<Part> {
        let mut parts: Vec<Part> = Vec::new();
        for (item, _) in &self.items {
            if let Item::Part(PartWord { part, .. }) = item
                && !parts.contains(part)
            {
                parts.push(*part);
            }
        }
        parts
    }

    fn at(&self) -> [usize; 2] {
        let ends = |i: &(Item, [usize; 2])| i.1;
        let first = self.items.first().map(ends).unwrap_or_default();
        let last = self.items.last().map(ends).unwrap_or_default();
        [first[0], last[1]]
    }

    /// Whether all of it only adds to `last`.
    fn continues(&self, vocabulary: &Vocabulary, last: &Found, guaranteed: bool) -> bool {
        let agrees = |parts: u16| {
            last.takes_fineness()
                && vocabulary
                    .fineness(parts)
                    .is_some_and(|f| f.metal.is_none() || last.says.metal.is_none() || f.metal == last.says.metal)
        };
        self.items.iter().all(|(item, _)| match item {
            Item::Years(_) => last.says.years.is_none() && (last.is_coated() || guaranteed),
            Item::Microns(_) => last.says.microns.is_none() && last.is_coated(),
            Item::Share(_) => last.says.share.is_none() && last.is_coated(),
            Item::Fineness(parts) => last.says.fineness.is_none() && agrees(*parts),
            Item::Carats(..) => {
                last.says.carats.is_none() && last.takes_fineness() && last.says.metal != Some(Metal::Silver)
            }
            Item::Material { metal: None, construction: Some(_), part: None, .. } => last.says.construction.is_none(),
            _ => false,
        })
    }

    fn metals(&self, guaranteed: bool) -> Vec<Found> {
        let mut found: Vec<Found> = Vec::new();
        for (index, &(item, at)) in self.items.iter().enumerate() {
            let coated_later = || {
                self.items[index..].iter().any(|(later, _)| {
                    matches!(later, Item::Material { construction: Some(c), .. } if *c != Construction::Solid)
                })
            };
            let last = found.last().filter(|last| takes(last, item));
            // Years of service are no years of wear.
            if matches!(item, Item::Years(_)) && !guaranteed && !last.is_some_and(Found::is_coated) && !coated_later() {
                continue;
            }
            if last.is_none() {
                found.push(Found::default());
            }
            if let Some(last) = found.last_mut() {
                apply(last, item, at);
            }
        }
        found
    }
}

/// Whether `item` can belong to the statement so far.
fn takes(found: &Found, item: Item) -> bool {
    match item {
        Item::Carats(..) => found.says.carats.is_none() && found.takes_fineness(),
        Item::Fineness(_) => found.says.fineness.is_none() && found.takes_fineness(),
        Item::Microns(_) => found.says.microns.is_none() && found.says.metal != Some(Metal::Steel),
        Item::Years(_) => found.says.years.is_none() && found.says.metal != Some(Metal::Steel),
        Item::Share(_) => found.says.share.is_none() && !found.named,
        Item::Material { metal, construction, part, .. } => {
            let same_metal = found.says.metal.is_none() || metal.is_none() || found.says.metal == metal;
            let other_way =
                found.says.construction.is_some() && construction.is_some() && found.says.construction != construction;
            // A figure alone may still turn out to be of any precious metal.
            let precious = matches!(metal, None | Some(Metal::Gold | Metal::Silver | Metal::Platinum));
            let figures = found.says.carats.is_some() || found.says.fineness.is_some() || found.says.share.is_some();
            let other_part = found.says.part.is_some() && part.is_some();
            same_metal && !other_way && !other_part && (precious || !figures)
        }
        Item::Part(_) | Item::Guarantee => false,
    }
}

fn apply(found: &mut Found, item: Item, at: [usize; 2]) {
    let says = &mut found.says;
    match item {
        Item::Material { metal, construction, part, colour } => {
            says.metal = says.metal.or(metal);
            says.construction = says.construction.or(construction);
            says.part = says.part.or(part);
            found.named |= metal.is_some();
            found.colour |= colour;
        }
        Item::Carats(carats, _) => says.carats = Some(carats),
        Item::Fineness(parts) => says.fineness = Some(parts),
        Item::Microns(microns) => says.microns = Some(microns),
        Item::Years(years) => says.years = Some(years),
        Item::Share(share) => says.share = Some(share),
        Item::Part(_) | Item::Guarantee => {}
    }
    found.reach(at);
}

fn join(parts: &[Part], at: [usize; 2], metals: &[Found], statements: &mut Vec<Found>) {
    for part in parts {
        for metal in metals {
            let mut found = metal.clone();
            if found.says.part.is_none() {
                found.says.part = Some(*part);
                found.reach(at);
            }
            statements.push(found);
        }
    }
}

/// What follows from the figures: fineness from carats, the metal from either, a coating from
/// its thickness or its years.
fn settle(vocabulary: &Vocabulary, found: &mut Found) {
    let says = &mut found.says;
    if let Some(carats) = says.carats {
        says.fineness = says.fineness.or_else(|| vocabulary.carats(carats.into()).map(|c| c.parts));
        says.metal = says.metal.or(Some(Metal::Gold));
    }
    if let (None, Some(parts)) = (says.metal, says.fineness) {
        says.metal = vocabulary.fineness(parts).and_then(|f| f.metal);
    }
    if says.construction.is_none() || says.construction == Some(Construction::Solid) {
        if says.microns.is_some() {
            says.construction = Some(Construction::Plated);
        } else if says.years.is_some() || says.share.is_some() {
            says.construction = Some(Construction::Coated);
        }
    }
}

//! The comparisons, one function each: facts in, calls with their reasons out.

use super::book::{Book, Calibre, Check, Numbers, Reference, Winding};
use super::words::{Metal, Part, Promise, Rules, Water, find, fold, ligne_mm, tokens};
use super::{Facts, Reason};
use crate::observe::Call;

type Found = Vec<(&'static str, Call, Reason)>;

const CLAIMS: &str = "dial_claims_vs_movement";
const CALIBRE: &str = "movement_calibre_wrong";
const NAME: &str = "dial_name_never_used";
const COLOUR: &str = "dial_colour_never_made";
const NAMES: &str = "dial_case_names_clash";
const YEARS: &str = "movement_number_years_clash";
const GOLD: &str = "case_gold_marks_missing";
const WORDING: &str = "back_wording_describes_another_case";
const BEZEL: &str = "bezel_metal_clash";
const CASED: &str = "back_cased_by_another";
const RING: &str = "movement_ring_makeshift";
const BACK: &str = "back_reference_not_this_watch";
const WATER: &str = "back_water_wording_clash";

/// Every call of every check that has something to say.
pub(crate) fn run(book: &Book, facts: &Facts) -> Found {
    let rules = Rules::builtin();
    let maker = facts.maker.as_deref();
    let reference = maker.zip(facts.reference.as_deref()).and_then(|(m, r)| book.reference(m, r));
    let calibre = facts.calibre.as_deref().and_then(|c| book.calibre(maker, c));
    let mut bench = Bench { rules, book, facts, reference, calibre, found: Vec::new() };
    bench.dial_claims();
    bench.calibre_in_reference();
    bench.dial_names();
    bench.dial_colour();
    bench.years();
    bench.gold_marks();
    bench.case_wording();
    bench.bezel_metal();
    bench.cased_by();
    bench.diameters();
    bench.back_reference();
    bench.water();
    bench.found
}

struct Bench<'a> {
    rules: &'static Rules,
    book: &'a Book,
    facts: &'a Facts,
    reference: Option<&'a Reference>,
    calibre: Option<&'a Calibre>,
    found: Found,
}

/// A mark, where it stands, and what it says of which part.
struct Mark<'a> {
    at: String,
    text: &'a str,
    part: Part,
    metal: Metal,
}

impl<'a> Bench<'a> {
    /// Whether the book lets a check speak.
    fn speaks(&self, check: Check) -> bool {
        use Check as C;
        let told = |silent: &[Check]| silent.contains(&check);
        if self.calibre.is_some_and(|c| told(&c.silent)) {
            return false;
        }
        let Some(r) = self.reference else { return true };
        let uncased = r.sold_uncased && matches!(check, C::CasedBy | C::BackReference | C::BackWording | C::Years);
        let changing = r.transitional.is_some_and(|t| self.facts.years.is_none_or(|y| apart(t, y) == 0))
            && matches!(
                check,
                C::Calibre | C::DialNames | C::DialColours | C::DialCaseNames | C::Years | C::Water | C::BackReference
            );
        !(told(&r.silent) || uncased || changing)
    }

    fn add(&mut self, sign: &'static str, call: Call, because: String, facts: [&str; 2]) {
        let facts = facts.map(|f| format!("/watch{f}"));
        self.found.push((sign, call, Reason { because, facts }));
    }

    /// The reference as it was stated, in the book's spelling.
    fn name(&self, r: &Reference) -> String {
        format!("{} {}", r.maker, r.reference)
    }

    fn dial_claims(&mut self) {
        if !self.speaks(Check::DialClaims) {
            return;
        }
        let facts = self.facts;
        for (i, line) in facts.dial_text.iter().enumerate() {
            let at = format!("/facts/dial_text/{i}");
            let dial = quoted(line);
            if let Some(jewels) = self.rules.jewels(line) {
                self.dial_jewels(jewels, &dial, &at);
            }
            let Some(c) = self.calibre else { continue };
            for p in self.rules.promises(line) {
                let name = &c.calibre;
                let (kept, broken, good) = match p.kind {
                    Promise::SelfWinding => (
                        c.winding.map(|w| w == Winding::SelfWinding),
                        format!("calibre {name} is wound by hand"),
                        format!("calibre {name} winds itself"),
                    ),
                    Promise::Date => {
                        (c.date, format!("calibre {name} shows no date"), format!("calibre {name} shows the date"))
                    }
                    Promise::Chronometer => (
                        c.chronometer,
                        format!("calibre {name} was not made in chronometer grade"),
                        format!("calibre {name} was made in chronometer grade"),
                    ),
                    Promise::TwoBarrels => (
                        c.barrels.map(|b| b > 1),
                        format!("calibre {name} has one barrel"),
                        format!("calibre {name} has more than one barrel"),
                    ),
                    Promise::StopSeconds => (
                        c.stop_seconds,
                        format!("calibre {name} does not stop its seconds"),
                        format!("calibre {name} stops its seconds"),
                    ),
                    Promise::Shock => (
                        c.shock,
                        format!("calibre {name} has no shock protection"),
                        format!("calibre {name} has shock protection"),
                    ),
                    Promise::Antimagnetic => (
                        c.antimagnetic,
                        format!("calibre {name} is not protected from magnets"),
                        format!("calibre {name} is protected from magnets"),
                    ),
                };
                let facts = [at.as_str(), "/facts/calibre"];
                match kept {
                    Some(false) => self.add(CLAIMS, Call::Present, format!("The dial says {dial}; {broken}."), facts),
                    Some(true) if p.told => {
                        self.add(CLAIMS, Call::Absent, format!("The dial says {dial}; {good}."), facts);
                    }
                    _ => {}
                }
            }
        }
    }

    /// What is engraved counts before what the book says of the calibre.
    fn dial_jewels(&mut self, jewels: u32, dial: &str, at: &str) {
        if let Some(engraved) = self.facts.jewels {
            let call = if engraved == jewels { Call::Absent } else { Call::Present };
            let because = format!("The dial says {dial}; {engraved} jewels are engraved on the movement.");
            self.add(CLAIMS, call, because, [at, "/facts/jewels"]);
        } else if let Some(c) = self.calibre.filter(|c| !c.jewels.is_empty()) {
            let made = listed(c.jewels.iter().map(ToString::to_string));
            let call = if c.jewels.contains(&jewels) { Call::Absent } else { Call::Present };
            let because = format!("The dial says {dial}; calibre {} was made with {made} jewels.", c.calibre);
            self.add(CLAIMS, call, because, [at, "/facts/calibre"]);
        }
    }

    fn calibre_in_reference(&mut self) {
        let (Some(r), Some(stated)) = (self.reference, self.facts.calibre.as_deref()) else { return };
        if r.calibres.is_empty() || !self.speaks(Check::Calibre) {
            return;
        }
        let Some(allowed) = self.allowed(r, stated) else { return };
        let name = self.name(r);
        let facts = ["/facts/calibre", "/reference"];
        if allowed {
            let because = format!("The movement is stated to be calibre {stated}; the book gives it for {name}.");
            self.add(CALIBRE, Call::Absent, because, facts);
        } else {
            let given = listed(r.calibres.iter().cloned());
            let because = format!("The movement is stated to be calibre {stated}; for {name} the book gives {given}.");
            self.add(CALIBRE, Call::Present, because, facts);
        }
    }

    /// Whether the book allows a calibre; `None` for one that differs from an allowed one by letters
    /// at its end alone, as variants of one calibre do.
    fn allowed(&self, r: &Reference, stated: &str) -> Option<bool> {
        let key = |c: &str| self.rules.calibre_key(c, Some(&r.maker));
        let stated = key(stated);
        let allowed: Vec<String> = r.calibres.iter().map(|c| key(c)).collect();
        let variant = |a: &str, b: &str| {
            a.strip_prefix(b).or_else(|| b.strip_prefix(a)).is_some_and(|rest| rest.chars().all(char::is_alphabetic))
        };
        if allowed.contains(&stated) {
            Some(true)
        } else if allowed.iter().any(|a| variant(a, &stated)) {
            None
        } else {
            Some(false)
        }
    }

    /// Names that the dial carries: the one stated, and those in its lines that the book knows.
    fn names_on_dial(&self) -> Vec<(String, String)> {
        let stated = self.facts.dial_name.iter().map(|n| ("/facts/dial_name".to_owned(), n.clone()));
        let known: Vec<&String> = match &self.facts.maker {
            Some(m) => self.book.of_maker(m).flat_map(|r| &r.dial_names).collect(),
            None => Vec::new(),
        };
        let in_lines = self.facts.dial_text.iter().enumerate().flat_map(|(i, line)| {
            let words = tokens(line);
            known
                .iter()
                .filter(move |n| find(&words, &fold(n)).is_some())
                .map(move |n| (format!("/facts/dial_text/{i}"), (*n).clone()))
        });
        let mut names: Vec<(String, String)> = stated.chain(in_lines).collect();
        names.sort_by(|a, b| (fold(&a.1), &a.0).cmp(&(fold(&b.1), &b.0)));
        names.dedup_by(|a, b| fold(&a.1) == fold(&b.1) && a.0 == b.0);
        names
    }

    fn dial_names(&mut self) {
        let Some(maker) = self.facts.maker.clone() else { return };
        for (at, name) in self.names_on_dial() {
            self.dial_name(&maker, &at, &name);
        }
        self.two_makers(&maker);
    }

    fn dial_name(&mut self, maker: &str, at: &str, name: &str) {
        let key = fold(name);
        let bears = |r: &&Reference| r.dial_names.iter().any(|n| fold(n) == key);
        let bearers: Vec<&Reference> = self.book.of_maker(maker).filter(bears).collect();
        let known_by = || listed(bearers.iter().map(|r| r.reference.clone()));
        let dial = quoted(name);
        if let Some(r) = self.reference.filter(|r| !r.dial_names.is_empty()) {
            let own = key == fold(maker) || r.second_brands.iter().any(|b| fold(b) == key);
            if !own && !bears(&r) {
                let facts = [at, "/reference"];
                if bearers.is_empty() {
                    if self.speaks(Check::DialNames) {
                        let given = listed(r.dial_names.iter().map(|n| quoted(n)));
                        let because = format!("The dial is named {dial}; for {} the book gives {given}.", self.name(r));
                        self.add(NAME, Call::Present, because, facts);
                    }
                } else if self.speaks(Check::DialCaseNames) {
                    let because = format!(
                        "The dial is named {dial}, which the book gives for {}; the watch is offered as {}.",
                        known_by(),
                        self.name(r)
                    );
                    self.add(NAMES, Call::Present, because, facts);
                }
            }
        }
        let Some(on_case) = self.facts.case_name.clone() else { return };
        let case_key = fold(&on_case);
        let stands = |r: &&Reference| r.dial_names.iter().chain(&r.inscriptions).any(|n| fold(n) == case_key);
        let cases: Vec<&Reference> = self.book.of_maker(maker).filter(stands).collect();
        if bearers.is_empty() || cases.is_empty() || !self.speaks(Check::DialCaseNames) {
            return;
        }
        let facts = [at, "/facts/case_name"];
        let case = quoted(&on_case);
        if cases.iter().any(bears) {
            let because = format!("The dial is named {dial} and the case {case}; the book has both on one reference.");
            self.add(NAMES, Call::Absent, because, facts);
        } else {
            let because = format!(
                "The dial is named {dial}, which the book gives for {}; the case is named {case}, which it gives for {}.",
                known_by(),
                listed(cases.iter().map(|r| r.reference.clone()))
            );
            self.add(NAMES, Call::Present, because, facts);
        }
    }

    /// Another maker's name on the dial.
    fn two_makers(&mut self, maker: &str) {
        if !self.speaks(Check::DialNames) {
            return;
        }
        let own = fold(maker);
        let data = self.book.data();
        let mut makers: Vec<(String, &str)> =
            data.references.iter().map(|r| (fold(&r.maker), r.maker.as_str())).collect();
        makers.sort();
        makers.dedup_by(|a, b| a.0 == b.0);
        let sold_as = |key: &str| {
            self.book.of_maker(maker).any(|r| r.second_brands.iter().chain(&r.dial_names).any(|b| fold(b) == key))
        };
        makers.retain(|(key, _)| *key != own && !own.contains(key.as_str()) && !sold_as(key));
        let lines: Vec<(String, String)> = self
            .facts
            .dial_text
            .iter()
            .enumerate()
            .map(|(i, t)| (format!("/facts/dial_text/{i}"), t.clone()))
            .chain(self.facts.dial_name.iter().map(|n| ("/facts/dial_name".to_owned(), n.clone())))
            .collect();
        for (at, line) in lines {
            let words = tokens(&line);
            if let Some((_, other)) = makers.iter().find(|(key, _)| find(&words, key).is_some()) {
                let because = format!(
                    "The dial says {}, and the book knows {other} as another maker; the watch is offered as {maker}.",
                    quoted(&line)
                );
                self.add(NAME, Call::Present, because, [&at, "/maker"]);
            }
        }
    }

    fn dial_colour(&mut self) {
        let (Some(r), Some(colour)) = (self.reference, self.facts.dial_colour.as_deref()) else { return };
        if r.dial_colours.is_empty() || !self.speaks(Check::DialColours) {
            return;
        }
        if self.rules.colour_fits(colour, &r.dial_colours) == Some(false) {
            let given = listed(r.dial_colours.iter().cloned());
            let because = format!("The dial is stated to be {colour}; for {} the book gives {given}.", self.name(r));
            self.add(COLOUR, Call::Present, because, ["/facts/dial_colour", "/reference"]);
        }
    }

    fn years(&mut self) {
        if !self.speaks(Check::Years) {
            return;
        }
        let slack = self.rules.tolerances.years;
        let facts = self.facts;
        let clash = |a: [i32; 2], b: [i32; 2]| apart(a, b) > slack;
        let dated = |number: &Option<String>, table: &[Numbers]| {
            number.as_deref().and_then(|n| Some((n.to_owned(), date(n, table)?)))
        };
        let reference = self.reference.and_then(|r| Some((self.name(r), r.years?)));
        let serial = self.reference.and_then(|r| dated(&facts.serial, &r.serials));
        let movement = self.calibre.and_then(|c| dated(&facts.movement_number, &c.numbers));
        let calibre = self.calibre.and_then(|c| Some((c.calibre.clone(), c.years?)));

        if let Some((number, years)) = &movement {
            let says = format!("Movement number {number} dates to {}", span(*years));
            let at = "/facts/movement_number";
            if let Some(stated) = facts.years.filter(|y| clash(*years, *y)) {
                let because = format!("{says}; the watch is stated to be from {}.", span(stated));
                self.add(YEARS, Call::Present, because, [at, "/years"]);
            }
            if let Some((name, made)) = &reference {
                let call = if clash(*years, *made) { Call::Present } else { Call::Absent };
                let because = format!("{says}; the book gives {} for {name}.", span(*made));
                self.add(YEARS, call, because, [at, "/reference"]);
            }
            if let Some((case, made)) = &serial {
                let call = if clash(*years, *made) { Call::Present } else { Call::Absent };
                let because = format!("{says}; case number {case} dates to {}.", span(*made));
                self.add(YEARS, call, because, [at, "/facts/serial"]);
            }
        }
        if let Some((number, years)) = &serial {
            let says = format!("Number {number} dates to {}", span(*years));
            let at = "/facts/serial";
            if let Some(stated) = facts.years.filter(|y| clash(*years, *y)) {
                let because = format!("{says}; the watch is stated to be from {}.", span(stated));
                self.add(YEARS, Call::Present, because, [at, "/years"]);
            }
            if let Some((name, made)) = reference.as_ref().filter(|(_, made)| clash(*years, *made)) {
                let because = format!("{says}; the book gives {} for {name}.", span(*made));
                self.add(YEARS, Call::Present, because, [at, "/reference"]);
            }
            if let Some((name, made)) = calibre.as_ref().filter(|(_, made)| clash(*years, *made)) {
                let because = format!("{says}; calibre {name} was made in {}.", span(*made));
                self.add(YEARS, Call::Present, because, [at, "/facts/calibre"]);
            }
        }
        let Some((name, made)) = &calibre else { return };
        let says = format!("Calibre {name} was made in {}", span(*made));
        if let Some(stated) = facts.years.filter(|y| clash(*made, *y)) {
            // Where the reference's years go with the calibre's, only the seller's dating is off.
            if reference.as_ref().is_none_or(|(_, years)| clash(*made, *years)) {
                let because = format!("{says}; the watch is stated to be from {}.", span(stated));
                self.add(YEARS, Call::Present, because, ["/facts/calibre", "/years"]);
            }
        }
        // A list of calibres says more than years do.
        if self.reference.is_some_and(|r| r.calibres.is_empty())
            && let Some((reference, years)) = reference.as_ref().filter(|(_, years)| clash(*made, *years))
        {
            let because = format!("{says}; the book gives {} for {reference}.", span(*years));
            self.add(YEARS, Call::Present, because, ["/facts/calibre", "/reference"]);
        }
    }

    /// What the marks say, those in and on the case, the back and the bezel.
    fn marks(&self) -> Vec<Mark<'a>> {
        let f = self.facts;
        let lists = [("case_marks", &f.case_marks, None), ("back_marks", &f.back_marks, Some(Part::Back))]
            .into_iter()
            .chain([("bezel_marks", &f.bezel_marks, Some(Part::Bezel))]);
        let rules = self.rules;
        lists
            .flat_map(|(list, marks, on)| marks.iter().enumerate().map(move |(i, text)| (list, i, text, on)))
            .flat_map(|(list, i, text, on)| {
                rules.mark(text).into_iter().map(move |(part, metal)| Mark {
                    at: format!("/facts/{list}/{i}"),
                    text,
                    // What stands on the bezel speaks of the bezel; what stands in the back may
                    // speak of the whole case.
                    part: if part == Part::Unsaid && on == Some(Part::Bezel) { Part::Bezel } else { part },
                    metal,
                })
            })
            .collect()
    }

    fn gold_marks(&mut self) {
        if self.facts.gold_claimed != Some(true) || !self.speaks(Check::GoldMarks) {
            return;
        }
        let marks: Vec<Mark<'_>> = self.marks().into_iter().filter(|m| m.part != Part::Bezel).collect();
        let gold = marks.iter().any(|m| m.metal == Metal::SolidGold && m.part != Part::Back);
        for m in &marks {
            let facts = ["/traits/gold_claimed", m.at.as_str()];
            let text = quoted(m.text);
            match m.metal {
                Metal::SolidGold => {
                    let because = format!("The watch is offered as solid gold; a mark reads {text}.");
                    self.add(GOLD, Call::Absent, because, facts);
                }
                // Beside a case marked for its gold, other words may speak of the back alone.
                _ if gold && m.part == Part::Back => {}
                Metal::Steel if gold && m.part == Part::Unsaid => {}
                metal => {
                    let because = format!(
                        "The watch is offered as solid gold; a mark reads {text}, which means {}.",
                        metal.says()
                    );
                    self.add(GOLD, Call::Present, because, facts);
                }
            }
        }
    }

    fn case_wording(&mut self) {
        if !self.speaks(Check::BackWording) {
            return;
        }
        let marks = self.marks();
        if let Some((r, made)) = self.reference.and_then(|r| Some((r, self.rules.metals(&r.metals)?))) {
            for m in marks.iter().filter(|m| !m.at.contains("bezel_marks")) {
                let fits = made.contains(&m.metal)
                    // Steel backs go with coated and base-metal cases, and many say "steel" alone.
                    || (m.metal == Metal::Steel
                        && matches!(m.part, Part::Back | Part::Unsaid)
                        && (made.contains(&Metal::Coated) || made.contains(&Metal::Base)));
                if !fits {
                    let because = format!(
                        "A mark reads {}, which means {}; for {} the book gives {}.",
                        quoted(m.text),
                        m.metal.says(),
                        self.name(r),
                        listed(r.metals.iter().cloned())
                    );
                    self.add(WORDING, Call::Present, because, [&m.at, "/reference"]);
                }
            }
        }
        // Two marks that name one part and two metals.
        for (i, a) in marks.iter().enumerate() {
            for b in &marks[i + 1..] {
                let one = a.part == b.part && matches!(a.part, Part::Bezel | Part::Case);
                let apart = a.metal != b.metal && a.at != b.at;
                // Of two bezel marks one must stand elsewhere, or it is the bezel against itself.
                let elsewhere = !(a.at.contains("bezel_marks") && b.at.contains("bezel_marks"));
                if one && apart && elsewhere && !self.two_tone() {
                    let part = if a.part == Part::Bezel { "bezel" } else { "case" };
                    let (first, second) = if a.text <= b.text { (a, b) } else { (b, a) };
                    let because = format!(
                        "One mark says of the {part} {}; another says {}.",
                        quoted(first.text),
                        quoted(second.text)
                    );
                    self.add(WORDING, Call::Present, because, [&first.at, &second.at]);
                }
            }
        }
    }

    fn two_tone(&self) -> bool {
        self.reference.and_then(|r| self.rules.metals(&r.metals)).is_some_and(|m| m.len() > 1)
    }

    fn bezel_metal(&mut self) {
        if !self.speaks(Check::BezelMetal) || self.two_tone() {
            return;
        }
        let marks = self.marks();
        for bezel in marks.iter().filter(|m| m.part == Part::Bezel) {
            for other in marks.iter().filter(|m| m.part == Part::Unsaid || m.part == Part::Case) {
                // A back that says "steel" and no part may speak of itself, as under a coated bezel.
                let itself = other.part == Part::Unsaid && other.metal == Metal::Steel && bezel.metal == Metal::Coated;
                if bezel.metal != other.metal && bezel.at != other.at && !itself {
                    let because = format!(
                        "The bezel is marked {}, which means {}; the case is marked {}, which means {}.",
                        quoted(bezel.text),
                        bezel.metal.says(),
                        quoted(other.text),
                        other.metal.says()
                    );
                    self.add(BEZEL, Call::Present, because, [&bezel.at, &other.at]);
                }
            }
        }
    }

    fn cased_by(&mut self) {
        let Some(r) = self.reference.filter(|r| !r.cased_by.is_empty()) else { return };
        if self.facts.cased_by_maker == Some(false) || !self.speaks(Check::CasedBy) {
            return;
        }
        let right = |firm: &str| r.cased_by.iter().any(|c| fold(c) == fold(firm));
        let given = listed(r.cased_by.iter().cloned());
        let name = self.name(r);
        let mut named: Vec<(String, String)> =
            self.facts.cased_by.iter().map(|f| ("/facts/cased_by".to_owned(), f.clone())).collect();
        // A casing firm that the book knows, read in a mark.
        let mut firms: Vec<&String> = self.book.data().references.iter().flat_map(|r| &r.cased_by).collect();
        firms.sort();
        firms.dedup_by(|a, b| fold(a) == fold(b));
        for (list, marks) in [("case_marks", &self.facts.case_marks), ("back_marks", &self.facts.back_marks)] {
            for (i, mark) in marks.iter().enumerate() {
                let words = tokens(mark);
                let known = firms.iter().filter(|f| find(&words, &fold(f)).is_some());
                named.extend(known.map(|f| (format!("/facts/{list}/{i}"), (*f).clone())));
            }
        }
        // The watch's own maker on its back is no casing firm.
        named.retain(|(_, firm)| right(firm) || (fold(firm) != fold(&r.maker) && !is_brand(r, firm)));
        for (at, firm) in named {
            let call = if right(&firm) { Call::Absent } else { Call::Present };
            let because = format!("The back names {firm} as casing firm; for {name} the book gives {given}.");
            self.add(CASED, call, because, [&at, "/reference"]);
        }
    }

    fn diameters(&mut self) {
        if !self.speaks(Check::Diameter) {
            return;
        }
        let t = &self.rules.tolerances;
        let (same, other, walls) =
            (ligne_mm(t.same_movement_lignes), ligne_mm(t.other_movement_lignes), 2.0 * t.case_wall_mm);
        let usable = |mm: &f64| mm.is_finite() && *mm > 0.0;
        let measured = self.facts.movement_diameter_mm.filter(usable);
        let of_calibre = self.calibre.and_then(|c| Some((c.calibre.clone(), c.size_mm()?)));
        let measures = measured.map(|mm| ("/facts/movement_diameter_mm", format!("The movement measures {mm} mm"), mm));
        if let (Some((at, says, mm)), Some((name, size))) = (&measures, &of_calibre)
            && (mm - size).abs() > same
        {
            let because = format!("{says}; calibre {name} measures {}.", both(*size));
            self.add(CALIBRE, Call::Present, because, [at, "/facts/calibre"]);
        }
        let nominal = || {
            let (name, mm) = of_calibre.as_ref()?;
            Some(("/facts/calibre", format!("Calibre {name} measures {}", both(*mm)), *mm))
        };
        let Some((at, says, mm)) = measures.or_else(nominal) else { return };
        if let Some(case) = self.facts.case_diameter_mm.filter(usable).filter(|case| mm + walls > *case) {
            let because = format!("{says}; the case measures {case} mm, too little to hold it.");
            self.add(CALIBRE, Call::Present, because, [at, "/case_diameter_mm"]);
        }
        // A nominal size adds nothing to the list of calibres: only a measured one is a fact of its own.
        if at == "/facts/calibre" || !self.speaks(Check::Calibre) {
            return;
        }
        let Some((name, (least, most))) = self.reference.and_then(|r| Some((self.name(r), self.fitted(r)?))) else {
            return;
        };
        if mm < least - other {
            let because = format!("{says}; the smallest movement the book gives for {name} measures {}.", both(least));
            self.add(RING, Call::Present, because, [at, "/reference"]);
        } else if mm > most + other {
            let because = format!("{says}; the largest movement the book gives for {name} measures {}.", both(most));
            self.add(CALIBRE, Call::Present, because, [at, "/reference"]);
        }
    }

    /// The smallest and the largest movement of a reference, where the book has the size of all.
    fn fitted(&self, r: &Reference) -> Option<(f64, f64)> {
        let sizes: Option<Vec<f64>> =
            r.calibres.iter().map(|c| self.book.calibre(Some(&r.maker), c)?.size_mm()).collect();
        let sizes = sizes.filter(|s| !s.is_empty())?;
        let least = sizes.iter().copied().fold(f64::INFINITY, f64::min);
        let most = sizes.iter().copied().fold(0.0, f64::max);
        Some((least, most))
    }

    fn back_reference(&mut self) {
        let (Some(maker), Some(stated)) = (&self.facts.maker, &self.facts.reference) else { return };
        if !self.speaks(Check::BackReference) {
            return;
        }
        let own = fold(stated);
        let right = |mark: &str| {
            let mark = fold(mark);
            mark == own || self.reference.is_some_and(|r| r.inscriptions.iter().any(|i| fold(i) == mark))
        };
        let mut add = Vec::new();
        if let Some(back) = &self.facts.back_reference {
            // A longer form of one number, as with a case variant's suffix, is no other number.
            let key = fold(back);
            let longer = !key.is_empty() && (key.starts_with(&own) || own.starts_with(&key));
            if right(back) || !longer {
                add.push(("/facts/back_reference".to_owned(), back.clone(), right(back)));
            }
        }
        for (list, marks) in [("case_marks", &self.facts.case_marks), ("back_marks", &self.facts.back_marks)] {
            for (i, mark) in marks.iter().enumerate() {
                let other = || self.book.reference(maker, mark).is_some();
                if right_number(mark, &own) || (!right(mark) && other()) {
                    add.push((format!("/facts/{list}/{i}"), mark.clone(), right(mark)));
                }
            }
        }
        for (at, mark, right) in add {
            if right && !self.tied() {
                continue;
            }
            let call = if right { Call::Absent } else { Call::Present };
            let mark = quoted(&mark);
            let because = format!("The back carries the reference {mark}; the watch is offered as {maker} {stated}.");
            self.add(BACK, call, because, [&at, "/reference"]);
        }
    }

    /// Whether something beside its number ties the watch to its reference. Without that, the
    /// reference may have been read in the back, and agrees with itself.
    fn tied(&self) -> bool {
        let Some(r) = self.reference else { return false };
        let calibre = self.facts.calibre.as_deref().is_some_and(|c| self.allowed(r, c) == Some(true));
        let named = |name: &str| r.dial_names.iter().any(|n| fold(n) == fold(name));
        calibre || self.names_on_dial().iter().any(|(_, n)| named(n))
    }

    fn water(&mut self) {
        if !self.speaks(Check::Water) {
            return;
        }
        let read = |list: &str, lines: &[String]| -> Vec<(String, String, Water)> {
            let read = |(i, text): (usize, &String)| {
                Some((format!("/facts/{list}/{i}"), quoted(text), self.rules.water(text)?))
            };
            lines.iter().enumerate().filter_map(read).collect()
        };
        let dial = read("dial_text", &self.facts.dial_text);
        let back: Vec<_> =
            [read("back_marks", &self.facts.back_marks), read("case_marks", &self.facts.case_marks)].concat();
        let share = self.rules.tolerances.depth_share;
        for (dial_at, on_dial, d) in &dial {
            for (back_at, on_back, b) in &back {
                let words = d.proof.zip(b.proof).map(|(d, b)| d == b);
                let depths = d.depth_m.zip(b.depth_m).map(|(d, b)| (d - b).abs() <= share * d.max(b));
                let call = match (words, depths) {
                    (Some(false), _) | (_, Some(false)) => Call::Present,
                    (None, None) => continue,
                    _ => Call::Absent,
                };
                let because = format!("The dial says {on_dial}; the back says {on_back}.");
                self.add(WATER, call, because, [dial_at, back_at]);
            }
        }
    }
}

fn is_brand(r: &Reference, name: &str) -> bool {
    r.second_brands.iter().any(|b| fold(b) == fold(name))
}

/// Whether a mark is the reference itself and not merely one of the case's inscriptions.
fn right_number(mark: &str, own: &str) -> bool {
    !own.is_empty() && fold(mark) == own
}

/// Years between two spans of years; 0 where they meet.
fn apart(a: [i32; 2], b: [i32; 2]) -> i32 {
    a[0].saturating_sub(b[1]).max(b[0].saturating_sub(a[1])).max(0)
}

/// The years in which a number was given out. A number with letters is none that a table holds.
fn date(number: &str, table: &[Numbers]) -> Option<[i32; 2]> {
    let n: u64 = fold(number).parse().ok()?;
    table.iter().find(|t| (t.from..=t.to).contains(&n)).map(|t| t.years)
}

fn span([from, to]: [i32; 2]) -> String {
    if from == to { from.to_string() } else { format!("{from} to {to}") }
}

/// A diameter in both measures of the trade.
fn both(mm: f64) -> String {
    format!("{mm:.1} mm ({:.1} lignes)", mm / super::LIGNE_MM)
}

/// The most of a text that is repeated in a reason, in characters.
const QUOTED: usize = 80;

fn quoted(text: &str) -> String {
    let short: String = text.chars().take(QUOTED).collect();
    let more = if short.len() < text.len() { "…" } else { "" };
    format!("“{short}{more}”")
}

/// `a, b or c`, sorted, each once.
fn listed(names: impl Iterator<Item = String>) -> String {
    let mut names: Vec<String> = names.collect();
    names.sort();
    names.dedup();
    let last = names.pop().unwrap_or_default();
    if names.is_empty() { last } else { format!("{} or {last}", names.join(", ")) }
}

//! The reference book: what its owner knows of references and calibres.

use super::words::{Rules, fold, ligne_mm};
use serde::{Deserialize, Deserializer, Serialize};
use std::collections::HashSet;
use std::fmt;

/// The trade's measure of a movement, in mm: a metre is 443.296 lignes (French law of 1799).
pub const LIGNE_MM: f64 = 1000.0 / 443.296;

/// A check that the book can tell to keep silent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ReferenceCheck))]
#[serde(rename_all = "snake_case")]
pub enum Check {
    /// What the dial promises against the calibre.
    DialClaims,
    /// The calibre against the reference.
    Calibre,
    /// Names on the dial against the reference.
    DialNames,
    /// The dial's colour against the reference.
    DialColours,
    /// The name on the dial against the model of the case.
    DialCaseNames,
    /// Numbers and years against calibre and reference.
    Years,
    /// Case marks against a claim of solid gold.
    GoldMarks,
    /// What the back says of the metal.
    BackWording,
    /// The bezel's marks against the back's.
    BezelMetal,
    /// Who cased it.
    CasedBy,
    /// The movement's diameter against calibre and case.
    Diameter,
    /// The reference inside the back.
    BackReference,
    /// Water wording on the back against the dial.
    Water,
}

/// How a movement is wound.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = CalibreWinding))]
#[serde(rename_all = "snake_case")]
pub enum Winding {
    /// At the crown alone.
    Hand,
    /// By a rotor or hammer.
    #[serde(rename = "self")]
    SelfWinding,
}

/// Numbers that were given out in some years.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ReferenceNumbers))]
#[serde(deny_unknown_fields)]
pub struct Numbers {
    /// First number.
    #[cfg_attr(feature = "schema", schema(maximum = 9_007_199_254_740_991_u64))]
    pub from: u64,
    /// Last number.
    #[cfg_attr(feature = "schema", schema(maximum = 9_007_199_254_740_991_u64))]
    pub to: u64,
    /// First and last year.
    #[cfg_attr(feature = "schema", schema(value_type = Vec<schema::Year>, min_items = 2, max_items = 2))]
    pub years: [i32; 2],
}

/// What the book says of one reference. Whatever is left out or empty is not known.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ReferenceEntry))]
#[serde(deny_unknown_fields)]
pub struct Reference {
    /// Maker.
    pub maker: String,
    /// Reference.
    pub reference: String,
    /// First and last year it was made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<Vec<schema::Year>>, min_items = 2, max_items = 2))]
    pub years: Option<[i32; 2]>,
    /// Every calibre it left its maker with; one of another maker with that maker's name before it.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub calibres: Vec<String>,
    /// Every model and second name its dials carried. The maker's own name need not be listed.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub dial_names: Vec<String>,
    /// Every colour its dials had.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub dial_colours: Vec<String>,
    /// Every metal its case was made in: `steel`, `18 ct gold`, `gold plated`, `steel and gold`.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub metals: Vec<String>,
    /// Its crown. For the reader; nothing is checked against it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crown: Option<String>,
    /// What stands on and in its case: names, emblems, further numbers its back may carry.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub inscriptions: Vec<String>,
    /// Every firm that cased it.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub cased_by: Vec<String>,
    /// Diameter of the case without the crown.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(exclusive_minimum = 0, maximum = 500))]
    pub diameter_mm: Option<f64>,
    /// Serial numbers of its cases by year.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub serials: Vec<Numbers>,
    /// The maker also sold its movements uncased: who cased it, the metal and the number in the
    /// back say nothing.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub sold_uncased: bool,
    /// Further brands under which it was sold: right on its dial and in its back.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub second_brands: Vec<String>,
    /// Years of a change-over, when old and new parts met: for a watch of these years, or one whose
    /// years are not stated, calibre, dial, years and water wording say nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<Vec<schema::Year>>, min_items = 2, max_items = 2))]
    pub transitional: Option<[i32; 2]>,
    /// Further checks that say nothing of this reference.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub silent: Vec<Check>,
}

/// What the book says of one calibre. Whatever is left out or empty is not known.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = CalibreEntry))]
#[serde(deny_unknown_fields)]
pub struct Calibre {
    /// Maker of the movement.
    pub maker: String,
    /// Calibre.
    pub calibre: String,
    /// Every count of jewels it was made with.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    #[cfg_attr(feature = "schema", schema(value_type = Vec<schema::Jewels>))]
    pub jewels: Vec<u32>,
    /// How it is wound.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub winding: Option<Winding>,
    /// Number of barrels.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(minimum = 1, maximum = 8))]
    pub barrels: Option<u8>,
    /// Whether it shows the date.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<bool>,
    /// Whether its seconds hand can be stopped.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stop_seconds: Option<bool>,
    /// Whether it was ever made in chronometer grade.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chronometer: Option<bool>,
    /// Whether its balance is protected from shock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shock: Option<bool>,
    /// Whether it resists magnets.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub antimagnetic: Option<bool>,
    /// Diameter, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(exclusive_minimum = 0, maximum = 500))]
    pub diameter_mm: Option<f64>,
    /// Diameter in lignes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(exclusive_minimum = 0, maximum = 200))]
    pub lignes: Option<f64>,
    /// Beats an hour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(minimum = 1, maximum = 1_000_000))]
    pub beats_per_hour: Option<u32>,
    /// First and last year it was made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "schema", schema(value_type = Option<Vec<schema::Year>>, min_items = 2, max_items = 2))]
    pub years: Option<[i32; 2]>,
    /// Movement numbers by year.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub numbers: Vec<Numbers>,
    /// Checks that say nothing of a watch with this calibre.
    #[serde(default, deserialize_with = "null_as_empty", skip_serializing_if = "Vec::is_empty")]
    pub silent: Vec<Check>,
}

impl Calibre {
    /// Its diameter in mm, from the lignes where no mm are given.
    #[must_use]
    pub fn size_mm(&self) -> Option<f64> {
        self.diameter_mm.or_else(|| self.lignes.map(ligne_mm))
    }
}

/// A book as it is written down, not checked yet.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ReferenceBookData))]
#[serde(deny_unknown_fields)]
pub struct BookData {
    /// References.
    #[serde(default, deserialize_with = "null_as_empty")]
    pub references: Vec<Reference>,
    /// Calibres.
    #[serde(default, deserialize_with = "null_as_empty")]
    pub calibres: Vec<Calibre>,
}

fn null_as_empty<'de, D: Deserializer<'de>, T: Default + Deserialize<'de>>(from: D) -> Result<T, D::Error> {
    Ok(Option::deserialize(from)?.unwrap_or_default())
}

/// One fault of a book and where it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BookError {
    /// JSON pointer into the book, such as `/references/0/years`.
    pub pointer: String,
    /// What is wrong there.
    pub detail: String,
}

impl fmt::Display for BookError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.pointer, self.detail)
    }
}

/// Every fault of a book.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BookErrors(pub Vec<BookError>);

impl fmt::Display for BookErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let lines: Vec<String> = self.0.iter().map(ToString::to_string).collect();
        f.write_str(&lines.join("\n"))
    }
}

impl std::error::Error for BookErrors {}

/// Items of lists as the HTTP description has them, with the bounds that [`Book::new`] checks.
#[cfg(feature = "schema")]
#[expect(dead_code, reason = "they only describe numbers")]
mod schema {
    /// A year.
    #[derive(utoipa::ToSchema)]
    #[schema(as = ReferenceYear, minimum = 1500, maximum = 2200)]
    pub(super) struct Year(i32);

    /// A count of jewels.
    #[derive(utoipa::ToSchema)]
    #[schema(as = JewelCount, minimum = 0, maximum = 200)]
    pub(super) struct Jewels(u32);
}

/// A checked reference book.
///
/// ```
/// use steelyard_model::facts::{Book, BookData};
/// let data: BookData = serde_json::from_str(
///     r#"{ "references": [ { "maker": "Halvorne", "reference": "H 2217", "calibres": ["71"] } ] }"#,
/// )?;
/// let book = Book::new(data)?;
/// assert_eq!(book.reference("HALVORNE", "h-2217").unwrap().calibres, ["71"]);
///
/// let upside_down = r#"{ "references": [ { "maker": "Halvorne", "reference": "H 1", "years": [1960, 1950] } ] }"#;
/// let faults = Book::new(serde_json::from_str(upside_down)?).unwrap_err();
/// assert_eq!(faults.0[0].pointer, "/references/0/years");
/// # Ok::<(), Box<dyn std::error::Error>>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Book {
    data: BookData,
}

impl Book {
    /// Checks a book.
    ///
    /// # Errors
    /// Every fault found, each with a pointer to its entry.
    pub fn new(data: BookData) -> Result<Self, BookErrors> {
        let faults = faults(&data);
        if faults.is_empty() { Ok(Self { data }) } else { Err(BookErrors(faults)) }
    }

    /// The book as data.
    #[must_use]
    pub fn data(&self) -> &BookData {
        &self.data
    }

    /// A name as the book compares names: letters and digits in one form.
    #[must_use]
    pub fn name_key(name: &str) -> String {
        fold(name)
    }

    /// What is the same for two entries of one reference: maker and reference, as compared.
    ///
    /// ```
    /// use steelyard_model::facts::Book;
    /// assert_eq!(Book::reference_key("Halvorne", "H 2217"), Book::reference_key("HALVORNE", "h-2217"));
    /// assert_eq!(Book::calibre_key("Halvorne", "cal. 71"), Book::calibre_key("Halvorne", "71"));
    /// ```
    #[must_use]
    pub fn reference_key(maker: &str, reference: &str) -> (String, String) {
        (fold(maker), fold(reference))
    }

    /// What is the same for two entries of one calibre: maker and calibre, as compared.
    #[must_use]
    pub fn calibre_key(maker: &str, calibre: &str) -> (String, String) {
        (fold(maker), Rules::builtin().calibre_key(calibre, None))
    }

    /// The entry of a reference, whatever the case, spaces and punctuation.
    #[must_use]
    pub fn reference(&self, maker: &str, reference: &str) -> Option<&Reference> {
        let key = Self::reference_key(maker, reference);
        self.data.references.iter().find(|r| Self::reference_key(&r.maker, &r.reference) == key)
    }

    /// The entry of a calibre: the maker's own of that name, or one named with its maker.
    #[must_use]
    pub fn calibre(&self, maker: Option<&str>, calibre: &str) -> Option<&Calibre> {
        let rules = Rules::builtin();
        let named = fold(&rules.without_lead(calibre));
        let own = maker.and_then(|maker| {
            let (maker, key) = (fold(maker), rules.calibre_key(calibre, Some(maker)));
            self.data.calibres.iter().find(|c| fold(&c.maker) == maker && rules.calibre_key(&c.calibre, None) == key)
        });
        own.or_else(|| {
            let mut full = self.data.calibres.iter().filter(|c| fold(&format!("{} {}", c.maker, c.calibre)) == named);
            full.next().filter(|_| full.next().is_none())
        })
    }

    /// This book, and of `base` every entry that it has not.
    #[must_use]
    pub fn over(&self, base: &Self) -> Self {
        let mut data = self.data.clone();
        let reference = |r: &Reference| Self::reference_key(&r.maker, &r.reference);
        let known: HashSet<_> = data.references.iter().map(reference).collect();
        data.references.extend(base.data.references.iter().filter(|r| !known.contains(&reference(r))).cloned());
        let calibre = |c: &Calibre| Self::calibre_key(&c.maker, &c.calibre);
        let known: HashSet<_> = data.calibres.iter().map(calibre).collect();
        data.calibres.extend(base.data.calibres.iter().filter(|c| !known.contains(&calibre(c))).cloned());
        Self { data }
    }

    /// The references of a maker.
    pub(crate) fn of_maker(&self, maker: &str) -> impl Iterator<Item = &Reference> {
        let maker = fold(maker);
        self.data.references.iter().filter(move |r| fold(&r.maker) == maker)
    }
}

impl TryFrom<BookData> for Book {
    type Error = BookErrors;

    fn try_from(data: BookData) -> Result<Self, BookErrors> {
        Self::new(data)
    }
}

/// The years an entry can speak of: from the first portable watches to any year in sight.
const YEARS: std::ops::RangeInclusive<i32> = 1500..=2200;
/// The largest diameter taken, mm: a wall clock's.
const LARGEST_MM: f64 = 500.0;
/// Most jewels taken.
const MOST_JEWELS: u32 = 200;
/// Most barrels taken.
const MOST_BARRELS: u8 = 8;

#[derive(Default)]
struct Faults(Vec<BookError>);

impl Faults {
    fn add(&mut self, pointer: String, detail: impl Into<String>) {
        self.0.push(BookError { pointer, detail: detail.into() });
    }

    fn name(&mut self, pointer: String, name: &str) {
        if fold(name).is_empty() {
            self.add(pointer, format!("`{name}` has no letter or digit"));
        }
    }

    fn names(&mut self, pointer: &str, names: &[String]) {
        for (i, name) in names.iter().enumerate() {
            self.name(format!("{pointer}/{i}"), name);
        }
    }

    fn years(&mut self, pointer: String, years: Option<[i32; 2]>) {
        let Some([from, to]) = years else { return };
        if from > to {
            self.add(pointer, format!("the first year, {from}, is after the last, {to}"));
        } else if !YEARS.contains(&from) || !YEARS.contains(&to) {
            let (first, last) = (YEARS.start(), YEARS.end());
            self.add(pointer, format!("{from} to {to} does not lie within {first} to {last}"));
        }
    }

    fn size(&mut self, pointer: String, size: Option<f64>, most: f64) {
        if let Some(size) = size.filter(|s| !(*s > 0.0 && *s <= most)) {
            self.add(pointer, format!("{size} is not above 0 and at most {most}"));
        }
    }

    fn numbers(&mut self, pointer: &str, numbers: &[Numbers]) {
        for (i, n) in numbers.iter().enumerate() {
            if n.from > n.to {
                self.add(
                    format!("{pointer}/{i}"),
                    format!("the first number, {}, is above the last, {}", n.from, n.to),
                );
            }
            self.years(format!("{pointer}/{i}/years"), Some(n.years));
            if let Some(j) = numbers[..i].iter().position(|o| o.from <= n.to && n.from <= o.to) {
                self.add(format!("{pointer}/{i}"), format!("overlaps entry {j}: a number would have two dates"));
            }
        }
    }
}

fn faults(data: &BookData) -> Vec<BookError> {
    let mut faults = Faults::default();
    let mut seen = std::collections::HashMap::new();
    for (i, r) in data.references.iter().enumerate() {
        let at = format!("/references/{i}");
        faults.name(format!("{at}/maker"), &r.maker);
        faults.name(format!("{at}/reference"), &r.reference);
        if let Some(first) = seen.insert(Book::reference_key(&r.maker, &r.reference), i) {
            faults.add(at.clone(), format!("is the same reference as entry {first}"));
        }
        faults.years(format!("{at}/years"), r.years);
        faults.years(format!("{at}/transitional"), r.transitional);
        faults.size(format!("{at}/diameter_mm"), r.diameter_mm, LARGEST_MM);
        for (list, names) in [
            ("calibres", &r.calibres),
            ("dial_names", &r.dial_names),
            ("dial_colours", &r.dial_colours),
            ("metals", &r.metals),
            ("inscriptions", &r.inscriptions),
            ("cased_by", &r.cased_by),
            ("second_brands", &r.second_brands),
        ] {
            faults.names(&format!("{at}/{list}"), names);
        }
        faults.numbers(&format!("{at}/serials"), &r.serials);
    }
    let rules = Rules::builtin();
    let mut seen = std::collections::HashMap::new();
    for (i, c) in data.calibres.iter().enumerate() {
        let at = format!("/calibres/{i}");
        faults.name(format!("{at}/maker"), &c.maker);
        faults.name(format!("{at}/calibre"), &c.calibre);
        if let Some(first) = seen.insert(Book::calibre_key(&c.maker, &c.calibre), i) {
            faults.add(at.clone(), format!("is the same calibre as entry {first}"));
        }
        faults.years(format!("{at}/years"), c.years);
        faults.size(format!("{at}/diameter_mm"), c.diameter_mm, LARGEST_MM);
        faults.size(format!("{at}/lignes"), c.lignes, LARGEST_MM / LIGNE_MM);
        if let (Some(mm), Some(lignes)) = (c.diameter_mm, c.lignes) {
            let apart = (mm - ligne_mm(lignes)).abs();
            if apart > ligne_mm(rules.tolerances.same_movement_lignes) {
                let said = ligne_mm(lignes);
                faults.add(format!("{at}/lignes"), format!("{lignes} lignes are {said:.2} mm, not the {mm} mm given"));
            }
        }
        for (j, jewels) in c.jewels.iter().enumerate() {
            if *jewels > MOST_JEWELS {
                faults.add(format!("{at}/jewels/{j}"), format!("{jewels} is above {MOST_JEWELS}"));
            }
        }
        if let Some(barrels) = c.barrels.filter(|b| !(1..=MOST_BARRELS).contains(b)) {
            faults.add(format!("{at}/barrels"), format!("{barrels} is not within 1 to {MOST_BARRELS}"));
        }
        if c.beats_per_hour == Some(0) {
            faults.add(format!("{at}/beats_per_hour"), "must be above 0");
        }
        faults.numbers(&format!("{at}/numbers"), &c.numbers);
    }
    faults.0
}

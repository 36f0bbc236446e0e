//! Facts that imply signs: which two statements about one watch do not go together.
//!
//! A [`Book`] holds what its owner knows of references and calibres; [`Facts`] are read off one
//! listing. [`derive()`] compares them and calls signs by itself, each call with its [`Reason`]: two
//! facts in plain words. Such a call is read as class `plain` with D = 1
//! ([`Derived::likelihood`]): it comes from words and numbers, not from a detail in a photo.
//!
//! Silence is the rule. A check speaks where both its facts are known, and not at all where the
//! book says it should not ([`Reference::silent`], [`Reference::sold_uncased`],
//! [`Reference::second_brands`], [`Reference::transitional`]). Two facts that agree call a sign
//! `absent` only where agreement could as well have failed and bears on the sign:
//!
//! - the calibre is one the book allows for the reference (`movement_calibre_wrong`);
//! - the dial promises something few dials promise, and the movement keeps all it is known to
//!   promise (`dial_claims_vs_movement`; shock and magnetic protection alone are not enough);
//! - a movement number dates to the years of the reference, or of the case number
//!   (`movement_number_years_clash`; not the seller's years, which may be taken from that number);
//! - a gold claim and a fineness mark, with no word of a coating (`case_gold_marks_missing`);
//! - the reference in the back is this one, and calibre or dial name goes with it too, so that it
//!   was not merely read in the back (`back_reference_not_this_watch`);
//! - the book names the firm that cased it (`back_cased_by_another`);
//! - names on dial and case belong to one model (`dial_case_names_clash`);
//! - back and dial use the same water wording (`back_water_wording_clash`).
//!
//! A right name or colour on a dial calls nothing: a repainted dial copies both.
//!
//! What the user saw outranks what was derived ([`merge`]).
//!
//! ```
//! use steelyard_model::facts::{Book, Facts, derive};
//! use steelyard_model::pack::Pack;
//!
//! let pack = Pack::builtin();
//! let book = Book::new(serde_json::from_str(
//!     r#"{ "references": [], "calibres": [ { "maker": "Halvorne", "calibre": "71", "winding": "hand" } ] }"#,
//! )?)?;
//! let facts = Facts {
//!     maker: Some("Halvorne".into()),
//!     calibre: Some("cal. 71".into()),
//!     dial_text: vec!["Self-Winding".into()],
//!     ..Facts::default()
//! };
//! let derived = derive(&pack, &book, &facts);
//! assert_eq!(derived[0].because(), "The dial says “Self-Winding”; calibre 71 is wound by hand.");
//! assert_eq!(derived[0].reasons[0].facts, ["/watch/facts/dial_text/0", "/watch/facts/calibre"]);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod book;
mod checks;
mod words;

pub use book::{Book, BookData, BookError, BookErrors, Calibre, Check, LIGNE_MM, Numbers, Reference, Winding};

use crate::observe::{Call, Likelihood};
use crate::pack::{Index, Pack};

/// The reading class of a derived call.
pub const READING: &str = "plain";

/// What is stated of one watch, as read off its listing. Whatever is left out is not known.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Facts {
    /// Maker.
    pub maker: Option<String>,
    /// Reference.
    pub reference: Option<String>,
    /// First and last year it is said to be from.
    pub years: Option<[i32; 2]>,
    /// Diameter of the case, mm.
    pub case_diameter_mm: Option<f64>,
    /// The trait of that name: whether solid gold is claimed.
    pub gold_claimed: Option<bool>,
    /// The trait of that name: whether the maker cased it.
    pub cased_by_maker: Option<bool>,
    /// Lines on the dial, each whole.
    pub dial_text: Vec<String>,
    /// The model or second name on the dial.
    pub dial_name: Option<String>,
    /// The dial's colour.
    pub dial_colour: Option<String>,
    /// Calibre of the movement.
    pub calibre: Option<String>,
    /// Jewels as engraved.
    pub jewels: Option<u32>,
    /// The number on the movement.
    pub movement_number: Option<String>,
    /// The movement's diameter, measured, mm.
    pub movement_diameter_mm: Option<f64>,
    /// The number of the case.
    pub serial: Option<String>,
    /// Marks in and on the case, part not told unless the mark tells it.
    pub case_marks: Vec<String>,
    /// Marks in and on the back.
    pub back_marks: Vec<String>,
    /// Marks on the bezel.
    pub bezel_marks: Vec<String>,
    /// The model's name or emblem on the case.
    pub case_name: Option<String>,
    /// The reference that stands in the back.
    pub back_reference: Option<String>,
    /// The casing firm or importer named in the back.
    pub cased_by: Option<String>,
}

/// Why a sign was called: two facts.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Reason {
    /// Both facts in plain words.
    pub because: String,
    /// Where they stand in the request.
    pub facts: [String; 2],
}

/// A call that two stated facts make.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Derived {
    /// The sign.
    pub sign: Index,
    /// What they say of it.
    pub call: Call,
    /// Every pair of facts that says so, in the order of their words; at least one.
    pub reasons: Vec<Reason>,
}

impl Derived {
    /// All reasons in one text.
    #[must_use]
    pub fn because(&self) -> String {
        self.reasons.iter().map(|r| r.because.as_str()).collect::<Vec<_>>().join(" ")
    }

    /// The call as class `plain` with D = 1, whatever the sign's own class: nothing small had to be
    /// seen. A pack without that class reads it as the sign's own.
    #[must_use]
    pub fn likelihood(&self, pack: &Pack) -> Likelihood {
        Likelihood::derived(pack, self.sign, self.call)
    }
}

/// The signs that the facts call, at most one call a sign, in the pack's order. Where reasons speak
/// both ways, `present` stands and the others are dropped.
#[must_use]
pub fn derive(pack: &Pack, book: &Book, facts: &Facts) -> Vec<Derived> {
    let mut all: Vec<Derived> = Vec::new();
    for (id, call, reason) in checks::run(book, facts) {
        let Some(sign) = pack.sign(id) else { continue };
        match all.iter_mut().find(|d| d.sign == sign) {
            None => all.push(Derived { sign, call, reasons: vec![reason] }),
            Some(d) if d.call == call => d.reasons.push(reason),
            Some(d) if call == Call::Present => *d = Derived { sign, call, reasons: vec![reason] },
            Some(_) => {}
        }
    }
    for d in &mut all {
        d.reasons.sort();
        d.reasons.dedup_by(|a, b| a.because == b.because);
    }
    all.sort_by_key(|d| d.sign);
    // Of two signs that are one question asked both ways round, the first that is seen stands.
    let ranked = |d: &Derived| (d.call == Call::Absent, d.sign);
    let rivals: Vec<_> = all.iter().map(|d| (ranked(d), d.sign)).collect();
    all.retain(|d| {
        !rivals.iter().any(|(rank, sign)| *rank < ranked(d) && pack.signs()[d.sign].excludes.contains(sign))
    });
    all
}

/// A derived call that gives way to one the user made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Overruled {
    /// The derived call.
    pub derived: Derived,
    /// The sign the user called: the same, or one that excludes it.
    pub by: Index,
    /// Whether the user's call says the same.
    pub agrees: bool,
}

/// Derived calls beside the user's.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Merged {
    /// Those that count.
    pub used: Vec<Derived>,
    /// Those that give way, to be shown all the same.
    pub overruled: Vec<Overruled>,
}

/// Sets derived calls beside those the user made: an explicit call on a sign, or on one that
/// excludes it, outranks the derived one.
#[must_use]
pub fn merge(pack: &Pack, explicit: &[(Index, Call)], derived: Vec<Derived>) -> Merged {
    let mut merged = Merged::default();
    for d in derived {
        let same = explicit.iter().find(|(sign, _)| *sign == d.sign);
        let rival = explicit.iter().find(|(sign, _)| pack.signs()[d.sign].excludes.contains(sign));
        match (same, rival) {
            (Some(&(by, call)), _) => merged.overruled.push(Overruled { agrees: call == d.call, derived: d, by }),
            // The pair asks one question both ways round, so unlike calls say the same.
            (None, Some(&(by, call))) => merged.overruled.push(Overruled { agrees: call != d.call, derived: d, by }),
            (None, None) => merged.used.push(d),
        }
    }
    merged
}

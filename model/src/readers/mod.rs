//! What is written in and on a watch, and about it: case marks and listing texts into facts.
//!
//! [`read_case_mark`] reads an inscription into metal, fineness, construction and the part it
//! speaks of. [`read_text`] reads a listing's title or description into [`Proposal`]s, each with
//! the words it came from. A proposal proposes: nothing here weighs in an assessment.
//!
//! Both fold case and accents and read English, French, German, Italian and Spanish at once,
//! since listings mix them. The words stand in `readers/*.toml`, one file a language; fineness
//! follows ISO 9202 and the carat fractions n/24, the rest is common practice.
//!
//! ```
//! use steelyard_model::readers::{Construction, Metal, Part, Source, read_case_mark, read_text};
//!
//! let mark = read_case_mark("Plaqué or 20 microns, fond acier inoxydable");
//! let [plating, back] = &mark.statements[..] else { unreachable!() };
//! assert_eq!((plating.metal, plating.construction), (Some(Metal::Gold), Some(Construction::Plated)));
//! assert_eq!((plating.microns, plating.part), (Some(20.0), None));
//! assert_eq!((back.metal, back.part), (Some(Metal::Steel), Some(Part::Back)));
//!
//! let proposals = read_text("Dress watch, 17 jewels, dial not restored", Source::Title);
//! assert_eq!(proposals[0].target.to_string(), "/watch/facts/jewels = 17");
//! assert_eq!(proposals[0].words, "17 jewels");
//! assert_eq!(proposals[1].target.to_string(), "listing_says_refinished: absent");
//! ```

mod marks;
mod text;
mod vocabulary;
mod words;

pub use marks::read_case_mark;
pub use text::read_text;

use serde::{Deserialize, Serialize};

/// What an inscription says.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct CaseMark {
    /// What it says of metals, in the order of the text, one for each part it names.
    pub statements: Vec<Statement>,
    /// What it says of water and dust.
    pub water: Vec<WaterWording>,
}

/// What an inscription says of the metal of one part.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Statement {
    /// The part the words describe; `None` where they do not say.
    pub part: Option<Part>,
    /// The metal named; of a coating the outer one.
    pub metal: Option<Metal>,
    /// How it is made up; `None` where it is not said, as on most solid cases.
    pub construction: Option<Construction>,
    /// Parts per thousand, as marked or else from the carats.
    pub fineness: Option<u16>,
    /// Carats as marked.
    pub carats: Option<u8>,
    /// Thickness of the coating as marked, µm.
    pub microns: Option<f64>,
    /// Years' wear promised.
    pub years: Option<u32>,
    /// Share of the coating by weight, "1/20" as [1, 20].
    pub share: Option<[u32; 2]>,
    /// Where it stands: bytes, end exclusive, on character boundaries.
    pub span: [usize; 2],
}

/// Words on water or dust.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WaterWording {
    /// What is promised.
    pub wording: Water,
    /// Where it stands: bytes, end exclusive.
    pub span: [usize; 2],
}

/// A metal as words name it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = MarkMetal))]
pub enum Metal {
    /// Gold of any colour.
    Gold,
    /// Silver.
    Silver,
    /// Platinum.
    Platinum,
    /// Stainless steel.
    Steel,
    /// Brass, nickel or an alloy not named, chromium- or nickel-plated or bare.
    Base,
    /// Titanium.
    Titanium,
    /// Aluminium.
    Aluminium,
}

/// How metal is made up.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = MarkConstruction))]
pub enum Construction {
    /// The same metal throughout.
    Solid,
    /// A bonded layer of at least one twentieth by weight in the US.
    Filled,
    /// A bonded, thinner layer.
    Rolled,
    /// A shell of sheet over another metal.
    Capped,
    /// Electroplated, gilt or not said otherwise.
    Plated,
    /// A coating of a kind not named: years' wear alone.
    Coated,
}

/// The part that words describe.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = MarkPart))]
pub enum Part {
    /// The whole case.
    Case,
    /// Middle of the case, with its lugs.
    Middle,
    /// Bezel.
    Bezel,
    /// Back.
    Back,
    /// Bracelet or strap.
    Bracelet,
    /// Anything that is no part of the case: buckle, dial, hands, crown, movement.
    Other,
}

/// Wording on water and dust.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = MarkWater))]
pub enum Water {
    /// "Waterproof": older wording in the US, still usual in other languages.
    Waterproof,
    /// "Water resistant".
    Resistant,
    /// "Water protected".
    Protected,
    /// "Dustproof".
    Dustproof,
}

/// Which text was read.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = TextSource))]
pub enum Source {
    /// The listing's title.
    Title,
    /// The listing's description.
    Description,
}

/// What words in a listing propose.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Proposal {
    /// What it would set.
    pub target: Target,
    /// Where the words stand: Unicode scalar values, end exclusive.
    pub span: [usize; 2],
    /// The words themselves.
    pub words: String,
    /// Which text.
    pub source: Source,
}

/// What a proposal would set.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Target {
    /// A call on a sign of the catalogue.
    Sign {
        /// The sign's id.
        id: String,
        /// Whether the text says it is there.
        present: bool,
    },
    /// A field of the request.
    Field {
        /// JSON Pointer (RFC 6901) into the request.
        pointer: String,
        /// What to put there.
        value: serde_json::Value,
    },
    /// A claim that sets nothing: worth showing and, later, worth quoting.
    Claim {
        /// `all_original` or `as_is`.
        id: String,
    },
}

impl std::fmt::Display for Target {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Sign { id, present: true } => write!(f, "{id}: present"),
            Self::Sign { id, present: false } => write!(f, "{id}: absent"),
            Self::Field { pointer, value } => write!(f, "{pointer} = {value}"),
            Self::Claim { id } => write!(f, "claims {id}"),
        }
    }
}

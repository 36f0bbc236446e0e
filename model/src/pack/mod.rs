//! The model as data: stories, components, signs, and what they are worth.
//!
//! No number a person chose stands in code; all of them are read from the pack's files
//! ([`Pack::from_toml`]) or from the document that `GET /v1/model` serves
//! ([`Pack::from_data`]), and checked with errors that name the entry.
//!
//! ```
//! use steelyard_model::pack::Pack;
//! let pack = Pack::builtin();
//! assert_eq!(pack.signs().len(), 66);
//! assert!(pack.digest().starts_with("sha256:"));
//! ```

mod check;
pub mod data;
mod files;

use data::{ModelData, NeutralWhen, Reading};
use ndarray::ArrayD;
use sha2::{Digest as _, Sha256};
use std::collections::HashMap;
use std::fmt;
use std::sync::{Arc, LazyLock};

/// Index of a story, component, sign, view or trait in its list of the pack.
pub type Index = usize;

/// One fault of a pack and where it stands.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PackError {
    /// The file or entry, such as `signs.crown_unsigned.present`.
    pub entry: String,
    /// What is wrong with it.
    pub detail: String,
}

impl fmt::Display for PackError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.entry, self.detail)
    }
}

/// Every fault of a pack.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PackErrors(pub Vec<PackError>);

impl fmt::Display for PackErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let lines: Vec<String> = self.0.iter().map(ToString::to_string).collect();
        f.write_str(&lines.join("\n"))
    }
}

impl std::error::Error for PackErrors {}

/// What a sign depends on.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum On {
    /// The story itself: conduct, papers, wording.
    Story,
    /// One component's fine state.
    One(Index),
    /// Two components' fine states: a link sign.
    Two(Index, Index),
}

/// A component, compiled.
#[derive(Debug, Clone)]
pub struct Component {
    /// Name.
    pub id: String,
    /// Number of fine states.
    pub states: usize,
    /// The other component it depends on, if any.
    pub parent: Option<Index>,
    /// P(state | story, parent): axes story, parent if any, state.
    pub table: ArrayD<f64>,
    /// Which public state each fine state is seen as.
    pub seen_as: Vec<Index>,
    /// Whether a fine state is the watch's own, untouched part.
    pub untouched: Vec<bool>,
}

/// A sign, compiled.
#[derive(Debug, Clone)]
pub struct Sign {
    /// Name.
    pub id: String,
    /// What it depends on.
    pub on: On,
    /// P(sign | states of `on`), row-major.
    pub present: Vec<f64>,
    /// Its reading class with overrides applied.
    pub reading: Reading,
    /// Size of the detail, mm.
    pub feature_mm: Option<f64>,
    /// Alternatives, each a set of views (bit per view).
    pub needs: Vec<u32>,
    /// Trait without which it cannot be.
    pub applies_if: Option<Index>,
    /// Signs that may not be called beside it.
    pub excludes: Vec<Index>,
    /// Whether it says nothing of a watch that must stay shut.
    pub neutral_when_shut: bool,
}

/// What a component's fine states are worth and what replacing it does.
#[derive(Debug, Clone)]
pub struct Worth {
    /// Multiplier of the watch's value per fine state.
    pub value: Vec<f64>,
    /// What the part brings on its own per fine state, as a share of m.
    pub salvage: Vec<f64>,
    /// Cost share and multiplier after a repair, where the part can be replaced.
    pub repair: Option<data::Repair>,
}

/// A checked model, ready to be compiled into plans.
#[derive(Debug, Clone)]
pub struct Pack {
    data: ModelData,
    components: Vec<Component>,
    signs: Vec<Sign>,
    worth: Vec<Worth>,
    bad: Vec<bool>,
    landmarks: Landmarks,
    sign_by_id: HashMap<String, Index>,
}

/// Entries the calculation refers to by meaning.
#[derive(Debug, Clone, Copy)]
struct Landmarks {
    luminous: Option<Index>,
    gold_claimed: Option<Index>,
    metal: Option<Index>,
}

/// The story of a watch that left its maker as it is, and the state of a part that did.
pub const ORIGINAL: &str = "original";
/// The trait whose truth makes a watch one that may hold radium.
pub const LUMINOUS: &str = "luminous";
/// The trait whose truth makes the metal's state matter.
pub const GOLD_CLAIMED: &str = "gold_claimed";
/// The trait of a watch whose maker cased it.
pub const CASED_BY_MAKER: &str = "cased_by_maker";
/// The component that says whether the metal is as claimed.
pub const METAL: &str = "metal";
/// The metal's state in which a melted case brings its metal.
pub const METAL_AS_CLAIMED: &str = "as_claimed";
/// The components that are melted where a case is worth its metal.
pub const MELTED: [&str; 3] = ["case", "bezel", "case_back"];
/// The sign that an answer to a request for a photo calls by itself.
pub const AVOIDS_PHOTO: &str = "seller_avoids_photo";
/// The view every listing gives.
pub const LISTING_VIEW: &str = "listing";

macro_rules! builtin {
    ($($file:literal),* $(,)?) => {
        [$(($file, include_str!(concat!("../../pack/", $file)))),*]
    };
}

/// The files of the pack that comes with the crate.
const BUILTIN: [(&str, &str); 13] = builtin![
    "pack.toml",
    "segments.toml",
    "components.toml",
    "value.toml",
    "signs/back.toml",
    "signs/bezel.toml",
    "signs/case.toml",
    "signs/crown.toml",
    "signs/dial.toml",
    "signs/hands.toml",
    "signs/listing.toml",
    "signs/lume.toml",
    "signs/movement.toml",
];

impl Pack {
    /// The pack that comes with the crate.
    ///
    /// # Panics
    /// Never in a released build: a test loads it.
    #[must_use]
    pub fn builtin() -> Arc<Self> {
        static BUILT: LazyLock<Arc<Pack>> =
            LazyLock::new(|| Arc::new(Pack::from_toml(BUILTIN).unwrap_or_else(|e| panic!("built-in pack: {e}"))));
        BUILT.clone()
    }

    /// Reads a pack from TOML texts, each with its file name for error messages.
    ///
    /// # Errors
    /// Every fault found, each naming its entry.
    pub fn from_toml<'a>(files: impl IntoIterator<Item = (&'a str, &'a str)>) -> Result<Self, PackErrors> {
        Self::from_data(files::read(files)?)
    }

    /// Checks and compiles a model given as data; its digest is computed anew.
    ///
    /// # Errors
    /// Every fault found, each naming its entry.
    pub fn from_data(mut data: ModelData) -> Result<Self, PackErrors> {
        check::check(&data)?;
        data.digest = digest(&data)?;
        let components = data.components.iter().map(|c| component(&data, c)).collect();
        let signs = data.signs.iter().map(|s| sign(&data, s)).collect();
        let worth = data.components.iter().map(|c| worth(&data, c)).collect();
        let bad = data.stories.iter().map(|s| s.bad).collect();
        let landmarks = Landmarks {
            luminous: data.traits.iter().position(|t| t == LUMINOUS),
            gold_claimed: data.traits.iter().position(|t| t == GOLD_CLAIMED),
            metal: data.components.iter().position(|c| c.id == METAL),
        };
        let sign_by_id = data.signs.iter().enumerate().map(|(i, s)| (s.id.clone(), i)).collect();
        Ok(Self { data, components, signs, worth, bad, landmarks, sign_by_id })
    }

    /// The model as data.
    #[must_use]
    pub fn data(&self) -> &ModelData {
        &self.data
    }

    /// `sha256:` and the digest of the model.
    #[must_use]
    pub fn digest(&self) -> &str {
        &self.data.digest
    }

    /// The components, compiled.
    #[must_use]
    pub fn components(&self) -> &[Component] {
        &self.components
    }

    /// The signs, compiled.
    #[must_use]
    pub fn signs(&self) -> &[Sign] {
        &self.signs
    }

    /// The numbers of a sign, for drawing others in their place.
    pub(crate) fn present_mut(&mut self, sign: Index) -> &mut [f64] {
        &mut self.signs[sign].present
    }

    /// What every component's states are worth, in the order of the components.
    #[must_use]
    pub fn worth(&self) -> &[Worth] {
        &self.worth
    }

    /// Number of stories.
    #[must_use]
    pub fn stories(&self) -> usize {
        self.bad.len()
    }

    /// Which stories are bad.
    #[must_use]
    pub fn bad(&self) -> &[bool] {
        &self.bad
    }

    /// Index of a story.
    #[must_use]
    pub fn story(&self, id: &str) -> Option<Index> {
        self.data.stories.iter().position(|s| s.id == id)
    }

    /// Index of a sign.
    #[must_use]
    pub fn sign(&self, id: &str) -> Option<Index> {
        self.sign_by_id.get(id).copied()
    }

    /// Of what is said of signs, leaves out what answers a question a second time: a sign that may not
    /// stand beside one before it.
    pub fn without_excluded<T>(&self, said: &mut Vec<T>, sign: impl Fn(&T) -> Index) {
        let mut kept: Vec<Index> = Vec::new();
        said.retain(|one| {
            let sign = sign(one);
            let stays = !kept.iter().any(|other| self.signs[sign].excludes.contains(other));
            kept.extend(stays.then_some(sign));
            stays
        });
    }

    /// The public states that a component can be in.
    pub fn public_states(&self, component: Index) -> impl Iterator<Item = Index> + '_ {
        (0..self.data.states.len()).filter(move |s| self.components[component].seen_as.contains(s))
    }

    /// Index of a component.
    #[must_use]
    pub fn component(&self, id: &str) -> Option<Index> {
        self.data.components.iter().position(|c| c.id == id)
    }

    /// Index of a view.
    #[must_use]
    pub fn view(&self, id: &str) -> Option<Index> {
        self.data.views.iter().position(|v| v.id == id)
    }

    /// Index of a trait.
    #[must_use]
    pub fn trait_(&self, id: &str) -> Option<Index> {
        self.data.traits.iter().position(|t| t == id)
    }

    /// Index of a segment; the first where none is named.
    #[must_use]
    pub fn segment(&self, id: Option<&str>) -> Option<Index> {
        match id {
            None => Some(0),
            Some(id) => self.data.segments.iter().position(|s| s.id == id),
        }
    }

    /// The sign whose name is nearest to a name that is none, as a phrase to append.
    #[must_use]
    pub fn nearest_sign(&self, id: &str) -> String {
        nearest(id, self.data.signs.iter().map(|s| s.id.as_str()))
    }

    /// The trait that says the watch carries luminous paint.
    #[must_use]
    pub fn luminous(&self) -> Option<Index> {
        self.landmarks.luminous
    }

    /// The trait that says gold is claimed.
    #[must_use]
    pub fn gold_claimed(&self) -> Option<Index> {
        self.landmarks.gold_claimed
    }

    /// The component that stands for the metal.
    #[must_use]
    pub fn metal(&self) -> Option<Index> {
        self.landmarks.metal
    }

    /// The prior over stories of a segment, given P(bad).
    #[must_use]
    pub fn prior(&self, segment: Index, bad: f64) -> Vec<f64> {
        self.prior_from(segment, bad, 1.0 - bad)
    }

    /// As [`Self::prior`], with 1 − P(bad) given to full precision.
    #[must_use]
    pub fn prior_from(&self, segment: Index, bad: f64, sound: f64) -> Vec<f64> {
        let segment = &self.data.segments[segment];
        self.data
            .stories
            .iter()
            .map(|s| {
                let (mass, split) = if s.bad { (bad, &segment.bad) } else { (sound, &segment.sound) };
                mass * split.get(&s.id).copied().unwrap_or(0.0)
            })
            .collect()
    }
}

/// `, did you mean ...?` for the candidate most like a name, or nothing where none is near.
#[must_use]
pub fn nearest<'a>(name: &str, candidates: impl Iterator<Item = &'a str>) -> String {
    /// Below this similarity (Jaro–Winkler) a suggestion would be noise.
    const LEAST_LIKE: f64 = 0.75;
    /// A name this long is none that somebody mistyped, and comparing takes time that grows with it.
    const LONGEST: usize = 200;
    if name.len() > LONGEST {
        return String::new();
    }
    candidates
        .map(|c| (strsim::jaro_winkler(name, c), c))
        .filter(|(like, _)| *like >= LEAST_LIKE)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map_or_else(String::new, |(_, c)| format!(", did you mean `{c}`?"))
}

fn digest(data: &ModelData) -> Result<String, PackErrors> {
    let broken = |detail: String| PackErrors(vec![PackError { entry: "digest".into(), detail }]);
    let mut value = serde_json::to_value(data).map_err(|e| broken(e.to_string()))?;
    if let Some(map) = value.as_object_mut() {
        map.remove("version");
        map.remove("digest");
    }
    let canonical = serde_json_canonicalizer::to_vec(&value).map_err(|e| broken(e.to_string()))?;
    let hash: String = Sha256::digest(&canonical).iter().map(|b| format!("{b:02x}")).collect();
    Ok(format!("sha256:{hash}"))
}

fn component(data: &ModelData, c: &data::Component) -> Component {
    Component {
        id: c.id.clone(),
        states: c.states.len(),
        parent: c.parents.iter().find_map(|p| data.components.iter().position(|o| o.id == *p)),
        table: c.mean.clone(),
        seen_as: c.states.iter().map(|s| data.states.iter().position(|p| p.id == s.seen_as).unwrap_or(0)).collect(),
        untouched: c.states.iter().map(|s| s.seen_as == ORIGINAL).collect(),
    }
}

fn sign(data: &ModelData, s: &data::Sign) -> Sign {
    let part = |name: &String| data.components.iter().position(|c| c.id == *name).unwrap_or(0);
    let on = match s.on.as_slice() {
        [one, two] => On::Two(part(one), part(two)),
        [one] if one != "story" => On::One(part(one)),
        _ => On::Story,
    };
    let mut reading = data.readings[&s.reading];
    if let Some(o) = s.reading_override {
        reading.a = o.a.unwrap_or(reading.a);
        reading.b = o.b.unwrap_or(reading.b);
        reading.g = o.g.unwrap_or(reading.g);
        reading.n50_cycles = o.n50_cycles.unwrap_or(reading.n50_cycles);
    }
    let view_bit = |v: &String| data.views.iter().position(|w| w.id == *v).map_or(0, |i| 1_u32 << i);
    Sign {
        id: s.id.clone(),
        on,
        present: s.present.mean.iter().copied().collect(),
        reading,
        feature_mm: s.feature_mm,
        needs: s.needs.iter().map(|set| set.iter().map(view_bit).fold(0, |a, b| a | b)).collect(),
        applies_if: s.applies_if.as_ref().and_then(|t| data.traits.iter().position(|o| o == t)),
        // Either of a pair may name the other.
        excludes: data
            .signs
            .iter()
            .enumerate()
            .filter(|(_, o)| s.excludes.contains(&o.id) || o.excludes.contains(&s.id))
            .map(|(i, _)| i)
            .collect(),
        neutral_when_shut: s.neutral_when == Some(NeutralWhen::KeepShut),
    }
}

fn worth(data: &ModelData, c: &data::Component) -> Worth {
    let per_state = |table: Option<&std::collections::BTreeMap<String, f64>>, absent: f64| {
        c.states.iter().map(|s| table.and_then(|t| t.get(&s.id)).copied().unwrap_or(absent)).collect()
    };
    Worth {
        value: per_state(data.value.by_state.get(&c.id), 1.0),
        salvage: per_state(data.value.salvage.get(&c.id), 0.0),
        repair: data.value.repairs.get(&c.id).copied(),
    }
}

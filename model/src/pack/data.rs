//! The model as data: exactly what `GET /v1/model` serves and what a calibration writes.

use ndarray::ArrayD;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Every number of a model. Tables are nested arrays: axes are the parents in order, then
/// the component's own states.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct ModelData {
    /// Name of this version of the model.
    pub version: String,
    /// `sha256:` and the SHA-256 of the RFC 8785 canonical JSON of this document without
    /// `version` and `digest`.
    #[serde(default)]
    pub digest: String,
    /// Whether a dealer's own outcomes have moved these numbers.
    pub calibrated: bool,
    /// How a watch came to be as it is.
    pub stories: Vec<Story>,
    /// The five states people see.
    pub states: Vec<PublicState>,
    /// What a photo can show.
    pub views: Vec<View>,
    /// Sets of views worth asking for in one request.
    pub bundles: Vec<Vec<String>>,
    /// Traits of a watch a sign may depend on.
    pub traits: Vec<String>,
    /// How reliably details are read, by class.
    pub readings: BTreeMap<String, Reading>,
    /// Kinds of sellers.
    pub segments: Vec<Segment>,
    /// How marketplace feedback bears on a seller's rate of bad watches.
    pub feedback: Feedback,
    /// How the asking price bears on the story.
    pub price_evidence: PriceEvidence,
    /// What states, stories and parts are worth.
    pub value: Value,
    /// Working defaults.
    pub defaults: Defaults,
    /// Logistic map of the log-odds of bad, natural logarithms.
    pub recalibration: Recalibration,
    /// What a calibration goes by.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub calibration: Option<Calibration>,
    /// Components with P(state | parents).
    pub components: Vec<Component>,
    /// Signs with P(sign | parent states).
    pub signs: Vec<Sign>,
}

/// A story of the whole watch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelStory))]
#[serde(deny_unknown_fields)]
pub struct Story {
    /// Name.
    pub id: String,
    /// Whether P(bad) counts it.
    pub bad: bool,
}

/// A state people see.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelPublicState))]
#[serde(deny_unknown_fields)]
pub struct PublicState {
    /// Name.
    pub id: String,
    /// Whether the part is still the watch's own.
    pub native: bool,
}

/// A view that a photo can give.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelView))]
#[serde(deny_unknown_fields)]
pub struct View {
    /// Name.
    pub id: String,
    /// Whether a seller can be asked for it.
    pub askable: bool,
    /// Whether the case must be opened for it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub opens: bool,
}

/// How reliably a detail is read: P(called present | present), the same if absent, the same
/// if nothing can be resolved, and the cycles across the detail at which half resolve it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelReading))]
#[serde(deny_unknown_fields)]
pub struct Reading {
    /// P(called present | present, resolved).
    pub a: f64,
    /// P(called present | absent, resolved).
    pub b: f64,
    /// P(called present | not resolved).
    pub g: f64,
    /// Cycles (line pairs, two pixels each) at which the chance to resolve is one half.
    pub n50_cycles: f64,
    /// Number of cases that `a` and `b` are worth; without it they are fixed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub strength: Option<ReadingStrength>,
}

/// Number of cases that the rates of a reading class are worth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelReadingStrength))]
#[serde(deny_unknown_fields)]
pub struct ReadingStrength {
    /// For `a`.
    pub a: f64,
    /// For `b`.
    pub b: f64,
}

/// Replaces single figures of a reading class.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelReadingOverride))]
#[serde(deny_unknown_fields)]
pub struct ReadingOverride {
    /// See [`Reading::a`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub a: Option<f64>,
    /// See [`Reading::b`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub b: Option<f64>,
    /// See [`Reading::g`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub g: Option<f64>,
    /// See [`Reading::n50_cycles`].
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub n50_cycles: Option<f64>,
}

/// A kind of seller: the rate of bad watches is Beta(a, b).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelSegment))]
#[serde(deny_unknown_fields)]
pub struct Segment {
    /// Name.
    pub id: String,
    /// First Beta parameter.
    pub a: f64,
    /// Second Beta parameter.
    pub b: f64,
    /// How sound watches split over the sound stories.
    pub sound: BTreeMap<String, f64>,
    /// How bad watches split over the bad stories.
    pub bad: BTreeMap<String, f64>,
    /// How firmly these figures are held; without it they are fixed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub strength: Option<SegmentStrength>,
    /// Where the figures come from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
}

/// How firmly the figures of a segment are held.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelSegmentStrength))]
#[serde(deny_unknown_fields)]
pub struct SegmentStrength {
    /// Number of cases that the mean rate a/(a+b) is worth.
    pub rate: f64,
    /// Standard deviation of ln(a+b): how far sellers may differ more or less than stated.
    pub spread_log_sd: f64,
    /// Number of sound cases that their split is worth.
    pub sound: f64,
    /// Number of bad cases that their split is worth.
    pub bad: f64,
}

/// Feedback: a negative has probability baseline + complains · concerned · θ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelFeedback))]
#[serde(deny_unknown_fields)]
pub struct Feedback {
    /// Rate of negatives that have nothing to do with the watch.
    pub baseline: f64,
    /// Chance that the buyer of a bad watch complains.
    pub complains: f64,
    /// Share of the seller's sales that are such watches.
    pub concerned: f64,
    /// Largest power of the likelihood.
    pub power: f64,
    /// Most cases that feedback may be worth.
    pub most_cases: f64,
    /// Where the figures come from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
}

/// ln(ask / m) ~ Student t with one location per story.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelPriceEvidence))]
#[serde(deny_unknown_fields)]
pub struct PriceEvidence {
    /// Degrees of freedom.
    pub nu: f64,
    /// Scale.
    pub scale: f64,
    /// Location per story.
    pub location: BTreeMap<String, f64>,
    /// Where the figures come from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
}

/// What states, stories and parts are worth, as multiples of the all-original value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelValue))]
#[serde(deny_unknown_fields)]
pub struct Value {
    /// Multiplier per component and fine state.
    pub by_state: BTreeMap<String, BTreeMap<String, f64>>,
    /// Per story: multiplier, spread, chance of being noticed on arrival.
    pub by_story: BTreeMap<String, StoryValue>,
    /// What a part in a fine state brings on its own, as a share of the all-original value.
    pub salvage: BTreeMap<String, BTreeMap<String, f64>>,
    /// Share of the parts' value that parting out yields.
    pub parting_yield: f64,
    /// Log-spread of what parting out yields.
    pub parting_log_sd: f64,
    /// Share of the metal price that melting yields.
    pub metal_yield: f64,
    /// Parts that can be replaced by right ones.
    pub repairs: BTreeMap<String, Repair>,
    /// Where the figures come from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
}

/// Value of a watch within one story.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelStoryValue))]
#[serde(deny_unknown_fields)]
pub struct StoryValue {
    /// Multiplier when sold as it is; null where selling under the name is unlawful.
    #[serde(default)]
    pub factor: Option<f64>,
    /// Log-spread of the price within the story.
    pub log_sd: f64,
    /// Chance that the buyer notices the story on arrival.
    pub noticed_on_arrival: f64,
}

/// A repair: cost and what the part's multiplier is raised to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelRepair))]
#[serde(deny_unknown_fields)]
pub struct Repair {
    /// Cost as a share of the median all-original value.
    pub cost: f64,
    /// The multiplier is at least this afterwards.
    pub value_after: f64,
}

/// Working defaults.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelDefaults))]
#[serde(deny_unknown_fields)]
pub struct Defaults {
    /// Diameter of a dial, mm.
    pub dial_diameter_mm: f64,
    /// Diameter of a case, mm.
    pub case_diameter_mm: f64,
    /// What asking costs, as a share of the median all-original value.
    pub asking_cost_share: f64,
    /// Lowest walk-away price worth an offer, as a share of the ask.
    pub offer_share: f64,
    /// A photo settles a sign that it resolves with at least this chance.
    pub resolves_at: f64,
}

/// Logistic map of the log-odds of bad.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelRecalibration))]
#[serde(deny_unknown_fields)]
pub struct Recalibration {
    /// Added to the scaled log-odds.
    pub intercept: f64,
    /// Multiplies the log-odds.
    pub slope: f64,
}

/// What a calibration goes by.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelCalibration))]
#[serde(deny_unknown_fields)]
pub struct Calibration {
    /// Fewer outcomes than this are too few to judge a calibration by.
    pub enough_outcomes: u32,
    /// Precision (one over the variance) with which the recalibration's intercept is held at 0 …
    pub intercept_precision: f64,
    /// … and its slope at 1.
    pub slope_precision: f64,
}

/// A fine state and the state people see it as.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelFineState))]
#[serde(deny_unknown_fields)]
pub struct FineState {
    /// Name.
    pub id: String,
    /// The public state it belongs to.
    #[serde(rename = "as")]
    pub seen_as: String,
}

/// A component with its table.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelComponent))]
#[serde(deny_unknown_fields)]
pub struct Component {
    /// Name.
    pub id: String,
    /// Its fine states.
    pub states: Vec<FineState>,
    /// `story`, and at most one other component.
    pub parents: Vec<String>,
    /// P(state | parents): nested arrays, parents in order, then the states.
    #[serde(with = "nested")]
    #[cfg_attr(feature = "schema", schema(value_type = Vec<serde_json::Value>))]
    pub mean: ArrayD<f64>,
    /// Number of cases every row is worth.
    #[serde(with = "nested")]
    #[cfg_attr(feature = "schema", schema(value_type = Vec<serde_json::Value>))]
    pub strength: ArrayD<f64>,
    /// Where the figures come from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
}

/// A yes/no feature that can be looked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelSign))]
#[serde(deny_unknown_fields)]
pub struct Sign {
    /// Name.
    pub id: String,
    /// What it depends on: `story`, one component or two.
    pub on: Vec<String>,
    /// Alternatives, each a set of views that together let one judge it.
    pub needs: Vec<Vec<String>>,
    /// The question to the person looking.
    pub question: String,
    /// How to look.
    #[serde(default)]
    pub how_to_look: String,
    /// What else could explain it.
    #[serde(default)]
    pub innocent_explanations: Vec<String>,
    /// Size of the detail, mm; null where size does not matter.
    pub feature_mm: Option<f64>,
    /// Reading class.
    pub reading: String,
    /// Figures of the reading class replaced for this sign.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reading_override: Option<ReadingOverride>,
    /// Trait without which the sign cannot be.
    pub applies_if: Option<String>,
    /// Signs that are the same question asked the other way round.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub excludes: Vec<String>,
    /// `keep_shut`: says nothing of a watch that should not be opened.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub neutral_when: Option<NeutralWhen>,
    /// P(sign | states): mean and strength of a Beta per cell.
    pub present: Cells,
    /// Where the figures come from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub origin: Option<String>,
}

/// When a sign says nothing.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelNeutralWhen))]
#[serde(rename_all = "snake_case")]
pub enum NeutralWhen {
    /// A watch with luminous paint that may hold radium.
    KeepShut,
}

/// Beta cells over the states of a sign's parents.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "schema", derive(utoipa::ToSchema), schema(as = ModelCells))]
#[serde(deny_unknown_fields)]
pub struct Cells {
    /// Mean of every cell.
    #[serde(with = "nested")]
    #[cfg_attr(feature = "schema", schema(value_type = Vec<serde_json::Value>))]
    pub mean: ArrayD<f64>,
    /// Number of cases every cell is worth.
    #[serde(with = "nested")]
    #[cfg_attr(feature = "schema", schema(value_type = Vec<serde_json::Value>))]
    pub strength: ArrayD<f64>,
}

/// Arrays of any depth as nested JSON or TOML arrays.
pub(crate) mod nested {
    use ndarray::{ArrayD, ArrayViewD, Axis, IxDyn};
    use serde::de::Error as _;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    #[derive(Serialize, Deserialize)]
    #[serde(untagged)]
    enum Nested {
        Number(f64),
        Array(Vec<Nested>),
    }

    fn from_view(view: &ArrayViewD<'_, f64>) -> Nested {
        match view.ndim() {
            0 => Nested::Number(view.iter().copied().next().unwrap_or(f64::NAN)),
            _ => Nested::Array(view.axis_iter(Axis(0)).map(|v| from_view(&v)).collect()),
        }
    }

    fn flatten(value: &Nested, depth: usize, shape: &mut Vec<usize>, flat: &mut Vec<f64>) -> Result<(), String> {
        match value {
            Nested::Number(x) if depth == shape.len() => flat.push(*x),
            Nested::Array(rows) if depth < shape.len() && rows.len() == shape[depth] => {
                for row in rows {
                    flatten(row, depth + 1, shape, flat)?;
                }
            }
            _ => return Err("nested arrays of unequal length or depth".into()),
        }
        Ok(())
    }

    pub(crate) fn serialize<S: Serializer>(array: &ArrayD<f64>, to: S) -> Result<S::Ok, S::Error> {
        from_view(&array.view()).serialize(to)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<ArrayD<f64>, D::Error> {
        let value = Nested::deserialize(from)?;
        let mut shape = Vec::new();
        let mut at = &value;
        while let Nested::Array(rows) = at {
            shape.push(rows.len());
            match rows.first() {
                Some(first) => at = first,
                None => return Err(D::Error::custom("an empty array")),
            }
        }
        let mut flat = Vec::new();
        flatten(&value, 0, &mut shape.clone(), &mut flat).map_err(D::Error::custom)?;
        ArrayD::from_shape_vec(IxDyn(&shape), flat).map_err(D::Error::custom)
    }
}

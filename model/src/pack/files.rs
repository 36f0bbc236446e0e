//! The pack as TOML files: one entry a sign, compact, for people to read and edit.

use super::data::{self, nested};
use super::{PackError, PackErrors};
use ndarray::{Array2, ArrayD, IxDyn};
use serde::Deserialize;
use std::collections::BTreeMap;

/// Digits kept of a noisy-OR cell, so that the served table is the table used.
const CELL_DIGITS: f64 = 1e12;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    version: Option<String>,
    #[serde(rename = "origin")]
    _origin: Option<String>,
    #[serde(default)]
    stories: Vec<data::Story>,
    #[serde(default)]
    states: Vec<data::PublicState>,
    #[serde(default)]
    views: Vec<data::View>,
    #[serde(default)]
    bundles: Vec<Vec<String>>,
    #[serde(default)]
    traits: Vec<String>,
    #[serde(default)]
    readings: BTreeMap<String, data::Reading>,
    #[serde(default)]
    segments: Vec<data::Segment>,
    feedback: Option<data::Feedback>,
    price_evidence: Option<data::PriceEvidence>,
    value: Option<data::Value>,
    defaults: Option<data::Defaults>,
    calibration: Option<data::Calibration>,
    #[serde(default)]
    components: Vec<Component>,
    #[serde(default)]
    signs: Vec<Sign>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Component {
    id: String,
    states: Vec<data::FineState>,
    parents: Vec<String>,
    #[serde(with = "nested")]
    mean: ArrayD<f64>,
    strength: f64,
    origin: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sign {
    id: String,
    on: Vec<String>,
    needs: Vec<Vec<String>>,
    question: String,
    how_to_look: String,
    innocent_explanations: Vec<String>,
    feature_mm: Option<f64>,
    reading: String,
    reading_override: Option<data::ReadingOverride>,
    applies_if: Option<String>,
    #[serde(default)]
    excludes: Vec<String>,
    neutral_when: Option<data::NeutralWhen>,
    strength: f64,
    origin: String,
    present: Option<BTreeMap<String, f64>>,
    noisy_or: Option<NoisyOr>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct NoisyOr {
    leak: f64,
    causes: Vec<BTreeMap<String, f64>>,
    #[serde(default)]
    cells: Vec<Cell>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Cell {
    states: [String; 2],
    mean: f64,
}

struct Reader {
    errors: Vec<PackError>,
}

impl Reader {
    fn fault(&mut self, entry: impl Into<String>, detail: impl Into<String>) {
        self.errors.push(PackError { entry: entry.into(), detail: detail.into() });
    }

    fn once<T>(&mut self, slot: &mut Option<T>, found: Option<T>, file: &str, section: &str) {
        if found.is_some() && slot.is_some() {
            self.fault(file, format!("`{section}` stands in another file already"));
        } else if found.is_some() {
            *slot = found;
        }
    }

    fn need<T>(&mut self, found: Option<T>, section: &str) -> Option<T> {
        if found.is_none() {
            self.fault(section, "no file has this section");
        }
        found
    }

    /// Values per state in the order of `states`; names that are no state are faults.
    fn by_state(
        &mut self,
        entry: &str,
        states: &[String],
        given: &BTreeMap<String, f64>,
        absent: Option<f64>,
    ) -> Vec<f64> {
        for name in given.keys().filter(|n| !states.contains(n)) {
            let near = super::nearest(name, states.iter().map(String::as_str));
            self.fault(entry, format!("there is no state `{name}`{near}"));
        }
        states
            .iter()
            .map(|s| match given.get(s).copied().or(absent) {
                Some(x) => x,
                None => {
                    self.fault(entry, format!("state `{s}` is missing"));
                    0.5
                }
            })
            .collect()
    }
}

/// Reads a pack from the texts of its files, each with a name for error messages.
///
/// # Errors
/// Every fault found, each naming its file or entry.
pub(super) fn read<'a>(files: impl IntoIterator<Item = (&'a str, &'a str)>) -> Result<data::ModelData, PackErrors> {
    let mut reader = Reader { errors: Vec::new() };
    let mut whole = File {
        version: None,
        _origin: None,
        stories: vec![],
        states: vec![],
        views: vec![],
        bundles: vec![],
        traits: vec![],
        readings: BTreeMap::new(),
        segments: vec![],
        feedback: None,
        price_evidence: None,
        value: None,
        defaults: None,
        calibration: None,
        components: vec![],
        signs: vec![],
    };
    for (name, text) in files {
        let file: File = match toml::from_str(text) {
            Ok(file) => file,
            Err(e) => {
                reader.fault(name, e.to_string().trim_end());
                continue;
            }
        };
        reader.once(&mut whole.version, file.version, name, "version");
        reader.once(&mut whole.feedback, file.feedback, name, "feedback");
        reader.once(&mut whole.price_evidence, file.price_evidence, name, "price_evidence");
        reader.once(&mut whole.value, file.value, name, "value");
        reader.once(&mut whole.defaults, file.defaults, name, "defaults");
        reader.once(&mut whole.calibration, file.calibration, name, "calibration");
        whole.stories.extend(file.stories);
        whole.states.extend(file.states);
        whole.views.extend(file.views);
        whole.bundles.extend(file.bundles);
        whole.traits.extend(file.traits);
        for (class, reading) in file.readings {
            if whole.readings.insert(class.clone(), reading).is_some() {
                reader.fault(format!("readings.{class}"), "stands in two files");
            }
        }
        whole.segments.extend(file.segments);
        whole.components.extend(file.components);
        whole.signs.extend(file.signs);
    }
    let story_ids: Vec<String> = whole.stories.iter().map(|s| s.id.clone()).collect();
    for (i, c) in whole.components.iter().enumerate() {
        if whole.components[..i].iter().any(|o| o.id == c.id) {
            reader.fault(format!("components.{}", c.id), "this id stands twice");
        }
    }
    if !reader.errors.is_empty() {
        // Signs read against the wrong component would only add noise.
        return Err(PackErrors(reader.errors));
    }
    let state_ids: BTreeMap<String, Vec<String>> =
        whole.components.iter().map(|c| (c.id.clone(), c.states.iter().map(|s| s.id.clone()).collect())).collect();
    let signs = whole.signs.into_iter().filter_map(|s| sign(&mut reader, s, &story_ids, &state_ids)).collect();
    let components = whole.components.into_iter().map(component).collect();
    let version = reader.need(whole.version, "version");
    let feedback = reader.need(whole.feedback, "feedback");
    let price_evidence = reader.need(whole.price_evidence, "price_evidence");
    let value = reader.need(whole.value, "value");
    let defaults = reader.need(whole.defaults, "defaults");
    match (version, feedback, price_evidence, value, defaults) {
        (Some(version), Some(feedback), Some(price_evidence), Some(value), Some(defaults))
            if reader.errors.is_empty() =>
        {
            Ok(data::ModelData {
                version,
                digest: String::new(),
                calibrated: false,
                stories: whole.stories,
                states: whole.states,
                views: whole.views,
                bundles: whole.bundles,
                traits: whole.traits,
                readings: whole.readings,
                segments: whole.segments,
                feedback,
                price_evidence,
                value,
                defaults,
                recalibration: data::Recalibration { intercept: 0.0, slope: 1.0 },
                calibration: whole.calibration,
                components,
                signs,
            })
        }
        _ => Err(PackErrors(reader.errors)),
    }
}

fn component(c: Component) -> data::Component {
    let rows: Vec<usize> = c.mean.shape().split_last().map_or(vec![], |(_, r)| r.to_vec());
    data::Component {
        id: c.id,
        states: c.states,
        parents: c.parents,
        mean: c.mean,
        strength: ArrayD::from_elem(IxDyn(&rows), c.strength),
        origin: Some(c.origin),
    }
}

fn sign(
    reader: &mut Reader,
    s: Sign,
    stories: &[String],
    components: &BTreeMap<String, Vec<String>>,
) -> Option<data::Sign> {
    let entry = format!("signs.{}", s.id);
    let mut parents = Vec::new();
    for name in &s.on {
        match components.get(name) {
            Some(states) => parents.push(states.as_slice()),
            None if name == "story" => parents.push(stories),
            None => {
                let near = super::nearest(name, components.keys().map(String::as_str));
                reader.fault(format!("{entry}.on"), format!("there is no component `{name}`{near}"));
                return None;
            }
        }
    }
    let mean = match (&s.present, &s.noisy_or, parents.as_slice()) {
        (Some(present), None, [states]) => {
            let row = reader.by_state(&format!("{entry}.present"), states, present, None);
            ArrayD::from_shape_vec(IxDyn(&[row.len()]), row).ok()?
        }
        (None, Some(or), [first, second]) => noisy_or(reader, &entry, or, first, second)?,
        _ => {
            reader.fault(entry, "wants `present` with one parent in `on`, or `noisy_or` with two components");
            return None;
        }
    };
    let strength = ArrayD::from_elem(mean.raw_dim(), s.strength);
    Some(data::Sign {
        id: s.id,
        on: s.on,
        needs: s.needs,
        question: s.question,
        how_to_look: s.how_to_look,
        innocent_explanations: s.innocent_explanations,
        feature_mm: s.feature_mm,
        reading: s.reading,
        reading_override: s.reading_override,
        applies_if: s.applies_if,
        excludes: s.excludes,
        neutral_when: s.neutral_when,
        present: data::Cells { mean, strength },
        origin: Some(s.origin),
    })
}

fn noisy_or(
    reader: &mut Reader,
    entry: &str,
    or: &NoisyOr,
    first: &[String],
    second: &[String],
) -> Option<ArrayD<f64>> {
    let [one, two] = or.causes.as_slice() else {
        reader.fault(format!("{entry}.noisy_or.causes"), "wants one table for each of the two components");
        return None;
    };
    let q1 = reader.by_state(&format!("{entry}.noisy_or.causes[0]"), first, one, Some(0.0));
    let q2 = reader.by_state(&format!("{entry}.noisy_or.causes[1]"), second, two, Some(0.0));
    let mut mean = Array2::from_shape_fn((first.len(), second.len()), |(i, j)| {
        let p = 1.0 - (1.0 - or.leak) * ((1.0 - q1[i]) * (1.0 - q2[j]));
        (p * CELL_DIGITS).round() / CELL_DIGITS
    });
    for cell in &or.cells {
        let at = (first.iter().position(|s| *s == cell.states[0]), second.iter().position(|s| *s == cell.states[1]));
        match at {
            (Some(i), Some(j)) => mean[[i, j]] = cell.mean,
            _ => reader.fault(
                format!("{entry}.noisy_or.cells"),
                format!("there are no states `{}` and `{}`", cell.states[0], cell.states[1]),
            ),
        }
    }
    Some(mean.into_dyn())
}

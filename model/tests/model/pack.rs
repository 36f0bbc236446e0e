//! The built-in pack, and that a faulty one is refused with the entry named.

use crate::common::near;
use std::collections::BTreeSet;
use steelyard_model::pack::data::ModelData;
use steelyard_model::pack::{Pack, PackErrors};

macro_rules! files {
    ($($file:literal),* $(,)?) => {
        [$(($file, include_str!(concat!("../../pack/", $file)))),*]
    };
}

const FILES: [(&str, &str); 13] = files![
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

/// Cells are kept to twelve digits.
const CELL: f64 = 1e-12;

/// Rows come from text with about seven digits but are written to add up to one.
const ROW: f64 = 1e-9;

#[test]
fn the_built_in_pack_is_whole() {
    let pack = Pack::builtin();
    assert_eq!((pack.signs().len(), pack.components().len(), pack.stories()), (66, 9, 5));
    let from_files = Pack::from_toml(FILES).expect("the same files");
    assert_eq!(from_files.digest(), pack.digest());
    let data = pack.data();
    for c in &data.components {
        for row in c.mean.rows() {
            near(row.sum(), 1.0, ROW, &c.id);
            assert!(row.iter().all(|p| *p > 0.0 && *p < 1.0), "{}", c.id);
        }
        assert_eq!(c.mean.shape()[..c.mean.ndim() - 1], *c.strength.shape());
    }
    for s in &data.signs {
        assert!(s.present.mean.iter().all(|p| *p > 0.0 && *p < 1.0), "{}", s.id);
        assert_eq!(s.present.mean.shape(), s.present.strength.shape(), "{}", s.id);
        assert!(s.origin.as_ref().is_some_and(|o| !o.is_empty()), "{}", s.id);
    }
    for (i, segment) in data.segments.iter().enumerate() {
        for bad in [0.0, 0.2, 1.0] {
            let prior = pack.prior(i, bad);
            near(prior.iter().sum(), 1.0, ROW, &segment.id);
            let mass: f64 = prior.iter().zip(pack.bad()).filter(|(_, b)| **b).map(|(p, _)| p).sum();
            near(mass, bad, ROW, &segment.id);
        }
    }
}

/// Formula of Pearl 1988: 1 − (1 − leak)(1 − q1)(1 − q2), an absent state meaning q = 0.
#[test]
fn noisy_or_of_pearl_1988() {
    let pack = Pack::builtin();
    let cell = |sign: &str, states: [&str; 2]| {
        let s = &pack.data().signs[pack.sign(sign).expect("a sign")];
        let at = |i: usize| {
            let c = &pack.data().components[pack.component(&s.on[i]).expect("a component")];
            c.states.iter().position(|f| f.id == states[i]).expect("a state")
        };
        s.present.mean[[at(0), at(1)]]
    };
    // dial_claims_vs_movement: leak 0.02, dial causes, then movement causes.
    let claims = |dial: f64, movement: f64| 1.0 - (1.0 - 0.02) * (1.0 - dial) * (1.0 - movement);
    for (states, wanted) in [
        (["original", "original"], claims(0.0, 0.0)),
        (["original", "service"], claims(0.0, 0.02)),
        (["service", "original"], claims(0.04, 0.0)),
        (["refinished_poor", "donor_near"], claims(0.1, 0.03)),
        (["foreign_crude", "foreign_good"], claims(0.5, 0.3)),
        (["donor_far", "foreign_crude"], claims(0.46, 0.5)),
        (["donor_far", "original"], claims(0.46, 0.0)),
        // Two parts of one donor agree with each other: overridden.
        (["donor_far", "donor_far"], 0.4),
    ] {
        near(cell("dial_claims_vs_movement", states), wanted, CELL, &format!("{states:?}"));
    }
    // hands_wrong_length: leak 0.03, hands causes, then dial causes.
    let length = |hands: f64, dial: f64| 1.0 - (1.0 - 0.03) * (1.0 - hands) * (1.0 - dial);
    for (states, wanted) in [
        (["original", "original"], length(0.0, 0.0)),
        (["original", "refinished_poor"], length(0.0, 0.0)),
        (["service", "original"], length(0.09, 0.0)),
        (["refinished", "donor_near"], length(0.02, 0.02)),
        (["foreign_crude", "donor_far"], length(0.64, 0.25)),
        (["donor_far", "foreign_good"], length(0.56, 0.1)),
        (["donor_far", "donor_far"], 0.4),
    ] {
        near(cell("hands_wrong_length", states), wanted, CELL, &format!("{states:?}"));
    }
}

/// The pack with one text of one file replaced.
fn replaced(file: &str, from: &str, to: &str) -> Result<Pack, PackErrors> {
    let changed: Vec<(&str, String)> = FILES
        .iter()
        .map(|(name, text)| {
            if *name == file {
                assert!(text.contains(from), "{file} has no `{from}`");
                (*name, text.replacen(from, to, 1))
            } else {
                (*name, (*text).to_owned())
            }
        })
        .collect();
    Pack::from_toml(changed.iter().map(|(name, text)| (*name, text.as_str())))
}

#[track_caller]
fn names(result: Result<Pack, PackErrors>, entry: &str, detail: &str) {
    let errors = result.err().unwrap_or_else(|| panic!("accepted, wanted a fault at {entry}"));
    let found = errors.0.iter().any(|e| e.entry.contains(entry) && e.detail.contains(detail));
    assert!(found, "no fault at `{entry}` about `{detail}` in:\n{errors}");
}

#[test]
fn every_fault_in_the_files_names_its_entry() {
    let faults = [
        ("components.toml", "[0.94, 0.06]", "[0.94, 0.07]", "components.metal.mean row 0 (original)", "adds up to"),
        ("components.toml", "[0.84, 0.16]", "[1.0, 0.0]", "components.metal.mean row 3 (composite)", "zero"),
        ("components.toml", "[0.55, 0.45]", "[1.55, -0.55]", "components.metal.mean row 4 (fake)", "not in [0, 1]"),
        ("components.toml", "[0.55, 0.45]", "[0.55, 0.25, 0.2]", "components.toml", "unequal length"),
        (
            "components.toml",
            "\"story\", \"dial\"",
            "\"story\", \"dail\"",
            "components.lume.parents",
            "did you mean `dial`",
        ),
        ("components.toml", "\"story\", \"dial\"", "\"story\", \"lume\"", "components.lume", "cycle"),
        ("components.toml", "\"story\", \"dial\"", "\"story\", \"hands\"", "components.lume.mean", "shape"),
        ("components.toml", "\"story\", \"dial\"", "\"dial\"", "components.lume.parents", "wants `story`"),
        (
            "components.toml",
            "as = \"donor\"",
            "as = \"doner\"",
            "components.dial.states.donor_near",
            "did you mean `donor`",
        ),
        ("components.toml", "strength = 20", "strength = 0", "components.dial.strength", "above 0"),
        ("signs/dial.toml", "original = 0.06,", "original = 1.0,", "signs.dial_print_soft.present", "1 does not lie"),
        ("signs/dial.toml", "original = 0.06,", "original = 0.0,", "signs.dial_print_soft.present", "0 does not lie"),
        ("signs/dial.toml", "original = 0.06,", "", "signs.dial_print_soft.present", "`original` is missing"),
        (
            "signs/dial.toml",
            "original = 0.06,",
            "orignal = 0.06,",
            "signs.dial_print_soft.present",
            "did you mean `original`",
        ),
        ("signs/dial.toml", "on = [\"dial\"]", "on = [\"dail\"]", "signs.dial_print_soft.on", "did you mean `dial`"),
        (
            "signs/dial.toml",
            "[[\"dial_macro\"]]",
            "[[\"dial_micro\"]]",
            "signs.dial_print_soft.needs",
            "did you mean `dial_macro`",
        ),
        ("signs/dial.toml", "[[\"dial_macro\"]]", "[]", "signs.dial_print_soft.needs", "no view"),
        (
            "signs/dial.toml",
            "reading = \"medium\"",
            "reading = \"middling\"",
            "signs.dial_print_soft.reading",
            "no reading class",
        ),
        ("signs/dial.toml", "{ g = 0.6 }", "{ g = 1.6 }", "signs.dial_print_soft.reading_override.g", "1.6"),
        (
            "signs/dial.toml",
            "{ g = 0.6 }",
            "{ a = 0.05 }",
            "signs.dial_print_soft.reading_override",
            "a must be above b",
        ),
        (
            "signs/dial.toml",
            "[\"dial_print_crisp\"]",
            "[\"dial_print_crips\"]",
            "signs.dial_print_soft.excludes",
            "did you mean `dial_print_crisp`",
        ),
        (
            "signs/dial.toml",
            "\"small_seconds\"",
            "\"small_second\"",
            "signs.dial_small_seconds_off_centre.applies_if",
            "did you mean `small_seconds`",
        ),
        ("signs/dial.toml", "feature_mm = 0.04", "feature_mm = -0.04", "signs.dial_print_soft.feature_mm", "above 0"),
        (
            "signs/dial.toml",
            "id = \"dial_letter_shape_off\"",
            "id = \"dial_print_soft\"",
            "signs.dial_print_soft",
            "twice",
        ),
        (
            "signs/dial.toml",
            "\"donor_far\", \"donor_far\"",
            "\"donor_far\", \"far\"",
            "signs.dial_claims_vs_movement.noisy_or.cells",
            "`far`",
        ),
        ("signs/dial.toml", "leak = 0.02", "leak = 1.0", "signs.dial_claims_vs_movement.present", "does not lie"),
        (
            "signs/dial.toml",
            "on = [\"dial\", \"movement\"]",
            "on = [\"dial\"]",
            "signs.dial_claims_vs_movement",
            "noisy_or",
        ),
        (
            "signs/dial.toml",
            "question = \"Up close, do",
            "question = Up close, do",
            "signs/dial.toml",
            "TOML parse error",
        ),
        ("signs/dial.toml", "how_to_look =", "how_to_lock =", "signs/dial.toml", "how_to_lock"),
        ("pack.toml", "version = \"1.0\"", "", "version", "no file has"),
        ("pack.toml", "a = 0.95", "a = 0.01", "readings.plain", "a must be above b"),
        ("pack.toml", "n50_cycles = 1.4", "n50_cycles = 0.0", "readings.hard.n50_cycles", "above 0"),
        ("pack.toml", "resolves_at = 0.9", "resolves_at = 1.5", "defaults.resolves_at", "1.5"),
        (
            "pack.toml",
            "[\"dial_straight\", \"dial_macro\"]",
            "[\"dial_straight\", \"listing\"]",
            "bundles[1]",
            "cannot be asked",
        ),
        ("segments.toml", "composite = 0.68", "composite = 0.58", "segments.open_marketplace.bad", "adds up to"),
        ("segments.toml", "fake = 0.32", "forged = 0.32", "segments.open_marketplace.bad", "`fake` is missing"),
        ("segments.toml", "a = 2.5", "a = -2.5", "segments.open_marketplace.a", "above 0"),
        ("segments.toml", "{ rate = 10,", "{ rate = 0,", "segments.open_marketplace.strength.rate", "above 0"),
        ("pack.toml", "{ a = 50, b = 50 }", "{ a = 50, b = -1 }", "readings.plain.strength.b", "above 0"),
        ("pack.toml", "slope_precision = 16", "slope_precision = 0", "calibration.slope_precision", "above 0"),
        ("segments.toml", "[feedback]", "[feedbacks]", "segments.toml", "feedbacks"),
        ("value.toml", "dial = { original = 1.0,", "dial = {", "value.by_state.dial", "`original` is missing"),
        (
            "value.toml",
            "noticed_on_arrival = 0.02",
            "noticed_on_arrival = 1.0",
            "value.by_story.original.noticed_on_arrival",
            "does not lie",
        ),
        ("value.toml", "fake = -0.6", "forged = -0.6", "price_evidence.location", "`fake` is missing"),
        ("value.toml", "bezel = { cost = 0.06", "bevel = { cost = 0.06", "value.repairs.bevel", "did you mean `bezel`"),
        ("value.toml", "metal_yield = 0.9", "metal_yield = 1.9", "value.metal_yield", "1.9"),
        ("value.toml", "scale = 0.45", "scale = nan", "price_evidence.scale", "above 0"),
    ];
    for (file, from, to, entry, detail) in faults {
        names(replaced(file, from, to), entry, detail);
    }
}

#[test]
fn a_missing_or_repeated_file_is_named() {
    for (left_out, section) in [("pack.toml", "defaults"), ("segments.toml", "feedback"), ("value.toml", "value")] {
        names(Pack::from_toml(FILES.into_iter().filter(|(name, _)| *name != left_out)), section, "no file has");
    }
    names(Pack::from_toml(FILES.into_iter().chain([("more.toml", FILES[0].1)])), "more.toml", "in another file");
}

#[test]
fn all_faults_are_reported_at_once() {
    let mut data = Pack::builtin().data().clone();
    data.segments[0].a = 0.0;
    data.signs[3].needs.clear();
    data.components[2].strength[[1]] = f64::NAN;
    let errors = Pack::from_data(data.clone()).expect_err("three faults");
    let entries: BTreeSet<&str> = errors.0.iter().map(|e| e.entry.as_str()).collect();
    let sign = format!("signs.{}.needs", data.signs[3].id);
    assert_eq!(entries, BTreeSet::from(["segments.open_marketplace.a", sign.as_str(), "components.case.strength"]));
}

#[test]
fn every_fault_in_the_data_names_its_entry() {
    type Fault = (fn(&mut ModelData), &'static str, &'static str);
    let faults: [Fault; 10] = [
        (|d| d.stories.iter_mut().for_each(|s| s.bad = true), "stories", "none is sound"),
        (|d| d.stories[1].id = "original".into(), "stories.original", "twice"),
        (|d| d.components[1].id = "dial".into(), "components.dial", "twice"),
        (|d| d.views[3].id = "papers".into(), "views.papers", "twice"),
        (|d| d.signs[0].present.mean = ndarray::ArrayD::from_elem(ndarray::IxDyn(&[3]), 0.5), "present", "shape"),
        (|d| d.signs[0].present.mean.fill(f64::NAN), "present", "NaN"),
        (|d| d.signs[0].on = vec![], ".on", "one component or two"),
        (|d| d.recalibration.slope = -1.0, "recalibration.slope", "above 0"),
        (|d| d.components[0].mean.fill(f64::NAN), "components.dial.mean row 0", "NaN"),
        (
            |d| {
                let (dial, lume) = (d.components[0].id.clone(), d.components[7].id.clone());
                (d.components[0].parents, d.components[7].parents) =
                    (vec!["story".into(), lume], vec!["story".into(), dial]);
            },
            "components.dial.parents",
            "cycle",
        ),
    ];
    for (spoil, entry, detail) in faults {
        let mut data = Pack::builtin().data().clone();
        spoil(&mut data);
        names(Pack::from_data(data), entry, detail);
    }
}

#[test]
fn the_digest_survives_being_served_and_read_back() {
    let pack = Pack::builtin();
    let text = serde_json::to_string(pack.data()).expect("JSON");
    let back: ModelData = serde_json::from_str(&text).expect("the same model");
    assert_eq!(&back, pack.data());
    assert_eq!(Pack::from_data(back).expect("a sound pack").digest(), pack.digest());
}

#[test]
fn a_pack_that_does_not_say_how_firmly_its_figures_are_held_is_sound() {
    let mut data = Pack::builtin().data().clone();
    data.segments.iter_mut().for_each(|s| s.strength = None);
    data.readings.values_mut().for_each(|r| r.strength = None);
    data.calibration = None;
    let text = serde_json::to_string(&data).expect("JSON");
    assert!(!text.contains("spread_log_sd") && !text.contains("enough_outcomes"));
    let back: ModelData = serde_json::from_str(&text).expect("the same model");
    assert!(Pack::from_data(back).is_ok());
}

#[test]
fn the_digest_is_of_the_numbers_not_of_the_name() {
    let pack = Pack::builtin();
    let digest = |change: fn(&mut ModelData)| {
        let mut data = pack.data().clone();
        change(&mut data);
        Pack::from_data(data).expect("a sound pack").digest().to_owned()
    };
    assert_eq!(digest(|d| d.version = "another name".into()), pack.digest());
    assert_eq!(digest(|d| d.digest = "sha256:0".into()), pack.digest());
    let changes: [fn(&mut ModelData); 5] = [
        |d| d.signs[0].present.mean.mapv_inplace(|p| p.next_up()),
        |d| d.readings.get_mut("hard").expect("a class").a += 1e-12,
        |d| d.segments[0].a = 2.6,
        |d| d.value.metal_yield = 0.89,
        |d| d.calibrated = true,
    ];
    let mut all: BTreeSet<String> = changes.into_iter().map(digest).collect();
    all.insert(pack.digest().to_owned());
    assert_eq!(all.len(), changes.len() + 1);
}

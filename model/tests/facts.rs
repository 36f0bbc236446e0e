//! Facts that imply signs: a table of cases over an invented book, and the laws of deriving.

use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed};
use serde_json::Value;
use std::collections::BTreeSet;
use std::sync::LazyLock;
use steelyard_model::facts::{Book, BookData, Derived, Facts, LIGNE_MM, READING, derive, merge};
use steelyard_model::observe::{Call, Evidence, Watch};
use steelyard_model::pack::{Index, Pack};

static TABLE: LazyLock<Value> =
    LazyLock::new(|| serde_json::from_str(include_str!("data/facts.json")).expect("a table is JSON"));

fn book() -> Book {
    let data: BookData = serde_json::from_value(TABLE["book"].clone()).expect("the table's book has a book's shape");
    Book::new(data).expect("the table's book is sound")
}

fn text(value: &Value) -> Option<String> {
    value.as_str().map(str::to_owned)
}

fn texts(value: &Value) -> Vec<String> {
    value.as_array().map_or_else(Vec::new, |v| v.iter().filter_map(text).collect())
}

const FIELDS: [&str; 20] = [
    "maker",
    "reference",
    "years",
    "case_diameter_mm",
    "gold_claimed",
    "cased_by_maker",
    "dial_text",
    "dial_name",
    "dial_colour",
    "calibre",
    "jewels",
    "movement_number",
    "movement_diameter_mm",
    "serial",
    "case_marks",
    "back_marks",
    "bezel_marks",
    "case_name",
    "back_reference",
    "cased_by",
];

fn facts(value: &Value) -> Facts {
    for key in value.as_object().expect("facts are an object").keys() {
        assert!(FIELDS.contains(&key.as_str()), "no fact is called {key}");
    }
    let whole = |v: &Value| v.as_i64().and_then(|n| i32::try_from(n).ok());
    Facts {
        maker: text(&value["maker"]),
        reference: text(&value["reference"]),
        years: whole(&value["years"][0]).zip(whole(&value["years"][1])).map(|(a, b)| [a, b]),
        case_diameter_mm: value["case_diameter_mm"].as_f64(),
        gold_claimed: value["gold_claimed"].as_bool(),
        cased_by_maker: value["cased_by_maker"].as_bool(),
        dial_text: texts(&value["dial_text"]),
        dial_name: text(&value["dial_name"]),
        dial_colour: text(&value["dial_colour"]),
        calibre: text(&value["calibre"]),
        jewels: value["jewels"].as_u64().and_then(|n| u32::try_from(n).ok()),
        movement_number: text(&value["movement_number"]),
        movement_diameter_mm: value["movement_diameter_mm"].as_f64(),
        serial: text(&value["serial"]),
        case_marks: texts(&value["case_marks"]),
        back_marks: texts(&value["back_marks"]),
        bezel_marks: texts(&value["bezel_marks"]),
        case_name: text(&value["case_name"]),
        back_reference: text(&value["back_reference"]),
        cased_by: text(&value["cased_by"]),
    }
}

fn called(word: &str) -> Call {
    match word {
        "present" => Call::Present,
        "absent" => Call::Absent,
        other => panic!("{other} is no call"),
    }
}

fn ids(pack: &Pack, derived: &[Derived]) -> BTreeSet<(String, bool)> {
    derived.iter().map(|d| (pack.signs()[d.sign].id.clone(), d.call == Call::Present)).collect()
}

#[test]
fn every_case_of_the_table_calls_exactly_its_signs_and_names_both_facts() {
    let (pack, book) = (Pack::builtin(), book());
    let cases = TABLE["cases"].as_array().expect("the table has cases");
    assert!(cases.len() >= 60, "{} cases", cases.len());
    let mut failed = Vec::new();
    for case in cases {
        let name = case["name"].as_str().expect("a case has a name");
        let derived = derive(&pack, &book, &facts(&case["facts"]));
        let wanted = case["derived"].as_array().expect("a case says what it calls");
        let expected: BTreeSet<(String, bool)> = wanted
            .iter()
            .map(|w| (text(&w["sign"]).expect("a sign"), called(w["call"].as_str().expect("a call")) == Call::Present))
            .collect();
        if ids(&pack, &derived) != expected {
            failed.push(format!("{name}: called {derived:#?}, wanted {expected:?}"));
            continue;
        }
        for w in wanted {
            let sign = pack.sign(w["sign"].as_str().expect("a sign")).expect("a sign of the pack");
            let d = derived.iter().find(|d| d.sign == sign).expect("called above");
            let because = d.because();
            for words in texts(&w["because"]) {
                if !because.contains(&words) {
                    failed.push(format!("{name}: “{because}” does not name {words}"));
                }
            }
            let pointers = texts(&w["facts"]);
            if !pointers.is_empty() && !d.reasons.iter().any(|r| r.facts.as_slice() == pointers) {
                failed.push(format!("{name}: {:?}, wanted {pointers:?}", d.reasons));
            }
        }
    }
    assert!(failed.is_empty(), "{}", failed.join("\n"));
}

#[test]
fn the_table_calls_every_derivable_sign_and_keeps_silent_often() {
    let cases = TABLE["cases"].as_array().expect("the table has cases");
    let called: BTreeSet<&str> = cases
        .iter()
        .flat_map(|c| c["derived"].as_array().expect("a list"))
        .filter(|d| d["call"] == "present")
        .filter_map(|d| d["sign"].as_str())
        .collect();
    assert_eq!(called.len(), 13, "{called:?}");
    let silent = cases.iter().filter(|c| c["derived"].as_array().is_some_and(Vec::is_empty)).count();
    assert!(silent >= 25, "{silent} silent cases");
}

#[test]
fn every_reason_points_at_two_facts_that_are_stated() {
    let (pack, book) = (Pack::builtin(), book());
    for case in TABLE["cases"].as_array().expect("the table has cases") {
        let stated = &case["facts"];
        for reason in derive(&pack, &book, &facts(stated)).iter().flat_map(|d| &d.reasons) {
            assert_ne!(reason.facts[0], reason.facts[1], "{}", case["name"]);
            for pointer in &reason.facts {
                let path = pointer.strip_prefix("/watch").expect("a pointer into the watch");
                let path = path.strip_prefix("/facts").or_else(|| path.strip_prefix("/traits")).unwrap_or(path);
                assert!(stated.pointer(path).is_some(), "{}: {pointer} points at nothing", case["name"]);
            }
        }
    }
}

#[test]
fn a_ligne_is_the_443_296th_part_of_a_metre() {
    let shared: Value = serde_json::from_str(include_str!("data/horology.json")).expect("reference values are JSON");
    let pairs = shared["conversions"]["ligne_to_mm"].as_array().expect("pairs");
    assert!(!pairs.is_empty());
    for pair in pairs {
        let (ligne, mm) = (pair["ligne"].as_f64().expect("lignes"), pair["mm"].as_f64().expect("mm"));
        // One rounding of the product, relative.
        assert!((ligne * LIGNE_MM / mm - 1.0).abs() <= 1e-12, "{ligne} lignes");
    }
}

#[test]
fn a_derived_call_is_read_as_plain_and_fully_resolved() {
    let (pack, book) = (Pack::builtin(), book());
    let plain = pack.data().readings[READING];
    // The sign's own class is `easy`.
    let stated = facts(&serde_json::json!({ "maker": "Halvorne", "reference": "H 2217", "dial_colour": "red" }));
    let d = &derive(&pack, &book, &stated)[0];
    let read = d.likelihood(&pack);
    assert_eq!((read.sign, read.call, read.resolvable), (d.sign, Call::Present, Some(1.0)));
    assert_eq!((read.if_present, read.if_absent), (plain.a, plain.b));
    let absent = Derived { call: Call::Absent, ..d.clone() }.likelihood(&pack);
    assert_eq!((absent.if_present, absent.if_absent), (1.0 - plain.a, 1.0 - plain.b));
    assert_ne!(pack.signs()[d.sign].reading.a, plain.a, "the sign must differ from `plain` for this to show anything");

    let evidence = Evidence::read(&pack, &Watch::unknown(&pack), &[]).expect("nothing to refuse").with([read]);
    assert!(evidence.has(d.sign));
}

#[test]
fn an_explicit_call_outranks_a_derived_one_and_both_are_told() {
    let (pack, book) = (Pack::builtin(), book());
    let stated = facts(&serde_json::json!({
        "maker": "Halvorne", "reference": "H 2217", "calibre": "83", "dial_name": "Stormcrest", "dial_colour": "red"
    }));
    let derived = derive(&pack, &book, &stated);
    let sign = |id: &str| pack.sign(id).expect("a sign of the pack");
    let explicit = [(sign("movement_calibre_wrong"), Call::Absent), (sign("dial_colour_never_made"), Call::Present)];
    let merged = merge(&pack, &explicit, derived.clone());
    assert_eq!(merged.used.iter().map(|d| d.sign).collect::<Vec<_>>(), [sign("dial_name_never_used")]);
    let told: Vec<(Index, bool)> = merged.overruled.iter().map(|o| (o.by, o.agrees)).collect();
    let mut expected = vec![(sign("movement_calibre_wrong"), false), (sign("dial_colour_never_made"), true)];
    expected.sort_unstable();
    assert_eq!(told, expected);
    assert_eq!(merge(&pack, &[], derived.clone()).used, derived);
}

#[test]
fn an_explicit_call_outranks_a_derived_one_on_a_sign_it_excludes() {
    let pack = Pack::builtin();
    let sign = |id: &str| pack.sign(id).expect("a sign of the pack");
    let reasons = derive(&pack, &book(), &facts(&serde_json::json!({ "jewels": 17, "dial_text": ["25 jewels"] })))[0]
        .reasons
        .clone();
    let derived = Derived { sign: sign("dial_print_soft"), call: Call::Present, reasons };
    for (call, agrees) in [(Call::Present, false), (Call::Absent, true)] {
        let merged = merge(&pack, &[(sign("dial_print_crisp"), call)], vec![derived.clone()]);
        assert!(merged.used.is_empty());
        assert_eq!((merged.overruled[0].by, merged.overruled[0].agrees), (sign("dial_print_crisp"), agrees));
    }
}

#[test]
fn faults_of_a_book_name_their_entries() {
    let faulty = serde_json::json!({
        "references": [
            { "maker": "Halvorne", "reference": "H 1", "years": [1960, 1950], "diameter_mm": -3, "dial_names": ["Millrace", " - "] },
            { "maker": "", "reference": "H 2", "transitional": [1, 2] },
            { "maker": "HALVORNE", "reference": "h.1",
              "serials": [{ "from": 9, "to": 1, "years": [1950, 1951] }, { "from": 1, "to": 5, "years": [1951, 1950] },
                          { "from": 5, "to": 8, "years": [1952, 1952] }] }
        ],
        "calibres": [
            { "maker": "Halvorne", "calibre": "71", "lignes": 12, "diameter_mm": 30, "jewels": [17, 900], "barrels": 0, "beats_per_hour": 0 },
            { "maker": "Halvorne", "calibre": "cal. 71", "years": [1970, 1960] }
        ]
    });
    let faults =
        Book::new(serde_json::from_value(faulty).expect("its shape is right")).expect_err("it is full of faults");
    let found: BTreeSet<&str> = faults.0.iter().map(|f| f.pointer.as_str()).collect();
    let expected = BTreeSet::from([
        "/references/0/years",
        "/references/0/diameter_mm",
        "/references/0/dial_names/1",
        "/references/1/maker",
        "/references/1/transitional",
        "/references/2",
        "/references/2/serials/0",
        "/references/2/serials/1/years",
        "/references/2/serials/2",
        "/calibres/0/lignes",
        "/calibres/0/jewels/1",
        "/calibres/0/barrels",
        "/calibres/0/beats_per_hour",
        "/calibres/1",
        "/calibres/1/years",
    ]);
    assert_eq!(found, expected);
    let text = faults.to_string();
    assert!(text.contains("/references/0/years: the first year, 1960, is after the last, 1950"), "{text}");
}

#[test]
fn a_book_refuses_members_it_does_not_know_and_takes_null_as_absent() {
    let unknown = r#"{ "references": [{ "maker": "Halvorne", "reference": "H 1", "yeers": [1950, 1951] }] }"#;
    let fault = serde_json::from_str::<BookData>(unknown).expect_err("there are no yeers");
    assert!(fault.to_string().contains("yeers"), "{fault}");
    let nulls = r#"{ "references": [{ "maker": "Halvorne", "reference": "H 1", "years": null, "calibres": null }], "calibres": null }"#;
    let data: BookData = serde_json::from_str(nulls).expect("null is absent");
    assert!(data.references[0].calibres.is_empty() && data.references[0].years.is_none());
    let written = serde_json::to_value(&data).expect("a book is JSON");
    assert_eq!(written["references"][0], serde_json::json!({ "maker": "Halvorne", "reference": "H 1" }));
}

#[test]
fn lookups_fold_case_space_and_punctuation() {
    let book = book();
    for reference in ["H 2217", "h2217", "H-2217", " h. 22 17 "] {
        assert_eq!(book.reference("hal-vorne", reference).map(|r| r.reference.as_str()), Some("H 2217"));
    }
    for calibre in ["V.44", "v 44", "Cal. V44", "Vorhalm V.44"] {
        assert_eq!(book.calibre(Some("VORHALM"), calibre).map(|c| c.calibre.as_str()), Some("V.44"), "{calibre}");
    }
    assert!(book.reference("Halvorne", "H 221").is_none());
    assert!(book.calibre(Some("Tarrowin"), "71").is_none());
}

#[test]
fn the_demo_book_is_sound_and_agrees_with_the_demo() {
    let data: BookData =
        serde_json::from_str(include_str!("../../demo/reference_book.json")).expect("the demo book has a book's shape");
    let book = Book::new(data).expect("the demo book is sound");
    let pack = Pack::builtin();
    // What the listings' own readers called by hand, derived from the facts alone.
    for (file, sign) in [
        (include_str!("../../demo/listings/07-back-from-another-case.json"), "back_wording_describes_another_case"),
        (include_str!("../../demo/listings/08-dial-promises-too-much.json"), "dial_claims_vs_movement"),
        (include_str!("../../demo/listings/10-near-perfect-record.json"), "movement_calibre_wrong"),
        (include_str!("../../demo/listings/10-near-perfect-record.json"), "back_reference_not_this_watch"),
        (include_str!("../../demo/listings/13-gold-doubtful.json"), "case_gold_marks_missing"),
        (include_str!("../../demo/listings/26-one-off-prototype.json"), "dial_name_never_used"),
    ] {
        let derived = derive(&pack, &book, &of_listing(file));
        assert!(ids(&pack, &derived).contains(&(sign.to_owned(), true)), "{sign}: {derived:#?}");
    }
    // Where listing and book agree, nothing is held against the watch.
    for file in [
        include_str!("../../demo/listings/01-estate-untouched.json"),
        include_str!("../../demo/listings/02-dear-and-right.json"),
        include_str!("../../demo/listings/03-declared-fine-repaint.json"),
        include_str!("../../demo/listings/05-later-crown-and-hands.json"),
        include_str!("../../demo/listings/12-gold-claimed-and-right.json"),
        include_str!("../../demo/listings/17-forum-any-reason.json"),
        include_str!("../../demo/listings/21-one-to-keep.json"),
        include_str!("../../demo/listings/23-jeweller-with-bill.json"),
        include_str!("../../demo/listings/28-presentation-back-polished.json"),
    ] {
        let derived = derive(&pack, &book, &of_listing(file));
        assert!(derived.iter().all(|d| d.call == Call::Absent), "{derived:#?}");
    }
}

fn of_listing(file: &str) -> Facts {
    let listing: Value = serde_json::from_str(file).expect("a listing is JSON");
    let watch = &listing["request"]["watch"];
    let mut flat = serde_json::Map::new();
    for from in [watch, &watch["facts"], &watch["traits"]] {
        let known = from.as_object().into_iter().flatten().filter(|(k, _)| FIELDS.contains(&k.as_str()));
        flat.extend(known.map(|(k, v)| (k.clone(), v.clone())));
    }
    facts(&Value::Object(flat))
}

/// What each sign is derived from, beside maker, reference, years and calibre, on which the book's
/// silence hangs.
const INPUTS: [(&str, &[&str]); 13] = [
    ("dial_claims_vs_movement", &["dial_text", "jewels"]),
    ("movement_calibre_wrong", &["movement_diameter_mm", "case_diameter_mm"]),
    ("dial_name_never_used", &["dial_name", "dial_text"]),
    ("dial_colour_never_made", &["dial_colour"]),
    ("dial_case_names_clash", &["dial_name", "dial_text", "case_name"]),
    ("movement_number_years_clash", &["movement_number", "serial"]),
    ("case_gold_marks_missing", &["gold_claimed", "case_marks", "back_marks", "bezel_marks"]),
    ("back_wording_describes_another_case", &["case_marks", "back_marks", "bezel_marks"]),
    ("bezel_metal_clash", &["case_marks", "back_marks", "bezel_marks"]),
    ("back_cased_by_another", &["cased_by", "cased_by_maker", "case_marks", "back_marks"]),
    ("movement_ring_makeshift", &["movement_diameter_mm"]),
    ("back_reference_not_this_watch", &["back_reference", "case_marks", "back_marks", "dial_name", "dial_text"]),
    ("back_water_wording_clash", &["dial_text", "case_marks", "back_marks"]),
];

/// Facts as JSON: any of the table's values in any combination.
fn any_facts() -> impl Strategy<Value = Value> {
    let mut seen: std::collections::BTreeMap<String, BTreeSet<String>> = std::collections::BTreeMap::new();
    for case in TABLE["cases"].as_array().expect("the table has cases") {
        for (key, value) in case["facts"].as_object().expect("facts are an object") {
            let values = match value {
                Value::Array(list) if key != "years" => list.clone(),
                one => vec![one.clone()],
            };
            seen.entry(key.clone()).or_default().extend(values.iter().map(Value::to_string));
        }
    }
    let fields: Vec<_> = seen
        .into_iter()
        .map(|(key, values)| {
            let values: Vec<Value> =
                values.iter().map(|v| serde_json::from_str(v).expect("it was JSON before")).collect();
            let list = matches!(key.as_str(), "dial_text" | "case_marks" | "back_marks" | "bezel_marks");
            let value = if list {
                proptest::sample::subsequence(values.clone(), 0..=values.len().min(3))
                    .prop_shuffle()
                    .prop_map(Value::Array)
                    .boxed()
            } else {
                proptest::option::of(proptest::sample::select(values)).prop_map(|v| v.unwrap_or(Value::Null)).boxed()
            };
            value.prop_map(move |v| (key.clone(), v))
        })
        .collect();
    fields.prop_map(|pairs| Value::Object(pairs.into_iter().filter(|(_, v)| !v.is_null()).collect()))
}

fn fixed(cases: u32) -> Config {
    Config { cases, rng_seed: RngSeed::Fixed(1958), failure_persistence: None, ..Config::default() }
}

proptest! {
    #![proptest_config(fixed(600))]

    #[test]
    fn an_unrelated_fact_removes_no_derived_call(some in any_facts(), more in any_facts(), field in 0..FIELDS.len()) {
        let field = FIELDS[field];
        prop_assume!(!["maker", "reference", "years", "calibre"].contains(&field));
        let (pack, book) = (Pack::builtin(), book());
        let mut without = some;
        let before = without.as_object_mut().expect("facts are an object");
        before.remove(field);
        let mut with = without.clone();
        if let Some(value) = more.get(field) {
            with[field] = value.clone();
        }
        let after = derive(&pack, &book, &facts(&with));
        for d in derive(&pack, &book, &facts(&without)) {
            let id = pack.signs()[d.sign].id.as_str();
            let (_, inputs) = INPUTS.iter().find(|(sign, _)| *sign == id).expect("every derivable sign is listed");
            if !inputs.contains(&field) {
                prop_assert!(after.contains(&d), "{field} removed {d:?} from {with}");
            }
        }
    }

    #[test]
    fn deriving_depends_on_no_order(some in any_facts(), turn in 0_usize..5) {
        let (pack, forwards) = (Pack::builtin(), book());
        let mut data = forwards.data().clone();
        data.references.reverse();
        data.calibres.reverse();
        for r in &mut data.references {
            r.calibres.reverse();
            r.dial_names.reverse();
            r.serials.reverse();
            r.metals.reverse();
            r.dial_colours.reverse();
        }
        let backwards = Book::new(data).expect("its order makes no book unsound");
        let stated = facts(&some);
        let mut turned = stated.clone();
        for list in [&mut turned.dial_text, &mut turned.case_marks, &mut turned.back_marks, &mut turned.bezel_marks] {
            let by = turn % list.len().max(1);
            list.rotate_left(by);
        }
        let says = |d: Vec<Derived>| d.into_iter().map(|d| (d.sign, d.call, d.because())).collect::<Vec<_>>();
        let first = says(derive(&pack, &forwards, &stated));
        prop_assert_eq!(&first, &says(derive(&pack, &forwards, &stated)));
        prop_assert_eq!(&first, &says(derive(&pack, &backwards, &turned)));
    }

    #[test]
    fn at_most_one_call_a_sign_and_each_with_a_reason(some in any_facts()) {
        let (pack, book) = (Pack::builtin(), book());
        let derived = derive(&pack, &book, &facts(&some));
        let signs: BTreeSet<Index> = derived.iter().map(|d| d.sign).collect();
        prop_assert_eq!(signs.len(), derived.len());
        for d in &derived {
            prop_assert!(d.sign < pack.signs().len() && !d.reasons.is_empty());
            prop_assert!(d.reasons.iter().all(|r| r.because.ends_with('.')));
        }
    }

    #[test]
    fn no_text_panics(noise in proptest::collection::vec(any::<String>(), 6), number in any::<f64>(), years in any::<[i32; 2]>()) {
        let (pack, book) = (Pack::builtin(), book());
        for maker in [noise[0].as_str(), "Halvorne"] {
            for reference in [noise[1].as_str(), "H 2217", "H 6104"] {
                let stated = Facts {
                    maker: Some(maker.into()),
                    reference: Some(reference.into()),
                    years: Some(years),
                    case_diameter_mm: Some(number),
                    gold_claimed: Some(true),
                    movement_diameter_mm: Some(number),
                    dial_text: noise.clone(),
                    dial_name: Some(noise[2].clone()),
                    dial_colour: Some(noise[2].clone()),
                    calibre: Some(noise[3].clone()),
                    movement_number: Some(noise[4].clone()),
                    serial: Some(noise[4].clone()),
                    case_marks: noise.clone(),
                    back_marks: noise.clone(),
                    bezel_marks: noise.clone(),
                    case_name: Some(noise[5].clone()),
                    back_reference: Some(noise[5].clone()),
                    cased_by: Some(noise[5].clone()),
                    ..Facts::default()
                };
                let derived = derive(&pack, &book, &stated);
                prop_assert!(derived.len() <= INPUTS.len());
            }
        }
    }
}

#[test]
fn every_derivable_sign_is_in_the_pack() {
    let pack = Pack::builtin();
    for (sign, inputs) in INPUTS {
        assert!(pack.sign(sign).is_some(), "{sign} is no sign");
        assert!(inputs.iter().all(|i| FIELDS.contains(i)), "{sign}: {inputs:?}");
    }
}

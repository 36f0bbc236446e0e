//! The pictures: well-formed, escaped, the same in grey, adding up, reaching nothing outside.

use roxmltree::{Document, Node};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::Path;
use steelyard::examples;
use steelyard::picture::evidence;
use steelyard::wire::response::Assessment;

/// An invented answer with figures of its own: the picture does not change with the model's.
fn answer(calls: &[(&str, &str, f64)], price: f64, recalibration: f64) -> Value {
    let examples = examples::all().unwrap();
    let example = examples.iter().find(|e| e.pointer.contains("/responses/200/")).unwrap();
    let mut answer = example.value.clone();
    let sum: f64 = calls.iter().map(|(_, _, db)| db).sum();
    let (prior, posterior) = (-5.0, -5.0 + price + recalibration + sum);
    let bad = |db: f64| 1.0 / (1.0 + 10_f64.powf(-db / 10.0));
    answer["listing"] = json!("lot-381");
    answer["model"] = json!({ "version": "1.0", "digest": "sha256:0", "calibrated": recalibration != 0.0 });
    answer["log_odds_db"] =
        json!({ "prior": prior, "price": price, "recalibration": recalibration, "posterior": posterior });
    answer["probability"] = json!({ "bad": bad(posterior), "not_original": 0.9, "prior_bad": bad(prior),
        "interval_90": [bad(posterior - 4.0), bad(posterior + 4.0)] });
    answer["evidence"] = calls
        .iter()
        .map(|(sign, call, db)| {
            json!({ "sign": sign, "call": call, "from": "observed", "resolvable": 1.0, "alone_db": db, "share_db": db })
        })
        .collect();
    answer
}

fn read(answer: &Value) -> Assessment {
    serde_json::from_value(answer.clone()).unwrap()
}

fn drawn(answer: &Value) -> String {
    evidence(&read(answer)).expect("an answer with shares")
}

/// A listing with something of everything: long and short labels, derived calls, small shares.
fn full() -> Value {
    let mut full = answer(
        &[
            ("crown_unsigned", "present", 2.13),
            ("movement_calibre_wrong", "present", 8.64),
            ("back_wording_describes_another_case", "present", 6.71),
            ("dial_print_crisp", "present", -0.06),
            ("seller_avoids_photo", "absent", -1.31),
            ("dial_even_ageing", "present", -0.09),
            ("listing_photos_borrowed", "absent", -0.02),
        ],
        0.42,
        -0.77,
    );
    full["evidence"][2]["from"] = json!("derived");
    full["evidence"][2]["because"] = json!("the back says one thing & the case marks <another>");
    full
}

fn rows<'a>(document: &'a Document) -> Vec<Node<'a, 'a>> {
    let class = |n: &Node| n.attribute("class").is_some_and(|c| c.split(' ').any(|c| c == "row"));
    document.descendants().filter(class).collect()
}

fn texts(node: Node) -> Vec<String> {
    let texts = node.descendants().filter(|n| n.has_tag_name(("http://www.w3.org/2000/svg", "text")));
    texts.map(|n| n.text().unwrap_or_default().replace('\u{a0}', " ")).collect()
}

fn figure(row: &Node) -> f64 {
    let figure = row.descendants().find(|n| n.attribute("class") == Some("figure")).unwrap();
    figure.text().unwrap().replace('\u{2212}', "-").parse().unwrap()
}

fn label(row: &Node) -> String {
    texts(*row)[0].clone()
}

#[test]
fn the_printed_figures_add_up_to_the_posterior() {
    for answer in [full(), answer(&[], 0.0, 0.0), answer(&[("crown_unsigned", "absent", -31.27)], -2.0, 0.0)] {
        let svg = drawn(&answer);
        let document = Document::parse(&svg).unwrap();
        let figures: Vec<f64> = rows(&document).iter().map(figure).collect();
        let (posterior, entries) = figures.split_last().unwrap();
        // Each is rounded to 0.1, so each may be off by half of that.
        let rounding = 0.05 * figures.len() as f64 + 1e-9;
        assert!((entries.iter().sum::<f64>() - posterior).abs() <= rounding, "{figures:?}");
        assert!((posterior - answer["log_odds_db"]["posterior"].as_f64().unwrap()).abs() <= 0.05 + 1e-9);
    }
}

#[test]
fn prior_first_posterior_last_and_between_them_the_largest_share_first() {
    let svg = drawn(&full());
    let document = Document::parse(&svg).unwrap();
    let labels: Vec<String> = rows(&document).iter().map(label).collect();
    assert_eq!(
        labels,
        [
            "Prior",
            "Movement calibre wrong: yes",
            "Back wording describes another",
            "Crown unsigned: yes",
            "Seller avoids photo: no",
            "Recalibration",
            "Asking price",
            "3 others",
            "Posterior",
        ]
    );
    assert!((figure(&rows(&document)[7]) - -0.2).abs() < 1e-9);
}

#[test]
fn without_price_or_calibration_there_is_no_row_for_them() {
    let svg = drawn(&answer(&[("crown_unsigned", "present", 2.0)], 0.0, 0.0));
    let document = Document::parse(&svg).unwrap();
    let labels: Vec<String> = rows(&document).iter().map(label).collect();
    assert_eq!(labels, ["Prior", "Crown unsigned: yes", "Posterior"]);
}

#[test]
fn a_bar_is_as_long_as_its_figure_and_lies_on_its_side_of_zero() {
    let svg = drawn(&full());
    let document = Document::parse(&svg).unwrap();
    let zero_line = document.descendants().find(|n| n.attribute("class") == Some("zero")).unwrap();
    let at = |n: Node, name: &str| n.attribute(name).unwrap().parse::<f64>().unwrap();
    let zero = at(zero_line.first_element_child().unwrap(), "x1");
    let bar = |row: &Node| {
        let rect = row.children().find(|n| n.has_tag_name(("http://www.w3.org/2000/svg", "rect"))).unwrap();
        (at(rect, "x"), at(rect, "width"))
    };
    let rows = rows(&document);
    let longest = rows.iter().max_by(|x, y| figure(x).abs().total_cmp(&figure(y).abs())).unwrap();
    let per_db = bar(longest).1 / figure(longest).abs();
    for row in &rows {
        let ((x, width), db) = (bar(row), figure(row));
        // The figure is rounded to 0.1 dB, places to 0.1.
        assert!((width - per_db * db.abs()).abs() <= 0.1 * per_db + 0.2, "{}: {width}", label(row));
        let meets_zero = if db > 0.0 { x } else { x + width };
        assert!((meets_zero - zero).abs() <= 0.2, "{}", label(row));
    }
}

#[test]
fn pattern_and_words_say_what_tone_says() {
    let svg = drawn(&full());
    let document = Document::parse(&svg).unwrap();
    assert!(rows(&document).len() == 9);
    for row in rows(&document) {
        let way = if figure(&row) > 0.0 { "for" } else { "against" };
        assert!(row.attribute("class").unwrap().split(' ').any(|c| c == way), "{}", label(&row));
        let bar = row.children().find(|n| n.attribute("class") == Some(way)).expect("a bar of that class");
        let pattern = bar.attribute("fill").unwrap().strip_prefix("url(#").and_then(|f| f.strip_suffix(')'));
        assert_eq!(pattern.is_some(), way == "for");
        if let Some(id) = pattern {
            assert!(document.descendants().any(|n| n.tag_name().name() == "pattern" && n.attribute("id") == Some(id)));
        }
    }
    let legend = document.descendants().find(|n| n.attribute("class") == Some("legend")).unwrap();
    assert_eq!(texts(legend), ["speaks against", "speaks for “composite or fake”"]);
    let said = texts(document.root());
    assert!(said.contains(&"observed".to_owned()) && said.iter().any(|t| t.starts_with("derived: ")));
}

#[test]
fn a_screen_reader_hears_the_headline_every_row_and_the_caution() {
    let svg = drawn(&full());
    let document = Document::parse(&svg).unwrap();
    let root = document.root_element();
    assert_eq!(root.attribute("role"), Some("img"));
    let named = |attribute: &str, tag: &str| {
        let id = root.attribute(attribute).unwrap();
        let node = document.descendants().find(|n| n.attribute("id") == Some(id)).unwrap();
        assert_eq!(node.tag_name().name(), tag);
        node.text().unwrap().replace('\u{a0}', " ")
    };
    let title = named("aria-labelledby", "title");
    assert!(title.starts_with("P(composite or fake): 9") && title.contains("90 % interval"), "{title}");
    let description = named("aria-describedby", "desc");
    for row in rows(&document) {
        let heard = format!("{}: ", texts(row)[0]);
        assert!(description.contains(heard.trim_end_matches(": ")), "{heard} in {description}");
    }
    assert!(description.contains("An estimate from photographs, no expert opinion"));
    assert!(texts(document.root()).iter().any(|t| t == "An estimate from photographs, no expert opinion."));
}

#[test]
fn whatever_is_in_the_words_they_stay_words() {
    let hostile = "<script>alert(\"1\")</script>&amp;'><\u{0}\u{b}\u{ffff}]]>漢字";
    let mut answer = full();
    answer["listing"] = json!(hostile);
    answer["model"]["version"] = json!(hostile);
    answer["evidence"][0]["sign"] = json!(hostile);
    answer["evidence"][2]["because"] = json!(hostile.repeat(40));
    let svg = drawn(&answer);
    let document = Document::parse(&svg).unwrap();
    let shown = hostile.replace(['\u{0}', '\u{b}', '\u{ffff}'], "\u{fffd}");
    let description = document.descendants().find(|n| n.tag_name().name() == "desc").unwrap();
    assert!(description.text().unwrap().contains(&shown));
    nothing_but_a_picture(&document);
    everything_lies_inside(&document);
}

fn nothing_but_a_picture(document: &Document) {
    const DRAWING: [&str; 10] = ["svg", "title", "desc", "defs", "pattern", "rect", "line", "text", "g", "polyline"];
    for node in document.descendants().filter(Node::is_element) {
        assert_eq!(node.tag_name().namespace(), Some("http://www.w3.org/2000/svg"));
        assert!(DRAWING.contains(&node.tag_name().name()), "{}", node.tag_name().name());
        for a in node.attributes() {
            assert!(!a.name().starts_with("on") && !["href", "src", "style"].contains(&a.name()), "{}", a.name());
            assert!(a.value().match_indices("url(").all(|(i, _)| a.value()[i..].starts_with("url(#")), "{}", a.value());
            assert!(!a.value().contains("//"), "{}", a.value());
        }
    }
}

fn everything_lies_inside(document: &Document) {
    let view: Vec<f64> =
        document.root_element().attribute("viewBox").unwrap().split(' ').map(|x| x.parse().unwrap()).collect();
    for node in document.descendants() {
        for (name, most) in [("x", view[2]), ("x1", view[2]), ("x2", view[2]), ("y", view[3]), ("y1", view[3])] {
            if let Some(at) = node.attribute(name) {
                let at: f64 = at.parse().unwrap();
                assert!((0.0..=most).contains(&at), "{name} {at}");
            }
        }
    }
}

#[test]
fn no_script_no_style_and_nothing_from_outside() {
    for answer in [full(), answer(&[], 0.0, 0.0)] {
        let svg = drawn(&answer);
        let document = Document::parse(&svg).unwrap();
        nothing_but_a_picture(&document);
        everything_lies_inside(&document);
    }
}

/// Relative luminance of `#rrggbb`, from the Web Content Accessibility Guidelines 2.2 (W3C, 2023).
fn luminance(colour: &str) -> f64 {
    let linear = |i: usize| {
        let c = f64::from(u8::from_str_radix(&colour[i..i + 2], 16).unwrap()) / 255.0;
        if c <= 0.04045 { c / 12.92 } else { ((c + 0.055) / 1.055).powf(2.4) }
    };
    0.2126 * linear(1) + 0.7152 * linear(3) + 0.0722 * linear(5)
}

fn contrast(a: &str, b: &str) -> f64 {
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// Success criteria 1.4.3 (text, 4.5 to 1) and 1.4.11 (what tells bars apart, 3 to 1).
#[test]
fn wcag_2_2_contrast_in_grey_as_in_colour() {
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    let svg = drawn(&full());
    let document = Document::parse(&svg).unwrap();
    let root = document.root_element();
    let paper = root.children().find(|n| n.tag_name().name() == "rect").unwrap().attribute("fill").unwrap();
    let ink = root.attribute("fill").unwrap();
    for text in document.descendants().filter(|n| n.tag_name().name() == "text") {
        assert!(contrast(text.attribute("fill").unwrap_or(ink), paper) >= 4.5);
        assert!(text.attribute("font-size").unwrap().parse::<f64>().unwrap() >= 12.0);
    }
    for bar in document.descendants().filter(|n| matches!(n.attribute("class"), Some("for" | "against"))) {
        assert!(contrast(bar.attribute("stroke").unwrap(), paper) >= 3.0);
    }
    let hatching: BTreeSet<&str> = document
        .descendants()
        .filter(|n| n.parent().is_some_and(|p| p.tag_name().name() == "pattern"))
        .filter_map(|n| n.attribute("fill"))
        .collect();
    let tones: Vec<&str> = hatching.into_iter().collect();
    assert!(tones.len() == 2 && contrast(tones[0], tones[1]) >= 3.0, "{tones:?}");
}

#[test]
fn certainty_is_never_printed() {
    for (share, shown) in [(80.0, "over 99.9 %"), (-80.0, "under 0.1 %"), (28.5, "99.6 %"), (5.0, "50 %")] {
        let svg = drawn(&answer(&[("crown_unsigned", "present", share)], 0.0, 0.0));
        assert!(svg.contains(&format!("P(composite or fake): {shown}<")), "{shown}");
    }
}

#[test]
fn an_answer_without_shares_has_no_picture() {
    let mut answer = full();
    answer["log_odds_db"].as_object_mut().unwrap().remove("price");
    for call in answer["evidence"].as_array_mut().unwrap() {
        call.as_object_mut().unwrap().remove("share_db");
    }
    assert_eq!(evidence(&read(&answer)), None);
}

#[test]
fn an_answer_without_an_interval_has_one_line_less() {
    let mut answer = full();
    answer["probability"].as_object_mut().unwrap().remove("interval_90");
    assert!(!drawn(&answer).contains("interval"));
}

/// The pictures as they were last looked at. A line an element, so that a change can be read.
fn unchanged(name: &str, svg: &str) {
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/pictures").join(name);
    let lines = svg.replace("><", ">\n<") + "\n";
    if std::fs::read_to_string(&kept).ok().as_deref() != Some(lines.as_str()) {
        let new = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
        std::fs::write(&new, lines).unwrap();
        panic!("{} differs from {}: look at both, and copy it if it is right", new.display(), kept.display());
    }
}

#[test]
fn the_evidence_picture_is_as_last_looked_at() {
    unchanged("evidence.svg", &drawn(&full()));
}

//! The pictures: well-formed, escaped, the same in grey, adding up, reaching nothing outside.

use roxmltree::{Document, Node};
use serde_json::{Value, json};
use std::path::Path;
use steelyard::examples;
use steelyard::picture::{Bin, Bound, Reliability, Step, evidence, reliability};
use steelyard::wire::response::Assessment;

/// An invented answer with figures of its own: the picture does not change with the model's.
fn answer(calls: &[(&str, &str, f64)], price: f64, recalibration: f64) -> Value {
    let examples = examples::all().unwrap();
    let of_assess = "/paths/~1v1~1assess/post/responses/200/";
    let example = examples.iter().find(|e| e.pointer.starts_with(of_assess)).unwrap();
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

/// Invented: forecasts that went too far before, and less so after.
fn before() -> Reliability {
    let steps = [
        (0.0, 0.002, 0.0),
        (0.002, 0.015, 0.034),
        (0.017, 0.129, 0.157),
        (0.129, 0.146, 0.2),
        (0.147, 0.222, 0.231),
        (0.241, 0.488, 0.244),
        (0.489, 0.527, 0.375),
        (0.531, 0.572, 0.5),
        (0.573, 0.715, 0.611),
        (0.72, 0.978, 0.692),
        (0.987, 0.998, 1.0),
    ];
    let band = [
        (0.0, 0.0, 0.0),
        (0.003, 0.0, 0.0),
        (0.014, 0.0, 0.042),
        (0.044, 0.0, 0.1),
        (0.088, 0.0, 0.167),
        (0.15, 0.043, 0.263),
        (0.264, 0.125, 0.409),
        (0.381, 0.222, 0.533),
        (0.524, 0.354, 0.682),
        (0.673, 0.5, 0.84),
        (0.811, 0.686, 0.952),
        (0.929, 0.833, 1.0),
        (0.998, 1.0, 1.0),
    ];
    panel("before", &steps, &band, &[85, 25, 14, 19, 13, 18, 8, 15, 18, 25], [0.5766, 0.1776, 0.0230, 0.0662])
}

fn after() -> Reliability {
    let steps = [
        (0.004, 0.024, 0.0),
        (0.024, 0.069, 0.037),
        (0.073, 0.195, 0.156),
        (0.195, 0.199, 0.2),
        (0.199, 0.301, 0.207),
        (0.304, 0.412, 0.258),
        (0.414, 0.457, 0.4),
        (0.457, 0.481, 0.5),
        (0.486, 0.541, 0.545),
        (0.547, 0.87, 0.696),
        (0.896, 0.963, 1.0),
    ];
    let band = [
        (0.004, 0.0, 0.0),
        (0.028, 0.0, 0.071),
        (0.069, 0.0, 0.128),
        (0.114, 0.02, 0.2),
        (0.172, 0.064, 0.267),
        (0.227, 0.114, 0.333),
        (0.301, 0.174, 0.429),
        (0.366, 0.233, 0.5),
        (0.443, 0.311, 0.581),
        (0.524, 0.389, 0.68),
        (0.623, 0.5, 0.786),
        (0.752, 0.615, 0.917),
        (0.963, 1.0, 1.0),
    ];
    panel("after", &steps, &band, &[52, 41, 26, 28, 28, 20, 17, 19, 7, 2], [0.5078, 0.1682, 0.0126, 0.0653])
}

/// What a calibration says.
const SAYS: &str = "On 240 outcomes not seen by the fit the new numbers forecast better: mean log score 0.5078 against \
                    0.5766 nats before, better by 0.0688 with a standard error of 0.0213.";

type Triples<'a> = &'a [(f64, f64, f64)];

fn panel(label: &str, steps: Triples, band: Triples, counts: &[u64; 10], scores: [f64; 4]) -> Reliability {
    let bin = |(i, cases): (usize, &u64)| Bin { low: i as f64 / 10.0, high: (i + 1) as f64 / 10.0, cases: *cases };
    let names = ["log score, nats", "Brier score", "miscalibration (Brier)", "discrimination (Brier)"];
    Reliability {
        label: label.into(),
        cases: 240,
        bad: 79,
        curve: steps.iter().map(|&(low, high, rate)| Step { low, high, rate }).collect(),
        band: band.iter().map(|&(forecast, low, high)| Bound { forecast, low, high }).collect(),
        histogram: counts.iter().enumerate().map(bin).collect(),
        scores: names.map(String::from).into_iter().zip(scores).collect(),
    }
}

fn every_picture() -> [String; 4] {
    [
        drawn(&full()),
        drawn(&answer(&[], 0.0, 0.0)),
        reliability(&before(), None, None),
        reliability(&before(), Some(&after()), Some(SAYS)),
    ]
}

fn at(node: Node, name: &str) -> f64 {
    node.attribute(name).unwrap().parse().unwrap()
}

fn points(node: Node) -> Vec<(f64, f64)> {
    let pair = |p: &str| {
        let (x, y) = p.split_once(',').unwrap();
        (x.parse().unwrap(), y.parse().unwrap())
    };
    node.attribute("points").unwrap_or_default().split_whitespace().map(pair).collect()
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
    const DRAWING: [&str; 11] =
        ["svg", "title", "desc", "defs", "pattern", "rect", "line", "text", "g", "polyline", "polygon"];
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

/// The mean width of a letter in a sans serif, as a share of its size: a rule of thumb.
const LETTER: f64 = 0.5;

fn everything_lies_inside(document: &Document) {
    let view: Vec<f64> =
        document.root_element().attribute("viewBox").unwrap().split(' ').map(|x| x.parse().unwrap()).collect();
    for node in document.descendants() {
        let place = |x: &str, y: &str| node.attribute(x).is_some().then(|| (at(node, x), at(node, y)));
        let ends = [place("x", "y"), place("x1", "y1"), place("x2", "y2")];
        for (x, y) in ends.into_iter().flatten().chain(points(node)) {
            assert!((0.0..=view[2]).contains(&x) && (0.0..=view[3]).contains(&y), "{x},{y}");
        }
        if node.tag_name().name() == "text" {
            let text = node.text().unwrap_or_default();
            let width = LETTER * at(node, "font-size") * text.chars().count() as f64;
            let from = at(node, "x")
                - match node.attribute("text-anchor") {
                    Some("end") => width,
                    Some("middle") => width / 2.0,
                    _ => 0.0,
                };
            assert!(from >= 0.0 && from + width <= view[2], "{text}");
        }
    }
}

#[test]
fn no_script_no_style_and_nothing_from_outside() {
    for svg in every_picture() {
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

/// Success criteria 1.4.3 (text, 4.5 to 1) and 1.4.11 (what a picture is understood by, 3 to 1).
#[test]
fn wcag_2_2_contrast_in_grey_as_in_colour() {
    assert!((contrast("#000000", "#ffffff") - 21.0).abs() < 1e-9);
    for svg in every_picture() {
        let document = Document::parse(&svg).unwrap();
        let root = document.root_element();
        let paper = root.children().find(|n| n.tag_name().name() == "rect").unwrap().attribute("fill").unwrap();
        let ink = root.attribute("fill").unwrap();
        for text in document.descendants().filter(|n| n.tag_name().name() == "text") {
            assert!(contrast(text.attribute("fill").unwrap_or(ink), paper) >= 4.5);
            assert!(at(text, "font-size") >= 12.0);
        }
        const MEANT: [&str; 5] = ["for", "against", "curve", "band", "diagonal"];
        let meant: Vec<Node> =
            document.descendants().filter(|n| n.attribute("class").is_some_and(|c| MEANT.contains(&c))).collect();
        assert!(meant.len() > 3);
        for mark in meant {
            assert!(contrast(mark.attribute("stroke").unwrap(), paper) >= 3.0);
        }
        for pattern in document.descendants().filter(|n| n.tag_name().name() == "pattern") {
            let tones: Vec<&str> = pattern.children().filter_map(|n| n.attribute("fill")).collect();
            assert!(tones.len() == 2 && contrast(tones[0], tones[1]) >= 3.0, "{tones:?}");
        }
    }
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

const MODEL_INTERVAL: &str = "interval from the model's numbers";

#[test]
fn an_answer_without_an_interval_has_one_line_less() {
    let mut answer = full();
    assert!(drawn(&answer).contains(MODEL_INTERVAL));
    answer["probability"].as_object_mut().unwrap().remove("interval_90");
    assert!(!drawn(&answer).contains(MODEL_INTERVAL));
}

/// It would be a point, as if all were known.
#[test]
fn a_watch_of_which_nothing_was_called_has_the_interval_of_its_seller_alone() {
    let mut answer = full();
    answer["evidence"] = json!([]);
    let svg = drawn(&answer);
    assert!(!svg.contains(MODEL_INTERVAL) && svg.contains("the seller's watches: 25 %, 90 % interval 7 % to 49 %"));
}

fn classed<'a>(node: Node<'a, 'a>, class: &str) -> Vec<Node<'a, 'a>> {
    node.descendants().filter(|n| n.attribute("class") == Some(class)).collect()
}

#[test]
fn the_curve_the_band_and_the_bars_stand_at_their_numbers() {
    let (first, second) = (before(), after());
    let svg = reliability(&first, Some(&second), None);
    let document = Document::parse(&svg).unwrap();
    let panels = classed(document.root(), "panel");
    assert_eq!(panels.len(), 2);
    for (panel, told) in panels.iter().zip([&first, &second]) {
        // The diagonal runs from forecast 0 found 0 to forecast 1 found 1: the scale of everything else.
        let diagonal = classed(*panel, "diagonal")[0];
        let (left, bottom) = (at(diagonal, "x1"), at(diagonal, "y1"));
        let (width, height) = (at(diagonal, "x2") - left, bottom - at(diagonal, "y2"));
        assert!((width - height).abs() < 0.2);
        let unit = |(x, y): (f64, f64)| ((x - left) / width, (bottom - y) / height);
        let same = |found: Vec<(f64, f64)>, told: Vec<(f64, f64)>| {
            assert_eq!(found.len(), told.len());
            for (f, t) in found.into_iter().map(unit).zip(told) {
                // Places are given to 0.1.
                assert!((f.0 - t.0).abs() < 0.2 / width && (f.1 - t.1).abs() < 0.2 / height, "{f:?} for {t:?}");
            }
        };
        let curve = told.curve.iter().flat_map(|s| [(s.low, s.rate), (s.high, s.rate)]).collect();
        same(points(classed(*panel, "curve")[0]), curve);
        let low = told.band.iter().map(|b| (b.forecast, b.low));
        let band = low.chain(told.band.iter().rev().map(|b| (b.forecast, b.high))).collect();
        same(points(classed(*panel, "band")[0]), band);

        let bars: Vec<Node> = classed(*panel, "histogram")[0].children().collect();
        let per_case = at(bars[0], "height") / told.histogram[0].cases as f64;
        for (bar, bin) in bars.iter().zip(&told.histogram) {
            assert!((at(*bar, "height") - per_case * bin.cases as f64).abs() < 0.2);
            assert!((at(*bar, "x") - (left + width * bin.low)).abs() < 0.2);
            assert!((at(*bar, "width") - width * (bin.high - bin.low)).abs() < 0.2);
        }
        assert_eq!(bars.len(), told.histogram.len());
    }
}

#[test]
fn both_panels_say_their_number_and_scores() {
    let svg = reliability(&before(), Some(&after()), Some(SAYS));
    let document = Document::parse(&svg).unwrap();
    for (panel, told) in classed(document.root(), "panel").into_iter().zip([before(), after()]) {
        let said = texts(panel);
        assert!(said.contains(&told.label) && said.contains(&"240 forecasts, 79 bad".to_owned()));
        for (name, score) in told.scores {
            assert!(said.contains(&name) && said.contains(&format!("{score:.3}")), "{name}");
        }
    }
    let description = document.descendants().find(|n| n.tag_name().name() == "desc").unwrap().text().unwrap();
    assert!(description.contains("forecast 72 % to 98 %: found 69 %") && description.contains("Brier score 0.178"));
}

/// Whoever sees the picture alone must see what it cannot show, and no name loses a word.
#[test]
fn what_is_said_of_the_forecasts_and_what_the_scores_are_called_stands_there_whole() {
    let says = "From 5 outcomes nothing can be concluded yet: 25 more are needed. The new numbers may be no better than \
                the old. 300 outcomes are left out because no such listing is saved: what was seen of the watch is not \
                known.";
    let mut told = before();
    let named = "Cllr after the best recalibration, bits";
    told.scores.push((named.into(), 0.321));
    for second in [None, Some(&told)] {
        let svg = reliability(&told, second, Some(says));
        let document = Document::parse(&svg).unwrap();
        nothing_but_a_picture(&document);
        everything_lies_inside(&document);
        let words = texts(document.root()).join(" ");
        assert!(words.contains(says), "{words}");
        assert!(words.contains(named), "{words}");
        let description = document.descendants().find(|n| n.tag_name().name() == "desc").unwrap().text().unwrap();
        assert!(description.starts_with(says));
    }
}

#[test]
fn what_a_calibration_is_called_stays_words_and_no_number_breaks_the_picture() {
    let hostile = "<b>&\"'\u{1}";
    let told = Reliability {
        label: hostile.into(),
        cases: 1_000_000_000,
        bad: 0,
        curve: vec![Step { low: -1e300, high: f64::INFINITY, rate: 7.0 }],
        band: vec![],
        histogram: vec![Bin { low: 0.0, high: 9.0, cases: 999_999_999 }, Bin { low: 0.5, high: 0.4, cases: 1 }],
        scores: vec![(hostile.into(), 0.5)],
    };
    for svg in [reliability(&told, None, Some(hostile)), reliability(&told, Some(&told), None)] {
        let document = Document::parse(&svg).unwrap();
        nothing_but_a_picture(&document);
        everything_lies_inside(&document);
        assert!(texts(document.root()).contains(&"<b>&\"'\u{fffd}".to_owned()));
    }
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
fn the_pictures_are_as_last_looked_at() {
    unchanged("evidence.svg", &drawn(&full()));
    unchanged("reliability.svg", &reliability(&before(), Some(&after()), Some(SAYS)));
}

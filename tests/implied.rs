//! What a listing says by itself: facts that do not go together, words that propose, marks that are
//! read; and that the caller's own calls come first.

mod support;

use serde_json::{Value, json};
use steelyard_model::shares::SUM_TOLERANCE_DB;
use support::{Reply, Served};

async fn assess(service: &Served, body: &Value) -> Value {
    let reply = Reply::to(service.post("/v1/assess", body.to_string())).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    reply.json()
}

/// A dial that promises what its movement lacks. Invented names.
fn promising() -> Value {
    json!({
        "watch": { "maker": "Halvorne", "facts": { "dial_text": ["Self-Winding"], "calibre": "71" } },
        "reference_book": { "calibres": [{ "maker": "Halvorne", "calibre": "71", "winding": "hand" }] },
        "observations": [],
    })
}

fn rows<'a>(answer: &'a Value, sign: &str) -> Vec<&'a Value> {
    answer["evidence"].as_array().unwrap().iter().filter(|e| e["sign"] == sign).collect()
}

fn shares(answer: &Value) -> f64 {
    answer["evidence"].as_array().unwrap().iter().map(|e| e["share_db"].as_f64().unwrap()).sum()
}

fn bad(answer: &Value) -> f64 {
    answer["probability"]["bad"].as_f64().unwrap()
}

#[tokio::test]
async fn two_facts_that_disagree_call_a_sign_and_name_both() {
    let service = Served::start();
    let answer = assess(&service, &promising()).await;
    let [row] = rows(&answer, "dial_claims_vs_movement")[..] else { panic!("{answer}") };
    assert_eq!((row["call"].as_str(), row["from"].as_str()), (Some("present"), Some("derived")));
    assert_eq!(row["because"], "The dial says “Self-Winding”; calibre 71 is wound by hand.");
    assert!(bad(&answer) > answer["probability"]["prior_bad"].as_f64().unwrap());
    let db = |part: &str| answer["log_odds_db"][part].as_f64().unwrap();
    assert!(
        (db("prior") + db("price") + db("recalibration") + shares(&answer) - db("posterior")).abs() < SUM_TOLERANCE_DB
    );
    // Without the book there is nothing to compare with.
    let mut alone = promising();
    alone.as_object_mut().unwrap().remove("reference_book");
    assert_eq!(assess(&service, &alone).await["evidence"], json!([]));
}

#[tokio::test]
async fn a_call_of_the_caller_outranks_a_derived_one_and_both_are_shown() {
    let service = Served::start();
    let mut seen = promising();
    seen["observations"] = json!([{ "sign": "dial_claims_vs_movement", "call": "absent" }]);
    let answer = assess(&service, &seen).await;
    let [own, derived] = rows(&answer, "dial_claims_vs_movement")[..] else { panic!("{answer}") };
    assert_eq!((own["from"].as_str(), own["call"].as_str()), (Some("observed"), Some("absent")));
    assert_eq!((derived["from"].as_str(), derived["call"].as_str()), (Some("derived"), Some("present")));
    assert_eq!(derived["overruled_by"], "dial_claims_vs_movement");
    assert_eq!((derived["alone_db"].as_f64(), derived["share_db"].as_f64()), (Some(0.0), Some(0.0)));
    let mut without_facts = seen.clone();
    without_facts["watch"]["facts"] = json!({});
    assert_eq!(bad(&answer), bad(&assess(&service, &without_facts).await));
}

#[tokio::test]
async fn a_book_on_the_command_line_serves_every_request_and_gives_way_to_the_requests_own() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("book.json");
    std::fs::write(&file, promising()["reference_book"].to_string()).unwrap();
    let service = Served::with(&[("STEELYARD_REFERENCE_BOOK", file.to_str().unwrap())]);
    let mut request = promising();
    request.as_object_mut().unwrap().remove("reference_book");
    assert_eq!(rows(&assess(&service, &request).await, "dial_claims_vs_movement").len(), 1);
    request["reference_book"] = json!({ "calibres": [{ "maker": "Halvorne", "calibre": "71", "winding": "self" }] });
    let answer = assess(&service, &request).await;
    assert_eq!(rows(&answer, "dial_claims_vs_movement")[0]["call"], "absent", "{answer}");
}

fn worded(accept: bool) -> Value {
    json!({
        "title": "Steel watch, 21 jewels, dial professionally restored, circa 1955",
        "description": "No lume. Small seconds. Sold as is, no returns.",
        "accept_proposals": accept,
        "offer": { "price": { "amount": "300.00", "currency": "EUR" } },
        "observations": [],
    })
}

fn proposal<'a>(answer: &'a Value, key: &str, name: &str) -> &'a Value {
    let found = answer["proposals"].as_array().unwrap().iter().find(|p| p[key] == name);
    found.unwrap_or_else(|| panic!("{name}: {answer}"))
}

#[tokio::test]
async fn words_propose_and_count_only_once_accepted() {
    let service = Served::start();
    let only_read = assess(&service, &worded(false)).await;
    let nothing_read = assess(&service, &json!({ "observations": [] })).await;
    assert_eq!(only_read["probability"], nothing_read["probability"]);
    assert!(only_read["proposals"].as_array().unwrap().iter().all(|p| p["counts"] == false));
    let jewels = proposal(&only_read, "field", "/watch/facts/jewels");
    assert_eq!((&jewels["value"], &jewels["span"], &jewels["source"]), (&json!(21), &json!([13, 22]), &json!("title")));
    assert_eq!(jewels["words"], "21 jewels");

    let accepted = assess(&service, &worded(true)).await;
    let [row] = rows(&accepted, "listing_says_refinished")[..] else { panic!("{accepted}") };
    assert_eq!((row["from"].as_str(), row["call"].as_str()), (Some("derived"), Some("present")));
    assert!(row["because"].as_str().unwrap().contains("dial professionally restored"), "{row}");
    for field in ["/watch/facts/jewels", "/watch/years", "/watch/traits/small_seconds", "/offer/returns/honoured"] {
        assert_eq!(proposal(&accepted, "field", field)["counts"], true, "{field}");
    }
    assert_eq!(proposal(&accepted, "claim", "as_is")["counts"], false);
}

#[tokio::test]
async fn no_words_of_a_seller_state_that_there_is_no_luminous_paint() {
    let service = Served::start();
    let answer = assess(&service, &worded(true)).await;
    assert_eq!(proposal(&answer, "field", "/watch/traits/luminous")["counts"], false);
    assert!(answer["cautions"].as_array().unwrap().iter().any(|c| c["id"] == "radium_if_luminous"), "{answer}");
}

#[tokio::test]
async fn what_the_request_says_stands_before_what_its_words_propose() {
    let service = Served::start();
    let mut request = worded(true);
    request["watch"] = json!({ "years": [1960, 1961], "facts": { "jewels": 17 } });
    request["observations"] = json!([{ "sign": "listing_says_refinished", "call": "absent" }]);
    let answer = assess(&service, &request).await;
    for (key, name) in
        [("field", "/watch/facts/jewels"), ("field", "/watch/years"), ("sign", "listing_says_refinished")]
    {
        assert_eq!(proposal(&answer, key, name)["counts"], false, "{name}");
    }
    assert_eq!(rows(&answer, "listing_says_refinished").len(), 1);
}

#[tokio::test]
async fn contrary_words_cancel() {
    let service = Served::start();
    let request = json!({
        "title": "Dial restored", "description": "Dial not restored. 17 jewels. 21 jewels.",
        "accept_proposals": true, "observations": [],
    });
    let answer = assess(&service, &request).await;
    assert!(answer["proposals"].as_array().unwrap().len() >= 4, "{answer}");
    assert!(answer["proposals"].as_array().unwrap().iter().all(|p| p["counts"] == false), "{answer}");
    assert_eq!(answer["evidence"], json!([]));
}

#[tokio::test]
async fn a_declared_repaint_earns_no_return_once_its_words_are_accepted() {
    let eur = |amount: &str| json!({ "amount": amount, "currency": "EUR" });
    let service = Served::start();
    let mut request = json!({
        "title": "Dial professionally restored",
        "offer": { "price": eur("300.00"), "returns": { "honoured": 0.9 } },
        "value": { "all_original": { "low": eur("400.00"), "high": eur("600.00") } },
        "observations": [],
    });
    let net = |answer: &Value| -> f64 {
        answer["decision"]["by_story"]["refinished"]["net"]["amount"].as_str().unwrap().parse().unwrap()
    };
    request["accept_proposals"] = json!(true);
    let accepted = net(&assess(&service, &request).await);
    request["accept_proposals"] = json!(false);
    request["observations"] = json!([{ "sign": "listing_says_refinished", "call": "present" }]);
    let undeclared = net(&assess(&service, &request).await);
    request["disclosed"] = json!(["refinished"]);
    let declared = net(&assess(&service, &request).await);
    assert_eq!(accepted, declared);
    assert!(undeclared > declared);
}

#[tokio::test]
async fn marks_are_read_into_metal_fineness_and_part() {
    let service = Served::start();
    let request = json!({
        "watch": { "facts": { "case_marks": ["750"], "back_marks": ["Plaqué or 20 microns, fond acier inoxydable"] } },
        "observations": [],
    });
    let answer = assess(&service, &request).await;
    // ISO 9202: 750 parts per thousand is a fineness of gold.
    assert_eq!(answer["marks"][0]["field"], "/watch/facts/case_marks/0");
    assert_eq!(answer["marks"][0]["metals"][0]["fineness"], 750);
    // French marks on plated cases with steel backs: common practice, no source.
    let [plating, back] = &answer["marks"][1]["metals"].as_array().unwrap()[..] else { panic!("{answer}") };
    assert_eq!((&plating["construction"], &plating["microns"]), (&json!("plated"), &json!(20.0)));
    assert_eq!((&back["part"], &back["metal"]), (&json!("back"), &json!("steel")));
}

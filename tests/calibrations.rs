//! Calibrations over HTTP: a job with progress, a version that comes into force and goes again, and
//! past assessments that keep theirs. Listings are drawn from the model itself.

mod support;

use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::time::{Duration, Instant};
use steelyard::drawn::{Drawing, request, truth};
use steelyard_model::pack::Pack;
use support::{Reply, Served};

/// Until a calibration of a few dozen listings counts as hung.
const PATIENCE: Duration = Duration::from_secs(120);

/// Saves drawn listings, all but a few with what was found inside.
async fn fill(service: &Served, listings: usize, outcomes: usize) {
    let pack = Pack::builtin();
    for (i, drawn) in Drawing::new(&pack, None, 11).unwrap().take(listings).enumerate() {
        let mut listing = request(&pack, &drawn);
        let id = listing.id.take().unwrap();
        let body = serde_json::to_vec(&listing).unwrap();
        let put = service.request("PUT", &format!("/v1/listings/{id}"));
        let saved = Reply::to(put.header("content-type", "application/json").body(body)).await;
        assert_eq!(saved.status, 201, "{}", saved.text());
        if i < outcomes {
            let outcome = serde_json::to_vec(&truth(&pack, &drawn)).unwrap();
            let found = Reply::to(service.post("/v1/outcomes", outcome)).await;
            assert_eq!(found.status, 201, "{}", found.text());
        }
    }
}

async fn calibrated(service: &Served, params: &Value) -> Value {
    let queued = Reply::to(service.post("/v1/calibrations", params.to_string())).await;
    assert_eq!(queued.status, 202, "{}", queued.text());
    let location = queued.header("location").unwrap().to_owned();
    assert_eq!(location, format!("/v1/calibrations/{}", queued.json()["id"].as_str().unwrap()));
    let begun = Instant::now();
    let mut progress = 0.0;
    loop {
        let job = Reply::to(service.get(&location)).await.json();
        let now = job["progress"].as_f64().unwrap();
        assert!(now >= progress && now <= 1.0, "{progress} {job}");
        progress = now;
        if !["queued", "running"].contains(&job["state"].as_str().unwrap()) {
            return job;
        }
        assert!(begun.elapsed() < PATIENCE, "{job}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

async fn activate(service: &Served, version: &str) -> Reply {
    Reply::to(service.request("POST", &format!("/v1/models/{version}/activate"))).await
}

#[tokio::test]
async fn a_calibration_makes_a_version_that_comes_into_force_and_goes_again() {
    let service = Served::start();
    fill(&service, 60, 40).await;
    let before = Reply::to(service.get("/v1/model")).await.json();
    let job = calibrated(&service, &json!({ "seed": 5 })).await;
    assert_eq!(job["state"], "done", "{job}");
    let report = &job["report"];
    assert_eq!((report["n"].as_u64(), report["n_outcomes"].as_u64()), (Some(60), Some(40)));
    assert_eq!(report["enough"], true);
    for card in [&report["before"], &report["after"]] {
        let parts = &card["log_score"];
        let part = |name: &str| parts[name].as_f64().unwrap();
        // Dimitriadis, Gneiting & Jordan (2021): score = miscalibration − discrimination + uncertainty.
        let sum = part("miscalibration") - part("discrimination") + part("uncertainty");
        assert!((sum - part("score")).abs() < 1e-12, "{card}");
    }
    // Nothing changes before it is put in force.
    assert_eq!(Reply::to(service.get("/v1/model")).await.json(), before);

    let version = job["version"].as_str().unwrap();
    let put = activate(&service, version).await;
    assert_eq!(put.status, 200, "{}", put.text());
    let model = Reply::to(service.get("/v1/model")).await.json();
    assert_eq!((model["version"].as_str(), &model["calibrated"]), (Some(version), &json!(true)));
    let thought = Reply::to(service.get("/v1/listings/s-50/assessments")).await.json();
    let [now, then, ..] = &thought["items"].as_array().unwrap()[..] else { panic!("no two assessments") };
    assert_eq!((now["model"].as_str(), &then["model"]), (Some(version), &before["version"]));
    assert_eq!(now["last_revision"], Value::Null);

    assert_eq!(activate(&service, before["version"].as_str().unwrap()).await.status, 200);
    assert_eq!(Reply::to(service.get("/v1/model")).await.json(), before);
    let back = Reply::to(service.get("/v1/listings/s-50")).await.json();
    // By the same numbers the same answer, to the last digit.
    assert_eq!(back["assessment"], then["assessment"]);
    assert_eq!(activate(&service, "no-such-version").await.status, 404);

    // What was thought under either version is computed again by it, whichever is in force.
    let mut versions = BTreeSet::new();
    for id in ["s-1", "s-50", "s-59"] {
        let thought = Reply::to(service.get(&format!("/v1/listings/{id}/assessments"))).await.json();
        for item in thought["items"].as_array().unwrap() {
            let path = format!("/v1/listings/{id}/assessments/{}", item["first_revision"]);
            let past = Reply::to(service.get(&path)).await.json();
            assert_eq!(past["computed_again"], item["assessment"], "{path}");
            assert_eq!(past["computed_again"]["model"]["version"], item["model"]);
            versions.insert(item["model"].as_str().unwrap().to_owned());
        }
    }
    assert_eq!(versions.len(), 2, "{versions:?}");

    let picture =
        Reply::to(service.get(&format!("/v1/calibrations/{}/reliability.svg", job["id"].as_str().unwrap()))).await;
    assert_eq!(picture.status, 200);
    assert_eq!(picture.header("content-type"), Some("image/svg+xml"));
    assert!(picture.text().starts_with("<svg"), "{}", picture.text());
}

#[tokio::test]
async fn a_watch_put_up_again_is_one_case_and_an_unsure_outcome_is_not_scored() {
    let service = Served::start();
    fill(&service, 20, 0).await;
    let listing = |seller: &str| {
        let facts = json!({ "serial": "11845" });
        json!({ "seller": { "id": seller }, "watch": { "maker": "Halvorne", "facts": facts }, "observations": [] })
    };
    for (id, seller) in [("one", "s"), ("again", "s"), ("elsewhere", "t")] {
        let put = service.request("PUT", &format!("/v1/listings/{id}")).header("content-type", "application/json");
        assert_eq!(Reply::to(put.body(listing(seller).to_string())).await.status, 201);
    }
    for (id, certainty) in [("one", 1.0), ("elsewhere", 0.6)] {
        let outcome = json!({ "listing": id, "story": "composite", "certainty": certainty });
        assert_eq!(Reply::to(service.post("/v1/outcomes", outcome.to_string())).await.status, 201);
    }
    let job = calibrated(&service, &json!({})).await;
    let report = &job["report"];
    assert_eq!((report["n"].as_u64(), report["n_outcomes"].as_u64()), (Some(22), Some(2)), "{job}");
    assert_eq!((report["n_certain"].as_u64(), report["needed"].as_u64()), (Some(1), Some(29)), "{report}");
    let says = report["says"].as_str().unwrap();
    assert!(says.contains("1 outcome is not certain: it teaches, but is not scored"), "{report}");
}

/// Of a watch whose listing is gone, or never came, it is not known what was seen: however many such
/// outcomes there are, they move no number and enter no score.
#[tokio::test]
async fn outcomes_of_listings_that_are_not_saved_are_left_out_and_counted() {
    let service = Served::start();
    fill(&service, 45, 35).await;
    let params = json!({ "seed": 2, "folds": 2 });
    let without = calibrated(&service, &params).await;
    assert_eq!(without["report"]["outcomes_without_listing"], 0, "{without}");
    // The same watches under other names, all said to be fakes with a part that tells.
    let mut lines = String::new();
    for i in 0..80 {
        lines += &json!({ "listing": format!("elsewhere-{i}"), "story": "fake", "components": { "dial": "foreign" },
            "signs": { "dial_too_fresh": "absent" } })
        .to_string();
        lines.push('\n');
    }
    let sent = service.request("POST", "/v1/outcomes/import").header("content-type", "application/x-ndjson");
    assert_eq!(Reply::to(sent.body(lines)).await.json()["unsaved"].as_array().unwrap().len(), 80);
    let with = calibrated(&service, &params).await;
    assert_eq!(with["report"]["outcomes_without_listing"], 80, "{with}");
    let says = with["report"]["says"].as_str().unwrap();
    assert!(
        says.ends_with(
            "80 outcomes are left out because no such listing is saved: what was seen of the watch is not known."
        ),
        "{says}"
    );
    let figures = |job: &Value| {
        let mut report = job["report"].clone();
        let report_of = report.as_object_mut().unwrap();
        report_of.remove("says");
        report_of.remove("outcomes_without_listing");
        report
    };
    assert_eq!(figures(&with), figures(&without));

    // The outcome of a listing that is deleted goes the same way, and its seller's page keeps it.
    let sold = Reply::to(service.get("/v1/listings/s-3")).await.json();
    let seller = format!("/v1/sellers/{}", sold["request"]["seller"]["id"].as_str().unwrap());
    let page = async || Reply::to(service.get(&seller)).await.json()["outcomes"].as_u64().unwrap();
    let before = page().await;
    assert_eq!(Reply::to(service.request("DELETE", "/v1/listings/s-3")).await.status, 204);
    assert!(before > 0 && page().await == before);
    let fewer = calibrated(&service, &params).await;
    let count = |name: &str| fewer["report"][name].as_u64().unwrap();
    assert_eq!((count("n"), count("n_outcomes"), count("outcomes_without_listing")), (44, 34, 81));
}

#[tokio::test]
async fn the_same_seed_and_data_give_the_same_numbers() {
    let service = Served::start();
    fill(&service, 40, 35).await;
    let mut numbers = Vec::new();
    for _ in 0..2 {
        let job = calibrated(&service, &json!({ "seed": 3, "folds": 4 })).await;
        assert_eq!(job["state"], "done", "{job}");
        numbers.push(job["report"].clone());
    }
    assert_eq!(numbers[0], numbers[1]);
}

#[tokio::test]
async fn with_few_outcomes_it_says_that_nothing_can_be_concluded_yet() {
    let service = Served::start();
    fill(&service, 12, 4).await;
    let job = calibrated(&service, &json!({})).await;
    assert_eq!(job["state"], "done", "{job}");
    let report = &job["report"];
    assert_eq!((&report["enough"], report["needed"].as_u64()), (&json!(false), Some(26)));
    assert!(report["says"].as_str().unwrap().contains("nothing can be concluded"), "{report}");
    let empty = Served::start();
    let job = calibrated(&empty, &json!({})).await;
    assert_eq!((&job["state"], job["report"]["n"].as_u64()), (&json!("done"), Some(0)), "{job}");
    let no_picture = format!("/v1/calibrations/{}/reliability.svg", job["id"].as_str().unwrap());
    assert_eq!(Reply::to(empty.get(&no_picture)).await.status, 404);
}

#[tokio::test]
async fn a_key_sent_again_queues_nothing_and_another_body_under_it_is_refused() {
    let service = Served::start();
    let send = |body: &str| service.post("/v1/calibrations", body).header("idempotency-key", "k-1");
    let first = Reply::to(send("{}")).await;
    let again = Reply::to(send("{}")).await;
    assert_eq!(first.status, 202, "{}", first.text());
    assert_eq!(again.status, 202);
    assert_eq!(first.text(), again.text());
    assert_eq!(Reply::to(send("{\"seed\": 2}")).await.status, 422);
    let all = Reply::to(service.get("/v1/calibrations")).await.json();
    assert_eq!(all["items"].as_array().unwrap().len(), 1, "{all}");
}

/// An order to stop waits for requests under way, but for no fit: that would go on for minutes.
#[tokio::test]
async fn a_service_that_is_told_to_stop_leaves_its_calibration() {
    let mut service = Served::start();
    fill(&service, 150, 100).await;
    let queued = Reply::to(service.post("/v1/calibrations", "{\"folds\": 20}")).await;
    let location = queued.header("location").unwrap().to_owned();
    let begun = Instant::now();
    loop {
        let job = Reply::to(service.get(&location)).await.json();
        if job["progress"].as_f64().unwrap() > 0.0 {
            assert_eq!(job["state"], "running", "{job}");
            break;
        }
        assert!(begun.elapsed() < PATIENCE, "{job}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    service.terminate();
    let ended = service.ended_within(Duration::from_secs(20)).expect("it waits for the fit");
    assert!(ended.success(), "{ended}");
}

#[tokio::test]
async fn one_that_is_called_off_makes_no_version() {
    let service = Served::start();
    fill(&service, 150, 100).await;
    let queued = Reply::to(service.post("/v1/calibrations", "{\"folds\": 20}")).await;
    let location = queued.header("location").unwrap().to_owned();
    let called_off = Reply::to(service.request("DELETE", &location)).await;
    assert_eq!(called_off.status, 202, "{}", called_off.text());
    let begun = Instant::now();
    let job = loop {
        let job = Reply::to(service.get(&location)).await.json();
        if !["queued", "running"].contains(&job["state"].as_str().unwrap()) {
            break job;
        }
        assert!(begun.elapsed() < PATIENCE, "{job}");
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    assert_eq!((&job["state"], &job["version"]), (&json!("cancelled"), &Value::Null), "{job}");
    let models = Reply::to(service.get("/v1/models")).await.json();
    assert_eq!(models["items"].as_array().unwrap().len(), 1, "{models}");
    assert_eq!(Reply::to(service.request("DELETE", "/v1/calibrations/none")).await.status, 404);
}

#[tokio::test]
async fn a_doubtful_outcome_neither_fails_a_calibration_nor_makes_it_say_what_is_not_so() {
    let service = Served::start();
    for i in 0..34 {
        let seller = if i < 31 { "one" } else { "another" };
        let listing = json!({ "seller": { "id": seller }, "observations": [] }).to_string();
        let put = service.request("PUT", &format!("/v1/listings/l-{i}")).header("content-type", "application/json");
        assert_eq!(Reply::to(put.body(listing)).await.status, 201);
    }
    let found = async |i: usize, certainty: Option<f64>| {
        let story = ["original", "composite"][i % 2];
        let outcome = json!({ "listing": format!("l-{i}"), "story": story, "certainty": certainty });
        let outcome =
            if certainty.is_some() { outcome } else { json!({ "listing": format!("l-{i}"), "story": story }) };
        assert_eq!(Reply::to(service.post("/v1/outcomes", outcome.to_string())).await.status, 201);
    };
    for i in 0..31 {
        found(i, Some(0.5)).await;
    }
    found(31, Some(0.5)).await;
    let report = calibrated(&service, &json!({})).await["report"].clone();
    let says = report["says"].as_str().unwrap();
    assert!(says.starts_with("From 0 certain outcomes nothing can be concluded yet: 30 more are needed."), "{says}");
    assert!(says.contains("32 outcomes are not certain") && !says.contains("one seller"), "{says}");
    assert_eq!((&report["before"], &report["recalibration"]), (&Value::Null, &Value::Null));
    // Of the second seller nothing is certain: only one can be held back.
    for i in 0..31 {
        found(i, None).await;
    }
    let report = calibrated(&service, &json!({})).await["report"].clone();
    let says = report["says"].as_str().unwrap();
    assert!(
        says.starts_with("All 31 certain outcomes are of one seller") && says.contains("1 outcome is not"),
        "{says}"
    );
    assert_eq!((&report["recalibration"], &report["certain_sellers"]), (&Value::Null, &json!(1)));
    found(32, None).await;
    let report = calibrated(&service, &json!({})).await["report"].clone();
    assert_eq!((&report["after"]["cases"], &report["certain_sellers"]), (&json!(32), &json!(2)), "{report}");
    // A state that the component is never in is refused, not kept for every later fit to fail on.
    let crown = json!({ "listing": "l-1", "story": "refinished", "components": { "crown": "refinished" } });
    let refused = Reply::to(service.post("/v1/outcomes", crown.to_string())).await;
    assert_eq!(refused.status, 422, "{}", refused.text());
    assert!(refused.text().contains("/components/crown"), "{}", refused.text());
}

#[tokio::test]
async fn what_a_listing_states_of_its_seller_counts_in_the_score_card_and_never_twice() {
    let service = Served::start();
    let put = async |i: usize, extra: &Value| {
        let mut seller = json!({ "id": format!("s-{i}"), "feedback": { "positive": 180, "negative": 20 * (i % 2) } });
        seller.as_object_mut().unwrap().extend(extra.as_object().unwrap().clone());
        let listing = json!({ "seller": seller, "observations": [] }).to_string();
        let put = service.request("PUT", &format!("/v1/listings/l-{i:02}")).header("content-type", "application/json");
        let saved = Reply::to(put.body(listing)).await;
        assert!(saved.status.is_success(), "{}", saved.text());
        saved.json()["assessment"]["probability"]["bad"].as_f64().unwrap()
    };
    let mut served = Vec::new();
    for i in 0..32_usize {
        served.push(put(i, &json!({ "outcomes": { "bad": if i % 2 == 1 { 16 } else { 1 }, "total": 20 } })).await);
    }
    for i in 0..32_usize {
        let story = ["original", "composite"][i % 2];
        let outcome = json!({ "listing": format!("l-{i:02}"), "story": story });
        assert_eq!(Reply::to(service.post("/v1/outcomes", outcome.to_string())).await.status, 201);
    }
    let report = calibrated(&service, &json!({})).await["report"].clone();
    let mean = served.iter().sum::<f64>() / 32.0;
    let forecast = |report: &Value| report["before"]["mean_forecast"].as_f64().unwrap();
    assert!((forecast(&report) - mean).abs() < 1e-9, "{} {mean}", report["before"]);
    assert!(report["before"]["auc"].as_f64().unwrap() > 0.99, "{report}");
    // Said again with the watch found since, beside another one: it is stored as an outcome, and counts
    // as that.
    for i in 0..32_usize {
        let totals = json!({ "bad": if i % 2 == 1 { 17 } else { 1 }, "total": 21 });
        let listing = json!({ "seller": { "id": format!("s-{i}"), "outcomes": totals }, "observations": [] });
        let put = service.request("PUT", &format!("/v1/listings/m-{i}")).header("content-type", "application/json");
        assert_eq!(Reply::to(put.body(listing.to_string())).await.status, 201);
    }
    let again = calibrated(&service, &json!({})).await["report"].clone();
    assert_eq!(again["n"], json!(64));
    assert!((forecast(&again) - mean).abs() < 1e-9, "{} {mean}", again["before"]);
}

/// What was found and written into the listing afterwards makes no model clairvoyant.
#[tokio::test]
async fn a_listing_foresees_with_what_was_in_it_before_anything_was_found_out() {
    const SIGNS: [&str; 2] = ["movement_ring_makeshift", "movement_calibre_wrong"];
    let service = Served::start();
    let put = async |i: usize, calls: Vec<Value>| {
        let listing = json!({ "seller": { "id": format!("s-{i}") }, "observations": calls, "status": "bought" });
        let put = service.request("PUT", &format!("/v1/listings/l-{i:02}")).header("content-type", "application/json");
        let saved = Reply::to(put.body(listing.to_string())).await;
        assert!(saved.status.is_success(), "{}", saved.text());
    };
    let call = |i: usize| if i.is_multiple_of(4) { "present" } else { "absent" };
    let hand = |i: usize| SIGNS.map(|sign| json!({ "sign": sign, "call": call(i), "in_hand": true })).to_vec();
    for i in 0..40_usize {
        // Of some it was in the listing by then: what is called in hand foresees nothing either.
        let mut calls = if i % 8 < 2 { hand(i) } else { Vec::new() };
        calls.push(json!({ "sign": "crown_unsigned", "call": "present" }));
        put(i, calls).await;
    }
    for i in 0..40_usize {
        let story = if i.is_multiple_of(4) { "composite" } else { "original" };
        let outcome = json!({ "listing": format!("l-{i:02}"), "story": story, "signs": { SIGNS[0]: call(i) } });
        assert_eq!(Reply::to(service.post("/v1/outcomes", outcome.to_string())).await.status, 201);
    }
    let report = calibrated(&service, &json!({})).await["report"].clone();
    assert_eq!((&report["before"]["auc"], report["before"]["cases"].as_u64()), (&json!(0.5), Some(40)), "{report}");
    // In the outcome and in the listing it is one finding, and the call in hand proves no reading right.
    let sign = |name: &str| {
        let of = |s: &&Value| s["sign"] == json!(name);
        report["signs"].as_array().unwrap().iter().find(of).unwrap()
    };
    let one = sign(SIGNS[0]);
    assert_eq!((one["calls"].as_u64(), one["verified"].as_u64()), (Some(0), Some(40)), "{one}");
    assert_eq!(sign(SIGNS[1])["calls"].as_u64(), Some(10));
    let verified: u64 = report["readings"].as_array().unwrap().iter().map(|r| r["verified"].as_u64().unwrap()).sum();
    assert_eq!(verified, 0, "{report}");
    // What is written into the listing later changes nothing.
    for i in 0..40_usize {
        let mut calls = hand(i);
        calls.push(json!({ "sign": "listing_superlatives", "call": call(i) }));
        put(i, calls).await;
    }
    assert_eq!(calibrated(&service, &json!({})).await["report"], report);
}

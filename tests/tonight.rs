//! `steelyard tonight`: what the dealer reads before the auctions end.

mod support;

use serde_json::{Value, json};
use std::fs;
use std::path::Path;
use support::{Printed, run};

/// Before the first of the demo's auctions ends.
const EVENING: &str = "2026-11-24T18:00:00Z";
const SHOWN: &str = include_str!("golden/tonight.txt");

fn demo(file: &str) -> String {
    format!("{}/../demo/{file}", env!("CARGO_MANIFEST_DIR"))
}

/// A store with the lines of an export in it.
fn stored(lines: &Path) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let imported = run(&["import", "--data", folder.path().to_str().unwrap(), lines.to_str().unwrap()]);
    assert_eq!(imported.code, Some(0), "{}", imported.err);
    folder
}

fn evening() -> tempfile::TempDir {
    stored(Path::new(&demo("evening.ndjson")))
}

/// A store with these requests in it.
fn of(requests: &[Value]) -> tempfile::TempDir {
    let file = tempfile::NamedTempFile::new().unwrap();
    let at = "2026-11-24T12:00:00.000000Z";
    let mut lines = vec![json!({ "kind": "export", "format": 1 })];
    lines.extend(requests.iter().map(|r| {
        json!({ "kind": "listing", "id": r["id"], "status": "open", "seller": null, "serial": null, "photos": [],
                "saved_at": at, "updated_at": at, "request": r })
    }));
    lines.push(json!({ "kind": "end", "lines": requests.len() }));
    fs::write(file.path(), lines.iter().map(|l| l.to_string() + "\n").collect::<String>()).unwrap();
    stored(file.path())
}

fn tonight(folder: &tempfile::TempDir, more: &[&str]) -> Printed {
    let mut arguments = vec!["tonight", "--data", folder.path().to_str().unwrap()];
    if !more.contains(&"--at") {
        arguments.extend(["--at", EVENING]);
    }
    arguments.extend(more);
    run(&arguments)
}

fn as_json(folder: &tempfile::TempDir, more: &[&str]) -> Value {
    let printed = tonight(folder, &[more, &["--json"]].concat());
    assert_eq!(printed.code, Some(0), "{}", printed.err);
    serde_json::from_str(&printed.out).unwrap()
}

fn items(list: &Value) -> Vec<&Value> {
    list["rankings"].as_array().unwrap().iter().flat_map(|r| r["items"].as_array().unwrap()).collect()
}

fn ids(list: &Value) -> Vec<&str> {
    items(list).iter().map(|i| i["id"].as_str().unwrap()).collect()
}

fn number(money: &Value) -> f64 {
    money["amount"].as_str().unwrap().parse().unwrap()
}

fn eur(amount: &str) -> Value {
    json!({ "amount": amount, "currency": "EUR" })
}

#[test]
fn the_page_reads_as_it_was_last_read() {
    let printed = tonight(&evening(), &["--budget", "2000EUR"]);
    assert_eq!((printed.code, printed.err.as_str()), (Some(0), ""));
    if printed.out != SHOWN {
        let file = std::env::temp_dir().join("tonight.txt");
        fs::write(&file, &printed.out).unwrap();
        panic!("the page is another: read {} and put it in tests/golden/tonight.txt if it is right", file.display());
    }
}

#[test]
fn it_fits_a_terminal_and_says_all_that_matters() {
    assert!(SHOWN.lines().all(|l| l.chars().count() <= 80 && l == l.trim_end()));
    for words in [
        "ferry-9  Brisquel automatic",
        "before   quay-31, 2026-08-02, bought, 640.00 EUR, found composite",
        "bell-198  Vorhalm, gilt, as found",
        "look     ",
        "GBP (1)",
        "marked *",
    ] {
        assert!(SHOWN.contains(words), "{words}");
    }
}

/// What the page says is what `POST /v1/assess` says of each listing.
#[test]
fn figures_are_those_of_an_assessment() {
    let list = as_json(&evening(), &[]);
    let lines = fs::read_to_string(demo("evening.ndjson")).unwrap();
    let requests: Vec<Value> = lines.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    for item in items(&list) {
        // Pooled with what else is stored of the seller: compared where nothing is.
        let line = requests.iter().find(|r| r["id"] == item["id"]).unwrap();
        if !line["seller"].is_null() {
            continue;
        }
        let file = tempfile::NamedTempFile::new().unwrap();
        fs::write(file.path(), line["request"].to_string()).unwrap();
        let assessed: Value = serde_json::from_str(&run(&["assess", file.path().to_str().unwrap()]).out).unwrap();
        assert_eq!(item["bad"], assessed["probability"]["bad"]);
        for figure in ["advice", "walk_away_price", "expected_net"] {
            assert_eq!(item[figure], assessed["decision"][figure]);
        }
        // What to ask for is worth more than asking costs, and then the advice is to ask first.
        let cost = number(&assessed["decision"]["asking_cost"]);
        let asked = item["ask_next"].as_array().unwrap();
        let worths: Vec<f64> = asked.iter().map(|a| number(&a["worth"])).collect();
        assert_eq!(item["advice"] == "ask_first", !asked.is_empty(), "{item}");
        assert!(worths.iter().all(|w| *w > cost) && worths.is_sorted_by(|a, b| a >= b), "{item}");
        assert_eq!(item["ask_worth"], assessed["ask_next"][0]["worth"]);
        if let Some(first) = asked.first() {
            assert_eq!(*first, assessed["ask_next"][0]);
        }
        assert_eq!(item["look_next"], assessed["look_next"]);
        let strength = |r: &Value| r["share_db"].as_f64().unwrap().abs();
        let mut all: Vec<f64> = assessed["evidence"].as_array().unwrap().iter().map(strength).collect();
        all.extend(["prior", "price", "recalibration"].map(|of| assessed["log_odds_db"][of].as_f64().unwrap().abs()));
        all.retain(|db| *db >= 0.05);
        all.sort_by(|a, b| b.total_cmp(a));
        let shown: Vec<f64> = item["reasons"].as_array().unwrap().iter().map(strength).collect();
        assert_eq!(shown, all[..shown.len()], "the strongest, the strongest first");
        assert_eq!(shown.len(), all.len().min(3));
    }
}

#[test]
fn the_largest_come_first_whatever_it_is_ranked_by() {
    let folder = evening();
    let figure = |by: &str, item: &Value| match by {
        "expected_net" => number(&item["expected_net"]),
        "net_per_stake" => item["net_per_stake"].as_f64().unwrap(),
        _ => number(&item["ask_worth"]),
    };
    let mut orders = Vec::new();
    for by in ["expected_net", "net_per_stake", "ask_worth"] {
        let list = as_json(&folder, &["--by", by]);
        assert_eq!(list["by"], by);
        for ranking in list["rankings"].as_array().unwrap() {
            let shown = ranking["items"].as_array().unwrap();
            assert!(shown.iter().all(|i| i["price"]["currency"] == ranking["currency"]), "one currency a ranking");
            assert!(shown.is_sorted_by(|a, b| figure(by, a) >= figure(by, b)), "{by}");
            assert!(shown.iter().enumerate().all(|(i, row)| row["rank"] == i + 1));
        }
        orders.push(ids(&list).iter().map(|id| (*id).to_owned()).collect::<Vec<_>>());
    }
    assert!(orders.iter().all(|o| o.len() == orders[0].len()) && orders[0] != orders[2]);
    let two = as_json(&folder, &["--limit", "2"]);
    assert_eq!(ids(&two).len(), 3, "two in euros and one in pounds");
    assert_eq!(two["rankings"][0]["open"], 5);
}

#[test]
fn what_has_ended_is_not_ranked() {
    let folder = evening();
    let at = |time: &str| as_json(&folder, &["--at", time, "--budget", "9000EUR"]);
    let (before, after) = (at("2026-11-24T17:29:59Z"), at("2026-11-24T20:30:00Z"));
    assert!(ids(&before).contains(&"bell-198") && before["ended"] == json!([]));
    let ended = after["ended"].as_array().unwrap();
    assert_eq!(ended.iter().map(|e| e["id"].as_str().unwrap()).collect::<Vec<_>>(), ["bell-198", "bell-204"]);
    assert!(!ids(&after).contains(&"bell-204"));
    assert!(!after["bids"]["choose"].as_array().unwrap().contains(&json!("bell-204")), "nor bid on");
    let left = items(&after).iter().find(|i| i["id"] == "bell-211").unwrap()["seconds_left"].as_i64();
    assert_eq!(left, Some(15 * 60));
}

#[test]
fn a_budget_is_kept_to_and_one_watch_is_won_once() {
    let folder = evening();
    let rich = as_json(&folder, &["--budget", "9000 EUR"]);
    let chosen = rich["bids"]["choose"].as_array().unwrap();
    let (one, other) = (json!("bell-211"), json!("quay-77"));
    assert!(chosen.contains(&one) && !chosen.contains(&other), "their photos are the same: {chosen:?}");
    assert!(chosen.contains(&json!("bell-204")));
    let group = as_json(&folder, &["--budget", "9000EUR", "--at-most-one", "bell-211,bell-204"]);
    assert_eq!(group["bids"]["choose"].as_array().unwrap().len(), 2, "of the three pairs one is free: {group}");
    assert_eq!(as_json(&folder, &["--budget", "0EUR"])["bids"]["choose"], json!([]));
    // Ending at the walk-away price, an auction brings the margin wanted and no more.
    let dear = as_json(&folder, &["--budget", "9000EUR", "--expect", "1"]);
    for bid in dear["bids"]["listings"].as_array().unwrap() {
        assert_eq!(bid["expected_price"], bid["walk_away_price"]);
        let margin = number(&bid["expected_net"]) - 0.15 * number(&bid["stake"]);
        assert!((0.0..0.03).contains(&margin), "{bid}");
    }
    assert_eq!(as_json(&folder, &["--budget", "9000GBP"])["bids"]["listings"], json!([]), "no auction in pounds");
}

#[test]
fn nothing_is_written() {
    let folder = evening();
    let exported = || {
        let printed = run(&["export", "--data", folder.path().to_str().unwrap(), "-"]);
        assert_eq!(printed.code, Some(0), "{}", printed.err);
        printed.out
    };
    let before = exported();
    let (first, second) = (tonight(&folder, &[]), tonight(&folder, &[]));
    assert_eq!(first.out, second.out);
    assert_eq!(exported(), before);
}

/// A listing's words are a stranger's: they must not move the cursor, forge a line or hide one.
#[test]
fn a_strangers_words_stay_on_their_line() {
    let title = "fine\u{1b}[2J\u{1b}]0;x\u{7} watch\r\n    1 buy  0.00\u{202e}elcs\u{2028}end";
    let folder = of(&[json!({ "id": "a", "title": title, "observations": [] })]);
    let printed = tonight(&folder, &[]);
    assert!(printed.out.contains("a  fine [2J ]0;x watch 1 buy 0.00 elcs end"), "{}", printed.out);
    assert!(printed.out.chars().all(|c| c == '\n' || !c.is_control()), "{:?}", printed.out);
    let long = of(&[json!({ "id": "b", "title": "時計".repeat(200), "observations": [] })]);
    assert!(tonight(&long, &[]).out.lines().all(|l| l.chars().count() <= 80));
}

#[test]
fn a_request_for_some_parts_is_shown_in_all() {
    let request = json!({
        "id": "short", "include": [], "offer": { "price": eur("300.00") },
        "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } },
        "photos": [{ "id": "p1", "view": "dial_straight", "dial_width_px": 1400 }],
        "observations": [{ "sign": "dial_too_fresh", "call": "present", "photo": "p1" }],
    });
    let list = as_json(&of(&[request]), &[]);
    let item = items(&list)[0];
    assert!(item["advice"].is_string() && item["look_next"].is_array() && item["ask_next"].is_array(), "{item}");
    assert!(item["reasons"].as_array().unwrap().iter().any(|r| r["sign"] == "dial_too_fresh"));
}

/// Quick triage: nothing but what a search page shows, before anybody has looked at anything.
#[test]
fn a_price_a_segment_and_photo_sizes_are_enough() {
    let assess = |request: &Value| -> Value {
        let file = tempfile::NamedTempFile::new().unwrap();
        fs::write(file.path(), request.to_string()).unwrap();
        let printed = run(&["assess", file.path().to_str().unwrap()]);
        assert_eq!(printed.code, Some(0), "{}", printed.err);
        serde_json::from_str(&printed.out).unwrap()
    };
    let mut request = json!({
        "offer": { "price": eur("240.00") },
        "seller": { "segment": "volume_seller_of_bright_dials" },
        "photos": [{ "id": "p1", "view": "dial_macro", "dial_width_px": 900 },
                   { "id": "p2", "view": "movement_open", "dial_width_px": 1200 }],
        "observations": [],
    });
    let answer = assess(&request);
    let looks = answer["look_next"].as_array().unwrap();
    assert_eq!(looks.len(), 3);
    for look in looks {
        assert!(look["question"].as_str().unwrap().ends_with('?') && look["how_to_look"].is_string());
        assert!(look["worth"].is_null(), "no value, no worth");
        assert!(look["bits_bad"].as_f64().unwrap() > 0.0);
        assert!(["p1", "p2"].map(Value::from).contains(&look["photo"]) || look["photo"].is_null());
    }
    assert!(looks.iter().any(|l| l["photo"] == "p2"), "the movement says most of what is hidden: {looks:?}");
    // With a value there is something to win or lose by looking.
    request["offer"]["price"] = eur("155.00");
    request["value"] = json!({ "all_original": { "low": eur("300.00"), "high": eur("500.00") } });
    let answer = assess(&request);
    assert!(answer["decision"]["advice"].is_string() && number(&answer["look_next"][0]["worth"]) > 0.0, "{answer}");
    // A sign that is called is looked at no more.
    let first = answer["look_next"][0]["sign"].clone();
    request["observations"] = json!([{ "sign": first, "call": "absent" }]);
    assert!(assess(&request)["look_next"].as_array().unwrap().iter().all(|l| l["sign"] != first));
    request["include"] = json!(["decision"]);
    assert_eq!(assess(&request).get("look_next"), None);
    request["include"] = json!(["look_next"]);
    request["stage"] = json!("received");
    assert_eq!(assess(&request).get("look_next"), None, "a watch on the bench is looked at itself");
}

#[test]
fn with_nothing_to_list_it_says_so() {
    let printed = tonight(&of(&[]), &[]);
    assert_eq!((printed.code, printed.out.as_str(), printed.err.as_str()), (Some(0), "", "no listing is open\n"));
    let nowhere = tempfile::tempdir().unwrap();
    let printed = tonight(&nowhere, &[]);
    assert_eq!((printed.code, printed.out.as_str()), (Some(1), ""));
    assert!(printed.err.contains("nothing is stored there"), "{}", printed.err);
}

#[test]
fn wrong_usage_is_named() {
    let folder = evening();
    for (arguments, code, words) in [
        (&["--budget", "2000"][..], 2, "an amount and its currency"),
        (&["--budget", "2000EUR", "--expect", "1.5"], 2, "a number from 0 to 1"),
        (&["--expect=-0.1"], 2, "a number from 0 to 1"),
        (&["--at-most-one", "bell-204,bell-211"], 2, "--budget"),
        (&["--by", "luck"], 2, "expected_net"),
        (&["--limit", "0"], 2, "limit"),
        (&["--budget", "2000XQQ"], 1, "`XQQ` is no currency of ISO 4217"),
        (&["--budget", "2000EUR", "--at-most-one", "bell-204,ferry-9"], 1, "\"ferry-9\" is no open auction in EUR"),
    ] {
        let printed = tonight(&folder, arguments);
        assert_eq!((printed.code, printed.out.as_str()), (Some(code), ""), "{arguments:?}: {}", printed.err);
        assert!(printed.err.contains(words), "{arguments:?}: {}", printed.err);
    }
}

/// A request that needs a case opened comes after what to mind before that; the codes are the assessment's.
#[test]
fn cautions_stand_before_what_they_are_about() {
    let of_watch = |id: &str, watch: Value| {
        json!({
            "id": id, "watch": watch, "offer": { "price": eur("300.00") },
            "value": { "all_original": { "low": eur("400.00"), "high": eur("900.00") } },
            "photos": [{ "id": "p1", "view": "dial_straight", "dial_width_px": 1400 },
                       { "id": "p2", "view": "dial_macro", "dial_width_px": 1400 }],
            "observations": [],
        })
    };
    let folder = of(&[
        of_watch("unsaid", json!({ "years": [1950, 1955] })),
        of_watch("radium", json!({ "years": [1950, 1955], "traits": { "luminous": true } })),
        of_watch("plain", json!({ "years": [1950, 1955], "traits": { "luminous": false, "gold_claimed": true } })),
    ]);
    let list = as_json(&folder, &[]);
    let codes = |id: &str| -> Vec<String> {
        let item = items(&list).into_iter().find(|i| i["id"] == id).unwrap();
        item["cautions"].as_array().unwrap().iter().map(|c| c["id"].as_str().unwrap().to_owned()).collect()
    };
    assert!(codes("unsaid").contains(&"radium_if_luminous".into()) && codes("radium").contains(&"radium".into()));
    assert!(
        ["opening", "gold", "estimate", "say_nothing_in_public"].iter().all(|c| codes("plain").contains(&(*c).into()))
    );
    let printed = tonight(&folder, &[]).out;
    // What follows the listing's id.
    let block = |id: &str| printed.split_once(&format!("      {id}\n")).unwrap().1.to_owned();
    let line = |id: &str, label: &str| {
        let block = block(id);
        let at = block.find(&format!("      {label:<9}")).unwrap_or_else(|| panic!("{id}: {label}: {printed}"));
        (at, block[at..].lines().next().unwrap().trim().to_owned())
    };
    let (caution, words) = line("unsaid", "caution");
    let (ask, wanted) = line("unsaid", "ask for");
    assert_eq!(words, "caution  only if its paint cannot be radium; a watchmaker opens it");
    assert!(caution < ask && wanted.contains("movement open"), "{printed}");
    assert_eq!(line("radium", "caution").1, "caution  keep shut: radium");
    assert!(!line("radium", "ask for").1.contains("open"), "{printed}");
    assert_eq!(line("plain", "caution").1, "caution  a watchmaker opens it; gold untested");
    let foot: Vec<&str> = printed.lines().rev().take(2).collect();
    assert!(foot[1].contains("no expert opinion") && foot[0].contains("do not accuse"), "{printed}");
}

/// What was opened is known: no advice on it, and no bid.
#[test]
fn what_was_found_out_is_not_ranked() {
    let lines = fs::read_to_string(demo("evening.ndjson")).unwrap();
    let mut lines: Vec<String> = lines.lines().map(str::to_owned).collect();
    let end = lines.len() - 1;
    let outcome =
        lines[end - 1].replace("quay-31", "bell-204").replace("000031", "000032").replace("quay-street", "bell-rooms");
    lines.insert(end, outcome);
    lines[end + 1] = json!({ "kind": "end", "lines": end }).to_string();
    let file = tempfile::NamedTempFile::new().unwrap();
    fs::write(file.path(), lines.join("\n") + "\n").unwrap();
    let folder = stored(file.path());
    let list = as_json(&folder, &["--budget", "9000EUR"]);
    assert_eq!(list["found"][0]["id"], "bell-204");
    assert_eq!(list["found"][0]["story"], "composite");
    assert_eq!(list["found"].as_array().unwrap().len(), 1, "quay-31 is not open");
    assert!(!ids(&list).contains(&"bell-204"));
    assert!(list["bids"]["listings"].as_array().unwrap().iter().all(|b| b["id"] != "bell-204"));
    let printed = tonight(&folder, &[]).out;
    assert!(printed.contains("2026-08-20 09:00 UTC found composite  bell-204  Halvorne steel"), "{printed}");
}

/// Bids only rise: with `--expect` an auction is ranked at the price where it is expected to end, budget or none.
#[test]
fn auctions_are_ranked_at_the_price_expected() {
    let folder = evening();
    let row = |list: &Value, id: &str| items(list).into_iter().find(|i| i["id"] == id).unwrap().clone();
    let (now, half) = (as_json(&folder, &[]), as_json(&folder, &["--expect", "0.5"]));
    for id in ["bell-204", "bell-211", "quay-77"] {
        let (before, after) = (row(&now, id), row(&half, id));
        assert_eq!(before["expected_price"], before["price"]);
        let middle = (number(&after["price"]) + number(&after["walk_away_price"])) / 2.0;
        assert!((number(&after["expected_price"]) - middle).abs() <= 0.005 + 1e-9, "rounded to the cent: {after}");
        assert!(number(&after["expected_net"]) < number(&before["expected_net"]));
        for same in ["bad", "walk_away_price", "price", "reasons"] {
            assert_eq!(before[same], after[same], "the price of an auction is no evidence: {same}");
        }
    }
    for listing in ["ferry-9", "ferry-12", "pier-3"] {
        assert_eq!(row(&now, listing)["expected_net"], row(&half, listing)["expected_net"], "not an auction");
        assert!(row(&now, listing)["expected_price"].is_null());
    }
    let nets: Vec<f64> =
        half["rankings"][0]["items"].as_array().unwrap().iter().map(|i| number(&i["expected_net"])).collect();
    assert!(nets.is_sorted_by(|a, b| a >= b), "{nets:?}");
    // An assessment of the same listing at that price says the same; alone, since its seller's others bear on it.
    let lines = fs::read_to_string(demo("evening.ndjson")).unwrap();
    let mut line = lines.lines().map(|l| serde_json::from_str::<Value>(l).unwrap()).find(|l| l["id"] == "bell-204");
    let request = &mut line.as_mut().unwrap()["request"];
    let alone = row(&as_json(&of(std::slice::from_ref(request)), &["--expect", "0.5"]), "bell-204");
    request["offer"]["price"] = alone["expected_price"].clone();
    let file = tempfile::NamedTempFile::new().unwrap();
    fs::write(file.path(), request.to_string()).unwrap();
    let there: Value = serde_json::from_str(&run(&["assess", file.path().to_str().unwrap()]).out).unwrap();
    let apart = number(&alone["expected_net"]) - number(&there["decision"]["expected_net"]);
    assert!(apart.abs() < 0.02, "the price expected is shown to the cent: {apart}");
    // With a budget the figures are the same ones.
    let bids = as_json(&folder, &["--expect", "0.5", "--budget", "2000EUR"]);
    for bid in bids["bids"]["listings"].as_array().unwrap() {
        let ranked = row(&half, bid["id"].as_str().unwrap());
        assert_eq!(
            (&bid["expected_price"], &bid["expected_net"]),
            (&ranked["expected_price"], &ranked["expected_net"])
        );
    }
    let page = tonight(&folder, &[]).out;
    assert!(
        page.contains("bid up to") && page.contains("net at the bid so far") && !page.contains("offer below"),
        "{page}"
    );
    // At the walk-away price there is still a bid to make.
    assert!(
        items(&as_json(&folder, &["--expect", "1"])).iter().all(|i| i["kind"] != "auction" || i["advice"] != "leave")
    );
}

/// A watch that nobody has looked at has its why too, and the shares say how P(bad) comes about.
#[test]
fn what_was_known_before_weighs_beside_the_signs() {
    let mut request = json!({
        "id": "unseen", "seller": { "segment": "private_estate", "feedback": { "positive": 900, "negative": 40 } },
        "offer": { "price": eur("90.00") }, "observations": [],
        "value": { "all_original": { "low": eur("500.00"), "high": eur("800.00") } },
    });
    let list = as_json(&of(std::slice::from_ref(&request)), &[]);
    let item = items(&list)[0];
    let reasons = item["reasons"].as_array().unwrap();
    let of_what: Vec<&str> = reasons.iter().map(|r| r["of"].as_str().unwrap()).collect();
    assert!(of_what.len() == 2 && of_what.contains(&"prior") && of_what.contains(&"price"), "{item}");
    let sum: f64 = reasons.iter().map(|r| r["share_db"].as_f64().unwrap()).sum();
    let bad = item["bad"].as_f64().unwrap();
    assert!((sum - 10.0 * (bad / (1.0 - bad)).log10()).abs() < 1e-6, "nothing else was known: {item}");
    let printed = tonight(&of(std::slice::from_ref(&request)), &[]).out;
    let flat = printed.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "an offer of this kind (private estate); of this seller 940 ratings",
        "90.00 asked, all-original 500.00 to 800.00",
    ] {
        assert!(flat.contains(words), "{words}: {printed}");
    }
    for words in ["+ for bad, - for sound", "the most to pay for the watch itself"] {
        assert!(flat.contains(words), "{words}: {printed}");
    }
    // Three looks where nothing was looked at.
    request["photos"] = json!([{ "id": "p1", "view": "dial_macro", "dial_width_px": 900 }]);
    request.as_object_mut().unwrap().remove("value");
    let printed = tonight(&of(&[request]), &[]).out;
    assert_eq!(printed.matches('?').count(), 3, "{printed}");
}

#[test]
fn it_says_when_a_watch_pays_in_parts() {
    let text = fs::read_to_string(demo("listings/11-parts-worth-more.json")).unwrap();
    let mut parts = serde_json::from_str::<Value>(&text).unwrap()["request"].clone();
    parts["id"] = "parts".into();
    let text = fs::read_to_string(demo("listings/01-estate-untouched.json")).unwrap();
    let mut whole = serde_json::from_str::<Value>(&text).unwrap()["request"].clone();
    whole["id"] = "whole".into();
    let folder = of(&[parts, whole]);
    let list = as_json(&folder, &[]);
    for item in items(&list) {
        assert_eq!(item["advice"], "buy");
        assert_eq!(item["pays_in_parts"], item["id"] == "parts");
    }
    assert_eq!(tonight(&folder, &[]).out.matches("pays in parts").count(), 1);
}

/// What looks best may only look so because its costs were forgotten.
#[test]
fn it_says_which_costs_were_not_given() {
    let with = |id: &str, offer: Value, selling: Value| {
        let mut offer = offer;
        offer["price"] = eur("300.00");
        json!({
            "id": id, "offer": offer, "observations": [],
            "value": { "all_original": { "low": eur("400.00"), "high": eur("900.00") }, "selling_fee_rate": selling },
        })
    };
    let nothing = "costs    no service, postage or fees counted";
    let no_service = "costs    no service counted";
    for (offer, selling, said) in [
        (json!({}), Value::Null, Some(nothing)),
        (json!({ "shipping": eur("0.00") }), Value::Null, Some(no_service)),
        (json!({ "buyer_fee_rate": 0.2 }), Value::Null, Some(no_service)),
        (json!({ "import_rate": 0.2 }), Value::Null, Some(no_service)),
        (json!({}), json!(0.1), Some(no_service)),
        (json!({ "fixed_costs": eur("180.00") }), Value::Null, None),
    ] {
        let folder = of(&[with("a", offer.clone(), selling)]);
        let page = tonight(&folder, &[]).out;
        let costs: Vec<&str> = page.lines().map(str::trim).filter(|l| l.starts_with("costs ")).collect();
        assert_eq!(costs, said.into_iter().collect::<Vec<_>>(), "{offer}");
        let list = as_json(&folder, &[]);
        let codes: Vec<&Value> = items(&list)[0]["cautions"].as_array().unwrap().iter().map(|c| &c["id"]).collect();
        assert_eq!(codes.contains(&&json!("costs")), said == Some(nothing), "{offer}");
        assert_eq!(codes.contains(&&json!("service")), said.is_some(), "{offer}");
    }
}

/// A feed's listings have long names: they stand whole, on lines of their own.
#[test]
fn long_names_are_not_cut_and_fit_a_terminal() {
    let lines = fs::read_to_string(demo("evening.ndjson")).unwrap();
    let prefix = "01a21641-48d5-7102-9f34-5f1e2b3d1190:lantern-row-";
    let requests: Vec<Value> = lines
        .lines()
        .map(|l| serde_json::from_str::<Value>(l).unwrap()["request"].clone())
        .filter(|r| r.is_object())
        .map(|mut r| {
            r["id"] = format!("{prefix}{}", r["id"].as_str().unwrap()).into();
            r
        })
        .collect();
    let folder = of(&requests);
    let printed = tonight(&folder, &["--budget", "2000EUR"]).out;
    assert!(printed.lines().all(|l| l.chars().count() <= 80), "{printed}");
    for id in ["bell-204", "ferry-12", "bell-198"] {
        assert!(printed.lines().any(|l| l.trim() == format!("{prefix}{id}")), "{id}: {printed}");
    }
    let longest = "x".repeat(200);
    let folder = of(&[json!({ "id": longest, "title": "a watch", "observations": [] })]);
    let printed = tonight(&folder, &[]).out;
    assert!(printed.lines().all(|l| l.chars().count() <= 80) && printed.matches('x').count() >= 200, "{printed}");
}

//! What people and scripts on the command line are promised: data on standard output, messages
//! on standard error, and exit codes (0 done, 1 failed, 2 usage; 3, some lines refused, in `transfer`).

mod support;

use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::fs;
use std::io::{BufRead as _, BufReader, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use steelyard::app::App;
use steelyard::examples;
use steelyard::wire::response::Assessment;
use steelyard::wire::stored::OutcomeBody;
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;
use support::{Printed, Reply, Served, run, steelyard};
use tempfile::TempDir;

/// What the service takes at most to end, by itself and with clients that never finish:
/// its grace for them and one second.
const AT_ONCE: Duration = Duration::from_secs(5);
const WITH_GRACE: Duration = Duration::from_secs(11);

fn pack() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../model/pack")
}

/// A file in a folder of its own.
fn file(text: &[u8]) -> (TempDir, PathBuf) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("listing.json");
    fs::write(&path, text).unwrap();
    (folder, path)
}

fn assess(text: &[u8]) -> Printed {
    let (_folder, path) = file(text);
    run(&["assess".as_ref(), path.as_os_str()])
}

/// A copy of the pack in a folder of its own, with one file changed.
fn pack_with(name: &str, change: impl FnOnce(String) -> String) -> TempDir {
    fn copy(from: &Path, to: &Path) {
        fs::create_dir_all(to).unwrap();
        for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
            let target = to.join(entry.file_name());
            if entry.file_type().unwrap().is_dir() {
                copy(&entry.path(), &target);
            } else {
                fs::copy(entry.path(), target).unwrap();
            }
        }
    }
    let folder = tempfile::tempdir().unwrap();
    copy(&pack(), folder.path());
    let path = folder.path().join(name);
    let before = fs::read_to_string(&path).unwrap();
    let after = change(before.clone());
    assert_ne!(before, after, "{name} was not changed");
    fs::write(path, after).unwrap();
    folder
}

fn check(folder: &Path) -> Printed {
    run(&["model".as_ref(), "check".as_ref(), folder.as_os_str()])
}

fn failed(printed: &Printed, says: &[&str]) {
    assert_eq!(printed.code, Some(1), "{printed:?}");
    assert_eq!(printed.out, "", "a failure printed data: {printed:?}");
    for what in says {
        assert!(printed.err.contains(what), "`{what}` is not in: {}", printed.err);
    }
    assert!(!printed.err.contains("panicked"), "{}", printed.err);
}

// --- assess -------------------------------------------------------------------------------

#[test]
fn assess_prints_the_assessment_and_nothing_else() {
    let printed = assess(&serde_json::to_vec(&examples::fresh_dial()).unwrap());
    assert_eq!(printed.code, Some(0), "{printed:?}");
    assert_eq!(printed.err, "");
    let answer: Assessment = serde_json::from_str(&printed.out).unwrap();
    assert_eq!(answer.listing.as_deref(), Some("lot-381"));
    assert!(printed.out.ends_with("}\n"), "{}", printed.out);
}

#[test]
fn assess_names_every_fault_of_a_file_by_its_pointer() {
    let printed = assess(
        br#"{"offer": {"prise": 1}, "observations": [{"sign": "crown_unsined", "call": "present"}], "now": "noon"}"#,
    );
    failed(
        &printed,
        &["listing.json/offer/prise", "listing.json/observations/0/sign", "`crown_unsigned`", "listing.json/now"],
    );
}

/// What a terminal shows: `script` makes one, POSIX has no way.
fn on_a_terminal(arguments: &str) -> String {
    let command = format!("'{}' {arguments}", env!("CARGO_BIN_EXE_steelyard"));
    let mut script = Command::new("script");
    script.args(["-qec", &command, "/dev/null"]).env("TERM", "xterm").env_remove("DATABASE_URL").stdin(Stdio::null());
    String::from_utf8(script.output().expect("script, of util-linux").stdout).unwrap()
}

#[test]
fn a_terminal_shows_how_many_lines_are_done_how_fast_and_for_how_long_still() {
    let line = serde_json::to_string(&examples::fresh_dial()).unwrap() + "\n";
    let (_folder, path) = file(line.repeat(40).as_bytes());
    let path = path.with_extension("ndjson");
    fs::write(&path, line.repeat(40)).unwrap();
    let answers = path.with_extension("answers");
    let shown = on_a_terminal(&format!("assess --jobs 1 '{}' > '{}'", path.display(), answers.display()));
    assert!(shown.contains(" assessed, 0 refused, ") && shown.contains(" a second, "), "{shown:?}");
    assert!(shown.contains(" left") && shown.contains('\r'), "{shown:?}");
    let answers = fs::read_to_string(answers).unwrap();
    assert!(answers.lines().count() == 40 && !answers.contains('\r'));
}

#[test]
fn lines_are_answered_in_order_and_a_bad_one_on_its_own_line() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("feed.ndjson");
    let lines = ["{\"id\": \"a\", \"observations\": []}", "nonsense", "", "{\"id\": \"b\", \"observations\": []}"];
    fs::write(&file, lines.join("\r\n")).unwrap();
    let from_file = run(&["assess".as_ref(), "--jobs".as_ref(), "2".as_ref(), file.as_os_str()]);
    assert_eq!(from_file.code, Some(3), "{from_file:?}");
    let answers: Vec<Value> = from_file.out.lines().map(|l| serde_json::from_str(l).unwrap()).collect();
    let said: Vec<&Value> = answers.iter().map(|a| a.get("listing").unwrap_or(&a["line"])).collect();
    assert_eq!(said, [&json!("a"), &json!(2), &json!("b")]);
    assert_eq!(from_file.err, "2 lines assessed, 1 refused, each on its own line of the answer\n");

    let input = fs::File::open(&file).unwrap();
    let piped = steelyard().args(["assess", "-"]).stdin(input).output().unwrap();
    assert_eq!(String::from_utf8(piped.stdout).unwrap(), from_file.out);
}

#[test]
fn assess_refuses_a_file_that_is_not_json() {
    for text in ["", "sign=crown", "{\"observations\": [", "{\"observations\": [NaN]}", "{\"a\": 1, \"a\": 1}"] {
        failed(&assess(text.as_bytes()), &["listing.json", "is not JSON"]);
    }
    failed(&assess(b"{\"observations\": [], \"id\": \"\xff\"}"), &["listing.json", "UTF-8"]);
}

#[test]
fn assess_fails_on_a_file_that_is_not_there_and_names_it() {
    let folder = tempfile::tempdir().unwrap();
    failed(&run(&["assess".as_ref(), folder.path().join("no-such.json").as_os_str()]), &["no-such.json"]);
    failed(&run(&["assess".as_ref(), folder.path().as_os_str()]), &[folder.path().to_str().unwrap()]);
}

#[test]
fn assess_takes_its_model_from_a_folder() {
    let (_folder, listing) = file(&serde_json::to_vec(&examples::fresh_dial()).unwrap());
    let changed = pack_with("pack.toml", |t| t.replacen("version = \"1.0\"", "version = \"bench-7\"", 1));
    let with = |folder: &Path| run(&["assess".as_ref(), listing.as_os_str(), "--pack".as_ref(), folder.as_os_str()]);
    let printed = with(changed.path());
    assert_eq!(printed.code, Some(0), "{printed:?}");
    let answer: Value = serde_json::from_str(&printed.out).unwrap();
    assert_eq!(answer["model"]["version"], "bench-7");
    let by_environment =
        steelyard().arg("assess").arg(&listing).env("STEELYARD_PACK", changed.path()).output().unwrap();
    assert_eq!(String::from_utf8(by_environment.stdout).unwrap(), printed.out);
    failed(&with(&changed.path().join("no-such-folder")), &["no-such-folder"]);
}

// --- calibrate ----------------------------------------------------------------------------

/// A data folder with sampled listings, of which so many were found out about.
async fn record_of(listings: usize, found: usize) -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let mut service = Served::with(&[("STEELYARD_DATA", folder.path().to_str().unwrap())]);
    let (requests, truths) = sample_with_truth(&["--count", &listings.to_string(), "--seed", "6"]);
    for (i, (mut request, truth)) in requests.into_iter().zip(truths).enumerate() {
        let put = service.request("PUT", &format!("/v1/listings/{}", request["id"].as_str().unwrap()));
        // Nothing but stories: the rest of an assessment teaches a calibration nothing.
        request["include"] = json!([]);
        let saved = Reply::to(put.header("content-type", "application/json").body(request.to_string())).await;
        assert_eq!(saved.status, 201, "{}", saved.text());
        if i < found {
            let recorded = Reply::to(service.post("/v1/outcomes", truth.to_string())).await;
            assert_eq!(recorded.status, 201, "{}", recorded.text());
        }
    }
    service.terminate();
    assert_eq!(service.ended_within(WITH_GRACE).and_then(|s| s.code()), Some(0));
    folder
}

fn calibrate(data: &Path, arguments: &[&str]) -> Printed {
    run(&[&["calibrate", "--data", data.to_str().unwrap()], arguments].concat())
}

#[tokio::test]
async fn a_calibration_prints_how_good_forecasts_were_before_and_after() {
    let folder = record_of(45, 40).await;
    let svg = folder.path().join("reliability.svg");
    let printed = calibrate(folder.path(), &["--folds", "2", "--svg", svg.to_str().unwrap()]);
    // No bar, since this is no terminal.
    assert_eq!((printed.code, printed.err.as_str()), (Some(0), ""), "{}", printed.out);
    let lines: Vec<&str> = printed.out.lines().collect();
    assert_eq!(lines[0], "45 listings, 40 outcomes");
    assert!(fs::read_to_string(&svg).unwrap().starts_with("<svg"));

    // The same data and seed give the same figures, as a table and as JSON.
    let again = calibrate(folder.path(), &["--folds", "2", "--json", "--activate"]);
    assert_eq!(again.code, Some(0), "{}", again.err);
    let job: Value = serde_json::from_str(&again.out).unwrap();
    let report = &job["report"];
    assert_eq!((&report["n"], &report["n_outcomes"], &report["enough"]), (&json!(45), &json!(40), &json!(true)));
    assert_eq!(lines[1], report["says"].as_str().unwrap());
    for (row, score) in
        [("mean log score, nats", "/log_score/score"), ("Brier score", "/brier/score"), ("rate of bad ones", "/rate")]
    {
        let line = lines.iter().find(|l| l.starts_with(row)).unwrap_or_else(|| panic!("no {row}: {lines:?}"));
        let figures: Vec<f64> = line[row.len()..].split_whitespace().map(|x| x.parse().unwrap()).collect();
        let of = |when: &str| report[when].pointer(score).and_then(Value::as_f64).unwrap();
        assert!((figures[0] - of("before")).abs() < 6e-5 && (figures[1] - of("after")).abs() < 6e-5, "{line}");
    }
    // What the new numbers gain, with its standard error, beside what may be chance.
    let gain = &report["gain"];
    let of = |when: &str| report[when]["log_score"]["score"].as_f64().unwrap();
    let (mean, error) = (gain["mean"].as_f64().unwrap(), gain["standard_error"].as_f64().unwrap());
    assert!((mean - (of("before") - of("after"))).abs() < 1e-12 && error > 0.0, "{gain}");
    assert_eq!(gain["beyond_chance"], mean.abs() > 2.0 * error, "{gain}");
    let way = if mean < 0.0 { "worse" } else { "better" };
    let told = format!("{way} by {:.4} with a standard error of {error:.4}", mean.abs());
    let last = lines.last().unwrap();
    assert!(last.contains(&told) && lines[1].contains(&told), "{lines:?}");
    for said in [last, &lines[1]] {
        assert_eq!(said.contains("cannot be told from chance"), gain["beyond_chance"] == false, "{said}");
    }
    let version = job["version"].as_str().unwrap();
    assert_eq!(again.err, format!("model {version} is in force\n"));
    let service = Served::with(&[("STEELYARD_DATA", folder.path().to_str().unwrap())]);
    let models = Reply::to(service.get("/v1/models")).await.json();
    let active: Vec<&Value> = models["items"].as_array().unwrap().iter().filter(|m| m["active"] == true).collect();
    assert_eq!((active.len(), &active[0]["version"]), (1, &json!(version)));
}

#[tokio::test]
async fn of_few_outcomes_a_calibration_says_that_nothing_can_be_concluded() {
    let folder = record_of(6, 4).await;
    let printed = calibrate(folder.path(), &["--folds", "2"]);
    assert_eq!((printed.code, printed.err.as_str()), (Some(0), ""), "{}", printed.out);
    assert!(printed.out.starts_with("6 listings, 4 outcomes\n"), "{}", printed.out);
    let says = "From 4 outcomes nothing can be concluded yet: 26 more are needed.";
    assert!(printed.out.contains(says), "{}", printed.out);

    // Nor is a version put in force that nothing can be concluded of, unless it is asked for by name.
    let svg = folder.path().join("reliability.svg");
    let refused = calibrate(folder.path(), &["--folds", "2", "--activate", "--svg", svg.to_str().unwrap()]);
    assert_eq!(refused.code, Some(1), "{}", refused.err);
    assert!(refused.out.contains(says), "{}", refused.out);
    let version = refused.out.lines().find_map(|l| l.strip_prefix("version ")).unwrap();
    let kept = format!("model {version} is kept, but not put in force: 26 more outcomes are needed");
    assert!(refused.err.starts_with(&kept) && refused.err.contains("--even-if-too-few"), "{}", refused.err);
    let drawn = fs::read_to_string(&svg).unwrap();
    assert!(drawn.contains(says), "{drawn}");
    let in_force = async || {
        let service = Served::with(&[("STEELYARD_DATA", folder.path().to_str().unwrap())]);
        let models = Reply::to(service.get("/v1/models")).await.json();
        let versions = models["items"].as_array().unwrap().clone();
        assert!(versions.iter().any(|m| m["version"] == version), "{models}");
        versions.into_iter().find(|m| m["active"] == true).unwrap()["version"].as_str().unwrap().to_owned()
    };
    assert_eq!(in_force().await, Pack::builtin().data().version);
    let forced = calibrate(folder.path(), &["--folds", "2", "--activate", "--even-if-too-few"]);
    assert_eq!(forced.code, Some(0), "{}", forced.err);
    assert_eq!(forced.err, format!("model {} is in force\n", in_force().await));
    assert_ne!(in_force().await, Pack::builtin().data().version);
    assert_eq!(calibrate(folder.path(), &["--even-if-too-few"]).code, Some(2));

    // A terminal shows how far it is, and then only what was found.
    let shown = on_a_terminal(&format!("calibrate --folds 2 --data '{}'", folder.path().to_str().unwrap()));
    assert!(shown.contains(" %") && shown.contains('\r'), "{shown:?}");
    assert!(shown.contains("6 listings, 4 outcomes"), "{shown:?}");

    // What there is nothing of is no failure of the program, but no calibration either.
    let empty = tempfile::tempdir().unwrap();
    let printed = calibrate(empty.path(), &[]);
    assert_eq!((printed.code, printed.out.as_str()), (Some(1), ""), "{}", printed.err);
    assert_eq!(calibrate(folder.path(), &["--folds", "1"]).code, Some(2));
}

// --- sample -------------------------------------------------------------------------------

fn sample(arguments: &[&str]) -> Printed {
    let printed = run(&[&["sample"], arguments].concat());
    assert_eq!((printed.code, printed.err.as_str()), (Some(0), ""), "{arguments:?}");
    printed
}

/// Sampled requests and what the watches are.
fn sample_with_truth(arguments: &[&str]) -> (Vec<Value>, Vec<Value>) {
    let folder = tempfile::tempdir().unwrap();
    let truth = folder.path().join("truth.ndjson");
    let printed = sample(&[arguments, &["--truth", truth.to_str().unwrap()]].concat());
    let lines = |text: &str| text.lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    (lines(&printed.out), lines(&fs::read_to_string(truth).unwrap()))
}

#[test]
fn the_same_seed_samples_the_same_bytes_and_a_greater_count_only_more() {
    let first = sample(&["--count", "50", "--seed", "8"]).out;
    assert_eq!(first.lines().count(), 50);
    assert!(first.ends_with("}\n"));
    assert_eq!(sample(&["--count", "50", "--seed", "8"]).out, first);
    assert!(sample(&["--count", "60", "--seed", "8"]).out.starts_with(&first));
    assert!(!sample(&["--count", "50", "--seed", "9"]).out.contains(first.lines().next().unwrap()));
    assert_eq!(sample(&["--count", "0"]).out, "");
    assert_eq!(sample(&[]).out.lines().count(), 100);
}

#[test]
fn every_sampled_line_is_assessed() {
    for (i, line) in sample(&["--count", "20", "--seed", "4"]).out.lines().enumerate() {
        let printed = assess(line.as_bytes());
        assert_eq!((printed.code, printed.err.as_str()), (Some(0), ""), "{line}");
        let answer: Assessment = serde_json::from_str(&printed.out).unwrap();
        assert_eq!(answer.listing, Some(format!("s-{}", i + 1)));
    }
}

/// Residuals are summed by seller: the listings of one share a rate of bad ones.
#[test]
fn sampled_watches_are_bad_as_often_as_their_assessments_say() {
    /// How many standard errors a right program may miss by; more happens once in 16,000 seeds.
    const ERRORS: f64 = 4.0;
    let (requests, truths) = sample_with_truth(&["--count", "2000", "--seed", "20"]);
    assert_eq!((requests.len(), truths.len()), (2000, 2000));
    let app = App::new(Pack::builtin(), Book::default()).unwrap();
    let told: Vec<(String, f64, f64)> = requests
        .into_iter()
        .zip(&truths)
        .map(|(mut request, truth)| {
            assert_eq!(request["id"], truth["listing"]);
            request["include"] = json!([]);
            let answer = app.assess(&serde_json::to_vec(&request).unwrap()).unwrap();
            let bad = ["composite", "fake"].contains(&truth["story"].as_str().unwrap());
            let seller = request["seller"]["id"].as_str().unwrap().to_owned();
            (seller, answer.probability.bad, f64::from(u8::from(bad)))
        })
        .collect();
    let mean = |of: fn(&(String, f64, f64)) -> f64| told.iter().map(of).sum::<f64>() / told.len() as f64;
    let (predicted, found) = (mean(|t| t.1), mean(|t| t.2));
    // Yates' discrimination slope: how much higher P(bad) is where the watch is bad.
    let slope = mean(|t| t.1 * t.2) / found - mean(|t| t.1 * (1.0 - t.2)) / (1.0 - found);
    eprintln!("P(bad) {predicted:.4} on the mean, {found:.4} are bad; slope {slope:.2}");
    // On the whole, and as much among those that look good as among those that look bad.
    for (what, weight) in [("all", None), ("by P(bad)", Some(predicted))] {
        let mut by_seller = BTreeMap::<&str, f64>::new();
        for (seller, p, bad) in &told {
            *by_seller.entry(seller).or_default() += (bad - p) * weight.map_or(1.0, |mean| p - mean);
        }
        assert!(by_seller.len() > 500);
        let (sum, squares) = by_seller.values().fold((0.0, 0.0), |(sum, squares), r| (sum + r, squares + r * r));
        let off = sum / f64::sqrt(squares);
        eprintln!("{what}: {off:.2} standard errors off");
        assert!(off.abs() < ERRORS, "{what}: {off} standard errors off");
    }
    // The segments alone, with nothing seen, would leave it at about 0.1.
    assert!(slope > 0.25, "the requests carry next to no evidence: {slope}");
}

#[test]
fn the_truth_of_a_sample_is_told_in_the_models_words() {
    let pack = Pack::builtin();
    let (requests, truths) = sample_with_truth(&["--count", "200"]);
    let mut called = (0, 0);
    for (request, truth) in requests.iter().zip(&truths) {
        // With no member that the body of an outcome has not.
        let body: OutcomeBody = serde_json::from_value(truth.clone()).unwrap();
        assert_eq!(body.certainty, Some(1.0));
        assert!(pack.story(truth["story"].as_str().unwrap()).is_some());
        let parts = truth["components"].as_object().unwrap();
        assert_eq!(parts.len(), pack.components().len());
        for (part, state) in parts {
            let states = &pack.data().components[pack.component(part).unwrap()].states;
            let names = states.iter().map(|s| if part == "metal" { &s.id } else { &s.seen_as });
            assert!(names.into_iter().any(|name| state == name), "{part}: {state}");
        }
        for o in request["observations"].as_array().unwrap() {
            let sign = o["sign"].as_str().unwrap();
            let there = &truth["signs"][sign];
            let opposites = &pack.signs()[pack.sign(sign).unwrap()].excludes;
            if there.is_null() && opposites.iter().any(|j| !truth["signs"][&pack.signs()[*j].id].is_null()) {
                continue; // An outcome answers a question once.
            }
            assert!(there == "present" || there == "absent", "{o} is called of a watch that cannot have it");
            called.0 += 1;
            called.1 += usize::from(*there == o["call"]);
        }
    }
    let right = called.1 as f64 / called.0 as f64;
    assert!(right > 0.75 && right < 1.0, "{right} of the calls are right");
}

#[test]
fn sample_takes_a_segment_and_a_model() {
    let printed = sample(&["--segment", "private_estate", "--count", "30"]);
    for line in printed.out.lines() {
        assert_eq!(serde_json::from_str::<Value>(line).unwrap()["seller"]["segment"], "private_estate");
    }
    failed(&run(&["sample", "--segment", "private_estat"]), &["`private_estat`", "`private_estate`"]);
    let changed = pack_with("pack.toml", |t| t.replacen("a = 0.92", "a = 0.52", 1));
    let other = sample(&["--segment", "private_estate", "--count", "30", "--pack", changed.path().to_str().unwrap()]);
    assert_ne!(other.out, printed.out);
    failed(&run(&["sample", "--pack", "no-such-folder"]), &["no-such-folder"]);
}

#[test]
fn sample_fails_where_the_truth_cannot_be_kept() {
    failed(&run(&["sample", "--truth", "no-such-folder/truth.ndjson"]), &["no-such-folder"]);
    failed(&run(&["sample", "--truth", "-"]), &["--truth"]);
    failed(&run(&["sample", "--truth", "/"]), &["/: "]);
}

#[test]
fn a_reader_who_has_seen_enough_of_a_sample_is_no_error() {
    let folder = tempfile::tempdir().unwrap();
    let truth = folder.path().join("truth.ndjson");
    let mut command = steelyard();
    command.args(["sample", "--count", "18446744073709551615", "--truth"]).arg(&truth);
    let mut child = command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let first: Value = serde_json::from_str(&lines.next().unwrap().unwrap()).unwrap();
    assert_eq!(first["id"], "s-1");
    drop(lines);
    let output = child.wait_with_output().unwrap();
    assert_eq!((output.status.code(), output.stderr.as_slice()), (Some(0), &b""[..]));
    // What was told until then is kept.
    assert!(fs::read_to_string(truth).unwrap().starts_with("{\"listing\":\"s-1\","));
}

// --- usage --------------------------------------------------------------------------------

#[test]
fn wrong_usage_exits_with_2_and_prints_no_data() {
    let wrong: [&[&str]; 19] = [
        &[],
        &["--no-such-flag"],
        &["no-such-command"],
        &["assess"],
        &["assess", "--no-such-flag"],
        &["assess", "a.json", "b.json"],
        &["model"],
        &["model", "check"],
        &["model", "no-such-command"],
        &["serve", "--listen", "somewhere"],
        &["serve", "--no-such-flag"],
        &["import"],
        &["import", "a.ndjson", "b.ndjson"],
        &["export", "a.ndjson", "b.ndjson"],
        &["export", "--database-url", "postgres://nobody@127.0.0.1/nothing"],
        &["import", "--database-url", "postgres://nobody@127.0.0.1/nothing", "-"],
        &["sample", "--count", "many"],
        &["sample", "--seed", "-1"],
        &["sample", "7"],
    ];
    for arguments in wrong {
        let printed = run(arguments);
        assert_eq!(printed.code, Some(2), "{arguments:?}: {printed:?}");
        assert_eq!(printed.out, "", "{arguments:?}");
        assert!(!printed.err.is_empty(), "{arguments:?}: not a word");
    }
}

#[test]
fn help_and_version_are_data() {
    for arguments in [&["--help"][..], &["help"], &["assess", "--help"], &["model", "check", "--help"]] {
        let printed = run(arguments);
        assert_eq!((printed.code, printed.err.as_str()), (Some(0), ""), "{arguments:?}");
        assert!(printed.out.contains("Usage: steelyard"), "{arguments:?}: {}", printed.out);
    }
    let printed = run(&["--version"]);
    assert_eq!((printed.code, printed.err.as_str()), (Some(0), ""));
    assert_eq!(printed.out, format!("steelyard {}\n", env!("CARGO_PKG_VERSION")));
}

// --- model check --------------------------------------------------------------------------

#[tokio::test]
async fn model_check_prints_version_signs_and_the_digest_that_is_served() {
    let printed = check(&pack());
    assert_eq!((printed.code, printed.err.as_str()), (Some(0), ""), "{printed:?}");
    let service = Served::start();
    let model = Reply::to(service.get("/v1/model")).await.json();
    for what in [
        format!("version {},", model["version"].as_str().unwrap()),
        " 66 signs,".into(),
        format!("\n{}\n", model["digest"].as_str().unwrap()),
    ] {
        assert!(printed.out.contains(&what), "`{what}` is not in {}", printed.out);
    }
}

#[tokio::test]
async fn a_changed_number_changes_the_digest_checked_and_served() {
    let changed = pack_with("pack.toml", |t| t.replacen("a = 0.95", "a = 0.94", 1));
    let checked = check(changed.path());
    assert_eq!(checked.code, Some(0), "{checked:?}");
    let digest = |printed: &Printed| printed.out.trim_end().rsplit('\n').next().unwrap().to_owned();
    assert_ne!(digest(&checked), digest(&check(&pack())));
    let service = Served::with(&[("STEELYARD_PACK", changed.path().to_str().unwrap())]);
    assert_eq!(Reply::to(service.get("/v1/model")).await.json()["digest"], digest(&checked));
}

#[test]
fn model_check_names_the_entry_that_is_broken() {
    let crown = "present = { original = 0.03, service = 0.05, donor = 0.1, foreign = 0.8 }";
    let broken: [(&str, &str, &str, &[&str]); 6] = [
        (
            "signs/crown.toml",
            crown,
            "present = { original = 1.03, service = 0.05, donor = 0.1, foreign = 0.8 }",
            &["signs.crown_unsigned.present"],
        ),
        (
            "signs/crown.toml",
            crown,
            "present = { original = 0.03, service = 0.05, donor = 0.1, forein = 0.8 }",
            &["signs.crown_unsigned.present", "`forein`", "`foreign`"],
        ),
        (
            "signs/crown.toml",
            "needs = [[\"crown_close\"]]",
            "needs = [[\"crown_clos\"]]",
            &["signs.crown_unsigned.needs", "`crown_close`"],
        ),
        ("signs/crown.toml", "reading = \"plain\"", "raeding = \"plain\"", &["signs/crown.toml", "raeding"]),
        ("pack.toml", "b = 0.02", "b = 0.99", &["readings.plain"]),
        ("pack.toml", "version = \"1.0\"", "", &["version"]),
    ];
    for (name, from, to, says) in broken {
        let folder = pack_with(name, |text| text.replacen(from, to, 1));
        failed(&check(folder.path()), says);
    }
}

#[test]
fn model_check_names_a_row_that_does_not_add_up() {
    let folder = pack_with("segments.toml", |text| {
        let (at, _) = text.match_indices("original = 0.").next().unwrap();
        let number: String = text[at + 11..].chars().take_while(|c| c.is_ascii_digit() || *c == '.').collect();
        let moved = number.parse::<f64>().unwrap() / 2.0;
        text.replacen(&format!("original = {number}"), &format!("original = {moved}"), 1)
    });
    failed(&check(folder.path()), &["segments.", ".sound"]);
}

#[test]
fn model_check_tells_all_faults_at_once() {
    let folder = pack_with("pack.toml", |t| t.replacen("a = 0.95", "a = 1.95", 1).replacen("a = 0.92", "a = 1.92", 1));
    failed(&check(folder.path()), &["readings.plain.a", "readings.easy.a"]);
}

#[test]
fn model_check_fails_on_a_folder_without_a_model() {
    let folder = tempfile::tempdir().unwrap();
    failed(&check(folder.path()), &[folder.path().to_str().unwrap()]);
    failed(&check(&folder.path().join("no-such-folder")), &["no-such-folder"]);
}

// --- serve --------------------------------------------------------------------------------

#[test]
fn serve_refuses_an_address_that_is_not_loopback() {
    for address in ["0.0.0.0:0", "[::]:0", "192.0.2.1:0", "[2001:db8::1]:0"] {
        failed(&run(&["serve", "--listen", address]), &[address, "loopback"]);
        let by_environment = steelyard().arg("serve").env("STEELYARD_LISTEN", address).output().unwrap();
        assert_eq!(by_environment.status.code(), Some(1), "{address}");
    }
}

#[test]
fn serve_fails_on_an_address_in_use_and_names_it() {
    let service = Served::start();
    let address = service.address().to_string();
    failed(&run(&["serve", "--listen", &address]), &[&address]);
}

#[test]
fn serve_fails_on_a_broken_model_and_names_the_entry() {
    let folder = pack_with("pack.toml", |t| t.replacen("b = 0.02", "b = 0.99", 1));
    let printed = run(&[
        "serve".as_ref(),
        "--listen".as_ref(),
        "127.0.0.1:0".as_ref(),
        "--pack".as_ref(),
        folder.path().as_os_str(),
    ]);
    failed(&printed, &["readings.plain"]);
}

#[tokio::test]
async fn serve_prints_one_line_when_it_is_ready_and_is_silent_while_all_is_well() {
    let mut service = Served::start();
    let body = serde_json::to_vec(&examples::fresh_dial()).unwrap();
    assert_eq!(Reply::to(service.post("/v1/assess", body)).await.status, 200);
    assert_eq!(Reply::to(service.post("/v1/assess", "{")).await.status, 400);
    assert_eq!(Reply::to(service.get("/nowhere")).await.status, 404);
    service.terminate();
    assert_eq!(service.ended_within(WITH_GRACE).and_then(|s| s.code()), Some(0));
    assert_eq!(service.said(), [format!("steelyard listens on http://{}", service.address())]);
}

#[test]
fn sigterm_ends_an_idle_service_at_once_with_0() {
    let mut service = Served::start();
    service.terminate();
    let status = service.ended_within(AT_ONCE).expect("it has not ended");
    assert_eq!(status.code(), Some(0), "{status}");
}

#[test]
fn sigterm_ends_the_service_with_0_although_requests_are_half_sent() {
    let mut service = Served::start();
    let host = service.address();
    let halves = [
        String::new(),
        "POST /v1/ass".into(),
        format!("GET /healthz HTTP/1.1\r\nHost: {host}\r\n"),
        format!(
            "POST /v1/assess HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\n\
             Content-Length: 100\r\n\r\n{{\"observations\""
        ),
    ];
    let open: Vec<_> = halves
        .iter()
        .map(|half| {
            let mut stream = service.connect();
            stream.write_all(half.as_bytes()).unwrap();
            stream
        })
        .collect();
    // The service has seen them once it answers a request that came later.
    assert_eq!(service.raw(&format!("GET /healthz HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\n\r\n")).status, 200);
    service.terminate();
    let since = Instant::now();
    let status = service.ended_within(WITH_GRACE).expect("a half-sent request keeps it alive");
    assert_eq!(status.code(), Some(0), "{status} after {:?}", since.elapsed());
    drop(open);
}

#[tokio::test]
async fn sigterm_lets_a_request_under_way_finish() {
    let mut service = Served::start();
    let host = service.address();
    let body = "{\"observations\": []}";
    let mut stream = service.connect();
    let head = format!(
        "POST /v1/assess HTTP/1.1\r\nHost: {host}\r\nContent-Type: application/json\r\n\
         Content-Length: {}\r\nConnection: close\r\n\r\n",
        body.len()
    );
    stream.write_all(head.as_bytes()).unwrap();
    assert_eq!(Reply::to(service.get("/healthz")).await.status, 200);
    service.terminate();
    // Until the order to stop has arrived, which shows in that nobody is let in any more.
    let until = Instant::now() + AT_ONCE;
    while std::net::TcpStream::connect(host).is_ok() {
        assert!(Instant::now() < until, "it lets new connections in");
        std::thread::sleep(Duration::from_millis(10));
    }
    stream.write_all(body.as_bytes()).unwrap();
    let mut answer = String::new();
    std::io::Read::read_to_string(&mut stream, &mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200 "), "{answer}");
    assert!(answer.contains("\"probability\""), "{answer}");
    assert_eq!(service.ended_within(WITH_GRACE).and_then(|s| s.code()), Some(0));
}

#[test]
fn sigint_ends_it_as_well() {
    let mut service = Served::start();
    service.interrupt();
    assert_eq!(service.ended_within(AT_ONCE).and_then(|s| s.code()), Some(0));
}

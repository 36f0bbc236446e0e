//! The OpenAPI document says what the service does: it is generated, committed, and held against
//! the answers.

mod support;

use jsonschema::Validator;
use serde_json::{Map, Value, json};
use std::collections::BTreeSet;
use std::path::Path;
use steelyard::openapi;
use support::{Reply, Served};

/// The HTTP methods that are members of a path item (OpenAPI 3.1.0 section 4.8.9).
const METHODS: [&str; 8] = ["get", "put", "post", "delete", "options", "head", "patch", "trace"];

/// The schemas of bodies.
const BODIES: [&str; 8] = [
    "AssessRequest",
    "BidsBody",
    "CalibrationBody",
    "CalibreBody",
    "FeedBody",
    "OutcomeBody",
    "ReferenceBody",
    "SellerBody",
];

fn document() -> Value {
    openapi::document().unwrap()
}

/// A schema of the document, with what it refers to.
fn schema(document: &Value, schema: &Value) -> Validator {
    let whole = json!({ "allOf": [schema], "components": document["components"] });
    jsonschema::draft202012::options().should_validate_formats(true).build(&whole).unwrap_or_else(|e| panic!("{e}"))
}

#[track_caller]
fn holds(validator: &Validator, instance: &Value, what: &str) {
    let faults: Vec<String> = validator.iter_errors(instance).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(faults.is_empty(), "{what} does not fit its schema:\n{}", faults.join("\n"));
}

/// A line of a stream's answer: an assessment or a problem of the line.
#[track_caller]
fn holds_as_line(document: &Value, line: &str, what: &str) {
    let answer: Value = serde_json::from_str(line).unwrap_or_else(|e| panic!("{what}: {e}: {line}"));
    let name = if answer.get("line").is_some() { "ProblemOfLine" } else { "Assessment" };
    holds(&schema(document, &json!({ "$ref": format!("#/components/schemas/{name}") })), &answer, what);
}

/// Every operation: method, path, description.
fn operations(document: &Value) -> Vec<(&str, &str, &Value)> {
    let paths = document["paths"].as_object().unwrap();
    paths
        .iter()
        .flat_map(|(path, item)| METHODS.iter().filter_map(move |m| Some((*m, path.as_str(), item.get(m)?))))
        .collect()
}

/// The values of `example` and `examples` of a media type or parameter.
fn examples_in(object: &Value) -> Vec<&Value> {
    let named = object.get("examples").and_then(Value::as_object).into_iter().flat_map(Map::values);
    named.map(|e| &e["value"]).chain(object.get("example")).collect()
}

/// A path with the examples of its parameters in their places.
fn with_examples(path: &str, operation: &Value) -> String {
    let mut path = path.to_owned();
    for parameter in operation["parameters"].as_array().into_iter().flatten().filter(|p| p["in"] == "path") {
        let name = parameter["name"].as_str().unwrap();
        let example = parameter["example"].as_str().unwrap_or_else(|| panic!("{path}: `{name}` has no example"));
        path = path.replace(&format!("{{{name}}}"), &example.replace(' ', "%20"));
    }
    path
}

/// All `$ref`s of a document.
fn references<'d>(value: &'d Value, found: &mut BTreeSet<&'d str>) {
    match value {
        Value::Object(members) => {
            found.extend(members.get("$ref").and_then(Value::as_str));
            members.values().for_each(|v| references(v, found));
        }
        Value::Array(items) => items.iter().for_each(|v| references(v, found)),
        _ => {}
    }
}

#[test]
fn the_committed_document_is_the_one_of_the_code() {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../openapi/openapi.json");
    let how = "run `cargo run -p steelyard --example openapi > openapi/openapi.json`";
    let committed = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("openapi/openapi.json: {e}; {how}"));
    let now = openapi::pretty(&document()).unwrap();
    if let Some((i, (old, new))) = committed.lines().zip(now.lines()).enumerate().find(|(_, (old, new))| old != new) {
        panic!("openapi/openapi.json is out of date, first in line {}:\n- {old}\n+ {new}\n{how}", i + 1);
    }
    assert_eq!(committed.len(), now.len(), "openapi/openapi.json is out of date; {how}");
}

#[test]
fn the_document_is_the_same_every_time_it_is_made() {
    assert_eq!(openapi::pretty(&document()).unwrap(), openapi::pretty(&document()).unwrap());
}

#[test]
fn every_operation_has_a_name_a_good_answer_and_every_answer_a_description() {
    let document = document();
    // OpenAPI 3.1.0 section 4.8.10: operationId is unique among all operations.
    let mut names = BTreeSet::new();
    let operations = operations(&document);
    assert!(operations.len() >= 5, "{}", operations.len());
    for (method, path, operation) in operations {
        let at = format!("{method} {path}");
        let name = operation["operationId"].as_str().unwrap_or_default();
        assert!(!name.is_empty() && names.insert(name), "{at}: `{name}` is no name of its own");
        let described = ["summary", "description"].iter().any(|m| operation[m].as_str().is_some_and(|s| !s.is_empty()));
        assert!(described, "{at} is not described");
        let responses = operation["responses"].as_object().unwrap();
        assert!(responses.keys().any(|s| s.starts_with('2')), "{at} has no good answer");
        for (status, response) in responses {
            // OpenAPI 3.1.0 section 4.8.17: description is required.
            let description = response["description"].as_str().unwrap_or_default();
            assert!(!description.is_empty(), "{at} {status} has no description");
        }
    }
}

#[test]
fn every_refusal_in_the_document_is_a_problem() {
    let document = document();
    let mut seen = 0;
    for (method, path, operation) in operations(&document) {
        for (status, response) in operation["responses"].as_object().unwrap() {
            if status.starts_with(['4', '5']) {
                let content = response["content"].as_object().unwrap();
                assert_eq!(
                    content.keys().collect::<Vec<_>>(),
                    ["application/problem+json"],
                    "{method} {path} {status}"
                );
                let refers = &content["application/problem+json"]["schema"]["$ref"];
                assert_eq!(refers, "#/components/schemas/Problem", "{method} {path} {status}");
                seen += 1;
            }
        }
    }
    assert!(seen > 0);
}

#[test]
fn every_reference_in_the_document_leads_somewhere() {
    let document = document();
    let mut found = BTreeSet::new();
    references(&document, &mut found);
    assert!(found.len() > 20, "{}", found.len());
    for reference in found {
        let pointer = reference.strip_prefix('#').unwrap_or_else(|| panic!("{reference} leaves the document"));
        assert!(document.pointer(pointer).is_some(), "{reference} leads nowhere");
    }
    for (name, part) in document["components"]["schemas"].as_object().unwrap() {
        // JSON Schema 2020-12, the dialect of OpenAPI 3.1.
        schema(&document, &json!({ "$ref": format!("#/components/schemas/{name}") }));
        assert!(part.is_object(), "{name}");
    }
}

#[test]
fn every_whole_number_of_a_request_has_bounds() {
    // Without them the document would promise numbers that the code cannot hold.
    fn unbounded(at: &str, value: &Value, found: &mut Vec<String>) {
        if let Value::Object(members) = value {
            let types = &members.get("type").cloned().unwrap_or_default();
            let whole = *types == "integer" || types.as_array().is_some_and(|t| t.contains(&json!("integer")));
            if whole && !(members.contains_key("minimum") && members.contains_key("maximum")) {
                found.push(at.to_owned());
            }
            members.iter().for_each(|(name, v)| unbounded(&format!("{at}/{name}"), v, found));
        }
    }
    let document = document();
    let (mut names, mut todo) = (BTreeSet::new(), BODIES.map(str::to_owned).to_vec());
    while let Some(name) = todo.pop() {
        let mut found = BTreeSet::new();
        references(&document["components"]["schemas"][&name], &mut found);
        if names.insert(name) {
            todo.extend(found.iter().map(|r| r.rsplit('/').next().unwrap().to_owned()));
        }
    }
    assert!(names.len() > 10, "{names:?}");
    let mut found = Vec::new();
    for name in &names {
        unbounded(name, &document["components"]["schemas"][name], &mut found);
    }
    assert!(found.is_empty(), "no bounds: {found:?}");
}

#[tokio::test]
async fn the_example_requests_are_accepted_and_their_answers_fit_the_document() {
    let document = document();
    // The example's feed is not to be asked for.
    let service = Served::with(&[("STEELYARD_POLL_FEEDS", "false")]);
    // One may bid on what is saved.
    for id in ["lot-381", "lot-382"] {
        let body = steelyard::wire::request::AssessRequest { id: None, ..steelyard::examples::fresh_dial() };
        let request = service.request("PUT", &format!("/v1/listings/{id}")).header("content-type", "application/json");
        let reply = Reply::to(request.body(serde_json::to_string(&body).unwrap())).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
    }
    let (mut sent, mut feed) = (0, String::new());
    for (method, path, operation) in operations(&document) {
        let content = operation["requestBody"]["content"].as_object().into_iter().flatten();
        for (media_type, media) in content {
            let takes = schema(&document, &media["schema"]);
            let found = examples_in(media);
            assert!(!found.is_empty(), "{method} {path} has no example of a {media_type}");
            for example in found {
                holds(&takes, example, &format!("an example of {method} {path}"));
                // What is no JSON is text, and its example a string of it.
                let text = |media: &str| example.as_str().filter(|_| media != "application/json").map(str::to_owned);
                let body = text(media_type).unwrap_or_else(|| example.to_string());
                // A feed's name is of the service's making.
                let path = match path.strip_prefix("/v1/feeds/{id}") {
                    Some(rest) => format!("{feed}{rest}"),
                    None => with_examples(path, operation),
                };
                let request = service.request(&method.to_uppercase(), &path).header("content-type", media_type);
                let reply = Reply::to(request.body(body)).await;
                if path == "/v1/feeds" {
                    feed = reply.header("location").unwrap_or_default().into();
                }
                assert!(reply.status.is_success(), "{method} {path} refuses {example}: {}", reply.text());
                let gives = reply.header("content-type").unwrap().to_owned();
                let response = &operation["responses"][reply.status.as_str()]["content"][gives]["schema"];
                assert!(response.is_object(), "{method} {path}: {} is not in the document", reply.status);
                let what = format!("the answer of {method} {path}");
                if path == "/v1/assess/stream" {
                    holds(&schema(&document, response), &json!(reply.text()), &what);
                    let text = reply.text();
                    assert_eq!(text.lines().count(), example.as_str().unwrap().lines().count());
                    text.lines().for_each(|line| holds_as_line(&document, line, &what));
                } else {
                    holds(&schema(&document, response), &reply.json(), &what);
                }
                sent += 1;
            }
        }
    }
    assert!(sent >= 9, "{sent}");
}

#[test]
fn the_example_answers_fit_their_schemas() {
    let document = document();
    let mut seen = 0;
    for (method, path, operation) in operations(&document) {
        for (status, response) in operation["responses"].as_object().unwrap() {
            for (media_type, media) in response["content"].as_object().into_iter().flatten() {
                let gives = schema(&document, &media["schema"]);
                for example in examples_in(media) {
                    let what = format!("an example of {method} {path} {status} {media_type}");
                    holds(&gives, example, &what);
                    if path == "/v1/assess/stream" && status == "200" {
                        example.as_str().unwrap().lines().for_each(|line| holds_as_line(&document, line, &what));
                    }
                    seen += 1;
                }
            }
        }
    }
    assert!(seen >= 1);
}

#[tokio::test]
async fn every_get_answers_as_the_document_says() {
    let document = document();
    let service = Served::start();
    for (method, path, operation) in operations(&document) {
        // A stream has no end: `tests/changes.rs` reads it.
        if method != "get" || path.contains('{') || path == "/v1/changes" {
            continue;
        }
        let mut asked = vec![path.to_owned()];
        for parameter in operation["parameters"].as_array().into_iter().flatten() {
            if parameter["in"] == "query" {
                let name = parameter["name"].as_str().unwrap();
                // A cursor comes from an answer; `tests/stored.rs` follows them.
                if name == "cursor" {
                    continue;
                }
                let limit = json!(7);
                let found = if name == "limit" { vec![&limit] } else { examples_in(parameter) };
                assert!(!found.is_empty(), "{path}: `{name}` has no example");
                let word = |e: &Value| e.as_str().map_or_else(|| e.to_string(), str::to_owned);
                asked.extend(found.iter().map(|e| format!("{path}?{name}={}", word(e))));
            }
        }
        for path in asked {
            let reply = Reply::to(service.get(&path)).await;
            assert_eq!(reply.status, 200, "{path}: {}", reply.text());
            let content = &operation["responses"]["200"]["content"][reply.header("content-type").unwrap()];
            holds(&schema(&document, &content["schema"]), &reply.json(), &path);
        }
    }
}

#[tokio::test]
async fn refusals_fit_the_document() {
    let document = document();
    let service = Served::start();
    let problem = schema(&document, &json!({ "$ref": "#/components/schemas/Problem" }));
    let assess = &document["paths"]["/v1/assess"]["post"]["responses"];
    for (body, status) in [("", 400), ("{", 400), ("[]", 422), ("{\"observations\": [], \"attic\": 1}", 422)] {
        let reply = Reply::to(service.post("/v1/assess", body)).await;
        assert_eq!(reply.status, status, "{body}: {}", reply.text());
        assert!(assess.get(reply.status.as_str()).is_some(), "{status} is not in the document");
        holds(&problem, &reply.problem(status), body);
    }
}

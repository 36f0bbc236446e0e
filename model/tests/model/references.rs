//! Published and independently computed values; every file in `tests/data` names its source.

use crate::common::{all_near, items, near, number, numbers, reference};
use ndarray::{Array2, ArrayD, IxDyn, arr1, arr2};
use serde_json::Value;
use steelyard_model::decision::Problem;
use steelyard_model::network::{Network, NetworkError};
use steelyard_model::observe::{resolvability, unresolvability};
use steelyard_model::posterior::DECIBANS;

const ASIA: &str = include_str!("../data/asia.json");
const DIAGNOSTIC: &str = include_str!("../data/diagnostic_bayes.json");
const JOHNSON: &str = include_str!("../data/johnson.json");
const VOI: &str = include_str!("../data/voi.json");

fn chest_clinic(tables: &Value) -> Network {
    let mut net = Network::new();
    let mut left: Vec<&String> = tables.as_object().expect("variables by name").keys().collect();
    while !left.is_empty() {
        left.retain(|name| {
            let variable = &tables[name.as_str()];
            let parents: Vec<&str> = items(&variable["parents"]).iter().filter_map(Value::as_str).collect();
            if parents.iter().any(|p| net.index(p).is_err()) {
                return true;
            }
            let rows = items(&variable["p_yes"]);
            let mut table = ArrayD::zeros(IxDyn(&vec![2; parents.len() + 1]));
            for row in rows {
                let mut at: Vec<usize> = items(&row["given"]).iter().map(|s| usize::from(s != "yes")).collect();
                at.push(0);
                table[IxDyn(&at)] = number(&row["p"]);
                *at.last_mut().expect("not empty") = 1;
                table[IxDyn(&at)] = 1.0 - number(&row["p"]);
            }
            assert_eq!(rows.len(), 1 << parents.len());
            net.add(name, &["yes", "no"], &parents, table).expect("a published table");
            false
        });
    }
    net
}

#[test]
fn lauritzen_spiegelhalter_1988() {
    let file = reference(ASIA);
    let marginal = number(&file["tolerance"]["abs"]);
    let ln_weight = number(&file["tolerance"]["log_evidence_weight_abs"]);
    let net = chest_clinic(&file["network"]);
    let plan = net.compile();
    let cases = items(&file["cases"]);
    assert_eq!(cases.len(), 16);
    for case in cases {
        let mut run = plan.run();
        for (name, state) in case["hard"].as_object().expect("hard evidence") {
            run.observe(name, state.as_str().expect("a state")).expect("a state of the network");
        }
        for (name, likelihood) in case["soft"].as_object().expect("soft evidence") {
            run.observe_likelihood(name, &numbers(likelihood)).expect("a likelihood");
        }
        let expected = &case["expected"];
        if expected["impossible"] == true {
            assert_eq!(run.evaluate(), Err(NetworkError::Impossible), "{}", case["id"]);
            continue;
        }
        run.evaluate().expect("possible evidence");
        for (name, p) in expected["p_yes"].as_object().expect("marginals") {
            let found = run.marginal(net.index(name).expect("a variable"));
            near(found[0], number(p), marginal, &format!("{} P({name})", case["id"]));
            near(found[0] + found[1], 1.0, marginal, &format!("{} both states of {name}", case["id"]));
        }
        near(run.ln_evidence(), number(&expected["log_evidence_weight"]), ln_weight, &case["id"].to_string());
    }
}

/// Posterior and complement of a yes/no hypothesis with independent items, all seen at once.
fn at_once(prior: f64, pairs: &[(f64, f64)]) -> (f64, f64) {
    let mut net = Network::new();
    let h = net.add("h", &["yes", "no"], &[], arr1(&[prior, 1.0 - prior]).into_dyn()).expect("a prior");
    let names: Vec<String> = (0..pairs.len()).map(|i| format!("item{i}")).collect();
    for (name, (yes, no)) in names.iter().zip(pairs) {
        let table = arr2(&[[*yes, 1.0 - yes], [*no, 1.0 - no]]);
        net.add(name, &["seen", "not"], &["h"], table.into_dyn()).expect("a table");
    }
    let plan = net.compile();
    let mut run = plan.run();
    for name in &names {
        run.observe(name, "seen").expect("an item");
    }
    run.evaluate().expect("possible evidence");
    (run.marginal(h)[0], run.marginal(h)[1])
}

/// As soft evidence, item by item: each posterior is the next prior.
fn one_by_one(prior: f64, pairs: &[(f64, f64)]) -> (f64, f64) {
    pairs.iter().fold((prior, 1.0 - prior), |(yes, no), (if_yes, if_no)| {
        let mut net = Network::new();
        let h = net.add("h", &["yes", "no"], &[], arr1(&[yes, no]).into_dyn()).expect("a prior");
        let plan = net.compile();
        let mut run = plan.run();
        run.observe_likelihood("h", &[*if_yes, *if_no]).expect("a likelihood");
        run.evaluate().expect("possible evidence");
        (run.marginal(h)[0], run.marginal(h)[1])
    })
}

struct Closeness<'a>(&'a Value);

impl Closeness<'_> {
    fn check(&self, (yes, no): (f64, f64), posterior: f64, complement: f64, log_odds: f64, what: &str) {
        let log_odds_tolerance = numbers(&self.0["log_odds_abs_plus_rel"]);
        near(yes, posterior, number(&self.0["posterior_rel"]) * posterior, &format!("{what} posterior"));
        near(no, complement, number(&self.0["complement_rel"]) * complement, &format!("{what} complement"));
        let tolerance = log_odds_tolerance[0] + log_odds_tolerance[1] * log_odds.abs();
        near(yes.ln() - no.ln(), log_odds, tolerance, &format!("{what} log-odds"));
    }
}

#[test]
fn published_diagnostic_examples() {
    let file = reference(DIAGNOSTIC);
    let close = Closeness(&file["tolerance"]);
    let examples = items(&file["published_examples"]);
    assert_eq!(examples.len(), 13);
    for example in examples {
        let (id, input, expected) = (example["id"].to_string(), &example["input"], &example["expected"]);
        let prior = number(&input["prior"]);
        let pair = match input.get("likelihood_ratio") {
            Some(ratio) => (number(ratio), 1.0),
            None => (number(&input["p_e_given_h"]), number(&input["p_e_given_not_h"])),
        };
        let found = if pair.0 <= 1.0 { at_once(prior, &[pair]) } else { one_by_one(prior, &[pair]) };
        let odds = number(&expected["posterior_odds"]);
        close.check(found, number(&expected["posterior"]), 1.0 / (1.0 + odds), odds.ln(), &id);
        let weight = DECIBANS * (pair.0 / pair.1).ln();
        near(weight, number(&expected["weight_decibans"]), number(&file["tolerance"]["decibans_abs"]), &id);
        let printed = &example["published"];
        let half_a_digit = 0.5 * 10_f64.powf(-number(&printed["decimals"]));
        near(found.0, number(&printed["posterior"]), half_a_digit, &format!("{id} as printed"));
    }
}

#[test]
fn updates_of_many_items() {
    let file = reference(DIAGNOSTIC);
    let close = Closeness(&file["tolerance"]);
    let updates = items(&file["updates"]);
    assert_eq!(updates.len(), 40);
    for update in updates {
        let (id, prior) = (update["id"].as_str().expect("an id"), number(&update["prior"]));
        let pairs: Vec<(f64, f64)> = items(&update["pairs"]).iter().map(|p| (number(&p[0]), number(&p[1]))).collect();
        let expected = &update["expected"];
        let check = |found, how: &str| {
            let [posterior, complement, log_odds] =
                ["posterior", "complement", "log_odds"].map(|key| number(&expected[key]));
            // The file forms 1 - posterior with 60 digits: a smaller complement is printed there as 0.
            let complement = if complement == 0.0 { (-log_odds).exp() } else { complement };
            close.check(found, posterior, complement, log_odds, &format!("{id} {how}"));
        };
        check(one_by_one(prior, &pairs), "one by one");
        check(at_once(prior, &pairs), "at once");
        let decibans: f64 = pairs.iter().map(|(yes, no)| DECIBANS * (yes.ln() - no.ln())).sum();
        near(decibans, number(&expected["decibans_total"]), number(&file["tolerance"]["decibans_abs"]), id);
    }
}

#[test]
fn decibans_of_turing_and_good() {
    let file = reference(DIAGNOSTIC);
    for case in items(&file["decibans"]) {
        let found = DECIBANS * number(&case["factor"]).ln();
        let id = case["id"].to_string();
        near(found, number(&case["expected_decibans"]), number(&file["tolerance"]["decibans_abs"]), &id);
        near(found, number(&case["published_decibans"]), number(&case["published_abs_tol"]), &id);
    }
}

#[test]
fn johnson_1958_probability_from_cycles() {
    let file = reference(JOHNSON);
    let (probability, complement) =
        (number(&file["tolerance"]["probability_abs"]), number(&file["tolerance"]["complement_rel"]));
    let cases = items(&file["forward"]);
    assert_eq!(cases.len(), 30);
    for case in cases {
        let (cycles, n50) = (number(&case["cycles"]), number(&case["n50"]));
        near(resolvability(cycles, n50), number(&case["probability"]), probability, &case.to_string());
        let wanted = number(&case["complement"]);
        near(unresolvability(cycles, n50), wanted, complement * wanted, &case.to_string());
    }
}

#[test]
fn johnson_1958_cycles_from_probability() {
    let file = reference(JOHNSON);
    let relative = number(&file["tolerance"]["cycles_rel"]);
    for case in items(&file["inverse"]) {
        let (n50, wanted) = (number(&case["n50"]), number(&case["probability"]));
        let (mut low, mut high) = (0.0, 100.0 * n50);
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if resolvability(middle, n50) < wanted { low = middle } else { high = middle }
        }
        let cycles = number(&case["cycles"]);
        near(high, cycles, relative * cycles, &case.to_string());
    }
}

#[test]
fn ratches_1976_multiplier_table() {
    let file = reference(JOHNSON);
    let rows = items(&file["published_table"]["rows"]);
    assert_eq!(rows.len(), 8);
    for row in rows {
        let found = resolvability(number(&row["multiplier"]), 1.0);
        near(found, number(&row["published_probability"]), number(&file["tolerance"]["table_abs"]), &row.to_string());
        let tolerance = number(&file["tolerance"]["probability_abs"]);
        near(found, number(&row["formula_probability"]), tolerance, &row.to_string());
    }
}

#[test]
fn value_of_information_examples() {
    let file = reference(VOI);
    let probability = number(&file["tolerance"]["probability_abs"]);
    let cases = items(&file["cases"]);
    assert_eq!(cases.len(), 29);
    for case in cases {
        let id = case["id"].as_str().expect("an id");
        let utility: Vec<Vec<f64>> = items(&case["utility"]).iter().map(numbers).collect();
        let largest = utility.iter().flatten().fold(0.0, |a: f64, u| a.max(u.abs()));
        let money = number(&file["tolerance"]["value_rel_to_largest_utility"]) * largest;
        let problem = Problem::new(numbers(&case["prior"]), utility).expect("a published problem");
        let expected = &case["expected"];
        let actions = items(&case["actions"]);
        for (found, action) in problem.expected().iter().zip(actions) {
            let name = action.as_str().expect("an action");
            near(*found, number(&expected["emv"][name]), money, &format!("{id} EMV {name}"));
        }
        let (best, value) = problem.best();
        near(value, number(&expected["emv_best"]), money, &format!("{id} best EMV"));
        assert_eq!(actions[best], expected["best_action"], "{id}");
        let with_perfect = number(&expected["value_with_perfect_information"]);
        near(problem.with_perfect_information(), with_perfect, money, &format!("{id} perfect"));
        near(problem.value_of_perfect_information(), number(&expected["evpi"]), money, &format!("{id} EVPI"));
        let tests = items(&case["tests"]);
        assert_eq!(tests.len(), items(&expected["tests"]).len());
        for (test, wanted) in tests.iter().zip(items(&expected["tests"])) {
            let what = format!("{id} {}", test["name"]);
            let rows: Vec<Vec<f64>> = items(&test["likelihood"]).iter().map(numbers).collect();
            let table = Array2::from_shape_vec((rows.len(), rows[0].len()), rows.concat()).expect("a table");
            let gross = problem.with_sample_information(table.view()).expect("a test");
            near(gross, number(&wanted["value_gross"]), money, &format!("{what} gross"));
            let worth = problem.value_of_sample_information(table.view()).expect("a test");
            near(worth, number(&wanted["evsi"]), money, &format!("{what} EVSI"));
            let outcomes = problem.outcomes(table.view()).expect("a test");
            assert_eq!(outcomes.len(), items(&wanted["results"]).len());
            for (found, result) in outcomes.iter().zip(items(&wanted["results"])) {
                near(found.probability, number(&result["probability"]), probability, &format!("{what} P(result)"));
                all_near(&found.posterior, &numbers(&result["posterior"]), probability, &what);
                near(found.value, number(&result["value"]), money, &format!("{what} value"));
                if result["tie"] != true {
                    assert_eq!(actions[found.best_action], result["best_action"], "{what}");
                }
            }
        }
    }
}

//! One case of a file of scored forecasts: every quantity that the crate computes beside the file's.

use super::{list, number};
use serde_json::Value;
use steelyard_priors::LogOdds;
use steelyard_priors::recalibrate::{Recalibration, Shrinkage};
use steelyard_priors::score::{Decomposition, Forecasts};

/// A number of the crate's beside the file's, and which of the file's tolerances holds.
pub(crate) struct Compared {
    pub(crate) quantity: String,
    pub(crate) got: f64,
    pub(crate) want: f64,
    pub(crate) tolerance: &'static str,
}

impl Compared {
    pub(crate) fn apart(&self) -> f64 {
        (self.got - self.want).abs()
    }
}

pub(crate) const SCORES: &str = "scores_abs";
pub(crate) const ISOTONIC: &str = "isotonic_abs";
pub(crate) const PARAMETERS: &str = "platt_and_beta_parameters_rel";
pub(crate) const LIKELIHOOD: &str = "log_likelihood_abs";

/// Next to no penalty: against the curvature of the likelihood of any of these cases it is far below
/// the tolerance of the maximum-likelihood fits.
const NEXT_TO_NONE: f64 = 1e-9;

pub(crate) fn forecasts(case: &Value) -> Vec<(LogOdds, bool)> {
    let p = list(case, "p").iter().map(|p| LogOdds::of(p.as_f64().unwrap()).unwrap());
    p.zip(list(case, "y").iter().map(|y| y.as_u64() == Some(1))).collect()
}

pub(crate) fn compared(case: &Value) -> Vec<Compared> {
    let cases = forecasts(case);
    let forecasts = Forecasts::new(&cases).unwrap();
    let expected = &case["expected"];
    let mut all = Vec::new();
    let mut push = |quantity: &str, got: f64, want: f64, tolerance| {
        all.push(Compared { quantity: quantity.into(), got, want, tolerance });
    };
    push("cases", forecasts.cases() as f64, number(expected, "n"), SCORES);
    push("bad", forecasts.bad() as f64, number(expected, "n_positive"), SCORES);
    push("log score", forecasts.log().score, number(expected, "log_score"), SCORES);
    push("Brier score", forecasts.brier().score, number(expected, "brier"), SCORES);
    for (name, Decomposition { score, miscalibration, discrimination, uncertainty }) in
        [("log", forecasts.log()), ("brier", forecasts.brier())]
    {
        for (part, got) in [
            ("score", score),
            ("miscalibration", miscalibration),
            ("discrimination", discrimination),
            ("uncertainty", uncertainty),
        ] {
            push(&format!("{name}: {part}"), got, number(&expected["corp"][name], part), SCORES);
        }
    }
    let cllr = forecasts.cllr().unwrap();
    push("Cllr", cllr.bits, number(expected, "cllr"), SCORES);
    push("Cllr_min", cllr.least, number(expected, "cllr_min"), SCORES);
    push("Cllr - Cllr_min", cllr.bits - cllr.least, number(expected, "cllr_cal"), SCORES);
    push("area under ROC", forecasts.auc().unwrap(), number(expected, "auc"), SCORES);

    let curve = forecasts.isotonic();
    let blocks = &expected["isotonic_blocks"];
    push("isotonic blocks", curve.len() as f64, list(blocks, "count").len() as f64, ISOTONIC);
    for (k, block) in curve.iter().enumerate() {
        let want = |key: &str| blocks[key][k].as_f64().unwrap();
        let name = |part| format!("block {k} {part}");
        push(&name("low"), block.low.probability(), want("p_low"), ISOTONIC);
        push(&name("high"), block.high.probability(), want("p_high"), ISOTONIC);
        push(&name("cases"), block.cases as f64, want("count"), ISOTONIC);
        push(&name("bad"), block.bad as f64, want("positives"), ISOTONIC);
        push(&name("rate"), block.rate(), want("positives") / want("count"), ISOTONIC);
    }

    for table in list(expected, "binned") {
        let bins = number(table, "bins") as usize;
        let found = forecasts.histogram(bins).unwrap();
        let (mut forecast, mut met) = (0.0, 0);
        for row in list(table, "table") {
            let k = number(row, "bin") as usize;
            let (cases, rate) = (found[k].cases as f64, found[k].bad as f64 / found[k].cases as f64);
            push(&format!("bin {k}/{bins} cases"), cases, number(row, "count"), SCORES);
            push(&format!("bin {k}/{bins} rate"), rate, number(row, "mean_y"), SCORES);
            forecast += number(row, "count") * number(row, "mean_p");
            met += found[k].cases;
        }
        push(&format!("cases in all {bins} bins"), met as f64, number(expected, "n"), SCORES);
        let mean = forecasts.in_the_large().mean_forecast;
        push("mean forecast", mean, forecast / number(expected, "n"), SCORES);
    }

    if let Some(platt) = expected.get("platt") {
        let map = Recalibration::fit(&forecasts, Shrinkage::new(NEXT_TO_NONE, NEXT_TO_NONE).unwrap());
        push("logistic slope", map.slope(), number(platt, "slope"), PARAMETERS);
        push("logistic intercept", map.intercept(), number(platt, "intercept"), PARAMETERS);
        let likelihood = cases.iter().map(|&(told, bad)| map.apply(told).ln_likelihood(bad)).sum();
        push("logistic ln likelihood", likelihood, number(platt, "log_likelihood"), LIKELIHOOD);
        for (k, (want, (told, _))) in list(platt, "fitted_first5").iter().zip(&cases).enumerate() {
            push(&format!("fitted {k}"), map.apply(*told).probability(), want.as_f64().unwrap(), PARAMETERS);
        }
    }
    all
}

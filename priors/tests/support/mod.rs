//! Reading the reference files and comparing with them.

#![allow(dead_code, reason = "each test program uses a part")]

pub(crate) mod scoring;

use serde_json::Value;

pub(crate) fn reference(text: &str) -> Value {
    serde_json::from_str(text).expect("reference file is JSON")
}

pub(crate) fn number(value: &Value, key: &str) -> f64 {
    match &value[key] {
        Value::String(s) if s == "inf" => f64::INFINITY,
        Value::String(s) if s == "-inf" => f64::NEG_INFINITY,
        other => other.as_f64().unwrap_or_else(|| panic!("{key} is no number in {value}")),
    }
}

pub(crate) fn list<'v>(value: &'v Value, key: &str) -> &'v [Value] {
    value[key].as_array().unwrap_or_else(|| panic!("{key} is no list"))
}

/// The largest error met, each divided by what is allowed: at most 1 passes.
#[derive(Default)]
pub(crate) struct Worst {
    name: &'static str,
    ratio: f64,
    error: f64,
    at: String,
    met: usize,
}

impl Worst {
    pub(crate) fn of(name: &'static str) -> Self {
        Self { name, ..Self::default() }
    }

    pub(crate) fn absolute(&mut self, got: f64, want: f64, allowed: f64, at: impl ToString) {
        self.met += 1;
        let error = if got == want { 0.0 } else { (got - want).abs() };
        let ratio = error / allowed;
        // NaN counts as worst.
        if ratio.is_nan() || ratio > self.ratio || self.at.is_empty() {
            self.ratio = if ratio.is_nan() { f64::INFINITY } else { ratio };
            self.error = error;
            self.at = format!("{}: {got:e} for {want:e}", at.to_string());
        }
    }

    pub(crate) fn relative(&mut self, got: f64, want: f64, allowed: f64, at: impl ToString) {
        if want == 0.0 || want.is_infinite() {
            return self.absolute(got, want, f64::MIN_POSITIVE, at);
        }
        self.absolute(got / want, 1.0, allowed, at);
    }

    /// Fails unless `cases` comparisons were made, all within what is allowed.
    pub(crate) fn check(&self, cases: usize) {
        eprintln!(
            "{:28} {:3} compared, worst error {:.1e} ({:.1e} of what is allowed) at {}",
            self.name, self.met, self.error, self.ratio, self.at
        );
        assert_eq!(self.met, cases, "{}: cases compared", self.name);
        assert!(self.ratio <= 1.0, "{}: {}", self.name, self.at);
    }
}

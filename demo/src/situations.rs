//! What a practitioner expects of a listing, held against the answer.

use serde::Deserialize;
use std::fmt;
use steelyard::tonight::probability;
use steelyard::wire::Money;
use steelyard::wire::response::Assessment;

/// An expectation of one figure.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Expectation {
    /// Which figure; see [`Figure::of`].
    pub(crate) figure: String,
    at_least: Option<f64>,
    at_most: Option<f64>,
    is: Option<String>,
}

/// A figure of an answer.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Figure {
    Probability(f64),
    Number(f64),
    Word(String),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Verdict {
    Agrees,
    Differs,
}

fn money(m: Option<&Money>) -> Option<f64> {
    m.and_then(|m| m.amount.parse().ok())
}

fn word<T: serde::Serialize>(value: T) -> Option<String> {
    serde_json::to_value(value).ok()?.as_str().map(str::to_owned)
}

impl Figure {
    /// `bad`, `not_original`, `probability_of_loss`, `expected_net`, `walk_away_price`, `advice`,
    /// `story:NAME`, `best_use:STORY`, `component:NAME:STATE` (`alien`: donor or foreign).
    pub(crate) fn of(a: &Assessment, name: &str) -> Option<Self> {
        let decision = a.decision.as_ref();
        let probability = match *name.split(':').collect::<Vec<_>>().as_slice() {
            ["bad"] => Some(a.probability.bad),
            ["not_original"] => Some(a.probability.not_original),
            ["probability_of_loss"] => decision?.probability_of_loss,
            ["expected_net"] => return money(decision?.expected_net.as_ref()).map(Self::Number),
            ["walk_away_price"] => return money(Some(&decision?.walk_away_price)).map(Self::Number),
            ["story", story] => a.stories.get(story).copied(),
            ["component", part, "alien"] => {
                let states = a.components.as_ref()?.get(part)?;
                Some(states.get("donor")? + states.get("foreign")?)
            }
            ["component", part, state] => a.components.as_ref()?.get(part)?.get(state).copied(),
            ["advice"] => return word(decision?.advice?).map(Self::Word),
            ["best_use", story] => return word(decision?.by_story.get(story)?.best_use).map(Self::Word),
            _ => None,
        };
        probability.map(Self::Probability)
    }
}

impl fmt::Display for Figure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Probability(p) => f.write_str(&probability(*p)),
            Self::Number(x) => write!(f, "{x:.2}"),
            Self::Word(w) => f.write_str(w),
        }
    }
}

impl Expectation {
    pub(crate) fn judge(&self, found: Option<&Figure>) -> Verdict {
        let met = match found {
            Some(Figure::Number(x) | Figure::Probability(x)) => {
                self.is.is_none()
                    && self.at_least.is_none_or(|low| *x >= low)
                    && self.at_most.is_none_or(|high| *x <= high)
            }
            Some(Figure::Word(w)) => self.is.as_ref() == Some(w),
            None => false,
        };
        if met { Verdict::Agrees } else { Verdict::Differs }
    }

    pub(crate) fn words(&self) -> String {
        match (&self.is, self.at_least, self.at_most) {
            (Some(word), _, _) => word.clone(),
            (None, Some(low), Some(high)) => format!("{low} to {high}"),
            (None, Some(low), None) => format!("at least {low}"),
            (None, None, Some(high)) => format!("at most {high}"),
            (None, None, None) => "any".into(),
        }
    }
}

//! The answers.

use super::Money;
use super::request::CallKind;
use indexmap::IndexMap;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// An assessment: a probability with its reasons, never a verdict.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Assessment {
    /// The request's `id`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub listing: Option<String>,
    /// The model it was computed with.
    pub model: ModelName,
    /// The headline.
    pub probability: Probability,
    /// How the log-odds of bad come about, decibans (10·log10 of odds).
    pub log_odds_db: LogOdds,
    /// P(story | evidence), adding up to 1.
    pub stories: IndexMap<String, f64>,
    /// P(state | evidence) per component. `metal` means something only where gold is claimed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub components: Option<IndexMap<String, IndexMap<String, f64>>>,
    /// What is known of the seller's watches before this one was looked at.
    pub seller: SellerBelief,
    /// Every call with its weight.
    pub evidence: Vec<Weighed>,
    /// What to pay and what to do; left out without `value`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub decision: Option<Decision>,
    /// Which signs to judge next on the photos at hand, at most three, the most useful first: each
    /// costs a look, where a view asked for costs a day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(max_items = 3)]
    pub look_next: Option<Vec<LookNext>>,
    /// What to ask for next, the most useful first.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ask_next: Option<Vec<AskNext>>,
    /// Keep it, send it back, or settle for a partial refund; with `stage` `received`, a value and a price.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub arrival: Option<WaysOut>,
    /// What title and description were read as. A proposal counts once it is in the request, or
    /// with `accept_proposals`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub proposals: Option<Vec<Proposal>>,
    /// What the marks on case, back and bezel were read as.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub marks: Option<Vec<Mark>>,
    /// The cautions that apply.
    pub cautions: Vec<Caution>,
}

impl Assessment {
    /// The requests worth sending, the most useful first. Where worths are known they are those whose worth
    /// exceeds what asking costs, so there is one if and only if the advice is to ask first; else all of them.
    #[must_use]
    pub fn worth_asking(&self) -> Vec<&AskNext> {
        let number = |m: &Money| m.amount.parse::<f64>().ok();
        let decision = self.decision.as_ref();
        let asks = decision.and_then(|d| d.advice) == Some(AdviceKind::AskFirst);
        let cost = decision.and_then(|d| d.asking_cost.as_ref()).and_then(number).unwrap_or(f64::INFINITY);
        let requests = self.ask_next.iter().flatten().enumerate();
        // The first is what the advice rests on, by unrounded figures.
        let worth_it = |i: usize, worth: &Money| asks && (i == 0 || number(worth).is_some_and(|w| w > cost));
        requests.filter(|(i, ask)| ask.worth.as_ref().is_none_or(|w| worth_it(*i, w))).map(|(_, ask)| ask).collect()
    }
}

/// What words of the seller say, and what they would set: a `field`, a call on a `sign`, or, as a
/// `claim`, nothing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Proposal {
    /// JSON Pointer into the request.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "/watch/facts/jewels")]
    pub field: Option<String>,
    /// A sign of the catalogue.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sign: Option<String>,
    /// A claim that sets nothing: `all_original` or `as_is`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub claim: Option<String>,
    /// What to put in the field; `present` or `absent` for a sign; true for a claim.
    pub value: serde_json::Value,
    /// Where the words stand in the text: Unicode scalar values from 0, end exclusive.
    #[schema(min_items = 2, max_items = 2)]
    pub span: [usize; 2],
    /// The words.
    pub words: String,
    /// The text.
    pub source: steelyard_model::readers::Source,
    /// Whether it counts in this answer: `accept_proposals` was given, no other proposal is
    /// contrary, and the request itself says nothing there.
    pub counts: bool,
}

/// What a mark was read as.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Mark {
    /// JSON Pointer to the mark in the request.
    pub field: String,
    /// The mark.
    pub text: String,
    /// What it says of metals, one statement for each part it names.
    pub metals: Vec<MarkedMetal>,
    /// What it says of water and dust.
    pub water: Vec<steelyard_model::readers::Water>,
}

/// What a mark says of the metal of one part. Whatever it does not say is left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct MarkedMetal {
    /// The part the words describe.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part: Option<steelyard_model::readers::Part>,
    /// The metal named; of a coating the outer one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub metal: Option<steelyard_model::readers::Metal>,
    /// How it is made up; most solid cases do not say.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub construction: Option<steelyard_model::readers::Construction>,
    /// Parts per thousand (ISO 9202), as marked or else from the carats.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0)]
    pub fineness: Option<u16>,
    /// Carats as marked.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0)]
    pub carats: Option<u8>,
    /// Thickness of the coating as marked, µm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub microns: Option<f64>,
    /// Years' wear promised.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0)]
    pub years: Option<u32>,
    /// The words.
    pub words: String,
}

/// Three ways out after arrival.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct WaysOut {
    /// Expected net of keeping it at the price paid.
    pub keep: Money,
    /// Sending it back.
    #[serde(rename = "return")]
    pub send_back: SendBack,
    /// Expected loss of value by what was found in hand; what a partial refund should come to.
    pub fair_refund: Money,
    /// Whole days until the right of return ends; left out without `now` and `return_until`, 0 when it is over.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 0)]
    pub days_left: Option<u32>,
    /// What to show beside the description, in neutral words.
    pub show: Vec<String>,
}

/// Sending a watch back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SendBack {
    /// What is lost even if it is honoured.
    pub cost: Money,
    /// Chance that it is honoured.
    pub chance: f64,
    /// Expected net of trying.
    pub net: Money,
}

/// Version of a model.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct ModelName {
    /// Name.
    pub version: String,
    /// SHA-256 of its numbers.
    pub digest: String,
    /// Whether a dealer's own outcomes have moved its numbers.
    pub calibrated: bool,
}

/// The headline probabilities.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Probability {
    /// P(composite or fake | evidence).
    pub bad: f64,
    /// P(anything but all-original | evidence).
    pub not_original: f64,
    /// P(bad) before the watch was looked at: segment and seller.
    pub prior_bad: f64,
    /// 5 % and 95 % quantile of P(bad) from not knowing the model's numbers exactly, as far as the
    /// calls use them. The seller's rate is not part of it and has an interval of its own,
    /// `seller.bad_rate.interval_90`: where nothing was called, that is all there is to know.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(min_items = 2, max_items = 2)]
    pub interval_90: Option<[f64; 2]>,
}

/// prior + price + recalibration + Σ `share_db` = posterior, all in decibans.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LogOdds {
    /// From segment and seller.
    pub prior: f64,
    /// The asking price's share; left out with the shares.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub price: Option<f64>,
    /// From the recalibration of the model.
    pub recalibration: f64,
    /// Given everything.
    pub posterior: f64,
}

/// What is known of a seller's watches. About watches, not about honesty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SellerBelief {
    /// The rate of bad ones among them.
    pub bad_rate: BadRate,
    /// What it rests on besides the segment.
    pub used: SellerUsed,
}

/// A posterior rate.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct BadRate {
    /// Mean.
    pub mean: f64,
    /// 5 % and 95 % quantile.
    #[schema(min_items = 2, max_items = 2)]
    pub interval_90: [f64; 2],
    /// Strength of the Beta with the same mean and variance.
    pub effective_cases: f64,
}

/// Counts of what was used of the seller.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct SellerUsed {
    /// Known outcomes.
    #[schema(minimum = 0)]
    pub outcomes: u64,
    /// Other listings of the seller.
    #[schema(minimum = 0)]
    pub listings: u64,
    /// Marketplace ratings.
    #[schema(minimum = 0)]
    pub feedback: u64,
}

/// A call and its weight.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Weighed {
    /// The sign.
    pub sign: String,
    /// What was said of it.
    pub call: CallKind,
    /// Whether the caller called it or it follows from the request.
    pub from: Source,
    /// What a derived call follows from.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub because: Option<String>,
    /// The sign the caller called and which outranks this derived call: the same, or the same
    /// question asked the other way round. Such a row weighs nothing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub overruled_by: Option<String>,
    /// The chance that the detail could be resolved; null for a call with a certainty.
    #[schema(required)]
    pub resolvable: Option<f64>,
    /// The shift of the log-odds of bad if this call alone is taken back, decibans.
    pub alone_db: f64,
    /// The additive share of the log-odds of bad, decibans.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub share_db: Option<f64>,
}

/// Where a call comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// Called by the caller.
    Observed,
    /// Follows from something else in the request.
    Derived,
}

/// What to pay and what to do. Without an asking price only the walk-away price, the margin
/// and the values by story are given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Decision {
    /// What to do.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub advice: Option<AdviceKind>,
    /// Expected net at the asking price.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub expected_net: Option<Money>,
    /// P(net < 0).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub probability_of_loss: Option<f64>,
    /// 5, 50 and 95 % quantiles of the net.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub net_quantiles: Option<Quantiles>,
    /// The most to pay: the highest price whose expected net is the required margin. 0 if even a gift loses.
    pub walk_away_price: Money,
    /// What the watch costs at the asking price once it lies on the table.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub landed_cost: Option<Money>,
    /// What asking costs: a request worth less is not worth sending. Missing in assessments of earlier versions.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub asking_cost: Option<Money>,
    /// Net wanted as a share of the landed cost.
    pub required_margin: f64,
    /// Value and best use in every story.
    pub by_story: IndexMap<String, StoryValue>,
}

/// What to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum AdviceKind {
    /// An answer is worth more than asking costs.
    AskFirst,
    /// The expected net meets the margin.
    Buy,
    /// It would at the walk-away price.
    OfferBelow,
    /// Neither.
    Leave,
}

/// Quantiles of the net.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Quantiles {
    /// 5 %.
    pub p05: Money,
    /// 50 %.
    pub p50: Money,
    /// 95 %.
    pub p95: Money,
}

/// A watch in one story.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StoryValue {
    /// Expected value of the best use.
    pub value: Money,
    /// The best use.
    pub best_use: BestUseKind,
    /// Components replaced first.
    pub repairs: Vec<String>,
    /// Expected net at the asking price, the right of return counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub net: Option<Money>,
}

/// What is done with the watch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum BestUseKind {
    /// Sold or kept as it is.
    AsIs,
    /// Right parts bought in first.
    Restored,
    /// Sold in parts.
    PartedOut,
}

/// A sign that can be judged on what is at hand, and what a call on it would be worth. Each is
/// valued as if it alone were called next: faults of one cause tell less together than one by one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct LookNext {
    /// The sign.
    pub sign: String,
    /// The question.
    pub question: String,
    /// How to look.
    pub how_to_look: String,
    /// The photo to look at, by its `id`; where several are needed the one that shows least. Null: the
    /// words and the photos of the listing as a whole.
    #[schema(required)]
    pub photo: Option<String>,
    /// The chance that the photo resolves the detail.
    pub resolvable: f64,
    /// Expected gain from the call; null without a value or a price.
    #[schema(required)]
    pub worth: Option<Money>,
    /// Expected fall in the entropy of the stories, bits.
    pub bits: f64,
    /// Expected fall in the entropy of bad or sound, bits.
    pub bits_bad: f64,
}

/// A request to the seller and what it is worth.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct AskNext {
    /// The views to ask for, in one request.
    pub views: Vec<String>,
    /// Expected gain from the answer; null without a value or a price.
    #[schema(required)]
    pub worth: Option<Money>,
    /// Expected fall in the entropy of the stories, bits.
    pub bits: f64,
    /// Standard error of `worth` (as a number, in units of the currency; of `bits` where there
    /// is no worth), where it was sampled.
    #[schema(required)]
    pub standard_error: Option<f64>,
    /// The signs it would settle.
    pub signs: Vec<String>,
    /// The smallest photo that would do: pixels across the case (its diameter as stated, else
    /// the model's default); null where size does not matter.
    #[schema(required, minimum = 0)]
    pub min_px: Option<u32>,
    /// A message to the seller that asks for exactly that, in the request's `language` where
    /// there are words for it (en, de, fr), else in English.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub message: Option<String>,
}

/// Something to keep in mind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Caution {
    /// Name.
    pub id: String,
    /// Words to show.
    pub text: String,
}

/// The catalogue of signs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct Catalogue {
    /// The model it is of.
    pub model: ModelName,
    /// The signs.
    pub items: Vec<SignEntry>,
}

/// A sign as a client needs it to draw a checklist.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, ToSchema)]
pub struct SignEntry {
    /// Name.
    pub id: String,
    /// The components it is about; `story` for conduct, papers and wording.
    pub on: Vec<String>,
    /// Alternatives, each a set of views that together let one judge it.
    pub needs: Vec<Vec<String>>,
    /// The question.
    pub question: String,
    /// How to look.
    pub how_to_look: String,
    /// What else could explain it.
    pub innocent_explanations: Vec<String>,
    /// Size of the detail, mm; null where size does not matter.
    #[schema(required)]
    pub feature_mm: Option<f64>,
    /// How hard it is to read.
    pub reading: String,
    /// Trait without which it cannot be; null where it always can.
    #[schema(required)]
    pub applies_if: Option<String>,
    /// Signs that are the same question asked the other way round: call only one.
    pub excludes: Vec<String>,
    /// How much a sharp call is expected to tell of the story, bits, in the first segment
    /// before anything else is known.
    pub bits: f64,
}

/// State of the service.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct Health {
    /// `ok`.
    pub status: String,
}

//! Calls that nobody made: what the answers to requests, the seller's accepted words and the facts
//! say by themselves, set beside the caller's own calls, which outrank them.

use crate::wire::request as wire;
use steelyard_model::facts::{Derived, Facts, Overruled, merge};
use steelyard_model::observe::{Basis, Evidence, Likelihood, Observation, Watch};
use steelyard_model::pack::{AVOIDS_PHOTO, CASED_BY_MAKER, GOLD_CLAIMED, Pack};

/// The caller's calls, and those that follow.
#[derive(Debug, Clone, Default)]
pub(crate) struct Called {
    /// All calls that count, the caller's first.
    pub(crate) evidence: Evidence,
    /// What each call follows from, where it is not the caller's.
    pub(crate) because: Vec<Option<String>>,
    /// Calls that would follow, had the caller not called the sign.
    pub(crate) overruled: Vec<Overruled>,
}

/// Adds what follows to what was called. Of two that follow and cannot both be called, the
/// earlier stands.
pub(crate) fn add(
    pack: &Pack,
    watch: &Watch,
    explicit: &[Observation],
    evidence: &Evidence,
    implied: &[Derived],
) -> Called {
    let mut first: Vec<Derived> = Vec::new();
    for derived in implied {
        let rivals = &pack.signs()[derived.sign].excludes;
        if !first.iter().any(|f| f.sign == derived.sign || rivals.contains(&f.sign)) {
            first.push(derived.clone());
        }
    }
    let calls: Vec<_> = explicit.iter().map(|o| (o.sign, o.call)).collect();
    let merged = merge(pack, &calls, first);
    let mut because = vec![None; explicit.len()];
    let mut more = Vec::new();
    for derived in &merged.used {
        if let Some(likelihood) = likelihood(pack, watch, derived) {
            more.push(likelihood);
            because.push(Some(derived.because()));
        }
    }
    Called { evidence: evidence.with(more), because, overruled: merged.overruled }
}

/// Nothing where the watch is stated not to have what the sign is about. The answer to a request is
/// read as the sign's own class, words and numbers as class `plain`.
fn likelihood(pack: &Pack, watch: &Watch, derived: &Derived) -> Option<Likelihood> {
    let seen = Observation { sign: derived.sign, call: derived.call, basis: Basis::Unstated };
    let own = *Evidence::read(pack, watch, &[seen]).ok()?.calls().first()?;
    let keep_shut = watch.keep_shut(pack) && pack.signs()[derived.sign].neutral_when_shut;
    let answer = pack.data().signs[derived.sign].id == AVOIDS_PHOTO;
    Some(if keep_shut || answer { own } else { derived.likelihood(pack) })
}

/// The facts of a request.
pub(crate) fn facts(pack: &Pack, request: &wire::AssessRequest, watch: &Watch) -> Facts {
    let nothing = wire::Watch::default();
    let stated = request.watch.as_ref().unwrap_or(&nothing);
    let read = stated.facts.clone().unwrap_or_default();
    let years = match stated.years.as_deref() {
        Some([Some(first), Some(last)]) if first <= last => Some([first.0, last.0]),
        _ => None,
    };
    let lines = |all: Vec<Option<String>>| all.into_iter().flatten().collect();
    let stated_trait = |name: &str| pack.trait_(name).and_then(|t| watch.traits[t]);
    Facts {
        maker: stated.maker.clone(),
        reference: stated.reference.clone(),
        years,
        case_diameter_mm: stated.case_diameter_mm,
        gold_claimed: stated_trait(GOLD_CLAIMED),
        cased_by_maker: stated_trait(CASED_BY_MAKER),
        dial_text: lines(read.dial_text),
        dial_name: read.dial_name,
        dial_colour: read.dial_colour,
        calibre: read.calibre,
        jewels: read.jewels,
        movement_number: read.movement_number,
        movement_diameter_mm: read.movement_diameter_mm,
        serial: read.serial,
        case_marks: lines(read.case_marks),
        back_marks: lines(read.back_marks),
        bezel_marks: lines(read.bezel_marks),
        case_name: read.case_name,
        back_reference: read.back_reference,
        cased_by: read.cased_by,
    }
}

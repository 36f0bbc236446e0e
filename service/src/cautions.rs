//! The cautions that apply to a listing, in the order in which they matter.

use crate::listing::{Circumstances, Listing};
use crate::wire::response::Caution;
use steelyard_model::pack::Pack;

/// A caution: when it applies, and its words.
struct Rule {
    id: &'static str,
    /// By what is in the listing, and whether the watch should be kept shut.
    applies: fn(&Circumstances, bool) -> bool,
    text: &'static str,
    /// A few words of it for a list.
    short: &'static str,
}

/// The watch may hold radium.
pub(crate) const RADIUM: &str = "radium";
/// It may, if it carries luminous paint, which is not stated.
pub(crate) const RADIUM_IF_LUMINOUS: &str = "radium_if_luminous";
/// An estimate is no expert opinion.
pub(crate) const ESTIMATE: &str = "estimate";
/// Accuse nobody.
pub(crate) const SAY_NOTHING: &str = "say_nothing_in_public";
/// A watchmaker opens it.
pub(crate) const OPENING: &str = "opening";
/// Gold is claimed.
pub(crate) const GOLD: &str = "gold";

/// Nothing that a purchase costs beside its price is given.
pub(crate) const COSTS: &str = "costs";
/// No costs are given that come whatever the price.
pub(crate) const SERVICE: &str = "service";

const RULES: [Rule; 11] = [
    Rule {
        id: RADIUM,
        applies: |_, keep_shut| keep_shut,
        text: "Luminous paint of these years may hold radium, whether or not it still glows. Keep the watch closed: do not open, scrape, brush or wash it, ventilate where it is kept, and do not ask for a photo that needs it opened. Only a radiation instrument can tell. Leave work on it to a workshop equipped for it; local rules on keeping, posting and disposal apply.",
        short: "keep shut: radium",
    },
    Rule {
        id: RADIUM_IF_LUMINOUS,
        applies: |at, keep_shut| at.luminous_unknown && !keep_shut,
        text: "If the dial or hands carry luminous paint and the watch may be from before 1970, treat it as radium: state the trait `luminous`, and do not ask for it to be opened.",
        short: "only if its paint cannot be radium",
    },
    Rule {
        id: ESTIMATE,
        applies: |_, _| true,
        text: "An estimate from what was reported of photographs and words, on the assumptions of the model named above. It is no expert opinion and no statement about the seller.",
        short: "estimates from what was reported, no expert opinion and nothing about any seller",
    },
    Rule {
        id: SAY_NOTHING,
        applies: |_, _| true,
        text: "Do not accuse anybody on the strength of this number: most bad descriptions are ignorance, and public accusations can be unlawful. Ask, compare description and finding, and keep to what can be shown.",
        short: "do not accuse anybody on their strength",
    },
    Rule {
        id: OPENING,
        applies: |_, keep_shut| !keep_shut,
        text: "Leave opening a case to a watchmaker: tools slip, gaskets fail, and opening may end a right of return.",
        short: "a watchmaker opens it",
    },
    Rule {
        id: GOLD,
        applies: |at, _| at.gold_claimed,
        text: "A mark describes the part it stands on, and colour shows no fineness. Only an assay tells what the metal is; scrap value needs the net mass without movement and crystal. Rules on calling goods gold differ by country.",
        short: "gold untested",
    },
    Rule {
        id: "resolution_unknown",
        applies: |at, _| at.resolution_unknown,
        text: "A photo has neither width nor scale: calls on it count, and nothing it shows is asked for again, as if every detail could be resolved. Give `dial_width_px` or `case_width_px` as it was looked at.",
        short: "a photo's size is not given",
    },
    Rule {
        id: "outcome_totals",
        applies: |at, _| at.outcome_totals,
        text: "Totals of purchases flatter a seller: only watches that looked good were bought and opened.",
        short: "totals of purchases flatter",
    },
    Rule {
        id: COSTS,
        applies: |at, _| at.no_costs,
        text: "Neither service, postage, fees nor import charges are given: what is expected and the most to pay are as if there were none.",
        short: "no service, postage or fees counted",
    },
    Rule {
        id: SERVICE,
        applies: |at, _| at.no_service_cost,
        text: "No fixed costs are given. Without a service history that names workshop and date, count a full service.",
        short: "no service counted",
    },
    Rule {
        id: "no_value",
        applies: |at, _| at.no_value,
        text: "Without `value` the price says nothing and no decision is given.",
        short: "no value given",
    },
];

/// Chooses the cautions by what is in the listing.
#[must_use]
pub fn cautions(pack: &Pack, listing: &Listing) -> Vec<Caution> {
    let keep_shut = listing.watch.keep_shut(pack);
    RULES
        .iter()
        .filter(|r| (r.applies)(&listing.circumstances, keep_shut))
        .map(|r| Caution { id: r.id.into(), text: r.text.into() })
        .collect()
}

/// A few words of a caution, for a list that has no room for its text.
pub(crate) fn in_short(id: &str) -> Option<&'static str> {
    RULES.iter().find(|r| r.id == id).map(|r| r.short)
}

/// What to mind before asking, in a few words: of the cautions that apply, those that change what is asked
/// or believed. `opens`: the case must be opened for what is asked for.
#[must_use]
pub fn before_asking(cautions: &[Caution], opens: bool) -> String {
    let matters = |id: &str| match id {
        RADIUM | GOLD => true,
        RADIUM_IF_LUMINOUS | OPENING => opens,
        _ => false,
    };
    let ids = cautions.iter().map(|c| c.id.as_str());
    ids.filter(|id| matters(id)).filter_map(in_short).collect::<Vec<_>>().join("; ")
}

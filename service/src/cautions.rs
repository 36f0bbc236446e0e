//! The cautions that apply to a listing, in the order in which they matter.

use crate::listing::Listing;
use crate::wire::response::Caution;
use steelyard_model::pack::Pack;

/// Chooses the cautions by what is in the listing.
#[must_use]
pub fn cautions(pack: &Pack, listing: &Listing) -> Vec<Caution> {
    let at = &listing.circumstances;
    let keep_shut = listing.watch.keep_shut(pack);
    let rules = [
        (
            "radium",
            keep_shut,
            "Luminous paint of these years may hold radium, whether or not it still glows. Keep the watch closed: do not open, scrape, brush or wash it, ventilate where it is kept, and do not ask for a photo that needs it opened. Only a radiation instrument can tell. Leave work on it to a workshop equipped for it; local rules on keeping, posting and disposal apply.",
        ),
        (
            "radium_if_luminous",
            at.luminous_unknown && !keep_shut,
            "If the dial or hands carry luminous paint and the watch may be from before 1970, treat it as radium: state the trait `luminous`, and do not ask for it to be opened.",
        ),
        (
            "estimate",
            true,
            "An estimate from what was reported of photographs and words, on the assumptions of the model named above. It is no expert opinion and no statement about the seller.",
        ),
        (
            "say_nothing_in_public",
            true,
            "Do not accuse anybody on the strength of this number: most bad descriptions are ignorance, and public accusations can be unlawful. Ask, compare description and finding, and keep to what can be shown.",
        ),
        (
            "opening",
            !keep_shut,
            "Leave opening a case to a watchmaker: tools slip, gaskets fail, and opening may end a right of return.",
        ),
        (
            "gold",
            at.gold_claimed,
            "A mark describes the part it stands on, and colour shows no fineness. Only an assay tells what the metal is; scrap value needs the net mass without movement and crystal. Rules on calling goods gold differ by country.",
        ),
        (
            "resolution_unknown",
            at.resolution_unknown,
            "A photo has neither width nor scale: calls on it count, and nothing it shows is asked for again, as if every detail could be resolved. Give `dial_width_px` or `case_width_px` as it was looked at.",
        ),
        (
            "outcome_totals",
            at.outcome_totals,
            "Totals of purchases flatter a seller: only watches that looked good were bought and opened.",
        ),
        (
            "service",
            at.no_service_cost,
            "No fixed costs are given. Without a service history that names workshop and date, count a full service.",
        ),
        ("no_value", at.no_value, "Without `value` the price says nothing and no decision is given."),
    ];
    rules
        .into_iter()
        .filter(|(_, applies, _)| *applies)
        .map(|(id, _, text)| Caution { id: id.into(), text: text.into() })
        .collect()
}

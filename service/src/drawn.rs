//! Listings drawn from the model as requests, and the truth behind them, in an invented market.

use crate::wire::NonNegativeMoney;
use crate::wire::request::{AssessRequest, CallKind, Observation, Offer, Photo, Range, Seller, Watch, Worth};
use crate::wire::stored::OutcomeBody;
use anyhow::Context as _;
use indexmap::IndexMap;
use serde::Deserialize;
use std::sync::Arc;
use steelyard_model::money::AllOriginal;
use steelyard_model::observe::{Basis, Call};
use steelyard_model::pack::{Index, LISTING_VIEW, Pack};
use steelyard_model::sample::{Listing, Policy, Sampler};

/// What `market.toml` says.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
struct Market {
    shown: IndexMap<String, f64>,
    shown_otherwise: f64,
    called: f64,
    px_per_mm: [f64; 2],
    traits: f64,
    priced: f64,
    listings_a_seller: Vec<u32>,
    currency: String,
    all_original: Vec<[u32; 2]>,
}

impl Market {
    fn policy(&self, pack: &Pack) -> Policy {
        let shown = |view: &str| self.shown.get(view).copied().unwrap_or(self.shown_otherwise);
        Policy {
            shown: pack.data().views.iter().map(|v| shown(&v.id)).collect(),
            called: self.called,
            px_per_mm: self.px_per_mm,
            traits: vec![self.traits; pack.data().traits.len()],
            priced: self.priced,
        }
    }
}

/// A listing with what the model does not draw.
#[derive(Debug)]
pub struct Drawn {
    id: String,
    seller: String,
    currency: String,
    all_original: [u32; 2],
    listing: Listing,
}

/// Draws without end, seller after seller.
pub struct Drawing {
    market: Market,
    sampler: Sampler,
    segments: Vec<Index>,
    sellers: usize,
    seller: steelyard_model::sample::Seller,
    left: u32,
    listings: usize,
}

impl Drawing {
    /// Draws from a model, of one segment or of all in turn.
    ///
    /// # Errors
    /// If the invented market's figures cannot be read.
    pub fn new(pack: &Arc<Pack>, segment: Option<Index>, seed: u64) -> anyhow::Result<Self> {
        let market: Market = toml::from_str(include_str!("market.toml")).context("market.toml")?;
        let sampler = Sampler::new(pack, market.policy(pack), seed);
        let segments = segment.map_or_else(|| (0..pack.data().segments.len()).collect(), |only| vec![only]);
        let nobody = steelyard_model::sample::Seller { segment: 0, bad_rate: 0.0 };
        Ok(Self { market, sampler, segments, sellers: 0, seller: nobody, left: 0, listings: 0 })
    }
}

impl Iterator for Drawing {
    type Item = Drawn;

    fn next(&mut self) -> Option<Drawn> {
        while self.left == 0 {
            // So that each segment has sellers of few and of many listings.
            let round = self.sellers / self.segments.len();
            self.seller = self.sampler.seller(self.segments[self.sellers % self.segments.len()]);
            self.left = self.market.listings_a_seller[round % self.market.listings_a_seller.len()];
            self.sellers += 1;
        }
        self.left -= 1;
        let all_original = self.market.all_original[self.listings % self.market.all_original.len()];
        self.listings += 1;
        Some(Drawn {
            id: format!("s-{}", self.listings),
            seller: format!("seller-{}", self.sellers),
            currency: self.market.currency.clone(),
            all_original,
            listing: self.sampler.listing(&self.seller),
        })
    }
}

/// The request that tells the service what was drawn, and no more.
#[must_use]
pub fn request(pack: &Pack, drawn: &Drawn) -> AssessRequest {
    let Drawn { listing, all_original, .. } = drawn;
    let data = pack.data();
    let money = |amount: f64| NonNegativeMoney { amount: format!("{amount:.2}"), currency: drawn.currency.clone() };
    let [low, high] = all_original.map(f64::from);
    let traits = data.traits.iter().zip(&listing.watch.traits);
    AssessRequest {
        id: Some(drawn.id.clone()),
        seller: Some(Seller {
            id: Some(drawn.seller.clone()),
            segment: Some(data.segments[listing.segment].id.clone()),
            ..Seller::default()
        }),
        offer: price(listing, low, high).map(|price| Offer { price: Some(money(price)), ..Offer::default() }),
        value: Some(Worth {
            all_original: Range { low: money(low), high: money(high) },
            selling_fee_rate: None,
            metal: None,
        }),
        watch: Some(Watch {
            traits: traits.filter_map(|(name, stated)| stated.map(|s| (name.clone(), s))).collect(),
            ..Watch::default()
        }),
        photos: photos(pack, listing).into_iter().map(Some).collect(),
        observations: listing
            .observations
            .iter()
            .map(|o| {
                Some(Observation {
                    sign: data.signs[o.sign].id.clone(),
                    call: match o.call {
                        Call::Present => CallKind::Present,
                        Call::Absent => CallKind::Absent,
                    },
                    photo: photo(o.basis).and_then(|p| photo_id(pack, p.view?)),
                    certainty: None,
                    in_hand: None,
                })
            })
            .collect(),
        ..AssessRequest::default()
    }
}

/// The ratio drawn, of the median of what the watch would be worth. The tails are heavy: what is
/// too small or too large to be written is asked as nearly as it can be.
fn price(listing: &Listing, low: f64, high: f64) -> Option<f64> {
    /// The smallest and the largest amount of a request, with two decimals.
    const AMOUNTS: [f64; 2] = [0.01, 999_999_999_999.99];
    let median = AllOriginal::from_range(low, high).ok()?.median;
    listing.price_ratio.map(|ratio| (ratio * median).clamp(AMOUNTS[0], AMOUNTS[1]))
}

/// One photo a view. How wide the dial is in it follows from the scale; the request states no
/// diameter, so the reader goes by the same default.
fn photos(pack: &Pack, listing: &Listing) -> Vec<Photo> {
    let scale = listing.observations.iter().find_map(|o| photo(o.basis)?.px_per_mm);
    let dial_width_px = scale.map(|px_per_mm| px_per_mm * pack.data().defaults.dial_diameter_mm);
    let views = listing.views.iter();
    views
        .filter_map(|&view| {
            let id = photo_id(pack, view)?;
            Some(Photo { view: Some(id.clone()), id, dial_width_px, ..Photo::default() })
        })
        .collect()
}

/// Named after its view; the listing's words are no photo.
fn photo_id(pack: &Pack, view: Index) -> Option<String> {
    let id = &pack.data().views[view].id;
    (id != LISTING_VIEW).then(|| id.clone())
}

fn photo(basis: Basis) -> Option<steelyard_model::observe::Photo> {
    match basis {
        Basis::Photo(photo) => Some(photo),
        Basis::Certainty(_) | Basis::InHand | Basis::Unstated => None,
    }
}

/// What a watch is, as an outcome without doubt.
#[must_use]
pub fn truth(pack: &Pack, drawn: &Drawn) -> OutcomeBody {
    let (data, listing) = (pack.data(), &drawn.listing);
    let parts = data.components.iter().zip(&listing.states).enumerate();
    let mut signs: Vec<_> = listing.signs.iter().enumerate().filter_map(|(j, there)| Some((j, (*there)?))).collect();
    pack.without_excluded(&mut signs, |(j, _)| *j);
    OutcomeBody {
        listing: drawn.id.clone(),
        found_at: None,
        story: data.stories[listing.story].id.clone(),
        certainty: Some(1.0),
        how: None,
        components: parts
            .map(|(k, (component, &state))| {
                let state = &component.states[state];
                let seen = if Some(k) == pack.metal() { &state.id } else { &state.seen_as };
                (component.id.clone(), seen.clone())
            })
            .collect(),
        signs: signs
            .into_iter()
            .map(|(j, there)| (data.signs[j].id.clone(), if there { CallKind::Present } else { CallKind::Absent }))
            .collect(),
        paid: None,
        sold: None,
        note: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::listing;
    use steelyard_model::facts::Book;
    use steelyard_model::money::price_evidence;

    /// Scale to width and back, and the powers between: a few roundings.
    const ROUNDED: f64 = 1e-12;

    #[test]
    fn a_request_says_what_was_drawn() {
        let pack = Pack::builtin();
        let mut priced = 0;
        for drawn in Drawing::new(&pack, None, 3).unwrap().take(500) {
            let read = listing::Listing::read(&pack, &Book::default(), &request(&pack, &drawn), &[]).unwrap();
            let Drawn { id, listing: truth, .. } = drawn;
            assert_eq!(read.seller.stated.segment, truth.segment, "{id}");
            assert_eq!(read.watch, truth.watch, "{id}");
            let shown: Vec<Index> = read.photos.iter().filter_map(|p| p.view).collect();
            let views = truth.views.iter().copied().filter(|v| Some(*v) != pack.view(LISTING_VIEW));
            assert_eq!(shown, views.collect::<Vec<_>>(), "{id}");
            assert_eq!(read.evidence.calls().len(), truth.evidence.calls().len(), "{id}");
            for (read, drawn) in read.evidence.calls().iter().zip(truth.evidence.calls()) {
                assert_eq!((read.sign, read.call, read.derived), (drawn.sign, drawn.call, drawn.derived), "{id}");
                assert!((read.if_present - drawn.if_present).abs() < ROUNDED, "{id}: {read:?}, {drawn:?}");
                assert!((read.if_absent - drawn.if_absent).abs() < ROUNDED, "{id}: {read:?}, {drawn:?}");
            }
            let money = read.money.unwrap();
            assert_eq!(money.price.is_some(), truth.price_ratio.is_some(), "{id}");
            if let (Some(price), Some(ratio)) = (money.price, truth.price_ratio) {
                priced += 1;
                let median = money.resale.value.median;
                // Half a cent, or the least that can be asked.
                assert!((price - ratio * median).abs() < 0.0051 || price == 0.01, "{id}: {price}, {ratio}");
                for (read, drawn) in price_evidence(&pack, price, median).iter().zip(&truth.ln_price) {
                    assert!((read - drawn).abs() < 1e-3 || price < 10.0, "{id}: {read}, {drawn}");
                }
            }
        }
        assert!((350..450).contains(&priced), "{priced} of 500 at 0.8");
    }

    #[test]
    fn amounts_stay_within_what_a_request_may_say() {
        let pack = Pack::builtin();
        let mut drawn = Drawing::new(&pack, None, 3).unwrap().next().unwrap();
        for (ratio, amount) in [(1e-9, "0.01"), (1e30, "999999999999.99"), (1.0, "734.85")] {
            drawn.listing.price_ratio = Some(ratio);
            let asked = request(&pack, &drawn);
            assert_eq!(asked.offer.as_ref().unwrap().price.as_ref().unwrap().amount, amount);
            assert!(listing::Listing::read(&pack, &Book::default(), &asked, &[]).is_ok());
        }
    }

    #[test]
    fn what_is_shown_is_named_in_the_models_own_words() {
        let pack = Pack::builtin();
        let market: Market = toml::from_str(include_str!("market.toml")).unwrap();
        assert!(market.shown.keys().all(|view| pack.view(view).is_some()), "{:?}", market.shown);
    }
}

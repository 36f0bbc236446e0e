//! What to do: ask first, buy, offer less, or leave it.

/// What to do about an offer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Advice {
    /// An answer is worth more than asking costs.
    AskFirst,
    /// The expected net meets the margin.
    Buy,
    /// It would at the walk-away price.
    OfferBelow,
    /// Neither.
    Leave,
}

/// What the advice rests on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grounds {
    /// Worth of the best request, where asking is possible.
    pub best_worth: Option<f64>,
    /// What asking costs.
    pub asking_cost: f64,
    /// Expected net at the price less the margin wanted.
    pub surplus: f64,
    /// The most to pay.
    pub walk_away: f64,
    /// The asking price or current bid.
    pub price: f64,
    /// Whether it is an auction: then the price is only the bid so far.
    pub auction: bool,
    /// Lowest walk-away price worth an offer, as a share of the ask.
    pub offer_share: f64,
}

/// The first that applies of: ask first, buy (never in an auction), offer below, leave.
///
/// ```
/// use steelyard_model::advice::{Advice, Grounds, advise};
/// let fair = Grounds { best_worth: Some(1.0), asking_cost: 2.5, surplus: 40.0, walk_away: 540.0,
///     price: 500.0, auction: false, offer_share: 0.5 };
/// assert_eq!(advise(&fair), Advice::Buy);
/// assert_eq!(advise(&Grounds { best_worth: Some(30.0), ..fair }), Advice::AskFirst);
/// assert_eq!(advise(&Grounds { auction: true, ..fair }), Advice::OfferBelow);
/// assert_eq!(advise(&Grounds { surplus: -300.0, walk_away: 200.0, ..fair }), Advice::Leave);
/// ```
#[must_use]
pub fn advise(g: &Grounds) -> Advice {
    let worth_offering =
        if g.auction { g.walk_away > g.price } else { g.walk_away > 0.0 && g.walk_away >= g.offer_share * g.price };
    if g.best_worth.is_some_and(|worth| worth > g.asking_cost) {
        Advice::AskFirst
    } else if g.surplus >= 0.0 && !g.auction {
        Advice::Buy
    } else if worth_offering {
        Advice::OfferBelow
    } else {
        Advice::Leave
    }
}

//! Examples of requests and answers: Rust values, put into the OpenAPI document and sent by tests.

use crate::assess::Assessor;
use crate::feed::Format;
use crate::listing::Listing;
use crate::problem::{FaultAt, MALFORMED, Problem, ProblemOfLine};
use crate::strict_json;
use crate::wire::bids::{BidOn, BidWeighed, Bids, BidsBody, LeftOut};
use crate::wire::feed::{FeedBody, FeedDefaults, OfferDefaults, SellerDefaults, ValueDefaults};
use crate::wire::request::{
    AssessRequest, CallKind, Feedback, Observation, Offer, Photo, Range, Returns, Seller, Watch, Worth, Year,
};
use crate::wire::stored::{How, OutcomeBody, SellerBody};
use crate::wire::{Money, NonNegativeMoney};
use anyhow::Context as _;
use serde_json::{Value, json};
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;

/// An example and its place in the document.
#[derive(Debug, Clone)]
pub struct Example {
    /// JSON Pointer to the media type object.
    pub pointer: String,
    /// Name among the examples there.
    pub name: &'static str,
    /// In a few words.
    pub summary: &'static str,
    /// The example.
    pub value: Value,
}

const REQUEST: &str = "/paths/~1v1~1assess/post/requestBody/content/application~1json";

const ANSWER: &str = "/paths/~1v1~1assess/post/responses/200/content/application~1json";

fn eur(amount: &str) -> NonNegativeMoney {
    NonNegativeMoney { amount: amount.into(), currency: "EUR".into() }
}

fn seen(sign: &str, call: CallKind, photo: &str) -> Option<Observation> {
    Some(Observation { sign: sign.into(), call, photo: Some(photo.into()), certainty: None, in_hand: None })
}

fn photo(id: &str, view: &str, dial_width_px: f64) -> Option<Photo> {
    Some(Photo { id: id.into(), view: Some(view.into()), dial_width_px: Some(dial_width_px), ..Photo::default() })
}

/// The least a request can hold.
#[must_use]
pub fn nothing_seen() -> AssessRequest {
    AssessRequest::default()
}

/// A listing with two photos: a dial that looks new on a worn case, and a plain crown.
#[must_use]
pub fn fresh_dial() -> AssessRequest {
    AssessRequest {
        id: Some("lot-381".into()),
        title: Some("Gentleman's watch of the fifties, dial restored".into()),
        seller: Some(Seller { segment: Some("open_marketplace".into()), ..Seller::default() }),
        offer: Some(Offer {
            price: Some(eur("380.00")),
            shipping: Some(eur("12.00")),
            fixed_costs: Some(eur("180.00")),
            returns: Some(Returns { honoured: Some(0.8), cost: Some(eur("15.00")), ..Returns::default() }),
            ..Offer::default()
        }),
        value: Some(Worth {
            all_original: Range { low: eur("600.00"), high: eur("900.00") },
            selling_fee_rate: Some(0.1),
            metal: None,
        }),
        watch: Some(Watch {
            dial_diameter_mm: Some(31.0),
            years: Some(vec![Some(Year(1957)), Some(Year(1961))]),
            traits: [("luminous".to_owned(), false)].into_iter().collect(),
            ..Watch::default()
        }),
        photos: vec![photo("p1", "dial_straight", 1400.0), photo("p2", "crown_close", 1600.0)],
        observations: vec![
            seen("dial_too_fresh", CallKind::Present, "p1"),
            seen("dial_minute_marks_off", CallKind::Present, "p1"),
            seen("hands_style_clash", CallKind::Absent, "p1"),
            seen("crown_unsigned", CallKind::Present, "p2"),
        ],
        ..AssessRequest::default()
    }
}

/// What is said of a seller.
#[must_use]
pub fn seller() -> SellerBody {
    SellerBody {
        segment: Some("open_marketplace".into()),
        feedback: Some(Feedback { positive: 1204, negative: 3 }),
        note: Some("Answers quickly, photographs well.".into()),
    }
}

/// What the watch of [`fresh_dial`] turned out to be.
#[must_use]
pub fn outcome() -> OutcomeBody {
    OutcomeBody {
        listing: "lot-381".into(),
        found_at: Some("2026-11-25T10:00:00Z".into()),
        story: "refinished".into(),
        certainty: Some(0.95),
        how: Some(How::DialRemoved),
        components: [("dial".to_owned(), "refinished".to_owned())].into_iter().collect(),
        signs: [("dial_too_fresh".to_owned(), CallKind::Present)].into_iter().collect(),
        paid: Some(eur("350.00")),
        sold: None,
        note: None,
    }
}

/// Two auctions of which one is wanted.
#[must_use]
pub fn bids() -> BidsBody {
    let on = |id: &str, price| Some(BidOn { id: id.into(), expected_price: eur(price) });
    BidsBody {
        budget: eur("1500.00"),
        listings: vec![on("lot-381", "350.00"), on("lot-382", "410.00")],
        at_most_one: vec![Some(vec![Some("lot-381".into()), Some("lot-382".into())])],
    }
}

/// The answer where the first brings more.
fn bids_chosen() -> Bids {
    let weighed = |id: &str, most, stake, price, net, left_out| BidWeighed {
        id: id.into(),
        walk_away_price: paid(most),
        stake: paid(stake),
        expected_price: paid(price),
        expected_net: paid(net),
        left_out,
    };
    Bids {
        choose: vec!["lot-381".into()],
        expected_net: paid("122.40"),
        bound: paid("122.40"),
        left: paid("838.55"),
        listings: vec![
            weighed("lot-381", "469.45", "661.45", "350.00", "122.40", None),
            weighed("lot-382", "433.10", "625.10", "410.00", "24.05", Some(LeftOut::OthersBetter)),
        ],
    }
}

fn paid(amount: &str) -> Money {
    Money { amount: amount.into(), currency: "EUR".into() }
}

/// Outcomes as CSV.
pub const OUTCOMES_CSV: &str = "\
listing,found_at,story,certainty,how,paid,paid_currency,component:movement,sign:crown_unsigned
lot-381,2026-11-25T10:00:00Z,composite,0.95,opened,350.00,EUR,donor,present
lot-382,2026-11-25T16:30:00Z,original,,opened,,,original,
";

/// A reference, named by the path it is put at.
fn reference() -> Value {
    json!({
        "years": [1954, 1961], "calibres": ["71", "72"], "dial_names": ["Meridian"], "dial_colours": ["silver", "black"],
        "metals": ["steel", "18 ct gold"], "diameter_mm": 34.5,
    })
}

/// A calibre, named by the path it is put at.
fn calibre() -> Value {
    json!({ "jewels": [17, 21], "winding": "self", "date": false, "chronometer": false, "lignes": 11.5 })
}

/// A feed to save.
#[must_use]
pub fn feed() -> FeedBody {
    let defaults = FeedDefaults {
        seller: Some(SellerDefaults { segment: Some("open_marketplace".into()) }),
        offer: Some(OfferDefaults {
            shipping: Some(eur("12.00")),
            fixed_costs: Some(eur("90.00")),
            ..OfferDefaults::default()
        }),
        value: Some(ValueDefaults { selling_fee_rate: Some(0.1) }),
        ..FeedDefaults::default()
    };
    FeedBody {
        url: Some("https://shop.example/watches.json".into()),
        format: Format::JsonFeed,
        every_s: Some(900),
        defaults: Some(defaults),
    }
}

/// A feed's document: JSON Feed 1.1, with what only this service reads in `_steelyard`.
pub const FEED_DOCUMENT: &str = r#"{
  "version": "https://jsonfeed.org/version/1.1",
  "title": "Saved search",
  "items": [
    { "id": "381",
      "url": "https://shop.example/watches/381",
      "title": "Hand-wound, about 1958",
      "content_text": "Original dial, recently serviced.",
      "_steelyard": {
        "offer": { "price": { "amount": "380.00", "currency": "EUR" } },
        "watch": { "years": [1956, 1960] },
        "photos": [ { "id": "p1", "view": "dial_straight", "dial_width_px": 1400 } ] } } ]
}"#;

/// A stream of changes as it is sent.
pub const CHANGES: &str = "\
retry: 2000
id: 41

id: 42
event: advice_changed
data: {\"after\":{\"advice\":\"leave\",\"bad\":0.71,\"walk_away_price\":{\"amount\":\"44.00\",\"currency\":\"EUR\"}},\
\"at\":\"2026-12-03T10:00:01.25Z\",\"because\":[\"an outcome of listing lot-381 of the same seller was recorded\"],\
\"before\":{\"advice\":\"ask_first\",\"bad\":0.44,\"walk_away_price\":{\"amount\":\"248.36\",\"currency\":\"EUR\"}},\
\"id\":42,\"listing\":\"lot-382\"}

";

/// Numbers to four decimals: enough to read, and the same whatever mathematical library
/// computed them.
fn rounded(value: Value) -> Value {
    match value {
        Value::Number(n) if n.is_f64() => {
            n.as_f64().map_or(Value::Null, |x| serde_json::json!((x * 1e4).round() / 1e4 + 0.0))
        }
        Value::Array(items) => items.into_iter().map(rounded).collect(),
        Value::Object(members) => Value::Object(members.into_iter().map(|(k, v)| (k, rounded(v))).collect()),
        other => other,
    }
}

/// Every example.
///
/// # Errors
/// If one does not serialise or cannot be assessed.
pub fn all() -> anyhow::Result<Vec<Example>> {
    let example = |pointer: &str, name, summary, value| Example { pointer: pointer.into(), name, summary, value };
    let problem =
        |status: &str| format!("/paths/~1v1~1assess/post/responses/{status}/content/application~1problem+json");
    let pack = Pack::builtin();
    let listing = Listing::read(&pack, &Book::default(), &fresh_dial(), &[])
        .map_err(Problem::invalid)
        .map_err(|p| anyhow::anyhow!(p.detail))?;
    let invalid = Problem::invalid(vec![
        FaultAt::new("/offer/prise", "there is no such member"),
        FaultAt::new("/observations/0/sign", "there is no sign `crown_unsined`, did you mean `crown_unsigned`?"),
    ]);
    let body = |path: &str, method: &str, media: &str| {
        format!("/paths/{}/{method}/requestBody/content/{}", path.replace('/', "~1"), media.replace('/', "~1"))
    };
    let put = |path: &str| body(path, "put", "application/json");
    let import = |media: &str| body("/v1/outcomes/import", "post", media);
    let ndjson = serde_json::to_string(&outcome())? + "\n";
    let bare = AssessRequest { id: Some("lot-382".into()), include: Some(Vec::new()), ..nothing_seen() };
    let torn = r#"{"id": "lot-383", "observations": ["#;
    let lines = format!("{}\n{torn}\n", serde_json::to_string(&bare)?);
    let bare = Listing::read(&pack, &Book::default(), &bare, &[]).map_err(|f| anyhow::anyhow!("{f:?}"))?;
    let assessor = Assessor::new(pack)?;
    let fault = strict_json::parse(torn.as_bytes()).err().context("the line is cut off")?;
    let cut_off = Problem::new(MALFORMED, fault.detail.clone()).with(vec![fault]);
    let answer = assessor.assess(&listing)?;
    let answers = [
        serde_json::to_string(&rounded(serde_json::to_value(assessor.assess(&bare)?)?))?,
        serde_json::to_string(&ProblemOfLine { line: 2, problem: cut_off })?,
    ];
    Ok(vec![
        example(
            &put("/v1/listings/{id}"),
            "fresh_dial",
            "A dial that looks new on a worn case",
            serde_json::to_value(fresh_dial())?,
        ),
        example(
            &body("/v1/bids", "post", "application/json"),
            "one_of_two",
            "Two auctions of which one is wanted",
            serde_json::to_value(bids())?,
        ),
        example(
            "/paths/~1v1~1bids/post/responses/200/content/application~1json",
            "one_of_two",
            "The first is worth more",
            serde_json::to_value(bids_chosen())?,
        ),
        example(&put("/v1/sellers/{id}"), "said", "A seller and its ratings", serde_json::to_value(seller())?),
        example(
            &body("/v1/outcomes", "post", "application/json"),
            "repainted",
            "The dial was taken off, and was repainted",
            serde_json::to_value(outcome())?,
        ),
        example(&import("text/csv"), "two_lines", "Two outcomes under a header", OUTCOMES_CSV.into()),
        example(&import("application/x-ndjson"), "one_line", "One outcome", ndjson.into()),
        example(&put("/v1/references/{maker}/{reference}"), "reference", "How a reference left its maker", reference()),
        example(&put("/v1/calibres/{maker}/{calibre}"), "calibre", "What a calibre is", calibre()),
        example(
            &body("/v1/calibrations", "post", "application/json"),
            "defaults",
            "All members may be left out",
            json!({}),
        ),
        example(
            &body("/v1/feeds", "post", "application/json"),
            "every_quarter_hour",
            "A JSON Feed, polled every quarter of an hour",
            serde_json::to_value(feed())?,
        ),
        example(&put("/v1/feeds/{id}"), "every_quarter_hour", "As it was saved", serde_json::to_value(feed())?),
        example(
            &body("/v1/feeds/{id}/items", "post", "application/feed+json"),
            "one_item",
            "A feed of one watch",
            FEED_DOCUMENT.into(),
        ),
        example(
            &body("/v1/feeds/{id}/items", "post", "application/x-ndjson"),
            "one_line",
            "One watch",
            (serde_json::to_string(&fresh_dial())? + "\n").into(),
        ),
        example(REQUEST, "fresh_dial", "A dial that looks new on a worn case", serde_json::to_value(fresh_dial())?),
        example(REQUEST, "nothing_seen", "The least a request can hold", serde_json::to_value(nothing_seen())?),
        example(
            ANSWER,
            "fresh_dial",
            "The answer to the request of the same name, numbers rounded to four decimals",
            rounded(serde_json::to_value(answer)?),
        ),
        example(
            &body("/v1/assess/stream", "post", "application/x-ndjson"),
            "two_lines",
            "A line, and one that is cut off",
            lines.into(),
        ),
        example(
            "/paths/~1v1~1assess~1stream/post/responses/200/content/application~1x-ndjson",
            "two_lines",
            "The answers to the lines of the same name, numbers rounded to four decimals",
            (answers.join("\n") + "\n").into(),
        ),
        example(
            "/paths/~1v1~1changes/get/responses/200/content/text~1event-stream",
            "one_change",
            "Where the stream begins, and one change",
            CHANGES.into(),
        ),
        example(&problem("422"), "two_faults", "Two faults, both named", serde_json::to_value(invalid)?),
    ])
}

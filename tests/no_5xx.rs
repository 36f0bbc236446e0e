//! Whatever is sent to `POST /v1/assess`: never a panic, never a fault of ours, never a number
//! that is none. Bodies are good ones bent at random, extreme ones that are allowed, and noise.

#[path = "support/bent.rs"]
mod bent;

use bent::{WORDS, bend, value};
use proptest::prelude::*;
use proptest::sample::{Index, select};
use proptest::test_runner::RngSeed;
use serde_json::{Map, Value, json};
use std::collections::BTreeSet;
use std::io::Write as _;
use std::sync::mpsc::{self, RecvTimeoutError};
use std::sync::{Arc, LazyLock};
use std::time::Duration;
use steelyard::app::App;
use steelyard::examples;
use steelyard::problem::{KINDS, Problem};
use steelyard::wire::Money;
use steelyard::wire::response::Assessment;
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;
use steelyard_model::shares::SUM_TOLERANCE_DB;

/// What shares may miss the posterior by, and as much again for adding hundreds of them up.
const ADDING_DB: f64 = 2.0 * SUM_TOLERANCE_DB;

/// What probabilities that add up to 1 may miss it by: their sum is of rounded numbers.
const ADDING: f64 = 1e-9;

static APP: LazyLock<Arc<App>> = LazyLock::new(|| App::new(Pack::builtin(), Book::default()).unwrap());

/// The same cases every time, unless the environment names another seed or number of them.
fn cases(cases: u32) -> ProptestConfig {
    let set = ProptestConfig::default();
    let named = |name: &str| std::env::var_os(name).is_some();
    ProptestConfig {
        cases: if named("PROPTEST_CASES") { set.cases } else { cases },
        rng_seed: if named("PROPTEST_RNG_SEED") { set.rng_seed } else { RngSeed::Fixed(381) },
        failure_persistence: None,
        max_shrink_iters: 4096,
        ..set
    }
}

/// Thousands of times what an answer takes: beyond it there will be none.
const PATIENCE: Duration = Duration::from_secs(30);

/// The answer. One that does not come cannot be called off, nor made smaller: the test process
/// ends, and says which body it was.
fn assess(sent: &[u8]) -> Result<Assessment, Problem> {
    let (answered, answer) = mpsc::channel();
    let body = sent.to_vec();
    std::thread::spawn(move || drop(answered.send(APP.assess(&body))));
    match answer.recv_timeout(PATIENCE) {
        Ok(answer) => answer,
        Err(RecvTimeoutError::Disconnected) => panic!("a panic on {}", String::from_utf8_lossy(sent)),
        Err(RecvTimeoutError::Timeout) => {
            let body = String::from_utf8_lossy(sent);
            let _ = writeln!(std::io::stderr(), "no answer within {PATIENCE:?} to {body}");
            std::process::exit(101);
        }
    }
}

// --- What holds of every answer ----------------------------------------------------------

macro_rules! hold {
    ($condition:expr, $($words:tt)*) => { prop_assert!($condition, $($words)*) };
}

fn judge(sent: &[u8]) -> Result<(), TestCaseError> {
    let judged = match assess(sent) {
        Ok(answer) => is_sound(&answer),
        Err(problem) => names_its_faults(&problem, sent),
    };
    judged.map_err(|e| TestCaseError::fail(format!("{e}\n{}", String::from_utf8_lossy(sent))))
}

fn is_sound(a: &Assessment) -> Result<(), TestCaseError> {
    // A number that is none becomes null: what is read back would be another answer.
    let text = serde_json::to_string(a).unwrap();
    let back = serde_json::from_str::<Assessment>(&text).map_err(|e| TestCaseError::fail(format!("{e}: {text}")))?;
    hold!(back == *a, "a number did not survive the wire: {text}");

    let chance = |p: f64| (0.0..=1.0).contains(&p);
    let adds_up = |parts: f64| (parts - 1.0).abs() < ADDING;
    hold!(a.stories.values().copied().all(chance), "{:?}", a.stories);
    hold!(adds_up(a.stories.values().sum()), "{:?}", a.stories);
    let p = &a.probability;
    hold!([p.bad, p.not_original, p.prior_bad].into_iter().all(chance), "{p:?}");
    if let Some([low, high]) = p.interval_90 {
        hold!(chance(low) && chance(high) && low <= high, "{p:?}");
    }
    for (component, states) in a.components.iter().flatten() {
        hold!(states.values().copied().all(chance), "{component}: {states:?}");
        hold!(adds_up(states.values().sum()), "{component}: {states:?}");
    }
    let rate = &a.seller.bad_rate;
    hold!(chance(rate.mean) && rate.interval_90.into_iter().all(chance), "{rate:?}");
    hold!(rate.interval_90[0] <= rate.interval_90[1] && rate.effective_cases > 0.0, "{rate:?}");
    hold!(a.evidence.iter().filter_map(|e| e.resolvable).all(chance), "{:?}", a.evidence);
    if let Some(price) = a.log_odds_db.price {
        let shares: f64 = a.evidence.iter().filter_map(|e| e.share_db).sum();
        let sum = a.log_odds_db.prior + price + a.log_odds_db.recalibration + shares;
        hold!((sum - a.log_odds_db.posterior).abs() <= ADDING_DB, "{sum} {:?} {:?}", a.log_odds_db, a.evidence);
    }
    for asked in a.ask_next.iter().flatten() {
        hold!(asked.bits >= 0.0 && asked.standard_error.is_none_or(|s| s >= 0.0), "{asked:?}");
        hold!(asked.worth.as_ref().is_none_or(|w| amount(w) >= 0.0), "{asked:?}");
        hold!(!asked.views.is_empty(), "{asked:?}");
    }
    hold!(!a.cautions.is_empty(), "no cautions");
    match &a.decision {
        Some(decision) => is_sound_money(a, decision),
        None => Ok(()),
    }
}

fn is_sound_money(a: &Assessment, d: &steelyard::wire::response::Decision) -> Result<(), TestCaseError> {
    hold!(amount(&d.walk_away_price) >= 0.0, "{d:?}");
    hold!(d.probability_of_loss.is_none_or(|p| (0.0..=1.0).contains(&p)), "{d:?}");
    hold!(d.landed_cost.as_ref().is_none_or(|c| amount(c) >= 0.0), "{d:?}");
    hold!(d.by_story.values().all(|s| amount(&s.value) >= 0.0), "{d:?}");
    hold!(d.by_story.keys().eq(a.stories.keys()), "{d:?}");
    if let Some(q) = &d.net_quantiles {
        hold!(amount(&q.p05) <= amount(&q.p50) && amount(&q.p50) <= amount(&q.p95), "{d:?}");
    }
    if let Some(net) = &d.expected_net {
        let (mut sum, mut size) = (0.0, 1.0);
        for (story, p) in &a.stories {
            let in_story = d.by_story[story].net.as_ref().map_or(f64::NAN, amount);
            sum += p * in_story;
            size += in_story.abs();
        }
        // Each is rounded to the minor unit, which may be a whole one.
        hold!((sum - amount(net)).abs() <= 1.0 + ADDING * size, "{sum} {d:?}");
    }
    Ok(())
}

fn amount(money: &Money) -> f64 {
    money.amount.parse().unwrap()
}

fn names_its_faults(problem: &Problem, sent: &[u8]) -> Result<(), TestCaseError> {
    hold!(problem.status < 500, "{problem:?}");
    let kind = KINDS.iter().find(|k| problem.kind == format!("/problems/{}", k.name));
    hold!(kind.is_some_and(|k| k.status.as_u16() == problem.status), "{problem:?}");
    hold!(!problem.errors.is_empty(), "{problem:?}");
    let body = serde_json::from_slice::<Value>(sent).ok();
    for fault in &problem.errors {
        hold!(!fault.detail.is_empty(), "{problem:?}");
        hold!(is_pointer(&fault.pointer), "`{}` is no pointer", fault.pointer);
        // The member itself may be missing, but not what it is missing from.
        if let (Some(body), Some((parent, _))) = (&body, fault.pointer.rsplit_once('/')) {
            hold!(body.pointer(parent).is_some(), "`{}` points at nothing", fault.pointer);
        }
    }
    Ok(())
}

/// RFC 6901 section 3: empty, or tokens after slashes in which `~` is `~0` or `~1`.
fn is_pointer(text: &str) -> bool {
    let mut escapes = text.split('~').skip(1);
    (text.is_empty() || text.starts_with('/')) && escapes.all(|rest| rest.starts_with(['0', '1']))
}

// --- Good bodies, bent -------------------------------------------------------------------

/// A body with every member there is.
fn everything() -> Value {
    let eur = |amount: &str| json!({ "amount": amount, "currency": "EUR" });
    json!({
        "id": "lot-381", "title": "Self-winding, 21 jewels, dial restored, c. 1955", "description": "No lume, 18k solid gold. As is.", "url": "u", "language": "en", "now": "2026-11-24T21:00:00Z",
        "seller": { "id": "s-17", "segment": "open_marketplace", "stored": true,
            "feedback": { "positive": 1204, "negative": 3 }, "outcomes": { "bad": 1, "total": 5 } },
        "offer": { "kind": "negotiable", "price": eur("640.00"), "shipping": eur("15"), "fixed_costs": eur("180.5"),
            "buyer_fee_rate": 0.05, "import_rate": 0.2, "ends_at": "2026-11-30T20:00:00+01:00",
            "returns": { "kind": "any_reason", "honoured": 0.8, "cost": eur("20.00") } },
        "value": { "all_original": { "low": eur("900.00"), "high": eur("1600.00") }, "selling_fee_rate": 0.1,
            "metal": { "fineness": 750, "mass_g": 11.0, "price_per_g": eur("60.00") } },
        "stage": "offered",
        "arrival": { "paid": eur("640.00"), "received_at": "2026-11-20T10:00:00Z", "return_until": "2026-12-04T10:00:00Z" },
        "aim": { "plan": "resell", "required_margin": 0.1, "asking_cost": eur("4.00") },
        "watch": { "maker": "m", "reference": "r", "dial_diameter_mm": 31.0, "case_diameter_mm": 36, "years": [1957, 1961],
            "traits": { "luminous": true, "gold_claimed": true, "small_seconds": false },
            "facts": { "dial_text": ["waterproof", "25 jewels", "self-winding"], "dial_name": "n", "dial_colour": "black",
                "calibre": "c", "jewels": 21, "movement_number": "12", "movement_diameter_mm": 25.6, "case_marks": ["750"],
                "back_marks": ["20 microns", "fond acier"], "bezel_marks": ["585"], "case_name": "k", "back_reference": "z",
                "cased_by": "q", "serial": "1" } },
        "disclosed": ["refinished"],
        "photos": [
            { "id": "p1", "view": "dial_macro", "dial_width_px": 620, "sharpness": 1.0, "px_per_mm": null, "digest": "x" },
            { "id": "p2", "view": "side_profile", "case_width_px": 900 },
        ],
        "asked": [{ "view": "movement_open", "answer": "refused" }, { "view": "lugs", "answer": "given" }],
        "observations": [
            { "sign": "dial_minute_dots_gone", "call": "present", "photo": "p1" },
            { "sign": "hands_style_clash", "call": "absent", "certainty": 0.9 },
            { "sign": "movement_engraving_fresh", "call": "present", "in_hand": true },
            { "sign": "lume_glows_long", "call": "absent" },
        ],
        "accept_proposals": true, "interval": "delta",
        "reference_book": {
            "references": [{ "maker": "m", "reference": "r", "years": [1950, 1955], "calibres": ["d"], "dial_names": ["o"],
                "dial_colours": ["silver"], "metals": ["steel"], "inscriptions": ["i"], "cased_by": ["p"], "diameter_mm": 33,
                "serials": [{ "from": 5, "to": 9, "years": [1950, 1951] }], "silent": ["water"] }],
            "calibres": [{ "maker": "m", "calibre": "c", "jewels": [17], "winding": "hand", "date": false, "lignes": 11.5,
                "numbers": [{ "from": 10, "to": 19, "years": [1949, 1949] }], "years": [1945, 1960] }],
        },
        "include": ["components", "shares", "interval", "ask_next", "decision", "proposals"],
    })
}

fn good() -> impl Strategy<Value = Value> {
    let of = |request| serde_json::to_value(request).unwrap();
    prop_oneof![
        3 => Just(of(examples::fresh_dial())),
        4 => Just(everything()),
        1 => Just(of(examples::nothing_seen())),
    ]
}

// --- Allowed, and extreme ----------------------------------------------------------------

/// The most that an amount in a request can be.
const MOST: f64 = 999_999_999_999.0;

/// From one end of a range to the other, evenly over its orders of magnitude.
fn over(low: f64, high: f64) -> impl Strategy<Value = f64> {
    prop_oneof![
        1 => Just(low),
        1 => Just(high),
        4 => (low.ln()..high.ln()).prop_map(move |x| x.exp().clamp(low, high)),
    ]
}

fn share() -> impl Strategy<Value = f64> {
    prop_oneof![Just(0.0), Just(1.0), 0.0..1.0_f64, over(5e-324, 1.0), over(5e-324, 1.0).prop_map(|x| 1.0 - x)]
}

fn money() -> impl Strategy<Value = Value> {
    let euros = |x: f64| json!({ "amount": format!("{x:.2}"), "currency": "EUR" });
    prop_oneof![1 => Just(0.0), 5 => over(0.01, MOST)].prop_map(euros)
}

fn seller() -> impl Strategy<Value = Value> {
    let count = || prop_oneof![Just(0_u64), Just(1_000_000_000), 0..20_u64, 0..=1_000_000_000_u64];
    let segments: Vec<String> = Pack::builtin().data().segments.iter().map(|s| s.id.clone()).collect();
    (select(segments), prop::option::of((count(), count())), count(), share()).prop_map(
        |(segment, ratings, total, bad)| {
            let mut seller = json!({ "segment": segment });
            seller["outcomes"] = json!({ "bad": (bad * total as f64) as u64, "total": total });
            if let Some((positive, negative)) = ratings {
                seller["feedback"] = json!({ "positive": positive, "negative": negative });
            }
            seller
        },
    )
}

fn offer() -> impl Strategy<Value = Value> {
    let kind = select(vec!["fixed", "negotiable", "auction"]);
    let reason = select(vec!["not_as_described", "any_reason"]);
    (kind, money(), money(), money(), share(), share(), reason, share(), money()).prop_map(
        |(kind, price, shipping, fixed, fee, import, reason, honoured, cost)| {
            json!({
                "kind": kind, "price": price, "shipping": shipping, "fixed_costs": fixed,
                "buyer_fee_rate": fee, "import_rate": import,
                "returns": { "kind": reason, "honoured": honoured, "cost": cost },
            })
        },
    )
}

fn worth() -> impl Strategy<Value = Value> {
    let cents = over(1.0, 100.0 * MOST / 1000.0).prop_map(f64::floor);
    (cents, over(1.0, 1000.0), share(), over(1.0, 1000.0), over(5e-324, 1e5), money()).prop_map(
        |(low, spread, fee, fineness, mass, per_gram)| {
            let euros = |cents: f64| json!({ "amount": format!("{:.2}", cents / 100.0), "currency": "EUR" });
            json!({
                "all_original": { "low": euros(low), "high": euros((low * spread).floor()) },
                "selling_fee_rate": fee,
                "metal": { "fineness": fineness, "mass_g": mass, "price_per_g": per_gram },
            })
        },
    )
}

fn photo() -> impl Strategy<Value = Value> {
    let views: Vec<String> = Pack::builtin().data().views.iter().map(|v| v.id.clone()).collect();
    let size = || prop::option::of(over(5e-324, 1e5));
    (select(views), size(), size(), size(), prop::option::of(over(5e-324, 1.0))).prop_map(
        |(view, dial, case, scale, sharpness)| {
            json!({
                "view": view, "dial_width_px": dial, "case_width_px": case, "px_per_mm": scale, "sharpness": sharpness,
            })
        },
    )
}

fn call() -> impl Strategy<Value = Value> {
    let certainty = prop_oneof![Just(0.5), Just(1.0), 0.5..1.0_f64, share().prop_map(|x| 0.5 + x / 2.0)];
    let basis = prop_oneof![
        Just(json!({})),
        Just(json!({ "in_hand": true })),
        certainty.prop_map(|c| json!({ "certainty": c })),
        (0..3_usize).prop_map(|i| json!({ "photo": format!("p{i}") })),
    ];
    (select(WORDS.signs.clone()), select(vec!["present", "absent"]), basis).prop_map(|(sign, call, mut basis)| {
        basis["sign"] = sign.into();
        basis["call"] = call.into();
        basis
    })
}

prop_compose! {
    fn extreme()(
        seller in seller(),
        offer in offer(),
        worth in prop::option::weighted(0.8, worth()),
        plan in select(vec!["keep", "resell"]),
        margin in prop_oneof![Just(0.0), over(5e-324, 10.0)],
        asking in prop::option::of(money()),
        sizes in (over(5e-324, 500.0), over(5e-324, 500.0)),
        years in (1700..=2100_i64, 0..100_i64),
        traits in prop::collection::hash_map(select(Pack::builtin().data().traits.clone()), any::<bool>(), 0..7),
        photos in prop::collection::vec(photo(), 3),
        calls in prop::collection::vec(call(), 0..40),
        stage in select(vec!["offered", "offered", "offered", "received"]),
        disclosed in prop::sample::subsequence(vec!["serviced", "refinished", "composite", "fake"], 0..3),
    ) -> Value {
        let mut called = BTreeSet::new();
        let calls: Vec<Value> =
            calls.into_iter().filter(|c| called.insert(c["sign"].as_str().unwrap().to_owned())).collect();
        let photos: Vec<Value> = photos.into_iter().enumerate().map(|(i, mut photo)| {
            photo["id"] = format!("p{i}").into();
            photo
        }).collect();
        let last = (years.0 + years.1).min(2100);
        let mut body = json!({
            "seller": seller, "offer": offer, "stage": stage, "disclosed": disclosed,
            "aim": { "plan": plan, "required_margin": margin, "asking_cost": asking },
            "watch": { "dial_diameter_mm": sizes.0, "case_diameter_mm": sizes.1, "years": [years.0, last], "traits": traits },
            "photos": photos, "observations": calls,
        });
        body["value"] = worth.into();
        body
    }
}

/// Signs that exclude each other, or that a stated trait rules out, are refused rightly; calls
/// at fault are taken out until the rest stands.
fn without_refused_calls(mut body: Value) -> Value {
    for _ in 0..3 {
        let Err(problem) = assess(&serde_json::to_vec(&body).unwrap()) else { return body };
        let at = |f: &steelyard::problem::FaultAt| f.pointer.split('/').nth(2)?.parse::<usize>().ok();
        let refused: BTreeSet<usize> =
            problem.errors.iter().filter(|f| f.pointer.starts_with("/observations/")).filter_map(at).collect();
        let calls = body["observations"].as_array().unwrap().clone();
        let kept = calls.into_iter().enumerate().filter(|(i, _)| !refused.contains(i)).map(|(_, c)| c);
        body["observations"] = kept.collect();
    }
    body
}

proptest! {
    #![proptest_config(cases(1500))]

    #[test]
    fn a_body_bent_at_random_is_assessed_or_refused_with_its_faults(
        good in good(),
        bends in prop::collection::vec(bend(), 1..6),
    ) {
        let mut body = good;
        bends.into_iter().for_each(|b| b.apply(&mut body));
        judge(&serde_json::to_vec(&body).unwrap())?;
    }
}

proptest! {
    #![proptest_config(cases(300))]

    #[test]
    fn whatever_the_ranges_of_the_document_allow_is_assessed(body in extreme()) {
        let body = without_refused_calls(body);
        let sent = serde_json::to_vec(&body).unwrap();
        judge(&sent)?;
        if let Err(problem) = assess(&sent) {
            return Err(TestCaseError::fail(format!("refused: {problem:?} {body}")));
        }
    }

    #[test]
    fn bytes_bent_at_random_are_assessed_or_refused(
        edits in prop::collection::vec((any::<Index>(), 0..4_u8, any::<u8>(), 0..64_usize), 1..8),
    ) {
        let mut sent = serde_json::to_vec(&everything()).unwrap();
        for (at, how, byte, length) in edits {
            let i = at.index(sent.len().max(1));
            match how {
                0 if i < sent.len() => sent[i] = byte,
                1 => sent.insert(i.min(sent.len()), byte),
                2 => drop(sent.drain(i.min(sent.len())..(i + length).min(sent.len()))),
                _ => {
                    let piece = sent[i.min(sent.len())..(i + length).min(sent.len())].to_vec();
                    sent.splice(i..i, piece);
                }
            }
        }
        judge(&sent)?;
    }
}

proptest! {
    #![proptest_config(cases(1500))]

    #[test]
    fn noise_is_refused(sent in prop::collection::vec(any::<u8>(), 0..200)) {
        judge(&sent)?;
    }

    #[test]
    fn noise_in_the_letters_of_json_is_refused_or_assessed(
        sent in r#"[\[\]{}:,"\\ntruefalsu0-9.eE+ -]{0,80}"#,
        open in 0..300_usize,
    ) {
        judge(sent.as_bytes())?;
        judge(("[".repeat(open) + &sent).as_bytes())?;
        judge(("{\"observations\":[".to_owned() + &sent + "]}").as_bytes())?;
        judge(("{\"observations\":[],\"watch\":".to_owned() + &sent + "}").as_bytes())?;
    }

    #[test]
    fn any_json_is_assessed_or_refused(body in value()) {
        judge(&serde_json::to_vec(&body).unwrap())?;
    }
}

// --- Found once, refused or assessed ever since ------------------------------------------

#[test]
fn whole_numbers_written_as_decimals_or_too_large_are_no_fault_of_ours() {
    for body in [
        r#"{"observations": [], "seller": {"outcomes": {"bad": 1.0, "total": 5.0}}}"#,
        r#"{"observations": [], "seller": {"feedback": {"positive": 1e3, "negative": 0.0}}}"#,
        r#"{"observations": [], "seller": {"outcomes": {"bad": -0.0, "total": 5}}}"#,
        r#"{"observations": [], "watch": {"years": [1957.0, 1961]}}"#,
        r#"{"observations": [], "watch": {"years": [9223372036854775808, 9223372036854775808]}}"#,
        r#"{"observations": [], "watch": {"years": [-1e9, 1e30]}}"#,
        r#"{"observations": [], "watch": {"facts": {"jewels": 21.0}}}"#,
    ] {
        judge(body.as_bytes()).unwrap_or_else(|e| panic!("{body}: {e}"));
    }
}

#[test]
fn a_trait_named_like_a_member_of_the_request_is_a_fault_of_the_caller() {
    for name in ["answer", "call", "observations", "sign", "photo"] {
        for stated in [json!("given"), json!([]), json!(1)] {
            let body = json!({ "observations": [], "watch": { "traits": { name: stated } } });
            judge(&serde_json::to_vec(&body).unwrap()).unwrap();
        }
    }
}

#[test]
fn metal_worth_more_than_its_cents_can_be_counted_is_answered() {
    // The walk-away price lies above 2^53 cents, where one cent more is the same number.
    let sent = br#"{"observations": [], "watch": {"traits": {"gold_claimed": true}}, "value": {
        "all_original": {"low": {"amount": "600.00", "currency": "EUR"}, "high": {"amount": "900.00", "currency": "EUR"}},
        "metal": {"fineness": 750, "mass_g": 100000, "price_per_g": {"amount": "999999999999.00", "currency": "EUR"}}}}"#;
    judge(sent).unwrap();
}

#[test]
fn a_loss_that_is_certain_has_a_probability_of_at_most_1() {
    for (bad, total) in [(0, 4), (1, 1), (1, 3), (5, 5)] {
        let eur = |amount: &str| json!({ "amount": amount, "currency": "EUR" });
        let body = json!({
            "observations": [], "seller": { "outcomes": { "bad": bad, "total": total } },
            "offer": { "price": eur("20000.00") },
            "value": { "all_original": { "low": eur("600.00"), "high": eur("900.00") } },
        });
        judge(&serde_json::to_vec(&body).unwrap()).unwrap();
    }
}

#[test]
fn a_range_of_exactly_a_thousand_is_allowed_and_a_cent_more_is_not() {
    for (low, high, allowed) in [
        ("2.01", "2010.00", true),
        ("4202672.72", "4202672720.00", true),
        ("2.01", "2010.01", false),
        ("4202672.72", "4202672720.01", false),
    ] {
        let eur = |amount: &str| json!({ "amount": amount, "currency": "EUR" });
        let body = json!({ "observations": [], "value": { "all_original": { "low": eur(low), "high": eur(high) } } });
        let answer = assess(&serde_json::to_vec(&body).unwrap());
        assert_eq!(answer.is_ok(), allowed, "{low} to {high}: {:?}", answer.err());
    }
}

#[test]
fn a_body_at_the_limit_full_of_faults_names_them_all() {
    let unknown: Map<String, Value> = (0..15_000).map(|i| (format!("m{i}"), json!(0))).collect();
    let mut body = Value::Object(unknown);
    body["observations"] = json!([]);
    let sent = serde_json::to_vec(&body).unwrap();
    assert!(sent.len() < steelyard::body::MOST_BYTES);
    let problem = assess(&sent).unwrap_err();
    assert_eq!((problem.status, problem.errors.len()), (422, 15_000));
    for deep in [r#"{"observations":[{"sign":[[[[[[{"a":{"b":[1]}}]]]]]]}]}"#, r#"{"observations":{"0":{"sign":1}}}"#] {
        judge(deep.as_bytes()).unwrap_or_else(|e| panic!("{deep}: {e}"));
    }
}

#[test]
fn pointers_are_told_from_what_is_none() {
    assert!(["", "/", "/a/0/b~1c~0", "//"].into_iter().all(is_pointer));
    assert!(!["a", "a/b", "/~", "/a~2", "/~/0"].into_iter().any(is_pointer));
}

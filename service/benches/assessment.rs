//! How long an assessment takes, side by side with a loop written by hand for the same pack.
//!
//! 25 observations, six of them link signs (named below), over the model that comes with the
//! program. Read the ratios, not the times: the machine may be shared.

use criterion::{Criterion, criterion_main};
use std::hint::black_box;
use steelyard::app::Served;
use steelyard::assess::Assessor;
use steelyard::listing::Listing;
use steelyard::wire::request::{AssessRequest, Part};
use steelyard_model::facts::Book;
use steelyard_model::observe::Evidence;
use steelyard_model::pack::{On, Pack};
use steelyard_model::posterior::{PerStory, Plan, Posterior, Stories};

const LINKS: [&str; 6] = [
    "dial_claims_vs_movement",
    "hands_style_clash",
    "back_reference_not_this_watch",
    "movement_calibre_wrong",
    "movement_number_years_clash",
    "dial_case_names_clash",
];

const OTHERS: [&str; 19] = [
    "dial_print_soft",
    "dial_letter_shape_off",
    "dial_minute_marks_off",
    "dial_too_fresh",
    "dial_origin_text_wrong_years",
    "dial_paint_over_edges",
    "hands_too_fresh",
    "case_edges_rounded",
    "case_outline_wrong",
    "back_inside_stamps_right",
    "back_marks_hand_cut",
    "crown_unsigned",
    "crown_later_style",
    "movement_bridges_mixed",
    "movement_engraving_fresh",
    "lume_glows_long",
    "listing_no_inside_photo",
    "seller_points_out_faults",
    "case_gold_marks_missing",
];

fn request() -> AssessRequest {
    let observations: Vec<serde_json::Value> = LINKS
        .iter()
        .chain(&OTHERS)
        .enumerate()
        .map(|(i, sign)| {
            let call = if i % 3 == 0 { "present" } else { "absent" };
            serde_json::json!({ "sign": sign, "call": call, "photo": "p" })
        })
        .collect();
    let eur = |amount: &str| serde_json::json!({ "amount": amount, "currency": "EUR" });
    serde_json::from_value(serde_json::json!({
        "seller": { "feedback": { "positive": 1204, "negative": 3 }, "outcomes": { "bad": 1, "total": 5 } },
        "offer": { "price": eur("500.00"), "shipping": eur("15.00"), "fixed_costs": eur("180.00"),
                   "import_rate": 0.2, "returns": { "honoured": 0.8, "cost": eur("20.00") } },
        "value": { "all_original": { "low": eur("800.00"), "high": eur("1200.00") }, "selling_fee_rate": 0.1 },
        "photos": [{ "id": "p", "dial_width_px": 1500 }],
        "observations": observations,
    }))
    .expect("a request")
}

/// The pack's tables as fixed arrays, for one elimination order chosen by a person.
struct ByHand {
    dial: [[f64; 9]; 5],
    hands: [[f64; 7]; 5],
    case: [[f64; 8]; 5],
    bezel: [[f64; 6]; 5],
    back: [[f64; 7]; 5],
    crown: [[f64; 4]; 5],
    movement: [[f64; 6]; 5],
    lume: [[[f64; 5]; 9]; 5],
    metal: [[f64; 2]; 5],
}

fn rows<const N: usize>(pack: &Pack, id: &str) -> [[f64; N]; 5] {
    let table = &pack.components()[pack.component(id).expect("component")].table;
    std::array::from_fn(|h| std::array::from_fn(|s| table[[h, s]]))
}

impl ByHand {
    fn new(pack: &Pack) -> Self {
        let lume = &pack.components()[pack.component("lume").expect("lume")].table;
        Self {
            dial: rows(pack, "dial"),
            hands: rows(pack, "hands"),
            case: rows(pack, "case"),
            bezel: rows(pack, "bezel"),
            back: rows(pack, "case_back"),
            crown: rows(pack, "crown"),
            movement: rows(pack, "movement"),
            lume: std::array::from_fn(|h| std::array::from_fn(|d| std::array::from_fn(|l| lume[[h, d, l]]))),
            metal: rows(pack, "metal"),
        }
    }

    #[inline(never)]
    fn stories(&self, pack: &Pack, prior: &[f64], evidence: &Evidence) -> [f64; 5] {
        let names = ["dial", "hands", "case", "bezel", "case_back", "crown", "movement", "lume", "metal"];
        let mut local = [[1.0; 9]; 9];
        let mut story = [1.0; 5];
        let mut dial_movement = [[1.0; 6]; 9];
        let mut hands_dial = [[1.0; 9]; 7];
        let mut back_case = [[1.0; 8]; 7];
        let mut movement_case = [[1.0; 8]; 6];
        let mut dial_case = [[1.0; 8]; 9];
        for call in evidence.calls() {
            let sign = &pack.signs()[call.sign];
            match sign.on {
                On::Story => (0..5).for_each(|h| story[h] *= call.at(sign.present[h])),
                On::One(k) => {
                    debug_assert_eq!(pack.components()[k].id, names[k]);
                    for (x, p) in local[k].iter_mut().zip(&sign.present) {
                        *x *= call.at(*p);
                    }
                }
                On::Two(a, b) => match (a, b) {
                    (0, 6) => times(&mut dial_movement, call, &sign.present),
                    (1, 0) => times(&mut hands_dial, call, &sign.present),
                    (4, 2) => times(&mut back_case, call, &sign.present),
                    (6, 2) => times(&mut movement_case, call, &sign.present),
                    (0, 2) => times(&mut dial_case, call, &sign.present),
                    _ => unreachable!("not among the six"),
                },
            }
        }
        let mut joint = [0.0; 5];
        for h in 0..5 {
            let mut dial = [0.0; 9];
            for d in 0..9 {
                let hands: f64 = (0..7).map(|x| self.hands[h][x] * local[1][x] * hands_dial[x][d]).sum();
                let lume: f64 = (0..5).map(|x| self.lume[h][d][x] * local[7][x]).sum();
                dial[d] = self.dial[h][d] * local[0][d] * hands * lume;
            }
            let mut case = [0.0; 8];
            for c in 0..8 {
                let back: f64 = (0..7).map(|x| self.back[h][x] * local[4][x] * back_case[x][c]).sum();
                case[c] = self.case[h][c] * local[2][c] * back;
            }
            let mut core = 0.0;
            for m in 0..6 {
                let mut with_case = [0.0; 8];
                for c in 0..8 {
                    with_case[c] = case[c] * movement_case[m][c];
                }
                let mut over_dial = 0.0;
                for d in 0..9 {
                    let over_case: f64 = (0..8).map(|c| with_case[c] * dial_case[d][c]).sum();
                    over_dial += dial[d] * dial_movement[d][m] * over_case;
                }
                core += self.movement[h][m] * local[6][m] * over_dial;
            }
            let bezel: f64 = (0..6).map(|x| self.bezel[h][x] * local[3][x]).sum();
            let crown: f64 = (0..4).map(|x| self.crown[h][x] * local[5][x]).sum();
            let metal: f64 = (0..2).map(|x| self.metal[h][x] * local[8][x]).sum();
            joint[h] = prior[h] * story[h] * core * bezel * crown * metal;
        }
        let total: f64 = joint.iter().sum();
        joint.map(|j| j / total)
    }
}

fn times<const A: usize, const B: usize>(
    table: &mut [[f64; B]; A],
    call: &steelyard_model::observe::Likelihood,
    present: &[f64],
) {
    for (row, p) in table.iter_mut().zip(present.chunks_exact(B)) {
        for (x, p) in row.iter_mut().zip(p) {
            *x *= call.at(*p);
        }
    }
}

fn compare(c: &mut Criterion) {
    let served = Served::new(Pack::builtin()).expect("a model");
    let pack = served.assessor.pack().clone();
    let mut body = request();
    let listing = |r: &AssessRequest| Listing::read(&pack, &Book::default(), r, &[]).expect("listing");
    let evidence = listing(&body).evidence;
    assert_eq!(evidence.calls().len(), 25);

    let prior = pack.prior(0, 0.25);
    let stories = Stories::from_prior(&prior);
    let plan = Plan::compile(&pack, evidence.calls().iter().map(|c| c.sign));
    let mut scratch = plan.scratch();
    let by_hand = ByHand::new(&pack);

    let ours = {
        let ln: PerStory = plan.evaluate(&mut scratch, &evidence);
        Posterior::new(&pack, &stories, &ln).expect("posterior").stories
    };
    let theirs = by_hand.stories(&pack, &prior, &evidence);
    for h in 0..5 {
        assert!((ours[h] - theirs[h]).abs() < 1e-12, "both compute the same");
    }

    let mut group = c.benchmark_group("25 observations");
    group.bench_function("posterior by hand", |b| {
        b.iter(|| by_hand.stories(black_box(&pack), black_box(&prior), black_box(&evidence)));
    });
    group.bench_function("posterior", |b| {
        b.iter(|| {
            let ln = plan.evaluate(&mut scratch, black_box(&evidence));
            Posterior::new(&pack, black_box(&stories), &ln)
        });
    });
    let assessor: &Assessor = &served.assessor;
    let mut assess = |name: &str, include: &[Part]| {
        body.include = Some(include.iter().copied().map(Some).collect());
        let listing = listing(&body);
        group.bench_function(name, |b| b.iter(|| assessor.assess(black_box(&listing))));
    };
    assess("assessment, stories only", &[]);
    assess("assessment with components and decision", &[Part::Components, Part::Decision]);
    let why = [Part::Components, Part::Decision, Part::Shares, Part::Interval];
    assess("assessment with components, decision, shares and interval", &why);
    assess("assessment with all of that and look_next", &[&why[..], &[Part::LookNext]].concat());
    assess("assessment with all of that and ask_next", &[&why[..], &[Part::AskNext]].concat());
    assess(
        "assessment with all of that, look_next and ask_next",
        &[&why[..], &[Part::LookNext, Part::AskNext]].concat(),
    );
    group.finish();
}

mod group {
    #![allow(missing_docs, reason = "the macro makes a public function")]
    criterion::criterion_group!(benches, super::compare);
}
criterion_main!(group::benches);

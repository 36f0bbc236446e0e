//! Which offers to take: published knapsacks, and every subset tried.

use crate::common::{Dice, cases};
use proptest::prelude::*;
use steelyard_model::bids::{Choice, EXACT, Offer, choose, choose_within};

/// More work than any instance here takes.
const ENOUGH: u64 = u64::MAX;

fn offers(worths: &[i64], costs: &[u64]) -> Vec<Offer> {
    assert_eq!(worths.len(), costs.len());
    worths.iter().zip(costs).map(|(&worth, &cost)| Offer { cost, worth }).collect()
}

/// The choice adds up, is within the budget and takes at most one of each group.
fn holds(choice: &Choice, budget: u64, offers: &[Offer], groups: &[Vec<usize>]) {
    assert_eq!(choice.cost, choice.offers.iter().map(|&i| offers[i].cost).sum::<u64>());
    assert_eq!(choice.worth, choice.offers.iter().map(|&i| u128::try_from(offers[i].worth).unwrap()).sum::<u128>());
    assert!(choice.cost <= budget && choice.worth <= choice.bound);
    assert!(choice.offers.is_sorted_by(|a, b| a < b));
    assert!(choice.offers.iter().all(|&i| offers[i].worth > 0), "what brings nothing is never taken");
    for group in groups {
        assert!(group.iter().filter(|i| choice.offers.contains(i)).count() <= 1);
    }
}

/// By definition: every subset.
fn by_trying_all(budget: u64, offers: &[Offer], groups: &[Vec<usize>]) -> u128 {
    let taken = |set: u32, i: usize| set >> i & 1 == 1;
    (0..1_u32 << offers.len())
        .filter(|&set| groups.iter().all(|g| g.iter().filter(|&&i| taken(set, i)).count() <= 1))
        .filter_map(|set| {
            let chosen = offers.iter().enumerate().filter(|(i, _)| taken(set, *i)).map(|(_, o)| o);
            let (cost, worth) = chosen.fold((0, 0), |(c, w), o| (c + o.cost, w + i128::from(o.worth)));
            (cost <= budget).then_some(worth)
        })
        .max()
        .and_then(|w| u128::try_from(w).ok())
        .unwrap_or(0)
}

/// Martello and Toth 1990, *Knapsack Problems*, example with n = 7 and c = 50 (also the second
/// example of `knapsack` in the R package adagio); the optimum takes the first and the fourth.
#[test]
fn martello_and_toth_1990() {
    let offers = offers(&[70, 20, 39, 37, 7, 5, 10], &[31, 10, 20, 19, 4, 3, 6]);
    for choice in [choose(50, &offers, &[]), choose_within(ENOUGH, 50, &offers, &[])] {
        assert_eq!((choice.offers, choice.cost, choice.worth, choice.bound), (vec![0, 3], 50, 107, 107));
    }
}

/// Instances P07 (after Kreher and Stinson 1999, *Combinatorial Algorithms*) and P08 of J. Burkardt's
/// collection `KNAPSACK_01` (people.sc.fsu.edu/~jburkardt/datasets/knapsack_01), with their optima.
#[test]
fn burkardts_collection() {
    let fifteen = offers(
        &[135, 139, 149, 150, 156, 163, 173, 184, 192, 201, 210, 214, 221, 229, 240],
        &[70, 73, 77, 80, 82, 87, 90, 94, 98, 106, 110, 113, 115, 118, 120],
    );
    let twenty_four = offers(
        &[
            825_594, 1_677_009, 1_676_628, 1_523_970, 943_972, 97_426, 69_666, 1_296_457, 1_679_693, 1_902_996,
            1_844_992, 1_049_289, 1_252_836, 1_319_836, 953_277, 2_067_538, 675_367, 853_655, 1_826_027, 65_731,
            901_489, 577_243, 466_257, 369_261,
        ],
        &[
            382_745, 799_601, 909_247, 729_069, 467_902, 44_328, 34_610, 698_150, 823_460, 903_959, 853_665, 551_830,
            610_856, 670_702, 488_960, 951_111, 323_046, 446_298, 931_161, 31_385, 496_951, 264_724, 224_916, 169_684,
        ],
    );
    for (budget, offers, optimum) in [(750, fifteen, 1458), (6_404_180, twenty_four, 13_549_094)] {
        for choice in [choose(budget, &offers, &[]), choose_within(ENOUGH, budget, &offers, &[])] {
            holds(&choice, budget, &offers, &[]);
            assert_eq!((choice.worth, choice.bound), (optimum, optimum));
        }
    }
}

/// Where worth is cost and all costs are even, bounds by relaxation cannot tell subsets from each other:
/// the instance that tires branch and bound (Chvátal 1980, "Hard knapsack problems", is about its like).
#[test]
fn no_instance_of_twenty_five_is_too_hard() {
    let costs: Vec<u64> = (0..EXACT as u64).map(|i| 2 * (1 << 24) + (1 << (i + 2).min(24)) + 2 * i).collect();
    let offers: Vec<Offer> = costs.iter().map(|&cost| Offer { cost, worth: i64::try_from(cost).unwrap() }).collect();
    let budget = (costs.iter().sum::<u64>() / 2) | 1;
    let pairs: Vec<Vec<usize>> = (0..EXACT / 2).map(|i| vec![i, EXACT - 1 - i]).collect();
    for groups in [vec![], pairs] {
        let choice = choose(budget, &offers, &groups);
        holds(&choice, budget, &offers, &groups);
        assert_eq!(choice.worth, choice.bound, "exact");
    }
}

#[test]
fn amounts_near_the_limits_of_the_types() {
    let dear = Offer { cost: u64::MAX, worth: i64::MAX };
    let choice = choose(u64::MAX, &[dear; 40], &[]);
    assert_eq!((choice.offers.len(), choice.worth, choice.cost), (1, i64::MAX.unsigned_abs().into(), u64::MAX));
    let free = Offer { cost: 0, worth: i64::MAX };
    let choice = choose(0, &[free; 40], &[]);
    assert_eq!((choice.offers.len(), choice.worth), (40, 40 * u128::from(i64::MAX.unsigned_abs())));
    assert!(choose(100, &[Offer { cost: 1, worth: 0 }, Offer { cost: 0, worth: i64::MIN }], &[]).offers.is_empty());
    assert_eq!(choose(0, &[], &[]), Choice { offers: vec![], cost: 0, worth: 0, bound: 0 });
}

struct Case {
    budget: u64,
    offers: Vec<Offer>,
    groups: Vec<Vec<usize>>,
}

fn case(dice: &mut Dice, count: usize) -> Case {
    let alike = dice.coin(0.3);
    let offers: Vec<Offer> = (0..count)
        .map(|_| {
            let cost = dice.whole(0, 60) as u64;
            let worth = if alike { cost as i64 + 5 } else { dice.whole(0, 70) as i64 - 10 };
            Offer { cost, worth }
        })
        .collect();
    let groups = (0..dice.whole(0, 5)).map(|_| (0..count).filter(|_| dice.coin(0.3)).collect()).collect();
    let total: u64 = offers.iter().map(|o| o.cost).sum();
    Case { budget: (total as f64 * dice.between(0.0, 1.1)) as u64, offers, groups }
}

proptest! {
    #![proptest_config(cases(600))]

    #[test]
    fn no_subset_is_worth_more(seed: u64, count in 0_usize..13) {
        let Case { budget, offers, groups } = case(&mut Dice::new(seed), count);
        let best = by_trying_all(budget, &offers, &groups);
        let choice = choose(budget, &offers, &groups);
        holds(&choice, budget, &offers, &groups);
        prop_assert_eq!((choice.worth, choice.bound), (best, best));
        let searched = choose_within(ENOUGH, budget, &offers, &groups);
        holds(&searched, budget, &offers, &groups);
        prop_assert_eq!((searched.worth, searched.bound), (best, best));
    }

    #[test]
    fn what_is_cut_short_is_bounded(seed: u64, count in 0_usize..13, work in 0_u64..60) {
        let Case { budget, offers, groups } = case(&mut Dice::new(seed), count);
        let best = by_trying_all(budget, &offers, &groups);
        let choice = choose_within(work, budget, &offers, &groups);
        holds(&choice, budget, &offers, &groups);
        prop_assert!(choice.worth <= best && best <= choice.bound, "{choice:?} around {best}");
    }

    #[test]
    fn above_the_limit_the_bound_holds_and_more_money_never_hurts(seed: u64, count in 26_usize..60) {
        let Case { budget, offers, groups } = case(&mut Dice::new(seed), count);
        let choice = choose(budget, &offers, &groups);
        holds(&choice, budget, &offers, &groups);
        let richer = choose(budget + 10, &offers, &groups);
        prop_assert!(richer.bound >= choice.worth);
        let dearest = offers.iter().filter(|o| o.cost <= budget).map(|o| o.worth).max().unwrap_or(0).max(0);
        prop_assert!(choice.worth >= u128::try_from(dearest).unwrap());
    }
}

//! Fit, out-of-fold forecasts, recalibration, report.

use super::em::{self, Listings, Outcomes};
use super::report::{self, Card, Report, Scores};
use super::{Case, FitError, Progress, Sellers, Settings, check, finished};
use crate::LogOdds;
use crate::recalibrate::{Assessment, OutOfFold, Shrinkage, assess};
use crate::score::Shared;
use crate::score::gain::{Compared, Gain};
use rand_core::{RngCore as _, SeedableRng as _};
use rand_pcg::Pcg64;
use std::collections::{BTreeMap, BTreeSet};
use std::ops::ControlFlow;
use std::sync::Arc;
use steelyard_model::pack::data::{ModelData, Recalibration};
use steelyard_model::pack::{Index, Pack};

/// How a calibration is run.
#[derive(Debug, Clone, PartialEq)]
pub struct Options {
    /// Name of the model version that it makes.
    pub version: String,
    /// Seed of the folds and of the consistency band.
    pub seed: u64,
    /// Number of folds; fewer where fewer sellers have outcomes.
    pub folds: usize,
    /// Of each fit.
    pub settings: Settings,
}

/// A new version of the model, and what it is worth.
#[derive(Debug, Clone)]
pub struct Calibration {
    /// The model, to be made a pack of by `Pack::from_data`.
    pub data: ModelData,
    /// What it rests on and how it forecasts.
    pub report: Report,
}

/// Fits the pack's numbers to the cases and says how good the result forecasts outcomes that it has
/// not seen.
///
/// The certain outcomes are dealt to folds, all of a seller's to one; each fold is forecast by a fit
/// without its sellers, and from what was known of them beside their outcomes. Where there are certain outcomes of fewer
/// than two sellers there are no such forecasts, no scores and no recalibration.
///
/// # Errors
/// On a case that does not fit the pack or cannot occur under it, and if the callback breaks.
pub fn calibrate(
    pack: &Arc<Pack>,
    cases: &[Case],
    sellers: &Sellers,
    options: &Options,
    mut progress: impl FnMut(Progress) -> ControlFlow<()>,
) -> Result<Calibration, FitError> {
    check(pack, cases)?;
    let folds = deal(cases, options.folds, options.seed);
    let count = folds.iter().flatten().max().map_or(0, |last| last + 1);
    let fits = if count < 2 { 1 } else { count + 1 };
    let mut fit = |number: usize, cases: &[(usize, &Case)]| {
        em::run(pack, cases, sellers, &options.settings, |iteration, objective| {
            progress(Progress { fit: number, fits, iteration, objective })
        })
    };

    let mut forecasts: Vec<Forecast> = Vec::new();
    let mut shared = [Vec::new(), Vec::new()];
    for fold in 0..fits - 1 {
        let side = |held: bool| -> Vec<(usize, &Case)> {
            cases.iter().enumerate().filter(|(i, _)| (folds[*i] == Some(fold)) == held).collect()
        };
        let (held, others) = (side(true), side(false));
        let without = Arc::new(Pack::from_data(finished(fit(fold, &others)?.data))?);
        // Of every case held back its number among the forecasts, where it can be scored.
        let mut number: Vec<Option<usize>> = Vec::with_capacity(held.len());
        let mut next = forecasts.len();
        for (_, case) in &held {
            number.push(case.scorable().map(|_| next));
            next += usize::from(case.scorable().is_some());
        }
        let mut told = Vec::new();
        for (pack, shared) in [pack, &without].into_iter().zip(&mut shared) {
            let mut listings = Listings::new(pack, &held, sellers, Outcomes::HeldBack)?;
            let (log_odds, together) = listings.forecast(|i| number[i].is_some())?;
            shared.extend(
                together
                    .into_iter()
                    .map(|s| Shared { cases: s.cases.iter().filter_map(|i| number[*i]).collect(), ..s }),
            );
            told.push(log_odds);
        }
        for (i, (_, case)) in held.iter().enumerate() {
            if let Some(outcome) = case.scorable() {
                let bad = pack.bad()[outcome.story];
                let seller = (case.segment, case.seller);
                forecasts.push(Forecast { fold, seller, bad, before: told[0][i], after: told[1][i] });
            }
        }
    }
    let all: Vec<(usize, &Case)> = cases.iter().enumerate().collect();
    let mut data = finished(fit(fits - 1, &all)?.data);
    data.version.clone_from(&options.version);

    let recalibration = recalibrated(pack, &forecasts)?;
    if let Some(found) = &recalibration {
        let kept = found.kept();
        data.recalibration = Recalibration { intercept: kept.intercept(), slope: kept.slope() };
    }
    let scores = scores(pack, &forecasts, &shared, recalibration.as_ref(), options.seed)?;
    let report = report::of(pack, &data, cases, scores, recalibration);
    Ok(Calibration { data, report })
}

/// The raw log-odds of bad of a held-out listing before and after, and what it was.
struct Forecast {
    fold: usize,
    seller: (Index, u64),
    bad: bool,
    before: f64,
    after: f64,
}

/// What a logistic recalibration of the new forecasts gains; none where the pack does not say how
/// firmly it is held, or nothing was forecast.
fn recalibrated(pack: &Pack, forecasts: &[Forecast]) -> Result<Option<Assessment>, FitError> {
    let Some(figures) = pack.data().calibration.filter(|_| !forecasts.is_empty()) else { return Ok(None) };
    let shrinkage = Shrinkage::new(figures.intercept_precision, figures.slope_precision)?;
    let out_of_fold = |f: &Forecast| OutOfFold { forecast: LogOdds::new(f.after), bad: f.bad, fold: f.fold };
    let cases: Vec<OutOfFold> = forecasts.iter().map(out_of_fold).collect();
    Ok(Some(assess(&cases, shrinkage)?))
}

/// The scores of the pack as it was and of the new model, recalibrated (each fold by the others)
/// where that is kept; none where nothing was forecast.
fn scores(
    pack: &Pack,
    forecasts: &[Forecast],
    [shared_before, shared_after]: &[Vec<Shared>; 2],
    recalibration: Option<&Assessment>,
    seed: u64,
) -> Result<Option<Scores>, FitError> {
    if forecasts.is_empty() {
        return Ok(None);
    }
    let map = pack.data().recalibration;
    let before: Vec<(LogOdds, bool)> =
        forecasts.iter().map(|f| (LogOdds::new(map.intercept + map.slope * f.before), f.bad)).collect();
    let after: Vec<(LogOdds, bool)> = match recalibration.filter(|found| found.improves()) {
        Some(found) => found.out_of_fold.iter().zip(forecasts).map(|(told, f)| (*told, f.bad)).collect(),
        None => forecasts.iter().map(|f| (LogOdds::new(f.after), f.bad)).collect(),
    };
    let sellers = forecasts.iter().map(|f| f.seller).collect::<BTreeSet<_>>().len();
    let card = |told: &[(LogOdds, bool)], shared| Card::new(told, shared, sellers, seed);
    let compared = forecasts.iter().zip(before.iter().zip(&after));
    let gain = Gain::new(compared.map(|(f, ((first, bad), (second, _)))| Compared {
        group: f.seller,
        bad: *bad,
        first: *first,
        second: *second,
    }));
    Ok(Some(Scores { before: card(&before, shared_before)?, after: card(&after, shared_after)?, gain }))
}

/// The fold of every case, `None` for those of sellers of whom nothing can be scored: such cases are in
/// every fit. Sellers come in random order, each to the fold with the fewest certain outcomes yet.
fn deal(cases: &[Case], folds: usize, seed: u64) -> Vec<Option<usize>> {
    let mut outcomes: BTreeMap<(Index, u64), usize> = BTreeMap::new();
    for case in cases.iter().filter(|c| c.scorable().is_some()) {
        *outcomes.entry((case.segment, case.seller)).or_default() += 1;
    }
    let mut sellers: Vec<((Index, u64), usize)> = outcomes.into_iter().collect();
    let mut random = Pcg64::seed_from_u64(seed);
    for last in (1..sellers.len()).rev() {
        // The remainder of 64 bits favours none of so few by more than 1e-15.
        sellers.swap(last, (random.next_u64() % (last as u64 + 1)) as usize);
    }
    let mut filled = vec![0; folds.min(sellers.len())];
    let mut fold_of = BTreeMap::new();
    for (seller, count) in sellers {
        if let Some((fold, n)) = filled.iter_mut().enumerate().min_by_key(|(_, n)| **n) {
            *n += count;
            fold_of.insert(seller, fold);
        }
    }
    cases.iter().map(|c| fold_of.get(&(c.segment, c.seller)).copied()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::Outcome;

    #[test]
    fn no_seller_is_in_two_folds_and_folds_are_even() {
        let outcome = |certainty| Outcome { story: 0, certainty, components: vec![], signs: vec![] };
        let case = |i: u64| Case {
            segment: (i % 2) as usize,
            seller: i % 30,
            evidence: steelyard_model::observe::Evidence::default(),
            foreseen: None,
            ln_price: [0.0; 8],
            // Of every third seller nothing is certain.
            outcome: (!i.is_multiple_of(9)).then(|| outcome(if i.is_multiple_of(3) { 0.8 } else { 1.0 })),
        };
        let cases: Vec<Case> = (0..300).map(case).collect();
        let dealt = deal(&cases, 5, 1);
        let mut of_seller = BTreeMap::new();
        let mut outcomes = [0; 5];
        for (case, fold) in cases.iter().zip(&dealt) {
            assert_eq!(*of_seller.entry((case.segment, case.seller)).or_insert(*fold), *fold);
            if case.scorable().is_some() {
                outcomes[fold.expect("a seller with outcomes")] += 1;
            }
        }
        assert_eq!(outcomes, [40; 5]);
        assert!(cases.iter().zip(&dealt).any(|(c, fold)| c.seller % 3 == 0 && fold.is_none()));
        assert_eq!(deal(&cases, 5, 1), dealt);
        assert_ne!(deal(&cases, 5, 2), dealt);
    }
}

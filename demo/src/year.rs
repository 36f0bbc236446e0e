//! A year of the invented dealer's outcomes: what was bought and opened teaches the model.
//!
//! The year is drawn from a world of its own, whose numbers lie about as far from the model's as the
//! model says they may. The dealer buys what looks worth it, finds out what each is, and takes every
//! other one apart.

use crate::{Service, say, short, table, tell, trimmed, value, write};
use anyhow::{Context as _, ensure};
use serde_json::json;
use std::collections::HashMap;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use steelyard::drawn::{Drawing, request, truth};
use steelyard::tonight::probability;
use steelyard::wire::Money;
use steelyard::wire::calibration::{CalibrationPage, JobState, ScoreCard};
use steelyard::wire::response::Assessment;
use steelyard_model::pack::Pack;
use steelyard_model::sample::world;

/// Which world, and which year in it.
const WORLD: u64 = 1962;
const SEED: u64 = 7;
/// Listings looked at in the year.
const LISTINGS: usize = 300;

/// Where the picture goes.
const PICTURE: &str = "target/demo/reliability.svg";

/// The year, what it taught, and what it changes tonight.
pub(crate) async fn year(service: &Service<'_>) -> anyhow::Result<()> {
    let (bought, bad) = live(service).await?;
    let before = ranking(service).await?;

    let queued = service.json("POST", "/v1/calibrations", Some(&json!({ "seed": 1 }))).await?;
    let id = queued["id"].as_str().context("a calibration")?;
    let job: CalibrationPage = loop {
        let job = serde_json::from_value(service.json("GET", &format!("/v1/calibrations/{id}"), None).await?)?;
        match job {
            CalibrationPage { state: JobState::Queued | JobState::Running, .. } => {
                tokio::time::sleep(Duration::from_millis(200)).await;
            }
            ended => break ended,
        }
    };
    ensure!(job.state == JobState::Done, "the calibration ended as {:?}: {:?}", job.state, job.failure);
    let (report, version) = (job.report.context("a report")?, job.version.context("a version")?);
    let text = format!(
        "A year later: {LISTINGS} listings saved, {bought} watches bought and looked into, {bad} of them composite or fake."
    );
    tell(&text, "");
    tell(&report.says, "");
    if let (Some(before), Some(after)) = (&report.before, &report.after) {
        print_scores(before, after);
    }
    let svg = service.call("GET", &format!("/v1/calibrations/{id}/reliability.svg"), None).await?;
    write(Path::new(PICTURE), &svg)?;
    say(&format!("Does 0.2 mean 20 %? {PICTURE}\n"));

    service.json("POST", &format!("/v1/models/{version}/activate"), None).await?;
    print_changes(&before, &ranking(service).await?);
    Ok(())
}

/// Saves every listing of the year, buys what looks worth it, and records what was found.
async fn live(service: &Service<'_>) -> anyhow::Result<(usize, usize)> {
    let pack = Pack::builtin();
    let other = Arc::new(world(&pack, WORLD)?);
    let segment = pack.segment(None);
    let (mut bought, mut bad) = (0, 0);
    for drawn in Drawing::new(&other, segment, SEED)?.take(LISTINGS) {
        let mut listing = request(&other, &drawn);
        let id = listing.id.take().context("an id")?;
        let path = format!("/v1/listings/{id}");
        let mut body = serde_json::to_value(&listing)?;
        body["status"] = json!("passed");
        let saved = service.json("PUT", &path, Some(&body)).await?;
        let assessment: Assessment = serde_json::from_value(saved["assessment"].clone())?;
        let net = assessment.decision.as_ref().and_then(|d| d.expected_net.as_ref());
        if net.is_none_or(|net| value(net) < 0.0) {
            continue;
        }
        body["status"] = json!("bought");
        service.json("PUT", &path, Some(&body)).await?;
        let mut found = truth(&other, &drawn);
        // Of every other watch the parts are known as well, and the signs that had been called.
        if bought % 2 == 0 {
            found.signs.retain(|sign, _| listing.observations.iter().flatten().any(|o| o.sign == *sign));
        } else {
            found.components.clear();
            found.signs.clear();
        }
        service.json("POST", "/v1/outcomes", Some(&serde_json::to_value(&found)?)).await?;
        bought += 1;
        let story = pack.story(&found.story).context("a story")?;
        bad += usize::from(pack.bad()[story]);
    }
    Ok((bought, bad))
}

/// A listing's place tonight.
struct Place {
    name: String,
    assessment: Assessment,
}

async fn ranking(service: &Service<'_>) -> anyhow::Result<Vec<Place>> {
    let page = service.json("GET", "/v1/listings?status=open&sort=-net_per_stake&limit=100", None).await?;
    let items = page["items"].as_array().context("items")?;
    items
        .iter()
        .map(|i| {
            Ok(Place {
                // The feed's listings are called after it.
                name: i["id"].as_str().and_then(|id| id.split_once(':')).context("a listing of the feed")?.1.into(),
                assessment: serde_json::from_value(i["assessment"].clone())?,
            })
        })
        .collect()
}

fn print_scores(before: &ScoreCard, after: &ScoreCard) {
    let mut t = table(&["out of fold", "before", "after"], &[1, 2]);
    let shown = |x: Option<f64>| x.map_or_else(|| "-".into(), |x| format!("{x:.4}"));
    let mut row = |name: &str, of: &dyn Fn(&ScoreCard) -> Option<f64>| {
        t.add_row([name.to_owned(), shown(of(before)), shown(of(after))]);
    };
    row("mean log score, nats", &|c| Some(c.log_score.score));
    row("Brier score", &|c| Some(c.brier.score));
    row("  of it miscalibration", &|c| Some(c.brier.miscalibration));
    row("Cllr, bits", &|c| c.cllr);
    row("mean forecast", &|c| Some(c.mean_forecast));
    row("rate of bad ones", &|c| Some(c.rate));
    say(&trimmed(&t));
}

fn walk_away(a: &Assessment) -> Option<&Money> {
    a.decision.as_ref().map(|d| &d.walk_away_price)
}

fn print_changes(before: &[Place], after: &[Place]) {
    say("What it changes tonight (place by expected net per amount at stake):");
    let mut t = table(&["listing", "place", "was", "P(bad)", "was", "walk away", "was"], &[1, 2, 3, 4, 5, 6]);
    let was: HashMap<&str, (usize, &Place)> =
        before.iter().enumerate().map(|(i, p)| (p.name.as_str(), (i + 1, p))).collect();
    for (i, now) in after.iter().enumerate() {
        let Some((place, old)) = was.get(now.name.as_str()) else { continue };
        if *place == i + 1 {
            continue;
        }
        t.add_row([
            now.name.clone(),
            (i + 1).to_string(),
            place.to_string(),
            probability(now.assessment.probability.bad),
            probability(old.assessment.probability.bad),
            walk_away(&now.assessment).map_or("-".into(), short),
            walk_away(&old.assessment).map_or("-".into(), |m| m.amount.clone()),
        ]);
    }
    say(&trimmed(&t));
}

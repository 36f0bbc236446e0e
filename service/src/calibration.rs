//! Calibration: the stored listings and outcomes as cases, the fit, and the version it makes.
//!
//! Always from the model that the program came with and from all outcomes: a model fitted to some
//! outcomes and fitted to them again would count them twice.

use crate::app::Served;
use crate::listing::Listing;
use crate::memory::{ACCOUNT, Memory, outcomes_by_listing};
use crate::problem::{INTERNAL, Problem};
use crate::store::{Calibration, CalibrationState, Ending, ListingQuery, NewModel, Renewal, Write};
use crate::wire::calibration::{CalibrationBody, CalibrationPage, CalibrationReport, JobState};
use crate::wire::request::{AssessRequest, CallKind};
use crate::wire::stored::OutcomeBody;
use jiff::{SignedDuration, Timestamp};
use std::collections::HashMap;
use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;
use steelyard_model::facts::Book;
use steelyard_model::observe::Finding;
use steelyard_model::pack::Pack;
use steelyard_priors::fit::{Case, Options, Outcome, Progress, Settings, calibrate};
use tokio::sync::Notify;

/// Rows read at a time.
const PAGE: u32 = 200;
/// A worker that does not renew its lease for so long has died.
const LEASE: SignedDuration = SignedDuration::from_secs(30);
/// How often it is renewed, and progress told.
const RENEWED: Duration = Duration::from_millis(500);
/// How often whoever waits for a job looks at it.
const WATCHED: Duration = Duration::from_millis(100);
/// How often a worker looks for jobs that another replica queued or left.
const LOOKED_FOR: Duration = Duration::from_secs(5);
/// Iterations after which a fit is thought to be half done.
const HALF_WAY: f64 = 10.0;

/// Runs calibrations as they are queued, until the service stops.
pub async fn work(memory: Arc<Memory>, queued: Arc<Notify>) {
    let owner = uuid::Uuid::new_v4().to_string();
    loop {
        let now = Timestamp::now();
        match memory.store().claim_calibration(&owner, now, after(now)).await {
            Ok(Some(job)) => {
                if let Err(problem) = run(&memory, &job, &owner).await {
                    tracing::error!(id = job.id, detail = problem.detail, "a calibration was left");
                }
                continue;
            }
            Ok(None) => {}
            Err(e) => tracing::warn!(detail = e.detail(), "looking for calibrations"),
        }
        let _ = tokio::time::timeout(LOOKED_FOR, queued.notified()).await;
    }
}

/// Queues a calibration.
///
/// # Errors
/// If the store fails.
pub async fn queue(memory: &Memory, params: &CalibrationBody) -> Result<(Write, CalibrationPage), Problem> {
    let text = serde_json::to_string(params).map_err(|e| Problem::new(INTERNAL, e.to_string()))?;
    let (id, now) = (uuid::Uuid::now_v7().to_string(), Timestamp::now());
    let mut write = memory.store().write(ACCOUNT).await?;
    write.queue_calibration(&id, &text, now).await?;
    let page = CalibrationPage {
        id,
        state: JobState::Queued,
        progress: 0.0,
        created_at: now.to_string(),
        updated_at: now.to_string(),
        params: params.clone(),
        report: None,
        version: None,
        failure: None,
    };
    Ok((write, page))
}

/// Runs a calibration in this process, telling its progress, until it has ended.
///
/// # Errors
/// If the store fails.
pub async fn once(
    memory: &Arc<Memory>,
    params: &CalibrationBody,
    progress: impl Fn(f64),
) -> Result<CalibrationPage, Problem> {
    let (write, queued) = queue(memory, params).await?;
    write.commit().await?;
    let worker = tokio::spawn(work(memory.clone(), Arc::default()));
    let ended = loop {
        tokio::time::sleep(WATCHED).await;
        match memory.store().calibration(ACCOUNT, &queued.id).await.map(CalibrationPage::from) {
            Ok(job) if matches!(job.state, JobState::Queued | JobState::Running) => progress(job.progress),
            Ok(job) => break Ok(job),
            Err(e) => break Err(e.into()),
        }
    };
    worker.abort();
    ended
}

impl From<Calibration> for CalibrationPage {
    fn from(job: Calibration) -> Self {
        #[derive(serde::Deserialize)]
        struct Failure {
            failure: String,
        }
        let report = job.report.as_deref();
        Self {
            state: match job.state {
                CalibrationState::Queued => JobState::Queued,
                CalibrationState::Running => JobState::Running,
                CalibrationState::Done => JobState::Done,
                CalibrationState::Failed => JobState::Failed,
                CalibrationState::Cancelled => JobState::Cancelled,
            },
            progress: job.progress,
            created_at: job.created_at.to_string(),
            updated_at: job.updated_at.to_string(),
            params: serde_json::from_str(&job.params).unwrap_or_default(),
            failure: report.and_then(|r| serde_json::from_str::<Failure>(r).ok()).map(|f| f.failure),
            report: report.and_then(|r| serde_json::from_str(r).ok()),
            version: job.version,
            id: job.id,
        }
    }
}

fn after(now: Timestamp) -> Timestamp {
    now.checked_add(LEASE).unwrap_or(now)
}

/// What a running fit shares with whoever watches it.
#[derive(Debug, Default)]
struct Watched {
    /// Share done, as bits.
    progress: AtomicU64,
    cancelled: AtomicBool,
}

impl Watched {
    fn share(&self) -> f64 {
        f64::from_bits(self.progress.load(Ordering::Relaxed))
    }

    fn moved(&self, p: Progress) -> ControlFlow<()> {
        let within = 1.0 - 0.5_f64.powf(p.iteration as f64 / HALF_WAY);
        let share = (p.fit as f64 + within) / p.fits as f64;
        self.progress.store(share.to_bits(), Ordering::Relaxed);
        if self.cancelled.load(Ordering::Relaxed) { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
    }
}

/// Runs one calibration that this worker holds.
async fn run(memory: &Arc<Memory>, job: &Calibration, owner: &str) -> Result<(), Problem> {
    let params: CalibrationBody = serde_json::from_str(&job.params).unwrap_or_default();
    let watched = Arc::new(Watched::default());
    let version = version_name(memory.base(), job);
    let fitted = {
        let (memory, params, watched, version) = (memory.clone(), params.clone(), watched.clone(), version.clone());
        tokio::spawn(async move { fit(&memory, &params, &version, &watched).await })
    };
    tokio::pin!(fitted);
    let found = loop {
        tokio::select! {
            found = &mut fitted => break found,
            () = tokio::time::sleep(RENEWED) => {
                let now = Timestamp::now();
                match memory.store().renew_calibration(job, owner, now, after(now), watched.share()).await {
                    Ok(Renewal::GoOn) => {}
                    Ok(Renewal::Cancel) => watched.cancelled.store(true, Ordering::Relaxed),
                    // Another took the job over: leave it to that one.
                    Err(e) if e.is_conflict() => {
                        watched.cancelled.store(true, Ordering::Relaxed);
                        return Err(e.into());
                    }
                    Err(e) => tracing::warn!(detail = e.detail(), "a lease could not be renewed"),
                }
            }
        }
    };
    let failed =
        |detail: String| (CalibrationState::Failed, Some(serde_json::json!({ "failure": detail }).to_string()));
    let mut made = None;
    let (state, report) = match found {
        Ok(Ok(Some((pack, report)))) => {
            made = Some(pack);
            match serde_json::to_string(&report) {
                Ok(report) => (CalibrationState::Done, Some(report)),
                Err(e) => failed(format!("the report does not serialise: {e}")),
            }
        }
        Ok(Ok(None)) => (CalibrationState::Cancelled, None),
        Ok(Err(problem)) => failed(problem.detail),
        Err(panicked) => {
            tracing::error!(error = %panicked, "a calibration panicked");
            failed("the fault is ours".into())
        }
    };
    let now = Timestamp::now();
    let mut write = memory.store().write(&job.account).await?;
    let kept = if let (CalibrationState::Done, Some(pack)) = (state, &made) {
        let body = serde_json::to_string(pack.data()).unwrap_or_default();
        let (version, digest) = (&pack.data().version, &pack.data().digest);
        let model = NewModel { version, digest, body: &body, calibration: Some(&job.id), created_at: now };
        write.put_model(&model).await?;
        Some(version.as_str())
    } else {
        None
    };
    let ending = Ending { state, report: report.as_deref(), version: kept, at: now };
    write.finish_calibration(&job.id, owner, &ending).await?;
    write.commit().await?;
    Ok(())
}

/// `1.0+20261125.4f2a61`: the model it started from, the day, the job.
fn version_name(base: &Served, job: &Calibration) -> String {
    let day = job.created_at.strftime("%Y%m%d");
    let job = job.id.rsplit('-').next().unwrap_or(&job.id);
    format!("{}+{day}.{job}", base.version())
}

/// Fits the model to what is stored; `None` if it was called off.
async fn fit(
    memory: &Memory,
    params: &CalibrationBody,
    version: &str,
    watched: &Arc<Watched>,
) -> Result<Option<(Pack, CalibrationReport)>, Problem> {
    let cases = cases(memory, params.include_unbought.unwrap_or(true)).await?;
    let pack = memory.base().assessor.pack().clone();
    let options = Options {
        version: version.into(),
        seed: params.seed.unwrap_or(1),
        folds: params.folds.unwrap_or(5) as usize,
        settings: Settings::default(),
    };
    let watched = watched.clone();
    let fitted = tokio::task::spawn_blocking(move || {
        let found = calibrate(&pack, &cases, &options, |p| watched.moved(p));
        match found {
            Err(steelyard_priors::fit::FitError::Cancelled) => Ok(None),
            Err(e) => Err(e.to_string()),
            Ok(found) => {
                let report = CalibrationReport::from(&found.report);
                Pack::from_data(found.data).map(|pack| Some((pack, report))).map_err(|e| e.to_string())
            }
        }
    })
    .await;
    match fitted {
        Ok(Ok(found)) => Ok(found),
        Ok(Err(detail)) => Err(Problem::new(INTERNAL, detail)),
        Err(panicked) => {
            tracing::error!(error = %panicked, "a fit panicked");
            Err(Problem::new(INTERNAL, "the fault is ours"))
        }
    }
}

/// Everything stored as cases of a fit, in the order of the listings' ids.
async fn cases(memory: &Memory, include_unbought: bool) -> Result<Vec<Case>, Problem> {
    let force = memory.in_force().await?;
    let assessor = &memory.base().assessor;
    let mut outcomes = outcomes_by_listing(memory).await?;
    let mut sellers: HashMap<String, u64> = HashMap::new();
    let mut key = |seller: Option<&str>| match seller {
        Some(id) => {
            let next = sellers.len() as u64;
            *sellers.entry(format!("s{id}")).or_insert(next)
        }
        None => {
            let next = sellers.len() as u64;
            sellers.insert(format!("n{next}"), next);
            next
        }
    };
    let segments = memory.seller_segments().await?;
    let mut cases = Vec::new();
    let mut query = ListingQuery { limit: PAGE, ..ListingQuery::default() };
    loop {
        let page = memory.store().listings(ACCOUNT, &query).await?;
        for stored in page.items {
            let found = outcomes.remove(&stored.id);
            if found.is_none() && !include_unbought {
                continue;
            }
            let segment = stored.seller.as_ref().and_then(|s| segments.get(s)).map(String::as_str);
            let Some((listing, ln_price)) = read(assessor, &force.book, &stored.request, segment) else {
                tracing::warn!(id = stored.id, "a stored listing does not fit the model: only its outcome counts");
                outcomes.extend(found.map(|f| (stored.id, f)));
                continue;
            };
            let evidence = listing.arrival.map_or(listing.evidence, |a| a.before);
            cases.push(Case {
                segment: listing.seller.stated.segment,
                seller: key(stored.seller.as_deref()),
                evidence,
                ln_price,
                outcome: found.and_then(|f| outcome(assessor.pack(), &f.body)),
            });
        }
        match page.next {
            Some(next) => query.after = Some(next),
            None => break,
        }
    }
    // Outcomes of listings that are not saved, or no longer fit, teach what the seller's watches are.
    let mut loose: Vec<_> = outcomes.into_iter().collect();
    loose.sort_by(|a, b| a.0.cmp(&b.0));
    for (_, found) in loose {
        let segment = found.seller.as_ref().and_then(|s| segments.get(s)).map(String::as_str);
        cases.push(Case {
            segment: assessor.pack().segment(segment).unwrap_or(0),
            seller: key(found.seller.as_deref()),
            evidence: steelyard_model::observe::Evidence::default(),
            ln_price: [0.0; steelyard_model::contraction::MAX_LANES],
            outcome: outcome(assessor.pack(), &found.body),
        });
    }
    Ok(cases)
}

fn read(
    assessor: &crate::assess::Assessor,
    book: &Book,
    text: &str,
    segment: Option<&str>,
) -> Option<(Listing, steelyard_model::posterior::PerStory)> {
    let mut request: AssessRequest = serde_json::from_str(text).ok()?;
    if let Some(seller) = request.seller.as_mut().filter(|s| s.segment.is_none()) {
        seller.segment = segment.map(str::to_owned);
    }
    let listing = Listing::read(assessor.pack(), book, &request, &[]).ok()?;
    let ln_price = assessor.ln_price(&listing);
    Some((listing, ln_price))
}

/// An outcome in the terms of a fit; what the pack no longer has is left out.
fn outcome(pack: &Pack, body: &OutcomeBody) -> Option<Outcome> {
    let data = pack.data();
    let state = |component: &str, state: &str| {
        let k = pack.component(component)?;
        // The metal is told by its own states, which the model counts as the public ones.
        let own = data.components[k].states.iter().find(|s| Some(k) == pack.metal() && s.id == state);
        let seen_as = own.map_or(state, |s| s.seen_as.as_str());
        Some((k, data.states.iter().position(|s| s.id == seen_as)?))
    };
    let sign = |(id, call): (&String, &CallKind)| Some(Finding::certain(pack.sign(id)?, *call == CallKind::Present));
    Some(Outcome {
        story: pack.story(&body.story)?,
        certainty: body.certainty.unwrap_or(1.0),
        components: body.components.iter().filter_map(|(c, s)| state(c, s)).collect(),
        signs: body.signs.iter().filter_map(sign).collect(),
    })
}

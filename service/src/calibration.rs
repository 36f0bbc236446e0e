//! Calibration: the stored listings and outcomes as cases, the fit, and the version it makes.
//!
//! Always from the model that the program came with and from all outcomes: a model fitted to some
//! outcomes and fitted to them again would count them twice.

use crate::app::{Served, computing};
use crate::assess::Assessor;
use crate::listing::Listing;
use crate::memory::{self, ACCOUNT, Found, Marks, Memory, outcomes_by_listing, watches};
use crate::problem::{INTERNAL, Problem};
use crate::store::{self, Calibration, CalibrationState, Ending, ListingQuery, NewModel, Renewal, Write};
use crate::wire::calibration::{CalibrationBody, CalibrationPage, CalibrationReport, JobState, LeftOut};
use crate::wire::request::{self, AssessRequest, CallKind, Observation};
use crate::wire::stored::{OutcomeBody, SellerKnown};
use indexmap::IndexMap;
use jiff::{SignedDuration, Timestamp};
use std::collections::{BTreeMap, HashMap};
use std::ops::ControlFlow;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;
use steelyard_model::facts::Book;
use steelyard_model::observe::{Evidence, Finding};
use steelyard_model::pack::Pack;
use steelyard_priors::fit::{Case, Options, Outcome, Progress, Sellers, Settings, Stated, calibrate};
use steelyard_priors::seller::{self, Feedback};
use tokio::sync::Notify;
use tokio::task::JoinHandle;

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
    let (id, now) = (uuid::Uuid::now_v7().to_string(), memory::now());
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

/// A fit under way: called off where nobody watches it any longer.
struct Fitting {
    task: JoinHandle<Result<Option<(Pack, CalibrationReport)>, Problem>>,
    watched: Arc<Watched>,
}

impl Drop for Fitting {
    fn drop(&mut self) {
        self.watched.cancelled.store(true, Ordering::Relaxed);
        self.task.abort();
    }
}

/// Runs one calibration that this worker holds.
async fn run(memory: &Arc<Memory>, job: &Calibration, owner: &str) -> Result<(), Problem> {
    let params: CalibrationBody = serde_json::from_str(&job.params).unwrap_or_default();
    let watched = Arc::new(Watched::default());
    let version = version_name(memory.base(), job);
    let mut fitting = {
        let (memory, params, shared, version) = (memory.clone(), params.clone(), watched.clone(), version.clone());
        let task = tokio::spawn(async move { fit(&memory, &params, &version, &shared).await });
        Fitting { task, watched: watched.clone() }
    };
    let found = loop {
        tokio::select! {
            found = &mut fitting.task => break found,
            () = tokio::time::sleep(RENEWED) => {
                let now = Timestamp::now();
                match memory.store().renew_calibration(job, owner, now, after(now), watched.share()).await {
                    Ok(Renewal::GoOn) => {}
                    Ok(Renewal::Cancel) => watched.cancelled.store(true, Ordering::Relaxed),
                    // Another took the job over: leave it to that one.
                    Err(e) if e.is_conflict() => return Err(e.into()),
                    Err(e) => tracing::warn!(detail = e.detail(), "a lease could not be renewed"),
                }
            }
        }
    };
    let failed =
        |detail: String| (CalibrationState::Failed, Some(serde_json::json!({ "failure": detail }).to_string()));
    let mut made = None;
    let (state, report) = match found {
        Ok(Ok(Some((pack, report)))) => match (serde_json::to_string(&report), serde_json::to_string(pack.data())) {
            (Ok(report), Ok(body)) => {
                made = Some((pack, body));
                (CalibrationState::Done, Some(report))
            }
            (Err(e), _) | (_, Err(e)) => failed(format!("the result does not serialise: {e}")),
        },
        Ok(Ok(None)) => (CalibrationState::Cancelled, None),
        Ok(Err(problem)) => failed(problem.detail),
        Err(panicked) => {
            tracing::error!(error = %panicked, "a calibration panicked");
            failed("the fault is ours".into())
        }
    };
    let end = Ending { state, report: report.as_deref(), version: None, at: Timestamp::now() };
    match finish(memory, job, owner, end, made.as_ref()).await {
        // What cannot be kept would be fitted for ever: the job has failed.
        Err(e) if made.is_some() && !e.is_unavailable() => {
            let (state, report) = failed(format!("the fitted model could not be kept: {}", e.detail()));
            let end = Ending { state, report: report.as_deref(), version: None, at: Timestamp::now() };
            finish(memory, job, owner, end, None).await?;
        }
        ended => ended?,
    }
    Ok(())
}

/// Ends a job, and keeps the model it made, unless it was called off meanwhile.
async fn finish(
    memory: &Memory,
    job: &Calibration,
    owner: &str,
    mut end: Ending<'_>,
    made: Option<&(Pack, String)>,
) -> Result<(), store::Error> {
    let mut write = memory.store().write(&job.account).await?;
    if write.calibration_called_off(&job.id).await? {
        end = Ending { state: CalibrationState::Cancelled, report: None, version: None, at: end.at };
    } else if let Some((pack, body)) = made {
        let (version, digest) = (&pack.data().version, &pack.data().digest);
        let model = NewModel { version, digest, body, calibration: Some(&job.id), created_at: end.at };
        write.put_model(&model).await?;
        end.version = Some(version);
    }
    write.finish_calibration(&job.id, owner, &end).await?;
    write.commit().await
}

/// `1.0+20261125.4f2a61`: the model it started from, the day, the job.
fn version_name(base: &Served, job: &Calibration) -> String {
    let day = job.created_at.strftime("%Y%m%d");
    let job = job.id.rsplit('-').next().unwrap_or(&job.id);
    format!("{}+{day}.{job}", base.version())
}

/// Fits the model to what is stored; `None` if it was called off.
async fn fit(
    memory: &Arc<Memory>,
    params: &CalibrationBody,
    version: &str,
    watched: &Arc<Watched>,
) -> Result<Option<(Pack, CalibrationReport)>, Problem> {
    let (Known { cases, sellers }, left_out) = known(memory, params.include_unbought.unwrap_or(true)).await?;
    let pack = memory.base().assessor.pack().clone();
    let options = Options {
        version: version.into(),
        seed: params.seed.unwrap_or(1),
        folds: params.folds.unwrap_or(5) as usize,
        settings: Settings::default(),
    };
    let watched = watched.clone();
    let fitted = tokio::task::spawn_blocking(move || {
        let found = calibrate(&pack, &cases, &sellers, &options, |p| watched.moved(p));
        match found {
            Err(steelyard_priors::fit::FitError::Cancelled) => Ok(None),
            Err(e) => Err(e.to_string()),
            Ok(found) => {
                let report = CalibrationReport::new(&found.report, left_out);
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

/// What a fit learns from.
struct Known {
    cases: Vec<Case>,
    sellers: Sellers,
}

/// Everything stored in the terms of a fit, in the order of the listings' ids. A listing of which
/// something was found out counts as it stood when that was first recorded.
async fn known(memory: &Arc<Memory>, include_unbought: bool) -> Result<(Known, LeftOut), Problem> {
    let force = memory.in_force().await?;
    let outcomes = outcomes_by_listing(memory).await?;
    let said = memory.sellers_said().await?;
    let mut listings = Vec::new();
    let mut query = ListingQuery { limit: PAGE, ..ListingQuery::default() };
    loop {
        let page = memory.store().listings(ACCOUNT, &query).await?;
        listings.extend(page.items.into_iter().filter(|l| include_unbought || outcomes.contains_key(&l.id)));
        match page.next {
            Some(next) => query.after = Some(next),
            None => break,
        }
    }
    // What was written into a listing after its watch was found out about foresaw nothing.
    for listing in &mut listings {
        let Some(&(revision, at)) = outcomes.get(&listing.id).map(|found| &found.first_recorded) else { continue };
        if at < listing.updated_at {
            let stood = memory.store().request_at(ACCOUNT, &listing.id, revision, at).await?;
            if let Some((request, at)) = stood {
                (listing.request, listing.updated_at) = (request, at);
            }
        }
    }
    let assessor = memory.base().clone();
    computing(move || Ok(read_all(&assessor.assessor, &force.book, listings, outcomes, &said))).await
}

/// Sellers as numbers; listings without one have each its own.
#[derive(Default)]
struct Numbers {
    sellers: HashMap<String, u64>,
    count: u64,
}

impl Numbers {
    fn of(&mut self, seller: Option<&str>) -> u64 {
        self.count += 1;
        let next = self.count - 1;
        seller.map_or(next, |id| *self.sellers.entry(id.into()).or_insert(next))
    }
}

/// When a watch was found out about, and whether it was bad.
type FoundBad = (Timestamp, bool);

/// What the listings of a seller state of it in counts, each as the newest says.
#[derive(Default)]
struct Counts {
    /// x bad of n, and when that was said.
    totals: Option<(Timestamp, request::Outcomes)>,
    feedback: Option<(Timestamp, Feedback)>,
}

impl Counts {
    fn take(&mut self, at: Timestamp, totals: Option<request::Outcomes>, feedback: Option<Feedback>) {
        fn newest<T>(kept: &mut Option<(Timestamp, T)>, at: Timestamp, said: Option<T>) {
            if let Some(said) = said.filter(|_| kept.as_ref().is_none_or(|(before, _)| *before <= at)) {
                *kept = Some((at, said));
            }
        }
        newest(&mut self.totals, at, totals);
        newest(&mut self.feedback, at, feedback);
    }

    /// Totals stand for all that was known when they were said: what of that is stored as outcomes
    /// counts as these.
    fn beside(self, found: &[FoundBad]) -> Stated {
        let outcomes = self.totals.and_then(|(at, totals)| {
            let stored = |bad: bool| found.iter().filter(|(t, b)| *t <= at && *b == bad).count() as u64;
            let bad = totals.bad.saturating_sub(stored(true));
            let sound = totals.total.saturating_sub(totals.bad).saturating_sub(stored(false));
            seller::Outcomes::new(bad, bad + sound).ok()
        });
        Stated { outcomes: outcomes.unwrap_or_default(), feedback: self.feedback.map(|(_, f)| f) }
    }
}

fn read_all(
    assessor: &Assessor,
    book: &Book,
    listings: Vec<store::Listing>,
    mut outcomes: HashMap<String, Found>,
    said: &HashMap<String, SellerKnown>,
) -> (Known, LeftOut) {
    let pack = assessor.pack();
    let mut numbers = Numbers::default();
    // What was found out of a seller's watches: when, and whether it was bad.
    let was = |found: &Found| Some((found.found_at, pack.bad()[pack.story(&found.body.story)?]));
    let mut found_of: HashMap<String, Vec<FoundBad>> = HashMap::new();
    for found in outcomes.values() {
        if let Some(seller) = &found.seller {
            found_of.entry(seller.clone()).or_default().extend(was(found));
        }
    }
    let mut counts: BTreeMap<(usize, u64), (Counts, Vec<FoundBad>)> = BTreeMap::new();
    let (mut cases, mut marks, mut left_out) = (Vec::new(), Vec::new(), LeftOut::default());
    // A watch that its seller put up again is one case: that of which an outcome is known, or the newest.
    let mut of_seller: HashMap<u64, Vec<usize>> = HashMap::new();
    for stored in listings {
        let found = outcomes.remove(&stored.id);
        let said = stored.seller.as_ref().and_then(|s| said.get(s));
        let judged = found.as_ref().map(|f| &f.body.signs);
        let Some(Read { request, listing, foreseen }) = read(assessor, book, &stored.request, said, judged) else {
            tracing::warn!(id = stored.id, "a stored listing does not fit the model: it is left out");
            left_out.unfit += usize::from(found.is_some());
            continue;
        };
        let seller = numbers.of(stored.seller.as_deref());
        let ln_price = assessor.ln_price(&listing);
        let stated = &listing.seller.stated;
        let totals = request.seller.as_ref().and_then(|s| s.outcomes);
        let of_it = || match &stored.seller {
            Some(seller) => found_of.get(seller).cloned().unwrap_or_default(),
            None => found.as_ref().and_then(was).into_iter().collect(),
        };
        let (counts, _) = counts.entry((stated.segment, seller)).or_insert_with(|| (Counts::default(), of_it()));
        counts.take(stored.updated_at, totals, stated.feedback);
        let outcome = found.and_then(|found| outcome(pack, &found.body));
        of_seller.entry(seller).or_default().push(cases.len());
        marks.push((Marks::of(&request), (outcome.is_some(), stored.updated_at)));
        cases.push(Some(Case {
            segment: listing.seller.stated.segment,
            seller,
            evidence: listing.evidence,
            foreseen,
            ln_price,
            outcome,
        }));
    }
    for of_one in of_seller.into_values().filter(|all| all.len() > 1) {
        let numbers = watches(&of_one.iter().map(|i| &marks[*i].0).collect::<Vec<_>>());
        let mut standing: HashMap<usize, usize> = HashMap::new();
        for (watch, i) in numbers.into_iter().zip(of_one) {
            let best = standing.entry(watch).or_insert(i);
            if *best != i {
                let (stays, goes) = if marks[i].1 > marks[*best].1 { (i, *best) } else { (*best, i) };
                *best = stays;
                cases[goes] = None;
            }
        }
    }
    // Of a watch whose listing is gone nobody knows what was seen, and it was found out about for what
    // was seen: as a case of which nothing was seen it would bend the fit.
    left_out.without_listing = outcomes.len();
    let sellers = counts.into_iter().map(|(key, (counts, found))| (key, counts.beside(&found))).collect();
    (Known { cases: cases.into_iter().flatten().collect(), sellers }, left_out)
}

/// A stored listing as it is read.
struct Read {
    request: AssessRequest,
    listing: Listing,
    /// The calls that foresaw its outcome, where they are not all of them.
    foreseen: Option<Evidence>,
}

/// Reads a stored listing; `judged` are the signs that its outcome judges, if it has one. These replace
/// its own calls made in hand, and none of those foresaw anything.
fn read(
    assessor: &Assessor,
    book: &Book,
    text: &str,
    said: Option<&SellerKnown>,
    judged: Option<&IndexMap<String, CallKind>>,
) -> Option<Read> {
    let mut request: AssessRequest = serde_json::from_str(text).ok()?;
    if let Some(said) = said {
        said.complete(&mut request);
    }
    let in_hand = |o: &Option<Observation>| o.as_ref().is_some_and(|o| o.in_hand == Some(true));
    let mut foreseen = None;
    if let Some(judged) = judged.filter(|_| request.observations.iter().any(in_hand)) {
        let mut before = request.clone();
        before.observations.retain(|o| !in_hand(o));
        foreseen = Some(Listing::read(assessor.pack(), book, &before, &[]).ok()?.evidence);
        let found_since = |o: &Option<Observation>| o.as_ref().is_some_and(|o| judged.contains_key(&o.sign));
        request.observations.retain(|o| !(in_hand(o) && found_since(o)));
    }
    let listing = Listing::read(assessor.pack(), book, &request, &[]).ok()?;
    Some(Read { request, listing, foreseen })
}

/// An outcome in the terms of a fit; what the pack no longer has is left out.
fn outcome(pack: &Pack, body: &OutcomeBody) -> Option<Outcome> {
    let data = pack.data();
    let state = |component: &str, state: &str| {
        let k = pack.component(component)?;
        // The metal is told by its own states, which the model counts as the public ones.
        let own = data.components[k].states.iter().find(|s| Some(k) == pack.metal() && s.id == state);
        let seen_as = own.map_or(state, |s| s.seen_as.as_str());
        let seen_as = data.states.iter().position(|s| s.id == seen_as)?;
        // One that the component is never in would be impossible, and with it the whole fit.
        pack.public_states(k).any(|s| s == seen_as).then_some((k, seen_as))
    };
    let sign = |(id, call): (&String, &CallKind)| Some(Finding::certain(pack.sign(id)?, *call == CallKind::Present));
    let mut signs: Vec<Finding> = body.signs.iter().filter_map(sign).collect();
    pack.without_excluded(&mut signs, |f| f.sign);
    Some(Outcome {
        story: pack.story(&body.story)?,
        certainty: body.certainty.unwrap_or(1.0),
        components: body.components.iter().filter_map(|(c, s)| state(c, s)).collect(),
        signs,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Store;

    /// The job is over before its lease is renewed, which is when a worker hears that it is called off.
    #[tokio::test(flavor = "multi_thread")]
    async fn one_that_is_called_off_within_its_last_moment_makes_no_version() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::sqlite(folder.path()).await.unwrap();
        let served = Served::new(Pack::builtin()).unwrap();
        let memory = Arc::new(Memory::new(store.clone(), served, Book::default()).unwrap());
        let (write, queued) = queue(&memory, &CalibrationBody::default()).await.unwrap();
        write.commit().await.unwrap();
        let now = Timestamp::now();
        let job = store.claim_calibration("w", now, after(now)).await.unwrap().unwrap();
        let mut write = store.write(ACCOUNT).await.unwrap();
        write.cancel_calibration(&queued.id, now).await.unwrap();
        write.commit().await.unwrap();
        run(&memory, &job, "w").await.unwrap();
        let ended = store.calibration(ACCOUNT, &queued.id).await.unwrap();
        assert_eq!((ended.state, ended.version, ended.report), (CalibrationState::Cancelled, None, None));
        assert_eq!(store.models(ACCOUNT).await.unwrap(), []);
    }

    #[tokio::test]
    async fn a_fit_that_nobody_watches_is_called_off() {
        let watched = Arc::new(Watched::default());
        let task = tokio::spawn(std::future::pending());
        let ended = task.abort_handle();
        drop(Fitting { task, watched: watched.clone() });
        tokio::task::yield_now().await;
        assert!(ended.is_finished());
        let progress = Progress { fit: 0, fits: 1, iteration: 1, objective: 0.0 };
        assert_eq!(watched.moved(progress), ControlFlow::Break(()));
    }
}

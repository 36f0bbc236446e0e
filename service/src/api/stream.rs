//! `POST /v1/assess/stream`

use super::problems::Anywhere;
use crate::app::App;
use crate::body;
use crate::lines::{Answers, Batch, Splitter};
use crate::memory::{InForce, Marks, Own, SellerFile, seller_of};
use crate::problem::{IDLE, Problem, UNAVAILABLE, UNSUPPORTED_MEDIA_TYPE};
use crate::wire::request::AssessRequest;
use crate::wire::stored::SellerKnown;
use axum::body::{Body, Bytes};
use axum::extract::{Request, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use futures_util::{FutureExt as _, Stream, StreamExt as _, stream};
use http_body_util::BodyExt as _;
use hyper::body::Frame;
use std::collections::HashMap;
use std::io;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, Weak};
use std::time::Duration;
use tokio::runtime::Handle;
use tokio::task::spawn_blocking;
use tokio::time::sleep;

const MEDIA_TYPE: &str = "application/x-ndjson";

/// How long a stream waits for the next byte.
const PATIENCE: Duration = Duration::from_secs(30);

/// Watches of sellers that one stream remembers between its lines.
const MOST_WATCHES: usize = 50_000;

/// Assess listings, one a line. Every line is answered on a line, in order, as it comes: with an assessment as of
/// `POST /v1/assess`, or with a problem that names the line; a bad line does not end the stream. Nothing is stored.
#[utoipa::path(
    post,
    path = "/v1/assess/stream",
    tag = "assess",
    request_body(
        content = String,
        content_type = "application/x-ndjson",
        description = "A body of `POST /v1/assess` a line, which ends in LF or CRLF and holds at most 256 KiB; any number of lines. Empty lines are skipped. No more is read while the answers are not taken. After half a minute in which nothing comes, the stream ends with the problem `idle`."
    ),
    responses(
        (status = 200, description = "A line for every line: an `Assessment` or a `ProblemOfLine`, whose status is its own", body = String, content_type = "application/x-ndjson"),
        (status = 415, description = "Not sent as NDJSON", body = Problem, content_type = "application/problem+json"),
        Anywhere,
    )
)]
pub(super) async fn assess_stream(State(app): State<Arc<App>>, request: Request) -> Result<Response, Problem> {
    if !body::is(request.headers(), MEDIA_TYPE) {
        return Err(Problem::new(UNSUPPORTED_MEDIA_TYPE, "send the lines as `Content-Type: application/x-ndjson`"));
    }
    body::plain(request.headers())?;
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(MEDIA_TYPE)),
        (header::CACHE_CONTROL, HeaderValue::from_static("no-store")),
    ];
    Ok((headers, Body::from_stream(answers(app, request.into_body()))).into_response())
}

/// The answers to the lines of a body. Nothing is read but to answer what is asked for: a few batches
/// are under way at a time, and none for long once the stream is dropped.
fn answers(app: Arc<App>, body: Body) -> impl Stream<Item = io::Result<Bytes>> + Send + use<> {
    let jobs = std::thread::available_parallelism().map_or(1, usize::from);
    let incoming = Incoming { app: app.clone(), body, splitter: Splitter::default(), rest: Bytes::new(), ended: false };
    let next = stream::unfold(incoming, |mut incoming| async move { Some((incoming.next().await?, incoming)) });
    let (sellers, asked) = (Arc::new(Sellers::default()), Arc::new(()));
    let answered = move |next: Next| {
        let (app, sellers, asked) = (app.clone(), sellers.clone(), Arc::downgrade(&asked));
        async move {
            match next {
                // Not on a thread that serves connections.
                Next::Lines(batch) => {
                    spawn_blocking(move || answer(&app, &sellers, &asked, &batch)).await.map_err(|e| {
                        tracing::error!(error = %e, "a calculation panicked");
                        io::Error::other("an assessment panicked")
                    })
                }
                Next::Last(answers) => Ok(answers.text.into()),
                Next::Broken(fault) => Err(io::Error::other(fault)),
            }
        }
    };
    next.map(answered).buffered(jobs + 1)
}

/// What comes next in a stream of lines.
enum Next {
    Lines(Batch),
    /// Why nothing more is read.
    Last(Answers),
    /// The transport failed.
    Broken(axum::Error),
}

/// A body as batches of lines.
struct Incoming {
    app: Arc<App>,
    body: Body,
    splitter: Splitter,
    /// Of what came, that which the batch had no room for.
    rest: Bytes,
    ended: bool,
}

impl Incoming {
    async fn next(&mut self) -> Option<Next> {
        loop {
            let left = self.splitter.push(&self.rest).len();
            self.rest = self.rest.split_off(self.rest.len() - left);
            if self.splitter.is_full() || self.ended {
                return self.splitter.take().map(Next::Lines);
            }
            let frame = match self.body.frame().now_or_never() {
                Some(frame) => Ok(frame),
                // Whoever waits for an answer before sending more has it.
                None => match self.splitter.take() {
                    Some(batch) => return Some(Next::Lines(batch)),
                    None => self.wait().await,
                },
            };
            match frame {
                Ok(Some(Ok(frame))) => self.rest = frame.into_data().unwrap_or_default(),
                Ok(Some(Err(fault))) => return self.last(Next::Broken(fault)),
                Ok(None) => {
                    self.ended = true;
                    self.splitter.end();
                }
                Err(problem) => {
                    let number = self.splitter.number();
                    return self.last(Next::Last(Answers::problem(number, problem)));
                }
            }
        }
    }

    /// The next part of the body; or why it is not waited for any longer.
    async fn wait(&mut self) -> Result<Option<Result<Frame<Bytes>, axum::Error>>, Problem> {
        let mut draining = self.app.draining();
        tokio::select! {
            biased;
            frame = self.body.frame() => Ok(frame),
            _ = draining.wait_for(|d| *d) => Err(Problem::new(
                UNAVAILABLE,
                "the service is shutting down; this line and what follows are not answered",
            )),
            () = sleep(PATIENCE) => Err(Problem::new(
                IDLE,
                format!("nothing came for {} seconds; this line is not answered", PATIENCE.as_secs()),
            )),
        }
    }

    /// After this there is nothing.
    fn last(&mut self, next: Next) -> Option<Next> {
        (self.ended, self.splitter, self.rest) = (true, Splitter::default(), Bytes::new());
        Some(next)
    }
}

/// Answers a batch, for as long as the stream is `asked` for.
fn answer(app: &App, sellers: &Sellers, asked: &Weak<()>, batch: &Batch) -> Bytes {
    let store = Handle::current();
    let force = store.block_on(app.in_force());
    let answers = batch.answer(
        || asked.strong_count() > 0,
        |line| {
            let force = force.as_ref().map_err(Clone::clone)?;
            app.answer_in(force, line, |request| store.block_on(sellers.known(app, force, request)))
        },
    );
    answers.text.into()
}

/// What was known of sellers at a revision.
#[derive(Default)]
struct Sellers(Mutex<(i64, HashMap<String, Arc<SellerFile>>)>);

impl Sellers {
    async fn known(&self, app: &App, force: &Arc<InForce>, request: &AssessRequest) -> Result<SellerKnown, Problem> {
        let (Ok(memory), Some(seller)) = (app.memory(), seller_of(request)) else { return Ok(SellerKnown::default()) };
        let own = Own { id: request.id.as_deref(), marks: &Marks::of(request) };
        let kept = self.at(force.revision).1.get(seller).cloned();
        if let Some(file) = kept {
            return Ok(file.without(own));
        }
        let file = Arc::new(memory.seller(force, seller).await?.lean());
        let known = file.without(own);
        let mut kept = self.at(force.revision);
        if kept.1.values().map(|file| 1 + file.len()).sum::<usize>() >= MOST_WATCHES {
            kept.1.clear();
        }
        kept.1.insert(seller.into(), file);
        Ok(known)
    }

    /// What is kept of a revision; what was known at another is forgotten.
    fn at(&self, revision: i64) -> MutexGuard<'_, (i64, HashMap<String, Arc<SellerFile>>)> {
        let mut kept = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if kept.0 != revision {
            *kept = (revision, HashMap::new());
        }
        kept
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;
    use std::sync::atomic::{AtomicUsize, Ordering};
    use steelyard_model::facts::Book;
    use steelyard_model::pack::Pack;
    use tokio::time::Instant;

    fn app() -> Arc<App> {
        App::new(Pack::builtin(), Book::default()).unwrap()
    }

    fn line(id: usize) -> Bytes {
        format!("{{\"id\": \"{id}\", \"observations\": [], \"include\": []}}\n").into()
    }

    fn read(text: &[u8]) -> Vec<Value> {
        text.split(|b| *b == b'\n').filter(|l| !l.is_empty()).map(|l| serde_json::from_slice(l).unwrap()).collect()
    }

    const SHORT: Duration = Duration::from_secs(1);

    #[tokio::test(start_paused = true)]
    async fn a_stream_in_which_nothing_comes_ends_with_a_problem_in_place_of_the_next_line() {
        let late = stream::once(async {
            sleep(PATIENCE - SHORT).await;
            Ok::<_, io::Error>([line(1), "\n{\"id\"".into()].concat().into())
        });
        let began = Instant::now();
        let body = Body::from_stream(late.chain(stream::pending::<io::Result<Bytes>>()));
        let all: Vec<Bytes> = answers(app(), body).map(Result::unwrap).collect().await;
        let found = read(&all.concat());
        assert_eq!((found.len(), &found[0]["listing"]), (2, &"1".into()));
        assert_eq!((&found[1]["type"], &found[1]["line"]), (&"/problems/idle".into(), &3.into()));
        // The wait begins anew with what comes.
        let waited = began.elapsed();
        assert!(waited >= 2 * PATIENCE - SHORT && waited < 2 * PATIENCE, "{waited:?}");
    }

    #[tokio::test]
    async fn no_more_is_read_than_is_answered() {
        let app = app();
        let given = Arc::new(AtomicUsize::new(0));
        let counted = given.clone();
        let lines = stream::iter(0..100_000).map(move |i| {
            counted.fetch_add(1, Ordering::Relaxed);
            Ok::<_, io::Error>(line(i))
        });
        let mut answers = Box::pin(answers(app, Body::from_stream(lines)));
        let mut taken = 0;
        // A batch under way for each job, one more, and one that is being filled.
        let most = 64 * (std::thread::available_parallelism().unwrap().get() + 2);
        for _ in 0..20 {
            let text = answers.next().await.unwrap().unwrap();
            let found = read(&text);
            for answer in &found {
                assert_eq!(answer["listing"], taken.to_string());
                taken += 1;
            }
            let ahead = given.load(Ordering::Relaxed) - taken;
            assert!(ahead <= most, "{ahead} lines ahead");
        }
    }

    #[tokio::test]
    async fn a_body_that_breaks_off_breaks_the_answer_off() {
        let body = stream::iter([Ok(line(1)), Err(io::Error::other("gone"))]);
        let found: Vec<io::Result<Bytes>> = answers(app(), Body::from_stream(body)).collect().await;
        assert!(found.last().unwrap().is_err(), "{found:?}");
    }
}

//! `POST /v1/assess/stream`

use super::problems::Anywhere;
use crate::app::{App, ReadRequest};
use crate::body;
use crate::lines::{Answers, Batch, Splitter};
use crate::memory::{InForce, Marks, Memory, Own, SellerFile, seller_of};
use crate::problem::{IDLE, Problem, UNAVAILABLE, UNSUPPORTED_MEDIA_TYPE};
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
                Next::Lines(batch) => answer(app, &sellers, asked, batch)
                    .await
                    .map_err(|problem| io::Error::other(format!("a batch was not answered: {}", problem.detail))),
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

/// Answers a batch, for as long as the stream is `asked` for. Reading and assessing are done on threads
/// that serve no connections; what is stored is asked for between them, by no thread at all: one that
/// waited for another of its kind could wait for ever.
async fn answer(app: Arc<App>, sellers: &Sellers, asked: Weak<()>, batch: Batch) -> Result<Bytes, Problem> {
    let force = app.in_force().await;
    let (reader, wanted) = (app.clone(), asked.clone());
    let (batch, requests) = app
        .computing_in_turn(move || {
            let lines = batch.lines().filter_map(|(_, line)| line).take_while(|_| wanted.strong_count() > 0);
            let requests: Vec<Result<ReadRequest, Problem>> = lines.map(|line| reader.request(line)).collect();
            Ok((batch, requests))
        })
        .await?;
    let mut files = HashMap::new();
    if let (Ok(memory), Ok(force)) = (app.memory(), &force) {
        for seller in requests.iter().flatten().filter_map(|read| seller_of(&read.request)) {
            if !files.contains_key(seller) {
                files.insert(seller.to_owned(), sellers.file(memory, force, seller).await);
            }
        }
    }
    let reader = app.clone();
    app.computing_in_turn(move || {
        let mut requests = requests.into_iter();
        let answers = batch.answer(
            || asked.strong_count() > 0,
            |line| {
                let read = requests.next().unwrap_or_else(|| reader.request(line))?;
                let force = force.as_ref().map_err(Clone::clone)?;
                let known = match seller_of(&read.request).and_then(|seller| files.get(seller)) {
                    Some(file) => {
                        let own = Own { id: read.request.id.as_deref(), marks: &Marks::of(&read.request) };
                        file.as_ref().map_err(Clone::clone)?.without(own)
                    }
                    None => SellerKnown::default(),
                };
                let (_, listing) = read.listing(force, &known)?;
                force.assess(&listing)
            },
        );
        Ok(answers.text.into())
    })
    .await
}

/// What was known of sellers at a revision.
#[derive(Default)]
struct Sellers(Mutex<(i64, HashMap<String, Arc<SellerFile>>)>);

impl Sellers {
    async fn file(&self, memory: &Memory, force: &Arc<InForce>, seller: &str) -> Result<Arc<SellerFile>, Problem> {
        let kept = self.at(force.revision).1.get(seller).cloned();
        if let Some(file) = kept {
            return Ok(file);
        }
        let file = Arc::new(memory.seller(force, seller).await?.lean());
        let mut kept = self.at(force.revision);
        if kept.1.values().map(|file| 1 + file.len()).sum::<usize>() >= MOST_WATCHES {
            kept.1.clear();
        }
        kept.1.insert(seller.into(), file.clone());
        Ok(file)
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
    use crate::memory::ACCOUNT;
    use crate::store::{NewSeller, Store};
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

    /// With one thread for calculations, whatever waits on it for another waits for ever; with 512 of
    /// them, as there are, so many streams do.
    #[test]
    fn streams_do_not_wait_for_the_threads_they_hold() {
        let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().max_blocking_threads(1).build().unwrap();
        runtime.block_on(async {
            let folder = tempfile::tempdir().unwrap();
            let store = Store::sqlite(folder.path()).await.unwrap();
            let mut write = store.write(ACCOUNT).await.unwrap();
            let at = jiff::Timestamp::UNIX_EPOCH;
            let said = NewSeller { id: "s", segment: None, feedback: None, note: None, at };
            write.put_seller(&said).await.unwrap();
            write.commit().await.unwrap();
            let app = App::with_memory(Pack::builtin(), Book::default(), store).unwrap();
            let line = Bytes::from("{\"observations\": [], \"include\": [], \"seller\": {\"id\": \"s\"}}\n");
            let streams = (0..4).map(|_| {
                let lines = stream::iter(vec![line.clone(); 200]).map(Ok::<_, io::Error>);
                answers(app.clone(), Body::from_stream(lines)).collect::<Vec<_>>()
            });
            let all = tokio::time::timeout(Duration::from_secs(60), futures_util::future::join_all(streams));
            for answered in all.await.expect("the streams wait for one another") {
                let text: Vec<Bytes> = answered.into_iter().map(Result::unwrap).collect();
                let found = read(&text.concat());
                assert_eq!(found.len(), 200);
                assert!(found.iter().all(|a| a["probability"]["bad"].is_number()), "{}", found[0]);
            }
        });
        runtime.shutdown_background();
    }

    #[tokio::test]
    async fn a_body_that_breaks_off_breaks_the_answer_off() {
        let body = stream::iter([Ok(line(1)), Err(io::Error::other("gone"))]);
        let found: Vec<io::Result<Bytes>> = answers(app(), Body::from_stream(body)).collect().await;
        assert!(found.last().unwrap().is_err(), "{found:?}");
    }
}

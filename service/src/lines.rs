//! Requests as lines of JSON (NDJSON) into answers as lines, in the same order.
//!
//! A line that does not fit is answered with a problem on its own line, which names the line, and
//! the rest goes on. Lines end in LF or CRLF; empty ones are skipped, as is a byte
//! order mark before the first. The command line and the HTTP
//! stream share all of this: bytes, however they come, are cut by a [`Splitter`] into a [`Batch`] of
//! lines, and a batch is answered as a whole. What is held does not grow with the number of lines.

use crate::app::App;
use crate::body::{MARK, MOST_BYTES};
use crate::problem::{Problem, ProblemOfLine, TOO_LARGE};
use crate::wire::response::Assessment;
use std::io::{self, Read, Write};
use std::ops::Range;
use std::sync::mpsc::{Receiver, SyncSender, TryRecvError, sync_channel};
use std::sync::{Mutex, PoisonError};

/// Lines, and bytes of whole lines, after which a batch is full: enough to be worth handing on, few
/// enough to stay small.
const MOST_LINES: usize = 64;
const FULL_BYTES: usize = MOST_BYTES;

/// Bytes read at a time.
const CHUNK: usize = 64 * 1024;

/// What became of the lines.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Lines answered with an assessment.
    pub assessed: u64,
    /// Lines answered with a problem.
    pub refused: u64,
}

/// Some lines, ends and empty ones left out.
#[derive(Debug, Default)]
pub struct Batch {
    bytes: Vec<u8>,
    lines: Vec<Line>,
}

#[derive(Debug)]
struct Line {
    /// Counted from 1, empty lines included.
    number: u64,
    /// Where it stands; nowhere if it is too long.
    text: Option<Range<usize>>,
}

impl Batch {
    /// The lines with their numbers, counted from 1; of one that is too long nothing is kept.
    pub fn lines(&self) -> impl Iterator<Item = (u64, Option<&[u8]>)> {
        self.lines.iter().map(|line| (line.number, line.text.clone().and_then(|text| self.bytes.get(text))))
    }

    /// Answers every line for as long as it is `wanted`.
    pub fn answer(
        &self,
        wanted: impl Fn() -> bool,
        mut answer: impl FnMut(&[u8]) -> Result<Assessment, Problem>,
    ) -> Answers {
        // An answer is about as long as its line.
        let mut answers = Answers { text: Vec::with_capacity(self.bytes.len()), ..Answers::default() };
        for (number, line) in self.lines().take_while(|_| wanted()) {
            let found = match line {
                Some(line) => answer(line),
                None => Err(Problem::new(TOO_LARGE, format!("a line may hold {MOST_BYTES} bytes"))),
            };
            match found {
                Ok(assessment) => answers.assessed(&assessment),
                Err(problem) => answers.refused(number, problem),
            }
        }
        answers
    }
}

/// Answers, one a line, in the order of the lines.
#[derive(Debug, Default)]
pub struct Answers {
    /// As they are written.
    pub text: Vec<u8>,
    /// How many there are.
    pub counts: Counts,
}

impl Answers {
    /// The answer to one line that is not assessed.
    #[must_use]
    pub fn problem(line: u64, problem: Problem) -> Self {
        let mut answers = Self::default();
        answers.refused(line, problem);
        answers
    }

    // Strings and numbers cannot fail to be written to memory.
    fn assessed(&mut self, assessment: &Assessment) {
        let _ = serde_json::to_writer(&mut self.text, assessment);
        self.text.push(b'\n');
        self.counts.assessed += 1;
    }

    fn refused(&mut self, line: u64, problem: Problem) {
        let _ = serde_json::to_writer(&mut self.text, &ProblemOfLine { line, problem });
        self.text.push(b'\n');
        self.counts.refused += 1;
    }
}

/// Cuts bytes into lines; however they are split, the same lines come out.
#[derive(Debug, Default)]
pub struct Splitter {
    batch: Batch,
    /// Where the line under way begins.
    begun: usize,
    /// Lines ended so far.
    number: u64,
    /// The line under way is too long: the rest of it is passed over.
    over: bool,
}

impl Splitter {
    /// Takes bytes in until the batch is full, and gives back those that are left.
    #[must_use]
    pub fn push<'b>(&mut self, mut bytes: &'b [u8]) -> &'b [u8] {
        while !bytes.is_empty() && !self.is_full() {
            match memchr::memchr(b'\n', bytes) {
                Some(end) => {
                    self.keep(&bytes[..end]);
                    self.end_line();
                    bytes = &bytes[end + 1..];
                }
                None => {
                    self.keep(bytes);
                    bytes = &[];
                }
            }
        }
        bytes
    }

    /// There is nothing more: a last line without an end is one too.
    pub fn end(&mut self) {
        if self.over || self.begun < self.batch.bytes.len() {
            self.end_line();
        }
    }

    /// Whether the batch should be taken before more is taken in.
    #[must_use]
    pub fn is_full(&self) -> bool {
        self.batch.lines.len() >= MOST_LINES || self.begun >= FULL_BYTES
    }

    /// The lines ended since the last batch; the line under way stays.
    pub fn take(&mut self) -> Option<Batch> {
        if self.batch.lines.is_empty() {
            return None;
        }
        // The next batch will be about as large.
        let mut rest = Vec::with_capacity(self.batch.bytes.len());
        rest.extend_from_slice(&self.batch.bytes[self.begun..]);
        self.batch.bytes.truncate(self.begun);
        self.begun = 0;
        let next = Batch { bytes: rest, lines: Vec::with_capacity(MOST_LINES) };
        Some(std::mem::replace(&mut self.batch, next))
    }

    /// The number of the line that comes or is under way.
    #[must_use]
    pub fn number(&self) -> u64 {
        self.number + 1
    }

    /// Keeps a part of a line. Its end may be a CR, which does not count.
    fn keep(&mut self, part: &[u8]) {
        self.over |= self.batch.bytes.len() - self.begun + part.len() > MOST_BYTES + 1;
        if self.over {
            self.batch.bytes.truncate(self.begun);
        } else {
            self.batch.bytes.extend_from_slice(part);
        }
    }

    fn end_line(&mut self) {
        self.number += 1;
        if self.number == 1 && self.batch.bytes.starts_with(MARK) {
            self.batch.bytes.drain(..MARK.len());
        }
        let line = &self.batch.bytes[self.begun..];
        let line = line.strip_suffix(b"\r").unwrap_or(line);
        let too_long = self.over || line.len() > MOST_BYTES;
        if too_long || line.iter().all(u8::is_ascii_whitespace) {
            self.batch.bytes.truncate(self.begun);
            if too_long {
                self.batch.lines.push(Line { number: self.number, text: None });
            }
        } else {
            let text = self.begun..self.begun + line.len();
            self.batch.lines.push(Line { number: self.number, text: Some(text) });
        }
        self.begun = self.batch.bytes.len();
        self.over = false;
    }
}

/// Assesses every line as if nothing were stored, on `jobs` threads, and tells now and then how far
/// it is. Lines are answered as they come: nothing waits for a batch to be full.
///
/// # Errors
/// If a line cannot be read or an answer not written.
pub fn assess(
    app: &App,
    mut from: impl Read,
    to: impl Write + Send,
    jobs: usize,
    told: impl FnMut(Counts) + Send,
) -> io::Result<Counts> {
    let jobs = jobs.max(1);
    // What is under way is bounded by both queues; whoever reads ahead waits.
    let (work, todo) = sync_channel::<(Batch, SyncSender<Answers>)>(jobs);
    let (promised, answers) = sync_channel::<Receiver<Answers>>(2 * jobs);
    let todo = Mutex::new(todo);
    let next = || todo.lock().unwrap_or_else(PoisonError::into_inner).recv().ok();
    std::thread::scope(|scope| {
        let working: Vec<_> = (0..jobs)
            .map(|_| {
                scope.spawn(|| {
                    while let Some((batch, to)) = next() {
                        // Nobody waits for it once writing has failed.
                        let _ = to.send(batch.answer(|| true, |line| app.assess(line)));
                    }
                })
            })
            .collect();
        let writing = scope.spawn(move || write(&answers, to, told));
        let read = read(&mut from, |batch| {
            let (done, answer) = sync_channel(1);
            promised.send(answer).is_ok() && work.send((batch, done)).is_ok()
        });
        drop((work, promised));
        let written = writing.join();
        // A panic of ours is not answered with a half-written file.
        let fallen = working.into_iter().map(|w| w.join()).filter(Result::is_err).count();
        let panicked = || io::Error::other("an assessment panicked");
        let counts = written.map_err(|_| panicked())??;
        read?;
        if fallen == 0 { Ok(counts) } else { Err(panicked()) }
    })
}

/// Reads lines for as long as they are taken.
fn read(from: &mut impl Read, mut take: impl FnMut(Batch) -> bool) -> io::Result<()> {
    let (mut splitter, mut chunk, mut ended) = (Splitter::default(), vec![0; CHUNK], false);
    while !ended {
        let count = match from.read(&mut chunk) {
            Err(e) if e.kind() == io::ErrorKind::Interrupted => continue,
            count => count?,
        };
        ended = count == 0;
        let mut rest = &chunk[..count];
        if ended {
            splitter.end();
        }
        loop {
            rest = splitter.push(rest);
            let Some(batch) = splitter.take() else { break };
            if !take(batch) {
                return Ok(());
            }
        }
    }
    Ok(())
}

/// Writes answers in the order in which they were promised.
fn write(
    answers: &Receiver<Receiver<Answers>>,
    mut to: impl Write,
    mut told: impl FnMut(Counts),
) -> io::Result<Counts> {
    let mut counts = Counts::default();
    loop {
        let promised = match answers.try_recv() {
            Ok(promised) => promised,
            Err(TryRecvError::Disconnected) => break,
            Err(TryRecvError::Empty) => {
                // Whoever waits for an answer before saying more has it.
                to.flush()?;
                match answers.recv() {
                    Ok(promised) => promised,
                    Err(_) => break,
                }
            }
        };
        let found = promised.recv().map_err(|_| io::Error::other("an assessment panicked"))?;
        to.write_all(&found.text)?;
        counts.assessed += found.counts.assessed;
        counts.refused += found.counts.refused;
        told(counts);
    }
    to.flush()?;
    Ok(counts)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::Value;
    use std::io::BufRead as _;
    use steelyard_model::facts::Book;
    use steelyard_model::pack::Pack;

    fn answers(input: &[u8], jobs: usize) -> (Vec<Value>, Counts) {
        let app = App::new(Pack::builtin(), Book::default()).unwrap();
        let mut out = Vec::new();
        let counts = assess(&app, input, &mut out, jobs, |_| ()).unwrap();
        let lines = out.split(|b| *b == b'\n').filter(|l| !l.is_empty());
        (lines.map(|l| serde_json::from_slice(l).unwrap()).collect(), counts)
    }

    #[test]
    fn every_line_has_its_answer_in_its_place() {
        let mut input: Vec<u8> = Vec::new();
        for i in 0..300 {
            let line = match i % 7 {
                3 => "{\"observations\": [".into(),
                5 => format!("{{\"id\": \"l-{i}\", \"prise\": 1, \"observations\": []}}"),
                _ => format!("{{\"id\": \"l-{i}\", \"observations\": []}}"),
            };
            input.extend_from_slice(line.as_bytes());
            input.extend_from_slice(if i % 2 == 0 { b"\n" } else { b"\r\n" });
        }
        let (one, counts) = answers(&input, 1);
        for (i, answer) in one.iter().enumerate() {
            match i % 7 {
                3 => assert_eq!((&answer["status"], &answer["line"]), (&400.into(), &(i + 1).into())),
                5 => assert_eq!(answer["errors"][0]["pointer"], "/prise"),
                _ => assert_eq!(answer["listing"], format!("l-{i}")),
            }
        }
        assert_eq!((one.len(), counts.assessed, counts.refused), (300, 214, 86));
        assert_eq!(answers(&input, 4).0, one);
    }

    /// The lines of an input that comes in these parts.
    fn cut(parts: &[&[u8]]) -> Vec<(u64, Option<Vec<u8>>)> {
        let (mut splitter, mut lines) = (Splitter::default(), Vec::new());
        let mut taken = |splitter: &mut Splitter| {
            let Some(batch) = splitter.take() else { return };
            assert!(batch.bytes.len() <= FULL_BYTES + MOST_BYTES + 1, "{}", batch.bytes.len());
            lines.extend(batch.lines().map(|(number, line)| (number, line.map(<[u8]>::to_vec))));
        };
        for part in parts {
            let mut rest = *part;
            while !rest.is_empty() {
                rest = splitter.push(rest);
                taken(&mut splitter);
            }
        }
        splitter.end();
        taken(&mut splitter);
        lines
    }

    fn piece() -> impl Strategy<Value = Vec<u8>> {
        let end = prop_oneof![Just("\n"), Just("\r\n"), Just("\r"), Just("\n\n"), Just(" \n"), Just("")];
        let text = prop_oneof![
            8 => "[a-z\"{}ü]{0,12}".boxed(),
            1 => (MOST_BYTES - 2..MOST_BYTES + 3).prop_map(|n| "x".repeat(n)).boxed(),
        ];
        (text, end).prop_map(|(text, end)| (text + end).into_bytes())
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 200, ..ProptestConfig::default() })]

        #[test]
        fn any_split_gives_the_same_lines(
            pieces in prop::collection::vec(piece(), 0..40),
            cuts in prop::collection::vec(any::<prop::sample::Index>(), 0..30),
        ) {
            let input = pieces.concat();
            // What the rules say, by the standard library and of the whole input at once.
            let mut wanted = Vec::new();
            for (i, line) in input.split(|b| *b == b'\n').enumerate() {
                let line = line.strip_suffix(b"\r").unwrap_or(line);
                if line.len() > MOST_BYTES {
                    wanted.push((i as u64 + 1, None));
                } else if !line.trim_ascii().is_empty() {
                    wanted.push((i as u64 + 1, Some(line.to_vec())));
                }
            }
            prop_assert_eq!(&cut(&[&input]), &wanted);
            let mut at: Vec<usize> = cuts.iter().map(|c| c.index(input.len() + 1)).chain([0, input.len()]).collect();
            at.sort_unstable();
            let parts: Vec<&[u8]> = at.windows(2).map(|w| &input[w[0]..w[1]]).collect();
            prop_assert_eq!(&cut(&parts), &wanted);
        }
    }

    #[test]
    fn who_waits_for_an_answer_before_the_next_line_has_it() {
        let app = App::new(Pack::builtin(), Book::default()).unwrap();
        let (mut ours, theirs) = std::io::pipe().unwrap();
        let (answers, mut to_us) = std::io::pipe().unwrap();
        std::thread::scope(|scope| {
            let counts = scope.spawn(move || assess(&app, &mut ours, &mut to_us, 2, |_| ()).unwrap());
            let (mut theirs, mut answers) = (theirs, std::io::BufReader::new(answers).lines());
            for id in ["one", "two"] {
                writeln!(theirs, "{{\"id\": \"{id}\", \"observations\": [], \"include\": []}}").unwrap();
                let answer: Value = serde_json::from_str(&answers.next().unwrap().unwrap()).unwrap();
                assert_eq!(answer["listing"], id);
            }
            drop(theirs);
            assert_eq!(counts.join().unwrap(), Counts { assessed: 2, refused: 0 });
        });
    }

    #[test]
    fn no_more_is_read_once_nobody_takes_the_answers() {
        struct Gone;
        impl Write for Gone {
            fn write(&mut self, _: &[u8]) -> io::Result<usize> {
                Err(io::ErrorKind::BrokenPipe.into())
            }
            fn flush(&mut self) -> io::Result<()> {
                Ok(())
            }
        }
        let app = App::new(Pack::builtin(), Book::default()).unwrap();
        let line = b"{\"observations\": [], \"include\": []}\n";
        let mut input = io::Cursor::new(line.repeat(200_000));
        let refused = assess(&app, &mut input, Gone, 2, |_| ());
        assert_eq!(refused.unwrap_err().kind(), io::ErrorKind::BrokenPipe);
        assert!(input.position() < 2 * 1024 * 1024, "{} bytes read", input.position());
    }

    #[test]
    fn a_line_that_is_too_long_is_refused_and_the_next_is_answered() {
        let mut input = vec![b' '; MOST_BYTES];
        input.extend_from_slice(b"{\"observations\": []}\n\n{\"id\": \"next\", \"observations\": []}");
        let (found, counts) = answers(&input, 2);
        assert_eq!((&found[0]["status"], &found[0]["line"]), (&413.into(), &1.into()));
        assert_eq!(found[1]["listing"], "next");
        assert_eq!(counts, Counts { assessed: 1, refused: 1 });
    }
}

//! Requests as lines of JSON (NDJSON) into answers as lines, in the same order.
//!
//! A line that does not fit is answered with a problem on its own line, which names the line, and
//! the rest goes on. Lines end in LF or CRLF; empty ones are skipped.

use crate::app::App;
use crate::body::MOST_BYTES;
use crate::problem::{Problem, TOO_LARGE};
use serde::Serialize;
use std::io::{self, BufRead, Read as _, Write};

/// Lines worked on at a time by each job: enough to keep it busy, few enough to stay small.
const BATCH: usize = 64;

/// What became of the lines.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Lines answered with an assessment.
    pub assessed: u64,
    /// Lines answered with a problem.
    pub refused: u64,
}

#[derive(Serialize)]
struct OfLine<'a> {
    /// Counted from 1, empty lines included.
    line: u64,
    #[serde(flatten)]
    problem: &'a Problem,
}

/// Assesses every line as if nothing were stored, `jobs` at a time, and tells after each batch how
/// far it is. Memory does not grow with the number of lines.
///
/// # Errors
/// If a line cannot be read or an answer not written.
pub fn assess(
    app: &App,
    mut from: impl BufRead,
    mut to: impl Write,
    jobs: usize,
    mut told: impl FnMut(Counts),
) -> io::Result<Counts> {
    let jobs = jobs.max(1);
    let (mut counts, mut number, mut ended) = (Counts::default(), 0, false);
    while !ended {
        let mut batch: Vec<(u64, Vec<u8>)> = Vec::with_capacity(jobs * BATCH);
        while batch.len() < jobs * BATCH {
            let Some(line) = line(&mut from)? else {
                ended = true;
                break;
            };
            number += 1;
            if !line.iter().all(u8::is_ascii_whitespace) {
                batch.push((number, line));
            }
        }
        let share = batch.len().div_ceil(jobs).max(1);
        let answers = std::thread::scope(|scope| {
            let working: Vec<_> = batch
                .chunks(share)
                .map(|lines| {
                    scope.spawn(move || lines.iter().map(|(n, line)| answer(app, *n, line)).collect::<Vec<_>>())
                })
                .collect();
            // A panic of ours is not answered with a half-written file.
            let ended = working.into_iter().map(|w| w.join().map_err(|_| io::Error::other("an assessment panicked")));
            ended.collect::<io::Result<Vec<_>>>()
        })?;
        for (fits, answer) in answers.into_iter().flatten() {
            to.write_all(&answer)?;
            to.write_all(b"\n")?;
            *(if fits { &mut counts.assessed } else { &mut counts.refused }) += 1;
        }
        told(counts);
    }
    to.flush()?;
    Ok(counts)
}

/// The answer to one line, and whether it is an assessment.
fn answer(app: &App, number: u64, line: &[u8]) -> (bool, Vec<u8>) {
    let found = if line.len() > MOST_BYTES {
        Err(Problem::new(TOO_LARGE, format!("a line may hold {MOST_BYTES} bytes")))
    } else {
        app.assess(line)
    };
    match &found {
        Ok(assessment) => (true, serde_json::to_vec(assessment).unwrap_or_default()),
        Err(problem) => (false, serde_json::to_vec(&OfLine { line: number, problem }).unwrap_or_default()),
    }
}

/// The next line without its end; of one that is too long only so much that this is seen.
fn line(from: &mut impl BufRead) -> io::Result<Option<Vec<u8>>> {
    let mut line = Vec::new();
    let most = MOST_BYTES as u64 + 2;
    if from.by_ref().take(most).read_until(b'\n', &mut line)? == 0 {
        return Ok(None);
    }
    if line.last() == Some(&b'\n') {
        line.pop();
        if line.last() == Some(&b'\r') {
            line.pop();
        }
        return Ok(Some(line));
    }
    // The rest of a line that is too long is passed over.
    while line.len() as u64 == most {
        let buffer = from.fill_buf()?;
        if buffer.is_empty() {
            break;
        }
        let end = buffer.iter().position(|b| *b == b'\n');
        let used = end.map_or(buffer.len(), |i| i + 1);
        from.consume(used);
        if end.is_some() {
            break;
        }
    }
    Ok(Some(line))
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;
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

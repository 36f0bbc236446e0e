//! Outcomes as they are sent: what must hold of one, and reading many from CSV or NDJSON.
//!
//! A file is one header of columns and a line for each outcome, or a JSON object a line. A line
//! that does not fit is refused by itself; only what spoils the whole file, such as a column that
//! there is not, refuses all of it.
//!
//! ```
//! use steelyard::outcomes::{Format, lines};
//! use steelyard_model::pack::Pack;
//!
//! let file = b"listing,story,component:movement\nlot-381,composite,donor\nlot-382,original,\n";
//! let lines = lines(&Pack::builtin(), Format::Csv, file).unwrap();
//! let first = lines[0].body.as_ref().unwrap();
//! assert_eq!((lines[0].number, &first["components"]["movement"]), (2, &"donor".into()));
//! assert_eq!(lines[1].body.as_ref().unwrap().get("components"), None);
//! ```

use crate::listing::{amount, currency};
use crate::problem::{FaultAt, pointer_to};
use crate::strict_json;
use crate::wire::stored::{OutcomeBody, RefusedLine};
use csv::{ByteRecord, Position, Trim};
use jiff::{SignedDuration, Timestamp};
use serde_json::{Map, Value, json};
use std::collections::HashSet;
use std::io::Cursor;
use steelyard_model::pack::{METAL, Pack, nearest};

/// How a file of outcomes is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Comma-separated values with a header (RFC 4180), or parted by semicolons.
    Csv,
    /// A JSON object a line.
    Ndjson,
}

impl Format {
    /// By the first character: no column begins with a brace.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        match without_mark(bytes).iter().find(|b| !b.is_ascii_whitespace()) {
            Some(b'{') => Self::Ndjson,
            _ => Self::Csv,
        }
    }
}

/// A line of a file, as a body or why it is none.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Counts from 1; a CSV header is line 1.
    pub number: u64,
    /// The outcome as JSON, not checked yet.
    pub body: Result<Value, String>,
}

/// A line that was read: its number and the outcome, or why it is refused.
pub type ReadLine = Result<(u64, OutcomeBody), RefusedLine>;

/// The columns of a CSV that hold text as it stands in the body.
const TEXTS: [&str; 5] = ["listing", "found_at", "story", "how", "note"];
/// The columns that must be there.
const NEEDED: [&str; 2] = ["listing", "story"];
/// The columns that hold amounts, each beside one of its currency.
const AMOUNTS: [&str; 2] = ["paid", "sold"];
/// Nothing is found out in the future, but clocks and time zones differ.
const CLOCKS_DIFFER: SignedDuration = SignedDuration::from_hours(24);
/// The most columns of a CSV, some times those that there are; the most faults of its header that are
/// named; and how much of a name is shown.
const MOST_COLUMNS: usize = 1_000;
const MOST_FAULTS: usize = 50;
const LONGEST_SHOWN: usize = 100;
const COMPONENT: &str = "component:";
const SIGN: &str = "sign:";

/// The lines of a file, in order; empty ones are passed over.
///
/// # Errors
/// Every fault of a CSV's header.
pub fn lines(pack: &Pack, format: Format, bytes: &[u8]) -> Result<Vec<Line>, Vec<String>> {
    let bytes = without_mark(bytes);
    match format {
        Format::Csv => csv_lines(pack, bytes),
        Format::Ndjson => Ok(json_lines(bytes)),
    }
}

/// Reads outcomes from a file, each with its line. `read` holds a body against its schema and the
/// model.
///
/// # Errors
/// Every fault of a CSV's header.
pub fn read_lines(
    pack: &Pack,
    format: Format,
    bytes: &[u8],
    read: impl Fn(Value) -> Result<OutcomeBody, Vec<FaultAt>>,
) -> Result<Vec<ReadLine>, Vec<String>> {
    let place = |pointer: &str| match format {
        Format::Csv => column_of(pointer),
        Format::Ndjson => pointer.to_owned(),
    };
    let said = |f: FaultAt| match place(&f.pointer) {
        place if place.is_empty() => f.detail,
        place => format!("{place}: {}", f.detail),
    };
    let refused = |line, faults: Vec<FaultAt>| RefusedLine {
        line,
        detail: faults.into_iter().map(said).collect::<Vec<_>>().join("; "),
    };
    let read = |Line { number, body }| match body {
        Ok(body) => {
            let certainty = certainty_cell(format, &body);
            read(body).map(|body| (number, body)).map_err(|mut faults| {
                if let Some(cell) = certainty {
                    let faults = faults.iter_mut().filter(|f| f.pointer == "/certainty");
                    faults.for_each(|f| f.detail = no_number(&cell));
                }
                refused(number, faults)
            })
        }
        Err(detail) => Err(RefusedLine { line: number, detail }),
    };
    Ok(lines(pack, format, bytes)?.into_iter().map(read).collect())
}

/// The certainty in a CSV that is no number.
fn certainty_cell(format: Format, body: &Value) -> Option<String> {
    body.get("certainty").and_then(Value::as_str).filter(|_| format == Format::Csv).map(str::to_owned)
}

fn no_number(cell: &str) -> String {
    let with_point = cell.replacen(',', ".", 1);
    match with_point.parse::<f64>() {
        Ok(number) if number.is_finite() && cell != with_point => {
            format!("`{cell}` has a comma: decimals have a point, as in {with_point}")
        }
        _ => format!("`{cell}` is no number from 0.2 to 1, such as 0.9"),
    }
}

/// Every fault of meaning in an outcome of the right shape.
#[must_use]
pub fn faults(pack: &Pack, body: &OutcomeBody) -> Vec<FaultAt> {
    let data = pack.data();
    let mut faults = Vec::new();
    let mut fault = |pointer: String, detail: String| faults.push(FaultAt::new(pointer, detail));
    match body.found_at.as_ref().map(|t| t.parse::<Timestamp>()) {
        Some(Err(_)) => fault("/found_at".into(), "not a time in RFC 3339, such as 2026-11-24T21:00:00Z".into()),
        Some(Ok(at)) => {
            let now = Timestamp::now();
            if at.duration_since(now) > CLOCKS_DIFFER {
                fault("/found_at".into(), format!("in the future: it is {now:.0} now"));
            }
        }
        None => {}
    }
    if pack.story(&body.story).is_none() {
        let near = nearest(&body.story, data.stories.iter().map(|s| s.id.as_str()));
        fault("/story".into(), format!("there is no story `{}`{near}", body.story));
    }
    for (name, state) in &body.components {
        let at = pointer_to("/components", name);
        let Some(k) = pack.component(name) else {
            let near = nearest(name, data.components.iter().map(|c| c.id.as_str()));
            fault(at, format!("there is no component `{name}`{near}"));
            continue;
        };
        let states: Vec<&str> = if name == METAL {
            data.components[k].states.iter().map(|s| s.id.as_str()).collect()
        } else {
            pack.public_states(k).map(|s| data.states[s].id.as_str()).collect()
        };
        if !states.contains(&state.as_str()) {
            fault(at, format!("must be one of {}", states.join(", ")));
        }
    }
    for (i, name) in body.signs.keys().enumerate() {
        let Some(sign) = pack.sign(name) else {
            fault(pointer_to("/signs", name), format!("there is no sign `{name}`{}", pack.nearest_sign(name)));
            continue;
        };
        let mut before = body.signs.keys().take(i);
        if let Some(other) = before.find(|b| pack.sign(b).is_some_and(|b| pack.signs()[sign].excludes.contains(&b))) {
            fault(pointer_to("/signs", name), format!("the same question as `{other}`: judge only one of them"));
        }
    }
    for (pointer, money) in [("/paid", &body.paid), ("/sold", &body.sold)] {
        if let Some(money) = money {
            faults.extend(currency(pointer, money).and_then(|c| amount(pointer, money, c)).err());
        }
    }
    faults
}

fn json_lines(bytes: &[u8]) -> Vec<Line> {
    let lines = (1..).zip(bytes.split(|b| *b == b'\n'));
    let full = lines.filter(|(_, line)| !line.iter().all(u8::is_ascii_whitespace));
    full.map(|(number, line)| {
        let said = |f: FaultAt| if f.pointer.is_empty() { f.detail } else { format!("{}: {}", f.pointer, f.detail) };
        Line { number, body: strict_json::parse(line).map_err(said) }
    })
    .collect()
}

fn csv_lines(pack: &Pack, bytes: &[u8]) -> Result<Vec<Line>, Vec<String>> {
    let delimiter = delimiter(bytes);
    let mut reader = csv::ReaderBuilder::new();
    reader.flexible(true).has_headers(false).trim(Trim::All).delimiter(delimiter);
    let mut reader = reader.from_reader(Cursor::new(bytes));
    let mut record = ByteRecord::new();
    // Reading bytes from memory does not fail, and lines may have any number of cells.
    let failed = |e: csv::Error| vec![e.to_string()];
    let mut columns: Option<Vec<String>> = None;
    let mut lines = Vec::new();
    let (mut at, mut number) = (0, 1);
    loop {
        let begin = at + bytes[at..].iter().take_while(|b| matches!(b, b'\r' | b'\n')).count();
        number += breaks(&bytes[at..begin]);
        if begin == bytes.len() {
            break;
        }
        // Before the reader, which takes any quote as it stands and all that follows one that is not closed.
        let sound = record_length(&bytes[begin..], delimiter);
        match (&columns, sound) {
            (None, Err(fault)) => return Err(vec![format!("the header cannot be read: {fault}")]),
            (Some(_), Err(fault)) => {
                lines.push(Line { number, body: Err(fault.into()) });
                // Nobody knows where such a record ends: the next line is read by itself.
                at = memchr::memchr2(b'\r', b'\n', &bytes[begin..]).map_or(bytes.len(), |end| begin + end);
                let mut next = Position::new();
                next.set_byte(at as u64).set_line(number);
                reader.seek(next).map_err(failed)?;
            }
            (known, Ok(length)) => {
                reader.read_byte_record(&mut record).map_err(failed)?;
                match known {
                    Some(columns) => lines.push(Line { number, body: cells(columns, &record) }),
                    None => columns = Some(header(pack, &record)?),
                }
                at = begin + length;
                number += breaks(&bytes[begin..at]);
            }
        }
    }
    if columns.is_none() {
        return Err(vec!["there is no header with the names of the columns".into()]);
    }
    Ok(lines)
}

fn breaks(bytes: &[u8]) -> u64 {
    memchr::memchr_iter(b'\n', bytes).count() as u64
}

/// The length of the record that bytes begin with, if it is one of RFC 4180: quotes open at a cell's
/// beginning, close at its end, and stand for themselves only doubled.
fn record_length(bytes: &[u8], delimiter: u8) -> Result<usize, &'static str> {
    enum At {
        Begin,
        Plain,
        Quoted,
        /// After a quote in a quoted cell: its end, or the first of two.
        Quote,
        After,
    }
    let mut at = At::Begin;
    for (i, &byte) in bytes.iter().enumerate() {
        at = match (at, byte) {
            (At::Quoted, b'"') => At::Quote,
            (At::Quoted, _) => At::Quoted,
            (_, b'\r' | b'\n') => return Ok(i),
            (_, b) if b == delimiter => At::Begin,
            (At::Begin | At::Quote, b'"') => At::Quoted,
            (At::Plain, b'"') => {
                return Err("a quote inside a cell: quote the whole cell, and write its quotes twice (RFC 4180)");
            }
            (At::Begin | At::Plain, _) => At::Plain,
            // Spaces around a cell are no part of it.
            (At::Quote | At::After, b' ' | b'\t') => At::After,
            (At::Quote | At::After, _) => {
                return Err("text after the quote that ends a cell: quotes inside are written twice (RFC 4180)");
            }
        };
    }
    match at {
        At::Quoted => Err("a quote is opened and never closed (RFC 4180)"),
        _ => Ok(bytes.len()),
    }
}

/// What parts the cells: where a header holds semicolons and no comma, as spreadsheets write where
/// decimals have a comma, it can be nothing else, since no column's name holds either.
fn delimiter(bytes: &[u8]) -> u8 {
    let header = bytes.split(|b| matches!(b, b'\r' | b'\n')).find(|line| !line.is_empty()).unwrap_or_default();
    if header.contains(&b';') && !header.contains(&b',') { b';' } else { b',' }
}

/// The names of the columns.
fn header(pack: &Pack, record: &ByteRecord) -> Result<Vec<String>, Vec<String>> {
    if record.len() > MOST_COLUMNS {
        return Err(vec![format!("{} columns, where there may be {MOST_COLUMNS}", record.len())]);
    }
    let columns: Vec<String> = record.iter().map(|c| String::from_utf8_lossy(c).into_owned()).collect();
    let mut faults = header_faults(pack, &columns);
    if faults.len() > MOST_FAULTS {
        let more = faults.len() - MOST_FAULTS;
        faults.truncate(MOST_FAULTS);
        faults.push(format!("and {more} faults more"));
    }
    if faults.is_empty() { Ok(columns) } else { Err(faults) }
}

fn header_faults(pack: &Pack, columns: &[String]) -> Vec<String> {
    let currencies = AMOUNTS.map(|a| format!("{a}_currency"));
    let plain = || TEXTS.into_iter().chain(["certainty"]).chain(AMOUNTS).chain(currencies.iter().map(String::as_str));
    let components = || pack.data().components.iter().map(|c| c.id.as_str());
    let mut faults = Vec::new();
    let mut seen = HashSet::new();
    for column in columns {
        let shown: String = column.chars().take(LONGEST_SHOWN).collect();
        if !seen.insert(column) {
            faults.push(format!("the column `{shown}` stands twice"));
        } else if let Some(name) = column.strip_prefix(COMPONENT) {
            if pack.component(name).is_none() {
                let named = &shown[COMPONENT.len()..];
                faults
                    .push(format!("column `{shown}`: there is no component `{named}`{}", nearest(name, components())));
            }
        } else if let Some(name) = column.strip_prefix(SIGN) {
            if pack.sign(name).is_none() {
                let named = &shown[SIGN.len()..];
                faults.push(format!("column `{shown}`: there is no sign `{named}`{}", pack.nearest_sign(name)));
            }
        } else if !plain().any(|c| c == column) {
            let meant = if components().any(|c| c == column) {
                format!(", did you mean `{COMPONENT}{column}`?")
            } else if pack.sign(column).is_some() {
                format!(", did you mean `{SIGN}{column}`?")
            } else if column.contains(['\t', ';']) {
                ": commas part the columns, or semicolons alone".to_owned()
            } else {
                nearest(column, plain())
            };
            faults.push(format!("there is no column `{shown}`{meant}"));
        }
    }
    let missing = NEEDED.iter().filter(|n| !columns.iter().any(|c| c == *n));
    faults.extend(missing.map(|n| format!("the column `{n}` must be there")));
    faults
}

/// One line's cells as a body; what is empty is not known.
fn cells(columns: &[String], record: &ByteRecord) -> Result<Value, String> {
    if record.len() != columns.len() {
        return Err(format!("{} cells where the header has {}", record.len(), columns.len()));
    }
    let mut body = Map::new();
    for (column, cell) in columns.iter().zip(record) {
        let cell = std::str::from_utf8(cell).map_err(|_| format!("{column}: not UTF-8"))?;
        if cell.is_empty() {
            continue;
        }
        let (member, inner) = match column.split_once(':') {
            Some(("component", name)) => ("components", Some(name)),
            Some(("sign", name)) => ("signs", Some(name)),
            _ => match column.strip_suffix("_currency") {
                Some(amount) => (amount, Some("currency")),
                None if AMOUNTS.contains(&column.as_str()) => (column.as_str(), Some("amount")),
                None => (column.as_str(), None),
            },
        };
        match inner {
            Some(inner) => body.entry(member).or_insert_with(|| json!({}))[inner] = cell.into(),
            None if member == "certainty" => {
                // What is no number, or none of JSON, is left for the schema to name.
                let number = cell.parse::<f64>().ok().filter(|n| n.is_finite());
                body.insert(member.into(), number.map_or(cell.into(), Value::from));
            }
            None => {
                body.insert(member.into(), cell.into());
            }
        }
    }
    Ok(Value::Object(body))
}

/// The column that a place in a body is read from.
fn column_of(pointer: &str) -> String {
    let mut tokens = pointer.split('/').skip(1);
    match (tokens.next(), tokens.next()) {
        (Some("components"), Some(name)) => format!("{COMPONENT}{name}"),
        (Some("signs"), Some(name)) => format!("{SIGN}{name}"),
        (Some(amount), Some("currency")) => format!("{amount}_currency"),
        (Some(column), _) => column.into(),
        (None, _) => String::new(),
    }
}

/// Without a byte order mark.
fn without_mark(bytes: &[u8]) -> &[u8] {
    bytes.strip_prefix("\u{feff}".as_bytes()).unwrap_or(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn csv(text: &str) -> Result<Vec<Line>, Vec<String>> {
        lines(&Pack::builtin(), Format::Csv, text.as_bytes())
    }

    /// RFC 4180: lines end in CRLF, a quoted cell may hold commas, quotes and line breaks.
    #[test]
    fn lines_are_counted_as_an_editor_counts_them() {
        let numbers = |text: &str| csv(text).unwrap().iter().map(|l| l.number).collect::<Vec<_>>();
        assert_eq!(numbers("listing,story\na,fake\n\n\nb,fake\n"), [2, 5]);
        assert_eq!(numbers("listing,story\r\na,fake\r\n\r\nb,fake"), [2, 4]);
        assert_eq!(numbers("listing,story,note\na,fake,\"one\ntwo, \"\"three\"\"\"\nb,fake,\n"), [2, 4]);
        assert_eq!(numbers("\u{feff}listing,story\na,fake\n"), [2]);
    }

    /// As spreadsheets write where decimals have a comma. Commas are then a cell's own.
    #[test]
    fn semicolons_part_cells_where_the_header_has_no_comma() {
        let lines = csv("\u{feff}listing;story;note;certainty\r\na;fake;one, two;0,9\r\nb;fake;\"1;2\";\r\n").unwrap();
        let bodies: Vec<Value> = lines.into_iter().map(|l| l.body.unwrap()).collect();
        assert_eq!(bodies[0], json!({ "listing": "a", "story": "fake", "note": "one, two", "certainty": "0,9" }));
        assert_eq!(bodies[1], json!({ "listing": "b", "story": "fake", "note": "1;2" }));
        for mixed in ["listing;story,note\na;fake,n\n", "listing\tstory\na\tfake\n"] {
            let faults = csv(mixed).unwrap_err();
            assert!(faults[0].ends_with(": commas part the columns, or semicolons alone"), "{faults:?}");
        }
        // A comma-separated line may hold semicolons.
        let lines = csv("listing,story,note\na,fake,one; two\n").unwrap();
        assert_eq!(lines[0].body.as_ref().unwrap()["note"], "one; two");
    }

    #[test]
    fn a_certainty_that_is_no_number_is_named_as_it_stands() {
        let said = |cell: &str| {
            let file = format!("listing,story,certainty\na,fake,\"{cell}\"\n");
            let read = |_| Err(vec![FaultAt::new("/certainty", "not of type")]);
            let mut lines = read_lines(&Pack::builtin(), Format::Csv, file.as_bytes(), read).unwrap();
            lines.remove(0).unwrap_err().detail
        };
        assert_eq!(said("0,9"), "certainty: `0,9` has a comma: decimals have a point, as in 0.9");
        // Not a number is no number, and left out it would be certain.
        for cell in ["high", "90%", "nan", "inf", "0,9,9", ","] {
            assert_eq!(said(cell), format!("certainty: `{cell}` is no number from 0.2 to 1, such as 0.9"));
        }
        // Of a number there is something else to say.
        assert_eq!(said("0.1"), "certainty: not of type");
    }

    #[test]
    fn an_empty_cell_is_not_known() {
        let lines = csv(
            "listing,story,certainty,paid,paid_currency,sign:crown_unsigned,note\na,fake,0.9,12.50,EUR,present,\nb,fake,,,,,\n",
        );
        let bodies: Vec<Value> = lines.unwrap().into_iter().map(|l| l.body.unwrap()).collect();
        assert_eq!(
            bodies,
            [
                json!({ "listing": "a", "story": "fake", "certainty": 0.9,
                    "paid": { "amount": "12.50", "currency": "EUR" }, "signs": { "crown_unsigned": "present" } }),
                json!({ "listing": "b", "story": "fake" }),
            ]
        );
    }

    #[test]
    fn every_fault_of_a_header_is_named() {
        let faults = csv("listing,stori,note,note,component:dail,sign:crown_unsined\n").unwrap_err();
        assert_eq!(
            faults,
            [
                "there is no column `stori`, did you mean `story`?",
                "the column `note` stands twice",
                "column `component:dail`: there is no component `dail`, did you mean `dial`?",
                "column `sign:crown_unsined`: there is no sign `crown_unsined`, did you mean `crown_unsigned`?",
                "the column `story` must be there",
            ]
        );
        assert_eq!(
            csv("listing,story,movement,crown_unsigned\n").unwrap_err(),
            [
                "there is no column `movement`, did you mean `component:movement`?",
                "there is no column `crown_unsigned`, did you mean `sign:crown_unsigned`?",
            ]
        );
        assert_eq!(csv("").unwrap_err().len(), 1);
    }

    /// RFC 4180, section 2, rules 5 to 7.
    #[test]
    fn a_line_whose_quotes_are_wrong_is_refused_and_the_next_is_read() {
        let read = |text: &str| -> Vec<(u64, Result<Option<String>, bool>)> {
            let note = |body: Value| body.get("note").map(|n| n.as_str().unwrap().to_owned());
            let faulty = |fault: String| fault.contains("RFC 4180");
            csv(text).unwrap().into_iter().map(|l| (l.number, l.body.map(note).map_err(faulty))).collect()
        };
        let good = |number, note: &str| (number, Ok(Some(note.to_owned())));
        let bad = |number| (number, Err(true));
        for end in ["\n", "\r\n"] {
            let file = |lines: &[&str]| read(&[&["listing,story,note"], lines].concat().join(end));
            assert_eq!(file(&["a,fake,\"open", "b,fake,x", "c,fake,y"]), [bad(2), good(3, "x"), good(4, "y")]);
            assert_eq!(file(&["a,fake,\"one\"two", "b,fake,x"]), [bad(2), good(3, "x")]);
            assert_eq!(file(&["a,fake,\"open", "b,fake,\"x\"", ""]), [bad(2), good(3, "x")]);
            assert_eq!(file(&["a,fake,11\" strap", "", "b,fake,\"11\"\" strap\" "]), [bad(2), good(4, "11\" strap")]);
            assert_eq!(file(&["a,fake, \"x\"", "b,fake,\"\"\"\""]), [bad(2), good(3, "\"")]);
            let lines = format!("one{end}two, \"three\"");
            assert_eq!(file(&["a,fake,\"one", "two, \"\"three\"\"\"", "b,fake,x"]), [good(2, &lines), good(4, "x")]);
        }
        assert_eq!(csv("listing,\"story\na,fake\n").unwrap_err().len(), 1);
        // Every line is looked at a few times at most, however the quotes stand.
        for line in ["x\",\"\n", "\"a\"b,\"\n", "\"\n", "\"\"\"\n", ",\"\n"] {
            let many = format!("listing,story\n{}", line.repeat(200_000));
            assert!(csv(&many).unwrap().len() >= 99_999, "{line}");
        }
    }

    #[test]
    fn a_header_of_very_many_columns_is_one_fault_and_of_many_faults_the_first_are_named() {
        let columns = |n: usize| (0..n).map(|i| format!("c{i}")).collect::<Vec<_>>().join(",");
        assert_eq!(csv(&columns(1_000_000)).unwrap_err(), ["1000000 columns, where there may be 1000"]);
        let faults = csv(&columns(MOST_COLUMNS)).unwrap_err();
        assert_eq!((faults.len(), faults[MOST_FAULTS].as_str()), (MOST_FAULTS + 1, "and 952 faults more"));
        assert!(csv(&format!("sign:{}", "x".repeat(1_000_000))).unwrap_err().concat().len() < 1_000);
    }

    #[test]
    fn a_certainty_that_is_no_number_of_json_is_left_as_it_stands() {
        for none in ["NaN", "inf", "-inf", "1e999", "infinity"] {
            let lines = csv(&format!("listing,story,certainty\na,fake,{none}\n")).unwrap();
            assert_eq!(lines[0].body.as_ref().unwrap()["certainty"], none);
        }
    }

    #[test]
    fn a_file_is_known_by_its_first_character() {
        assert_eq!(Format::of(b"listing,story\n"), Format::Csv);
        assert_eq!(Format::of("\u{feff}\n {\"listing\"".as_bytes()), Format::Ndjson);
    }
}

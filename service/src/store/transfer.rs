//! Everything a user put in, as NDJSON lines, and back.
//!
//! ```text
//! {"kind":"export","format":1}
//! {"kind":"seller",…} …  listing, past_request, outcome, reference, calibre, calibration, model,
//!                     activation, feed, feed_item
//! {"kind":"end","lines":42}
//! ```
//!
//! The order is fixed and nothing depends on the engine or on revisions, so that the export of an
//! import is the same to the byte. Assessments are not in it: they are made anew. Outcomes follow in
//! the order of recording, which alone says what supersedes what. Of models and calibrations, those
//! go along that came from the user's outcomes: models made by calibration, calibrations done. A feed is
//! due again after an import, however its last polls went; what it last said of its items goes along, so
//! that the next poll finds the same unchanged and the user's own changes again.

use super::columns::{Columns as _, time_text};
use super::feeds::read_feed;
use super::sound::{self, Said, Sound};
use super::{BookPart, CalibrationState, Counter, Engine, Error, FeedItem, NewFeed, Status, Store, Write};
use crate::feed::{Every, Format};
use crate::memory::feed_seller;
use crate::wire::feed::FeedDefaults;
use futures_util::TryStreamExt as _;
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use sqlx::any::{AnyQueryResult, AnyRow};
use sqlx::{Any, AssertSqlSafe, Transaction};
use tokio::sync::mpsc;

/// Lines that wait for their reader.
const AHEAD: usize = 64;
/// The most characters of a feed's id.
const MOST_FEED_CHARS: usize = 100;
/// The format that this program writes and reads.
const FORMAT: u32 = 1;

/// What came of an import.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct ImportReport {
    /// Lines that were kept.
    pub accepted: u64,
    /// Lines that were not.
    pub refused: Vec<Refused>,
    /// Whether the last line came: without it, the export was cut off.
    pub whole: bool,
}

/// A line that was not kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// Counted from 1.
    pub line: u64,
    /// Why.
    pub detail: String,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct HeadLine {
    kind: String,
    format: u32,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct EndLine {
    kind: String,
    lines: u64,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct SellerLine {
    kind: String,
    id: String,
    segment: Option<String>,
    feedback: Option<Box<RawValue>>,
    note: Option<String>,
    created_at: Timestamp,
    updated_at: Timestamp,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ListingLine {
    kind: String,
    id: String,
    status: Status,
    seller: Option<String>,
    serial: Option<String>,
    photos: Vec<String>,
    saved_at: Timestamp,
    updated_at: Timestamp,
    request: Box<RawValue>,
}

/// A request that a listing had before; of one listing in their order.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PastRequestLine {
    kind: String,
    listing: String,
    seller: Option<String>,
    updated_at: Timestamp,
    request: Box<RawValue>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct OutcomeLine {
    kind: String,
    id: String,
    listing: String,
    seller: Option<String>,
    recorded_at: Timestamp,
    found_at: Timestamp,
    outcome: Box<RawValue>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct BookLine {
    kind: String,
    maker: String,
    name: String,
    updated_at: Timestamp,
    entry: Box<RawValue>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct CalibrationLine {
    kind: String,
    id: String,
    version: Option<String>,
    created_at: Timestamp,
    updated_at: Timestamp,
    params: Box<RawValue>,
    report: Option<Box<RawValue>>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ModelLine {
    kind: String,
    version: String,
    digest: String,
    calibration: String,
    created_at: Timestamp,
    model: Box<RawValue>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ActivationLine {
    kind: String,
    version: String,
    at: Timestamp,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FeedLine {
    kind: String,
    id: String,
    url: Option<String>,
    format: Format,
    every_s: Option<u32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    defaults: Option<Box<RawValue>>,
    created_at: Timestamp,
}

/// What a feed last said of an item.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FeedItemLine {
    kind: String,
    feed: String,
    item: String,
    digest: String,
    seller: Option<String>,
    request: Box<RawValue>,
}

/// How the rows of a kind become lines.
type ToLine = fn(&AnyRow) -> Result<String, Error>;

/// Each kind in its order: its statement and its line.
fn sections(engine: Engine) -> [(String, ToLine); 10] {
    let photos = engine.json_array_of();
    [
        ("SELECT * FROM sellers WHERE account = $1 ORDER BY id".into(), seller_line as ToLine),
        (
            format!(
                "SELECT l.*, CAST((SELECT {photos}(p.digest) FROM listing_photos p
                     WHERE p.account = l.account AND p.listing = l.id) AS TEXT) AS photos
                 FROM listings l WHERE l.account = $1 ORDER BY l.id"
            ),
            listing_line,
        ),
        ("SELECT * FROM past_requests WHERE account = $1 ORDER BY listing, last_revision".into(), past_request_line),
        ("SELECT * FROM outcomes WHERE account = $1 ORDER BY number".into(), outcome_line),
        ("SELECT * FROM book WHERE account = $1 ORDER BY part DESC, maker, name".into(), book_line),
        ("SELECT * FROM calibrations WHERE account = $1 AND state = 'done' ORDER BY id".into(), calibration_line),
        (
            "SELECT * FROM models WHERE account = $1 AND calibration IS NOT NULL ORDER BY created_at, version".into(),
            model_line,
        ),
        ("SELECT * FROM activations WHERE account = $1 ORDER BY number".into(), activation_line),
        ("SELECT * FROM feeds WHERE account = $1 ORDER BY id".into(), feed_line),
        ("SELECT * FROM feed_items WHERE account = $1 ORDER BY feed, item".into(), feed_item_line),
    ]
}

impl Store {
    /// An account's lines, without their ends, as of one moment. They are read while they are
    /// taken: only a few wait in memory. After an error, and if the last line is not the `end`, the
    /// export is not whole.
    #[must_use]
    pub fn export(&self, account: &str) -> mpsc::Receiver<Result<String, Error>> {
        let (lines, taken) = mpsc::channel(AHEAD);
        let (store, account) = (self.clone(), account.to_owned());
        tokio::spawn(async move {
            if let Err(error) = store.send_lines(&account, &lines).await {
                // A reader that went away needs no reason.
                let _ = lines.send(Err(error)).await;
            }
        });
        taken
    }

    async fn send_lines(&self, account: &str, lines: &mpsc::Sender<Result<String, Error>>) -> Result<(), Error> {
        let mut tx: Transaction<'_, Any> = self.reads.begin_with(self.engine.begin_snapshot()).await?;
        let mut count = 0;
        if lines.send(json(&HeadLine { kind: "export".into(), format: FORMAT })).await.is_err() {
            return Ok(());
        }
        for (sql, line) in sections(self.engine) {
            let mut rows = sqlx::query(AssertSqlSafe(sql)).bind(account).fetch(&mut *tx);
            while let Some(row) = rows.try_next().await? {
                if lines.send(Ok(line(&row)?)).await.is_err() {
                    return Ok(());
                }
                count += 1;
            }
        }
        let _ = lines.send(json(&EndLine { kind: "end".into(), lines: count })).await;
        Ok(())
    }

    /// Begins an import into an account that holds nothing yet.
    ///
    /// # Errors
    /// A conflict if it holds something; or if the database fails.
    pub async fn import(&self, account: &str) -> Result<Import, Error> {
        let mut write = self.write(account).await?;
        for (sql, _) in sections(self.engine) {
            let row = sqlx::query(AssertSqlSafe(sql)).bind(account).fetch_optional(&mut *write.tx).await?;
            if row.is_some() {
                return Err(Error::conflict("only an account that holds nothing yet can be imported into"));
            }
        }
        Ok(Import { write, sound: Sound::new()?, line: 0, stage: Stage::Head, report: ImportReport::default() })
    }
}

/// An import under way: one transaction, line by line. Dropped before [`Import::commit`], it leaves
/// nothing behind.
#[derive(Debug)]
pub struct Import {
    write: Write,
    sound: Sound,
    line: u64,
    stage: Stage,
    report: ImportReport,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stage {
    Head,
    Body,
    End,
}

/// Why a line was not kept: the line's fault, or the database's, which ends the import.
enum Stop {
    Refused(String),
    Failed(Error),
}

impl From<Error> for Stop {
    fn from(error: Error) -> Self {
        Self::Failed(error)
    }
}

impl From<sqlx::Error> for Stop {
    fn from(error: sqlx::Error) -> Self {
        Self::Failed(error.into())
    }
}

impl Import {
    /// Takes the next line. A line that does not fit is refused in the report; empty ones pass.
    ///
    /// # Errors
    /// If the first line is not that of an export, as [`Error::is_no_export`] says; or if the database fails.
    pub async fn line(&mut self, text: impl AsRef<[u8]>) -> Result<(), Error> {
        self.line += 1;
        let text = text.as_ref().trim_ascii_end();
        if text.trim_ascii().is_empty() {
            return Ok(());
        }
        let taken = match std::str::from_utf8(text) {
            _ if self.stage == Stage::Head => return self.head(text),
            Ok(text) => self.take(text).await,
            Err(e) => Err(Stop::Refused(format!("it is not UTF-8: {e}"))),
        };
        match taken {
            Ok(()) => {}
            Err(Stop::Refused(detail)) => self.report.refused.push(Refused { line: self.line, detail }),
            Err(Stop::Failed(error)) => return Err(error),
        }
        Ok(())
    }

    /// Keeps what was accepted.
    ///
    /// # Errors
    /// If nothing came, or if the database fails.
    pub async fn commit(mut self) -> Result<ImportReport, Error> {
        if self.stage == Stage::Head {
            return Err(no_export());
        }
        self.report.whole = self.stage == Stage::End;
        self.write.supersede(0).await?;
        self.write.commit().await?;
        Ok(self.report)
    }

    /// The first line.
    fn head(&mut self, text: &[u8]) -> Result<(), Error> {
        let head: HeadLine =
            serde_json::from_slice(text).ok().filter(|h: &HeadLine| h.kind == "export").ok_or_else(no_export)?;
        if head.format != FORMAT {
            let message = format!("the export's format {} is not {FORMAT}, the one known here", head.format);
            return Err(Error::no_export(message));
        }
        self.stage = Stage::Body;
        Ok(())
    }

    async fn take(&mut self, text: &str) -> Result<(), Stop> {
        #[derive(Deserialize)]
        struct Kind {
            kind: String,
        }
        let kind = parse::<Kind>(text)?.kind;
        match (self.stage, kind.as_str()) {
            (Stage::End, _) => return Err(Stop::Refused("it follows the line of kind end".into())),
            (Stage::Body, "end") => {
                self.stage = Stage::End;
                let (told, seen) = (parse::<EndLine>(text)?.lines, self.seen());
                if told != seen {
                    return Err(Stop::Refused(format!("{told} lines were written and {seen} came")));
                }
                return Ok(());
            }
            _ => {}
        }
        let kept = match kind.as_str() {
            "seller" => self.write.import_seller(&parse(text)?, &self.sound).await?,
            "listing" => self.write.import_listing(&parse(text)?, &self.sound).await?,
            "past_request" => self.write.import_past_request(&parse(text)?, self.line, &self.sound).await?,
            "outcome" => self.write.import_outcome(&parse(text)?, &self.sound).await?,
            "reference" => self.write.import_entry(BookPart::Reference, &parse(text)?, &self.sound).await?,
            "calibre" => self.write.import_entry(BookPart::Calibre, &parse(text)?, &self.sound).await?,
            "calibration" => self.write.import_calibration(&parse(text)?, &self.sound).await?,
            "model" => self.write.import_model(&parse(text)?).await?,
            "activation" => {
                let line: ActivationLine = parse(text)?;
                sound::name(&line.version).map_err(Stop::Refused)?;
                self.write.add_activation(&line.version, line.at).await?;
                true
            }
            "feed" => self.write.import_feed(&parse(text)?).await?,
            "feed_item" => self.write.import_feed_item(&parse(text)?).await?,
            other => return Err(Stop::Refused(format!("{other:?} is no kind of line"))),
        };
        if !kept {
            return Err(Stop::Refused("it repeats an earlier line's id".into()));
        }
        self.report.accepted += 1;
        Ok(())
    }

    fn seen(&self) -> u64 {
        self.report.accepted + self.report.refused.len() as u64
    }
}

/// Each keeps a line and says so, or finds its id taken.
impl Write {
    async fn import_seller(&mut self, line: &SellerLine, sound: &Sound) -> Result<bool, Stop> {
        sound::name(&line.id).map_err(Stop::Refused)?;
        let feedback = line.feedback.as_deref().map(RawValue::get);
        sound.seller(line.segment.as_deref(), feedback, line.note.as_deref()).map_err(Stop::Refused)?;
        plain(&[&line.id, line.segment.as_deref().unwrap_or_default(), line.note.as_deref().unwrap_or_default()])?;
        Ok(inserted(
            &sqlx::query(
                "INSERT INTO sellers (account, id, revision, segment, feedback, note, created_at, updated_at)
                 VALUES ($1, $2, $3, $4, $5, $6, $7, $8) ON CONFLICT DO NOTHING",
            )
            .bind(&self.account)
            .bind(&line.id)
            .bind(self.revision)
            .bind(&line.segment)
            .bind(feedback)
            .bind(&line.note)
            .bind(time_text(line.created_at))
            .bind(time_text(line.updated_at))
            .execute(&mut *self.tx)
            .await?,
        ))
    }

    /// What the request says of itself is read from it: by these a seller is forgotten and a watch found.
    async fn import_listing(&mut self, line: &ListingLine, sound: &Sound) -> Result<bool, Stop> {
        sound::name(&line.id).map_err(Stop::Refused)?;
        let Said { status, seller, serial, photos } =
            sound.request(&line.id, line.request.get()).map_err(Stop::Refused)?;
        plain(&[seller.as_deref().unwrap_or_default()])?;
        photos.iter().try_for_each(|digest| plain(&[digest]))?;
        let done = sqlx::query(
            "INSERT INTO listings
                 (account, id, first_revision, revision, status, request, seller, serial, saved_at, updated_at)
             VALUES ($1, $2, $3, $3, $4, $5, $6, $7, $8, $9) ON CONFLICT DO NOTHING",
        )
        .bind(&self.account)
        .bind(&line.id)
        .bind(self.revision)
        .bind(status.as_str())
        .bind(line.request.get())
        .bind(seller)
        .bind(serial)
        .bind(time_text(line.saved_at))
        .bind(time_text(line.updated_at))
        .execute(&mut *self.tx)
        .await?;
        if inserted(&done) {
            self.put_photos(&line.id, &photos).await?;
        }
        Ok(inserted(&done))
    }

    /// Before every revision of this account, in the order of the lines.
    async fn import_past_request(&mut self, line: &PastRequestLine, number: u64, sound: &Sound) -> Result<bool, Stop> {
        sound::name(&line.listing).map_err(Stop::Refused)?;
        let Said { seller, .. } = sound.request(&line.listing, line.request.get()).map_err(Stop::Refused)?;
        plain(&[seller.as_deref().unwrap_or_default()])?;
        if self.listing_revision(&line.listing).await?.is_none() {
            return Err(Stop::Refused(format!("there is no listing {:?} before it", line.listing)));
        }
        Ok(inserted(
            &sqlx::query(
                "INSERT INTO past_requests (account, listing, last_revision, seller, updated_at, request)
                 VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT DO NOTHING",
            )
            .bind(&self.account)
            .bind(&line.listing)
            .bind(i64::MIN.saturating_add_unsigned(number))
            .bind(seller)
            .bind(time_text(line.updated_at))
            .bind(line.request.get())
            .execute(&mut *self.tx)
            .await?,
        ))
    }

    async fn import_outcome(&mut self, line: &OutcomeLine, sound: &Sound) -> Result<bool, Stop> {
        [Some(&line.id), Some(&line.listing), line.seller.as_ref()]
            .into_iter()
            .flatten()
            .try_for_each(|n| sound::name(n).map_err(Stop::Refused))?;
        sound.outcome(&line.listing, line.outcome.get()).map_err(Stop::Refused)?;
        // The seller is the listing's; of one that is gone the outcome alone remembers it.
        let listed = sqlx::query("SELECT seller FROM listings WHERE account = $1 AND id = $2")
            .bind(&self.account)
            .bind(&line.listing)
            .fetch_optional(&mut *self.tx)
            .await?;
        let seller = match listed {
            Some(row) => row.text_or_null("seller")?,
            None => line.seller.clone(),
        };
        let taken = sqlx::query("SELECT 1 FROM outcomes WHERE account = $1 AND id = $2")
            .bind(&self.account)
            .bind(&line.id)
            .fetch_optional(&mut *self.tx)
            .await?;
        if taken.is_some() {
            return Ok(false);
        }
        let number = self.count_on(Counter::Outcome, 1).await? + 1;
        sqlx::query(
            "INSERT INTO outcomes (account, number, id, revision, listing, seller, recorded_at, found_at, body)
             VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        )
        .bind(&self.account)
        .bind(number)
        .bind(&line.id)
        .bind(self.revision)
        .bind(&line.listing)
        .bind(seller)
        .bind(time_text(line.recorded_at))
        .bind(time_text(line.found_at))
        .bind(line.outcome.get())
        .execute(&mut *self.tx)
        .await?;
        Ok(true)
    }

    async fn import_entry(&mut self, part: BookPart, line: &BookLine, sound: &Sound) -> Result<bool, Stop> {
        let (maker, name) = sound.entry(part, line.entry.get()).map_err(Stop::Refused)?;
        plain(&[&maker, &name])?;
        self.move_force().await?;
        Ok(inserted(
            &sqlx::query(
                "INSERT INTO book (account, part, maker, name, revision, body, updated_at)
                 VALUES ($1, $2, $3, $4, $5, $6, $7) ON CONFLICT DO NOTHING",
            )
            .bind(&self.account)
            .bind(part.as_str())
            .bind(maker)
            .bind(name)
            .bind(self.revision)
            .bind(line.entry.get())
            .bind(time_text(line.updated_at))
            .execute(&mut *self.tx)
            .await?,
        ))
    }

    async fn import_calibration(&mut self, line: &CalibrationLine, sound: &Sound) -> Result<bool, Stop> {
        sound::name(&line.id).map_err(Stop::Refused)?;
        line.version.as_deref().map_or(Ok(()), sound::name).map_err(Stop::Refused)?;
        let report = line.report.as_deref().map(RawValue::get);
        sound.calibration(line.params.get(), report).map_err(Stop::Refused)?;
        Ok(inserted(
            &sqlx::query(
                "INSERT INTO calibrations
                     (account, id, state, params, progress, report, version, cancel_requested, created_at, updated_at)
                 VALUES ($1, $2, $3, $4, 1, $5, $6, 0, $7, $8) ON CONFLICT DO NOTHING",
            )
            .bind(&self.account)
            .bind(&line.id)
            .bind(CalibrationState::Done.as_str())
            .bind(line.params.get())
            .bind(report)
            .bind(&line.version)
            .bind(time_text(line.created_at))
            .bind(time_text(line.updated_at))
            .execute(&mut *self.tx)
            .await?,
        ))
    }

    async fn import_model(&mut self, line: &ModelLine) -> Result<bool, Stop> {
        [&line.version, &line.calibration].into_iter().try_for_each(|n| sound::name(n).map_err(Stop::Refused))?;
        sound::model(&line.version, &line.digest, line.model.get()).map_err(Stop::Refused)?;
        self.move_force().await?;
        Ok(inserted(
            &sqlx::query(
                "INSERT INTO models (account, version, digest, body, calibration, created_at)
                 VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT DO NOTHING",
            )
            .bind(&self.account)
            .bind(&line.version)
            .bind(&line.digest)
            .bind(line.model.get())
            .bind(&line.calibration)
            .bind(time_text(line.created_at))
            .execute(&mut *self.tx)
            .await?,
        ))
    }

    async fn import_feed(&mut self, line: &FeedLine) -> Result<bool, Stop> {
        let FeedLine { id, url, format, every_s, defaults, created_at, .. } = line;
        let defaults = defaults.as_deref().map(RawValue::get);
        let url = url.as_deref();
        sound::name(id).map_err(Stop::Refused)?;
        if id.chars().count() > MOST_FEED_CHARS {
            // The names of its listings begin with it.
            return Err(Stop::Refused(format!("a feed's id has at most {MOST_FEED_CHARS} characters")));
        }
        plain(&[url.unwrap_or_default()])?;
        if url.is_some() != every_s.is_some() {
            return Err(Stop::Refused("a feed has url and every_s, or neither".into()));
        }
        every_s.map(Every::seconds).transpose().map_err(|e| Stop::Refused(e.to_string()))?;
        if let Some(Err(e)) = defaults.map(serde_json::from_str::<FeedDefaults>) {
            return Err(Stop::Refused(format!("its defaults do not fit: {}", said(&e))));
        }
        let feed = NewFeed { id, url, format: *format, every_s: *every_s, defaults, at: *created_at };
        match self.add_feed(&feed).await {
            Err(e) if e.is_conflict() => Ok(false),
            added => Ok(added.map(|()| true)?),
        }
    }

    async fn import_feed_item(&mut self, line: &FeedItemLine) -> Result<bool, Stop> {
        let FeedItemLine { feed, item, digest, request, .. } = line;
        sound::name(item).map_err(Stop::Refused)?;
        sound::object(request.get()).map_err(Stop::Refused)?;
        plain(&[feed, digest])?;
        let item = FeedItem {
            feed: feed.clone(),
            item: item.clone(),
            digest: digest.clone(),
            request: request.get().to_owned(),
        };
        let seller = feed_seller(&item);
        plain(&[seller.as_deref().unwrap_or_default()])?;
        match self.put_feed_item(&item, seller.as_deref()).await {
            Err(e) if e.is_not_found() => Err(Stop::Refused(format!("there is no feed {feed:?} before it"))),
            kept => Ok(kept.map(|()| true)?),
        }
    }
}

fn inserted(done: &AnyQueryResult) -> bool {
    done.rows_affected() > 0
}

fn parse<'a, T: Deserialize<'a>>(text: &'a str) -> Result<T, Stop> {
    serde_json::from_str(text).map_err(|e| Stop::Refused(said(&e)))
}

/// What is wrong with a line: of its place only the column says anything.
fn said(e: &serde_json::Error) -> String {
    let text = e.to_string();
    match text.rsplit_once(" at line ") {
        Some((what, _)) => format!("{what} at column {}", e.column()),
        None => text,
    }
}

fn no_export() -> Error {
    Error::no_export(format!(
        r#"this is no export of steelyard: the first line must be {{"kind":"export","format":{FORMAT}}}"#
    ))
}

/// PostgreSQL's text cannot hold the character NUL.
fn plain(texts: &[&str]) -> Result<(), Stop> {
    match texts.iter().find(|text| text.contains('\0')) {
        Some(text) => Err(Stop::Refused(format!("{text:?} holds the character NUL"))),
        None => Ok(()),
    }
}

fn json(line: &impl Serialize) -> Result<String, Error> {
    serde_json::to_string(line).map_err(|e| Error::corrupt(e.to_string()))
}

/// Stored JSON on one line: outside strings a line break is but white space, inside it is escaped.
fn raw(text: String) -> Result<Box<RawValue>, Error> {
    RawValue::from_string(text.replace(['\n', '\r'], " ")).map_err(|e| Error::corrupt(format!("stored JSON: {e}")))
}

fn raw_or_null(text: Option<String>) -> Result<Option<Box<RawValue>>, Error> {
    text.map(raw).transpose()
}

fn seller_line(row: &AnyRow) -> Result<String, Error> {
    json(&SellerLine {
        kind: "seller".into(),
        id: row.text("id")?,
        segment: row.text_or_null("segment")?,
        feedback: raw_or_null(row.text_or_null("feedback")?)?,
        note: row.text_or_null("note")?,
        created_at: row.time("created_at")?,
        updated_at: row.time("updated_at")?,
    })
}

fn listing_line(row: &AnyRow) -> Result<String, Error> {
    let photos = row.text_or_null("photos")?.unwrap_or_else(|| "[]".into());
    let mut photos: Vec<String> =
        serde_json::from_str(&photos).map_err(|e| Error::corrupt(format!("photos {photos}: {e}")))?;
    photos.sort();
    json(&ListingLine {
        kind: "listing".into(),
        id: row.text("id")?,
        status: Status::read(&row.text("status")?)?,
        seller: row.text_or_null("seller")?,
        serial: row.text_or_null("serial")?,
        photos,
        saved_at: row.time("saved_at")?,
        updated_at: row.time("updated_at")?,
        request: raw(row.text("request")?)?,
    })
}

fn past_request_line(row: &AnyRow) -> Result<String, Error> {
    json(&PastRequestLine {
        kind: "past_request".into(),
        listing: row.text("listing")?,
        seller: row.text_or_null("seller")?,
        updated_at: row.time("updated_at")?,
        request: raw(row.text("request")?)?,
    })
}

fn outcome_line(row: &AnyRow) -> Result<String, Error> {
    json(&OutcomeLine {
        kind: "outcome".into(),
        id: row.text("id")?,
        listing: row.text("listing")?,
        seller: row.text_or_null("seller")?,
        recorded_at: row.time("recorded_at")?,
        found_at: row.time("found_at")?,
        outcome: raw(row.text("body")?)?,
    })
}

fn book_line(row: &AnyRow) -> Result<String, Error> {
    json(&BookLine {
        kind: row.text("part")?,
        maker: row.text("maker")?,
        name: row.text("name")?,
        updated_at: row.time("updated_at")?,
        entry: raw(row.text("body")?)?,
    })
}

fn calibration_line(row: &AnyRow) -> Result<String, Error> {
    json(&CalibrationLine {
        kind: "calibration".into(),
        id: row.text("id")?,
        version: row.text_or_null("version")?,
        created_at: row.time("created_at")?,
        updated_at: row.time("updated_at")?,
        params: raw(row.text("params")?)?,
        report: raw_or_null(row.text_or_null("report")?)?,
    })
}

fn model_line(row: &AnyRow) -> Result<String, Error> {
    json(&ModelLine {
        kind: "model".into(),
        version: row.text("version")?,
        digest: row.text("digest")?,
        calibration: row.text("calibration")?,
        created_at: row.time("created_at")?,
        model: raw(row.text("body")?)?,
    })
}

fn feed_line(row: &AnyRow) -> Result<String, Error> {
    let feed = read_feed(row)?;
    json(&FeedLine {
        kind: "feed".into(),
        id: feed.id,
        url: feed.url,
        format: feed.format,
        every_s: feed.every_s,
        defaults: raw_or_null(feed.defaults)?,
        created_at: feed.created_at,
    })
}

fn feed_item_line(row: &AnyRow) -> Result<String, Error> {
    json(&FeedItemLine {
        kind: "feed_item".into(),
        feed: row.text("feed")?,
        item: row.text("item")?,
        digest: row.text("digest")?,
        seller: row.text_or_null("seller")?,
        request: raw(row.text("request")?)?,
    })
}

fn activation_line(row: &AnyRow) -> Result<String, Error> {
    json(&ActivationLine { kind: "activation".into(), version: row.text("version")?, at: row.time("at")? })
}

//! Why: the account of one assessment in decibans.
//!
//! The entries are the additive shares of `steelyard_model::shares`. Every bar starts at zero, so that
//! entries are compared with each other; only the sum at the end is their total.

use super::{
    BODY, FAINT_INK, GRID, HEADLINE, INK, LIGHT, MARGIN, Px, SMALL, WIDTH, clipped, hatching, line, percent, picture,
    signed, words, wrapped,
};
use crate::wire::request::CallKind;
use crate::wire::response::{Assessment, Source, Weighed};
use maud::{Markup, html};
use std::ops::Range;

/// Shares under this many decibans are summed in one row where there are several.
const SMALL_SHARE_DB: f64 = 0.1;

/// The axis reaches at least this far both ways, so that little evidence looks like little.
const LEAST_REACH_DB: f64 = 5.0;

const ACCOUNT_TOP: f64 = 204.0;

/// Where the labels end, where the figures end, and where the bars stand.
const LABELS_END: f64 = 346.0;
const FIGURES_END: f64 = 418.0;
const BARS: Range<f64> = 438.0..WIDTH - MARGIN;
const BAR_HEIGHT: f64 = 24.0;

/// What has to stand under an assessment, however it is shown.
const CAUTION: &str = "An estimate from photographs, no expert opinion.";

/// A longer label or note is cut short; the description holds it whole.
const MOST_LINES: usize = 3;

const HATCHING: &str = "evidence-hatching";

/// An entry of the account.
struct Row {
    label: String,
    note: String,
    db: f64,
}

impl Row {
    fn new(label: impl Into<String>, note: impl Into<String>, db: f64) -> Self {
        Self { label: label.into(), note: note.into(), db }
    }

    fn of(call: &Weighed) -> Option<Self> {
        let answer = match call.call {
            CallKind::Present => "yes",
            CallKind::Absent => "no",
        };
        let note = match (call.from, &call.because) {
            (Source::Observed, _) => "observed".into(),
            (Source::Derived, None) => "derived".into(),
            (Source::Derived, Some(because)) => format!("derived: {because}"),
        };
        Some(Self::new(format!("{}:\u{a0}{answer}", readable(&call.sign)), note, call.share_db?))
    }

    /// What the bar is called and filled by: which way it speaks.
    fn way(&self) -> &'static str {
        if self.db > 0.0 { "for" } else { "against" }
    }

    fn labels(&self) -> Vec<String> {
        lines(&self.label, BODY)
    }

    fn notes(&self) -> Vec<String> {
        lines(&self.note, SMALL)
    }

    fn height(&self) -> f64 {
        self.labels().len() as f64 * 1.2 * BODY + self.notes().len() as f64 * 1.2 * SMALL + 10.0
    }
}

/// An id in words: `crown_unsigned` is "Crown unsigned".
fn readable(id: &str) -> String {
    let mut letters = id.chars().map(|c| if c == '_' { ' ' } else { c });
    letters.next().map(|first| first.to_uppercase().chain(letters).collect()).unwrap_or_default()
}

/// Text broken to the width of the labels, cut short where it would not end.
fn lines(text: &str, size: f64) -> Vec<String> {
    let mut lines = wrapped(text, LABELS_END - MARGIN, size);
    if lines.len() > MOST_LINES {
        lines.truncate(MOST_LINES);
        if let Some(last) = lines.last_mut() {
            last.push('…');
        }
    }
    lines
}

/// Prior first, what moved it most next, what moved it least as one sum, posterior last.
fn rows(a: &Assessment) -> Option<Vec<Row>> {
    let odds = &a.log_odds_db;
    // A call that the caller's own outranks weighs nothing.
    let counted = a.evidence.iter().filter(|e| e.overruled_by.is_none());
    let mut shares: Vec<Row> = counted.map(Row::of).collect::<Option<_>>()?;
    // Exactly zero: there was no price, or no calibration.
    let price = Row::new("Asking price", "compared with the value given", odds.price?);
    let recalibration = Row::new("Recalibration", "from outcomes found before", odds.recalibration);
    shares.extend([price, recalibration].into_iter().filter(|r| r.db != 0.0));
    shares.sort_by(|x, y| y.db.abs().total_cmp(&x.db.abs()));
    let few = shares.partition_point(|r| r.db.abs() >= SMALL_SHARE_DB);
    if shares.len() - few > 1 {
        let others = shares.split_off(few);
        let sum = others.iter().map(|r| r.db).sum();
        shares.push(Row::new(format!("{} others", others.len()), "each under 0.1 dB", sum));
    }
    let p = &a.probability;
    let prior = format!("before the watch was looked at: {}", percent(p.prior_bad));
    let posterior = format!("everything added up: {}", percent(p.bad));
    let mut rows = vec![Row::new("Prior", prior, odds.prior)];
    rows.append(&mut shares);
    rows.push(Row::new("Posterior", posterior, odds.posterior));
    Some(rows)
}

/// The account of an assessment: what the prior, the price and every call contribute to the
/// log-odds of composite or fake. `None` where the assessment was made without shares.
#[must_use]
pub fn evidence(a: &Assessment) -> Option<String> {
    let rows = rows(a)?;
    let headline = format!("P(composite or fake): {}", percent(a.probability.bad));
    let range = |[low, high]: [f64; 2]| format!("{} to {}", percent(low), percent(high));
    // It is what the calls leave open: with none it would say that all is known.
    let interval = a.probability.interval_90.filter(|_| a.evidence.iter().any(|e| e.overruled_by.is_none()));
    let interval = interval.map(|i| format!("90 % interval from the model's numbers: {}", range(i)));
    let rate = &a.seller.bad_rate;
    let seller =
        format!("Rate among the seller's watches: {}, 90 % interval {}", percent(rate.mean), range(rate.interval_90));
    let of = a.listing.as_ref().map_or_else(String::new, |id| format!("Listing {id}, "));
    let of = format!("{of}model {}", a.model.version);

    let axis = Axis::over(rows.iter().map(|r| r.db));
    let mut tops = vec![ACCOUNT_TOP];
    for row in &rows {
        tops.push(tops[tops.len() - 1] + row.height());
    }
    let bottom = tops[rows.len()] + 10.0;
    let last = rows.len() - 1;
    let parts = html! {
        defs { (hatching(HATCHING)) }
        text x=(Px(MARGIN)) y="54" font-size=(Px(HEADLINE)) font-weight="bold" { (headline) }
        @if let Some(interval) = &interval { (words(MARGIN, 84.0, BODY, interval)) }
        (words(MARGIN, 112.0, BODY, &seller))
        (words(MARGIN, 138.0, SMALL, &clipped(&of, WIDTH - 2.0 * MARGIN, SMALL)))
        (legend(180.0))
        (axis.grid(ACCOUNT_TOP, bottom))
        @for (i, row) in rows[..last].iter().enumerate() { (entry(row, tops[i], &axis, i == 0)) }
        (line((MARGIN, tops[last] + 2.0), (BARS.end, tops[last] + 2.0), INK, 2.0))
        (entry(&rows[last], tops[last] + 8.0, &axis, true))
        (axis.zero(ACCOUNT_TOP, bottom))
        (axis.labels(bottom))
    };
    let said: Vec<String> = rows.iter().map(|r| format!("{}, {}: {}", r.label, r.note, signed(r.db))).collect();
    let title = interval.map_or_else(|| headline.clone(), |i| format!("{headline}, {i}"));
    let description = format!(
        "{of}. {seller}. What speaks for composite or fake (plus) and against it (minus), in decibans, rounded to 0.1. {}.",
        said.join("; ")
    );
    Some(picture("evidence", &title, &description, bottom + 5.0 * SMALL, &parts, CAUTION))
}

fn legend(y: f64) -> Markup {
    let sample = |x: f64, way: &str| bar(x, y - 15.0, 34.0, 18.0, way, 1.0);
    html! {
        g class="legend" {
            (sample(MARGIN, "against"))
            (words(MARGIN + 44.0, y, BODY, "speaks against"))
            (sample(BARS.start - 190.0, "for"))
            (words(BARS.start - 146.0, y, BODY, "speaks for \u{201c}composite or fake\u{201d}"))
        }
    }
}

fn bar(x: f64, y: f64, width: f64, height: f64, way: &str, outline: f64) -> Markup {
    let fill = if way == "for" { format!("url(#{HATCHING})") } else { LIGHT.into() };
    html! {
        rect class=(way) x=(Px(x)) y=(Px(y)) width=(Px(width)) height=(Px(height)) fill=(fill) stroke=(INK)
            stroke-width=(Px(outline)) {}
    }
}

/// Label, figure and bar; the two ends of the account stand out by weight.
fn entry(row: &Row, y: f64, axis: &Axis, end: bool) -> Markup {
    let (weight, outline) = if end { ("bold", 2.5) } else { ("normal", 1.2) };
    let (labels, notes) = (row.labels(), row.notes());
    let first = y + 1.3 * BODY;
    let after = first + (labels.len() - 1) as f64 * 1.2 * BODY;
    let (from, to) = (axis.at(row.db.min(0.0)), axis.at(row.db.max(0.0)));
    html! {
        g class={ "row " (row.way()) } {
            @for (i, label) in labels.iter().enumerate() {
                @let y = first + i as f64 * 1.2 * BODY;
                text x=(Px(MARGIN)) y=(Px(y)) font-size=(Px(BODY)) font-weight=(weight) { (label) }
            }
            @for (i, note) in notes.iter().enumerate() {
                @let y = after + (i + 1) as f64 * 1.2 * SMALL;
                text x=(Px(MARGIN)) y=(Px(y)) font-size=(Px(SMALL)) fill=(FAINT_INK) { (note) }
            }
            text class="figure" x=(Px(FIGURES_END)) y=(Px(first)) font-size=(Px(BODY)) font-weight=(weight)
                text-anchor="end" { (signed(row.db)) }
            (bar(from, first - 0.36 * BODY - BAR_HEIGHT / 2.0, to - from, BAR_HEIGHT, row.way(), outline))
        }
    }
}

/// Decibans across the width of the bars.
struct Axis {
    low: f64,
    high: f64,
    step: f64,
}

impl Axis {
    /// Wide enough for every figure, with at most eight steps of a round size.
    fn over(figures: impl Iterator<Item = f64> + Clone) -> Self {
        let low = figures.clone().fold(-LEAST_REACH_DB, f64::min);
        let high = figures.fold(LEAST_REACH_DB, f64::max);
        let rough = (high - low) / 6.0;
        let power = 10_f64.powi(rough.log10().floor() as i32);
        let step = [1.0, 2.0, 5.0, 10.0].map(|m| m * power).into_iter().find(|s| *s >= rough).unwrap_or(rough);
        Self { low: (low / step).floor() * step, high: (high / step).ceil() * step, step }
    }

    fn at(&self, db: f64) -> f64 {
        BARS.start + (db - self.low) / (self.high - self.low) * (BARS.end - BARS.start)
    }

    fn ticks(&self) -> impl Iterator<Item = f64> {
        let (first, step) = (self.low, self.step);
        (0..=((self.high - self.low) / step).round() as u32).map(move |i| first + f64::from(i) * step)
    }

    fn grid(&self, top: f64, bottom: f64) -> Markup {
        html! { @for t in self.ticks() { (line((self.at(t), top), (self.at(t), bottom), GRID, 1.0)) } }
    }

    fn zero(&self, top: f64, bottom: f64) -> Markup {
        let x = self.at(0.0);
        html! { g class="zero" { (line((x, top), (x, bottom + 6.0), INK, 2.0)) } }
    }

    fn labels(&self, y: f64) -> Markup {
        html! {
            (line((BARS.start, y), (BARS.end, y), INK, 1.0))
            @for t in self.ticks() {
                text x=(Px(self.at(t))) y=(Px(y + 1.5 * SMALL)) font-size=(Px(SMALL)) text-anchor="middle" {
                    (whole(t))
                }
            }
            text x=(Px(BARS.end)) y=(Px(y + 2.9 * SMALL)) font-size=(Px(SMALL)) text-anchor="end" {
                "decibans: +10 is ten times the odds, +3 twice"
            }
        }
    }
}

fn whole(db: f64) -> String {
    if db < 0.0 { format!("\u{2212}{}", -db) } else { db.to_string() }
}

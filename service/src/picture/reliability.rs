//! How good forecasts were: forecasts against what was found.
//!
//! The curve is the isotonic regression of outcomes on forecasts, joined by straight lines where no
//! forecast was made; the band is what it would be by chance if the forecasts were calibrated.
//! Reference: T. Dimitriadis, T. Gneiting and A. I. Jordan, PNAS 118 (2021) e2016191118 (CORP).

use super::{
    BODY, FAINT_INK, GRID, HEADLINE, INK, LIGHT, MARGIN, PAPER, Px, SMALL, WIDTH, clipped, line, percent, picture,
    words, wrapped,
};
use maud::{Markup, html};
use std::fmt::Write as _;

/// Forecasts held against what was found, as the numbers that are drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Reliability {
    /// What the forecasts are called, such as "before" or "after".
    pub label: String,
    /// How many forecasts there are.
    pub cases: u64,
    /// How many of the watches were found bad.
    pub bad: u64,
    /// The recalibrated forecasts (CORP), rising.
    pub curve: Vec<Step>,
    /// Where the curve would lie by chance alone if the forecasts were calibrated, rising in the forecast.
    pub band: Vec<Bound>,
    /// How often which forecast was made.
    pub histogram: Vec<Bin>,
    /// Scores with their names, as they are to be read.
    pub scores: Vec<(String, f64)>,
}

/// Forecasts that one rate was found for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// Lowest of these forecasts.
    pub low: f64,
    /// Highest of them.
    pub high: f64,
    /// The share that was found bad.
    pub rate: f64,
}

/// The 90 % consistency band at a forecast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// The forecast.
    pub forecast: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// How many forecasts lie between two probabilities.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bin {
    /// Lowest.
    pub low: f64,
    /// Where it ends.
    pub high: f64,
    /// How many.
    pub cases: u64,
}

const TITLE: &str = "Forecasts against what was found";
const LAST: &str = "The fewer the forecasts, the wider the band, and the less the curve can tell.";
/// Where what is said begins.
const SAYS_Y: f64 = 92.0;
/// From the key to the squares.
const KEY_HEIGHT: f64 = 124.0;
/// Room for the labels of the upward axis, and between two panels.
const LABELS: f64 = 46.0;
const GAP: f64 = 28.0;
/// The largest side of the square that holds the curve.
const LARGEST_SIDE: f64 = 440.0;
const HISTOGRAM_HEIGHT: f64 = 70.0;
/// From the square to the words below it: the axis, the histogram and its line of text.
const UNDER: f64 = 80.0 + HISTOGRAM_HEIGHT;
const LINE_HEIGHT: f64 = 1.45 * SMALL;
const TICKS: [u8; 6] = [0, 20, 40, 60, 80, 100];

/// The reliability diagram: forecast probability against observed frequency, with the consistency
/// band and a histogram of the forecasts. A second one, as of after a calibration, goes beside it, and
/// above them what is to be said of them, such as that there are too few to conclude anything.
///
/// ```
/// use steelyard::picture::{Bin, Bound, Reliability, Step, reliability};
///
/// let told = Reliability {
///     label: "before".into(),
///     cases: 10,
///     bad: 5,
///     curve: vec![Step { low: 0.1, high: 0.1, rate: 0.5 }],
///     band: vec![Bound { forecast: 0.1, low: 0.0, high: 0.3 }],
///     histogram: vec![Bin { low: 0.1, high: 0.2, cases: 10 }],
///     scores: vec![("Brier score".into(), 0.41)],
/// };
/// let svg = reliability(&told, None, Some("Ten are too few."));
/// assert!(svg.contains("10 forecasts, 5 bad") && svg.contains("Ten are too few."));
/// ```
#[must_use]
pub fn reliability(first: &Reliability, second: Option<&Reliability>, says: Option<&str>) -> String {
    let panels: Vec<&Reliability> = [Some(first), second].into_iter().flatten().collect();
    let room = (WIDTH - 2.0 * MARGIN - GAP * (panels.len() - 1) as f64) / panels.len() as f64;
    let side = (room - LABELS).min(LARGEST_SIDE);
    let said_above = says.map(|says| wrapped(says, WIDTH - 2.0 * MARGIN, SMALL)).unwrap_or_default();
    let key_y = SAYS_Y + if said_above.is_empty() { 0.0 } else { (said_above.len() as f64 + 0.6) * LINE_HEIGHT };
    let places: Vec<Square> = (0..panels.len())
        .map(|i| Square { left: MARGIN + LABELS + (room + GAP) * i as f64, top: key_y + KEY_HEIGHT, side })
        .collect();
    let lines = |p: &&Reliability| p.scores.iter().map(|(name, _)| score_name(name, side).len()).sum::<usize>();
    let lines = panels.iter().map(lines).max().unwrap_or_default() as f64;
    let parts = html! {
        text x=(Px(MARGIN)) y="54" font-size=(Px(HEADLINE)) font-weight="bold" { (TITLE) }
        @for (i, said) in said_above.iter().enumerate() {
            (words(MARGIN, SAYS_Y - 4.0 + i as f64 * LINE_HEIGHT, SMALL, said))
        }
        (key(key_y))
        @for (panel, place) in panels.iter().zip(&places) { (drawn(panel, place)) }
    };
    let said: Vec<String> = panels.iter().map(|p| said(p)).collect();
    let height = key_y + KEY_HEIGHT + side + UNDER + (lines + 2.5) * LINE_HEIGHT + SMALL;
    let says = says.map(|says| format!("{says} ")).unwrap_or_default();
    let description = format!("{says}Forecast P(composite or fake) against the share found bad. {}", said.join(" "));
    picture("reliability", TITLE, &description, height, &parts, LAST)
}

/// Where a panel's unit square stands.
struct Square {
    left: f64,
    top: f64,
    side: f64,
}

impl Square {
    fn x(&self, p: f64) -> f64 {
        self.left + self.side * p.clamp(0.0, 1.0)
    }

    fn y(&self, p: f64) -> f64 {
        self.top + self.side * (1.0 - p.clamp(0.0, 1.0))
    }

    fn bottom(&self) -> f64 {
        self.top + self.side
    }

    /// A list of points, as `polyline` and `polygon` take it.
    fn points(&self, points: impl Iterator<Item = (f64, f64)>) -> String {
        let mut text = String::new();
        for (p, q) in points {
            // Writing to a string cannot fail.
            let _ = write!(text, "{:.1},{:.1} ", self.x(p), self.y(q));
        }
        text.truncate(text.trim_end().len());
        text
    }
}

/// What each mark means.
fn key(y: f64) -> Markup {
    let sample = |row: f64| y + row * 1.5 * SMALL - 5.0;
    let text = |row: f64, said: &str| words(MARGIN + 50.0, y + row * 1.5 * SMALL, SMALL, said);
    html! {
        g class="legend" {
            (curve_line(&format!("{},{} {},{}", MARGIN, sample(0.0), MARGIN + 38.0, sample(0.0))))
            (text(0.0, "found: the share of composites and fakes (bad) among such forecasts"))
            rect class="band" x=(Px(MARGIN)) y=(Px(sample(1.0) - 7.0)) width="38" height="14" fill=(LIGHT)
                stroke=(FAINT_INK) {}
            (text(1.0, "where that would lie by chance, 9 times in 10, if the forecasts were right"))
            (diagonal((MARGIN, sample(2.0)), (MARGIN + 38.0, sample(2.0))))
            (text(2.0, "found just as forecast"))
        }
    }
}

fn curve_line(points: &str) -> Markup {
    html! {
        polyline class="curve" points=(points) fill="none" stroke=(INK) stroke-width="4" stroke-linecap="round"
            stroke-linejoin="round" {}
    }
}

fn diagonal(from: (f64, f64), to: (f64, f64)) -> Markup {
    html! {
        line class="diagonal" x1=(Px(from.0)) y1=(Px(from.1)) x2=(Px(to.0)) y2=(Px(to.1)) stroke=(INK)
            stroke-width="1.5" stroke-dasharray="7 5" {}
    }
}

fn drawn(r: &Reliability, at: &Square) -> Markup {
    let steps = r.curve.iter().flat_map(|s| [(s.low, s.rate), (s.high, s.rate)]);
    let low = r.band.iter().map(|b| (b.forecast, b.low));
    let high = r.band.iter().rev().map(|b| (b.forecast, b.high));
    let below = at.bottom() + UNDER;
    html! {
        g class="panel" {
            text x=(Px(at.left)) y=(Px(at.top - 36.0)) font-size=(Px(BODY)) font-weight="bold" {
                (clipped(&r.label, at.side, BODY))
            }
            (axes(at))
            polygon class="band" points=(at.points(low.chain(high))) fill=(LIGHT) stroke=(FAINT_INK)
                stroke-linejoin="round" {}
            (diagonal((at.x(0.0), at.y(0.0)), (at.x(1.0), at.y(1.0))))
            (curve_line(&at.points(steps)))
            (histogram(&r.histogram, at))
            text x=(Px(at.left)) y=(Px(below + 1.6 * LINE_HEIGHT)) font-size=(Px(SMALL)) font-weight="bold" {
                (counts(r))
            }
            (scores(&r.scores, at, below + 2.6 * LINE_HEIGHT))
        }
    }
}

/// A line a score, or more where its name is long.
fn scores(scores: &[(String, f64)], at: &Square, top: f64) -> Markup {
    let mut y = top;
    let mut rows = Vec::new();
    for (name, score) in scores {
        let name = score_name(name, at.side);
        let next = y + name.len() as f64 * LINE_HEIGHT;
        rows.push((y, name, format!("{score:.3}")));
        y = next;
    }
    html! {
        @for (y, name, score) in rows {
            @for (i, line) in name.iter().enumerate() {
                (words(at.left, y + i as f64 * LINE_HEIGHT, SMALL, line))
            }
            text x=(Px(at.left + at.side)) y=(Px(y)) font-size=(Px(SMALL)) text-anchor="end" { (score) }
        }
    }
}

/// The name of a score beside its figure.
fn score_name(name: &str, side: f64) -> Vec<String> {
    wrapped(name, side - 4.0 * SMALL, SMALL)
}

fn axes(at: &Square) -> Markup {
    html! {
        rect x=(Px(at.left)) y=(Px(at.top)) width=(Px(at.side)) height=(Px(at.side)) fill=(PAPER) stroke=(INK) {}
        @for t in TICKS {
            @let p = f64::from(t) / 100.0;
            (line((at.x(p), at.top), (at.x(p), at.bottom()), GRID, 1.0))
            (line((at.left, at.y(p)), (at.left + at.side, at.y(p)), GRID, 1.0))
            text x=(Px(at.x(p))) y=(Px(at.bottom() + 1.3 * SMALL)) font-size=(Px(SMALL)) text-anchor="middle" { (t) }
            text x=(Px(at.left - 8.0)) y=(Px(at.y(p) + 0.35 * SMALL)) font-size=(Px(SMALL)) text-anchor="end" { (t) }
        }
        (words(at.left, at.top - 12.0, SMALL, "found bad, %"))
        text x=(Px(at.left + at.side)) y=(Px(at.bottom() + 2.6 * SMALL)) font-size=(Px(SMALL)) text-anchor="end" {
            "forecast, %"
        }
    }
}

/// How often which forecast was made, under the axis it belongs to.
fn histogram(bins: &[Bin], at: &Square) -> Markup {
    let floor = at.bottom() + 54.0 + HISTOGRAM_HEIGHT;
    let most = bins.iter().map(|b| b.cases).max().unwrap_or(0);
    let height = |cases: u64| HISTOGRAM_HEIGHT * cases as f64 / most.max(1) as f64;
    html! {
        g class="histogram" {
            @for bin in bins.iter().filter(|b| b.cases > 0) {
                @let (x, h) = (at.x(bin.low), height(bin.cases));
                @let width = (at.x(bin.high) - x).max(0.0);
                rect x=(Px(x)) y=(Px(floor - h)) width=(Px(width)) height=(Px(h)) fill=(FAINT_INK) stroke=(PAPER) {}
            }
        }
        (line((at.left, floor), (at.left + at.side, floor), INK, 1.0))
        (words(at.left, floor + 1.3 * SMALL, SMALL, &format!("tallest bar: {most} forecasts")))
    }
}

fn counts(r: &Reliability) -> String {
    format!("{} forecasts, {} bad", r.cases, r.bad)
}

/// A panel in words.
fn said(r: &Reliability) -> String {
    let steps: Vec<String> = r
        .curve
        .iter()
        .map(|s| format!("forecast {} to {}: found {}", percent(s.low), percent(s.high), percent(s.rate)))
        .collect();
    let scores: Vec<String> = r.scores.iter().map(|(name, score)| format!("{name} {score:.3}")).collect();
    format!("{}: {}; {}; {}.", r.label, counts(r), steps.join(", "), scores.join(", "))
}

//! What an assessment rests on, and how good forecasts were, as pictures: SVG text.
//!
//! [`evidence`] is an account in decibans: prior + price + recalibration + Σ shares = posterior,
//! a bar an entry. [`reliability`] holds forecasts against what was found.
//!
//! Pattern and words carry the meaning, tone only repeats it: the pictures read the same in
//! grey. They bring their own background, ask for no font, hold no script, and point to nothing
//! outside themselves. Everything is set by attributes, not by a style sheet, since a content
//! security policy may refuse styles. The same input gives the same text.
//!
//! ```
//! use steelyard::{assess::Assessor, examples, listing::Listing, picture};
//! use steelyard_model::{facts::Book, pack::Pack};
//!
//! let pack = Pack::builtin();
//! let listing = Listing::read(&pack, &Book::default(), &examples::fresh_dial(), &[]).unwrap();
//! let answer = Assessor::new(pack)?.assess(&listing)?;
//! let svg = picture::evidence(&answer).unwrap();
//! assert!(svg.starts_with("<svg") && svg.contains("Dial too fresh"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod evidence;
mod reliability;

pub use evidence::evidence;
pub use reliability::{Bin, Bound, Reliability, Step, reliability};

use maud::{Markup, Render, html};

/// Width of a picture in its own units; a page scales it by its `viewBox`.
const WIDTH: f64 = 720.0;
const MARGIN: f64 = 28.0;

const INK: &str = "#22304a";
const FAINT_INK: &str = "#566073";
const PAPER: &str = "#fbf9f3";
const LIGHT: &str = "#d9d2c0";
const GRID: &str = "#e6e1d5";

/// Sizes of text; a phone shows the picture at half its width.
const HEADLINE: f64 = 30.0;
const BODY: f64 = 19.0;
const SMALL: f64 = 16.0;

/// The mean width of a letter as a share of the size of the text, on the wide side.
const LETTER: f64 = 0.54;

/// A length or place, to a tenth of a unit.
struct Px(f64);

impl Render for Px {
    fn render_to(&self, buffer: &mut String) {
        let tenths = (self.0 * 10.0).round() / 10.0 + 0.0;
        buffer.push_str(&tenths.to_string());
    }
}

/// The whole picture: what screen readers say, the background, the parts, and a last line, which
/// `height` leaves out.
fn picture(name: &str, title: &str, description: &str, height: f64, parts: &Markup, last: &str) -> String {
    let whole = height + 2.0 * SMALL;
    let (title_id, description_id) = (format!("{name}-title"), format!("{name}-description"));
    let document = html! {
        svg xmlns="http://www.w3.org/2000/svg" viewBox={ "0 0 " (Px(WIDTH)) " " (Px(whole)) } width=(Px(WIDTH))
            height=(Px(whole)) role="img" aria-labelledby=(title_id) aria-describedby=(description_id)
            font-family="system-ui, sans-serif" fill=(INK) {
            title id=(title_id) { (title) }
            desc id=(description_id) { (description) " " (last) }
            rect x="0.5" y="0.5" width=(Px(WIDTH - 1.0)) height=(Px(whole - 1.0)) rx="6" fill=(PAPER)
                stroke=(FAINT_INK) {}
            (parts)
            (words(MARGIN, height + 0.6 * SMALL, SMALL, last))
        }
    };
    // Escaped, a control character would still be no XML (XML 1.0, production 2).
    let allowed = |c: char| matches!(c, '\t' | '\n' | '\r' | ' '..) && !matches!(c, '\u{fffe}' | '\u{ffff}');
    document.into_string().replace(|c| !allowed(c), "\u{fffd}")
}

fn words(x: f64, y: f64, size: f64, text: &str) -> Markup {
    html! { text x=(Px(x)) y=(Px(y)) font-size=(Px(size)) { (text) } }
}

/// Text broken to a width, its words kept whole where they can be.
fn wrapped(text: &str, width: f64, size: f64) -> Vec<String> {
    textwrap::wrap(text, (width / (LETTER * size)) as usize).into_iter().map(Into::into).collect()
}

/// What of a text fits on one line.
fn clipped(text: &str, width: f64, size: f64) -> String {
    wrapped(text, width, size).into_iter().next().unwrap_or_default()
}

fn line(from: (f64, f64), to: (f64, f64), stroke: &str, width: f64) -> Markup {
    let ((x1, y1), (x2, y2)) = (from, to);
    html! { line x1=(Px(x1)) y1=(Px(y1)) x2=(Px(x2)) y2=(Px(y2)) stroke=(stroke) stroke-width=(Px(width)) {} }
}

/// Slanting ink lines on paper.
fn hatching(id: &str) -> Markup {
    html! {
        pattern id=(id) width="8" height="8" patternUnits="userSpaceOnUse" patternTransform="rotate(45)" {
            rect width="8" height="8" fill=(PAPER) {}
            rect width="4" height="8" fill=(INK) {}
        }
    }
}

/// A probability in percent, never rounded to certainty.
fn percent(p: f64) -> String {
    match p {
        p if p < 0.001 => "under 0.1 %".into(),
        p if p > 0.999 => "over 99.9 %".into(),
        p if (0.01..=0.99).contains(&p) => format!("{:.0} %", 100.0 * p),
        p => format!("{:.1} %", 100.0 * p),
    }
}

/// To one decimal, with its sign.
fn signed(x: f64) -> String {
    match (x * 10.0).round() / 10.0 {
        0.0 => "0.0".into(),
        x if x < 0.0 => format!("\u{2212}{:.1}", -x),
        x => format!("+{x:.1}"),
    }
}

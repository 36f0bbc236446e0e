//! Tonight's list as a page of text.

use super::{By, List, Ranking, Reason, Row};
use crate::cautions::{self, in_short};
use crate::wire::Money;
use crate::wire::bids::{Bids, LeftOut};
use crate::wire::request::{CallKind, OfferKind};
use crate::wire::response::AdviceKind;
use crate::wire::stored::EarlierListing;
use jiff::Timestamp;
use textwrap::core::display_width;

/// Columns of a page of text.
const WIDTH: usize = 80;
/// An id that is wider leaves too little of a line to a title.
const LONG: usize = 30;
/// An id that is wider leaves too little of a line to figures.
const LONG_BEFORE_FIGURES: usize = 22;
/// Where the lines under a listing begin, and their words.
const INDENT: &str = "      ";
const HANGING: &str = "               ";

/// How to read the page.
const LEGEND: [&str; 2] = [
    "dB: shares of the log-odds of bad (composite or fake), + for bad, - for sound; 10 dB are ten times the odds.",
    "Walk away: the most to pay for the watch itself. Fees, postage and costs that were given come on top and are allowed for; what was not given, and your time, is left out.",
];

/// The list as lines of text.
#[must_use]
pub fn page(list: &List) -> Vec<String> {
    let mut lines = Vec::new();
    if !list.rankings.is_empty() {
        let by = match list.by {
            By::ExpectedNet => "expected net",
            By::NetPerStake => "expected net by what it costs",
            By::AskWorth => "what asking is worth",
        };
        lines.push(format!("Open listings by {by}, {}", short_time(&list.at)));
        if list.rankings.iter().flat_map(|r| &r.items).any(|row| row.expected_price.is_some()) {
            lines.push(if list.expect > 0.0 {
                "Auctions at the price where they are expected to end".into()
            } else {
                "Auctions at the bid so far, and bids only rise: --expect says where they end".into()
            });
        }
    }
    for ranking in &list.rankings {
        lines.extend(ranked(ranking, list.by, list.expect));
    }
    lines.extend(apart(
        "Ended, still open here, not ranked: put what became of them",
        list.ended.iter().map(|e| (e.ends_at.as_str(), e.id.as_str(), e.title.as_deref(), None)),
    ));
    lines.extend(apart(
        "Found out, still open here, not ranked: put what became of them",
        list.found.iter().map(|f| (f.found_at.as_str(), f.id.as_str(), f.title.as_deref(), Some(f.story.as_str()))),
    ));
    if let Some(bids) = &list.bids {
        lines.extend(bidding(bids));
    }
    if !lines.is_empty() {
        let foot = [cautions::ESTIMATE, cautions::SAY_NOTHING].into_iter().filter_map(in_short).collect::<Vec<_>>();
        lines.push(String::new());
        for legend in LEGEND {
            lines.extend(wrapped(legend, "", ""));
        }
        lines.extend(wrapped(&format!("All figures: {}.", foot.join("; ")), "", ""));
    }
    lines
}

/// Listings that are not ranked, each with its time, name, title, and what it was found to be.
fn apart<'a>(
    heading: &str,
    those: impl Iterator<Item = (&'a str, &'a str, Option<&'a str>, Option<&'a str>)>,
) -> Vec<String> {
    let mut lines: Vec<String> = those
        .flat_map(|(time, id, name, found)| {
            let found = found.map(|story| format!(" found {}", plain(story))).unwrap_or_default();
            let (id, name) = (plain(id), title(name));
            let (first, second) = if display_width(&id) > LONG { (&name, Some(&id)) } else { (&id, None) };
            let rest = if second.is_some() { String::new() } else { format!("  {name}") };
            let line = cut(format!("{INDENT}{}{found}  {first}{rest}", short_time(time)).trim_end(), WIDTH);
            let mut lines = vec![line];
            lines.extend(second.into_iter().flat_map(|id| wrapped(id, INDENT, INDENT)));
            lines
        })
        .collect();
    if !lines.is_empty() {
        lines.splice(0..0, [String::new(), heading.into()]);
    }
    lines
}

fn ranked(ranking: &Ranking, by: By, expect: f64) -> Vec<String> {
    let shown = ranking.items.len();
    let count = if shown < ranking.open { format!("{shown} of {} listings", ranking.open) } else { format!("{shown}") };
    let heading = match &ranking.currency {
        Some(currency) => format!("{currency} ({count})"),
        None => format!("No amounts given ({count})"),
    };
    let figure = match by {
        By::ExpectedNet => "exp. net",
        By::NetPerStake => "net/cost",
        By::AskWorth => "asking",
    };
    let columns = format!(
        "{:>5} {:<11}{:>12}{:>12}{:>12}{:>8}   {}",
        "", "advice", "price", "walk away", figure, "P(bad)", "left"
    );
    let mut lines = vec![String::new(), heading, columns];
    for row in &ranking.items {
        lines.extend(block(row, by, expect));
    }
    lines
}

fn block(row: &Row, by: By, expect: f64) -> Vec<String> {
    let amount = |m: Option<&Money>| m.map_or_else(|| "-".to_owned(), |m| m.amount.clone());
    let signed = |m: Option<&Money>| m.map_or_else(|| "-".to_owned(), |m| plus(&m.amount));
    let figure = match by {
        By::ExpectedNet => signed(row.expected_net.as_ref()),
        By::NetPerStake => row.net_per_stake.map_or_else(|| "-".into(), |x| format!("{x:+.3}")),
        By::AskWorth => amount(row.ask_worth.as_ref()),
    };
    let chosen = row.bid.as_ref().is_some_and(|b| b.left_out.is_none());
    let first = format!(
        "{}{:>4} {:<11}{:>12}{:>12}{:>12}{:>8}   {}",
        if chosen { '*' } else { ' ' },
        row.rank,
        advice(row),
        amount(row.price.as_ref()),
        amount(row.walk_away_price.as_ref()),
        figure,
        probability(row.bad),
        left(row)
    );
    let (id, title) = (plain(&row.id), title(row.title.as_deref()));
    let mut lines = vec![first.trim_end().to_owned()];
    let mut name = |name: &str| lines.push(cut(format!("{INDENT}{name}").trim_end(), WIDTH));
    // The listings of a feed have long names: their title has a line of its own. A name is never cut, since
    // it is what one types.
    if display_width(&id) <= LONG {
        name(&format!("{id}  {title}"));
    } else {
        if !title.is_empty() {
            name(&title);
        }
        lines.extend(wrapped(&id, INDENT, INDENT));
    }
    let mut say = |label: &str, words: &str| {
        let begin = format!("{INDENT}{label:<9}");
        lines.extend(wrapped(words, &begin, HANGING));
    };
    if let Some(words) = left_out(row) {
        say("costs", words);
    }
    if row.pays_in_parts && row.advice != Some(AdviceKind::Leave) {
        say("use", "pays in parts: more likely than not it is best sold in parts, and still pays");
    }
    for (i, reason) in row.reasons.iter().enumerate() {
        say(if i == 0 { "why" } else { "" }, &why(reason));
    }
    let looks: Vec<_> = row.look_next.iter().filter(|l| l.worth.as_ref().is_none_or(is_something)).collect();
    for (i, look) in looks.iter().enumerate() {
        let on = look.photo.as_ref().map(|p| format!(" ({})", plain(p))).unwrap_or_default();
        say(if i == 0 { "look" } else { "" }, &format!("{}{on}", look.question));
    }
    let caution = cautions::before_asking(&row.cautions, !row.opening.is_empty());
    if !caution.is_empty() {
        say("caution", &caution);
    }
    for (i, ask) in row.ask_next.iter().enumerate() {
        let views: Vec<String> = ask.views.iter().map(|v| v.replace('_', " ")).collect();
        let worth = ask.worth.as_ref().map(|w| format!(", worth {}", w.amount)).unwrap_or_default();
        say(if i == 0 { "ask for" } else { "" }, &format!("{}{worth}", views.join(" and ")));
    }
    if row.ask_next.is_empty() {
        let words = if row.ask_worth.as_ref().is_some_and(is_something) {
            "nothing: no answer is worth what asking costs"
        } else {
            "nothing: no answer would change what to do"
        };
        say("ask for", words);
    }
    for earlier in &row.earlier {
        say("before", &before(earlier));
    }
    if let Some(words) = bid(row, expect) {
        say("bid", &words);
    }
    lines
}

/// Words on lines of a page that fits a terminal.
#[must_use]
pub fn wrapped(words: &str, first: &str, others: &str) -> Vec<String> {
    let options = textwrap::Options::new(WIDTH).initial_indent(first).subsequent_indent(others);
    textwrap::wrap(words, options).into_iter().map(std::borrow::Cow::into_owned).collect()
}

/// What the figures leave out, in the words of its caution.
fn left_out(row: &Row) -> Option<&'static str> {
    let applies = |id: &&str| row.cautions.iter().any(|c| c.id == *id);
    [cautions::COSTS, cautions::SERVICE].into_iter().find(applies).and_then(in_short)
}

fn bidding(bids: &Bids) -> Vec<String> {
    let currency = &bids.left.currency;
    let (bound, net) = (&bids.bound.amount, &bids.expected_net.amount);
    let mut lines = vec![
        String::new(),
        format!("Bid on {} of {} auctions in {currency}, marked *", bids.choose.len(), bids.listings.len()),
        format!("{INDENT}expected net {} if all are won at the prices expected", plus(net)),
        if bound == net {
            format!("{INDENT}no other choice is expected to bring more")
        } else {
            format!("{INDENT}another choice might bring more, none over {bound}")
        },
        format!("{INDENT}left over {} if all are won at their walk-away prices", bids.left.amount),
    ];
    if !bids.choose.is_empty() {
        lines.push(figures("listing", "up to", "takes", "exp. net", "if won at"));
    }
    for bid in bids.listings.iter().filter(|b| b.left_out.is_none()) {
        let mut id = plain(&bid.id);
        if display_width(&id) > LONG_BEFORE_FIGURES {
            lines.extend(wrapped(&id, INDENT, INDENT));
            id.clear();
        }
        let net = plus(&bid.expected_net.amount);
        lines.push(figures(&id, &bid.walk_away_price.amount, &bid.stake.amount, &net, &bid.expected_price.amount));
    }
    lines
}

/// A line of the bids.
fn figures(name: &str, up_to: &str, takes: &str, net: &str, won_at: &str) -> String {
    format!("{INDENT}{name:<LONG_BEFORE_FIGURES$}{up_to:>12}{takes:>12}{net:>12}{won_at:>12}")
}

/// How high to go on an auction, and at which price its figures hold.
fn bid(row: &Row, expect: f64) -> Option<String> {
    let (most, price) = row.walk_away_price.as_ref().zip(row.expected_price.as_ref())?;
    let at = if expect > 0.0 {
        format!("net at {}, where it is expected to end", price.amount)
    } else {
        "net at the bid so far".into()
    };
    let up_to = format!("up to {}", most.amount);
    Some(match &row.bid {
        Some(bid) => match bid.left_out {
            None => format!("{up_to}; takes {} of the budget at that price; {at}", bid.stake.amount),
            Some(why @ (LeftOut::OverBudget | LeftOut::OthersBetter)) => {
                format!("no: {}; else {up_to}; {at}", not_chosen(why))
            }
            Some(why) => format!("no: {}", not_chosen(why)),
        },
        None if row.advice == Some(AdviceKind::Leave) => format!("no: {}", not_chosen(LeftOut::AboveWalkAway)),
        None => format!("{up_to}; {at}"),
    })
}

fn advice(row: &Row) -> &'static str {
    match row.advice {
        Some(AdviceKind::AskFirst) => "ask first",
        Some(AdviceKind::Buy) => "buy",
        Some(AdviceKind::OfferBelow) if row.kind == OfferKind::Auction => "bid up to",
        Some(AdviceKind::OfferBelow) => "offer below",
        Some(AdviceKind::Leave) => "leave",
        None => "-",
    }
}

fn not_chosen(why: LeftOut) -> &'static str {
    match why {
        LeftOut::Ended => "it has ended",
        LeftOut::AboveWalkAway => "the bid so far is not below the walk-away price",
        LeftOut::NoGain => "nothing is expected to come of it",
        LeftOut::OverBudget => "it alone takes more than the budget",
        LeftOut::OthersBetter => "others bring more for the money, or one of its group is chosen",
    }
}

fn why(reason: &Reason) -> String {
    let answer = match (reason.asked, reason.call) {
        (true, Some(CallKind::Present)) => " Yes.",
        (true, Some(CallKind::Absent)) => " No.",
        _ => "",
    };
    format!("{:+.1} dB {}{answer}", reason.share_db, plain(&reason.words))
}

fn before(earlier: &EarlierListing) -> String {
    let day = earlier.saved_at.get(..10).unwrap_or(&earlier.saved_at);
    let mut words = format!("{}, {day}, {}", plain(&earlier.id), earlier.status.as_str());
    if let Some(price) = &earlier.price {
        words += &format!(", {} {}", price.amount, price.currency);
    }
    if let Some(outcome) = &earlier.outcome {
        words += &format!(", found {}", plain(&outcome.story));
    }
    for text in [&earlier.title, &earlier.description].into_iter().flatten() {
        words += &format!(" “{}”", plain(text));
    }
    words
}

/// Time left, in the two largest units.
fn left(row: &Row) -> String {
    let auction = if row.kind == OfferKind::Auction { "auction" } else { "-" };
    let Some(seconds) = row.seconds_left else { return auction.into() };
    let minutes = seconds / 60;
    let (days, hours, minutes) = (minutes / 1440, minutes / 60 % 24, minutes % 60);
    match (days, hours) {
        (0, 0) => format!("{minutes} min"),
        (0, _) => format!("{hours} h {minutes} min"),
        _ => format!("{days} d {hours} h"),
    }
}

/// A time to the minute.
fn short_time(text: &str) -> String {
    text.parse::<Timestamp>().map_or_else(|_| text.to_owned(), |t| t.strftime("%Y-%m-%d %H:%M UTC").to_string())
}

/// A probability to two places; what is no certainty is not shown as one.
#[must_use]
pub fn probability(p: f64) -> String {
    match format!("{p:.2}").as_str() {
        "0.00" => "<0.01".into(),
        "1.00" => ">0.99".into(),
        shown => shown.into(),
    }
}

fn plus(amount: &str) -> String {
    let gains = is_not_zero(amount) && !amount.starts_with('-');
    if gains { format!("+{amount}") } else { amount.to_owned() }
}

fn is_something(worth: &Money) -> bool {
    is_not_zero(&worth.amount)
}

fn is_not_zero(amount: &str) -> bool {
    amount.bytes().any(|b| (b'1'..=b'9').contains(&b))
}

fn title(title: Option<&str>) -> String {
    title.map(plain).unwrap_or_default()
}

/// Somebody else's words on one line of a terminal: nothing that moves the cursor, colours, breaks the
/// line or turns the direction of writing.
#[must_use]
pub fn plain(text: &str) -> String {
    let turns = |c: char| matches!(c, '\u{61c}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}');
    let spaced = text.replace(|c: char| c.is_control() || turns(c), " ");
    spaced.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// As much of a line as fits.
fn cut(line: &str, width: usize) -> String {
    if display_width(line) <= width {
        return line.to_owned();
    }
    let mut kept = String::new();
    for c in line.chars() {
        if display_width(&kept) + display_width(c.encode_utf8(&mut [0; 4])) >= width {
            break;
        }
        kept.push(c);
    }
    kept + "…"
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_probability_is_shown_as_certain() {
        let shown =
            [(0.0, "<0.01"), (0.004, "<0.01"), (0.006, "0.01"), (0.5, "0.50"), (0.994, "0.99"), (0.996, ">0.99")];
        for (p, words) in shown.into_iter().chain([(1.0, ">0.99")]) {
            assert_eq!(probability(p), words);
        }
    }

    #[test]
    fn a_title_cannot_steer_the_terminal() {
        assert_eq!(plain("\u{1b}[2J fine\u{7}\r\nwatch\u{202e}!\u{9b}31m"), "[2J fine watch ! 31m");
        assert_eq!(display_width(&cut(&"時計".repeat(60), 20)), 20 - 1);
    }
}

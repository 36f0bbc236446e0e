//! `steelyard tonight`: the open listings ranked, and which auctions to bid on.

use super::{Output, Place};
use clap::{Args, ValueEnum};
use jiff::Timestamp;
use std::path::PathBuf;
use steelyard::app::App;
use steelyard::files;
use steelyard::tonight::{By, List, Ranking, Reason, Row, Spend, Wanted, list};
use steelyard::wire::bids::{Bids, LeftOut};
use steelyard::wire::request::{CallKind, OfferKind};
use steelyard::wire::response::AdviceKind;
use steelyard::wire::stored::EarlierListing;
use steelyard::wire::{Money, NonNegativeMoney};
use textwrap::core::display_width;

/// Columns of a page of text.
const WIDTH: usize = 92;
/// Where the lines under a listing begin, and their words.
const INDENT: &str = "      ";
const HANGING: &str = "               ";

/// What `tonight` is told.
#[derive(Debug, Args)]
pub(crate) struct Tonight {
    #[command(flatten)]
    place: Place,
    /// Folder of a model's TOML files, instead of the model that comes with the program.
    #[arg(long, env = "STEELYARD_PACK")]
    pack: Option<PathBuf>,
    /// JSON file of references and calibres, as `reference_book` in a request.
    #[arg(long, env = "STEELYARD_REFERENCE_BOOK")]
    reference_book: Option<PathBuf>,
    /// What listings are ranked by, the largest first.
    #[arg(long, value_enum, default_value_t = Key::ExpectedNet)]
    by: Key,
    /// Listings shown of each currency.
    #[arg(long, default_value_t = 20, value_parser = clap::value_parser!(u32).range(1..))]
    limit: u32,
    /// Cash at hand, such as `2000EUR`: marks the open auctions to bid on. Each takes what it costs, once it lies on
    /// the table, at its walk-away price; at most one is chosen of what is perhaps the same watch.
    #[arg(long, value_parser = cash, value_name = "AMOUNT_CURRENCY")]
    budget: Option<NonNegativeMoney>,
    /// Where auctions are expected to end: 0 at the current bid, 1 at the walk-away price, where they bring the margin
    /// wanted and no more. Bids only rise, so 0 flatters.
    #[arg(long, default_value_t = 0.0, value_parser = share, requires = "budget")]
    expect: f64,
    /// Ids of auctions, separated by commas, of which at most one is wanted. May be given several times.
    #[arg(long, value_name = "ID,ID", requires = "budget")]
    at_most_one: Vec<String>,
    /// The time that offers are held against, RFC 3339; now where it is left out.
    #[arg(long, value_name = "TIME")]
    at: Option<Timestamp>,
    /// Print all of it as JSON.
    #[arg(long)]
    json: bool,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
#[value(rename_all = "snake_case")]
enum Key {
    /// Expected net.
    ExpectedNet,
    /// Expected net by landed cost.
    NetPerStake,
    /// Worth of the best question.
    AskWorth,
}

/// An amount with its currency behind it.
fn cash(text: &str) -> Result<NonNegativeMoney, String> {
    let text = text.trim();
    let at = text.find(|c: char| c.is_ascii_alphabetic()).unwrap_or(text.len());
    let (amount, currency) = (text[..at].trim_end(), &text[at..]);
    let digits = |t: &str| !t.is_empty() && t.bytes().all(|b| b.is_ascii_digit());
    let (whole, part) = amount.split_once('.').unwrap_or((amount, "0"));
    let fits = digits(whole) && whole.len() <= 12 && digits(part) && part.len() <= 4;
    if !fits || currency.len() != 3 || !currency.bytes().all(|b| b.is_ascii_alphabetic()) {
        return Err("an amount and its currency, such as 2000EUR or 1250.50EUR".into());
    }
    Ok(NonNegativeMoney { amount: amount.into(), currency: currency.to_ascii_uppercase() })
}

fn share(text: &str) -> Result<f64, String> {
    text.parse().ok().filter(|s| (0.0..=1.0).contains(s)).ok_or_else(|| "a number from 0 to 1".into())
}

/// Prints the list.
pub(crate) async fn run(options: &Tonight) -> anyhow::Result<()> {
    let store = options.place.open_existing().await?;
    let pack = files::pack(options.pack.as_deref())?;
    let app = App::with_memory(pack, files::book(options.reference_book.as_deref())?, store)?;
    let groups = options.at_most_one.iter().map(|ids| ids.split(',').map(|id| id.trim().to_owned()).collect());
    let wanted = Wanted {
        by: match options.by {
            Key::ExpectedNet => By::ExpectedNet,
            Key::NetPerStake => By::NetPerStake,
            Key::AskWorth => By::AskWorth,
        },
        limit: options.limit as usize,
        now: options.at.unwrap_or_else(Timestamp::now),
        spend: options.budget.clone().map(|budget| Spend {
            budget,
            expect: options.expect,
            at_most_one: groups.collect(),
        }),
    };
    let list = list(&app, &wanted).await;
    if let Ok(memory) = app.memory() {
        memory.store().close().await;
    }
    let list = list.map_err(|p| {
        let faults: Vec<&str> = p.errors.iter().map(|f| f.detail.as_str()).collect();
        anyhow::anyhow!(if faults.is_empty() { p.detail } else { faults.join("; ") })
    })?;
    for id in &list.unfit {
        eprintln!("{}: does not fit the model in force and is left out; save it anew", plain(id));
    }
    let mut out = Output::standard();
    if options.json {
        out.line(&serde_json::to_string_pretty(&list)?)?;
        return Ok(out.finish()?);
    }
    if list.rankings.is_empty() {
        eprintln!("no listing is open");
    }
    for line in page(&list) {
        if !out.line(&line)? {
            break;
        }
    }
    Ok(out.finish()?)
}

// --- The page ----------------------------------------------------------------------------

fn page(list: &List) -> Vec<String> {
    let mut lines = Vec::new();
    if !list.rankings.is_empty() {
        let by = match list.by {
            By::ExpectedNet => "expected net",
            By::NetPerStake => "expected net by what it costs",
            By::AskWorth => "what asking is worth",
        };
        lines.push(format!("Open listings by {by}, {}", short_time(&list.at)));
    }
    for ranking in &list.rankings {
        lines.extend(ranked(ranking, list.by));
    }
    if !list.ended.is_empty() {
        lines.extend([String::new(), "Ended, still open here, not ranked: put what became of them".into()]);
        for ended in &list.ended {
            let line =
                format!("{}  {}  {}", short_time(&ended.ends_at), plain(&ended.id), title(ended.title.as_deref()));
            lines.push(cut(&format!("{INDENT}{}", line.trim_end()), WIDTH));
        }
    }
    if let Some(bids) = &list.bids {
        lines.extend(bidding(bids));
    }
    lines
}

fn ranked(ranking: &Ranking, by: By) -> Vec<String> {
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
        "{:>5} {:<14}{:>12}{:>12}{:>12}{:>9}   {}",
        "", "advice", "price", "walk away", figure, "P(bad)", "left"
    );
    let mut lines = vec![String::new(), heading, columns];
    for row in &ranking.items {
        lines.extend(block(row, by));
    }
    lines
}

fn block(row: &Row, by: By) -> Vec<String> {
    let amount = |m: Option<&Money>| m.map_or_else(|| "-".to_owned(), |m| m.amount.clone());
    let signed = |m: Option<&Money>| m.map_or_else(|| "-".to_owned(), |m| plus(&m.amount));
    let figure = match by {
        By::ExpectedNet => signed(row.expected_net.as_ref()),
        By::NetPerStake => row.net_per_stake.map_or_else(|| "-".into(), |x| format!("{x:+.3}")),
        By::AskWorth => amount(row.ask.as_ref().and_then(|a| a.worth.as_ref())),
    };
    let chosen = row.bid.as_ref().is_some_and(|b| b.left_out.is_none());
    let first = format!(
        "{}{:>4} {:<14}{:>12}{:>12}{:>12}{:>9.2}   {}",
        if chosen { '*' } else { ' ' },
        row.rank,
        advice(row.advice),
        amount(row.price.as_ref()),
        amount(row.walk_away_price.as_ref()),
        figure,
        row.bad,
        left(row)
    );
    let name = cut(&format!("{INDENT}{}  {}", plain(&row.id), title(row.title.as_deref())), WIDTH);
    let mut lines = vec![first.trim_end().to_owned(), name.trim_end().to_owned()];
    let mut say = |label: &str, words: &str| {
        let begin = format!("{INDENT}{label:<9}");
        let wrapped = textwrap::Options::new(WIDTH).initial_indent(&begin).subsequent_indent(HANGING);
        lines.extend(textwrap::wrap(words, wrapped).into_iter().map(std::borrow::Cow::into_owned));
    };
    for (i, reason) in row.reasons.iter().enumerate() {
        say(if i == 0 { "why" } else { "" }, &why(reason));
    }
    let look = row.look.as_ref().filter(|l| l.worth.as_ref().is_none_or(is_something));
    if let Some(look) = look {
        let on = look.photo.as_ref().map(|p| format!(" ({})", plain(p))).unwrap_or_default();
        say("look", &format!("{}{on}", look.question));
    }
    match row.ask.as_ref().filter(|a| a.worth.as_ref().is_none_or(is_something)) {
        Some(ask) => {
            let views: Vec<String> = ask.views.iter().map(|v| v.replace('_', " ")).collect();
            let worth = ask.worth.as_ref().map(|w| format!(", worth {}", w.amount)).unwrap_or_default();
            say("ask for", &format!("{}{worth}", views.join(" and ")));
        }
        None if look.is_none() => say("ask for", "nothing: no answer would change what to do"),
        None => {}
    }
    for earlier in &row.earlier {
        say("before", &before(earlier));
    }
    if let Some(bid) = &row.bid {
        let words = match bid.left_out {
            None => {
                format!("up to {}; takes {} of the budget at that price", bid.walk_away_price.amount, bid.stake.amount)
            }
            Some(why) => format!("no: {}", not_chosen(why)),
        };
        say("bid", &words);
    }
    lines
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
    for bid in bids.listings.iter().filter(|b| b.left_out.is_none()) {
        let line = format!(
            "{INDENT}{:<24} up to {:>10}  takes {:>10}  {:>10} if won at {}",
            plain(&bid.id),
            bid.walk_away_price.amount,
            bid.stake.amount,
            plus(&bid.expected_net.amount),
            bid.expected_price.amount
        );
        lines.push(line);
    }
    lines
}

fn advice(advice: Option<AdviceKind>) -> &'static str {
    match advice {
        Some(AdviceKind::AskFirst) => "ask first",
        Some(AdviceKind::Buy) => "buy",
        Some(AdviceKind::OfferBelow) => "offer below",
        Some(AdviceKind::Leave) => "leave",
        None => "-",
    }
}

fn not_chosen(why: LeftOut) -> &'static str {
    match why {
        LeftOut::Ended => "it has ended",
        LeftOut::AboveWalkAway => "the price is above the walk-away price",
        LeftOut::NoGain => "nothing is expected to come of it",
        LeftOut::OverBudget => "it alone takes more than the budget",
        LeftOut::OthersBetter => "others bring more for the money, or one of its group is chosen",
    }
}

fn why(reason: &Reason) -> String {
    let answer = match (reason.asked, reason.call) {
        (false, _) => "",
        (true, CallKind::Present) => " Yes.",
        (true, CallKind::Absent) => " No.",
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
fn plain(text: &str) -> String {
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
    fn cash_is_an_amount_and_a_currency() {
        let money = |amount: &str| NonNegativeMoney { amount: amount.into(), currency: "EUR".into() };
        for (text, amount) in [("2000EUR", "2000"), ("2000 EUR", "2000"), (" 12.50eur ", "12.50"), ("0 EUR", "0")] {
            assert_eq!(cash(text), Ok(money(amount)), "{text}");
        }
        for text in ["", "EUR", "2000", "-5EUR", "2,000EUR", "2000EURO", "EUR2000", "2000 E U R", "1.23456EUR", ".5EUR"]
        {
            assert!(cash(text).is_err(), "{text}");
        }
    }

    #[test]
    fn a_title_cannot_steer_the_terminal() {
        assert_eq!(plain("\u{1b}[2J fine\u{7}\r\nwatch\u{202e}!\u{9b}31m"), "[2J fine watch ! 31m");
        assert_eq!(display_width(&cut(&"時計".repeat(60), 20)), 20 - 1);
    }
}

//! `steelyard tonight`: the open listings ranked, and which auctions to bid on.

use super::{Numbers, Output, Place};
use clap::{Args, ValueEnum};
use jiff::Timestamp;
use steelyard::app::App;
use steelyard::tonight::{By, Spend, Wanted, list, page, plain};
use steelyard::wire::NonNegativeMoney;

/// What `tonight` is told.
#[derive(Debug, Args)]
pub(crate) struct Tonight {
    #[command(flatten)]
    place: Place,
    #[command(flatten)]
    numbers: Numbers,
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
    /// wanted and no more. They are ranked and bid on at that price. Bids only rise, so 0 flatters.
    #[arg(long, default_value_t = 0.0, value_parser = share)]
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
    let (pack, book) = options.numbers.read()?;
    let app = App::with_memory(pack, book, store)?;
    let groups = options.at_most_one.iter().map(|ids| ids.split(',').map(|id| id.trim().to_owned()).collect());
    let wanted = Wanted {
        by: match options.by {
            Key::ExpectedNet => By::ExpectedNet,
            Key::NetPerStake => By::NetPerStake,
            Key::AskWorth => By::AskWorth,
        },
        limit: options.limit as usize,
        now: options.at.unwrap_or_else(Timestamp::now),
        expect: options.expect,
        spend: options.budget.clone().map(|budget| Spend { budget, at_most_one: groups.collect() }),
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
    if list.rankings.is_empty() && list.ended.is_empty() && list.found.is_empty() {
        eprintln!("no listing is open");
    }
    for line in page(&list) {
        if !out.line(&line)? {
            break;
        }
    }
    Ok(out.finish()?)
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
}

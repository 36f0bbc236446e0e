//! An invented dealer's evening: every saved listing goes over real HTTP to the service, and
//! comes back as a ranked table, one explained in full, and a comparison with what a
//! practitioner expected.

mod evening;
mod situations;
mod year;

use anyhow::{Context as _, ensure};
use comfy_table::{CellAlignment, ContentArrangement, Table, presets::NOTHING};
use serde::Deserialize;
use serde_json::Value;
use situations::{Figure, Verdict};
use std::path::{Path, PathBuf};
use steelyard::cautions::before_asking;
use steelyard::config::Config;
use steelyard::picture;
use steelyard::serve;
use steelyard::tonight::{probability, wrapped};
use steelyard::wire::Money;
use steelyard::wire::response::{AdviceKind, Assessment, BestUseKind};
use steelyard_model::pack::Pack;

/// Where the picture of the explained listing goes, from where the demo is run.
const PICTURE: &str = "target/demo/evidence.svg";

/// The dealer, and which listing is explained.
#[derive(Deserialize)]
struct Shop {
    dealer: Dealer,
    explain: String,
}

#[derive(Deserialize)]
struct Dealer {
    name: String,
    shop: String,
    town: String,
    marketplace: String,
    about: String,
}

/// A listing file: what it is, what a practitioner expects of it, and the request.
#[derive(Deserialize)]
struct Saved {
    situation: String,
    practitioner: String,
    expects: Vec<situations::Expectation>,
    request: Value,
}

struct Assessed {
    name: String,
    saved: Saved,
    answer: Assessment,
}

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let shop: Shop = read(&folder.join("dealer.json"))?;
    let saved = listings(&folder.join("listings"))?;

    let feed = evening::Feed::serve(&shop.dealer.marketplace, &saved).await?;
    // A store of its own, thrown away at the end.
    let data = tempfile::tempdir()?;
    let book = folder.join("reference_book.json");
    let config = Config {
        reference_book: Some(book.clone()),
        data: Some(data.path().into()),
        feed_exceptions: vec![feed.address.to_string()],
        ..Config::on_free_port()
    };
    let service = serve::Service::bind(&config).await?;
    let address = service.address()?;
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let serving = tokio::spawn(service.run(async move {
        let _ = stopped.await;
    }));

    let url = format!("http://{address}/v1/assess");
    let client = reqwest::Client::builder().no_proxy().build()?;
    let mut assessed = Vec::new();
    for (name, saved) in saved {
        let response = client.post(&url).json(&saved.request).send().await?;
        let status = response.status();
        let text = response.text().await?;
        ensure!(status.is_success(), "{name}: {status}: {text}");
        assessed.push(Assessed { name, saved, answer: serde_json::from_str(&text)? });
    }

    introduce(&shop.dealer, address, &assessed);
    rank(&mut assessed);
    print_ranking(&assessed);
    let explained = assessed.iter().find(|a| a.name == shop.explain).context("the listing to explain")?;
    explain(explained)?;
    print_situations(&mut assessed);

    let service = Service { client: &client, base: format!("http://{address}") };
    evening::evening(&service, &feed, data.path(), &book).await?;
    year::year(&service).await?;
    drop(client);
    let _ = stop.send(());
    serving.await??;
    Ok(())
}

/// The service, as the dealer's program calls it.
struct Service<'a> {
    client: &'a reqwest::Client,
    base: String,
}

impl Service<'_> {
    async fn call(&self, method: &str, path: &str, body: Option<&Value>) -> anyhow::Result<String> {
        let mut call = self.client.request(method.parse()?, format!("{}{path}", self.base));
        if let Some(body) = body {
            call = call.json(body);
        }
        let response = call.send().await?;
        let status = response.status();
        let text = response.text().await?;
        ensure!(status.is_success(), "{method} {path}: {status}: {text}");
        Ok(text)
    }

    async fn json(&self, method: &str, path: &str, body: Option<&Value>) -> anyhow::Result<Value> {
        Ok(serde_json::from_str(&self.call(method, path, body).await?)?)
    }
}

fn read<T: for<'de> Deserialize<'de>>(path: &Path) -> anyhow::Result<T> {
    let text = std::fs::read_to_string(path).with_context(|| path.display().to_string())?;
    serde_json::from_str(&text).with_context(|| path.display().to_string())
}

fn listings(folder: &Path) -> anyhow::Result<Vec<(String, Saved)>> {
    let mut paths: Vec<PathBuf> =
        std::fs::read_dir(folder)?.map(|e| e.map(|e| e.path())).collect::<std::io::Result<_>>()?;
    paths.retain(|p| p.extension().is_some_and(|e| e == "json"));
    paths.sort();
    paths.iter().map(|p| Ok((p.file_stem().unwrap_or_default().to_string_lossy().into_owned(), read(p)?))).collect()
}

#[expect(clippy::print_stdout, reason = "a demonstration prints")]
fn say(text: &str) {
    println!("{text}");
}

/// A paragraph on lines that fit a terminal; those after the first begin with `indent`.
fn tell(text: &str, indent: &str) {
    let first: String = text.chars().take_while(|c| *c == ' ').collect();
    for line in wrapped(text.trim_start(), &first, indent) {
        say(&line);
    }
}

fn introduce(dealer: &Dealer, address: std::net::SocketAddr, assessed: &[Assessed]) {
    tell(&format!("{}, {}, {}. {}", dealer.name, dealer.shop, dealer.town, dealer.about), "");
    let intro = format!(
        "Tonight {} saved listings from {} were sent to http://{address}/v1/assess (model {}, {}).",
        assessed.len(),
        dealer.marketplace,
        assessed[0].answer.model.version,
        &assessed[0].answer.model.digest[..19],
    );
    tell(&intro, "");
    say("");
}

fn value(money: &Money) -> f64 {
    money.amount.parse().unwrap_or(f64::NAN)
}

fn short(money: &Money) -> String {
    format!("{} {}", money.amount, money.currency)
}

/// Expected net at the asking price as a share of what the watch costs: comparable over currencies.
fn net_per_stake(a: &Assessment) -> Option<f64> {
    let d = a.decision.as_ref()?;
    Some(value(d.expected_net.as_ref()?) / value(d.landed_cost.as_ref()?))
}

fn rank(assessed: &mut [Assessed]) {
    let key = |a: &Assessed| net_per_stake(&a.answer).unwrap_or(f64::NEG_INFINITY);
    assessed.sort_by(|a, b| key(b).total_cmp(&key(a)));
}

fn table(heads: &[&str], right: &[usize]) -> Table {
    let mut table = Table::new();
    table.load_preset(NOTHING).set_content_arrangement(ContentArrangement::Disabled).set_header(heads);
    for (i, column) in table.column_iter_mut().enumerate() {
        column.set_padding((0, 2));
        if right.contains(&i) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    table
}

fn advice(a: &Assessed) -> &'static str {
    let a_bid = a.saved.request["offer"]["kind"] == "auction";
    let a = &a.answer;
    if a.arrival.is_some() {
        return "arrived";
    }
    match a.decision.as_ref().and_then(|d| d.advice) {
        Some(AdviceKind::AskFirst) => "ask first",
        Some(AdviceKind::Buy) => "buy",
        Some(AdviceKind::OfferBelow) if a_bid => "bid up to",
        Some(AdviceKind::OfferBelow) => "offer below",
        Some(AdviceKind::Leave) => "leave",
        None => "no price",
    }
}

/// What to do next: the ways out of a watch that has arrived, else what is worth asking for.
fn next(a: &Assessment) -> String {
    if let Some(w) = &a.arrival {
        let days = w.days_left.map_or_else(String::new, |d| format!(", {d} days left"));
        return format!(
            "net of keeping {}, of sending back {}, fair refund {}{days}",
            w.keep.amount, w.send_back.net.amount, w.fair_refund.amount
        );
    }
    let requests = a.worth_asking();
    let (pack, first) = (Pack::builtin(), requests.first());
    let opens = |view: &str| pack.view(view).is_some_and(|v| pack.data().views[v].opens);
    let opens = first.is_some_and(|ask| ask.views.iter().any(|v| opens(v)));
    let mind = before_asking(&a.cautions, opens);
    let mind = if mind.is_empty() { mind } else { format!(" ({mind})") };
    match first {
        Some(ask) => format!("ask for {}{mind}", ask.views.join(" + ")),
        None => format!("nothing worth asking{mind}"),
    }
}

fn print_ranking(assessed: &[Assessed]) {
    tell(
        "Ranked by expected net per amount at stake. P(bad): composite or fake; altered: anything but all-original. An \
         auction's figures hold at the bid so far. All are estimates from what was reported.",
        "",
    );
    let mut t = table(&["listing", "P(bad)", "altered", "asking", "exp. net", "walk away"], &[1, 2, 3, 4, 5]);
    for a in assessed {
        let d = a.answer.decision.as_ref();
        let amount = |m: Option<&Money>| m.map_or("-".into(), |m| m.amount.clone());
        let asking: Option<Money> = serde_json::from_value(a.saved.request["offer"]["price"].clone()).ok();
        t.add_row([
            a.name.clone(),
            probability(a.answer.probability.bad),
            probability(a.answer.probability.not_original),
            asking.as_ref().map_or("-".into(), short),
            amount(d.and_then(|d| d.expected_net.as_ref())),
            amount(d.map(|d| &d.walk_away_price)),
        ]);
    }
    // Under each row what to do, which has no width of its own.
    let rows = trimmed(&t);
    for (i, line) in rows.lines().enumerate() {
        say(line);
        if let Some(a) = i.checked_sub(1).and_then(|i| assessed.get(i)) {
            let per_stake =
                net_per_stake(&a.answer).map_or_else(String::new, |x| format!(", {x:+.2} per amount at stake"));
            tell(&format!("    {}{per_stake}; {}", advice(a), next(&a.answer)), "    ");
        }
    }
    say("");
}

fn trimmed(t: &Table) -> String {
    let lines: Vec<String> = t.to_string().lines().map(|l| l.trim_end().to_owned()).collect();
    lines.join("\n") + "\n"
}

/// Decibans that a mark of a bar stands for.
const BAR_DB: f64 = 2.0;

/// A bar from a middle line, to the right for bad and to the left for sound.
fn bar(db: f64) -> String {
    const HALF: usize = 7;
    let n = ((db.abs() / BAR_DB).round() as usize).min(HALF);
    if db < 0.0 {
        format!("{}{}|{}", " ".repeat(HALF - n), "-".repeat(n), " ".repeat(HALF))
    } else {
        format!("{}|{}{}", " ".repeat(HALF), "#".repeat(n), " ".repeat(HALF - n))
    }
}

/// Probabilities by name.
fn shares<'a>(of: impl Iterator<Item = (&'a String, &'a f64)>) -> String {
    of.map(|(name, p)| format!("{name} {}", probability(*p))).collect::<Vec<_>>().join(", ")
}

fn explain(a: &Assessed) -> anyhow::Result<()> {
    let answer = &a.answer;
    say(&format!("One listing in full: {}", a.name));
    tell(&a.saved.situation, "");
    say("");
    let odds = &answer.log_odds_db;
    tell(
        &format!(
            "Where the log-odds of bad come from, in decibans (10 dB = ten times the odds; a # is {BAR_DB} dB towards \
             bad, a - towards sound; * follows from other facts):"
        ),
        "",
    );
    let mut t = table(&["", "share", "alone", "", "resolved"], &[1, 2, 4]);
    t.add_row(["prior: segment and seller".into(), format!("{:+.1}", odds.prior), String::new(), bar(odds.prior)]);
    if let Some(price) = odds.price {
        t.add_row(["asking price".into(), format!("{price:+.1}"), String::new(), bar(price)]);
    }
    let (mut rows, overruled): (Vec<_>, Vec<_>) = answer.evidence.iter().partition(|e| e.overruled_by.is_none());
    rows.sort_by(|x, y| y.share_db.unwrap_or(0.0).abs().total_cmp(&x.share_db.unwrap_or(0.0).abs()));
    for e in rows {
        let share = e.share_db.unwrap_or(0.0);
        let call = serde_json::to_value(e.call).ok().and_then(|v| v.as_str().map(str::to_owned)).unwrap_or_default();
        let derived = if e.because.is_some() { " *" } else { "" };
        t.add_row([
            format!("{} {call}{derived}", e.sign),
            format!("{share:+.1}"),
            format!("{:+.1}", e.alone_db),
            bar(share),
            e.resolvable.map_or_else(|| "own word".into(), |d| format!("{d:.2}")),
        ]);
    }
    t.add_row(["posterior".into(), format!("{:+.1}", odds.posterior), String::new(), bar(odds.posterior)]);
    say(&trimmed(&t));
    for e in answer.evidence.iter().filter(|e| e.overruled_by.is_none()) {
        if let Some(because) = &e.because {
            tell(&format!("{} is derived: {because}", e.sign), "  ");
        }
    }
    for e in overruled {
        let because = e.because.as_deref().unwrap_or_default();
        tell(&format!("{} would be derived too, but the dealer's own call counts: {because}", e.sign), "  ");
    }
    say("");
    let picture = picture::evidence(answer).context("an assessment without shares")?;
    write(Path::new(PICTURE), &picture)?;
    say(&format!("The same as a picture: {PICTURE}\n"));

    if let Some([low, high]) = answer.probability.interval_90 {
        let text = format!(
            "P(bad) {}, 90 % between {} and {} for what the model's own numbers may be off",
            probability(answer.probability.bad),
            probability(low),
            probability(high)
        );
        tell(&text, "  ");
    }
    tell(&format!("Stories: {}", shares(answer.stories.iter())), "  ");
    for part in ["dial", "case", "case_back", "movement"] {
        if let Some(states) = answer.components.as_ref().and_then(|c| c.get(part)) {
            tell(&format!("  {part}: {}", shares(states.iter())), "    ");
        }
    }
    let rate = &answer.seller.bad_rate;
    let text = format!(
        "Seller's watches: rate of bad ones {}, 90 % between {} and {} (worth {:.0} cases; {} ratings count for little)",
        probability(rate.mean),
        probability(rate.interval_90[0]),
        probability(rate.interval_90[1]),
        rate.effective_cases,
        answer.seller.used.feedback
    );
    tell(&text, "  ");
    if let Some(d) = &answer.decision {
        for (story, v) in &d.by_story {
            let how = match v.best_use {
                BestUseKind::AsIs => "as it is".to_owned(),
                BestUseKind::Restored => format!("with right parts: {}", v.repairs.join(", ")),
                BestUseKind::PartedOut => "in parts".to_owned(),
            };
            let net =
                v.net.as_ref().map_or_else(String::new, |n| format!(", net {} with the right of return", short(n)));
            tell(&format!("  if {story}: worth {} {how}{net}", short(&v.value)), "    ");
        }
        if let (Some(net), Some(loss)) = (&d.expected_net, d.probability_of_loss) {
            let text = format!(
                "Expected net {}, P(loss) {}, walk away at {}.",
                short(net),
                probability(loss),
                short(&d.walk_away_price)
            );
            tell(&text, "  ");
        }
    }
    say("Cautions:");
    for c in &answer.cautions {
        tell(&format!("  - {}", c.text), "    ");
    }
    say("");
    Ok(())
}

/// Writes a file where the demo says it is: from the folder it is run in.
fn write(path: &Path, text: &str) -> anyhow::Result<()> {
    path.parent().map_or(Ok(()), std::fs::create_dir_all).with_context(|| path.display().to_string())?;
    std::fs::write(path, text).with_context(|| path.display().to_string())
}

fn print_situations(assessed: &mut [Assessed]) {
    assessed.sort_by(|a, b| a.name.cmp(&b.name));
    tell("What a practitioner expects (common practice, no source) and what the numbers say:", "");
    let mut t = table(&["listing, figure", "expected", "found", ""], &[2]);
    let (mut agree, mut differ) = (0, 0);
    for a in assessed.iter() {
        t.add_row([a.name.as_str()]);
        for e in &a.saved.expects {
            let found = Figure::of(&a.answer, &e.figure);
            let verdict = e.judge(found.as_ref());
            match verdict {
                Verdict::Agrees => agree += 1,
                Verdict::Differs => differ += 1,
            }
            t.add_row([
                format!("  {}", e.figure),
                e.words(),
                found.map_or_else(|| "none".into(), |f| f.to_string()),
                if verdict == Verdict::Agrees { String::new() } else { "DIFFERS".into() },
            ]);
        }
    }
    say(&trimmed(&t));
    say(&format!("{agree} expectations met, {differ} not:"));
    let differing: Vec<(&Assessed, Vec<String>)> = assessed
        .iter()
        .map(|a| {
            let found = |e: &situations::Expectation| Figure::of(&a.answer, &e.figure);
            let differs = a.saved.expects.iter().filter(|e| e.judge(found(e).as_ref()) == Verdict::Differs);
            let words = differs.map(|e| {
                let found = found(e).map_or_else(|| "none".into(), |f| f.to_string());
                format!("{} {}, found {found}", e.figure, e.words())
            });
            (a, words.collect())
        })
        .filter(|(_, words): &(_, Vec<String>)| !words.is_empty())
        .collect();
    for (a, words) in &differing {
        tell(&format!("  {}: {}", a.name, words.join("; ")), "    ");
    }
    say("\nWhy a practitioner thought otherwise:");
    for (a, _) in &differing {
        tell(&format!("  {}: {}", a.name, a.saved.practitioner), "    ");
    }
}

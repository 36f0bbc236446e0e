//! Readers of case marks and listing texts: a table of strings with their exact readings, and laws
//! that hold for any text.

mod show;

use proptest::prelude::*;
use serde::Deserialize;
use steelyard_model::pack::Pack;
use steelyard_model::readers::{Source, Target, read_case_mark, read_text};

#[derive(Deserialize)]
struct Table {
    reads: Vec<Row>,
}

#[derive(Debug, Clone, Deserialize)]
struct Row {
    text: String,
    says: Vec<String>,
}

fn table(file: &str) -> Vec<Row> {
    toml::from_str::<Table>(file).unwrap().reads
}

fn marks() -> Vec<Row> {
    table(include_str!("marks.toml"))
}

fn texts() -> Vec<Row> {
    table(include_str!("texts.toml"))
}

fn compare(rows: &[Row], read: impl Fn(&str) -> Vec<String>) {
    let wrong: Vec<String> = rows
        .iter()
        .filter_map(|row| {
            let got = read(&row.text);
            (got != row.says).then(|| format!("{:?}\n  table {:?}\n  read  {got:?}", row.text, row.says))
        })
        .collect();
    assert!(wrong.is_empty(), "{} of {} differ:\n{}", wrong.len(), rows.len(), wrong.join("\n"));
}

#[test]
fn case_marks_read_as_in_the_table() {
    let rows = marks();
    assert!(rows.len() >= 60);
    compare(&rows, |text| show::mark(&read_case_mark(text), text));
}

#[test]
fn texts_propose_as_in_the_table() {
    let rows = texts();
    assert!(rows.len() + marks().len() >= 200);
    compare(&rows, |text| show::proposals(&read_text(text, Source::Description)));
}

#[test]
fn the_source_is_kept_and_changes_nothing_else() {
    for row in texts() {
        let title = read_text(&row.text, Source::Title);
        let description = read_text(&row.text, Source::Description);
        assert_eq!(show::proposals(&title), show::proposals(&description));
        assert!(title.iter().all(|p| p.source == Source::Title));
        assert!(description.iter().all(|p| p.source == Source::Description));
    }
}

#[test]
fn proposed_signs_and_traits_are_in_the_pack() {
    let pack = Pack::builtin();
    let traits: Vec<&str> = pack.data().traits.iter().map(String::as_str).collect();
    let mut signs = 0;
    for proposal in texts().iter().flat_map(|row| read_text(&row.text, Source::Title)) {
        match proposal.target {
            Target::Sign { id, .. } => {
                signs += 1;
                assert!(pack.sign(&id).is_some(), "no sign {id}");
            }
            Target::Field { pointer, .. } => {
                if let Some(name) = pointer.strip_prefix("/watch/traits/") {
                    assert!(traits.contains(&name), "no trait {name}");
                }
            }
            Target::Claim { id } => assert!(["all_original", "as_is"].contains(&id.as_str()), "no claim {id}"),
        }
    }
    assert!(signs > 50);
}

/// Capitals are how marks are stamped.
#[test]
fn capitals_change_no_case_mark() {
    let lower = |lines: Vec<String>| lines.into_iter().map(|line| line.to_lowercase()).collect::<Vec<_>>();
    for row in marks().iter().filter(|row| !row.text.contains('ß')) {
        let capitals = row.text.to_uppercase();
        assert_eq!(lower(show::mark(&read_case_mark(&capitals), &capitals)), lower(row.says.clone()));
    }
}

/// Where no word differs by its accents alone, they may be left out.
#[test]
fn accents_may_be_left_out() {
    for (with, without) in [
        ("Plaqué or 20 microns, fond acier", "Plaque or 20 microns, fond acier"),
        ("Lünette vergoldet, Gehäuse Edelstahl", "Lunette vergoldet, Gehause Edelstahl"),
        ("étanche", "etanche"),
    ] {
        let strip = |text: &str| {
            let mut read = read_case_mark(text);
            read.statements.iter_mut().for_each(|s| s.span = [0, 0]);
            read.water.iter_mut().for_each(|w| w.span = [0, 0]);
            read
        };
        assert_eq!(strip(with), strip(without));
        assert!(strip(with) != read_case_mark(""));
    }
    let said = |text: &str| read_text(text, Source::Title).into_iter().map(|p| p.target).collect::<Vec<_>>();
    assert_eq!(said("esfera restaurada, 17 rubíes"), said("esfera restaurada, 17 rubies"));
    // An accent written as a character of its own.
    assert_eq!(said("cadran restaure\u{301}"), said("cadran restauré"));
    assert_eq!(said("cadran restauré").len(), 1);
}

#[test]
fn spans_count_characters_in_texts_and_bytes_in_marks() {
    let proposal = &read_text("Été: 17 rubis", Source::Title)[0];
    assert_eq!((proposal.span, proposal.words.as_str()), ([5, 13], "17 rubis"));
    let mark = read_case_mark("Étanche · fond acier");
    assert_eq!(mark.water[0].span, [0, 8]);
    assert_eq!(mark.statements[0].span, [12, 22]);
}

/// Every law that holds whatever the text.
fn check(text: &str) -> Result<(), TestCaseError> {
    let proposals = read_text(text, Source::Description);
    prop_assert_eq!(&proposals, &read_text(text, Source::Description));
    let length = text.chars().count();
    let mut before = 0;
    for (at, proposal) in proposals.iter().enumerate() {
        let [start, end] = proposal.span;
        prop_assert!(start < end && end <= length && before <= start);
        let words: String = text.chars().skip(start).take(end - start).collect();
        prop_assert_eq!(&words, &proposal.words);
        prop_assert!(proposals[..at].iter().all(|earlier| earlier.target != proposal.target));
        before = start;
    }
    let mark = read_case_mark(text);
    prop_assert_eq!(&mark, &read_case_mark(text));
    let spans = mark.statements.iter().map(|s| s.span).chain(mark.water.iter().map(|w| w.span));
    for [start, end] in spans {
        prop_assert!(start < end && text.get(start..end).is_some());
    }
    for says in &mark.statements {
        prop_assert!(says.metal.is_some() || says.construction.is_some() || says.fineness.is_some());
        prop_assert!(says.fineness.is_none_or(|parts| (333..=999).contains(&parts)));
        prop_assert!(says.carats.is_none() || says.fineness.is_some());
    }
    Ok(())
}

/// Words of the tables, joined at random.
fn jumble() -> impl Strategy<Value = String> {
    let mut words: Vec<String> = marks()
        .into_iter()
        .chain(texts())
        .flat_map(|row| row.text.split_whitespace().map(str::to_owned).collect::<Vec<_>>())
        .collect();
    words.sort();
    words.dedup();
    let joint =
        prop::sample::select(vec![" ", "", ", ", ". ", "\n", " - ", "/", ";", "-", " (", "'", "\u{301}", "\u{ad}"]);
    prop::collection::vec((prop::sample::select(words), joint), 0..24)
        .prop_map(|pairs| pairs.into_iter().map(|(word, joint)| word + joint).collect())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text_reads_within_its_bounds(text in any::<String>()) {
        check(&text)?;
    }

    #[test]
    fn figures_and_marks_read_within_their_bounds(text in "[0-9 .,/%'kKctg€\u{bd}\u{b5}\u{df}\u{301}\u{fdfa}-]{0,24}") {
        check(&text)?;
    }

    #[test]
    fn any_order_of_known_words_reads_within_its_bounds(text in jumble()) {
        check(&text)?;
    }

    /// A mark read alone and behind an unrelated sentence says the same.
    #[test]
    fn a_sentence_before_changes_no_text(row in prop::sample::select(texts())) {
        let lead = "Posted same day.\n";
        let targets = |text: &str| read_text(text, Source::Title).into_iter().map(|p| p.target.to_string()).collect::<Vec<_>>();
        prop_assert_eq!(targets(&format!("{lead}{}", row.text)), targets(&row.text));
    }
}

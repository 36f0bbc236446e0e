//! Readings in one line each, as the tables write them.

use steelyard_model::readers::{CaseMark, Proposal, Statement};

/// A serde unit variant's name.
fn name<T: serde::Serialize>(value: &T) -> String {
    serde_json::to_value(value).unwrap().as_str().unwrap().to_owned()
}

fn statement(says: &Statement, text: &str) -> String {
    let mut line = says.part.map_or("?".into(), |part| name(&part)) + ":";
    let mut add = |word: String| line += &format!(" {word}");
    if let Some(metal) = says.metal {
        add(name(&metal));
    }
    if let Some(construction) = says.construction {
        add(name(&construction));
    }
    if let Some(carats) = says.carats {
        add(format!("{carats}ct"));
    }
    if let Some(fineness) = says.fineness {
        add(format!("{fineness}‰"));
    }
    if let Some(microns) = says.microns {
        add(format!("{microns}µm"));
    }
    if let Some(years) = says.years {
        add(format!("{years}y"));
    }
    if let Some([over, under]) = says.share {
        add(format!("{over}/{under}"));
    }
    add(format!("<{}>", &text[says.span[0]..says.span[1]]));
    line
}

/// The statements of a mark, then its words on water.
pub(crate) fn mark(read: &CaseMark, text: &str) -> Vec<String> {
    let water = read.water.iter().map(|w| format!("{} <{}>", name(&w.wording), &text[w.span[0]..w.span[1]]));
    read.statements.iter().map(|s| statement(s, text)).chain(water).collect()
}

/// Proposals with the words they come from.
pub(crate) fn proposals(read: &[Proposal]) -> Vec<String> {
    read.iter().map(|p| format!("{} <{}>", p.target, p.words)).collect()
}

//! What the seller's words propose, and what becomes of it once the caller lets it count.

use crate::wire::request::{AssessRequest, Year};
use crate::wire::response as wire;
use serde_json::{Value, json};
use std::borrow::Cow;
use steelyard_model::facts::{Derived, Reason};
use steelyard_model::observe::Call;
use steelyard_model::pack::Pack;
use steelyard_model::readers::{Proposal, Source, Target, read_case_mark, read_text};

/// The sign by which a seller declares a reworked dial or case, and the story declared by it.
const DECLARES: (&str, &str) = ("listing_says_refinished", "refinished");

/// A request with what was read from its texts.
#[derive(Debug)]
pub(crate) struct Read<'r> {
    /// The request; with `accept_proposals`, the fields it left open are filled.
    pub(crate) request: Cow<'r, AssessRequest>,
    /// Signs that accepted words call.
    pub(crate) calls: Vec<Derived>,
    /// Every proposal, as it is shown.
    pub(crate) shown: Vec<wire::Proposal>,
}

/// Reads title and description and, where the caller wants it, lets the proposals count. Nothing
/// is read that is neither shown nor accepted.
pub(crate) fn read<'r>(pack: &Pack, request: &'r AssessRequest, show_them: bool) -> Read<'r> {
    let accept = request.accept_proposals == Some(true);
    let mut read = Read { request: Cow::Borrowed(request), calls: Vec::new(), shown: Vec::new() };
    if !accept && !show_them {
        return read;
    }
    let texts = [(&request.title, Source::Title), (&request.description, Source::Description)];
    let found: Vec<Proposal> =
        texts.into_iter().flat_map(|(text, source)| text.iter().flat_map(move |t| read_text(t, source))).collect();
    let mut accepted: Vec<&Target> = Vec::new();
    for proposal in &found {
        let target = &proposal.target;
        let counts = accept && !found.iter().any(|other| contrary(target, &other.target)) && {
            // Said in the title and again in the description: it counts already.
            accepted.contains(&target) || read.accept(pack, proposal)
        };
        if counts {
            accepted.push(target);
        }
        read.shown.push(show(proposal, counts));
    }
    read
}

impl Read<'_> {
    /// Lets a proposal count; whether the request left room for it.
    fn accept(&mut self, pack: &Pack, proposal: &Proposal) -> bool {
        match &proposal.target {
            Target::Sign { id, present } => self.call(pack, proposal, id, *present),
            Target::Field { pointer, value } => fill(pack, self.request.to_mut(), pointer, value),
            Target::Claim { .. } => false,
        }
    }

    fn call(&mut self, pack: &Pack, proposal: &Proposal, id: &str, present: bool) -> bool {
        let Some(sign) = pack.sign(id).filter(|_| self.request.observations.iter().flatten().all(|o| o.sign != id))
        else {
            return false;
        };
        let text = match proposal.source {
            Source::Title => "title",
            Source::Description => "description",
        };
        let because = format!("The {text} says “{}”.", proposal.words);
        let at = format!("/{text}");
        let call = if present { Call::Present } else { Call::Absent };
        self.calls.push(Derived { sign, call, reasons: vec![Reason { because, facts: [at.clone(), at] }] });
        let (declaring, story) = DECLARES;
        let declared = self.request.disclosed.iter().flatten().any(|d| d == story);
        if present && id == declaring && !declared && pack.story(story).is_some() {
            self.request.to_mut().disclosed.push(Some(story.into()));
        }
        true
    }
}

/// Whether two proposals would set the same thing to different values.
fn contrary(one: &Target, other: &Target) -> bool {
    match (one, other) {
        (Target::Sign { id: a, present: x }, Target::Sign { id: b, present: y }) => a == b && x != y,
        (Target::Field { pointer: a, value: x }, Target::Field { pointer: b, value: y }) => a == b && x != y,
        _ => false,
    }
}

/// Fills a field that the request leaves open; whether it did.
fn fill(pack: &Pack, request: &mut AssessRequest, pointer: &str, value: &Value) -> bool {
    let stated = request.watch.as_ref();
    let facts = stated.and_then(|w| w.facts.as_ref());
    match pointer {
        "/watch/facts/jewels" if facts.is_none_or(|f| f.jewels.is_none()) => {
            let jewels = value.as_u64().and_then(|n| u32::try_from(n).ok());
            jewels
                .map(|n| request.watch.get_or_insert_default().facts.get_or_insert_default().jewels = Some(n))
                .is_some()
        }
        "/watch/facts/calibre" if facts.is_none_or(|f| f.calibre.is_none()) => {
            let calibre = value.as_str().map(str::to_owned);
            calibre
                .map(|c| request.watch.get_or_insert_default().facts.get_or_insert_default().calibre = Some(c))
                .is_some()
        }
        "/watch/years" if stated.is_none_or(|w| w.years.is_none()) => {
            let years: Option<Vec<Option<Year>>> = serde_json::from_value(value.clone()).ok();
            years.map(|y| request.watch.get_or_insert_default().years = Some(y)).is_some()
        }
        "/offer/returns/honoured" => {
            let returns = request.offer.get_or_insert_default().returns.get_or_insert_default();
            returns.honoured.is_none() && value.as_f64().map(|h| returns.honoured = Some(h)).is_some()
        }
        _ => match (pointer.strip_prefix("/watch/traits/"), value) {
            (Some(name), Value::Bool(stated)) => state(pack, request, name, *stated),
            _ => false,
        },
    }
}

/// States a trait. That there is none is not taken from words where the caller saw a sign of it,
/// and never of luminous paint: a watch is not opened because its seller says that it is safe.
fn state(pack: &Pack, request: &mut AssessRequest, name: &str, stated: bool) -> bool {
    let Some(index) = pack.trait_(name) else { return false };
    let rests_on_it = |id: &str| pack.sign(id).is_some_and(|s| pack.signs()[s].applies_if == Some(index));
    let called = request.observations.iter().flatten().any(|o| rests_on_it(&o.sign));
    if !stated && (called || pack.luminous() == Some(index)) {
        return false;
    }
    let traits = &mut request.watch.get_or_insert_default().traits;
    if traits.contains_key(name) {
        return false;
    }
    traits.insert(name.into(), stated);
    true
}

fn show(proposal: &Proposal, counts: bool) -> wire::Proposal {
    let (mut field, mut sign, mut claim) = (None, None, None);
    let value = match &proposal.target {
        Target::Sign { id, present } => {
            sign = Some(id.clone());
            json!(if *present { "present" } else { "absent" })
        }
        Target::Field { pointer, value } => {
            field = Some(pointer.clone());
            value.clone()
        }
        Target::Claim { id } => {
            claim = Some(id.clone());
            json!(true)
        }
    };
    let Proposal { span, words, source, .. } = proposal.clone();
    wire::Proposal { field, sign, claim, value, span, words, source, counts }
}

/// What the marks on case, back and bezel were read as.
pub(crate) fn marks(request: &AssessRequest) -> Vec<wire::Mark> {
    let Some(facts) = request.watch.as_ref().and_then(|w| w.facts.as_ref()) else { return Vec::new() };
    let lists =
        [("case_marks", &facts.case_marks), ("back_marks", &facts.back_marks), ("bezel_marks", &facts.bezel_marks)];
    let mut all = Vec::new();
    for (list, marks) in lists {
        for (i, text) in marks.iter().enumerate().filter_map(|(i, m)| Some((i, m.as_ref()?))) {
            let read = read_case_mark(text);
            let metals = read
                .statements
                .iter()
                .map(|s| wire::MarkedMetal {
                    part: s.part,
                    metal: s.metal,
                    construction: s.construction,
                    fineness: s.fineness,
                    carats: s.carats,
                    microns: s.microns,
                    years: s.years,
                    words: text.get(s.span[0]..s.span[1]).unwrap_or_default().to_owned(),
                })
                .collect();
            all.push(wire::Mark {
                field: format!("/watch/facts/{list}/{i}"),
                text: text.clone(),
                metals,
                water: read.water.iter().map(|w| w.wording).collect(),
            });
        }
    }
    all
}

//! What a pack must satisfy before anything is computed from it.

use super::data::{Component, ModelData, Segment, Sign};
use super::{ORIGINAL, PackError, PackErrors, nearest};
use crate::contraction::MAX_LANES;
use crate::network::check_row;
use std::collections::BTreeMap;

/// Views are kept as bits of a word.
const MOST_VIEWS: usize = 32;

struct Faults(Vec<PackError>);

impl Faults {
    fn add(&mut self, entry: impl Into<String>, detail: impl Into<String>) {
        self.0.push(PackError { entry: entry.into(), detail: detail.into() });
    }

    fn unless(&mut self, holds: bool, entry: impl Into<String>, detail: impl Into<String>) {
        if !holds {
            self.add(entry, detail);
        }
    }

    /// A number strictly between two bounds.
    fn between(&mut self, entry: &str, x: f64, low: f64, high: f64) {
        self.unless(x > low && x < high, entry, format!("{x} does not lie between {low} and {high}"));
    }

    fn at_least(&mut self, entry: &str, x: f64, low: f64) {
        self.unless(x.is_finite() && x >= low, entry, format!("{x} is not a number of at least {low}"));
    }

    fn positive(&mut self, entry: &str, x: f64) {
        self.unless(x.is_finite() && x > 0.0, entry, format!("{x} is not a number above 0"));
    }

    fn unique<'a>(&mut self, section: &str, ids: impl Iterator<Item = &'a str>) {
        let mut seen = std::collections::BTreeSet::new();
        for id in ids {
            self.unless(!id.is_empty(), section, "an entry has an empty id");
            self.unless(seen.insert(id), format!("{section}.{id}"), "this id stands twice");
        }
    }

    fn known<'a>(&mut self, entry: &str, kind: &str, name: &str, mut all: impl Iterator<Item = &'a str> + Clone) {
        if !all.clone().any(|n| n == name) {
            let near = nearest(name, &mut all);
            self.add(entry, format!("there is no {kind} `{name}`{near}"));
        }
    }
}

pub(super) fn check(data: &ModelData) -> Result<(), PackErrors> {
    let mut faults = Faults(Vec::new());
    frame(data, &mut faults);
    for segment in &data.segments {
        check_segment(data, segment, &mut faults);
    }
    for component in &data.components {
        check_component(data, component, &mut faults);
    }
    cycles(data, &mut faults);
    for sign in &data.signs {
        check_sign(data, sign, &mut faults);
    }
    money(data, &mut faults);
    if faults.0.is_empty() { Ok(()) } else { Err(PackErrors(faults.0)) }
}

fn frame(data: &ModelData, faults: &mut Faults) {
    faults.unless(!data.version.is_empty(), "version", "is empty");
    faults.unique("stories", data.stories.iter().map(|s| s.id.as_str()));
    faults.unique("states", data.states.iter().map(|s| s.id.as_str()));
    faults.unique("views", data.views.iter().map(|v| v.id.as_str()));
    faults.unique("traits", data.traits.iter().map(String::as_str));
    faults.unique("segments", data.segments.iter().map(|s| s.id.as_str()));
    faults.unique("components", data.components.iter().map(|c| c.id.as_str()));
    faults.unique("signs", data.signs.iter().map(|s| s.id.as_str()));
    faults.unless((2..=MAX_LANES).contains(&data.stories.len()), "stories", format!("wants 2 to {MAX_LANES} of them"));
    faults.unless(data.stories.iter().any(|s| s.bad), "stories", "none is bad");
    faults.unless(data.stories.iter().any(|s| !s.bad), "stories", "none is sound");
    faults.unless(data.stories.iter().any(|s| s.id == ORIGINAL), "stories", format!("none is `{ORIGINAL}`"));
    faults.unless(data.states.iter().any(|s| s.id == ORIGINAL), "states", format!("none is `{ORIGINAL}`"));
    faults.unless(data.components.iter().all(|c| c.id != "story"), "components.story", "this name is taken");
    faults.unless(!data.segments.is_empty(), "segments", "there are none");
    faults.unless(!data.components.is_empty(), "components", "there are none");
    faults.unless(data.views.len() <= MOST_VIEWS, "views", format!("more than {MOST_VIEWS}"));
    for (i, bundle) in data.bundles.iter().enumerate() {
        faults.unless(unrepeated(bundle), format!("bundles[{i}]"), "names a view twice");
        for view in bundle {
            let entry = format!("bundles[{i}]");
            faults.known(&entry, "view", view, data.views.iter().map(|v| v.id.as_str()));
            let askable = data.views.iter().any(|v| v.id == *view && v.askable);
            faults.unless(askable, entry, format!("`{view}` cannot be asked for"));
        }
    }
    for (class, r) in &data.readings {
        for (name, x) in [("a", r.a), ("b", r.b), ("g", r.g)] {
            faults.between(&format!("readings.{class}.{name}"), x, 0.0, 1.0);
        }
        faults.unless(r.a > r.b, format!("readings.{class}"), "a must be above b, or a call would mean its opposite");
        faults.positive(&format!("readings.{class}.n50_cycles"), r.n50_cycles);
        if let Some(s) = r.strength {
            faults.positive(&format!("readings.{class}.strength.a"), s.a);
            faults.positive(&format!("readings.{class}.strength.b"), s.b);
        }
    }
    let f = &data.feedback;
    for (name, x) in [("baseline", f.baseline), ("complains", f.complains), ("concerned", f.concerned)] {
        faults.between(&format!("feedback.{name}"), x, 0.0, 1.0);
    }
    faults.between("feedback.baseline + complains * concerned", f.baseline + f.complains * f.concerned, 0.0, 1.0);
    faults.unless(f.power > 0.0 && f.power <= 1.0, "feedback.power", format!("{} is not in (0, 1]", f.power));
    faults.positive("feedback.most_cases", f.most_cases);
    let d = &data.defaults;
    faults.positive("defaults.dial_diameter_mm", d.dial_diameter_mm);
    faults.positive("defaults.case_diameter_mm", d.case_diameter_mm);
    faults.at_least("defaults.asking_cost_share", d.asking_cost_share, 0.0);
    faults.between("defaults.offer_share", d.offer_share, 0.0, 1.0);
    faults.between("defaults.resolves_at", d.resolves_at, 0.0, 1.0);
    faults.positive("recalibration.slope", data.recalibration.slope);
    if let Some(c) = data.calibration {
        faults.positive("calibration.intercept_precision", c.intercept_precision);
        faults.positive("calibration.slope_precision", c.slope_precision);
    }
    faults.unless(data.recalibration.intercept.is_finite(), "recalibration.intercept", "is not finite");
}

fn unrepeated(names: &[String]) -> bool {
    names.iter().enumerate().all(|(i, n)| !names[..i].contains(n))
}

fn check_segment(data: &ModelData, s: &Segment, faults: &mut Faults) {
    let entry = format!("segments.{}", s.id);
    faults.positive(&format!("{entry}.a"), s.a);
    faults.positive(&format!("{entry}.b"), s.b);
    if let Some(of) = s.strength {
        let figures = [("rate", of.rate), ("spread_log_sd", of.spread_log_sd), ("sound", of.sound), ("bad", of.bad)];
        for (name, x) in figures {
            faults.positive(&format!("{entry}.strength.{name}"), x);
        }
    }
    for (name, split, bad) in [("sound", &s.sound, false), ("bad", &s.bad, true)] {
        let entry = format!("{entry}.{name}");
        let wanted: Vec<&str> = data.stories.iter().filter(|h| h.bad == bad).map(|h| h.id.as_str()).collect();
        for story in split.keys() {
            faults.known(&entry, &format!("{name} story"), story, wanted.iter().copied());
        }
        for story in wanted {
            match split.get(story) {
                Some(p) => {
                    faults.unless(*p > 0.0, entry.clone(), format!("`{story}` has share {p}: no story is impossible"))
                }
                None => faults.add(entry.clone(), format!("story `{story}` is missing")),
            }
        }
        if let Err(detail) = check_row(split.values().copied()) {
            faults.add(entry, detail);
        }
    }
}

fn check_component(data: &ModelData, c: &Component, faults: &mut Faults) {
    let entry = format!("components.{}", c.id);
    faults.unique(&format!("{entry}.states"), c.states.iter().map(|s| s.id.as_str()));
    for s in &c.states {
        let states = data.states.iter().map(|p| p.id.as_str());
        faults.known(&format!("{entry}.states.{}", s.id), "state", &s.seen_as, states);
    }
    let mut shape = vec![data.stories.len()];
    match c.parents.as_slice() {
        [story] if story == "story" => {}
        [story, other] if story == "story" => match data.components.iter().find(|o| o.id == *other) {
            Some(o) if o.id != c.id => shape.push(o.states.len()),
            Some(_) => return faults.add(entry, "is its own parent: a cycle"),
            None => {
                let ids = data.components.iter().map(|o| o.id.as_str());
                return faults.known(&format!("{entry}.parents"), "component", other, ids);
            }
        },
        _ => return faults.add(format!("{entry}.parents"), "wants `story`, then at most one component"),
    }
    let rows = shape.clone();
    shape.push(c.states.len());
    if c.mean.shape() != shape {
        return faults.add(format!("{entry}.mean"), format!("has shape {:?}, wants {shape:?}", c.mean.shape()));
    }
    if c.strength.shape() != rows {
        return faults.add(format!("{entry}.strength"), format!("has shape {:?}, wants {rows:?}", c.strength.shape()));
    }
    for (i, row) in c.mean.rows().into_iter().enumerate() {
        let at = format!(
            "{entry}.mean row {i} ({})",
            data.stories[i * data.stories.len() / c.mean.rows().into_iter().len()].id
        );
        if let Err(detail) = check_row(row.iter().copied()) {
            faults.add(at.clone(), detail);
        }
        faults.unless(row.iter().all(|p| *p > 0.0), at, "holds a zero: nothing seen makes a story impossible");
    }
    faults.unless(c.strength.iter().all(|s| s.is_finite() && *s > 0.0), format!("{entry}.strength"), "must be above 0");
}

fn cycles(data: &ModelData, faults: &mut Faults) {
    let parent: BTreeMap<&str, &str> =
        data.components.iter().filter_map(|c| c.parents.get(1).map(|p| (c.id.as_str(), p.as_str()))).collect();
    for c in &data.components {
        let mut at = c.id.as_str();
        for _ in 0..data.components.len() {
            match parent.get(at) {
                Some(up) => at = up,
                None => break,
            }
        }
        faults.unless(!parent.contains_key(at), format!("components.{}.parents", c.id), "the parents form a cycle");
    }
}

fn check_sign(data: &ModelData, s: &Sign, faults: &mut Faults) {
    let entry = format!("signs.{}", s.id);
    let mut shape = Vec::new();
    for name in &s.on {
        match data.components.iter().find(|c| c.id == *name) {
            Some(c) => shape.push(c.states.len()),
            None if name == "story" && s.on.len() == 1 => shape.push(data.stories.len()),
            None => {
                faults.known(&format!("{entry}.on"), "component", name, data.components.iter().map(|c| c.id.as_str()))
            }
        }
    }
    if !(1..=2).contains(&s.on.len()) || (s.on.len() == 2 && s.on[0] == s.on[1]) {
        faults.add(format!("{entry}.on"), "wants `story`, one component or two different ones");
    } else if shape.len() == s.on.len() && s.present.mean.shape() != shape {
        faults.add(format!("{entry}.present"), format!("has shape {:?}, wants {shape:?}", s.present.mean.shape()));
    }
    for p in &s.present.mean {
        faults.between(&format!("{entry}.present"), *p, 0.0, 1.0);
    }
    let strengths = s.present.strength.shape() == s.present.mean.shape()
        && s.present.strength.iter().all(|n| n.is_finite() && *n > 0.0);
    faults.unless(strengths, format!("{entry}.strength"), "wants a number above 0 for every cell");
    faults.unless(!s.question.trim().is_empty(), format!("{entry}.question"), "is empty");
    faults.unless(!s.needs.is_empty(), format!("{entry}.needs"), "no view meets it");
    for set in &s.needs {
        faults.unless(!set.is_empty(), format!("{entry}.needs"), "an alternative names no view");
        faults.unless(unrepeated(set), format!("{entry}.needs"), "an alternative names a view twice");
        for view in set {
            faults.known(&format!("{entry}.needs"), "view", view, data.views.iter().map(|v| v.id.as_str()));
        }
    }
    if let Some(mm) = s.feature_mm {
        faults.positive(&format!("{entry}.feature_mm"), mm);
    }
    match data.readings.get(&s.reading) {
        None => faults.known(
            &format!("{entry}.reading"),
            "reading class",
            &s.reading,
            data.readings.keys().map(String::as_str),
        ),
        Some(class) => {
            let o = s.reading_override.unwrap_or_default();
            let (a, b) = (o.a.unwrap_or(class.a), o.b.unwrap_or(class.b));
            for (name, x) in [("a", Some(a)), ("b", Some(b)), ("g", o.g)] {
                if let Some(x) = x {
                    faults.between(&format!("{entry}.reading_override.{name}"), x, 0.0, 1.0);
                }
            }
            faults.unless(a > b, format!("{entry}.reading_override"), "a must be above b");
            if let Some(n50) = o.n50_cycles {
                faults.positive(&format!("{entry}.reading_override.n50_cycles"), n50);
            }
        }
    }
    if let Some(t) = &s.applies_if {
        faults.known(&format!("{entry}.applies_if"), "trait", t, data.traits.iter().map(String::as_str));
    }
    for other in &s.excludes {
        faults.unless(*other != s.id, format!("{entry}.excludes"), "excludes itself");
        faults.known(&format!("{entry}.excludes"), "sign", other, data.signs.iter().map(|o| o.id.as_str()));
    }
}

fn money(data: &ModelData, faults: &mut Faults) {
    let stories = || data.stories.iter().map(|s| s.id.as_str());
    let v = &data.value;
    for (section, table) in [("by_state", &v.by_state), ("salvage", &v.salvage)] {
        for (id, by_state) in table {
            let entry = format!("value.{section}.{id}");
            let Some(c) = data.components.iter().find(|c| c.id == *id) else {
                faults.known(&entry, "component", id, data.components.iter().map(|c| c.id.as_str()));
                continue;
            };
            for (state, x) in by_state {
                faults.known(&entry, "state", state, c.states.iter().map(|s| s.id.as_str()));
                faults.at_least(&format!("{entry}.{state}"), *x, 0.0);
            }
            for s in &c.states {
                faults.unless(by_state.contains_key(&s.id), entry.clone(), format!("state `{}` is missing", s.id));
            }
        }
    }
    for (id, repair) in &v.repairs {
        let entry = format!("value.repairs.{id}");
        faults.known(&entry, "component", id, data.components.iter().map(|c| c.id.as_str()));
        faults.at_least(&format!("{entry}.cost"), repair.cost, 0.0);
        faults.at_least(&format!("{entry}.value_after"), repair.value_after, 0.0);
    }
    for (id, s) in &v.by_story {
        let entry = format!("value.by_story.{id}");
        faults.known(&entry, "story", id, stories());
        if let Some(factor) = s.factor {
            faults.positive(&format!("{entry}.factor"), factor);
        }
        faults.at_least(&format!("{entry}.log_sd"), s.log_sd, 0.0);
        faults.between(&format!("{entry}.noticed_on_arrival"), s.noticed_on_arrival, 0.0, 1.0);
    }
    let p = &data.price_evidence;
    faults.positive("price_evidence.nu", p.nu);
    faults.positive("price_evidence.scale", p.scale);
    for story in stories() {
        faults.unless(v.by_story.contains_key(story), "value.by_story", format!("story `{story}` is missing"));
        faults.unless(
            p.location.get(story).is_some_and(|x| x.is_finite()),
            "price_evidence.location",
            format!("story `{story}` is missing or not finite"),
        );
    }
    for story in p.location.keys() {
        faults.known("price_evidence.location", "story", story, stories());
    }
    for (name, x) in [("parting_yield", v.parting_yield), ("metal_yield", v.metal_yield)] {
        faults.unless((0.0..=1.0).contains(&x), format!("value.{name}"), format!("{x} is not in [0, 1]"));
    }
    faults.at_least("value.parting_log_sd", v.parting_log_sd, 0.0);
}

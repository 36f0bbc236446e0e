//! Bodies bent at random: what to put where.

use proptest::prelude::*;
use proptest::sample::{Index, select};
use serde_json::{Map, Value, json};
use std::collections::BTreeSet;
use std::sync::LazyLock;
use steelyard::openapi;
use steelyard_model::pack::Pack;

/// Words that mean something somewhere: names in the model, members and options in the schema.
pub(crate) struct Words {
    pub(crate) members: Vec<String>,
    pub(crate) values: Vec<String>,
    pub(crate) signs: Vec<String>,
}

pub(crate) static WORDS: LazyLock<Words> = LazyLock::new(|| {
    fn collect(value: &Value, members: &mut BTreeSet<String>, values: &mut BTreeSet<String>) {
        let Value::Object(object) = value else { return };
        members.extend(object.get("properties").and_then(Value::as_object).into_iter().flat_map(Map::keys).cloned());
        let options = object.get("enum").and_then(Value::as_array).into_iter().flatten();
        values.extend(options.filter_map(Value::as_str).map(str::to_owned));
        object.values().for_each(|v| collect(v, members, values));
    }
    let (mut members, mut values) = (BTreeSet::new(), BTreeSet::new());
    collect(&openapi::document().unwrap()["components"]["schemas"], &mut members, &mut values);
    let data = Pack::builtin().data().clone();
    let signs: Vec<String> = data.signs.into_iter().map(|s| s.id).collect();
    members.extend(data.traits);
    values.extend(data.views.into_iter().map(|v| v.id));
    values.extend(data.stories.into_iter().map(|s| s.id));
    values.extend(data.segments.into_iter().map(|s| s.id));
    values.extend(signs.iter().cloned());
    let more = [
        "",
        "p1",
        "EUR",
        "JPY",
        "BHD",
        "CLF",
        "XAU",
        "ZZZ",
        "eur",
        "0",
        "0.00",
        "-0.00",
        "-1.00",
        "0.0001",
        "640.00",
        "640.001",
        "999999999999.9999",
        "999999999999",
        "1000000000000",
        "1e5",
        "00000000000001",
        "2026-11-24T21:00:00Z",
        "2026-02-30T25:61:61Z",
        "9999-12-31T23:59:60Z",
        "\u{0}",
        "\u{feff}",
        "~",
        "a/b",
        "~1",
        "🕰",
        "\u{202e}",
    ];
    values.extend(more.map(str::to_owned));
    Words { members: members.into_iter().collect(), values: values.into_iter().collect(), signs }
});

pub(crate) fn number() -> impl Strategy<Value = Value> {
    let edges = [
        0.0,
        -0.0,
        0.5,
        1.0,
        -1.0,
        2.0,
        1e-300,
        5e-324,
        1e300,
        f64::MAX,
        f64::MIN,
        0.1,
        1957.0,
        1e9,
        1e15,
        4_294_967_296.0,
        9_007_199_254_740_993.0,
        9.3e18,
        1.9e19,
        1e30,
    ];
    let wholes = [0, 1, -1, 2, 5, 199, 200, 201, 1000, 1700, 2100, i64::from(i32::MAX), i64::MAX, i64::MIN];
    prop_oneof![
        4 => select(edges.to_vec()).prop_map(Value::from),
        4 => select(wholes.to_vec()).prop_map(Value::from),
        1 => Just(json!(u64::MAX)),
        2 => any::<f64>().prop_filter_map("finite", |x| serde_json::Number::from_f64(x).map(Value::Number)),
        2 => (-3000_i64..3000).prop_map(Value::from),
    ]
}

pub(crate) fn value() -> impl Strategy<Value = Value> {
    let word = prop_oneof![
        6 => select(WORDS.values.clone()),
        2 => select(WORDS.members.clone()),
        2 => any::<String>(),
        1 => (0..3000_usize).prop_map(|n| "long".repeat(n)),
    ];
    let leaf = prop_oneof![
        2 => Just(Value::Null),
        2 => any::<bool>().prop_map(Value::from),
        5 => number(),
        6 => word.prop_map(Value::from),
    ];
    let member = prop_oneof![4 => select(WORDS.members.clone()), 1 => any::<String>()];
    leaf.prop_recursive(3, 24, 5, move |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..5).prop_map(Value::from),
            prop::collection::vec((member.clone(), inner), 0..5).prop_map(|m| Value::Object(m.into_iter().collect())),
        ]
    })
}

/// One change at a place chosen among those the body has by then.
#[derive(Debug, Clone)]
pub(crate) enum Bend {
    Put(Index, Value),
    Remove(Index),
    Insert(Index, String, Value),
    Repeat(Index, u8),
    Move(Index, Index),
}

pub(crate) fn bend() -> impl Strategy<Value = Bend> {
    let at = any::<Index>;
    prop_oneof![
        8 => (at(), value()).prop_map(|(i, v)| Bend::Put(i, v)),
        4 => (at(), number()).prop_map(|(i, v)| Bend::Put(i, v)),
        4 => at().prop_map(Bend::Remove),
        4 => (at(), select(WORDS.members.clone()), value()).prop_map(|(i, m, v)| Bend::Insert(i, m, v)),
        2 => (at(), 1..=255_u8).prop_map(|(i, n)| Bend::Repeat(i, n)),
        3 => (at(), at()).prop_map(|(i, j)| Bend::Move(i, j)),
    ]
}

/// The pointers of all places in a document.
pub(crate) fn places(value: &Value, at: &str, found: &mut Vec<String>) {
    found.push(at.to_owned());
    match value {
        Value::Object(members) => members.iter().for_each(|(name, v)| {
            places(v, &steelyard::problem::pointer_to(at, name), found);
        }),
        Value::Array(items) => items.iter().enumerate().for_each(|(i, v)| places(v, &format!("{at}/{i}"), found)),
        _ => {}
    }
}

impl Bend {
    pub(crate) fn apply(self, body: &mut Value) {
        let mut all = Vec::new();
        places(body, "", &mut all);
        let place = |index: Index| index.get(&all).as_str();
        match self {
            Self::Put(at, value) => *body.pointer_mut(place(at)).unwrap() = value,
            Self::Move(from, to) => {
                let value = body.pointer(place(from)).unwrap().clone();
                *body.pointer_mut(place(to)).unwrap() = value;
            }
            Self::Insert(at, name, value) => match body.pointer_mut(place(at)).unwrap() {
                Value::Object(members) => drop(members.insert(name, value)),
                Value::Array(items) => items.push(value),
                other => *other = json!({ name: value }),
            },
            Self::Repeat(at, times) => {
                if let Value::Array(items) = body.pointer_mut(place(at)).unwrap()
                    && let Some(last) = items.last().cloned()
                {
                    items.extend(std::iter::repeat_n(last, usize::from(times)));
                }
            }
            Self::Remove(at) => {
                let Some((parent, token)) = place(at).rsplit_once('/') else { return };
                match body.pointer_mut(parent).unwrap() {
                    Value::Object(members) => drop(members.remove(&token.replace("~1", "/").replace("~0", "~"))),
                    Value::Array(items) => drop(items.remove(token.parse().unwrap())),
                    _ => {}
                }
            }
        }
    }
}

//! Which of a seller's listings are of one watch: a watch put up again counts once, and never for
//! itself.

use crate::wire::request::AssessRequest;
use std::collections::HashMap;
use steelyard_model::facts::Book;

/// A picture that stands in more of a seller's listings is the seller's own, not a watch's.
const MOST_LISTINGS_OF_A_PHOTO: usize = 4;

/// What tells a watch from another.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Marks {
    maker: Option<String>,
    reference: Option<String>,
    serial: Option<String>,
    photos: Vec<String>,
}

impl Marks {
    pub(crate) fn of(request: &AssessRequest) -> Self {
        let watch = request.watch.as_ref();
        let digests = request.photos.iter().flatten().filter_map(|p| p.digest.clone());
        let key = |name: Option<&String>| name.map(|n| Book::name_key(n)).filter(|n| !n.is_empty());
        Self {
            maker: key(watch.and_then(|w| w.maker.as_ref())),
            reference: key(watch.and_then(|w| w.reference.as_ref())),
            serial: key(watch.and_then(|w| w.facts.as_ref()).and_then(|f| f.serial.as_ref())),
            photos: digests.filter(|d| !d.trim().is_empty()).collect(),
        }
    }

    /// The serial number, however it is written.
    pub(crate) fn serial(&self) -> Option<&str> {
        self.serial.as_deref()
    }

    /// Digests of the photos.
    pub(crate) fn photos(&self) -> &[String] {
        &self.photos
    }

    /// Whether what is stated of two cannot be of one watch.
    fn contradict(&self, other: &Self) -> bool {
        let differ = |a: &Option<String>, b: &Option<String>| a.is_some() && b.is_some() && a != b;
        differ(&self.maker, &other.maker)
            || differ(&self.reference, &other.reference)
            || differ(&self.serial, &other.serial)
    }
}

/// Numbers the watches: one number for each set of marks, the same where they are of one watch.
pub(crate) fn watches(marks: &[&Marks]) -> Vec<usize> {
    let mut watch: Vec<usize> = (0..marks.len()).collect();
    let mut bearers: HashMap<(bool, &str), Vec<usize>> = HashMap::new();
    for (i, m) in marks.iter().enumerate() {
        let serial = m.serial.as_deref().map(|s| (true, s));
        for mark in serial.into_iter().chain(m.photos.iter().map(|p| (false, p.as_str()))) {
            bearers.entry(mark).or_default().push(i);
        }
    }
    for ((serial, _), bearers) in bearers {
        if !serial && bearers.len() > MOST_LISTINGS_OF_A_PHOTO {
            continue;
        }
        for (n, &i) in bearers.iter().enumerate() {
            for &j in &bearers[n + 1..] {
                if !marks[i].contradict(marks[j]) {
                    let (one, two) = (root(&watch, i), root(&watch, j));
                    watch[one.max(two)] = one.min(two);
                }
            }
        }
    }
    (0..marks.len()).map(|i| root(&watch, i)).collect()
}

fn root(watch: &[usize], mut i: usize) -> usize {
    while watch[i] != i {
        i = watch[i];
    }
    i
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    fn watches_of(requests: &[Value]) -> Vec<usize> {
        let marks: Vec<Marks> =
            requests.iter().map(|r| Marks::of(&serde_json::from_value(r.clone()).unwrap())).collect();
        watches(&marks.iter().collect::<Vec<_>>())
    }

    fn listing(maker: &str, serial: Option<&str>, photos: &[&str]) -> Value {
        let photos: Vec<Value> =
            photos.iter().enumerate().map(|(i, d)| json!({ "id": format!("p{i}"), "digest": d })).collect();
        json!({ "watch": { "maker": maker, "facts": { "serial": serial } }, "photos": photos, "observations": [] })
    }

    #[test]
    fn a_serial_or_a_photo_makes_one_watch_of_two_listings_and_a_chain_one_of_three() {
        let found = watches_of(&[
            listing("Halvorne", Some("No. 12 345"), &["a"]),
            listing("Halvorne", Some("no 12345"), &[]),
            listing("Halvorne", None, &["a", "b"]),
            listing("Halvorne", None, &["c"]),
        ]);
        assert_eq!(found, [0, 0, 0, 3]);
    }

    #[test]
    fn what_contradicts_is_two_watches_whatever_it_shares() {
        assert_eq!(watches_of(&[listing("Halvorne", Some("77"), &[]), listing("Tessaly", Some("77"), &[])]), [0, 1]);
        assert_eq!(
            watches_of(&[listing("Halvorne", Some("1"), &["a"]), listing("Halvorne", Some("2"), &["a"])]),
            [0, 1]
        );
    }

    #[test]
    fn the_sellers_own_picture_makes_no_watch() {
        let shop = |n: usize| watches_of(&vec![listing("Halvorne", None, &["shop"]); n]);
        assert_eq!(shop(4), [0, 0, 0, 0]);
        assert_eq!(shop(5), [0, 1, 2, 3, 4]);
    }
}

//! The reference book, and versions of the model.

use crate::support::{ACCOUNT, Place, at};
use steelyard::store::{BookPart, NewModel, Precondition};

on_both! {
    book_entries_are_put_got_listed_and_deleted,
    the_book_can_be_read_as_it_was,
    models_come_into_force_and_go_back,
}

async fn book_entries_are_put_got_listed_and_deleted(place: &Place) {
    let store = place.open().await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    for (maker, name) in [("b", "1"), ("a", "2"), ("a", "1"), ("a", "10")] {
        assert!(write.put_book_entry(BookPart::Reference, maker, name, "{}", at(0)).await.unwrap());
    }
    assert!(write.put_book_entry(BookPart::Calibre, "a", "1", r#"{"jewels":[17]}"#, at(0)).await.unwrap());
    assert!(!write.put_book_entry(BookPart::Reference, "a", "1", r#"{"years":[1]}"#, at(9)).await.unwrap());
    write.commit().await.unwrap();
    let one = store.book_entry(ACCOUNT, BookPart::Reference, "a", "1").await.unwrap();
    assert_eq!((one.body.as_str(), one.updated_at, one.revision), (r#"{"years":[1]}"#, at(9), 1));
    assert_eq!(store.book_entry(ACCOUNT, BookPart::Calibre, "a", "1").await.unwrap().body, r#"{"jewels":[17]}"#);
    let (mut seen, mut after) = (Vec::new(), (String::new(), String::new()));
    while let [.., last] = store.book(ACCOUNT, BookPart::Reference, (&after.0, &after.1), 2).await.unwrap().as_slice() {
        let page = store.book(ACCOUNT, BookPart::Reference, (&after.0, &after.1), 2).await.unwrap();
        seen.extend(page.iter().map(|e| format!("{}{}", e.maker, e.name)));
        after = (last.maker.clone(), last.name.clone());
    }
    assert_eq!(seen, ["a1", "a10", "a2", "b1"]);
    let mut write = store.write(ACCOUNT).await.unwrap();
    for (name, precondition, holds) in [
        ("1", Precondition::None, true),
        ("1", Precondition::Revisions(vec![1]), true),
        ("1", Precondition::Revisions(vec![2]), false),
        ("1", Precondition::Absent, false),
        ("3", Precondition::Absent, true),
        ("3", Precondition::Revisions(vec![1]), false),
    ] {
        let expected = write.expect_book_entry(BookPart::Reference, "a", name, precondition).await;
        assert!(if holds { expected.is_ok() } else { expected.unwrap_err().is_conflict() });
    }
    write.delete_book_entry(BookPart::Reference, "a", "1").await.unwrap();
    assert!(write.delete_book_entry(BookPart::Reference, "a", "1").await.unwrap_err().is_not_found());
    write.commit().await.unwrap();
    assert!(store.book_entry(ACCOUNT, BookPart::Reference, "a", "1").await.unwrap_err().is_not_found());
    assert!(store.book_entry(ACCOUNT, BookPart::Calibre, "a", "1").await.is_ok());
}

async fn the_book_can_be_read_as_it_was(place: &Place) {
    let store = place.open().await;
    let write = async |change: fn(&'static str) -> Option<&'static str>, name| {
        let mut write = store.write(ACCOUNT).await.unwrap();
        match change(name) {
            Some(body) => drop(write.put_book_entry(BookPart::Calibre, "m", name, body, at(0)).await.unwrap()),
            None => write.delete_book_entry(BookPart::Calibre, "m", name).await.unwrap(),
        }
        let revision = write.revision();
        write.commit().await.unwrap();
        revision
    };
    let first = write(|_| Some("1"), "a").await;
    write(|_| Some("b"), "b").await;
    write(|_| Some("2"), "a").await;
    let gone = write(|_| None, "a").await;
    let back = write(|_| Some("3"), "a").await;
    let as_of = async |revision| store.past_book(ACCOUNT, BookPart::Calibre, revision).await.unwrap();
    assert!(as_of(first - 1).await.is_empty());
    let seen =
        [as_of(first).await, as_of(first + 1).await, as_of(gone - 1).await, as_of(gone).await, as_of(back).await];
    assert_eq!(seen.map(|entries| entries.concat()), ["1", "1b", "2b", "b", "3b"]);
    assert!(store.past_book(ACCOUNT, BookPart::Reference, back).await.unwrap().is_empty());

    let mut write = store.write(ACCOUNT).await.unwrap();
    write.keep_own_book("d", "{}").await.unwrap();
    write.keep_own_book("d", "{}").await.unwrap();
    write.commit().await.unwrap();
    assert_eq!(store.own_book(ACCOUNT, "d").await.unwrap(), "{}");
    assert!(store.own_book(ACCOUNT, "e").await.unwrap_err().is_not_found());
}

async fn models_come_into_force_and_go_back(place: &Place) {
    let store = place.open().await;
    assert_eq!(store.active_model(ACCOUNT).await.unwrap(), None);
    let pack = NewModel { version: "1", digest: "sha256:aa", body: "{}", calibration: None, created_at: at(0) };
    let fitted = NewModel { version: "2", digest: "sha256:bb", calibration: Some("c-1"), created_at: at(9), ..pack };
    let mut write = store.write(ACCOUNT).await.unwrap();
    write.put_model(&fitted).await.unwrap();
    write.put_model(&pack).await.unwrap();
    write.put_model(&pack).await.unwrap();
    let other = write.put_model(&NewModel { digest: "sha256:cc", ..pack }).await.unwrap_err();
    assert!(other.is_conflict());
    for (version, second) in [("1", 0), ("2", 10), ("1", 20)] {
        write.activate_model(version, at(second)).await.unwrap();
        // Told only when kept.
        assert_eq!(store.active_model(ACCOUNT).await.unwrap(), None);
    }
    assert!(write.activate_model("3", at(30)).await.unwrap_err().is_not_found());
    write.commit().await.unwrap();
    assert_eq!(store.active_model(ACCOUNT).await.unwrap().as_deref(), Some("1"));
    let history: Vec<_> =
        store.activations(ACCOUNT).await.unwrap().into_iter().map(|a| (a.number, a.version)).collect();
    assert_eq!(history, [(3, "1".into()), (2, "2".into()), (1, "1".into())]);
    let versions: Vec<_> = store.models(ACCOUNT).await.unwrap().into_iter().map(|m| m.version).collect();
    assert_eq!(versions, ["1", "2"]);
    assert_eq!(store.model(ACCOUNT, "2").await.unwrap().calibration.as_deref(), Some("c-1"));
    assert!(store.model("other", "2").await.unwrap_err().is_not_found());
}

//! What is stored and cannot be used is left out and said in the log; the service goes on without it.

#[macro_use]
mod support;

use serde_json::{Value, json};
use steelyard::memory::ACCOUNT;
use steelyard::store::BookPart;
use steelyard_model::facts::Book;
use support::place::Place;
use support::{Reply, Served};

on_both!(
    a_faulty_entry_of_the_book_says_nothing_and_can_be_deleted,
    where_the_model_in_force_is_missing_the_programs_own_is_used,
);

async fn assessed(service: &Served) -> Value {
    let listing = json!({
        "watch": { "maker": "Halvorne", "facts": { "dial_text": ["Self-Winding"], "calibre": "71" } },
        "observations": [],
    });
    let reply = Reply::to(service.post("/v1/assess", listing.to_string())).await;
    assert_eq!(reply.status, 200, "{}", reply.text());
    reply.json()
}

fn says(service: &Served, what: &str) {
    let said = service.said();
    assert!(said.iter().any(|line| line.contains(what)), "`{what}` is not in {said:#?}");
}

async fn a_faulty_entry_of_the_book_says_nothing_and_can_be_deleted(place: &Place) {
    let store = place.open().await;
    let mut write = store.write(ACCOUNT).await.unwrap();
    let good = json!({ "maker": "Halvorne", "calibre": "71", "winding": "hand" }).to_string();
    let backwards = json!({ "maker": "Halvorne", "reference": "H 2", "years": [1961, 1957] }).to_string();
    for (part, (maker, name), entry) in [
        (BookPart::Reference, Book::reference_key("Halvorne", "H 1"), "5"),
        (BookPart::Reference, Book::reference_key("Halvorne", "H 2"), backwards.as_str()),
        (BookPart::Calibre, Book::calibre_key("Halvorne", "71"), good.as_str()),
    ] {
        write.put_book_entry(part, &maker, &name, entry, jiff::Timestamp::UNIX_EPOCH).await.unwrap();
    }
    write.commit().await.unwrap();
    store.close().await;
    let service = Served::at(place);
    // The good one still counts.
    assert_eq!(assessed(&service).await["evidence"][0]["call"], "present");
    says(&service, "cannot be read");
    says(&service, "faulty");
    let put = service.request("PUT", "/v1/calibres/Halvorne/72").header("content-type", "application/json");
    assert_eq!(Reply::to(put.body("{}")).await.status, 201);
    for path in ["/v1/references/Halvorne/H%201", "/v1/references/Halvorne/H%202"] {
        assert_eq!(Reply::to(service.request("DELETE", path)).await.status, 204, "{path}");
    }
    assert_eq!(assessed(&service).await["evidence"][0]["call"], "present");
}

async fn where_the_model_in_force_is_missing_the_programs_own_is_used(place: &Place) {
    let store = place.open().await;
    let mut import = store.import(ACCOUNT).await.unwrap();
    for line in [
        json!({ "kind": "export", "format": 1 }),
        json!({ "kind": "activation", "version": "no such", "at": "2026-01-01T00:00:00Z" }),
        json!({ "kind": "end", "lines": 1 }),
    ] {
        import.line(line.to_string()).await.unwrap();
    }
    assert_eq!(import.commit().await.unwrap().refused, []);
    store.close().await;
    let service = Served::at(place);
    let model = assessed(&service).await["model"]["version"].clone();
    assert_eq!(Reply::to(service.get("/v1/model")).await.json()["version"], model);
    says(&service, "the model in force cannot be used");
    let models = Reply::to(service.get("/v1/models")).await;
    assert_eq!(models.status, 200, "{}", models.text());
}

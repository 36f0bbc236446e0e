//! `/v1/references` and `/v1/calibres`: the user's reference book.

use super::listings::raw;
use super::parameters::{IfMatch, IfNoneMatch, Known, Paged, Query};
use super::problems::{Anywhere, Conditional, JsonBody, Named, Parameters};
use super::resource::{cursor, cut, etag, existing, json, page, precondition, storable, tagged, whole};
use crate::app::App;
use crate::body;
use crate::memory::{self, ACCOUNT, Look};
use crate::problem::{FaultAt, INTERNAL, Problem};
use crate::store::{BookPart, Write};
use crate::wire::stored::{CalibreBody, CalibresPage, ReferenceBody, ReferencesPage};
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::Serialize;
use serde::de::DeserializeOwned;
use serde_json::value::RawValue;
use std::sync::Arc;
use steelyard_model::facts::{Book, BookData, Calibre, Reference};

/// Maker, and reference or calibre.
type Names = Result<Path<(String, String)>, PathRejection>;

/// What references and calibres differ in.
trait Entry: Serialize + DeserializeOwned + Clone + Send + Sync + 'static {
    const PART: BookPart;
    /// The schema of a body.
    const BODY: &'static str;
    /// A book of this entry alone.
    fn alone(&self) -> BookData;
    /// Maker and name, as written.
    fn names(&self) -> (&str, &str);
    /// Maker and name, as the book compares them.
    fn key(maker: &str, name: &str) -> (String, String);
}

impl Entry for Reference {
    const PART: BookPart = BookPart::Reference;
    const BODY: &'static str = "ReferenceBody";

    fn alone(&self) -> BookData {
        BookData { references: vec![self.clone()], ..BookData::default() }
    }

    fn names(&self) -> (&str, &str) {
        (&self.maker, &self.reference)
    }

    fn key(maker: &str, name: &str) -> (String, String) {
        Book::reference_key(maker, name)
    }
}

impl Entry for Calibre {
    const PART: BookPart = BookPart::Calibre;
    const BODY: &'static str = "CalibreBody";

    fn alone(&self) -> BookData {
        BookData { calibres: vec![self.clone()], ..BookData::default() }
    }

    fn names(&self) -> (&str, &str) {
        (&self.maker, &self.calibre)
    }

    fn key(maker: &str, name: &str) -> (String, String) {
        Book::calibre_key(maker, name)
    }
}

/// Put a reference into the reference book. The open listings it speaks of are assessed again.
#[utoipa::path(
    put,
    path = "/v1/references/{maker}/{reference}",
    tag = "reference book",
    params(
        ("maker" = String, Path, description = "The maker; case, spaces and punctuation do not matter.", max_length = 200, example = "Halvorne"),
        ("reference" = String, Path, description = "The reference; case, spaces and punctuation do not matter.", max_length = 200, example = "H 2217"),
        IfMatch,
        IfNoneMatch,
    ),
    request_body(content = ReferenceBody, description = "The entry. `maker` and `reference` may be left out; given, they agree with the path."),
    responses(
        (status = 200, description = "Put anew", body = Reference, headers(("ETag" = String, description = "The revision, quoted"))),
        (status = 201, description = "Put", body = Reference, headers(("ETag" = String, description = "The revision, quoted"))),
        (status = 422, description = "The request does not fit; every fault is named", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
        Conditional,
    )
)]
pub(super) async fn put_reference(
    State(app): State<Arc<App>>,
    names: Names,
    request: Request,
) -> Result<Response, Problem> {
    put::<Reference>(app, names, request).await
}

/// A reference of the reference book.
#[utoipa::path(
    get,
    path = "/v1/references/{maker}/{reference}",
    tag = "reference book",
    params(
        ("maker" = String, Path, description = "The maker."),
        ("reference" = String, Path, description = "The reference."),
        Known,
    ),
    responses(
        (status = 200, description = "The entry", body = Reference, headers(("ETag" = String, description = "The revision, quoted"))),
        (status = 304, description = "It is as the ETag given"),
        Anywhere,
        Named,
    )
)]
pub(super) async fn get_reference(
    State(app): State<Arc<App>>,
    names: Names,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    get::<Reference>(&app, names, &headers).await
}

/// Take a reference out of the reference book. The open listings it speaks of are assessed again.
#[utoipa::path(
    delete,
    path = "/v1/references/{maker}/{reference}",
    tag = "reference book",
    params(
        ("maker" = String, Path, description = "The maker."),
        ("reference" = String, Path, description = "The reference."),
        IfMatch,
    ),
    responses(
        (status = 204, description = "Deleted"),
        Anywhere,
        Conditional,
        Named,
    )
)]
pub(super) async fn delete_reference(
    State(app): State<Arc<App>>,
    names: Names,
    headers: HeaderMap,
) -> Result<StatusCode, Problem> {
    delete::<Reference>(app, names, headers).await
}

/// The references of the stored reference book, by maker and reference.
#[utoipa::path(
    get,
    path = "/v1/references",
    tag = "reference book",
    params(
        Paged,
    ),
    responses(
        (status = 200, description = "A page; `Link: rel=\"next\"` leads on", body = ReferencesPage, headers(("Link" = String, description = "`rel=\"next\"`: the next page, where there is one"))),
        Anywhere,
        Parameters,
    )
)]
pub(super) async fn list_references(State(app): State<Arc<App>>, uri: Uri) -> Result<Response, Problem> {
    let (items, next_cursor) = list::<Reference>(&app, &uri).await?;
    page(&uri, next_cursor.clone().as_deref(), &ReferencesPage { items, next_cursor })
}

/// Put a calibre into the reference book. The open listings it speaks of are assessed again.
#[utoipa::path(
    put,
    path = "/v1/calibres/{maker}/{calibre}",
    tag = "reference book",
    params(
        ("maker" = String, Path, description = "The maker; case, spaces and punctuation do not matter.", max_length = 200, example = "Halvorne"),
        ("calibre" = String, Path, description = "The calibre; case, spaces and punctuation do not matter.", max_length = 200, example = "71"),
        IfMatch,
        IfNoneMatch,
    ),
    request_body(content = CalibreBody, description = "The entry. `maker` and `calibre` may be left out; given, they agree with the path."),
    responses(
        (status = 200, description = "Put anew", body = Calibre, headers(("ETag" = String, description = "The revision, quoted"))),
        (status = 201, description = "Put", body = Calibre, headers(("ETag" = String, description = "The revision, quoted"))),
        (status = 422, description = "The request does not fit; every fault is named", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
        Conditional,
    )
)]
pub(super) async fn put_calibre(
    State(app): State<Arc<App>>,
    names: Names,
    request: Request,
) -> Result<Response, Problem> {
    put::<Calibre>(app, names, request).await
}

/// A calibre of the reference book.
#[utoipa::path(
    get,
    path = "/v1/calibres/{maker}/{calibre}",
    tag = "reference book",
    params(
        ("maker" = String, Path, description = "The maker."),
        ("calibre" = String, Path, description = "The calibre."),
        Known,
    ),
    responses(
        (status = 200, description = "The entry", body = Calibre, headers(("ETag" = String, description = "The revision, quoted"))),
        (status = 304, description = "It is as the ETag given"),
        Anywhere,
        Named,
    )
)]
pub(super) async fn get_calibre(
    State(app): State<Arc<App>>,
    names: Names,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    get::<Calibre>(&app, names, &headers).await
}

/// Take a calibre out of the reference book. The open listings it speaks of are assessed again.
#[utoipa::path(
    delete,
    path = "/v1/calibres/{maker}/{calibre}",
    tag = "reference book",
    params(
        ("maker" = String, Path, description = "The maker."),
        ("calibre" = String, Path, description = "The calibre."),
        IfMatch,
    ),
    responses(
        (status = 204, description = "Deleted"),
        Anywhere,
        Conditional,
        Named,
    )
)]
pub(super) async fn delete_calibre(
    State(app): State<Arc<App>>,
    names: Names,
    headers: HeaderMap,
) -> Result<StatusCode, Problem> {
    delete::<Calibre>(app, names, headers).await
}

/// The calibres of the stored reference book, by maker and calibre.
#[utoipa::path(
    get,
    path = "/v1/calibres",
    tag = "reference book",
    params(
        Paged,
    ),
    responses(
        (status = 200, description = "A page; `Link: rel=\"next\"` leads on", body = CalibresPage, headers(("Link" = String, description = "`rel=\"next\"`: the next page, where there is one"))),
        Anywhere,
        Parameters,
    )
)]
pub(super) async fn list_calibres(State(app): State<Arc<App>>, uri: Uri) -> Result<Response, Problem> {
    let (items, next_cursor) = list::<Calibre>(&app, &uri).await?;
    page(&uri, next_cursor.clone().as_deref(), &CalibresPage { items, next_cursor })
}

async fn put<E: Entry>(app: Arc<App>, path: Names, request: Request) -> Result<Response, Problem> {
    let (maker, name) = storable(path, &["maker", E::PART.as_str()])?;
    let condition = precondition(request.headers());
    let bytes = body::json_bytes(request).await?;
    let part = E::PART.as_str();
    let entry: E = app.checked(
        E::BODY,
        &bytes,
        |body, _| {
            // What the body leaves to the path.
            if let Some(members) = body.as_object_mut() {
                members.entry("maker").or_insert_with(|| maker.as_str().into());
                members.entry(part).or_insert_with(|| name.as_str().into());
            }
        },
        |entry: &E| faults(entry, &maker, &name),
    )?;
    whole(async move {
        let text = serde_json::to_string(&entry).map_err(|e| {
            tracing::error!(error = %e, "an entry of the book does not serialise");
            Problem::new(INTERNAL, "the fault is ours")
        })?;
        let (maker_key, name_key) = E::key(&maker, &name);
        let (mut write, look) = begin(&app).await?;
        write.expect_book_entry(E::PART, &maker_key, &name_key, condition).await?;
        let created = write.put_book_entry(E::PART, &maker_key, &name_key, &text, Timestamp::now()).await?;
        let tag = etag(write.revision());
        write.commit().await?;
        follow(&app, &look, E::PART, &maker, &name).await;
        let status = if created { StatusCode::CREATED } else { StatusCode::OK };
        Ok(([(header::ETAG, tag)], json(status, &entry)?).into_response())
    })
    .await
}

async fn get<E: Entry>(app: &App, path: Names, headers: &HeaderMap) -> Result<Response, Problem> {
    let (maker, name) = existing(path)?;
    let (maker, name) = E::key(&maker, &name);
    let entry = app.memory()?.store().book_entry(ACCOUNT, E::PART, &maker, &name).await?;
    tagged(headers, &etag(entry.revision), &raw(entry.body)?)
}

async fn delete<E: Entry>(app: Arc<App>, path: Names, headers: HeaderMap) -> Result<StatusCode, Problem> {
    let (maker, name) = existing(path)?;
    whole(async move {
        let (maker_key, name_key) = E::key(&maker, &name);
        let store = app.memory()?.store();
        // Without one there is no precondition to fail.
        store.book_entry(ACCOUNT, E::PART, &maker_key, &name_key).await?;
        let (mut write, look) = begin(&app).await?;
        write.expect_book_entry(E::PART, &maker_key, &name_key, precondition(&headers)).await?;
        write.delete_book_entry(E::PART, &maker_key, &name_key).await?;
        write.commit().await?;
        follow(&app, &look, E::PART, &maker, &name).await;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}

async fn list<E: Entry>(app: &App, uri: &Uri) -> Result<(Vec<Box<RawValue>>, Option<String>), Problem> {
    let mut query = Query::of(uri, &["limit", "cursor"]);
    let (limit, after): (_, Option<(String, String)>) = (query.limit(), query.place());
    query.sound()?;
    let (maker, name) = after.unwrap_or_default();
    let mut found = app.memory()?.store().book(ACCOUNT, E::PART, (&maker, &name), limit + 1).await?;
    let next = cut(&mut found, limit).map(|e| cursor(uri, &(&e.maker, &e.name))).transpose()?;
    Ok((found.into_iter().map(|e| raw(e.body)).collect::<Result<_, _>>()?, next))
}

/// Every fault of meaning, with its place in the body.
fn faults<E: Entry>(entry: &E, maker: &str, name: &str) -> Vec<FaultAt> {
    let alone = Book::new(entry.alone()).err().map(|e| e.0).unwrap_or_default();
    let within = |pointer: &str| match pointer.splitn(4, '/').nth(3) {
        Some(rest) => format!("/{rest}"),
        None => String::new(),
    };
    let mut faults: Vec<FaultAt> = alone.into_iter().map(|f| FaultAt::new(within(&f.pointer), f.detail)).collect();
    let (own_maker, own_name) = entry.names();
    let ((own_maker, own_name), (maker_key, name_key)) = (E::key(own_maker, own_name), E::key(maker, name));
    for (member, own, path, key) in
        [("maker", own_maker, maker, maker_key), (E::PART.as_str(), own_name, name, name_key)]
    {
        if own != key {
            faults.push(FaultAt::new(format!("/{member}"), format!("the path names `{path}`")));
        }
    }
    faults
}

/// Begins a write to the book, and says what to look at after it: where the book is another than just
/// before. Others may keep changing it in between; then everything is looked at.
async fn begin(app: &App) -> Result<(Write, Look), Problem> {
    let store = app.memory()?.store();
    for _ in 0..ROUNDS {
        let force = app.in_force().await?;
        let write = store.write(ACCOUNT).await?;
        if write.force_revision() == force.since {
            return Ok((write, Look::Book(force.book.clone())));
        }
    }
    Ok((store.write(ACCOUNT).await?, Look::All))
}

/// How often the book is read anew for that.
const ROUNDS: usize = 3;

/// Assesses the open listings again of which the book now says something else. The entry is stored
/// whatever comes of it.
async fn follow(app: &App, look: &Look, part: BookPart, maker: &str, name: &str) {
    let because = format!("the reference book says something else of the {} {maker} {name}", part.as_str());
    if let Err(e) = memory::refresh_open(app, look, &because).await {
        tracing::error!(detail = e.detail, "listings were not assessed again");
    }
}

//! `/v1/sellers`: what is known of a seller's watches.

use super::parameters::{IfMatch, IfNoneMatch, Known, Paged, Query};
use super::problems::{Anywhere, Conditional, JsonBody, Named, Parameters};
use super::resource::{cursor, cut, existing, json, page, precondition_by, storable, tagged, whole};
use crate::app::{App, computing};
use crate::body;
use crate::memory::{self, ACCOUNT, FoundOut, InForce};
use crate::problem::{FaultAt, Problem};
use crate::store::{NewSeller, Precondition, SellerSummary};
use crate::wire::response::BadRate;
use crate::wire::stored::{SellerBody, SellerPage, SellersPage};
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use std::sync::Arc;
use steelyard_model::pack::nearest;

type Name = Result<Path<String>, PathRejection>;

/// Say what is known of a seller: it counts in every listing of the seller that says nothing of its
/// own, and the open ones are assessed again.
#[utoipa::path(
    put,
    path = "/v1/sellers/{id}",
    tag = "sellers",
    params(
        ("id" = String, Path, description = "The caller's name for the seller, as in listings.", max_length = 200, example = "s-17"),
        IfMatch,
        IfNoneMatch,
    ),
    request_body(content = SellerBody, description = "What is said. It takes the place of what was said before."),
    responses(
        (status = 200, description = "Said anew", body = SellerPage, headers(("ETag" = String, description = "What was said, and as of when the rest is"))),
        (status = 201, description = "Said for the first time", body = SellerPage, headers(("ETag" = String, description = "What was said, and as of when the rest is"))),
        (status = 422, description = "The request does not fit; every fault is named", body = Problem, content_type = "application/problem+json"),
        Anywhere,
        JsonBody,
        Conditional,
    )
)]
pub(super) async fn put(State(app): State<Arc<App>>, id: Name, request: Request) -> Result<Response, Problem> {
    let id = storable(id, &["id"])?;
    let condition = condition(request.headers());
    let bytes = body::json_bytes(request).await?;
    let force = app.in_force().await?;
    let body = app.checked("SellerBody", &bytes, |_, _| (), |body: &SellerBody| faults(&force, body))?;
    whole(async move {
        let feedback = body.feedback.map(|f| serde_json::json!(f).to_string());
        let said = NewSeller {
            id: &id,
            segment: body.segment.as_deref(),
            feedback: feedback.as_deref(),
            note: body.note.as_deref(),
            at: Timestamp::now(),
        };
        let store = app.memory()?.store();
        let mut write = store.write(ACCOUNT).await?;
        write.expect_seller(&id, condition).await?;
        let created = write.put_seller(&said).await?;
        let own = said.kept(write.revision());
        write.commit().await?;
        memory::follow(&app, [Some(id.clone())], "something else is said of its seller").await;
        let force = app.in_force().await?;
        // Whatever was said or forgotten since: this write is what is answered.
        let counted = match store.seller(ACCOUNT, &id).await {
            Ok(now) => SellerSummary { said: Some(own), ..now },
            Err(e) if e.is_not_found() => SellerSummary { id: id.clone(), said: Some(own), listings: 0, outcomes: 0 },
            Err(e) => return Err(e.into()),
        };
        let (tag, shown) = shown(&app, &force, counted).await?;
        let status = if created { StatusCode::CREATED } else { StatusCode::OK };
        Ok(([(header::ETAG, tag)], json(status, &shown)?).into_response())
    })
    .await
}

/// What is known of a seller's watches: what was said, saved listings, outcomes, and the rate of bad
/// ones that they make likely.
#[utoipa::path(
    get,
    path = "/v1/sellers/{id}",
    tag = "sellers",
    params(
        ("id" = String, Path, description = "The seller."),
        Known,
    ),
    responses(
        (status = 200, description = "The seller; also one that only listings or outcomes name", body = SellerPage, headers(("ETag" = String, description = "What was said, and as of when the rest is"))),
        (status = 304, description = "It is as the ETag given"),
        Anywhere,
        Named,
    )
)]
pub(super) async fn get(State(app): State<Arc<App>>, id: Name, headers: HeaderMap) -> Result<Response, Problem> {
    let id = existing(id)?;
    let force = app.in_force().await?;
    let (tag, shown) = shown(&app, &force, app.memory()?.store().seller(ACCOUNT, &id).await?).await?;
    tagged(&headers, &tag, &shown)
}

/// Forget a seller (personal data): what was said, and its name in listings and outcomes, which stay.
/// The listings are assessed without what was known of it.
#[utoipa::path(
    delete,
    path = "/v1/sellers/{id}",
    tag = "sellers",
    params(
        ("id" = String, Path, description = "The seller."),
        IfMatch,
    ),
    responses(
        (status = 204, description = "Forgotten"),
        Anywhere,
        Conditional,
        Named,
    )
)]
pub(super) async fn delete(State(app): State<Arc<App>>, id: Name, headers: HeaderMap) -> Result<StatusCode, Problem> {
    let id = existing(id)?;
    whole(async move { memory::forget(&app, &id, condition(&headers)).await }).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Sellers of whom there is anything, by id.
#[utoipa::path(
    get,
    path = "/v1/sellers",
    tag = "sellers",
    params(
        Paged,
    ),
    responses(
        (status = 200, description = "A page; `Link: rel=\"next\"` leads on", body = SellersPage, headers(("Link" = String, description = "`rel=\"next\"`: the next page, where there is one"))),
        Anywhere,
        Parameters,
    )
)]
pub(super) async fn list(State(app): State<Arc<App>>, uri: Uri) -> Result<Response, Problem> {
    let mut query = Query::of(&uri, &["limit", "cursor"]);
    let (limit, after): (_, Option<String>) = (query.limit(), query.place());
    query.sound()?;
    let after = after.unwrap_or_default();
    let force = app.in_force().await?;
    let mut found = app.memory()?.store().sellers(ACCOUNT, &after, limit + 1).await?;
    let next_cursor = cut(&mut found, limit).map(|s| cursor(&uri, &s.id)).transpose()?;
    let mut items = Vec::with_capacity(found.len());
    for seller in found {
        items.push(shown(&app, &force, seller).await?.1);
    }
    page(&uri, next_cursor.clone().as_deref(), &SellersPage { items, next_cursor })
}

/// Every fault of meaning.
fn faults(force: &InForce, body: &SellerBody) -> Vec<FaultAt> {
    let pack = force.assessor().pack();
    let unknown = body.segment.as_deref().filter(|s| pack.segment(Some(s)).is_none());
    let near = |name| nearest(name, pack.data().segments.iter().map(|s| s.id.as_str()));
    unknown.map(|s| FaultAt::new("/segment", format!("there is no segment `{s}`{}", near(s)))).into_iter().collect()
}

/// A seller's page moves with all that is stored; what can be overwritten is only what was said. So
/// a tag holds the revisions of both, and `If-Match` looks at the latter.
fn tag(said: Option<i64>, as_of: i64) -> HeaderValue {
    let tag = format!("\"{}-{as_of}\"", said.unwrap_or(0));
    HeaderValue::from_str(&tag).unwrap_or(HeaderValue::from_static("\"0-0\""))
}

/// A tag of when nothing was said yet holds the revision 0.
fn condition(headers: &HeaderMap) -> Precondition {
    precondition_by(headers, |tag| tag.split_once('-')?.0.parse().ok())
}

async fn shown(app: &App, force: &Arc<InForce>, seller: SellerSummary) -> Result<(HeaderValue, SellerPage), Problem> {
    let file = app.memory()?.seller_of_whom(force, &seller.id, seller.said.as_ref()).await?;
    // Of a seller with many listings this takes long: not on a thread that serves connections.
    let with = force.clone();
    let (bad_rate, says) = computing(move || {
        let bad_rate = file.rate(&with)?.shown();
        let says = says(file.found(&with), file.seen(), &bad_rate);
        Ok((bad_rate, says))
    })
    .await?;
    let revision = seller.said.as_ref().map(|s| s.revision);
    let said = seller.said;
    let feedback = said.as_ref().and_then(|s| s.feedback.as_deref()).and_then(|f| serde_json::from_str(f).ok());
    let (segment, note) = said.map_or((None, None), |s| (s.segment, s.note));
    let page = SellerPage {
        id: seller.id,
        revision,
        segment,
        feedback,
        note,
        bad_rate,
        listings: seller.listings.unsigned_abs(),
        outcomes: seller.outcomes.unsigned_abs(),
        says,
    };
    Ok((tag(revision, force.revision), page))
}

/// The rate in a sentence that may be shown: about watches, never about honesty.
fn says(found: FoundOut, seen: usize, rate: &BadRate) -> String {
    let watches = |n: u64| if n == 1 { "1 watch".into() } else { format!("{n} watches") };
    let FoundOut { watches: known, bad, certain, unsure } = found;
    let mut says = match (known, bad) {
        (0, _) => "No watch of this seller has been found out about yet".into(),
        (_, 0) => format!("Of {} of this seller with an outcome, none was composite or fake", watches(known)),
        (_, 1) => format!("Of {} of this seller with an outcome, 1 was composite or fake", watches(known)),
        _ => format!("Of {} of this seller with an outcome, {bad} were composite or fake", watches(known)),
    };
    let doubts = match (known - certain, unsure) {
        (0, 0) => None,
        (0, unsure) => Some(format!("{unsure} more in too much doubt to count here")),
        (likely, 0) => Some(format!("{likely} of them not for certain")),
        (likely, unsure) => {
            Some(format!("{likely} of them not for certain, and {unsure} more in too much doubt to count here"))
        }
    };
    says.extend(doubts.map(|doubts| format!(" ({doubts})")));
    let seen = match seen {
        0 => String::new(),
        n => format!(", with what is seen on {n} more"),
    };
    let [low, high] = rate.interval_90.map(|p| format!("{:.1}", 100.0 * p));
    format!(
        "{says}; the rate of such watches{seen} is thought to lie between {low} % and {high} % (nine chances in ten), \
         which is worth about {:.0} known cases. This speaks of watches, not of the seller's honesty.",
        rate.effective_cases
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_page_speaks_of_watches_from_how_many_and_how_sure() {
        let rate = BadRate { mean: 0.25, interval_90: [0.0634, 0.4801], effective_cases: 9.7 };
        assert_eq!(
            says(FoundOut::default(), 0, &rate),
            "No watch of this seller has been found out about yet; the rate of such watches is thought to lie between \
             6.3 % and 48.0 % (nine chances in ten), which is worth about 10 known cases. This speaks of watches, not of \
             the seller's honesty."
        );
        let said = says(FoundOut { watches: 3, bad: 1, certain: 2, unsure: 2 }, 1, &rate);
        let begins = "Of 3 watches of this seller with an outcome, 1 was composite or fake (1 of them not for \
                      certain, and 2 more in too much doubt to count here); the rate of such watches, with what is seen \
                      on 1 more is";
        assert!(said.starts_with(begins), "{said}");
    }

    #[test]
    fn a_tag_of_a_seller_nothing_was_said_of_asks_that_nothing_was() {
        let with = |tag: HeaderValue| condition(&HeaderMap::from_iter([(header::IF_MATCH, tag)]));
        assert_eq!(with(tag(None, 12)), Precondition::Revisions(vec![0]));
        assert_eq!(with(tag(Some(7), 12)), Precondition::Revisions(vec![7]));
        assert_eq!(with(HeaderValue::from_static("\"7\"")), Precondition::Revisions(vec![]));
    }
}

//! Feeds of saved listings: fetched safely, read leniently, polled politely.
//!
//! [`Guard`] says where a feed may be fetched from, [`Connector`] holds every connection to it,
//! [`Client`] asks for one feed, [`Page`] and [`items`] read what came, and [`Schedule`] says when
//! to ask again. Nothing here stores anything or knows a clock of its own but the client's limits.

mod client;
mod connect;
mod guard;
mod parse;
mod schedule;
mod turns;

pub use client::{Client, Fetched, Limits, PollError, Polled, Validators};
pub use connect::{Connector, Network, System};
pub use guard::{Exception, Guard, MOST_URL_BYTES, Refusal, attached};
pub use parse::{BadItem, BadPage, Format, Item, MOST_ID_CHARS, MOST_ITEMS, Page, items};
pub use schedule::{BadEvery, Every, MOST_FAILURES, MOST_WAIT, Outcome, RETRY_FIRST, RetryAfter, Schedule, State};

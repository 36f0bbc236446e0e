//! The HTTP service around the model: who may ask, and how answers look.
//!
//! Data goes one way: request → [`listing::Listing`] → [`assess::Assessor`] → answer. Handlers
//! parse, call and answer; every number is computed in `steelyard-model` and `steelyard-priors`.

pub mod api;
pub mod app;
pub mod assess;
mod bids;
pub mod body;
pub mod calibration;
pub mod cautions;
pub mod config;
pub mod drawn;
pub mod examples;
pub mod feed;
pub mod files;
mod fits;
pub mod guard;
mod implied;
pub mod lines;
pub mod listing;
pub mod memory;
pub mod messages;
pub mod openapi;
pub mod outcomes;
pub mod picture;
pub mod polling;
pub mod problem;
mod proposals;
pub mod relisted;
pub mod serve;
pub mod shape;
pub mod store;
pub mod strict_json;
pub mod tonight;
pub mod wire;

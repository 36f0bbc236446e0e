//! Listings drawn from the model, with fixed seeds: does 0.2 mean 20 %, and does a calibration learn?
//!
//! Each test prints its figures: `cargo test -p steelyard-priors --test simulation -- --nocapture`.

mod calibrated;
mod clusters;
mod common;
mod doubtful;
mod learning;
mod readings;
mod selection;
mod seller;
mod whole;

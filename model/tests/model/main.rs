//! The model against published examples, against full enumeration, and against its own laws.

mod ask;
mod bids;
mod common;
mod counts;
mod interval;
mod laws;
mod money;
mod observations;
mod pack;
mod references;
mod repaint;
mod sample;

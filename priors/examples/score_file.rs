//! Scores a file of forecasts with known scores and prints what comes out beside what should:
//! `cargo run -p steelyard-priors --example score_file FILE`
//!
//! The file is JSON as `tests/data/scoring.json`. For files that cannot be kept with the code.

#![allow(clippy::print_stdout, reason = "its output is what it is for")]

#[path = "../tests/support/mod.rs"]
mod support;

use support::scoring::compared;
use support::{list, reference};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("which file?")?;
    let file = reference(&std::fs::read_to_string(path)?);
    for case in list(&file, "cases") {
        println!("{}", case["id"]);
        if let Some(published) = case.get("published") {
            println!("  as printed by its authors: {published}");
        }
        let (mut worst, mut at) = (0.0, String::new());
        for one in compared(case) {
            let off = if one.got == one.want { 0.0 } else { (one.got - one.want).abs() };
            println!("  {:28} {:24.17} {:24.17} {off:9.1e}", one.quantity, one.got, one.want);
            if !(off <= worst) {
                (worst, at) = (off, one.quantity);
            }
        }
        println!("  largest difference {worst:.1e} {at}");
    }
    Ok(())
}

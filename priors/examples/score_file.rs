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
        let all = compared(case);
        for one in &all {
            println!("  {:28} {:24.17} {:24.17} {:9.1e}", one.quantity, one.got, one.want, one.apart());
        }
        // NaN counts as largest.
        if let Some(worst) = all.iter().max_by(|a, b| a.apart().total_cmp(&b.apart())) {
            println!("  largest difference {:.1e}: {}", worst.apart(), worst.quantity);
        }
    }
    Ok(())
}

//! Is a fit linear in listings? Time and peak memory for 1,000 and for 10,000 listings of 25 calls.
//! Fails where the memory is more than 500 MiB; times are for reading.
//!
//! `cargo run --release -p steelyard-priors --example fit_scale`

#![allow(clippy::print_stdout, reason = "its output is what it is for")]

use std::ops::ControlFlow;
use std::sync::Arc;
use std::time::Instant;
use steelyard_model::observe::Evidence;
use steelyard_model::pack::Pack;
use steelyard_model::sample::{Policy, Sampler};
use steelyard_priors::fit::{Case, Outcome, Sellers, Settings, fit};

const CALLS: usize = 25;
/// The same for both sizes, so that their times can be compared.
const ITERATIONS: usize = 20;

fn cases(pack: &Arc<Pack>, count: usize) -> Vec<Case> {
    let policy = Policy {
        shown: vec![0.8; pack.data().views.len()],
        called: 0.8,
        px_per_mm: [8.0, 60.0],
        traits: vec![0.5; pack.data().traits.len()],
        priced: 1.0,
    };
    let mut sampler = Sampler::new(pack, policy, 1);
    let mut cases = Vec::with_capacity(count);
    for number in 0.. {
        let seller = sampler.seller(number % pack.data().segments.len());
        for _ in 0..3 {
            let listing = sampler.listing(&seller);
            if cases.len() == count {
                return cases;
            }
            let seen = listing.observations.get(..CALLS).map(|seen| Evidence::read(pack, &listing.watch, seen));
            let Some(Ok(evidence)) = seen else { continue };
            let told = Outcome { story: listing.story, certainty: 1.0, components: Vec::new(), signs: Vec::new() };
            cases.push(Case {
                segment: listing.segment,
                seller: number as u64,
                evidence,
                foreseen: None,
                ln_price: listing.ln_price,
                outcome: (cases.len() % 5 == 0).then_some(told),
            });
        }
    }
    cases
}

fn main() {
    let pack = Pack::builtin();
    let settings = Settings { tolerance: f64::NEG_INFINITY, most_iterations: ITERATIONS };
    println!("listings  iterations  seconds  µs per listing and iteration  peak memory of the fit, MB");
    for count in [1_000, 10_000] {
        let cases = cases(&pack, count);
        let started = Instant::now();
        let memory = allocation_counter::measure(|| {
            fit(&pack, &cases, &Sellers::new(), &settings, |_| ControlFlow::Continue(()))
                .expect("sampled cases fit their pack");
        });
        let seconds = started.elapsed().as_secs_f64();
        let each = seconds * 1e6 / (count * (ITERATIONS + 1)) as f64;
        assert!(memory.bytes_max < 500 * 1024 * 1024, "{} bytes", memory.bytes_max);
        println!("{count:8}  {ITERATIONS:10}  {seconds:7.2}  {each:29.1}  {:26.1}", memory.bytes_max as f64 / 1e6);
    }
}

//! Prints the OpenAPI document: `cargo run -p steelyard --example openapi > openapi/openapi.json`

use std::io::Write as _;

fn main() -> anyhow::Result<()> {
    let text = steelyard::openapi::pretty(&steelyard::openapi::document()?)?;
    std::io::stdout().write_all(text.as_bytes())?;
    Ok(())
}

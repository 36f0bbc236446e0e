//! The user's own files: a model's folder, a reference book.

use anyhow::Context as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use steelyard_model::facts::{Book, BookData};
use steelyard_model::pack::Pack;

/// The pack of a folder, or the one that comes with the program.
///
/// # Errors
/// If a file cannot be read, or with every fault of the pack.
pub fn pack(folder: Option<&Path>) -> anyhow::Result<Arc<Pack>> {
    let Some(folder) = folder else { return Ok(Pack::builtin()) };
    let mut paths = Vec::new();
    collect(folder, &mut paths).with_context(|| format!("reading {}", folder.display()))?;
    paths.sort();
    anyhow::ensure!(!paths.is_empty(), "{}: no .toml files", folder.display());
    let texts: Vec<(String, String)> = paths
        .iter()
        .map(|p| {
            let name = p.strip_prefix(folder).unwrap_or(p).display().to_string();
            fs::read_to_string(p).map(|text| (name, text)).with_context(|| p.display().to_string())
        })
        .collect::<anyhow::Result<_>>()?;
    let pack = Pack::from_toml(texts.iter().map(|(n, t)| (n.as_str(), t.as_str())))?;
    Ok(Arc::new(pack))
}

/// The reference book in a JSON file, or an empty one.
///
/// # Errors
/// If the file cannot be read, or with every fault of the book and its place.
pub fn book(file: Option<&Path>) -> anyhow::Result<Book> {
    let Some(file) = file else { return Ok(Book::default()) };
    let name = file.display();
    let text = fs::read_to_string(file).with_context(|| name.to_string())?;
    let data: BookData = serde_json::from_str(&text).with_context(|| name.to_string())?;
    Book::new(data).map_err(|faults| {
        let lines: Vec<String> = faults.0.iter().map(|f| format!("{name}{}: {}", f.pointer, f.detail)).collect();
        anyhow::anyhow!(lines.join("\n"))
    })
}

fn collect(folder: &Path, paths: &mut Vec<PathBuf>) -> std::io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        if entry.file_type()?.is_dir() {
            collect(&path, paths)?;
        } else if path.extension().is_some_and(|e| e == "toml") {
            paths.push(path);
        }
    }
    Ok(())
}

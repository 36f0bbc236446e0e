//! What the commands do, one file each, and what several of them need.

pub(crate) mod assess;
pub(crate) mod calibrate;
pub(crate) mod export;
pub(crate) mod import;
pub(crate) mod listings;
pub(crate) mod outcomes;
pub(crate) mod sample;
pub(crate) mod tonight;

use clap::Args;
use std::fs::{self, File};
use std::io::{self, BufWriter, Read as _, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use steelyard::config::{data_folder, database_url};
use steelyard::files;
use steelyard::memory::ACCOUNT;
use steelyard::store::{self, Store};
use steelyard_model::facts::Book;
use steelyard_model::pack::Pack;
use tempfile::NamedTempFile;

/// What is assessed with.
#[derive(Debug, Args)]
pub(crate) struct Numbers {
    /// Folder of a model's TOML files, instead of the model that comes with the program.
    #[arg(long, env = "STEELYARD_PACK")]
    pack: Option<PathBuf>,
    /// JSON file of references and calibres, as `reference_book` in a request.
    #[arg(long, env = "STEELYARD_REFERENCE_BOOK")]
    reference_book: Option<PathBuf>,
}

impl Numbers {
    fn read(&self) -> anyhow::Result<(Arc<Pack>, Book)> {
        Ok((files::pack(self.pack.as_deref())?, files::book(self.reference_book.as_deref())?))
    }
}

/// Where stored data lies.
#[derive(Debug, Args)]
pub(crate) struct Place {
    /// Folder of stored data; the platform's own where it is left out. DATABASE_URL, which names a PostgreSQL
    /// database, is used instead where it is set.
    #[arg(long, env = "STEELYARD_DATA")]
    data: Option<PathBuf>,
}

impl Place {
    /// The store, made if there is none yet.
    async fn open(&self) -> anyhow::Result<Store> {
        match database_url()? {
            Some(url) => Store::postgres(&url).await.map_err(|e| told(&e).context("DATABASE_URL")),
            None => {
                let folder = data_folder(self.data.as_deref())?;
                Store::sqlite(&folder).await.map_err(|e| told(&e).context(shown(&folder)))
            }
        }
    }

    /// The store, which must be there already: a mistyped folder holds nothing, and nobody means that.
    async fn open_existing(&self) -> anyhow::Result<Store> {
        if database_url()?.is_none() {
            let folder = data_folder(self.data.as_deref())?;
            anyhow::ensure!(folder.join(store::FILE).is_file(), "{}: nothing is stored there", folder.display());
        }
        self.open().await
    }
}

/// Whoever runs a command may read what the log is told as well.
fn told(error: &store::Error) -> anyhow::Error {
    let message = error.to_string();
    if error.detail() == message { anyhow::anyhow!(message) } else { anyhow::anyhow!("{message}: {}", error.detail()) }
}

/// Where lines go: standard output or a file, which is there once it is whole or not at all.
#[derive(Debug)]
pub(crate) enum Output {
    /// As it comes: standard output, or what is no plain file, such as a pipe.
    Stream(BufWriter<Stream>),
    /// Beside a file that it will replace.
    Beside(BufWriter<NamedTempFile>, PathBuf),
}

/// What cannot be taken back once it is written.
#[derive(Debug)]
pub(crate) enum Stream {
    Standard(io::Stdout),
    Other(File),
}

impl Output {
    /// Standard output.
    pub(crate) fn standard() -> Self {
        Self::Stream(BufWriter::new(Stream::Standard(io::stdout())))
    }

    /// A file, or standard output for `-`. The file is its owner's alone.
    pub(crate) fn to(path: &Path) -> io::Result<Self> {
        if path == Path::new("-") {
            return Ok(Self::standard());
        }
        // Through a link, the file it leads to is replaced.
        let target = fs::canonicalize(path).unwrap_or_else(|_| path.into());
        if fs::metadata(&target).is_ok_and(|m| !m.is_file()) {
            return Ok(Self::Stream(BufWriter::new(Stream::Other(File::options().write(true).open(&target)?))));
        }
        let folder = target.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
        Ok(Self::Beside(BufWriter::new(NamedTempFile::new_in(folder)?), target))
    }

    /// Writes a line; false once the reader of a pipe has seen enough.
    pub(crate) fn line(&mut self, line: &str) -> io::Result<bool> {
        let written = match self {
            Self::Stream(out) => writeln!(out, "{line}"),
            Self::Beside(out, _) => writeln!(out, "{line}"),
        };
        unless_gone(written)
    }

    /// Keeps what was written.
    pub(crate) fn finish(self) -> io::Result<()> {
        match self {
            Self::Stream(mut out) => unless_gone(out.flush()).map(drop),
            Self::Beside(out, target) => {
                let file = out.into_inner().map_err(io::IntoInnerError::into_error)?;
                file.as_file().sync_all()?;
                file.persist(target)?;
                Ok(())
            }
        }
    }
}

impl Write for Stream {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        match self {
            Self::Standard(out) => out.write(bytes),
            Self::Other(out) => out.write(bytes),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match self {
            Self::Standard(out) => out.flush(),
            Self::Other(out) => out.flush(),
        }
    }
}

/// Whether somebody still reads.
fn unless_gone(written: io::Result<()>) -> io::Result<bool> {
    match written {
        Ok(()) => Ok(true),
        Err(e) if e.kind() == io::ErrorKind::BrokenPipe => Ok(false),
        Err(e) => Err(e),
    }
}

/// All of a file, or of standard input for `-`.
fn read(file: &Path) -> io::Result<Vec<u8>> {
    if file == Path::new("-") {
        let mut bytes = Vec::new();
        io::stdin().lock().read_to_end(&mut bytes)?;
        return Ok(bytes);
    }
    fs::read(file)
}

/// A path as context of an error.
fn shown(path: &Path) -> String {
    path.display().to_string()
}

//! What a store holds, for other programs: one table as CSV or Parquet, or statements of the xAPI.
//!
//! All three go through the same judgements (`judged`), read at one moment of the store and written to new files, which are there whole
//! or not at all and never take another's place. Names, comments' words and the attempts themselves do not leave the store this way.
//!
//! Limits: what a login may not see is left out, and so are attempts whose bodies were deleted. An export made before a deletion
//! still holds what was deleted.

mod csv;
pub mod judged;
mod parquet;
pub mod table;
mod xapi;

use crate::logbook::database::DatabaseError;
use crate::logbook::store::{Head, Logbook, head};
use judged::Judged;
use std::fs::File;
use std::io::{self, BufWriter, Write as _};
use std::path::{Path, PathBuf};
use tempfile::NamedTempFile;

pub use csv::dictionary;
pub use xapi::{BASE, statements};

/// In what form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// RFC 4180, UTF-8, with a dictionary of its columns in a second file.
    Csv,
    /// Parquet, uncompressed, with the dictionary in its metadata.
    Parquet,
    /// Statements of the xAPI 1.0.3, one a line.
    Xapi,
}

/// Why there is no export.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The store.
    #[error(transparent)]
    Store(#[from] DatabaseError),
    /// A file cannot be made.
    #[error("{}: {}", path.display(), io_in_words(error))]
    File {
        /// Which.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
}

fn io_in_words(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::AlreadyExists => "exists already; allowed: a file that is not there yet".to_owned(),
        _ => format!("cannot be written: {error}; allowed: a new file in a folder that can be written"),
    }
}

/// What was exported.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Exported {
    /// Attempts.
    pub attempts: u64,
    /// How many of them are of people who were made up.
    pub invented: u64,
    /// Rows, or statements.
    pub rows: u64,
    /// The files.
    pub files: Vec<PathBuf>,
}

/// A form that is written part by part; how many rows each came to.
trait Form {
    fn take(&mut self, part: &[Judged]) -> io::Result<u64>;
    fn end(self: Box<Self>) -> io::Result<()>;
}

/// A file under way: beside the one that is meant, under another name. For its owner alone, as the store is.
struct Part {
    path: PathBuf,
    file: NamedTempFile,
}

impl Part {
    fn begin(path: PathBuf) -> Result<Self, ExportError> {
        let made = if path.symlink_metadata().is_ok() {
            Err(io::ErrorKind::AlreadyExists.into())
        } else {
            let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
            // The error's own text would name the hidden file.
            tempfile::Builder::new()
                .prefix(".")
                .suffix(".part")
                .tempfile_in(folder)
                .map_err(|error| error.kind().into())
        };
        match made {
            Ok(file) => Ok(Self { path, file }),
            Err(error) => Err(ExportError::File { path, error }),
        }
    }

    fn writer(&self) -> Result<BufWriter<File>, ExportError> {
        self.file.as_file().try_clone().map(BufWriter::new).map_err(|error| self.refused(error))
    }

    fn refused(&self, error: io::Error) -> ExportError {
        ExportError::File { path: self.path.clone(), error }
    }

    /// Give it its name, if nothing has that.
    fn end(self) -> Result<PathBuf, ExportError> {
        let Self { path, file } = self;
        let named = file.as_file().sync_all().and_then(|()| {
            file.persist_noclobber(&path).map_err(|refused| refused.error)?;
            Ok(())
        });
        match named {
            Ok(()) => Ok(path),
            Err(error) => Err(ExportError::File { path, error }),
        }
    }
}

/// Where the dictionary of a CSV file lies.
fn dictionary_path(out: &Path) -> PathBuf {
    let mut name = out.as_os_str().to_owned();
    name.push(".dictionary.csv");
    name.into()
}

/// Entries that are gone through at a time.
const AT_ONCE: u64 = 4096;

impl Logbook {
    /// Write a new file of what is in the store; `on_part` hears up to which entry it has come, and of how many.
    ///
    /// # Errors
    /// A file that is there already or cannot be written, or whatever the database refuses; then there is no new file.
    pub fn export(&mut self, format: Format, out: &Path, on_part: impl Fn(u64, u64)) -> Result<Exported, ExportError> {
        let mut parts = vec![Part::begin(out.to_path_buf())?];
        if format == Format::Csv {
            let part = Part::begin(dictionary_path(out))?;
            part.writer()?.write_all(&dictionary()).map_err(|error| part.refused(error))?;
            parts.push(part);
        }
        let exported = self.database.snapshot(|database| {
            let head = head(database)?;
            let refused = |error| parts[0].refused(error);
            let mut form = form(format, parts[0].writer()?, head).map_err(refused)?;
            let mut exported = Exported::default();
            let mut after = 0;
            while after < head.seq {
                let up_to = head.seq.min(after + AT_ONCE);
                let part = judged::read(database, after, up_to)?;
                let attempts = part.iter().filter(|judged| judged.is_as_handed_in());
                exported.attempts += attempts.clone().count() as u64;
                exported.invented += attempts.filter(|judged| judged.is_invented()).count() as u64;
                exported.rows += form.take(&part).map_err(refused)?;
                after = up_to;
                on_part(after, head.seq);
            }
            form.end().map_err(refused)?;
            Ok::<_, ExportError>(exported)
        })?;
        // The table last: where it is, its dictionary is.
        let mut files = Vec::new();
        for part in parts.into_iter().rev() {
            match part.end() {
                Ok(path) => files.insert(0, path),
                Err(error) => {
                    files.iter().for_each(|path| _ = std::fs::remove_file(path));
                    return Err(error);
                }
            }
        }
        Ok(Exported { files, ..exported })
    }
}

fn form(format: Format, file: BufWriter<File>, head: Head) -> io::Result<Box<dyn Form>> {
    Ok(match format {
        Format::Csv => Box::new(csv::Csv::begin(file)?),
        Format::Parquet => Box::new(parquet::Parquet::begin(file, head)?),
        Format::Xapi => Box::new(xapi::Lines(file)),
    })
}

//! `logbook report`: what a trainee's or a cohort's attempts say, as one HTML document that loads nothing and prints on A4.

use super::StoreArguments;
use super::asked::{CountedArguments, StatedArguments, found};
use crate::cli::{CliError, plain, remark};
use crate::logbook::analysis::Depth;
use crate::logbook::report::{self, Sources};
use clap::Args;
use std::fs::OpenOptions;
use std::io::{ErrorKind, Write as _};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `logbook report`.
#[derive(Args, Debug)]
pub struct ReportArguments {
    /// The document, a new file
    #[arg(long, value_name = "FILE.html")]
    out: PathBuf,
    /// Of all trainees together, as without --trainee
    #[arg(long, conflicts_with = "trainee")]
    cohort: bool,
    #[command(flatten)]
    counted: CountedArguments,
    #[command(flatten)]
    stated: StatedArguments,
    #[command(flatten)]
    store: StoreArguments,
}

/// `logbook report`.
pub(super) fn run(arguments: &ReportArguments) -> Result<ExitCode, CliError> {
    let stated = arguments.stated.stated(None)?;
    let (wanted, groups) = arguments.counted.wanted()?;
    let mut open = arguments.store.open()?;
    let found = found(&mut open, &wanted, Depth::Everything)?;
    let head = open.book.head().map_err(|error| open.refused(error))?;
    let signed_off = open.book.signed_off().map_err(|error| open.refused(error))?;
    let sources =
        Sources { wanted: &wanted, groups: &groups, found: &found, stated: &stated, head, signed_off: &signed_off };
    let document = if wanted.trainee.is_some() { report::of_trainee(&sources) } else { report::of_cohort(&sources) };
    write_new(&arguments.out, document.as_bytes())?;
    remark(&format!("Written to {}", plain(&arguments.out.display().to_string())));
    Ok(ExitCode::SUCCESS)
}

/// Write a new file; one that is there stays as it is.
fn write_new(path: &Path, bytes: &[u8]) -> Result<(), CliError> {
    let file = || plain(&path.display().to_string());
    let mut new = match OpenOptions::new().write(true).create_new(true).open(path) {
        Ok(new) => new,
        Err(error) if error.kind() == ErrorKind::AlreadyExists => {
            let why = "is there already; allowed: the name of a new file".to_owned();
            return Err(CliError::Attempt { file: file(), why });
        }
        Err(error) => return Err(CliError::File { path: file(), error }),
    };
    new.write_all(bytes).and_then(|()| new.sync_all()).map_err(|error| {
        // Half a document is none; that it cannot be removed either, nobody could be told better.
        let _ = std::fs::remove_file(path);
        CliError::File { path: file(), error }
    })
}

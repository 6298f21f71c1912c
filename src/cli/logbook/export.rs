//! `logbook export`: what is in the record, for other programs.

use super::{StoreArguments, counted};
use crate::cli::{CliError, plain, print, progress};
use crate::debrief::text::{NOTICE, push};
use crate::logbook::LogbookError;
use crate::logbook::export::{ExportError, Exported, Format};
use clap::{Args, ValueEnum};
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `logbook export`.
#[derive(Args, Debug)]
pub struct ExportArguments {
    /// In what form
    #[arg(long, value_enum)]
    format: FormatName,
    /// The new file
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    store: StoreArguments,
}

/// A form by its name.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum FormatName {
    /// A table, a row for each component of each attempt, and FILE.dictionary.csv, which says what its columns mean
    Csv,
    /// The same table as Parquet, which holds its dictionary
    Parquet,
    /// Statements of the xAPI 1.0.3, one JSON object a line
    Xapi,
}

/// `logbook export`.
pub(super) fn run(arguments: &ExportArguments) -> Result<ExitCode, CliError> {
    let format = match arguments.format {
        FormatName::Csv => Format::Csv,
        FormatName::Parquet => Format::Parquet,
        FormatName::Xapi => Format::Xapi,
    };
    let mut open = arguments.store.open()?;
    let bar = progress("entries", Some(0));
    let done = open.book.export(format, &arguments.out, |at, of| {
        bar.set_length(of);
        bar.set_position(at);
    });
    bar.finish_and_clear();
    let exported = done.map_err(|error| match error {
        ExportError::Store(error) => open.refused(LogbookError::from(error)),
        ExportError::File { path, error } if error.kind() == std::io::ErrorKind::AlreadyExists => CliError::Attempt {
            file: plain(&path.display().to_string()),
            why: "exists already; allowed: a file that is not there yet".to_owned(),
        },
        ExportError::File { path, error } => CliError::File { path: plain(&path.display().to_string()), error },
    })?;
    print(&page(format, &exported))?;
    Ok(ExitCode::SUCCESS)
}

fn page(format: Format, exported: &Exported) -> String {
    let Exported { attempts, invented, rows, files } = exported;
    let what = if format == Format::Xapi { "statements" } else { "rows" };
    let names: Vec<String> = files.iter().map(|file| plain(&file.display().to_string())).collect();
    let mut page = format!("{}, {rows} {what}: {}\n", counted(*attempts, "attempt"), names.first().map_or("", String::as_str));
    for dictionary in names.iter().skip(1) {
        page += &format!("What the columns mean: {dictionary}\n");
    }
    if *invented > 0 {
        let which = if invented == attempts { "All".to_owned() } else { format!("{invented}") };
        page += &format!("{which} of these attempts are of people who were made up (`invented`).\n");
    }
    page.push('\n');
    push(&mut page, "", NOTICE);
    page
}

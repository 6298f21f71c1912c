//! `logbook erase` and `logbook retain`: deleting a person's data, or what is older than it is to be kept.

use super::{Open, SaidArguments, counted, pseudonym};
use crate::cli::{CliError, print, remark};
use crate::logbook::erasure::Erasure;
use crate::logbook::{LogbookError, Pseudonym, moment};
use clap::Args;
use std::process::ExitCode;

/// Arguments of `logbook erase`.
#[derive(Args, Debug)]
pub struct EraseArguments {
    /// Whose data are to go
    #[arg(long, value_name = "PSEUDONYM", value_parser = pseudonym)]
    trainee: Pseudonym,
    #[command(flatten)]
    said: SaidArguments,
}

/// Arguments of `logbook retain`.
#[derive(Args, Debug)]
pub struct RetainArguments {
    /// What was added longer ago than this is to go: days, weeks, months of 30 days or years of 365, as 90d, 12w, 6m, 2y
    #[arg(long, value_name = "TIME", value_parser = days)]
    older_than: i64,
    #[command(flatten)]
    said: SaidArguments,
}

/// A time in days.
fn days(text: &str) -> Result<i64, String> {
    let refused = || "allowed: a number of days, weeks, months or years, as 90d, 12w, 6m, 2y".to_owned();
    let unit = text.chars().last().ok_or_else(refused)?;
    let number = text.strip_suffix(unit).unwrap_or_default();
    let number: i64 = number.parse().ok().filter(|number| (1..=36_500).contains(number)).ok_or_else(refused)?;
    let days = match unit {
        'd' => 1,
        'w' => 7,
        'm' => 30,
        'y' => 365,
        _ => return Err(refused()),
    };
    Ok(number * days)
}

/// `logbook erase`.
pub(super) fn run(arguments: &EraseArguments) -> Result<ExitCode, CliError> {
    let (open, erased) = arguments.said.write(|book, author, by| book.erase(author, by, &arguments.trainee))?;
    told(&open, &erased)
}

/// `logbook retain`.
pub(super) fn retain(arguments: &RetainArguments) -> Result<ExitCode, CliError> {
    let before_ms = moment::now() - arguments.older_than * moment::DAY_MS;
    let (open, erased) = arguments.said.write(|book, author, by| match book.erase_before(author, by, before_ms) {
        Err(LogbookError::NothingToErase(nothing)) => Ok(Err(nothing)),
        erased => erased.map(Ok),
    })?;
    match erased {
        Ok(erased) => told(&open, &erased),
        Err(nothing) => {
            print(&format!("Nothing was deleted: {nothing}.\n"))?;
            Ok(ExitCode::SUCCESS)
        }
    }
}

fn told(open: &Open, Erasure { seq, seqs, is_scrubbed }: &Erasure) -> Result<ExitCode, CliError> {
    let bodies = counted(seqs.len(), "body was", "bodies were");
    print(&format!("{bodies} deleted; entry {seq} says which.\n"))?;
    if !is_scrubbed {
        let remains = "traces remain in the store's own files until others let go of it or the server's next vacuum";
        remark(&format!("{}: {remains}; backups and logs keep what they have", open.name));
    }
    Ok(ExitCode::SUCCESS)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_are_read() {
        for (text, wanted) in [("90d", 90), ("12w", 84), ("6m", 180), ("2y", 730)] {
            assert_eq!(days(text), Ok(wanted));
        }
        for text in ["", "y", "2", "-1d", "0d", "2 y", "2é", "99999d", "1.5y"] {
            assert!(days(text).is_err(), "{text}");
        }
    }
}

//! `logbook rescore`: attempts judged again under the goals of another case file, as entries of their own.

use super::SaidArguments;
use crate::case::read_case;
use crate::cli::{CliError, print};
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `logbook rescore`.
#[derive(Args, Debug)]
pub struct RescoreArguments {
    /// The entries' numbers
    #[arg(value_name = "ENTRY", required = true)]
    entries: Vec<u64>,
    /// The attempts' own case with other goals, a file
    #[arg(long, value_name = "CASE")]
    goals: PathBuf,
    #[command(flatten)]
    said: SaidArguments,
}

/// `logbook rescore`.
pub(super) fn run(arguments: &RescoreArguments) -> Result<ExitCode, CliError> {
    let case = read_case(&arguments.goals).map_err(CliError::Faults)?;
    // Goals that cannot be used are told as `check` tells them.
    crate::cli::compiled(&arguments.goals.display().to_string(), &case, 1)?;
    for of in &arguments.entries {
        let (_, (seq, scores)) = arguments.said.write(|book, author, by| book.rescore(author, by, *of, &case))?;
        let result = if scores.pass { "passed" } else { "not passed" };
        print(&format!("Entry {of} under these goals: {result}, {:.0} of 100; kept as entry {seq}.\n", scores.score))?;
    }
    Ok(ExitCode::SUCCESS)
}

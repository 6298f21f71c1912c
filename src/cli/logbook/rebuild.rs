//! `logbook rebuild`: the tables that follow from the entries, made anew.

use super::{StoreArguments, counted};
use crate::cli::{CliError, print};
use clap::Args;
use std::process::ExitCode;

/// Arguments of `logbook rebuild`.
#[derive(Args, Debug)]
pub struct RebuildArguments {
    #[command(flatten)]
    store: StoreArguments,
}

/// `logbook rebuild`.
pub(super) fn run(arguments: &RebuildArguments) -> Result<ExitCode, CliError> {
    let mut open = arguments.store.open()?;
    let count = open.book.rebuild().map_err(|error| open.refused(error))?;
    print(&format!("The tables were made anew from {}.\n", counted(count as usize, "entry", "entries")))?;
    Ok(ExitCode::SUCCESS)
}

//! `logbook comment` and `logbook sign-off`: what a supervisor says of an entry, as entries of their own.

use super::SaidArguments;
use crate::cli::{CliError, print};
use clap::Args;
use std::process::ExitCode;

/// Arguments of `logbook comment`.
#[derive(Args, Debug)]
pub struct CommentArguments {
    /// The entry's number
    #[arg(value_name = "ENTRY")]
    entry: u64,
    /// What is to be said; everybody who sees the entry sees it
    #[arg(value_name = "WORDS")]
    words: String,
    #[command(flatten)]
    said: SaidArguments,
}

/// Arguments of `logbook sign-off`.
#[derive(Args, Debug)]
pub struct SignOffArguments {
    /// The entry's number
    #[arg(value_name = "ENTRY")]
    entry: u64,
    #[command(flatten)]
    said: SaidArguments,
}

/// `logbook comment`.
pub(super) fn comment(arguments: &CommentArguments) -> Result<ExitCode, CliError> {
    let CommentArguments { entry, words, said } = arguments;
    let (_, seq) = said.write(|book, author, by| book.comment(author, by, *entry, words))?;
    print(&format!("Comment on entry {entry} kept as entry {seq}.\n"))?;
    Ok(ExitCode::SUCCESS)
}

/// `logbook sign-off`.
pub(super) fn sign_off(arguments: &SignOffArguments) -> Result<ExitCode, CliError> {
    let SignOffArguments { entry, said } = arguments;
    let (_, seq) = said.write(|book, author, by| book.sign_off(author, by, *entry))?;
    print(&format!("Entry {entry} signed off as entry {seq}. No single score decides anything.\n"))?;
    Ok(ExitCode::SUCCESS)
}

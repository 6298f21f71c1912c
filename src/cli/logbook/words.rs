//! `logbook comment` and `logbook sign-off`: what a supervisor says of an entry, as entries of their own.

use super::{AuthorArguments, StoreArguments, pseudonym};
use crate::cli::{CliError, print};
use crate::logbook::Pseudonym;
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
    /// By whom: a pseudonym
    #[arg(long, value_name = "WHO", value_parser = pseudonym)]
    by: Pseudonym,
    #[command(flatten)]
    author: AuthorArguments,
    #[command(flatten)]
    store: StoreArguments,
}

/// Arguments of `logbook sign-off`.
#[derive(Args, Debug)]
pub struct SignOffArguments {
    /// The entry's number
    #[arg(value_name = "ENTRY")]
    entry: u64,
    /// By whom: a pseudonym
    #[arg(long, value_name = "WHO", value_parser = pseudonym)]
    by: Pseudonym,
    #[command(flatten)]
    author: AuthorArguments,
    #[command(flatten)]
    store: StoreArguments,
}

/// `logbook comment`.
pub(super) fn comment(arguments: &CommentArguments) -> Result<ExitCode, CliError> {
    let CommentArguments { entry, words, by, author, store } = arguments;
    let key = author.key()?;
    let mut open = store.open()?;
    let said = open.book.comment(&author.author(key.as_ref()), by, *entry, words);
    let seq = said.map_err(|error| open.refused(error))?;
    print(&format!("Comment on entry {entry} kept as entry {seq}.\n"))?;
    Ok(ExitCode::SUCCESS)
}

/// `logbook sign-off`.
pub(super) fn sign_off(arguments: &SignOffArguments) -> Result<ExitCode, CliError> {
    let SignOffArguments { entry, by, author, store } = arguments;
    let key = author.key()?;
    let mut open = store.open()?;
    let signed = open.book.sign_off(&author.author(key.as_ref()), by, *entry);
    let seq = signed.map_err(|error| open.refused(error))?;
    print(&format!("Entry {entry} signed off as entry {seq}. No single score decides anything.\n"))?;
    Ok(ExitCode::SUCCESS)
}

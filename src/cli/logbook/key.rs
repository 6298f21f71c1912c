//! `logbook key`: a station's key, in a file that only its owner may read, and how a station changes it.

use super::{AuthorArguments, StoreArguments, key_refused, read_key};
use crate::cli::{CliError, plain, print};
use crate::logbook::StationKey;
use crate::logbook::key::fingerprint;
use clap::Args;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `logbook key`.
#[derive(Args, Debug)]
pub struct KeyArguments {
    /// Make a key: the new file
    #[arg(long, value_name = "FILE", conflicts_with_all = ["next", "station", "key", "store", "wait"])]
    out: Option<PathBuf>,
    /// Change a station's key: from here on it signs with this one, made before. --key, the one it has, signs that
    #[arg(long, value_name = "FILE", required_unless_present = "out", requires = "key")]
    next: Option<PathBuf>,
    #[command(flatten)]
    author: AuthorArguments,
    #[command(flatten)]
    store: StoreArguments,
}

/// `logbook key`.
pub(super) fn run(arguments: &KeyArguments) -> Result<ExitCode, CliError> {
    let told = match (&arguments.out, &arguments.next) {
        (Some(out), _) => made(out)?,
        (None, Some(next)) => changed(arguments, next)?,
        (None, None) => return Err(CliError::Usage("--out FILE or --next FILE is missing".to_owned())),
    };
    print(&told)?;
    Ok(ExitCode::SUCCESS)
}

fn made(out: &Path) -> Result<String, CliError> {
    let made = StationKey::new().and_then(|key| key.write_new(out).map(|()| key));
    let key = made.map_err(|error| key_refused(out, &error))?;
    let file = plain(&out.display().to_string());
    Ok(format!(
        "Written to {file}; keep it secret. Its public key in short is {}:\nkeep that elsewhere, and compare it with what `logbook verify` shows.\n",
        fingerprint(&key.public())
    ))
}

fn changed(arguments: &KeyArguments, next: &Path) -> Result<String, CliError> {
    let (before, next) = (arguments.author.key()?, read_key(next)?);
    let author = arguments.author.author(before.as_ref());
    let mut open = arguments.store.open()?;
    let seq = open.book.change_key(&author, &next).map_err(|error| open.refused(error))?;
    let (station, next) = (author.station, fingerprint(&next.public()));
    Ok(plain(&format!("Entry {seq}: from here on station `{station}` signs with the key {next}")) + "\n")
}

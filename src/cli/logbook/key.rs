//! `logbook key`: a station's key, in a file that only its owner may read.

use super::key_refused;
use crate::cli::{CliError, plain, print};
use crate::logbook::StationKey;
use crate::logbook::key::fingerprint;
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `logbook key`.
#[derive(Args, Debug)]
pub struct KeyArguments {
    /// The new file
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
}

/// `logbook key`.
pub(super) fn run(arguments: &KeyArguments) -> Result<ExitCode, CliError> {
    let made = StationKey::new().and_then(|key| key.write_new(&arguments.out).map(|()| key));
    let key = made.map_err(|error| key_refused(&arguments.out, &error))?;
    let file = plain(&arguments.out.display().to_string());
    print(&format!(
        "Written to {file}; keep it secret. Its public key in short is {}:\nkeep that elsewhere, and compare it with what `logbook verify` shows.\n",
        fingerprint(&key.public())
    ))?;
    Ok(ExitCode::SUCCESS)
}

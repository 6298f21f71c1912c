//! Parse, dispatch, print the error.

use std::io::Write as _;
use std::process::ExitCode;

fn main() -> ExitCode {
    corecleft::cli::parse(std::env::args_os()).and_then(corecleft::cli::dispatch).unwrap_or_else(|error| {
        // Nobody is left to tell when standard error is closed.
        let _ = writeln!(std::io::stderr(), "{error}");
        error.exit_code()
    })
}

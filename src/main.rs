//! Parse, dispatch, print the error.

use std::io::Write as _;
use std::process::ExitCode;

fn main() -> ExitCode {
    let done =
        corecleft::cli::parse(std::env::args_os()).and_then(|request| corecleft::cli::dispatch(request, stage()));
    done.unwrap_or_else(|error| {
        // Nobody is left to tell when standard error is closed.
        let _ = writeln!(std::io::stderr(), "{error}");
        error.exit_code()
    })
}

/// The window, where it is built in.
#[cfg(feature = "app")]
fn stage() -> Option<corecleft::cli::Stage> {
    Some(corecleft::cli::Stage { window: corecleft::app::window, picture: corecleft::app::picture::run })
}

#[cfg(not(feature = "app"))]
fn stage() -> Option<corecleft::cli::Stage> {
    None
}

//! The command line: parse, dispatch, print the error, and hand the commands what only the window can do.

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

#[cfg(not(feature = "app"))]
fn stage() -> Option<corecleft::cli::Stage> {
    None
}

#[cfg(feature = "app")]
use on_stage::stage;

/// The window, where it is built in.
#[cfg(feature = "app")]
mod on_stage {
    use corecleft::app::{self, Unable, picture};
    use corecleft::cli::picture::{self as asked, PictureArguments};
    use corecleft::cli::{CliError, Stage};
    use std::process::ExitCode;
    use std::time::Instant;

    pub fn stage() -> Option<Stage> {
        Some(Stage { window: || app::window().map_err(told), picture: draw })
    }

    fn told(Unable { what, allowed }: Unable) -> CliError {
        CliError::Stage { what, allowed }
    }

    fn draw(arguments: &PictureArguments) -> Result<ExitCode, CliError> {
        let begun = Instant::now();
        let subject = match asked::subject(arguments)? {
            asked::Subject::Case { scenario, case, plan } => {
                picture::Subject::Case { scenario, case, plan, seed: arguments.seed }
            }
            asked::Subject::Attempt(attempt) => picture::Subject::Attempt(attempt),
            asked::Subject::Record { store, is_of_trainee } => picture::Subject::Record { store, is_of_trainee },
        };
        // Every name that the command line takes is a view's; a test looks at them all.
        let view = picture::View::named(&arguments.view.name()).unwrap_or(picture::View::Microscope);
        let request = picture::Request { subject, at_s: arguments.at, view, size: arguments.size };
        match (&arguments.out, arguments.frames) {
            (Some(out), _) => asked::write(out, &picture::draw(request).map_err(told)?)?,
            (None, frames) => asked::tell(&picture::measure(request, frames.unwrap_or(1), begun).map_err(told)?)?,
        }
        Ok(ExitCode::SUCCESS)
    }
}

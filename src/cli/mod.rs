//! The commands: parse, run, print. The trade's units on the outside.
//!
//! Exit status: 0 done (a failed attempt is still 0); 1 the answer is no (`check` found faults, `verify` a mismatch); 2 unusable arguments or
//! input. Every error is one line on standard error: what, where, what would be right. `--json` prints one JSON object
//! and nothing else on standard output.

pub mod calibrate;
pub mod check;
pub mod daily;
pub mod debrief;
#[cfg(feature = "logbook")]
pub mod logbook;
pub mod map;
pub mod next;
pub mod picture;
pub mod play;
pub mod verify;
pub mod whatif;

use crate::case::{Compiled, Fault, ReadCase, Resolution, compile, fault};
use clap::error::{ContextKind, ErrorKind};
use clap::{CommandFactory as _, FromArgMatches as _, Parser, Subcommand};
use std::ffi::OsString;
use std::io::{self, Write as _};
use std::path::Path;
use std::process::ExitCode;

/// Nucleus chop and fragment management, simulated and taught.
///
/// For education only; not a medical device, not for planning or use in care.
/// Without a command it opens the window; where there is no display it plays the first shipped case.
#[derive(Debug, Parser)]
#[command(name = "corecleft", version, max_term_width = 80, disable_help_subcommand = true)]
struct Arguments {
    #[command(subcommand)]
    command: Option<Command>,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run a plan on a case and print the debrief
    Play(play::PlayArguments),
    /// Outcome of the first chop over burial depth and tip angle
    Map(map::MapArguments),
    /// What happened in a saved attempt, and why
    Debrief(debrief::DebriefArguments),
    /// What would have happened with one thing done otherwise
    Whatif(whatif::WhatIfArguments),
    /// Do saved attempts again and compare what they claim with what comes of it
    Verify(verify::VerifyArguments),
    /// All faults of case and plan files, one a line
    Check(check::CheckArguments),
    /// How hard cases are, and whether scores follow skill, by simulated trainees
    Calibrate(calibrate::CalibrateArguments),
    /// Which shipped case next, from saved attempts: the kind of eye most misjudged
    Next(next::NextArguments),
    /// The unseen eye of a day: one prediction, one chop, and the line of error
    Daily(daily::DailyArguments),
    /// A picture of a case or a saved attempt, or how long frames take
    Picture(picture::PictureArguments),
    /// The program's record: attempts handed in, and proof that nothing was changed since
    #[cfg(feature = "logbook")]
    Logbook(Box<logbook::LogbookArguments>),
}

/// What only the window can do. The commands do not know it; who starts the program hands it to them.
#[derive(Clone, Copy)]
pub struct Stage {
    /// Open the window, until it is closed.
    pub window: fn() -> Result<ExitCode, CliError>,
    /// Draw a picture.
    pub picture: fn(&picture::PictureArguments) -> Result<ExitCode, CliError>,
}

/// What the command line asks for.
#[derive(Debug)]
pub enum Request {
    /// Help or version: print this.
    Say(String),
    /// No command: the first shipped case.
    First,
    /// A command.
    Command(Command),
}

/// Why a command could not be done.
#[derive(Debug, thiserror::Error)]
pub enum CliError {
    /// The command line makes no sense.
    #[error("error: {0}")]
    Usage(String),
    /// Files that cannot be used, one line a fault.
    #[error("{}", .0.iter().map(fault_line).collect::<Vec<_>>().join("\n"))]
    Faults(Vec<Fault>),
    /// The plan goes on for too long.
    #[error(
        "{plan}: the plan runs on after {} s; allowed: plans that end within {0} s of the eye's time",
        crate::debrief::course::LONGEST_S
    )]
    Endless {
        /// The plan's file.
        plan: String,
    },
    /// An attempt that cannot be used.
    #[error("{file}: {why}")]
    Attempt {
        /// Its file.
        file: String,
        /// Why.
        why: String,
    },
    /// An attempt could not be saved.
    #[error(transparent)]
    Save(#[from] crate::attempt::SaveError),
    /// A file could not be written.
    #[error("{path}: cannot be written: {error}; allowed: a file in a folder that can be written")]
    File {
        /// The file.
        path: String,
        /// Why.
        error: io::Error,
    },
    /// A value in the engine was not finite.
    #[error(
        "error: the engine stopped at {t_s:.3} s since {what} was not a finite number; allowed: please report case, plan and seed"
    )]
    Engine {
        /// When.
        t_s: f64,
        /// What.
        what: String,
    },
    /// The output could not be written.
    #[error("error: standard output cannot be written: {0}")]
    Output(#[from] io::Error),
    /// The window cannot be opened, or a picture not be drawn.
    #[error("error: {what}; allowed: {allowed}")]
    Stage {
        /// What is wrong.
        what: String,
        /// What would be right.
        allowed: String,
    },
    /// The worker threads could not be started.
    #[error("error: the threads cannot be started: {0}; allowed: a smaller --threads")]
    Threads(#[from] rayon::ThreadPoolBuildError),
    /// A picture could not be made.
    #[error("error: the picture cannot be made: {0}; allowed: please report case and arguments")]
    Raster(#[from] crate::debrief::maps::raster::RasterError),
    /// The JSON could not be made.
    #[error("error: the result cannot be written as JSON: {0}")]
    Json(#[from] serde_json::Error),
}

impl CliError {
    /// 2: unusable arguments or input.
    pub fn exit_code(&self) -> ExitCode {
        ExitCode::from(2)
    }
}

/// Read the command line.
///
/// # Errors
/// A command line that makes no sense.
pub fn parse(arguments: impl IntoIterator<Item = OsString>) -> Result<Request, CliError> {
    let found = Arguments::command().try_get_matches_from(arguments);
    match found.and_then(|matches| Arguments::from_arg_matches(&matches)) {
        Ok(Arguments { command: Some(command) }) => Ok(Request::Command(command)),
        Ok(Arguments { command: None }) => Ok(Request::First),
        Err(error) if matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) => {
            Ok(Request::Say(error.render().to_string()))
        }
        Err(error) => Err(CliError::Usage(usage_line(&error))),
    }
}

/// Do what the command line asks for.
///
/// # Errors
/// Whatever makes the arguments or the input unusable.
pub fn dispatch(request: Request, stage: Option<Stage>) -> Result<ExitCode, CliError> {
    match request {
        Request::Say(text) => print(&text).map(|()| ExitCode::SUCCESS),
        Request::First => match stage {
            None => play::first("This build has no window"),
            Some(_) if !has_display() => play::first("There is no display here for the window"),
            Some(stage) => (stage.window)(),
        },
        Request::Command(Command::Picture(arguments)) => match stage {
            Some(stage) => (stage.picture)(&arguments),
            None => Err(CliError::Stage {
                what: "this build draws no pictures".into(),
                allowed: "a build with the feature `app`".into(),
            }),
        },
        Request::Command(Command::Play(arguments)) => play::run(&arguments),
        Request::Command(Command::Map(arguments)) => map::run(&arguments),
        Request::Command(Command::Debrief(arguments)) => debrief::run(&arguments),
        Request::Command(Command::Whatif(arguments)) => whatif::run(&arguments),
        Request::Command(Command::Verify(arguments)) => verify::run(&arguments),
        Request::Command(Command::Check(arguments)) => check::run(&arguments),
        Request::Command(Command::Calibrate(arguments)) => calibrate::run(&arguments),
        Request::Command(Command::Next(arguments)) => next::run(&arguments),
        Request::Command(Command::Daily(arguments)) => daily::run(&arguments),
        #[cfg(feature = "logbook")]
        Request::Command(Command::Logbook(arguments)) => logbook::run(&arguments),
    }
}

/// Is there a display to open a window on?
fn has_display() -> bool {
    let is_set = |name: &str| std::env::var_os(name).is_some_and(|value| !value.is_empty());
    !cfg!(all(unix, not(target_vendor = "apple"))) || is_set("DISPLAY") || is_set("WAYLAND_DISPLAY")
}

/// The parser's message as one line: what is wrong, and what would be right.
fn usage_line(error: &clap::Error) -> String {
    let text = error.render().to_string();
    let (path, names) = commands_of(&text);
    match error.kind() {
        ErrorKind::InvalidSubcommand => {
            if let Some(named) = error.get(ContextKind::InvalidSubcommand) {
                let of = if path.contains(' ') { format!(" of `{path}`") } else { String::new() };
                return plain(&format!("`{named}` is not a command{of}; allowed: {}", names.join(", ")));
            }
        }
        ErrorKind::MissingSubcommand | ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand if !names.is_empty() => {
            return plain(&format!("`{path}` needs a command; allowed: {}", names.join(", ")));
        }
        _ => (),
    }
    let mut paragraphs = text.split("\n\n");
    let what = paragraphs.next().unwrap_or_default().trim_start_matches("error: ").to_string();
    let usage = paragraphs.find_map(|p| p.trim().strip_prefix("Usage: ").map(str::to_owned));
    let joined = |s: &str| s.split_whitespace().collect::<Vec<_>>().join(" ");
    let line = match usage {
        Some(usage) => format!("{}; allowed: {}", joined(&what), joined(&usage)),
        None => joined(&what),
    };
    // What the parser lists for a value that is not one of a few.
    let line = match line.split_once(" [possible values: ") {
        Some((what, allowed)) => format!("{what}; allowed: {}", allowed.trim_end_matches(']')),
        None => line,
    };
    plain(&line)
}

/// The command that a message of the parser shows the usage of, and the commands it has.
fn commands_of(text: &str) -> (String, Vec<String>) {
    let mut command = Arguments::command();
    let mut path = command.get_name().to_owned();
    let usage = text.split("Usage: ").nth(1).and_then(|usage| usage.lines().next()).unwrap_or_default();
    for word in usage.split_whitespace() {
        if let Some(below) = command.find_subcommand(word).cloned() {
            path += &format!(" {word}");
            command = below;
        }
    }
    let names = command.get_subcommands().map(|below| below.get_name().to_owned()).collect();
    (path, names)
}

/// Text with everything escaped that would break a line or move the cursor.
fn plain(text: &str) -> String {
    text.chars().flat_map(|c| if fault::is_plain(c) { vec![c] } else { c.escape_default().collect() }).collect()
}

/// A fault as one line; without a place where it has none.
fn fault_line(fault: &Fault) -> String {
    let line = fault.to_string();
    if fault.line == 0 { line.replacen(&format!(":0:0: {}: ", fault.field), ": ", 1) } else { line }
}

/// Print on standard output. A reader that has gone away is no error.
fn print(text: &str) -> Result<(), CliError> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => Ok(other?),
    }
}

/// Write a file that may be there already: the whole of it takes its place at once, or nothing does.
fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), CliError> {
    crate::attempt::replace(path, bytes)
        .map_err(|error| CliError::File { path: plain(&path.display().to_string()), error })
}

/// How far long work has come, on standard error where that is a terminal; so many things are to come, where that is known.
fn progress(what: &str, count: Option<u64>) -> indicatif::ProgressBar {
    use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
    let template = match count {
        Some(_) => format!("{{bar:32}} {{pos}} of {{len}} {what}, {{eta}} to go"),
        None => format!("{{spinner}} {{pos}} {what}, {{elapsed}}"),
    };
    let style = ProgressStyle::with_template(&template).unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::with_draw_target(count, ProgressDrawTarget::stderr()).with_style(style)
}

/// Print a line on standard error; nobody is left to tell when that fails.
fn remark(line: &str) {
    let _ = writeln!(io::stderr(), "{line}");
}

/// Name of a case for people and machines: its file's name without the ending.
fn scenario_name(path: &Path) -> String {
    plain(&path.file_stem().unwrap_or(path.as_os_str()).to_string_lossy())
}

/// Compile a case that was read, give its problems their places, and remark on warnings.
fn compiled(file: &str, case: &ReadCase, seed: u64) -> Result<Compiled, CliError> {
    let located = |problems: Vec<crate::case::Problem>| -> Vec<Fault> {
        problems.into_iter().map(|p| case.spans.locate(file, p)).collect()
    };
    match compile(&case.spec, seed, Resolution::default()) {
        Ok(compiled) => {
            for warning in located(compiled.warnings.clone()) {
                remark(&fault_line(&warning));
            }
            Ok(compiled)
        }
        Err(problems) => Err(CliError::Faults(located(problems))),
    }
}

//! `debrief`: what happened in a saved attempt, and why.

use crate::attempt::Attempt;
use crate::cli::play::{Report, Shown, show};
use crate::cli::{CliError, plain, progress, remark, write_whole};
use crate::debrief::course::{Course, made_with, scores};
use crate::debrief::maps::Wanted;
use crate::debrief::{Debrief, html, text};
use clap::Args;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Instant;

/// Arguments of `debrief`.
#[derive(Args, Debug)]
pub struct DebriefArguments {
    /// The attempt, a file that `play --save` wrote
    #[arg(value_name = "ATTEMPT")]
    attempt: PathBuf,
    /// Write it as one HTML document too, to read in a browser or to print
    #[arg(long, value_name = "FILE")]
    html: Option<PathBuf>,
    /// Leave the maps of where the chop works out of the document; they take some seconds
    #[arg(long, requires = "html")]
    no_maps: bool,
    #[command(flatten)]
    shown: Shown,
}

/// `debrief`.
pub(crate) fn run(arguments: &DebriefArguments) -> Result<ExitCode, CliError> {
    let begun = Instant::now();
    let file = plain(&arguments.attempt.display().to_string());
    let refused = |why: String| CliError::Attempt { file: file.clone(), why };
    let attempt = Attempt::read(&arguments.attempt).map_err(|error| refused(error.to_string()))?;
    let (case, model) = attempt.model().map_err(|error| refused(error.to_string()))?;
    let course = Course::again(&model, &attempt);
    let facts = course.facts(&case.spec, &model);
    let mut debrief = Debrief::of(&facts);
    // What is told is what the inputs lead to; a file that claims otherwise is not told as if it were sound.
    if *course.state.hash().as_bytes() != attempt.state_hash || scores(&debrief) != attempt.scores {
        return Err(refused(
            "does not follow from its own inputs; allowed: an attempt that `verify` calls valid".into(),
        ));
    }
    debrief.judge_predictions(&case.spec, &model, &course.record, 0)?;
    let (made, with) = made_with(&attempt.header.device);
    let (header, set_up) = (&attempt.header, attempt.header.setup_in_words());
    let set_up = set_up.as_deref();
    let report = Report { scenario: &header.scenario, seed: header.seed, made, with, set_up, begun };
    show(&report, &arguments.shown, &facts, &debrief)?;
    if let Some(path) = &arguments.html {
        let titles = text::Titles { case: &case.spec.title, made, with, seed: report.seed, set_up };
        let maps = if arguments.no_maps {
            None
        } else {
            let wanted = Wanted::of(&case.spec, &model, &course.record, &debrief);
            let bar = progress("chops", Some(wanted.count() as u64));
            let maps = wanted.computed(&case.spec, &model, 0, || bar.inc(1));
            bar.finish_and_clear();
            Some(maps?)
        };
        let document = html::document(&titles, &facts, &debrief, &course.trace, maps.as_ref());
        write_whole(path, document.as_bytes())?;
        remark(&format!("Written to {}", plain(&path.display().to_string())));
    }
    Ok(ExitCode::SUCCESS)
}

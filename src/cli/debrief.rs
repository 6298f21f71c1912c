//! `debrief`: what happened in a saved attempt, and why.

use crate::attempt::Attempt;
use crate::cli::play::{Report, Shown, show};
use crate::cli::{CliError, plain};
use crate::debrief::course::{Course, made_with, scores};
use crate::debrief::{Debrief, Facts};
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
    let facts = Facts { case: &case.spec, model: &model, state: &course.state, watch: &course.watch };
    let debrief = Debrief::of(&facts);
    // What is told is what the inputs lead to; a file that claims otherwise is not told as if it were sound.
    if *course.state.hash().as_bytes() != attempt.state_hash || scores(&debrief) != attempt.scores {
        return Err(refused(
            "does not follow from its own inputs; allowed: an attempt that `verify` calls valid".into(),
        ));
    }
    let (made, with) = made_with(&attempt.header.device);
    let report = Report { scenario: &attempt.header.scenario, seed: attempt.header.seed, made, with, begun };
    show(&report, &arguments.shown, &facts, &debrief)?;
    Ok(ExitCode::SUCCESS)
}

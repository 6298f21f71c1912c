//! `verify`: attempts done again, and what they claim compared with what comes of it.

use crate::attempt::Attempt;
use crate::cli::{CliError, plain, print, remark};
use crate::debrief::proof::{Proof, Verdict};
use clap::Args;
use serde::Serialize;
use std::path::PathBuf;
use std::process::ExitCode;

/// Arguments of `verify`.
#[derive(Args, Debug)]
pub struct VerifyArguments {
    /// Attempts, files that `play --save` wrote
    #[arg(value_name = "ATTEMPT", required = true)]
    attempts: Vec<PathBuf>,
    /// Print one JSON object instead of lines
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Report {
    attempts: Vec<AttemptReport>,
}

#[derive(Serialize)]
struct AttemptReport {
    file: String,
    verdict: Verdict,
    reason: String,
}

/// `verify`. 0 when all are valid, 1 when one does not match, else 2 when one cannot be read or belongs to another version.
pub(crate) fn run(arguments: &VerifyArguments) -> Result<ExitCode, CliError> {
    let mut reports = Vec::new();
    for path in &arguments.attempts {
        let file = plain(&path.display().to_string());
        let read = Attempt::read(path);
        let Proof { verdict, reason } = Proof::of(&read);
        if !arguments.json {
            let set_up = read.ok().filter(|_| verdict == Verdict::Valid).and_then(|a| a.header.setup_in_words());
            let set_up = set_up.map_or(String::new(), |words| format!("; set up: {words}"));
            let line = format!("{file}: {}: {}{set_up}", verdict.words(), plain(&reason));
            match verdict {
                Verdict::Unreadable => remark(&line),
                _ => print(&(line + "\n"))?,
            }
        }
        reports.push(AttemptReport { file, verdict, reason });
    }
    let has = |verdict: Verdict| reports.iter().any(|r| r.verdict == verdict);
    let status = if has(Verdict::Mismatch) {
        1
    } else if has(Verdict::Unreadable) || has(Verdict::OtherVersion) {
        2
    } else {
        0
    };
    if arguments.json {
        print(&(serde_json::to_string(&Report { attempts: reports })? + "\n"))?;
    }
    Ok(ExitCode::from(status))
}

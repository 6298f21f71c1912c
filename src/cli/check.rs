//! `check`: all faults and warnings of case and plan files, one a line.

use crate::case::compile::problems;
use crate::case::{Fault, read_case};
use crate::cli::{CliError, fault_line, plain, print};
use crate::plan::read_plan;
use clap::Args;
use serde::Serialize;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `check`.
#[derive(Args, Debug)]
pub struct CheckArguments {
    /// Cases (NAME.ron) and plans (NAME.plan.ron)
    #[arg(value_name = "FILE", required = true)]
    files: Vec<PathBuf>,
    /// Print one JSON object instead of lines
    #[arg(long)]
    json: bool,
}

#[derive(Serialize)]
struct Report {
    files: Vec<FileReport>,
}

#[derive(Serialize)]
struct FileReport {
    file: String,
    faults: Vec<FaultReport>,
}

#[derive(Serialize)]
struct FaultReport {
    line: Option<usize>,
    column: Option<usize>,
    field: String,
    message: String,
    allowed: Option<String>,
    warning: bool,
}

/// `check`.
pub(crate) fn run(arguments: &CheckArguments) -> Result<ExitCode, CliError> {
    let found: Vec<(String, Vec<Fault>)> =
        arguments.files.iter().map(|path| (path.display().to_string(), faults(path))).collect();
    let has_fault = found.iter().flat_map(|(_, faults)| faults).any(|f| !f.is_warning);
    let text = if arguments.json {
        let files = found
            .into_iter()
            .map(|(file, faults)| FileReport { file, faults: faults.into_iter().map(FaultReport::from).collect() });
        serde_json::to_string(&Report { files: files.collect() })? + "\n"
    } else {
        found.iter().map(|(file, faults)| lines(file, faults)).collect()
    };
    print(&text)?;
    Ok(ExitCode::from(u8::from(has_fault)))
}

/// What is wrong with one file, and what deserves a second look.
fn faults(path: &Path) -> Vec<Fault> {
    let file = path.display().to_string();
    if file.ends_with(".pack.ron") {
        let message = "is a pack; packs are not read by this version".to_string();
        let allowed = "a case (NAME.ron) or a plan (NAME.plan.ron)".to_string();
        return vec![Fault {
            file,
            line: 0,
            column: 0,
            field: crate::case::fault::WHOLE_FILE.to_string(),
            message,
            allowed,
            is_warning: false,
        }];
    }
    if file.ends_with(".plan.ron") {
        return read_plan(path).err().unwrap_or_default();
    }
    match read_case(path) {
        Ok(case) => problems(&case.spec).into_iter().map(|p| case.spans.locate(&file, p)).collect(),
        Err(faults) => faults,
    }
}

fn lines(file: &str, faults: &[Fault]) -> String {
    let mut text: String = faults.iter().map(|f| fault_line(f) + "\n").collect();
    if faults.iter().all(|f| f.is_warning) {
        text += &format!("{}: no faults\n", plain(file));
    }
    text
}

impl From<Fault> for FaultReport {
    fn from(fault: Fault) -> Self {
        let place = |at: usize| (at > 0).then_some(at);
        Self {
            line: place(fault.line),
            column: place(fault.column),
            field: fault.field,
            message: fault.message,
            allowed: Some(fault.allowed).filter(|a| !a.is_empty()),
            warning: fault.is_warning,
        }
    }
}

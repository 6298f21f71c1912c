//! `logbook add`: saved attempts are handed in. What is there already is told and left alone, so that it can be done again after it was
//! broken off; what cannot be read is told, and the rest goes on.

use super::{AuthorArguments, StoreArguments, pseudonym};
use crate::cli::{CliError, plain, print, progress, remark};
use crate::logbook::entry::Purpose;
use crate::logbook::submission::Kinds;
use crate::logbook::{Outcome, Pseudonym, Submission};
use clap::Args;
use rayon::prelude::*;
use serde_json::json;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `logbook add`.
#[derive(Args, Debug)]
pub struct AddArguments {
    /// Attempts, or folders of them, with what lies below
    #[arg(value_name = "FILE|FOLDER", required = true)]
    paths: Vec<PathBuf>,
    /// Whose they are: a pseudonym that `logbook people` gave
    #[arg(long, value_name = "PSEUDONYM", value_parser = pseudonym)]
    trainee: Pseudonym,
    /// They are to be assessed; else they are practice, shown by choice
    #[arg(long)]
    assessment: bool,
    /// Leave out how far predictions were off, which takes some seconds an attempt that has any
    #[arg(long)]
    quick: bool,
    /// How many are added at once, all of them or none
    #[arg(long, value_name = "N", default_value_t = 256, value_parser = clap::value_parser!(u32).range(1..=10_000))]
    at_once: u32,
    #[command(flatten)]
    author: AuthorArguments,
    #[command(flatten)]
    store: StoreArguments,
    /// Print one JSON object instead of lines
    #[arg(long)]
    json: bool,
}

/// Deepest folder below a folder.
const DEEPEST: usize = 32;

/// The attempts below a folder with the times they were written.
fn below(folder: &Path, depth: usize, found: &mut Vec<(std::time::SystemTime, PathBuf)>) -> io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let path = entry.path();
        let is_hidden = entry.file_name().to_string_lossy().starts_with('.');
        // A link may lead back up; only what lies here is taken.
        let kind = entry.file_type()?;
        if kind.is_dir() && depth < DEEPEST && !is_hidden {
            below(&path, depth + 1, found)?;
        } else if kind.is_file() && path.extension().is_some_and(|e| e == "attempt") && !is_hidden {
            found.push((entry.metadata()?.modified()?, path));
        }
    }
    Ok(())
}

/// The files that are meant: the earliest first, for the first on an eye is what counts.
fn files(paths: &[PathBuf]) -> Result<Vec<PathBuf>, CliError> {
    let mut found = Vec::new();
    for path in paths {
        if path.is_dir() {
            below(path, 0, &mut found).map_err(|error| CliError::Attempt {
                file: plain(&path.display().to_string()),
                why: format!("cannot be read: {error}; allowed: a folder of attempts"),
            })?;
        } else {
            let written = std::fs::metadata(path).and_then(|found| found.modified());
            found.push((written.unwrap_or(std::time::SystemTime::UNIX_EPOCH), path.clone()));
        }
    }
    found.sort();
    found.dedup();
    Ok(found.into_iter().map(|(_, path)| path).collect())
}

/// What became of a file.
enum Told {
    Taken(u64),
    Known(Option<u64>),
    Refused(String),
}

/// `logbook add`. 2 where a file was refused.
pub(super) fn run(arguments: &AddArguments) -> Result<ExitCode, CliError> {
    let files = files(&arguments.paths)?;
    let key = arguments.author.key()?;
    let mut open = arguments.store.open_or_make()?;
    let purpose = if arguments.assessment { Purpose::Assessment } else { Purpose::Practice };
    let bar = progress("attempts", Some(files.len() as u64));
    let kinds = Kinds::default();
    let mut all: Vec<(String, Told)> = Vec::new();
    for part in files.chunks(arguments.at_once as usize) {
        // Reading goes on several threads; predictions bring their own.
        let read: Vec<_> = part.par_iter().map(|path| Submission::read(path, &kinds, !arguments.quick)).collect();
        let good: Vec<Submission> = read.iter().flatten().cloned().collect();
        let outcomes = open.book.submit(&arguments.author.author(key.as_ref()), &arguments.trainee, purpose, &good);
        let mut outcomes = outcomes.map_err(|error| open.refused(error))?.into_iter();
        for (path, read) in part.iter().zip(&read) {
            let file = plain(&path.display().to_string());
            let told = match read {
                Err(why) => Told::Refused(plain(&why.to_string())),
                Ok(_) => match outcomes.next() {
                    Some(Outcome::Taken(seq)) => Told::Taken(seq),
                    Some(Outcome::Known(seq)) => Told::Known(seq),
                    None => Told::Refused("was left out; allowed: please report this".to_owned()),
                },
            };
            if !arguments.json {
                bar.suspend(|| tell(&file, &told))?;
            }
            all.push((file, told));
        }
        bar.inc(part.len() as u64);
    }
    bar.finish_and_clear();
    let count = |is_meant: fn(&Told) -> bool| all.iter().filter(|(_, told)| is_meant(told)).count();
    let taken = count(|told| matches!(told, Told::Taken(_)));
    let known = count(|told| matches!(told, Told::Known(_)));
    let refused = count(|told| matches!(told, Told::Refused(_)));
    if arguments.json {
        let files: Vec<_> = all
            .iter()
            .map(|(file, told)| match told {
                Told::Taken(seq) => json!({"file": file, "told": "taken", "seq": seq, "reason": null}),
                Told::Known(seq) => json!({"file": file, "told": "known", "seq": seq, "reason": null}),
                Told::Refused(why) => json!({"file": file, "told": "refused", "seq": null, "reason": why}),
            })
            .collect();
        let object = json!({
            "store": open.name, "taken": taken, "known": known, "refused": refused, "files": files,
        });
        print(&(object.to_string() + "\n"))?;
    } else {
        print(&format!("{taken} taken, {known} known already, {refused} refused: {}\n", open.name))?;
    }
    Ok(ExitCode::from(if refused > 0 { 2 } else { 0 }))
}

fn tell(file: &str, told: &Told) -> Result<(), CliError> {
    match told {
        Told::Taken(seq) => print(&format!("{file}: taken as entry {seq}\n")),
        Told::Known(Some(seq)) => print(&format!("{file}: known already, as entry {seq}\n")),
        Told::Known(None) => print(&format!("{file}: known already, as another's\n")),
        Told::Refused(why) => {
            remark(&format!("{file}: {why}"));
            Ok(())
        }
    }
}

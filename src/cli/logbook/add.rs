//! `logbook add`: saved attempts are handed in, or what a station's own store holds is brought in. What is there already is told and left
//! alone, so that it can be done again after it was broken off; what cannot be read is told, and the rest goes on.

use super::{AuthorArguments, Open, StoreArguments, pseudonym};
use crate::cli::{CliError, plain, print, progress, remark};
use crate::logbook::database::Place;
use crate::logbook::entry::Purpose;
use crate::logbook::gather::{Came, Gathering, is_store};
use crate::logbook::submission::Kinds;
use crate::logbook::{Logbook, LogbookError, Opening, Outcome, Pseudonym, StationKey, Submission};
use clap::Args;
use indicatif::ProgressBar;
use rayon::prelude::*;
use serde_json::json;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `logbook add`.
#[derive(Args, Debug)]
pub struct AddArguments {
    /// Attempts, or folders of them, with what lies below; or files of stations' own stores, whose entries say themselves whose they
    /// are, what for, and from which station
    #[arg(value_name = "FILE|FOLDER|STORE", required = true)]
    paths: Vec<PathBuf>,
    /// Whose the attempts are: a pseudonym that `logbook people` gave
    #[arg(long, value_name = "PSEUDONYM", value_parser = pseudonym)]
    trainee: Option<Pseudonym>,
    /// The attempts are to be assessed; else they are practice, shown by choice
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

/// What became of a file, or of an entry of a station's store.
enum Told {
    Taken(u64),
    Known(Option<u64>),
    Gone,
    Refused(String),
}

impl From<Outcome> for Told {
    fn from(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Taken(seq) => Self::Taken(seq),
            Outcome::Known(seq) => Self::Known(seq),
        }
    }
}

/// What is told, as it comes.
struct Telling {
    is_json: bool,
    bar: ProgressBar,
    all: Vec<(String, Told)>,
}

impl Telling {
    fn tell(&mut self, file: String, told: Told) -> Result<(), CliError> {
        if !self.is_json {
            self.bar.suspend(|| tell(&file, &told))?;
        }
        self.all.push((file, told));
        Ok(())
    }
}

/// Hand attempts in.
fn hand_in(
    files: &[PathBuf],
    trainee: &Pseudonym,
    arguments: &AddArguments,
    key: Option<&StationKey>,
    open: &mut Open,
    telling: &mut Telling,
) -> Result<(), CliError> {
    let purpose = if arguments.assessment { Purpose::Assessment } else { Purpose::Practice };
    let kinds = Kinds::default();
    for part in files.chunks(arguments.at_once as usize) {
        // Reading goes on several threads; predictions bring their own.
        let read: Vec<_> = part.par_iter().map(|path| Submission::read(path, &kinds, !arguments.quick)).collect();
        let good: Vec<Submission> = read.iter().flatten().cloned().collect();
        let outcomes = open.book.submit(&arguments.author.author(key), trainee, purpose, &good);
        let mut outcomes = outcomes.map_err(|error| open.refused(error))?.into_iter();
        for (path, read) in part.iter().zip(&read) {
            let told = match read {
                Err(why) => Told::Refused(plain(&why.to_string())),
                Ok(_) => match outcomes.next() {
                    Some(outcome) => outcome.into(),
                    None => Told::Refused("was left out; allowed: please report this".to_owned()),
                },
            };
            telling.tell(plain(&path.display().to_string()), told)?;
        }
        telling.bar.inc(part.len() as u64);
    }
    Ok(())
}

/// Bring in what a station's store holds.
fn bring_in(
    store: &Path,
    arguments: &AddArguments,
    key: Option<&StationKey>,
    open: &mut Open,
    telling: &mut Telling,
) -> Result<(), CliError> {
    let name = plain(&store.display().to_string());
    let mut from = Logbook::open_at(&Place::File(store.to_owned()), Opening::default())
        .map_err(|error| super::refused(&name, &error))?;
    let how = Gathering {
        author: arguments.author.is_named().then(|| arguments.author.author(key)),
        at_once: arguments.at_once as usize,
        is_judged: !arguments.quick,
    };
    let mut trouble = Ok(());
    let gathered = open.book.gather(&mut from, &how, |seq, came| {
        let told = match came {
            Came::Here(outcome) => outcome.into(),
            Came::Gone => Told::Gone,
            Came::Refused(why) => Told::Refused(plain(&why.to_string())),
        };
        telling.bar.inc(1);
        if trouble.is_ok() {
            trouble = telling.tell(format!("{name}, entry {seq}"), told);
        }
    });
    match gathered {
        // What is wrong with the other store is said with its name.
        Err(error @ LogbookError::NotWhole(_)) => Err(super::refused(&name, &error)),
        Err(error) => Err(open.refused(error)),
        Ok(()) => trouble,
    }
}

/// `logbook add`. 2 where a file was refused.
pub(super) fn run(arguments: &AddArguments) -> Result<ExitCode, CliError> {
    let (stores, paths): (Vec<_>, Vec<_>) = arguments.paths.iter().cloned().partition(|path| is_store(path));
    let files = files(&paths)?;
    let key = arguments.author.key()?;
    if key.is_some() && !stores.is_empty() && !arguments.author.is_named() {
        let line = "--key signs as one station; allowed with a station's store: --station NAME beside it";
        return Err(CliError::Usage(line.into()));
    }
    let trainee = match &arguments.trainee {
        Some(trainee) => Some(trainee),
        None if paths.is_empty() => None,
        None => {
            let line = "attempts without --trainee are nobody's; allowed: --trainee PSEUDONYM";
            return Err(CliError::Usage(line.into()));
        }
    };
    let mut open = arguments.store.open_or_make()?;
    let length = stores.is_empty().then_some(files.len() as u64);
    let mut telling = Telling { is_json: arguments.json, bar: progress("attempts", length), all: Vec::new() };
    for store in &stores {
        bring_in(store, arguments, key.as_ref(), &mut open, &mut telling)?;
    }
    if let Some(trainee) = trainee {
        hand_in(&files, trainee, arguments, key.as_ref(), &mut open, &mut telling)?;
    }
    let Telling { bar, all, .. } = telling;
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
                Told::Gone => json!({"file": file, "told": "gone", "seq": null, "reason": GONE}),
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

/// Of an entry that does not come.
const GONE: &str = "left out, as nothing is left of it or of what it is about";

fn tell(file: &str, told: &Told) -> Result<(), CliError> {
    match told {
        Told::Taken(seq) => print(&format!("{file}: taken as entry {seq}\n")),
        Told::Known(Some(seq)) => print(&format!("{file}: known already, as entry {seq}\n")),
        Told::Known(None) => print(&format!("{file}: known already, as another's\n")),
        Told::Gone => print(&format!("{file}: {GONE}\n")),
        Told::Refused(why) => {
            remark(&format!("{file}: {why}"));
            Ok(())
        }
    }
}

//! `next`: which shipped case is worth most now, from the attempts in a folder.

use crate::attempt::Attempt;
use crate::case::Kind;
use crate::cli::{CliError, plain, print, progress, remark};
use crate::daily::next::{Past, next};
use crate::debrief::json::rounded;
use crate::debrief::text;
use clap::Args;
use serde_json::{Value, json};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

/// Arguments of `next`.
#[derive(Args, Debug)]
pub struct NextArguments {
    /// A folder of attempts, as `play --save` or the window keeps them
    #[arg(value_name = "FOLDER")]
    folder: PathBuf,
    /// Print one JSON object instead of the lines
    #[arg(long)]
    json: bool,
}

/// The attempts of a folder, the earliest first; of equals by name.
fn files(folder: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let is_hidden = path.file_name().is_some_and(|name| name.to_string_lossy().starts_with('.'));
        if path.extension().is_some_and(|e| e == "attempt") && !is_hidden {
            found.push((std::fs::metadata(&path)?.modified()?, path));
        }
    }
    found.sort();
    Ok(found.into_iter().map(|(_, path)| path).collect())
}

/// `next`.
pub(crate) fn run(arguments: &NextArguments) -> Result<ExitCode, CliError> {
    let folder = plain(&arguments.folder.display().to_string());
    let files = files(&arguments.folder).map_err(|error| CliError::Attempt {
        file: folder,
        why: format!("cannot be read: {error}; allowed: a folder of attempts"),
    })?;
    let bar = progress("attempts", Some(files.len() as u64));
    let (mut past, mut left_out) = (Vec::new(), Vec::new());
    for file in &files {
        let found = Attempt::read(file).map_err(|why| why.to_string());
        match found.and_then(|attempt| Past::of(&attempt, 0).map_err(|why| why.to_string())) {
            Ok(found) => past.push(found),
            Err(why) => left_out.push(format!("{} is left out: it {why}", plain(&file.display().to_string()))),
        }
        bar.inc(1);
    }
    bar.finish_and_clear();
    left_out.iter().for_each(|line| remark(line));
    // Every build holds shipped cases; a test reads them all.
    let Some(found) = next(&past) else { return Ok(ExitCode::SUCCESS) };
    if arguments.json {
        let kinds = Kind::ALL.iter().map(|kind| {
            json!({
                "kind": kind,
                "attempts": past.iter().filter(|past| past.kind == *kind).count(),
                "rating": rounded(found.ratings.kinds[kind.index()]),
                "misjudges": rounded(found.ratings.misjudges(*kind)),
            })
        });
        let object = json!({
            "attempts": past.len(),
            "next": found.scenario,
            "title": found.title,
            "kind": found.kind,
            "misjudges": rounded(found.misjudges),
            "mean_error": found.mean_error.map_or(Value::Null, rounded),
            "why": found.why(),
            "learner": rounded(found.ratings.learner),
            "kinds": kinds.collect::<Vec<_>>(),
        });
        print(&(object.to_string() + "\n"))?;
        return Ok(ExitCode::SUCCESS);
    }
    let mut page = String::new();
    text::push(&mut page, "", &format!("Next: {} ({}).", found.scenario, found.title));
    text::push(&mut page, "", &format!("{} {} counted.", found.why(), attempts(past.len())));
    print(&page)?;
    Ok(ExitCode::SUCCESS)
}

fn attempts(count: usize) -> String {
    format!("{count} {}", if count == 1 { "attempt was" } else { "attempts were" })
}

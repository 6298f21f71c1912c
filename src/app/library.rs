//! Cases and saved attempts: what there is to choose from, and where attempts are kept.
//!
//! Shipped cases are part of the program, in the order in which they are best taken. Attempts lie in one folder, each in its
//! own file; one that is under way is kept in a file of its own beside them, so that it survives when the program does not.
//! Nothing here is done in a frame: whoever calls does so on a thread of its own. Scores 0–100.

use crate::attempt::{Attempt, replace};
use crate::case::{ReadCase, SHIPPED, parse_case};
use crate::logbook::usual::data_folder;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::SystemTime;

/// A case that can be taken.
#[derive(Clone, Debug)]
pub struct Shelved {
    /// Its name, as attempts have it.
    pub name: String,
    /// The case.
    pub case: Arc<ReadCase>,
}

/// The shipped cases.
pub fn shipped() -> Vec<Shelved> {
    // A shipped case that could not be read would be left out; a test reads them all.
    let read = |(name, text): &(&str, &str)| {
        let case = parse_case(&format!("{name}.ron"), text).ok()?;
        Some(Shelved { name: (*name).to_owned(), case: Arc::new(case) })
    };
    SHIPPED.iter().filter_map(read).collect()
}

/// A saved attempt, as the list has it.
#[derive(Clone, Debug, PartialEq)]
pub struct Saved {
    /// Its file.
    pub path: PathBuf,
    /// When it was written.
    pub written: SystemTime,
    /// Name and title of its case; the title is the name where the case cannot be read.
    pub case: (String, String),
    /// Score and whether it passed; `None` where it cannot be read.
    pub result: Option<(f64, bool)>,
}

/// Most saved attempts that are listed, the latest.
pub const MOST_LISTED: usize = 60;

/// The ordinary folder of attempts: in the user's data folder; in the folder one stands in where the system names none.
pub fn ordinary_folder() -> PathBuf {
    data_folder().unwrap_or_default().join("attempts")
}

/// The saved attempts of a folder, the latest first. One that cannot be read is listed without a result.
pub fn saved(folder: &Path) -> Vec<Saved> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let files =
        entries.flatten().map(|entry| entry.path()).filter(|path| path.extension().is_some_and(|e| e == ENDING));
    let mut files: Vec<(SystemTime, PathBuf)> =
        files.filter_map(|path| Some((fs::metadata(&path).ok()?.modified().ok()?, path))).collect();
    files.sort_by(|a, b| b.cmp(a));
    files.truncate(MOST_LISTED);
    files.into_iter().map(|(written, path)| listed(path, written)).collect()
}

fn listed(path: PathBuf, written: SystemTime) -> Saved {
    let Ok(attempt) = Attempt::read(&path) else {
        return Saved { path, written, case: ("?".to_owned(), "cannot be read".to_owned()), result: None };
    };
    let name = attempt.header.scenario.clone();
    let title = parse_case("", &attempt.header.case_text).map_or_else(|_| name.clone(), |case| case.spec.title);
    let scores = &attempt.scores;
    Saved { path, written, case: (name, title), result: Some((scores.score, scores.pass)) }
}

/// Ending of an attempt's file.
const ENDING: &str = "attempt";

/// Beginning of the name of an attempt that is under way; a dot hides it from the list.
const UNFINISHED: &str = ".unfinished-";

/// Where an attempt that is under way in this program is kept.
fn unfinished(folder: &Path) -> PathBuf {
    folder.join(format!("{UNFINISHED}{}", std::process::id()))
}

/// Keep an attempt that is under way: the whole of it takes the place of what was kept before, or nothing does.
///
/// # Errors
/// The folder or the file cannot be written.
pub fn keep_unfinished(folder: &Path, attempt: &Attempt) -> io::Result<()> {
    fs::create_dir_all(folder)?;
    replace(&unfinished(folder), &attempt.to_bytes())
}

/// What was kept of the attempt under way is no longer needed.
pub fn forget_unfinished(folder: &Path) {
    // None may be there, and one that stays is found at the next start.
    let _ = fs::remove_file(unfinished(folder));
}

/// A folder's attempts in the hands of one program: held until it is dropped.
#[derive(Debug)]
pub struct Held {
    _lock: File,
}

/// Hold a folder, and put what other programs left unfinished in it among the saved attempts; returns how many. While
/// another program holds it, what is unfinished may be under way, and nothing is done.
pub fn hold(folder: &Path) -> Option<(Held, usize)> {
    fs::create_dir_all(folder).ok()?;
    let lock = File::create(folder.join(".in-use")).ok()?;
    lock.try_lock().ok()?;
    let left = fs::read_dir(folder).ok()?.flatten().map(|entry| entry.path());
    let is_left = |path: &PathBuf| {
        path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(UNFINISHED))
            && *path != unfinished(folder)
    };
    let mut count = 0;
    for path in left.filter(is_left) {
        // One that cannot be read or saved stays where it is.
        let saved = Attempt::read(&path).ok().and_then(|attempt| attempt.save(folder).ok());
        if saved.is_some() && fs::remove_file(&path).is_ok() {
            count += 1;
        }
    }
    Some((Held { _lock: lock }, count))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::attempt::{Device, Header};
    use crate::case::{Resolution, compile};
    use crate::debrief::{Course, Debrief};
    use crate::sim::Inputs;

    fn attempt(seed: u64) -> Attempt {
        let shelved = &shipped()[0];
        let model = compile(&shelved.case.spec, seed, Resolution::default()).unwrap().model;
        let mut course = Course::new(&model);
        (0..30).for_each(|_| course.step(&model, &Inputs::at_rest(&model)));
        let debrief = Debrief::of(&course.facts(&shelved.case.spec, &model));
        course.attempt(Header::new(&shelved.name, &shelved.case.text, seed, Device::Person("keys".into())), &debrief)
    }

    #[test]
    fn every_shipped_case_stands_on_the_shelf() {
        let files = fs::read_dir(concat!(env!("CARGO_MANIFEST_DIR"), "/scenarios")).unwrap().flatten();
        let mut names: Vec<String> = files
            .filter_map(|f| f.file_name().to_string_lossy().strip_suffix(".ron").map(str::to_owned))
            .filter(|name| !name.ends_with(".plan"))
            .collect();
        let mut shelf: Vec<String> = shipped().into_iter().map(|s| s.name).collect();
        names.sort();
        shelf.sort();
        assert_eq!(shelf, names);
    }

    #[test]
    fn what_a_program_left_unfinished_is_found_by_the_next() {
        let folder = tempfile::tempdir().unwrap();
        let kept = attempt(3);
        keep_unfinished(folder.path(), &kept).unwrap();
        assert_eq!(saved(folder.path()), [], "it is not among the saved ones");
        // As if another program had written it.
        fs::rename(unfinished(folder.path()), folder.path().join(format!("{UNFINISHED}0"))).unwrap();
        let (held, count) = hold(folder.path()).unwrap();
        assert_eq!(count, 1);
        let list = saved(folder.path());
        assert_eq!(list.len(), 1);
        assert_eq!(Attempt::read(&list[0].path).unwrap(), kept);
        assert_eq!(list[0].case.0, "medium-uniform");
        assert!(hold(folder.path()).is_none(), "it is held");
        drop(held);
        assert_eq!(hold(folder.path()).unwrap().1, 0);
    }

    #[test]
    fn the_own_unfinished_attempt_is_left_alone_and_forgotten_when_done() {
        let folder = tempfile::tempdir().unwrap();
        keep_unfinished(folder.path(), &attempt(1)).unwrap();
        keep_unfinished(folder.path(), &attempt(2)).unwrap();
        assert_eq!(hold(folder.path()).unwrap().1, 0);
        assert_eq!(Attempt::read(&unfinished(folder.path())).unwrap().header.seed, 2);
        forget_unfinished(folder.path());
        assert!(!unfinished(folder.path()).exists());
    }

    #[test]
    fn a_file_that_is_no_attempt_is_listed_without_a_result() {
        let folder = tempfile::tempdir().unwrap();
        attempt(5).save(folder.path()).unwrap();
        fs::write(folder.path().join(format!("bad.{ENDING}")), "nothing").unwrap();
        let list = saved(folder.path());
        assert_eq!(list.len(), 2);
        assert_eq!(list.iter().filter(|s| s.result.is_none()).count(), 1);
        assert_eq!(saved(&folder.path().join("none")), []);
    }
}

//! What the tests of the record share: stores that go with the test, attempts small enough to be added by the hundred, and a program
//! that is killed while it adds.

use corecleft::attempt::{Attempt, ComponentScore, Device, Header, Record, Scores};
use corecleft::debrief::{Course, Debrief};
use corecleft::logbook::entry::Purpose;
use corecleft::logbook::proof::{Report, Sample};
use corecleft::logbook::submission::Kinds;
use corecleft::logbook::{Author, Logbook, Opening, Outcome, Pseudonym, Submission};
use corecleft::plan::read_plan;
use corecleft::sim::event::{Event, EventKind};
use std::collections::BTreeMap;
use std::io::{BufRead as _, BufReader};
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::Duration;

/// A store in a file.
pub struct Store {
    path: PathBuf,
    _folder: Option<tempfile::TempDir>,
}

impl Store {
    /// In a folder that goes with it.
    pub fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        Self { path: folder.path().join("test.logbook"), _folder: Some(folder) }
    }

    /// At a path.
    pub fn at(path: PathBuf) -> Self {
        Self { path, _folder: None }
    }

    pub fn path(&self) -> &Path {
        &self.path
    }

    pub fn address(&self) -> String {
        self.path.to_str().unwrap().to_owned()
    }

    /// Made where there is none, and open.
    pub fn made(&self) -> Logbook {
        Logbook::open(&self.address(), Opening { is_made: true, ..Opening::default() }).unwrap()
    }

    pub fn open(&self) -> Logbook {
        Logbook::open(&self.address(), Opening::default()).unwrap()
    }
}

/// Some pseudonym, the same for the same number.
pub fn person(number: u64) -> Pseudonym {
    Pseudonym::of_random(*blake3::hash(&number.to_le_bytes()).as_bytes().first_chunk().unwrap())
}

/// A station that does not sign.
pub fn author() -> Author<'static> {
    Author { station: "station", key: None }
}

/// An attempt of no inputs at all, which follows from nothing; another number is another eye.
pub fn small(number: u64, is_critical: bool) -> Attempt {
    let event = |kind: EventKind| Event { tick: 240 + number, cause: None, kind };
    let component = |id: &str, value: f64| ComponentScore {
        id: id.to_owned(),
        value: Some(value),
        score: Some(0.5),
        asked: "0.2 to 0.7".to_owned(),
    };
    Attempt {
        header: Header::new("small", "()", number, Device::Person("keys".to_owned())),
        record: Record::default(),
        predictions: Vec::new(),
        events: if is_critical { vec![event(EventKind::RimRanOut)] } else { Vec::new() },
        scores: Scores {
            pass: !is_critical,
            score: if is_critical { 0.0 } else { 80.0 },
            critical: Vec::new(),
            components: vec![component("burial-depth", 0.4), component("tip-angle", number as f64)],
        },
        state_hash: *blake3::hash(&number.to_le_bytes()).as_bytes(),
    }
}

/// An attempt by a shipped plan.
pub fn attempted(name: &str, which: &str, seed: u64) -> Attempt {
    let text = std::fs::read_to_string(super::path(&format!("scenarios/{name}.ron"))).unwrap();
    let case = super::shipped(&format!("{name}.ron"));
    let (plan, _) = read_plan(&super::path(&format!("scenarios/{name}.{which}.plan.ron"))).unwrap();
    let model = super::model(&case, seed);
    let course = Course::of_plan(&model, &plan).unwrap();
    let debrief = Debrief::of(&course.facts(&case, &model));
    course.attempt(Header::new(name, &text, seed, Device::Plan(plan.title)), &debrief)
}

/// To be handed in.
pub fn submission(attempt: &Attempt) -> Submission {
    Submission::of_bytes(attempt.to_bytes(), 1_700_000_000_000, &Kinds::default(), false).unwrap()
}

/// Hand in; the numbers of the new entries.
pub fn add(book: &mut Logbook, author: &Author<'_>, trainee: &Pseudonym, sent: &[Submission]) -> Vec<u64> {
    let outcomes = book.submit(author, trainee, Purpose::Assessment, sent).unwrap();
    let seq = |outcome: &Outcome| if let Outcome::Taken(seq) = outcome { *seq } else { panic!("{outcome:?}") };
    outcomes.iter().map(seq).collect()
}

/// Small attempts as files of a folder, which is made.
pub fn write_small(folder: &Path, numbers: RangeInclusive<u64>) {
    std::fs::create_dir_all(folder).unwrap();
    for number in numbers {
        std::fs::write(folder.join(format!("{number:04}.attempt")), small(number, false).to_bytes()).unwrap();
    }
}

pub fn text(bytes: &[u8]) -> &str {
    std::str::from_utf8(bytes).unwrap()
}

pub fn corecleft<S: AsRef<std::ffi::OsStr>>(arguments: &[S]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_corecleft")).args(arguments).output().unwrap()
}

/// The one line of a command that could not be done.
pub fn line_of_error(output: &Output) -> String {
    let error = text(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{error}");
    assert_eq!(error.lines().count(), 1, "{error:?}");
    error.trim_end().to_owned()
}

/// What is found of a store without doing anything again.
pub fn verified(store: &Store) -> Report {
    store.open().verify(Sample::Some { count: 0, seed: 0 }, None, |_| ()).unwrap()
}

/// So many entries and no fault.
pub fn is_sound(store: &Store, entries: u64) {
    let report = verified(store);
    assert_eq!((report.entries, report.faults), (entries, Vec::new()));
}

/// Moments, the same for the same seed: 0 to 1 each.
pub fn moments(seed: u64, count: u64) -> Vec<f64> {
    let of = |number: u64| {
        let bytes =
            *blake3::hash(&[seed.to_le_bytes(), number.to_le_bytes()].concat()).as_bytes().first_chunk().unwrap();
        u64::from_le_bytes(bytes) as f64 / u64::MAX as f64
    };
    (0..count).map(of).collect()
}

/// What came of killing.
#[derive(Debug)]
pub struct Killed {
    /// Files that were told to be taken.
    pub told: usize,
    /// How often it was at work when it was killed.
    pub broken_off: usize,
    /// Stores that were filled.
    pub filled: usize,
}

/// Add a folder of files, few at once, kill it, and begin again, so many times; a store that is full gives way to the next that `next`
/// makes. It is killed after a part of the longest time. Whatever was told to be taken must be there, and nothing half.
pub fn killed<T>(
    times: u64,
    longest: Duration,
    (folder, files): (&Path, usize),
    mut next: impl FnMut(usize) -> (String, T),
) -> Killed {
    let mut came = Killed { told: 0, broken_off: 0, filled: 0 };
    let (mut store, mut _held) = next(0);
    let mut taken: BTreeMap<String, u64> = BTreeMap::new();
    for (moment, number) in moments(20, times).into_iter().zip(0..) {
        let mut child = Command::new(env!("CARGO_BIN_EXE_corecleft"))
            .args(["logbook", "add", "--at-once", "3", "--store", &store, "--trainee", person(1).as_str()])
            .arg(folder)
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        let mut said: Vec<String> = Vec::new();
        // Every other time from its start on, else from when it has taken something: however slow this machine is, it is met before it
        // has opened the store, and well into its work.
        if number % 2 == 0 {
            std::thread::sleep(longest.mul_f64(moment));
        } else {
            for line in lines.by_ref() {
                let is_at_it = line.contains(": taken as entry ");
                said.push(line);
                if is_at_it {
                    break;
                }
            }
            std::thread::sleep(longest.mul_f64(moment / 4.0));
        }
        child.kill().unwrap();
        let status = child.wait().unwrap();
        came.broken_off += usize::from(!status.success());
        said.extend(lines);
        for line in said {
            // A line that was cut off tells nothing.
            let Some((file, seq)) = line.split_once(": taken as entry ") else { continue };
            if let Ok(seq) = seq.parse::<u64>() {
                came.told += 1;
                assert_eq!(taken.insert(file.to_owned(), seq), None, "{file} was taken twice");
            }
        }
        let mut book = match Logbook::open(&store, Opening::default()) {
            Ok(book) => book,
            // Killed before there was a store.
            Err(error) => {
                assert!(taken.is_empty() && error.to_string().contains("there is no logbook here yet"), "{error}");
                continue;
            }
        };
        let report = book.verify(Sample::Some { count: 0, seed: 0 }, None, |_| ()).unwrap();
        assert_eq!(report.faults, [], "after a kill at {moment}");
        assert_eq!(report.attempts as u64, report.entries);
        for (file, seq) in &taken {
            let bytes = std::fs::read(file).unwrap();
            assert_eq!(book.file(*seq).unwrap().as_deref(), Some(bytes.as_slice()), "{file}, told as entry {seq}");
        }
        if report.attempts == files {
            came.filled += 1;
            taken.clear();
            (store, _held) = next(came.filled);
        }
    }
    came
}

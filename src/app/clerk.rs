//! Work that takes longer than a frame may: making an attempt ready, keeping it, judging and saving it, reading folders.
//!
//! Each piece of work has a thread of its own and ends in one answer, which the practice collects. Nothing is shared but what
//! was handed over.

use crate::app::daily;
use crate::app::film::{Film, Keyframes};
use crate::app::library::{self, Held, Saved};
use crate::app::operation::{Account, Chosen, Operation};
use crate::app::pages::Rows;
use crate::app::review;
use crate::app::settings::{self, Settings};
use crate::app::whatif::Found;
use crate::attempt::{Attempt, Header, replace};
use crate::case::{CaseSpec, ReadCase, read_case};
use crate::debrief::text::Titles;
use crate::debrief::{Course, Debrief, course, html};
use crate::sim::Model;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};

/// A judged attempt with all that its page needs.
pub struct Judged {
    /// The case as it was set up.
    pub spec: Arc<CaseSpec>,
    /// The model.
    pub model: Arc<Model>,
    /// What the attempt began from.
    pub header: Header,
    /// How it went.
    pub course: Course,
    /// The verdict.
    pub debrief: Debrief,
    /// The same to be gone through again.
    pub attempt: Arc<Attempt>,
    /// Rows of its page.
    pub rows: Rows,
    /// What is wrong with it as it was handed in.
    pub remark: Option<String>,
    /// Where it was saved, or why it was not; `None` for one that was saved before.
    pub saved: Option<Result<PathBuf, String>>,
    /// To look at it again; `None` where no thread could be had for it.
    pub film: Option<Film>,
}

/// An answer.
pub enum Done {
    /// The folder is held, if no other program holds it, and so many unfinished attempts were found in it.
    Held(Option<(Held, usize)>),
    /// The saved attempts.
    Listed(Vec<Saved>),
    /// An attempt is ready, or why it cannot begin.
    Ready(Result<Box<Operation>, Vec<String>>),
    /// The attempt under way was kept, or why it was not.
    Kept(Result<(), String>),
    /// An attempt is judged, or why it cannot be.
    Judged(Result<Box<Judged>, String>),
    /// A case was read, with its name, or its faults, a line each.
    Read(Result<(String, Arc<ReadCase>), Vec<String>>),
    /// A debrief was written to a file, or why it was not.
    Written(Result<PathBuf, String>),
    /// The settings could not be saved, and why.
    Forgotten(String),
    /// Something of the eye of a day was found.
    Daily {
        /// By which it is known.
        ticket: u64,
        /// What was found.
        found: daily::Found,
    },
    /// What was asked for a what-if was found; `None` when it was stopped.
    WhatIf {
        /// By which it is known.
        ticket: u64,
        /// What was found.
        found: Option<Found>,
    },
    /// Something of the record was read.
    Review {
        /// By which it is known.
        ticket: u64,
        /// What was read.
        answer: review::Answer,
    },
}

/// Gives out work and collects the answers.
pub struct Clerk {
    answers: Sender<Done>,
    done: Mutex<Receiver<Done>>,
    /// Settings to be saved, one after the other.
    to_remember: Mutex<Option<Sender<(PathBuf, Settings)>>>,
}

impl Default for Clerk {
    fn default() -> Self {
        let (answers, done) = channel();
        Self { answers, done: Mutex::new(done), to_remember: Mutex::default() }
    }
}

impl Clerk {
    /// Answers that have come.
    pub fn collect(&self) -> Vec<Done> {
        self.done.lock().map(|done| done.try_iter().collect()).unwrap_or_default()
    }

    pub(super) fn give(&self, work: impl FnOnce() -> Done + Send + 'static) {
        let answers = self.answers.clone();
        let at_work = move || {
            // Whoever asked may have gone.
            let _ = answers.send(work());
        };
        // Without a thread the work is done here: slow, but done.
        if let Err((_, at_work)) = spawn(at_work) {
            at_work();
        }
    }

    /// Save settings, after those that were given before.
    pub fn remember(&self, file: PathBuf, settings: Settings) {
        let Ok(mut to_remember) = self.to_remember.lock() else { return };
        let scribe = to_remember.get_or_insert_with(|| {
            let (scribe, saving) = channel::<(PathBuf, Settings)>();
            let answers = self.answers.clone();
            let _ = std::thread::Builder::new().name("scribe".into()).spawn(move || {
                for (file, settings) in saving {
                    if let Err(why) = settings::save(&file, &settings) {
                        let _ = answers.send(Done::Forgotten(why.to_string()));
                    }
                }
            });
            scribe
        });
        // A scribe whose thread could not be had writes nothing; the settings hold until the program is closed.
        let _ = scribe.send((file, settings));
    }

    /// Hold the folder and find what was left unfinished in it.
    pub fn hold(&self, folder: PathBuf) {
        self.give(move || Done::Held(library::hold(&folder)));
    }

    /// List the folder.
    pub fn list(&self, folder: PathBuf) {
        self.give(move || Done::Listed(library::saved(&folder)));
    }

    /// Make an attempt ready.
    pub fn begin(&self, chosen: Chosen) {
        self.give(move || Done::Ready(Operation::begin(chosen).map(Box::new)));
    }

    /// Keep the attempt under way.
    pub fn keep(&self, account: Account, folder: PathBuf) {
        self.give(move || {
            let kept = library::keep_unfinished(&folder, &account.settle().1);
            Done::Kept(kept.map_err(|error| format!("{}: cannot be written: {error}", folder.display())))
        });
    }

    /// Judge an attempt that has ended, and save it.
    pub fn finish(&self, account: Account, keyframes: Keyframes, folder: PathBuf) {
        self.give(move || {
            let (spec, model, course) = account.parts();
            let (mut debrief, attempt) = account.settle();
            // Without threads the debrief tells predictions without their errors.
            let _ = debrief.judge_predictions(&spec, &model, &course.record, 0);
            let saved = attempt.save(&folder).map_err(|error| error.to_string());
            if saved.is_ok() {
                library::forget_unfinished(&folder);
            }
            let film = film(&model, &attempt, Some(keyframes));
            let judged = Judged::new(spec, model, attempt.header, course, debrief);
            Done::Judged(Ok(Box::new(Judged { saved: Some(saved), film, ..judged })))
        });
    }

    /// Debrief an attempt that was saved, from its inputs.
    pub fn debrief(&self, path: PathBuf) {
        self.give(move || {
            let attempt = Attempt::read(&path).map_err(|why| why.to_string());
            Done::Judged(attempt.and_then(again).map_err(|why| format!("{}: {why}", path.display())))
        });
    }

    /// Read a case file.
    pub fn read(&self, path: PathBuf) {
        self.give(move || {
            let name = path.file_stem().map_or_else(|| "case".to_owned(), |stem| stem.to_string_lossy().into_owned());
            let read = read_case(&path).map(|case| (name, Arc::new(case)));
            Done::Read(read.map_err(|faults| faults.iter().map(ToString::to_string).collect()))
        });
    }

    /// Write a debrief as a page of HTML beside the saved attempts.
    pub fn write(&self, document: String, path: PathBuf) {
        self.give(move || written(&document, path));
    }
}

/// Write a document; the folder is made where there is none.
pub(super) fn written(document: &str, path: PathBuf) -> Done {
    let folder = path.parent().map_or_else(|| PathBuf::from("."), Path::to_path_buf);
    let written = std::fs::create_dir_all(&folder).and_then(|()| replace(&path, document.as_bytes()));
    Done::Written(match written {
        Ok(_) => Ok(path),
        Err(error) => Err(format!("{}: cannot be written: {error}", path.display())),
    })
}

/// Work on a thread of its own, or the work back.
fn spawn<F: FnOnce() + Send + 'static>(work: F) -> Result<(), (std::io::Error, F)> {
    let slot = Arc::new(Mutex::new(Some(work)));
    let taken = slot.clone();
    let spawned = std::thread::Builder::new().name("clerk".into()).spawn(move || {
        let work = taken.lock().ok().and_then(|mut work| work.take());
        if let Some(work) = work {
            work();
        }
    });
    let work = |error| slot.lock().ok().and_then(|mut work| work.take()).map(|work| (error, work));
    match spawned.map(|_| ()).map_err(work) {
        Err(Some(refused)) => Err(refused),
        _ => Ok(()),
    }
}

/// The film of an attempt; `None` where no thread can be had for it.
pub(super) fn film(model: &Arc<Model>, attempt: &Attempt, keyframes: Option<Keyframes>) -> Option<Film> {
    Film::new(model.clone(), attempt.record.inputs().collect(), keyframes).ok()
}

/// A saved attempt, done again from its inputs and judged.
pub(super) fn again(attempt: Attempt) -> Result<Box<Judged>, String> {
    let (case, model) = attempt.model().map_err(|why| why.to_string())?;
    let spec = case.spec;
    let course = Course::again(&model, &attempt);
    let mut debrief = Debrief::of(&course.facts(&spec, &model));
    let _ = debrief.judge_predictions(&spec, &model, &course.record, 0);
    let model = Arc::new(model);
    let film = film(&model, &attempt, None);
    Ok(Box::new(Judged { film, ..Judged::new(Arc::new(spec), model, attempt.header, course, debrief) }))
}

impl Judged {
    /// An attempt with its verdict, without a replay.
    pub fn new(spec: Arc<CaseSpec>, model: Arc<Model>, header: Header, course: Course, debrief: Debrief) -> Self {
        let rows = Rows::of(&spec, &model, &header, &course, &debrief);
        let attempt = Arc::new(course.clone().attempt(header.clone(), &debrief));
        Self { spec, model, header, course, debrief, attempt, rows, remark: None, saved: None, film: None }
    }

    /// The debrief as a page of HTML.
    pub fn document(&self) -> String {
        let (made, with) = course::made_with(&self.header.device);
        let set_up = self.header.setup_in_words();
        let titles = Titles { case: &self.spec.title, made, with, seed: self.header.seed, set_up: set_up.as_deref() };
        let facts = self.course.facts(&self.spec, &self.model);
        html::document(&titles, &facts, &self.debrief, &self.course.trace, None)
    }
}

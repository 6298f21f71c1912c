//! The private record of one eye a day: a small file of one's own, and the line of error over weeks.
//!
//! RON, with a format's number: `(format: 1, learner: 7, entries: [(date: "2026-11-27", kind: off-centre, …)])`. It is written whole
//! or not at all (`attempt::replace`), so that a crash leaves the days before. One entry a day, days only go on. Nothing in it is
//! sent anywhere or judged by anybody else. Limits: it can be edited by whoever owns it; of two programs at once the later wins.

use crate::attempt::{Expected, Prediction, replace};
use crate::case::Kind;
use crate::daily::trial::Trial;
use crate::daily::{Date, Ratings};
use crate::debrief::truth::Came;
use crate::statistics::ewma;
use serde::{Deserialize, Serialize};
use std::fs;
use std::io::{self, ErrorKind, Read as _};
use std::path::Path;

/// The format that is read and written.
pub const FORMAT: u32 = 1;

/// Weight of the latest day in the smoothed line (A: a week or so is seen).
const WEIGHT: f64 = 0.25;

/// Largest file that is read, bytes: some thousand years.
const LARGEST: u64 = 1 << 28;

/// How far ratings may be from what their entries give: another platform's last bits.
const ROUNDING: f64 = 1e-6;

/// A day.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Entry {
    /// Which.
    pub date: Date,
    /// The kind of eye.
    pub kind: Kind,
    /// What was stated: depth, mm.
    pub depth_mm: f64,
    /// Tip angle, degrees.
    pub angle_deg: f64,
    /// Where the tip is to end, mm.
    pub place_mm: (f64, f64),
    /// What was expected.
    pub expected: Expected,
    /// What came; `None` where stopping was chosen.
    pub came: Option<Came>,
    /// Was the result, or stopping, right?
    pub is_right: bool,
    /// How far the depth was off, mm; `None` where depth does not apply.
    pub depth_off_mm: Option<f64>,
    /// Prediction error, 0..1.
    pub error: f64,
    /// Ratings after it.
    pub ratings: Ratings,
}

/// The record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Journal {
    /// Version of the format.
    format: u32,
    /// The learner's number: another sees other eyes.
    pub learner: u64,
    /// The days, in order.
    entries: Vec<Entry>,
}

/// Why a journal cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum JournalError {
    /// The file cannot be read.
    #[error("cannot be read: {0}; allowed: a journal that `daily` wrote")]
    Unreadable(String),
    /// It is of another format.
    #[error("has format {0}, and this program reads format {FORMAT}: use the program that wrote it")]
    OtherFormat(u32),
    /// What it holds makes no sense.
    #[error("makes no sense inside: {0}")]
    Senseless(String),
    /// A day that is over.
    #[error("has an entry for {last} already; allowed: one eye a day, on a later day")]
    DayIsOver {
        /// The last day in it.
        last: Date,
    },
    /// It cannot be written.
    #[error("cannot be written: {0}; allowed: a file in a folder that can be written")]
    Unwritable(io::Error),
}

/// A point of the line of error.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// The day.
    pub date: Date,
    /// Its error, 0..1.
    pub error: f64,
    /// The line, smoothed.
    pub smooth: f64,
}

/// A week of the line: seven days from the first day on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Week {
    /// Its first day.
    pub from: Date,
    /// Days in it with an entry.
    pub count: usize,
    /// Their mean error.
    pub mean_error: f64,
}

/// A kind of eye in the record.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct OfKind {
    /// Which.
    pub kind: Kind,
    /// How many.
    pub count: usize,
    /// Their mean error; `None` where there was none.
    pub mean_error: Option<f64>,
    /// Expected share of misjudging the next, 0..1.
    pub misjudges: f64,
}

/// The number of a learner of an opaque name; without a name 1.
pub fn number_of(name: &str) -> u64 {
    match name.trim() {
        "" => 1,
        name => blake3::hash(name.as_bytes()).as_bytes()[..4].iter().fold(0, |sum, byte| (sum << 8) | u64::from(*byte)),
    }
}

impl Journal {
    /// An empty one.
    pub fn new(learner: u64) -> Self {
        Self { format: FORMAT, learner, entries: Vec::new() }
    }

    /// Read one; `None` where there is none yet.
    ///
    /// # Errors
    /// A file that cannot be read, is of another format, or makes no sense.
    pub fn read(path: &Path) -> Result<Option<Self>, JournalError> {
        let unreadable = |error: io::Error| JournalError::Unreadable(error.to_string());
        let file = match fs::File::open(path) {
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(None),
            opened => opened.map_err(unreadable)?,
        };
        let mut text = String::new();
        file.take(LARGEST).read_to_string(&mut text).map_err(unreadable)?;
        Self::from_text(&text).map(Some)
    }

    /// From its text.
    ///
    /// # Errors
    /// A text that is no journal, of another format, or senseless.
    pub fn from_text(text: &str) -> Result<Self, JournalError> {
        #[derive(Deserialize)]
        struct Head {
            format: u32,
        }
        let one_line = |error: &dyn std::fmt::Display| {
            JournalError::Unreadable(error.to_string().split_whitespace().collect::<Vec<_>>().join(" "))
        };
        let head: Head = ron::from_str(text).map_err(|error| one_line(&error))?;
        if head.format != FORMAT {
            return Err(JournalError::OtherFormat(head.format));
        }
        let journal: Self = ron::from_str(text).map_err(|error| one_line(&error))?;
        journal.check().map_err(JournalError::Senseless)?;
        Ok(journal)
    }

    fn check(&self) -> Result<(), String> {
        let (mut last, mut ratings) = (None, Ratings::default());
        for entry in &self.entries {
            let date = entry.date;
            if last.is_some_and(|last| last >= date) {
                return Err(format!("{date} does not come after the day before it in the list"));
            }
            last = Some(date);
            if !entry.prediction().is_in_range()
                || !(0.0..=1.0).contains(&entry.error)
                || entry.depth_off_mm.is_some_and(|off| off.is_nan() || off < 0.0)
                || entry.came.is_none() != (entry.expected == Expected::StopAndCall)
            {
                return Err(format!("{date} holds a number out of range"));
            }
            ratings = ratings.after(entry.kind, 1.0 - entry.error);
            let pairs =
                ratings.kinds.iter().zip(&entry.ratings.kinds).chain([(&ratings.learner, &entry.ratings.learner)]);
            if pairs.into_iter().any(|(wanted, found)| (wanted - found).abs() > ROUNDING || found.is_nan()) {
                return Err(format!("the ratings of {date} do not follow from its entries"));
            }
        }
        Ok(())
    }

    /// Its text.
    ///
    /// # Errors
    /// None that plain data can cause; whatever the serialiser reports.
    pub fn to_text(&self) -> Result<String, ron::Error> {
        ron::ser::to_string_pretty(self, ron::ser::PrettyConfig::default().depth_limit(2)).map(|text| text + "\n")
    }

    /// Write it: the whole file takes the place of the one before, or nothing does. Its folder is made where there is none.
    ///
    /// # Errors
    /// A folder or file that cannot be written.
    pub fn write(&self, path: &Path) -> Result<(), JournalError> {
        let text = self.to_text().map_err(|error| JournalError::Unwritable(io::Error::other(error)))?;
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            fs::create_dir_all(folder).map_err(JournalError::Unwritable)?;
        }
        replace(path, text.as_bytes()).map_err(JournalError::Unwritable)
    }

    /// The days, in order.
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// Ratings before the next day.
    pub fn ratings(&self) -> Ratings {
        self.entries.last().map_or_else(Ratings::default, |entry| entry.ratings)
    }

    /// Ratings before a day: of those after the last entry that is earlier.
    pub fn ratings_before(&self, date: Date) -> Ratings {
        let earlier = self.entries.iter().rev().find(|entry| entry.date < date);
        earlier.map_or_else(Ratings::default, |entry| entry.ratings)
    }

    /// May this day still be entered?
    ///
    /// # Errors
    /// It, or a later one, has an entry.
    pub fn is_open(&self, date: Date) -> Result<(), JournalError> {
        match self.entries.last() {
            Some(entry) if entry.date >= date => Err(JournalError::DayIsOver { last: entry.date }),
            _ => Ok(()),
        }
    }

    /// Enter a day.
    ///
    /// # Errors
    /// It, or a later one, has an entry.
    pub fn enter(&mut self, date: Date, kind: Kind, trial: &Trial) -> Result<(), JournalError> {
        self.is_open(date)?;
        let Prediction { depth_mm, angle_deg, place_mm, expected, .. } = trial.prediction;
        self.entries.push(Entry {
            date,
            kind,
            depth_mm,
            angle_deg,
            place_mm,
            expected,
            came: trial.came(),
            is_right: trial.error.is_right,
            depth_off_mm: trial.error.depth_off_mm,
            error: trial.error.error,
            ratings: self.ratings().after(kind, 1.0 - trial.error.error),
        });
        Ok(())
    }

    /// The line of error.
    pub fn line(&self) -> Vec<Point> {
        let errors: Vec<f64> = self.entries.iter().map(|entry| entry.error).collect();
        let smooth = ewma::smoothed(&errors, WEIGHT);
        self.entries.iter().zip(smooth).map(|(e, smooth)| Point { date: e.date, error: e.error, smooth }).collect()
    }

    /// The same by weeks; a week without an entry is left out.
    pub fn weeks(&self) -> Vec<Week> {
        let Some(first) = self.entries.first().map(|entry| entry.date.days()) else { return Vec::new() };
        let week = |entry: &Entry| (entry.date.days() - first) / 7;
        let of = |entries: &[Entry]| {
            let mean_error = entries.iter().map(|entry| entry.error).sum::<f64>() / entries.len() as f64;
            let from = Date::from_days(first + 7 * week(&entries[0])).unwrap_or(entries[0].date);
            Week { from, count: entries.len(), mean_error }
        };
        self.entries.chunk_by(|a, b| week(a) == week(b)).map(of).collect()
    }

    /// By kind of eye, the most misjudged first.
    pub fn kinds(&self) -> Vec<OfKind> {
        let ratings = self.ratings();
        let of = |kind: Kind| {
            let errors: Vec<f64> = self.entries.iter().filter(|e| e.kind == kind).map(|e| e.error).collect();
            let mean_error = (!errors.is_empty()).then(|| errors.iter().sum::<f64>() / errors.len() as f64);
            OfKind { kind, count: errors.len(), mean_error, misjudges: ratings.misjudges(kind) }
        };
        let mut all: Vec<OfKind> = Kind::ALL.into_iter().map(of).collect();
        all.sort_by(|a, b| b.misjudges.total_cmp(&a.misjudges));
        all
    }
}

impl Entry {
    /// What was stated.
    pub fn prediction(&self) -> Prediction {
        let Self { depth_mm, angle_deg, place_mm, expected, .. } = *self;
        Prediction { tick: 0, depth_mm, angle_deg, place_mm, expected }
    }
}

//! A day as it goes: its eye, the look at it while a clock runs, what is stated, and the entry in the journal.
//!
//! `Day` holds journal and eye of one day. `Look` is the time before the chop: what is chosen can be changed until it is stated or the
//! time is up; what stands then counts, and where no result was chosen nothing does. Once something is stated it is entered, whoever
//! looks on. Nothing here looks at a clock: time comes in as it passes, in s. mm, degrees.

use crate::attempt::{Expected, Prediction};
use crate::daily::journal::{Journal, JournalError};
use crate::daily::{Date, Eye, Trial};
use crate::plan::map::StandardChop;
use std::path::Path;

/// How long an eye can be looked at before the chop, s (A).
pub const LOOK_S: f64 = 180.0;

/// What is chosen so far.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Statement {
    /// Depth of the tip below the core's anterior surface, mm (0–5).
    pub depth_mm: f64,
    /// Tip angle, degrees (5–65).
    pub angle_deg: f64,
    /// Where the tip is to end, mm from the lens's axis (each −5–5).
    pub place_mm: (f64, f64),
    /// What will come of it; nothing is suggested.
    pub expected: Option<Expected>,
}

impl Default for Statement {
    /// The same in every eye, so that it tells nothing of this one.
    fn default() -> Self {
        Self { depth_mm: 1.0, angle_deg: 30.0, place_mm: (0.0, 0.0), expected: None }
    }
}

impl Statement {
    /// As a prediction before the first tick; `None` until a result is chosen.
    pub fn prediction(&self) -> Option<Prediction> {
        let Self { depth_mm, angle_deg, place_mm, expected } = *self;
        Some(Prediction { tick: 0, depth_mm, angle_deg, place_mm, expected: expected? })
    }

    /// A chop as a statement, with a result.
    pub fn of(chop: &StandardChop, expected: Expected) -> Self {
        let StandardChop { depth_mm, angle_deg, place_mm, .. } = *chop;
        Self { depth_mm, angle_deg, place_mm, expected: Some(expected) }
    }
}

/// The look at an eye before the chop.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// Time that is left, s.
    pub left_s: f64,
    /// What is chosen.
    pub statement: Statement,
}

/// What time has come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Passed {
    /// There is some left.
    GoesOn,
    /// It is up, and this stands.
    Stated(Prediction),
    /// It is up, and no result was chosen.
    Nothing,
}

impl Default for Look {
    fn default() -> Self {
        Self { left_s: LOOK_S, statement: Statement::default() }
    }
}

impl Look {
    /// So many seconds have passed.
    pub fn pass(&mut self, seconds: f64) -> Passed {
        self.left_s = (self.left_s - seconds.max(0.0)).max(0.0);
        if self.left_s > 0.0 {
            return Passed::GoesOn;
        }
        self.statement.prediction().map_or(Passed::Nothing, Passed::Stated)
    }
}

/// A day of a learner.
#[derive(Clone, Debug, PartialEq)]
pub struct Day {
    /// The record so far.
    pub journal: Journal,
    /// The eye.
    pub eye: Eye,
}

impl Day {
    /// Open a day of the journal in a file; where there is none, or no file, of a new one for this learner. Nothing is written.
    ///
    /// # Errors
    /// A journal that cannot be used.
    pub fn open(file: Option<&Path>, date: Date, learner: u64) -> Result<Self, JournalError> {
        let kept = file.map(Journal::read).transpose()?.flatten();
        let journal = kept.unwrap_or_else(|| Journal::new(learner));
        let eye = Eye::of(date, journal.learner, &journal.ratings_before(date));
        Ok(Self { journal, eye })
    }

    /// Enter what was tried, and write the journal.
    ///
    /// # Errors
    /// The day, or a later one, has an entry, or the file cannot be written; then nothing is entered.
    pub fn enter(&mut self, file: &Path, trial: &Trial) -> Result<(), JournalError> {
        let mut journal = self.journal.clone();
        journal.enter(self.eye.date, self.eye.kind, trial)?;
        journal.write(file)?;
        self.journal = journal;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;

    #[test]
    fn what_stands_when_time_is_up_counts_and_without_a_result_nothing_does() {
        let mut look = Look::default();
        assert_eq!(look.pass(LOOK_S - 0.5), Passed::GoesOn);
        assert_eq!(look.left_s, 0.5);
        assert_eq!(look.pass(-3.0), Passed::GoesOn, "time does not go back");
        assert_eq!((look.left_s, look.pass(1.0), look.left_s), (0.5, Passed::Nothing, 0.0));
        let statement = Statement { depth_mm: 1.7, expected: Some(Expected::Hinged), ..Statement::default() };
        let mut look = Look { left_s: 0.1, statement };
        let Passed::Stated(stated) = look.pass(0.2) else { panic!("nothing was stated") };
        assert_eq!((stated.tick, stated.depth_mm, stated.expected), (0, 1.7, Expected::Hinged));
        assert!(stated.is_in_range() && Statement::default().prediction().is_none());
    }

    #[test]
    fn a_day_is_opened_without_a_trace_and_a_journal_that_is_none_is_refused() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("daily.ron");
        let date: Date = "2026-11-27".parse().unwrap();
        let day = Day::open(Some(&file), date, 4).unwrap();
        assert_eq!(day, Day::open(None, date, 4).unwrap());
        assert!(!file.exists() && day.journal.entries().is_empty());
        assert_eq!(day.eye, Eye::of(date, 4, &crate::daily::Ratings::default()));
        std::fs::write(&file, "no journal").unwrap();
        assert!(Day::open(Some(&file), date, 4).is_err());
    }
}

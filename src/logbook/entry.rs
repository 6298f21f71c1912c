//! What an entry of the record says, and the bytes its body is kept as.
//!
//! A body is postcard of a format's number and the entry; behind an attempt's stand the bytes of its file, as they are. What an entry
//! says of an attempt, `Facts`, is read from that file and kept beside it, so that a later program which no longer reads the file
//! can still show them; `verify` compares the two. Times: ms since 1970-01-01 in universal time; durations and moments s.
//!
//! Limits: when an attempt was done is what the file system said of its file; nobody vouches for it.

use super::chain::Hash;
use super::pseudonym::Pseudonym;
use crate::attempt::{Attempt, Device, Expected, Scores};
use crate::case::{Kind, parse_case};
use crate::debrief::critical_in_words;
use crate::debrief::truth::Came;
use crate::debrief::{Course, Debrief};
use serde::{Deserialize, Serialize};

/// The format of bodies that is written and read.
const FORMAT: u32 = 1;

/// What an attempt was handed in for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Purpose {
    /// To be assessed.
    Assessment,
    /// Practice, which its owner chose to show.
    Practice,
}

impl Purpose {
    /// In a word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Assessment => "assessment",
            Self::Practice => "practice",
        }
    }
}

/// A critical event.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Critical {
    /// What, in the debrief's words.
    pub event: String,
    /// When, s.
    pub t_s: f64,
}

/// What is read from an attempt's file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Facts {
    /// BLAKE3 of the file.
    pub file_hash: Hash,
    /// The engine that ran it.
    pub engine: String,
    /// Name of the case.
    pub scenario: String,
    /// BLAKE3 of the case's text.
    pub case_hash: Hash,
    /// Seed.
    pub seed: u64,
    /// What kind of eye; `None` where this program cannot use the case.
    pub kind: Option<Kind>,
    /// What moved hands and foot.
    pub device: Device,
    /// Set up as an exam?
    pub is_exam: bool,
    /// How long it took, s of the eye's time.
    pub duration_s: f64,
    /// What it claims to have been scored.
    pub scores: Scores,
    /// Every critical event it claims.
    pub critical: Vec<Critical>,
}

impl Facts {
    /// Of a file and what was read from it. `kind_of` finds the kind of eye of a case's text.
    pub fn of(file: &[u8], attempt: &Attempt, kind_of: impl FnOnce(&str) -> Option<Kind>) -> Self {
        let Attempt { header, record, events, scores, .. } = attempt;
        let tick_s = 1.0 / f64::from(header.ticks_per_second.max(1));
        let critical = events.iter().filter_map(|event| {
            let t_s = event.tick as f64 * tick_s;
            critical_in_words(&event.kind).map(|words| Critical { event: words.to_owned(), t_s })
        });
        Self {
            file_hash: *blake3::hash(file).as_bytes(),
            engine: header.engine.clone(),
            scenario: header.scenario.clone(),
            case_hash: header.case_hash,
            seed: header.seed,
            kind: kind_of(&header.case_text),
            device: header.device.clone(),
            is_exam: header.setup.is_exam,
            duration_s: record.ticks() as f64 * tick_s,
            scores: scores.clone(),
            critical: critical.collect(),
        }
    }

    /// The eye: the same case with the same seed is the same eye.
    pub fn eye(&self) -> [u8; 16] {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&self.case_hash);
        hasher.update(&self.seed.to_le_bytes());
        let mut eye = [0; 16];
        hasher.finalize_xof().fill(&mut eye);
        eye
    }
}

/// The kind of eye of a case's text; `None` where it cannot be used.
pub fn kind_of(case_text: &str) -> Option<Kind> {
    parse_case("", case_text).ok().map(|case| Kind::of(&case.spec))
}

/// What was predicted, and how far it was off.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Predicted {
    /// When it was stated, s.
    pub t_s: f64,
    /// What was expected.
    pub expected: Expected,
    /// What came.
    pub came: Option<Came>,
    /// Was the result right? `None` where that cannot be said.
    pub is_right: Option<bool>,
    /// How far the depth was off, mm.
    pub depth_off_mm: Option<f64>,
    /// Prediction error, 0..1.
    pub error: Option<f64>,
}

impl Predicted {
    /// Of an attempt, by doing it again: some seconds where something was predicted. `None` where it cannot be done again here.
    pub fn of(attempt: &Attempt) -> Option<Vec<Self>> {
        if attempt.predictions.is_empty() {
            return Some(Vec::new());
        }
        let (case, model) = attempt.model().ok()?;
        let course = Course::again(&model, attempt);
        let mut debrief = Debrief::of(&course.facts(&case.spec, &model));
        debrief.judge_predictions(&case.spec, &model, &course.record, 0).ok()?;
        let told = debrief.predictions.iter().map(|told| {
            let error = told.judged.as_ref().map(|judged| judged.error);
            Self {
                t_s: told.t_s,
                expected: told.prediction.expected,
                came: told.came,
                is_right: error.map(|error| error.is_right),
                depth_off_mm: error.and_then(|error| error.depth_off_mm),
                error: error.map(|error| error.error),
            }
        });
        Some(told.collect())
    }
}

/// An attempt that was handed in.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Submitted {
    /// By whom.
    pub trainee: Pseudonym,
    /// What for.
    pub purpose: Purpose,
    /// When it was done, as its file's time says, ms.
    pub done_at_ms: i64,
    /// Was it this trainee's first in this store on this eye?
    pub is_first: bool,
    /// What its file says.
    pub facts: Facts,
    /// How far predictions were off; `None` where that was not found out.
    pub predictions: Option<Vec<Predicted>>,
    /// The file.
    #[serde(skip)]
    pub file: Vec<u8>,
}

/// A supervisor's words on an entry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Comment {
    /// Which entry.
    pub of: u64,
    /// Whose entry that is.
    pub trainee: Option<Pseudonym>,
    /// By whom.
    pub by: Pseudonym,
    /// The words.
    pub text: String,
}

/// A supervisor has looked at an entry and stands for it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SignOff {
    /// Which entry.
    pub of: u64,
    /// Its hash then: what was signed off.
    pub hash: Hash,
    /// Whose entry that is.
    pub trainee: Option<Pseudonym>,
    /// By whom.
    pub by: Pseudonym,
}

/// An attempt judged under other goals. The attempt and its scores stay what they are.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Rescored {
    /// Which entry.
    pub of: u64,
    /// Whose.
    pub trainee: Pseudonym,
    /// By whom.
    pub by: Pseudonym,
    /// The engine that judged.
    pub engine: String,
    /// The case with the other goals, whole.
    pub case_text: String,
    /// What was scored under them.
    pub scores: Scores,
}

/// Why bodies were deleted.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Because {
    /// A person's data were to go.
    Person,
    /// They were older than they are kept.
    Age,
}

impl Because {
    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Person => "a person's data were deleted",
            Self::Age => "its time had passed",
        }
    }
}

/// The bodies of these entries were deleted.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Erased {
    /// Which, ascending.
    pub seqs: Vec<u64>,
    /// Why.
    pub because: Because,
    /// By whom.
    pub by: Pseudonym,
}

/// A station's key, by which its entries are signed from here on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Station {
    /// Its name.
    pub name: String,
    /// Its Ed25519 public key.
    pub public_key: [u8; 32],
}

/// An entry.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Entry {
    /// An attempt.
    Attempt(Box<Submitted>),
    /// Words on an entry.
    Comment(Comment),
    /// A sign-off.
    SignOff(SignOff),
    /// Other goals.
    Rescored(Box<Rescored>),
    /// Bodies deleted.
    Erased(Erased),
    /// A station's key.
    Station(Station),
}

/// Why a body cannot be read.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Unreadable {
    /// Another format.
    #[error("has a body of format {0}, and this program reads format {FORMAT}: use the program that wrote it")]
    OtherFormat(u32),
    /// Senseless.
    #[error("has a body that makes no sense")]
    Senseless,
}

impl Entry {
    /// Its kind, in a word.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Attempt(_) => "attempt",
            Self::Comment(_) => "comment",
            Self::SignOff(_) => "sign-off",
            Self::Rescored(_) => "rescored",
            Self::Erased(_) => "erased",
            Self::Station(_) => "station",
        }
    }

    /// Whose data it holds.
    pub fn trainee(&self) -> Option<&Pseudonym> {
        match self {
            Self::Attempt(submitted) => Some(&submitted.trainee),
            Self::Comment(comment) => comment.trainee.as_ref(),
            Self::SignOff(sign_off) => sign_off.trainee.as_ref(),
            Self::Rescored(rescored) => Some(&rescored.trainee),
            Self::Erased(_) | Self::Station(_) => None,
        }
    }

    /// The bytes it is kept as.
    pub fn to_content(&self) -> Vec<u8> {
        // Plain data always has a form.
        let mut content = postcard::to_stdvec(&(FORMAT, self)).unwrap_or_default();
        if let Self::Attempt(submitted) = self {
            content.extend_from_slice(&submitted.file);
        }
        content
    }

    /// From these bytes.
    ///
    /// # Errors
    /// Bytes of another format, or senseless.
    pub fn of_content(content: &[u8]) -> Result<Self, Unreadable> {
        let (format, rest) = postcard::take_from_bytes::<u32>(content).map_err(|_| Unreadable::Senseless)?;
        if format != FORMAT {
            return Err(Unreadable::OtherFormat(format));
        }
        match postcard::take_from_bytes(rest) {
            Ok((Self::Attempt(mut submitted), file)) => {
                submitted.file = file.to_vec();
                Ok(Self::Attempt(submitted))
            }
            Ok((entry, [])) => Ok(entry),
            _ => Err(Unreadable::Senseless),
        }
    }
}

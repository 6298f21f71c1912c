//! Parts of a calibration as files, so that machines beyond one can share it: each writes its part, and one puts them together.
//!
//! A file is one JSON object with the version of its format, of engine and trainees, and the hash of each case, so that only
//! what belongs together is put together.

use super::{Design, Row, Shard};
use serde::{Deserialize, Serialize};

/// The format that is written, and the only one read.
pub const FORMAT: u32 = 1;

/// A part of the calibration of some cases.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// Version of the format.
    pub format: u32,
    /// The engine.
    pub engine: String,
    /// The trainees.
    pub trainees: u32,
    /// Which part.
    pub shard: Shard,
    /// Each case's rows.
    pub cases: Vec<CasePart>,
}

/// A part of one case's calibration.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CasePart {
    /// Name of the case.
    pub scenario: String,
    /// BLAKE3 of its text, hexadecimal.
    pub case_hash: String,
    /// Which attempts.
    pub design: Design,
    /// Time it took, s.
    pub wall_s: f64,
    /// Its rows.
    pub rows: Vec<Row>,
}

/// Why parts cannot be put together. `file` is the place in the list of parts.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoWhole {
    /// Of another format, engine or trainees.
    #[error("was made by engine {0}; allowed: parts of one engine and one version of trainees")]
    Other(String),
    /// Of other cases or another design than the first.
    #[error("holds other cases or other attempts than the first part; allowed: parts of one `calibrate`")]
    Unlike,
    /// Split otherwise.
    #[error("is one of {0} parts, the first one of {1}; allowed: parts of one split")]
    Split(u32, u32),
    /// Twice the same.
    #[error("is part {0} again; allowed: each part once")]
    Twice(u32),
    /// Some are not there.
    #[error("parts are missing: {0}; allowed: all parts of the split")]
    Missing(String),
}

/// All parts of a split put together: the cases with all their rows, in order. On failure the place of the part at fault.
///
/// # Errors
/// Parts that do not belong together, or not all of them.
pub fn whole(parts: Vec<Part>) -> Result<Vec<CasePart>, (usize, NoWhole)> {
    let Some(first) = parts.first().cloned() else { return Ok(Vec::new()) };
    let mut seen = std::collections::BTreeSet::new();
    let mut cases: Vec<CasePart> =
        first.cases.iter().map(|c| CasePart { rows: Vec::new(), wall_s: 0.0, ..c.clone() }).collect();
    for (at, part) in parts.into_iter().enumerate() {
        let alike = (part.format, &part.engine, part.trainees) == (FORMAT, &first.engine, first.trainees);
        if !alike {
            return Err((at, NoWhole::Other(part.engine)));
        }
        if part.shard.of != first.shard.of {
            return Err((at, NoWhole::Split(part.shard.of, first.shard.of)));
        }
        if !seen.insert(part.shard.part) {
            return Err((at, NoWhole::Twice(part.shard.part)));
        }
        if part.cases.len() != cases.len() {
            return Err((at, NoWhole::Unlike));
        }
        for (case, more) in cases.iter_mut().zip(part.cases) {
            let is_same =
                (&case.scenario, &case.case_hash, case.design) == (&more.scenario, &more.case_hash, more.design);
            if !is_same {
                return Err((at, NoWhole::Unlike));
            }
            case.wall_s += more.wall_s;
            case.rows.extend(more.rows);
        }
    }
    let missing: Vec<String> =
        (1..=first.shard.of).filter(|part| !seen.contains(part)).map(|p| p.to_string()).collect();
    if !missing.is_empty() {
        return Err((0, NoWhole::Missing(missing.join(", "))));
    }
    for case in &mut cases {
        case.rows.sort_by_key(|row| row.attempt);
        if case.rows.len() != case.design.attempts() as usize {
            return Err((0, NoWhole::Unlike));
        }
    }
    Ok(cases)
}

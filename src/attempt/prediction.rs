//! What was expected before a chop: how deep, at which angle, where, and what comes of it.
//!
//! A prediction is said before the tip goes in and changes nothing: the engine never sees it, and the hash of the last state does
//! not hold it. A replay can therefore say whether it came true, never whether it was truly said beforehand. mm, degrees, tick
//! numbers.

use serde::{Deserialize, Serialize};

/// The ranges of what can be stated: mm, degrees, mm from the lens's axis. They are those of burying in a plan.
pub const DEPTH_MM: (f64, f64) = (0.0, 5.0);
/// Of the tip angle, degrees.
pub const ANGLE_DEG: (f64, f64) = (5.0, 65.0);
/// Of each number of the place, mm.
pub const PLACE_MM: (f64, f64) = (-5.0, 5.0);

/// What is expected to come of the next chop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum Expected {
    /// The crack goes right through, and the capsule stays whole.
    Through,
    /// It cracks, but a hinge still joins the sides.
    Hinged,
    /// No chop is to be done here: whatever depth is tried, none goes right through. The right thing is to stop and call.
    StopAndCall,
}

impl Expected {
    /// Every one.
    pub const ALL: [Self; 3] = [Self::Through, Self::Hinged, Self::StopAndCall];

    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Through => "right through",
            Self::Hinged => "hinged",
            Self::StopAndCall => "stop and call",
        }
    }
}

/// A prediction.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Prediction {
    /// Ticks done when it was stated.
    pub tick: u64,
    /// Depth of the tip below the core's anterior surface, mm (0–5).
    pub depth_mm: f64,
    /// Tip angle, degrees (5–65).
    pub angle_deg: f64,
    /// Where the tip is to end, mm from the lens's axis: +x 3 o'clock, +y 12 o'clock (each −5–5).
    pub place_mm: (f64, f64),
    /// What is expected.
    pub expected: Expected,
}

impl Prediction {
    /// Is every number within its range?
    pub fn is_in_range(&self) -> bool {
        // Not a number lies within nothing.
        let within = |value: f64, (low, high): (f64, f64)| (low..=high).contains(&value);
        let (x, y) = self.place_mm;
        within(self.depth_mm, DEPTH_MM)
            && within(self.angle_deg, ANGLE_DEG)
            && within(x, PLACE_MM)
            && within(y, PLACE_MM)
    }
}

/// What makes no sense about the predictions of a record of so many ticks.
///
/// # Errors
/// A clause on the first that is out of range, out of order or beyond the record.
pub(super) fn check(predictions: &[Prediction], ticks: usize) -> Result<(), String> {
    let mut earliest = 0;
    for (prediction, at) in predictions.iter().zip(0..) {
        if !prediction.is_in_range() {
            return Err(format!("prediction {at} holds a number out of range"));
        }
        if prediction.tick < earliest || prediction.tick > ticks as u64 {
            return Err(format!("prediction {at} was not stated after the one before and within the record"));
        }
        earliest = prediction.tick + 1;
    }
    Ok(())
}

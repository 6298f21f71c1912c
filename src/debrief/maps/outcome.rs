//! What a cell of a map shows: the most dangerous thing that happened, in a word for tables and pictures alike.
//!
//! Limits: whatever is less than the first that applies is not told of a cell.

use crate::plan::map::MapCell;

/// Cracked share of the core from which a chop counts as cracked in part: the slot of the chopper alone is up to a tenth.
pub(crate) const CRACKED_SHARE: f64 = 0.15;

/// What came of one chop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum CellOutcome {
    /// The posterior capsule was breached.
    Breach,
    /// The tip could not be brought to that depth.
    NotReached,
    /// Cracked right through, but an instrument came too near the posterior capsule.
    ThroughTooNear,
    /// Cracked right through, clear of the capsule.
    Through,
    /// Nothing cracked, and the tip lost its hold.
    Slipped,
    /// Cracked in part.
    Hinged,
    /// Nothing cracked.
    Nothing,
}

impl CellOutcome {
    /// All, in the order of a legend.
    pub const ALL: [Self; 7] = [
        Self::Through,
        Self::ThroughTooNear,
        Self::Hinged,
        Self::Slipped,
        Self::Nothing,
        Self::NotReached,
        Self::Breach,
    ];

    /// Of a cell; `floor_mm`: the least distance to the posterior capsule that the case asks for.
    pub fn of(cell: &MapCell, floor_mm: f64) -> Self {
        if cell.breach {
            Self::Breach
        } else if !cell.is_reachable {
            Self::NotReached
        } else if cell.complete && cell.distance_to_capsule_min_mm < floor_mm {
            Self::ThroughTooNear
        } else if cell.complete {
            Self::Through
        } else if cell.core_fraction_cracked >= CRACKED_SHARE {
            Self::Hinged
        } else if cell.tip_slipped {
            Self::Slipped
        } else {
            Self::Nothing
        }
    }

    /// Did the crack go right through, the tip where it was meant to be and the capsule whole?
    pub fn is_through(self) -> bool {
        matches!(self, Self::Through | Self::ThroughTooNear)
    }

    /// In words.
    pub fn meaning(self, floor_mm: f64) -> String {
        match self {
            Self::Breach => "the posterior capsule was breached".to_string(),
            Self::NotReached => "the tip could not be brought to this depth".to_string(),
            Self::ThroughTooNear => format!("through, but within {floor_mm:.2} mm of the posterior capsule"),
            Self::Through => "cracked through, the nucleus came apart".to_string(),
            Self::Slipped => "the tip lost its hold, nothing cracked".to_string(),
            Self::Hinged => "cracked in part, the halves still joined".to_string(),
            Self::Nothing => "nothing cracked".to_string(),
        }
    }
}

//! The pulls of an attempt: which piece was on the tip, did it follow, and what held it.
//!
//! Units: the engine's (mm, µL, µN, Pa); the follow ratio is purchase over the largest load on that pull.

use crate::debrief::Facts;
use crate::sim::event::{EventKind, HeldBy};

/// Load below which a pull met none, µN (numerical: less than the weight of a crumb).
const LEAST_LOAD_UN: f64 = 1.0;

/// Share of the lens's volume from which a piece is the lens itself, less what the tip has bored out of it.
const WHOLE: f64 = 0.9;

/// One pull.
#[derive(Clone, Debug, PartialEq)]
pub struct Follow {
    /// Its place among the events.
    pub event: usize,
    /// Simulated time at which it ended, s.
    pub t_s: f64,
    /// The piece.
    pub fragment: u16,
    /// Its volume, µL.
    pub volume_ul: f64,
    /// Highest vacuum during the pull, Pa.
    pub vacuum_pa: f64,
    /// Least share of the port that the piece covered.
    pub occlusion: f64,
    /// Greatest force with which it was held on the tip, µN.
    pub purchase_un: f64,
    /// Largest load, µN.
    pub load_un: f64,
    /// Did it come along?
    pub followed: bool,
    /// What held it back.
    pub held_by: Option<HeldBy>,
}

impl Follow {
    /// Purchase over the largest load; `None` where nothing resisted.
    pub fn ratio(&self) -> Option<f64> {
        (self.load_un > LEAST_LOAD_UN).then(|| self.purchase_un / self.load_un)
    }

    /// Was it the lens, still in one piece, that was pulled?
    pub fn is_whole_lens(&self, facts: &Facts<'_>) -> bool {
        is_whole(facts, self.volume_ul)
    }
}

/// Every pull, in order.
pub fn follows(facts: &Facts<'_>) -> Vec<Follow> {
    let pull = |(event, e): (usize, &crate::sim::event::Event)| match e.kind {
        EventKind::Pulled {
            fragment,
            volume_ul,
            vacuum_pa,
            occlusion,
            purchase_un,
            load_un,
            followed,
            held_by,
            ..
        } => Some(Follow {
            event,
            t_s: e.tick as f64 * facts.model.tick_s,
            fragment,
            volume_ul,
            vacuum_pa,
            occlusion,
            purchase_un,
            load_un,
            followed,
            held_by,
        }),
        _ => None,
    };
    facts.state.events.iter().enumerate().filter_map(pull).collect()
}

fn is_whole(facts: &Facts<'_>, volume_ul: f64) -> bool {
    volume_ul > WHOLE * facts.model.whole_ul()
}

/// A piece in words, by its volume.
pub fn piece_of(facts: &Facts<'_>, volume_ul: f64) -> String {
    if is_whole(facts, volume_ul) {
        "lens, still in one piece,".to_string()
    } else {
        format!("piece of {volume_ul:.1} µL")
    }
}

/// What held a piece, in words; said of "it".
pub fn held_in_words(held_by: Option<HeldBy>, is_whole_lens: bool) -> &'static str {
    match held_by {
        Some(HeldBy::Hinge) => "a crack that is not through still joins it",
        Some(HeldBy::Neighbours) if is_whole_lens => "bag and zonules bore the pull",
        Some(HeldBy::Neighbours) => "it is wedged between its neighbours and the bag",
        Some(HeldBy::Adhesion) => "it still sticks to its capsule",
        Some(HeldBy::PoorOcclusion) => "the port was poorly covered",
        None => "nothing on record held it",
    }
}

/// A follow ratio in words: with another digit below 1, where it counts.
pub fn ratio_in_words(ratio: f64) -> String {
    if ratio < 1.0 { format!("{ratio:.2}") } else { format!("{ratio:.1}") }
}

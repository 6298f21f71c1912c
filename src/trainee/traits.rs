//! What skill makes of a trainee: each trait at both ends, and between them in proportion.
//!
//! All numbers are assumptions (A), set so that the order and ratio of what comes of them is near that of published
//! frequencies (S): rupture by the least experienced 3.75 times as likely (961,208 operations), by trainees 3.1 % in their
//! first hundred operations and 0.6 % in their fourth (PMC8115280); rating of novices to that of experts 30.3 to 48.3, 0.63
//! (PubMed 22432603). Those are whole operations, not chops: the level is not theirs. On 1200 attempts at the ten shipped
//! cases (seeds from 9300) the third of least skill breached the capsule in 6.1 % and that of most in 1.0 %, and their scores
//! stood as 61.7 to 93.1, 0.66. The middle third breached in 6.2 %: it frees and buries more, and not yet better. mm, degrees,
//! s, chances 0..1.

use crate::plan::Scatter;

/// The traits of one trainee.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Traits {
    /// How far the hands miss.
    pub scatter: Scatter,
    /// How much too shallow the tip is buried for fear of what lies below, on the mean, mm; daring takes some away.
    pub shy_mm: f64,
    /// Standard deviation of the judgement of a depth, mm.
    pub depth_mm: f64,
    /// How much too flat the needle is held, on the mean, and its standard deviation, degrees.
    pub flat_deg: f64,
    /// See `flat_deg`.
    pub angle_deg: f64,
    /// Standard deviation of what the slit lamp shows: of grade, and of lengths as a share.
    pub grade: f64,
    /// See `grade`.
    pub outline: f64,
    /// Chance of noticing something that is there to be seen.
    pub notices: f64,
    /// Fluid injected at a time under the rim, mL.
    pub wave_ml: f64,
    /// Chance of leaving the foot on ultrasound when the tip stands.
    pub foot_lapse: f64,
    /// Time the tip stands before the foot goes back, beyond a trained hand's reaction, s.
    pub linger_s: f64,
    /// Time from seeing to acting where something startles, s.
    pub reaction_s: f64,
    /// How far the foot goes with what the tip meets while it is buried: 0 not at all, 1 wholly.
    pub feels: f64,
    /// Share by which the instruments are parted of what would be needed.
    pub parting: f64,
    /// How often a chop that did not go through is begun again.
    pub tries: u32,
    /// Distance to the capsule that is kept as it is seen, mm.
    pub floor_mm: f64,
}

impl Traits {
    /// Of this skill (0–1) and daring (standard deviations).
    pub fn of(skill: f64, daring: f64) -> Self {
        let between = |novice: f64, expert: f64| novice + skill * (expert - novice);
        // Spreads shrink by the same factor for each step of skill.
        let shrinking = |novice: f64, expert: f64| novice * libm::pow(expert / novice, skill);
        Self {
            scatter: Scatter::TRAINED.wider(shrinking(3.0, 1.0)),
            shy_mm: between(0.45, 0.0) - 0.08 * daring,
            depth_mm: shrinking(0.40, 0.08),
            flat_deg: between(12.0, 0.0),
            angle_deg: shrinking(7.0, 2.0),
            grade: shrinking(0.8, 0.3),
            outline: shrinking(0.15, 0.04),
            notices: between(0.35, 0.97),
            wave_ml: shrinking(0.10, 0.06),
            foot_lapse: between(0.6, 0.03),
            linger_s: 0.9 * (1.0 - skill) * (1.0 - skill),
            reaction_s: shrinking(0.8, 0.25),
            feels: between(0.0, 1.0),
            parting: between(0.6, 1.0),
            tries: libm::floor(between(1.2, 3.9)) as u32,
            floor_mm: (between(0.5, 0.9) - 0.15 * daring).max(0.1),
        }
    }
}

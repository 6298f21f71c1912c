//! What a plan file says: manoeuvres in the trade's words. Plain data, whose ranges are checked where it is read
//! (`plan::read`).

use serde::{Deserialize, Serialize};

/// A plan as written in `NAME.plan.ron`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlanSpec {
    /// Version of the format; 1.
    pub format: u32,
    /// One line that says what this plan tries.
    pub title: String,
    /// The manoeuvres in order.
    pub steps: Vec<Manoeuvre>,
}

/// Which way the bevel faces.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Bevel {
    /// Toward the cornea.
    Up,
    /// Toward the posterior capsule.
    Down,
}

/// How the chopper is brought to the tip.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum ChopKind {
    /// A pointed chopper pressed down beside the impaled tip, inside the rhexis.
    Vertical,
    /// A blunt chopper passed flat under the rim, set upright outside the core and drawn toward the tip.
    Horizontal,
}

/// One manoeuvre.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Manoeuvre {
    /// Set vacuum limit (mmHg, 0–700) and ultrasound power at full pedal travel (0–1).
    Set {
        /// Vacuum limit, mmHg.
        vacuum_mmhg: f64,
        /// Power fraction at full travel.
        power: f64,
    },
    /// Pedal to a position: 0 nothing, 1 infusion, 2 aspiration, 3 ultrasound.
    Pedal {
        /// Position, 0–3.
        position: u8,
        /// Travel within the position, 0–1; when absent, all of it.
        share: f64,
    },
    /// Bury the tip, with ultrasound or by pushing. The pedal stays where burying left it.
    Bury {
        /// Wanted depth of the tip below the core's anterior surface, mm (0–5).
        depth_mm: f64,
        /// Tip angle, degrees (5–65).
        angle_deg: f64,
        /// Where the tip is to end, mm from the lens's axis: +x 3 o'clock, +y 12 o'clock (each −5–5).
        place_mm: (f64, f64),
        /// Which way the bevel faces.
        bevel: Bevel,
        /// Speed of the hand along the shaft, mm/s (0.2–5).
        speed_mm_s: f64,
        /// Pedal travel within position 3 while burying (0–1); 0 pushes without ultrasound, pedal in position 2.
        ultrasound: f64,
    },
    /// Bring the chopper to its place beside or before the tip.
    Chop {
        /// Vertical or horizontal.
        kind: ChopKind,
        /// Vertical: distance of the chopper ahead of the tip, mm (0–3). Horizontal: ignored on the way in, then the
        /// distance from the tip at which drawing stops, mm (0.2–3).
        ahead_mm: f64,
        /// Distance of the chopper aside of the shaft's line, mm (−2–2, positive to the shaft's left as seen from the
        /// hand).
        aside_mm: f64,
        /// Depth of the chopper's point below the core's anterior surface, mm (0–5); when absent, 0.3 mm deeper than the
        /// tip, as far as its end reaches.
        depth_mm: Option<f64>,
    },
    /// Move the two instruments apart.
    Separate {
        /// Distance between the instruments gained, mm (0–4).
        width_mm: f64,
        /// Speed at which they part, mm/s (0.2–5).
        speed_mm_s: f64,
    },
    /// Take both instruments out of the lens.
    Withdraw,
    /// Turn the nucleus about the lens's axis, degrees (−360–360, positive counter-clockwise as the surgeon sees it).
    Turn {
        /// Angle.
        angle_deg: f64,
    },
    /// Hold everything, seconds (0–60).
    Wait {
        /// Time.
        seconds: f64,
    },
}

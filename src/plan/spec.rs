//! What a plan file says: manoeuvres in the trade's words. Plain data, whose ranges are checked where it is read
//! (`plan::read`).

use crate::attempt::Expected;
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

/// What instruments are taken out of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum OutOf {
    /// Out of the lens; they stay in the chamber.
    Lens,
    /// Out of the eye, through their incisions.
    Eye,
}

/// What fills the chamber through the side port.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Filling {
    /// Viscoelastic that makes room and leaves in one piece.
    Cohesive,
    /// Viscoelastic that coats and holds back.
    Dispersive,
    /// Balanced salt solution.
    Fluid,
}

/// How far the nucleus is pressed back where the plan does not say, mm (A).
pub const DECOMPRESS_MM: f64 = 0.3;

/// Longest wait for vacuum where the plan does not say, s (A: vacuum builds up within a fraction of this on a good seal).
pub const GRIP_WAIT_S: f64 = 3.0;

/// Speed of bringing a piece where the plan does not say, mm/s (A: unhurried).
pub const BRING_SPEED_MM_S: f64 = 2.0;

/// One manoeuvre.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub enum Manoeuvre {
    /// Change the machine's settings; what is absent stays as it is. At least one is given.
    Set {
        /// Vacuum limit, mmHg (0–700).
        vacuum_mmhg: Option<f64>,
        /// Power fraction at full travel (0–1).
        power: Option<f64>,
        /// Height of the bottle over the eye, cm (0–150).
        bottle_cm: Option<f64>,
        /// Aspiration flow of a flow-set pump, mL/min (0–60).
        flow_ml_min: Option<f64>,
    },
    /// Pedal to a position: 0 nothing, 1 infusion, 2 aspiration, 3 ultrasound.
    Pedal {
        /// Position, 0–3.
        position: u8,
        /// Travel within the position, 0–1; when absent, all of it.
        share: f64,
        /// On a dual-linear pedal, the power's own share (0–1), `share` then being the vacuum's; when absent, both go
        /// with `share`.
        power: Option<f64>,
    },
    /// Bury the tip, with ultrasound or by pushing. Before ultrasound vacuum is given up to 2 s to take hold of a free piece.
    /// The pedal stays where burying left it.
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
    /// Take both instruments out.
    Withdraw {
        /// Out of what; when absent, out of the lens.
        from: OutOf,
    },
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
    /// Reflux: the foot drives fluid back out of the port, to let go of what it has caught.
    Reflux {
        /// Time, s (0.1–10).
        seconds: f64,
    },
    /// Hydrodissect: inject fluid under the rim of the rhexis, so that its wave parts the lens from its capsule.
    Hydrodissect {
        /// Clock hour under whose rim it is injected (1–12).
        hour: u8,
        /// Volume, mL (0.02–2).
        volume_ml: f64,
        /// Time over which it is injected, s (0.2–20).
        seconds: f64,
    },
    /// Press the nucleus back at its centre, so that fluid trapped behind it comes out at the rim.
    Decompress {
        /// Time, s (0.2–10).
        seconds: f64,
        /// How far it is pressed back, mm (0.1–1); when absent, 0.3 mm.
        depth_mm: f64,
    },
    /// Sweep the tip over the core to take away epinucleus and OVD before burying.
    Clear {
        /// Centre of the sweep, mm from the lens's axis: +x 3 o'clock, +y 12 o'clock (each −5–5).
        place_mm: (f64, f64),
        /// Radius of the sweep, mm (0–3).
        radius_mm: f64,
        /// Depth of the tip below the front of the lens, mm (0–2).
        depth_mm: f64,
        /// Time, s (0.2–20).
        seconds: f64,
    },
    /// Bring the port onto a piece and let vacuum build up until it holds.
    Grip {
        /// The piece that lies toward this clock hour (1–12); when absent, the nearest.
        hour: Option<u8>,
        /// Longest time to wait for vacuum, s (0.1–10); when absent, 3 s.
        seconds: f64,
        /// Which way the bevel faces; when absent, as it is.
        bevel: Option<Bevel>,
    },
    /// Bring the piece on the tip to a place, as far as it follows.
    Bring {
        /// Where the tip is to end, mm from the lens's axis: +x 3 o'clock, +y 12 o'clock (each −5–5); when absent, the
        /// middle.
        place_mm: (f64, f64),
        /// Height of the tip above the plane of the lens's equator, mm (−3–4); when absent, the plane of the iris.
        height_mm: Option<f64>,
        /// Speed of the hand, mm/s (0.2–10); when absent, 2 mm/s.
        speed_mm_s: f64,
    },
    /// Emulsify the piece on the tip and what comes off it, until their nucleus is gone, the time is up, or try after try is
    /// in vain. Then the pedal goes back to position 2.
    Emulsify {
        /// Longest time, s (0.1–60).
        seconds: f64,
        /// Pedal travel within position 3 (0–1).
        ultrasound: f64,
        /// On a dual-linear pedal, the share of the vacuum limit (0–1); when absent, all of it.
        vacuum: f64,
    },
    /// Let go of the piece on the tip: the foot goes back to position 1.
    LetGo,
    /// Hold the chopper between tip and posterior capsule, blunt side down.
    Guard {
        /// Distance of the chopper below the port, mm (0.3–3).
        below_mm: f64,
    },
    /// Take the chopper alone out of the eye.
    ChopperOut,
    /// Part the iris from the rim of the rhexis with the chopper.
    LiftIris {
        /// Clock hour at which it is lifted (1–12).
        hour: u8,
        /// Time, s (0.2–5).
        seconds: f64,
    },
    /// Inject through the side port.
    Inject {
        /// What is injected.
        ovd: Filling,
        /// Volume, µL (1–500).
        volume_ul: f64,
        /// Time over which it is injected, s (0.2–20).
        seconds: f64,
    },
    /// Say what is expected of the next chop, before the tip goes in. Takes no time and moves nothing.
    Predict {
        /// Depth of the tip below the core's anterior surface, mm (0–5).
        depth_mm: f64,
        /// Tip angle, degrees (5–65).
        angle_deg: f64,
        /// Where the tip is to end, mm from the lens's axis: +x 3 o'clock, +y 12 o'clock (each −5–5).
        place_mm: (f64, f64),
        /// What will come of it.
        expected: Expected,
    },
    /// Stop and call for help.
    StopAndCall,
}

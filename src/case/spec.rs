//! What a case file says: the numbers an educator writes, in the units of the trade.
//!
//! A `CaseSpec` is plain data. Its ranges are checked where it is read (`case::read`), its meaning where it is
//! compiled (`case::compile`). Directions are anatomical (toward the nose, superior), so that a right and a left eye
//! are written alike.

use serde::{Deserialize, Serialize};

/// A whole case: eye, lens, surgery, tools, machine and what the educator asks of the learner.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CaseSpec {
    /// Version of the format; 1.
    pub format: u32,
    /// One line for lists and debriefs.
    pub title: String,
    /// What a surgeon would know before surgery. Never the answer.
    pub sheet: String,
    /// The eye around the lens.
    pub eye: EyeSpec,
    /// The lens.
    pub lens: LensSpec,
    /// Where the surgeon sits and what is already done (incisions, rhexis).
    pub surgery: SurgerySpec,
    /// The ultrasound needle.
    pub needle: NeedleSpec,
    /// The chopper.
    pub chopper: ChopperSpec,
    /// What the educator asks for.
    pub goals: GoalSpec,
}

/// Right or left eye.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Side {
    /// Right eye: the nose lies at 3 o'clock as the surgeon looks at the eye.
    Right,
    /// Left eye: the nose lies at 9 o'clock.
    Left,
}

/// The eye around the lens.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EyeSpec {
    /// Right or left.
    pub side: Side,
    /// Axial length, mm (18–36).
    pub axial_length_mm: f64,
    /// Depth of the anterior chamber, corneal endothelium to lens, mm (1.5–5).
    pub chamber_depth_mm: f64,
    /// Diameter of the pupil, mm (3–9).
    pub pupil_mm: f64,
    /// Inner diameter of the capsular bag at the equator, mm (9–13); when absent, the lens's diameter + 0.6 mm.
    pub bag_diameter_mm: Option<f64>,
}

/// The lens.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct LensSpec {
    /// Age, years (40–100). Sets thickness and diameter where the case does not.
    pub age_years: f64,
    /// Thickness in the eye, mm (3–6.5), or the law for the age.
    pub thickness_mm: Option<f64>,
    /// Diameter in the eye, mm (8–11.5), or the law for the age.
    pub diameter_mm: Option<f64>,
    /// The nuclear grade the slit lamp suggests (decimal LOCS III, 0.1–6.9). Appearance only: the physics use
    /// `core.grade`, and a case may let the two differ.
    pub slit_lamp_grade: f64,
    /// The dense part of the nucleus.
    pub core: CoreSpec,
    /// The softer layer around the core.
    pub epinucleus: EpinucleusSpec,
    /// A leathery posterior plate, if any.
    pub plate: Option<PlateSpec>,
    /// Standard deviation of the natural logarithm of strength and toughness (0–0.5); correlation about 0.6 mm.
    pub heterogeneity: f64,
}

/// The dense core: an ellipsoid of revolution about the lens's axis, moved by the offset.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct CoreSpec {
    /// Nuclear hardness at its centre, decimal LOCS III (0.1–6.9).
    pub grade: f64,
    /// Diameter across the equator, mm (1–10).
    pub diameter_mm: f64,
    /// Thickness along the axis, mm (0.8–6).
    pub thickness_mm: f64,
    /// Width over which the core fades into its surroundings, mm (0.05–2).
    pub edge_mm: f64,
    /// Displacement of the core's centre from the middle of the lens: toward the nose, superior, anterior; mm
    /// (each −3–3).
    pub offset_mm: (f64, f64, f64),
}

/// The epinucleus, a shell around the core.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct EpinucleusSpec {
    /// Thickness of the shell outside the core, mm (0–3).
    pub thickness_mm: f64,
    /// Firmness between cortex (0) and a nucleus of grade 1 (1).
    pub firmness: f64,
}

/// A leathery plate at the core's back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PlateSpec {
    /// Thickness above the core's posterior surface, mm (0.1–2).
    pub thickness_mm: f64,
    /// Factor on toughness within the plate (1–10).
    pub toughness_factor: f64,
}

/// Where the surgeon sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Seat {
    /// Main incision at the temporal limbus.
    Temporal,
    /// Main incision at 12 o'clock.
    Superior,
}

/// The hand that holds the needle; the other holds the chopper and enters on its own side of the surgeon.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Hand {
    /// Right hand.
    Right,
    /// Left hand.
    Left,
}

/// Incisions and rhexis.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SurgerySpec {
    /// Where the surgeon sits.
    pub seat: Seat,
    /// The hand that holds the needle.
    pub needle_hand: Hand,
    /// Angle between main incision and side port, degrees (30–110).
    pub side_port_deg: f64,
    /// Diameter of the capsulorhexis, mm (3–7). Wider than the pupil is a warning, not a fault.
    pub rhexis_mm: f64,
}

/// The ultrasound needle.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NeedleSpec {
    /// Outside diameter, mm (0.5–1.5).
    pub outer_mm: f64,
    /// Bore, mm (0.3–1.3, less than outside).
    pub bore_mm: f64,
    /// Bevel of the tip, degrees (0–60).
    pub bevel_deg: f64,
    /// Length that stands out of the sleeve, mm (0.5–5).
    pub exposed_mm: f64,
}

/// The chopper's end.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ChopperSpec {
    /// Length of the end beyond the bend, mm (0.8–4).
    pub end_mm: f64,
    /// Width of the end, mm (0.1–1).
    pub width_mm: f64,
}

/// What the educator asks for: the bands the debrief judges by.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct GoalSpec {
    /// Burial depth as a share of the core's thickness, lower and upper (0–1).
    pub depth_share: (f64, f64),
    /// Least distance to the posterior capsule, mm (0–3).
    pub capsule_floor_mm: f64,
    /// Least share of the core that must crack (0–1).
    pub core_cracked: f64,
    /// Least size of the smaller piece as a share of the body that was chopped (0–0.5).
    pub smallest_piece: f64,
    /// Separation asked for between the instruments, mm (0.2–4).
    pub separation_mm: f64,
}

//! What a case file says: the numbers an educator writes, in the units of the trade.
//!
//! A `CaseSpec` is plain data. Its ranges are checked where it is read (`case::read`), its meaning where it is
//! compiled (`case::compile`). Directions are anatomical (toward the nose, superior), so that a right and a left eye
//! are written alike; clock hours are as the surgeon sees the eye.
//!
//! A case states what is unusual. The groups from `support` on may be left out, and so may each of their fields; what
//! is left out is ordinary. The `Default` of each group says what ordinary is, with its standing: S read in the source,
//! M from memory of it, D derived, P common practice without a source, A assumed.

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
    /// What bears the lens: posterior capsule, diaphragm, zonules.
    pub support: Option<SupportSpec>,
    /// How the lens sticks to its capsule.
    pub attachment: Option<AttachmentSpec>,
    /// The lens capsule.
    pub capsule: Option<CapsuleSpec>,
    /// The iris.
    pub iris: Option<IrisSpec>,
    /// The phaco machine and its settings when the attempt begins.
    pub machine: Option<MachineSpec>,
    /// Viscoelastic in the chamber when the attempt begins.
    pub ovd: Option<OvdSpec>,
    /// What the learner may set before operating, and within which limits.
    pub limits: Option<LimitsSpec>,
    /// What the learner is shown while operating.
    pub teaching: Option<TeachingSpec>,
}

/// Ocular rigidity of an eye of ordinary length, base-10 logarithm per µL (S: Pallikaris 2005).
pub const RIGIDITY_PER_UL: f64 = 0.0126;

/// The length of the eyes in which it was measured, mm (A).
pub const RIGIDITY_AXIAL_LENGTH_MM: f64 = 24.0;

impl CaseSpec {
    /// Ocular rigidity, base-10 logarithm of pressure per µL. Where the case does not give it, the published value
    /// falls with the eye's volume, as the cube of its length (D: the same coats around more volume).
    pub fn rigidity_per_ul(&self) -> f64 {
        let shorter = RIGIDITY_AXIAL_LENGTH_MM / self.eye.axial_length_mm;
        self.eye.rigidity_per_ul.unwrap_or(RIGIDITY_PER_UL * shorter * shorter * shorter)
    }

    /// The support, ordinary where the case does not say.
    pub fn support(&self) -> SupportSpec {
        self.support.unwrap_or_default()
    }

    /// The attachment, ordinary where the case does not say.
    pub fn attachment(&self) -> AttachmentSpec {
        self.attachment.unwrap_or_default()
    }

    /// The capsule, ordinary where the case does not say.
    pub fn capsule(&self) -> CapsuleSpec {
        self.capsule.unwrap_or_default()
    }

    /// The iris, ordinary where the case does not say.
    pub fn iris(&self) -> IrisSpec {
        self.iris.unwrap_or_default()
    }

    /// The machine, ordinary where the case does not say.
    pub fn machine(&self) -> MachineSpec {
        self.machine.unwrap_or_default()
    }

    /// The viscoelastic, none where the case does not say.
    pub fn ovd(&self) -> OvdSpec {
        self.ovd.unwrap_or_default()
    }

    /// The limits of what may be set before operating; where the case does not say, the ordinary ones, widened to hold
    /// the case's own values.
    pub fn limits(&self) -> LimitsSpec {
        self.limits.unwrap_or_else(|| LimitsSpec::default().with_room_for(self))
    }

    /// What is shown while operating, ordinary where the case does not say.
    pub fn teaching(&self) -> TeachingSpec {
        self.teaching.unwrap_or_default()
    }
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
    /// Ocular rigidity, base-10 logarithm of pressure per µL (0.002–0.03); when absent, 0.0126 · (24 mm ÷ axial
    /// length)³.
    pub rigidity_per_ul: Option<f64>,
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
    /// Least follow ratio of a pull, purchase over the load that resists (0.5–10); when absent, not judged.
    pub follow_ratio: Option<f64>,
    /// Most that posterior capsule and diaphragm may travel, mm (0–3); when absent, 1 mm.
    pub capsule_travel_mm: Option<f64>,
    /// Most the incision may warm up to, °C (34–60); when absent, 50 °C.
    pub incision_c: Option<f64>,
    /// Most load on the zonules of one clock hour, mN (0–300); when absent, 30 mN.
    pub zonule_load_mn: Option<f64>,
    /// How the nucleus is to be approached; when absent, it is to be chopped.
    pub approach: Option<Approach>,
    /// Most of the nucleus that may be left at the end, as a share of it (0–1); when absent, not judged.
    pub nucleus_left: Option<f64>,
    /// Least share of the pieces that must follow at their first pull (0–1); when absent, a half is asked for, but not to
    /// pass.
    pub followed_at_first: Option<f64>,
    /// Most full-power time, as a multiple of what the nucleus needs (1–100); when absent, 5, but not to pass.
    pub power_factor: Option<f64>,
}

/// How a nucleus is to be approached.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Approach {
    /// By chopping.
    Chop,
    /// Without a chop: it is too soft to crack, or not to be put under that load.
    WithoutChop,
}

/// What bears the lens.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SupportSpec {
    /// How slack posterior capsule and diaphragm are, a factor on their compliance (1 ordinary – 4 very lax; default 1).
    pub laxity: f64,
    /// Strength of the zonules from 1 o'clock to 12 o'clock (each 0 missing – 1 firm; default all 1).
    pub zonules: [f64; 12],
}

impl Default for SupportSpec {
    /// Firm all round: the unit of these scales (A).
    fn default() -> Self {
        Self { laxity: 1.0, zonules: [1.0; 12] }
    }
}

/// How the lens sticks to its capsule, and what hydrodissection has done about it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct AttachmentSpec {
    /// Adhesion of cortex to capsule, a factor on the ordinary (0–3; default 1).
    pub adhesion: f64,
    /// A further factor on it from 1 o'clock to 12 o'clock (each 0–3; default all 1).
    pub by_hour: [f64; 12],
    /// Share of the adhesion that hydrodissection has already freed when the attempt begins (0–1; default 0.85).
    pub freed: f64,
    /// Chance in each clock hour that a wave of fluid takes the wrong plane there (0–1; default 0).
    pub plane_error: f64,
}

impl Default for AttachmentSpec {
    /// A lens of ordinary adhesion, well but not wholly freed (A). A case that is to be hydrodissected states a lower
    /// `freed`.
    fn default() -> Self {
        Self { adhesion: 1.0, by_hour: [1.0; 12], freed: 0.85, plane_error: 0.0 }
    }
}

/// The lens capsule.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct CapsuleSpec {
    /// Thickness at the posterior pole, µm (1.5–10; default 3.5).
    pub posterior_um: f64,
}

impl Default for CapsuleSpec {
    /// Of the thickness measured at all ages (S: Barraquer 2006).
    fn default() -> Self {
        Self { posterior_um: 3.5 }
    }
}

/// The iris.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct IrisSpec {
    /// How readily it is pushed onto the capsule's rim when the chamber deepens (0 never, 1 ordinary – 3; default 1).
    pub laxity: f64,
}

impl Default for IrisSpec {
    /// The unit of the scale (A).
    fn default() -> Self {
        Self { laxity: 1.0 }
    }
}

/// What the machine's pump holds to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Pump {
    /// A flow, until the vacuum limit is reached (peristaltic).
    FlowSet,
    /// A vacuum, whatever flows (Venturi).
    VacuumSet,
}

/// The phaco machine, its tubing and its settings when the attempt begins. A plan's `Set` changes the settings.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct MachineSpec {
    /// Flow-set or vacuum-set (default flow-set).
    pub pump: Pump,
    /// Compliance of the aspiration line, µL/mmHg (0.001–0.5; default 0.1).
    pub line_compliance_ul_mmhg: f64,
    /// Resistance from bottle to chamber, mmHg/(mL/min) (0.05–1; default 0.3).
    pub infusion_resistance_mmhg_min_ml: f64,
    /// Leak at the wounds with 50 mmHg in the chamber, mL/min (0–20; default 2).
    pub leak_ml_min_at_50_mmhg: f64,
    /// Height of the bottle over the eye, cm (20–150; default 90).
    pub bottle_cm: f64,
    /// Aspiration flow of a flow-set pump, mL/min (5–60; default 30).
    pub flow_ml_min: f64,
    /// Vacuum limit, mmHg (0–700; default 300).
    pub vacuum_mmhg: f64,
    /// Stroke of the tip at full power, µm (15–100; default 80).
    pub stroke_um: f64,
    /// Frequency of the stroke, kHz (28–60; default 40).
    pub frequency_khz: f64,
    /// Whether the pedal commands vacuum and power apart (default false).
    pub dual_linear: bool,
}

impl Default for MachineSpec {
    /// Pump, pedal and settings are common practice (P). Line compliance 0.1 of about 0.05–0.2 µL/mmHg (M). Infusion
    /// resistance 0.3 of 0.09–0.34 mmHg/(mL/min) (S and D: CFD study, medengphy 2021.103741). Leak (A). Stroke and
    /// frequency from within 15–100 µm and 28–60 kHz (M: Packer 2005).
    fn default() -> Self {
        Self {
            pump: Pump::FlowSet,
            line_compliance_ul_mmhg: 0.1,
            infusion_resistance_mmhg_min_ml: 0.3,
            leak_ml_min_at_50_mmhg: 2.0,
            bottle_cm: 90.0,
            flow_ml_min: 30.0,
            vacuum_mmhg: 300.0,
            stroke_um: 80.0,
            frequency_khz: 40.0,
            dual_linear: false,
        }
    }
}

/// Viscoelastic in the chamber when the attempt begins.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct OvdSpec {
    /// Cohesive, which makes room, µL (0–300; default 0).
    pub cohesive_ul: f64,
    /// Dispersive, which coats and holds back, µL (0–300; default 0).
    pub dispersive_ul: f64,
}

/// Within which limits the learner may set rhexis and machine before operating; each lower and upper, both included.
/// Where they are equal, nothing may be set. They bind no plan and nothing that is set while operating.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct LimitsSpec {
    /// Diameter of the capsulorhexis, mm (each 3–7; default 4.5–5.5).
    pub rhexis_mm: (f64, f64),
    /// Height of the bottle over the eye, cm (each 20–150; default 70–110).
    pub bottle_cm: (f64, f64),
    /// Vacuum limit, mmHg (each 0–700; default 0–500).
    pub vacuum_mmhg: (f64, f64),
    /// Aspiration flow of a flow-set pump, mL/min (each 5–60; default 15–40).
    pub flow_ml_min: (f64, f64),
}

impl Default for LimitsSpec {
    /// Room enough on both sides of common practice for a choice to matter (A). A case whose own value lies outside
    /// widens the limit it does not write just so far that the value is allowed.
    fn default() -> Self {
        Self { rhexis_mm: (4.5, 5.5), bottle_cm: (70.0, 110.0), vacuum_mmhg: (0.0, 500.0), flow_ml_min: (15.0, 40.0) }
    }
}

impl LimitsSpec {
    /// Widened to hold a case's own values.
    fn with_room_for(self, case: &CaseSpec) -> Self {
        let widened = |(lower, upper): (f64, f64), own: f64| (lower.min(own), upper.max(own));
        let machine = case.machine();
        Self {
            rhexis_mm: widened(self.rhexis_mm, case.surgery.rhexis_mm),
            bottle_cm: widened(self.bottle_cm, machine.bottle_cm),
            vacuum_mmhg: widened(self.vacuum_mmhg, machine.vacuum_mmhg),
            flow_ml_min: widened(self.flow_ml_min, machine.flow_ml_min),
        }
    }
}

/// When an aid may be seen; what comes later helps less.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub enum Aid {
    /// From the beginning on.
    Always,
    /// From the first chop on: first the decision, then the look inside.
    AfterChop,
    /// Only when the attempt is over.
    DebriefOnly,
}

impl Aid {
    /// Every one, the earliest first.
    pub const ALL: [Self; 3] = [Self::Always, Self::AfterChop, Self::DebriefOnly];

    /// One step later; the last stays.
    pub fn later(self) -> Self {
        match self {
            Self::Always => Self::AfterChop,
            Self::AfterChop | Self::DebriefOnly => Self::DebriefOnly,
        }
    }

    /// In words that go on after the aid's name.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Always => "always",
            Self::AfterChop => "after the chop",
            Self::DebriefOnly => "in the debrief only",
        }
    }
}

/// What the learner is shown while operating.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TeachingSpec {
    /// When the section view may be seen (default after the chop).
    pub section: Aid,
    /// Whether an aid comes one step later after each pass of this case by the same person (default true).
    pub fades: bool,
    /// Whether readings that a surgeon would not have are hidden while operating, the section view among them (default
    /// false).
    pub exam: bool,
}

impl Default for TeachingSpec {
    /// Microscope first, section after commitment; help that goes as mastery comes (A).
    fn default() -> Self {
        Self { section: Aid::AfterChop, fades: true, exam: false }
    }
}

impl TeachingSpec {
    /// When the section view may be seen by someone who has passed this case so many times.
    pub fn section_after(&self, passes: u32) -> Aid {
        if self.exam {
            return Aid::DebriefOnly;
        }
        let steps = if self.fades { passes.min(Aid::ALL.len() as u32) } else { 0 };
        (0..steps).fold(self.section, |aid, _| aid.later())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_section_view_comes_one_step_later_with_each_pass_and_never_in_an_exam() {
        let after = |section, fades, exam| {
            [0, 1, 2, 3, u32::MAX].map(|n| TeachingSpec { section, fades, exam }.section_after(n))
        };
        use Aid::{AfterChop, Always, DebriefOnly};
        assert_eq!(after(Always, true, false), [Always, AfterChop, DebriefOnly, DebriefOnly, DebriefOnly]);
        assert_eq!(after(AfterChop, true, false), [AfterChop, DebriefOnly, DebriefOnly, DebriefOnly, DebriefOnly]);
        for section in Aid::ALL {
            assert_eq!(after(section, false, false), [section; 5]);
            assert_eq!(after(section, false, true), [DebriefOnly; 5]);
        }
        assert!(Aid::ALL.is_sorted());
    }
}

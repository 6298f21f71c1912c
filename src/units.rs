//! Units, conversions at the edges, and the ids that several rooms share.
//!
//! Inside the engine everything is in mm, g and s. These are coherent: pressure comes out in Pa, volume in µL,
//! force in µN, energy in nJ, and a toughness of 1 J/m² is 1000 nJ/mm². A field carries its unit as a suffix
//! (`depth_mm`, `purchase_un`). The units of the trade (mmHg, cmH₂O, mL/min, mN, degrees, kPa, J/m²) exist only at the
//! edges: in case files, plans, reports and on screen; the functions here take them across.

/// Ticks of the engine per simulated second unless a model says otherwise.
pub const TICKS_PER_SECOND: u32 = 240;

/// Pressure of 1 mmHg in Pa (conventional millimetre of mercury; exact by definition).
pub const PA_PER_MMHG: f64 = 133.322_387_415;

/// Toughness of 1 J/m² in nJ/mm².
pub const NJ_PER_MM2_PER_J_PER_M2: f64 = 1000.0;

/// kPa → Pa.
pub const PA_PER_KPA: f64 = 1000.0;

/// Density of the lens, mg/µL (ICRP 89/110, ± 4 %; from memory).
pub const LENS_DENSITY_MG_PER_UL: f64 = 1.07;

/// Degrees to radians.
pub fn radians(degrees: f64) -> f64 {
    degrees * (core::f64::consts::PI / 180.0)
}

/// Radians to degrees.
pub fn degrees(radians: f64) -> f64 {
    radians * (180.0 / core::f64::consts::PI)
}

/// mmHg to Pa.
pub fn pa_from_mmhg(mmhg: f64) -> f64 {
    mmhg * PA_PER_MMHG
}

/// mL/min to µL/s.
pub fn ul_s_from_ml_min(ml_min: f64) -> f64 {
    ml_min * (1000.0 / 60.0)
}

/// Pressure of a column of water to its height, cm (98.0665 Pa a centimetre; exact by definition).
pub fn cm_from_pa(pa: f64) -> f64 {
    pa / 98.0665
}

/// Pa to mmHg.
pub fn mmhg_from_pa(pa: f64) -> f64 {
    pa / PA_PER_MMHG
}

//! From a checked `CaseSpec` to the immutable `Model`, and the faults of meaning on the way.
//!
//! Every fault is found in one go; a warning does not stop the case. Units of the trade end here: from now on mm, g, s
//! and radians.

use crate::case::fault::Problem;
use crate::case::spec::{CaseSpec, Hand, LensSpec, Pump, Seat, Side};
use crate::sim::adhesion::{Bed, HOURS, Sticking};
use crate::sim::cells::Cells;
use crate::sim::circuit::{self, Plumbing, head_pa, inertance_pa_s2_ul, poiseuille_pa_s_ul};
use crate::sim::hands::{CORNEA_BACK_MM, Chopper, Incision, Needle};
use crate::sim::lens::{self, CORTEX, Core, Field, Plate, Shape, Tissue};
use crate::sim::membrane::{self, Mechanics, Membrane};
use crate::sim::removal::Vibration;
use crate::sim::zonules::Zonules;
use crate::sim::{Machine, Model};
use crate::units::{TICKS_PER_SECOND, pa_from_mmhg, radians, ul_s_from_ml_min};
use nalgebra::Vector3;

/// Distance of the inner openings of the incisions from the axis, mm (A: clear corneal tunnels).
const INCISION_RADIUS_MM: f64 = 5.0;

/// Room in the bag beyond the lens's diameter where the case does not give the bag, mm (A).
const BAG_MORE_MM: f64 = 0.6;

/// Least layer between core and capsule, mm.
const LEAST_SHELL_MM: f64 = 0.1;

/// Distance to the posterior capsule that is noted as near, as a share of the case's floor.
const NEAR_SHARE: f64 = 1.0;

/// Share by which a lens may differ from the published weight law without a warning.
pub const WEIGHT_TOLERANCE: f64 = 0.05;

/// Stiffness of the centre over that of the periphery in older lenses (Weeber 2007; S).
pub const STIFFNESS_RATIO: (f64, f64) = (5.8, 210.0);

/// How fine the engine works.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Resolution {
    /// Edge of a cell, mm.
    pub cell_mm: f64,
    /// Ticks per second.
    pub ticks_per_second: u32,
}

impl Default for Resolution {
    fn default() -> Self {
        Self { cell_mm: 0.2, ticks_per_second: TICKS_PER_SECOND }
    }
}

/// A model, and what is worth a second look in the case it came from.
#[derive(Clone, Debug)]
pub struct Compiled {
    /// The model.
    pub model: Model,
    /// Warnings.
    pub warnings: Vec<Problem>,
}

impl CaseSpec {
    /// The same eye on the other side, operated by a mirrored surgeon: everything mirrored at the plane x = 0.
    pub fn mirrored(&self) -> Self {
        let mut other = self.clone();
        other.eye.side = match self.eye.side {
            Side::Right => Side::Left,
            Side::Left => Side::Right,
        };
        other.surgery.needle_hand = match self.surgery.needle_hand {
            Hand::Right => Hand::Left,
            Hand::Left => Hand::Right,
        };
        other
    }

    /// +1 where the nose lies toward +x (3 o'clock), −1 where toward −x.
    fn nasal_sign(&self) -> f64 {
        match self.eye.side {
            Side::Right => 1.0,
            Side::Left => -1.0,
        }
    }
}

/// Shape of the lens a case describes: the laws for its age where it is silent.
pub fn shape(spec: &LensSpec) -> Shape {
    let thickness = spec.thickness_mm.unwrap_or_else(|| lens::thickness_in_eye_mm(spec.age_years));
    let diameter = spec.diameter_mm.unwrap_or_else(|| lens::diameter_in_eye_mm(spec.age_years, thickness));
    Shape::new(diameter, thickness)
}

/// The hardness field a case describes.
fn field(spec: &CaseSpec, seed: u64) -> Field {
    let shape = shape(&spec.lens);
    let core = &spec.lens.core;
    let middle = 0.5 * (shape.front_mm - shape.back_mm);
    let (nasal, superior, anterior) = core.offset_mm;
    Field {
        core: Core {
            grade: core.grade,
            centre_mm: Vector3::new(spec.nasal_sign() * nasal, superior, middle + anterior),
            radius_mm: 0.5 * core.diameter_mm,
            half_thickness_mm: 0.5 * core.thickness_mm,
            edge_mm: core.edge_mm,
        },
        shape,
        epinucleus_mm: spec.lens.epinucleus.thickness_mm,
        epinucleus_firmness: spec.lens.epinucleus.firmness,
        plate: spec
            .lens
            .plate
            .as_ref()
            .map(|p| Plate { thickness_mm: p.thickness_mm, toughness_factor: p.toughness_factor }),
        heterogeneity: spec.lens.heterogeneity,
        seed,
        nasal_sign: spec.nasal_sign(),
    }
}

/// Compile a case for one seed.
///
/// # Errors
/// Every fault of meaning, at least one: a core that does not fit the lens, a bore wider than its needle and the like.
pub fn compile(spec: &CaseSpec, seed: u64, resolution: Resolution) -> Result<Compiled, Vec<Problem>> {
    let problems = problems(spec);
    if problems.iter().any(|p| !p.is_warning) {
        return Err(problems);
    }
    let field = field(spec, seed);
    // Where the surgeon sits, as a direction from the axis; and the side port on the free hand's side.
    let seat = match spec.surgery.seat {
        Seat::Temporal => Vector3::new(-spec.nasal_sign(), 0.0, 0.0),
        Seat::Superior => Vector3::new(0.0, 1.0, 0.0),
    };
    let free_hand_is_left = spec.surgery.needle_hand == Hand::Right;
    let turn = radians(spec.surgery.side_port_deg) * if free_hand_is_left { -1.0 } else { 1.0 };
    let (s, c) = (libm::sin(turn), libm::cos(turn));
    let side = Vector3::new(c * seat.x - s * seat.y, s * seat.x + c * seat.y, 0.0);
    let sag = CORNEA_BACK_MM - libm::sqrt(CORNEA_BACK_MM * CORNEA_BACK_MM - INCISION_RADIUS_MM * INCISION_RADIUS_MM);
    let height = Vector3::z() * (field.shape.front_mm + (spec.eye.chamber_depth_mm - sag).max(0.2));
    let bag_mm = spec.eye.bag_diameter_mm.unwrap_or(2.0 * field.shape.equator_mm + BAG_MORE_MM);
    let (support, attachment, machine) = (spec.support(), spec.attachment(), spec.machine());
    let mut hasher = blake3::Hasher::new();
    hasher.update(env!("CARGO_PKG_VERSION").as_bytes());
    // Plain data of known length: serialisation into memory has no other way to fail.
    hasher.update(&postcard::to_stdvec(spec).unwrap_or_default());
    hasher.update(&seed.to_le_bytes());
    hasher.update(&resolution.cell_mm.to_le_bytes());
    hasher.update(&resolution.ticks_per_second.to_le_bytes());
    let model = Model {
        tick_s: 1.0 / f64::from(resolution.ticks_per_second),
        cells: Cells::new(&field, resolution.cell_mm),
        bag_radius_mm: 0.5 * bag_mm,
        rhexis_radius_mm: 0.5 * spec.surgery.rhexis_mm,
        needle: Needle {
            outer_radius_mm: 0.5 * spec.needle.outer_mm,
            bore_radius_mm: 0.5 * spec.needle.bore_mm,
            bevel_rad: radians(spec.needle.bevel_deg),
            exposed_mm: spec.needle.exposed_mm,
        },
        chopper: Chopper { end_mm: spec.chopper.end_mm, width_mm: spec.chopper.width_mm },
        main_incision: Incision { place_mm: seat * INCISION_RADIUS_MM + height },
        side_port: Incision { place_mm: side * INCISION_RADIUS_MM + height },
        chamber_depth_mm: spec.eye.chamber_depth_mm,
        pupil_mm: spec.eye.pupil_mm,
        iris_laxity: spec.iris().laxity,
        laxity: support.laxity,
        capsule_mm: 1e-3 * spec.capsule().posterior_um,
        capsule_strength_pa: membrane::strength_pa(spec.lens.age_years),
        vibration: Vibration { stroke_mm: 1e-3 * machine.stroke_um, frequency_hz: 1e3 * machine.frequency_khz },
        plumbing: plumbing(spec),
        membrane: Membrane::new(
            &field.shape,
            Mechanics::new(support.laxity, 0.0),
            MEMBRANE_GRID.0,
            MEMBRANE_GRID.1,
            1.0 / f64::from(resolution.ticks_per_second),
        ),
        bed: Bed::new(
            &field.shape,
            0.5 * spec.surgery.rhexis_mm,
            field.core.radius_mm,
            &Sticking {
                factor: by_sector(attachment.by_hour).map(|f| f * attachment.adhesion),
                plane_error: attachment.plane_error,
                seed,
            },
        ),
        freed: attachment.freed,
        zonules: Zonules {
            radius_mm: field.shape.equator_mm,
            share: by_sector(support.zonules),
            slack_mm: [SLACK_MM * (support.laxity - 1.0); HOURS],
        },
        machine: Machine {
            vacuum_limit_pa: pa_from_mmhg(machine.vacuum_mmhg),
            flow_limit_ul_s: ul_s_from_ml_min(machine.flow_ml_min),
            bottle_pa: head_pa(10.0 * machine.bottle_cm),
        },
        ovd_ul: [spec.ovd().cohesive_ul, spec.ovd().dispersive_ul],
        capsule_near_mm: NEAR_SHARE * spec.goals.capsule_floor_mm,
        field,
        digest: *hasher.finalize().as_bytes(),
    };
    Ok(Compiled { model, warnings: problems })
}

/// Rings and sectors of the membrane's grid (numerical: the rise of the pole within 2 %).
const MEMBRANE_GRID: (usize, usize) = (12, 24);

/// Stretch before a lax zonule pulls, mm per unit of laxity above 1 (A).
const SLACK_MM: f64 = 0.1;

/// From the case's list, 1 to 12 o'clock, to the engine's sectors, 12 to 11 o'clock.
fn by_sector(by_hour: [f64; HOURS]) -> [f64; HOURS] {
    core::array::from_fn(|sector| by_hour[(sector + HOURS - 1) % HOURS])
}

/// Infusion, coats, needle, line and pump of a case.
fn plumbing(spec: &CaseSpec) -> Plumbing {
    let (machine, ordinary) = (spec.machine(), Plumbing::default());
    let line = (LINE_BORE_MM, LINE_MM);
    let aspiration = |of: fn(f64, f64) -> f64| of(spec.needle.bore_mm, NEEDLE_MM) + of(line.0, line.1);
    Plumbing {
        rigidity_per_ul: spec.rigidity_per_ul(),
        diaphragm_pa_s_ul: ordinary.diaphragm_pa_s_ul / spec.support().laxity,
        infusion_pa_s_ul: pa_from_mmhg(machine.infusion_resistance_mmhg_min_ml) / ul_s_from_ml_min(1.0),
        leak_ul_s_pa: ul_s_from_ml_min(machine.leak_ml_min_at_50_mmhg) / pa_from_mmhg(50.0),
        aspiration_pa_s_ul: aspiration(poiseuille_pa_s_ul),
        aspiration_pa_s2_ul: aspiration(inertance_pa_s2_ul),
        line_ul_pa: machine.line_compliance_ul_mmhg / pa_from_mmhg(1.0),
        pump: match machine.pump {
            Pump::FlowSet => circuit::Pump::FlowSet,
            Pump::VacuumSet => circuit::Pump::VacuumSet,
        },
        ..ordinary
    }
}

/// Length of the needle's bore, and bore and length of the line, mm (A).
const NEEDLE_MM: f64 = 30.0;
const LINE_BORE_MM: f64 = 1.6;
const LINE_MM: f64 = 2000.0;

/// Faults of meaning and warnings.
pub fn problems(spec: &CaseSpec) -> Vec<Problem> {
    let mut found = Vec::new();
    let mut report = |field: &str, message: String, allowed: String, is_warning: bool| {
        found.push(Problem { field: field.to_string(), message, allowed, is_warning });
    };
    let shape = shape(&spec.lens);
    let core = &spec.lens.core;
    let (dx, dy, dz) = core.offset_mm;
    let aside = libm::hypot(dx, dy);
    let widest = 2.0 * (shape.equator_mm - LEAST_SHELL_MM - aside);
    if core.diameter_mm > widest {
        let message = format!(
            "the core ({:.2} mm across) does not fit the lens ({:.2} mm across)",
            core.diameter_mm,
            2.0 * shape.equator_mm
        );
        report("lens.core.diameter_mm", message, format!("at most {widest:.2} mm with this offset"), false);
    }
    let thickest = shape.thickness_mm() - 2.0 * (LEAST_SHELL_MM + dz.abs());
    if core.thickness_mm > thickest {
        let message = format!(
            "the core ({:.2} mm thick) does not fit the lens ({:.2} mm thick)",
            core.thickness_mm,
            shape.thickness_mm()
        );
        report("lens.core.thickness_mm", message, format!("at most {thickest:.2} mm with this offset"), false);
    } else if core.diameter_mm <= widest && !core_fits(spec, &shape) {
        let message = "the core's surface lies outside the lens, though each measure fits alone".to_string();
        report("lens.core", message, "a thinner or narrower core, or a smaller offset".to_string(), false);
    }
    if let Some(plate) = &spec.lens.plate
        && plate.thickness_mm > core.thickness_mm
    {
        let message = format!("the plate is thicker than the core ({:.2} mm)", core.thickness_mm);
        report("lens.plate.thickness_mm", message, format!("at most {:.2} mm", core.thickness_mm), false);
    }
    if spec.needle.bore_mm >= spec.needle.outer_mm {
        let message = format!("the bore is no narrower than the needle ({:.2} mm)", spec.needle.outer_mm);
        report("needle.bore_mm", message, format!("less than {:.2} mm", spec.needle.outer_mm), false);
    }
    if let Some(bag) = spec.eye.bag_diameter_mm
        && bag < 2.0 * shape.equator_mm
    {
        let message = format!("the bag is narrower than the lens ({:.2} mm)", 2.0 * shape.equator_mm);
        report("eye.bag_diameter_mm", message, format!("at least {:.2} mm", 2.0 * shape.equator_mm), false);
    }
    let (low, high) = spec.goals.depth_share;
    if low >= high {
        report(
            "goals.depth_share",
            "the lower end is not below the upper".to_string(),
            "lower < upper".to_string(),
            false,
        );
    }
    if let Some(limits) = &spec.limits {
        let machine = spec.machine();
        for (field, (lower, upper), own, own_field, unit) in [
            ("limits.rhexis_mm", limits.rhexis_mm, spec.surgery.rhexis_mm, "surgery.rhexis_mm", "mm"),
            ("limits.bottle_cm", limits.bottle_cm, machine.bottle_cm, "machine.bottle_cm", "cm"),
            ("limits.vacuum_mmhg", limits.vacuum_mmhg, machine.vacuum_mmhg, "machine.vacuum_mmhg", "mmHg"),
            ("limits.flow_ml_min", limits.flow_ml_min, machine.flow_ml_min, "machine.flow_ml_min", "mL/min"),
        ] {
            if lower > upper {
                let message = "the lower end is above the upper".to_string();
                report(field, message, "lower ≤ upper".to_string(), false);
            } else if !(lower..=upper).contains(&own) {
                let message = format!("leave out the case's own {own} {unit}");
                report(field, message, format!("limits that hold {own_field}"), false);
            }
        }
    }
    if spec.surgery.rhexis_mm > spec.eye.pupil_mm {
        let message = format!("the rhexis is wider than the pupil ({:.1} mm)", spec.eye.pupil_mm);
        report("surgery.rhexis_mm", message, format!("up to {:.1} mm lets the rim be seen", spec.eye.pupil_mm), true);
    }
    let weight = shape.volume_ul() * crate::units::LENS_DENSITY_MG_PER_UL;
    let law = lens::wet_weight_mg(spec.lens.age_years);
    if (weight / law - 1.0).abs() > WEIGHT_TOLERANCE {
        let message = format!(
            "a lens of this size weighs {weight:.0} mg, the law for {:.0} years says {law:.0} mg",
            spec.lens.age_years
        );
        let field = if spec.lens.thickness_mm.is_some() { "lens.thickness_mm" } else { "lens.diameter_mm" };
        report(field, message, "within 5 % of the law, unless this eye is meant to be unusual".to_string(), true);
    }
    let ratio = Tissue::nucleus(core.grade).modulus_pa / CORTEX.modulus_pa;
    if !(STIFFNESS_RATIO.0..=STIFFNESS_RATIO.1).contains(&ratio) {
        let message = format!("a core of grade {:.1} is {ratio:.0} times as stiff as its cortex", core.grade);
        let allowed = format!("{} to {} has been measured in older lenses", STIFFNESS_RATIO.0, STIFFNESS_RATIO.1);
        report("lens.core.grade", message, allowed, true);
    }
    found
}

/// Does the core's surface lie within the lens everywhere?
fn core_fits(spec: &CaseSpec, shape: &Shape) -> bool {
    let core = field(spec, 0).core;
    (0..=16).all(|i| {
        let latitude = core::f64::consts::PI * (f64::from(i) / 16.0 - 0.5);
        (0..24).all(|j| {
            let longitude = core::f64::consts::PI * f64::from(j) / 12.0;
            let level = core.radius_mm * libm::cos(latitude);
            let up = core.half_thickness_mm * libm::sin(latitude);
            let p = core.centre_mm + Vector3::new(level * libm::cos(longitude), level * libm::sin(longitude), up);
            shape.contains(&p)
        })
    })
}

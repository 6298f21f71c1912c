//! Published and analytic values touched by the lens and the needle. Each check names its source and standing: S read, M
//! from memory of the source, D derived.
#![allow(clippy::unwrap_used, reason = "tests")]

mod common;

use common::{case, model};
use corecleft::case::{STIFFNESS_RATIO, WEIGHT_TOLERANCE};
use corecleft::sim::hands::Needle;
use corecleft::sim::lens::{self, CORTEX, Tissue, griffith_strength_pa};
use corecleft::units::LENS_DENSITY_MG_PER_UL;

/// Augusteyn 2007, Mol Vis 13:a29 (S): wet weight 149 + 1.38·age mg, within 5 %. The lens is built from other laws
/// (Rosen 2006 excised diameter and thickness, M; Dubbelman 2001 thickness in the eye, M), and weighed by its cells.
#[test]
fn weight_follows_augusteyn_2007() {
    for age_years in [40.0, 50.0, 60.0, 70.0, 80.0, 90.0] {
        let mut spec = case();
        spec.lens.age_years = age_years;
        spec.eye.bag_diameter_mm = None;
        (spec.lens.core.diameter_mm, spec.lens.core.thickness_mm) = (3.0, 2.0);
        let model = model(&spec, 1);
        let weight_mg = model.cells.count() as f64 * model.cells.cell_ul() * LENS_DENSITY_MG_PER_UL;
        let law_mg = 149.0 + 1.38 * age_years;
        assert!(
            (weight_mg / law_mg - 1.0).abs() < WEIGHT_TOLERANCE,
            "{age_years} years: {weight_mg:.1} against {law_mg:.1} mg"
        );
    }
}

/// Dubbelman 2001, Optom Vis Sci 78:411 (M): thickness 2.93 + 0.024·age mm; and within two standard deviations of
/// cataract populations, 4.51 ± 0.46 mm (PMC8165789; S), from 50 to 80 years.
#[test]
fn thickness_follows_dubbelman_2001() {
    for age_years in [50.0, 65.0, 80.0] {
        let mut spec = case();
        spec.lens.age_years = age_years;
        spec.eye.bag_diameter_mm = None;
        (spec.lens.core.diameter_mm, spec.lens.core.thickness_mm) = (3.0, 2.0);
        let thickness_mm = model(&spec, 1).field.shape.thickness_mm();
        assert!((thickness_mm - (2.93 + 0.024 * age_years)).abs() < 1e-9);
        assert!((thickness_mm - 4.51).abs() < 2.0 * 0.46, "{thickness_mm}");
    }
}

/// Rosen 2006, Vision Res 46:1002 (S): front : back = 0.70.
#[test]
fn front_to_back_ratio_follows_rosen_2006() {
    let shape = model(&case(), 1).field.shape;
    assert!((shape.front_mm / shape.back_mm - 0.70).abs() < 1e-9);
}

/// Weeber 2007 (S): centre 5.8–210 times as stiff as the periphery. The engine's law keeps within that from grade 2 to 5;
/// outside a case is told so (`case::compile`). Kokova 2008 (S): hard cores, grades III–V, 2–6 MPa.
#[test]
fn stiffness_follows_weeber_2007_and_kokova_2008() {
    for grade in [2.0, 3.0, 4.0, 5.0] {
        let ratio = Tissue::nucleus(grade).modulus_pa / CORTEX.modulus_pa;
        assert!((STIFFNESS_RATIO.0..=STIFFNESS_RATIO.1).contains(&ratio), "grade {grade}: {ratio:.1}");
    }
    assert!((Tissue::nucleus(3.0).modulus_pa - 2.0e6).abs() < 1.0);
    assert!((Tissue::nucleus(5.0).modulus_pa - 6.0e6).abs() < 1.0);
    // Wilde 2012 (S): the nucleus is the stiffer from about 45 years; a grade of 0.1 is hardly so.
    assert!(Tissue::nucleus(0.1).modulus_pa < 2.0 * CORTEX.modulus_pa);
}

/// Griffith 1921: σ = √(E·G/(π·a)); 50 kPa, 10 J/m², 1 mm give 12.62 kPa (D, 1e-3).
#[test]
fn griffith_strength() {
    let found = griffith_strength_pa(50_000.0, 10_000.0, 1.0);
    assert!((found / 12_620.0 - 1.0).abs() < 1e-3, "{found}");
}

/// The assumed strength, toughness and modulus belong together: the crack that would fail at the assumed strength by
/// Griffith's law is as long as a few millimetres, the size of a core, so hard cores fail by strength and size alike.
#[test]
fn assumed_strength_and_toughness_imply_a_flaw_of_the_cores_size() {
    for grade in [3.0, 4.0, 5.0] {
        let t = Tissue::nucleus(grade);
        let flaw_mm =
            t.modulus_pa * t.toughness_nj_mm2 / 1000.0 / (core::f64::consts::PI * t.strength_pa * t.strength_pa)
                * 1000.0;
        assert!((1.0..10.0).contains(&flaw_mm), "grade {grade}: {flaw_mm:.2} mm");
        assert!((griffith_strength_pa(t.modulus_pa, t.toughness_nj_mm2, flaw_mm) / t.strength_pa - 1.0).abs() < 1e-9);
    }
}

/// Bevelled port, A/cos β: 0.9 mm bore at 30° gives 0.7346 mm² (D, 1e-3).
#[test]
fn bevel_area() {
    let needle = Needle { outer_radius_mm: 0.55, bore_radius_mm: 0.45, bevel_rad: 30f64.to_radians(), exposed_mm: 2.0 };
    assert!((needle.port_area_mm2() / 0.7346 - 1.0).abs() < 1e-3, "{}", needle.port_area_mm2());
}

/// Hold = P·πd²/4: 400 mmHg on a 0.9 mm bore cut straight gives 33.93 mN (D, 1e-3).
#[test]
fn hold_of_a_straight_port() {
    let needle = Needle { outer_radius_mm: 0.55, bore_radius_mm: 0.45, bevel_rad: 0.0, exposed_mm: 2.0 };
    let hold_mn = corecleft::units::pa_from_mmhg(400.0) * needle.port_area_mm2() / 1000.0;
    assert!((hold_mn / 33.93 - 1.0).abs() < 1e-3, "{hold_mn}");
}

/// The shape laws are those of their sources at 70 years: Rosen 2006 D 9.666, T 4.831 mm (M); Dubbelman 2001 T 4.61 mm (M).
#[test]
fn shape_laws_at_seventy() {
    let (diameter, thickness) = lens::excised_mm(70.0);
    assert!((diameter - 9.666).abs() < 1e-9 && (thickness - 4.831).abs() < 1e-9);
    assert!((lens::thickness_in_eye_mm(70.0) - 4.61).abs() < 1e-9);
    assert!((lens::wet_weight_mg(70.0) - 245.6).abs() < 1e-9);
}

//! How hard the lens is, in a section along the shaft as it lay before the chop: what a case's sheet leaves out.
//!
//! Hardness is a cell's toughness, told as the grade of a nucleus as tough (`Tissue::nucleus`). The lens is drawn as it was before
//! anything was done to it, in its own frame. Units: mm; the picture's are pixels at a width of [`WIDTH`]. Limits: a plane
//! shows one plane, and cells are as coarse as the engine's.

use crate::debrief::Facts;
use crate::debrief::watch::Burial;
use crate::sim::lens::Tissue;
use maud::{Markup, html};
use nalgebra::Vector3;
use std::fmt::Write as _;

/// Width of the picture, px.
pub const WIDTH: f64 = 768.0;

/// Scale, px/mm, and what is left free above and below the lens, mm.
const PX_PER_MM: f64 = 54.0;
const FREE_MM: f64 = 0.7;

/// Step of the drawing, mm.
const STEP_MM: f64 = 0.1;

/// Grades at which another shade begins; below the first, and where the legend says so, it is shell.
const GRADES: [f64; 5] = [1.0, 2.0, 3.0, 4.0, 5.0];

/// The plane of a section.
struct Plane {
    origin_mm: Vector3<f64>,
    along: Vector3<f64>,
}

impl Plane {
    /// Upright, through the shaft; without one through the axis.
    fn of(burial: Option<&Burial>) -> Self {
        let level = |v: Vector3<f64>| Vector3::new(v.x, v.y, 0.0);
        let along = burial.and_then(|b| level(b.in_lens.forward).try_normalize(1e-6)).unwrap_or_else(Vector3::x);
        let place_mm = burial.map_or(Vector3::zeros(), |b| level(b.in_lens.place_mm));
        Self { origin_mm: place_mm - along * place_mm.dot(&along), along }
    }

    /// A place by its way along the plane and its height.
    fn at(&self, u_mm: f64, z_mm: f64) -> Vector3<f64> {
        self.origin_mm + self.along * u_mm + Vector3::z() * z_mm
    }

    fn u_mm(&self, place_mm: &Vector3<f64>) -> f64 {
        place_mm.dot(&self.along)
    }

    fn radius_mm(&self, u_mm: f64) -> f64 {
        libm::hypot(self.origin_mm.norm(), u_mm)
    }
}

/// The grade of a nucleus that is as tough.
pub(crate) fn grade_of(toughness_nj_mm2: f64) -> f64 {
    let (one, two) = (Tissue::nucleus(1.0).toughness_nj_mm2, Tissue::nucleus(2.0).toughness_nj_mm2);
    1.0 + libm::log(toughness_nj_mm2 / one) / libm::log(two / one)
}

/// The shade of a toughness: 0 for shell, then one for each of [`GRADES`] that is reached.
fn shade_of(toughness_nj_mm2: f64) -> usize {
    let grade = grade_of(toughness_nj_mm2);
    GRADES.iter().filter(|g| grade >= **g).count()
}

/// The picture. `burial`: how the tip lay before the judged chop.
pub fn svg(facts: &Facts<'_>, burial: Option<&Burial>) -> Markup {
    let (shape, cells) = (&facts.model.field.shape, &facts.model.cells);
    let plane = Plane::of(burial);
    let x = |u_mm: f64| WIDTH / 2.0 + PX_PER_MM * u_mm;
    let y = |z_mm: f64| PX_PER_MM * (shape.front_mm + FREE_MM - z_mm);
    let high = PX_PER_MM * (shape.thickness_mm() + 2.0 * FREE_MM);
    let half_mm = STEP_MM * libm::ceil(shape.equator_mm / STEP_MM);

    // Runs of the same shade in a row become a bar.
    let mut shades: [String; GRADES.len() + 1] = Default::default();
    let steps = |length_mm: f64| libm::round(length_mm / STEP_MM) as i32;
    for row in 0..steps(libm::ceil(shape.thickness_mm() / STEP_MM) * STEP_MM) {
        let z_mm = shape.front_mm - STEP_MM * (f64::from(row) + 0.5);
        let shade_at = |column: i32| {
            let place_mm = plane.at(STEP_MM * (f64::from(column) + 0.5) - half_mm, z_mm);
            cells.at(&place_mm).map(|cell| shade_of(f64::from(cells.toughness_nj_mm2[cell as usize])))
        };
        let mut column = 0;
        let end = steps(2.0 * half_mm);
        while column < end {
            let shade = shade_at(column);
            let count = (column..end).take_while(|c| shade_at(*c) == shade).count() as i32;
            if let Some(shade) = shade {
                let (left, top) = (x(STEP_MM * f64::from(column) - half_mm), y(z_mm + 0.5 * STEP_MM));
                let (wide, tall) = (PX_PER_MM * STEP_MM * f64::from(count), PX_PER_MM * STEP_MM);
                let _ = write!(shades[shade], "M{left:.1} {top:.1}h{wide:.1}v{tall:.1}h-{wide:.1}z");
            }
            column += count;
        }
    }

    // The chord of the plane, walked so that it is dense where the surface is steep.
    let reach_mm = libm::sqrt((shape.equator_mm.powi(2) - plane.origin_mm.norm_squared()).max(0.0));
    let surface = |z_mm: &dyn Fn(f64) -> f64| {
        let points = (0..=80).map(|i| -reach_mm * libm::cos(core::f64::consts::PI * f64::from(i) / 80.0));
        points.map(|u| format!("{:.1},{:.1}", x(u), y(z_mm(plane.radius_mm(u))))).collect::<Vec<_>>().join(" ")
    };
    html! {
        svg.section role="img" aria-labelledby="section-title section-desc" viewBox=(format!("0 0 {WIDTH} {high:.0}")) {
            title id="section-title" { "Hardness of the lens in a section" }
            desc id="section-desc" { "From white, soft shell, to dark, as tough as a nucleus of grade 5 or more" }
            @for (shade, path) in shades.iter().enumerate() {
                @if !path.is_empty() { path class=(format!("shade-{shade}")) d=(path) {} }
            }
            polyline.front points=(surface(&|r| shape.anterior_z_mm(r))) {}
            polyline.capsule points=(surface(&|r| shape.posterior_z_mm(r))) {}
            @if let Some(burial) = burial { (needle(facts, burial, &plane, &x, &y)) }
            (legend(high))
        }
    }
}

/// The shaft with its port, cut along its length.
fn needle(facts: &Facts<'_>, burial: &Burial, plane: &Plane, x: &dyn Fn(f64) -> f64, y: &dyn Fn(f64) -> f64) -> Markup {
    let tip = &burial.in_lens;
    let across = Vector3::new(-plane.along.x * tip.forward.z, -plane.along.y * tip.forward.z, plane.u_mm(&tip.forward));
    let radius_mm = facts.model.needle.outer_radius_mm;
    let bevel_mm = radius_mm * libm::tan(facts.model.needle.bevel_rad) * libm::cos(tip.roll_rad);
    let corner = |along_mm: f64, across_mm: f64| {
        let place_mm = tip.place_mm + tip.forward * along_mm + across * across_mm;
        format!("{:.1},{:.1}", x(plane.u_mm(&place_mm)), y(place_mm.z))
    };
    let back_mm = -facts.model.needle.exposed_mm;
    let corners = [
        corner(back_mm, radius_mm),
        corner(-bevel_mm, radius_mm),
        corner(bevel_mm, -radius_mm),
        corner(back_mm, -radius_mm),
    ];
    html! { polyline.needle points=(corners.join(" ")) {} }
}

fn legend(high: f64) -> Markup {
    let top = high - 20.0;
    let label = |shade: usize| match shade {
        0 => "shell".to_string(),
        s if s == GRADES.len() => format!("{:.0} or more", GRADES[s - 1]),
        s => format!("{:.0}–{:.0}", GRADES[s - 1], GRADES[s]),
    };
    html! {
        text.aside x="4" y=(format!("{:.1}", top + 11.0)) { "As tough as grade" }
        @for shade in 0..=GRADES.len() {
            @let left = 108.0 + 84.0 * shade as f64;
            rect class=(format!("key shade-{shade}")) x=(format!("{left:.1}")) y=(format!("{top:.1}")) width="16" height="14" {}
            text x=(format!("{:.1}", left + 21.0)) y=(format!("{:.1}", top + 11.0)) { (label(shade)) }
        }
        line.rule x1=(format!("{:.1}", WIDTH - 10.0 - PX_PER_MM)) x2=(format!("{:.1}", WIDTH - 10.0)) y1=(format!("{top:.1}")) y2=(format!("{top:.1}")) {}
        text x=(format!("{:.1}", WIDTH - 10.0 - PX_PER_MM)) y=(format!("{:.1}", top + 14.0)) { "1 mm" }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shades_follow_the_grade_of_a_nucleus() {
        for (grade, shade) in [(1.0, 1), (1.9, 1), (2.01, 2), (3.5, 3), (4.99, 4), (6.0, 5)] {
            let toughness = Tissue::nucleus(grade).toughness_nj_mm2;
            assert!((grade_of(toughness) - grade).abs() < 1e-9, "{grade}");
            assert_eq!(shade_of(toughness * (1.0 + 1e-9)), shade, "{grade}");
        }
        assert_eq!(shade_of(Tissue::nucleus(0.5).toughness_nj_mm2), 0);
    }
}

//! Surfaces that do not come out of the engine's cells: instruments, iris, sclera, cornea, rhexis. mm, eye frame or the
//! instrument's own.

use bevy::asset::RenderAssetUsages;
use bevy::mesh::{Indices, PrimitiveTopology};
use bevy::prelude::*;
use std::f32::consts::TAU;

/// Points, normals, marks and triangles of a surface. Of the marks, `uv` is read by `eye.wgsl` as each kind needs it, `colour`
/// as the place in the lens at rest and the core weight.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Surface {
    /// Places, mm.
    pub places: Vec<[f32; 3]>,
    /// Unit normals.
    pub normals: Vec<[f32; 3]>,
    /// Marks.
    pub uvs: Vec<[f32; 2]>,
    /// More marks.
    pub colours: Vec<[f32; 4]>,
    /// Triangles.
    pub indices: Vec<u32>,
}

impl Surface {
    /// As the renderer takes it.
    pub fn mesh(self) -> Mesh {
        let colours = if self.colours.is_empty() { vec![[0.0; 4]; self.places.len()] } else { self.colours };
        Mesh::new(PrimitiveTopology::TriangleList, RenderAssetUsages::RENDER_WORLD)
            .with_inserted_attribute(Mesh::ATTRIBUTE_POSITION, self.places)
            .with_inserted_attribute(Mesh::ATTRIBUTE_NORMAL, self.normals)
            .with_inserted_attribute(Mesh::ATTRIBUTE_UV_0, self.uvs)
            .with_inserted_attribute(Mesh::ATTRIBUTE_COLOR, colours)
            .with_inserted_indices(Indices::U32(self.indices))
    }

    fn point(&mut self, place: Vec3, normal: Vec3, uv: [f32; 2]) -> u32 {
        self.places.push(place.to_array());
        self.normals.push(normal.normalize_or(Vec3::Z).to_array());
        self.uvs.push(uv);
        self.places.len() as u32 - 1
    }

    /// A grid of `rows` × `columns` points, closed round where `is_round`.
    fn grid(
        &mut self,
        rows: u32,
        columns: u32,
        is_round: bool,
        mut at: impl FnMut(f32, f32) -> (Vec3, Vec3, [f32; 2]),
    ) {
        let first = self.places.len() as u32;
        for row in 0..rows {
            for column in 0..columns {
                let across = columns - u32::from(!is_round);
                let (place, normal, uv) = at(row as f32 / (rows - 1) as f32, column as f32 / across as f32);
                self.point(place, normal, uv);
            }
        }
        for row in 1..rows {
            for column in 0..columns - u32::from(!is_round) {
                let next = (column + 1) % columns;
                let [a, b] = [first + (row - 1) * columns + column, first + (row - 1) * columns + next];
                let [c, d] = [a + columns, b + columns];
                self.indices.extend([a, b, c, b, d, c]);
            }
        }
    }
}

/// Corners round a tube.
const ROUND: u32 = 40;

/// A tube along +x from `from` to `to`, mm; its end at `from` is cut at a bevel whose lip leads on the side away from +y.
struct Tube {
    from_mm: f32,
    to_mm: f32,
    radius_mm: f32,
    bevel_rad: f32,
}

impl Tube {
    fn draw(&self, surface: &mut Surface, is_inside: bool, shade: f32) {
        let Self { from_mm, to_mm, radius_mm, bevel_rad } = *self;
        let sign = if is_inside { -1.0 } else { 1.0 };
        surface.grid(2, ROUND, true, |along, round| {
            let (s, c) = (round * TAU).sin_cos();
            // As `sim::hands::Needle::ring_mm`: on the side the port faces the lip stands back.
            let lip = from_mm - radius_mm * c * bevel_rad.tan();
            let x = lip + (to_mm - lip) * along;
            (Vec3::new(x, radius_mm * c, radius_mm * s), sign * Vec3::new(0.0, c, s), [shade, 1.0])
        });
    }
}

/// The needle in its own frame: tip at the origin, forward along +x, the port facing +y; as far back as `back_mm`.
pub fn needle(outer_mm: f32, bore_mm: f32, bevel_rad: f32, back_mm: f32) -> Surface {
    let mut surface = Surface::default();
    Tube { from_mm: 0.0, to_mm: -back_mm, radius_mm: outer_mm, bevel_rad }.draw(&mut surface, false, 1.0);
    Tube { from_mm: 0.0, to_mm: -2.5, radius_mm: bore_mm, bevel_rad }.draw(&mut surface, true, 0.16);
    // The ground face between both.
    let face = Vec3::new(bevel_rad.cos(), bevel_rad.sin(), 0.0);
    surface.grid(2, ROUND, true, |along, round| {
        let (s, c) = (round * TAU).sin_cos();
        let r = bore_mm + (outer_mm - bore_mm) * along;
        (Vec3::new(-r * c * bevel_rad.tan(), r * c, r * s), face, [1.35, 1.0])
    });
    // The bottom of the bore: nothing but dark.
    surface.grid(2, ROUND, true, |along, round| {
        let (s, c) = (round * TAU).sin_cos();
        (Vec3::new(-2.4, bore_mm * along * c, bore_mm * along * s), Vec3::X, [0.02, 1.0])
    });
    surface
}

/// The sleeve: from `from_mm` behind the tip back to `back_mm`; it tapers at its end and has its irrigation ports aside.
pub fn sleeve(outer_mm: f32, from_mm: f32, back_mm: f32) -> Surface {
    let mut surface = Surface::default();
    let wide = sleeve_radius_mm(outer_mm);
    let profile = [(0.0, outer_mm + 0.02), (0.15, outer_mm + 0.10), (0.5, wide), (back_mm - from_mm, wide)];
    for pair in profile.windows(2) {
        let [(a, ra), (b, rb)] = [pair[0], pair[1]];
        surface.grid(2, ROUND, true, |along, round| {
            let (s, c) = (round * TAU).sin_cos();
            let r = ra + (rb - ra) * along;
            let slope = (rb - ra) / (b - a);
            (Vec3::new(-(from_mm + a + (b - a) * along), r * c, r * s), Vec3::new(slope, c, s), [1.0, 0.0])
        });
    }
    surface
}

/// Outside radius of the sleeve, mm.
pub fn sleeve_radius_mm(outer_mm: f32) -> f32 {
    outer_mm + 0.2
}

/// A rod with a rounded end, along +x from the origin back to `back_mm`; it tapers from `tip_mm` to `wide_mm` radius over
/// `taper_mm`, and is flattened across z by `flat`.
pub fn rod(tip_mm: f32, wide_mm: f32, taper_mm: f32, back_mm: f32, flat: f32) -> Surface {
    let mut surface = Surface::default();
    let radius = |x: f32| tip_mm + (wide_mm - tip_mm) * (x / taper_mm.max(1e-3)).clamp(0.0, 1.0);
    surface.grid(6, ROUND, true, |along, round| {
        let (s, c) = (round * TAU).sin_cos();
        let (e, f) = (along * TAU / 4.0).sin_cos();
        (Vec3::new(tip_mm * (f - 1.0), tip_mm * e * c, tip_mm * e * s * flat), Vec3::new(f, e * c, e * s), [1.0, 0.0])
    });
    surface.grid(8, ROUND, true, |along, round| {
        let (s, c) = (round * TAU).sin_cos();
        let x = tip_mm + along * (back_mm - tip_mm);
        (Vec3::new(-x, radius(x) * c, radius(x) * s * flat), Vec3::new(0.0, c, s), [1.0, 0.0])
    });
    surface
}

/// The iris from the pupil's rim to its root, mm: a shallow slope, thicker at the collarette, its free edge rounded.
pub fn iris(pupil_radius_mm: f32, pupil_z_mm: f32, root_z_mm: f32) -> Surface {
    let mut surface = Surface::default();
    const ROOT_MM: f32 = 5.95;
    let height = |r: f32| {
        let way = ((r - pupil_radius_mm) / (ROOT_MM - pupil_radius_mm)).clamp(0.0, 1.0);
        pupil_z_mm + (root_z_mm - pupil_z_mm) * way + 0.12 * (-((r - pupil_radius_mm - 0.75) / 0.4).powi(2)).exp()
    };
    surface.grid(24, 96, true, |along, round| {
        let (s, c) = (round * TAU).sin_cos();
        let r = pupil_radius_mm + (ROOT_MM - pupil_radius_mm) * along * along.sqrt();
        let slope = (height(r + 0.02) - height(r)) / 0.02;
        // The free edge turns down.
        let edge = (1.0 - along * 14.0).max(0.0);
        let z = height(r) - 0.14 * edge * edge;
        (
            Vec3::new(r * c, r * s, z),
            Vec3::new(-c * (slope + 1.5 * edge), -s * (slope + 1.5 * edge), 1.0),
            [along, round],
        )
    });
    surface
}

/// The white of the eye round the limbus, mm.
pub fn sclera(limbus_z_mm: f32) -> Surface {
    let mut surface = Surface::default();
    const LIMBUS_MM: f32 = 5.75;
    const RADIUS_MM: f32 = 11.8;
    let centre_z = limbus_z_mm - (RADIUS_MM * RADIUS_MM - LIMBUS_MM * LIMBUS_MM).sqrt();
    surface.grid(24, 96, true, |along, round| {
        let (s, c) = (round * TAU).sin_cos();
        let r = LIMBUS_MM + (11.5 - LIMBUS_MM) * along;
        let z = centre_z + (RADIUS_MM * RADIUS_MM - r * r).max(0.0).sqrt();
        (Vec3::new(r * c, r * s, z), Vec3::new(r * c, r * s, z - centre_z), [along, round])
    });
    surface
}

/// A dome over the limbus, mm: the cornea's front.
pub fn cornea(apex_z_mm: f32) -> Surface {
    let mut surface = Surface::default();
    const RADIUS_MM: f32 = 7.8;
    const LIMBUS_MM: f32 = 5.8;
    surface.grid(28, 96, true, |along, round| {
        let (s, c) = (round * TAU).sin_cos();
        let r = LIMBUS_MM * along;
        let z = (RADIUS_MM * RADIUS_MM - r * r).sqrt();
        (Vec3::new(r * c, r * s, apex_z_mm - RADIUS_MM + z), Vec3::new(r * c, r * s, z), [along, round])
    });
    surface
}

/// A ring about the axis, as thick as a thread: `at(turn)` gives its place, mm.
pub fn ring(thread_mm: f32, at: impl Fn(f32) -> Vec3) -> Surface {
    let mut surface = Surface::default();
    surface.grid(97, 8, true, |along, round| {
        let (place, next) = (at(along), at(along + 1e-3));
        let ahead = (next - place).normalize_or(Vec3::X);
        let up = Vec3::Z;
        let out = ahead.cross(up).normalize_or(Vec3::Y);
        let (s, c) = (round * TAU).sin_cos();
        let normal = out * c + up * s;
        (place + normal * thread_mm, normal, [along, round])
    });
    surface
}

/// A square across the axis, mm.
pub fn square(half_mm: f32, z_mm: f32) -> Surface {
    let mut surface = Surface::default();
    surface.grid(2, 2, false, |v, u| {
        (Vec3::new((2.0 * u - 1.0) * half_mm, (2.0 * v - 1.0) * half_mm, z_mm), Vec3::Z, [u, v])
    });
    surface
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_needles_lips_lie_where_the_engine_has_them() {
        use crate::sim::hands::{Needle, Tip};
        use nalgebra::Vector3;
        let engine = Needle { outer_radius_mm: 0.55, bore_radius_mm: 0.45, bevel_rad: 0.5, exposed_mm: 2.5 };
        let tip = Tip { place_mm: Vector3::zeros(), forward: Vector3::x(), roll_rad: 0.0 };
        let drawn = needle(0.55, 0.45, 0.5, 10.0);
        let (up, across) = tip.cross_axes();
        for lip in engine.ring_mm(&tip, 1.0, 12) {
            let lip = Vec3::new(lip.x as f32, lip.dot(&up) as f32, lip.dot(&across) as f32);
            let nearest = drawn.places.iter().map(|p| (Vec3::from(*p) - lip).length()).fold(f32::INFINITY, f32::min);
            assert!(nearest < 0.06, "{lip} is {nearest} mm from the nearest corner");
        }
    }

    #[test]
    fn normals_are_of_unit_length_and_triangles_name_points() {
        let all = [
            needle(0.55, 0.45, 0.5, 10.0),
            sleeve(0.55, 2.0, 12.0),
            rod(0.1, 0.25, 1.0, 12.0, 0.6),
            iris(3.2, 1.0, 1.4),
            sclera(2.6),
            cornea(4.4),
            ring(0.03, |t| Vec3::new((t * TAU).cos(), (t * TAU).sin(), 0.0)),
            square(9.0, -8.0),
        ];
        for surface in all {
            let count = surface.places.len() as u32;
            assert!(surface.indices.iter().all(|i| *i < count));
            assert!(surface.normals.iter().all(|n| (Vec3::from(*n).length() - 1.0).abs() < 1e-4));
            assert!(surface.places.iter().flatten().all(|x| x.is_finite()));
        }
    }
}

//! How a lens looks: colour and clarity by the grade the slit lamp suggests, which need not be the grade it is.
//!
//! Units: grades are decimal LOCS III; absorption 1/mm, per channel of linear red, green and blue. Values are assumed (A): chosen by
//! eye so that the scale runs from clear grey over amber to brown, as the standard's words have it; the shell is clearer than
//! the core at every grade.

use bevy::math::Vec3;

/// Thickness of nucleus that the transmissions below are for, mm.
const THROUGH_MM: f32 = 4.0;

/// By grade: what a nucleus lets through, and the colour it scatters.
const BY_GRADE: [(f32, [f32; 3], [f32; 3]); 7] = [
    (0.5, [0.97, 0.96, 0.92], [0.60, 0.63, 0.60]),
    (2.0, [0.93, 0.86, 0.64], [0.66, 0.62, 0.44]),
    (3.0, [0.85, 0.66, 0.33], [0.66, 0.53, 0.26]),
    (4.0, [0.70, 0.44, 0.15], [0.58, 0.39, 0.14]),
    (5.0, [0.50, 0.24, 0.06], [0.42, 0.23, 0.08]),
    (6.0, [0.32, 0.12, 0.03], [0.28, 0.13, 0.05]),
    (6.9, [0.20, 0.06, 0.01], [0.19, 0.08, 0.034]),
];

/// How a tissue looks.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// Absorption, 1/mm.
    pub absorbs: Vec3,
    /// Colour scattered, linear, 0..1.
    pub scatters: Vec3,
    /// How opaque its surface is, 0..1.
    pub opaque: f32,
}

/// Core and shell of a lens whose nucleus looks like this grade.
pub fn looks(grade: f32) -> (Look, Look) {
    let (through, scatters) = by_grade(grade);
    let core = Look {
        absorbs: through.map(|t| -t.ln() / THROUGH_MM),
        scatters,
        opaque: (0.16 + 0.085 * grade).clamp(0.0, 0.8),
    };
    let (shell_through, shell_scatters) = by_grade(0.5 + 0.25 * grade);
    let shell = Look {
        absorbs: shell_through.map(|t| -t.ln() / (1.6 * THROUGH_MM)),
        scatters: shell_scatters * 0.8,
        opaque: 0.10 + 0.012 * grade,
    };
    (core, shell)
}

fn by_grade(grade: f32) -> (Vec3, Vec3) {
    let above = BY_GRADE.iter().position(|(g, ..)| *g >= grade).unwrap_or(BY_GRADE.len() - 1).max(1);
    let [(a, ta, sa), (b, tb, sb)] = [BY_GRADE[above - 1], BY_GRADE[above]];
    let share = ((grade - a) / (b - a)).clamp(0.0, 1.0);
    (Vec3::from(ta).lerp(Vec3::from(tb), share), Vec3::from(sa).lerp(Vec3::from(sb), share))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_harder_looking_nucleus_is_darker_and_browner() {
        let grades = [0.5, 1.0, 2.0, 3.0, 3.7, 4.0, 5.0, 6.0, 6.9];
        for pair in grades.windows(2) {
            let ((soft, _), (hard, _)) = (looks(pair[0]), looks(pair[1]));
            assert!(hard.absorbs.cmpgt(soft.absorbs).all(), "{pair:?}");
            assert!(hard.opaque > soft.opaque, "{pair:?}");
            let warmth = |look: Look| look.scatters.x / look.scatters.z;
            assert!(warmth(hard) >= warmth(soft) * 0.9, "{pair:?}");
        }
        let (core, shell) = looks(4.0);
        assert!(shell.absorbs.cmplt(core.absorbs).all() && shell.opaque < core.opaque);
    }
}

//! What a hand aims at: the pieces as they lie, and how the port can meet one.
//!
//! The performer sees what a surgeon sees through the microscope: where pieces lie, where their tissue begins, what lies in
//! the way. Places are of the eye unless said; mm, rad.
//!
//! Limits: pieces are seen through each other, as no surgeon could; what is hidden is only ever judged coarsely.

use crate::sim::burial::FIRM_PA;
use crate::sim::hands::{HandPose, Needle, Tip, rise_over_rim_mm};
use crate::sim::pieces::{GONE, LEAST_NUCLEUS_UL};
use crate::sim::pose::Pose;
use crate::sim::{Model, State};
use crate::units::radians;
use nalgebra::Vector3;

/// Smallest piece that is aimed at of itself, µL.
const LEAST_PIECE_UL: f64 = 0.5;

/// Every so many cells one is looked at for a piece's middle; a prime, so that no row of the grid is left out.
const SPARSE: usize = 7;

/// Tip angle of gripping, degrees (P).
pub(super) const GRIP_DEG: f64 = 35.0;

/// Distance to the posterior capsule that a hand keeps of itself, mm (A).
pub(super) const FLOOR_MM: f64 = 1.0;

/// Distance from the axis at which a whole lens is gripped, mm (A: within any rhexis).
const GRIP_WHOLE_MM: f64 = 1.5;

/// Length of the way to a piece that is looked over, and the spacing of looks, mm.
const LOOK_MM: f64 = 5.0;
const LOOK_STEP_MM: f64 = 0.1;

/// Slopes at which a hand would come to a piece, degrees below the level.
const SLOPES_DEG: [f64; 5] = [0.0, 20.0, 40.0, 60.0, 85.0];

/// Heights above a piece's middle at which it would be met, mm.
const HEIGHTS_MM: [f64; 3] = [0.8, 0.4, 0.0];

/// How much of the port's cover an obstacle all the way is worth.
const OBSTACLE: f64 = 2.0;

/// Distance from the axis below which a piece lies toward no clock hour, mm.
const CENTRAL_MM: f64 = 0.3;

/// Direction of a clock hour: 12 is +y, 3 is +x.
pub(super) fn direction(hour: u8) -> Vector3<f64> {
    let turn = radians(30.0 * f64::from(hour));
    Vector3::new(libm::sin(turn), libm::cos(turn), 0.0)
}

/// The fragment that the hands work on: the one on the tip.
pub(super) fn aimed_at(state: &State) -> u16 {
    state.needle.as_ref().map_or(0, |n| n.body)
}

/// Where a fragment is when no hand presses it.
pub(super) fn seat(state: &State, body: u16) -> Pose {
    let pose = state.lens.pose_of(body);
    if state.lens.is_whole() { Pose { place_mm: pose.place_mm - state.lens.pushed_mm, ..pose } } else { pose }
}

/// Height of the core's anterior surface over a place, as it lies in a fragment. Beyond the core's outline there is no
/// surface to measure from; the eye goes on from its rim.
pub(super) fn core_top(model: &Model, state: &State, body: u16, p: &Vector3<f64>) -> f64 {
    let core = &model.field.core;
    let seat = seat(state, body);
    let mut top_mm = p.z;
    // A tilted piece has its surface elsewhere at another height: a second look settles it.
    for _ in 0..2 {
        let local = seat.from_eye(&Vector3::new(p.x, p.y, top_mm));
        top_mm += core.anterior_z_mm(local.x, local.y).unwrap_or(core.centre_mm.z) - local.z;
    }
    top_mm
}

/// The fragment whose tissue lies at a place so deep below the core's surface, or first below that place.
pub(super) fn body_below(model: &Model, state: &State, (x, y): (f64, f64), depth_mm: f64) -> u16 {
    let guess = aimed_at(state);
    let at = |z: f64| state.lens.at_eye(model, &Vector3::new(x, y, z)).map(|(_, body)| body);
    let top = core_top(model, state, guess, &Vector3::new(x, y, 0.0));
    let column = (0..60).map(|i| model.field.shape.front_mm + state.lens.raised_mm - 0.1 * f64::from(i));
    at(top - depth_mm).or_else(|| column.into_iter().find_map(at)).unwrap_or(guess)
}

/// A piece as it is seen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Piece {
    /// Its number.
    pub body: u16,
    /// Its middle, mm.
    pub middle_mm: Vector3<f64>,
}

/// Is a cell of the kind that is aimed at: nucleus as long as any is left, soft shell then?
fn is_sought(model: &Model, has_nucleus: bool, cell: usize) -> bool {
    !has_nucleus || model.cells.core_weight[cell] >= 0.5
}

/// The pieces worth aiming at: those with nucleus as long as there are any, and their middle is that of the nucleus.
fn pieces(model: &Model, state: &State) -> Vec<Piece> {
    let lens = &state.lens;
    let has_nucleus = lens.nucleus_ul.iter().any(|ul| *ul >= LEAST_PIECE_UL);
    let sought_ul = if has_nucleus { &lens.nucleus_ul } else { &lens.volume_ul };
    let mut sums = vec![(Vector3::zeros(), 0.0); lens.volume_ul.len()];
    for (cell, place_mm) in model.cells.place_mm.iter().enumerate().step_by(SPARSE) {
        let sum = lens.fragment.get(cell).and_then(|body| sums.get_mut(usize::from(*body)));
        if let Some((sum, count)) = sum.filter(|_| is_sought(model, has_nucleus, cell)) {
            *sum += place_mm;
            *count += 1.0;
        }
    }
    let is_worth = |body: u16| sought_ul[usize::from(body)] >= LEAST_PIECE_UL && sums[usize::from(body)].1 > 0.0;
    lens.bodies()
        .filter(|body| is_worth(*body))
        .map(|body| {
            let (sum, count) = sums[usize::from(body)];
            Piece { body, middle_mm: lens.pose_of(body).to_eye(&(sum / count)) }
        })
        .collect()
}

/// The piece toward a clock hour, or else the one nearest to the tip.
pub(super) fn choose(model: &Model, state: &State, hour: Option<u8>, tip_mm: &Vector3<f64>) -> Option<Piece> {
    if state.lens.is_whole() {
        let aside = hour.map_or(Vector3::zeros(), |h| direction(h) * GRIP_WHOLE_MM);
        return Some(Piece { body: 0, middle_mm: seat(state, 0).to_eye(&model.field.core.centre_mm) + aside });
    }
    let away = |piece: &Piece| match hour {
        Some(hour) => {
            let radius_mm = libm::hypot(piece.middle_mm.x, piece.middle_mm.y);
            if radius_mm < CENTRAL_MM { 0.0 } else { -piece.middle_mm.dot(&direction(hour)) / radius_mm }
        }
        None => (piece.middle_mm - tip_mm).norm(),
    };
    pieces(model, state).into_iter().min_by(|a, b| away(a).total_cmp(&away(b)))
}

/// The middle of the largest of the pieces meant, mm.
pub(super) fn largest_mm(model: &Model, state: &State, is_meant: impl Fn(u16) -> bool) -> Option<Vector3<f64>> {
    let size_ul = |p: &Piece| (state.lens.nucleus_ul[usize::from(p.body)], state.lens.volume_ul[usize::from(p.body)]);
    let meant = pieces(model, state).into_iter().filter(|p| is_meant(p.body));
    let by_size = |a: &Piece, b: &Piece| {
        let ((a, whole_a), (b, whole_b)) = (size_ul(a), size_ul(b));
        a.total_cmp(&b).then(whole_a.total_cmp(&whole_b))
    };
    meant.max_by(by_size).map(|p| p.middle_mm)
}

/// How the port is brought onto a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Approach {
    /// Where the piece's tissue begins, mm.
    pub contact_mm: Vector3<f64>,
    /// The way in, unit vector.
    pub along: Vector3<f64>,
    /// How far beyond contact firm tissue begins, mm; 0 where there is none near.
    pub soft_mm: f64,
    /// Roll with which the port faces the piece, rad.
    pub roll_rad: f64,
}

/// The best way onto a piece: of some slopes and heights the one with which the port would be covered most and least lies in
/// the way. `None` where no tissue is met.
pub(super) fn approach(model: &Model, state: &State, piece: &Piece, roll_rad: Option<f64>) -> Option<Approach> {
    let goals = HEIGHTS_MM.map(|height_mm| piece.middle_mm + Vector3::z() * height_mm);
    best_way(model, state, piece.body, &goals, roll_rad, &[]).map(|(_, way)| way)
}

/// The best way onto any of the pieces meant, looked for all over them but near places where it failed before; of ways that
/// are good enough the one to most of the nucleus.
pub(super) fn way_to_any(
    model: &Model,
    state: &State,
    is_meant: impl Fn(u16) -> bool,
    failed_mm: &[Vector3<f64>],
) -> Option<Approach> {
    let lens = &state.lens;
    let has_nucleus = lens.nucleus_ul.iter().any(|ul| *ul >= LEAST_PIECE_UL);
    let mut best: Option<(f64, Approach)> = None;
    for piece in pieces(model, state).into_iter().filter(|p| is_meant(p.body)) {
        let is_own = |cell: &usize| lens.fragment[*cell] == piece.body && is_sought(model, has_nucleus, *cell);
        let cells: Vec<usize> = (0..model.cells.count()).step_by(SPARSE).filter(is_own).collect();
        let spacing = (cells.len() / WAY_LOOKS).max(1);
        let pose = lens.pose_of(piece.body);
        let goals = cells.into_iter().step_by(spacing).map(|cell| pose.to_eye(&model.cells.place_mm[cell]));
        let goals: Vec<_> = goals.chain([piece.middle_mm]).collect();
        let Some((score, way)) = best_way(model, state, piece.body, &goals, None, failed_mm) else { continue };
        let value = score.min(GOOD_WAY) + PER_UL * lens.nucleus_ul[usize::from(piece.body)];
        if best.is_none_or(|(most, _)| value > most) {
            best = Some((value, way));
        }
    }
    best.filter(|(value, _)| *value > LEAST_WAY).map(|(_, way)| way)
}

/// Cells of a piece to which ways are looked for.
const WAY_LOOKS: usize = 24;

/// Score from which a way is good enough, what a µL of nucleus behind it is worth, and the least that both together must be
/// for a try (A).
const GOOD_WAY: f64 = 0.9;
const PER_UL: f64 = 0.01;
const LEAST_WAY: f64 = 0.5;

/// How far from a place where it failed the next try is made, mm (A).
const ELSEWHERE_MM: f64 = 0.6;

/// The way to any of some places of a fragment that scores best, with its score.
fn best_way(
    model: &Model,
    state: &State,
    body: u16,
    goals_mm: &[Vector3<f64>],
    roll_rad: Option<f64>,
    failed_mm: &[Vector3<f64>],
) -> Option<(f64, Approach)> {
    // A whole lens can be met from above only.
    let slopes_deg = if state.lens.is_whole() { &SLOPES_DEG[3..] } else { &SLOPES_DEG[..] };
    let mut best: Option<(f64, Approach)> = None;
    for goal_mm in goals_mm {
        let radius_mm = libm::hypot(goal_mm.x, goal_mm.y);
        let outward = if radius_mm < CENTRAL_MM { goal_mm - model.main_incision.place_mm } else { *goal_mm };
        let outward = Vector3::new(outward.x, outward.y, 0.0).try_normalize(1e-9).unwrap_or(Vector3::x());
        for slope_deg in slopes_deg {
            let slope = radians(*slope_deg);
            let along = outward * libm::cos(slope) - Vector3::z() * libm::sin(slope);
            let Some(way) = look_along(model, state, body, goal_mm, along, roll_rad) else { continue };
            let has_failed = failed_mm.iter().any(|p| (p - way.1.contact_mm).norm() < ELSEWHERE_MM);
            if !has_failed && best.is_none_or(|(score, _)| way.0 > score + 1e-9) {
                best = Some(way);
            }
        }
    }
    best
}

/// Look along one way to a piece: how good it is, and what it is.
fn look_along(
    model: &Model,
    state: &State,
    body: u16,
    goal_mm: &Vector3<f64>,
    along: Vector3<f64>,
    roll_rad: Option<f64>,
) -> Option<(f64, Approach)> {
    let steps = (LOOK_MM / LOOK_STEP_MM) as u32;
    let at = |p: &Vector3<f64>| state.lens.at_eye(model, p);
    let start_mm = goal_mm - along * LOOK_MM;
    let own = |i: &u32| at(&(start_mm + along * (LOOK_STEP_MM * f64::from(*i)))).filter(|(_, b)| *b == body);
    let first = (0..=steps).find(|i| own(i).is_some())?;
    let contact_mm = start_mm + along * (LOOK_STEP_MM * f64::from(first));
    let firm = |i: &u32| own(i).is_some_and(|(cell, _)| f64::from(model.cells.strength_pa[cell]) >= FIRM_PA);
    let soft_mm = (first..=steps).find(firm).map_or(0.0, |i| LOOK_STEP_MM * f64::from(i - first));

    let pose = HandPose::needle_at(&model.main_incision, &contact_mm, radians(GRIP_DEG), 0.0);
    let flat = Tip { place_mm: contact_mm, forward: pose.forward(), roll_rad: 0.0 };
    let (up, across) = flat.cross_axes();
    let facing_rad = libm::atan2(-along.dot(&across), along.dot(&up));
    let tip = Tip { roll_rad: roll_rad.unwrap_or(facing_rad), ..flat };

    // Out of bounds: where the rim stops the shaft, where the capsule is near.
    let shape = &model.field.shape;
    let carried = state.lens.carried_mm();
    let rise_mm = rise_over_rim_mm(&tip, model.rhexis_radius_mm, |r| shape.anterior_z_mm(r) + state.lens.raised_mm);
    let is_low = shape.distance_to_posterior_mm(&(contact_mm - carried)) < FLOOR_MM;
    // In the way: tissue of any piece round the tip before contact, above where that begins, and along the shaft.
    let radius_mm = model.needle.outer_radius_mm;
    let clear_mm = contact_mm - along * (2.0 * radius_mm);
    let is_in_way = |p: Vector3<f64>| f64::from(u8::from(at(&p).is_some()));
    let before: f64 = [up, -up, across, -across].map(|d| is_in_way(clear_mm + d * (0.8 * radius_mm))).iter().sum();
    let above: f64 = (0..10).map(|i| is_in_way(clear_mm + Vector3::z() * (0.3 * f64::from(i)))).sum();
    let shaft: f64 = (2..12).map(|i| is_in_way(tip.behind_mm(0.3 * f64::from(i)))).sum();
    let obstacles = (before + above + shaft) / 24.0;

    let covered = |beyond_mm: f64| cover(model, state, body, &Tip { place_mm: contact_mm + along * beyond_mm, ..tip });
    let cover = covered(0.0).max(covered(0.2)).max(covered(0.4));
    let score = cover - OBSTACLE * obstacles - rise_mm - if is_low { OBSTACLE } else { 0.0 };
    Some((score, Approach { contact_mm, along, soft_mm, roll_rad: tip.roll_rad }))
}

/// Share of a port that a fragment would cover.
fn cover(model: &Model, state: &State, body: u16, tip: &Tip) -> f64 {
    let bore = Needle { outer_radius_mm: model.needle.bore_radius_mm, ..model.needle.clone() };
    let facing = tip.facing(model.needle.bevel_rad) * model.cells.size_mm;
    let points = bore.ring_mm(tip, 0.87, 8).chain(bore.ring_mm(tip, 0.5, 4));
    points.filter(|p| state.lens.at_eye(model, &(p + facing)).is_some_and(|(_, b)| b == body)).count() as f64 / 12.0
}

/// Where a tip would take most of a piece.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Bite {
    /// Where the tip meets tissue, mm.
    pub contact_mm: Vector3<f64>,
    /// Tip angle, rad.
    pub elevation_rad: f64,
    /// How far the tip may go on from there, mm.
    pub length_mm: f64,
}

/// The place and angle at which the tip, going on along its shaft, would take most of the pieces meant, with least in the
/// way and never near the posterior capsule. `None` where none is worth it.
pub(super) fn bite(model: &Model, state: &State, is_meant: impl Fn(u16) -> bool) -> Option<Bite> {
    let lens = &state.lens;
    let has_nucleus = (0u16..).zip(&lens.nucleus_ul).any(|(body, ul)| *ul > LEAST_NUCLEUS_UL && is_meant(body));
    let meant = |cell: &usize| {
        let is_meant = lens.fragment.get(*cell).is_some_and(|b| *b != GONE && is_meant(*b));
        is_meant && is_sought(model, has_nucleus, *cell)
    };
    let cells: Vec<usize> = (0..model.cells.count()).filter(meant).collect();
    let spacing = (cells.len() / BITE_LOOKS).max(1);
    let mut best: Option<(f64, Bite)> = None;
    for cell in cells.into_iter().step_by(spacing) {
        let at_mm = lens.pose_of(lens.fragment[cell]).to_eye(&model.cells.place_mm[cell]);
        for elevation_deg in BITE_DEG {
            let Some(bite) = look_at_bite(model, state, &is_meant, has_nucleus, &at_mm, radians(elevation_deg)) else {
                continue;
            };
            if best.is_none_or(|(score, _)| bite.0 > score + 1e-9) {
                best = Some(bite);
            }
        }
    }
    best.filter(|(score, _)| *score > LEAST_BITE_MM).map(|(_, bite)| bite)
}

/// Look along the shaft through a place: how good a bite it would be, and what it is.
fn look_at_bite(
    model: &Model,
    state: &State,
    is_meant: &impl Fn(u16) -> bool,
    has_nucleus: bool,
    at_mm: &Vector3<f64>,
    elevation_rad: f64,
) -> Option<(f64, Bite)> {
    let pose = HandPose::needle_at(&model.main_incision, at_mm, elevation_rad, 0.0);
    let tip = Tip { place_mm: *at_mm, forward: pose.forward(), roll_rad: 0.0 };
    let (up, across) = tip.cross_axes();
    let reach = 0.6 * model.needle.outer_radius_mm;
    let offsets = [Vector3::zeros(), up * reach, -up * reach, across * reach, -across * reach];
    let tissue = |along_mm: f64| {
        let p = at_mm + tip.forward * along_mm;
        offsets.map(|d| state.lens.at_eye(model, &(p + d)))
    };
    let worth = |(cell, body): &(usize, u16)| match (is_meant(*body), is_sought(model, has_nucleus, *cell)) {
        (false, _) => 0.0,
        (true, false) => SHELL_WORTH,
        (true, true) => 1.0,
    };
    // Back to where the piece begins.
    let touches = |found: &[Option<(usize, u16)>; 5]| found.iter().flatten().any(|(_, b)| is_meant(*b));
    let mut from_mm = 0.0;
    while from_mm > -BITE_BACK_MM && touches(&tissue(from_mm - BITE_STEP_MM)) {
        from_mm -= BITE_STEP_MM;
    }
    let carried = state.lens.carried_mm();
    let floor_mm = |along_mm: f64| {
        let p = at_mm + tip.forward * (along_mm + model.needle.outer_radius_mm) - carried;
        model.field.shape.distance_to_posterior_mm(&p)
    };
    // Where the rim holds the shaft off, the hand does not go.
    let is_off_rim = |along_mm: f64| {
        let there = Tip { place_mm: at_mm + tip.forward * along_mm, ..tip };
        let front_mm = |r| model.field.shape.anterior_z_mm(r) + state.lens.raised_mm;
        rise_over_rim_mm(&there, model.rhexis_radius_mm, front_mm) <= 0.0
    };
    let may_be_at = |along_mm: f64| floor_mm(along_mm) > FLOOR_MM && is_off_rim(along_mm);
    let (mut taken_mm, mut length_mm) = (0.0, 0.0);
    while length_mm < BITE_MM && may_be_at(from_mm + length_mm) {
        let found = tissue(from_mm + length_mm);
        taken_mm += found.iter().flatten().map(worth).sum::<f64>() / 5.0 * BITE_STEP_MM;
        length_mm += BITE_STEP_MM;
    }
    if length_mm <= 0.0 {
        return None;
    }
    let way = (1..=(BITE_WAY_MM / BITE_STEP_MM) as u32).map(|i| from_mm - BITE_STEP_MM * f64::from(i));
    let in_way_mm: f64 = way.map(|along| tissue(along).iter().flatten().count() as f64 / 5.0 * BITE_STEP_MM).sum();
    let score = taken_mm - OBSTACLE * in_way_mm;
    Some((score, Bite { contact_mm: at_mm + tip.forward * from_mm, elevation_rad, length_mm }))
}

/// Cells looked at for a bite, tip angles tried, and the spacing of looks along the shaft, mm.
const BITE_LOOKS: usize = 60;
const BITE_DEG: [f64; 2] = [35.0, 55.0];
const BITE_STEP_MM: f64 = 0.2;

/// How far back a piece is followed, how long a bite is at most, how far the way there is looked over, and the least a bite
/// must take, mm (A).
const BITE_BACK_MM: f64 = 4.0;
const BITE_MM: f64 = 3.0;
const BITE_WAY_MM: f64 = 3.0;
const LEAST_BITE_MM: f64 = 0.3;

/// What soft shell in a bite is worth beside nucleus (A).
const SHELL_WORTH: f64 = 0.2;

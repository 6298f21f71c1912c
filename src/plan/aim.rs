//! What a hand aims at: the pieces as they lie, and how the port can meet one.
//!
//! The performer sees what a surgeon sees through the microscope: where pieces lie, where their tissue begins, what lies in
//! the way. Places are of the eye unless said; mm, rad.
//!
//! Limits: pieces are seen through each other, as no surgeon could; what is hidden is only ever judged coarsely.

use crate::sim::burial::FIRM_PA;
use crate::sim::hands::{HandPose, Needle, Tip, rise_over_rim_mm};
use crate::sim::pose::Pose;
use crate::sim::{Model, State};
use crate::units::radians;
use nalgebra::Vector3;

/// Smallest piece that is aimed at of itself, µL.
const LEAST_PIECE_UL: f64 = 0.5;

/// Every so many cells one is looked at for a piece's middle; a prime, so that no row of the grid is left out.
const SPARSE: usize = 7;

/// The same for its nearest tissue.
const LESS_SPARSE: usize = 3;

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

/// The pieces worth aiming at.
fn pieces(model: &Model, state: &State) -> Vec<Piece> {
    let lens = &state.lens;
    let mut sums = vec![(Vector3::zeros(), 0.0); lens.volume_ul.len()];
    for (cell, place_mm) in model.cells.place_mm.iter().enumerate().step_by(SPARSE) {
        if let Some((sum, count)) = lens.fragment.get(cell).and_then(|body| sums.get_mut(usize::from(*body))) {
            *sum += place_mm;
            *count += 1.0;
        }
    }
    let is_worth = |body: u16| lens.volume_ul[usize::from(body)] >= LEAST_PIECE_UL && sums[usize::from(body)].1 > 0.0;
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
    let Piece { body, middle_mm } = *piece;
    let radius_mm = libm::hypot(middle_mm.x, middle_mm.y);
    let from_hand = middle_mm - model.main_incision.place_mm;
    let outward = if radius_mm < CENTRAL_MM { from_hand } else { middle_mm };
    let outward = Vector3::new(outward.x, outward.y, 0.0).try_normalize(1e-9).unwrap_or(Vector3::x());
    // A whole lens can be met from above only.
    let slopes_deg = if state.lens.is_whole() { &SLOPES_DEG[3..] } else { &SLOPES_DEG[..] };
    let mut best: Option<(f64, Approach)> = None;
    for height_mm in HEIGHTS_MM {
        for slope_deg in slopes_deg {
            let slope = radians(*slope_deg);
            let along = outward * libm::cos(slope) - Vector3::z() * libm::sin(slope);
            let goal_mm = middle_mm + Vector3::z() * height_mm;
            let Some(way) = look_along(model, state, body, &goal_mm, along, roll_rad) else { continue };
            if best.is_none_or(|(score, _)| way.0 > score + 1e-9) {
                best = Some(way);
            }
        }
    }
    best.map(|(_, approach)| approach)
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
    let facing = facing(model, tip) * model.cells.size_mm;
    let points = bore.ring_mm(tip, 0.87, 8).chain(bore.ring_mm(tip, 0.5, 4));
    points.filter(|p| state.lens.at_eye(model, &(p + facing)).is_some_and(|(_, b)| b == body)).count() as f64 / 12.0
}

/// Where the port faces.
fn facing(model: &Model, tip: &Tip) -> Vector3<f64> {
    let (up, _) = tip.cross_axes();
    tip.forward * libm::cos(model.needle.bevel_rad) + up * libm::sin(model.needle.bevel_rad)
}

/// The tissue of a fragment that a tip would reach first; what lies behind its port counts as further away.
pub(super) fn nearest_tissue(model: &Model, state: &State, body: u16, tip: &Tip) -> Option<Vector3<f64>> {
    let pose = state.lens.pose_of(body);
    let place_mm = pose.from_eye(&tip.place_mm);
    let facing = pose.direction_from_eye(&facing(model, tip));
    let mut nearest: Option<(f64, Vector3<f64>)> = None;
    for (cell, at_mm) in model.cells.place_mm.iter().enumerate().step_by(LESS_SPARSE) {
        if state.lens.fragment.get(cell) != Some(&body) {
            continue;
        }
        let d = at_mm - place_mm;
        let distance = 1.5 * libm::sqrt(d.norm_squared()) - d.dot(&facing);
        if nearest.is_none_or(|(least, _)| distance < least) {
            nearest = Some((distance, *at_mm));
        }
    }
    nearest.map(|(_, at_mm)| pose.to_eye(&at_mm))
}

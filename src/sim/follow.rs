//! Does a piece follow? The engine pulls and sees.
//!
//! Once the lens is in pieces each is a rigid body in the bag (`fragments`). The port holds the piece that covers it with
//! what vacuum and bed provide; the hand pulls; what resists is contact with neighbours and bag, adhesion to the capsule,
//! the hinge of an unfinished crack, weight and drag. A stretch during which the hand moves with a piece on the tip is a
//! *pull*; when it ends it is noted whether the piece came along, what held it, and by how much purchase exceeded the
//! largest load.
//!
//! A pull on one side of a hinged body also loads its unfinished crack (`opening`), which may give way then.
//!
//! Limits: inflow draws pieces as a sink in a half-space does; a piece below 0.1 µL counts as washed away. mm, µN, s.

use crate::sim::chamber;
use crate::sim::event::{EventKind, HeldBy};
use crate::sim::fragments::{Bag, Bodies, Rod, outline};
use crate::sim::pieces::{self, LEAST_NUCLEUS_UL};
use crate::sim::pose::Pose;
use crate::sim::{Inputs, Model, NeedleState, State};
use nalgebra::Vector3;
use serde::{Deserialize, Serialize};

/// Smallest piece that is a body, µL; what is smaller is washed away (A).
const LEAST_BODY_UL: f64 = 0.1;

/// Share of its volume a piece loses before its outline is drawn anew.
const REBUILD_SHARE: f64 = 0.02;

/// Speed of the tip at which a pull begins, and at which it is over, mm/s (A).
const PULL_BEGINS_MM_S: f64 = 0.5;
const PULL_ENDS_MM_S: f64 = 0.1;

/// Time the tip rests before a pull is over, s (A).
const PULL_RESTS_S: f64 = 0.1;

/// Way of the tip from which a pull says something, mm (A).
const LEAST_PULL_MM: f64 = 0.8;

/// Share of that way a piece must have come along (A).
const FOLLOWED: f64 = 0.6;

/// Occlusion below which a piece that did not follow was poorly held rather than held back (A).
const POOR_OCCLUSION: f64 = 0.6;

/// Reach of the inflow's pull, mm (A).
const INFLOW_REACH_MM: f64 = 5.0;

/// Speed at which suction draws a piece onto the port, mm/s (A).
const FEED_MM_S: f64 = 8.0;

/// Occlusion up to which it feeds.
const FED: f64 = 0.95;

/// Opening angle of the sectors a crescent is made of, rad.
const SECTOR_RAD: f64 = core::f64::consts::FRAC_PI_4;

/// A stretch of pulling.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Pull {
    /// The piece on the tip.
    pub body: u16,
    /// Tick at which it began.
    pub tick: u64,
    /// Where the tip was, mm.
    pub from_mm: Vector3<f64>,
    /// Where the bag was, mm.
    pub bag_mm: Vector3<f64>,
    /// The place of the piece that was on the tip then, in its own frame, mm.
    pub at_body_mm: Vector3<f64>,
    /// Greatest of what held the piece on the tip, µN.
    pub purchase_un: f64,
    /// Least occlusion.
    pub occlusion: f64,
    /// Vacuum at its highest, Pa.
    pub vacuum_pa: f64,
    /// Largest load, and of what it was made up, µN.
    pub load: Load,
    /// Time the tip has rested, s.
    pub rested_s: f64,
}

/// What resists a pull, µN.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Load {
    /// Force of the hold as read.
    pub held_un: f64,
    /// What an unfinished crack can still carry.
    pub hinge_un: f64,
    /// Contact with other pieces and the bag.
    pub neighbours_un: f64,
    /// What adhesion to the capsule can carry.
    pub adhesion_un: f64,
}

impl Load {
    /// What it takes to bring the piece along: what was pulled with, or more where something still holds that was not
    /// overcome.
    fn total_un(&self, followed: bool) -> f64 {
        let still_held = if followed { 0.0 } else { self.hinge_un + self.adhesion_un + self.neighbours_un };
        self.held_un.max(still_held)
    }
}

/// Move the pieces for a tick.
pub fn advance(model: &Model, state: &mut State, _: &Inputs) {
    let Some(mut bodies) = state.bodies.take().or_else(|| begin(model, state)) else {
        watch_pull(model, state, None);
        return;
    };
    // In steps that do not show, so that what rests is not woken by every breath of pressure.
    if (state.lens.raised_mm - bodies.bag().shift_mm).abs() > RAISE_STEP_MM {
        bodies.set_bag(Bag { shift_mm: state.lens.raised_mm, ..*bodies.bag() });
    }
    keep_up(model, state, &mut bodies);
    bodies.set_rods(&rods(model, state));
    hold(model, state, &mut bodies);
    press(model, state, &mut bodies);
    draw(model, state, &mut bodies);
    stick(model, state, &mut bodies);
    if state.turned_rad != 0.0 {
        turn(state, &mut bodies);
    }
    let before: Vec<Option<Vector3<f64>>> = bodies.ids().into_iter().map(|b| bodies.middle_mm(b)).collect();
    bodies.advance(model.tick_s);
    pin(state, &mut bodies);
    for body in bodies.ids() {
        if let (Some(pose), Some(place)) = (bodies.pose(body), state.lens.pose.get_mut(usize::from(body))) {
            *place = pose;
        }
    }
    slip(state, &bodies);
    wear(state, &bodies, &before);
    watch_pull(model, state, Some(&bodies));
    state.bodies = Some(bodies);
}

/// The first time the lens is in pieces: a body for each.
fn begin(model: &Model, state: &State) -> Option<Box<Bodies>> {
    if state.lens.is_whole() {
        return None;
    }
    let shape = &model.field.shape;
    let bag = Bag {
        radius_mm: model.bag_radius_mm,
        back_mm: shape.back_mm,
        front_mm: shape.front_mm,
        rhexis_mm: model.rhexis_radius_mm,
        chamber_radius_mm: model.bag_radius_mm + CHAMBER_MORE_MM,
        roof_mm: shape.front_mm + model.chamber_depth_mm,
        shift_mm: state.lens.raised_mm,
    };
    Some(Box::new(Bodies::new(bag)))
}

/// Step in which the bag is moved with the fluid, mm (numerical).
const RAISE_STEP_MM: f64 = 0.01;

/// How much wider the chamber is than the bag, mm (A).
const CHAMBER_MORE_MM: f64 = 0.5;

/// Give every piece a body that fits what is left of it; what has become too small is washed away.
fn keep_up(model: &Model, state: &mut State, bodies: &mut Bodies) {
    for body in 0..state.lens.volume_ul.len() as u16 {
        let volume_ul = state.lens.volume_ul[usize::from(body)];
        note_removed(state, body);
        let Some(built_ul) = bodies.volume_ul(body) else {
            if volume_ul >= LEAST_BODY_UL {
                bodies.insert(body, &hulls(model, state, body), volume_ul, &state.lens.pose_of(body));
            } else if volume_ul > 0.0 {
                state.lens.lose(&model.cells, body);
            }
            continue;
        };
        if volume_ul < LEAST_BODY_UL {
            bodies.remove(body);
            state.lens.lose(&model.cells, body);
        } else if (built_ul - volume_ul).abs() > REBUILD_SHARE * built_ul {
            bodies.rebuild(body, &hulls(model, state, body), volume_ul);
        }
    }
}

/// All the nucleus of a piece has been taken; with the last one the nucleus is out, unless some of it sank.
fn note_removed(state: &mut State, body: u16) {
    let at = usize::from(body);
    if !state.lens.is_nuclear[at] || state.lens.nucleus_ul[at] >= LEAST_NUCLEUS_UL {
        return;
    }
    state.lens.is_nuclear[at] = false;
    let has_sunk = |k: &EventKind| matches!(k, EventKind::PieceSank { fragment, .. } if *fragment == body);
    if state.latest(has_sunk).is_some() {
        return;
    }
    let cause = state.latest(|k| matches!(k, EventKind::Gripped { fragment, .. } if *fragment == body));
    let removed = state.note(cause, EventKind::PieceRemoved { fragment: body });
    let some_sank = state.latest(|k| matches!(k, EventKind::PieceSank { .. })).is_some();
    if !some_sank && !state.lens.is_nuclear.contains(&true) {
        let chips_ul: f64 = state.lens.nucleus_ul.iter().sum();
        let shell_ul = state.lens.volume_ul.iter().sum::<f64>() - chips_ul;
        state.note(Some(removed), EventKind::NucleusRemoved { chips_ul, shell_ul });
    }
}

/// The outline of a piece: one hull, or, where its middle is hollow, a hull for each sector about the lens's axis.
fn hulls(model: &Model, state: &State, body: u16) -> Vec<Vec<Vector3<f64>>> {
    let cells = &model.cells;
    let of_body = |cell: usize| state.lens.fragment[cell] == body;
    let places: Vec<Vector3<f64>> = (0..cells.count()).filter(|c| of_body(*c)).map(|c| cells.place_mm[c]).collect();
    let middle = places.iter().sum::<Vector3<f64>>() / places.len().max(1) as f64;
    let is_hollow = !cells.at(&middle).is_some_and(|c| of_body(c as usize));
    if !is_hollow {
        return vec![outline(&places)];
    }
    let mut sectors = vec![Vec::new(); 8];
    for p in places {
        let turn = libm::atan2(p.y, p.x) + core::f64::consts::PI;
        sectors[((turn / SECTOR_RAD) as usize).min(7)].push(p);
    }
    sectors.iter().filter(|s| s.len() >= LEAST_CELLS).map(|s| outline(s)).collect()
}

/// Fewer cells make no hull.
const LEAST_CELLS: usize = 4;

/// Needle, chopper shaft and chopper end as they stand now.
fn rods(model: &Model, state: &State) -> [Option<Rod>; 3] {
    let needle = state.needle.as_ref().map(|n| Rod {
        tip_mm: n.tip.place_mm,
        axis: -n.tip.forward,
        length_mm: SHAFT_MM,
        radius_mm: model.needle.outer_radius_mm,
    });
    let blade = state.chopper.as_ref().map(|c| &c.blade);
    let end = blade.map(|b| {
        let d = b.bend_mm - b.point_mm;
        let length_mm = d.norm().max(1e-6);
        Rod { tip_mm: b.point_mm, axis: d / length_mm, length_mm, radius_mm: 0.5 * model.chopper.width_mm }
    });
    let shaft = blade.map(|b| {
        let d = model.side_port.place_mm - b.bend_mm;
        let length_mm = d.norm().max(1e-6);
        Rod { tip_mm: b.bend_mm, axis: d / length_mm, length_mm, radius_mm: 0.5 * model.chopper.width_mm }
    });
    // In the midst of a chop the opening says how the sides move.
    let is_chopping = state.opening.is_some() || state.found.is_some();
    [needle, if is_chopping { None } else { shaft }, if is_chopping { None } else { end }]
}

/// Length of the needle as a rod that holds, mm.
const SHAFT_MM: f64 = 1.2;

/// The port holds what covers it, and the bed what the tip stands in.
fn hold(model: &Model, state: &mut State, bodies: &mut Bodies) {
    let Some(needle) = &state.needle else { return bodies.let_go() };
    let touches = needle.occlusion > LEAST_OCCLUSION || needle.buried_mm > 0.0;
    if !touches || bodies.volume_ul(needle.body).is_none() {
        bodies.let_go();
        note_grip(state, None);
        return;
    }
    let body = needle.body;
    let pose = state.lens.pose_of(body);
    // The place held stays as long as the hold carries the load; what it cannot carry slips.
    let now_mm = pose.from_eye(&needle.tip.place_mm);
    let stays = bodies.held() == Some(body) && !bodies.is_slipping();
    let mut at_body_mm = bodies.held_at_mm().filter(|_| stays).unwrap_or(now_mm);
    let forward = pose.direction_from_eye(&needle.tip.forward);
    // Suction draws the piece onto the port until its middle lies in tissue.
    let is_in_tissue = state.lens.at_eye_first(model, &needle.tip.place_mm, body).is_some_and(|(_, b)| b == body);
    let is_before = needle.occlusion > LEAST_OCCLUSION && needle.cover < FED;
    let is_fed = needle.purchase_un > 0.0 && is_before && !is_in_tissue && !bodies.is_slipping();
    // What is eaten away before the port is made up for by the piece coming up.
    let eaten_mm_s =
        if needle.occlusion > LEAST_OCCLUSION { state.removal.rate_ul_s / model.needle.port_area_mm2() } else { 0.0 };
    let fed_mm = if is_fed { FEED_MM_S.max(eaten_mm_s) } else { eaten_mm_s } * model.tick_s;
    at_body_mm += forward * (needle.entered_mm + fed_mm);
    at_body_mm += pose.direction_from_eye(&drawn_over_mm(model, state, needle, bodies.is_slipping()));
    // Pushed ahead it holds by what it bears, drawn back by vacuum and friction.
    let is_pressed = bodies.held_force_un().dot(&needle.tip.forward) > 0.0;
    let most_un =
        if is_pressed && needle.buried_mm > 0.0 { needle.bearing_un } else { needle.hold_un(model, &state.lens) };
    bodies.hold(body, &at_body_mm, most_un);
    note_grip(state, Some(body));
}

/// How far the piece is drawn over the port in a tick from the side on which it covers it, mm, eye frame: before what is open
/// yet pressure is low, and the piece's edge there is pushed that way by the pressure all round. Where the piece stands
/// beside the shaft it cannot go over it.
fn drawn_over_mm(model: &Model, state: &State, needle: &NeedleState, is_slipping: bool) -> Vector3<f64> {
    let aside = needle.aside_mm.norm();
    if needle.purchase_un <= 0.0 || is_slipping || aside < LEAST_ASIDE_MM {
        return Vector3::zeros();
    }
    let toward = needle.aside_mm / aside;
    let beside_mm = model.needle.outer_radius_mm + 0.5 * model.cells.size_mm;
    let wall_mm = needle.tip.behind_mm(2.0 * model.cells.size_mm) + toward * beside_mm;
    if state.lens.at_eye_first(model, &wall_mm, needle.body).is_some_and(|(_, b)| b == needle.body) {
        return Vector3::zeros();
    }
    needle.aside_mm * (FEED_MM_S * model.tick_s / model.needle.bore_radius_mm)
}

/// Covered so little to one side a port counts as closed evenly, mm (A).
const LEAST_ASIDE_MM: f64 = 0.05;

/// Note what was gripped, and what has come off for good.
fn note_grip(state: &mut State, body: Option<u16>) {
    let purchase_un = state.needle.as_ref().filter(|_| body.is_some()).map_or(0.0, |n| n.purchase_un);
    let occlusion = state.needle.as_ref().map_or(0.0, |n| n.occlusion);
    let is_held = purchase_un > GRIPPED_UN;
    match (state.gripped, body) {
        (Some(gripped), Some(body)) if gripped == body && is_held => state.loose_ticks = 0,
        (Some(gripped), _) => {
            state.loose_ticks += 1;
            if state.loose_ticks > LOOSE_TICKS {
                let by_foot = state.pedal.position < 2;
                let cause = state.latest(|k| matches!(k, EventKind::Gripped { .. }));
                state.note(cause, EventKind::LetGo { fragment: gripped, by_foot });
                state.gripped = None;
            }
        }
        (None, Some(body)) if is_held => {
            state.loose_ticks += 1;
            if state.loose_ticks > LOOSE_TICKS {
                let cause = state.latest(|k| matches!(k, EventKind::PedalMoved { .. }));
                let volume_ul = state.lens.volume_ul.get(usize::from(body)).copied().unwrap_or(0.0);
                let vacuum_pa = state.vacuum_pa;
                state.note(cause, EventKind::Gripped { fragment: body, volume_ul, vacuum_pa, occlusion });
                state.gripped = Some(body);
                state.loose_ticks = 0;
            }
        }
        (None, _) => state.loose_ticks = 0,
    }
}

/// Ticks for which a grip must be won or lost before it counts (a tenth of a second at the usual tick).
const LOOSE_TICKS: u32 = 24;

/// Occlusion from which the port touches a piece.
const LEAST_OCCLUSION: f64 = 0.15;

/// Purchase from which a piece counts as gripped, µN (A: a tenth of what an ordinary vacuum gives).
pub const GRIPPED_UN: f64 = 3_000.0;

/// The chopper goes into the piece on the tip, and presses it down with what it meets there; others it pushes aside.
fn press(model: &Model, state: &State, bodies: &mut Bodies) {
    let on_tip = state.needle.as_ref().filter(|n| n.buried_mm > 0.0 || n.occlusion > LEAST_OCCLUSION).map(|n| n.body);
    let point = state.chopper.as_ref().map(|c| c.blade.point_mm);
    let inside = point.and_then(|p| state.lens.at_eye(model, &p)).map(|(_, body)| body);
    let entered: Vec<u16> = bodies
        .ids()
        .into_iter()
        .filter(|body| {
            let pressed_un = bodies.contact(*body).unwrap_or_default().instruments_un;
            let stays = bodies.is_passed(*body) && inside == Some(*body);
            Some(*body) == on_tip || pressed_un > PLOUGHS_UN || stays
        })
        .collect();
    bodies.pass(|body| entered.contains(&body));
    if let (Some(body), Some(chopper)) = (on_tip, &state.chopper)
        && chopper.press_un > 0.0
    {
        bodies.push(body, &Vector3::new(0.0, 0.0, -chopper.press_un), &chopper.blade.point_mm);
    }
}

/// Force on a piece beyond which an instrument goes into it rather than push it on, µN (A: what a chopper's end bears in
/// firm tissue).
const PLOUGHS_UN: f64 = 200_000.0;

/// Inflow carries the pieces that do not cover the port toward it: the velocity of a sink in a half-space, Q/(2π·r²).
fn draw(model: &Model, state: &State, bodies: &mut Bodies) {
    let flow_ul_s = state.circuit.outflow_ul_s;
    let Some(needle) = &state.needle else { return };
    let held_back = 1.0 - chamber::viscous_share(model, state);
    let covers = |body: u16| needle.body == body && needle.occlusion > LEAST_OCCLUSION;
    for body in bodies.ids() {
        let mut flow = Vector3::zeros();
        if !covers(body)
            && let Some(middle) = bodies.middle_mm(body)
        {
            let d = needle.tip.place_mm - middle;
            let r = d.norm().max(model.needle.outer_radius_mm);
            if r < INFLOW_REACH_MM {
                let speed = flow_ul_s / (2.0 * core::f64::consts::PI * r * r);
                flow = d / r * (speed * held_back);
            }
        }
        bodies.drag(body, &flow);
    }
}

/// What adheres stays where it is until more is pulled.
fn stick(model: &Model, state: &mut State, bodies: &mut Bodies) {
    for body in bodies.ids() {
        let shares = state.lens.sector_share(body);
        bodies.stick(body, state.adhesion.hold_un(&model.bed, &shares));
    }
}

/// While instruments part the sides of a crack, the opening says where they are.
fn pin(state: &State, bodies: &mut Bodies) {
    let Some(opening) = &state.opening else { return };
    if opening.pieces.is_empty() {
        bodies.place(opening.body, &opening.base);
    }
    for (body, side) in &opening.pieces {
        bodies.place(*body, &opening.pose_of_side(*side));
    }
}

/// All that lies free in the bag turns together.
fn turn(state: &State, bodies: &mut Bodies) {
    let by = Pose::about_axis(state.turned_rad, Vector3::zeros());
    let held = bodies.held();
    for body in bodies.ids().into_iter().filter(|b| held != Some(*b)) {
        let pose = by.after(&state.lens.pose_of(body));
        bodies.place(body, &pose);
    }
}

/// What the hold could not carry has slid.
fn slip(state: &mut State, bodies: &Bodies) {
    // In the midst of a chop the opening says how the tip bears.
    if bodies.held().is_none() || state.opening.is_some() {
        return;
    }
    let slipped_mm = bodies.slip_mm();
    let Some(needle) = &mut state.needle else { return };
    if slipped_mm > 0.0 && needle.buried_mm > 0.0 {
        needle.slid_mm += slipped_mm;
    }
    needle.load_un = bodies.held_force_un().norm();
}

/// What has moved against the capsule no longer sticks as it did.
fn wear(state: &mut State, bodies: &Bodies, before: &[Option<Vector3<f64>>]) {
    for (body, before) in bodies.ids().into_iter().zip(before) {
        let (Some(before), Some(now)) = (before, bodies.middle_mm(body)) else { continue };
        let slid_mm = (now - before).norm();
        if slid_mm > LEAST_SLIDE_MM {
            state.adhesion.wear(&state.lens.sector_share(body), slid_mm);
        }
    }
}

/// Movement in a tick from which it wears off, mm (numerical).
const LEAST_SLIDE_MM: f64 = 1e-4;

/// Begin, go on with, or end a pull.
fn watch_pull(model: &Model, state: &mut State, bodies: Option<&Bodies>) {
    let Some(needle) = &state.needle else { return state.pull = None };
    let (tip, body) = (needle.tip, needle.body);
    let is_on = needle.purchase_un > GRIPPED_UN && state.pedal.position >= 2;
    let is_working =
        state.opening.is_some() || state.chopper.as_ref().is_some_and(|c| c.is_in_lens && c.press_un > 0.0);
    let moved_mm = tip.place_mm - needle.before_mm;
    let speed_mm_s = moved_mm.norm() / model.tick_s;
    let goes_in = bodies.is_none() && moved_mm.dot(&tip.forward) > INWARD * moved_mm.norm();
    let Some(mut pull) = state.pull.take() else {
        if is_on && !is_working && !goes_in && state.power == 0.0 && speed_mm_s > PULL_BEGINS_MM_S {
            state.pull = Some(Pull {
                body,
                tick: state.tick,
                from_mm: needle.before_mm,
                bag_mm: state.lens.carried_mm(),
                at_body_mm: state.lens.pose_of(body).from_eye(&needle.before_mm),
                purchase_un: needle.purchase_un,
                occlusion: needle.occlusion,
                vacuum_pa: state.vacuum_pa,
                load: Load::default(),
                rested_s: 0.0,
            });
        }
        return;
    };
    let is_lost = needle.occlusion <= LEAST_OCCLUSION || body != pull.body;
    if !is_lost {
        pull.purchase_un = pull.purchase_un.max(needle.purchase_un);
        pull.vacuum_pa = pull.vacuum_pa.max(state.vacuum_pa);
        pull.occlusion = pull.occlusion.min(needle.occlusion);
        let load = load(model, state, bodies, &pull);
        pull.load.held_un = pull.load.held_un.max(load.held_un);
        pull.load.hinge_un = load.hinge_un;
        pull.load.neighbours_un = pull.load.neighbours_un.max(load.neighbours_un);
        pull.load.adhesion_un = load.adhesion_un;
        pull_hinge(model, state, pull.body);
    }
    pull.rested_s = if speed_mm_s < PULL_ENDS_MM_S { pull.rested_s + model.tick_s } else { 0.0 };
    if is_lost || is_working || pull.rested_s > PULL_RESTS_S || state.pedal.position < 2 {
        end_pull(state, &pull);
    } else {
        state.pull = Some(pull);
    }
}

/// Cosine beyond which the tip goes into a lens in one piece rather than away with it.
const INWARD: f64 = 0.5;

/// What resists at this moment.
fn load(model: &Model, state: &State, bodies: Option<&Bodies>, pull: &Pull) -> Load {
    let hinge_un = state.lens.seam(pull.body).map_or(0.0, |seam| seam.carries_un());
    let shares = state.lens.sector_share(pull.body);
    let adhesion_un = state.adhesion.hold_un(&model.bed, &shares);
    let Some(bodies) = bodies else {
        // In one piece it cannot leave the bag: what the hand draws, bag and zonules bear.
        let drawn_un = state.needle.as_ref().map_or(0.0, |n| (-n.load_un).max(0.0));
        return Load { held_un: drawn_un, hinge_un, neighbours_un: drawn_un, adhesion_un };
    };
    let contact = bodies.contact(pull.body).unwrap_or_default();
    Load {
        held_un: bodies.held_force_un().norm(),
        hinge_un,
        neighbours_un: contact.neighbours_un + contact.bag_un + contact.instruments_un,
        adhesion_un,
    }
}

/// The pull enters the unfinished crack of a hinged body.
fn pull_hinge(model: &Model, state: &mut State, body: u16) {
    let Some(needle) = &state.needle else { return };
    let pose = state.lens.pose_of(body);
    let at_mm = pose.from_eye(&needle.tip.place_mm);
    let along = pose.direction_from_eye(&(needle.tip.place_mm - needle.before_mm));
    if along.norm() == 0.0 {
        return;
    }
    let force_un = along.normalize() * needle.load_un.abs().min(needle.purchase_un);
    let Some(seam) = state.lens.seams.iter_mut().find(|s| s.body == body) else { return };
    seam.pull(model, &at_mm, &force_un);
    if seam.is_complete {
        pieces::part_seam(model, state, body);
    }
}

/// A pull is over: did the piece come along, and if not, why?
fn end_pull(state: &mut State, pull: &Pull) {
    let Some(needle) = &state.needle else { return };
    let way = needle.tip.place_mm - pull.from_mm;
    let way_mm = way.norm();
    if way_mm < LEAST_PULL_MM {
        return;
    }
    // A lens that drags its bag along has not come out of it.
    let dragged = state.lens.carried_mm() - pull.bag_mm;
    let came = state.lens.pose_of(pull.body).to_eye(&pull.at_body_mm) - pull.from_mm - dragged;
    let volume_ul = state.lens.volume_ul.get(usize::from(pull.body)).copied().unwrap_or(0.0);
    let share = came.dot(&way) / (way_mm * way_mm);
    let followed = share >= FOLLOWED;
    let Load { held_un, hinge_un, neighbours_un, adhesion_un } = pull.load;
    let load_un = pull.load.total_un(followed);
    let held_by = (!followed).then(|| {
        let largest = hinge_un.max(neighbours_un).max(adhesion_un);
        if pull.occlusion < POOR_OCCLUSION && largest < pull.vacuum_pa * FULL_PORT_MM2 {
            HeldBy::PoorOcclusion
        } else if hinge_un >= largest {
            HeldBy::Hinge
        } else if adhesion_un >= largest {
            HeldBy::Adhesion
        } else {
            HeldBy::Neighbours
        }
    });
    let kind = EventKind::Pulled {
        fragment: pull.body,
        volume_ul,
        vacuum_pa: pull.vacuum_pa,
        occlusion: pull.occlusion,
        purchase_un: pull.purchase_un,
        load_un: load_un.max(held_un),
        way_mm,
        share,
        followed,
        held_by,
    };
    let cause = state.latest(|k| matches!(k, EventKind::Gripped { .. } | EventKind::ChopEnded(_)));
    state.note(cause, kind);
}

/// Area of a whole port, mm² (D: a bore of 0.9 mm): what the piece would have been held with.
const FULL_PORT_MM2: f64 = 0.64;

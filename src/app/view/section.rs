//! The section view: a cut through the eye in the upright plane of the needle's shaft.
//!
//! Plain data that a panel paints: a raster of hardness, lines and labels. Hardness is a cell's toughness, told as the grade of a
//! nucleus as tough (as in the debrief), in cividis. Every cell is shown where it is in the eye now, so an open crack is a gap;
//! a chop runs along the shaft, and so the gap is often seen face on: what lies behind it shows through faintly, as the wall that
//! it is. Without a needle in the eye the plane goes through the lens's axis, along the main incision.
//!
//! Across the picture u grows away from the hand that holds the needle, upward z toward the cornea. mm, eye frame. Limits: a
//! plane shows one plane; instruments beside it are shown as they project onto it, and a label says how far beside.

use crate::app::view::mesh::{crack_of, side_pose};
use crate::debrief::palette::cividis;
use crate::debrief::section::grade_of;
use crate::sim::capsule::{lips_to_capsule_mm, nearest_mm};
use crate::sim::cells::DIRECTIONS;
use crate::sim::chamber::{raised_mm, resting_elastance_pa_ul};
use crate::sim::circuit::Circuit;
use crate::sim::hands::Tip;
use crate::sim::pose::Pose;
use crate::sim::{Model, NeedleState, State};
use nalgebra::Vector3;
use std::collections::BTreeMap;

/// Grades at the ends of the colours: below the first it is shell, above the last the colour stays.
pub const GRADES: (f64, f64) = (1.0, 5.0);

/// What the picture shows beyond the lens: beside it, above and below, mm.
const BESIDE_MM: f64 = 0.5;
const ABOVE_MM: f64 = 1.1;
const BELOW_MM: f64 = 0.7;

/// How far behind a gap its wall is looked for, and in what steps, mm.
const BEHIND_MM: f64 = 1.2;
const BEHIND_STEP_MM: f64 = 0.2;

/// How opaque a wall behind a gap is, and shell, of 255. Two things that colour alone would not tell apart.
const WALL_ALPHA: u8 = 70;
const SHELL_ALPHA: u8 = 170;

/// How much wider than the needle its sleeve is drawn, mm (A).
const SLEEVE_MM: f64 = 0.15;

/// How far beside the shaft the buried length is marked, mm.
const MARK_MM: f64 = 0.3;

/// An instrument farther from the plane than this is said to lie beside it, mm.
const BESIDE_PLANE_MM: f64 = 0.3;

/// Cosine of the angle between plane of section and crack above which the crack is seen face on.
const FACE_ON: f64 = 0.6;

/// What is asked of a section.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Columns and rows of the raster.
    pub size_px: [usize; 2],
    /// The band of burial depth asked for, as shares of the core's thickness; `None` leaves it out.
    pub depth_share: Option<(f64, f64)>,
    /// Is the distance to the posterior capsule marked?
    pub shows_distance: bool,
    /// Is the buried length marked?
    pub shows_burial: bool,
    /// Is the dense core outlined?
    pub shows_zone: bool,
}

impl Default for Options {
    fn default() -> Self {
        Self { size_px: [220, 120], depth_share: None, shows_distance: true, shows_burial: true, shows_zone: true }
    }
}

/// What a line or label is about; whoever paints gives each its colour and its dashes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// The anterior capsule outside the rhexis.
    AnteriorCapsule,
    /// The edge of the rhexis.
    RhexisEdge,
    /// The posterior capsule where it is now.
    PosteriorCapsule,
    /// The posterior capsule where it was when the attempt began, under the infusion.
    PosteriorAtRest,
    /// The needle's outline.
    Needle,
    /// The sleeve, from its end backward.
    Sleeve,
    /// The length of shaft within the lens.
    Buried,
    /// The chopper.
    Chopper,
    /// A crack: where it runs, or seen face on the front it has come to.
    Crack,
    /// The outline of the dense core.
    DenseZone,
    /// The band of depth asked for.
    Goal,
    /// The way to the posterior capsule.
    Distance,
}

impl Role {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::AnteriorCapsule => "Anterior capsule",
            Self::RhexisEdge => "Rhexis edge",
            Self::PosteriorCapsule => "Posterior capsule",
            Self::PosteriorAtRest => "Posterior capsule at rest",
            Self::Needle => "Needle",
            Self::Sleeve => "Sleeve",
            Self::Buried => "Buried length",
            Self::Chopper => "Chopper",
            Self::Crack => "Crack",
            Self::DenseZone => "Dense core",
            Self::Goal => "Depth asked for",
            Self::Distance => "Distance to the capsule",
        }
    }
}

/// A line of the section.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// What it is.
    pub role: Role,
    /// Its points, across and up, mm.
    pub points_mm: Vec<[f64; 2]>,
    /// Does its end join its beginning?
    pub is_closed: bool,
}

/// Words at a place.
#[derive(Clone, Debug, PartialEq)]
pub struct Label {
    /// What it is about.
    pub role: Role,
    /// The place it is about, across and up, mm.
    pub at_mm: [f64; 2],
    /// The words.
    pub text: String,
    /// Where there is no room for all labels those with the lowest number stay.
    pub rank: u8,
}

/// A cut through the eye.
#[derive(Clone, Debug, PartialEq)]
pub struct Section {
    /// Columns and rows of the raster.
    pub size_px: [usize; 2],
    /// Hardness: four bytes (red, green, blue, opacity, not premultiplied) to a pixel, rows from the top.
    pub rgba: Vec<u8>,
    /// Lower left corner of the picture, across and up, mm.
    pub low_mm: [f64; 2],
    /// Upper right corner, mm.
    pub high_mm: [f64; 2],
    /// Lines, in the order in which they are to be painted.
    pub lines: Vec<Line>,
    /// Labels, in no order.
    pub labels: Vec<Label>,
    /// Length of shaft within the lens, mm; `None` while there is none.
    pub buried_mm: Option<f64>,
    /// Distance of the nearer instrument to the posterior capsule, mm, negative behind it; `None` without an instrument in the
    /// eye, and where it is not to be shown.
    pub distance_mm: Option<f64>,
}

impl Section {
    /// Cut the eye as it is now.
    pub fn cut(model: &Model, state: &State, options: &Options) -> Self {
        let view = View::of(model, state);
        let raster = Raster::of(model, state, &view, options.size_px);
        let mut section = Self {
            size_px: raster.size_px,
            rgba: raster.rgba(model),
            low_mm: view.low_mm,
            high_mm: view.high_mm,
            lines: Vec::new(),
            labels: Vec::new(),
            buried_mm: None,
            distance_mm: None,
        };
        if options.shows_zone {
            section.outline_core(model, &raster);
        }
        if let Some(band) = options.depth_share {
            section.mark_goal(model, state, &view, band);
        }
        section.trace_cracks(model, state, &view, &raster);
        section.draw_capsule(model, state, &view);
        if let Some(needle) = needle_in_eye(state) {
            section.draw_needle(model, &view, needle, options.shows_burial);
        }
        section.draw_chopper(model, state, &view);
        if options.shows_distance {
            section.measure_distance(model, state, &view);
        }
        section
    }

    /// The colour at a place, if it lies within the picture: red, green, blue, opacity.
    pub fn colour_at(&self, [u_mm, z_mm]: [f64; 2]) -> Option<[u8; 4]> {
        let [columns, rows] = self.size_px;
        let column = (u_mm - self.low_mm[0]) / (self.high_mm[0] - self.low_mm[0]) * columns as f64;
        let row = (self.high_mm[1] - z_mm) / (self.high_mm[1] - self.low_mm[1]) * rows as f64;
        let is_within = (0.0..columns as f64).contains(&column) && (0.0..rows as f64).contains(&row);
        let from = 4 * (row as usize * columns + column as usize);
        is_within.then(|| core::array::from_fn(|i| self.rgba[from + i]))
    }

    fn line(&mut self, role: Role, points_mm: Vec<[f64; 2]>) {
        if points_mm.len() > 1 {
            self.lines.push(Line { role, points_mm, is_closed: false });
        }
    }

    fn label(&mut self, role: Role, at_mm: [f64; 2], text: impl Into<String>, rank: u8) {
        self.labels.push(Label { role, at_mm, text: text.into(), rank });
    }

    fn outline_core(&mut self, model: &Model, raster: &Raster) {
        let core = &model.field.core;
        let weight = |hit: &Option<Hit>| hit.as_ref().map_or(f64::NAN, |h| core.weight(&h.local_mm));
        let weights: Vec<f64> = raster.hits.iter().map(weight).collect();
        let lines = raster.contours(&weights, 0.5);
        let lowest = lines.iter().flat_map(|l| &l.0).copied().min_by(|a, b| a[0].total_cmp(&b[0]));
        for (points_mm, is_closed) in lines {
            self.lines.push(Line { role: Role::DenseZone, points_mm, is_closed });
        }
        if let Some(at_mm) = lowest {
            self.label(Role::DenseZone, at_mm, Role::DenseZone.words(), 6);
        }
    }

    /// The band of depth asked for, below the front of the core of the piece the needle is in.
    fn mark_goal(&mut self, model: &Model, state: &State, view: &View, (low, high): (f64, f64)) {
        let lens = &state.lens;
        let on_tip = state.needle.as_ref().map(|n| n.body).filter(|b| lens.bodies().any(|body| body == *b));
        let largest =
            || lens.bodies().max_by(|a, b| lens.volume_ul[usize::from(*a)].total_cmp(&lens.volume_ul[usize::from(*b)]));
        let Some(body) = on_tip.or_else(largest) else { return };
        let (pose, core) = (lens.pose_of(body), &model.field.core);
        for share in [low, high] {
            let point = |u_mm: f64| {
                let local = pose.from_eye(&view.at(u_mm, pose.place_mm.z + core.centre_mm.z));
                let front_mm = core.anterior_z_mm(local.x, local.y)?;
                let z_mm = front_mm - 2.0 * share * core.half_thickness_mm;
                let back_mm = 2.0 * core.centre_mm.z - front_mm;
                (z_mm >= back_mm).then(|| view.project(&pose.to_eye(&Vector3::new(local.x, local.y, z_mm))))
            };
            let steps = 80;
            let across = |i: i32| view.low_mm[0] + (view.high_mm[0] - view.low_mm[0]) * f64::from(i) / f64::from(steps);
            let points: Vec<[f64; 2]> = (0..=steps).filter_map(|i| point(across(i))).collect();
            if let (true, Some(end)) = (share == high, points.last()) {
                self.label(Role::Goal, *end, Role::Goal.words(), 4);
            }
            self.line(Role::Goal, points);
        }
    }

    fn trace_cracks(&mut self, model: &Model, state: &State, view: &View, raster: &Raster) {
        let opening = state.opening.as_deref();
        for body in state.lens.bodies() {
            let Some(crack) = crack_of(&state.lens, opening, body) else { continue };
            let pose = side_pose(state, body, 0.0);
            let normal = pose.direction_to_eye(&crack.plane.normal);
            let lines = if normal.dot(&view.behind).abs() >= FACE_ON {
                Front::of(model, state, view, body).contours()
            } else {
                let side = |hit: &Option<Hit>| match hit {
                    Some(h) if h.body == body && !h.is_behind => {
                        if crack.is_above[h.cell] {
                            1.0
                        } else {
                            -1.0
                        }
                    }
                    _ => f64::NAN,
                };
                raster.contours(&raster.hits.iter().map(side).collect::<Vec<_>>(), 0.0)
            };
            let longest = lines.iter().max_by_key(|(points, _)| points.len());
            if let Some((points, _)) = longest {
                self.label(Role::Crack, points[points.len() / 2], Role::Crack.words(), 3);
            }
            for (points_mm, is_closed) in lines {
                self.lines.push(Line { role: Role::Crack, points_mm, is_closed });
            }
        }
    }

    fn draw_capsule(&mut self, model: &Model, state: &State, view: &View) {
        let shape = &model.field.shape;
        let carried = state.lens.carried_mm();
        // The chord of a circle about the capsule's axis as it is carried, or at rest.
        let chord = |carried: &Vector3<f64>, radius_mm: f64| {
            let middle = view.along.dot(carried);
            let aside = (view.at(middle, 0.0) - carried).xy().norm();
            let half = (radius_mm * radius_mm - aside * aside).max(0.0).sqrt();
            (half > 0.0).then_some((middle, half))
        };
        let Some((middle, half)) = chord(&carried, shape.equator_mm) else { return };
        let local = |u_mm: f64| view.at(u_mm, 0.0) - carried;
        let radius = |u_mm: f64| local(u_mm).xy().norm();
        // Dense where the surface is steep: even steps of an angle.
        let turn = |share: f64| -(core::f64::consts::PI * share).cos();

        let anterior = |u_mm: f64| [u_mm, shape.anterior_z_mm(radius(u_mm)) + carried.z];
        let rhexis = chord(&carried, model.rhexis_radius_mm);
        let free = rhexis.map_or(0.0, |(_, half)| half);
        for side in [-1.0, 1.0] {
            // From the equator to the edge of the rhexis.
            let edge_angle = (free / half).min(1.0).acos();
            let points = (0..=40).map(|i| {
                let angle = edge_angle * f64::from(i) / 40.0;
                anterior(middle + side * half * angle.cos())
            });
            let points: Vec<[f64; 2]> = points.collect();
            let edge = points.last().copied();
            let way = points.get(points.len() / 2).copied();
            self.line(Role::AnteriorCapsule, points);
            if let (Some(edge), true) = (edge, rhexis.is_some()) {
                let up = 0.12;
                self.line(Role::RhexisEdge, vec![[edge[0], edge[1] - up], [edge[0], edge[1] + up]]);
                if side > 0.0 {
                    self.label(Role::RhexisEdge, [edge[0], edge[1] + up], Role::RhexisEdge.words(), 7);
                }
            }
            if let (Some(at), true) = (way, side > 0.0) {
                self.label(Role::AnteriorCapsule, at, Role::AnteriorCapsule.words(), 8);
            }
        }

        let rest = Vector3::z() * raised_at_rest_mm(model);
        if let Some((middle, half)) = chord(&rest, shape.equator_mm) {
            let at = |i: i32| {
                let u_mm = middle + half * turn(f64::from(i) / 80.0);
                [u_mm, shape.posterior_z_mm(view.at(u_mm, 0.0).xy().norm()) + rest.z]
            };
            self.line(Role::PosteriorAtRest, (0..=80).map(at).collect());
        }
        let mut points = Vec::new();
        let hole = state.is_breached.then_some((state.wounds.hole_at_mm, state.wounds.hole_mm));
        let mut open_at = None;
        for i in 0..=120 {
            let u_mm = middle + half * turn(f64::from(i) / 120.0);
            let p = local(u_mm);
            let at = [u_mm, state.membrane.posterior_z_mm(&model.membrane, p.x, p.y) + carried.z];
            let is_open = hole.is_some_and(|([x, y], hole_mm)| {
                let place = view.at(u_mm, 0.0);
                (place.x - x).hypot(place.y - y) < hole_mm
            });
            if is_open {
                open_at = Some(at);
                self.line(Role::PosteriorCapsule, std::mem::take(&mut points));
            } else {
                points.push(at);
            }
        }
        self.line(Role::PosteriorCapsule, points);
        match open_at {
            Some(at) => self.label(Role::PosteriorCapsule, at, "Posterior capsule open", 1),
            None => {
                let u_mm = middle - 0.75 * half;
                let p = local(u_mm);
                let z_mm = state.membrane.posterior_z_mm(&model.membrane, p.x, p.y) + carried.z;
                self.label(Role::PosteriorCapsule, [u_mm, z_mm], Role::PosteriorCapsule.words(), 5);
            }
        }
    }

    fn draw_needle(&mut self, model: &Model, view: &View, needle: &NeedleState, shows_burial: bool) {
        let (tip, form) = (&needle.tip, &model.needle);
        let corner = |along_mm: f64, across_mm: f64| view.project(&view.beside_shaft(tip, along_mm, across_mm));
        let (radius_mm, back_mm) = (form.outer_radius_mm, -form.exposed_mm);
        let [upper, lower] = lips(model, tip);
        // The sleeve lies round the shaft and so is painted before it.
        let wide = radius_mm + SLEEVE_MM;
        let far = back_mm - 12.0;
        let sleeve = vec![corner(far, wide), corner(back_mm, wide), corner(back_mm, -wide), corner(far, -wide)];
        self.label(Role::Sleeve, sleeve[1], Role::Sleeve.words(), 9);
        self.line(Role::Sleeve, sleeve);
        let outline = vec![
            corner(back_mm, radius_mm),
            corner(upper, radius_mm),
            corner(lower, -radius_mm),
            corner(back_mm, -radius_mm),
        ];
        self.lines.push(Line { role: Role::Needle, points_mm: outline, is_closed: true });
        if needle.buried_mm <= 0.0 {
            return;
        }
        self.buried_mm = Some(needle.buried_mm);
        if shows_burial {
            let beside = radius_mm + MARK_MM;
            let ends = [0.0, -needle.buried_mm];
            self.line(Role::Buried, ends.map(|e| corner(e, beside)).to_vec());
            for end in ends {
                self.line(Role::Buried, vec![corner(end, beside - 0.1), corner(end, beside + 0.1)]);
            }
            let text = format!("{:.2} mm buried", needle.buried_mm);
            self.label(Role::Buried, corner(-0.5 * needle.buried_mm, beside), text, 2);
        }
    }

    fn draw_chopper(&mut self, model: &Model, state: &State, view: &View) {
        let Some(chopper) = &state.chopper else { return };
        let blade = &chopper.blade;
        let shaft = (model.side_port.place_mm - blade.bend_mm).try_normalize(1e-9).unwrap_or_else(Vector3::z);
        let points = [blade.point_mm, blade.bend_mm, blade.bend_mm + shaft * 2.0].map(|p| view.project(&p));
        let aside_mm = view.behind.dot(&(blade.point_mm - view.origin_mm));
        let beside = if aside_mm > 0.0 { "behind" } else { "in front" };
        let text = if aside_mm.abs() > BESIDE_PLANE_MM {
            format!("Chopper, {:.1} mm {beside}", aside_mm.abs())
        } else {
            Role::Chopper.words().to_string()
        };
        self.label(Role::Chopper, points[1], text, 3);
        self.line(Role::Chopper, points.to_vec());
    }

    /// The nearer instrument's way to the posterior capsule.
    fn measure_distance(&mut self, model: &Model, state: &State, view: &View) {
        let Some(distance_mm) = nearest_mm(model, state) else { return };
        self.distance_mm = Some(distance_mm);
        let by_needle = needle_in_eye(state).map(|n| {
            let middle_mm = n.tip.place_mm - state.lens.carried_mm();
            let middle = state.membrane.distance_mm(&model.membrane, &middle_mm);
            (n, middle.min(lips_to_capsule_mm(model, state, &n.tip)))
        });
        let starts: Vec<[f64; 2]> = match (by_needle, &state.chopper) {
            (Some((needle, by_needle_mm)), _) if by_needle_mm <= distance_mm => {
                let radius_mm = model.needle.outer_radius_mm;
                let [upper, lower] = lips(model, &needle.tip);
                let places = [(upper, radius_mm), (lower, -radius_mm)];
                places.map(|(along, across)| view.project(&view.beside_shaft(&needle.tip, along, across))).to_vec()
            }
            (_, Some(chopper)) => vec![view.project(&chopper.blade.point_mm)],
            _ => return,
        };
        let capsule =
            self.lines.iter().filter(|l| l.role == Role::PosteriorCapsule).flat_map(|l| l.points_mm.windows(2));
        let ways = capsule.flat_map(|ends| starts.iter().map(|from| (*from, nearest_on(ends, *from))));
        let length = |(a, b): &([f64; 2], [f64; 2])| (a[0] - b[0]).hypot(a[1] - b[1]);
        let Some((from, to)) = ways.min_by(|a, b| length(a).total_cmp(&length(b))) else { return };
        self.line(Role::Distance, vec![from, to]);
        let middle = [0.5 * (from[0] + to[0]), 0.5 * (from[1] + to[1])];
        self.label(Role::Distance, middle, format!("{distance_mm:.2} mm to the capsule"), 0);
    }
}

/// Where the fluid has the bag when an attempt begins, mm.
fn raised_at_rest_mm(model: &Model) -> f64 {
    let elastance_pa_ul = resting_elastance_pa_ul(model);
    let circuit = Circuit::at_rest(&model.plumbing, model.machine.bottle_pa, elastance_pa_ul);
    raised_mm(model, circuit.diaphragm_ul)
}

/// The needle while it is in the eye.
fn needle_in_eye(state: &State) -> Option<&NeedleState> {
    state.needle.as_ref().filter(|_| state.chamber.was_in_eye)
}

/// How far the upper and the lower lip of the port lie ahead of its middle, in the upright plane, mm.
fn lips(model: &Model, tip: &Tip) -> [f64; 2] {
    let lead_mm = model.needle.outer_radius_mm * model.needle.bevel_rad.tan() * tip.roll_rad.cos();
    [-lead_mm, lead_mm]
}

/// The point of a segment nearest to a place.
fn nearest_on(ends: &[[f64; 2]], p: [f64; 2]) -> [f64; 2] {
    let (a, b) = (ends[0], ends[1]);
    let d = [b[0] - a[0], b[1] - a[1]];
    let share = ((p[0] - a[0]) * d[0] + (p[1] - a[1]) * d[1]) / (d[0] * d[0] + d[1] * d[1]).max(1e-18);
    let share = share.clamp(0.0, 1.0);
    [a[0] + share * d[0], a[1] + share * d[1]]
}

/// The plane and the part of it that is shown.
struct View {
    /// The plane's point nearest to the lens's axis, at height 0.
    origin_mm: Vector3<f64>,
    /// Level, away from the hand.
    along: Vector3<f64>,
    /// Across the plane, away from whoever looks.
    behind: Vector3<f64>,
    low_mm: [f64; 2],
    high_mm: [f64; 2],
}

impl View {
    fn of(model: &Model, state: &State) -> Self {
        let level = |v: &Vector3<f64>| Vector3::new(v.x, v.y, 0.0);
        let tip = needle_in_eye(state).map(|n| &n.tip);
        let inward = level(&-model.main_incision.place_mm).try_normalize(1e-9).unwrap_or_else(Vector3::x);
        let along = tip.and_then(|t| level(&t.forward).try_normalize(1e-6)).unwrap_or(inward);
        let place = tip.map_or(Vector3::zeros(), |t| level(&t.place_mm));
        let shape = &model.field.shape;
        let half_mm = shape.equator_mm + BESIDE_MM;
        Self {
            origin_mm: place - along * place.dot(&along),
            along,
            behind: Vector3::z().cross(&along),
            low_mm: [-half_mm, -shape.back_mm - BELOW_MM],
            high_mm: [half_mm, shape.front_mm + ABOVE_MM],
        }
    }

    fn at(&self, u_mm: f64, z_mm: f64) -> Vector3<f64> {
        self.origin_mm + self.along * u_mm + Vector3::z() * z_mm
    }

    fn project(&self, p: &Vector3<f64>) -> [f64; 2] {
        [self.along.dot(p), p.z]
    }

    /// A place beside a shaft: along it from the tip, and across it upward.
    fn beside_shaft(&self, tip: &Tip, along_mm: f64, across_mm: f64) -> Vector3<f64> {
        let across = Vector3::z() * self.along.dot(&tip.forward) - self.along * tip.forward.z;
        tip.place_mm + tip.forward * along_mm + across * across_mm
    }
}

/// What a pixel shows.
struct Hit {
    cell: usize,
    body: u16,
    local_mm: Vector3<f64>,
    is_behind: bool,
}

/// A part of a piece that moves as one: the piece, a side of its crack, or the hinge between them.
struct Part<'a> {
    pose: Pose,
    body: u16,
    /// The cells it consists of, where not of all of the piece's.
    cells: Option<Share<'a>>,
    middle_mm: Vector3<f64>,
    radius_mm: f64,
}

/// Some of a piece's cells.
enum Share<'a> {
    /// Those of one side.
    Side(&'a [bool], bool),
    /// Those that the unbroken bonds of the crack join.
    Hinge(Vec<bool>),
}

impl Part<'_> {
    /// The pieces and their sides, the one on the tip first: sides of a wavy crack may overlap.
    fn all<'a>(model: &Model, state: &'a State) -> Vec<Part<'a>> {
        let lens = &state.lens;
        let first = state.needle.as_ref().map(|n| n.body);
        let mut bodies: Vec<u16> = lens.bodies().collect();
        bodies.sort_by_key(|b| Some(*b) != first);
        let mut parts = Vec::new();
        for body in bodies {
            let (middle_mm, radius_mm) = lens.ball_mm[usize::from(body)];
            let mut add = |pose, cells| parts.push(Part { pose, body, cells, middle_mm, radius_mm });
            let Some(crack) = crack_of(lens, state.opening.as_deref(), body) else {
                add(lens.pose_of(body), None);
                continue;
            };
            for side in [1.0, -1.0] {
                add(side_pose(state, body, side), Some(Share::Side(&crack.is_above, side > 0.0)));
            }
            let mut joined = vec![false; model.cells.count()];
            for member in crack.members.iter().filter(|m| !crack.facets[m.facet as usize].has_failed()) {
                let (owner, direction) = (member.bond as usize / 13, member.bond as usize % 13);
                if lens.damage[member.bond as usize] < 1.0 {
                    joined[owner] = true;
                    if let Some(other) = joined.get_mut(model.cells.forward[owner][direction] as usize) {
                        *other = true;
                    }
                }
            }
            add(side_pose(state, body, 0.0), Some(Share::Hinge(joined)));
        }
        parts
    }

    fn cell_at(&self, model: &Model, state: &State, local: &Vector3<f64>) -> Option<usize> {
        if (local - self.middle_mm).norm_squared() > self.radius_mm * self.radius_mm {
            return None;
        }
        // The outside is smooth: what a cell at the edge leaves of it is the next cell's inward.
        let inward = || local * (1.0 - model.cells.size_mm / local.norm());
        let cell = match model.cells.at(local) {
            _ if !model.field.shape.contains(local) => None,
            None => model.cells.at(&inward()),
            found => found,
        }? as usize;
        let is_its = state.lens.fragment[cell] == self.body
            && match &self.cells {
                None => true,
                Some(Share::Side(is_above, upper)) => is_above[cell] == *upper,
                Some(Share::Hinge(joined)) => joined[cell],
            };
        is_its.then_some(cell)
    }
}

/// What every pixel shows.
struct Raster {
    size_px: [usize; 2],
    low_mm: [f64; 2],
    high_mm: [f64; 2],
    hits: Vec<Option<Hit>>,
}

impl Raster {
    fn of(model: &Model, state: &State, view: &View, size_px: [usize; 2]) -> Self {
        let size_px = size_px.map(|s| s.clamp(2, 4096));
        let raster = Self { size_px, low_mm: view.low_mm, high_mm: view.high_mm, hits: Vec::new() };
        let parts = Part::all(model, state);
        let may_gape = parts.len() > 1;
        let [columns, rows] = size_px;
        let [wide, tall] = raster.step_mm();
        // In a part's frame pixels lie along two directions.
        let frames: Vec<[Vector3<f64>; 4]> = parts
            .iter()
            .map(|part| {
                let [u_mm, z_mm] = raster.middle_mm(0, 0);
                let start = part.pose.from_eye(&view.at(u_mm, z_mm));
                let turned = |d: Vector3<f64>| part.pose.direction_from_eye(&d);
                [start, turned(view.along * wide), turned(Vector3::z() * -tall), turned(view.behind * BEHIND_STEP_MM)]
            })
            .collect();
        let find = |column: f64, row: f64, behind: f64| {
            parts.iter().zip(&frames).find_map(|(part, [start, right, down, back])| {
                let local_mm = start + right * column + down * row + back * behind;
                let cell = part.cell_at(model, state, &local_mm)?;
                Some(Hit { cell, body: part.body, local_mm, is_behind: behind > 0.0 })
            })
        };
        let shape = &model.field.shape;
        let mut hits = Vec::with_capacity(columns * rows);
        for row in 0..rows {
            for column in 0..columns {
                let (x, y) = (column as f64, row as f64);
                let mut hit = find(x, y, 0.0);
                if hit.is_none() && may_gape {
                    // Only where there was lens can there be a gap in it.
                    let [u_mm, z_mm] = raster.middle_mm(column, row);
                    if shape.contains(&(view.at(u_mm, z_mm) - state.lens.carried_mm())) {
                        hit = (1..=(BEHIND_MM / BEHIND_STEP_MM) as u32).find_map(|step| find(x, y, f64::from(step)));
                    }
                }
                hits.push(hit);
            }
        }
        Self { hits, ..raster }
    }

    fn step_mm(&self) -> [f64; 2] {
        core::array::from_fn(|i| (self.high_mm[i] - self.low_mm[i]) / self.size_px[i] as f64)
    }

    /// The middle of a pixel.
    fn middle_mm(&self, column: usize, row: usize) -> [f64; 2] {
        let [wide, tall] = self.step_mm();
        [self.low_mm[0] + (column as f64 + 0.5) * wide, self.high_mm[1] - (row as f64 + 0.5) * tall]
    }

    fn rgba(&self, model: &Model) -> Vec<u8> {
        let mut rgba = Vec::with_capacity(4 * self.hits.len());
        for hit in &self.hits {
            let Some(hit) = hit else {
                rgba.extend([0; 4]);
                continue;
            };
            let grade = grade_of(f64::from(model.cells.toughness_nj_mm2[hit.cell]));
            let [r, g, b] = colour_of(grade);
            let alpha = match hit {
                Hit { is_behind: true, .. } => WALL_ALPHA,
                _ if grade < GRADES.0 => SHELL_ALPHA,
                _ => u8::MAX,
            };
            rgba.extend([r, g, b, alpha]);
        }
        rgba
    }

    /// Lines along which values at the pixels' middles pass a level, and whether each is closed. No line goes through squares
    /// with a corner that is no number.
    fn contours(&self, values: &[f64], level: f64) -> Vec<(Vec<[f64; 2]>, bool)> {
        let place = |x: f64, y: f64| {
            let ([left, top], [wide, tall]) = (self.middle_mm(0, 0), self.step_mm());
            [left + x * wide, top - y * tall]
        };
        contours(values, self.size_px, level, place)
    }
}

/// The colour of a grade.
pub fn colour_of(grade: f64) -> [u8; 3] {
    cividis((grade - GRADES.0) / (GRADES.1 - GRADES.0))
}

/// How far a crack that is seen face on has come: shares of broken bonds on a grid over the plane of section.
struct Front {
    size_px: [usize; 2],
    low_mm: [f64; 2],
    step_mm: f64,
    broken: Vec<f64>,
}

impl Front {
    fn of(model: &Model, state: &State, view: &View, body: u16) -> Self {
        let step_mm = model.cells.size_mm;
        let size_px: [usize; 2] =
            core::array::from_fn(|i| ((view.high_mm[i] - view.low_mm[i]) / step_mm).ceil() as usize + 1);
        let mut front = Self { size_px, low_mm: view.low_mm, step_mm, broken: Vec::new() };
        let Some(crack) = crack_of(&state.lens, state.opening.as_deref(), body) else { return front };
        let pose = side_pose(state, body, 0.0);
        let mut sums = vec![[0.0; 2]; size_px[0] * size_px[1]];
        for member in &crack.members {
            let (owner, direction) = (member.bond as usize / 13, member.bond as usize % 13);
            let halfway = Vector3::from(DIRECTIONS[direction].map(f64::from)) * (0.5 * step_mm);
            let [u_mm, z_mm] = view.project(&pose.to_eye(&(model.cells.place_mm[owner] + halfway)));
            let is_broken =
                crack.facets[member.facet as usize].has_failed() || state.lens.damage[member.bond as usize] >= 1.0;
            let at = [(u_mm - view.low_mm[0]) / step_mm, (z_mm - view.low_mm[1]) / step_mm].map(|s| s.round());
            if at[0] < 1.0 || at[1] < 1.0 {
                continue;
            }
            let [x, y] = at.map(|s| s as usize);
            // A bond stands for its neighbourhood: a share of few bonds would be all or nothing.
            for (x, y) in (0..9).map(|i| (x + i % 3 - 1, y + i / 3 - 1)) {
                if x < size_px[0] && y < size_px[1] {
                    let sum = &mut sums[y * size_px[0] + x];
                    sum[0] += if is_broken { 1.0 } else { 0.0 };
                    sum[1] += 1.0;
                }
            }
        }
        front.broken = sums.iter().map(|[broken, all]| if *all > 0.0 { broken / all } else { f64::NAN }).collect();
        front
    }

    fn contours(&self) -> Vec<(Vec<[f64; 2]>, bool)> {
        if self.broken.is_empty() {
            return Vec::new();
        }
        let place = |x: f64, y: f64| [self.low_mm[0] + x * self.step_mm, self.low_mm[1] + y * self.step_mm];
        contours(&self.broken, self.size_px, 0.5, place)
    }
}

/// Lines along which values on a grid pass a level (marching squares; Lorensen & Cline 1987 in the plane), joined end to end.
fn contours(
    values: &[f64],
    [columns, rows]: [usize; 2],
    level: f64,
    place: impl Fn(f64, f64) -> [f64; 2],
) -> Vec<(Vec<[f64; 2]>, bool)> {
    // An edge of the grid: its lower end and whether it goes down from there.
    type Edge = (usize, bool);
    let mut next: BTreeMap<Edge, Vec<Edge>> = BTreeMap::new();
    let at = |x: usize, y: usize| values[y * columns + x];
    for y in 0..rows - 1 {
        for x in 0..columns - 1 {
            let corners = [at(x, y), at(x + 1, y), at(x + 1, y + 1), at(x, y + 1)];
            if corners.iter().any(|v| v.is_nan()) {
                continue;
            }
            let is_over = corners.map(|v| v > level);
            let node = y * columns + x;
            let edges: [Edge; 4] = [(node, false), (node + 1, true), (node + columns, false), (node, true)];
            let crossed: Vec<Edge> = (0..4).filter(|i| is_over[*i] != is_over[(i + 1) % 4]).map(|i| edges[i]).collect();
            for pair in crossed.chunks_exact(2) {
                next.entry(pair[0]).or_default().push(pair[1]);
                next.entry(pair[1]).or_default().push(pair[0]);
            }
        }
    }
    let point = |(node, down): Edge| {
        let (x, y) = (node % columns, node / columns);
        let (a, b) = (values[node], values[if down { node + columns } else { node + 1 }]);
        let share = if b == a { 0.5 } else { (level - a) / (b - a) };
        if down { place(x as f64, y as f64 + share) } else { place(x as f64 + share, y as f64) }
    };
    let mut lines = Vec::new();
    // First from ends, then round what is closed.
    for is_closed in [false, true] {
        while let Some(start) = next.iter().find(|(_, n)| is_closed || n.len() == 1).map(|(edge, _)| *edge) {
            let (mut line, mut edge) = (vec![point(start)], start);
            while let Some(onward) = next.get_mut(&edge).and_then(Vec::pop) {
                if next.get(&edge).is_some_and(Vec::is_empty) {
                    next.remove(&edge);
                }
                if let Some(back) = next.get_mut(&onward) {
                    if let Some(i) = back.iter().position(|e| *e == edge) {
                        back.remove(i);
                    }
                    if back.is_empty() {
                        next.remove(&onward);
                    }
                }
                edge = onward;
                line.push(point(edge));
            }
            lines.push((line, is_closed));
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use crate::app::view::trial::{model, until};

    fn buried(model: &Model) -> State {
        let state = until(model, |s| s.chopper.is_some());
        assert!(state.needle.as_ref().is_some_and(|n| n.buried_mm > 1.0));
        state
    }

    fn half_open(model: &Model) -> State {
        let is_open = |s: &State| s.opening.as_ref().is_some_and(|o| o.progress().opening_mm.abs() > 0.5);
        let state = until(model, is_open);
        assert!(state.opening.as_ref().is_some_and(|o| o.pieces.is_empty()));
        state
    }

    fn lines(section: &Section, role: Role) -> Vec<&Line> {
        section.lines.iter().filter(|l| l.role == role).collect()
    }

    fn text(section: &Section, role: Role) -> Option<&str> {
        section.labels.iter().find(|l| l.role == role).map(|l| l.text.as_str())
    }

    fn number(text: &str) -> f64 {
        text.split(' ').next().and_then(|n| n.parse().ok()).unwrap()
    }

    #[test]
    fn before_burial_nothing_is_buried_and_after_it_the_label_says_how_much() {
        let model = model();
        let fresh = Section::cut(&model, &State::new(&model), &Options::default());
        assert_eq!((fresh.buried_mm, fresh.distance_mm), (None, None));
        assert!(lines(&fresh, Role::Needle).is_empty() && text(&fresh, Role::Buried).is_none());

        let state = buried(&model);
        let section = Section::cut(&model, &state, &Options::default());
        let buried_mm = state.needle.as_ref().unwrap().buried_mm;
        assert!((number(text(&section, Role::Buried).unwrap()) - buried_mm).abs() < 0.05);
        let mark = &lines(&section, Role::Buried)[0].points_mm;
        let length = (mark[0][0] - mark[1][0]).hypot(mark[0][1] - mark[1][1]);
        assert!((length - buried_mm).abs() < 1e-6, "the mark is {length} mm long");
        let distance_mm = nearest_mm(&model, &state).unwrap();
        assert!((number(text(&section, Role::Distance).unwrap()) - distance_mm).abs() < 0.006);
        let way = &lines(&section, Role::Distance)[0].points_mm;
        let length = (way[0][0] - way[1][0]).hypot(way[0][1] - way[1][1]);
        assert!((length - distance_mm).abs() < 0.15, "{length} drawn for {distance_mm}");
    }

    #[test]
    fn colours_tell_the_grade_where_the_cells_are() {
        let model = model();
        let state = State::new(&model);
        let raised_mm = state.lens.raised_mm;
        let section = Section::cut(&model, &state, &Options::default());
        let centre = model.field.core.centre_mm;
        let cell = model.cells.at(&centre).unwrap() as usize;
        let grade = grade_of(f64::from(model.cells.toughness_nj_mm2[cell]));
        assert!((grade - model.field.core.grade).abs() < 1.0, "grade {grade}");
        // The pixel may show the next cell, whose grade is near.
        let [r, g, b, opacity] = section.colour_at([0.0, centre.z + raised_mm]).unwrap();
        let want = colour_of(grade);
        let off = [r, g, b].iter().zip(want).map(|(a, b)| a.abs_diff(b)).max().unwrap();
        assert!(off < 40 && opacity == u8::MAX, "{:?} for {want:?}", [r, g, b]);
        let shell = section.colour_at([0.0, model.field.shape.front_mm + raised_mm - 0.05]).unwrap();
        assert_eq!((&shell[..3], shell[3]), (&cividis(0.0)[..], SHELL_ALPHA));
        assert_eq!(section.colour_at([0.0, model.field.shape.front_mm + raised_mm + 0.1]).unwrap()[3], 0);
        assert_eq!(section.colour_at([0.0, 50.0]), None);
    }

    #[test]
    fn the_capsule_is_above_its_rest_where_the_membrane_has_risen() {
        let model = model();
        let mut state = State::new(&model);
        state.membrane.rise_mm.fill(0.4);
        let section = Section::cut(&model, &state, &Options::default());
        let deepest =
            |role| lines(&section, role).iter().flat_map(|l| &l.points_mm).map(|p| p[1]).fold(f64::INFINITY, f64::min);
        let rest = deepest(Role::PosteriorAtRest);
        assert!((rest - state.lens.raised_mm + model.field.shape.back_mm).abs() < 0.01);
        let risen = deepest(Role::PosteriorCapsule) - rest;
        assert!((0.2..0.41).contains(&risen), "{risen}");
    }

    #[test]
    fn an_open_crack_is_a_gap_with_a_front_and_its_wall_shows_through() {
        let model = model();
        let count = |section: &Section, alpha: u8| section.rgba.chunks(4).filter(|p| p[3] == alpha).count();
        let before = Section::cut(&model, &buried(&model), &Options::default());
        let after = Section::cut(&model, &half_open(&model), &Options::default());
        assert_eq!(count(&before, WALL_ALPHA), 0);
        assert!(count(&after, WALL_ALPHA) > 500, "{} pixels of wall", count(&after, WALL_ALPHA));
        assert!(count(&after, 255) < count(&before, 255));
        assert!(lines(&before, Role::Crack).is_empty());
        assert!(lines(&after, Role::Crack).iter().any(|l| l.points_mm.len() > 8), "no front");
        assert_eq!(text(&after, Role::Crack), Some("Crack"));
    }

    #[test]
    fn goals_are_shown_where_they_are_asked_for_only() {
        let model = model();
        let state = State::new(&model);
        assert!(lines(&Section::cut(&model, &state, &Options::default()), Role::Goal).is_empty());
        let options = Options { depth_share: Some((0.4, 0.7)), shows_distance: false, ..Options::default() };
        let section = Section::cut(&model, &state, &options);
        let goals = lines(&section, Role::Goal);
        assert_eq!(goals.len(), 2);
        let core = &model.field.core;
        let front_mm = core.centre_mm.z + core.half_thickness_mm + state.lens.raised_mm;
        for (line, share) in goals.iter().zip([0.4, 0.7]) {
            let top = line.points_mm.iter().map(|p| p[1]).fold(f64::NEG_INFINITY, f64::max);
            let want = front_mm - share * 2.0 * core.half_thickness_mm;
            assert!((top - want).abs() < 0.02, "{top} for {want}");
        }
    }

    #[test]
    fn contours_join_up_and_leave_out_what_is_no_number() {
        let place = |x: f64, y: f64| [x, y];
        let disc: Vec<f64> = (0..400).map(|i| 5.0 - ((i % 20) as f64 - 9.5).hypot((i / 20) as f64 - 9.5)).collect();
        let round = contours(&disc, [20, 20], 0.0, place);
        assert_eq!(round.len(), 1);
        let (line, is_closed) = &round[0];
        assert!(*is_closed && line.first() == line.last());
        assert!(line.iter().all(|p| ((p[0] - 9.5).hypot(p[1] - 9.5) - 5.0).abs() < 0.1));
        let mut cut = disc;
        (0..20).for_each(|y| cut[20 * y + 4] = f64::NAN);
        let open = contours(&cut, [20, 20], 0.0, place);
        assert!(open.len() == 1 && !open[0].1);
    }
}

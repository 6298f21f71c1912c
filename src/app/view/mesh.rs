//! Surfaces of the lens's pieces, from the engine's cells: smooth, closed, and open where a crack is.
//!
//! A face of a cell belongs to the surface when nothing is bonded to the cell there: outside the lens, where a cell has been
//! removed, across a broken bond, toward another piece. At every edge of the grid each face is joined to the next one found
//! by going round the edge through bonded cells, so the surface is closed whatever is broken, both sides of a crack have a
//! wall of their own, and a hinge has none. Corners that follow from one another by these joins are one point.
//!
//! The staircase of cells is then smoothed without shrinking (Taubin 1995, SIGGRAPH: a step forward and a slightly longer one
//! back), rims only along themselves; what was the lens's outside is put back onto its half-ellipsoids, and what bounds the dense
//! core onto its ellipsoid. Points of different pieces that were one corner of the grid stay together, so walls fit.
//!
//! A point knows its side of an unfinished crack: +1 above, −1 below, 0 where it belongs to both. [`place`] puts either side
//! where the engine has it and the points of the hinge halfway. mm; lens frame until placed, then the eye's. Numbers are f32: a
//! picture needs no more. Limits: detail below half a cell is not shown, and only bonds along the axes make walls.

use crate::sim::cells::{NONE, bond_id};
use crate::sim::lens::{Core, Shape};
use crate::sim::opening::Opening;
use crate::sim::pieces::GONE;
use crate::sim::pose::Pose;
use crate::sim::{Lens, Model, State};
use nalgebra::{Matrix3, Vector3};

/// Rounds of smoothing, each a step forward and one back.
const ROUNDS: u32 = 8;

/// The step forward, and the one back, as a share of the way to the neighbours' middle (Taubin 1995).
const FORWARD: f32 = 0.5;
const BACK: f32 = -0.53;

/// How far smoothing may move a corner of the grid along an axis, in cells; the outside is free of it.
const LOOSE_CELLS: f32 = 0.6;

/// Faces that meet at a sharper angle than this keep their own normals: cos 50°.
const CREASE_COS: f32 = 0.643;

/// What a part of the surface is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// The lens's outside.
    Outer,
    /// The surface of the dense core within firmly joined tissue.
    Zone,
    /// Where cells have been removed.
    Bite,
    /// A wall of a crack, or of a piece toward another.
    Wall,
}

/// A vertex as it is drawn. Points on a crease have several.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Vertex {
    /// The point it stands for: vertices of the same point are at the same place.
    pub point: u32,
    /// Place in the lens's frame at rest, mm.
    pub rest_mm: [f32; 3],
    /// Unit normal there, away from the tissue.
    pub normal: [f32; 3],
    /// Side of an unfinished crack: 1 above, −1 below, 0 on both or where there is none.
    pub side: f32,
    /// Core weight, 0..1.
    pub core_weight: f32,
    /// Depth below the lens's outside, mm, to first order.
    pub depth_mm: f32,
    /// What it is part of.
    pub kind: Kind,
}

impl Vertex {
    /// Is it on the lens's outside?
    pub fn is_outer(&self) -> bool {
        self.kind == Kind::Outer
    }

    /// Is it on the wall of a crack?
    pub fn is_crack_wall(&self) -> bool {
        self.kind == Kind::Wall
    }
}

/// The surface of one piece.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyMesh {
    /// The piece's number.
    pub body: u16,
    /// Number of points; `Vertex::point` is below it.
    pub points: usize,
    /// Vertices.
    pub vertices: Vec<Vertex>,
    /// Triangles, counter-clockwise seen from outside; those of crack walls come last.
    pub triangles: Vec<[u32; 3]>,
    /// The first triangle of a crack wall.
    pub walls_from: usize,
}

impl BodyMesh {
    /// Volume enclosed at rest, µL.
    pub fn volume_ul(&self) -> f64 {
        let at = |v: u32| Vector3::from(self.vertices[v as usize].rest_mm.map(f64::from));
        self.triangles.iter().map(|[a, b, c]| at(*a).dot(&at(*b).cross(&at(*c))) / 6.0).sum()
    }
}

/// Vertices where they are in the eye, in the order of [`BodyMesh::vertices`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Placed {
    /// Places, mm, eye frame.
    pub positions: Vec<[f32; 3]>,
    /// Unit normals, eye frame.
    pub normals: Vec<[f32; 3]>,
}

/// What a surface depends on: two that are equal give the same surface.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SurfaceKey {
    /// Which cell belongs to which piece, and which are gone.
    labels: u64,
    /// Which bonds are broken.
    broken: u64,
    /// Which cracks are unfinished.
    cracks: u64,
}

impl SurfaceKey {
    /// The key of a lens and the chop under way. Bonds are looked at along the axes only, as the surface does.
    pub fn of(lens: &Lens, opening: Option<&Opening>) -> Self {
        let mut labels = SEED;
        // Four labels at a time: this is asked for in every frame.
        let mut chunks = lens.fragment.chunks_exact(4);
        for four in &mut chunks {
            let word = four.iter().fold(0, |word, label| word << 16 | u64::from(*label));
            labels = mixed(labels, word);
        }
        labels = chunks.remainder().iter().fold(labels, |hash, label| mixed(hash, u64::from(*label)));
        let mut broken = SEED;
        if lens.is_cracked {
            for (cell, bonds) in lens.damage.chunks_exact(13).enumerate() {
                let bits = (0..3).fold(0, |bits, d| bits << 1 | u64::from(bonds[d] >= 1.0));
                if bits != 0 {
                    broken = mixed(broken, (cell as u64) << 3 | bits);
                }
            }
        }
        let mut cracks = SEED;
        for crack in opening.into_iter().chain(&lens.seams) {
            let place = crack.plane.normal.x.to_bits() ^ crack.plane.origin_mm.x.to_bits().rotate_left(17);
            cracks = mixed(cracks, u64::from(crack.body) << 1 | u64::from(crack.pieces.is_empty()));
            cracks = mixed(cracks, place);
        }
        if let Some(opening) = opening {
            for (number, facet) in opening.facets.iter().enumerate() {
                if facet.has_failed() {
                    broken = mixed(broken, 1 << 40 | number as u64);
                }
            }
        }
        Self { labels, broken, cracks }
    }

    /// The key of a state.
    pub fn of_state(state: &State) -> Self {
        Self::of(&state.lens, state.opening.as_deref())
    }
}

const SEED: u64 = 0xcbf2_9ce4_8422_2325;

fn mixed(hash: u64, word: u64) -> u64 {
    let mixed = (hash ^ word).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    mixed ^ mixed >> 29
}

/// Surfaces of all pieces, in order of their numbers. `opening` is the chop under way, if there is one.
pub fn lens_surface(model: &Model, lens: &Lens, opening: Option<&Opening>) -> Vec<BodyMesh> {
    let is_in: Vec<bool> = lens.fragment.iter().map(|f| *f != GONE).collect();
    Builder::new(model, lens, opening, is_in).build()
}

/// The same for what of each piece lies within the dense core (core weight of at least a half). Its walls lie in the walls of
/// [`lens_surface`]: whoever draws both leaves out the triangles from `walls_from` on.
pub fn core_surface(model: &Model, lens: &Lens, opening: Option<&Opening>) -> Vec<BodyMesh> {
    let weights = &model.cells.core_weight;
    let is_in: Vec<bool> = lens.fragment.iter().zip(weights).map(|(f, w)| *f != GONE && *w >= 0.5).collect();
    Builder::new(model, lens, opening, is_in).build()
}

/// Where the sides of a piece are in the eye, upper and lower: the same twice unless it has an unfinished crack.
pub fn side_poses(state: &State, body: u16) -> [Pose; 2] {
    [1.0, -1.0].map(|side| side_pose(state, body, side))
}

/// Where a side of a piece is in the eye: 1 upper, −1 lower, 0 the hinge between them.
pub fn side_pose(state: &State, body: u16, side: f64) -> Pose {
    let lens = &state.lens;
    if let Some(opening) = state.opening.as_deref().filter(|o| o.body == body && o.pieces.is_empty()) {
        return opening.pose_of_side(side);
    }
    let pose = lens.pose_of(body);
    let Some(seam) = lens.seam(body) else { return pose };
    // Since the crack was left the piece may have moved.
    let (place_mm, turn_rad) = seam.side_pose(side);
    pose.after(&Pose::small(&turn_rad, place_mm))
}

/// The unfinished crack of a piece: the chop under way, or what one has left.
pub fn crack_of<'a>(lens: &'a Lens, opening: Option<&'a Opening>, body: u16) -> Option<&'a Opening> {
    opening.filter(|o| o.body == body && o.pieces.is_empty()).or_else(|| lens.seam(body))
}

/// A surface where it is in the eye now.
pub fn place(mesh: &BodyMesh, state: &State) -> Placed {
    let mut placed = Placed::default();
    place_into(mesh, state, &mut placed);
    placed
}

/// The same into room that is already there.
pub fn place_into(mesh: &BodyMesh, state: &State, placed: &mut Placed) {
    let [upper, lower] = side_poses(state, mesh.body).map(Motion::of);
    let middle = Motion::halfway(&upper, &lower);
    placed.positions.clear();
    placed.normals.clear();
    for vertex in &mesh.vertices {
        let motion = match vertex.side {
            s if s > 0.5 => &upper,
            s if s < -0.5 => &lower,
            _ => &middle,
        };
        placed.positions.push((motion.turn * Vector3::from(vertex.rest_mm) + motion.place_mm).into());
        placed.normals.push((motion.turn * Vector3::from(vertex.normal)).into());
    }
}

/// A pose, ready for many points.
struct Motion {
    turn: Matrix3<f32>,
    place_mm: Vector3<f32>,
}

impl Motion {
    fn of(pose: Pose) -> Self {
        let column = |axis: Vector3<f64>| pose.direction_to_eye(&axis);
        let turn = Matrix3::from_columns(&[column(Vector3::x()), column(Vector3::y()), column(Vector3::z())]);
        Self { turn: turn.cast(), place_mm: pose.place_mm.cast() }
    }

    /// Points halfway between both: sides are turned by little, so the mean of two turns is almost one.
    fn halfway(a: &Self, b: &Self) -> Self {
        Self { turn: (a.turn + b.turn) * 0.5, place_mm: (a.place_mm + b.place_mm) * 0.5 }
    }
}

/// One of a cell's six faces: twice its axis, and one more where it looks back along it.
type Face = usize;

fn opposite(face: Face) -> Face {
    face ^ 1
}

/// The two axes a face lies along, in order.
const TANGENTS: [[usize; 2]; 3] = [[1, 2], [0, 2], [0, 1]];

/// A face of a cell that is part of the surface.
struct Quad {
    cell: u32,
    face: Face,
    kind: Kind,
}

/// The corner (0..4) of a face that lies toward another face and at one end of their common edge.
fn corner_toward(face: Face, toward: Face, end: usize) -> usize {
    let [first, _] = TANGENTS[face / 2];
    let forward = usize::from(toward.is_multiple_of(2));
    if toward / 2 == first { forward + 2 * end } else { end + 2 * forward }
}

/// A join of two faces at an edge of the grid.
struct Join {
    quads: [u32; 2],
    /// Toward which face of its cell the edge lies, for each quad.
    toward: [Face; 2],
    /// May there be another join at the same edge of the grid?
    is_crowded: bool,
}

struct Builder<'a> {
    model: &'a Model,
    lens: &'a Lens,
    opening: Option<&'a Opening>,
    is_in: Vec<bool>,
    /// By cell: which of its six neighbours it is bonded to.
    bonded: Vec<u8>,
    /// By cell: its place in the grid below.
    slot: Vec<u32>,
    /// The cells on a grid with a free layer all round.
    grid: Vec<u32>,
    strides: [usize; 3],
    low_mm: Vector3<f64>,
}

impl<'a> Builder<'a> {
    fn new(model: &'a Model, lens: &'a Lens, opening: Option<&'a Opening>, is_in: Vec<bool>) -> Self {
        let cells = &model.cells;
        let size_mm = cells.size_mm;
        let nowhere = (Vector3::repeat(f64::INFINITY), Vector3::repeat(f64::NEG_INFINITY));
        let (low, high) = cells.place_mm.iter().fold(nowhere, |(low, high), p| (low.inf(p), high.sup(p)));
        // The lower corner of the free layer.
        let low_mm = low.add_scalar(-1.5 * size_mm);
        let dims = ((high - low) / size_mm).map(|d| if d.is_finite() { d.round() as usize + 3 } else { 3 });
        let strides = [1, dims.x, dims.x * dims.y];
        let mut grid = vec![NONE; dims.x * dims.y * dims.z];
        let mut slot = Vec::with_capacity(cells.count());
        for (cell, p) in cells.place_mm.iter().enumerate() {
            let step = ((p - low_mm) / size_mm).map(|s| s as usize);
            let at = step.x * strides[0] + step.y * strides[1] + step.z * strides[2];
            grid[at] = cell as u32;
            slot.push(at as u32);
        }
        let mut builder =
            Self { model, lens, opening, is_in, bonded: vec![0; cells.count()], slot, grid, strides, low_mm };
        builder.find_bonds();
        builder
    }

    /// Which cells are bonded along the axes.
    fn find_bonds(&mut self) {
        let cells = &self.model.cells;
        for cell in (0..cells.count()).filter(|c| self.is_in[*c]) {
            for axis in 0..3 {
                let ahead = cells.forward[cell][axis];
                let holds = ahead != NONE
                    && self.is_in[ahead as usize]
                    && self.lens.fragment[ahead as usize] == self.lens.fragment[cell]
                    && !self.is_broken(bond_id(cell as u32, axis));
                if holds {
                    self.bonded[cell] |= 1 << (2 * axis);
                    self.bonded[ahead as usize] |= 2 << (2 * axis);
                }
            }
        }
        let Some(opening) = self.opening else { return };
        for member in opening.members.iter().filter(|m| opening.facets[m.facet as usize].has_failed()) {
            let (cell, axis) = (member.bond as usize / 13, member.bond as usize % 13);
            if axis < 3 && cells.forward[cell][axis] != NONE {
                self.bonded[cell] &= !(1 << (2 * axis));
                self.bonded[cells.forward[cell][axis] as usize] &= !(2 << (2 * axis));
            }
        }
    }

    fn is_broken(&self, bond: usize) -> bool {
        self.lens.is_cracked && self.lens.damage[bond] >= 1.0
    }

    fn is_bonded(&self, cell: u32, face: Face) -> bool {
        self.bonded[cell as usize] >> face & 1 == 1
    }

    /// The cell across a face, or `NONE`.
    fn across(&self, cell: u32, face: Face) -> u32 {
        self.grid[self.beside(self.slot[cell as usize] as usize, face)]
    }

    fn beside(&self, slot: usize, face: Face) -> usize {
        let stride = self.strides[face / 2];
        if face.is_multiple_of(2) { slot + stride } else { slot - stride }
    }

    fn kind(&self, cell: u32, face: Face) -> Kind {
        let other = self.across(cell, face);
        if other == NONE {
            return Kind::Outer;
        }
        let labels = [cell, other].map(|c| self.lens.fragment[c as usize]);
        let owner = if face.is_multiple_of(2) { cell } else { other };
        let bond = bond_id(owner, face / 2);
        if labels[1] == GONE {
            if self.is_broken(bond) { Kind::Wall } else { Kind::Bite }
        } else if labels[0] != labels[1] || self.is_broken(bond) || self.is_in[other as usize] {
            Kind::Wall
        } else {
            Kind::Zone
        }
    }

    /// The face that follows at an edge: round it through bonded cells. Also toward which face of its cell the edge lies, and
    /// how many cells were met on the way.
    fn next_round(&self, cell: u32, face: Face, toward: Face) -> (u32, Face, Face, usize) {
        if !self.is_bonded(cell, toward) {
            return (cell, toward, face, 1);
        }
        let beside = self.across(cell, toward);
        if !self.is_bonded(beside, face) {
            return (beside, face, opposite(toward), 2);
        }
        let over = self.across(beside, face);
        if !self.is_bonded(over, opposite(toward)) {
            return (over, opposite(toward), opposite(face), 3);
        }
        (self.across(over, opposite(toward)), opposite(face), toward, 4)
    }

    /// How many of the four cells round an edge are of the surface's body of cells.
    fn cells_round(&self, cell: u32, face: Face, toward: Face) -> usize {
        let slot = self.slot[cell as usize] as usize;
        let (beside, over) = (self.beside(slot, toward), self.beside(slot, face));
        [slot, beside, over, self.beside(over, toward)]
            .iter()
            .filter(|s| self.grid[**s] != NONE && self.is_in[self.grid[**s] as usize])
            .count()
    }

    fn build(self) -> Vec<BodyMesh> {
        let (quads, joins) = self.quads_and_joins();
        let mut points = Points::of(&self, &quads, &joins);
        points.smooth(self.model, self.model.cells.size_mm as f32);
        let doubles = points.part_doubles(&quads, &joins);
        self.assemble(&quads, &points, &doubles)
    }

    fn quads_and_joins(&self) -> (Vec<Quad>, Vec<Join>) {
        let mut quads = Vec::new();
        let mut number = vec![NONE; 6 * self.bonded.len()];
        for cell in (0..self.bonded.len()).filter(|c| self.is_in[*c] && self.bonded[*c] != 0b11_1111) {
            for face in (0..6).filter(|f| !self.is_bonded(cell as u32, *f)) {
                number[6 * cell + face] = quads.len() as u32;
                quads.push(Quad { cell: cell as u32, face, kind: self.kind(cell as u32, face) });
            }
        }
        let mut joins = Vec::with_capacity(2 * quads.len());
        for (quad, Quad { cell, face, .. }) in quads.iter().enumerate() {
            for axis in TANGENTS[face / 2] {
                for toward in [2 * axis, 2 * axis + 1] {
                    let (next_cell, next_face, next_toward, met) = self.next_round(*cell, *face, toward);
                    let next = number[6 * next_cell as usize + next_face];
                    // Each join is met from both sides.
                    if (quad as u32) < next {
                        joins.push(Join {
                            quads: [quad as u32, next],
                            toward: [toward, next_toward],
                            is_crowded: met < self.cells_round(*cell, *face, toward),
                        });
                    }
                }
            }
        }
        (quads, joins)
    }

    /// The corner of the grid where a corner of a face lies, as steps from the lower corner of the free layer.
    fn grid_corner(&self, quad: &Quad, corner: usize) -> [usize; 3] {
        let mut slot = self.slot[quad.cell as usize] as usize;
        let mut step = [0; 3];
        for axis in [2, 1, 0] {
            step[axis] = slot / self.strides[axis];
            slot %= self.strides[axis];
        }
        step[quad.face / 2] += usize::from(quad.face.is_multiple_of(2));
        let [first, second] = TANGENTS[quad.face / 2];
        step[first] += corner & 1;
        step[second] += corner >> 1;
        step
    }

    /// Pieces with their points, vertices and triangles.
    fn assemble(&self, quads: &[Quad], points: &Points, doubles: &Doubles) -> Vec<BodyMesh> {
        let mut order: Vec<u32> = (0..quads.len() as u32).collect();
        let body_of = |quad: &Quad| self.lens.fragment[quad.cell as usize];
        let is_wall = |quad: &Quad| quad.kind == Kind::Wall;
        // Stable: the cells' order stays within.
        order.sort_by_key(|q| (body_of(&quads[*q as usize]), is_wall(&quads[*q as usize])));
        let mut number = vec![NONE; points.place_mm.len() + doubles.middles.len()];
        let (mut meshes, mut corners) = (Vec::new(), Vec::new());
        for group in order.chunk_by(|a, b| body_of(&quads[*a as usize]) == body_of(&quads[*b as usize])) {
            let (mut places, mut sides, mut triangles, mut kinds) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
            let body = body_of(&quads[group[0] as usize]);
            let has_sides = crack_of(self.lens, self.opening, body).is_some();
            let mut local = |point: u32| {
                let number = &mut number[point as usize];
                if *number == NONE {
                    *number = places.len() as u32;
                    let (place, side) = doubles.place_and_side(points, point);
                    places.push(place);
                    sides.push(if has_sides { side } else { 0.0 });
                }
                *number
            };
            for quad in group {
                let Quad { face, kind, .. } = quads[*quad as usize];
                doubles.outline(points, *quad, face, &mut corners);
                // A quad without double edges is cut along one diagonal, its twin across the crack along the other.
                for i in 1..corners.len() - 1 {
                    triangles.push([corners[0], corners[i], corners[i + 1]].map(&mut local));
                    kinds.push(kind);
                }
            }
            meshes.push(Shaper { model: self.model, places, sides, triangles, kinds }.mesh(body));
        }
        meshes
    }
}

/// The points of the surface: corners of faces that belong together.
struct Points {
    /// By corner of a quad (4 to each): its point.
    of_corner: Vec<u32>,
    place_mm: Vec<Vector3<f32>>,
    /// Where each was on the grid.
    grid_mm: Vec<Vector3<f32>>,
    /// Side of an unfinished crack.
    side: Vec<f32>,
    is_outer: Vec<bool>,
    is_zone: Vec<bool>,
    /// Edges between points, and those of them that are rims.
    edges: Vec<[u32; 2]>,
    rims: Vec<[u32; 2]>,
    is_rim: Vec<bool>,
    /// Points that were the same corner of the grid, where there are several.
    together: Vec<Vec<u32>>,
}

impl Points {
    fn of(builder: &Builder<'_>, quads: &[Quad], joins: &[Join]) -> Self {
        let mut parent: Vec<u32> = (0..4 * quads.len() as u32).collect();
        for join in joins {
            for end in [0, 1] {
                let [a, b] = join.corners(quads, end);
                let (a, b) = (root(&mut parent, a), root(&mut parent, b));
                parent[a.max(b) as usize] = a.min(b);
            }
        }
        let mut of_corner = vec![NONE; parent.len()];
        let (mut grid_mm, mut grid_number): (Vec<Vector3<f32>>, Vec<(u32, u32)>) = (Vec::new(), Vec::new());
        let strides = builder.strides.map(|s| s as u32);
        for corner in 0..parent.len() {
            let lead = root(&mut parent, corner as u32) as usize;
            if of_corner[lead] == NONE {
                let point = grid_mm.len() as u32;
                of_corner[lead] = point;
                let step = builder.grid_corner(&quads[lead / 4], lead % 4);
                let place = builder.low_mm + Vector3::from(step.map(|s| s as f64)) * builder.model.cells.size_mm;
                grid_mm.push(place.cast());
                grid_number.push(((0..3).map(|a| step[a] as u32 * strides[a]).sum(), point));
            }
            of_corner[corner] = of_corner[lead];
        }
        grid_number.sort_unstable();
        let together = grid_number
            .chunk_by(|a, b| a.0 == b.0)
            .filter(|group| group.len() > 1)
            .map(|group| group.iter().map(|(_, point)| *point).collect())
            .collect();

        let count = grid_mm.len();
        let (mut is_outer, mut is_zone) = (vec![false; count], vec![false; count]);
        let mut seen = vec![0u8; count]; // 1: a cell above, 2: a cell below
        let mut of_body = (GONE, None);
        let mut is_above_of = Vec::with_capacity(quads.len());
        for (number, quad) in quads.iter().enumerate() {
            let body = builder.lens.fragment[quad.cell as usize];
            if of_body.0 != body {
                of_body = (body, crack_of(builder.lens, builder.opening, body));
            }
            let is_above = of_body.1.is_some_and(|crack| crack.is_above[quad.cell as usize]);
            is_above_of.push(is_above);
            for corner in &of_corner[4 * number..4 * number + 4] {
                seen[*corner as usize] |= if is_above { 1 } else { 2 };
                is_outer[*corner as usize] |= quad.kind == Kind::Outer;
                is_zone[*corner as usize] |= quad.kind == Kind::Zone;
            }
        }
        let side = seen.iter().map(|seen| [0.0, 1.0, -1.0, 0.0][usize::from(*seen)]).collect();

        let (mut edges, mut rims, mut is_rim) = (Vec::with_capacity(joins.len()), Vec::new(), vec![false; count]);
        for join in joins {
            let ends = [0, 1].map(|end| of_corner[join.corners(quads, end)[0] as usize]);
            let [a, b] = join.quads.map(|q| q as usize);
            // A crack's front is a rim between its two walls.
            let is_front = quads[a].kind == Kind::Wall
                && (is_above_of[a] != is_above_of[b] || quads[a].face == opposite(quads[b].face));
            if quads[a].kind != quads[b].kind || is_front {
                rims.push(ends);
                ends.iter().for_each(|end| is_rim[*end as usize] = true);
            }
            edges.push(ends);
        }
        // A point on a rim is only moved along rims, whatever else it is joined to.
        edges.retain(|ends| ends.iter().any(|end| !is_rim[*end as usize]));
        Self { of_corner, place_mm: grid_mm.clone(), grid_mm, side, is_outer, is_zone, edges, rims, is_rim, together }
    }

    fn smooth(&mut self, model: &Model, size_mm: f32) {
        let (shape, core) = (&model.field.shape, &model.field.core);
        let count = self.place_mm.len();
        let mut sum = vec![Vector3::zeros(); count];
        let mut neighbours = vec![0f32; count];
        let is_rim = &self.is_rim;
        for [a, b] in &self.rims {
            neighbours[*a as usize] += 1.0;
            neighbours[*b as usize] += 1.0;
        }
        for [a, b] in self.edges.iter() {
            for end in [a, b].map(|e| *e as usize) {
                neighbours[end] += if is_rim[end] { 0.0 } else { 1.0 };
            }
        }
        self.settle(shape, core, size_mm);
        for step in (0..ROUNDS).flat_map(|_| [FORWARD, BACK]) {
            sum.fill(Vector3::zeros());
            for [a, b] in self.rims.iter().map(|e| e.map(|p| p as usize)) {
                sum[a] += self.place_mm[b];
                sum[b] += self.place_mm[a];
            }
            for [a, b] in self.edges.iter().map(|e| e.map(|p| p as usize)) {
                if !self.is_rim[a] {
                    sum[a] += self.place_mm[b];
                }
                if !self.is_rim[b] {
                    sum[b] += self.place_mm[a];
                }
            }
            for (point, place) in self.place_mm.iter_mut().enumerate() {
                // What is held on a surface cannot shrink, and so need not go back.
                let is_held = self.is_outer[point] || self.is_zone[point];
                if neighbours[point] > 0.0 && (step > 0.0 || !is_held) {
                    *place += (sum[point] / neighbours[point] - *place) * step;
                }
            }
            self.settle(shape, core, size_mm);
        }
    }

    /// Bring points that were one corner together, outer ones onto the outside, and the others near where they were.
    fn settle(&mut self, shape: &Shape, core: &Core, size_mm: f32) {
        for group in &self.together {
            let middle = group.iter().map(|p| self.place_mm[*p as usize]).sum::<Vector3<f32>>() / group.len() as f32;
            group.iter().for_each(|p| self.place_mm[*p as usize] = middle);
        }
        let (outside, zone) = (Ball::of_shape(shape), Ball::of_core(core));
        for (point, place) in self.place_mm.iter_mut().enumerate() {
            if self.is_outer[point] {
                *place = outside.onto(place);
            } else if self.is_zone[point] {
                *place = zone.onto(place);
            } else {
                let from = self.grid_mm[point];
                let most = LOOSE_CELLS * size_mm;
                *place = from + (*place - from).map(|d| d.clamp(-most, most));
            }
        }
    }

    /// Two joins between the same two points would make four triangles share an edge: all but the first get a point in the
    /// middle of their edge.
    fn part_doubles(&self, quads: &[Quad], joins: &[Join]) -> Doubles {
        let mut crowded: Vec<([u32; 2], &Join)> = joins
            .iter()
            .filter(|j| j.is_crowded)
            .map(|join| {
                let mut ends = [0, 1].map(|end| self.of_corner[join.corners(quads, end)[0] as usize]);
                ends.sort_unstable();
                (ends, join)
            })
            .collect();
        crowded.sort_by_key(|(ends, join)| (*ends, join.quads));
        let mut doubles = Doubles { middles: Vec::new(), at: Vec::new() };
        for group in crowded.chunk_by(|a, b| a.0 == b.0) {
            for (ends, join) in &group[1..] {
                let point = (self.place_mm.len() + doubles.middles.len()) as u32;
                doubles.middles.push(*ends);
                doubles.at.extend([0, 1].map(|i| (join.quads[i], join.toward[i], point)));
            }
        }
        doubles.at.sort_unstable();
        doubles
    }
}

impl Join {
    /// The corners of both quads at one end of their edge.
    fn corners(&self, quads: &[Quad], end: usize) -> [u32; 2] {
        [0, 1].map(|i| {
            let quad = self.quads[i];
            4 * quad + corner_toward(quads[quad as usize].face, self.toward[i], end) as u32
        })
    }
}

/// Points in the middle of double edges.
struct Doubles {
    /// The ends of each.
    middles: Vec<[u32; 2]>,
    /// Quad, toward which face its edge lies, and the point there; sorted.
    at: Vec<(u32, Face, u32)>,
}

fn root(parent: &mut [u32], mut corner: u32) -> u32 {
    while parent[corner as usize] != corner {
        let above = parent[parent[corner as usize] as usize];
        parent[corner as usize] = above;
        corner = above;
    }
    corner
}

impl Doubles {
    /// Place and side of a point of the surface or of a middle.
    fn place_and_side(&self, points: &Points, point: u32) -> (Vector3<f32>, f32) {
        let known = |point: u32| (points.place_mm[point as usize], points.side[point as usize]);
        if (point as usize) < points.place_mm.len() {
            return known(point);
        }
        let [a, b] = self.middles[point as usize - points.place_mm.len()].map(known);
        ((a.0 + b.0) * 0.5, if a.1 == b.1 { a.1 } else { 0.0 })
    }

    /// The points round a quad, counter-clockwise seen from outside, from where it is to be cut into triangles.
    fn outline(&self, points: &Points, quad: u32, face: Face, outline: &mut Vec<u32>) {
        let [first, second] = TANGENTS[face / 2];
        // Corners in turn, and toward which face the edge after each lies.
        let mut turn = [(0, 2 * second + 1), (1, 2 * first), (3, 2 * second), (2, 2 * first + 1)];
        let is_turned = (face / 2 == 1) == face.is_multiple_of(2);
        if is_turned {
            turn = [(1, 2 * second + 1), (0, 2 * first + 1), (2, 2 * second), (3, 2 * first)];
        }
        // The two faces on either side of a crack are cut along different diagonals.
        let is_second = !face.is_multiple_of(2);
        if (turn[0].0 == 1 || turn[0].0 == 2) != is_second {
            turn.rotate_left(1);
        }
        outline.clear();
        let mut start = 0;
        for (corner, toward) in turn {
            outline.push(points.of_corner[4 * quad as usize + corner]);
            if let Ok(at) = self.at.binary_search_by_key(&(quad, toward), |(quad, toward, _)| (*quad, *toward)) {
                start = outline.len();
                outline.push(self.at[at].2);
            }
        }
        outline.rotate_left(start);
    }
}

/// Two half-ellipsoids of revolution that meet at the equator.
struct Ball {
    centre_mm: Vector3<f32>,
    equator_mm: f32,
    front_mm: f32,
    back_mm: f32,
}

impl Ball {
    fn of_shape(shape: &Shape) -> Self {
        Self {
            centre_mm: Vector3::zeros(),
            equator_mm: shape.equator_mm as f32,
            front_mm: shape.front_mm as f32,
            back_mm: shape.back_mm as f32,
        }
    }

    fn of_core(core: &Core) -> Self {
        let half_mm = core.half_thickness_mm as f32;
        Self {
            centre_mm: core.centre_mm.cast(),
            equator_mm: core.radius_mm as f32,
            front_mm: half_mm,
            back_mm: half_mm,
        }
    }

    /// The gradient of the squared reach, halved, and the reach: 1 on the surface.
    fn gradient_and_reach(&self, p: &Vector3<f32>) -> (Vector3<f32>, f32) {
        let d = p - self.centre_mm;
        let height_mm = if d.z >= 0.0 { self.front_mm } else { self.back_mm };
        let (across, along) = (self.equator_mm.powi(-2), height_mm.powi(-2));
        let gradient = Vector3::new(d.x * across, d.y * across, d.z * along);
        (gradient, d.dot(&gradient).sqrt())
    }

    /// The place on the surface in the same direction from the centre.
    fn onto(&self, p: &Vector3<f32>) -> Vector3<f32> {
        let (_, reach) = self.gradient_and_reach(p);
        self.centre_mm + (p - self.centre_mm) / reach.max(1e-3)
    }

    fn normal(&self, p: &Vector3<f32>) -> Vector3<f32> {
        self.gradient_and_reach(p).0.normalize()
    }

    /// Depth below the surface, to first order, and no more than the half thickness.
    fn depth_mm(&self, p: &Vector3<f32>) -> f32 {
        let (gradient, reach) = self.gradient_and_reach(p);
        let most_mm = self.front_mm.min(self.back_mm);
        if reach < 1e-3 { most_mm } else { ((1.0 - reach) * reach / gradient.norm()).clamp(0.0, most_mm) }
    }
}

/// Makes vertices of points: one for each smooth part that meets there.
struct Shaper<'a> {
    model: &'a Model,
    places: Vec<Vector3<f32>>,
    sides: Vec<f32>,
    triangles: Vec<[u32; 3]>,
    /// By triangle.
    kinds: Vec<Kind>,
}

impl Shaper<'_> {
    fn mesh(self, body: u16) -> BodyMesh {
        let Self { model, places, sides, triangles, kinds } = self;
        // Corners of triangles by point, one after the other.
        let mut from = vec![0u32; places.len() + 1];
        triangles.iter().flatten().for_each(|p| from[*p as usize + 1] += 1);
        for i in 1..from.len() {
            from[i] += from[i - 1];
        }
        let mut next = from.clone();
        let mut corners = vec![0u32; 3 * triangles.len()];
        for (corner, point) in triangles.iter().flatten().enumerate() {
            corners[next[*point as usize] as usize] = corner as u32;
            next[*point as usize] += 1;
        }
        let crosses: Vec<Vector3<f32>> = triangles
            .iter()
            .map(|t| {
                let [a, b, c] = t.map(|p| places[p as usize]);
                (b - a).cross(&(c - a))
            })
            .collect();
        let outside = Ball::of_shape(&model.field.shape);
        let zone = Ball::of_core(&model.field.core);
        let mut drawn = vec![[0u32; 3]; triangles.len()];
        let mut vertices: Vec<Vertex> = Vec::with_capacity(places.len() * 9 / 8);
        for (point, place) in places.iter().enumerate() {
            let first = vertices.len();
            let core_weight = model.field.core.weight(&place.cast()) as f32;
            let depth_mm = outside.depth_mm(place);
            let mut sums: [Vector3<f32>; 8] = [Vector3::zeros(); 8];
            for corner in &corners[from[point] as usize..from[point + 1] as usize] {
                let (triangle, which) = (*corner as usize / 3, *corner as usize % 3);
                let (kind, cross) = (kinds[triangle], crosses[triangle]);
                let is_exact = matches!(kind, Kind::Outer | Kind::Zone);
                let fits = |v: &usize| {
                    let sum = sums[*v - first];
                    let is_smooth = sum.dot(&cross) >= CREASE_COS * sum.norm() * cross.norm();
                    vertices[*v].kind == kind && (is_exact || is_smooth)
                };
                let found = (first..vertices.len()).find(fits);
                let vertex = found.unwrap_or_else(|| {
                    if vertices.len() - first < sums.len() {
                        vertices.push(Vertex {
                            point: point as u32,
                            rest_mm: (*place).into(),
                            normal: [0.0, 0.0, 1.0],
                            side: sides[point],
                            core_weight,
                            depth_mm,
                            kind,
                        });
                    }
                    vertices.len() - 1
                });
                sums[vertex - first] += cross;
                drawn[triangle][which] = vertex as u32;
            }
            for (vertex, sum) in vertices[first..].iter_mut().zip(sums) {
                let normal = match vertex.kind {
                    Kind::Outer => outside.normal(place),
                    Kind::Zone => zone.normal(place),
                    Kind::Bite | Kind::Wall => sum.try_normalize(1e-12).unwrap_or_else(|| outside.normal(place)),
                };
                vertex.normal = normal.into();
            }
        }
        let walls_from = kinds.iter().position(|k| *k == Kind::Wall).unwrap_or(kinds.len());
        BodyMesh { body, points: places.len(), vertices, triangles: drawn, walls_from }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;
    use crate::app::view::trial::{model, until};
    use crate::sim::event::EventKind;

    /// In the midst of the chop, with a crack well open and a hinge left.
    fn half_open(model: &Model) -> State {
        let state = until(model, |s| {
            s.opening.as_ref().is_some_and(|o| {
                let progress = o.progress();
                progress.opening_mm.abs() > 0.3 && progress.core_fraction_cracked > 0.4
            })
        });
        assert!(state.opening.as_ref().is_some_and(|o| o.pieces.is_empty()), "it came apart before a crack was open");
        state
    }

    fn chopped(model: &Model) -> State {
        let state = until(model, |_| false);
        assert!(state.events.iter().any(|e| matches!(e.kind, EventKind::BodySplit { .. })));
        state
    }

    /// Surfaces of the whole lens and of its core as they stand.
    fn surfaces(model: &Model, state: &State) -> [Vec<BodyMesh>; 2] {
        let opening = state.opening.as_deref();
        [lens_surface(model, &state.lens, opening), core_surface(model, &state.lens, opening)]
    }

    /// Every edge between two points is shared by exactly two triangles, which go along it in opposite directions.
    fn check_closed(mesh: &BodyMesh) {
        let point = |v: u32| mesh.vertices[v as usize].point;
        let mut edges: Vec<(u32, u32, bool)> = Vec::new();
        for triangle in &mesh.triangles {
            for i in 0..3 {
                let (a, b) = (point(triangle[i]), point(triangle[(i + 1) % 3]));
                assert_ne!(a, b, "body {}: a triangle with two corners at one point", mesh.body);
                edges.push((a.min(b), a.max(b), a < b));
            }
        }
        edges.sort_unstable();
        for edge in edges.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)) {
            assert_eq!(edge.len(), 2, "body {}: an edge of {} triangles", mesh.body, edge.len());
            assert_ne!(edge[0].2, edge[1].2, "body {}: neighbours turned against each other", mesh.body);
        }
    }

    #[test]
    fn surfaces_are_closed_whole_chopped_half_open_and_at_any_damage() {
        let model = model();
        let whole = State::new(&model);
        for state in [&whole, &half_open(&model), &chopped(&model)] {
            for mesh in surfaces(&model, state).iter().flatten() {
                check_closed(mesh);
            }
        }
        // Bonds broken and cells gone at random: every awkward meeting of cells there is.
        let mut torn = whole;
        torn.lens.is_cracked = true;
        let mut random = 1u64;
        let mut next = || {
            random = mixed(random, 7);
            random % 100
        };
        torn.lens.damage.iter_mut().for_each(|d| *d = f32::from(u8::from(next() < 30)));
        torn.lens.fragment.iter_mut().for_each(|f| *f = if next() < 20 { GONE } else { 0 });
        for mesh in surfaces(&model, &torn).iter().flatten() {
            check_closed(mesh);
        }
    }

    #[test]
    fn the_surface_encloses_as_much_as_its_cells() {
        let model = model();
        for state in [State::new(&model), half_open(&model), chopped(&model)] {
            let [lens, core] = surfaces(&model, &state);
            for (meshes, is_in) in [(lens, 0.0), (core, 0.5)] {
                for mesh in meshes {
                    let is_its =
                        |c: &usize| state.lens.fragment[*c] == mesh.body && model.cells.core_weight[*c] >= is_in;
                    let cells_ul = (0..model.cells.count()).filter(is_its).count() as f64 * model.cells.cell_ul();
                    let share = mesh.volume_ul() / cells_ul;
                    assert!((share - 1.0).abs() < 0.06 || cells_ul < 1.0, "body {}: {share} of {cells_ul}", mesh.body);
                }
            }
        }
    }

    #[test]
    fn the_outside_lies_on_the_ellipsoid_and_the_zone_on_the_core() {
        let model = model();
        let state = chopped(&model);
        let [lens, core] = surfaces(&model, &state);
        let (shape, core_spec) = (&model.field.shape, &model.field.core);
        let mut counts = [0, 0];
        for vertex in lens.iter().chain(&core).flat_map(|m| &m.vertices) {
            let p: Vector3<f64> = Vector3::from(vertex.rest_mm).cast();
            let (off_mm, count) = match vertex.kind {
                Kind::Outer => {
                    let r = libm::hypot(p.x, p.y);
                    let height = if p.z >= 0.0 { shape.front_mm } else { shape.back_mm };
                    (libm::hypot(r / shape.equator_mm, p.z / height) - 1.0, 0)
                }
                Kind::Zone if !lens[0].vertices.iter().any(|v| v.is_outer() && v.rest_mm == vertex.rest_mm) => {
                    let d = p - core_spec.centre_mm;
                    let across = libm::hypot(d.x, d.y) / core_spec.radius_mm;
                    (libm::hypot(across, d.z / core_spec.half_thickness_mm) - 1.0, 1)
                }
                _ => continue,
            };
            counts[count] += 1;
            assert!(off_mm.abs() * shape.equator_mm < 1e-3, "{off_mm} at {p:?}");
        }
        assert!(counts[0] > 5000 && counts[1] > 2000, "{counts:?}");
    }

    #[test]
    fn walls_of_an_open_crack_stand_as_far_apart_as_the_engine_has_them() {
        let model = model();
        let state = half_open(&model);
        let opening = state.opening.as_deref().unwrap();
        let [lens, _] = surfaces(&model, &state);
        let mesh = &lens[0];
        let placed = place(mesh, &state);
        // Points of either side that were the same corner.
        let mut sides: Vec<([i32; 3], usize)> = Vec::new();
        for (i, vertex) in mesh.vertices.iter().enumerate().filter(|(_, v)| v.is_crack_wall() && v.side != 0.0) {
            sides.push((vertex.rest_mm.map(|c| (c * 1000.0).round() as i32), i));
        }
        sides.sort_unstable();
        let (relative, turn) = {
            let ([a, b], [c, d]) =
                ([1.0, -1.0].map(|s| opening.side_pose(s).0), [1.0, -1.0].map(|s| opening.side_pose(s).1));
            (a - b, c - d)
        };
        let (mut largest, mut engine, mut pairs) = (0.0f64, 0.0f64, 0);
        for group in sides.chunk_by(|a, b| a.0 == b.0) {
            let of = |side: f32| group.iter().map(|(_, i)| *i).find(|i| mesh.vertices[*i].side == side);
            let (Some(upper), Some(lower)) = (of(1.0), of(-1.0)) else { continue };
            let at = |i: usize| Vector3::from(placed.positions[i].map(f64::from));
            let p = Vector3::from(mesh.vertices[upper].rest_mm.map(f64::from));
            let gap_mm = (at(upper) - at(lower)).norm();
            let parted_mm = (relative + turn.cross(&p)).norm();
            assert!((gap_mm - parted_mm).abs() < 0.2 * parted_mm + 0.01, "{gap_mm} where the engine has {parted_mm}");
            largest = largest.max(gap_mm);
            engine = engine.max(parted_mm);
            pairs += 1;
        }
        assert!(pairs > 200, "only {pairs} places of the crack");
        assert!(largest > 0.3, "the crack is open by {largest} mm");
        assert!((largest / engine - 1.0).abs() < 0.2, "{largest} mm where the engine has {engine} mm");
        // The hinge holds both sides together.
        assert!(mesh.vertices.iter().any(|v| v.side == 0.0), "no hinge");
        // Walls look at each other.
        let facing = |side: f32| {
            let walls = mesh.vertices.iter().filter(|v| v.is_crack_wall() && v.side == side);
            walls.map(|v| Vector3::from(v.normal.map(f64::from))).sum::<Vector3<f64>>().normalize()
        };
        assert!(facing(1.0).dot(&opening.plane.normal) < -0.9, "the upper side's wall looks down");
        assert!(facing(-1.0).dot(&opening.plane.normal) > 0.9, "the lower side's wall looks up");
    }

    #[test]
    fn the_key_changes_with_what_the_surface_depends_on_and_with_nothing_else() {
        let model = model();
        let mut state = half_open(&model);
        let key = SurfaceKey::of_state(&state);
        state.lens.pose[0].place_mm.x += 0.1;
        assert_eq!(SurfaceKey::of_state(&state), key);
        let mut eaten = state.clone();
        eaten.lens.fragment[1000] = GONE;
        assert_ne!(SurfaceKey::of_state(&eaten), key);
        let mut broken = state.clone();
        broken.lens.damage[13 * 1000 + 2] = 1.0;
        assert_ne!(SurfaceKey::of_state(&broken), key);
        let mut let_go = state;
        let_go.opening = None;
        assert_ne!(SurfaceKey::of_state(&let_go), key);
    }
}

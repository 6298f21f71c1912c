//! Fragments: what still hangs together.
//!
//! A fragment is a connected component of cells over bonds whose damage is below 1; a half-cracked hinge still joins.
//! The component with the first cell of a fragment keeps its number and the others get the next free ones, so the numbering
//! is the same everywhere and a fragment keeps its name. Where they are is told by their poses (`fragments`).

use crate::sim::adhesion::HOURS;
use crate::sim::cells::{NONE, bond_id};
use crate::sim::event::EventKind;
use crate::sim::opening::Opening;
use crate::sim::{Inputs, Lens, Model, State};
use nalgebra::Vector3;

/// The mark of a cell that has been removed.
pub const GONE: u16 = u16::MAX;

/// Smallest volume that counts as a piece, µL (A: by definition).
pub const PIECE_UL: f64 = 0.5;

/// Nucleus in a piece below which none is left worth the name, µL (A: half a millimetre across).
pub const LEAST_NUCLEUS_UL: f64 = 0.1;

/// A chop whose last bond failed: let the body come apart; so does what has been eaten through.
pub fn split(model: &Model, state: &mut State, _: &Inputs) {
    part_eaten(model, state);
    let Some(opening) = &state.opening else { return };
    let is_new = opening.is_complete
        && state.chop_event.is_some_and(|begun| {
            !state.events[begun as usize..].iter().any(|e| matches!(e.kind, EventKind::BodySplit { .. }))
        });
    if !is_new {
        return;
    }
    opening.write_damage(&mut state.lens);
    let parted = part(model, &mut state.lens, opening);
    if let Some(opening) = &mut state.opening {
        opening.pieces = parted;
    }
    let pieces = pieces(&state.lens);
    state.note(state.chop_event, EventKind::BodySplit { pieces });
}

/// Let what hangs together no longer come apart along a crack: each piece takes its side's place. Returns the pieces with
/// their sides.
fn part(model: &Model, lens: &mut Lens, opening: &Opening) -> Vec<(u16, f64)> {
    let before = lens.fragment.clone();
    relabel(model, lens);
    let mut parted: Vec<(u16, f64)> = Vec::new();
    for (cell, was) in before.iter().enumerate().filter(|(_, was)| **was == opening.body) {
        let now = lens.fragment[cell];
        if now != GONE && *was == opening.body && !parted.iter().any(|(body, _)| *body == now) {
            parted.push((now, if opening.is_above[cell] { 1.0 } else { -1.0 }));
        }
    }
    for (body, side) in &parted {
        lens.pose[usize::from(*body)] = opening.pose_of_side(*side);
    }
    lens.seams.retain(|seam| !parted.iter().any(|(body, _)| *body == seam.body));
    parted
}

/// An unfinished crack gave way under a pull.
pub fn part_seam(model: &Model, state: &mut State, body: u16) {
    let Some(at) = state.lens.seams.iter().position(|s| s.body == body) else { return };
    let mut seam = state.lens.seams.remove(at);
    seam.base = state.lens.pose_of(body);
    seam.write_damage(&mut state.lens);
    part(model, &mut state.lens, &seam);
    let cause = state.latest(|k| matches!(k, EventKind::Gripped { .. }));
    let pieces = pieces(&state.lens);
    state.note(cause, EventKind::BodySplit { pieces });
}

/// Time between looks for what has been eaten apart, ticks (A: half a second at the usual tick; it is the dearest look).
const LOOK_TICKS: u64 = 120;

/// A piece that has been eaten through comes apart. A lens in one piece loses soft shell only, and stays one.
fn part_eaten(model: &Model, state: &mut State) {
    let is_due = state.opening.is_none() && state.tick.is_multiple_of(LOOK_TICKS);
    if state.lens.is_eaten && is_due && !state.lens.is_whole() {
        state.lens.is_eaten = false;
        relabel(model, &mut state.lens);
    }
}

/// Number of fragments of at least `PIECE_UL`.
pub fn pieces(lens: &Lens) -> u32 {
    lens.volume_ul.iter().filter(|v| **v >= PIECE_UL).count() as u32
}

/// Number the components anew.
///
/// Joined by a forest of parents (Tarjan 1975), in one pass over the cells in order: a walk from cell to cell would jump
/// about in memory.
pub fn relabel(model: &Model, lens: &mut Lens) {
    let cells = &model.cells;
    let is_rough = rough_cells(model, lens);
    let mut parent: Vec<u32> = (0..cells.count() as u32).collect();
    for (cell, &is_rough) in is_rough.iter().enumerate() {
        if !is_rough {
            // All its bonds are whole, and the three axes reach as far as all 13 directions.
            for &ahead in cells.forward[cell][..3].iter().filter(|n| **n != NONE) {
                join(&mut parent, cell as u32, ahead);
            }
        } else if lens.fragment[cell] != GONE {
            for direction in 0..13 {
                let (ahead, behind) = (cells.forward[cell][direction], cells.backward[cell][direction]);
                for (owner, other) in [(cell as u32, ahead), (behind, behind)] {
                    let is_bonded = other != NONE
                        && lens.fragment[other as usize] != GONE
                        && lens.damage[bond_id(owner, direction)] < 1.0;
                    if is_bonded {
                        join(&mut parent, cell as u32, other);
                    }
                }
            }
        }
    }
    // The first component that holds cells of a fragment keeps its number; the others get new ones, where the fragment was.
    let (before, poses) = (lens.volume_ul.len(), lens.pose.clone());
    lens.volume_ul.fill(0.0);
    lens.nucleus_ul.fill(0.0);
    let mut is_kept = vec![false; before];
    let mut number_of = vec![GONE; cells.count()];
    for cell in 0..cells.count() {
        let was = usize::from(lens.fragment[cell]);
        if lens.fragment[cell] == GONE {
            continue;
        }
        let lead = root(&mut parent, cell as u32) as usize;
        if number_of[lead] == GONE {
            if !is_kept[was] {
                is_kept[was] = true;
                number_of[lead] = was as u16;
            } else {
                // More than 65,000 crumbs cannot be told apart by number; the rest share the last one.
                number_of[lead] = u16::try_from(lens.volume_ul.len()).unwrap_or(GONE).min(GONE - 1);
                if usize::from(number_of[lead]) == lens.volume_ul.len() {
                    lens.volume_ul.push(0.0);
                    lens.nucleus_ul.push(0.0);
                    lens.is_nuclear.push(true);
                    lens.pose.push(poses[was]);
                    lens.sector_share.push([0.0; HOURS]);
                    lens.ball_mm.push((Vector3::zeros(), 0.0));
                }
            }
        }
        lens.fragment[cell] = number_of[lead];
        lens.volume_ul[usize::from(number_of[lead])] += cells.cell_ul();
        lens.nucleus_ul[usize::from(number_of[lead])] += cells.nucleus_ul(cell);
    }
    // A piece of nucleus stays one until it is eaten up; what comes off anew is one if it is worth the name.
    for (body, (is_nuclear, nucleus_ul)) in lens.is_nuclear.iter_mut().zip(&lens.nucleus_ul).enumerate() {
        let least_ul = if body < before { LEAST_NUCLEUS_UL } else { PIECE_UL };
        *is_nuclear &= *nucleus_ul >= least_ul;
    }
    share_surface(model, lens);
    enclose(model, lens);
}

/// A ball round every fragment: about the middle of its box, out to the box's corner.
fn enclose(model: &Model, lens: &mut Lens) {
    let nowhere = (Vector3::repeat(f64::INFINITY), Vector3::repeat(f64::NEG_INFINITY));
    let mut boxes = vec![nowhere; lens.volume_ul.len()];
    for (place, &fragment) in model.cells.place_mm.iter().zip(&lens.fragment) {
        if let Some((low, high)) = boxes.get_mut(usize::from(fragment)) {
            (*low, *high) = (low.inf(place), high.sup(place));
        }
    }
    for (ball, (low, high)) in lens.ball_mm.iter_mut().zip(boxes) {
        let is_there = low.x <= high.x;
        *ball = if is_there {
            (0.5 * (low + high), 0.5 * (high - low).norm() + model.cells.size_mm)
        } else {
            (Vector3::zeros(), 0.0)
        };
    }
}

/// Who owns how much of the outer surface, by clock hour.
fn share_surface(model: &Model, lens: &mut Lens) {
    lens.sector_share.fill([0.0; HOURS]);
    let mut whole = [0.0; HOURS];
    for (cell, sector) in model.cells.outer.iter().map(|(cell, sector)| (*cell as usize, usize::from(*sector))) {
        whole[sector] += 1.0;
        if let Some(shares) = lens.sector_share.get_mut(usize::from(lens.fragment[cell])) {
            shares[sector] += 1.0;
        }
    }
    for shares in &mut lens.sector_share {
        for (share, whole) in shares.iter_mut().zip(whole) {
            *share /= f64::max(whole, 1.0);
        }
    }
}

/// Let two components become one; its first cell leads.
fn join(parent: &mut [u32], a: u32, b: u32) {
    if parent[a as usize] != parent[b as usize] {
        let (a, b) = (root(parent, a), root(parent, b));
        parent[a.max(b) as usize] = a.min(b);
    }
}

/// The first cell of a component, shortening the way there.
fn root(parent: &mut [u32], mut cell: u32) -> u32 {
    while parent[cell as usize] != cell {
        let above = parent[parent[cell as usize] as usize];
        parent[cell as usize] = above;
        cell = above;
    }
    cell
}

/// Cells with a broken bond or a removed neighbour, their neighbours, and the few at the lens's surface that hang on a
/// diagonal: only there can a diagonal bond join what the axes do not.
fn rough_cells(model: &Model, lens: &Lens) -> Vec<bool> {
    let cells = &model.cells;
    let mut is_torn = vec![false; cells.count()];
    for (cell, bonds) in lens.damage.chunks_exact(13).enumerate() {
        if bonds.iter().fold(0.0, |most: f32, d| most.max(*d)) >= 1.0 {
            is_torn[cell] = true;
            for (direction, _) in bonds.iter().enumerate().filter(|(_, d)| **d >= 1.0) {
                is_torn[cells.forward[cell][direction] as usize] = true;
            }
        }
    }
    for cell in (0..cells.count()).filter(|c| lens.fragment[*c] == GONE) {
        for &n in cells.forward[cell].iter().chain(&cells.backward[cell]) {
            if n != NONE {
                is_torn[n as usize] = true;
            }
        }
    }
    let mut is_rough: Vec<bool> = is_torn.iter().zip(&cells.is_plain).map(|(torn, plain)| *torn || !plain).collect();
    for cell in (0..cells.count()).filter(|c| is_torn[*c]) {
        for &n in cells.forward[cell].iter().chain(&cells.backward[cell]) {
            if n != NONE {
                is_rough[n as usize] = true;
            }
        }
    }
    is_rough
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sim::random::{Key, Purpose};

    /// Components over all 26 neighbours, the slow and plain way.
    fn reference(model: &Model, lens: &Lens) -> Vec<u16> {
        let cells = &model.cells;
        let mut label: Vec<usize> = (0..cells.count()).collect();
        let is_live = |c: usize| lens.fragment[c] != GONE;
        loop {
            let mut changed = false;
            for a in (0..cells.count()).filter(|c| is_live(*c)) {
                for d in 0..13 {
                    let b = cells.forward[a][d];
                    if b != NONE && is_live(b as usize) && lens.damage[bond_id(a as u32, d)] < 1.0 {
                        let least = label[a].min(label[b as usize]);
                        changed |= label[a] != least || label[b as usize] != least;
                        (label[a], label[b as usize]) = (least, least);
                    }
                }
            }
            if !changed {
                break;
            }
        }
        let mut seen = Vec::new();
        let mut numbers = vec![GONE; cells.count()];
        for c in (0..cells.count()).filter(|c| is_live(*c)) {
            let at = seen.iter().position(|s| *s == label[c]).unwrap_or_else(|| {
                seen.push(label[c]);
                seen.len() - 1
            });
            numbers[c] = at as u16;
        }
        numbers
    }

    #[test]
    fn fragments_are_the_components_over_unbroken_bonds() {
        let spec =
            crate::case::parse_case("a.ron", include_str!("../../scenarios/long-eye-dense-core.ron")).unwrap().spec;
        let resolution = crate::case::Resolution { cell_mm: 0.5, ..Default::default() };
        let model = crate::case::compile(&spec, 1, resolution).unwrap().model;
        for seed in 0..12 {
            let mut lens = State::new(&model).lens;
            let key = |n: usize, tick| Key { seed, purpose: Purpose::Heterogeneity, place: [n as i32, 0, 0], tick };
            // From almost whole to almost crumbs, with holes.
            let share = 0.06 + 0.075 * seed as f64;
            for (bond, damage) in lens.damage.iter_mut().enumerate() {
                if model.cells.forward[bond / 13][bond % 13] != NONE && key(bond, 1).uniform(0) < share {
                    *damage = 1.0;
                }
            }
            for (cell, fragment) in lens.fragment.iter_mut().enumerate() {
                if key(cell, 2).uniform(0) < 0.1 {
                    *fragment = GONE;
                }
            }
            let expected = reference(&model, &lens);
            relabel(&model, &mut lens);
            assert_eq!(lens.fragment, expected, "seed {seed}");
        }
    }

    #[test]
    fn a_piece_that_is_eaten_through_comes_apart_and_a_whole_lens_does_not() {
        let spec =
            crate::case::parse_case("a.ron", include_str!("../../scenarios/long-eye-dense-core.ron")).unwrap().spec;
        let resolution = crate::case::Resolution { cell_mm: 0.5, ..Default::default() };
        let model = crate::case::compile(&spec, 1, resolution).unwrap().model;
        let mut state = State::new(&model);
        let eat = |state: &mut State, is_there: fn(&Vector3<f64>) -> bool| {
            for cell in (0..model.cells.count()).filter(|c| is_there(&model.cells.place_mm[*c])) {
                if state.lens.fragment[cell] != GONE {
                    state.lens.remove(&model.cells, cell);
                }
            }
            state.lens.is_eaten = true;
        };
        let inputs = Inputs::at_rest(&model);
        eat(&mut state, |p| p.y.abs() < 0.6);
        split(&model, &mut state, &inputs);
        assert!(state.lens.is_whole());
        relabel(&model, &mut state.lens);
        assert_eq!(pieces(&state.lens), 2);
        eat(&mut state, |p| p.x.abs() < 0.6);
        split(&model, &mut state, &inputs);
        assert_eq!(pieces(&state.lens), 4);
        let sum: f64 = state.lens.volume_ul.iter().sum();
        assert!((sum + state.lens.removed_ul - model.whole_ul()).abs() < 1e-6);
    }
}

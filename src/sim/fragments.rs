//! Fragments: what still hangs together.
//!
//! A fragment is a connected component of cells over bonds whose damage is below 1; a half-cracked hinge still joins.
//! Components are numbered by the first cell they hold, so the numbering is the same everywhere. For now fragments stay
//! where they are; here is where they will move.

use crate::sim::cells::{NONE, bond_id};
use crate::sim::event::EventKind;
use crate::sim::{Lens, Model, State};

/// The mark of a cell that has been removed.
pub const GONE: u16 = u16::MAX;

/// Smallest volume that counts as a piece, µL.
pub const PIECE_UL: f64 = 0.5;

/// A chop whose last bond failed: let the body come apart.
pub fn split(model: &Model, state: &mut State) {
    let Some(opening) = &state.opening else { return };
    let is_new = opening.is_complete
        && state.chop_event.is_some_and(|begun| {
            !state.events[begun as usize..].iter().any(|e| matches!(e.kind, EventKind::BodySplit { .. }))
        });
    if !is_new {
        return;
    }
    opening.write_damage(model, &mut state.lens);
    relabel(model, &mut state.lens);
    let pieces = pieces(&state.lens);
    state.note(state.chop_event, EventKind::BodySplit { pieces });
}

/// Number of fragments of at least `PIECE_UL`.
pub fn pieces(lens: &Lens) -> u32 {
    lens.volume_ul.iter().filter(|v| **v >= PIECE_UL).count() as u32
}

/// Number the components anew.
pub fn relabel(model: &Model, lens: &mut Lens) {
    const UNSEEN: u16 = GONE - 1;
    let cells = &model.cells;
    for fragment in &mut lens.fragment {
        if *fragment != GONE {
            *fragment = UNSEEN;
        }
    }
    lens.volume_ul.clear();
    let is_rough = rough_cells(model, lens);
    let mut stack = Vec::new();
    for first in 0..cells.count() {
        if lens.fragment[first] != UNSEEN {
            continue;
        }
        // More than 65,000 crumbs cannot be told apart by number; the rest share the last one.
        let number = (lens.volume_ul.len() as u16).min(UNSEEN - 1);
        if usize::from(number) == lens.volume_ul.len() {
            lens.volume_ul.push(0.0);
        }
        lens.fragment[first] = number;
        stack.push(first as u32);
        let mut count = 0u32;
        while let Some(cell) = stack.pop() {
            count += 1;
            // Among whole neighbours the three axes reach as far as all 13 directions.
            for direction in 0..if is_rough[cell as usize] { 13 } else { 3 } {
                let ahead = cells.forward[cell as usize][direction];
                let behind = cells.backward[cell as usize][direction];
                for (owner, other) in [(cell, ahead), (behind, behind)] {
                    if other != NONE
                        && lens.fragment[other as usize] == UNSEEN
                        && lens.damage[bond_id(owner, direction)] < 1.0
                    {
                        lens.fragment[other as usize] = number;
                        stack.push(other);
                    }
                }
            }
        }
        lens.volume_ul[usize::from(number)] += f64::from(count) * cells.cell_ul();
    }
}

/// Cells with a broken bond or a missing neighbour, and their neighbours: only there can a diagonal bond join what the
/// axes do not.
fn rough_cells(model: &Model, lens: &Lens) -> Vec<bool> {
    let cells = &model.cells;
    let is_missing = |n: u32| n == NONE || lens.fragment[n as usize] == GONE;
    let mut is_torn = vec![false; cells.count()];
    for cell in 0..cells.count() {
        is_torn[cell] |= cells.forward[cell].iter().chain(&cells.backward[cell]).copied().any(is_missing);
        for direction in 0..13 {
            if lens.damage[bond_id(cell as u32, direction)] >= 1.0 {
                is_torn[cell] = true;
                is_torn[cells.forward[cell][direction] as usize] = true;
            }
        }
    }
    let mut is_rough = is_torn.clone();
    for cell in (0..cells.count()).filter(|c| is_torn[*c]) {
        for &n in cells.forward[cell].iter().chain(&cells.backward[cell]) {
            if n != NONE {
                is_rough[n as usize] = true;
            }
        }
    }
    is_rough
}

//! A state's canonical bytes: for saving, restoring and hashing.
//!
//! Postcard, little-endian, with damage stored sparsely and fragment numbers as runs. The hash is BLAKE3 of these bytes.
//! A saved state is the format's version, the digest of its model, the hash of the bytes, and the bytes; another version
//! or model is refused rather than misread.
//!
//! Guarantees: a restored state continues bit for bit. Bytes damaged by accident are refused. Whatever bytes are restored,
//! even with a hash that fits, `step` goes on from them without a panic and without end; the rigid-body world is taken
//! only as it was written, and has a hash of its own. Limits: whoever makes that hash anew can make `step` panic; a state made by hand
//! may hold values that no attempt would reach, as long as they are finite and every id names something.

use crate::sim::cells::NONE;
use crate::sim::chop::Found;
use crate::sim::cut::CutBond;
use crate::sim::opening::{Grip, Opening};
use crate::sim::pieces::GONE;
use crate::sim::{Lens, Model, NeedleState, State};
use nalgebra::Vector3;
use thiserror::Error;

/// Version of the saved form.
const FORMAT: u8 = 1;

/// Length of a digest or hash, bytes.
const DIGEST: usize = 32;

/// Farther from the lens than this nothing is in touch with it, mm.
const REACH_MM: f64 = 100.0;

/// More ticks than any attempt has.
const MOST_TICKS: u64 = 1 << 48;

/// Share of a cell by which a volume may differ from the sum of its cells.
const VOLUME_TOLERANCE: f64 = 1e-3;

/// Why a saved state cannot be restored.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum RestoreError {
    /// The bytes are of another version, or not a saved state.
    #[error("not a saved state of format {FORMAT}")]
    Format,
    /// It belongs to another model.
    #[error("the saved state belongs to another case, seed or version")]
    Model,
    /// The bytes are not those that were saved.
    #[error("the saved state is damaged or cut short")]
    Damaged,
    /// The bytes are whole but say something that cannot be.
    #[error("the saved state is impossible: {0}")]
    Impossible(&'static str),
}

impl State {
    /// The canonical bytes. Empty only if memory cannot be had.
    fn canonical(&self) -> Vec<u8> {
        // Plain data of known length: serialisation into memory has no other way to fail.
        postcard::to_stdvec(self).unwrap_or_default()
    }

    /// BLAKE3 over the canonical bytes.
    pub fn hash(&self) -> blake3::Hash {
        blake3::hash(&self.canonical())
    }

    /// Bytes from which `restore` continues bit for bit.
    pub fn save(&self, model: &Model) -> Vec<u8> {
        let body = self.canonical();
        let mut bytes = vec![FORMAT];
        bytes.extend_from_slice(&model.digest);
        bytes.extend_from_slice(blake3::hash(&body).as_bytes());
        bytes.extend_from_slice(&body);
        bytes
    }

    /// The state saved in these bytes.
    ///
    /// # Errors
    /// Another format or model, damaged bytes, or a state that cannot be.
    pub fn restore(model: &Model, bytes: &[u8]) -> Result<Self, RestoreError> {
        let (&format, rest) = bytes.split_first().ok_or(RestoreError::Format)?;
        if format != FORMAT {
            return Err(RestoreError::Format);
        }
        let (digest, rest) = rest.split_at_checked(DIGEST).ok_or(RestoreError::Damaged)?;
        if digest != model.digest {
            return Err(RestoreError::Model);
        }
        let (hash, body) = rest.split_at_checked(DIGEST).ok_or(RestoreError::Damaged)?;
        if blake3::hash(body).as_bytes() != hash {
            return Err(RestoreError::Damaged);
        }
        let (state, left) = postcard::take_from_bytes::<Self>(body).map_err(|_| RestoreError::Damaged)?;
        if !left.is_empty() {
            return Err(RestoreError::Damaged);
        }
        possible(model, &state).map_err(RestoreError::Impossible)?;
        Ok(state)
    }
}

/// Can `step` go on from this state? Otherwise says what stands in the way.
fn possible(model: &Model, state: &State) -> Result<(), &'static str> {
    let ensure = |is_so: bool, what: &'static str| if is_so { Ok(()) } else { Err(what) };
    ensure(state.tick <= MOST_TICKS, "more ticks than any attempt has")?;
    possible_lens(model, &state.lens)?;
    let is_caused_before = |(i, event): (usize, &crate::sim::event::Event)| {
        event.tick <= state.tick && event.cause.is_none_or(|cause| (cause as usize) < i)
    };
    ensure(state.events.iter().enumerate().all(is_caused_before), "an event before its cause")?;
    let is_known = state.chop_event.is_none_or(|event| (event as usize) < state.events.len());
    ensure(is_known, "a chop that no event began")?;
    let is_whole = state.opening.is_none() || (state.rest.is_some() && state.chop_event.is_some());
    ensure(is_whole, "a chop without a beginning")?;
    if let Some(opening) = &state.opening {
        ensure(is_possible_opening(model, opening), "an opening of another lens")?;
    }
    let is_found = state.found.as_ref().is_none_or(|f| is_possible_surface(model, f));
    ensure(is_found, "a crack surface of another lens")?;
    possible_pieces(model, state)?;
    if state.fault.is_some() {
        return Ok(()); // It stands still, and what it stopped at may be anything.
    }
    possible_fluid(model, state)?;
    let chopper = state.chopper.as_ref();
    let numbers = [state.vacuum_pa, state.power, state.pedal.share, state.totals.full_power_s, state.totals.cutting_nj];
    ensure(numbers.iter().all(|n| n.is_finite()), "a number that is not finite")?;
    let is_placed =
        state.lens.turned_rad.is_finite() && is_near(&state.lens.pushed_mm) && state.lens.raised_mm.abs() <= REACH_MM;
    ensure(is_placed, "a lens that is nowhere")?;
    ensure(state.lens.pose.iter().all(|p| p.is_sound() && is_near(&p.place_mm)), "a fragment that is nowhere")?;
    ensure(state.needle.as_ref().is_none_or(is_possible_needle), "a needle that is nowhere")?;
    let is_placed = chopper.is_none_or(|c| {
        is_finite(&c.blade.point_mm) && is_finite(&c.blade.bend_mm) && c.press_un.is_finite() && c.out_s.is_finite()
    });
    ensure(is_placed, "a chopper that is nowhere")?;
    let is_near = chopper.is_none_or(|c| c.path.iter().all(|s| is_near(&s.a) && is_near(&s.b)));
    ensure(is_near, "a path beyond the lens")?;
    ensure(state.rest.as_ref().is_none_or(is_possible_grip), "instruments at rest beyond the lens")
}

fn possible_lens(model: &Model, lens: &Lens) -> Result<(), &'static str> {
    let cells = &model.cells;
    let count = cells.count();
    if lens.damage.len() != count * 13 || lens.fragment.len() != count || lens.pose.len() != lens.volume_ul.len() {
        return Err("a lens of another size");
    }
    let is_possible = |(bond, damage): (usize, &f32)| {
        *damage == 0.0 || (0.0..=1.0).contains(damage) && cells.forward[bond / 13][bond % 13] != NONE
    };
    if !lens.damage.iter().enumerate().all(is_possible) {
        return Err("damage that no bond can have");
    }
    let mut left_ul = lens.volume_ul.clone();
    let mut gone_ul = 0.0;
    let pieces = lens.volume_ul.len();
    if lens.nucleus_ul.len() != pieces || lens.is_nuclear.len() != pieces {
        return Err("a piece without its nucleus");
    }
    let mut nucleus_ul = lens.nucleus_ul.clone();
    for (cell, &fragment) in lens.fragment.iter().enumerate() {
        if let Some(nucleus_ul) = nucleus_ul.get_mut(usize::from(fragment)) {
            *nucleus_ul -= cells.nucleus_ul(cell);
        }
        let volume = if fragment == GONE { Some(&mut gone_ul) } else { left_ul.get_mut(usize::from(fragment)) };
        let Some(volume) = volume else { return Err("a cell of no fragment") };
        *volume += if fragment == GONE { cells.cell_ul() } else { -cells.cell_ul() };
    }
    let slack = VOLUME_TOLERANCE * cells.cell_ul();
    let taken_ul = lens.removed_ul + lens.lost_ul;
    let is_counted =
        left_ul.iter().chain(&nucleus_ul).all(|left| left.abs() <= slack) && (gone_ul - taken_ul).abs() <= slack;
    if !is_counted {
        return Err("a volume that is not that of its cells");
    }
    Ok(())
}

/// Every id names a piece, and every list by piece or cell has its length.
fn possible_pieces(model: &Model, state: &State) -> Result<(), &'static str> {
    let ensure = |is_so: bool, what: &'static str| if is_so { Ok(()) } else { Err(what) };
    let (lens, count) = (&state.lens, state.lens.volume_ul.len());
    let is_piece = |body: u16| usize::from(body) < count;
    let is_round = |(middle, radius): &(Vector3<f64>, f64)| is_near(middle) && radius.is_finite();
    ensure(lens.ball_mm.len() == count && lens.ball_mm.iter().all(is_round), "a piece without a size")?;
    ensure(lens.sector_share.len() == count && count >= 1, "a piece without a place on the capsule")?;
    let shares = lens.sector_share.iter().flatten();
    ensure(shares.into_iter().all(|s| (0.0..=1.0).contains(s)), "a share beyond the whole")?;
    let bodies = state.bodies.iter().flat_map(|b| b.ids());
    let on_tip = state.needle.iter().map(|n| n.body);
    let pulled = state.pull.iter().map(|p| p.body);
    let openings = || state.opening.iter().map(|o| &**o).chain(&lens.seams);
    let chopped = openings().flat_map(|o| o.pieces.iter().map(|p| p.0).chain([o.body]));
    let found = state.found.iter().map(|f| f.body);
    ensure(bodies.chain(on_tip).chain(pulled).chain(chopped).chain(found).all(is_piece), "a piece that is not there")?;
    ensure(lens.seams.iter().all(|o| is_possible_opening(model, o)), "an unfinished crack of another lens")?;
    ensure(openings().all(|o| o.base.is_sound()), "a chop that is nowhere")?;
    ensure(
        state.pull.as_ref().is_none_or(|p| is_near(&p.from_mm) && is_near(&p.bag_mm) && is_near(&p.at_body_mm)),
        "a pull that is nowhere",
    )
}

/// The fluid, the capsule and what holds the bag: finite, and of this model's size.
fn possible_fluid(model: &Model, state: &State) -> Result<(), &'static str> {
    let ensure = |is_so: bool, what: &'static str| if is_so { Ok(()) } else { Err(what) };
    let State { circuit: c, chamber: r, membrane: m, wounds: w, adhesion: a, support: s, removal: e, .. } = state;
    let fluid = [
        c.chamber_ul,
        c.diaphragm_ul,
        c.chamber_pa,
        c.vitreous_pa,
        c.line_pa,
        c.cassette_pa,
        c.inflow_ul_s,
        c.outflow_ul_s,
        r.cohesive_ul,
        r.dispersive_ul,
        r.sealed,
        r.pupil_mm,
        r.before_surge_ul,
        r.before_surge_pa,
        r.since_lift_s,
        r.bottle_pa,
        r.since_break_s,
        r.lowest_pa,
        r.highest_pa,
        r.surge_ul,
        r.travel_mm,
        r.held_mm,
    ];
    ensure(fluid.iter().all(|n| n.is_finite()), "a fluid without a number")?;
    let nodes = model.membrane.nodes().len();
    let lists = [&m.rise_mm, &m.support_mm, &m.taut_mm, &m.contact_un];
    ensure(lists.iter().all(|l| l.len() == nodes && l.iter().all(|n| n.is_finite())), "a capsule of another eye")?;
    ensure(m.load_pa.is_finite() && m.presses.iter().all(|p| is_near(&p.place_mm)), "a capsule without a load")?;
    let wounds =
        [w.hole_mm, w.vitreous_ul, w.settled_ul, w.risen_ul, w.uncovered, w.rim_tear_mm, w.laid_ul, w.port_covered];
    let places = w.hole_at_mm.iter().chain(w.caught_mm.iter().flatten()).chain(&w.compliance_ul_pa);
    ensure(wounds.iter().chain(places).all(|n| n.is_finite()), "a wound without a size")?;
    let bag = [
        a.trapped_ul,
        a.injected_ul,
        a.escaped_ul,
        a.strayed_ul,
        s.bag.turn_rad,
        s.slid_rad,
        s.grip_mm,
        state.turned_rad,
    ];
    let hours = a.freed.iter().chain(&a.film_ul).chain(&s.intact).chain(&s.bag.shift_mm);
    ensure(bag.iter().chain(hours).all(|n| n.is_finite()), "a bag that is nowhere")?;
    let removal = [
        e.film_mm,
        e.bears_pa,
        e.owed_ul,
        e.rate_ul_s,
        e.warmth_k,
        e.chatter_s,
        e.engaged_s,
        e.delivered_j,
        e.near_cornea_j,
        e.hottest_c,
    ];
    ensure(removal.iter().all(|n| n.is_finite()), "a removal without a number")?;
    ensure((0.0..=MOST_OWED_UL).contains(&e.owed_ul), "more owed than the port takes in a tick")
}

/// More than a tick erodes, µL.
const MOST_OWED_UL: f64 = 10.0;

fn is_possible_needle(needle: &NeedleState) -> bool {
    let NeedleState {
        tip,
        before_mm,
        out_s,
        body: _,
        raised_mm,
        buried_mm,
        buried_firm_mm,
        depth_mm,
        radius_mm,
        is_in_core: _,
        occlusion,
        cover,
        aside_mm,
        gap_mm,
        purchase_un,
        still_s,
        slid_mm,
        load_un,
        entered_mm,
        bearing_un,
        lifted_mm,
    } = needle;
    let numbers = [
        *buried_firm_mm,
        depth_mm.unwrap_or(0.0),
        *radius_mm,
        *occlusion,
        *cover,
        aside_mm.norm(),
        *gap_mm,
        *purchase_un,
        *still_s,
        *slid_mm,
        *load_un,
        *entered_mm,
        *bearing_un,
        *raised_mm,
        *out_s,
        *lifted_mm,
        tip.roll_rad,
    ];
    let is_whole = numbers.iter().all(|n| n.is_finite())
        && is_finite(&tip.place_mm)
        && is_finite(&tip.forward)
        && is_finite(before_mm);
    is_whole && (0.0..=REACH_MM).contains(buried_mm)
}

fn is_possible_grip(grip: &Grip) -> bool {
    let ends = [grip.needle.place_mm, grip.needle.forward, grip.chopper.a, grip.chopper.b];
    ends.iter().all(is_near) && grip.needle.roll_rad.is_finite()
}

fn is_possible_opening(model: &Model, opening: &Opening) -> bool {
    let cells = &model.cells;
    let is_member = |bond: u32, facet: u32| {
        let (cell, direction) = (bond as usize / 13, bond as usize % 13);
        (facet as usize) < opening.facets.len() && cells.forward.get(cell).is_some_and(|f| f[direction] != NONE)
    };
    let poses = [1.0, -1.0].map(|side| opening.side_pose(side));
    opening.is_above.len() == cells.count()
        && opening.members.iter().all(|m| is_member(m.bond, m.facet))
        && poses.iter().all(|(place, turn)| is_near(place) && is_near(turn))
}

fn is_possible_surface(model: &Model, found: &Found) -> bool {
    let cells = &model.cells;
    let is_bond = |b: &CutBond| {
        b.direction < 13
            && cells.forward.get(b.owner as usize).is_some_and(|f| f[b.direction] == b.other && b.other != NONE)
    };
    let numbers = [found.surface.energy_nj, found.surface.area_mm2];
    found.surface.is_above.len() == cells.count()
        && found.surface.bonds.iter().all(is_bond)
        && numbers.iter().all(|n| n.is_finite())
        && is_near(&found.plane.origin_mm)
        && is_near(&found.plane.normal)
}

fn is_finite(p: &Vector3<f64>) -> bool {
    p.iter().all(|c| c.is_finite())
}

/// Near enough to the lens to be in touch with it.
fn is_near(p: &Vector3<f64>) -> bool {
    p.iter().all(|c| c.abs() <= REACH_MM)
}

/// A part that guards itself: its bytes and their hash. The rigid-body world is full of indices into itself; only bytes that it
/// has written itself are read.
pub(crate) mod sealed {
    use serde::{Deserialize, Deserializer, Serialize, Serializer, de::DeserializeOwned, de::Error, ser::Error as _};

    pub fn serialize<T: Serialize, S: Serializer>(part: &T, to: S) -> Result<S::Ok, S::Error> {
        let bytes = postcard::to_stdvec(part).map_err(S::Error::custom)?;
        (*blake3::hash(&bytes).as_bytes(), bytes).serialize(to)
    }

    pub fn deserialize<'a, T: DeserializeOwned, D: Deserializer<'a>>(from: D) -> Result<T, D::Error> {
        let (hash, bytes) = <([u8; 32], Vec<u8>)>::deserialize(from)?;
        if *blake3::hash(&bytes).as_bytes() != hash {
            return Err(Error::custom("a rigid-body world that was not written so"));
        }
        postcard::from_bytes(&bytes).map_err(Error::custom)
    }
}

/// Mostly zeros: (length, [(gap since the last, value)]).
pub(crate) mod sparse {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(values: &[f32], to: S) -> Result<S::Ok, S::Error> {
        let mut last = 0;
        let mut pairs = Vec::new();
        for (i, &value) in values.iter().enumerate().filter(|(_, v)| **v != 0.0) {
            pairs.push(((i - last) as u32, value));
            last = i;
        }
        (values.len() as u32, pairs).serialize(to)
    }

    pub fn deserialize<'a, D: Deserializer<'a>>(from: D) -> Result<Vec<f32>, D::Error> {
        let (length, pairs) = <(u32, Vec<(u32, f32)>)>::deserialize(from)?;
        let mut values = vec![0.0; checked(length).map_err(serde::de::Error::custom)?];
        let mut at = 0usize;
        for (gap, value) in pairs {
            at += gap as usize;
            *values.get_mut(at).ok_or_else(|| serde::de::Error::custom("bond beyond the lens"))? = value;
        }
        Ok(values)
    }

    /// No lens has so many bonds; damaged bytes must not ask for all of the memory.
    pub(super) fn checked(length: u32) -> Result<usize, &'static str> {
        if length <= 100_000_000 { Ok(length as usize) } else { Err("length beyond any lens") }
    }
}

/// Long runs of the same: [(length, value)].
pub(crate) mod runs {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub fn serialize<S: Serializer>(values: &[u16], to: S) -> Result<S::Ok, S::Error> {
        let runs: Vec<(u32, u16)> = values.chunk_by(|a, b| a == b).map(|run| (run.len() as u32, run[0])).collect();
        runs.serialize(to)
    }

    pub fn deserialize<'a, D: Deserializer<'a>>(from: D) -> Result<Vec<u16>, D::Error> {
        let runs = <Vec<(u32, u16)>>::deserialize(from)?;
        let mut values = Vec::new();
        for (length, value) in runs {
            let length = super::sparse::checked(length).map_err(serde::de::Error::custom)?;
            super::sparse::checked((values.len() + length) as u32).map_err(serde::de::Error::custom)?;
            values.resize(values.len() + length, value);
        }
        Ok(values)
    }
}

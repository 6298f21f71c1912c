//! Where the chop of an attempt works: the outcome of the judged chop over depth and tip angle, depth and vacuum, and place.
//!
//! The chops of a map begin where the learner stood before the tip went into the lens, and are done as the learner did: same kind,
//! separation, and, but for what the axes go through, depth, angle, place and vacuum. All else is as in every map: ultrasound while
//! burying only, the foot back to position 2, hands that do not miss. The debrief knows nothing of the maps; they are computed
//! beside it. Units: mm, degrees, mmHg.
//!
//! Limits: coarse, a few dozen chops a map; each map varies two things of five; the learner's own choice is what was recalled of it
//! (`plan::recall`).

pub mod outcome;
pub mod picture;
pub mod raster;

use crate::attempt::Record;
use crate::case::CaseSpec;
use crate::debrief::Debrief;
use crate::plan::map::{Axis, MapCell, MapRequest, Quantity, StandardChop, Start, outcomes};
use crate::plan::recall::{Recall, RecalledChop, hands_of};
use crate::plan::{Hands, Manoeuvre};
use crate::sim::event::EventIndex;
use crate::sim::{Model, State, step};
use crate::units::mmhg_from_pa;
use outcome::CellOutcome;
use picture::Plot;

/// Steps of the maps: mm, degrees, mmHg, mm.
const DEPTH_STEP_MM: f64 = 0.3;
const ANGLE_STEP_DEG: f64 = 5.0;
const VACUUM_STEP_MMHG: f64 = 100.0;
const PLACE_STEP_MM: f64 = 0.5;

/// What is always shown: depths to that share of the core's thickness, and these tip angles, degrees.
const DEPTH_SHARE: f64 = 0.9;
const ANGLES_DEG: (f64, f64) = (15.0, 60.0);

/// What hands and machine can do at all: mm, degrees, mmHg, mm.
const DEPTHS_MM: (f64, f64) = (0.0, 5.0);
const WIDEST_DEG: (f64, f64) = (5.0, 65.0);
const VACUA_MMHG: (f64, f64) = (0.0, 700.0);
const PLACES_MM: (f64, f64) = (-5.0, 5.0);

/// A map with its outcomes.
#[derive(Clone, Debug, PartialEq)]
pub struct ChopMap {
    /// What was asked.
    pub request: MapRequest,
    /// Its cells, row by row.
    pub cells: Vec<MapCell>,
}

/// The maps of a chop.
#[derive(Clone, Debug, PartialEq)]
pub struct ChopMaps {
    /// Depth × tip angle, depth × vacuum, place.
    pub maps: [ChopMap; 3],
    /// The learner's own choice.
    pub yours: StandardChop,
    /// What comes of it when it is done as all chops of the maps are.
    pub same: MapCell,
    /// Did the learner's own chop go right through?
    pub went_through: bool,
    /// The least distance to the posterior capsule that the case asks for, mm.
    pub floor_mm: f64,
    /// The core: its centre, mm from the lens's axis, and its radius, mm.
    pub core: ((f64, f64), f64),
}

/// The maps of an attempt.
#[derive(Clone, Debug, PartialEq)]
pub enum Maps {
    /// There was no chop.
    NoChop,
    /// There was one, but not by a tip that had been buried.
    NotTold,
    /// Of the judged chop.
    Drawn(Box<ChopMaps>),
}

/// What is to be computed for the maps of an attempt.
#[derive(Clone, Debug)]
pub enum Wanted {
    /// Nothing, for there was no chop.
    NoChop,
    /// Nothing, for it cannot be told as one manoeuvre.
    NotTold,
    /// The maps of the judged chop.
    Chop(Box<WantedChop>),
}

/// What is to be computed for a chop.
#[derive(Clone, Debug)]
pub struct WantedChop {
    start: Start,
    yours: StandardChop,
    went_through: bool,
    requests: [MapRequest; 3],
}

impl Wanted {
    /// Recall the judged chop. The record is done again, up to the end of that chop.
    pub fn of(case: &CaseSpec, model: &Model, record: &Record, debrief: &Debrief) -> Self {
        let Some(judged) = debrief.judged.map(|judged| &debrief.chops[judged]) else { return Self::NoChop };
        let told = recalled(model, record, judged.event as EventIndex);
        let Some((told, yours)) = told.and_then(|chop| Some((standard(model, record, &chop)?, chop))) else {
            return Self::NotTold;
        };
        let (start, yours) = (start(model, record, yours.from), told);
        let requests = requests(case, model, &yours);
        let went_through = judged.result.complete;
        Self::Chop(Box::new(WantedChop { start, yours, went_through, requests }))
    }

    /// How many chops are to be computed.
    pub fn count(&self) -> usize {
        let Self::Chop(chop) = self else { return 0 };
        1 + chop.requests.iter().map(|r| r.rows.values.len() * r.columns.values.len()).sum::<usize>()
    }

    /// Compute them; the same for any number of threads (0: as many as there are processors).
    ///
    /// # Errors
    /// The threads could not be started.
    pub fn computed(
        self,
        case: &CaseSpec,
        model: &Model,
        threads: usize,
        on_cell: impl Fn() + Sync,
    ) -> Result<Maps, rayon::ThreadPoolBuildError> {
        let wanted = match self {
            Self::NoChop => return Ok(Maps::NoChop),
            Self::NotTold => return Ok(Maps::NotTold),
            Self::Chop(wanted) => *wanted,
        };
        let WantedChop { start, yours, went_through, requests } = wanted;
        let mut chops = vec![yours];
        requests.iter().for_each(|request| chops.extend(request.chops()));
        let mut cells = outcomes(case, model, &start, &chops, threads, on_cell)?.into_iter();
        let Some(same) = cells.next() else { return Ok(Maps::NotTold) };
        let maps = requests.map(|request| {
            let count = request.rows.values.len() * request.columns.values.len();
            ChopMap { cells: cells.by_ref().take(count).collect(), request }
        });
        let core = &model.field.core;
        let core = ((core.centre_mm.x, core.centre_mm.y), core.radius_mm);
        let floor_mm = case.goals.capsule_floor_mm;
        Ok(Maps::Drawn(Box::new(ChopMaps { maps, yours, same, went_through, floor_mm, core })))
    }
}

/// The chop with this beginning.
fn recalled(model: &Model, record: &Record, event: EventIndex) -> Option<RecalledChop> {
    let (mut state, mut recall) = (State::new(model), Recall::default());
    let found = |recall: &Recall| recall.chops.iter().find(|c| c.event == Some(event)).cloned();
    for inputs in record.inputs() {
        step(model, &mut state, &inputs);
        recall.note(model, &state, &inputs);
        if state.fault.is_some() {
            break;
        }
        if let Some(chop) = recall.chops.last().filter(|c| c.event == Some(event)) {
            return Some(chop.clone());
        }
    }
    recall.finish(model, &state);
    found(&recall)
}

/// A chop as the map does it.
fn standard(model: &Model, record: &Record, chop: &RecalledChop) -> Option<StandardChop> {
    let Manoeuvre::Bury { depth_mm, angle_deg, place_mm, .. } = chop.bury else { return None };
    let Some(Manoeuvre::Chop { kind, .. }) = chop.chop else { return None };
    let Some(Manoeuvre::Separate { width_mm: separation_mm, .. }) = chop.part else { return None };
    let parting = chop.parting?.saturating_sub(1);
    let machine = hands_of(model, &record.inputs().nth(usize::try_from(parting).ok()?)?).machine;
    let vacuum_mmhg = mmhg_from_pa(machine.vacuum_limit_pa);
    Some(StandardChop { depth_mm, angle_deg, place_mm, kind, separation_mm, vacuum_mmhg })
}

/// The attempt as it stood after so many ticks.
fn start(model: &Model, record: &Record, tick: u64) -> Start {
    let (mut state, mut hands) = (State::new(model), Hands::ready(model));
    let before = usize::try_from(tick).unwrap_or(usize::MAX);
    for inputs in record.inputs().take(before) {
        step(model, &mut state, &inputs);
        hands = hands_of(model, &inputs);
    }
    Start { state, hands }
}

/// Multiples of a step that hold a range and a value of one's own, within what is possible at all.
fn holding(range: (f64, f64), own: f64, step: f64, possible: (f64, f64)) -> Vec<f64> {
    let low = libm::floor(range.0.min(own) / step + 1e-9) * step;
    let high = libm::ceil(range.1.max(own) / step - 1e-9) * step;
    let tidy = |value: f64| libm::round(value * 1e6) / 1e6;
    let count = libm::round((high - low) / step) as u32;
    let mut values: Vec<f64> =
        (0..=count).map(|i| tidy((low + f64::from(i) * step).clamp(possible.0, possible.1))).collect();
    values.dedup();
    values
}

fn requests(case: &CaseSpec, model: &Model, yours: &StandardChop) -> [MapRequest; 3] {
    let core = &model.field.core;
    let deepest_mm = DEPTH_SHARE * 2.0 * core.half_thickness_mm;
    let depths_mm = holding((DEPTH_STEP_MM, deepest_mm), yours.depth_mm, DEPTH_STEP_MM, DEPTHS_MM);
    let angles_deg = holding(ANGLES_DEG, yours.angle_deg, ANGLE_STEP_DEG, WIDEST_DEG);
    let allowed = case.limits().vacuum_mmhg;
    let vacua_mmhg = holding((allowed.0, allowed.1), yours.vacuum_mmhg, VACUUM_STEP_MMHG, VACUA_MMHG);
    let places = |centre_mm: f64, own: f64| {
        // Less than half a step beyond the core there is nothing to be chopped.
        let radius_mm = core.radius_mm - 0.5 * PLACE_STEP_MM;
        holding((centre_mm - radius_mm, centre_mm + radius_mm), own, PLACE_STEP_MM, PLACES_MM)
    };
    let depth = Axis { quantity: Quantity::Depth, values: depths_mm };
    let request = |rows: Axis, quantity, values| MapRequest { rows, columns: Axis { quantity, values }, chop: *yours };
    let down = Axis { quantity: Quantity::PlaceY, values: places(core.centre_mm.y, yours.place_mm.1) };
    [
        request(depth.clone(), Quantity::Angle, angles_deg),
        request(depth, Quantity::Vacuum, vacua_mmhg),
        request(down, Quantity::PlaceX, places(core.centre_mm.x, yours.place_mm.0)),
    ]
}

impl ChopMaps {
    /// The maps to be drawn.
    pub fn plots(&self) -> [Plot<'_>; 3] {
        self.maps.each_ref().map(|ChopMap { request, cells }| Plot {
            request,
            cells,
            floor_mm: self.floor_mm,
            core: self.core,
            yours: Some(&self.yours),
        })
    }

    /// How many chops were computed.
    pub fn count(&self) -> usize {
        1 + self.maps.iter().map(|map| map.cells.len()).sum::<usize>()
    }

    /// At which depths chops went right through clear of the capsule, at the tip angle nearest to the learner's, and at the one
    /// that leaves most room; in sentences.
    pub fn depths_in_words(&self) -> String {
        let ChopMap { request, cells } = &self.maps[0];
        let angles = &request.columns.values;
        let good = |column: usize| -> Vec<f64> {
            let of_column = cells.iter().skip(column).step_by(angles.len());
            let is_good = |c: &&MapCell| CellOutcome::of(c, self.floor_mm) == CellOutcome::Through;
            of_column.filter(is_good).map(|c| c.chop.depth_mm).collect()
        };
        let depths = |good: &[f64]| match good {
            [] => "at no depth that was tried".to_owned(),
            [only] => format!("at {only:.1} mm"),
            [first, .., last] => format!("at depths from {first:.1} to {last:.1} mm"),
        };
        let off = |i: &usize| (angles[*i] - self.yours.angle_deg).abs();
        let Some(own) = (0..angles.len()).min_by(|a, b| off(a).total_cmp(&off(b))) else { return String::new() };
        let mut sentences = format!(
            "In this model, at a tip angle of {:.0}° the chop goes right through clear of the capsule {}; your tip lay {:.2} mm \
             deep at {:.0}°.",
            angles[own],
            depths(&good(own)),
            self.yours.depth_mm,
            self.yours.angle_deg
        );
        // Of equals the one nearest to the learner's.
        let room = |i: &usize| good(*i).len();
        let widest =
            (0..angles.len()).max_by(|a, b| room(a).cmp(&room(b)).then(off(b).total_cmp(&off(a)))).unwrap_or(own);
        if room(&widest) > room(&own) {
            sentences += &format!(" Most room is at {:.0}°: {}.", angles[widest], depths(&good(widest)));
        }
        sentences
    }

    /// Where the same choice, done as in the maps, comes out otherwise than it did: a sentence on what that means.
    pub fn compared(&self) -> Option<&'static str> {
        let is_through = CellOutcome::of(&self.same, self.floor_mm).is_through();
        match (self.went_through, is_through) {
            (false, true) => Some(
                "With your depth, angle, place and vacuum the chop of the map goes right through: yours failed by how it was \
                 done, not by what was chosen.",
            ),
            (true, false) => Some(
                "With your depth, angle, place and vacuum the chop of the map does not come out so well as yours: your choice lies \
                 near an edge, or something that you did otherwise helped.",
            ),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_range_holds_a_choice_beyond_it_as_far_as_is_possible() {
        assert_eq!(holding((0.3, 0.9), 0.5, 0.3, DEPTHS_MM), [0.3, 0.6, 0.9]);
        assert_eq!(holding((0.3, 0.9), 1.31, 0.3, DEPTHS_MM), [0.3, 0.6, 0.9, 1.2, 1.5]);
        assert_eq!(holding((0.3, 0.9), 0.1, 0.3, DEPTHS_MM), [0.0, 0.3, 0.6, 0.9]);
        assert_eq!(holding((15.0, 20.0), 7.0, 5.0, WIDEST_DEG), [5.0, 10.0, 15.0, 20.0]);
        assert_eq!(holding((-1.0, 0.2), 0.0, 0.5, PLACES_MM), [-1.0, -0.5, 0.0, 0.5]);
        assert_eq!(holding((4.5, 4.8), 5.0, 0.3, DEPTHS_MM).last(), Some(&5.0));
    }
}

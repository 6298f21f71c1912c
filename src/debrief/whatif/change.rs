//! What could have been done otherwise: a closed list, one thing at a time.
//!
//! A change is made to what hands did from some moment on (`Tail`), and two changes can be made to the same. Steps of its own
//! come before or after; the steps that were done keep their order, so that the same hand misses by as much with a change as
//! without. mm, degrees, mmHg, cm, s.

use super::deed::{Moment, Question, Start};
use crate::case::CaseSpec;
use crate::plan::again::{Again, Otherwise};
use crate::plan::recall::RecalledChop;
use crate::plan::{Bevel, ChopKind, DECOMPRESS_MM, Hands, Manoeuvre, OutOf};
use crate::sim::circuit::head_pa;
use crate::sim::{Inputs, Model};
use crate::units::{mmhg_from_pa, pa_from_mmhg, radians};
use nalgebra::Vector3;
use std::sync::Arc;

/// What hands do from a moment on.
#[derive(Clone, Debug, PartialEq)]
pub struct Tail {
    /// Done first, exactly so.
    pub before: Vec<Manoeuvre>,
    /// What was done, or instead of it; as nearly as a hand does it.
    pub steps: Vec<Manoeuvre>,
    /// Done last.
    pub after: Vec<Manoeuvre>,
    /// What was recorded, done again after all that.
    pub again: Option<Again>,
    /// It goes on for at least so many ticks, or holds still for as long.
    pub lasts: u64,
}

impl Tail {
    /// What was done from that moment on; `None` where the attempt did not come so far.
    pub fn of(chop: &RecalledChop, from: Moment) -> Option<Self> {
        let bury = (from == Moment::Burying).then(|| chop.bury.clone());
        let hold = (from != Moment::Parting).then_some(&chop.hold);
        let chopper = (from != Moment::Parting).then(|| chop.chop.clone().into_iter().chain(chop.foot.clone()));
        let steps: Vec<_> = bury
            .into_iter()
            .chain(hold.into_iter().flatten().cloned())
            .chain(chopper.into_iter().flatten())
            .chain(chop.part.clone())
            .collect();
        let reaches = from == Moment::Burying || chop.chop.is_some();
        let (before, after) = (Vec::new(), Vec::new());
        (reaches && !steps.is_empty()).then_some(Self { before, steps, after, again: None, lasts: 0 })
    }

    /// What was recorded, for so many ticks.
    pub fn again(inputs: Arc<[Inputs]>, lasts: u64) -> Self {
        let again = Some(Again { inputs, otherwise: Otherwise::default() });
        Self { before: Vec::new(), steps: Vec::new(), after: Vec::new(), again, lasts }
    }

    /// Is nothing done of what was?
    pub fn is_stopped(&self) -> bool {
        self.steps.is_empty() && self.again.is_none()
    }
}

/// One thing done otherwise.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// Bury so deep, mm.
    Depth(f64),
    /// At this tip angle, degrees.
    Angle(f64),
    /// The tip to this place, mm from the lens's axis.
    Place((f64, f64)),
    /// The needle rolled so.
    Roll(Bevel),
    /// The other kind of chop.
    Kind(ChopKind),
    /// The chopper's point so deep, mm.
    Reach(f64),
    /// Part by so much, mm.
    Separation(f64),
    /// Vacuum limit, mmHg.
    Vacuum(f64),
    /// Height of the bottle, cm.
    Bottle(f64),
    /// The foot to this position at once, and wait for vacuum.
    Pedal(u8),
    /// Chop a second time.
    ChopAgain,
    /// Turn the nucleus first, degrees.
    TurnFirst(f64),
    /// Clear the front of the core first.
    ClearFirst,
    /// The tip so much higher than it was, mm.
    Higher(f64),
    /// The shaft so much steeper than it was, degrees.
    Steeper(f64),
    /// The tip so far from where it was, mm; is it nearer to the core's axis?
    Aside((f64, f64), bool),
    /// The chopper so much higher than it was, mm.
    ChopperHigher(f64),
    /// The needle turned over.
    TurnedOver,
    /// So many times as fast.
    Speed(f64),
    /// So many times as much injected.
    Volume(f64),
    /// Hydrodissect first.
    FreeFirst,
    /// Stop and call.
    Stop,
}

/// Time for which vacuum is waited for once the foot has moved, s (A).
const WAIT_S: f64 = 0.5;

/// Clearing: radius, depth below the front, time, as in the shipped plans, mm and s.
const CLEAR: (f64, f64, f64) = (1.0, 0.8, 4.0);

/// Freeing: clock hours, volume of each wave, time, and pressing back after it, as in the shipped plans, mL and s.
const FREE: ([u8; 4], f64, f64, f64) = ([12, 6, 9, 3], 0.06, 0.45, 1.0);

/// By how much each number is changed, less and more (A: what a teacher would say, not a search).
const DEPTHS_MM: [f64; 4] = [-0.8, -0.4, 0.4, 0.8];
const ANGLES_DEG: [f64; 4] = [-20.0, -10.0, 10.0, 20.0];
const REACHES_MM: [f64; 3] = [-0.8, -0.4, 0.4];
const SEPARATIONS_MM: [f64; 3] = [-0.6, 0.6, WIDER_MM];

/// The most by which instruments are parted further, mm.
pub(super) const WIDER_MM: f64 = 1.2;
const VACUUMS_MMHG: [f64; 2] = [-100.0, 100.0];
const BOTTLES_CM: [f64; 2] = [-20.0, 20.0];

/// The same where what was recorded is done again: there a machine is often set far from where it should be.
const HIGHER_MM: [f64; 3] = [-0.4, 0.4, 0.8];
const CHOPPER_HIGHER_MM: [f64; 4] = [-0.8, -0.4, 0.4, 0.8];
const STEEPER_DEG: [f64; 2] = [-10.0, 10.0];
const FAR_VACUUMS_MMHG: [f64; 3] = [-200.0, -100.0, 100.0];
const FAR_BOTTLES_CM: [f64; 3] = [-20.0, 20.0, 40.0];
const HALF: f64 = 0.5;

/// Step of a place, mm, and the distance from the core's axis within which there is no way toward it.
const PLACE_MM: f64 = 0.6;

impl Change {
    /// What is changed, a word of the closed list.
    pub fn what(&self) -> &'static str {
        match self {
            Self::Depth(_) | Self::Higher(_) => "depth",
            Self::Angle(_) | Self::Steeper(_) => "tip angle",
            Self::Place(_) | Self::Aside(..) => "place",
            Self::Roll(_) | Self::TurnedOver => "roll",
            Self::Kind(_) => "chopper",
            Self::Reach(_) | Self::ChopperHigher(_) => "reach",
            Self::Separation(_) => "separation",
            Self::Vacuum(_) => "vacuum",
            Self::Bottle(_) => "bottle",
            Self::Pedal(_) => "pedal",
            Self::ChopAgain => "chop again",
            Self::TurnFirst(_) => "rotate first",
            Self::ClearFirst => "clear first",
            Self::Speed(_) => "speed",
            Self::Volume(_) => "volume",
            Self::FreeFirst => "free first",
            Self::Stop => "stop and call",
        }
    }

    /// To what it is changed.
    pub fn value(&self) -> String {
        match self {
            Self::Depth(mm) | Self::Reach(mm) | Self::Separation(mm) => format!("{mm:.2} mm"),
            Self::Angle(degrees) | Self::TurnFirst(degrees) => format!("{degrees:.0}°"),
            Self::Place((x, y)) => format!("{x:.1}, {y:.1} mm"),
            Self::Roll(Bevel::Up) => "bevel up".to_owned(),
            Self::Roll(Bevel::Down) => "bevel down".to_owned(),
            Self::Kind(ChopKind::Vertical) => "vertical".to_owned(),
            Self::Kind(ChopKind::Horizontal) => "horizontal".to_owned(),
            Self::Vacuum(mmhg) => format!("{mmhg:.0} mmHg"),
            Self::Bottle(cm) => format!("{cm:.0} cm"),
            Self::Pedal(position) => format!("position {position}"),
            Self::Higher(mm) | Self::ChopperHigher(mm) => {
                format!("{:.1} mm {}", mm.abs(), if *mm > 0.0 { "less" } else { "more" })
            }
            Self::Steeper(degrees) => {
                format!("{:.0}° {}", degrees.abs(), if *degrees > 0.0 { "steeper" } else { "flatter" })
            }
            Self::Aside((x, y), is_nearer) => {
                format!("{:.1} mm {}", x.hypot(*y), if *is_nearer { "inward" } else { "outward" })
            }
            Self::TurnedOver => "turned over".to_owned(),
            Self::Speed(times) | Self::Volume(times) => format!("{times:.1} times"),
            Self::ChopAgain | Self::ClearFirst | Self::FreeFirst | Self::Stop => "yes".to_owned(),
        }
    }

    /// The change in words, as `depth 1.60 mm`.
    pub fn in_words(&self) -> String {
        match self {
            Self::ChopAgain | Self::ClearFirst | Self::FreeFirst | Self::Stop => self.what().to_owned(),
            _ => format!("{} {}", self.what(), self.value()),
        }
    }

    /// Does it only keep harm away, without what was meant to be done?
    pub fn is_stop(&self) -> bool {
        matches!(self, Self::Stop)
    }

    /// Make it. `chop`: the last chop that was over, to be chopped again before what was recorded.
    pub fn make(&self, tail: &mut Tail, chop: Option<&RecalledChop>) {
        if let Some(again) = &mut tail.again {
            self.make_otherwise(&mut again.otherwise);
        }
        let set = |vacuum_mmhg, bottle_cm| Manoeuvre::Set { vacuum_mmhg, power: None, bottle_cm, flow_ml_min: None };
        for step in &mut tail.steps {
            match (self, step) {
                (Self::Depth(to), Manoeuvre::Bury { depth_mm, .. }) => *depth_mm = *to,
                (Self::Angle(to), Manoeuvre::Bury { angle_deg, .. }) => *angle_deg = *to,
                (Self::Place(to), Manoeuvre::Bury { place_mm, .. }) => *place_mm = *to,
                (Self::Roll(to), Manoeuvre::Bury { bevel, .. }) => *bevel = *to,
                (Self::Kind(to), Manoeuvre::Chop { kind, depth_mm, .. }) => (*kind, *depth_mm) = (*to, None),
                (Self::Reach(to), Manoeuvre::Chop { depth_mm, .. }) => *depth_mm = Some(*to),
                (Self::Separation(to), Manoeuvre::Separate { width_mm, .. }) => *width_mm = *to,
                (Self::Speed(times), Manoeuvre::Bury { speed_mm_s, .. }) => *speed_mm_s *= times,
                (Self::Pedal(3), Manoeuvre::Bury { ultrasound, .. }) => *ultrasound = 1.0,
                _ => {}
            }
        }
        let is_burying = tail.steps.iter().any(|step| matches!(step, Manoeuvre::Bury { .. }));
        match self {
            Self::Vacuum(mmhg) if tail.again.is_none() => tail.before.push(set(Some(*mmhg), None)),
            Self::Bottle(cm) if tail.again.is_none() => tail.before.push(set(None, Some(*cm))),
            Self::Pedal(position) if tail.again.is_none() && !is_burying => {
                let chopper = tail.steps.iter().position(|s| matches!(s, Manoeuvre::Chop { .. }));
                // Between burying and the chopper, and from there on.
                tail.steps.retain(|step| !matches!(step, Manoeuvre::Pedal { .. }));
                let pedal = Manoeuvre::Pedal { position: *position, share: 1.0, power: None };
                if chopper.is_some() {
                    tail.before.extend([pedal, Manoeuvre::Wait { seconds: WAIT_S }]);
                    tail.steps.retain(|step| !matches!(step, Manoeuvre::Wait { .. }));
                } else {
                    tail.before.push(pedal);
                }
            }
            Self::ChopAgain if tail.again.is_some() => {
                let steps = chop.and_then(|chop| Tail::of(chop, Moment::Burying)).map(|tail| tail.steps);
                let pedal = Manoeuvre::Pedal { position: 1, share: 1.0, power: None };
                tail.before.push(Manoeuvre::Withdraw { from: OutOf::Lens });
                tail.before.extend(steps.unwrap_or_default());
                tail.before.extend([pedal, Manoeuvre::Withdraw { from: OutOf::Lens }]);
            }
            Self::ChopAgain => {
                let again: Vec<_> = tail.steps.clone();
                tail.after.push(Manoeuvre::Withdraw { from: OutOf::Lens });
                tail.after.extend(again);
            }
            Self::TurnFirst(angle_deg) => tail.before.push(Manoeuvre::Turn { angle_deg: *angle_deg }),
            Self::ClearFirst => {
                let place_mm = tail.steps.iter().find_map(|s| match s {
                    Manoeuvre::Bury { place_mm, .. } => Some(*place_mm),
                    _ => None,
                });
                let (radius_mm, depth_mm, seconds) = CLEAR;
                let pedal = Manoeuvre::Pedal { position: 2, share: 1.0, power: None };
                let place_mm = place_mm.unwrap_or_default();
                tail.before.extend([pedal, Manoeuvre::Clear { place_mm, radius_mm, depth_mm, seconds }]);
            }
            Self::FreeFirst => {
                let (hours, volume_ml, seconds, pressed_s) = FREE;
                let wave = |hour| {
                    let pressed = Manoeuvre::Decompress { seconds: pressed_s, depth_mm: DECOMPRESS_MM };
                    [Manoeuvre::Hydrodissect { hour, volume_ml, seconds }, pressed]
                };
                tail.before.extend(hours.into_iter().flat_map(wave));
            }
            Self::Stop => {
                tail.steps.clear();
                tail.again = None;
                tail.after = vec![Manoeuvre::StopAndCall];
            }
            _ => {}
        }
    }

    /// Make it of what was recorded.
    fn make_otherwise(&self, otherwise: &mut Otherwise) {
        match self {
            Self::Higher(mm) => otherwise.shift_mm += Vector3::z() * *mm,
            Self::Steeper(degrees) => otherwise.steeper_rad += radians(*degrees),
            Self::Aside((x, y), _) => otherwise.shift_mm += Vector3::new(*x, *y, 0.0),
            Self::ChopperHigher(mm) => otherwise.chopper_mm += Vector3::z() * *mm,
            Self::TurnedOver => otherwise.roll_rad = std::f64::consts::PI,
            Self::Vacuum(mmhg) => otherwise.vacuum_pa = Some(pa_from_mmhg(*mmhg)),
            Self::Bottle(cm) => otherwise.bottle_pa = Some(head_pa(10.0 * cm)),
            Self::Pedal(position) => otherwise.position = Some(*position),
            Self::Speed(times) => otherwise.pace *= times,
            Self::Volume(times) => otherwise.volume *= times,
            _ => {}
        }
    }
}

/// Numbers changed by some others, within limits; a change that comes to nearly nothing, or to nearly another, is none.
fn within(by: &[f64], base: f64, (low, high): (f64, f64)) -> Vec<f64> {
    let mut changed: Vec<f64> = by.iter().map(|by| (base + by).clamp(low, high)).collect();
    let least = 0.5 * by.iter().fold(f64::INFINITY, |least, by| least.min(by.abs()));
    // At a limit two may come to nearly the same.
    changed.retain(|value| (value - base).abs() > least);
    changed.dedup_by(|a, b| (*a - *b).abs() < least);
    changed
}

/// Vacuums and heights of the bottle, within the case's limits.
fn machine(case: &CaseSpec, hands: &Hands, vacuums_mmhg: &[f64], bottles_cm: &[f64]) -> Vec<Change> {
    let limits = case.limits();
    let vacuum = mmhg_from_pa(hands.machine.vacuum_limit_pa);
    let vacuums = within(vacuums_mmhg, vacuum, limits.vacuum_mmhg).into_iter().map(Change::Vacuum);
    let bottle = hands.machine.bottle_pa / head_pa(10.0);
    vacuums.chain(within(bottles_cm, bottle, limits.bottle_cm).into_iter().map(Change::Bottle)).collect()
}

/// All that could be done otherwise from a moment of a chop on. `hands`: as they stood then.
pub fn changes(case: &CaseSpec, model: &Model, chop: &RecalledChop, hands: &Hands, from: Moment) -> Vec<Change> {
    let mut all = Vec::new();
    if let (Moment::Burying, Manoeuvre::Bury { depth_mm, angle_deg, place_mm, bevel, ultrasound, .. }) =
        (from, &chop.bury)
    {
        all.extend(within(&DEPTHS_MM, *depth_mm, (0.2, 4.5)).into_iter().map(Change::Depth));
        all.extend(within(&ANGLES_DEG, *angle_deg, (10.0, 60.0)).into_iter().map(Change::Angle));
        all.extend(places(model, *place_mm).into_iter().map(Change::Place));
        all.push(Change::Roll(if *bevel == Bevel::Up { Bevel::Down } else { Bevel::Up }));
        all.extend([Change::Speed(HALF), Change::TurnFirst(90.0), Change::ClearFirst]);
        if *ultrasound == 0.0 {
            all.push(Change::Pedal(3));
        }
        if chop.chop.is_some() {
            all.push(Change::ChopAgain);
        }
    }
    if let (Moment::Holding, Some(Manoeuvre::Chop { kind, depth_mm, .. })) = (from, &chop.chop) {
        let other = if *kind == ChopKind::Vertical { ChopKind::Horizontal } else { ChopKind::Vertical };
        all.push(Change::Kind(other));
        let depth_mm = depth_mm.unwrap_or(0.0);
        all.extend(within(&REACHES_MM, depth_mm, (0.2, 4.0)).into_iter().map(Change::Reach));
        all.extend([1, 2, 3].map(Change::Pedal));
    }
    if let (Moment::Parting, Some(Manoeuvre::Separate { width_mm, .. })) = (from, &chop.part) {
        all.extend(within(&SEPARATIONS_MM, *width_mm, (0.3, 4.0)).into_iter().map(Change::Separation));
        all.extend([1, 2, 3].into_iter().filter(|p| *p != hands.foot.pedal.position).map(Change::Pedal));
    }
    if from != Moment::Parting {
        all.extend(machine(case, hands, &VACUUMS_MMHG, &BOTTLES_CM));
    }
    all.push(Change::Stop);
    all
}

/// All that could be done otherwise from a moment of a stretch on. `chop`: the last that was over.
pub(super) fn changes_of_a_stretch(
    case: &CaseSpec,
    model: &Model,
    start: &Start,
    inputs: &[Inputs],
    question: &Question,
    chop: Option<&RecalledChop>,
) -> Vec<Change> {
    let mut all = Vec::new();
    let hands = &start.hands;
    let moves = inputs.windows(2).any(|w| w[0].needle != w[1].needle);
    let is_in_eye = inputs.iter().any(|i| i.needle.insertion_mm > 0.0);
    let is_in_lens = start.state.needle.as_ref().is_some_and(|n| n.buried_mm > 0.0);
    let turns = inputs.iter().any(|i| i.turn_rad_s != 0.0);
    let injects = inputs.iter().any(|i| i.syringe.is_some());
    if is_in_eye {
        all.extend(HIGHER_MM.map(Change::Higher));
        all.extend(STEEPER_DEG.map(Change::Steeper));
        let (x, y) = (hands.needle_mm.x, hands.needle_mm.y);
        let axis = (model.field.core.centre_mm.x, model.field.core.centre_mm.y);
        let off = |(px, py): (f64, f64)| (px - axis.0).hypot(py - axis.1);
        let asides = places(model, (x, y)).into_iter().map(|to| ((to.0 - x, to.1 - y), off(to) < off((x, y))));
        all.extend(asides.map(|(by, is_nearer)| Change::Aside(by, is_nearer)));
        all.push(Change::TurnedOver);
    }
    if inputs.iter().any(|i| i.chopper.is_some()) {
        all.extend(CHOPPER_HIGHER_MM.map(Change::ChopperHigher));
    }
    all.extend(machine(case, hands, &FAR_VACUUMS_MMHG, &FAR_BOTTLES_CM));
    let is_held = |position: u8| inputs.iter().all(|i| i.pedal.position == position);
    all.extend([1, 2, 3].into_iter().filter(|position| !is_held(*position)).map(Change::Pedal));
    if moves || turns || injects {
        all.push(Change::Speed(HALF));
    }
    if injects {
        all.push(Change::Volume(HALF));
    }
    if !is_in_lens && start.state.lens.is_whole() && turns {
        all.push(Change::FreeFirst);
    }
    if !is_in_lens && !turns && !injects {
        all.push(Change::TurnFirst(90.0));
    }
    if *question == Question::Follows && chop.is_some() && start.moment == Moment::Deciding {
        all.push(Change::ChopAgain);
    }
    all.push(Change::Stop);
    all
}

/// Toward the core's axis, and away from it.
fn places(model: &Model, (x, y): (f64, f64)) -> Vec<(f64, f64)> {
    let axis = (model.field.core.centre_mm.x, model.field.core.centre_mm.y);
    let off = (x - axis.0, y - axis.1);
    let way_mm = off.0.hypot(off.1);
    // On the axis, away from it is away from the hand.
    let hand = model.main_incision.place_mm;
    let (away, length) = if way_mm > 0.1 { (off, way_mm) } else { ((-hand.x, -hand.y), hand.x.hypot(hand.y)) };
    let step = (PLACE_MM * away.0 / length, PLACE_MM * away.1 / length);
    let mut all = vec![(x + step.0, y + step.1)];
    if way_mm > 0.5 * PLACE_MM {
        all.push(if way_mm > PLACE_MM { (x - step.0, y - step.1) } else { axis });
    }
    all
}

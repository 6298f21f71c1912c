//! What hands have done, told as manoeuvres: the chops of an attempt, each as a plan would say it.
//!
//! A record holds poses tick by tick; whoever asks what else could have been done needs the intention behind them: how deep,
//! at which angle, where, how held, how far apart. It is read off what happened: how deep the tip lay when it last went on
//! into tissue, where the chopper stood when both parted, how far they parted. mm, degrees, s, tick numbers.
//!
//! Limits: a chop is told by its ends. Hesitation, detours and tremor on the way are not, nor what was done between chops. A
//! hand that does again what is told here does nearly the same, and how nearly is for whoever asks to measure.

use crate::plan::aim::{aimed_at, core_top};
use crate::plan::hands::{Foot, Hands};
use crate::plan::spec::{Bevel, ChopKind, Manoeuvre};
use crate::sim::event::{EventIndex, EventKind};
use crate::sim::hands::{Blade, ChopperEnd};
use crate::sim::{Inputs, Machine, Model, State};
use crate::units::degrees;
use nalgebra::Vector3;

/// Advance along the shaft in a tick from which the tip goes on into tissue, as a speed, mm/s (A: less is only drift).
const GOES_ON_MM_S: f64 = 0.1;

/// Longest pause within burying that is not yet its end, s: a hand stops and goes on (A).
const PAUSE_S: f64 = 1.0;

/// The ranges that manoeuvres have (`plan::read`), for what was measured.
const DEPTH_MM: (f64, f64) = (0.0, 5.0);
const ANGLE_DEG: (f64, f64) = (5.0, 65.0);
const SPEED_MM_S: (f64, f64) = (0.2, 5.0);
const PART_MM: (f64, f64) = (0.0, 4.0);
const AHEAD_MM: (f64, f64) = (0.0, 3.0);
const ASIDE_MM: (f64, f64) = (-2.0, 2.0);

/// Share of the way by which the speed of parting is told.
const MOST_OF_THE_WAY: f64 = 0.8;

/// Length within the lens up to which the tip only touched it, mm.
const TOUCH_MM: f64 = 0.3;

/// Length in the eye below which a needle is drawn back, mm: where it stands is then where it would come in.
const LEAST_IN_MM: f64 = 1.0;

/// Shortest pause that is told, s.
const TOLD_PAUSE_S: f64 = 0.05;

fn within(value: f64, (low, high): (f64, f64)) -> f64 {
    value.clamp(low, high)
}

/// How hands stand that give these inputs.
pub fn hands_of(model: &Model, inputs: &Inputs) -> Hands {
    let foot = Foot { pedal: inputs.pedal, power_share: inputs.power_share };
    // On a dual-linear foot the limit that is asked for is a share of the one that is set.
    let share = if foot.pedal.position >= 3 && foot.power_share.is_some() { foot.pedal.share } else { 1.0 };
    // A needle that hardly stands in its incision, or behind it, is one drawn back along its shaft.
    let drawn_mm = (LEAST_IN_MM - inputs.needle.insertion_mm).max(0.0);
    Hands {
        needle_mm: inputs.needle.end_mm(&model.main_incision) + inputs.needle.forward() * drawn_mm,
        elevation_rad: inputs.needle.elevation_rad,
        roll_rad: inputs.needle.roll_rad,
        drawn_mm,
        chopper: inputs
            .chopper
            .map(|(end, pose)| (end, Blade::of(&model.chopper, &model.side_port, &pose).point_mm, pose.roll_rad)),
        guard_mm: None,
        foot,
        machine: Machine {
            vacuum_limit_pa: if share > 0.0 { inputs.vacuum_limit_pa / share } else { inputs.vacuum_limit_pa },
            flow_limit_ul_s: inputs.flow_limit_ul_s,
            bottle_pa: inputs.bottle_pa,
        },
        power_limit: inputs.power_limit,
    }
}

/// Burying and what came of it, as it was done.
#[derive(Clone, Debug, PartialEq)]
pub struct RecalledChop {
    /// The event with which both instruments began to part; `None` where they never did.
    pub event: Option<EventIndex>,
    /// The last tick before the tip went into the lens.
    pub from: u64,
    /// The tick at which burying was over.
    pub buried: u64,
    /// The tick at which both instruments began to part.
    pub parting: Option<u64>,
    /// The tick at which it was over.
    pub over: u64,
    /// Burying.
    pub bury: Manoeuvre,
    /// What the foot did after burying, and for how long, until the chopper came.
    pub hold: Vec<Manoeuvre>,
    /// The chopper.
    pub chop: Option<Manoeuvre>,
    /// The foot, once more, where it moved before both parted.
    pub foot: Option<Manoeuvre>,
    /// Parting.
    pub part: Option<Manoeuvre>,
}

/// The tip as it lay when it last went on.
#[derive(Clone, Copy, Debug)]
struct Burial {
    tick: u64,
    depth_mm: f64,
    place_mm: (f64, f64),
    elevation_rad: f64,
    roll_rad: f64,
    length_mm: f64,
    /// Is it told as part of a chop?
    is_told: bool,
}

/// The chopper as it stood when both began to part.
#[derive(Clone, Debug)]
struct Begun {
    event: EventIndex,
    tick: u64,
    chop: Manoeuvre,
    pedal: Manoeuvre,
    apart_mm: f64,
    /// The ticks in which they were further apart than ever, and how far.
    gains: Vec<(u64, f64)>,
}

impl Begun {
    /// How far they parted, mm.
    fn parted_mm(&self) -> f64 {
        self.gains.last().map_or(0.0, |(_, mm)| mm - self.apart_mm)
    }

    /// How fast they parted most of the way, mm/s: the last of it is creep.
    fn speed_mm_s(&self, tick_s: f64) -> f64 {
        let most_mm = MOST_OF_THE_WAY * self.parted_mm();
        let reached = self.gains.iter().find(|(_, mm)| mm - self.apart_mm >= most_mm);
        let took_s = reached.map_or(tick_s, |(tick, _)| (tick - self.tick).max(1) as f64 * tick_s);
        most_mm / took_s
    }
}

/// Looks on while an attempt is done again.
#[derive(Clone, Debug, Default)]
pub struct Recall {
    /// The chops that are over.
    pub chops: Vec<RecalledChop>,
    outside: u64,
    moving_s: f64,
    ultrasound: f64,
    burial: Option<Burial>,
    feet: Vec<(u64, Foot)>,
    chopper_in: Option<u64>,
    begun: Option<Begun>,
    tip_mm: Option<Vector3<f64>>,
    events_seen: usize,
}

impl Recall {
    /// A tick: what the hands asked, and what came of it.
    pub fn note(&mut self, model: &Model, state: &State, inputs: &Inputs) {
        let Some(needle) = &state.needle else {
            self.forget(model, state.tick);
            return;
        };
        if needle.buried_mm <= 0.0 && self.begun.is_none() {
            self.forget(model, state.tick);
        }
        let forward = needle.tip.forward;
        let went_mm = self.tip_mm.map_or(0.0, |before| (needle.tip.place_mm - before).dot(&forward));
        self.tip_mm = Some(needle.tip.place_mm);
        let is_chopper_in = state.chopper.as_ref().is_some_and(|c| c.is_in_lens);
        if is_chopper_in {
            self.chopper_in.get_or_insert(state.tick);
        } else if self.begun.is_none() {
            self.chopper_in = None;
            self.see_burying(model, state, inputs, went_mm);
        }
        let foot = Foot { pedal: inputs.pedal, power_share: inputs.power_share };
        if self.feet.last().is_none_or(|(_, last)| *last != foot) {
            self.feet.push((state.tick, foot));
        }
        if let Some(begun) = &mut self.begun
            && let Some(apart_mm) = apart_mm(state)
            && apart_mm > begun.gains.last().map_or(begun.apart_mm, |(_, mm)| *mm)
        {
            begun.gains.push((state.tick, apart_mm));
        }
        let new = self.events_seen..state.events.len();
        self.events_seen = new.end;
        for (index, event) in (new.start as EventIndex..).zip(&state.events[new]) {
            match &event.kind {
                EventKind::ChopStarted(_) => self.begin(model, state, inputs, index),
                EventKind::ChopEnded(result) => self.end(model, state.tick, result.separation_mm),
                _ => {}
            }
        }
    }

    /// The attempt is over, a chop perhaps not.
    pub fn finish(&mut self, model: &Model, state: &State) {
        match &self.begun {
            Some(begun) => self.end(model, state.tick, begun.parted_mm()),
            None => self.forget(model, state.tick),
        }
    }

    /// The tip is out of the lens. Burying that no chop followed is told all the same, where it was more than a touch.
    fn forget(&mut self, model: &Model, tick: u64) {
        if let Some(burial) = self.burial.filter(|b| !b.is_told && b.length_mm > TOUCH_MM) {
            let chop = self.told(model, &burial, tick);
            self.chops.push(chop);
        }
        (self.outside, self.moving_s, self.ultrasound) = (tick, 0.0, 0.0);
        (self.burial, self.chopper_in, self.tip_mm) = (None, None, None);
        self.feet.clear();
    }

    fn see_burying(&mut self, model: &Model, state: &State, inputs: &Inputs, went_mm: f64) {
        let Some(needle) = state.needle.as_ref().filter(|n| n.buried_mm > 0.0) else { return };
        if went_mm < GOES_ON_MM_S * model.tick_s {
            return;
        }
        let pause_s = self.burial.map_or(0.0, |b| (state.tick - b.tick) as f64 * model.tick_s);
        // What follows a long pause is another push, on another bed: it is told as one, with the pause in it left out.
        self.moving_s += if pause_s < PAUSE_S { pause_s.max(model.tick_s) } else { model.tick_s };
        if inputs.pedal.position >= 3 {
            let share = inputs.power_share.unwrap_or(inputs.pedal.share);
            self.ultrasound = self.ultrasound.max(share);
        }
        let place_mm = needle.tip.place_mm;
        let depth_mm =
            needle.depth_mm.unwrap_or_else(|| core_top(model, state, aimed_at(state), &place_mm) - place_mm.z);
        self.burial = Some(Burial {
            tick: state.tick,
            depth_mm,
            place_mm: (place_mm.x, place_mm.y),
            elevation_rad: needle.tip.elevation_rad(),
            roll_rad: needle.tip.roll_rad,
            length_mm: needle.buried_mm,
            is_told: false,
        });
    }

    fn begin(&mut self, model: &Model, state: &State, inputs: &Inputs, event: EventIndex) {
        let (Some(needle), Some(chopper)) = (&state.needle, &state.chopper) else { return };
        let hands = Hands { needle_mm: needle.tip.place_mm, ..hands_of(model, inputs) };
        let (ahead, left) = hands.level_axes(model);
        let point_mm = chopper.blade.point_mm;
        let off_mm = point_mm - needle.tip.place_mm;
        let kind = match chopper.end {
            ChopperEnd::Pointed => ChopKind::Vertical,
            ChopperEnd::Blunt => ChopKind::Horizontal,
        };
        let least_mm = if kind == ChopKind::Horizontal { 0.2 } else { AHEAD_MM.0 };
        let depth_mm = core_top(model, state, aimed_at(state), &point_mm) - point_mm.z;
        let apart_mm = apart_mm(state).unwrap_or(0.0);
        self.begun = Some(Begun {
            event,
            tick: state.tick,
            chop: Manoeuvre::Chop {
                kind,
                ahead_mm: within(off_mm.dot(&ahead), (least_mm, AHEAD_MM.1)),
                aside_mm: within(off_mm.dot(&left), ASIDE_MM),
                depth_mm: Some(within(depth_mm, DEPTH_MM)),
            },
            pedal: pedal(&Foot { pedal: inputs.pedal, power_share: inputs.power_share }),
            apart_mm,
            gains: Vec::new(),
        });
    }

    fn end(&mut self, model: &Model, tick: u64, parted_mm: f64) {
        let (Some(begun), Some(burial)) = (self.begun.take(), self.burial) else { return };
        let told = self.told(model, &burial, tick);
        let last = told.hold.iter().rfind(|step| matches!(step, Manoeuvre::Pedal { .. }));
        let is_ultrasound = self.ultrasound > 0.0;
        let after_burying = Manoeuvre::Pedal { position: if is_ultrasound { 3 } else { 2 }, share: 1.0, power: None };
        let foot = (last.unwrap_or(&after_burying) != &begun.pedal).then(|| begun.pedal.clone());
        let part = Manoeuvre::Separate {
            width_mm: within(parted_mm, PART_MM),
            speed_mm_s: within(begun.speed_mm_s(model.tick_s), SPEED_MM_S),
        };
        self.chops.push(RecalledChop {
            event: Some(begun.event),
            parting: Some(begun.tick),
            chop: Some(begun.chop),
            foot,
            part: Some(part),
            ..told
        });
        if let Some(burial) = &mut self.burial {
            burial.is_told = true;
        }
    }

    /// Burying, and the foot until the chopper came or until a tick.
    fn told(&self, model: &Model, burial: &Burial, over: u64) -> RecalledChop {
        let is_up = libm::cos(burial.roll_rad) >= 0.0;
        let bury = Manoeuvre::Bury {
            depth_mm: within(burial.depth_mm, DEPTH_MM),
            angle_deg: within(degrees(burial.elevation_rad), ANGLE_DEG),
            place_mm: burial.place_mm,
            bevel: if is_up { Bevel::Up } else { Bevel::Down },
            speed_mm_s: within(burial.length_mm / self.moving_s.max(model.tick_s), SPEED_MM_S),
            ultrasound: self.ultrasound,
        };
        RecalledChop {
            event: None,
            from: self.outside,
            buried: burial.tick,
            parting: None,
            over,
            bury,
            hold: self.held(model, burial.tick, self.chopper_in.unwrap_or(over)),
            chop: None,
            foot: None,
            part: None,
        }
    }

    /// What the foot did from one tick to another.
    fn held(&self, model: &Model, from: u64, to: u64) -> Vec<Manoeuvre> {
        let mut steps = Vec::new();
        let ends = self.feet.iter().skip(1).map(|(tick, _)| *tick).chain([u64::MAX]);
        for ((begins, foot), ends) in self.feet.iter().zip(ends) {
            let (begins_at, ends_at) = ((*begins).max(from), ends.min(to));
            if ends_at <= begins_at {
                continue;
            }
            if *begins > from {
                steps.push(pedal(foot));
            }
            let seconds = (ends_at - begins_at) as f64 * model.tick_s;
            if seconds > TOLD_PAUSE_S {
                steps.push(Manoeuvre::Wait { seconds });
            }
        }
        steps
    }
}

fn pedal(foot: &Foot) -> Manoeuvre {
    Manoeuvre::Pedal { position: foot.pedal.position, share: foot.pedal.share, power: foot.power_share }
}

/// Level distance between tip and chopper, mm.
fn apart_mm(state: &State) -> Option<f64> {
    let (needle, chopper) = (state.needle.as_ref()?, state.chopper.as_ref()?);
    let off_mm = chopper.blade.point_mm - needle.tip.place_mm;
    Some(libm::hypot(off_mm.x, off_mm.y))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::{Resolution, compile, parse_case};
    use crate::plan::{Performer, PlanSpec, parse_plan};
    use crate::sim::step;

    const CASE: &str = include_str!("../../scenarios/long-eye-dense-core.ron");
    const PLAN: &str = include_str!("../../scenarios/long-eye-dense-core.good.plan.ron");

    /// A plan performed from some state: what is recalled of it, the last state, and the inputs and states at some ticks.
    fn performed(model: &Model, plan: &PlanSpec) -> (Recall, State) {
        let (mut state, mut recall) = (State::new(model), Recall::default());
        let mut performer = Performer::new(model, plan);
        while let Some(inputs) = performer.next(model, &state) {
            step(model, &mut state, &inputs);
            recall.note(model, &state, &inputs);
        }
        recall.finish(model, &state);
        (recall, state)
    }

    fn model() -> Model {
        let spec = parse_case("case.ron", CASE).unwrap().spec;
        compile(&spec, 1, Resolution::default()).unwrap().model
    }

    #[test]
    fn a_planned_chop_is_told_as_it_was_planned() {
        let model = model();
        let (plan, _) = parse_plan("plan.ron", PLAN).unwrap();
        let (recall, _) = performed(&model, &plan);
        let [chop] = &recall.chops[..] else { panic!("{} chops", recall.chops.len()) };
        let Manoeuvre::Bury { depth_mm, angle_deg, place_mm: (x, y), bevel, speed_mm_s, ultrasound } = &chop.bury
        else {
            panic!("{:?}", chop.bury)
        };
        // The plan's own numbers. The lens gives by a few tenths before the tip, and is pushed back while it is buried.
        assert!((depth_mm - 1.6).abs() < 0.15, "{depth_mm}");
        assert!((angle_deg - 40.0).abs() < 1.0, "{angle_deg}");
        assert!(x.hypot(*y) < 0.4, "{x} {y}");
        assert_eq!((*bevel, *ultrasound), (Bevel::Up, 1.0));
        assert!((0.7..2.0).contains(speed_mm_s), "{speed_mm_s}");
        let Some(Manoeuvre::Chop { kind: ChopKind::Vertical, ahead_mm, aside_mm, depth_mm: Some(deep_mm) }) = chop.chop
        else {
            panic!("{:?}", chop.chop)
        };
        assert!((ahead_mm - 0.5).abs() < 0.2 && (aside_mm - 0.5).abs() < 0.2, "{ahead_mm} {aside_mm}");
        assert!((deep_mm - 1.6).abs() < 0.25, "{deep_mm}");
        let Some(Manoeuvre::Separate { width_mm, speed_mm_s }) = chop.part else { panic!("{:?}", chop.part) };
        assert!((width_mm - 1.7).abs() < 0.1 && (speed_mm_s - 2.0).abs() < 0.4, "{width_mm} {speed_mm_s}");
        assert!(chop.hold.contains(&Manoeuvre::Pedal { position: 2, share: 1.0, power: None }), "{:?}", chop.hold);
        let parting = chop.parting.unwrap();
        assert!(chop.from < chop.buried && chop.buried < parting && parting < chop.over, "{chop:?}");
    }

    #[test]
    fn hands_are_told_from_their_inputs() {
        let model = model();
        let state = State::new(&model);
        let mut hands = Hands { power_limit: 0.4, roll_rad: 0.3, ..Hands::ready(&model) };
        hands.take_chopper(&model, &state, ChopperEnd::Pointed, 0.0);
        hands.foot = Foot::full(2);
        let again = hands_of(&model, &hands.inputs(&model));
        assert!((again.needle_mm - hands.needle_mm).norm() < 1e-9);
        let (Some((end, point, roll)), Some((was, at, rolled))) = (again.chopper, hands.chopper) else { panic!() };
        assert!(end == was && (point - at).norm() < 1e-6 && (roll - rolled).abs() < 1e-12);
        assert_eq!((again.foot, again.machine, again.power_limit), (hands.foot, hands.machine, 0.4));
    }
}

//! What a trainee sees: the sheet before, eye and needle through the microscope after, each as unsurely as the skill makes it.
//!
//! Invariant: this is the trainees' only look into model and state, and it tells nothing that a learner could not see, hear or
//! feel. The core is seen at the slit lamp in outline, its thickness as the slit shows it, its grade as it appears, not as it
//! is; of the needle how much of it still stands out of the lens, bare or sleeved; of the capsule a guess; of the lens whether it yields to the
//! hand, how fast the tip sinks, whether it turns, and whether a line of glow shows through the crack. Lengths mm in the eye's
//! frame, angles degrees.

use super::traits::Traits;
use super::{Dice, Luck};
use crate::case::CaseSpec;
use crate::sim::adhesion::HOURS;
use crate::sim::event::EventKind;
use crate::sim::{Model, State, chop};
use crate::units::degrees;

/// Share of the adhesion freed from which hydrodissection counts as done; the sheet says so.
const FREED: f64 = 0.5;

/// Share freed at a clock hour from which a wave is seen to have passed there.
const PASSED: f64 = 0.5;

/// Strength of the weakest clock hour from which zonules look weak (the lens trembles).
const WEAK: f64 = 0.6;

/// Factor on toughness from which the back of the core looks matted in the slit.
const MATTED: f64 = 1.2;

/// Axial length from which an eye is known to be long and lax, mm (common practice, no source).
const LONG_MM: f64 = 26.0;

/// What the hand presses the lens before it sees it go, mm.
const YIELDS_MM: f64 = 0.05;

/// What the sheet and a look at the slit lamp tell, once.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Sheet {
    /// Grade as it appears.
    pub grade: f64,
    /// Where the core's middle seems to lie, and its radius across.
    pub core_mm: (f64, f64),
    /// See `core_mm`.
    pub radius_mm: f64,
    /// How thick it seems.
    pub thickness_mm: f64,
    /// How thick the soft layer before it seems.
    pub shell_mm: f64,
    /// Heights of the core's front and back as they seem.
    pub front_mm: f64,
    /// Radius of the rhexis.
    pub rhexis_mm: f64,
    /// Is the eye long?
    pub is_long: bool,
    /// Was the back of the core seen to be matted?
    pub is_matted: bool,
    /// Was the lens seen to tremble?
    pub trembles: bool,
    /// Is the lens freed from its capsule?
    pub is_freed: bool,
    /// Is all of the nucleus to be taken, and how much may be left?
    pub nucleus_left: Option<f64>,
    /// Direction from the main incision across the eye.
    pub ahead: (f64, f64),
    /// 1 where the chopper comes from the left of the needle, −1 from its right.
    pub chopper_side: f64,
    /// Height of the bottle the machine starts with, cm.
    pub bottle_cm: f64,
}

/// How a crack looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Crack {
    /// There is none to be seen.
    None,
    /// It is open, and joined somewhere.
    Joined,
    /// Glow shows all along it: the sides move apart.
    Through,
}

/// What is seen now.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Seen {
    /// Time, s.
    pub t_s: f64,
    /// How deep the tip seems to stand below the core's front.
    pub depth_mm: Option<f64>,
    /// How far off the posterior capsule seems.
    pub capsule_mm: f64,
    /// What the last burial felt like: the grade that would sink so; `None` while it met nothing.
    pub felt_grade: Option<f64>,
    /// How the crack looks.
    pub crack: Crack,
    /// Does the lens give way to the tip before the tip sinks?
    pub yields: bool,
    /// Is no bare needle left between the sleeve and the lens?
    pub is_sleeved: bool,
    /// Clock hours, 12 first, at which no wave was seen to pass.
    pub stuck: [bool; HOURS],
    /// How far the nucleus has been turned, degrees.
    pub turned_deg: f64,
    /// Is the capsule seen to be open?
    pub is_breached: bool,
    /// Is the iris seen to lie sealed on the capsule?
    pub is_blocked: bool,
    /// Share of the nucleus that seems to be left.
    pub left: f64,
    /// Pieces to be seen.
    pub pieces: usize,
    /// Is the tip being buried, the foot on ultrasound?
    pub is_boring: bool,
}

/// Eyes, and what they remember.
#[derive(Clone, Debug)]
pub(super) struct Sight {
    sheet: Sheet,
    traits: Traits,
    dice: Dice,
    /// Error of this person in judging the distance to the capsule, mm.
    capsule_off_mm: f64,
    /// The last heights of the tip while it was bored in, and the power then.
    sinking: Option<Sinking>,
    felt_grade: Option<f64>,
    /// When a breach, a block was first there to be seen, s.
    breached_s: Option<f64>,
    blocked_s: Option<f64>,
    whole_ul: f64,
}

#[derive(Clone, Copy, Debug)]
struct Sinking {
    from_mm: f64,
    from_s: f64,
    power: f64,
}

/// Time over which sinking is judged, s.
const JUDGED_S: f64 = 0.3;

impl Sight {
    pub fn new(case: &CaseSpec, model: &Model, traits: &Traits, dice: Dice) -> Self {
        let core = &model.field.core;
        let about = |index: u64| dice.normal(Luck::Sheet, 0, index);
        let notices = |index: u64| dice.happens(Luck::Notice, 0, index, traits.notices);
        let share = |index: u64| 1.0 + (traits.outline * about(index)).clamp(-0.4, 0.4);
        let front_mm = core.centre_mm.z + core.half_thickness_mm;
        let (front_off, thickness) = (0.5 * traits.depth_mm * about(1), 2.0 * core.half_thickness_mm * share(2));
        // A core off the centre shows with the pupil wide, if one looks for it.
        let core_mm = if notices(0) {
            let off_mm = 2.0 * traits.outline;
            (core.centre_mm.x + off_mm * about(3), core.centre_mm.y + off_mm * about(4))
        } else {
            (0.0, 0.0)
        };
        let incision = model.main_incision.place_mm;
        let length = libm::hypot(incision.x, incision.y);
        let ahead = (-incision.x / length, -incision.y / length);
        let port = model.side_port.place_mm;
        let side = -ahead.1 * port.x + ahead.0 * port.y;
        let weakest = case.support().zonules.iter().copied().fold(1.0, f64::min);
        let sheet = Sheet {
            grade: case.lens.slit_lamp_grade + traits.grade * about(5),
            core_mm,
            radius_mm: core.radius_mm * share(6),
            thickness_mm: thickness,
            shell_mm: (model.field.shape.front_mm - front_mm + front_off).max(0.1),
            front_mm: front_mm + front_off,
            rhexis_mm: model.rhexis_radius_mm,
            is_long: case.eye.axial_length_mm >= LONG_MM,
            is_matted: case.lens.plate.as_ref().is_some_and(|p| p.toughness_factor > MATTED) && notices(1),
            trembles: weakest < WEAK && notices(2),
            is_freed: case.attachment().freed >= FREED,
            nucleus_left: case.goals.nucleus_left,
            ahead,
            chopper_side: if side > 0.0 { 1.0 } else { -1.0 },
            bottle_cm: case.machine().bottle_cm,
        };
        Self {
            sheet,
            traits: traits.clone(),
            dice,
            capsule_off_mm: traits.depth_mm * about(7),
            sinking: None,
            felt_grade: None,
            breached_s: None,
            blocked_s: None,
            whole_ul: State::new(model).lens.nucleus_ul.iter().sum(),
        }
    }

    pub fn sheet(&self) -> &Sheet {
        &self.sheet
    }

    /// One look, a tick.
    pub fn look(&mut self, model: &Model, state: &State) -> Seen {
        let t_s = state.time_s(model);
        let needle = state.needle.as_ref();
        let is_boring = state.power > 0.0 && needle.is_some_and(|n| n.buried_mm > 0.0);
        self.feel(model, state, t_s, is_boring);
        let depth_mm = needle.filter(|n| n.buried_mm > 0.0).map(|n| {
            // How much of the needle has vanished, at the slope it has, less the soft layer before the core.
            let sunk_mm = n.buried_mm * -n.tip.forward.z;
            sunk_mm - self.sheet.shell_mm + 0.5 * self.traits.depth_mm * self.dice.normal(Luck::Look, 0, 0)
        });
        let capsule_mm = needle.map_or(f64::INFINITY, |n| {
            let distance = model.field.shape.distance_to_posterior_mm(&(n.tip.place_mm - state.lens.carried_mm()));
            distance + self.capsule_off_mm
        });
        let crack = match &state.opening {
            Some(opening) => {
                let result = chop::result(state, opening);
                if result.complete {
                    Crack::Through
                } else if result.core_fraction_cracked > 0.2 {
                    Crack::Joined
                } else {
                    Crack::None
                }
            }
            None if !state.lens.is_whole() => Crack::Through,
            None if state.lens.seams.is_empty() => Crack::None,
            None => Crack::Joined,
        };
        if state.is_breached {
            self.breached_s.get_or_insert(t_s);
        }
        let is_sealed = state.events.iter().rev().find_map(|e| match e.kind {
            EventKind::PupilBlocked { .. } => Some(true),
            EventKind::BlockReleased { .. } => Some(false),
            _ => None,
        });
        match is_sealed {
            Some(true) => _ = self.blocked_s.get_or_insert(t_s),
            _ => self.blocked_s = None,
        }
        let since = |from: Option<f64>| from.is_some_and(|from| t_s - from >= self.traits.reaction_s);
        let nucleus_ul: f64 = state.lens.nucleus_ul.iter().sum();
        Seen {
            t_s,
            depth_mm,
            capsule_mm,
            felt_grade: self.felt_grade,
            crack,
            yields: needle.is_some_and(|n| state.lens.pushed_mm.dot(&n.tip.forward) > YIELDS_MM),
            is_sleeved: needle.is_some_and(|n| n.buried_firm_mm >= model.needle.exposed_mm),
            stuck: core::array::from_fn(|hour| {
                let off = 0.25 * self.traits.grade * self.dice.normal(Luck::Look, 1, hour as u64);
                state.adhesion.freed[hour] + off < PASSED
            }),
            turned_deg: degrees(state.lens.turned_rad),
            is_breached: since(self.breached_s),
            is_blocked: since(self.blocked_s),
            left: nucleus_ul / self.whole_ul.max(1e-9),
            pieces: state.lens.bodies().count(),
            is_boring,
        }
    }

    /// How hard what the tip bores into feels: the speed at which it sinks while the hand presses on it.
    fn feel(&mut self, model: &Model, state: &State, t_s: f64, is_boring: bool) {
        let Some(needle) = state.needle.as_ref().filter(|n| is_boring && n.is_in_core) else {
            self.sinking = None;
            return;
        };
        let height_mm = needle.tip.place_mm.z - state.lens.carried_mm().z;
        let pressed_mm = state.lens.pushed_mm.dot(&needle.tip.forward);
        let Some(sinking) = self.sinking else {
            self.sinking = Some(Sinking { from_mm: height_mm, from_s: t_s, power: state.power });
            return;
        };
        if t_s - sinking.from_s < JUDGED_S {
            return;
        }
        let slope = -needle.tip.forward.z;
        let speed = (sinking.from_mm - height_mm) / slope.max(0.1) / (t_s - sinking.from_s);
        self.sinking = None;
        // Where the lens does not yield, the tissue keeps up with the hand: no harder than that.
        if speed > 0.05 {
            let shown = grade_that_sinks(model, speed, sinking.power);
            let turn = state.tick;
            let judged = shown + self.traits.grade * self.dice.normal(Luck::Feel, turn, 0);
            let is_pressed = pressed_mm > YIELDS_MM;
            let known = self.felt_grade.unwrap_or(self.sheet.grade);
            if is_pressed || judged < known {
                self.felt_grade = Some(known + 0.3 * (judged - known));
            }
        }
    }
}

/// Grade of a nucleus into which a tip sinks so fast at that power (the law of boring, turned round: what a surgeon knows by
/// habit).
fn grade_that_sinks(_: &Model, speed_mm_s: f64, power: f64) -> f64 {
    let toughness_over_first = crate::sim::burial::FULL_POWER_ADVANCE_MM_S * power / speed_mm_s;
    (1.0 + libm::log(toughness_over_first.max(0.3)) / 0.55).clamp(0.1, 6.9)
}

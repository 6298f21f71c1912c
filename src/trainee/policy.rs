//! What a trainee decides: free the lens, set the machine, bury, look, foot back, chop, part, look, and again; take the pieces
//! where that is asked; stop where something has gone wrong.
//!
//! Rules are those of common practice (no source): half the core's thickness deep, as steep as the rim asks for, foot back to
//! 2 before the chopper, more vacuum and power for a harder core, less of both for long and lax eyes and for the last pieces,
//! small waves of fluid with the nucleus pressed back between, no chop where the nucleus is soft. How well they are followed is
//! the traits' affair: what is not noticed is not acted on, what is meant is missed.
//!
//! Reads `Seen` and `Sheet` alone, never model or state. mm, degrees, mmHg, s.

use super::sight::{Crack, Seen, Sheet};
use super::traits::Traits;
use super::{Dice, Luck};
use crate::plan::{Bevel, ChopKind, Filling, Manoeuvre, OutOf, PlanSpec};
use crate::units::degrees;
use std::collections::VecDeque;

/// Share of the core's thickness at which the tip is meant to stand, and how much deeper each try after a failed one.
const DEPTH_SHARE: f64 = 0.5;
const DEEPER: f64 = 0.08;

/// Steeper than the rim asks for, and the flattest angle at which a crack is expected to stand upright enough, degrees.
const MARGIN_DEG: f64 = 4.0;
const FLATTEST_DEG: f64 = 43.0;

/// Where a core off the centre is entered, as a share of the way to its middle: its halves need room on both sides.
const AIM: f64 = 0.8;

/// Grade below which a nucleus is not chopped, and from which it is dense.
const SOFT: f64 = 1.8;
const DENSE: f64 = 4.6;

/// How much shallower than meant the tip may seem before it is buried anew.
const TOO_SHALLOW_MM: f64 = 0.35;

/// How far off the belief a felt hardness is before the machine is set anew and the tip buried elsewhere, grades, and how far
/// beyond the first place that is, mm.
const MISJUDGED: f64 = 0.8;
const ELSEWHERE_MM: f64 = 0.35;

/// Clock hours of the first waves, and of more where the nucleus does not turn.
const FIRST_HOURS: [u8; 2] = [12, 6];
const MORE_HOURS: [u8; 4] = [9, 3, 5, 8];

/// Time that a wave takes, s/mL.
const WAVE_S_PER_ML: f64 = 11.0;

/// Clock hours that may seem stuck when the lens is turned, and rounds of two waves before that.
const FEW_STUCK: usize = 3;
const MOST_WAVES: u32 = 3;

/// Angle of a try at turning, and the share of it that counts as turning.
const TRY_DEG: f64 = 40.0;
const TURNS: f64 = 0.5;

/// Time in which the vacuum goes once the foot is back, s.
const VACUUM_GOES_S: f64 = 0.7;

/// Ultrasound, the tip standing, that loosens it in a dense bed, s.
const LOOSENS_S: f64 = 1.5;

/// Most pieces gripped, and rounds of shaving.
const MOST_GRIPS: u32 = 14;
const MOST_ROUNDS: u32 = 5;

/// Share of the distance otherwise kept from the capsule that is kept from the nucleus's back (the capsule lies behind it).
const BOWL: f64 = 0.85;

/// How far the nucleus is turned between them, degrees.
const ROUND_DEG: f64 = 75.0;

/// Chance, of those who notice, of calling where a crack stays unfinished.
const CALLS: f64 = 0.3;

/// What is to be done next.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Next {
    LookRound,
    Free { round: u32 },
    Turned { from_deg: f64 },
    Ready,
    Bury,
    Held,
    Parted { parts: u32 },
    Left,
    Grip { count: u32 },
    Shave { round: u32 },
    Leave,
    Done,
}

/// Beliefs and intentions.
#[derive(Clone, Debug)]
pub(super) struct Policy {
    sheet: Sheet,
    traits: Traits,
    dice: Dice,
    next: Next,
    /// Decisions so far: what luck is asked by.
    turn: u64,
    hours: VecDeque<u8>,
    /// Burials that were given up or did not go through.
    tries: u32,
    reburied: u32,
    wanted_mm: f64,
    /// Grade that the machine was set for.
    set_for: f64,
    /// Has the tip been seen to stand too shallow?
    is_shallow: bool,
    is_startled: bool,
    /// Is the machine set for a long or lax eye?
    is_gentle: bool,
    has_been_startled: bool,
    is_harm_dealt_with: bool,
    lifted: bool,
}

impl Policy {
    pub fn new(sheet: Sheet, traits: Traits, dice: Dice) -> Self {
        Self {
            sheet,
            traits,
            dice,
            next: Next::LookRound,
            turn: 0,
            hours: MORE_HOURS.into(),
            tries: 0,
            reburied: 0,
            wanted_mm: 0.0,
            set_for: 0.0,
            is_shallow: false,
            is_startled: false,
            is_gentle: false,
            has_been_startled: false,
            is_harm_dealt_with: false,
            lifted: false,
        }
    }

    /// Is what is seen a reason to drop what is under way? A near capsule once for each burial, a breach once.
    pub fn is_startled(&mut self, seen: &Seen) -> bool {
        let is_at_it = seen.is_boring || matches!(self.next, Next::Parted { .. });
        let is_near = is_at_it && seen.capsule_mm < self.traits.floor_mm && !self.has_been_startled;
        if is_near {
            self.has_been_startled = true;
            // Not to see it is to go on.
            self.is_startled = self.notices(10);
        }
        // Where the sleeve meets the lens the tip goes no deeper.
        let is_stopped = seen.is_boring && seen.is_sleeved && self.is_burying() && self.notices(14);
        let is_hurt = seen.is_breached && !self.is_harm_dealt_with && self.notices(11);
        (is_near && self.is_startled) || is_stopped || is_hurt
    }

    /// What to do now; `None` when all is done.
    pub fn decide(&mut self, seen: &Seen) -> Option<Vec<Manoeuvre>> {
        self.turn += 1;
        if seen.is_breached && !self.is_harm_dealt_with && self.notices(11) {
            self.is_harm_dealt_with = true;
            self.next = Next::Done;
            return Some(vec![
                pedal(1),
                Manoeuvre::Inject { ovd: Filling::Dispersive, volume_ul: 80.0, seconds: 2.0 },
                Manoeuvre::Withdraw { from: OutOf::Eye },
                Manoeuvre::StopAndCall,
            ]);
        }
        let steps = match self.next {
            Next::LookRound => {
                self.next = if self.sheet.is_freed { Next::Ready } else { Next::Free { round: 0 } };
                vec![Manoeuvre::Wait { seconds: 1.0 }]
            }
            Next::Free { round } => self.free(seen, round),
            Next::Turned { from_deg } => self.has_turned(seen, from_deg),
            Next::Ready => self.make_ready(seen),
            Next::Bury => self.bury(seen),
            Next::Held => self.chop(seen),
            Next::Parted { parts } => self.look_at_crack(seen, parts),
            Next::Left => self.after_chop(seen),
            Next::Grip { count } => self.take_a_piece(seen, count),
            Next::Shave { round } => self.shave(seen, round),
            Next::Leave => {
                self.next = Next::Done;
                self.draw_back(self.grade(seen))
            }
            Next::Done => return None,
        };
        // A plan by this hand: another decision, another miss.
        let plan = PlanSpec { format: 1, title: String::new(), steps };
        let seed = self.dice.key(Luck::Hands, self.turn).bits(0);
        Some(plan.by_hand(&self.traits.scatter, seed).steps)
    }

    /// Is the tip being buried?
    pub fn is_burying(&self) -> bool {
        self.next == Next::Held
    }

    /// Is something noticed that is there to be seen? The same question in the same turn has the same answer.
    fn notices(&self, about: u64) -> bool {
        self.dice.happens(Luck::Notice, self.turn + 1, about, self.traits.notices)
    }

    /// How hard the core is believed to be.
    fn grade(&self, seen: &Seen) -> f64 {
        seen.felt_grade.unwrap_or(self.sheet.grade)
    }

    /// Two small waves at a time, the lens pressed back after each, until they are seen to have passed; then it is turned.
    fn free(&mut self, seen: &Seen, round: u32) -> Vec<Manoeuvre> {
        let turn = Manoeuvre::Turn { angle_deg: TRY_DEG };
        self.next = Next::Turned { from_deg: seen.turned_deg };
        if round == 0 {
            if !self.notices(0) {
                // All at once, and nothing pressed back.
                let volume_ml = 2.0 * self.traits.wave_ml;
                return vec![Manoeuvre::Hydrodissect { hour: FIRST_HOURS[0], volume_ml, seconds: 2.5 }, turn];
            }
            self.next = Next::Free { round: 1 };
            return self.waves(FIRST_HOURS);
        }
        let more = self.stuck_hours(seen);
        if seen.stuck.iter().filter(|s| **s).count() <= FEW_STUCK || round > MOST_WAVES || !self.notices(1) {
            return vec![turn];
        }
        self.next = Next::Free { round: round + 1 };
        self.waves(more)
    }

    /// A wave at each of these hours, the lens pressed back after it.
    fn waves(&self, hours: impl IntoIterator<Item = u8>) -> Vec<Manoeuvre> {
        let wave = |hour| {
            let volume_ml = self.traits.wave_ml;
            let seconds = WAVE_S_PER_ML * volume_ml;
            let press = Manoeuvre::Decompress { seconds: 1.0, depth_mm: crate::plan::DECOMPRESS_MM };
            [Manoeuvre::Hydrodissect { hour, volume_ml, seconds }, press]
        };
        hours.into_iter().flat_map(wave).collect()
    }

    /// The next two hours for a wave, those first that seem stuck.
    fn stuck_hours(&mut self, seen: &Seen) -> Vec<u8> {
        let is_stuck = |hour: &u8| seen.stuck[usize::from(hour % 12)];
        self.hours.make_contiguous().sort_by_key(|hour| !is_stuck(hour));
        let two = self.hours.len().min(2);
        self.hours.drain(..two).collect()
    }

    fn has_turned(&mut self, seen: &Seen, from_deg: f64) -> Vec<Manoeuvre> {
        let has_turned = (seen.turned_deg - from_deg).abs() > TURNS * TRY_DEG;
        if has_turned || self.hours.is_empty() || !self.notices(1) {
            self.next = Next::Ready;
            return vec![Manoeuvre::Wait { seconds: 0.2 }];
        }
        self.next = Next::Turned { from_deg: seen.turned_deg };
        let more = self.stuck_hours(seen);
        let mut steps = self.waves(more);
        steps.push(Manoeuvre::Turn { angle_deg: TRY_DEG });
        steps
    }

    fn make_ready(&mut self, seen: &Seen) -> Vec<Manoeuvre> {
        let grade = self.grade(seen);
        self.set_for = grade;
        if seen.is_blocked && !self.lifted && self.notices(2) {
            self.lifted = true;
            return vec![Manoeuvre::LiftIris { hour: 3, seconds: 0.6 }, Manoeuvre::ChopperOut];
        }
        let is_soft = grade < SOFT && self.notices(3);
        self.next = if is_soft { Next::Shave { round: 0 } } else { Next::Bury };
        if is_soft {
            return vec![set(200.0, 0.3, None)];
        }
        self.is_gentle = (self.sheet.is_long || self.sheet.trembles) && self.notices(4);
        let bottle_cm = self.is_gentle.then_some((self.sheet.bottle_cm - 8.0).max(75.0));
        vec![set(self.vacuum_mmhg(grade), power(grade), bottle_cm)]
    }

    /// Vacuum for a core of that grade, in this eye.
    fn vacuum_mmhg(&self, grade: f64) -> f64 {
        let usual = (250.0 + 50.0 * (grade - 2.0)).clamp(200.0, 500.0);
        if self.is_gentle { usual - 50.0 } else { usual }
    }

    fn bury(&mut self, seen: &Seen) -> Vec<Manoeuvre> {
        self.has_been_startled = false;
        self.is_startled = false;
        let grade = self.grade(seen);
        let sheet = &self.sheet;
        let share = DEPTH_SHARE + DEEPER * f64::from(self.tries);
        self.wanted_mm = share * sheet.thickness_mm;
        let err = |luck: Luck| self.dice.normal(luck, self.turn, 0);
        let meant_mm = self.wanted_mm - self.traits.shy_mm + self.traits.depth_mm * err(Luck::Depth);
        let along_mm = AIM * (sheet.core_mm.0 * sheet.ahead.0 + sheet.core_mm.1 * sheet.ahead.1);
        let reach_mm = (sheet.rhexis_mm + along_mm).max(1.0);
        let asked_deg = degrees(libm::atan((self.wanted_mm + sheet.shell_mm) / reach_mm)) + MARGIN_DEG;
        let asked_deg = asked_deg.max(FLATTEST_DEG);
        // What was seen to be too shallow is tried more steeply, and what was bored once not in the same bed.
        let again = f64::from(self.reburied + self.tries);
        let steeper_deg = if self.is_shallow { 7.0 * again } else { 0.0 };
        let beyond_mm = ELSEWHERE_MM * again;
        let angle_deg = asked_deg - self.traits.flat_deg + steeper_deg + self.traits.angle_deg * err(Luck::Angle);
        // As fast as the tissue is believed to give way, a little less; faster where the hand will feel what it meets.
        let gives_way = 0.85 * (1.0 + self.traits.feels) * crate::sim::burial::FULL_POWER_ADVANCE_MM_S * power(grade)
            / libm::exp(0.55 * (grade - 1.0));
        let careful = if sheet.trembles { 0.6 } else { 1.0 };
        self.next = Next::Held;
        vec![Manoeuvre::Bury {
            depth_mm: meant_mm.clamp(0.1, 4.5),
            angle_deg: angle_deg.clamp(12.0, 60.0),
            place_mm: (
                AIM * sheet.core_mm.0 + beyond_mm * sheet.ahead.0,
                AIM * sheet.core_mm.1 + beyond_mm * sheet.ahead.1,
            ),
            bevel: Bevel::Up,
            speed_mm_s: (careful * gives_way).clamp(0.3, 2.0),
            ultrasound: 1.0,
        }]
    }

    fn chop(&mut self, seen: &Seen) -> Vec<Manoeuvre> {
        let foot_back = [pedal(2), Manoeuvre::Wait { seconds: 0.3 }];
        let seems_shallow = seen.depth_mm.is_none_or(|depth| depth < self.wanted_mm - TOO_SHALLOW_MM);
        if seems_shallow && !self.is_startled && self.reburied + 1 < self.traits.tries && self.notices(5) {
            self.reburied += 1;
            self.is_shallow = true;
            self.next = Next::Bury;
            return self.draw_back(self.grade(seen));
        }
        let grade = self.grade(seen);
        let is_tough = grade > DENSE || self.sheet.is_matted;
        let side = self.sheet.chopper_side;
        // A chopper that is pressed down loads zonules; across, it does less.
        let spares = self.sheet.trembles || !self.sheet.is_freed;
        let kind = if spares { ChopKind::Horizontal } else { ChopKind::Vertical };
        let (ahead_mm, aside_mm) = if is_tough { (0.2, 0.15) } else { (0.4, 0.5) };
        let depth_mm = self.wanted_mm + 0.1 - 0.5 * self.traits.shy_mm;
        let needed_mm = if is_tough { 4.0 } else { (1.2 + 0.35 * (grade - 1.0)).clamp(1.2, 4.0) };
        let mut steps = vec![Manoeuvre::Wait { seconds: self.traits.linger_s }];
        if !self.dice.happens(Luck::Foot, self.turn, 0, self.traits.foot_lapse) {
            steps.extend(foot_back);
        }
        if (grade - self.set_for).abs() > MISJUDGED && self.notices(13) {
            self.set_for = grade;
            steps.push(set(self.vacuum_mmhg(grade), power(grade), None));
        }
        steps.push(Manoeuvre::Chop { kind, ahead_mm, aside_mm: side * aside_mm, depth_mm: Some(depth_mm.max(0.3)) });
        let speed_mm_s = if is_tough { 1.0 } else { 1.8 };
        steps.push(Manoeuvre::Separate { width_mm: (self.traits.parting * needed_mm).min(4.0), speed_mm_s });
        steps.push(Manoeuvre::Wait { seconds: 0.3 });
        self.next = Next::Parted { parts: 1 };
        steps
    }

    /// Out of the lens: the foot first, and those who think of it loosen the tip in a dense bed with ultrasound before, and
    /// wait until the vacuum has gone.
    fn draw_back(&self, grade: f64) -> Vec<Manoeuvre> {
        let knows = self.notices(15);
        let mut steps = Vec::new();
        if knows && grade > DENSE {
            steps.extend([pedal(3), Manoeuvre::Wait { seconds: LOOSENS_S }]);
        }
        steps.push(pedal(1));
        if knows {
            steps.push(Manoeuvre::Wait { seconds: VACUUM_GOES_S });
        }
        steps.push(Manoeuvre::Withdraw { from: OutOf::Lens });
        steps
    }

    /// The crack as it is taken to be: what is not looked at closely looks through.
    fn believed(&self, seen: &Seen) -> Crack {
        if seen.crack == Crack::Joined && !self.notices(6) { Crack::Through } else { seen.crack }
    }

    fn look_at_crack(&mut self, seen: &Seen, parts: u32) -> Vec<Manoeuvre> {
        let goes_on = parts < 3 && parts <= self.traits.tries && !self.is_startled;
        if self.believed(seen) != Crack::Through && goes_on {
            self.next = Next::Parted { parts: parts + 1 };
            return vec![
                Manoeuvre::Separate { width_mm: 1.2 * self.traits.parting, speed_mm_s: 1.0 },
                Manoeuvre::Wait { seconds: 0.5 },
            ];
        }
        self.next = Next::Left;
        self.draw_back(self.grade(seen))
    }

    fn after_chop(&mut self, seen: &Seen) -> Vec<Manoeuvre> {
        if self.believed(seen) != Crack::Through {
            self.tries += 1;
            if self.tries < self.traits.tries {
                self.next = Next::Bury;
                return vec![Manoeuvre::Wait { seconds: 0.3 }];
            }
            self.next = Next::Done;
            let calls = seen.crack == Crack::Joined && self.notices(7);
            if calls && self.dice.happens(Luck::Notice, self.turn, 8, CALLS) {
                return vec![Manoeuvre::Withdraw { from: OutOf::Eye }, Manoeuvre::StopAndCall];
            }
            return vec![Manoeuvre::Wait { seconds: 0.2 }];
        }
        self.next = if self.sheet.nucleus_left.is_some() { Next::Grip { count: 0 } } else { Next::Done };
        let raises = self.sheet.nucleus_left.is_some() && self.notices(9);
        let bottle_cm = raises.then_some(self.sheet.bottle_cm + 15.0);
        vec![set(0.9 * (250.0 + 50.0 * (self.grade(seen) - 2.0)).clamp(200.0, 450.0), 0.5, bottle_cm)]
    }

    fn take_a_piece(&mut self, seen: &Seen, count: u32) -> Vec<Manoeuvre> {
        let is_done = self.sheet.nucleus_left.is_none_or(|most| seen.left < 0.9 * most);
        if is_done || count >= MOST_GRIPS {
            self.next = Next::Leave;
            return vec![pedal(1)];
        }
        self.next = Next::Grip { count: count + 1 };
        let mut steps = Vec::new();
        // The less is left to hold the capsule back, the less is drawn with.
        if self.notices(12) {
            let (vacuum_mmhg, power) = match seen.left {
                left if left > 0.65 => (250.0, 0.5),
                left if left > 0.40 => (200.0, 0.4),
                _ => (160.0, 0.25),
            };
            steps.push(set(vacuum_mmhg, power, None));
        }
        steps.extend([
            Manoeuvre::Grip { hour: None, seconds: 3.0, bevel: None },
            Manoeuvre::Bring { place_mm: (0.0, 0.0), height_mm: Some(self.sheet.front_mm), speed_mm_s: 2.0 },
            Manoeuvre::Emulsify { seconds: 15.0, ultrasound: 1.0, vacuum: 1.0 },
        ]);
        steps
    }

    /// A soft nucleus layer by layer: rows along the needle, deeper each time, in a bowl that stays within its back as it seems.
    fn shave(&mut self, seen: &Seen, round: u32) -> Vec<Manoeuvre> {
        let is_done = self.sheet.nucleus_left.is_none_or(|most| seen.left < 0.9 * most);
        if is_done || round >= MOST_ROUNDS {
            self.next = Next::Leave;
            return vec![pedal(1)];
        }
        self.next = Next::Shave { round: round + 1 };
        let sheet = &self.sheet;
        let mut steps = Vec::new();
        if round > 0 {
            steps.extend(self.draw_back(self.grade(seen)));
            steps.push(Manoeuvre::Turn { angle_deg: ROUND_DEG });
        }
        steps.push(Manoeuvre::Bury {
            depth_mm: 0.0,
            angle_deg: 45.0,
            place_mm: sheet.core_mm,
            bevel: Bevel::Up,
            speed_mm_s: 2.0,
            ultrasound: 1.0,
        });
        steps.push(pedal(3));
        let half_mm = 0.5 * sheet.thickness_mm;
        // As low as is meant to be gone, that far from the middle.
        let deepest_mm = |radius_mm: f64| {
            let share = (radius_mm / sheet.radius_mm).min(1.0);
            sheet.front_mm - half_mm - half_mm * libm::sqrt(1.0 - share * share) + BOWL * self.traits.floor_mm
        };
        let layers = 1 + libm::floor((sheet.front_mm - 0.4 - deepest_mm(0.0)).max(0.0) / 0.37) as u32;
        for layer in 0..layers {
            let height_mm = sheet.front_mm - 0.4 - 0.37 * f64::from(layer);
            for row in 0..5u32 {
                let aside_mm = sheet.radius_mm * (-0.72 + 0.36 * f64::from(row));
                let (near, far) = (-0.43 * sheet.radius_mm, 0.8 * sheet.radius_mm);
                let (first, last) = if row % 2 == 0 { (near, far) } else { (far, near) };
                // Down into the bowl and up again.
                steps.extend([first, 0.5 * (first + last), last].map(|along_mm| {
                    let deepest_mm = deepest_mm(libm::hypot(along_mm, aside_mm));
                    self.bring(along_mm, aside_mm, height_mm.max(deepest_mm))
                }));
            }
        }
        steps
    }

    /// The tip to a place given along the needle and to its left.
    fn bring(&self, along_mm: f64, aside_mm: f64, height_mm: f64) -> Manoeuvre {
        let (sheet, (x, y)) = (&self.sheet, self.sheet.ahead);
        let place_mm = (sheet.core_mm.0 + x * along_mm - y * aside_mm, sheet.core_mm.1 + y * along_mm + x * aside_mm);
        Manoeuvre::Bring { place_mm, height_mm: Some(height_mm), speed_mm_s: 2.5 }
    }
}

/// Power at full travel for a core of that grade.
fn power(grade: f64) -> f64 {
    (0.3 + 0.1 * (grade - 1.0)).clamp(0.3, 0.85)
}

fn set(vacuum_mmhg: f64, power: f64, bottle_cm: Option<f64>) -> Manoeuvre {
    Manoeuvre::Set { vacuum_mmhg: Some(vacuum_mmhg), power: Some(power), bottle_cm, flow_ml_min: None }
}

fn pedal(position: u8) -> Manoeuvre {
    Manoeuvre::Pedal { position, share: 1.0, power: None }
}

//! The stepwise hands: depth, angle, place and vacuum are chosen while looking, then committed as a manoeuvre.
//!
//! Ranges are those of the manoeuvres themselves (`plan::read` enforces the same in files); lengths mm, angles degrees,
//! pressures mmHg, times s. Places are mm from the lens's axis: +x 3 o'clock, +y 12 o'clock.

use super::style::{self, ACCENT, GROUND, OUTLINE, QUIET, RULE, SMALL, TEXT, WARNING};
use super::widgets::{self, Step};
use super::{Command, Shown};
use crate::attempt::Expected;
use crate::plan::{Bevel, ChopKind, Filling, Manoeuvre, OutOf};
use bevy_egui::egui;
use egui::{Align2, Key, Pos2, Response, RichText, Sense, Shape, Stroke, Ui, Vec2, WidgetInfo, WidgetType};

/// What the trainee has chosen so far.
#[derive(Clone, Debug, PartialEq)]
pub struct Choices {
    /// Depth of the tip below the core's anterior surface, mm (0–5).
    pub depth_mm: f64,
    /// Tip angle, degrees (5–65).
    pub angle_deg: f64,
    /// Where the tip is to end (each −5–5).
    pub place_mm: (f64, f64),
    /// Which way the bevel faces.
    pub bevel: Bevel,
    /// Speed along the shaft, mm/s (0.2–5).
    pub speed_mm_s: f64,
    /// Pedal travel within position 3, %; 0 pushes without ultrasound.
    pub ultrasound_percent: f64,
    /// Distance of the chopper ahead of the tip, mm (0–3; horizontal 0.2–3).
    pub ahead_mm: f64,
    /// Distance of the chopper aside of the shaft, mm (−2–2, positive to the left as seen from the hand).
    pub aside_mm: f64,
    /// Distance gained between the instruments, mm (0–4).
    pub part_mm: f64,
    /// Longest time of emulsifying, s (0.1–60).
    pub emulsify_s: f64,
    /// Angle by which the nucleus is turned, degrees (−360–360, positive counter-clockwise as the surgeon sees it).
    pub turn_deg: f64,
    /// Clock hour toward which a piece is gripped (1–12).
    pub piece_hour: u8,
    /// Clock hour of hydrodissection and of lifting the iris (1–12).
    pub hour: u8,
    /// Volume of hydrodissection, mL (0.02–2).
    pub wave_ml: f64,
    /// Radius of clearing about the tip's place, mm (0–3).
    pub sweep_mm: f64,
    /// Depth of clearing below the front of the lens, mm (0–2).
    pub sweep_depth_mm: f64,
    /// What is injected.
    pub filling: Filling,
    /// How much, µL (1–500).
    pub filling_ul: f64,
    /// Distance of the guarding chopper below the port, mm (0.3–3).
    pub guard_mm: f64,
    /// Time to wait and of reflux, s (0.1–10).
    pub wait_s: f64,
    /// Vacuum limit, mmHg (0–700).
    pub vacuum_mmhg: f64,
    /// Power at full travel, % (0–100).
    pub power_percent: f64,
    /// Height of the bottle, cm (0–150).
    pub bottle_cm: f64,
}

impl Default for Choices {
    /// A first try in an ordinary nucleus (no source: what the shipped plans begin from).
    fn default() -> Self {
        Self {
            depth_mm: 1.6,
            angle_deg: 40.0,
            place_mm: (0.0, 0.0),
            bevel: Bevel::Up,
            speed_mm_s: 1.5,
            ultrasound_percent: 100.0,
            ahead_mm: 0.5,
            aside_mm: 0.5,
            part_mm: 1.7,
            emulsify_s: 6.0,
            turn_deg: 90.0,
            piece_hour: 3,
            hour: 12,
            wave_ml: 0.3,
            sweep_mm: 1.0,
            sweep_depth_mm: 0.8,
            filling: Filling::Dispersive,
            filling_ul: 80.0,
            guard_mm: 1.0,
            wait_s: 0.5,
            vacuum_mmhg: 300.0,
            power_percent: 60.0,
            bottle_cm: 90.0,
        }
    }
}

/// Speed at which the instruments part, mm/s (as in the shipped plans).
const PART_SPEED_MM_S: f64 = 2.0;
/// Time of one wave of hydrodissection, s (as in the shipped plans).
const WAVE_S: f64 = 3.0;
/// Time of an injection, s (as in the shipped plans).
const INJECT_S: f64 = 3.0;
/// Time for which the nucleus is pressed back, and for which its front is cleared, s (as in the shipped plans).
const DECOMPRESS_S: f64 = 1.0;
const CLEAR_S: f64 = 4.0;
/// Time for which the iris is lifted, s (as in the shipped plans).
const LIFT_S: f64 = 1.0;
/// Least distance from the tip at which a horizontal chop stops, mm (the manoeuvre's own range).
const HORIZONTAL_LEAST_MM: f64 = 0.2;

impl Choices {
    /// Bury as chosen.
    pub fn bury(&self) -> Manoeuvre {
        Manoeuvre::Bury {
            depth_mm: self.depth_mm,
            angle_deg: self.angle_deg,
            place_mm: self.place_mm,
            bevel: self.bevel,
            speed_mm_s: self.speed_mm_s,
            ultrasound: self.ultrasound(),
        }
    }

    /// Say what is expected of a chop as chosen.
    pub fn predict(&self, expected: Expected) -> Manoeuvre {
        let Self { depth_mm, angle_deg, place_mm, .. } = *self;
        Manoeuvre::Predict { depth_mm, angle_deg, place_mm, expected }
    }

    /// Chop as chosen; the chopper goes as deep as the manoeuvre does of itself.
    pub fn chop(&self, kind: ChopKind) -> Manoeuvre {
        let ahead_mm = match kind {
            ChopKind::Vertical => self.ahead_mm,
            ChopKind::Horizontal => self.ahead_mm.max(HORIZONTAL_LEAST_MM),
        };
        Manoeuvre::Chop { kind, ahead_mm, aside_mm: self.aside_mm, depth_mm: None }
    }

    fn ultrasound(&self) -> f64 {
        (0.01 * self.ultrasound_percent).clamp(0.0, 1.0)
    }
}

/// What the chooser shows.
#[derive(Clone, Copy, Debug)]
pub struct StepwiseView<'a> {
    /// What is chosen.
    pub choices: &'a Choices,
    /// What is under way, in words; `None` while the hands hold still.
    pub under_way: Option<&'a str>,
    /// Position of the pedal, 0–3.
    pub pedal: u8,
    /// Diameter of the rhexis, mm.
    pub rhexis_mm: f64,
    /// Diameter of the pupil, mm.
    pub pupil_mm: f64,
    /// Is help called already?
    pub is_called: bool,
    /// What is expected of the next chop, in words, where something was said.
    pub stated: Option<&'a str>,
}

/// Why a manoeuvre is at rest while another is under way.
const BUSY: &str = "One manoeuvre at a time: wait for it to end, or stop the hands.";

/// The chooser; asks for choices and manoeuvres.
pub fn stepwise_ui(ui: &mut Ui, view: &StepwiseView<'_>, shown: &mut Shown) {
    ui.spacing_mut().item_spacing = Vec2::new(6.0, 5.0);
    let mut chooser = Chooser { view, now: view.choices.clone(), shown };
    chooser.status(ui);
    let id = "stepwise hands";
    egui::ScrollArea::vertical().id_salt(id).auto_shrink(false).show(ui, |ui| {
        chooser.bury(ui);
        chooser.foot(ui);
        chooser.divide(ui);
        chooser.piece(ui);
        chooser.lens(ui);
        chooser.chamber(ui);
        chooser.machine(ui);
        chooser.out(ui);
        ui.add_space(8.0);
    });
    let Chooser { now, .. } = chooser;
    if now != *view.choices {
        shown.ask(Command::Choose(now));
    }
}

struct Chooser<'a, 'b> {
    view: &'a StepwiseView<'a>,
    now: Choices,
    shown: &'b mut Shown,
}

impl Chooser<'_, '_> {
    fn status(&mut self, ui: &mut Ui) {
        let (sign, colour, words) = match self.view.under_way {
            Some(words) => ("▶", ACCENT, words),
            None => ("●", QUIET, "The hands hold still."),
        };
        widgets::signed_line(ui, sign, colour, words);
        let reason = self.view.under_way.is_none().then_some("Nothing is under way.");
        if widgets::button_unless(ui, "Stop the hands", reason).clicked() {
            self.shown.ask(Command::StopHands);
        }
    }

    /// A button that commits a manoeuvre.
    fn commit(&mut self, ui: &mut Ui, label: &str, manoeuvre: impl FnOnce(&Choices) -> Manoeuvre) {
        let reason = self.view.under_way.is_some().then_some(BUSY);
        if widgets::button_unless(ui, label, reason).clicked() {
            self.shown.ask(Command::Perform(manoeuvre(&self.now)));
        }
    }

    fn bury(&mut self, ui: &mut Ui) {
        widgets::heading(ui, "Bury");
        let place = place_pad(ui, self.view.rhexis_mm, self.view.pupil_mm, self.now.place_mm);
        self.now.place_mm = place.unwrap_or(self.now.place_mm);
        step(ui, "Depth", 0.0..=5.0, 0.1, 1, "mm", &mut self.now.depth_mm);
        step(ui, "Tip angle", 5.0..=65.0, 1.0, 0, "°", &mut self.now.angle_deg);
        step(ui, "Ultrasound", 0.0..=100.0, 5.0, 0, "%", &mut self.now.ultrasound_percent);
        step(ui, "Speed", 0.2..=5.0, 0.1, 1, "mm/s", &mut self.now.speed_mm_s);
        ui.horizontal(|ui| {
            let sides = [(Bevel::Up, "Bevel up"), (Bevel::Down, "Bevel down")];
            self.now.bevel = widgets::choice(ui, self.now.bevel, &sides).unwrap_or(self.now.bevel);
        });
        self.predict(ui);
        self.commit(ui, "Bury", Choices::bury);
    }

    /// What is expected of the chop that is chosen: whoever likes says it before the tip goes in.
    fn predict(&mut self, ui: &mut Ui) {
        let stated = self.view.stated.map_or_else(|| "Expect, if you like:".to_owned(), |s| format!("Expected: {s}"));
        ui.add(egui::Label::new(RichText::new(stated).small().color(QUIET)).wrap());
        ui.horizontal_wrapped(|ui| {
            for (label, expected) in
                [("Through", Expected::Through), ("Hinge", Expected::Hinged), ("Stop", Expected::StopAndCall)]
            {
                self.commit(ui, label, |c| c.predict(expected));
            }
        });
    }

    fn foot(&mut self, ui: &mut Ui) {
        widgets::heading(ui, "Foot");
        ui.horizontal_wrapped(|ui| {
            for position in 0..4 {
                let sign = if position == self.view.pedal { "●" } else { "○" };
                self.commit(ui, &format!("{sign} {position}"), |_| Manoeuvre::Pedal {
                    position,
                    share: 1.0,
                    power: None,
                });
            }
        });
        step(ui, "Time", 0.1..=10.0, 0.1, 1, "s", &mut self.now.wait_s);
        ui.horizontal_wrapped(|ui| {
            self.commit(ui, "Wait", |c| Manoeuvre::Wait { seconds: c.wait_s });
            self.commit(ui, "Reflux", |c| Manoeuvre::Reflux { seconds: c.wait_s });
        });
    }

    fn divide(&mut self, ui: &mut Ui) {
        widgets::heading(ui, "Divide");
        step(ui, "Ahead of tip", 0.0..=3.0, 0.1, 1, "mm", &mut self.now.ahead_mm);
        step(ui, "Aside, + left", -2.0..=2.0, 0.1, 1, "mm", &mut self.now.aside_mm);
        ui.horizontal_wrapped(|ui| {
            self.commit(ui, "Chop, vertical", |c| c.chop(ChopKind::Vertical));
            self.commit(ui, "Chop, horizontal", |c| c.chop(ChopKind::Horizontal));
        });
        step(ui, "Width", 0.0..=4.0, 0.1, 1, "mm", &mut self.now.part_mm);
        self.commit(ui, "Part", |c| Manoeuvre::Separate { width_mm: c.part_mm, speed_mm_s: PART_SPEED_MM_S });
    }

    fn piece(&mut self, ui: &mut Ui) {
        widgets::heading(ui, "Piece");
        hour_step(ui, "Toward hour", &mut self.now.piece_hour);
        ui.horizontal_wrapped(|ui| {
            self.commit(ui, "Grip", |c| Manoeuvre::Grip {
                hour: None,
                seconds: crate::plan::GRIP_WAIT_S,
                bevel: Some(c.bevel),
            });
            self.commit(ui, "Grip at hour", |c| Manoeuvre::Grip {
                hour: Some(c.piece_hour),
                seconds: crate::plan::GRIP_WAIT_S,
                bevel: Some(c.bevel),
            });
            self.commit(ui, "Bring to centre", |_| Manoeuvre::Bring {
                place_mm: (0.0, 0.0),
                height_mm: None,
                speed_mm_s: crate::plan::BRING_SPEED_MM_S,
            });
        });
        step(ui, "At longest", 0.5..=60.0, 0.5, 1, "s", &mut self.now.emulsify_s);
        ui.horizontal_wrapped(|ui| {
            self.commit(ui, "Emulsify", |c| Manoeuvre::Emulsify {
                seconds: c.emulsify_s,
                ultrasound: c.ultrasound(),
                vacuum: 1.0,
            });
            self.commit(ui, "Let go", |_| Manoeuvre::LetGo);
        });
        step(ui, "Below port", 0.3..=3.0, 0.1, 1, "mm", &mut self.now.guard_mm);
        self.commit(ui, "Guard", |c| Manoeuvre::Guard { below_mm: c.guard_mm });
    }

    fn lens(&mut self, ui: &mut Ui) {
        widgets::heading(ui, "Lens");
        step(ui, "Turn", -360.0..=360.0, 15.0, 0, "°", &mut self.now.turn_deg);
        self.commit(ui, "Turn", |c| Manoeuvre::Turn { angle_deg: c.turn_deg });
        hour_step(ui, "Clock hour", &mut self.now.hour);
        step(ui, "Volume", 0.02..=2.0, 0.05, 2, "mL", &mut self.now.wave_ml);
        ui.horizontal_wrapped(|ui| {
            self.commit(ui, "Hydrodissect", |c| Manoeuvre::Hydrodissect {
                hour: c.hour,
                volume_ml: c.wave_ml,
                seconds: WAVE_S,
            });
            self.commit(ui, "Lift iris", |c| Manoeuvre::LiftIris { hour: c.hour, seconds: LIFT_S });
            self.commit(ui, "Decompress", |_| Manoeuvre::Decompress {
                seconds: DECOMPRESS_S,
                depth_mm: crate::plan::DECOMPRESS_MM,
            });
        });
        step(ui, "Sweep radius", 0.0..=3.0, 0.1, 1, "mm", &mut self.now.sweep_mm);
        step(ui, "Below front", 0.0..=2.0, 0.1, 1, "mm", &mut self.now.sweep_depth_mm);
        self.commit(ui, "Clear at tip's place", |c| Manoeuvre::Clear {
            place_mm: c.place_mm,
            radius_mm: c.sweep_mm,
            depth_mm: c.sweep_depth_mm,
            seconds: CLEAR_S,
        });
    }

    fn chamber(&mut self, ui: &mut Ui) {
        widgets::heading(ui, "Fill the chamber");
        let fillings =
            [(Filling::Dispersive, "Dispersive"), (Filling::Cohesive, "Cohesive"), (Filling::Fluid, "Salt solution")];
        self.now.filling = widgets::choice(ui, self.now.filling, &fillings).unwrap_or(self.now.filling);
        step(ui, "Amount", 1.0..=500.0, 10.0, 0, "µL", &mut self.now.filling_ul);
        self.commit(ui, "Inject", |c| Manoeuvre::Inject { ovd: c.filling, volume_ul: c.filling_ul, seconds: INJECT_S });
    }

    fn machine(&mut self, ui: &mut Ui) {
        widgets::heading(ui, "Machine");
        step(ui, "Vacuum", 0.0..=700.0, 5.0, 0, "mmHg", &mut self.now.vacuum_mmhg);
        step(ui, "Power", 0.0..=100.0, 5.0, 0, "%", &mut self.now.power_percent);
        step(ui, "Bottle", 0.0..=150.0, 1.0, 0, "cm", &mut self.now.bottle_cm);
        self.commit(ui, "Set the machine", |c| Manoeuvre::Set {
            vacuum_mmhg: Some(c.vacuum_mmhg),
            power: Some(0.01 * c.power_percent),
            bottle_cm: Some(c.bottle_cm),
            flow_ml_min: None,
        });
    }

    fn out(&mut self, ui: &mut Ui) {
        widgets::heading(ui, "Out, and help");
        ui.horizontal_wrapped(|ui| {
            self.commit(ui, "Withdraw from lens", |_| Manoeuvre::Withdraw { from: OutOf::Lens });
            self.commit(ui, "Chopper out", |_| Manoeuvre::ChopperOut);
            self.commit(ui, "Withdraw from eye", |_| Manoeuvre::Withdraw { from: OutOf::Eye });
        });
        // A call for help waits for nothing but a call.
        let reason = self.view.is_called.then_some("Help is called.");
        if widgets::button_unless(ui, "Stop and call", reason).clicked() {
            if self.view.under_way.is_some() {
                self.shown.ask(Command::StopHands);
            }
            self.shown.ask(Command::Perform(Manoeuvre::StopAndCall));
        }
        if self.view.is_called {
            widgets::signed_line(ui, style::WARNING_SIGN, WARNING, "Help is called.");
        }
    }
}

fn step(
    ui: &mut Ui,
    label: &str,
    range: std::ops::RangeInclusive<f64>,
    step: f64,
    decimals: usize,
    unit: &str,
    value: &mut f64,
) {
    let shown = Step { label, range, step, decimals, unit };
    if let Some(new) = widgets::stepper(ui, &shown, *value) {
        *value = new;
    }
}

fn hour_step(ui: &mut Ui, label: &str, hour: &mut u8) {
    let mut value = f64::from(*hour);
    step(ui, label, 1.0..=12.0, 1.0, 0, "", &mut value);
    *hour = value as u8;
}

/// Half the width of what the pad shows, mm.
pub const PAD_MM: f32 = 3.5;
/// How far an arrow moves the place, mm.
const ARROW_MM: f64 = 0.1;

/// The eye as a disc on which the place is chosen: by a click, a drag, or the arrows. Returns the new place when it changed.
pub(super) fn place_pad(ui: &mut Ui, rhexis_mm: f64, pupil_mm: f64, place_mm: (f64, f64)) -> Option<(f64, f64)> {
    let side = (132.0 * style::width_factor(ui)).min(ui.available_width());
    let (row, response) = ui.allocate_exact_size(Vec2::new(ui.available_width(), side), Sense::click_and_drag());
    let rect = egui::Rect::from_center_size(row.center(), Vec2::splat(side));
    let points_per_mm = 0.5 * side / PAD_MM;
    let mut place = place_mm;
    if let Some(at) = response.interact_pointer_pos() {
        let from_centre = (at - rect.center()) / points_per_mm;
        place = (tenth(f64::from(from_centre.x)), tenth(-f64::from(from_centre.y)));
    }
    let (dx, dy) = arrows(ui, &response);
    if (dx, dy) != (0.0, 0.0) {
        place = (tenth(place.0 + ARROW_MM * dx), tenth(place.1 + ARROW_MM * dy));
    }
    let radius_mm = place.0.hypot(place.1);
    let most_mm = f64::from(PAD_MM);
    if radius_mm > most_mm {
        let shrink = most_mm / radius_mm;
        place = (tenth(place.0 * shrink), tenth(place.1 * shrink));
    }
    let words = format!("Place of the tip {}", widgets::place_in_words(place));
    response.widget_info(|| WidgetInfo::labeled(WidgetType::Other, ui.is_enabled(), &words));
    paint_pad(ui, (rhexis_mm, pupil_mm), rect, points_per_mm, place, response.has_focus());
    ui.label(RichText::new(format!("Tip {}", widgets::place_in_words(place))).small().color(TEXT));
    widgets::keep_in_view(response);
    (place != place_mm).then_some(place)
}

fn tenth(mm: f64) -> f64 {
    // Adding zero turns a minus zero into a plain one.
    (10.0 * mm).round() / 10.0 + 0.0
}

/// Steps of the arrows while the pad has the keyboard, which then keeps them from moving it away.
fn arrows(ui: &Ui, response: &Response) -> (f64, f64) {
    if !response.has_focus() {
        return (0.0, 0.0);
    }
    let filter = egui::EventFilter { horizontal_arrows: true, vertical_arrows: true, ..egui::EventFilter::default() };
    ui.memory_mut(|m| m.set_focus_lock_filter(response.id, filter));
    ui.input(|i| {
        let pressed = |key: Key| i.num_presses(key) as f64;
        let right = pressed(Key::ArrowRight) - pressed(Key::ArrowLeft);
        (right, pressed(Key::ArrowUp) - pressed(Key::ArrowDown))
    })
}

fn paint_pad(
    ui: &Ui,
    (rhexis_mm, pupil_mm): (f64, f64),
    rect: egui::Rect,
    points_per_mm: f32,
    place: (f64, f64),
    has_focus: bool,
) {
    let painter = ui.painter();
    let (centre, radius) = (rect.center(), 0.5 * rect.width());
    let outline = if has_focus { Stroke::new(2.0, ACCENT) } else { Stroke::new(1.0, OUTLINE) };
    painter.circle(centre, radius - 1.0, GROUND, outline);
    let pupil = (0.5 * pupil_mm) as f32 * points_per_mm;
    painter.circle_stroke(centre, pupil.min(radius - 2.0), Stroke::new(1.0, RULE));
    let rim = (0.5 * rhexis_mm) as f32 * points_per_mm;
    let ring: Vec<Pos2> =
        (0..=64).map(|i| centre + rim * Vec2::angled(i as f32 / 64.0 * std::f32::consts::TAU)).collect();
    painter.extend(Shape::dashed_line(&ring, Stroke::new(1.0, OUTLINE), 4.0, 3.0));
    for (hour, direction) in [("12", Vec2::UP), ("3", Vec2::RIGHT), ("6", Vec2::DOWN), ("9", Vec2::LEFT)] {
        let at = centre + (radius - 9.0) * direction;
        painter.text(at, Align2::CENTER_CENTER, hour, style::plain(ui, SMALL - 2.0), QUIET);
    }
    let cross = Stroke::new(1.0, RULE);
    painter.line_segment([centre - Vec2::new(4.0, 0.0), centre + Vec2::new(4.0, 0.0)], cross);
    painter.line_segment([centre - Vec2::new(0.0, 4.0), centre + Vec2::new(0.0, 4.0)], cross);
    let tip = centre + Vec2::new(place.0 as f32, -place.1 as f32) * points_per_mm;
    painter.circle(tip, 4.5, ACCENT, Stroke::new(1.5, GROUND));
    painter.circle_stroke(tip, 7.5, Stroke::new(1.0, ACCENT));
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::trial::*;
    use super::*;

    pub(crate) fn view<'a>(choices: &'a Choices, under_way: Option<&'a str>) -> StepwiseView<'a> {
        StepwiseView { choices, under_way, pedal: 2, rhexis_mm: 5.2, pupil_mm: 7.0, is_called: false, stated: None }
    }

    fn page_of<'a>(choices: &'a Choices, under_way: Option<&'a str>) -> Harness<'a, Done> {
        page([260.0, 2000.0], 1.0, move |ui| {
            let mut shown = Shown::default();
            stepwise_ui(ui, &view(choices, under_way), &mut shown);
            shown
        })
    }

    fn performed(page: &mut Harness<'_, Done>, label: &str) -> Manoeuvre {
        match &asked(page, label)[..] {
            [Command::Perform(manoeuvre)] => manoeuvre.clone(),
            other => panic!("{label}: {other:?}"),
        }
    }

    #[test]
    fn each_button_performs_its_manoeuvre_as_chosen() {
        let choices = Choices {
            depth_mm: 2.1,
            angle_deg: 33.0,
            place_mm: (0.5, -0.3),
            bevel: Bevel::Down,
            ultrasound_percent: 40.0,
            ahead_mm: 0.0,
            aside_mm: -0.4,
            piece_hour: 9,
            hour: 6,
            ..Choices::default()
        };
        let mut page = page_of(&choices, None);
        let bury = Manoeuvre::Bury {
            depth_mm: 2.1,
            angle_deg: 33.0,
            place_mm: (0.5, -0.3),
            bevel: Bevel::Down,
            speed_mm_s: 1.5,
            ultrasound: 0.4,
        };
        let chop = |kind, ahead_mm| Manoeuvre::Chop { kind, ahead_mm, aside_mm: -0.4, depth_mm: None };
        let predict = |expected| {
            let (depth_mm, angle_deg, place_mm) = (2.1, 33.0, (0.5, -0.3));
            Manoeuvre::Predict { depth_mm, angle_deg, place_mm, expected }
        };
        let clear = Manoeuvre::Clear { place_mm: (0.5, -0.3), radius_mm: 1.0, depth_mm: 0.8, seconds: 4.0 };
        let (grip_s, bring) = (crate::plan::GRIP_WAIT_S, crate::plan::BRING_SPEED_MM_S);
        let expected = [
            ("Through", predict(Expected::Through)),
            ("Hinge", predict(Expected::Hinged)),
            ("Stop", predict(Expected::StopAndCall)),
            ("Chop, vertical", chop(ChopKind::Vertical, 0.0)),
            ("Chop, horizontal", chop(ChopKind::Horizontal, 0.2)),
            ("○ 3", Manoeuvre::Pedal { position: 3, share: 1.0, power: None }),
            ("Wait", Manoeuvre::Wait { seconds: 0.5 }),
            ("Reflux", Manoeuvre::Reflux { seconds: 0.5 }),
            ("Part", Manoeuvre::Separate { width_mm: 1.7, speed_mm_s: 2.0 }),
            ("Grip", Manoeuvre::Grip { hour: None, seconds: grip_s, bevel: Some(Bevel::Down) }),
            ("Grip at hour", Manoeuvre::Grip { hour: Some(9), seconds: grip_s, bevel: Some(Bevel::Down) }),
            ("Bring to centre", Manoeuvre::Bring { place_mm: (0.0, 0.0), height_mm: None, speed_mm_s: bring }),
            ("Emulsify", Manoeuvre::Emulsify { seconds: 6.0, ultrasound: 0.4, vacuum: 1.0 }),
            ("Let go", Manoeuvre::LetGo),
            ("Guard", Manoeuvre::Guard { below_mm: 1.0 }),
            ("Hydrodissect", Manoeuvre::Hydrodissect { hour: 6, volume_ml: 0.3, seconds: 3.0 }),
            ("Lift iris", Manoeuvre::LiftIris { hour: 6, seconds: 1.0 }),
            ("Decompress", Manoeuvre::Decompress { seconds: 1.0, depth_mm: 0.3 }),
            ("Clear at tip's place", clear),
            ("Inject", Manoeuvre::Inject { ovd: Filling::Dispersive, volume_ul: 80.0, seconds: 3.0 }),
            ("Withdraw from lens", Manoeuvre::Withdraw { from: OutOf::Lens }),
            ("Withdraw from eye", Manoeuvre::Withdraw { from: OutOf::Eye }),
            ("Chopper out", Manoeuvre::ChopperOut),
            ("Stop and call", Manoeuvre::StopAndCall),
        ];
        for (label, manoeuvre) in expected {
            assert_eq!(performed(&mut page, label), manoeuvre);
        }
        for (label, manoeuvre) in [("Bury", bury), ("Turn", Manoeuvre::Turn { angle_deg: 90.0 })] {
            page.state_mut().commands.clear();
            page.get_by_role_and_label(egui::accesskit::Role::Button, label).click_accesskit();
            page.run();
            assert_eq!(page.state().commands, [Command::Perform(manoeuvre)]);
        }
        let set =
            Manoeuvre::Set { vacuum_mmhg: Some(300.0), power: Some(0.6), bottle_cm: Some(90.0), flow_ml_min: None };
        assert_eq!(performed(&mut page, "Set the machine"), set);
    }

    #[test]
    fn while_one_is_under_way_the_others_are_at_rest_but_help_is_not() {
        let choices = Choices::default();
        let mut page = page_of(&choices, Some("Burying to 1.6 mm"));
        assert_eq!(asked(&mut page, "Grip"), []);
        assert_eq!(asked(&mut page, "Stop the hands"), [Command::StopHands]);
        let call = [Command::StopHands, Command::Perform(Manoeuvre::StopAndCall)];
        assert_eq!(asked(&mut page, "Stop and call"), call);
        let mut page = page_of(&choices, None);
        assert_eq!(asked(&mut page, "Stop the hands"), [], "there is nothing to stop");
    }

    #[test]
    fn choices_are_asked_for_and_kept_elsewhere() {
        let choices = Choices::default();
        let mut page = page_of(&choices, None);
        let deeper = Choices { depth_mm: 1.7, ..choices.clone() };
        assert_eq!(asked(&mut page, "Depth: more"), [Command::Choose(deeper)]);
        let down = Choices { bevel: Bevel::Down, ..choices.clone() };
        assert_eq!(asked(&mut page, "Bevel down"), [Command::Choose(down)]);
    }

    #[test]
    fn the_place_is_chosen_by_arrows_and_by_a_click() {
        let choices = Choices::default();
        let mut page = page_of(&choices, None);
        let label = "Place of the tip in the middle";
        page.get_by_label(label).focus();
        page.run();
        page.state_mut().commands.clear();
        page.key_press(Key::ArrowLeft);
        page.run();
        let moved = Choices { place_mm: (-0.1, 0.0), ..choices.clone() };
        assert_eq!(page.state().commands, [Command::Choose(moved)]);
        assert!(page.get_by_label(label).is_focused(), "the arrows move the place, not the focus");
        page.state_mut().commands.clear();
        let rect = page.get_by_label(label).rect();
        let mm = 0.5 * 132.0 / PAD_MM;
        let at = rect.center() + Vec2::new(1.0, -2.0) * mm;
        page.hover_at(at);
        page.drag_at(at);
        page.drop_at(at);
        page.run();
        let Some(Command::Choose(there)) = page.state().commands.first() else { panic!("nothing was chosen") };
        assert_eq!(there.place_mm, (1.0, 2.0));
    }
}

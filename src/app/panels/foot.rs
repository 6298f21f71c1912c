//! The check of the foot pedal before an attempt: press through its positions, then let go. It can be passed over.

use super::pedal::{POSITIONS, PedalView, pedal_bar};
use super::style::{self, GOOD, QUIET, WARNING};
use super::{Command, Shown, widgets};
use bevy_egui::egui;
use egui::{Align, Layout, RichText, Ui, Vec2};

/// What the page shows.
#[derive(Clone, Copy, Debug)]
pub struct FootView<'a> {
    /// What moves the pedal, such as `Keys 1, 2, 3` or the name of a USB pedal.
    pub device: &'a str,
    /// How it is pressed, one line.
    pub how: &'a str,
    /// The pedal now.
    pub pedal: PedalView,
    /// Was position 1, 2, 3 reached?
    pub reached: [bool; 3],
    /// Was it let go after position 3?
    pub has_let_go: bool,
    /// Has it a travel that can be calibrated?
    pub can_calibrate: bool,
    /// What the calibration is now, in words.
    pub calibration: &'a str,
}

impl FootView<'_> {
    fn is_checked(&self) -> bool {
        self.has_let_go && self.reached.iter().all(|reached| *reached)
    }
}

/// The page; asks to calibrate, and to go on or back.
pub fn foot_ui(ui: &mut Ui, view: &FootView<'_>) -> Shown {
    let mut shown = Shown::default();
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        if widgets::main_button(ui, "Begin operating").clicked() {
            shown.ask(Command::Begin);
        }
        let (sign, words, colour) = if view.is_checked() {
            (style::MET_SIGN, "The pedal is checked.", GOOD)
        } else {
            (style::WARNING_SIGN, "The pedal is not checked.", WARNING)
        };
        ui.label(words);
        let (rect, _) = ui.allocate_exact_size(Vec2::splat(16.0), egui::Sense::hover());
        widgets::paint_sign(ui, rect.center(), sign, colour);
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            if widgets::button(ui, "Back").clicked() {
                shown.ask(Command::Back);
            }
        });
    };
    widgets::page(ui, &mut shown, "Foot pedal", view.device, foot, |ui, shown| {
        ui.add_space(8.0);
        ui.label(RichText::new("Press through positions 1, 2 and 3, then let go.").font(style::bold(ui, 16.0)));
        ui.label(RichText::new(view.how).color(QUIET));
        ui.add_space(16.0);
        pedal_bar(ui, &view.pedal, Vec2::new(ui.available_width(), 64.0 * style::text_scale(ui)));
        ui.label(view.pedal.words());
        ui.add_space(16.0);
        ui.horizontal_top(|ui| {
            let whole = ui.available_width();
            ui.spacing_mut().item_spacing.x = 24.0;
            let left = 0.5 * whole - 12.0;
            widgets::column(ui, left, |ui| widgets::card(ui, |ui| reached(ui, view)));
            widgets::column(ui, left - 16.0, |ui| widgets::card(ui, |ui| calibration(ui, view, shown)));
        });
    });
    shown
}

fn reached(ui: &mut Ui, view: &FootView<'_>) {
    ui.label(RichText::new("Reached").font(style::bold(ui, style::BODY)));
    let mut line = |is_done: bool, words: &str| {
        let (sign, colour) = if is_done { (style::MET_SIGN, GOOD) } else { ("○", QUIET) };
        let words = if is_done { format!("{words}: reached") } else { format!("{words}: not yet") };
        widgets::signed_line(ui, sign, colour, &words);
    };
    for (at, is_reached) in view.reached.into_iter().enumerate() {
        line(is_reached, &format!("Position {}, {}", at + 1, POSITIONS[at + 1]));
    }
    line(view.has_let_go, "Let go after position 3");
}

fn calibration(ui: &mut Ui, view: &FootView<'_>, shown: &mut Shown) {
    ui.label(RichText::new("Calibration").font(style::bold(ui, style::BODY)));
    ui.label(RichText::new(view.calibration).color(QUIET));
    if !view.can_calibrate {
        return;
    }
    ui.label("Let go and take the rest; press to the end and take the end.");
    ui.horizontal_wrapped(|ui| {
        for (label, command) in [
            ("Take the rest", Command::CalibrateRest),
            ("Take the end", Command::CalibrateFull),
            ("Forget calibration", Command::ForgetCalibration),
        ] {
            if widgets::button(ui, label).clicked() {
                shown.ask(command);
            }
        }
    });
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::trial::*;
    use super::*;

    /// A pedal half checked.
    pub(crate) fn example() -> FootView<'static> {
        FootView {
            device: "Keys",
            how: "Keys 1, 2 and 3 press to a position; the wheel presses within it.",
            pedal: PedalView::of(2, 0.5),
            reached: [true, true, false],
            has_let_go: false,
            can_calibrate: true,
            calibration: "Not calibrated.",
        }
    }

    #[test]
    fn one_may_begin_without_the_check_but_is_told() {
        let view = example();
        let mut page = small_page(|ui| foot_ui(ui, &view));
        assert!(page.query_by_label("The pedal is not checked.").is_some());
        assert!(page.query_by_label("Position 2, aspiration: reached").is_some());
        assert!(page.query_by_label("Position 3, ultrasound: not yet").is_some());
        assert_eq!(asked(&mut page, "Begin operating"), [Command::Begin]);
        let view = FootView { reached: [true; 3], has_let_go: true, ..example() };
        let page = small_page(|ui| foot_ui(ui, &view));
        assert!(page.query_by_label("The pedal is checked.").is_some());
    }

    #[test]
    fn a_pedal_with_travel_is_calibrated_and_keys_are_not() {
        let view = example();
        let mut page = small_page(|ui| foot_ui(ui, &view));
        assert_eq!(asked(&mut page, "Take the rest"), [Command::CalibrateRest]);
        assert_eq!(asked(&mut page, "Take the end"), [Command::CalibrateFull]);
        assert_eq!(asked(&mut page, "Forget calibration"), [Command::ForgetCalibration]);
        assert_eq!(asked(&mut page, "Back"), [Command::Back]);
        let view = FootView { can_calibrate: false, ..example() };
        let page = small_page(|ui| foot_ui(ui, &view));
        assert!(page.query_by_label("Take the rest").is_none());
    }
}

//! Machine and rhexis: chosen within what the case allows, before the attempt begins.

use super::style::{self, ACCENT, CATEGORIES, GROUND, OUTLINE, QUIET, RULE, SMALL, TEXT};
use super::{Command, Shown, widgets};
use bevy_egui::egui;
use egui::{Align, Align2, Layout, Pos2, Rect, RichText, Sense, Shape, Stroke, Ui, Vec2};
use widgets::keep_in_view;

/// A value, what the case has for it, and what the case allows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setting {
    /// As chosen.
    pub value: f64,
    /// The case's own.
    pub own: f64,
    /// Least that the case allows.
    pub least: f64,
    /// Most that the case allows.
    pub most: f64,
}

/// What the page shows.
#[derive(Clone, Copy, Debug)]
pub struct MachineView<'a> {
    /// The case's title.
    pub title: &'a str,
    /// Diameter of the rhexis, mm.
    pub rhexis_mm: Setting,
    /// Height of the bottle, cm.
    pub bottle_cm: Setting,
    /// Vacuum limit, mmHg.
    pub vacuum_mmhg: Setting,
    /// Aspiration flow, mL/min; `None` where the pump holds to its vacuum.
    pub flow_ml_min: Option<Setting>,
    /// Diameter of the pupil, mm, for the drawing.
    pub pupil_mm: f64,
    /// Pump and pedal in words.
    pub pump: &'a str,
    /// What is worth knowing about these values, a sentence each.
    pub remarks: &'a [String],
}

/// How one setting is shown and asked for.
struct Front {
    label: &'static str,
    unit: &'static str,
    step: f64,
    decimals: usize,
    command: fn(f64) -> Command,
}

const RHEXIS: Front = Front { label: "Rhexis", unit: "mm", step: 0.1, decimals: 1, command: Command::SetRhexis };
const BOTTLE: Front = Front { label: "Bottle height", unit: "cm", step: 1.0, decimals: 0, command: Command::SetBottle };
const VACUUM: Front =
    Front { label: "Vacuum limit", unit: "mmHg", step: 5.0, decimals: 0, command: Command::SetVacuum };
const FLOW: Front =
    Front { label: "Aspiration flow", unit: "mL/min", step: 1.0, decimals: 0, command: Command::SetFlow };

/// The page; asks for values, for the case's own, and to go on or back.
pub fn machine_ui(ui: &mut Ui, view: &MachineView<'_>) -> Shown {
    let mut shown = Shown::default();
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        if widgets::main_button(ui, "Check the foot pedal").clicked() {
            shown.ask(Command::CheckFoot);
        }
        if widgets::button(ui, "Values of the case").clicked() {
            shown.ask(Command::RestoreCaseValues);
        }
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            if widgets::button(ui, "Back").clicked() {
                shown.ask(Command::Back);
            }
        });
    };
    widgets::page(ui, &mut shown, "Machine and rhexis", view.title, foot, |ui, shown| {
        let whole = ui.available_width();
        let drawing = (0.34 * whole).clamp(260.0, 420.0);
        let left = whole - drawing - 32.0;
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = 24.0;
            widgets::column(ui, left, |ui| {
                setting(ui, &RHEXIS, &view.rhexis_mm, shown);
                setting(ui, &BOTTLE, &view.bottle_cm, shown);
                setting(ui, &VACUUM, &view.vacuum_mmhg, shown);
                match &view.flow_ml_min {
                    Some(flow) => setting(ui, &FLOW, flow, shown),
                    None => {
                        widgets::quiet(
                            ui,
                            "The pump holds to its vacuum; the flow follows from what lies on the port.",
                        );
                    }
                }
            });
            widgets::column(ui, drawing, |ui| {
                draw_rhexis(ui, view);
                ui.label(RichText::new(view.pump).color(QUIET));
                for remark in view.remarks {
                    widgets::signed_line(ui, "·", QUIET, remark);
                }
                widgets::quiet(ui, "Values of a simplified eye, not settings for a machine in a theatre.");
            });
        });
    });
    shown
}

fn setting(ui: &mut Ui, front: &Front, setting: &Setting, shown: &mut Shown) {
    let figure = |value: f64| format!("{value:.*}", front.decimals);
    widgets::card(ui, |ui| {
        let step = widgets::Step {
            label: front.label,
            range: setting.least..=setting.most,
            step: front.step,
            decimals: front.decimals,
            unit: front.unit,
        };
        let mut chosen = widgets::stepper(ui, &step, setting.value);
        let mut slid = setting.value;
        ui.spacing_mut().slider_width = ui.available_width();
        let slider = egui::Slider::new(&mut slid, setting.least..=setting.most)
            .step_by(front.step)
            .show_value(false)
            .trailing_fill(true);
        let response = keep_in_view(ui.add_enabled(setting.most > setting.least, slider));
        let name = format!("{} slider", front.label);
        response.widget_info(|| egui::WidgetInfo::slider(true, setting.value, &name));
        // Where the case's own value lies.
        let share = (setting.own - setting.least) / (setting.most - setting.least).max(f64::EPSILON);
        let knob = 0.5 * response.rect.height();
        let x = egui::lerp(response.rect.left() + knob..=response.rect.right() - knob, share.clamp(0.0, 1.0) as f32);
        let mark = Pos2::new(x, response.rect.bottom() - 1.0);
        let corners = vec![mark, mark + Vec2::new(4.0, 6.0), mark + Vec2::new(-4.0, 6.0)];
        ui.painter().add(Shape::convex_polygon(corners, QUIET, Stroke::NONE));
        chosen = chosen.or((slid != setting.value).then_some(slid));
        let unit = front.unit;
        let (least, most, own) = (figure(setting.least), figure(setting.most), figure(setting.own));
        widgets::quiet(ui, &format!("The case allows {least} to {most} {unit}; its own value is {own} {unit}."));
        if let Some(value) = chosen {
            shown.ask((front.command)(value));
        }
    });
}

/// Pupil and rhexis to scale, as the surgeon looks at them.
fn draw_rhexis(ui: &mut Ui, view: &MachineView<'_>) {
    let side = ui.available_width().min(260.0 * style::width_factor(ui));
    let (rect, _) = ui.allocate_exact_size(Vec2::new(ui.available_width(), side), Sense::hover());
    let painter = ui.painter();
    let centre = rect.center();
    let points_per_mm = 0.5 * side / 5.9;
    let radius = |diameter_mm: f64| 0.5 * diameter_mm as f32 * points_per_mm;
    painter.circle(centre, radius(11.5), GROUND, Stroke::new(1.0, RULE));
    painter.circle(centre, radius(view.pupil_mm), egui::Color32::from_rgb(52, 28, 18), Stroke::new(1.5, OUTLINE));
    let rim = radius(view.rhexis_mm.value);
    let points: Vec<Pos2> =
        (0..=96).map(|i| centre + rim * Vec2::angled(i as f32 / 96.0 * std::f32::consts::TAU)).collect();
    painter.extend(Shape::dashed_line(&points, Stroke::new(2.0, CATEGORIES[2]), 6.0, 4.0));
    let font = style::plain(ui, SMALL);
    let words = format!("rhexis {:.1} mm", view.rhexis_mm.value);
    painter.text(centre, Align2::CENTER_CENTER, words, font.clone(), TEXT);
    let words = format!("pupil {:.1} mm", view.pupil_mm);
    let below = Rect::from_center_size(centre, Vec2::splat(side)).bottom() - 0.10 * side;
    let y = (centre.y + radius(view.pupil_mm) + 4.0).min(below);
    painter.text(Pos2::new(centre.x, y), Align2::CENTER_TOP, words, font, QUIET);
    if view.rhexis_mm.value > view.pupil_mm {
        widgets::signed_line(
            ui,
            style::WARNING_SIGN,
            ACCENT,
            "The rhexis is wider than the pupil: its edge will not be seen.",
        );
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::trial::*;
    use super::*;

    /// A case with limits.
    pub(crate) fn example() -> MachineView<'static> {
        MachineView {
            title: "Very long eye, small dense core in a soft shell",
            rhexis_mm: Setting { value: 5.2, own: 5.2, least: 4.5, most: 6.0 },
            bottle_cm: Setting { value: 85.0, own: 90.0, least: 60.0, most: 110.0 },
            vacuum_mmhg: Setting { value: 300.0, own: 300.0, least: 100.0, most: 400.0 },
            flow_ml_min: Some(Setting { value: 30.0, own: 30.0, least: 20.0, most: 40.0 }),
            pupil_mm: 7.0,
            pump: "Flow-set pump; one pedal for vacuum and power.",
            remarks: &[],
        }
    }

    #[test]
    fn each_value_is_stepped_typed_and_told_with_its_limits() {
        let view = example();
        let mut page = small_page(|ui| machine_ui(ui, &view));
        let words = "The case allows 60 to 110 cm; its own value is 90 cm.";
        assert!(page.query_by_label(words).is_some());
        assert_eq!(asked(&mut page, "Bottle height: less"), [Command::SetBottle(84.0)]);
        assert_eq!(asked(&mut page, "Vacuum limit: more"), [Command::SetVacuum(305.0)]);
        assert_eq!(asked(&mut page, "Aspiration flow: more"), [Command::SetFlow(31.0)]);
        let [Command::SetRhexis(mm)] = asked(&mut page, "Rhexis: more")[..] else { panic!("not one rhexis") };
        assert!((mm - 5.3).abs() < 1e-9);
        // By keyboard: the value has the focus, its text is replaced, Enter takes it.
        page.get_by_role_and_label(egui::accesskit::Role::SpinButton, "Vacuum limit").focus();
        page.run();
        page.state_mut().commands.clear();
        page.get_by_role_and_label(egui::accesskit::Role::SpinButton, "Vacuum limit").type_text("275");
        page.run();
        page.key_press(egui::Key::Enter);
        page.run();
        assert_eq!(page.state().commands, [Command::SetVacuum(275.0)]);
    }

    #[test]
    fn no_value_leaves_what_the_case_allows() {
        let mut view = example();
        view.bottle_cm.value = 110.0;
        view.vacuum_mmhg.value = 100.0;
        let mut page = small_page(|ui| machine_ui(ui, &view));
        assert_eq!(asked(&mut page, "Bottle height: more"), []);
        assert_eq!(asked(&mut page, "Vacuum limit: less"), []);
    }

    #[test]
    fn a_vacuum_set_pump_has_no_flow_to_choose() {
        let view = MachineView { flow_ml_min: None, ..example() };
        let mut page = small_page(|ui| machine_ui(ui, &view));
        assert!(page.query_by_label("Aspiration flow").is_none());
        assert_eq!(asked(&mut page, "Check the foot pedal"), [Command::CheckFoot]);
        assert_eq!(asked(&mut page, "Values of the case"), [Command::RestoreCaseValues]);
        assert_eq!(asked(&mut page, "Back"), [Command::Back]);
    }
}

//! The operating page: the microscope's field in the middle, free of everything; hands at the left, readings and section at
//! the right, case and time above, foot and machine below.
//!
//! Nothing is painted in the middle but one line of words below the field, so that what the window draws there shows
//! through. Units: mmHg, mL/min, %, mm, s.

use super::help::{KeyLine, keys_ui};
use super::pedal::{PedalView, pedal_bar};
use super::stepwise::{StepwiseView, stepwise_ui};
use super::style::{self, ACCENT, BODY, CATEGORIES, PANEL, QUIET, RULE, SMALL, TEXT, WARNING};
use super::trace::{Front, Trace, trace_ui};
use super::widgets::{self, part};
use super::{Command, Shown, Slot};
use bevy_egui::egui;
use egui::{Align, Color32, Layout, Rect, RichText, Ui, Vec2};

/// The readings; those that a surgeon would not have are absent in an exam.
#[derive(Clone, Copy, Debug)]
pub struct Readings<'a> {
    /// Pressure in the chamber, mmHg.
    pub chamber_mmhg: Trace<'a>,
    /// Vacuum in the line, mmHg.
    pub vacuum_mmhg: Trace<'a>,
    /// Flow through the port, mL/min.
    pub flow_ml_min: Trace<'a>,
    /// Power, %.
    pub power_percent: Trace<'a>,
    /// Travel of the pedal, as position and share: 2.5 is half of position 2.
    pub pedal: Trace<'a>,
    /// Least distance of an instrument to the posterior capsule, mm.
    pub capsule_mm: Option<Trace<'a>>,
    /// Hold on the piece at the tip, mN.
    pub purchase_mn: Option<Trace<'a>>,
}

const CHAMBER: Front = Front {
    label: "Chamber pressure",
    unit: "mmHg",
    decimals: 0,
    range: (0.0, 100.0),
    colour: CATEGORIES[0],
    dash: None,
};
const VACUUM: Front = Front {
    label: "Vacuum",
    unit: "mmHg",
    decimals: 0,
    range: (0.0, 400.0),
    colour: CATEGORIES[2],
    dash: Some((6.0, 2.0)),
};
const FLOW: Front = Front {
    label: "Flow",
    unit: "mL/min",
    decimals: 0,
    range: (0.0, 40.0),
    colour: CATEGORIES[1],
    dash: Some((3.0, 2.0)),
};
const POWER: Front = Front {
    label: "Power",
    unit: "%",
    decimals: 0,
    range: (0.0, 100.0),
    colour: CATEGORIES[3],
    dash: Some((10.0, 3.0)),
};
const PEDAL: Front = Front { label: "Pedal", unit: "", decimals: 1, range: (0.0, 4.0), colour: QUIET, dash: None };
const CAPSULE: Front = Front {
    label: "Distance to capsule",
    unit: "mm",
    decimals: 2,
    range: (0.0, 4.0),
    colour: CATEGORIES[4],
    dash: Some((2.0, 2.0)),
};
const PURCHASE: Front =
    Front { label: "Purchase", unit: "mN", decimals: 0, range: (0.0, 40.0), colour: TEXT, dash: Some((8.0, 2.0)) };

/// Hands that are led all the time.
#[derive(Clone, Copy, Debug)]
pub struct FreehandView<'a> {
    /// What the hands hold and how, a name and a value each.
    pub pose: &'a [(&'a str, String)],
    /// The keys.
    pub keys: &'a [KeyLine],
}

/// The hands.
#[derive(Clone, Copy, Debug)]
pub enum HandsView<'a> {
    /// Manoeuvre by manoeuvre.
    Stepwise(StepwiseView<'a>),
    /// All the time.
    Freehand(FreehandView<'a>),
}

/// What was last worth a word.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Message<'a> {
    /// In plain words.
    pub words: &'a str,
    /// Is it a warning?
    pub is_warning: bool,
}

/// What the page shows.
#[derive(Clone, Copy)]
pub struct OperateView<'a> {
    /// The case's title.
    pub title: &'a str,
    /// Time of the attempt, s.
    pub time_s: f64,
    /// As in an exam?
    pub is_exam: bool,
    /// The hands.
    pub hands: HandsView<'a>,
    /// The readings.
    pub readings: Readings<'a>,
    /// The section, where it may be seen now.
    pub section: Slot<'a>,
    /// Why it may not, such as `The section is shown after the first chop.`
    pub section_hidden: &'a str,
    /// The last thing worth a word.
    pub message: Option<Message<'a>>,
    /// The pedal.
    pub pedal: PedalView,
    /// Vacuum limit that is set, mmHg.
    pub vacuum_set_mmhg: f64,
    /// Bottle height that is set, cm.
    pub bottle_set_cm: f64,
    /// Flow that is set, mL/min; `None` where the pump holds to its vacuum.
    pub flow_set_ml_min: Option<f64>,
    /// Power that is set for full travel, %.
    pub power_set_percent: f64,
    /// What the machine is heard to do, such as `Infusion; the pump holds, vacuum rising`.
    pub sound: &'a str,
    /// Something about the picture itself, such as that it is drawn more coarsely.
    pub note: Option<&'a str>,
}

/// The page; returns the square for the microscope as `field`.
pub fn operate_ui(ui: &mut Ui, view: &OperateView<'_>) -> Shown {
    let mut shown = Shown::default();
    let whole = ui.max_rect();
    let (line, factor) = (ui.spacing().interact_size.y, style::width_factor(ui));
    let top = whole.with_max_y(whole.top() + line + 16.0);
    let bottom = whole.with_min_y(whole.bottom() - (line + 30.0));
    let middle = Rect::from_x_y_ranges(whole.x_range(), top.bottom()..=bottom.top());
    let wide = ((0.2 * whole.width()).clamp(260.0, 380.0) * factor).floor();
    let left = middle.with_max_x(middle.left() + wide);
    let right = middle.with_min_x(middle.right() - wide);
    let centre = Rect::from_x_y_ranges(left.right()..=right.left(), middle.y_range());
    let words = centre.with_min_y(centre.bottom() - (line + 8.0));
    shown.field = Some(largest_square(centre.with_max_y(words.top())));

    for (place, edge) in [(top, Edge::Bottom), (left, Edge::Right), (right, Edge::Left), (bottom, Edge::Top)] {
        ground(ui, place, edge);
    }
    part(ui, top.shrink2(Vec2::new(16.0, 8.0)), "case and time", |ui| case_and_time(ui, view, &mut shown));
    part(ui, left.shrink2(Vec2::new(12.0, 8.0)), "hands", |ui| hands(ui, view, &mut shown));
    part(ui, right.shrink2(Vec2::new(12.0, 8.0)), "readings", |ui| readings(ui, view));
    part(ui, words.shrink2(Vec2::new(16.0, 4.0)), "last words", |ui| last_words(ui, view));
    part(ui, bottom.shrink2(Vec2::new(16.0, 8.0)), "foot and machine", |ui| foot_and_machine(ui, view));
    shown
}

enum Edge {
    Top,
    Bottom,
    Left,
    Right,
}

/// A panel with a rule at the edge toward the field.
fn ground(ui: &Ui, rect: Rect, edge: Edge) {
    ui.painter().rect_filled(rect, 0.0, PANEL);
    let ends = match edge {
        Edge::Top => [rect.left_top(), rect.right_top()],
        Edge::Bottom => [rect.left_bottom(), rect.right_bottom()],
        Edge::Left => [rect.left_top(), rect.left_bottom()],
        Edge::Right => [rect.right_top(), rect.right_bottom()],
    };
    ui.painter().line_segment(ends, egui::Stroke::new(1.0, RULE));
}

/// The largest square in the middle of a place, a little off its edges.
fn largest_square(place: Rect) -> Rect {
    let side = place.width().min(place.height()) - 8.0;
    Rect::from_center_size(place.center(), Vec2::splat(side.max(0.0).floor()))
}

fn case_and_time(ui: &mut Ui, view: &OperateView<'_>, shown: &mut Shown) {
    ui.with_layout(Layout::right_to_left(Align::Center), |ui| {
        for (label, command) in [
            ("End the attempt", Command::Finish),
            ("Pause", Command::Pause),
            ("Restart", Command::Restart),
            ("Help", Command::OpenHelp),
        ] {
            if widgets::button(ui, label).clicked() {
                shown.ask(command);
            }
        }
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            let time = RichText::new(widgets::clock(view.time_s)).font(style::plain(ui, 18.0)).color(TEXT);
            ui.label(time);
            ui.add_space(8.0);
            if view.is_exam {
                widgets::tag(ui, "exam");
            }
            ui.add(egui::Label::new(RichText::new(view.title).font(style::bold(ui, BODY))).truncate());
        });
    });
}

fn hands(ui: &mut Ui, view: &OperateView<'_>, shown: &mut Shown) {
    match &view.hands {
        HandsView::Stepwise(stepwise) => stepwise_ui(ui, stepwise, shown),
        HandsView::Freehand(freehand) => {
            egui::ScrollArea::vertical().id_salt("freehand").auto_shrink(false).show(ui, |ui| {
                ui.spacing_mut().item_spacing.y = 4.0;
                ui.label(RichText::new("In hand").font(style::bold(ui, BODY)));
                for (name, value) in freehand.pose {
                    widgets::fact(ui, name, value);
                }
                keys_ui(ui, freehand.keys);
            });
        }
    }
}

/// Height of one course as a share of the column's.
const COURSES: f32 = 0.065;

fn readings(ui: &mut Ui, view: &OperateView<'_>) {
    egui::ScrollArea::vertical().id_salt("readings").auto_shrink(false).show(ui, |ui| {
        ui.spacing_mut().item_spacing.y = 5.0;
        let readings = &view.readings;
        let always = [
            (&CHAMBER, Some(&readings.chamber_mmhg)),
            (&VACUUM, Some(&readings.vacuum_mmhg)),
            (&FLOW, Some(&readings.flow_ml_min)),
            (&POWER, Some(&readings.power_percent)),
            (&PEDAL, Some(&readings.pedal)),
        ];
        let aids = [(&CAPSULE, readings.capsule_mm.as_ref()), (&PURCHASE, readings.purchase_mn.as_ref())];
        let height = (COURSES * ui.available_height()).clamp(32.0, 72.0);
        for (front, trace) in always.into_iter().chain(aids) {
            if let Some(trace) = trace {
                trace_ui(ui, front, trace, height);
            }
        }
        section(ui, view);
    });
}

/// Height of the section over its width where the column would have less room left.
const SECTION_SHAPE: f32 = 0.72;

fn section(ui: &mut Ui, view: &OperateView<'_>) {
    ui.add_space(4.0);
    ui.label(RichText::new("Section").font(style::bold(ui, SMALL)));
    match view.section {
        Some(paint) => {
            let width = ui.available_width();
            let height = ui.available_height().max(SECTION_SHAPE * width);
            ui.allocate_ui_with_layout(Vec2::new(width, height), Layout::top_down(Align::Min), |ui| {
                ui.set_min_size(Vec2::new(width, height));
                paint(ui);
            });
        }
        None => {
            widgets::quiet(ui, view.section_hidden);
        }
    }
}

fn last_words(ui: &mut Ui, view: &OperateView<'_>) {
    let (sign, colour, words) = match (view.message, view.note) {
        (Some(message), _) if message.is_warning => (style::WARNING_SIGN, WARNING, message.words),
        (Some(message), _) => ("●", QUIET, message.words),
        (None, Some(note)) => ("○", QUIET, note),
        (None, None) => return,
    };
    // Words over a picture need a ground of their own.
    let rect = ui.max_rect();
    ui.painter().rect_filled(rect, 4.0, PANEL);
    part(ui, rect.shrink2(Vec2::new(10.0, 0.0)), "words", |ui| {
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            let (mark, _) = ui.allocate_exact_size(Vec2::splat(16.0), egui::Sense::hover());
            widgets::paint_sign(ui, mark.center(), sign, colour);
            ui.add(egui::Label::new(words).truncate());
        });
    });
}

fn foot_and_machine(ui: &mut Ui, view: &OperateView<'_>) {
    ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
        let height = ui.available_height();
        let wide = (0.34 * ui.available_width()).min(520.0);
        pedal_bar(ui, &view.pedal, Vec2::new(wide, height));
        ui.add_space(8.0);
        let flow = view.flow_set_ml_min.map(|flow| ("Flow set", format!("{flow:.0} mL/min")));
        let set = [
            ("Vacuum set", format!("{:.0} mmHg", view.vacuum_set_mmhg)),
            ("Bottle set", format!("{:.0} cm", view.bottle_set_cm)),
            ("Power set", format!("{:.0} %", view.power_set_percent)),
        ];
        for (name, value) in set.into_iter().chain(flow) {
            set_value(ui, name, &value, ACCENT);
        }
        let rest = ui.available_width();
        ui.allocate_ui_with_layout(Vec2::new(rest, height), Layout::top_down(Align::Min), |ui| {
            ui.spacing_mut().item_spacing.y = 2.0;
            widgets::quiet(ui, "Machine");
            ui.add(egui::Label::new(view.sound).truncate());
        });
    });
}

/// A value that is set: its name over it.
fn set_value(ui: &mut Ui, name: &str, value: &str, colour: Color32) {
    let wide = 86.0 * style::text_scale(ui);
    ui.allocate_ui_with_layout(Vec2::new(wide, ui.available_height()), Layout::top_down(Align::Min), |ui| {
        ui.set_width(wide);
        ui.spacing_mut().item_spacing.y = 2.0;
        widgets::quiet(ui, name);
        ui.add(egui::Label::new(RichText::new(value).color(colour)).truncate());
    });
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::help::tests::keys;
    use super::super::stepwise::{Choices, tests::view as stepwise};
    use super::super::trace::{Limit, Side};
    use super::super::trial::*;
    use super::*;

    /// What the page of the tests shows.
    #[derive(Default)]
    pub(crate) struct Example {
        pub is_exam: bool,
        pub is_freehand: bool,
        pub has_section: bool,
        pub chamber_mmhg: f64,
    }

    /// The page of an example.
    pub(crate) fn operate(ui: &mut Ui, example: &Example) -> Shown {
        let wave: Vec<f32> = (0..600).map(|i| 45.0 + 14.0 * (i as f32 * 0.03).sin()).collect();
        let rising: Vec<f32> = (0..600).map(|i| (i as f32 * 0.6).min(280.0)).collect();
        let low: Vec<f32> = (0..600).map(|i| 2.4 - 0.002 * i as f32).collect();
        let trace = |values, now, limits| Trace { values, now: Some(now), limits };
        let chamber = [
            Limit { value: 15.0, outside: Side::Below, word: "shallow" },
            Limit { value: 80.0, outside: Side::Above, word: "high" },
        ];
        let vacuum = [Limit { value: 300.0, outside: Side::Above, word: "limit" }];
        let capsule = [Limit { value: 0.8, outside: Side::Below, word: "near" }];
        let paint = |ui: &mut Ui| {
            ui.label("the section itself");
        };
        let choices = Choices::default();
        let keys = keys();
        let pose = [("Tip angle", "40°".to_owned()), ("Bevel", "up".to_owned()), ("Chopper", "out".to_owned())];
        let view = OperateView {
            title: "Very long eye, small dense core in a soft shell",
            time_s: 83.4,
            is_exam: example.is_exam,
            hands: if example.is_freehand {
                HandsView::Freehand(FreehandView { pose: &pose, keys: &keys })
            } else {
                HandsView::Stepwise(stepwise(&choices, None))
            },
            readings: Readings {
                chamber_mmhg: trace(&wave, example.chamber_mmhg, &chamber),
                vacuum_mmhg: trace(&rising, 280.0, &vacuum),
                flow_ml_min: trace(&wave, 28.0, &[]),
                power_percent: trace(&low, 0.0, &[]),
                pedal: trace(&low, 2.5, &[]),
                capsule_mm: (!example.is_exam).then(|| trace(&low, 1.24, &capsule)),
                purchase_mn: (!example.is_exam).then(|| trace(&low, 18.0, &[])),
            },
            section: if example.has_section { Some(&paint) } else { None },
            section_hidden: "The section is shown after the first chop.",
            message: Some(Message { words: "Occlusion broke at 280 mmHg: the chamber shallowed.", is_warning: true }),
            pedal: PedalView::of(2, 0.5),
            vacuum_set_mmhg: 300.0,
            bottle_set_cm: 90.0,
            flow_set_ml_min: Some(30.0),
            power_set_percent: 60.0,
            sound: "Infusion; the pump runs, vacuum rising",
            note: None,
        };
        operate_ui(ui, &view)
    }

    fn page_of(example: Example) -> Harness<'static, Done> {
        small_page(move |ui| operate(ui, &example))
    }

    fn ordinary() -> Example {
        Example { chamber_mmhg: 48.0, ..Example::default() }
    }

    #[test]
    fn an_exam_hides_what_a_surgeon_would_not_have() {
        let page = page_of(ordinary());
        assert!(page.query_by_label_contains("Distance to capsule 1.24 mm").is_some());
        assert!(page.query_by_label_contains("Purchase").is_some());
        let page = page_of(Example { is_exam: true, ..ordinary() });
        assert!(page.query_by_label_contains("Distance to capsule").is_none());
        assert!(page.query_by_label_contains("Purchase").is_none());
        assert!(page.query_by_label_contains("Chamber pressure 48 mmHg").is_some());
    }

    #[test]
    fn a_reading_outside_its_limit_says_so_in_a_word() {
        let page = page_of(ordinary());
        assert!(page.query_by_label_contains("⚠ shallow").is_none());
        let page = page_of(Example { chamber_mmhg: 9.0, ..ordinary() });
        assert!(page.query_by_label("Chamber pressure 9 mmHg ⚠ shallow").is_some());
        let page = page_of(Example { chamber_mmhg: 91.0, ..ordinary() });
        assert!(page.query_by_label("Chamber pressure 91 mmHg ⚠ high").is_some());
    }

    #[test]
    fn the_section_is_painted_or_its_absence_explained() {
        let page = page_of(ordinary());
        assert!(page.query_by_label("The section is shown after the first chop.").is_some());
        let page = page_of(Example { has_section: true, ..ordinary() });
        assert!(page.query_by_label("the section itself").is_some());
        assert!(page.query_by_label("The section is shown after the first chop.").is_none());
    }

    #[test]
    fn the_strip_above_asks_for_pause_restart_help_and_the_end() {
        let mut page = page_of(ordinary());
        assert_eq!(asked(&mut page, "Pause"), [Command::Pause]);
        assert_eq!(asked(&mut page, "Restart"), [Command::Restart]);
        assert_eq!(asked(&mut page, "Help"), [Command::OpenHelp]);
        assert_eq!(asked(&mut page, "End the attempt"), [Command::Finish]);
        assert!(page.query_by_label("1:23").is_some());
    }

    #[test]
    fn the_field_is_a_large_square_that_nothing_lies_on() {
        for (size, scale) in
            [([1280.0, 720.0], 1.0), ([1280.0, 720.0], 1.3), ([1920.0, 1080.0], 1.0), ([3840.0, 2160.0], 1.6)]
        {
            let example = ordinary();
            let page = page(size, scale, move |ui| operate(ui, &example));
            let Some(field) = page.state().field else { panic!("no field") };
            assert!((field.width() - field.height()).abs() < 1.0);
            assert!(field.height() >= 0.7 * size[1], "{field:?} in {size:?} at {scale}");
            for (name, place) in usable(&page) {
                assert!(!place.intersects(field), "{name} at {place:?} lies on {field:?}");
            }
        }
    }

    #[test]
    fn freehand_shows_what_is_in_hand_and_the_keys() {
        let page = page_of(Example { is_freehand: true, ..ordinary() });
        assert!(page.query_by_label("Bevel").is_some() && page.query_by_label("Shift and pointer").is_some());
        assert!(page.query_by_label("Grip").is_none());
    }
}

//! The case sheet: what a surgeon would know before surgery, and how the attempt is to be made.

use super::style::{self, QUIET};
use super::{Command, Shown, Way, widgets};
use crate::case::spec::{Approach, CaseSpec, Seat, Side};
use bevy_egui::egui;
use egui::{Align, Layout, RichText, Ui};

/// A line of the table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fact {
    /// What.
    pub label: &'static str,
    /// How much, with its unit.
    pub value: String,
}

/// What the page shows.
#[derive(Clone, Copy, Debug)]
pub struct SheetView<'a> {
    /// The case's title.
    pub title: &'a str,
    /// The case's sheet.
    pub sheet: &'a str,
    /// What is known, see `facts`.
    pub facts: &'a [Fact],
    /// What is asked for in words, see `goals`.
    pub goals: &'a [String],
    /// What the case assumes and nobody has measured, a sentence each.
    pub assumed: &'a [String],
    /// When the section may be seen, in words.
    pub section: &'a str,
    /// Seed of the lens's uneven texture.
    pub seed: u64,
    /// As in an exam?
    pub is_exam: bool,
    /// How the instruments are led.
    pub way: Way,
    /// The attempt is being made ready.
    pub is_waiting: bool,
}

/// What the sheet's table says of a case: only what is known before surgery, never the core's true hardness.
pub fn facts(case: &CaseSpec) -> Vec<Fact> {
    let fact = |label, value| Fact { label, value };
    let (eye, surgery) = (&case.eye, &case.surgery);
    let side = match eye.side {
        Side::Right => "right",
        Side::Left => "left",
    };
    let seat = match surgery.seat {
        Seat::Temporal => "temporal",
        Seat::Superior => "superior",
    };
    vec![
        fact("Eye", side.to_owned()),
        fact("Age", format!("{:.0} years", case.lens.age_years)),
        fact("Axial length", format!("{:.1} mm", eye.axial_length_mm)),
        fact("Chamber depth", format!("{:.1} mm", eye.chamber_depth_mm)),
        fact("Pupil", format!("{:.1} mm", eye.pupil_mm)),
        fact("Lens at the slit lamp", format!("nuclear grade {:.1} (LOCS III)", case.lens.slit_lamp_grade)),
        fact("Surgeon's seat", seat.to_owned()),
        fact("Side port", format!("{:.0}° from the main incision", surgery.side_port_deg)),
        fact(
            "Needle",
            format!(
                "{:.1} mm outside, bevel {:.0}°, {:.1} mm exposed",
                case.needle.outer_mm, case.needle.bevel_deg, case.needle.exposed_mm
            ),
        ),
    ]
}

/// What the educator asks for, a sentence each.
pub fn goals(case: &CaseSpec) -> Vec<String> {
    let goals = &case.goals;
    let percent = |share: f64| (100.0 * share).round();
    let mut all = Vec::new();
    if goals.approach == Some(Approach::WithoutChop) {
        all.push("Take the nucleus without a chop.".to_owned());
    } else {
        let (low, high) = goals.depth_share;
        all.push(format!("Bury the tip to {:.0}–{:.0}\u{a0}% of the core's thickness.", percent(low), percent(high)));
        all.push(format!(
            "Crack at least {:.0}\u{a0}% of the core, the smaller piece at least {:.0}\u{a0}% of the whole.",
            percent(goals.core_cracked),
            percent(goals.smallest_piece)
        ));
    }
    all.push(format!("Stay at least {:.1} mm from the posterior capsule.", goals.capsule_floor_mm));
    if let Some(left) = goals.nucleus_left {
        all.push(format!("Leave no more than {:.0}\u{a0}% of the nucleus.", percent(left)));
    }
    if let Some(c) = goals.incision_c {
        all.push(format!("Keep the incision below {c:.0} °C."));
    }
    if let Some(mn) = goals.zonule_load_mn {
        all.push(format!("Keep the load on the zonules of any clock hour below {mn:.0} mN."));
    }
    all
}

/// The page; asks for seed, exam and way, and to go on or back.
pub fn sheet_ui(ui: &mut Ui, view: &SheetView<'_>) -> Shown {
    let mut shown = Shown::default();
    let foot = |ui: &mut Ui, shown: &mut Shown| {
        if view.is_waiting {
            ui.add_enabled(false, egui::Button::new("The eye is being made ready…"));
        } else if widgets::main_button(ui, "Set up").clicked() {
            shown.ask(Command::SetUp);
        }
        ui.with_layout(Layout::left_to_right(Align::Center), |ui| {
            if widgets::button(ui, "Back").clicked() {
                shown.ask(Command::Back);
            }
        });
    };
    widgets::page(ui, &mut shown, view.title, "Case sheet", foot, |ui, shown| {
        let whole = ui.available_width();
        let left = ((whole - 24.0) * 0.56).floor();
        ui.horizontal_top(|ui| {
            ui.spacing_mut().item_spacing.x = 24.0;
            widgets::column(ui, left, |ui| known(ui, view));
            widgets::column(ui, whole - left - 32.0, |ui| chosen(ui, view, shown));
        });
    });
    shown
}

fn known(ui: &mut Ui, view: &SheetView<'_>) {
    ui.add(egui::Label::new(RichText::new(view.sheet).size(style::BODY * 1.1 * style::text_scale(ui))).wrap());
    widgets::heading(ui, "Before surgery");
    ui.spacing_mut().item_spacing.y = 4.0;
    for fact in view.facts {
        widgets::fact(ui, fact.label, &fact.value);
    }
    if !view.assumed.is_empty() {
        widgets::heading(ui, "Assumed in this case");
        for sentence in view.assumed {
            widgets::signed_line(ui, "·", QUIET, sentence);
        }
    }
}

fn chosen(ui: &mut Ui, view: &SheetView<'_>, shown: &mut Shown) {
    widgets::card(ui, |ui| {
        ui.label(RichText::new("What is asked for").font(style::bold(ui, style::BODY)));
        for goal in view.goals {
            widgets::signed_line(ui, "·", QUIET, goal);
        }
    });
    widgets::card(ui, |ui| {
        ui.label(RichText::new("Hands").font(style::bold(ui, style::BODY)));
        let ways = [(Way::Stepwise, Way::Stepwise.label()), (Way::Freehand, Way::Freehand.label())];
        if let Some(way) = widgets::choice(ui, view.way, &ways) {
            shown.ask(Command::SetWay(way));
        }
        widgets::quiet(
            ui,
            match view.way {
                Way::Stepwise => "Choose depth, angle, place and vacuum while you look, then commit a manoeuvre.",
                Way::Freehand => "Lead needle, chopper and pedal yourself, in real time.",
            },
        );
        ui.add_space(4.0);
        if let Some(is_exam) = widgets::switch(ui, view.is_exam, "As in an exam") {
            shown.ask(Command::SetExam(is_exam));
        }
        widgets::quiet(
            ui,
            "Hides what a surgeon would not have: the distance to the capsule, the hold on a piece, the section.",
        );
        widgets::quiet(ui, view.section);
        ui.add_space(4.0);
        let seed = widgets::Step { label: "Seed", range: 0.0..=4_294_967_295.0, step: 1.0, decimals: 0, unit: "" };
        if let Some(seed) = widgets::stepper(ui, &seed, view.seed as f64) {
            shown.ask(Command::SetSeed(seed as u64));
        }
        widgets::quiet(ui, "The same seed gives the same lens, grain by grain.");
    });
}

#[cfg(test)]
pub(crate) mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::trial::*;
    use super::*;

    /// A shipped case.
    pub(crate) fn case() -> CaseSpec {
        ron::Options::default()
            .with_default_extension(ron::extensions::Extensions::IMPLICIT_SOME)
            .from_str(include_str!("../../../scenarios/long-eye-dense-core.ron"))
            .unwrap()
    }

    /// The page of that case.
    pub(crate) fn page_of(
        case: &CaseSpec,
        way: Way,
        is_exam: bool,
        seed: u64,
        is_waiting: bool,
    ) -> impl FnMut(&mut Ui) -> Shown {
        move |ui| {
            let view = SheetView {
                title: &case.title,
                sheet: &case.sheet,
                facts: &facts(case),
                goals: &goals(case),
                assumed: &["The toughness of a lens has never been measured.".to_owned()],
                section: "The section is shown after the first chop.",
                seed,
                is_exam,
                way,
                is_waiting,
            };
            sheet_ui(ui, &view)
        }
    }

    #[test]
    fn the_sheet_tells_what_is_known_and_never_the_answer() {
        let mut case = case();
        case.lens.slit_lamp_grade = 2.5;
        case.lens.core.grade = 5.3;
        let page = small_page(page_of(&case, Way::Stepwise, false, 1, false));
        for words in
            ["31.8 mm", "nuclear grade 2.5 (LOCS III)", "temporal", "Stay at least 0.8 mm from the posterior capsule."]
        {
            assert!(page.query_by_label(words).is_some(), "{words}");
        }
        assert!(page.query_by_label_contains("5.3").is_none());
    }

    #[test]
    fn seed_exam_and_way_are_asked_for_and_kept_elsewhere() {
        let case = case();
        let mut page = small_page(page_of(&case, Way::Stepwise, false, 7, false));
        assert_eq!(asked(&mut page, "As in an exam"), [Command::SetExam(true)]);
        assert_eq!(asked(&mut page, "Freehand"), [Command::SetWay(Way::Freehand)]);
        assert_eq!(asked(&mut page, "Stepwise"), [], "it is chosen already");
        assert_eq!(asked(&mut page, "Seed: more"), [Command::SetSeed(8)]);
        assert_eq!(asked(&mut page, "Set up"), [Command::SetUp]);
        assert_eq!(asked(&mut page, "Back"), [Command::Back]);
    }

    #[test]
    fn while_the_eye_is_made_ready_one_can_only_go_back() {
        let case = case();
        let mut page = small_page(page_of(&case, Way::Freehand, true, 1, true));
        assert!(page.query_by_label("Set up").is_none());
        assert_eq!(asked(&mut page, "Back"), [Command::Back]);
    }
}

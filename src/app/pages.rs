//! The practice as pages: what each is to show, from what there is. Nothing is changed here; what is asked for goes back as
//! commands.

use crate::app::clerk::Judged;
use crate::app::daily::page::{daily, in_words};
use crate::app::hands::keys::Source;
use crate::app::hands::{Action, Bindings, PedalCalibration};
use crate::app::monitor::{self, Reading};
use crate::app::operation::Operation;
use crate::app::panels::cases::{CaseRow, CasesView, SavedRow, cases_ui};
use crate::app::panels::debrief::{AskView, ComponentRow, DebriefView, MomentRow, Next, ReplayView, debrief_ui};
use crate::app::panels::error::{ErrorView, error_ui};
use crate::app::panels::foot::{FootView, foot_ui};
use crate::app::panels::help::{HelpView, KeyLine, help_ui};
use crate::app::panels::machine::{MachineView, Setting, machine_ui};
use crate::app::panels::notice::{NoticeView, notice_ui};
use crate::app::panels::open::open_ui;
use crate::app::panels::operate::{FreehandView, HandsView, Message, OperateView, Readings, operate_ui};
use crate::app::panels::pause::{PauseView, pause_ui};
use crate::app::panels::pedal::PedalView;
use crate::app::panels::settings::{SettingsView, settings_ui};
use crate::app::panels::sheet::{self, SheetView, sheet_ui};
use crate::app::panels::stepwise::StepwiseView;
use crate::app::panels::trace::{Limit, Side, Trace};
use crate::app::panels::transport::Going;
use crate::app::panels::widgets::Standing;
use crate::app::panels::{Shown, Slot, Way};
use crate::app::practice::{Over, Page, Practice};
use crate::app::review::page::review;
use crate::app::whatif::page::{sentence, whatif};
use crate::attempt::Header;
use crate::case::{Aid, CaseSpec, Pump};
use crate::daily::Date;
use crate::debrief::course::made_with;
use crate::debrief::trace::ML_MIN_PER_UL_S;
use crate::debrief::{Component, Course, Debrief, Status, timeline};
use crate::logbook::usual;
use crate::plan::Foot;
use crate::sim::Model;
use crate::sim::event::{EventIndex, EventKind};
use crate::units::{cm_from_pa, degrees, mmhg_from_pa};
use bevy_egui::egui::Ui;
use std::time::SystemTime;

/// Chamber pressure below which the chamber does not stand, mmHg (as the debrief has it).
const CHAMBER_LOW_MMHG: f64 = 10.0;

/// Longest line of a case's sheet on the list, characters.
const LINE: usize = 150;

/// What a page needs beside the practice.
#[derive(Clone, Copy)]
pub struct Around<'a> {
    /// What the keys ask for.
    pub bindings: &'a Bindings,
    /// Where the bindings can be changed, one line.
    pub remap: &'a str,
    /// Has a pedal with a travel of its own been found?
    pub has_pedal: bool,
    /// The section, where one is painted.
    pub section: Slot<'a>,
    /// That of another run beside it.
    pub section_beside: Slot<'a>,
    /// Something about the picture itself.
    pub note: Option<&'a str>,
}

/// The page there is, with what lies over it.
pub fn show(ui: &mut Ui, practice: &Practice, around: &Around<'_>) -> Shown {
    match &practice.over {
        Some(Over::Help) => {
            let keys = keys(around.bindings, true);
            return help_ui(ui, &HelpView { version: env!("CARGO_PKG_VERSION"), keys: &keys, remap: around.remap });
        }
        Some(Over::Settings) => {
            let file = practice.settings_file.as_ref().map_or_else(String::new, |file| file.display().to_string());
            let folder = crate::app::library::ordinary_folder().display().to_string();
            let message = practice.told.as_deref();
            let usual = usual::place(None).map_or_else(|_| String::new(), |place| place.in_words());
            let view = SettingsView {
                settings: &practice.settings,
                ordinary_folder: &folder,
                usual_record: &usual,
                file: &file,
                message,
            };
            return settings_ui(ui, &view);
        }
        Some(Over::Open) => return open_ui(ui),
        Some(Over::Trouble { title, reasons, remedy }) => {
            return error_ui(ui, &ErrorView { title, reasons, remedy, can_go_back: true });
        }
        Some(Over::Pause) => {
            // The page stays in sight behind the pause, but asks for nothing.
            let behind = page(ui, practice, around);
            if let Some(operation) = &practice.operation {
                let view = PauseView { title: &operation.spec.title, time_s: operation.time_s() };
                let shown = pause_ui(ui, &view);
                return Shown { commands: shown.commands, field: behind.field };
            }
            return behind;
        }
        None => {}
    }
    page(ui, practice, around)
}

fn page(ui: &mut Ui, practice: &Practice, around: &Around<'_>) -> Shown {
    match practice.page {
        Page::Notice => notice_ui(ui, &NoticeView { version: env!("CARGO_PKG_VERSION") }),
        Page::Cases => cases(ui, practice),
        Page::Sheet => case_sheet(ui, practice),
        Page::Machine => machine(ui, practice),
        Page::Foot => foot(ui, practice, around),
        Page::Operate => match &practice.operation {
            Some(operation) => operate(ui, practice, operation, around),
            None => Shown::default(),
        },
        Page::Debrief => match &practice.judged {
            Some(judged) => debrief(ui, practice, judged, around),
            None => Shown::default(),
        },
        Page::Daily => match &practice.daily {
            Some(day) => daily(ui, practice, day, around),
            None => Shown::default(),
        },
        Page::Review => match &practice.review {
            Some(looked) => {
                let waiting = practice.is_waiting.then_some("The attempt is being simulated again …");
                review(ui, looked, waiting.or(practice.told.as_deref()))
            }
            None => Shown::default(),
        },
        Page::WhatIf => match &practice.judged {
            Some(judged) => whatif(ui, practice, judged, around),
            None => Shown::default(),
        },
    }
}

/// The keys of all actions; without a gamepad those of the keyboard and the mouse.
fn keys(bindings: &Bindings, has_gamepad: bool) -> Vec<KeyLine> {
    let of_hand = |source: &&Source| has_gamepad || !matches!(source, Source::Pad(_) | Source::Axis(..));
    let line = |action: &Action| {
        let words: Vec<String> = bindings.sources(*action).iter().filter(of_hand).map(|s| s.words()).collect();
        let keys = words.join(" or ");
        KeyLine { group: action.group().words().into(), action: action.label().into(), keys }
    };
    Action::ALL.iter().map(line).filter(|line| !line.keys.is_empty()).collect()
}

/// The beginning of a text, as far as it fits on a line.
fn first_line(text: &str) -> String {
    let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
    if words.chars().count() <= LINE {
        return words;
    }
    let cut: String = words.chars().take(LINE).collect();
    format!("{}…", cut.rsplit_once(' ').map_or(cut.as_str(), |(whole, _)| whole))
}

fn cases(ui: &mut Ui, practice: &Practice) -> Shown {
    let tried = |name: &str| practice.saved.iter().filter(|s| s.case.0 == name).count() as u32;
    let best = |name: &str| {
        let results = practice.saved.iter().filter(|s| s.case.0 == name).filter_map(|s| s.result);
        results.max_by(|a, b| (a.1, a.0).partial_cmp(&(b.1, b.0)).unwrap_or(std::cmp::Ordering::Equal))
    };
    let rows: Vec<CaseRow> = practice
        .cases
        .iter()
        .map(|shelved| {
            let spec = &shelved.case.spec;
            let grade = format!("grade {:.1} at the slit lamp", spec.lens.slit_lamp_grade);
            let length = format!("{:.1} mm long", spec.eye.axial_length_mm);
            let exam = spec.teaching().exam.then(|| "exam".to_owned());
            CaseRow {
                title: spec.title.clone(),
                line: first_line(&spec.sheet),
                tags: [grade, length].into_iter().chain(exam).collect(),
                attempts: tried(&shelved.name),
                best: best(&shelved.name),
            }
        })
        .collect();
    let saved: Vec<SavedRow> = practice
        .saved
        .iter()
        .map(|s| SavedRow {
            name: s.path.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned()),
            date: date(s.written),
            case: s.case.1.clone(),
            result: s.result,
        })
        .collect();
    let waiting = practice.is_waiting.then_some("The attempt is being simulated again …");
    let message = waiting.or(practice.told.as_deref());
    cases_ui(ui, &CasesView { cases: &rows, saved: &saved, message })
}

/// A day in the calendar (UTC), as `2026-03-09 14:05`.
fn date(at: SystemTime) -> String {
    let seconds = at.duration_since(SystemTime::UNIX_EPOCH).map_or(0, |d| d.as_secs());
    let minutes = seconds % 86_400 / 60;
    format!("{} {:02}:{:02}", Date::of(at), minutes / 60, minutes % 60)
}

/// When the section may be seen.
fn section_in_words(aid: Aid) -> &'static str {
    match aid {
        Aid::Always => "The section view is shown throughout.",
        Aid::AfterChop => "The section view is shown after the first chop.",
        Aid::DebriefOnly => "The section view is shown in the debrief only.",
    }
}

fn case_sheet(ui: &mut Ui, practice: &Practice) -> Shown {
    let Some(shelved) = practice.chosen_case() else { return Shown::default() };
    let spec = &shelved.case.spec;
    let assumed = [
        "Toughness and stiffness by grade are fitted to order and ratio of what was measured in vitro; single nuclei differ."
            .to_owned(),
        "Aqueous, sleeve and wounds are simple resistances and springs; vitreous and iris are coarse.".to_owned(),
    ];
    let view = SheetView {
        title: &spec.title,
        sheet: &spec.sheet,
        facts: &sheet::facts(spec),
        goals: &sheet::goals(spec),
        assumed: &assumed,
        section: section_in_words(practice.section_aid()),
        seed: practice.seed,
        is_exam: practice.is_exam || spec.teaching().exam,
        way: practice.way,
        is_waiting: practice.is_waiting,
    };
    sheet_ui(ui, &view)
}

fn machine(ui: &mut Ui, practice: &Practice) -> Shown {
    let Some(shelved) = practice.chosen_case() else { return Shown::default() };
    let spec = &shelved.case.spec;
    let (limits, machine, setup) = (spec.limits(), spec.machine(), &practice.setup);
    let setting = |chosen: Option<f64>, own: f64, (least, most): (f64, f64)| Setting {
        value: chosen.unwrap_or(own),
        own,
        least,
        most,
    };
    let rhexis_mm = setting(setup.rhexis_mm, spec.surgery.rhexis_mm, limits.rhexis_mm);
    let bottle_cm = setting(setup.bottle_cm, machine.bottle_cm, limits.bottle_cm);
    let vacuum_mmhg = setting(setup.vacuum_mmhg, machine.vacuum_mmhg, limits.vacuum_mmhg);
    let flow = setting(setup.flow_ml_min, machine.flow_ml_min, limits.flow_ml_min);
    let pump = match machine.pump {
        Pump::FlowSet => "Flow-set pump: vacuum builds up only on an occluded port.",
        Pump::VacuumSet => "Vacuum-set pump: the vacuum is there whether the port is occluded or not.",
    };
    let pedal =
        if machine.dual_linear { "Dual-linear pedal." } else { "One travel: vacuum in position 2, power in 3." };
    let mut remarks =
        vec![format!("Without flow the bottle stands for {:.0} mmHg in the chamber.", bottle_cm.value * 0.7356)];
    if rhexis_mm.value > spec.eye.pupil_mm {
        remarks.push("The rhexis is wider than the pupil: its edge is not seen.".to_owned());
    }
    let view = MachineView {
        title: &spec.title,
        rhexis_mm,
        bottle_cm,
        vacuum_mmhg,
        flow_ml_min: (machine.pump == Pump::FlowSet).then_some(flow),
        pupil_mm: spec.eye.pupil_mm,
        pump: &format!("{pump} {pedal}"),
        remarks: &remarks,
    };
    machine_ui(ui, &view)
}

fn pedal_view(calibration: &PedalCalibration, foot: &Foot, travel: Option<f64>) -> PedalView {
    PedalView {
        travel: travel.unwrap_or_else(|| calibration.travel(foot)),
        detents: calibration.detents,
        position: foot.pedal.position,
        share: foot.pedal.share,
        power: foot.power_share,
    }
}

fn foot(ui: &mut Ui, practice: &Practice, around: &Around<'_>) -> Shown {
    let check = &practice.foot;
    let positions = [Action::Position1, Action::Position2, Action::Position3, Action::Position0];
    let keys: Vec<String> = positions.iter().map(|action| around.bindings.words(*action)).collect();
    let (press, release) = (around.bindings.words(Action::PressPedal), around.bindings.words(Action::ReleasePedal));
    let how = format!(
        "{} for positions 1, 2, 3 and {} for off; or hold {press} to press and {release} to release.",
        keys[..3].join(", "),
        keys[3]
    );
    let foot = check.foot.unwrap_or(Foot::full(0));
    let travel = check.keyed.as_ref().map(|keyed| keyed.travel).filter(|_| !around.has_pedal);
    let pedal = pedal_view(&practice.calibration, &foot, travel);
    let down = &practice.calibration.down;
    let calibration = if around.has_pedal {
        format!("Rest at {:.2}, end at {:.2}, dead zone {:.0} %.", down.rest, down.full, 100.0 * down.dead_zone)
    } else {
        "Keys need none. A USB pedal is found when it is plugged in, where the program was built with the feature gamepad.".to_owned()
    };
    let view = FootView {
        device: if around.has_pedal { "Analogue pedal" } else { "Pedal by keys" },
        how: &how,
        pedal,
        reached: check.reached,
        has_let_go: check.has_let_go,
        can_calibrate: around.has_pedal,
        calibration: &calibration,
    };
    foot_ui(ui, &view)
}

fn operate(ui: &mut Ui, practice: &Practice, operation: &Operation, around: &Around<'_>) -> Shown {
    let (model, state, spec) = (&operation.model, &operation.course.state, &operation.spec);
    let hands = operation.hands();
    let machine = &hands.machine;
    let vacuum_set_mmhg = mmhg_from_pa(machine.vacuum_limit_pa);
    let chamber = [Limit { value: CHAMBER_LOW_MMHG, outside: Side::Below, word: "low" }];
    let vacuum = [Limit { value: vacuum_set_mmhg + 1.0, outside: Side::Above, word: "limit" }];
    let capsule = [Limit { value: spec.goals.capsule_floor_mm, outside: Side::Below, word: "near" }];
    let trace = |reading: Reading, limits| Trace {
        values: operation.monitor.values(reading),
        now: monitor::read(reading, model, state),
        limits,
    };
    let may_see = practice.may_see_section();
    let is_exam = practice.is_in_exam();
    let readings = Readings {
        chamber_mmhg: trace(Reading::Chamber, &chamber),
        vacuum_mmhg: trace(Reading::Vacuum, &vacuum),
        flow_ml_min: trace(Reading::Flow, &[]),
        power_percent: trace(Reading::Power, &[]),
        pedal: trace(Reading::Pedal, &[]),
        // What nobody sees in an eye comes with the section, and not before one has committed oneself.
        capsule_mm: may_see.then(|| trace(Reading::Capsule, &capsule)),
        purchase_mn: (!is_exam).then(|| trace(Reading::Purchase, &[])),
    };
    let has_called = state.latest(|kind| matches!(kind, EventKind::Called)).is_some();
    let aid = spec.teaching().section_after(0);
    let pose = pose(operation);
    let stated = stated(operation);
    let lines = keys(around.bindings, around.has_pedal);
    let view = OperateView {
        title: &spec.title,
        time_s: operation.time_s(),
        is_exam,
        hands: match practice.operation.as_ref().map(|o| o.chosen.way) {
            Some(Way::Freehand) => HandsView::Freehand(FreehandView { pose: &pose, keys: &lines }),
            _ => HandsView::Stepwise(StepwiseView {
                choices: &practice.choices,
                under_way: practice.doing,
                pedal: hands.foot.pedal.position,
                rhexis_mm: spec.surgery.rhexis_mm,
                pupil_mm: state.chamber.pupil_mm,
                is_called: has_called,
                stated: stated.as_deref(),
            }),
        },
        readings,
        section: around.section.filter(|_| may_see && practice.wants_section),
        section_hidden: if may_see {
            "Hidden; the key for the section view shows it again."
        } else {
            section_in_words(aid)
        },
        message: operation.words.as_ref().map(|words| Message { words: &words.text, is_warning: words.is_warning }),
        pedal: pedal_view(&practice.calibration, &hands.foot, operation.travel()),
        vacuum_set_mmhg,
        bottle_set_cm: cm_from_pa(machine.bottle_pa),
        flow_set_ml_min: (spec.machine().pump == Pump::FlowSet).then_some(ML_MIN_PER_UL_S * machine.flow_limit_ul_s),
        power_set_percent: 100.0 * hands.power_limit,
        sound: &sound(operation),
        note: around.note,
    };
    operate_ui(ui, &view)
}

/// What is expected of the next chop, where something was said since the last.
fn stated(operation: &Operation) -> Option<String> {
    let last = operation.course.predictions.last()?;
    let is_chop = |kind: &EventKind| matches!(kind, EventKind::ChopStarted(..));
    let is_over = operation
        .course
        .state
        .latest(is_chop)
        .is_some_and(|begun| operation.course.state.events[begun as usize].tick > last.tick);
    (!is_over).then(|| in_words(last))
}

/// What the hands hold, and how.
fn pose(operation: &Operation) -> Vec<(&'static str, String)> {
    let (model, state, hands) = (&operation.model, &operation.course.state, operation.hands());
    let mut pose = vec![("Tip angle", format!("{:.0}°", degrees(hands.elevation_rad)))];
    let roll = degrees(hands.roll_rad).rem_euclid(360.0);
    let bevel = if roll.min(360.0 - roll) < 45.0 {
        "up"
    } else if (roll - 180.0).abs() < 45.0 {
        "down"
    } else {
        "sideways"
    };
    pose.push(("Bevel", bevel.to_owned()));
    if let Some(needle) = &state.needle {
        let exposed_mm = model.needle.exposed_mm;
        let bare_mm = (exposed_mm - needle.buried_mm).clamp(0.0, exposed_mm);
        // What is seen of the burial: how much bare needle is left in front of the sleeve.
        pose.push(("Bare needle in sight", format!("{bare_mm:.1} of {exposed_mm:.1} mm")));
    }
    let chopper = match &hands.chopper {
        None => "out of the eye".to_owned(),
        Some((end, _, roll_rad)) => {
            let end = format!("{end:?}").to_lowercase();
            format!("{end}, {}", if *roll_rad < std::f64::consts::FRAC_PI_4 { "upright" } else { "flat" })
        }
    };
    pose.push(("Chopper", chopper));
    if hands.guard_mm.is_some() {
        pose.push(("Guarding", "below the tip".to_owned()));
    }
    pose
}

/// What the machine is heard to do: a surgeon listens to it with the eyes on the eye.
fn sound(operation: &Operation) -> String {
    let state = &operation.course.state;
    let vacuum = operation.monitor.values(Reading::Vacuum);
    let before = vacuum.len().checked_sub(16).and_then(|at| vacuum.get(at)).copied();
    let now = mmhg_from_pa(state.circuit.vacuum_pa()) as f32;
    let course = before.filter(|_| state.pedal.position >= 2).map(|before| match now - before {
        rise if rise > 15.0 => ", vacuum rising",
        rise if rise < -15.0 => ", vacuum falling",
        _ => ", vacuum steady",
    });
    let does = match state.pedal.position {
        0 => "Silent: no infusion",
        1 => "Infusion runs",
        2 => "Aspiration",
        _ => "Ultrasound",
    };
    format!("{does}{}", course.unwrap_or_default())
}

fn standing(component: &Component) -> Standing {
    match component.status {
        Status::Met => Standing::Met,
        Status::Missed if component.counts_for_pass => Standing::Missed,
        Status::Missed => Standing::Short,
        Status::NotReached => Standing::NotReached,
        Status::NotApplicable => Standing::NotJudged,
    }
}

/// Rows of a debrief, which does not change while it is looked at.
pub struct Rows {
    made: String,
    components: Vec<ComponentRow>,
    moments: Vec<MomentRow>,
    causes: Vec<String>,
    expected: Vec<String>,
}

impl Rows {
    /// The rows of a judged attempt.
    pub fn of(spec: &CaseSpec, model: &Model, header: &Header, course: &Course, debrief: &Debrief) -> Self {
        let facts = course.facts(spec, model);
        let (made, with) = made_with(&header.device);
        let set_up = header.setup_in_words().map_or_else(String::new, |words| format!(", {words}"));
        let moments = timeline::story(&facts, debrief);
        Self {
            made: format!("{made}: {with}, seed {}{set_up}", header.seed),
            components: debrief
                .components
                .iter()
                .map(|c| ComponentRow {
                    label: c.label.to_owned(),
                    reached: c.shown.clone(),
                    wanted: c.wanted.clone(),
                    standing: standing(c),
                    cause: c.cause.clone(),
                })
                .collect(),
            moments: moments
                .into_iter()
                .map(|m| {
                    let kind = m.event.and_then(|at| course.state.events.get(at)).map(|event| &event.kind);
                    let event = m.event.map(|at| at as EventIndex);
                    MomentRow { t_s: m.t_s, words: m.what, is_critical: kind.is_none_or(is_critical), event }
                })
                .collect(),
            expected: debrief
                .predictions
                .iter()
                .map(|told| {
                    [Some(told.in_words()), told.judged_in_words()].into_iter().flatten().collect::<Vec<_>>().join(" ")
                })
                .collect(),
            causes: debrief.what_went_wrong().into_iter().map(str::to_owned).collect(),
        }
    }
}

impl Rows {
    /// The story.
    pub fn moments(&self) -> &[MomentRow] {
        &self.moments
    }
}

/// Is it an event that ends an attempt badly?
fn is_critical(kind: &EventKind) -> bool {
    use EventKind as K;
    matches!(
        kind,
        K::Breach { .. } | K::VitreousForward { .. } | K::PieceSank { .. } | K::RimRanOut | K::ZonulesTore { .. }
    )
}

fn debrief(ui: &mut Ui, practice: &Practice, judged: &Judged, around: &Around<'_>) -> Shown {
    let rows = &judged.rows;
    let replay = match &judged.film {
        None => ReplayView::Missing("The replay cannot be prepared here."),
        Some(film) if film.prepared_share() < 1.0 => ReplayView::Preparing(film.prepared_share()),
        Some(_) => ReplayView::Ready(Going {
            t_s: practice.replay.t_s,
            is_playing: practice.replay.is_playing,
            speed: practice.replay.speed,
        }),
    };
    let event = |at: usize| rows.moments.get(at).and_then(|m| m.event);
    let can_ask = practice.chosen.and_then(event).and_then(|event| practice.whatifs.can_ask(event));
    let why_not = match can_ask {
        Some(Err(why)) => sentence(why, judged),
        _ => String::new(),
    };
    let chosen = practice.chosen.map(|at| match (event(at), can_ask) {
        (Some(_), None) => (at, AskView::Looking),
        (Some(_), Some(Ok(()))) => (at, AskView::Can),
        (Some(_), Some(Err(_))) => (at, AskView::Cannot(&why_not)),
        (None, _) => (at, AskView::Cannot("The engine stopped; there is nothing to ask.")),
    });
    let saved = match (&practice.told, &judged.saved) {
        (Some(told), _) => told.clone(),
        (None, Some(Ok(path))) => format!("Saved as {}.", path.display()),
        (None, Some(Err(why))) => format!("The attempt could not be saved: {why}"),
        (None, None) => String::new(),
    };
    let outcome = &judged.debrief.outcome;
    let critical: Vec<String> = judged.remark.iter().chain(&outcome.critical).cloned().collect();
    let view = DebriefView {
        title: &judged.spec.title,
        made: &rows.made,
        has_passed: outcome.pass,
        score: outcome.score,
        critical: &critical,
        components: &rows.components,
        moments: &rows.moments,
        chosen,
        duration_s: judged.course.state.time_s(&judged.model),
        expected: &rows.expected,
        causes: &rows.causes,
        advice: &judged.debrief.advice,
        replay,
        section: around.section,
        section_hidden: "The section is being cut.",
        saved: &saved,
        next: match &practice.review {
            Some(_) => Next::Record,
            None if practice.cases.iter().any(|shelved| shelved.name == judged.header.scenario) => Next::Again,
            None => Next::Another,
        },
    };
    debrief_ui(ui, &view)
}

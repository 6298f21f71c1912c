//! The pages of the window. Each is a pure function of what it is to show, a view of plain data, and returns what was asked
//! for, as commands: no page keeps a choice, changes the engine or knows the window it lies in. What is typed and not yet
//! finished lives in egui's own memory.
//!
//! Units: the trade's, as on a machine's front (mm, degrees, mmHg, cm, mL/min, s); lengths on the screen are points.

pub mod cases;
pub mod chart;
pub mod daily;
pub mod debrief;
pub mod error;
pub mod foot;
pub mod help;
pub mod machine;
pub mod notice;
pub mod open;
pub mod operate;
pub mod outcomes;
pub mod pause;
pub mod pedal;
pub mod review;
pub mod section;
pub mod settings;
pub mod sheet;
pub mod stepwise;
pub mod style;
pub mod trace;
pub mod transport;
pub mod whatif;
pub mod widgets;

use crate::app::settings::Settings;
use crate::daily::day::Statement;
use crate::plan::Manoeuvre;
use crate::sim::event::EventIndex;
use bevy_egui::egui;

/// Something that another room paints into a panel; `None` where there is nothing to paint now.
pub type Slot<'a> = Option<&'a dyn Fn(&mut egui::Ui)>;

/// What stands at the end of debriefs and of the help.
pub const EDUCATION_ONLY: &str = "For education only. Not a medical device; not for planning or use in care. A simplified eye, \
                                  whose numbers are not machine settings. A score is not shown to predict operating \
                                  performance and must not be the sole basis of any decision on a trainee. Follow local \
                                  protocols and the supervising surgeon.";

/// How the instruments are led.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Way {
    /// By pointer, keys and pedal, all the time.
    Freehand,
    /// Manoeuvre by manoeuvre, chosen while looking.
    #[default]
    Stepwise,
}

impl Way {
    /// Its name on the screen.
    pub fn label(self) -> &'static str {
        match self {
            Self::Freehand => "Freehand",
            Self::Stepwise => "Stepwise",
        }
    }
}

/// Everything that a page can ask for.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// The notice at the first start was read.
    UnderstoodNotice,
    /// Show the sheet of the case at this place of the list.
    ChooseCase(usize),
    /// Choose a case file of one's own.
    OpenFile,
    /// Open this case file.
    OpenPath(std::path::PathBuf),
    /// Debrief the saved attempt at this place of the list.
    DebriefSaved(usize),
    /// Show the eye of the day.
    OpenDaily,
    /// Look at it; the clock runs.
    BeginDaily,
    /// What is to be stated of it changed.
    ChooseStatement(Statement),
    /// State it, and chop.
    StateDaily,
    /// Look at one of its chops.
    PickChop(crate::daily::trial::Which),
    /// Look at the record.
    OpenReview,
    /// Something of the record that is looked at.
    Review(review::Ask),
    /// Show the settings.
    OpenSettings,
    /// Show the help.
    OpenHelp,
    /// Close what lies on top, or go to the page before.
    Back,
    /// Close the program.
    Quit,
    /// Another seed for the case.
    SetSeed(u64),
    /// Operate as in an exam, or not.
    SetExam(bool),
    /// How the instruments are to be led.
    SetWay(Way),
    /// From the case sheet to machine and rhexis.
    SetUp,
    /// Diameter of the rhexis, mm.
    SetRhexis(f64),
    /// Height of the bottle over the eye, cm.
    SetBottle(f64),
    /// Vacuum limit, mmHg.
    SetVacuum(f64),
    /// Aspiration flow, mL/min.
    SetFlow(f64),
    /// Rhexis and machine as the case has them.
    RestoreCaseValues,
    /// To the check of the foot pedal.
    CheckFoot,
    /// Take the travel of the pedal as it is now for its rest.
    CalibrateRest,
    /// Take the travel of the pedal as it is now for its end.
    CalibrateFull,
    /// Forget the calibration.
    ForgetCalibration,
    /// Begin operating.
    Begin,
    /// Perform a manoeuvre.
    Perform(Manoeuvre),
    /// The choices of the stepwise hands changed.
    Choose(stepwise::Choices),
    /// Drop the manoeuvre under way and hold still.
    StopHands,
    /// Pause.
    Pause,
    /// Go on after a pause.
    Resume,
    /// The same case from its beginning.
    Restart,
    /// End the attempt and debrief it.
    Finish,
    /// Leave the attempt without a debrief.
    Abandon,
    /// Replay from just before this time of the attempt, s.
    Replay {
        /// Time of the attempt, s.
        t_s: f64,
    },
    /// Choose the moment at this place of the story.
    ChooseMoment(usize),
    /// Ask what would have been but for the decision behind this event.
    AskWhatIf(EventIndex),
    /// Ask the same again with so many repetitions.
    AskAgain(u32),
    /// Play an alternative beside what was done.
    LayBeside(whatif::Which),
    /// Let the replay run.
    PlayReplay,
    /// Hold the replay.
    HoldReplay,
    /// Move the replay to this time of the attempt, s.
    ScrubReplay {
        /// Time of the attempt, s.
        t_s: f64,
    },
    /// Speed of the replay, as a multiple of the eye's time.
    SpeedReplay(f64),
    /// Move the replay by one picture: forward when positive.
    StepReplay(i32),
    /// The same case again.
    Again,
    /// Another case.
    AnotherCase,
    /// Save the debrief as a page of HTML.
    SaveHtml,
    /// Remember these settings from now on.
    ChangeSettings(Box<Settings>),
}

/// What a page hands back.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Shown {
    /// What was asked for, in order.
    pub commands: Vec<Command>,
    /// Where the microscope's picture is to lie, points; nothing is painted there.
    pub field: Option<egui::Rect>,
}

impl Shown {
    /// Note a command.
    pub(crate) fn ask(&mut self, command: Command) {
        self.commands.push(command);
    }
}

/// What the tests of the pages share: a page on a screen without a window.
#[cfg(test)]
pub(crate) mod trial {
    #![allow(clippy::unwrap_used)]
    use super::{Command, Shown, style};
    use bevy_egui::egui::{self, accesskit::Role};
    pub use egui_kittest::Harness;
    pub use egui_kittest::kittest::{NodeT as _, Queryable};

    /// What a page did: its commands so far and its field.
    #[derive(Default)]
    pub struct Done {
        pub commands: Vec<Command>,
        pub field: Option<egui::Rect>,
    }

    /// A page at a size, points, and a scale of text, drawn until it rests.
    pub fn page<'a>(
        size: [f32; 2],
        scale: f32,
        mut page: impl FnMut(&mut egui::Ui) -> Shown + 'a,
    ) -> Harness<'a, Done> {
        let mut harness = Harness::builder().with_size(size).build_ui_state(
            move |ui, done: &mut Done| {
                style::apply(ui.ctx(), scale);
                let shown = page(ui);
                done.commands.extend(shown.commands);
                done.field = shown.field;
            },
            Done::default(),
        );
        harness.run();
        harness
    }

    /// A page at 1280 × 720.
    pub fn small_page<'a>(shown: impl FnMut(&mut egui::Ui) -> Shown + 'a) -> Harness<'a, Done> {
        page([1280.0, 720.0], 1.0, shown)
    }

    /// What a page asks for when the widget of this name is clicked, or is used by the keyboard where the pointer would have
    /// to scroll first.
    pub fn asked(harness: &mut Harness<'_, Done>, label: &str) -> Vec<Command> {
        harness.state_mut().commands.clear();
        harness.get_by_label(label).click_accesskit();
        harness.run();
        std::mem::take(&mut harness.state_mut().commands)
    }

    /// Widgets that can be used, with name and place. What lies further down in a scrolled column counts as reached by
    /// scrolling, so only its left and right are told.
    pub fn usable(harness: &Harness<'_, Done>) -> Vec<(String, egui::Rect)> {
        const USABLE: [Role; 7] = [
            Role::Button,
            Role::CheckBox,
            Role::RadioButton,
            Role::Slider,
            Role::SpinButton,
            Role::TextInput,
            Role::ComboBox,
        ];
        let mut found = Vec::new();
        let mut open = vec![harness.root()];
        while let Some(node) = open.pop() {
            let access = node.accesskit_node();
            if USABLE.contains(&access.role()) {
                found.push((access.label().or(access.value()).unwrap_or_default(), node.rect()));
            }
            open.extend(node.children());
        }
        found
    }

    /// Every widget that can be used lies within the sides of the screen, and no two lie on each other.
    pub fn assert_in_place(harness: &Harness<'_, Done>, size: [f32; 2]) {
        let all = usable(harness);
        assert!(!all.is_empty());
        for (i, (name, place)) in all.iter().enumerate() {
            assert!(place.left() >= 0.0 && place.right() <= size[0], "{name} at {place:?} leaves {size:?}");
            assert!(place.top() >= 0.0, "{name} at {place:?}");
            for (other, there) in &all[i + 1..] {
                let is_seen = place.bottom() <= size[1] && there.bottom() <= size[1];
                let shared = place.shrink(1.0).intersect(there.shrink(1.0));
                let is_inside = place.contains_rect(*there) || there.contains_rect(*place);
                assert!(!is_seen || is_inside || !shared.is_positive(), "{name} {place:?} on {other} {there:?}");
            }
        }
    }
}

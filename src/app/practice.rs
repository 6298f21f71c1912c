//! What the window is about: which page is shown, what was chosen, the attempt under way, the debrief that is looked at.
//!
//! Plain data and logic without a window. Pages ask with commands, devices with controls; the practice changes, and pages are
//! drawn from it. Whatever takes long is the clerk's. Times are s of the eye's time, lengths mm.

use crate::app::clerk::{Clerk, Done, Judged};
use crate::app::daily::{self, Daily};
use crate::app::hands::foot::KeyedPedal;
use crate::app::hands::{Controls, PedalCalibration};
use crate::app::library::{self, Held, Saved, Shelved};
use crate::app::operation::{Chosen, Operation, POWER_LIMIT};
use crate::app::panels::debrief::BEFORE_EVENT_S;
use crate::app::panels::review::Ask;
use crate::app::panels::stepwise::Choices;
use crate::app::panels::{Command, Way};
use crate::app::review::Review;
use crate::app::settings::Settings;
use crate::app::whatif::{REPEATS, WhatIfs};
use crate::app::words::Words;
use crate::attempt::Setup;
use crate::case::Aid;
use crate::daily::Date;
use crate::daily::day::Passed;
use crate::daily::journal::number_of;
use crate::daily::trial::Which;
use crate::plan::{Foot, Manoeuvre};
use crate::sim::event::EventIndex;
use crate::sim::{Model, State};
use bevy::prelude::Resource;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::SystemTime;

/// Time between two keepings of the attempt under way, s.
const KEEP_EVERY_S: f64 = 10.0;

/// Length of a step of the replay, s: one picture of a film.
const PICTURE_S: f64 = 1.0 / 24.0;

/// What fills the window.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Page {
    /// What this is for, at the first start.
    Notice,
    /// Cases and saved attempts.
    #[default]
    Cases,
    /// A case.
    Sheet,
    /// Machine and rhexis.
    Machine,
    /// Foot pedal.
    Foot,
    /// Operating.
    Operate,
    /// Debrief.
    Debrief,
    /// What would have been but for a decision.
    WhatIf,
    /// One eye a day.
    Daily,
    /// The program's record.
    Review,
}

/// What lies over the page.
#[derive(Clone, Debug, PartialEq)]
pub enum Over {
    /// Help.
    Help,
    /// Settings.
    Settings,
    /// A case file is asked for.
    Open,
    /// A pause.
    Pause,
    /// Something that cannot go on.
    Trouble {
        /// What, in a few words.
        title: String,
        /// Why, a sentence each.
        reasons: Vec<String>,
        /// What would help.
        remedy: String,
    },
}

/// The check of the pedal.
#[derive(Clone, Debug, Default)]
pub struct FootCheck {
    /// The foot that keys move.
    pub keyed: Option<KeyedPedal>,
    /// The foot now.
    pub foot: Option<Foot>,
    /// Was position 1, 2, 3 reached?
    pub reached: [bool; 3],
    /// Was it let go after position 3?
    pub has_let_go: bool,
    /// Reading at rest, for the calibration.
    rest: Option<f64>,
}

/// A replay that is looked at.
#[derive(Clone, Debug, Default)]
pub struct Replay {
    /// Where it is, s.
    pub t_s: f64,
    /// Does it run?
    pub is_playing: bool,
    /// Its speed, a multiple of the eye's time.
    pub speed: f64,
    /// The state that is shown.
    pub state: Option<Arc<State>>,
}

/// The practice.
#[derive(Resource)]
pub struct Practice {
    /// What is remembered.
    pub settings: Settings,
    /// Where the settings stand.
    pub settings_file: Option<PathBuf>,
    /// How the pedal reads.
    pub calibration: PedalCalibration,
    /// With what the attempt is steered, in words; set by whoever knows the devices.
    pub devices: String,
    /// Raw reading of a pedal with a travel of its own, if there is one; set by whoever knows the devices.
    pub raw_pedal: Option<f64>,
    /// The page.
    pub page: Page,
    /// What lies over it.
    pub over: Option<Over>,
    /// Something to be told on the list of cases.
    pub told: Option<String>,
    /// The cases.
    pub cases: Vec<Shelved>,
    /// The saved attempts.
    pub saved: Vec<Saved>,
    /// The case that was chosen.
    pub case: usize,
    /// Seed.
    pub seed: u64,
    /// Exam asked for?
    pub is_exam: bool,
    /// Hands.
    pub way: Way,
    /// Rhexis and machine.
    pub setup: Setup,
    /// The check of the pedal.
    pub foot: FootCheck,
    /// The attempt under way.
    pub operation: Option<Box<Operation>>,
    /// What is chosen for the next manoeuvre.
    pub choices: Choices,
    /// The manoeuvre under way, in words.
    pub doing: Option<&'static str>,
    /// Is the section view wanted, where it may be seen?
    pub wants_section: bool,
    /// The debrief.
    pub judged: Option<Box<Judged>>,
    /// Its replay.
    pub replay: Replay,
    /// Place in its story of the moment that was chosen.
    pub chosen: Option<usize>,
    /// Its what-ifs.
    pub whatifs: WhatIfs,
    /// The day; without one that of the clock.
    pub today: Option<Date>,
    /// The eye of the day, while its page is shown.
    pub daily: Option<Box<Daily>>,
    /// The record, while it is looked at.
    pub review: Option<Box<Review>>,
    /// Is an answer awaited without which the page cannot go on?
    pub is_waiting: bool,
    /// Is the program to be closed?
    pub is_quitting: bool,
    clerk: Clerk,
    held: Option<Held>,
    kept_at_s: f64,
    is_keeping: bool,
    has_trouble_keeping: bool,
    days_opened: u64,
    reviews_asked: u64,
}

impl Practice {
    /// A practice with these settings; a line to be told comes with them where they could not be read.
    pub fn new(settings: Settings, settings_file: Option<PathBuf>, told: Option<String>) -> Self {
        let practice = Self { settings_file, told, ..Self::unattended(settings) };
        practice.clerk.hold(practice.folder());
        practice.clerk.list(practice.folder());
        practice
    }

    /// A practice that looks at nobody's files.
    pub fn unattended(settings: Settings) -> Self {
        let cases = library::shipped();
        let case = cases.iter().position(|c| c.name == settings.last_case).unwrap_or(0);
        Self {
            page: if settings.notice_seen { Page::Cases } else { Page::Notice },
            is_exam: settings.exam,
            calibration: settings.pedal.clone(),
            settings,
            settings_file: None,
            devices: String::new(),
            raw_pedal: None,
            over: None,
            told: None,
            cases,
            saved: Vec::new(),
            case,
            seed: 1,
            way: Way::default(),
            setup: Setup::default(),
            foot: FootCheck::default(),
            operation: None,
            choices: Choices::default(),
            doing: None,
            wants_section: true,
            judged: None,
            replay: Replay::default(),
            chosen: None,
            whatifs: WhatIfs::default(),
            today: None,
            daily: None,
            review: None,
            is_waiting: false,
            is_quitting: false,
            clerk: Clerk::default(),
            held: None,
            kept_at_s: 0.0,
            is_keeping: false,
            has_trouble_keeping: false,
            days_opened: 0,
            reviews_asked: 0,
        }
    }

    /// Folder of the saved attempts.
    pub fn folder(&self) -> PathBuf {
        match self.settings.attempts_folder.trim() {
            "" => library::ordinary_folder(),
            folder => PathBuf::from(folder),
        }
    }

    /// The case that was chosen.
    pub fn chosen_case(&self) -> Option<&Shelved> {
        self.cases.get(self.case)
    }

    /// How often a case was passed.
    fn passes(&self, name: &str) -> u32 {
        self.saved.iter().filter(|s| s.case.0 == name && s.result.is_some_and(|(_, pass)| pass)).count() as u32
    }

    /// When the section may be seen in an attempt with these choices.
    pub fn section_aid(&self) -> Aid {
        let Some(shelved) = self.chosen_case() else { return Aid::DebriefOnly };
        let mut teaching = shelved.case.spec.teaching();
        teaching.exam |= self.is_exam;
        teaching.section_after(self.passes(&shelved.name))
    }

    /// Is the attempt under way an exam?
    pub fn is_in_exam(&self) -> bool {
        self.operation.as_ref().is_some_and(|operation| operation.spec.teaching().exam)
    }

    /// May the section be seen now?
    pub fn may_see_section(&self) -> bool {
        self.operation.as_ref().is_some_and(|operation| match operation.spec.teaching().section_after(0) {
            Aid::Always => true,
            Aid::AfterChop => operation.has_chopped(),
            Aid::DebriefOnly => false,
        })
    }

    /// Do hands and foot follow the devices now?
    pub fn is_engaged(&self) -> bool {
        self.over.is_none() && !self.is_waiting && matches!(self.page, Page::Foot | Page::Operate)
    }

    /// Does time go on in the eye?
    pub fn is_running(&self) -> bool {
        let is_seen = match self.page {
            Page::Operate => true,
            Page::Daily => self.daily.as_ref().is_some_and(|daily| daily.is_chopping()),
            _ => false,
        };
        is_seen && self.over.is_none() && !self.is_waiting
    }

    /// What is to be seen through the microscope: model, state, and the grade by which the lens looks.
    pub fn sight(&self) -> Option<(Arc<Model>, Arc<State>, f64)> {
        match self.page {
            Page::Daily if self.picked_chop().is_some() => self.daily.as_ref().and_then(|daily| {
                let (model, state, _) = daily.seen()?;
                Some((model, state, daily.day.eye.case.lens.slit_lamp_grade))
            }),
            Page::Operate | Page::Daily => self
                .operation
                .as_ref()
                .map(|operation| (operation.model.clone(), operation.state(), operation.spec.lens.slit_lamp_grade)),
            Page::Debrief => self.judged.as_ref().and_then(|judged| {
                let state = self.replay.state.clone()?;
                Some((judged.model.clone(), state, judged.spec.lens.slit_lamp_grade))
            }),
            Page::WhatIf => self.judged.as_ref().and_then(|judged| {
                let [was, _] = self.runs()?;
                Some((judged.model.clone(), was.clone(), judged.spec.lens.slit_lamp_grade))
            }),
            _ => None,
        }
    }

    /// Which chop of the eye of the day is looked at, once it was tried.
    pub fn picked_chop(&self) -> Option<Which> {
        self.daily.as_ref()?.seen().map(|(_, _, which)| which)
    }

    /// The two runs of a what-if that are looked at, at the same moment: as it was done, and with a change.
    pub fn runs(&self) -> Option<&[Arc<State>; 2]> {
        self.whatifs.answered()?.beside.as_ref()?.states.as_ref()
    }

    /// A tick of the check of the pedal.
    pub fn try_foot(&mut self, controls: &Controls) {
        if self.page != Page::Foot || !self.is_engaged() {
            return;
        }
        let check = &mut self.foot;
        let keyed = check.keyed.get_or_insert_with(|| KeyedPedal::at(0.0));
        if let Some(position) = controls.pedal_to {
            keyed.go_to(&self.calibration, position);
        }
        keyed.advance(&self.calibration, controls.pedal, 1.0 / f64::from(crate::units::TICKS_PER_SECOND));
        let of_keys = self.calibration.foot(keyed.travel);
        // Whichever is pressed further counts.
        let foot = match controls.device_foot {
            Some(foot) if foot.pedal.position >= of_keys.pedal.position => foot,
            _ => of_keys,
        };
        check.foot = Some(foot);
        match foot.pedal.position {
            0 => check.has_let_go |= check.reached[2],
            position => check.reached[usize::from(position.min(3)) - 1] = true,
        }
    }

    /// The attempt has gone on.
    pub fn see(&mut self) {
        let is_attempt = self.page == Page::Operate;
        if is_attempt && self.is_running() && self.operation.as_ref().is_some_and(|operation| operation.is_over()) {
            self.finish();
        }
    }

    fn say(&mut self, text: String) {
        if let Some(operation) = &mut self.operation {
            operation.words = Some(Words { text, is_warning: false, at_s: operation.time_s() });
        }
    }

    /// A frame of so many seconds has passed.
    pub fn frame(&mut self, frame_s: f64) {
        for done in self.clerk.collect() {
            self.take(done);
        }
        if let Some(operation) = &self.operation {
            if !operation.is_performing() {
                self.doing = None;
            }
            let now_s = operation.time_s();
            let is_attempt = self.page == Page::Operate;
            if is_attempt && self.is_running() && !self.is_keeping && now_s - self.kept_at_s >= KEEP_EVERY_S {
                (self.kept_at_s, self.is_keeping) = (now_s, true);
                self.clerk.keep(operation.account(&self.devices), self.folder());
            }
        }
        self.run_replay(frame_s);
        self.run_day(frame_s);
    }

    fn run_day(&mut self, frame_s: f64) {
        let is_performing = self.operation.as_ref().is_some_and(|o| o.is_performing() && !o.is_over());
        let Some(daily) = self.daily.as_mut().filter(|_| self.page == Page::Daily) else { return };
        match daily.frame(frame_s, is_performing) {
            Passed::GoesOn => {}
            Passed::Stated(prediction) => daily.state(prediction, self.operation.as_deref_mut(), &self.clerk),
            Passed::Nothing => self.operation = None,
        }
    }

    /// Show the eye of the day.
    fn open_daily(&mut self) {
        self.days_opened += 1;
        let learner = number_of(&self.settings.trainee);
        let file = self.folder().join(daily::JOURNAL);
        self.put_away();
        self.operation = None;
        let today = self.today.unwrap_or_else(|| Date::of(SystemTime::now()));
        match Daily::open(file, today, learner, self.days_opened) {
            Ok(daily) => (self.daily, self.page, self.told) = (Some(Box::new(daily)), Page::Daily, None),
            Err(why) => self.told = Some(why),
        }
    }

    /// Look at the record that the settings name.
    fn open_review(&mut self) {
        let named = self.settings.record.trim();
        let mut review = Box::new(Review::of((!named.is_empty()).then_some(named), self.reviews_asked));
        review.read(&self.clerk);
        self.put_away();
        (self.review, self.page, self.told) = (Some(review), Page::Review, None);
    }

    /// Put the record away; what is still read for it finds nobody.
    fn leave_review(&mut self) {
        if let Some(review) = self.review.take() {
            self.reviews_asked = review.ticket();
        }
    }

    /// Leave the eye of the day; what was stated is entered all the same.
    fn leave_daily(&mut self) {
        if self.daily.take().is_some() {
            self.operation = None;
        }
    }

    fn state_daily(&mut self) {
        let Some(daily) = &mut self.daily else { return };
        if let daily::Stage::Look(look) = &daily.stage
            && let Some(prediction) = look.statement.prediction()
        {
            daily.state(prediction, self.operation.as_deref_mut(), &self.clerk);
        }
    }

    fn run_replay(&mut self, frame_s: f64) {
        let film = self.judged.as_ref().and_then(|judged| judged.film.as_ref());
        if self.page == Page::WhatIf && self.over.is_none() {
            self.whatifs.frame(film, frame_s);
        }
        let Some(film) = film.filter(|_| self.page == Page::Debrief) else { return };
        if let Some(state) = film.latest() {
            self.replay.state = Some(state);
        }
        if self.replay.is_playing && self.over.is_none() && film.prepared_share() >= 1.0 {
            self.replay.t_s += frame_s * self.replay.speed;
            if self.replay.t_s >= film.length_s() {
                (self.replay.t_s, self.replay.is_playing) = (film.length_s(), false);
            }
            film.seek(self.replay.t_s);
        }
    }

    fn seek(&mut self, t_s: f64) {
        if let Some(film) = self.judged.as_ref().and_then(|judged| judged.film.as_ref()) {
            self.replay.t_s = t_s.clamp(0.0, film.length_s());
            film.seek(self.replay.t_s);
        }
    }

    fn take(&mut self, done: Done) {
        match done {
            Done::Held(Some((held, count))) => {
                self.held = Some(held);
                if count > 0 {
                    self.told = Some(match count {
                        1 => "An attempt that was cut off is kept among the saved attempts.".to_owned(),
                        count => format!("{count} attempts that were cut off are kept among the saved attempts."),
                    });
                    self.clerk.list(self.folder());
                }
            }
            Done::Held(None) => {}
            Done::Listed(saved) => self.saved = saved,
            Done::Ready(Ok(operation)) => {
                self.is_waiting = false;
                self.start(operation);
            }
            Done::Ready(Err(reasons)) => {
                self.is_waiting = false;
                let remedy = "Choose other values, or another case.".to_owned();
                self.over = Some(Over::Trouble { title: "The attempt cannot begin".to_owned(), reasons, remedy });
            }
            Done::Kept(kept) => {
                self.is_keeping = false;
                if let Err(why) = kept
                    && !std::mem::replace(&mut self.has_trouble_keeping, true)
                {
                    self.say(format!("The attempt cannot be kept against a crash: {why}"));
                }
            }
            Done::Judged(Ok(judged)) => {
                self.is_waiting = false;
                self.show_debrief(judged);
                self.clerk.list(self.folder());
            }
            Done::Judged(Err(why)) => {
                self.is_waiting = false;
                self.told = Some(why);
            }
            Done::Read(Ok((name, case))) => {
                self.over = None;
                self.cases.retain(|shelved| shelved.name != name);
                self.cases.push(Shelved { name, case });
                self.choose(self.cases.len() - 1);
            }
            Done::Read(Err(reasons)) => {
                let remedy = "Mend the file, or open another; `corecleft check` tells the same.".to_owned();
                self.over = Some(Over::Trouble { title: "The case file cannot be used".to_owned(), reasons, remedy });
            }
            Done::Written(Ok(path)) => self.told = Some(format!("Written to {}.", path.display())),
            Done::Written(Err(why)) | Done::Forgotten(why) => self.told = Some(why),
            Done::Daily { ticket, found } => {
                if let Some(operation) = self.daily.as_mut().and_then(|daily| daily.take(ticket, found)) {
                    self.operation = Some(operation);
                }
            }
            Done::WhatIf { ticket, found } => self.whatifs.take(ticket, found, &self.clerk),
            Done::Review { ticket, answer } => {
                if let Some(told) = self.review.as_mut().and_then(|review| review.take(ticket, answer)) {
                    self.told = Some(told);
                }
            }
        }
    }

    fn choose(&mut self, case: usize) {
        let Some(shelved) = self.cases.get(case) else { return };
        self.settings.last_case = shelved.name.clone();
        (self.case, self.seed, self.setup) = (case, 1, Setup::default());
        (self.is_exam, self.told) = (self.settings.exam, None);
        self.whatifs.leave();
        self.leave_daily();
        self.leave_review();
        self.page = Page::Sheet;
        self.remember();
    }

    fn begin(&mut self) {
        let aid = self.section_aid();
        let Some(shelved) = self.chosen_case().cloned() else { return };
        let mut setup = Setup { is_exam: self.is_exam, section: None, ..self.setup };
        let mut teaching = shelved.case.spec.teaching();
        teaching.exam |= self.is_exam;
        setup.section = (aid != teaching.section_after(0)).then_some(aid);
        let chosen = Chosen {
            scenario: shelved.name,
            case: shelved.case,
            setup,
            seed: self.seed,
            way: self.way,
            power_limit: POWER_LIMIT,
            calibration: self.calibration.clone(),
        };
        self.is_waiting = true;
        self.clerk.begin(chosen);
    }

    /// Show a debrief, at the end of its replay.
    pub fn show_debrief(&mut self, judged: Box<Judged>) {
        self.operation = None;
        self.replay = Replay {
            t_s: judged.course.state.time_s(&judged.model),
            is_playing: false,
            speed: 1.0,
            state: Some(Arc::new(judged.course.state.clone())),
        };
        self.whatifs = WhatIfs::of(&judged, &self.clerk, self.whatifs.tickets());
        self.judged = Some(judged);
        (self.page, self.over, self.chosen) = (Page::Debrief, None, None);
    }

    /// Operate.
    pub fn start(&mut self, operation: Box<Operation>) {
        let machine = operation.spec.machine();
        self.choices = Choices {
            vacuum_mmhg: machine.vacuum_mmhg,
            bottle_cm: machine.bottle_cm,
            power_percent: 100.0 * POWER_LIMIT,
            ..Choices::default()
        };
        self.operation = Some(operation);
        (self.page, self.over, self.doing) = (Page::Operate, None, None);
        (self.kept_at_s, self.is_keeping, self.has_trouble_keeping) = (0.0, false, false);
        self.put_away();
    }

    /// Put the debrief away; what is under way for it stops.
    fn put_away(&mut self) {
        let tickets = self.whatifs.tickets();
        (self.judged, self.chosen) = (None, None);
        self.whatifs = WhatIfs::after(tickets);
    }

    fn finish(&mut self) {
        let Some(operation) = &self.operation else { return };
        if self.is_waiting {
            return;
        }
        let account = operation.account(&self.devices);
        let keyframes = operation.keyframes.clone();
        self.is_waiting = true;
        self.over = None;
        self.clerk.finish(account, keyframes, self.folder());
    }

    fn abandon(&mut self) {
        self.operation = None;
        library::forget_unfinished(&self.folder());
    }

    /// Save the settings.
    fn remember(&mut self) {
        self.settings.pedal = self.calibration.clone();
        if let Some(file) = &self.settings_file {
            self.clerk.remember(file.clone(), self.settings.clone());
        }
    }

    /// Do what a page asks for.
    pub fn command(&mut self, command: Command) {
        match command {
            Command::UnderstoodNotice => {
                self.settings.notice_seen = true;
                self.remember();
                self.page = Page::Cases;
            }
            Command::ChooseCase(case) => self.choose(case),
            Command::OpenFile => self.over = Some(Over::Open),
            Command::OpenPath(path) => self.clerk.read(path),
            Command::DebriefSaved(at) => {
                if let Some(saved) = self.saved.get(at) {
                    if let Some(case) = self.cases.iter().position(|c| c.name == saved.case.0) {
                        self.case = case;
                    }
                    (self.is_waiting, self.told) = (true, None);
                    self.clerk.debrief(saved.path.clone());
                }
            }
            Command::OpenDaily => self.open_daily(),
            Command::BeginDaily => {
                if let Some(daily) = &mut self.daily {
                    daily.begin(&self.clerk);
                }
            }
            Command::ChooseStatement(statement) => {
                if let Some(daily::Stage::Look(look)) = self.daily.as_mut().map(|daily| &mut daily.stage) {
                    look.statement = statement;
                }
            }
            Command::StateDaily => self.state_daily(),
            Command::PickChop(which) => {
                if let Some(daily::Stage::Tried { picked, .. }) = self.daily.as_mut().map(|daily| &mut daily.stage) {
                    *picked = which;
                }
            }
            Command::OpenReview => self.open_review(),
            Command::Review(ask) => {
                let folder = self.folder();
                self.is_waiting |= matches!(ask, Ask::Replay(_));
                self.told = None;
                if let Some(review) = &mut self.review {
                    review.ask(ask, &self.clerk, folder);
                }
            }
            Command::OpenSettings => self.over = Some(Over::Settings),
            Command::OpenHelp => self.over = Some(Over::Help),
            Command::Back => self.back(),
            Command::Quit => self.is_quitting = true,
            Command::SetSeed(seed) => self.seed = seed,
            Command::SetExam(is_exam) => self.is_exam = is_exam,
            Command::SetWay(way) => self.way = way,
            Command::SetUp => self.page = Page::Machine,
            Command::SetRhexis(rhexis_mm) => self.setup.rhexis_mm = Some(rhexis_mm),
            Command::SetBottle(bottle_cm) => self.setup.bottle_cm = Some(bottle_cm),
            Command::SetVacuum(vacuum_mmhg) => self.setup.vacuum_mmhg = Some(vacuum_mmhg),
            Command::SetFlow(flow_ml_min) => self.setup.flow_ml_min = Some(flow_ml_min),
            Command::RestoreCaseValues => self.setup = Setup::default(),
            Command::CheckFoot => {
                self.foot = FootCheck::default();
                self.page = Page::Foot;
            }
            Command::CalibrateRest => self.foot.rest = self.raw_pedal,
            Command::CalibrateFull => {
                if let (Some(rest), Some(full)) = (self.foot.rest.or(Some(0.0)), self.raw_pedal)
                    && let Some(down) = self.calibration.down.learn(rest, full)
                {
                    self.calibration.down = down;
                    self.remember();
                }
            }
            Command::ForgetCalibration => {
                self.calibration = PedalCalibration::default();
                self.remember();
            }
            Command::Begin => self.begin(),
            Command::Perform(step) => self.perform(step),
            Command::Choose(choices) => self.choices = choices,
            Command::StopHands => {
                if let Some(operation) = &mut self.operation {
                    operation.stop_hands();
                    if operation.hands().foot.pedal.position == 3 {
                        operation.set_foot(Foot::full(2));
                    }
                }
            }
            Command::Pause => {
                if self.page == Page::Operate && !self.is_waiting {
                    self.over = Some(Over::Pause);
                }
            }
            Command::Resume => self.over = None,
            Command::Restart | Command::Again => {
                self.abandon();
                self.over = None;
                self.put_away();
                self.begin();
            }
            Command::Finish => self.finish(),
            Command::Abandon => {
                self.abandon();
                (self.over, self.page) = (None, Page::Cases);
            }
            Command::Replay { t_s } => {
                self.seek(t_s - BEFORE_EVENT_S);
                self.replay.is_playing = true;
            }
            Command::ChooseMoment(at) => self.chosen = Some(at),
            Command::AskWhatIf(event) => {
                self.ask_what_if(event, REPEATS[0]);
            }
            Command::AskAgain(repeats) => {
                if let Some(event) = self.whatifs.asked.as_ref().map(|asked| asked.event) {
                    self.ask_what_if(event, repeats);
                }
            }
            Command::LayBeside(which) => self.whatifs.lay_beside(which, &self.clerk),
            Command::PlayReplay
            | Command::HoldReplay
            | Command::ScrubReplay { .. }
            | Command::SpeedReplay(_)
            | Command::StepReplay(_)
                if self.page == Page::WhatIf =>
            {
                if let Some(beside) = self.whatifs.beside_mut() {
                    match command {
                        Command::PlayReplay => beside.play(),
                        Command::ScrubReplay { t_s } => beside.seek(t_s),
                        Command::SpeedReplay(speed) => beside.going.speed = speed,
                        Command::StepReplay(pictures) => beside.step(pictures),
                        _ => beside.going.is_playing = false,
                    }
                }
            }
            Command::PlayReplay => {
                let length_s = self.judged.as_ref().and_then(|j| j.film.as_ref()).map_or(0.0, |film| film.length_s());
                if self.replay.t_s >= length_s {
                    self.seek(0.0);
                }
                self.replay.is_playing = true;
            }
            Command::HoldReplay => self.replay.is_playing = false,
            Command::ScrubReplay { t_s } => self.seek(t_s),
            Command::SpeedReplay(speed) => self.replay.speed = speed,
            Command::StepReplay(steps) => {
                self.replay.is_playing = false;
                self.seek(self.replay.t_s + f64::from(steps) * PICTURE_S);
            }
            Command::AnotherCase => {
                self.put_away();
                self.leave_review();
                (self.operation, self.page) = (None, Page::Cases);
            }
            Command::SaveHtml => self.write_html(),
            Command::ChangeSettings(settings) => {
                let folder = self.folder();
                self.settings = *settings;
                self.remember();
                if self.folder() != folder {
                    self.clerk.hold(self.folder());
                    self.clerk.list(self.folder());
                }
            }
        }
    }

    /// Ask what would have been but for the decision behind an event, each of the best changes so often.
    pub fn ask_what_if(&mut self, event: EventIndex, repeats: u32) {
        self.replay.is_playing = false;
        self.whatifs.ask(event, repeats, &self.clerk);
        self.page = Page::WhatIf;
    }

    fn back(&mut self) {
        if let Some(over) = self.over.take() {
            // Help and settings that were opened in an attempt go back to its pause: nothing runs on unseen.
            if self.page == Page::Operate && matches!(over, Over::Help | Over::Settings) {
                self.over = Some(Over::Pause);
            }
            return;
        }
        self.page = match self.page {
            Page::Notice | Page::Cases | Page::Sheet => Page::Cases,
            Page::Machine => Page::Sheet,
            Page::Foot => Page::Machine,
            Page::Operate => {
                self.over = Some(Over::Pause);
                Page::Operate
            }
            Page::Debrief => {
                self.put_away();
                if self.review.is_some() { Page::Review } else { Page::Cases }
            }
            Page::Review => {
                if self.review.as_mut().is_some_and(|review| review.go_back()) {
                    Page::Review
                } else {
                    self.leave_review();
                    Page::Cases
                }
            }
            Page::Daily => {
                self.leave_daily();
                Page::Cases
            }
            Page::WhatIf => {
                self.whatifs.leave();
                // The film was elsewhere meanwhile.
                self.seek(self.replay.t_s);
                Page::Debrief
            }
        };
    }

    fn perform(&mut self, step: Manoeuvre) {
        let doing = in_words(&step);
        if let Some(operation) = &mut self.operation {
            operation.perform(step);
            self.doing = Some(doing);
        }
    }

    fn write_html(&mut self) {
        let Some(judged) = &self.judged else { return };
        let hash = judged.course.state.hash().to_hex();
        let name = format!("{}.{}.{}.html", judged.header.scenario, judged.header.seed, &hash.as_str()[..8]);
        let name: String =
            name.chars().map(|c| if c.is_alphanumeric() || "-_.".contains(c) { c } else { '_' }).collect();
        self.clerk.write(judged.document(), self.folder().join(name));
    }
}

/// A manoeuvre under way, in words.
fn in_words(step: &Manoeuvre) -> &'static str {
    use Manoeuvre as M;
    match step {
        M::Set { .. } => "Setting the machine",
        M::Pedal { .. } => "Moving the foot",
        M::Bury { .. } => "Burying the tip",
        M::Chop { .. } => "Bringing the chopper",
        M::Separate { .. } => "Parting the instruments",
        M::Withdraw { .. } => "Withdrawing",
        M::Turn { .. } => "Turning the nucleus",
        M::Wait { .. } => "Waiting",
        M::Reflux { .. } => "Reflux",
        M::Hydrodissect { .. } => "Hydrodissecting",
        M::Decompress { .. } => "Pressing the nucleus back",
        M::Clear { .. } => "Clearing the front of the core",
        M::Grip { .. } => "Gripping a piece",
        M::Bring { .. } => "Bringing the piece",
        M::Emulsify { .. } => "Emulsifying",
        M::LetGo => "Letting go",
        M::Guard { .. } => "Guarding the capsule",
        M::ChopperOut => "Taking the chopper out",
        M::LiftIris { .. } => "Lifting the iris",
        M::Inject { .. } => "Injecting",
        M::Predict { .. } => "Saying what is expected",
        M::StopAndCall => "Calling for help",
    }
}

#[cfg(test)]
pub(crate) mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::app::view::painter::Studio;
    use crate::app::view::scene::Shown;
    use crate::app::{pages, window};
    use crate::attempt::Attempt;
    use crate::debrief::Course;
    use crate::plan::{Bevel, ChopKind};
    use crate::sim::event::EventKind;
    use bevy::app::App;
    use bevy::prelude::MinimalPlugins;
    use bevy::time::TimeUpdateStrategy;
    use std::time::{Duration, Instant};

    /// Longest that an answer of the clerk is waited for.
    const PATIENCE: Duration = Duration::from_secs(120);

    /// A practice in an app without a window, whose frames last 1/60 s each; its attempts lie in a folder of their own.
    pub(crate) struct Desk {
        app: App,
        folder: tempfile::TempDir,
    }

    impl Desk {
        pub(crate) fn new() -> Self {
            let folder = tempfile::tempdir().unwrap();
            let settings = Settings {
                notice_seen: true,
                attempts_folder: folder.path().display().to_string(),
                ..Settings::default()
            };
            let mut app = App::new();
            app.add_plugins(MinimalPlugins)
                .insert_resource(TimeUpdateStrategy::ManualDuration(Duration::from_micros(16_667)))
                .insert_resource(Practice::unattended(settings))
                .insert_resource(Studio::open().unwrap())
                .init_resource::<Shown>()
                .init_resource::<Controls>();
            window::run_eye(&mut app);
            Self { app, folder }
        }

        pub(crate) fn practice(&mut self) -> &mut Practice {
            self.app.world_mut().resource_mut::<Practice>().into_inner()
        }

        pub(crate) fn ask(&mut self, command: Command) {
            self.practice().command(command);
        }

        /// Folder of its attempts.
        pub(crate) fn folder(&self) -> PathBuf {
            self.folder.path().to_path_buf()
        }

        /// So many frames.
        pub(crate) fn frames(&mut self, count: u32) {
            for _ in 0..count {
                self.app.update();
                self.practice().frame(1.0 / 60.0);
            }
        }

        pub(crate) fn until(&mut self, what: &str, is_so: impl Fn(&Practice) -> bool) {
            let begun = Instant::now();
            while !is_so(self.practice()) {
                assert!(begun.elapsed() < PATIENCE, "never: {what}");
                self.frames(1);
            }
        }

        /// Perform a manoeuvre to its end.
        fn perform(&mut self, step: Manoeuvre) {
            self.ask(Command::Perform(step));
            self.until("the manoeuvre ends", |s| s.doing.is_none());
        }

        /// Begin the shipped case of a name.
        fn begin(&mut self, name: &str) {
            let at = self.practice().cases.iter().position(|c| c.name == name).unwrap();
            self.ask(Command::ChooseCase(at));
            assert_eq!(self.practice().page, Page::Sheet);
            self.ask(Command::SetUp);
            self.ask(Command::CheckFoot);
            self.ask(Command::Begin);
            self.until("the attempt begins", |s| s.page == Page::Operate);
        }
    }

    fn bury() -> Manoeuvre {
        Choices::default().bury()
    }

    #[test]
    fn a_case_is_operated_judged_saved_and_seen_again() {
        let mut desk = Desk::new();
        desk.begin("long-eye-dense-core");
        assert!(!desk.practice().may_see_section(), "the microscope first");
        desk.perform(bury());
        desk.perform(Manoeuvre::Pedal { position: 2, share: 1.0, power: None });
        desk.perform(Manoeuvre::Wait { seconds: 0.5 });
        desk.perform(Choices::default().chop(ChopKind::Vertical));
        desk.perform(Manoeuvre::Separate { width_mm: 1.7, speed_mm_s: 2.0 });
        assert!(desk.practice().may_see_section(), "the section after one has committed oneself");
        desk.ask(Command::Finish);
        desk.until("it is judged", |s| s.page == Page::Debrief);
        let practice = desk.practice();
        let judged = practice.judged.as_ref().unwrap();
        let path = judged.saved.clone().unwrap().unwrap();
        assert!(judged.debrief.judged.is_some(), "a chop was judged");
        // The file holds what happened: done again, it ends in the same state and the same scores.
        let attempt = Attempt::read(&path).unwrap();
        let (case, model) = attempt.model().unwrap();
        let again = Course::again(&model, &attempt);
        assert_eq!(again.state.hash().as_bytes(), &attempt.state_hash);
        let debrief = crate::debrief::Debrief::of(&again.facts(&case.spec, &model));
        assert_eq!(crate::debrief::course::scores(&debrief), attempt.scores);
        // An event is seen again from just before it.
        let at_s = again.state.events.iter().find(|e| matches!(e.kind, EventKind::ChopStarted(..))).unwrap().tick
            as f64
            * model.tick_s;
        desk.ask(Command::Replay { t_s: at_s });
        desk.until("the replay comes to the moment", |s| {
            let shown_s = s.replay.state.as_ref().map_or(f64::NAN, |state| state.tick as f64 / 240.0);
            shown_s >= at_s - BEFORE_EVENT_S && shown_s < at_s + 1.0
        });
        assert!(desk.practice().replay.is_playing);
        desk.ask(Command::AnotherCase);
        assert_eq!(desk.practice().page, Page::Cases);
    }

    #[test]
    fn the_attempt_under_way_is_kept_and_found_after_a_crash() {
        let mut desk = Desk::new();
        desk.begin("medium-uniform");
        desk.frames(60 * 11);
        let folder = desk.folder.path().to_path_buf();
        desk.until("it is kept", |_| folder.read_dir().unwrap().count() > 0);
        let kept: Vec<_> = folder.read_dir().unwrap().flatten().map(|e| e.path()).collect();
        let attempt = Attempt::read(&kept[0]).unwrap();
        let kept_s = attempt.record.ticks() as f64 / 240.0;
        assert!((10.0..11.5).contains(&kept_s), "{kept_s} s are kept");
        // Leaving without a debrief is no crash: nothing stays.
        desk.ask(Command::Abandon);
        assert_eq!(folder.read_dir().unwrap().count(), 0);
    }

    #[test]
    fn settings_are_saved_in_their_order_and_what_goes_wrong_is_told() {
        let mut desk = Desk::new();
        let file = desk.folder.path().join("config").join("settings.ron");
        desk.practice().settings_file = Some(file.clone());
        for text_scale in [1.1, 1.2, 1.3] {
            let changed = Settings { text_scale, ..desk.practice().settings.clone() };
            desk.ask(Command::ChangeSettings(Box::new(changed)));
        }
        desk.until("they are saved", |_| crate::app::settings::load(&file).0.text_scale == 1.3);
        desk.practice().settings_file = Some(file.join("never.ron"));
        desk.ask(Command::ChooseCase(0));
        desk.until("it is told", |s| s.told.as_ref().is_some_and(|told| told.contains("never.ron")));
    }

    #[test]
    fn a_pause_holds_the_eye_still() {
        let mut desk = Desk::new();
        desk.begin("medium-uniform");
        desk.frames(10);
        desk.ask(Command::Pause);
        let at_s = desk.practice().operation.as_ref().unwrap().time_s();
        assert!(at_s > 0.1);
        desk.frames(30);
        assert_eq!(desk.practice().operation.as_ref().unwrap().time_s(), at_s);
        desk.ask(Command::OpenHelp);
        desk.ask(Command::Back);
        assert_eq!(desk.practice().over, Some(Over::Pause), "help in an attempt goes back to its pause");
        desk.ask(Command::Resume);
        desk.frames(10);
        assert!(desk.practice().operation.as_ref().unwrap().time_s() > at_s);
        desk.ask(Command::Restart);
        desk.until("it begins anew", |s| s.operation.as_ref().is_some_and(|o| o.time_s() < 0.1));
    }

    #[test]
    fn in_an_exam_nothing_is_said_and_no_section_is_seen() {
        let mut desk = Desk::new();
        let at = desk.practice().cases.iter().position(|c| c.name == "long-eye-dense-core").unwrap();
        desk.ask(Command::ChooseCase(at));
        desk.ask(Command::SetExam(true));
        desk.ask(Command::Begin);
        desk.until("it begins", |s| s.page == Page::Operate);
        desk.perform(Manoeuvre::Bury {
            depth_mm: 2.6,
            angle_deg: 60.0,
            place_mm: (0.0, 0.0),
            bevel: Bevel::Up,
            speed_mm_s: 2.0,
            ultrasound: 1.0,
        });
        assert!(desk.practice().operation.as_ref().unwrap().course.state.events.len() > 2);
        assert_eq!(desk.practice().operation.as_ref().unwrap().words, None);
        assert!(!desk.practice().may_see_section());
    }

    #[test]
    fn what_is_set_beyond_the_case_s_limits_is_told_and_nothing_begins() {
        let mut desk = Desk::new();
        desk.ask(Command::ChooseCase(0));
        desk.ask(Command::SetBottle(149.0));
        desk.ask(Command::Begin);
        desk.until("it is told", |s| s.over.is_some());
        let Some(Over::Trouble { reasons, .. }) = desk.practice().over.clone() else { panic!("no trouble") };
        assert!(reasons[0].contains("149") && reasons[0].contains("allowed"), "{reasons:?}");
        desk.ask(Command::Back);
        assert_eq!((desk.practice().page, &desk.practice().over), (Page::Sheet, &None));
    }

    #[test]
    fn a_case_of_one_s_own_is_opened_and_a_faulty_one_told_line_by_line() {
        let mut desk = Desk::new();
        let text = include_str!("../../scenarios/soft-nucleus.ron");
        let (good, bad) = (desk.folder.path().join("mine.ron"), desk.folder.path().join("bad.ron"));
        std::fs::write(&good, text).unwrap();
        std::fs::write(&bad, "(format: 1, title: 3)").unwrap();
        desk.ask(Command::OpenFile);
        desk.ask(Command::OpenPath(bad));
        desk.until("the faults are told", |s| matches!(s.over, Some(Over::Trouble { .. })));
        desk.ask(Command::OpenPath(good));
        desk.until("its sheet is shown", |s| s.page == Page::Sheet);
        assert_eq!(desk.practice().chosen_case().unwrap().name, "mine");
    }

    #[test]
    fn the_pedal_is_checked_by_what_it_reaches() {
        let mut desk = Desk::new();
        desk.ask(Command::ChooseCase(0));
        desk.ask(Command::CheckFoot);
        for position in [1, 2, 3, 0] {
            desk.app.world_mut().resource_mut::<Controls>().pedal_to = Some(position);
            desk.frames(60);
            assert_eq!(desk.practice().foot.foot.unwrap().pedal.position, position);
        }
        assert_eq!((desk.practice().foot.reached, desk.practice().foot.has_let_go), ([true; 3], true));
    }

    #[test]
    fn every_page_is_drawn_in_small_and_large_windows() {
        use crate::app::panels::trial;
        let mut desk = Desk::new();
        desk.begin("long-eye-dense-core");
        desk.frames(30);
        let bindings = crate::app::hands::Bindings::default();
        let around = pages::Around {
            bindings: &bindings,
            remap: "",
            has_pedal: false,
            section: None,
            section_beside: None,
            note: None,
        };
        for size in [[1280.0, 720.0], [1920.0, 1080.0], [3840.0, 2160.0]] {
            // The list of cases scrolls below its foot, and has a test of its own.
            for page in [Page::Notice, Page::Sheet, Page::Machine, Page::Foot, Page::Operate] {
                desk.practice().page = page;
                let practice = &*desk.practice();
                let harness = trial::page(size, 1.0, |ui| pages::show(ui, practice, &around));
                trial::assert_in_place(&harness, size);
            }
        }
    }
}

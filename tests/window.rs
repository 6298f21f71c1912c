//! The window as a person meets it, on a display of its own: a scripted user with mouse and keys takes the very long eye from
//! the notice of the first start to a replay in the debrief, and tries the eye of the day.
//!
//! Needs Debian's packages xvfb, xdotool, x11-apps, libxkbcommon-x11-0, libvulkan1 and mesa-vulkan-drivers. Where a button
//! lies is asked of the same pages, drawn without a display; what the script waits for it sees on the screen.
#![cfg(feature = "app")]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on fails")]

use bevy_egui::egui;
use corecleft::app::clerk::Judged;
use corecleft::app::daily::Stage;
use corecleft::app::hands::Bindings;
use corecleft::app::operation::{Chosen, Operation, POWER_LIMIT};
use corecleft::app::pages::{self, Around};
use corecleft::app::panels::review::Ask;
use corecleft::app::panels::stepwise::PAD_MM;
use corecleft::app::panels::{Command as Wish, Way, style};
use corecleft::app::practice::{Page, Practice};
use corecleft::app::settings::Settings;
use corecleft::app::whatif::Making;
use corecleft::attempt::{Attempt, Device, Expected, Setup};
use corecleft::daily::Journal;
use corecleft::daily::day::Statement;
use corecleft::debrief::{Course, Debrief};
use corecleft::logbook::Pseudonym;
use corecleft::sim::event::EventKind;
use corecleft::sim::{Model, State};
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// The window, tall enough that nothing on the pages has to be scrolled to.
const SIZE: (u32, u32) = (1280, 2000);

/// Longest that anything is waited for; software draws slowly on two cores.
const PATIENCE: Duration = Duration::from_secs(180);

/// Longest time until a manoeuvre that was clicked is seen to begin, where little draws few frames a second; and until the
/// foot has moved, which takes one tick and is hardly seen.
const BEGUN_SEEN: Duration = Duration::from_secs(12);
const FOOT_SEEN: Duration = Duration::from_millis(1500);

/// Longest that an answer to a what-if is waited for: it is asked twice at once, here and in the program.
const ANSWER: Duration = Duration::from_secs(420);

const TITLE: &str = "Very long eye, small dense core in a soft shell";

/// A display with nothing else on it, and the program on that.
struct Theatre {
    folder: tempfile::TempDir,
    display: String,
    server: Child,
    program: Option<Child>,
}

impl Theatre {
    fn open() -> Self {
        let folder = tempfile::tempdir().unwrap();
        // The server chooses a free display and writes its number.
        let mut server = Command::new("Xvfb")
            .args(["-displayfd", "1", "-nolisten", "tcp", "-screen", "0", &format!("{}x{}x24", SIZE.0, SIZE.1)])
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .expect("Xvfb does not start; Debian's package xvfb is needed");
        let mut number = String::new();
        std::io::BufRead::read_line(&mut std::io::BufReader::new(server.stdout.take().unwrap()), &mut number).unwrap();
        let display = format!(":{}", number.trim());
        Self { folder, display, server, program: None }
    }

    fn attempts(&self) -> PathBuf {
        self.folder.path().join("data").join("corecleft").join("attempts")
    }

    /// Start the program, and give its window the whole screen.
    fn start(&mut self) {
        let home = self.folder.path();
        let program = Command::new(env!("CARGO_BIN_EXE_corecleft"))
            .env("DISPLAY", &self.display)
            .env_remove("WAYLAND_DISPLAY")
            .env("HOME", home)
            .env("XDG_CONFIG_HOME", home.join("config"))
            .env("XDG_DATA_HOME", home.join("data"))
            .env("XDG_RUNTIME_DIR", home)
            .spawn()
            .unwrap();
        self.program = Some(program);
        let window = self.xdotool(&["search", "--sync", "--onlyvisible", "--name", "^Corecleft$"]);
        let window = window.lines().next().unwrap().to_owned();
        let (width, height) = (SIZE.0.to_string(), SIZE.1.to_string());
        self.xdotool(&["windowmove", &window, "0", "0", "windowsize", &window, &width, &height]);
        // Nobody else gives it the keyboard here.
        self.xdotool(&["windowfocus", &window]);
    }

    fn xdotool(&self, arguments: &[&str]) -> String {
        let output = Command::new("xdotool").args(arguments).env("DISPLAY", &self.display).output();
        let output = output.expect("xdotool does not start; Debian's package xdotool is needed");
        assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    fn click(&self, at: egui::Pos2) {
        let (x, y) = (at.x.round().to_string(), at.y.round().to_string());
        self.xdotool(&["mousemove", &x, &y]);
        // The pointer is seen to lie there before it is pressed.
        std::thread::sleep(Duration::from_millis(400));
        self.xdotool(&["mousedown", "1"]);
        std::thread::sleep(Duration::from_millis(250));
        self.xdotool(&["mouseup", "1"]);
    }

    fn press(&self, key: &str) {
        self.xdotool(&["keydown", key]);
        std::thread::sleep(Duration::from_millis(250));
        self.xdotool(&["keyup", key]);
    }

    /// What is on the screen in a rectangle: four bytes a pixel.
    fn screen(&self, rect: egui::Rect) -> Vec<u8> {
        let output = Command::new("xwd").args(["-root", "-silent", "-display", &self.display]).output();
        let output = output.expect("xwd does not start; Debian's package x11-apps is needed");
        let dump = output.stdout;
        // The X window dump: its header is of 32-bit big-endian words, the first its own size, the thirteenth the bytes of a
        // row, the twentieth the number of colours of twelve bytes each (X11/XWDFile.h).
        let word = |i: usize| u32::from_be_bytes(dump[4 * i..4 * i + 4].try_into().unwrap()) as usize;
        let (from, row) = (word(0) + 12 * word(19), word(12));
        let rows = rect.top() as usize..rect.bottom() as usize;
        rows.flat_map(|y| {
            let at = from + y * row;
            dump[at + 4 * rect.left() as usize..at + 4 * rect.right() as usize].to_vec()
        })
        .collect()
    }

    fn wait(&mut self, what: &str, mut is_so: impl FnMut(&Self) -> bool) {
        let begun = Instant::now();
        while !is_so(self) {
            if begun.elapsed() > PATIENCE {
                if let Some(keep) = std::env::var_os("CORECLEFT_KEEP_SCREEN") {
                    let dump =
                        Command::new("xwd").args(["-root", "-silent", "-display", &self.display]).output().unwrap();
                    std::fs::write(keep, dump.stdout).unwrap();
                }
                panic!("never came: {what}");
            }
            if let Some(status) = self.program.as_mut().and_then(|program| program.try_wait().unwrap()) {
                panic!("the program ended ({status}) before: {what}");
            }
            std::thread::sleep(Duration::from_millis(300));
        }
    }

    /// Look whether the screen comes to show something else in a rectangle; what is over too soon to be seen is missed.
    fn look_for(&self, longest: Duration, rect: egui::Rect, before: &[u8]) {
        let begun = Instant::now();
        while begun.elapsed() < longest && self.screen(rect) == before {
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Wait for the first page; the part of the screen in which a change of pages shows.
    fn first_page(&mut self) -> egui::Rect {
        let whole = egui::Rect::from_min_size(egui::Pos2::ZERO, egui::vec2(SIZE.0 as f32, 1000.0));
        let black = self.screen(whole);
        std::thread::sleep(Duration::from_secs(3));
        self.wait_for("the first page", whole, &black, false);
        std::thread::sleep(Duration::from_secs(3));
        whole
    }

    /// Wait until something stands in a rectangle in which nothing does.
    fn wait_for_something(&mut self, what: &str, rect: egui::Rect) {
        let is_blank = |screen: &[u8]| screen.chunks_exact(4).all(|px| px == &screen[..4]);
        self.wait(what, |theatre| !is_blank(&theatre.screen(rect)));
    }

    /// Wait until the screen shows in a rectangle what it showed before, or something else.
    fn wait_for(&mut self, what: &str, rect: egui::Rect, before: &[u8], is_same: bool) {
        self.wait(what, |theatre| (theatre.screen(rect) == before) == is_same);
    }
}

impl Drop for Theatre {
    fn drop(&mut self) {
        if let Some(program) = &mut self.program {
            let _ = program.kill();
            let _ = program.wait();
        }
        let _ = self.server.kill();
        let _ = self.server.wait();
    }
}

/// A page as it stands in the window, without a display.
fn page(practice: &Practice) -> Harness<'_> {
    let bindings = Bindings::default();
    let mut harness = Harness::builder().with_size([SIZE.0 as f32, SIZE.1 as f32]).build_ui(move |ui| {
        style::apply(ui.ctx(), 1.0);
        let around = Around {
            bindings: &bindings,
            remap: "",
            has_pedal: false,
            section: None,
            section_beside: None,
            note: None,
        };
        pages::show(ui, practice, &around);
    });
    harness.run();
    harness
}

/// Where words lie on the practice's page.
fn words(practice: &Practice, words: &str) -> egui::Rect {
    let page = page(practice);
    let first = page.query_all_by_label_contains(words).next();
    first.unwrap_or_else(|| panic!("{words} is not on the page")).rect()
}

/// Where a button lies on the practice's page.
fn button(practice: &Practice, label: &str) -> egui::Rect {
    page(practice).get_by_role_and_label(egui::accesskit::Role::Button, label).rect()
}

/// The practice as it stands at the beginning of a first start, on some page.
fn practice(page: Page) -> Practice {
    let mut practice = Practice::unattended(Settings { notice_seen: page != Page::Notice, ..Settings::default() });
    practice.case = practice.cases.iter().position(|c| c.case.spec.title == TITLE).unwrap();
    if page == Page::Operate {
        let shelved = practice.cases[practice.case].clone();
        let chosen = Chosen {
            scenario: shelved.name,
            case: shelved.case,
            setup: Setup::default(),
            seed: 1,
            way: Way::Stepwise,
            power_limit: POWER_LIMIT,
            calibration: Default::default(),
        };
        practice.start(Box::new(Operation::begin(chosen).unwrap()));
    }
    practice.page = page;
    practice
}

/// The longest way toward the lens's axis that the middle of a piece came while the port had it, mm.
fn way_to_the_middle_mm(model: &Model, attempt: &Attempt) -> f64 {
    let off_axis_mm = |state: &State, piece: u16| {
        let cells = model.cells.place_mm.iter().zip(&state.lens.fragment).filter(|(_, of)| **of == piece);
        let places: Vec<_> = cells.map(|(place_mm, _)| *place_mm).collect();
        let middle = places.iter().sum::<nalgebra::Vector3<f64>>() / places.len() as f64;
        state.lens.pose_of(piece).to_eye(&middle).xy().norm()
    };
    let (mut taken, mut longest_mm) = (None, 0.0_f64);
    attempt.replay(model, |_, state| {
        if state.gripped != taken.map(|(piece, _)| piece) {
            taken = state.gripped.map(|piece| (piece, off_axis_mm(state, piece)));
        }
        if let Some((piece, from_mm)) = taken.filter(|_| state.tick.is_multiple_of(24)) {
            longest_mm = longest_mm.max(from_mm - off_axis_mm(state, piece));
        }
    });
    longest_mm
}

#[test]
fn a_scripted_user_chops_the_very_long_eye_and_sees_it_again() {
    let mut theatre = Theatre::open();
    theatre.start();

    // From the notice to the foot pedal. What is clicked is on the screen when the page has changed.
    let whole = theatre.first_page();
    for (page, label) in [
        (Page::Notice, "I understand"),
        (Page::Cases, TITLE),
        (Page::Sheet, "Set up"),
        (Page::Machine, "Check the foot pedal"),
    ] {
        let before = theatre.screen(whole);
        theatre.click(button(&practice(page), label).center());
        theatre.wait_for(&format!("what follows {label}"), whole, &before, false);
        std::thread::sleep(Duration::from_secs(1));
    }
    let foot = practice(Page::Foot);
    let third = words(&foot, "Position 3, ultrasound");
    let not_yet = theatre.screen(third);
    for key in ["1", "2", "3", "0"] {
        theatre.press(key);
        std::thread::sleep(Duration::from_millis(1200));
    }
    assert!(theatre.screen(third) != not_yet, "the keys moved no pedal");
    let before = theatre.screen(whole);
    theatre.click(button(&foot, "Begin operating").center());
    theatre.wait_for("the attempt", whole, &before, false);
    std::thread::sleep(Duration::from_secs(4));

    // The attempt, manoeuvre by manoeuvre. While one is under way the hands' line says so.
    let operate = practice(Page::Operate);
    let still = words(&operate, "The hands hold still");
    let rest = theatre.screen(still);
    let chop = ["Bury", "○ 2", "Wait", "Chop, vertical", "Part", "● 1", "Withdraw from lens"];
    let perform = |theatre: &mut Theatre, labels: &[&str]| {
        for label in labels {
            theatre.click(button(&operate, label).center());
            let is_foot = label.starts_with(['○', '●']);
            theatre.look_for(if is_foot { FOOT_SEEN } else { BEGUN_SEEN }, still, &rest);
            theatre.wait_for(&format!("the end of {label}"), still, &rest, true);
        }
    };
    perform(&mut theatre, &chop);
    // Halves of this lens do not follow: they slip off on the way. So each is chopped once more, the tip buried beyond the
    // first crack.
    perform(&mut theatre, &["Turn"]);
    let pad = words(&operate, "Place of the tip");
    theatre.click(pad.center() - egui::vec2(1.5 * 0.5 * pad.height() / PAD_MM, 0.0));
    perform(&mut theatre, &chop);
    perform(&mut theatre, &["Turn", "Turn"]);
    perform(&mut theatre, &chop);
    // How the pieces lie depends on when what was clicked, so more than one is fetched.
    for _ in 0..3 {
        perform(&mut theatre, &["Grip", "Bring to centre", "● 1", "Turn"]);
    }
    theatre.click(button(&operate, "End the attempt").center());

    // It is saved, and its record leads to the same end.
    let attempts = theatre.attempts();
    let files = || -> Vec<PathBuf> {
        let entries = attempts.read_dir().map(|entries| entries.flatten().map(|e| e.path()).collect());
        let mut files: Vec<PathBuf> = entries.unwrap_or_default();
        files.retain(|path| path.extension().is_some_and(|e| e == "attempt"));
        files
    };
    theatre.wait("the saved attempt", |_| !files().is_empty());
    let file = files().remove(0);
    let verified = Command::new(env!("CARGO_BIN_EXE_corecleft")).arg("verify").arg(&file).output().unwrap();
    assert!(verified.status.success(), "{}", String::from_utf8_lossy(&verified.stdout));
    let attempt = Attempt::read(&file).unwrap();
    let Device::Person(device) = &attempt.header.device else { panic!("not by hand: {:?}", attempt.header.device) };
    assert!(device.contains("stepwise") && device.contains("mouse"), "{device}");
    let happened = |what: &str, is_it: fn(&EventKind) -> bool| {
        assert!(attempt.events.iter().any(|event| is_it(&event.kind)), "{what} is missing");
    };
    happened("the tip in the core", |kind| matches!(kind, EventKind::TipEnteredCore { .. }));
    happened("a chop", |kind| matches!(kind, EventKind::ChopStarted(..)));
    happened("a crack right through", |kind| matches!(kind, EventKind::BodySplit { .. }));
    happened("a piece in the port", |kind| matches!(kind, EventKind::Gripped { .. }));
    // The debrief: an event is clicked and seen again.
    let (case, model) = attempt.model().unwrap();
    let course = Course::again(&model, &attempt);
    let way_mm = way_to_the_middle_mm(&model, &attempt);
    assert!(way_mm > 0.3, "no piece came nearer to the middle than by {way_mm} mm");
    let debrief = Debrief::of(&course.facts(&case.spec, &model));
    let mut practice = practice(Page::Cases);
    let judged = Judged::new(Arc::new(case.spec), Arc::new(model), attempt.header.clone(), course, debrief);
    practice.show_debrief(Box::new(judged));
    std::thread::sleep(Duration::from_secs(4));
    let event = words(&practice, "The chopper entered the lens");
    let field = egui::Rect::from_min_max(egui::pos2(500.0, 120.0), egui::pos2(850.0, 450.0));
    let end = theatre.screen(field);
    theatre.click(event.center());
    theatre.wait_for("the replay", field, &end, false);
    let first = theatre.screen(field);
    theatre.wait_for("the replay to go on", field, &first, false);
    ask_what_if(&mut theatre, &mut practice);
}

/// The answer for a practice that was asked something, as the clerk gives it.
fn until(practice: &mut Practice, what: &str, is_so: impl Fn(&Practice) -> bool) {
    let begun = Instant::now();
    while !is_so(practice) {
        assert!(begun.elapsed() < ANSWER, "never came: {what}");
        practice.frame(0.0);
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// What the first chop came to is chosen, what if is asked, and one of the changes is laid beside what was done. The same is
/// asked here: the answer is the same, and so is where it lies.
fn ask_what_if(theatre: &mut Theatre, practice: &mut Practice) {
    let moments = practice.judged.as_ref().unwrap().rows.moments();
    let ended = "The instruments let go";
    let at = moments.iter().position(|m| m.words.contains(ended)).unwrap();
    let event = moments[at].event.unwrap();
    until(practice, "what can be asked about", |p| p.whatifs.can_ask(event).is_some());
    // The moment that was seen again has its own line beneath it, and so the others lie lower now.
    let seen = moments_place(practice, "The chopper entered the lens");
    practice.command(Wish::ChooseMoment(seen));
    let outcome = words(practice, ended);
    theatre.click(outcome.center());
    practice.command(Wish::ChooseMoment(at));
    std::thread::sleep(Duration::from_secs(4));
    // Where the answer comes stands nothing while it is asked.
    let answer = egui::Rect::from_min_max(egui::pos2(16.0, 76.0), egui::pos2(340.0, 140.0));
    let ask = button(practice, "What if …");
    let debrief = theatre.screen(answer);
    theatre.click(ask.center());
    theatre.wait_for("the page of the what-if", answer, &debrief, false);
    practice.command(Wish::AskWhatIf(event));
    until(practice, "the answer", |p| p.whatifs.answered().is_some());
    let is_blank = |screen: &[u8]| screen.chunks_exact(4).all(|px| px == &screen[..4]);
    let begun = Instant::now();
    while is_blank(&theatre.screen(answer)) {
        assert!(begun.elapsed() < ANSWER, "never came: the answer on the screen");
        std::thread::sleep(Duration::from_millis(300));
    }
    // The first change that makes a difference: where it lies, and where both runs and their transport come.
    let rows = &practice.whatifs.answered().unwrap().rows;
    let first = rows.groups.iter().flat_map(|group| &group.rows).chain(&rows.pairs).next().unwrap();
    let (which, name) = (first.which, format!("{}: ", first.name));
    let row = words(practice, &name);
    practice.command(Wish::LayBeside(which));
    until(practice, "both runs", |p| {
        let beside = p.whatifs.answered().and_then(|answered| answered.beside.as_ref());
        beside.is_some_and(|beside| matches!(beside.making, Making::Ready(_)))
    });
    let hold = button(practice, "Hold");
    let sections = egui::Rect::from_min_max(egui::pos2(560.0, 150.0), egui::pos2(1260.0, 400.0));
    let none = theatre.screen(hold);
    theatre.click(row.center());
    theatre.wait_for("both runs", hold, &none, false);
    for _ in 0..3 {
        let before = theatre.screen(sections);
        theatre.wait_for("both runs to go on", sections, &before, false);
    }
    let running = theatre.screen(hold);
    theatre.click(hold.center());
    theatre.wait_for("both runs to be held", hold, &running, false);
    // Back to the debrief by the keyboard.
    let two = theatre.screen(answer);
    theatre.press("Escape");
    theatre.wait_for("the debrief again", answer, &two, false);
}

/// One eye a day from the list of cases to the line of error; the file that is kept holds what was stated.
#[test]
fn a_scripted_user_tries_the_eye_of_the_day_and_sees_the_line_of_error() {
    let mut theatre = Theatre::open();
    theatre.start();
    let whole = theatre.first_page();
    // The same day is opened here, of which the journal is another: where its buttons lie is asked of it.
    let elsewhere = tempfile::tempdir().unwrap();
    let mut own = practice(Page::Cases);
    own.settings.attempts_folder = elsewhere.path().display().to_string();
    for (at, label) in [(practice(Page::Notice), "I understand"), (practice(Page::Cases), "One eye a day")] {
        let before = theatre.screen(whole);
        theatre.click(button(&at, label).center());
        theatre.wait_for(&format!("what follows {label}"), whole, &before, false);
        std::thread::sleep(Duration::from_secs(1));
    }
    own.command(Wish::OpenDaily);
    assert_eq!(own.page, Page::Daily);
    let before = theatre.screen(whole);
    theatre.click(button(&own, "Begin").center());
    theatre.wait_for("the eye", whole, &before, false);
    let is_looked_at = |p: &Practice| matches!(p.daily.as_ref().unwrap().stage, Stage::Look(_));
    own.command(Wish::BeginDaily);
    until(&mut own, "the eye of the day", is_looked_at);
    std::thread::sleep(Duration::from_secs(4));
    // Place and result, and they are stated.
    let pad = words(&own, "Place of the tip");
    theatre.click(pad.center() + egui::vec2(0.5 * 0.5 * pad.height() / PAD_MM, 0.0));
    std::thread::sleep(Duration::from_secs(2));
    let hinge = words(&own, "A hinge is left");
    theatre.click(egui::pos2(hinge.left() + 8.0, hinge.center().y));
    let Some(Stage::Look(look)) = own.daily.as_ref().map(|daily| &daily.stage) else { panic!("not looked at") };
    let stated = Statement { place_mm: (0.5, 0.0), expected: Some(Expected::Hinged), ..look.statement };
    own.command(Wish::ChooseStatement(stated));
    std::thread::sleep(Duration::from_secs(1));
    theatre.click(button(&own, "State it, and chop").center());
    // The journal is written when it was tried, and holds what was stated.
    let file = theatre.attempts().join(corecleft::app::daily::JOURNAL);
    theatre.wait("the journal", |_| file.exists());
    let journal = Journal::read(&file).unwrap().unwrap();
    let entry = &journal.entries()[0];
    assert_eq!(
        (journal.entries().len(), entry.expected, entry.depth_mm),
        (1, stated.expected.unwrap(), stated.depth_mm)
    );
    // The page that is drawn without a display has a margin of some points, which are half a millimetre on the pad.
    assert!((entry.place_mm.0 - 0.5).abs() < 0.5 && entry.place_mm.1.abs() < 0.5, "{:?}", entry.place_mm);
    // The same is stated here: its page is that on the screen, and so is where a neighbour lies.
    own.command(Wish::ChooseStatement(Statement { place_mm: entry.place_mm, ..stated }));
    own.command(Wish::StateDaily);
    own.operation.as_mut().unwrap().stop_hands();
    until(&mut own, "what came", |p| p.picked_chop().is_some());
    let line = words(&own, "Prediction error from ");
    let Some(Stage::Tried { tried, .. }) = own.daily.as_ref().map(|daily| &daily.stage) else { panic!("not tried") };
    assert_eq!(tried.trial.error.error, entry.error, "the same here and there");
    theatre.wait_for_something("the line of error", line);
    std::thread::sleep(Duration::from_secs(4));
    let section = egui::Rect::from_min_max(egui::pos2(900.0, 100.0), egui::pos2(1240.0, 400.0));
    let as_stated = theatre.screen(section);
    theatre.click(words(&own, "0.5 mm more peripheral: ").center());
    theatre.wait_for("a neighbour's section", section, &as_stated, false);
    // Back to the cases by the keyboard; the day is over.
    let before = theatre.screen(whole);
    theatre.press("Escape");
    theatre.wait_for("the cases again", whole, &before, false);
}

/// What a plan did is handed in by the commands, and looked at in the window by whoever reviews: the cohort, the trainee, and the
/// attempt seen again from its inputs.
#[test]
fn a_scripted_user_reviews_what_was_handed_in() {
    let mut theatre = Theatre::open();
    let data = theatre.folder.path().join("data");
    let saved = theatre.folder.path().join("saved").display().to_string();
    let who = Pseudonym::of_random([7; 8]).to_string();
    let case = concat!(env!("CARGO_MANIFEST_DIR"), "/scenarios/long-eye-dense-core");
    let (file, plan) = (format!("{case}.ron"), format!("{case}.good.plan.ron"));
    std::fs::create_dir_all(&saved).unwrap();
    for arguments in [
        &["play", &file, "--plan", &plan, "--save", &saved][..],
        &["logbook", "add", &saved, "--trainee", &who, "--assessment"][..],
    ] {
        let done = Command::new(env!("CARGO_BIN_EXE_corecleft"))
            .args(arguments)
            .env("XDG_DATA_HOME", &data)
            .env_remove("CORECLEFT_STORE")
            .output()
            .unwrap();
        assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    }
    theatre.start();
    let whole = theatre.first_page();
    // The same record is looked at here, so that it is known where what is clicked lies.
    let mut own = practice(Page::Cases);
    own.settings.record = data.join("corecleft").join("corecleft.logbook").display().to_string();
    for (at, label) in [(practice(Page::Notice), "I understand"), (practice(Page::Cases), "Review")] {
        let before = theatre.screen(whole);
        theatre.click(button(&at, label).center());
        theatre.wait_for(&format!("what follows {label}"), whole, &before, false);
        std::thread::sleep(Duration::from_secs(1));
    }
    let has = |p: &Practice, words: &str| page(p).query_all_by_label_contains(words).next().is_some();
    own.command(Wish::OpenReview);
    until(&mut own, "the record", |p| has(p, &who));
    let row = button(&own, &who);
    theatre.wait_for_something("the trainee's row", row);
    let cohort = theatre.screen(whole);
    theatre.click(row.center());
    own.command(Wish::Review(Ask::Trainee(who)));
    until(&mut own, "the trainee", |p| has(p, "See attempt 1 again"));
    theatre.wait_for("the trainee's page", whole, &cohort, false);
    // Nothing is under the pointer up there, now or later.
    theatre.xdotool(&["mousemove", "640", "20"]);
    std::thread::sleep(Duration::from_secs(4));
    // Where the trainee's chart and attempts are the microscope comes.
    let field = egui::Rect::from_min_max(egui::pos2(500.0, 120.0), egui::pos2(850.0, 450.0));
    let below = whole.with_min_y(120.0);
    let (trainee, before) = (theatre.screen(below), theatre.screen(field));
    theatre.click(button(&own, "See attempt 1 again").center());
    own.command(Wish::Review(Ask::Replay(1)));
    until(&mut own, "the attempt", |p| p.page == Page::Debrief);
    let back = button(&own, "Back to the record");
    theatre.wait_for("the debrief", field, &before, false);
    std::thread::sleep(Duration::from_secs(4));
    theatre.click(back.center());
    theatre.wait_for("the trainee again", below, &trainee, true);
}

/// The place in the story of words.
fn moments_place(practice: &Practice, words: &str) -> usize {
    practice.judged.as_ref().unwrap().rows.moments().iter().position(|m| m.words.contains(words)).unwrap()
}

#[test]
fn a_display_that_does_not_answer_is_told_in_one_line() {
    let output = Command::new(env!("CARGO_BIN_EXE_corecleft"))
        .env("DISPLAY", ":4711")
        .env_remove("WAYLAND_DISPLAY")
        .env("HOME", std::env::temp_dir())
        .env("XDG_CONFIG_HOME", std::env::temp_dir())
        .env("XDG_DATA_HOME", std::env::temp_dir())
        .env("XDG_RUNTIME_DIR", std::env::temp_dir())
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert_eq!(told.lines().count(), 1, "{told}");
    assert!(told.contains("display") && told.contains("allowed"), "{told}");
}

//! The pages of the record in the window, on a store of a small invented cohort: read, sorted, filtered, gone through to a trainee and to
//! the attempt itself, seen again from its inputs.
#![cfg(feature = "app")]
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "common/cohort.rs"]
mod cohort;

use bevy_egui::egui::accesskit::Role;
use cohort::{Invented, hand, hand_in, learner, made, person};
use corecleft::app::hands::Bindings;
use corecleft::app::pages::{self, Around};
use corecleft::app::panels::review::{Ask, AttemptColumn, Came, PersonColumn, Which};
use corecleft::app::panels::{Command, Shown, style};
use corecleft::app::practice::{Page, Practice};
use corecleft::app::settings::Settings;
use corecleft::attempt::{Attempt, Device, Header};
use corecleft::case::{Resolution, SHIPPED, compile, parse_case};
use corecleft::debrief::{Course, Debrief};
use corecleft::logbook::analysis::{Measure, Purposes};
use corecleft::logbook::entry::Purpose;
use corecleft::logbook::submission::{Kinds, Submission};
use corecleft::logbook::{Author, Pseudonym};
use corecleft::sim::Inputs;
use egui_kittest::Harness;
use egui_kittest::kittest::Queryable;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Longest that an answer is waited for.
const PATIENCE: Duration = Duration::from_secs(120);

/// Trainees of the cohort.
const PEOPLE: u64 = 6;

/// Attempts of each at eyes of their own.
const EACH: u64 = 12;

struct Desk {
    practice: Practice,
    folder: tempfile::TempDir,
}

impl Desk {
    /// A practice whose record is this file of a folder of its own.
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let settings = Settings {
            notice_seen: true,
            attempts_folder: folder.path().join("attempts").display().to_string(),
            record: folder.path().join("record.logbook").display().to_string(),
            ..Settings::default()
        };
        Self { practice: Practice::unattended(settings), folder }
    }

    fn store(&self) -> PathBuf {
        self.folder.path().join("record.logbook")
    }

    fn ask(&mut self, ask: Ask) {
        self.practice.command(Command::Review(ask));
    }

    /// Frames until something can be read on the page.
    fn until(&mut self, words: &str) {
        let begun = Instant::now();
        while !self.says(words) {
            assert!(begun.elapsed() < PATIENCE, "never: {words}");
            std::thread::sleep(Duration::from_millis(20));
            self.practice.frame(1.0 / 60.0);
        }
    }

    fn says(&self, words: &str) -> bool {
        self.page([1280.0, 720.0], |page| page.query_all_by_label_contains(words).next().is_some())
    }

    /// What is made of the page as it is now, drawn at a size.
    fn page<R>(&self, size: [f32; 2], look: impl FnOnce(&mut Harness<'_, Vec<Command>>) -> R) -> R {
        self.scaled(size, 1.0, look)
    }

    /// The same with letters of another size.
    fn scaled<R>(&self, size: [f32; 2], scale: f32, look: impl FnOnce(&mut Harness<'_, Vec<Command>>) -> R) -> R {
        let bindings = Bindings::default();
        let around = Around {
            bindings: &bindings,
            remap: "",
            has_pedal: false,
            section: None,
            section_beside: None,
            note: None,
        };
        let mut harness = Harness::builder().with_size(size).build_ui_state(
            |ui, commands: &mut Vec<Command>| {
                style::apply(ui.ctx(), scale);
                let Shown { commands: asked, .. } = pages::show(ui, &self.practice, &around);
                commands.extend(asked);
            },
            Vec::new(),
        );
        harness.run();
        look(&mut harness)
    }

    /// What a click on the button of this name asks for.
    fn asked(&self, label: &str) -> Vec<Command> {
        self.page([1280.0, 720.0], |page| {
            page.get_by_role_and_label(Role::Button, label).click_accesskit();
            page.run();
            page.state().clone()
        })
    }

    /// Pseudonyms in the order in which they stand.
    fn people(&self) -> Vec<String> {
        self.page([1280.0, 720.0], |page| {
            let mut found: Vec<(f32, String)> = (1..=PEOPLE)
                .filter_map(|number| {
                    let name = person(number).to_string();
                    let place = page.query_by_role_and_label(Role::Button, &name).map(|node| node.rect().top());
                    place.map(|top| (top, name))
                })
                .collect();
            found.sort_by(|a, b| a.0.total_cmp(&b.0));
            found.into_iter().map(|(_, name)| name).collect()
        })
    }
}

/// A cohort in which the first trainee passes never and the last most often; the third's second attempt breaches.
fn invent(store: &Path) {
    let mut book = made(store);
    for number in 1..=PEOPLE {
        let attempt = |at: u64| Invented {
            breach: number == 3 && at == 2,
            components: vec![("burial-depth", Some(f64::from(u8::from(at.is_multiple_of(number)))))],
            prediction_error: (number > 1).then_some(0.1 * number as f64),
            ..Invented::plain(100 * number + at, at.is_multiple_of(7 - number) && number > 1)
        };
        let all: Vec<Invented> = (1..=EACH).map(attempt).collect();
        hand_in(&mut book, "Room 1", &person(number), Purpose::Assessment, &all);
    }
    let practice: Vec<Invented> = (1..=3).map(|at| Invented::plain(900 + at, true)).collect();
    hand_in(&mut book, "Room 1", &person(1), Purpose::Practice, &practice);
}

/// An attempt that can be done again: hands that rest for half a second.
fn at_rest(seed: u64) -> Attempt {
    let (name, text) = SHIPPED[0];
    let case = parse_case(name, text).unwrap();
    let model = compile(&case.spec, seed, Resolution::default()).unwrap().model;
    let mut course = Course::new(&model);
    (0..120).for_each(|_| course.step(&model, &Inputs::at_rest(&model)));
    let debrief = Debrief::of(&course.facts(&case.spec, &model));
    course.attempt(Header::new(name, text, seed, Device::Person("mouse".into())), &debrief)
}

#[test]
fn a_cohort_is_sorted_filtered_and_gone_through_to_a_trainee() {
    let mut desk = Desk::new();
    invent(&desk.store());
    desk.practice.command(Command::OpenReview);
    assert_eq!(desk.practice.page, Page::Review);
    desk.until("What is missed most");
    assert!(desk.says("First attempts on unseen eyes, handed in for assessment: 72. Left out: 3 practice."));
    assert!(desk.says("No single score decides anything"));
    let name = |number: u64| person(number).to_string();
    // Who passes least often stands first, and a second click on a heading turns the order round.
    assert_eq!(desk.people()[0], name(1));
    assert_eq!(desk.people().len(), 6);
    assert_eq!(desk.asked("Passed ↑"), [Command::Review(Ask::SortPeople(PersonColumn::Passed))]);
    desk.ask(Ask::SortPeople(PersonColumn::Passed));
    assert_eq!(desk.people().last(), Some(&name(1)));
    desk.ask(Ask::SortPeople(PersonColumn::Error));
    assert_eq!(desk.people(), [2, 3, 4, 5, 6, 1].map(name), "who made no prediction comes last");
    desk.ask(Ask::Find(name(4)[2..6].to_owned()));
    assert_eq!(desk.people(), [name(4)]);
    desk.ask(Ask::Find(String::new()));
    // Practice counts when that is asked.
    desk.ask(Ask::Count(Purposes::Practice, false));
    desk.until("handed in as practice: 3. Left out: 72 assessment.");
    assert_eq!(desk.people(), [name(1)]);
    desk.ask(Ask::Count(Purposes::Assessment, false));
    desk.until("What is missed most");

    assert_eq!(desk.asked(&name(3)), [Command::Review(Ask::Trainee(name(3)))]);
    desk.ask(Ask::Trainee(name(3)));
    desk.until("12 of 12 attempts");
    assert!(desk.says(&format!("Trainee {}", name(3))));
    desk.ask(Ask::Came(Came::Breached));
    assert!(desk.says("1 of 12 attempts") && desk.says("capsule breach"));
    desk.ask(Ask::Came(Came::Passed));
    assert!(desk.says("3 of 12 attempts"));
    desk.ask(Ask::Follow(Measure::Breach));
    assert!(desk.says("Simulated breaches: 1 in 12 attempts"));
    desk.ask(Ask::Show(Which::Competence));
    assert!(desk.says("Of 100 trainees who are not yet adequate"), "error rates stand in words");
    // From a measure without failures there is only a curve.
    desk.ask(Ask::Follow(Measure::Score));
    assert!(desk.says("Score: ") && !desk.says("Of 100 trainees"));
    desk.practice.command(Command::Back);
    assert!(desk.says("What is missed most"));
    desk.practice.command(Command::Back);
    assert_eq!(desk.practice.page, Page::Cases);
    assert!(desk.practice.review.is_none());
}

#[test]
fn an_attempt_of_the_record_is_seen_again_and_leads_back() {
    let mut desk = Desk::new();
    let (who, kinds) = (person(1), Kinds::default());
    let mut book = made(&desk.store());
    let sent = |attempt: &Attempt| Submission::of_bytes(attempt.to_bytes(), 1_750_000_000_000, &kinds, false).unwrap();
    let author = Author { station: "Room 1", key: None };
    let mut forged = at_rest(2);
    forged.header.engine = "another engine".to_owned();
    let mut boasting = at_rest(3);
    (boasting.scores.score, boasting.scores.pass) = (99.0, true);
    let sent = [sent(&at_rest(1)), sent(&forged), sent(&boasting)];
    book.submit(&author, &who, Purpose::Assessment, &sent).unwrap();
    book.comment(&author, &person(2), 1, "Never left the rim.").unwrap();
    book.sign_off(&author, &person(2), 1).unwrap();
    drop(book);
    desk.practice.command(Command::OpenReview);
    desk.until(who.as_str());
    desk.ask(Ask::Trainee(who.to_string()));
    desk.until("See attempt 1 again");
    assert!(desk.says("“Never left the rim.”, signed off"));
    assert_eq!(desk.asked("See attempt 1 again"), [Command::Review(Ask::Replay(1))]);
    // What another engine did cannot be done again here, and it is said why.
    desk.ask(Ask::Replay(2));
    desk.until("another engine");
    assert_eq!(desk.practice.page, Page::Review);
    desk.ask(Ask::Replay(1));
    desk.until("Back to the record");
    assert_eq!(desk.practice.page, Page::Debrief);
    let judged = desk.practice.judged.as_ref().unwrap();
    assert_eq!(judged.remark, None);
    assert_eq!(judged.course.state.hash().as_bytes(), &at_rest(1).state_hash, "it is the attempt that was handed in");
    desk.practice.command(Command::Back);
    assert_eq!(desk.practice.page, Page::Review);
    assert!(desk.says("See attempt 1 again"), "and back at the trainee");
    // Scores that do not follow from the inputs are told where the attempt is seen again.
    desk.ask(Ask::Replay(3));
    desk.until("handed in as passed with 99 of 100, which does not follow from its inputs");
    desk.practice.command(Command::Back);
    // The report is written beside the attempts.
    desk.ask(Ask::Report);
    desk.until("Written to");
    let report = desk.folder.path().join("attempts").join(format!("report.{who}.html"));
    assert!(std::fs::read_to_string(report).unwrap().contains(who.as_str()));
}

#[test]
fn where_there_is_no_record_it_is_said_what_makes_one() {
    let mut desk = Desk::new();
    desk.practice.command(Command::OpenReview);
    desk.until("there is no logbook here yet");
    assert!(desk.says("corecleft logbook add") && desk.says("corecleft logbook demo"));
    assert!(!desk.store().exists(), "looking makes nothing");
    std::fs::write(desk.store(), "something else").unwrap();
    desk.practice.command(Command::OpenReview);
    desk.until("is not a logbook");
    assert_eq!(std::fs::read(desk.store()).unwrap(), b"something else");
}

#[test]
fn devices_are_looked_at_one_at_a_time() {
    let mut desk = Desk::new();
    let who: Pseudonym = person(1);
    hand_in(&mut made(&desk.store()), "Room 1", &who, Purpose::Assessment, &learner(1, 8, &hand("mouse")));
    hand_in(&mut made(&desk.store()), "Room 1", &person(2), Purpose::Assessment, &learner(2, 5, &hand("pedal")));
    desk.practice.command(Command::OpenReview);
    desk.until("What is missed most");
    assert_eq!(desk.people(), [who.to_string()], "those with most attempts first");
    desk.ask(Ask::Device(1));
    assert_eq!(desk.people(), [person(2).to_string()]);
}

#[test]
fn nothing_lies_on_anything_else_in_small_and_large_windows() {
    let mut desk = Desk::new();
    invent(&desk.store());
    desk.practice.command(Command::OpenReview);
    desk.until("What is missed most");
    let mut look = |is_of_trainee: bool| {
        if is_of_trainee {
            desk.ask(Ask::Trainee(person(2).to_string()));
            desk.until("12 of 12 attempts");
            desk.ask(Ask::SortAttempts(AttemptColumn::Case));
        }
        for (size, scale) in
            [([1280.0, 720.0], 1.0), ([1280.0, 720.0], 1.3), ([1920.0, 1080.0], 1.6), ([3840.0, 2160.0], 1.0)]
        {
            desk.scaled(size, scale, |page| {
                let mut places: Vec<(String, bevy_egui::egui::Rect)> = Vec::new();
                for role in [Role::Button, Role::RadioButton, Role::CheckBox, Role::ComboBox, Role::TextInput] {
                    for node in page.query_all_by_role(role) {
                        places.push((format!("{role:?} {:?}", node.rect()), node.rect()));
                    }
                }
                assert!(places.len() > 10, "{places:?}");
                for (at, (name, place)) in places.iter().enumerate() {
                    assert!(
                        place.left() >= 0.0 && place.right() <= size[0] && place.top() >= 0.0,
                        "{name} of {size:?}"
                    );
                    for (other, there) in &places[at + 1..] {
                        let shared = place.shrink(1.0).intersect(there.shrink(1.0));
                        let is_inside = place.contains_rect(*there) || there.contains_rect(*place);
                        assert!(is_inside || !shared.is_positive(), "{name} on {other} of {size:?}");
                    }
                }
            });
        }
    };
    look(false);
    look(true);
}

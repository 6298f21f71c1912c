//! Invented attempts for tests and benches of analysis: files as small as an attempt can be, with scores that were drawn and not done.
//! `logbook verify` would say so of each; here only what is counted matters.

use corecleft::attempt::{Attempt, ComponentScore, Device, Header, Record, Scores};
use corecleft::case::SHIPPED;
use corecleft::debrief::truth::Came;
use corecleft::logbook::analysis::measure::COMPONENTS;
use corecleft::logbook::entry::{Predicted, Purpose};
use corecleft::logbook::submission::Kinds;
use corecleft::logbook::{Author, Logbook, Opening, Outcome, Pseudonym, Submission};
use corecleft::sim::event::{BreachBy, Event, EventKind};
use std::path::Path;

/// What is known of an invented attempt.
#[derive(Clone, Debug)]
pub struct Invented {
    /// Name and text of its case.
    pub case: (&'static str, &'static str),
    /// Its eye.
    pub seed: u64,
    /// With what.
    pub device: Device,
    /// Which engine is said to have computed it; else this one.
    pub engine: Option<&'static str>,
    /// Day, from some day on.
    pub day: i64,
    /// Passed?
    pub pass: bool,
    /// 0 to 100.
    pub score: f64,
    /// Breached?
    pub breach: bool,
    /// Score by component.
    pub components: Vec<(&'static str, Option<f64>)>,
    /// How far a prediction was off.
    pub prediction_error: Option<f64>,
}

/// A shipped case by its place.
pub fn case(at: usize) -> (&'static str, &'static str) {
    SHIPPED[at % SHIPPED.len()]
}

/// A person's device of this name.
pub fn hand(name: &str) -> Device {
    Device::Person(name.to_owned())
}

impl Invented {
    /// One at the first shipped case that was passed or not, and nothing else.
    pub fn plain(seed: u64, pass: bool) -> Self {
        Self {
            case: case(0),
            seed,
            device: hand("mouse"),
            engine: None,
            day: seed as i64,
            pass,
            score: if pass { 90.0 } else { 40.0 },
            breach: false,
            components: Vec::new(),
            prediction_error: None,
        }
    }

    /// As it is handed in.
    pub fn submission(&self, kinds: &Kinds) -> Submission {
        let breach = EventKind::Breach { tool: None, by: BreachBy::Suction, radius_mm: 1.0 };
        let components = self.components.iter().map(|(id, score)| ComponentScore {
            id: (*id).to_owned(),
            value: *score,
            score: *score,
            asked: "invented".to_owned(),
        });
        let mut header = Header::new(self.case.0, self.case.1, self.seed, self.device.clone());
        if let Some(engine) = self.engine {
            header.engine = engine.to_owned();
        }
        let attempt = Attempt {
            header,
            record: Record::default(),
            predictions: Vec::new(),
            events: if self.breach { vec![Event { tick: 480, cause: None, kind: breach }] } else { Vec::new() },
            scores: Scores {
                pass: self.pass,
                score: self.score,
                critical: if self.breach { vec!["capsule breach".to_owned()] } else { Vec::new() },
                components: components.collect(),
            },
            state_hash: *blake3::hash(&self.seed.to_le_bytes()).as_bytes(),
        };
        let done_at_ms = 1_750_000_000_000 + self.day * 86_400_000;
        let mut submission = Submission::of_bytes(attempt.to_bytes(), done_at_ms, kinds, false).unwrap();
        submission.predictions = self.prediction_error.map(|error| {
            vec![Predicted {
                t_s: 1.0,
                expected: corecleft::attempt::Expected::Through,
                came: Some(Came::Through),
                is_right: Some(error < 0.5),
                depth_off_mm: None,
                error: Some(error),
            }]
        });
        submission
    }
}

/// A store in a file, made where there is none.
pub fn made(path: &Path) -> Logbook {
    Logbook::open(path.to_str().unwrap(), Opening { is_made: true, ..Opening::default() }).unwrap()
}

/// A pseudonym, the same for the same number.
pub fn person(number: u64) -> Pseudonym {
    Pseudonym::of_random(*blake3::hash(&number.to_le_bytes()).as_bytes().first_chunk().unwrap())
}

/// Hand attempts in at a station.
pub fn hand_in(book: &mut Logbook, station: &str, who: &Pseudonym, purpose: Purpose, all: &[Invented]) -> Vec<u64> {
    let kinds = Kinds::default();
    let sent: Vec<Submission> = all.iter().map(|invented| invented.submission(&kinds)).collect();
    let outcomes = book.submit(&Author { station, key: None }, who, purpose, &sent).unwrap();
    outcomes
        .iter()
        .map(|outcome| if let Outcome::Taken(seq) = outcome { *seq } else { panic!("{outcome:?}") })
        .collect()
}

/// Numbers 0 to 1, the same for the same seed.
pub struct Draws(u64);

impl Draws {
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    pub fn next(&mut self) -> f64 {
        // splitmix64: any even sequence will do for what is only counted.
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }
}

/// The invented attempts of a learner who begins at a chance of about a tenth and learns by a talent of 0 to 1.
pub fn learner(number: u64, attempts: u64, device: &Device) -> Vec<Invented> {
    let mut draws = Draws::new(0xc0_4e ^ (number << 20));
    let talent = draws.next();
    let logistic = |logit: f64| 1.0 / (1.0 + (-logit).exp());
    let attempt = |n: u64| {
        let at = (draws.next() * SHIPPED.len() as f64) as usize;
        let harder = if matches!(case(at).0, "soft-nucleus" | "leathery-plate") { 0.6 } else { 0.0 };
        let ability = -2.2 + (0.5 + 0.9 * talent) * ((n + 1) as f64).ln() - harder;
        let breach = draws.next() < 0.09 * logistic(-ability);
        let met: Vec<bool> = COMPONENTS
            .iter()
            .enumerate()
            .map(|(place, _)| {
                draws.next() < logistic(ability + [1.2, 3.4, 2.6, 0.6, 0.3, 1.0, 4.0, 2.2, 3.0, 1.4, 5.0, 0.5][place])
            })
            .collect();
        let score = |(place, met): (usize, &bool)| {
            let applies = match COMPONENTS[place].id {
                "fragment-control" => at % 5 == 1,
                "rescue" => breach,
                _ => true,
            };
            (COMPONENTS[place].id, applies.then(|| if *met { 1.0 } else { 0.7 * draws.next() }))
        };
        let components: Vec<_> = met.iter().enumerate().map(score).collect();
        let all: Vec<f64> = components.iter().filter_map(|(_, score)| *score).collect();
        let pass = !breach && draws.next() < logistic(ability);
        Invented {
            case: case(at),
            seed: number * 1_000_000 + n,
            device: device.clone(),
            engine: None,
            day: (n * 5) as i64 + (draws.next() * 4.0) as i64,
            pass,
            score: if breach { 0.0 } else { 100.0 * all.iter().sum::<f64>() / all.len() as f64 },
            breach,
            prediction_error: (draws.next() < 0.7).then(|| (0.9 * logistic(-ability) * draws.next() + 0.1).min(1.0)),
            components,
        }
    };
    (0..attempts).map(attempt).collect()
}

//! A year of a cohort that was made up: simulated trainees whose skill grows with their attempts, the shipped cases, two stations, and
//! supervisors who say something now and then. For trying lists, curves, reports and exports before there are real entries.
//!
//! **The law of learning is invented.** After n attempts skill is `plateau − (plateau − first) · e^(−n/pace)`, with first, plateau
//! and pace by the kind of learner (`LEARNERS`), who are dealt out in turn. All else follows from the seed: which eye, on which day, for
//! what, whether somebody comments. What comes of an attempt is computed, by the same engine as anybody's; of every attempt that is
//! to be assessed the trainee's prediction is judged too.
//!
//! Everything is marked (`invented`): pseudonyms, stations, what moved the hands, the words of comments. It goes into an empty store
//! alone. Same seed, same people and months: the same entries in any number of threads, but for salts, hashes and the moment of adding.
//!
//! Limits: nothing here says how real people learn. Skill is 0–1.

use super::entry::Purpose;
use super::invented::{self, STATIONS};
use super::moment::DAY_MS;
use super::pseudonym::Pseudonym;
use super::store::{Author, Logbook, LogbookError};
use super::submission::{Kinds, NotTaken, Outcome, Submission};
use crate::attempt::{Device, Header, Setup};
use crate::calibrate::course;
use crate::case::{CaseSpec, Resolution, SHIPPED, compile, parse_case};
use crate::debrief::Debrief;
use crate::trainee::Trainee;
use rayon::prelude::*;

/// Attempts of a trainee in twelve months, on average, and what share of it the least and the most diligent make.
const A_YEAR: f64 = 40.0;
const DILIGENCE: (f64, f64) = (0.6, 1.4);

/// Every so many-th attempt is practice that is shown by choice; the others are to be assessed.
const PRACTICE: u32 = 4;

/// Share of practice that is done again on the eye before; of attempts that are commented on; of passed assessments that are
/// signed off; and of attempts away from the trainee's usual station.
const AGAIN: f64 = 0.15;
const COMMENTED: f64 = 0.1;
const SIGNED_OFF: f64 = 0.75;
const AWAY: f64 = 0.2;

/// Monday, 2025-09-01, when the year begins, ms; and the mean month of twelve in a year.
const BEGINS_MS: i64 = 1_756_684_800_000;
const MONTH_MS: i64 = 365 * DAY_MS / 12;

/// Attempts that are computed before they are added.
const AT_ONCE: usize = 48;

/// People, what they are and for how long.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Design {
    /// Trainees.
    pub trainees: u32,
    /// Months.
    pub months: u32,
    /// Another seed is another cohort.
    pub seed: u64,
}

/// A kind of learner: skill at first and in the end, each within a range, and attempts in which the distance shrinks to 37 %.
struct Learner {
    first: (f64, f64),
    plateau: (f64, f64),
    pace: f64,
}

/// Steady, fast, slow, and one who stops too low. All numbers are invented.
const LEARNERS: [Learner; 4] = [
    Learner { first: (0.05, 0.20), plateau: (0.80, 0.95), pace: 14.0 },
    Learner { first: (0.15, 0.35), plateau: (0.90, 1.00), pace: 5.0 },
    Learner { first: (0.00, 0.15), plateau: (0.75, 0.90), pace: 45.0 },
    Learner { first: (0.10, 0.25), plateau: (0.40, 0.50), pace: 7.0 },
];

/// An attempt that is to be made.
#[derive(Clone, Debug, PartialEq)]
pub struct Planned {
    /// Whose, from 0.
    pub trainee: u32,
    /// How many that one made before.
    pub before: u32,
    /// Skill by then.
    pub skill: f64,
    /// Which of the shipped cases.
    pub case: usize,
    /// Seed of the eye.
    pub seed: u64,
    /// What for.
    pub purpose: Purpose,
    /// Which of the stations.
    pub station: usize,
    /// When, ms.
    pub done_at_ms: i64,
}

/// Why there is no demonstration.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The store.
    #[error(transparent)]
    Logbook(#[from] LogbookError),
    /// It holds something.
    #[error(
        "holds {0} entries already; allowed: a new or empty store, for what is invented is not mixed with anything"
    )]
    NotEmpty(u64),
    /// The threads could not be started.
    #[error(transparent)]
    Threads(#[from] rayon::ThreadPoolBuildError),
    /// A shipped case, or what was made on it, cannot be used.
    #[error("the shipped case `{0}` cannot be used: {1}; allowed: please report this")]
    Case(&'static str, String),
}

/// What was made up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Told {
    /// Attempts.
    pub attempts: u32,
    /// How many were passed.
    pub passed: u32,
    /// Comments.
    pub comments: u32,
    /// Sign-offs.
    pub sign_offs: u32,
    /// Attempts that ran on beyond the longest, and were not handed in.
    pub cut_short: u32,
}

impl Design {
    /// A number for each question, by the seed alone.
    fn bits(&self, about: &str, person: u32, at: u32) -> u64 {
        let mut hasher = blake3::Hasher::new();
        hasher.update(b"corecleft demo 1\n").update(&self.seed.to_le_bytes());
        hasher.update(&person.to_le_bytes()).update(&at.to_le_bytes()).update(about.as_bytes());
        let mut bits = [0; 8];
        hasher.finalize_xof().fill(&mut bits);
        u64::from_le_bytes(bits)
    }

    /// The same in 0 to 1, 1 excluded.
    fn share(&self, about: &str, person: u32, at: u32) -> f64 {
        (self.bits(about, person, at) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// A trainee's pseudonym, or behind the trainees a supervisor's.
    fn pseudonym(&self, person: u32) -> Option<Pseudonym> {
        let first = self.bits("people", 0, 0) % invented::MOST as u64;
        invented::pseudonym(first as usize + person as usize)
    }

    /// A trainee's number within a range.
    fn within(&self, (low, high): (f64, f64), about: &str, trainee: u32) -> f64 {
        low + (high - low) * self.share(about, trainee, 0)
    }

    /// Attempts of a trainee: some make more of them than others.
    fn attempts_of(&self, trainee: u32) -> u32 {
        (A_YEAR * f64::from(self.months) / 12.0 * self.within(DILIGENCE, "diligence", trainee)).ceil() as u32
    }

    fn skill(&self, trainee: u32, before: u32) -> f64 {
        let Learner { first, plateau, pace } = &LEARNERS[trainee as usize % LEARNERS.len()];
        let (first, plateau) = (self.within(*first, "first", trainee), self.within(*plateau, "plateau", trainee));
        plateau - (plateau - first) * libm::exp(-f64::from(before) / pace)
    }

    /// All attempts, in the order in which they are made.
    pub fn planned(&self) -> Vec<Planned> {
        let mut all: Vec<Planned> = (0..self.trainees).flat_map(|trainee| self.planned_of(trainee)).collect();
        all.sort_by_key(|planned| (planned.done_at_ms, planned.trainee));
        all
    }

    fn planned_of(&self, trainee: u32) -> Vec<Planned> {
        let count = self.attempts_of(trainee);
        // In turn, but not in step with the kinds of learners, so that every station has some of each.
        let usual = (trainee as usize + trainee as usize / LEARNERS.len()) % STATIONS.len();
        let span_ms = i64::from(self.months) * MONTH_MS / i64::from(count);
        let mut all: Vec<Planned> = Vec::new();
        for before in 0..count {
            let share = |about| self.share(about, trainee, before);
            let is_assessed = (before + 1) % PRACTICE != 0;
            let (case, seed) = match all.last() {
                Some(last) if !is_assessed && share("again") < AGAIN => (last.case, last.seed),
                _ => (self.case(trainee, before), 1 + self.bits("eye", trainee, before) % 999_999),
            };
            let station = if share("away") < AWAY { (usual + 1) % STATIONS.len() } else { usual };
            // Within its part of the year, on a day from eight to six.
            let day = i64::from(before) * span_ms / DAY_MS + (share("day") * span_ms as f64) as i64 / DAY_MS;
            let of_day_ms = 8 * DAY_MS / 24 + (share("hour") * 10.0 / 24.0 * DAY_MS as f64) as i64 / 1000 * 1000;
            all.push(Planned {
                trainee,
                before,
                skill: self.skill(trainee, before),
                case,
                seed,
                purpose: if is_assessed { Purpose::Assessment } else { Purpose::Practice },
                station,
                done_at_ms: BEGINS_MS + day * DAY_MS + of_day_ms,
            });
        }
        let mut moments: Vec<i64> = all.iter().map(|planned| planned.done_at_ms).collect();
        moments.sort_unstable();
        all.iter_mut().zip(moments).for_each(|(planned, moment)| planned.done_at_ms = moment);
        all
    }

    /// The case: all of them in an order of luck, and then anew.
    fn case(&self, trainee: u32, before: u32) -> usize {
        let count = SHIPPED.len();
        let round = before / count as u32;
        let mut order: Vec<usize> = (0..count).collect();
        order.sort_by_key(|case| self.bits("order", trainee, round * count as u32 + *case as u32));
        order[before as usize % count]
    }

    /// Make an attempt; `None` where it runs on beyond the longest.
    fn attempt(&self, planned: &Planned, cases: &[CaseSpec], kinds: &Kinds) -> Result<Option<Submission>, DemoError> {
        let (name, text) = SHIPPED[planned.case];
        let unusable = |why: String| DemoError::Case(name, why);
        let is_assessed = planned.purpose == Purpose::Assessment;
        let setup = Setup { is_exam: is_assessed, ..Setup::default() };
        let case = setup.apply(&cases[planned.case]).map_err(|why| unusable(why.join("; ")))?;
        let compiled = compile(&case, planned.seed, Resolution::default());
        let model = compiled.map_err(|problems| unusable(format!("{problems:?}")))?.model;
        let person = self.seed.wrapping_mul(1_000_003).wrapping_add(u64::from(planned.trainee));
        let trainee = Trainee::new(planned.skill, person, u64::from(planned.before));
        let (course, is_cut_short) = course(&case, &model, trainee);
        if is_cut_short {
            return Ok(None);
        }
        let debrief = Debrief::of(&course.facts(&case, &model));
        let header = Header::with_setup(name, text, planned.seed, Device::Trainee(trainee.name()), setup);
        let file = course.attempt(header, &debrief).to_bytes();
        let submission = Submission::of_bytes(file, planned.done_at_ms, kinds, is_assessed);
        submission.map(Some).map_err(|error: NotTaken| unusable(error.to_string()))
    }
}

/// What a supervisor says.
fn words(submission: &Submission) -> String {
    let facts = &submission.facts;
    match (facts.critical.first(), facts.scores.pass) {
        (Some(critical), _) => {
            format!("Invented comment. Before the next eye: look again at what led to the {}.", critical.event)
        }
        (None, false) => "Invented comment. Not there yet; the debrief says at which component.".to_owned(),
        (None, true) => "Invented comment. Sound; try a harder eye next.".to_owned(),
    }
}

impl Logbook {
    /// Fill an empty store with what is made up; `on_attempt` hears of each attempt, from whichever thread made it.
    ///
    /// # Errors
    /// A store that holds something, or whatever keeps entries from being added; then some may have been.
    pub fn demo(&mut self, design: &Design, threads: usize, on_attempt: impl Fn() + Sync) -> Result<Told, DemoError> {
        let head = self.head()?;
        if head.seq > 0 {
            return Err(DemoError::NotEmpty(head.seq));
        }
        let cases = SHIPPED.iter().map(|(name, text)| {
            parse_case(name, text).map(|case| case.spec).map_err(|faults| DemoError::Case(name, format!("{faults:?}")))
        });
        let cases: Vec<CaseSpec> = cases.collect::<Result<_, _>>()?;
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build()?;
        let kinds = Kinds::default();
        let mut told = Told::default();
        for part in design.planned().chunks(AT_ONCE) {
            let made: Vec<Result<Option<Submission>, DemoError>> = pool.install(|| {
                let made = part.par_iter().with_max_len(1).map(|planned| {
                    let made = design.attempt(planned, &cases, &kinds);
                    on_attempt();
                    made
                });
                made.collect()
            });
            for (planned, made) in part.iter().zip(made) {
                match made? {
                    Some(submission) => self.add_invented(design, planned, &submission, &mut told)?,
                    None => told.cut_short += 1,
                }
            }
        }
        Ok(told)
    }

    fn add_invented(
        &mut self,
        design: &Design,
        planned: &Planned,
        submission: &Submission,
        told: &mut Told,
    ) -> Result<(), DemoError> {
        let Planned { trainee, before, purpose, station, .. } = *planned;
        let supervisor = design.trainees + station as u32;
        let (Some(whose), Some(by)) = (design.pseudonym(trainee), design.pseudonym(supervisor)) else { return Ok(()) };
        let author = Author { station: STATIONS[station], key: None };
        let outcomes = self.submit(&author, &whose, purpose, std::slice::from_ref(submission))?;
        let Some(Outcome::Taken(seq)) = outcomes.first().copied() else { return Ok(()) };
        let has_passed = submission.facts.scores.pass;
        told.attempts += 1;
        told.passed += u32::from(has_passed);
        if design.share("comment", trainee, before) < COMMENTED {
            self.comment(&author, &by, seq, &words(submission))?;
            told.comments += 1;
        }
        let is_assessed = purpose == Purpose::Assessment;
        if is_assessed && has_passed && design.share("sign-off", trainee, before) < SIGNED_OFF {
            self.sign_off(&author, &by, seq)?;
            told.sign_offs += 1;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::logbook::moment;
    use std::collections::{BTreeSet, HashMap};

    const DESIGN: Design = Design { trainees: 12, months: 12, seed: 1 };

    #[test]
    fn a_year_is_a_year_and_everybody_meets_every_case() {
        let all = DESIGN.planned();
        assert!((400..560).contains(&all.len()), "{}: 480 but for luck", all.len());
        assert!(all.is_sorted_by_key(|planned| planned.done_at_ms));
        let (first, last) = (all.first().map(|p| p.done_at_ms), all.last().map(|p| p.done_at_ms));
        assert!(first.is_some_and(|ms| moment::day(ms).starts_with("2025-09-")));
        assert!(last.is_some_and(|ms| moment::day(ms).starts_with("2026-08-")));
        for trainee in 0..DESIGN.trainees {
            let own: Vec<&Planned> = all.iter().filter(|planned| planned.trainee == trainee).collect();
            assert!(own.iter().zip(0..).all(|(planned, before)| planned.before == before), "in order of time");
            assert_eq!(own.iter().map(|planned| planned.case).collect::<BTreeSet<_>>().len(), SHIPPED.len());
            assert!((24..=56).contains(&own.len()), "{}: some are more diligent than others", own.len());
            let practice = own.iter().filter(|planned| planned.purpose == Purpose::Practice).count();
            assert_eq!(practice, own.len() / 4);
            assert_eq!(own.iter().map(|planned| planned.station).collect::<BTreeSet<_>>().len(), 2);
        }
    }

    #[test]
    fn stations_have_learners_of_each_kind() {
        for (station, _) in STATIONS.iter().enumerate() {
            let planned = DESIGN.planned();
            let kinds = planned.iter().filter(|planned| planned.station == station).map(|planned| planned.trainee % 4);
            let mut often = [0; 4];
            kinds.for_each(|kind| often[kind as usize] += 1);
            assert!(often.iter().all(|count| *count > 12), "{often:?}: more than those who are away from elsewhere");
        }
    }

    #[test]
    fn skill_grows_to_a_plateau_and_each_learner_differs() {
        for trainee in 0..DESIGN.trainees {
            let skills: Vec<f64> = (0..40).map(|before| DESIGN.skill(trainee, before)).collect();
            assert!(skills.is_sorted() && skills.iter().all(|skill| (0.0..=1.0).contains(skill)));
            let is_low = trainee % 4 == 3;
            assert_eq!(DESIGN.skill(trainee, 1000) < 0.55, is_low, "the fourth of each four stays low");
        }
        assert!(DESIGN.skill(1, 10) > DESIGN.skill(2, 10) + 0.3, "the fast before the slow");
    }

    #[test]
    fn assessment_is_on_an_unseen_eye_and_some_practice_is_not() {
        let mut seen: HashMap<(u32, usize, u64), u32> = HashMap::new();
        for planned in DESIGN.planned() {
            let times = seen.entry((planned.trainee, planned.case, planned.seed)).or_default();
            *times += 1;
            assert!(planned.purpose == Purpose::Practice || *times == 1, "{planned:?}");
        }
        assert!(seen.values().any(|times| *times > 1));
    }

    #[test]
    fn another_seed_is_another_cohort_and_the_same_is_the_same() {
        assert_eq!(DESIGN.planned(), DESIGN.planned());
        assert_ne!(DESIGN.planned(), Design { seed: 2, ..DESIGN }.planned());
        let people = |design: Design| (0..14).map(|person| design.pseudonym(person)).collect::<BTreeSet<_>>();
        assert_eq!(people(DESIGN).len(), 14);
        assert_ne!(people(DESIGN), people(Design { seed: 2, ..DESIGN }));
    }
}

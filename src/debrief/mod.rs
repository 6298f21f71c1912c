//! What happened and why: a debrief of an attempt at a chop.
//!
//! Everything here is a pure function of the case, the model, the final state with its events, and what a `Watch` noted
//! on the way. Nothing is scripted: a sentence is said only when the numbers behind it are in the attempt. Units: the
//! trade's on the outside (mm, degrees, mN, mmHg, shares), the engine's within.
//!
//! Limits: one chop is judged, the one that cracked most of the core (the later of equals). Bands come from the case's
//! goals; how a score falls off outside a band is common practice made a straight line, no source. A score has not been
//! shown to predict anything.

pub mod advice;
pub mod cause;
pub mod charts;
pub mod chops;
pub mod component;
pub mod conduct;
pub mod course;
pub mod findings;
pub mod follows;
pub mod graph;
pub mod html;
pub mod json;
pub mod maps;
pub(crate) mod palette;
pub mod peaks;
pub mod prediction;
pub mod proof;
pub(crate) mod section;
pub mod text;
pub mod timeline;
pub mod trace;
pub mod truth;
pub mod watch;
pub mod whatif;

use crate::attempt::{Prediction, Record};
use crate::case::CaseSpec;
use crate::sim::event::EventKind;
use crate::sim::{Model, State};
pub use chops::{Chop, chops};
pub use component::{Component, Status, Threshold};
pub use conduct::Stop;
pub use course::Course;
pub use findings::Finding;
pub use follows::Follow;
pub use peaks::Peaks;
pub use trace::Trace;
pub use watch::Watch;

/// What a debrief is made from.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// The case with its goals.
    pub case: &'a CaseSpec,
    /// The model the attempt ran on.
    pub model: &'a Model,
    /// The state at its end.
    pub state: &'a State,
    /// What was noted on the way.
    pub watch: &'a Watch,
    /// What was expected before chops.
    pub predictions: &'a [Prediction],
}

/// The verdict on an attempt.
#[derive(Clone, Debug, PartialEq)]
pub struct Outcome {
    /// No critical event, and every component that counts and applies was met.
    pub pass: bool,
    /// 0..100: of the components that apply, the mean of those of the way counts two thirds, the mean of those of care one
    /// third; 0 after a critical event.
    pub score: f64,
    /// Critical events in plain words.
    pub critical: Vec<String>,
}

/// A whole debrief.
#[derive(Clone, Debug, PartialEq)]
pub struct Debrief {
    /// Every chop of the attempt, in order.
    pub chops: Vec<Chop>,
    /// Place in `chops` of the one that is judged.
    pub judged: Option<usize>,
    /// What was expected before chops, beside what came. Not scored.
    pub predictions: Vec<prediction::Told>,
    /// What was judged: always the same twelve.
    pub components: Vec<Component>,
    /// Every pull of a piece, in order.
    pub follows: Vec<Follow>,
    /// The extremes of the attempt.
    pub peaks: Peaks,
    /// What else stands out, the most dangerous first.
    pub findings: Vec<Finding>,
    /// The call for help, if there was one.
    pub stop: Option<Stop>,
    /// The verdict.
    pub outcome: Outcome,
    /// What to try next, one or two sentences; three after a critical event.
    pub advice: Vec<String>,
}

impl Debrief {
    /// Judge an attempt.
    pub fn of(facts: &Facts<'_>) -> Self {
        let chops = chops(facts);
        let judged = chops::best(&chops);
        let chop = judged.map(|i| &chops[i]);
        let stop = conduct::stop(facts);
        let follows = follows::follows(facts);
        let findings = findings::findings(facts, &follows);
        let components = component::all(facts, &chops, judged, &follows);
        let outcome = outcome(facts.state, &components);
        let advice = advice::sentences(facts, chop, &components, &findings);
        let predictions = prediction::told(facts, &chops);
        let peaks = Peaks::of(facts);
        Self { judged, predictions, components, peaks, follows, findings, outcome, advice, chops, stop }
    }

    /// Find out how far off the predictions were: some tenths of a second each, on so many threads (0: as many as there are
    /// processors).
    ///
    /// # Errors
    /// The threads could not be started.
    pub fn judge_predictions(
        &mut self,
        case: &CaseSpec,
        model: &Model,
        record: &Record,
        threads: usize,
    ) -> Result<(), rayon::ThreadPoolBuildError> {
        prediction::judge(&mut self.predictions, case, model, record, threads)
    }

    /// The chop that is judged and the number of chops, where there were several and one is judged.
    pub fn judged_of_several(&self) -> Option<(usize, usize)> {
        let is_judged = self.components.iter().any(|c| c.id == "burial-depth" && c.status != Status::NotApplicable);
        self.judged.map(|judged| (judged, self.chops.len())).filter(|(_, count)| is_judged && *count > 1)
    }

    /// Why it came out so: what stands beside critical events, then components that were missed or not reached, then what
    /// else stands out. What several have in common is said once.
    pub fn what_went_wrong(&self) -> Vec<&str> {
        let found = |is_critical: bool| {
            self.findings.iter().filter(move |f| f.is_critical == is_critical).map(|f| f.cause.as_str())
        };
        let missed = self.components.iter().filter(|c| matches!(c.status, Status::Missed | Status::NotReached));
        let is_breached = self.outcome.critical.iter().any(|words| words == BREACH);
        let breach = missed.clone().filter(|c| is_breached && c.id == "capsule-distance");
        once(
            breach
                .map(|c| c.cause.as_str())
                .chain(found(true))
                .chain(missed.map(|c| c.cause.as_str()))
                .chain(found(false)),
        )
    }

    /// Why the rest came out as it did: components that were met, then those that do not apply.
    pub fn what_went_well(&self) -> Vec<&str> {
        let by = |status: Status| self.components.iter().filter(move |c| c.status == status).map(|c| c.cause.as_str());
        once(by(Status::Met).chain(by(Status::NotApplicable)))
    }
}

/// Sentences without those already said.
fn once<'a>(sentences: impl Iterator<Item = &'a str>) -> Vec<&'a str> {
    let mut said: Vec<&str> = Vec::new();
    for sentence in sentences {
        if !said.contains(&sentence) {
            said.push(sentence);
        }
    }
    said
}

/// A breach of the posterior capsule, as it is named among critical events.
pub const BREACH: &str = "capsule breach";

/// A critical event in plain words, `None` where it is none: only these end an attempt's score.
pub fn critical_in_words(kind: &EventKind) -> Option<&'static str> {
    match kind {
        EventKind::Breach { .. } => Some(BREACH),
        EventKind::ZonulesTore { .. } => Some("zonular dialysis"),
        EventKind::RimRanOut => Some("tear of the rhexis ran out"),
        EventKind::ChamberCollapsed => Some("chamber collapse"),
        EventKind::PieceSank { .. } => Some("piece sunk into the vitreous"),
        EventKind::IncisionHot { .. } => Some("incision burnt"),
        _ => None,
    }
}

/// What the way counts for in the score; the rest is care (common practice, no source: most of what is taught is the way, and
/// care gates).
const WAY_COUNTS: f64 = 2.0 / 3.0;

fn outcome(state: &State, components: &[Component]) -> Outcome {
    let mut critical: Vec<String> = Vec::new();
    for words in state.events.iter().filter_map(|e| critical_in_words(&e.kind)) {
        if !critical.iter().any(|said| said == words) {
            critical.push(words.to_string());
        }
    }
    let applying: Vec<&Component> = components.iter().filter(|c| c.status != Status::NotApplicable).collect();
    let mean = |is_way: bool| {
        let scores: Vec<f64> = applying.iter().filter(|c| c.is_way() == is_way).map(|c| c.score).collect();
        (!scores.is_empty()).then(|| scores.iter().sum::<f64>() / scores.len() as f64)
    };
    let (way, care) = (mean(true), mean(false).unwrap_or(1.0));
    let mean = way.map_or(care, |way| WAY_COUNTS * way + (1.0 - WAY_COUNTS) * care);
    let is_met = |c: &&Component| c.status == Status::Met || !c.counts_for_pass;
    Outcome {
        pass: critical.is_empty() && applying.iter().all(is_met),
        score: if critical.is_empty() { 100.0 * mean } else { 0.0 },
        critical,
    }
}

/// The debrief of attempts made of events by hand: every sentence must come of them, and be said once.
#[cfg(test)]
mod tests {
    use super::*;
    use crate::case::compile::{Resolution, compile};
    use crate::case::parse_case;
    use crate::debrief::watch::Strain;
    use crate::sim::event::{BreachBy, HeldBy, Tool};

    const CASE: &str = include_str!("../../scenarios/long-eye-dense-core.ron");

    /// Judge a state that a function has prepared, and print its page.
    fn judged(prepare: impl FnOnce(&Model, &mut State)) -> (Debrief, String) {
        judged_with(&Watch::default(), prepare)
    }

    fn judged_with(watch: &Watch, prepare: impl FnOnce(&Model, &mut State)) -> (Debrief, String) {
        let case = parse_case("case.ron", CASE).expect("the shipped case").spec;
        let resolution = Resolution { cell_mm: 0.6, ticks_per_second: 240 };
        let model = compile(&case, 1, resolution).expect("a model").model;
        let mut state = State::new(&model);
        prepare(&model, &mut state);
        let facts = Facts { case: &case, model: &model, state: &state, watch, predictions: &[] };
        let debrief = Debrief::of(&facts);
        let titles = text::Titles { case: "Case", made: "Plan", with: "This", seed: 1, set_up: None };
        let page = text::page(&titles, &facts, &debrief);
        for line in page.lines() {
            assert!(line.chars().count() <= text::COLUMNS, "{line}");
        }
        assert!(debrief.advice[0].starts_with("In this model "), "{:?}", debrief.advice);
        let flat = page.split_whitespace().collect::<Vec<_>>().join(" ");
        (debrief, flat)
    }

    fn at(state: &mut State, tick: u64, cause: Option<u32>, kind: EventKind) -> u32 {
        state.tick = tick;
        state.note(cause, kind)
    }

    fn pulled(fragment: u16, followed: bool, held_by: Option<HeldBy>, load_un: f64) -> EventKind {
        EventKind::Pulled {
            fragment,
            volume_ul: 20.0,
            vacuum_pa: 40_000.0,
            occlusion: 0.9,
            purchase_un: 20_000.0,
            load_un,
            way_mm: 2.0,
            share: if followed { 1.0 } else { 0.1 },
            followed,
            held_by,
        }
    }

    #[test]
    fn before_anything_happened_there_are_no_absurd_numbers() {
        let (debrief, page) = judged(|_, _| ());
        assert_eq!(debrief.peaks.chamber_mmhg, None);
        assert_eq!(debrief.peaks.distance_to_capsule_mm, None);
        let peaks = debrief.peaks;
        assert_eq!(
            (peaks.surge_ul, peaks.capsule_rise_mm, peaks.incision_c, peaks.full_power_s),
            (0.0, 0.0, 34.0, 0.0)
        );
        assert!(debrief.findings.is_empty() && debrief.follows.is_empty());
        assert!(page.contains("No surge was seen"), "{page}");
    }

    #[test]
    fn critical_events_gate_and_are_each_named_once() {
        let breach = EventKind::Breach { tool: Some(Tool::Needle), by: BreachBy::Suction, radius_mm: 1.0 };
        let all = [
            (breach, "capsule breach"),
            (EventKind::ZonulesTore { hour: 3, load_un: 70_000.0 }, "zonular dialysis"),
            (EventKind::RimRanOut, "tear of the rhexis ran out"),
            (EventKind::ChamberCollapsed, "chamber collapse"),
            (EventKind::PieceSank { fragment: 1, volume_ul: 9.0 }, "piece sunk into the vitreous"),
            (EventKind::IncisionHot { incision_c: 61.0 }, "incision burnt"),
        ];
        for (kind, words) in all {
            let (debrief, page) = judged(|_, state| {
                at(state, 10, None, kind.clone());
                at(state, 20, None, kind.clone());
            });
            assert_eq!(debrief.outcome.critical, [words]);
            assert_eq!((debrief.outcome.pass, debrief.outcome.score), (false, 0.0));
            assert!(page.contains(&format!("0 of 100; {words}")), "{page}");
        }
        let (debrief, _) = judged(|_, state| {
            at(state, 10, None, EventKind::RimTore { tool: Tool::Chopper, force_un: 21_000.0 });
            at(state, 20, None, EventKind::ChamberShallowed { travel_mm: 0.6, chamber_pa: 2_000.0 });
        });
        assert!(debrief.outcome.critical.is_empty());
    }

    #[test]
    fn what_happens_again_and_again_is_told_once_and_what_is_critical_every_time() {
        let (debrief, page) = judged(|_, state| {
            for i in 0..30 {
                let cause = at(state, 100 + 24 * i, None, EventKind::OcclusionBroke { vacuum_pa: 40_000.0 });
                let chamber_pa = if i == 7 { 1_333.2 } else { 5_332.9 };
                at(state, 102 + 24 * i, Some(cause), EventKind::Surge { chamber_pa, lost_ul: 3.0 });
                at(state, 103 + 24 * i, None, EventKind::ZonulesTore { hour: 3, load_un: 70_000.0 });
            }
            // Long after: a line of its own.
            at(state, 5_000, None, EventKind::Surge { chamber_pa: 6_666.1, lost_ul: 3.0 });
        });
        assert_eq!(page.matches("the chamber fell to 10 mmHg (30 times)").count(), 1, "{page}");
        assert_eq!(page.matches("surged out: the chamber fell to 50 mmHg").count(), 1, "{page}");
        assert!(!page.contains("The port came free at"), "the surge says so: {page}");
        let story = page.split(" Result: ").next().unwrap_or_default();
        assert_eq!(story.matches("THE ZONULES TORE at 3 o'clock").count(), 30);
        assert_eq!(debrief.outcome.critical.len(), 1);
    }

    #[test]
    fn a_piece_that_did_not_follow_is_told_with_what_held_it_and_what_would_help() {
        for (held_by, says, helps) in [
            (HeldBy::Hinge, "a crack that is not through still joins it", "complete the crack"),
            (HeldBy::Neighbours, "it is wedged between its neighbours and the bag", "free it from its neighbours"),
            (HeldBy::Adhesion, "it still sticks to its capsule", "hydrodissect"),
            (HeldBy::PoorOcclusion, "the port was poorly covered", "cover the port before drawing: no more than 90 %"),
        ] {
            let (debrief, page) = judged(|_, state| {
                at(state, 480, None, pulled(2, false, Some(held_by), 40_000.0));
            });
            assert_eq!(debrief.follows[0].ratio(), Some(0.5));
            assert!(page.contains("2.00 s 20.0 µL, 300 mmHg across the port: did not follow"), "{page}");
            assert!(page.contains(says) && page.contains("20 mN against a load of 40 mN, a ratio of 0.50"), "{page}");
            assert!(debrief.findings[0].advice.as_ref().unwrap().contains(helps), "{:?}", debrief.findings);
        }
    }

    #[test]
    fn a_piece_that_was_freed_and_followed_is_no_finding_and_without_load_has_no_ratio() {
        let (debrief, page) = judged(|_, state| {
            at(state, 480, None, pulled(2, false, Some(HeldBy::Hinge), 40_000.0));
            at(state, 960, None, pulled(2, true, None, 0.0));
        });
        assert!(debrief.findings.is_empty(), "{:?}", debrief.findings);
        assert_eq!(debrief.follows[1].ratio(), None);
        assert!(page.contains("across the port: followed (no load)"), "{page}");
    }

    #[test]
    fn suction_that_breaks_the_capsule_is_told_by_the_law_that_broke_it() {
        let (debrief, _) = judged(|model, state| {
            let tool = Some(Tool::Needle);
            at(state, 480, None, EventKind::Breach { tool, by: BreachBy::Suction, radius_mm: 1.0 });
            let bears_pa = 2.0 * model.capsule_mm * model.capsule_strength_pa / model.needle.bore_radius_mm;
            assert!(
                (crate::sim::membrane::suction_stress_pa(bears_pa, model.needle.bore_radius_mm, model.capsule_mm)
                    / model.capsule_strength_pa
                    - 1.0)
                    .abs()
                    < 1e-12
            );
        });
        assert!(debrief.findings[0].cause.contains("it bears 125 mmHg"), "{:?}", debrief.findings);
        assert!(debrief.advice[1].contains("no longer avoidable; harm is still limited by"), "{:?}", debrief.advice);
    }

    #[test]
    fn a_dialysis_is_laid_to_what_loaded_the_zonules() {
        for (strain, says, helps) in [
            (Strain::Turning, "turned against its adhesion", "hydrodissection"),
            (Strain::Pressing, "the chopper was pressed down", "press the chopper down less far"),
            (Strain::Pushing, "the needle pushed", "with ultrasound"),
            (Strain::Drawing, "the needle was drawn back", "hold the lens with the chopper"),
        ] {
            let mut watch = Watch::default();
            watch.tore = Some(strain);
            let (debrief, _) = judged_with(&watch, |_, state| {
                let loaded = EventKind::ZonulesLoaded { hour: 4, load_un: 50_000.0, turning: false };
                let cause = at(state, 20, None, loaded);
                at(state, 30, Some(cause), EventKind::ZonulesTore { hour: 4, load_un: 61_000.0 });
            });
            let found = &debrief.findings[0];
            assert!(found.cause.contains("at 4 o'clock gave way at 61 mN") && found.cause.contains(says), "{found:?}");
            assert!(debrief.advice[0].contains(helps), "{:?}", debrief.advice);
        }
    }

    #[test]
    fn suction_after_a_breach_is_counted_from_the_foot() {
        let (debrief, _) = judged(|_, state| {
            at(state, 0, None, EventKind::PedalMoved { from: 1, to: 3 });
            at(
                state,
                240,
                None,
                EventKind::Breach { tool: Some(Tool::Needle), by: BreachBy::Ultrasound, radius_mm: 1.0 },
            );
            at(state, 360, None, EventKind::PedalMoved { from: 3, to: 1 });
            at(state, 600, None, EventKind::PedalMoved { from: 1, to: 2 });
            at(state, 720, None, EventKind::NeedleWithdrawn { chamber_pa: 2_666.4 });
        });
        let cause = &debrief.findings[0].cause;
        assert!(cause.contains("suction went on for 1.0 s, the needle left with 20 mmHg"), "{cause}");
    }

    #[test]
    fn the_goals_of_a_case_set_the_thresholds_and_what_it_leaves_out_is_provisional() {
        let mut case = parse_case("case.ron", CASE).expect("the shipped case").spec;
        let resolution = Resolution { cell_mm: 0.6, ticks_per_second: 240 };
        let model = compile(&case, 1, resolution).expect("a model").model;
        let mut state = State::new(&model);
        state.note(None, pulled(1, true, None, 8_000.0));
        state.totals.capsule_rise_mm = 0.75;
        state.totals.zonule_load_un = 45_000.0;
        state.removal.hottest_c = 50.5;
        let watch = Watch::default();
        let judged = |case: &CaseSpec, id: &str| {
            let debrief = Debrief::of(&Facts { case, model: &model, state: &state, watch: &watch, predictions: &[] });
            assert_eq!(debrief.components.len(), 12);
            let found = debrief.components.iter().find(|c| c.id == id).expect("the component");
            (found.value, found.score, found.status, found.counts_for_pass)
        };
        assert_eq!(judged(&case, "chamber-steadiness"), (Some(0.75), 1.0, Status::Met, true));
        assert_eq!(judged(&case, "zonule-load"), (Some(45.0), 0.5, Status::Missed, true));
        assert_eq!(judged(&case, "fragment-control"), (Some(1.0), 1.0, Status::Met, false));
        assert_eq!(judged(&case, "power-use").2, Status::NotApplicable);
        assert_eq!(judged(&case, "rescue").2, Status::NotApplicable);
        case.goals.capsule_travel_mm = Some(0.5);
        case.goals.zonule_load_mn = Some(60.0);
        case.goals.incision_c = Some(45.0);
        case.goals.follow_ratio = Some(3.0);
        assert_eq!(judged(&case, "chamber-steadiness"), (Some(0.75), 0.5, Status::Missed, true));
        assert_eq!(judged(&case, "zonule-load"), (Some(45.0), 1.0, Status::Met, true));
        assert_eq!(judged(&case, "incision-temperature"), (Some(50.5), 0.5, Status::Missed, true));
        assert_eq!(judged(&case, "fragment-control"), (Some(1.0), 1.0, Status::Missed, true), "a ratio of 2.5 of 3");
        case.goals.nucleus_left = Some(0.5);
        assert_eq!(judged(&case, "fragment-control"), (Some(1.0), 0.5, Status::Missed, true), "all of it is left");
    }

    #[test]
    fn a_stop_counts_as_good_where_there_was_a_reason_and_only_there() {
        let outcome = |reason: Option<EventKind>| {
            let (debrief, page) = judged(|_, state| {
                if let Some(kind) = reason {
                    at(state, 100, None, kind);
                }
                at(state, 200, None, EventKind::Called);
                state.totals.distance_to_capsule_min_mm = 2.0;
            });
            (debrief, page)
        };
        let near = EventKind::CapsuleNear { tool: Tool::Needle, distance_mm: 0.7 };
        let (debrief, page) = outcome(Some(near));
        assert!(debrief.outcome.pass, "{page}");
        assert_eq!(debrief.stop, Some(Stop { event: 1, reason: Some(0) }));
        assert!(page.contains("stopped for a reason"), "{page}");
        let (debrief, _) = outcome(None);
        assert!(!debrief.outcome.pass);
        assert_eq!(debrief.stop, Some(Stop { event: 0, reason: None }));
        let breach = EventKind::Breach { tool: Some(Tool::Needle), by: BreachBy::Ultrasound, radius_mm: 1.0 };
        let (debrief, _) = outcome(Some(breach));
        assert_eq!((debrief.outcome.pass, debrief.outcome.score), (false, 0.0), "nothing buys back safety");
        let rescue = debrief.components.iter().find(|c| c.id == "rescue").expect("rescue");
        assert_eq!((rescue.status, rescue.score), (Status::Met, 1.0));
    }

    #[test]
    fn a_nucleus_that_is_not_to_be_chopped_is_judged_by_that() {
        let mut case = parse_case("case.ron", CASE).expect("the shipped case").spec;
        case.goals.approach = Some(crate::case::Approach::WithoutChop);
        let resolution = Resolution { cell_mm: 0.6, ticks_per_second: 240 };
        let model = compile(&case, 1, resolution).expect("a model").model;
        let mut state = State::new(&model);
        state.totals.distance_to_capsule_min_mm = 2.0;
        let watch = Watch::default();
        let debrief =
            Debrief::of(&Facts { case: &case, model: &model, state: &state, watch: &watch, predictions: &[] });
        let status_of = |debrief: &Debrief, id: &str| debrief.components.iter().find(|c| c.id == id).unwrap().status;
        assert!(debrief.outcome.pass, "{:?}", debrief.components);
        assert_eq!(status_of(&debrief, "division"), Status::Met);
        assert_eq!(status_of(&debrief, "burial-depth"), Status::NotApplicable);
    }
}

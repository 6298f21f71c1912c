//! The what-ifs of a debrief: which events can be asked about, the one that is asked, its answer, one of its changes beside what
//! was done, and the map around the decision.
//!
//! Plain data and logic, without a window. Whatever takes long is done on threads of its own, of which one fewer work than the
//! machine has, so that the window keeps one. Work that nobody waits for any more stops: each piece is told so when its handle is
//! dropped, and an answer that comes all the same is known by its ticket. Times are of the attempt, s.
//!
//! Both runs are shown at the same tick or not at all: the next is wished for only when both films have given the last.

pub mod page;
pub mod rows;

use crate::app::clerk::{Clerk, Done, Judged};
use crate::app::film::{Film, Keyframes};
use crate::app::panels::transport::Going;
use crate::app::panels::whatif::Which;
use crate::attempt::Attempt;
use crate::case::CaseSpec;
use crate::debrief::whatif::near::{Near, near};
use crate::debrief::whatif::rerun::{Rerun, rerun};
use crate::debrief::whatif::{Alternative, NoWhatIf, Progress, WhatIf, askable, whatif};
use crate::sim::event::{EventIndex, EventKind};
use crate::sim::{Model, State, step};
use rows::Rows;
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

/// Repetitions of each of the best changes at first, and when it is asked again: the first answer is to come soon.
pub const REPEATS: [u32; 2] = [12, 48];

/// Speed at which two runs are played at first, a multiple of the eye's time: a chop is short.
const SPEED: f64 = 0.5;

/// Length of a step, s: one picture of a film.
const PICTURE_S: f64 = 1.0 / 24.0;

/// Threads that may work while the window has one.
fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, |all| all.get().saturating_sub(1).max(1))
}

/// What is asked about.
#[derive(Clone)]
pub struct Subject {
    /// The case as it was set up.
    pub spec: Arc<CaseSpec>,
    /// The model.
    pub model: Arc<Model>,
    /// The attempt.
    pub attempt: Arc<Attempt>,
}

/// How far a piece of work is, and whether anybody waits for it.
#[derive(Debug, Default)]
struct Errand {
    done: AtomicU32,
    planned: AtomicU32,
    is_dropped: AtomicBool,
}

impl Errand {
    fn goes_on(&self) -> bool {
        !self.is_dropped.load(Ordering::Relaxed)
    }

    fn tell(&self, so_far: Progress) -> bool {
        if so_far.planned > 0 {
            self.planned.store(so_far.planned, Ordering::Relaxed);
            self.done.fetch_max(so_far.done, Ordering::Relaxed);
        }
        self.goes_on()
    }
}

/// A piece of work under way. It stops when this is dropped.
#[derive(Debug)]
pub struct Work {
    ticket: u64,
    errand: Arc<Errand>,
}

impl Work {
    /// How far it is.
    pub fn progress(&self) -> Progress {
        let read = |count: &AtomicU32| count.load(Ordering::Relaxed);
        Progress { done: read(&self.errand.done), planned: read(&self.errand.planned) }
    }
}

impl Drop for Work {
    fn drop(&mut self) {
        self.errand.is_dropped.store(true, Ordering::Relaxed);
    }
}

/// A run with a change, to be looked at.
pub struct Run {
    film: Film,
    span_s: (f64, f64),
}

/// What a piece of work found.
pub enum Found {
    /// Which events can be asked about.
    Askable(Vec<Result<(), NoWhatIf>>),
    /// An answer.
    Answer(Result<Box<WhatIf>, NoWhatIf>),
    /// A run with a change, or why there is none.
    Run(Result<Run, String>),
    /// The map around the decision; `None` where there is none.
    Near(Option<Near>),
}

/// How far a question is.
pub enum Stage {
    /// It is asked.
    Asking(Work),
    /// There is no answer.
    Refused(NoWhatIf),
    /// There is.
    Answered(Box<Answered>),
}

/// The map.
pub enum Chart {
    /// It is being made.
    UnderWay(Work),
    /// It is there, or there is none.
    Done(Option<Box<Near>>),
}

/// An answer and what was asked of it.
pub struct Answered {
    /// The answer.
    pub answer: Arc<WhatIf>,
    /// The same as rows of a page.
    pub rows: Rows,
    /// The map.
    pub chart: Chart,
    /// Two runs side by side.
    pub beside: Option<Beside>,
}

/// A question.
pub struct Inquiry {
    /// The event.
    pub event: EventIndex,
    /// How often the best changes are counted.
    pub repeats: u32,
    /// How far it is.
    pub stage: Stage,
}

/// How far a run beside the attempt is.
pub enum Making {
    /// It is being made.
    UnderWay(Work),
    /// It can be looked at.
    Ready(Run),
    /// There is none, and why.
    Missing(String),
}

/// A change beside what was done.
pub struct Beside {
    /// Which.
    pub which: Which,
    /// With what, in words.
    pub with: String,
    /// The run.
    pub making: Making,
    /// How both go.
    pub going: Going,
    /// As it was done, and with the change, at the same tick.
    pub states: Option<[Arc<State>; 2]>,
    /// The tick that is wished for, and what has come of it.
    wish: Option<(u64, [Option<Arc<State>>; 2])>,
}

impl Beside {
    fn span_s(&self) -> Option<(f64, f64)> {
        match &self.making {
            Making::Ready(run) => Some(run.span_s),
            Making::UnderWay(_) | Making::Missing(_) => None,
        }
    }

    /// Go to a time.
    pub fn seek(&mut self, t_s: f64) {
        if let Some((from_s, to_s)) = self.span_s() {
            self.going.t_s = t_s.clamp(from_s, to_s);
        }
    }

    /// Play, from the beginning where it was at its end.
    pub fn play(&mut self) {
        if let Some((from_s, to_s)) = self.span_s() {
            if self.going.t_s >= to_s {
                self.going.t_s = from_s;
            }
            self.going.is_playing = true;
        }
    }

    /// Hold, and go by so many pictures.
    pub fn step(&mut self, pictures: i32) {
        self.going.is_playing = false;
        self.seek(self.going.t_s + f64::from(pictures) * PICTURE_S);
    }

    /// A frame of so many seconds. `was`: the film of what was done.
    fn frame(&mut self, was: &Film, frame_s: f64) {
        let Making::Ready(Run { film: with, span_s }) = &self.making else { return };
        if was.prepared_share() < 1.0 {
            return;
        }
        if let Some((tick, came)) = &mut self.wish {
            for (film, came) in [was, with].into_iter().zip(came.iter_mut()) {
                // A film shows its last moment for whatever lies beyond it, and so does one whose engine stopped.
                let is_it = |state: &Arc<State>| state.tick == (*tick).min(film.ticks) || state.fault.is_some();
                if let Some(state) = film.latest().filter(is_it) {
                    *came = Some(state);
                }
            }
            if let [Some(was), Some(with)] = came {
                self.states = Some([was.clone(), with.clone()]);
                self.wish = None;
            }
        }
        if self.going.is_playing {
            self.going.t_s += frame_s * self.going.speed;
            if self.going.t_s >= span_s.1 {
                (self.going.t_s, self.going.is_playing) = (span_s.1, false);
            }
        }
        let wanted = (self.going.t_s / with.tick_s).round() as u64;
        let shown = self.states.as_ref().map(|states| states.each_ref().map(|s| s.tick).into_iter().max());
        if self.wish.is_none() && shown != Some(Some(wanted)) {
            [was, with].iter().for_each(|film| film.seek(self.going.t_s));
            self.wish = Some((wanted, [None, None]));
        }
    }
}

/// The what-ifs of a debrief.
#[derive(Default)]
pub struct WhatIfs {
    subject: Option<Subject>,
    looking: Option<Work>,
    askable: Option<Vec<Result<(), NoWhatIf>>>,
    answers: BTreeMap<EventIndex, Inquiry>,
    /// The question whose page is shown.
    pub asked: Option<Inquiry>,
    tickets: u64,
}

impl WhatIfs {
    /// Of a debrief: what can be asked about is found out at once.
    pub fn of(judged: &Judged, clerk: &Clerk, tickets: u64) -> Self {
        let (spec, model, attempt) = (judged.spec.clone(), judged.model.clone(), judged.attempt.clone());
        let subject = Subject { spec, model, attempt };
        let mut all = Self { subject: Some(subject), tickets, ..Self::default() };
        all.looking = all
            .give(clerk, |Subject { attempt, .. }, errand| askable(&attempt, || errand.goes_on()).map(Found::Askable));
        all
    }

    /// Of no debrief.
    pub fn after(tickets: u64) -> Self {
        Self { tickets, ..Self::default() }
    }

    /// The last ticket that was given: those of another debrief begin after it.
    pub fn tickets(&self) -> u64 {
        self.tickets
    }

    /// Can an event be asked about? `None` while that is not known.
    pub fn can_ask(&self, event: EventIndex) -> Option<&Result<(), NoWhatIf>> {
        self.askable.as_ref()?.get(event as usize)
    }

    fn give(
        &mut self,
        clerk: &Clerk,
        work: impl FnOnce(Subject, &Errand) -> Option<Found> + Send + 'static,
    ) -> Option<Work> {
        let subject = self.subject.clone()?;
        self.tickets += 1;
        let (ticket, errand) = (self.tickets, Arc::<Errand>::default());
        let told = errand.clone();
        clerk.give(move || Done::WhatIf { ticket, found: work(subject, &told) });
        Some(Work { ticket, errand })
    }

    /// Ask about an event; an answer that is there with as many repetitions is shown again.
    pub fn ask(&mut self, event: EventIndex, repeats: u32, clerk: &Clerk) {
        self.leave();
        let is_known = self.answers.get(&event).is_some_and(|inquiry| inquiry.repeats >= repeats);
        if let Some(inquiry) = is_known.then(|| self.answers.remove(&event)).flatten() {
            self.asked = Some(inquiry);
            self.chart(clerk);
            return;
        }
        let work = self.give(clerk, move |Subject { spec, model, attempt }, errand| {
            let answer =
                whatif(&spec, &model, &attempt, event, repeats, threads(), |so_far: Progress| errand.tell(so_far));
            Some(Found::Answer(answer.map(Box::new)))
        });
        self.asked = work.map(|work| Inquiry { event, repeats, stage: Stage::Asking(work) });
    }

    /// Leave the question: what is under way stops, an answer is kept.
    pub fn leave(&mut self) {
        let Some(mut inquiry) = self.asked.take() else { return };
        if let Stage::Answered(answered) = &mut inquiry.stage {
            answered.beside = None;
            self.answers.insert(inquiry.event, inquiry);
        }
    }

    /// Make the map where there is none yet.
    fn chart(&mut self, clerk: &Clerk) {
        let Some(Inquiry { stage: Stage::Answered(answered), .. }) = &self.asked else { return };
        if matches!(answered.chart, Chart::Done(Some(_))) {
            return;
        }
        let answer = answered.answer.clone();
        let work = self.give(clerk, move |Subject { spec, model, attempt }, errand| {
            Some(Found::Near(near(&spec, &model, &attempt, &answer, threads(), |so_far| errand.tell(so_far))))
        });
        if let (Some(answered), Some(work)) = (self.answered_mut(), work) {
            answered.chart = Chart::UnderWay(work);
        }
    }

    /// The answer that is shown.
    pub fn answered(&self) -> Option<&Answered> {
        match &self.asked {
            Some(Inquiry { stage: Stage::Answered(answered), .. }) => Some(answered),
            _ => None,
        }
    }

    fn answered_mut(&mut self) -> Option<&mut Answered> {
        match &mut self.asked {
            Some(Inquiry { stage: Stage::Answered(answered), .. }) => Some(answered),
            _ => None,
        }
    }

    /// The two runs that are shown.
    pub fn beside_mut(&mut self) -> Option<&mut Beside> {
        self.answered_mut()?.beside.as_mut()
    }

    /// Lay an alternative beside what was done.
    pub fn lay_beside(&mut self, which: Which, clerk: &Clerk) {
        let Some(answered) = self.answered() else { return };
        let answer = answered.answer.clone();
        let Some(alternative) = alternative(&answer, which).cloned() else { return };
        let with = rows::name(&alternative);
        let work = self.give(clerk, move |subject, errand| {
            let run = filmed(&subject, &answer, &alternative, &|| errand.goes_on());
            Some(Found::Run(run))
        });
        if let (Some(answered), Some(work)) = (self.answered_mut(), work) {
            let going = Going { t_s: 0.0, is_playing: false, speed: SPEED };
            answered.beside =
                Some(Beside { which, with, making: Making::UnderWay(work), going, states: None, wish: None });
        }
    }

    /// Something was found. What nobody waits for any more is let go.
    pub fn take(&mut self, ticket: u64, found: Option<Found>, clerk: &Clerk) {
        if self.looking.as_ref().is_some_and(|work| work.ticket == ticket) {
            self.looking = None;
            if let Some(Found::Askable(askable)) = found {
                self.askable = Some(askable);
            }
            return;
        }
        let Some(inquiry) = &mut self.asked else { return };
        match (&mut inquiry.stage, found) {
            (Stage::Asking(work), Some(Found::Answer(answer))) if work.ticket == ticket => match answer {
                Ok(answer) => {
                    inquiry.stage = Stage::Answered(Box::new(Answered::new(*answer)));
                    self.chart(clerk);
                }
                Err(why) => inquiry.stage = Stage::Refused(why),
            },
            (Stage::Answered(answered), Some(Found::Near(near))) => {
                if matches!(&answered.chart, Chart::UnderWay(work) if work.ticket == ticket) {
                    answered.chart = Chart::Done(near.map(Box::new));
                }
            }
            (Stage::Answered(answered), Some(Found::Run(run))) => {
                let Some(beside) = &mut answered.beside else { return };
                if matches!(&beside.making, Making::UnderWay(work) if work.ticket == ticket) {
                    beside.laid(run);
                }
            }
            _ => {}
        }
    }

    /// A frame of so many seconds. `was`: the film of the attempt.
    pub fn frame(&mut self, was: Option<&Film>, frame_s: f64) {
        if let (Some(beside), Some(was)) = (self.beside_mut(), was) {
            beside.frame(was, frame_s);
        }
    }

    /// The last chop of an attempt asked about and answered at once, with its best change beside it at some time: for pictures.
    /// `None` where there is no such chop.
    pub fn at_once(judged: &Judged, at_s: f64) -> Option<Self> {
        let (spec, model, attempt) = (judged.spec.clone(), judged.model.clone(), judged.attempt.clone());
        let is_end = |kind: &EventKind| matches!(kind, EventKind::ChopEnded(_));
        let event = attempt.events.iter().rposition(|e| is_end(&e.kind))? as EventIndex;
        let repeats = REPEATS[0];
        let answer = whatif(&spec, &model, &attempt, event, repeats, 0, |_| true).ok()?;
        let near = near(&spec, &model, &attempt, &answer, 0, |_| true);
        let mut answered = Answered::new(answer);
        answered.chart = Chart::Done(near.map(Box::new));
        let subject = Subject { spec, model, attempt };
        if let Some(which) = answered.best() {
            let alternative = alternative(&answered.answer, which)?;
            let (run, inputs) = run(&subject, &answered.answer, alternative, &|| true).ok()?;
            let (from_s, to_s) = run.span_s;
            let going = Going { t_s: at_s.clamp(from_s, to_s), is_playing: false, speed: SPEED };
            let tick = (going.t_s / subject.model.tick_s).round() as usize;
            let mut was = State::new(&subject.model);
            subject.attempt.record.inputs().take(tick).for_each(|i| step(&subject.model, &mut was, &i));
            let mut with = State::new(&subject.model);
            inputs.iter().take(tick).for_each(|i| step(&subject.model, &mut with, i));
            let states = Some([was, with].map(Arc::new));
            let with = rows::name(alternative);
            answered.beside = Some(Beside { which, with, making: Making::Ready(run), going, states, wish: None });
        }
        let asked = Inquiry { event, repeats, stage: Stage::Answered(Box::new(answered)) };
        Some(Self { subject: Some(subject), asked: Some(asked), ..Self::default() })
    }
}

impl Answered {
    fn new(answer: WhatIf) -> Self {
        let rows = Rows::of(&answer);
        Self { answer: Arc::new(answer), rows, chart: Chart::Done(None), beside: None }
    }

    /// The change that is most worth a look: what is easy, what suffices, the best pair, the best of all.
    fn best(&self) -> Option<Which> {
        let answer = &self.answer;
        let single = answer.earliest_easy.or(answer.latest_sufficient).map(Which::Single);
        let pair = (!answer.pairs.is_empty()).then_some(Which::Pair(0));
        single.or(pair).or((!answer.alternatives.is_empty()).then_some(Which::Single(0)))
    }
}

impl Beside {
    fn laid(&mut self, run: Result<Run, String>) {
        match run {
            Ok(run) => {
                self.going = Going { t_s: run.span_s.0, is_playing: true, speed: self.going.speed };
                self.making = Making::Ready(run);
            }
            Err(why) => self.making = Making::Missing(why),
        }
    }
}

/// One of the alternatives of an answer.
fn alternative(answer: &WhatIf, which: Which) -> Option<&Alternative> {
    match which {
        Which::Single(at) => answer.alternatives.get(at),
        Which::Pair(at) => answer.pairs.get(at),
    }
}

fn filmed(
    subject: &Subject,
    answer: &WhatIf,
    alternative: &Alternative,
    goes_on: &dyn Fn() -> bool,
) -> Result<Run, String> {
    run(subject, answer, alternative, goes_on).map(|(run, _)| run)
}

/// A run with an alternative and what hands and foot did in it. States are kept on the way, so that it can be looked at at once.
fn run(
    subject: &Subject,
    answer: &WhatIf,
    alternative: &Alternative,
    goes_on: &dyn Fn() -> bool,
) -> Result<(Run, Vec<crate::sim::Inputs>), String> {
    let Subject { model, attempt, .. } = subject;
    let mut kept = Keyframes::default();
    let see = |state: &State| kept.begin_or_see(state);
    let Alternative { moment, changes, .. } = alternative;
    let Some(Rerun { from, inputs }) = rerun(model, attempt, answer, *moment, changes, see, goes_on) else {
        return Err("There is no run with this change: the attempt never came to that moment.".to_owned());
    };
    let span_s = (from as f64 * model.tick_s, inputs.len() as f64 * model.tick_s);
    let film = Film::new(model.clone(), inputs.clone(), Some(kept));
    let film = film.map_err(|error| format!("The run cannot be made ready: {error}."))?;
    Ok((Run { film, span_s }, inputs))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, clippy::panic)]
    use super::*;
    use crate::app::clerk::film;
    use crate::app::pages::{self, Around};
    use crate::app::panels::Command;
    use crate::app::panels::trial::{self, Queryable as _};
    use crate::app::practice::tests::Desk;
    use crate::app::practice::{Page, Practice};
    use crate::attempt::{Device, Header};
    use crate::case::{Resolution, compile, parse_case};
    use crate::debrief::{Course, Debrief};
    use crate::plan::parse_plan;
    use std::time::{Duration, Instant};

    const CASE: &str = include_str!("../../../scenarios/long-eye-dense-core.ron");
    const PLAN: &str = include_str!("../../../scenarios/long-eye-dense-core.good.plan.ron");

    /// Repetitions in these tests: few, so that an answer comes soon.
    const FEW: u32 = 3;

    /// Repetitions that are not over before somebody can stop them.
    const MANY: u32 = 1000;

    /// A desk on which lies the debrief of a chop.
    fn desk() -> Desk {
        let spec = parse_case("long-eye-dense-core.ron", CASE).unwrap().spec;
        let model = Arc::new(compile(&spec, 1, Resolution::default()).unwrap().model);
        let (plan, _) = parse_plan("plan.ron", PLAN).unwrap();
        let course = Course::of_plan(&model, &plan).unwrap();
        let debrief = Debrief::of(&course.facts(&spec, &model));
        let header = Header::new("long-eye-dense-core", CASE, 1, Device::Plan("good".into()));
        let judged = Judged::new(Arc::new(spec), model.clone(), header, course, debrief);
        let film = film(&model, &judged.attempt, None);
        let mut desk = Desk::new();
        desk.practice().show_debrief(Box::new(Judged { film, ..judged }));
        desk
    }

    /// The place in the story of a moment whose event is so.
    fn moment(practice: &Practice, is_it: fn(&EventKind) -> bool) -> (usize, EventIndex) {
        let judged = practice.judged.as_ref().unwrap();
        let mut moments = judged.rows.moments().iter().enumerate();
        let event = |event: EventIndex| &judged.course.state.events[event as usize].kind;
        let (at, found) = moments.find(|(_, m)| m.event.is_some_and(|e| is_it(event(e)))).unwrap();
        (at, found.event.unwrap())
    }

    fn has_ended(kind: &EventKind) -> bool {
        matches!(kind, EventKind::ChopEnded(_))
    }

    /// Is it said on the page?
    fn says(practice: &Practice, words: &str) -> bool {
        let bindings = crate::app::hands::Bindings::default();
        let around = Around {
            bindings: &bindings,
            remap: "",
            has_pedal: false,
            section: None,
            section_beside: None,
            note: None,
        };
        let page = trial::small_page(|ui| pages::show(ui, practice, &around));
        page.query_all_by_label_contains(words).next().is_some()
    }

    fn errand(practice: &Practice) -> Arc<Errand> {
        match &practice.whatifs.asked.as_ref().unwrap().stage {
            Stage::Asking(work) => work.errand.clone(),
            _ => panic!("nothing is asked"),
        }
    }

    #[test]
    fn a_step_cannot_be_asked_about_and_it_is_said_why() {
        let mut desk = desk();
        let (at, event) = moment(desk.practice(), |kind| matches!(kind, EventKind::TipEnteredLens));
        desk.ask(Command::ChooseMoment(at));
        desk.until("it is known what can be asked about", |s| s.whatifs.can_ask(event).is_some());
        assert!(desk.practice().whatifs.can_ask(event).unwrap().is_err());
        assert!(says(
            desk.practice(),
            "A step on the way, not an outcome that could have been otherwise. What came out at"
        ));
        assert!(!says(desk.practice(), "What if …"));
        // Asked all the same, it is refused with the same sentence.
        desk.practice().ask_what_if(event, FEW);
        desk.until("it is refused", |s| matches!(s.whatifs.asked.as_ref().unwrap().stage, Stage::Refused(_)));
        assert!(says(desk.practice(), "A step on the way, not an outcome"));
        desk.ask(Command::Back);
        assert_eq!(desk.practice().page, Page::Debrief);
    }

    #[test]
    fn an_outcome_is_asked_about_answered_and_a_change_is_played_in_step_beside_it() {
        let mut desk = desk();
        let (at, event) = moment(desk.practice(), has_ended);
        desk.ask(Command::ChooseMoment(at));
        desk.until("it can be asked about", |s| s.whatifs.can_ask(event) == Some(&Ok(())));
        assert!(says(desk.practice(), "What if …"));
        desk.practice().ask_what_if(event, FEW);
        assert_eq!(desk.practice().page, Page::WhatIf);
        let mut told = Vec::new();
        while desk.practice().whatifs.answered().is_none() {
            if let Stage::Asking(work) = &desk.practice().whatifs.asked.as_ref().unwrap().stage {
                told.push(work.progress());
            }
            desk.frames(1);
        }
        assert!(told.iter().map(|p| p.done).is_sorted(), "it never goes back");
        assert!(told.iter().any(|p| p.share() > 0.1 && p.share() < 0.9), "it is told on the way: {told:?}");
        let answered = desk.practice().whatifs.answered().unwrap();
        assert_eq!(answered.answer.event, event);
        let words = answered.rows.decision.clone();
        assert!(says(desk.practice(), &words) && says(desk.practice(), "Pick a change at the left"));
        desk.until(
            "the map is there",
            |s| matches!(&s.whatifs.answered().unwrap().chart, Chart::Done(Some(near)) if near.cells.len() == 25),
        );

        // A change is laid beside what was done; both go on together.
        let alternatives = &desk.practice().whatifs.answered().unwrap().answer.alternatives;
        let at = alternatives.iter().position(|a| a.changes.len() == 1 && a.difference.0 < 0.0).unwrap();
        desk.ask(Command::LayBeside(Which::Single(at)));
        desk.until("both runs are there", |s| s.runs().is_some());
        let span_s = desk.practice().whatifs.beside_mut().unwrap().span_s().unwrap();
        let mut ticks = Vec::new();
        for _ in 0..600 {
            desk.frames(1);
            let states = desk.practice().runs().unwrap();
            assert_eq!(states[0].tick, states[1].tick, "one run is ahead");
            ticks.push(states[0].tick);
        }
        assert!(ticks.is_sorted() && ticks.last() > ticks.first(), "they do not go on");
        assert!(ticks[0] as f64 / 240.0 >= span_s.0 - 0.01, "they begin with the decision");
        desk.ask(Command::HoldReplay);
        let middle_s = 0.5 * (span_s.0 + span_s.1);
        desk.ask(Command::ScrubReplay { t_s: middle_s });
        let tick = (middle_s * 240.0).round() as u64;
        desk.until("both are at the moment", |s| s.runs().unwrap().iter().all(|state| state.tick == tick));
        desk.ask(Command::StepReplay(1));
        desk.until("both are a picture on", |s| s.runs().unwrap().iter().all(|state| state.tick == tick + 10));
        // In the end they differ: it was a change that made a difference.
        desk.ask(Command::ScrubReplay { t_s: span_s.1 });
        let end = (span_s.1 * 240.0).round() as u64;
        desk.until("the end", |s| s.runs().unwrap()[1].tick == end);
        let [was, with] = desk.practice().runs().unwrap();
        assert!(was.hash() != with.hash());

        // The answer is kept for as long as the debrief is looked at.
        desk.ask(Command::Back);
        assert_eq!(desk.practice().page, Page::Debrief);
        desk.practice().ask_what_if(event, FEW);
        assert!(desk.practice().whatifs.answered().is_some());
    }

    #[test]
    fn leaving_stops_what_is_asked_and_nothing_comes_of_it() {
        for leave in [Command::Back, Command::AnotherCase] {
            let mut desk = desk();
            let (_, event) = moment(desk.practice(), has_ended);
            desk.practice().ask_what_if(event, MANY);
            desk.until("it is under way", |s| errand(s).done.load(Ordering::Relaxed) > 0);
            let errand = errand(desk.practice());
            desk.frames(1);
            assert!(says(desk.practice(), "repetitions"));
            desk.ask(leave.clone());
            assert!(desk.practice().whatifs.asked.is_none());
            // Whoever worked on it lets go of it.
            let begun = Instant::now();
            while Arc::strong_count(&errand) > 1 {
                assert!(begun.elapsed() < Duration::from_secs(60), "{leave:?} does not stop it");
                desk.frames(1);
            }
            desk.frames(10);
            assert!(desk.practice().whatifs.asked.is_none() && desk.practice().page != Page::WhatIf);
        }
    }
}

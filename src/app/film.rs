//! An attempt to be looked at again, from any moment: states kept every few seconds, and the inputs that lead on from them.
//!
//! Preparing and seeking run on a thread of their own, so that no frame waits; a later wish replaces an earlier one. What is
//! shown is what the engine computes from the recorded inputs, never a recording of pictures. Times are s of the eye's time.

use crate::sim::{Inputs, Model, State, step};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex};

/// Ticks between kept states at first, and most that are kept: when there are more, every second one goes.
const FIRST_SPACING_TICKS: u64 = 4 * 240;
const MOST_KEPT: usize = 48;

/// States kept on the way.
#[derive(Clone, Debug)]
pub struct Keyframes {
    kept: Vec<Arc<State>>,
    spacing_ticks: u64,
}

impl Default for Keyframes {
    fn default() -> Self {
        Self { kept: Vec::new(), spacing_ticks: FIRST_SPACING_TICKS }
    }
}

impl Keyframes {
    /// See a state; it is kept when it is its turn.
    pub fn see(&mut self, state: &State) {
        if !state.tick.is_multiple_of(self.spacing_ticks) || self.kept.last().is_some_and(|k| k.tick >= state.tick) {
            return;
        }
        self.kept.push(Arc::new(state.clone()));
        if self.kept.len() > MOST_KEPT {
            self.spacing_ticks *= 2;
            let spacing = self.spacing_ticks;
            let first = self.kept.first().map(|k| k.tick);
            self.kept.retain(|k| k.tick.is_multiple_of(spacing) || Some(k.tick) == first);
        }
    }

    /// See a state; the first is kept whatever its tick, for what begins in the middle of an attempt.
    pub fn begin_or_see(&mut self, state: &State) {
        if self.kept.is_empty() {
            self.kept.push(Arc::new(state.clone()));
        } else {
            self.see(state);
        }
    }

    /// The last one at or before a tick.
    fn before(&self, tick: u64) -> Option<&Arc<State>> {
        self.kept.iter().rev().find(|k| k.tick <= tick)
    }
}

/// A film: the wish of a moment goes in, the state of that moment comes out.
pub struct Film {
    wishes: Sender<u64>,
    states: Mutex<Receiver<Arc<State>>>,
    prepared: Arc<AtomicU32>,
    /// Number of ticks.
    pub ticks: u64,
    /// Length of a tick, s.
    pub tick_s: f64,
}

/// Shares of preparation are told in this many parts.
const PARTS: u32 = 1000;

impl Film {
    /// Of recorded inputs. `kept`: states kept while they were recorded; without them the film is prepared from its beginning.
    ///
    /// # Errors
    /// When no thread can be had.
    pub fn new(model: Arc<Model>, inputs: Vec<Inputs>, kept: Option<Keyframes>) -> std::io::Result<Self> {
        let (wishes, asked) = channel::<u64>();
        let (done, states) = channel();
        let prepared = Arc::new(AtomicU32::new(0));
        let (ticks, tick_s) = (inputs.len() as u64, model.tick_s);
        let told = prepared.clone();
        std::thread::Builder::new().name("film".into()).spawn(move || {
            let mut reel = Reel {
                keyframes: kept.unwrap_or_else(|| prepare(&model, &inputs, &told)),
                cursor: None,
                model,
                inputs,
            };
            told.store(PARTS, Ordering::Relaxed);
            while let Ok(mut tick) = asked.recv() {
                while let Ok(later) = asked.try_recv() {
                    tick = later;
                }
                if done.send(reel.state_at(tick)).is_err() {
                    break;
                }
            }
        })?;
        Ok(Self { wishes, states: Mutex::new(states), prepared, ticks, tick_s })
    }

    /// How much of it is prepared, 0..1.
    pub fn prepared_share(&self) -> f32 {
        self.prepared.load(Ordering::Relaxed) as f32 / PARTS as f32
    }

    /// Length, s.
    pub fn length_s(&self) -> f64 {
        self.ticks as f64 * self.tick_s
    }

    /// Wish for the moment at a time.
    pub fn seek(&self, t_s: f64) {
        let tick = (t_s / self.tick_s).round().clamp(0.0, self.ticks as f64) as u64;
        let _ = self.wishes.send(tick);
    }

    /// The latest moment that has come, if there is a new one.
    pub fn latest(&self) -> Option<Arc<State>> {
        self.states.lock().ok()?.try_iter().last()
    }
}

fn prepare(model: &Model, inputs: &[Inputs], told: &AtomicU32) -> Keyframes {
    let (mut keyframes, mut state) = (Keyframes::default(), State::new(model));
    keyframes.see(&state);
    for (i, inputs_now) in inputs.iter().enumerate() {
        step(model, &mut state, inputs_now);
        keyframes.see(&state);
        let share = (i as u64 * u64::from(PARTS) / inputs.len() as u64) as u32;
        told.store(share.min(PARTS - 1), Ordering::Relaxed);
    }
    keyframes
}

/// What the thread works on.
struct Reel {
    keyframes: Keyframes,
    cursor: Option<State>,
    model: Arc<Model>,
    inputs: Vec<Inputs>,
}

impl Reel {
    fn state_at(&mut self, tick: u64) -> Arc<State> {
        let kept = self.keyframes.before(tick);
        let is_near = self.cursor.as_ref().is_some_and(|c| c.tick <= tick && kept.is_none_or(|k| k.tick <= c.tick));
        if !is_near {
            self.cursor = Some(kept.map_or_else(|| State::new(&self.model), |k| State::clone(k)));
        }
        let cursor = self.cursor.get_or_insert_with(|| State::new(&self.model));
        while cursor.tick < tick && cursor.fault.is_none() {
            let Some(inputs) = self.inputs.get(cursor.tick as usize) else { break };
            step(&self.model, cursor, inputs);
        }
        Arc::new(cursor.clone())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::case::{Resolution, compile, parse_case};
    use crate::debrief::course::Course;
    use crate::plan::parse_plan;
    use std::time::{Duration, Instant};

    /// Longest a test waits for the thread.
    const PATIENCE: Duration = Duration::from_secs(60);

    fn short() -> (Arc<Model>, Vec<Inputs>) {
        let case = parse_case("c.ron", include_str!("../../scenarios/medium-uniform.ron")).unwrap();
        let (plan, _) = parse_plan("p.ron", include_str!("../../scenarios/medium-uniform.good.plan.ron")).unwrap();
        let model = compile(&case.spec, 1, Resolution::default()).unwrap().model;
        let course = Course::of_plan(&model, &plan).unwrap();
        let inputs = course.record.inputs().collect();
        (Arc::new(model), inputs)
    }

    fn wait(film: &Film, tick: u64) -> Arc<State> {
        let begun = Instant::now();
        film.seek(tick as f64 * film.tick_s);
        loop {
            match film.latest() {
                Some(state) if state.tick == tick => return state,
                _ => assert!(begun.elapsed() < PATIENCE, "tick {tick} never came"),
            }
            std::thread::sleep(Duration::from_millis(2));
        }
    }

    #[test]
    fn forward_or_back_a_moment_is_the_one_the_engine_came_through() {
        let (model, inputs) = short();
        let ticks = [inputs.len() as u64, 100, 1200, 1201, 3, inputs.len() as u64 / 2];
        let film = Film::new(model.clone(), inputs.clone(), None).unwrap();
        for tick in ticks {
            let mut state = State::new(&model);
            inputs.iter().take(tick as usize).for_each(|i| step(&model, &mut state, i));
            assert_eq!(wait(&film, tick).hash(), state.hash(), "tick {tick}");
        }
        assert_eq!(film.prepared_share(), 1.0);
    }

    #[test]
    fn kept_states_stay_few() {
        let (model, _) = short();
        let (mut keyframes, mut state) = (Keyframes::default(), State::new(&model));
        for tick in (0..600 * 240).step_by(240) {
            state.tick = tick;
            keyframes.see(&state);
            assert!(keyframes.kept.len() <= MOST_KEPT);
        }
        assert!(keyframes.kept.len() > MOST_KEPT / 3);
        assert_eq!(keyframes.kept[0].tick, 0);
    }
}

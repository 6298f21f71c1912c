//! The eye's time: ticks fall due while a frame is prepared and are stepped on a thread of their own while it is drawn.
//!
//! The attempt under way is handed over at the end of a frame and is back at the beginning of the next, so whatever runs in
//! between finds it in the practice. Without the thread the ticks are stepped where they fall due.

use crate::app::hands::Controls;
use crate::app::operation::Operation;
use crate::app::practice::Practice;
use crate::units::TICKS_PER_SECOND;
use bevy::prelude::*;
use std::sync::Mutex;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;

/// Longest time that is made up for in one frame: on a machine that cannot follow, the eye's time goes slower instead.
const MOST_MADE_UP: Duration = Duration::from_millis(100);

/// An attempt, and what the hands do in its next ticks.
struct Errand {
    operation: Box<Operation>,
    ticks: Vec<Controls>,
}

impl Errand {
    fn run(mut self) -> Box<Operation> {
        for controls in &self.ticks {
            self.operation.tick(controls);
        }
        self.operation.make_ready();
        self.operation
    }
}

/// The thread that steps the eye.
#[derive(Resource)]
pub struct Eye {
    errands: Sender<Errand>,
    done: Mutex<Receiver<Box<Operation>>>,
    is_away: bool,
}

impl Eye {
    /// Open it.
    ///
    /// # Errors
    /// When no thread can be had.
    pub fn open() -> std::io::Result<Self> {
        let (errands, asked) = channel::<Errand>();
        let (back, done) = channel();
        std::thread::Builder::new().name("eye".into()).spawn(move || {
            while let Ok(errand) = asked.recv() {
                if back.send(errand.run()).is_err() {
                    break;
                }
            }
        })?;
        Ok(Self { errands, done: Mutex::new(done), is_away: false })
    }
}

/// Ticks that have fallen due in this frame.
#[derive(Default, Resource)]
struct Due(Vec<Controls>);

/// The systems of a frame between which the attempt is at hand.
#[derive(Clone, Debug, PartialEq, Eq, Hash, SystemSet)]
pub enum Handing {
    /// It comes back, first of all.
    Back,
    /// It is handed over, last of all.
    Over,
}

/// The eye's time.
pub fn plugin(app: &mut App) {
    app.insert_resource(Time::<Fixed>::from_hz(f64::from(TICKS_PER_SECOND)))
        .init_resource::<Due>()
        .add_systems(Startup, |mut time: ResMut<Time<Virtual>>| time.set_max_delta(MOST_MADE_UP))
        .add_systems(First, take_back.in_set(Handing::Back))
        .add_systems(FixedUpdate, tick)
        .add_systems(Last, hand_over.in_set(Handing::Over));
}

fn take_back(eye: Option<ResMut<Eye>>, mut practice: ResMut<Practice>, mut exit: MessageWriter<AppExit>) {
    let Some(mut eye) = eye else { return };
    if !std::mem::take(&mut eye.is_away) {
        return;
    }
    practice.operation = eye.done.lock().ok().and_then(|done| done.recv().ok());
    if practice.operation.is_none() {
        // The thread has gone and has said why; what was kept of the attempt stays.
        exit.write(AppExit::error());
    }
    practice.see();
}

fn tick(mut practice: ResMut<Practice>, mut controls: ResMut<Controls>, mut due: ResMut<Due>) {
    practice.try_foot(&controls);
    if practice.is_running() {
        due.0.push(controls.clone());
    }
    controls.spend();
}

fn hand_over(eye: Option<ResMut<Eye>>, mut practice: ResMut<Practice>, mut due: ResMut<Due>) {
    let ticks = std::mem::take(&mut due.0);
    if ticks.is_empty() || !practice.is_running() {
        return;
    }
    let Some(operation) = practice.operation.take() else { return };
    let errand = Errand { operation, ticks };
    let errand = match eye {
        Some(mut eye) => match eye.errands.send(errand) {
            Ok(()) => {
                eye.is_away = true;
                return;
            }
            Err(refused) => refused.0,
        },
        None => errand,
    };
    practice.operation = Some(errand.run());
    practice.see();
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::app::hands::PedalCalibration;
    use crate::app::operation::{Chosen, POWER_LIMIT};
    use crate::app::panels::stepwise::Choices;
    use crate::app::panels::{Command, Way};
    use crate::app::settings::Settings;
    use crate::attempt::Setup;
    use bevy::time::TimeUpdateStrategy;

    /// The end of half a second of burying, with the eye's own thread or without.
    fn buried(has_thread: bool) -> Box<Operation> {
        let mut practice = Practice::unattended(Settings { notice_seen: true, ..Settings::default() });
        let shelved = practice.cases[0].clone();
        let chosen = Chosen {
            scenario: shelved.name,
            case: shelved.case,
            setup: Setup::default(),
            seed: 1,
            way: Way::Stepwise,
            power_limit: POWER_LIMIT,
            calibration: PedalCalibration::default(),
        };
        practice.start(Box::new(Operation::begin(chosen).unwrap()));
        practice.command(Command::Perform(Choices::default().bury()));
        let mut app = App::new();
        app.add_plugins((MinimalPlugins, plugin))
            .insert_resource(TimeUpdateStrategy::ManualDuration(Duration::from_micros(16_667)))
            .insert_resource(practice)
            .init_resource::<Controls>();
        if has_thread {
            app.insert_resource(Eye::open().unwrap());
        }
        (0..30).for_each(|_| app.update());
        app.world_mut().resource_mut::<Practice>().command(Command::Pause);
        app.update();
        app.world_mut().resource_mut::<Practice>().operation.take().unwrap()
    }

    #[test]
    fn the_eye_goes_the_same_way_on_a_thread_of_its_own() {
        let [with, without] = [true, false].map(buried);
        let state = &with.course.state;
        assert!(state.tick > 100 && state.needle.is_some(), "{} ticks", state.tick);
        assert_eq!(state.hash(), without.course.state.hash());
        assert_eq!(with.state().tick, state.tick, "what is looked at is what there is");
        assert_eq!(with.words, without.words);
    }
}

//! Keyboard, mouse, gamepad and pedal, read once a frame.
//!
//! First what the devices ask of each action ([`Asked`], for whoever wants to know), then what that means for hands and foot
//! ([`Controls`]). A frame may last no tick or several: what is asked once is added up until a tick has spent it.
//!
//! Limits: motion of the mouse is taken as the window gives it, raw, so that a pointer at the window's edge still moves the
//! hand; all gamepads count as one.

use crate::app::hands::bindings::{Action, Bindings};
use crate::app::hands::foot::PedalCalibration;
use crate::app::hands::freehand::Controls;
use crate::app::hands::keys::{Source, Way};
use crate::sim::Injected;
use crate::sim::hands::ChopperEnd;
use bevy::input::InputSystems;
use bevy::input::gamepad::Gamepad;
use bevy::input::mouse::{AccumulatedMouseMotion, AccumulatedMouseScroll, MouseScrollUnit};
use bevy::prelude::*;
use std::collections::BTreeMap;

/// Way along the shaft of one line of the wheel, mm (A).
const WHEEL_MM: f64 = 0.2;

/// Share of a stick's way that counts as rest.
const STICK_DEAD_ZONE: f64 = 0.12;

/// Time after which a held key repeats its step, and time between repeats, s.
const REPEATS_AFTER_S: f64 = 0.4;
const REPEATS_EVERY_S: f64 = 0.1;

/// Reading of a pedal from which it counts as used.
const PEDAL_USED: f64 = 0.1;

/// How motion of the pointer lies in the eye: set by whoever places the microscope.
#[derive(Clone, Copy, Debug, PartialEq, Resource)]
pub struct ViewPlane {
    /// To the right in the picture, unit vector of the eye.
    pub right: [f64; 3],
    /// Up in the picture, unit vector of the eye.
    pub up: [f64; 3],
    /// Size of a pixel of the picture in the eye, mm.
    pub mm_per_px: f64,
}

impl Default for ViewPlane {
    fn default() -> Self {
        Self { right: [1.0, 0.0, 0.0], up: [0.0, 1.0, 0.0], mm_per_px: 0.02 }
    }
}

/// What the devices may do now: set by whoever shows panels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Resource)]
pub struct Engaged {
    /// Hands and foot follow: an attempt is under way and not paused.
    pub hands: bool,
    /// The mouse is for the picture, and not over a panel.
    pub pointer: bool,
    /// Keys are for actions, and not for a text that is being typed.
    pub keys: bool,
}

impl Default for Engaged {
    fn default() -> Self {
        Self { hands: false, pointer: true, keys: true }
    }
}

/// What the devices ask of each action in this frame.
#[derive(Clone, Debug, Default, PartialEq, Resource)]
pub struct Asked {
    /// How much, 0..1 (a pedal's axes: as read), of those that are asked for.
    values: BTreeMap<Action, f64>,
    /// Lines of the wheel, of those that it asks for.
    lines: BTreeMap<Action, f64>,
    /// Those that were not asked for in the frame before.
    began: Vec<Action>,
}

impl Asked {
    /// How much an action is asked for, 0..1; a wheel that turns asks for all of it in that frame.
    pub fn value(&self, action: Action) -> f64 {
        let is_wheeled = self.lines.contains_key(&action);
        self.values.get(&action).copied().unwrap_or(if is_wheeled { 1.0 } else { 0.0 })
    }

    /// Has it begun to be asked for in this frame?
    pub fn began(&self, action: Action) -> bool {
        self.began.contains(&action)
    }

    /// What keys and sticks ask for, without the wheel, −1..1: one action less its opposite.
    fn balance(&self, plus: Action, minus: Action) -> f64 {
        let held = |action| self.values.get(&action).copied().unwrap_or(0.0);
        held(plus) - held(minus)
    }

    /// The same of the wheel, in lines.
    fn wheeled(&self, plus: Action, minus: Action) -> f64 {
        let lines = |action| self.lines.get(&action).copied().unwrap_or(0.0);
        lines(plus) - lines(minus)
    }
}

/// With what the attempt was steered: what an attempt's file says of its device.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Resource)]
pub struct Device {
    /// Keys or the mouse were used.
    pub keyboard: bool,
    /// A gamepad was used.
    pub gamepad: bool,
    /// A pedal with a travel of its own was used.
    pub pedal: bool,
}

impl Device {
    /// In words.
    pub fn label(&self) -> String {
        let used = [(self.keyboard, "mouse and keyboard"), (self.gamepad, "gamepad"), (self.pedal, "analogue pedal")];
        let words: Vec<&str> = used.into_iter().filter(|(is_used, _)| *is_used).map(|(_, words)| words).collect();
        if words.is_empty() { "no device".to_string() } else { words.join(", ") }
    }
}

/// Devices move the hands.
pub fn plugin(app: &mut App) {
    app.init_resource::<Bindings>()
        .init_resource::<PedalCalibration>()
        .init_resource::<ViewPlane>()
        .init_resource::<Engaged>()
        .init_resource::<Asked>()
        .init_resource::<Device>()
        .init_resource::<Controls>()
        .add_systems(PreUpdate, (ask, steer).chain().after(InputSystems));
}

/// What the devices ask for.
#[expect(clippy::too_many_arguments, reason = "one for each device, and what they mean")]
fn ask(
    bindings: Res<Bindings>,
    engaged: Res<Engaged>,
    keys: Res<ButtonInput<KeyCode>>,
    buttons: Res<ButtonInput<MouseButton>>,
    scroll: Res<AccumulatedMouseScroll>,
    gamepads: Query<&Gamepad>,
    mut asked: ResMut<Asked>,
    mut device: ResMut<Device>,
) {
    let lines = f64::from(scroll.delta.y)
        / match scroll.unit {
            MouseScrollUnit::Line => 1.0,
            MouseScrollUnit::Pixel => f64::from(MouseScrollUnit::SCROLL_UNIT_CONVERSION_FACTOR),
        };
    *asked = Asked::default();
    let mut used = Device::default();
    for action in Action::ALL {
        let is_pedal = matches!(action, Action::PedalTravel | Action::PedalSwing);
        let mut value: Option<f64> = None;
        // Of several sources the one that asks most counts.
        let mut add = |more: f64| value = Some(value.map_or(more, |v| if more.abs() > v.abs() { more } else { v }));
        let mut has_begun = false;
        for source in bindings.sources(*action) {
            match *source {
                Source::Key(key) if engaged.keys && keys.pressed(key.code()) => {
                    add(1.0);
                    has_begun |= keys.just_pressed(key.code());
                    used.keyboard = true;
                }
                Source::Mouse(button) if engaged.pointer && buttons.pressed(button.code()) => {
                    add(1.0);
                    has_begun |= buttons.just_pressed(button.code());
                    used.keyboard = true;
                }
                Source::WheelUp | Source::WheelDown => {
                    let turned = if *source == Source::WheelUp { lines } else { -lines };
                    if engaged.pointer && turned > 0.0 {
                        asked.lines.insert(*action, turned);
                        has_begun = true;
                        used.keyboard = true;
                    }
                }
                Source::Pad(button) => {
                    for pad in &gamepads {
                        let pressed = f64::from(pad.get(button.code()).unwrap_or(0.0));
                        let is_held = pad.pressed(button.code());
                        if is_pedal || is_held || pressed > STICK_DEAD_ZONE {
                            add(if is_held && !is_pedal { pressed.max(1.0) } else { pressed });
                        }
                        has_begun |= pad.just_pressed(button.code());
                        used.pedal |= is_pedal && pressed.abs() > PEDAL_USED;
                        used.gamepad |= !is_pedal && is_held;
                    }
                }
                Source::Axis(axis, way) => {
                    for pad in &gamepads {
                        let sign = if way == Way::Plus { 1.0 } else { -1.0 };
                        let read = sign * f64::from(pad.get(axis.code()).unwrap_or(0.0));
                        if is_pedal {
                            add(read);
                            used.pedal |= read.abs() > PEDAL_USED;
                        } else if read > STICK_DEAD_ZONE {
                            add((read - STICK_DEAD_ZONE) / (1.0 - STICK_DEAD_ZONE));
                            used.gamepad = true;
                        }
                    }
                }
                Source::Key(_) | Source::Mouse(_) => {}
            }
        }
        if let Some(value) = value {
            asked.values.insert(*action, value);
        }
        if has_begun {
            asked.began.push(*action);
        }
    }
    if engaged.hands {
        device.keyboard |= used.keyboard;
        device.gamepad |= used.gamepad;
        device.pedal |= used.pedal;
    }
}

/// What that means for hands and foot.
#[expect(clippy::too_many_arguments, reason = "where the picture lies, how the pedal is set, and what is asked")]
fn steer(
    time: Res<Time>,
    engaged: Res<Engaged>,
    view: Res<ViewPlane>,
    calibration: Res<PedalCalibration>,
    motion: Res<AccumulatedMouseMotion>,
    asked: Res<Asked>,
    mut device: ResMut<Device>,
    mut controls: ResMut<Controls>,
    mut repeats: Local<BTreeMap<Action, f64>>,
) {
    if !engaged.hands {
        *controls = Controls::default();
        repeats.clear();
        return;
    }
    let controls = controls.as_mut();
    (controls.right, controls.up) = (view.right, view.up);
    if engaged.pointer && motion.delta != Vec2::ZERO {
        // Pixels count downward.
        controls.motion_mm[0] += f64::from(motion.delta.x) * view.mm_per_px;
        controls.motion_mm[1] -= f64::from(motion.delta.y) * view.mm_per_px;
        device.keyboard = true;
    }
    use Action as A;
    controls.along_mm += asked.wheeled(A::Advance, A::Withdraw) * WHEEL_MM;
    controls.tip = [asked.balance(A::TipRight, A::TipLeft), asked.balance(A::TipUp, A::TipDown)];
    controls.along = asked.balance(A::Advance, A::Withdraw);
    controls.steepen = asked.balance(A::SteepenAngle, A::FlattenAngle);
    controls.roll = asked.balance(A::RollRight, A::RollLeft);
    controls.turn = asked.balance(A::TurnNucleusLeft, A::TurnNucleusRight);
    controls.is_fine = asked.value(A::FineMotion) > 0.5;
    controls.moves_chopper = asked.value(A::MoveChopper) > 0.5;
    controls.deeper = asked.balance(A::ChopperDeeper, A::ChopperShallower);
    controls.part = asked.balance(A::Part, A::Close);
    controls.pedal = asked.balance(A::PressPedal, A::ReleasePedal);
    controls.reflux = asked.value(A::Reflux) > 0.5;
    let fillings = [
        (A::InjectCohesive, Injected::Cohesive),
        (A::InjectDispersive, Injected::Dispersive),
        (A::InjectFluid, Injected::Fluid),
    ];
    controls.inject = fillings.into_iter().find(|(action, _)| asked.value(*action) > 0.5).map(|(_, what)| what);
    // Where no pedal is there, there is no reading.
    let read = |action| asked.values.get(&action).copied();
    controls.device_foot = read(A::PedalTravel).map(|down| calibration.read(down, read(A::PedalSwing)));

    let positions = [A::Position0, A::Position1, A::Position2, A::Position3];
    for (position, action) in (0..).zip(positions) {
        if asked.began(action) {
            controls.pedal_to = Some(position);
        }
    }
    controls.turns_bevel |= asked.began(A::TurnBevel);
    controls.rolls_chopper |= asked.began(A::RollChopper);
    controls.guards |= asked.began(A::Guard);
    controls.calls |= asked.began(A::StopAndCall);
    for (action, end) in [(A::PointedChopper, ChopperEnd::Pointed), (A::BluntChopper, ChopperEnd::Blunt)] {
        if asked.began(action) {
            controls.takes = Some(end);
        }
    }
    let settings = [(A::VacuumUp, A::VacuumDown), (A::BottleUp, A::BottleDown), (A::PowerUp, A::PowerDown)];
    for (steps, (up, down)) in controls.steps.iter_mut().zip(settings) {
        *steps += repeated(&asked, &mut repeats, up, time.delta_secs_f64());
        *steps -= repeated(&asked, &mut repeats, down, time.delta_secs_f64());
    }
}

/// Steps that an action asks for in a frame: one when it begins, and more while it goes on being asked for.
fn repeated(asked: &Asked, next_s: &mut BTreeMap<Action, f64>, action: Action, frame_s: f64) -> i32 {
    if asked.value(action) < 0.5 {
        next_s.remove(&action);
        return 0;
    }
    if asked.began(action) || !next_s.contains_key(&action) {
        next_s.insert(action, REPEATS_AFTER_S);
        return 1;
    }
    let mut steps = 0;
    if let Some(left_s) = next_s.get_mut(&action) {
        *left_s -= frame_s;
        if *left_s <= 0.0 {
            // However long the frame was: no more than one step in it.
            *left_s = REPEATS_EVERY_S;
            steps = 1;
        }
    }
    steps
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::app::hands::freehand::Freehand;
    use crate::app::hands::keys::{Key, PadAxis, PadButton};
    use crate::case::{Resolution, compile, parse_case};
    use crate::plan::Hands;
    use crate::sim::{Model, State, step};
    use bevy::input::ButtonInput;
    use bevy::time::TimeUpdateStrategy;
    use core::time::Duration;

    const FRAME: Duration = Duration::from_millis(50);

    /// A window's devices without a window.
    fn app() -> App {
        let mut app = App::new();
        app.add_plugins(MinimalPlugins)
            .init_resource::<ButtonInput<KeyCode>>()
            .init_resource::<ButtonInput<MouseButton>>()
            .init_resource::<AccumulatedMouseMotion>()
            .init_resource::<AccumulatedMouseScroll>()
            .insert_resource(TimeUpdateStrategy::ManualDuration(FRAME));
        plugin(&mut app);
        app.insert_resource(Engaged { hands: true, ..Engaged::default() });
        app.update();
        app
    }

    fn press(app: &mut App, key: KeyCode) {
        app.world_mut().resource_mut::<ButtonInput<KeyCode>>().press(key);
    }

    fn controls(app: &mut App) -> Controls {
        // What was pressed in this frame is not new in the next.
        app.update();
        app.world_mut().resource_mut::<ButtonInput<KeyCode>>().clear();
        app.world_mut().resource_mut::<ButtonInput<MouseButton>>().clear();
        let mut controls = app.world_mut().resource_mut::<Controls>();
        let seen = controls.clone();
        controls.spend();
        seen
    }

    fn model() -> Model {
        let case = parse_case("case.ron", include_str!("../../../scenarios/medium-uniform.ron")).unwrap();
        compile(&case.spec, 1, Resolution { cell_mm: 0.5, ..Resolution::default() }).unwrap().model
    }

    /// Travel of the pedal after some frames of four ticks under what the devices ask.
    fn travel(app: &mut App, free: &mut Freehand, model: &Model, frames: u32) -> f64 {
        let mut state = State::new(model);
        for _ in 0..frames {
            let mut asked = controls(app);
            for _ in 0..4 {
                let inputs = free.tick(model, &state, &asked, model.tick_s);
                asked.spend();
                step(model, &mut state, &inputs);
            }
        }
        free.travel()
    }

    #[test]
    fn the_key_that_presses_the_pedal_raises_its_travel_and_letting_go_keeps_it() {
        let model = model();
        let mut app = app();
        let mut free = Freehand::of(Hands::ready(&model), PedalCalibration::default());
        let before = travel(&mut app, &mut free, &model, 5);
        press(&mut app, KeyCode::Space);
        let pressed = travel(&mut app, &mut free, &model, 10);
        assert!((pressed - before - 0.7 * 40.0 / 240.0).abs() < 1e-9, "{before} {pressed}");
        app.world_mut().resource_mut::<ButtonInput<KeyCode>>().release(KeyCode::Space);
        assert_eq!(travel(&mut app, &mut free, &model, 5), pressed);
        press(&mut app, KeyCode::Digit3);
        assert_eq!(travel(&mut app, &mut free, &model, 40), 1.0);
        assert_eq!(app.world().resource::<Device>().label(), "mouse and keyboard");
    }

    #[test]
    fn a_key_bound_anew_works_and_the_old_one_does_not() {
        let mut app = app();
        app.world_mut().resource_mut::<Bindings>().bind(Action::PressPedal, vec![Source::Key(Key::KeyK)]);
        press(&mut app, KeyCode::Space);
        assert_eq!(controls(&mut app).pedal, 0.0);
        press(&mut app, KeyCode::KeyK);
        assert_eq!(controls(&mut app).pedal, 1.0);
    }

    #[test]
    fn the_mouse_moves_in_the_plane_of_view_and_what_no_tick_has_seen_adds_up() {
        let mut app = app();
        app.insert_resource(ViewPlane { right: [0.0, 1.0, 0.0], up: [-1.0, 0.0, 0.0], mm_per_px: 0.01 });
        app.world_mut().resource_mut::<AccumulatedMouseMotion>().delta = Vec2::new(10.0, -20.0);
        app.world_mut().resource_mut::<AccumulatedMouseScroll>().delta = Vec2::new(0.0, 2.0);
        app.update();
        let seen = controls(&mut app);
        assert!((seen.motion_mm[0] - 0.2).abs() < 1e-6 && (seen.motion_mm[1] - 0.4).abs() < 1e-6, "{seen:?}");
        assert!((seen.along_mm - 4.0 * WHEEL_MM).abs() < 1e-6, "two frames of two lines: {seen:?}");
        assert_eq!((seen.right, seen.up), ([0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]));
        // Over a panel the mouse is not the hand's.
        app.insert_resource(Engaged { hands: true, pointer: false, keys: true });
        let seen = controls(&mut app);
        assert_eq!((seen.motion_mm, seen.along_mm), ([0.0; 2], 0.0));
    }

    #[test]
    fn a_toggle_is_asked_once_and_a_setting_goes_on_in_steps() {
        let mut app = app();
        press(&mut app, KeyCode::KeyB);
        press(&mut app, KeyCode::BracketRight);
        let first = controls(&mut app);
        assert!(first.turns_bevel && first.steps == [1, 0, 0], "{first:?}");
        let later: Vec<Controls> = (0..20).map(|_| controls(&mut app)).collect();
        assert!(later.iter().all(|c| !c.turns_bevel));
        // A second in frames of 50 ms: the first repeat after 0.4 s, then ten a second.
        let steps: i32 = later.iter().map(|c| c.steps[0]).sum();
        assert!((6..=7).contains(&steps), "{steps}");
    }

    #[test]
    fn hands_that_are_not_engaged_ask_for_nothing_but_actions_are_still_known() {
        let mut app = app();
        app.insert_resource(Engaged { hands: false, ..Engaged::default() });
        press(&mut app, KeyCode::KeyW);
        press(&mut app, KeyCode::KeyP);
        app.update();
        assert_eq!(*app.world().resource::<Controls>(), Controls::default());
        assert!(app.world().resource::<Asked>().began(Action::Pause));
        assert_eq!(app.world().resource::<Asked>().value(Action::Advance), 1.0);
        assert_eq!(app.world().resource::<Device>().label(), "no device");
        app.insert_resource(Engaged { keys: false, ..Engaged::default() });
        app.update();
        assert_eq!(app.world().resource::<Asked>().value(Action::Advance), 0.0);
    }

    #[test]
    fn a_gamepad_moves_the_tip_and_its_trigger_is_a_pedal() {
        let mut app = app();
        let mut pad = Gamepad::default();
        pad.analog_mut().set(PadAxis::LeftStickX.code(), -1.0);
        pad.analog_mut().set(PadAxis::LeftStickY.code(), 0.1);
        pad.analog_mut().set(PadButton::RightTrigger2.code(), 0.5);
        app.world_mut().spawn(pad);
        let seen = controls(&mut app);
        assert_eq!(seen.tip, [-1.0, 0.0], "a stick hardly moved is at rest");
        let foot = seen.device_foot.unwrap();
        assert_eq!(foot, PedalCalibration::default().read(0.5, None));
        assert_eq!(foot.pedal.position, 2);
        assert_eq!(app.world().resource::<Device>().label(), "gamepad, analogue pedal");
    }
}

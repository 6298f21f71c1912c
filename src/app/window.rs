//! The window: devices in, pages out, the eye's time in between.
//!
//! Each frame: the attempt comes back from the eye's thread, devices are asked, the practice takes what is done elsewhere, the
//! painter is given the latest state, the page is drawn, and the eye is stepped by as many ticks as time has passed while the
//! frame is rendered. Painting, judging, saving and replaying have threads of their own, so that no frame waits for them.

use crate::app::Unable;
use crate::app::eye::{self, Eye, Handing};
use crate::app::hands::{Action, Asked, Bindings, Device, Engaged, PedalCalibration, ViewPlane, devices};
use crate::app::panels::Command;
use crate::app::practice::{Over, Page, Practice};
use crate::app::settings;
use crate::app::stage::{self, Place, Remarks};
use crate::app::view::painter::Studio;
use crate::app::view::scene::{Microscope, Quality, Shown};
use crate::daily::trial::Which;
use bevy::log::LogPlugin;
use bevy::prelude::*;
use bevy::render::RenderPlugin;
use bevy::render::renderer::RenderAdapterInfo;
use bevy::render::settings::{Backends, WgpuSettings};
use bevy::window::{
    FileDragAndDrop, MonitorSelection, PrimaryWindow, WindowMode, WindowResizeConstraints, WindowResolution,
};
use bevy_egui::{EguiContext, PrimaryEguiContext};
use std::process::ExitCode;
use std::sync::Arc;

/// Size of the window at first, points.
const SIZE: (u32, u32) = (1280, 720);

/// Smallest window in which the pages still have room, points.
const LEAST: (f32, f32) = (960.0, 540.0);

/// A frame that takes longer, on average, is too slow, s; and the time over which it is averaged, s.
const SLOW_FRAME_S: f32 = 1.0 / 22.0;
const AVERAGED_S: f32 = 1.5;

/// Rates at which keys change what the microscope shows: field, a factor a second; focus, mm/s; tilt, rad/s.
const ZOOM_S: f32 = 2.0;
const FOCUS_MM_S: f32 = 2.0;
const TILT_RAD_S: f32 = 0.5;

/// Open the window, until it is closed.
///
/// # Errors
/// No display, or nothing that draws.
pub fn window() -> Result<ExitCode, Unable> {
    let backends = backends()?;
    let file = settings::path();
    let (remembered, told) = file.as_deref().map_or_else(Default::default, settings::load);
    let (bindings, bindings_line, told) = bindings(file.as_deref(), told);
    let practice = Practice::new(remembered, file, told);
    let (studio, eye) = (Studio::open().map_err(no_thread)?, Eye::open().map_err(no_thread)?);
    // The display is asked for while the app is built; what cannot be had is a panic there.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let built = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
        let mut app = App::new();
        app.add_plugins(screen(&practice, backends)).add_plugins((stage::plugin, stage::pages_plugin, devices::plugin));
        app
    }));
    std::panic::set_hook(hook);
    let Ok(mut app) = built else {
        return Err(Unable {
            what: "the window cannot be opened: the display does not answer".into(),
            allowed: "a running display, named by DISPLAY or WAYLAND_DISPLAY, or the commands `play` and `picture`"
                .into(),
        });
    };
    app.insert_resource(practice.calibration.clone())
        .insert_resource(bindings)
        .insert_resource(Remarks { bindings: bindings_line, ..default() })
        .insert_resource(practice)
        .insert_resource(studio)
        .insert_resource(eye);
    run(&mut app);
    match app.run() {
        AppExit::Success => Ok(ExitCode::SUCCESS),
        AppExit::Error(code) => Ok(ExitCode::from(code.get())),
    }
}

/// The window's plugins.
fn screen(practice: &Practice, backends: Backends) -> impl PluginGroup + use<> {
    let window = Window {
        title: "Corecleft".into(),
        name: Some("corecleft".into()),
        resolution: WindowResolution::new(SIZE.0, SIZE.1),
        resize_constraints: WindowResizeConstraints { min_width: LEAST.0, min_height: LEAST.1, ..default() },
        mode: mode(practice),
        ..default()
    };
    DefaultPlugins
        .set(WindowPlugin { primary_window: Some(window), ..default() })
        .set(renderer(backends))
        .set(LogPlugin { filter: LOGGED.into(), ..default() })
}

/// What is logged: what is wrong, and nothing of what the graphics libraries only remark.
pub(super) const LOGGED: &str = "error,wgpu=off,wgpu_hal=off,naga=off,bevy_winit=off";

fn mode(practice: &Practice) -> WindowMode {
    if practice.settings.full_screen {
        WindowMode::BorderlessFullscreen(MonitorSelection::Current)
    } else {
        WindowMode::Windowed
    }
}

/// What each key asks for, from `keys.ron` beside the settings; a line where that is; and what is to be told.
fn bindings(settings: Option<&std::path::Path>, told: Option<String>) -> (Bindings, String, Option<String>) {
    let Some(file) = settings.and_then(|file| Some(file.parent()?.join("keys.ron"))) else {
        return (Bindings::default(), String::new(), told);
    };
    let line = format!("All of it can be changed in {}.", file.display());
    if !file.exists() {
        // Written out, so that there is something to change; where that cannot be, the keys are as they are.
        if let (Ok(text), Some(folder)) = (Bindings::default().text(), file.parent()) {
            let _ = std::fs::create_dir_all(folder).and_then(|()| std::fs::write(&file, text));
        }
        return (Bindings::default(), line, told);
    }
    match Bindings::read(&file) {
        Ok(bindings) => (bindings, line, told),
        Err(fault) => (Bindings::default(), line, Some(format!("The keys are the ordinary ones: {fault}"))),
    }
}

/// What is told where no thread can be had for the picture.
pub(super) fn no_thread(error: std::io::Error) -> Unable {
    Unable { what: format!("no thread can be had for the picture: {error}"), allowed: "fewer programs at once".into() }
}

/// With which graphics interfaces something here draws: those of today, or where those find nothing, the older one.
///
/// # Errors
/// Nothing draws.
pub(super) fn backends() -> Result<Backends, Unable> {
    let asked = Backends::from_env().map_or(vec![Backends::PRIMARY, Backends::SECONDARY], |asked| vec![asked]);
    let draws = |backends: &Backends| {
        let description = wgpu::InstanceDescriptor {
            backends: *backends,
            ..wgpu::InstanceDescriptor::new_without_display_handle_from_env()
        };
        let instance = wgpu::Instance::new(description);
        bevy::tasks::block_on(instance.request_adapter(&wgpu::RequestAdapterOptions::default())).is_ok()
    };
    asked.into_iter().find(draws).ok_or_else(|| Unable {
        what: "nothing here draws: no graphics card with a driver, and no software renderer".into(),
        allowed: "a Vulkan driver, such as Debian's packages libvulkan1 and mesa-vulkan-drivers".into(),
    })
}

/// The renderer on these interfaces.
pub(super) fn renderer(backends: Backends) -> RenderPlugin {
    let settings = WgpuSettings { backends: Some(backends), ..default() };
    RenderPlugin { render_creation: settings.into(), ..default() }
}

/// The eye's time, and the painter that follows it.
pub(super) fn run_eye(app: &mut App) {
    eye::plugin(app);
    app.add_systems(Update, paint);
}

/// What goes on in every frame.
fn run(app: &mut App) {
    run_eye(app);
    app.init_resource::<WasOver>()
        .add_systems(First, engage.after(Handing::Back))
        .add_systems(Update, (frame, look, fit, take_files).chain().before(paint))
        .add_systems(Last, (ask_for, follow_settings).chain().before(Handing::Over));
}

/// Did something lie over the page when the frame began?
#[derive(Clone, Copy, Debug, Default, Resource)]
struct WasOver(bool);

fn engage(
    practice: Res<Practice>,
    place: Res<Place>,
    microscope: Res<Microscope>,
    mut engaged: ResMut<Engaged>,
    mut view: ResMut<ViewPlane>,
    mut was_over: ResMut<WasOver>,
) {
    *engaged = Engaged {
        hands: practice.is_engaged() && (practice.page == Page::Foot || stage::is_freehand(&practice)),
        pointer: place.is_pointed_at && practice.page == Page::Operate,
        keys: !place.is_typing,
    };
    *view = stage::view_plane(&microscope, &place, &practice);
    was_over.0 = practice.over.is_some();
}

fn frame(
    time: Res<Time<Real>>,
    asked: Res<Asked>,
    gamepads: Query<(), With<bevy::input::gamepad::Gamepad>>,
    mut device: ResMut<Device>,
    mut calibration: ResMut<PedalCalibration>,
    mut remarks: ResMut<Remarks>,
    mut practice: ResMut<Practice>,
) {
    if practice.page != Page::Operate {
        // With what an attempt was steered is asked anew for each.
        device.set_if_neq(Device::default());
    }
    practice.devices = if stage::is_freehand(&practice) { device.label() } else { "mouse and keyboard".into() };
    remarks.has_pedal = !gamepads.is_empty();
    practice.raw_pedal = remarks.has_pedal.then(|| asked.value(Action::PedalTravel));
    calibration.set_if_neq(practice.calibration.clone());
    practice.frame(time.delta_secs_f64());
}

/// Zoom, focus and tilt.
fn look(time: Res<Time<Real>>, asked: Res<Asked>, practice: Res<Practice>, mut microscope: ResMut<Microscope>) {
    if !matches!(practice.page, Page::Operate | Page::Debrief | Page::Daily) || practice.over.is_some() {
        return;
    }
    let balance = |plus, minus| (asked.value(plus) - asked.value(minus)) as f32 * time.delta_secs();
    let moved = Microscope {
        field_mm: microscope.field_mm * ZOOM_S.powf(balance(Action::ZoomOut, Action::ZoomIn)),
        focus_mm: microscope.focus_mm + FOCUS_MM_S * balance(Action::FocusUp, Action::FocusDown),
        tilt_rad: microscope.tilt_rad + Vec2::new(0.0, TILT_RAD_S * balance(Action::TiltUp, Action::TiltDown)),
    };
    microscope.set_if_neq(moved.clamped());
}

/// As good a picture as is drawn in time.
#[expect(clippy::too_many_arguments, reason = "what is wanted, what there is, and how long it took")]
fn fit(
    time: Res<Time<Real>>,
    practice: Res<Practice>,
    place: Res<Place>,
    adapter: Option<Res<RenderAdapterInfo>>,
    mut quality: ResMut<Quality>,
    mut remarks: ResMut<Remarks>,
    mut frames: Local<(f32, u32)>,
    mut slower: Local<u32>,
) {
    let is_software = stage::is_software(adapter.as_deref());
    let is_seen = matches!(practice.page, Page::Operate | Page::Debrief | Page::Daily) && practice.over.is_none();
    let (spent_s, count) = &mut *frames;
    if !is_seen {
        (*spent_s, *count) = (0.0, 0);
    } else {
        (*spent_s, *count) = (*spent_s + time.delta_secs(), *count + 1);
        if *spent_s > AVERAGED_S {
            let is_slow = *spent_s / *count as f32 > SLOW_FRAME_S;
            if is_slow && practice.settings.quality == settings::Quality::Auto {
                *slower = (*slower + 1).min(2);
            }
            (*spent_s, *count) = (0.0, 0);
        }
    }
    quality.set_if_neq(stage::fit_quality(practice.settings.quality, is_software, &place, *slower));
    let note = match (is_software, *slower) {
        (true, _) => Some("Drawn by the processor, more coarsely: no graphics card was found."),
        (false, 1..) => Some("Drawn more coarsely, to keep up."),
        _ => None,
    };
    remarks.picture = note.map(str::to_owned);
}

/// Of what the last painting was: model, tick, with a section or not, which run lay beside it, and which chop of a day it was.
type Painted = (usize, u64, bool, Option<usize>, Option<Which>);

/// Give the painter the latest state when it has done the one before, and take what it has done.
fn paint(
    practice: Res<Practice>,
    studio: Res<Studio>,
    mut shown: ResMut<Shown>,
    mut is_at_work: Local<bool>,
    mut last: Local<Option<Painted>>,
) {
    if let Some(painting) = studio.latest() {
        shown.0 = Some(Arc::new(painting));
        *is_at_work = false;
    }
    if !matches!(practice.page, Page::Operate | Page::Debrief | Page::WhatIf | Page::Daily) {
        *last = None;
        return;
    }
    if *is_at_work {
        return;
    }
    let Some(order) = stage::order(&practice) else { return };
    let beside = order.beside.as_ref().map(|state| Arc::as_ptr(state) as usize);
    let model = Arc::as_ptr(&order.model) as usize;
    let key = (model, order.state.tick, order.section.is_some(), beside, practice.picked_chop());
    if *last != Some(key) {
        *last = Some(key);
        *is_at_work = true;
        studio.order(order);
    }
}

/// Case files that are dropped on the window.
fn take_files(mut dropped: MessageReader<FileDragAndDrop>, mut practice: ResMut<Practice>) {
    for event in dropped.read() {
        if let FileDragAndDrop::DroppedFile { path_buf, .. } = event
            && practice.page != Page::Operate
        {
            practice.command(Command::OpenPath(path_buf.clone()));
        }
    }
}

/// What keys ask of the program.
fn ask_for(
    asked: Res<Asked>,
    was_over: Res<WasOver>,
    mut practice: ResMut<Practice>,
    mut exit: MessageWriter<AppExit>,
) {
    if asked.began(Action::Pause) && practice.page == Page::Operate {
        match (&practice.over, was_over.0) {
            (None, false) => practice.command(Command::Pause),
            (Some(Over::Pause), true) => practice.command(Command::Resume),
            _ => {}
        }
    }
    if asked.began(Action::Help) {
        let is_help = practice.over == Some(Over::Help);
        practice.command(if is_help { Command::Back } else { Command::OpenHelp });
    }
    if asked.began(Action::Section) && practice.page == Page::Operate {
        practice.wants_section = !practice.wants_section;
    }
    if asked.began(Action::FullScreen) {
        let full_screen = !practice.settings.full_screen;
        let changed = settings::Settings { full_screen, ..practice.settings.clone() };
        practice.command(Command::ChangeSettings(Box::new(changed)));
    }
    if practice.is_quitting {
        exit.write(AppExit::Success);
    }
}

/// The window as the settings have it.
fn follow_settings(
    practice: Res<Practice>,
    mut window: Single<&mut Window, With<PrimaryWindow>>,
    mut context: Single<&mut EguiContext, With<PrimaryEguiContext>>,
    mut last: Local<Option<(bool, f32)>>,
) {
    let now = (practice.settings.full_screen, practice.settings.window_scale);
    if *last == Some(now) {
        return;
    }
    if last.is_some_and(|(full_screen, _)| full_screen != now.0) {
        window.mode = mode(&practice);
    }
    context.get_mut().set_zoom_factor(now.1);
    *last = Some(now);
}

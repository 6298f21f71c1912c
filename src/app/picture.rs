//! Pictures without a display, and how long frames take.
//!
//! The same pages and the same scene as in the window, drawn into an image that is read back. A picture of a state is the
//! same every time on the same adapter: time stands still, and what the window paints on another thread is painted before.

use crate::app::Unable;
use crate::app::clerk::{Judged, film};
use crate::app::daily::{Count, Daily, Stage, tried};
use crate::app::eye::{Eye, Handing};
use crate::app::hands::{Controls, PedalCalibration};
use crate::app::operation::{Chosen, Operation, POWER_LIMIT};
use crate::app::panels::section::section_ui;
use crate::app::panels::{Way, style};
use crate::app::practice::{FootCheck, Over, Page, Practice};
use crate::app::review::Review;
use crate::app::settings::{self, Settings};
use crate::app::stage::{self, Place, Target};
use crate::app::view::painter::{Painter, Studio};
use crate::app::view::scene::{Field, Quality, Shown};
use crate::app::whatif::WhatIfs;
use crate::app::window;
use crate::attempt::{Attempt, Expected, Setup};
use crate::case::{CaseSpec, Kind, ReadCase};
use crate::daily::day::{LOOK_S, Look, Statement};
use crate::daily::trial::{self, Which};
use crate::daily::{self, Date, Day, Journal};
use crate::plan::PlanSpec;
use crate::plan::map::StandardChop;
use crate::sim::Model;
use bevy::log::LogPlugin;
use bevy::prelude::*;
use bevy::render::RenderPlugin;
use bevy::render::pipelined_rendering::PipelinedRenderingPlugin;
use bevy::render::render_resource::{PollType, TextureFormat};
use bevy::render::renderer::{RenderAdapterInfo, RenderDevice};
use bevy::render::settings::Backends;
use bevy::render::view::screenshot::{Screenshot, ScreenshotCaptured};
use bevy::time::TimeUpdateStrategy;
use bevy::window::ExitCondition;
use bevy::winit::WinitPlugin;
use bevy_egui::{EguiContext, EguiPrimaryContextPass, EguiUserTextures, PrimaryEguiContext, egui};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// Frames until pages have found their sizes and their letters are there.
const SETTLES: u32 = 8;

/// Most frames that the reading back of a picture may take.
const PATIENCE: u32 = 600;

/// Frames that are drawn before their times count.
const WARM_UP: u32 = 60;

/// Time from frame to frame, where it passes.
const FRAME: Duration = Duration::from_micros(16_667);

/// What is drawn.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum View {
    /// The eye through the microscope, alone.
    Microscope,
    /// The section, alone.
    Section,
    /// A page, and what lies over it.
    Page(Page, Option<Shade>),
}

/// What lies over a page in a picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shade {
    /// Settings.
    Settings,
    /// Help.
    Help,
    /// A pause.
    Pause,
}

impl View {
    /// The view of a name, as the command line has it.
    pub fn named(name: &str) -> Option<Self> {
        Some(match name {
            "microscope" => Self::Microscope,
            "section" => Self::Section,
            "operate" => Self::Page(Page::Operate, None),
            "debrief" => Self::Page(Page::Debrief, None),
            "whatif" => Self::Page(Page::WhatIf, None),
            "daily" => Self::Page(Page::Daily, None),
            "review" | "trainee" => Self::Page(Page::Review, None),
            "notice" => Self::Page(Page::Notice, None),
            "cases" => Self::Page(Page::Cases, None),
            "sheet" => Self::Page(Page::Sheet, None),
            "machine" => Self::Page(Page::Machine, None),
            "foot" => Self::Page(Page::Foot, None),
            "settings" => Self::Page(Page::Cases, Some(Shade::Settings)),
            "help" => Self::Page(Page::Cases, Some(Shade::Help)),
            "pause" => Self::Page(Page::Operate, Some(Shade::Pause)),
            _ => return None,
        })
    }
}

/// What a picture is made of.
pub enum Subject {
    /// A case, and a plan to perform on it.
    Case {
        /// Name of the case.
        scenario: String,
        /// The case.
        case: Box<ReadCase>,
        /// The plan.
        plan: Option<PlanSpec>,
        /// Seed.
        seed: u64,
    },
    /// A saved attempt.
    Attempt(Box<Attempt>),
    /// The record in a file.
    Record {
        /// The file.
        store: PathBuf,
        /// Is the trainee looked at who stands first, and not all?
        is_of_trainee: bool,
    },
}

/// What is asked for.
pub struct Request {
    /// Of what.
    pub subject: Subject,
    /// Simulated time, s; without it the end.
    pub at_s: Option<f64>,
    /// What is drawn.
    pub view: View,
    /// Width and height, px.
    pub size: (u32, u32),
}

/// A practice at the moment that is asked for.
fn practice(request: Request) -> Result<Practice, Unable> {
    let allowed = "a case or an attempt that this engine can run".to_owned();
    let refused = |what: String| Unable { what, allowed: allowed.clone() };
    // Pictures are the same whoever makes them: nothing of a person's settings or attempts is in them.
    let mut practice = Practice::unattended(Settings { notice_seen: true, ..Settings::default() });
    let mut operation = match request.subject {
        Subject::Record { store, is_of_trainee } => {
            let review = Review::at_once(store, is_of_trainee);
            if let Some(what) = review.refused() {
                return Err(Unable { what: what.to_owned(), allowed: "the file of a record".into() });
            }
            (practice.review, practice.page) = (Some(Box::new(review)), Page::Review);
            return Ok(practice);
        }
        Subject::Attempt(attempt) => Operation::recorded(&attempt).map_err(refused)?,
        Subject::Case { scenario, case, plan, seed } => {
            // A plan sets the power itself.
            let (way, power_limit) = if plan.is_some() { (Way::Stepwise, 0.0) } else { (Way::Freehand, POWER_LIMIT) };
            let chosen = Chosen {
                scenario,
                case: Arc::new(*case),
                setup: Setup::default(),
                seed,
                way,
                power_limit,
                calibration: PedalCalibration::default(),
            };
            let mut operation = Operation::begin(chosen).map_err(|why| refused(why.join("; ")))?;
            for step in plan.into_iter().flat_map(|plan| plan.steps) {
                operation.perform(step);
            }
            operation
        }
    };
    practice.way = operation.chosen.way;
    practice.seed = operation.chosen.seed;
    if let Some(at) = practice.cases.iter().position(|shelved| shelved.name == operation.chosen.scenario) {
        practice.case = at;
    } else {
        practice.case = practice.cases.len();
        let (name, case) = (operation.chosen.scenario.clone(), operation.chosen.case.clone());
        practice.cases.push(crate::app::library::Shelved { name, case });
    }
    if request.view == View::Page(Page::Daily, None) {
        let spent_s = request.at_s;
        practice.daily = Some(Box::new(day(&operation, spent_s).map_err(refused)?));
        operation.stop_hands();
        (practice.operation, practice.page) = (Some(Box::new(operation)), Page::Daily);
        return Ok(practice);
    }
    let is_driven = operation.is_performing() || operation.is_recorded();
    // A what-if is asked of the whole attempt, and looked at at that time.
    let is_asked = request.view == View::Page(Page::WhatIf, None);
    let end_s = request.at_s.filter(|_| !is_asked).unwrap_or(if is_driven { f64::INFINITY } else { 0.0 });
    let tick_s = operation.model.tick_s;
    while operation.time_s() + 0.5 * tick_s < end_s
        && !operation.is_over()
        && (end_s.is_finite() || operation.is_performing() || operation.is_recorded())
    {
        operation.tick(&Controls::default());
    }
    if is_asked || request.view == View::Page(Page::Debrief, None) {
        let (spec, model, course) = operation.account("").parts();
        let (debrief, attempt) = operation.account("no device").settle();
        let film = film(&model, &attempt, Some(operation.keyframes.clone()));
        let header = operation.header();
        let judged = Judged { film, ..Judged::new(spec, model, header, course, debrief) };
        if is_asked {
            let found = WhatIfs::at_once(&judged, request.at_s.unwrap_or(f64::INFINITY));
            practice.whatifs = found.ok_or_else(|| Unable {
                what: "there is no chop to ask about".into(),
                allowed: "an attempt, or a case with a plan, in which a chop came to its end".into(),
            })?;
            practice.judged = Some(Box::new(judged));
        } else {
            practice.show_debrief(Box::new(judged));
        }
    } else {
        practice.start(Box::new(operation));
    }
    let (page, shade) = match request.view {
        View::Microscope | View::Section => (Page::Operate, None),
        View::Page(page, shade) => (page, shade),
    };
    let over = shade.map(|shade| match shade {
        Shade::Settings => Over::Settings,
        Shade::Help => Over::Help,
        Shade::Pause => Over::Pause,
    });
    (practice.page, practice.over, practice.foot) = (page, over, FootCheck::default());
    Ok(practice)
}

/// Days before the one of a picture on which an eye was tried.
const DAYS: i64 = 16;

/// The case of an operation as the eye of a day, after days on which somebody always stated half the core's depth and right through:
/// while it is looked at, so many seconds after the clock began, or once the same was tried on it.
fn day(operation: &Operation, spent_s: Option<f64>) -> Result<Daily, String> {
    let date: Date = "2026-11-27".parse().map_err(|why| format!("2026-11-27 {why}"))?;
    let habit =
        |eye: &daily::Eye, model: &Model| Statement::of(&StandardChop::new(&eye.case, model), Expected::Through);
    let mut journal = Journal::new(1);
    for days in date.days() - DAYS..date.days() {
        let date = Date::from_days(days).map_err(|why| why.to_string())?;
        let eye = daily::Eye::of(date, 1, &journal.ratings());
        let model = trial::model(&eye).map_err(|why| why.to_string())?;
        let stated = habit(&eye, &model).prediction().into_iter();
        for prediction in stated {
            let trial = trial::told(&eye, &model, &prediction, 0, |_| ()).map_err(|why| why.to_string())?;
            journal.enter(date, eye.kind, &trial).map_err(|why| format!("the journal {why}"))?;
        }
    }
    let spec = &operation.spec;
    let chosen = &operation.chosen;
    let eye = daily::Eye {
        date,
        name: chosen.scenario.clone(),
        kind: Kind::of(spec),
        case: CaseSpec::clone(spec),
        seed: chosen.seed,
    };
    let statement = habit(&eye, &operation.model);
    let stage = match (spent_s, statement.prediction()) {
        (Some(spent_s), _) => Stage::Look(Look { left_s: (LOOK_S - spent_s).max(1.0), statement }),
        (None, None) => Stage::Sheet { is_waiting: false },
        (None, Some(prediction)) => {
            let tried = tried(&eye, operation.model.clone(), &prediction, &Count::default())?;
            journal.enter(date, eye.kind, &tried.trial).map_err(|why| format!("the journal {why}"))?;
            Stage::Tried { tried: Box::new(tried), picked: Which::Stated }
        }
    };
    Ok(Daily::unattended(Day { journal, eye }, stage))
}

/// An app that draws the practice into an image.
fn headless(view: View, (width, height): (u32, u32), backends: Backends, practice: Practice, is_measured: bool) -> App {
    let mut app = App::new();
    let mut plugins = DefaultPlugins
        .set(WindowPlugin { primary_window: None, exit_condition: ExitCondition::DontExit, ..default() })
        .set(RenderPlugin { synchronous_pipeline_compilation: true, ..window::renderer(backends) })
        .set(LogPlugin { filter: window::LOGGED.into(), ..default() })
        .disable::<WinitPlugin>();
    if !is_measured {
        // The picture that is read back is that of this frame. Frames are measured as the window makes them: one is drawn
        // while the next is prepared.
        plugins = plugins.disable::<PipelinedRenderingPlugin>();
    }
    app.add_plugins(plugins).add_plugins(stage::plugin);
    let image = Image::new_target_texture(width, height, TextureFormat::Rgba8UnormSrgb, None);
    let target = app.world_mut().resource_mut::<Assets<Image>>().add(image);
    match view {
        View::Microscope => drop(app.add_systems(EguiPrimaryContextPass, bare_field)),
        View::Section => drop(app.add_systems(EguiPrimaryContextPass, bare_section)),
        _ => drop(app.add_plugins(stage::pages_plugin)),
    }
    let step = if is_measured { FRAME } else { Duration::ZERO };
    app.insert_resource(Target(Some(target)))
        .insert_resource(TimeUpdateStrategy::ManualDuration(step))
        .insert_resource(practice);
    if is_measured {
        app.add_systems(Update, fit_window);
    } else {
        app.add_systems(Update, fit_best);
    }
    app.finish();
    app.cleanup();
    app
}

/// As good as it gets: a picture is not in a hurry.
fn fit_best(place: Res<Place>, mut quality: ResMut<Quality>) {
    quality.set_if_neq(stage::fit_quality(settings::Quality::High, false, &place, 0));
}

/// As good as in the window.
fn fit_window(place: Res<Place>, adapter: Option<Res<RenderAdapterInfo>>, mut quality: ResMut<Quality>) {
    let is_software = stage::is_software(adapter.as_deref());
    quality.set_if_neq(stage::fit_quality(settings::Quality::Auto, is_software, &place, 0));
}

/// The field alone.
fn bare_field(
    mut context: Single<&mut EguiContext, With<PrimaryEguiContext>>,
    field: Res<Field>,
    textures: Res<EguiUserTextures>,
    mut place: ResMut<Place>,
) {
    let ctx = context.get_mut().clone();
    let screen = ctx.viewport_rect();
    let rect = egui::Rect::from_center_size(screen.center(), egui::Vec2::splat(screen.width().min(screen.height())));
    *place = Place { field: Some(rect), px_per_point: ctx.pixels_per_point(), ..default() };
    if let Some(texture) = textures.image_id(&field.image) {
        ctx.layer_painter(egui::LayerId::background()).add(stage::round(texture, rect));
    }
}

/// The section alone.
fn bare_section(
    mut context: Single<&mut EguiContext, With<PrimaryEguiContext>>,
    shown: Res<Shown>,
    mut held: Local<stage::Held>,
) {
    let ctx = context.get_mut().clone();
    style::apply(&ctx, 1.0);
    held.hold(&ctx, shown.0.as_ref(), |painting| painting.section.as_ref());
    let rect = ctx.viewport_rect().shrink(16.0);
    let builder = egui::UiBuilder::new().layer_id(egui::LayerId::background()).max_rect(rect);
    let mut ui = egui::Ui::new(ctx, egui::Id::new("section"), builder);
    if let Some((painting, texture)) = held.shown()
        && let Some(cut) = &painting.section
    {
        section_ui(&mut ui, cut, texture);
    }
}

/// What is to be painted: in a picture the section is there whatever the case says.
fn order(practice: &Practice, view: View) -> Option<crate::app::view::painter::Order> {
    let mut order = stage::order(practice)?;
    if view == View::Section && order.section.is_none() {
        order.section = Some(default());
    }
    Some(order)
}

/// The picture that is asked for, the bytes of a PNG file.
///
/// # Errors
/// What cannot be run, nothing that draws, or a picture that cannot be read back.
pub fn draw(request: Request) -> Result<Vec<u8>, Unable> {
    let (view, size) = (request.view, request.size);
    let backends = window::backends()?;
    let practice = practice(request)?;
    let painting = order(&practice, view).map(|order| Arc::new(Painter::default().paint(order)));
    let mut app = headless(view, size, backends, practice, false);
    app.insert_resource(Shown(painting));
    (0..SETTLES).for_each(|_| app.update());
    let bytes = read_back(&mut app).and_then(|rgb| png_bytes(size, &rgb).ok());
    bytes.ok_or_else(|| Unable {
        what: "the picture could not be read back".into(),
        allowed: "a driver that copies textures, or a smaller --size".into(),
    })
}

/// The target's pixels, RGB.
fn read_back(app: &mut App) -> Option<Vec<u8>> {
    let target = app.world().resource::<Target>().0.clone()?;
    let taken: Arc<Mutex<Option<Image>>> = Arc::default();
    let put = taken.clone();
    app.world_mut().spawn(Screenshot::image(target)).observe(move |captured: On<ScreenshotCaptured>| {
        if let Ok(mut taken) = put.lock() {
            *taken = Some(captured.image.clone());
        }
    });
    for _ in 0..PATIENCE {
        app.update();
        if let Some(image) = taken.lock().ok().and_then(|mut taken| taken.take()) {
            let pixels = image.data?;
            return Some(pixels.chunks_exact(4).flat_map(|p| [p[0], p[1], p[2]]).collect());
        }
    }
    None
}

fn png_bytes((width, height): (u32, u32), rgb: &[u8]) -> Result<Vec<u8>, png::EncodingError> {
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(rgb)?;
    writer.finish()?;
    Ok(bytes)
}

/// When the main thread's part of a frame began and how long it took, s.
#[derive(Default, Resource)]
struct MainPart(Option<Instant>, Vec<f64>);

fn begin_part(mut part: ResMut<MainPart>) {
    part.0 = Some(Instant::now());
}

fn end_part(mut part: ResMut<MainPart>) {
    if let Some(begun) = part.0.take() {
        part.1.push(begun.elapsed().as_secs_f64());
    }
}

/// How long frames take that come sixty a second, on which adapter, as a table; `begun` is when the program was started.
///
/// # Errors
/// What cannot be run, or nothing that draws.
pub fn measure(request: Request, frames: u32, begun: Instant) -> Result<String, Unable> {
    let (view, size) = (request.view, request.size);
    let backends = window::backends()?;
    let practice = practice(request)?;
    let (studio, eye) = (Studio::open().map_err(window::no_thread)?, Eye::open().map_err(window::no_thread)?);
    let painting = order(&practice, view).map(|order| Arc::new(Painter::default().paint(order)));
    let mut app = headless(view, size, backends, practice, true);
    app.insert_resource(Shown(painting))
        .insert_resource(studio)
        .insert_resource(eye)
        .init_resource::<Controls>()
        .init_resource::<MainPart>()
        .add_systems(First, begin_part.before(Handing::Back))
        .add_systems(Last, end_part.after(Handing::Over));
    window::run_eye(&mut app);
    app.update();
    wait(&app);
    let first_s = begun.elapsed().as_secs_f64();
    for _ in 0..WARM_UP {
        app.update();
        wait(&app);
    }
    app.world_mut().resource_mut::<MainPart>().1.clear();
    let mut times = Vec::with_capacity(frames as usize);
    for _ in 0..frames {
        let begun = Instant::now();
        app.update();
        wait(&app);
        let took = begun.elapsed();
        times.push(took.as_secs_f64());
        // The next frame is the screen's next, as in the window: meanwhile the eye goes on.
        std::thread::sleep(FRAME.saturating_sub(took));
    }
    let adapter = app.world().get_resource::<RenderAdapterInfo>().map_or_else(String::new, |a| a.0.name.clone());
    let main = std::mem::take(&mut app.world_mut().resource_mut::<MainPart>().1);
    let (width, height) = size;
    let (frame, main) = (Quantiles::of(times), Quantiles::of(main));
    let memory = peak_mb().map_or_else(String::new, |mb| format!("Largest memory        {mb:.0} MB\n"));
    Ok(format!(
        "Adapter               {adapter}\n\
         Size                  {width} × {height}, {frames} frames\n\
         Frame                 median {:.2} ms, 99 % within {:.2} ms\n\
         Of it the main thread median {:.2} ms, 99 % within {:.2} ms\n\
         Start to first frame  {first_s:.2} s\n{memory}",
        1e3 * frame.half_s,
        1e3 * frame.most_s,
        1e3 * main.half_s,
        1e3 * main.most_s,
    ))
}

/// Wait until the graphics card has done the frame.
fn wait(app: &App) {
    if let Some(device) = app.world().get_resource::<RenderDevice>() {
        // A card that is lost shows in the frames that follow.
        let _ = device.poll(PollType::wait_indefinitely());
    }
}

/// Median and 99th percentile, s.
struct Quantiles {
    half_s: f64,
    most_s: f64,
}

impl Quantiles {
    /// Of at least one time.
    fn of(mut times: Vec<f64>) -> Self {
        times.sort_by(f64::total_cmp);
        let at = |share: f64| {
            let place = (share * times.len() as f64).ceil() as usize;
            times.get(place.saturating_sub(1)).copied().unwrap_or(f64::NAN)
        };
        Self { half_s: at(0.5), most_s: at(0.99) }
    }
}

/// The largest memory so far, MB, where the system tells.
fn peak_mb() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"))?;
    Some(line.trim().strip_suffix("kB")?.trim().parse::<f64>().ok()? / 1024.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_a_hundred_frames_the_slowest_is_beyond_the_99th_percentile() {
        let times = (1..=100).rev().map(f64::from).collect();
        let Quantiles { half_s, most_s } = Quantiles::of(times);
        assert_eq!((half_s, most_s), (50.0, 99.0));
        let Quantiles { half_s, most_s } = Quantiles::of(vec![2.0]);
        assert_eq!((half_s, most_s), (2.0, 2.0));
    }
}

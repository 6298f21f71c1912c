//! Pictures as the program makes them, without a display: that what matters can be seen in them, where the engine has it.
//!
//! Needs something that draws with Vulkan; Debian's packages libvulkan1 and mesa-vulkan-drivers do without a graphics card.
#![cfg(feature = "app")]
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on fails")]

mod common;

use common::path;
use corecleft::case::{Resolution, compile, read_case};
use corecleft::plan::{Performer, read_plan};
use corecleft::sim::{Model, State, step};
use std::path::{Path, PathBuf};
use std::process::Command;

/// A picture, RGB.
struct Picture {
    width: usize,
    rgb: Vec<u8>,
}

impl Picture {
    fn read(file: &Path) -> Self {
        let mut decoder = png::Decoder::new(std::io::BufReader::new(std::fs::File::open(file).unwrap()));
        decoder.set_transformations(png::Transformations::normalize_to_color8());
        let mut reader = decoder.read_info().unwrap();
        let mut rgb = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut rgb).unwrap();
        assert_eq!(info.color_type, png::ColorType::Rgb);
        rgb.truncate(info.buffer_size());
        Self { width: info.width as usize, rgb }
    }

    fn height(&self) -> usize {
        self.rgb.len() / 3 / self.width
    }

    fn at(&self, x: usize, y: usize) -> [i32; 3] {
        let i = 3 * (y * self.width + x);
        [0, 1, 2].map(|c| i32::from(self.rgb[i + c]))
    }

    /// Difference of a pixel to that of another picture, of 3 × 255.
    fn off(&self, other: &Self, x: usize, y: usize) -> i32 {
        self.at(x, y).iter().zip(other.at(x, y)).map(|(a, b)| (a - b).abs()).sum()
    }

    /// Mean difference in a square about a place.
    fn changed_at(&self, other: &Self, (x, y): (f64, f64), half: i32) -> f64 {
        let (mut sum, mut count) = (0, 0);
        for dy in -half..=half {
            for dx in -half..=half {
                let (px, py) = (x.round() as i32 + dx, y.round() as i32 + dy);
                sum += self.off(other, px as usize, py as usize);
                count += 1;
            }
        }
        f64::from(sum) / f64::from(count)
    }
}

struct Studio {
    folder: tempfile::TempDir,
}

impl Studio {
    fn open() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    /// The picture of a case and a plan at a time.
    fn picture(&self, name: &str, view: &str, case: &str, plan: &str, at_s: f64, size: &str) -> (Picture, PathBuf) {
        let file = self.folder.path().join(format!("{name}.png"));
        let output = Command::new(env!("CARGO_BIN_EXE_corecleft"))
            .args(["picture", path(&format!("scenarios/{case}.ron")).to_str().unwrap()])
            .args(["--plan", path(&format!("scenarios/{plan}.plan.ron")).to_str().unwrap()])
            .args(["--at", &at_s.to_string(), "--view", view, "--size", size, "--out", file.to_str().unwrap()])
            .env_remove("DISPLAY")
            .env_remove("WAYLAND_DISPLAY")
            // Without it some drivers complain, on everybody's standard error.
            .env("XDG_RUNTIME_DIR", self.folder.path())
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success(), "{told}");
        assert_eq!(told.lines().count(), 1, "only what was written is told: {told}");
        (Picture::read(&file), file)
    }
}

/// The state of a plan at a time.
fn state_at(case: &str, plan: &str, mut is_there: impl FnMut(&Model, &State) -> bool) -> (Model, State) {
    let case = read_case(&path(&format!("scenarios/{case}.ron"))).unwrap();
    let (plan, _) = read_plan(&path(&format!("scenarios/{plan}.plan.ron"))).unwrap();
    let model = compile(&case.spec, 1, Resolution::default()).unwrap().model;
    let (mut state, mut performer) = (State::new(&model), Performer::new(&model, &plan));
    while !is_there(&model, &state) {
        let inputs = performer.next(&model, &state).expect("the plan ends before the moment comes");
        step(&model, &mut state, &inputs);
    }
    (model, state)
}

/// Diameter of the microscope's field, mm, and distance of its objective, mm.
const FIELD_MM: f64 = 13.5;
const WORKING_MM: f64 = 200.0;

/// Where a place in the eye lies in the picture of the field, px.
fn px(place_mm: [f64; 3], side_px: f64, focus_mm: f64) -> (f64, f64) {
    let nearer = WORKING_MM / (WORKING_MM - (place_mm[2] - focus_mm));
    let per_mm = nearer * side_px / FIELD_MM;
    (0.5 * side_px + place_mm[0] * per_mm, 0.5 * side_px - place_mm[1] * per_mm)
}

const CASE: &str = "long-eye-dense-core";
const GOOD: &str = "long-eye-dense-core.good";

#[test]
fn the_needle_is_seen_where_the_engine_has_it() {
    let studio = Studio::open();
    let (_, state) = state_at(CASE, GOOD, |model, state| {
        state.time_s(model) > 0.2 && state.needle.as_ref().is_some_and(|n| n.buried_mm > 0.3)
    });
    let (model, _) = state_at(CASE, GOOD, |_, _| true);
    let at_s = state.time_s(&model);
    let (before, _) = studio.picture("before", "microscope", CASE, GOOD, 0.0, "480x480");
    let (now, _) = studio.picture("now", "microscope", CASE, GOOD, at_s, "480x480");
    let tip = &state.needle.as_ref().unwrap().tip;
    let place = |along_mm: f64| {
        let at = tip.behind_mm(along_mm);
        px([at.x, at.y, at.z], 480.0, 0.8)
    };
    // On the shaft the picture has changed; ahead of the tip, and on the far side of the pupil, it has not.
    for along_mm in [0.5, 1.2, 2.0] {
        let changed = now.changed_at(&before, place(along_mm), 2);
        assert!(changed > 60.0, "{along_mm} mm behind the tip the picture changed by {changed}");
    }
    let ahead = now.changed_at(&before, place(-1.2), 2);
    assert!(ahead < 40.0, "ahead of the tip it changed by {ahead}");
    // Metal is grey where the red reflex was.
    let (x, y) = place(1.2);
    let [r, _, b] = now.at(x as usize, y as usize);
    let [red, _, blue] = before.at(x as usize, y as usize);
    assert!(r - b < red - blue, "grey {r} {b} before red {red} {blue}");
}

#[test]
fn a_crack_is_seen_after_the_chop() {
    let studio = Studio::open();
    let split = |_: &Model, state: &State| {
        state.latest(|kind| matches!(kind, corecleft::sim::event::EventKind::ChopEnded(..))).is_some()
    };
    let (model, state) = state_at(CASE, GOOD, split);
    let after_s = state.time_s(&model) + 0.6;
    let (whole, _) = studio.picture("whole", "microscope", CASE, GOOD, 0.0, "480x480");
    let (cleft, _) = studio.picture("cleft", "microscope", CASE, GOOD, after_s, "480x480");
    // Contrast from pixel to pixel along a line through the nucleus across the crack, which runs along the shaft: at places
    // where no instrument is.
    let contrast = |picture: &Picture, x_mm: f64| {
        let column = |y_mm: f64| px([x_mm, y_mm, 1.0], 480.0, 0.8);
        let along: Vec<i32> = (-60..=60)
            .map(|i| {
                let (x, y) = column(f64::from(i) / 40.0);
                picture.at(x as usize, y as usize).iter().sum()
            })
            .collect();
        along.windows(4).map(|w| (w[0] - w[3]).abs()).max().unwrap()
    };
    for x_mm in [0.9, 1.4] {
        let (before, after) = (contrast(&whole, x_mm), contrast(&cleft, x_mm));
        assert!(after > 2 * before && after > 60, "at {x_mm} mm contrast {before} before, {after} after");
    }
}

#[test]
fn the_capsule_is_closer_in_the_section_after_a_surge() {
    let studio = Studio::open();
    let (case, plan) = ("last-piece-lax-capsule", "last-piece-lax-capsule.poor");
    let rise = |state: &State| state.membrane.largest_rise_mm().0;
    let (model, state) = state_at(case, plan, |_, state| rise(state) > 0.5);
    let (calm, _) = studio.picture("calm", "section", case, plan, 0.0, "640x360");
    let (up, _) = studio.picture("up", "section", case, plan, state.time_s(&model), "640x360");
    // The lowest part of the capsule's line: the column's lowest vermilion pixel, left and right of the middle.
    let lowest = |picture: &Picture| {
        let is_line = |[r, g, b]: [i32; 3]| r > 200 && (90..190).contains(&g) && b < 130;
        let rows = (200..440).filter_map(|x| (0..picture.height() - 40).rev().find(|y| is_line(picture.at(x, *y))));
        let rows: Vec<usize> = rows.collect();
        rows.iter().sum::<usize>() as f64 / rows.len() as f64
    };
    let (low, high) = (lowest(&calm), lowest(&up));
    assert!(
        low - high > 4.0,
        "the capsule's line lay at {low} px and lies at {high} px after a rise of {:.2} mm",
        rise(&state)
    );
}

#[test]
fn a_picture_of_a_state_is_always_the_same() {
    let studio = Studio::open();
    let bytes =
        |name: &str, view: &str| std::fs::read(studio.picture(name, view, CASE, GOOD, 4.0, "640x360").1).unwrap();
    for view in ["microscope", "operate", "debrief"] {
        assert!(bytes("a", view) == bytes("b", view), "{view}");
    }
}

#[test]
fn frames_are_measured_and_the_adapter_is_named() {
    let output = Command::new(env!("CARGO_BIN_EXE_corecleft"))
        .args(["picture", path("scenarios/medium-uniform.ron").to_str().unwrap()])
        .args(["--view", "operate", "--frames", "5", "--size", "640x360"])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let told = String::from_utf8(output.stdout).unwrap();
    for part in ["Adapter  ", "640 × 360, 5 frames", "99 % within", "main thread", "Start to first frame"] {
        assert!(told.contains(part), "{part} is missing in {told}");
    }
}

#[test]
fn every_view_that_can_be_asked_for_is_drawn() {
    use clap::ValueEnum;
    for view in corecleft::cli::picture::View::value_variants() {
        assert!(corecleft::app::picture::View::named(&view.name()).is_some(), "{view:?}");
    }
}

#[test]
fn what_cannot_be_drawn_is_one_line() {
    for (arguments, told) in [
        (&["scenarios/medium-uniform.ron", "--view", "sideways", "--out", "a.png"][..], "allowed:"),
        (&["scenarios/none.ron", "--view", "cases", "--out", "a.png"], "none.ron"),
        (&["scenarios/medium-uniform.ron", "--view", "cases", "--out", "a.png", "--size", "0x9"], "1280x720"),
        (&["scenarios/medium-uniform.ron", "--view", "cases"], "--out"),
    ] {
        let output = Command::new(env!("CARGO_BIN_EXE_corecleft"))
            .arg("picture")
            .args(arguments)
            .current_dir(path(""))
            .output()
            .unwrap();
        let line = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{line}");
        assert_eq!(line.lines().count(), 1, "{line}");
        assert!(line.contains(told), "{told} is missing in {line}");
    }
}

#[test]
fn a_machine_on_which_nothing_draws_is_told_in_one_line() {
    let output = Command::new(env!("CARGO_BIN_EXE_corecleft"))
        .args(["picture", path("scenarios/medium-uniform.ron").to_str().unwrap()])
        .args(["--view", "cases", "--out", "never.png"])
        // No driver is found where there is none.
        .env("VK_ICD_FILENAMES", "/none.json")
        .env("VK_DRIVER_FILES", "/none.json")
        .env("WGPU_BACKEND", "vulkan")
        .env("XDG_RUNTIME_DIR", std::env::temp_dir())
        .output()
        .unwrap();
    let line = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{line}");
    assert_eq!(line.lines().count(), 1, "{line}");
    assert!(line.contains("Vulkan driver"), "{line}");
}

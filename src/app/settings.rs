//! What the window remembers from one start to the next, and the file it stands in: `settings.ron` in the folder that the
//! system keeps for such files.
//!
//! Reading never fails: what is missing or out of range has its ordinary value, and a file that cannot be read is one line
//! to be told. Writing is whole or not at all. Angles degrees; scales are factors.

use crate::app::hands::PedalCalibration;
use serde::{Deserialize, Serialize};
use std::io;
use std::path::{Path, PathBuf};

/// How much is drawn for the eye to look at; the engine computes the same.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub enum Quality {
    /// As much as the machine draws in time.
    #[default]
    Auto,
    /// Little: for machines without a graphics card.
    Low,
    /// All.
    High,
}

/// What is remembered.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Settings {
    /// Scale of the text (0.8–1.6).
    pub text_scale: f32,
    /// Scale of everything in the window (0.75–3).
    pub window_scale: f32,
    /// Does the window fill the screen?
    pub full_screen: bool,
    /// Is an attempt an exam unless said otherwise?
    pub exam: bool,
    /// How much is drawn.
    pub quality: Quality,
    /// Motion of the tip for a motion of the pointer, a factor on the ordinary (0.25–4).
    pub sensitivity: f32,
    /// Do up and down of the pointer change places?
    pub inverted: bool,
    /// Was the notice of the first start understood?
    pub notice_seen: bool,
    /// An opaque name for the trainee; empty for none.
    pub trainee: String,
    /// Folder of the saved attempts; empty for the ordinary one.
    pub attempts_folder: String,
    /// Store of the record that is reviewed, a file or an address; empty for the usual one.
    pub record: String,
    /// Name of the case that was taken last; empty for none.
    pub last_case: String,
    /// How the pedal reads.
    pub pedal: PedalCalibration,
}

/// Ranges of the numbers, as they are offered and as they are read.
pub mod ranges {
    use std::ops::RangeInclusive;
    /// Of `text_scale`.
    pub const TEXT_SCALE: RangeInclusive<f32> = 0.8..=1.6;
    /// Of `window_scale`.
    pub const WINDOW_SCALE: RangeInclusive<f32> = 0.75..=3.0;
    /// Of `sensitivity`.
    pub const SENSITIVITY: RangeInclusive<f32> = 0.25..=4.0;
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            text_scale: 1.0,
            window_scale: 1.0,
            full_screen: false,
            exam: false,
            quality: Quality::Auto,
            sensitivity: 1.0,
            inverted: false,
            notice_seen: false,
            trainee: String::new(),
            attempts_folder: String::new(),
            record: String::new(),
            last_case: String::new(),
            pedal: PedalCalibration::default(),
        }
    }
}

impl Settings {
    /// The same with every number in its range; one that is not a number has its ordinary value.
    fn within_ranges(mut self) -> Self {
        let ordinary = Self::default();
        let within = |value: f32, range: std::ops::RangeInclusive<f32>, ordinary: f32| {
            if value.is_finite() { value.clamp(*range.start(), *range.end()) } else { ordinary }
        };
        self.text_scale = within(self.text_scale, ranges::TEXT_SCALE, ordinary.text_scale);
        self.window_scale = within(self.window_scale, ranges::WINDOW_SCALE, ordinary.window_scale);
        self.sensitivity = within(self.sensitivity, ranges::SENSITIVITY, ordinary.sensitivity);
        self
    }
}

/// Where the settings stand on this system: below `XDG_CONFIG_HOME` or `~/.config`, on Windows below `APPDATA`. `None` where
/// the system names no such folder.
pub fn path() -> Option<PathBuf> {
    path_from(|name| std::env::var_os(name).map(PathBuf::from), cfg!(windows))
}

fn path_from(variable: impl Fn(&str) -> Option<PathBuf>, is_windows: bool) -> Option<PathBuf> {
    // A relative path would mean another file in every folder from which the program is started.
    let folder = |name: &str| variable(name).filter(|path| path.is_absolute());
    let base = if is_windows {
        folder("APPDATA")?
    } else {
        folder("XDG_CONFIG_HOME").or_else(|| folder("HOME").map(|home| home.join(".config")))?
    };
    Some(base.join("corecleft").join("settings.ron"))
}

/// Reads the settings. With them comes a line to be told where the file is there but cannot be used.
pub fn load(path: &Path) -> (Settings, Option<String>) {
    let text = match std::fs::read_to_string(path) {
        Ok(text) => text,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return (Settings::default(), None),
        Err(error) => return (Settings::default(), Some(unusable(path, &error.to_string()))),
    };
    match ron::from_str::<Settings>(&text) {
        Ok(settings) => (settings.within_ranges(), None),
        Err(error) => (Settings::default(), Some(unusable(path, &error.to_string()))),
    }
}

fn unusable(path: &Path, why: &str) -> String {
    let why = why.split_whitespace().collect::<Vec<_>>().join(" ");
    format!("The settings in {} cannot be read ({why}); the ordinary ones are used.", path.display())
}

/// Why settings could not be saved.
#[derive(Debug, thiserror::Error)]
pub enum SaveError {
    /// They have no text.
    #[error("the settings cannot be written as text: {0}")]
    Text(#[from] ron::Error),
    /// The file.
    #[error("{path}: cannot be written: {error}")]
    File {
        /// The file.
        path: String,
        /// Why.
        error: io::Error,
    },
}

/// Writes the settings: the whole file takes the place of the one before, or nothing does.
///
/// # Errors
/// The folder or the file cannot be written.
pub fn save(path: &Path, settings: &Settings) -> Result<(), SaveError> {
    let text = ron::ser::to_string_pretty(settings, ron::ser::PrettyConfig::default())?;
    let folder = path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let written = std::fs::create_dir_all(folder).and_then(|()| crate::attempt::replace(path, text.as_bytes()));
    written.map_err(|error| SaveError::File { path: path.display().to_string(), error })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn what_is_saved_is_read_again() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("new").join("settings.ron");
        let settings = Settings {
            text_scale: 1.3,
            notice_seen: true,
            quality: Quality::Low,
            trainee: "resident \"7\"".to_owned(),
            ..Settings::default()
        };
        save(&path, &settings).unwrap();
        assert_eq!(load(&path), (settings.clone(), None));
        save(&path, &Settings::default()).unwrap();
        assert_eq!(load(&path), (Settings::default(), None), "the second takes the place of the first");
        let left: Vec<_> = std::fs::read_dir(path.parent().unwrap()).unwrap().collect();
        assert_eq!(left.len(), 1, "nothing else is left in the folder");
    }

    #[test]
    fn what_is_missing_out_of_range_or_unknown_does_no_harm() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("settings.ron");
        assert_eq!(load(&path), (Settings::default(), None), "no file, nothing to tell");
        std::fs::write(&path, "(text_scale: 9.0, sensitivity: NaN, exam: true, of_a_later_version: 3)").unwrap();
        let (settings, told) = load(&path);
        assert_eq!((settings.text_scale, settings.sensitivity, settings.exam), (1.6, 1.0, true));
        assert_eq!(told, None);
        std::fs::write(&path, "(text_scale: ").unwrap();
        let (settings, told) = load(&path);
        assert_eq!(settings, Settings::default());
        let told = told.unwrap();
        assert!(told.contains("settings.ron") && told.contains("ordinary") && !told.contains('\n'), "{told}");
    }

    #[test]
    fn settings_that_cannot_be_saved_are_an_error_that_names_the_file() {
        let folder = tempfile::tempdir().unwrap();
        let blocked = folder.path().join("file");
        std::fs::write(&blocked, "").unwrap();
        let error = save(&blocked.join("settings.ron"), &Settings::default()).unwrap_err();
        assert!(error.to_string().contains("settings.ron: cannot be written"), "{error}");
    }

    #[test]
    fn the_folder_is_the_one_the_system_names() {
        let absolute = |rest: &str| std::env::temp_dir().join(rest);
        let env = |name: &str| match name {
            "HOME" => Some(absolute("someone")),
            "APPDATA" => Some(absolute("roaming")),
            _ => None,
        };
        let end = Path::new("corecleft").join("settings.ron");
        assert_eq!(path_from(env, false), Some(absolute("someone").join(".config").join(&end)));
        assert_eq!(path_from(env, true), Some(absolute("roaming").join(&end)));
        let xdg = |name: &str| if name == "XDG_CONFIG_HOME" { Some(absolute("config")) } else { env(name) };
        assert_eq!(path_from(xdg, false), Some(absolute("config").join(&end)));
        let relative = |name: &str| if name == "XDG_CONFIG_HOME" { Some(PathBuf::from("here")) } else { env(name) };
        assert_eq!(path_from(relative, false), Some(absolute("someone").join(".config").join(&end)));
        assert_eq!(path_from(|_| None, false), None);
    }
}

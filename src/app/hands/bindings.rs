//! What each key, button and axis asks for, and the file in which all of it can be changed.
//!
//! The file names actions and for each a list of what asks for it; an action it leaves out keeps what it has of itself, an
//! empty list leaves it without a key. The help page is made from what is bound, so that it is never wrong.
//!
//! Invariants: in bindings that were read no key asks for two actions; a fault is one line with its place.
//! Limits: a key alone, no combinations; `FineMotion` and `MoveChopper` change what others do while they are held.

use crate::app::hands::keys::{Button, Key, PadAxis, PadButton, Source, Way};
use crate::case::fault::Fault;
use bevy::ecs::resource::Resource;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::path::Path;

/// The format of the file that this version reads and writes.
pub const FORMAT: u32 = 1;

/// What the file says of itself.
const HEADER: &str = "\
// Corecleft: what each key, button and axis asks for.
//
// An action that is left out keeps what it has of itself; `[]` leaves it without a key. Nothing may ask for two actions.
// Sources: Key(KeyW) for a key by its place on the keyboard, Mouse(Left), WheelUp, WheelDown, Pad(South),
// Axis(LeftStickX, Plus) and Axis(LeftStickX, Minus). While FineMotion is held the hands move at a quarter; while
// MoveChopper is held whatever moves the tip moves the chopper.
";

/// Largest file that is read, bytes.
const MOST_BYTES: u64 = 65_536;

/// Which part of the help page an action belongs to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Group {
    /// The hand with the needle.
    Needle,
    /// The other hand.
    Chopper,
    /// The foot.
    Foot,
    /// The machine's settings and what is injected.
    Machine,
    /// What is looked at.
    View,
    /// The program.
    Program,
}

impl Group {
    /// Its heading.
    pub fn words(self) -> &'static str {
        match self {
            Self::Needle => "Needle",
            Self::Chopper => "Chopper and free hand",
            Self::Foot => "Foot pedal",
            Self::Machine => "Machine",
            Self::View => "Microscope",
            Self::Program => "Program",
        }
    }
}

/// The actions, each with its part of the help page, what the page calls it, and what it is bound to of itself.
macro_rules! actions {
    ($($group:ident { $($action:ident $label:literal [$($source:expr),*])* })*) => {
        /// Something a device can ask for.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum Action {
            $($(#[doc = $label] $action,)*)*
        }

        impl Action {
            /// All there are, as the help page lists them.
            pub const ALL: &[Self] = &[$($(Self::$action,)*)*];

            /// Its part of the help page.
            pub fn group(self) -> Group {
                match self { $($(Self::$action => Group::$group,)*)* }
            }

            /// What the help page calls it.
            pub fn label(self) -> &'static str {
                match self { $($(Self::$action => $label,)*)* }
            }

            /// What it is bound to of itself.
            fn own(self) -> Vec<Source> {
                use Source::{Axis, Key as K, Mouse, Pad, WheelDown, WheelUp};
                match self { $($(Self::$action => vec![$($source),*],)*)* }
            }
        }
    };
}

actions! {
    Needle {
        TipLeft "Tip to the left (the mouse moves it too)" [K(Key::Numpad4), Axis(PadAxis::LeftStickX, Way::Minus)]
        TipRight "Tip to the right" [K(Key::Numpad6), Axis(PadAxis::LeftStickX, Way::Plus)]
        TipUp "Tip up in the picture" [K(Key::Numpad8), Axis(PadAxis::LeftStickY, Way::Plus)]
        TipDown "Tip down in the picture" [K(Key::Numpad2), Axis(PadAxis::LeftStickY, Way::Minus)]
        Advance "Advance along the shaft" [K(Key::KeyW), WheelUp, Axis(PadAxis::RightStickY, Way::Plus)]
        Withdraw "Withdraw along the shaft" [K(Key::KeyS), WheelDown, Axis(PadAxis::RightStickY, Way::Minus)]
        SteepenAngle "Steepen the tip angle" [K(Key::KeyR), Pad(PadButton::DPadUp)]
        FlattenAngle "Flatten the tip angle" [K(Key::KeyF), Pad(PadButton::DPadDown)]
        RollLeft "Roll the needle to the left" [K(Key::KeyQ), Axis(PadAxis::RightStickX, Way::Minus)]
        RollRight "Roll the needle to the right" [K(Key::KeyE), Axis(PadAxis::RightStickX, Way::Plus)]
        TurnBevel "Bevel up or down" [K(Key::KeyB), Pad(PadButton::South)]
        FineMotion "Fine motion, while held" [K(Key::ShiftLeft), Pad(PadButton::LeftTrigger2)]
        TurnNucleusLeft "Turn the nucleus counter-clockwise" [K(Key::KeyA), Pad(PadButton::DPadLeft)]
        TurnNucleusRight "Turn the nucleus clockwise" [K(Key::KeyD), Pad(PadButton::DPadRight)]
    }
    Chopper {
        MoveChopper "Move the chopper instead, while held" [Mouse(Button::Right), K(Key::ControlLeft), Pad(PadButton::LeftTrigger)]
        PointedChopper "Pointed chopper in or out" [K(Key::Digit4), Pad(PadButton::West)]
        BluntChopper "Blunt chopper in or out" [K(Key::Digit5), Pad(PadButton::North)]
        RollChopper "Chopper upright or flat" [K(Key::KeyX), Pad(PadButton::East)]
        ChopperDeeper "Chopper deeper" [K(Key::KeyG)]
        ChopperShallower "Chopper shallower" [K(Key::KeyT)]
        Part "Part the instruments" [K(Key::KeyV), Pad(PadButton::RightTrigger)]
        Close "Bring the instruments together" [K(Key::KeyZ)]
        Guard "Chopper guards below the tip, or no more" [K(Key::KeyY), Pad(PadButton::RightThumb)]
        InjectCohesive "Inject cohesive viscoelastic, while held" [K(Key::KeyU)]
        InjectDispersive "Inject dispersive viscoelastic, while held" [K(Key::KeyI)]
        InjectFluid "Inject balanced salt solution, while held" [K(Key::KeyJ)]
    }
    Foot {
        PressPedal "Press the pedal, while held" [K(Key::Space), Mouse(Button::Left)]
        ReleasePedal "Release the pedal, while held" [K(Key::KeyC)]
        Position0 "Foot off" [K(Key::Digit0), K(Key::Backquote)]
        Position1 "Position 1: infusion" [K(Key::Digit1)]
        Position2 "Position 2: aspiration" [K(Key::Digit2)]
        Position3 "Position 3: ultrasound" [K(Key::Digit3)]
        PedalTravel "Pedal of the device: way down" [Pad(PadButton::RightTrigger2)]
        PedalSwing "Pedal of the device: swing sideways" [Axis(PadAxis::RightZ, Way::Plus)]
        Reflux "Reflux, while held" [K(Key::KeyN), Pad(PadButton::LeftThumb)]
    }
    Machine {
        VacuumUp "Vacuum limit up" [K(Key::BracketRight)]
        VacuumDown "Vacuum limit down" [K(Key::BracketLeft)]
        BottleUp "Bottle up" [K(Key::PageUp)]
        BottleDown "Bottle down" [K(Key::PageDown)]
        PowerUp "Power limit up" [K(Key::Quote)]
        PowerDown "Power limit down" [K(Key::Semicolon)]
    }
    View {
        ZoomIn "Zoom in" [K(Key::Equal), K(Key::NumpadAdd)]
        ZoomOut "Zoom out" [K(Key::Minus), K(Key::NumpadSubtract)]
        FocusUp "Focus nearer to the cornea" [K(Key::Period)]
        FocusDown "Focus deeper" [K(Key::Comma)]
        TiltUp "Tilt the microscope away" [K(Key::Home)]
        TiltDown "Tilt the microscope back" [K(Key::End)]
        Section "Section view, where the case allows it" [K(Key::KeyO), Pad(PadButton::Select)]
    }
    Program {
        Pause "Pause or go on" [K(Key::KeyP), K(Key::Escape), Pad(PadButton::Start)]
        StopAndCall "Stop and call for help" [K(Key::Backspace), Pad(PadButton::Mode)]
        Help "Help with the keys" [K(Key::F1)]
        FullScreen "Full screen" [K(Key::F11)]
    }
}

/// What is bound.
#[derive(Clone, Debug, PartialEq, Eq, Resource)]
pub struct Bindings {
    sources: BTreeMap<Action, Vec<Source>>,
}

impl Default for Bindings {
    fn default() -> Self {
        Self { sources: Action::ALL.iter().map(|action| (*action, action.own())).collect() }
    }
}

/// The file's form.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    format: u32,
    #[serde(default)]
    actions: BTreeMap<Action, Vec<Source>>,
}

impl Bindings {
    /// What asks for an action.
    pub fn sources(&self, action: Action) -> &[Source] {
        self.sources.get(&action).map(Vec::as_slice).unwrap_or_default()
    }

    /// From now on these alone ask for it.
    pub fn bind(&mut self, action: Action, sources: Vec<Source>) {
        self.sources.insert(action, sources);
    }

    /// The keys that ask for an action, in words.
    pub fn words(&self, action: Action) -> String {
        let sources: Vec<String> = self.sources(action).iter().map(|s| s.words()).collect();
        if sources.is_empty() { "not bound".to_string() } else { sources.join(" or ") }
    }

    /// Every action with its part of the help page, what it is called, and its keys in words.
    pub fn actions(&self) -> impl Iterator<Item = (Group, Action, String)> + '_ {
        Action::ALL.iter().map(|action| (action.group(), *action, self.words(*action)))
    }

    /// Sources that ask for more than one action, with the first two of those.
    pub fn clashes(&self) -> Vec<(Source, Action, Action)> {
        let mut owners: BTreeMap<Source, Action> = BTreeMap::new();
        let mut clashes = Vec::new();
        for (action, sources) in &self.sources {
            for source in sources {
                match owners.get(source) {
                    Some(owner) if owner != action => clashes.push((*source, *owner, *action)),
                    Some(_) => {}
                    None => _ = owners.insert(*source, *action),
                }
            }
        }
        clashes
    }

    /// The file's text, with a head that explains it.
    ///
    /// # Errors
    /// The notation cannot hold what is bound; does not happen with what can be read.
    pub fn text(&self) -> Result<String, ron::Error> {
        let pretty = ron::ser::PrettyConfig::new().depth_limit(2).new_line("\n");
        let written = Written { format: FORMAT, actions: self.sources.clone() };
        Ok(format!("{HEADER}{}\n", ron::ser::to_string_pretty(&written, pretty)?))
    }

    /// Reads bindings from text; `file_name` is what faults call it.
    ///
    /// # Errors
    /// The first fault: of form, or something that asks for two actions.
    pub fn parse(file_name: &str, text: &str) -> Result<Self, Fault> {
        let fault = |(line, column), field: &str, message: String, allowed: String| Fault {
            file: file_name.to_string(),
            line,
            column,
            field: field.to_string(),
            message,
            allowed,
            is_warning: false,
        };
        let written: Written = ron::from_str(text).map_err(|error| {
            let (message, allowed) = explain(&error.code);
            // The parser stops behind a name that it does not know.
            let length = match &error.code {
                ron::Error::NoSuchEnumVariant { found, .. } | ron::Error::NoSuchStructField { found, .. } => {
                    found.chars().count()
                }
                _ => 0,
            };
            let end = error.span.end;
            fault((end.line, end.col.saturating_sub(length).max(1)), "keys", message, allowed)
        })?;
        if written.format != FORMAT {
            let message = format!("format {} is not read by this version", written.format);
            return Err(fault(place(text, "format"), "format", message, FORMAT.to_string()));
        }
        let mut bindings = Self::default();
        for (action, sources) in written.actions {
            bindings.bind(action, sources);
        }
        if let Some((source, first, second)) = bindings.clashes().first() {
            let names = [first, second].map(|a| format!("{a:?}"));
            // The one that the file holds, the later where it holds both.
            let places = names.each_ref().map(|name| place(text, name));
            let at = places[0].max(places[1]);
            let message = format!("{} asks for both {} and {}", notation(*source), names[0], names[1]);
            let name = if at == places[1] { &names[1] } else { &names[0] };
            return Err(fault(at, name, message, "one action; give the other another key".to_string()));
        }
        Ok(bindings)
    }

    /// Reads the bindings file.
    ///
    /// # Errors
    /// As [`Bindings::parse`]; a missing, unreadable or too large file is a fault without a place.
    pub fn read(path: &Path) -> Result<Self, Fault> {
        let file = path.display().to_string();
        let broken = |message: String, allowed: &str| Fault {
            file: file.clone(),
            line: 0,
            column: 0,
            field: crate::case::fault::WHOLE_FILE.to_string(),
            message,
            allowed: allowed.to_string(),
            is_warning: false,
        };
        let length = std::fs::metadata(path).map_err(|e| broken(format!("cannot be read: {e}"), ""))?.len();
        if length > MOST_BYTES {
            return Err(broken("is too large".to_string(), "64 kB at most"));
        }
        let text =
            std::fs::read_to_string(path).map_err(|e| broken(format!("cannot be read: {e}"), "text in UTF-8"))?;
        Self::parse(&file, &text)
    }
}

/// A source as the file writes it.
fn notation(source: Source) -> String {
    ron::to_string(&source).unwrap_or_else(|_| source.words())
}

/// What is wrong with a file's form, and what would be right.
fn explain(error: &ron::Error) -> (String, String) {
    match error {
        ron::Error::NoSuchEnumVariant { expected, found, .. } => {
            (format!("there is no `{found}`"), allowed(expected, found))
        }
        ron::Error::NoSuchStructField { expected, found, .. } => {
            (format!("there is no field `{found}`"), expected.join(", "))
        }
        other => (other.to_string(), String::new()),
    }
}

/// The names allowed, if they are few; else those that are like what was found, or else how they are made.
fn allowed(expected: &[&str], found: &str) -> String {
    const FEW: usize = 24;
    if expected.len() <= FEW {
        return expected.join(", ");
    }
    let stem = |name: &str| name.to_lowercase().trim_start_matches("key").trim_start_matches("numpad").to_string();
    let wanted = stem(found);
    let is_like = |name: &&&str| {
        let name = stem(name);
        wanted.len() > 1 && (name.contains(&wanted) || (name.len() > 1 && wanted.contains(&name))) || name == wanted
    };
    let like: Vec<&str> = expected.iter().filter(is_like).take(FEW).copied().collect();
    if !like.is_empty() {
        return like.join(", ");
    }
    if expected.contains(&"KeyA") {
        return "KeyA to KeyZ, Digit0 to Digit9, Numpad0 to Numpad9, F1 to F24, Space, Tab, Enter, Escape, ShiftLeft, \
                ArrowUp and the like"
            .to_string();
    }
    expected.join(", ")
}

/// Line and column, from 1, of a name in a text but for its comments; (0, 0) where it is not.
fn place(text: &str, name: &str) -> (usize, usize) {
    let is_part = |c: char| c.is_alphanumeric() || c == '_';
    for (line, content) in (1..).zip(text.lines()) {
        let code = content.split("//").next().unwrap_or_default();
        for (at, _) in code.match_indices(name) {
            let is_whole = !code[..at].ends_with(is_part) && !code[at + name.len()..].starts_with(is_part);
            if is_whole {
                return (line, code[..at].chars().count() + 1);
            }
        }
    }
    (0, 0)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn of_themselves_no_key_asks_for_two_actions_and_every_action_has_one() {
        let bindings = Bindings::default();
        assert_eq!(bindings.clashes(), []);
        for (_, action, words) in bindings.actions() {
            assert!(!words.is_empty() && words != "not bound", "{action:?}");
            assert!(!action.label().is_empty());
        }
        assert_eq!(bindings.actions().count(), Action::ALL.len());
    }

    #[test]
    fn what_is_written_is_read_again_and_explains_itself() {
        let mut bindings = Bindings::default();
        bindings.bind(Action::Advance, vec![Source::Key(Key::KeyK), Source::Axis(PadAxis::RightStickY, Way::Plus)]);
        bindings.bind(Action::Guard, Vec::new());
        let text = bindings.text().unwrap();
        assert!(text.starts_with("// Corecleft") && text.contains("Advance: [Key(KeyK)"), "{text}");
        assert!(text.lines().all(|line| line.chars().count() <= 140), "{text}");
        assert_eq!(Bindings::parse("keys.ron", &text).unwrap(), bindings);
    }

    #[test]
    fn what_the_file_leaves_out_keeps_its_keys() {
        let text = "(format: 1, actions: { Advance: [Key(KeyK)], Guard: [] })";
        let bindings = Bindings::parse("keys.ron", text).unwrap();
        assert_eq!(bindings.sources(Action::Advance), [Source::Key(Key::KeyK)]);
        assert_eq!(bindings.words(Action::Guard), "not bound");
        assert_eq!(bindings.sources(Action::Withdraw), Bindings::default().sources(Action::Withdraw));
        assert_eq!(Bindings::parse("keys.ron", "(format: 1)").unwrap(), Bindings::default());
    }

    fn fault(text: &str) -> String {
        let line = Bindings::parse("keys.ron", text).unwrap_err().to_string();
        assert_eq!(line.lines().count(), 1);
        line
    }

    #[test]
    fn a_name_that_is_not_known_is_one_line_with_its_place_and_what_is_allowed() {
        let line = fault("(\n    format: 1,\n    actions: {\n        Advance: [Key(KeyUp)],\n    },\n)\n");
        assert!(line.starts_with("keys.ron:4:23: ") && line.contains("`KeyUp`"), "{line}");
        assert!(line.contains("allowed: ") && line.contains("ArrowUp"), "{line}");
        let line = fault("(format: 1, actions: { Fly: [] })");
        assert!(line.starts_with("keys.ron:1:24: ") && line.contains("`Fly`"), "{line}");
        let line = fault("(format: 1, actions: { Advance: [Kye(KeyW)] })");
        assert!(line.contains("`Kye`") && line.contains("Key, Mouse, WheelUp"), "{line}");
        let line = fault("(format: 1, keys: {})");
        assert!(line.contains("`keys`") && line.contains("format, actions"), "{line}");
        let line = fault("(format: 7)");
        assert!(line.starts_with("keys.ron:1:2: format: format 7") && line.ends_with("allowed: 1"), "{line}");
    }

    #[test]
    fn a_key_that_asks_for_two_actions_is_a_fault_also_where_one_has_it_of_itself() {
        let line = fault("(format: 1, actions: {\n  Guard: [Key(KeyK)],\n  Pause: [Key(KeyK)],\n})");
        assert!(line.starts_with("keys.ron:3:3: Pause: Key(KeyK) asks for both Guard and Pause"), "{line}");
        let line = fault("(format: 1, actions: {\n  Guard: [WheelUp],\n})");
        assert!(line.starts_with("keys.ron:2:3: Guard: WheelUp asks for both Advance and Guard"), "{line}");
        let twice = Bindings::parse("keys.ron", "(format: 1, actions: { Guard: [Key(KeyK), Key(KeyK)] })").unwrap();
        assert_eq!(twice.clashes(), []);
    }

    #[test]
    fn a_file_that_is_not_there_is_a_fault_without_a_place() {
        let folder = tempfile::tempdir().unwrap();
        let line = Bindings::read(&folder.path().join("none.ron")).unwrap_err().to_string();
        assert!(line.contains("none.ron:0:0: file: cannot be read"), "{line}");
        let path = folder.path().join("keys.ron");
        std::fs::write(&path, Bindings::default().text().unwrap()).unwrap();
        assert_eq!(Bindings::read(&path).unwrap(), Bindings::default());
    }
}

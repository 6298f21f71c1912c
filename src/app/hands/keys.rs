//! Names of keys, buttons and axes: as the bindings file writes them and as the help page reads them.
//!
//! A key is named for its place on the keyboard (`KeyW` is above `KeyS` whatever is printed on it), so that the hands lie
//! the same on every layout. Limits: keys that only some keyboards have are left out.

use bevy::input::gamepad::{GamepadAxis, GamepadButton};
use bevy::input::keyboard::KeyCode;
use bevy::input::mouse::MouseButton;
use serde::{Deserialize, Serialize};

/// Names that stand for values of a type of the window's, and the words for them.
macro_rules! names {
    ($(#[$doc:meta])* $name:ident: $code:ident { $($variant:ident $words:literal)* }) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
        pub enum $name {
            $(#[doc = $words] $variant,)*
        }

        impl $name {
            /// All there are.
            pub const ALL: &[Self] = &[$(Self::$variant,)*];

            /// What the window calls it.
            pub fn code(self) -> $code {
                match self { $(Self::$variant => $code::$variant,)* }
            }

            /// What the help page calls it.
            pub fn words(self) -> &'static str {
                match self { $(Self::$variant => $words,)* }
            }
        }
    };
}

names! {
    /// A key.
    Key: KeyCode {
        KeyA "A" KeyB "B" KeyC "C" KeyD "D" KeyE "E" KeyF "F" KeyG "G" KeyH "H" KeyI "I" KeyJ "J" KeyK "K" KeyL "L" KeyM "M"
        KeyN "N" KeyO "O" KeyP "P" KeyQ "Q" KeyR "R" KeyS "S" KeyT "T" KeyU "U" KeyV "V" KeyW "W" KeyX "X" KeyY "Y" KeyZ "Z"
        Digit0 "0" Digit1 "1" Digit2 "2" Digit3 "3" Digit4 "4" Digit5 "5" Digit6 "6" Digit7 "7" Digit8 "8" Digit9 "9"
        Backquote "`" Minus "-" Equal "=" BracketLeft "[" BracketRight "]" Backslash "\\" IntlBackslash "<"
        Semicolon ";" Quote "'" Comma "," Period "." Slash "/"
        Space "Space" Tab "Tab" Enter "Enter" Backspace "Backspace" Escape "Esc" CapsLock "Caps lock"
        ShiftLeft "Left Shift" ShiftRight "Right Shift" ControlLeft "Left Ctrl" ControlRight "Right Ctrl"
        AltLeft "Left Alt" AltRight "Right Alt" ContextMenu "Menu key"
        Insert "Insert" Delete "Delete" Home "Home" End "End" PageUp "Page up" PageDown "Page down"
        ArrowUp "Up arrow" ArrowDown "Down arrow" ArrowLeft "Left arrow" ArrowRight "Right arrow"
        Numpad0 "Keypad 0" Numpad1 "Keypad 1" Numpad2 "Keypad 2" Numpad3 "Keypad 3" Numpad4 "Keypad 4" Numpad5 "Keypad 5"
        Numpad6 "Keypad 6" Numpad7 "Keypad 7" Numpad8 "Keypad 8" Numpad9 "Keypad 9" NumpadAdd "Keypad +"
        NumpadSubtract "Keypad -" NumpadMultiply "Keypad *" NumpadDivide "Keypad /" NumpadDecimal "Keypad ."
        NumpadEnter "Keypad Enter"
        F1 "F1" F2 "F2" F3 "F3" F4 "F4" F5 "F5" F6 "F6" F7 "F7" F8 "F8" F9 "F9" F10 "F10" F11 "F11" F12 "F12"
        F13 "F13" F14 "F14" F15 "F15" F16 "F16" F17 "F17" F18 "F18" F19 "F19" F20 "F20" F21 "F21" F22 "F22" F23 "F23"
        F24 "F24"
    }
}

names! {
    /// A button of the mouse.
    Button: MouseButton {
        Left "Left mouse button" Right "Right mouse button" Middle "Middle mouse button" Back "Back mouse button"
        Forward "Forward mouse button"
    }
}

names! {
    /// A button of a gamepad, or of a pedal that reports as one.
    PadButton: GamepadButton {
        South "Pad lower button" East "Pad right button" North "Pad upper button" West "Pad left button" C "Pad button C"
        Z "Pad button Z" LeftTrigger "Pad left shoulder" LeftTrigger2 "Pad left trigger"
        RightTrigger "Pad right shoulder" RightTrigger2 "Pad right trigger" Select "Pad select" Start "Pad start"
        Mode "Pad mode" LeftThumb "Pad left stick pressed" RightThumb "Pad right stick pressed" DPadUp "Pad cross up"
        DPadDown "Pad cross down" DPadLeft "Pad cross left" DPadRight "Pad cross right"
    }
}

names! {
    /// An axis of a gamepad, or of a pedal that reports as one.
    PadAxis: GamepadAxis {
        LeftStickX "Pad left stick across" LeftStickY "Pad left stick along" LeftZ "Pad left throttle"
        RightStickX "Pad right stick across" RightStickY "Pad right stick along" RightZ "Pad right throttle"
    }
}

/// One way of an axis.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Way {
    /// Toward greater values: right, up, pressed.
    Plus,
    /// Toward smaller values: left, down.
    Minus,
}

/// Something on a device that can ask for an action.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Source {
    /// A key held.
    Key(Key),
    /// A button of the mouse held.
    Mouse(Button),
    /// The mouse's wheel turned away from the hand.
    WheelUp,
    /// The mouse's wheel turned toward the hand.
    WheelDown,
    /// A button of a gamepad; a trigger counts for as far as it is pressed.
    Pad(PadButton),
    /// A gamepad's axis, one way.
    Axis(PadAxis, Way),
}

impl Source {
    /// As the help page calls it.
    pub fn words(self) -> String {
        match self {
            Self::Key(key) => key.words().to_string(),
            Self::Mouse(button) => button.words().to_string(),
            Self::WheelUp => "Wheel up".to_string(),
            Self::WheelDown => "Wheel down".to_string(),
            Self::Pad(button) => button.words().to_string(),
            Self::Axis(axis, way) => format!("{} {}", axis.words(), if way == Way::Plus { "+" } else { "\u{2212}" }),
        }
    }
}

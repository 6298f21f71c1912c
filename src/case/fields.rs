//! Reading RON field by field, so that one reading finds every fault of a file and the place of each.
//!
//! The `ron` crate parses; here its text slices are kept beside the values, and a slice's offset in the file gives the
//! place. A schema (`case::read`, `plan::read`) asks a `Group` for its fields one by one. Whatever is missing or wrong
//! becomes a fault and a placeholder is returned, so that the reading goes on; `read` hands the placeholders to nobody:
//! it returns a value only when there are no faults.
//!
//! Invariants: every field a file holds is either asked for by the schema or reported as unknown; nothing panics,
//! whatever the bytes. Limits: a file that is not well-formed RON yields one fault, at the first place where it breaks;
//! a file of another kind or format version yields that fault alone, since its fields mean something else.

use super::fault::{Fault, Spans, WHOLE_FILE, is_plain};
use ron::extensions::Extensions;
use ron::value::RawValue;
use serde::de::{Deserialize, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};
use std::fmt;
use std::fs::File;
use std::io::{ErrorKind, Read as _};
use std::ops::RangeInclusive;
use std::path::Path;

/// Largest file that is read, bytes. A long case takes a few thousand.
const LARGEST_FILE: u64 = 256 * 1024;

/// Longest excerpt of a file that a message repeats, characters.
const LONGEST_EXCERPT: usize = 40;

/// What a file is meant to be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A case.
    Case,
    /// A plan.
    Plan,
}

impl Kind {
    fn name(self) -> &'static str {
        match self {
            Kind::Case => "case",
            Kind::Plan => "plan",
        }
    }

    /// The format version that is read.
    fn format(self) -> u32 {
        match self {
            Kind::Case | Kind::Plan => 1,
        }
    }

    /// What the names of a file's outermost fields say it is, where they say so clearly.
    fn of(entries: &[Entry<'_>]) -> Option<Kind> {
        let has = |name: &str| entries.iter().any(|entry| entry.key == name);
        match (has("eye") || has("lens") || has("surgery"), has("steps")) {
            (true, false) => Some(Kind::Case),
            (false, true) => Some(Kind::Plan),
            _ => None,
        }
    }
}

/// Reads a file's bytes.
///
/// # Errors
/// One fault without a place, when the file is missing, a directory, unreadable or too large.
pub(crate) fn read_bytes(path: &Path, kind: Kind) -> Result<Vec<u8>, Vec<Fault>> {
    let name = kind.name();
    let refuse =
        |message: String, allowed: String| Err(vec![whole_file(&path.display().to_string(), message, allowed)]);
    let refuse_directory = || refuse("is a directory".to_owned(), format!("the path of one {name} file"));
    if path.is_dir() {
        return refuse_directory();
    }
    let mut bytes = Vec::new();
    match File::open(path).and_then(|file| file.take(LARGEST_FILE + 1).read_to_end(&mut bytes)) {
        Ok(length) if length as u64 > LARGEST_FILE => {
            refuse("is too large".to_owned(), format!("{} kB at most", LARGEST_FILE / 1024))
        }
        Ok(_) => Ok(bytes),
        Err(error) => match error.kind() {
            ErrorKind::NotFound => refuse("does not exist".to_owned(), format!("the path of a {name} file")),
            ErrorKind::IsADirectory => refuse_directory(),
            ErrorKind::PermissionDenied => {
                refuse("may not be read by this user".to_owned(), "a readable file".to_owned())
            }
            _ => refuse(format!("cannot be read: {error}"), format!("the path of a {name} file")),
        },
    }
}

/// A file's bytes as text.
///
/// # Errors
/// One fault at the first byte that is not UTF-8.
pub(crate) fn utf8<'a>(file: &str, bytes: &'a [u8]) -> Result<&'a str, Vec<Fault>> {
    std::str::from_utf8(bytes).map_err(|error| {
        let offset = error.valid_up_to();
        let valid = bytes.get(..offset).and_then(|valid| std::str::from_utf8(valid).ok()).unwrap_or("");
        let valid = valid.strip_prefix('\u{feff}').unwrap_or(valid);
        let byte = bytes.get(offset).copied().unwrap_or(0);
        let message = format!("is not UTF-8 text: byte 0x{byte:02X} at offset {offset}");
        let (line, column) = Lines::of(valid).place(valid, valid.len());
        vec![Fault { line, column, ..whole_file(file, message, "text saved as UTF-8".to_owned()) }]
    })
}

/// Reads a text as the schema `read` asks. Returns the value and the places of its fields.
///
/// # Errors
/// Every fault of the text, ordered by place; at least one.
pub(crate) fn read<T>(
    file: &str,
    text: &str,
    kind: Kind,
    read: impl FnOnce(&mut Group<'_, '_>) -> T,
) -> Result<(T, Spans), Vec<Fault>> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    let mut source = Source { file, text, lines: Lines::of(text), faults: Vec::new(), spans: Spans::default() };
    let body = source.body(kind).map_err(|fault| vec![fault])?;
    source.spans.record("", source.place(body));
    let entries = source.entries("", body);
    if let Some(fault) = entries.as_deref().and_then(|entries| source.other_kind_or_format(kind, body, entries)) {
        return Err(vec![fault]);
    }
    let value = source.group("", body, entries, read);
    let Source { mut faults, spans, .. } = source;
    if faults.is_empty() {
        return Ok((value, spans));
    }
    faults.sort_by_key(|fault| (fault.line, fault.column));
    Err(faults)
}

/// A fault of a whole file, without a place.
fn whole_file(file: &str, message: String, allowed: String) -> Fault {
    let (file, field) = (file.to_owned(), WHOLE_FILE.to_owned());
    Fault { file, line: 0, column: 0, field, message, allowed, is_warning: false }
}

/// Byte offsets at which lines start.
struct Lines(Vec<usize>);

impl Lines {
    fn of(text: &str) -> Lines {
        Lines(std::iter::once(0).chain(text.match_indices('\n').map(|(at, _)| at + 1)).collect())
    }

    /// Line and column, from 1, of a byte offset into the text.
    fn place(&self, text: &str, offset: usize) -> (usize, usize) {
        let line = self.0.partition_point(|start| *start <= offset).max(1);
        let start = self.0.get(line - 1).copied().unwrap_or(0);
        (line, 1 + text.get(start..offset).map_or(0, |before| before.chars().count()))
    }
}

/// A file being read. Every `&'a str` handed around below is a slice of `text`, free of white space before it.
struct Source<'a> {
    file: &'a str,
    text: &'a str,
    lines: Lines,
    faults: Vec<Fault>,
    spans: Spans,
}

/// A field as written.
struct Entry<'a> {
    key: &'a str,
    value: &'a str,
}

impl<'a> Source<'a> {
    fn place(&self, slice: &str) -> (usize, usize) {
        let offset = slice.as_ptr().addr().saturating_sub(self.text.as_ptr().addr());
        self.lines.place(self.text, offset)
    }

    fn fault_at(&self, slice: &str, field: &str, message: String, allowed: String) -> Fault {
        let (line, column) = self.place(slice);
        let field = if field.is_empty() { WHOLE_FILE } else { field }.to_owned();
        Fault { file: self.file.to_owned(), line, column, field, message, allowed, is_warning: false }
    }

    fn report(&mut self, slice: &str, field: &str, message: impl Into<String>, allowed: impl Into<String>) {
        let fault = self.fault_at(slice, field, message.into(), allowed.into());
        self.faults.push(fault);
    }

    /// The one value that fills the file, once the whole is known to be well-formed.
    fn body(&self, kind: Kind) -> Result<&'a str, Fault> {
        let broken = |error: ron::error::SpannedError| {
            // The parser stops behind what it could not finish; of a text or comment without end, show the start.
            let does_not_end = matches!(error.code, ron::Error::ExpectedStringEnd | ron::Error::UnclosedBlockComment);
            let place = if does_not_end { error.span.start } else { error.span.end };
            let (line, column) = (place.line, place.col);
            let next = self.text.split('\n').nth(line - 1).and_then(|line| line.chars().nth(column - 1));
            let (message, allowed) = syntax(&error.code, next);
            Fault { line, column, ..whole_file(self.file, message, allowed) }
        };
        let start = ron::Deserializer::from_str(self.text).map_err(broken)?;
        let body = start.remainder();
        if body.is_empty() {
            return Err(self.fault_at(self.text, "", "is empty".to_owned(), format!("a {}", kind.name())));
        }
        // An option may be written bare here in any case; the other extensions would change what the fields mean.
        if !Extensions::IMPLICIT_SOME.contains(start.extensions()) {
            let message = "enables extensions of the notation".to_owned();
            return Err(self.fault_at(self.text, "", message, "no `#![enable(…)]`".to_owned()));
        }
        ron::from_str::<IgnoredAny>(self.text).map_err(broken)?;
        Ok(body)
    }

    /// The fault of a file that is of another kind or format version than expected.
    fn other_kind_or_format(&self, kind: Kind, body: &str, entries: &[Entry<'a>]) -> Option<Fault> {
        if let Some(other) = Kind::of(entries).filter(|other| *other != kind) {
            let message = format!("is a {}, not a {}", other.name(), kind.name());
            return Some(self.fault_at(body, "", message, format!("a {} file", kind.name())));
        }
        let value = entries.iter().find(|entry| entry.key == "format")?.value;
        let version = ron::from_str::<f64>(value).ok()?;
        if version == f64::from(kind.format()) {
            return None;
        }
        let message = format!("format {} is not read by this version", token(value));
        Some(self.fault_at(value, "format", message, kind.format().to_string()))
    }

    /// The fields within a value that should be a group; none, and a fault, if it is not.
    fn entries(&mut self, path: &str, value: &'a str) -> Option<Vec<Entry<'a>>> {
        const ALLOWED: &str = "fields in parentheses, as in `(name: value, …)`";
        let (name, rest) = split_name(value);
        if !rest.starts_with('(') || name == "Some" {
            self.report(value, path, format!("must be a group of fields, found {}", found(value)), ALLOWED);
            return None;
        }
        if !name.is_empty() {
            self.report(
                value,
                path,
                format!("must not have a name before its parenthesis, found `{}`", cut(name)),
                ALLOWED,
            );
        }
        self.named_fields(path, rest)
    }

    /// The fields between the parentheses that `value` begins with, or nothing.
    fn named_fields(&mut self, path: &str, value: &'a str) -> Option<Vec<Entry<'a>>> {
        if value.is_empty() {
            return Some(Vec::new());
        }
        match ron::from_str::<Inside<'a>>(value) {
            Ok(Inside::Named(fields)) => {
                Some(fields.into_iter().map(|(key, raw)| Entry { key, value: start_of(raw.get_ron()) }).collect())
            }
            Ok(Inside::Listed(values)) if values.is_empty() => Some(Vec::new()),
            Ok(_) => {
                self.report(value, path, "must name its fields", "fields as in `(name: value, …)`");
                None
            }
            Err(error) => {
                self.report(value, path, syntax(&error.code, None).0, "fields as in `(name: value, …)`");
                None
            }
        }
    }

    /// Reads a group by its schema, then reports what the schema did not ask for. Without entries, nothing is missed.
    fn group<T>(
        &mut self,
        path: &str,
        place: &'a str,
        entries: Option<Vec<Entry<'a>>>,
        read: impl FnOnce(&mut Group<'_, 'a>) -> T,
    ) -> T {
        let is_absent = entries.is_none();
        let entries = entries.unwrap_or_default();
        let mut group = Group { source: self, path, place, entries, is_absent, known: Vec::new() };
        let value = read(&mut group);
        group.report_unasked();
        value
    }

    fn number(&mut self, path: &str, value: &str, range: &RangeInclusive<f64>, unit: &str) -> f64 {
        match ron::from_str::<f64>(value) {
            Err(_) => self.report(value, path, format!("must be a number, found {}", found(value)), span(range, unit)),
            Ok(number) if !number.is_finite() => {
                self.report(value, path, format!("{} is not a finite number", token(value)), span(range, unit));
            }
            Ok(number) if !range.contains(&number) => {
                let message = format!("{} is out of range", with_unit(&token(value), unit));
                self.report(value, path, message, span(range, unit));
            }
            Ok(number) => return number,
        }
        f64::NAN
    }
}

/// A group of named fields, as a schema sees it. Every method that takes a field name asks for that field, and reports
/// it if it is missing or wrong.
pub(crate) struct Group<'s, 'a> {
    source: &'s mut Source<'a>,
    path: &'s str,
    place: &'a str,
    entries: Vec<Entry<'a>>,
    /// The group itself is missing or wrong and already reported.
    is_absent: bool,
    known: Vec<&'static str>,
}

/// How long a text may be and whether it may have several lines.
pub(crate) enum Text {
    /// One line of at most so many characters.
    Line(usize),
    /// Lines of at most so many characters in all.
    Lines(usize),
}

/// Reads one manoeuvre or other variant from its fields.
pub(crate) type ReadVariant<T> = fn(&mut Group<'_, '_>) -> T;

impl<'a> Group<'_, 'a> {
    fn path_of(&self, name: &str) -> String {
        if self.path.is_empty() { name.to_owned() } else { format!("{}.{name}", self.path) }
    }

    /// The value of a field, if written.
    fn ask(&mut self, name: &'static str) -> Option<&'a str> {
        self.known.push(name);
        let value = self.entries.iter().find(|entry| entry.key == name)?.value;
        let place = self.source.place(value);
        self.source.spans.record(&self.path_of(name), place);
        Some(value)
    }

    /// The value of a field; a fault, if it is not written.
    fn require(&mut self, name: &'static str, allowed: impl FnOnce() -> String) -> Option<&'a str> {
        let value = self.ask(name);
        if value.is_none() && !self.is_absent {
            self.source.report(self.place, &self.path_of(name), "is missing", allowed());
        }
        value
    }

    /// The value of a field that may be left out or be `None`, without the `Some(…)` around it.
    fn ask_option(&mut self, name: &'static str) -> Option<&'a str> {
        let value = self.ask(name)?;
        match split_name(value) {
            ("None", "") => None,
            ("Some", rest) if rest.starts_with('(') => match ron::from_str::<Option<&'a RawValue>>(value) {
                Ok(Some(inner)) => {
                    let inner = start_of(inner.get_ron());
                    let place = self.source.place(inner);
                    self.source.spans.record(&self.path_of(name), place);
                    Some(inner)
                }
                // What is not a plain `Some` is left to the field's own reading to refuse.
                _ => Some(value),
            },
            _ => Some(value),
        }
    }

    /// The format version. Another one than is read was refused before; here it can only be missing or no number.
    pub(crate) fn format(&mut self, kind: Kind) -> u32 {
        let allowed = kind.format().to_string();
        if let Some(value) = self.require("format", || allowed.clone())
            && ron::from_str::<f64>(value).is_err()
        {
            self.source.report(
                value,
                &self.path_of("format"),
                format!("must be a number, found {}", found(value)),
                allowed,
            );
        }
        kind.format()
    }

    /// A number within a range.
    pub(crate) fn number(&mut self, name: &'static str, range: RangeInclusive<f64>, unit: &str) -> f64 {
        match self.require(name, || span(&range, unit)) {
            Some(value) => self.source.number(&self.path_of(name), value, &range, unit),
            None => f64::NAN,
        }
    }

    /// A whole number within a range.
    pub(crate) fn whole(&mut self, name: &'static str, range: RangeInclusive<u8>) -> u8 {
        let allowed = || span(&(f64::from(*range.start())..=f64::from(*range.end())), "");
        match self.require(name, allowed) {
            Some(value) => self.whole_in(name, value, &range),
            None => *range.start(),
        }
    }

    /// A whole number within a range, or nothing.
    pub(crate) fn optional_whole(&mut self, name: &'static str, range: RangeInclusive<u8>) -> Option<u8> {
        let value = self.ask_option(name)?;
        Some(self.whole_in(name, value, &range))
    }

    fn whole_in(&mut self, name: &'static str, value: &'a str, range: &RangeInclusive<u8>) -> u8 {
        let wide = f64::from(*range.start())..=f64::from(*range.end());
        let path = self.path_of(name);
        let number = self.source.number(&path, value, &wide, "");
        if number.is_finite() && number.fract() != 0.0 {
            self.source.report(value, &path, "must be a whole number", span(&wide, ""));
        }
        if number.is_finite() { number as u8 } else { *range.start() }
    }

    /// A number within a range, or nothing.
    pub(crate) fn optional_number(
        &mut self,
        name: &'static str,
        range: RangeInclusive<f64>,
        unit: &str,
    ) -> Option<f64> {
        let value = self.ask_option(name)?;
        Some(self.source.number(&self.path_of(name), value, &range, unit))
    }

    /// Several numbers in parentheses, all within the same range; `parts` says what each means.
    pub(crate) fn numbers<const N: usize>(
        &mut self,
        name: &'static str,
        parts: [&str; N],
        range: RangeInclusive<f64>,
        unit: &str,
    ) -> [f64; N] {
        let allowed = || format!("({}), each {}", parts.join(", "), span(&range, unit));
        match self.require(name, allowed) {
            Some(value) => self.numbers_in(name, value, parts, &range, unit),
            None => [f64::NAN; N],
        }
    }

    /// Several numbers in parentheses, or nothing.
    pub(crate) fn optional_numbers<const N: usize>(
        &mut self,
        name: &'static str,
        parts: [&str; N],
        range: RangeInclusive<f64>,
        unit: &str,
    ) -> Option<[f64; N]> {
        let value = self.ask_option(name)?;
        Some(self.numbers_in(name, value, parts, &range, unit))
    }

    fn numbers_in<const N: usize>(
        &mut self,
        name: &'static str,
        value: &'a str,
        parts: [&str; N],
        range: &RangeInclusive<f64>,
        unit: &str,
    ) -> [f64; N] {
        let absent = [f64::NAN; N];
        let allowed = || format!("({}), each {}", parts.join(", "), span(range, unit));
        let path = self.path_of(name);
        let values = match ron::from_str::<Inside<'a>>(value) {
            Ok(Inside::Listed(values)) if value.starts_with('(') => values,
            _ => {
                let message = format!("must be {N} numbers in parentheses, found {}", found(value));
                self.source.report(value, &path, message, allowed());
                return absent;
            }
        };
        if values.len() != N {
            let message = format!("must be {N} numbers in parentheses, found {}", values.len());
            self.source.report(value, &path, message, allowed());
            return absent;
        }
        let mut numbers = absent;
        for (index, (number, raw)) in numbers.iter_mut().zip(values).enumerate() {
            let (path, value) = (format!("{path}[{index}]"), start_of(raw.get_ron()));
            self.source.spans.record(&path, self.source.place(value));
            *number = self.source.number(&path, value, range, unit);
        }
        numbers
    }

    /// A text that is not blank.
    pub(crate) fn text(&mut self, name: &'static str, rule: Text) -> String {
        let (longest, has_lines) = match rule {
            Text::Line(longest) => (longest, false),
            Text::Lines(longest) => (longest, true),
        };
        let allowed = || {
            let lines = if has_lines { "" } else { " on one line" };
            format!("text of 1 to {longest} characters in quotation marks{lines}")
        };
        let Some(value) = self.require(name, allowed) else { return String::new() };
        let fits = |c: char| is_plain(c) || (has_lines && matches!(c, '\n' | '\r' | '\t'));
        let message = match ron::from_str::<String>(value) {
            Err(_) => format!("must be text, found {}", found(value)),
            Ok(text) if text.trim().is_empty() => "is blank".to_owned(),
            Ok(text) if text.chars().count() > longest => format!("has {} characters", text.chars().count()),
            Ok(text) => match text.chars().find(|c| !fits(*c)) {
                None => return text,
                Some('\n' | '\r') => "has more than one line".to_owned(),
                Some(c) => format!("holds the control character U+{:04X}", u32::from(c)),
            },
        };
        self.source.report(value, &self.path_of(name), message, allowed());
        String::new()
    }

    /// One of several names.
    pub(crate) fn choice<T: Copy>(&mut self, name: &'static str, first: (&str, T), others: &[(&str, T)]) -> T {
        let allowed = || names(first, others).join(" or ");
        match self.require(name, allowed) {
            Some(value) => self.choice_in(name, value, first, others),
            None => first.1,
        }
    }

    /// One of several names, or nothing. With the names `false` and `true`, a yes or no.
    pub(crate) fn optional_choice<T: Copy>(
        &mut self,
        name: &'static str,
        first: (&str, T),
        others: &[(&str, T)],
    ) -> Option<T> {
        let value = self.ask_option(name)?;
        Some(self.choice_in(name, value, first, others))
    }

    fn choice_in<T: Copy>(&mut self, name: &'static str, value: &'a str, first: (&str, T), others: &[(&str, T)]) -> T {
        let names = names(first, others);
        let message = match split_name(value) {
            ("", _) if value.starts_with('"') => "must be a name without quotation marks".to_owned(),
            (written, "") if !written.is_empty() => {
                let known = std::iter::once(&first).chain(others).find(|known| known.0 == written);
                match known {
                    Some(known) => return known.1,
                    None => format!("`{}` is not a known name{}", cut(written), suggestion(written, &names)),
                }
            }
            _ => format!("must be a name, found {}", found(value)),
        };
        self.source.report(value, &self.path_of(name), message, names.join(" or "));
        first.1
    }

    /// Reports that none of several fields, each of which may be left out, was given.
    pub(crate) fn report_none_of(&mut self, fields: &[&str]) {
        if !self.is_absent {
            let allowed = format!("at least one of {}", fields.join(", "));
            self.source.report(self.place, self.path, "changes nothing", allowed);
        }
    }

    /// A group within this group.
    pub(crate) fn group<T>(&mut self, name: &'static str, read: impl FnOnce(&mut Group<'_, 'a>) -> T) -> T {
        let value = self.require(name, || "a group of fields".to_owned());
        self.group_in(name, value, read)
    }

    /// A group within this group, or nothing.
    pub(crate) fn optional_group<T>(
        &mut self,
        name: &'static str,
        read: impl FnOnce(&mut Group<'_, 'a>) -> T,
    ) -> Option<T> {
        let value = self.ask_option(name)?;
        Some(self.group_in(name, Some(value), read))
    }

    fn group_in<T>(
        &mut self,
        name: &'static str,
        value: Option<&'a str>,
        read: impl FnOnce(&mut Group<'_, 'a>) -> T,
    ) -> T {
        let path = self.path_of(name);
        let entries = value.and_then(|value| self.source.entries(&path, value));
        self.source.group(&path, value.unwrap_or(self.place), entries, read)
    }

    /// A list whose items are each a name with fields, as in `[Wait(seconds: 1), Withdraw]`. Items that are wrong, or
    /// more than are allowed, are left out of what is returned.
    pub(crate) fn variants<T>(
        &mut self,
        name: &'static str,
        count: RangeInclusive<usize>,
        variants: &[(&'static str, ReadVariant<T>)],
    ) -> Vec<T> {
        let allowed = || format!("a list of {} to {} items, as in `[…, …]`", count.start(), count.end());
        let Some(value) = self.require(name, allowed) else { return Vec::new() };
        let path = self.path_of(name);
        let items = match ron::from_str::<Inside<'a>>(value) {
            Ok(Inside::Listed(items)) if value.starts_with('[') => items,
            _ => {
                self.source.report(value, &path, format!("must be a list, found {}", found(value)), allowed());
                return Vec::new();
            }
        };
        if !count.contains(&items.len()) {
            self.source.report(value, &path, format!("has {} items", items.len()), allowed());
        }
        let items = items.into_iter().take(*count.end()).enumerate();
        items.filter_map(|(index, raw)| self.variant(&format!("{path}[{index}]"), raw, variants)).collect()
    }

    fn variant<T>(&mut self, path: &str, raw: &'a RawValue, variants: &[(&'static str, ReadVariant<T>)]) -> Option<T> {
        let value = start_of(raw.get_ron());
        self.source.spans.record(path, self.source.place(value));
        let names: Vec<&str> = variants.iter().map(|variant| variant.0).collect();
        let (written, rest) = split_name(value);
        if written.is_empty() || !(rest.is_empty() || rest.starts_with('(')) {
            let message = format!("must be a name with its fields in parentheses, found {}", found(value));
            self.source.report(value, path, message, names.join(", "));
            return None;
        }
        let Some((known, read)) = variants.iter().find(|variant| variant.0 == written) else {
            let message = format!("`{}` is not a known name{}", cut(written), suggestion(written, &names));
            self.source.report(value, path, message, names.join(", "));
            return None;
        };
        let path = format!("{path}.{known}");
        self.source.spans.record(&path, self.source.place(value));
        let entries = self.source.named_fields(&path, rest);
        Some(self.source.group(&path, value, entries, read))
    }

    /// Reports fields that the schema did not ask for and fields written again.
    fn report_unasked(&mut self) {
        let allowed = if self.known.is_empty() { "no fields".to_owned() } else { self.known.join(", ") };
        for (index, entry) in self.entries.iter().enumerate() {
            let path = self.path_of(&cut(entry.key));
            if !self.known.contains(&entry.key) {
                let message = format!("is not a known field{}", suggestion(entry.key, &self.known));
                self.source.report(entry.key, &path, message, allowed.clone());
            } else if let Some(first) = self.entries.iter().take(index).find(|first| first.key == entry.key) {
                let message = format!("is written again, first in line {}", self.source.place(first.key).0);
                self.source.report(entry.key, &path, message, "each field once");
            }
        }
    }
}

/// The names to choose from.
fn names<'n, T>(first: (&'n str, T), others: &[(&'n str, T)]) -> Vec<&'n str> {
    std::iter::once(first.0).chain(others.iter().map(|other| other.0)).collect()
}

/// What stands in parentheses or brackets, unread.
enum Inside<'a> {
    Named(Vec<(&'a str, &'a RawValue)>),
    Listed(Vec<&'a RawValue>),
}

impl<'de> Deserialize<'de> for Inside<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(InsideVisitor)
    }
}

struct InsideVisitor;

impl<'de> Visitor<'de> for InsideVisitor {
    type Value = Inside<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("fields or values in parentheses or brackets")
    }

    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Inside<'de>, A::Error> {
        let mut fields = Vec::new();
        while let Some(field) = map.next_entry()? {
            fields.push(field);
        }
        Ok(Inside::Named(fields))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut values: A) -> Result<Inside<'de>, A::Error> {
        let mut listed = Vec::new();
        while let Some(value) = values.next_element()? {
            listed.push(value);
        }
        Ok(Inside::Listed(listed))
    }

    fn visit_unit<E>(self) -> Result<Inside<'de>, E> {
        Ok(Inside::Listed(Vec::new()))
    }
}

/// A slice without the white space and comments before its value. A value's slice may keep some on both sides.
fn start_of(slice: &str) -> &str {
    ron::Deserializer::from_str(slice).map_or(slice, |value| value.remainder())
}

/// The name a value begins with (empty, if none) and what follows it.
fn split_name(value: &str) -> (&str, &str) {
    let is_text = ["r\"", "r#", "b\"", "b'", "br\"", "br#"].iter().any(|mark| value.starts_with(mark));
    if is_text || value.starts_with(|c: char| !c.is_alphabetic() && c != '_') {
        return ("", value);
    }
    let end = value.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(value.len());
    let (name, rest) = value.split_at(end);
    (name, start_of(rest))
}

/// Names what a value is, for messages.
fn found(value: &str) -> String {
    match (split_name(value), value.chars().next()) {
        (("true" | "false", ""), _) => token(value),
        ((name, rest), _) if !name.is_empty() => {
            let fields = if rest.starts_with('(') { "(…)" } else { "" };
            format!("the name `{}{fields}`", cut(name))
        }
        (_, Some('"' | 'r')) => "text".to_owned(),
        (_, Some('\'')) => "a character".to_owned(),
        (_, Some('b')) => "bytes".to_owned(),
        (_, Some('[')) => "a list".to_owned(),
        (_, Some('{')) => "a map".to_owned(),
        (_, Some('(')) => match ron::from_str::<Inside<'_>>(value) {
            Ok(Inside::Named(_)) => "a group of fields".to_owned(),
            _ => "values in parentheses".to_owned(),
        },
        _ => format!("`{}`", token(value)),
    }
}

/// A number or name as written.
fn token(value: &str) -> String {
    let ends = |c: char| c.is_whitespace() || matches!(c, ',' | '/' | '(' | ')' | '[' | ']' | '{' | '}' | ':');
    cut(value.split(ends).next().unwrap_or(""))
}

/// A text cut to what a message can repeat.
fn cut(text: &str) -> String {
    match text.char_indices().nth(LONGEST_EXCERPT) {
        Some((end, _)) => format!("{}…", &text[..end]),
        None => text.to_owned(),
    }
}

/// A range in words, with its unit.
fn span(range: &RangeInclusive<f64>, unit: &str) -> String {
    with_unit(&format!("{} to {}", range.start(), range.end()), unit)
}

fn with_unit(number: &str, unit: &str) -> String {
    if unit.is_empty() { number.to_owned() } else { format!("{number} {unit}") }
}

/// The end of a sentence that suggests the nearest known name, if one is near.
fn suggestion(written: &str, known: &[&str]) -> String {
    let nearest = known.iter().map(|name| (edits(written, name), name)).min();
    match nearest {
        Some((distance, name)) if distance <= 1 + name.chars().count() / 4 => format!("; did you mean `{name}`?"),
        _ => String::new(),
    }
}

/// Number of letters to insert, delete or replace, ignoring case, to turn one name into another (Levenshtein 1966);
/// large for names too long to be meant.
fn edits(a: &str, b: &str) -> usize {
    if a.len() > 4 * LONGEST_EXCERPT {
        return usize::MAX;
    }
    let b: Vec<char> = b.chars().flat_map(char::to_lowercase).collect();
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, from) in a.chars().flat_map(char::to_lowercase).enumerate() {
        let mut diagonal = i;
        let mut left = i + 1;
        for (cell, to) in row.iter_mut().skip(1).zip(&b) {
            let replaced = diagonal + usize::from(from != *to);
            diagonal = *cell;
            left = replaced.min(left + 1).min(*cell + 1);
            *cell = left;
        }
        if let Some(first) = row.first_mut() {
            *first = i + 1;
        }
    }
    row.last().copied().unwrap_or(usize::MAX)
}

/// The parser's complaint in plain words: what is wrong and what was expected. `next` is the character at which it
/// stopped, none at the end of the file.
fn syntax(error: &ron::Error, next: Option<char>) -> (String, String) {
    use ron::Error as E;
    const BRACKETS: &str = "commas between fields or values, every bracket closed in its turn";
    let here = next.map_or_else(|| "the end".to_owned(), |next| format!("`{next}`"));
    let instead = |expected: &str| format!("{here} stands where {expected} is expected");
    let (message, allowed) = match error {
        E::Eof => ("ends too early".to_owned(), BRACKETS),
        E::ExpectedComma if next.is_none() => ("ends too early".to_owned(), BRACKETS),
        E::ExpectedComma => (instead("a comma or a closing bracket"), BRACKETS),
        E::ExpectedMapColon => (instead("a colon"), "a colon between a field's name and its value"),
        E::ExpectedStructLikeEnd | E::ExpectedOptionEnd => (instead("a closing parenthesis"), BRACKETS),
        E::ExpectedIdentifier | E::SuggestRawIdentifier(_) if next.is_some_and(|next| next.is_ascii_digit()) => {
            (instead("a field's name"), "a name, then a colon; in numbers a decimal point, not a comma")
        }
        E::ExpectedIdentifier | E::SuggestRawIdentifier(_) => (instead("a field's name"), "a name, then a colon"),
        E::UnexpectedChar(_) => (instead("a value"), "a number, name, text or group"),
        E::ExpectedInteger
        | E::ExpectedFloat
        | E::FloatUnderscore
        | E::UnderscoreAtBeginning
        | E::InvalidIntegerDigit { .. } => {
            ("this number is malformed".to_owned(), "digits with at most one decimal point")
        }
        E::ExpectedChar => ("a single quotation mark opens no character".to_owned(), "text in double quotation marks"),
        E::ExpectedString | E::ExpectedStringEnd => ("this text does not end".to_owned(), "a closing quotation mark"),
        E::InvalidEscape(_) => ("a backslash in a text is followed by something unknown".to_owned(), r#"\\, \" or \n"#),
        E::UnclosedBlockComment => ("this comment does not end".to_owned(), "`*/`"),
        E::TrailingCharacters => (format!("{here} stands after the end"), "one group in parentheses, nothing after it"),
        E::ExceededRecursionLimit => ("is nested too deeply".to_owned(), "fewer brackets within brackets"),
        E::ExpectedAttribute | E::ExpectedAttributeEnd | E::NoSuchExtension(_) => {
            ("this attribute is not known".to_owned(), "no `#![…]`")
        }
        other => (format!("cannot be understood: {other}"), "RON notation"),
    };
    (message, allowed.to_owned())
}

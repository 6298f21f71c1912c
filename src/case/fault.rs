//! What is wrong in a file, and where.
//!
//! A `Fault` is one line: `file:line:col: field: what is wrong; allowed: what would be right`. A `Problem` is the same
//! without its place, for code that judges values and knows no files; `Spans` remembers where each field stood, so
//! that a problem can be located afterwards.
//!
//! Invariants: a fault prints as exactly one line, whatever the file and its name hold; lines and columns count from
//! 1, columns in characters; 0 stands for "no place". Limits: `Spans` knows only fields that the file holds; anything
//! else is placed at what encloses it.

use std::collections::BTreeMap;
use std::fmt;

/// The field name of faults that concern a whole file rather than one of its fields.
pub const WHOLE_FILE: &str = "file";

/// One thing wrong in a file. Prints as one line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The file as the user named it.
    pub file: String,
    /// Line, from 1; 0 when there is no place.
    pub line: usize,
    /// Column in characters, from 1; 0 when there is no place.
    pub column: usize,
    /// The field as a path, such as `lens.core.diameter_mm` or `steps[3].Bury.depth_mm`, list places counted from 0;
    /// [`WHOLE_FILE`] where no field is meant.
    pub field: String,
    /// What is wrong.
    pub message: String,
    /// What would be right; empty where nothing useful can be said.
    pub allowed: String,
    /// Worth a second look, but no reason to refuse the file.
    pub is_warning: bool,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let warning = if self.is_warning { "warning: " } else { "" };
        let line = format!("{}:{}:{}: {}: {warning}{}", self.file, self.line, self.column, self.field, self.message);
        write_one_line(f, &line)?;
        if !self.allowed.is_empty() {
            write_one_line(f, &format!("; allowed: {}", self.allowed))?;
        }
        Ok(())
    }
}

impl std::error::Error for Fault {}

/// Writes text with its control characters escaped, so that it stays on one line and moves no cursor.
fn write_one_line(f: &mut fmt::Formatter<'_>, text: &str) -> fmt::Result {
    for c in text.chars() {
        if is_plain(c) { write!(f, "{c}")? } else { write!(f, "{}", c.escape_default())? }
    }
    Ok(())
}

/// Whether a character can be shown on a line as it is. Line separators and the marks that reverse the direction of
/// writing are not control characters, but would break a line or disguise it all the same.
pub(crate) fn is_plain(c: char) -> bool {
    let is_separator = matches!(c, '\u{2028}' | '\u{2029}');
    let reverses = matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}');
    !c.is_control() && !is_separator && !reverses
}

/// One thing wrong with a value, found where files are not known.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The field as a path, as in [`Fault::field`]; empty for the whole.
    pub field: String,
    /// What is wrong.
    pub message: String,
    /// What would be right; may be empty.
    pub allowed: String,
    /// Worth a second look, but no reason to refuse the value.
    pub is_warning: bool,
}

/// Where each field of a file stood: path → (line, column) of its value.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Spans {
    /// Lines and columns, from 1. The empty path is the value that fills the file.
    places: BTreeMap<String, (usize, usize)>,
}

impl Spans {
    /// Remembers where a field's value starts: line and column, from 1.
    pub(crate) fn record(&mut self, path: &str, place: (usize, usize)) {
        self.places.insert(path.to_owned(), place);
    }

    /// Line and column of a field's value, from 1; where the file does not hold the field, those of the nearest
    /// enclosing one; (0, 0) where nothing encloses it.
    pub fn place(&self, path: &str) -> (usize, usize) {
        let mut path = path;
        loop {
            if let Some(place) = self.places.get(path) {
                return *place;
            }
            if path.is_empty() {
                return (0, 0);
            }
            path = path.rfind(['.', '[']).map_or("", |end| &path[..end]);
        }
    }

    /// The paths of all fields the file holds, in alphabetical order.
    pub fn paths(&self) -> impl Iterator<Item = &str> {
        self.places.keys().map(String::as_str)
    }

    /// Gives a problem its place in `file`.
    pub fn locate(&self, file: &str, problem: Problem) -> Fault {
        let (line, column) = self.place(&problem.field);
        let field = if problem.field.is_empty() { WHOLE_FILE.to_owned() } else { problem.field };
        let Problem { message, allowed, is_warning, .. } = problem;
        Fault { file: file.to_owned(), line, column, field, message, allowed, is_warning }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn problem(field: &str) -> Problem {
        Problem {
            field: field.to_owned(),
            message: "is larger than the lens".to_owned(),
            allowed: "up to 9 mm".to_owned(),
            is_warning: false,
        }
    }

    #[test]
    fn a_problem_is_located_at_its_field_or_the_nearest_enclosing_one() {
        let mut spans = Spans::default();
        spans.record("", (1, 1));
        spans.record("lens", (4, 9));
        spans.record("lens.core.diameter_mm", (6, 22));
        spans.record("steps[3]", (8, 2));
        assert_eq!(spans.place("lens.core.diameter_mm"), (6, 22));
        assert_eq!(spans.place("lens.core.offset_mm[2]"), (4, 9));
        assert_eq!(spans.place("steps[3].Bury.depth_mm"), (8, 2));
        assert_eq!(spans.place("steps[4]"), (1, 1));
        assert_eq!(Spans::default().place("lens"), (0, 0));
        assert_eq!(
            spans.locate("a.ron", problem("lens.core.diameter_mm")).to_string(),
            "a.ron:6:22: lens.core.diameter_mm: is larger than the lens; allowed: up to 9 mm"
        );
        assert_eq!(spans.locate("a.ron", problem("")).field, WHOLE_FILE);
        let warning = spans.locate("a.ron", Problem { is_warning: true, ..problem("lens") });
        assert!(warning.to_string().starts_with("a.ron:4:9: lens: warning: is larger"));
    }

    #[test]
    fn a_fault_is_one_line_whatever_the_names_hold() {
        let fault = Spans::default().locate("a\nb\u{2028}\u{1b}[31m\u{202e}.ron", problem("lens"));
        assert_eq!(fault.to_string().lines().count(), 1);
        assert!(fault.to_string().chars().all(is_plain));
    }
}

//! The file that says which person a pseudonym stands for. It is the program's secret and lies apart; no store ever holds a name.
//!
//! CSV with a first line `pseudonym,name,group`. It is written whole, so that only its owner may read it (mode 600). A roster is read from
//! CSV too: a column `name`, and a column `group` where there is one.

use super::pseudonym::Pseudonym;
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::io::{self, ErrorKind, Read as _, Write as _};
use std::path::Path;

/// A person.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Person {
    /// The pseudonym.
    pub pseudonym: Pseudonym,
    /// The name.
    pub name: String,
    /// A cohort, a year, a site; empty where that is not said.
    #[serde(default)]
    pub group: String,
}

/// Why names cannot be read or kept.
#[derive(Debug, thiserror::Error)]
pub enum NamesError {
    /// The file cannot be read.
    #[error("cannot be read: {0}; allowed: a CSV file that can be read")]
    Unreadable(io::Error),
    /// It makes no sense.
    #[error("line {line}: {why}; allowed: {allowed}")]
    Senseless {
        /// Which line.
        line: u64,
        /// What is wrong.
        why: String,
        /// What would be right.
        allowed: &'static str,
    },
    /// It cannot be written.
    #[error("cannot be written: {0}; allowed: a file in a folder that can be written")]
    Unwritable(io::Error),
    /// A name that is none.
    #[error("a name says nothing; allowed: a person's name on one line")]
    NoName,
    /// No random bytes.
    #[error("no pseudonym can be drawn: the system gives no random bytes ({0}); allowed: to try again")]
    NoRandomness(getrandom::Error),
}

const OWN_COLUMNS: &str = "a file that `logbook people` wrote, with the columns pseudonym, name and group";
const ROSTER_COLUMNS: &str = "a roster with a first line that names a column `name`, and `group` where there is one";

/// Largest file that is read, bytes.
const LARGEST: u64 = 16 << 20;

/// Who the pseudonyms stand for.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Names(Vec<Person>);

fn read_rows<T: serde::de::DeserializeOwned>(path: &Path, allowed: &'static str) -> Result<Vec<(u64, T)>, NamesError> {
    let mut text = Vec::new();
    std::fs::File::open(path)
        .and_then(|file| file.take(LARGEST).read_to_end(&mut text))
        .map_err(NamesError::Unreadable)?;
    let text = text.strip_prefix("\u{feff}".as_bytes()).unwrap_or(&text);
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(text);
    let mut rows = Vec::new();
    for row in reader.deserialize() {
        let line = rows.last().map_or(2, |(line, _)| line + 1);
        rows.push(row.map(|row| (line, row)).map_err(|error| {
            let line = error.position().map_or(line, csv::Position::line);
            let why = match error.kind() {
                csv::ErrorKind::Deserialize { err, .. } => err.kind().to_string(),
                csv::ErrorKind::Utf8 { .. } => "is not written in UTF-8".to_owned(),
                _ => error.to_string(),
            };
            NamesError::Senseless { line, why: why.split_whitespace().collect::<Vec<_>>().join(" "), allowed }
        })?);
    }
    Ok(rows)
}

impl Names {
    /// Read a file; none where there is no such file yet.
    ///
    /// # Errors
    /// A file that cannot be read or makes no sense.
    pub fn read(path: &Path) -> Result<Self, NamesError> {
        let rows = match read_rows::<Person>(path, OWN_COLUMNS) {
            Err(NamesError::Unreadable(error)) if error.kind() == ErrorKind::NotFound => return Ok(Self::default()),
            rows => rows?,
        };
        let mut seen = BTreeSet::new();
        for (line, person) in &rows {
            if !seen.insert(&person.pseudonym) {
                let why = format!("the pseudonym {} stands for two", person.pseudonym);
                return Err(NamesError::Senseless { line: *line, why, allowed: OWN_COLUMNS });
            }
        }
        Ok(Self(rows.into_iter().map(|(_, person)| person).collect()))
    }

    /// Everybody.
    pub fn people(&self) -> &[Person] {
        &self.0
    }

    /// The name behind a pseudonym.
    pub fn name(&self, pseudonym: &Pseudonym) -> Option<&str> {
        self.0.iter().find(|person| person.pseudonym == *pseudonym).map(|person| person.name.as_str())
    }

    /// Give a person a pseudonym; whoever has one in this group keeps it. Whether it is new.
    ///
    /// # Errors
    /// A name that is none, or no randomness.
    pub fn add(&mut self, name: &str, group: &str) -> Result<(Pseudonym, bool), NamesError> {
        let (name, group) = (name.trim(), group.trim());
        if name.is_empty() || name.chars().chain(group.chars()).any(char::is_control) {
            return Err(NamesError::NoName);
        }
        if let Some(known) = self.0.iter().find(|person| person.name == name && person.group == group) {
            return Ok((known.pseudonym.clone(), false));
        }
        let pseudonym = loop {
            let drawn = Pseudonym::new().map_err(NamesError::NoRandomness)?;
            if self.name(&drawn).is_none() {
                break drawn;
            }
        };
        self.0.push(Person { pseudonym: pseudonym.clone(), name: name.to_owned(), group: group.to_owned() });
        Ok((pseudonym, true))
    }

    /// Everybody of a roster; how many are new.
    ///
    /// # Errors
    /// A roster that cannot be read or makes no sense; then nobody was added.
    pub fn import(&mut self, roster: &Path) -> Result<usize, NamesError> {
        #[derive(Deserialize)]
        struct Row {
            name: String,
            #[serde(default)]
            group: String,
        }
        let mut with = self.clone();
        let mut count = 0;
        for (line, row) in read_rows::<Row>(roster, ROSTER_COLUMNS)? {
            count += usize::from(match with.add(&row.name, &row.group) {
                Err(NamesError::NoName) => {
                    let why = "a name says nothing".to_owned();
                    return Err(NamesError::Senseless { line, why, allowed: ROSTER_COLUMNS });
                }
                added => added?.1,
            });
        }
        *self = with;
        Ok(count)
    }

    /// Write it: the whole file takes the place of the one before, or nothing does.
    ///
    /// # Errors
    /// A file that cannot be written.
    pub fn write(&self, path: &Path) -> Result<(), NamesError> {
        let mut writer = csv::WriterBuilder::new().has_headers(false).from_writer(Vec::new());
        let unwritable = |error: csv::Error| NamesError::Unwritable(io::Error::other(error));
        writer.write_record(["pseudonym", "name", "group"]).map_err(unwritable)?;
        for person in &self.0 {
            writer.serialize(person).map_err(unwritable)?;
        }
        let bytes = writer.into_inner().map_err(|error| NamesError::Unwritable(io::Error::other(error.to_string())))?;
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
        // A file that is made in this way is its owner's alone.
        let written = tempfile::Builder::new().prefix(".").suffix(".part").tempfile_in(folder).and_then(|mut part| {
            part.write_all(&bytes)?;
            part.as_file().sync_all()?;
            part.persist(path).map_err(|refused| refused.error)
        });
        written.map(|_| ()).map_err(|error| NamesError::Unwritable(error.kind().into()))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;

    #[test]
    fn people_keep_their_pseudonyms_and_their_file_is_their_owner_s() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("names.csv");
        let mut names = Names::read(&path).unwrap();
        let (ada, is_new) = names.add("Ada Invented", "2026").unwrap();
        assert!(is_new);
        names.add("Quote \"Comma\", Invented", "").unwrap();
        names.write(&path).unwrap();
        let mut back = Names::read(&path).unwrap();
        assert_eq!(back, names);
        assert_eq!(back.add(" Ada Invented ", "2026").unwrap(), (ada.clone(), false));
        assert_eq!(back.name(&ada), Some("Ada Invented"));
        assert!(matches!(back.add(" ", ""), Err(NamesError::NoName)));
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        }
    }

    #[test]
    fn a_roster_is_taken_whole_or_not_at_all() {
        let folder = tempfile::tempdir().unwrap();
        let roster = folder.path().join("roster.csv");
        std::fs::write(&roster, "\u{feff}group,name\n2026, Ada Invented \n2026,Bo Invented\n2026,Ada Invented\n")
            .unwrap();
        let mut names = Names::default();
        assert_eq!(names.import(&roster).unwrap(), 2);
        assert_eq!(names.import(&roster).unwrap(), 0);
        let before = names.clone();
        std::fs::write(&roster, "name\nCy Invented\n\" \"\n").unwrap();
        let refused = names.import(&roster).unwrap_err().to_string();
        assert_eq!(refused, format!("line 3: a name says nothing; allowed: {ROSTER_COLUMNS}"));
        std::fs::write(&roster, "who\nCy Invented\n").unwrap();
        assert!(names.import(&roster).unwrap_err().to_string().starts_with("line 2: missing field `name`"));
        assert_eq!(names, before);
    }
}

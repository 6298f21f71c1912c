//! A store that is open: what is its head, and how entries are added.
//!
//! Whoever adds reads the head, and writes the next numbers. Was another quicker, the database refuses the number, and it is done again
//! from the new head; nobody locks anything. A batch is one transaction, so that it is there whole or not at all.

use super::chain::{BEGINNING, Hash, Link, SALT_BYTES, body_hash, from_hex, hex};
use super::database::{Database, DatabaseError, Place, Row, Value};
use super::derived::{Rows, seq_value};
use super::entry::{Comment, Entry, SignOff, Station, Submitted};
use super::key::{StationKey, fingerprint};
use super::pseudonym::Pseudonym;
use super::{moment, schema};
use crate::attempt::Attempt;
use std::time::{Duration, Instant};

/// How a store is opened.
#[derive(Clone, Copy, Debug)]
pub struct Opening {
    /// Make it where there is none?
    pub is_made: bool,
    /// How long to wait for others.
    pub wait: Duration,
}

impl Default for Opening {
    fn default() -> Self {
        Self { is_made: false, wait: Duration::from_secs(30) }
    }
}

/// Who adds: a station, and the key it signs with.
#[derive(Clone, Copy)]
pub struct Author<'a> {
    /// The station's name.
    pub station: &'a str,
    /// Its key, where it has one.
    pub key: Option<&'a StationKey>,
}

/// The last entry of a chain.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    /// Its number; 0 before the first.
    pub seq: u64,
    /// Its hash.
    pub hash: Hash,
}

/// Why something could not be done with a store.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum LogbookError {
    /// The database.
    #[error(transparent)]
    Database(#[from] DatabaseError),
    /// A station that signs, without its key.
    #[error("entries of station `{0}` are signed; allowed: its key, as --key FILE, or another station's name")]
    Unsigned(String),
    /// Another key than the station's.
    #[error("station `{station}` signs with another key, {known}; allowed: that key, or another station's name")]
    OtherKey {
        /// The station.
        station: String,
        /// In short, its key.
        known: String,
    },
    /// A station that has no key to be changed.
    #[error("station `{0}` has no key here; allowed: a station that signs, as `logbook verify` shows")]
    NoKey(String),
    /// A key that is to follow itself.
    #[error("station `{0}` signs with that key already; allowed: a new one, which `logbook key --out FILE` makes")]
    SameKey(String),
    /// A name that is none.
    #[error("`{0}` is no station's name; allowed: 1 to 40 letters, digits, spaces, dots and hyphens")]
    StationName(String),
    /// There is no such entry.
    #[error("there is no entry {0}; allowed: a number that `logbook list` shows")]
    NoEntry(u64),
    /// An entry whose body was deleted.
    #[error("entry {0} has no body any more; allowed: an entry whose body was not deleted")]
    NoBody(u64),
    /// An entry of another kind than is needed.
    #[error("entry {seq} is of kind `{kind}`; allowed: {allowed}")]
    OtherKind {
        /// The entry.
        seq: u64,
        /// Its kind.
        kind: String,
        /// What it should be.
        allowed: &'static str,
    },
    /// Its body cannot be read.
    #[error("entry {seq} {why}")]
    Unreadable {
        /// The entry.
        seq: u64,
        /// Why.
        why: String,
    },
    /// An attempt that cannot be done again.
    #[error("entry {seq} {why}")]
    NoReplay {
        /// The entry.
        seq: u64,
        /// Why.
        why: String,
    },
    /// A case that is another than the attempt's in more than its goals.
    #[error("entry {0} was done on another eye; allowed: its own case with other goals")]
    OtherCase(u64),
    /// A store that others' entries are to come from, and whose chain or tables are not whole.
    #[error("is not whole: {0}; allowed: a store that `logbook verify` finds nothing wrong with")]
    NotWhole(String),
    /// Nothing to say.
    #[error("a comment says nothing; allowed: 1 to {LONGEST_COMMENT} characters")]
    NoWords,
    /// Nothing to erase.
    #[error("{0}; allowed: something that the store holds")]
    NothingToErase(String),
    /// Roles where there are none.
    #[error("is a file, whose owner alone decides who may do what; allowed: a store on a server")]
    NoRoles,
    /// A name of a login that is none.
    #[error("`{0}` is no login's name; allowed: 1 to 63 letters, digits, underscores, hyphens, dots and @")]
    Login(String),
    /// There is no such login.
    #[error("the server knows no login `{0}`; allowed: one that was made with CREATE ROLE … LOGIN")]
    NoLogin(String),
    /// No random bytes.
    #[error("the system gives no random bytes ({0}); allowed: to try again")]
    NoRandomness(getrandom::Error),
}

/// Longest comment, characters.
pub const LONGEST_COMMENT: usize = 4000;

/// A store.
pub struct Logbook {
    pub(super) database: Database,
    wait: Duration,
}

/// Longest pause before trying again.
const LONGEST_PAUSE: Duration = Duration::from_millis(50);

impl Logbook {
    /// Open the store at a path or a `postgres://` address.
    ///
    /// # Errors
    /// Whatever keeps it from being opened.
    pub fn open(address: &str, opening: Opening) -> Result<Self, LogbookError> {
        Self::open_at(&Place::named(address)?, opening)
    }

    /// The same at a place.
    ///
    /// # Errors
    /// Whatever keeps it from being opened.
    pub fn open_at(place: &Place, opening: Opening) -> Result<Self, LogbookError> {
        let Opening { is_made, wait } = opening;
        let until = Instant::now() + wait;
        let database = loop {
            // Of several that make a file at once, the database lets some fail before they waited.
            let opened = Database::open(place, is_made, wait).and_then(|mut database| {
                schema::prepare(&mut database, is_made)?;
                Ok(database)
            });
            match opened {
                Err(error) if (error.is_conflict() || error == DatabaseError::Locked) && Instant::now() < until => {
                    std::thread::sleep(LONGEST_PAUSE);
                }
                opened => break opened?,
            }
        };
        Ok(Self { database, wait })
    }

    /// Its last entry.
    ///
    /// # Errors
    /// Whatever the database refuses.
    pub fn head(&mut self) -> Result<Head, LogbookError> {
        Ok(head(&mut self.database)?)
    }

    /// Add what `prepare` makes of the store as it is: all of it or nothing. `prepare` may look and delete; it is called again where
    /// another was quicker. The numbers of the new entries come back.
    pub(super) fn append<T>(
        &mut self,
        author: &Author<'_>,
        mut prepare: impl FnMut(&mut Database) -> Result<(Vec<Entry>, T), LogbookError>,
    ) -> Result<(Vec<u64>, T), LogbookError> {
        check_station(author.station)?;
        let until = Instant::now() + self.wait;
        let mut pause = Duration::from_millis(1);
        loop {
            let done = self.database.transaction(|database| {
                // Before anything else is looked at: what others add from here on makes these numbers taken.
                let head = head(database)?;
                let (entries, told) = prepare(database)?;
                let seqs = if entries.is_empty() { Vec::new() } else { write(database, author, head, &entries)? };
                Ok((seqs, told))
            });
            match done {
                Err(LogbookError::Database(error)) if error.is_conflict() => {
                    if Instant::now() >= until {
                        return Err(DatabaseError::Busy.into());
                    }
                    std::thread::sleep(pause);
                    pause = (2 * pause).min(LONGEST_PAUSE);
                }
                done => return done,
            }
        }
    }

    /// An entry with its number's hash.
    ///
    /// # Errors
    /// No such entry, or one whose body is gone or cannot be read.
    pub fn entry(&mut self, seq: u64) -> Result<(Hash, Entry), LogbookError> {
        entry(&mut self.database, seq)
    }

    /// The attempt of an entry, with the entry's hash and what was said when it was handed in.
    ///
    /// # Errors
    /// No such entry, one that is no attempt, or one that this program cannot read.
    pub fn attempt(&mut self, seq: u64) -> Result<(Hash, Box<Submitted>, Attempt), LogbookError> {
        let (hash, entry) = self.entry(seq)?;
        let Entry::Attempt(submitted) = entry else {
            return Err(LogbookError::OtherKind { seq, kind: entry.kind().to_owned(), allowed: "an attempt" });
        };
        let attempt = Attempt::from_bytes(&submitted.file)
            .map_err(|error| LogbookError::NoReplay { seq, why: error.to_string() })?;
        Ok((hash, submitted, attempt))
    }

    /// Say something about an entry.
    ///
    /// # Errors
    /// No such entry, no words, or whatever keeps it from being added.
    pub fn comment(&mut self, author: &Author<'_>, by: &Pseudonym, of: u64, text: &str) -> Result<u64, LogbookError> {
        let text = text.trim();
        if text.is_empty() || text.chars().count() > LONGEST_COMMENT {
            return Err(LogbookError::NoWords);
        }
        self.append_about(author, of, |_, trainee| {
            Entry::Comment(Comment { of, trainee, by: by.clone(), text: text.to_owned() })
        })
    }

    /// Sign an entry off.
    ///
    /// # Errors
    /// No such entry, or whatever keeps it from being added.
    pub fn sign_off(&mut self, author: &Author<'_>, by: &Pseudonym, of: u64) -> Result<u64, LogbookError> {
        self.append_about(author, of, |hash, trainee| Entry::SignOff(SignOff { of, hash, trainee, by: by.clone() }))
    }

    /// From here on a station signs with another key. The entry that says so is signed by the key before, the author's. Its number.
    ///
    /// # Errors
    /// A station without a key, another key than its own, the same key again, or whatever keeps it from being added.
    pub fn change_key(&mut self, author: &Author<'_>, next: &StationKey) -> Result<u64, LogbookError> {
        let (seqs, ()) = self.append(author, |database| {
            let name = author.station.to_owned();
            match key_of(database, &name)? {
                None => Err(LogbookError::NoKey(name)),
                Some(known) if known == next.public() => Err(LogbookError::SameKey(name)),
                Some(_) => Ok((vec![Entry::Station(Station { name, public_key: next.public() })], ())),
            }
        })?;
        Ok(seqs.last().copied().unwrap_or_default())
    }

    pub(super) fn append_about(
        &mut self,
        author: &Author<'_>,
        of: u64,
        make: impl Fn(Hash, Option<Pseudonym>) -> Entry,
    ) -> Result<u64, LogbookError> {
        let (seqs, ()) = self.append(author, |database| {
            let (hash, about) = entry(database, of)?;
            match about {
                Entry::Erased(_) | Entry::Station(_) => Err(LogbookError::OtherKind {
                    seq: of,
                    kind: about.kind().to_owned(),
                    allowed: "an attempt, a comment, a sign-off, or scores under other goals",
                }),
                about => Ok((vec![make(hash, about.trainee().cloned())], ())),
            }
        })?;
        // The entry is the last, behind a key where that was new.
        seqs.last().copied().ok_or(LogbookError::NoEntry(of))
    }
}

fn check_station(name: &str) -> Result<(), LogbookError> {
    let is_plain = |c: char| c.is_alphanumeric() || " .-_".contains(c);
    if (1..=40).contains(&name.chars().count()) && name.chars().all(is_plain) && name.trim() == name {
        return Ok(());
    }
    Err(LogbookError::StationName(name.chars().take(50).flat_map(char::escape_debug).collect()))
}

/// The head of a chain.
pub(super) fn head(database: &mut Database) -> Result<Head, DatabaseError> {
    let rows = database.query("SELECT seq, hash FROM chain ORDER BY seq DESC LIMIT 1", &[])?;
    let Some(row) = rows.first() else { return Ok(Head { seq: 0, hash: BEGINNING }) };
    let found = row[0].whole().and_then(|seq| u64::try_from(seq).ok()).zip(row[1].text().and_then(from_hex));
    let Some((seq, hash)) = found else {
        return Err(DatabaseError::Damaged("its last entry has no number or no hash".to_owned()));
    };
    Ok(Head { seq, hash })
}

pub(super) fn entry(database: &mut Database, seq: u64) -> Result<(Hash, Entry), LogbookError> {
    let sql = "SELECT chain.hash, body.content FROM chain LEFT JOIN body ON body.seq = chain.seq WHERE chain.seq = $1";
    let rows = database.query(sql, &[seq_value(seq)])?;
    let row = rows.first().ok_or(LogbookError::NoEntry(seq))?;
    let hash = row[0].text().and_then(from_hex).ok_or(LogbookError::NoEntry(seq))?;
    let content = row[1].bytes().ok_or(LogbookError::NoBody(seq))?;
    let entry = Entry::of_content(content).map_err(|why| LogbookError::Unreadable { seq, why: why.to_string() })?;
    Ok((hash, entry))
}

/// The key by which a station's entries are signed, as the store has it.
fn key_of(database: &mut Database, station: &str) -> Result<Option<[u8; 32]>, DatabaseError> {
    let sql = "SELECT public_key FROM station WHERE name = $1 ORDER BY seq DESC LIMIT 1";
    let rows = database.query(sql, &[station.into()])?;
    rows.first()
        .map(|row| row[0].text().and_then(from_hex).ok_or_else(|| DatabaseError::Damaged("a key is none".to_owned())))
        .transpose()
}

/// Write entries behind the head, and what follows from them.
fn write(
    database: &mut Database,
    author: &Author<'_>,
    head: Head,
    entries: &[Entry],
) -> Result<Vec<u64>, LogbookError> {
    let station = author.station;
    let known = key_of(database, station)?;
    let mut first = None;
    match (author.key, known) {
        (None, None) => (),
        (None, Some(_)) => return Err(LogbookError::Unsigned(station.to_owned())),
        (Some(key), None) => {
            first = Some(Entry::Station(Station { name: station.to_owned(), public_key: key.public() }));
        }
        (Some(key), Some(known)) if key.public() == known => (),
        (Some(_), Some(known)) => {
            return Err(LogbookError::OtherKey { station: station.to_owned(), known: fingerprint(&known) });
        }
    }
    let count = entries.len() + usize::from(first.is_some());
    let mut salts = vec![0; SALT_BYTES * count];
    getrandom::fill(&mut salts).map_err(LogbookError::NoRandomness)?;
    let added_at_ms = moment::now();
    let (mut links, mut bodies): (Vec<Row>, Vec<Row>) = (Vec::with_capacity(count), Vec::with_capacity(count));
    let mut rows = Rows::default();
    let mut prev = head.hash;
    let mut seqs = Vec::with_capacity(entries.len());
    let all = first.iter().chain(entries).zip(salts.chunks_exact(SALT_BYTES)).zip(head.seq + 1..);
    for ((entry, salt), seq) in all {
        let content = entry.to_content();
        let trainee = entry.trainee().map(|trainee| trainee.as_str());
        let link = Link {
            seq,
            kind: entry.kind().to_owned(),
            body_hash: body_hash(salt, trainee, &content),
            prev,
            station: station.to_owned(),
            added_at_ms,
        };
        let hash = link.hash();
        links.push(vec![
            seq_value(seq),
            (seq > 1).then(|| seq_value(seq - 1)).into(),
            link.kind.as_str().into(),
            hex(&link.body_hash).into(),
            hex(&prev).into(),
            hex(&hash).into(),
            station.into(),
            added_at_ms.into(),
            author.key.map(|key| hex(&key.sign(&hash))).into(),
        ]);
        bodies.push(vec![seq_value(seq), salt.to_vec().into(), trainee.into(), Value::Bytes(content)]);
        rows.add(seq, station, added_at_ms, entry);
        prev = hash;
        seqs.push(seq);
    }
    // The chain before anything else: there it shows whether another was quicker.
    let columns = ["seq", "follows", "kind", "body_hash", "prev", "hash", "station", "added_at", "signature"];
    database.insert("chain", &columns, &links)?;
    database.insert("body", &["seq", "salt", "trainee", "content"], &bodies)?;
    rows.insert(database)?;
    Ok(seqs.split_off(usize::from(first.is_some())))
}

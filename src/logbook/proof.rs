//! Is a store what it claims to be? Every entry is held against the chain, its signature, its body and what follows from it, and
//! attempts are done again. A head that was kept elsewhere shows what is missing at the end.
//!
//! What is found is a fault, a line each. Bodies that an entry says were deleted are told apart, and so are attempts of another engine:
//! those can only be done again by their own.
//!
//! Limits: whoever can write the whole store can write another one that is sound; that only a head kept elsewhere shows, or a station's
//! key that they do not have. That an attempt follows from its inputs does not say whose hands gave them.

use super::chain::{BEGINNING, Hash, Link, body_hash, from_hex, hex};
use super::database::{Database, DatabaseError, Row, Value};
use super::derived::{Rows, TABLES, seq_value};
use super::entry::{Entry, Facts, Predicted, Rescored, Submitted, Unreadable};
use super::key::{StationKey, fingerprint, is_signed};
use super::rescore::{self, NotJudged};
use super::store::{Head, Logbook, LogbookError};
use super::submission::Kinds;
use crate::attempt::{Attempt, Unusable, engine};
use crate::case::parse_case;
use crate::debrief::proof::{Proof, Verdict};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Entries looked at together.
const PAGE: u64 = 256;

/// Attempts that are done again together.
const DONE_AT_ONCE: usize = 32;

/// What is wrong.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Fault {
    /// With which entry; `None` where it is with the store.
    pub seq: Option<u64>,
    /// What, a clause that goes on after the entry's number.
    pub what: String,
}

/// A body that was deleted, as an entry says.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Gone {
    /// Which entry's.
    pub seq: u64,
    /// The entry that says so.
    pub told_by: u64,
    /// By whom.
    pub by: String,
    /// When, ms.
    #[serde(skip)]
    pub at_ms: i64,
    /// Why, in words.
    pub because: &'static str,
}

/// An attempt that cannot be done again here.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Elsewhere {
    /// Which.
    pub seq: u64,
    /// Why.
    pub reason: String,
}

/// A key by which a station signs, or signed until it changed it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Signing {
    /// The station's name.
    pub station: String,
    /// The key in short.
    pub fingerprint: String,
    /// The entry that brought it.
    pub since: u64,
    /// Entries it signed.
    pub signed: u64,
}

/// The same, in whole.
struct Key {
    public_key: [u8; 32],
    since: u64,
    signed: u64,
}

/// Which attempts are done again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sample {
    /// All.
    All,
    /// So many, drawn by a seed.
    Some {
        /// How many.
        count: usize,
        /// Seed of the draw.
        seed: u64,
    },
}

/// What was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// How many entries there are.
    pub entries: u64,
    /// The last of them.
    pub head: Head,
    /// What is wrong.
    pub faults: Vec<Fault>,
    /// Bodies that were deleted and are told of.
    pub erased: Vec<Gone>,
    /// Attempts and scores of another engine or format.
    pub elsewhere: Vec<Elsewhere>,
    /// Entries whose bodies this login may not see.
    pub hidden: u64,
    /// Attempts, and scores under other goals, that there are.
    pub attempts: usize,
    /// Those of them that were done again and came out as they claim.
    pub valid: usize,
    /// Stations that sign.
    pub stations: Vec<Signing>,
}

/// A head, kept elsewhere.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptHead {
    /// Version of the format; 1.
    pub format: u32,
    /// How many entries there were.
    pub seq: u64,
    /// Hash of the last, in hexadecimal.
    pub hash: String,
    /// When it was kept, ms since 1970-01-01.
    pub kept_at_ms: i64,
    /// The station that signed it.
    pub station: Option<String>,
    /// Its public key, in hexadecimal.
    pub public_key: Option<String>,
    /// The signature, in hexadecimal.
    pub signature: Option<String>,
}

impl KeptHead {
    /// The format that is read and written.
    pub const FORMAT: u32 = 1;

    /// Of a head, signed where there is a key.
    pub fn of(head: Head, kept_at_ms: i64, by: Option<(&str, &StationKey)>) -> Self {
        let unsigned = Self {
            format: Self::FORMAT,
            seq: head.seq,
            hash: hex(&head.hash),
            kept_at_ms,
            station: by.map(|(station, _)| station.to_owned()),
            public_key: by.map(|(_, key)| hex(&key.public())),
            signature: None,
        };
        Self { signature: by.map(|(_, key)| hex(&key.sign(&unsigned.signed()))), ..unsigned }
    }

    /// What is signed of it.
    fn signed(&self) -> Hash {
        let mut hasher = blake3::Hasher::new();
        hasher.update(b"corecleft logbook head 1\n");
        hasher.update(&self.seq.to_le_bytes());
        hasher.update(&self.kept_at_ms.to_le_bytes());
        for text in [Some(&self.hash), self.station.as_ref(), self.public_key.as_ref()] {
            let text = text.map_or("", String::as_str);
            hasher.update(&(text.len() as u64).to_le_bytes());
            hasher.update(text.as_bytes());
        }
        *hasher.finalize().as_bytes()
    }
}

/// What a pass over the entries keeps in mind.
#[derive(Default)]
struct Pass {
    faults: Vec<Fault>,
    count: u64,
    prev: Option<(u64, Hash)>,
    /// Bodies that are not there, with the kind of their entry.
    missing: BTreeMap<u64, String>,
    /// What entries say was deleted.
    told: BTreeMap<u64, Gone>,
    /// Keys of stations, the one in force last.
    keys: BTreeMap<String, Vec<Key>>,
    /// Attempts and scores under other goals.
    attempts: Vec<u64>,
    elsewhere: Vec<Elsewhere>,
    /// First seen eyes, by trainee.
    eyes: BTreeSet<(String, [u8; 16])>,
    /// Files of attempts.
    files: HashMap<Hash, u64>,
    /// Entries and their hashes, that sign-offs name: which sign-off, of what, which hash.
    signed_off: Vec<(u64, u64, Hash)>,
    /// Attempts that are not called the first on an eye that was not seen before.
    later_on_new_eyes: Vec<u64>,
    /// Bodies that were deleted and are told of.
    deleted: BTreeSet<u64>,
    /// The number of the head that was kept, and the hash that entry has here.
    kept: Option<(u64, Option<String>)>,
    kinds: Kinds,
}

impl Pass {
    fn fault(&mut self, seq: impl Into<Option<u64>>, what: impl Into<String>) {
        self.faults.push(Fault { seq: seq.into(), what: what.into() });
    }
}

const SELECT: &str = "SELECT chain.seq, chain.follows, chain.kind, chain.body_hash, chain.prev, chain.hash, \
     chain.station, chain.added_at, chain.signature, body.salt, body.trainee, body.content \
     FROM chain LEFT JOIN body ON body.seq = chain.seq WHERE chain.seq > $1 ORDER BY chain.seq LIMIT $2";

impl Logbook {
    /// Look at everything. `kept` is a head that was kept elsewhere; `look` hears how many entries, then how many attempts, are done.
    ///
    /// # Errors
    /// What keeps the store from being read.
    pub fn verify(
        &mut self,
        sample: Sample,
        kept: Option<&KeptHead>,
        mut look: impl FnMut(Step),
    ) -> Result<Report, LogbookError> {
        let mut pass = Pass { kept: kept.map(|kept| (kept.seq, None)), ..Pass::default() };
        let sees_all = self.database.snapshot(|database| {
            own_check(database, &mut pass)?;
            entries(database, &mut pass, &mut look)?;
            orphans(database, &mut pass)?;
            about_others(database, &mut pass)?;
            sees_all(database)
        })?;
        let hidden = missing(&mut pass, sees_all);
        if let Some(kept) = kept {
            against(&mut pass, kept);
        }
        let chosen = chosen(&pass.attempts, sample);
        let mut valid = 0;
        for part in chosen.chunks(DONE_AT_ONCE) {
            valid += self.again(part, &mut pass)?;
            look(Step::DoneAgain { count: part.len(), of: chosen.len() });
        }
        pass.faults.sort_by_key(|fault| fault.seq.unwrap_or(0));
        pass.elsewhere.sort_by_key(|elsewhere| elsewhere.seq);
        let (seq, hash) = pass.prev.unwrap_or((0, BEGINNING));
        let signing = |station: &str, Key { public_key, since, signed }: Key| Signing {
            station: station.to_owned(),
            fingerprint: fingerprint(&public_key),
            since,
            signed,
        };
        let of_station = |(station, keys): (String, Vec<Key>)| -> Vec<Signing> {
            keys.into_iter().map(|key| signing(&station, key)).collect()
        };
        let stations = pass.keys.into_iter().flat_map(of_station).collect();
        Ok(Report {
            entries: pass.count,
            head: Head { seq, hash },
            faults: pass.faults,
            erased: pass.told.into_values().collect(),
            elsewhere: pass.elsewhere,
            hidden,
            attempts: pass.attempts.len(),
            valid,
            stations,
        })
    }

    /// Do attempts again; how many came out as they claim.
    fn again(&mut self, seqs: &[u64], pass: &mut Pass) -> Result<usize, LogbookError> {
        let read = |database: &mut Database, seqs: &[u64]| -> Result<Vec<(u64, Entry)>, DatabaseError> {
            let values: Vec<Value> = seqs.iter().map(|seq| seq_value(*seq)).collect();
            let rows = database.query_in("SELECT seq, content FROM body WHERE seq", &[], &values)?;
            // The last value fills a list up, so that a row may come twice; one that was deleted meanwhile does not come.
            let found: BTreeMap<u64, Entry> = rows
                .iter()
                .filter_map(|row| Some((whole(&row[0])?, Entry::of_content(row[1].bytes()?).ok()?)))
                .collect();
            Ok(found.into_iter().collect())
        };
        let entries = read(&mut self.database, seqs)?;
        let originals: Vec<u64> = entries
            .iter()
            .filter_map(|(_, entry)| if let Entry::Rescored(rescored) = entry { Some(rescored.of) } else { None })
            .collect();
        let originals: HashMap<u64, Entry> = if originals.is_empty() {
            HashMap::new()
        } else {
            read(&mut self.database, &originals)?.into_iter().collect()
        };
        let found: Vec<(u64, Again)> = entries
            .par_iter()
            .map(|(seq, entry)| {
                let again = match entry {
                    Entry::Attempt(submitted) => attempt_again(submitted),
                    Entry::Rescored(rescored) => match originals.get(&rescored.of) {
                        Some(Entry::Attempt(submitted)) => rescored_again(rescored, submitted),
                        // That its attempt was deleted, or is another kind of entry, is told elsewhere.
                        _ => Again::Elsewhere("was judged under other goals; its attempt is not there".to_owned()),
                    },
                    _ => Again::Valid,
                };
                (*seq, again)
            })
            .collect();
        let mut valid = 0;
        for (seq, again) in found {
            match again {
                Again::Valid => valid += 1,
                Again::Elsewhere(reason) => pass.elsewhere.push(Elsewhere { seq, reason }),
                Again::Fault(what) => pass.fault(seq, what),
            }
        }
        Ok(valid)
    }
}

/// How far a check has come.
#[derive(Clone, Copy, Debug)]
pub enum Step {
    /// So many more entries were looked at.
    Entries(usize),
    /// So many more attempts were done again.
    DoneAgain {
        /// How many.
        count: usize,
        /// Of how many.
        of: usize,
    },
}

fn whole(value: &Value) -> Option<u64> {
    value.whole().and_then(|number| u64::try_from(number).ok())
}

/// What a file's own check finds.
fn own_check(database: &mut Database, pass: &mut Pass) -> Result<(), DatabaseError> {
    if matches!(database, Database::File(_)) {
        for row in database.query("PRAGMA quick_check(10)", &[])? {
            match row[0].text() {
                Some("ok") => (),
                told => {
                    // The database's words go over several lines.
                    let words: Vec<&str> = told.unwrap_or("not told how").split_whitespace().collect();
                    pass.fault(None, format!("the file is damaged: {}", words.join(" ")));
                }
            }
        }
    }
    Ok(())
}

/// May this login see everything? Whoever has no row security does.
fn sees_all(database: &mut Database) -> Result<bool, DatabaseError> {
    let Database::Server { .. } = database else { return Ok(true) };
    let rows = database.query(
        "SELECT NOT row_security_active('body') OR EXISTS (SELECT 1 FROM pg_roles \
         WHERE rolname IN ('corecleft_director', 'corecleft_keeper') AND pg_has_role(current_user, oid, 'member'))",
        &[],
    )?;
    Ok(rows.first().is_some_and(|row| row[0].is_yes()))
}

/// Every entry in its order: chain, signature, body, and what follows from it.
fn entries(database: &mut Database, pass: &mut Pass, look: &mut impl FnMut(Step)) -> Result<(), DatabaseError> {
    // Before the first there may be what should not be: from the smallest number on.
    let mut after = Value::Whole(i64::MIN);
    let mut after_seq = 0;
    loop {
        let rows = database.query(SELECT, &[after.clone(), seq_value(PAGE)])?;
        let Some(last) = rows.last() else { return Ok(()) };
        after = last[0].clone();
        let mut expected = Rows::default();
        for row in &rows {
            entry(row, pass, &mut expected);
        }
        let up_to = whole(&after).unwrap_or(after_seq);
        compare(pass, &expected, &Rows::read(database, after_seq, up_to)?);
        after_seq = up_to;
        look(Step::Entries(rows.len()));
        if after.whole().is_none() {
            return Ok(());
        }
    }
}

fn entry(row: &Row, pass: &mut Pass, expected: &mut Rows) {
    pass.count += 1;
    let Some(seq) = whole(&row[0]) else {
        pass.fault(None, "an entry has a number that is none");
        return;
    };
    let before = pass.prev;
    let due = before.map_or(1, |(seq, _)| seq + 1);
    if seq == due + 1 {
        pass.fault(seq, format!("entry {due} is missing before it"));
    } else if seq > due {
        pass.fault(seq, format!("entries {due} to {} are missing before it", seq - 1));
    } else if seq < due {
        pass.fault(seq, "has a number that no entry can have");
    }
    if whole(&row[1]) != seq.checked_sub(1).filter(|before| *before > 0) || (seq == 1) != (row[1] == Value::Null) {
        pass.fault(seq, "does not follow the number before it");
    }
    let told = row[5].text().and_then(from_hex::<32>);
    // The next is held against the hash that is told: a fault shows where it is, and not in all that follow.
    pass.prev = Some((seq, told.unwrap_or(BEGINNING)));
    let link = (|| {
        Some(Link {
            seq,
            kind: row[2].text()?.to_owned(),
            body_hash: row[3].text().and_then(from_hex)?,
            prev: row[4].text().and_then(from_hex)?,
            station: row[6].text()?.to_owned(),
            added_at_ms: row[7].whole()?,
        })
    })();
    let (Some(link), Some(told)) = (link, told) else {
        pass.fault(seq, "holds something that cannot be read in its chain");
        return;
    };
    if link.hash() != told {
        pass.fault(seq, "was changed: its hash is not that of what it says");
    }
    if seq == due && link.prev != before.map_or(BEGINNING, |(_, hash)| hash) {
        pass.fault(seq, "does not follow the entry before: it holds another hash");
    }
    if pass.kept.as_ref().is_some_and(|(kept, _)| *kept == seq) {
        pass.kept = Some((seq, Some(hex(&told))));
    }
    let brought = match body(pass, &link, row, expected) {
        Some(Entry::Station(station)) => Some(Key { public_key: station.public_key, since: seq, signed: 0 }),
        _ => None,
    };
    match (brought, pass.keys.contains_key(&link.station)) {
        // A first key signs the entry that brings it; one that is to follow is signed by the one before.
        (Some(key), true) => match signature(pass, &link, &told, &row[8]) {
            Ok(()) => pass.keys.entry(link.station).or_default().push(key),
            Err(_) => {
                let what =
                    format!("brings another key for station `{}`, which the one before has not signed", link.station);
                pass.fault(seq, what);
            }
        },
        (brought, _) => {
            if let Some(key) = brought {
                pass.keys.insert(link.station.clone(), vec![key]);
            }
            if let Err(why) = signature(pass, &link, &told, &row[8]) {
                pass.fault(seq, why);
            }
        }
    }
}

/// What the body of an entry holds, held against everything that can be seen without doing it again.
fn body(pass: &mut Pass, link: &Link, row: &Row, expected: &mut Rows) -> Option<Entry> {
    let seq = link.seq;
    let (Some(salt), Some(content)) = (row[9].bytes(), row[11].bytes()) else {
        // A row whose columns are of another kind was put there by hand.
        if row[9..].iter().any(|value| *value != Value::Null) {
            pass.fault(seq, "has a body that was changed: it is not of the kind it should be");
        } else {
            pass.missing.insert(seq, link.kind.clone());
        }
        return None;
    };
    let trainee = row[10].text();
    let is_other_kind = trainee.is_none() && row[10] != Value::Null;
    if is_other_kind || body_hash(salt, trainee, content) != link.body_hash {
        pass.fault(seq, "has a body that was changed: its hash is not the one in the chain");
        return None;
    }
    let entry = match Entry::of_content(content) {
        Ok(entry) => entry,
        Err(why @ Unreadable::OtherFormat(_)) => {
            pass.elsewhere.push(Elsewhere { seq, reason: why.to_string() });
            return None;
        }
        Err(why) => {
            pass.fault(seq, why.to_string());
            return None;
        }
    };
    if entry.kind() != link.kind || entry.trainee().map(|trainee| trainee.as_str()) != trainee {
        pass.fault(seq, "has a body of another kind or trainee than the chain says");
    }
    expected.add(seq, &link.station, link.added_at_ms, &entry);
    let is_earlier = |pass: &mut Pass, of: u64| {
        if of == 0 || of >= seq {
            pass.fault(seq, format!("is about entry {of}, which does not come before it"));
        }
    };
    match &entry {
        Entry::Attempt(submitted) => {
            pass.attempts.push(seq);
            attempt(pass, seq, submitted);
        }
        Entry::Comment(comment) => is_earlier(pass, comment.of),
        Entry::SignOff(sign_off) => {
            is_earlier(pass, sign_off.of);
            pass.signed_off.push((seq, sign_off.of, sign_off.hash));
        }
        Entry::Rescored(rescored) => {
            is_earlier(pass, rescored.of);
            pass.attempts.push(seq);
        }
        Entry::Erased(erased) => {
            for of in &erased.seqs {
                is_earlier(pass, *of);
                let gone = Gone {
                    seq: *of,
                    told_by: seq,
                    by: erased.by.to_string(),
                    at_ms: link.added_at_ms,
                    because: erased.because.in_words(),
                };
                pass.told.entry(*of).or_insert(gone);
            }
        }
        Entry::Station(station) => {
            if station.name != link.station {
                pass.fault(seq, "brings the key of another station than the one it was added at");
            }
        }
    }
    Some(entry)
}

/// What an attempt's entry says, beside its file.
fn attempt(pass: &mut Pass, seq: u64, submitted: &Submitted) {
    let Submitted { trainee, is_first, facts, file, .. } = submitted;
    if let Some(other) = pass.files.insert(facts.file_hash, seq) {
        pass.fault(seq, format!("holds the same file as entry {other}"));
    }
    let is_new = pass.eyes.insert((trainee.to_string(), facts.eye()));
    if *is_first && !is_new {
        pass.fault(seq, "is called its trainee's first on its eye, and is not");
    } else if !is_first && is_new {
        pass.later_on_new_eyes.push(seq);
    }
    match Attempt::from_bytes(file) {
        Ok(attempt) => {
            // What kind an eye is called may change with the program.
            let is_here = facts.engine == engine();
            let found =
                Facts::of(
                    file,
                    &attempt,
                    |text| {
                        if is_here { pass.kinds.of(facts.case_hash, text) } else { facts.kind }
                    },
                );
            if found != *facts {
                pass.fault(seq, "says something else than its file");
            }
        }
        // Told where it is done again.
        Err(Unusable::OtherFormat { .. }) if *blake3::hash(file).as_bytes() == facts.file_hash => (),
        Err(why) => pass.fault(seq, format!("holds a file that {why}")),
    }
}

/// Is an entry signed as it must be? Else what is wrong.
fn signature(pass: &mut Pass, link: &Link, hash: &Hash, signature: &Value) -> Result<(), String> {
    let station = &link.station;
    match (signature, pass.keys.get_mut(station).and_then(|keys| keys.last_mut())) {
        (Value::Null, None) => Ok(()),
        (Value::Null, Some(_)) => Err(format!("is not signed, though station `{station}` signs")),
        (_, None) => Err(format!("is signed, but station `{station}` has no key here")),
        (signature, Some(key)) => {
            let signature = signature.text().and_then(from_hex::<64>);
            if !signature.is_some_and(|signature| is_signed(&key.public_key, hash, &signature)) {
                return Err(format!("has a signature that is not station `{station}`'s"));
            }
            key.signed += 1;
            Ok(())
        }
    }
}

/// What follows from the entries, beside what stands in the tables.
fn compare(pass: &mut Pass, expected: &Rows, found: &Rows) {
    for ((table, expected), found) in TABLES.iter().zip(&expected.0).zip(&found.0) {
        if expected == found {
            continue;
        }
        let seqs: BTreeSet<Option<u64>> = expected.iter().chain(found).map(|row| whole(&row[0])).collect();
        for seq in seqs {
            let of = |rows: &[Row]| rows.iter().filter(|row| whole(&row[0]) == seq).cloned().collect::<Vec<_>>();
            if of(expected) != of(found) {
                pass.fault(seq, format!("has other rows in the table `{}` than follow from its body", table.name));
            }
        }
    }
}

/// Rows that belong to no entry.
fn orphans(database: &mut Database, pass: &mut Pass) -> Result<(), DatabaseError> {
    for name in TABLES.iter().map(|table| table.name).chain(["body"]) {
        let sql = format!("SELECT DISTINCT seq FROM {name} WHERE seq NOT IN (SELECT seq FROM chain) ORDER BY seq");
        for row in database.query(&sql, &[])? {
            let number = row[0].whole().map_or_else(|| "without a number".to_owned(), |seq| seq.to_string());
            pass.fault(None, format!("the table `{name}` holds a row of an entry that there is not: {number}"));
        }
    }
    Ok(())
}

/// What is about other entries: is it about what it says?
fn about_others(database: &mut Database, pass: &mut Pass) -> Result<(), DatabaseError> {
    let signed_off = std::mem::take(&mut pass.signed_off);
    let seqs: Vec<Value> = signed_off.iter().map(|(_, of, _)| seq_value(*of)).collect();
    let rows = database.query_in("SELECT seq, hash FROM chain WHERE seq", &[], &seqs)?;
    let hashes: HashMap<u64, Hash> =
        rows.iter().filter_map(|row| Some((whole(&row[0])?, row[1].text().and_then(from_hex)?))).collect();
    for (seq, of, hash) in signed_off {
        if hashes.get(&of) != Some(&hash) {
            pass.fault(seq, format!("signs off another entry {of} than there is"));
        }
    }
    let sql = "SELECT about.seq, about.of_seq FROM about JOIN body ON body.seq = about.of_seq \
               WHERE about.trainee <> body.trainee OR (about.trainee IS NULL AND body.trainee IS NOT NULL) \
               OR (about.trainee IS NOT NULL AND body.trainee IS NULL) ORDER BY about.seq";
    for row in database.query(sql, &[])? {
        pass.fault(
            whole(&row[0]),
            format!("is about entry {}, which is another trainee's", row[1].whole().unwrap_or(0)),
        );
    }
    Ok(())
}

/// Bodies that are not there: told of, hidden, or removed. How many are hidden.
fn missing(pass: &mut Pass, sees_all: bool) -> u64 {
    let mut hidden = 0;
    for (seq, kind) in std::mem::take(&mut pass.missing) {
        let is_nobodys = matches!(kind.as_str(), "erased" | "station");
        match pass.told.get(&seq) {
            Some(_) if is_nobodys => pass.fault(seq, format!("is of kind `{kind}`, whose body is never to be deleted")),
            Some(_) => _ = pass.deleted.insert(seq),
            None if sees_all || is_nobodys => pass.fault(seq, "has no body, and no entry says that it was deleted"),
            None => hidden += 1,
        }
    }
    let yet_there: Vec<u64> = pass.told.keys().filter(|seq| !pass.deleted.contains(seq)).copied().collect();
    for seq in yet_there {
        pass.told.remove(&seq);
        pass.fault(seq, "is said to be deleted, and its body is there");
    }
    // What came before may be what was deleted; where nothing was, the first is the first.
    if pass.deleted.is_empty() && hidden == 0 {
        for seq in std::mem::take(&mut pass.later_on_new_eyes) {
            pass.fault(seq, "is its trainee's first on its eye, and is not called so");
        }
    }
    hidden
}

/// The store beside a head that was kept elsewhere.
fn against(pass: &mut Pass, kept: &KeptHead) {
    let key = kept.public_key.as_deref().and_then(from_hex::<32>);
    let signature = kept.signature.as_deref().and_then(from_hex::<64>);
    match (key, signature) {
        (Some(key), Some(signature)) if is_signed(&key, &kept.signed(), &signature) => {
            let station = kept.station.clone().unwrap_or_default();
            // The key that was in force then; a head may have been signed before the station added anything.
            let keys = pass.keys.get(&station).map_or(&[][..], Vec::as_slice);
            let then = keys.iter().rev().find(|known| known.since <= kept.seq).or(keys.first());
            if then.map(|known| known.public_key) != Some(key) {
                let what =
                    format!("the head was signed by a key that station `{station}` has not here, or had not then");
                pass.fault(None, what);
            }
        }
        (None, None) if kept.signature.is_none() && kept.public_key.is_none() => (),
        _ => pass.fault(None, "the head's signature does not go with it: the file was changed"),
    }
    match &pass.kept {
        _ if kept.seq == 0 => (),
        Some((seq, Some(hash))) if *hash != kept.hash => {
            let seq = *seq;
            pass.fault(seq, "is another than when the head was kept");
        }
        Some((_, Some(_))) => (),
        _ => {
            let last = pass.prev.map_or(0, |(seq, _)| seq);
            let what = format!(
                "the end is missing: entry {} was there when the head was kept, and {last} is the last",
                kept.seq
            );
            pass.fault(None, what);
        }
    }
}

/// The attempts that are done again, in their order.
fn chosen(attempts: &[u64], sample: Sample) -> Vec<u64> {
    let Sample::Some { count, seed } = sample else { return attempts.to_vec() };
    let draw = |seq: &u64| {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&seed.to_le_bytes());
        hasher.update(&seq.to_le_bytes());
        *hasher.finalize().as_bytes()
    };
    let mut drawn = attempts.to_vec();
    drawn.sort_by_cached_key(draw);
    drawn.truncate(count);
    drawn.sort_unstable();
    drawn
}

/// What came of doing something again.
enum Again {
    Valid,
    Elsewhere(String),
    Fault(String),
}

fn attempt_again(submitted: &Submitted) -> Again {
    let read = Attempt::from_bytes(&submitted.file);
    let Proof { verdict, reason } = Proof::of(&read);
    match (verdict, &read) {
        (Verdict::OtherVersion, _) => return Again::Elsewhere(reason),
        (Verdict::Valid, Ok(attempt)) => {
            if submitted.predictions.is_some() && Predicted::of(attempt) != submitted.predictions {
                return Again::Fault("says something else of its predictions than comes out".to_owned());
            }
        }
        _ => return Again::Fault(reason),
    }
    Again::Valid
}

fn rescored_again(rescored: &Rescored, submitted: &Submitted) -> Again {
    if rescored.engine != engine() {
        return Again::Elsewhere(format!("was judged by engine {}, and this is {}", rescored.engine, engine()));
    }
    let attempt = match Attempt::from_bytes(&submitted.file) {
        Ok(attempt) => attempt,
        Err(error @ Unusable::OtherFormat { .. }) => return Again::Elsewhere(error.to_string()),
        Err(error) => return Again::Fault(error.to_string()),
    };
    let Ok(case) = parse_case("", &rescored.case_text) else {
        return Again::Fault("holds a case that cannot be used".to_owned());
    };
    match rescore::judged(&attempt, &case) {
        Ok(scores) if scores == rescored.scores => Again::Valid,
        Ok(_) => Again::Fault("claims scores that its goals do not lead to".to_owned()),
        Err(NotJudged::OtherEngine(why)) => Again::Elsewhere(why),
        Err(NotJudged::OtherCase) => Again::Fault("was judged by the case of another eye".to_owned()),
        Err(NotJudged::Unsound(why)) => Again::Fault(why),
    }
}

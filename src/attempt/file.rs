//! An attempt on the disk.
//!
//! ```text
//! "corecleft attempt\n"   18 bytes
//! format                  u32, little-endian
//! length of the body      u64, little-endian, uncompressed
//! body                    DEFLATE (RFC 1951) of postcard
//! BLAKE3                  32 bytes, of all before
//! ```
//!
//! The first line, the number of the format and the hash at the end stay so in every format to come: what is damaged or cut
//! short can be told from what is newer. The hash guards against damage, not against forgery; that a replay does.
//!
//! A file is written under no name, forced to the disk, and then given its name at once, which fails where there is one: a
//! crash leaves the whole file or none, and nothing is ever overwritten. Where the file system knows no nameless files, a crash
//! can leave a hidden file beside it that ends in `.part`.

use super::prediction;
use super::{Attempt, Header, Prediction, Record, Scores};
use crate::sim::event::Event;
use flate2::Compression;
use flate2::read::DeflateDecoder;
use flate2::write::DeflateEncoder;
use serde::{Deserialize, Serialize};
use std::fs::{self, File};
use std::io::{self, ErrorKind, Read as _, Write as _};
use std::path::{Path, PathBuf};

/// The format that is written. The one before, which knows no predictions, is read too.
pub const FORMAT: u32 = 3;

/// The oldest format that is read.
pub const OLDEST_FORMAT: u32 = 2;

const MAGIC: &[u8; 18] = b"corecleft attempt\n";
const HASH_BYTES: usize = 32;

/// Where the body begins.
const BODY_AT: usize = MAGIC.len() + 4 + 8;

/// Largest file that is read, and largest body, bytes.
const LARGEST: u64 = 16 << 20;
const LARGEST_BODY: u64 = 64 << 20;

/// Ending of the name.
const ENDING: &str = "attempt";

/// Names tried before giving up: the same attempt saved that often.
const MOST_NAMES: u32 = 10_000;

/// What is in the body.
#[derive(Serialize, Deserialize)]
struct Body {
    header: Header,
    ticks: u64,
    inputs: Vec<u8>,
    predictions: Vec<Prediction>,
    events: Vec<Event>,
    scores: Scores,
    state_hash: [u8; 32],
}

/// What was in the body of format 2.
#[derive(Serialize, Deserialize)]
struct BodyOf2 {
    header: Header,
    ticks: u64,
    inputs: Vec<u8>,
    events: Vec<Event>,
    scores: Scores,
    state_hash: [u8; 32],
}

impl From<BodyOf2> for Body {
    fn from(BodyOf2 { header, ticks, inputs, events, scores, state_hash }: BodyOf2) -> Self {
        Self { header, ticks, inputs, predictions: Vec::new(), events, scores, state_hash }
    }
}

/// Why a file is no attempt that can be read.
#[derive(Debug, thiserror::Error)]
pub enum Unusable {
    /// The file cannot be opened or read.
    #[error("{}", io_in_words(.0))]
    Io(#[from] io::Error),
    /// Another kind of file.
    #[error("is not an attempt; allowed: a file that `play --save` wrote")]
    OtherKind,
    /// Damaged or cut short.
    #[error("is damaged or cut short: its bytes do not have the hash at its end")]
    Damaged,
    /// Of another format.
    #[error(
        "has format {format}, and this program reads formats {OLDEST_FORMAT} to {FORMAT}: use the program that wrote it"
    )]
    OtherFormat {
        /// The file's format.
        format: u32,
    },
    /// Its hash is right, but what it holds makes no sense.
    #[error("makes no sense inside: {0}")]
    Senseless(String),
}

fn io_in_words(error: &io::Error) -> String {
    match error.kind() {
        ErrorKind::NotFound => "does not exist; allowed: a file that `play --save` wrote".to_string(),
        ErrorKind::IsADirectory => "is a directory; allowed: a file that `play --save` wrote".to_string(),
        _ => format!("cannot be read: {error}"),
    }
}

/// Why an attempt could not be saved.
#[derive(Debug, thiserror::Error)]
#[error("{}: the attempt cannot be saved: {error}; allowed: a folder that can be written", folder.display())]
pub struct SaveError {
    /// Where.
    pub folder: PathBuf,
    /// Why.
    pub error: io::Error,
}

impl Attempt {
    /// The bytes of its file.
    pub fn to_bytes(&self) -> Vec<u8> {
        let body = Body {
            header: self.header.clone(),
            ticks: self.record.ticks() as u64,
            inputs: self.record.encode(),
            predictions: self.predictions.clone(),
            events: self.events.clone(),
            scores: self.scores.clone(),
            state_hash: self.state_hash,
        };
        // Plain data always has a form.
        packed(FORMAT, &postcard::to_stdvec(&body).unwrap_or_default())
    }

    /// From the bytes of a file.
    ///
    /// # Errors
    /// Bytes of another kind, damaged, of another format, or senseless.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, Unusable> {
        if !bytes.starts_with(MAGIC) {
            // A damaged first line would say the same of an attempt.
            return Err(Unusable::OtherKind);
        }
        let hash_at = bytes.len().checked_sub(HASH_BYTES).filter(|at| *at >= BODY_AT).ok_or(Unusable::Damaged)?;
        let (told, hash) = bytes.split_at(hash_at);
        if blake3::hash(told).as_bytes() != hash {
            return Err(Unusable::Damaged);
        }
        let number = |at: usize, length: usize| -> u64 {
            told[at..at + length].iter().rev().fold(0, |sum, byte| (sum << 8) | u64::from(*byte))
        };
        let format = number(MAGIC.len(), 4) as u32;
        if !(OLDEST_FORMAT..=FORMAT).contains(&format) {
            return Err(Unusable::OtherFormat { format });
        }
        let length = number(MAGIC.len() + 4, 8);
        let senseless = |what: &str| Unusable::Senseless(what.to_string());
        if length > LARGEST_BODY {
            return Err(senseless("it is too large"));
        }
        let mut plain = Vec::new();
        let unpacked = DeflateDecoder::new(&told[BODY_AT..]).take(length + 1).read_to_end(&mut plain);
        if unpacked.is_err() || plain.len() as u64 != length {
            return Err(senseless("it cannot be decompressed"));
        }
        let body = match format {
            FORMAT => whole::<Body>(&plain),
            _ => whole::<BodyOf2>(&plain).map(Body::from),
        };
        let Some(body) = body else { return Err(senseless("its fields cannot be read")) };
        let record = Record::decode(&body.inputs, body.ticks).map_err(|e| Unusable::Senseless(e.to_string()))?;
        let Body { header, predictions, events, scores, state_hash, .. } = body;
        prediction::check(&predictions, record.ticks()).map_err(Unusable::Senseless)?;
        Ok(Self { header, record, predictions, events, scores, state_hash })
    }

    /// Read a file.
    ///
    /// # Errors
    /// A file that is missing, unreadable, or no attempt of this format.
    pub fn read(path: &Path) -> Result<Self, Unusable> {
        Self::from_bytes(&Self::read_bytes(path)?)
    }

    /// The bytes of a file that may be one.
    ///
    /// # Errors
    /// A file that is missing, unreadable, or too large to be one.
    pub fn read_bytes(path: &Path) -> Result<Vec<u8>, Unusable> {
        let file = File::open(path)?;
        if file.metadata()?.is_dir() {
            return Err(Unusable::Io(ErrorKind::IsADirectory.into()));
        }
        let mut bytes = Vec::new();
        file.take(LARGEST + 1).read_to_end(&mut bytes)?;
        if bytes.len() as u64 > LARGEST {
            return Err(if bytes.starts_with(MAGIC) { Unusable::Damaged } else { Unusable::OtherKind });
        }
        Ok(bytes)
    }

    /// Save it as one new file in a folder, which is made where there is none; returns the file's path. The name is made of
    /// the case, the seed and the first eight digits of the state's hash, with a number where that is taken.
    ///
    /// # Errors
    /// A folder that cannot be made or written.
    pub fn save(&self, folder: &Path) -> Result<PathBuf, SaveError> {
        let refused = |error| SaveError { folder: folder.to_path_buf(), error };
        fs::create_dir_all(folder).map_err(refused)?;
        let hash = blake3::Hash::from_bytes(self.state_hash).to_hex();
        let stem = format!("{}.{}.{}", file_name(&self.header.scenario), self.header.seed, &hash.as_str()[..8]);
        let bytes = self.to_bytes();
        let names = (1..=MOST_NAMES).map(|n| match n {
            1 => format!("{stem}.{ENDING}"),
            n => format!("{stem}-{n}.{ENDING}"),
        });
        for path in names.map(|name| folder.join(name)) {
            if path.exists() {
                continue;
            }
            match write_new(folder, &path, &bytes) {
                Ok(()) => return Ok(path),
                Err(error) if error.kind() == ErrorKind::AlreadyExists => (),
                Err(error) => return Err(refused(error)),
            }
        }
        Err(refused(ErrorKind::AlreadyExists.into()))
    }
}

/// What bytes hold, and nothing after it.
fn whole<T: serde::de::DeserializeOwned>(plain: &[u8]) -> Option<T> {
    match postcard::take_from_bytes(plain) {
        Ok((found, [])) => Some(found),
        _ => None,
    }
}

/// The bytes of a file of this format with this body.
fn packed(format: u32, plain: &[u8]) -> Vec<u8> {
    // Writing to memory cannot fail.
    let mut packed = DeflateEncoder::new(Vec::new(), Compression::best());
    let _ = packed.write_all(plain);
    let mut bytes = MAGIC.to_vec();
    bytes.extend_from_slice(&format.to_le_bytes());
    bytes.extend_from_slice(&(plain.len() as u64).to_le_bytes());
    bytes.extend_from_slice(&packed.finish().unwrap_or_default());
    let hash = blake3::hash(&bytes);
    bytes.extend_from_slice(hash.as_bytes());
    bytes
}

/// A name that is one part of a path.
fn file_name(name: &str) -> String {
    let name: String = name.chars().map(|c| if c.is_alphanumeric() || "-_.".contains(c) { c } else { '_' }).collect();
    if name.trim_matches('.').is_empty() { "case".to_string() } else { name }
}

/// Write a file that may be there already: the whole of it takes its place at once, or nothing does.
///
/// # Errors
/// The file cannot be written.
pub fn replace(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let part = written_part(folder, bytes)?;
    part.persist(path).map(|_| ()).map_err(|refused| refused.error)
}

/// A file beside the one that is meant, all of it on disk. Errors name no path: whoever is told knows the one that was meant.
fn written_part(folder: &Path, bytes: &[u8]) -> io::Result<tempfile::NamedTempFile> {
    std::fs::metadata(folder)?;
    let mut builder = tempfile::Builder::new();
    builder.prefix(".").suffix(".part");
    // For all to read, as any file that is written; the process's own mask still applies.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    let mut part = builder.tempfile_in(folder).map_err(|error| error.kind())?;
    part.as_file_mut().write_all(bytes)?;
    part.as_file().sync_all()?;
    Ok(part)
}

/// Write a file that is not there yet: whole, or not at all.
fn write_new(folder: &Path, path: &Path, bytes: &[u8]) -> io::Result<()> {
    if let Some(file) = nameless(folder) {
        return name_after_writing(file, path, bytes).and_then(|()| File::open(folder)?.sync_all());
    }
    let part = written_part(folder, bytes)?;
    part.persist_noclobber(path).map_err(|refused| refused.error)?;
    File::open(folder)?.sync_all()
}

/// A file without a name, which is gone with the process.
#[cfg(target_os = "linux")]
fn nameless(folder: &Path) -> Option<File> {
    use rustix::fs::{Mode, OFlags, open};
    let flags = OFlags::TMPFILE | OFlags::WRONLY | OFlags::CLOEXEC;
    open(folder, flags, Mode::from_raw_mode(0o644)).ok().map(File::from)
}

#[cfg(not(target_os = "linux"))]
fn nameless(_: &Path) -> Option<File> {
    None
}

#[cfg(target_os = "linux")]
fn name_after_writing(mut file: File, path: &Path, bytes: &[u8]) -> io::Result<()> {
    use rustix::fs::{AtFlags, CWD, linkat};
    use std::os::fd::AsRawFd as _;
    file.write_all(bytes)?;
    file.sync_all()?;
    let open = format!("/proc/self/fd/{}", file.as_raw_fd());
    Ok(linkat(CWD, open, CWD, path, AtFlags::SYMLINK_FOLLOW)?)
}

#[cfg(not(target_os = "linux"))]
fn name_after_writing(_: File, _: &Path, _: &[u8]) -> io::Result<()> {
    Err(ErrorKind::Unsupported.into())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::attempt::{Device, Expected};
    use crate::sim::event::EventKind;

    fn attempt() -> Attempt {
        let stated =
            Prediction { tick: 0, depth_mm: 1.6, angle_deg: 40.0, place_mm: (0.2, -0.3), expected: Expected::Hinged };
        Attempt {
            header: Header::new("a-case", "()", 7, Device::Person("keys".into())),
            record: Record::default(),
            predictions: vec![stated],
            events: vec![Event { tick: 1, cause: None, kind: EventKind::Called }],
            scores: Scores { pass: true, score: 88.0, critical: Vec::new(), components: Vec::new() },
            state_hash: [9; 32],
        }
    }

    #[test]
    fn a_file_of_the_format_before_is_read_and_holds_no_predictions() {
        let now = attempt();
        let Attempt { header, record, events, scores, state_hash, .. } = now.clone();
        let before = || {
            let (header, events, scores) = (header.clone(), events.clone(), scores.clone());
            BodyOf2 { header, ticks: 0, inputs: record.encode(), events, scores, state_hash }
        };
        let plain = postcard::to_stdvec(&before()).unwrap();
        let read = Attempt::from_bytes(&packed(2, &plain)).unwrap();
        assert_eq!(read, Attempt { predictions: Vec::new(), ..now.clone() });
        // The same bytes under the other number are no attempt: the two cannot be taken for each other.
        assert!(matches!(Attempt::from_bytes(&packed(FORMAT, &plain)), Err(Unusable::Senseless(_))));
        let newer = packed(2, &postcard::to_stdvec(&Body::from(before())).unwrap());
        assert!(matches!(Attempt::from_bytes(&newer), Err(Unusable::Senseless(_))));
        assert_eq!(Attempt::from_bytes(&now.to_bytes()).unwrap(), now);
    }
}

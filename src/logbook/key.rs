//! Keys of stations, by which entries are signed: Ed25519 (RFC 8032).
//!
//! A key's file holds the 32 secret bytes in hexadecimal behind one line that says what it is; only its owner may read it. A
//! signature is over the hash of an entry, and so over everything before it. A key is changed by an entry that names the next and that
//! the one before has signed; what it signed stays its own.
//!
//! Limits: a signature says that the station's key was at hand, not who sat there.

use super::chain::{Hash, from_hex, hex};
use ed25519_dalek::{Signature, Signer as _, SigningKey, VerifyingKey};
use std::fs::{File, OpenOptions};
use std::io::{self, ErrorKind, Read as _, Write as _};
use std::path::Path;

const FIRST_LINE: &str = "corecleft station key 1: keep it secret";

/// A station's secret key.
pub struct StationKey(SigningKey);

/// Why a key cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// The file cannot be read.
    #[error("cannot be read: {0}; allowed: a file that `logbook key` wrote")]
    Unreadable(io::Error),
    /// It is no key.
    #[error("is not a station's key; allowed: a file that `logbook key` wrote")]
    OtherKind,
    /// Others can read it.
    #[error("can be read by others than its owner, so that it is no secret; allowed: a file of mode 600")]
    Open,
    /// There is a file already.
    #[error("is there already, and a key is never overwritten; allowed: a new file's name")]
    Exists,
    /// The file cannot be written.
    #[error("cannot be written: {0}; allowed: a new file in a folder that can be written")]
    Unwritable(io::Error),
    /// The system has no randomness.
    #[error("cannot be made: the system gives no random bytes ({0}); allowed: to try again")]
    NoRandomness(getrandom::Error),
}

impl StationKey {
    /// A new one, from the system's randomness.
    ///
    /// # Errors
    /// The system has none.
    pub fn new() -> Result<Self, KeyError> {
        let mut secret = [0; 32];
        getrandom::fill(&mut secret).map_err(KeyError::NoRandomness)?;
        Ok(Self(SigningKey::from_bytes(&secret)))
    }

    /// Of these secret bytes.
    pub fn of_secret(secret: &[u8; 32]) -> Self {
        Self(SigningKey::from_bytes(secret))
    }

    /// Write it into a new file that only its owner may read.
    ///
    /// # Errors
    /// A file that is there already or cannot be written.
    pub fn write_new(&self, path: &Path) -> Result<(), KeyError> {
        let mut options = OpenOptions::new();
        options.write(true).create_new(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        let mut file = options.open(path).map_err(|error| match error.kind() {
            ErrorKind::AlreadyExists => KeyError::Exists,
            _ => KeyError::Unwritable(error),
        })?;
        let text = format!("{FIRST_LINE}\n{}\n", hex(&self.0.to_bytes()));
        file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(KeyError::Unwritable)
    }

    /// Read one.
    ///
    /// # Errors
    /// A file that cannot be read, is no key, or can be read by others.
    pub fn read(path: &Path) -> Result<Self, KeyError> {
        let file = File::open(path).map_err(KeyError::Unreadable)?;
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            let mode = file.metadata().map_err(KeyError::Unreadable)?.permissions().mode();
            if mode & 0o077 != 0 {
                return Err(KeyError::Open);
            }
        }
        let mut text = String::new();
        file.take(1024).read_to_string(&mut text).map_err(|error| match error.kind() {
            ErrorKind::InvalidData => KeyError::OtherKind,
            _ => KeyError::Unreadable(error),
        })?;
        let mut lines = text.lines();
        let secret = (lines.next() == Some(FIRST_LINE)).then(|| lines.next().and_then(from_hex::<32>)).flatten();
        secret.map(|secret| Self(SigningKey::from_bytes(&secret))).ok_or(KeyError::OtherKind)
    }

    /// The public key that goes with it.
    pub fn public(&self) -> [u8; 32] {
        self.0.verifying_key().to_bytes()
    }

    /// The signature of a hash.
    pub fn sign(&self, hash: &Hash) -> [u8; 64] {
        self.0.sign(hash).to_bytes()
    }
}

/// Does a signature go with a hash and a public key?
pub fn is_signed(public_key: &[u8; 32], hash: &Hash, signature: &[u8; 64]) -> bool {
    VerifyingKey::from_bytes(public_key)
        .is_ok_and(|key| key.verify_strict(hash, &Signature::from_bytes(signature)).is_ok())
}

/// A public key in short, to be read out and compared: four groups of four signs of its BLAKE3.
pub fn fingerprint(public_key: &[u8; 32]) -> String {
    let digits = hex(&blake3::hash(public_key).as_bytes()[..8]);
    let groups: Vec<&str> = (0..4).map(|group| &digits[4 * group..4 * group + 4]).collect();
    groups.join(" ")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;

    /// RFC 8032, section 7.1, test 3: a message of two bytes. Ours are 32, so that only key and form are taken from there.
    #[test]
    fn keys_are_those_of_rfc_8032() {
        let secret = from_hex("c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7").unwrap();
        let key = StationKey::of_secret(&secret);
        assert_eq!(hex(&key.public()), "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025");
        let signature = "6291d657deec24024827e69c3abe01a30ce548a284743a445e3680d7db5ac3ac\
                         18ff9b538d16f290ae67f760984dc6594a7c15e9716ed28dc027beceea1ec40a";
        assert_eq!(hex(&key.0.sign(&[0xaf, 0x82]).to_bytes()), signature);
    }

    #[test]
    fn a_signature_goes_with_one_hash_and_one_key() {
        let (key, other) = (StationKey::new().unwrap(), StationKey::new().unwrap());
        let (hash, signature) = ([7; 32], key.sign(&[7; 32]));
        assert!(is_signed(&key.public(), &hash, &signature));
        assert!(!is_signed(&other.public(), &hash, &signature));
        assert!(!is_signed(&key.public(), &[8; 32], &signature));
        for at in 0..64 {
            let mut wrong = signature;
            wrong[at] ^= 1;
            assert!(!is_signed(&key.public(), &hash, &wrong), "{at}");
        }
    }

    #[test]
    fn a_key_comes_back_from_its_file_which_only_its_owner_reads() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("north.key");
        let key = StationKey::new().unwrap();
        key.write_new(&path).unwrap();
        assert_eq!(StationKey::read(&path).unwrap().public(), key.public());
        assert!(matches!(key.write_new(&path), Err(KeyError::Exists)));
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt as _;
            assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o640)).unwrap();
            assert!(matches!(StationKey::read(&path), Err(KeyError::Open)));
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
        }
        std::fs::write(&path, "something else").unwrap();
        assert!(matches!(StationKey::read(&path), Err(KeyError::OtherKind)));
    }
}

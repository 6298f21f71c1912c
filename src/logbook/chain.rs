//! The chain: each entry's hash holds the hash of the entry before, so that none can be changed, removed, reordered or put between
//! without all that follow.
//!
//! ```text
//! hash = BLAKE3("corecleft logbook link 1\n" ‖ prev ‖ seq ‖ kind ‖ body hash ‖ station ‖ added_at)
//! body hash = BLAKE3("corecleft logbook body 1\n" ‖ salt ‖ trainee ‖ content)
//! ```
//!
//! Hashes are their 32 bytes, `seq` and `added_at` 8 bytes, little-endian; a text or bytes whose length is not fixed stand behind
//! their length in 8 bytes, and a trainee that is none is the length 2⁶⁴ − 1 alone: no two entries are written alike. Before the
//! first entry the hash is 32 zeros. The salt, 16 random bytes that go with the body, is why a hash whose body was deleted says
//! nothing, even to one who guesses.
//!
//! Limits: whoever can write a whole store can compute a whole other chain. A head that was kept elsewhere shows that, and so do
//! signatures (`key`).

/// A BLAKE3 hash.
pub type Hash = [u8; 32];

/// What comes before the first entry.
pub const BEGINNING: Hash = [0; 32];

/// Bytes of salt.
pub const SALT_BYTES: usize = 16;

/// An entry of the chain, without its body.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Link {
    /// Its number, from 1.
    pub seq: u64,
    /// What kind of entry.
    pub kind: String,
    /// What its body must have as its hash.
    pub body_hash: Hash,
    /// Hash of the entry before.
    pub prev: Hash,
    /// Where it was added.
    pub station: String,
    /// When, ms since 1970-01-01, by that station's clock.
    pub added_at_ms: i64,
}

fn with_length(hasher: &mut blake3::Hasher, bytes: &[u8]) {
    hasher.update(&(bytes.len() as u64).to_le_bytes());
    hasher.update(bytes);
}

impl Link {
    /// Its hash.
    pub fn hash(&self) -> Hash {
        let mut hasher = blake3::Hasher::new();
        hasher.update(b"corecleft logbook link 1\n");
        hasher.update(&self.prev);
        hasher.update(&self.seq.to_le_bytes());
        with_length(&mut hasher, self.kind.as_bytes());
        hasher.update(&self.body_hash);
        with_length(&mut hasher, self.station.as_bytes());
        hasher.update(&self.added_at_ms.to_le_bytes());
        *hasher.finalize().as_bytes()
    }
}

/// What a body is held to.
pub fn body_hash(salt: &[u8], trainee: Option<&str>, content: &[u8]) -> Hash {
    let mut hasher = blake3::Hasher::new();
    hasher.update(b"corecleft logbook body 1\n");
    with_length(&mut hasher, salt);
    match trainee {
        Some(trainee) => with_length(&mut hasher, trainee.as_bytes()),
        None => _ = hasher.update(&u64::MAX.to_le_bytes()),
    }
    with_length(&mut hasher, content);
    *hasher.finalize().as_bytes()
}

/// In hexadecimal.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        for half in [byte >> 4, byte & 15] {
            text.push(char::from_digit(u32::from(half), 16).unwrap_or('?'));
        }
        text
    })
}

/// Back from hexadecimal; only what `hex` writes is read.
pub fn from_hex<const N: usize>(text: &str) -> Option<[u8; N]> {
    let digits = text.as_bytes();
    if digits.len() != 2 * N {
        return None;
    }
    let half = |digit: u8| match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    };
    let mut bytes = [0; N];
    for (byte, pair) in bytes.iter_mut().zip(digits.chunks(2)) {
        *byte = half(pair[0])? << 4 | half(pair[1])?;
    }
    Some(bytes)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;

    fn link() -> Link {
        Link {
            seq: 7,
            kind: "attempt".to_owned(),
            body_hash: [1; 32],
            prev: [2; 32],
            station: "north".to_owned(),
            added_at_ms: 1_700_000_000_000,
        }
    }

    #[test]
    fn everything_in_a_link_is_in_its_hash() {
        let of = |change: fn(&mut Link)| {
            let mut link = link();
            change(&mut link);
            link.hash()
        };
        let all = [
            of(|_| ()),
            of(|l| l.seq = 8),
            of(|l| l.kind = "comment".to_owned()),
            of(|l| l.body_hash[31] = 0),
            of(|l| l.prev[0] = 0),
            of(|l| l.station = "south".to_owned()),
            of(|l| l.added_at_ms += 1),
        ];
        for (i, hash) in all.iter().enumerate() {
            assert!(all[..i].iter().all(|other| other != hash), "{i}");
        }
    }

    /// Written out by hand, so that no change of the encoding goes unseen.
    #[test]
    fn a_link_s_hash_is_of_these_bytes() {
        let mut bytes = b"corecleft logbook link 1\n".to_vec();
        bytes.extend([2; 32]);
        bytes.extend([7, 0, 0, 0, 0, 0, 0, 0]);
        bytes.extend(b"\x07\0\0\0\0\0\0\0attempt");
        bytes.extend([1; 32]);
        bytes.extend(b"\x05\0\0\0\0\0\0\0north");
        bytes.extend(1_700_000_000_000_i64.to_le_bytes());
        assert_eq!(link().hash(), *blake3::hash(&bytes).as_bytes());
    }

    #[test]
    fn no_two_bodies_are_written_alike() {
        let all = [
            body_hash(b"salt", Some("ab"), b"c"),
            body_hash(b"salt", Some("a"), b"bc"),
            body_hash(b"salt", Some(""), b"abc"),
            body_hash(b"salt", None, b"abc"),
            body_hash(b"sal", Some("tab"), b"c"),
        ];
        for (i, hash) in all.iter().enumerate() {
            assert!(all[..i].iter().all(|other| other != hash), "{i}");
        }
    }

    #[test]
    fn hexadecimal_comes_back_and_nothing_else_is_read() {
        let bytes: [u8; 4] = [0, 0x1f, 0xa0, 0xff];
        assert_eq!(hex(&bytes), "001fa0ff");
        assert_eq!(from_hex::<4>("001fa0ff"), Some(bytes));
        for text in ["001fa0f", "001FA0FF", "001fa0ff0", "001fa0fg", " 01fa0ff", "00é1fa0f"] {
            assert_eq!(from_hex::<4>(text), None, "{text}");
        }
    }
}

//! Names that say nothing: ten random letters and digits, the last of them a check.
//!
//! Of 31 signs, without those that are taken for another (0 o, 1 l i); nine are random, 44 bits. Since 31 is a prime, the check finds
//! every single wrong sign and every two that were swapped. What person a pseudonym stands for is kept in a file of its own
//! (`names`), never in a store.

use core::fmt;
use core::str::FromStr;
use serde::{Deserialize, Serialize};

const SIGNS: &[u8; 31] = b"23456789abcdefghjkmnpqrstuvwxyz";
const LENGTH: usize = 10;

/// A pseudonym.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Pseudonym(String);

/// Why something is no pseudonym.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is no pseudonym; allowed: one that `logbook people add` gave, ten letters and digits")]
pub struct NoPseudonym(String);

/// The sign that goes with the first nine.
fn check(places: impl Iterator<Item = usize>) -> usize {
    // Each place has another weight, none of them 0 modulo 31.
    places.zip(2..).map(|(place, weight)| place * weight).sum::<usize>() % SIGNS.len()
}

impl Pseudonym {
    /// Of random bytes; the same bytes give the same one.
    pub fn of_random(bytes: [u8; 8]) -> Self {
        let mut number = u64::from_le_bytes(bytes);
        let mut places = Vec::with_capacity(LENGTH);
        for _ in 1..LENGTH {
            places.push((number % SIGNS.len() as u64) as usize);
            number /= SIGNS.len() as u64;
        }
        places.push(check(places.iter().copied()));
        Self(places.into_iter().map(|place| char::from(SIGNS[place])).collect())
    }

    /// A new one, from the system's randomness.
    ///
    /// # Errors
    /// The system has none.
    pub fn new() -> Result<Self, getrandom::Error> {
        let mut bytes = [0; 8];
        getrandom::fill(&mut bytes)?;
        Ok(Self::of_random(bytes))
    }

    /// As it is written.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl FromStr for Pseudonym {
    type Err = NoPseudonym;

    fn from_str(text: &str) -> Result<Self, NoPseudonym> {
        let refused = || NoPseudonym(text.chars().take(40).flat_map(char::escape_debug).collect());
        let place = |sign: u8| SIGNS.iter().position(|known| *known == sign.to_ascii_lowercase()).ok_or_else(refused);
        let places = text.bytes().map(place).collect::<Result<Vec<_>, _>>()?;
        if places.len() != LENGTH || check(places[..LENGTH - 1].iter().copied()) != places[LENGTH - 1] {
            return Err(refused());
        }
        Ok(Self(text.to_ascii_lowercase()))
    }
}

impl TryFrom<String> for Pseudonym {
    type Error = NoPseudonym;

    fn try_from(text: String) -> Result<Self, NoPseudonym> {
        text.parse()
    }
}

impl From<Pseudonym> for String {
    fn from(pseudonym: Pseudonym) -> Self {
        pseudonym.0
    }
}

impl fmt::Display for Pseudonym {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;

    #[test]
    fn each_wrong_sign_and_each_swap_is_found() {
        for seed in 0..200_u64 {
            let right = Pseudonym::of_random(*blake3::hash(&seed.to_le_bytes()).as_bytes().first_chunk().unwrap());
            assert_eq!(right.as_str().parse::<Pseudonym>().unwrap(), right);
            assert_eq!(right.as_str().to_uppercase().parse::<Pseudonym>().unwrap(), right);
            let signs = right.as_str().as_bytes();
            for at in 0..LENGTH {
                for sign in SIGNS.iter().filter(|sign| **sign != signs[at]) {
                    let mut wrong = signs.to_vec();
                    wrong[at] = *sign;
                    assert!(std::str::from_utf8(&wrong).unwrap().parse::<Pseudonym>().is_err());
                }
                for other in (0..at).filter(|other| signs[*other] != signs[at]) {
                    let mut wrong = signs.to_vec();
                    wrong.swap(at, other);
                    assert!(std::str::from_utf8(&wrong).unwrap().parse::<Pseudonym>().is_err());
                }
            }
        }
    }

    #[test]
    fn a_name_is_no_pseudonym() {
        for text in ["", "Jo Example", "abcdefghj", "0000000000", "abcdefghjkm", "äöüäöüäöüä"] {
            assert!(text.parse::<Pseudonym>().is_err(), "{text}");
        }
    }

    #[test]
    fn new_ones_differ() {
        let all: std::collections::BTreeSet<_> = (0..1000).map(|_| Pseudonym::new().unwrap()).collect();
        assert_eq!(all.len(), 1000);
    }
}

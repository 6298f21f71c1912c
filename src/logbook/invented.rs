//! What marks people who were made up: their pseudonyms begin with `pretend`, and what was made for them was added at stations whose
//! names begin with `invented`.
//!
//! A pseudonym goes wherever an entry goes, into lists, curves, reports and exports, and lies within the entry's hash: the mark
//! cannot get lost on the way. Limits: a random pseudonym begins so once in 28 thousand million.

use super::pseudonym::Pseudonym;

/// How pseudonyms of people who were made up begin.
pub const BEGINS: &str = "pretend";

/// Two of these follow, and the check.
const SIGNS: &str = "23456789abcdefghjkmnpqrstuvwxyz";

/// As many people can be made up.
pub const MOST: usize = SIGNS.len() * SIGNS.len();

/// Where what was made up was added.
pub const STATIONS: [&str; 2] = ["invented north", "invented south"];

/// Was whoever has this pseudonym made up?
pub fn is_invented(pseudonym: &str) -> bool {
    pseudonym.starts_with(BEGINS)
}

/// The pseudonym of somebody who was made up; there are [`MOST`], and then they begin again.
pub fn pseudonym(number: usize) -> Option<Pseudonym> {
    let sign = |at: usize| SIGNS.chars().nth(at % SIGNS.len());
    let (first, second) = (sign(number / SIGNS.len())?, sign(number)?);
    SIGNS.chars().find_map(|check| format!("{BEGINS}{first}{second}{check}").parse().ok())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn all_who_are_made_up_have_another_pseudonym_that_says_so() {
        let all: BTreeSet<Pseudonym> = (0..MOST).map(|number| pseudonym(number).unwrap()).collect();
        assert_eq!(all.len(), MOST);
        assert!(all.iter().all(|pseudonym| is_invented(pseudonym.as_str())));
        assert!(!is_invented(Pseudonym::of_random([7; 8]).as_str()));
    }
}

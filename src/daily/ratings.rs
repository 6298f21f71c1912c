//! How well a learner foretells each kind of eye: Elo's rating of the learner and of each kind, as of learners and items (Pelánek
//! 2016, Comput Educ 98:169; `statistics::elo`).
//!
//! A result is 1 less the prediction error, or, where nothing was predicted, passed or not: the learner wins over the kind of eye or
//! loses, or something between. Limits: the order of results counts a little; a kind that was never met stands in the middle.

use crate::case::Kind;
use crate::statistics::elo;
use serde::{Deserialize, Serialize};

/// The ratings of a learner and of the kinds of eye against this learner.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Ratings {
    /// The learner's.
    pub learner: f64,
    /// Of each kind, in the order of [`Kind::ALL`]: the higher, the more misjudged.
    pub kinds: [f64; Kind::ALL.len()],
}

impl Default for Ratings {
    fn default() -> Self {
        Self { learner: elo::MIDDLE, kinds: [elo::MIDDLE; Kind::ALL.len()] }
    }
}

impl Ratings {
    /// After a result against an eye of a kind: 1 foretold or passed, 0 not.
    pub fn after(&self, kind: Kind, result: f64) -> Self {
        let mut after = *self;
        let (own, other) = (self.learner, self.kinds[kind.index()]);
        after.learner = elo::after(own, other, result, elo::K);
        after.kinds[kind.index()] = elo::after(other, own, 1.0 - result, elo::K);
        after
    }

    /// Expected share of misjudging an eye of a kind, 0..1.
    pub fn misjudges(&self, kind: Kind) -> f64 {
        1.0 - elo::expected(self.learner, self.kinds[kind.index()])
    }

    /// Is every rating a sensible number?
    pub fn is_sound(&self) -> bool {
        self.kinds.iter().chain([&self.learner]).all(|rating| rating.is_finite() && rating.abs() < 1e5)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_misjudged_rises_what_is_foretold_falls_and_points_are_only_moved() {
        let before = Ratings::default();
        assert_eq!(before.misjudges(Kind::Long), 0.5);
        let lost = before.after(Kind::Long, 0.0);
        assert!(lost.misjudges(Kind::Long) > 0.5 && lost.learner < before.learner);
        assert_eq!(lost.kinds[Kind::Soft.index()], elo::MIDDLE);
        let won = before.after(Kind::Long, 1.0);
        assert!(won.misjudges(Kind::Long) < 0.5);
        assert_eq!(before.after(Kind::Long, 0.5), before, "what was expected moves nothing");
        let all = |r: &Ratings| r.learner + r.kinds.iter().sum::<f64>();
        assert!((all(&lost) - all(&before)).abs() < 1e-9);
        assert!(lost.is_sound() && !Ratings { learner: f64::NAN, ..lost }.is_sound());
    }
}

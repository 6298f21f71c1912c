//! What kind of eye a case is, by what it says and not by its name: what is to be judged in it before the first chop.
//!
//! An eye is of one kind, the first that fits, in the order of the list: what forbids a chop or endangers the bag goes before what
//! makes the crack harder, and that before what only misleads. The limits between kinds are common practice made numbers, no
//! source, but for the length from which an eye is called long.

use crate::case::spec::{Approach, CaseSpec};
use serde::{Deserialize, Serialize};

/// Below this grade a nucleus is soft.
const SOFT_GRADE: f64 = 1.5;

/// Weakest zonules, as a share of firm ones, that do not yet count as weak.
const WEAK_ZONULES: f64 = 0.5;

/// Slackness of the posterior capsule from which it counts as lax.
const LAX: f64 = 2.0;

/// Adhesion and share freed, from and up to which a lens counts as stuck.
const STICKING: f64 = 1.5;
const HARDLY_FREED: f64 = 0.3;

/// Distance of the core from the lens's axis from which it is off the centre, mm.
const OFF_CENTRE_MM: f64 = 0.6;

/// Difference between the grade that is seen and the real one from which the slit lamp misleads.
const MISLEADING_GRADES: f64 = 1.0;

/// Grade from which a nucleus is very dense.
const DENSE_GRADE: f64 = 5.0;

/// Axial length from which an eye is long, mm (M: high myopia is commonly drawn at 26 to 26.5 mm).
const LONG_MM: f64 = 26.5;

/// A kind of eye.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Kind {
    /// A nucleus too soft to be chopped, or not to be.
    Soft,
    /// Weak or missing zonules.
    WeakZonules,
    /// A slack posterior capsule.
    LaxCapsule,
    /// A lens that sticks to its capsule and was hardly freed.
    Sticking,
    /// A core off the centre.
    OffCentre,
    /// A leathery posterior plate.
    LeatheryPlate,
    /// A slit lamp that shows another hardness than there is.
    Misleading,
    /// A very dense nucleus.
    Dense,
    /// A long eye.
    Long,
    /// None of these.
    Ordinary,
}

impl Kind {
    /// Every one.
    pub const ALL: [Self; 10] = [
        Self::Soft,
        Self::WeakZonules,
        Self::LaxCapsule,
        Self::Sticking,
        Self::OffCentre,
        Self::LeatheryPlate,
        Self::Misleading,
        Self::Dense,
        Self::Long,
        Self::Ordinary,
    ];

    /// Of a case.
    pub fn of(case: &CaseSpec) -> Self {
        let (support, attachment, lens) = (case.support(), case.attachment(), &case.lens);
        let (nasal, superior, _) = lens.core.offset_mm;
        if case.goals.approach == Some(Approach::WithoutChop) || lens.core.grade < SOFT_GRADE {
            Self::Soft
        } else if support.zonules.iter().any(|strength| *strength < WEAK_ZONULES) {
            Self::WeakZonules
        } else if support.laxity >= LAX {
            Self::LaxCapsule
        } else if attachment.adhesion >= STICKING && attachment.freed <= HARDLY_FREED {
            Self::Sticking
        } else if libm::hypot(nasal, superior) >= OFF_CENTRE_MM {
            Self::OffCentre
        } else if lens.plate.is_some() {
            Self::LeatheryPlate
        } else if (lens.slit_lamp_grade - lens.core.grade).abs() >= MISLEADING_GRADES {
            Self::Misleading
        } else if lens.core.grade >= DENSE_GRADE {
            Self::Dense
        } else if case.eye.axial_length_mm >= LONG_MM {
            Self::Long
        } else {
            Self::Ordinary
        }
    }

    /// In words that go on after 'eyes with' or stand for themselves.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Soft => "a soft nucleus",
            Self::WeakZonules => "weak zonules",
            Self::LaxCapsule => "a slack posterior capsule",
            Self::Sticking => "a lens that sticks to its capsule",
            Self::OffCentre => "a core off the centre",
            Self::LeatheryPlate => "a leathery posterior plate",
            Self::Misleading => "a misleading slit lamp",
            Self::Dense => "a very dense nucleus",
            Self::Long => "a long axis",
            Self::Ordinary => "nothing out of the ordinary",
        }
    }

    /// Its place in [`Kind::ALL`].
    pub fn index(self) -> usize {
        self as usize
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;
    use crate::case::{SHIPPED, parse_case};

    fn shipped(name: &str) -> CaseSpec {
        let (_, text) = SHIPPED.iter().find(|(shipped, _)| *shipped == name).unwrap();
        parse_case("case.ron", text).unwrap().spec
    }

    #[test]
    fn each_shipped_case_is_of_another_kind() {
        let wanted = [
            ("soft-nucleus", Kind::Soft),
            ("weak-zonules", Kind::WeakZonules),
            ("last-piece-lax-capsule", Kind::LaxCapsule),
            ("poor-hydrodissection", Kind::Sticking),
            ("off-centre-core", Kind::OffCentre),
            ("leathery-plate", Kind::LeatheryPlate),
            ("misleading-slit-lamp", Kind::Misleading),
            ("dense-large", Kind::Dense),
            ("long-eye-dense-core", Kind::Long),
            ("medium-uniform", Kind::Ordinary),
        ];
        assert_eq!(wanted.len(), SHIPPED.len());
        for ((name, kind), at) in wanted.into_iter().zip(0..) {
            assert_eq!(Kind::of(&shipped(name)), kind, "{name}");
            assert_eq!((Kind::ALL[at], kind.index()), (kind, at));
        }
    }

    #[test]
    fn what_a_case_is_counts_and_not_what_it_is_called() {
        let mut case = shipped("long-eye-dense-core");
        case.title = "Soft nucleus".to_owned();
        assert_eq!(Kind::of(&case), Kind::Long);
        case.eye.axial_length_mm = 24.0;
        assert_eq!(Kind::of(&case), Kind::Ordinary);
        case.lens.core.grade = 5.2;
        case.lens.slit_lamp_grade = 5.2;
        assert_eq!(Kind::of(&case), Kind::Dense);
        case.lens.slit_lamp_grade = 3.0;
        assert_eq!(Kind::of(&case), Kind::Misleading);
        case.lens.core.offset_mm = (0.0, -0.8, 0.5);
        assert_eq!(Kind::of(&case), Kind::OffCentre);
        case.lens.core.grade = 1.0;
        assert_eq!(Kind::of(&case), Kind::Soft);
    }
}

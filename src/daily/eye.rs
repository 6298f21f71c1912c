//! The unseen eye of a day.
//!
//! First a kind of eye is drawn, the more often the more it was misjudged (`Ratings::misjudges`), then its numbers within ranges
//! about those of the shipped cases. Every number is a pure function of day and learner (`sim::random`), rounded as an educator would
//! write it. The sheet says what is known before surgery: findings, never the answer. mm, degrees, LOCS III.
//!
//! Invariants: the case is of the kind that was drawn, and `check` finds no fault in it, nor anything to warn of but a nucleus softer or
//! denser than has been measured. Limits: the ranges are invented (A); most eyes can be chopped, and whether one can is not looked at
//! when it is made.

use crate::case::{
    AttachmentSpec, CapsuleSpec, CaseSpec, ChopperSpec, CoreSpec, EpinucleusSpec, EyeSpec, Fault, GoalSpec, Hand, Kind,
    LensSpec, NeedleSpec, PlateSpec, ReadCase, Seat, Side, SupportSpec, SurgerySpec, parse_case,
};
use crate::daily::{Date, Ratings};
use crate::sim::random::{Key, Purpose};

/// An eye of a day.
#[derive(Clone, Debug, PartialEq)]
pub struct Eye {
    /// The day.
    pub date: Date,
    /// Name of its case.
    pub name: String,
    /// The kind of eye that was drawn. It is told afterwards.
    pub kind: Kind,
    /// The case.
    pub case: CaseSpec,
    /// Seed of its lens.
    pub seed: u64,
}

/// Largest seed of a lens, so that it can be told.
const SEEDS: u64 = 1 << 20;

/// Numbers one after another.
struct Drawn {
    key: Key,
    count: u64,
}

impl Drawn {
    fn share(&mut self) -> f64 {
        self.count += 1;
        self.key.uniform(self.count)
    }

    /// Within a range, in whole steps.
    fn within(&mut self, low: f64, high: f64, step: f64) -> f64 {
        let value = low + (high - low) * self.share();
        // Whole steps from 0, without the rounding of a product.
        let per_unit = libm::round(1.0 / step);
        libm::round(value * per_unit) / per_unit
    }

    /// A tenth within a range.
    fn tenth(&mut self, low: f64, high: f64) -> f64 {
        self.within(low, high, 0.1)
    }

    fn is(&mut self, share: f64) -> bool {
        self.share() < share
    }
}

/// The kind of eye that is drawn: each as likely as it is misjudged.
fn kind(ratings: &Ratings, share: f64) -> Kind {
    let all: f64 = Kind::ALL.iter().map(|kind| ratings.misjudges(*kind)).sum();
    let mut left = share * all;
    for kind in Kind::ALL {
        left -= ratings.misjudges(kind);
        if left < 0.0 {
            return kind;
        }
    }
    Kind::Ordinary
}

impl Eye {
    /// Its case as it would be read from a file.
    ///
    /// # Errors
    /// One line: none for an eye of a day; for a case that has no form.
    pub fn read(&self) -> Result<ReadCase, ron::Error> {
        let text = ron::ser::to_string_pretty(&self.case, ron::ser::PrettyConfig::default())?;
        let fault =
            |faults: Vec<Fault>| ron::Error::Message(faults.first().map_or_else(String::new, ToString::to_string));
        parse_case(&self.name, &text).map_err(fault)
    }

    /// The eye of a day, for a learner with this number and these ratings before that day.
    pub fn of(date: Date, learner: u64, ratings: &Ratings) -> Self {
        let key = Key { seed: learner, purpose: Purpose::Daily, place: [0; 3], tick: date.days() as u64 };
        let mut drawn = Drawn { key, count: 0 };
        let kind = kind(ratings, drawn.share());
        Self {
            date,
            name: format!("eye-of-{date}"),
            kind,
            case: case(date, kind, &mut drawn),
            seed: key.bits(0) % SEEDS,
        }
    }
}

/// What an eye of any kind has, before its kind changes it.
fn case(date: Date, kind: Kind, d: &mut Drawn) -> CaseSpec {
    let side = if d.is(0.5) { Side::Right } else { Side::Left };
    let grade = d.tenth(2.4, 4.0);
    let mut case = CaseSpec {
        format: 1,
        title: format!("The eye of {date}"),
        sheet: String::new(),
        eye: EyeSpec {
            side,
            axial_length_mm: d.tenth(22.6, 25.0),
            chamber_depth_mm: d.tenth(2.8, 3.4),
            pupil_mm: d.tenth(6.5, 7.5),
            bag_diameter_mm: None,
            rigidity_per_ul: None,
        },
        lens: LensSpec {
            age_years: d.within(62.0, 80.0, 1.0),
            thickness_mm: None,
            diameter_mm: None,
            slit_lamp_grade: grade,
            core: CoreSpec {
                grade,
                diameter_mm: d.tenth(5.8, 6.8),
                thickness_mm: d.tenth(2.9, 3.4),
                edge_mm: d.within(0.35, 0.5, 0.05),
                offset_mm: (0.0, 0.0, 0.0),
            },
            epinucleus: EpinucleusSpec { thickness_mm: d.tenth(0.4, 0.6), firmness: d.tenth(0.2, 0.5) },
            plate: None,
            heterogeneity: 0.15,
        },
        surgery: SurgerySpec { seat: Seat::Temporal, needle_hand: Hand::Right, side_port_deg: 70.0, rhexis_mm: 5.2 },
        needle: NeedleSpec { outer_mm: 1.1, bore_mm: 0.9, bevel_deg: 30.0, exposed_mm: 2.8 },
        chopper: ChopperSpec { end_mm: 2.2, width_mm: 0.5 },
        goals: GoalSpec {
            depth_share: (0.4, 0.66),
            capsule_floor_mm: 0.6,
            core_cracked: 0.95,
            smallest_piece: 0.3,
            separation_mm: 1.6,
            follow_ratio: None,
            capsule_travel_mm: None,
            incision_c: None,
            zonule_load_mn: None,
            approach: None,
            nucleus_left: None,
            followed_at_first: None,
            power_factor: None,
        },
        support: None,
        attachment: None,
        capsule: None,
        iris: None,
        machine: None,
        ovd: None,
        limits: None,
        teaching: None,
    };
    let found = of_kind(&mut case, kind, d);
    case.sheet = sheet(&case, &found);
    case
}

/// Make it an eye of a kind; what is found of that before surgery comes back.
fn of_kind(case: &mut CaseSpec, kind: Kind, d: &mut Drawn) -> String {
    let lens = &mut case.lens;
    match kind {
        Kind::Ordinary => "The nucleus is even and fills most of the lens. Zonules look firm.".to_owned(),
        Kind::Soft => {
            lens.age_years = d.within(41.0, 52.0, 1.0);
            lens.core.grade = d.tenth(0.8, 1.4);
            lens.slit_lamp_grade = lens.core.grade;
            (lens.core.diameter_mm, lens.core.thickness_mm) = (d.tenth(5.2, 5.8), d.tenth(2.4, 2.8));
            lens.core.edge_mm = 0.6;
            "The nucleus is nearly clear and passes into its shell without a line. Zonules look firm.".to_owned()
        }
        Kind::WeakZonules => {
            let weak = d.within(0.15, 0.45, 0.05);
            let from = d.within(0.0, 11.0, 1.0) as usize;
            let mut zonules = [0.7; 12];
            (0..5).for_each(|hour| zonules[(from + hour) % 12] = weak);
            case.support = Some(SupportSpec { laxity: d.tenth(1.0, 1.6), zonules });
            case.eye.pupil_mm = d.tenth(5.5, 6.2);
            lens.age_years = d.within(72.0, 82.0, 1.0);
            // The middle of the five weak hours; zonules are given from 1 o'clock on.
            let hour = (from + 2) % 12 + 1;
            format!(
                "Grey flakes lie on the pupil's margin. The lens trembles when the eye moves, and with the pupil wide its edge \
                 comes into view toward {hour} o'clock."
            )
        }
        Kind::LaxCapsule => {
            case.support = Some(SupportSpec { laxity: d.tenth(2.4, 4.0), ..SupportSpec::default() });
            case.capsule = Some(CapsuleSpec { posterior_um: d.tenth(2.4, 3.2) });
            case.eye.axial_length_mm = d.tenth(24.5, 26.4);
            "The vitreous was removed years ago. The nucleus is even; the posterior capsule looks fine, and wavy toward its edge."
                .to_owned()
        }
        Kind::Sticking => {
            let (adhesion, freed) = (d.tenth(1.5, 2.2), d.within(0.05, 0.25, 0.05));
            case.attachment = Some(AttachmentSpec { adhesion, freed, ..AttachmentSpec::default() });
            lens.age_years = d.within(52.0, 64.0, 1.0);
            "Uveitis years ago, quiet since. At hydrodissection nobody saw a wave pass, and the nucleus did not rise."
                .to_owned()
        }
        Kind::OffCentre => {
            let (far, turn) = (d.tenth(0.8, 1.8), core::f64::consts::TAU * d.share());
            let tidy = |value: f64| libm::round(value * 10.0) / 10.0;
            let (nasal, superior) = (tidy(far * libm::cos(turn)), tidy(far * libm::sin(turn)));
            lens.core.offset_mm = (nasal, superior, 0.0);
            lens.core.grade = d.tenth(3.2, 4.4);
            lens.slit_lamp_grade = lens.core.grade;
            (lens.core.diameter_mm, lens.core.thickness_mm) = (d.tenth(3.8, 4.4), d.tenth(2.8, 3.1));
            lens.core.edge_mm = 0.35;
            lens.epinucleus = EpinucleusSpec { thickness_mm: 0.5, firmness: 0.1 };
            case.eye.axial_length_mm = d.tenth(23.5, 26.0);
            case.eye.bag_diameter_mm = Some(10.8);
            let aside = |value: f64, more: &'static str, less: &'static str| {
                (value.abs() >= 0.4).then_some(if value > 0.0 { more } else { less })
            };
            let sides = [aside(nasal, "toward the nose", "toward the temple"), aside(superior, "above", "below")];
            let sides = sides.into_iter().flatten().collect::<Vec<_>>().join(" and ");
            format!(
                "A ball struck the eye in childhood. A compact core lies in a clear, soft lens; its edge is closer to the pupil's \
                 margin {sides}."
            )
        }
        Kind::LeatheryPlate => {
            lens.core.grade = d.tenth(3.6, 4.4);
            lens.slit_lamp_grade = lens.core.grade;
            (lens.core.diameter_mm, lens.core.thickness_mm) = (d.tenth(6.6, 7.1), d.tenth(3.3, 3.6));
            lens.age_years = d.within(72.0, 82.0, 1.0);
            lens.plate = Some(PlateSpec { thickness_mm: d.tenth(0.5, 1.0), toughness_factor: d.within(2.5, 5.0, 0.5) });
            (case.needle.exposed_mm, case.chopper.end_mm) = (3.0, 2.4);
            case.goals.separation_mm = 1.8;
            "The nucleus fills most of the lens; in the slit its back looks browner and more matted than its middle."
                .to_owned()
        }
        Kind::Misleading => {
            if d.is(0.5) {
                lens.core.grade = d.tenth(2.2, 3.0);
                lens.slit_lamp_grade = libm::round((lens.core.grade + d.tenth(1.6, 2.4)) * 10.0) / 10.0;
                "The shift toward short sight that its colour would bring is missing, and the fundus glow is better than it \
                 suggests."
                    .to_owned()
            } else {
                lens.core.grade = d.tenth(4.0, 4.8);
                lens.slit_lamp_grade = libm::round((lens.core.grade - d.tenth(1.4, 2.0)) * 10.0) / 10.0;
                "The eye has become short-sighted by five dioptres, and the fundus glow is poorer than its colour suggests."
                    .to_owned()
            }
        }
        Kind::Dense => {
            lens.core.grade = d.tenth(5.0, 6.2);
            lens.slit_lamp_grade = lens.core.grade;
            (lens.core.diameter_mm, lens.core.thickness_mm) = (d.tenth(7.0, 7.5), d.tenth(3.4, 3.7));
            lens.epinucleus = EpinucleusSpec { thickness_mm: 0.3, firmness: 0.6 };
            lens.age_years = d.within(78.0, 86.0, 1.0);
            (case.needle.exposed_mm, case.chopper.end_mm) = (3.9, 2.8);
            case.surgery.rhexis_mm = 5.5;
            "There is no fundus glow and little softer shell. A long needle and a long chopper are laid out.".to_owned()
        }
        Kind::Long => {
            case.eye.axial_length_mm = d.tenth(27.0, 33.0);
            case.eye.chamber_depth_mm = d.tenth(3.4, 3.8);
            case.eye.bag_diameter_mm = Some(11.2);
            lens.core.grade = d.tenth(3.2, 4.6);
            lens.slit_lamp_grade = lens.core.grade;
            (lens.core.diameter_mm, lens.core.thickness_mm) = (d.tenth(3.8, 5.0), d.tenth(2.8, 3.2));
            lens.core.edge_mm = 0.35;
            lens.epinucleus = EpinucleusSpec { thickness_mm: 0.6, firmness: 0.1 };
            case.goals.capsule_floor_mm = 0.8;
            "The core does not reach far toward the equator; the rest of the lens looks clear and soft.".to_owned()
        }
    }
}

/// What is known before surgery.
fn sheet(case: &CaseSpec, found: &str) -> String {
    let (eye, lens) = (&case.eye, &case.lens);
    let colour = match lens.slit_lamp_grade {
        ..1.5 => "a faintly yellow",
        1.5..3.5 => "an amber",
        3.5..4.7 => "a deep amber",
        _ => "a brown",
    };
    format!(
        "{:.0} years old. Axial length {:.1} mm, chamber {:.1} mm deep, pupil {:.1} mm. The slit lamp shows {colour} nucleus, \
         read as grade {:.1}. {found}",
        lens.age_years, eye.axial_length_mm, eye.chamber_depth_mm, eye.pupil_mm, lens.slit_lamp_grade
    )
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;
    use crate::case::Problem;
    use crate::case::compile::problems;

    fn days(count: i64) -> impl Iterator<Item = Date> {
        (20_000..20_000 + count).map(|day| Date::from_days(day).unwrap())
    }

    #[test]
    fn every_eye_is_a_sound_case_of_the_kind_that_was_drawn() {
        for date in days(1000) {
            let eye = Eye::of(date, 7, &Ratings::default());
            // A nucleus softer or denser than has been measured is worth a second look, and meant.
            let is_meant = |p: &Problem| {
                p.is_warning && matches!(eye.kind, Kind::Soft | Kind::Dense) && p.field == "lens.core.grade"
            };
            let found: Vec<Problem> = problems(&eye.case).into_iter().filter(|p| !is_meant(p)).collect();
            assert_eq!(found, [], "{date}: {:?}", eye.kind);
            assert_eq!(Kind::of(&eye.case), eye.kind, "{date}");
            assert_eq!(eye.read().unwrap().spec, eye.case, "{date}");
        }
    }

    #[test]
    fn an_eye_is_a_function_of_day_and_learner() {
        let date = Date::from_days(20_000).unwrap();
        let ratings = Ratings::default();
        assert_eq!(Eye::of(date, 7, &ratings), Eye::of(date, 7, &ratings));
        let other = Eye::of(date, 8, &ratings);
        assert_ne!(Eye::of(date, 7, &ratings).case.lens, other.case.lens);
        let all: Vec<Eye> = days(200).map(|date| Eye::of(date, 7, &ratings)).collect();
        for (at, eye) in all.iter().enumerate() {
            assert!(all[..at].iter().all(|before| before.case.lens != eye.case.lens), "{} was seen before", eye.date);
        }
    }

    #[test]
    fn the_kind_most_misjudged_comes_back_more_often() {
        let mut ratings = Ratings::default();
        let share = |ratings: &Ratings, kind: Kind| {
            days(1000).filter(|date| Eye::of(*date, 3, ratings).kind == kind).count() as f64 / 1000.0
        };
        // A tenth each; four standard errors of a thousand draws are 0.04.
        for kind in Kind::ALL {
            assert!((share(&ratings, kind) - 0.1).abs() < 0.04, "{kind:?}");
        }
        for _ in 0..20 {
            ratings = ratings.after(Kind::OffCentre, 0.0).after(Kind::Long, 1.0);
        }
        assert!(share(&ratings, Kind::OffCentre) > 0.13, "{}", share(&ratings, Kind::OffCentre));
        assert!(share(&ratings, Kind::Long) < 0.08, "{}", share(&ratings, Kind::Long));
    }

    #[test]
    fn the_sheet_tells_findings_and_no_answer() {
        for date in days(300) {
            let sheet = Eye::of(date, 1, &Ratings::default()).case.sheet;
            assert!(sheet.starts_with(|c: char| c.is_ascii_digit()) && sheet.ends_with('.'), "{sheet}");
            for word in ["depth of", "deeper", "shallow", "hinge", "stop", "beware", "  "] {
                assert!(!sheet.contains(word), "{sheet}");
            }
        }
    }
}

//! What a table of attempts says: pass rate against skill, difficulty, whether novice and expert are told apart, whether scores
//! repeat themselves, which component does either.

use super::{LENSES, Row};
use crate::statistics::auc::{Area, auc};
use crate::statistics::icc::icc;
use crate::statistics::rasch::{Difficulty, difficulty};
use crate::statistics::rate::Rate;
use crate::trainee::{EXPERT, NOVICE, Trainee};
use std::collections::BTreeMap;

/// Bands of skill over which pass rates are given.
const BANDS: u32 = 5;

/// Area from which a component is said to separate novice from expert: its interval lies above chance.
const CHANCE: f64 = 0.5;

/// Pass rate of a band of skill.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PassRate {
    /// Middle of the band, 0–1.
    pub skill: f64,
    /// How often it was passed.
    pub rate: Rate,
}

/// What one component does.
#[derive(Clone, Debug, PartialEq)]
pub struct ComponentReading {
    /// Which.
    pub id: String,
    /// How well its score tells novice from expert; `None` where too few were judged.
    pub auc: Option<Area>,
    /// Smallest and largest score; `None` where it never applied.
    pub range: Option<(f64, f64)>,
    /// How often it was missed where it counts.
    pub missed: Rate,
    /// The same by experts.
    pub missed_by_experts: Rate,
}

impl ComponentReading {
    /// Does it tell novice from expert?
    pub fn separates(&self) -> bool {
        self.auc.is_some_and(|auc| auc.low > CHANCE)
    }

    /// Is it the same for all?
    pub fn never_varies(&self) -> bool {
        self.range.is_none_or(|(low, high)| high - low < 1e-9)
    }
}

/// What a calibration says of a case.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// Attempts.
    pub attempts: u32,
    /// How often it was passed at all.
    pub passed: Rate,
    /// By skill.
    pub pass_rates: Vec<PassRate>,
    /// How hard, on the scale of abilities.
    pub difficulty: Option<Difficulty>,
    /// How well the score tells novice from expert.
    pub auc: Option<Area>,
    /// How well the score repeats itself over lenses (ICC(2,1): the same lenses for all, absolute agreement).
    pub icc: Option<f64>,
    /// Breaches by novices and by experts.
    pub breaches: (Rate, Rate),
    /// Mean score of novices and of experts; `None` without any.
    pub means: (Option<f64>, Option<f64>),
    /// Each component.
    pub components: Vec<ComponentReading>,
    /// Where no expert passes: the component they missed most often, and how often.
    pub impossible: Option<(String, Rate)>,
    /// Attempts that were cut short.
    pub cut_short: u32,
    /// The eye's time of all attempts together, s.
    pub sim_s: f64,
}

fn mean(values: &[f64]) -> Option<f64> {
    (!values.is_empty()).then(|| values.iter().sum::<f64>() / values.len() as f64)
}

impl Calibration {
    /// Of a whole table, in order.
    pub fn of(rows: &[Row]) -> Self {
        let is_novice = |row: &&Row| row.skill <= NOVICE;
        let is_expert = |row: &&Row| row.skill >= EXPERT;
        let scores = |rows: &mut dyn Iterator<Item = &Row>| rows.map(|row| row.score).collect::<Vec<_>>();
        let novices = scores(&mut rows.iter().filter(is_novice));
        let experts = scores(&mut rows.iter().filter(is_expert));
        let abilities: Vec<(f64, bool)> = rows.iter().map(|row| (Trainee::ability(row.skill), row.pass)).collect();
        let mut people: BTreeMap<u32, Vec<f64>> = BTreeMap::new();
        rows.iter().for_each(|row| people.entry(row.attempt / LENSES).or_default().push(row.score));
        let people: Vec<Vec<f64>> = people.into_values().filter(|row| row.len() == LENSES as usize).collect();
        let band = |row: &Row| ((row.skill * f64::from(BANDS)) as u32).min(BANDS - 1);
        let components = components(rows);
        let experts_pass = rows.iter().filter(is_expert).any(|row| row.pass);
        let most_missed = components
            .iter()
            .max_by(|a, b| a.missed_by_experts.count.cmp(&b.missed_by_experts.count).then(b.id.cmp(&a.id)));
        let impossible = (!experts_pass && !experts.is_empty())
            .then(|| most_missed.map(|c| (c.id.clone(), c.missed_by_experts)))
            .flatten();
        Self {
            attempts: rows.len() as u32,
            passed: rows.iter().map(|row| row.pass).sum(),
            pass_rates: (0..BANDS)
                .map(|at| PassRate {
                    skill: (f64::from(at) + 0.5) / f64::from(BANDS),
                    rate: rows.iter().filter(|row| band(row) == at).map(|row| row.pass).sum(),
                })
                .collect(),
            difficulty: difficulty(&abilities),
            auc: auc(&novices, &experts),
            icc: icc(&people).map(|icc| icc.agreement),
            breaches: (
                rows.iter().filter(is_novice).map(|row| row.is_breached).sum(),
                rows.iter().filter(is_expert).map(|row| row.is_breached).sum(),
            ),
            means: (mean(&novices), mean(&experts)),
            components,
            impossible,
            cut_short: rows.iter().filter(|row| row.is_cut_short).count() as u32,
            sim_s: rows.iter().map(|row| row.sim_s).sum(),
        }
    }
}

fn components(rows: &[Row]) -> Vec<ComponentReading> {
    let Some(first) = rows.first() else { return Vec::new() };
    let of = |at: usize, id: &str| {
        let scores = |meant: &dyn Fn(&Row) -> bool| -> Vec<f64> {
            rows.iter().filter(|row| meant(row)).filter_map(|row| row.components.get(at)?.1).collect()
        };
        let all = scores(&|_| true);
        let bounds =
            (all.iter().copied().fold(f64::INFINITY, f64::min), all.iter().copied().fold(f64::NEG_INFINITY, f64::max));
        let missed = |row: &Row| row.components.get(at).is_some_and(|c| c.2);
        ComponentReading {
            id: id.to_owned(),
            auc: auc(&scores(&|row| row.skill <= NOVICE), &scores(&|row| row.skill >= EXPERT)),
            range: (!all.is_empty()).then_some(bounds),
            missed: rows.iter().map(missed).sum(),
            missed_by_experts: rows.iter().filter(|row| row.skill >= EXPERT).map(missed).sum(),
        }
    };
    first.components.iter().enumerate().map(|(at, (id, _, _))| of(at, id)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn row(attempt: u32, skill: f64, score: f64, pass: bool) -> Row {
        Row {
            attempt,
            skill,
            pass,
            score,
            is_critical: false,
            is_breached: !pass && score == 0.0,
            is_cut_short: false,
            components: vec![("division".into(), Some(score / 100.0), !pass), ("rim-care".into(), Some(1.0), false)],
            sim_s: 10.0,
        }
    }

    /// Eight people on three lenses: what is read is what was put in.
    #[test]
    fn a_table_is_read() {
        let rows: Vec<Row> = (0..24)
            .map(|attempt| {
                let skill = (f64::from(attempt / LENSES) + 0.5) / 8.0;
                row(attempt, skill, 10.0 * f64::from(attempt / LENSES), attempt / LENSES >= 4)
            })
            .collect();
        let read = Calibration::of(&rows);
        assert_eq!((read.passed.count, read.passed.of), (12, 24));
        assert!(read.difficulty.unwrap().logits.abs() < 1e-9, "half of an even spread pass");
        assert_eq!(read.auc.unwrap().area, 1.0);
        assert!((read.icc.unwrap() - 1.0).abs() < 1e-12, "each scores the same on every lens");
        assert_eq!(read.breaches.0, Rate { count: 3, of: 9 });
        assert_eq!(read.means, (Some(10.0), Some(60.0)));
        assert_eq!(read.impossible, None);
        let [division, rim] = read.components.as_slice() else { panic!("two components") };
        assert!(division.separates() && !division.never_varies());
        assert!(!rim.separates() && rim.never_varies());
    }

    #[test]
    fn a_case_that_no_expert_passes_is_impossible_and_says_by_what() {
        let rows: Vec<Row> = (0..12).map(|a| row(a, (f64::from(a / LENSES) + 0.5) / 4.0, 30.0, false)).collect();
        let read = Calibration::of(&rows);
        assert_eq!(read.impossible, Some(("division".into(), Rate { count: 3, of: 3 })));
        assert!(read.difficulty.unwrap().logits > 2.0);
        assert_eq!(read.icc, None, "nothing varies");
    }
}

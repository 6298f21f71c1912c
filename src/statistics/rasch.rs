//! How hard a case is: its difficulty b in the model of Rasch 1960, P(pass) = 1 / (1 + exp(b − θ)), for learners of known
//! ability θ; both in logits.
//!
//! Where all or none passed the likelihood has no largest value. So Warm's weighted likelihood is maximised (Warm 1989,
//! Psychometrika 54:427; for one parameter the same as Jeffreys' prior and as Firth 1993, Biometrika 80:27): always finite, and
//! without the bias of first order.

/// A difficulty and its standard error, logits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difficulty {
    /// The difficulty: larger is harder.
    pub logits: f64,
    /// Its standard error, from the information at it.
    pub error: f64,
}

/// Range that is searched, logits.
const MOST: f64 = 30.0;

/// Difficulty of what learners of these abilities passed or not; `None` without any.
pub fn difficulty(results: &[(f64, bool)]) -> Option<Difficulty> {
    if results.is_empty() {
        return None;
    }
    let chance = |ability: f64, b: f64| 1.0 / (1.0 + (b - ability).exp());
    // d/db of the logarithm of likelihood times the root of the information; it falls through 0 at the difficulty.
    let score = |b: f64| {
        let (mut slope, mut information, mut bend) = (0.0, 0.0, 0.0);
        for (ability, passed) in results {
            let p = chance(*ability, b);
            slope += p - f64::from(u8::from(*passed));
            information += p * (1.0 - p);
            bend += p * (1.0 - p) * (2.0 * p - 1.0);
        }
        // Where the information vanishes all chances are 0 or all are 1.
        let pull = if information > 0.0 { bend / information } else { slope.signum() };
        slope + 0.5 * pull
    };
    let (mut low, mut high) = (-MOST, MOST);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if score(middle) > 0.0 { low = middle } else { high = middle }
    }
    let logits = 0.5 * (low + high);
    let information: f64 = results.iter().map(|(a, _)| chance(*a, logits) * (1.0 - chance(*a, logits))).sum();
    Some(Difficulty { logits, error: 1.0 / information.sqrt() })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// With one ability for all the weighted likelihood has a closed form: the logarithm of (failed + ½) / (passed + ½)
    /// above it (Jeffreys' prior of a share).
    #[test]
    fn of_equals_it_is_the_closed_form() {
        for (passed, of) in [(0, 12), (5, 12), (12, 12), (1, 3)] {
            let results: Vec<(f64, bool)> = (0..of).map(|i| (0.7, i < passed)).collect();
            let wanted = 0.7 + ((f64::from(of - passed) + 0.5) / (f64::from(passed) + 0.5)).ln();
            let found = difficulty(&results).unwrap().logits;
            assert!((found - wanted).abs() < 1e-9, "{passed} of {of}: {found} instead of {wanted}");
        }
    }

    /// The maximum found by scipy 1.17.1 (`minimize_scalar` of the same function).
    #[test]
    fn of_several_it_is_what_a_reference_library_finds() {
        let passed = [false, false, true, false, false, true, false, true, true];
        let results: Vec<(f64, bool)> = (0..9).map(|i| (-2.0 + 0.5 * f64::from(i), passed[i as usize])).collect();
        let found = difficulty(&results).unwrap();
        assert!((found.logits - 0.293_385_785).abs() < 1e-6, "{found:?}");
        assert!((found.error - 0.788_234_573).abs() < 1e-6, "{found:?}");
    }

    #[test]
    fn a_difficulty_is_found_again_from_what_it_makes() {
        // 4000 learners evenly spread; each passes as often as the model says, by a fixed low-discrepancy sequence.
        for wanted in [-1.5, 0.0, 2.0] {
            let results: Vec<(f64, bool)> = (0..4000)
                .map(|i| {
                    let ability = -2.0 + 4.0 * (f64::from(i) + 0.5) / 4000.0;
                    let draw = (f64::from(i) * 0.618_033_988_749_895).fract();
                    (ability, draw < 1.0 / (1.0 + (wanted - ability).exp()))
                })
                .collect();
            let found = difficulty(&results).unwrap();
            assert!((found.logits - wanted).abs() < 3.0 * found.error, "{found:?} instead of {wanted}");
        }
    }
}

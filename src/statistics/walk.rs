//! A sum that goes up by one step or down by another, and when it leaves the range between two bounds: exactly, by the chance of
//! each place it can have after each number of steps.
//!
//! After k steps with u of them up the sum is u · up − (k − u) · down, so that its place is a whole number, and nothing is rounded
//! to a grid. At any k only those few u count whose sum lies between the bounds. A sum that is held at zero begins anew each time
//! it would fall below; the chance that it has reached a limit within n steps follows from its ways out of zero by the renewal
//! equation (Feller 1968, *An Introduction to Probability Theory*, vol. 1, ch. XIII), its average run to the limit from their mean
//! length over the chance that one ends at the limit (Page 1954, Biometrika 41:100). Steps are taken to be independent and equally
//! likely to go up.

/// The two steps of a sum, both above 0.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Steps {
    /// By how much it goes up.
    pub up: f64,
    /// By how much it goes down.
    pub down: f64,
}

/// The chances to leave the range, by step: `above[0]` is that of leaving it upwards with the first.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Exits {
    /// At or above the upper bound.
    pub above: Vec<f64>,
    /// At or below the lower bound.
    pub below: Vec<f64>,
}

/// A sum on its way: the places it can have and how likely each is.
struct Walk {
    steps: Steps,
    chance_up: f64,
    low: f64,
    high: f64,
    taken: u32,
    /// Steps up so far, with their chance; ascending.
    places: Vec<(u32, f64)>,
}

/// A sum this near to a bound has reached it: where p1 is three times p0, say, and both error rates a tenth, two failures come to the
/// line exactly, and the last bit of a logarithm must not decide.
const TOUCH: f64 = 1e-9;

/// Has a sum reached an upper bound?
pub(super) fn is_up_to(value: f64, bound: f64) -> bool {
    value >= bound - TOUCH
}

/// Has a sum reached a lower bound?
pub(super) fn is_down_to(value: f64, bound: f64) -> bool {
    value <= bound + TOUCH
}

/// Limits are thousandths, so that the limit that is shown is the limit that is used.
const PER_UNIT: f64 = 1000.0;

/// Steps after which a run is called endless.
const ENDLESS: u32 = 1_000_000;

/// Share of the chance of a signal that may still be on its way when a run is averaged.
const LEFT: f64 = 1e-13;

impl Walk {
    /// From zero, which lies between the bounds or on the lower one.
    fn new(steps: Steps, chance_up: f64, low: f64, high: f64) -> Self {
        Self { steps, chance_up, low, high, taken: 0, places: vec![(0, 1.0)] }
    }

    /// One step: the chances that it leaves the range above and below.
    fn step(&mut self) -> (f64, f64) {
        self.taken += 1;
        let (mut above, mut below) = (0.0, 0.0);
        let mut places: Vec<(u32, f64)> = Vec::with_capacity(self.places.len() + 1);
        for &(ups, chance) in &self.places {
            for (ups, chance) in [(ups, chance * (1.0 - self.chance_up)), (ups + 1, chance * self.chance_up)] {
                let value = self.steps.value(ups, self.taken - ups);
                if is_up_to(value, self.high) {
                    above += chance;
                } else if is_down_to(value, self.low) {
                    below += chance;
                } else if let Some(place) = places.last_mut().filter(|place| place.0 == ups) {
                    place.1 += chance;
                } else {
                    places.push((ups, chance));
                }
            }
        }
        self.places = places;
        (above, below)
    }

    fn on_its_way(&self) -> f64 {
        self.places.iter().map(|place| place.1).sum()
    }
}

impl Steps {
    /// The sum after so many steps up and so many down.
    pub fn value(&self, ups: u32, downs: u32) -> f64 {
        f64::from(ups) * self.up - f64::from(downs) * self.down
    }

    /// When a sum from zero leaves the range from `low` to `high`, both bounds outside, within so many steps.
    pub fn exits(&self, chance_up: f64, low: f64, high: f64, within: usize) -> Exits {
        let mut walk = Walk::new(*self, chance_up, low, high);
        let mut exits = Exits::default();
        for _ in 0..within {
            let (above, below) = walk.step();
            exits.above.push(above);
            exits.below.push(below);
        }
        exits
    }

    /// The chance that a sum held at zero reaches the limit within so many steps.
    pub fn reaches(&self, chance_up: f64, limit: f64, within: usize) -> f64 {
        let exits = self.exits(chance_up, 0.0, limit, within);
        let mut reached = vec![0.0];
        for n in 1..=within {
            // At its first way out of zero it either reached the limit, or it is back at zero with fewer steps left.
            let by_n = (1..=n).map(|at| exits.above[at - 1] + exits.below[at - 1] * reached[n - at]).sum();
            reached.push(by_n);
        }
        reached[within]
    }

    /// Steps a sum held at zero takes to its limit, on average; `None` where it takes too many to be added up.
    pub fn average_run(&self, chance_up: f64, limit: f64) -> Option<f64> {
        let mut walk = Walk::new(*self, chance_up, 0.0, limit);
        let (mut reached, mut length) = (0.0, 0.0);
        while walk.taken < ENDLESS {
            let (above, below) = walk.step();
            reached += above;
            length += f64::from(walk.taken) * (above + below);
            let left = walk.on_its_way();
            if left <= LEFT * reached {
                return (reached > 0.0).then_some(length / reached).filter(|run| run.is_finite());
            }
        }
        None
    }

    /// The least limit, in thousandths, that a sum held at zero reaches within so many steps with at most this chance. `None` where
    /// even a limit that only steps up alone can reach is reached more often.
    pub fn limit(&self, chance_up: f64, within: usize, at_most: f64) -> Option<f64> {
        let keeps = |thousandths: u64| self.reaches(chance_up, thousandths as f64 / PER_UNIT, within) <= at_most;
        let (mut low, mut high) = (0, (within as f64 * self.up * PER_UNIT).floor() as u64);
        if high == 0 || !keeps(high) {
            return None;
        }
        while high - low > 1 {
            let middle = low.midpoint(high);
            if keeps(middle) { high = middle } else { low = middle }
        }
        Some(high as f64 / PER_UNIT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Gambler's ruin with even steps (Feller 1968, ch. XIV): from 0, to reach +b before −a with odds q/p = r it is
    /// (1 − r^a) / (1 − r^(a+b)).
    #[test]
    fn leaving_a_range_is_the_gambler_s_ruin() {
        for (p, a, b) in [(0.4, 3, 4), (0.55, 5, 2), (0.7, 2, 6)] {
            let even = Steps { up: 1.0, down: 1.0 };
            let exits = even.exits(p, -f64::from(a), f64::from(b), 4000);
            let (above, below): (f64, f64) = (exits.above.iter().sum(), exits.below.iter().sum());
            let r: f64 = (1.0 - p) / p;
            assert!((above - (1.0 - r.powi(a)) / (1.0 - r.powi(a + b))).abs() < 1e-12, "{p} {a} {b}: {above}");
            assert!((above + below - 1.0).abs() < 1e-12);
        }
    }

    /// A limit that only an unbroken row of k reaches: the mean time to the first such row is (1 − p^k) / (p^k · (1 − p))
    /// (Feller 1968, ch. XIII.7).
    #[test]
    fn a_limit_that_only_a_row_reaches_is_the_run_of_successes() {
        let steps = Steps { up: 1.0, down: 1e6 };
        for (p, k) in [(0.5_f64, 4), (0.9, 20), (0.2, 3)] {
            let row = p.powi(k);
            let found = steps.average_run(p, f64::from(k)).unwrap();
            let wanted = (1.0 - row) / (row * (1.0 - p));
            assert!((found / wanted - 1.0).abs() < 1e-10, "{found} instead of {wanted}");
            assert!((steps.reaches(p, f64::from(k), k as usize) - row).abs() < 1e-15);
        }
    }

    #[test]
    fn the_least_limit_keeps_the_chance_and_one_less_does_not() {
        let steps = Steps { up: 0.118, down: 0.693 };
        let limit = steps.limit(0.8, 50, 0.05).unwrap();
        assert!(steps.reaches(0.8, limit, 50) <= 0.05 && steps.reaches(0.8, limit - 0.001, 50) > 0.05, "{limit}");
        assert_eq!(steps.limit(0.8, 5, 0.05), None, "0.8 to the fifth is more");
    }
}

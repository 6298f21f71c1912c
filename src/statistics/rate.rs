//! How often, and how sure that is: shares of repetitions with intervals.
//!
//! Wilson's score interval for one share (Wilson 1927, J Am Stat Assoc 22:209); for the difference of two, Newcombe's from both
//! of those (Newcombe 1998, Stat Med 17:873, method 10). Both 95 %. Where two shares were counted with the same random numbers
//! the second interval does not know it: it is wider than it need be.

/// Standard normal quantile of 97.5 %.
const Z: f64 = 1.959_963_984_540_054;

/// A share: so many of so many.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Rate {
    /// How often it was so.
    pub count: u32,
    /// Of so many.
    pub of: u32,
}

impl Rate {
    /// The share, 0..1; NaN of none.
    pub fn share(&self) -> f64 {
        f64::from(self.count) / f64::from(self.of)
    }

    /// Wilson's interval, both 0..1; all that is possible, of none.
    pub fn wilson(&self) -> (f64, f64) {
        if self.of == 0 {
            return (0.0, 1.0);
        }
        let (n, p) = (f64::from(self.of), self.share());
        let z2 = Z * Z;
        let middle = (p + z2 / (2.0 * n)) / (1.0 + z2 / n);
        let half = Z * (p * (1.0 - p) / n + z2 / (4.0 * n * n)).sqrt() / (1.0 + z2 / n);
        ((middle - half).max(0.0), (middle + half).min(1.0))
    }

    /// By how much this share is larger than another, with Newcombe's interval: −1..1 each.
    pub fn beyond(&self, other: &Self) -> (f64, f64, f64) {
        let (p1, p2) = (self.share(), other.share());
        let ((low1, high1), (low2, high2)) = (self.wilson(), other.wilson());
        let difference = p1 - p2;
        let low = difference - ((p1 - low1).powi(2) + (high2 - p2).powi(2)).sqrt();
        let high = difference + ((high1 - p1).powi(2) + (p2 - low2).powi(2)).sqrt();
        (difference, low, high)
    }
}

impl std::iter::Sum<bool> for Rate {
    fn sum<I: Iterator<Item = bool>>(all: I) -> Self {
        all.fold(Self::default(), |rate, is_so| Self { count: rate.count + u32::from(is_so), of: rate.of + 1 })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, published: f64) {
        // Both are printed with four or five digits.
        assert!((found - published).abs() < 6e-5, "{found} instead of {published}");
    }

    /// 84 of 3445: an example of `values.md`.
    #[test]
    fn wilson_s_interval_is_the_published_one() {
        let (low, high) = Rate { count: 84, of: 3445 }.wilson();
        near(low, 0.01974);
        near(high, 0.03009);
        assert_eq!(Rate { count: 0, of: 0 }.wilson(), (0.0, 1.0));
        assert!(Rate { count: 0, of: 12 }.wilson().0 < 1e-12);
        assert!(Rate { count: 12, of: 12 }.wilson().1 > 1.0 - 1e-12);
    }

    /// Newcombe 1998, table II, method 10, examples (a), (b) and (e).
    #[test]
    fn the_interval_of_a_difference_is_newcombe_s() {
        for ((a, b), (c, d), low, high) in [
            ((56, 70), (48, 80), 0.0524, 0.3339),
            ((9, 10), (3, 10), 0.1705, 0.8090),
            ((5, 56), (0, 29), -0.0381, 0.1926),
        ] {
            let (difference, found_low, found_high) = Rate { count: a, of: b }.beyond(&Rate { count: c, of: d });
            assert!(found_low < difference && difference < found_high);
            near(found_low, low);
            near(found_high, high);
        }
    }
}

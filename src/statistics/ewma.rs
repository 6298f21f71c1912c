//! A line through values that scatter: the exponentially weighted moving average (Roberts 1959, Technometrics 1:239). The latest
//! value counts by its weight, those before it by what is left, so that a change shows within a few values. No interval is given.

/// The average after each value, beginning from the first; `weight` of the latest 0..1.
pub fn smoothed(values: &[f64], weight: f64) -> Vec<f64> {
    let Some(first) = values.first() else { return Vec::new() };
    let mut average = *first;
    let step = |value: &f64| {
        average = weight * value + (1.0 - weight) * average;
        average
    };
    values.iter().map(step).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The example of the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: weight 0.3, from 50 (values and averages from
    /// memory, checked by hand for the first).
    #[test]
    fn the_worked_example() {
        let values = [50.0, 52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8];
        let wanted = [
            50.0, 50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05,
            49.38,
        ];
        let found = smoothed(&values, 0.3);
        for (found, wanted) in found.iter().zip(wanted) {
            assert!((found - wanted).abs() < 0.006, "{found} {wanted}");
        }
        assert_eq!(found.len(), values.len());
        assert_eq!(smoothed(&[], 0.3), [] as [f64; 0]);
        assert_eq!(smoothed(&[2.0, 4.0], 1.0), [2.0, 4.0], "all of it on the latest is no smoothing");
    }
}

//! How well a score tells two groups apart: the area under the receiver operating characteristic, which is the chance that a
//! member of the one group has the higher score than a member of the other, ties counting half (Mann & Whitney 1947). Its
//! variance is that of DeLong, DeLong & Clarke-Pearson 1988 (Biometrics 44:837).
//!
//! The interval is taken on the logit of the area and so stays within 0 to 1. At an area of 0 or 1 the variance is 0 and says
//! nothing: there, as for a share of none, the bound is that of so many pairs as the smaller group has members (rule of three,
//! Hanley & Lippman-Hand 1983).

/// Standard normal quantile of 97.5 %.
const Z: f64 = 1.959_963_984_540_054;

/// An area under the curve with its 95 % interval, 0..1 each.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Area {
    /// The area: 0.5 tells nothing apart.
    pub area: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// The chance that a value of `upper` lies above one of `lower`; `None` where a group has fewer than two values.
pub fn auc(lower: &[f64], upper: &[f64]) -> Option<Area> {
    if lower.len() < 2 || upper.len() < 2 {
        return None;
    }
    let above = |a: f64, b: f64| if a > b { 1.0 } else { 0.5 * f64::from(u8::from(a == b)) };
    let (m, n) = (upper.len() as f64, lower.len() as f64);
    let of_upper: Vec<f64> = upper.iter().map(|u| lower.iter().map(|l| above(*u, *l)).sum::<f64>() / n).collect();
    let of_lower: Vec<f64> = lower.iter().map(|l| upper.iter().map(|u| above(*u, *l)).sum::<f64>() / m).collect();
    let area = of_upper.iter().sum::<f64>() / m;
    let spread = |parts: &[f64]| {
        parts.iter().map(|p| (p - area) * (p - area)).sum::<f64>() / (parts.len() as f64 - 1.0) / parts.len() as f64
    };
    let deviation = (spread(&of_upper) + spread(&of_lower)).sqrt();
    let end = 3.0 / m.min(n);
    let (low, high) = if area <= 0.0 {
        (0.0, end.min(1.0))
    } else if area >= 1.0 {
        ((1.0 - end).max(0.0), 1.0)
    } else {
        let (logit, step) = ((area / (1.0 - area)).ln(), Z * deviation / (area * (1.0 - area)));
        let back = |x: f64| 1.0 / (1.0 + (-x).exp());
        (back(logit - step), back(logit + step))
    };
    Some(Area { area, low, high })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// scipy 1.17.1: `mannwhitneyu(upper, lower).statistic / (len(upper) * len(lower))`; the interval by DeLong's formula written
    /// out with numpy.
    #[test]
    fn area_and_variance_are_those_of_a_reference_library() {
        let lower = [30.1, 22.4, 41.0, 35.5, 28.8, 30.1, 44.9];
        let upper = [48.3, 41.0, 55.2, 36.7, 50.0];
        let found = auc(&lower, &upper).unwrap();
        assert!((found.area - 0.9).abs() < 1e-12, "{found:?}");
        assert!((found.low - 0.557_154_418_738).abs() < 1e-9, "{found:?}");
        assert!((found.high - 0.984_705_176_638).abs() < 1e-9, "{found:?}");
        // Turned round it is the rest.
        let other = auc(&upper, &lower).unwrap();
        assert!((other.area + found.area - 1.0).abs() < 1e-12 && (other.low + found.high - 1.0).abs() < 1e-12);
    }

    #[test]
    fn what_never_varies_tells_nothing_apart_and_what_never_overlaps_everything() {
        let even = auc(&[1.0; 5], &[1.0; 4]).unwrap();
        assert_eq!((even.area, even.low, even.high), (0.5, 0.5, 0.5));
        let apart = auc(&[0.0, 1.0, 2.0, 3.0], &[4.0, 5.0, 6.0]).unwrap();
        assert_eq!((apart.area, apart.low, apart.high), (1.0, 0.0, 1.0), "three tell no more than three can");
        assert_eq!(auc(&[1.0], &[2.0, 3.0]), None);
    }
}

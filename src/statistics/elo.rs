//! What a result says about a learner and a case at once: Elo's rating (Elo 1978, *The Rating of Chessplayers*), as it is used
//! for learners and items (Pelánek 2016, Comput Educ 98:169). A pass is a win of the learner over the case.

/// Rating of a learner without attempts, and of a case of medium difficulty.
pub const MIDDLE: f64 = 1500.0;

/// How far one result moves a rating.
pub const K: f64 = 24.0;

/// Points for one natural logarithm of the odds.
pub const PER_LOGIT: f64 = 400.0 / std::f64::consts::LN_10;

/// Expected share of wins of one rating over another, 0..1.
pub fn expected(own: f64, other: f64) -> f64 {
    1.0 / (1.0 + 10.0_f64.powf((other - own) / 400.0))
}

/// The rating after a result: 1 won, 0 lost.
pub fn after(own: f64, other: f64, result: f64, k: f64) -> f64 {
    own + k * (result - expected(own, other))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of the formula: 1500 beats 1700 with K = 24.
    #[test]
    fn the_worked_example() {
        assert!((after(1500.0, 1700.0, 1.0, 24.0) - 1518.234).abs() < 5e-4);
        assert!((after(1700.0, 1500.0, 0.0, 24.0) - 1681.766).abs() < 5e-4);
        assert!((expected(1500.0 + PER_LOGIT, 1500.0) - 1.0 / (1.0 + (-1.0_f64).exp())).abs() < 1e-12);
    }
}

//! Shares in words, so that an error rate is read as people and not as a Greek letter.

/// How many of a hundred, a share 0..1: never a 0 or a 100 that was rounded to.
pub(super) fn of_100(share: f64) -> String {
    if share < 0.005 {
        "fewer than 1".into()
    } else if share >= 0.995 {
        "more than 99".into()
    } else {
        format!("about {:.0}", 100.0 * share)
    }
}

/// A share as a percentage, without digits that say nothing: 0.1 is `10 %`, 0.125 `12.5 %`.
pub(super) fn percent(share: f64) -> String {
    let tenths = (1000.0 * share).round() / 10.0;
    format!("{tenths} %")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shares_are_said_as_people() {
        assert_eq!(of_100(0.054), "about 5");
        assert_eq!((of_100(0.0), of_100(0.0049)), ("fewer than 1".into(), "fewer than 1".into()));
        assert_eq!((of_100(0.995), of_100(0.9949)), ("more than 99".into(), "about 99".into()));
        assert_eq!((percent(0.1), percent(0.125), percent(0.998)), ("10 %".into(), "12.5 %".into(), "99.8 %".into()));
    }
}

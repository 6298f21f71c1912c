//! An answer as rows of a page, made once when it comes. Shares 0–1, times s.

use crate::app::panels::whatif::{AlternativeRow, GroupView, RateView, Which};
use crate::debrief::whatif::change::Change;
use crate::debrief::whatif::deed::Moment;
use crate::debrief::whatif::{Alternative, WhatIf};
use crate::statistics::rate::Rate;

/// Rows of an answer.
pub struct Rows {
    /// The decision, a sentence.
    pub decision: String,
    /// What was counted, a sentence.
    pub asked: String,
    /// The latest change that suffices.
    pub latest: Option<String>,
    /// The earliest that is easy.
    pub earliest: Option<String>,
    /// One thing changed, by moment.
    pub groups: Vec<GroupView>,
    /// Two.
    pub pairs: Vec<AlternativeRow>,
    /// Was it asked for two?
    pub has_asked_pairs: bool,
    /// Repetitions and effort, a sentence.
    pub effort: String,
}

/// What is changed and to what, in words.
pub fn name(alternative: &Alternative) -> String {
    alternative.changes.iter().map(Change::in_words).collect::<Vec<_>>().join(", ")
}

/// With a capital.
fn begun(words: &str) -> String {
    let mut letters = words.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn rate(rate: &Rate) -> RateView {
    RateView { count: rate.count, of: rate.of, interval: rate.wilson() }
}

impl Rows {
    /// Of an answer.
    pub fn of(answer: &WhatIf) -> Self {
        let row = |which: Which, a: &Alternative| {
            let is = |place: Option<usize>| place.map(Which::Single) == Some(which);
            let latest = is(answer.latest_sufficient).then(|| "latest change that suffices".to_owned());
            let easy = is(answer.earliest_easy).then(|| "earliest change that is easy".to_owned());
            let untrained = a.untrained.map(|rate| {
                let suffices = if a.is_easy() { "suffices" } else { "does not suffice" };
                format!("by hands that miss twice as far it {suffices}: {} of {}", rate.count, rate.of)
            });
            let through = (!answer.asks_through && a.through.count > 0)
                .then(|| format!("the crack went right through {} of {} times", a.through.count, a.through.of));
            AlternativeRow {
                which,
                name: begun(&name(a)),
                rate: rate(&a.avoided),
                difference: a.difference,
                marks: latest.into_iter().chain(easy).collect(),
                notes: untrained.into_iter().chain(through).collect(),
            }
        };
        let group = |(moment, t_s, unchanged): &(Moment, f64, Rate)| {
            let of_moment = answer.alternatives.iter().enumerate().filter(|(_, a)| a.moment == *moment);
            let rows = of_moment.map(|(at, a)| row(Which::Single(at), a));
            let (same, rows) = rows.partition(|row| row.difference.0 == 0.0);
            let title = format!("From {t_s:.2} s, {}", moment.when());
            GroupView { title, unchanged: Some(rate(unchanged)), rows, same }
        };
        let place = |place: Option<usize>| {
            place.and_then(|at| answer.alternatives.get(at)).map(|a| format!("{} at {:.2} s", name(a), a.t_s))
        };
        let decision = &answer.decision;
        let (runs, sim_s) = answer.effort;
        let is_lost = answer.unchanged.first().is_some_and(|(_, _, rate)| rate.share() < 0.5);
        Self {
            decision: format!("Decision: {} at {:.2} s, {}.", decision.what, decision.t_s, decision.value),
            asked: format!(
                "In this model, how often {}, and nothing critical comes instead, when one thing is changed, by hands that \
                 miss as trained hands do. Whiskers are 95\u{a0}% intervals; the dashed line is as it was done.",
                answer.asked
            ),
            latest: place(answer.latest_sufficient),
            earliest: place(answer.earliest_easy),
            groups: answer.unchanged.iter().map(group).collect(),
            pairs: answer.pairs.iter().enumerate().map(|(at, a)| row(Which::Pair(at), a)).collect(),
            has_asked_pairs: is_lost && !answer.alternatives.iter().any(Alternative::is_sufficient),
            effort: format!("{runs} repetitions, {sim_s:.0} s of the eye's time."),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_begins_with_a_capital() {
        assert_eq!((begun("depth 1.37 mm").as_str(), begun("").as_str()), ("Depth 1.37 mm", ""));
    }
}

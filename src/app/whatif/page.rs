//! The page of a what-if, from what there is. Nothing is changed here; what is asked for goes back as commands.

use super::{Answered, Chart, Making, REPEATS, Stage};
use crate::app::clerk::Judged;
use crate::app::pages::Around;
use crate::app::panels::Shown;
use crate::app::panels::outcomes::{OutcomeCell, Outcomes, OutcomesView};
use crate::app::panels::whatif::{AnswerView, BesideView, StageView, WhatIfView, whatif_ui};
use crate::app::practice::Practice;
use crate::debrief::whatif::NoWhatIf;
use crate::debrief::whatif::near::Near;
use crate::plan::ChopKind;
use bevy_egui::egui::Ui;

/// Most moments that are named as such that can be asked about.
const MOST_NAMED: usize = 3;

/// The page; nothing where nothing is asked.
pub fn whatif(ui: &mut Ui, practice: &Practice, judged: &Judged, around: &Around<'_>) -> Shown {
    let Some(inquiry) = &practice.whatifs.asked else { return Shown::default() };
    let moment = judged.rows.moments().iter().find(|m| m.event == Some(inquiry.event));
    let event = moment.map_or_else(String::new, |m| format!("{:.2} s: {}", m.t_s, m.words));
    let why = match &inquiry.stage {
        Stage::Refused(why) => sentence(why, judged),
        _ => String::new(),
    };
    let map = match practice.whatifs.answered().map(|answered| &answered.chart) {
        Some(Chart::Done(Some(near))) => Some(outcomes(near)),
        _ => None,
    };
    let marks: Vec<(f64, bool)> = judged.rows.moments().iter().map(|m| (m.t_s, m.is_critical)).collect();
    let more = REPEATS.into_iter().find(|repeats| *repeats > inquiry.repeats);
    let answer = practice.whatifs.answered().map(|answered| {
        let map = match (&answered.chart, &map) {
            (_, Some(map)) => OutcomesView::Ready(map),
            (Chart::UnderWay(work), None) => {
                let so_far = work.progress();
                OutcomesView::UnderWay(so_far.done, so_far.planned)
            }
            (Chart::Done(_), None) => OutcomesView::Missing("There is no map of this decision."),
        };
        answer(answered, map, more, &marks, around)
    });
    let stage = match (&inquiry.stage, &answer) {
        (_, Some(answer)) => StageView::Answered(answer),
        (Stage::Asking(work), _) => {
            let so_far = work.progress();
            StageView::Asking { done: so_far.done, planned: so_far.planned }
        }
        _ => StageView::Refused(&why),
    };
    whatif_ui(ui, &WhatIfView { title: &judged.spec.title, event: &event, stage })
}

fn answer<'a>(
    answered: &'a Answered,
    map: OutcomesView<'a>,
    more: Option<u32>,
    marks: &'a [(f64, bool)],
    around: &Around<'a>,
) -> AnswerView<'a> {
    let rows = &answered.rows;
    let beside = match &answered.beside {
        None => BesideView::None,
        Some(beside) => match &beside.making {
            Making::UnderWay(_) => BesideView::UnderWay { which: beside.which, with: &beside.with },
            Making::Missing(why) => BesideView::Missing { which: beside.which, why },
            Making::Ready(run) => {
                BesideView::Ready { which: beside.which, with: &beside.with, going: beside.going, span_s: run.span_s }
            }
        },
    };
    AnswerView {
        decision: &rows.decision,
        asked: &rows.asked,
        latest: rows.latest.as_deref(),
        earliest: rows.earliest.as_deref(),
        groups: &rows.groups,
        pairs: &rows.pairs,
        has_asked_pairs: rows.has_asked_pairs,
        effort: &rows.effort,
        more,
        beside,
        map,
        marks,
        section: around.section,
        section_beside: around.section_beside,
    }
}

fn outcomes(near: &Near) -> Outcomes {
    let wanted = &near.wanted;
    let kind = match wanted.chop.kind {
        ChopKind::Vertical => "Vertical",
        ChopKind::Horizontal => "Horizontal",
    };
    let apart_mm = wanted.chop.separation_mm;
    Outcomes {
        depths_mm: wanted.rows.values.clone(),
        angles_deg: wanted.columns.values.clone(),
        cells: near
            .cells
            .iter()
            .map(|cell| OutcomeCell {
                share: cell.core_fraction_cracked,
                is_complete: cell.complete,
                has_breach: cell.breach,
                is_reached: cell.is_reachable,
            })
            .collect(),
        chosen: near.chosen,
        of: format!(
            "{kind} first chops at this place in the untouched lens, parted {apart_mm:.1} mm, {:.0} mmHg, by hands that do not \
             miss.",
            wanted.chop.vacuum_mmhg
        ),
    }
}

/// Why there is no answer, in plain words.
pub fn sentence(why: &NoWhatIf, judged: &Judged) -> String {
    let moments = judged.rows.moments();
    let such = |such: &[u32]| {
        let of = moments.iter().filter(|m| m.event.is_some_and(|event| such.contains(&event)));
        let times: Vec<String> = of.take(MOST_NAMED).map(|m| format!("{:.2}\u{a0}s", m.t_s)).collect();
        match &times[..] {
            [] => "This attempt has nothing of that kind.".to_owned(),
            [one] => format!("What came out at {one} can be asked about."),
            [others @ .., last] => format!("What came out at {} or {last} can be asked about.", others.join(", ")),
        }
    };
    match why {
        NoWhatIf::NoEvent { .. } => "There is no such event.".to_owned(),
        NoWhatIf::NoOutcome { such: others, .. } => {
            format!("A step on the way, not an outcome that could have been otherwise. {}", such(others))
        }
        NoWhatIf::Stopped => "It was stopped.".to_owned(),
        NoWhatIf::Threads(error) => format!("It cannot be gone through here: {error}."),
    }
}

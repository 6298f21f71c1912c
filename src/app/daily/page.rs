//! The page of the eye of a day, from what there is. Nothing is changed here; what is asked for goes back as commands.

use super::{Daily, Stage};
use crate::app::pages::Around;
use crate::app::panels::Shown;
use crate::app::panels::daily::{
    ChopRow, DailyView, DayView, LookView, RecordView, StageView, TriedView, UnderWay, daily_ui,
};
use crate::app::practice::Practice;
use crate::attempt::Prediction;
use crate::daily::day::Look;
use crate::daily::trial::Done;
use crate::debrief::prediction::{Judged, where_in_words};
use crate::debrief::truth::Came;
use bevy_egui::egui::Ui;

/// A prediction in words.
pub fn in_words(prediction: &Prediction) -> String {
    let Prediction { depth_mm, angle_deg, place_mm, expected, .. } = *prediction;
    format!("{}: {}", where_in_words(Some(depth_mm), Some(angle_deg), Some(place_mm)), expected.in_words())
}

/// The page.
pub fn daily(ui: &mut Ui, practice: &Practice, daily: &Daily, around: &Around<'_>) -> Shown {
    let (journal, eye) = (&daily.day.journal, &daily.day.eye);
    let (line, weeks, kinds) = (journal.line(), journal.weeks(), journal.kinds());
    let record = RecordView { line: &line, weeks: &weeks, kinds: &kinds };
    let message = daily.told.as_deref();
    match &daily.stage {
        Stage::Sheet { is_waiting } => {
            let closed = daily.closed();
            let sheet = &eye.case.sheet;
            let day = DayView { sheet, closed: closed.as_deref(), is_waiting: *is_waiting, message, record };
            daily_ui(ui, &DailyView { title: &eye.case.title, stage: StageView::Day(day) })
        }
        Stage::Look(now) => {
            let stage = StageView::Look(look(practice, daily, now, None));
            daily_ui(ui, &DailyView { title: &eye.case.title, stage })
        }
        Stage::Committed(committed) => {
            let (done, planned) = committed.count.read();
            let stated = in_words(&committed.prediction);
            let under_way = UnderWay { stated: &stated, is_chopping: committed.is_chopping, done, planned };
            let over = Look::default();
            let stage = StageView::Look(look(practice, daily, &over, Some(under_way)));
            daily_ui(ui, &DailyView { title: &eye.case.title, stage })
        }
        Stage::Tried { tried, picked } => {
            let trial = &tried.trial;
            let came = match trial.came() {
                Some(came) => format!("It came out: {}.", came.in_words()),
                None => "No chop was done.".to_owned(),
            };
            let chops: Vec<ChopRow> = trial.chops.iter().map(chop_row).collect();
            let view = TriedView {
                stated: &format!("Stated, {}. {came}", in_words(&trial.prediction)),
                verdict: &Judged::of(&trial.truth, trial.error).in_words(),
                is_right: trial.error.is_right,
                kind: &format!("It was an eye with {}.", eye.kind.in_words()),
                chops: &chops,
                picked: *picked,
                section: around.section,
                message,
                record,
            };
            daily_ui(ui, &DailyView { title: &eye.case.title, stage: StageView::Tried(view) })
        }
    }
}

fn look<'a>(practice: &Practice, daily: &'a Daily, look: &'a Look, under_way: Option<UnderWay<'a>>) -> LookView<'a> {
    let case = &daily.day.eye.case;
    let seen = practice.operation.as_ref();
    LookView {
        sheet: &case.sheet,
        left_s: look.left_s,
        statement: &look.statement,
        rhexis_mm: case.surgery.rhexis_mm,
        pupil_mm: seen.map_or(case.eye.pupil_mm, |operation| operation.course.state.chamber.pupil_mm),
        under_way,
    }
}

fn chop_row(done: &Done) -> ChopRow {
    let (which, cell, came) = (done.which, &done.cell, done.came());
    let words = format!(
        "{}: {:.2} mm deep, {:.0} % of the core cracked, {}",
        which.in_words(),
        cell.chop.depth_mm,
        100.0 * cell.core_fraction_cracked,
        came.in_words()
    );
    ChopRow { which, words, is_through: came == Came::Through }
}

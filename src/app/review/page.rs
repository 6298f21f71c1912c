//! The pages of the record, from what there is. Nothing is changed here; what is asked for goes back as commands.

use super::{Review, Stage};
use crate::app::panels::Shown;
use crate::app::panels::review::{CohortView, ReviewView, StageView, TraineeView, review_ui};
use bevy_egui::egui::Ui;

/// The page.
pub fn review(ui: &mut Ui, review: &Review, message: Option<&str>) -> Shown {
    let place = match &review.place {
        Ok(place) => place.in_words(),
        Err(_) => String::new(),
    };
    let store = match &review.stage {
        Stage::Open(read) => format!("{place}, as of entry {}", read.head.seq),
        _ => place,
    };
    let stage = match (&review.stage, &review.looked) {
        (Stage::Reading, _) => StageView::Reading,
        (Stage::Refused(why), _) => StageView::Refused(why),
        (Stage::Open(_), Some(looked)) => StageView::Trainee(TraineeView {
            trainee: &looked.person.trainee,
            measure: looked.measure,
            which: looked.which,
            chart: looked.chart.as_ref(),
            says: &looked.says,
            cases: &looked.cases,
            case: looked.case.as_deref(),
            came: looked.came,
            sorted: looked.sorted,
            rows: &looked.rows,
            of: looked.of,
        }),
        (Stage::Open(_), None) => StageView::Cohort(CohortView {
            counted: &review.counted,
            purposes: review.purposes,
            all: review.all,
            devices: &review.devices,
            device: review.device,
            find: &review.find,
            sorted: review.sorted,
            rows: &review.people,
            funnel: review.funnel.as_ref(),
            missed: &review.missed,
        }),
    };
    let invented = review.invented.as_deref().filter(|_| matches!(review.stage, Stage::Open(_)));
    review_ui(ui, &ReviewView { store: &store, invented, message, stage })
}

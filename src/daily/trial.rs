//! One prediction, one chop, and what came of it and of its neighbours.
//!
//! The chop is the standard one of every map (`plan::map`) at the stated depth, tip angle and place, by hands that do not miss: what
//! comes is what was chosen, not how it was carried out. Beside it the same chop half a millimetre shallower, deeper and more
//! peripheral, in the same lens. After 'stop and call' no chop is done; what it would have come to is shown all the same. The
//! error is that of every prediction (`debrief::truth`): stopping is right where no chop that is tried goes right through. mm, degrees.

use crate::attempt::Prediction;
use crate::case::{CaseSpec, Problem, Resolution, compile};
use crate::daily::Eye;
use crate::debrief::truth::{Came, PredictionError, Truth, stated_chop};
use crate::plan::map::{MapCell, StandardChop, Start, outcomes};
use crate::plan::{Manoeuvre, Performer, PlanSpec};
use crate::sim::{Model, State, step};

/// How far a neighbour lies from what was stated, mm.
pub const BESIDE_MM: f64 = 0.5;

/// Within this distance of the axis a place has no direction of its own, mm.
const MIDDLE_MM: f64 = 0.05;

/// Which chop.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Which {
    /// As it was stated.
    Stated,
    /// Half a millimetre shallower.
    Shallower,
    /// Half a millimetre deeper.
    Deeper,
    /// Half a millimetre further from the lens's axis; from the axis itself, further along the shaft.
    Peripheral,
}

impl Which {
    /// Every one.
    pub const ALL: [Self; 4] = [Self::Stated, Self::Shallower, Self::Deeper, Self::Peripheral];

    /// In words.
    pub fn in_words(self) -> &'static str {
        match self {
            Self::Stated => "As you stated it",
            Self::Shallower => "0.5 mm shallower",
            Self::Deeper => "0.5 mm deeper",
            Self::Peripheral => "0.5 mm more peripheral",
        }
    }

    /// This one of a chop.
    fn of(self, model: &Model, chop: &StandardChop) -> StandardChop {
        let (x, y) = chop.place_mm;
        match self {
            Self::Stated => *chop,
            Self::Shallower => StandardChop { depth_mm: (chop.depth_mm - BESIDE_MM).max(0.0), ..*chop },
            Self::Deeper => StandardChop { depth_mm: (chop.depth_mm + BESIDE_MM).min(5.0), ..*chop },
            Self::Peripheral => {
                let out = libm::hypot(x, y);
                let (dx, dy) = if out > MIDDLE_MM {
                    (x / out, y / out)
                } else {
                    // Away from the main incision, as the shaft points.
                    let seat = model.main_incision.place_mm;
                    let far = libm::hypot(seat.x, seat.y);
                    (-seat.x / far, -seat.y / far)
                };
                let within = |value: f64| value.clamp(-5.0, 5.0);
                StandardChop { place_mm: (within(x + BESIDE_MM * dx), within(y + BESIDE_MM * dy)), ..*chop }
            }
        }
    }
}

/// A chop and what came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Done {
    /// Which.
    pub which: Which,
    /// What came of it; its chop is in it.
    pub cell: MapCell,
}

impl Done {
    /// What came of it.
    pub fn came(&self) -> Came {
        Came::of(&self.cell)
    }
}

/// What came of a prediction.
#[derive(Clone, Debug, PartialEq)]
pub struct Trial {
    /// The prediction.
    pub prediction: Prediction,
    /// The chop as stated and its neighbours, in the order of [`Which::ALL`].
    pub chops: [Done; 4],
    /// Where the chop would have worked.
    pub truth: Truth,
    /// How far the prediction was off.
    pub error: PredictionError,
}

/// Why there is no trial.
#[derive(Debug, thiserror::Error)]
pub enum NoTrial {
    /// The prediction holds a number out of range.
    #[error(
        "the prediction is out of range; allowed: 0 to 5 mm deep, 5 to 65 degrees, each number of the place -5 to 5 mm"
    )]
    OutOfRange,
    /// The eye is no sound case.
    #[error("the eye cannot be used: {}", .0.first().map_or_else(String::new, |problem| problem.message.clone()))]
    Case(Vec<Problem>),
    /// The threads could not be started.
    #[error("the threads cannot be started: {0}")]
    Threads(#[from] rayon::ThreadPoolBuildError),
}

/// The model of an eye.
///
/// # Errors
/// The eye is no sound case.
pub fn model(eye: &Eye) -> Result<Model, NoTrial> {
    Ok(compile(&eye.case, eye.seed, Resolution::default()).map_err(NoTrial::Case)?.model)
}

/// Try a prediction on an eye, on so many threads (0: as many as there are processors): a second or two, some where no chop works.
///
/// # Errors
/// A prediction out of range, an eye that is no sound case, threads that cannot be started.
pub fn tried(eye: &Eye, prediction: &Prediction, threads: usize) -> Result<Trial, NoTrial> {
    told(eye, &model(eye)?, prediction, threads, |_| ())
}

/// The same with the eye's model at hand; whenever a chop is done, from whichever thread did it, it is told how many there will be, as
/// far as is known by then.
///
/// # Errors
/// A prediction out of range, threads that cannot be started.
pub fn told(
    eye: &Eye,
    model: &Model,
    prediction: &Prediction,
    threads: usize,
    on_chop: impl Fn(usize) + Sync,
) -> Result<Trial, NoTrial> {
    if !prediction.is_in_range() {
        return Err(NoTrial::OutOfRange);
    }
    let start = Start::fresh(model);
    let stated = stated_chop(&eye.case, model, prediction);
    let chops = Which::ALL.map(|which| which.of(model, &stated));
    let cells = outcomes(&eye.case, model, &start, &chops, threads, || on_chop(0))?;
    let truth = Truth::told(&eye.case, model, &start, prediction, threads, |more| on_chop(chops.len() + more))?;
    let mut cells = cells.into_iter();
    let chops = std::array::from_fn(|at| Done {
        which: Which::ALL[at],
        // As many cells come as there are chops; whatever were missing would be done again.
        cell: cells.next().unwrap_or_else(|| crate::plan::map::outcome(&eye.case, model, &start, &chops[at])),
    });
    let error = truth.error_of(prediction, chops[0].came());
    Ok(Trial { prediction: *prediction, chops, truth, error })
}

/// One of the chops as a plan, to be looked at.
pub fn plan(case: &CaseSpec, model: &Model, prediction: &Prediction, which: Which) -> PlanSpec {
    let chop = which.of(model, &stated_chop(case, model, prediction));
    let mut steps = chop.steps(case).to_vec();
    steps.push(Manoeuvre::Wait { seconds: 0.5 });
    PlanSpec { format: 1, title: which.in_words().to_owned(), steps }
}

/// The eye after one of the chops, from the first tick.
pub fn after(case: &CaseSpec, model: &Model, prediction: &Prediction, which: Which) -> State {
    let (mut state, mut performer) = (State::new(model), Performer::new(model, &plan(case, model, prediction, which)));
    while let Some(inputs) = performer.next(model, &state) {
        step(model, &mut state, &inputs);
        if state.fault.is_some() {
            break;
        }
    }
    state
}

impl Trial {
    /// What came of the chop; `None` where none was done, since stopping was chosen.
    pub fn came(&self) -> Option<Came> {
        (self.prediction.expected != crate::attempt::Expected::StopAndCall).then(|| self.chops[0].came())
    }
}

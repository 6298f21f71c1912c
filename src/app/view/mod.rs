//! What is seen of the eye: surfaces made of the engine's cells, how they look under the microscope, and the section through
//! the shaft.

pub mod appearance;
pub mod material;
pub mod mesh;
pub mod painter;
pub mod scene;
pub mod section;
pub mod surface;

#[cfg(test)]
mod trial {
    //! A case and how it goes, for the tests of what is drawn.
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

    use crate::case::{Resolution, compile, parse_case};
    use crate::plan::{Performer, parse_plan};
    use crate::sim::{Model, State, step};

    pub(super) fn model() -> Model {
        let case = include_str!("../../../scenarios/medium-uniform.ron");
        let spec = parse_case("medium-uniform.ron", case).unwrap().spec;
        compile(&spec, 1, Resolution::default()).unwrap().model
    }

    /// The good plan from its first tick until something is so, or to its end.
    pub(super) fn until(model: &Model, is_so: impl Fn(&State) -> bool) -> State {
        let text = include_str!("../../../scenarios/medium-uniform.good.plan.ron");
        let (plan, _) = parse_plan("medium-uniform.good.plan.ron", text).unwrap();
        let mut state = State::new(model);
        let mut performer = Performer::new(model, &plan);
        while let Some(inputs) = performer.next(model, &state) {
            step(model, &mut state, &inputs);
            if is_so(&state) {
                break;
            }
        }
        state
    }
}

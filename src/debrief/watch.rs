//! What the debrief needs from the middle of an attempt and events do not hold: how the tip lay when the chopper came,
//! and how long ultrasound ran while the tip stood still.
//!
//! A `Watch` only reads the state after each tick, so a replay notes the same. mm, s.

use crate::sim::burial::{CORED_MM, LINGER_S, boring_s};
use crate::sim::event::EventKind;
use crate::sim::hands::{Tip, rise_over_rim_mm};
use crate::sim::{Model, NeedleState, State, capsule};
use nalgebra::Vector3;

/// Advance along the shaft within which the tip counts as standing still, mm (A: what a steady hand cannot avoid).
const STILL_MM: f64 = 0.05;

/// Room under the shaft within which it counts as lying on the rim of the rhexis, mm.
const ON_RIM_MM: f64 = 0.1;

/// How the tip lay, last seen with the chopper out of the lens.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Burial {
    /// The tip in the eye.
    pub tip: Tip,
    /// The same in the lens's frame.
    pub in_lens: Tip,
    /// The fragment it lay in.
    pub body: u16,
    /// Depth below the core's anterior surface, mm; `None` outside the core's outline.
    pub depth_mm: Option<f64>,
}

impl Burial {
    /// Does the shaft lie on the rim of the rhexis, so that the tip can go no deeper here at this tip angle?
    pub fn is_on_rim(&self, model: &Model) -> bool {
        let deeper = Tip { place_mm: self.tip.place_mm - Vector3::z() * ON_RIM_MM, ..self.tip };
        rise_over_rim_mm(&deeper, model.rhexis_radius_mm, |r| model.field.shape.anterior_z_mm(r)) > 0.0
    }
}

/// How the tip was held when a chop began.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Hold {
    /// How it lay before the chopper touched the lens.
    pub burial: Option<Burial>,
    /// Gap that ultrasound had cored round it, mm.
    pub gap_mm: f64,
    /// Time ultrasound had been on since the tip last advanced, s.
    pub still_ultrasound_s: f64,
    /// Share of the port that was covered.
    pub occlusion: f64,
    /// How far the nucleus had slid off the tip along the shaft, mm.
    pub slid_mm: f64,
}

impl Hold {
    /// Did ultrasound go on with the tip still until half the hold was gone?
    pub fn is_cored(&self) -> bool {
        self.gap_mm >= CORED_MM && self.still_ultrasound_s >= LINGER_S
    }
}

/// What loaded the zonules.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Strain {
    /// The nucleus was turned.
    Turning,
    /// The chopper pressed while it was in the lens.
    Pressing,
    /// The needle was drawn back, and the lens with it.
    Drawing,
    /// The needle pushed the lens.
    Pushing,
}

impl Strain {
    /// By what the hands do; `moved_mm` is how the needle's tip moved in this tick.
    fn now(state: &State, moved_mm: &Vector3<f64>) -> Self {
        let is_drawn = |n: &NeedleState| n.load_un < 0.0 && moved_mm.dot(&n.tip.forward) < 0.0;
        if state.is_turning {
            Self::Turning
        } else if state.needle.as_ref().is_some_and(is_drawn) {
            Self::Drawing
        } else if state.chopper.as_ref().is_some_and(|c| c.is_in_lens) {
            Self::Pressing
        } else {
            Self::Pushing
        }
    }

    /// In words that go on after 'as'.
    pub fn words(self) -> &'static str {
        match self {
            Self::Turning => "the nucleus was turned against its adhesion",
            Self::Pressing => "the chopper was pressed down",
            Self::Drawing => "the needle was drawn back and took the lens with it",
            Self::Pushing => "the needle pushed the lens",
        }
    }

    /// What loads them less, without capital and full stop.
    pub fn advice(self) -> &'static str {
        match self {
            Self::Turning => "free the nucleus by hydrodissection before turning it",
            Self::Pressing => "press the chopper down less far, which loads the zonules less",
            Self::Drawing => "let go with the foot, then hold the lens with the chopper while the needle is drawn back",
            Self::Pushing => "bury with ultrasound, slowly enough that the tip moves and not the lens",
        }
    }
}

/// Notes taken tick by tick.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Watch {
    /// How the tip was held at each chop, in the order of their events.
    pub at_chops: Vec<Hold>,
    /// How it is held now.
    pub now: Hold,
    /// Full-power time that the tip's ways into tissue with ultrasound would have taken at least, s.
    pub bored_s: f64,
    /// Time for which an instrument was nearer to the posterior capsule than the case allows, s.
    pub under_floor_s: f64,
    /// When the zonules of a clock hour bore most, s, and what loaded them; `None` when nothing did.
    pub strained: Option<(f64, Strain)>,
    /// What loaded them when the first of them tore.
    pub tore: Option<Strain>,
    /// Where the needle's tip was a tick ago, in the eye.
    needle_mm: Option<Vector3<f64>>,
    /// The most they have borne, µN.
    most_strained_un: f64,
    /// Where the tip was deepest when it came to stand, lens frame.
    stands_mm: Option<Vector3<f64>>,
    /// Where the tip was a tick ago, in the frame of the fragment it was in.
    tip_mm: Option<(u16, Vector3<f64>)>,
    events_seen: usize,
}

impl Watch {
    /// Take notes after a tick.
    pub fn note(&mut self, model: &Model, state: &State) {
        if let Some(needle) = &state.needle {
            let in_lens = state.lens.tip_from_eye(needle.body, &needle.tip);
            let Tip { place_mm, forward, .. } = in_lens;
            let advance_mm = self.stands_mm.map_or(f64::INFINITY, |stands| (place_mm - stands).dot(&forward));
            // Sliding back is no advance: ultrasound goes on coring the same bed.
            if needle.buried_mm <= 0.0 || advance_mm > STILL_MM {
                self.now.still_ultrasound_s = 0.0;
                self.stands_mm = Some(place_mm);
            } else if state.power > 0.0 {
                self.now.still_ultrasound_s += model.tick_s;
            }
            let went_mm =
                self.tip_mm.filter(|(body, _)| *body == needle.body).map(|(_, mm)| (place_mm - mm).dot(&forward));
            self.tip_mm = Some((needle.body, place_mm));
            if let Some(went_mm) = went_mm.filter(|mm| *mm > 0.0 && state.power > 0.0 && needle.buried_mm > 0.0) {
                let cell = model.cells.at(&place_mm).map(|cell| cell as usize);
                self.bored_s += boring_s(went_mm, cell.map_or(0.0, |c| f64::from(model.cells.toughness_nj_mm2[c])));
            }
            self.now.gap_mm = needle.gap_mm;
            self.now.slid_mm = needle.slid_mm;
            self.now.occlusion = needle.occlusion;
            if state.chopper.as_ref().is_none_or(|c| !c.is_in_lens) {
                let is_buried = needle.buried_mm > 0.0;
                self.now.burial = is_buried.then_some(Burial {
                    tip: needle.tip,
                    in_lens,
                    body: needle.body,
                    depth_mm: needle.depth_mm,
                });
            }
        }
        if capsule::nearest_mm(model, state).is_some_and(|mm| mm < model.capsule_near_mm) {
            self.under_floor_s += model.tick_s;
        }
        let needle_mm = state.needle.as_ref().map(|n| n.tip.place_mm);
        let moved_mm = needle_mm.zip(self.needle_mm).map_or(Vector3::zeros(), |(now, then)| now - then);
        self.needle_mm = needle_mm;
        if state.totals.zonule_load_un > self.most_strained_un {
            self.most_strained_un = state.totals.zonule_load_un;
            self.strained = Some((state.tick as f64 * model.tick_s, Strain::now(state, &moved_mm)));
        }
        for event in &state.events[self.events_seen..] {
            match event.kind {
                EventKind::ChopStarted(_) => self.at_chops.push(self.now),
                EventKind::ZonulesTore { .. } => self.tore = self.tore.or(Some(Strain::now(state, &moved_mm))),
                _ => {}
            }
        }
        self.events_seen = state.events.len();
    }
}

//! The extremes of an attempt, in the units of the trade: chamber, surge, capsule, incision, power.

use crate::debrief::Facts;
use crate::sim::removal::INCISION_AT_REST_C;
use crate::units::mmhg_from_pa;

/// Extremes; `None` where an attempt never came so far.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peaks {
    /// Lowest and highest pressure of the chamber with the needle in the eye, mmHg.
    pub chamber_mmhg: Option<(f64, f64)>,
    /// Largest volume lost in a surge, µL.
    pub surge_ul: f64,
    /// Largest rise of the posterior capsule of itself, mm.
    pub capsule_rise_mm: f64,
    /// Smallest distance of an instrument to it, mm.
    pub distance_to_capsule_mm: Option<f64>,
    /// Highest temperature of the incision, °C.
    pub incision_c: f64,
    /// Full-power time, s.
    pub full_power_s: f64,
}

impl Peaks {
    /// Of an attempt.
    pub fn of(facts: &Facts<'_>) -> Self {
        let state = facts.state;
        let (low_pa, high_pa) = (state.chamber.lowest_pa, state.chamber.highest_pa);
        let distance_mm = state.totals.distance_to_capsule_min_mm;
        Self {
            // Before the needle is first in the eye the least lies above the greatest.
            chamber_mmhg: (low_pa <= high_pa).then(|| (mmhg_from_pa(low_pa), mmhg_from_pa(high_pa))),
            surge_ul: state.chamber.surge_ul,
            capsule_rise_mm: state.totals.capsule_rise_mm,
            distance_to_capsule_mm: distance_mm.is_finite().then_some(distance_mm),
            incision_c: state.removal.hottest_c.max(INCISION_AT_REST_C),
            full_power_s: state.totals.full_power_s,
        }
    }

    /// In sentences, for the page.
    pub fn sentences(&self) -> Vec<String> {
        let mut said = Vec::new();
        if let Some((low, high)) = self.chamber_mmhg {
            said.push(format!("The pressure in the chamber lay between {low:.0} and {high:.0} mmHg."));
        }
        let surge = if self.surge_ul >= 0.5 {
            format!("The largest surge took {:.0} µL", self.surge_ul)
        } else {
            "No surge was seen".to_string()
        };
        let rise = if self.capsule_rise_mm >= 0.05 {
            format!("rose by up to {:.1} mm", self.capsule_rise_mm)
        } else {
            "did not rise".to_string()
        };
        said.push(format!("{surge}; the posterior capsule {rise}."));
        said.push(format!(
            "The incision reached {:.0} °C; full-power time {:.1} s.",
            self.incision_c, self.full_power_s
        ));
        said
    }
}

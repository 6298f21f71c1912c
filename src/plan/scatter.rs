//! The same plan by other hands: what a hand aims at, it meets only nearly.
//!
//! Each number a hand sets is off by a normal error of a stated spread, drawn for this seed, step and number alone
//! (`sim::random`); what is set on the machine is exact. The spreads are assumptions (A), of the order of what a trained
//! hand does under a microscope. mm, degrees, shares.

use super::spec::{Manoeuvre, PlanSpec};
use crate::sim::random::{Key, Purpose};

/// Standard deviations of a hand's errors.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scatter {
    /// Of where the tip goes, each way, mm.
    pub place_mm: f64,
    /// Of depth, mm.
    pub depth_mm: f64,
    /// Of the tip angle, degrees.
    pub angle_deg: f64,
    /// Of speeds, widths, volumes and times, as a share.
    pub share: f64,
}

impl Scatter {
    /// A trained hand (A).
    pub const TRAINED: Self = Self { place_mm: 0.1, depth_mm: 0.08, angle_deg: 2.0, share: 0.1 };

    /// A hand that misses so many times as far.
    pub fn wider(&self, times: f64) -> Self {
        let Self { place_mm, depth_mm, angle_deg, share } = *self;
        Self {
            place_mm: place_mm * times,
            depth_mm: depth_mm * times,
            angle_deg: angle_deg * times,
            share: share * times,
        }
    }
}

impl PlanSpec {
    /// This plan as a hand of that scatter would carry it out; another seed is another try.
    pub fn by_hand(&self, scatter: &Scatter, seed: u64) -> Self {
        let steps = self.steps.iter().zip(0i32..);
        let steps = steps.map(|(step, at)| {
            let mut off = Off { key: Key { seed, purpose: Purpose::Hands, place: [at, 0, 0], tick: 0 }, drawn: 0 };
            by_hand(step, scatter, &mut off)
        });
        Self { format: self.format, title: self.title.clone(), steps: steps.collect() }
    }
}

/// Errors one after another.
struct Off {
    key: Key,
    drawn: u64,
}

impl Off {
    /// A normal error of this spread.
    fn by(&mut self, spread: f64) -> f64 {
        self.drawn += 1;
        spread * self.key.normal(self.drawn)
    }

    /// A positive number off by a share; never more than half.
    fn share(&mut self, value: f64, spread: f64) -> f64 {
        value * (1.0 + self.by(spread).clamp(-0.5, 0.5))
    }

    fn place(&mut self, (x, y): (f64, f64), spread: f64) -> (f64, f64) {
        (x + self.by(spread), y + self.by(spread))
    }
}

fn by_hand(step: &Manoeuvre, s: &Scatter, off: &mut Off) -> Manoeuvre {
    let mut step = step.clone();
    match &mut step {
        Manoeuvre::Bury { depth_mm, angle_deg, place_mm, speed_mm_s, .. } => {
            *depth_mm = (*depth_mm + off.by(s.depth_mm)).max(0.0);
            *angle_deg = (*angle_deg + off.by(s.angle_deg)).clamp(5.0, 65.0);
            *place_mm = off.place(*place_mm, s.place_mm);
            *speed_mm_s = off.share(*speed_mm_s, s.share);
        }
        Manoeuvre::Chop { ahead_mm, aside_mm, depth_mm, .. } => {
            *ahead_mm = (*ahead_mm + off.by(s.place_mm)).max(0.2);
            *aside_mm += off.by(s.place_mm);
            if let Some(depth_mm) = depth_mm {
                *depth_mm = (*depth_mm + off.by(s.depth_mm)).max(0.0);
            }
        }
        Manoeuvre::Separate { width_mm, speed_mm_s } => {
            *width_mm = off.share(*width_mm, s.share);
            *speed_mm_s = off.share(*speed_mm_s, s.share);
        }
        Manoeuvre::Turn { angle_deg } => *angle_deg = off.share(*angle_deg, s.share),
        Manoeuvre::Hydrodissect { volume_ml, seconds, .. } => {
            *volume_ml = off.share(*volume_ml, s.share);
            *seconds = off.share(*seconds, s.share);
        }
        Manoeuvre::Decompress { seconds, depth_mm } => {
            *seconds = off.share(*seconds, s.share);
            *depth_mm = off.share(*depth_mm, s.share);
        }
        Manoeuvre::Clear { place_mm, radius_mm, depth_mm, seconds } => {
            *place_mm = off.place(*place_mm, s.place_mm);
            *radius_mm = off.share(*radius_mm, s.share);
            *depth_mm = (*depth_mm + off.by(s.depth_mm)).max(0.0);
            *seconds = off.share(*seconds, s.share);
        }
        Manoeuvre::Bring { place_mm, height_mm, speed_mm_s } => {
            *place_mm = off.place(*place_mm, s.place_mm);
            if let Some(height_mm) = height_mm {
                *height_mm += off.by(s.depth_mm);
            }
            *speed_mm_s = off.share(*speed_mm_s, s.share);
        }
        Manoeuvre::Inject { volume_ul, seconds, .. } => {
            *volume_ul = off.share(*volume_ul, s.share);
            *seconds = off.share(*seconds, s.share);
        }
        Manoeuvre::Guard { below_mm } => *below_mm = (*below_mm + off.by(s.depth_mm)).max(0.3),
        Manoeuvre::Wait { seconds }
        | Manoeuvre::Reflux { seconds }
        | Manoeuvre::Grip { seconds, .. }
        | Manoeuvre::Emulsify { seconds, .. }
        | Manoeuvre::LiftIris { seconds, .. } => *seconds = off.share(*seconds, s.share),
        Manoeuvre::Set { .. }
        | Manoeuvre::Pedal { .. }
        | Manoeuvre::Withdraw { .. }
        | Manoeuvre::LetGo
        | Manoeuvre::ChopperOut
        | Manoeuvre::Predict { .. }
        | Manoeuvre::StopAndCall => {}
    }
    step
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::parse_plan;

    const PLAN: &str = include_str!("../../scenarios/long-eye-dense-core.good.plan.ron");

    #[test]
    fn the_errors_have_the_spread_that_was_asked_and_another_seed_is_another_try() {
        let (plan, _) = parse_plan("plan.ron", PLAN).unwrap();
        let wanted = plan.steps.iter().find_map(|s| match s {
            Manoeuvre::Bury { depth_mm, .. } => Some(*depth_mm),
            _ => None,
        });
        let depths = (0..400).map(|seed| {
            plan.by_hand(&Scatter::TRAINED, seed).steps.iter().find_map(|s| match s {
                Manoeuvre::Bury { depth_mm, .. } => Some(*depth_mm),
                _ => None,
            })
        });
        let errors: Vec<f64> = depths.map(|d| d.unwrap() - wanted.unwrap()).collect();
        let mean = errors.iter().sum::<f64>() / 400.0;
        let spread = (errors.iter().map(|e| (e - mean).powi(2)).sum::<f64>() / 399.0).sqrt();
        // Three standard errors of 400 draws.
        assert!(mean.abs() < 3.0 * 0.08 / 20.0, "{mean}");
        assert!((spread / 0.08 - 1.0).abs() < 3.0 / (2.0f64 * 399.0).sqrt(), "{spread}");
        assert_eq!(plan.by_hand(&Scatter::TRAINED, 7), plan.by_hand(&Scatter::TRAINED, 7));
        let still = Scatter { place_mm: 0.0, depth_mm: 0.0, angle_deg: 0.0, share: 0.0 };
        assert_eq!(plan.by_hand(&still, 7), plan, "a hand without errors does what is written");
    }
}

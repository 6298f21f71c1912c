//! The course of an attempt, sampled on the way: pressure, vacuum, flow, foot, and how near the capsule was.
//!
//! A `Trace` only reads the state after each tick, like a `Watch`, so a replay draws the same. Each sample keeps the least
//! and the greatest of its ticks beside their mean, so that a surge of a few ticks is never lost. Samples begin at one tick; whenever there
//! are [`MOST_SAMPLES`], neighbours are joined and a sample holds twice as many ticks from there on, so that a trace of any
//! attempt has half as many samples to all of them. The foot is kept exactly. Units: s, mmHg, mL/min, mm.

use crate::sim::{Model, State, capsule};
use crate::units::mmhg_from_pa;

/// Samples at most; even, so that all of them can be joined in pairs.
pub const MOST_SAMPLES: usize = 600;

/// Flow of 1 µL/s in mL/min.
pub(crate) const ML_MIN_PER_UL_S: f64 = 60.0 / 1000.0;

/// What a quantity was within a sample.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Span {
    /// The least.
    pub least: f64,
    /// The greatest.
    pub most: f64,
    sum: f64,
    count: f64,
}

impl Span {
    /// Of a single value.
    pub fn at(value: f64) -> Self {
        Self { least: value, most: value, sum: value, count: 1.0 }
    }

    /// Of two together.
    pub fn with(self, other: Self) -> Self {
        Self {
            least: self.least.min(other.least),
            most: self.most.max(other.most),
            sum: self.sum + other.sum,
            count: self.count + other.count,
        }
    }

    /// The mean over the ticks.
    pub fn mean(&self) -> f64 {
        self.sum / self.count
    }
}

/// Some ticks in a row.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sample {
    /// Simulated time at the beginning of its first tick, s.
    pub from_s: f64,
    /// Simulated time at the end of its last tick, s.
    pub to_s: f64,
    /// Pressure in the chamber, mmHg.
    pub chamber_mmhg: Span,
    /// The same while the needle was in the eye; `None` where it was not.
    pub chamber_with_needle_mmhg: Option<Span>,
    /// Vacuum in the line, as the machine shows it, mmHg; negative where it pushes back.
    pub vacuum_mmhg: Span,
    /// Flow into the needle, mL/min; negative where it flows back.
    pub flow_ml_min: Span,
    /// Power fraction, 0..1.
    pub power: Span,
    /// Distance of the nearer instrument to the posterior capsule, mm; `None` where neither was in the eye.
    pub to_capsule_mm: Option<Span>,
    ticks: u64,
}

impl Sample {
    fn of(model: &Model, state: &State) -> Self {
        let circuit = &state.circuit;
        let chamber_mmhg = Span::at(mmhg_from_pa(circuit.chamber_pa));
        Self {
            from_s: state.time_s(model) - model.tick_s,
            to_s: state.time_s(model),
            chamber_mmhg,
            chamber_with_needle_mmhg: state.chamber.was_in_eye.then_some(chamber_mmhg),
            vacuum_mmhg: Span::at(mmhg_from_pa(circuit.vacuum_pa())),
            flow_ml_min: Span::at(circuit.outflow_ul_s * ML_MIN_PER_UL_S),
            power: Span::at(state.power),
            to_capsule_mm: capsule::nearest_mm(model, state).map(Span::at),
            ticks: 1,
        }
    }

    fn with(&self, later: &Self) -> Self {
        let both = |a: Option<Span>, b: Option<Span>| [a, b].into_iter().flatten().reduce(Span::with);
        Self {
            from_s: self.from_s,
            to_s: later.to_s,
            chamber_mmhg: self.chamber_mmhg.with(later.chamber_mmhg),
            chamber_with_needle_mmhg: both(self.chamber_with_needle_mmhg, later.chamber_with_needle_mmhg),
            vacuum_mmhg: self.vacuum_mmhg.with(later.vacuum_mmhg),
            flow_ml_min: self.flow_ml_min.with(later.flow_ml_min),
            power: self.power.with(later.power),
            to_capsule_mm: both(self.to_capsule_mm, later.to_capsule_mm),
            ticks: self.ticks + later.ticks,
        }
    }
}

/// From when on the foot was in a position.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Foothold {
    /// Simulated time, s.
    pub from_s: f64,
    /// Pedal position, 0–3.
    pub position: u8,
}

/// Samples taken tick by tick.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    samples: Vec<Sample>,
    foot: Vec<Foothold>,
    ticks_per_sample: u64,
}

impl Default for Trace {
    fn default() -> Self {
        Self { samples: Vec::new(), foot: Vec::new(), ticks_per_sample: 1 }
    }
}

impl Trace {
    /// Take a sample after a tick.
    pub fn note(&mut self, model: &Model, state: &State) {
        let position = state.pedal.position;
        if self.foot.last().is_none_or(|f| f.position != position) {
            // The foot moves at the beginning of a tick.
            self.foot.push(Foothold { from_s: state.time_s(model) - model.tick_s, position });
        }
        self.add(Sample::of(model, state));
    }

    /// The samples in order, without gaps.
    pub fn samples(&self) -> &[Sample] {
        &self.samples
    }

    /// Where the foot was, in order; each holds until the next.
    pub fn foot(&self) -> &[Foothold] {
        &self.foot
    }

    /// Simulated time at its end, s.
    pub fn end_s(&self) -> f64 {
        self.samples.last().map_or(0.0, |s| s.to_s)
    }

    fn add(&mut self, tick: Sample) {
        if let Some(last) = self.samples.last_mut().filter(|s| s.ticks < self.ticks_per_sample) {
            *last = last.with(&tick);
            return;
        }
        if self.samples.len() >= MOST_SAMPLES {
            self.samples =
                self.samples.chunks(2).filter_map(|pair| pair.iter().copied().reduce(|a, b| a.with(&b))).collect();
            self.ticks_per_sample *= 2;
        }
        self.samples.push(tick);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A tick with a pressure, and the distance of an instrument where it is in the eye.
    fn tick(i: u64, chamber_mmhg: f64, to_capsule_mm: Option<f64>) -> Sample {
        Sample {
            from_s: i as f64,
            to_s: i as f64 + 1.0,
            chamber_mmhg: Span::at(chamber_mmhg),
            chamber_with_needle_mmhg: None,
            vacuum_mmhg: Span::at(0.0),
            flow_ml_min: Span::at(0.0),
            power: Span::at(0.0),
            to_capsule_mm: to_capsule_mm.map(Span::at),
            ticks: 1,
        }
    }

    #[test]
    fn samples_stay_few_without_gaps_and_keep_what_lasted_a_single_tick() {
        let mut trace = Trace::default();
        let (low, high) = (7_777, 54_321);
        for i in 0..100_000 {
            let chamber_mmhg = if i == low { 3.0 } else { 60.0 };
            trace.add(tick(i, chamber_mmhg, (i == high).then_some(0.4)));
            assert!(trace.samples.len() <= MOST_SAMPLES);
        }
        assert!(trace.samples.len() >= MOST_SAMPLES / 2, "{}", trace.samples.len());
        assert!(trace.samples.windows(2).all(|w| w[0].to_s == w[1].from_s));
        assert_eq!((trace.samples[0].from_s, trace.end_s()), (0.0, 100_000.0));
        assert_eq!(trace.samples.iter().map(|s| s.ticks).sum::<u64>(), 100_000);
        let lows: Vec<_> = trace.samples.iter().filter(|s| s.chamber_mmhg.least < 60.0).collect();
        assert_eq!(lows.len(), 1);
        assert_eq!((lows[0].chamber_mmhg.least, lows[0].chamber_mmhg.most), (3.0, 60.0));
        let mean = (3.0 + 60.0 * (lows[0].ticks - 1) as f64) / lows[0].ticks as f64;
        assert!((lows[0].chamber_mmhg.mean() - mean).abs() < 1e-9);
        assert!(lows[0].from_s <= low as f64 && low as f64 <= lows[0].to_s);
        let near: Vec<_> = trace.samples.iter().filter_map(|s| s.to_capsule_mm).collect();
        assert_eq!(near, [Span::at(0.4)]);
    }

    #[test]
    fn a_short_attempt_keeps_every_tick() {
        let mut trace = Trace::default();
        (0..MOST_SAMPLES as u64).for_each(|i| trace.add(tick(i, i as f64, None)));
        assert_eq!(trace.samples.len(), MOST_SAMPLES);
        assert!(trace.samples.iter().all(|s| s.chamber_mmhg.least == s.chamber_mmhg.most));
    }
}

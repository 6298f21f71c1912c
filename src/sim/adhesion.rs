//! What sticks the lens to its capsule, clock hour by clock hour, and the fluid wave that frees it (hydrodissection).
//!
//! *Adhesion.* Twelve sectors; sector i is clock hour i (0 is 12 o'clock) as the surgeon sees the eye, fixed in the bag.
//! Each has the area A and the moment ∫ r dA of the lens's surface within the bag: its back, and its front outside the
//! rhexis. Shear τ weakens linearly over a slip s, so freeing costs the energy G = τ·s/2 per area.
//!
//! *Wave.* Fluid in a sector holds open a film of compliance c per area over the freed area: p = V/(freed·A·c). It peels
//! on at the pressure at which the film's thickness times that pressure pays for G: P·h = G, with c = h/P at ordinary
//! adhesion; so a sector needs the volume A·h·factor. Flows go with the pressure's excess over what the next place
//! resists with: to both neighbours, to and from a pool behind the lens (and so across the back), out past the rim. The
//! pool lifts the nucleus; at a lift the nucleus plugs the rhexis, and what is behind stays: p = V/C on the posterior
//! capsule. Explicit sub-steps, each volume leaving one place arriving at another.
//!
//! *Limits.* The lens does not tilt on the wave; the pool has one pressure; a jet has no momentum. Nobody has measured
//! lens adhesion: orders and relations are meant, not levels. mm, µL, Pa, µN; the engine's eye frame.

use crate::sim::lens::Shape;
use crate::sim::random::{Key, Purpose};
use core::f64::consts::{FRAC_PI_2, FRAC_PI_6, PI};
use serde::{Deserialize, Serialize};

/// Clock hours.
pub const HOURS: usize = 12;

/// Shear strength of the lens on its capsule, Pa (A). What it means (D): over some 170 mm² at a mean arm of 3.7 mm an
/// ordinary lens resists 190 mN·mm, a chopper's 63 mN at 3 mm: within the 20–100 mN with which one tries to turn it.
pub const SHEAR_PA: f64 = 300.0;

/// Slip over which a sector's adhesion wears off, mm (A).
pub const WEAR_SLIP_MM: f64 = 1.0;

/// Shear left between wet surfaces once they are freed, Pa (A): a freed lens turns at 9 mN·mm, 3 mN at 3 mm (D).
pub const WET_SHEAR_PA: f64 = 15.0;

/// Energy to free an area, nJ/mm² (D).
pub const FREEING_NJ_MM2: f64 = 0.5 * SHEAR_PA * WEAR_SLIP_MM;

/// Thickness of the film at the peeling front at ordinary adhesion, mm (A).
pub const FILM_MM: f64 = 0.05;

/// Pressure at which the film peels on at ordinary adhesion, Pa (D: 3 kPa, 22 mmHg).
pub const PEEL_PA: f64 = FREEING_NJ_MM2 / FILM_MM;

/// Compliance of the film, mm/Pa (D).
const FILM_COMPLIANCE_MM_PA: f64 = FILM_MM / PEEL_PA;

/// Conductance from sector to sector and between sector and pool, where freed, µL/(s·Pa) (A: a brisk wave crosses the
/// back in some tenths of a second).
const FILM_CONDUCTANCE_UL_S_PA: f64 = 0.02;

/// Conductance from a freed sector past the rim into the chamber while the rhexis is open, µL/(s·Pa) (A).
const RIM_CONDUCTANCE_UL_S_PA: f64 = 0.002;

/// Conductance back along the cannula, µL/(s·Pa) (A: below some 30 µL/s nothing peels, the fluid runs back).
const REFLUX_CONDUCTANCE_UL_S_PA: f64 = 0.01;

/// Compliance of the pool behind the lens, µL/Pa (A: 20 µL at 5 kPa; half of an eye's from 15 to 60 mmHg, values.md).
pub const POOL_COMPLIANCE_UL_PA: f64 = 0.004;

/// Lift at which a nucleus much wider than the rhexis plugs it, mm (A).
pub const PLUG_LIFT_MM: f64 = 0.1;

/// Press on the nucleus's middle that tilts it off the rim and opens the rhexis wholly, µN (A).
pub const UNPLUG_UN: f64 = 50_000.0;

/// Share of an injection that goes astray into the cortex where the cannula lies in the wrong plane (A).
pub const STRAY_SHARE: f64 = 0.85;

/// Fluid in a place too little to go on moving, µL.
const DRY_UL: f64 = 1e-6;

/// Sub-steps a tick; a film relaxes in about 4 ms.
const SUB_STEPS: u32 = 8;

/// Angle of a clock hour, rad: 3 o'clock is 0, counter-clockwise.
pub fn angle_of_hour_rad(hour: f64) -> f64 {
    (3.0 - hour) * FRAC_PI_6
}

/// Clock hour of an angle: above 0, at most 12.
pub fn hour_of_angle(angle_rad: f64) -> f64 {
    let hour = libm::fmod(3.0 - angle_rad / FRAC_PI_6, 12.0);
    if hour <= 0.0 { hour + 12.0 } else { hour }
}

/// Sector of a clock hour.
pub fn sector_of_hour(hour: f64) -> usize {
    libm::fmod(libm::fmod(libm::round(hour), 12.0) + 12.0, 12.0) as usize
}

/// What the case says of a lens's adhesion.
#[derive(Clone, Debug, PartialEq)]
pub struct Sticking {
    /// Adhesion by clock hour over the ordinary one, 0..3.
    pub factor: [f64; HOURS],
    /// Chance that an injection at an hour goes into the wrong plane, 0..1.
    pub plane_error: f64,
    /// Seed of the attempt.
    pub seed: u64,
}

/// The lens in its bag, as far as it sticks: all that does not change.
#[derive(Clone, Debug, PartialEq)]
pub struct Bed {
    /// Adhering area of a sector, mm².
    pub area_mm2: f64,
    /// Its first moment about the axis, mm³.
    pub moment_mm3: f64,
    /// Area of the lens seen along the axis, mm².
    pub face_mm2: f64,
    /// Lift at which the nucleus plugs the rhexis, mm; infinite where the rhexis lets it through.
    pub plug_lift_mm: f64,
    /// Adhesion by clock hour over the ordinary one, 0..3.
    pub factor: [f64; HOURS],
    /// Does fluid injected at the hour go into the wrong plane?
    pub strays: [bool; HOURS],
}

impl Bed {
    /// The bed of a lens of this shape under a rhexis, with a nucleus of this radius.
    pub fn new(shape: &Shape, rhexis_radius_mm: f64, nucleus_radius_mm: f64, sticking: &Sticking) -> Self {
        let rim = (rhexis_radius_mm / shape.equator_mm).clamp(0.0, 1.0);
        let back = surface(shape.equator_mm, shape.back_mm, FRAC_PI_2);
        let front = surface(shape.equator_mm, shape.front_mm, libm::acos(rim));
        let open = (rhexis_radius_mm / nucleus_radius_mm.max(1e-6)).clamp(0.0, 1.0);
        let plane = |hour| Key {
            seed: sticking.seed,
            purpose: Purpose::HydrodissectionPlane,
            place: [hour as i32, 0, 0],
            tick: 0,
        };
        Self {
            area_mm2: (back.0 + front.0) / HOURS as f64,
            moment_mm3: (back.1 + front.1) / HOURS as f64,
            face_mm2: PI * shape.equator_mm * shape.equator_mm,
            // The narrower the ring of nucleus under the rim, the farther it must rise to seal.
            plug_lift_mm: PLUG_LIFT_MM / (1.0 - open * open),
            factor: sticking.factor.map(|f| if f.is_finite() { f.clamp(0.0, 3.0) } else { 1.0 }),
            strays: core::array::from_fn(|hour| plane(hour).uniform(0) < sticking.plane_error),
        }
    }

    /// Mean arm of the adhering surface about the axis, mm.
    pub fn arm_mm(&self) -> f64 {
        self.moment_mm3 / self.area_mm2
    }

    /// Volume that frees a sector, µL.
    fn need_ul(&self, sector: usize) -> f64 {
        self.area_mm2 * FILM_MM * self.factor[sector]
    }
}

/// Area, mm², and first moment about the axis, mm³, of a half-ellipsoid from its equator to a parameter (π/2 is the
/// pole), by Simpson's rule on r = a·cos t, ds = √(a² sin² t + b² cos² t)·dt.
fn surface(a: f64, b: f64, to: f64) -> (f64, f64) {
    const PARTS: usize = 64;
    let step = to / PARTS as f64;
    (0..=PARTS).fold((0.0, 0.0), |(area, moment), i| {
        let (s, c) = (libm::sin(i as f64 * step), libm::cos(i as f64 * step));
        let weight = if i == 0 || i == PARTS { 1.0 } else { 2.0 + 2.0 * (i % 2) as f64 };
        let strip = weight * step / 3.0 * 2.0 * PI * a * c * libm::sqrt(a * a * s * s + b * b * c * c);
        (area + strip, moment + strip * a * c)
    })
}

/// Fluid injected under the rim.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Jet {
    /// Rate, µL/s.
    pub rate_ul_s: f64,
    /// Clock hour of the cannula's tip.
    pub hour: f64,
}

/// How the lens sticks now, and where the fluid is.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Adhesion {
    /// Freed share of each sector, 0..1; it never grows back.
    pub freed: [f64; HOURS],
    /// Fluid between lens and capsule in each sector, µL.
    pub film_ul: [f64; HOURS],
    /// Fluid behind the lens, µL.
    pub trapped_ul: f64,
    /// Fluid injected, µL.
    pub injected_ul: f64,
    /// Fluid that came out into the chamber, µL.
    pub escaped_ul: f64,
    /// Fluid that went into the cortex, µL.
    pub strayed_ul: f64,
}

impl Adhesion {
    /// A lens before anything was done.
    pub fn new(bed: &Bed) -> Self {
        Self {
            freed: bed.factor.map(|f| if f > 0.0 { 0.0 } else { 1.0 }),
            film_ul: [0.0; HOURS],
            trapped_ul: 0.0,
            injected_ul: 0.0,
            escaped_ul: 0.0,
            strayed_ul: 0.0,
        }
    }

    /// One tick of the wave: a jet, or none, and the force with which an instrument presses the nucleus back, µN. The
    /// press drives what is trapped on around the lens and tilts the nucleus off the rim.
    pub fn advance(&mut self, bed: &Bed, jet: Option<Jet>, push_un: f64, tick_s: f64) {
        let is_dry = self.trapped_ul < DRY_UL && self.film_ul.iter().all(|ul| *ul < DRY_UL);
        if jet.is_none() && is_dry {
            return;
        }
        let push_un = sane(push_un);
        let jet = jet.map(|jet| (sector_of_hour(sane(jet.hour)), sane(jet.rate_ul_s)));
        for _ in 0..SUB_STEPS {
            self.flow(bed, jet, push_un, sane(tick_s) / SUB_STEPS as f64);
        }
    }

    fn flow(&mut self, bed: &Bed, jet: Option<(usize, f64)>, push_un: f64, step_s: f64) {
        if let Some((at, rate_ul_s)) = jet {
            let volume = rate_ul_s * step_s;
            let astray = if bed.strays[at] { STRAY_SHARE * volume } else { 0.0 };
            self.injected_ul += volume;
            self.strayed_ul += astray;
            self.film_ul[at] += volume - astray;
        }
        for i in 0..HOURS {
            let need = bed.need_ul(i);
            self.freed[i] = self.freed[i].max(if need > 0.0 { (self.film_ul[i] / need).min(1.0) } else { 1.0 });
        }
        let pressure: [f64; HOURS] = core::array::from_fn(|i| {
            let capacity = self.freed[i] * bed.area_mm2 * FILM_COMPLIANCE_MM_PA;
            if capacity > 0.0 { self.film_ul[i] / capacity } else { 0.0 }
        });
        // What a place answers with: its fluid's pressure, or where it has none yet, the front's.
        let resists = |i: usize| if self.freed[i] > 0.0 { pressure[i] } else { PEEL_PA * bed.factor[i] };
        let behind = self.posterior_load_pa(bed, push_un);
        let rim = RIM_CONDUCTANCE_UL_S_PA * self.rhexis_open(bed, push_un);
        let through = FILM_CONDUCTANCE_UL_S_PA * step_s;
        let mut gain = [0.0; HOURS];
        let (mut pool_gain, mut out) = (0.0, 0.0);
        for i in 0..HOURS {
            let (left, right) = ((i + HOURS - 1) % HOURS, (i + 1) % HOURS);
            let reflux = if jet.is_some_and(|(at, _)| at == i) { REFLUX_CONDUCTANCE_UL_S_PA } else { 0.0 };
            let drop = |to: f64| self.freed[i] * through * (pressure[i] - to).max(0.0);
            let flows = [
                drop(resists(left)),
                drop(resists(right)),
                drop(behind),
                (rim * self.freed[i] + reflux) * step_s * pressure[i],
            ];
            let [to_left, to_right, to_pool, to_chamber] = limited(flows, self.film_ul[i]);
            gain[left] += to_left;
            gain[right] += to_right;
            gain[i] -= to_left + to_right + to_pool + to_chamber;
            pool_gain += to_pool;
            out += to_chamber;
        }
        let flows = core::array::from_fn(|i| through * (behind - resists(i)).max(0.0));
        for (i, volume) in limited::<HOURS>(flows, self.trapped_ul).into_iter().enumerate() {
            gain[i] += volume;
            pool_gain -= volume;
        }
        for (film, gain) in self.film_ul.iter_mut().zip(gain) {
            *film += gain;
        }
        self.trapped_ul += pool_gain;
        self.escaped_ul += out;
    }

    /// How far the fluid behind has lifted the lens, mm.
    pub fn lift_mm(&self, bed: &Bed) -> f64 {
        self.trapped_ul / bed.face_mm2
    }

    /// How far the rhexis is open to fluid, 0 (plugged by the nucleus) to 1, while the nucleus is pressed back, µN.
    pub fn rhexis_open(&self, bed: &Bed, push_un: f64) -> f64 {
        ((1.0 - self.lift_mm(bed) / bed.plug_lift_mm).max(0.0) + push_un / UNPLUG_UN).clamp(0.0, 1.0)
    }

    /// Pressure of the fluid behind the lens on the posterior capsule, Pa, while the nucleus is pressed back, µN.
    pub fn posterior_load_pa(&self, bed: &Bed, push_un: f64) -> f64 {
        let pressed = if self.trapped_ul > 0.0 { push_un / bed.face_mm2 } else { 0.0 };
        self.trapped_ul / POOL_COMPLIANCE_UL_PA + pressed
    }

    /// Torque at which the lens slides in its bag, µN·mm.
    pub fn slide_torque_un_mm(&self, bed: &Bed) -> f64 {
        (0..HOURS).map(|i| (SHEAR_PA * bed.factor[i] * (1.0 - self.freed[i]) + WET_SHEAR_PA) * bed.moment_mm3).sum()
    }

    /// Pull that a fragment's adhesion withstands, µN, from the share of each sector's surface it owns.
    pub fn hold_un(&self, bed: &Bed, sector_share: &[f64; HOURS]) -> f64 {
        let sector = |i: usize| sector_share[i].clamp(0.0, 1.0) * bed.factor[i] * (1.0 - self.freed[i]);
        SHEAR_PA * bed.area_mm2 * (0..HOURS).map(sector).sum::<f64>()
    }

    /// A fragment that owns these shares of the sectors has slid: its adhesion wears off.
    pub fn wear(&mut self, sector_share: &[f64; HOURS], slide_mm: f64) {
        for (freed, share) in self.freed.iter_mut().zip(sector_share) {
            *freed = (*freed + share.clamp(0.0, 1.0) * sane(slide_mm) / WEAR_SLIP_MM).min(1.0);
        }
    }
}

/// Volumes that leave a place in a sub-step, together at most half of what it has.
fn limited<const N: usize>(flows: [f64; N], has_ul: f64) -> [f64; N] {
    let sum: f64 = flows.iter().sum();
    let scale = if sum > 0.5 * has_ul { 0.5 * has_ul / sum } else { 1.0 };
    flows.map(|flow| flow * scale)
}

/// A finite number that is not negative, for anything.
fn sane(value: f64) -> f64 {
    if value.is_finite() { value.clamp(0.0, 1e9) } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::pa_from_mmhg;

    const TICK_S: f64 = 1.0 / 240.0;

    fn bed_with(factor: [f64; HOURS], plane_error: f64, rhexis_radius_mm: f64) -> Bed {
        let sticking = Sticking { factor, plane_error, seed: 1 };
        Bed::new(&Shape::new(9.4, 4.6), rhexis_radius_mm, 4.0, &sticking)
    }

    fn bed() -> Bed {
        bed_with([1.0; HOURS], 0.0, 2.5)
    }

    fn inject(lens: &mut Adhesion, bed: &Bed, volume_ul: f64, rate_ul_s: f64, hour: f64) {
        let ticks = libm::round(volume_ul / rate_ul_s / TICK_S) as u32;
        for _ in 0..ticks {
            lens.advance(bed, Some(Jet { rate_ul_s, hour }), 0.0, TICK_S);
        }
    }

    fn press(lens: &mut Adhesion, bed: &Bed, push_un: f64, seconds: f64) {
        for _ in 0..libm::round(seconds / TICK_S) as u32 {
            lens.advance(bed, None, push_un, TICK_S);
        }
    }

    fn injected(bed: &Bed, volume_ul: f64, rate_ul_s: f64, hour: f64) -> Adhesion {
        let mut lens = Adhesion::new(bed);
        inject(&mut lens, bed, volume_ul, rate_ul_s, hour);
        lens
    }

    fn freed(lens: &Adhesion) -> f64 {
        lens.freed.iter().sum()
    }

    #[test]
    fn clock_hours_run_clockwise_from_twelve_above() {
        for (hour, angle) in [(3.0, 0.0), (12.0, FRAC_PI_2), (9.0, -PI), (6.0, -FRAC_PI_2)] {
            assert!((libm::cos(angle_of_hour_rad(hour) - angle) - 1.0).abs() < 1e-12, "{hour}");
        }
        for tenth in 1..=120 {
            let hour = tenth as f64 / 10.0;
            // Rounding of a few ulp only; a turn more or less is the same hour.
            for turn in [-2.0 * PI, 0.0, 2.0 * PI] {
                let back = hour_of_angle(angle_of_hour_rad(hour) + turn);
                let off = (back - hour).abs();
                assert!(off.min(12.0 - off) < 1e-9 && back > 0.0 && back <= 12.0, "{hour} {back}");
            }
        }
        assert_eq!([12.0, 0.2, 11.6, 6.0, -1.0].map(sector_of_hour), [0, 0, 0, 6, 11]);
    }

    /// Closed form of an oblate spheroid's surface; Simpson's rule in 64 parts errs by (π/128)⁴/180 of a derivative of
    /// order ten.
    #[test]
    fn area_is_that_of_a_half_spheroid() {
        let (a, b) = (4.7, 2.7f64);
        let e = libm::sqrt(1.0 - b * b / (a * a));
        let exact = PI * a * a * (1.0 + (1.0 - e * e) / e * libm::atanh(e));
        assert!((surface(a, b, FRAC_PI_2).0 / exact - 1.0).abs() < 1e-6);
        let sphere = surface(a, a, FRAC_PI_2);
        assert!((sphere.1 / (0.5 * PI * PI * a * a * a) - 1.0).abs() < 1e-6);
    }

    /// A chopper at 3 mm pushes with some 20–100 mN (A); freed, a few mN turn the lens.
    #[test]
    fn a_lens_that_was_not_freed_resists_a_chopper_and_a_freed_one_turns() {
        let bed = bed();
        let mut lens = Adhesion::new(&bed);
        let at_arm_un = lens.slide_torque_un_mm(&bed) / 3.0;
        assert!((20_000.0..100_000.0).contains(&at_arm_un), "{at_arm_un}");
        lens.freed = [1.0; HOURS];
        let at_arm_un = lens.slide_torque_un_mm(&bed) / 3.0;
        assert!((500.0..5_000.0).contains(&at_arm_un), "{at_arm_un}");
    }

    #[test]
    fn more_volume_frees_more_and_a_slow_trickle_runs_back() {
        let bed = bed();
        let by_volume = [5.0, 10.0, 20.0, 40.0].map(|ul| freed(&injected(&bed, ul, 80.0, 12.0)));
        assert!(by_volume.is_sorted_by(|a, b| a < b), "{by_volume:?}");
        let (trickle, brisk) = (injected(&bed, 40.0, 20.0, 12.0), injected(&bed, 40.0, 80.0, 12.0));
        assert!(freed(&trickle) < 0.1 && freed(&brisk) > 6.0, "{} {}", freed(&trickle), freed(&brisk));
    }

    #[test]
    fn the_wave_frees_from_the_jet_on_and_crosses_the_back() {
        let bed = bed();
        let lens = injected(&bed, 20.0, 80.0, 12.0);
        assert!(lens.freed[0] > lens.freed[1] && lens.freed[1] > lens.freed[3], "{:?}", lens.freed);
        for i in 1..6 {
            // A mirror image, but for the order of sums.
            assert!((lens.freed[i] - lens.freed[12 - i]).abs() < 1e-12, "sector {i}: {:?}", lens.freed);
        }
        let lens = injected(&bed, 40.0, 80.0, 12.0);
        assert!(lens.freed[6] > 0.5, "the wave crossed behind the lens: {:?}", lens.freed);
    }

    #[test]
    fn a_stuck_sector_needs_more_or_another_place() {
        let mut factor = [1.0; HOURS];
        factor[6] = 3.0;
        let bed = bed_with(factor, 0.0, 2.5);
        let far = injected(&bed, 60.0, 80.0, 12.0);
        assert!(far.freed[6] < 0.2 && far.freed[3] > 0.9, "{:?}", far.freed);
        let mut again = far.clone();
        press(&mut again, &bed, 50_000.0, 2.0);
        let mut same_place = again.clone();
        inject(&mut same_place, &bed, 90.0, 240.0, 12.0);
        inject(&mut again, &bed, 90.0, 240.0, 6.0);
        assert!(again.freed[6] > same_place.freed[6] + 0.3, "{} {}", again.freed[6], same_place.freed[6]);
        assert!(injected(&bed, 240.0, 160.0, 12.0).freed[6] > far.freed[6] + 0.3, "much more also does it");
    }

    /// A stuck sector peels at three times the ordinary pressure; this wave stays below it.
    #[test]
    fn a_front_does_not_pass_below_its_peeling_pressure() {
        let mut factor = [1.0; HOURS];
        factor[1] = 3.0;
        let lens = injected(&bed_with(factor, 0.0, 2.5), 40.0, 40.0, 12.0);
        assert!(lens.freed[0] > 0.3 && lens.freed[11] > 0.0, "{:?}", lens.freed);
        assert_eq!(lens.freed[1], 0.0);
    }

    #[test]
    fn the_wrong_plane_frees_little_and_another_hour_makes_up_for_it() {
        let mut bed = bed();
        bed.strays[4] = true;
        let mut lens = injected(&bed, 40.0, 80.0, 4.0);
        assert!(freed(&lens) < 0.5 && lens.strayed_ul > 30.0, "{lens:?}");
        inject(&mut lens, &bed, 80.0, 80.0, 8.0);
        assert!(lens.freed[4] > 0.9, "{:?}", lens.freed);
    }

    #[test]
    fn planes_are_drawn_by_seed_and_chance() {
        let strays = |seed, plane_error| {
            let sticking = Sticking { factor: [1.0; HOURS], plane_error, seed };
            Bed::new(&Shape::new(9.4, 4.6), 2.5, 4.0, &sticking).strays
        };
        assert_eq!(strays(7, 0.3), strays(7, 0.3));
        assert_eq!((strays(7, 0.0), strays(7, 1.0)), ([false; HOURS], [true; HOURS]));
        let count: usize = (0..400).map(|seed| strays(seed, 0.3).iter().filter(|s| **s).count()).sum();
        // 4800 draws at 0.3: mean 1440, standard deviation 32; four of them.
        assert!((count as f64 - 1440.0).abs() < 128.0, "{count}");
    }

    #[test]
    fn a_nucleus_that_plugs_the_rhexis_traps_the_wave() {
        let trapped = |rhexis_radius_mm| {
            let bed = bed_with([1.0; HOURS], 0.0, rhexis_radius_mm);
            let mut lens = injected(&bed, 80.0, 80.0, 12.0);
            press(&mut lens, &bed, 0.0, 10.0);
            (lens.trapped_ul, lens.posterior_load_pa(&bed, 0.0), lens.rhexis_open(&bed, 0.0))
        };
        let (ordinary, wide) = (trapped(2.5), trapped(4.1));
        assert!(ordinary.0 > 10.0 && ordinary.1 > pa_from_mmhg(20.0) && ordinary.2 == 0.0, "{ordinary:?}");
        assert!(wide.0 < 0.01 && wide.2 > 0.99, "{wide:?}");
    }

    /// Donor capsules broke at a median suction of 200 mmHg (values.md, S).
    #[test]
    fn only_a_forceful_injection_loads_the_capsule_beyond_its_strength() {
        let bed = bed();
        let load = |rate| injected(&bed, 400.0, rate, 12.0).posterior_load_pa(&bed, 0.0);
        assert!(load(80.0) < pa_from_mmhg(100.0), "{}", load(80.0));
        assert!(load(600.0) > pa_from_mmhg(200.0), "{}", load(600.0));
    }

    #[test]
    fn pressing_the_nucleus_back_lets_the_wave_out_the_faster_the_harder() {
        let bed = bed();
        let full = injected(&bed, 80.0, 80.0, 12.0);
        let left = [0.0, 10_000.0, 20_000.0, 40_000.0].map(|push_un| {
            let mut lens = full.clone();
            press(&mut lens, &bed, push_un, 0.5);
            lens.trapped_ul
        });
        assert!(left[0] > 0.99 * full.trapped_ul && left.is_sorted_by(|a, b| a > b), "{left:?}");
        let mut lens = full.clone();
        press(&mut lens, &bed, 50_000.0, 2.0);
        press(&mut lens, &bed, 0.0, 1.0);
        assert!(lens.posterior_load_pa(&bed, 0.0) < pa_from_mmhg(2.0), "{lens:?}");
    }

    #[test]
    fn pressing_drives_the_wave_around() {
        let bed = bed();
        let part = injected(&bed, 24.0, 80.0, 12.0);
        let [alone, pressed] = [0.0, 30_000.0].map(|push_un| {
            let mut lens = part.clone();
            press(&mut lens, &bed, push_un, 0.1);
            freed(&lens)
        });
        assert!(pressed > alone + 0.05, "{pressed} {alone}");
    }

    #[test]
    fn no_fluid_is_lost() {
        let bed = bed_with(core::array::from_fn(|i| 0.3 * i as f64), 0.4, 2.2);
        let mut lens = Adhesion::new(&bed);
        for n in 0..200u32 {
            let jet = (n % 3 > 0).then_some(Jet { rate_ul_s: (n * 37 % 400) as f64, hour: (n * 5 % 12) as f64 });
            for _ in 0..10 {
                lens.advance(&bed, jet, (n * 11 % 5 * 10_000) as f64, TICK_S);
            }
            let places = lens.film_ul.iter().sum::<f64>() + lens.trapped_ul + lens.escaped_ul + lens.strayed_ul;
            assert!((places - lens.injected_ul).abs() <= 1e-12 * lens.injected_ul.max(1.0), "{n}");
            assert!(lens.trapped_ul >= 0.0 && lens.film_ul.iter().all(|ul| *ul >= 0.0));
        }
    }

    #[test]
    fn the_same_acts_give_the_same_bits() {
        let run = || {
            let bed = bed_with([1.3; HOURS], 0.3, 2.5);
            let mut lens = injected(&bed, 33.0, 90.0, 10.0);
            press(&mut lens, &bed, 15_000.0, 0.3);
            lens.freed.map(f64::to_bits)
        };
        assert_eq!(run(), run());
    }

    /// First order: with half the step the error halves.
    #[test]
    fn the_wave_converges_with_the_tick() {
        let bed = bed();
        let run = |parts: u32| {
            let mut lens = Adhesion::new(&bed);
            for _ in 0..60 * parts {
                let jet = Some(Jet { rate_ul_s: 80.0, hour: 12.0 });
                lens.advance(&bed, jet, 0.0, TICK_S / parts as f64);
            }
            freed(&lens)
        };
        let fine = run(32);
        let errors = [1, 2, 4].map(|parts| (run(parts) - fine).abs());
        assert!(errors[0] < 0.02 * fine, "{errors:?} of {fine}");
        assert!(errors[1] < 0.7 * errors[0] && errors[2] < 0.7 * errors[1], "{errors:?}");
    }

    #[test]
    fn fragments_hold_together_as_the_whole_does_and_sliding_wears_it_off() {
        let bed = bed();
        let mut lens = Adhesion::new(&bed);
        let whole = lens.hold_un(&bed, &[1.0; HOURS]);
        assert!((whole / (SHEAR_PA * bed.area_mm2 * 12.0) - 1.0).abs() < 1e-12);
        let part: [f64; HOURS] = core::array::from_fn(|i| 0.05 * i as f64);
        let halves = lens.hold_un(&bed, &part) + lens.hold_un(&bed, &part.map(|p| 1.0 - p));
        assert!((halves / whole - 1.0).abs() < 1e-12);
        lens.wear(&[1.0; HOURS], 0.25 * WEAR_SLIP_MM);
        assert!((lens.hold_un(&bed, &[1.0; HOURS]) / whole - 0.75).abs() < 1e-12);
        lens.wear(&[1.0; HOURS], 5.0);
        assert_eq!(lens.hold_un(&bed, &[1.0; HOURS]), 0.0);
    }

    #[test]
    fn no_input_makes_it_infinite() {
        let bed = bed_with([f64::NAN, 0.0, 9.0, -1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 3.0], f64::NAN, 4.7);
        let mut lens = Adhesion::new(&bed);
        for wild in [f64::NAN, f64::INFINITY, -1e300, 1e300, 5.0] {
            lens.advance(&bed, Some(Jet { rate_ul_s: wild, hour: wild }), wild, TICK_S);
            lens.wear(&[0.1; HOURS], wild);
            let sum = lens.trapped_ul + lens.escaped_ul + lens.film_ul.iter().sum::<f64>() + freed(&lens);
            assert!((sum + lens.slide_torque_un_mm(&bed)).is_finite(), "{wild}");
        }
    }
}

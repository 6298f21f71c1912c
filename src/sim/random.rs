//! Counter-based random numbers: a number is a pure function of (seed, purpose, place, tick).
//!
//! Nothing is drawn from a stream, so changing one decision never reshuffles the rest, and two runs that differ in one
//! thing see the same lens and the same hands. The mixer is the 64-bit finaliser of Steele, Lea & Flood 2014
//! ("Fast splittable pseudorandom number generators", OOPSLA), applied once for each part of the key.
//! Guarantee: the same key gives the same bits on every platform. Limit: not for secrets.

/// What a random number is for; part of its key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// The lens's heterogeneity (place: lattice node).
    Heterogeneity = 1,
    /// Whether fluid injected at a clock hour goes into the wrong plane (place: the hour).
    HydrodissectionPlane = 2,
    /// By how much hands miss what they aim at (place: step of the plan).
    Hands = 3,
    /// What a simulated trainee is like, sees and forgets (place: which of these; tick: the decision).
    Trainee = 4,
    /// The eye of a day (tick: the day).
    Daily = 5,
}

/// The key: seed, purpose, place and tick.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Key {
    /// Seed of the attempt.
    pub seed: u64,
    /// What for.
    pub purpose: Purpose,
    /// Where, as three lattice coordinates.
    pub place: [i32; 3],
    /// When; 0 for what does not change.
    pub tick: u64,
}

fn mix(mut z: u64) -> u64 {
    z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

impl Key {
    /// 64 bits for this key; `index` tells apart several numbers under one key.
    pub fn bits(self, index: u64) -> u64 {
        let [x, y, z] = self.place.map(|c| c as u32 as u64);
        [self.purpose as u64, x | (y << 32), z, self.tick, index]
            .into_iter()
            .fold(mix(self.seed), |h, part| mix(h ^ mix(part)))
    }

    /// Uniform in the open interval (0, 1).
    pub fn uniform(self, index: u64) -> f64 {
        ((self.bits(index) >> 11) as f64 + 0.5) * (1.0 / 9_007_199_254_740_992.0)
    }

    /// Standard normal (Box & Muller 1958).
    pub fn normal(self, index: u64) -> f64 {
        let (u, v) = (self.uniform(2 * index), self.uniform(2 * index + 1));
        libm::sqrt(-2.0 * libm::log(u)) * libm::cos(2.0 * core::f64::consts::PI * v)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(n: i32) -> Key {
        Key { seed: 7, purpose: Purpose::Heterogeneity, place: [n, -n, n / 7], tick: 0 }
    }

    #[test]
    fn normal_numbers_have_the_moments_of_a_normal() {
        let n = 40_000;
        let (mut mean, mut square) = (0.0, 0.0);
        for i in 0..n {
            let x = key(i).normal(0);
            mean += x / n as f64;
            square += x * x / n as f64;
        }
        assert!(mean.abs() < 0.02, "mean {mean}"); // four standard errors
        assert!((square - 1.0).abs() < 0.03, "variance {square}");
    }

    #[test]
    fn every_part_of_the_key_matters() {
        let base = key(3);
        let others = [
            Key { seed: 8, ..base },
            Key { place: [3, -3, 1], ..base },
            Key { place: [-3, 3, 0], ..base },
            Key { tick: 1, ..base },
        ];
        for other in others {
            assert_ne!(base.bits(0), other.bits(0), "{other:?}");
        }
        assert_ne!(base.bits(0), base.bits(1));
    }
}

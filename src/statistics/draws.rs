//! Draws for tests that hold a computed chance against a simulated one: SplitMix64 (Steele, Lea & Flood 2014), so that a test is the
//! same every time. Nothing outside of tests draws.

/// A stream of draws from a seed.
pub(super) struct Draws(pub u64);

impl Draws {
    /// Evenly in 0..1.
    pub fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// So with this chance.
    pub fn is(&mut self, chance: f64) -> bool {
        self.unit() < chance
    }

    /// About 0 with a standard deviation of 1 (Box & Muller 1958).
    pub fn normal(&mut self) -> f64 {
        let (radius, angle) = (1.0 - self.unit(), std::f64::consts::TAU * self.unit());
        (-2.0 * radius.ln()).sqrt() * angle.cos()
    }
}

/// Is a simulated share what was computed, within four standard errors of so many runs?
pub(super) fn agrees(simulated: usize, runs: usize, computed: f64) -> bool {
    let share = simulated as f64 / runs as f64;
    (share - computed).abs() <= 4.0 * (computed * (1.0 - computed) / runs as f64).sqrt()
}

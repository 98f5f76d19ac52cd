//! Random draws from a seed: the same seed gives the same cast on every machine.

/// A seeded source of draws.
pub(crate) struct Dice(fastrand::Rng);

impl Dice {
    /// Dice for one purpose (`stream`) of one thing (`seed`): draws for different purposes do
    /// not disturb one another.
    pub(crate) fn new(seed: u64, stream: u64) -> Self {
        Dice(fastrand::Rng::with_seed(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (stream << 17)))
    }

    /// Uniform in `[low, high)`.
    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.f64()
    }

    /// Normal with mean 0 and standard deviation 1 (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        let radius = (-2.0 * (1.0 - self.0.f64()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.0.f64()).cos()
    }

    /// True with probability `p`.
    pub(crate) fn chance(&mut self, p: f64) -> bool {
        self.0.f64() < p
    }

    /// One of the things.
    pub(crate) fn pick<'a, T>(&mut self, things: &'a [T]) -> &'a T {
        &things[self.0.usize(0..things.len())]
    }

    /// White noise in `[-1, 1)`, cheap enough for every sample.
    pub(crate) fn white(&mut self) -> f32 {
        self.0.f32() * 2.0 - 1.0
    }
}

//! Brings a sound of any rate to the fingerprint's.

use super::RATE_HZ;
use crate::math::vectors::in_vectors;

/// Three running means in a row, then cubic interpolation. What folds down from the top of the
/// range is 50 dB lower, so that a copy without its treble has the same bottom.
pub(super) struct Low {
    down: usize,
    kernel: Vec<f32>,
    pending: Vec<f32>,
    /// Sound at the rate divided by `down`.
    coarse: Vec<f32>,
    /// Coarse samples from one output to the next, and where the next lies in `coarse`.
    step: f64,
    at: f64,
}

impl Low {
    pub(super) fn new(rate_hz: u32) -> Self {
        let rate = f64::from(rate_hz.max(4_000));
        let down = ((rate / RATE_HZ) as usize).max(1);
        let mean = vec![1.0 / down as f32; down];
        let mut kernel = convolved(&convolved(&mean, &mean), &mean);
        let middle = kernel.len() / 2;
        kernel.resize(kernel.len().next_multiple_of(LANES), 0.0);
        Self {
            down,
            // The first output lies at the first sample.
            pending: vec![0.0; middle],
            kernel,
            coarse: vec![0.0],
            step: rate / down as f64 / RATE_HZ,
            at: 1.0,
        }
    }

    pub(super) fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.pending.extend_from_slice(samples);
        lower(&self.pending, &self.kernel, self.down, &mut self.coarse);
        let whole = (self.pending.len() + self.down).saturating_sub(self.kernel.len());
        let spent = whole / self.down * self.down;
        self.pending.drain(..spent.min(self.pending.len()));
        self.at = read(&self.coarse, self.at, self.step, out);
        let spent = (self.at as usize - 1).min(self.coarse.len());
        self.coarse.drain(..spent);
        self.at -= spent as f64;
    }
}

/// Lanes that a compiler turns into vectors.
const LANES: usize = 8;

in_vectors! {
    /// Appends the product of the kernel with the samples from every `down`th on.
    fn lower(samples: &[f32], kernel: &[f32], down: usize, out: &mut Vec<f32>) {
        for around in samples.windows(kernel.len()).step_by(down) {
            let sum = product(around, kernel);
            out.push(if sum.is_finite() { sum } else { 0.0 });
        }
    }
}

in_vectors! {
    /// Appends what lies at `at` and every `step` on, and gives the first place out of reach.
    fn read(samples: &[f32], at: f64, step: f64, out: &mut Vec<f32>) -> f64 {
        let mut at = at;
        while (at as usize) + 2 < samples.len() {
            out.push(between(&samples[at as usize - 1..], at.fract() as f32));
            at += step;
        }
        at
    }
}

#[inline(always)]
fn product(samples: &[f32], kernel: &[f32]) -> f32 {
    let mut sums = [0.0f32; LANES];
    let (samples, kernel) = (samples.as_chunks::<LANES>().0, kernel.as_chunks::<LANES>().0);
    for (samples, kernel) in samples.iter().zip(kernel) {
        for lane in 0..LANES {
            sums[lane] += samples[lane] * kernel[lane];
        }
    }
    sums.iter().sum()
}

fn convolved(a: &[f32], b: &[f32]) -> Vec<f32> {
    let mut sum = vec![0.0; a.len() + b.len() - 1];
    for (at, a) in a.iter().enumerate() {
        sum[at..].iter_mut().zip(b).for_each(|(sum, b)| *sum += a * b);
    }
    sum
}

/// The cubic through four samples, between the middle two (Catmull and Rom, 1974).
#[inline(always)]
fn between(samples: &[f32], part: f32) -> f32 {
    let [a, b, c, d] = [samples[0], samples[1], samples[2], samples[3]];
    let slope = 0.5 * (c - a);
    let bend = a - 2.5 * b + 2.0 * c - 0.5 * d;
    let twist = 0.5 * (d - a) + 1.5 * (b - c);
    ((twist * part + bend) * part + slope) * part + b
}

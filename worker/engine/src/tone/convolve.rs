//! Convolution with a long response, block by block in the frequency domain.
//!
//! The response is cut into partitions of one length; each is transformed once. A block of input
//! is transformed once too and kept as long as any partition still needs it: the spectra of
//! blocks and partitions that belong together are multiplied and added, and one transform gives
//! the block that comes out (uniformly partitioned overlap-save; T. G. Stockham, "High-speed
//! convolution and correlation", AFIPS 1966; A. Torger and A. Farina, "Real-time partitioned
//! convolution for ambiophonics surround sound", IEEE WASPAA 2001). Nothing is late: a block that
//! is not full yet is worked on as it stands, and again when more of it has come.

use ripieno_transform::{Complex, ComplexToReal, RealToComplex, double};
use std::collections::VecDeque;
use std::sync::Arc;

/// Frames of a block and of a partition: at two to ten seconds of response the transforms and the
/// products cost about the same.
const BLOCK: usize = 16_384;

type Spectrum = Vec<Complex<f64>>;

/// One channel convolved with one response.
pub(super) struct Convolver {
    partitions: Vec<Spectrum>,
    /// Spectra of the full blocks before the one that grows, newest first.
    blocks: VecDeque<Spectrum>,
    /// The block before the one that grows, and that one as far as it has come.
    before: Vec<f64>,
    grows: Vec<f64>,
    forward: Arc<dyn RealToComplex<f64>>,
    inverse: Arc<dyn ComplexToReal<f64>>,
}

impl Convolver {
    /// A convolver for a response, from silence.
    pub(super) fn new(response: &[f32]) -> Self {
        let forward = double::forward_of_real(2 * BLOCK);
        let inverse = double::inverse_to_real(2 * BLOCK);
        let partition = |part: &[f32]| {
            // The inverse transform gives 2·BLOCK times the signal.
            let scale = 1.0 / (2 * BLOCK) as f64;
            let mut padded = vec![0.0; 2 * BLOCK];
            padded.iter_mut().zip(part).for_each(|(to, tap)| *to = f64::from(*tap) * scale);
            transform(&forward, &mut padded)
        };
        let partitions: Vec<Spectrum> = response.chunks(BLOCK).map(partition).collect();
        let (before, grows) = (vec![0.0; BLOCK], Vec::with_capacity(BLOCK));
        Self { partitions, blocks: VecDeque::new(), before, grows, forward, inverse }
    }

    /// Takes some input and appends as much output.
    pub(super) fn process(&mut self, input: &[f32], out: &mut Vec<f32>) {
        let mut rest = input;
        while !rest.is_empty() {
            let known = self.grows.len();
            let (head, tail) = rest.split_at(rest.len().min(BLOCK - known));
            self.grows.extend(head.iter().map(|&sample| f64::from(sample)));
            let spectrum = self.spectrum();
            let block = self.block(&spectrum);
            let fresh = &block[BLOCK + known..BLOCK + self.grows.len()];
            out.extend(fresh.iter().map(|&sample| sample as f32));
            if self.grows.len() == BLOCK {
                self.blocks.push_front(spectrum);
                self.blocks.truncate(self.partitions.len().saturating_sub(1));
                std::mem::swap(&mut self.before, &mut self.grows);
                self.grows.clear();
            }
            rest = tail;
        }
    }

    /// The spectrum of the last block and of the one that grows, silence following.
    fn spectrum(&self) -> Spectrum {
        let mut both = Vec::with_capacity(2 * BLOCK);
        both.extend_from_slice(&self.before);
        both.extend_from_slice(&self.grows);
        both.resize(2 * BLOCK, 0.0);
        transform(&self.forward, &mut both)
    }

    /// What comes out; the second half is the block that grows.
    fn block(&self, newest: &Spectrum) -> Vec<f64> {
        let mut sum = vec![Complex::new(0.0, 0.0); BLOCK + 1];
        let blocks = std::iter::once(newest).chain(&self.blocks);
        for (partition, block) in self.partitions.iter().zip(blocks) {
            for ((sum, a), b) in sum.iter_mut().zip(partition).zip(block) {
                *sum += a * b;
            }
        }
        // The first and the last bin of a real signal's spectrum are real.
        sum[0].im = 0.0;
        sum[BLOCK].im = 0.0;
        let mut out = vec![0.0; 2 * BLOCK];
        let done = self.inverse.process(&mut sum, &mut out);
        debug_assert!(done.is_ok(), "the lengths are the planned ones");
        out
    }
}

fn transform(plan: &Arc<dyn RealToComplex<f64>>, signal: &mut [f64]) -> Spectrum {
    let mut spectrum = plan.make_output_vec();
    let done = plan.process(signal, &mut spectrum);
    debug_assert!(done.is_ok(), "the lengths are the planned ones");
    spectrum
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(seed: u64, frames: usize) -> Vec<f32> {
        let mut random = fastrand::Rng::with_seed(seed);
        (0..frames).map(|_| random.f32() - 0.5).collect()
    }

    /// The obvious twin, at some places.
    #[test]
    fn it_is_the_sum_of_products_wherever_the_input_is_cut() {
        let response = noise(1, 2 * BLOCK + 777);
        let input = noise(2, 4 * BLOCK + 99);
        for step in [input.len(), BLOCK, 24_000, 5_001] {
            let mut convolver = Convolver::new(&response);
            let mut out = Vec::new();
            for part in input.chunks(step) {
                convolver.process(part, &mut out);
            }
            assert_eq!(out.len(), input.len());
            for at in (0..out.len()).step_by(1_733).chain([out.len() - 1]) {
                let sum: f64 = (0..=at.min(response.len() - 1))
                    .map(|lag| f64::from(response[lag]) * f64::from(input[at - lag]))
                    .sum();
                assert!((sum - f64::from(out[at])).abs() < 1e-5, "{at}: {sum} {}", out[at]);
            }
        }
    }
}

//! Halving of the sample rate, for analysis only.

use crate::math::bessel::bessel_i0;
use crate::math::vectors::in_vectors;

/// How often `rate_hz` can be halved without falling below `floor_hz`.
pub(super) fn halvings(rate_hz: f64, floor_hz: f64) -> u32 {
    let mut times = 0;
    let mut rate = rate_hz / 2.0;
    while rate >= floor_hz {
        times += 1;
        rate /= 2.0;
    }
    times
}

/// A cascade of half-band filters, each followed by dropping every other sample.
pub(super) struct Decimator {
    stages: Vec<HalfBand>,
    spare: Vec<f32>,
}

impl Decimator {
    pub(super) fn new(halvings: u32) -> Self {
        Self { stages: (0..halvings).map(|_| HalfBand::new()).collect(), spare: Vec::new() }
    }

    pub(super) fn factor(&self) -> usize {
        1 << self.stages.len()
    }

    /// By how much the output lags, in input samples.
    pub(super) fn delay(&self) -> f64 {
        (CENTRE * (self.factor() - 1)) as f64
    }

    pub(super) fn push(&mut self, block: &[f32], out: &mut Vec<f32>) {
        let mut current: Vec<f32> = std::mem::take(&mut self.spare);
        current.clear();
        current.extend(block.iter().map(|&x| if x.is_finite() { x } else { 0.0 }));
        for stage in &mut self.stages {
            stage.halve(&mut current);
        }
        out.extend_from_slice(&current);
        self.spare = current;
    }

    /// Pushes out what the filters still hold.
    pub(super) fn flush(&mut self, out: &mut Vec<f32>) {
        self.push(&vec![0.0; self.delay() as usize], out);
    }
}

/// Centre tap; the filter has `2 * CENTRE + 1` taps, of which every other one is zero.
const CENTRE: usize = 15;
const PAIRS: usize = CENTRE.div_ceil(2);

/// Outputs summed at a time.
const TOGETHER: usize = 512;

/// Even and odd input samples lie apart, so that the sums of many outputs run side by side.
struct HalfBand {
    taps: [f32; PAIRS],
    /// What is not used up of the samples that the outputs are centred between, and on.
    even: Vec<f32>,
    odd: Vec<f32>,
    /// Whether the next sample is an odd one.
    is_odd: bool,
}

impl HalfBand {
    /// Windowed-sinc half band, Kaiser β = 6 (about −65 dB).
    fn new() -> Self {
        let mut taps = [0.0; PAIRS];
        for (pair, tap) in taps.iter_mut().enumerate() {
            let n = (2 * pair + 1) as f64;
            let x = n / (CENTRE as f64 + 1.0);
            let window = bessel_i0(6.0 * (1.0 - x * x).sqrt()) / bessel_i0(6.0);
            let sinc = (std::f64::consts::FRAC_PI_2 * n).sin() / (std::f64::consts::PI * n);
            *tap = (sinc * window) as f32;
        }
        let gain = 0.5 / taps.iter().sum::<f32>() / 2.0;
        taps.iter_mut().for_each(|tap| *tap *= gain);
        Self { taps, even: vec![0.0; CENTRE], odd: vec![0.0; CENTRE], is_odd: false }
    }

    /// Puts every other sample of the low-passed input in its place.
    fn halve(&mut self, samples: &mut Vec<f32>) {
        let lone = usize::from(self.is_odd).min(samples.len());
        self.odd.extend(&samples[..lone]);
        let (pairs, last) = samples[lone..].as_chunks::<2>();
        self.even.extend(pairs.iter().map(|pair| pair[0]));
        self.odd.extend(pairs.iter().map(|pair| pair[1]));
        self.even.extend(last);
        self.is_odd ^= !samples.len().is_multiple_of(2);
        // An output takes so many even samples from its own on, and the odd one in their middle.
        let count = (self.even.len() + 1).saturating_sub(2 * PAIRS);
        samples.clear();
        samples.extend(self.odd[PAIRS - 1..][..count].iter().map(|centre| 0.5 * centre));
        add_pairs(&self.taps, &self.even, samples);
        self.even.drain(..count);
        self.odd.drain(..count);
    }
}

in_vectors! {
    /// Adds to every sum the even samples before and after it by their taps.
    fn add_pairs(taps: &[f32; PAIRS], even: &[f32], sums: &mut [f32]) {
        for (number, sums) in sums.chunks_mut(TOGETHER).enumerate() {
            let even = &even[number * TOGETHER..];
            for (pair, tap) in taps.iter().enumerate() {
                let before = &even[PAIRS - 1 - pair..][..sums.len()];
                let after = &even[PAIRS + pair..][..sums.len()];
                for ((sum, before), after) in sums.iter_mut().zip(before).zip(after) {
                    *sum += tap * (before + after);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The filter by its definition, output by output.
    fn slowly(input: &[f32]) -> Vec<f32> {
        let taps = HalfBand::new().taps;
        let at =
            |n: i64| usize::try_from(n).ok().and_then(|n| input.get(n)).copied().unwrap_or(0.0);
        let output = |end: i64| {
            let centre = end - CENTRE as i64;
            let pair = |(pair, tap): (usize, &f32)| {
                let n = 2 * pair as i64 + 1;
                tap * (at(centre - n) + at(centre + n))
            };
            0.5 * at(centre) + taps.iter().enumerate().map(pair).sum::<f32>()
        };
        (0..input.len() as i64).step_by(2).map(output).collect()
    }

    #[test]
    fn halving_is_the_filter_by_its_definition_whatever_the_blocks() {
        let input: Vec<f32> = (0..997).map(|n| (n as f32 * 0.37).sin() + (n % 7) as f32).collect();
        let expected = slowly(&input);
        for size in [1, 2, 3, 64, 997] {
            let mut decimator = Decimator::new(1);
            let mut halved = Vec::new();
            for block in input.chunks(size) {
                decimator.push(block, &mut halved);
                decimator.push(&[], &mut halved);
            }
            assert_eq!(halved.len(), expected.len(), "{size}");
            for (got, wanted) in halved.iter().zip(&expected) {
                assert!((got - wanted).abs() < 1e-5, "{size}: {got} {wanted}");
            }
        }
    }
}

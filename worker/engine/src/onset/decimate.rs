//! Halving of the sample rate, for analysis only.

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

struct HalfBand {
    taps: [f32; PAIRS],
    history: Vec<f32>,
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
        Self { taps, history: vec![0.0; 2 * CENTRE] }
    }

    fn halve(&mut self, samples: &mut Vec<f32>) {
        self.history.append(samples);
        let mut at = 2 * CENTRE;
        while at < self.history.len() {
            let centre = at - CENTRE;
            let mut sum = 0.5 * self.history[centre];
            for (pair, tap) in self.taps.iter().enumerate() {
                let n = 2 * pair + 1;
                sum += tap * (self.history[centre - n] + self.history[centre + n]);
            }
            samples.push(sum);
            at += 2;
        }
        // An odd block leaves one sample whose turn comes with the next block.
        self.history.drain(..at - 2 * CENTRE);
    }
}

fn bessel_i0(x: f64) -> f64 {
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 1..40 {
        term *= (x / 2.0 / k as f64).powi(2);
        sum += term;
    }
    sum
}

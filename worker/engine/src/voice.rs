//! The synthesised sounds of a guide track: click and chord voice. Samples only.
//!
//! Both are made to be lived with for hours in headphones: no buzz, no hard edge, little energy
//! where ears tire (2–5 kHz).

use std::f64::consts::TAU;

use crate::math::vectors::in_vectors;

/// Frequency of a MIDI note number: ISO 16, A4 (69) = 440 Hz, equal temperament.
pub fn pitch_hz(note: f64) -> f64 {
    440.0 * ((note - 69.0) / 12.0).exp2()
}

/// How a beat is clicked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Click {
    /// First beat of a bar.
    Bar,
    /// Any other beat.
    Beat,
}

/// A click like a small block of wood; it begins at sample 0 and peaks at 1 within 3 ms.
pub fn click(kind: Click, rate_hz: u32) -> Vec<f32> {
    let rate = f64::from(rate_hz);
    let tone_hz = match kind {
        Click::Bar => pitch_hz(91.0),
        Click::Beat => pitch_hz(84.0),
    };
    // The first modes of a bar free at both ends lie at 1 : 2.756 : 5.404 (Fletcher & Rossing,
    // The Physics of Musical Instruments, ch. 2; from memory).
    let modes = [(1.0, 1.0, 0.030), (2.756, 0.22, 0.010), (5.404, 0.05, 0.005)];
    let value = |i: usize| {
        let t = i as f64 / rate;
        let attack = (t / 0.000_8).min(1.0);
        let attack = attack * attack * (3.0 - 2.0 * attack);
        let ring = modes.iter().filter(|(ratio, ..)| ratio * tone_hz < 0.45 * rate);
        attack
            * ring
                .map(|(ratio, level, decay_s)| {
                    level * (-t / decay_s).exp() * (TAU * ratio * tone_hz * t).sin()
                })
                .sum::<f64>()
    };
    let samples: Vec<f64> = (0..(0.3 * rate) as usize).map(value).collect();
    let peak = samples.iter().fold(0.0f64, |p, s| p.max(s.abs()));
    samples.iter().map(|s| (s / peak) as f32).collect()
}

/// Seconds a chord takes to come up.
const ATTACK_S: f64 = 0.09;
/// Seconds a chord rings on after its end.
pub const RELEASE_S: f64 = 0.35;
/// Partials of a note and how fast they fall off: 11 dB an octave, a soft reed with no edge.
const PARTIALS: usize = 7;
const FALL: f64 = 1.8;
/// Detuning of the two halves of a note, in cents either way: a slow shimmer.
const DETUNE_CENTS: f64 = 2.5;

/// A soft chord of MIDI notes that comes up at sample 0, holds for `hold_s` and rings out.
///
/// Every note has an RMS near 0.1, low ones a little less; nothing is clipped or scaled, so the
/// caller chooses the level.
pub fn chord(notes: &[u8], hold_s: f64, rate_hz: u32) -> Vec<f32> {
    let rate = f64::from(rate_hz);
    let frames = ((hold_s + RELEASE_S) * rate) as usize;
    let mut sum = vec![0.0f64; frames];
    for (index, note) in notes.iter().enumerate() {
        for side in [-1.0, 1.0] {
            let f_hz = pitch_hz(f64::from(*note) + side * DETUNE_CENTS / 100.0);
            add_note(&mut sum, f_hz, index as f64 + 0.5 * side, rate);
        }
    }
    let shape = |i: usize| {
        let t = i as f64 / rate;
        let up = (t / ATTACK_S).min(1.0);
        let down = ((hold_s + RELEASE_S - t) / RELEASE_S).clamp(0.0, 1.0);
        up * up * (3.0 - 2.0 * up) * down * down * (3.0 - 2.0 * down)
    };
    sum.iter().enumerate().map(|(i, s)| (s * shape(i)) as f32).collect()
}

/// Samples that are turned at a time: each waits for the one so many before it, not for its
/// neighbour.
const LANES: usize = 8;

in_vectors! {
    /// Adds one voice: each partial a rotating complex number, which drifts by less than 10⁻⁹ in an
    /// hour.
    fn add_note(sum: &mut [f64], f_hz: f64, seed: f64, rate: f64) {
        for partial in 1..=PARTIALS {
            let n = partial as f64;
            if f_hz * n > 0.4 * rate || f_hz * n > 5_000.0 {
                break;
            }
            let level = 0.085 * n.powf(-FALL);
            let step = TAU * f_hz * n / rate;
            // Phases spread by the golden ratio keep the crest of the sum low.
            let phase = TAU * (seed + n) * n * 0.618_034;
            let mut re: [f64; LANES] = std::array::from_fn(|k| (phase + step * k as f64).cos());
            let mut im: [f64; LANES] = std::array::from_fn(|k| (phase + step * k as f64).sin());
            let (turn_im, turn_re) = (step * LANES as f64).sin_cos();
            let (whole, rest) = sum.as_chunks_mut::<LANES>();
            for values in whole {
                for k in 0..LANES {
                    values[k] += level * im[k];
                    (re[k], im[k]) =
                        (re[k] * turn_re - im[k] * turn_im, re[k] * turn_im + im[k] * turn_re);
                }
            }
            for (value, im) in rest.iter_mut().zip(&im) {
                *value += level * im;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_click_starts_at_its_first_sample_and_peaks_within_three_milliseconds() {
        for rate in [44_100, 48_000, 96_000] {
            for kind in [Click::Bar, Click::Beat] {
                let samples = click(kind, rate);
                let peak = samples.iter().position(|s| s.abs() >= 0.9999).unwrap();
                assert!((peak as f64) < 0.003 * f64::from(rate), "{rate}: {peak}");
                assert!(samples[2].abs() > 0.0 && samples.last().unwrap().abs() < 2e-3);
            }
        }
    }

    #[test]
    fn concert_pitch_is_iso_16() {
        assert!((pitch_hz(69.0) - 440.0).abs() < 1e-12);
        // Middle C, any table of equal temperament.
        assert!((pitch_hz(60.0) - 261.625_565).abs() < 1e-5);
    }

    #[test]
    fn a_chord_comes_up_slowly_and_its_top_is_soft() {
        let samples = chord(&[43, 55, 59, 62], 1.0, 48_000);
        assert!(samples[..240].iter().all(|s| s.abs() < 0.02));
        assert!(samples.last().unwrap().abs() < 1e-3);
        // First differences weigh a partial by its frequency: a buzz would stand out here.
        let power = |x: &[f32]| x.iter().map(|s| f64::from(s * s)).sum::<f64>();
        let steps: Vec<f32> = samples.windows(2).map(|w| w[1] - w[0]).collect();
        let centre_hz = (power(&steps) / power(&samples)).sqrt() * 48_000.0 / TAU;
        assert!(centre_hz < 450.0, "{centre_hz}");
        let crest = samples.iter().fold(0.0f32, |p, s| p.max(s.abs()));
        assert!(crest < 1.0, "{crest}");
    }
}

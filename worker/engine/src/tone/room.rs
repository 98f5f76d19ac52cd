//! A shared room: a feedback delay network.
//!
//! Eight delay lines are mixed by a Householder matrix, which loses nothing, and each line's gain
//! per pass is what makes it lose 60 dB in the reverberation time: g = 10^(−3·τ/T₆₀) (J.-M. Jot
//! and A. Chaigne, "Digital delay networks for designing artificial reverberators", AES 90th
//! Convention, 1991). A one-pole low-pass in each line lets the high frequencies go sooner.
//! The same silence at a section's border as anywhere: tails ring on.

use super::{OutOfRange, within};
use serde::{Deserialize, Serialize};

/// How the room is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct RoomSettings {
    /// Time in which a sound falls by 60 dB, s: 0.2 to 10.
    pub rt60_s: f64,
    /// The same at half the sample rate, s: at most `rt60_s`.
    pub rt60_high_s: f64,
    /// Silence before the first reflection, ms: 0 to 200.
    pub pre_delay_ms: f64,
    /// Size: scales the delays, 0.5 to 2.
    pub size: f64,
}

impl Default for RoomSettings {
    /// A hall.
    fn default() -> Self {
        Self { rt60_s: 1.8, rt60_high_s: 0.7, pre_delay_ms: 15.0, size: 1.0 }
    }
}

/// Lengths of the lines at size 1, ms: mutually incommensurable, 30 to 80 ms.
const LINES_MS: [f64; 8] = [31.3, 37.9, 41.1, 47.7, 53.9, 59.3, 67.1, 79.7];

/// Signs with which left and right enter the lines.
const LEFT_IN: [f64; 8] = [1.0, 1.0, -1.0, 1.0, -1.0, 1.0, -1.0, -1.0];
const RIGHT_IN: [f64; 8] = [1.0, -1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0];

/// Signs with which they leave: uncorrelated over the lines that a sound in the middle enters,
/// and over the others.
const LEFT_OUT: [f64; 8] = [1.0, 1.0, -1.0, 1.0, 1.0, -1.0, 1.0, 1.0];
const RIGHT_OUT: [f64; 8] = [1.0, 1.0, 1.0, -1.0, -1.0, -1.0, 1.0, -1.0];

struct Line {
    memory: Vec<f64>,
    at: usize,
    gain: f64,
    damping: f64,
    low: f64,
}

/// The room; only what it adds comes out.
pub struct Room {
    lines: [Line; 8],
    before: [Vec<f64>; 2],
    before_at: usize,
}

impl Room {
    /// # Errors
    /// [`OutOfRange`] names the setting that cannot be.
    pub fn new(settings: &RoomSettings, rate_hz: u32) -> Result<Self, OutOfRange> {
        let rt60_s = within("the reverberation time in s", settings.rt60_s, 0.2, 10.0)?;
        let high_s = within("the high reverberation time in s", settings.rt60_high_s, 0.1, rt60_s)?;
        let size = within("the size of the room", settings.size, 0.5, 2.0)?;
        let wait_ms = within("the pre-delay in ms", settings.pre_delay_ms, 0.0, 200.0)?;
        let rate = f64::from(rate_hz);
        let line = |ms: f64| {
            let length = (ms * size * 1e-3 * rate).round().max(1.0);
            let pass = |seconds: f64| 10f64.powf(-3.0 * length / rate / seconds);
            let (low, high) = (pass(rt60_s), pass(high_s));
            // y = (1 − d)·x + d·y₋₁ has gain 1 at 0 Hz and (1 − d)/(1 + d) at half the rate.
            let ratio = high / low;
            Line {
                memory: vec![0.0; length as usize],
                at: 0,
                gain: low,
                damping: (1.0 - ratio) / (1.0 + ratio),
                low: 0.0,
            }
        };
        let wait = vec![0.0; (wait_ms * 1e-3 * rate).round().max(1.0) as usize];
        Ok(Self { lines: LINES_MS.map(line), before: [wait.clone(), wait], before_at: 0 })
    }

    /// Takes what is sent and writes what the room gives, both stereo and equally long.
    pub fn process(&mut self, sent: &[Vec<f32>; 2], out: &mut [Vec<f32>; 2]) {
        let [out_left, out_right] = out;
        out_left.clear();
        out_right.clear();
        for (&left, &right) in sent[0].iter().zip(&sent[1]) {
            let [left, right] = self.wait(f64::from(left), f64::from(right));
            let given = self.step(left, right);
            out_left.push(given[0] as f32);
            out_right.push(given[1] as f32);
        }
    }

    fn wait(&mut self, left: f64, right: f64) -> [f64; 2] {
        let at = self.before_at;
        self.before_at = (at + 1) % self.before[0].len();
        let [before_left, before_right] = &mut self.before;
        [
            std::mem::replace(&mut before_left[at], left),
            std::mem::replace(&mut before_right[at], right),
        ]
    }

    fn step(&mut self, left: f64, right: f64) -> [f64; 2] {
        let mut heard = [0.0; 8];
        for (heard, line) in heard.iter_mut().zip(&mut self.lines) {
            let oldest = line.memory[line.at] * line.gain;
            line.low = (1.0 - line.damping) * oldest + line.damping * line.low;
            // What has faded far below hearing stops, before it becomes slow to compute.
            if line.low.abs() < 1e-25 {
                line.low = 0.0;
            }
            *heard = line.low;
        }
        // Householder: x − (2/8)·Σx in every line.
        let common = heard.iter().sum::<f64>() / 4.0;
        let mut out = [0.0; 2];
        for (number, line) in self.lines.iter_mut().enumerate() {
            out[0] += heard[number] * LEFT_OUT[number];
            out[1] += heard[number] * RIGHT_OUT[number];
            let fed = (left * LEFT_IN[number] + right * RIGHT_IN[number]) * 0.25;
            line.memory[line.at] = heard[number] - common + fed;
            line.at = (line.at + 1) % line.memory.len();
        }
        out.map(|sample| sample * 0.5)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn impulse(settings: &RoomSettings, frames: usize, step: usize) -> [Vec<f32>; 2] {
        let mut room = Room::new(settings, 48_000).unwrap();
        let mut sent = [vec![0.0f32; frames], vec![0.0f32; frames]];
        sent[0][0] = 1.0;
        sent[1][0] = 1.0;
        let mut all = [Vec::new(), Vec::new()];
        for from in (0..frames).step_by(step) {
            let upto = frames.min(from + step);
            let part = [sent[0][from..upto].to_vec(), sent[1][from..upto].to_vec()];
            let mut out = [Vec::new(), Vec::new()];
            room.process(&part, &mut out);
            all[0].extend_from_slice(&out[0]);
            all[1].extend_from_slice(&out[1]);
        }
        all
    }

    /// T20 by backward integration (ISO 3382-1, 2009, 5.3.3; Schroeder 1965).
    fn rt60_s(response: &[f32]) -> f64 {
        let mut left: Vec<f64> = response.iter().rev().map(|s| f64::from(s * s)).collect();
        let mut sum = 0.0;
        for value in &mut left {
            sum += *value;
            *value = sum;
        }
        left.reverse();
        let first = |db: f64| {
            left.iter().position(|value| 10.0 * (value / left[0]).log10() < db).unwrap() as f64
        };
        (first(-25.0) - first(-5.0)) * 3.0 / 48_000.0
    }

    #[test]
    fn a_room_decays_in_the_time_it_says() {
        for rt60 in [0.8, 1.8, 3.5] {
            let settings = RoomSettings { rt60_s: rt60, rt60_high_s: rt60, ..Default::default() };
            let response = impulse(&settings, (rt60 * 72_000.0) as usize, 48_000);
            let read = rt60_s(&response[0]);
            assert!((read / rt60 - 1.0).abs() < 0.06, "{read} for {rt60}");
        }
    }

    #[test]
    fn it_waits_spreads_and_does_not_depend_on_cuts() {
        let settings = RoomSettings::default();
        let whole = impulse(&settings, 24_000, 24_000);
        assert_eq!(impulse(&settings, 24_000, 777), whole);
        let first = whole[0].iter().position(|&sample| sample != 0.0).unwrap();
        assert!(first >= ((0.015 + 0.031) * 48_000.0) as usize);
        let (mut both, mut left, mut right) = (0.0f64, 0.0f64, 0.0f64);
        for (&a, &b) in whole[0].iter().zip(&whole[1]) {
            both += f64::from(a * b);
            left += f64::from(a * a);
            right += f64::from(b * b);
        }
        let correlation = both / (left * right).sqrt();
        assert!(correlation.abs() < 0.5, "{correlation}");
        let wrong = RoomSettings { rt60_high_s: 5.0, ..settings };
        assert!(Room::new(&wrong, 48_000).is_err());
    }
}

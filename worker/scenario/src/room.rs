//! What a home adds to a recording: talk, hum, hiss, a bathroom.

use crate::rng::Dice;

/// Adds somebody saying a few syllables between two instants.
///
/// A buzz at a speaking pitch through two moving resonances, four syllables a second.
pub(crate) fn talk(
    tape: &mut [f32],
    rate_hz: u32,
    from_s: f64,
    to_s: f64,
    level: f32,
    dice: &mut Dice,
) {
    let rate = f64::from(rate_hz);
    let mut at_s = from_s;
    while at_s + 0.3 < to_s {
        let length_s = dice.between(0.12, 0.26);
        let pitch_hz = dice.between(105.0, 165.0);
        let formants_hz = [dice.between(300.0, 800.0), dice.between(900.0, 2300.0)];
        let hiss = if dice.chance(0.4) { 0.25 } else { 0.03 };
        let first = (at_s * rate) as usize;
        let end = (((at_s + length_s) * rate) as usize).min(tape.len());
        for (index, out) in tape.iter_mut().enumerate().take(end).skip(first) {
            let t = (index - first) as f64 / rate;
            let swell = (std::f64::consts::PI * t / length_s).sin();
            let since_pulse = (t * pitch_hz).fract() / pitch_hz;
            let voice: f64 = formants_hz
                .iter()
                .map(|hz| (std::f64::consts::TAU * hz * since_pulse).sin())
                .sum::<f64>()
                * (-since_pulse * 350.0).exp();
            *out += level * swell as f32 * (voice as f32 * 0.5 + hiss * dice.white());
        }
        at_s += length_s + dice.between(0.03, 0.3);
    }
}

/// Adds mains hum of 50 Hz: the fundamental and its odd multiples.
pub(crate) fn hum(tape: &mut [f32], rate_hz: u32, level: f32) {
    for (index, out) in tape.iter_mut().enumerate() {
        let turn = std::f64::consts::TAU * 50.0 * index as f64 / f64::from(rate_hz);
        *out += level * (turn.sin() + 0.4 * (3.0 * turn).sin() + 0.2 * (5.0 * turn).sin()) as f32;
    }
}

/// Adds noise with a gentle fall towards the highs, of about this RMS.
pub(crate) fn hiss(tape: &mut [f32], rms: f32, dice: &mut Dice) {
    let mut low = 0.0f32;
    for out in tape {
        let white = dice.white() * 1.732;
        low += 0.2 * (white - low);
        *out += rms * (0.6 * white + 1.5 * low);
    }
}

/// Puts the tape into a tiled room: eight combs of early and late echoes into two all-passes
/// (Schroeder 1962), with a reverberation time of about `rt60_s`.
pub(crate) fn reverberate(tape: &mut [f32], rate_hz: u32, rt60_s: f64, wet: f32) {
    let rate = f64::from(rate_hz);
    let mut sum = vec![0.0f32; tape.len()];
    for delay_ms in [29.7, 37.1, 41.1, 43.7, 31.3, 47.9, 53.3, 34.7] {
        let delay = (delay_ms * 1e-3 * rate) as usize;
        let keep = 10f64.powf(-3.0 * delay_ms * 1e-3 / rt60_s) as f32;
        let mut line = vec![0.0f32; delay];
        let mut at = 0;
        for (out, input) in sum.iter_mut().zip(tape.iter()) {
            let echo = line[at];
            line[at] = input + keep * echo;
            at = (at + 1) % delay;
            *out += echo / 8.0;
        }
    }
    for delay_ms in [5.0, 1.7] {
        let delay = (delay_ms * 1e-3 * rate) as usize;
        let mut line = vec![0.0f32; delay];
        let mut at = 0;
        for out in &mut sum {
            let held = line[at];
            let fed = *out + 0.7 * held;
            line[at] = fed;
            at = (at + 1) % delay;
            *out = held - 0.7 * fed;
        }
    }
    for (out, echo) in tape.iter_mut().zip(&sum) {
        *out += wet * echo;
    }
}

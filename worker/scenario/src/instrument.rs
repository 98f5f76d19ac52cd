//! Invented instruments: partials under an envelope, as functions of time since the onset.

use crate::rng::Dice;

/// How many partials a voice has at most.
pub const PARTIALS: usize = 8;

/// How a voice sounds. Times are seconds, ratios are to the note's own frequency.
#[derive(Debug, Clone, Copy)]
pub struct Voice {
    /// Frequency ratios of the partials.
    pub ratios: [f32; PARTIALS],
    /// Their amplitudes.
    pub amplitudes: [f32; PARTIALS],
    /// Seconds in which each partial falls by 1/e once struck; 0 holds it for the note's length.
    pub decay_s: f32,
    /// Seconds from the onset to full level.
    pub attack_s: f32,
    /// Seconds from the note's end to silence.
    pub release_s: f32,
    /// Level of noise beside the partials (breath, bow, stick).
    pub noise: f32,
    /// Seconds in which the noise falls by 1/e; 0 holds it.
    pub noise_decay_s: f32,
}

/// Instruments of the nine harbours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Instrument {
    /// Free reeds in the hands.
    Squeezebox,
    /// A tin or wooden whistle.
    Whistle,
    /// Buoy and hand bells.
    Bell,
    /// Anything plucked.
    Plucked,
    /// Anything bowed.
    Bowed,
    /// Low brass.
    LowBrass,
    /// People singing vowels.
    Voice,
    /// Hands on hulls and tables.
    Hands,
    /// Things found on a quay.
    Found,
}

impl Instrument {
    /// All of them.
    pub const ALL: [Instrument; 9] = [
        Instrument::Squeezebox,
        Instrument::Plucked,
        Instrument::Bell,
        Instrument::Whistle,
        Instrument::LowBrass,
        Instrument::Hands,
        Instrument::Voice,
        Instrument::Bowed,
        Instrument::Found,
    ];

    /// What its player writes into the form: instrument and family.
    pub fn in_words(self) -> (&'static str, &'static str) {
        match self {
            Instrument::Squeezebox => ("concertina", "squeezebox"),
            Instrument::Whistle => ("tin whistle", "whistle"),
            Instrument::Bell => ("buoy bells", "bells"),
            Instrument::Plucked => ("bouzouki", "plucked"),
            Instrument::Bowed => ("fiddle", "bowed"),
            Instrument::LowBrass => ("euphonium", "low-brass"),
            Instrument::Voice => ("voice", "voice"),
            Instrument::Hands => ("hands on a hull", "hands"),
            Instrument::Found => ("mooring chain", "found-sound"),
        }
    }

    /// Where its part lies: the MIDI note number of the middle of its range.
    pub fn centre_note(self) -> i32 {
        match self {
            Instrument::LowBrass => 46,
            Instrument::Plucked => 57,
            Instrument::Voice => 60,
            Instrument::Squeezebox => 64,
            Instrument::Bowed => 67,
            Instrument::Hands | Instrument::Found => 62,
            Instrument::Bell => 76,
            Instrument::Whistle => 79,
        }
    }

    /// Its voice.
    pub fn voice(self) -> Voice {
        const HARMONIC: [f32; PARTIALS] = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0];
        let voice = |amplitudes, decay_s, attack_s, release_s, noise, noise_decay_s| Voice {
            ratios: HARMONIC,
            amplitudes,
            decay_s,
            attack_s,
            release_s,
            noise,
            noise_decay_s,
        };
        match self {
            Instrument::Squeezebox => {
                voice([0.5, 0.4, 0.35, 0.2, 0.2, 0.1, 0.1, 0.05], 0.0, 0.045, 0.06, 0.004, 0.0)
            }
            Instrument::Whistle => {
                voice([0.9, 0.25, 0.08, 0.03, 0.0, 0.0, 0.0, 0.0], 0.0, 0.03, 0.05, 0.03, 0.0)
            }
            Instrument::Bell => Voice {
                ratios: [0.5, 1.0, 1.19, 1.5, 2.0, 2.51, 2.66, 4.17],
                ..voice([0.25, 0.6, 0.3, 0.15, 0.4, 0.1, 0.1, 0.06], 1.1, 0.002, 0.4, 0.05, 0.01)
            },
            Instrument::Plucked => {
                voice([0.7, 0.5, 0.35, 0.3, 0.2, 0.15, 0.1, 0.08], 0.45, 0.004, 0.1, 0.08, 0.012)
            }
            Instrument::Bowed => {
                voice([0.6, 0.4, 0.3, 0.24, 0.2, 0.15, 0.12, 0.1], 0.0, 0.09, 0.08, 0.015, 0.0)
            }
            Instrument::LowBrass => {
                voice([0.5, 0.6, 0.5, 0.4, 0.25, 0.15, 0.1, 0.05], 0.0, 0.05, 0.07, 0.01, 0.06)
            }
            Instrument::Voice => {
                voice([0.6, 0.5, 0.45, 0.2, 0.1, 0.05, 0.04, 0.03], 0.0, 0.08, 0.1, 0.01, 0.0)
            }
            Instrument::Hands => {
                voice([0.3, 0.1, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0], 0.05, 0.001, 0.05, 0.6, 0.03)
            }
            Instrument::Found => Voice {
                ratios: [1.0, 1.83, 2.41, 3.17, 4.02, 5.33, 6.11, 7.47],
                ..voice([0.3, 0.3, 0.2, 0.2, 0.2, 0.1, 0.1, 0.1], 0.12, 0.001, 0.1, 0.4, 0.06)
            },
        }
    }
}

/// One note of a part, in file time.
#[derive(Debug, Clone, Copy)]
pub struct Note {
    /// The instant of its onset in the file, seconds (may be before 0).
    pub onset_s: f64,
    /// How long it is held, seconds of the file.
    pub length_s: f64,
    /// Its frequency as the file's clock shows it, hertz.
    pub frequency_hz: f64,
    /// Its peak amplitude, roughly.
    pub amplitude: f32,
}

/// Adds one note to `tape`, evaluated at every sample instant of the file's clock.
pub(crate) fn sound(tape: &mut [f32], rate_hz: u32, voice: &Voice, note: &Note, dice: &mut Dice) {
    let rate = f64::from(rate_hz);
    let first = (note.onset_s * rate).ceil().max(0.0) as usize;
    let rings_s = if voice.decay_s > 0.0 { f64::from(voice.decay_s) * 7.0 } else { f64::INFINITY };
    let ends_s = note.onset_s + rings_s.min(note.length_s + f64::from(voice.release_s));
    let end = ((ends_s * rate).ceil().max(0.0) as usize).min(tape.len());
    let norm = note.amplitude / (voice.amplitudes.iter().sum::<f32>() + voice.noise);
    let mut smooth = 0.0f32;
    // The oscillators are set anew from the exact phase every block, so a long note stays true.
    for block in (first..end).step_by(BLOCK) {
        let block_end = (block + BLOCK).min(end);
        let since_s = block as f64 / rate - note.onset_s;
        let mut bank = Bank::at(voice, note.frequency_hz, since_s, rate);
        for (index, out) in tape[block..block_end].iter_mut().enumerate() {
            let t = (since_s + index as f64 / rate) as f32;
            let level = envelope(voice, t, note.length_s as f32) * norm;
            smooth += 0.5 * (dice.white() - smooth);
            let breath = smooth * voice.noise * fall(t, voice.noise_decay_s);
            *out += level * (bank.next() * fall(t, voice.decay_s) + breath);
        }
    }
}

const BLOCK: usize = 1024;

fn envelope(voice: &Voice, t: f32, length_s: f32) -> f32 {
    let rise = if t < voice.attack_s {
        let x = t / voice.attack_s;
        x * x * (3.0 - 2.0 * x)
    } else {
        1.0
    };
    let after = t - length_s;
    if after <= 0.0 { rise } else { rise * (1.0 - after / voice.release_s).max(0.0) }
}

fn fall(t: f32, decay_s: f32) -> f32 {
    if decay_s > 0.0 { fast_exp(-t / decay_s) } else { 1.0 }
}

/// e^x for x ≤ 0 to about 1e-3: an envelope needs no more.
fn fast_exp(x: f32) -> f32 {
    if x < -12.0 {
        return 0.0;
    }
    let y = 1.0 + x / 64.0;
    let y2 = y * y;
    let y4 = y2 * y2;
    let y8 = y4 * y4;
    let y16 = y8 * y8;
    let y32 = y16 * y16;
    y32 * y32
}

/// A bank of sinusoids turned by complex multiplication.
struct Bank {
    re: [f32; PARTIALS],
    im: [f32; PARTIALS],
    turn_re: [f32; PARTIALS],
    turn_im: [f32; PARTIALS],
    amplitude: [f32; PARTIALS],
}

impl Bank {
    fn at(voice: &Voice, frequency_hz: f64, since_s: f64, rate: f64) -> Bank {
        let mut bank = Bank {
            re: [0.0; PARTIALS],
            im: [0.0; PARTIALS],
            turn_re: [0.0; PARTIALS],
            turn_im: [0.0; PARTIALS],
            amplitude: [0.0; PARTIALS],
        };
        for k in 0..PARTIALS {
            let hz = frequency_hz * f64::from(voice.ratios[k]);
            if hz < 0.45 * rate {
                bank.amplitude[k] = voice.amplitudes[k];
            }
            let (sin, cos) = (std::f64::consts::TAU * hz * since_s).sin_cos();
            let (turn_sin, turn_cos) = (std::f64::consts::TAU * hz / rate).sin_cos();
            (bank.re[k], bank.im[k]) = (cos as f32, sin as f32);
            (bank.turn_re[k], bank.turn_im[k]) = (turn_cos as f32, turn_sin as f32);
        }
        bank
    }

    fn next(&mut self) -> f32 {
        let mut sum = 0.0;
        for k in 0..PARTIALS {
            sum += self.amplitude[k] * self.im[k];
            let re = self.re[k] * self.turn_re[k] - self.im[k] * self.turn_im[k];
            self.im[k] = self.re[k] * self.turn_im[k] + self.im[k] * self.turn_re[k];
            self.re[k] = re;
        }
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_begins_at_its_fractional_instant() {
        let voice = Instrument::Plucked.voice();
        let note = Note { onset_s: 0.010_01, length_s: 0.2, frequency_hz: 440.0, amplitude: 0.5 };
        let mut tape = vec![0.0; 4800];
        sound(&mut tape, 48_000, &voice, &note, &mut Dice::new(1, 1));
        let first = tape.iter().position(|s| *s != 0.0);
        assert_eq!(first, Some(481), "first sample at or after 480.48");
    }

    #[test]
    fn a_block_boundary_leaves_no_step() {
        let voice = Voice { noise: 0.0, ..Instrument::Squeezebox.voice() };
        let note = Note { onset_s: 0.0, length_s: 1.0, frequency_hz: 220.0, amplitude: 0.5 };
        let mut tape = vec![0.0; 48_000];
        sound(&mut tape, 48_000, &voice, &note, &mut Dice::new(1, 1));
        let step = tape[4800..43_000].windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
        let bend = tape[4800..43_000]
            .windows(3)
            .map(|w| (w[2] - 2.0 * w[1] + w[0]).abs())
            .fold(0.0, f32::max);
        assert!(bend < step, "a click would bend more than the tone slopes: {bend} vs {step}");
    }
}

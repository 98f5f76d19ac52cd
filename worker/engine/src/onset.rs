//! What is heard in a take: attacks, level and harmony along the file, in one streaming pass.
//!
//! Attacks come from the flux of a log-frequency spectrogram against a maximum-filtered
//! earlier frame (Böck & Widmer, "Maximum filter vibrato suppression for onset detection",
//! DAFx-13), and each is then timed on the energy envelope, which is ten times finer than the
//! spectrogram's frames.

mod attack;
mod chroma;
mod decimate;
mod ending;
mod flux;
mod harmonic;
mod partials;
mod pick;

use attack::Envelope;
use chroma::ChromaMeter;
use decimate::Decimator;
use flux::Flux;
pub use harmonic::Tonality;
use pick::{Levels, Picker};

/// One attack.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// File time at which the note begins, in seconds. For a slow attack it is where the rise
    /// starts, not where it ends: a bow that takes 150 ms to speak is not a late player.
    pub at_s: f64,
    /// Spectral flux at the attack; comparable within a take, not between takes.
    pub strength: f32,
    /// Standard uncertainty of `at_s`: about a millisecond for a struck sound, tens of
    /// milliseconds for a swell.
    pub sd_s: f64,
}

/// Everything [`Listener`] has heard in one take.
#[derive(Debug, Clone, PartialEq)]
pub struct Playing {
    /// Attacks in order of time.
    pub onsets: Vec<Onset>,
    /// Spacing of `novelty` and `level_db`, in seconds; entry k is centred at `k * hop_s`.
    pub hop_s: f64,
    /// Spectral flux.
    pub novelty: Vec<f32>,
    /// Mean square over one hop in dB re full scale, floored at −120.
    pub level_db: Vec<f32>,
    /// Energy of the twelve pitch classes (C first, A = 440 Hz after `tuning_cents` is taken
    /// off), each row of unit sum, or all zero where nothing pitched sounds. Row k is centred at
    /// `k * chroma_hop_s`.
    pub chroma: Vec<[f32; 12]>,
    /// Spacing of `chroma`, in seconds.
    pub chroma_hop_s: f64,
    /// Length of what was pushed, in seconds.
    pub duration_s: f64,
    /// How far the take as a whole is tuned from A = 440 Hz, in cents in −50..50; `None` when
    /// nothing pitched was heard.
    pub tuning_cents: Option<f32>,
    /// Whether what sounds has a pitch at all.
    pub tonality: Tonality,
    /// Pitch classes of the notes that sound, told by the fundamentals of harmonic series, each
    /// row of unit sum, or all zero. Row k is centred at `k * notes_hop_s`.
    pub notes: Vec<[f32; 12]>,
    /// Spacing of `notes`, in seconds.
    pub notes_hop_s: f64,
    /// Level of the octaves about 125, 250, 500, 1 000 and 2 000 Hz in dB, at the spacing of
    /// `chroma`, through a window of a third of a second.
    pub octaves_db: Vec<[f32; 5]>,
}

/// Spectral frames a second: fine enough that a maximum over ±1 frame separates two strokes of
/// a roll, and the rate of the published method.
const FRAMES_PER_S: f64 = 200.0;

/// Hears a take as it streams by. Memory grows by some 3 kB a second of sound.
pub struct Listener {
    rate_hz: u32,
    pushed: u64,
    decimator: Decimator,
    flux: Flux,
    chroma: ChromaMeter,
    envelope: Envelope,
    picker: Picker,
    novelty: Vec<f32>,
    low: Vec<f32>,
}

impl Listener {
    /// A listener for mono sound at `rate_hz`. Rates below 4 kHz are heard as if at 4 kHz.
    pub fn new(rate_hz: u32) -> Self {
        let rate_hz = rate_hz.max(4_000);
        let decimator = Decimator::new(decimate::halvings(rate_hz as f64, 20_000.0));
        let low_rate_hz = rate_hz as f64 / decimator.factor() as f64;
        Self {
            rate_hz,
            pushed: 0,
            flux: Flux::new(low_rate_hz, FRAMES_PER_S, decimator.delay() / rate_hz as f64),
            chroma: ChromaMeter::new(low_rate_hz, decimator.delay() / rate_hz as f64),
            envelope: Envelope::new(rate_hz as f64),
            picker: Picker::new(1.0 / FRAMES_PER_S),
            decimator,
            novelty: Vec::new(),
            low: Vec::new(),
        }
    }

    /// Hears the next samples. Samples that are not finite count as silence.
    pub fn push(&mut self, mono: &[f32]) {
        // Blocks are kept short so that the envelope's ring always still holds the attacks
        // which the spectrogram, being later, only now reports.
        for block in mono.chunks(4_096) {
            self.pushed += block.len() as u64;
            self.envelope.push(block);
            self.low.clear();
            self.decimator.push(block, &mut self.low);
            self.flux.push(&self.low, &mut self.novelty);
            self.chroma.push(&self.low);
            let heard = Levels { envelope: &self.envelope, past: self.flux.past() };
            self.picker.advance(&self.novelty, heard);
        }
    }

    /// What was heard.
    pub fn finish(mut self) -> Playing {
        self.low.clear();
        self.decimator.flush(&mut self.low);
        self.flux.push(&self.low, &mut self.novelty);
        self.chroma.push(&self.low);
        let duration_s = self.pushed as f64 / self.rate_hz as f64;
        self.envelope.finish();
        self.flux.finish(duration_s, &mut self.novelty);
        let levels = Levels { envelope: &self.envelope, past: self.flux.past() };
        let onsets = self.picker.finish(&self.novelty, levels, duration_s);
        let heard = self.chroma.finish();
        let mut level_db = self.envelope.into_levels();
        level_db.resize(self.novelty.len(), -120.0);
        Playing {
            onsets,
            hop_s: 1.0 / FRAMES_PER_S,
            novelty: self.novelty,
            level_db,
            chroma: heard.rows,
            chroma_hop_s: heard.hop_s,
            duration_s,
            tuning_cents: heard.tuning_cents,
            tonality: heard.tonality,
            notes: heard.notes,
            notes_hop_s: heard.notes_hop_s,
            octaves_db: heard.octaves_db,
        }
    }
}

#[cfg(test)]
mod tests;

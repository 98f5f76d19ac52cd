//! Invented players for the study: notes as functions of time, nothing shared with the engine.

use std::f64::consts::TAU;

use fastrand::Rng;

pub(crate) const RATE_HZ: u32 = 44_100;
const RATE: f64 = RATE_HZ as f64;

/// 4/4 at 120: three sections of six bars.
pub(crate) const BEAT_S: f64 = 0.5;
pub(crate) const SECTION_BEATS: usize = 24;
pub(crate) const BEATS: usize = 3 * SECTION_BEATS;

/// File time of bar 1 beat 1.
pub(crate) const LEAD_S: f64 = 3.0;

/// G mixolydian, as pitch classes.
pub(crate) const SCALE: [usize; 7] = [7, 9, 11, 0, 2, 4, 5];

/// One chord a bar, a row a section.
pub(crate) const CHORDS: [[[usize; 3]; 6]; 3] = [
    [[7, 11, 2], [7, 11, 2], [5, 9, 0], [5, 9, 0], [7, 11, 2], [7, 11, 2]],
    [[0, 4, 7], [0, 4, 7], [9, 0, 4], [9, 0, 4], [2, 5, 9], [2, 5, 9]],
    [[2, 5, 9], [4, 7, 11], [5, 9, 0], [4, 7, 11], [2, 5, 9], [2, 5, 9]],
];

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Instrument {
    Pluck,
    Bass,
    Bell,
    Reed,
    Bow,
    Pad,
    Voice,
    Shaker,
}

pub(crate) const ALL: [Instrument; 8] = [
    Instrument::Pluck,
    Instrument::Bass,
    Instrument::Bell,
    Instrument::Reed,
    Instrument::Bow,
    Instrument::Pad,
    Instrument::Voice,
    Instrument::Shaker,
];

/// How a part is played.
#[derive(Clone, Copy)]
pub(crate) struct Manner {
    pub(crate) spread_s: f64,
    pub(crate) blunders: usize,
    pub(crate) cents: f64,
    pub(crate) semitones: i32,
    /// F becomes F sharp in the second section.
    pub(crate) sharp_f: bool,
    /// The first section's chords are played in the second section.
    pub(crate) lost: bool,
    pub(crate) noise: f64,
    /// Another take of the same notes, played and tuned a little differently.
    pub(crate) take: u64,
}

pub(crate) const USUAL: Manner = Manner {
    spread_s: 0.018,
    blunders: 0,
    cents: 3.0,
    semitones: 0,
    sharp_f: false,
    lost: false,
    noise: 3e-4,
    take: 0,
};

struct Note {
    at_s: f64,
    length_s: f64,
    hz: f64,
    loud: f64,
}

fn gauss(rng: &mut Rng) -> f64 {
    (0..12).map(|_| rng.f64()).sum::<f64>() - 6.0
}

fn notes(instrument: Instrument, manner: &Manner, rng: &mut Rng, hand: &mut Rng) -> Vec<Note> {
    use Instrument::{Bass, Bell, Bow, Pad, Shaker, Voice};
    let octave = match instrument {
        Bass => 36,
        Bell => 72,
        Pad | Bow => 55,
        _ => 60,
    };
    let every = match instrument {
        Pad => 4,
        Bell | Bow | Voice => 2,
        _ => 1,
    };
    let astray: Vec<usize> = (0..manner.blunders).map(|_| rng.usize(8..BEATS - 8)).collect();
    let mut notes = Vec::new();
    for beat in (0..BEATS).step_by(every) {
        let section = beat / SECTION_BEATS;
        let source = if manner.lost && section == 1 { 0 } else { section };
        let chord = CHORDS[source][beat % SECTION_BEATS / 4];
        let class = if beat % 2 == 0 || rng.f64() < 0.6 {
            chord[rng.usize(0..3)]
        } else {
            SCALE[rng.usize(0..7)]
        };
        let class = if manner.sharp_f && section == 1 && class == 5 { 6 } else { class };
        let rest = instrument != Pad && rng.f64() < 0.08;
        if rest {
            continue;
        }
        let mut at_s = beat as f64 * BEAT_S + 0.012 + manner.spread_s * gauss(hand);
        if astray.contains(&beat) || astray.contains(&(beat + 1)) && every == 2 {
            at_s += 0.16 * if rng.bool() { 1.0 } else { -1.0 };
        }
        let loud = 10f64.powf(gauss(hand) * 2.2 / 20.0);
        let length_s = every as f64 * BEAT_S * 0.85;
        let voices: Vec<usize> = if instrument == Pad { chord.to_vec() } else { vec![class] };
        for class in voices {
            let above = (class as i32 - octave).rem_euclid(12);
            let midi = f64::from(octave + above + manner.semitones) + manner.cents / 100.0;
            let hz = 440.0 * 2f64.powf((midi - 69.0) / 12.0);
            let hz = if instrument == Shaker { 0.0 } else { hz };
            notes.push(Note { at_s, length_s, hz, loud });
        }
    }
    notes
}

/// A mono take of `seconds`, peak near full scale, with a little noise.
pub(crate) fn play(instrument: Instrument, manner: &Manner, seed: u64) -> Vec<f32> {
    let mut rng = Rng::with_seed(seed);
    let mut hand = Rng::with_seed(seed.wrapping_mul(977).wrapping_add(manner.take));
    let seconds = LEAD_S + BEATS as f64 * BEAT_S + 2.5;
    let mut file = vec![0.0f64; (seconds * RATE) as usize];
    for note in notes(instrument, manner, &mut rng, &mut hand) {
        add(&mut file, instrument, &note, &mut hand);
    }
    let peak = file.iter().fold(1e-9f64, |most, sample| most.max(sample.abs()));
    let gain = hand.f64() * 0.3 + 0.55;
    let mut low = 0.0;
    file.iter()
        .map(|sample| {
            // Pink-ish: half white, half low-passed.
            let white = hand.f64() * 2.0 - 1.0;
            low += 0.02 * (white - low);
            (gain * sample / peak + manner.noise * (0.5 * white + 3.0 * low)) as f32
        })
        .collect()
}

fn add(file: &mut [f64], instrument: Instrument, note: &Note, rng: &mut Rng) {
    use Instrument::{Bass, Bell, Bow, Pad, Pluck, Reed, Shaker, Voice};
    let (attack, decay, tail) = match instrument {
        Pluck => (0.003, 3.5, 0.06),
        Bass => (0.006, 2.0, 0.05),
        Bell => (0.001, 1.2, 2.5),
        Reed => (0.03, 0.0, 0.04),
        Bow => (0.11, 0.0, 0.08),
        Pad => (0.25, 0.0, 0.3),
        Voice => (0.07, 0.0, 0.06),
        Shaker => (0.002, 30.0, 0.02),
    };
    let partials: &[(f64, f64)] = match instrument {
        Pluck => &[(1.0, 1.0), (2.0, 0.5), (3.0, 0.35), (4.0, 0.2), (5.0, 0.12), (7.0, 0.05)],
        Bass => &[(1.0, 1.0), (2.0, 0.6), (3.0, 0.3), (4.0, 0.15)],
        Bell => &[(1.0, 1.0), (2.0, 0.6), (2.76, 0.3), (5.4, 0.15)],
        Reed | Bow | Pad => {
            &[(1.0, 1.0), (2.0, 0.6), (3.0, 0.5), (4.0, 0.3), (5.0, 0.2), (6.0, 0.15)]
        }
        Voice => &[(1.0, 1.0), (2.0, 0.8), (3.0, 0.4), (4.0, 0.15), (5.0, 0.1)],
        Shaker => &[],
    };
    let begin = ((LEAD_S + note.at_s) * RATE).max(0.0) as usize;
    let end = (begin + ((note.length_s + tail * 3.0) * RATE) as usize).min(file.len());
    let vibrato = if matches!(instrument, Voice | Bow) { 0.008 } else { 0.0 };
    let phases: Vec<f64> = partials.iter().map(|_| rng.f64() * TAU).collect();
    let turns: Vec<(f64, f64)> = phases.iter().map(|phase| cis(*phase)).collect();
    let began_s = begin as f64 / RATE - LEAD_S - note.at_s;
    let mut tones: Vec<Tone> = partials
        .iter()
        .zip(&phases)
        .map(|((ratio, level), phase)| {
            Tone::new(note.hz * ratio, decay * (1.0 + 0.4 * (ratio - 1.0)), *level, *phase, began_s)
        })
        .collect();
    for (frame, sample) in file.iter_mut().enumerate().take(end).skip(begin) {
        let t = frame as f64 / RATE - LEAD_S - note.at_s;
        let rise = (t / attack).clamp(0.0, 1.0);
        let fall = if t > note.length_s { (-(t - note.length_s) / tail * 3.0).exp() } else { 1.0 };
        let sound = if instrument == Shaker {
            (-decay * t).exp() * (rng.f64() * 2.0 - 1.0)
        } else if vibrato > 0.0 {
            let bend = vibrato / TAU / 5.5 * (TAU * 5.5 * t).sin();
            let turned = cis(TAU * note.hz * (t + bend));
            let harmonics =
                std::iter::successors(Some(turned), |&before| Some(times(before, turned)));
            let bent = harmonics.zip(partials).zip(&turns);
            bent.map(|((harmonic, (_, level)), turn)| level * times(harmonic, *turn).1).sum()
        } else {
            tones.iter_mut().map(Tone::next).sum::<f64>()
        };
        *sample += note.loud * rise * rise * fall * sound;
    }
}

/// A sine that dies away, by turning it a little for every sample: sines themselves are slow.
struct Tone {
    now: (f64, f64),
    step: (f64, f64),
}

impl Tone {
    fn new(hz: f64, decay: f64, level: f64, phase: f64, began_s: f64) -> Self {
        let damped = |by: f64, (re, im): (f64, f64)| (by * re, by * im);
        Self {
            now: damped(level * (-decay * began_s).exp(), cis(TAU * hz * began_s + phase)),
            step: damped((-decay / RATE).exp(), cis(TAU * hz / RATE)),
        }
    }

    fn next(&mut self) -> f64 {
        let sample = self.now.1;
        self.now = times(self.now, self.step);
        sample
    }
}

fn cis(angle: f64) -> (f64, f64) {
    let (sin, cos) = angle.sin_cos();
    (cos, sin)
}

fn times(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

/// Talk: voiced stretches with gliding pitch and two formants, hisses between them.
pub(crate) fn talk(seconds: f64, seed: u64) -> Vec<f32> {
    let mut rng = Rng::with_seed(seed);
    let mut out = Vec::new();
    let base_hz = 95.0 + 120.0 * rng.f64();
    while (out.len() as f64) < seconds * RATE {
        let voiced_s = 0.12 + 0.2 * rng.f64();
        let (mut hz, glide) = (base_hz * (0.85 + 0.4 * rng.f64()), 0.6 * (rng.f64() - 0.5));
        let formants = [300.0 + 500.0 * rng.f64(), 900.0 + 1_200.0 * rng.f64()];
        let frames = (voiced_s * RATE) as usize;
        let mut phase = 0.0;
        for frame in 0..frames {
            let x = frame as f64 / frames as f64;
            hz *= 1.0 + glide / frames as f64;
            phase += TAU * hz / RATE;
            let shape = (std::f64::consts::PI * x).sin().powf(0.5);
            let turned = cis(phase);
            let mut harmonic = (1.0, 0.0);
            let tone: f64 = (1..30)
                .map(|k| {
                    harmonic = times(harmonic, turned);
                    let f = hz * f64::from(k);
                    let near = |formant: f64| 1.0 / (1.0 + ((f - formant) / 90.0).powi(2));
                    (near(formants[0]) + 0.5 * near(formants[1]) + 0.02 / f64::from(k)) * harmonic.1
                })
                .sum();
            out.push((0.25 * shape * tone) as f32);
        }
        if rng.f64() < 0.75 {
            let mut last = 0.0;
            let level = 0.02 + 0.05 * rng.f64();
            for _ in 0..((0.07 + 0.09 * rng.f64()) * RATE) as usize {
                let white = rng.f64() * 2.0 - 1.0;
                out.push((level * (white - 0.9 * last)) as f32);
                last = white;
            }
        }
        out.extend(std::iter::repeat_n(0.0, ((0.02 + 0.12 * rng.f64()) * RATE) as usize));
    }
    out
}

/// A guide: clicks on the beats and held chords, nothing of the players' sounds.
pub(crate) fn guide() -> Vec<f32> {
    let mut file = vec![0.0f64; ((LEAD_S + BEATS as f64 * BEAT_S + 2.0) * RATE) as usize];
    let mut rng = Rng::with_seed(99);
    for beat in 0..BEATS {
        let begin = ((LEAD_S + beat as f64 * BEAT_S) * RATE) as usize;
        let hz = if beat % 4 == 0 { 1_760.0 } else { 1_320.0 };
        for frame in 0..2_000 {
            let t = frame as f64 / RATE;
            file[begin + frame] += 0.5 * (-90.0 * t).exp() * (TAU * hz * t).sin();
        }
        let chord = CHORDS[beat / SECTION_BEATS][beat % SECTION_BEATS / 4];
        for class in chord {
            let hz = 261.63 * 2f64.powf(class as f64 / 12.0) * 1.0007;
            let phase = rng.f64() * TAU;
            for frame in 0..(BEAT_S * RATE) as usize {
                let t = frame as f64 / RATE;
                file[begin + frame] += 0.08 * (-2.0 * t).exp() * (TAU * hz * t + phase).sin();
            }
        }
    }
    file.into_iter().map(|sample| sample as f32).collect()
}

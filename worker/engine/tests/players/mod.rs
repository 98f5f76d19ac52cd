//! Invented players with exact truth, as attacks, level and harmony: no audio. Shares nothing
//! with the fit: drift is a sum of sinusoids, rhythms are drawn slot by slot.

#![allow(dead_code, unreachable_pub)]

use fastrand::Rng;
use ripieno_engine::fit::{Fit, Grid, Heard, Prior, fit};
use ripieno_engine::locate::{Arrival, HeardIn, Part};
use ripieno_engine::onset::{Onset, Playing};

/// A piece: tempo, metre, sections and chords.
pub struct Piece {
    pub grid: Grid,
    pub beats_per_bar: usize,
    pub bars: usize,
}

/// What a player does; everything in it is the truth to be found.
#[derive(Clone, Debug)]
pub struct Player {
    pub ratio_ppm: f64,
    pub lag_s: f64,
    pub jitter_s: f64,
    pub drift_s: f64,
    /// Phases within the beat and the chance of a note there.
    pub rhythm: Vec<(f64, f64)>,
    pub missing: f64,
    pub extra: f64,
    /// Which sections are played; empty for all.
    pub sections: Vec<usize>,
    /// How the attacks are known.
    pub attack_sd_s: f64,
    /// 0..1: how much of the chart's harmony is in the part.
    pub harmony: f64,
    /// A sudden change of place: at this share of the piece, by so many seconds.
    pub slip: Option<(f64, f64)>,
    /// At this share of the piece it is as before the slip again.
    pub slip_back: Option<f64>,
    /// Slow wander of the tempo, in seconds RMS.
    pub wander_s: f64,
    /// The first bars are free: so many beats, each off by up to half a beat.
    pub rubato_beats: usize,
    /// Width of a strummed chord, in seconds.
    pub strum_s: f64,
    /// Tempo of the playing against the file's clock (1 = the guide's).
    pub tempo: f64,
    /// How fast the file runs for another reason (44.1 kHz played as 48 kHz): all of it, with
    /// the pitch.
    pub mislabelled: f64,
}

impl Player {
    pub fn steady() -> Self {
        Self {
            ratio_ppm: 0.0,
            lag_s: 0.005,
            jitter_s: 0.02,
            drift_s: 0.0,
            rhythm: vec![(0.0, 0.9), (0.5, 0.5)],
            missing: 0.0,
            extra: 0.02,
            sections: Vec::new(),
            attack_sd_s: 0.002,
            harmony: 0.8,
            slip: None,
            slip_back: None,
            wander_s: 0.0,
            rubato_beats: 0,
            strum_s: 0.0,
            tempo: 1.0,
            mislabelled: 1.0,
        }
    }
}

pub struct Take {
    pub playing: Playing,
    pub opening: Vec<Arrival>,
    pub closing: Vec<Arrival>,
    pub bar1_beat1_s: f64,
    pub ratio_ppm: f64,
    pub lag_ms: f64,
}

pub fn gauss(rng: &mut Rng) -> f64 {
    let (u, v) = (rng.f64().max(1e-12), rng.f64());
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

/// 1/f noise of unit variance over a span, from half a cycle a span up to 1 Hz.
pub fn pink(rng: &mut Rng, span_s: f64) -> impl Fn(f64) -> f64 + use<> {
    let low = 0.5 / span_s;
    let waves: Vec<(f64, f64, f64)> = (0..40)
        .map(|k| {
            let hz = low * (1.0 / low).powf((k as f64 + rng.f64()) / 40.0);
            (hz, gauss(rng) / 20f64.sqrt(), std::f64::consts::TAU * rng.f64())
        })
        .collect();
    move |x| waves.iter().map(|(hz, a, p)| a * (std::f64::consts::TAU * hz * x + p).sin()).sum()
}

const MIXOLYDIAN: [usize; 7] = [7, 9, 11, 0, 2, 4, 5];

/// A piece in one of several tempi and metres; `changes` gives it a change of tempo.
pub fn piece(rng: &mut Rng, changes: bool) -> Piece {
    let (bpm, beats_per_bar, bars) =
        [(132.0, 5, 64), (96.0, 4, 60), (108.0, 3, 90), (120.0, 4, 72)][rng.usize(..4)];
    let count = beats_per_bar * bars;
    let mut beats_s = vec![0.0];
    for beat in 0..count {
        let bpm = if changes && beat > count / 2 { bpm * 0.85 } else { bpm };
        beats_s.push(beats_s[beat] + 60.0 / bpm);
    }
    // Chords of two bars and of one, now and then repeated, in a mode.
    let mut roots: Vec<usize> = Vec::new();
    while roots.len() < bars {
        let phrase: Vec<usize> = (0..4).map(|_| rng.usize(..7)).collect();
        let times = 1 + rng.usize(..2);
        for _ in 0..times {
            roots.extend(&phrase);
        }
    }
    let chroma = (0..count)
        .map(|beat| {
            let degree = roots[beat / beats_per_bar];
            let mut row = [0.0f32; 12];
            for (third, share) in [(0, 1.0), (2, 0.7), (4, 0.8)] {
                row[MIXOLYDIAN[(degree + third) % 7]] = share;
            }
            row
        })
        .collect();
    let borders: Vec<usize> =
        [0.0, 0.2, 0.42, 0.6, 0.85, 1.0].iter().map(|s| (s * bars as f64) as usize).collect();
    let sections = borders
        .windows(2)
        .map(|w| (beats_s[w[0] * beats_per_bar], beats_s[w[1] * beats_per_bar]))
        .collect();
    let beat_s = beats_s[1];
    let end_s = beats_s[count];
    Piece {
        grid: Grid {
            bar_starts: (0..=count).step_by(beats_per_bar).collect(),
            sections,
            chroma,
            opening_mark_s: Some(-beat_s * beats_per_bar as f64 * 2.0),
            closing_mark_s: Some(end_s + beat_s * beats_per_bar as f64),
            beats_s,
        },
        beats_per_bar,
        bars,
    }
}

/// Records a player: `marks` says which marks are kept.
pub fn record(rng: &mut Rng, piece: &Piece, player: &Player, marks: (bool, bool)) -> Take {
    let grid = &piece.grid;
    let end_s = grid.beats_s[grid.beats_s.len() - 1];
    let file_ratio = (1.0 + player.ratio_ppm * 1e-6) * player.mislabelled;
    let bar1_beat1_s = 3.0 + 6.0 * rng.f64() - grid.opening_mark_s.unwrap_or(0.0);
    let played = |t: f64| {
        let is_back = player.slip_back.is_some_and(|share| t > share * end_s);
        let slip = player.slip.filter(|(share, _)| t > share * end_s && !is_back);
        let slip = slip.map_or(0.0, |(_, by)| by);
        bar1_beat1_s + (t / player.tempo) * file_ratio + player.lag_s + slip
    };
    let sounds = |t: f64| {
        player.sections.is_empty()
            || player.sections.iter().any(|&s| t >= grid.sections[s].0 && t < grid.sections[s].1)
    };
    let mut onsets = notes(rng, grid, player, end_s, &played, &sounds);
    let duration_s = played(end_s) + 4.0;
    let stray = (onsets.len() as f64 * player.extra) as usize;
    for _ in 0..stray {
        let at_s = played(rng.f64() * end_s);
        onsets.push(Onset { at_s, strength: 2.0 + rng.f32() * 6.0, sd_s: 0.004 });
    }
    onsets.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let (level_db, chroma) = sound(rng, grid, player, duration_s, &played, &sounds);
    let mark = |piece_s: Option<f64>, rng: &mut Rng| {
        let at_s = bar1_beat1_s + piece_s.unwrap_or(0.0) * file_ratio;
        let sd_s = 20e-6;
        Arrival {
            at_s: at_s + sd_s * gauss(rng),
            sd_s,
            score: 0.95,
            skew_ppm: None,
            skew_sd_ppm: None,
            per_ratio_s: 0.0,
            snr_db: 40.0,
            part: Part::Whole,
            heard_in: HeardIn::Channel(0),
            inverted: false,
            likeness: 0.9,
            echo_s: 0.0,
        }
    };
    let opening = marks.0.then(|| mark(grid.opening_mark_s, rng)).into_iter().collect();
    let closing = marks.1.then(|| mark(grid.closing_mark_s, rng)).into_iter().collect();
    Take {
        playing: Playing {
            onsets,
            hop_s: 0.005,
            novelty: Vec::new(),
            level_db,
            chroma,
            chroma_hop_s: 0.08,
            duration_s,
            tuning_cents: Some(0.0),
            tonality: ripieno_engine::onset::Tonality::default(),
            notes: Vec::new(),
            notes_hop_s: 0.16,
            octaves_db: Vec::new(),
        },
        opening,
        closing,
        bar1_beat1_s,
        ratio_ppm: player.ratio_ppm,
        lag_ms: player.lag_s * 1e3,
    }
}

fn notes(
    rng: &mut Rng,
    grid: &Grid,
    player: &Player,
    end_s: f64,
    played: &dyn Fn(f64) -> f64,
    sounds: &dyn Fn(f64) -> bool,
) -> Vec<Onset> {
    let drift = pink(rng, end_s);
    let wander = pink(rng, end_s);
    let mut onsets = Vec::new();
    for (beat, pair) in grid.beats_s.windows(2).enumerate() {
        let accent = if grid.bar_starts.contains(&beat) { 1.4 } else { 1.0 };
        for &(phase, chance) in &player.rhythm {
            let t = pair[0] + phase * (pair[1] - pair[0]);
            let first = grid.sections.iter().any(|section| (section.0 - t).abs() < 1e-6);
            let chance = if first && phase == 0.0 { chance.max(0.8) } else { chance };
            if !sounds(t) || rng.f64() > chance * (1.0 - player.missing) {
                continue;
            }
            let mut off = player.jitter_s * gauss(rng) + player.drift_s * drift(t);
            off += player.wander_s * wander(t) + player.attack_sd_s * gauss(rng);
            if beat < player.rubato_beats {
                off += (rng.f64() - 0.5) * (pair[1] - pair[0]);
            }
            let strength = accent * (8.0 + 3.0 * gauss(rng) as f32).max(1.5);
            let strings = if player.strum_s > 0.0 { 3 } else { 1 };
            for string in 0..strings {
                onsets.push(Onset {
                    at_s: played(t) + off + player.strum_s * string as f64 / 2.0,
                    strength: strength * if string == 0 { 1.0 } else { 0.6 },
                    sd_s: 0.001 + player.attack_sd_s,
                });
            }
        }
    }
    onsets
}

fn sound(
    rng: &mut Rng,
    grid: &Grid,
    player: &Player,
    duration_s: f64,
    played: &dyn Fn(f64) -> f64,
    sounds: &dyn Fn(f64) -> bool,
) -> (Vec<f32>, Vec<[f32; 12]>) {
    let mut level_db: Vec<f32> =
        (0..(duration_s / 0.005) as usize).map(|_| -72.0 + 2.0 * gauss(rng) as f32).collect();
    let mut chroma = vec![[0.0f32; 12]; (duration_s / 0.08) as usize];
    let turn = (12.0 * player.mislabelled.log2()).round() as i32;
    let own = rng.usize(..7);
    // A note sounds from where it is struck: beside the beat for those who play there.
    let strongest = player.rhythm.iter().reduce(|a, b| if b.1 > a.1 { b } else { a });
    let struck = strongest.map_or(0.0, |(phase, _)| *phase);
    for (beat, pair) in grid.beats_s.windows(2).enumerate() {
        if !sounds(pair[0]) {
            continue;
        }
        let late_s = struck * (pair[1] - pair[0]);
        let (from, to) = (played(pair[0] + late_s), played(pair[1] + late_s));
        let to = to.min(duration_s - 0.1).max(from);
        for level in &mut level_db[(from / 0.005) as usize..(to / 0.005) as usize] {
            *level = -22.0 + 4.0 * gauss(rng) as f32;
        }
        // A part spells now this, now that note of the chord, and notes beside it.
        let mut weights = [0.0f64; 12];
        for _ in 0..3 {
            let class = if rng.f64() < player.harmony {
                let tones: Vec<usize> = (0..12).filter(|&k| grid.chroma[beat][k] > 0.0).collect();
                tones[rng.usize(..tones.len())]
            } else {
                MIXOLYDIAN[(own + rng.usize(..3)) % 7]
            };
            weights[class] += 0.3 + rng.f64();
        }
        for row in &mut chroma[(from / 0.08).round() as usize..(to / 0.08).round() as usize] {
            let mut total = 0.0;
            for (class, slot) in row.iter_mut().enumerate() {
                let heard = (class as i32 - turn).rem_euclid(12) as usize;
                *slot = (weights[heard] + 0.15 * rng.f64()) as f32;
                total += *slot;
            }
            row.iter_mut().for_each(|slot| *slot /= total);
        }
    }
    (level_db, chroma)
}

pub fn fitted(piece: &Piece, take: &Take) -> Option<Fit> {
    let heard = Heard { opening: &take.opening, closing: &take.closing, playing: &take.playing };
    fit(&piece.grid, &heard, &Prior::default())
}

//! Tempo by short stretches, blind to where they lie: it holds through cuts and jumps.

use super::beats::BeatClock;
use super::events::Event;
use super::search::{Anchor, coherence};
use crate::onset::Playing;

/// Length of a stretch: long enough to part tempi half a percent apart, short enough that a
/// take with a few cuts has whole ones.
const STRETCH_S: f64 = 20.0;
const FEWEST: usize = 6;

/// The ratio at which the strokes of each stretch keep in step, whatever their phases.
pub(super) fn local_ratio(
    beats: &BeatClock,
    events: &[Event],
    anchor: Anchor,
    ratios: (f64, f64),
) -> Option<f64> {
    let stretches = stretches(events);
    if stretches.is_empty() {
        return None;
    }
    let step = 0.012 / STRETCH_S;
    let count = ((ratios.1 - ratios.0) / step).ceil().clamp(1.0, 4_000.0) as usize;
    (0..=count)
        .map(|k| ratios.0 + (ratios.1 - ratios.0) * k as f64 / count as f64)
        .map(|ratio| (strength(beats, &stretches, anchor, ratio), ratio))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, ratio)| ratio)
}

/// How else a take's tempo may stand to the guide's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Kind {
    /// As written, up to clocks and small mistakes.
    AsWritten,
    /// Two beats of the guide to one of the player's.
    Half,
    /// One beat of the guide to two of the player's.
    Double,
    /// Some other tempo.
    Other,
    /// Sound of one sample rate filed under another: pitch and tempo are both off.
    Mislabelled {
        /// The rate it was recorded at over the rate it claims.
        true_over_said: f64,
    },
}

/// A tempo to try.
#[derive(Debug, Clone, Copy)]
pub(super) struct Hypothesis {
    pub(super) kind: Kind,
    /// Ratio about which to search.
    pub(super) centre: f64,
    /// Semitones by which the take then sounds too high.
    pub(super) rotate: usize,
    /// How unlikely it is beforehand, in nats.
    cost: f64,
}

/// Half and double tempo are told by pitch, and hardly by anything else: they cost so much more
/// where the strokes are of no harmonic sound, whose lines suit chords by chance.
const UNTOLD: f64 = 20.0;
/// Share of the energy in harmonic series below which a sound is none: drums and bells have at
/// most 0.06, voices and strings 0.58 and more.
const HARMONIC: f32 = 0.3;

impl Hypothesis {
    /// How unlikely it is for a take that sounds like this, in nats.
    pub(super) fn cost_for(&self, playing: &Playing) -> f64 {
        let by_pitch = matches!(self.kind, Kind::Half | Kind::Double);
        let untold = by_pitch && playing.tonality.harmonic < HARMONIC;
        self.cost + if untold { UNTOLD } else { 0.0 }
    }
}

pub(super) const AS_WRITTEN: Hypothesis =
    Hypothesis { kind: Kind::AsWritten, centre: 0.0, rotate: 0, cost: 0.0 };
const HALF: Hypothesis = Hypothesis { kind: Kind::Half, centre: 1.0, rotate: 0, cost: 8.0 };
const DOUBLE: Hypothesis = Hypothesis { kind: Kind::Double, centre: -0.5, rotate: 0, cost: 8.0 };

/// 44.1 kHz for 48 kHz and the other way: the two families of rates in use.
const RATES: f64 = 44_100.0 / 48_000.0;
/// Tempi searched for a take that does not follow the guide's.
const WIDE: (f64, f64) = (-0.2, 0.25);
/// A tempo at which the strokes keep in step this much better than at the guide's is tried.
const BETTER: f64 = 1.15;

/// Tempi whose beats fall on the guide's: its own strokes cannot tell them apart.
pub(super) const RELATED: [Hypothesis; 2] = [HALF, DOUBLE];

/// Tempi worth trying for these strokes besides the guide's own.
pub(super) fn others(
    beats: &BeatClock,
    events: &[Event],
    anchor: Anchor,
    most: f64,
) -> Vec<Hypothesis> {
    let stretches = stretches(events);
    let at = |ratio: f64| strength(beats, &stretches, anchor, ratio);
    let near = |centre: f64| {
        let within = (centre - most * (1.0 + centre), centre + most * (1.0 + centre));
        local_ratio(beats, events, anchor, within).map_or(0.0, at)
    };
    let written = near(0.0);
    let mut tried = RELATED.to_vec();
    for true_over_said in [RATES, 1.0 / RATES] {
        // Sound of a lower rate than it claims plays too fast, and too high.
        let centre = true_over_said - 1.0;
        if near(centre) > BETTER * written {
            let kind = Kind::Mislabelled { true_over_said };
            let semitones = -12.0 * true_over_said.log2();
            for rotate in [semitones.floor(), semitones.ceil()] {
                let rotate = rotate.rem_euclid(12.0) as usize;
                tried.push(Hypothesis { kind, centre, rotate, cost: 7.0 });
            }
        }
    }
    let wide = local_ratio(beats, events, anchor, WIDE);
    if let Some(centre) = wide.filter(|&c| c.abs() > most && at(c) > BETTER * written) {
        tried.push(Hypothesis { kind: Kind::Other, centre, rotate: 0, cost: 9.0 });
    }
    tried
}

/// Sum over stretches of how well their strokes keep in step at a ratio.
fn strength(beats: &BeatClock, stretches: &[&[Event]], anchor: Anchor, ratio: f64) -> f64 {
    stretches.iter().map(|events| coherence(beats, events, anchor, ratio, 0.0)).sum()
}

fn stretches(events: &[Event]) -> Vec<&[Event]> {
    let mut stretches = Vec::new();
    let mut rest = events;
    while let Some(first) = rest.first() {
        let count = rest.partition_point(|event| event.at_s < first.at_s + STRETCH_S);
        let (now, later) = rest.split_at(count);
        if now.len() >= FEWEST {
            stretches.push(now);
        }
        rest = later;
    }
    stretches
}

#[cfg(test)]
mod tests {
    use super::super::harmony::tests::case;
    use super::*;

    #[test]
    fn of_a_drum_or_a_bell_half_and_double_tempo_are_hardly_believed() {
        let (_, mut playing) = case();
        let costs =
            |playing: &Playing| [AS_WRITTEN, HALF, DOUBLE].map(|tempo| tempo.cost_for(playing));
        playing.tonality.harmonic = 0.05;
        assert_eq!(costs(&playing), [0.0, 28.0, 28.0]);
        playing.tonality.harmonic = 0.8;
        assert_eq!(costs(&playing), [0.0, 8.0, 8.0]);
    }
}

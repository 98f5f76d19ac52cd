//! The harmony of a take beside the piece's chart, beat by beat; three checks read it.

use super::Take;

/// What sounds on one beat, as far as it has pitch.
#[derive(Debug, Clone, Copy)]
pub(super) struct BeatHarmony {
    /// Index into the grid's beats.
    pub(super) beat: usize,
    /// Pitch classes of unit sum, C first.
    pub(super) heard: [f32; 12],
    /// The chart's, 0 or 1 each; all 0 where it is silent.
    pub(super) chart: [f32; 12],
}

/// Every beat of a placed take on which something pitched sounds; whether the take has a pitch at
/// all is [`pitch`](super::pitch)'s to tell.
pub(super) fn beats(take: &Take) -> Vec<BeatHarmony> {
    let playing = take.playing;
    let row_at = |s: f64| (s / playing.notes_hop_s).round().max(0.0) as usize;
    let mut beats = Vec::new();
    for (beat, pair) in take.grid.beats_s.windows(2).enumerate() {
        let Some((from, upto)) = take.file_time_s(pair[0]).zip(take.file_time_s(pair[1])) else {
            return beats;
        };
        let rows = row_at(from).min(playing.notes.len())..row_at(upto).min(playing.notes.len());
        let mut heard = [0.0f32; 12];
        for row in &playing.notes[rows] {
            heard.iter_mut().zip(row).for_each(|(sum, class)| *sum += class);
        }
        let all: f32 = heard.iter().sum();
        if all > 0.0 {
            heard.iter_mut().for_each(|class| *class /= all);
            let chart = take.grid.chroma.get(beat).copied().unwrap_or([0.0; 12]);
            beats.push(BeatHarmony { beat, heard, chart });
        }
    }
    beats
}

/// Cosine of the angle between two weightings of the pitch classes; 0 if either is empty.
pub(super) fn likeness(a: &[f32; 12], b: &[f32; 12]) -> f64 {
    let product = |a: &[f32; 12], b: &[f32; 12]| -> f64 {
        a.iter().zip(b).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum()
    };
    let size = (product(a, a) * product(b, b)).sqrt();
    if size > 0.0 { product(a, b) / size } else { 0.0 }
}

/// The first beat of each section, and the one after its last.
pub(super) fn section_beats(take: &Take) -> Vec<std::ops::Range<usize>> {
    let at = |s: f64| take.grid.beats_s.partition_point(|beat| *beat < s - 1e-6);
    take.grid.sections.iter().map(|(begin, end)| at(*begin)..at(*end)).collect()
}

/// The name of a pitch class.
pub(super) fn name(class: usize) -> &'static str {
    const NAMES: [&str; 12] =
        ["C", "C sharp", "D", "E flat", "E", "F", "F sharp", "G", "A flat", "A", "B flat", "B"];
    NAMES[class % 12]
}

//! The piece on the clock: beats, sections, marks and chords in seconds and samples.

use super::{Piece, Section};
use crate::position::Position;
use crate::tempo::Beat;

/// A piece as one listening to a take wants it, all in piece time.
#[derive(Clone, Debug, PartialEq)]
pub struct PieceGrid {
    /// Every beat of the music as it is felt, bar 1 to the last bar: where the metre's own beats
    /// run fast, groups of them, such as the two dotted quarters of a quick 6/8.
    pub beats: Vec<Beat>,
    /// Which beats begin a bar.
    pub bar_starts: Vec<usize>,
    /// Begin and end of each section in seconds, in the piece's order.
    pub sections_s: Vec<(f64, f64)>,
    /// One for each beat: 1 for the pitch classes of its chord (from C), 0 for the rest; all 0
    /// where the chart is silent.
    pub chroma: Vec<[f32; 12]>,
    /// Where the opening mark's origin lies.
    pub opening_mark_s: f64,
    /// Where the closing mark's origin lies.
    pub closing_mark_s: Option<f64>,
}

/// Shorter ones are parts of a beat to whoever plays them (common practice, no source: beats are
/// felt at some 40 to 240 a minute).
const SHORTEST_BEAT_S: f64 = 0.25;

impl Piece {
    /// The whole piece on the clock.
    pub fn grid(&self) -> PieceGrid {
        let beats = self.felt_beats();
        let bar_starts = (0..beats.len()).filter(|at| beats[*at].is_bar).collect();
        let chroma = beats.iter().map(|beat| self.chroma_at(beat.position)).collect();
        PieceGrid {
            bar_starts,
            sections_s: self.sections.iter().map(|section| self.section_seconds(section)).collect(),
            chroma,
            opening_mark_s: self.opening_mark_s(),
            closing_mark_s: self.closing_mark_s(),
            beats,
        }
    }

    fn felt_beats(&self) -> Vec<Beat> {
        let mut felt = Vec::new();
        for bar in 1..=self.last_bar {
            let together = self.beats_felt_together(bar);
            felt.extend(self.tempo.beats(bar, bar).into_iter().step_by(together));
        }
        felt
    }

    /// How many of a bar's beats are felt as one: more than one only where they run fast, and
    /// then by the note that the tempo counts, by threes in the compound metres, or by twos.
    fn beats_felt_together(&self, bar: i32) -> usize {
        let metre = self.tempo.metre_at(bar);
        let start = Position::bar_start(bar);
        if self.tempo.beat_length_s(start) >= SHORTEST_BEAT_S {
            return 1;
        }
        let before = self.tempo.tempos().partition_point(|change| change.at <= start);
        let (notes, whole) = self.tempo.tempos()[before.saturating_sub(1)].beat_unit();
        let units = notes * metre.unit;
        let counted = if units.is_multiple_of(whole) { units / whole } else { 1 };
        let fits = |&group: &u32| group > 1 && metre.beats.is_multiple_of(group);
        let usual = [counted, if metre.unit >= 8 { 3 } else { 2 }, 2];
        usual.into_iter().find(fits).unwrap_or(1) as usize
    }

    fn chroma_at(&self, position: Position) -> [f32; 12] {
        let chord = self.chart.chord_at(position);
        std::array::from_fn(|class| match chord {
            Some(chord) if chord.has(class as u8) => 1.0,
            _ => 0.0,
        })
    }

    /// Where a section begins and ends, in seconds.
    pub fn section_seconds(&self, section: &Section) -> (f64, f64) {
        let at = |bar| self.tempo.seconds_at(Position::bar_start(bar));
        (at(section.first_bar), at(section.last_bar + 1))
    }

    /// Where a section begins and ends on the master grid; the end is the first sample after it.
    pub fn section_samples(&self, section: &Section) -> std::ops::Range<i64> {
        self.sample_at_bar(section.first_bar)..self.sample_at_bar(section.last_bar + 1)
    }

    /// The sample of a bar's first beat.
    pub fn sample_at_bar(&self, bar: i32) -> i64 {
        self.sample_at(Position::bar_start(bar))
    }

    /// The sample of a place.
    pub fn sample_at(&self, position: Position) -> i64 {
        self.tempo.sample_at(position, self.sample_rate_hz)
    }

    /// How long the music is, bar 1 to the end of the last bar, in seconds.
    pub fn duration_s(&self) -> f64 {
        self.tempo.seconds_at(Position::bar_start(self.last_bar + 1))
    }

    /// The first sample after the last bar.
    pub fn end_sample(&self) -> i64 {
        self.sample_at_bar(self.last_bar + 1)
    }

    /// Piece time of the opening mark's origin: at or below 0. A guide is made of samples, so its
    /// marks lie on whole ones, up to half a sample from where their bars begin.
    pub fn opening_mark_s(&self) -> f64 {
        self.on_a_sample_s(self.marks.opening.bar)
    }

    /// Piece time of the closing mark's origin.
    pub fn closing_mark_s(&self) -> Option<f64> {
        Some(self.on_a_sample_s(self.marks.closing?.bar))
    }

    /// The sample nearest to where a bar begins, in seconds.
    fn on_a_sample_s(&self, bar: i32) -> f64 {
        self.sample_at_bar(bar) as f64 / f64::from(self.sample_rate_hz)
    }
}

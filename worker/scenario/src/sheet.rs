//! The piece as a player reads it: beats, chords, the scale, and where everyone gets quieter.

use ripieno_score::{Piece, Position};

/// One beat on the stand.
#[derive(Debug, Clone)]
pub struct SheetBeat {
    /// Seconds after bar 1 beat 1.
    pub at_s: f64,
    /// Its number in the bar, from 0.
    pub in_bar: u32,
    /// How many beats its bar has.
    pub bar_beats: u32,
    /// Pitch classes of the chord, the root first; never empty.
    pub chord: Vec<u8>,
}

/// All that a player needs of a piece.
#[derive(Debug, Clone)]
pub struct Sheet {
    /// Every beat from bar 1 to the last bar.
    pub beats: Vec<SheetBeat>,
    /// Pitch classes of the mode, from its tonic.
    pub scale: Vec<u8>,
    /// Where the last bar ends, seconds.
    pub end_s: f64,
    /// Begin and end of the played fades, seconds.
    fades: Vec<(f64, f64)>,
}

impl Sheet {
    /// Copies the piece out.
    pub fn of(piece: &Piece) -> Sheet {
        let scale = piece.key.pitch_classes().to_vec();
        let beats = piece.tempo.beats(1, piece.last_bar);
        let beats = beats
            .iter()
            .map(|beat| SheetBeat {
                at_s: beat.at_s,
                in_bar: beat.position.beat().round() as u32 - 1,
                bar_beats: piece.tempo.metre_at(beat.position.bar()).beats,
                chord: chord_at(piece, beat.position, &scale),
            })
            .collect();
        let fades = piece.sections.iter().filter(|section| section.played_fade);
        Sheet {
            beats,
            scale,
            end_s: piece.duration_s(),
            fades: fades.map(|section| piece.section_seconds(section)).collect(),
        }
    }

    /// Seconds from a beat to the next.
    pub fn beat_length_s(&self, beat: usize) -> f64 {
        let next = self.beats.get(beat + 1).map_or(self.end_s, |b| b.at_s);
        next - self.beats[beat].at_s
    }

    /// How much quieter a player plays here: a played fade falls by 26 dB along its section.
    pub fn fade_gain(&self, at_s: f64) -> f32 {
        let inside = self.fades.iter().find(|(from, to)| (*from..*to).contains(&at_s));
        inside
            .map_or(1.0, |(from, to)| 10f64.powf(-26.0 / 20.0 * (at_s - from) / (to - from)) as f32)
    }

    /// The note a player who learned another mode plays: the mode's major third becomes minor
    /// and its sixth flat.
    pub fn in_wrong_mode(&self, note: f64) -> f64 {
        let degree = (note.round() as i32 - i32::from(self.scale[0])).rem_euclid(12);
        if degree == 4 || degree == 9 { note - 1.0 } else { note }
    }
}

fn chord_at(piece: &Piece, position: Position, scale: &[u8]) -> Vec<u8> {
    let chord = piece.chart.chord_at(position).map(|chord| chord.pitch_classes());
    chord.filter(|classes| !classes.is_empty()).unwrap_or_else(|| vec![scale[0], scale[4]])
}

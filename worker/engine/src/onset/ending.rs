//! Notes that end from one moment to the next.
//!
//! What a gate, a damper or a key's release cuts off spreads over all bands for a moment, as a
//! stroke does: the flux has a peak there, though nothing begins, or only what comes after it.

use super::attack::Envelope;
use crate::math::vectors::peak;

/// How a note ends.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Ending {
    InSilence,
    /// The next begins at once, but softly.
    WithAnother,
}

/// The note before its end, in seconds after the flux's peak, …
const NOTE_S: (f64, f64) = (-0.045, -0.015);
/// … and where it is gone: from when, until when it must be, and how long where no other begins.
const GONE_S: (f64, f64, f64) = (0.025, 0.045, 0.1);
/// Cells of half a millisecond over which it must be gone.
const TROUGH_CELLS: usize = 8;
/// Powers, as shares of the note's: nothing is so loud at its end, as a stroke would be, …
const STROKE: f32 = 4.0;
/// … and what is left is no louder than this.
const LEFT: f32 = 0.03;

/// What ends where the flux peaks; `None` where nothing does.
pub(super) fn ending(envelope: &Envelope, peak_s: f64) -> Option<Ending> {
    let cells = |from_s: f64, to_s: f64| envelope.powers(peak_s + from_s, peak_s + to_s);
    let mean = |cells: &[f32]| cells.iter().sum::<f32>() / cells.len().max(1) as f32;
    let note = mean(&cells(NOTE_S.0, NOTE_S.1));
    let about = cells(NOTE_S.1, GONE_S.1);
    let lowest = about.windows(TROUGH_CELLS).map(mean).fold(f32::INFINITY, f32::min);
    if lowest > LEFT * note || peak(&about) > STROKE * note {
        return None;
    }
    let silent = peak(&cells(GONE_S.0, GONE_S.2)) < LEFT * note;
    Some(if silent { Ending::InSilence } else { Ending::WithAnother })
}

//! Writers of the deliverables: WAV and RF64 with their broadcast metadata, FLAC, and a small
//! preview for browsers.
//!
//! All take planar blocks of `f32` or `f64` of any length, and what comes out does not depend on
//! how the sound was cut into blocks.

pub mod dither;
mod bext;
mod cue;
mod flac;
mod preview;
mod wav;

pub use bext::{Bext, BextLoudness};
pub use cue::Cue;
pub use flac::{FlacSpec, FlacWriter};
pub use preview::{PreviewSpec, PreviewWriter};
pub use wav::{SampleFormat, WavSpec, WavWriter};

/// Why a file could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// The disk or pipe failed, or is full.
    #[error("the file could not be written: {0}")]
    Io(#[from] std::io::Error),
    /// The format can't hold what was asked for.
    #[error("{0}")]
    Format(String),
}

impl WriteError {
    fn format(what: impl ToString) -> Self {
        WriteError::Format(what.to_string())
    }
}

/// Checks that a block has `channels` channels of equal length and gives that length.
fn frames_of<S>(block: &[&[S]], channels: u16) -> Result<usize, WriteError> {
    let frames = block.first().map_or(0, |c| c.len());
    if block.len() != usize::from(channels) || block.iter().any(|c| c.len() != frames) {
        let what = format!("a block must have {channels} channels of equal length");
        return Err(WriteError::Format(what));
    }
    Ok(frames)
}

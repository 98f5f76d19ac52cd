//! Writes what a contributor downloads.
//!
//! The guide track, its layers, the marks, a Standard MIDI File, a chart, instructions, and the
//! account of the marks in `marks.json`. Everything is made from the piece alone, so the same
//! piece gives the same files, byte for byte.

mod chart;
mod made_of;
mod track;
mod words;
mod zip;

pub use made_of::made_of;
pub use zip::zip_pack;

use ripieno_engine::inspect::bleed::Guide;
use ripieno_engine::mark::{Mark, MarkError};
use ripieno_score::{Piece, midi};
use serde::Serialize;
use std::io;
use std::path::{Path, PathBuf};

/// What a pack holds; [`MarkAccount`] is the content of `marks.json`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PackIndex {
    /// The pack's files by name, in the order a contributor would want them.
    pub files: Vec<PackFile>,
    /// Where the marks and bar 1 lie.
    pub marks: MarkAccount,
    /// Length of the guide track.
    pub guide_s: f64,
    /// Greatest sample of the guide track, of full scale.
    pub guide_peak: f32,
}

/// One file of a pack.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PackFile {
    /// Its name within the pack.
    pub name: &'static str,
    /// What it is, in a few plain words.
    pub what: &'static str,
}

/// The content of `marks.json`: samples are counted in the guide track.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MarkAccount {
    /// Rate of every sound of the pack.
    pub sample_rate: u32,
    /// Where bar 1 beat 1 lies.
    pub bar1_beat1_sample: i64,
    /// The mark at the beginning.
    pub opening: MarkPlace,
    /// The mark at the end, if the piece has one.
    pub closing: Option<MarkPlace>,
}

/// One mark in the guide track.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct MarkPlace {
    /// The bar on whose first beat it lies.
    pub bar: i32,
    /// Where its origin lies in the guide track.
    pub sample: i64,
    /// The file that holds it alone.
    pub file: &'static str,
    /// Where its origin lies in that file.
    pub origin_sample: f64,
}

/// A recording that serves as the mark instead of the designed ones.
#[derive(Clone, Copy, Debug)]
pub struct OwnRecording<'a> {
    /// Mono samples.
    pub samples: &'a [f32],
    /// Their rate.
    pub rate_hz: u32,
}

/// Why a pack could not be written.
#[derive(Debug, thiserror::Error)]
pub enum PackError {
    /// A file or folder can't be written.
    #[error("{} can't be written: {source}", path.display())]
    Write {
        /// Which.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A sound file can't be written.
    #[error("{} can't be written: {source}", path.display())]
    Wav {
        /// Which.
        path: PathBuf,
        /// Why.
        source: hound::Error,
    },
    /// The organiser's recording is no mark.
    #[error(transparent)]
    Mark(#[from] MarkError),
    /// The zip can't be written.
    #[error("the zip can't be written: {0}")]
    Zip(#[from] ::zip::result::ZipError),
}

/// The files of every pack, in the order a contributor would want them.
const FILES: [PackFile; 11] = [
    PackFile { name: "instructions.html", what: "how to take part, to read on a screen" },
    PackFile { name: "instructions.txt", what: "the same as plain text" },
    PackFile { name: "chart.html", what: "sections, bars and chords, to read and to print" },
    PackFile { name: "chart.svg", what: "the same as one drawing" },
    PackFile { name: "guide.wav", what: "the guide track: mark, count-in, pulse and chords" },
    PackFile { name: "pulse.wav", what: "the pulse alone, as long as the guide" },
    PackFile { name: "chords.wav", what: "the chords alone, as long as the guide" },
    PackFile { name: "piece.mid", what: "tempo, metre, markers and chords for a sequencer" },
    PackFile { name: "mark-opening.wav", what: "the opening mark alone" },
    PackFile { name: "mark-closing.wav", what: "the closing mark alone" },
    PackFile { name: "marks.json", what: "where the marks lie, for scripts" },
];

/// Writes the pack of `piece` into the folder `out`, which is made if it is not there.
///
/// # Errors
/// When a file can't be written.
pub fn write_pack(piece: &Piece, out: &Path) -> Result<PackIndex, PackError> {
    let rate_hz = piece.sample_rate_hz;
    let closing = piece.marks.closing.map(|_| Mark::closing(rate_hz));
    write_with(piece, &Mark::opening(rate_hz), closing.as_ref(), out)
}

/// Writes the pack with the organiser's own sound as both marks.
///
/// # Errors
/// When the recording is no mark or a file can't be written.
pub fn write_pack_with_own_mark(
    piece: &Piece,
    own: OwnRecording<'_>,
    out: &Path,
) -> Result<PackIndex, PackError> {
    let mark = Mark::from_recording(own.samples, own.rate_hz, piece.sample_rate_hz)?;
    let closing = piece.marks.closing.map(|_| &mark);
    write_with(piece, &mark, closing, out)
}

/// What sounds in the guide of `piece` beside its marks: what a take that was not recorded with
/// closed headphones has in it.
#[must_use]
pub fn guide_music(piece: &Piece) -> Guide {
    let rate_hz = piece.sample_rate_hz;
    let closing = piece.marks.closing.map(|_| Mark::closing(rate_hz));
    track::Guide::new(piece, &Mark::opening(rate_hz), closing.as_ref()).music()
}

fn write_with(
    piece: &Piece,
    opening: &Mark,
    closing: Option<&Mark>,
    out: &Path,
) -> Result<PackIndex, PackError> {
    let failed = |path: &Path| {
        let path = path.to_path_buf();
        move |source| PackError::Write { path, source }
    };
    std::fs::create_dir_all(out).map_err(failed(out))?;
    let write = |name: &str, bytes: &[u8]| {
        let path = out.join(name);
        std::fs::write(&path, bytes).map_err(failed(&path))
    };
    let guide = track::Guide::new(piece, opening, closing);
    let guide_peak = guide.write(out)?;
    let marks = guide.account();
    track::write_mark(opening, &out.join("mark-opening.wav"))?;
    if let Some(closing) = closing {
        track::write_mark(closing, &out.join("mark-closing.wav"))?;
    }
    write("piece.mid", &midi::export(piece))?;
    write("chart.svg", chart::svg(piece).as_bytes())?;
    write("chart.html", chart::page(piece).as_bytes())?;
    let instructions = words::instructions(piece, opening.kind);
    write("instructions.txt", instructions.as_text().as_bytes())?;
    write("instructions.html", instructions.as_html(piece).as_bytes())?;
    let json = serde_json::to_vec_pretty(&marks).map_err(io::Error::from);
    write("marks.json", &json.map_err(failed(&out.join("marks.json")))?)?;
    let there = |file: &&PackFile| closing.is_some() || file.name != "mark-closing.wav";
    Ok(PackIndex {
        files: FILES.iter().filter(there).cloned().collect(),
        marks,
        guide_s: guide.frames() as f64 / f64::from(piece.sample_rate_hz),
        guide_peak,
    })
}

#[cfg(test)]
mod tests;

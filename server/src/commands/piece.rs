//! `ripieno piece`: check a piece's document, or make one from a Standard MIDI File.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use ripieno_score::Piece;

use super::{Failure, say, say_error};

/// Flags of `ripieno piece`.
#[derive(Args, Debug)]
pub struct PieceArgs {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Say every mistake in a piece's document, or what the piece is
    Check {
        /// The document, TOML or JSON
        piece: PathBuf,
    },
    /// Print a piece's document begun from a Standard MIDI File: tempo, metre, key and a section
    /// from each marker to the next
    Import {
        /// The file, of format 0 or 1
        midi: PathBuf,
    },
}

/// Checks, or imports.
///
/// # Errors
/// Every mistake in the document; a MIDI file that cannot be read.
pub fn run(args: &PieceArgs) -> Result<(), Failure> {
    match &args.what {
        What::Check { piece } => {
            let piece = read_piece(piece)?;
            say(&format!(
                "{}: {} bars in {} sections, {} Hz.",
                piece.title,
                piece.last_bar,
                piece.sections.len(),
                piece.sample_rate_hz
            ));
            Ok(())
        }
        What::Import { midi } => import(midi),
    }
}

/// Prints the document to standard output and what had to be changed to standard error.
fn import(path: &Path) -> Result<(), Failure> {
    let name = path.display();
    let bytes = std::fs::read(path)
        .map_err(|e| Failure::given(format!("The MIDI file {name} cannot be read: {e}.")))?;
    let imported = ripieno_score::midi::import(&bytes)
        .map_err(|mistakes| Failure::given(format!("{name}: {mistakes}")))?;
    for remark in &imported.remarks {
        say_error(remark);
    }
    say(imported.piece().to_toml().trim_end());
    Ok(())
}

/// Reads a piece's document, JSON by its ending, else TOML.
///
/// # Errors
/// The file cannot be read; every mistake in it.
pub fn read_piece(path: &Path) -> Result<Piece, Failure> {
    let name = path.display().to_string();
    let text = std::fs::read_to_string(path)
        .map_err(|e| Failure::given(format!("The piece's document {name} cannot be read: {e}.")))?;
    let json = path.extension().is_some_and(|e| e.eq_ignore_ascii_case("json"));
    let read = if json { Piece::from_json } else { Piece::from_toml };
    read(&text, &name).map_err(Failure::given)
}

//! `ripieno pack`: writes a piece's guide pack into a folder, without a server.

use std::path::{Path, PathBuf};

use clap::Args;
use ripieno_worker::conform_take::{Limits, OwnMark, Recording};
use ripieno_worker::guide_pack::{OwnRecording, PackIndex, write_pack, write_pack_with_own_mark};

use super::piece::read_piece;
use super::{Failure, say};

/// Flags of `ripieno pack`.
#[derive(Args, Debug)]
pub struct PackArgs {
    /// The piece's document
    #[arg(long, value_name = "FILE")]
    pub piece: PathBuf,
    /// Folder to write into; made if it is not there
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
}

/// Writes the pack and says what is in it.
///
/// # Errors
/// The document is wrong, the piece's own mark cannot be used, a file cannot be written.
pub fn run(args: &PackArgs) -> Result<(), Failure> {
    let piece = read_piece(&args.piece)?;
    let index = match own_mark(&piece, &args.piece, &Limits::default())? {
        None => write_pack(&piece, &args.out),
        Some(mark) => {
            let own = OwnRecording { samples: mark.samples(), rate_hz: mark.rate_hz() };
            write_pack_with_own_mark(&piece, own, &args.out)
        }
    };
    report(&index.map_err(|e| Failure::job(format!("The guide pack: {e}.")))?, &args.out);
    Ok(())
}

/// The organiser's own mark, from beside the piece's document, if the piece names one.
///
/// # Errors
/// It is not there, or is no mark.
pub fn own_mark(
    piece: &ripieno_score::Piece,
    document: &Path,
    limits: &Limits,
) -> Result<Option<OwnMark>, Failure> {
    let Some(own) = &piece.marks.own_file else { return Ok(None) };
    let path = document.parent().unwrap_or(Path::new("")).join(own);
    let mark = OwnMark::read(&Recording::new(&path, limits.clone())).map_err(|e| {
        Failure::given(format!("The piece's own mark {} cannot be used: {e}.", path.display()))
    })?;
    Ok(Some(mark))
}

fn report(index: &PackIndex, out: &Path) {
    say(&format!("{}:", out.display()));
    for file in &index.files {
        say(&format!("  {:<18} {}", file.name, file.what));
    }
    let marks = &index.marks;
    say(&format!(
        "The guide lasts {:.1} s at {} Hz; bar 1 beat 1 lies at sample {}.",
        index.guide_s, marks.sample_rate, marks.bar1_beat1_sample
    ));
}

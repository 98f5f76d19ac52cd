//! The guides of the pieces that are being worked on, kept so that none is rendered anew for
//! every take.

use std::sync::{Mutex, PoisonError};

use ripieno_engine::inspect::bleed::Guide;
use ripieno_score::Piece;

use crate::guide_pack::guide_music;

/// Guides kept: one of ten minutes takes 58 MB.
const KEPT: usize = 2;

/// A few guides, the one used last at the end.
#[derive(Default)]
pub(crate) struct GuideShelf {
    kept: Mutex<Vec<Kept>>,
}

struct Kept {
    piece_id: String,
    version: i64,
    guide: Guide,
}

impl GuideShelf {
    /// The guide of a version of a piece; rendered at the first call, in some tenths of a second.
    /// Who asks for the same one meanwhile waits for it.
    pub(crate) fn of(&self, piece: &Piece, piece_id: &str, version: i64) -> Guide {
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        let found = kept.iter().position(|k| k.piece_id == piece_id && k.version == version);
        let this = match found {
            Some(at) => kept.remove(at),
            None => {
                // An older version of the piece won't be asked for again.
                kept.retain(|other| other.piece_id != piece_id);
                Kept { piece_id: piece_id.to_owned(), version, guide: guide_music(piece) }
            }
        };
        let guide = this.guide.clone();
        kept.push(this);
        let spare = kept.len().saturating_sub(KEPT);
        kept.drain(..spare);
        guide
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_guide_is_rendered_once_and_few_are_kept() {
        let piece = Piece { last_bar: 2, ..Piece::default() };
        let shelf = GuideShelf::default();
        let first = shelf.of(&piece, "a", 1);
        assert!(first.shares_samples_with(&shelf.of(&piece, "a", 1)));
        assert!(!first.shares_samples_with(&shelf.of(&piece, "a", 2)));
        for other in ["b", "c", "d", "e"] {
            shelf.of(&piece, other, 1);
        }
        assert_eq!(shelf.kept.lock().unwrap().len(), KEPT);
    }
}

//! Nine Harbours: the invented piece the demo plays, and the documents a newcomer may copy.

use crate::arrangement::Arrangement;
use crate::piece::Piece;

/// `piece.toml` of the demo, with comments that explain every key.
pub const PIECE_TOML: &str = include_str!("../demo/piece.toml");
/// `arrangement.toml` of the demo, with comments that explain every key.
pub const ARRANGEMENT_TOML: &str = include_str!("../demo/arrangement.toml");

/// The demo's piece and arrangement. A test holds that both documents are free of mistakes.
pub fn nine_harbours() -> (Piece, Arrangement) {
    let piece = Piece::from_toml(PIECE_TOML, "piece.toml").unwrap_or_default();
    let arrangement =
        Arrangement::from_toml(ARRANGEMENT_TOML, "arrangement.toml", &piece).unwrap_or_default();
    (piece, arrangement)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_demo_documents_have_no_mistake() {
        let piece = Piece::from_toml(PIECE_TOML, "piece.toml").unwrap_or_else(|m| panic!("{m}"));
        let map = Arrangement::from_toml(ARRANGEMENT_TOML, "arrangement.toml", &piece);
        map.unwrap_or_else(|mistakes| panic!("{mistakes}"));
    }

    #[test]
    fn nine_harbours_is_the_piece_of_the_plan() {
        let (piece, map) = nine_harbours();
        assert_eq!((piece.title.as_str(), piece.last_bar), ("Nine Harbours", 64));
        assert_eq!(piece.key.to_string(), "G mixolydian");
        assert_eq!(piece.tempo.metre_at(1).to_string(), "5/4");
        assert_eq!(piece.tempo.tempos()[0].bpm(), 132.0);
        let names: Vec<&str> = piece.sections.iter().map(|section| section.name.as_str()).collect();
        assert_eq!(names, ["Slack water", "Flood", "Undertow", "Crest", "Ebb"]);
        assert!(piece.sections[4].played_fade && piece.marks.opening.bar == -1);
        // 64 bars of five beats at 132 a minute.
        assert!((piece.duration_s() - 64.0 * 5.0 * 60.0 / 132.0).abs() < 1e-12);
        assert!(map.groups().len() >= 8);
    }
}

//! What a pack is made of, to know whether a changed piece has another one.

use ripieno_score::{ConformPolicy, Delivery, Piece};

/// A hash of all that goes into the pack of `piece`; `own_mark` is the content hash of the
/// organiser's own mark. Where it is the same, so are the files, byte for byte.
///
/// What the pack does not tell of is named here, and nothing else left out: what a piece may come
/// to say one day counts until somebody has made sure that it does not.
#[must_use]
pub fn made_of(piece: &Piece, own_mark: Option<&str>) -> String {
    let told = Piece {
        nightly: None,
        time_zone: None,
        delivery: Delivery::default(),
        conform: ConformPolicy::default(),
        ..piece.clone()
    };
    // Another version of the program may write another pack.
    let parts = [env!("CARGO_PKG_VERSION"), &told.to_json().to_string(), own_mark.unwrap_or("")];
    let mut hasher = blake3::Hasher::new();
    for part in parts {
        hasher.update(&(part.len() as u64).to_le_bytes());
        hasher.update(part.as_bytes());
    }
    hasher.finalize().to_hex().to_string()
}

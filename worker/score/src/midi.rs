//! Standard MIDI Files: the tempo map in and out.
//!
//! What is read and written follows the Standard MIDI File 1.0 specification (RP-001): tempo in
//! whole µs a quarter note, metre as a power of two, key as sharps and major or minor, names as
//! markers. A file knows no mode but major and minor and no lead-in, so the export says both in
//! texts of its own, which the import understands: a text `Key: G mixolydian`, and the markers
//! `Bar 1`, `Opening mark`, `Closing mark` and `End`.

mod export;
mod heard;
mod import;

pub use export::{TICKS_PER_QUARTER, export, first_bar};
pub use import::{ImportedMap, import};

pub(crate) const BAR_1: &str = "Bar 1";
pub(crate) const OPENING: &str = "Opening mark";
pub(crate) const CLOSING: &str = "Closing mark";
pub(crate) const END: &str = "End";
pub(crate) const KEY: &str = "Key: ";
pub(crate) const PLAYED_FADE: &str = " (played fade)";

#[cfg(test)]
mod tests {
    use super::*;
    use crate::piece::Piece;
    use crate::position::Position;
    use crate::{Metre, MetreChange, TempoChange, TempoMap, nine_harbours};

    fn there_and_back(piece: &Piece) -> ImportedMap {
        import(&export(piece)).unwrap_or_else(|mistakes| panic!("{mistakes}"))
    }

    #[test]
    fn nine_harbours_comes_back_within_half_a_microsecond_a_quarter() {
        let (piece, _) = nine_harbours();
        let map = there_and_back(&piece);
        assert_eq!((map.key, map.last_bar), (Some(piece.key), 64));
        assert_eq!(map.title.as_deref(), Some("Nine Harbours"));
        assert_eq!(map.marks, piece.marks);
        let without_chords =
            piece.sections.iter().map(|s| crate::Section { chords: None, ..s.clone() });
        assert_eq!(map.sections, without_chords.collect::<Vec<_>>());
        assert_eq!(map.tempo.metres(), piece.tempo.metres());
        // 132 a minute is 454 545.45… µs, written as 454 545: 1.0 ppm fast.
        let (ours, theirs) = (
            piece.tempo.seconds_at(Position::bar_start(65)),
            map.tempo.seconds_at(Position::bar_start(65)),
        );
        assert!((theirs / ours - 1.0 + 1e-6).abs() < 1e-9, "{}", theirs / ours - 1.0);
    }

    #[test]
    fn whole_microseconds_come_back_exactly() {
        let at = |text: &str| text.parse::<Position>().unwrap();
        let change = |text: &str, us: u64| TempoChange::new(at(text), 60_000_000, us).unwrap();
        let metre = |bar, beats, unit| MetreChange { bar, metre: Metre::new(beats, unit).unwrap() };
        let tempos = vec![change("1", 500_000), change("3.2+1/2", 454_545), change("9", 1_000_001)];
        let metres = vec![metre(1, 4, 4), metre(4, 7, 8), metre(6, 3, 2)];
        let tempo = TempoMap::new(tempos, metres).unwrap();
        let piece = Piece { tempo, last_bar: 12, ..Piece::default() };
        let map = there_and_back(&piece);
        assert_eq!(map.tempo, piece.tempo);
        assert_eq!(map.piece().last_bar, 12);
    }

    #[test]
    fn a_glide_is_written_beat_by_beat() {
        let first = "1".parse().unwrap();
        let tempos = vec![
            TempoChange { glide: true, ..TempoChange::new(first, 120, 1).unwrap() },
            TempoChange::new("5".parse().unwrap(), 60, 1).unwrap(),
        ];
        let metres = vec![MetreChange { bar: 1, metre: Metre::new(4, 4).unwrap() }];
        let piece = Piece { tempo: TempoMap::new(tempos, metres).unwrap(), ..Piece::default() };
        let map = there_and_back(&piece);
        for bar in 1..=6 {
            let place = Position::bar_start(bar);
            let apart = map.tempo.seconds_at(place) - piece.tempo.seconds_at(place);
            // Sixteen beats, each rounded to the nearest µs.
            assert!(apart.abs() < 16.0 * 0.5e-6, "bar {bar}: {apart}");
        }
    }

    #[test]
    fn a_name_has_no_space_before_what_is_said_of_its_fade() {
        let mut file = export(&nine_harbours().0);
        let at = file.windows(4).position(|bytes| bytes == b"Ebb ").unwrap() + 2;
        // Read as Latin-1, a space that does not break.
        file[at] = 0xA0;
        let last = import(&file).unwrap().piece().sections.pop().unwrap();
        assert_eq!((last.name.as_str(), last.played_fade), ("Eb", true));
    }

    #[test]
    fn film_time_is_refused_in_a_plain_sentence() {
        // Header with division 0xE728: 25 frames a second, 40 ticks a frame.
        let bytes = b"MThd\0\0\0\x06\0\0\0\x01\xE7\x28MTrk\0\0\0\x04\0\xFF\x2F\0";
        let mistakes = import(bytes).unwrap_err();
        assert!(mistakes.to_string().contains("film time"), "{mistakes}");
    }

    #[test]
    fn a_frame_rate_that_cannot_be_is_refused_in_any_header() {
        let odd = b"MThd\0\0\0\x06\0\0\0\x01\x80\x28";
        assert!(import(odd).is_err());
        let mut second = export(&nine_harbours().0);
        second.splice(14..14, *odd);
        assert!(import(&second).is_err());
    }

    #[test]
    fn what_is_no_midi_file_is_refused() {
        for bytes in [&b""[..], b"RIFF", b"MThd", b"MThd\0\0\0\x06\0\x01\0\0\0\0"] {
            assert!(import(bytes).is_err());
        }
    }

    proptest::proptest! {
        #[test]
        fn no_bytes_make_the_import_panic(bytes: Vec<u8>, at in 0_usize..400, byte: u8) {
            let _ = import(&bytes);
            let mut file = export(&nine_harbours().0);
            let at = at.min(file.len() - 1);
            let _ = import(&file[..at]);
            file[at] = byte;
            if let Ok(map) = import(&file) {
                // Whatever is taken in can be written as a document without a mistake.
                let again = Piece::from_toml(&map.piece().to_toml(), "again.toml");
                proptest::prop_assert_eq!(again, Ok(map.piece()));
            }
        }
    }
}

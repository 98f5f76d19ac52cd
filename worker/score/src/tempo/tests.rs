use super::*;

fn at(text: &str) -> Position {
    text.parse().unwrap_or_else(|_| panic!("{text}"))
}

fn change(place: &str, beats: u64, minutes: u64) -> TempoChange {
    TempoChange::new(at(place), beats, minutes).unwrap()
}

fn metre(bar: i32, beats: u32, unit: u32) -> MetreChange {
    MetreChange { bar, metre: Metre::new(beats, unit).unwrap() }
}

fn harbour() -> TempoMap {
    TempoMap::steady(132, Metre::new(5, 4).unwrap()).unwrap()
}

#[test]
fn a_steady_tempo_is_a_division() {
    let map = harbour();
    for bar in [-3, 0, 1, 2, 33, 65] {
        let expected = f64::from(bar - 1) * 5.0 * 60.0 / 132.0;
        assert!((map.seconds_at(Position::bar_start(bar)) - expected).abs() < 1e-12);
    }
    assert_eq!(map.seconds_at(at("1")), 0.0);
    // 64 · 5 · 60 / 132 · 48 000 = 6 981 818.18…
    assert_eq!(map.sample_at(at("65"), 48_000), 6_981_818);
}

#[test]
fn halves_are_rounded_away_from_zero_on_both_sides() {
    // At 64 000 ÷ 48 beats a minute a beat is 2 160 samples of 48 kHz; a 4 320th of it is half one.
    let tempo = vec![change("1", 64_000, 48)];
    let map = TempoMap::new(tempo, vec![metre(1, 4, 4)]).unwrap();
    let half = Position::with_fraction(1, 1, 1, 4_320).unwrap();
    assert_eq!(map.sample_at(half, 48_000), 1);
    let before = Position::with_fraction(0, 4, 4_319, 4_320).unwrap();
    assert_eq!(map.sample_at(before, 48_000), -1);
}

#[test]
fn tempo_and_metre_changes_add_up() {
    // Two bars of 4/4 at 120 (4 s), then bars of 7/8 at 60 (3.5 s each).
    let map = TempoMap::new(
        vec![change("1", 120, 1), change("3", 60, 1)],
        vec![metre(1, 4, 4), metre(3, 7, 8)],
    )
    .unwrap();
    assert_eq!(map.seconds_at(at("3")), 4.0);
    assert_eq!(map.seconds_at(at("4")), 7.5);
    assert_eq!(map.seconds_at(at("3.2")), 4.5);
    assert_eq!(map.seconds_at(at("0")), -2.0);
    assert_eq!(map.beat_length_s(at("3.4")), 0.5);
}

#[test]
fn the_beat_of_a_tempo_may_be_a_dotted_note() {
    let dotted =
        TempoChange::exact(at("1"), Fraction::from_integer(60), Fraction::new(3, 8), false);
    let map = TempoMap::new(vec![dotted.unwrap()], vec![metre(1, 6, 8)]).unwrap();
    assert_eq!(map.seconds_at(at("2")), 2.0);
}

#[test]
fn a_glide_takes_the_mean_of_its_two_beat_lengths() {
    // From 0.5 s to 1 s a beat over 16 beats, in a straight line: 16 · 0.75 s.
    let start = TempoChange { glide: true, ..change("1", 120, 1) };
    let map = TempoMap::new(vec![start, change("5", 60, 1)], vec![metre(1, 4, 4)]).unwrap();
    assert_eq!(map.seconds_at(at("5")), 12.0);
    assert_eq!(map.seconds_at(at("6")), 16.0);
    // Half way: 8 beats of 0.625 s on average.
    assert_eq!(map.seconds_at(at("3")), 5.0);
    assert_eq!(map.beat_length_s(at("3")), 0.75);
}

#[test]
fn a_glide_agrees_with_summing_it_in_small_pieces() {
    let start = TempoChange { glide: true, ..change("1", 97, 1) };
    let map = TempoMap::new(vec![start, change("9", 141, 1)], vec![metre(1, 5, 4)]).unwrap();
    let (from, to, beats) = (60.0 / 97.0, 60.0 / 141.0, 40.0);
    let pieces = 400_000;
    let width = beats / f64::from(pieces);
    let length = |beat: f64| from + (to - from) * beat / beats;
    let sum: f64 = (0..pieces).map(|i| width * length((f64::from(i) + 0.5) * width)).sum();
    assert!((map.seconds_at(at("9")) - sum).abs() < 1e-9);
}

#[test]
fn forty_unlike_tempos_do_not_overflow() {
    // Their common denominator has far more than 128 bits.
    let slower = |step: i32| change(&(step + 1).to_string(), 13_200 - 101 * step as u64, 100);
    let tempos: Vec<TempoChange> = (0..80).map(slower).collect();
    let expected: f64 = tempos.iter().map(|tempo| 4.0 * 60.0 / tempo.bpm()).sum();
    let map = TempoMap::new(tempos, vec![metre(1, 4, 4)]).unwrap();
    assert!((map.seconds_at(at("81")) - expected).abs() < 1e-9);
}

#[test]
fn a_hostile_list_of_tempos_is_refused_quickly() {
    let odd = |step: i32| {
        change(&(step + 1).to_string(), 999_999_000_001 + 2 * step as u64, 9_999_999_967)
    };
    let faults = TempoMap::new((0..20_000).map(odd).collect(), vec![metre(1, 4, 4)]).unwrap_err();
    assert!(faults[0].what.contains("cannot be added up"), "{}", faults[0]);
}

#[test]
fn every_fault_of_the_lists_is_told() {
    let tempos = vec![
        change("2", 120, 1),
        change("2", 60, 1),
        TempoChange { glide: true, ..change("5", 90, 1) },
    ];
    let faults = TempoMap::new(tempos, vec![metre(2, 4, 4), metre(1, 3, 4)]).unwrap_err();
    let entries: Vec<TempoEntry> = faults.iter().map(|fault| fault.entry).collect();
    use TempoEntry::{Metre as M, Tempo as T};
    assert_eq!(entries, [M(0), M(1), T(0), T(1), T(2)]);
    assert!(TempoMap::new(Vec::new(), Vec::new()).is_err());
    let outside =
        TempoMap::new(vec![change("1", 60, 1), change("2.5", 90, 1)], vec![metre(1, 4, 4)]);
    assert_eq!(outside.unwrap_err()[0].entry, T(1));
}

#[test]
fn beats_are_numbered_and_bars_marked() {
    let map =
        TempoMap::new(vec![change("1", 60, 1)], vec![metre(1, 3, 4), metre(2, 2, 4)]).unwrap();
    let beats = map.beats(0, 2);
    let shown: Vec<String> = beats.iter().map(|beat| beat.position.to_string()).collect();
    assert_eq!(shown, ["0", "0.2", "0.3", "1", "1.2", "1.3", "2", "2.2"]);
    let bars: Vec<usize> = (0..beats.len()).filter(|at| beats[*at].is_bar).collect();
    assert_eq!(bars, [0, 3, 6]);
    assert_eq!((beats[0].at_s, beats[7].at_s), (-3.0, 4.0));
}

#[test]
fn odd_numbers_of_seconds_give_some_place() {
    let map = harbour();
    for at_s in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e300, -1e300] {
        assert!(map.position_at_seconds(at_s).beat.is_finite());
    }
}

proptest::proptest! {
    #[test]
    fn seconds_and_places_are_inverse(
        tempos in proptest::collection::vec((20_u64..400, 1_u64..3, proptest::bool::ANY), 1..6),
        beats in 1_u32..9,
        bar in -4_i32..60,
        beat in 0_u32..9,
        above in 0_u32..12,
    ) {
        let last = tempos.len() - 1;
        let list = tempos.iter().enumerate().map(|(index, (bpm, minutes, glide))| TempoChange {
            glide: *glide && index < last,
            ..change(&(1 + 7 * index).to_string(), *bpm, *minutes)
        });
        let map = TempoMap::new(list.collect(), vec![metre(1, beats, 4), metre(20, 7, 8)]).unwrap();
        let beat = 1 + beat % map.metre_at(bar).beats;
        let place = Position::with_fraction(bar, beat, above, 12).unwrap();
        let back = map.position_at_seconds(map.seconds_at(place));
        let bar_length = f64::from(map.metre_at(bar).beats);
        let found = f64::from(back.bar - bar) * bar_length + back.beat - place.beat();
        // The inverse may name the end of a bar or the start of the next.
        let apart_s = (map.seconds_at(place) - seconds(&map, back)).abs();
        proptest::prop_assert!(found.abs() < 1e-6 || apart_s < 1e-6);
        let exact = map.position_at_whole_notes(&map.whole_notes_at(&place));
        proptest::prop_assert_eq!(exact, Some(place));
    }

    #[test]
    fn time_never_runs_backwards(bpm in 5_u64..2_000, other in 5_u64..2_000, glide: bool) {
        let first = TempoChange { glide, ..change("1", bpm, 1) };
        let map = TempoMap::new(vec![first, change("4", other, 1)], vec![metre(1, 4, 4)]).unwrap();
        let beats = map.beats(-2, 8);
        proptest::prop_assert!(beats.windows(2).all(|pair| pair[0].at_s < pair[1].at_s));
    }
}

fn seconds(map: &TempoMap, place: PlaceInMusic) -> f64 {
    let whole = place.beat.floor();
    let rest = ((place.beat - whole) * 1e6) as u32;
    map.seconds_at(Position::with_fraction(place.bar, whole as u32, rest, 1_000_000).unwrap())
}

use super::*;
use crate::nine_harbours;

fn take(index: usize, bar1_beat1_s: f64, duration_s: f64) -> TakeOffset {
    TakeOffset {
        take: format!("take-{index}"),
        file: format!("tune {index}.mov"),
        has_picture: true,
        bar1_beat1_s,
        duration_s,
        ..TakeOffset::default()
    }
}

#[test]
fn a_take_is_cut_to_the_mix_and_in_step_with_it() {
    let (piece, _) = nine_harbours();
    let list = OffsetList::new(&piece, FrameRate::FPS_25, Vec::new());
    // 145.4545 s at 25 a second are 3 636 frames.
    assert_eq!(list.mix_frames(), 3_636);
    let whole = list.event(&take(0, 12.4, 170.0)).unwrap();
    assert_eq!(whole, Event { at_frame: 0, source_frame: 310, frames: 3_636 });
    // Begins two seconds into the piece, ends before it does.
    let part = list.event(&take(0, -2.0, 60.0)).unwrap();
    assert_eq!(part, Event { at_frame: 50, source_frame: 0, frames: 1_500 });
    // Ended before the music began.
    assert_eq!(list.event(&take(0, 30.0, 20.0)), None);
}

#[test]
fn picture_and_mix_are_never_more_than_half_a_frame_apart() {
    let (piece, _) = nine_harbours();
    for text in ["24", "25", "30000/1001", "24000/1001"] {
        let rate: FrameRate = text.parse().unwrap();
        let list = OffsetList::new(&piece, rate, Vec::new());
        for step in 0..200 {
            let take = take(step, -3.0 + 0.0937 * step as f64, 150.0);
            let event = list.event(&take).unwrap();
            let fps = rate.per_second();
            let sounds_at = take.file_s(event.at_frame as f64 / fps) * fps;
            assert!((sounds_at - event.source_frame as f64).abs() <= 0.5 + 1e-6);
        }
    }
}

#[test]
fn a_slow_take_is_told_to_play_faster() {
    let (piece, _) = nine_harbours();
    let slow = TakeOffset { ratio_ppm: 1_000.0, ..take(0, 10.0, 200.0) };
    let list = OffsetList::new(&piece, FrameRate::FPS_25, vec![slow, take(1, 10.0, 200.0)]);
    let otio = list.to_otio();
    let effects =
        |track: usize| otio["tracks"]["children"][track]["children"][0]["effects"].clone();
    assert_eq!(effects(1)[0]["time_scalar"], 1.001);
    assert_eq!(effects(2), serde_json::json!([]));
    assert!(list.to_csv().contains(",100.100000,"));
}

#[test]
fn lists_are_split_at_999_events_and_before_midnight() {
    let (piece, _) = nine_harbours();
    let takes = |count| (0..count).map(|index| take(index, 10.0, 200.0)).collect::<Vec<_>>();
    // A slot is 147 s; 23 h hold 563 of them.
    let files = OffsetList::new(&piece, FrameRate::FPS_25, takes(600)).to_edl();
    let events = |file: &EdlFile| file.text.lines().filter(|line| line.contains(" C ")).count();
    assert_eq!(files.iter().map(events).collect::<Vec<_>>(), [563, 37]);
    assert_eq!(files[1].name, "offsets-2-of-2.edl");
    let short = Piece { last_bar: 8, ..piece.clone() };
    let files = OffsetList::new(&short, FrameRate::FPS_25, takes(2_000)).to_edl();
    assert_eq!(files.iter().map(events).collect::<Vec<_>>(), [999, 999, 2]);
    assert!(OffsetList::new(&piece, FrameRate::FPS_25, Vec::new()).to_edl().is_empty());
}

#[test]
fn names_in_a_list_are_one_line_of_plain_letters() {
    let (piece, _) = nine_harbours();
    let odd = TakeOffset { file: "Élan\r\n001 EVIL 🎵.mov".into(), ..take(0, 0.0, 100.0) };
    let text = OffsetList::new(&piece, FrameRate::FPS_25, vec![odd]).to_edl()[0].text.clone();
    assert!(text.is_ascii());
    assert!(text.contains("* FROM CLIP NAME: Elan__001 EVIL _.mov\r\n"), "{text}");
}

proptest::proptest! {
    #[test]
    fn no_figures_make_a_list_panic(
        bar1 in proptest::num::f64::ANY,
        ppm in proptest::num::f64::ANY,
        duration in proptest::num::f64::ANY,
    ) {
        let (piece, _) = nine_harbours();
        let take = TakeOffset { ratio_ppm: ppm, ..take(0, bar1, duration) };
        let list = OffsetList::new(&piece, FrameRate::FPS_25, vec![take]);
        let _ = (list.to_csv(), list.to_otio(), list.to_edl());
    }
}

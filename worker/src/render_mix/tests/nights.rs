//! Renders that follow on each other as takes come and go.

use super::*;

/// What is changed once is only laid over what is kept; asked for again it is kept itself.
#[test]
fn a_change_asked_for_a_second_time_is_kept() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    let stems: Vec<StemEntry> = (0..9).map(|number| stem(dir.path(), number, 0.2)).collect();
    request.stems = stems[..8].to_vec();
    render(&request, &|_| {}).unwrap();
    request.stems = stems;
    let rounds: Vec<RenderReport> = (0..3).map(|_| render(&request, &|_| {}).unwrap()).collect();
    let added = rounds.iter().map(|report| report.beds.stems_added);
    let added: Vec<usize> = added.collect();
    assert!(added[0] > 0 && added[1] > 0 && added[2] == 0, "{added:?}");
    request.beds_dir = None;
    let scratch = mix_hash(&render(&request, &|_| {}).unwrap());
    assert!(rounds.iter().all(|report| mix_hash(report) == scratch));
}

/// Night after night a take comes, each to another of five groups.
#[test]
fn a_night_does_not_begin_with_the_change_of_the_one_before_last() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let families = ["bells", "plucked", "reeds", "voice", "hands"];
    let group = |family| {
        format!("[[groups]]\nname = \"{family}\"\nrules = [{{ family = \"{family}\" }}]\n")
    };
    let map = arrangement(&families.map(group).concat(), &piece);
    let mut request = request(&piece, &map, dir.path());
    let mut stems: Vec<StemEntry> = (0..10).map(|number| stem(dir.path(), number, 0.2)).collect();
    for (stem, family) in stems.iter_mut().zip(families.iter().cycle()) {
        stem.facts.family = (*family).into();
    }
    let mut night = |stems: &[StemEntry]| {
        request.stems = stems.to_vec();
        render(&request, &|_| {}).unwrap()
    };
    night(&stems[..8]);
    assert!(night(&stems[..9]).beds.stems_added > 0);
    let second = night(&stems);
    assert!(second.beds.stems_added > 0);
    let third = night(&stems);
    assert_eq!(third.beds.stems_added, 0, "what the second night made was kept");
    request.beds_dir = None;
    let scratch = mix_hash(&render(&request, &|_| {}).unwrap());
    assert!(mix_hash(&second) == scratch && mix_hash(&third) == scratch);
}

/// Takes of every loudness come and go under a limiter that is at work. What is known of the peaks
/// from the night before hides none, and where the limiter is looked for changes no figure.
#[test]
fn peaks_and_loudness_of_every_night_are_those_of_a_mix_from_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut piece = short_piece();
    piece.delivery.target_lufs = -9.0;
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    let mut crowd: Vec<StemEntry> = (0..16).map(|number| stem(dir.path(), number, 0.2)).collect();
    let levels = [0.01, 0.5, 0.003, 0.05, 0.9, 0.02];
    let comers: Vec<StemEntry> =
        levels.iter().zip(20..).map(|(level, number)| stem(dir.path(), number, *level)).collect();
    request.former_stems = crowd.iter().chain(&comers).map(|stem| stem.path.clone()).collect();
    for (night, comer) in comers.iter().enumerate() {
        if night == 4 {
            crowd.remove(3);
        }
        crowd.push(comer.clone());
        request.stems = crowd.clone();
        let kept = render(&request, &|_| {}).unwrap();
        assert!(kept.limited_db > 0.1, "the limiter works: {}", kept.limited_db);
        let scratch = RenderRequest { beds_dir: None, threads: 1, ..request.clone() };
        let scratch = render(&scratch, &|_| {}).unwrap();
        assert_eq!(measured(&kept), measured(&scratch), "night {night}");
        assert_eq!(mix_hash(&kept), mix_hash(&scratch), "night {night}");
    }
}

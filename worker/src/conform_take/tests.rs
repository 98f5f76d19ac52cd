use std::f64::consts::TAU;
use std::path::PathBuf;

use ripieno_engine::decode::Limits;
use ripieno_engine::mark::Mark;
use ripieno_engine::stem::StemFile;

use super::*;

/// A player of plucked notes on every beat, evaluated at its own instants: no resampler here.
#[derive(Clone, Copy)]
struct Player {
    rate_hz: u32,
    bar1_beat1_s: f64,
    ratio_ppm: f64,
    lag_s: f64,
    jitter_s: f64,
    mark: bool,
    seconds: f64,
}

const PLAYER: Player = Player {
    rate_hz: 48_000,
    bar1_beat1_s: 7.25,
    ratio_ppm: 80.0,
    lag_s: 0.018,
    jitter_s: 0.012,
    mark: true,
    seconds: 45.0,
};

fn piece() -> ripieno_score::Piece {
    ripieno_score::Piece {
        tempo: ripieno_score::TempoMap::steady(96, ripieno_score::Metre::new(4, 4).unwrap())
            .unwrap(),
        last_bar: 14,
        sections: vec![ripieno_score::Section {
            name: "All".into(),
            first_bar: 1,
            last_bar: 14,
            ..Default::default()
        }],
        ..Default::default()
    }
}

impl Player {
    fn record(&self) -> Vec<f32> {
        let plan = ConformPlan::new(&piece());
        let mark = Mark::opening(self.rate_hz);
        let rate = f64::from(self.rate_hz);
        let stretch = 1.0 + self.ratio_ppm * 1e-6;
        let mut seed = 1u64;
        let mut random = || {
            seed = seed
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (seed >> 33) as f64 / f64::from(1u32 << 31) - 0.5
        };
        let notes: Vec<f64> = plan.grid().beats_s[..56]
            .iter()
            .map(|beat| beat + self.lag_s + self.jitter_s * 3.46 * random())
            .collect();
        let noise: Vec<f32> =
            (0..(self.seconds * rate) as usize).map(|_| 2e-4 * random() as f32).collect();
        let mut file = noise;
        for (frame, sample) in file.iter_mut().enumerate() {
            let t = (frame as f64 / rate - self.bar1_beat1_s) / stretch;
            if self.mark && (t - plan.grid().opening_mark_s.unwrap()).abs() < 2.0 {
                *sample += mark.value_at(t - plan.grid().opening_mark_s.unwrap()) as f32;
            }
        }
        for (index, note) in notes.iter().enumerate() {
            let hz = 196.0 * 2f64.powf((index * 5 % 12) as f64 / 12.0);
            let first = ((note * stretch + self.bar1_beat1_s) * rate).ceil().max(0.0) as usize;
            for frame in first..(first + (0.9 * rate) as usize).min(file.len()) {
                let t = (frame as f64 / rate - self.bar1_beat1_s) / stretch - note;
                let attack = (t / 0.002).min(1.0);
                file[frame] += (0.4 * attack * (-5.0 * t).exp() * (TAU * hz * t).sin()) as f32;
            }
        }
        file
    }
}

fn write(folder: &Path, name: &str, channels: &[&[f32]], rate_hz: u32) -> PathBuf {
    let path = folder.join(name);
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate_hz,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for frame in 0..channels[0].len() {
        for channel in channels {
            writer.write_sample((channel[frame] * 8_388_607.0) as i32).unwrap();
        }
    }
    writer.finalize().unwrap();
    path
}

fn run(path: &Path, stem: Option<&Path>) -> Outcome {
    let recording = Recording::new(path, Limits::default());
    conform(&recording, &ConformPlan::new(&piece()), stem).unwrap()
}

#[test]
fn a_clean_take_is_placed_and_its_stem_lies_on_the_grid() {
    let folder = tempfile::tempdir().unwrap();
    let file = PLAYER.record();
    let path = write(folder.path(), "take.wav", &[&file], PLAYER.rate_hz);
    let stem_path = folder.path().join("take.stem");
    let outcome = run(&path, Some(&stem_path));
    assert_eq!(outcome.state, TakeState::Placed, "{:?}", outcome.findings);
    let fit = outcome.fit.as_ref().unwrap();
    // Half a minute of playing knows the ratio to some 160 ppm, the place five seconds after the
    // mark to a millisecond.
    assert!((fit.bar1_beat1_s - PLAYER.bar1_beat1_s).abs() < 3e-3, "{}", fit.bar1_beat1_s);

    let stem = StemFile::open(&stem_path).unwrap();
    let summary = stem.summary();
    assert_eq!((summary.rate_hz, summary.channels), (48_000, 1));
    // From a little before the first note to the ringing of the last.
    assert!((-12_100..1_000).contains(&summary.first_sample), "{}", summary.first_sample);
    let end_s = summary.end_sample() as f64 / 48e3;
    assert!((34.5..37.0).contains(&end_s), "{end_s}");
    // A note's first sample on the grid is where its player put it.
    let laid = &stem.read(0..48_000 * 3).unwrap()[0];
    let expected = (0..laid.len()).filter(|at| laid[*at].abs() > 0.02).min().unwrap();
    assert!((200..2_500).contains(&expected), "{expected}");
}

#[test]
fn what_is_not_sound_is_unusable_and_says_so() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notes.wav");
    std::fs::write(&path, "dear all, please find my take attached").unwrap();
    let outcome = run(&path, None);
    assert_eq!(outcome.state, TakeState::Unusable);
    let line = examine_line("notes.wav", &outcome);
    assert!(line["bar1_beat1_s"].is_null() && line["decoded_s"].is_null());
    assert_eq!(line["state"], "unusable");
    assert!(!line["findings"][0]["says"].as_str().unwrap().is_empty());
}

#[test]
fn silence_is_unusable() {
    let folder = tempfile::tempdir().unwrap();
    let path = write(folder.path(), "silent.wav", &[&vec![0.0; 480_000]], 48_000);
    let outcome = run(&path, None);
    assert_eq!(outcome.state, TakeState::Unusable);
    assert_eq!(outcome.findings[0].code, "silent");
}

#[test]
fn of_the_noise_of_a_muted_microphone_nothing_is_told_as_of_playing() {
    let folder = tempfile::tempdir().unwrap();
    let mut random = fastrand::Rng::with_seed(3);
    let hiss: Vec<f32> = (0..2_400_000).map(|_| 1e-4 * (random.f32() - 0.5)).collect();
    let path = write(folder.path(), "muted.wav", &[&hiss], 48_000);
    let outcome = run(&path, None);
    assert_eq!(outcome.state, TakeState::Unusable);
    let codes: Vec<_> = outcome.findings.iter().map(|finding| finding.code).collect();
    assert_eq!((codes, outcome.fit), (vec!["silent"], None));
}

#[test]
fn an_antiphase_pair_becomes_one_channel_that_does_not_cancel() {
    let folder = tempfile::tempdir().unwrap();
    let left = PLAYER.record();
    let right: Vec<f32> = left.iter().map(|sample| -sample).collect();
    let path = write(folder.path(), "pair.wav", &[&left, &right], PLAYER.rate_hz);
    let stem_path = folder.path().join("pair.stem");
    let outcome = run(&path, Some(&stem_path));
    assert_eq!(outcome.state, TakeState::Placed, "{:?}", outcome.findings);
    assert!(outcome.findings.iter().any(|finding| finding.code == "antiphase"));
    let summary = outcome.stem.unwrap();
    assert_eq!(summary.channels, 1);
    assert!(summary.peak > 0.3);
}

#[test]
fn a_lag_of_wireless_headphones_is_taken_back_to_the_ensembles_own() {
    let folder = tempfile::tempdir().unwrap();
    let player = Player { lag_s: 0.14, ..PLAYER };
    let path = write(folder.path(), "late.wav", &[&player.record()], player.rate_hz);
    let outcome = run(&path, Some(&folder.path().join("late.stem")));
    let lag_ms = outcome.fit.as_ref().unwrap().lag_ms.unwrap();
    assert!((lag_ms - 140.0).abs() < 10.0, "{lag_ms}");
    let ensembles_ms = ConformPlan::new(&piece()).ensemble_lag_ms();
    assert!((outcome.lag_taken_back_ms - (140.0 - ensembles_ms)).abs() < 10.0);
    let said: Vec<_> = outcome.findings.iter().filter(|finding| finding.code == "lags").collect();
    assert!(said.len() == 1 && said[0].says.contains("We moved it"), "{said:?}");
}

#[test]
fn a_place_chosen_by_a_person_is_used() {
    let folder = tempfile::tempdir().unwrap();
    let player = Player { mark: false, ..PLAYER };
    let path = write(folder.path(), "bare.wav", &[&player.record()], player.rate_hz);
    let recording = Recording::new(&path, Limits::default());
    let chosen = Placement { bar1_beat1_s: player.bar1_beat1_s, ratio_ppm: Some(80.0) };
    let plan = ConformPlan::new(&piece()).placed_by_hand(chosen);
    let stem_path = folder.path().join("bare.stem");
    let outcome = conform(&recording, &plan, Some(&stem_path)).unwrap();
    assert_eq!(outcome.state, TakeState::Placed, "{:?}", outcome.findings);
    assert!(StemFile::open(&stem_path).unwrap().summary().peak > 0.3);
}

#[test]
fn notes_on_the_beat_are_not_taken_for_a_late_players() {
    use ripieno_engine::fit::{Basis, Deviation, Fit};
    let plan = ConformPlan::new(&piece());
    let beat_s = 0.625;
    let read_as = |lag_ms: f64, played_after_beat_ms: f64| {
        let deviation = |beat: usize| {
            let pulse_s = beat as f64 * beat_s + (played_after_beat_ms - lag_ms) * 1e-3;
            Deviation { at_s: 7.0 + beat as f64 * beat_s, pulse_s, residual_ms: 0.0 }
        };
        Fit {
            bar1_beat1_s: 7.0,
            bar1_beat1_sd_s: 1e-4,
            ratio_ppm: 0.0,
            ratio_sd_ppm: 10.0,
            lag_ms: Some(lag_ms),
            lag_sd_ms: Some(2.0),
            spread_ms: Some(12.0),
            basis: Basis::MarkAndPlaying,
            certain: true,
            candidates: Vec::new(),
            findings: Vec::new(),
            deviations: (1..40).map(deviation).collect(),
            strays: Vec::new(),
        }
    };
    // Truly late, every note 190 ms after its beat.
    let late_ms = 190.0 - plan.ensemble_lag_ms();
    assert_eq!(plan.lag_to_take_back_ms(&read_as(190.0, 190.0)), late_ms);
    // Read as so late on the last third of each beat, but on the beat as the ensemble plays it.
    let human_ms = plan.ensemble_lag_ms();
    let as_late_ms = human_ms + 1e3 * beat_s / 3.0;
    assert_eq!(plan.lag_to_take_back_ms(&read_as(as_late_ms, human_ms)), 0.0);
}

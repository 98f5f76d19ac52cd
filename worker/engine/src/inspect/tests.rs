use super::*;

/// A take heard from samples, placed with bar 1 beat 1 at its start.
pub(super) struct Heard {
    pub(super) records: Records,
    pub(super) playing: Playing,
}

pub(super) fn hear(channels: &[&[f32]], rate_hz: u32) -> Heard {
    let mut inspector = Inspector::new(rate_hz, channels.len());
    let mut listener = crate::onset::Listener::new(rate_hz);
    let frames = channels[0].len();
    for from in (0..frames).step_by(1_777) {
        let upto = frames.min(from + 1_777);
        let parts: Vec<&[f32]> = channels.iter().map(|channel| &channel[from..upto]).collect();
        inspector.push(&parts);
        listener.push(parts[0]);
    }
    Heard { records: inspector.finish(), playing: listener.finish() }
}

pub(super) fn codes(heard: &Heard) -> Vec<&'static str> {
    let take = Take {
        records: &heard.records,
        playing: &heard.playing,
        opening: &[],
        closing: &[],
        grid: &Grid::default(),
        fit: None,
        expected: &Expected::default(),
    };
    take.findings().iter().map(|finding| finding.code).collect()
}

const RATE: u32 = 48_000;

/// A plucked tone twice a second.
fn plucks(gain: f32, seconds: u32) -> Vec<f32> {
    (0..RATE * seconds)
        .map(|frame| {
            let t = frame as f32 / RATE as f32;
            let since = t % 0.5;
            let tone = |hz: f32| (std::f32::consts::TAU * hz * t).sin();
            gain * (-6.0 * since).exp() * (0.7 * tone(196.0) + 0.3 * tone(392.7))
        })
        .collect()
}

#[test]
fn a_clean_take_has_no_findings() {
    assert_eq!(codes(&hear(&[&plucks(0.8, 6)], RATE)), Vec::<&str>::new());
}

#[test]
fn a_flat_top_is_clipping_and_a_low_note_is_not() {
    let clipped: Vec<f32> = plucks(1.6, 6).iter().map(|s| s.clamp(-0.9, 0.9)).collect();
    assert_eq!(codes(&hear(&[&clipped], RATE)), ["clipped"]);
    for hz in [31.0f32, 41.2, 55.0, 110.0, 1_000.0, 7_000.0] {
        let step = std::f32::consts::TAU * hz / RATE as f32;
        let low: Vec<f32> = (0..RATE * 4)
            .map(|frame| ((frame as f32 * step).sin() * 32_767.0).round() / 32_768.0)
            .collect();
        assert!(!codes(&hear(&[&low], RATE)).contains(&"clipped"), "{hz} Hz");
    }
}

#[test]
fn the_slim_pulses_of_a_tone_that_never_varies_are_not_clipping() {
    const PARTIALS: [f32; 8] = [0.5, 0.6, 0.5, 0.4, 0.25, 0.15, 0.1, 0.05];
    let horn: Vec<f32> = (0..RATE * 8)
        .map(|frame| {
            let t = frame as f32 / RATE as f32;
            let (note, since) = ((2.0 * t) as usize, t % 0.5);
            let turn = std::f32::consts::TAU * [98.0, 110.0, 130.8, 146.8][note % 4] * t;
            let envelope = (since / 0.05).min((0.45 - since) / 0.07).clamp(0.0, 1.0);
            let partials = (1..).zip(PARTIALS);
            0.3 * envelope * partials.map(|(n, size)| size * (n as f32 * turn).sin()).sum::<f32>()
        })
        .collect();
    assert!(!codes(&hear(&[&horn], RATE)).contains(&"clipped"));
}

/// A bow's notes reach their height late, where a limiter holds them; strokes of claps are so short
/// that they stand far above the mean level even then.
#[test]
fn levelled_notes_are_told_whether_they_swell_or_are_over_at_once() {
    let mut random = fastrand::Rng::with_seed(4);
    let heights: Vec<f32> = (0..60).map(|_| 10f32.powf(random.f32() * 0.4)).collect();
    let played = |envelope: fn(f32) -> f32, most: f32| -> Vec<f32> {
        (0..RATE * 42)
            .map(|frame| {
                let (note, since) = ((frame / 33_600) as usize, (frame % 33_600) as f32 / 48e3);
                let turn = std::f32::consts::TAU * [196.0, 246.9, 293.7][note % 3] * since;
                let level = (heights[note] * envelope(since)).min(most);
                0.3 * level * (0.8 * turn.sin() + 0.2 * (2.0 * turn).sin())
            })
            .collect()
    };
    let bowed: fn(f32) -> f32 = |s| (s / 0.25).min((0.65 - s) / 0.08).clamp(0.0, 1.0);
    let clapped: fn(f32) -> f32 = |s| (-26.0 * s).exp();
    for envelope in [bowed, clapped] {
        assert!(!codes(&hear(&[&played(envelope, 9.0)], RATE)).contains(&"squashed"));
        assert!(codes(&hear(&[&played(envelope, 0.9)], RATE)).contains(&"squashed"));
    }
}

#[test]
fn silence_and_quiet_are_told_apart() {
    assert_eq!(codes(&hear(&[&vec![0.0; 200_000]], RATE)), ["silent"]);
    assert_eq!(codes(&hear(&[&plucks(0.003, 6)], RATE)), ["too_quiet"]);
    let mut rng = fastrand::Rng::with_seed(1);
    let hiss: Vec<f32> = (0..RATE * 6).map(|_| 0.004 * (rng.f32() - 0.5)).collect();
    assert!(codes(&hear(&[&hiss], RATE)).contains(&"silent"));
    let behind: Vec<f32> = hiss.iter().zip(plucks(0.01, 6)).map(|(h, p)| h + p).collect();
    assert!(!codes(&hear(&[&behind], RATE)).contains(&"silent"), "a quiet part behind a hiss");
}

#[test]
fn channels_are_judged() {
    let (left, quiet) = (plucks(0.5, 4), vec![0.0; RATE as usize * 4]);
    let turned: Vec<f32> = left.iter().map(|sample| -sample).collect();
    let span = (0.0, 4.0);
    let judge = |a: &[f32], b: &[f32]| judge_channels(&hear(&[a, b], RATE).records.profile, span);
    assert_eq!(judge(&left, &left), ChannelVerdict::Alike);
    assert_eq!(judge(&left, &quiet), ChannelVerdict::OnlyOne(0));
    assert_eq!(judge(&quiet, &left), ChannelVerdict::OnlyOne(1));
    assert!(matches!(judge(&left, &turned), ChannelVerdict::Antiphase { .. }));
    assert_eq!(codes(&hear(&[&left, &turned], RATE)), ["antiphase"]);
    assert_eq!(codes(&hear(&[&left, &quiet], RATE)), ["dead_channel"]);
}

/// Beside short strokes with rests the hiss of an open cable is some 40 dB down on average; so is
/// what a second microphone far away hears, but that comes and goes with the strokes.
#[test]
fn hiss_beside_short_strokes_is_a_dead_channel_and_a_distant_microphone_is_not() {
    let mut random = fastrand::Rng::with_seed(7);
    let hiss = |level: f32| move |_| level * (random.f32() + random.f32() - 1.0);
    let strokes: Vec<f32> = (0..RATE * 6)
        .map(|frame| {
            let t = frame as f32 / RATE as f32;
            0.6 * (-120.0 * (t % 0.5)).exp() * (std::f32::consts::TAU * 900.0 * t).sin()
        })
        .collect();
    let open: Vec<f32> = (0..strokes.len()).map(hiss(5e-4)).collect();
    let judge =
        |a: &[f32], b: &[f32]| judge_channels(&hear(&[a, b], RATE).records.profile, (0.0, 6.0));
    assert_eq!(judge(&strokes, &open), ChannelVerdict::OnlyOne(0));
    assert_eq!(judge(&open, &strokes), ChannelVerdict::OnlyOne(1));
    let distant: Vec<f32> = strokes.iter().zip(&open).map(|(s, h)| 0.02 * s + 0.1 * h).collect();
    assert!(matches!(judge(&strokes, &distant), ChannelVerdict::Stereo { .. }));
    let louder: Vec<f32> = open.iter().map(|sample| 20.0 * sample).collect();
    assert!(matches!(judge(&strokes, &louder), ChannelVerdict::Stereo { .. }), "that is heard");
}

#[test]
fn a_wave_shifted_throughout_is_told_from_one_that_leans_while_it_sounds() {
    let shifted = |by: &dyn Fn(f32) -> f32| -> Vec<f32> {
        let silence = std::iter::repeat_n(0.0f32, RATE as usize);
        let played = plucks(0.7, 5).into_iter();
        silence.chain(played).map(|sample| sample + by(sample)).collect()
    };
    assert_eq!(codes(&hear(&[&shifted(&|_| 0.02)], RATE)), ["dc_offset"]);
    // As a reed or a bowed string does.
    let leaning = shifted(&|sample| 0.4 * sample * sample);
    let mean = leaning.iter().sum::<f32>() / leaning.len() as f32;
    assert!(mean > 0.006, "{mean}");
    assert_eq!(codes(&hear(&[&leaning], RATE)), Vec::<&str>::new());
}

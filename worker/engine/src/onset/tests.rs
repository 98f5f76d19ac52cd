use super::*;

fn clicks(rate_hz: u32, times_s: &[f64], duration_s: f64) -> Vec<f32> {
    let mut sound = vec![0.0f32; (duration_s * rate_hz as f64) as usize];
    for &at in times_s {
        let start = (at * rate_hz as f64).round() as usize;
        for k in 0..(0.2 * rate_hz as f64) as usize {
            let t = k as f64 / rate_hz as f64;
            let tone = (std::f64::consts::TAU * 880.0 * t).sin() * (-t * 30.0).exp() * 0.3;
            if let Some(slot) = sound.get_mut(start + k) {
                *slot += tone as f32;
            }
        }
    }
    sound
}

#[test]
fn struck_notes_are_timed_within_three_milliseconds_at_any_rate() {
    for rate_hz in [8_000, 16_000, 22_050, 32_000, 44_100, 48_000, 96_000] {
        let times: Vec<f64> = (0..20).map(|k| 0.5 + k as f64 * 0.2273).collect();
        let mut listener = Listener::new(rate_hz);
        for block in clicks(rate_hz, &times, 6.0).chunks(777) {
            listener.push(block);
        }
        let playing = listener.finish();
        assert_eq!(playing.onsets.len(), times.len(), "at {rate_hz} Hz");
        for (onset, at) in playing.onsets.iter().zip(&times) {
            let error = onset.at_s - at;
            assert!(error.abs() < 0.003, "{error} s off at {rate_hz} Hz");
        }
    }
}

/// Tones that swell over 60 ms, each of another pitch and cut off within 4 ms at its end: begins and
/// lengths in seconds.
fn cut_off(notes: &[(f64, f64)], duration_s: f64) -> Vec<f32> {
    let mut sound = vec![0.0f32; (duration_s * 48_000.0) as usize];
    for (number, &(begins_s, length_s)) in notes.iter().enumerate() {
        let hz = 220.0 * 2f64.powf([0.0, 5.0, 2.0, 9.0][number % 4] / 12.0);
        for k in 0..(length_s * 48_000.0) as usize {
            let t = k as f64 / 48_000.0;
            let gain = (t / 0.06).min(1.0) * ((length_s - t) / 0.004).min(1.0);
            let tone: f64 = (1..8)
                .map(|partial| {
                    let partial = f64::from(partial);
                    (std::f64::consts::TAU * hz * partial * t).sin() / partial
                })
                .sum();
            sound[(begins_s * 48_000.0) as usize + k] += (0.2 * gain * tone) as f32;
        }
    }
    sound
}

fn heard_s(sound: &[f32]) -> Vec<f64> {
    let mut listener = Listener::new(48_000);
    listener.push(sound);
    listener.finish().onsets.iter().map(|onset| onset.at_s).collect()
}

#[test]
fn where_a_note_is_cut_off_none_begins() {
    for gap_s in [0.02, 0.03, 0.3] {
        let notes: Vec<(f64, f64)> =
            (0..12).map(|k| (0.5 + 0.6 * f64::from(k), 0.6 - gap_s)).collect();
        let heard = heard_s(&cut_off(&notes, 8.5));
        assert_eq!(heard.len(), notes.len(), "{gap_s} {heard:?}");
        for (at_s, note) in heard.iter().zip(&notes) {
            let off_s = at_s - note.0;
            assert!(off_s.abs() < 0.015, "{off_s} s off with rests of {gap_s} s");
        }
    }
}

#[test]
fn a_stroke_that_damps_a_tone_is_a_stroke() {
    let mut sound = cut_off(&[(0.5, 1.0), (2.5, 1.0)], 4.5);
    let strokes_s = [1.498, 3.498];
    for at_s in strokes_s {
        let stroke = sound[(at_s * 48_000.0) as usize..].iter_mut().take(1_200);
        for (k, sample) in stroke.enumerate() {
            let t = k as f64 / 48_000.0;
            let knock = (std::f64::consts::TAU * 1_500.0 * t).sin() * (-t * 400.0).exp();
            *sample += (0.8 * knock) as f32;
        }
    }
    let heard = heard_s(&sound);
    let near = |wanted: f64| heard.iter().any(|at_s| (at_s - wanted).abs() < 0.01);
    assert!(strokes_s.into_iter().all(near), "{heard:?}");
}

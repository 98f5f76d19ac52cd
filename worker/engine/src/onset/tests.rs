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

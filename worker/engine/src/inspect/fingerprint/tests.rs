use super::*;

/// Notes of six partials at irregular moments, `late_ms` after them each by its own amount.
fn take(rate_hz: u32, seconds: f64, late_ms: impl Fn(usize) -> f64) -> Vec<f32> {
    let rate = f64::from(rate_hz);
    let mut sound = vec![0.0f32; (seconds * rate) as usize];
    for note in 0..(seconds / 0.3) as usize {
        let at = note as f64 * 0.3 + 0.05 * (note as f64 * 1.7).sin() + late_ms(note) * 1e-3;
        let hz = 220.0 * 2f64.powf(((note * 7) % 12) as f64 / 12.0);
        let first = (at.max(0.0) * rate).ceil() as usize;
        for (frame, sample) in sound.iter_mut().enumerate().skip(first).take(rate as usize / 3) {
            let t = frame as f64 / rate - at;
            let tone = |n: usize| (std::f64::consts::TAU * hz * n as f64 * t).sin() / n as f64;
            *sample += (0.2 * (-6.0 * t).exp() * (1..7).map(tone).sum::<f64>()) as f32;
        }
    }
    sound
}

fn print(sound: &[f32], rate_hz: u32) -> Fingerprint {
    let mut maker = Fingerprinter::new(rate_hz);
    sound.chunks(1_777).for_each(|block| maker.push(block));
    maker.finish()
}

#[test]
fn a_trimmed_quieter_copy_at_another_rate_is_known_and_a_second_take_is_not() {
    let first = print(&take(48_000, 40.0, |_| 0.0), 48_000);
    let matcher = Matcher::new(&first);
    let copy: Vec<f32> = take(44_100, 40.0, |_| 0.0)[130_003..].iter().map(|s| 0.2 * s).collect();
    let copy = matcher.likeness(&print(&copy, 44_100)).unwrap();
    assert!(copy.is_copy() && copy.wave > 0.7, "{copy:?}");
    let again = take(48_000, 40.0, |note| 9.0 * (note as f64 * 2.9).sin());
    let again = matcher.likeness(&print(&again, 48_000)).unwrap();
    assert!(!again.is_copy() && again.wave < 0.15, "{again:?}");
}

#[test]
fn what_is_kept_is_read_back_and_something_else_is_nothing() {
    let whole = print(&take(48_000, 12.0, |_| 0.0), 48_000);
    let kept = Fingerprint::from_bytes(&whole.to_bytes());
    assert_eq!(kept, whole.clone().without_wave());
    assert!(Matcher::new(&whole).likeness(&kept).unwrap().wave > 0.95);
    let mut cut = whole.to_bytes();
    cut.truncate(cut.len() - 4);
    assert_eq!(Fingerprint::from_bytes(&cut), Fingerprint::default());
    assert_eq!(Fingerprint::from_bytes(b"not one"), Fingerprint::default());
}

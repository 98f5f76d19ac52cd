//! Marks of the organiser's own: claps, bells, tones.

use super::*;

fn place(samples: &mut [f32], at: usize, sound: &[f32]) {
    samples.iter_mut().skip(at).zip(sound).for_each(|(s, c)| *s += c);
}

/// Hands that clap: noise that falls by e in 400 samples.
fn clap(seed: u64, length: usize) -> Vec<f32> {
    let mut noise = Noise(seed);
    let fall = |i: usize| (-(i as f64) / 400.0).exp();
    (0..length).map(|i| (0.5 * fall(i) * noise.next()) as f32).collect()
}

/// Partials of a minor-third bell over `hz` (A. Lehr's tuning of five; from memory), each with
/// its own decay.
fn bell(hz: f64, seconds: f64) -> Vec<f32> {
    let partials = [(1.0, 1.4), (2.0, 1.0), (2.4, 0.8), (3.0, 0.6), (4.0, 0.4), (5.33, 0.3)];
    let at = |i: usize| {
        let t = i as f64 / f64::from(RATE);
        let of = |(ratio, decay_s): &(f64, f64)| {
            (-t / decay_s).exp() * (std::f64::consts::TAU * ratio * hz * t).sin()
        };
        0.12 * partials.iter().map(of).sum::<f64>() as f32
    };
    (0..(seconds * f64::from(RATE)) as usize).map(at).collect()
}

fn own_mark(sound: &[f32]) -> Mark {
    Mark::from_recording(&[vec![0.0; 900], sound.to_vec()].concat(), RATE, RATE).unwrap()
}

/// Arrivals in six seconds of faint noise with `sounds` laid in.
fn arrivals_in(own: &Mark, sounds: &[(usize, &[f32])]) -> Vec<Arrival> {
    let mut samples = file(6.0, RATE, &[], 0.0, 0.001);
    sounds.iter().for_each(|(at, sound)| place(&mut samples, *at, sound));
    let mut locator = Locator::new(own, Options::default());
    locator.push(&[&samples]);
    locator.finish()
}

/// How far the only sure arrival lies from where the mark was laid at `at`.
fn off_s(own: &Mark, at: usize, found: &[Arrival]) -> f64 {
    let [only] = sure(found)[..] else { panic!("{found:?}") };
    only.at_s - (at as f64 + own.origin_sample) / f64::from(RATE)
}

#[test]
fn a_clap_of_the_organiser_is_found_and_another_clap_is_not() {
    let own =
        Mark::from_recording(&[vec![0.0; 900], clap(5, 4_000)].concat(), 44_100, RATE).unwrap();
    assert!(own.samples.iter().all(|s| s.abs() <= PEAK));
    assert_eq!(own.origin_sample.fract(), 0.0, "a guide is made of whole samples");
    let mut samples = file(6.0, RATE, &[], 0.0, 0.003);
    for (i, seed) in [11, 12, 13, 14].into_iter().enumerate() {
        place(&mut samples, 20_000 + 40_000 * i, &clap(seed, 4_000));
    }
    place(&mut samples, 200_000, &own.samples);
    let mut locator = Locator::new(&own, Options::default());
    locator.push(&[&samples]);
    assert!(off_s(&own, 200_000, &locator.finish()).abs() < 1e-4);
}

#[test]
fn a_bell_is_found_and_bells_of_other_sizes_are_not() {
    let own = own_mark(&bell(523.25, 3.0));
    let others = [bell(440.0, 1.0), bell(698.46, 1.0), bell(587.33, 1.0)];
    let mut sounds: Vec<(usize, &[f32])> = vec![(200_000, &own.samples)];
    sounds.extend(others.iter().enumerate().map(|(i, bell)| (9_000 + 60_000 * i, &bell[..])));
    let off_s = off_s(&own, 200_000, &arrivals_in(&own, &sounds));
    assert!(off_s.abs() < 1e-4, "{off_s}");
}

#[test]
fn a_tone_of_one_pitch_is_placed_where_it_begins() {
    let fade = |i: usize| (i.min(14_399 - i) as f32 / 240.0).min(1.0);
    let wave = |i: usize| (std::f64::consts::TAU * 1_000.0 / f64::from(RATE) * i as f64).sin();
    let tone: Vec<f32> = (0..14_400).map(|i| 0.3 * fade(i) * wave(i) as f32).collect();
    let own = own_mark(&tone);
    let off_s = off_s(&own, 100_000, &arrivals_in(&own, &[(100_000, &own.samples)]));
    assert!(off_s.abs() < 2e-4, "{off_s}");
}

#[test]
fn of_two_like_claps_the_mark_is_placed_by_both() {
    // The second clap is the first again: half of the mark fits one clap too early or too late.
    let one = clap(21, 4_000);
    let own = own_mark(&[one.clone(), vec![0.0; 8_000], one].concat());
    assert!(own.duration_s() > 0.25);
    let off_s = off_s(&own, 100_000, &arrivals_in(&own, &[(100_000, &own.samples)]));
    assert!(off_s.abs() < 1e-4, "{off_s}");
}

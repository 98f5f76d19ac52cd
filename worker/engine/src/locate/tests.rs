use super::*;
use crate::mark::PEAK;

mod own;

const RATE: u32 = 48_000;

/// A disturbance of its own: white noise from a linear congruential generator.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        let mut sum = 0.0;
        for _ in 0..4 {
            self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888);
            sum += (self.0 >> 11) as f64 / (1u64 << 53) as f64 - 0.5;
        }
        sum * 3f64.sqrt()
    }
}

/// A file of `seconds` with each mark's origin at its place, played slower by `ppm`.
fn file(seconds: f64, rate_hz: u32, marks: &[(&Mark, f64)], ppm: f64, noise: f64) -> Vec<f32> {
    let mut random = Noise(7);
    (0..(seconds * f64::from(rate_hz)) as usize)
        .map(|i| {
            let t = i as f64 / f64::from(rate_hz);
            let mark = |(mark, at): &(&Mark, f64)| mark.value_at((t - at) / (1.0 + ppm * 1e-6));
            (marks.iter().map(mark).sum::<f64>() + noise * random.next()) as f32
        })
        .collect()
}

fn both(rate_hz: u32, channels: &[&[f32]], block: usize) -> Found {
    let (opening, closing) = (Mark::opening(rate_hz), Mark::closing(rate_hz));
    let mut locator = Locator::pair(&opening, &closing, Options::default());
    let frames = channels[0].len();
    for first in (0..frames).step_by(block) {
        let last = (first + block).min(frames);
        let part: Vec<&[f32]> = channels.iter().map(|c| &c[first..last]).collect();
        locator.push(&part);
    }
    locator.finish_pair()
}

fn sure(arrivals: &[Arrival]) -> Vec<&Arrival> {
    arrivals.iter().filter(|a| a.score >= SURE).collect()
}

#[test]
fn a_clean_mark_is_placed_to_a_hundredth_of_a_sample_at_any_rate_offset_and_speed() {
    for (i, rate_hz) in [8_000, 11_025, 16_000, 44_100, 48_000, 96_000].into_iter().enumerate() {
        let (opening, closing) = (Mark::opening(rate_hz), Mark::closing(rate_hz));
        for (j, ppm) in [0.0, 120.0, -5_000.0, 10_000.0].into_iter().enumerate() {
            let at = 1.0 + 0.137_31 * i as f64 + 0.012_345_67 * j as f64;
            let samples = file(4.5, rate_hz, &[(&opening, at), (&closing, at + 2.0)], ppm, 1e-5);
            let found = both(rate_hz, &[&samples], 4_096);
            for (list, at) in [(&found.opening, at), (&found.closing, at + 2.0)] {
                let [only] = sure(list)[..] else { panic!("{rate_hz} {ppm}: {list:?}") };
                let samples_off = (only.at_s - at) * f64::from(rate_hz);
                assert!(samples_off.abs() < 0.01, "{rate_hz} {ppm}: {samples_off}");
                assert!((only.skew_ppm.unwrap() - ppm).abs() < 3.0, "{rate_hz} {ppm}: {only:?}");
                assert!(only.part == Part::Whole && !only.inverted, "{only:?}");
                assert!(only.likeness > 0.95, "{rate_hz} {ppm}: {only:?}");
            }
        }
    }
}

#[test]
fn under_louder_noise_the_place_keeps_within_three_decibels_of_the_bound() {
    // Cramér-Rao: sd ≥ 1 / (2πβ√(2E/N₀)), β the RMS frequency of the mark (A. J. Weiss & E.
    // Weinstein, IEEE Trans. ASSP 31 (2), 1983, first threshold region; from memory).
    let mark = Mark::opening(RATE);
    let energy: f64 = mark.samples.iter().map(|s| f64::from(*s).powi(2)).sum();
    let slope = |w: &[f32]| f64::from(w[1] - w[0]).powi(2);
    let steps: f64 = mark.samples.windows(2).map(slope).sum();
    let beta_hz = (steps / energy).sqrt() * f64::from(RATE) / std::f64::consts::TAU;
    let noise = (energy / mark.samples.len() as f64).sqrt() * 10f64.powf(0.5);
    let snr = energy / noise.powi(2);
    let bound_s = 1.0 / (std::f64::consts::TAU * beta_hz * snr.sqrt());
    let places: Vec<f64> = (0..7).map(|i| 1.0 + 2.110_37 * f64::from(i)).collect();
    let marks: Vec<(&Mark, f64)> = places.iter().map(|at| (&mark, *at)).collect();
    let mut square = 0.0;
    for ppm in [0.0, 60.0, -150.0] {
        let found = both(RATE, &[&file(15.0, RATE, &marks, ppm, noise)], 4_096);
        assert_eq!((sure(&found.opening).len(), sure(&found.closing).len()), (7, 0));
        for at in &places {
            // Slower means later, about the file's start, for all but the mark's own origin.
            let near = |a: &&Arrival| (a.at_s - at).abs() < 0.001;
            let arrival = found.opening.iter().find(near).unwrap();
            square += (arrival.at_s - at).powi(2) / 21.0;
        }
    }
    let ratio = square.sqrt() / bound_s;
    assert!(ratio < 1.41, "{ratio} times the bound of {bound_s}");
}

#[test]
fn no_mark_is_heard_where_none_is() {
    let seconds = 20.0;
    let mut noise = Noise(3);
    let count = (seconds * f64::from(RATE)) as usize;
    // Glides of every speed over the marks' band, straight and exponential, and bursts.
    let mut phase = 0.0;
    let glides: Vec<f32> = (0..count)
        .map(|i| {
            let t = i as f64 / f64::from(RATE);
            let turn = (t / (0.3 + 0.05 * t.floor())).fract();
            let up = if (t.floor() as i64) % 2 == 0 { turn } else { 1.0 - turn };
            let f = if t < 10.0 { 400.0 + 7_000.0 * up } else { 400.0 * 17f64.powf(up) };
            phase += std::f64::consts::TAU * f / f64::from(RATE);
            (0.3 * phase.sin()) as f32
        })
        .collect();
    let bursts: Vec<f32> = (0..count)
        .map(|i| {
            let on = (i / 2_400) % 7 < 2;
            (noise.next() * if on { 0.3 } else { 0.001 }) as f32
        })
        .collect();
    let silence = vec![0.0; count];
    for samples in [&glides, &bursts, &silence] {
        let found = both(RATE, &[samples], 4_096);
        assert!(sure(&found.opening).is_empty() && sure(&found.closing).is_empty(), "{found:?}");
    }
}

#[test]
fn half_a_mark_is_named_as_such() {
    for (which, mark) in [Mark::opening(RATE), Mark::closing(RATE)].iter().enumerate() {
        let at = 2.0;
        let whole = file(4.0, RATE, &[(mark, at)], 80.0, 1e-4);
        let cut = (at * f64::from(RATE)) as usize;
        for (samples, begins_s, part) in
            [(&whole[cut..], at, Part::SecondHalf), (&whole[..cut], 0.0, Part::FirstHalf)]
        {
            let found = both(RATE, &[samples], 4_096);
            let lists = [&found.opening, &found.closing];
            let [only] = sure(lists[which])[..] else { panic!("{which} {part:?}: {found:?}") };
            assert!(sure(lists[1 - which]).is_empty());
            assert_eq!(only.part, part);
            let off = only.at_s - (at - begins_s);
            assert!(off.abs() < 2e-4 && off.abs() < 3.0 * only.sd_s, "{off} {}", only.sd_s);
            assert!(only.skew_ppm.is_none());
        }
    }
}

#[test]
fn a_mark_on_one_channel_or_in_antiphase_is_heard() {
    let mark = Mark::opening(RATE);
    let with = file(4.0, RATE, &[(&mark, 2.2)], 0.0, 1e-4);
    let without = file(4.0, RATE, &[], 0.0, 1e-3);
    let turned: Vec<f32> = with.iter().map(|s| -s).collect();
    let loud: Vec<f32> = (0..with.len()).map(|i| ((i as f32) * 0.05).sin()).collect();
    let sum = |a: &[f32], b: &[f32]| a.iter().zip(b).map(|(a, b)| a + b).collect::<Vec<f32>>();
    let (left, right) = (sum(&loud, &with), sum(&loud, &turned));
    for (channels, heard_in, inverted) in [
        ([&without, &with], Some(HeardIn::Channel(1)), false),
        ([&turned, &turned], Some(HeardIn::Channel(0)), true),
        ([&left, &right], None, false),
    ] {
        let found = both(RATE, &[channels[0], channels[1]], 1_000);
        let [only] = sure(&found.opening)[..] else { panic!("{found:?}") };
        assert!((only.at_s - 2.2).abs() < 1e-6, "{only:?}");
        if let Some(heard_in) = heard_in {
            assert_eq!((only.heard_in, only.inverted), (heard_in, inverted));
        }
    }
}

#[test]
fn two_openings_are_two_arrivals_and_blocks_make_no_difference() {
    let mark = Mark::opening(RATE);
    let samples = file(7.0, RATE, &[(&mark, 1.7), (&mark, 4.9)], 0.0, 0.02);
    let found = both(RATE, &[&samples], 4_096);
    let mut places: Vec<f64> = sure(&found.opening).iter().map(|a| a.at_s).collect();
    places.sort_by(f64::total_cmp);
    assert!((places[0] - 1.7).abs() < 1e-5 && (places[1] - 4.9).abs() < 1e-5);
    assert_eq!(places.len(), 2);
    assert_eq!(found, both(RATE, &[&samples], 977));
}

#[test]
fn the_first_strong_arrival_counts_and_not_a_louder_echo() {
    let mark = Mark::opening(RATE);
    let direct = file(4.0, RATE, &[(&mark, 2.0)], 0.0, 1e-4);
    let mut echoed = direct.clone();
    for i in 226..echoed.len() {
        echoed[i] = 0.6 * direct[i] + direct[i - 226];
    }
    let found = both(RATE, &[&echoed], 4_096);
    let [only] = sure(&found.opening)[..] else { panic!("{found:?}") };
    assert!((only.at_s - 2.0).abs() < 5e-5, "{}", only.at_s - 2.0);
    assert!((only.echo_s - 226.0 / 48_000.0).abs() < 2e-4, "{}", only.echo_s);
}

#[test]
fn samples_that_are_no_sound_do_no_harm() {
    let mark = Mark::opening(RATE);
    let mut samples = file(4.0, RATE, &[(&mark, 2.0)], 0.0, 1e-4);
    samples[5_000] = f32::NAN;
    samples[150_000] = f32::INFINITY;
    samples[170_000] = 1e30;
    let found = both(RATE, &[&samples], 4_096);
    assert!((sure(&found.opening)[0].at_s - 2.0).abs() < 1e-6);
    for empty in [&[][..], &[0.5][..], &[0.1; 100][..]] {
        assert_eq!(both(RATE, &[empty], 64), Found::default());
    }
}

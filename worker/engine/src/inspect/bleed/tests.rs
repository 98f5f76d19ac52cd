use super::guide::mean_square;
use super::*;

const RATE_HZ: u32 = 48_000;

fn noise(count: usize, mut seed: u64) -> impl Iterator<Item = f32> {
    (0..count).map(move |_| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        (seed >> 40) as f32 / (1u32 << 23) as f32 - 1.0
    })
}

/// Clicks and a drone.
fn guide() -> Vec<f32> {
    let value = |at: usize| {
        let t = at as f32 / RATE_HZ as f32;
        let click = (-90.0 * (t % 0.45)).exp() * (9_000.0 * (t % 0.45)).sin();
        0.3 * click + 0.05 * (1_200.0 * t).sin()
    };
    (0..RATE_HZ as usize * 30).map(value).collect()
}

fn measure(stem: &[f32]) -> Option<Bleed> {
    let guide = Guide::new(&guide(), -4_800, RATE_HZ);
    let mut meter = BleedMeter::new(guide, RATE_HZ, 0, 0.0, mean_square(stem));
    for block in stem.chunks(4_096) {
        meter.push(&[block]);
    }
    meter.finish()
}

#[test]
fn a_bleed_is_found_with_its_depth_and_its_delay_though_the_tempo_is_a_little_off() {
    let guide = guide();
    let count = RATE_HZ as usize * 28;
    let size = mean_square(&guide) / (1.0 / 3.0);
    for (depth_db, drift) in [(-10.0f64, 0.0), (-12.0, 4e-5), (-15.0, -6e-5)] {
        let gain = (10f64.powf(depth_db / 10.0) / size).sqrt();
        let stem: Vec<f32> = noise(count, 7)
            .enumerate()
            .map(|(at, noise)| {
                let from = (at as f64 * (1.0 + drift)) as usize + 4_800 - 480;
                noise + gain as f32 * guide[from]
            })
            .collect();
        let bleed = measure(&stem).unwrap();
        // White noise has a quarter of its power at the low rate.
        let off = bleed.depth_db - depth_db - 6.0;
        assert!(off.abs() < 2.0, "{depth_db}: {bleed:?}");
        assert!((bleed.delay_ms - 10.0).abs() < 1.5, "{bleed:?}");
    }
}

#[test]
fn the_guide_itself_is_told_from_a_loud_bleed() {
    let guide = &guide()[4_800..RATE_HZ as usize * 28];
    let size = mean_square(guide);
    let says = |noise_db: f64| {
        let gain = (size * 3.0 * 10f64.powf(noise_db / 10.0)).sqrt() as f32;
        let stem: Vec<f32> =
            guide.iter().zip(noise(guide.len(), 5)).map(|(g, n)| 0.8 * g + gain * n).collect();
        measure(&stem).and_then(|bleed| guide_left_in(&bleed)).unwrap()
    };
    let alone = says(-60.0);
    assert!(alone.says.starts_with("This is the guide"), "{}", alone.says);
    assert_eq!(alone.severity, Severity::Asks);
    assert!(says(6.0).says.starts_with("The guide can be heard"));
}

#[test]
fn noise_is_no_bleed_nor_a_player_who_plays_the_guide() {
    let count = RATE_HZ as usize * 28;
    let stem: Vec<f32> = noise(count, 9).collect();
    assert_eq!(measure(&stem), None);
    // A player who clicks along, some milliseconds about the beat.
    let click = |t: f32| (-90.0 * t).exp() * (9_000.0 * t).sin();
    let about = |beat: usize| 0.004 * (beat as f32 * 7.7).sin() + 0.1;
    let both: Vec<f32> = stem
        .iter()
        .enumerate()
        .map(|(at, noise)| {
            let t = at as f32 / RATE_HZ as f32;
            let since = t % 0.45 - about((t / 0.45) as usize);
            0.002 * noise + if since > 0.0 { click(since) } else { 0.0 }
        })
        .collect();
    assert_eq!(measure(&both), None);
}

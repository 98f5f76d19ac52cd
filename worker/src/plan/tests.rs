#![allow(clippy::unwrap_used)]

use super::{balance, placement};
use ripieno_engine::stem::StemSummary;
use ripieno_score::TakeFacts;

fn summary(low_share: f32) -> StemSummary {
    StemSummary {
        rate_hz: 48_000,
        channels: 1,
        first_sample: 0,
        frames: 0,
        stored_frames: 0,
        active_frames: 0,
        peak: 0.0,
        active_lufs: None,
        low_share,
        content_hash: [0; 32],
    }
}

#[test]
fn trims_bring_stems_to_one_loudness_within_their_bounds() {
    assert_eq!(balance::trim_db(Some(-20.0)), -8.0);
    assert_eq!(balance::trim_db(Some(-60.0)), 12.0);
    assert_eq!(balance::trim_db(Some(-9.0)), -19.0);
    assert_eq!(balance::trim_db(None), 0.0);
}

#[test]
fn a_crowd_is_spread_evenly_and_stays_where_it_was() {
    let facts = TakeFacts::default();
    let place =
        |n: u32| placement::pan(&format!("take-{n}"), &facts, &summary(0.0), 0.0, Some(1.0));
    let pans: Vec<f64> = (0..2000).map(place).collect();
    assert_eq!(pans, (0..2000).map(place).collect::<Vec<_>>());
    let mean = pans.iter().sum::<f64>() / 2000.0;
    let square = pans.iter().map(|pan| pan * pan).sum::<f64>() / 2000.0;
    // An even spread over −1 to 1 has mean 0 ± 0.013 and mean square 1/3.
    assert!(mean.abs() < 0.05 && (square - 1.0 / 3.0).abs() < 0.03, "{mean} {square}");
}

#[test]
fn low_sounds_stand_near_the_middle() {
    let low = TakeFacts { register: "low".into(), ..TakeFacts::default() };
    let other = TakeFacts::default();
    for n in 0..50 {
        let id = format!("take-{n}");
        let wide = placement::pan(&id, &other, &summary(0.0), 0.0, Some(1.0)).abs();
        let named = placement::pan(&id, &low, &summary(0.0), 0.0, Some(1.0)).abs();
        let heard = placement::pan(&id, &other, &summary(1.0), 0.0, Some(1.0)).abs();
        assert!(named <= 0.31 * wide && heard <= 0.21 * wide);
    }
}

#[test]
fn a_groups_level_moves_in_steps_too_small_to_hear() {
    let gains: Vec<f64> =
        (0..40).map(|step| balance::level_gain_db(Some(-20.0 + f64::from(step) * 0.05))).collect();
    for (step, gain) in gains.iter().enumerate() {
        let exact = balance::GROUP_LUFS + 20.0 - step as f64 * 0.05;
        assert!((gain - exact).abs() <= 0.1251 && (gain * 4.0).fract() == 0.0, "{gain} {exact}");
    }
    assert_eq!(balance::level_gain_db(None), 0.0);
}

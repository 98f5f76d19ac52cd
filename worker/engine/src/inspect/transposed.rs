//! Played in another key throughout, as by a transposing instrument reading a part at pitch.

use super::{Take, harmony, pitch};
use crate::finding::{Finding, Severity};

/// The chart must fit so much better after the shift.
const BETTER_BY: f64 = 0.12;

/// A take tuned so far off may as well lie in the semitone beside: of that the tuning speaks.
const HALF_WAY_CENTS: f32 = 30.0;

/// Pitched beats needed to say so.
const LEAST_BEATS: usize = 32;

pub(super) fn check(take: &Take) -> Option<Finding> {
    if !pitch::has_key(take) {
        return None;
    }
    let beats = harmony::beats(take);
    let written: Vec<_> =
        beats.iter().filter(|beat| beat.chart.iter().any(|class| *class > 0.0)).collect();
    if written.len() < LEAST_BEATS {
        return None;
    }
    let fit = |semitones: usize| -> f64 {
        let shifted = |chart: &[f32; 12]| -> [f32; 12] {
            std::array::from_fn(|class| chart[(class + 12 - semitones) % 12])
        };
        let sum: f64 =
            written.iter().map(|beat| harmony::likeness(&beat.heard, &shifted(&beat.chart))).sum();
        sum / written.len() as f64
    };
    let fits: Vec<f64> = (0..12).map(fit).collect();
    let best = (0..12).max_by(|a, b| fits[*a].total_cmp(&fits[*b]))?;
    // The runner-up must be clearly worse too: a chart of fourths fits its own shift by a fifth.
    let second = (0..12).filter(|other| *other != best).map(|other| fits[other]);
    let second = second.fold(0.0, f64::max);
    if best == 0 || fits[best] < fits[0] + BETTER_BY || fits[best] < second + BETTER_BY / 3.0 {
        return None;
    }
    let semitones = if best > 6 { best as i32 - 12 } else { best as i32 };
    let cents = take.playing.tuning_cents.unwrap_or(0.0).abs();
    if semitones.abs() == 1 && cents > HALF_WAY_CENTS {
        return None;
    }
    let says = format!(
        "You seem to play everything {} {} than written. If your instrument transposes, please \
         read the part in its own key and record again.",
        match semitones.abs() {
            1 => "a semitone".to_owned(),
            many => format!("{many} semitones"),
        },
        if semitones > 0 { "higher" } else { "lower" }
    );
    let finding = Finding::new("transposed", Severity::Asks, says);
    Some(finding.measuring(f64::from(semitones), "semitones"))
}

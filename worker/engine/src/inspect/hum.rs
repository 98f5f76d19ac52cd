//! Mains hum: tones at multiples of exactly 50 or 60 Hz in the quietest moments.

use super::Take;
use super::profile::quantile;
use crate::finding::{Finding, Severity};

/// Multiples looked at.
const MULTIPLES: usize = 8;

/// A line must stand so far above its surroundings.
const PROMINENT: f64 = 8.0;

/// And lie this near its place: mains keeps within 0.2 Hz, a played note seldom does. G at
/// 98.0 Hz and B at 123.5 Hz are 2 and 3.5 Hz away.
const NEAR_HZ: f64 = 0.7;

/// Hum more than this below the loud playing is not heard.
const HEARD_DB: f64 = -60.0;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let quiet = &take.records.quiet;
    let length = quiet.windows.first()?.1.len();
    let power = quiet.spectrum(length);
    let bin_hz = quiet.rate_hz / length as f64;
    let families = [50.0, 60.0].map(|mains| (mains, family(&power, bin_hz, mains)));
    let (mains, Some(hum)) =
        families.into_iter().max_by(|a, b| a.1.unwrap_or(0.0).total_cmp(&b.1.unwrap_or(0.0)))?
    else {
        return None;
    };
    let loud = quantile(&take.records.profile.sorted_levels_db(take.span_s()), 0.95);
    let below = 10.0 * hum.max(1e-14).log10() - loud;
    if below < HEARD_DB {
        return None;
    }
    let says = format!(
        "A hum of the mains ({mains:.0} Hz) is in this recording, {:.0} dB below your playing. \
         Please move the cable away from power supplies, or run the recorder from its battery.",
        -below
    );
    Some(Finding::new("hum", Severity::Advice, says).measuring(below, "dB"))
}

/// Power of the lines of one mains frequency, if at least two stand out, one of them among the
/// first two.
fn family(power: &[f64], bin_hz: f64, mains: f64) -> Option<f64> {
    let lines: Vec<Option<f64>> =
        (1..=MULTIPLES).map(|multiple| line(power, bin_hz, mains * multiple as f64)).collect();
    let low = lines.iter().take(2).flatten().count();
    let all = lines.iter().flatten().count();
    (low >= 1 && all >= 2).then(|| lines.iter().flatten().sum())
}

/// Power of a tone at `hz`, if one stands there.
fn line(power: &[f64], bin_hz: f64, hz: f64) -> Option<f64> {
    let middle = (hz / bin_hz).round() as usize;
    if middle < 3 || middle + 16 >= power.len() {
        return None;
    }
    let peak = (middle - 1..=middle + 1).max_by(|a, b| power[*a].total_cmp(&power[*b]))?;
    let (left, top, right) = (power[peak - 1].ln(), power[peak].ln(), power[peak + 1].ln());
    let bend = left - 2.0 * top + right;
    let shift = if bend < 0.0 { 0.5 * (left - right) / bend } else { return None };
    let found_hz = (peak as f64 + shift) * bin_hz;
    let mut around: Vec<f64> = (peak.saturating_sub(12)..=peak + 12)
        .filter(|bin| bin.abs_diff(peak) > 3)
        .map(|bin| power[bin])
        .collect();
    around.sort_by(f64::total_cmp);
    let floor = around[around.len() / 2].max(1e-18);
    let stands = power[peak] > floor * 10f64.powf(PROMINENT / 10.0);
    let sum: f64 = power[peak - 2..=peak + 2].iter().sum();
    (stands && (found_hz - hz).abs() < NEAR_HZ).then_some(sum)
}

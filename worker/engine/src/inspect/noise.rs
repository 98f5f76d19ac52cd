//! The room, the microphone or its amplifier is heard behind the playing.

use super::Take;
use super::profile::quantile;
use crate::finding::{Finding, Severity};

/// Playing less than this above the noise brings a hiss that adds up over a crowd: 100 such
/// takes are 20 dB more noise (common practice, no source).
const NEAR_DB: f64 = 30.0;

/// Pieces of the spectrum.
const LENGTH: usize = 2048;

/// The range in which noise is judged.
const LOWEST_HZ: f64 = 300.0;
const HIGHEST_HZ: f64 = 10_000.0;

/// Above this share of their power in single tones, the quietest moments are playing, and the
/// noise behind it is unknown.
const MOST_TONAL: f64 = 0.25;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let quiet = &take.records.quiet;
    let power = quiet.spectrum(LENGTH);
    let bin = |hz: f64| (hz * LENGTH as f64 / quiet.rate_hz) as usize;
    let range = bin(LOWEST_HZ)..bin(HIGHEST_HZ).min((power.len() as f64 * 0.9) as usize);
    if range.len() < 40 {
        return None;
    }
    if tonal_share(&power, range.clone()) > MOST_TONAL {
        return None;
    }
    let floor = 10.0 * power[range].iter().sum::<f64>().max(1e-14).log10();
    let loud = quantile(&take.records.profile.sorted_levels_db(take.span_s()), 0.95);
    let above = loud - floor;
    if above > NEAR_DB {
        return None;
    }
    let says = format!(
        "Your playing stands only {above:.0} dB above the noise in this recording. Please come \
         closer to the microphone, and switch off fans and anything else that hums or hisses."
    );
    Some(Finding::new("noisy", Severity::Advice, says).measuring(above, "dB"))
}

/// Share of the power in bins that stand four times above the median of their surroundings.
/// The mean of a hundred periodograms of noise stays within a fraction of its median.
fn tonal_share(power: &[f64], range: std::ops::Range<usize>) -> f64 {
    const AROUND: usize = 12;
    let (mut tonal, mut all) = (0.0, 0.0);
    for bin in range {
        let around = &power[bin.saturating_sub(AROUND)..(bin + AROUND + 1).min(power.len())];
        let mut sorted = around.to_vec();
        sorted.sort_by(f64::total_cmp);
        let median = sorted[sorted.len() / 2];
        all += power[bin];
        if power[bin] > 4.0 * median {
            tonal += power[bin] - median;
        }
    }
    if all > 0.0 { tonal / all } else { 1.0 }
}

//! Trims and group levels, both by measured loudness.

/// Loudness the active part of every stem is brought to, LUFS. Any value will do as long as it
/// stays: recordings brought near full scale lie 5 to 20 dB above it.
pub const STEM_LUFS: f64 = -28.0;

/// Loudness every group is brought to before the arrangement's levels, LUFS.
pub const GROUP_LUFS: f64 = -23.0;

/// Most a trim lifts, dB: more would lift noise, not music. Nothing speaks against lowering: a
/// horn recorded at full scale is brought down by as much as it is too loud.
pub const MOST_LIFT_DB: f64 = 12.0;

/// Most a group is lifted or lowered, dB: 1 000 stems add up to 30 dB over one.
const MOST_LEVEL_DB: f64 = 36.0;

/// Gates of ITU-R BS.1770-4: absolute in LUFS, relative in LU.
const ABSOLUTE_GATE_LUFS: f64 = -70.0;
const RELATIVE_GATE_LU: f64 = -10.0;

/// Gain that brings a stem's active loudness to [`STEM_LUFS`], if that lifts it by no more than
/// [`MOST_LIFT_DB`], else that; a stem too quiet to measure is left alone.
pub(super) fn trim_db(active_lufs: Option<f64>) -> f64 {
    active_lufs.map_or(0.0, |lufs| (STEM_LUFS - lufs).min(MOST_LIFT_DB))
}

/// Steps in which a group is lifted or lowered, dB: too small to be heard, and large enough that a
/// short take seldom moves its group where it does not play itself.
const LEVEL_STEP_DB: f64 = 0.25;

/// Gain that brings a group to [`GROUP_LUFS`], to the nearest [`LEVEL_STEP_DB`].
pub(super) fn level_gain_db(measured_lufs: Option<f64>) -> f64 {
    let gain_db = |lufs: f64| (GROUP_LUFS - lufs).clamp(-MOST_LEVEL_DB, MOST_LEVEL_DB);
    measured_lufs.map_or(0.0, |lufs| (gain_db(lufs) / LEVEL_STEP_DB).round() * LEVEL_STEP_DB)
}

/// Blocks of a stem or bed that come nearest to the 400 ms of BS.1770-4 at usual rates.
const WINDOW_BLOCKS: usize = 5;

/// Loudness of a group where it plays, LUFS, from the K-weighted powers of the blocks of its bed
/// in order: the mean of short windows, gated as in BS.1770-4.
pub(crate) fn group_lufs(powers: &[f64]) -> Option<f64> {
    let mean = |window: &[f64]| window.iter().sum::<f64>() / window.len() as f64;
    let length = WINDOW_BLOCKS.min(powers.len()).max(1);
    let windows: Vec<f64> = powers.windows(length).map(mean).collect();
    let lufs = |power: f64| -0.691 + 10.0 * power.log10();
    let mean_above = |gate: f64| {
        let (count, sum) = windows
            .iter()
            .filter(|power| lufs(**power) > gate)
            .fold((0usize, 0.0), |(count, sum), power| (count + 1, sum + power));
        (count > 0).then(|| lufs(sum / count as f64))
    };
    let ungated = mean_above(ABSOLUTE_GATE_LUFS)?;
    mean_above((ungated + RELATIVE_GATE_LU).max(ABSOLUTE_GATE_LUFS))
}

//! Where a take stands between left and right.

use ripieno_engine::mix::{amplitude, equal_power_pan};
use ripieno_engine::stem::{StemFile, StemSummary};
use ripieno_score::TakeFacts;

/// Width of a crowd whose group says none.
const DEFAULT_SPREAD: f64 = 0.7;

/// Share of the width left to a take whose register is low; bass belongs near the middle
/// (common practice, no source).
const LOW_REGISTER_WIDTH: f64 = 0.3;

/// A place for a take: drawn from its id, so it is the same every night and whoever else comes;
/// uniform over the group's width about its middle; low sounds nearer to that middle. Stems are
/// placed by level alone, never by delay or phase, so the mix folds down to mono unharmed.
pub(super) fn pan(
    take_id: &str,
    facts: &TakeFacts,
    summary: &StemSummary,
    middle: f64,
    spread: Option<f64>,
) -> f64 {
    let spread = spread.unwrap_or(DEFAULT_SPREAD).clamp(0.0, 1.0);
    let low = if facts.register == "low" { LOW_REGISTER_WIDTH } else { 1.0 };
    let weight = 1.0 - 0.8 * f64::from(summary.low_share);
    (middle + draw(take_id) * spread * low.min(weight)).clamp(-1.0, 1.0)
}

/// −1 to 1, evenly, from the id alone.
fn draw(take_id: &str) -> f64 {
    let hash = blake3::hash(take_id.as_bytes());
    let number = hash.as_bytes().iter().take(6).fold(0u64, |sum, byte| sum << 8 | u64::from(*byte));
    number as f64 / (1u64 << 47) as f64 - 1.0
}

/// Gains to left and right. A mono stem keeps its power wherever it stands; a stereo stem in the
/// middle passes as it is, and is balanced to a side by the same law.
pub(super) fn gains(file: &StemFile, trim_db: f64, pan: f64) -> [f32; 2] {
    let stereo = if file.summary().channels == 2 { std::f64::consts::SQRT_2 } else { 1.0 };
    equal_power_pan(pan).map(|side| (side * stereo * amplitude(trim_db)) as f32)
}

//! An outcome as the JSON line of `examine`.

use ripieno_engine::finding::Finding;
use serde_json::{Value, json};

use super::Outcome;

/// One line about a file. What is not known is null, never a guess.
#[must_use]
pub fn examine_line(file: &str, outcome: &Outcome) -> Value {
    let fit = outcome.fit.as_ref();
    let sound = outcome.sound.as_ref();
    let number = |value: Option<f64>| value.filter(|number| number.is_finite());
    let marks: Vec<Value> = outcome
        .marks
        .iter()
        .map(|mark| json!({"which": mark.which, "file_s": mark.file_s, "score": mark.score}))
        .collect();
    let candidates: Vec<Value> = fit.map_or_else(Vec::new, |fit| {
        let one = |place: &ripieno_engine::fit::Candidate| {
            json!({
                "bar1_beat1_s": place.bar1_beat1_s,
                "ratio_ppm": place.ratio_ppm,
                "odds": place.odds,
            })
        };
        fit.candidates.iter().map(one).collect()
    });
    json!({
        "file": file,
        "state": outcome.state.word(),
        "bar1_beat1_s": number(fit.map(|fit| fit.bar1_beat1_s)),
        "bar1_beat1_sd_s": number(fit.map(|fit| fit.bar1_beat1_sd_s)),
        "ratio_ppm": number(fit.map(|fit| fit.ratio_ppm)),
        "ratio_sd_ppm": number(fit.map(|fit| fit.ratio_sd_ppm)),
        "lag_ms": number(fit.and_then(|fit| fit.lag_ms)),
        "lag_sd_ms": number(fit.and_then(|fit| fit.lag_sd_ms)),
        "spread_ms": number(fit.and_then(|fit| fit.spread_ms)),
        "lag_taken_back_ms": outcome.lag_taken_back_ms,
        "easing": outcome.easing.map(|easing| json!({
            "moved": easing.moved,
            "spread_before_ms": easing.spread_before_ms,
            "spread_after_ms": easing.spread_after_ms,
        })),
        "basis": fit.map(|fit| fit.basis),
        "marks": marks,
        "candidates": candidates,
        "findings": outcome.findings.iter().map(finding_json).collect::<Vec<_>>(),
        "decoded_s": sound.map(|sound| sound.decoded_s),
        "sample_rate": sound.map(|sound| sound.sample_rate_hz),
        "channels": sound.map(|sound| sound.channels),
        "container": sound.map(|sound| sound.container),
        "codec": sound.map(|sound| sound.codec),
    })
}

/// A finding as JSON: `code`, `severity`, `value`, `unit`, `says` and `at_s`.
#[must_use]
pub fn finding_json(finding: &Finding) -> Value {
    json!({
        "code": finding.code,
        "severity": finding.severity.as_str(),
        "value": finding.value.filter(|value| value.is_finite()),
        "unit": finding.unit,
        "says": finding.says,
        "at_s": finding.at_s,
    })
}

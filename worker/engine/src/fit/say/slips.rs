//! Something in the middle of a take was lost, put in or moved.

use crate::finding::{Finding, Severity};
use crate::fit::line::{Laid, Stroke};
use crate::fit::marked::Reading;
use crate::fit::track::Jump;
use crate::fit::{Fit, Take};

/// Says where the playing jumps against the guide; `laid` where its strokes could be followed.
pub(super) fn jumps(jumps: &[Jump], laid: Option<&Laid>, fit: &mut Fit) {
    let steady = |jump: &&Jump| laid.is_none_or(|laid| lies_between_steady(jump, laid));
    let jumps: Vec<&Jump> = jumps.iter().filter(steady).collect();
    let sizes = jumps.iter().map(|jump| jump.by_s);
    let Some(largest) = sizes.max_by(|a, b| a.abs().total_cmp(&b.abs())) else { return };
    let how = if largest > 0.0 { "later" } else { "earlier" };
    fit.findings.push(Finding {
        code: "slipped",
        severity: Severity::Asks,
        value: Some(largest * 1e3),
        unit: "ms",
        says: format!(
            "In the middle of your recording the playing suddenly comes {:.0} ms {how} than before: \
             a piece of sound was lost or an edit slipped. Please send the recording without cuts, \
             or record it again.",
            largest.abs() * 1e3
        ),
        at_s: jumps.iter().map(|jump| jump.between_s).collect(),
    });
}

/// Strokes to either side of a jump by which it is judged, and how far they are trusted at least.
const BESIDE_JUMP: usize = 10;
const STEADY_TRUST: f64 = 0.45;

/// Whether the playing keeps to the pulse before and after a jump. Where a free intro ends nothing
/// has slipped.
pub(in crate::fit) fn lies_between_steady(jump: &Jump, laid: &Laid) -> bool {
    let at = laid.strokes.partition_point(|stroke| stroke.at_s < jump.between_s.1);
    let steady = |strokes: &mut dyn Iterator<Item = &Stroke>| {
        // Weak strokes between the others, a chord that dies away, say little.
        let weighed = strokes.take(BESIDE_JUMP).fold((0.0, 0.0), |(trust, weight), stroke| {
            (trust + stroke.weight * stroke.trust, weight + stroke.weight)
        });
        weighed.0 > STEADY_TRUST * weighed.1
    };
    steady(&mut laid.strokes[..at].iter().rev()) && steady(&mut laid.strokes[at..].iter())
}

/// Two marks that tell another tempo than the playing between them.
pub(super) fn marks_against_playing(take: &Take<'_>, best: &Reading<'_>, fit: &mut Fit) {
    let (Some(pair), Some((played, sd))) = (&best.pair, best.played_ratio) else { return };
    let off = played - pair.ratio;
    let off_ms = off * take.beats.end_s() * 1e3;
    if off.abs() < 4.0 * sd.hypot(pair.ratio_sd) || off_ms.abs() < 50.0 {
        return;
    }
    if fit.findings.iter().any(|finding| finding.code == "slipped") {
        return;
    }
    fit.findings.push(Finding {
        code: "slipped",
        severity: Severity::Asks,
        value: Some(-off_ms),
        unit: "ms",
        says: format!(
            "The two marks in your file and the playing between them disagree by {:.0} ms: \
             something between them was cut, lost or moved. Please send the recording without cuts.",
            off_ms.abs()
        ),
        at_s: vec![(best.opening.arrival.at_s, pair.closing.at_s)],
    });
}

//! A lag beyond what a player has: a device's, most likely.

use crate::finding::{Finding, Severity};
use crate::fit::{Candidate, Fit, Take};

/// A mean lag this far from the ensemble's is a device's, not a player's.
const FAR_LAG_MS: f64 = 70.0;
/// No device we know of makes a player earlier or later than this; then it is a question.
const MOST_EARLY_MS: f64 = -130.0;
const MOST_LATE_MS: f64 = 400.0;
/// A device delays all strokes alike. Where strokes are looser than this it may be the tremor or
/// the swell of the tone that was heard, as far behind each note as a device would be.
const BLURRED_MS: f64 = 35.0;

/// Says a mean lag far from the ensemble's, and offers its places where it is in question.
pub(super) fn lag(take: &Take<'_>, fit: &mut Fit) {
    let (Some(lag_ms), Some(sd_ms)) = (fit.lag_ms, fit.lag_sd_ms) else { return };
    let off = lag_ms - take.prior.ensemble_lag_ms;
    let beat_ms = take.beats.beat_s() * 1e3;
    if off.abs() < FAR_LAG_MS.max(3.0 * sd_ms) {
        return;
    }
    let elsewhere = off.abs() > 0.75 * beat_ms && off.abs() > MOST_LATE_MS;
    let blurred = fit.spread_ms.is_some_and(|spread_ms| spread_ms > BLURRED_MS);
    if blurred {
        offer_both(take, lag_ms, fit);
    }
    if elsewhere || blurred {
        // Where the playing fits in several ways, that is the question already.
        if !fit.findings.iter().any(|finding| finding.code == "place_uncertain") {
            fit.findings.push(if elsewhere { lies_elsewhere(off) } else { blurred_lag(lag_ms) });
        }
        return;
    }
    let usual = off > MOST_EARLY_MS && off < MOST_LATE_MS;
    fit.findings.push(Finding {
        code: if off > 0.0 { "lags" } else { "ahead" },
        severity: if usual { Severity::Advice } else { Severity::Asks },
        value: Some(lag_ms),
        unit: "ms",
        says: constant_lag(lag_ms, off),
        at_s: Vec::new(),
    });
}

/// What a lag that holds all along says, given how far it is `off` the ensemble's.
fn constant_lag(lag_ms: f64, off: f64) -> String {
    if off > MOST_LATE_MS {
        format!(
            "All your playing comes {:.1} seconds after the guide, later than any headphones make \
             it. Perhaps you came in late, or the mark was moved; please listen whether it fits, \
             or record once more.",
            lag_ms * 1e-3
        )
    } else if off > 0.0 {
        format!(
            "All your playing comes {lag_ms:.0} ms after the guide, most likely because wireless \
             headphones delay it. Next time use headphones with a cable."
        )
    } else {
        format!(
            "All your playing comes {:.0} ms before the guide. If your recording program shifts \
             sound to make up for a delay, it shifts too much; please check its setting.",
            lag_ms.abs()
        )
    }
}

fn lies_elsewhere(off_ms: f64) -> Finding {
    let says = "Your playing seems to lie a beat or more away from where the mark puts it. Was the \
                mark moved or added afterwards, or did you come in late? Please listen and tell us \
                which is right, or record once more.";
    Finding::new("place_uncertain", Severity::Asks, says).measuring(off_ms, "ms")
}

fn blurred_lag(lag_ms: f64) -> Finding {
    let how = if lag_ms > 0.0 { "after" } else { "before" };
    Finding {
        code: "place_uncertain",
        severity: Severity::Asks,
        value: Some(lag_ms),
        unit: "ms",
        says: format!(
            "Your playing may come {:.0} ms {how} the guide, or your notes may just begin so \
             softly that we hear them there. Listen to the choices and pick the one that is right.",
            lag_ms.abs()
        ),
        at_s: Vec::new(),
    }
}

/// Offers the place with the lag taken back and, as likely, the one by the mark if that is not
/// among the choices already.
fn offer_both(take: &Take<'_>, lag_ms: f64, fit: &mut Fit) {
    let bar1_beat1_s = fit.bar1_beat1_s;
    fit.candidates[0].bar1_beat1_s = bar1_beat1_s + device_lag_s(take, lag_ms * 1e-3);
    if fit.candidates.iter().any(|place| place.bar1_beat1_s == bar1_beat1_s) {
        return;
    }
    let first = &mut fit.candidates[0];
    first.odds *= 0.5;
    let by_mark = Candidate { bar1_beat1_s, ..*first };
    fit.candidates.push(by_mark);
}

/// What of a lag is a device's and would be taken back, in seconds.
pub(super) fn device_lag_s(take: &Take<'_>, lag_s: f64) -> f64 {
    let beyond_s = lag_s - take.prior.ensemble_lag_ms * 1e-3;
    if beyond_s.abs() < FAR_LAG_MS * 1e-3 { 0.0 } else { beyond_s }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn headphones_are_blamed_for_no_more_than_they_do() {
        assert!(constant_lag(185.0, 170.0).contains("185 ms after the guide, most likely because"));
        let late = constant_lag(2_283.0, 2_268.0);
        assert!(late.contains("2.3 seconds after") && late.contains("you came in late"), "{late}");
        assert!(constant_lag(-90.0, -105.0).contains("90 ms before the guide"));
    }
}

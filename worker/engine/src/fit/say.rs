//! What a fit has to say to the contributor, and whether it is sure.

mod lag;
mod slips;

use super::line::Laid;
use super::marked::Reading;
use super::tempo::Kind;
use super::unmarked::{Place, Places};
use super::{Candidate, Fit, Take};
use crate::finding::{Finding, Severity};
use crate::locate::Part;
use lag::{device_lag_s, lag};
pub(super) use slips::lies_between_steady;
use slips::{jumps, marks_against_playing};

/// Slow wandering beyond this is said, and beyond the second figure asked about.
const WANDER_MS: (f64, f64) = (25.0, 80.0);
/// The last of the playing known no better than this has to be asked about.
const LOOSE_END_MS: f64 = 25.0;

/// Without a mark, strokes looser than this can't tell half beats from whole ones.
const LOOSE_WITHOUT_MARK_S: f64 = 0.030;

/// Fills in findings, candidates and certainty for a fit by marks.
pub(super) fn marked(take: &Take<'_>, readings: &[Reading<'_>], fit: &mut Fit) {
    let best = &readings[0];
    tempo(best.tempo.0, best.tempo.1, fit);
    several_marks(take, readings, fit);
    mark_cut(best, fit);
    rivals(take, best, fit);
    ratio_known(take, best, fit);
    fit.findings.extend(best.change.map(speed_changes));
    jumps(&best.track.jumps, best.laid.as_ref(), fit);
    let slipped = !best.track.jumps.is_empty();
    if best.laid.is_none() && best.events.len() > MANY_STROKES && !slipped {
        fit.findings.push(astray());
    }
    marks_against_playing(take, best, fit);
    if let Some(laid) = &best.laid {
        wander(laid, fit);
    }
    lag(take, fit);
    fit.certain &= fit.findings.iter().all(|finding| finding.severity < Severity::Asks);
}

/// Fills in findings and certainty for a fit by the playing alone.
pub(super) fn unmarked(take: &Take<'_>, found: &Places, best: &Place, fit: &mut Fit) {
    tempo(found.tempo.kind, best.ratio, fit);
    let loose = best.laid.spread_s > LOOSE_WITHOUT_MARK_S;
    let which_bar = best.probability < sure(take) || loose || !found.coherent;
    // How far the player, the device and the instrument's own attack lie behind the guide is known
    // from a mark alone. Where the guide has one, its loss is a question.
    if which_bar || take.grid.opening_mark_s.is_some() {
        fit.findings.push(place_without_mark(which_bar, best.probability));
    }
    if !which_bar {
        // There is nothing to choose among, only to hear and to nudge.
        fit.candidates.truncate(1);
    }
    if best.ratio_sd * last_played_s(take, Some(&best.laid)) * 1e3 > LOOSE_END_MS {
        fit.findings.push(ratio_uncertain(Severity::Asks, best.ratio_sd));
    }
    jumps(&best.track.jumps, Some(&best.laid), fit);
    wander(&best.laid, fit);
    fit.certain &= fit.findings.iter().all(|finding| finding.severity < Severity::Asks);
}

fn place_without_mark(which_bar: bool, probability: f64) -> Finding {
    let says = if which_bar {
        "Without the opening mark we can't be sure where in the piece your recording begins. Listen \
         to the choices and pick the one that is right, or send a version that still has the mark."
    } else {
        "Without the opening mark we found by your playing where in the piece your recording \
         belongs, but not how far before or after the guide you play. Listen whether it sits \
         right and say so, or send a version that still has the mark."
    };
    Finding::new("place_uncertain", Severity::Asks, says).measuring(probability, "")
}

/// A tempo that is not the guide's.
fn tempo(kind: Kind, ratio: f64, fit: &mut Fit) {
    let (code, value, unit, says) = match kind {
        Kind::AsWritten => return,
        Kind::Half => (
            "half_tempo",
            0.5,
            "",
            "You played at half the guide's tempo, two of its beats to one of yours. Please play \
             along with the guide and record again."
                .to_owned(),
        ),
        Kind::Double => (
            "double_tempo",
            2.0,
            "",
            "You played at twice the guide's tempo, two of your beats to one of its. Please play \
             along with the guide and record again."
                .to_owned(),
        ),
        Kind::Other => {
            let percent = (1.0 / (1.0 + ratio) - 1.0) * 100.0;
            let how = if percent > 0.0 { "faster" } else { "slower" };
            let says = format!(
                "You played {:.1} % {how} than the guide all the way. Please record again with \
                 the guide in your ears.",
                percent.abs()
            );
            ("wrong_tempo", percent, "%", says)
        }
        Kind::Mislabelled { true_over_said } => {
            let how = if true_over_said < 1.0 { "fast and too high" } else { "slow and too low" };
            let says = format!(
                "Your file plays too {how}, as sound does that was recorded at one sample rate \
                 (44.1 or 48 kHz) and saved as the other. Please export it again at the rate it \
                 was recorded at; or tell us that this is so, and we set it right."
            );
            ("mislabelled_rate", true_over_said, "", says)
        }
    };
    fit.ratio_ppm = ratio * 1e6;
    let value = Some(value);
    let severity = Severity::Asks;
    fit.findings.push(Finding { code, severity, value, unit, says, at_s: Vec::new() });
}

fn several_marks(take: &Take<'_>, readings: &[Reading<'_>], fit: &mut Fit) {
    if readings.len() < 2 {
        return;
    }
    let sure = fit.candidates[0].odds > sure(take);
    let places = readings.iter().map(|r| (r.opening.arrival.at_s, r.opening.arrival.at_s));
    fit.findings.push(Finding {
        code: "two_opening_marks",
        severity: if sure { Severity::Info } else { Severity::Asks },
        value: Some(readings.len() as f64),
        unit: "",
        says: if sure {
            "The opening mark is in your file more than once; we went by the one that your playing \
             follows."
        } else {
            "The opening mark is in your file more than once, and we can't tell which of them your \
             take begins with. Listen to both and choose one."
        }
        .into(),
        at_s: places.collect(),
    });
}

fn mark_cut(best: &Reading<'_>, fit: &mut Fit) {
    let arrival = best.opening.arrival;
    let half = match arrival.part {
        Part::Whole => return,
        Part::FirstHalf => "end",
        Part::SecondHalf => "beginning",
    };
    let which = if best.opening.is_closing { "closing" } else { "opening" };
    fit.findings.push(Finding {
        code: "mark_cut",
        severity: Severity::Info,
        value: None,
        unit: "",
        says: format!(
            "The {half} of the {which} mark is cut off or drowned. What is left of it was enough; \
             next time please leave all of it in."
        ),
        at_s: vec![(arrival.at_s, arrival.at_s)],
    });
}

fn sure(take: &Take<'_>) -> f64 {
    take.prior.certain_odds / (1.0 + take.prior.certain_odds)
}

/// Other lines through the strokes that cannot be ruled out.
fn rivals(take: &Take<'_>, best: &Reading<'_>, fit: &mut Fit) {
    let Some(laid) = &best.laid else { return };
    if best.probability > sure(take) {
        return;
    }
    let end_s = take.beats.end_s();
    let known = best.pair.is_some();
    let far = |r: &&(f64, f64, f64)| known || ((r.0 - laid.ratio) * end_s).abs() < 0.06;
    let by_lag: f64 = best.rivals.iter().filter(far).map(|r| r.2).sum();
    let by_ratio: f64 = best.rivals.iter().filter(|r| !far(r)).map(|r| r.2).sum();
    let doubt = 1.0 - sure(take);
    if by_lag > doubt {
        let (bar1_beat1_s, odds) = (fit.bar1_beat1_s, fit.candidates[0].odds);
        fit.candidates[0].bar1_beat1_s = bar1_beat1_s + device_lag_s(take, laid.lag_s);
        fit.candidates[0].odds *= best.probability;
        for rival in best.rivals.iter().filter(far) {
            fit.candidates.push(Candidate {
                bar1_beat1_s: bar1_beat1_s + device_lag_s(take, rival.1),
                ratio_ppm: rival.0 * 1e6,
                odds: rival.2 * odds,
            });
        }
        fit.findings.push(Finding {
            code: "place_uncertain",
            severity: Severity::Asks,
            value: Some(best.probability),
            unit: "",
            says: "Your playing fits the guide in more than one way, some of them shifted by part \
                   of a beat or more. Listen to the choices and pick the one that is right."
                .into(),
            at_s: Vec::new(),
        });
    }
    if by_ratio > doubt {
        fit.findings.push(ratio_uncertain(Severity::Asks, best.ratio.1));
    }
}

fn ratio_uncertain(severity: Severity, ratio_sd: f64) -> Finding {
    Finding {
        code: "ratio_uncertain",
        severity,
        value: Some(ratio_sd * 1e6),
        unit: "ppm",
        says: "We could not tell from your playing whether your tempo stays with the guide to the \
               end. Please check that nothing changed the speed of your recording; leaving the \
               closing mark in the file settles it."
            .into(),
        at_s: Vec::new(),
    }
}

fn ratio_known(take: &Take<'_>, best: &Reading<'_>, fit: &mut Fit) {
    let loose_ms = best.ratio.1 * last_played_s(take, best.laid.as_ref()) * 1e3;
    let said = fit.findings.iter().any(|finding| finding.code == "ratio_uncertain");
    if loose_ms > LOOSE_END_MS && !said {
        fit.findings.push(ratio_uncertain(Severity::Asks, best.ratio.1));
    } else if best.laid.is_none() && best.pair.is_none() && !said {
        fit.findings.push(ratio_uncertain(Severity::Advice, best.ratio.1));
    }
}

/// A recording that does not run at one speed.
fn speed_changes(change: f64) -> Finding {
    let how = if change > 0.0 { "slower" } else { "faster" };
    let says = format!(
        "Your recording does not run at one speed: around the mark it runs {:.2} % {how} than over \
         the whole piece, as phones do when they film. Please send a sound recording rather than a \
         film, made in one go and without cuts.",
        change.abs() * 100.0
    );
    Finding::new("speed_changes", Severity::Asks, says).measuring(change * 1e6, "ppm")
}

/// Piece time of the last that is played: what lies beyond does not depend on the ratio.
fn last_played_s(take: &Take<'_>, laid: Option<&Laid>) -> f64 {
    let end_s = take.beats.end_s();
    let trusted = |laid: &Laid| {
        laid.strokes.iter().rev().find(|stroke| stroke.trust > 0.3).map(|stroke| stroke.pulse_s)
    };
    laid.and_then(trusted).map_or(end_s, |last_s| last_s.abs().min(end_s))
}

/// So many strokes must keep to the pulse somehow, or the player does not follow it.
const MANY_STROKES: usize = 60;

fn astray() -> Finding {
    Finding {
        code: "wanders",
        severity: Severity::Advice,
        value: None,
        unit: "ms",
        says:
            "We can hear your strokes but not a beat that they share with the guide. If your part \
               is meant to float freely, all is well; else keep the guide in your headphones all \
               the way through, a little louder perhaps, and lean on its pulse."
                .into(),
        at_s: Vec::new(),
    }
}

fn wander(laid: &Laid, fit: &mut Fit) {
    let slow: Vec<f64> =
        laid.strokes.iter().filter(|s| s.trust > 0.1).map(|s| s.drift_s * 1e3).collect();
    if slow.len() < 8 {
        return;
    }
    let wander_ms = (slow.iter().map(|d| d * d).sum::<f64>() / slow.len() as f64).sqrt();
    if wander_ms < WANDER_MS.0 {
        return;
    }
    let asks = wander_ms > WANDER_MS.1;
    fit.findings.push(Finding {
        code: "wanders",
        severity: if asks { Severity::Asks } else { Severity::Advice },
        value: Some(wander_ms),
        unit: "ms",
        says: format!(
            "Your tempo drifts to and fro against the guide by about {wander_ms:.0} ms. Keep the \
             guide in your headphones all the way through, a little louder perhaps, and lean on \
             its pulse."
        ),
        at_s: Vec::new(),
    });
}

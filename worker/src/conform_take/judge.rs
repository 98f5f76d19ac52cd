//! From what was found to a state and the sentences that go with it.

use ripieno_engine::decode::{DecodeError, Note};
use ripieno_engine::finding::{Finding, Severity};
use ripieno_engine::fit::Fit;
use ripieno_engine::inspect::bleed::{Bleed, guide_left_in};
use ripieno_engine::inspect::{Take, nothing_is_played, pitch_would_shift};
use ripieno_score::TakeState;

use super::Outcome;
use super::plan::ConformPlan;

/// The outcome of a file that gives no sound.
pub(super) fn undecodable(error: &DecodeError) -> Outcome {
    let code = match error {
        DecodeError::Io(_) => "unreadable",
        DecodeError::Empty => "empty",
        DecodeError::TooBig { .. } => "too_big",
        DecodeError::NotAudio { .. } => "not_audio",
        DecodeError::NoAudioTrack { .. } => "no_audio_track",
        DecodeError::UnsupportedCodec { .. } => "unsupported_codec",
        DecodeError::NoChannels => "no_channels",
        DecodeError::TooManyChannels { .. } => "too_many_channels",
        DecodeError::Rate { .. } => "odd_rate",
        DecodeError::TooLong { .. } => "too_long",
        DecodeError::NoSound { .. } | DecodeError::Broken { .. } => "broken_file",
    };
    Outcome {
        state: TakeState::Unusable,
        fit: None,
        marks: Vec::new(),
        findings: vec![Finding::new(code, Severity::Unusable, error.says())],
        sound: None,
        stem: None,
        lag_taken_back_ms: 0.0,
        easing: None,
        fingerprint: None,
        plot: None,
    }
}

/// What a fit says of a tempo that is not the guide's.
const TEMPO_CODES: [&str; 4] = ["half_tempo", "double_tempo", "wrong_tempo", "mislabelled_rate"];

/// Everything there is to say of a take, weightiest first, each code once.
pub(super) fn findings(take: &Take<'_>, notes: &[Note], plan: &ConformPlan) -> Vec<Finding> {
    let mut findings: Vec<Finding> = notes.iter().map(of_note).collect();
    let own = take.findings();
    if let Some(fit) = take.fit.filter(|_| !nothing_is_played(&own)) {
        findings.extend(fit.findings.iter().cloned());
        say_what_was_taken_back(&mut findings, fit, plan);
        // Where the fit has already said what is wrong with the tempo, the pitch is no new question;
        // a person who set the ratio by hand has answered it.
        let said = fit.findings.iter().any(|finding| TEMPO_CODES.contains(&finding.code));
        if !said && !plan.is_placed_by_hand() {
            let limit = plan.policy().resample_limit_cents;
            findings.extend(pitch_would_shift(fit.ratio_ppm, limit));
        }
    }
    findings.extend(own);
    if plan.is_placed_by_hand() {
        // The person has answered what these would ask.
        findings.retain(|finding| finding.code != "no_mark");
    }
    let mut seen = Vec::new();
    findings.retain(|finding| {
        let first = !seen.contains(&finding.code);
        seen.push(finding.code);
        first
    });
    findings.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
    findings
}

/// The state that findings and fit lead to. A take that asks is given the sentence to ask with.
pub(super) fn state(fit: Option<&Fit>, findings: &mut Vec<Finding>) -> TakeState {
    let weightiest = findings.iter().map(|finding| finding.severity).max();
    if weightiest == Some(Severity::Unusable) {
        return TakeState::Unusable;
    }
    let sure = fit.is_some_and(|fit| fit.certain);
    if !sure && weightiest < Some(Severity::Asks) {
        let says = if fit.is_some() {
            "We found more than one place where your recording could belong. Please listen and \
             choose the one that is right."
        } else {
            "We could not find where in the piece your recording belongs. Please check that it \
             is the right file and that the opening mark can be heard in it, and send it again."
        };
        findings.insert(0, Finding::new("place_unsure", Severity::Asks, says));
    }
    if !sure || weightiest >= Some(Severity::Asks) { TakeState::Asks } else { TakeState::Placed }
}

/// The state after the stem was compared with the guide. A take that asks keeps its stem: the
/// answer may be that it is to be used.
pub(super) fn state_with_bleed(
    state: TakeState,
    bleed: Option<&Bleed>,
    findings: &mut Vec<Finding>,
) -> TakeState {
    let Some(finding) = bleed.and_then(guide_left_in) else { return state };
    let asks = finding.severity == Severity::Asks;
    findings.push(finding);
    findings.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
    if asks { TakeState::Asks } else { state }
}

fn of_note(note: &Note) -> Finding {
    let severity = match note {
        // By how much what follows is early can't be told; marks and playing may hide it.
        Note::Spliced { .. } => Severity::Asks,
        Note::Truncated { .. }
        | Note::Damaged { .. }
        | Note::Gaps { .. }
        | Note::NotFinite { .. }
        | Note::HalfRateCore
        | Note::SeveralEdits { .. }
        | Note::FormatChanged { .. } => Severity::Advice,
        Note::StartsLate { .. } | Note::Chained { .. } | Note::OtherTracks { .. } => Severity::Info,
    };
    let at_s = match note {
        Note::Damaged { at_s, .. } | Note::Gaps { at_s, .. } | Note::Spliced { at_s, .. } => {
            at_s.clone()
        }
        Note::Truncated { at_s } | Note::FormatChanged { at_s } => vec![(*at_s, *at_s)],
        _ => Vec::new(),
    };
    Finding::new(note.code(), severity, note.says()).at(at_s)
}

/// A constant lag that was taken back is said as that, in the place of what the fit says of it.
fn say_what_was_taken_back(findings: &mut Vec<Finding>, fit: &Fit, plan: &ConformPlan) {
    if plan.lag_to_take_back_ms(fit) == 0.0 {
        return;
    }
    let Some(lag_ms) = fit.lag_ms else { return };
    let (code, side) = if lag_ms > 0.0 { ("lags", "after") } else { ("ahead", "before") };
    let says = format!(
        "All of your playing comes {:.0} milliseconds {side} the guide, as wireless headphones make \
         it. We moved it to where the others are; next time use headphones with a cable.",
        lag_ms.abs(),
    );
    findings.retain(|finding| finding.code != code);
    findings.push(Finding::new(code, Severity::Advice, says).measuring(lag_ms, "ms"));
}

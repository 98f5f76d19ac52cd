//! What is done to one take, from file to stem.
//!
//! [`conform`] decodes the file twice. The first pass hears it: marks, attacks, level, harmony
//! and the records of the checks. Then the take is fitted to the piece and judged. The second
//! pass, for a take that is placed, lays it on the master grid. Both stream: memory grows by a few
//! kilobytes a second of sound for what was heard, never for the sound itself.

mod finish;
mod hear;
mod judge;
mod line;
mod marks;
mod mislabelled;
mod plan;
mod span;

use std::path::Path;

use ripieno_engine::decode::DecodeError;
use ripieno_engine::finding::Finding;
use ripieno_engine::fit::{self, Fit};
pub use ripieno_engine::inspect::fingerprint::Fingerprint;
use ripieno_engine::inspect::{Take, nothing_is_played};
use ripieno_engine::plot::Plot;
use ripieno_engine::stem::{StemError, StemSummary};
use ripieno_score::TakeState;

pub use ripieno_engine::decode::{Limits, Recording};
pub use ripieno_engine::inspect::fingerprint::{Matcher, same_recording};

pub use line::{examine_line, finding_json};
pub use plan::{ConformPlan, OwnMark, OwnMarkError, Placement};

/// What came of a take.
#[derive(Debug, Clone)]
pub struct Outcome {
    /// `Placed`, `Asks` or `Unusable`.
    pub state: TakeState,
    /// Where it lies on the piece, if that could be told at all.
    pub fit: Option<Fit>,
    /// Every place where a mark was surely or perhaps heard, best first of each kind.
    pub marks: Vec<HeardMark>,
    /// What there is to say, weightiest first.
    pub findings: Vec<Finding>,
    /// What the file is; none when it could not be decoded.
    pub sound: Option<Sound>,
    /// The stem that was written, for a placed take when one was asked for.
    pub stem: Option<StemSummary>,
    /// How much a constant lag was taken back, in milliseconds; 0 when it was left alone.
    pub lag_taken_back_ms: f64,
    /// What easing did, when the piece asks for it and there was something to do.
    pub easing: Option<EasingReport>,
    /// To know the same recording again in another form.
    pub fingerprint: Option<Fingerprint>,
    /// The file to look at, in file time.
    pub plot: Option<Plot>,
}

/// What easing did to a take; spreads are robust standard deviations about the pulses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EasingReport {
    /// Notes that were moved.
    pub moved: usize,
    /// Spread as played, in milliseconds.
    pub spread_before_ms: f64,
    /// Spread in the stem.
    pub spread_after_ms: f64,
}

/// A mark as heard in the file.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeardMark {
    /// `opening` or `closing`.
    pub which: &'static str,
    /// File time of its origin, in seconds.
    pub file_s: f64,
    /// 0 to 1; see [`ripieno_engine::locate::Arrival`].
    pub score: f64,
}

/// What a decoded file is.
#[derive(Debug, Clone, PartialEq)]
pub struct Sound {
    /// The container, e.g. `WAV`.
    pub container: &'static str,
    /// The codec, e.g. `AAC`.
    pub codec: &'static str,
    /// Frames a second.
    pub sample_rate_hz: u32,
    /// Channels.
    pub channels: u16,
    /// Length of what was decoded, in seconds.
    pub decoded_s: f64,
}

/// A fault of the machine, not of the take.
#[derive(Debug, thiserror::Error)]
pub enum ConformFault {
    /// The take's file could not be read from disk.
    #[error("the take's file could not be read: {0}")]
    Read(std::io::Error),
    /// The stem could not be written.
    #[error("the stem could not be written: {0}")]
    Stem(#[from] StemError),
}

impl ConformFault {
    /// Whether trying again may help.
    #[must_use]
    pub fn retryable(&self) -> bool {
        match self {
            ConformFault::Read(_) | ConformFault::Stem(StemError::Io(_)) => true,
            ConformFault::Stem(_) => false,
        }
    }
}

/// Conforms a recording to a piece. With `stem_out`, a take that comes out placed is laid on the
/// grid and written there; showing it whole or not at all is the caller's.
///
/// # Errors
/// Only for faults of the machine. A file that is no sound, or none that can be used, is an
/// [`Outcome`] that says so.
pub fn conform(
    recording: &Recording,
    plan: &ConformPlan,
    stem_out: Option<&Path>,
) -> Result<Outcome, ConformFault> {
    let heard = match hear::hear(recording, plan) {
        Ok(heard) => heard,
        Err(error) => return unheard(error),
    };
    let said_hz = heard.sound.sample_rate_hz;
    let true_hz = match mislabelled::true_rate_hz(recording, plan, &heard) {
        Ok(true_hz) => true_hz,
        Err(error) => return unheard(error),
    };
    let Some(true_hz) = true_hz else { return conform_heard(recording, plan, heard, stem_out) };
    let recording = recording.made_at(true_hz);
    let plan = plan.in_time_of(f64::from(said_hz) / f64::from(true_hz));
    let heard = match hear::hear(&recording, &plan) {
        Ok(heard) => heard,
        Err(error) => return unheard(error),
    };
    let outcome = conform_heard(&recording, &plan, heard, stem_out)?;
    Ok(mislabelled::told_in_claimed_time(outcome, said_hz, true_hz))
}

fn unheard(error: DecodeError) -> Result<Outcome, ConformFault> {
    match error {
        DecodeError::Io(error) => Err(ConformFault::Read(error)),
        error => Ok(judge::undecodable(&error)),
    }
}

fn conform_heard(
    recording: &Recording,
    plan: &ConformPlan,
    heard: hear::HeardTake,
    stem_out: Option<&Path>,
) -> Result<Outcome, ConformFault> {
    let fit = plan.place(&fit::Heard {
        opening: &heard.opening,
        closing: &heard.closing,
        playing: &heard.playing,
    });
    let take = Take {
        records: &heard.records,
        playing: &heard.playing,
        opening: &heard.opening,
        closing: &heard.closing,
        grid: plan.grid(),
        fit: fit.as_ref(),
        expected: plan.expected(),
    };
    let mut findings = judge::findings(&take, &heard.notes, plan);
    // What was fitted to noise alone is no place, and in what room nobody plays is no matter.
    let played = !nothing_is_played(&findings);
    if played && !findings.iter().any(|finding| finding.code == "wet") {
        findings.extend(heard.room.clone());
    }
    let place = fit.as_ref().filter(|_| played);
    let mut state = judge::state(place, &mut findings);
    let lag_taken_back_ms = place.map_or(0.0, |fit| plan.lag_to_take_back_ms(fit));
    let mut easing = None;
    let mut stem = None;
    if let (Some(fit), true) = (place, state != TakeState::Unusable) {
        let laying = finish::Laying::new(&take, fit, plan, lag_taken_back_ms, &heard.sound);
        let bleed = match stem_out.filter(|_| state == TakeState::Placed) {
            Some(path) => {
                easing = laying.easing();
                let laid = laying.write(recording, path)?;
                stem = Some(laid.stem);
                laid.bleed
            }
            None => laying.listen_for_bleed(recording)?,
        };
        state = judge::state_with_bleed(state, bleed.as_ref(), &mut findings);
    }
    Ok(Outcome {
        state,
        marks: heard.marks(),
        findings,
        sound: Some(heard.sound),
        stem,
        lag_taken_back_ms,
        easing,
        fingerprint: Some(heard.fingerprint),
        plot: Some(heard.plot),
        fit: fit.filter(|_| played),
    })
}

#[cfg(test)]
mod tests;

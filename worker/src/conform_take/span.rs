//! Which stretch of the piece a stem covers: the playing, its ringing, and nothing else.

use std::ops::Range;

use ripieno_engine::inspect::Take;
use ripieno_engine::locate::SURE;
use ripieno_engine::onset::Playing;

use super::plan::ConformPlan;

/// Left before the first attack, for a breath and a slow beginning.
const BEFORE_FIRST_S: f64 = 0.25;

/// A moment is part of the playing from so many dB below the loud tenth of the file.
const BELOW_LOUD_DB: f32 = 25.0;

/// Left after the end of the opening mark, for a room to swallow it.
const AFTER_MARK_S: f64 = 0.25;

/// Left between the sound of the last note and a closing mark.
const BEFORE_CLOSING_S: f64 = 0.02;

/// The longest ringing that is kept after the piece's end.
const LONGEST_TAIL_S: f64 = 6.0;

/// A tail has rung out when it comes this near the file's quietest, or has fallen this far.
const NEAR_FLOOR_DB: f32 = 4.0;
const RUNG_OUT_DB: f32 = 60.0;

/// A level that rises by so much in the tail is something new: talk, a chair, a laugh.
const SOMETHING_NEW_DB: f32 = 9.0;

/// How far on either side of their origins the sounds of the marks reach, in seconds.
#[derive(Clone, Copy)]
pub(super) struct MarkReach {
    /// From the opening mark's origin to its end.
    pub(super) opening_after_s: f64,
    /// From the closing mark's beginning to its origin.
    pub(super) closing_before_s: f64,
}

/// The stretch of piece time, in seconds, that the stem of a placed take covers.
pub(super) fn stem_span_s(take: &Take<'_>, plan: &ConformPlan, reach: MarkReach) -> Range<f64> {
    let begin = begin_s(take, plan, reach);
    let end = end_s(take, reach);
    begin..end.max(begin)
}

/// Not before the mark is over, not more than a bar before the music, and shortly before the
/// first attack.
fn begin_s(take: &Take<'_>, plan: &ConformPlan, reach: MarkReach) -> f64 {
    let opening_s = take.grid.opening_mark_s.unwrap_or(f64::NEG_INFINITY);
    let mark_end = opening_s + reach.opening_after_s;
    let pick_up = -plan.first_bar_s();
    // Where the mark ends close to the music its reverberation must go with it.
    let earliest = (mark_end + AFTER_MARK_S).min(-BEFORE_FIRST_S).max(mark_end).max(pick_up);
    let Some(from) = take.file_time_s(earliest) else { return earliest };
    let first = first_playing_s(take.playing, from - 0.02);
    let first = first.and_then(|first| piece_time_s(take, first));
    first.map_or(earliest, |first| (first - BEFORE_FIRST_S).max(earliest))
}

/// File time of the first attack after `from`, or of the first loud moment where that is
/// earlier: a swell may have no attack.
fn first_playing_s(playing: &Playing, from: f64) -> Option<f64> {
    let attack = playing.onsets.iter().map(|onset| onset.at_s).find(|at| *at >= from);
    let mut levels = playing.level_db.clone();
    levels.sort_by(f32::total_cmp);
    let loud = levels.get(levels.len() * 9 / 10)? - BELOW_LOUD_DB;
    let hop = (from.max(0.0) / playing.hop_s) as usize;
    let swell = playing.level_db.iter().skip(hop).position(|level| *level > loud);
    let swell = swell.map(|hops| (hop + hops) as f64 * playing.hop_s);
    match (attack, swell) {
        (Some(attack), Some(swell)) => Some(attack.min(swell)),
        (attack, swell) => attack.or(swell),
    }
}

/// The end of the piece and what rings after it.
fn end_s(take: &Take<'_>, reach: MarkReach) -> f64 {
    let last = take.grid.beats_s.last().copied().unwrap_or(0.0);
    let file_end = piece_time_s(take, take.playing.duration_s).unwrap_or(last);
    let heard = take.closing.first().is_some_and(|arrival| arrival.score >= SURE / 2.0);
    let closing = take.grid.closing_mark_s.filter(|_| heard);
    let limit = closing.map_or(f64::INFINITY, |at| at - reach.closing_before_s - BEFORE_CLOSING_S);
    let limit = limit.min(last + LONGEST_TAIL_S).min(file_end);
    if limit <= last {
        return limit;
    }
    match (take.file_time_s(last), take.file_time_s(limit)) {
        (Some(from), Some(upto)) => {
            let rung_out = ring_out_s(take.playing, from, upto);
            piece_time_s(take, rung_out).unwrap_or(last).min(limit)
        }
        _ => last,
    }
}

/// File time at which the sound after `from` has rung out, or something new begins.
fn ring_out_s(playing: &Playing, from: f64, upto: f64) -> f64 {
    let hop = |s: f64| ((s / playing.hop_s) as usize).min(playing.level_db.len());
    let smooth = (0.05 / playing.hop_s).max(1.0) as usize;
    let level = |at: usize| -> f32 {
        let upto = (at + smooth).min(playing.level_db.len());
        let levels = &playing.level_db[at.min(upto)..upto];
        levels.iter().sum::<f32>() / levels.len().max(1) as f32
    };
    let mut sorted: Vec<f32> = playing.level_db.clone();
    sorted.sort_by(f32::total_cmp);
    let quietest = sorted.get(sorted.len() / 50).copied().unwrap_or(-120.0);
    let loudest = sorted.last().copied().unwrap_or(-120.0);
    let silence = (quietest + NEAR_FLOOR_DB).max(loudest - RUNG_OUT_DB);
    let (mut least, mut least_at) = (f32::INFINITY, hop(from));
    for at in (hop(from)..hop(upto)).step_by(smooth) {
        let now = level(at);
        if now < silence {
            return ((at + 2 * smooth) as f64 * playing.hop_s).min(upto);
        }
        if now > least + SOMETHING_NEW_DB {
            return ((least_at + smooth) as f64 * playing.hop_s).min(upto);
        }
        if now < least {
            (least, least_at) = (now, at);
        }
    }
    upto
}

fn piece_time_s(take: &Take<'_>, file_s: f64) -> Option<f64> {
    let fit = take.fit?;
    Some((file_s - fit.bar1_beat1_s) / (1.0 + fit.ratio_ppm * 1e-6))
}

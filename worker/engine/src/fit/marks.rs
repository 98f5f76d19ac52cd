//! Which of the marks heard to go by.

use super::{Grid, Heard, Prior};
use crate::locate::Arrival;

/// A mark to go by, with the stretch of file that may belong to it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Opening<'a> {
    pub(super) arrival: &'a Arrival,
    /// Where the mark lies in the piece.
    pub(super) piece_s: f64,
    /// Whether it is the closing mark, for want of an opening one.
    pub(super) is_closing: bool,
    /// Where the next opening mark begins, or the end of the file.
    pub(super) until_s: f64,
}

/// Marks nearer to one another than this are one and its echo.
const ECHO_S: f64 = 0.5;
/// A mark so soon after another, or after its repetition, is what a delay effect repeats; nobody
/// begins anew so soon (common practice, no source).
const REPEATED_S: f64 = 2.0;

/// The opening marks that are believed, in order of time; where there is none, the closing mark.
pub(super) fn openings<'a>(grid: &Grid, heard: &Heard<'a>, prior: &Prior) -> Vec<Opening<'a>> {
    let opening = grid.opening_mark_s.map(|piece_s| (piece_s, believed(heard.opening, prior)));
    if let Some((piece_s, arrivals)) = opening.filter(|(_, arrivals)| !arrivals.is_empty()) {
        let ends = arrivals.iter().skip(1).map(|next| next.at_s - 0.3);
        let ends: Vec<f64> = ends.chain([heard.playing.duration_s]).collect();
        let one = |(arrival, until_s)| Opening { arrival, piece_s, is_closing: false, until_s };
        return arrivals.into_iter().zip(ends).map(one).collect();
    }
    let Some(piece_s) = grid.closing_mark_s else { return Vec::new() };
    let surest =
        believed(heard.closing, prior).into_iter().max_by(|a, b| a.score.total_cmp(&b.score));
    let one = |arrival: &'a Arrival| {
        let until_s = arrival.at_s - BEFORE_CLOSING_S;
        Opening { arrival, piece_s, is_closing: true, until_s }
    };
    surest.map(one).into_iter().collect()
}

/// What sounds so little before a closing mark's middle may be the mark itself.
const BEFORE_CLOSING_S: f64 = 0.5;

/// Arrivals sure enough to go by, without echoes and repetitions, in order of time.
fn believed<'a>(arrivals: &'a [Arrival], prior: &Prior) -> Vec<&'a Arrival> {
    let sure =
        |arrival: &&Arrival| arrival.score >= prior.least_mark_score && arrival.at_s.is_finite();
    let mut sure: Vec<&Arrival> = arrivals.iter().filter(sure).collect();
    sure.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let together = sure.chunk_by(|a, b| b.at_s - a.at_s < REPEATED_S);
    let best_of_first = |heard: &[&'a Arrival]| {
        let begins_s = heard.first()?.at_s;
        let first = heard.iter().filter(|arrival| arrival.at_s - begins_s < ECHO_S);
        first.max_by(|a, b| a.score.total_cmp(&b.score)).copied()
    };
    together.filter_map(best_of_first).collect()
}

/// Ratio by the distance of two marks.
#[derive(Debug, Clone, Copy)]
pub(super) struct Pair<'a> {
    pub(super) closing: &'a Arrival,
    pub(super) ratio: f64,
    pub(super) ratio_sd: f64,
}

/// The closing mark that goes with an opening one: the most certain at a possible distance.
pub(super) fn pair<'a>(
    grid: &Grid,
    heard: &Heard<'a>,
    opening: &Opening<'_>,
    prior: &Prior,
) -> Option<Pair<'a>> {
    let apart_s = grid.closing_mark_s? - opening.piece_s;
    if opening.is_closing || apart_s < 1.0 {
        return None;
    }
    let opening = opening.arrival;
    let possible = believed(heard.closing, prior).into_iter().filter(|closing| {
        let ratio = (closing.at_s - opening.at_s) / apart_s - 1.0;
        ratio.abs() * 1e6 <= prior.most_ratio_ppm
    });
    possible.max_by(|a, b| a.score.total_cmp(&b.score)).map(|closing| Pair {
        closing,
        ratio: ratio_between(opening, closing, apart_s),
        ratio_sd: opening.sd_s.hypot(closing.sd_s) / apart_s,
    })
}

/// The ratio at which two marks lie as far apart as they do, where a half mark's own place
/// depends on the ratio: (c + r·pc) − (o + r·po) = apart·(1 + r).
fn ratio_between(opening: &Arrival, closing: &Arrival, apart_s: f64) -> f64 {
    let moved_s = closing.per_ratio_s - opening.per_ratio_s;
    (closing.at_s - opening.at_s - apart_s) / (apart_s - moved_s)
}

//! Which of the marks heard to go by.

use super::{Grid, Heard, Prior};
use crate::locate::Arrival;

/// An opening mark, with the stretch of file that may belong to it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Opening<'a> {
    pub(super) arrival: &'a Arrival,
    /// Where the next opening mark begins, or the end of the file.
    pub(super) until_s: f64,
}

/// Opening marks nearer to one another than this are one and its echo.
const ECHO_S: f64 = 0.5;

/// The opening marks that are believed, in order of time.
pub(super) fn openings<'a>(grid: &Grid, heard: &Heard<'a>, prior: &Prior) -> Vec<Opening<'a>> {
    if grid.opening_mark_s.is_none() {
        return Vec::new();
    }
    let mut believed: Vec<&Arrival> = Vec::new();
    for arrival in heard.opening {
        let echo = believed.iter().any(|other| (other.at_s - arrival.at_s).abs() < ECHO_S);
        if arrival.score >= prior.least_mark_score && arrival.at_s.is_finite() && !echo {
            believed.push(arrival);
        }
    }
    believed.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let ends = believed.iter().skip(1).map(|next| next.at_s - 0.3);
    let ends: Vec<f64> = ends.chain([heard.playing.duration_s]).collect();
    believed.into_iter().zip(ends).map(|(arrival, until_s)| Opening { arrival, until_s }).collect()
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
    opening: &Arrival,
    prior: &Prior,
) -> Option<Pair<'a>> {
    let apart_s = grid.closing_mark_s? - grid.opening_mark_s?;
    if apart_s < 1.0 {
        return None;
    }
    let possible = heard.closing.iter().filter(|closing| {
        let ratio = (closing.at_s - opening.at_s) / apart_s - 1.0;
        closing.score >= prior.least_mark_score && ratio.abs() * 1e6 <= prior.most_ratio_ppm
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

//! What is believed of ratio and lag beforehand, and how it is joined with what was measured.

use super::Prior;
use super::line::Laid;
use super::marks::Pair;
use crate::locate::Arrival;

/// Share of takes whose ratio is that of two clocks; the others have a tempo set wrong.
const CLOCKED: f64 = 0.75;
/// Share of recordings that do not run at one speed, as phones film them: the mark tells the speed
/// of its own moment (common practice, no source).
const CHANGING: f64 = 0.01;
/// Two marks and the stretch between them run at one speed unless a mark's skew differs by so many
/// standard uncertainties and so much. Of 247 marks through rooms, phones and codecs the furthest
/// was read 75 ppm off.
const APART: f64 = 4.0;
const LEAST_CHANGE: f64 = 170e-6;
/// A mark's own skew is never trusted closer than this: rooms and codecs bend it. With it the 95 %
/// intervals held 245 of those 247.
const SKEW_FLOOR: f64 = 15e-6;
/// Shares of players near the ensemble's lag, behind by a wireless link, and anywhere.
const NEAR: f64 = 0.87;
const WIRELESS: f64 = 0.12;
const WIRELESS_S: (f64, f64) = (0.07, 0.34);
/// Lags searched with a mark.
pub(super) const LAGS_S: (f64, f64) = (-0.30, 0.45);

pub(super) fn log_normal(x: f64, sd: f64) -> f64 {
    -0.5 * (x / sd).powi(2) - (sd * std::f64::consts::TAU.sqrt()).ln()
}

/// Log density of a ratio: two clocks, or a tempo set a little wrong.
pub(super) fn log_ratio(ratio: f64, prior: &Prior) -> f64 {
    let clock = CLOCKED * log_normal(ratio, prior.clock_sd_ppm * 1e-6).exp();
    let wide = (1.0 - CLOCKED) / (2.0 * prior.most_ratio_ppm * 1e-6);
    (clock + wide).ln()
}

/// Log likelihood of the mark's measured skew at a ratio; the playing may follow another clock.
pub(super) fn log_skew(ratio: f64, mark: Option<&Arrival>) -> f64 {
    match skew(mark) {
        Some((value, sd)) => {
            let off = (ratio - value) / sd;
            (0.9 * (-0.5 * off * off).exp() + 0.1 * (-(off.abs() / 30.0)).exp()).ln()
        }
        None => 0.0,
    }
}

/// A mark's skew and its uncertainty as ratios.
pub(super) fn skew(mark: Option<&Arrival>) -> Option<(f64, f64)> {
    let mark = mark?;
    let (value, sd) = (mark.skew_ppm? * 1e-6, mark.skew_sd_ppm? * 1e-6);
    (value.is_finite() && sd.is_finite() && sd > 0.0).then(|| (value, sd.hypot(SKEW_FLOOR)))
}

/// Log density of a lag by a mark.
pub(super) fn log_lag(lag_s: f64, prior: &Prior) -> f64 {
    let near = NEAR
        * log_normal(lag_s - prior.ensemble_lag_ms * 1e-3, prior.ensemble_lag_sd_ms * 1e-3).exp();
    let wireless = if lag_s > WIRELESS_S.0 && lag_s < WIRELESS_S.1 {
        WIRELESS / (WIRELESS_S.1 - WIRELESS_S.0)
    } else {
        0.0
    };
    let anywhere = (1.0 - NEAR - WIRELESS) / (LAGS_S.1 - LAGS_S.0);
    (near + wireless + anywhere).ln()
}

/// What may be so of a take's ratio: the belief given the mark's skew, and how well skew and
/// playing speak for it.
struct Belief {
    mean: f64,
    variance: f64,
    weight: f64,
    /// Whether by it the recording runs at another speed where the mark is.
    changes: bool,
}

/// Two clocks alone; a recording that runs at another speed as a whole, so that the mark shows
/// it; a tempo set wrong, so that the mark shows the clocks only; a recording whose speed changes,
/// so that the mark shows its own moment.
fn beliefs(laid: &Laid, prior: &Prior, mark: Option<&Arrival>) -> Vec<Belief> {
    let clock = prior.clock_sd_ppm * 1e-6;
    let played = laid.covariance[2];
    let wide = 1.0 / (2.0 * prior.most_ratio_ppm * 1e-6);
    let plain = Belief { mean: 0.0, variance: clock * clock, weight: 0.0, changes: false };
    // A belief so wide that the playing alone decides.
    let open = Belief { mean: laid.ratio, variance: f64::INFINITY, ..plain };
    let fits =
        |mean: f64, variance: f64| log_normal(laid.ratio - mean, (played + variance).sqrt()).exp();
    // Where no mark tells of the whole.
    let without_mark = |share: f64, changes: bool| {
        [
            Belief { weight: share * CLOCKED * fits(0.0, clock * clock), changes, ..plain },
            Belief { weight: share * (1.0 - CLOCKED) * wide, changes, ..open },
        ]
    };
    let Some((skew, sd)) = skew(mark) else { return without_mark(1.0, false).into() };
    let by_clock = log_normal(skew, clock.hypot(sd)).exp();
    let (a, b) = (1.0 / (sd * sd), 1.0 / (clock * clock));
    let both = (skew * a / (a + b), 1.0 / (a + b));
    let other = 0.5 * (1.0 - CLOCKED) * wide;
    let mut beliefs = vec![
        Belief {
            mean: both.0,
            variance: both.1,
            weight: CLOCKED * by_clock * fits(both.0, both.1),
            ..plain
        },
        Belief { mean: skew, variance: sd * sd, weight: other * fits(skew, sd * sd), ..plain },
        Belief { weight: other * by_clock, ..open },
    ];
    beliefs.extend(without_mark(CHANGING * wide, true));
    beliefs
}

/// Joins the measured ratio with the belief about clocks and the mark's skew, as the mean and
/// spread of the mixture; the lag follows by its covariance. Gives how likely it is that the
/// recording runs at another speed where the mark is.
pub(super) fn join(laid: &mut Laid, prior: &Prior, mark: Option<&Arrival>) -> f64 {
    let variance = laid.covariance[2];
    if variance <= 0.0 {
        return 0.0;
    }
    let beliefs = beliefs(laid, prior, mark);
    let total: f64 = beliefs.iter().map(|belief| belief.weight).sum();
    if total <= 0.0 || !total.is_finite() {
        return 0.0;
    }
    let changing = beliefs.iter().filter(|belief| belief.changes).map(|belief| belief.weight);
    let changing = changing.sum::<f64>() / total;
    // Step and variance of each part, once the playing is joined to it.
    let parts: Vec<(f64, f64, f64)> = beliefs
        .iter()
        .map(|belief| {
            let gain = if belief.variance.is_finite() {
                variance / (variance + belief.variance)
            } else {
                0.0
            };
            let step = gain * (belief.mean - laid.ratio);
            (belief.weight / total, step, variance * (1.0 - gain))
        })
        .collect();
    let mean_step: f64 = parts.iter().map(|(odds, step, _)| odds * step).sum();
    let joined: f64 =
        parts.iter().map(|(odds, step, shrunk)| odds * (shrunk + (step - mean_step).powi(2))).sum();
    let slope = laid.covariance[1] / variance;
    laid.ratio += mean_step;
    laid.lag_s += slope * mean_step;
    laid.covariance[0] += slope * slope * (joined - variance);
    laid.covariance[1] = slope * joined;
    laid.covariance[2] = joined;
    changing
}

/// By how much one of two marks runs slower than the stretch between them, where that is beyond
/// doubt.
pub(super) fn change_beside(mark: &Arrival, pair: &Pair<'_>) -> Option<f64> {
    let change = |mark: &Arrival| {
        let (skew, sd) = skew(Some(mark))?;
        let change = skew - pair.ratio;
        (change.abs() > (APART * sd).max(LEAST_CHANGE)).then_some(change)
    };
    let changes = [mark, pair.closing].into_iter().filter_map(change);
    changes.max_by(|a, b| a.abs().total_cmp(&b.abs()))
}

/// The lag once the ratio is known from elsewhere.
pub(super) fn fix_ratio(laid: &mut Laid, ratio: f64, ratio_sd: f64) {
    let variance = laid.covariance[2];
    if variance <= 0.0 {
        return;
    }
    let slope = laid.covariance[1] / variance;
    laid.lag_s += slope * (ratio - laid.ratio);
    laid.ratio = ratio;
    laid.covariance[0] += slope * slope * (ratio_sd * ratio_sd - variance);
    laid.covariance[1] = slope * ratio_sd * ratio_sd;
    laid.covariance[2] = ratio_sd * ratio_sd;
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::locate::{HeardIn, Part};

    /// A mark that runs so much slower than nominal.
    fn mark(at_s: f64, skew_ppm: f64) -> Arrival {
        Arrival {
            at_s,
            sd_s: 1e-6,
            score: 0.9,
            skew_ppm: Some(skew_ppm),
            skew_sd_ppm: Some(12.0),
            per_ratio_s: 0.0,
            snr_db: 40.0,
            part: Part::Whole,
            heard_in: HeardIn::Channel(0),
            inverted: false,
            likeness: 0.9,
            echo_s: 0.0,
        }
    }

    /// The ratio that playing and mark come to together, in ppm, and how likely a change is.
    fn joined(played_ppm: f64, sd_ppm: f64, skew_ppm: f64) -> (f64, f64) {
        let mut laid = Laid {
            ratio: played_ppm * 1e-6,
            lag_s: 0.0,
            covariance: [1e-5, 0.0, (sd_ppm * 1e-6).powi(2)],
            spread_s: 0.02,
            strokes: Vec::new(),
            rhythm: Vec::new(),
        };
        let changing = join(&mut laid, &Prior::default(), Some(&mark(2.0, skew_ppm)));
        (laid.ratio * 1e6, changing)
    }

    #[test]
    fn a_mark_that_runs_at_another_speed_than_the_playing_is_not_followed() {
        let (ratio_ppm, changing) = joined(-50.0, 180.0, 640.0);
        assert!(ratio_ppm.abs() < 60.0 && changing > 0.9, "{ratio_ppm} ppm, {changing}");
    }

    #[test]
    fn a_recording_that_runs_at_another_speed_as_a_whole_does_not_change() {
        for played_ppm in [640.0, 480.0] {
            let (ratio_ppm, changing) = joined(played_ppm, 180.0, 640.0);
            assert!((ratio_ppm - 640.0).abs() < 40.0 && changing < 0.1, "{ratio_ppm}, {changing}");
        }
        // A tempo set wrong: the mark shows the clocks alone.
        let (ratio_ppm, changing) = joined(-3_800.0, 40.0, 20.0);
        assert!((ratio_ppm + 3_800.0).abs() < 40.0 && changing < 0.01, "{ratio_ppm}, {changing}");
    }

    #[test]
    fn a_mark_beside_a_stretch_of_another_speed_is_told() {
        let closing = mark(150.0, 610.0);
        let pair = |ratio: f64| Pair { closing: &closing, ratio, ratio_sd: 1e-8 };
        assert_eq!(change_beside(&mark(2.0, 590.0), &pair(600e-6)), None);
        let change = change_beside(&mark(2.0, -630.0), &pair(-10e-6));
        assert!(change.is_some_and(|change| (change.abs() - 620e-6).abs() < 1e-9), "{change:?}");
    }
}

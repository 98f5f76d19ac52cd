//! What is believed of ratio and lag beforehand, and how it is joined with what was measured.

use super::Prior;
use super::line::Laid;
use crate::locate::Arrival;

/// Share of takes whose ratio is that of two clocks; the others have a tempo set wrong.
const CLOCKED: f64 = 0.75;
/// A mark's own skew is never trusted closer than this: rooms and codecs bend it.
const SKEW_FLOOR: f64 = 40e-6;
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
}

/// Two clocks alone; a recording that runs at another speed as a whole, so that the mark shows
/// it; a tempo set wrong, so that the mark shows the clocks only.
fn beliefs(laid: &Laid, prior: &Prior, mark: Option<&Arrival>) -> Vec<Belief> {
    let clock = prior.clock_sd_ppm * 1e-6;
    let played = laid.covariance[2];
    let wide = 1.0 / (2.0 * prior.most_ratio_ppm * 1e-6);
    // A belief so wide that the playing alone decides.
    let open = Belief { mean: laid.ratio, variance: f64::INFINITY, weight: 0.0 };
    let fits =
        |mean: f64, variance: f64| log_normal(laid.ratio - mean, (played + variance).sqrt()).exp();
    let Some((skew, sd)) = skew(mark) else {
        let clocked = CLOCKED * fits(0.0, clock * clock);
        return vec![
            Belief { mean: 0.0, variance: clock * clock, weight: clocked },
            Belief { weight: (1.0 - CLOCKED) * wide, ..open },
        ];
    };
    let by_clock = log_normal(skew, clock.hypot(sd)).exp();
    let (a, b) = (1.0 / (sd * sd), 1.0 / (clock * clock));
    let both = (skew * a / (a + b), 1.0 / (a + b));
    let other = 0.5 * (1.0 - CLOCKED) * wide;
    vec![
        Belief {
            mean: both.0,
            variance: both.1,
            weight: CLOCKED * by_clock * fits(both.0, both.1),
        },
        Belief { mean: skew, variance: sd * sd, weight: other * fits(skew, sd * sd) },
        Belief { weight: other * by_clock, ..open },
    ]
}

/// Joins the measured ratio with the belief about clocks and the mark's skew, as the mean and
/// spread of the mixture; the lag follows by its covariance.
pub(super) fn join(laid: &mut Laid, prior: &Prior, mark: Option<&Arrival>) {
    let variance = laid.covariance[2];
    if variance <= 0.0 {
        return;
    }
    let beliefs = beliefs(laid, prior, mark);
    let total: f64 = beliefs.iter().map(|belief| belief.weight).sum();
    if total <= 0.0 || !total.is_finite() {
        return;
    }
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

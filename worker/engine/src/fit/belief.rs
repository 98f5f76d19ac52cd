//! What is believed of ratio and lag beforehand, and how it is joined with what was measured.

use super::Prior;
use super::line::Laid;
use crate::locate::Arrival;

/// Share of takes whose ratio is that of two clocks; the others have a tempo set wrong.
const CLOCKED: f64 = 0.75;
/// A mark's own skew is never trusted closer than this: rooms and codecs bend it.
const SKEW_FLOOR: f64 = 40e-6;
/// Shares of players near the ensemble's lag, behind by a wireless link, and anywhere.
const NEAR: f64 = 0.90;
const WIRELESS: f64 = 0.09;
const WIRELESS_S: (f64, f64) = (0.06, 0.38);
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

/// Joins the measured ratio with the belief about clocks and the mark's skew; the lag follows
/// by its covariance.
pub(super) fn join(laid: &mut Laid, prior: &Prior, mark: Option<&Arrival>) {
    let variance = laid.covariance[2];
    if variance <= 0.0 {
        return;
    }
    let clock = skew(mark).map_or((0.0, prior.clock_sd_ppm * 1e-6), |(value, sd)| {
        // The clock's own belief sharpens a weak skew.
        let (a, b) = (1.0 / (sd * sd), 1.0 / (prior.clock_sd_ppm * 1e-6).powi(2));
        (value * a / (a + b), (1.0 / (a + b)).sqrt())
    });
    let wide = 1.0 / (2.0 * prior.most_ratio_ppm * 1e-6);
    let fits = log_normal(laid.ratio - clock.0, variance.sqrt().hypot(clock.1)).exp();
    let odds = CLOCKED * fits / (CLOCKED * fits + (1.0 - CLOCKED) * wide);
    let gain = variance / (variance + clock.1 * clock.1);
    let step = gain * (clock.0 - laid.ratio);
    let shrunk = variance * (1.0 - gain);
    let mean_step = odds * step;
    let joined = odds * (shrunk + (step - mean_step).powi(2))
        + (1.0 - odds) * (variance + mean_step.powi(2));
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

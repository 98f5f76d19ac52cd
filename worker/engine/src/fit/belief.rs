//! What is believed of ratio and lag beforehand, and how it is joined with what was measured.

use super::Prior;
use super::line::Laid;
use super::marks::Pair;
use crate::locate::Arrival;

/// Share of takes whose ratio is that of two clocks; the others run at another speed or have a
/// tempo set wrong.
const CLOCKED: f64 = 0.75;
/// Share of those with a tempo set wrong among takes whose mark runs as two clocks do (common
/// practice, no source: nearly everybody plays to the guide as it sounds).
const TEMPO_SET: f64 = 0.03;
/// Share of recordings that do not run at one speed, as phones film them: the mark tells the speed
/// of its own moment (common practice, no source).
const CHANGING: f64 = 0.02;
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

/// What may be so of a take's ratio, and how likely that is.
#[derive(Clone, Copy)]
struct Belief {
    mean: f64,
    /// `None` where every ratio is as likely as any other.
    variance: Option<f64>,
    share: f64,
    /// Density of a ratio where every one is as likely.
    wide: f64,
    /// Whether by it the recording runs at another speed where the mark is.
    changes: bool,
}

impl Belief {
    /// Density of a ratio that was measured with a variance, times the belief's share.
    fn density(&self, ratio: f64, measured: f64) -> f64 {
        let density = |variance: f64| log_normal(ratio - self.mean, (variance + measured).sqrt());
        self.share * self.variance.map_or(self.wide, |variance| density(variance).exp())
    }
}

/// What is believed of a take's ratio before it is played.
pub(super) struct Ratios(Vec<Belief>);

impl Ratios {
    /// Two clocks alone; a recording that runs at another speed as a whole, so that the mark shows
    /// it; a tempo set wrong, so that the mark shows the clocks only; a recording whose speed
    /// changes, so that the mark shows its own moment. The shares sum to 1.
    pub(super) fn new(prior: &Prior, mark: Option<&Arrival>) -> Self {
        let clock = prior.clock_sd_ppm * 1e-6;
        let wide = 1.0 / (2.0 * prior.most_ratio_ppm * 1e-6);
        let about = |mean: f64, sd: f64, share: f64| Belief {
            mean,
            variance: Some(sd * sd),
            share,
            wide,
            changes: false,
        };
        let any = |share: f64| Belief { variance: None, ..about(0.0, clock, share) };
        // What is believed where no mark tells of the whole.
        let unmarked =
            |share: f64| [about(0.0, clock, share * CLOCKED), any(share * (1.0 - CLOCKED))];
        let Some((skew, sd)) = skew(mark) else { return Self(unmarked(1.0).into()) };
        let by_clock = log_normal(skew, clock.hypot(sd)).exp();
        let (a, b) = (1.0 / (sd * sd), 1.0 / (clock * clock));
        let mut beliefs = vec![
            about(skew * a / (a + b), (a + b).sqrt().recip(), CLOCKED * by_clock),
            about(skew, sd, (1.0 - CLOCKED - TEMPO_SET) * wide),
            any(TEMPO_SET * by_clock),
        ];
        let changing = unmarked(CHANGING * wide);
        beliefs.extend(changing.map(|belief| Belief { changes: true, ..belief }));
        let total: f64 = beliefs.iter().map(|belief| belief.share).sum();
        beliefs.iter_mut().for_each(|belief| belief.share /= total);
        Self(beliefs)
    }

    /// Log density of a ratio.
    pub(super) fn log_density(&self, ratio: f64) -> f64 {
        self.0.iter().map(|belief| belief.density(ratio, 0.0)).sum::<f64>().ln()
    }

    /// The greatest log density of all ratios.
    pub(super) fn most(&self) -> f64 {
        let densities = self.0.iter().map(|belief| self.log_density(belief.mean));
        densities.fold(f64::MIN, f64::max)
    }
}

/// Joins the measured ratio with the belief about clocks and the mark's skew, as the mean and
/// spread of the mixture; the lag follows by its covariance. Gives how likely it is that the
/// recording runs at another speed where the mark is.
pub(super) fn join(laid: &mut Laid, prior: &Prior, mark: Option<&Arrival>) -> f64 {
    let variance = laid.covariance[2];
    if variance <= 0.0 {
        return 0.0;
    }
    let Ratios(beliefs) = Ratios::new(prior, mark);
    let odds: Vec<f64> =
        beliefs.iter().map(|belief| belief.density(laid.ratio, variance)).collect();
    let total: f64 = odds.iter().sum();
    if total <= 0.0 || !total.is_finite() {
        return 0.0;
    }
    let rated = beliefs.iter().zip(odds).map(|(belief, odds)| (belief, odds / total));
    let changing = rated.clone().filter(|(belief, _)| belief.changes).map(|(_, odds)| odds).sum();
    // Step and variance of each part, once the playing is joined to it.
    let parts: Vec<(f64, f64, f64)> = rated
        .map(|(belief, odds)| {
            let gain = belief.variance.map_or(0.0, |believed| variance / (variance + believed));
            (odds, gain * (belief.mean - laid.ratio), variance * (1.0 - gain))
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

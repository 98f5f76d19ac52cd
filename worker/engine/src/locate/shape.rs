//! Reads the shape of a correlation: which peak to take, and how exact it is.

use crate::math::robust::median;
use crate::math::spectrum::Band;
use ripieno_transform::{Complex, double};
use std::f64::consts::{LN_2, TAU};

type C = Complex<f64>;

/// The peak taken for the mark.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pulse {
    pub(crate) at_s: f64,
    pub(crate) sd_s: f64,
    /// 2E/N₀.
    pub(crate) snr: f64,
    pub(crate) inverted: bool,
    /// How far behind it the strongest arrival lies.
    pub(crate) echo_s: f64,
}

/// An arrival is taken before the strongest if it has this share of its amplitude: −9 dB. The
/// side lobes of the whitened pulse lie below −20 dB.
const EARLIEST_SHARE: f64 = 0.35;
/// How far before the strongest arrival an earlier one is looked for: ten metres of detour.
pub(crate) const EARLIEST_S: f64 = 0.03;
/// Noise gives more than this many times its mean power once in 160 000 times.
const NOISE_MULTIPLE: f64 = 12.0;
/// How far the side lobes of the pulse matter.
pub(crate) const LOBES_S: f64 = 0.001;
/// Where the noise is measured, before the peak.
const NOISE_S: (f64, f64) = (0.14, 0.02);
/// How far around the rough place the strongest arrival is looked for.
const SEARCH_S: f64 = 0.008;
/// Samples of the windows whose cross-correlation gives the skew.
pub(crate) const CROSS: usize = 512;

/// Smallest size ≥ `length` that the transform does fast: 2ⁿ or 3·2ⁿ.
pub(crate) fn fast_size(length: usize) -> usize {
    let two = length.next_power_of_two();
    if two / 4 * 3 >= length { two / 4 * 3 } else { two }
}

/// Mean over `2·reach + 1` neighbours, fewer at the ends.
pub(crate) fn box_mean(values: &[f64], reach: usize) -> Vec<f64> {
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    for value in values {
        sums.push(sums[sums.len() - 1] + value);
    }
    let mean = |i: usize| {
        let (from, to) = (i.saturating_sub(reach), (i + reach + 1).min(values.len()));
        (sums[to] - sums[from]).max(0.0) / (to - from) as f64
    };
    (0..values.len()).map(mean).collect()
}

/// Cross-spectrum of two windows of low-rate signals: its signal at `t` is their correlation with
/// the second one `t` later.
pub(crate) fn cross_spectrum(windows: &[Vec<C>; 2], step_s: f64) -> Band {
    let size = 2 * CROSS;
    let forward = double::forward(size);
    let spectrum = |window: &Vec<C>| {
        let mut bins = vec![C::default(); size];
        for (i, (bin, value)) in bins.iter_mut().zip(window).enumerate() {
            // A raised cosine keeps the ends, which are noise, from counting.
            let gain = 0.5 - 0.5 * (TAU * (i as f64 + 0.5) / CROSS as f64).cos();
            *bin = value * gain;
        }
        forward.process(&mut bins);
        bins
    };
    let (a, b) = (spectrum(&windows[0]), spectrum(&windows[1]));
    let bin_hz = 1.0 / (size as f64 * step_s);
    let bins = (0..size).map(|i| a[i].conj() * b[i]).collect();
    Band { first_bin: 0, bin_hz, bins }
}

/// What the comparison of two sweeps says of the skew.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Skew {
    /// Logarithm of how much slower than nominal.
    pub(crate) value: f64,
    /// Half width of the peak that its curvature gives.
    pub(crate) width: f64,
    /// Noise over signal of one sweep, from how far the two sweeps differ.
    pub(crate) noise: f64,
    /// No other skew fits nearly as well.
    pub(crate) plain: bool,
}

/// Nearly every clock lies within this: among fits of like height the nearer one is right.
const CLOCK: f64 = 4e-4;
/// A fit further out must be this much better; one that is not this much better than any other
/// place is in doubt.
const BETTER: f64 = 1.25;
/// Fits closer than this are the same.
const SAME_FIT: f64 = 7e-4;
/// Step of the search, a fortieth of the turn that brings both sweeps' phases back together.
const STEP: f64 = 4e-5;

/// The skew at which `score` is highest over ±`limit`.
pub(crate) fn skew_peak(score: impl Fn(f64) -> f64, cross: &Band, limit: f64) -> Skew {
    let count = (limit / STEP).ceil() as i64;
    let grid: Vec<(f64, f64)> =
        (-count..=count).map(|i| i as f64 * STEP).map(|at| (at, score(at))).collect();
    let top = |fits: &dyn Fn(f64) -> bool| {
        let inside = grid.iter().filter(|(at, _)| fits(*at));
        inside.copied().max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0.0, 0.0))
    };
    let (near, any) = (top(&|at: f64| at.abs() <= CLOCK), top(&|_| true));
    let further = any.1 > BETTER * near.1 || (any.0 - near.0).abs() < SAME_FIT;
    let (mut best, mut height) = if further { any } else { near };
    let rival = top(&|at: f64| (at - best).abs() > SAME_FIT);
    let plain = height > BETTER * rival.1;
    let mut step = STEP;
    for _ in 0..20 {
        let (before, after) = (score(best - step), score(best + step));
        let bend = before - 2.0 * height + after;
        let shift = if bend < 0.0 { 0.5 * (before - after) / bend } else { 0.0 };
        best += shift.clamp(-1.0, 1.0) * step;
        height = score(best);
        step *= 0.5;
    }
    let h = 2e-5;
    let bend = (score(best - h) - 2.0 * height + score(best + h)) / (h * h);
    // If both windows told the same story every bin would point the same way; what the height
    // lacks of the sum of their sizes is noise, spread over the window's free samples.
    let most: f64 = cross.bins.iter().map(|bin| bin.norm()).sum();
    let alike = (height / most.max(1e-300)).clamp(1e-6, 1.0);
    Skew {
        value: best,
        width: (height / -bend.min(-1e-300)).abs().sqrt(),
        noise: (1.0 - alike) / (alike * FREE_SAMPLES),
        plain,
    }
}

/// Free samples of a window of [`CROSS`] under a raised cosine: 3/8 of them, in half the band.
const FREE_SAMPLES: f64 = CROSS as f64 * 0.375 * 0.5;

/// What a mark's correlation with itself looks like where that is no single pulse: that of a bell
/// swings for as long as the bell rings.
#[derive(Clone, Debug)]
pub(crate) struct Lobes {
    /// Height over the peak's, at each step of the signal before it.
    pub(crate) before: Vec<f64>,
    /// The highest of them that is no part of the peak itself.
    pub(crate) highest: f64,
    /// How long before the peak nothing of the mark is left.
    pub(crate) ends_s: f64,
}

/// Height above a mark's own lobe from which a peak is an arrival.
const ABOVE_LOBE: f64 = 1.4;
/// A place that is no surer than this is none; a larger figure would tell no more.
const LEAST_SURE_S: f64 = 1.0;
/// Lobes up to this height leave an earlier arrival to be seen.
const MOST_LOBE: f64 = 0.2;
/// The place by the envelope must be sure within this share of the carrier's period before the
/// carrier is read: else one of its other crests may be the true one.
const SURE_OF_CREST: f64 = 0.1;

/// Finds the earliest strong peak of the signal near `rough_s`. `lobes` is for marks that are no
/// sweeps.
pub(crate) fn measure(
    band: &Band,
    signal: &[C],
    slope: &[C],
    step_s: f64,
    rough_s: f64,
    lobes: Option<&Lobes>,
) -> Option<Pulse> {
    let length = signal.len() as i64;
    let power = |i: i64| signal[i.rem_euclid(length) as usize].norm_sqr();
    let index = |s: f64| (s / step_s).round() as i64;
    let strongest = (index(rough_s - SEARCH_S)..=index(rough_s + SEARCH_S))
        .max_by(|a, b| power(*a).total_cmp(&power(*b)))?;
    let behind = |s: f64| strongest - index(s);
    let ends_s = lobes.map_or(0.0, |lobes| lobes.ends_s);
    let noise_span = behind(ends_s + NOISE_S.0)..behind(ends_s + NOISE_S.1);
    let mut quiet: Vec<f64> = noise_span.clone().map(power).collect();
    let noise = median(&mut quiet) / LN_2;
    let taken = earliest(&power, index, strongest, noise, lobes);
    let at_s = climb(band, taken as f64 * step_s, step_s);
    let echo_s = (strongest - taken) as f64 * step_s;
    let [value, first, second] = band.jet_at(at_s);
    let size = value.norm();
    let snr = 2.0 * value.norm_sqr() / noise.max(1e-300);
    let carrier = (value.conj() * first).im / value.norm_sqr();
    let noise_of = |carrier: f64| {
        let mut powers: Vec<f64> = noise_span
            .clone()
            .map(|i| {
                let i = i.rem_euclid(length) as usize;
                (slope[i] - C::new(0.0, carrier) * signal[i]).norm_sqr()
            })
            .collect();
        0.5 * median(&mut powers) / LN_2
    };
    let bend = -((value.conj() * second).re + first.norm_sqr()) / size;
    let envelope_sd_s = (noise_of(carrier).sqrt() / bend.max(1e-300)).min(LEAST_SURE_S);
    // With the channel's phase at 0 or π the carrier itself can be read: √3 times as exact.
    let phase = (value.im / size).asin();
    let inverted = value.re < 0.0;
    let one_crest = lobes.is_none() || envelope_sd_s * carrier.abs() < SURE_OF_CREST * TAU;
    let sure = phase.abs() < (2.5 / snr.max(1.0).sqrt()).max(0.15) && one_crest;
    let (at_s, noise_sd_s) = if sure {
        let at_s = crest(band, at_s, if inverted { -1.0 } else { 1.0 });
        let bend = band.jet_at(at_s)[2].re.abs();
        (at_s, noise_of(0.0).sqrt() / bend.max(1e-300))
    } else {
        (at_s, envelope_sd_s)
    };
    let floor_s = (SMEAR_SHARE * smear_s(signal, step_s, at_s)).min(MOST_SMEAR_S);
    Some(Pulse { at_s, sd_s: noise_sd_s.hypot(floor_s), snr, inverted, echo_s })
}

/// The earliest arrival before the strongest one that is neither noise nor one of the mark's own
/// lobes, or the strongest. `index` gives the steps of a time.
fn earliest(
    power: &impl Fn(i64) -> f64,
    index: impl Fn(f64) -> i64,
    strongest: i64,
    noise: f64,
    lobes: Option<&Lobes>,
) -> i64 {
    // Where the mark answers to itself nearly as well a little earlier, an earlier arrival can't be
    // told from that.
    if lobes.is_some_and(|lobes| lobes.highest > MOST_LOBE) {
        return strongest;
    }
    let strength = power(strongest).sqrt();
    let least = |i: i64| {
        // Close by, noise stands on a side lobe.
        let lobe = if strongest - i < index(LOBES_S) { 0.2 * strength } else { 0.0 };
        let back = (strongest - i) as usize;
        let own = lobes.and_then(|lobes| lobes.before.get(back)).copied().unwrap_or(0.0);
        (EARLIEST_SHARE * strength)
            .max((NOISE_MULTIPLE * noise).sqrt() + lobe)
            .max(ABOVE_LOBE * own * strength)
            .powi(2)
    };
    let top = |i: i64| power(i) >= power(i - 1) && power(i) > power(i + 1);
    // A shoulder of a later peak is no arrival of its own: the level must fall off after it.
    let stands = |i: i64| {
        let higher = (i + 1..=strongest).find(|j| power(*j) > power(i)).unwrap_or(strongest);
        (i..higher).any(|j| power(j) < 0.6 * power(i))
    };
    let taken = (strongest - index(EARLIEST_S)..strongest)
        .find(|i| top(*i) && power(*i) >= least(*i) && stands(*i));
    taken.unwrap_or(strongest)
}

/// The top of the envelope next to `from_s`.
fn climb(band: &Band, from_s: f64, step_s: f64) -> f64 {
    let mut at_s = from_s;
    for _ in 0..12 {
        let [value, first, second] = band.jet_at(at_s);
        let slope = (value.conj() * first).re;
        let bend = (value.conj() * second).re + first.norm_sqr();
        let step = if bend < 0.0 { -slope / bend } else { slope.signum() * 0.25 * step_s };
        let step = step.clamp(-0.5 * step_s, 0.5 * step_s);
        at_s += step;
        if step.abs() < 1e-12 {
            break;
        }
    }
    at_s
}

/// The crest of the carrier next to `from_s`; stays within a quarter of its period.
fn crest(band: &Band, from_s: f64, sign: f64) -> f64 {
    let mut at_s = from_s;
    for _ in 0..12 {
        let [_, first, second] = band.jet_at(at_s);
        let bend = sign * second.re;
        if bend >= 0.0 {
            return from_s;
        }
        let step = -sign * first.re / bend;
        at_s += step;
        if step.abs() < 1e-12 {
            break;
        }
    }
    at_s
}

/// Share of the spread of delays over the band that counts as uncertainty of the place: measured
/// on loudspeakers and microphones made of resonances, whose place is known.
const SMEAR_SHARE: f64 = 1.1;
/// Small loudspeakers and microphones spread a sound by no more (measured likewise).
const MOST_SMEAR_S: f64 = 70e-6;
/// Half width of the gate around the peak that the spread is read from.
const GATE_S: f64 = 0.002;

/// How much the channel spreads the sound in time: the standard deviation of the group delay over
/// the band, in a gate around the peak. What noise could hide counts as well.
fn smear_s(signal: &[C], step_s: f64, at_s: f64) -> f64 {
    let length = signal.len() as i64;
    let centre = (at_s / step_s).round() as i64;
    let reach = (GATE_S / step_s) as i64;
    let gate = |i: i64| 0.5 + 0.5 * (TAU / 2.0 * i as f64 / (reach + 1) as f64).cos();
    let spacing_hz = 1.0 / GATE_S;
    let count = (1.0 / step_s / spacing_hz) as usize;
    let bins: Vec<C> = (0..count)
        .map(|n| {
            let term = |i: i64| {
                let value = signal[(centre + i).rem_euclid(length) as usize];
                let turn = -TAU * n as f64 * spacing_hz * i as f64 * step_s;
                value * gate(i) * Complex::from_polar(1.0, turn)
            };
            (-reach..=reach).map(term).sum()
        })
        .collect();
    let (mut weights, mut first, mut second) = (0.0, 0.0, 0.0);
    for pair in bins.windows(2) {
        let product = pair[1] * pair[0].conj();
        let weight = product.norm();
        let delay_s = -product.arg() / (TAU * spacing_hz);
        weights += weight;
        first += weight * delay_s;
        second += weight * delay_s * delay_s;
    }
    let weights = weights.max(1e-300);
    (second / weights - (first / weights).powi(2)).max(0.0).sqrt()
}

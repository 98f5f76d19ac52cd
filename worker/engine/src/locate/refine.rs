//! The exact place of a mark that the search has found.
//!
//! Works on the raw samples around a candidate, at the file's own rate. Each part's filter is
//! divided by the smoothed power spectrum of what is there: under noise that is the matched filter
//! for its colour; on a clean mark it undoes the colour of loudspeaker, microphone and mark, so
//! that the correlation is the channel's impulse response in the mark's band.

use crate::locate::search::{Candidate, MARGIN_S};
use crate::locate::shape::{self, Lobes, Pulse, Skew};
use crate::mark::{Kind, Mark, Sweep};
use crate::math::spectrum::Band;
use ripieno_transform::{Complex, Fft, RealToComplex, double};
use std::f64::consts::{PI, TAU};
use std::sync::Arc;

type C = Complex<f64>;

/// Filters of one mark at the file's rate.
pub(crate) struct Refiner {
    rate_hz: f64,
    size: usize,
    first_bin: usize,
    /// From when to when the mark sounds, after its origin.
    span_s: (f64, f64),
    window: Vec<f64>,
    parts: Vec<FinePart>,
    /// Of a mark that is no sweep.
    lobes: Option<Lobes>,
    forward: Arc<dyn RealToComplex<f64>>,
    /// Inverse transform that gives the band as a complex signal of a low rate.
    inverse: Arc<dyn Fft<f64>>,
}

struct FinePart {
    /// Conjugate spectrum with the anchor at time 0, and its magnitude.
    conjugate: Vec<C>,
    magnitude: Vec<f64>,
    anchor_s: f64,
    sweep: Option<Sweep>,
}

/// What the refiner says of one candidate.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Refined {
    pub(crate) at_s: f64,
    pub(crate) sd_s: f64,
    /// ln of how much slower than nominal, and its standard uncertainty.
    pub(crate) skew: Option<(f64, f64)>,
    /// How far the place moves for each unit of ratio that the mark can't show, in seconds.
    pub(crate) per_ratio_s: f64,
    /// Energy of the mark over the noise density, 2E/N₀, as a ratio.
    pub(crate) snr: f64,
    /// Correlation of the mark with what is there, in the mark's band, 0 to 1.
    pub(crate) likeness: f64,
    pub(crate) inverted: bool,
    /// How far the strongest arrival lies behind the one that was taken.
    pub(crate) echo_s: f64,
}

/// Half width of the smoothing of the power spectrum.
const SMOOTH_HZ: f64 = 100.0;
/// Where a spectrum lies more than 37 dB below its top there is no mark left to whiten, only what
/// a filter's or a codec's stop band lets through, with delays of its own.
const LEAST_POWER: f64 = 2e-4;
/// By how much a room or a loudspeaker may move the lobes of a mark that rings.
const LOBE_SLACK_S: f64 = 2e-4;
/// Evidence in nats from which a part takes part.
const PART_NATS: f64 = 6.0;
/// Largest skew looked for, as a logarithm.
const MAX_SKEW: f64 = 0.011;

impl Refiner {
    /// Filters for snippets of up to `length` samples.
    pub(crate) fn new(mark: &Mark, length: usize) -> Self {
        let rate_hz = f64::from(mark.rate_hz);
        let size = shape::fast_size(length);
        let bin_hz = rate_hz / size as f64;
        let top_hz = (0.47 * rate_hz).min(6_900.0);
        let first_bin = (430.0 / bin_hz).ceil() as usize;
        let count = (top_hz / bin_hz) as usize - first_bin;
        let edge = |x: f64| 0.5 - 0.5 * (PI * x.clamp(0.0, 1.0)).cos();
        let window = (0..count).map(|i| {
            let f = (first_bin + i) as f64 * bin_hz;
            edge((f - 430.0) / 400.0) * edge((top_hz - f) / (0.4 * top_hz))
        });
        let forward = double::forward_of_real(size);
        let parts = mark.parts(rate_hz).into_iter().map(|part| {
            let mut samples = part.samples.clone();
            samples.resize(size, 0.0);
            let mut spectrum = forward.make_output_vec();
            let transformed = forward.process(&mut samples, &mut spectrum);
            debug_assert!(transformed.is_ok());
            let conjugate = (0..count).map(|i| {
                let bin = first_bin + i;
                let turn = TAU * bin as f64 / size as f64 * part.anchor_sample;
                (spectrum[bin] * Complex::from_polar(1.0, turn)).conj()
            });
            let conjugate: Vec<C> = conjugate.collect();
            let magnitude: Vec<f64> = conjugate.iter().map(|m| m.norm()).collect();
            FinePart {
                magnitude: shape::box_mean(&magnitude, (SMOOTH_HZ / bin_hz) as usize),
                conjugate,
                anchor_s: part.anchor_s,
                sweep: part.sweep,
            }
        });
        let mut refiner = Refiner {
            span_s: mark.span_s(),
            parts: parts.collect(),
            lobes: None,
            window: window.collect(),
            inverse: double::inverse((count + count / 4).next_power_of_two()),
            rate_hz,
            size,
            first_bin,
            forward,
        };
        if mark.kind == Kind::Own {
            refiner.lobes = refiner.own_lobes(mark);
        }
        refiner
    }

    /// Whether these are the filters for snippets of up to `length` samples.
    pub(crate) fn is_for(&self, length: usize) -> bool {
        self.size == shape::fast_size(length)
    }

    /// What the correlation of a clean mark looks like before its peak.
    fn own_lobes(&self, mark: &Mark) -> Option<Lobes> {
        let lead = (MARGIN_S * self.rate_hz) as usize;
        let raw = [vec![0.0; lead], mark.samples.clone(), vec![0.0; lead]].concat();
        let spectrum = self.spectrum(&raw)?;
        let bins = self.filter(self.parts.first()?, &spectrum, &self.smooth_power(&spectrum));
        let signal = self.signal(&bins);
        let height = |i: i64| signal[i.rem_euclid(signal.len() as i64) as usize].norm();
        let step_s = self.step_s();
        let peak = ((lead as f64 + mark.origin_sample) / self.rate_hz / step_s).round() as i64;
        let highest = (peak - 2..=peak + 2).map(height).fold(1e-300, f64::max);
        // A channel moves the lobes a little.
        let near = (LOBE_SLACK_S / step_s).ceil() as i64;
        let before = (0..(shape::EARLIEST_S / step_s) as i64).map(|back| {
            let about = peak - back - near..=(peak - back + near).min(peak - back / 2);
            about.map(height).fold(0.0, f64::max) / highest
        });
        let before: Vec<f64> = before.collect();
        let beside = (shape::LOBES_S / step_s) as usize + near as usize;
        let highest = before.iter().skip(beside).copied().fold(0.0, f64::max);
        Some(Lobes { before, highest, ends_s: mark.duration_s() })
    }

    fn bin_hz(&self) -> f64 {
        self.rate_hz / self.size as f64
    }

    /// Time between the samples of a low-rate signal.
    fn step_s(&self) -> f64 {
        self.size as f64 / self.rate_hz / self.inverse.len() as f64
    }

    /// The band's signal at a low rate, without its carrier.
    fn signal(&self, bins: &[C]) -> Vec<C> {
        let mut signal = vec![C::default(); self.inverse.len()];
        signal[..bins.len()].copy_from_slice(bins);
        self.inverse.process(&mut signal);
        signal
    }

    /// The exact place of `candidate`, or nothing if its sound is not at hand.
    pub(crate) fn refine(&self, candidate: &Candidate) -> Option<Refined> {
        let spectrum = self.spectrum(&candidate.raw)?;
        let power = self.smooth_power(&spectrum);
        let start_s = candidate.first_frame as f64 / self.rate_hz;
        let filtered = |part: &FinePart| self.filter(part, &spectrum, &power);
        let sure = |i: usize| candidate.parts[i].0 >= PART_NATS;
        let both = self.parts.len() == 2 && sure(0) && sure(1);
        let lead =
            usize::from(self.parts.len() == 2 && candidate.parts[1].0 > candidate.parts[0].0);
        let anchor_s = |i: usize| candidate.parts[i].1 - start_s;
        let (bins, origin_to_anchor_s, rough_s, skew) = if both {
            let bands = [filtered(&self.parts[0]), filtered(&self.parts[1])];
            let skew = self.skew(&bands, [anchor_s(0), anchor_s(1)]);
            let joined = self.join(&bands, skew.value);
            (joined, 0.0, candidate.at_s - start_s, Some(skew))
        } else {
            let part = &self.parts[lead];
            (filtered(part), part.anchor_s, anchor_s(lead), None)
        };
        let band = Band { first_bin: self.first_bin, bin_hz: self.bin_hz(), bins };
        let pulse = self.measure(&band, rough_s)?;
        let slow = skew.map_or(1.0, |skew| skew.value.exp());
        let skew = skew.filter(|skew| skew.plain).map(|skew| {
            // Noise over signal of one sweep: as the time before the mark shows it, or as the two
            // sweeps differ (a codec's noise comes and goes with the sound).
            let noise = (4.0 / pulse.snr).max(skew.noise);
            (skew.value, skew.width * noise.sqrt())
        });
        // Half a mark is moved by the skew that it can't show: 150 ppm is a poor clock.
        let half_sd_s = if both { 0.0 } else { origin_to_anchor_s.abs() * 150e-6 };
        Some(Refined {
            at_s: start_s + pulse.at_s - origin_to_anchor_s,
            sd_s: pulse.sd_s.hypot(half_sd_s),
            skew,
            per_ratio_s: if both { 0.0 } else { -origin_to_anchor_s },
            snr: pulse.snr,
            likeness: self.likeness(&candidate.raw, pulse.at_s - origin_to_anchor_s, slow)?,
            inverted: pulse.inverted,
            echo_s: pulse.echo_s,
        })
    }

    /// Spectrum of a snippet in the band.
    fn spectrum(&self, raw: &[f32]) -> Option<Vec<C>> {
        let mut samples: Vec<f64> = raw.iter().take(self.size).map(|s| f64::from(*s)).collect();
        let (length, fade) = (samples.len(), (0.005 * self.rate_hz) as usize);
        if length <= 4 * fade {
            return None;
        }
        for i in 0..fade {
            let gain = 0.5 - 0.5 * (PI * (i as f64 + 0.5) / fade as f64).cos();
            samples[i] *= gain;
            samples[length - 1 - i] *= gain;
        }
        samples.resize(self.size, 0.0);
        let mut spectrum = self.forward.make_output_vec();
        self.forward.process(&mut samples, &mut spectrum).ok()?;
        Some(spectrum[self.first_bin..self.first_bin + self.window.len()].to_vec())
    }

    /// Power spectrum, smoothed.
    fn smooth_power(&self, spectrum: &[C]) -> Vec<f64> {
        let power: Vec<f64> = spectrum.iter().map(Complex::norm_sqr).collect();
        let smooth = shape::box_mean(&power, (SMOOTH_HZ / self.bin_hz()) as usize);
        let floor = LEAST_POWER * smooth.iter().copied().fold(0.0, f64::max) + 1e-300;
        smooth.iter().map(|p| p + floor).collect()
    }

    /// The correlation with `part`, both magnitudes taken off.
    ///
    /// On a clean mark that leaves the window times the channel's phase, whatever its colour. In
    /// noise it weighs by 1/√N where the matched filter weighs by |M|/N: no loss where the noise
    /// has the mark's colour, 0.2 dB of the bound in white noise.
    fn filter(&self, part: &FinePart, spectrum: &[C], power: &[f64]) -> Vec<C> {
        let largest = part.magnitude.iter().copied().fold(0.0, f64::max);
        (0..spectrum.len())
            .map(|i| {
                let level = part.magnitude[i].max(0.05 * largest) * power[i].sqrt();
                spectrum[i] * part.conjugate[i] * (self.window[i] / level)
            })
            .collect()
    }

    /// The skew at which both sweeps tell the same story, as ln of how much slower.
    ///
    /// A sweep played slower by the factor s turns by 2π/k·ln s, rising and falling ones in
    /// opposite directions, and its pole moves with s. Both sweeps passed through the same
    /// channel, so their cross-correlation is free of the channel's delay and phase.
    fn skew(&self, bands: &[Vec<C>; 2], anchors_s: [f64; 2]) -> Skew {
        let (Some(a), Some(b)) = (self.parts[0].sweep, self.parts[1].sweep) else {
            return Skew::default();
        };
        let step_s = self.step_s();
        let near = |signal: Vec<C>, centre_s: f64| -> Vec<C> {
            let first = (centre_s / step_s).round() as i64 - shape::CROSS as i64 / 2;
            let length = signal.len() as i64;
            (0..shape::CROSS as i64)
                .map(|i| signal[(first + i).rem_euclid(length) as usize])
                .collect()
        };
        // Both windows lie around where the poles are if there is no skew.
        let centre_s = 0.5 * (anchors_s[0] + anchors_s[1]);
        let half_s = 0.5 * (b.pole_s - a.pole_s);
        let centres = [centre_s - half_s, centre_s + half_s];
        let on_grid = |s: f64| (s / step_s).round() * step_s;
        let windows =
            [near(self.signal(&bands[0]), centres[0]), near(self.signal(&bands[1]), centres[1])];
        let carrier_hz = self.first_bin as f64 * self.bin_hz();
        let shift_s = on_grid(centres[1]) - on_grid(centres[0]);
        let cross = shape::cross_spectrum(&windows, step_s);
        let turn = |s: &Sweep, skew: f64| {
            if s.rising { TAU / s.k * skew } else { -TAU / s.k * skew }
        };
        let distance_s = b.pole_s - a.pole_s;
        let score = |skew: f64| {
            let apart_s = distance_s * skew.exp();
            let value = cross.jet_at(apart_s - shift_s)[0];
            let carrier = TAU * carrier_hz * apart_s;
            (value * Complex::from_polar(1.0, carrier - turn(&b, skew) + turn(&a, skew))).re
        };
        shape::skew_peak(score, &cross, MAX_SKEW)
    }

    /// Both sweeps' correlations, turned and shifted onto each other at the mark's origin.
    fn join(&self, bands: &[Vec<C>; 2], skew: f64) -> Vec<C> {
        let turned = |i: usize, bin: usize| -> C {
            let part = &self.parts[i];
            let Some(sweep) = part.sweep else { return bands[i][bin] };
            let turn = if sweep.rising { TAU / sweep.k } else { -TAU / sweep.k } * skew;
            let f_hz = (self.first_bin + bin) as f64 * self.bin_hz();
            let shift = TAU * f_hz * part.anchor_s * skew.exp();
            bands[i][bin] * Complex::from_polar(1.0, shift - turn)
        };
        (0..bands[0].len()).map(|bin| turned(0, bin) + turned(1, bin)).collect()
    }

    /// Reads the correlation: which peak, how exact, how clear.
    fn measure(&self, band: &Band, rough_s: f64) -> Option<Pulse> {
        let signal = self.signal(&band.bins);
        let slope: Vec<C> = (0..band.bins.len())
            .map(|i| band.bins[i] * C::new(0.0, TAU * band.frequency_hz(i)))
            .collect();
        let slope = self.signal(&slope);
        shape::measure(band, &signal, &slope, self.step_s(), rough_s, self.lobes.as_ref())
    }

    /// Share of the sound in the mark's band that the mark explains, as a correlation.
    ///
    /// Both are whitened by the sound's own power: Σ X M* w / √(Σ|X|²w · Σ|M|²w).
    fn likeness(&self, raw: &[f32], at_s: f64, slow: f64) -> Option<f64> {
        let frame = |s: f64| ((at_s + s) * self.rate_hz).clamp(0.0, raw.len() as f64) as usize;
        let first = frame(self.span_s.0 - 0.01);
        let spectrum = self.spectrum(&raw[first..frame(self.span_s.1 + 0.01).max(first)])?;
        let power = self.smooth_power(&spectrum);
        let bins = spectrum.len();
        let weight = |i: usize| self.window[i] / power[i];
        let heard: f64 = (0..bins).map(|i| spectrum[i].norm_sqr() * weight(i)).sum();
        let mut mark = 0.0;
        let mut both = 0.0;
        for part in &self.parts {
            let bins = (0..bins).map(|i| spectrum[i] * part.conjugate[i] * weight(i)).collect();
            let band = Band { first_bin: self.first_bin, bin_hz: self.bin_hz(), bins };
            // Skew turns the two sweeps' phases apart: their sizes add.
            let anchor_s = at_s + part.anchor_s * slow - first as f64 / self.rate_hz;
            both += band.jet_at(anchor_s)[0].norm();
            let power = |(i, m): (usize, &C)| m.norm_sqr() * weight(i);
            mark += part.conjugate.iter().enumerate().map(power).sum::<f64>();
        }
        Some((both / (heard * mark).sqrt().max(1e-300)).min(1.0))
    }
}

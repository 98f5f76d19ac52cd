//! What a mark looks like at the rate of the search.

use crate::locate::whiten::Whitener;
use crate::mark::Part;
use ripieno_transform::{Complex, double};

/// One part of a mark as a bank of filters.
#[derive(Clone, Debug)]
pub(crate) struct Template {
    /// Length in samples of the search.
    pub(crate) length: usize,
    /// Position of the anchor relative to the template's start.
    pub(crate) anchor_sample: f64,
    /// Where the anchor lies, in seconds after the mark's origin.
    pub(crate) anchor_s: f64,
    /// Conjugate spectrum over the bins of [`Grid::band`], scaled so that white noise of unit
    /// power gives correlations of unit power.
    pub(crate) spectrum: Vec<Complex<f32>>,
    /// The part in pieces that are judged each by itself.
    pub(crate) pieces: Vec<Piece>,
    /// The pieces are far from equally loud: a bell has nothing between its partials.
    pub(crate) is_uneven: bool,
}

/// A piece of a part: an octave or so of it.
#[derive(Clone, Debug)]
pub(crate) struct Piece {
    /// Where the piece starts in the template.
    pub(crate) first: usize,
    /// Real and imaginary samples, unit energy, at each of [`FRACTIONS`] shifts.
    pub(crate) shifts: Vec<(Vec<f32>, Vec<f32>)>,
    /// Its share of the part's energy.
    pub(crate) share: f32,
}

/// Shifts of a piece within one sample of the search.
pub(crate) const FRACTIONS: usize = 4;

/// The transform of the search and the band it looks at.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Grid {
    /// Length of the real transform.
    pub(crate) size: usize,
    /// Rate of the search.
    pub(crate) rate_hz: f64,
    /// First bin looked at and the number of bins, at most `size / 2`.
    pub(crate) band: (usize, usize),
}

/// Lowest frequency looked at: above hum, below the marks' own low end.
pub(crate) const LOWEST_HZ: f64 = 380.0;

/// Width of a piece.
const PIECE_OCTAVES: f64 = 0.46;

impl Grid {
    /// A transform that holds templates of `length` samples several times.
    pub(crate) fn new(length: usize, rate_hz: f64) -> Self {
        let size = (3 * length).next_power_of_two();
        let first = (LOWEST_HZ / rate_hz * size as f64).round() as usize;
        let last = (0.48 * size as f64) as usize;
        Grid { size, rate_hz, band: (first, last - first) }
    }
}

impl Template {
    /// The filters of `part`, rendered at the grid's rate.
    pub(crate) fn new(part: &Part, grid: &Grid) -> Self {
        let whitened = part.sweep.is_none().then(|| as_the_search_hears(part, grid));
        let is_uneven = whitened.is_some();
        let part = whitened.as_ref().unwrap_or(part);
        let length = part.samples.len();
        let size = grid.size;
        let mut spectrum = vec![Complex::default(); size];
        for (bin, sample) in spectrum.iter_mut().zip(&part.samples) {
            bin.re = *sample;
        }
        double::forward(size).process(&mut spectrum);
        let (first, count) = grid.band;
        spectrum[..first].fill(Complex::default());
        spectrum[first + count..].fill(Complex::default());
        if !is_uneven {
            half_whiten(&mut spectrum, size as f64 / grid.rate_hz);
        }
        let energy: f64 = spectrum.iter().map(Complex::norm_sqr).sum();
        // See `Search::correlate`: a sum of `size` times unit noise over these bins.
        let scale = 1.0 / (energy * size as f64).sqrt();
        let conjugate = spectrum[first..first + count].iter().map(|b| {
            let b = b.conj() * scale;
            Complex::new(b.re as f32, b.im as f32)
        });
        Template {
            length,
            anchor_sample: part.anchor_sample,
            anchor_s: part.anchor_s,
            spectrum: conjugate.collect(),
            pieces: pieces(part, &spectrum, grid),
            is_uneven,
        }
    }
}

/// How far below its peak an own mark is lost in the noise of a room (common practice, no source).
const ROOM_NOISE_DB: f32 = -50.0;

/// A mark of one's own with each of its tiles as loud as the search's whitener makes it: the tail
/// of a bell then counts like its stroke.
fn as_the_search_hears(part: &Part, grid: &Grid) -> Part {
    let peak = part.samples.iter().fold(0.0f64, |peak, s| peak.max(s.abs())) as f32;
    let noise_power = (peak * 10f32.powf(ROOM_NOISE_DB / 20.0)).powi(2);
    let mut whitener = Whitener::over_noise(grid.rate_hz, noise_power);
    let mut sound: Vec<f32> = part.samples.iter().map(|s| *s as f32).collect();
    sound.resize(sound.len() + whitener.lag(), 0.0);
    let mut whitened = Vec::new();
    whitener.push(&sound, &mut whitened);
    // The output begins half a frame of silence ahead of the sound.
    whitened.drain(..(whitener.lag() / 2).min(whitened.len()));
    whitened.resize(part.samples.len(), 0.0);
    Part { samples: whitened.iter().map(|s| f64::from(*s)).collect(), ..part.clone() }
}

/// Divides a spectrum by the square root of its own smoothed magnitude: half way between the
/// filter that is best in white noise and the one that is best in noise shaped like the mark.
fn half_whiten(spectrum: &mut [Complex<f64>], bins_per_hz: f64) {
    let reach = (60.0 * bins_per_hz) as usize;
    let mut sums = vec![0.0];
    for bin in spectrum.iter() {
        sums.push(sums[sums.len() - 1] + bin.norm());
    }
    let smooth: Vec<f64> = (0..spectrum.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(reach), (i + reach + 1).min(spectrum.len()));
            (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect();
    let largest = smooth.iter().copied().fold(0.0, f64::max);
    for (bin, level) in spectrum.iter_mut().zip(&smooth) {
        *bin /= level.max(0.02 * largest).sqrt().max(1e-30);
    }
}

/// Frequencies between which the pieces lie: equal ratios from the marks' low end to the grid's.
fn piece_edges(grid: &Grid) -> Vec<f64> {
    let (low, high) = (480.0, (0.47 * grid.rate_hz).min(6_500.0));
    let count = ((high / low).log2() / PIECE_OCTAVES).round().max(2.0) as usize;
    (0..=count).map(|i| low * (high / low).powf(i as f64 / count as f64)).collect()
}

fn pieces(part: &Part, spectrum: &[Complex<f64>], grid: &Grid) -> Vec<Piece> {
    let edges = piece_edges(grid);
    let count = edges.len() - 1;
    let inverse = double::inverse(grid.size);
    let shifted = |low: f64, high: f64, fraction: usize| -> Vec<Complex<f64>> {
        let shift = fraction as f64 / FRACTIONS as f64;
        let mut bins = vec![Complex::default(); grid.size];
        for (i, bin) in spectrum.iter().enumerate() {
            let f_hz = i as f64 * grid.rate_hz / grid.size as f64;
            if f_hz >= low && f_hz < high {
                let turn = -std::f64::consts::TAU * i as f64 / grid.size as f64 * shift;
                bins[i] = bin * Complex::from_polar(1.0, turn);
            }
        }
        inverse.process(&mut bins);
        bins.truncate(part.samples.len());
        bins
    };
    let shifts = |low: f64, high: f64| -> Vec<Vec<Complex<f64>>> {
        (0..FRACTIONS).map(|fraction| shifted(low, high, fraction)).collect()
    };
    // A sweep is cut where it passes an edge: its pieces follow each other in time. Any other
    // mark is cut by filters.
    let whole = part.sweep.map(|_| shifts(0.0, f64::MAX));
    let mut pieces: Vec<Piece> = (0..count)
        .map(|i| {
            let (low, high) = (edges[i], edges[i + 1]);
            let Some(whole) = &whole else {
                return piece(0, shifts(low, high).into_iter());
            };
            let range = window(part, grid, low, high, i == 0, i + 1 == count);
            piece(range.start, whole.iter().map(|samples| samples[range.clone()].to_vec()))
        })
        .collect();
    let total: f32 = pieces.iter().map(|p| p.share).sum();
    pieces.iter_mut().for_each(|p| p.share /= total.max(1e-30));
    pieces
}

/// Samples of a sweep's template while it passes from `low` to `high`.
fn window(
    part: &Part,
    grid: &Grid,
    low: f64,
    high: f64,
    lowest: bool,
    highest: bool,
) -> std::ops::Range<usize> {
    let Some(sweep) = part.sweep else { return 0..part.samples.len() };
    let length = part.samples.len();
    let far = if lowest { f64::MAX } else { grid.rate_hz / (sweep.k * low) };
    let near = if highest { 0.0 } else { grid.rate_hz / (sweep.k * high) };
    let clamp = |x: f64| x.clamp(0.0, length as f64).round() as usize;
    if sweep.rising {
        clamp(part.anchor_sample - far)..clamp(part.anchor_sample - near)
    } else {
        clamp(part.anchor_sample + near)..clamp(part.anchor_sample + far)
    }
}

fn piece(first: usize, shifts: impl Iterator<Item = Vec<Complex<f64>>>) -> Piece {
    let mut share = 0.0;
    let shifts = shifts
        .map(|samples| {
            let energy: f64 = samples.iter().map(Complex::norm_sqr).sum();
            let scale = 1.0 / energy.sqrt().max(1e-30);
            share = energy as f32;
            let re = samples.iter().map(|s| (s.re * scale) as f32).collect();
            let im = samples.iter().map(|s| (s.im * scale) as f32).collect();
            (re, im)
        })
        .collect();
    Piece { first, shifts, share }
}

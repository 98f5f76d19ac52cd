//! The interpolation kernel: a bank of windowed sincs, read at any fraction of a frame.

use std::sync::{Arc, OnceLock};

use rubato::WindowFunction;
use rubato::sinc_interpolator::{AnyInterpolator, SincInterpolator, make_interpolator};

use super::fused;
use crate::math::processor::has_fused_vectors;

/// Length of the kernel in frames of the slower of file and grid. With `SHAPE` and `CUTOFF` it
/// is flat within 0.02 dB to 20 kHz of a 44.1 kHz file and down by 120 dB at its Nyquist
/// frequency (`tests/reference/test_resample.py` measures both).
const TAPS: usize = 144;

/// Shape β of the Kaiser window; A ≈ 8.7 + β/0.1102 dB of stop band.
/// Source: Kaiser (1974), as in Oppenheim & Schafer, Discrete-Time Signal Processing, 7.5.
const SHAPE: f64 = 12.0;

/// Half-amplitude frequency over the Nyquist frequency.
const CUTOFF: f64 = 0.947;

/// Kernels per frame at unity speed. Between two neighbours the value is interpolated in a
/// straight line, which errs by at most (2πf/L)²/8: −130 dB at the Nyquist frequency, less below.
const PHASES: usize = 2048;

/// Speeds up to this use the kernel of unity speed: aliases of the last hundredth of the band
/// fold within that hundredth.
const UNITY_SPEED: f64 = 1.01;

/// Floats in a cache line; rows are whole lines, so that no load of the hot loop straddles two.
const LANES: usize = 16;

/// Windowed sincs at fractions of a frame, and the scalar product that reads them.
///
/// The rows are ours: the windows that rubato designs need 256 taps and more for the same
/// edge. The product is rubato's, which picks the processor's best instructions at run time;
/// where AVX2 is at hand a fused form of it is twice as fast.
pub(crate) struct Kernel {
    taps: usize,
    phases: usize,
    /// `phases + 1` rows of `taps`; row `r` reads `r / phases` of a frame after its centre.
    rows: Vec<f32>,
    /// Where in `rows` the first row begins: on a cache line.
    first_row: usize,
    product: AnyInterpolator<f32>,
    fused: bool,
}

impl Kernel {
    /// The kernel for `frames_per_sample` file frames a grid sample: above one the cut-off comes
    /// down to the grid's own Nyquist frequency, and the kernel grows as long.
    pub(crate) fn for_speed(frames_per_sample: f64) -> Arc<Self> {
        static UNITY: OnceLock<Arc<Kernel>> = OnceLock::new();
        if frames_per_sample <= UNITY_SPEED {
            return UNITY.get_or_init(|| Arc::new(Self::new(1.0))).clone();
        }
        Arc::new(Self::new(frames_per_sample))
    }

    fn new(speed: f64) -> Self {
        let taps = ((TAPS as f64 * speed) as usize).next_multiple_of(LANES);
        let phases = ((PHASES as f64 / speed) as usize).max(64);
        let product = make_interpolator(taps, 1.0, Some(0.5), 1, WindowFunction::Blackman);
        debug_assert_eq!(product.nbr_points(), taps);
        let (rows, first_row) = rows(taps, phases, CUTOFF / speed);
        Self { taps, phases, rows, first_row, product, fused: has_fused_vectors() }
    }

    /// Frames the kernel needs before the frame it is read at.
    pub(crate) fn frames_before(&self) -> usize {
        self.taps / 2 - 1
    }

    /// Frames the kernel needs in all.
    pub(crate) fn taps(&self) -> usize {
        self.taps
    }

    /// Reads `window` (its first `taps()` frames from `start`) at `fraction` in [0, 1) of a
    /// frame after the frame `start + frames_before()`.
    #[inline]
    pub(crate) fn read(&self, window: &[f32], start: usize, at: Phase) -> f32 {
        let (lower, upper) = (self.row(at.row as usize), self.row(at.row as usize + 1));
        if self.fused {
            return fused::read(&window[start..start + self.taps], lower, upper, at.between);
        }
        let below = self.product.get_sinc_dot_product(window, start, lower);
        let above = self.product.get_sinc_dot_product(window, start, upper);
        below + at.between * (above - below)
    }

    #[inline]
    fn row(&self, row: usize) -> &[f32] {
        let begin = self.first_row + row * self.taps;
        &self.rows[begin..begin + self.taps]
    }

    /// Which rows serve `fraction`, and how far between them it lies.
    #[inline]
    pub(crate) fn phase(&self, fraction: f64) -> Phase {
        let place = fraction * self.phases as f64;
        let row = (place as usize).min(self.phases - 1);
        Phase { row: row as u32, between: (place - row as f64) as f32 }
    }
}

/// A place between two rows of the kernel.
#[derive(Clone, Copy)]
pub(crate) struct Phase {
    row: u32,
    between: f32,
}

/// Row after row of `kaiser · sinc`, each summing to one so that a constant stays constant.
fn rows(taps: usize, phases: usize, cutoff: f64) -> (Vec<f32>, usize) {
    // The prototype is even, so its half serves both sides.
    let half = taps / 2 * phases;
    let prototype: Vec<f64> = (0..=half)
        .map(|place| {
            let frames = place as f64 / phases as f64;
            let window =
                bessel_i0(SHAPE * (1.0 - (place as f64 / half as f64).powi(2)).max(0.0).sqrt());
            window * sinc(frames * cutoff)
        })
        .collect();
    let centre = taps / 2 - 1;
    let mut rows: Vec<f32> = Vec::with_capacity((phases + 1) * taps + LANES);
    let first_row = rows.as_ptr().align_offset(LANES * size_of::<f32>()).min(LANES);
    rows.resize(first_row, 0.0);
    for row in 0..=phases {
        let at = |tap: usize| {
            let place = (tap as i64 - centre as i64) * phases as i64 - row as i64;
            prototype.get(place.unsigned_abs() as usize).copied().unwrap_or(0.0)
        };
        let sum: f64 = (0..taps).map(at).sum();
        rows.extend((0..taps).map(|tap| (at(tap) / sum) as f32));
    }
    (rows, first_row)
}

fn sinc(x: f64) -> f64 {
    if x == 0.0 {
        return 1.0;
    }
    let angle = std::f64::consts::PI * x;
    angle.sin() / angle
}

/// Modified Bessel function of the first kind, order 0, by its power series; forty terms are
/// exact to the last digits of an f64 up to x = 20.
/// Source: Abramowitz & Stegun 9.6.12.
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    (1..=40).rev().fold(1.0, |sum, order| 1.0 + sum * quarter * RECIPROCAL_SQUARES[order])
}

/// 1/k² at k.
const RECIPROCAL_SQUARES: [f64; 41] = {
    let mut table = [0.0; 41];
    let mut order = 1;
    while order < table.len() {
        table[order] = 1.0 / (order * order) as f64;
        order += 1;
    }
    table
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bessel_agrees_with_the_table() {
        // Source: Abramowitz & Stegun, table 9.8.
        assert!((bessel_i0(0.0) - 1.0).abs() < 1e-15);
        assert!((bessel_i0(1.0) - 1.266_065_877_752_008).abs() < 1e-14);
        assert!((bessel_i0(5.0) / 27.239_871_823_604_44 - 1.0).abs() < 1e-14);
    }

    #[test]
    fn a_row_before_and_after_a_whole_frame_are_the_same_kernel() {
        let kernel = Kernel::new(1.0);
        let (first, last) = (kernel.row(0), kernel.row(kernel.phases));
        for tap in 0..kernel.taps - 1 {
            assert!((first[tap] - last[tap + 1]).abs() < 1e-7);
        }
    }

    #[test]
    fn both_vector_products_agree_with_plain_sums() {
        for speed in [1.0, 2.0, 4.0, 1.37] {
            let mut kernel = Kernel::new(speed);
            let window: Vec<f32> = (0..kernel.taps + 9)
                .map(|frame| ((frame * 7919) % 1009) as f32 / 504.5 - 1.0)
                .collect();
            for (start, fraction) in [(0, 0.0), (3, 0.37), (9, 0.999_999_9)] {
                let phase = kernel.phase(fraction);
                let plain = |row: usize| -> f64 {
                    let pairs = kernel.row(row).iter().zip(&window[start..]);
                    pairs.map(|(tap, frame)| f64::from(*tap) * f64::from(*frame)).sum()
                };
                let (below, above) = (plain(phase.row as usize), plain(phase.row as usize + 1));
                let expected = below + f64::from(phase.between) * (above - below);
                for fused in [kernel.fused, false] {
                    kernel.fused = fused;
                    let got = f64::from(kernel.read(&window, start, phase));
                    assert!((got - expected).abs() < 2e-6, "{speed} {fraction}: {got} {expected}");
                }
            }
        }
    }
}

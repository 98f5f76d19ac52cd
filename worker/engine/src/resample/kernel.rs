//! The interpolation kernel: a bank of windowed sincs, read at any fraction of a frame.

use std::sync::{Arc, OnceLock};

use rubato::WindowFunction;
use rubato::sinc_interpolator::{AnyInterpolator, SincInterpolator, make_interpolator};

use super::fused;
use super::time_map::{Place, Run};
use crate::math::bessel::bessel_i0;
use crate::math::processor::has_fused_vectors;

/// Length of the kernel in frames of the slower of file and grid. With `SHAPE` and `CUTOFF` it
/// is flat within 0.02 dB to 20 kHz of a 44.1 kHz file and down by 120 dB at its Nyquist
/// frequency (`tests/reference/test_resample.py` measures both).
pub(super) const TAPS: usize = 144;

/// Shape β of the Kaiser window; A ≈ 8.7 + β/0.1102 dB of stop band.
/// Source: Kaiser (1974), as in Oppenheim & Schafer, Discrete-Time Signal Processing, 7.5.
pub(super) const SHAPE: f64 = 12.0;

/// Half-amplitude frequency over the Nyquist frequency.
pub(super) const CUTOFF: f64 = 0.947;

/// Kernels per frame at unity speed. Between two neighbours the value is interpolated in a
/// straight line, which errs by at most (2πf/L)²/8: −130 dB at the Nyquist frequency, less below.
const PHASES: usize = 2048;

/// The kernel of a doubled file, whose band ends at half its Nyquist frequency and whose next
/// image begins at one and a half: by Kaiser's formula a transition so wide takes 16 taps at
/// 130 dB. Half the frequency, half the fractions.
const DOUBLED_TAPS: usize = 16;
const DOUBLED_SHAPE: f64 = 13.5;
const DOUBLED_CUTOFF: f64 = 1.0;
const DOUBLED_PHASES: usize = PHASES / 2;

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
    /// The kernel for a file at twice its rate, its band's edge taken off already.
    pub(crate) fn of_doubled() -> Arc<Self> {
        static DOUBLED: OnceLock<Arc<Kernel>> = OnceLock::new();
        DOUBLED.get_or_init(|| Arc::new(Self::doubled())).clone()
    }

    fn doubled() -> Self {
        Self::new(DOUBLED_TAPS, DOUBLED_PHASES, DOUBLED_CUTOFF, DOUBLED_SHAPE)
    }

    /// The kernel for `frames_per_sample` file frames a grid sample, more than one: the cut-off
    /// comes down to the grid's own Nyquist frequency, and the kernel grows as long.
    pub(crate) fn for_speed(frames_per_sample: f64) -> Self {
        let taps = ((TAPS as f64 * frames_per_sample) as usize).next_multiple_of(LANES);
        let phases = ((PHASES as f64 / frames_per_sample) as usize).max(64);
        Self::new(taps, phases, CUTOFF / frames_per_sample, SHAPE)
    }

    fn new(taps: usize, phases: usize, cutoff: f64, shape: f64) -> Self {
        let product = make_interpolator(taps, 1.0, Some(0.5), 1, WindowFunction::Blackman);
        debug_assert_eq!(product.nbr_points(), taps);
        let mut rows: Vec<f32> = Vec::with_capacity((phases + 1) * taps + LANES);
        let first_row = rows.as_ptr().align_offset(LANES * size_of::<f32>()).min(LANES);
        rows.resize(first_row, 0.0);
        bank(taps, phases, cutoff, shape).for_each(|row| rows.extend(row));
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

    /// Appends to `out` what is read at the places of `run` from `window`, whose first frame is
    /// needed for places from `window_first` on; places before that are silent.
    pub(crate) fn read_run(&self, window: &[f32], window_first: i64, run: Run, out: &mut Vec<f32>) {
        let mut place = Place { frame: run.place.frame - window_first, ..run.place };
        let mut left = run.count;
        while left > 0 && place.frame < 0 {
            out.push(0.0);
            place = place.plus(run.step);
            left -= 1;
        }
        let begin = out.len();
        out.resize(begin + left, 0.0);
        let out = &mut out[begin..];
        if self.fused {
            fused::read_run(window, place, run.step, out, |fraction| self.between(fraction));
            return;
        }
        for value in out {
            let (lower, upper, share) = self.between(place.fraction);
            let start = place.frame as usize;
            let below = self.product.get_sinc_dot_product(window, start, lower);
            let above = self.product.get_sinc_dot_product(window, start, upper);
            *value = below + share * (above - below);
            place = place.plus(run.step);
        }
    }

    /// The two rows beside a fraction of a frame, in 2⁻⁶⁴, and how far between them it lies.
    #[inline(always)]
    fn between(&self, fraction: u64) -> (&[f32], &[f32], f32) {
        let scaled = (fraction >> 32) * self.phases as u64;
        let begin = self.first_row + (scaled >> 32) as usize * self.taps;
        let both = &self.rows[begin..begin + 2 * self.taps];
        let (lower, upper) = both.split_at(self.taps);
        (lower, upper, scaled as u32 as f32 * TWO_TO_MINUS_32)
    }
}

const TWO_TO_MINUS_32: f32 = 1.0 / 4_294_967_296.0;

/// Row after row of `kaiser · sinc`, `phases + 1` of them, each summing to one so that a constant
/// stays constant.
pub(super) fn bank(
    taps: usize,
    phases: usize,
    cutoff: f64,
    shape: f64,
) -> impl Iterator<Item = Vec<f32>> {
    // The prototype is even, so its half serves both sides.
    let half = taps / 2 * phases;
    let prototype: Vec<f64> = (0..=half)
        .map(|place| {
            let frames = place as f64 / phases as f64;
            let window =
                bessel_i0(shape * (1.0 - (place as f64 / half as f64).powi(2)).max(0.0).sqrt());
            window * sinc(frames * cutoff)
        })
        .collect();
    let centre = taps / 2 - 1;
    (0..=phases).map(move |row| {
        let at = |tap: usize| {
            let place = (tap as i64 - centre as i64) * phases as i64 - row as i64;
            prototype.get(place.unsigned_abs() as usize).copied().unwrap_or(0.0)
        };
        let sum: f64 = (0..taps).map(at).sum();
        (0..taps).map(|tap| (at(tap) / sum) as f32).collect()
    })
}

fn sinc(x: f64) -> f64 {
    if x == 0.0 {
        return 1.0;
    }
    let angle = std::f64::consts::PI * x;
    angle.sin() / angle
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_row_before_and_after_a_whole_frame_are_the_same_kernel() {
        let rows: Vec<Vec<f32>> = bank(TAPS, 64, CUTOFF, SHAPE).collect();
        for tap in 0..TAPS - 1 {
            assert!((rows[0][tap] - rows[64][tap + 1]).abs() < 1e-7);
        }
    }

    #[test]
    fn both_vector_products_agree_with_plain_sums() {
        let of_speeds = [2.0, 4.0, 1.37].map(Kernel::for_speed);
        for mut kernel in of_speeds.into_iter().chain([Kernel::doubled()]) {
            let window: Vec<f32> = (0..kernel.taps + 90)
                .map(|frame| ((frame * 7919) % 1009) as f32 / 504.5 - 1.0)
                .collect();
            let place = Place { frame: -3, fraction: u64::MAX / 7 };
            let step = Place { frame: 0, fraction: u64::MAX / 10 * 9 };
            let run = Run { place, step, count: 100 };
            let places = std::iter::successors(Some(place), |at| Some(at.plus(step)));
            for fused in [kernel.fused, false] {
                kernel.fused = fused;
                let mut got = Vec::new();
                kernel.read_run(&window, 0, run, &mut got);
                assert_eq!(got.len(), run.count);
                for (place, got) in places.clone().zip(got) {
                    let expected = plain(&kernel, &window, place);
                    assert!(
                        (f64::from(got) - expected).abs() < 2e-6,
                        "{place:?}: {got} {expected}"
                    );
                }
            }
        }
    }

    fn plain(kernel: &Kernel, window: &[f32], place: Place) -> f64 {
        let Ok(start) = usize::try_from(place.frame) else { return 0.0 };
        let fraction = place.fraction as f64 / 2f64.powi(64) * kernel.phases as f64;
        let row = |row: usize| -> f64 {
            let begin = kernel.first_row + row * kernel.taps;
            let pairs = kernel.rows[begin..begin + kernel.taps].iter().zip(&window[start..]);
            pairs.map(|(tap, frame)| f64::from(*tap) * f64::from(*frame)).sum()
        };
        let (below, above) = (row(fraction as usize), row(fraction as usize + 1));
        below + fraction.fract() * (above - below)
    }
}

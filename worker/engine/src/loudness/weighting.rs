//! K-weighting (ITU-R BS.1770-4, annex 1), several channels beside each other.

#[cfg(target_arch = "x86_64")]
use crate::math::processor;
use std::f64::consts::PI;

/// Channels filtered beside each other.
pub(super) const LANES: usize = 8;

/// K-weighting of [`LANES`] channels: two second-order sections each (BS.1770-4 annex 1), their
/// coefficients at any rate from the analogue prototypes (B. De Man, "Evaluation of implementations
/// of the EBU R128 loudness measurement", AES e-Brief 489, 2018).
pub(super) struct Weighting {
    shelf: [f64; 5],
    high_pass: [f64; 5],
    states: [[f64; LANES]; 4],
}

impl Weighting {
    pub(super) fn new(rate_hz: u32) -> Self {
        let tangent = |hz: f64| (PI * hz / f64::from(rate_hz)).tan();
        let (k, q) = (tangent(1_681.974_450_955_533), 0.707_175_236_955_419_6);
        let high = 10f64.powf(3.999_843_853_973_347 / 20.0);
        let band = high.powf(0.499_666_774_154_541_6);
        let a0 = 1.0 + k / q + k * k;
        let shelf = [
            (high + band * k / q + k * k) / a0,
            2.0 * (k * k - high) / a0,
            (high - band * k / q + k * k) / a0,
            2.0 * (k * k - 1.0) / a0,
            (1.0 - k / q + k * k) / a0,
        ];
        let (k, q) = (tangent(38.135_470_876_024_44), 0.500_327_037_323_877_3);
        let a0 = 1.0 + k / q + k * k;
        let high_pass = [1.0, -2.0, 1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0];
        Self { shelf, high_pass, states: [[0.0; LANES]; 4] }
    }

    /// Sums of the squares of every lane's next frames, equally many.
    pub(super) fn squares(&mut self, lanes: &[&[f32]; LANES]) -> [f64; LANES] {
        let frames = lanes.iter().map(|lane| lane.len()).min().unwrap_or(0);
        let lanes = lanes.map(|lane| &lane[..frames]);
        let mut squares = [0.0; LANES];
        let mut done = 0;
        #[cfg(target_arch = "x86_64")]
        if processor::has_wide_vectors() {
            // SAFETY: the processor has AVX2, FMA and AVX-512.
            #[allow(unsafe_code)]
            unsafe {
                done = vector::run_wide(self, &lanes, &mut squares);
            }
        } else if processor::has_fused_vectors() {
            // SAFETY: the processor has AVX2 and FMA.
            #[allow(unsafe_code)]
            unsafe {
                done = vector::run(self, &lanes, &mut squares);
            }
        }
        self.run(&lanes.map(|lane| &lane[done..]), &mut squares);
        // What has faded far below hearing stops, before it becomes slow to compute.
        for state in self.states.iter_mut().flatten().filter(|state| state.abs() < 1e-30) {
            *state = 0.0;
        }
        squares
    }

    /// The plain way for any machine. Every lane does the same in the same order, so wider vectors
    /// change nothing; what the next frame waits for is added last. Products are added unrounded
    /// (`fusedMultiplyAdd`, IEEE 754-2019), which is one result whether an instruction does it or
    /// not.
    fn run(&mut self, lanes: &[&[f32]; LANES], squares: &mut [f64; LANES]) {
        for (number, (lane, squares)) in lanes.iter().zip(squares).enumerate() {
            let mut own = self.states.map(|state| state[number]);
            for sample in *lane {
                let weighted = self.pass(f64::from(*sample), &mut own);
                *squares = weighted.mul_add(weighted, *squares);
            }
            for (states, state) in self.states.iter_mut().zip(own) {
                states[number] = state;
            }
        }
    }

    /// The next frame of a channel, weighted, by what the filter remembers of those before.
    #[inline(always)]
    pub(super) fn pass(&self, x: f64, states: &mut [f64; 4]) -> f64 {
        let ([s0, s1, s2, s3], f, g) = (*states, self.shelf, self.high_pass);
        let y = f[0].mul_add(x, s0);
        // The high pass's coefficients over the line are 1, −2 and 1.
        let weighted = y + s2;
        *states = [
            (-f[3]).mul_add(y, f[1].mul_add(x, s1)),
            (-f[4]).mul_add(y, f[2] * x),
            (-g[3]).mul_add(weighted, s3 - (y + y)),
            (-g[4]).mul_add(weighted, y),
        ];
        weighted
    }
}

#[cfg(target_arch = "x86_64")]
mod vector {
    //! All lanes at once in one register or two, which the compiler, left alone, keeps on the
    //! stack.

    use super::{LANES, Weighting};
    use std::arch::x86_64::{
        __m128, __m256, __m256d, __m512d, _mm_loadu_ps, _mm_movehl_ps, _mm_movelh_ps,
        _mm_unpackhi_ps, _mm_unpacklo_ps, _mm256_add_pd, _mm256_castpd_ps, _mm256_castps_pd,
        _mm256_cvtps_pd, _mm256_fmadd_pd, _mm256_fnmadd_pd, _mm256_loadu_pd, _mm256_mul_pd,
        _mm256_set_m128, _mm256_set1_pd, _mm256_storeu_pd, _mm256_sub_pd, _mm256_unpackhi_pd,
        _mm256_unpackhi_ps, _mm256_unpacklo_pd, _mm256_unpacklo_ps, _mm512_add_pd, _mm512_cvtps_pd,
        _mm512_fmadd_pd, _mm512_fnmadd_pd, _mm512_loadu_pd, _mm512_mul_pd, _mm512_set1_pd,
        _mm512_storeu_pd, _mm512_sub_pd,
    };

    /// Frames taken from every lane at a time.
    const AT_ONCE: usize = 4;

    #[target_feature(enable = "avx2")]
    fn four_samples(lane: &[f32], at: usize) -> __m128 {
        let four = &lane[at..at + AT_ONCE];
        // SAFETY: the slice is four samples long.
        #[allow(unsafe_code)]
        unsafe {
            _mm_loadu_ps(four.as_ptr())
        }
    }

    #[target_feature(enable = "avx2")]
    fn load(numbers: &[f64; LANES], half: usize) -> __m256d {
        let four = &numbers[4 * half..4 * half + 4];
        // SAFETY: the slice is four numbers long.
        #[allow(unsafe_code)]
        unsafe {
            _mm256_loadu_pd(four.as_ptr())
        }
    }

    #[target_feature(enable = "avx2")]
    fn store(numbers: &mut [f64; LANES], half: usize, four: __m256d) {
        let to = &mut numbers[4 * half..4 * half + 4];
        // SAFETY: the slice is four numbers long.
        #[allow(unsafe_code)]
        unsafe {
            _mm256_storeu_pd(to.as_mut_ptr(), four);
        }
    }

    /// Four frames of four lanes, each frame in one register.
    #[target_feature(enable = "avx2")]
    fn frames(lanes: &[&[f32]], at: usize) -> [__m256d; AT_ONCE] {
        let [a, b, c, d] = [0, 1, 2, 3].map(|lane| four_samples(lanes[lane], at));
        let (ab, cd) = (_mm_unpacklo_ps(a, b), _mm_unpacklo_ps(c, d));
        let (ab_late, cd_late) = (_mm_unpackhi_ps(a, b), _mm_unpackhi_ps(c, d));
        [
            _mm256_cvtps_pd(_mm_movelh_ps(ab, cd)),
            _mm256_cvtps_pd(_mm_movehl_ps(cd, ab)),
            _mm256_cvtps_pd(_mm_movelh_ps(ab_late, cd_late)),
            _mm256_cvtps_pd(_mm_movehl_ps(cd_late, ab_late)),
        ]
    }

    /// The twin of [`Weighting::run`]; gives how many frames it did, all but a few.
    #[target_feature(enable = "avx2,fma")]
    pub(super) fn run(
        filter: &mut Weighting,
        lanes: &[&[f32]; LANES],
        squares: &mut [f64; LANES],
    ) -> usize {
        let f = filter.shelf.map(|value| _mm256_set1_pd(value));
        let g = [filter.high_pass[3], filter.high_pass[4]].map(|value| _mm256_set1_pd(value));
        let mut states = [0, 1, 2, 3].map(|n| [0, 1].map(|half| load(&filter.states[n], half)));
        let mut sums = [0, 1].map(|half| load(squares, half));
        let done = lanes[0].len() / AT_ONCE * AT_ONCE;
        for at in (0..done).step_by(AT_ONCE) {
            let [front, back] = [frames(&lanes[..4], at), frames(&lanes[4..], at)];
            for (front, back) in front.into_iter().zip(back) {
                for (half, x) in [front, back].into_iter().enumerate() {
                    let [s0, s1, s2, s3] = states.map(|state| state[half]);
                    let y = _mm256_fmadd_pd(f[0], x, s0);
                    let ahead = _mm256_fmadd_pd(f[1], x, s1);
                    states[0][half] = _mm256_fnmadd_pd(f[3], y, ahead);
                    states[1][half] = _mm256_fnmadd_pd(f[4], y, _mm256_mul_pd(f[2], x));
                    let weighted = _mm256_add_pd(y, s2);
                    let ahead = _mm256_sub_pd(s3, _mm256_add_pd(y, y));
                    states[2][half] = _mm256_fnmadd_pd(g[0], weighted, ahead);
                    states[3][half] = _mm256_fnmadd_pd(g[1], weighted, y);
                    sums[half] = _mm256_fmadd_pd(weighted, weighted, sums[half]);
                }
            }
        }
        for half in 0..2 {
            store(squares, half, sums[half]);
            for (to, state) in filter.states.iter_mut().zip(&states) {
                store(to, half, state[half]);
            }
        }
        done
    }

    /// Four frames of all lanes, each frame in one register.
    #[target_feature(enable = "avx2,avx512f")]
    fn frames_wide(lanes: &[&[f32]; LANES], at: usize) -> [__m512d; AT_ONCE] {
        let pair = |n| _mm256_set_m128(four_samples(lanes[n + 4], at), four_samples(lanes[n], at));
        let [a, b, c, d] = [pair(0), pair(1), pair(2), pair(3)];
        let two = |lanes: __m256| _mm256_castps_pd(lanes);
        let ab = [_mm256_unpacklo_ps(a, b), _mm256_unpackhi_ps(a, b)].map(two);
        let cd = [_mm256_unpacklo_ps(c, d), _mm256_unpackhi_ps(c, d)].map(two);
        let wide = |frame: __m256d| _mm512_cvtps_pd(_mm256_castpd_ps(frame));
        [
            wide(_mm256_unpacklo_pd(ab[0], cd[0])),
            wide(_mm256_unpackhi_pd(ab[0], cd[0])),
            wide(_mm256_unpacklo_pd(ab[1], cd[1])),
            wide(_mm256_unpackhi_pd(ab[1], cd[1])),
        ]
    }

    #[target_feature(enable = "avx512f")]
    fn load_wide(numbers: &[f64; LANES]) -> __m512d {
        // SAFETY: there are eight numbers.
        #[allow(unsafe_code)]
        unsafe {
            _mm512_loadu_pd(numbers.as_ptr())
        }
    }

    #[target_feature(enable = "avx512f")]
    fn store_wide(numbers: &mut [f64; LANES], eight: __m512d) {
        // SAFETY: there are eight numbers.
        #[allow(unsafe_code)]
        unsafe {
            _mm512_storeu_pd(numbers.as_mut_ptr(), eight);
        }
    }

    /// The same as [`run`], all lanes in one register.
    #[target_feature(enable = "avx2,fma,avx512f")]
    pub(super) fn run_wide(
        filter: &mut Weighting,
        lanes: &[&[f32]; LANES],
        squares: &mut [f64; LANES],
    ) -> usize {
        let f = filter.shelf.map(|value| _mm512_set1_pd(value));
        let g = [filter.high_pass[3], filter.high_pass[4]].map(|value| _mm512_set1_pd(value));
        let [mut s0, mut s1, mut s2, mut s3] = [0, 1, 2, 3].map(|n| load_wide(&filter.states[n]));
        let mut sum = load_wide(squares);
        let done = lanes[0].len() / AT_ONCE * AT_ONCE;
        for at in (0..done).step_by(AT_ONCE) {
            for x in frames_wide(lanes, at) {
                let y = _mm512_fmadd_pd(f[0], x, s0);
                s0 = _mm512_fnmadd_pd(f[3], y, _mm512_fmadd_pd(f[1], x, s1));
                s1 = _mm512_fnmadd_pd(f[4], y, _mm512_mul_pd(f[2], x));
                let weighted = _mm512_add_pd(y, s2);
                let ahead = _mm512_sub_pd(s3, _mm512_add_pd(y, y));
                s2 = _mm512_fnmadd_pd(g[0], weighted, ahead);
                s3 = _mm512_fnmadd_pd(g[1], weighted, y);
                sum = _mm512_fmadd_pd(weighted, weighted, sum);
            }
        }
        store_wide(squares, sum);
        for (to, state) in filter.states.iter_mut().zip([s0, s1, s2, s3]) {
            store_wide(to, state);
        }
        done
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ITU-R BS.1770-4, tables 1 and 2.
    #[test]
    fn coefficients_at_48_khz_are_those_of_the_standard() {
        let weighting = Weighting::new(48_000);
        let shelf = [
            1.535_124_859_586_97,
            -2.691_696_189_406_38,
            1.198_392_810_852_85,
            -1.690_659_293_182_41,
            0.732_480_774_215_85,
        ];
        let high_pass = [1.0, -2.0, 1.0, -1.990_047_454_833_98, 0.990_072_250_366_21];
        let pairs = shelf.iter().zip(weighting.shelf);
        for (book, ours) in pairs.chain(high_pass.iter().zip(weighting.high_pass)) {
            assert!((book - ours).abs() < 1e-9, "{book} {ours}");
        }
    }

    #[test]
    fn vector_and_scalar_twins_agree_to_the_last_bit() {
        let mut random = fastrand::Rng::with_seed(13);
        let [mut plain, mut vector, mut widest] = [(); 3].map(|()| Weighting::new(44_100));
        for frames in [1usize, 3, 4, 479, 1024, 0, 960] {
            let planes: [Vec<f32>; LANES] = std::array::from_fn(|lane| {
                (0..frames).map(|_| (random.f32() - 0.5) * lane as f32).collect()
            });
            let lanes = planes.each_ref().map(Vec::as_slice);
            let mut squares = [0.0; LANES];
            plain.run(&lanes, &mut squares);
            assert_eq!(squares, widest.squares(&lanes));
            assert_eq!(plain.states, widest.states);
            #[cfg(target_arch = "x86_64")]
            if processor::has_fused_vectors() {
                let mut squares_of_vector = [0.0; LANES];
                // SAFETY: the processor has AVX2 and FMA.
                #[allow(unsafe_code)]
                let done = unsafe { vector::run(&mut vector, &lanes, &mut squares_of_vector) };
                vector.run(&lanes.map(|lane| &lane[done..]), &mut squares_of_vector);
                assert_eq!(squares, squares_of_vector);
                assert_eq!(plain.states, vector.states);
            }
        }
    }
}

//! From numbers to integers of few bits: rounding with triangular dither.

/// Rounds samples of full scale ±1 to integers of a given width.
///
/// With dither, noise of triangular density (TPDF) that spans ±1 LSB, 2 LSB peak to peak, is
/// added before rounding. The total error is then free of distortion and of noise modulation,
/// with variance LSB²/6 (dither) + LSB²/12 (rounding) = LSB²/4, that is +4.77 dB against the
/// rounding alone, whatever the sound (Lipshitz, Wannamaker and Vanderkooy, "Quantization and
/// dither: a theoretical survey", J. Audio Eng. Soc. 40(5), 1992).
#[derive(Clone, Debug)]
pub struct Quantiser {
    scale: f64,
    noise: Option<Noise>,
}

impl Quantiser {
    /// Rounds to integers of `bits`, with dither from `seed` if there is one. Give each channel
    /// a quantiser of its own, by its `channel` number, so that their noises are independent.
    pub fn new(bits: u32, seed: Option<u64>, channel: u64) -> Self {
        Quantiser {
            scale: (1u64 << (bits - 1)) as f64,
            noise: seed.map(|seed| Noise::new(seed, channel)),
        }
    }

    /// The integer for the next sample; what is beyond full scale is clipped.
    pub fn round(&mut self, sample: f64) -> i32 {
        let noise = self.noise.as_mut().map_or(0.0, Noise::triangular);
        let rounded = (sample * self.scale + noise).round_ties_even();
        rounded.clamp(-self.scale, self.scale - 1.0) as i32
    }
}

/// SplitMix64 (Steele, Lea and Flood, "Fast splittable pseudorandom number generators", OOPSLA
/// 2014).
#[derive(Clone, Debug)]
struct Noise {
    state: u64,
}

impl Noise {
    fn new(seed: u64, channel: u64) -> Self {
        let mut of_seed = Noise { state: seed };
        let mut of_channel = Noise { state: of_seed.next() ^ channel };
        Noise { state: of_channel.next() }
    }

    fn next(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.state ^ (self.state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// The difference of two uniform numbers: triangular on (−1, 1).
    fn triangular(&mut self) -> f64 {
        let word = self.next();
        let (high, low) = ((word >> 32) as f64, (word & 0xffff_ffff) as f64);
        (high - low) / 4_294_967_296.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Error power of a quantiser at `level` LSB, in dB re LSB²/12, and its mean in LSB.
    fn error_of(quantiser: &mut Quantiser, level: f64) -> (f64, f64) {
        const N: usize = 400_000;
        let lsb = 1.0 / 32_768.0;
        let errors: Vec<f64> =
            (0..N).map(|_| f64::from(quantiser.round(level * lsb)) - level).collect();
        let mean = errors.iter().sum::<f64>() / N as f64;
        let power = errors.iter().map(|e| e * e).sum::<f64>() / N as f64;
        (10.0 * (power * 12.0).log10(), mean)
    }

    /// Lipshitz, Wannamaker and Vanderkooy 1992: 10·log₁₀ 3 = 4.77 dB at any level.
    #[test]
    fn the_error_of_dithered_rounding_is_4_77_db_at_any_level() {
        for level in [0.0, 0.25, 0.5, -0.37, 100.0, 12_345.68] {
            let (db, mean) = error_of(&mut Quantiser::new(16, Some(7), 0), level);
            assert!((db - 4.771).abs() < 0.03, "{db} dB at {level} LSB");
            assert!(mean.abs() < 0.005, "mean {mean} LSB at {level} LSB");
        }
    }

    #[test]
    fn without_dither_integers_come_back_as_they_were() {
        let mut quantiser = Quantiser::new(24, None, 0);
        for n in [-8_388_608, -1, 0, 1, 77_777, 8_388_607] {
            assert_eq!(quantiser.round(f64::from(n) / 8_388_608.0), n);
        }
    }

    #[test]
    fn beyond_full_scale_is_clipped() {
        let mut quantiser = Quantiser::new(16, Some(1), 0);
        assert_eq!([quantiser.round(1.5), quantiser.round(-2.0)], [32_767, -32_768]);
    }

    #[test]
    fn channels_have_independent_noise_and_seeds_repeat() {
        let noise = |seed, channel| {
            let mut noise = Noise::new(seed, channel);
            (0..50_000).map(|_| noise.triangular()).collect::<Vec<_>>()
        };
        let (left, right) = (noise(3, 0), noise(3, 1));
        assert_eq!(left, noise(3, 0));
        let dot = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
        let correlation = dot(&left, &right) / dot(&left, &left);
        assert!(correlation.abs() < 0.02, "{correlation}");
    }
}

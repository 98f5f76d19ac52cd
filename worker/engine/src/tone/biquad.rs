//! Second-order filters in the forms of Robert Bristow-Johnson's Audio EQ Cookbook (W3C Working
//! Group Note, 2021): high-pass, low-pass, low shelf, high shelf, bell.

use super::{OutOfRange, within};
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// What a band does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BandKind {
    /// 12 dB an octave below the frequency.
    HighPass,
    /// 12 dB an octave above it.
    LowPass,
    /// Lifts or lowers what lies below.
    LowShelf,
    /// Lifts or lowers what lies above.
    HighShelf,
    /// Lifts or lowers about the frequency.
    Bell,
}

/// One band of an equaliser.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Band {
    /// What it does.
    pub kind: BandKind,
    /// Where, Hz: 10 to 0.49 of the sample rate.
    pub hz: f64,
    /// By how much, dB: −30 to 30; passes ignore it.
    #[serde(default)]
    pub gain_db: f64,
    /// How narrow: 0.1 to 30; 0.7071 gives a pass without a bump.
    #[serde(default = "butterworth")]
    pub q: f64,
}

fn butterworth() -> f64 {
    std::f64::consts::FRAC_1_SQRT_2
}

/// Coefficients, a₀ divided out.
#[derive(Debug, Clone, Copy)]
struct Coefficients {
    b: [f64; 3],
    a: [f64; 2],
}

fn coefficients(band: &Band, rate_hz: u32) -> Result<Coefficients, OutOfRange> {
    let rate = f64::from(rate_hz);
    let hz = within("the frequency of a band in Hz", band.hz, 10.0, 0.49 * rate)?;
    let gain_db = within("the gain of a band in dB", band.gain_db, -30.0, 30.0)?;
    let q = within("the Q of a band", band.q, 0.1, 30.0)?;
    let (sin, cos) = (TAU * hz / rate).sin_cos();
    let alpha = sin / (2.0 * q);
    let a = 10f64.powf(gain_db / 40.0);
    let slope = 2.0 * a.sqrt() * alpha;
    let (up, down) = (a + 1.0, a - 1.0);
    let (b, a) = match band.kind {
        BandKind::HighPass => (
            [(1.0 + cos) / 2.0, -(1.0 + cos), (1.0 + cos) / 2.0],
            [1.0 + alpha, -2.0 * cos, 1.0 - alpha],
        ),
        BandKind::LowPass => (
            [(1.0 - cos) / 2.0, 1.0 - cos, (1.0 - cos) / 2.0],
            [1.0 + alpha, -2.0 * cos, 1.0 - alpha],
        ),
        BandKind::Bell => (
            [1.0 + alpha * a, -2.0 * cos, 1.0 - alpha * a],
            [1.0 + alpha / a, -2.0 * cos, 1.0 - alpha / a],
        ),
        BandKind::LowShelf => (
            [
                a * (up - down * cos + slope),
                2.0 * a * (down - up * cos),
                a * (up - down * cos - slope),
            ],
            [up + down * cos + slope, -2.0 * (down + up * cos), up + down * cos - slope],
        ),
        BandKind::HighShelf => (
            [
                a * (up + down * cos + slope),
                -2.0 * a * (down + up * cos),
                a * (up + down * cos - slope),
            ],
            [up - down * cos + slope, 2.0 * (down - up * cos), up - down * cos - slope],
        ),
    };
    Ok(Coefficients { b: b.map(|b| b / a[0]), a: [a[1] / a[0], a[2] / a[0]] })
}

/// Bands one after the other on both channels, in `f64`, transposed direct form II.
pub struct Equaliser {
    bands: Vec<(Coefficients, [[f64; 2]; 2])>,
}

impl Equaliser {
    /// # Errors
    /// [`OutOfRange`] names the setting that cannot be.
    pub fn new(bands: &[Band], rate_hz: u32) -> Result<Self, OutOfRange> {
        let band = |band| Ok((coefficients(band, rate_hz)?, [[0.0; 2]; 2]));
        Ok(Self { bands: bands.iter().map(band).collect::<Result<_, _>>()? })
    }

    /// Works on a block in place.
    pub fn process(&mut self, planes: &mut [Vec<f32>; 2]) {
        for (side, plane) in planes.iter_mut().enumerate() {
            if self.bands.is_empty() {
                continue;
            }
            for sample in plane {
                let mut x = f64::from(*sample);
                for (Coefficients { b, a }, states) in &mut self.bands {
                    let state = &mut states[side];
                    let y = b[0] * x + state[0];
                    state[0] = b[1] * x - a[0] * y + state[1];
                    state[1] = b[2] * x - a[1] * y;
                    x = y;
                }
                *sample = x as f32;
            }
        }
        // What has faded below hearing stops, before it becomes slow to compute.
        for (_, states) in &mut self.bands {
            for state in states.iter_mut().flatten().filter(|state| state.abs() < 1e-25) {
                *state = 0.0;
            }
        }
    }

    /// The level it gives a frequency, dB: |H(e^jω)| of the coefficients.
    #[must_use]
    pub fn response_db(&self, hz: f64, rate_hz: u32) -> f64 {
        let w = TAU * hz / f64::from(rate_hz);
        let square = |c: [f64; 3]| {
            let real = c[0] + c[1] * w.cos() + c[2] * (2.0 * w).cos();
            let imaginary = c[1] * w.sin() + c[2] * (2.0 * w).sin();
            real * real + imaginary * imaginary
        };
        let band = |(Coefficients { b, a }, _): &(Coefficients, _)| {
            10.0 * (square(*b) / square([1.0, a[0], a[1]])).log10()
        };
        self.bands.iter().map(band).sum()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    const RATE: u32 = 48_000;

    fn band(kind: BandKind, hz: f64, gain_db: f64) -> Band {
        Band { kind, hz, gain_db, q: butterworth() }
    }

    /// Corner values the cookbook's forms are made for.
    #[test]
    fn bands_do_what_their_names_say() {
        let at = |band: Band, hz: f64| Equaliser::new(&[band], RATE).unwrap().response_db(hz, RATE);
        let pass = band(BandKind::HighPass, 100.0, 0.0);
        assert!((at(pass, 100.0) + 3.01).abs() < 0.01);
        assert!((at(pass, 25.0) + 24.1).abs() < 0.2 && at(pass, 5000.0).abs() < 0.01);
        let bell = band(BandKind::Bell, 1000.0, 6.0);
        assert!((at(bell, 1000.0) - 6.0).abs() < 1e-9 && at(bell, 20.0).abs() < 0.01);
        let low = band(BandKind::LowShelf, 200.0, -4.0);
        assert!((at(low, 200.0) + 2.0).abs() < 1e-9 && (at(low, 10.0) + 4.0).abs() < 0.01);
        let high = band(BandKind::HighShelf, 4000.0, 3.0);
        assert!((at(high, 4000.0) - 1.5).abs() < 1e-9 && at(high, 50.0).abs() < 0.01);
    }

    #[test]
    fn what_it_does_is_what_it_says_and_cuts_do_not_matter() {
        let bands = [band(BandKind::HighPass, 80.0, 0.0), band(BandKind::Bell, 1000.0, 6.0)];
        let sine: Vec<f32> = (0..48_000)
            .map(|n| (TAU * 1000.0 * f64::from(n) / f64::from(RATE)).sin() as f32 * 0.1)
            .collect();
        let mut whole = [sine.clone(), sine.clone()];
        let mut equaliser = Equaliser::new(&bands, RATE).unwrap();
        equaliser.process(&mut whole);
        let peak = whole[0][24_000..].iter().fold(0.0f32, |most, s| most.max(s.abs()));
        let expected = equaliser.response_db(1000.0, RATE);
        assert!((20.0 * f64::from(peak / 0.1).log10() - expected).abs() < 0.01);
        let mut cut = Equaliser::new(&bands, RATE).unwrap();
        let mut joined = Vec::new();
        for part in sine.chunks(777) {
            let mut planes = [part.to_vec(), part.to_vec()];
            cut.process(&mut planes);
            joined.extend_from_slice(&planes[0]);
        }
        assert_eq!(joined, whole[0]);
    }

    #[test]
    fn impossible_settings_are_named() {
        for wrong in [
            band(BandKind::Bell, 30_000.0, 0.0),
            band(BandKind::Bell, f64::NAN, 0.0),
            band(BandKind::Bell, 1000.0, 99.0),
            Band { q: 0.0, ..band(BandKind::Bell, 1000.0, 1.0) },
        ] {
            assert!(Equaliser::new(&[wrong], RATE).is_err());
        }
    }
}

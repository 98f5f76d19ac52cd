//! Equaliser, compressor and room: off unless asked for, raw material comes first.
//!
//! All work on stereo blocks, keep their state from block to block, and give the same result
//! however a programme is cut into blocks; a recorded room ([`Hall`]) does so within rounding.

mod biquad;
mod compressor;
mod convolve;
mod hall;
mod room;

pub use biquad::{Band, BandKind, Equaliser};
pub use compressor::{Compressor, CompressorSettings};
pub use hall::{Hall, ImpulseError, ImpulseResponse, LONGEST_S as LONGEST_IMPULSE_S};
pub use room::{Room, RoomSettings};

use serde::{Deserialize, Serialize};

/// What is done to one group, or to the whole mix, in this order.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct ToneSettings {
    /// Bands of the equaliser, applied one after the other.
    pub bands: Vec<Band>,
    /// The compressor, if any.
    pub compressor: Option<CompressorSettings>,
    /// Level sent to the shared room, dB; none sends nothing.
    pub send_db: Option<f64>,
}

/// A value out of the range a tone setting may have.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{what} is {value}, and must lie between {least} and {most}")]
pub struct OutOfRange {
    what: &'static str,
    value: f64,
    least: f64,
    most: f64,
}

/// Gives the value back if it lies in the range; NaN does not.
fn within(what: &'static str, value: f64, least: f64, most: f64) -> Result<f64, OutOfRange> {
    if (least..=most).contains(&value) {
        Ok(value)
    } else {
        Err(OutOfRange { what, value, least, most })
    }
}

/// Equaliser and compressor of one group or of the mix.
pub struct Tone {
    equaliser: Equaliser,
    compressor: Option<Compressor>,
    send: f64,
}

impl Tone {
    /// # Errors
    /// [`OutOfRange`] names the setting that cannot be.
    pub fn new(settings: &ToneSettings, rate_hz: u32) -> Result<Self, OutOfRange> {
        let send_db = settings.send_db.unwrap_or(f64::NEG_INFINITY);
        if settings.send_db.is_some() {
            within("the room send in dB", send_db, -90.0, 12.0)?;
        }
        Ok(Self {
            equaliser: Equaliser::new(&settings.bands, rate_hz)?,
            compressor: settings
                .compressor
                .as_ref()
                .map(|compressor| Compressor::new(compressor, rate_hz))
                .transpose()?,
            send: 10f64.powf(send_db / 20.0),
        })
    }

    /// Level sent to the room, linear.
    #[must_use]
    pub fn send(&self) -> f64 {
        self.send
    }

    /// Works on a block in place.
    pub fn process(&mut self, planes: &mut [Vec<f32>; 2]) {
        self.equaliser.process(planes);
        if let Some(compressor) = &mut self.compressor {
            compressor.process(planes);
        }
    }
}

//! Tone of groups, the shared room and tone of the mix: nothing of it unless it is written.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::document::{Node, Notes, Table};

/// Bands of one equaliser at most.
const MOST_BANDS: usize = 24;

/// What is done to a group or to the mix, in this order.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Tone {
    /// Bands of an equaliser, one after the other.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub bands: Vec<ToneBand>,
    /// A compressor, if any.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub compressor: Option<ToneCompressor>,
    /// Level sent to the room, dB; of a group only.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub send_db: Option<f64>,
}

/// One band.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ToneBand {
    /// One of [`BAND_KINDS`].
    pub kind: String,
    /// Where, Hz.
    pub hz: f64,
    /// By how much, dB; passes ignore it.
    pub gain_db: f64,
    /// How narrow.
    pub q: f64,
}

/// What a band can be.
pub const BAND_KINDS: [&str; 5] = ["high-pass", "low-pass", "low-shelf", "high-shelf", "bell"];

/// A compressor.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ToneCompressor {
    /// Level above which it works, dB re full scale.
    pub threshold_db: f64,
    /// Input dB for one output dB above.
    pub ratio: f64,
    /// Width of the bend, dB.
    pub knee_db: f64,
    /// Time constant of turning down, ms.
    pub attack_ms: f64,
    /// Time constant of letting go, ms.
    pub release_ms: f64,
    /// Gain after it, dB.
    pub makeup_db: f64,
}

/// The room that groups send to.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct ToneRoom {
    /// Time in which a sound falls by 60 dB, s.
    pub rt60_s: f64,
    /// The same at half the sample rate, s.
    pub rt60_high_s: f64,
    /// Silence before the first reflection, ms.
    pub pre_delay_ms: f64,
    /// Size: 1 is a hall.
    pub size: f64,
    /// A recorded room instead: the name of its impulse response among the piece's own files.
    /// Times and size are then the recording's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub impulse: Option<String>,
}

impl ToneRoom {
    /// As it is written: of a recorded room without what the recording decides.
    pub(super) fn json(&self) -> Value {
        let mut value = serde_json::to_value(self).unwrap_or_default();
        if let (Some(_), Some(fields)) = (&self.impulse, value.as_object_mut()) {
            OF_THE_RECORDING.iter().for_each(|key| drop(fields.remove(*key)));
        }
        value
    }
}

/// What a recorded room decides by itself.
const OF_THE_RECORDING: [&str; 3] = ["rt60_s", "rt60_high_s", "size"];

impl Tone {
    pub(super) fn is_none(&self) -> bool {
        *self == Tone::default()
    }

    pub(super) fn json(&self) -> Value {
        serde_json::to_value(self).unwrap_or_default()
    }
}

/// A tone; `sends` says whether it may send to the room.
pub(super) fn tone(
    node: &Node,
    what: &'static str,
    sends: bool,
    rate_hz: u32,
    notes: &Notes,
) -> Tone {
    let Some(mut table) = Table::of(node, what, notes) else { return Tone::default() };
    let bands = table.list("bands", MOST_BANDS);
    let bands = bands.iter().filter_map(|node| band(node, rate_hz, notes)).collect();
    let compressor = table.get("compressor").and_then(|node| compressor(node, notes));
    let send_db = if sends { table.number("send_db", -90.0..=12.0) } else { None };
    table.done();
    Tone { bands, compressor, send_db }
}

fn band(node: &Node, rate_hz: u32, notes: &Notes) -> Option<ToneBand> {
    let mut table = Table::of(node, "a band", notes)?;
    let kind_node = table.need("kind", "add kind = \"high-pass\"");
    let kind = table.text("kind", 20);
    table.need("hz", "add hz, such as hz = 100");
    let hz = table.number("hz", 10.0..=0.49 * f64::from(rate_hz));
    let gain_db = table.number("gain_db", -30.0..=30.0).unwrap_or(0.0);
    // Butterworth: a pass without a bump.
    let q = table.number("q", 0.1..=30.0).unwrap_or(std::f64::consts::FRAC_1_SQRT_2);
    table.done();
    let kind = kind?;
    if !BAND_KINDS.contains(&kind.as_str()) {
        let place = kind_node.map_or(&node.place, |node| &node.place);
        let what = format!("there is no band of kind \"{kind}\"");
        notes.note(place, what, format!("write one of {}", BAND_KINDS.join(", ")));
        return None;
    }
    Some(ToneBand { kind, hz: hz?, gain_db, q })
}

fn compressor(node: &Node, notes: &Notes) -> Option<ToneCompressor> {
    let mut table = Table::of(node, "a compressor", notes)?;
    let compressor = ToneCompressor {
        threshold_db: table.number("threshold_db", -80.0..=0.0).unwrap_or(-24.0),
        ratio: table.number("ratio", 1.0..=20.0).unwrap_or(1.5),
        knee_db: table.number("knee_db", 0.0..=30.0).unwrap_or(6.0),
        attack_ms: table.number("attack_ms", 0.1..=500.0).unwrap_or(30.0),
        release_ms: table.number("release_ms", 5.0..=5_000.0).unwrap_or(250.0),
        makeup_db: table.number("makeup_db", -24.0..=24.0).unwrap_or(0.0),
    };
    table.done();
    Some(compressor)
}

pub(super) fn room(node: &Node, notes: &Notes) -> Option<ToneRoom> {
    let mut table = Table::of(node, "the room", notes)?;
    let impulse_node = table.get("impulse");
    let impulse = table.text("impulse", 80);
    if let (Some(node), Some(name)) = (impulse_node, &impulse)
        && !is_file_name(name)
    {
        let what = format!("\"{name}\" is not the name of a file");
        notes.note(&node.place, what, "write the name it was uploaded by, such as \"hall.wav\"");
    }
    if impulse.is_some() {
        for key in OF_THE_RECORDING {
            if let Some(node) = table.get(key) {
                let what = format!("a recorded room has its own {key}");
                notes.note(&node.place, what, format!("take {key} out, or impulse"));
            }
        }
    }
    let rt60_s = table.number("rt60_s", 0.2..=10.0).unwrap_or(1.8);
    let most = rt60_s.max(0.1);
    let room =
        ToneRoom {
            rt60_s,
            rt60_high_s: table.number("rt60_high_s", 0.1..=most).unwrap_or(most.min(0.7)),
            // A recording brings its own silence before the first reflection.
            pre_delay_ms: table
                .number("pre_delay_ms", 0.0..=200.0)
                .unwrap_or(if impulse.is_some() { 0.0 } else { 15.0 }),
            size: table.number("size", 0.5..=2.0).unwrap_or(1.0),
            impulse,
        };
    table.done();
    Some(room)
}

/// Letters, digits, dots, hyphens and underscores, as uploaded files are named.
fn is_file_name(name: &str) -> bool {
    let fits = |letter: char| letter.is_ascii_alphanumeric() || matches!(letter, '.' | '-' | '_');
    !name.is_empty() && !name.starts_with('.') && name.chars().all(fits)
}

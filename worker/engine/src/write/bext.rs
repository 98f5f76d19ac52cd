//! The broadcast extension chunk, version 2 (EBU Tech 3285 v2, 2011).

use super::WriteError;

/// What the `bext` chunk of a WAV file says. Texts are ASCII and are cut to the field's length;
/// other characters become question marks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Bext {
    /// What the sound is, up to 256 characters.
    pub description: String,
    /// Who made the file, up to 32.
    pub originator: String,
    /// A reference of the maker's, up to 32.
    pub originator_reference: String,
    /// `yyyy-mm-dd`.
    pub origination_date: String,
    /// `hh:mm:ss`.
    pub origination_time: String,
    /// Where the first sample lies, in samples since midnight.
    pub time_reference_samples: u64,
    /// Loudness, where it was measured.
    pub loudness: BextLoudness,
    /// One line a step, without the line end.
    pub coding_history: Vec<String>,
}

/// The loudness fields of `bext`; what is `None` is marked as not used.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct BextLoudness {
    /// Integrated loudness.
    pub integrated_lufs: Option<f64>,
    /// Loudness range.
    pub range_lu: Option<f64>,
    /// Highest true peak.
    pub max_true_peak_dbtp: Option<f64>,
    /// Highest momentary loudness.
    pub max_momentary_lufs: Option<f64>,
    /// Highest short-term loudness.
    pub max_short_term_lufs: Option<f64>,
}

/// Bytes before the coding history.
const FIXED_BYTES: usize = 602;
/// "If any loudness parameter is not being used, its value shall be 7FFFh" (clause 2.4).
const NOT_USED: i16 = 0x7fff;

impl Bext {
    /// The chunk's content. Its length does not depend on the loudness, so that may be filled in
    /// later.
    pub(super) fn to_bytes(&self) -> Result<Vec<u8>, WriteError> {
        let mut out = Vec::with_capacity(FIXED_BYTES);
        put_text(&mut out, &self.description, 256);
        put_text(&mut out, &self.originator, 32);
        put_text(&mut out, &self.originator_reference, 32);
        put_text(&mut out, &self.origination_date, 10);
        put_text(&mut out, &self.origination_time, 8);
        out.extend(self.time_reference_samples.to_le_bytes());
        out.extend(2u16.to_le_bytes());
        out.extend([0; 64]);
        for value in self.loudness.values() {
            out.extend(hundredths(value).to_le_bytes());
        }
        out.resize(FIXED_BYTES, 0);
        for line in &self.coding_history {
            out.extend(line.chars().map(ascii));
            out.extend(b"\r\n");
        }
        // Of even length, since some readers of RF64 forget that chunks are padded.
        out.resize(out.len().next_multiple_of(2), 0);
        match u32::try_from(out.len()) {
            Ok(_) => Ok(out),
            Err(_) => Err(WriteError::format("the coding history is too long for a bext chunk")),
        }
    }
}

impl BextLoudness {
    fn values(&self) -> [Option<f64>; 5] {
        [
            self.integrated_lufs,
            self.range_lu,
            self.max_true_peak_dbtp,
            self.max_momentary_lufs,
            self.max_short_term_lufs,
        ]
    }
}

fn hundredths(value: Option<f64>) -> i16 {
    match value {
        Some(v) if v.is_finite() && (v * 100.0).abs() < f64::from(NOT_USED) => {
            (v * 100.0).round() as i16
        }
        _ => NOT_USED,
    }
}

fn put_text(out: &mut Vec<u8>, text: &str, bytes: usize) {
    let end = out.len() + bytes;
    out.extend(text.chars().take(bytes).map(ascii));
    out.resize(end, 0);
}

fn ascii(c: char) -> u8 {
    if c == ' ' || c.is_ascii_graphic() { c as u8 } else { b'?' }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Byte offsets of EBU Tech 3285 v2, clause 2.3.
    #[test]
    fn fields_lie_where_the_standard_puts_them() {
        let bext = Bext {
            description: "Nine Harbours — final".into(),
            time_reference_samples: 0x0102_0304_0506_0708,
            loudness: BextLoudness { integrated_lufs: Some(-16.004), ..Default::default() },
            coding_history: vec!["A=PCM,F=48000,W=24,M=stereo".into()],
            ..Bext::default()
        };
        let bytes = bext.to_bytes().unwrap();
        assert_eq!(&bytes[..22], b"Nine Harbours ? final\0");
        assert_eq!(bytes[338..346], [8, 7, 6, 5, 4, 3, 2, 1]);
        assert_eq!(bytes[346..348], [2, 0]);
        assert_eq!(bytes[412..414], (-1600i16).to_le_bytes());
        assert_eq!(bytes[414..416], [0xff, 0x7f]);
        assert_eq!(&bytes[602..], b"A=PCM,F=48000,W=24,M=stereo\r\n\0");
    }

    #[test]
    fn silence_has_no_loudness() {
        assert_eq!(hundredths(Some(f64::NEG_INFINITY)), NOT_USED);
        assert_eq!(hundredths(Some(f64::NAN)), NOT_USED);
        assert_eq!(hundredths(Some(1e9)), NOT_USED);
    }
}

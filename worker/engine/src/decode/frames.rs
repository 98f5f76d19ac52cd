//! Frames of MP3 and ADTS, which stand one right after the other with nothing to tell the
//! time. Where one does not begin where the last ended, bytes were lost or put in, and what
//! follows may come too early or too late by no more than a frame or by seconds.

use std::io::{Read, Seek, SeekFrom};

use super::lost::Lost;

/// How much of the file is held.
const WINDOW_BYTES: usize = 1 << 16;
/// What must follow one another to be taken for frames, after a break.
const IN_A_ROW: usize = 4;

/// What a frame header says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Frame {
    bytes: u64,
    samples: u32,
    rate_hz: u32,
}

/// Walks the frames of `file` and counts the breaks between them, by the sound before each; how
/// much is lost there is not known. Tags and padding before the first and whatever follows the
/// last are no breaks.
pub(super) fn breaks(file: impl Read + Seek) -> Lost {
    let mut window = Window { file, from: 0, bytes: Vec::new() };
    let (mut breaks, mut passed) = (Lost::default(), 0);
    let mut resumed = window.resume(0);
    while let Some(mut at) = resumed {
        while let Some(frame) = window.frame(at) {
            passed += u64::from(frame.samples);
            at += frame.bytes;
        }
        resumed = window.resume(at);
        if resumed.is_some() {
            breaks.count(passed, 0);
        }
    }
    breaks
}

/// A part of the file.
struct Window<R> {
    file: R,
    from: u64,
    bytes: Vec<u8>,
}

impl<R: Read + Seek> Window<R> {
    /// Up to `count` bytes from `at` on; fewer at the end of the file or where it can't be read.
    fn bytes(&mut self, at: u64, count: usize) -> &[u8] {
        let held = at >= self.from && at + count as u64 <= self.from + self.bytes.len() as u64;
        if !held {
            self.bytes.clear();
            self.from = at;
            let read = self.file.seek(SeekFrom::Start(at)).and_then(|_| {
                let mut part = self.file.by_ref().take(WINDOW_BYTES as u64);
                part.read_to_end(&mut self.bytes)
            });
            if read.is_err() {
                self.bytes.clear();
            }
        }
        let from = usize::try_from(at - self.from).unwrap_or(usize::MAX).min(self.bytes.len());
        &self.bytes[from..(from + count).min(self.bytes.len())]
    }

    fn frame(&mut self, at: u64) -> Option<Frame> {
        mpeg(self.bytes(at, 4)).or_else(|| adts(self.bytes(at, 6)))
    }

    /// Where frames in a row begin from `at` on, past a tag that may stand there.
    fn resume(&mut self, at: u64) -> Option<u64> {
        let mut at = at + super::sniff::id3_bytes(self.bytes(at, 10));
        while !self.bytes(at, 2).is_empty() {
            if self.is_row(at) {
                return Some(at);
            }
            // To the next byte that may be a sync word's first.
            let here = self.bytes(at, WINDOW_BYTES / 2);
            let step = here.iter().skip(1).position(|byte| *byte == 0xff);
            at += step.map_or(here.len(), |step| step + 1) as u64;
        }
        None
    }

    fn is_row(&mut self, at: u64) -> bool {
        let Some(first) = self.frame(at) else { return false };
        let mut next = at + first.bytes;
        (1..IN_A_ROW).all(|_| {
            let frame = self.frame(next).filter(|frame| frame.rate_hz == first.rate_hz);
            next += frame.map_or(0, |frame| frame.bytes);
            frame.is_some()
        })
    }
}

/// Kilobits a second by index, of layer III at the full rates (ISO/IEC 11172-3, 2.4.2.3) and at the
/// lower ones (ISO/IEC 13818-3, 2.4.2.3).
const FULL: [u16; 15] = [0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320];
const LOWER: [u16; 15] = [0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160];

/// A frame of MPEG audio layer III; free formats say nothing of their length.
fn mpeg(head: &[u8]) -> Option<Frame> {
    let [0xff, second, third, _] = *head else { return None };
    let (version, layer) = (second >> 3 & 3, second >> 1 & 3);
    if second >> 5 != 7 || version == 1 || layer != 1 {
        return None;
    }
    let (rates, samples) = if version == 3 { (&FULL, 1152) } else { (&LOWER, 576) };
    let kbit_s = *rates.get(usize::from(third >> 4)).filter(|rate| **rate > 0)?;
    let full_hz = *[44_100, 48_000, 32_000].get(usize::from(third >> 2 & 3))?;
    let rate_hz: u32 = full_hz >> [2, 0, 1, 0][usize::from(version)];
    let padding = u64::from(third >> 1 & 1);
    let bytes = u64::from(samples / 8) * u64::from(kbit_s) * 1000 / u64::from(rate_hz) + padding;
    Some(Frame { bytes, samples, rate_hz })
}

/// Sample rates by index (ISO/IEC 14496-3, table 1.18).
const ADTS_RATES: [u32; 13] = [
    96_000, 88_200, 64_000, 48_000, 44_100, 32_000, 24_000, 22_050, 16_000, 12_000, 11_025, 8_000,
    7_350,
];

/// A frame of ADTS (ISO/IEC 14496-3, 1.A.2.2); its length counts the header.
fn adts(head: &[u8]) -> Option<Frame> {
    let [0xff, second, third, fourth, fifth, sixth] = *head else { return None };
    if second & 0xf6 != 0xf0 {
        return None;
    }
    let rate_hz = *ADTS_RATES.get(usize::from(third >> 2 & 0x0f))?;
    let bytes = u64::from(fourth & 3) << 11 | u64::from(fifth) << 3 | u64::from(sixth >> 5);
    (bytes > 7).then_some(Frame { bytes, samples: 1024, rate_hz })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::Info;
    use super::*;
    use std::io::Cursor;

    #[test]
    fn headers_say_how_long_their_frames_are() {
        // 144 · 128 000 / 44 100 = 417.96: 417 bytes, one more with padding (ISO/IEC 11172-3,
        // 2.4.3.1).
        let frame = |bytes, samples, rate_hz| Some(Frame { bytes, samples, rate_hz });
        assert_eq!(mpeg(&[0xff, 0xfb, 0x90, 0x64]), frame(417, 1152, 44_100));
        assert_eq!(mpeg(&[0xff, 0xfb, 0x92, 0x64]), frame(418, 1152, 44_100));
        assert_eq!(mpeg(&[0xff, 0xf3, 0x84, 0xc4]), frame(192, 576, 24_000));
        assert_eq!(mpeg(&[0xff, 0xfb, 0xf0, 0x64]), None);
        assert_eq!(mpeg(&[0xff, 0xfb, 0x00, 0x64]), None);
        assert_eq!(adts(&[0xff, 0xf1, 0x4c, 0x80, 0x2e, 0x7f]), frame(371, 1024, 48_000));
    }

    /// So many frames of 104 bytes (MPEG-1 layer III, 32 kbit/s at 44.1 kHz), 26.12 ms each.
    fn frames(count: usize) -> Vec<u8> {
        let mut frame = [0x55; 104];
        frame[..4].copy_from_slice(&[0xff, 0xfb, 0x10, 0xc4]);
        frame.repeat(count)
    }

    fn places(file: &[u8]) -> Vec<f64> {
        let info = Info {
            container: "MPEG audio",
            codec: "MP3",
            sample_rate_hz: 44_100,
            channels: 2,
            trimmed_start_frames: 0,
        };
        let (count, _, at_s) = breaks(Cursor::new(file)).seconds(&info);
        assert_eq!(count, at_s.len() as u64);
        at_s.into_iter().map(|(from_s, _)| (from_s * 1e3).round()).collect()
    }

    #[test]
    fn a_break_is_where_bytes_are_missing_or_foreign() {
        let whole = frames(1000);
        assert_eq!(places(&whole), []);
        assert_eq!(places(&[&whole[..10_000], &whole[10_300..]].concat()), [2534.0]);
        let foreign = [&frames(500)[..], &vec![0xff; 200_000], &frames(20)].concat();
        assert_eq!(places(&foreign), [13_061.0]);
        // One header alone among foreign bytes is chance.
        let chance = [&frames(500)[..], &[0; 300], &frames(1)[..4], &[0; 300], &frames(20)];
        assert_eq!(places(&chance.concat()), [13_061.0]);
        // A whole frame less leaves no trace, and one more is none.
        assert_eq!(places(&frames(999)), []);
    }

    #[test]
    fn tags_before_and_after_are_no_breaks() {
        let tag = [&b"ID3\x04\0\0\0\0\x02\0"[..], &[0xff; 256]].concat();
        // Whatever a tag holds, its like of frames too, is no sound.
        let holding = [&b"ID3\x04\0\0\0\0\x04\x12"[..], &frames(5), &[0; 10]].concat();
        assert_eq!(places(&[holding, frames(50)].concat()), []);
        let after = [b"TAG".to_vec(), vec![0x20; 125]].concat();
        assert_eq!(places(&[&tag, &vec![0; 500][..], &frames(50), &after].concat()), []);
        assert_eq!(places(&frames(50)[..5_000]), []);
        assert_eq!(places(&[]), []);
    }
}

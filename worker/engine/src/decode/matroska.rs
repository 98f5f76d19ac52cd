//! Encoder delay and padding in Matroska and WebM (RFC 9559: `CodecDelay`, 5.1.4.1.25, and
//! `DiscardPadding`, 5.1.3.5.7), which the demultiplexer does not pass on.

use std::io::{BufReader, Read, Seek};

/// Times of one track, in nanoseconds.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct TrackTrim {
    number: u64,
    /// To drop at the start.
    pub(super) codec_delay_ns: u64,
    /// To drop from the last packet.
    pub(super) end_discard_ns: u64,
}

/// A file of more elements than this is not read to its end; two hours have about a million.
const MAX_ELEMENTS: u64 = 20_000_000;
const MAX_TRACKS: usize = 64;

const SEGMENT: u32 = 0x1853_8067;
const TRACKS: u32 = 0x1654_ae6b;
const TRACK_ENTRY: u32 = 0xae;
const TRACK_NUMBER: u32 = 0xd7;
const CODEC_DELAY: u32 = 0x56aa;
const CLUSTER: u32 = 0x1f43_b675;
const BLOCK_GROUP: u32 = 0xa0;
const BLOCK: u32 = 0xa1;
const SIMPLE_BLOCK: u32 = 0xa3;
const DISCARD_PADDING: u32 = 0x75a2;

/// The trims of every track in `file`, which is read from where it stands.
pub(super) fn track_trims(file: impl Read + Seek) -> Vec<TrackTrim> {
    let mut walk = Walk { file: BufReader::new(file), tracks: Vec::new(), block_of: None };
    for _ in 0..MAX_ELEMENTS {
        if walk.element().is_none() {
            break;
        }
    }
    walk.tracks
}

/// The trims of track `number`; zeros for what is not said.
pub(super) fn trim_of(trims: &[TrackTrim], number: u32) -> TrackTrim {
    trims.iter().find(|t| t.number == u64::from(number)).copied().unwrap_or_default()
}

/// Where the segment says that it ends, if it does.
pub(super) fn promised_bytes(mut file: impl Read + Seek) -> Option<u64> {
    file.rewind().ok()?;
    let mut walk = Walk { file: BufReader::new(file), tracks: Vec::new(), block_of: None };
    loop {
        let id = walk.id()?;
        let bytes = walk.size()?;
        if id == SEGMENT {
            return walk.file.stream_position().ok()?.checked_add(bytes);
        }
        walk.skip(bytes)?;
    }
}

/// Reads elements in the order of the file. The containers that matter are entered, all others
/// skipped, so their nesting need not be kept, and those of unknown size are no different.
struct Walk<R: Read + Seek> {
    file: BufReader<R>,
    tracks: Vec<TrackTrim>,
    /// Index of the track that the last block belongs to.
    block_of: Option<usize>,
}

impl<R: Read + Seek> Walk<R> {
    fn element(&mut self) -> Option<()> {
        let id = self.id()?;
        let bytes = self.size()?;
        match id {
            SEGMENT | TRACKS | CLUSTER | BLOCK_GROUP => Some(()),
            TRACK_ENTRY if self.tracks.len() < MAX_TRACKS => {
                self.tracks.push(TrackTrim::default());
                Some(())
            }
            TRACK_NUMBER => {
                let number = self.unsigned(bytes)?;
                self.tracks.last_mut()?.number = number;
                Some(())
            }
            CODEC_DELAY => {
                let delay = self.unsigned(bytes)?;
                self.tracks.last_mut()?.codec_delay_ns = delay;
                Some(())
            }
            BLOCK | SIMPLE_BLOCK => self.block(bytes),
            DISCARD_PADDING => {
                let padding = self.unsigned(bytes)?;
                // Negative padding is to be dropped from the start of a packet; no writer that
                // we know of uses it.
                let negative = bytes > 0 && padding >> (8 * bytes - 1) == 1;
                if let Some(track) = self.block_of.and_then(|i| self.tracks.get_mut(i)) {
                    track.end_discard_ns = if negative { 0 } else { padding };
                }
                Some(())
            }
            _ => self.skip(bytes),
        }
    }

    /// A block starts with its track's number; padding counts only if no block follows it.
    fn block(&mut self, bytes: u64) -> Option<()> {
        let (number, width) = self.vint()?;
        self.block_of = self.tracks.iter().position(|t| t.number == number);
        if let Some(track) = self.block_of.and_then(|i| self.tracks.get_mut(i)) {
            track.end_discard_ns = 0;
        }
        self.skip(bytes.checked_sub(width)?)
    }

    fn skip(&mut self, bytes: u64) -> Option<()> {
        self.file.seek_relative(i64::try_from(bytes).ok()?).ok()
    }

    fn byte(&mut self) -> Option<u8> {
        let mut byte = [0];
        self.file.read_exact(&mut byte).ok()?;
        Some(byte[0])
    }

    fn id(&mut self) -> Option<u32> {
        let first = self.byte()?;
        let more = first.leading_zeros();
        if more > 3 {
            return None;
        }
        (0..more).try_fold(u32::from(first), |id, _| Some(id << 8 | u32::from(self.byte()?)))
    }

    /// A size; one that is unknown is larger than any file.
    fn size(&mut self) -> Option<u64> {
        self.vint().map(|(size, _)| size)
    }

    /// A variable-length number and how many bytes it took.
    fn vint(&mut self) -> Option<(u64, u64)> {
        let first = self.byte()?;
        let more = first.leading_zeros();
        if more > 7 {
            return None;
        }
        let start = u64::from(first) & (0x7f >> more);
        let value = (0..more).try_fold(start, |n, _| Some(n << 8 | u64::from(self.byte()?)))?;
        Some((value, u64::from(more) + 1))
    }

    /// A number of up to eight bytes.
    fn unsigned(&mut self, bytes: u64) -> Option<u64> {
        if bytes > 8 {
            return None;
        }
        (0..bytes).try_fold(0u64, |n, _| Some(n << 8 | u64::from(self.byte()?)))
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    fn element(id: &[u8], body: &[u8]) -> Vec<u8> {
        [id, &[0x80 | body.len() as u8], body].concat()
    }

    fn file(last: &[u8]) -> Vec<u8> {
        let number = element(&[0xd7], &[2]);
        let delay = element(&[0x56, 0xaa], &[0x63, 0x2e, 0xa0]);
        let tracks =
            element(&[0x16, 0x54, 0xae, 0x6b], &element(&[0xae], &[number, delay].concat()));
        let padding = element(&[0x75, 0xa2], &[0x0f, 0x42, 0x40]);
        let group = element(&[0xa0], &[element(&[0xa1], &[0x82, 0, 0, 0, 9]), padding].concat());
        // Segment and cluster of unknown size, as a browser's recorder writes them.
        let head =
            [element(&[0x1a, 0x45, 0xdf, 0xa3], &[0; 4]), vec![0x18, 0x53, 0x80, 0x67, 0xff]];
        let cluster = [0x1f, 0x43, 0xb6, 0x75, 0x01, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff];
        [&head.concat()[..], &tracks, &cluster, &group, last].concat()
    }

    #[test]
    fn delay_and_padding_are_found_in_elements_of_unknown_size() {
        let trim = trim_of(&track_trims(Cursor::new(file(&[]))), 2);
        assert_eq!((trim.codec_delay_ns, trim.end_discard_ns), (6_500_000, 1_000_000));
        assert_eq!(trim_of(&track_trims(Cursor::new(file(&[]))), 3), TrackTrim::default());
    }

    #[test]
    fn padding_counts_on_the_last_packet_only() {
        let block = element(&[0xa3], &[0x82, 0, 0, 0, 9]);
        let trim = trim_of(&track_trims(Cursor::new(file(&block))), 2);
        assert_eq!((trim.codec_delay_ns, trim.end_discard_ns), (6_500_000, 0));
    }

    #[test]
    fn a_file_cut_anywhere_is_no_trouble() {
        let whole = file(&[]);
        for length in 0..whole.len() {
            track_trims(Cursor::new(&whole[..length]));
        }
    }
}

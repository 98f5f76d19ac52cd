//! What has to be known of AAC beyond its decoder: which streams are HE-AAC, of which only the
//! low-complexity core at half the rate is decoded.

/// A configuration that the core decoder takes.
#[derive(Debug, PartialEq, Eq)]
pub(super) struct CoreConfig {
    /// An AudioSpecificConfig for AAC-LC alone.
    pub(super) config: Vec<u8>,
    /// The stream says that it carries spectral band replication above this core.
    pub(super) has_sbr: bool,
}

const LC: u32 = 2;
const SBR: u32 = 5;
const PARAMETRIC_STEREO: u32 = 29;

/// Reduces an AudioSpecificConfig (ISO/IEC 14496-3, 1.6.2.1) to its AAC-LC core; `None` if the
/// core is something else.
pub(super) fn core_config(config: &[u8]) -> Option<CoreConfig> {
    let mut bits = Bits { bytes: config, at: 0 };
    let mut object_type = bits.object_type()?;
    let rate = bits.rate()?;
    let channels = bits.take(4)?;
    let mut has_sbr = matches!(object_type, SBR | PARAMETRIC_STEREO);
    if has_sbr {
        bits.rate()?;
        object_type = bits.object_type()?;
    }
    if object_type != LC {
        return None;
    }
    let specific = bits.take(3)?;
    if !has_sbr && specific == 0 {
        has_sbr = bits.sbr_extension().unwrap_or(false);
    }
    let mut core = BitWriter::default();
    core.put(LC, 5);
    core.put(rate.index, 4);
    if rate.index == 15 {
        core.put(rate.explicit_hz, 24);
    }
    core.put(channels, 4);
    core.put(specific, 3);
    Some(CoreConfig { config: core.bytes, has_sbr })
}

/// Whether an AAC packet ends with a fill element that carries spectral band replication
/// (ISO/IEC 14496-3, 4.4.2.7), followed by nothing but the end mark and its padding. A packet
/// without it passes for one with it once in about ten, so ask many.
pub(super) fn ends_with_sbr(packet: &[u8]) -> bool {
    let bits = packet.len() * 8;
    (0..bits).any(|at| fill_reaches_end(packet, at, bits).unwrap_or(false))
}

fn fill_reaches_end(packet: &[u8], at: usize, bits: usize) -> Option<bool> {
    const FILL: u32 = 6;
    const END: u32 = 7;
    let mut reader = Bits { bytes: packet, at };
    if reader.take(3)? != FILL {
        return Some(false);
    }
    let mut bytes = reader.take(4)? as usize;
    if bytes == 15 {
        bytes += reader.take(8)? as usize;
        bytes -= 1;
    }
    let extension = reader.peek(4)?;
    reader.at += bytes * 8;
    let ends = bytes > 0 && reader.take(3)? == END && bits - reader.at < 8;
    Some(ends && matches!(extension, 13 | 14))
}

struct Rate {
    index: u32,
    explicit_hz: u32,
}

struct Bits<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Bits<'_> {
    fn peek(&self, count: usize) -> Option<u32> {
        (self.at..self.at + count).try_fold(0, |word, at| {
            let bit = self.bytes.get(at / 8)? >> (7 - at % 8) & 1;
            Some(word << 1 | u32::from(bit))
        })
    }

    fn take(&mut self, count: usize) -> Option<u32> {
        let word = self.peek(count)?;
        self.at += count;
        Some(word)
    }

    fn object_type(&mut self) -> Option<u32> {
        match self.take(5)? {
            31 => Some(32 + self.take(6)?),
            object_type => Some(object_type),
        }
    }

    fn rate(&mut self) -> Option<Rate> {
        let index = self.take(4)?;
        let explicit_hz = if index == 15 { self.take(24)? } else { 0 };
        Some(Rate { index, explicit_hz })
    }

    /// The backward compatible signalling of SBR after the core's own configuration.
    fn sbr_extension(&mut self) -> Option<bool> {
        const SYNC: u32 = 0x2b7;
        Some(self.take(11)? == SYNC && self.object_type()? == SBR && self.take(1)? == 1)
    }
}

#[derive(Default)]
struct BitWriter {
    bytes: Vec<u8>,
    at: usize,
}

impl BitWriter {
    fn put(&mut self, word: u32, count: usize) {
        for bit in (0..count).rev() {
            if self.at.is_multiple_of(8) {
                self.bytes.push(0);
            }
            let last = self.bytes.len() - 1;
            self.bytes[last] |= ((word >> bit & 1) as u8) << (7 - self.at % 8);
            self.at += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_low_complexity_stays_as_it_is() {
        let lc = core_config(&[0x12, 0x10]).unwrap();
        assert_eq!(lc, CoreConfig { config: vec![0x12, 0x10], has_sbr: false });
    }

    /// 0x2b 0x92 0x08 0x00: object type 5, 22 050 Hz, stereo, extension 44 100 Hz, core LC.
    #[test]
    fn explicit_sbr_is_reduced_to_its_core() {
        let he = core_config(&[0x2b, 0x92, 0x08, 0x00]).unwrap();
        assert_eq!(he, CoreConfig { config: vec![0x13, 0x90], has_sbr: true });
    }

    /// LC at 22 050 Hz, mono, then 0x2b7, object type 5, SBR present, 44 100 Hz.
    #[test]
    fn backward_compatible_sbr_is_seen() {
        let he = core_config(&[0x13, 0x88, 0x56, 0xe5, 0xa0]).unwrap();
        assert_eq!(he, CoreConfig { config: vec![0x13, 0x88], has_sbr: true });
    }

    #[test]
    fn other_cores_are_not_taken() {
        assert_eq!(core_config(&[0x0a, 0x10]), None);
        assert_eq!(core_config(&[]), None);
    }

    #[test]
    fn a_fill_element_with_sbr_at_the_end_is_found() {
        let mut packet = BitWriter::default();
        packet.put(0x1234, 17);
        packet.put(6, 3);
        packet.put(4, 4);
        packet.put(13, 4);
        packet.put(0xabc_def1, 28);
        packet.put(7, 3);
        assert!(ends_with_sbr(&packet.bytes));
        let mut padding = BitWriter::default();
        padding.put(6, 3);
        padding.put(2, 4);
        padding.put(0, 16);
        padding.put(7, 3);
        assert!(!ends_with_sbr(&padding.bytes));
        assert!(!ends_with_sbr(&[0xcf, 0, 0, 0]), "an escaped count of nothing");
    }
}

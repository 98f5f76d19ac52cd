//! Opus packets to planar samples, always at 48 kHz (RFC 6716, RFC 7845).

use opus_pure::{ChannelLayout, MAX_PACKET_SAMPLES, OpusDecoder, OpusMSDecoder, packet};

/// The rate that Opus is decoded at, and in which its pre-skip is counted.
pub(super) const OPUS_RATE_HZ: u32 = 48_000;

/// A decoder set up from an identification header.
pub(super) struct OpusPackets {
    decoder: Decoder,
    channels: u16,
    pre_skip: u16,
    interleaved: Vec<f32>,
}

enum Decoder {
    Plain(Box<OpusDecoder>),
    Surround(Box<OpusMSDecoder>),
}

/// What the identification header says (RFC 7845, 5.1).
#[derive(Debug, PartialEq)]
struct Head {
    channels: u8,
    pre_skip: u16,
    gain_q8: i16,
    family: u8,
    mapping: Vec<u8>,
}

impl OpusPackets {
    /// Sets up a decoder from `head`, an identification header with its magic. In MP4 the same
    /// fields are big-endian (Encapsulation of Opus in ISO Base Media File Format, 4.3.2).
    ///
    /// # Errors
    /// A few words on what is not supported.
    pub(super) fn new(head: &[u8], big_endian: bool) -> Result<Self, String> {
        let head = Head::parse(head, big_endian).ok_or("a damaged Opus header")?;
        let channels = usize::from(head.channels);
        let rate = OPUS_RATE_HZ as i32;
        let decoder = if head.family == 0 {
            let mut decoder = OpusDecoder::new(rate, channels).map_err(|e| e.to_string())?;
            decoder.gain_q8 = head.gain_q8.into();
            Decoder::Plain(Box::new(decoder))
        } else {
            let layout = ChannelLayout::surround(channels, head.family)
                .map_err(|_| format!("Opus channel mapping family {}", head.family))?;
            let described = [layout.nb_streams as u8, layout.nb_coupled_streams as u8]
                .into_iter()
                .chain(layout.mapping.iter().copied());
            if !described.eq(head.mapping.iter().copied()) {
                return Err("an unusual Opus channel mapping".into());
            }
            let mut decoder =
                OpusMSDecoder::new(rate, channels, head.family).map_err(|e| e.to_string())?;
            decoder.streams_mut().iter_mut().for_each(|d| d.gain_q8 = head.gain_q8.into());
            Decoder::Surround(Box::new(decoder))
        };
        Ok(OpusPackets {
            decoder,
            channels: head.channels.into(),
            pre_skip: head.pre_skip,
            interleaved: vec![0.0; MAX_PACKET_SAMPLES * channels],
        })
    }

    /// Channels of every block.
    pub(super) fn channels(&self) -> u16 {
        self.channels
    }

    /// Frames at 48 kHz to drop from the start.
    pub(super) fn pre_skip(&self) -> u16 {
        self.pre_skip
    }

    /// Decodes `packet` into `block`; false if it is damaged.
    pub(super) fn decode(&mut self, packet: &[u8], block: &mut [Vec<f32>]) -> bool {
        let decoded = match &mut self.decoder {
            _ if packet.is_empty() => return false,
            Decoder::Plain(d) => d.decode(packet, MAX_PACKET_SAMPLES, &mut self.interleaved),
            Decoder::Surround(d) => d.decode(packet, MAX_PACKET_SAMPLES, &mut self.interleaved),
        };
        let Ok(frames) = decoded else { return false };
        let channels = usize::from(self.channels);
        for (c, channel) in block.iter_mut().enumerate() {
            channel.clear();
            channel.extend(self.interleaved.iter().skip(c).step_by(channels).take(frames));
        }
        true
    }

    /// Frames that `packet` stands for by its first bytes; 20 ms if they are damaged.
    pub(super) fn duration(packet: &[u8]) -> u64 {
        packet::samples_48k(packet).unwrap_or(960) as u64
    }
}

impl Head {
    fn parse(head: &[u8], big_endian: bool) -> Option<Self> {
        let fields = head.strip_prefix(b"OpusHead")?;
        let word = |at: usize| {
            let bytes = [*fields.get(at)?, *fields.get(at + 1)?];
            Some(if big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) })
        };
        let (channels, family) = (*fields.get(1)?, *fields.get(10)?);
        let mapping = match family {
            0 => Vec::new(),
            _ => fields.get(11..13 + usize::from(channels))?.to_vec(),
        };
        let gain_q8 = word(8)? as i16;
        Some(Head { channels, pre_skip: word(2)?, gain_q8, family, mapping })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_header_is_little_endian_in_ogg_and_big_endian_in_mp4() {
        let ogg = b"OpusHead\x01\x02\x38\x01\x80\xbb\0\0\xff\xff\0";
        let mp4 = b"OpusHead\0\x02\x01\x38\0\0\xbb\x80\xff\xff\0";
        for (bytes, big_endian) in [(&ogg[..], false), (&mp4[..], true)] {
            let head = Head::parse(bytes, big_endian).unwrap();
            assert_eq!((head.channels, head.pre_skip, head.gain_q8), (2, 312, -1));
        }
        assert_eq!(Head::parse(&ogg[..18], false), None);
    }

    #[test]
    fn a_mapping_of_its_own_is_not_guessed_at() {
        let surround = |mapping: &[u8]| {
            let fixed = b"OpusHead\x01\x03\0\0\x80\xbb\0\0\0\0\x01";
            OpusPackets::new(&[&fixed[..], mapping].concat(), false).err()
        };
        assert_eq!(surround(&[2, 1, 0, 2, 1]), None);
        assert_eq!(surround(&[3, 0, 0, 1, 2]), Some("an unusual Opus channel mapping".into()));
        assert_eq!(surround(&[2]), Some("a damaged Opus header".into()));
    }
}

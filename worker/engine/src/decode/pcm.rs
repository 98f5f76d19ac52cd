//! Little-endian PCM bytes to planar samples.

/// How a sample is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum SampleKind {
    /// Unsigned 8 bits, 128 is zero.
    U8,
    /// Signed 16 bits.
    I16,
    /// Signed 24 bits.
    I24,
    /// Signed 32 bits.
    I32,
    /// IEEE 754 single.
    F32,
    /// IEEE 754 double.
    F64,
}

impl SampleKind {
    /// The kind that a WAVE format tag (1 integer, 3 float) with so many bytes a sample means.
    pub(super) fn of_wave(tag: u16, sample_bytes: u16) -> Option<Self> {
        match (tag, sample_bytes) {
            (1, 1) => Some(SampleKind::U8),
            (1, 2) => Some(SampleKind::I16),
            (1, 3) => Some(SampleKind::I24),
            (1, 4) => Some(SampleKind::I32),
            (3, 4) => Some(SampleKind::F32),
            (3, 8) => Some(SampleKind::F64),
            _ => None,
        }
    }
}

/// Converts interleaved frames to planar samples of full scale ±1; `bytes` holds whole frames of
/// as many channels as `block` has. Integers of up to 24 bits are exact; 32-bit ones round to
/// nearest.
pub(super) fn to_planar(bytes: &[u8], kind: SampleKind, block: &mut [Vec<f32>]) {
    match kind {
        SampleKind::U8 => convert(bytes, block, |[b]| (f32::from(b) - 128.0) / 128.0),
        SampleKind::I16 => convert(bytes, block, |b| f32::from(i16::from_le_bytes(b)) / 32_768.0),
        SampleKind::I24 => convert(bytes, block, |[a, b, c]| {
            (i32::from_le_bytes([0, a, b, c]) >> 8) as f32 / 8_388_608.0
        }),
        SampleKind::I32 => {
            convert(bytes, block, |b| i32::from_le_bytes(b) as f32 / 2_147_483_648.0);
        }
        SampleKind::F32 => convert(bytes, block, f32::from_le_bytes),
        SampleKind::F64 => convert(bytes, block, |b| f64::from_le_bytes(b) as f32),
    }
}

fn convert<const N: usize>(bytes: &[u8], block: &mut [Vec<f32>], one: impl Fn([u8; N]) -> f32) {
    let (samples, _) = bytes.as_chunks::<N>();
    let channels = block.len();
    for (c, channel) in block.iter_mut().enumerate() {
        channel.clear();
        channel.extend(samples.iter().skip(c).step_by(channels).map(|sample| one(*sample)));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mono(bytes: &[u8], kind: SampleKind) -> Vec<f32> {
        let mut block = vec![vec![9.0]];
        to_planar(bytes, kind, &mut block);
        block.remove(0)
    }

    #[test]
    fn full_scale_and_zero_of_every_kind() {
        assert_eq!(mono(&[0, 128, 255], SampleKind::U8), [-1.0, 0.0, 127.0 / 128.0]);
        assert_eq!(mono(&[0, 0x80, 1, 0], SampleKind::I16), [-1.0, 1.0 / 32_768.0]);
        assert_eq!(mono(&[0, 0, 0x80, 255, 255, 255], SampleKind::I24), [-1.0, -1.0 / 8_388_608.0]);
        assert_eq!(mono(&[0, 0, 0, 0x80], SampleKind::I32), [-1.0]);
        assert_eq!(mono(&0.25f32.to_le_bytes(), SampleKind::F32), [0.25]);
        assert_eq!(mono(&(-0.1f64).to_le_bytes(), SampleKind::F64), [-0.1]);
    }

    #[test]
    fn frames_are_taken_apart_by_channel() {
        let mut block = vec![Vec::new(), Vec::new(), Vec::new()];
        to_planar(&[128, 64, 0, 192, 128, 64], SampleKind::U8, &mut block);
        assert_eq!(block, [[0.0, 0.5], [-0.5, 0.0], [-1.0, -0.5]]);
    }
}

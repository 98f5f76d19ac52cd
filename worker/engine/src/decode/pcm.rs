//! PCM bytes to planar samples.

/// A kind of number.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Number {
    /// Unsigned 8 bits, 128 is zero.
    U8,
    /// Signed 8 bits.
    I8,
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

/// How a sample is stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Coding {
    /// The kind of number.
    pub(super) number: Number,
    /// Its most significant byte comes first.
    pub(super) big_endian: bool,
}

impl Coding {
    /// Bytes of a sample.
    pub(super) fn bytes(self) -> usize {
        match self.number {
            Number::U8 | Number::I8 => 1,
            Number::I16 => 2,
            Number::I24 => 3,
            Number::I32 | Number::F32 => 4,
            Number::F64 => 8,
        }
    }
}

/// Converts interleaved frames to planar samples of full scale ±1; `bytes` holds whole frames of
/// as many channels as `block` has. Integers of up to 24 bits are exact; 32-bit ones round to
/// nearest.
pub(super) fn to_planar(bytes: &[u8], coding: Coding, block: &mut [Vec<f32>]) {
    let big = coding.big_endian;
    match coding.number {
        Number::U8 => convert(bytes, big, block, |[b]| (f32::from(b) - 128.0) / 128.0),
        Number::I8 => convert(bytes, big, block, |b| f32::from(i8::from_le_bytes(b)) / 128.0),
        Number::I16 => {
            convert(bytes, big, block, |b| f32::from(i16::from_le_bytes(b)) / 32_768.0);
        }
        Number::I24 => convert(bytes, big, block, |[a, b, c]| {
            (i32::from_le_bytes([0, a, b, c]) >> 8) as f32 / 8_388_608.0
        }),
        Number::I32 => {
            convert(bytes, big, block, |b| i32::from_le_bytes(b) as f32 / 2_147_483_648.0);
        }
        Number::F32 => convert(bytes, big, block, f32::from_le_bytes),
        Number::F64 => convert(bytes, big, block, |b| f64::from_le_bytes(b) as f32),
    }
}

/// `one` takes the bytes of a sample, least significant first.
fn convert<const N: usize>(
    bytes: &[u8],
    big_endian: bool,
    block: &mut [Vec<f32>],
    one: impl Fn([u8; N]) -> f32,
) {
    let (samples, _) = bytes.as_chunks::<N>();
    let channels = block.len();
    if let ([only], false) = (&mut *block, big_endian) {
        // One channel is no stride, which a compiler makes vectors of.
        only.clear();
        only.extend(samples.iter().map(|sample| one(*sample)));
        return;
    }
    for (c, channel) in block.iter_mut().enumerate() {
        let of_channel = samples.iter().skip(c).step_by(channels);
        channel.clear();
        if big_endian {
            channel.extend(of_channel.map(|sample| {
                let mut swapped = *sample;
                swapped.reverse();
                one(swapped)
            }));
        } else {
            channel.extend(of_channel.map(|sample| one(*sample)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mono(bytes: &[u8], number: Number, big_endian: bool) -> Vec<f32> {
        let mut block = vec![vec![9.0]];
        to_planar(bytes, Coding { number, big_endian }, &mut block);
        block.remove(0)
    }

    #[test]
    fn full_scale_and_zero_of_every_kind() {
        let little = |bytes: &[u8], number| mono(bytes, number, false);
        assert_eq!(little(&[0, 128, 255], Number::U8), [-1.0, 0.0, 127.0 / 128.0]);
        assert_eq!(little(&[0, 128, 127], Number::I8), [0.0, -1.0, 127.0 / 128.0]);
        assert_eq!(little(&[0, 0x80, 1, 0], Number::I16), [-1.0, 1.0 / 32_768.0]);
        assert_eq!(little(&[0, 0, 0x80, 255, 255, 255], Number::I24), [-1.0, -1.0 / 8_388_608.0]);
        assert_eq!(little(&[0, 0, 0, 0x80], Number::I32), [-1.0]);
        assert_eq!(little(&0.25f32.to_le_bytes(), Number::F32), [0.25]);
        assert_eq!(little(&(-0.1f64).to_le_bytes(), Number::F64), [-0.1]);
    }

    #[test]
    fn big_endian_is_the_same_the_other_way_round() {
        assert_eq!(mono(&[0x80, 0, 0, 1], Number::I16, true), [-1.0, 1.0 / 32_768.0]);
        assert_eq!(mono(&[0x40, 0, 0], Number::I24, true), [0.5]);
        assert_eq!(mono(&0.25f32.to_be_bytes(), Number::F32, true), [0.25]);
    }

    #[test]
    fn frames_are_taken_apart_by_channel() {
        let mut block = vec![Vec::new(), Vec::new(), Vec::new()];
        let coding = Coding { number: Number::U8, big_endian: false };
        to_planar(&[128, 64, 0, 192, 128, 64], coding, &mut block);
        assert_eq!(block, [[0.0, 0.5], [-0.5, 0.0], [-1.0, -0.5]]);
    }
}

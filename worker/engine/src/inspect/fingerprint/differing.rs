//! Counts the bits in which words differ.

#[cfg(target_arch = "x86_64")]
use crate::math::processor;

/// Every so manieth word is taken where not all are.
pub(super) const STRIDE: usize = 8;

/// Words laid out so that every [`STRIDE`]th of them, from any one on, lie side by side.
pub(super) struct Spread([Vec<u32>; STRIDE]);

impl Spread {
    pub(super) fn of(words: &[u32]) -> Self {
        let part = |first: usize| words.iter().skip(first).step_by(STRIDE).copied().collect();
        Self(std::array::from_fn(part))
    }

    /// Every [`STRIDE`]th word from one on.
    pub(super) fn from(&self, first: usize) -> &[u32] {
        self.0[first % STRIDE].get(first / STRIDE..).unwrap_or_default()
    }
}

/// How many bits differ between words side by side, and how many pairs of words tell something:
/// silence on both sides agrees in everything and tells nothing.
pub(super) fn differing(mine: &[u32], theirs: &[u32]) -> (u32, u32) {
    #[cfg(target_arch = "x86_64")]
    if processor::has_fused_vectors() {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { differing_avx2(mine, theirs) };
    }
    differing_body(mine, theirs)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn differing_avx2(mine: &[u32], theirs: &[u32]) -> (u32, u32) {
    differing_body(mine, theirs)
}

#[inline(always)]
fn differing_body(mine: &[u32], theirs: &[u32]) -> (u32, u32) {
    let (mut bits, mut words) = (0, 0);
    for (mine, theirs) in mine.iter().zip(theirs) {
        bits += (mine ^ theirs).count_ones();
        words += u32::from(mine | theirs != 0);
    }
    (bits, words)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_eighth_word_lies_side_by_side_from_any_on() {
        let words: Vec<u32> = (0..1000).collect();
        let spread = Spread::of(&words);
        for first in [0, 1, 7, 8, 9, 500, 998, 999, 1000, 5000] {
            let plain: Vec<u32> = words.iter().skip(first).step_by(STRIDE).copied().collect();
            assert_eq!(spread.from(first), plain, "{first}");
        }
    }

    #[test]
    fn bits_are_counted_alike_with_vectors_and_without() {
        let mut random = fastrand::Rng::with_seed(3);
        for length in [0, 1, 7, 8, 33, 400, 3001] {
            let mut some = || if random.u8(..) < 60 { 0 } else { random.u32(..) & random.u32(..) };
            let pairs: Vec<(u32, u32)> = (0..length).map(|_| (some(), some())).collect();
            let (mine, theirs): (Vec<u32>, Vec<u32>) = pairs.iter().copied().unzip();
            let plain = pairs.iter().fold((0, 0), |(bits, words), (a, b)| {
                (
                    bits + format!("{:b}", a ^ b).matches('1').count() as u32,
                    words + u32::from(*a != 0 || *b != 0),
                )
            });
            assert_eq!(differing(&mine, &theirs), plain);
            assert_eq!(differing_body(&mine, &theirs), plain);
        }
    }
}

//! Logarithms of many values at a time.

/// Logarithm to the base 2 of a positive, normal number, to 10⁻⁶.
///
/// Without a branch or a table, so that a compiler makes vectors of a loop over it. The value is
/// split into a power of two and m between √½ and √2; ln m = 2·artanh((m − 1)/(m + 1)), by its
/// series (Abramowitz & Stegun, Handbook of Mathematical Functions, 4.1.27), whose next term is
/// below 2·10⁻⁸.
#[inline]
pub(crate) fn log2(value: f32) -> f32 {
    const HALF_ROOT: u32 = 0x3f35_04f3; // √½
    let bits = value.to_bits();
    let exponent = (bits.wrapping_sub(HALF_ROOT) as i32) >> 23;
    let m = f32::from_bits(bits.wrapping_sub((exponent << 23) as u32));
    let x = (m - 1.0) / (m + 1.0);
    let square = x * x;
    let series = x * (1.0 + square * (1.0 / 3.0 + square * (0.2 + square / 7.0)));
    exponent as f32 + 2.0 * std::f32::consts::LOG2_E * series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_agrees_with_the_library_over_the_whole_range() {
        let mut value = f32::MIN_POSITIVE;
        while value < f32::MAX / 1.01 {
            let (got, wanted) = (f64::from(log2(value)), f64::from(value).log2());
            assert!((got - wanted).abs() < 1e-6 * wanted.abs().max(1.0), "{value}: {got} {wanted}");
            value *= 1.0007;
        }
        assert_eq!((log2(1.0), log2(8.0), log2(0.25)), (0.0, 3.0, -2.0));
    }
}

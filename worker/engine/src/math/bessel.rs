//! The Bessel function of Kaiser's window.

/// Modified Bessel function of the first kind, order 0, by its power series; forty terms are
/// exact to the last digits of an f64 up to x = 20.
/// Source: Abramowitz & Stegun 9.6.12.
pub(crate) fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    (1..=40).rev().fold(1.0, |sum, order| 1.0 + sum * quarter * RECIPROCAL_SQUARES[order])
}

/// 1/k² at k.
const RECIPROCAL_SQUARES: [f64; 41] = {
    let mut table = [0.0; 41];
    let mut order = 1;
    while order < table.len() {
        table[order] = 1.0 / (order * order) as f64;
        order += 1;
    }
    table
};

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bessel_agrees_with_the_table() {
        // Source: Abramowitz & Stegun, table 9.8.
        assert!((bessel_i0(0.0) - 1.0).abs() < 1e-15);
        assert!((bessel_i0(1.0) - 1.266_065_877_752_008).abs() < 1e-14);
        assert!((bessel_i0(5.0) / 27.239_871_823_604_44 - 1.0).abs() < 1e-14);
    }

    #[test]
    fn bessel_i0_of_one_and_of_nine() {
        // scipy.special.i0.
        assert!((bessel_i0(1.0) - 1.266_065_877_752_008_4).abs() < 1e-14);
        assert!((bessel_i0(9.0) - 1_093.588_354_511_374_7).abs() < 1e-9);
    }
}

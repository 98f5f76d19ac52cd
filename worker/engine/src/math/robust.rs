//! Statistics that a few wild values do not spoil.

/// Median of `values`, reordering them; 0 for none. NaN sorts last.
pub(crate) fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    if values.is_empty() {
        return 0.0;
    }
    let (below, at, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let at = *at;
    let before = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if values.len().is_multiple_of(2) { 0.5 * (before + at) } else { at }
}

#[cfg(test)]
mod tests {
    use super::median;

    #[test]
    fn the_median_is_the_middle_or_the_mean_of_both_middles() {
        assert_eq!(median(&mut [3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&mut [4.0, 1.0, 3.0, 2.0]), 2.5);
        assert_eq!(median(&mut [7.0]), 7.0);
        assert_eq!(median(&mut []), 0.0);
    }
}

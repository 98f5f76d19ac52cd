//! The filter that explains most of a stem by the guide.

/// Added to the guide's power in every band, as a share of the whole: bands that the guide lacks
/// tell nothing of the filter.
const RIDGE: f64 = 1e-3;

/// Solves the normal equations of a filter: `autocorrelation` (Toeplitz) times the filter is
/// `cross`. Levinson's recursion (N. Levinson, 1947; any handbook of digital signal processing).
pub(super) fn least_squares(autocorrelation: &[f64], cross: &[f64]) -> Vec<f64> {
    let r0 = autocorrelation[0] * (1.0 + RIDGE);
    let r = |lag: usize| if lag == 0 { r0 } else { autocorrelation[lag] };
    let mut predictor = vec![1.0];
    let mut error = r0;
    let mut filter = vec![cross[0] / r0];
    for (order, wanted) in cross.iter().enumerate().skip(1) {
        let miss: f64 = (0..order).map(|i| predictor[i] * r(order - i)).sum();
        let reflection = -miss / error;
        predictor.push(0.0);
        let turned: Vec<f64> = predictor.iter().rev().copied().collect();
        predictor.iter_mut().zip(&turned).for_each(|(p, t)| *p += reflection * t);
        error *= 1.0 - reflection * reflection;
        let told: f64 = (0..order).map(|i| filter[i] * r(order - i)).sum();
        let gain = (wanted - told) / error;
        filter.push(0.0);
        filter.iter_mut().zip(predictor.iter().rev()).for_each(|(f, p)| *f += gain * p);
    }
    filter
}

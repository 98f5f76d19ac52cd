//! How much speaks for a mark at one place, in nats.
//!
//! The evidence is minus the logarithm of the chance that white noise gives as much. A sweep is
//! judged in pieces of half an octave, all at the same instant. A chirp, a siren or a slide that
//! is no mark can touch a sweep in one or two pieces, never in most of them at one instant: so no
//! piece may count for much more than the median piece does.

use crate::locate::decimate::dot;
use crate::locate::template::{FRACTIONS, Piece, Template};
use ripieno_transform::Complex;

/// Evidence for one part and where it is greatest.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Evidence {
    pub(crate) nats: f64,
    /// Position of the template's start, in samples of the search.
    pub(crate) start: f64,
}

/// A piece counts for at most this many times the magnitude of the median piece.
const CAP: f32 = 1.5;

/// Weighs `template` against the whitened samples around `start`.
pub(crate) fn weigh(template: &Template, whitened: &[f32], start: f64) -> Evidence {
    let mut best = Evidence::default();
    let first = start.floor() as i64 - 2;
    for base in first..first + 5 {
        for fraction in 0..FRACTIONS {
            let nats = at(template, whitened, base, fraction);
            if nats > best.nats {
                best = Evidence { nats, start: base as f64 + fraction as f64 / FRACTIONS as f64 };
            }
        }
    }
    best
}

fn at(template: &Template, whitened: &[f32], base: i64, fraction: usize) -> f64 {
    let mut values = [Complex::new(0.0f32, 0.0); 16];
    let count = template.pieces.len().min(values.len());
    for (value, piece) in values.iter_mut().zip(&template.pieces) {
        let (re, im) = &piece.shifts[fraction];
        let from = base + piece.first as i64;
        if from < 0 || from as usize + re.len() > whitened.len() {
            continue;
        }
        let samples = &whitened[from as usize..from as usize + re.len()];
        let level = (dot(samples, samples) / re.len() as f32).max(1.0).sqrt();
        *value = Complex::new(dot(samples, re), -dot(samples, im)) / level;
    }
    let values = &mut values[..count];
    let mut sizes: Vec<f32> = values.iter().map(|v| v.norm()).collect();
    let amplitude = |piece: &Piece| if template.is_uneven { piece.share.sqrt() } else { 1.0 };
    let usual = if template.is_uneven {
        usual_of_uneven(&sizes, &template.pieces)
    } else {
        sizes.sort_by(f32::total_cmp);
        sizes[count / 2]
    };
    let mut together = Complex::new(0.0, 0.0);
    let mut apart = 0.0;
    for (value, piece) in values.iter_mut().zip(&template.pieces) {
        let size = value.norm();
        let cap = CAP * usual * amplitude(piece);
        if size > cap {
            *value *= cap / size;
        }
        together += *value * piece.share.sqrt();
        apart += value.norm_sqr();
    }
    f64::from(together.norm_sqr()).max(nats_of_sum(f64::from(apart), count))
}

/// Median of the pieces' sizes over the amplitudes that they should have, each weighed by its
/// share of the energy.
fn usual_of_uneven(sizes: &[f32], pieces: &[Piece]) -> f32 {
    let of = |(size, piece): (&f32, &Piece)| (size / piece.share.sqrt().max(1e-6), piece.share);
    let mut ratios: Vec<(f32, f32)> = sizes.iter().zip(pieces).map(of).collect();
    ratios.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut below = 0.0;
    let passes_half = |ratio: &&(f32, f32)| {
        below += ratio.1;
        below >= 0.5
    };
    ratios.iter().find(passes_half).or(ratios.last()).map_or(0.0, |ratio| ratio.0)
}

/// Minus the logarithm of the chance that `count` exponential variables of unit mean sum to more
/// than `sum`: the Erlang distribution's upper tail (any handbook of statistics).
pub(crate) fn nats_of_sum(sum: f64, count: usize) -> f64 {
    let (mut term, mut series) = (1.0, 1.0);
    for n in 1..count {
        term *= sum / n as f64;
        series += term;
    }
    (sum - series.ln()).max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nats_of_a_sum_are_the_tail_of_its_distribution() {
        assert!((nats_of_sum(5.0, 1) - 5.0).abs() < 1e-12);
        // Two variables: (1 + x)·exp(−x).
        assert!((nats_of_sum(6.0, 2) - (6.0 - 7f64.ln())).abs() < 1e-12);
        assert_eq!(nats_of_sum(0.0, 4), 0.0);
    }
}

//! Sudden changes of offset, found in the residuals of a line that was laid through all.

use super::events::median;
use super::line::Stroke;
use super::track::Jump;

/// So many strokes to either side are compared, within so much time.
const SIDE: usize = 16;
const SIDE_S: f64 = 14.0;
const FEWEST: usize = 5;
/// A jump must exceed what neighbouring stretches differ by elsewhere so many times.
const CLEAR: f64 = 4.5;
/// Smaller jumps are within what players do.
const LEAST_S: f64 = 0.045;
/// Neighbouring stretches of the steadiest player differ by this much.
const FLOOR_S: f64 = 0.007;

/// The clearest jump, if there is one.
pub(super) fn clearest(strokes: &[Stroke]) -> Option<Jump> {
    let trusted: Vec<&Stroke> = strokes.iter().filter(|stroke| stroke.trust > 0.15).collect();
    if trusted.len() < 4 * FEWEST {
        return None;
    }
    let differences: Vec<Difference> =
        (1..trusted.len()).filter_map(|at| Difference::at(&trusted, at)).collect();
    let usual = differences.iter().map(|difference| difference.in_full_s().abs()).collect();
    let usual_s = (1.4826 * median(usual)).max(FLOOR_S);
    let clear = |difference: &&Difference| {
        difference.by_s.abs() >= LEAST_S && difference.in_full_s().abs() >= CLEAR * usual_s
    };
    let largest = differences.iter().filter(clear);
    let largest = largest.max_by(|a, b| a.by_s.abs().total_cmp(&b.by_s.abs()))?;
    let at = sharpest(&trusted, largest.at);
    let jump = Difference::at(&trusted, at).filter(|jump| clear(&jump))?;
    is_sudden(&trusted, at, jump.by_s)
        .then(|| Jump { between_s: (trusted[at - 1].at_s, trusted[at].at_s), by_s: jump.by_s })
}

/// Of the strokes on either side of a gap.
struct Difference {
    at: usize,
    /// Median after minus median before.
    by_s: f64,
    /// Strokes before and after.
    counts: (usize, usize),
}

impl Difference {
    fn at(strokes: &[&Stroke], at: usize) -> Option<Self> {
        let (before, after) = sides(strokes, at)?;
        let counts = (before.len(), after.len());
        Some(Self { at, by_s: median(after) - median(before), counts })
    }

    /// As it would count between two full sides: by chance a few strokes differ by more.
    fn in_full_s(&self) -> f64 {
        let share = |count: usize| 0.5 * SIDE as f64 / count as f64;
        self.by_s / (share(self.counts.0) + share(self.counts.1)).sqrt()
    }
}

fn sides(strokes: &[&Stroke], at: usize) -> Option<(Vec<f64>, Vec<f64>)> {
    let border_s = 0.5 * (strokes[at - 1].at_s + strokes[at].at_s);
    let near = |stroke: &&&Stroke| (stroke.at_s - border_s).abs() < SIDE_S;
    let value = |stroke: &&Stroke| stroke.residual_s;
    let before: Vec<f64> =
        strokes[..at].iter().rev().take(SIDE).take_while(near).map(value).collect();
    let after: Vec<f64> = strokes[at..].iter().take(SIDE).take_while(near).map(value).collect();
    (before.len() >= FEWEST && after.len() >= FEWEST).then_some((before, after))
}

/// The gap near `at` that best parts the strokes into two levels.
fn sharpest(strokes: &[&Stroke], at: usize) -> usize {
    let from = at.saturating_sub(SIDE);
    let to = (at + SIDE).min(strokes.len());
    let cost = |gap: usize| -> f64 {
        let part = |range: &[&Stroke]| -> f64 {
            let level = median(range.iter().map(|s| s.residual_s).collect());
            range.iter().map(|s| (s.residual_s - level).abs()).sum()
        };
        part(&strokes[from..gap]) + part(&strokes[gap..to])
    };
    (from + FEWEST..to.saturating_sub(FEWEST - 1))
        .min_by(|&a, &b| cost(a).total_cmp(&cost(b)))
        .unwrap_or(at)
}

/// Whether most of the change lies between neighbours rather than along a slope.
fn is_sudden(strokes: &[&Stroke], at: usize, by_s: f64) -> bool {
    let near = 4.min(at).min(strokes.len() - at);
    let level = |range: &[&Stroke]| median(range.iter().map(|s| s.residual_s).collect());
    let close = level(&strokes[at..at + near]) - level(&strokes[at - near..at]);
    close * by_s.signum() > 0.55 * by_s.abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strokes(rng: &mut fastrand::Rng, by_s: f64) -> Vec<Stroke> {
        late_from(120, rng, by_s)
    }

    fn late_from(first: usize, rng: &mut fastrand::Rng, by_s: f64) -> Vec<Stroke> {
        (0..200)
            .map(|k| {
                let jitter_s = 0.03 * (rng.f64() + rng.f64() + rng.f64() - 1.5);
                let after = if k >= first { by_s } else { 0.0 };
                Stroke::at(k as f64 * 0.5, jitter_s + after)
            })
            .collect()
    }

    #[test]
    fn a_jump_is_found_between_the_right_strokes() {
        let mut rng = fastrand::Rng::with_seed(1);
        for by_s in [0.07, -0.09, 0.2] {
            let jump = clearest(&strokes(&mut rng, by_s)).unwrap();
            assert!((jump.by_s - by_s).abs() < 0.02, "{jump:?} for {by_s}");
            assert!((jump.between_s.0 - 59.5).abs() < 1.1, "{jump:?}");
        }
    }

    #[test]
    fn the_last_few_strokes_must_be_later_than_many_would_to_make_a_jump() {
        let mut rng = fastrand::Rng::with_seed(3);
        let mut found = |first: usize, by_s: f64| {
            (0..500).filter(|_| clearest(&late_from(first, &mut rng, by_s)).is_some()).count()
        };
        let (amid, at_the_end) = (found(120, 0.05), found(195, 0.05));
        assert!(5 * at_the_end < 4 * amid, "{at_the_end} of {amid}");
        assert!(found(195, 0.1) > 480);
    }

    #[test]
    fn a_steady_player_does_not_jump() {
        let mut rng = fastrand::Rng::with_seed(2);
        assert!((0..200).all(|_| clearest(&strokes(&mut rng, 0.0)).is_none()));
    }
}

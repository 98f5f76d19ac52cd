//! Where in the file each sample of the master grid is heard.

/// A map from master-grid sample to file frame, straight or in straight pieces.
///
/// Both ends are real numbers: grid sample `n` sounds at file frame `frame_at(n)`, which
/// normally lies between two frames. Positions are f64 throughout: at two hours of 192 kHz the
/// rounding is below 10⁻⁶ of a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeMap {
    /// At least one piece, sorted by where it starts.
    pieces: Vec<Piece>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Piece {
    /// The grid sample this piece starts at; the first piece also serves everything before.
    from_sample: f64,
    /// The file frame heard there.
    from_frame: f64,
    /// File frames per grid sample.
    slope: f64,
}

/// Grid samples that lie evenly in the file.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Run {
    /// Where the first of them lies.
    pub(crate) place: Place,
    /// From each to the next.
    pub(crate) step: Place,
    /// How many they are.
    pub(crate) count: usize,
}

/// A whole number of frames and a fraction of one, in 2⁻⁶⁴ of a frame: sums of it are exact, so
/// that a place is the same however a take is cut into blocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Place {
    pub(crate) frame: i64,
    pub(crate) fraction: u64,
}

impl Place {
    fn of(frames: f64) -> Self {
        let whole = frames.floor();
        // Below one by at least 2⁻⁵³, so the product fits.
        let fraction = ((frames - whole) * TWO_TO_64) as u64;
        Self { frame: whole as i64, fraction }
    }

    /// The sum of both.
    #[inline]
    pub(crate) fn plus(self, other: Self) -> Self {
        let (fraction, carry) = self.fraction.overflowing_add(other.fraction);
        Self { frame: self.frame + other.frame + i64::from(carry), fraction }
    }

    fn times(self, count: i64) -> Self {
        let low = i128::from(count) * i128::from(self.fraction);
        Self { frame: self.frame * count + (low >> 64) as i64, fraction: low as u64 }
    }
}

const TWO_TO_64: f64 = 18_446_744_073_709_551_616.0;

impl Piece {
    /// The places of `count` samples from `from` on: counted from the first whole sample of the
    /// piece, whichever of them are asked for.
    fn run(&self, from: i64, count: usize) -> Run {
        let origin = self.from_sample.ceil();
        let at_origin = Place::of(self.from_frame + (origin - self.from_sample) * self.slope);
        let step = Place::of(self.slope);
        Run { place: at_origin.plus(step.times(from - origin as i64)), step, count }
    }
}

/// Why a list of knots is no map.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NotAMap {
    /// Fewer than two knots.
    #[error("a time map needs at least two knots")]
    TooFewKnots,
    /// A knot that is not finite, or does not lie after the one before it on both axes.
    #[error("knot {0} of the time map does not lie after the one before it")]
    NotRising(usize),
}

impl TimeMap {
    /// Grid sample 0 at `frame_at_zero`, and `frames_per_sample` file frames a grid sample.
    #[must_use]
    pub fn straight(frame_at_zero: f64, frames_per_sample: f64) -> Self {
        let piece = Piece { from_sample: 0.0, from_frame: frame_at_zero, slope: frames_per_sample };
        Self { pieces: vec![piece] }
    }

    /// The map of a fitted take: bar 1 beat 1 at `bar1_beat1_s` of the file, the file longer
    /// than the piece by `ratio_ppm`.
    #[must_use]
    pub fn of_fit(bar1_beat1_s: f64, ratio_ppm: f64, file_rate_hz: f64, grid_rate_hz: f64) -> Self {
        let slope = file_rate_hz / grid_rate_hz * (1.0 + ratio_ppm * 1e-6);
        Self::straight(bar1_beat1_s * file_rate_hz, slope)
    }

    /// Straight pieces through `knots` of (grid sample, file frame); the first and the last
    /// piece go on outside.
    ///
    /// # Errors
    /// When there are fewer than two knots, or they do not rise on both axes.
    pub fn through(knots: &[(f64, f64)]) -> Result<Self, NotAMap> {
        if knots.len() < 2 {
            return Err(NotAMap::TooFewKnots);
        }
        let mut pieces = Vec::with_capacity(knots.len() - 1);
        for (index, pair) in knots.windows(2).enumerate() {
            let (run, rise) = (pair[1].0 - pair[0].0, pair[1].1 - pair[0].1);
            if !(run.is_finite() && rise.is_finite() && run > 0.0 && rise > 0.0) {
                return Err(NotAMap::NotRising(index + 1));
            }
            pieces.push(Piece { from_sample: pair[0].0, from_frame: pair[0].1, slope: rise / run });
        }
        Ok(Self { pieces })
    }

    /// The file frame heard at grid sample `sample`.
    #[must_use]
    pub fn frame_at(&self, sample: f64) -> f64 {
        let piece = self.pieces[self.piece_at(sample)];
        piece.from_frame + (sample - piece.from_sample) * piece.slope
    }

    /// The grid sample at which file frame `frame` is heard.
    #[must_use]
    pub fn sample_at(&self, frame: f64) -> f64 {
        let after = self.pieces.partition_point(|piece| piece.from_frame <= frame);
        let piece = self.pieces[after.saturating_sub(1)];
        piece.from_sample + (frame - piece.from_frame) / piece.slope
    }

    /// File frames per grid sample over the whole of the map: what most of it runs at.
    #[must_use]
    pub fn mean_speed(&self) -> f64 {
        let (first, last) = (self.pieces[0], self.pieces[self.pieces.len() - 1]);
        let run = last.from_sample - first.from_sample;
        if run > 0.0 { (last.from_frame - first.from_frame) / run } else { first.slope }
    }

    /// The same map between means: of `grid_down` grid samples each, and of `file_down` file
    /// frames each, both counted from 0 on.
    #[must_use]
    pub(crate) fn lowered(&self, grid_down: usize, file_down: usize) -> Self {
        let (grid, file) = (grid_down as f64, file_down as f64);
        // A mean stands for the middle of what it is made of.
        let lower = |piece: &Piece| Piece {
            from_sample: (piece.from_sample - 0.5 * (grid - 1.0)) / grid,
            from_frame: (piece.from_frame - 0.5 * (file - 1.0)) / file,
            slope: piece.slope * grid / file,
        };
        Self { pieces: self.pieces.iter().map(lower).collect() }
    }

    /// Whether every grid sample falls exactly on a file frame, so that laying is copying;
    /// gives the file frame of grid sample 0.
    #[must_use]
    pub(crate) fn whole_frames(&self) -> Option<i64> {
        let [piece] = self.pieces[..] else { return None };
        let at_zero = piece.from_frame - piece.from_sample;
        // A billionth of a frame is far below the rounding of any sample; what differs by less
        // differs by the arithmetic that made the map, not by intent.
        let whole = (at_zero - at_zero.round()).abs() < 1e-9 && piece.slope == 1.0;
        whole.then_some(at_zero.round() as i64)
    }

    /// The same map onto the file at twice its rate.
    #[must_use]
    pub(crate) fn doubled(&self) -> Self {
        let double = |piece: &Piece| Piece {
            from_frame: 2.0 * piece.from_frame,
            slope: 2.0 * piece.slope,
            ..*piece
        };
        Self { pieces: self.pieces.iter().map(double).collect() }
    }

    /// The places of `count` grid samples from `from` on, one run for each piece they lie in.
    pub(crate) fn runs(&self, from: i64, count: usize) -> impl Iterator<Item = Run> + '_ {
        let end = from + count as i64;
        let mut at = from;
        std::iter::from_fn(move || {
            if at >= end {
                return None;
            }
            let index = self.piece_at(at as f64);
            let upto = self
                .pieces
                .get(index + 1)
                .map_or(end, |next| (next.from_sample.ceil() as i64).clamp(at + 1, end));
            let run = self.pieces[index].run(at, (upto - at) as usize);
            at = upto;
            Some(run)
        })
    }

    fn piece_at(&self, sample: f64) -> usize {
        self.pieces.partition_point(|piece| piece.from_sample <= sample).saturating_sub(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bent_map_passes_its_knots_and_comes_back() {
        let knots = [(0.0, 100.0), (1000.0, 1101.0), (2000.0, 2100.5), (3000.0, 3100.0)];
        let map = TimeMap::through(&knots).unwrap();
        for (sample, frame) in knots {
            assert!((map.frame_at(sample) - frame).abs() < 1e-9);
            assert!((map.sample_at(frame) - sample).abs() < 1e-9);
        }
        for map in [map.doubled(), map] {
            for (sample, place) in (-10..).zip(places(&map, -10, 3_500)) {
                let frame = place.frame as f64 + place.fraction as f64 / TWO_TO_64;
                assert!((frame - map.frame_at(f64::from(sample))).abs() < 1e-9, "{sample}");
            }
        }
    }

    fn places(map: &TimeMap, from: i64, count: usize) -> Vec<Place> {
        let steps = |run: Run| {
            std::iter::successors(Some(run.place), move |at| Some(at.plus(run.step)))
                .take(run.count)
        };
        map.runs(from, count).flat_map(steps).collect()
    }

    #[test]
    fn places_do_not_depend_on_where_one_begins() {
        let map = TimeMap::through(&[(0.3, 100.0), (1000.7, 1101.0), (2000.0, 2100.5)]).unwrap();
        let whole = places(&map, -300, 4_000);
        assert_eq!(whole.len(), 4_000);
        for cut in [1, 299, 300, 301, 1_300, 1_301, 3_999] {
            let mut parts = places(&map, -300, cut);
            parts.extend(places(&map, -300 + cut as i64, 4_000 - cut));
            assert_eq!(parts, whole, "{cut}");
        }
    }

    #[test]
    fn a_lowered_map_reads_means_where_their_middles_lie() {
        let knots = [(0.0, 100.0), (1000.0, 1101.0), (2000.0, 2100.5)];
        let map = TimeMap::through(&knots).unwrap();
        for (grid, file) in [(4, 4), (4, 8), (1, 2), (3, 1)] {
            let low = map.lowered(grid, file);
            for at in [-50.0, 10.0, 300.0, 444.0] {
                let middle = at * grid as f64 + 0.5 * (grid as f64 - 1.0);
                let frame = low.frame_at(at) * file as f64 + 0.5 * (file as f64 - 1.0);
                assert!((frame - map.frame_at(middle)).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn knots_that_do_not_rise_are_refused() {
        assert_eq!(TimeMap::through(&[(0.0, 0.0)]), Err(NotAMap::TooFewKnots));
        let back = TimeMap::through(&[(0.0, 0.0), (1.0, 1.0), (2.0, 0.5)]);
        assert_eq!(back, Err(NotAMap::NotRising(2)));
        let nan = TimeMap::through(&[(0.0, 0.0), (f64::NAN, 1.0)]);
        assert_eq!(nan, Err(NotAMap::NotRising(1)));
    }

    #[test]
    fn only_a_whole_offset_at_equal_speed_is_a_copy() {
        assert_eq!(TimeMap::straight(48.0, 1.0).whole_frames(), Some(48));
        assert_eq!(TimeMap::straight(48.5, 1.0).whole_frames(), None);
        assert_eq!(TimeMap::straight(48.0, 1.000_001).whole_frames(), None);
    }
}

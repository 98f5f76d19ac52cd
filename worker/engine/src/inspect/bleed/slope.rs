//! A line through rows of correlations: a bleed lies at one delay in every row, but for the part
//! in some ten thousand by which the take's tempo is not known.
//!
//! All slopes are summed at once by a binary tree that shares the sums of neighbouring rows (J. H.
//! Taylor, "A sensitive method for detecting dispersed radio emission", A&AS 15, 1974; from
//! memory): rows × log rows sums a delay instead of rows².

/// The line along which the rows' sum is greatest in size.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Slope {
    /// Size of the sum.
    pub(super) value: f32,
    /// Where it crosses the first row.
    pub(super) delay: usize,
    /// How much later it crosses the last.
    pub(super) rise: f64,
    rows: usize,
}

impl Slope {
    /// How much later it crosses each row than the one before.
    pub(super) fn per_row(&self) -> f64 {
        self.rise / (self.rows.max(2) - 1) as f64
    }

    /// Where it crosses the middle row.
    pub(super) fn middle(&self) -> f64 {
        self.delay as f64 + 0.5 * self.rise
    }
}

/// The sum of all rows along a slope, as a function of where the line crosses the first.
pub(super) fn along(rows: &[Vec<f32>], per_row: f64) -> Vec<f32> {
    let mut sum = vec![0.0; rows.first().map_or(0, Vec::len)];
    for (index, row) in rows.iter().enumerate() {
        let shift = (per_row * index as f64).round() as isize;
        add(&mut sum, row, shift);
    }
    sum
}

/// Adds `row[at + shift]` to `sum[at]`; nothing lies outside a row.
fn add(sum: &mut [f32], row: &[f32], shift: isize) {
    let (to, from) = ((-shift).max(0) as usize, shift.max(0) as usize);
    if to < sum.len() && from < row.len() {
        sum[to..].iter_mut().zip(&row[from..]).for_each(|(sum, value)| *sum += value);
    }
}

/// How well the rows agree along a line, from 1 where all of them say the same, whatever their
/// size, down to one over the root of their number where what they say is chance.
pub(super) fn agreement(rows: &[Vec<f32>], line: &Slope) -> f64 {
    let shares = beside().map(|aside| {
        let said = rows.iter().enumerate().map(|(index, row)| value_at(row, line, index, aside));
        let (sum, squares) =
            said.fold((0.0, 0.0), |(sum, squares), value| (sum + value, squares + value * value));
        sum.abs() / (squares * rows.len() as f64).sqrt().max(1e-300)
    });
    shares.fold(0.0, f64::max)
}

/// How many of the rows stand out near a line, each by itself so many times above its own chance.
pub(super) fn standing_alone(rows: &[Vec<f32>], line: &Slope, times: f64) -> usize {
    let stands = |(index, row): &(usize, &Vec<f32>)| {
        let most = beside().map(|aside| value_at(row, line, *index, aside).abs());
        most.fold(0.0, f64::max) > times * robust_deviation(row)
    };
    rows.iter().enumerate().filter(stands).count()
}

/// The tree's lines are straight to a few samples.
fn beside() -> std::ops::RangeInclusive<i64> {
    -3..=3
}

/// What a row says on a line, or so many samples later; nothing outside.
fn value_at(row: &[f32], line: &Slope, index: usize, aside: i64) -> f64 {
    let at = (line.delay as f64 + line.per_row() * index as f64).round() as i64 + aside;
    let inside = usize::try_from(at).ok().and_then(|at| row.get(at));
    inside.map_or(0.0, |value| f64::from(*value))
}

/// Standard deviation of the bulk of `values`, whatever stands out of it.
pub(super) fn robust_deviation(values: &[f32]) -> f64 {
    let mut sizes: Vec<f32> = values.iter().map(|value| value.abs()).collect();
    sizes.sort_by(f32::total_cmp);
    sizes.get(sizes.len() / 2).map_or(0.0, |middle| 1.4826 * f64::from(*middle))
}

/// The best line of any slope of up to one sample a row either way.
pub(super) fn steepest(rows: &[Vec<f32>]) -> Slope {
    let count = rows.len();
    let width = rows.first().map_or(0, Vec::len);
    let up = rising(rows.to_vec(), width);
    let mirrored = rows.iter().map(|row| row.iter().rev().copied().collect());
    let down = rising(mirrored.collect(), width);
    let padded = count.next_power_of_two().max(2);
    let scaled = |found: Slope| {
        // The tree pads the rows to a power of two.
        let per_row = found.rise / (padded - 1) as f64;
        Slope { rise: per_row * (count.max(2) - 1) as f64, rows: count, ..found }
    };
    if up.value >= down.value {
        scaled(up)
    } else {
        let delay = (width - 1).saturating_sub(down.delay);
        scaled(Slope { delay, rise: -down.rise, ..down })
    }
}

fn rising(rows: Vec<Vec<f32>>, width: usize) -> Slope {
    let count = rows.len();
    // groups[g][s]: rows of group g summed along a rise of s from its first row to its last.
    let mut groups: Vec<Vec<Vec<f32>>> = rows.into_iter().map(|row| vec![row]).collect();
    groups.resize_with(count.next_power_of_two().max(2), || vec![vec![0.0; width]]);
    while groups.len() > 1 {
        let pairs = groups.chunks_exact(2);
        groups = pairs.map(|pair| joined(&pair[0], &pair[1])).collect();
    }
    let mut best = Slope::default();
    for (rise, sums) in groups.iter().flatten().enumerate() {
        for (delay, value) in sums.iter().enumerate() {
            if value.abs() > best.value {
                best = Slope { value: value.abs(), delay, rise: rise as f64, rows: count };
            }
        }
    }
    best
}

fn joined(early: &[Vec<f32>], late: &[Vec<f32>]) -> Vec<Vec<f32>> {
    (0..2 * early.len())
        .map(|rise| {
            let (early, late) = (&early[rise / 2], &late[rise / 2]);
            let later = &late[rise.div_ceil(2).min(late.len())..];
            let mut sum = Vec::with_capacity(early.len());
            sum.extend(early.iter().zip(later).map(|(early, late)| early + late));
            // Nothing lies outside a row.
            sum.extend_from_slice(&early[later.len().min(early.len())..]);
            sum
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_found_whichever_way_it_leans() {
        for per_row in [-0.6f64, -0.1, 0.0, 0.25, 0.9] {
            let rows: Vec<Vec<f32>> = (0..50)
                .map(|row| {
                    let mut values = vec![0.0; 300];
                    values[(150.0 + per_row * f64::from(row)).round() as usize] = -1.0;
                    values
                })
                .collect();
            assert!(along(&rows, per_row).iter().any(|sum| *sum < -40.0));
            let found = steepest(&rows);
            assert!(found.value > 30.0, "{per_row}: {found:?}");
            assert!((found.per_row() - per_row).abs() < 0.03, "{per_row}: {found:?}");
            assert!((found.delay as f64 - 150.0).abs() < 2.0, "{per_row}: {found:?}");
            assert!(agreement(&rows, &found) > 0.8, "{per_row}: {}", agreement(&rows, &found));
        }
    }

    #[test]
    fn a_few_loud_rows_are_no_agreement() {
        let row = |at: usize| {
            let chance = |delay: usize| ((37 * delay + 11 * at) % 17) as f32 / 8.0 - 1.0;
            let mut values: Vec<f32> = (0..100).map(chance).collect();
            if at.is_multiple_of(16) {
                values[50] = 20.0;
            }
            values
        };
        let rows: Vec<Vec<f32>> = (0..64).map(row).collect();
        let line = steepest(&rows);
        assert!(agreement(&rows, &line) < 0.4);
        assert_eq!(standing_alone(&rows, &line, 5.5), 4);
    }

    #[test]
    fn joined_rows_are_sums_along_every_rise_and_nothing_lies_outside() {
        let row = |first: f32| -> Vec<f32> { (0..6).map(|at| first + at as f32).collect() };
        for (rise, sum) in
            joined(&[row(1.0), row(20.0)], &[row(300.0), row(4_000.0)]).iter().enumerate()
        {
            let mut expected = [row(1.0), row(20.0)][rise / 2].clone();
            add(&mut expected, &[row(300.0), row(4_000.0)][rise / 2], rise.div_ceil(2) as isize);
            assert_eq!(*sum, expected, "{rise}");
        }
        assert_eq!(joined(&[vec![1.0, 2.0]], &[vec![10.0, 20.0]]), [[11.0, 22.0], [21.0, 2.0]]);
    }
}

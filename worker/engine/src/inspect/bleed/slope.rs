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

/// The best line of any slope of up to one sample a row either way.
pub(super) fn steepest(mut rows: Vec<Vec<f32>>) -> Slope {
    let count = rows.len();
    let width = rows.first().map_or(0, Vec::len);
    let up = rising(&rows, width);
    rows.iter_mut().for_each(|row| row.reverse());
    let down = rising(&rows, width);
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

fn rising(rows: &[Vec<f32>], width: usize) -> Slope {
    // groups[g][s]: rows of group g summed along a rise of s from its first row to its last.
    let mut groups: Vec<Vec<Vec<f32>>> = rows.iter().map(|row| vec![row.clone()]).collect();
    groups.resize_with(rows.len().next_power_of_two().max(2), || vec![vec![0.0; width]]);
    while groups.len() > 1 {
        let pairs = groups.chunks_exact(2);
        groups = pairs.map(|pair| joined(&pair[0], &pair[1])).collect();
    }
    let mut best = Slope::default();
    for (rise, sums) in groups.iter().flatten().enumerate() {
        for (delay, value) in sums.iter().enumerate() {
            if value.abs() > best.value {
                best = Slope { value: value.abs(), delay, rise: rise as f64, rows: rows.len() };
            }
        }
    }
    best
}

fn joined(early: &[Vec<f32>], late: &[Vec<f32>]) -> Vec<Vec<f32>> {
    (0..2 * early.len())
        .map(|rise| {
            let mut sum = early[rise / 2].clone();
            add(&mut sum, &late[rise / 2], rise.div_ceil(2) as isize);
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
            let found = steepest(rows);
            assert!(found.value > 30.0, "{per_row}: {found:?}");
            assert!((found.per_row() - per_row).abs() < 0.03, "{per_row}: {found:?}");
            assert!((found.delay as f64 - 150.0).abs() < 2.0, "{per_row}: {found:?}");
        }
    }
}

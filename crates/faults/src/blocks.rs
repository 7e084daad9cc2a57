//! Blocks of days counted back from the as-of date: the time grid of a verdict.
//!
//! A block value is the median of its daily values (the mean for shares, whose median hides
//! episodes), with the number of days or records behind it.

use metersift_stats as stats;

/// The grid: block 0 ends on the as-of date.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Grid {
    /// First day that is not looked at.
    pub as_of: i32,
    /// Days per block.
    pub days: i32,
}

impl Grid {
    /// Blocks of `block_days`, longer when `span_days` would make more than `max_blocks`.
    pub fn new(as_of: i32, span_days: i32, block_days: u32, max_blocks: u32) -> Grid {
        let wanted = i64::from(block_days.max(1));
        let needed = i64::from(span_days.max(1)).div_euclid(i64::from(max_blocks.max(1))) + 1;
        let days = wanted.max(needed).min(i64::from(i32::MAX)) as i32;
        // `needed` rounds up by one too many when the span divides evenly; keep the wanted size.
        let fits = i64::from(span_days) <= wanted * i64::from(max_blocks);
        Grid { as_of, days: if fits { wanted as i32 } else { days } }
    }

    /// Block of a day before the as-of date, counted back.
    pub fn block(&self, day: i32) -> i32 {
        (self.as_of - 1 - day).div_euclid(self.days)
    }

    /// Middle of a block, as a day number with fraction.
    pub fn centre(&self, block: i32) -> f64 {
        f64::from(self.as_of) - (f64::from(block) + 0.5) * f64::from(self.days)
    }
}

/// Rows of one observable in blocks, in time order.
#[derive(Clone, Debug, Default)]
pub(crate) struct BlockRows {
    /// Middles of the blocks.
    pub t: Vec<f64>,
    /// Caller's row numbers of each block.
    pub rows: Vec<Vec<usize>>,
}

impl BlockRows {
    /// Groups rows (in time order, with their days) into blocks.
    pub fn group(grid: Grid, rows: impl Iterator<Item = (usize, i32)>) -> BlockRows {
        let mut blocks = BlockRows::default();
        let mut last = None;
        for (row, day) in rows {
            let block = grid.block(day);
            if last != Some(block) {
                blocks.t.push(grid.centre(block));
                blocks.rows.push(Vec::new());
                last = Some(block);
            }
            if let Some(rows) = blocks.rows.last_mut() {
                rows.push(row);
            }
        }
        blocks
    }

    /// Drops the blocks for which `keep` is false.
    pub fn retain(&mut self, keep: impl Fn(f64) -> bool) {
        let kept: Vec<bool> = self.t.iter().map(|t| keep(*t)).collect();
        let mut it = kept.iter();
        self.t.retain(|_| *it.next().unwrap_or(&true));
        let mut it = kept.iter();
        self.rows.retain(|_| *it.next().unwrap_or(&true));
    }

    /// Number of blocks.
    pub fn len(&self) -> usize {
        self.t.len()
    }

    /// Median per block of a value per row; NaN where a block has none.
    pub fn medians(&self, value: impl Fn(usize) -> f64) -> Vec<f64> {
        let mut scratch = Vec::new();
        self.rows
            .iter()
            .map(|rows| {
                let values: Vec<f64> = rows.iter().map(|&row| value(row)).collect();
                stats::median_with(&values, &mut scratch)
            })
            .collect()
    }

    /// Mean per block.
    pub fn means(&self, value: impl Fn(usize) -> f64) -> Vec<f64> {
        self.rows
            .iter()
            .map(|rows| {
                let values: Vec<f64> = rows.iter().map(|&row| value(row)).collect();
                stats::mean(&values)
            })
            .collect()
    }

    /// Rows behind each block.
    pub fn counts(&self) -> Vec<f64> {
        self.rows.iter().map(|rows| rows.len() as f64).collect()
    }
}

/// White variances relative to a block of usual size: median n over n.
pub(crate) fn relative_variances(counts: &[f64]) -> Vec<f64> {
    let usual = stats::median(counts);
    counts.iter().map(|n| usual / n.max(0.5)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn blocks_are_counted_back_from_the_as_of_date() {
        let grid = Grid::new(100, 40, 5, 160);
        assert_eq!((grid.days, grid.block(99), grid.block(95), grid.block(94)), (5, 0, 0, 1));
        assert_eq!(grid.centre(0), 97.5);
        let rows = (90..100).map(|day| (day as usize, day));
        let blocks = BlockRows::group(grid, rows);
        assert_eq!(blocks.t, vec![92.5, 97.5]);
        assert_eq!(blocks.counts(), vec![5.0, 5.0]);
        assert_eq!(blocks.medians(|row| row as f64), vec![92.0, 97.0]);
    }

    #[test]
    fn a_long_history_gets_longer_blocks() {
        assert_eq!(Grid::new(0, 800, 5, 160).days, 5);
        assert_eq!(Grid::new(0, 801, 5, 160).days, 6);
        assert!(Grid::new(0, 1096, 5, 160).days <= 7);
    }
}

//! One break in the level of a series, and two running charts.
//!
//! Why:    a plain rival beside the verdict, and the date of a step. The exponential mean is the
//!         back-test's control chart. Nothing reads the cumulative sums: they are here because
//!         both charts are promised as held to the handbook's printed examples.
//! In:     evenly spaced values in time order. The break leaves gaps out but keeps their
//!         place; the charts carry their last state over a gap.
//! Source: least-squares break: Bai & Perron (1998), Econometrica 66, 47 (from memory); charts:
//!         NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4.

use crate::location::mean;

/// The best split of a series into two levels.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelBreak {
    /// Values before the break: the second level starts at this place.
    pub at: usize,
    /// Level before.
    pub before: f64,
    /// Level after.
    pub after: f64,
    /// Sum of squares about one level.
    pub squares_one_level: f64,
    /// Sum of squares about two levels.
    pub squares_two_levels: f64,
}

/// Least-squares break with at least `min_segment` finite values on each side.
///
/// The first of equally good places wins; `None` when there is no room.
pub fn level_break(values: &[f64], min_segment: usize) -> Option<LevelBreak> {
    let least = min_segment.max(1);
    let middle = mean(values);
    let off = |value: f64| value - middle;
    let n_all = values.iter().filter(|value| value.is_finite()).count();
    let total: f64 = values.iter().filter(|v| v.is_finite()).map(|&v| off(v)).sum();
    let squares: f64 = values.iter().filter(|v| v.is_finite()).map(|&v| off(v) * off(v)).sum();
    let (mut n, mut sum) = (0_usize, 0.0);
    let mut best: Option<LevelBreak> = None;
    for (i, &value) in values.iter().enumerate().filter(|(_, value)| value.is_finite()) {
        n += 1;
        sum += off(value);
        if n < least || n_all - n < least {
            continue;
        }
        let (left, right) = (n as f64, (n_all - n) as f64);
        let rest = total - sum;
        let two = squares - sum * sum / left - rest * rest / right;
        if best.is_none_or(|b| two < b.squares_two_levels) {
            best = Some(LevelBreak {
                at: i + 1,
                before: middle + sum / left,
                after: middle + rest / right,
                squares_one_level: squares - total * total / n_all as f64,
                squares_two_levels: two,
            });
        }
    }
    best
}

/// Exponentially weighted mean: z_i = lambda x_i + (1 - lambda) z_{i-1}, from `start`.
pub fn ewma(values: &[f64], lambda: f64, start: f64) -> Vec<f64> {
    let mut state = start;
    let advance = |&value: &f64| {
        if value.is_finite() {
            state = lambda * value + (1.0 - lambda) * state;
        }
        state
    };
    values.iter().map(advance).collect()
}

/// Half-width of the chart's limits at the i-th value (from 1) for values of deviation `sigma`.
pub fn ewma_half_width(lambda: f64, sigma: f64, widths: f64, i: u32) -> f64 {
    let start_up = 1.0 - (1.0 - lambda).powi(2 * i as i32);
    widths * sigma * (lambda / (2.0 - lambda) * start_up).sqrt()
}

/// Upper and lower cumulative sums about `target` with slack `k`.
pub fn cusum(values: &[f64], target: f64, k: f64) -> Vec<(f64, f64)> {
    let (mut upper, mut lower) = (0.0_f64, 0.0_f64);
    let advance = |&value: &f64| {
        if value.is_finite() {
            upper = (upper + value - target - k).max(0.0);
            lower = (lower + target - k - value).max(0.0);
        }
        (upper, lower)
    };
    values.iter().map(advance).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clean_step_is_dated_exactly_and_a_gap_keeps_its_place() {
        let values = [1.0, 1.0, f64::NAN, 1.0, 4.0, 4.0];
        let step = level_break(&values, 1).expect("room for a break");
        assert_eq!((step.at, step.before, step.after), (4, 1.0, 4.0));
        assert!(step.squares_two_levels.abs() < 1e-12);
    }

    #[test]
    fn no_room_no_break() {
        assert_eq!(level_break(&[1.0, 2.0, 3.0], 2), None);
        assert_eq!(level_break(&[], 0), None);
    }

    #[test]
    fn a_gap_leaves_the_charts_where_they_were() {
        assert_eq!(ewma(&[2.0, f64::NAN], 0.5, 0.0), [1.0, 1.0]);
        assert_eq!(cusum(&[2.0, f64::NAN], 0.0, 0.5), [(1.5, 0.0), (1.5, 0.0)]);
    }
}

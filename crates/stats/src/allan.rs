//! Allan deviation: how a signal's averages over m samples differ from one to the next.
//!
//! Why:    at short averages it shows sensor noise, at long ones the wander of the process.
//! In:     evenly spaced values (frequency data in the words of the source), gap = NaN.
//! Out:    the deviation in the unit of the signal and the number of differences behind it.
//! Method: sigma^2 = sum (mean[k+m] - mean[k])^2 / (2 n); an average that touches a gap is not
//!         used.
//! Source: Riley (2008), Handbook of Frequency Stability Analysis, NIST SP 1065, p. 14-16.

use crate::location::mean;

/// An Allan deviation and its weight.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Allan {
    /// Deviation; NaN without a difference.
    pub deviation: f64,
    /// Differences behind it.
    pub n_differences: usize,
}

/// Allan deviation of neighbouring averages over `m` samples that do not overlap.
pub fn allan_deviation(values: &[f64], m: usize) -> Allan {
    deviation(values, m, m, &mut Vec::new())
}

/// Allan deviation over all averages of `m` samples, overlapping.
pub fn overlapping_allan_deviation(values: &[f64], m: usize) -> Allan {
    deviation(values, m, 1, &mut Vec::new())
}

/// [`overlapping_allan_deviation`] with the caller's working memory.
pub fn overlapping_allan_deviation_with(
    values: &[f64],
    m: usize,
    scratch: &mut Vec<(f64, usize)>,
) -> Allan {
    deviation(values, m, 1, scratch)
}

fn deviation(values: &[f64], m: usize, stride: usize, sums: &mut Vec<(f64, usize)>) -> Allan {
    let none = Allan { deviation: f64::NAN, n_differences: 0 };
    if m == 0 || values.len() < 2 * m {
        return none;
    }
    running_sums(values, sums);
    let (mut squares, mut n_differences) = (0.0, 0_usize);
    let mut start = 0;
    while start + 2 * m <= values.len() {
        let (from, middle, to) = (sums[start], sums[start + m], sums[start + 2 * m]);
        if to.1 == from.1 {
            let difference = ((to.0 - middle.0) - (middle.0 - from.0)) / m as f64;
            squares += difference * difference;
            n_differences += 1;
        }
        start += stride;
    }
    if n_differences == 0 {
        return none;
    }
    Allan { deviation: (squares / (2.0 * n_differences as f64)).sqrt(), n_differences }
}

/// Sum and number of gaps before each place; about the mean, so that little is cancelled.
fn running_sums(values: &[f64], sums: &mut Vec<(f64, usize)>) {
    let middle = mean(values);
    let (mut sum, mut gaps) = (0.0, 0);
    sums.clear();
    sums.push((sum, gaps));
    for &value in values {
        if value.is_finite() {
            sum += value - middle;
        } else {
            gaps += 1;
        }
        sums.push((sum, gaps));
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_costs_the_differences_that_touch_it() {
        let allan = allan_deviation(&[1.0, 2.0, f64::NAN, 4.0, 7.0], 1);
        assert_eq!(allan.n_differences, 2);
        assert_eq!(allan.deviation, (10.0_f64 / 4.0).sqrt());
    }

    #[test]
    fn too_short_a_signal_has_none() {
        assert!(allan_deviation(&[1.0, 2.0, 3.0], 2).deviation.is_nan());
        assert_eq!(overlapping_allan_deviation(&[], 1).n_differences, 0);
        assert_eq!(overlapping_allan_deviation(&[1.0, 2.0], 0).n_differences, 0);
    }
}

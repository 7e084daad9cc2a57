//! r0, tube mass over bore volume, from a meter's own tube frequency.
//!
//! 1/f^2 corrected for temperature is a straight line in density; r0 = intercept over slope,
//! whatever the tube has been through. Only days whose density ranged far enough have a line.

use crate::fleet::Col;
use crate::prepare::Context;
use crate::segment::Segment;
use crate::settings::Part;
use metersift_stats as stats;

/// Days with a line that a fitted r0 needs, and how far their middle half may spread.
const R0_DAYS: usize = 10;

const R0_SPREAD: f64 = 0.1;

/// r0 of steel tubes, kg/m3: what lies outside was no tube.
const R0_RANGE: [f64; 2] = [800.0, 8000.0];

impl Context<'_> {
    /// r0 from the days whose density ranged far enough for a line of 1/f^2.
    pub(crate) fn fitted_r0(&self, index: usize, segment: &Segment) -> Option<f64> {
        if !self.fleet.settings.uses(Part::FittedR0) {
            return None;
        }
        let meter = &self.fleet.meters[index];
        fit_r0(segment.rows.clone().map(|row| {
            (meter.value(Col::ResonatorSlope, row), meter.value(Col::ResonatorIntercept, row))
        }))
    }
}

/// r0 = intercept over slope of 1/f^2 on density, median of the days that have a line.
fn fit_r0(lines: impl Iterator<Item = (f64, f64)>) -> Option<f64> {
    let mut r0: Vec<f64> = lines
        .map(|(slope, intercept)| intercept / slope)
        .filter(|r0| (R0_RANGE[0]..=R0_RANGE[1]).contains(r0))
        .collect();
    r0.sort_by(f64::total_cmp);
    if r0.len() < R0_DAYS {
        return None;
    }
    let middle = stats::median(&r0);
    let spread = stats::quantile_type7(&r0, 0.75) - stats::quantile_type7(&r0, 0.25);
    (spread <= R0_SPREAD * middle).then_some(middle)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 1/f^2 = 4 pi^2 V/k (r0 + rho): a day's line has intercept over slope r0. Lines of days
    /// whose density hardly ranged scatter, and a few wild ones must not move the median.
    #[test]
    fn r0_comes_from_the_line_of_the_resonator_and_wild_days_do_not_move_it() {
        let slope = 2.4e-9;
        let true_r0 = 2310.0;
        let day = |i: usize| {
            let off = 1.0 + 0.01 * ((i * 7 % 11) as f64 - 5.0) / 5.0;
            (slope, slope * true_r0 * off)
        };
        let lines = (0..20).map(day).chain([(slope, slope * 7000.0), (slope, -1.0)]);
        let r0 = fit_r0(lines).expect("twenty days");
        assert!((r0 / true_r0 - 1.0).abs() < 0.01, "{r0}");
        assert_eq!(fit_r0((0..9).map(day)), None, "nine days are too few");
        let scattered = (0..20).map(|i| (slope, slope * (1500.0 + 150.0 * i as f64)));
        assert_eq!(fit_r0(scattered), None);
        assert_eq!(fit_r0([(0.0, 0.0), (f64::NAN, 1.0)].into_iter()), None);
    }
}

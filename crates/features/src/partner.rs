//! Partner meter: two meters in one line see the same mass.
//!
//! Why:    the only evidence on flow itself without a prover.
//! In:     mass flow of both, kg/h; the steady minutes of this meter.
//! Out:    ln(q / partner q) against 1 / partner q: the intercept is the span difference, the
//!         slope the zero difference, kg/h.
//! Method: means over whole steady 5 minutes, Theil-Sen. Where the partner's flow ranges by
//!         less than 20 %, span and zero cannot be parted: the median ratio stands for the
//!         span and the zero stays unknown.
//! Source: Sen (1968), JASA 63, 1379.

use crate::cells::{CELLS, Cells, Minutes, STEADY, WARM};
use crate::row::{FeatureRow, WhyNull};
use crate::samples::Samples;
use crate::table::{Count, F, Group};
use metersift_stats as stats;

/// Minutes of one pair.
const PAIR_MIN: usize = 5;
/// Pairs that a ratio needs.
const MIN_PAIRS: usize = 10;
/// Highest over lowest flow that parts span and zero.
const MIN_RANGE: f64 = 1.2;

/// Writes the partner group.
pub(crate) fn write(
    partner: &Samples,
    (own, other): (&Minutes, &mut Minutes),
    cells: &Cells,
    row: &mut FeatureRow,
) {
    if partner.is_empty() {
        return row.why(Group::Partner, WhyNull::absent(partner));
    }
    other.fill(partner);
    let (mut inverse, mut ratio) = (Vec::new(), Vec::new());
    for from in (WARM..CELLS).step_by(PAIR_MIN) {
        let block = from..from + PAIR_MIN;
        if !block.clone().all(|cell| cells.has(cell, STEADY)) {
            continue;
        }
        let mean =
            |m: &Minutes| block.clone().map(|cell| m.mean[cell]).sum::<f64>() / PAIR_MIN as f64;
        let (q, p) = (mean(own), mean(other));
        // Also false for a NaN: a minute without the partner.
        if q * p > 0.0 {
            inverse.push(1.0 / p);
            ratio.push((q / p).ln());
        }
    }
    row.count(Count::Partner, ratio.len());
    if ratio.len() < MIN_PAIRS {
        let none = ratio.is_empty();
        return row.why(Group::Partner, if none { WhyNull::FilterEmpty } else { WhyNull::TooFew });
    }
    let mut sorted: Vec<f64> = inverse.iter().map(|x| x.abs()).collect();
    sorted.sort_unstable_by(f64::total_cmp);
    let range = stats::quantile_type7(&sorted, 0.95) / stats::quantile_type7(&sorted, 0.05);
    let line = (range >= MIN_RANGE).then(|| stats::theil_sen_line(&inverse, &ratio)).flatten();
    match line {
        Some((slope, intercept)) => {
            row.set(F::PartnerSpanLog, intercept);
            row.set(F::PartnerZero, slope);
        }
        None => row.set(F::PartnerSpanLog, stats::median_in_place(&mut ratio)),
    }
}

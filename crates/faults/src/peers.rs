//! What the other meters on a stream showed, day by day, for one as-of date.
//!
//! Values are centred on each meter's own median in its own segment before the as-of date, so
//! that a meter coming or going does not make the peers' median jump.

use crate::fleet::{Col, Fleet, MIN_PEERS, MeterData, median_without};
use crate::segment::Segment;
use crate::service::root_angle;
use metersift_stats as stats;
use rayon::prelude::*;

/// What peers share: drive, density, noise, temperature, bursts, gas.
pub(crate) const N_SHARED: usize = 6;
/// Place of temperature among them.
pub(crate) const TEMPERATURE: usize = 3;

/// Centred daily values of one meter and the median of its peers.
#[derive(Clone, Debug, Default)]
pub(crate) struct MeterPanel {
    /// First day of the arrays.
    pub first: i32,
    /// Own centred values, by day.
    pub own: [Vec<f64>; N_SHARED],
    /// Median of three or more others, by day.
    pub peers: [Vec<f64>; N_SHARED],
}

impl MeterPanel {
    /// Own centred value of a day; NaN outside.
    pub fn own_at(&self, which: usize, day: i32) -> f64 {
        at(&self.own[which], day - self.first)
    }

    /// Peers' median of a day; NaN where there are fewer than three.
    pub fn peers_at(&self, which: usize, day: i32) -> f64 {
        at(&self.peers[which], day - self.first)
    }
}

fn at(values: &[f64], index: i32) -> f64 {
    usize::try_from(index).ok().and_then(|i| values.get(i)).copied().unwrap_or(f64::NAN)
}

/// Panels of all meters, in the order of the fleet.
pub(crate) fn panels(fleet: &Fleet, segments: &[Segment], as_of: i32) -> Vec<MeterPanel> {
    let by_stream: Vec<Vec<MeterPanel>> = fleet
        .streams
        .par_iter()
        .map(|members| stream_panels(fleet, segments, members, as_of))
        .collect();
    let mut panels: Vec<MeterPanel> = vec![MeterPanel::default(); fleet.meters.len()];
    for (members, own) in fleet.streams.iter().zip(by_stream) {
        for (&member, panel) in members.iter().zip(own) {
            panels[member] = panel;
        }
    }
    panels
}

fn stream_panels(
    fleet: &Fleet,
    segments: &[Segment],
    members: &[usize],
    as_of: i32,
) -> Vec<MeterPanel> {
    if members.len() < 2 {
        return vec![MeterPanel::default(); members.len()];
    }
    let first = members.iter().filter_map(|&m| segments[m].first_day).min().unwrap_or(as_of);
    let n_days = usize::try_from(as_of - first).unwrap_or(0);
    let mut panels: Vec<MeterPanel> =
        members.iter().map(|&m| own_panel(&fleet.meters[m], &segments[m], first, n_days)).collect();
    for which in 0..N_SHARED {
        let mut medians = vec![vec![f64::NAN; n_days]; members.len()];
        let mut sorted: Vec<(f64, usize)> = Vec::with_capacity(members.len());
        let mut values: Vec<f64> = Vec::with_capacity(members.len());
        for day in 0..n_days {
            sorted.clear();
            sorted.extend(
                panels
                    .iter()
                    .enumerate()
                    .map(|(i, panel)| (panel.own[which][day], i))
                    .filter(|(value, _)| value.is_finite()),
            );
            if sorted.len() < MIN_PEERS {
                continue;
            }
            sorted.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            values.clear();
            values.extend(sorted.iter().map(|pair| pair.0));
            for (i, panel_medians) in medians.iter_mut().enumerate() {
                let place = sorted.iter().position(|pair| pair.1 == i);
                // A meter without a value that day is left out by standing past the end.
                panel_medians[day] = match place {
                    Some(place) => median_without(&values, place),
                    None => stats::median(&values),
                };
            }
        }
        for (panel, own) in panels.iter_mut().zip(medians) {
            panel.peers[which] = own;
        }
    }
    panels
}

fn own_panel(meter: &MeterData, segment: &Segment, first: i32, n_days: usize) -> MeterPanel {
    let mut panel = MeterPanel { first, ..MeterPanel::default() };
    for which in 0..N_SHARED {
        let values: Vec<f64> =
            segment.rows.clone().map(|row| shared_value(meter, segment, which, row)).collect();
        let centre = stats::median(&values);
        let mut dense = vec![f64::NAN; n_days];
        for (row, value) in segment.rows.clone().zip(&values) {
            if let Some(slot) =
                usize::try_from(meter.days[row] - first).ok().and_then(|i| dense.get_mut(i))
            {
                *slot = value - centre;
            }
        }
        panel.own[which] = dense;
    }
    panel
}

fn shared_value(meter: &MeterData, segment: &Segment, which: usize, row: usize) -> f64 {
    match which {
        0 => segment.drive(meter, row),
        1 => segment.density(meter, row),
        TEMPERATURE => meter.value(Col::Temperature, row),
        4 => segment.burst_log(meter, row),
        5 => root_angle(meter.value(Col::GasShare, row)),
        _ => segment.noise_log(meter, row),
    }
}

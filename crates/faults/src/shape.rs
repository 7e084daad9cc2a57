//! Shapes in time that a change can have, on one grid of onsets for all observables.
//!
//! g(t) is 1 at its largest: *ramp* grows from an onset (also from before the data) to the
//! as-of date, *step* is constant from an onset on, *saw* is the time since the last recorded
//! cleaning, *old* has been there since before the data (only absolute and service references
//! can see it).
//!
//! A large step whose onset is off by one block fits nothing, so steps are tried at every block
//! boundary. Explanations compare *cells* of neighbouring onsets (about two dozen per kind):
//! inside a cell the onset (and for ramps the curvature: straight, saturating, accelerating) is
//! averaged in the likelihood, like the noise model, before any
//! factor is capped. That keeps the price of an unknown onset at the number of cells, and two
//! observables need to agree on the cell only.

use crate::settings::ShapeShares;

/// Kind of a shape.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Grows from its onset in a straight line.
    Ramp,
    /// Grows from its onset, fast at first.
    Concave,
    /// Grows from its onset, fast at last.
    Convex,
    /// Constant from its onset on.
    Step,
    /// Grows from each cleaning.
    Saw,
    /// Constant since before the data.
    Old,
}

/// One shape.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shape {
    /// Its kind.
    pub kind: Kind,
    /// Day number of its onset (ramp, step); NaN else.
    pub onset: f64,
}

/// Shapes of one kind whose onsets lie together.
#[derive(Clone, Debug, PartialEq)]
pub struct Cell {
    /// Kind, and the middle onset.
    pub shape: Shape,
    /// Members, as places in [`Shapes::fine`].
    pub members: Vec<usize>,
    /// Days of onsets that it covers: its share of the prior among its kind.
    pub width: f64,
}

/// All shapes of one meter and as-of date.
#[derive(Clone, Debug)]
pub struct Shapes {
    /// Every shape that is fitted: straight ramps and steps by onset, then the others.
    pub fine: Vec<Shape>,
    /// Cells of them, in the same order.
    pub cells: Vec<Cell>,
    end: f64,
    cleanings: Vec<f64>,
    start: f64,
    longest_tooth: f64,
}

/// Share of the segment before its first block from which a ramp may also have begun.
const RAMP_BEFORE_DATA: f64 = 0.5;
/// Cells of ramps that began before the data.
const CELLS_BEFORE_DATA: usize = 6;
/// Steepness of concave ramps: 1 - exp(-3 x) has lost 95 % of its first slope at the end.
const SATURATION: f64 = 3.0;
/// Blocks that must lie after an onset, and before a step.
const EDGE_BLOCKS: f64 = 2.0;

impl Shapes {
    /// Shapes for data from `start` to `end` (day numbers), blocks of `block_days`, about
    /// `onsets` cells per kind.
    pub fn new(start: f64, end: f64, block_days: f64, onsets: usize, cleanings: &[f64]) -> Shapes {
        let inside: Vec<f64> =
            cleanings.iter().copied().filter(|day| *day > start && *day < end).collect();
        let mut shapes = Shapes {
            fine: Vec::new(),
            cells: Vec::new(),
            end,
            cleanings: inside,
            start,
            longest_tooth: 0.0,
        };
        let span = (end - start).max(block_days);
        let last = (end - EDGE_BLOCKS * block_days).max(start);
        let before = RAMP_BEFORE_DATA * span / CELLS_BEFORE_DATA as f64;
        let mut ramps: Vec<(f64, f64)> = (0..CELLS_BEFORE_DATA)
            .rev()
            .map(|i| (start - before * (i as f64 + 0.5), before))
            .collect();
        let within = (last - start) / onsets.max(1) as f64;
        ramps.extend((0..onsets).map(|i| (start + within * (i as f64 + 0.5), within)));
        for &(onset, width) in &ramps {
            shapes.cell(Kind::Ramp, &[onset], width);
        }
        shapes.steps(last, block_days, onsets);
        for kind in [Kind::Concave, Kind::Convex] {
            for (c, &(onset, _)) in ramps.iter().enumerate() {
                shapes.cells[c].members.push(shapes.fine.len());
                shapes.fine.push(Shape { kind, onset });
            }
        }
        if shapes.cleanings.len() >= 2 {
            shapes.cell(Kind::Saw, &[f64::NAN], 1.0);
            let mut tooth = start;
            for day in shapes.cleanings.iter().chain([&end]) {
                shapes.longest_tooth = f64::max(shapes.longest_tooth, day - tooth);
                tooth = *day;
            }
        }
        shapes.cell(Kind::Old, &[f64::NAN], 1.0);
        shapes
    }

    /// Steps at every block boundary, in about `onsets` even cells.
    fn steps(&mut self, last: f64, block_days: f64, onsets: usize) {
        let first = self.start + EDGE_BLOCKS * block_days;
        let mut boundaries: Vec<f64> = (0..)
            .map(|k| last - f64::from(k) * block_days)
            .take_while(|boundary| *boundary >= first)
            .collect();
        boundaries.reverse();
        if boundaries.is_empty() {
            boundaries.push(last);
        }
        let n = boundaries.len();
        let n_cells = onsets.clamp(1, n);
        for c in 0..n_cells {
            let members = &boundaries[c * n / n_cells..(c + 1) * n / n_cells];
            self.cell(Kind::Step, members, block_days * members.len() as f64);
        }
    }

    fn cell(&mut self, kind: Kind, onsets: &[f64], width: f64) {
        let from = self.fine.len();
        self.fine.extend(onsets.iter().map(|&onset| Shape { kind, onset }));
        let middle = onsets.iter().sum::<f64>() / onsets.len() as f64;
        let shape = Shape { kind, onset: middle };
        self.cells.push(Cell { shape, members: (from..self.fine.len()).collect(), width });
    }

    /// Value of a shape at day number `t`.
    pub fn value(&self, shape: &Shape, t: f64) -> f64 {
        match shape.kind {
            Kind::Ramp | Kind::Concave | Kind::Convex => {
                curve(shape.kind, ((t - shape.onset) / (self.end - shape.onset)).max(0.0))
            }
            Kind::Step => f64::from(u8::from(t >= shape.onset)),
            Kind::Saw => self.since_cleaning(t) / self.longest_tooth.max(1.0),
            Kind::Old => 1.0,
        }
    }

    /// Value of a shape on the as-of date, relative to its largest.
    pub fn now(&self, shape: &Shape) -> f64 {
        self.value(shape, self.end)
    }

    /// For how many days a growing shape has grown to what it is now; infinite for the others.
    pub fn growing_days(&self, shape: &Shape) -> f64 {
        match shape.kind {
            Kind::Ramp | Kind::Concave | Kind::Convex => self.end - shape.onset,
            Kind::Saw => self.since_cleaning(self.end).max(1.0),
            Kind::Step | Kind::Old => f64::INFINITY,
        }
    }

    /// Prior of each cell under a hypothesis; the share of kinds that are absent here goes to the
    /// others in proportion.
    pub fn prior(&self, shares: &ShapeShares) -> Vec<f64> {
        let share = |kind: Kind| match kind {
            Kind::Ramp | Kind::Concave | Kind::Convex => shares.ramp,
            Kind::Step => shares.step,
            Kind::Saw => shares.saw,
            Kind::Old => shares.old,
        };
        let width = |kind: Kind| -> f64 {
            self.cells.iter().filter(|c| c.shape.kind == kind).map(|c| c.width).sum()
        };
        let raw: Vec<f64> = self
            .cells
            .iter()
            .map(|c| share(c.shape.kind) * c.width / width(c.shape.kind))
            .collect();
        let sum: f64 = raw.iter().sum();
        raw.iter().map(|p| if sum > 0.0 { p / sum } else { 0.0 }).collect()
    }

    /// Slope of a shape at the as-of date over the slope of a straight ramp of the same age.
    pub fn end_slope(kind: Kind) -> f64 {
        match kind {
            Kind::Ramp | Kind::Saw => 1.0,
            Kind::Concave => SATURATION * (-SATURATION).exp() / -(-SATURATION).exp_m1(),
            Kind::Convex => 2.0,
            Kind::Step | Kind::Old => 0.0,
        }
    }

    fn since_cleaning(&self, t: f64) -> f64 {
        let last =
            self.cleanings.iter().copied().filter(|day| *day <= t).fold(self.start, f64::max);
        (t - last).max(0.0)
    }
}

/// A ramp's value at the share `x` of its time.
fn curve(kind: Kind, x: f64) -> f64 {
    match kind {
        Kind::Concave => (-SATURATION * x).exp_m1() / (-SATURATION).exp_m1(),
        Kind::Convex => x * x,
        _ => x,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shapes_reach_one_and_priors_sum_to_one() {
        let shares = ShapeShares { ramp: 0.6, step: 0.05, saw: 0.25, old: 0.1 };
        for cleanings in [&[][..], &[40.0, 90.0][..]] {
            let shapes = Shapes::new(0.0, 120.0, 5.0, 24, cleanings);
            let saws = shapes.fine.iter().filter(|shape| shape.kind == Kind::Saw).count();
            assert_eq!(saws, usize::from(!cleanings.is_empty()));
            for shape in &shapes.fine {
                let top = (0..=1200).map(|i| shapes.value(shape, f64::from(i) / 10.0));
                let top = top.fold(0.0, f64::max);
                // The grid of a tenth of a day misses the top of a tooth by a little.
                assert!((top - 1.0).abs() < 5e-3, "{shape:?} {top}");
            }
            let sum: f64 = shapes.prior(&shares).iter().sum();
            assert!((sum - 1.0).abs() < 1e-12);
        }
    }

    #[test]
    fn steps_are_tried_at_every_block_boundary_and_cells_hold_them_all() {
        let shapes = Shapes::new(0.0, 420.0, 5.0, 24, &[]);
        let steps: Vec<f64> =
            shapes.fine.iter().filter(|s| s.kind == Kind::Step).map(|s| s.onset).collect();
        assert_eq!((steps[0], steps[steps.len() - 1], steps.len()), (10.0, 410.0, 81));
        let held: usize = shapes.cells.iter().map(|cell| cell.members.len()).sum();
        assert_eq!(held, shapes.fine.len());
        let cells = shapes.cells.iter().filter(|cell| cell.shape.kind == Kind::Step).count();
        assert_eq!(cells, 24);
    }

    #[test]
    fn a_saw_falls_at_each_cleaning() {
        let shapes = Shapes::new(0.0, 120.0, 5.0, 24, &[40.0, 90.0]);
        let saw = shapes.fine.iter().find(|s| s.kind == Kind::Saw).copied().expect("saw");
        assert!((shapes.value(&saw, 89.0) - 0.98).abs() < 1e-12);
        assert_eq!(shapes.value(&saw, 90.0), 0.0);
        assert!((shapes.now(&saw) - 0.6).abs() < 1e-12);
    }
}

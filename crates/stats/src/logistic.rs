//! A logistic line P = 1 / (1 + exp(-(intercept + slope x))) through targets, with a normal prior on
//! both coefficients.
//!
//! In:     pairs (x, target), targets in 0..=1; all finite.
//! Method: Newton steps on a convex loss (minus the log posterior), each halved until the loss
//!         falls: full steps overshoot where many sure calls were wrong.
//! Source: Lin, Lin & Weng (2007), Mach. Learn. 68, 267, for the iteration and its stop; the prior
//!         is ridge regression of Hoerl & Kennard (1970), Technometrics 12, 55 (from memory).

use crate::likelihood::from_log_odds;

/// Normal prior of one coefficient.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CoefficientPrior {
    /// Where it is pulled to.
    pub mean: f64,
    /// Standard deviation; the smaller, the stronger the pull.
    pub sd: f64,
}

impl CoefficientPrior {
    /// So wide that only data without any slope of their own feel it.
    pub const FLAT: CoefficientPrior = CoefficientPrior { mean: 0.0, sd: 1e6 };

    fn precision(&self) -> f64 {
        self.sd.powi(-2)
    }
}

/// A straight line in log odds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LogisticLine {
    /// Log odds at x = 0.
    pub intercept: f64,
    /// Log odds per unit of x.
    pub slope: f64,
}

impl LogisticLine {
    /// Log odds at x.
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }
}

/// Mode of the posterior, from `start` on.
pub fn logistic_line(
    pairs: &[(f64, f64)],
    start: LogisticLine,
    intercept: CoefficientPrior,
    slope: CoefficientPrior,
) -> LogisticLine {
    let fit = Fit { pairs, intercept, slope };
    let mut line = start;
    let mut loss = fit.loss(line);
    for _ in 0..200 {
        let (step, descent) = fit.newton_step(line);
        let Some((next, next_loss)) = fit.line_search(line, loss, step, descent) else { break };
        let moved = (next.intercept - line.intercept).abs() + (next.slope - line.slope).abs();
        (line, loss) = (next, next_loss);
        if moved <= 1e-13 * (1.0 + line.intercept.abs() + line.slope.abs()) {
            break;
        }
    }
    line
}

struct Fit<'p> {
    pairs: &'p [(f64, f64)],
    intercept: CoefficientPrior,
    slope: CoefficientPrior,
}

impl Fit<'_> {
    /// Minus the log posterior, up to a constant.
    fn loss(&self, line: LogisticLine) -> f64 {
        let term = |&(x, target): &(f64, f64)| {
            let z = line.at(x);
            // ln(1 + e^z) - target z, without overflow on either side.
            z.max(0.0) + (-z.abs()).exp().ln_1p() - target * z
        };
        let pull = |prior: CoefficientPrior, value: f64| {
            0.5 * prior.precision() * (value - prior.mean).powi(2)
        };
        self.pairs.iter().map(term).sum::<f64>()
            + pull(self.intercept, line.intercept)
            + pull(self.slope, line.slope)
    }

    /// Newton direction and the slope of the loss along it.
    fn newton_step(&self, line: LogisticLine) -> (LogisticLine, f64) {
        let (pull_a, pull_b) = (self.intercept.precision(), self.slope.precision());
        let mut ga = pull_a * (line.intercept - self.intercept.mean);
        let mut gb = pull_b * (line.slope - self.slope.mean);
        let (mut haa, mut hab, mut hbb) = (pull_a, 0.0, pull_b);
        for &(x, target) in self.pairs {
            let p = from_log_odds(line.at(x));
            let curvature = p * (1.0 - p);
            haa += curvature;
            hab += x * curvature;
            hbb += x * x * curvature;
            ga += p - target;
            gb += x * (p - target);
        }
        let determinant = haa * hbb - hab * hab;
        let intercept = -(hbb * ga - hab * gb) / determinant;
        let slope = -(haa * gb - hab * ga) / determinant;
        (LogisticLine { intercept, slope }, ga * intercept + gb * slope)
    }

    /// Halves the step until the loss falls enough; `None` when it no longer can.
    fn line_search(
        &self,
        from: LogisticLine,
        loss: f64,
        step: LogisticLine,
        descent: f64,
    ) -> Option<(LogisticLine, f64)> {
        let mut size = 1.0;
        while size >= 1e-10 {
            let next = LogisticLine {
                intercept: from.intercept + size * step.intercept,
                slope: from.slope + size * step.slope,
            };
            let next_loss = self.loss(next);
            if next_loss < loss + 1e-4 * size * descent {
                return Some((next, next_loss));
            }
            size /= 2.0;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NONE: LogisticLine = LogisticLine { intercept: 0.0, slope: 1.0 };
    const AT_ZERO: CoefficientPrior = CoefficientPrior { mean: 0.0, sd: 1.0 };
    const AT_ONE: CoefficientPrior = CoefficientPrior { mean: 1.0, sd: 0.25 };

    /// The mode, found a second time by walking around it.
    #[test]
    fn the_line_is_the_mode_of_its_posterior() {
        let pairs: Vec<(f64, f64)> = (0..40)
            .map(|i| (f64::from(i) / 8.0 - 2.0, f64::from(u8::from((i * 7) % 10 < 3 + i / 8))))
            .collect();
        let line = logistic_line(&pairs, NONE, AT_ZERO, AT_ONE);
        let loss = |a: f64, b: f64| -> f64 {
            let fit = pairs.iter().map(|&(x, y)| {
                let z = a + b * x;
                if y == 1.0 { (-z).exp().ln_1p() } else { z.exp().ln_1p() }
            });
            fit.sum::<f64>() + 0.5 * a * a + 0.5 * ((b - 1.0) / 0.25).powi(2)
        };
        let best = loss(line.intercept, line.slope);
        for (da, db) in [(1e-3, 0.0), (-1e-3, 0.0), (0.0, 1e-3), (0.0, -1e-3)] {
            assert!(loss(line.intercept + da, line.slope + db) > best);
        }
    }

    /// A full Newton step from here runs away: 24 sure calls of which 16 were wrong.
    #[test]
    fn sure_calls_that_were_wrong_do_not_throw_the_iteration() {
        let pairs: Vec<(f64, f64)> =
            (0..24).map(|i| (4.76, f64::from(u8::from(i % 3 == 0)))).collect();
        let line = logistic_line(&pairs, NONE, AT_ZERO, AT_ONE);
        assert!(line.slope < 1.0 && line.intercept < 0.0, "{line:?}");
    }

    #[test]
    fn separable_points_stay_finite_under_a_prior() {
        let pairs = [(-1.0, 0.0), (-0.5, 0.0), (0.5, 1.0), (1.0, 1.0)];
        let pull = CoefficientPrior { mean: 0.0, sd: 7.0 };
        let line = logistic_line(&pairs, LogisticLine { intercept: 0.0, slope: 0.0 }, pull, pull);
        assert!(line.slope > 1.0 && line.slope.is_finite() && line.intercept.abs() < 1e-6);
    }
}

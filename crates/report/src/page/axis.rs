//! One time axis for all pictures of a meter, and readable ticks for values.
//!
//! Pictures stretch with the page: horizontal places are per cent of the plot, vertical ones
//! pixels, so that text and symbols keep their size from a phone to a poster.

use metersift_model::Day;

/// The span of days that a picture shows.
#[derive(Clone, Copy, Debug)]
pub(crate) struct TimeAxis {
    pub from: Day,
    pub until: Day,
}

impl TimeAxis {
    /// From the first day to the as-of date, at least a month, at most `longest` days.
    pub(crate) fn new(first: Option<Day>, as_of: Day, longest: i32) -> TimeAxis {
        let month_before = as_of.plus(-30);
        let from = first.unwrap_or(month_before).min(month_before).max(as_of.plus(-longest));
        TimeAxis { from, until: as_of }
    }

    pub(crate) fn days(&self) -> i32 {
        (self.until.0 - self.from.0).max(1)
    }

    pub(crate) fn holds(&self, day: Day) -> bool {
        day >= self.from && day <= self.until
    }

    /// Share of the width, 0..1; days outside lie at the ends.
    pub(crate) fn share(&self, day: Day) -> f64 {
        (f64::from(day.0 - self.from.0) / f64::from(self.days())).clamp(0.0, 1.0)
    }

    /// Place in per cent with two decimals at most, for attributes.
    pub(crate) fn percent(&self, day: Day) -> String {
        trim(100.0 * self.share(day), 2)
    }

    /// First days of months, seven at most in the inner width; on a phone every other one gives
    /// way, so that labels never touch.
    pub(crate) fn ticks(&self) -> Vec<(Day, String)> {
        let months = f64::from(self.days()) / 30.44;
        let step = [1, 2, 3, 6, 12, 24].into_iter().find(|step| months / f64::from(*step) <= 6.6);
        let step = step.unwrap_or(60);
        let mut ticks = Vec::new();
        let start = self.from.civil();
        let mut index = i32::from(start.year()) * 12 + i32::from(start.month()) - 1;
        index += (step - index.rem_euclid(step)) % step;
        for _ in 0..8 {
            let text = format!("{:04}-{:02}", index.div_euclid(12), index.rem_euclid(12) + 1);
            let Some(day) = Day::parse(&format!("{text}-01")) else { break };
            if day > self.until {
                break;
            }
            if day >= self.from {
                ticks.push((day, text));
            }
            index += step;
        }
        ticks
    }
}

/// A vertical scale in pixels, high values up.
#[derive(Clone, Copy, Debug)]
pub(crate) struct ValueAxis {
    pub low: f64,
    pub high: f64,
    pub height: f64,
}

impl ValueAxis {
    /// Covers the values with a little air; a constant gets a span of its own.
    pub(crate) fn covering(values: impl Iterator<Item = f64>, height: f64) -> Option<ValueAxis> {
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        for value in values.filter(|value| value.is_finite()) {
            low = low.min(value);
            high = high.max(value);
        }
        if low > high {
            return None;
        }
        let span = high - low;
        // Below the fourth digit there is nothing to see, only rounding.
        let air = if span > 1e-4 * high.abs().max(low.abs()) {
            0.08 * span
        } else {
            (0.01 * high.abs()).max(1e-9)
        };
        Some(ValueAxis { low: low - air, high: high + air, height })
    }

    /// Like `covering`, with zero as floor for quantities that have one.
    pub(crate) fn from_zero(values: impl Iterator<Item = f64>, height: f64) -> Option<ValueAxis> {
        let top = ValueAxis::covering(values.chain([0.0]), height)?;
        Some(ValueAxis { low: 0.0, ..top })
    }

    /// The same scale, widened about its middle to at least `span`.
    pub(crate) fn at_least(self, span: f64) -> ValueAxis {
        let missing = span - (self.high - self.low);
        let half = if missing > 0.0 { 0.5 * missing } else { 0.0 };
        ValueAxis { low: self.low - half, high: self.high + half, ..self }
    }

    /// Pixels from the top; values outside lie on the edge.
    pub(crate) fn y(&self, value: f64) -> f64 {
        let share = ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        self.height * (1.0 - share)
    }

    /// Two to four round values inside the scale, where round values allow.
    pub(crate) fn ticks(&self) -> Vec<f64> {
        let coarse = self.ticks_of((self.high - self.low) / 3.0);
        if coarse.len() >= 2 { coarse } else { self.ticks_of((self.high - self.low) / 5.5) }
    }

    /// Multiples of the round number at or above `raw`.
    fn ticks_of(&self, raw: f64) -> Vec<f64> {
        let decade = 10_f64.powf(raw.log10().floor());
        let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * decade).find(|s| *s >= raw);
        let step = step.unwrap_or(raw);
        let first = (self.low / step).ceil();
        (0..7)
            .map(|index| (first + f64::from(index)) * step)
            .take_while(|tick| *tick <= self.high)
            // Labels need room above and below; an edge tick would be cut.
            .filter(|tick| (5.0..=self.height - 4.0).contains(&self.y(*tick)))
            .collect()
    }
}

/// A number with few decimals and no trailing zeros.
pub(crate) fn trim(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    let text = match text.contains('.') {
        true => text.trim_end_matches('0').trim_end_matches('.'),
        false => &text,
    };
    if text == "-0" { "0".into() } else { text.into() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn month_labels_are_few_and_inside() {
        let as_of = Day::parse("2026-03-14").expect("a day");
        for days in [30, 45, 90, 200, 365, 400, 730, 1100, 4000] {
            let axis = TimeAxis::new(Some(as_of.plus(-days)), as_of, 5000);
            let ticks = axis.ticks();
            assert!((1..=7).contains(&ticks.len()), "{days}: {ticks:?}");
            assert!(ticks.iter().all(|(day, _)| axis.holds(*day)), "{days}");
        }
    }

    #[test]
    fn value_ticks_are_round_and_never_at_the_edge() {
        for (low, high) in [(0.0, 1.0), (998.2, 998.9), (-3.0, 40.0), (0.001, 0.0034), (5.0, 5.0)] {
            let axis = ValueAxis::covering([low, high].into_iter(), 70.0).expect("values");
            let ticks = axis.ticks();
            assert!((2..=5).contains(&ticks.len()), "{low} {high}: {ticks:?}");
            for tick in ticks {
                assert!(axis.y(tick) >= 5.0 && axis.y(tick) <= 66.0);
            }
        }
        assert!(ValueAxis::covering([f64::NAN].into_iter(), 70.0).is_none());
    }
}

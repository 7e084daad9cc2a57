//! What the historian keeps of a day: each tag by its own habit, then gaps and stray values.

use super::*;

/// Applies each tag's recorder to the raw columns.
pub(super) fn keep(site: &Site, meter: &MeterSim, day: i64, out: &mut DayOut) {
    let noon = day as f64 + 0.5;
    let mut thin = site.plan.variation.dead_band_factor;
    for confounder in &meter.confounders {
        match *confounder {
            Confounder::Thinning { from_day, factor } if noon >= from_day => thin *= factor,
            _ => {}
        }
    }
    let DayOut { samples, raw } = out;
    for (slot, kept) in samples.iter_mut().enumerate() {
        kept.clear();
        if let Some(tag) = meter.tag(slot) {
            record(raw, slot, tag, thin, kept);
            spoil(site, meter, day, slot, kept);
        }
    }
}

fn record(raw: &Raw, slot: usize, tag: &Tag, thin: f64, kept: &mut Vec<Sample>) {
    let values = &raw.value[slot];
    match tag.habit {
        Habit::Periodic { every_s, aligned } => {
            let mut due = 0.0;
            for (i, &at) in raw.at_s.iter().enumerate() {
                if at >= due {
                    let stamp = if aligned { (at / every_s).floor() * every_s } else { at };
                    push(kept, stamp, values[i], tag);
                    due = ((at / every_s).floor() + 1.0) * every_s;
                }
            }
        }
        Habit::OnChange { dead_band, longest_s, shortest_s, stamp_s } => {
            let mut last = f64::NEG_INFINITY;
            on_change(raw, values, dead_band * thin, longest_s, shortest_s, |at, value| {
                let stamp = if stamp_s > 0.0 { (at / stamp_s).floor() * stamp_s } else { at };
                if stamp > last {
                    push(kept, stamp, value, tag);
                    last = stamp;
                }
            });
        }
        Habit::Held { dead_band, every_s } => {
            let mut stored: Vec<(f64, f64)> = Vec::with_capacity(128);
            on_change(raw, values, dead_band * thin, 7200.0, 120.0, |at, value| {
                stored.push((at, value));
            });
            even(every_s, |at| {
                let after = stored.partition_point(|&(t, _)| t <= at);
                let value = stored[after.saturating_sub(1)].1;
                push(kept, at, value, tag);
            });
        }
        Habit::Line { dead_band, every_s } => {
            let stored = swinging_door(&raw.at_s, values, dead_band * thin);
            even(every_s, |at| push(kept, at, on_line(&stored, at), tag));
        }
    }
}

fn even(every_s: f64, mut each: impl FnMut(f64)) {
    let n = (86_400.0 / every_s).round() as usize;
    for i in 0..n {
        each(i as f64 * every_s);
    }
}

fn on_change(
    raw: &Raw,
    values: &[f64],
    dead_band: f64,
    longest_s: f64,
    shortest_s: f64,
    mut each: impl FnMut(f64, f64),
) {
    let (mut last_at, mut last_value) = (f64::NEG_INFINITY, f64::NAN);
    for (i, &at) in raw.at_s.iter().enumerate() {
        let gap = at - last_at;
        let value = values[i];
        let moved = (value - last_value).abs() > dead_band && (gap >= shortest_s || raw.fine[i]);
        if moved || gap >= longest_s {
            each(at, value);
            (last_at, last_value) = (at, value);
        }
    }
}

/// Swinging-door compression: points that a line within the band cannot replace.
fn swinging_door(at_s: &[f64], values: &[f64], band: f64) -> Vec<(f64, f64)> {
    let mut stored = Vec::with_capacity(96);
    let Some((&first_at, &first)) = at_s.first().zip(values.first()) else {
        return stored;
    };
    stored.push((first_at, first));
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    let mut held = (first_at, first);
    for (&at, &value) in at_s.iter().zip(values).skip(1) {
        let (from_at, from) = stored[stored.len() - 1];
        let dt = at - from_at;
        low = low.max((value - band - from) / dt);
        high = high.min((value + band - from) / dt);
        if low > high || dt > 3600.0 {
            stored.push(held);
            let dt = (at - held.0).max(1e-3);
            low = (value - band - held.1) / dt;
            high = (value + band - held.1) / dt;
        }
        held = (at, value);
    }
    stored.push(held);
    stored
}

fn on_line(stored: &[(f64, f64)], at: f64) -> f64 {
    let after = stored.partition_point(|&(t, _)| t <= at);
    match (after.checked_sub(1).map(|i| stored[i]), stored.get(after)) {
        (Some(a), Some(&b)) if b.0 > a.0 => a.1 + (b.1 - a.1) * (at - a.0) / (b.0 - a.0),
        (Some(a), _) => a.1,
        (None, Some(&b)) => b.1,
        (None, None) => f64::NAN,
    }
}

fn push(kept: &mut Vec<Sample>, at_s: f64, value: f64, tag: &Tag) {
    let value = if tag.resolution > 0.0 {
        (value / tag.resolution).round() * tag.resolution
    } else {
        value
    };
    let ms = ((at_s * 1000.0) as i64 + tag.offset_ms).min(86_399_999);
    kept.push(Sample { ms, value, state: State::Good });
}

/// Gaps, stuck tags, unit slips and stray bad samples.
fn spoil(site: &Site, meter: &MeterSim, day: i64, slot: usize, kept: &mut Vec<Sample>) {
    let at = |ms: i64| day as f64 + ms as f64 / 86_400_000.0;
    for confounder in &meter.confounders {
        match *confounder {
            Confounder::Gap { slot: only, from_day, until_day }
                if only.is_none_or(|s| s == slot)
                    && from_day < (day + 1) as f64
                    && until_day > day as f64 =>
            {
                kept.retain(|s| !(from_day <= at(s.ms) && at(s.ms) < until_day));
            }
            Confounder::Stuck { slot: only, from_day, until_day }
                if only == slot && from_day < (day + 1) as f64 && until_day > day as f64 =>
            {
                let stuck = stuck_value(site, meter, slot, from_day);
                let from_ms = (from_day - day as f64) * 86_400_000.0;
                for sample in kept.iter_mut() {
                    if sample.ms as f64 >= from_ms && at(sample.ms) < until_day {
                        sample.value = stuck;
                    }
                }
            }
            Confounder::UnitSlip { slot: only, from_day, until_day, factor }
                if only == slot && (day as f64) >= from_day && (day as f64) < until_day =>
            {
                for sample in kept.iter_mut() {
                    sample.value *= factor;
                }
            }
            _ => {}
        }
    }
    let mut draws =
        Draws::new(site.plan.seed, meter.key, Purpose::Dump, (day as u64) << 4 | slot as u64);
    if !kept.is_empty() && draws.chance(0.03) {
        let from = draws.pick(kept.len());
        let length = 1 + draws.pick(5);
        let state = match draws.pick(5) {
            0 | 1 => State::Bad,
            2 => State::NoData,
            3 => State::Uncertain,
            _ => State::Override,
        };
        for sample in kept.iter_mut().skip(from).take(length) {
            sample.state = state;
        }
    }
    // A drive at its limit is marked uncertain by this site's control system.
    if slot == DRIVE {
        for sample in kept.iter_mut().filter(|s| s.state == State::Good && s.value >= 99.99) {
            sample.state = State::Uncertain;
        }
    }
}

/// A stuck tag keeps a plausible value: the usual one, off by a share of its own.
fn stuck_value(site: &Site, meter: &MeterSim, slot: usize, from_day: f64) -> f64 {
    let spec = &site.streams[meter.stream].spec;
    let unit = meter.unit_at(from_day);
    let off = 1.0 + 0.01 * normal_of(meter.key ^ 0x57, from_day as i64);
    let usual = match slot {
        FLOW => meter.usual_kg_h,
        DENSITY => spec.fluid.density_kg_m3(spec.strength, spec.temperature_degc),
        DRIVE => unit.drive_pct,
        TEMPERATURE => spec.temperature_degc,
        PICKOFF_IN => unit.pickoff_in_mv,
        PICKOFF_OUT => unit.pickoff_out_mv,
        FREQUENCY => unit.water_hz,
        PRESSURE => spec.pressure_kpa,
        _ => meter.usual_kg_h / 1000.0,
    };
    usual * off
}

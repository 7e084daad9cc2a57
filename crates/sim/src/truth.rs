//! The truth beside a site: what each meter has, since when, how much, and what looks like it.
//!
//! `truth/truth.csv` has one row per meter, `truth/daily.csv.gz` one per faulty meter and day.
//! Nothing but tests, demo scoring and benchmarks may read it.

use crate::fault::{Condition, Fault};
use crate::meter::MeterSim;
use crate::site::Site;
use crate::{SimError, io_error};
use metersift_model::{Day, Hypothesis};
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::io::Write as _;
use std::path::Path;

/// The truth about one meter.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterTruth {
    /// Meter.
    pub meter: String,
    /// Service.
    pub service: String,
    /// Stream.
    pub stream: String,
    /// Fault mode; `None` = no fault at any time.
    pub mode: Option<Hypothesis>,
    /// Variant of the mode (`coating_saw`, `wear_local`, ...), empty without a fault.
    pub variant: String,
    /// Day on which it began (perhaps before the data).
    pub onset_day: Option<Day>,
    /// Day on which it was found and mended.
    pub ends_day: Option<Day>,
    /// First day beyond the functional limit, looked for up to the horizon.
    pub reaches_limit_day: Option<Day>,
    /// What the limit is on: `flow_error`, `density_error`, `gas_share`, `signal`.
    pub limit: String,
    /// Size on the last day written, in `severity_unit`.
    pub severity_final: f64,
    /// Largest size up to the last day written.
    pub severity_peak: f64,
    /// Unit of the sizes.
    pub severity_unit: String,
    /// Flow error on the last day, % of the usual flow.
    pub flow_error_final_pct: f64,
    /// Density error on the last day, kg/m3.
    pub density_error_final_kg_m3: f64,
    /// Look-alikes of the meter and its stream: name and first day.
    pub confounders: Vec<(String, Day)>,
    /// The same, with the last day of what passes by itself.
    pub look_alikes: Vec<LookAlike>,
}

/// Something that looks like a fault and is none.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LookAlike {
    /// Name; those that begin with `stream_` concern all meters of the stream.
    pub name: String,
    /// First day.
    pub from: Day,
    /// Last day, where it passes by itself.
    pub until: Option<Day>,
}

impl MeterTruth {
    /// Whether the meter has a fault that had begun, and was not yet mended, on a day.
    pub fn faulty_on(&self, day: Day) -> bool {
        self.mode.is_some()
            && self.onset_day.is_some_and(|onset| onset <= day)
            && self.ends_day.is_none_or(|mended| day < mended)
    }
}

impl LookAlike {
    /// Whether the stream brings gas to all its meters: no fault of theirs, but gas all the same.
    pub fn brings_gas(&self) -> bool {
        self.name == "stream_pump_air"
    }
}

/// Truth by meter.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Truth {
    /// One entry per meter of the register.
    pub meters: BTreeMap<String, MeterTruth>,
}

const HEADER: &str = "meter,service,stream,mode,variant,onset_day,ends_day,reaches_limit_day,\
    limit,severity_final,severity_peak,severity_unit,flow_error_final_pct,\
    density_error_final_kg_m3,confounders";

/// Reads `truth/truth.csv` of a site folder.
///
/// # Errors
/// When the file cannot be read or a line does not hold what [`crate::write_site`] writes.
pub fn read_truth(dir: &Path) -> Result<Truth, SimError> {
    let path = dir.join("truth").join("truth.csv");
    let text = std::fs::read_to_string(&path).map_err(|e| io_error(&path, e))?;
    let mut truth = Truth::default();
    for (i, line) in text.lines().enumerate().skip(1) {
        let meter = parse(line).ok_or_else(|| SimError::Truth {
            path: path.clone(),
            line: i + 1,
            what: line.into(),
        })?;
        truth.meters.insert(meter.meter.clone(), meter);
    }
    Ok(truth)
}

fn parse(line: &str) -> Option<MeterTruth> {
    let fields: Vec<&str> = line.split(',').collect();
    let [
        meter,
        service,
        stream,
        mode,
        variant,
        onset,
        ends,
        reaches,
        limit,
        last,
        peak,
        unit,
        flow,
        density,
        confounders,
    ] = fields.as_slice()
    else {
        return None;
    };
    let day = |text: &str| if text.is_empty() { Some(None) } else { Day::parse(text).map(Some) };
    let look_alikes = confounders
        .split('|')
        .filter(|part| !part.is_empty())
        .map(|part| {
            let (name, days) = part.split_once('@')?;
            let (from, until) = days.split_once("..").unwrap_or((days, ""));
            Some(LookAlike { name: name.into(), from: Day::parse(from)?, until: day(until)? })
        })
        .collect::<Option<Vec<_>>>()?;
    Some(MeterTruth {
        meter: (*meter).to_owned(),
        service: (*service).to_owned(),
        stream: (*stream).to_owned(),
        mode: if *mode == "none" { None } else { Some(Hypothesis::parse(mode)?) },
        variant: (*variant).to_owned(),
        onset_day: day(onset)?,
        ends_day: day(ends)?,
        reaches_limit_day: day(reaches)?,
        limit: (*limit).to_owned(),
        severity_final: last.parse().ok()?,
        severity_peak: peak.parse().ok()?,
        severity_unit: (*unit).to_owned(),
        flow_error_final_pct: flow.parse().ok()?,
        density_error_final_kg_m3: density.parse().ok()?,
        confounders: look_alikes.iter().map(|look| (look.name.clone(), look.from)).collect(),
        look_alikes,
    })
}

/// The truth of a drawn site.
pub(crate) fn of(site: &Site) -> Truth {
    let mut truth = Truth::default();
    for meter in &site.meters {
        let mut line = String::new();
        row(site, meter, &mut line);
        truth.meters.extend(parse(line.trim_end()).map(|one| (one.meter.clone(), one)));
    }
    truth
}

/// Writes both files; gives their count and bytes.
pub(crate) fn write(site: &Site, dir: &Path) -> Result<(u64, u64), SimError> {
    let folder = dir.join("truth");
    std::fs::create_dir_all(&folder).map_err(|e| io_error(&folder, e))?;
    let mut table = String::from(HEADER);
    table.push('\n');
    let mut daily = String::from(
        "meter,day,mode,severity,severity_unit,flow_error_pct,density_error_kg_m3,\
         zero_stabilities,gas_share\n",
    );
    for meter in &site.meters {
        row(site, meter, &mut table);
        daily_rows(site, meter, &mut daily);
    }
    let path = folder.join("truth.csv");
    std::fs::write(&path, &table).map_err(|e| io_error(&path, e))?;
    let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::new(6));
    let path = folder.join("daily.csv.gz");
    gz.write_all(daily.as_bytes()).map_err(|e| io_error(&path, e))?;
    let bytes = gz.finish().map_err(|e| io_error(&path, e))?;
    std::fs::write(&path, &bytes).map_err(|e| io_error(&path, e))?;
    Ok((2, (table.len() + bytes.len()) as u64))
}

/// What a condition costs: flow error at usual flow in %, density error in kg/m3.
fn errors(site: &Site, meter: &MeterSim, condition: &Condition, day: f64) -> (f64, f64) {
    let spec = &site.streams[meter.stream].spec;
    let rho = spec.fluid.density_kg_m3(spec.strength, spec.temperature_degc);
    let r0 = meter.unit_at(day).r0;
    let tube = &condition.tube;
    let v = condition.deposit_share;
    let filling = rho * (1.0 + tube.nu) * (1.0 - v) + v * condition.deposit_kg_m3;
    let reads = (r0 * (1.0 + tube.mu) + filling) / (1.0 + tube.kappa) - r0;
    let zero = condition.zero * meter.zero_stability_kg_h / meter.usual_kg_h;
    (100.0 * (condition.flow_factor() - 1.0 + zero), reads - rho)
}

/// Name of the limit of a fault and how much of it is used up (1 = reached).
fn limit(site: &Site, meter: &MeterSim, fault: &Fault, day: f64) -> (&'static str, f64) {
    let stream = &site.streams[meter.stream];
    let load = |d: f64| stream.load_days_at(d);
    let condition = fault.condition(day, &load);
    let (flow, density) = errors(site, meter, &condition, day);
    match fault.mode {
        Hypothesis::TwoPhase => {
            // Five per cent of flowing time, or half a per cent of gas that never leaves.
            ("gas_share", (condition.gas_share / 0.05).max(condition.gas_always / 0.005))
        }
        Hypothesis::Electrical => {
            let unit = meter.unit_at(day);
            let mean = 0.5 * (condition.pickoff_in + condition.pickoff_out);
            let drive = unit.drive_pct * condition.drive_factor / mean / 100.0;
            let lost = 1.0 - condition.pickoff_in.min(condition.pickoff_out);
            ("signal", drive.max(lost / 0.5))
        }
        Hypothesis::Coating if fault.variant != "coating_rigid" => {
            let rho =
                stream.spec.fluid.density_kg_m3(stream.spec.strength, stream.spec.temperature_degc);
            let bearable = 0.01 * meter.tolerable_flow_error_pct() * rho;
            ("density_error", density.abs() / bearable)
        }
        _ => ("flow_error", flow.abs() / meter.tolerable_flow_error_pct()),
    }
}

fn row(site: &Site, meter: &MeterSim, table: &mut String) {
    let stream = &site.streams[meter.stream];
    let mut look_alikes: Vec<(f64, &str, Option<f64>)> =
        meter.confounders.iter().map(|c| (c.first_day(), c.name(), c.until_day())).collect();
    look_alikes.extend(stream.events.iter().map(|e| (e.first_day(), e.name(), e.until_day())));
    look_alikes.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(b.1)));
    let look_alikes: Vec<String> = look_alikes
        .iter()
        .map(|&(from, name, until)| {
            let until = until.map_or_else(String::new, |day| format!("..{}", site.date(day)));
            format!("{name}@{}{until}", site.date(from))
        })
        .collect();
    let last = f64::from(site.plan.days) - 0.01;
    let (flow, density) = errors(site, meter, &meter.condition(last, stream), last);
    let fault = meter.faults.first();
    let text = fault.map_or_else(
        || "none,,,,,,0,0,".to_owned(),
        |fault| {
            let load = |d: f64| stream.load_days_at(d);
            let (size, unit) = fault.severity(last, &load);
            let peak = (0..site.plan.days)
                .map(|d| fault.severity(f64::from(d) + 0.5, &load).0)
                .fold(0.0, |best: f64, s| if s.abs() > best.abs() { s } else { best });
            let until = site.total_days() as u32;
            let reached = (0..until).find(|&d| limit(site, meter, fault, f64::from(d)).1 >= 1.0);
            format!(
                "{},{},{},{},{},{},{size:.4},{peak:.4},{unit}",
                fault.mode.name(),
                fault.variant,
                site.date(fault.onset_day),
                fault.ends_day.map_or_else(String::new, |d| site.date(d).to_string()),
                reached.map_or_else(String::new, |d| site.date(f64::from(d)).to_string()),
                limit(site, meter, fault, last).0,
            )
        },
    );
    let _ = writeln!(
        table,
        "{},{},{},{text},{flow:.4},{density:.3},{}",
        meter.name,
        stream.spec.service,
        stream.name,
        look_alikes.join("|")
    );
}

fn daily_rows(site: &Site, meter: &MeterSim, daily: &mut String) {
    let stream = &site.streams[meter.stream];
    let load = |d: f64| stream.load_days_at(d);
    for fault in &meter.faults {
        for day in 0..site.plan.days {
            let at = f64::from(day) + 0.5;
            let (size, unit) = fault.severity(at, &load);
            if size == 0.0 {
                continue;
            }
            let condition = fault.condition(at, &load);
            let (flow, density) = errors(site, meter, &condition, at);
            let _ = writeln!(
                daily,
                "{},{},{},{size:.4},{unit},{flow:.4},{density:.3},{:.3},{:.4}",
                meter.name,
                site.date(at),
                fault.mode.name(),
                condition.zero,
                condition.gas_share,
            );
        }
    }
}

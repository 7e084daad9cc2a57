//! Pipeline files: which stages, for which morning, with which options.

use crate::message::Message;
use crate::suggest;
use metersift_model::Day;
use serde::Deserialize;
use std::path::Path;

const STAGES: &str = "stages are import, features, faults, rank, report, backtest, check-store";

/// One batch job.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Pipeline {
    /// What the job is for.
    pub description: String,
    /// `latest`, or a date.
    #[serde(default = "latest")]
    pub as_of: String,
    /// Stages, in order.
    pub stages: Vec<Stage>,
    /// Options of the back-test.
    #[serde(default)]
    pub backtest: BacktestOptions,
}

/// A stage of a job.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub enum Stage {
    /// Take in new dumps.
    Import,
    /// Daily features.
    Features,
    /// Verdicts and evidence.
    Faults,
    /// Watch-lists.
    Rank,
    /// Report.
    Report,
    /// Back-test.
    Backtest,
    /// Store check.
    CheckStore,
}

/// `[backtest]` of a pipeline file.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct BacktestOptions {
    /// First as-of date: a date, or days back from the job's as-of date (`-182d`).
    pub from: String,
    /// Step (`7d`).
    pub every: String,
    /// Judge each date by what had arrived that morning.
    pub as_known: bool,
}

impl Default for BacktestOptions {
    fn default() -> BacktestOptions {
        BacktestOptions { from: "-182d".into(), every: "7d".into(), as_known: false }
    }
}

fn latest() -> String {
    "latest".into()
}

impl Pipeline {
    /// Reads a pipeline file.
    pub fn load(path: &Path) -> Result<Pipeline, Message> {
        let text = std::fs::read_to_string(path).map_err(|error| {
            Message::could_not_start("the pipeline file cannot be read")
                .at(format!("at {}: {error}", path.display()))
        })?;
        toml::from_str(&text).map_err(|error| {
            let told = error.to_string();
            Message::could_not_start("the pipeline file cannot be read")
                .at(format!("at {}", path.display()))
                .at(told.trim_end().replace('\n', "\n  "))
                .hint(suggest::for_unknown(&told).unwrap_or_else(|| STAGES.into()))
        })
    }
}

/// A date, or days back from `base`: `2026-03-01`, `-182d`.
pub fn parse_day(text: &str, base: Day) -> Result<Day, Message> {
    if let Some(days) = parse_days(text).filter(|&days| days < 0) {
        return Ok(base.plus(days));
    }
    Day::parse(text).ok_or_else(|| {
        Message::could_not_start("a date cannot be read")
            .at(format!("read `{text}`; expected YYYY-MM-DD, or days back such as -182d"))
    })
}

/// A step of days, at least one: `7d`.
pub fn parse_step(text: &str) -> Result<i32, Message> {
    parse_days(text).filter(|&days| days > 0).ok_or_else(|| {
        Message::could_not_start("a step cannot be read")
            .at(format!("read `{text}`; expected days such as 7d"))
    })
}

fn parse_days(text: &str) -> Option<i32> {
    text.strip_suffix('d')?.parse().ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_back_and_dates_are_told_apart() {
        let base = Day::parse("2026-03-01").expect("a date");
        assert_eq!(parse_day("-1d", base).ok(), Day::parse("2026-02-28"));
        assert_eq!(parse_day("2026-01-05", base).ok(), Day::parse("2026-01-05"));
        assert!(parse_day("7d", base).is_err());
        assert!(parse_day("yesterday", base).is_err());
        assert_eq!(parse_step("7d").ok(), Some(7));
        assert!(parse_step("-7d").is_err() && parse_step("0d").is_err());
    }
}

//! JSON Lines: one object per line, UTF-8 without byte order mark, LF, columns in table order.
//!
//! Every record carries `schema_version` and the names of its run. Fields may be added at the
//! end, never changed; a change of meaning raises the version. NaN and infinities do not exist in
//! JSON and become null.
//! Source: RFC 8259 (JSON); jsonlines.org for the lines (from memory).

use crate::card::RunCard;
use crate::error::ReportError;
use metersift_model::{ColumnData, Table};
use serde_json::{Number, Value};
use std::io::Write;

/// Version of the records.
pub const SCHEMA_VERSION: u32 = 1;

/// Writes one record per row.
///
/// # Errors
/// When `out` refuses.
pub fn write_jsonl<W: Write>(table: &Table, mut out: W, card: &RunCard) -> Result<(), ReportError> {
    let mut line = String::new();
    for row in 0..table.n_rows() {
        line.clear();
        line.push_str(&format!("{{\"schema_version\":{SCHEMA_VERSION}"));
        for (name, value) in card.beside_rows() {
            field(name, &Value::String(value.into()), &mut line);
        }
        for column in &table.columns {
            field(&column.name, &value(&column.data, row), &mut line);
        }
        line.push_str("}\n");
        out.write_all(line.as_bytes()).map_err(refused)?;
    }
    out.flush().map_err(refused)
}

fn refused(source: std::io::Error) -> ReportError {
    ReportError::Write { output: "records", source }
}

fn field(name: &str, value: &Value, line: &mut String) {
    line.push(',');
    line.push_str(&Value::String(name.into()).to_string());
    line.push(':');
    line.push_str(&value.to_string());
}

fn value(data: &ColumnData, row: usize) -> Value {
    let text = |text: String| Value::String(text);
    match data {
        ColumnData::Text(v) => v[row].clone().map_or(Value::Null, text),
        ColumnData::Number(v) => Number::from_f64(v[row]).map_or(Value::Null, Value::Number),
        ColumnData::Count(v) => v[row].map_or(Value::Null, Value::from),
        ColumnData::Flag(v) => v[row].map_or(Value::Null, Value::Bool),
        ColumnData::Day(v) => v[row].map_or(Value::Null, |day| text(day.to_string())),
        ColumnData::Time(v) => v[row].map_or(Value::Null, |time| text(time.to_string())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use metersift_model::{Day, TimeUs};

    #[test]
    fn each_line_is_one_json_object_and_nan_is_null() {
        let card = RunCard {
            run: "night \"1\"".into(),
            config_hash: "c0ffee".into(),
            ledger: "7".into(),
            program: "metersift".into(),
            as_of: Day(0),
        };
        let mut table = Table::default();
        let names = vec![Some("a\nb\u{2028}\"=1+1".into()), None];
        table.push("meter", "", ColumnData::Text(names));
        table.push("x_pct", "%", ColumnData::Number(vec![f64::NAN, -1.5]));
        table.push("inf", "", ColumnData::Number(vec![f64::INFINITY, 1e300]));
        table.push("at", "", ColumnData::Time(vec![Some(TimeUs(0)), None]));
        table.push("flag", "", ColumnData::Flag(vec![Some(true), None]));
        let mut bytes = Vec::new();
        write_jsonl(&table, &mut bytes, &card).expect("memory");
        let text = String::from_utf8(bytes).expect("UTF-8");
        assert_eq!(text.lines().count(), 2);
        assert!(text.ends_with('\n') && !text.starts_with('\u{FEFF}'));
        let rows: Vec<Value> =
            text.split_terminator('\n').map(|l| serde_json::from_str(l).expect("JSON")).collect();
        assert_eq!(rows[0]["schema_version"], 1);
        assert_eq!(rows[0]["run"], "night \"1\"");
        assert_eq!(rows[0]["meter"], "a\nb\u{2028}\"=1+1");
        assert_eq!(rows[0]["x_pct"], Value::Null);
        assert_eq!(rows[0]["inf"], Value::Null);
        assert_eq!(rows[0]["at"], "1970-01-01T00:00:00Z");
        assert_eq!((&rows[1]["x_pct"], &rows[1]["inf"]), (&Value::from(-1.5), &Value::from(1e300)));
        assert_eq!(rows[1]["flag"], Value::Null);
    }
}

//! How times are written and what zone they are in.

use super::table::Table;
use super::times::{self, TimeColumns};
use super::{Detection, toml_text};
use crate::clock::{TimeFormat, TimeReader, TimeValue, civil_with_word, offset_us};
use crate::error::ImportError;
use crate::settings::DateOrder;
use crate::text::{shown, trim};
use crate::zone::Zone;

impl Detection<'_> {
    pub(super) fn guess_time(&mut self, choice: &times::TimeChoice) {
        let (given_format, given_order) =
            (self.given.time_format.is_some(), self.given.date_order.is_some());
        let runner_up = choice.runner_up.clone();
        match &choice.format {
            TimeFormat::Civil { order: DateOrder::YearMonthDay, .. } if !given_order => {
                self.guess(
                    "time_format",
                    toml_text("iso"),
                    &choice.reason,
                    runner_up,
                    given_format,
                );
            }
            TimeFormat::Civil { order, .. } => {
                let name = toml_text(order.name());
                self.guess("date_order", name, &choice.reason, runner_up, given_order);
            }
            other => {
                let name = toml_text(&other.name());
                self.guess("time_format", name, &choice.reason, runner_up, given_format);
            }
        }
    }

    pub(super) fn zone(
        &mut self,
        table: &Table,
        columns: TimeColumns,
        format: &TimeFormat,
        default_zone: &str,
    ) -> Result<Zone, ImportError> {
        let set = self.given.zone.as_deref();
        let name = set.unwrap_or(default_zone);
        // Read in a zone that is far off: what does not move carries its own offset.
        let words = &self.given.zone_words;
        let far = Zone::parse("+14:00")?.with_words(words)?;
        let utc = Zone::utc().with_words(words)?;
        self.check_zone_words(table, columns, format, &utc)?;
        let mut readers = [TimeReader::new(format, &far), TimeReader::new(format, &utc)];
        let mut read = |row: &[Vec<u8>]| {
            let [far, near] = &mut readers;
            let one = |reader: &mut TimeReader<'_>| match columns.date {
                date if columns.zone.is_some() => {
                    let zone = columns
                        .zone
                        .and_then(|zone| row.get(zone))
                        .map_or(&[][..], |cell| &cell[..]);
                    reader.read_zoned(date.map(|date| &row[date][..]), &row[columns.time], zone)
                }
                None => reader.read(&row[columns.time]),
                Some(date) => reader.read_pair(&row[date], &row[columns.time]),
            };
            (one(far), one(near))
        };
        let bare = table.rows.iter().zip(&table.lines).filter(|(row, _)| {
            let (far, near) = read(row);
            near != TimeValue::Bad && far != near
        });
        let bare: Vec<_> = bare.collect();
        let Some((example, line)) = bare.first() else {
            let zone = if name.is_empty() { utc } else { Zone::parse(name)?.with_words(words)? };
            let toml = toml_text(zone.name());
            self.guess(
                "zone",
                toml,
                "every time carries its offset or is an epoch",
                None,
                set.is_some(),
            );
            return Ok(zone);
        };
        if name.is_empty() {
            return Err(ImportError::ZoneMissing {
                file: self.file.clone(),
                line: **line,
                read: shown(&example[columns.time]),
            });
        }
        let zone = Zone::parse(name)?.with_words(words)?;
        let reason = format!(
            "{} of {} times carry no offset; the site's zone",
            bare.len(),
            table.rows.len()
        );
        self.guess("zone", toml_text(zone.name()), &reason, None, set.is_some());
        Ok(zone)
    }
    /// A word for a zone that the site does not map stops the dump before a row is read.
    fn check_zone_words(
        &self,
        table: &Table,
        columns: TimeColumns,
        format: &TimeFormat,
        known: &Zone,
    ) -> Result<(), ImportError> {
        let TimeFormat::Civil { order, short_years } = *format else { return Ok(()) };
        for (row, &line) in table.rows.iter().zip(&table.lines) {
            let in_time = civil_with_word(&row[columns.time], order, short_years);
            let Some((_, in_time)) = in_time else { continue };
            let own = columns.zone.and_then(|zone| row.get(zone)).map(|cell| trim(cell));
            let word = own.unwrap_or(in_time);
            if !word.is_empty() && offset_us(word).is_none() && !known.knows(word) {
                let read = shown(word);
                return Err(ImportError::ZoneWord { file: self.file.clone(), line, read });
            }
        }
        Ok(())
    }
}

//! What the feature table tells a reader of the daily files, column by column.
//!
//! Why:    whoever opens a daily file in another program finds the definition of a number beside
//!         the number.
//! Shape:  column name -> key -> text, keys `symbol`, `formula`, `needs`, `validity`, `source`,
//!         `null_means` and `count`; what is empty is left out. The unit is the column's own.

use crate::table::features;
use std::collections::BTreeMap;

/// Notes on every feature column, from the one feature table.
///
/// ```
/// let notes = metersift_features::field_notes();
/// assert_eq!(notes["density_kg_m3"]["symbol"], "rho");
/// ```
pub fn field_notes() -> BTreeMap<String, BTreeMap<String, String>> {
    features()
        .iter()
        .map(|def| {
            let texts = [
                ("symbol", def.symbol),
                ("formula", def.formula),
                ("needs", def.needs),
                ("validity", def.validity),
                ("source", def.source),
                ("null_means", def.null_means),
                ("count", def.count.unwrap_or("")),
            ];
            let told = texts.into_iter().filter(|(_, text)| !text.is_empty());
            let notes = told.map(|(key, text)| (key.to_string(), text.to_string())).collect();
            (def.name.to_string(), notes)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::row::to_table;

    /// A note under a name that no column has would be lost without a word.
    #[test]
    fn every_note_has_its_column_and_tells_formula_source_and_null() {
        let table = to_table(&[]);
        let notes = field_notes();
        assert_eq!(notes.len(), features().len());
        for (name, note) in &notes {
            assert!(table.column(name).is_some(), "{name}");
            for key in ["formula", "source", "null_means"] {
                assert!(note.contains_key(key), "{name} lacks {key}");
            }
        }
    }
}

//! A plain table in columns: how the daily features, the evidence and the lists travel between
//! rooms. Formats belong to `store` and `report`.

/// One column: name, unit and values of one length.
#[derive(Clone, Debug, PartialEq)]
pub struct Column {
    /// Column name; a number wears its unit last (`density_kg_m3`).
    pub name: String,
    /// Unit for file metadata, empty where none applies.
    pub unit: String,
    /// Values.
    pub data: ColumnData,
}

/// Values of one column.
#[derive(Clone, Debug, PartialEq)]
pub enum ColumnData {
    /// Text; `None` = not known.
    Text(Vec<Option<String>>),
    /// Numbers; NaN = not known (infinities do not travel).
    Number(Vec<f64>),
    /// Counts; `None` = not known.
    Count(Vec<Option<i64>>),
    /// Yes or no; `None` = not known.
    Flag(Vec<Option<bool>>),
    /// UTC days.
    Day(Vec<Option<crate::time::Day>>),
    /// Instants.
    Time(Vec<Option<crate::time::TimeUs>>),
}

impl ColumnData {
    /// Number of rows.
    pub fn len(&self) -> usize {
        match self {
            ColumnData::Text(v) => v.len(),
            ColumnData::Number(v) => v.len(),
            ColumnData::Count(v) => v.len(),
            ColumnData::Flag(v) => v.len(),
            ColumnData::Day(v) => v.len(),
            ColumnData::Time(v) => v.len(),
        }
    }

    /// Whether there is no row.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Columns of one length, in a fixed order.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Table {
    /// The columns.
    pub columns: Vec<Column>,
}

impl Table {
    /// Appends a column.
    ///
    /// # Panics
    /// When its length differs from the others: our mistake, never data's.
    pub fn push(&mut self, name: &str, unit: &str, data: ColumnData) {
        assert!(
            self.columns.is_empty() || self.n_rows() == data.len(),
            "columns of one table have one length: `{name}` has {}, others {}",
            data.len(),
            self.n_rows()
        );
        self.columns.push(Column { name: name.into(), unit: unit.into(), data });
    }

    /// Number of rows.
    pub fn n_rows(&self) -> usize {
        self.columns.first().map_or(0, |column| column.data.len())
    }

    /// The column of a name.
    pub fn column(&self, name: &str) -> Option<&Column> {
        self.columns.iter().find(|column| column.name == name)
    }

    /// The numbers of a column; `None` when there is no such number column.
    pub fn numbers(&self, name: &str) -> Option<&[f64]> {
        match &self.column(name)?.data {
            ColumnData::Number(values) => Some(values),
            _ => None,
        }
    }

    /// The texts of a column; `None` when there is no such text column.
    pub fn texts(&self, name: &str) -> Option<&[Option<String>]> {
        match &self.column(name)?.data {
            ColumnData::Text(values) => Some(values),
            _ => None,
        }
    }

    /// The days of a column; `None` when there is no such day column.
    pub fn days(&self, name: &str) -> Option<&[Option<crate::time::Day>]> {
        match &self.column(name)?.data {
            ColumnData::Day(values) => Some(values),
            _ => None,
        }
    }
}

//! A column of names in long runs, encoded run by run instead of row by row.
//!
//! Why:    a day file names meter and signal in every row, and a general writer hashes and
//!         compares each of these names: a tenth of the processor time of a whole import. Sorted
//!         readings bring thousands of rows of one name after another.
//! Shape:  one dictionary page (names in the order of first use), data pages of [`PAGE_ROWS`]
//!         rows that hold one run after the other, zstd; bounds of names for the column and for
//!         each page, as the general writer gives them.
//! Source: Parquet format, "RLE / bit-packing hybrid": a run is its length, shifted left by one,
//!         as ULEB128, and the number of the name in as many bytes as its bits need; a data page
//!         begins with the number of bits.
//! Limits: short runs and long names are left to the general writer, which packs bits and cuts
//!         bounds; see [`NameRuns::are_long`].

use bytes::Bytes;
use parquet::basic::{BoundaryOrder, Compression, Encoding, Type};
use parquet::column::page::{CompressedPage, Page, PageWriteSpec, PageWriter};
use parquet::column::writer::ColumnCloseResult;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::{ColumnChunkMetaData, ColumnIndexBuilder, OffsetIndexBuilder};
use parquet::file::statistics::Statistics;
use parquet::file::writer::{SerializedPageWriter, TrackedWrite};
use parquet::schema::types::ColumnDescPtr;
use std::collections::BTreeMap;
use std::sync::Arc;

/// Rows of a data page, as the general writer has them.
const PAGE_ROWS: usize = 20_000;
/// Mean length from which on runs are long: a run takes three bytes, bits less than one a row.
const LONG_RUN: usize = 64;
/// Longest name whose bounds are written whole.
const LONGEST_NAME: usize = 64;

/// Names and how often each follows, neighbours different or not.
#[derive(Clone, Debug, Default)]
pub(crate) struct NameRuns(pub Vec<(Arc<str>, usize)>);

/// An encoded column of one row group.
pub(crate) struct NameChunk {
    pub bytes: Bytes,
    pub close: ColumnCloseResult,
}

/// Runs of one page: number of the name in the dictionary, rows.
type PageRuns = Vec<(u32, usize)>;

impl NameRuns {
    /// Whether it pays to encode them run by run.
    pub(crate) fn are_long(&self) -> bool {
        let rows: usize = self.0.iter().map(|(_, rows)| rows).sum();
        rows >= LONG_RUN * self.0.len().max(1)
            && self.0.iter().all(|(name, _)| name.len() <= LONGEST_NAME)
    }

    /// Names by their numbers, in the order of first use, and the runs, cut into pages.
    fn pages(&self) -> (Vec<&str>, Vec<PageRuns>) {
        let mut numbers: BTreeMap<&str, u32> = BTreeMap::new();
        let (mut names, mut pages): (Vec<&str>, Vec<PageRuns>) = (Vec::new(), Vec::new());
        let mut room = 0;
        for (name, rows) in &self.0 {
            let number = *numbers.entry(name).or_insert_with(|| {
                names.push(name);
                names.len() as u32 - 1
            });
            let mut left = *rows;
            while left > 0 {
                if room == 0 {
                    pages.push(PageRuns::new());
                    room = PAGE_ROWS;
                }
                let here = left.min(room);
                let page = pages.last_mut().expect("a page was begun above");
                match page.last_mut() {
                    Some((last, rows)) if *last == number => *rows += here,
                    _ => page.push((number, here)),
                }
                (left, room) = (left - here, room - here);
            }
        }
        (names, pages)
    }

    /// Encodes them as a column without nulls.
    pub(crate) fn encode(&self, column: ColumnDescPtr, zstd_level: i32) -> Result<NameChunk> {
        let (names, pages) = self.pages();
        let mut sink = TrackedWrite::new(Vec::new());
        let mut out =
            ChunkWriter { pages: SerializedPageWriter::new(&mut sink), zstd_level, unpacked: 0 };
        let dictionary = out.dictionary(&names)?;
        let width = bits(names.len().saturating_sub(1) as u32);
        let mut index = ColumnIndexBuilder::new(Type::BYTE_ARRAY);
        let mut places = OffsetIndexBuilder::new();
        let mut bounds = Vec::new();
        for page in &pages {
            let rows: usize = page.iter().map(|(_, rows)| rows).sum();
            let written = out.runs(page, rows, width)?;
            places.append_row_count(rows as i64);
            places.append_offset_and_size(written.offset as i64, written.bytes_written as i32);
            let texts: usize = page.iter().map(|&(n, rows)| names[n as usize].len() * rows).sum();
            places.append_unencoded_byte_array_data_bytes(Some(texts as i64));
            let (least, most) = least_and_most(page.iter().map(|&(n, _)| names[n as usize]));
            index.append(false, least.into(), most.into(), 0, None);
            bounds.push((least, most));
        }
        let unpacked = out.unpacked;
        index.set_boundary_order(order(&bounds));
        let rows: usize = self.0.iter().map(|(_, rows)| rows).sum();
        let texts: usize = self.0.iter().map(|(name, rows)| name.len() * rows).sum();
        let (least, most) = least_and_most(names.iter().copied());
        let text = |text: &str| Some(ByteArray::from(text));
        let bytes = Bytes::from(sink.into_inner()?);
        let metadata = ColumnChunkMetaData::builder(column)
            .set_encodings(vec![Encoding::PLAIN, Encoding::RLE, Encoding::RLE_DICTIONARY])
            .set_compression(Compression::ZSTD(parquet::basic::ZstdLevel::try_new(zstd_level)?))
            .set_num_values(rows as i64)
            .set_total_compressed_size(bytes.len() as i64)
            .set_total_uncompressed_size(unpacked as i64)
            .set_dictionary_page_offset(Some(0))
            .set_data_page_offset(dictionary.bytes_written as i64)
            .set_unencoded_byte_array_data_bytes(Some(texts as i64))
            .set_statistics(Statistics::byte_array(text(least), text(most), None, Some(0), false))
            .build()?;
        let close = ColumnCloseResult {
            bytes_written: bytes.len() as u64,
            rows_written: rows as u64,
            metadata,
            bloom_filter: None,
            column_index: Some(index.build()?),
            offset_index: Some(places.build()),
        };
        Ok(NameChunk { bytes, close })
    }
}

/// Packs pages and writes them one after the other.
struct ChunkWriter<'a> {
    pages: SerializedPageWriter<'a, Vec<u8>>,
    zstd_level: i32,
    /// Bytes of all pages unpacked, their headers included.
    unpacked: usize,
}

impl ChunkWriter<'_> {
    fn packed(&self, page: &[u8]) -> Result<Bytes> {
        let packed = zstd::bulk::compress(page, self.zstd_level);
        packed.map(Bytes::from).map_err(|error| ParquetError::External(Box::new(error)))
    }

    fn write(&mut self, page: Page, unpacked: usize) -> Result<PageWriteSpec> {
        let written = self.pages.write_page(CompressedPage::new(page, unpacked))?;
        // What the page took as it is packed, but for the difference that packing made.
        self.unpacked += written.uncompressed_size;
        Ok(written)
    }

    fn dictionary(&mut self, names: &[&str]) -> Result<PageWriteSpec> {
        let mut plain = Vec::new();
        for name in names {
            plain.extend_from_slice(&(name.len() as u32).to_le_bytes());
            plain.extend_from_slice(name.as_bytes());
        }
        let page = Page::DictionaryPage {
            buf: self.packed(&plain)?,
            num_values: names.len() as u32,
            encoding: Encoding::PLAIN,
            is_sorted: false,
        };
        self.write(page, plain.len())
    }

    fn runs(&mut self, runs: &[(u32, usize)], rows: usize, width: u8) -> Result<PageWriteSpec> {
        let mut plain = vec![width];
        let number_bytes = usize::from(width).div_ceil(8);
        for &(number, rows) in runs {
            put_uleb128(&mut plain, (rows as u64) << 1);
            plain.extend_from_slice(&number.to_le_bytes()[..number_bytes]);
        }
        let page = Page::DataPage {
            buf: self.packed(&plain)?,
            num_values: rows as u32,
            encoding: Encoding::RLE_DICTIONARY,
            def_level_encoding: Encoding::RLE,
            rep_level_encoding: Encoding::RLE,
            statistics: None,
        };
        self.write(page, plain.len())
    }
}

fn put_uleb128(out: &mut Vec<u8>, mut number: u64) {
    while number >= 0x80 {
        out.push(number as u8 | 0x80);
        number >>= 7;
    }
    out.push(number as u8);
}

/// Bits that a number needs.
fn bits(largest: u32) -> u8 {
    (u32::BITS - largest.leading_zeros()) as u8
}

fn least_and_most<'t>(names: impl Iterator<Item = &'t str> + Clone) -> (&'t str, &'t str) {
    (names.clone().min().unwrap_or(""), names.max().unwrap_or(""))
}

/// Whether the bounds of pages rise or fall from page to page.
fn order(bounds: &[(&str, &str)]) -> BoundaryOrder {
    let all = |holds: fn(&str, &str) -> bool| {
        bounds.windows(2).all(|w| holds(w[0].0, w[1].0) && holds(w[0].1, w[1].1))
    };
    match (all(|a, b| a <= b), all(|a, b| a >= b)) {
        (true, _) => BoundaryOrder::ASCENDING,
        (false, true) => BoundaryOrder::DESCENDING,
        _ => BoundaryOrder::UNORDERED,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::group_writer::{Column, GroupWriter, Rows};
    use crate::storage::{DiskStorage, Storage};
    use arrow::array::{Array, AsArray, DictionaryArray, StringArray};
    use arrow::datatypes::{DataType, Field, Int32Type, Schema, SchemaRef};
    use parquet::arrow::arrow_reader::{ArrowReaderOptions, ParquetRecordBatchReaderBuilder};
    use parquet::file::metadata::{PageIndexPolicy, ParquetMetaData};
    use parquet::file::properties::WriterProperties;

    fn schema() -> SchemaRef {
        let names = DataType::Dictionary(DataType::Int32.into(), DataType::Utf8.into());
        Arc::new(Schema::new(vec![Field::new("meter", names, false)]))
    }

    fn properties() -> Result<WriterProperties> {
        let level = parquet::basic::ZstdLevel::try_new(3)?;
        Ok(WriterProperties::builder().set_compression(Compression::ZSTD(level)).build())
    }

    /// Two row groups of the same names, written and read by the library.
    fn written(column: &dyn Fn() -> Column, rows: usize) -> (Vec<String>, ParquetMetaData) {
        let folder = tempfile::tempdir().unwrap();
        let storage = DiskStorage::new(folder.path());
        let mut writer = GroupWriter::create(&storage, "x", schema(), properties()).unwrap();
        let group = || Rows { rows: rows as u64, columns: vec![column()] };
        let encoded = writer.encode(vec![group(), group()]).unwrap();
        writer.append(encoded).unwrap();
        writer.finish().unwrap();
        let bytes = Bytes::from(storage.read("x").unwrap());
        let options = ArrowReaderOptions::new().with_page_index_policy(PageIndexPolicy::Required);
        let builder =
            ParquetRecordBatchReaderBuilder::try_new_with_options(bytes, options).unwrap();
        let metadata = (**builder.metadata()).clone();
        let mut names = Vec::new();
        for batch in builder.build().unwrap() {
            let batch = batch.unwrap();
            let column = batch.column(0).as_dictionary::<Int32Type>();
            let typed = column.downcast_dict::<StringArray>().unwrap();
            names.extend(typed.into_iter().map(|name| name.unwrap().to_owned()));
        }
        (names, metadata)
    }

    fn by_library(runs: &NameRuns) -> Column {
        let names = runs.0.iter().flat_map(|(name, rows)| std::iter::repeat_n(&**name, *rows));
        let array: DictionaryArray<Int32Type> = names.collect();
        Column::Array(Arc::new(array) as Arc<dyn Array>)
    }

    /// The library's reader finds the names, and what its own writer says of them to whoever
    /// seeks: bounds, counts, pages.
    #[test]
    fn the_library_reads_what_it_would_have_written() {
        let run = |name: &str, rows: usize| (Arc::from(name), rows);
        let cases = [
            vec![run("FT-1000", 70_000)],
            vec![run("a", 1), run("b", 500)],
            vec![run("b", 19_999), run("b", 2), run("\u{b0}", 300), run("a", 64)],
            (0..700).map(|i| run(&format!("FT-{i:04}"), 64 + i * 7 % 400)).collect(),
            (0..70).map(|i| run(["x", "y", "z"][i % 3], 5_760)).collect(),
            vec![run("", 100), run("z", 100)],
        ];
        for case in cases {
            let runs = NameRuns(case);
            let rows: usize = runs.0.iter().map(|(_, rows)| rows).sum();
            assert!(runs.are_long() || rows < 600);
            let (names, own) = written(&|| Column::Names(runs.clone()), rows);
            let (expected, library) = written(&|| by_library(&runs), rows);
            assert!(names == expected, "{} names of {rows}", names.len());
            for (own, library) in own.row_groups().iter().zip(library.row_groups()) {
                let (own, library) = (own.column(0), library.column(0));
                assert_eq!(own.statistics(), library.statistics());
                assert_eq!(own.num_values(), library.num_values());
                assert_eq!(own.compression(), library.compression());
                let sorted = |chunk: &ColumnChunkMetaData| {
                    let mut all: Vec<Encoding> = chunk.encodings().collect();
                    all.sort();
                    all
                };
                assert_eq!(sorted(own), sorted(library));
                assert_eq!(
                    own.unencoded_byte_array_data_bytes(),
                    library.unencoded_byte_array_data_bytes()
                );
            }
        }
    }

    #[test]
    fn short_runs_and_long_names_are_left_to_the_library() {
        let run = |name: &str, rows: usize| (Arc::from(name), rows);
        assert!(NameRuns(vec![run("a", 100), run("b", 28)]).are_long());
        assert!(!NameRuns(vec![run("a", 100), run("b", 27)]).are_long());
        assert!(!NameRuns(vec![run(&"n".repeat(65), 1_000)]).are_long());
        assert!(!NameRuns::default().are_long());
    }
}

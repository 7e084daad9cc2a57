//! Reading dumps in tests.
#![allow(dead_code, reason = "each test file uses a part")]

pub mod case;
pub mod serial;

use metersift_import::read::ReadOptions;
use metersift_import::{
    Dialect, DumpReport, ImportError, RecordSettings, SourceSettings, TagTable, detect,
    read_dump_with,
};
use metersift_model::{Reject, SeriesTable};
use std::io::Write;
use std::path::{Path, PathBuf};

/// One reading, names spelled out.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    pub meter: String,
    pub signal: String,
    pub time_us: i64,
    pub value: f64,
    pub quality: u8,
    /// Physical line that told it.
    pub line: u32,
}

/// All that came out of a dump.
#[derive(Debug)]
pub struct Read {
    pub readings: Vec<Reading>,
    pub rejects: Vec<Reject>,
    pub report: DumpReport,
}

/// The repository's root.
pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// A folder of data beside the repository; `None`, and said so, when it is not there.
pub fn shared_data(folder: &str) -> Option<PathBuf> {
    let path = root().join("../shared/data").join(folder);
    if path.is_dir() {
        return Some(path);
    }
    let _ = writeln!(std::io::stderr(), "skipped: ../shared/data/{folder} is not there");
    None
}

pub fn source(name: &str) -> SourceSettings {
    SourceSettings { name: name.into(), ..SourceSettings::default() }
}

pub fn tags(text: &str) -> TagTable {
    TagTable::parse(text, "tags.csv", &RecordSettings::default()).expect("tag table")
}

/// Detects and reads.
pub fn read(
    path: &Path,
    settings: &SourceSettings,
    zone: &str,
    tags: &TagTable,
) -> Result<Read, ImportError> {
    read_with(ReadOptions::default(), path, settings, zone, tags)
}

pub fn read_with(
    options: ReadOptions,
    path: &Path,
    settings: &SourceSettings,
    zone: &str,
    tags: &TagTable,
) -> Result<Read, ImportError> {
    read_as(options, path, &detect(path, settings, zone)?.dialect, tags)
}

/// Reads with a dialect that is known.
pub fn read_as(
    options: ReadOptions,
    path: &Path,
    dialect: &Dialect,
    tags: &TagTable,
) -> Result<Read, ImportError> {
    let mut series = SeriesTable::default();
    let mut blocks = Vec::new();
    let mut rejects = Vec::new();
    let mut sink = |block| {
        blocks.push(block);
        Ok(())
    };
    let mut on_reject = |reject| rejects.push(reject);
    let report =
        read_dump_with(options, path, dialect, tags, &mut series, &mut sink, &mut on_reject)?;
    let mut readings = Vec::new();
    for block in &blocks {
        for idx in 0..block.len() {
            let of = series.all().get(block.series[idx] as usize).expect("known series");
            readings.push(Reading {
                meter: of.meter.clone(),
                signal: of.signal.name(),
                time_us: block.time_us[idx],
                value: block.value[idx],
                quality: block.quality[idx],
                line: block.line[idx],
            });
        }
    }
    assert_eq!(readings.len() as u64, report.delivered);
    Ok(Read { readings, rejects, report })
}

pub fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).expect("in memory");
    encoder.finish().expect("in memory")
}

/// zstd with a checksum.
pub fn zstd(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = zstd::stream::write::Encoder::new(Vec::new(), 3).expect("in memory");
    encoder.include_checksum(true).expect("setting");
    encoder.write_all(bytes).expect("in memory");
    encoder.finish().expect("in memory")
}

/// A zip archive of named texts, packed by deflate or stored.
pub fn zip_of(entries: &[(&str, &[u8])], deflate: bool) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let method =
        if deflate { zip::CompressionMethod::Deflated } else { zip::CompressionMethod::Stored };
    let options = zip::write::SimpleFileOptions::default().compression_method(method);
    for (name, text) in entries {
        writer.start_file(*name, options).expect("name");
        writer.write_all(text).expect("in memory");
    }
    writer.finish().expect("in memory").into_inner()
}

/// Writes bytes into a temporary file.
pub fn file_of(bytes: &[u8]) -> tempfile::NamedTempFile {
    let mut file = tempfile::NamedTempFile::new().expect("temporary file");
    file.write_all(bytes).expect("written");
    file
}

/// Tag table of the flow rig: three meters, and everything else kept by its own name.
pub const RIG_TAGS: &str = "\
tag,meter,signal,unit
FT104_flow,FT104,mass_flow,kg/s
FT407_flow,FT407,mass_flow,kg/s
FT406_flow,FT406,mass_flow,kg/s
FT407_density,FT407,density,kg/m3
FT406_density,FT406,density,kg/m3
FT104_density,FT104,density,kg/m3
FT407_temperature,FT407,temperature,degC
FT406_temperature,FT406,temperature,degC
FT104_temperature,FT104,temperature,degC
PT312,RIG,other:PT312,MPa
PT401,RIG,other:PT401,MPa
PT408,RIG,other:PT408,MPa
PT403,RIG,other:PT403,MPa
PT501,RIG,other:PT501,MPa
PT401_PT408,RIG,other:PT401_PT408,MPa
PT408_PT403,RIG,other:PT408_PT403,
FT305,RIG,other:FT305,Sm3/s
LI405,RIG,other:LI405,m
LI504,RIG,other:LI504,%
VC501,RIG,other:VC501,%
VC302,RIG,other:VC302,%
VC101,RIG,other:VC101,%
PO1_current,RIG,other:PO1_current,A
PT417,RIG,other:PT417,MPa
";

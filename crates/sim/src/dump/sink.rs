//! Where the bytes of a dump go: plain or packed.

use crate::source::Packing;
use std::fs::File;
use std::io::{BufWriter, Write};

pub(super) enum Sink {
    Plain(BufWriter<File>),
    Gzip(Box<flate2::write::GzEncoder<BufWriter<File>>>),
    Zstd(Box<zstd::stream::write::Encoder<'static, BufWriter<File>>>),
}

impl Sink {
    pub(super) fn new(file: File, packing: Packing) -> std::io::Result<Sink> {
        let file = BufWriter::with_capacity(1 << 17, file);
        Ok(match packing {
            Packing::Plain => Sink::Plain(file),
            Packing::Gzip => Sink::Gzip(Box::new(flate2::write::GzEncoder::new(
                file,
                flate2::Compression::new(2),
            ))),
            Packing::Zstd => {
                let mut encoder = zstd::stream::write::Encoder::new(file, 1)?;
                encoder.include_checksum(true)?;
                Sink::Zstd(Box::new(encoder))
            }
        })
    }

    pub(super) fn put(&mut self, bytes: &[u8]) -> std::io::Result<()> {
        match self {
            Sink::Plain(w) => w.write_all(bytes),
            Sink::Gzip(w) => w.write_all(bytes),
            Sink::Zstd(w) => w.write_all(bytes),
        }
    }

    pub(super) fn finish(self) -> std::io::Result<()> {
        let mut file = match self {
            Sink::Plain(w) => w,
            Sink::Gzip(w) => w.finish()?,
            Sink::Zstd(w) => w.finish()?,
        };
        file.flush()
    }
}

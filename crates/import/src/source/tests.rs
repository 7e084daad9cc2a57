//! Packings, line ends, ceilings and damage.

use super::*;
use std::io::Write;

fn pieces(bytes: &[u8], piece_bytes: usize) -> Result<Vec<Piece>, ImportError> {
    let mut file = tempfile::NamedTempFile::new().expect("temporary file");
    file.write_all(bytes).expect("written");
    let mut source = Source::open_with(file.path(), Encoding::Utf8, piece_bytes)?;
    let mut pieces = Vec::new();
    while let Some(piece) = source.next_piece(Vec::new())? {
        pieces.push(piece);
    }
    let summary = source.finish()?;
    assert_eq!(summary.hash, blake3::hash(bytes).to_hex().to_string());
    Ok(pieces)
}

fn text_of(pieces: &[Piece]) -> Vec<u8> {
    let texts = pieces.iter().map(|piece| match piece {
        Piece::Text(text) => text.as_slice(),
        Piece::TooLong(_) => b"<too long>\n",
    });
    texts.collect::<Vec<_>>().concat()
}

#[test]
fn pieces_end_at_line_ends_and_lose_nothing() {
    for text in ["a\nbb\nccc\ndddd", "a\r\nbb\r\nccc\r\n", "a\rbb\rccc\rdddd\r", "\n\n\n", "x"] {
        for size in 1..12 {
            let pieces = pieces(text.as_bytes(), size).expect("readable");
            assert_eq!(text_of(&pieces), text.as_bytes(), "{text:?} by {size}");
            for piece in &pieces[..pieces.len() - 1] {
                let Piece::Text(piece) = piece else { panic!("no long line") };
                assert!(piece.ends_with(b"\n") || piece.ends_with(b"\r"), "{text:?} by {size}");
            }
        }
    }
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    encoder.write_all(bytes).expect("in memory");
    encoder.finish().expect("in memory")
}

/// RFC 1952 section 2.2 and RFC 8878 section 3.1: members and frames in a row are one text.
#[test]
fn members_and_frames_in_a_row_are_one_text() {
    let gz = [gzip(b"a,1\nb"), gzip(b",2\n")].concat();
    assert_eq!(text_of(&pieces(&gz, 64).expect("gzip")), b"a,1\nb,2\n");
    let skippable = [0x52, 0x2A, 0x4D, 0x18, 3, 0, 0, 0, b'x', b'y', b'z'];
    let frame = |text: &[u8]| zstd::encode_all(text, 1).expect("in memory");
    let zst = [&skippable[..], &frame(b"a,1\nb"), &skippable, &frame(b",2\n")].concat();
    assert_eq!(text_of(&pieces(&zst, 64).expect("zstd")), b"a,1\nb,2\n");
}

#[test]
fn every_truncation_of_a_packed_file_is_an_error_with_its_byte() {
    let text: Vec<u8> = (0..2000).flat_map(|i| format!("tag,{i}\n").into_bytes()).collect();
    for packed in [gzip(&text), zstd::encode_all(&text[..], 1).expect("in memory")] {
        for cut in (5..packed.len()).step_by(packed.len() / 60).chain([packed.len() - 1]) {
            match pieces(&packed[..cut], 1 << 16) {
                Err(ImportError::Damaged { byte, bytes, .. }) => {
                    assert!(byte <= cut as u64 && bytes == cut as u64);
                }
                other => panic!("cut at {cut}: {other:?}"),
            }
        }
    }
}

/// A flip in a field that carries no data (a time stamp in a header) may be harmless; what
/// is read is never other text.
#[test]
fn a_flipped_bit_is_an_error_or_changes_nothing() {
    let text: Vec<u8> = (0..3000).flat_map(|i| format!("tag,{i}\n").into_bytes()).collect();
    let mut encoder = zstd::stream::write::Encoder::new(Vec::new(), 3).expect("in memory");
    encoder.include_checksum(true).expect("setting");
    encoder.write_all(&text).expect("in memory");
    for packed in [gzip(&text), encoder.finish().expect("in memory")] {
        let mut n_errors = 0;
        for idx in 0..200 {
            let mut damaged = packed.clone();
            let bit = 32 + idx * (packed.len() * 8 - 32) / 200;
            damaged[bit / 8] ^= 1 << (bit % 8);
            match pieces(&damaged, 1 << 14) {
                Ok(pieces) => assert_eq!(text_of(&pieces), text, "bit {bit}"),
                Err(_) => n_errors += 1,
            }
        }
        assert!(n_errors > 150, "{n_errors}");
    }
}

#[test]
fn zeros_behind_the_last_member_are_named() {
    let padded = [gzip(b"a,1\n"), vec![0; 512]].concat();
    let error = pieces(&padded, 64).expect_err("padded");
    assert!(error.to_string().contains("no gzip member"), "{error}");
}

#[test]
fn a_file_that_grows_while_it_is_read_is_left_alone() {
    let mut file = tempfile::NamedTempFile::new().expect("temporary file");
    file.write_all(b"a,1\n").expect("written");
    let mut source = Source::open(file.path(), Encoding::Utf8).expect("opened");
    while source.next_piece(Vec::new()).expect("readable").is_some() {}
    file.write_all(b"b,2\n").expect("written");
    assert!(matches!(source.finish(), Err(ImportError::ChangedWhileRead { .. })));
}

#[cfg(unix)]
#[test]
fn a_device_is_no_file() {
    let open = Source::open(Path::new("/dev/zero"), Encoding::Utf8);
    assert!(matches!(open, Err(ImportError::NotAFile { .. })));
}

#[test]
fn a_bomb_is_refused_by_its_ratio() {
    let bomb = zstd::encode_all(&vec![b'0'; 64 << 20][..], 3).expect("in memory");
    let error = pieces(&bomb, PIECE_BYTES).expect_err("refused");
    assert!(matches!(error, ImportError::Ceiling { limit: MAX_RATIO, .. }), "{error}");
}

#[test]
fn a_line_beyond_the_ceiling_costs_one_piece() {
    let mut text = b"a,1\n".to_vec();
    text.extend(std::iter::repeat_n(b'x', LONGEST_LINE + 5000));
    text.extend_from_slice(b"\r\nb,2\n");
    let pieces = pieces(&text, 1 << 20).expect("readable");
    assert_eq!(text_of(&pieces), b"a,1\n<too long>\nb,2\n");
    let long = LONGEST_LINE as u64 + 5000;
    assert!(pieces.contains(&Piece::TooLong(long)), "{:?}", pieces.len());
}

/// Official BLAKE3 test vectors: byte i is i mod 251.
#[test]
fn the_hash_is_blake3() {
    let cases = [
        (1, "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213"),
        (1025, "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444"),
        (102_400, "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085"),
    ];
    for (length, hash) in cases {
        let mut file = tempfile::NamedTempFile::new().expect("temporary file");
        let bytes: Vec<u8> = (0..length).map(|i: u32| (i % 251) as u8).collect();
        file.write_all(&bytes).expect("written");
        assert_eq!(hash_file(file.path()).expect("readable"), hash);
    }
}

//! Which bytes are which characters.
//!
//! Rule:   a byte order mark decides; else a NUL in every other byte means UTF-16; else valid
//!         UTF-8 is UTF-8; else Windows-1252. Statistics are not asked: they take a
//!         Windows-1252 `kg/m³` for a central European letter.

use crate::settings::Encoding;
use encoding_rs::{Decoder, UTF_16BE, UTF_16LE, WINDOWS_1252};

/// The UTF-8 byte order mark.
pub const BOM: &[u8] = &[0xEF, 0xBB, 0xBF];
/// U+FFFD in UTF-8: what a decoder leaves where bytes were no text.
pub const REPLACEMENT: &[u8] = &[0xEF, 0xBF, 0xBD];

/// An encoding and why it was chosen.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Found {
    /// The encoding.
    pub encoding: Encoding,
    /// Why.
    pub reason: String,
}

/// Decides from the first bytes of a file and from pieces spread through it.
pub fn find(head: &[u8], pieces: &[Vec<u8>]) -> Found {
    let found = |encoding, reason: &str| Found { encoding, reason: reason.into() };
    if head.starts_with(BOM) {
        return found(Encoding::Utf8, "byte order mark of UTF-8");
    }
    if head.starts_with(&[0xFF, 0xFE]) {
        return found(Encoding::Utf16Le, "byte order mark of UTF-16, low byte first");
    }
    if head.starts_with(&[0xFE, 0xFF]) {
        return found(Encoding::Utf16Be, "byte order mark of UTF-16, high byte first");
    }
    if let Some(encoding) = nul_pattern(head) {
        return found(encoding, "a NUL in every other byte");
    }
    let pieces = pieces.iter().map(|piece| (piece.as_slice(), true));
    let mut ascii = true;
    for (piece, starts_cut) in std::iter::once((head, false)).chain(pieces) {
        ascii &= piece.is_ascii();
        if let Some(at) = invalid_utf8(piece, starts_cut) {
            let byte = piece.get(at).copied().unwrap_or(0);
            return Found {
                encoding: Encoding::Windows1252,
                reason: format!("byte {byte:02X} is no UTF-8"),
            };
        }
    }
    found(Encoding::Utf8, if ascii { "only ASCII" } else { "valid UTF-8" })
}

/// UTF-16 of mostly Western text without a byte order mark.
fn nul_pattern(head: &[u8]) -> Option<Encoding> {
    let head = &head[..head.len().min(4096) & !1];
    if head.len() < 4 {
        return None;
    }
    let pairs = head.len() / 2;
    let nuls_at = |odd: usize| head.chunks_exact(2).filter(|pair| pair[odd] == 0).count();
    let (first, second) = (nuls_at(0), nuls_at(1));
    // Nine pairs in ten on one side and almost none on the other; padding has both.
    match (first * 10 >= pairs * 9, second * 10 >= pairs * 9) {
        (false, true) if first * 10 < pairs => Some(Encoding::Utf16Le),
        (true, false) if second * 10 < pairs => Some(Encoding::Utf16Be),
        _ => None,
    }
}

/// First byte that is no UTF-8; a character cut by the end of a piece does not count, nor one
/// cut by the start of a piece that is not the head.
fn invalid_utf8(piece: &[u8], starts_cut: bool) -> Option<usize> {
    let cut = piece.iter().take(3).take_while(|&&byte| byte & 0xC0 == 0x80).count();
    let start = if starts_cut { cut } else { 0 };
    match std::str::from_utf8(&piece[start..]) {
        Ok(_) => None,
        Err(error) => error.error_len().map(|_| start + error.valid_up_to()),
    }
}

/// A decoder to UTF-8; `None` when the bytes already are.
pub fn decoder(encoding: Encoding) -> Option<Decoder> {
    match encoding {
        Encoding::Utf8 => None,
        Encoding::Utf16Le => Some(UTF_16LE.new_decoder_without_bom_handling()),
        Encoding::Utf16Be => Some(UTF_16BE.new_decoder_without_bom_handling()),
        Encoding::Windows1252 => Some(WINDOWS_1252.new_decoder_without_bom_handling()),
    }
}

/// Decodes `bytes` onto the end of `out`.
pub fn decode_onto(decoder: &mut Decoder, bytes: &[u8], last: bool, out: &mut Vec<u8>) {
    let room = decoder.max_utf8_buffer_length(bytes.len()).unwrap_or(bytes.len() * 3 + 16);
    let from = out.len();
    out.resize(from + room, 0);
    let (_, _, written, _) = decoder.decode_to_utf8(bytes, &mut out[from..], last);
    out.truncate(from + written);
}

/// The text of a whole small file or sample, without byte order mark.
pub fn decode_as(bytes: &[u8], encoding: Encoding) -> Vec<u8> {
    let mut text = Vec::new();
    match decoder(encoding) {
        None => text.extend_from_slice(bytes),
        Some(mut decoder) => decode_onto(&mut decoder, bytes, true, &mut text),
    }
    if text.starts_with(BOM) {
        text.drain(..BOM.len());
    }
    text
}

/// The text of a whole small file, encoding found out.
pub fn decode_whole(bytes: &[u8]) -> Vec<u8> {
    decode_as(bytes, find(bytes, &[]).encoding)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn utf16(text: &str, little: bool) -> Vec<u8> {
        let unit = |u: u16| if little { u.to_le_bytes() } else { u.to_be_bytes() };
        text.encode_utf16().flat_map(unit).collect()
    }

    #[test]
    fn one_text_in_eight_encodings_is_one_text() {
        let text = "Tag;kg/m³;°C\r\nFT-1;1,5;20\r\n";
        let latin: Vec<u8> = text.chars().map(|c| u32::from(c) as u8).collect();
        let with_bom = format!("\u{feff}{text}");
        let cases = [
            (text.as_bytes().to_vec(), Encoding::Utf8),
            (with_bom.as_bytes().to_vec(), Encoding::Utf8),
            (utf16(text, true), Encoding::Utf16Le),
            (utf16(text, false), Encoding::Utf16Be),
            (utf16(&with_bom, true), Encoding::Utf16Le),
            (utf16(&with_bom, false), Encoding::Utf16Be),
            (latin, Encoding::Windows1252),
        ];
        for (bytes, encoding) in cases {
            assert_eq!(find(&bytes, &[]).encoding, encoding);
            assert_eq!(decode_whole(&bytes), text.as_bytes(), "{encoding:?}");
        }
    }

    #[test]
    fn a_character_cut_by_the_sample_is_still_utf8() {
        let text = "°°°°".as_bytes();
        assert_eq!(find(&text[..7], &[text[1..].to_vec()]).encoding, Encoding::Utf8);
        assert_eq!(find(b"kg/m\xB3;x", &[]).encoding, Encoding::Windows1252);
        assert_eq!(find(b"plain", &[b"20\xB0C late".to_vec()]).encoding, Encoding::Windows1252);
    }

    #[test]
    fn padding_of_nuls_is_not_utf16() {
        let mut bytes = b"a,b\n1,2\n".to_vec();
        bytes.extend_from_slice(&[0; 8192]);
        assert_eq!(find(&bytes, &[]).encoding, Encoding::Utf8);
    }
}

//! Text to number, by our own grammar.
//!
//! Why:    both the standard library and fast parsers accept `nan`, `inf` and `1e309`; in a
//!         dump those are words, and a word in a number column is a bad sample, not a value.
//! In:     bytes of one cell. Grammar: blanks, sign, digits with an optional decimal mark, an
//!         optional exponent. Blanks may be no-break spaces (U+00A0, U+202F), the sign may be the
//!         minus of typography (U+2212). Thousands marks only where the style has one, and only at groups
//!         of three digits: `1.234` read with the wrong mark is wrong by a factor of 1000.
//! Out:    the nearest f64; `None` for everything else, overflow included. Underflow gives 0.
//! Method: up to 2^53 the digits and the power of ten are both exact in f64, so one division
//!         rounds correctly (Clinger 1990, "How to read floating point numbers accurately",
//!         from memory); everything longer goes to `fast-float2`.

use crate::text::trim;

/// How numbers are written in a dump.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NumberStyle {
    /// Decimal mark: `.` or `,`.
    pub decimal: u8,
    /// Mark between thousands, where there is one.
    pub thousands: Option<Thousands>,
}

impl NumberStyle {
    /// Decimal point, no thousands mark.
    pub const POINT: NumberStyle = NumberStyle { decimal: b'.', thousands: None };
    /// Decimal comma, no thousands mark.
    pub const COMMA: NumberStyle = NumberStyle { decimal: b',', thousands: None };
}

/// Marks between thousands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Thousands {
    /// `1,234`
    Comma,
    /// `1.234`
    Point,
    /// `1'234`
    Apostrophe,
    /// `1 234`, with a plain, no-break (U+00A0) or narrow no-break (U+202F) space.
    Space,
}

impl Thousands {
    /// The name in the site file.
    pub fn name(self) -> &'static str {
        match self {
            Thousands::Comma => ",",
            Thousands::Point => ".",
            Thousands::Apostrophe => "'",
            Thousands::Space => "space",
        }
    }

    /// Length of the mark at the start of `text`, 0 when there is none.
    fn at(self, text: &[u8]) -> usize {
        match (self, text) {
            (Thousands::Comma, [b',', ..])
            | (Thousands::Point, [b'.', ..])
            | (Thousands::Apostrophe, [b'\'', ..])
            | (Thousands::Space, [b' ', ..]) => 1,
            (Thousands::Space, [0xC2, 0xA0, ..]) => 2,
            (Thousands::Space, [0xE2, 0x80, 0xAF, ..]) => 3,
            _ => 0,
        }
    }
}

/// Longest cell that can be a number, in bytes.
const LONGEST: usize = 400;

/// Powers of ten that an f64 holds exactly.
const POW10: [f64; 23] = [
    1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15, 1e16,
    1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
];

/// The number in a cell, or `None` when it is none in this style.
///
/// ```
/// use metersift_import::number::{NumberStyle, parse};
/// assert_eq!(parse(b"18.4", NumberStyle::POINT), Some(18.4));
/// assert_eq!(parse(b"18,4", NumberStyle::COMMA), Some(18.4));
/// assert_eq!(parse(b"18,4", NumberStyle::POINT), None);
/// assert_eq!(parse(b"nan", NumberStyle::POINT), None);
/// ```
#[inline]
pub fn parse(text: &[u8], style: NumberStyle) -> Option<f64> {
    let number = parse_ascii(text, style);
    // No digit, mark or sign of the grammar has a byte like these: words come this way.
    match number {
        None if !text.is_ascii() => parse_typeset(text, style),
        number => number,
    }
}

/// A cell with typographic blanks around it or a typographic minus in front.
#[cold]
fn parse_typeset(text: &[u8], style: NumberStyle) -> Option<f64> {
    const BLANKS: [&[u8]; 4] = [b" ", b"\t", "\u{a0}".as_bytes(), "\u{202f}".as_bytes()];
    let mut bare = text;
    while let Some(rest) = BLANKS.iter().find_map(|blank| bare.strip_prefix(*blank)) {
        bare = rest;
    }
    while let Some(rest) = BLANKS.iter().find_map(|blank| bare.strip_suffix(*blank)) {
        bare = rest;
    }
    match bare.strip_prefix("\u{2212}".as_bytes()) {
        // The sign must be the only one.
        Some([b'+' | b'-', ..]) => None,
        Some(digits) if digits.len() < LONGEST => {
            let mut ascii = Vec::with_capacity(digits.len() + 1);
            ascii.push(b'-');
            ascii.extend_from_slice(digits);
            let blank = digits.first() == Some(&b' ');
            if blank { None } else { parse_ascii(&ascii, style) }
        }
        Some(_) => None,
        None if bare.len() < text.len() => parse_ascii(bare, style),
        None => None,
    }
}

#[inline]
fn parse_ascii(text: &[u8], style: NumberStyle) -> Option<f64> {
    match style.thousands {
        None => parse_plain(text, style.decimal),
        Some(thousands) => parse_grouped(text, style.decimal, thousands),
    }
}

#[inline]
fn parse_plain(text: &[u8], mark: u8) -> Option<f64> {
    let text = match text {
        [b' ' | b'\t', ..] | [.., b' ' | b'\t'] => trim(text),
        _ => text,
    };
    let (negative, digits) = match text {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        _ => (false, text),
    };
    let mut mantissa: u64 = 0;
    let mut n_digits = 0usize;
    let mut n_fraction = 0usize;
    let mut seen_mark = false;
    let mut i = 0;
    while let Some(&byte) = digits.get(i) {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            // Beyond 19 digits the product wraps, and the slow path is taken by the count.
            mantissa = mantissa.wrapping_mul(10).wrapping_add(u64::from(digit));
            n_digits += 1;
            n_fraction += usize::from(seen_mark);
        } else if byte == mark && !seen_mark {
            seen_mark = true;
        } else {
            break;
        }
        i += 1;
    }
    if n_digits == 0 {
        return None;
    }
    let rest = &digits[i..];
    if rest.is_empty() && n_digits <= 19 && mantissa <= 1 << 53 {
        let value = mantissa as f64 / POW10[n_fraction];
        return Some(if negative { -value } else { value });
    }
    if !rest.is_empty() && !is_exponent(rest) {
        return None;
    }
    let value = parse_long(digits, mark)?;
    Some(if negative { -value } else { value })
}

/// A plain short number at the start of a text, and its length: as [`parse`] reads it. `None` for
/// everything else, a number too.
#[inline]
pub(crate) fn scan(text: &[u8], mark: u8) -> Option<(f64, usize)> {
    let negative = text.first() == Some(&b'-');
    let from = usize::from(negative);
    let signed = |value: f64| if negative { -value } else { value };
    if let Some((value, length)) = scan_eight(text.get(from..)?, mark) {
        return Some((signed(value), from + length));
    }
    let (value, length) = scan_longer(text, from, mark)?;
    Some((signed(value), length))
}

/// The number behind the sign, digit by digit, and where it ends.
fn scan_longer(text: &[u8], from: usize, mark: u8) -> Option<(f64, usize)> {
    let mut mantissa: u64 = 0;
    let mut at = from;
    let mut marked = None;
    for &byte in text.get(from..)?.iter().take(17) {
        let digit = byte.wrapping_sub(b'0');
        if digit < 10 {
            mantissa = mantissa * 10 + u64::from(digit);
        } else if byte == mark && marked.is_none() {
            marked = Some(at);
        } else {
            break;
        }
        at += 1;
    }
    let n_fraction = marked.map_or(0, |mark| at - mark - 1);
    let n_digits = at - from - usize::from(marked.is_some());
    // Up to fifteen digits stay below 2^53 for certain.
    if n_digits == 0 || n_digits > 15 {
        return None;
    }
    Some((mantissa as f64 / POW10[n_fraction], at))
}

/// A number without sign that ends within eight bytes, all of them at once; `None` for a longer
/// one, one at the end of the text, and what is none.
#[inline]
fn scan_eight(text: &[u8], mark: u8) -> Option<(f64, usize)> {
    const HIGH: u64 = 0x8080_8080_8080_8080;
    // Added to the seven low bits of a byte, this sets the high bit from ten on.
    const FROM_TEN: u64 = 0x7676_7676_7676_7676;
    let digits = u64::from_le_bytes(*text.first_chunk()?) ^ 0x3030_3030_3030_3030;
    let others = ((digits & !HIGH).wrapping_add(FROM_TEN) | digits) & HIGH;
    if others == 0 {
        return None;
    }
    let first = (others.trailing_zeros() / 8) as usize;
    let (digits, n_digits, length) = if text[first] == mark {
        let behind = others & (others - 1);
        if behind == 0 {
            return None;
        }
        // What follows the mark moves to its place.
        let before = (1u64 << (8 * first)) - 1;
        let end = (behind.trailing_zeros() / 8) as usize;
        (digits & before | digits >> 8 & !before, end - 1, end)
    } else {
        (digits, first, first)
    };
    if n_digits == 0 {
        return None;
    }
    let n_fraction = length - first.min(length) - usize::from(length > first);
    // The last digit in the highest byte, noughts below the first.
    let mantissa = eight_digits(digits << (8 * (8 - n_digits)));
    Some((f64::from(mantissa) / POW10[n_fraction], length))
}

/// The number whose digits are the bytes of a word, the first in the lowest: neighbours are put
/// together three times, as is common practice (from memory).
#[inline]
fn eight_digits(digits: u64) -> u32 {
    const PAIR: u64 = 0x0000_00FF_0000_00FF;
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    let outer = (pairs & PAIR).wrapping_mul(100 + (1_000_000 << 32));
    let inner = (pairs >> 16 & PAIR).wrapping_mul(1 + (10_000 << 32));
    (outer.wrapping_add(inner) >> 32) as u32
}

fn is_exponent(text: &[u8]) -> bool {
    let [b'e' | b'E', rest @ ..] = text else { return false };
    let digits = match rest {
        [b'+' | b'-', digits @ ..] => digits,
        _ => rest,
    };
    !digits.is_empty() && digits.iter().all(u8::is_ascii_digit)
}

/// Text that passed the grammar, with many digits or an exponent.
fn parse_long(text: &[u8], mark: u8) -> Option<f64> {
    if text.len() > LONGEST {
        return None;
    }
    let mut buffer = [0u8; LONGEST];
    let buffer = &mut buffer[..text.len()];
    for (to, &from) in buffer.iter_mut().zip(text) {
        *to = if from == mark { b'.' } else { from };
    }
    let value: f64 = fast_float2::parse(&*buffer).ok()?;
    value.is_finite().then_some(value)
}

fn parse_grouped(text: &[u8], mark: u8, thousands: Thousands) -> Option<f64> {
    let text = trim(text);
    if text.len() > LONGEST {
        return None;
    }
    let mut buffer = [0u8; LONGEST];
    let mut n = 0;
    let mut group = 0usize;
    let mut groups = 0usize;
    let mut i = 0;
    if let [sign @ (b'-' | b'+'), ..] = text {
        buffer[0] = *sign;
        (n, i) = (1, 1);
    }
    while let Some(&byte) = text.get(i) {
        let width = thousands.at(&text[i..]);
        if byte.is_ascii_digit() {
            buffer[n] = byte;
            n += 1;
            i += 1;
            group += 1;
        } else if width > 0 {
            let first_ok = groups == 0 && (1..=3).contains(&group);
            if !first_ok && group != 3 {
                return None;
            }
            groups += 1;
            group = 0;
            i += width;
        } else {
            break;
        }
    }
    if groups > 0 && group != 3 {
        return None;
    }
    let rest = &text[i..];
    buffer.get_mut(n..n + rest.len())?.copy_from_slice(rest);
    parse_plain(&buffer[..n + rest.len()], mark)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(text: &str) -> Option<f64> {
        parse(text.as_bytes(), NumberStyle::POINT)
    }

    /// Every text of up to nine of these characters' kinds, at the end of the text and before
    /// more: what is scanned is what the whole grammar makes of the part that it took.
    #[test]
    fn a_scanned_number_is_the_number_that_is_parsed() {
        let kinds = [b'0', b'1', b'9', b'.', b',', b'-', b'e', b' ', 0xB0, b'/', b':', b'7'];
        let mut state = 1u64;
        let mut scanned = 0;
        for round in 0..200_000u64 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            // Mostly digits with a mark somewhere, as numbers have.
            let length = 1 + (round % 18) as usize;
            let mut text: Vec<u8> =
                (0..length).map(|at| b'0' + ((state >> (3 * at)) % 10) as u8).collect();
            let odd = [b'.', b'.', kinds[(state >> 57) as usize % kinds.len()]];
            for (turn, byte) in odd.into_iter().enumerate().skip((state >> 40) as usize % 3) {
                let at = (state >> (20 + 7 * turn)) as usize % length;
                text[at] = byte;
            }
            if state >> 63 == 1 {
                text.insert(0, b'-');
            }
            for more in [&b""[..], b",192\r\nFT-1", b"\n"] {
                let whole = [&text[..], more].concat();
                if let Some((value, length)) = scan(&whole, b'.') {
                    let parsed = parse(&whole[..length], NumberStyle::POINT);
                    let bits = parsed.map(f64::to_bits);
                    assert_eq!(bits, Some(value.to_bits()), "{}", shown(&whole));
                    scanned += 1;
                }
            }
        }
        assert!(scanned > 200_000, "{scanned}");
    }

    fn shown(text: &[u8]) -> String {
        crate::text::shown(text)
    }

    #[test]
    fn words_and_overflows_are_no_numbers() {
        let words = [
            "",
            " ",
            "-",
            "+",
            ".",
            "nan",
            "NaN",
            "inf",
            "-Infinity",
            "1e309",
            "-1e309",
            "1e",
            "1e+",
            "0x10",
            "1_000",
            "1.2.3",
            "1,5",
            "1 234",
            "1.#QNAN",
            "#N/A",
            "\u{2212}",
            "\u{2212}-5",
            "5\u{2212}",
            "\u{2212} 5",
            "\u{a0}",
            "\u{ff11}\u{ff12}",
            "12a",
            "--1",
            "1-",
            "e5",
        ];
        for word in words {
            assert_eq!(point(word), None, "{word:?}");
        }
    }

    /// Shortest round-trip values of IEEE 754 binary64; oracle: Python `float.hex` of each
    /// literal, here as bit patterns.
    #[test]
    fn hard_literals_give_the_bits_that_python_gives() {
        let cases: [(&str, u64); 8] = [
            ("0.1", 0x3FB9_9999_9999_999A),
            ("1e23", 0x44B5_2D02_C7E1_4AF6),
            ("9007199254740993", 0x4340_0000_0000_0000),
            ("5e-324", 1),
            ("2.2250738585072014e-308", 0x0010_0000_0000_0000),
            ("1.7976931348623157e308", 0x7FEF_FFFF_FFFF_FFFF),
            ("1e-400", 0),
            ("-0", 0x8000_0000_0000_0000),
        ];
        for (text, bits) in cases {
            assert_eq!(point(text).map(f64::to_bits), Some(bits), "{text}");
        }
        assert_eq!(point(" +18.40 "), Some(18.4));
        assert_eq!(point("\u{a0}\u{2212}5.5\u{202f}"), Some(-5.5));
        assert_eq!(point(".5"), Some(0.5));
        assert_eq!(point("5."), Some(5.0));
        assert_eq!(point("99999999999999999999"), Some(1e20));
        assert_eq!(point("0.00000000000000000000000001"), Some(1e-26));
    }

    #[test]
    fn a_thousands_mark_sits_at_groups_of_three_or_the_cell_is_no_number() {
        let german = NumberStyle { decimal: b',', thousands: Some(Thousands::Point) };
        let read = |text: &str| parse(text.as_bytes(), german);
        assert_eq!(read("1.234,56"), Some(1234.56));
        assert_eq!(read("-12.345.678"), Some(-12_345_678.0));
        assert_eq!(read("1234,5"), Some(1234.5));
        for wrong in ["1.23.4", "1.23", "1.2345", ".123", "1..234", "1.234.", "12.34,5"] {
            assert_eq!(read(wrong), None, "{wrong}");
        }
        let spaced = NumberStyle { decimal: b'.', thousands: Some(Thousands::Space) };
        for text in ["1 234.5", "1\u{a0}234.5", "1\u{202f}234.5"] {
            assert_eq!(parse(text.as_bytes(), spaced), Some(1234.5), "{text:?}");
        }
        assert_eq!(parse("1 23.5".as_bytes(), spaced), None);
    }
}

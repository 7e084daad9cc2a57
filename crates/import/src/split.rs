//! Text to lines and lines to fields.
//!
//! Lines:  LF, CRLF and a lone CR each end a line, so that line numbers are those of an editor.
//! Fields: a field may be wrapped in double quotes, inner quotes doubled (RFC 4180), but a line
//!         end never belongs to a field: historian dumps have none inside fields, and so one
//!         stray quote costs one line and not the rest of the file.
//! Shape:  fields are pairs of positions into the line, or into a copy of it from which quotes
//!         were taken.

use memchr::{memchr, memchr_iter, memchr2};
use std::borrow::Cow;

/// Start and end of a field.
pub type Span = (u32, u32);

/// How lines end in a piece of text.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LineEnds {
    /// Every line ends with LF, perhaps after a CR.
    Lf,
    /// There is a CR that no LF follows.
    Mixed,
}

/// Looks for a lone CR.
pub fn line_ends(text: &[u8]) -> LineEnds {
    let lone = memchr_iter(b'\r', text).any(|at| text.get(at + 1).is_some_and(|&b| b != b'\n'));
    let only_cr = text.last() == Some(&b'\r');
    if lone || only_cr { LineEnds::Mixed } else { LineEnds::Lf }
}

/// Lines of a text, without their ends.
#[derive(Clone, Debug)]
pub struct Lines<'t> {
    text: &'t [u8],
    at: usize,
}

impl<'t> Lines<'t> {
    /// All lines of the text; what follows the last line end is a line unless empty.
    pub fn new(text: &'t [u8]) -> Lines<'t> {
        Lines { text, at: 0 }
    }

    /// Position of the next line in the text.
    pub fn position(&self) -> usize {
        self.at
    }
}

impl<'t> Iterator for Lines<'t> {
    type Item = &'t [u8];

    fn next(&mut self) -> Option<&'t [u8]> {
        let rest = &self.text[self.at..];
        if rest.is_empty() {
            return None;
        }
        let Some(end) = memchr2(b'\n', b'\r', rest) else {
            self.at = self.text.len();
            return Some(rest);
        };
        let crlf = rest[end] == b'\r' && rest.get(end + 1) == Some(&b'\n');
        self.at += end + 1 + usize::from(crlf);
        Some(&rest[..end])
    }
}

/// Bytes that are looked at together.
const BLOCK: usize = 64;

/// Places of two bytes in a text, in order.
///
/// Where fields are short, asking a search for the next place costs more than the search: here 64
/// bytes become a mask with one bit per place at once.
#[derive(Clone, Debug)]
pub struct Marks<'t> {
    text: &'t [u8],
    marks: [u8; 2],
    /// Places not yet given, of the block that ends at `next`.
    mask: u64,
    next: usize,
}

impl<'t> Marks<'t> {
    /// All places of either byte.
    pub fn new(text: &'t [u8], one: u8, other: u8) -> Marks<'t> {
        Marks { text, marks: [one, other], mask: 0, next: 0 }
    }

    /// The mask of the next block; `None` at the end.
    #[inline]
    fn block(&mut self) -> Option<u64> {
        let rest = self.text.get(self.next..)?;
        let mask = match rest.first_chunk::<BLOCK>() {
            Some(block) => mask_of(block, self.marks),
            None if rest.is_empty() => return None,
            None => {
                let mut block = [0; BLOCK];
                block[..rest.len()].copy_from_slice(rest);
                mask_of(&block, self.marks) & ((1 << rest.len()) - 1)
            }
        };
        self.next += BLOCK;
        Some(mask)
    }
}

impl Iterator for Marks<'_> {
    type Item = usize;

    #[inline]
    fn next(&mut self) -> Option<usize> {
        while self.mask == 0 {
            self.mask = self.block()?;
        }
        let bit = self.mask.trailing_zeros() as usize;
        self.mask &= self.mask - 1;
        Some(self.next - BLOCK + bit)
    }
}

/// A bit for each byte of the block that is one of the two.
#[inline]
fn mask_of(block: &[u8; BLOCK], [one, other]: [u8; 2]) -> u64 {
    const LOW: u64 = 0x7F7F_7F7F_7F7F_7F7F;
    // Moves the low bits of eight bytes next to each other, into the highest byte.
    const GATHER: u64 = 0x0102_0408_1020_4080;
    let [one, other] = [one, other].map(|byte| u64::from_ne_bytes([byte; 8]));
    let (words, _) = block.as_chunks::<8>();
    let mut mask = 0;
    for (at, word) in words.iter().enumerate() {
        let word = u64::from_le_bytes(*word);
        // The high bit of a byte is set in here unless the byte is zero.
        let full = |x: u64| ((x & LOW) + LOW) | x;
        let found = !(full(word ^ one) & full(word ^ other)) >> 7 & (u64::MAX / 255);
        mask |= (found.wrapping_mul(GATHER) >> 56) << (8 * at);
    }
    mask
}

/// Why a line has no fields.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct StrayQuote {
    /// Field, from 1.
    pub column: u32,
}

/// The fields of a line without quotes.
pub fn fields_plain(line: &[u8], delimiter: u8, fields: &mut Vec<Span>) {
    fields.clear();
    let mut from = 0;
    for at in memchr_iter(delimiter, line) {
        fields.push((from as u32, at as u32));
        from = at + 1;
    }
    fields.push((from as u32, line.len() as u32));
}

/// The fields of a line with quotes: positions into `clean`, which holds the fields' text one
/// after the other.
///
/// # Errors
/// [`StrayQuote`] when a quoted field does not end with its quote.
pub fn fields_quoted(
    line: &[u8],
    delimiter: u8,
    clean: &mut Vec<u8>,
    fields: &mut Vec<Span>,
) -> Result<(), StrayQuote> {
    fields.clear();
    clean.clear();
    let mut rest = line;
    loop {
        let from = clean.len() as u32;
        let column = fields.len() as u32 + 1;
        // Some writers put a blank after the delimiter and quote after that.
        let blanks = rest.iter().take_while(|&&byte| byte == b' ').count();
        let end = if rest.get(blanks) == Some(&b'"') {
            blanks + quoted(&rest[blanks..], clean).ok_or(StrayQuote { column })?
        } else {
            let end = memchr(delimiter, rest).unwrap_or(rest.len());
            clean.extend_from_slice(&rest[..end]);
            end
        };
        fields.push((from, clean.len() as u32));
        match rest.get(end) {
            None => return Ok(()),
            Some(&byte) if byte == delimiter => rest = &rest[end + 1..],
            Some(b' ') if rest[end..].iter().all(|&byte| byte == b' ') => return Ok(()),
            Some(b' ') => {
                let blanks = rest[end..].iter().take_while(|&&byte| byte == b' ').count();
                if rest[end + blanks] != delimiter {
                    return Err(StrayQuote { column });
                }
                rest = &rest[end + blanks + 1..];
            }
            Some(_) => return Err(StrayQuote { column }),
        }
    }
}

/// Copies a field that starts with a quote; gives the length up to and with its end quote.
fn quoted(text: &[u8], clean: &mut Vec<u8>) -> Option<usize> {
    let mut at = 1;
    loop {
        let quote = at + memchr(b'"', &text[at..])?;
        clean.extend_from_slice(&text[at..quote]);
        if text.get(quote + 1) != Some(&b'"') {
            return Some(quote + 1);
        }
        clean.push(b'"');
        at = quote + 2;
    }
}

/// One field of any line, from 0; `None` when there are fewer or a quote is astray.
pub fn nth_field(line: &[u8], delimiter: u8, n: usize) -> Option<Cow<'_, [u8]>> {
    if memchr(b'"', line).is_some() {
        let mut fields = fields_owned(line, delimiter).ok()?;
        return (n < fields.len()).then(|| Cow::Owned(fields.swap_remove(n)));
    }
    let mut from = 0;
    for (idx, at) in memchr_iter(delimiter, line).enumerate() {
        if idx == n {
            return Some(Cow::Borrowed(&line[from..at]));
        }
        if idx + 1 == n {
            from = at + 1;
        }
    }
    let n_fields = memchr_iter(delimiter, line).count() + 1;
    (n + 1 == n_fields).then(|| Cow::Borrowed(&line[from..]))
}

/// The fields of any line, as owned text; for heads of files and small tables.
///
/// # Errors
/// [`StrayQuote`] as in [`fields_quoted`].
pub fn fields_owned(line: &[u8], delimiter: u8) -> Result<Vec<Vec<u8>>, StrayQuote> {
    let mut spans = Vec::new();
    let mut clean = Vec::new();
    let text: &[u8] = if memchr(b'"', line).is_some() {
        fields_quoted(line, delimiter, &mut clean, &mut spans)?;
        &clean
    } else {
        fields_plain(line, delimiter, &mut spans);
        line
    };
    Ok(spans.iter().map(|&(from, to)| text[from as usize..to as usize].to_vec()).collect())
}

/// The fields of any line; one with a stray quote is parted as if it had none.
pub fn fields_loose(line: &[u8], delimiter: u8) -> Vec<Vec<u8>> {
    let without_quotes =
        |field: &[u8]| -> Vec<u8> { field.iter().copied().filter(|&byte| byte != b'"').collect() };
    fields_owned(line, delimiter)
        .unwrap_or_else(|_| line.split(|&b| b == delimiter).map(without_quotes).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(text: &str) -> Vec<&str> {
        Lines::new(text.as_bytes()).map(|l| std::str::from_utf8(l).expect("text")).collect()
    }

    #[test]
    fn every_kind_of_line_end_ends_one_line() {
        assert_eq!(lines("a\nb\r\nc\rd"), ["a", "b", "c", "d"]);
        assert_eq!(lines("a\r\r\n\nb\n"), ["a", "", "", "b"]);
        assert_eq!(lines(""), [] as [&str; 0]);
        assert_eq!(line_ends(b"a\r\nb\n"), LineEnds::Lf);
        assert_eq!(line_ends(b"a\rb\n"), LineEnds::Mixed);
        assert_eq!(line_ends(b"a\r"), LineEnds::Mixed);
    }

    fn fields(line: &str) -> Result<Vec<String>, StrayQuote> {
        let owned = fields_owned(line.as_bytes(), b',')?;
        Ok(owned.into_iter().map(|f| String::from_utf8(f).expect("text")).collect())
    }

    /// RFC 4180 section 2, rules 5 to 7.
    #[test]
    fn quoted_fields_of_rfc_4180() {
        assert_eq!(
            fields(r#""aaa","b""bb","ccc""#),
            Ok(vec!["aaa".into(), "b\"bb".into(), "ccc".into()])
        );
        assert_eq!(fields(r#"a,"b,c",d"#), Ok(vec!["a".into(), "b,c".into(), "d".into()]));
        assert_eq!(fields(r#""",x"#), Ok(vec!["".into(), "x".into()]));
        assert_eq!(fields("a,,"), Ok(vec!["a".into(), "".into(), "".into()]));
        assert_eq!(fields(r#"5" pipe,x"#), Ok(vec!["5\" pipe".into(), "x".into()]));
        assert_eq!(fields(r#"a, "b" ,c"#), Ok(vec!["a".into(), "b".into(), "c".into()]));
    }

    #[test]
    fn one_field_is_the_field_of_all_fields() {
        for line in ["a,b,c", "", ",", "a,\"b,c\",d", "a,b,", "abc"] {
            let all = fields_owned(line.as_bytes(), b',').expect("well formed");
            for n in 0..5 {
                let one = nth_field(line.as_bytes(), b',', n).map(Cow::into_owned);
                assert_eq!(one.as_ref(), all.get(n), "{line} {n}");
            }
        }
    }

    #[test]
    fn marks_are_the_places_that_a_search_finds() {
        let mut state = 9u64;
        for length in 0..300 {
            let text: Vec<u8> = (0..length)
                .map(|_| {
                    state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                    [b',', b'\n', 0, b'-', 0x80 | b',', 0xFF, b'+', b'1'][(state >> 61) as usize]
                })
                .collect();
            for marks in [[b',', b'\n'], [0, b'\n'], [0xFF, 0x80]] {
                let found: Vec<usize> = Marks::new(&text, marks[0], marks[1]).collect();
                let search: Vec<usize> = memchr::memchr2_iter(marks[0], marks[1], &text).collect();
                assert_eq!(found, search, "{text:?}");
            }
        }
    }

    #[test]
    fn a_quote_that_never_closes_names_its_column() {
        assert_eq!(fields(r#"a,"b"#), Err(StrayQuote { column: 2 }));
        assert_eq!(fields(r#""a"b,c"#), Err(StrayQuote { column: 1 }));
        assert_eq!(fields(r#"a,b,""#), Err(StrayQuote { column: 3 }));
    }
}

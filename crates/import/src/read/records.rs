//! Records whose quoted fields hold line ends, for sites that say so (`quoted_newlines`).
//!
//! Rule:   a record ends at the first line end that is outside of quotes. A quote that is astray
//!         or never closes within 1 MiB costs its own line, and reading goes on at the next one.
//! Shape:  pieces are cut again, at record ends; what is left waits for the next piece.

use crate::dialect::Dialect;
use crate::split::{Lines, fields_quoted};
use memchr::memchr;

/// Longest record over several lines; our own choice.
pub(crate) const LONGEST_RECORD: usize = 1 << 20;

/// Cuts pieces at record ends.
pub(super) struct Records {
    delimiter: u8,
    active: bool,
    carry: Vec<u8>,
}

impl Records {
    pub(super) fn new(dialect: &Dialect) -> Records {
        let (delimiter, active) = (dialect.delimiter, dialect.quoted_newlines);
        Records { delimiter, active, carry: Vec::new() }
    }

    /// The part of the text that ends with a record, and where its rows start.
    pub(super) fn cut(
        &mut self,
        text: Vec<u8>,
        start: usize,
        more: bool,
    ) -> Option<(Vec<u8>, usize)> {
        if !self.active || (self.carry.is_empty() && memchr(b'"', &text[start..]).is_none()) {
            return Some((text, start));
        }
        let mut joined = std::mem::take(&mut self.carry);
        joined.extend_from_slice(&text[start..]);
        if !more {
            return Some((joined, 0));
        }
        let mut at = 0;
        while at < joined.len() {
            let open = joined.len() - at < LONGEST_RECORD;
            match next_record(&joined[at..], self.delimiter) {
                // The last record may go on in the next piece.
                Next::Stray(_) if open && !closes(&joined[at..], self.delimiter) => break,
                Next::Record(length) | Next::Stray(length) => at += length,
            }
        }
        self.carry = joined.split_off(at);
        (at > 0).then_some((joined, 0))
    }

    /// What never ended.
    pub(super) fn rest(&mut self) -> Option<Vec<u8>> {
        (!self.carry.is_empty()).then(|| std::mem::take(&mut self.carry))
    }
}

/// A record, or a line whose quote is astray; with its length, line end and all.
pub(super) enum Next {
    Record(usize),
    Stray(usize),
}

/// The next record of a text that is not empty.
pub(super) fn next_record(text: &[u8], delimiter: u8) -> Next {
    let mut lines = Lines::new(text);
    let first = lines.next().unwrap_or_default();
    let length = lines.position();
    if memchr(b'"', first).is_none() {
        return Next::Record(length);
    }
    match record_end(text, delimiter) {
        Some(end) if end <= LONGEST_RECORD => {
            let rest = &text[end..];
            let line_end = match rest {
                [b'\r', b'\n', ..] => 2,
                [] => 0,
                _ => 1,
            };
            Next::Record(end + line_end)
        }
        _ => Next::Stray(length),
    }
}

/// Where the first record ends, its line end not counted; `None` when a quote is astray.
pub(crate) fn record_end(text: &[u8], delimiter: u8) -> Option<usize> {
    let (mut at, mut field_start) = (0, true);
    while let Some(&byte) = text.get(at) {
        match byte {
            b'\n' | b'\r' => return Some(at),
            b'"' if field_start => {
                at += 1;
                loop {
                    at += memchr(b'"', &text[at..])? + 1;
                    if text.get(at) != Some(&b'"') {
                        break;
                    }
                    at += 1;
                }
                field_start = false;
                let after = text[at..].iter().find(|&&byte| byte != b' ');
                let closed = after.is_none_or(|b| [delimiter, b'\n', b'\r'].contains(b));
                if !closed {
                    return None;
                }
                continue;
            }
            _ => field_start = byte == delimiter || (field_start && byte == b' '),
        }
        at += 1;
    }
    Some(at)
}

/// Whether what is wrong with the first line is wrong whatever follows.
fn closes(text: &[u8], delimiter: u8) -> bool {
    let first = Lines::new(text).next().unwrap_or_default();
    let astray = || {
        let (mut clean, mut fields) = (Vec::new(), Vec::new());
        fields_quoted(first, delimiter, &mut clean, &mut fields).is_err()
    };
    // The quotes of all of the text are in pairs: more text cannot mend it.
    text.iter().filter(|&&byte| byte == b'"').count() % 2 == 0 && astray()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// RFC 4180 section 2, rule 6.
    #[test]
    fn a_record_ends_outside_of_quotes() {
        let text = b"\"aaa\",\"b \r\nbb\",\"ccc\"\r\nzzz,yyy,xxx";
        assert_eq!(record_end(text, b','), Some(20));
        assert!(matches!(next_record(text, b','), Next::Record(22)));
        assert_eq!(record_end(b"a,5\" pipe\nb", b','), Some(9));
        assert_eq!(record_end(b"a,\"b\"\"\nc\",d\n", b','), Some(11));
    }

    #[test]
    fn a_stray_quote_costs_its_line() {
        assert!(matches!(next_record(b"a,\"b\nc,d\n", b','), Next::Stray(5)));
        assert!(matches!(next_record(b"a,\"b\nc,\"d\"\n", b','), Next::Stray(5)));
    }
}

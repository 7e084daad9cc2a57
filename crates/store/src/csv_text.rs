//! CSV lines for the store's own notes (conflicts, rejects).
//!
//! A text cell that a spreadsheet would take for a formula gets an apostrophe in front; numbers
//! stay numbers. Control characters are written as `\u{…}`, so one line stays one line.

use std::fmt::Write;

/// One line being written.
pub(crate) struct Line<'a> {
    out: &'a mut String,
    first: bool,
}

impl<'a> Line<'a> {
    pub(crate) fn new(out: &'a mut String) -> Line<'a> {
        Line { out, first: true }
    }

    fn separate(&mut self) {
        if !self.first {
            self.out.push(',');
        }
        self.first = false;
    }

    pub(crate) fn text(&mut self, text: &str) -> &mut Self {
        self.separate();
        let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r', '\0']);
        let quoted = formula || text.contains([',', '"', ';']) || text.trim() != text;
        if quoted {
            self.out.push('"');
        }
        if formula {
            self.out.push('\'');
        }
        for c in text.chars() {
            match c {
                '"' => self.out.push_str("\"\""),
                c if c.is_control() || is_bidirectional(c) => self.out.extend(c.escape_unicode()),
                c => self.out.push(c),
            }
        }
        if quoted {
            self.out.push('"');
        }
        self
    }

    /// A number in the shortest form that reads back the same; nothing for NaN.
    pub(crate) fn number(&mut self, value: f64) -> &mut Self {
        self.separate();
        if !value.is_nan() {
            // Writing to a String cannot fail.
            let _ = write!(self.out, "{value}");
        }
        self
    }

    pub(crate) fn whole(&mut self, value: u64) -> &mut Self {
        self.separate();
        let _ = write!(self.out, "{value}");
        self
    }

    pub(crate) fn end(self) {
        self.out.push('\n');
    }
}

fn is_bidirectional(c: char) -> bool {
    matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{2028}' | '\u{2029}')
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(cells: &[&str]) -> String {
        let mut out = String::new();
        let mut line = Line::new(&mut out);
        for cell in cells {
            line.text(cell);
        }
        line.end();
        out
    }

    #[test]
    fn no_text_becomes_a_formula_or_a_second_line() {
        assert_eq!(line(&["=1+1", "a,b"]), "\"'=1+1\",\"a,b\"\n");
        assert_eq!(line(&["x\r\ny", "say \"no\""]), "x\\u{d}\\u{a}y,\"say \"\"no\"\"\"\n");
        assert_eq!(line(&["\tx"]), "\"'\\u{9}x\"\n");
        assert_eq!(line(&["", "\u{202E}"]), ",\\u{202e}\n");
    }

    #[test]
    fn a_negative_number_stays_a_number() {
        let mut out = String::new();
        Line::new(&mut out).number(-1.5).number(f64::NAN).whole(3);
        assert_eq!(out, "-1.5,,3");
    }
}

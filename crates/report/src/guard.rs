//! Text cells that a spreadsheet must not run.
//!
//! Why:    a meter's name or an alert's text comes from anywhere; a cell that begins with `=`
//!         is a formula to the program that opens the table.
//! How:    an apostrophe goes before the first character of a text cell that could start a
//!         formula, and before one that stands right behind a separator inside the text, where
//!         a program that splits at another separator would begin a cell. Numbers are written as
//!         numbers elsewhere and never pass here, so -5 stays -5.
//! Source: OWASP, CSV Injection (list of characters, from memory): = + - @ TAB CR LF and the
//!         full-width forms of the four signs.

use std::borrow::Cow;

/// Characters that can start a formula.
fn starts_formula(character: char) -> bool {
    let plain = matches!(character, '=' | '+' | '-' | '@' | '\t' | '\r' | '\n');
    plain || matches!(character, '\u{FF1D}' | '\u{FF0B}' | '\u{FF0D}' | '\u{FF20}')
}

/// Characters at which some program splits cells. The comma is one, but our own sentences hold
/// `, +3 kg/m3`: only what stands right behind a separator can be a cell of its own.
fn separates(character: char) -> bool {
    matches!(character, ',' | ';' | '|' | '\t' | '\r' | '\n')
}

/// A text cell that no spreadsheet takes for a formula.
pub fn neutral(text: &str) -> Cow<'_, str> {
    let mut at_start = true;
    let mut marks = Vec::new();
    for (offset, character) in text.char_indices() {
        // A control character at the start is neutralised and still separates what follows.
        if at_start && starts_formula(character) {
            marks.push(offset);
        }
        // Quotes and blanks do not end the start of a cell: some programs drop them.
        let skipped = at_start && (character == '"' || (offset == 0 && character == ' '));
        at_start = separates(character) || skipped;
    }
    if marks.is_empty() {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + marks.len());
    let mut from = 0;
    for mark in marks {
        out.push_str(&text[from..mark]);
        out.push('\'');
        from = mark;
    }
    out.push_str(&text[from..]);
    Cow::Owned(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_payload_keeps_a_formula_at_the_start_of_a_cell() {
        // Payloads after OWASP, CSV Injection (from memory).
        let payloads = [
            "=1+1",
            "=HYPERLINK(\"http://x\",\"y\")",
            "+1+cmd",
            "-2+3",
            "@SUM(1,1)",
            "\t=1+1",
            ";=1+1",
            "\r=1+1",
            "\n@x",
            "\u{FF1D}1+1",
            "\u{FF0B}1",
            "\u{FF0D}1",
            "\u{FF20}SUM(1)",
            "a,=1+1",
            "a;\"=1+1",
            " =1+1",
        ];
        for payload in payloads {
            let cell = neutral(payload);
            for piece in cell.split([',', ';', '|', '\t', '\r', '\n']) {
                let first = piece.trim_start_matches([' ', '"']).chars().next();
                assert!(!first.is_some_and(starts_formula), "{payload:?} -> {cell:?}");
            }
            assert!(!cell.chars().next().is_some_and(starts_formula), "{payload:?} -> {cell:?}");
            assert_eq!(cell.replace('\'', ""), payload, "nothing else changes");
        }
    }

    #[test]
    fn plain_sentences_and_names_pass_untouched() {
        for text in ["FT-3107", "density +12.4 kg/m3, drive gain +0.35 since", "", "a-b", "5 %"] {
            assert!(matches!(neutral(text), Cow::Borrowed(same) if same == text), "{text}");
        }
    }
}

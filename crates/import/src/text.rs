//! Foreign text made fit for messages, and the small text helpers of the room.
//!
//! Why:    a tag or a cell may hold control or bidirectional characters that would act on a
//!         terminal; it is shown as `\u{..}` and cut to a readable length.

/// Longest piece of foreign text that a message or a reject carries, in characters.
const SHOWN_CHARS: usize = 200;

/// The text as it may be shown: invalid bytes replaced, control and bidirectional characters
/// written out, long text cut.
pub fn shown(bytes: &[u8]) -> String {
    let cut = &bytes[..bytes.len().min(4 * SHOWN_CHARS + 4)];
    let text = String::from_utf8_lossy(cut);
    let mut out = String::with_capacity(text.len());
    for (count, character) in text.chars().enumerate() {
        if count == SHOWN_CHARS {
            out.push_str("...");
            break;
        }
        if needs_escape(character) {
            out.push_str(&format!("\\u{{{:x}}}", u32::from(character)));
        } else {
            out.push(character);
        }
    }
    out
}

/// The whole text with control and bidirectional characters written out.
pub fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for character in text.chars() {
        if needs_escape(character) {
            out.push_str(&format!("\\u{{{:x}}}", u32::from(character)));
        } else {
            out.push(character);
        }
    }
    out
}

fn needs_escape(character: char) -> bool {
    character.is_control()
        || matches!(u32::from(character),
            0x200B..=0x200F | 0x2028..=0x202E | 0x2060..=0x2069 | 0xFEFF)
}

/// The slice without blanks (space and tab) at either end.
pub fn trim(mut text: &[u8]) -> &[u8] {
    while let [b' ' | b'\t', rest @ ..] = text {
        text = rest;
    }
    while let [rest @ .., b' ' | b'\t'] = text {
        text = rest;
    }
    text
}

/// A column name for comparison: trimmed, lower case, blanks and hyphens as underscores.
pub fn folded_name(name: &str) -> String {
    let name = name.trim().trim_matches('\u{feff}');
    name.chars()
        .map(|c| if c == ' ' || c == '-' { '_' } else { c })
        .flat_map(char::to_lowercase)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_terminal_code_in_a_tag_is_written_out() {
        assert_eq!(shown(b"\x1b[2JFT"), "\\u{1b}[2JFT");
        assert_eq!(shown("a\u{202e}b".as_bytes()), "a\\u{202e}b");
        assert_eq!(shown(&[b'a', 0xFF]), "a\u{fffd}");
        assert!(shown(&[b'x'; 9999]).len() < 300);
    }

    #[test]
    fn names_meet_whatever_their_case_and_blanks() {
        assert_eq!(folded_name(" Max-Flow kg_h "), "max_flow_kg_h");
    }
}

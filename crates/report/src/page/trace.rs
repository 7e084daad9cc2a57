//! How to walk a number back: command lines that can be pasted.
//!
//! A meter's name may be anything. In a command line it stands in single quotes unless it is
//! plain, so that no name runs as a command of its own; a name with control characters cannot be
//! typed, and no command is printed for it.
//! Source: POSIX.1-2017, Shell Command Language 2.2.2, single-quotes (from memory).

/// A word of a command line, quoted where needed; `None` = cannot be typed.
pub(crate) fn quoted(word: &str) -> Option<String> {
    let plain = |c: char| c.is_ascii_alphanumeric() || "._-".contains(c);
    if word.chars().any(|c| c.is_control() || is_invisible(c)) {
        return None;
    }
    if !word.is_empty() && !word.starts_with('-') && word.chars().all(plain) {
        return Some(word.into());
    }
    Some(format!("'{}'", word.replace('\'', r"'\''")))
}

/// Characters that turn or hide the text around them.
fn is_invisible(c: char) -> bool {
    matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{FEFF}')
}

#[cfg(test)]
mod tests {
    use super::quoted;

    #[test]
    fn no_name_becomes_a_command() {
        assert_eq!(quoted("FT-3107").as_deref(), Some("FT-3107"));
        assert_eq!(quoted("$(touch x)").as_deref(), Some("'$(touch x)'"));
        assert_eq!(quoted("a'; rm b; '").as_deref(), Some(r"'a'\''; rm b; '\'''"));
        assert_eq!(quoted("-x").as_deref(), Some("'-x'"));
        assert_eq!(quoted("").as_deref(), Some("''"));
        for hidden in ["\u{1b}[2J", "a\nb", "\u{202E}x", "\u{0}"] {
            assert_eq!(quoted(hidden), None, "{hidden:?}");
        }
    }
}

//! Errors as people read them: what, where, what was read, what to do.

use crate::exit::Exit;
use std::fmt;

/// An error that ends a command, in the form of the house: one line that says what, lines that
/// say where, a hint that says what to do.
#[derive(Debug)]
pub struct Message {
    /// Exit code of the command.
    pub exit: Exit,
    /// What is wrong.
    pub what: String,
    /// Where, and what was read.
    pub details: Vec<String>,
    /// What to do.
    pub hint: Option<String>,
}

impl Message {
    /// A message that ends the command with `exit`.
    pub fn new(exit: Exit, what: impl fmt::Display) -> Message {
        Message { exit, what: what.to_string(), details: Vec::new(), hint: None }
    }

    /// A command that could not start.
    pub fn could_not_start(what: impl fmt::Display) -> Message {
        Message::new(Exit::CouldNotStart, what)
    }

    /// Adds a line of detail.
    #[must_use]
    pub fn at(mut self, detail: impl fmt::Display) -> Message {
        self.details.push(detail.to_string());
        self
    }

    /// Adds the hint.
    #[must_use]
    pub fn hint(mut self, hint: impl fmt::Display) -> Message {
        self.hint = Some(hint.to_string());
        self
    }
}

impl fmt::Display for Message {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "error: {}", visible(&self.what))?;
        for detail in &self.details {
            write!(f, "\n  {}", visible(detail))?;
        }
        if let Some(hint) = &self.hint {
            write!(f, "\nhint: {}", visible(hint))?;
        }
        Ok(())
    }
}

impl std::error::Error for Message {}

/// Text from dumps may hold control and bidirectional characters; a terminal must see them as
/// text and never obey them.
pub fn visible(text: &str) -> String {
    text.chars()
        .flat_map(|c| {
            let steers = c.is_control() && c != '\n'
                || matches!(c, '\u{200e}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
            if steers { c.escape_unicode().collect::<Vec<_>>() } else { vec![c] }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_from_a_dump_cannot_steer_the_terminal() {
        assert_eq!(visible("a\u{1b}[2Jb\u{202e}"), "a\\u{1b}[2Jb\\u{202e}");
        assert_eq!(visible("m\u{b3}/h"), "m\u{b3}/h");
    }
}

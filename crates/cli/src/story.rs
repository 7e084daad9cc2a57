//! The story on stderr: one plain line per stage, with time and, at the end, memory.

use crate::message::visible;
use std::io::Write;
use std::time::Instant;

/// Tells one stage.
pub struct Stage {
    name: &'static str,
    start: Instant,
}

/// Begins a stage.
pub fn stage(name: &'static str) -> Stage {
    Stage { name, start: Instant::now() }
}

impl Stage {
    /// Ends the stage with a line that says what it did and how long it took.
    pub fn done(self, what: impl std::fmt::Display) {
        let seconds = self.start.elapsed().as_secs_f64();
        say(format!("{:<9} {what} ({seconds:.1} s)", self.name));
    }
}

/// A line of the story.
///
/// Whoever listened may have gone (`2>&1 | head -1`): the work goes on all the same, so a line
/// that nobody hears is no error.
pub fn say(line: impl std::fmt::Display) {
    let text = format!("{}\n", visible(&line.to_string()));
    let _ = std::io::stderr().lock().write_all(text.as_bytes());
}

/// Peak memory of this process, MiB, where the system tells it.
pub fn peak_memory_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
}

/// `1 dump`, `2,000 dumps`.
pub fn counted(count: u64, thing: &str) -> String {
    format!("{} {thing}{}", grouped(count), if count == 1 { "" } else { "s" })
}

/// `1234567` as `1,234,567`.
pub fn grouped(count: u64) -> String {
    let digits = count.to_string();
    let mut out = String::with_capacity(digits.len() + digits.len() / 3);
    for (index, digit) in digits.chars().enumerate() {
        if index > 0 && (digits.len() - index).is_multiple_of(3) {
            out.push(',');
        }
        out.push(digit);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::grouped;

    #[test]
    fn thousands_are_grouped_from_the_right() {
        assert_eq!(grouped(7), "7");
        assert_eq!(grouped(1_655_544), "1,655,544");
        assert_eq!(grouped(100_000), "100,000");
    }
}

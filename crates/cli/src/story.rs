//! The story on stderr: one plain line per stage, progress while it lasts, problems as they come.
//!
//! Loud:   *quiet* tells problems only, *normal* one line per stage, *verbose* what lies behind
//!         them as well.
//! Bar:    on a terminal a bar with the time left; elsewhere (a schedule's log) one plain line a
//!         minute, without any escape code.
//! Colour: only on a terminal, only the first word of a message, never where `NO_COLOR` is set
//!         (<https://no-color.org>), and never as the only sign.

use crate::message::{Message, visible};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::{IsTerminal, Write};
use std::sync::atomic::{AtomicU8, AtomicU64, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

/// How much is told.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Loudness {
    /// Problems only.
    Quiet,
    /// One line per stage as well.
    #[default]
    Normal,
    /// Details as well.
    Verbose,
}

/// How progress is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, clap::ValueEnum)]
pub enum ProgressKind {
    /// A bar on a terminal, lines elsewhere.
    #[default]
    Auto,
    /// A bar, where there is a terminal.
    Bar,
    /// Plain lines.
    Lines,
    /// Nothing.
    Off,
}

static LOUDNESS: AtomicU8 = AtomicU8::new(Loudness::Normal as u8);
static PROGRESS: Mutex<(ProgressKind, Duration)> =
    Mutex::new((ProgressKind::Auto, Duration::from_secs(60)));

/// The shortest and longest time between two lines, seconds.
const BEATS_S: (f64, f64) = (0.05, 86_400.0);
static BAR: Mutex<Option<ProgressBar>> = Mutex::new(None);

/// Sets how the story is told, once, before anything is.
pub fn tell_as(loudness: Loudness, progress: ProgressKind, every_seconds: f64) {
    LOUDNESS.store(loudness as u8, Ordering::Relaxed);
    // Not a number, below or beyond: the nearest that makes sense.
    let seconds = every_seconds.max(BEATS_S.0).min(BEATS_S.1);
    let every = Duration::from_secs_f64(seconds);
    *PROGRESS.lock().unwrap_or_else(PoisonError::into_inner) = (progress, every);
}

fn at_least(loudness: Loudness) -> bool {
    LOUDNESS.load(Ordering::Relaxed) >= loudness as u8
}

/// Tells one stage.
pub struct Stage {
    name: &'static str,
    start: Instant,
}

/// Begins a stage.
pub fn stage(name: &'static str) -> Stage {
    detail(format!("{name:<9} begins"));
    Stage { name, start: Instant::now() }
}

impl Stage {
    /// Ends the stage with a line that says what it did and how long it took.
    pub fn done(self, what: impl std::fmt::Display) {
        let seconds = self.start.elapsed().as_secs_f64();
        note(format!("{:<9} {what} ({seconds:.1} s)", self.name));
        if let Some(mib) = peak_memory_mib() {
            detail(format!("{:<9} peak memory so far {mib:.0} MiB", self.name));
        }
    }
}

/// A line that a quiet run leaves out: nothing is wrong.
pub fn note(line: impl std::fmt::Display) {
    if at_least(Loudness::Normal) {
        say(line);
    }
}

/// A line that only a verbose run tells.
pub fn detail(line: impl std::fmt::Display) {
    if at_least(Loudness::Verbose) {
        say(line);
    }
}

/// A line that is always told.
///
/// Whoever listened may have gone (`2>&1 | head -1`): the work goes on all the same, so a line
/// that nobody hears is no error.
pub fn say(line: impl std::fmt::Display) {
    write(&visible(&line.to_string()));
}

/// An error with its first word in colour where that is wanted.
pub fn complain(message: &Message) {
    let text = message.to_string();
    match text.strip_prefix("error:").filter(|_| in_colour()) {
        Some(rest) => write(&format!("\u{1b}[1;31merror:\u{1b}[0m{rest}")),
        None => write(&text),
    }
}

fn in_colour() -> bool {
    let unset = std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty());
    let able = std::env::var_os("TERM").is_some_and(|term| term != "dumb");
    unset && able && std::io::stderr().is_terminal()
}

fn write(text: &str) {
    let line = format!("{text}\n");
    let write = || {
        let _ = std::io::stderr().lock().write_all(line.as_bytes());
    };
    // The bar steps aside, so that the line does not land in the middle of it.
    match &*BAR.lock().unwrap_or_else(PoisonError::into_inner) {
        Some(bar) => bar.suspend(write),
        None => write(),
    }
}

/// What progress counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Bytes of dumps.
    Bytes,
    /// Day files.
    Days,
}

/// Progress of a stage, from here until it is dropped.
pub struct Progress {
    shared: Arc<Shared>,
    ticker: Option<JoinHandle<()>>,
}

struct Shared {
    name: &'static str,
    total: u64,
    unit: Unit,
    start: Instant,
    done: AtomicU64,
    /// Counts while a part lasts: the counter's value at its start, and the size of the part.
    within: fn() -> u64,
    part_start: AtomicU64,
    part_size: AtomicU64,
    ended: Mutex<bool>,
    wake: Condvar,
}

/// Begins to show progress. `within` counts on while a part lasts (bytes read so far by anybody).
pub fn progress(name: &'static str, total: u64, unit: Unit, within: fn() -> u64) -> Progress {
    let (kind, every) = *PROGRESS.lock().unwrap_or_else(PoisonError::into_inner);
    let terminal = std::io::stderr().is_terminal();
    let shared = Arc::new(Shared {
        name,
        total,
        unit,
        start: Instant::now(),
        done: AtomicU64::new(0),
        within,
        part_start: AtomicU64::new(0),
        part_size: AtomicU64::new(0),
        ended: Mutex::new(false),
        wake: Condvar::new(),
    });
    let shown = total > 0 && kind != ProgressKind::Off && at_least(Loudness::Normal);
    let bar = terminal && kind != ProgressKind::Lines;
    let wanted = shown && (bar || kind != ProgressKind::Bar);
    let ticker = wanted.then(|| {
        let shared = Arc::clone(&shared);
        std::thread::spawn(move || if bar { draw_bar(&shared) } else { tell_lines(&shared, every) })
    });
    Progress { shared, ticker }
}

impl Progress {
    /// So much more is done.
    pub fn advance(&self, by: u64) {
        self.shared.done.fetch_add(by, Ordering::Relaxed);
    }

    /// A part of a known size begins; what `within` counts from here on belongs to it.
    pub fn begin_part(&self, size: u64) {
        self.shared.part_start.store((self.shared.within)(), Ordering::Relaxed);
        self.shared.part_size.store(size, Ordering::Relaxed);
    }

    /// The part is done, whatever was counted within.
    pub fn end_part(&self) {
        let size = self.shared.part_size.swap(0, Ordering::Relaxed);
        self.advance(size);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        *self.shared.ended.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.shared.wake.notify_all();
        if let Some(ticker) = self.ticker.take() {
            let _ = ticker.join();
        }
    }
}

impl Shared {
    fn position(&self) -> u64 {
        let counted = (self.within)().saturating_sub(self.part_start.load(Ordering::Relaxed));
        let part = counted.min(self.part_size.load(Ordering::Relaxed));
        (self.done.load(Ordering::Relaxed) + part).min(self.total)
    }

    /// Waits; whether the stage has ended meanwhile.
    fn wait(&self, time: Duration) -> bool {
        let ended = self.ended.lock().unwrap_or_else(PoisonError::into_inner);
        let waited = self.wake.wait_timeout_while(ended, time, |ended| !*ended);
        *waited.unwrap_or_else(PoisonError::into_inner).0
    }
}

fn draw_bar(shared: &Shared) {
    let counts = match shared.unit {
        Unit::Bytes => "{bytes}/{total_bytes} ({bytes_per_sec}, {eta} left)",
        Unit::Days => "{pos}/{len} days ({eta} left)",
    };
    let template = format!("{:<9} [{{bar:30}}] {{percent:>3}} % {counts}", shared.name);
    let bar = ProgressBar::with_draw_target(Some(shared.total), ProgressDrawTarget::stderr());
    if let Ok(style) = ProgressStyle::with_template(&template) {
        bar.set_style(style.progress_chars("=> "));
    }
    let slot = || BAR.lock().unwrap_or_else(PoisonError::into_inner);
    *slot() = Some(bar.clone());
    loop {
        bar.set_position(shared.position());
        if shared.wait(Duration::from_millis(200)) {
            break;
        }
    }
    *slot() = None;
    bar.finish_and_clear();
}

fn tell_lines(shared: &Shared, every: Duration) {
    while !shared.wait(every) {
        let (done, elapsed) = (shared.position(), shared.start.elapsed().as_secs_f64());
        note(progress_line(shared.name, shared.unit, done, shared.total, elapsed));
    }
}

/// `import    1.2 of 3.4 GB, 35 %, 21.0 MB/s, about 2 min left`.
fn progress_line(name: &str, unit: Unit, done: u64, total: u64, elapsed_s: f64) -> String {
    let percent = 100.0 * done as f64 / total as f64;
    let rate = done as f64 / elapsed_s.max(1e-3);
    let left = match rate > 0.0 {
        true => format!("about {} left", duration_words((total - done) as f64 / rate)),
        false => "time left not known yet".into(),
    };
    let counts = match unit {
        Unit::Bytes => {
            let scale = if total >= 1_000_000_000 { (1e9, "GB") } else { (1e6, "MB") };
            let of = |bytes: u64| bytes as f64 / scale.0;
            format!(
                "{:.1} of {:.1} {}, {percent:.0} %, {:.1} MB/s",
                of(done),
                of(total),
                scale.1,
                rate / 1e6
            )
        }
        Unit::Days => format!("{done} of {total} days, {percent:.0} %, {rate:.1} days/s"),
    };
    format!("{name:<9} {counts}, {left}")
}

fn duration_words(seconds: f64) -> String {
    match seconds {
        s if s < 90.0 => format!("{s:.0} s"),
        s if s < 5400.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

/// Peak memory of this process, MiB, where the system tells it.
pub fn peak_memory_mib() -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    let kib: f64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kib / 1024.0)
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

/// `1 dump`, `2 dumps`.
pub fn counted(count: usize, what: &str) -> String {
    let ending = if count == 1 { "" } else { "s" };
    format!("{} {what}{ending}", grouped(count as u64))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_is_no_plural() {
        assert_eq!(counted(1, "dump"), "1 dump");
        assert_eq!(counted(0, "dump"), "0 dumps");
        assert_eq!(counted(1200, "dump"), "1,200 dumps");
    }

    #[test]
    fn thousands_are_grouped_from_the_right() {
        assert_eq!(grouped(7), "7");
        assert_eq!(grouped(1_655_544), "1,655,544");
        assert_eq!(grouped(100_000), "100,000");
    }

    #[test]
    fn a_line_of_progress_has_done_total_rate_and_time_left() {
        // 1.2 of 3.6 GB in a minute: 20 MB/s, and 2.4 GB at that rate take two minutes.
        assert_eq!(
            progress_line("import", Unit::Bytes, 1_200_000_000, 3_600_000_000, 60.0),
            "import    1.2 of 3.6 GB, 33 %, 20.0 MB/s, about 2 min left"
        );
        assert_eq!(
            progress_line("features", Unit::Days, 0, 10, 60.0),
            "features  0 of 10 days, 0 %, 0.0 days/s, time left not known yet"
        );
    }

    #[test]
    fn a_part_counts_up_to_its_size_and_no_further() {
        static READ: AtomicU64 = AtomicU64::new(5);
        let progress = progress("import", 100, Unit::Bytes, || READ.load(Ordering::Relaxed));
        progress.begin_part(40);
        assert_eq!(progress.shared.position(), 0);
        READ.store(35, Ordering::Relaxed);
        assert_eq!(progress.shared.position(), 30);
        READ.store(500, Ordering::Relaxed);
        assert_eq!(progress.shared.position(), 40);
        progress.end_part();
        assert_eq!(progress.shared.position(), 40);
        progress.advance(60);
        assert_eq!(progress.shared.position(), 100);
    }
}

//! Throwaway: prints the verdict on each path and how long detection took.
use metersift_import::{SourceSettings, detect};
use std::io::Write;

fn main() {
    for path in std::env::args().skip(1) {
        let settings = SourceSettings { name: "x".into(), ..SourceSettings::default() };
        let started = std::time::Instant::now();
        let found = detect(path.as_ref(), &settings, "Europe/London");
        let ms = started.elapsed().as_secs_f64() * 1e3;
        let mut out = std::io::stdout();
        let _ = match found {
            Ok(found) => {
                let mut text = String::new();
                for guess in &found.guesses {
                    text.push_str(&format!("  {} = {}  # {}{}\n", guess.setting, guess.toml, guess.reason,
                        guess.runner_up.as_ref().map_or(String::new(), |r| format!("; runner-up {r}"))));
                }
                writeln!(out, "{path} {ms:.1} ms\n{text}  {:?}\n  {:?} .. {:?}", found.rows, found.first, found.last)
            }
            Err(error) => writeln!(out, "{path} {ms:.1} ms\n  {error}\n  hint: {}", error.hint()),
        };
    }
}

//! Help, exit codes and the shape of messages.

use crate::support::*;

#[test]
fn help_begins_with_an_example_and_ends_with_the_exit_codes() {
    for flag in ["--help", "-h"] {
        let run = metersift([flag]);
        assert_eq!(run.code, Some(0));
        assert!(run.stdout.starts_with("Example: metersift run"), "{}", run.stdout);
        assert!(run.stdout.contains("the store is in use by another run"), "{}", run.stdout);
    }
}

/// Commands as the program's own help lists them.
fn commands() -> Vec<String> {
    let help = metersift(["--help"]).stdout;
    let lines = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    let names = lines.take_while(|line| !line.is_empty()).filter_map(|line| {
        let name = line.split_whitespace().next()?;
        (line.starts_with("  ") && !line.starts_with("   ") && name != "help").then(|| name.into())
    });
    names.collect()
}

#[test]
fn every_command_begins_its_help_with_an_example() {
    let commands = commands();
    assert!(commands.len() >= 17, "{commands:?}");
    for command in commands {
        for flag in ["--help", "-h"] {
            let run = metersift([command.as_str(), flag]);
            let example = format!("Example: metersift {command}");
            assert!(run.stdout.starts_with(&example), "{command} {flag}: {}", run.stdout);
        }
    }
}

#[test]
fn completions_of_every_shell_know_every_command_and_bash_takes_them() {
    let commands = commands();
    for shell in ["bash", "zsh", "fish", "powershell", "elvish"] {
        let run = metersift(["completions", shell]);
        assert_eq!(run.code, Some(0), "{shell}: {}", run.stderr);
        for command in &commands {
            assert!(run.stdout.contains(command.as_str()), "{shell} lacks {command}");
        }
        let page = std::fs::read_to_string(root().join("docs/operations.md")).expect("a page");
        let told = format!("metersift completions {shell}");
        assert!(shell == "elvish" || page.contains(&told), "the docs lack `{told}`");
    }
    let dir = tempfile::tempdir().expect("a folder");
    let script = dir.path().join("metersift.bash");
    put(&script, metersift(["completions", "bash"]).stdout);
    let ask = "source \"$0\"; COMP_WORDS=(metersift led); COMP_CWORD=1; \
               _metersift metersift led metersift; echo \"${COMPREPLY[*]}\"";
    match std::process::Command::new("bash").args(["-c", ask]).arg(&script).output() {
        Ok(output) => {
            assert_eq!(String::from_utf8_lossy(&output.stdout).trim(), "ledger");
        }
        Err(error) => eprintln!("skipped: no bash here ({error})"),
    }
}

#[test]
fn an_answer_comes_within_a_tenth_of_a_second() {
    let questions: [&[&str]; 4] =
        [&["--help"], &["--version"], &["plan", "--help"], &["completions", "zsh"]];
    for question in questions {
        let best = (0..5)
            .map(|_| {
                let begun = std::time::Instant::now();
                assert_eq!(metersift(question).code, Some(0));
                begun.elapsed()
            })
            .min()
            .expect("five tries");
        assert!(best < std::time::Duration::from_millis(100), "{question:?}: {best:?}");
    }
}

#[test]
fn console_text_is_ascii_and_free_of_escape_codes() {
    let mut texts = vec![metersift(["--help"]).stdout];
    texts.extend(commands().iter().map(|command| metersift([command, "--help"]).stdout));
    let meter = "FT-1101";
    for question in [
        vec!["explain", meter],
        vec!["plan"],
        vec!["plan", "--format", "csv"],
        vec!["ledger"],
        vec!["explain", "NO-SUCH"],
    ] {
        let run = ask(&question);
        texts.extend([run.stdout, run.stderr]);
    }
    for text in texts {
        let odd = text.chars().find(|c| !(*c == '\n' || (' '..='~').contains(c)));
        assert_eq!(odd, None, "{text}");
    }
}

#[test]
fn a_quiet_run_tells_problems_only_and_a_verbose_one_tells_more() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    let stranger = "FT-9.FLOW,2026-03-02T00:00:00Z,1,192\n";
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02") + stranger);
    let site = dir.path().to_string_lossy().into_owned();
    let import = |flag: &str| {
        let _ = std::fs::remove_dir_all(dir.path().join("store"));
        let run = metersift(["import", "--site", &site, flag]);
        assert_eq!(run.code, Some(1), "{}", run.stderr);
        run.stderr
    };
    let (quiet, normal, verbose) = (import("--quiet"), import("--threads=1"), import("-v"));
    assert!(!quiet.contains("import  ") && quiet.contains("FT-9.FLOW"), "{quiet}");
    assert!(normal.contains("import  ") && !normal.contains("begins"), "{normal}");
    assert!(verbose.contains("import    begins") && verbose.contains("peak memory"), "{verbose}");
    assert_eq!(metersift(["import", "--site", &site, "-q", "-v"]).code, Some(2));
}

/// A site whose import takes some seconds.
fn slow_site(dir: &std::path::Path) {
    small_site(dir, "");
    let mut dump = long_dump("2026-01-01");
    for day in 1..300 {
        let day = metersift_model::Day::parse("2026-01-01").expect("a day").plus(day);
        dump.push_str(long_dump(&day.to_string()).split_once('\n').expect("a header").1);
    }
    for copy in 0..6 {
        // The same rows with another value: every dump is read whole.
        put(
            &dir.join(format!("dumps/{copy}.csv")),
            dump.replace(",998.", &format!(",{}.", 990 + copy)),
        );
    }
}

#[test]
fn off_a_terminal_progress_is_plain_lines_with_done_total_rate_and_time_left() {
    let dir = tempfile::tempdir().expect("a folder");
    slow_site(dir.path());
    let site = dir.path().to_string_lossy().into_owned();
    let run = metersift(["import", "--site", &site, "--progress-every", "0.05", "--threads", "1"]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    let lines: Vec<&str> = run.stderr.lines().filter(|line| line.contains(" left")).collect();
    assert!(!run.stderr.contains('\u{1b}') && !run.stderr.contains('\r'), "{}", run.stderr);
    // Two hundred megabytes of text are not read within a twentieth of a second.
    assert!(!lines.is_empty(), "{}", run.stderr);
    for line in lines {
        for part in ["import ", " of ", " MB, ", " %, ", " MB/s, ", "about "] {
            assert!(line.contains(part), "{part} is missing: {line}");
        }
    }
}

#[cfg(target_os = "linux")]
#[test]
fn on_a_terminal_there_is_a_bar_and_no_colour_is_no_colour() {
    let dir = tempfile::tempdir().expect("a folder");
    slow_site(dir.path());
    let program = env!("CARGO_BIN_EXE_metersift");
    let on_terminal = |no_colour: Option<&str>, arguments: &str| {
        let mut shell = std::process::Command::new("script");
        shell.args(["-qec", &format!("{program} {arguments}"), "/dev/null"]);
        shell.env("TERM", "xterm").env_remove("NO_COLOR").env_remove("CLICOLOR_FORCE");
        if let Some(value) = no_colour {
            shell.env("NO_COLOR", value);
        }
        shell.stdin(std::process::Stdio::null());
        let output = shell.output().ok()?;
        Some(String::from_utf8_lossy(&output.stdout).into_owned())
    };
    let site = dir.path().to_string_lossy().into_owned();
    let import = format!("import --threads 1 --site {site}");
    let Some(bar) = on_terminal(None, &import) else {
        eprintln!("skipped: no `script` here to make a terminal");
        return;
    };
    assert!(bar.contains("import    [") && bar.contains(" left)"), "{bar:?}");
    assert!(bar.contains("6 new dumps"), "{bar:?}");
    // Colour is `ESC [ ... m`; where it is not wanted there is none, and the words are the same.
    let colour = |text: &str| {
        text.split("\u{1b}[").skip(1).any(|rest| {
            rest.trim_start_matches(|c: char| c.is_ascii_digit() || c == ';').starts_with('m')
        })
    };
    let wrong = "import --site no-such-site";
    let coloured = on_terminal(None, wrong).expect("as before");
    let plain = on_terminal(Some("1"), wrong).expect("as before");
    assert!(colour(&coloured), "{coloured:?}");
    assert!(!colour(&plain) && plain.contains("error: no site here"), "{plain:?}");
    assert!(!colour(&on_terminal(Some("1"), "--help").expect("as before")));
    assert!(!colour(&metersift(["import", "--site", "no-such-site"]).stderr), "no terminal");
}

#[test]
fn a_slip_of_the_pen_in_a_setting_is_answered_with_the_right_word() {
    let dir = tempfile::tempdir().expect("a folder");
    for (line, right) in [
        ("delimeter = \";\"", "delimiter"),
        ("zone = \"UTC\"\n[rank]\nbugdet = 0.1", "budget"),
        ("[plan]\nperday = 3", "per_day"),
    ] {
        small_site(dir.path(), &format!("{line}\n"));
        let run = on_site("import", dir.path());
        assert_eq!(run.code, Some(2), "{}", run.stderr);
        assert!(run.stderr.contains(&format!("did you mean `{right}`?")), "{}", run.stderr);
    }
    put(&dir.path().join("p.toml"), "description = \"x\"\nstages = [\"featurs\"]\n");
    let pipeline = dir.path().join("p.toml").to_string_lossy().into_owned();
    let run = metersift(["run", &pipeline]);
    assert!(run.stderr.contains("did you mean `features`?"), "{}", run.stderr);
}

#[test]
fn a_feature_setting_out_of_its_span_is_refused_before_anything_is_written() {
    let dir = tempfile::tempdir().expect("a folder");
    for (lines, key) in
        [("[features]\nmax_hold_s = 0.0", "max_hold_s"), ("[rank]\nbudget = 2.0", "budget")]
    {
        small_site(dir.path(), &format!("\n{lines}\n"));
        put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
        let run = run_night(dir.path());
        assert_eq!(run.code, Some(2), "{}", run.stderr);
        assert!(run.stderr.contains(key), "{}", run.stderr);
        assert!(!dir.path().join("store").exists());
    }
}

#[test]
fn an_unknown_argument_and_a_missing_site_could_not_start() {
    assert_eq!(metersift(["import", "--sight", "x"]).code, Some(2));
    let dir = tempfile::tempdir().expect("a folder");
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(2));
    assert!(run.stderr.starts_with("error: no site here"), "{}", run.stderr);
    assert!(run.stderr.contains("hint:"), "{}", run.stderr);
}

#[test]
fn an_unknown_key_of_the_site_file_is_named_with_its_line() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "delimeter = \";\"\n");
    let run = on_site("import", dir.path());
    assert_eq!(run.code, Some(2), "{}", run.stderr);
    assert!(run.stderr.contains("delimeter") && run.stderr.contains("site.toml"), "{}", run.stderr);
}

#[test]
fn scan_says_what_a_dump_holds_and_the_lines_that_settle_it() {
    let dir = tempfile::tempdir().expect("a folder");
    put(&dir.path().join("a.csv"), long_dump("2026-03-02"));
    let site = dir.path().join("site");
    let run = metersift([
        "scan",
        &dir.path().join("a.csv").to_string_lossy(),
        "--write-site",
        &site.to_string_lossy(),
    ]);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    for part in ["long", "utf-8", "delimiter", "FT-1.FLOW", "2026-03-02"] {
        assert!(run.stdout.contains(part), "{part} is missing: {}", run.stdout);
    }
    // The written site takes the dump as it is once register and tags are filled in.
    put(&site.join("records/register.csv"), REGISTER);
    put(&site.join("records/tags.csv"), TAGS);
    let text = std::fs::read_to_string(site.join("site.toml")).expect("a site file");
    put(&site.join("site.toml"), text.replace("rest_seconds = 60", "rest_seconds = 0"));
    let run = on_site("import", &site);
    assert_eq!(run.code, Some(0), "{}", run.stderr);
    assert!(run.stderr.contains("4,320 stored"), "{}", run.stderr);
}

#[test]
fn a_store_of_a_newer_format_is_refused_unchanged() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    let format = dir.path().join("store/format.json");
    let text = std::fs::read_to_string(&format).expect("a format file");
    let first =
        text.lines().next().expect("a first line").replace("\"format\":2", "\"format\":99") + "\n";
    assert!(first.contains("99"), "the format file names its version: {text}");
    let seal = metersift_store::content_hash(first.as_bytes());
    let newer = format!("{first}{{\"hash\":\"{seal}\"}}\n");
    put(&format, newer);
    assert_eq!(on_site("import", dir.path()).code, Some(2));
}

#[test]
fn a_damaged_day_file_is_noticed_before_it_is_used() {
    let dir = tempfile::tempdir().expect("a folder");
    small_site(dir.path(), "");
    put(&dir.path().join("dumps/a.csv"), long_dump("2026-03-02"));
    assert_eq!(on_site("import", dir.path()).code, Some(0));
    let file = dir.path().join("store/samples/day=2026-03-02/bucket=00.parquet");
    let mut bytes = std::fs::read(&file).expect("a day file");
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    put(&file, bytes);
    let check = on_site("check-store", dir.path());
    assert_eq!(check.code, Some(4), "{}", check.stderr);
    assert!(
        check.stderr.contains("2026-03-02") && check.stderr.contains("a.csv"),
        "{}",
        check.stderr
    );
    assert_eq!(on_site("features", dir.path()).code, Some(4));
}

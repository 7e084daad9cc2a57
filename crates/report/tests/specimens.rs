//! Writes the pages and tables that `tests/page/run` shows to a browser, an HTML validator, an
//! accessibility checker and to spreadsheet and table readers; and holds their sizes.

#[allow(dead_code, reason = "each test file uses its own part")]
mod larkmoor;

use larkmoor::hostile::{harmless, night_with, strings};
use metersift_report::{html, meter_page, write_xlsx};
use std::path::{Path, PathBuf};

fn folder() -> PathBuf {
    let named = std::env::var_os("METERSIFT_SPECIMENS").map(PathBuf::from);
    let folder = named.unwrap_or_else(|| Path::new(env!("CARGO_TARGET_TMPDIR")).join("specimens"));
    std::fs::create_dir_all(&folder).expect("a folder can be made");
    folder
}

fn put(name: &str, bytes: impl AsRef<[u8]>) {
    std::fs::write(folder().join(name), bytes).expect("a file can be written");
}

#[test]
fn pages_and_workbooks_of_a_night_are_written_within_their_sizes() {
    let night = larkmoor::night();
    let page = html(&night.input());
    put("night.html", &page);
    let standing = [
        ("Standing", "quiet: the likeliest fault, coating, has probability 0.02".to_string()),
        ("Distance", "0.78 short of the entry to `Clean`".to_string()),
    ];
    let one = meter_page(&night.input(), "FT-8001", &standing).expect("a verdict");
    assert!(one.len() < 40_000, "{} bytes for the page of one meter", one.len());
    put("one-meter.html", one);

    let hostile = night_with(&strings());
    put("hostile.html", html(&hostile.input()));
    put("harmless.html", html(&night_with(&harmless()).input()));
    let mut book = Vec::new();
    write_xlsx(&hostile.lists, Some(&hostile.since), &strings()[17], &mut book, &hostile.card)
        .expect("memory");
    put("hostile.xlsx", book);
    put("hostile.json", serde_json::to_string(&strings()).expect("JSON"));

    let page = html(&larkmoor::night_of(300).input());
    assert!(page.len() < 5_000_000, "{} bytes for 300 listed meters", page.len());
    // Rows, pictures and section of a meter together; the rest is the base.
    let one = html(&larkmoor::night_of(1).input()).len();
    let per_meter = (page.len() - one) / 299;
    assert!(per_meter <= 25_000, "{per_meter} bytes per listed meter");
    assert!(one <= 300_000 + per_meter, "{one} bytes for one listed meter");
    put("three-hundred.html", page);
}

//! Which code a quality column is in.
//!
//! Rule:   a code that only one system has decides: 192 and its like are OPC Classic, codes
//!         with their upper half set are OPC UA. A column of zeros alone is bad in the one and
//!         good in the other, and is refused.

use crate::quality::{QualityRule, code};
use crate::settings::SourceSettings;
use crate::text::shown;
use metersift_model::Quality;
use std::collections::BTreeMap;

/// Of so many cells one may be in no code.
const STRAY: usize = 10;
/// Codes from here on are no OPC Classic word with its server bits.
const HIGH: u32 = 0x1_0000;

/// Codes of OPC Classic without limit bits, and of OPC UA by their two top bits.
pub(super) fn is_quality_code(code: u32) -> bool {
    const CLASSIC: [u32; 17] = [0, 4, 8, 12, 16, 20, 24, 28, 32, 64, 68, 80, 84, 88, 192, 216, 128];
    if code < HIGH { CLASSIC.contains(&(code & 0xFC)) } else { code.trailing_zeros() >= 12 }
}

pub(super) fn quality_word(cell: &[u8]) -> bool {
    let word = String::from_utf8_lossy(cell).to_lowercase();
    ["good", "uncertain", "bad", "questionable", "ok"].contains(&word.as_str())
}

/// Which code the cells of quality columns are in; one cell in ten may be in none, and will be
/// rejected when it is read.
pub(super) fn guess_quality(
    cells: &BTreeMap<Vec<u8>, usize>,
    given: &SourceSettings,
) -> Result<(QualityRule, &'static str, String), String> {
    let count = |test: &dyn Fn(&[u8]) -> bool| -> usize {
        cells.iter().filter(|(cell, _)| test(cell)).map(|(_, n)| n).sum()
    };
    let all = count(&|_| true);
    let mostly = |n: usize| (all - n) * STRAY <= all;
    let seen = || {
        let mut cells: Vec<(&Vec<u8>, &usize)> = cells.iter().collect();
        cells.sort_by_key(|&(_, n)| std::cmp::Reverse(n));
        let texts = cells.iter().take(12).map(|(cell, _)| format!("`{}`", shown(cell)));
        texts.collect::<Vec<String>>().join(", ")
    };
    if !mostly(count(&|cell| code(cell).is_some())) {
        let rule = QualityRule::words(&given.quality_words);
        if mostly(count(&|cell| rule.read(cell).is_some())) {
            return Ok((rule, "words", format!("words {}", seen())));
        }
        let unknown = cells.keys().find(|cell| rule.read(cell).is_none());
        let unknown = unknown.map_or_else(String::new, |cell| shown(cell));
        return Err(format!("the word `{unknown}` is not mapped; seen: {}", seen()));
    }
    let classic = count(&|cell| {
        code(cell).is_some_and(|code| code < HIGH && Quality::from_opc_classic(code).is_good())
    });
    let modern = count(&|cell| code(cell).is_some_and(|code| code >= HIGH));
    match (classic, modern) {
        (0, 0) => Err(format!("codes that mean other things in two systems: {}", seen())),
        (_, 0) => Ok((QualityRule::OpcClassic, "opc_classic", format!("codes {}", seen()))),
        (0, _) => Ok((QualityRule::OpcUa, "opc_ua", format!("codes {}", seen()))),
        _ => Err(format!("codes of two systems: {}", seen())),
    }
}

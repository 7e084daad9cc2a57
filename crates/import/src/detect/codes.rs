//! Which code a quality column is in.
//!
//! Rule:   a code that only one system has decides: 192 and its like are OPC Classic, codes
//!         with their upper half set are OPC UA. A column of zeros alone is bad in the one and
//!         good in the other, and is refused. Codes and words in one column are read each by
//!         its rule: a number is a code, everything else a word.

use super::layout::Roles;
use super::table::Table;
use super::{Detection, toml_text};
use crate::error::ImportError;
use crate::quality::{QualityRule, code};
use crate::settings::{Layout, QualityCode, SourceSettings};
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

/// Cells of quality columns: how often each came, and the first line of it (0 = in a block).
type Seen = BTreeMap<Vec<u8>, (usize, u64)>;

impl Detection<'_> {
    /// How quality is read, and what the columns hold.
    pub(super) fn quality(
        &mut self,
        table: &Table,
        layout: Layout,
        roles: &Roles,
    ) -> Result<QualityRule, ImportError> {
        let columns: Vec<usize> = match layout {
            Layout::Long => roles.quality.into_iter().collect(),
            Layout::Wide => roles.cells.iter().filter_map(|&(_, quality)| quality).collect(),
        };
        let seen = seen_in(table, &columns);
        self.qualities = seen.iter().map(|(cell, &(n, _))| (shown(cell), n)).collect();
        self.qualities.sort_by(|a, b| b.1.cmp(&a.1).then_with(|| a.0.cmp(&b.0)));
        if let Some(set) = self.given.quality {
            let rule = QualityRule::of(set, &self.given.quality_words);
            if columns.is_empty() && rule != QualityRule::None {
                let found = "no column of quality".to_owned();
                return Err(self.conflict(0, "quality", set.name().into(), found));
            }
            self.check_quality(&rule, set, &seen)?;
            self.guess("quality", toml_text(set.name()), "", None, true);
            return Ok(rule);
        }
        if seen.is_empty() {
            let reason =
                if columns.is_empty() { "no column of quality" } else { "the columns are empty" };
            self.guess("quality", toml_text("none"), reason, None, false);
            return Ok(QualityRule::None);
        }
        let (code, reason) = guess_quality(&seen, self.given)
            .map_err(|why| ImportError::UnclearQuality { file: self.file.clone(), why })?;
        self.guess("quality", toml_text(code.name()), &reason, None, false);
        Ok(QualityRule::of(code, &self.given.quality_words))
    }

    /// A rule that is set must read more cells than it does not.
    fn check_quality(
        &self,
        rule: &QualityRule,
        set: QualityCode,
        seen: &Seen,
    ) -> Result<(), ImportError> {
        let all: usize = seen.values().map(|&(n, _)| n).sum();
        let odd: Vec<_> = seen.iter().filter(|(cell, _)| rule.read(cell).is_none()).collect();
        let n: usize = odd.iter().map(|(_, (n, _))| n).sum();
        let Some((cell, (_, line))) =
            odd.iter().max_by_key(|(_, (n, _))| n).filter(|_| n * 2 > all)
        else {
            return Ok(());
        };
        let found = format!("{n} of {all} cells that are not so, such as `{}`", shown(cell));
        Err(self.conflict(*line, "quality", set.name().into(), found))
    }
}

fn seen_in(table: &Table, columns: &[usize]) -> Seen {
    let mut seen = Seen::new();
    for &column in columns.iter().take(200) {
        for (cell, n) in table.distinct(column, 100) {
            let line = table.find(column, &|other| other == cell).map_or(0, |(line, _)| line);
            let entry = seen.entry(cell.to_vec()).or_insert((0, line));
            entry.0 += n;
        }
    }
    seen
}

/// Which code the cells of quality columns are in; one cell in ten may be in none, and will be
/// rejected when it is read. Codes and known words in one column are read each by its rule.
fn guess_quality(seen: &Seen, given: &SourceSettings) -> Result<(QualityCode, String), String> {
    let words = QualityRule::words(&given.quality_words);
    let count = |test: &dyn Fn(&[u8]) -> bool| -> usize {
        seen.iter().filter(|(cell, _)| test(cell)).map(|(_, (n, _))| n).sum()
    };
    let all = count(&|_| true);
    let mostly = |n: usize| (all - n) * STRAY <= all;
    let listed = || {
        let mut cells: Vec<(&Vec<u8>, usize)> = seen.iter().map(|(c, &(n, _))| (c, n)).collect();
        cells.sort_by_key(|&(_, n)| std::cmp::Reverse(n));
        let texts = cells.iter().take(12).map(|(cell, _)| format!("`{}`", shown(cell)));
        texts.collect::<Vec<String>>().join(", ")
    };
    let first = |test: &dyn Fn(&[u8]) -> bool| {
        let fits = seen.iter().filter(|(cell, _)| test(cell));
        let first = fits.min_by_key(|(_, (_, line))| if *line == 0 { u64::MAX } else { *line });
        first.map_or_else(String::new, |(cell, (_, line))| match line {
            0 => format!("`{}`", shown(cell)),
            line => format!("`{}` in line {line}", shown(cell)),
        })
    };
    let (n_codes, n_words) =
        (count(&|cell| code(cell).is_some()), count(&|cell| words.read(cell).is_some()));
    if n_codes == 0 {
        if mostly(n_words) {
            return Ok((QualityCode::Words, format!("words {}", listed())));
        }
        let unknown = first(&|cell| words.read(cell).is_none());
        return Err(format!("the word {unknown} is not mapped; seen: {}", listed()));
    }
    let is_word = |cell: &[u8]| code(cell).is_none();
    if !mostly(n_codes + n_words) {
        let unknown = first(&|cell: &[u8]| is_word(cell) && words.read(cell).is_none());
        let example = first(&|cell| code(cell).is_some());
        return Err(format!(
            "codes such as {example} and words such as {unknown}, which is not mapped"
        ));
    }
    let classic = |cell: &[u8]| {
        code(cell).is_some_and(|code| code < HIGH && Quality::from_opc_classic(code).is_good())
    };
    let modern = |cell: &[u8]| code(cell).is_some_and(|code| code >= HIGH);
    let (n_classic, n_modern) = (count(&classic), count(&modern));
    match (n_classic, n_modern, n_words) {
        (0, 0, 0) => Err(format!("codes that mean other things in two systems: {}", listed())),
        (0, 0, _) => Err(format!(
            "codes such as {}, that mean other things in two systems, and words such as {}",
            first(&|cell| code(cell).is_some()),
            first(&is_word)
        )),
        (1.., 1.., _) => {
            Err(format!("codes of two systems: {} and {}", first(&classic), first(&modern)))
        }
        (_, 0, 0) => Ok((QualityCode::OpcClassic, format!("codes {}", listed()))),
        (_, 0, _) => Ok((
            QualityCode::OpcClassicAndWords,
            format!("codes such as {} and words such as {}", first(&classic), first(&is_word)),
        )),
        (0, _, 0) => Ok((QualityCode::OpcUa, format!("codes {}", listed()))),
        (0, _, _) => Ok((
            QualityCode::OpcUaAndWords,
            format!("codes such as {} and words such as {}", first(&modern), first(&is_word)),
        )),
    }
}

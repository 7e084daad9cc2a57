//! The tags of a dump as one parser knows them, kept from piece to piece.
//!
//! Why:    the tag look-up is the dearest step of a row. What every row needs of a tag is small
//!         and lies close together, so that twenty thousand tags stay in a processor's cache;
//!         bindings that differ in nothing but their series share one [`Rule`].
//! Rule:   what a book remembers makes a piece faster and never other: which parser gets which
//!         book depends on the threads.

use super::plan::{Plan, Table};
use super::{EMPTY_WORD, MAX_WORDS, OTHER_WORDS};
use crate::report::DumpReport;
use crate::settings::Layout;
use crate::tags::{Binding, TagEntry, TagKind};
use crate::text::shown;
use foldhash::{HashMap, HashMapExt};
use memchr::memchr;
use metersift_model::unit::Conversion;
use std::collections::BTreeMap;
use std::sync::Arc;

/// How values of a tag become values of a series, while its binding is in force.
#[derive(Clone, Copy, PartialEq)]
pub(super) struct Rule {
    from_us: i64,
    until_us: i64,
    pub(super) conversion: Conversion,
    /// Whether the conversion changes nothing: -0 stays -0 then.
    pub(super) is_plain: bool,
    /// Lowest and highest value that can be this quantity, in the storage unit.
    pub(super) span: (f64, f64),
}

impl Rule {
    /// A value in the storage unit, if it can be this quantity.
    #[inline]
    pub(super) fn in_span(&self, read: f64) -> Option<f64> {
        let converted = if self.is_plain { read } else { self.conversion.apply(read) };
        let (low, high) = self.span;
        (low..=high).contains(&converted).then_some(converted)
    }
}

/// What a row needs of its tag.
#[derive(Clone, Copy)]
struct Tag {
    /// Start and length of the tag as the dump writes it, in the book's text.
    text: (u32, u32),
    /// The tag that followed it last: recorders write tags in rounds.
    next: u32,
    /// Slot of the binding used last.
    slot: u32,
    /// Its rule; [`NONE`] before the first use.
    rule: u32,
    /// Whether it stands in the text as it is, and what follows it ends it: without quotes,
    /// delimiters and line ends.
    plain: bool,
}

const NONE: u32 = u32::MAX;
/// Rules looked through for an equal one before another is written down.
const RULES_COMPARED: usize = 32;
/// Bytes in which the end of a tag is looked for; a longer one is found the other way.
const LONGEST_SOUGHT: usize = 64;
/// Tags of a book that is kept: several books are, and a dump may hold a million tags.
const MOST_KEPT: usize = 1 << 16;

/// The rest.
struct Details {
    entry: Arc<TagEntry>,
    /// The unit text that was compared last with the binding's, and found the same.
    unit: Vec<u8>,
    words: BTreeMap<Box<[u8]>, u64>,
    out_of_span: u64,
}

/// Tags by number.
pub(super) struct TagBook {
    table: Arc<Table>,
    tags: Vec<Tag>,
    text: Vec<u8>,
    rules: Vec<Rule>,
    details: Vec<Details>,
    by_name: HashMap<Box<[u8]>, u32>,
    last: usize,
    /// Tags with words or values out of span that the report does not know yet.
    noted: Vec<u32>,
    n_words: usize,
}

impl TagBook {
    /// A book for a table; the tags of a wide one stand in its header.
    pub(super) fn new(plan: &Plan<'_>, table: &Arc<Table>) -> TagBook {
        let mut book = TagBook {
            table: Arc::clone(table),
            tags: Vec::new(),
            text: Vec::new(),
            rules: Vec::new(),
            details: Vec::new(),
            by_name: HashMap::new(),
            last: 0,
            noted: Vec::new(),
            n_words: 0,
        };
        if plan.dialect.layout == Layout::Wide {
            let schema = &table.schema;
            for &(value, _) in &schema.cells {
                book.add(plan, schema.names[value].as_bytes());
            }
        }
        book
    }

    /// Whether its tags are those of a table.
    pub(super) fn fits(&self, plan: &Plan<'_>, table: &Arc<Table>) -> bool {
        plan.dialect.layout == Layout::Long
            || Arc::ptr_eq(&self.table, table)
            || *self.table == **table
    }

    fn add(&mut self, plan: &Plan<'_>, raw: &[u8]) -> usize {
        let text = (self.text.len() as u32, raw.len() as u32);
        self.text.extend_from_slice(raw);
        let delimiter = plan.dialect.delimiter;
        let is_plain = |byte: &u8| *byte != delimiter && !matches!(byte, b'"' | b'\r' | b'\n');
        let plain = !raw.is_empty() && raw.iter().all(is_plain);
        self.tags.push(Tag { text, next: 0, slot: 0, rule: NONE, plain });
        self.details.push(Details {
            entry: plan.entry(raw),
            unit: Vec::new(),
            words: BTreeMap::new(),
            out_of_span: 0,
        });
        self.tags.len() - 1
    }

    #[inline]
    fn is(&self, tag: &Tag, raw: &[u8]) -> bool {
        let (start, length) = (tag.text.0 as usize, tag.text.1 as usize);
        length == raw.len() && self.text[start..start + length] == *raw
    }

    /// The number of a tag: the one that followed last time, or by its name.
    #[inline]
    pub(super) fn number(&mut self, plan: &Plan<'_>, raw: &[u8]) -> usize {
        if let Some(last) = self.tags.get(self.last).copied() {
            let next = last.next as usize;
            if self.is(&self.tags[next], raw) {
                self.last = next;
                return next;
            }
            if self.is(&last, raw) {
                return self.last;
            }
        }
        self.number_by_name(plan, raw)
    }

    /// The tag that is to be expected next, if the text begins with it: its number and length.
    #[inline]
    pub(super) fn expected(&self, text: &[u8]) -> Option<(usize, usize)> {
        let begins = |number: usize| {
            let tag = self.tags.get(number)?;
            let (start, length) = (tag.text.0 as usize, tag.text.1 as usize);
            let same = tag.plain && is_same(text.get(..length)?, &self.text[start..start + length]);
            same.then_some((number, length))
        };
        // Tags are numbered as they first came, so the next number is the likeliest. Asking for it
        // first lets a processor look at the next row before it has read what followed last time.
        begins(self.last + 1)
            .or_else(|| begins(self.tags.get(self.last)?.next as usize))
            .or_else(|| begins(self.last))
    }

    /// The tag at the start of a text, by its name: its number and length.
    #[inline]
    pub(super) fn known(&self, text: &[u8], delimiter: u8) -> Option<(usize, usize)> {
        let length = memchr(delimiter, &text[..text.len().min(LONGEST_SOUGHT)])?;
        let number = *self.by_name.get(&text[..length])? as usize;
        self.tags[number].plain.then_some((number, length))
    }

    /// A tag has come.
    #[inline]
    pub(super) fn follow(&mut self, number: usize) {
        if number != self.last + 1 {
            self.tags[self.last].next = number as u32;
        }
        self.last = number;
    }

    fn number_by_name(&mut self, plan: &Plan<'_>, raw: &[u8]) -> usize {
        let number = match self.by_name.get(raw) {
            Some(&number) => number as usize,
            None => {
                let number = self.add(plan, raw);
                self.by_name.insert(raw.into(), number as u32);
                number
            }
        };
        self.tags[self.last].next = number as u32;
        self.last = number;
        number
    }

    /// What is known of a tag.
    pub(super) fn entry(&self, number: usize) -> &Arc<TagEntry> {
        &self.details[number].entry
    }

    /// The tag as messages name it.
    pub(super) fn name(&self, number: usize) -> String {
        self.details[number].entry.name.clone()
    }

    /// Slot and rule of the binding in force, if it is the one used last.
    #[inline]
    pub(super) fn same_binding(&self, number: usize, time_us: i64) -> Option<(u32, Rule)> {
        let tag = &self.tags[number];
        let rule = *self.rules.get(tag.rule as usize)?;
        (rule.from_us..rule.until_us).contains(&time_us).then_some((tag.slot, rule))
    }

    /// Slot and rule of the binding in force.
    #[inline]
    pub(super) fn binding(&mut self, number: usize, time_us: i64) -> Option<(u32, Rule)> {
        match self.same_binding(number, time_us) {
            Some(known) => Some(known),
            None => self.other_binding(number, time_us),
        }
    }

    fn other_binding(&mut self, number: usize, time_us: i64) -> Option<(u32, Rule)> {
        let TagKind::Bound(bindings) = &self.details[number].entry.kind else { return None };
        let binding: &Binding = TagEntry::binding_at(bindings, time_us)?;
        let rule = Rule {
            from_us: binding.from_us,
            until_us: binding.until_us,
            conversion: binding.conversion,
            is_plain: binding.conversion == Conversion::NONE,
            span: binding.span,
        };
        let compared = self.rules.len().saturating_sub(RULES_COMPARED);
        let known = self.rules[compared..].iter().position(|known| *known == rule);
        let place = known.map_or(self.rules.len(), |at| compared + at);
        if place == self.rules.len() {
            self.rules.push(rule);
        }
        let tag = &mut self.tags[number];
        (tag.slot, tag.rule) = (binding.slot, place as u32);
        Some((binding.slot, rule))
    }

    /// Whether this unit text was found to be the binding's before.
    pub(super) fn has_unit(&self, number: usize, text: &[u8]) -> bool {
        self.details[number].unit == text
    }

    /// This unit text is the binding's.
    pub(super) fn found_unit(&mut self, number: usize, text: &[u8]) {
        self.details[number].unit = text.to_vec();
    }

    /// A value that cannot be its quantity.
    pub(super) fn count_out_of_span(&mut self, number: usize) {
        self.note(number);
        self.details[number].out_of_span += 1;
    }

    /// A word in a value cell.
    pub(super) fn count_word(&mut self, number: usize, word: &[u8]) {
        self.note(number);
        let words = &mut self.details[number].words;
        let word = if word.is_empty() { EMPTY_WORD.as_bytes() } else { word };
        let word = &word[..word.len().min(256)];
        if let Some(count) = words.get_mut(word) {
            *count += 1;
        } else if self.n_words < MAX_WORDS {
            self.n_words += 1;
            words.insert(word.into(), 1);
        } else {
            *words.entry(OTHER_WORDS.as_bytes().into()).or_default() += 1;
        }
    }

    fn note(&mut self, number: usize) {
        let details = &self.details[number];
        if details.out_of_span == 0 && details.words.is_empty() {
            self.noted.push(number as u32);
        }
    }

    /// Adds what was counted to a report, and forgets it.
    pub(super) fn tell(&mut self, report: &mut DumpReport) {
        for number in std::mem::take(&mut self.noted) {
            let details = &mut self.details[number as usize];
            let name = shown(details.entry.name.as_bytes());
            for (word, count) in std::mem::take(&mut details.words) {
                let tags = report.bad_words.entry(shown(&word)).or_default();
                *tags.entry(name.clone()).or_default() += count;
            }
            let out_of_span = std::mem::take(&mut details.out_of_span);
            if out_of_span > 0 {
                *report.out_of_span.entry(name).or_default() += out_of_span;
            }
        }
    }

    /// Makes it ready for another piece; says whether it is worth its memory.
    pub(super) fn close(&mut self) -> bool {
        self.n_words = 0;
        self.tags.len() <= MOST_KEPT
    }
}

/// Whether two texts of one length are the same, eight bytes at a time: tags are short, and a call
/// to compare them costs more than the comparison.
#[inline]
fn is_same(one: &[u8], other: &[u8]) -> bool {
    match (one.last_chunk::<8>(), other.last_chunk::<8>()) {
        (Some(one_end), Some(other_end)) => {
            let pairs = one.as_chunks::<8>().0.iter().zip(other.as_chunks::<8>().0);
            one_end == other_end && pairs.into_iter().all(|(one, other)| one == other)
        }
        _ => one.iter().zip(other).all(|(one, other)| one == other),
    }
}

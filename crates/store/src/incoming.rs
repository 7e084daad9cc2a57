//! What an import brought, gathered per unit: pieces of series from spilled runs and from memory,
//! in the order of names and, within a series, of arrival.

use crate::buffer::{Segment, SortedDay};
use crate::spill::{Run, SpilledSegment};
use crate::storage::Storage;
use std::collections::BTreeMap;
use std::sync::Arc;

/// A series of the import, with its names.
#[derive(Clone, Debug)]
pub(crate) struct SeriesName {
    pub meter: Arc<str>,
    pub signal: Arc<str>,
    pub bucket: u32,
}

/// What an import knows about its dumps.
#[derive(Default)]
pub(crate) struct DumpNumbers {
    /// Ledger number by local number; `None` for a dump that was aborted.
    pub ledger: Vec<Option<u32>>,
    /// Whether the same bytes came before, by local number.
    pub known: Vec<bool>,
}

impl DumpNumbers {
    pub(crate) fn any_aborted(&self) -> bool {
        self.ledger.iter().any(Option::is_none)
    }

    /// Whether tellings of this dump may be held already.
    pub(crate) fn is_known(&self, local: usize) -> bool {
        self.known.get(local).copied().unwrap_or(false)
    }

    pub(crate) fn of(&self, local: u32) -> Option<u32> {
        self.ledger.get(local as usize).copied().flatten()
    }
}

/// Where a piece of a series comes from.
#[derive(Clone, Copy)]
pub(crate) enum Source<'a> {
    Spilled(&'a Run, SpilledSegment),
    Memory(&'a SortedDay, Segment),
}

/// Everything an import brought for one unit, by series in the order of names, then by arrival.
pub(crate) struct Incoming<'a> {
    /// Series number and piece.
    pub pieces: Vec<(u32, Source<'a>)>,
    pub names: &'a [SeriesName],
    pub numbers: &'a DumpNumbers,
    /// Where the spilled runs are.
    pub storage: &'a dyn Storage,
}

impl<'a> Incoming<'a> {
    /// Nothing came.
    pub(crate) fn nothing(storage: &'a dyn Storage, numbers: &'a DumpNumbers) -> Incoming<'a> {
        Incoming { pieces: Vec::new(), names: &[], numbers, storage }
    }

    /// Gathers the pieces of every bucket of one day. `ranks` gives each series number its place
    /// in the order of (meter, signal).
    pub(crate) fn by_bucket(
        storage: &'a dyn Storage,
        runs: &'a [Run],
        memory: &'a SortedDay,
        day: i32,
        names: &'a [SeriesName],
        ranks: &[u32],
        numbers: &'a DumpNumbers,
    ) -> BTreeMap<u32, Incoming<'a>> {
        let mut buckets: BTreeMap<u32, Incoming<'a>> = BTreeMap::new();
        let mut add = |series: u32, source| {
            let bucket = names[series as usize].bucket;
            let empty = || Incoming { pieces: Vec::new(), names, numbers, storage };
            buckets.entry(bucket).or_insert_with(empty).pieces.push((series, source));
        };
        for run in runs {
            run.segments(day).iter().for_each(|&s| add(s.series, Source::Spilled(run, s)));
        }
        memory.segments.iter().for_each(|&s| add(s.series, Source::Memory(memory, s)));
        for incoming in buckets.values_mut() {
            // Stable: pieces of one series stay in the order of arrival.
            incoming.pieces.sort_by_key(|&(series, _)| ranks[series as usize]);
        }
        buckets
    }

    /// Readings, those of aborted dumps included.
    pub(crate) fn rows(&self) -> u64 {
        let rows = |source: &Source| match source {
            Source::Spilled(_, segment) => u64::from(segment.rows),
            Source::Memory(_, segment) => segment.rows as u64,
        };
        self.pieces.iter().map(|(_, source)| rows(source)).sum()
    }
}

/// Place of each series number in the order of (meter, signal).
pub(crate) fn ranks(names: &[SeriesName]) -> Vec<u32> {
    let mut order: Vec<u32> = (0..names.len() as u32).collect();
    let key = |i: u32| (&names[i as usize].meter, &names[i as usize].signal);
    order.sort_by(|&a, &b| key(a).cmp(&key(b)));
    let mut ranks = vec![0; names.len()];
    order.iter().enumerate().for_each(|(rank, &series)| ranks[series as usize] = rank as u32);
    ranks
}

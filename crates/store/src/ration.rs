//! How the memory of an import is shared out, so that its peak follows the ceiling and not the
//! density of a day.
//!
//! Reading: readings wait in buffers until they hold [`Ration::buffer_bytes`]; sorting them needs
//!          about as much again.
//! Merging: what was not spilled is there sorted, and beside it row groups that are being merged
//!          or encoded: as many at a time as the rest of the ceiling holds, shared by the units
//!          that run side by side.
//! Limits:  what the program itself and the reading of dumps take is set off first, but never more
//!          than a part of the ceiling: below that a lower ceiling only makes for more spilling.
//!          One group at a time is always held, and a group is as long as a series of a day where
//!          that is longer.

use crate::day_file::GROUP_ROWS;
use crate::layout::Unit;

const MIB: u64 = 1 << 20;
/// What the program takes whatever it reads, memory that the allocator keeps included: measured
/// with a ceiling of 256 MiB, where it makes the peak stay below it (docs/benchmarks).
const PROGRAM_BYTES: u64 = 48 * MIB;
/// Text and readings of the pieces that are being parsed, per thread: eight of 1 MiB, and what
/// comes of them.
const BYTES_PER_THREAD: u64 = 12 * MIB;
/// The part of the ceiling that is left for readings in any case.
const LEAST_SHARE: f64 = 0.6;
/// Share of what is left for buffered readings: sorting needs the same again.
const BUFFER_SHARE: f64 = 0.4;
/// Share of what is left for row groups while days are merged, beside what was not spilled.
const GROUP_SHARE: f64 = 0.5;
/// Rows of a group as it is split off at the latest, where no series is longer.
const SLOT_ROWS: u64 = (GROUP_ROWS + GROUP_ROWS / 4) as u64;
/// Bytes of one row of a group: merged with its telling (29), then as columns with the keys of its
/// names (46), then encoded (4); and what grows by doubling.
const BYTES_PER_ROW: u64 = 56;
/// Groups at a time with which a unit merges one while it encodes another.
const OVERLAPPED: usize = 2;

/// The shares of one import.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Ration {
    left_bytes: u64,
    threads: usize,
    /// Row groups at a time, over all units.
    slots: usize,
}

/// How many groups one unit merges and encodes at a time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Wave {
    pub groups: usize,
    /// Whether the next wave is merged while one is encoded.
    pub overlapped: bool,
}

/// A unit that is to be merged.
pub(crate) struct Load<T> {
    pub unit: Unit,
    /// Rows that came and rows that are there.
    pub rows: u64,
    /// Whether a day file is there.
    pub existing: bool,
    pub work: T,
}

impl Ration {
    pub(crate) fn of(ceiling_bytes: u64, threads: usize) -> Ration {
        let fixed = PROGRAM_BYTES + BYTES_PER_THREAD * threads as u64;
        let least = (ceiling_bytes as f64 * LEAST_SHARE) as u64;
        let left_bytes = ceiling_bytes.saturating_sub(fixed).max(least);
        let groups = left_bytes as f64 * GROUP_SHARE / (SLOT_ROWS * BYTES_PER_ROW) as f64;
        Ration { left_bytes, threads, slots: (groups as usize).max(1) }
    }

    /// Bytes of readings that may wait before they are spilled.
    pub(crate) fn buffer_bytes(&self) -> usize {
        (self.left_bytes as f64 * BUFFER_SHARE) as usize
    }

    /// Cuts units into waves that fit, in their order, and says how each is to run. A unit is never
    /// left out: one that is too large runs alone, with fewer groups at a time.
    pub(crate) fn waves<T>(&self, loads: Vec<Load<T>>) -> Vec<Vec<(Load<T>, Wave)>> {
        let room = self.slots as u64 * SLOT_ROWS;
        // More dense units than threads would only wait for each other.
        let dense = (room / self.threads.max(1) as u64).max(OVERLAPPED as u64 * SLOT_ROWS);
        let mut waves: Vec<Vec<Load<T>>> = Vec::new();
        let mut taken = 0;
        for load in loads {
            let rows = load.rows.min(dense);
            match waves.last_mut() {
                Some(wave) if taken + rows <= room && wave.len() < 2 * self.threads => {
                    wave.push(load);
                    taken += rows;
                }
                _ => {
                    waves.push(vec![load]);
                    taken = rows;
                }
            }
        }
        waves.into_iter().map(|wave| self.share(wave)).collect()
    }

    fn share<T>(&self, wave: Vec<Load<T>>) -> Vec<(Load<T>, Wave)> {
        let large = wave.iter().filter(|load| load.rows > SLOT_ROWS).count().max(1);
        let slots = (self.slots / large).min(OVERLAPPED * self.threads);
        let each = |load: Load<T>| {
            // What is there is decoded a group at a time.
            let slots = slots.saturating_sub(usize::from(load.existing));
            let groups = (slots / OVERLAPPED).max(1);
            (load, Wave { groups, overlapped: slots >= OVERLAPPED })
        };
        wave.into_iter().map(each).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use metersift_model::Day;

    fn loads(rows: &[u64]) -> Vec<Load<()>> {
        let load = |(i, &rows): (usize, &u64)| Load {
            unit: Unit { day: Day(i as i32), bucket: 0 },
            rows,
            existing: false,
            work: (),
        };
        rows.iter().enumerate().map(load).collect()
    }

    fn shape(waves: &[Vec<(Load<()>, Wave)>]) -> Vec<(usize, usize)> {
        let longest = |wave: &Vec<(Load<()>, Wave)>| {
            let most = wave.iter().map(|(_, wave)| wave.groups).max().unwrap_or(0);
            (wave.len(), most)
        };
        waves.iter().map(longest).collect()
    }

    #[test]
    fn groups_in_flight_never_pass_the_ceiling_however_dense_the_days() {
        for mib in [1, 64, 128, 256, 512, 1024, 8192] {
            for threads in [1, 2, 8] {
                let ration = Ration::of(mib * MIB, threads);
                for rows in [1_000, 400_000, 5_000_000, 500_000_000] {
                    for (load, wave) in ration.waves(loads(&[rows; 9])).iter().flatten() {
                        assert!(wave.groups >= 1 && load.rows == rows);
                    }
                    for wave in ration.waves(loads(&[rows; 9])) {
                        let groups = |(load, wave): &(Load<()>, Wave)| {
                            let most = wave.groups * if wave.overlapped { 2 } else { 1 };
                            load.rows.min(most as u64 * SLOT_ROWS)
                        };
                        let flight: u64 = wave.iter().map(groups).sum();
                        let room = ration.slots as u64 * SLOT_ROWS;
                        assert!(flight <= room, "{mib} MiB, {threads} threads: {flight} > {room}");
                    }
                }
            }
        }
    }

    #[test]
    fn small_days_run_side_by_side_and_dense_ones_as_the_ceiling_allows() {
        let dense = [17_000_000; 4];
        let small = [44_000; 4];
        let low = Ration::of(64 * MIB, 2);
        assert_eq!(shape(&low.waves(loads(&dense))), [(1, 1); 4]);
        assert_eq!(shape(&low.waves(loads(&small))), [(4, 1)]);
        let usual = Ration::of(512 * MIB, 2);
        assert_eq!(shape(&usual.waves(loads(&dense))), [(2, 2); 2]);
        let order: Vec<i32> =
            usual.waves(loads(&dense)).iter().flatten().map(|(load, _)| load.unit.day.0).collect();
        assert_eq!(order, [0, 1, 2, 3]);
    }

    #[test]
    fn buffers_grow_with_the_ceiling_and_leave_room_for_sorting_them() {
        let mut last = 0;
        for mib in [1, 4, 64, 128, 256, 512, 1024] {
            let bytes = Ration::of(mib * MIB, 2).buffer_bytes();
            assert!(bytes > last && bytes as u64 * 2 < mib * MIB, "{mib} MiB: {bytes}");
            last = bytes;
        }
    }
}

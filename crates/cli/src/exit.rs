//! Exit codes: a scheduler must be able to tell refused input from a broken store.

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Exit {
    /// All read and judged.
    Done = 0,
    /// Finished, but something was set aside beyond what the site tolerates.
    SetAside = 1,
    /// Could not start; nothing written.
    CouldNotStart = 2,
    /// The store is in use by another run.
    InUse = 3,
    /// The store is damaged; nothing wrong was used.
    Damaged = 4,
    /// Out of room, memory ceiling or I/O error; the store is unchanged.
    Failed = 5,
}

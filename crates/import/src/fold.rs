//! Which pass of a fold a local time belongs to.
//!
//! Why:    when clocks are set back, an hour of local times occurs twice. A tag's own run of
//!         times tells the passes apart: it steps back once. Other tags do not count, because
//!         two recorders may share a file.
//! In:     the local times of one tag inside one fold, in the order of the dump, with the
//!         instants just before and after where there are any.
//! Out:    how many of them belong to the pass that comes first in the file, and which that
//!         is; `None` where the run does not tell. A run without a step is one pass recorded
//!         and one lost, and nothing says which.

/// How a run of times in a fold is to be read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Passes {
    /// Readings of the pass that stands first in the file.
    pub n_first: usize,
    /// Whether the file runs backwards, so that the pass that stands first is the later one.
    pub backwards: bool,
}

/// What is known around a run: instants in µs UTC; `early` is the first reading's first
/// candidate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Around {
    /// The tag's reading before the run.
    pub before_us: Option<i64>,
    /// The tag's reading after the run.
    pub after_us: Option<i64>,
    /// First candidate of the run's first reading.
    pub early_us: i64,
}

/// Decides the passes of one run.
pub fn passes(local_us: &[i64], around: Around) -> Option<Passes> {
    let backwards = direction(local_us, around)?;
    let step = |from: i64, to: i64| if backwards { from - to } else { to - from };
    let steps = || local_us.windows(2).map(|pair| step(pair[0], pair[1]));
    let places = |is_break: fn(i64) -> bool| -> Option<usize> {
        let mut breaks = steps().enumerate().filter(|&(_, step)| is_break(step));
        let place = breaks.next()?.0 + 1;
        breaks.next().is_none().then_some(place)
    };
    let any_back = steps().any(|step| step < 0);
    // Hourly data stand still at the fold instead of stepping back.
    let place = if any_back { places(|step| step < 0) } else { places(|step| step == 0) };
    place.map(|n_first| Passes { n_first, backwards })
}

/// Whether the file runs backwards; `None` when nothing tells.
fn direction(local_us: &[i64], around: Around) -> Option<bool> {
    if let Some(before) = around.before_us {
        return Some(before > around.early_us);
    }
    if let Some(after) = around.after_us {
        return Some(after < around.early_us);
    }
    let rises = local_us.windows(2).filter(|pair| pair[1] > pair[0]).count();
    let falls = local_us.windows(2).filter(|pair| pair[1] < pair[0]).count();
    match (rises, falls) {
        (_, 1) if rises > 1 => Some(false),
        (1, _) if falls > 1 => Some(true),
        (_, 0) if rises > 0 => Some(false),
        (0, _) if falls > 0 => Some(true),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const ASCENDING: Around = Around { before_us: Some(-1), after_us: None, early_us: 0 };
    const BACKWARDS: Around = Around { before_us: None, after_us: Some(-9), early_us: 0 };

    fn first(local: &[i64], around: Around) -> Option<usize> {
        passes(local, around).map(|passes| passes.n_first)
    }

    #[test]
    fn one_step_back_parts_the_passes() {
        assert_eq!(first(&[0, 15, 30, 45, 0, 15, 30, 45], ASCENDING), Some(4));
        assert_eq!(first(&[45, 0], ASCENDING), Some(1));
        assert_eq!(first(&[0, 0], ASCENDING), Some(1));
        // Two readings of one time beside the step are two readings of one pass.
        assert_eq!(first(&[0, 15, 15, 0, 15], ASCENDING), Some(3));
    }

    #[test]
    fn no_step_or_two_steps_tell_nothing() {
        assert_eq!(first(&[0, 15, 30, 45], ASCENDING), None);
        assert_eq!(first(&[15], ASCENDING), None);
        assert_eq!(first(&[15, 0, 15, 0], ASCENDING), None);
        assert_eq!(first(&[0, 0, 0], ASCENDING), None);
    }

    #[test]
    fn a_file_that_runs_backwards_is_parted_at_its_step_forward() {
        let passes = passes(&[45, 30, 15, 0, 45, 30], BACKWARDS).expect("told");
        assert_eq!(passes, Passes { n_first: 4, backwards: true });
        assert_eq!(first(&[30, 15], BACKWARDS), None);
    }

    #[test]
    fn a_run_with_nothing_around_it_is_told_by_itself_or_not_at_all() {
        let alone = Around::default();
        assert_eq!(first(&[0, 15, 30, 0, 15], alone), Some(3));
        assert_eq!(first(&[30, 15], alone), None);
        assert_eq!(first(&[0, 15], alone), None);
    }
}

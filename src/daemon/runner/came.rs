//! How something came to the runner.

use crate::journal::Moment;

/// How something came.
#[derive(Debug, Clone, Copy)]
pub(super) struct Came {
    /// When.
    pub(super) at: Moment,
    /// It had happened so long before, nanoseconds.
    pub(super) age_ns: u64,
    /// It had come before, and still stands.
    pub(super) again: bool,
}

impl Came {
    /// As it happened, for the first time.
    pub(super) fn at(at: Moment) -> Self {
        Self { at, age_ns: 0, again: false }
    }
}

//! The frames that were on disk already when the daemon started.
//!
//! A box sends again what it has no acknowledgement of. One that went out while the
//! daemon was being killed leaves a frame on disk that comes again after the start.
//!
//! Invariant: a frame is known by its counter, its probe and the moment at which it
//! was measured; a button, whose counter no mark bears, by what it marks and the moment
//! at which it was pressed. A moment of an earlier start of the machine is known by the wall
//! clock alone, and not at all where that was not to be trusted.

use std::collections::{BTreeMap, VecDeque};

use super::{REMEMBERED, same_moment};
use crate::engine::event::{Mark, Name, Reading};
use crate::journal::replay::Stamped;

/// Collects the newest of them, in the journal's order.
#[derive(Debug, Default)]
pub struct Newest {
    readings: VecDeque<(u32, Name, Stamped)>,
    marks: VecDeque<(Mark, Stamped)>,
}

impl Newest {
    /// Takes note of a reading of the journal.
    pub fn note(&mut self, reading: &Reading, at: &Stamped) {
        let Some(seq) = reading.seq.and_then(|s| u32::try_from(s).ok()) else { return };
        push(&mut self.readings, (seq, reading.probe.clone(), *at));
    }

    /// Takes note of a mark of the journal.
    pub fn note_mark(&mut self, mark: &Mark, at: &Stamped) {
        push(&mut self.marks, (mark.clone(), *at));
    }

    /// The same on the monotonic clock of this boot; `offset_ns` is wall minus
    /// monotonic time now, where the wall clock is to be trusted.
    pub fn as_of(self, boot: u32, offset_ns: Option<i64>) -> Before {
        let moment = |at: Stamped| {
            // A moment before the machine's start stands at 0.
            let mono_ns = Some(at.mono_ns).filter(|ns| at.boot == boot && *ns > 0);
            let by_wall = || Some(at.wall_ns?.saturating_sub(offset_ns?));
            mono_ns.map(super::signed).or_else(by_wall)
        };
        let marks = self.marks.into_iter().filter_map(|(mark, at)| Some((mark, moment(at)?)));
        let mut before = Before { marks: marks.collect(), ..Before::default() };
        for (seq, probe, at) in self.readings {
            let Some(at_ns) = moment(at) else { continue };
            before.readings.entry(seq).or_default().push((probe, at_ns));
        }
        before
    }
}

fn push<T>(newest: &mut VecDeque<T>, one: T) {
    if newest.len() >= REMEMBERED {
        newest.pop_front();
    }
    newest.push_back(one);
}

/// What was on disk already: probe and moment by the counter, monotonic nanoseconds
/// of this boot; those of an earlier one are negative.
#[derive(Debug, Clone, Default)]
pub struct Before {
    readings: BTreeMap<u32, Vec<(Name, i64)>>,
    marks: Vec<(Mark, i64)>,
}

impl Before {
    /// When that frame was measured, where it is among them. One that comes fresh is
    /// none of them: sent again it would have an age.
    pub(super) fn moment_of(&self, seq: u32, probe: &str, at_ns: i64, age_ns: i64) -> Option<i64> {
        let same = |(theirs, kept_ns): &&(Name, i64)| {
            &**theirs == probe && age_ns > 0 && same_moment(*kept_ns, at_ns, age_ns)
        };
        self.readings.get(&seq)?.iter().find(same).map(|(_, kept_ns)| *kept_ns)
    }

    /// When that mark was made, where it is among them: by a button that was pressed at
    /// that moment.
    pub(super) fn moment_of_mark(&self, mark: &Mark, at_ns: i64, age_ns: i64) -> Option<i64> {
        let same = |(theirs, kept_ns): &&(Mark, i64)| {
            theirs == mark && age_ns > 0 && same_moment(*kept_ns, at_ns, age_ns)
        };
        self.marks.iter().find(same).map(|(_, kept_ns)| *kept_ns)
    }

    /// The box began anew: it sends none of them again.
    pub(super) fn forget(&mut self) {
        *self = Self::default();
    }
}

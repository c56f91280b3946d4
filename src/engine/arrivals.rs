//! The order in which a probe's readings come, and the order in which they were
//! taken.
//!
//! A box that kept its readings while the line was down sends them between those of
//! now, or after them. They are told by the probe's own newest reading, on the
//! monotonic clock or the wall's, so that ticks and other probes change nothing.
//! What comes alone after a silence is newer than what came before it, and is taken
//! as the day goes on.

use std::collections::BTreeMap;

use super::event::{Name, Reading, Stamp};
use super::time::Timeline;

/// A reading that was taken so much before the newest of its probe is of then,
/// seconds: what a radio or a broker turns round is less.
const OF_THEN_S: f64 = 5.0;

/// When a probe's readings were taken: the newest that was of now.
#[derive(Debug, Default)]
pub(super) struct Arrivals {
    newest: BTreeMap<Name, Taken>,
}

#[derive(Debug, Clone, Copy)]
struct Taken {
    /// Engine second by its own stamp.
    at_s: f64,
    wall_ns: Option<i64>,
}

impl Arrivals {
    /// Whether a reading is of then: the trend has gone on without it.
    pub fn is_of_then(&self, r: &Reading, stamp: &Stamp, time: &Timeline) -> bool {
        let Some(newest) = self.newest.get(&r.probe) else { return false };
        let by_mono_s = time.second_of(stamp).map(|at_s| newest.at_s - at_s);
        let by_wall_s = newest.wall_ns.zip(stamp.wall_ns).map(|(new, own)| seconds_from(own, new));
        by_mono_s.into_iter().chain(by_wall_s).any(|before_s| before_s > OF_THEN_S)
    }

    /// Takes in a reading that is of now; what there is to remark on it.
    pub fn take(&mut self, r: &Reading, stamp: &Stamp, time: &Timeline) -> Option<String> {
        let before = self.newest.get(&r.probe).and_then(|newest| newest.wall_ns);
        let at_s = time.second_of(stamp).unwrap_or(time.now_s());
        self.newest.insert(r.probe.clone(), Taken { at_s, wall_ns: stamp.wall_ns.or(before) });
        let after_s = seconds_from(before?, stamp.wall_ns?);
        if stamp.wall_ns == before {
            return Some(format!("{}: a second reading at the same instant; both are kept", r.probe));
        }
        (after_s < 0.0).then(|| turned(&r.probe, -after_s))
    }

    /// What there is to remark on a reading of then.
    pub fn remark(&self, r: &Reading, stamp: &Stamp) -> Option<String> {
        let newest_ns = self.newest.get(&r.probe)?.wall_ns?;
        Some(turned(&r.probe, seconds_from(stamp.wall_ns?, newest_ns)))
    }

    /// The clock was set: what it said before tells nothing of what it says now.
    pub fn clock_was_set(&mut self) {
        for taken in self.newest.values_mut() {
            taken.wall_ns = None;
        }
    }
}

fn turned(probe: &Name, by_s: f64) -> String {
    format!("{probe}: a reading {by_s:.1} s before the last one; kept in the order it came")
}

fn seconds_from(from_ns: i64, to_ns: i64) -> f64 {
    to_ns.saturating_sub(from_ns) as f64 * 1e-9
}

//! How far a box's counter goes from one reading of a probe to its next.
//!
//! A box with several probes counts all that it sends with one counter: of two
//! probes read in turn each sees every second count, and nothing is lost. What
//! tells a loss is a step longer than this probe's usual one.
//!
//! Terms: the *stride* is the usual step of this probe's own counts.
//!
//! Invariants. The stride is one that was seen at least twice of late, and
//! nearly the shortest, so that losses as they come, here and there, never pass
//! for it. It grows only where the readings come as often as before (a probe was
//! added to the box): where they come as much more rarely, they are lost.
//!
//! Deliberately absent: which probes hang on one box. Nobody says so.

/// So many steps are looked back on.
const STEPS: usize = 8;
/// So many are needed before a stride is taken from them.
const ENOUGH: usize = 4;
/// Readings come more rarely from this many times the interval on.
const RARER: f64 = 1.5;

/// Learns one probe's stride.
#[derive(Debug, Clone)]
pub(super) struct Stride {
    /// The last steps and how long they took, seconds; the oldest is written over.
    recent: [(u64, f64); STEPS],
    /// Steps taken since the box began.
    taken: usize,
    usual: u64,
    /// How long a stride takes, seconds, where that is known.
    takes_s: Option<f64>,
}

impl Default for Stride {
    fn default() -> Self {
        Self { recent: [(0, 0.0); STEPS], taken: 0, usual: 1, takes_s: None }
    }
}

impl Stride {
    /// How many of this probe's readings a step passes over.
    pub(super) fn lost(&self, step: u64) -> u64 {
        (step / self.usual.max(1)).saturating_sub(1)
    }

    /// Learns from a step that took so long, seconds.
    pub(super) fn learn(&mut self, step: u64, took_s: f64) {
        if let Some(place) = self.recent.get_mut(self.taken % STEPS) {
            *place = (step, took_s);
        }
        self.taken = self.taken.saturating_add(1);
        if self.taken < ENOUGH {
            return;
        }
        let (mut steps, mut times) = (self.recent.map(|r| r.0), self.recent.map(|r| r.1));
        let seen = self.taken.min(STEPS);
        let short = second(&mut steps[..seen], u64::cmp).unwrap_or(1);
        let took_s = second(&mut times[..seen], f64::total_cmp).unwrap_or(0.0);
        let rarer = self.takes_s.is_some_and(|s| s > 0.0 && took_s > RARER * s);
        if short <= self.usual || !rarer {
            (self.usual, self.takes_s) = (short, Some(took_s));
        }
    }

    /// The box began anew, and may have other probes and another pace.
    pub(super) fn began_anew(&mut self) {
        (self.taken, self.takes_s) = (0, None);
    }
}

/// The second in order: nearly the shortest, and no single odd one.
fn second<T: Copy>(of: &mut [T], by: fn(&T, &T) -> std::cmp::Ordering) -> Option<T> {
    of.sort_unstable_by(by);
    of.get(1).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is lost of the last `count` steps, each `(step, seconds)`.
    fn check(steps: impl IntoIterator<Item = (u64, f64)>, count: usize, lost: u64) {
        let mut stride = Stride::default();
        let all: Vec<u64> = steps
            .into_iter()
            .map(|(step, took_s)| {
                let lost = stride.lost(step);
                stride.learn(step, took_s);
                lost
            })
            .collect();
        assert_eq!(all.iter().rev().take(count).sum::<u64>(), lost, "{all:?}");
    }

    fn of(step: u64, took_s: f64, times: usize) -> Vec<(u64, f64)> {
        vec![(step, took_s); times]
    }

    #[test]
    fn a_counter_that_probes_share_is_no_loss() {
        for probes in [1, 2, 3, 8] {
            check(of(probes, 1.0, 40), 36, 0);
        }
        // A button in between, and a turn that two probes changed.
        check([of(2, 1.0, 20), of(3, 1.0, 1), of(2, 1.0, 4), of(1, 1.0, 1), of(2, 1.0, 4)].concat(), 10, 0);
        // A probe is added, and taken away again.
        check([of(1, 1.0, 20), of(2, 1.0, 30)].concat(), 20, 0);
        check([of(3, 1.0, 20), of(2, 1.0, 30)].concat(), 30, 0);
    }

    #[test]
    fn what_is_lost_of_one_probe_is_lost() {
        check([of(2, 1.0, 20), of(4, 2.0, 1), of(2, 1.0, 3)].concat(), 4, 1);
        check([of(1, 1.0, 20), of(5, 5.0, 1)].concat(), 1, 4);
        // Two of three come, in a steady beat; every second one, for ever.
        check([[(2, 1.0), (4, 2.0)]; 20].concat(), 20, 10);
        check([of(2, 1.0, 20), of(4, 2.0, 100)].concat(), 100, 100);
    }
}

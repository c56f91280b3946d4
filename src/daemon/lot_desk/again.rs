//! What the disk kept the lots from doing, and when that is tried again.
//!
//! A make that ended while its lot could not be sealed waits here, and what
//! comes of its kettle after it waits behind it, so that no make is recorded
//! into the former one's lot.
//!
//! Invariant: what is tried in vain is tried ever more rarely, since drawing a
//! lot reads the journal's days.
//!
//! Deliberately absent: what a person asked; who asked hears that it failed.

use std::collections::VecDeque;

use super::{LotDesk, news};
use crate::daemon::outlet::LotNews;
use crate::engine::effect::Effect;
use crate::engine::event::Name;
use crate::lot::at::At;
use crate::lot::store::LotError;

/// The first wait, and the longest, nanoseconds of wall time.
const FIRST_NS: i64 = 30_000_000_000;
const LONGEST_NS: i64 = 3_600_000_000_000;

/// A make's beginning or end that waits.
#[derive(Debug)]
pub(super) struct Turn {
    /// What the engine said.
    pub(super) effect: Effect,
    /// Who ended the make, where a person did.
    pub(super) by: Option<Name>,
    /// When that came: its lot is closed as of then.
    pub(super) came: At,
}

/// What waits for the disk.
#[derive(Debug, Default)]
pub(super) struct Again {
    turns: VecDeque<Turn>,
    /// Something failed since it was tried last.
    failed: bool,
    /// It is being tried just now.
    trying: bool,
    wait_ns: i64,
    /// When it is tried next.
    due_ns: Option<i64>,
}

impl Again {
    /// Something failed at `now_ns`: whether it can be tried again.
    pub(super) fn failed(&mut self, why: &LotError, now_ns: i64) -> bool {
        let disk = matches!(why, LotError::Io { .. } | LotError::Journal(_));
        if disk {
            self.failed = true;
            if !self.trying && self.due_ns.is_none() {
                self.put_off(now_ns);
            }
        }
        disk
    }

    fn put_off(&mut self, now_ns: i64) {
        self.wait_ns = (self.wait_ns * 2).clamp(FIRST_NS, LONGEST_NS);
        self.due_ns = Some(now_ns.saturating_add(self.wait_ns));
    }

    /// A make's beginning or end that has to wait.
    pub(super) fn wait(&mut self, turn: Turn) {
        self.turns.push_back(turn);
    }

    /// Whether something of that kettle waits.
    pub(super) fn has(&self, kettle: &Name) -> bool {
        self.turns.iter().any(|turn| turn.effect.kettle == *kettle)
    }

    /// The disk is well again: nothing needs to wait any longer.
    pub(super) fn hurry(&mut self) {
        self.wait_ns = 0;
        self.due_ns = self.due_ns.map(|_| i64::MIN);
    }

    /// The turns that wait, in their order, where it is time to try again.
    pub(super) fn due(&mut self, now_ns: i64) -> Option<Vec<Turn>> {
        // A clock that was set back must not put it off for longer than meant.
        let due = self.due_ns.is_some_and(|at| now_ns >= at || at - now_ns > LONGEST_NS);
        due.then(|| {
            (self.due_ns, self.failed, self.trying) = (None, false, true);
            self.turns.drain(..).collect()
        })
    }

    /// What was tried is done, or not yet.
    pub(super) fn tried(&mut self, done: bool, now_ns: i64) {
        self.trying = false;
        if self.failed || !done {
            self.put_off(now_ns);
        } else {
            self.wait_ns = 0;
        }
    }
}

impl LotDesk {
    /// Tries again what the disk kept from being done, where it is time to.
    pub fn try_again(&mut self, now: At) -> Vec<LotNews> {
        let Some(turns) = self.again.due(now.0) else { return Vec::new() };
        let finished = self.lots.try_again();
        let done = finished.is_ok() && self.lots.troubles().is_empty();
        let mut all_news = Vec::new();
        for one in finished.unwrap_or_default() {
            tracing::info!("{}", one.text);
            all_news.extend(news(&one));
        }
        for turn in turns {
            if self.again.has(&turn.effect.kettle) {
                self.again.wait(turn);
            } else {
                all_news.extend(self.make_unless_done(turn, now));
            }
        }
        self.again.tried(done, now.0);
        all_news
    }

    /// The disk is well again.
    pub fn store_is_well(&mut self) {
        self.again.hurry();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_tried_in_vain_is_tried_ever_more_rarely() {
        const S: i64 = 1_000_000_000;
        let io = std::io::Error::from(std::io::ErrorKind::StorageFull);
        let full = LotError::Io { what: "cannot write", path: "x".into(), source: io };
        let mut again = Again::default();
        assert!(again.due(0).is_none(), "nothing failed");
        assert!(!again.failed(&LotError::NoSigner, 0));
        assert!(again.due(i64::MAX).is_none(), "no disk is to blame");
        assert!(again.failed(&full, 0));
        assert!(again.due(29 * S).is_none());
        assert!(again.due(30 * S).is_some());
        again.tried(false, 30 * S);
        assert!(again.due(89 * S).is_none());
        assert!(again.due(90 * S).is_some());
        again.tried(false, 90 * S);
        again.hurry();
        assert!(again.due(91 * S).is_some(), "the disk is well again");
        again.tried(true, 91 * S);
        assert!(again.due(i64::MAX).is_none(), "done");
    }
}

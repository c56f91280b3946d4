//! Whether the wall clock is to be believed.
//!
//! A clock is not believed while it was never set, nor while it stands before
//! what the journal knew already and the time since: a machine without a battery
//! comes back with the time of its last shutdown, and is as wrong an hour later.
//! It is believed again once it has caught up, or once it was *set in our
//! sight*: whoever did that, a clock service or a person, knows better than a
//! journal whose clock may once have been ahead.
//!
//! Invariant: what is believed stays believed until the clock is set anew; the
//! journal's bound may only ever be met later.

use super::clock::{NEVER_SET_BEFORE_NS, Now};

/// Judges the wall clock, look by look.
#[derive(Debug)]
pub struct Trust {
    /// The least that wall minus monotonic time must be, nanoseconds.
    least_offset_ns: Option<i64>,
    sure: bool,
}

impl Trust {
    /// At the start, with the last wall time that the journal trusted.
    ///
    /// ```
    /// use curdtrace::daemon::clock::Now;
    /// use curdtrace::daemon::trust::Trust;
    /// let summer = 1_752_465_929_000_000_000;
    /// let behind = Now { mono_ns: 0, wall_ns: summer - 60_000_000_000 };
    /// assert!(!Trust::from(Some(summer), behind).is_sure());
    /// assert!(Trust::from(None, behind).is_sure());
    /// ```
    pub fn from(newest_wall_ns: Option<i64>, now: Now) -> Self {
        let offset_then = |newest| Now { wall_ns: newest, ..now }.offset_ns();
        let mut trust = Self { least_offset_ns: newest_wall_ns.map(offset_then), sure: false };
        trust.look(now);
        trust
    }

    /// Time went on; the clock may have been slewed to where it should be.
    pub fn look(&mut self, now: Now) {
        self.sure = self.sure || self.can_be(now);
    }

    /// The clock was set in our sight.
    pub fn set(&mut self, now: Now) {
        self.least_offset_ns = None;
        self.sure = self.can_be(now);
    }

    /// Whether it is believed.
    pub fn is_sure(&self) -> bool {
        self.sure
    }

    fn can_be(&self, now: Now) -> bool {
        now.wall_ns >= NEVER_SET_BEFORE_NS
            && self.least_offset_ns.is_none_or(|least| now.offset_ns() >= least)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: i64 = 1_000_000_000;
    const SUMMER_NS: i64 = 1_752_465_929_000_000_000;

    fn at(mono_s: u64, wall_s: i64) -> Now {
        Now { mono_ns: mono_s * 1_000_000_000, wall_ns: SUMMER_NS + wall_s * S }
    }

    #[test]
    fn a_clock_behind_the_journal_does_not_come_right_by_waiting() {
        let mut trust = Trust::from(Some(SUMMER_NS), at(10, -3600));
        assert!(!trust.is_sure());
        trust.look(at(10 + 7200, 3600));
        assert!(!trust.is_sure(), "two hours on it is an hour behind as before");
        // Slewed meanwhile, it has caught up; slewed back a little it stays so.
        trust.look(at(10 + 7300, 7300));
        assert!(trust.is_sure());
        trust.look(at(10 + 7400, 7399));
        assert!(trust.is_sure());
    }

    #[test]
    fn a_clock_set_in_our_sight_is_believed_where_it_is_a_date() {
        // The journal was once 400 days ahead.
        let mut trust = Trust::from(Some(SUMMER_NS + 400 * 86_400 * S), at(10, 0));
        assert!(!trust.is_sure());
        trust.set(at(20, 12));
        assert!(trust.is_sure());
        trust.set(Now { mono_ns: 30 * 1_000_000_000, wall_ns: 30 * S });
        assert!(!trust.is_sure(), "1970 is no date");
        trust.look(at(40, 32));
        assert!(trust.is_sure());
    }
}

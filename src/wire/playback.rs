//! Stamps for a stream of lines that carries only wall time, as a plain file
//! of readings does.
//!
//! Monotonic time follows the wall forward. A line before the last one is out
//! of order and stands still; where three in a row go on from an earlier time,
//! the clock was set back. A leap of more than a week forward is a clock that
//! was set right.

use crate::engine::event::Stamp;

/// A leap forward longer than this is a clock that was set, nanoseconds.
const LEAP_NS: i64 = 7 * 86_400 * 1_000_000_000;
/// What passes at a clock step, nanoseconds: nobody knows; a second.
const UNKNOWN_NS: u64 = 1_000_000_000;
/// Lines that must go on from an earlier time for the clock to have been set.
const GOES_ON: u32 = 3;

/// What a line's time means.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Played {
    /// The stamp.
    pub stamp: Stamp,
    /// The clock was set before this line: new time minus old, nanoseconds.
    pub step_ns: Option<i64>,
}

/// The stream's clock.
#[derive(Debug, Default)]
pub struct Playback {
    mono_ns: u64,
    latest_ns: Option<i64>,
    /// Lines in a row behind `latest_ns`, and the last of them.
    behind: Option<(u32, i64)>,
}

impl Playback {
    /// The stamp of a line at `wall_ns`.
    pub fn take(&mut self, wall_ns: i64) -> Played {
        let mut step_ns = None;
        if let Some(latest) = self.latest_ns {
            let ahead = wall_ns.saturating_sub(latest);
            if ahead > LEAP_NS {
                self.mono_ns += UNKNOWN_NS;
                step_ns = Some(ahead);
            } else if ahead >= 0 {
                self.mono_ns += ahead.unsigned_abs();
            } else {
                let goes_on = self.behind.filter(|b| wall_ns >= b.1).map_or(1, |b| b.0 + 1);
                self.behind = Some((goes_on, wall_ns));
                if goes_on < GOES_ON {
                    return self.played(wall_ns, None);
                }
                self.mono_ns += UNKNOWN_NS;
                step_ns = Some(ahead);
            }
        }
        self.behind = None;
        self.latest_ns = Some(wall_ns);
        self.played(wall_ns, step_ns)
    }

    /// The stamp of what comes after the last line.
    pub fn now(&self) -> Stamp {
        Stamp { boot: 1, mono_ns: self.mono_ns, wall_ns: self.latest_ns }
    }

    fn played(&self, wall_ns: i64, step_ns: Option<i64>) -> Played {
        Played { stamp: Stamp { boot: 1, mono_ns: self.mono_ns, wall_ns: Some(wall_ns) }, step_ns }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: i64 = 1_000_000_000;

    fn monos(walls: &[i64]) -> Vec<u64> {
        let mut p = Playback::default();
        walls.iter().map(|w| p.take(w * S).stamp.mono_ns / 1_000_000_000).collect()
    }

    #[test]
    fn one_line_out_of_order_turns_nothing_back() {
        assert_eq!(monos(&[100, 101, 99, 102, 103]), [0, 1, 1, 2, 3]);
    }

    #[test]
    fn a_clock_set_back_goes_on_from_there() {
        assert_eq!(monos(&[5000, 5001, 1000, 1001, 1002, 1003]), [0, 1, 1, 1, 2, 3]);
    }

    #[test]
    fn a_clock_set_right_is_no_gap_of_fifty_years() {
        assert_eq!(monos(&[5, 6, 1_600_000_000, 1_600_000_001]), [0, 1, 2, 3]);
    }
}

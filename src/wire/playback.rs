//! Stamps for a stream of lines that carries only wall time, as a plain file
//! of readings does.
//!
//! Monotonic time follows the wall forward. A line before the last one is out
//! of order and stands still; where three in a row go on from an earlier time,
//! the clock was set back. A little back it takes more of them: a radio or a broker
//! turns whole handfuls round. But a reading that was there already, or that its box
//! counted before the newest, was sent again or kept back, and says nothing of the
//! clock. A leap of more than a week forward is a clock that was set right, and so is
//! one of more than twenty minutes in which the box counted no reading.

use std::collections::{BTreeMap, VecDeque};

use crate::engine::event::{Name, Reading, Stamp};

/// A leap forward longer than this is a clock that was set, nanoseconds.
const LEAP_NS: i64 = 7 * 86_400 * 1_000_000_000;
/// A leap in which the box counted none is a clock that was set where it is longer than
/// this, nanoseconds; the box counts at most so many meanwhile.
const COUNTED_LEAP_NS: i64 = 1200 * 1_000_000_000;
const COUNTED: u64 = 3;
/// What passes at a clock step, nanoseconds: nobody knows; a second.
const UNKNOWN_NS: u64 = 1_000_000_000;
/// Lines that must go on from an earlier time for the clock to have been set.
const GOES_ON: u32 = 3;
/// And where it is no more than this back, nanoseconds.
const LITTLE_NS: i64 = 120 * 1_000_000_000;
const GOES_ON_A_LITTLE_BACK: u32 = 24;

/// So many readings are looked back on for one that comes again.
const LOOKED_BACK: usize = 8192;
/// A box's counter tells when a reading was taken to within this share of the time
/// since, and so many seconds.
const COUNTS_WITHIN: f64 = 0.15;
const COUNTS_WITHIN_S: f64 = 20.0;

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
    /// Power cuts so far, as far as the clock tells.
    boots: u32,
    mono_ns: u64,
    latest_ns: Option<i64>,
    /// Lines in a row behind `latest_ns`, and the last of them.
    behind: Option<(u32, i64)>,
    /// The last readings: when they were taken, and what they read.
    read: VecDeque<(i64, u64)>,
    /// Each probe's counter.
    counters: BTreeMap<Name, Counter>,
}

/// What a probe's counter had come to, and when.
#[derive(Debug, Clone, Copy)]
struct Counter {
    first: (u64, i64),
    newest: (u64, i64),
}

impl Counter {
    /// Whether a reading with that count was taken about then, before the newest.
    fn bears_out(&self, (count, wall_ns): (u64, i64)) -> bool {
        let counts = |from: u64, to: u64| to.checked_sub(from).filter(|n| *n > 0).map(|n| n as f64);
        let (Some(ever), Some(ago)) = (counts(self.first.0, self.newest.0), counts(count, self.newest.0))
        else {
            return false;
        };
        let seconds = |from: i64, to: i64| to.saturating_sub(from) as f64 * 1e-9;
        let expected_s = ago * seconds(self.first.1, self.newest.1) / ever;
        let before_s = seconds(wall_ns, self.newest.1);
        (before_s - expected_s).abs() <= COUNTS_WITHIN * expected_s + COUNTS_WITHIN_S
    }
}

impl Playback {
    /// The stamp of a line at `wall_ns`; of a `reading`, where it is one.
    pub fn take(&mut self, wall_ns: i64, reading: Option<&Reading>) -> Played {
        let counts_on = reading.is_some_and(|r| self.counts_on(r));
        if let Some(reading) = reading {
            if self.latest_ns.is_some_and(|latest| wall_ns < latest) && self.is_of_before(wall_ns, reading) {
                return self.played(wall_ns, None);
            }
            self.remember(wall_ns, reading);
        }
        let mut step_ns = None;
        if let Some(latest) = self.latest_ns {
            let ahead = wall_ns.saturating_sub(latest);
            if ahead > LEAP_NS || (counts_on && ahead > COUNTED_LEAP_NS) {
                self.mono_ns += UNKNOWN_NS;
                step_ns = Some(ahead);
            } else if ahead >= 0 {
                self.mono_ns += ahead.unsigned_abs();
            } else {
                let goes_on = self.behind.filter(|b| wall_ns >= b.1).map_or(1, |b| b.0 + 1);
                self.behind = Some((goes_on, wall_ns));
                if goes_on < (if ahead > -LITTLE_NS { GOES_ON_A_LITTLE_BACK } else { GOES_ON }) {
                    return self.played(wall_ns, None);
                }
                self.mono_ns += UNKNOWN_NS;
                step_ns = Some(ahead);
            }
            // One that begins in 1970 began after a power cut, and one that leaves it was set.
            self.boots += u32::from(!(-LEAP_NS..=LEAP_NS).contains(&ahead));
        }
        self.behind = None;
        self.latest_ns = Some(wall_ns);
        self.played(wall_ns, step_ns)
    }

    /// Whether a reading was there already, or was counted when it says.
    fn is_of_before(&self, wall_ns: i64, r: &Reading) -> bool {
        let counted = r.seq.zip(self.counters.get(&r.probe));
        counted.is_some_and(|(count, counter)| counter.bears_out((count, wall_ns)))
            || self.read.contains(&(wall_ns, read(r)))
    }

    /// Whether its box has counted on from the last one, with none between.
    fn counts_on(&self, r: &Reading) -> bool {
        let counted = r.seq.zip(self.counters.get(&r.probe)).and_then(|(now, c)| now.checked_sub(c.newest.0));
        counted.is_some_and(|n| (1..=COUNTED).contains(&n))
    }

    fn remember(&mut self, wall_ns: i64, r: &Reading) {
        if self.read.len() == LOOKED_BACK {
            self.read.pop_front();
        }
        self.read.push_back((wall_ns, read(r)));
        let Some(newest) = r.seq.map(|count| (count, wall_ns)) else { return };
        match self.counters.get_mut(&r.probe) {
            // One that began anew, or whose clock was set, is counted from here.
            Some(c) if newest.0 > c.newest.0 && newest.1 >= c.newest.1 => c.newest = newest,
            Some(c) => *c = Counter { first: newest, newest },
            None => {
                self.counters.insert(r.probe.clone(), Counter { first: newest, newest });
            }
        }
    }

    /// The stamp of what comes after the last line.
    pub fn now(&self) -> Stamp {
        Stamp { boot: 1 + self.boots, mono_ns: self.mono_ns, wall_ns: self.latest_ns }
    }

    fn played(&self, wall_ns: i64, step_ns: Option<i64>) -> Played {
        Played {
            stamp: Stamp { boot: 1 + self.boots, mono_ns: self.mono_ns, wall_ns: Some(wall_ns) },
            step_ns,
        }
    }
}

/// What a reading reads, to be known again.
fn read(r: &Reading) -> u64 {
    r.celsius.map_or(0, f64::to_bits) ^ r.probe.len() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: i64 = 1_000_000_000;

    fn monos(walls: &[i64]) -> Vec<u64> {
        let mut p = Playback::default();
        walls.iter().map(|w| p.take(w * S, None).stamp.mono_ns / 1_000_000_000).collect()
    }

    #[test]
    fn one_line_out_of_order_turns_nothing_back() {
        assert_eq!(monos(&[100, 101, 99, 102, 103]), [0, 1, 1, 2, 3]);
    }

    /// Two handfuls that came in the wrong order were a clock set back and forth.
    #[test]
    fn a_handful_out_of_order_turns_nothing_back() {
        let turned: Vec<i64> = (0..20).chain(40..60).chain(20..40).chain(60..70).collect();
        assert_eq!(monos(&turned).last(), Some(&69));
        // A clock that was set back by a minute goes on in the end.
        let back: Vec<i64> = (0..100).chain(40..80).collect();
        assert_eq!(monos(&back).last(), Some(&116));
    }

    #[test]
    fn a_clock_set_back_goes_on_from_there() {
        assert_eq!(monos(&[5000, 5001, 1000, 1001, 1002, 1003]), [0, 1, 1, 1, 2, 3]);
    }

    #[test]
    fn a_clock_set_right_is_no_gap_of_fifty_years() {
        assert_eq!(monos(&[5, 6, 1_600_000_000, 1_600_000_001]), [0, 1, 2, 3]);
    }

    /// What the readings (second, count, value) make of the clock.
    fn steps(readings: &[(i64, Option<u64>, f64)]) -> Vec<i64> {
        let mut p = Playback::default();
        let step = |&(at, seq, celsius): &(i64, Option<u64>, f64)| {
            p.take(at * S, Some(&Reading { seq, ..Reading::of("k", celsius) })).step_ns
        };
        readings.iter().filter_map(step).map(|ns| ns / S).collect()
    }

    /// A block that a box sent again was a clock set back by twenty minutes.
    #[test]
    fn what_is_sent_again_or_was_kept_back_sets_no_clock() {
        let day = |from: i64, to: i64, seq: bool| {
            (from..to).map(move |i| (i, seq.then_some(i as u64), 30.0 + i as f64 * 0.01))
        };
        let again: Vec<_> =
            day(0, 600, false).chain(day(100, 400, false)).chain(day(600, 700, false)).collect();
        assert_eq!(steps(&again), [0; 0]);
        let kept: Vec<_> = day(0, 300, true).chain(day(600, 900, true)).chain(day(300, 600, true)).collect();
        assert_eq!(steps(&kept), [0; 0]);
        // The counter goes on, or begins anew, and the time is an earlier one: it was set.
        let back =
            |seq: u64| day(0, 600, true).chain((0..9).map(move |i| (200 + i, Some(seq + i as u64), 36.0)));
        assert_eq!(steps(&back(600).collect::<Vec<_>>()).len(), 1);
        assert_eq!(steps(&back(0).collect::<Vec<_>>()).len(), 1);
        let no_counter: Vec<_> = day(0, 600, false).chain((200..300).map(|i| (i, None, 36.0))).collect();
        assert_eq!(steps(&no_counter).len(), 1);
        // Forward: the box was not silent for an hour, it counted on; or it was, and did not.
        let on =
            |seq: u64| day(0, 600, true).chain((0..9).map(move |i| (4200 + i, Some(seq + i as u64), 36.0)));
        assert_eq!(steps(&on(600).collect::<Vec<_>>()), [3601]);
        assert_eq!(steps(&on(4200).collect::<Vec<_>>()), [0; 0]);
    }
}

//! Readings that come after they were taken: from a box that kept them while
//! the line or the machine was down.
//!
//! Terms: a reading's *age* is how long before its arrival it was taken. One
//! that is *late* is a record of then and no number of now: it is older than a
//! day, or than the machine's start, before which the engine has no time to put
//! it; or it waited for nobody knows how long, and bears the time at which it came.
//! Its health and its reason say so, and the engine leaves it alone.
//!
//! Deliberately absent: putting late readings back into the day as the engine
//! lived it. What was said then was said without them.

use super::clock::NEVER_SET_BEFORE_NS;
use super::input::Taken;
use crate::engine::event::Reading;
use crate::engine::probe::Health;
use crate::journal::Moment;

/// A reading as old as this is late, nanoseconds.
const LATE_NS: u64 = 86_400 * 1_000_000_000;

/// A source whose clock says that a reading is older than this has a clock that
/// is wrong, nanoseconds: a box's own age ends there too (32 bits of
/// milliseconds), and the journal's readers look no further.
pub use crate::journal::replay::LATEST_NS as KEPT_AT_MOST_NS;

/// How long before `now` a reading was taken, nanoseconds; 0 where that cannot
/// be known, and [`KEPT_AT_MOST_NS`] at most. By the source's own clock it is known as well as ours is set: a
/// time that is ahead of ours, or that no box can have kept, says nothing.
pub fn age_ns(taken: Taken, now: Moment) -> u64 {
    match taken {
        Taken::OnArrival | Taken::Sometime => 0,
        Taken::Ago(ns) => ns.min(KEPT_AT_MOST_NS),
        Taken::At(own_ns) if own_ns < NEVER_SET_BEFORE_NS => 0,
        Taken::At(own_ns) => {
            let age_ns = u64::try_from(now.wall_ns().saturating_sub(own_ns)).unwrap_or(0);
            if age_ns > KEPT_AT_MOST_NS { 0 } else { age_ns }
        }
    }
}

/// The reading as it is to be taken in at that age.
pub fn judged(reading: Reading, taken: Taken, age_ns: u64, now: Moment) -> Reading {
    let why = if taken == Taken::Sometime {
        "kept by the broker: how long ago it was taken is not known".to_owned()
    } else if age_ns < LATE_NS && age_ns <= now.mono_ns {
        return reading;
    } else {
        format!("came late: taken {} before", span(age_ns))
    };
    let own = reading.reason.map_or(String::new(), |why| format!("; {why}"));
    Reading {
        health: Some(Health::CheckFunction),
        reason: Some(why + &own),
        late_s: Some(age_ns / 1_000_000_000),
        ..reading
    }
}

fn span(ns: u64) -> String {
    let minutes = ns / 60_000_000_000;
    if minutes < 120 { format!("{minutes} min") } else { format!("{} h", minutes / 60) }
}

#[cfg(test)]
mod tests {
    use super::*;

    const S: u64 = 1_000_000_000;
    const NOON_NS: i64 = 1_784_001_780_000_000_000;

    fn at(mono_s: u64, wall_ns: i64, clock_sure: bool) -> Moment {
        let mono_ns = mono_s * S;
        Moment { mono_ns, offset_ns: wall_ns - i64::try_from(mono_ns).unwrap(), clock_sure }
    }

    #[test]
    fn an_age_needs_no_clock_and_a_time_needs_one_that_can_be() {
        let check = |taken, now: Moment, age_s: u64| assert_eq!(age_ns(taken, now), age_s * S, "{taken:?}");
        let now = at(5_000, NOON_NS, true);
        check(Taken::OnArrival, now, 0);
        check(Taken::Ago(600 * S), now, 600);
        check(Taken::Ago(600 * S), at(5_000, 5, false), 600);
        check(Taken::Ago(u64::MAX), now, KEPT_AT_MOST_NS / S);
        let own = |before_s: i64| Taken::At(NOON_NS - before_s * 1_000_000_000);
        check(own(7_200), now, 7_200);
        check(own(-30), now, 0);
        check(own(60 * 86_400), now, 0);
        check(Taken::At(77_000_000_000), now, 0);
        // Not to be trusted, and behind: how old it is, nobody can say.
        check(own(7_200), at(5_000, 5, false), 0);
    }

    #[test]
    fn what_is_older_than_the_machines_start_or_a_day_is_of_then() {
        let late_s = |mono_s, age_s: u64| {
            let now = at(mono_s, NOON_NS, true);
            judged(Reading::of("milk", 20.5), Taken::Ago(age_s * S), age_s * S, now).late_s
        };
        assert_eq!(late_s(5_000, 0), None);
        assert_eq!(late_s(5_000, 5_000), None);
        assert_eq!(late_s(5_000, 5_001), Some(5_001));
        assert_eq!(late_s(500_000, 86_399), None);
        assert_eq!(late_s(500_000, 86_400), Some(86_400));
        let open = Reading {
            celsius: None,
            health: Some(Health::Failure),
            reason: Some("open circuit".into()),
            ..Reading::of("milk", 0.0)
        };
        let judged = judged(open, Taken::Ago(90_000 * S), 90_000 * S, at(5, NOON_NS, true));
        assert_eq!(judged.health, Some(Health::CheckFunction), "the wire was open then");
        assert_eq!(judged.reason.as_deref(), Some("came late: taken 25 h before; open circuit"));
    }
}

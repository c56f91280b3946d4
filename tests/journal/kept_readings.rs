//! Promise: readings that a box kept while the line was down, and sends between
//! those of now, are the record's alone. What the milk does now, its forecast and
//! its alarms are as they would be without them.

#![allow(clippy::unwrap_used)] // a test may end here

use support::wheel;

use std::sync::Arc;

use curdtrace::engine::Engine;
use curdtrace::engine::alarm::AlarmKind;
use curdtrace::engine::effect::{Conclusion, Effect};
use curdtrace::engine::event::{Ask, Command, Event, Happening, Mark, MarkKind, Name, Reading, Stamp};
use curdtrace::engine::stage::Stage;

const MORNING_NS: i64 = 1_750_000_000_000_000_000;
/// The line is down from here to there, seconds.
const DOWN_S: std::ops::Range<u32> = 900..1320;

/// A second's reading of milk that is warmed by 0.7 °C/min from 600 s on.
fn reading(t: u32) -> Happening {
    let celsius = 22.0 + f64::from(t.saturating_sub(600)) * 0.7 / 60.0 + 0.03 * f64::from(t % 3);
    Happening::Reading(Reading { seq: Some(u64::from(t)), ..Reading::of("kettle", celsius) })
}

/// How a reading that was taken before is stamped.
#[derive(Clone, Copy)]
enum Stamped {
    /// By the daemon, on its monotonic clock.
    ByAge,
    /// By the filter, which has but the line's own time.
    ByWall,
}

/// The day, with `old` readings of the time that the line was down to each live one
/// after it. Everything that followed but remarks, and how many there were of those.
fn day(old: usize, stamped: Stamped, ticks: bool) -> (Vec<Effect>, usize) {
    let mut engine = Engine::new(Some(Arc::new(wheel::plan())));
    let mut out = Vec::new();
    let mut kept = DOWN_S;
    let mut step = |taken: u32, came: u32, what| {
        let wall_ns = Some(MORNING_NS + i64::from(taken) * 1_000_000_000);
        let mono_s = if matches!(stamped, Stamped::ByAge) { taken } else { came };
        let stamp = Stamp { boot: 1, mono_ns: u64::from(mono_s) * 1_000_000_000, wall_ns };
        engine.step(&Event { stamp, what }, &mut out);
    };
    for t in 0..2400 {
        if ticks {
            step(t, t, Happening::Tick);
        }
        if DOWN_S.contains(&t) {
            continue;
        }
        step(t, t, reading(t));
        if t == 600 {
            let ask = Ask::Stage(Stage::Warming);
            step(t, t, Happening::Command(Command { kettle: Name::from("kettle"), by: None, ask }));
        }
        for taken in kept.by_ref().take(if t >= DOWN_S.end { old } else { 0 }) {
            step(taken, t, reading(taken));
        }
    }
    let (remarks, said) = out.into_iter().partition(|e| matches!(e.what, Conclusion::Remark(_)));
    let _: &Vec<Effect> = &remarks;
    (said, remarks.len())
}

#[test]
fn kept_readings_among_live_ones_move_nothing() {
    for ticks in [false, true] {
        let (without, _) = day(0, Stamped::ByAge, ticks);
        let called = |e: &Effect| matches!(&e.what, Conclusion::Alarm(a) if a.alarm == AlarmKind::HeatOff);
        assert!(without.iter().any(called), "the day has a call");
        for (old, stamped) in
            [(1, Stamped::ByAge), (2, Stamped::ByAge), (2, Stamped::ByWall), (7, Stamped::ByAge)]
        {
            let (with, remarks) = day(old, stamped, ticks);
            assert_eq!(with, without, "{old} to each, ticks {ticks}");
            assert_eq!(remarks, DOWN_S.len(), "each is said to be out of order");
        }
    }
}

/// "A reading 3601 s before the last one" bore the time of the last one.
#[test]
fn what_came_late_is_remarked_on_at_its_own_time() {
    const NOW_S: i64 = 4060;
    let milk = || Happening::Reading(Reading::of("kettle", 34.0));
    // So long after the end of a minute of readings: how long before what is said of it.
    let remarked = |back_s: i64, what: Happening| {
        let (mut engine, mut out) = (Engine::new(None), Vec::new());
        let mut step = |at_s: i64, what, out: &mut Vec<Effect>| {
            let wall_ns = at_s * 1_000_000_000;
            let stamp = Stamp { boot: 1, mono_ns: wall_ns.unsigned_abs(), wall_ns: Some(wall_ns) };
            engine.step(&Event { stamp, what }, out);
        };
        (NOW_S - 60..=NOW_S).for_each(|s| step(s, milk(), &mut out));
        out.clear();
        step(NOW_S - back_s, what, &mut out);
        assert!(out.iter().all(|e| matches!(e.what, Conclusion::Remark(_))), "{out:?}");
        out.iter().map(|e| NOW_S - e.time.unwrap() / 1_000_000_000).collect::<Vec<_>>()
    };
    assert_eq!(remarked(3601, milk()), [3601]);
    assert_eq!(remarked(2, milk()), [2]);
    // Nor is a mark of then acted on as if it were made now.
    let mark = Mark { kettle: Name::from("kettle"), kind: MarkKind::Rennet, by: None };
    assert_eq!(remarked(600, Happening::Mark(mark)), [600]);
}

/// Nothing live has come meanwhile: the box sends what it kept, then goes on.
#[test]
fn kept_readings_that_come_alone_after_a_silence_are_taken_as_the_day_goes_on() {
    for ticks in [false, true] {
        let mut engine = Engine::new(Some(Arc::new(wheel::plan())));
        let mut out = Vec::new();
        let mut step = |t: u32, what| {
            let stamp = Stamp { boot: 1, mono_ns: u64::from(t) * 1_000_000_000, wall_ns: None };
            engine.step(&Event { stamp, what }, &mut out);
        };
        for t in 0..DOWN_S.start {
            step(t, reading(t));
        }
        for t in DOWN_S.filter(|_| ticks) {
            step(t, Happening::Tick);
        }
        for t in DOWN_S.start..DOWN_S.end + 30 {
            step(t, reading(t));
        }
        let seen = engine.kettle_of("kettle").unwrap();
        assert!(seen.celsius.is_some_and(|c| (c - 30.8).abs() < 0.3), "ticks {ticks}: {seen:?}");
        assert!(out.iter().all(|e| !matches!(e.what, Conclusion::Remark(_))));
    }
}

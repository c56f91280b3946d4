//! Probes that speak seldom, and probes that say nothing: through the engine's door.

use std::sync::Arc;

use curdtrace::engine::Engine;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::effect::{AlarmChange, Conclusion, Effect};
use curdtrace::engine::event::{Ask, Command, Event, Happening, Name, Reading, Stamp};
use curdtrace::engine::plan::Plan;
use curdtrace::engine::probe::Health;
use curdtrace::engine::stage::Stage;

use super::wheel::plan;

fn stamp(t_s: u32) -> Stamp {
    let ns = u64::from(t_s) * 1_000_000_000;
    Stamp { boot: 1, mono_ns: ns, wall_ns: Some(1_750_000_000_000_000_000 + ns.cast_signed()) }
}

fn engine() -> Engine {
    Engine::new(Some(Arc::new(plan())))
}

/// Seconds of the run's 5,400 at which a probe in a cook that speaks every `every_s` says
/// what `what` gives, and every change of its own two alarms: (second, which, state).
fn cook(
    every_s: u32,
    what: impl Fn(u32) -> Option<Result<f64, &'static str>>,
) -> Vec<(u32, AlarmKind, AlarmState)> {
    let mut engine = engine();
    let mut changes = Vec::new();
    for t_s in 0..5400 {
        let mut out = Vec::new();
        let said = (t_s % every_s == 0).then(|| what(t_s)).flatten();
        let event = match said {
            Some(Ok(celsius)) => Happening::Reading(Reading::of("kettle", celsius)),
            Some(Err(reason)) => Happening::Reading(Reading {
                celsius: None,
                health: Some(Health::Failure),
                reason: Some(reason.to_owned()),
                ..Reading::of("kettle", 0.0)
            }),
            None => Happening::Tick,
        };
        engine.step(&Event { stamp: stamp(t_s), what: event }, &mut out);
        if t_s == 1800 {
            let ask = Ask::Stage(Stage::Cooking);
            let command = Command { kettle: Name::from("kettle"), by: None, ask };
            engine.step(&Event { stamp: stamp(t_s), what: Happening::Command(command) }, &mut out);
        }
        let of_probe = |a: &&AlarmChange| matches!(a.alarm, AlarmKind::ProbeFault | AlarmKind::ProbeSilent);
        changes.extend(alarms(&out).filter(of_probe).map(|a| (t_s, a.alarm, a.state)));
    }
    changes
}

fn alarms(effects: &[Effect]) -> impl Iterator<Item = &AlarmChange> {
    effects.iter().filter_map(|e| match &e.what {
        Conclusion::Alarm(a) => Some(a),
        _ => None,
    })
}

/// Curd at 35 °C that hardly warms, with a little scatter.
fn curd(t_s: u32) -> f64 {
    35.0 + f64::from(t_s % 7) * 0.02
}

/// Between two readings of a probe that speaks seldom its fault was taken for silence, and
/// never told.
#[test]
fn a_broken_wire_is_told_however_seldom_its_probe_speaks() {
    for every_s in [1, 10, 15, 20, 30, 60] {
        let broken = 3000..4200;
        let open = |t_s| Some(if broken.contains(&t_s) { Err("open circuit") } else { Ok(curd(t_s)) });
        let told = cook(every_s, open);
        let states: Vec<_> = told.iter().map(|c| (c.1, c.2)).collect();
        let fault = AlarmKind::ProbeFault;
        let once = [(fault, AlarmState::Unacknowledged), (fault, AlarmState::ReturnedUnacknowledged)];
        assert_eq!(states, once, "every {every_s} s: {told:?}");
        let after_s = told[0].0 - broken.start;
        assert!(after_s <= 15.max(3 * every_s + every_s), "every {every_s} s: after {after_s} s");
    }
}

/// Each of its silences between two readings was taken for the one that was told.
#[test]
fn a_silence_is_over_when_its_probe_speaks_as_before() {
    for every_s in [1, 10, 11, 15, 30, 60] {
        let silent = 3000..3600;
        let told = cook(every_s, |t_s| (!silent.contains(&t_s)).then(|| Ok(curd(t_s))));
        let states: Vec<_> = told.iter().map(|c| (c.1, c.2)).collect();
        let silence = AlarmKind::ProbeSilent;
        let once = [(silence, AlarmState::Unacknowledged), (silence, AlarmState::ReturnedUnacknowledged)];
        assert_eq!(states, once, "every {every_s} s: {told:?}");
    }
}

/// One reading in a silence is no end of it.
#[test]
fn a_lone_reading_ends_no_silence() {
    for every_s in [1, 15, 30] {
        let silent = |t_s| (3000..4200).contains(&t_s) && t_s != 3600;
        let told = cook(every_s, |t_s| (!silent(t_s)).then(|| Ok(curd(t_s))));
        let raised = told.iter().filter(|c| c.2 == AlarmState::Unacknowledged).count();
        assert_eq!(raised, 1, "every {every_s} s: {told:?}");
    }
}

/// It was "failure: silent" until it spoke for the second time.
#[test]
fn a_probe_that_speaks_seldom_is_not_silent_after_its_first_reading() {
    for every_s in [10, 20, 30, 60] {
        let mut engine = engine();
        let mut out = Vec::new();
        for t_s in 0..300 {
            let reading = Happening::Reading(Reading::of("kettle", curd(t_s)));
            let what = if t_s % every_s == 0 { reading } else { Happening::Tick };
            engine.step(&Event { stamp: stamp(t_s), what }, &mut out);
        }
        let failed =
            out.iter().find(|e| matches!(&e.what, Conclusion::Health(h) if h.health == Health::Failure));
        assert_eq!(failed, None, "every {every_s} s");
    }
    // One that never speaks again is silent.
    let mut engine = engine();
    engine.step(
        &Event { stamp: stamp(0), what: Happening::Reading(Reading::of("kettle", 20.0)) },
        &mut Vec::new(),
    );
    engine.step(&Event { stamp: stamp(300), what: Happening::Tick }, &mut Vec::new());
    assert_eq!(engine.kettle_of("kettle").unwrap().health, Health::Failure);
}

/// Played again without the ticks of the daemon that heard it, a silence of half a day was
/// told hours later than the daemon had told it.
#[test]
fn a_long_silence_is_told_at_the_same_time_with_ticks_and_without() {
    for hours in [2, 10, 23] {
        let told = |ticks: bool| {
            let (mut engine, mut out) = (engine(), Vec::new());
            let end = 1200 + hours * 3600;
            for t_s in 0..end + 600 {
                let speaks = t_s < 1200 || t_s >= end;
                let what = match speaks {
                    true => Happening::Reading(Reading::of("kettle", 18.0 + f64::from(t_s % 3) * 0.06)),
                    false if ticks => Happening::Tick,
                    false => continue,
                };
                engine.step(&Event { stamp: stamp(t_s), what }, &mut out);
            }
            out
        };
        let (with, without) = (told(true), told(false));
        assert!(alarms(&with).count() >= 2, "{hours} h: {with:?}");
        assert_eq!(with, without, "{hours} h");
    }
}

/// Half an hour of room air was half an hour of warm milk.
#[test]
fn an_empty_kettle_is_no_warm_milk() {
    let stored = Plan { milk_warm_above_celsius: Some(6.0), ..plan() };
    let warm = |before: f64| {
        let (mut engine, mut out) = (Engine::new(Some(Arc::new(stored.clone()))), Vec::new());
        for t_s in 0..7200 {
            let celsius = if t_s < 1800 { before } else { 18.0 } + f64::from(t_s % 3) * 0.06;
            let what = Happening::Reading(Reading::of("kettle", celsius));
            engine.step(&Event { stamp: stamp(t_s), what }, &mut out);
        }
        alarms(&out)
            .filter(|a| a.alarm == AlarmKind::MilkWarm && a.state == AlarmState::Unacknowledged)
            .count()
    };
    assert_eq!((warm(18.0), warm(4.0)), (0, 1));
}

/// The power was cut for six minutes: the record told of an alarm that nobody could hear.
#[test]
fn what_nobody_could_hear_is_no_silence() {
    for comes_back in [true, false] {
        let mut engine = engine();
        let mut changes = Vec::new();
        for t_s in 0..2400 {
            let mut out = Vec::new();
            let what = match t_s {
                1200..1560 => continue,
                1560 => Happening::Resumed,
                1561.. if !comes_back => Happening::Tick,
                _ => Happening::Reading(Reading::of("kettle", 31.0)),
            };
            engine.step(&Event { stamp: stamp(t_s), what }, &mut out);
            if t_s == 600 {
                let ask = Ask::Stage(Stage::Setting);
                let command = Command { kettle: Name::from("kettle"), by: None, ask };
                engine.step(&Event { stamp: stamp(t_s), what: Happening::Command(command) }, &mut out);
            }
            changes.extend(alarms(&out).map(|a| (t_s, a.alarm, a.state)));
        }
        match (comes_back, changes.as_slice()) {
            (true, []) => {}
            (false, [(t_s, AlarmKind::ProbeSilent, AlarmState::Unacknowledged)]) => {
                // Four minutes, while milk sets.
                assert!((1790..1830).contains(t_s), "{t_s}");
            }
            (_, other) => panic!("{comes_back}: {other:?}"),
        }
    }
}

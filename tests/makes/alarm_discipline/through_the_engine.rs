//! Alarms through the engine's door: probes that fail together, an empty kettle's
//! day, and what people did, by replay.

use std::sync::Arc;

use curdtrace::engine::Engine;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::effect::{AlarmChange, Conclusion, Effect};
use curdtrace::engine::event::{Ask, Command, Event, Happening, Mark, MarkKind, Name, Reading, Stamp};
use curdtrace::engine::plan::{Plan, Sounding};
use curdtrace::engine::probe::Health;
use curdtrace::engine::stage::Stage;

use super::scene::Noise;
use super::wheel::plan;

fn stamp(t_s: f64) -> Stamp {
    let ns = (t_s * 1e9) as u64;
    Stamp { boot: 1, mono_ns: ns, wall_ns: Some(1_750_000_000_000_000_000 + ns.cast_signed()) }
}

fn reading(t_s: f64, probe: &str, celsius: Option<f64>) -> Event {
    let mut r = Reading::of(probe, celsius.unwrap_or_default());
    if celsius.is_none() {
        r.celsius = None;
        r.health = Some(Health::Failure);
        r.reason = Some("open".to_owned());
    }
    Event { stamp: stamp(t_s), what: Happening::Reading(r) }
}

fn alarms_of(effects: &[Effect]) -> impl Iterator<Item = (&Effect, &AlarmChange)> {
    effects.iter().filter_map(|e| match &e.what {
        Conclusion::Alarm(a) => Some((e, a)),
        _ => None,
    })
}

fn unacknowledged(effects: &[Effect]) -> usize {
    alarms_of(effects).filter(|(_, a)| a.state == AlarmState::Unacknowledged).count()
}

#[test]
fn eight_probes_that_fail_together_raise_one_alarm() {
    let stored = Plan { milk_warm_above_celsius: Some(40.0), ..plan() };
    for silent in [false, true] {
        let mut engine = Engine::new(Some(Arc::new(stored.clone())));
        let mut out = Vec::new();
        let names: Vec<String> = (1..=8).map(|i| format!("p{i}")).collect();
        for t in 0..3000 {
            let t_s = f64::from(t);
            for (i, name) in names.iter().enumerate() {
                // All well for ten minutes; then the box is unplugged.
                let event = if t < 600 {
                    reading(t_s, name, Some(20.0 + i as f64))
                } else if silent {
                    Event { stamp: stamp(t_s), what: Happening::Tick }
                } else {
                    reading(t_s, name, None)
                };
                engine.step(&event, &mut out);
            }
        }
        let raised = unacknowledged(&out);
        println!("silent {silent}: {raised} unacknowledged, {} changes", alarms_of(&out).count());
        assert_eq!(raised, 1, "one cause, one alarm");
        assert!(alarms_of(&out).count() < 10);
        let text =
            alarms_of(&out).find(|(_, a)| a.state == AlarmState::Unacknowledged).unwrap().1.text.clone();
        assert!(text.contains("7 more"), "{text}");
    }
}

fn ask(t_s: f64, kettle: &str, ask: Ask) -> Event {
    let command = Command { kettle: Name::from(kettle), by: Some(Name::from("ada")), ask };
    Event { stamp: stamp(t_s), what: Happening::Command(command) }
}

/// An idle kettle's alarm only shows, and after ten minutes: milk that is warmed
/// does not wait for it, whose box fails with its own.
#[test]
fn a_running_make_is_not_silent_behind_an_idle_kettle() {
    for out_of_service in [false, true] {
        let mut engine = Engine::new(Some(Arc::new(plan())));
        let mut out = Vec::new();
        for t in 0..1500 {
            let t_s = f64::from(t);
            let well = t < 600;
            engine.step(&reading(t_s, "a", well.then_some(18.0)), &mut out);
            engine.step(&reading(t_s + 0.5, "b", well.then_some(20.0)), &mut out);
            if t == 300 {
                engine.step(&ask(t_s + 0.6, "b", Ask::Stage(Stage::Warming)), &mut out);
                let ask = ask(t_s + 0.6, "a", Ask::OutOfService(AlarmKind::ProbeFault, out_of_service));
                engine.step(&ask, &mut out);
            }
        }
        let calls: Vec<_> = alarms_of(&out)
            .filter(|(_, a)| a.state == AlarmState::Unacknowledged)
            .map(|(e, a)| (&*e.kettle, a.alarm, a.sounds))
            .collect();
        assert_eq!(calls, [("b", AlarmKind::ProbeFault, true)], "out of service {out_of_service}");
    }
}

/// Ordered and marked in the morning, before the probe is plugged in.
#[test]
fn what_is_asked_of_a_kettle_before_its_first_reading_is_not_lost() {
    let mut engine = Engine::new(Some(Arc::new(plan())));
    let mut out = Vec::new();
    let heat_on = Mark { kettle: Name::from("kettle"), kind: MarkKind::HeatOn, by: None };
    engine.step(&ask(0.0, "kettle", Ask::OutOfService(AlarmKind::HeatOff, true)), &mut out);
    engine.step(&ask(0.0, "kettle", Ask::Shelve(AlarmKind::OverTarget, 600)), &mut out);
    engine.step(&Event { stamp: stamp(300.0), what: Happening::Mark(heat_on) }, &mut out);
    let state = |engine: &Engine, kind| {
        let view = engine.kettle_of("kettle").unwrap();
        view.alarms.iter().find(|a| a.alarm == kind).map(|a| a.state)
    };
    for t in 400..700 {
        engine.step(&reading(f64::from(t), "kettle", Some(20.0)), &mut out);
        if t < 600 {
            assert_eq!(state(&engine, AlarmKind::OverTarget), Some(AlarmState::Shelved), "{t}");
        }
    }
    assert_eq!(state(&engine, AlarmKind::HeatOff), Some(AlarmState::OutOfService));
    assert_eq!(state(&engine, AlarmKind::OverTarget), None, "a shelving ends by its own time");
    let began = |e: &Effect| match &e.what {
        Conclusion::Stage(s) => Some((s.stage, s.began, e.time)),
        _ => None,
    };
    let wall = |t_s| stamp(t_s).wall_ns;
    assert_eq!(out.iter().find_map(began), Some((Stage::Warming, wall(300.0), wall(400.0))));
}

#[test]
fn a_remark_bears_the_name_of_the_probe_that_it_is_about() {
    let mut engine = Engine::new(None);
    let mut out = Vec::new();
    for (t_s, probe) in [(0.0, "a"), (1.0, "b"), (1.0, "b"), (1.0, "a"), (1.0, "a")] {
        engine.step(&reading(t_s, probe, Some(20.0)), &mut out);
    }
    let remark = |e: &Effect| matches!(e.what, Conclusion::Remark(_)).then(|| e.probe.to_string());
    assert_eq!(out.iter().filter_map(remark).collect::<Vec<_>>(), ["b", "a"]);
}

/// One deed, one press: the mark is the answer to the call, and says whose.
#[test]
fn who_marks_that_the_heat_is_off_has_taken_the_call() {
    let mut engine = Engine::new(Some(Arc::new(plan())));
    let mut out = Vec::new();
    let mut noise = Noise(3);
    let mut off_s = None;
    for t in 0..1800 {
        let t_s = f64::from(t);
        let heated_s = off_s.unwrap_or(t_s) - 600.0;
        let celsius = 22.0 + heated_s.max(0.0) * 0.8 / 60.0 + 0.03 * noise.normal();
        engine.step(&reading(t_s, "kettle", Some(celsius)), &mut out);
        if t == 600 {
            engine.step(&ask(t_s + 0.5, "kettle", Ask::Stage(Stage::Warming)), &mut out);
        }
        if off_s.is_none() && alarms_of(&out).any(|(_, a)| a.alarm == AlarmKind::HeatOff) {
            let (kettle, by) = (Name::from("kettle"), Some(Name::from("ada")));
            let off = Mark { kettle, kind: MarkKind::HeatOff, by };
            engine.step(&Event { stamp: stamp(t_s + 0.5), what: Happening::Mark(off) }, &mut out);
            off_s = Some(t_s);
        }
    }
    let taken: Vec<_> = alarms_of(&out)
        .filter(|(_, a)| a.alarm == AlarmKind::HeatOff)
        .map(|(_, a)| (a.state, a.by.as_deref()))
        .collect();
    let by = Some("ada");
    let want =
        [(AlarmState::Unacknowledged, None), (AlarmState::Acknowledged, by), (AlarmState::Normal, None)];
    assert_eq!(taken, want);
}

/// The heat is not taken off at the call: from then on the moment for it is now.
#[test]
fn the_moment_to_take_the_heat_off_is_never_in_the_past() {
    let mut engine = Engine::new(Some(Arc::new(plan())));
    let mut out = Vec::new();
    let mut noise = Noise(3);
    for t in 0..1600 {
        let t_s = f64::from(t);
        let celsius = 22.0 + (t_s - 600.0).max(0.0) * 0.8 / 60.0 + 0.03 * noise.normal();
        engine.step(&reading(t_s, "kettle", Some(celsius)), &mut out);
        if t == 600 {
            engine.step(&ask(t_s + 0.5, "kettle", Ask::Stage(Stage::Warming)), &mut out);
        }
    }
    assert!(alarms_of(&out).any(|(_, a)| a.alarm == AlarmKind::HeatOff));
    let forecasts = out.iter().filter_map(|e| match &e.what {
        Conclusion::Forecast(f) => Some(f.heat_off_at.unwrap() - e.time.unwrap()),
        _ => None,
    });
    let ahead_ns: Vec<_> = forecasts.collect();
    assert!(ahead_ns.contains(&0) && ahead_ns.iter().all(|ns| *ns >= 0), "{ahead_ns:?}");
}

/// What becomes of the house's store-fault where so much is asked of `kettle`.
fn store_fault(plan: Plan, kettle: &str, what: Ask) -> Vec<AlarmState> {
    let mut engine = Engine::new(Some(Arc::new(plan)));
    let mut out = Vec::new();
    engine.step(&reading(0.0, "kettle", Some(20.0)), &mut out);
    let full = Happening::Store { ok: false, text: "full".to_owned() };
    engine.step(&Event { stamp: stamp(10.5), what: full }, &mut out);
    engine.step(&ask(20.0, kettle, what), &mut out);
    engine.step(&reading(30.0, "kettle", Some(20.0)), &mut out);
    alarms_of(&out).filter(|(_, a)| a.alarm == AlarmKind::StoreFault).map(|(_, a)| a.state).collect()
}

#[test]
fn the_houses_alarms_are_taken_as_the_houses_only() {
    let taken = [AlarmState::Unacknowledged, AlarmState::Acknowledged];
    assert_eq!(store_fault(plan(), "kettle", Ask::Acknowledge(None)), taken[..1]);
    assert_eq!(store_fault(plan(), "", Ask::Acknowledge(None)), taken);
    // Named, nobody else can be meant.
    assert_eq!(store_fault(plan(), "kettle", Ask::Acknowledge(Some(AlarmKind::StoreFault))), taken);
}

#[test]
fn a_store_fault_that_the_plan_has_no_use_for_is_never_raised() {
    let mut plan = plan();
    plan.alarms.insert(AlarmKind::StoreFault, Sounding::Off);
    assert_eq!(store_fault(plan, "", Ask::Acknowledge(None)), []);
}

#[test]
fn a_day_of_an_empty_kettle_raises_nothing() {
    let mut engine = Engine::new(Some(Arc::new(plan())));
    let mut out = Vec::new();
    let mut noise = Noise(7);
    for i in 0..24 * 3600 / 5 {
        let t_s = f64::from(i) * 5.0;
        let day = (t_s / 86_400.0 * std::f64::consts::TAU).sin();
        engine.step(&reading(t_s, "kettle", Some(16.0 + 5.0 * day + 0.05 * noise.normal())), &mut out);
    }
    let raised: Vec<_> = alarms_of(&out).map(|(_, a)| a.alarm.name()).collect();
    assert!(raised.is_empty(), "{raised:?}");
}

#[test]
fn taking_and_shelving_survive_a_restart() {
    let ask = |t_s, what| ask(t_s, "kettle", what);
    let stored = Plan { milk_warm_above_celsius: Some(8.0), ..plan() };
    let milk = |t: u32| Some(if t < 600 { 6.0 } else { 11.0 });
    let mut events: Vec<Event> = (0..3000).map(|t| reading(f64::from(t), "kettle", milk(t))).collect();
    events.push(ask(3000.0, Ask::Acknowledge(Some(AlarmKind::MilkWarm))));
    events.push(ask(3001.0, Ask::Shelve(AlarmKind::OverTarget, 3600)));
    events.push(ask(3002.0, Ask::OutOfService(AlarmKind::NearBoil, true)));
    let run = |events: &[Event]| {
        let mut engine = Engine::new(Some(Arc::new(stored.clone())));
        let mut out = Vec::new();
        for e in events {
            engine.step(e, &mut out);
        }
        (engine, out)
    };
    let (mut before, _) = run(&events);
    // Power cut; the journal is replayed.
    let (mut after, _) = run(&events);
    let state = |engine: &Engine, kind| {
        let view = engine.kettle_of("kettle").unwrap();
        view.alarms.iter().find(|a| a.alarm == kind).map(|a| a.state)
    };
    assert_eq!(state(&after, AlarmKind::MilkWarm), Some(AlarmState::Acknowledged));
    assert_eq!(state(&after, AlarmKind::OverTarget), Some(AlarmState::Shelved));
    assert_eq!(state(&after, AlarmKind::NearBoil), Some(AlarmState::OutOfService));
    // And both go on alike; the shelf ends by itself.
    let (mut a, mut b) = (Vec::new(), Vec::new());
    for t in 3003..7000 {
        let e = reading(f64::from(t), "kettle", Some(11.0));
        before.step(&e, &mut a);
        after.step(&e, &mut b);
    }
    assert_eq!(a, b);
    assert_eq!(state(&after, AlarmKind::OverTarget), None);
    assert_eq!(state(&after, AlarmKind::MilkWarm), Some(AlarmState::Acknowledged), "not raised again");
}

//! A probe's health (NAMUR NE 107): the right class within three samples, and a
//! worst case never shown as a reading. Through the engine's door, as a page or
//! a program at the other end of a pipe would see it.

#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    reason = "a test may fail loudly and prints what it measured"
)]

use curdtrace::engine::Engine;
use curdtrace::engine::event::{Event, Happening, Reading, Stamp};
use curdtrace::engine::probe::Health;

fn event(t_s: f64, what: Happening) -> Event {
    let ns = (t_s * 1e9) as u64;
    Event {
        stamp: Stamp { boot: 1, mono_ns: ns, wall_ns: Some(1_750_000_000_000_000_000 + ns.cast_signed()) },
        what,
    }
}

/// Two minutes of milk at 34 °C, then these readings a second apart. The class
/// must stand within three of them, and none of `never` may be shown.
fn check(what: &str, readings: &[Reading], class: Health, never: &[f64]) {
    let mut engine = Engine::new(None);
    let mut out = Vec::new();
    let mut t_s = 0.0;
    for i in 0..120u64 {
        let celsius = 34.0 + if i % 2 == 0 { 0.06 } else { -0.06 };
        let mut reading = Reading::of("kettle", celsius);
        reading.seq = Some(i);
        engine.step(&event(t_s, Happening::Reading(reading)), &mut out);
        t_s += 1.0;
    }
    let mut within = None;
    for (i, reading) in readings.iter().enumerate() {
        engine.step(&event(t_s, Happening::Reading(reading.clone())), &mut out);
        t_s += 1.0;
        let view = engine.kettle_of("kettle").unwrap();
        if view.health == class && within.is_none() {
            within = Some(i + 1);
            assert!(!view.reason.is_empty(), "{what}: a class without its reason");
        }
        for worst in never {
            assert!(view.celsius.is_none_or(|c| (c - worst).abs() > 10.0), "{what}: shown as {view:?}");
        }
    }
    println!("{what}: {} after {within:?} samples", class.name());
    assert!(within.is_some_and(|n| n <= 3), "{what}: {:?}", engine.kettle_of("kettle"));
}

fn said(health: Health, reason: &str) -> Reading {
    let mut reading = Reading::of("kettle", 0.0);
    reading.celsius = None;
    reading.health = Some(health);
    reading.reason = Some(reason.to_owned());
    reading
}

fn number(celsius: f64) -> Reading {
    Reading::of("kettle", celsius)
}

#[test]
fn every_failure_has_its_class_within_three_samples() {
    for reason in ["open", "short-to-ground", "short-to-supply", "crc"] {
        check(reason, &vec![said(Health::Failure, reason); 5], Health::Failure, &[0.0]);
    }
    // What chips send that were not asked about their faults: a DS18B20 after
    // power-on and unplugged, a MAX6675 with its input open (data sheets).
    for worst in [85.0, -127.0, 1023.75, f64::NAN, f64::INFINITY] {
        check(&format!("{worst} °C"), &vec![number(worst); 5], Health::Failure, &[worst]);
    }
    let stuck = Reading { seq: Some(119), ..number(34.0) };
    check("stuck counter", &vec![stuck; 5], Health::Failure, &[]);
    let hot_box = Reading { cold_junction_celsius: Some(55.0), ..number(34.0) };
    check("hot box", &vec![hot_box; 5], Health::OutOfSpecification, &[]);
    let overdue = Reading { health: Some(Health::MaintenanceRequired), ..number(34.0) };
    let overdue = Reading { reason: Some("calibration overdue".to_owned()), ..overdue };
    check("overdue", &vec![overdue; 5], Health::MaintenanceRequired, &[]);
}

#[test]
fn a_silent_probe_fails_by_the_clock_and_its_number_ages() {
    let mut engine = Engine::new(None);
    let mut out = Vec::new();
    for i in 0..120 {
        engine.step(&event(f64::from(i), Happening::Reading(number(34.0))), &mut out);
    }
    for i in 120..180 {
        engine.step(&event(f64::from(i), Happening::Tick), &mut out);
        let view = engine.kettle_of("kettle").unwrap();
        let age_s = view.age_s.unwrap();
        assert!((age_s - f64::from(i - 119)).abs() <= 1.0, "age {age_s} at {i}");
        assert!(i < 140 || view.health == Health::Failure, "{view:?}");
        assert!(i < 140 || view.celsius.is_none(), "a number from a silent probe: {view:?}");
    }
}

#[test]
fn a_lone_spike_is_not_shown_and_changes_nothing() {
    let mut engine = Engine::new(None);
    let mut out = Vec::new();
    for i in 0..600 {
        let celsius = if i % 97 == 96 { 74.0 } else { 34.0 };
        engine.step(&event(f64::from(i), Happening::Reading(number(celsius))), &mut out);
        let view = engine.kettle_of("kettle").unwrap();
        assert!(view.celsius.is_none_or(|c| (c - 34.0).abs() < 0.5), "{view:?}");
        // No number, and "good" without a word, was what a `reading` event said of it.
        let told = (view.health, view.reason.as_str());
        let wanted = (Health::OutOfSpecification, "spike: far off its neighbours");
        assert_eq!(told, if celsius > 34.0 { wanted } else { (Health::Good, "") });
        assert_eq!(engine.view().kettles[0].health, Health::Good, "it changes nothing");
        assert!(i < 97 || view.age_s.is_some_and(|a| a <= 1.0), "{view:?}");
    }
}

/// Ten minutes of one box with two probes and one counter, of which `comes` says
/// which counts come. The reasons that stood in the second half, by probe.
fn two_on_one_box(comes: impl Fn(u64) -> bool) -> [Vec<String>; 2] {
    let mut engine = Engine::new(None);
    let mut reasons = [Vec::new(), Vec::new()];
    for seq in (0..1200u64).filter(|seq| comes(*seq)) {
        let which = usize::from(seq % 2 == 1);
        let probe = ["a", "b"][which];
        let wobble = if seq % 4 < 2 { 0.06 } else { -0.06 };
        let reading = Reading { seq: Some(seq), ..Reading::of(probe, 34.0 + wobble) };
        engine.step(&event(seq as f64 / 2.0, Happening::Reading(reading)), &mut Vec::new());
        let view = engine.kettle_of(probe).unwrap();
        if (view.health != Health::Good || !view.reason.is_empty()) && !reasons[which].contains(&view.reason)
        {
            reasons[which].push(view.reason);
        }
    }
    reasons
}

#[test]
fn a_counter_shared_by_the_probes_of_a_box_is_no_loss() {
    assert_eq!(two_on_one_box(|_| true), [Vec::<String>::new(), Vec::new()]);
    // The second probe is put on after five minutes; the counter is the box's.
    assert_eq!(two_on_one_box(|seq| seq > 600 || seq % 2 == 0), [Vec::<String>::new(), Vec::new()]);
}

#[test]
fn what_one_of_two_probes_loses_is_told_of_that_one() {
    let lost = "many readings lost on the way: look at cable or radio".to_owned();
    for every in [2, 3] {
        let told = two_on_one_box(|seq| seq < 300 || seq % 2 == 0 || (seq / 2) % every == 0);
        assert_eq!(told, [vec![], vec![lost.clone()]], "one of {every} comes");
    }
    let told = two_on_one_box(|seq| seq % 2 == 0 || (seq / 2) % 3 != 0);
    assert_eq!(told, [vec![], vec![lost]], "two of three, from the start");
}

/// Of a further probe in a kettle what came late was counted as lost, though it had come.
#[test]
fn what_comes_late_of_a_further_probe_is_no_loss_either() {
    let mut engine = Engine::new(None);
    let mut seq = 0;
    for second in 0..600u32 {
        let of = |probe: &str, seq, late_s| Reading {
            kettle: Some("vat".into()),
            seq,
            late_s,
            ..Reading::of(probe, 34.0 + f64::from(second % 2) * 0.06)
        };
        let mut take = |part: f64, reading| {
            let what = Happening::Reading(reading);
            engine.step(&event(f64::from(second) + part, what), &mut Vec::new());
        };
        take(0.0, of("first", None, None));
        for _ in 0..second * 7 % 5 {
            seq += 1;
            take(0.2, of("further", Some(seq), Some(3600)));
        }
        seq += 1;
        take(0.5, of("further", Some(seq), None));
    }
    let view = engine.kettle_of("further").unwrap();
    assert_eq!((view.health, &*view.reason), (Health::Good, ""));
}

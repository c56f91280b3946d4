//! A make whose beginning nobody saw: the probe hung late, or the daemon begun in
//! the middle. Its cook is found and called as if all had been seen, and nothing is said of
//! the warming.

use super::*;

/// The make from so many seconds after a stage began, the probe in the room before it
/// or silent until then.
fn seen_from(make: &Make, stage: Stage, seconds: i64, room_minutes: i64) -> Lines {
    let began = make.began.iter().find(|b| b.0 == stage).unwrap().1;
    let from_ns = began + seconds * SECOND_NS;
    let mut lines = air(from_ns - room_minutes * 60 * SECOND_NS, room_minutes);
    lines.extend(make.lines.iter().filter(|l| l.0 >= from_ns).cloned());
    lines
}

/// A plan has one cook.
fn scenes() -> impl Iterator<Item = (String, Make)> {
    let all = [Family::SemiCooked, Family::HardCooked].into_iter().flat_map(|f| (0..4).map(move |s| (f, s)));
    all.map(|(f, s)| (format!("{f:?} {s}"), make(s, f, &Options::default(), Marks::None)))
}

fn check(make: &Make, lines: &[(i64, Spoken)], what: &str) {
    let out = play(&make.plan, lines);
    let told = makes(&out);
    assert!(!told.is_empty(), "{what}: no make");
    let names = stages(told[0]);
    assert!(!names.contains(&Stage::Warming), "{what}: {names:?}");
    for stage in [Stage::Cooking, Stage::Stirring, Stage::Drawing] {
        assert!(names.contains(&stage), "{what}: no {stage:?} in {names:?}");
    }
    // It is called as it is where everything was seen.
    let called = calls(&out, AlarmKind::HeatOff, true);
    let whole = calls(&play(&make.plan, &make.lines), AlarmKind::HeatOff, true);
    let cook_ns = make.start_ns + (make.cooks[0].began_s * 1.0e9) as i64;
    let whole: Vec<_> = whole.iter().filter(|c| c.0 > cook_ns).collect();
    assert_eq!(called.len(), whole.len(), "{what}: {called:?}");
    let apart_s = (called[0].0 - whole[0].0).abs() / SECOND_NS;
    assert!(apart_s < 45, "{what}: called {apart_s} s apart");
}

#[test]
fn a_probe_hung_into_warm_milk_is_in_a_make() {
    for (name, make) in scenes() {
        check(&make, &seen_from(&make, Stage::Setting, 30, 6), &format!("put in while it sets, {name}"));
    }
}

#[test]
fn a_daemon_begun_in_the_middle_finds_the_make() {
    for (name, make) in scenes() {
        check(&make, &seen_from(&make, Stage::Setting, 600, 0), &format!("begun while it sets, {name}"));
        if make.cooks[0].target_celsius > 50.0 {
            check(&make, &seen_from(&make, Stage::Cooking, 300, 0), &format!("begun in the cook, {name}"));
        }
    }
}

/// What hangs in warm water for hours, and is warmed by a thermostat, is no make.
#[test]
fn a_bath_that_is_kept_warm_is_none() {
    let plan = make(0, Family::SemiCooked, &Options::default(), Marks::None).plan;
    let saw = |k: i64| 33.0 + 0.4 * ((k % 300) as f64 / 150.0 - 1.0).abs();
    let lines: Lines =
        (0..36_000).map(|k| (k * SECOND_NS, Spoken::Reading(Reading::of(KETTLE, saw(k))))).collect();
    assert!(makes(&play(&plan, &lines)).is_empty());
}

//! Probes that speak seldom, boxes that are silent for hours, slips of the thumb, and
//! what is heated in the kettle besides milk.

use super::*;

fn cheese(seed: u64) -> Make {
    make(seed, Family::SemiCooked, &Options::default(), Marks::None)
}

fn told(out: &[Effect], stage: Stage) -> Vec<(i64, Basis)> {
    let of = |e: &Effect| match &e.what {
        Conclusion::Stage(s) if s.stage == stage && !s.withdrawn => Some((s.began.unwrap(), s.basis)),
        _ => None,
    };
    out.iter().filter_map(of).collect()
}

/// Slower than one reading in twenty seconds nothing was found, and nothing said.
#[test]
fn a_probe_that_speaks_twice_a_minute_is_followed() {
    for (seed, every_s) in [(0, 22), (1, 25), (2, 30), (3, 30)] {
        let whole = cheese(seed);
        let mut next = 0;
        let seldom = whole.lines.iter().filter(|l| {
            let due = l.0 >= next;
            next = if due { l.0 + every_s * SECOND_NS } else { next };
            due
        });
        let lines: Lines = seldom.cloned().collect();
        let out = play(&whole.plan, &lines);
        assert_eq!(calls(&out, AlarmKind::HeatOff, true).len(), 1, "seed {seed}, every {every_s} s");
        let cooked = told(&out, Stage::Cooking);
        let off_s = (cooked.last().unwrap().0 - began(&whole, Stage::Cooking)).abs() / SECOND_NS;
        assert!(off_s < 180, "seed {seed}, every {every_s} s: cook told {off_s} s off");
    }
}

/// Two hours without a reading: what must have happened meanwhile was told as seen.
#[test]
fn what_lies_in_a_long_silence_is_inferred() {
    for seed in 0..4 {
        let whole = cheese(seed);
        let (from, to) = (began(&whole, Stage::Setting) + 300 * SECOND_NS, began(&whole, Stage::Drawing));
        let lines: Lines = whole.lines.iter().filter(|l| !(from..to).contains(&l.0)).cloned().collect();
        let out = play(&whole.plan, &lines);
        for make in makes(&out) {
            for s in &make.stages {
                let at = s.began.unwrap();
                let within = (from + 120 * SECOND_NS..to - 120 * SECOND_NS).contains(&at);
                assert!(!within || s.basis == Basis::Plan, "seed {seed}: {s:?}");
                assert!(!within || s.confidence < 0.5, "seed {seed}: {s:?}");
            }
        }
    }
}

/// The daemon begins in the cook, and the maker says that the heat is on: it was taken
/// for milk being warmed, too hot already, and the cook's call came half an hour late.
#[test]
fn heat_that_is_marked_under_curd_is_the_cook() {
    for seed in [0, 1, 5] {
        let whole = cheese(seed);
        let target = whole.cooks[0].target_celsius;
        let from = began(&whole, Stage::Cooking) + 360 * SECOND_NS;
        let mut lines: Lines = whole.lines.iter().filter(|l| l.0 >= from).cloned().collect();
        lines.insert(15, (lines[15].0, marked(MarkKind::HeatOn)));
        let out = play(&whole.plan, &lines);
        assert!(told(&out, Stage::Warming).is_empty(), "seed {seed}");
        assert_eq!(told(&out, Stage::Cooking).len(), 1, "seed {seed}");
        let called = calls(&out, AlarmKind::HeatOff, true);
        assert_eq!(called.iter().map(|c| c.1).collect::<Vec<_>>(), [Some(target)], "seed {seed}");
        let too_hot = calls(&out, AlarmKind::OverTarget, false);
        assert!(too_hot.iter().all(|c| c.1.unwrap() > target), "seed {seed}: {too_hot:?}");
    }
}

/// A lift pressed by mistake in the cook, and the heat marked at once: no call came.
#[test]
fn a_lift_marked_by_mistake_is_taken_back_by_marking_the_heat() {
    for seed in 0..4 {
        let whole = cheese(seed);
        let slip = began(&whole, Stage::Cooking) + 240 * SECOND_NS;
        let mut lines = whole.lines.clone();
        for (after_s, kind) in [(0, MarkKind::Lift), (30, MarkKind::HeatOn)] {
            let at = slip + after_s * SECOND_NS;
            lines.insert(lines.partition_point(|l| l.0 < at), (at, marked(kind)));
        }
        let out = play(&whole.plan, &lines);
        assert_eq!(calls(&out, AlarmKind::HeatOff, true).len(), 1, "seed {seed}");
        let stages = stages(makes(&out)[0]);
        assert!(stages.contains(&Stage::Settling) && stages.contains(&Stage::Stirring), "{stages:?}");
        assert_eq!(stages.iter().filter(|s| **s == Stage::Drawing).count(), 1, "{stages:?}");
    }
}

/// Water for the washing up, heated in the kettle with the probe in it, was a cheese
/// whose cook was called.
#[test]
fn water_that_is_heated_in_the_kettle_is_no_cheese() {
    let plan = make(0, Family::HardCooked, &Options::default(), Marks::None).plan;
    for per_min in [0.6, 1.0, 1.6] {
        let ramp = |k: i64| 14.0 + 0.0625 * (k % 3) as f64 + (per_min / 30.0 * k as f64).min(60.0);
        let minutes = (60.0 / per_min) as i64 + 20;
        let mut lines = air(0, 60);
        let end = lines.last().unwrap().0;
        lines.extend(
            (1..minutes * 30)
                .map(|k| (end + k * 2 * SECOND_NS, Spoken::Reading(Reading::of(KETTLE, ramp(k))))),
        );
        lines.extend(air(lines.last().unwrap().0, 60));
        let out = play(&plan, &lines);
        assert_eq!(told(&out, Stage::Cooking), [], "{per_min} °C/min");
        assert!(makes(&out).is_empty(), "{per_min} °C/min: {:?}", makes(&out));
        assert!(calls(&out, AlarmKind::HeatOff, true).is_empty(), "{per_min} °C/min");
    }
}

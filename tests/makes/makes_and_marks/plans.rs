//! Plans that ask for something else than one warming and one cook, a plan that was left
//! in from another cheese, and none at all.

use super::*;
use curdtrace::rehearse::chance::Chance;

/// Readings of a hand-drawn trace, one each two seconds: `legs` are minutes, the
/// temperature that they end at, °C, and how the bath scatters, °C.
pub fn drawn(from_ns: i64, start: f64, legs: &[(i64, f64, f64)]) -> Lines {
    let (mut level, mut lines, mut at, mut chance) = (start, Lines::new(), from_ns, Chance::of(1));
    for &(minutes, to, scatter) in legs {
        let steps = minutes * 30;
        let by = (to - level) / steps as f64;
        for _ in 0..steps {
            level += by;
            at += 2 * SECOND_NS;
            lines.push((at, Spoken::Reading(Reading::of(KETTLE, level + scatter * chance.normal()))));
        }
    }
    lines
}

fn off_s(told: &Told, stage: Stage, nth: usize, true_ns: i64) -> i64 {
    let found = told.stages.iter().filter(|s| s.stage == stage).nth(nth);
    assert!(found.is_some(), "no {stage:?} {nth} in {:?}", stages(told));
    (found.unwrap().began.unwrap() - true_ns).abs() / SECOND_NS
}

/// The cook was lost, and its curd was drawn and its whey heated in the middle of it.
#[test]
fn a_cook_under_the_plan_of_a_soft_cheese_is_a_cook() {
    for seed in 0..6 {
        let cheese = make(seed, Family::SemiCooked, &Options::default(), Marks::None);
        let mut plan = cheese.plan.clone();
        plan.stages.retain(|s| !matches!(s.kind, Stage::Cooking | Stage::Stirring));
        let out = play(&plan, &cheese.lines);
        let told = makes(&out)[0];
        let off = off_s(told, Stage::Cooking, 0, began(&cheese, Stage::Cooking));
        assert!(off <= 60, "seed {seed}: {off} s");
        let off = off_s(told, Stage::Drawing, 0, began(&cheese, Stage::Drawing));
        assert!(off <= 60, "seed {seed}: {off} s");
    }
}

/// Milk is left to its culture in the cold for hours and then warmed for the rennet: the
/// whole make was lost, and "too hot" sounded at the second fire.
#[test]
fn milk_that_is_warmed_twice_is_one_make() {
    let mut seen = 0;
    for seed in 0..12 {
        let cheese = make(seed, Family::SemiCooked, &Options::default(), Marks::None);
        let fire = began(&cheese, Stage::Warming) + 20 * SECOND_NS;
        let Some(first) = cheese.lines.iter().position(|l| l.0 >= fire) else { continue };
        let cold = match &cheese.lines[first].1 {
            Spoken::Reading(Reading { celsius: Some(c), .. }) if (10.0..22.0).contains(c) => *c,
            _ => continue,
        };
        seen += 1;
        let mut lines = drawn(fire - 200 * 60 * SECOND_NS, 15.6, &[(30, 15.7, 0.05)]);
        let plunge = lines.last().unwrap().0;
        lines.extend(drawn(plunge, cold - 6.0, &[(15, cold - 0.1, 0.05), (155, cold, 0.012)]));
        lines.extend(cheese.lines[first..].iter().cloned());
        let mut plan = cheese.plan.clone();
        let before =
            [planned(Stage::Warming, Some(cold), Some(15.0)), planned(Stage::Ripening, None, Some(120.0))];
        plan.stages.splice(0..0, before);
        let out = play(&plan, &lines);
        let told = makes(&out)[0];
        let off = off_s(told, Stage::Warming, 1, fire);
        assert!(off <= 120, "seed {seed}: second warming {off} s off, {:?}", stages(told));
        let off = off_s(told, Stage::Cooking, 0, began(&cheese, Stage::Cooking));
        assert!(off <= 60, "seed {seed}: cook {off} s off");
        let cold_limit = calls(&out, AlarmKind::OverTarget, true)
            .into_iter()
            .filter(|(t, limit)| *t > fire && limit.unwrap() < cold + 3.0);
        assert_eq!(cold_limit.count(), 0, "seed {seed}: too hot for the first warming");
    }
    assert!(seen >= 3, "{seen} makes begin with cold milk");
}

/// Curd that sours at twenty degrees over a day was no make.
#[test]
fn milk_set_in_the_cold_is_a_make() {
    let plan = Plan {
        stages: vec![
            planned(Stage::Warming, Some(20.0), Some(15.0)),
            planned(Stage::Setting, None, Some(600.0)),
            planned(Stage::Cutting, None, Some(15.0)),
            planned(Stage::Drawing, None, Some(10.0)),
        ],
        ..Plan::default()
    };
    let legs = [
        (30, 13.0, 0.05),
        (1, 9.0, 0.05),
        (16, 20.0, 0.06),
        (5, 20.1, 0.05),
        (480, 19.6, 0.008),
        (2, 19.2, 0.05),
        (13, 19.2, 0.05),
    ];
    let minute = |k: i64| k * 60 * SECOND_NS;
    let out = play(&plan, &drawn(0, 13.0, &legs));
    let told = makes(&out)[0];
    for (stage, minutes, within_s) in
        [(Stage::Warming, 31, 120), (Stage::Setting, 52, 180), (Stage::Cutting, 532, 240)]
    {
        let off = off_s(told, stage, 0, minute(minutes));
        assert!(off <= within_s, "{stage:?} {off} s off");
    }
}

/// A number was old before the next reading of a probe that speaks every ten seconds
/// came, and no limit was ever watched.
#[test]
fn a_probe_that_speaks_every_ten_seconds_is_watched_for_limits() {
    for every_s in [1, 10, 15] {
        let cheese = make(2, Family::SemiCooked, &Options::default(), Marks::None);
        let mut next = 0;
        let mut due = |at: i64| {
            let due = at >= next;
            next = if due { at + every_s * SECOND_NS } else { next };
            due
        };
        let lines: Lines = cheese.lines.iter().filter(|l| due(l.0)).cloned().collect();
        let mut plan = cheese.plan.clone();
        let target = cheese.cooks[0].target_celsius - 2.5;
        for s in plan.stages.iter_mut().filter(|s| s.kind == Stage::Cooking) {
            s.to_celsius = Some(target);
        }
        let out = play(&plan, &lines);
        let too_hot = calls(&out, AlarmKind::OverTarget, true);
        assert!(too_hot.iter().any(|c| c.1.unwrap() > target), "every {every_s} s: {too_hot:?}");
    }
}

/// Milk that cools while it sets was below a limit that nobody gave.
#[test]
fn without_a_plan_milk_that_cools_is_below_no_limit() {
    let legs = [(30, 13.0, 0.05), (1, 9.0, 0.05), (30, 32.0, 0.07), (3, 32.3, 0.05)];
    let mut lines = drawn(0, 13.0, &legs);
    let rennet = lines.last().unwrap().0;
    lines.push((rennet, marked(MarkKind::Rennet)));
    lines.extend(drawn(rennet, 32.3, &[(2, 32.2, 0.05), (60, 28.5, 0.008)]));
    let cold = |out: &[Effect]| calls(out, AlarmKind::MilkCold, false).len();
    assert_eq!(cold(&play_to(Engine::new(None), &lines)), 0);
    let plan = Plan { stages: vec![planned(Stage::Warming, Some(32.0), Some(30.0))], ..Plan::default() };
    assert_eq!(cold(&play(&plan, &lines)), 1);
}

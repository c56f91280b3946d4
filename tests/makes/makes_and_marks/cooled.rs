//! Milk that is warmed above where it is set and cooled back, a gel that is warmed as it
//! stands, milk that is warmed anew after it ripened: hand-written traces.

use super::*;
use curdtrace::rehearse::chance::Chance;

/// What the milk does for so many minutes: how it goes to a temperature, and whether it
/// is stirred.
struct Leg {
    stage: Option<Stage>,
    minutes: f64,
    to_celsius: f64,
    stirred: bool,
}

fn leg(stage: impl Into<Option<Stage>>, minutes: f64, to_celsius: f64, stirred: bool) -> Leg {
    Leg { stage: stage.into(), minutes, to_celsius, stirred }
}

/// From the cut on, the milk standing at `celsius`, to the curd in its cloths.
fn cheese_from(celsius: f64, cook: f64) -> Vec<Leg> {
    vec![
        leg(Stage::Cutting, 1.5, celsius - 0.55, true),
        leg(None, 10.5, celsius - 0.9, true),
        leg(Stage::Cooking, (cook - celsius + 0.9) / 0.5, cook, true),
        leg(Stage::Stirring, 20.0, cook - 0.5, true),
        leg(Stage::Settling, 6.0, cook - 0.6, false),
    ]
}

/// A reading a second: a room, milk of 12 °C at five minutes, the legs, and the room again.
/// Gives when each stage began, too, nanoseconds.
fn trace(seed: u64, legs: &[Leg]) -> (Lines, Vec<(Stage, i64)>) {
    let mut chance = Chance::of(seed);
    let (mut lines, mut began): (Lines, Vec<(Stage, i64)>) = (Vec::new(), Vec::new());
    let (mut milk, mut probe, mut eddy) = (12.0, 17.0, 0.0);
    let room = |minutes| leg(None, minutes, f64::NAN, false);
    let second = |n: usize| i64::try_from(n).unwrap() * SECOND_NS;
    for (k, leg) in [room(5.0)].iter().chain(legs).chain([&room(30.0)]).enumerate() {
        began.extend(leg.stage.map(|s| (s, second(lines.len()))));
        let seconds = (leg.minutes * 60.0).round();
        let step = (leg.to_celsius - milk) / seconds;
        for _ in 0..seconds as usize {
            let hangs_in = if leg.to_celsius.is_nan() { 17.0 } else { milk + step };
            milk = if leg.to_celsius.is_nan() { milk } else { hangs_in };
            probe += (hangs_in - probe) / if k > legs.len() { 60.0 } else { 5.0 };
            eddy += -eddy / 12.0 + if leg.stirred { 0.015 } else { 0.002 } * chance.normal();
            let celsius = probe + eddy + 0.03 * chance.normal();
            lines.push((second(lines.len()), Spoken::Reading(Reading::of(KETTLE, celsius))));
        }
    }
    (lines, began)
}

fn plan(warming: f64, ripening: Option<f64>, cook: f64) -> Plan {
    let mut stages = vec![planned(Stage::Warming, Some(warming), None)];
    stages
        .extend(ripening.map(|m| PlannedStage { optional: true, ..planned(Stage::Ripening, None, Some(m)) }));
    stages.extend([
        planned(Stage::Setting, None, Some(35.0)),
        planned(Stage::Cutting, None, Some(12.0)),
        planned(Stage::Cooking, Some(cook), Some(15.0)),
        planned(Stage::Stirring, None, Some(20.0)),
        planned(Stage::Settling, None, Some(6.0)),
        planned(Stage::Drawing, None, None),
    ]);
    Plan { name: "By hand".into(), stages, ..Plan::default() }
}

/// The make is told with these stages up to the cook, each near where it began, and
/// none besides.
fn check(what: &str, plan: &Plan, lines: &[(i64, Spoken)], began: &[(Stage, i64)]) {
    let out = check_make(what, plan, lines, began);
    // What was told and taken back at once does not count.
    let cooked = out.iter().rev().find_map(|e| match &e.what {
        Conclusion::Stage(s) if s.stage == Stage::Cooking && !s.revises => Some(e.time.unwrap()),
        _ => None,
    });
    let cook_ns = began.iter().find(|b| b.0 == Stage::Cooking).unwrap().1;
    let late_s = (cooked.unwrap() - cook_ns) / SECOND_NS;
    assert!((-120..300).contains(&late_s), "{what}: the cook was first told {late_s} s late");
}

/// The same of the make alone, with hindsight.
fn check_make(what: &str, plan: &Plan, lines: &[(i64, Spoken)], began: &[(Stage, i64)]) -> Vec<Effect> {
    let out = play(plan, lines);
    let told = makes(&out);
    assert_eq!(told.len(), 1, "{what}: {:?}", told.iter().map(|m| stages(m)).collect::<Vec<_>>());
    let until_cooked = |s: Stage| s <= Stage::Cooking;
    let named: Vec<Stage> = stages(told[0]).into_iter().filter(|s| until_cooked(*s)).collect();
    let true_ones: Vec<Stage> = began.iter().map(|b| b.0).filter(|s| until_cooked(*s)).collect();
    assert_eq!(named, true_ones, "{what}");
    for (told, (stage, at_ns)) in told[0].stages.iter().zip(began).filter(|(_, b)| until_cooked(b.0)) {
        let off_s = (told.began.unwrap() - at_ns) / SECOND_NS;
        assert!(off_s.abs() <= 180, "{what}: {stage:?} told {off_s} s off");
    }
    out
}

/// Warmed to 63 or 64 °C, held, and cooled by water to where it is set: the plan says so,
/// or says only where it is set, or there is none.
#[test]
fn milk_that_is_thermised_first_is_in_a_make() {
    for (seed, hot, held, cooling) in [(1, 64.0, 5.0, 30.0), (2, 63.0, 30.0, 45.0), (3, 64.5, 1.0, 20.0)] {
        let mut legs = vec![
            leg(Stage::Warming, 40.0, hot, true),
            leg(None, held, hot - 0.2, true),
            leg(None, cooling, 32.5, true),
            leg(None, 3.0, 32.5, true),
            leg(Stage::Setting, 35.0, 32.2, false),
        ];
        legs.extend(cheese_from(32.2, 40.0));
        let (lines, began) = trace(seed, &legs);
        for warming in [32.5, hot] {
            let what = format!("{hot} °C, {held} min, cooled in {cooling}, plan says {warming}");
            check(&what, &plan(warming, None, 40.0), &lines, &began);
        }
        let bare = Plan { stages: Vec::new(), ..Plan::default() };
        check(&format!("{hot} °C, no plan"), &bare, &lines, &began);
    }
}

/// A fire that runs on by some degrees, and milk that cools back by itself or over water.
#[test]
fn milk_that_was_warmed_too_far_is_set_when_it_has_cooled() {
    for (seed, beyond, cooling) in [(4, 4.0, 15.0), (5, 6.0, 20.0), (6, 6.0, 7.0), (7, 8.0, 30.0)] {
        let mut legs = vec![
            leg(Stage::Warming, 25.0, 32.5 + beyond, true),
            leg(None, cooling, 32.5, true),
            leg(None, 2.0, 32.4, true),
            leg(Stage::Setting, 35.0, 32.0, false),
        ];
        legs.extend(cheese_from(32.0, 40.0));
        let (lines, began) = trace(seed, &legs);
        for warming in [32.5, 32.5 + beyond] {
            let what = format!("{beyond} °C too warm, cooled in {cooling} min, plan says {warming}");
            check(&what, &plan(warming, None, 42.0), &lines, &began);
        }
    }
}

/// The kettle is put back on the fire for a few minutes while the curd sets.
#[test]
fn a_gel_that_is_warmed_as_it_stands_is_one_setting() {
    for (seed, cools, warms) in [(8, 0.9, 0.8), (9, 0.7, 1.0), (10, 1.2, 1.1)] {
        let at = 33.0 - cools;
        let mut legs = vec![
            leg(Stage::Warming, 22.0, 33.0, true),
            leg(None, 2.0, 33.0, true),
            leg(Stage::Setting, 15.0, at, false),
            leg(None, 4.0, at + 0.6 * warms, false),
            leg(None, 4.0, at + warms, false),
            leg(None, 11.0, at + warms - 0.2, false),
        ];
        legs.extend(cheese_from(at + warms - 0.2, 41.0));
        let (lines, began) = trace(seed, &legs);
        check(&format!("cooled {cools}, warmed {warms}"), &plan(33.0, None, 41.0), &lines, &began);
        let rennet = began.iter().find(|b| b.0 == Stage::Setting).unwrap().1 - 90 * SECOND_NS;
        let mut marked_too = lines.clone();
        marked_too.push((rennet, marked(MarkKind::Rennet)));
        marked_too.sort_by_key(|l| l.0);
        check(&format!("cooled {cools}, marked"), &plan(33.0, None, 41.0), &marked_too, &began);
    }
}

/// Milk that ripened stands as still as a gel, and what is warmed anew was not set.
#[test]
fn milk_that_is_warmed_anew_after_it_ripened_has_ripened() {
    for (seed, ripened, pace) in [(11, 55.0, 0.4), (12, 70.0, 0.35), (13, 85.0, 0.4)] {
        let cold = 33.0 - ripened * 0.018;
        let mut legs = vec![
            leg(Stage::Warming, 22.0, 33.0, true),
            leg(Stage::Ripening, ripened, cold, false),
            leg(None, 0.7, cold - 0.25, true),
            leg(None, (33.25 - cold) / pace, 33.0, true),
            leg(None, 1.5, 33.1, true),
            leg(Stage::Setting, 33.0, 32.6, false),
        ];
        legs.extend(cheese_from(32.6, 41.0));
        let (lines, began) = trace(seed, &legs);
        check_make(&format!("ripened {ripened} min"), &plan(33.0, Some(60.0), 41.0), &lines, &began);
    }
}

/// Water that is heated and left to cool, slowly or fast, is no milk.
#[test]
fn water_that_is_heated_and_left_to_cool_is_no_make() {
    for (seed, hot, minutes) in [(14, 62.0, 40.0), (15, 66.0, 90.0), (16, 70.0, 150.0), (17, 92.0, 60.0)] {
        let mut legs = vec![leg(None, 40.0, hot, true)];
        // By half of what it is warmer than the room by, again and again.
        let halves = |n: i32| 17.0 + (hot - 17.0) * 0.5f64.powf(f64::from(n) / 12.0);
        legs.extend((1..40).map(|n| leg(None, minutes / 12.0, halves(n), false)));
        let (lines, _) = trace(seed, &legs);
        let told = play(&plan(32.5, None, 40.0), &lines);
        let cheeses = makes(&told);
        assert!(cheeses.is_empty(), "{hot} °C, {minutes} min: {:?}", stages(cheeses[0]));
    }
}

//! What a morning may bring, through the engine's door: two makes one after the
//! other, a cook in two steps, what a maker marks, a probe that comes back late.
//!
//! The makes are simulated (`curdtrace::rehearse`); what is said of them here is
//! the contract's: a kind may come twice, a follow-on make has a `make` of its
//! own, a person's mark overrules, a call comes once a heating.

#![allow(clippy::unwrap_used)] // a test may end here

use std::sync::Arc;

use curdtrace::engine::Engine;
use curdtrace::engine::alarm::{AlarmKind, AlarmState};
use curdtrace::engine::effect::{Conclusion, Effect, Make as Told};
use curdtrace::engine::event::{Event, Happening, Mark, MarkKind, Name, Reading, Stamp};
use curdtrace::engine::plan::{Plan, PlannedStage};
use curdtrace::engine::stage::{Basis, Stage};
use curdtrace::rehearse::family::Family;
use curdtrace::rehearse::make::{KETTLE, Make, Marks, Spoken, make};
use curdtrace::rehearse::scene::Options;

mod by_hand;
mod cooled;
mod heats;
mod laid_aside;
mod long_sets;
mod odd_ways;
mod plans;
mod pressed;
mod replanned;
mod unseen;
mod waits;

type Lines = Vec<(i64, Spoken)>;

const SECOND_NS: i64 = 1_000_000_000;

fn play(plan: &Plan, lines: &[(i64, Spoken)]) -> Vec<Effect> {
    play_to(Engine::new(Some(Arc::new(plan.clone()))), lines)
}

fn play_to(engine: Engine, lines: &[(i64, Spoken)]) -> Vec<Effect> {
    play_all(engine, lines.iter().map(happens).collect())
}

fn happens((wall_ns, spoken): &(i64, Spoken)) -> (i64, Happening) {
    let what = match spoken {
        Spoken::Reading(r) => Happening::Reading(r.clone()),
        Spoken::Mark(m) => Happening::Mark(m.clone()),
    };
    (*wall_ns, what)
}

fn play_all(mut engine: Engine, all: Vec<(i64, Happening)>) -> Vec<Effect> {
    let mut out = Vec::new();
    let stamp = |wall_ns: i64| Stamp { boot: 1, mono_ns: wall_ns.unsigned_abs(), wall_ns: Some(wall_ns) };
    let last = all.last().unwrap().0;
    for (wall_ns, what) in all {
        engine.step(&Event { stamp: stamp(wall_ns), what }, &mut out);
    }
    engine.step(&Event { stamp: stamp(last), what: Happening::EndOfInput }, &mut out);
    out
}

fn makes(effects: &[Effect]) -> Vec<&Told> {
    effects
        .iter()
        .filter_map(|e| match &e.what {
            Conclusion::Make(m) => Some(m),
            _ => None,
        })
        .collect()
}

/// When that alarm was called, nanoseconds, and at what limit.
fn calls(effects: &[Effect], alarm: AlarmKind, sounds: bool) -> Vec<(i64, Option<f64>)> {
    effects
        .iter()
        .filter_map(|e| match &e.what {
            Conclusion::Alarm(a)
                if a.alarm == alarm && a.state == AlarmState::Unacknowledged && (a.sounds || !sounds) =>
            {
                Some((e.time.unwrap(), a.limit_celsius))
            }
            _ => None,
        })
        .collect()
}

fn stages(told: &Told) -> Vec<Stage> {
    told.stages.iter().map(|s| s.stage).collect()
}

fn planned(kind: Stage, to_celsius: Option<f64>, minutes: Option<f64>) -> PlannedStage {
    PlannedStage { to_celsius, minutes, ..PlannedStage::of(kind) }
}

/// When a stage of a simulated make began in truth, nanoseconds.
fn began(make: &Make, stage: Stage) -> i64 {
    make.began.iter().find(|b| b.0 == stage).unwrap().1
}

fn marked(kind: MarkKind) -> Spoken {
    Spoken::Mark(Mark { kettle: Name::from(KETTLE), kind, by: Some(Name::from("ada")) })
}

/// Room air between two makes, a reading every two seconds.
fn air(from_ns: i64, minutes: i64) -> Lines {
    let reading = |k: i64| Reading::of(KETTLE, 16.0 + 0.0625 * (k % 3) as f64);
    (1..minutes * 30).map(|k| (from_ns + k * 2 * SECOND_NS, Spoken::Reading(reading(k)))).collect()
}

/// The same make again, so many minutes after the first one's last line.
fn again(first: &Make, second: &Make, minutes: i64) -> Lines {
    let mut lines = first.lines.clone();
    let end = lines.last().unwrap().0;
    lines.extend(air(end, minutes));
    let shift = end + minutes * 60 * SECOND_NS - second.lines[0].0;
    lines.extend(second.lines.iter().map(|(t, s)| (t + shift, s.clone())));
    lines
}

#[test]
fn milk_that_comes_soon_after_the_curd_is_out_is_a_make_and_its_cook_is_called() {
    for (seed, minutes, marks) in [(3, 5, Marks::None), (4, 20, Marks::Rennet), (6, 45, Marks::None)] {
        let (first, second) = (
            make(
                seed,
                Family::SemiCooked,
                &Options { whey_planned: Some(false), ..Options::default() },
                marks,
            ),
            make(seed, Family::SemiCooked, &Options::default(), marks),
        );
        let out = play(&first.plan, &again(&first, &second, minutes));
        let cheeses: Vec<_> =
            makes(&out).into_iter().filter(|m| stages(m).contains(&Stage::Cooking)).map(stages).collect();
        assert_eq!(cheeses.len(), 2, "seed {seed}, {minutes} min: {cheeses:?}");
        assert!(cheeses.iter().all(|s| s[0] == Stage::Warming && s.contains(&Stage::Setting)), "{cheeses:?}");
        let called = calls(&out, AlarmKind::HeatOff, true).len();
        assert_eq!(called, 2, "seed {seed}, {minutes} min: one call for each cook");
    }
}

/// Milk that goes on the fire soon after a curd was drawn is colder than any whey that
/// stood for so long: it is not told as whey first.
#[test]
fn milk_warmed_soon_after_the_curd_is_out_is_not_told_as_whey() {
    let cheese = |seed| {
        let options = Options { odd: 0.0, whey_planned: Some(false), ..Options::default() };
        make(seed, Family::SemiCooked, &options, Marks::None)
    };
    let has_whey = |m: &Make| m.began.iter().any(|b| b.0 == Stage::WheyHeating);
    let pairs = (0..12).map(|seed| (seed, cheese(seed), cheese(seed + 100)));
    let without: Vec<_> = pairs.filter(|(_, a, b)| !has_whey(a) && !has_whey(b)).collect();
    assert!(without.len() >= 6, "{} pairs of makes without whey", without.len());
    for ((seed, first, second), minutes) in without.iter().zip([8, 20, 35].into_iter().cycle()) {
        let out = play(&first.plan, &again(first, second, minutes));
        let is_whey = |e: &&Effect| matches!(&e.what, Conclusion::Stage(s) if s.stage == Stage::WheyHeating);
        assert_eq!(out.iter().find(is_whey), None, "seed {seed}, {minutes} min");
        assert_eq!(makes(&out).len(), 2, "seed {seed}, {minutes} min");
    }
}

#[test]
fn whey_that_goes_back_on_the_fire_is_no_next_milk() {
    for seed in 0..4 {
        let options = Options { whey_planned: Some(false), ..Options::default() };
        let whey = make(seed, Family::WithWheyCheese, &options, Marks::None);
        let out = play(&whey.plan, &whey.lines);
        let told: Vec<_> = makes(&out).into_iter().map(stages).collect();
        assert_eq!(told.len(), 2, "seed {seed}: {told:?}");
        assert_eq!(told[1][0], Stage::WheyHeating, "seed {seed}: {told:?}");
    }
}

#[test]
fn the_first_cook_of_two_has_its_own_peak() {
    for seed in 0..6 {
        let two = make(seed, Family::TwoStep, &Options::default(), Marks::All);
        let out = play(&two.plan, &two.lines);
        let cooks = &makes(&out)[0].cooks;
        assert_eq!(cooks.len(), 2, "seed {seed}: {cooks:?}");
        for (cook, truth) in cooks.iter().zip(&two.cooks) {
            let off = cook.peak_celsius - truth.peak_celsius;
            assert!(off.abs() < 0.35, "seed {seed}: {cook:?}, true peak {}", truth.peak_celsius);
        }
    }
}

#[test]
fn heat_that_a_person_marks_after_a_first_cook_is_the_second() {
    let two = make(1, Family::TwoStep, &Options::default(), Marks::All);
    let out = play(&two.plan, &two.lines);
    let heat_on: Vec<i64> = two
        .lines
        .iter()
        .filter(|(_, s)| matches!(s, Spoken::Mark(m) if m.kind == MarkKind::HeatOn))
        .map(|(t, _)| *t)
        .collect();
    let cooks: Vec<_> = makes(&out)[0].stages.iter().filter(|s| s.stage == Stage::Cooking).collect();
    assert_eq!(cooks.len(), 2);
    for (cook, marked_ns) in cooks.iter().zip(heat_on.iter().rev().take(2).rev()) {
        assert_eq!(cook.basis, Basis::Mark);
        assert!((cook.began.unwrap() - marked_ns).abs() < SECOND_NS, "{cook:?}");
    }
    // What the second one is meant to pass is not too hot for the first.
    let second = heat_on[heat_on.len() - 1];
    let target = two.cooks[0].target_celsius;
    let late = calls(&out, AlarmKind::OverTarget, false);
    assert!(!late.iter().any(|(t, limit)| *t >= second && limit.unwrap() < target + 2.0), "{late:?}");
}

#[test]
fn milk_that_stood_long_before_its_rennet_was_ripening() {
    let ripened = |m: &&Make| m.began.iter().any(|b| b.0 == Stage::Ripening);
    let all: Vec<Make> =
        (0..12).map(|s| make(s, Family::Uncooked, &Options::default(), Marks::Rennet)).collect();
    let all: Vec<&Make> = all.iter().filter(ripened).collect();
    assert!(all.len() >= 4);
    for ripe in &all {
        let out = play(&ripe.plan, &ripe.lines);
        let told = stages(makes(&out)[0]);
        assert!(told.starts_with(&[Stage::Warming, Stage::Ripening, Stage::Setting]), "{told:?}");
    }
    // Culture that is given to warm milk off the fire begins it to the second.
    let ripe = all[0];
    let given = ripe.began.iter().find(|b| b.0 == Stage::Ripening).unwrap().1 + 60 * SECOND_NS;
    let at = ripe.lines.partition_point(|l| l.0 < given);
    let mut lines = ripe.lines.clone();
    lines.insert(at, (given, marked(MarkKind::Culture)));
    let out = play(&ripe.plan, &lines);
    let told = makes(&out)[0].stages.iter().find(|s| s.stage == Stage::Ripening).unwrap();
    assert_eq!((told.basis, told.began), (Basis::Mark, Some(given)));
}

#[test]
fn a_probe_that_comes_back_from_a_long_lift_calls_nothing() {
    let cook = make(2, Family::HardCooked, &Options::default(), Marks::None);
    let began = cook.began.iter().find(|b| b.0 == Stage::Cooking).unwrap().1;
    let mut off = 0;
    // Out for 85 s in mid-cook, and back within half a minute as a thick probe is.
    for minutes in 4..9 {
        let out_ns = began + minutes * 60 * SECOND_NS;
        let out = play(&cook.plan, &lifted(&cook.lines, out_ns, 85.0, 12.0));
        let early = |c: &&(i64, Option<f64>)| c.0 > out_ns && c.0 < out_ns + 180 * SECOND_NS;
        off += calls(&out, AlarmKind::HeatOff, true).iter().filter(early).count();
    }
    assert_eq!(off, 0, "calls within three minutes of a lift in mid-cook");
}

/// A make whose probe hangs in the air for `for_s` from `out_ns` on, which it follows
/// within `follows_s`, and is back as a thick probe is.
fn lifted(lines: &[(i64, Spoken)], out_ns: i64, for_s: f64, follows_s: f64) -> Lines {
    let colder = |away_s: f64| 1.0 - (-away_s / follows_s).exp();
    lines
        .iter()
        .map(|(t, s)| match s {
            Spoken::Reading(r) if r.celsius.is_some() => {
                let away_s = (t - out_ns) as f64 / 1.0e9;
                let milk = r.celsius.unwrap();
                let celsius = match away_s {
                    s if s < 0.0 => milk,
                    s if s < for_s => milk - (milk - 19.0) * colder(s),
                    s => milk - (milk - 19.0) * colder(for_s) * (-(s - for_s) / 9.0).exp(),
                };
                (*t, Spoken::Reading(Reading { celsius: Some(celsius), ..r.clone() }))
            }
            _ => (*t, s.clone()),
        })
        .collect()
}

/// Milk of the evening stands in a room as warm as itself, the probe in it: nothing shows
/// when it was put in, and the fire has only a few degrees to give.
#[test]
fn milk_that_stood_in_a_warm_room_is_a_make_once_it_is_warmed() {
    for seed in [1, 4, 7] {
        let cheese = make(seed, Family::SemiCooked, &Options { odd: 0.0, ..Options::default() }, Marks::None);
        let set = cheese.plan.stages.iter().find(|s| s.kind == Stage::Warming).unwrap().to_celsius.unwrap();
        let warm = set - 6.0;
        let start = cheese.lines[0].0;
        // The lines from where its milk came to that temperature, after 45 minutes of it.
        let above =
            |l: &(i64, Spoken)| matches!(&l.1, Spoken::Reading(r) if r.celsius.is_some_and(|c| c > warm));
        let from = cheese.lines.windows(3).position(|w| w.iter().all(above)).unwrap();
        let stands = (1..45 * 30).map(|k| {
            let celsius = warm + 0.0625 * (k % 3) as f64;
            (
                cheese.lines[from].0 - (45 * 30 - k) * 2 * SECOND_NS,
                Spoken::Reading(Reading::of(KETTLE, celsius)),
            )
        });
        let lines: Lines = stands.chain(cheese.lines[from..].iter().cloned()).collect();
        assert!(start < cheese.lines[from].0, "seed {seed}: it was warmed");
        let out = play(&cheese.plan, &lines);
        let told = stages(makes(&out)[0]);
        assert!(told.starts_with(&[Stage::Warming]) && told.contains(&Stage::Cooking), "{told:?}");
        assert_eq!(calls(&out, AlarmKind::HeatOff, true).len(), 1, "seed {seed}");
    }
}

/// Where nobody said what was wanted, the record says no target, and none reached.
#[test]
fn a_cook_without_a_plan_has_no_target() {
    let cook = make(5, Family::HardCooked, &Options::default(), Marks::None);
    let out = play_to(Engine::new(None), &cook.lines);
    let cooks = &makes(&out)[0].cooks;
    assert_eq!(cooks.len(), 1);
    assert_eq!((cooks[0].target_celsius, cooks[0].reached_at), (None, None));
    assert!((cooks[0].peak_celsius - cook.cooks[0].peak_celsius).abs() < 0.35, "{cooks:?}");
}

use std::sync::Arc;

use super::*;
use crate::engine::effect::Forecast;
use crate::engine::said::Said;
use crate::words::Words;

const S: i64 = 1_000_000_000;

fn kettle(stage: Stage) -> KettleView {
    let k = Arc::from("k");
    KettleView {
        celsius: Some(37.0),
        age_s: Some(1.0),
        rate_celsius_per_min: Some(0.7),
        health: Health::Good,
        reason: String::new(),
        stage,
        stage_began: Some(0),
        stage_confidence: 0.9,
        target_celsius: Some(41.0),
        planned_minutes: Some(30.0),
        ..KettleView::unheard(&k, &k)
    }
}

fn raised(kind: AlarmKind, state: AlarmState, priority: Priority) -> AlarmView {
    AlarmView {
        alarm: kind,
        state,
        priority,
        sounds: true,
        since: Some(0),
        since_s: 0.0,
        shelved_until: None,
        text: String::new(),
        said: Vec::new(),
    }
}

fn check(k: &KettleView, waited_s: f64, key: &str) {
    assert_eq!(now(k, Some(60 * S), waited_s).key, key);
}

#[test]
fn an_alarm_nobody_took_comes_first_the_gravest_before_the_others() {
    let mut k = kettle(Stage::Cooking);
    k.alarms.push(raised(AlarmKind::HeatSlow, AlarmState::Unacknowledged, Priority::Medium));
    check(&k, 0.0, "do-heat-slow");
    k.alarms.push(raised(AlarmKind::HeatOff, AlarmState::Unacknowledged, Priority::High));
    check(&k, 0.0, "do-heat-off");
    k.alarms[1].state = AlarmState::Acknowledged;
    check(&k, 0.0, "do-heat-slow");
    k.alarms[0].state = AlarmState::Shelved;
    check(&k, 0.0, "do-heating-called");
    k.alarms.clear();
    check(&k, 0.0, "do-heating");
}

/// It said only that the limit was reached, two minutes into stirring.
#[test]
fn an_overshoot_says_what_to_do_in_the_stage_after_the_cook_too() {
    let mut k = kettle(Stage::Stirring);
    k.target_celsius = None;
    let mut over = raised(AlarmKind::OverTarget, AlarmState::Unacknowledged, Priority::High);
    over.said = vec![Said::of("said-too-hot").number("now", 42.3).number("wanted", 41.0)];
    k.alarms.push(over);
    let s = now(&k, Some(60 * S), 0.0);
    assert_eq!(s, Sentence::of("do-over-target").with("target", Value::Celsius(41.0)));
    let text = Words::of("en").say("do-over-target", &[("target", "41")]);
    assert!(text.contains("Fire off") && text.contains("tir"), "{text}");
}

#[test]
fn without_a_number_to_trust_no_sentence_speaks_of_the_milk() {
    let mut k = kettle(Stage::Cooking);
    check(&k, 0.0, "do-heating");
    check(&k, 10.1, "do-no-number");
    k.celsius = None;
    check(&k, 0.0, "do-no-number");
    k.stage = Stage::Idle;
    check(&k, 0.0, "do-stage-idle");
    let mut k = kettle(Stage::Stirring);
    k.health = Health::OutOfSpecification;
    check(&k, 0.0, "do-no-number");
}

fn to_come(off_s: i64, reach_s: i64) -> Forecast {
    Forecast {
        stage: Stage::Cooking,
        target_celsius: 41.0,
        heat_off_at: Some(off_s * S),
        reach_at: Some(reach_s * S),
        peak_celsius: 38.0,
        peak_low_celsius: 37.8,
        peak_high_celsius: 38.3,
    }
}

fn at(k: &KettleView, s: i64) -> String {
    now(k, Some(s * S), 0.0).key
}

#[test]
fn a_heating_counts_down_to_the_call_and_says_when_it_stands() {
    let mut k = kettle(Stage::Cooking);
    k.forecast = Some(to_come(600, 660));
    let s = now(&k, Some(360 * S), 0.0);
    assert_eq!(s.key, "do-heating-until");
    assert!(s.values.contains(&("min", Value::Minutes(240.0))));
    assert!((countdown(&k, Some(360 * S), 0.0).unwrap().seconds - 300.0).abs() < 0.1);
    assert_eq!(at(&k, 545), "do-heating-soon");
    assert_eq!(at(&k, 601), "do-heat-off");
    k.rate_celsius_per_min = Some(0.0);
    check(&k, 0.0, "do-heating-stands");
    k.celsius = Some(40.4);
    check(&k, 0.0, "do-heating-near");
    k.alarms.push(raised(AlarmKind::HeatOff, AlarmState::Acknowledged, Priority::High));
    check(&k, 0.0, "do-heating-called");
    k.stage_began = Some(50 * S);
    k.alarms[0].since = Some(40 * S);
    check(&k, 0.0, "do-heating-near");
    k.alarms.clear();
    k.celsius = Some(41.2);
    check(&k, 0.0, "do-heating-there");
}

/// "Off in about 74 min, at 13:02" was said in the first minute of a fire; it came
/// at 12:05.
#[test]
fn a_fire_that_was_just_lit_is_given_no_minutes_nor_is_an_hour_foreseen() {
    let mut k = kettle(Stage::Warming);
    k.forecast = Some(to_come(2000, 2060));
    let told = |k: &KettleView, s: i64| (at(k, s), countdown(k, Some(s * S), 0.0).is_some());
    assert_eq!(told(&k, 20), ("do-heating".into(), false));
    assert_eq!(told(&k, 239), ("do-heating".into(), false));
    assert_eq!(told(&k, 241), ("do-heating-until".into(), true));
    k.rate_celsius_per_min = Some(0.08);
    assert_eq!(told(&k, 241), ("do-heating".into(), false));
    k.rate_celsius_per_min = Some(0.7);
    k.forecast = Some(to_come(4000, 4060));
    assert_eq!(told(&k, 300), ("do-heating".into(), false));
    assert_eq!(told(&k, 600), ("do-heating-until".into(), true));
}

/// "Take the kettle off the fire now" stood two minutes after the heat was off.
#[test]
fn nobody_is_told_to_take_off_what_cools_already() {
    let mut k = kettle(Stage::Cooking);
    k.alarms.push(raised(AlarmKind::HeatOff, AlarmState::Unacknowledged, Priority::High));
    check(&k, 0.0, "do-heat-off");
    k.rate_celsius_per_min = Some(-0.04);
    check(&k, 0.0, "do-heat-off");
    k.rate_celsius_per_min = Some(-0.15);
    check(&k, 0.0, "do-called-cools");
    k.alarms[0].state = AlarmState::Acknowledged;
    check(&k, 0.0, "do-called-cools");
    k.celsius = Some(40.6);
    check(&k, 0.0, "do-heating-near");
}

/// Two of the same weight stood, and the older, "get ready", hid the call.
#[test]
fn to_get_ready_gives_way_to_the_call() {
    let mut k = kettle(Stage::Warming);
    k.forecast = Some(to_come(400, 460));
    k.alarms.push(raised(AlarmKind::GetReady, AlarmState::Unacknowledged, Priority::Medium));
    assert_eq!(at(&k, 300), "do-get-ready");
    assert_eq!(at(&k, 350), "do-get-ready-now");
    k.alarms.push(raised(AlarmKind::HeatOff, AlarmState::Unacknowledged, Priority::Medium));
    k.alarms[1].since = Some(401 * S);
    for a in &mut k.alarms {
        a.sounds = false;
    }
    assert_eq!(at(&k, 402), "do-heat-off");
    k.alarms[1].state = AlarmState::Acknowledged;
    assert_eq!(at(&k, 402), "do-get-ready-now");
}

fn shown(kind: AlarmKind) -> AlarmView {
    AlarmView { sounds: false, ..raised(kind, AlarmState::Unacknowledged, Priority::Low) }
}

fn at_target(k: &mut KettleView) {
    let mut a = shown(AlarmKind::AtTarget);
    a.said = vec![Said::of("said-at-target").number("now", 39.0).number("wanted", 39.0)];
    k.celsius = Some(39.1);
    k.alarms.push(a);
}

/// "39.0 °C reached. Look at the grain" hid the stirring, its end and the drawing.
#[test]
fn at_the_target_gives_way_to_what_comes_next() {
    let mut k = kettle(Stage::Stirring);
    k.target_celsius = Some(32.0); // of something else
    at_target(&mut k);
    let s = now(&k, Some(60 * S), 0.0);
    assert_eq!(s, Sentence::of("do-at-target").with("target", Value::Celsius(39.0)));
    assert_eq!(at(&k, 130), "do-stirring-left");
    k.alarms[0].since = Some(100 * S);
    assert_eq!(at(&k, 130), "do-at-target");
    let mut done = shown(AlarmKind::HoldDone);
    done.since = Some(110 * S);
    k.alarms.push(done);
    assert_eq!(at(&k, 130), "do-hold-done");
    k.alarms.pop();
    k.celsius = Some(38.4);
    assert_eq!(at(&k, 130), "do-stirring-left");
    k.celsius = None;
    assert_eq!(at(&k, 130), "do-no-number");
}

#[test]
fn a_low_alarm_that_only_shows_hides_the_stages_own_sentence_for_a_while() {
    let mut k = kettle(Stage::Cooking);
    k.target_celsius = Some(39.0);
    at_target(&mut k);
    assert_eq!(at(&k, 500), "do-at-target");
    assert_eq!(at(&k, 601), "do-heating-there");
    let mut k = kettle(Stage::Setting);
    k.curd_check_at = Some(2000 * S);
    k.alarms.push(shown(AlarmKind::MilkCold));
    assert_eq!(at(&k, 599), "do-milk-cold");
    assert_eq!(at(&k, 601), "do-setting-until");
    // One that sounds, or matters more, has it for as long as it stands.
    k.alarms[0].sounds = true;
    assert_eq!(at(&k, 7000), "do-milk-cold");
    k.alarms[0] = AlarmView { priority: Priority::Medium, ..shown(AlarmKind::HeatSlow) };
    assert_eq!(at(&k, 7000), "do-heat-slow");
}

/// What is over and was never taken hid what stands now.
#[test]
fn an_alarm_that_is_over_hides_none_that_stands() {
    let mut k = kettle(Stage::Stirring);
    k.alarms.push(raised(AlarmKind::HeatOff, AlarmState::ReturnedUnacknowledged, Priority::High));
    k.alarms.push(shown(AlarmKind::HoldDone));
    check(&k, 0.0, "do-hold-done");
}

/// "Cut and stir" was said where the clock alone made it cutting.
#[test]
fn a_stage_that_is_not_sure_instructs_nobody() {
    let mut k = kettle(Stage::Cutting);
    check(&k, 0.0, "do-stage-cutting");
    k.stage_basis = Basis::Plan;
    let s = now(&k, Some(60 * S), 0.0);
    assert_eq!(s, Sentence::of("do-perhaps").with("stage", Value::Word("stage-cutting".into())));
    k.stage_basis = Basis::Trace;
    k.stage_confidence = 0.69;
    for stage in [Stage::Cutting, Stage::Setting, Stage::Stirring, Stage::Drawing, Stage::WheyResting] {
        k.stage = stage;
        check(&k, 0.0, "do-perhaps");
    }
    // The rennet clock is a mark's, and a fire that warms is kept.
    k.stage = Stage::Setting;
    k.curd_check_at = Some(600 * S);
    check(&k, 0.0, "do-setting-until");
    k.stage = Stage::Cooking;
    check(&k, 0.0, "do-heating");
    k.rate_celsius_per_min = Some(0.02);
    check(&k, 0.0, "do-perhaps");
    k.stage = Stage::Idle;
    check(&k, 0.0, "do-stage-idle");
}

/// "Hang the probe in the milk" was said while it hung there and rose.
#[test]
fn an_idle_kettle_whose_probe_rises_says_that_it_reads() {
    let mut k = kettle(Stage::Idle);
    k.rate_celsius_per_min = Some(0.2);
    check(&k, 0.0, "do-idle-rises");
    check(&k, 10.1, "do-stage-idle");
    k.rate_celsius_per_min = Some(0.1);
    check(&k, 0.0, "do-stage-idle");
}

/// "Look at the curd now" stood beside "2 min": it calls a little early.
#[test]
fn the_countdown_to_the_curd_says_what_the_sentence_says() {
    let mut k = kettle(Stage::Setting);
    k.curd_check_at = Some(180 * S);
    k.alarms.push(raised(AlarmKind::CurdCheck, AlarmState::Unacknowledged, Priority::Medium));
    let left = |k: &KettleView| countdown(k, Some(60 * S), 0.0).unwrap().seconds;
    check(&k, 0.0, "do-curd-check");
    assert!(left(&k) <= 0.0);
    k.alarms[0].state = AlarmState::Acknowledged;
    check(&k, 0.0, "do-setting-until");
    assert!((left(&k) - 120.0).abs() < 0.1);
}

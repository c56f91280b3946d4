mod heating;

use std::sync::Arc;

use super::*;
use crate::engine::alarm::Priority;
use crate::engine::said::Said;
use crate::engine::view::AlarmView;
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
        stands: !matches!(state, AlarmState::Normal | AlarmState::ReturnedUnacknowledged),
        priority,
        sounds: true,
        since: Some(0),
        since_s: 0.0,
        shelved_until: None,
        text: String::new(),
        said: Vec::new(),
    }
}

/// The heat was called off, `s` seconds after the beginning.
fn called(k: &mut KettleView, state: AlarmState, s: i64) {
    k.heat_off_called_at = Some(s * S);
    k.alarms.push(AlarmView { since: Some(s * S), ..raised(AlarmKind::HeatOff, state, Priority::High) });
}

fn moment(s: i64) -> At {
    At { now_ns: Some(s * S), ..At::default() }
}

fn check(k: &KettleView, waited_s: f64, key: &str) {
    assert_eq!(now(k, At { waited_s, ..moment(60) }).key, key);
}

#[test]
fn what_is_grave_comes_first_and_after_it_what_nobody_took() {
    let mut k = kettle(Stage::Cooking);
    k.alarms.push(raised(AlarmKind::HeatSlow, AlarmState::Unacknowledged, Priority::Medium));
    check(&k, 0.0, "do-heat-slow");
    called(&mut k, AlarmState::Unacknowledged, 50);
    check(&k, 0.0, "do-heat-off");
    k.alarms[1].state = AlarmState::Acknowledged;
    check(&k, 0.0, "do-heat-off");
    k.alarms.remove(1);
    check(&k, 0.0, "do-heat-slow");
    k.alarms[0].state = AlarmState::Shelved;
    check(&k, 0.0, "do-heating-called");
    k.heat_off_called_at = None;
    check(&k, 0.0, "do-heating");
}

/// "Got it" on "Too hot" brought a milder sentence; silenced, it read "target reached".
#[test]
fn a_grave_alarm_keeps_the_sentence_for_as_long_as_it_stands() {
    let mut k = kettle(Stage::Cooking);
    k.celsius = Some(42.4);
    k.alarms.push(raised(AlarmKind::HeatFast, AlarmState::Unacknowledged, Priority::Medium));
    k.alarms.push(raised(AlarmKind::OverTarget, AlarmState::Acknowledged, Priority::High));
    check(&k, 0.0, "do-over-target");
    k.alarms[1].state = AlarmState::Shelved;
    check(&k, 0.0, "do-over-target");
    // Silenced, it may be over meanwhile; and a person may have no use for it at all.
    k.alarms[1].stands = false;
    check(&k, 0.0, "do-heat-fast");
    k.alarms[1] = raised(AlarmKind::OverTarget, AlarmState::OutOfService, Priority::High);
    check(&k, 0.0, "do-heat-fast");
}

/// It said only that the limit was reached, two minutes into stirring.
#[test]
fn an_overshoot_says_what_to_do_in_the_stage_after_the_cook_too() {
    let mut k = kettle(Stage::Stirring);
    k.target_celsius = None;
    let mut over = raised(AlarmKind::OverTarget, AlarmState::Unacknowledged, Priority::High);
    over.said = vec![Said::of("said-too-hot").number("now", 42.3).number("wanted", 41.0)];
    k.alarms.push(over);
    let s = now(&k, moment(60));
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
    let mut k = kettle(Stage::Stirring);
    k.health = Health::OutOfSpecification;
    check(&k, 0.0, "do-no-number");
}

/// The milk is renneted, and no stage says so for a minute or two yet.
#[test]
fn between_the_rennet_and_the_stand_it_is_said_what_it_waits_for() {
    let stages = [
        (Stage::Warming, "do-heating", "do-renneted"),
        (Stage::Ripening, "do-ripening-left", "do-renneted"),
        (Stage::Setting, "do-stage-setting", "do-setting-until"),
    ];
    for (stage, before, after) in stages {
        let mut k = kettle(stage);
        check(&k, 0.0, before);
        k.curd_check_at = Some(1860 * S);
        check(&k, 0.0, after);
        let want = Countdown { key: "count-curd", seconds: 1800.0 };
        assert_eq!(countdown(&k, moment(60)), Some(want), "{stage:?}");
        // That the milk is warm enough was said before it was renneted.
        at_target(&mut k);
        check(&k, 0.0, after);
    }
}

fn at(k: &KettleView, s: i64) -> String {
    now(k, moment(s)).key
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

/// "Look at the grain" was said of milk that was warmed for its rennet.
#[test]
fn in_milk_there_is_no_grain_to_look_at() {
    for (stage, key) in [
        (Stage::Warming, "do-at-target-milk"),
        (Stage::Setting, "do-at-target-milk"),
        (Stage::WheyHeating, "do-at-target-milk"),
        (Stage::Cooking, "do-at-target"),
    ] {
        let mut k = kettle(stage);
        at_target(&mut k);
        let s = now(&k, moment(60));
        assert_eq!(s, Sentence::of(key).with("target", Value::Celsius(39.0)));
        k.alarms[0] = raised(AlarmKind::OverTarget, AlarmState::Unacknowledged, Priority::High);
        k.target_celsius = Some(39.0);
        assert_eq!(at(&k, 60), key.replace("at-target", "over-target"));
    }
}

/// "39.0 °C reached. Look at the grain" hid the stirring, its end and the drawing.
#[test]
fn at_the_target_gives_way_to_what_comes_next() {
    let mut k = kettle(Stage::Stirring);
    k.target_celsius = Some(32.0); // of something else
    at_target(&mut k);
    let s = now(&k, moment(60));
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
    let s = now(&k, moment(60));
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
    k.rate_celsius_per_min = Some(0.1);
    check(&k, 0.0, "do-stage-idle");
}

/// "Hang the probe in the milk" stood beside "Failure: nothing heard from it".
#[test]
fn before_a_make_a_dead_probe_is_to_be_looked_at() {
    let mut k = kettle(Stage::Idle);
    check(&k, 10.1, "do-idle-no-number");
    (k.celsius, k.health) = (None, Health::Failure);
    check(&k, 0.0, "do-idle-no-number");
    // One that was just put in has nothing wrong with it.
    k.health = Health::CheckFunction;
    check(&k, 0.0, "do-stage-idle");
}

/// "No temperature to trust" was told to who had the curd and the probe in his hands.
#[test]
fn who_draws_the_curd_has_the_probe_out() {
    let mut k = kettle(Stage::Drawing);
    (k.health, k.target_celsius, k.planned_minutes) = (Health::CheckFunction, None, None);
    check(&k, 0.0, "do-stage-drawing");
}

/// "Look at the curd now" stood beside "2 min": it calls a little early.
#[test]
fn the_countdown_to_the_curd_says_what_the_sentence_says() {
    let mut k = kettle(Stage::Setting);
    k.curd_check_at = Some(180 * S);
    k.alarms.push(raised(AlarmKind::CurdCheck, AlarmState::Unacknowledged, Priority::Medium));
    let left = |k: &KettleView| countdown(k, moment(60)).unwrap().seconds;
    // To take it turned the clock back: "look in 2 min".
    for state in [AlarmState::Unacknowledged, AlarmState::Acknowledged, AlarmState::Shelved] {
        k.alarms[0].state = state;
        check(&k, 0.0, "do-curd-check");
        assert!(left(&k) <= 0.0);
    }
    k.alarms.clear();
    check(&k, 0.0, "do-setting-until");
    assert!((left(&k) - 120.0).abs() < 0.1);
}

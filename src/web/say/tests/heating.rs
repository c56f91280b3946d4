//! Heatings, their countdown and their call.

use super::*;
use crate::engine::effect::Forecast;

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

/// "Got it" took the order away while the fire was on: "Come to the kettle" came back.
#[test]
fn a_call_that_was_taken_stands_until_the_fire_is_off() {
    let mut k = kettle(Stage::Cooking);
    k.forecast = Some(to_come(1000, 1060));
    k.alarms.push(raised(AlarmKind::GetReady, AlarmState::Unacknowledged, Priority::Medium));
    called(&mut k, AlarmState::Unacknowledged, 1000);
    let left = |k: &KettleView, at: At| countdown(k, at).map(|c| c.key);
    for state in [AlarmState::Unacknowledged, AlarmState::Acknowledged, AlarmState::Shelved] {
        k.alarms[1].state = state;
        assert_eq!(at(&k, 1010), "do-heat-off", "{state:?}");
        assert_eq!(left(&k, moment(1010)), Some("count-off-now"));
        // So does the warming's, which weighs less.
        k.alarms[1].priority = Priority::Medium;
        assert_eq!(at(&k, 1010), "do-heat-off", "{state:?}");
        k.alarms[1].priority = Priority::High;
    }
    // Marked long before, for a pause, it is on again; marked since, it is off.
    let marked = |s: i64| At { marked_off: Some(s * S), ..moment(1010) };
    assert_eq!(now(&k, marked(900)).key, "do-heat-off");
    assert_eq!(now(&k, marked(1008)).key, "do-heating-off");
    assert_eq!(left(&k, marked(1008)), Some("count-target"));
    // The trace shows it, or the cause is gone and with it the alarm: neither "keep the
    // fire" nor "get ready" comes back.
    k.alarms.pop();
    assert_eq!(at(&k, 1040), "do-heating-called");
    k.rate_celsius_per_min = Some(-0.2);
    assert_eq!(at(&k, 1040), "do-called-cools");
    assert_eq!(now(&k, marked(1008)).key, "do-off-cools");
}

/// A call by the last number and its rate was told like one that sees.
#[test]
fn a_blind_call_says_that_it_is_blind() {
    let mut k = kettle(Stage::Cooking);
    (k.celsius, k.health, k.age_s) = (None, Health::Failure, Some(83.0));
    k.alarms.push(raised(AlarmKind::ProbeSilent, AlarmState::Acknowledged, Priority::High));
    called(&mut k, AlarmState::Unacknowledged, 50);
    k.alarms[1].said = vec![Said::of("said-heat-off-blind").number("lasting", 83.0)];
    check(&k, 0.0, "do-heat-off-blind");
    assert_eq!(of_alarm(&k.alarms[1], &k, moment(60)).unwrap().key, "do-heat-off-blind");
}

/// "Take the kettle off the fire now" stood on the slip over "The kettle still gives
/// a little" on the sheet.
#[test]
fn what_is_past_and_was_not_taken_orders_nothing() {
    let mut k = kettle(Stage::Stirring);
    called(&mut k, AlarmState::ReturnedUnacknowledged, 50);
    assert_eq!(of_alarm(&k.alarms[0], &k, moment(60)).unwrap().key, "do-heat-off-past");
    let ready = raised(AlarmKind::GetReady, AlarmState::ReturnedUnacknowledged, Priority::Medium);
    assert_eq!(of_alarm(&ready, &k, moment(60)), None);
}

#[test]
fn a_heating_counts_down_to_the_call_and_says_when_it_stands() {
    let mut k = kettle(Stage::Cooking);
    k.forecast = Some(to_come(600, 660));
    let s = now(&k, moment(360));
    assert_eq!(s.key, "do-heating-until");
    assert!(s.values.contains(&("min", Value::Minutes(240.0))));
    let to_go = countdown(&k, moment(360)).unwrap();
    assert!(to_go.key == "count-heat-off" && (to_go.seconds - 240.0).abs() < 0.1, "{to_go:?}");
    assert_eq!(at(&k, 545), "do-heating-soon");
    assert_eq!(at(&k, 601), "do-heat-off");
    assert_eq!(countdown(&k, moment(601)).unwrap().key, "count-off-now");
    k.rate_celsius_per_min = Some(0.0);
    assert_eq!(at(&k, 601), "do-heating-stands");
    k.celsius = Some(40.4);
    check(&k, 0.0, "do-heating-near");
    k.heat_off_called_at = Some(50 * S);
    check(&k, 0.0, "do-heating-called");
    k.heat_off_called_at = None;
    k.celsius = Some(41.2);
    check(&k, 0.0, "do-heating-there");
}

/// "Off in about 74 min, at 13:02" was said in the first minute of a fire; it came
/// at 12:05.
#[test]
fn a_fire_that_was_just_lit_is_given_no_minutes_nor_is_an_hour_foreseen() {
    let mut k = kettle(Stage::Warming);
    k.forecast = Some(to_come(2000, 2060));
    let told = |k: &KettleView, s: i64| (at(k, s), countdown(k, moment(s)).is_some());
    assert_eq!(told(&k, 20), ("do-heating".into(), false));
    assert_eq!(told(&k, 239), ("do-heating".into(), false));
    assert_eq!(told(&k, 241), ("do-heating-until".into(), true));
    k.rate_celsius_per_min = Some(0.08);
    assert_eq!(told(&k, 241), ("do-heating".into(), false));
    k.rate_celsius_per_min = Some(0.7);
    k.forecast = Some(to_come(4000, 4060));
    assert_eq!(told(&k, 300), ("do-heating".into(), false));
    assert_eq!(told(&k, 600), ("do-heating-until".into(), true));
    // A fast cook, in which "get ready" has told it already.
    k.forecast = Some(to_come(200, 260));
    k.alarms.push(raised(AlarmKind::GetReady, AlarmState::Acknowledged, Priority::Medium));
    assert_eq!(told(&k, 100), ("do-heating-until".into(), true));
}

/// "Take the kettle off the fire now" stood two minutes after the heat was off.
#[test]
fn nobody_is_told_to_take_off_what_cools_already() {
    let mut k = kettle(Stage::Cooking);
    called(&mut k, AlarmState::Unacknowledged, 50);
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
    called(&mut k, AlarmState::Unacknowledged, 401);
    for a in &mut k.alarms {
        (a.sounds, a.priority) = (false, Priority::Medium);
    }
    assert_eq!(at(&k, 402), "do-heat-off");
    k.alarms[1].state = AlarmState::Acknowledged;
    assert_eq!(at(&k, 402), "do-heat-off");
    k.alarms.pop();
    assert_eq!(at(&k, 402), "do-heating-called");
}

/// A minute after the fire was lit under a full kettle the maker was sent to his fire.
#[test]
fn a_fire_that_was_just_lit_is_given_time() {
    let cold = |s| at(&KettleView { rate_celsius_per_min: Some(0.0), ..kettle(Stage::Warming) }, s);
    assert_eq!([60, 200, 300].map(cold), ["do-heating", "do-heating", "do-heating-stands"]);
}

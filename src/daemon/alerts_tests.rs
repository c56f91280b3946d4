use super::*;
use crate::engine::alarm::Priority;
use crate::engine::probe::Health;
use crate::engine::stage::{Basis, Stage};
use crate::engine::view::View;

fn alert(delay_s: f64, repeat_s: f64) -> Alert {
    Alert {
        name: "horn".into(),
        way: Way::Command(vec!["true".into()]),
        least: Priority::Medium,
        only: Vec::new(),
        delay_s,
        repeat_s,
        language: "en".into(),
    }
}

fn shown(state: AlarmState, priority: Priority) -> Snapshot {
    let alarm = AlarmView {
        alarm: AlarmKind::HeatOff,
        state,
        priority,
        sounds: true,
        since: Some(7),
        text: String::new(),
        said: Vec::new(),
    };
    let kettle = KettleView {
        kettle: Name::from("copper"),
        probe: Name::from("copper"),
        celsius: Some(40.12),
        age_s: Some(0.0),
        rate_celsius_per_min: None,
        roughness_celsius: None,
        health: Health::Good,
        reason: String::new(),
        stage: Stage::Cooking,
        stage_began: None,
        stage_confidence: 1.0,
        stage_basis: Basis::Trace,
        plan: None,
        target_celsius: Some(41.0),
        planned_minutes: None,
        forecast: None,
        curd_check_at: None,
        alarms: vec![alarm],
        stages: Vec::new(),
    };
    Snapshot { view: View { kettles: vec![kettle] }, ..Snapshot::default() }
}

/// The times at which a watch that is asked every second calls, when every call
/// goes as `well` says, and the alarm is taken at `taken_s`.
fn calls(alert: Alert, well: bool, taken_s: u32, until_s: u32) -> Vec<u32> {
    let mut watch = Watch::new(alert);
    let mut at = Vec::new();
    for s in 0..until_s {
        let state = if s < taken_s { AlarmState::Unacknowledged } else { AlarmState::Acknowledged };
        for (key, _) in watch.due(f64::from(s), &shown(state, Priority::High)) {
            at.push(s);
            watch.called(key, f64::from(s), well);
        }
    }
    at
}

#[test]
fn it_calls_at_once_and_again_until_taken() {
    assert_eq!(calls(alert(0.0, 10.0), true, 25, 60), [0, 10, 20]);
    assert_eq!(calls(alert(0.0, 0.0), true, 60, 60), [0]);
}

#[test]
fn the_second_in_line_calls_only_where_the_first_was_not_heard() {
    assert!(calls(alert(45.0, 10.0), true, 40, 120).is_empty());
    assert_eq!(calls(alert(45.0, 30.0), true, 100, 120), [45, 75]);
}

#[test]
fn a_failed_call_is_tried_again_ever_more_slowly() {
    assert_eq!(calls(alert(0.0, 10.0), false, 200, 100), [0, 1, 3, 7, 15, 31, 61, 91]);
}

#[test]
fn what_is_below_its_rank_or_only_shows_does_not_reach_it() {
    let mut watch = Watch::new(alert(0.0, 0.0));
    assert!(watch.due(0.0, &shown(AlarmState::Unacknowledged, Priority::Low)).is_empty());
    let mut shows = shown(AlarmState::Unacknowledged, Priority::High);
    shows.view.kettles[0].alarms[0].sounds = false;
    assert!(watch.due(0.0, &shows).is_empty());
}

#[test]
fn a_new_raising_is_a_new_call() {
    let mut watch = Watch::new(alert(0.0, 0.0));
    let mut s = shown(AlarmState::Unacknowledged, Priority::High);
    let first = watch.due(0.0, &s);
    watch.called(first[0].0.clone(), 0.0, true);
    assert!(watch.due(1.0, &s).is_empty());
    s.view.kettles[0].alarms[0].since = Some(8);
    assert_eq!(watch.due(2.0, &s).len(), 1);
}

#[test]
fn a_call_speaks_the_outlets_language() {
    let mut a = alert(0.0, 0.0);
    a.language = "it".into();
    let call = Watch::new(a).due(0.0, &shown(AlarmState::Unacknowledged, Priority::High)).remove(0).1;
    assert_eq!(call.words, "Via il fuoco · 40,1 °C");
    assert_eq!((call.celsius.as_str(), call.limit.as_str()), ("40.12", "41.00"));
}

#[test]
fn the_board_tells_the_others_from_the_third_failure_on() {
    let board = Board::default();
    let mut failing = board.failing.subscribe();
    for n in 1..=3 {
        board.note("horn", n, "no route".into());
        assert_eq!(failing.has_changed().unwrap(), n == 3);
    }
    assert!(failing.borrow_and_update().contains("horn"));
    assert_eq!(board.states()[0].text, "no route");
    board.note("horn", 0, String::new());
    assert!(failing.borrow_and_update().is_empty());
}

//! Which alarm has the sentence, and what an alarm says to do.
//!
//! Invariants: what is grave and stands comes first, taken or not; "get ready" says
//! nothing once the heat was called off; what is past orders nothing.

use std::cmp::Reverse;

use super::{At, MINUTE_S, Sentence, Value, heating, heats, is_renneted, trusted, untaken};
use crate::engine::alarm::{AlarmKind, AlarmState, Priority};
use crate::engine::said::Fact;
use crate::engine::stage::Stage;
use crate::engine::view::{AlarmView, KettleView};

/// A low alarm that only shows has the sentence so long, seconds.
const SHOWS_FOR_S: f64 = 600.0;
/// "At the target" outlives its heating by so long, seconds, and stands for a
/// number so near, °C.
const AT_TARGET_AFTER_S: f64 = 120.0;
const AT_TARGET_CELSIUS: f64 = 0.5;

/// The alarm that has the sentence: what is grave and stands, not yet taken before
/// taken; then by priority, then the one that sounds; "at the target" after its
/// equals, since what comes next matters more; then the oldest.
pub(super) fn speaker(k: &KettleView, at: At) -> Option<&AlarmView> {
    k.alarms.iter().filter(|a| acts(a, k, at) && !is_outlived(a, k, at)).max_by_key(|a| {
        let hotter = a.alarm == AlarmKind::OverTarget;
        let last = a.alarm == AlarmKind::AtTarget;
        (is_grave(a), untaken(a.state), a.priority, hotter, a.sounds, !last, Reverse(a.since))
    })
}

/// Whether a make hangs on it, and it stands. To take the heat off is called with less
/// weight where milk is warmed; it is to be done all the same.
fn is_grave(a: &AlarmView) -> bool {
    a.stands && (a.priority == Priority::High || a.alarm == AlarmKind::HeatOff)
}

/// Whether the alarm decides the sentence: untaken ones do, and taken and silenced ones
/// that are grave.
fn acts(a: &AlarmView, k: &KettleView, at: At) -> bool {
    match a.alarm {
        // What it said to get ready for is there, or past.
        AlarmKind::GetReady if k.heat_off_called_at.is_some() => return false,
        AlarmKind::HeatOff if heating::is_marked_off(k, at) => return false,
        _ => {}
    }
    match a.state {
        AlarmState::Unacknowledged => true,
        AlarmState::Acknowledged | AlarmState::Shelved => is_grave(a),
        _ => false,
    }
}

/// Whether an alarm that only shows has had the sentence for long enough, or
/// what it says is not so any more.
fn is_outlived(a: &AlarmView, k: &KettleView, at: At) -> bool {
    if a.sounds || a.priority != Priority::Low {
        return false;
    }
    let shown_s = at.until(a.since).map(|s| -s);
    if a.alarm == AlarmKind::AtTarget {
        let target = limit(a).or(k.target_celsius);
        let there = k.celsius.zip(target).is_none_or(|(c, t)| (c - t).abs() <= AT_TARGET_CELSIUS);
        // In the stage after its heating; the later of the two counts, since it may be raised there.
        let began_s = if heats(k.stage) { None } else { at.until(k.stage_began).map(|s| -s) };
        let after = shown_s.zip(began_s).is_some_and(|(shown, began)| shown.min(began) > AT_TARGET_AFTER_S);
        // Who renneted the milk has seen that it was there.
        if !trusted(k, at.waited_s) || !there || after || is_renneted(k) {
            return true;
        }
    }
    shown_s.is_some_and(|s| s > SHOWS_FOR_S)
}

/// What an alarm of that kettle says to do, where it is shown by itself; nothing where
/// it is past and there is nothing left to do.
pub fn of_alarm(a: &AlarmView, k: &KettleView, at: At) -> Option<Sentence> {
    match (a.state, a.alarm) {
        (AlarmState::ReturnedUnacknowledged, AlarmKind::HeatOff) => Some(Sentence::of("do-heat-off-past")),
        (AlarmState::ReturnedUnacknowledged, _) => None,
        _ => Some(sentence(a, k, at)),
    }
}

/// The sentence of an alarm that stands.
pub(super) fn sentence(a: &AlarmView, k: &KettleView, at: At) -> Sentence {
    let s = Sentence::of(format!("do-{}", a.alarm.name()));
    match a.alarm {
        AlarmKind::GetReady => match heating::heat_off_in_s(k, at) {
            Some(left) if left > MINUTE_S => s.with("min", Value::Minutes(left)),
            Some(_) => Sentence::of("do-get-ready-now"),
            None => Sentence::of("do-get-ready-soon"),
        },
        AlarmKind::HeatOff if heating::cools(k) => match k.target_celsius.filter(|_| heats(k.stage)) {
            Some(target) => heating::after_call(k, target, at),
            None => Sentence::of("do-called-cools"),
        },
        AlarmKind::HeatOff if is_blind(a) => Sentence::of("do-heat-off-blind"),
        // It outlives the cook, and the stage after that has another target or none.
        AlarmKind::AtTarget | AlarmKind::OverTarget => match limit(a).or(k.target_celsius) {
            Some(t) => {
                // In milk there is no grain to look at, nor whey to pour in.
                let key = match (a.alarm, has_grain(k.stage)) {
                    (AlarmKind::AtTarget, true) => "do-at-target",
                    (AlarmKind::AtTarget, false) => "do-at-target-milk",
                    (_, true) => "do-over-target",
                    (_, false) => "do-over-target-milk",
                };
                Sentence::of(key).with("target", Value::Celsius(t))
            }
            None => Sentence::of("do-at-limit"),
        },
        _ => s,
    }
}

/// Whether there is curd in the kettle that was cut.
fn has_grain(stage: Stage) -> bool {
    matches!(stage, Stage::Cooking | Stage::Stirring)
}

/// Whether the heat was called off by the last number and its rate, without a new one.
fn is_blind(a: &AlarmView) -> bool {
    a.said.iter().any(|s| s.key == "said-heat-off-blind")
}

/// The limit that an alarm spoke of when it was raised, °C.
fn limit(a: &AlarmView) -> Option<f64> {
    a.said.iter().find_map(|s| match s.values.get("wanted") {
        Some(Fact::Number(n)) => Some(*n),
        _ => None,
    })
}

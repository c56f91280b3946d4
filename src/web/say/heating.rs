//! What to do while milk or whey is on the fire and a target stands.
//!
//! Invariants: no minute and no time of day is told before the heating has shown
//! how fast it goes, nor further ahead than that can be known; what was called off is
//! to be taken off until a person marks that, or the trace shows it; and nobody is told
//! to take off what has been taken off and cools.

use super::{At, Countdown, MINUTE_S, Sentence, Value, WallNs, is_sure, perhaps, trusted};
use crate::engine::alarm::{AlarmKind, AlarmState};
use crate::engine::view::{AlarmView, KettleView};

/// A heating that stands so little below its target is where the maker meant
/// it to be, more or less, °C.
const NEAR_CELSIUS: f64 = 1.0;
/// Slower than this it stands, °C/min.
const STANDS_CELSIUS_PER_MIN: f64 = 0.05;
/// Falling faster than this is no scatter: the heat is off, °C/min.
const COOLS_CELSIUS_PER_MIN: f64 = -0.1;
/// Minutes are told, and that it stands, once it has heated for so long, seconds; minutes
/// at least so fast, °C/min, and for so far ahead, seconds: the first minutes of a fire
/// say little, and a wood fire is not the same for an hour.
const SHOWN_AFTER_S: f64 = 240.0;
const SHOWN_FROM_CELSIUS_PER_MIN: f64 = 0.1;
const SHOWN_AHEAD_S: f64 = 3600.0;
/// Who takes the heat off just before the call marks it once, nanoseconds.
const MARKED_BEFORE_NS: WallNs = 60_000_000_000;

/// The countdown of what is to be taken off.
pub(super) const OFF_NOW: Countdown = Countdown { key: "count-off-now", seconds: 0.0 };

/// Whether the trace falls plainly, as it does once the heat is off.
pub(super) fn cools(k: &KettleView) -> bool {
    k.celsius.is_some() && k.rate_celsius_per_min.is_some_and(|r| r <= COOLS_CELSIUS_PER_MIN)
}

/// Whether a person marked the fire off at its call, or since.
pub(super) fn is_marked_off(k: &KettleView, at: At) -> bool {
    let marked = k.heat_off_called_at.zip(at.marked_off);
    marked.is_some_and(|(called, marked)| marked >= called - MARKED_BEFORE_NS)
}

/// Whether it was called, and neither a mark nor the trace says that it was done.
pub(super) fn is_to_take_off(k: &KettleView, at: At) -> bool {
    let silent = |state| matches!(state, AlarmState::Suppressed | AlarmState::OutOfService);
    let stands = |a: &AlarmView| a.alarm == AlarmKind::HeatOff && a.stands && !silent(a.state);
    k.alarms.iter().any(stands) && !is_marked_off(k, at) && !cools(k)
}

/// Seconds until the heat should come off, by the forecast.
pub(super) fn heat_off_in_s(k: &KettleView, at: At) -> Option<f64> {
    at.until(k.forecast.as_ref()?.heat_off_at)
}

/// Whether a length of time until then can be told. Where the maker was told to get
/// ready it was told already.
fn can_tell(k: &KettleView, at: At, seconds: f64) -> bool {
    let heated_s = at.until(k.stage_began).map_or(0.0, |s| -s);
    let rises = k.rate_celsius_per_min.is_some_and(|r| r >= SHOWN_FROM_CELSIUS_PER_MIN);
    let told = k.alarms.iter().any(|a| a.alarm == AlarmKind::GetReady && a.stands);
    (heated_s >= SHOWN_AFTER_S || told) && rises && seconds <= SHOWN_AHEAD_S
}

/// What comes once the heat was called off: what the kettle still gives, and once it
/// falls, nothing.
pub(super) fn after_call(k: &KettleView, target: f64, at: At) -> Sentence {
    let to = |key: &str| Sentence::of(key).with("target", Value::Celsius(target));
    match (cools(k), is_near(k, target), is_marked_off(k, at)) {
        (false, _, true) => to("do-heating-off"),
        (false, _, false) => to("do-heating-called"),
        (true, true, _) => to("do-heating-near"),
        (true, false, true) => Sentence::of("do-off-cools"),
        (true, false, false) => Sentence::of("do-called-cools"),
    }
}

/// Whether it is about as warm as was wanted.
fn is_near(k: &KettleView, target: f64) -> bool {
    k.celsius.is_some_and(|c| target - c <= NEAR_CELSIUS)
}

/// The sentence of a heating to `target`.
pub(super) fn sentence(k: &KettleView, target: f64, at: At) -> Sentence {
    let to = |key: &str| Sentence::of(key).with("target", Value::Celsius(target));
    if k.celsius.is_some_and(|c| c >= target) {
        return to("do-heating-there");
    }
    if k.heat_off_called_at.is_some() {
        return after_call(k, target, at);
    }
    let near = is_near(k, target);
    let slower = |than: f64| k.rate_celsius_per_min.is_some_and(|r| r < than);
    if slower(STANDS_CELSIUS_PER_MIN) && near {
        return to("do-heating-near");
    }
    if slower(SHOWN_FROM_CELSIUS_PER_MIN) && !is_sure(k) {
        return perhaps(k.stage);
    }
    if slower(STANDS_CELSIUS_PER_MIN) {
        let shows = at.until(k.stage_began).is_none_or(|s| -s >= SHOWN_AFTER_S);
        return to(if shows { "do-heating-stands" } else { "do-heating" });
    }
    match (heat_off_in_s(k, at), k.forecast.as_ref().and_then(|f| f.heat_off_at)) {
        (Some(left), _) if left <= 0.0 => Sentence::of("do-heat-off"),
        (Some(left), Some(off)) if can_tell(k, at, left) => {
            if left <= MINUTE_S {
                return Sentence::of("do-heating-soon");
            }
            to("do-heating-until").with("min", Value::Minutes(left)).with("at", Value::Clock(off))
        }
        _ => to("do-heating"),
    }
}

/// What a heating counts down to: to take the heat off, and after that its target.
pub(super) fn countdown(k: &KettleView, at: At) -> Option<Countdown> {
    if !trusted(k, at.waited_s) && k.forecast.is_none() {
        return None;
    }
    if k.celsius.zip(k.target_celsius).is_some_and(|(c, t)| c >= t) {
        return None;
    }
    if k.heat_off_called_at.is_some() {
        let seconds = at.until(k.forecast.as_ref()?.reach_at)?.max(0.0);
        let comes = !cools(k) && seconds <= SHOWN_AHEAD_S;
        return comes.then_some(Countdown { key: "count-target", seconds });
    }
    let seconds = heat_off_in_s(k, at)?;
    if seconds <= 0.0 {
        return Some(OFF_NOW);
    }
    can_tell(k, at, seconds).then_some(Countdown { key: "count-heat-off", seconds })
}

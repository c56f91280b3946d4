//! What to do while milk or whey is on the fire and a target stands.
//!
//! Invariants: no minute and no time of day is told before the heating has shown
//! how fast it goes, nor further ahead than that can be known; and nobody is told
//! to take off what has been taken off and cools.

use super::{Countdown, WallNs};
use super::{MINUTE_S, Sentence, Value, heat_off_in_s, is_sure, perhaps, trusted, until};
use crate::engine::alarm::AlarmKind;
use crate::engine::view::KettleView;

/// A heating that stands so little below its target is where the maker meant
/// it to be, more or less, °C.
const NEAR_CELSIUS: f64 = 1.0;
/// Slower than this it stands, °C/min.
const STANDS_CELSIUS_PER_MIN: f64 = 0.05;
/// Falling faster than this is no scatter: the heat is off, °C/min.
const COOLS_CELSIUS_PER_MIN: f64 = -0.1;
/// Minutes are told once it has heated for so long, seconds, at least so fast,
/// °C/min, and for so far ahead, seconds: the first minutes of a fire say
/// little, and a wood fire is not the same for an hour.
const SHOWN_AFTER_S: f64 = 240.0;
const SHOWN_FROM_CELSIUS_PER_MIN: f64 = 0.1;
const SHOWN_AHEAD_S: f64 = 3600.0;

/// Whether the trace falls plainly, as it does once the heat is off.
pub(super) fn cools(k: &KettleView) -> bool {
    k.celsius.is_some() && k.rate_celsius_per_min.is_some_and(|r| r <= COOLS_CELSIUS_PER_MIN)
}

/// Whether the heat of this heating was called off, whoever took the call. The
/// call of the milk's warming may stand in the cook yet, where nobody took it.
fn was_called(k: &KettleView) -> bool {
    let of_this = |since: Option<WallNs>| since.zip(k.stage_began).is_none_or(|(at, began)| at >= began);
    k.alarms.iter().any(|a| a.alarm == AlarmKind::HeatOff && of_this(a.since))
}

/// Whether a length of time until then can be told.
fn can_tell(k: &KettleView, now_ns: Option<WallNs>, seconds: f64) -> bool {
    let heated_s = until(k.stage_began, now_ns).map_or(0.0, |s| -s);
    let rises = k.rate_celsius_per_min.is_some_and(|r| r >= SHOWN_FROM_CELSIUS_PER_MIN);
    heated_s >= SHOWN_AFTER_S && rises && seconds <= SHOWN_AHEAD_S
}

/// The sentence of a heating to `target`.
pub(super) fn sentence(k: &KettleView, target: f64, now_ns: Option<WallNs>) -> Sentence {
    let to = |key: &str| Sentence::of(key).with("target", Value::Celsius(target));
    if k.celsius.is_some_and(|c| c >= target) {
        return to("do-heating-there");
    }
    let near = k.celsius.is_some_and(|c| target - c <= NEAR_CELSIUS);
    if was_called(k) {
        // What comes now is what the kettle still gives; once it falls, nothing does.
        return match (cools(k), near) {
            (false, _) => to("do-heating-called"),
            (true, true) => to("do-heating-near"),
            (true, false) => Sentence::of("do-called-cools"),
        };
    }
    let slower = |than: f64| k.rate_celsius_per_min.is_some_and(|r| r < than);
    if slower(STANDS_CELSIUS_PER_MIN) && near {
        return to("do-heating-near");
    }
    if slower(SHOWN_FROM_CELSIUS_PER_MIN) && !is_sure(k) {
        return perhaps(k.stage);
    }
    if slower(STANDS_CELSIUS_PER_MIN) {
        return to("do-heating-stands");
    }
    match (heat_off_in_s(k, now_ns), k.forecast.as_ref().and_then(|f| f.heat_off_at)) {
        (Some(left), _) if left <= 0.0 => Sentence::of("do-heat-off"),
        (Some(left), Some(at)) if can_tell(k, now_ns, left) => {
            if left <= MINUTE_S {
                return Sentence::of("do-heating-soon");
            }
            to("do-heating-until").with("min", Value::Minutes(left)).with("at", Value::Clock(at))
        }
        _ => to("do-heating"),
    }
}

/// What a heating counts down to: its target.
pub(super) fn countdown(k: &KettleView, now_ns: Option<WallNs>, waited_s: f64) -> Option<Countdown> {
    if !trusted(k, waited_s) && k.forecast.is_none() {
        return None;
    }
    if k.celsius.zip(k.target_celsius).is_some_and(|(c, t)| c >= t) {
        return None;
    }
    let seconds = until(k.forecast.as_ref()?.reach_at, now_ns)?.max(0.0);
    let told = can_tell(k, now_ns, seconds) || (was_called(k) && !cools(k) && seconds <= SHOWN_AHEAD_S);
    told.then_some(Countdown { key: "count-target", seconds })
}

//! The one plain sentence: what to do now.
//!
//! Duty: of everything that is known about a kettle, choose the single
//! sentence that a person with wet hands needs, as a message key and values.
//! The tool advises; the maker decides, so no sentence orders a cut.
//!
//! Invariants: an alarm that nobody took comes before all else, the gravest
//! first; where there is no number to trust, the sentence says so and never
//! mentions a temperature of the milk.

use crate::engine::alarm::{AlarmKind, AlarmState, Priority};
use crate::engine::effect::WallNs;
use crate::engine::probe::Health;
use crate::engine::said::Fact;
use crate::engine::stage::Stage;
use crate::engine::view::{AlarmView, KettleView};

/// A value in a sentence; the reader's language gives it its form.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// Degrees Celsius, one decimal.
    Celsius(f64),
    /// A length of time in seconds, read as whole minutes.
    Minutes(f64),
    /// A time of day.
    Clock(WallNs),
}

/// A message key and its values.
#[derive(Debug, Clone, PartialEq)]
pub struct Sentence {
    /// Key in the message files.
    pub key: String,
    /// Values by the names in the message.
    pub values: Vec<(&'static str, Value)>,
}

impl Sentence {
    fn of(key: impl Into<String>) -> Self {
        Self { key: key.into(), values: Vec::new() }
    }

    fn with(mut self, name: &'static str, value: Value) -> Self {
        self.values.push((name, value));
        self
    }
}

/// What the kettle's sheet counts down to.
#[derive(Debug, Clone, PartialEq)]
pub struct Countdown {
    /// Message key of what it counts down to: `count-heat-off`, `count-target`,
    /// `count-curd`, `count-planned`, `count-over`.
    pub key: &'static str,
    /// Seconds left; below 0 it is past.
    pub seconds: f64,
}

/// A number that is this old is not the milk's temperature any more, seconds.
pub const OLD_AFTER_S: f64 = 10.0;

/// A heating that stands so little below its target is where the maker meant
/// it to be, more or less, °C.
const NEAR_CELSIUS: f64 = 1.0;

/// Whether the kettle has a number that may be acted on. `waited_s` is the time
/// since the view was taken.
pub fn trusted(k: &KettleView, waited_s: f64) -> bool {
    let fresh = k.age_s.is_some_and(|a| a + waited_s <= OLD_AFTER_S);
    k.celsius.is_some() && fresh && matches!(k.health, Health::Good | Health::MaintenanceRequired)
}

/// The alarm to show first: not yet taken before taken, then by priority, then
/// the one that sounds, then the oldest.
pub fn gravest(alarms: &[AlarmView]) -> Option<&AlarmView> {
    alarms
        .iter()
        .filter(|a| {
            !matches!(a.state, AlarmState::Shelved | AlarmState::Suppressed | AlarmState::OutOfService)
        })
        .max_by_key(|a| (untaken(a.state), a.priority, a.sounds, std::cmp::Reverse(a.since)))
}

/// Whether a person still has to take it.
pub fn untaken(state: AlarmState) -> bool {
    matches!(state, AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged)
}

/// What to do now. `now_ns` is the wall clock's now, `waited_s` the time since
/// the view was taken.
pub fn now(k: &KettleView, now_ns: Option<WallNs>, waited_s: f64) -> Sentence {
    if let Some(a) = gravest(&k.alarms).filter(|a| acts(a)) {
        return alarm(a, k, now_ns);
    }
    if k.stage != Stage::Idle && !trusted(k, waited_s) {
        return Sentence::of("do-no-number");
    }
    by_stage(k, now_ns)
}

/// Whether the alarm decides the sentence: untaken ones do, and taken ones that
/// are grave for as long as they stand.
fn acts(a: &AlarmView) -> bool {
    a.state == AlarmState::Unacknowledged
        || (a.state == AlarmState::Acknowledged
            && a.priority == Priority::High
            && a.alarm != AlarmKind::HeatOff)
}

fn alarm(a: &AlarmView, k: &KettleView, now_ns: Option<WallNs>) -> Sentence {
    let s = Sentence::of(format!("do-{}", a.alarm.name()));
    match a.alarm {
        AlarmKind::GetReady => match heat_off_in_s(k, now_ns) {
            Some(left) => s.with("min", Value::Minutes(left)),
            None => Sentence::of("do-get-ready-soon"),
        },
        // It outlives the cook, and the stage after that has no target.
        AlarmKind::AtTarget | AlarmKind::OverTarget => match k.target_celsius.or_else(|| limit(a)) {
            Some(t) => s.with("target", Value::Celsius(t)),
            None => Sentence::of("do-at-limit"),
        },
        _ => s,
    }
}

/// The limit that an alarm spoke of when it was raised, °C.
fn limit(a: &AlarmView) -> Option<f64> {
    a.said.iter().find_map(|s| match s.values.get("wanted") {
        Some(Fact::Number(n)) => Some(*n),
        _ => None,
    })
}

fn by_stage(k: &KettleView, now_ns: Option<WallNs>) -> Sentence {
    let heats = matches!(k.stage, Stage::Warming | Stage::Cooking | Stage::WheyHeating);
    if heats && let Some(target) = k.target_celsius {
        return heating(k, target, now_ns);
    }
    let s = Sentence::of(format!("do-stage-{}", k.stage.name()));
    if k.stage == Stage::Setting {
        return match until(k.curd_check_at, now_ns) {
            Some(left) if left > 0.0 => Sentence::of("do-setting-until").with("min", Value::Minutes(left)),
            Some(_) => Sentence::of("do-curd-check"),
            None => s,
        };
    }
    match planned_left_s(k, now_ns) {
        Some(left) if left > 30.0 && planned_sentence(k.stage) => {
            Sentence::of(format!("do-{}-left", k.stage.name())).with("min", Value::Minutes(left))
        }
        _ => s,
    }
}

/// Stages whose sentence names the planned minutes that are left.
fn planned_sentence(stage: Stage) -> bool {
    matches!(stage, Stage::Ripening | Stage::Stirring | Stage::Settling | Stage::WheyResting)
}

fn heating(k: &KettleView, target: f64, now_ns: Option<WallNs>) -> Sentence {
    let to = |s: Sentence| s.with("target", Value::Celsius(target));
    if k.celsius.is_some_and(|c| c >= target) {
        return to(Sentence::of("do-heating-there"));
    }
    // The call of the milk's warming may stand in the cook yet, where nobody took it.
    let of_this = |since: Option<WallNs>| since.zip(k.stage_began).is_none_or(|(at, began)| at >= began);
    if k.alarms.iter().any(|a| a.alarm == AlarmKind::HeatOff && of_this(a.since)) {
        // Called; what comes now is what the kettle still gives.
        return to(Sentence::of("do-heating-called"));
    }
    if k.rate_celsius_per_min.is_some_and(|r| r < 0.05) {
        let near = k.celsius.is_some_and(|c| target - c <= NEAR_CELSIUS);
        return to(Sentence::of(if near { "do-heating-near" } else { "do-heating-stands" }));
    }
    match (heat_off_in_s(k, now_ns), k.forecast.as_ref().and_then(|f| f.heat_off_at)) {
        (Some(left), Some(at)) if left > 0.0 => to(Sentence::of("do-heating-until"))
            .with("min", Value::Minutes(left))
            .with("at", Value::Clock(at)),
        (Some(_), _) => Sentence::of("do-heat-off"),
        (None, _) => to(Sentence::of("do-heating")),
    }
}

/// Seconds until the heat should come off, by the forecast.
pub fn heat_off_in_s(k: &KettleView, now_ns: Option<WallNs>) -> Option<f64> {
    until(k.forecast.as_ref()?.heat_off_at, now_ns)
}

/// What the sheet counts down to, where there is anything.
pub fn countdown(k: &KettleView, now_ns: Option<WallNs>, waited_s: f64) -> Option<Countdown> {
    if matches!(k.stage, Stage::Warming | Stage::Cooking | Stage::WheyHeating) && k.target_celsius.is_some() {
        if !trusted(k, waited_s) && k.forecast.is_none() {
            return None;
        }
        if k.celsius.zip(k.target_celsius).is_some_and(|(c, t)| c >= t) {
            return None;
        }
        let reach = until(k.forecast.as_ref()?.reach_at, now_ns);
        return reach.map(|seconds| Countdown { key: "count-target", seconds: seconds.max(0.0) });
    }
    if k.stage == Stage::Setting
        && let Some(seconds) = until(k.curd_check_at, now_ns)
    {
        return Some(Countdown { key: "count-curd", seconds });
    }
    let left = planned_left_s(k, now_ns)?;
    Some(if left >= 0.0 {
        Countdown { key: "count-planned", seconds: left }
    } else {
        Countdown { key: "count-over", seconds: -left }
    })
}

fn planned_left_s(k: &KettleView, now_ns: Option<WallNs>) -> Option<f64> {
    let began = k.stage_began?;
    let minutes = k.planned_minutes?;
    Some(minutes * 60.0 - (now_ns? - began) as f64 / 1e9)
}

fn until(at: Option<WallNs>, now_ns: Option<WallNs>) -> Option<f64> {
    Some((at? - now_ns?) as f64 / 1e9)
}

#[cfg(test)]
mod tests {
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
        check(&k, OLD_AFTER_S, "do-no-number");
        k.celsius = None;
        check(&k, 0.0, "do-no-number");
        k.stage = Stage::Idle;
        check(&k, 0.0, "do-stage-idle");
        let mut k = kettle(Stage::Stirring);
        k.health = Health::OutOfSpecification;
        check(&k, 0.0, "do-no-number");
    }

    #[test]
    fn a_heating_counts_down_to_the_call_and_says_when_it_stands() {
        let mut k = kettle(Stage::Cooking);
        k.forecast = Some(Forecast {
            stage: Stage::Cooking,
            target_celsius: 41.0,
            heat_off_at: Some(300 * S),
            reach_at: Some(360 * S),
            peak_celsius: 38.0,
            peak_low_celsius: 37.8,
            peak_high_celsius: 38.3,
        });
        let s = now(&k, Some(60 * S), 0.0);
        assert_eq!(s.key, "do-heating-until");
        assert!(s.values.contains(&("min", Value::Minutes(240.0))));
        assert!((countdown(&k, Some(60 * S), 0.0).unwrap().seconds - 300.0).abs() < 0.1);
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
}

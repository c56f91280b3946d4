//! The one plain sentence: what to do now.
//!
//! Duty: of everything that is known about a kettle, choose the single
//! sentence that a person with wet hands needs, as a message key and values.
//! The tool advises; the maker decides, so no sentence orders a cut.
//!
//! Invariants: an alarm that nobody took comes before all else, the gravest
//! first; but one of low priority that only shows gives way to the stage's own
//! sentence after a while. Where there is no number to trust, the sentence says
//! so and never mentions a temperature of the milk. Where the stage is not sure,
//! no sentence instructs as though it were.

mod heating;

use crate::engine::alarm::{AlarmKind, AlarmState, Priority};
use crate::engine::effect::WallNs;
use crate::engine::probe::Health;
use crate::engine::said::Fact;
use crate::engine::stage::{Basis, Stage};
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
    /// Words of the message files, by their key.
    Word(String),
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

/// Below this, "in less than a minute" is said, seconds.
const MINUTE_S: f64 = 60.0;
/// A stage told with less than this is not sure.
const SURE: f64 = 0.7;
/// A probe that rises so fast while no make is known hangs in milk on the fire, °C/min.
const RISES_CELSIUS_PER_MIN: f64 = 0.2;
/// A low alarm that only shows has the sentence so long, seconds.
const SHOWS_FOR_S: f64 = 600.0;
/// "At the target" outlives its heating by so long, seconds, and stands for a
/// number so near, °C.
const AT_TARGET_AFTER_S: f64 = 120.0;
const AT_TARGET_CELSIUS: f64 = 0.5;

/// Whether the kettle has a number that may be acted on. `waited_s` is the time
/// since the view was taken.
pub fn trusted(k: &KettleView, waited_s: f64) -> bool {
    let fresh = k.age_s.is_some_and(|a| a + waited_s <= k.old_after_s);
    k.celsius.is_some() && fresh && matches!(k.health, Health::Good | Health::MaintenanceRequired)
}

/// Whether a person still has to take it.
pub fn untaken(state: AlarmState) -> bool {
    matches!(state, AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged)
}

/// What to do now. `now_ns` is the wall clock's now, `waited_s` the time since
/// the view was taken.
pub fn now(k: &KettleView, now_ns: Option<WallNs>, waited_s: f64) -> Sentence {
    if let Some(a) = speaker(k, now_ns, waited_s) {
        return alarm(a, k, now_ns);
    }
    if k.stage != Stage::Idle && !trusted(k, waited_s) {
        return Sentence::of("do-no-number");
    }
    by_stage(k, now_ns, waited_s)
}

/// The alarm that has the sentence: not yet taken before taken, then by priority,
/// then the one that sounds; "at the target" after its equals, since what comes
/// next matters more; then the oldest.
fn speaker(k: &KettleView, now_ns: Option<WallNs>, waited_s: f64) -> Option<&AlarmView> {
    k.alarms.iter().filter(|a| acts(a, k) && !is_outlived(a, k, now_ns, waited_s)).max_by_key(|a| {
        let last = a.alarm == AlarmKind::AtTarget;
        (untaken(a.state), a.priority, a.sounds, !last, std::cmp::Reverse(a.since))
    })
}

/// Whether the alarm decides the sentence: untaken ones do, and taken ones that
/// are grave for as long as they stand.
fn acts(a: &AlarmView, k: &KettleView) -> bool {
    let stands = |x: &AlarmView| x.state == AlarmState::Unacknowledged;
    if a.alarm == AlarmKind::GetReady && k.alarms.iter().any(|x| x.alarm == AlarmKind::HeatOff && stands(x)) {
        return false; // what it said to get ready for is there
    }
    stands(a)
        || (a.state == AlarmState::Acknowledged
            && a.priority == Priority::High
            && a.alarm != AlarmKind::HeatOff)
}

/// Whether an alarm that only shows has had the sentence for long enough, or
/// what it says is not so any more.
fn is_outlived(a: &AlarmView, k: &KettleView, now_ns: Option<WallNs>, waited_s: f64) -> bool {
    if a.sounds || a.priority != Priority::Low {
        return false;
    }
    let ago_s = |then: Option<WallNs>| until(then, now_ns).map(|s| -s);
    let shown_s = ago_s(a.since);
    if a.alarm == AlarmKind::AtTarget {
        let target = limit(a).or(k.target_celsius);
        let there = k.celsius.zip(target).is_none_or(|(c, t)| (c - t).abs() <= AT_TARGET_CELSIUS);
        // In the stage after its heating; the later of the two counts, since it may be raised there.
        let after_s = if heats(k.stage) { None } else { shown_s.zip(ago_s(k.stage_began)) };
        let after = after_s.is_some_and(|(shown, began)| shown.min(began) > AT_TARGET_AFTER_S);
        if !trusted(k, waited_s) || !there || after {
            return true;
        }
    }
    shown_s.is_some_and(|s| s > SHOWS_FOR_S)
}

fn alarm(a: &AlarmView, k: &KettleView, now_ns: Option<WallNs>) -> Sentence {
    let s = Sentence::of(format!("do-{}", a.alarm.name()));
    match a.alarm {
        AlarmKind::GetReady => match heat_off_in_s(k, now_ns) {
            Some(left) if left > MINUTE_S => s.with("min", Value::Minutes(left)),
            Some(_) => Sentence::of("do-get-ready-now"),
            None => Sentence::of("do-get-ready-soon"),
        },
        AlarmKind::HeatOff if heating::cools(k) => Sentence::of("do-called-cools"),
        // It outlives the cook, and the stage after that has another target or none.
        AlarmKind::AtTarget | AlarmKind::OverTarget => match limit(a).or(k.target_celsius) {
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

fn by_stage(k: &KettleView, now_ns: Option<WallNs>, waited_s: f64) -> Sentence {
    let rate = k.rate_celsius_per_min.unwrap_or(0.0);
    if heats(k.stage)
        && let Some(target) = k.target_celsius
    {
        return heating::sentence(k, target, now_ns);
    }
    let s = Sentence::of(format!("do-stage-{}", k.stage.name()));
    if k.stage == Stage::Idle {
        let rises = trusted(k, waited_s) && rate >= RISES_CELSIUS_PER_MIN;
        return if rises { Sentence::of("do-idle-rises") } else { s };
    }
    // The rennet clock runs from a mark, so this much is sure.
    if k.stage == Stage::Setting
        && let Some(left) = until(k.curd_check_at, now_ns)
    {
        return if left > 0.0 {
            Sentence::of("do-setting-until").with("min", Value::Minutes(left))
        } else {
            Sentence::of("do-curd-check")
        };
    }
    if !is_sure(k) {
        return perhaps(k.stage);
    }
    match planned_left_s(k, now_ns) {
        Some(left) if left > 30.0 && planned_sentence(k.stage) => {
            Sentence::of(format!("do-{}-left", k.stage.name())).with("min", Value::Minutes(left))
        }
        _ => s,
    }
}

/// The stages in which milk or whey is on the fire.
fn heats(stage: Stage) -> bool {
    matches!(stage, Stage::Warming | Stage::Cooking | Stage::WheyHeating)
}

/// Whether the stage is known well enough to say what it asks for.
fn is_sure(k: &KettleView) -> bool {
    k.stage_basis != Basis::Plan && k.stage_confidence >= SURE
}

/// The tentative form: which stage it may be, and to look.
fn perhaps(stage: Stage) -> Sentence {
    Sentence::of("do-perhaps").with("stage", Value::Word(format!("stage-{}", stage.name())))
}

/// Stages whose sentence names the planned minutes that are left.
fn planned_sentence(stage: Stage) -> bool {
    matches!(stage, Stage::Ripening | Stage::Stirring | Stage::Settling | Stage::WheyResting)
}

/// Seconds until the heat should come off, by the forecast.
pub fn heat_off_in_s(k: &KettleView, now_ns: Option<WallNs>) -> Option<f64> {
    until(k.forecast.as_ref()?.heat_off_at, now_ns)
}

/// What the sheet counts down to, where there is anything.
pub fn countdown(k: &KettleView, now_ns: Option<WallNs>, waited_s: f64) -> Option<Countdown> {
    if heats(k.stage) && k.target_celsius.is_some() {
        return heating::countdown(k, now_ns, waited_s);
    }
    if k.stage == Stage::Setting
        && let Some(seconds) = until(k.curd_check_at, now_ns)
    {
        // It calls a little early, so that there is time to come; then both say "now".
        let says = speaker(k, now_ns, waited_s).is_some_and(|a| a.alarm == AlarmKind::CurdCheck);
        return Some(Countdown { key: "count-curd", seconds: if says { seconds.min(0.0) } else { seconds } });
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
mod tests;
